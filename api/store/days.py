"""Days as they were given, with what they are made of."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import sqlalchemy as sa

from api import tables
from api.records import day_from, day_text, from_text, to_text
from api.store.engine import Transaction
from api.tables import balances, calls, codes, days, facts, movements, parts, vans
from dispatch.lesson import Figures
from shared.model import Call, Day, Part, Store, Van

KEPT = (
    "log.csv",
    "log.toml",
    "shelves.toml",
    "pins.csv",
    "README.md",
    "facts.csv",
    "booked.csv",
)
"""Files of a folder that are kept as they are; the last two only until somebody says
what they say."""

_ROWS: Mapping[type, sa.Table] = {
    Call: calls,
    Van: vans,
    Part: parts,
    Store: tables.stores,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Brief:
    """A day in a few words.

    Parameters
    ----------
    id : str
        Its date.
    zone, name, note : str
        As in :class:`shared.model.Day`.
    running : bool
        Whether something happened on it.
    revision : int
        How often it was edited.
    plan_version : int or None
        Of the plan in force.
    calls, vans : int
        How many; calls that came in among them.
    erased : bool
        Whether its data is gone.
    """

    id: str
    zone: str
    name: str
    note: str
    running: bool
    revision: int
    plan_version: int | None
    calls: int
    vans: int
    erased: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A call, a van or a part, with how often it was edited.

    Parameters
    ----------
    value : Call, Van, Part or Store
        What it is.
    revision : int
        How often it was edited.
    booked_by : str or None
        The fact by which a call came in.
    """

    value: Any
    revision: int
    booked_by: str | None = None


def add_day(transaction: Transaction, day: Day, files: Mapping[str, bytes]) -> None:
    """Write a day down.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    day : Day
        As it was given; its slots are not held yet.
    files : mapping of str to bytes
        Files that are kept as they are.
    """
    day_id = day.date.isoformat()
    connection = transaction.connection
    connection.execute(
        sa.insert(days).values(
            id=day_id,
            zone=day.zone.key,
            name=day.name,
            note=day.note,
            body=day_text(day),
            revision=1,
            running=False,
            created_ms=transaction.now_ms,
        )
    )
    groups: tuple[tuple[type, Iterable[Any]], ...] = (
        (Call, day.calls),
        (Van, day.vans),
        (Part, day.parts.values()),
        (Store, (day.shop, *day.counters)),
    )
    for source, values in groups:
        rows = [
            {
                "day_id": day_id,
                "id": value.id,
                "position": position,
                "revision": 1,
                "body": to_text(value),
            }
            for position, value in enumerate(values)
        ]
        if rows:
            connection.execute(sa.insert(_ROWS[source]), rows)
    if files:
        connection.execute(
            sa.insert(tables.day_files),
            [
                {"day_id": day_id, "name": name, "body": body}
                for name, body in files.items()
            ],
        )


def read_day(transaction: Transaction, day_id: str) -> Day | None:
    """Read a day as it was given.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Its date.

    Returns
    -------
    Day or None
        Without the calls that came in since; ``None``: there is none.
    """
    text = transaction.connection.execute(
        sa.select(days.c.body).where(days.c.id == day_id, days.c.erased_ms.is_(None))
    ).scalar_one_or_none()
    if text is None:
        return None
    found = [row.value for row in list_rows(transaction, day_id, Store)]
    return replace(
        day_from(text),
        calls=tuple(
            row.value
            for row in list_rows(transaction, day_id, Call)
            if row.booked_by is None
        ),
        vans=tuple(row.value for row in list_rows(transaction, day_id, Van)),
        parts={row.value.id: row.value for row in list_rows(transaction, day_id, Part)},
        shop=found[0],
        counters=tuple(found[1:]),
    )


def read_learnt(transaction: Transaction, day_id: str) -> Figures | None:
    """Read what was learnt for a day.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Its date; the day is there.

    Returns
    -------
    Figures or None
        ``None``: nothing was.
    """
    text = transaction.connection.execute(
        sa.select(days.c.learnt).where(days.c.id == day_id)
    ).scalar_one()
    return None if text is None else from_text(Figures, text)


def write_learnt(
    transaction: Transaction, day_id: str, figures: Figures | None
) -> None:
    """Note what was learnt for a day.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    day_id : str
        Its date.
    figures : Figures or None
        ``None``: nothing was.
    """
    text = None if figures is None else to_text(figures)
    transaction.connection.execute(
        sa.update(days).where(days.c.id == day_id).values(learnt=text)
    )


def seen(transaction: Transaction, day_id: str) -> tuple[int, int, int, str]:
    """Return a stamp that changes whenever anything about a day is edited.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Its date.

    Returns
    -------
    (int, int, int, str)
        When it was loaded, its revision, the sum of its calls' revisions, and what was
        learnt for it.
    """
    total = sa.select(sa.func.sum(calls.c.revision)).where(calls.c.day_id == day_id)
    row = transaction.connection.execute(
        sa.select(
            days.c.created_ms,
            days.c.revision,
            days.c.learnt,
            total.scalar_subquery().label("edits"),
        ).where(days.c.id == day_id)
    ).one()
    return row.created_ms, row.revision, int(row.edits or 0), row.learnt or ""


def list_rows(transaction: Transaction, day_id: str, source: type) -> list[Row]:
    """List what a day is made of.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Its date.
    source : type
        Call, Van, Part or Store.

    Returns
    -------
    list of Row
        In the day's order; calls that came in last.
    """
    table = _ROWS[source]
    rows = transaction.connection.execute(
        sa.select(table).where(table.c.day_id == day_id).order_by(table.c.position)
    )
    return [_row(row, source) for row in rows]


def find_row(
    transaction: Transaction, day_id: str, source: type, name: str
) -> Row | None:
    """Find one of what a day is made of.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Its date.
    source : type
        Call, Van, Part or Store.
    name : str
        Its id.

    Returns
    -------
    Row or None
        ``None``: there is none.
    """
    table = _ROWS[source]
    row = transaction.connection.execute(
        sa.select(table).where(table.c.day_id == day_id, table.c.id == name)
    ).one_or_none()
    return None if row is None else _row(row, source)


def _row(row: sa.Row[Any], source: type) -> Row:
    return Row(
        value=from_text(source, row.body),
        revision=row.revision,
        booked_by=row.booked_by if source is Call else None,
    )


def put_row(
    transaction: Transaction,
    day_id: str,
    value: Call | Van | Part | Store,
    booked_by: str | None = None,
) -> int:
    """Write one of what a day is made of, new or instead of what was there.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    day_id : str
        Its date.
    value : Call, Van, Part or Store
        What it is.
    booked_by : str or None
        The fact by which a new call came in.

    Returns
    -------
    int
        Its revision.
    """
    table = _ROWS[type(value)]
    connection = transaction.connection
    where = (table.c.day_id == day_id, table.c.id == value.id)
    revision = connection.execute(
        sa.update(table)
        .where(*where)
        .values(body=to_text(value), revision=table.c.revision + 1)
        .returning(table.c.revision)
    ).scalar_one_or_none()
    if revision is not None:
        return int(revision)
    last = connection.execute(
        sa.select(sa.func.max(table.c.position)).where(table.c.day_id == day_id)
    ).scalar_one()
    new: dict[str, object] = {
        "day_id": day_id,
        "id": value.id,
        "position": 0 if last is None else last + 1,
        "revision": 1,
        "body": to_text(value),
    }
    if table is calls:
        new["booked_by"] = booked_by
    connection.execute(sa.insert(table).values(new))
    return 1


def drop_call(transaction: Transaction, day_id: str, call_id: str) -> None:
    """Take a call out of an open day, with its code.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    day_id, call_id : str
        Which.
    """
    for table, column in (
        (codes, codes.c.call_id),
        (tables.placements, tables.placements.c.call_id),
        (calls, calls.c.id),
    ):
        transaction.connection.execute(
            sa.delete(table).where(table.c.day_id == day_id, column == call_id)
        )


def edit_day(transaction: Transaction, day_id: str, day: Day | None = None) -> int:
    """Note that a day was edited.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    day_id : str
        Its date.
    day : Day, optional
        Where what has no table of its own was edited: the day.

    Returns
    -------
    int
        Its revision.
    """
    values: dict[str, object] = {"revision": days.c.revision + 1}
    if day is not None:
        values["body"] = day_text(day)
    revision = transaction.connection.execute(
        sa.update(days)
        .where(days.c.id == day_id)
        .values(values)
        .returning(days.c.revision)
    ).scalar_one()
    return int(revision)


def start_day(transaction: Transaction, day_id: str) -> None:
    """Note that something happened on a day.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    day_id : str
        Its date.
    """
    transaction.connection.execute(
        sa.update(days).where(days.c.id == day_id).values(running=True)
    )


def _briefs() -> sa.Select[Any]:
    def count(table: sa.Table) -> sa.ScalarSelect[int]:
        query = sa.select(sa.func.count()).where(table.c.day_id == days.c.id)
        return query.scalar_subquery()

    stands = tables.stands
    return sa.select(
        days,
        stands.c.version.label("plan_version"),
        count(calls).label("calls"),
        count(vans).label("vans"),
    ).join(stands, stands.c.day_id == days.c.id, isouter=True)


def _brief(row: sa.Row[Any]) -> Brief:
    return Brief(
        id=row.id,
        zone=row.zone,
        name=row.name,
        note=row.note,
        running=row.running,
        revision=row.revision,
        plan_version=row.plan_version,
        calls=row.calls,
        vans=row.vans,
        erased=row.erased_ms is not None,
    )


def is_taken(transaction: Transaction, day_id: str) -> bool:
    """Return whether a date is taken, also by a day whose data is erased.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        The date.

    Returns
    -------
    bool
        Whether no other day can be loaded there.
    """
    query = sa.select(days.c.id).where(days.c.id == day_id)
    return transaction.connection.execute(query).one_or_none() is not None


def find_brief(
    transaction: Transaction, day_id: str, van_id: str | None = None
) -> Brief | None:
    """Find a day.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Its date.
    van_id : str or None
        Only if this van is in it.

    Returns
    -------
    Brief or None
        ``None``: there is none, or its data is erased.
    """
    query = _briefs().where(days.c.id == day_id, days.c.erased_ms.is_(None))
    if van_id is not None:
        own = sa.select(vans.c.day_id).where(vans.c.id == van_id)
        query = query.where(days.c.id.in_(own))
    row = transaction.connection.execute(query).one_or_none()
    return None if row is None else _brief(row)


def list_briefs(
    transaction: Transaction,
    span: tuple[date | None, date | None] = (None, None),
    van_id: str | None = None,
) -> list[Brief]:
    """List days.

    Parameters
    ----------
    transaction : Transaction
        Any.
    span : (date or None, date or None)
        From when until when, both included.
    van_id : str or None
        Only days that this van is in.

    Returns
    -------
    list of Brief
        The latest first; those whose data is erased are not among them.
    """
    query = _briefs().where(days.c.erased_ms.is_(None)).order_by(days.c.id.desc())
    first, last = span
    if first is not None:
        query = query.where(days.c.id >= first.isoformat())
    if last is not None:
        query = query.where(days.c.id <= last.isoformat())
    if van_id is not None:
        own = sa.select(vans.c.day_id).where(vans.c.id == van_id)
        query = query.where(days.c.id.in_(own))
    return [_brief(row) for row in transaction.connection.execute(query)]


def read_files(transaction: Transaction, day_id: str) -> dict[str, bytes]:
    """Read the files of a day that are kept as they are.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Its date.

    Returns
    -------
    dict of str to bytes
        By name.
    """
    table = tables.day_files
    rows = transaction.connection.execute(
        sa.select(table).where(table.c.day_id == day_id).order_by(table.c.name)
    )
    return {row.name: row.body for row in rows}


def drop_files(transaction: Transaction, day_id: str, names: Iterable[str]) -> None:
    """Let go of files of a day.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    day_id : str
        Its date.
    names : iterable of str
        Which.
    """
    table = tables.day_files
    transaction.connection.execute(
        sa.delete(table).where(table.c.day_id == day_id, table.c.name.in_(list(names)))
    )


def erase_day(transaction: Transaction, day_id: str, *, keep: bool = False) -> None:
    """Delete a day with all that hangs on it.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    day_id : str
        Its date.
    keep : bool
        Whether the date itself stays, so that nobody loads it again unawares.
    """
    connection = transaction.connection
    connection.execute(
        sa.update(days)
        .where(days.c.id == day_id)
        .values(erased_ms=transaction.now_ms, name="", note="", body="{}", learnt=None)
    )
    for table in (
        tables.inquiries,
        tables.jobs,
        tables.rings,
        tables.placements,
        tables.stands,
        tables.sheets,
        tables.plans,
        codes,
        movements,
        balances,
        facts,
        calls,
        vans,
        parts,
        tables.stores,
        tables.day_files,
    ):
        connection.execute(sa.delete(table).where(table.c.day_id == day_id))
    replies = tables.replies  # what was answered may name customers
    connection.execute(sa.delete(replies).where(replies.c.route.contains(day_id)))
    if not keep:
        connection.execute(sa.delete(days).where(days.c.id == day_id))
