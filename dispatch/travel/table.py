"""The day's travel table: every drive a route can need, in rows and columns."""

from collections.abc import Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dispatch.travel.roads import Legs, Roads
from dispatch.travel.straight import StraightLine
from dispatch.travel.streets import Surveyed
from shared.errors import Fault, InvalidInput
from shared.model import Day, Place, Traffic

MATRIX = "travel matrix"
SHOWN_FAULTS = 20  # a forgotten column can mean thousands
SLOWEST_PERMILLE, FASTEST_PERMILLE = 50, 2000
EXPECTED_LEG = "free-flow seconds and metres, both 0 or more"


class TravelTable(NamedTuple):
    """Driving between all nodes of a day; the arrays are read-only.

    Parameters
    ----------
    keys : mapping of str to int
        Node to row. Rows 0 to n-1 are the day's calls in their order
        (``call:<id>``), then ``shop``, then ``store:<id>`` for counters where a route
        can stop, then per van ``start:<id>`` and ``finish:<id>``, left out where that
        is anywhere.
    base_s : int64 array, shape (nodes, nodes)
        Seconds at free flow from row to column.
    distance_m : int64 array, shape (nodes, nodes)
        Metres from row to column.
    traffic : Traffic
        Speed through the day, as in ``day.travel``: in seconds that pass, so that
        who reads a profile by the clock on the wall has resolved it for a day of
        23 or 25 hours.
    source : str
        Where the figures come from, in words.
    """

    keys: Mapping[str, int]
    base_s: NDArray[np.int64]
    distance_m: NDArray[np.int64]
    traffic: Traffic
    source: str


def travel_table(day: Day, source: Roads | None = None) -> TravelTable:
    """Measure every drive of a day.

    Parameters
    ----------
    day : Day
        Its matrix is used where it has one.
    source : Roads, optional
        Who measures; by default the day's streets, and the straight line with its
        rules where they know nothing.

    Returns
    -------
    TravelTable
        The drives.

    Raises
    ------
    InvalidInput
        When the travel rules make no sense, a place is nowhere on earth, or the
        given matrix is negative or lacks pairs that a route can drive. Pairs that
        none drives (to a start, from a finish, to and from the shop) may be left
        out and are filled by ``source``; so may two nodes at one place (0), and a
        van's start or finish at the shop, which then counts as ``shop``.
    """
    nodes = nodes_of(day)
    line = StraightLine(rules=day.travel)
    faults = [
        Fault(file="day.toml", column=f"travel.{field}", got=got, expected=expected)
        for field, got, expected in (*line.faults(), *_traffic_faults(day))
    ]
    faults += _place_faults(nodes)
    if faults:
        raise InvalidInput(faults[:SHOWN_FAULTS])
    roads = source if source is not None else roads_of(day)
    legs = roads.measure(tuple(nodes.values()))
    words = day.travel.source or roads.source
    if day.travel.matrix is not None:
        stop = day.shop.restock_s is not None
        lost = {f"call:{call.id}" for call in day.calls if not call.is_located}
        legs = _given(day.travel.matrix, nodes, legs, shop_is_stop=stop, lost=lost)
        words = day.travel.source or "a given travel matrix"
    legs = add_walks(day, nodes, legs)
    for array in legs:
        array.setflags(write=False)
    return TravelTable(
        keys={key: row for row, key in enumerate(nodes)},
        base_s=legs.base_s,
        distance_m=legs.distance_m,
        traffic=day.travel.traffic,
        source=words,
    )


def roads_of(day: Day) -> Roads:
    """Return who measures a day's drives.

    Parameters
    ----------
    day : Day
        The day.

    Returns
    -------
    Roads
        Its streets where it has any, otherwise the straight line.
    """
    if day.travel.streets is None:
        return StraightLine(rules=day.travel)
    return Surveyed(rules=day.travel, streets=day.travel.streets)


def nodes_of(day: Day) -> dict[str, Place]:
    """Return every place that a route can start from, stop at or end at.

    Parameters
    ----------
    day : Day
        The day.

    Returns
    -------
    dict of str to Place
        By the keys of a :class:`TravelTable`, in its order.
    """
    nodes = {f"call:{call.id}": call.parked for call in day.calls}
    nodes["shop"] = day.shop.place
    nodes |= {
        f"store:{counter.id}": counter.place
        for counter in day.counters
        if counter.restock_s is not None
    }
    for van in day.vans:
        if van.start is not None:
            nodes[f"start:{van.id}"] = van.start
        if van.finish is not None:
            nodes[f"finish:{van.id}"] = van.finish
    return nodes


def extend_table(travel: TravelTable, day: Day) -> TravelTable:
    """Return the table of a day whose drives are known already, or most of them.

    Parameters
    ----------
    travel : TravelTable
        The drives that are known.
    day : Day
        Other calls and vans, in another order, or new ones.

    Returns
    -------
    TravelTable
        Drives to and from places that ``travel`` does not know are measured on the
        day's streets, or along the straight line.
    """
    nodes = nodes_of(day)
    known = [row for row, key in enumerate(nodes) if key in travel.keys]
    rows = [travel.keys[key] for key in nodes if key in travel.keys]
    here, there = np.ix_(known, known), np.ix_(rows, rows)
    if len(known) < len(nodes):
        legs = add_walks(day, nodes, roads_of(day).measure(tuple(nodes.values())))
        legs.base_s[here] = travel.base_s[there]
        legs.distance_m[here] = travel.distance_m[there]
    else:
        legs = Legs(travel.base_s[there], travel.distance_m[there])
    for array in legs:
        array.setflags(write=False)
    return travel._replace(
        keys={key: row for row, key in enumerate(nodes)},
        base_s=legs.base_s,
        distance_m=legs.distance_m,
    )


def add_walks(day: Day, keys: Iterable[str], legs: Legs) -> Legs:
    """Return drives with the ways on foot at their ends.

    A drive to a call ends at the job, one from a call begins there: the way from the
    parked van is a part of the former, the way back one of the latter. So a visit
    starts and finishes where the customer is, and whoever reads a travel table knows
    of no ways on foot. As with the fixed time of each drive, the hour's traffic
    stretches them.

    Parameters
    ----------
    day : Day
        Its calls have access points.
    keys : iterable of str
        Node of each row.
    legs : Legs
        Between the vans' places.

    Returns
    -------
    Legs
        The same where no call has one; metres stay those that are driven.
    """
    walk_in_s, walk_out_s = _walks(day, keys)
    if not walk_in_s.any() and not walk_out_s.any():
        return legs
    base_s = legs.base_s + np.add.outer(walk_out_s, walk_in_s)
    np.fill_diagonal(base_s, 0)
    return legs._replace(base_s=base_s)


def strip_walks(day: Day, keys: Iterable[str], legs: Legs) -> Legs:
    """Return drives between the vans' places, as a given matrix holds them.

    Parameters
    ----------
    day : Day
        Its calls have access points.
    keys : iterable of str
        Node of each row.
    legs : Legs
        As :func:`add_walks` returns them.

    Returns
    -------
    Legs
        Without the ways on foot at calls of this day.
    """
    walk_in_s, walk_out_s = _walks(day, keys)
    base_s = legs.base_s - np.add.outer(walk_out_s, walk_in_s)
    np.fill_diagonal(base_s, 0)
    return legs._replace(base_s=base_s)


def _walks(
    day: Day, keys: Iterable[str]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return seconds on foot to and from each node."""
    walks = {f"call:{call.id}": (call.walk_in_s, call.walk_out_s) for call in day.calls}
    both = np.array([walks.get(key, (0, 0)) for key in keys], np.int64).reshape(-1, 2)
    return both[:, 0], both[:, 1]


def measure_between(
    day: Day, places: Sequence[Place], source: Roads | None = None
) -> Legs:
    """Return drives between places, as the day's matrix has them where it does.

    Parameters
    ----------
    day : Day
        Its matrix knows its calls, stores, starts and finishes.
    places : sequence of Place
        Any, also others.
    source : Roads, optional
        Who measures what the matrix does not know; by default the day's streets, or
        the straight line.

    Returns
    -------
    Legs
        Seconds and metres, in the order of the places.
    """
    legs = (source or roads_of(day)).measure(places)
    matrix = day.travel.matrix
    if matrix is None:
        return legs
    keys: dict[Place, list[str]] = {}
    for key, place in nodes_of(day).items():
        keys.setdefault(place, []).append(key)
    for row, here in enumerate(places):
        for column, there in enumerate(places):
            if here == there:
                continue
            known = (
                matrix[origin, target]
                for origin in keys.get(here, ())
                for target in keys.get(there, ())
                if (origin, target) in matrix
            )
            leg = next(known, None)
            if leg is not None:
                legs.base_s[row, column], legs.distance_m[row, column] = leg
    return legs


def _traffic_faults(day: Day) -> list[tuple[str, str, str]]:
    traffic = day.travel.traffic
    found = []
    if traffic.slot_s <= 0:
        found.append(("traffic.slot_s", str(traffic.slot_s), "more than 0"))
    speeds = traffic.speed_permille
    if not speeds:
        found.append(("traffic.speed_permille", "nothing", "at least one speed"))
    wrong = [
        speed for speed in speeds if not SLOWEST_PERMILLE <= speed <= FASTEST_PERMILLE
    ]
    if wrong:
        found.append(
            (
                "traffic.speed_permille",
                ", ".join(map(str, wrong[:5])),
                f"{SLOWEST_PERMILLE} to {FASTEST_PERMILLE}",
            )
        )
    return found


def _place_faults(nodes: Mapping[str, Place]) -> list[Fault]:
    return [
        Fault(
            file="places",
            column=key,
            got=f"{place.lat_deg}, {place.lon_deg}",
            expected="latitude -90 to 90, longitude -180 to 180",
        )
        for key, place in nodes.items()
        if not (abs(place.lat_deg) <= 90 and abs(place.lon_deg) <= 180)  # noqa: PLR2004
    ]


def _given(
    matrix: Mapping[tuple[str, str], tuple[int, int]],
    nodes: Mapping[str, Place],
    measured: Legs,
    *,
    shop_is_stop: bool,
    lost: AbstractSet[str] = frozenset(),
) -> Legs:
    """Lay a given matrix over measured legs; complain about all that it lacks.

    Nobody drives to calls of which nobody knows where they are: ``lost``.
    """
    keys = list(nodes)
    rows = {key: row for row, key in enumerate(keys)}
    base_s, distance_m = measured.base_s.copy(), measured.distance_m.copy()
    known = np.eye(len(keys), dtype=np.bool_)
    for (origin, target), leg in matrix.items():
        row, column = rows.get(origin), rows.get(target)
        if row is not None and column is not None and row != column:
            base_s[row, column], distance_m[row, column] = leg
            known[row, column] = True
    lat = np.array([place.lat_deg for place in nodes.values()])
    lon = np.array([place.lon_deg for place in nodes.values()])
    same = np.equal.outer(lat, lat) & np.equal.outer(lon, lon)
    shop = rows["shop"]
    calls = np.array([key.startswith("call:") for key in keys])
    for node in np.flatnonzero(same[shop] & ~calls):
        # A start or finish at the shop's door: first its drives, then those to it.
        lent = known[shop] & ~known[node]
        base_s[node, lent], distance_m[node, lent] = (
            base_s[shop, lent],
            distance_m[shop, lent],
        )
        known[node] |= lent
    for node in np.flatnonzero(same[shop] & ~calls):
        lent = known[:, shop] & ~known[:, node]
        base_s[lent, node], distance_m[lent, node] = (
            base_s[lent, shop],
            distance_m[lent, shop],
        )
        known[:, node] |= lent
    for array in (base_s, distance_m):
        array[same & ~known] = 0
    nowhere = np.array([key in lost for key in keys])
    known |= same | nowhere[:, np.newaxis] | nowhere
    starts = np.array([key.startswith("start:") for key in keys])
    finishes = np.array([key.startswith("finish:") for key in keys])
    stops = calls | np.array([key.startswith("store:") for key in keys])
    stops[shop] = shop_is_stop
    driven = np.logical_and.outer(stops | starts, stops | finishes)
    driven &= np.logical_or.outer(stops, stops)
    negative = known & ((base_s < 0) | (distance_m < 0))
    _complain(
        [
            (f"{keys[row]} to {keys[column]}", "nothing")
            for row, column in np.argwhere(driven & ~known)
        ]
        + [
            (
                f"{keys[row]} to {keys[column]}",
                f"{base_s[row, column]} s, {distance_m[row, column]} m",
            )
            for row, column in np.argwhere(negative)
        ]
    )
    return Legs(base_s=base_s, distance_m=distance_m)


def _complain(pairs: Sequence[tuple[str, str]]) -> None:
    faults = [
        Fault(file=MATRIX, column=pair, got=got, expected=EXPECTED_LEG)
        for pair, got in pairs[:SHOWN_FAULTS]
    ]
    if len(pairs) > SHOWN_FAULTS:
        faults.append(
            Fault(
                file=MATRIX,
                got=f"{len(pairs) - SHOWN_FAULTS} more pairs like these",
                expected=EXPECTED_LEG,
            )
        )
    if faults:
        raise InvalidInput(faults)
