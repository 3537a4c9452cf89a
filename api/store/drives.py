"""Drives that a road network was asked for, kept across days.

They say where somebody was driven to: they go as soon as the days do (:mod:`api.tidy`).
"""

from collections.abc import Iterable, Iterator, Mapping

import sqlalchemy as sa

from api.store.engine import Transaction
from api.tables import drives

Point = tuple[int, int]
Pairs = Mapping[tuple[Point, Point], tuple[int, int]]
_AT_ONCE = 400  # values in one condition: SQLite takes a thousand


def find_drives(
    transaction: Transaction, network: str, points: Iterable[Point]
) -> dict[tuple[Point, Point], tuple[int, int]]:
    """Return what is known of the drives among some points.

    Parameters
    ----------
    transaction : Transaction
        Any.
    network : str
        Of which network.
    points : iterable of (int, int)
        Latitudes and longitudes in millionths of a degree.

    Returns
    -------
    dict of (point, point) to (int, int)
        From and to: seconds on empty roads and metres; -1: no way.
    """
    wanted = set(points)
    found = {}
    for some in _batches(sorted({lat for lat, _ in wanted})):
        rows = transaction.connection.execute(
            sa.select(
                drives.c.from_lat,
                drives.c.from_lon,
                drives.c.to_lat,
                drives.c.to_lon,
                drives.c.base_s,
                drives.c.distance_m,
            ).where(drives.c.network == network, drives.c.from_lat.in_(some))
        )
        for from_lat, from_lon, to_lat, to_lon, base_s, distance_m in rows:
            pair = (from_lat, from_lon), (to_lat, to_lon)
            if wanted.issuperset(pair):
                found[pair] = base_s, distance_m
    return found


def keep_drives(transaction: Transaction, network: str, pairs: Pairs) -> int:
    """Keep drives; those that are kept already stay as they are.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    network : str
        Of which network.
    pairs : mapping
        As :func:`find_drives` returns them.

    Returns
    -------
    int
        How many were new.
    """
    known = find_drives(
        transaction, network, {point for pair in pairs for point in pair}
    )
    rows = [
        {
            "network": network,
            "from_lat": start[0],
            "from_lon": start[1],
            "to_lat": end[0],
            "to_lon": end[1],
            "base_s": base_s,
            "distance_m": distance_m,
            "asked_ms": transaction.now_ms,
        }
        for (start, end), (base_s, distance_m) in pairs.items()
        if (start, end) not in known
    ]
    if rows:
        transaction.connection.execute(sa.insert(drives), rows)
    return len(rows)


def forget_drives(transaction: Transaction, before_ms: int) -> int:
    """Forget drives that were asked for long ago.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    before_ms : int
        Before when, milliseconds since 1970.

    Returns
    -------
    int
        How many.
    """
    gone = transaction.connection.execute(
        sa.delete(drives).where(drives.c.asked_ms < before_ms)
    )
    return int(gone.rowcount)


def _batches(values: list[int]) -> Iterator[list[int]]:
    for first in range(0, len(values), _AT_ONCE):
        yield values[first : first + _AT_ONCE]
