"""Where each piece is, and where it went."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from api.store.engine import Transaction
from api.tables import balances, movements
from shared.model import Day


@dataclass(frozen=True, slots=True, kw_only=True)
class Movement:
    """Some pieces that came or went.

    Parameters
    ----------
    seq : int
        Its number in the day.
    holder, part_id : str
        A van or a store, and of what.
    pieces : int
        Negative: taken away.
    cause : str
        'morning', 'counted' or 'fact'.
    fact_id : str or None
        The fact that tells it.
    note : str
        Free words.
    at_ms : int
        When it was written down.
    """

    seq: int
    holder: str
    part_id: str
    pieces: int
    cause: str
    fact_id: str | None
    note: str
    at_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """How many pieces a holder has.

    Parameters
    ----------
    holder, part_id : str
        Who, and of what.
    pieces : int
        0 or more.
    """

    holder: str
    part_id: str
    pieces: int


Stocks = Mapping[str, Mapping[str, int]]
"""Holder to part id to pieces."""


def stocks_of(day: Day) -> Stocks:
    """Return what lies where as the day begins.

    Parameters
    ----------
    day : Day
        The day.

    Returns
    -------
    mapping of str to mapping of str to int
        Holder to part id to pieces.
    """
    stores = (day.shop, *day.counters)
    return {van.id: van.stock for van in day.vans} | {
        store.id: store.stock for store in stores
    }


def move(
    transaction: Transaction,
    day_id: str,
    stocks: tuple[Stocks, Stocks],
    cause: str,
    fact_id: str | None = None,
    note: str = "",
) -> None:
    """Write down what came and went between two moments.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    day_id : str
        Which day.
    stocks : (Stocks, Stocks)
        Before and after.
    cause : str
        'morning', 'counted' or 'fact'.
    fact_id : str or None
        The fact that tells it.
    note : str
        Free words.
    """
    before, after = stocks
    last = transaction.connection.execute(
        sa.select(sa.func.max(movements.c.seq)).where(movements.c.day_id == day_id)
    ).scalar_one()
    rows: list[dict[str, object]] = []
    for holder in dict.fromkeys((*before, *after)):
        old, new = before.get(holder, {}), after.get(holder, {})
        for part_id in dict.fromkeys((*old, *new)):
            pieces = new.get(part_id, 0) - old.get(part_id, 0)
            if pieces:
                rows.append(
                    {
                        "day_id": day_id,
                        "seq": (last or 0) + len(rows) + 1,
                        "holder": holder,
                        "part_id": part_id,
                        "pieces": pieces,
                        "cause": cause,
                        "fact_id": fact_id,
                        "note": note,
                        "at_ms": transaction.now_ms,
                    }
                )
    if rows:
        transaction.connection.execute(sa.insert(movements), rows)


def list_movements(transaction: Transaction, day_id: str) -> list[Movement]:
    """List what came and went.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Which day.

    Returns
    -------
    list of Movement
        As it was written down.
    """
    rows = transaction.connection.execute(
        sa.select(movements)
        .where(movements.c.day_id == day_id)
        .order_by(movements.c.seq)
    )
    return [_movement(row) for row in rows]


def _movement(row: sa.Row[Any]) -> Movement:
    return Movement(
        seq=row.seq,
        holder=row.holder,
        part_id=row.part_id,
        pieces=row.pieces,
        cause=row.cause,
        fact_id=row.fact_id,
        note=row.note,
        at_ms=row.at_ms,
    )


def list_balances(
    transaction: Transaction, day_id: str, holders: Iterable[str] | None = None
) -> list[Balance]:
    """List what lies where now.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Which day.
    holders : iterable of str, optional
        Whose; by default all.

    Returns
    -------
    list of Balance
        By holder, then part; what is used up is among them.
    """
    query = (
        sa.select(balances)
        .where(balances.c.day_id == day_id)
        .order_by(balances.c.holder, balances.c.part_id)
    )
    if holders is not None:
        query = query.where(balances.c.holder.in_(list(holders)))
    return [
        Balance(holder=row.holder, part_id=row.part_id, pieces=row.pieces)
        for row in transaction.connection.execute(query)
    ]
