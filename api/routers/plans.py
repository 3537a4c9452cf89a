"""Plans and sheets."""

from fastapi import APIRouter, Request, Response

from api.answers import SIGNED_IN, refusals
from api.bodies import PlanView, VersionView, moment, version_view
from api.desk import know
from api.problems import NotFound, Slug
from api.routers.exchange import (
    ETAGGED,
    JSON,
    After,
    Anyone,
    Limit,
    Office,
    TheDesk,
    TheFeed,
    a_page_of,
    matches,
    page,
    shown,
)
from api.security import owns
from api.sheet import SheetDocument
from api.store.plans import Documents, Sheet, find_documents, list_versions
from shared.units import DayClock

router = APIRouter(tags=["plans"])
ONE = refusals(*SIGNED_IN, Slug.INVALID_INPUT, Slug.NOT_FOUND)
FOREVER = "private, max-age=31536000, immutable"


def _view(clock: DayClock, day: str, found: Documents) -> bytes:
    """Return a plan as it goes out; its documents are JSON already."""
    head = found.version
    made_at = moment(clock, head.made_ms).isoformat()
    current = b"true" if head.current else b"false"
    return b"".join(
        (
            f'{{"day": "{day}", "version": {head.version}, "kind": "{head.kind}", '
            f'"made_at": "{made_at}", "facts": {head.facts}, "current": '.encode(),
            current,
            b', "document": ',
            found.document,
            b', "outlook": ',
            found.outlook or b"null",
            b"}",
        )
    )


@router.get(
    "/v1/days/{day}/plan",
    summary="Look at the plan in force",
    response_model=PlanView,
    responses={**ONE, **ETAGGED},
)
def show_current(request: Request, day: str, who: Office, desk: TheDesk) -> Response:
    """Look at the plan in force."""
    del who
    with desk.store.read() as transaction:
        clock = know(desk, transaction, day).day.clock
        found = find_documents(transaction, day)
    if found is None:
        raise NotFound("nothing is planned yet")
    return shown(request, _view(clock, day, found))


@router.get(
    "/v1/days/{day}/plans",
    summary="List the versions of a day's plan, the latest first",
    responses={**ONE, **a_page_of(VersionView)},
)
def show_versions(
    day: str, who: Office, desk: TheDesk, limit: Limit = 50, after: After = ""
) -> Response:
    """List the versions of a day's plan."""
    del who
    with desk.store.read() as transaction:
        clock = know(desk, transaction, day).day.clock
        found = list_versions(transaction, day)
    return page(
        found,
        lambda each: str(each.version),
        lambda each: version_view(clock, each),
        limit,
        after,
    )


@router.get(
    "/v1/days/{day}/plans/{version}",
    summary="Look at one version of a day's plan",
    response_model=PlanView,
    responses={**ONE, **ETAGGED},
)
def show_version(
    request: Request, day: str, version: int, who: Office, desk: TheDesk
) -> Response:
    """Look at one version; whether it is in force may change, nothing else does."""
    del who
    with desk.store.read() as transaction:
        clock = know(desk, transaction, day).day.clock
        most = 2**31
        found = find_documents(transaction, day, min(max(version, 0), most - 1))
    if found is None:
        raise NotFound("there is no such plan")
    kept = "private, no-cache" if found.version.current else FOREVER
    return shown(request, _view(clock, day, found), kept=kept)


def _sheet(request: Request, sheet: Sheet) -> Response:
    etag = f'"{sheet.etag}"'
    headers = {
        "ETag": etag,
        "Cache-Control": "private, no-cache",
        "Keyround-Plan": f"{sheet.day_id}/{sheet.version}",
    }
    if matches(request.headers.get("if-none-match"), etag):
        return Response(status_code=304, headers=headers)
    return Response(sheet.body, media_type=JSON, headers=headers)


@router.get(
    "/v1/vans/{van}/sheet",
    summary="Fetch a van's sheet of today",
    response_model=SheetDocument,
    responses={**ONE, **ETAGGED},
)
async def show_sheet_now(
    request: Request, van: str, who: Anyone, feed: TheFeed
) -> Response:
    """Fetch a van's sheet: of today, else of the next day, else of the last one."""
    owns(who, van)
    return _sheet(request, await feed.sheet_of(van))


@router.get(
    "/v1/days/{day}/vans/{van}/sheet",
    summary="Fetch a van's sheet of a day",
    response_model=SheetDocument,
    responses={**ONE, **ETAGGED},
)
async def show_sheet(
    request: Request, day: str, van: str, who: Anyone, feed: TheFeed
) -> Response:
    """Fetch a van's sheet of a day."""
    owns(who, van)
    return _sheet(request, await feed.sheet_of(van, day))
