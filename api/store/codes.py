"""Sealed codes of calls, who may see them, and who saw which."""

from dataclasses import dataclass

import sqlalchemy as sa

from api.store.engine import Transaction
from api.tables import calls, code_log, codes, days, facts, placements


@dataclass(frozen=True, slots=True, kw_only=True)
class Code:
    """A code as it is stored.

    Parameters
    ----------
    what : str
        'pin', 'bitting' or 'other'.
    sealed : bytes
        The code.
    sealed_with : str
        Name of the key.
    """

    what: str
    sealed: bytes
    sealed_with: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """When, by the current plan, which van is at a call, and what was told of it.

    Parameters
    ----------
    van_id : str
        The van.
    start_s : int
        When it starts, seconds since local midnight.
    zone : str
        Of the day.
    told : tuple of (str, str or None)
        Kinds of facts about the call and their vans, in the order in which they
        happened.
    """

    van_id: str
    start_s: int
    zone: str
    told: tuple[tuple[str, str | None], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A line of the log of codes.

    Parameters
    ----------
    seq : int
        Its number.
    at_ms : int
        When.
    day_id, call_id : str
        Whose code.
    key_id : str
        Who it was; 'keyround': the service itself.
    van_id : str or None
        Which van that was, if it was one.
    what : str
        'set', 'shown', 'refused' or 'removed'.
    """

    seq: int
    at_ms: int
    day_id: str
    call_id: str
    key_id: str
    van_id: str | None
    what: str


def knows_call(transaction: Transaction, day_id: str, call_id: str) -> bool:
    """Say whether a day has this call.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id, call_id : str
        Which.

    Returns
    -------
    bool
        Whether it has.
    """
    which = sa.exists().where(calls.c.day_id == day_id, calls.c.id == call_id)
    return bool(transaction.connection.execute(which.select()).scalar_one())


def put_code(
    transaction: Transaction, day_id: str, call_id: str, code: Code, key_id: str
) -> None:
    """Keep the code of a call instead of the one before.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    day_id, call_id : str
        Whose.
    code : Code
        Sealed.
    key_id : str
        Who sets it.
    """
    drop_code(transaction, day_id, call_id)
    transaction.connection.execute(
        sa.insert(codes).values(
            day_id=day_id,
            call_id=call_id,
            what=code.what,
            sealed=code.sealed,
            sealed_with=code.sealed_with,
            set_by=key_id,
            set_ms=transaction.now_ms,
        )
    )


def find_code(transaction: Transaction, day_id: str, call_id: str) -> Code | None:
    """Return the code of a call.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id, call_id : str
        Whose.

    Returns
    -------
    Code or None
        Sealed.
    """
    row = transaction.connection.execute(
        sa.select(codes).where(codes.c.day_id == day_id, codes.c.call_id == call_id)
    ).one_or_none()
    if row is None:
        return None
    return Code(what=row.what, sealed=row.sealed, sealed_with=row.sealed_with)


def drop_code(transaction: Transaction, day_id: str, call_id: str) -> bool:
    """Delete the code of a call.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    day_id, call_id : str
        Whose.

    Returns
    -------
    bool
        Whether there was one.
    """
    done = transaction.connection.execute(
        sa.delete(codes).where(codes.c.day_id == day_id, codes.c.call_id == call_id)
    )
    return bool(done.rowcount)


def coded_calls(
    transaction: Transaction, day_id: str | None = None, until: str | None = None
) -> list[tuple[str, str]]:
    """List the calls that have a code.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str or None, optional
        Of this day only.
    until : str or None, optional
        Of days before this one only.

    Returns
    -------
    list of (str, str)
        Day and call.
    """
    query = sa.select(codes.c.day_id, codes.c.call_id)
    if day_id is not None:
        query = query.where(codes.c.day_id == day_id)
    if until is not None:
        query = query.where(codes.c.day_id < until)
    rows = transaction.connection.execute(query.order_by(*query.selected_columns))
    return [(row.day_id, row.call_id) for row in rows]


def find_visit(transaction: Transaction, day_id: str, call_id: str) -> Visit | None:
    """Return the visit of a call by the current plan.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id, call_id : str
        Which.

    Returns
    -------
    Visit or None
        ``None``: it is in no van's day.
    """
    row = transaction.connection.execute(
        sa.select(placements.c.van_id, placements.c.start_s, days.c.zone)
        .join(days, days.c.id == placements.c.day_id)
        .where(placements.c.day_id == day_id, placements.c.call_id == call_id)
    ).one_or_none()
    if row is None:
        return None
    told = transaction.connection.execute(
        sa.select(facts.c.kind, facts.c.van_id)
        .where(facts.c.day_id == day_id, facts.c.call_id == call_id)
        .order_by(facts.c.at_s, facts.c.seq)
    )
    return Visit(
        van_id=row.van_id,
        start_s=row.start_s,
        zone=row.zone,
        told=tuple((each.kind, each.van_id) for each in told),
    )


def log_code(
    transaction: Transaction,
    day_id: str,
    call_id: str,
    who: tuple[str, str | None],
    what: str,
) -> None:
    """Write down what was done with a code.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    day_id, call_id : str
        Whose.
    who : tuple of (str, str or None)
        Name of the key, and its van.
    what : str
        'set', 'shown', 'refused' or 'removed'.
    """
    key_id, van_id = who
    transaction.connection.execute(
        sa.insert(code_log).values(
            at_ms=transaction.now_ms,
            day_id=day_id,
            call_id=call_id,
            key_id=key_id,
            van_id=van_id,
            what=what,
        )
    )


def list_log(transaction: Transaction, limit: int, before: int | None) -> list[Line]:
    """List what was done with codes.

    Parameters
    ----------
    transaction : Transaction
        Any.
    limit : int
        How many lines at most.
    before : int or None
        Only lines with a lower number.

    Returns
    -------
    list of Line
        Latest first.
    """
    query = sa.select(code_log).order_by(code_log.c.seq.desc()).limit(limit)
    if before is not None:
        query = query.where(code_log.c.seq < before)
    return [
        Line(
            seq=row.seq,
            at_ms=row.at_ms,
            day_id=row.day_id,
            call_id=row.call_id,
            key_id=row.key_id,
            van_id=row.van_id,
            what=row.what,
        )
        for row in transaction.connection.execute(query)
    ]
