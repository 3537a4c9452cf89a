"""Vans: looked at, edited."""

from dataclasses import replace

from fastapi import APIRouter, Request, Response

from api.bodies import VanBody, VanView, van_of, van_view
from api.course import edited
from api.desk import Known, know
from api.problems import NotFound
from api.routers.calls import EDITS
from api.routers.days import ONE
from api.routers.exchange import (
    ETAGGED,
    After,
    IfMatch,
    Limit,
    Office,
    TheDesk,
    a_page_of,
    demand_match,
    page,
    shown,
)
from api.store.days import Row, find_row, list_rows, put_row
from shared.errors import Conflict, Fault, InvalidInput
from shared.model import Van

router = APIRouter(tags=["vans"])


def _show(known: Known, row: Row) -> VanView:
    doing = known.state.vans[row.value.id].doing
    return van_view(known.day, row.value, row.revision, doing)


@router.get(
    "/v1/days/{day}/vans",
    summary="List the vans",
    responses={**ONE, **a_page_of(VanView)},
)
def list_vans(
    day: str, who: Office, desk: TheDesk, limit: Limit = 50, after: After = ""
) -> Response:
    """List the vans of a day, and what each is doing."""
    del who
    with desk.store.read() as transaction:
        known = know(desk, transaction, day)
        rows = list_rows(transaction, day, Van)
    return page(
        rows,
        lambda row: str(row.value.id),
        lambda row: _show(known, row),
        limit,
        after,
    )


@router.get(
    "/v1/days/{day}/vans/{van}",
    summary="Look at a van",
    response_model=VanView,
    responses={**ONE, **ETAGGED},
)
def show_van(
    request: Request, day: str, van: str, who: Office, desk: TheDesk
) -> Response:
    """Look at a van."""
    del who
    with desk.store.read() as transaction:
        known = know(desk, transaction, day)
        row = find_row(transaction, day, Van, van)
    if row is None:
        raise NotFound("there is no such van")
    return shown(request, _show(known, row))


@router.put(
    "/v1/days/{day}/vans/{van}",
    summary="Edit a van of a day on which nothing has happened",
    response_model=VanView,
    responses=EDITS,
)
def edit_van(
    request: Request,
    day: str,
    van: str,
    body: VanBody,
    who: Office,
    desk: TheDesk,
    if_match: IfMatch = None,
) -> Response:
    """Edit a van; its stock is counted with movements."""
    del who
    with desk.store.write() as transaction:
        known = know(desk, transaction, day)
        row = find_row(transaction, day, Van, van)
        if row is None:
            raise NotFound("there is no such van")
        demand_match(if_match, _show(known, row))
        if known.brief.running:
            raise Conflict("the day is under way: say what changes as a fact")
        if body.id != van:
            raise InvalidInput(
                [Fault(file="body.id", got=f"'{body.id}'", expected=f"'{van}'")]
            )
        new = van_of(known.day, row.value, body)
        revision = put_row(transaction, day, new)
        edited(transaction, known)
        view = _show(known, replace(row, value=new, revision=revision))
    return shown(request, view)
