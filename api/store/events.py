"""What changed, in the order of commits."""

from dataclasses import dataclass

import sqlalchemy as sa

from api.store.engine import Transaction
from api.tables import events, feed

KEPT_MS = 7 * 24 * 3600 * 1000  # own choice: a phone that was off for a holiday reloads


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One change.

    Parameters
    ----------
    seq : int
        Its number.
    name : str
        What changed.
    day_id, van_id : str or None
        Of which day, and which van may hear it; ``None``: the office alone.
    data : str
        JSON, ids only.
    """

    seq: int
    name: str
    day_id: str | None
    van_id: str | None
    data: str


def last_event(transaction: Transaction) -> int:
    """Return the number of the last change.

    Parameters
    ----------
    transaction : Transaction
        Any.

    Returns
    -------
    int
        0: nothing changed yet.
    """
    return int(transaction.connection.execute(sa.select(feed.c.seq)).scalar_one())


def list_events(transaction: Transaction, after: int, most: int) -> list[Event]:
    """List changes.

    Parameters
    ----------
    transaction : Transaction
        Any.
    after : int
        Number of the last one that is known.
    most : int
        How many at most.

    Returns
    -------
    list of Event
        In order.
    """
    rows = transaction.connection.execute(
        sa.select(events).where(events.c.seq > after).order_by(events.c.seq).limit(most)
    )
    return [
        Event(
            seq=row.seq,
            name=row.name,
            day_id=row.day_id,
            van_id=row.van_id,
            data=row.data,
        )
        for row in rows
    ]


def first_event(transaction: Transaction) -> int | None:
    """Return the number of the first change that is still kept.

    Parameters
    ----------
    transaction : Transaction
        Any.

    Returns
    -------
    int or None
        ``None``: none is.
    """
    found = transaction.connection.execute(
        sa.select(sa.func.min(events.c.seq))
    ).scalar_one()
    return None if found is None else int(found)


def trim_events(transaction: Transaction) -> None:
    """Let go of changes that are too old.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    """
    old_ms = transaction.now_ms - KEPT_MS
    transaction.connection.execute(sa.delete(events).where(events.c.at_ms < old_ms))
