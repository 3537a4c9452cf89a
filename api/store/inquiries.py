"""Urgent calls that were asked about."""

from dataclasses import dataclass

import sqlalchemy as sa

from api.store.engine import Transaction
from api.tables import inquiries


@dataclass(frozen=True, slots=True, kw_only=True)
class Inquiry:
    """An urgent call, and what can be done about it.

    Parameters
    ----------
    id, day_id : str
        Its name, and the day.
    version, facts : int
        Of the plan in force, and the last fact that was known.
    call : str
        JSON of the call.
    document : bytes
        keyround urgent.
    options : str
        JSON: for each option the whole plan once it is taken.
    expires_ms : int
        Until when it can be accepted.
    accepted : int or None
        The option that was taken.
    """

    id: str
    day_id: str
    version: int
    facts: int
    call: str
    document: bytes
    options: str
    expires_ms: int
    accepted: int | None = None


def add_inquiry(transaction: Transaction, inquiry: Inquiry) -> None:
    """Write an inquiry down; those that are over go.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    inquiry : Inquiry
        The inquiry.
    """
    connection = transaction.connection
    connection.execute(
        sa.delete(inquiries).where(inquiries.c.expires_ms < transaction.now_ms)
    )
    connection.execute(
        sa.insert(inquiries).values(
            id=inquiry.id,
            day_id=inquiry.day_id,
            version=inquiry.version,
            facts=inquiry.facts,
            call=inquiry.call,
            document=inquiry.document,
            options=inquiry.options,
            at_ms=transaction.now_ms,
            expires_ms=inquiry.expires_ms,
        )
    )


def find_inquiry(transaction: Transaction, day_id: str, name: str) -> Inquiry | None:
    """Find an inquiry.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id, name : str
        The day, and its id.

    Returns
    -------
    Inquiry or None
        ``None``: there is none.
    """
    row = transaction.connection.execute(
        sa.select(inquiries).where(inquiries.c.day_id == day_id, inquiries.c.id == name)
    ).one_or_none()
    if row is None:
        return None
    return Inquiry(
        id=row.id,
        day_id=row.day_id,
        version=row.version,
        facts=row.facts,
        call=row.call,
        document=row.document,
        options=row.options,
        expires_ms=row.expires_ms,
        accepted=row.accepted,
    )


def accept_inquiry(transaction: Transaction, name: str, option: int) -> None:
    """Note which option was taken.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    name : str
        The inquiry.
    option : int
        Which, from 0.
    """
    transaction.connection.execute(
        sa.update(inquiries).where(inquiries.c.id == name).values(accepted=option)
    )
