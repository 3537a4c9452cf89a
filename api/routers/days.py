"""Days: loaded, looked at, taken away."""

from dataclasses import asdict
from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response

from api.answers import SIGNED_IN, refusals
from api.bodies import DayBrief, DayView, FilesBody, brief_view
from api.desk import Desk, brief_of, know
from api.folder import files_of, load, read_folder
from api.places import locator_of
from api.problems import NotFound, Slug
from api.routers.exchange import (
    ETAGGED,
    After,
    Anyone,
    Done,
    IdempotencyKey,
    IfMatch,
    Limit,
    Office,
    TheDesk,
    a_page_of,
    as_bytes,
    demand_match,
    once,
    page,
    path_of,
    shown,
)
from api.security import Principal
from api.store import Transaction
from api.store.days import Brief, erase_day, find_brief, is_taken, list_briefs
from shared.errors import Conflict
from shared.model import Day

router = APIRouter(tags=["days"])
USUAL = refusals(*SIGNED_IN, Slug.INVALID_INPUT)
ONE = refusals(*SIGNED_IN, Slug.INVALID_INPUT, Slug.NOT_FOUND)
MAKES = (Slug.KEY_NEEDED, Slug.KEY_REUSED, Slug.WRONG_MEDIA, Slug.TOO_LARGE)


@router.get(
    "/v1/days",
    summary="List the days, the latest first",
    responses={**USUAL, **a_page_of(DayBrief)},
)
def list_days(
    who: Anyone,
    desk: TheDesk,
    limit: Limit = 50,
    after: After = "",
    first: Annotated[date | None, Query(alias="from")] = None,
    until: date | None = None,
) -> Response:
    """List the days; a van sees those that it is in."""
    with desk.store.read() as transaction:
        briefs = list_briefs(transaction, (first, until), who.van_id)
    return page(briefs, lambda brief: brief.id, brief_view, limit, after)


@router.post(
    "/v1/days",
    status_code=201,
    summary="Load a day from the files of a scenario folder",
    response_model=DayBrief,
    responses={**refusals(*SIGNED_IN, Slug.INVALID_INPUT, Slug.MOVED_ON, *MAKES)},
)
def load_day(
    request: Request,
    body: FilesBody,
    who: Office,
    desk: TheDesk,
    idempotency_key: IdempotencyKey = None,
) -> Response:
    """Load a day; every fault of its files is told at once."""
    del idempotency_key  # it is read off the request; here it is declared
    files = {name: text.encode() for name, text in body.files.items()}
    given = read_folder(files, locator=locator_of(desk))

    def make(transaction: Transaction) -> Done:
        if is_taken(transaction, given.day_id):
            raise Conflict(f"{given.day_id} is there already: delete it first")
        load(transaction, given)
        brief = brief_of(transaction, given.day_id)
        headers = {"Location": path_of("days", given.day_id)}
        return Done(value=brief_view(brief), headers=headers)

    return once(request, desk, who, body, make)


def see_day(transaction: Transaction, who: Principal, day_id: str) -> Brief:
    """Return a day that somebody may see.

    Parameters
    ----------
    transaction : Transaction
        Any.
    who : Principal
        Who asks.
    day_id : str
        Its date.

    Returns
    -------
    Brief
        The day.

    Raises
    ------
    NotFound
        When there is none, or the van is not in it.
    """
    if who.van_id is None:
        return brief_of(transaction, day_id)
    brief = find_brief(transaction, day_id, who.van_id)
    if brief is None:
        raise NotFound("there is no such day")
    return brief


def view_of(desk: Desk, transaction: Transaction, brief: Brief) -> DayView:
    """Return a day as it goes out.

    Parameters
    ----------
    desk : Desk
        The service's.
    transaction : Transaction
        Any.
    brief : Brief
        The day.

    Returns
    -------
    DayView
        Without what has addresses of its own.
    """
    day = know(desk, transaction, brief.id).day
    return DayView(
        **brief_view(brief).model_dump(),
        shop=_store(day, 0),
        counters=tuple(_store(day, row + 1) for row in range(len(day.counters))),
        tools=tuple(asdict(tool) for tool in day.tools),
        links=tuple(asdict(link) for link in day.links),
        planned_at=day.clock.instant(day.planned_at_s),
        promises_may_break=day.promises_may_break,
    )


def _store(day: Day, row: int) -> dict[str, Any]:
    store, clock = (day.shop, *day.counters)[row], day.clock
    hours = store.opening
    return {
        "id": store.id,
        "place": asdict(store.place),
        "opening": None
        if hours is None
        else {
            "start_at": clock.instant(hours.start_s).isoformat(),
            "end_at": clock.instant(hours.end_s).isoformat(),
        },
        "restock_s": store.restock_s,
    }


@router.get(
    "/v1/days/{day}",
    summary="Look at a day",
    response_model=DayView,
    responses={**ONE, **ETAGGED},
)
def show_day(request: Request, day: str, who: Anyone, desk: TheDesk) -> Response:
    """Look at a day."""
    with desk.store.read() as transaction:
        view = view_of(desk, transaction, see_day(transaction, who, day))
    return shown(request, view)


@router.delete(
    "/v1/days/{day}",
    status_code=204,
    summary="Delete a day on which nothing has happened",
    responses=refusals(
        *SIGNED_IN,
        Slug.INVALID_INPUT,
        Slug.NOT_FOUND,
        Slug.MOVED_ON,
        Slug.CHANGED,
        Slug.PRECONDITION_NEEDED,
    ),
)
def delete_day(
    day: str, who: Office, desk: TheDesk, if_match: IfMatch = None
) -> Response:
    """Delete a day on which nothing has happened."""
    del who
    with desk.store.write() as transaction:
        brief = brief_of(transaction, day)
        demand_match(if_match, view_of(desk, transaction, brief))
        if brief.running:
            raise Conflict("something has happened on this day: it can only be erased")
        _go(transaction, brief, keep=False)
    return Response(status_code=204)


def _go(transaction: Transaction, brief: Brief, *, keep: bool) -> None:
    erase_day(transaction, brief.id, keep=keep)
    data = {"day": brief.id, "revision": brief.revision, "gone": True}
    transaction.tell("day", data, day_id=brief.id)


@router.post(
    "/v1/days/{day}/erase",
    status_code=204,
    summary="Erase all customers' data of a day that is over",
    responses=refusals(
        *SIGNED_IN, Slug.INVALID_INPUT, Slug.NOT_FOUND, Slug.MOVED_ON, *MAKES
    ),
)
def erase(
    request: Request,
    day: str,
    who: Office,
    desk: TheDesk,
    idempotency_key: IdempotencyKey = None,
) -> Response:
    """Erase a day that is over: its date stays taken, nothing else stays."""
    del idempotency_key

    def make(transaction: Transaction) -> Done:
        known = know(desk, transaction, day)
        if desk.clock() < known.day.clock.instant(24 * 3600):
            raise Conflict("this day is not over yet")
        _go(transaction, known.brief, keep=True)
        return Done(value=None, status=204)

    return once(request, desk, who, None, make)


@router.get(
    "/v1/days/{day}/folder",
    summary="Take a day away as the files of a scenario folder",
    response_model=FilesBody,
    responses=ONE,
)
def show_folder(day: str, who: Office, desk: TheDesk) -> Response:
    """Take a day away: what loading a day takes back, loss-free."""
    del who
    with desk.store.read() as transaction:
        brief_of(transaction, day)
        files = files_of(transaction, day)
    texts = {name: body.decode() for name, body in sorted(files.items())}
    return Response(
        as_bytes({"files": texts}),
        media_type="application/json",
        headers={"Cache-Control": "no-store"},
    )
