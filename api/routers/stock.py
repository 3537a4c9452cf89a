"""Parts, and where each piece is."""

import json
from dataclasses import asdict, replace
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from api.answers import SIGNED_IN, refusals
from api.bodies import (
    BalanceView,
    MovementBody,
    MovementView,
    PartEdit,
    PartView,
    movement_view,
    part_of,
    part_view,
)
from api.course import edited
from api.desk import Known, know
from api.problems import NotFound, Slug
from api.routers.calls import EDITS
from api.routers.days import MAKES, ONE, see_day
from api.routers.exchange import (
    ETAGGED,
    JSON,
    After,
    Anyone,
    Done,
    IdempotencyKey,
    IfMatch,
    Limit,
    Office,
    TheDesk,
    a_page_of,
    demand_match,
    once,
    page,
    shown,
)
from api.security import owns
from api.store import Transaction
from api.store.days import find_row, list_rows, put_row
from api.store.stock import list_balances, list_movements, move, stocks_of
from dispatch.vancheck import van_check
from shared.errors import Conflict, Fault, InvalidInput
from shared.model import Part, Store, Van

router = APIRouter(tags=["stock"])


@router.get(
    "/v1/days/{day}/parts",
    summary="List the parts",
    responses={**ONE, **a_page_of(PartView)},
)
def list_parts(
    day: str, who: Anyone, desk: TheDesk, limit: Limit = 50, after: After = ""
) -> Response:
    """List the parts of a day."""
    with desk.store.read() as transaction:
        see_day(transaction, who, day)
        rows = list_rows(transaction, day, Part)
    return page(
        rows,
        lambda row: str(row.value.id),
        lambda row: part_view(row.value, row.revision),
        limit,
        after,
    )


@router.get(
    "/v1/days/{day}/parts/{part}",
    summary="Look at a part",
    response_model=PartView,
    responses={**ONE, **ETAGGED},
)
def show_part(
    request: Request, day: str, part: str, who: Anyone, desk: TheDesk
) -> Response:
    """Look at a part."""
    with desk.store.read() as transaction:
        see_day(transaction, who, day)
        row = find_row(transaction, day, Part, part)
    if row is None:
        raise NotFound("there is no such part")
    return shown(request, part_view(row.value, row.revision))


@router.put(
    "/v1/days/{day}/parts/{part}",
    summary="Edit a part of a day on which nothing has happened",
    response_model=PartView,
    responses=EDITS,
)
def edit_part(
    request: Request,
    day: str,
    part: str,
    body: PartEdit,
    who: Office,
    desk: TheDesk,
    if_match: IfMatch = None,
) -> Response:
    """Edit a part; what a kit is made of stays."""
    del who
    with desk.store.write() as transaction:
        known = know(desk, transaction, day)
        row = find_row(transaction, day, Part, part)
        if row is None:
            raise NotFound("there is no such part")
        demand_match(if_match, part_view(row.value, row.revision))
        _demand_open(known)
        new = part_of(known.day, row.value, body)
        revision = put_row(transaction, day, new)
        edited(transaction, known)
    return shown(request, part_view(new, revision))


def _demand_open(known: Known) -> None:
    if known.brief.running:
        raise Conflict("the day is under way: say what changes as a fact")


@router.get(
    "/v1/days/{day}/stock",
    summary="List what lies where now",
    responses={**ONE, **a_page_of(BalanceView)},
)
def show_stock(
    day: str,
    who: Anyone,
    desk: TheDesk,
    holder: Annotated[str, Query(max_length=200)] = "",
    limit: Limit = 50,
    after: After = "",
) -> Response:
    """List what lies where; a van sees itself and the stores."""
    with desk.store.read() as transaction:
        see_day(transaction, who, day)
        known = know(desk, transaction, day)
        stores = [store.id for store in (known.day.shop, *known.day.counters)]
        holders = [*(van.id for van in known.day.vans), *stores]
        if holder:
            if holder not in stores:
                owns(who, holder)
            if holder not in holders:
                raise NotFound("there is no such van")
            holders = [holder]
        elif who.van_id is not None:
            holders = [who.van_id, *stores]
        found = list_balances(transaction, day, holders)
    return page(
        found,
        lambda each: f"{each.holder}|{each.part_id}",
        lambda each: BalanceView(**asdict(each)),
        limit,
        after,
    )


@router.get(
    "/v1/days/{day}/movements",
    summary="List what came and went",
    responses={**ONE, **a_page_of(MovementView)},
)
def show_movements(
    day: str, who: Office, desk: TheDesk, limit: Limit = 50, after: After = ""
) -> Response:
    """List what came and went, as it was written down."""
    del who
    with desk.store.read() as transaction:
        clock = know(desk, transaction, day).day.clock
        found = list_movements(transaction, day)
    return page(
        found,
        lambda each: str(each.seq),
        lambda each: movement_view(clock, each),
        limit,
        after,
    )


@router.post(
    "/v1/days/{day}/movements",
    status_code=201,
    summary="Count anew: so many pieces more, or fewer, than were noted",
    response_model=BalanceView,
    responses=refusals(
        *SIGNED_IN, Slug.INVALID_INPUT, Slug.NOT_FOUND, Slug.MOVED_ON, *MAKES
    ),
)
def count(
    request: Request,
    day: str,
    body: MovementBody,
    who: Office,
    desk: TheDesk,
    idempotency_key: IdempotencyKey = None,
) -> Response:
    """Count anew, on a day on which nothing has happened."""
    del idempotency_key

    def make(transaction: Transaction) -> Done:
        known = know(desk, transaction, day)
        _demand_open(known)
        source = Van if body.holder in {van.id for van in known.day.vans} else Store
        row = find_row(transaction, day, source, body.holder)
        part = known.day.parts.get(body.part_id)
        faults = []
        if row is None:
            faults.append(("holder", body.holder, "a van or a store of this day"))
        if part is None or part.components:
            faults.append(("part_id", body.part_id, "a part of this day, no kit"))
        if faults or row is None:
            raise InvalidInput(
                Fault(file=f"body.{field}", got=f"'{got}'", expected=expected)
                for field, got, expected in faults
            )
        there = row.value.stock.get(body.part_id, 0)
        if there + body.pieces < 0:
            raise Conflict(f"only {there} are there")
        stock = {**row.value.stock, body.part_id: there + body.pieces}
        put_row(transaction, day, replace(row.value, stock=stock))
        before = stocks_of(known.day)
        after = {**before, body.holder: stock}
        move(transaction, day, (before, after), "counted", note=body.note)
        edited(transaction, known)
        view = BalanceView(
            holder=body.holder, part_id=body.part_id, pieces=there + body.pieces
        )
        return Done(value=view)

    return once(request, desk, who, body, make)


@router.get(
    "/v1/days/{day}/check",
    summary="Check whether what the calls use is aboard each van",
    responses={
        **ONE,
        200: {"content": {JSON: {"schema": {"type": "object"}}}},
    },
)
def check(day: str, who: Office, desk: TheDesk) -> Response:
    """Check the vans: what ``keyround check --json`` prints."""
    del who
    with desk.store.read() as transaction:
        known = know(desk, transaction, day)
    found = desk.crew.call(van_check, known.day)
    report = {
        "format": "keyround check",
        "version": 1,
        "date": day,
        "ready": found.ready,
        **asdict(found),
    }
    body = json.dumps(report, ensure_ascii=False).encode()
    return Response(body, media_type=JSON, headers={"Cache-Control": "no-store"})
