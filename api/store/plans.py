"""Plans, each version for good, and the sheets of the one in force."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from api.records import from_text, to_text
from api.store.engine import Transaction
from api.tables import calls, codes, placements, plans, sheets, stands
from shared.model import Plan


@dataclass(frozen=True, slots=True, kw_only=True)
class Version:
    """One version of a day's plan, without its documents.

    Parameters
    ----------
    version : int
        1, 2, 3 and so on.
    kind : str
        'morning', 'rest' or 'urgent'.
    revision : int
        Of the day that it is of.
    facts : int
        The last fact that it knows.
    cost_cents : int
        What it costs.
    made_ms : int
        When it was made.
    current : bool
        Whether it is in force.
    """

    version: int
    kind: str
    revision: int
    facts: int
    cost_cents: int
    made_ms: int
    current: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Documents:
    """A version with what it is shown by.

    Parameters
    ----------
    version : Version
        Which.
    document : bytes
        keyround plan.
    outlook, rest : bytes or None
        keyround outlook, keyround rest.
    """

    version: Version
    document: bytes
    outlook: bytes | None
    rest: bytes | None


@dataclass(frozen=True, slots=True, kw_only=True)
class InForce:
    """The plan in force, to go on from.

    Parameters
    ----------
    version : Version
        Which.
    plan : Plan
        Of the whole day.
    said : mapping of str to int
        Call id to the start that was last spoken of.
    """

    version: Version
    plan: Plan
    said: Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class NewPlan:
    """A plan that is to be in force.

    Parameters
    ----------
    kind : str
        'morning', 'rest' or 'urgent'.
    revision : int
        Of the day that it is of.
    facts : int
        The last fact that it knows.
    plan : Plan
        Of the whole day.
    said : mapping of str to int
        Call id to the start that was last spoken of.
    document : bytes
        keyround plan.
    outlook, rest : bytes or None
        keyround outlook, keyround rest.
    """

    kind: str
    revision: int
    facts: int
    plan: Plan
    said: Mapping[str, int]
    document: bytes
    outlook: bytes | None = None
    rest: bytes | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A van's sheet as it is sent.

    Parameters
    ----------
    day_id, van_id : str
        Whose.
    version : int
        Of the plan that it is of.
    etag : str
        Without quotes.
    body : bytes
        JSON.
    """

    day_id: str
    van_id: str
    version: int
    etag: str
    body: bytes


def add_plan(transaction: Transaction, day_id: str, new: NewPlan) -> int:
    """Write a plan down and put it in force.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    day_id : str
        Which day.
    new : NewPlan
        The plan.

    Returns
    -------
    int
        Its version.
    """
    connection = transaction.connection
    last = connection.execute(
        sa.select(sa.func.max(plans.c.version)).where(plans.c.day_id == day_id)
    ).scalar_one()
    version = (last or 0) + 1
    connection.execute(
        sa.insert(plans).values(
            day_id=day_id,
            version=version,
            kind=new.kind,
            revision=new.revision,
            facts=new.facts,
            body=to_text(new.plan),
            said=json.dumps(dict(new.said)),
            document=new.document,
            outlook=new.outlook,
            rest=new.rest,
            cost_cents=new.plan.cost_cents,
            made_ms=transaction.now_ms,
        )
    )
    connection.execute(sa.delete(placements).where(placements.c.day_id == day_id))
    connection.execute(sa.delete(stands).where(stands.c.day_id == day_id))
    connection.execute(sa.insert(stands).values(day_id=day_id, version=version))
    known = set(
        connection.execute(
            sa.select(calls.c.id).where(calls.c.day_id == day_id)
        ).scalars()
    )  # held slots are no calls
    rows = [
        {
            "day_id": day_id,
            "call_id": stop.call_id,
            "version": version,
            "van_id": route.van_id,
            "position": position,
            "start_s": stop.start_s,
        }
        for route in new.plan.routes
        for position, stop in enumerate(route.stops)
        if stop.call_id in known
    ]
    if rows:
        connection.execute(sa.insert(placements), rows)
    return version


_SHORT = (
    plans.c.day_id,
    plans.c.version,
    plans.c.kind,
    plans.c.revision,
    plans.c.facts,
    plans.c.cost_cents,
    plans.c.made_ms,
    stands.c.version.label("stands"),
)


def _select(*more: sa.Column[Any]) -> sa.Select[Any]:
    joined = plans.join(stands, stands.c.day_id == plans.c.day_id, isouter=True)
    return sa.select(*_SHORT, *more).select_from(joined)


def _version(row: sa.Row[Any]) -> Version:
    return Version(
        version=row.version,
        kind=row.kind,
        revision=row.revision,
        facts=row.facts,
        cost_cents=row.cost_cents,
        made_ms=row.made_ms,
        current=row.version == row.stands,
    )


def list_versions(transaction: Transaction, day_id: str) -> list[Version]:
    """List a day's plans.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Which day.

    Returns
    -------
    list of Version
        The latest first.
    """
    query = _select().where(plans.c.day_id == day_id).order_by(plans.c.version.desc())
    return [_version(row) for row in transaction.connection.execute(query)]


def find_version(transaction: Transaction, day_id: str) -> Version | None:
    """Find the plan in force, without its contents.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Which day.

    Returns
    -------
    Version or None
        ``None``: nothing is planned yet.
    """
    query = _select().where(
        plans.c.day_id == day_id, plans.c.version == stands.c.version
    )
    row = transaction.connection.execute(query).one_or_none()
    return None if row is None else _version(row)


def find_documents(
    transaction: Transaction, day_id: str, version: int | None = None
) -> Documents | None:
    """Find a plan with what it is shown by.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Which day.
    version : int, optional
        By default the one in force.

    Returns
    -------
    Documents or None
        ``None``: there is none.
    """
    query = _select(plans.c.document, plans.c.outlook, plans.c.rest).where(
        plans.c.day_id == day_id,
        plans.c.version == (stands.c.version if version is None else version),
    )
    row = transaction.connection.execute(query).one_or_none()
    if row is None:
        return None
    return Documents(
        version=_version(row),
        document=row.document,
        outlook=row.outlook,
        rest=row.rest,
    )


def find_in_force(transaction: Transaction, day_id: str) -> InForce | None:
    """Find the plan in force, to go on from.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Which day.

    Returns
    -------
    InForce or None
        ``None``: nothing is planned yet.
    """
    query = _select(plans.c.body, plans.c.said).where(
        plans.c.day_id == day_id, plans.c.version == stands.c.version
    )
    row = transaction.connection.execute(query).one_or_none()
    if row is None:
        return None
    return InForce(
        version=_version(row),
        plan=from_text(Plan, row.body),
        said=json.loads(row.said),
    )


def placed_on(transaction: Transaction, day_id: str) -> dict[str, str]:
    """Say which van serves which call.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Which day.

    Returns
    -------
    dict of str to str
        Call id to van id, by the plan in force.
    """
    rows = transaction.connection.execute(
        sa.select(placements.c.call_id, placements.c.van_id).where(
            placements.c.day_id == day_id
        )
    )
    return {row.call_id: row.van_id for row in rows}


def coded(transaction: Transaction, day_id: str) -> frozenset[str]:
    """Say for which calls a code is kept.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Which day.

    Returns
    -------
    frozenset of str
        Call ids.
    """
    query = sa.select(codes.c.call_id).where(codes.c.day_id == day_id)
    return frozenset(transaction.connection.execute(query).scalars())


def put_sheet(transaction: Transaction, sheet: Sheet) -> bool:
    """Write a van's sheet down.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    sheet : Sheet
        The sheet.

    Returns
    -------
    bool
        Whether it says anything else than the one before.
    """
    where = (sheets.c.day_id == sheet.day_id, sheets.c.van_id == sheet.van_id)
    connection = transaction.connection
    old = connection.execute(sa.select(sheets.c.etag).where(*where)).scalar()
    values = {"version": sheet.version, "etag": sheet.etag, "body": sheet.body}
    if old is None:
        key = {"day_id": sheet.day_id, "van_id": sheet.van_id}
        connection.execute(sa.insert(sheets).values(key | values))
    else:
        connection.execute(sa.update(sheets).where(*where).values(values))
    return old != sheet.etag


def find_sheet(transaction: Transaction, day_id: str, van_id: str) -> Sheet | None:
    """Find a van's sheet.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id, van_id : str
        Whose.

    Returns
    -------
    Sheet or None
        ``None``: nothing is planned yet.
    """
    row = transaction.connection.execute(
        sa.select(sheets).where(sheets.c.day_id == day_id, sheets.c.van_id == van_id)
    ).one_or_none()
    return None if row is None else _sheet(row)


def list_sheets(transaction: Transaction, van_id: str) -> list[tuple[str, str]]:
    """List the days for which a van has a sheet.

    Parameters
    ----------
    transaction : Transaction
        Any.
    van_id : str
        Whose.

    Returns
    -------
    list of (str, str)
        Day and its time zone, the first one first.
    """
    days = sa.table("days", sa.column("id"), sa.column("zone"))
    rows = transaction.connection.execute(
        sa.select(sheets.c.day_id, days.c.zone)
        .join(days, days.c.id == sheets.c.day_id)
        .where(sheets.c.van_id == van_id)
        .order_by(sheets.c.day_id)
    )
    return [(row.day_id, row.zone) for row in rows]


def _sheet(row: sa.Row[Any]) -> Sheet:
    return Sheet(
        day_id=row.day_id,
        van_id=row.van_id,
        version=row.version,
        etag=row.etag,
        body=row.body,
    )
