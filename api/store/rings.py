"""Customers who have to be rung, until somebody has done it."""

from collections.abc import Sequence
from dataclasses import dataclass

import sqlalchemy as sa

from api.records import from_text, to_text
from api.store.engine import Transaction
from api.tables import calls, rings
from dispatch.report.livedata import RingDocument


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenRing:
    """A customer whom nobody has rung yet.

    Parameters
    ----------
    version : int
        The plan that wants it.
    ring : RingDocument
        Whom, and what to say.
    """

    version: int
    ring: RingDocument


def put_rings(
    transaction: Transaction, day_id: str, version: int, found: Sequence[RingDocument]
) -> None:
    """Write down whom to ring about a plan: it takes the place of earlier words.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    day_id : str
        Which day.
    version : int
        The plan.
    found : sequence of RingDocument
        Whom, the most urgent first.
    """
    connection = transaction.connection
    known = set(
        connection.execute(
            sa.select(calls.c.id).where(calls.c.day_id == day_id)
        ).scalars()
    )
    rows = [
        {
            "day_id": day_id,
            "call_id": ring.call_id,
            "version": version,
            "position": position,
            "body": to_text(ring),
        }
        for position, ring in enumerate(found)
        if ring.call_id in known
    ]
    if rows:
        named = [row["call_id"] for row in rows]
        connection.execute(
            sa.delete(rings).where(rings.c.day_id == day_id, rings.c.call_id.in_(named))
        )
        connection.execute(sa.insert(rings), rows)


def list_rings(transaction: Transaction, day_id: str) -> list[OpenRing]:
    """Return whom nobody has rung yet.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Which day.

    Returns
    -------
    list of OpenRing
        Of the earliest plan first, the most urgent of each first.
    """
    rows = transaction.connection.execute(
        sa.select(rings)
        .where(rings.c.day_id == day_id, rings.c.done_ms.is_(None))
        .order_by(rings.c.version, rings.c.position)
    )
    return [
        OpenRing(version=row.version, ring=from_text(RingDocument, row.body))
        for row in rows
    ]


def find_ring(transaction: Transaction, day_id: str, call_id: str) -> OpenRing | None:
    """Return the last word about a call, whether it was said or not.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id, call_id : str
        Which.

    Returns
    -------
    OpenRing or None
        ``None``: nobody had to be rung.
    """
    row = transaction.connection.execute(
        sa.select(rings).where(rings.c.day_id == day_id, rings.c.call_id == call_id)
    ).first()
    if row is None:
        return None
    return OpenRing(version=row.version, ring=from_text(RingDocument, row.body))


def close_ring(transaction: Transaction, day_id: str, call_id: str) -> None:
    """Note that a customer was rung.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    day_id, call_id : str
        About which call.
    """
    transaction.connection.execute(
        sa.update(rings)
        .where(
            rings.c.day_id == day_id,
            rings.c.call_id == call_id,
            rings.c.done_ms.is_(None),
        )
        .values(done_ms=transaction.now_ms)
    )
