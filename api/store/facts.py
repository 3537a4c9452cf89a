"""What happened, as it was told."""

from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from api.records import from_text, to_text
from api.store.engine import Transaction
from api.tables import facts
from shared.facts import Fact


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A fact, and how it came in.

    Parameters
    ----------
    seq : int
        Its number in the day, as it came in.
    fact : Fact
        Completed from the plan that was in force then.
    digest : str
        Of what was told.
    told_by : str
        The key of who told it, or 'keyround'.
    received_ms : int
        When.
    """

    seq: int
    fact: Fact
    digest: str
    told_by: str
    received_ms: int


def add_fact(
    transaction: Transaction, day_id: str, fact: Fact, digest: str, told_by: str
) -> int:
    """Write a fact down.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    day_id : str
        Which day.
    fact : Fact
        Completed, and possible beside the others.
    digest : str
        Of what was told.
    told_by : str
        The key of who told it, or 'keyround'.

    Returns
    -------
    int
        Its number.
    """
    seq = last_seq(transaction, day_id) + 1
    transaction.connection.execute(
        sa.insert(facts).values(
            day_id=day_id,
            seq=seq,
            id=fact.id,
            kind=str(fact.kind),
            at_s=fact.at_s,
            van_id=fact.van_id,
            call_id=fact.call_id if fact.call is None else fact.call.id,
            body=to_text(fact),
            digest=digest,
            told_by=told_by,
            received_ms=transaction.now_ms,
        )
    )
    return seq


def last_seq(transaction: Transaction, day_id: str) -> int:
    """Return the number of a day's last fact.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Which day.

    Returns
    -------
    int
        0: nothing happened yet.
    """
    found = transaction.connection.execute(
        sa.select(sa.func.max(facts.c.seq)).where(facts.c.day_id == day_id)
    ).scalar_one()
    return int(found or 0)


def list_facts(
    transaction: Transaction, day_id: str, van_id: str | None = None
) -> list[Told]:
    """List what happened.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Which day.
    van_id : str or None
        Only what this van said, or what was said of it.

    Returns
    -------
    list of Told
        As it came in.
    """
    query = sa.select(facts).where(facts.c.day_id == day_id).order_by(facts.c.seq)
    if van_id is not None:
        query = query.where(facts.c.van_id == van_id)
    return [_told(row) for row in transaction.connection.execute(query)]


def _told(row: sa.Row[Any]) -> Told:
    return Told(
        seq=row.seq,
        fact=from_text(Fact, row.body),
        digest=row.digest,
        told_by=row.told_by,
        received_ms=row.received_ms,
    )
