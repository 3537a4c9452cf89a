"""Calendars and routes as files, and a calendar's address that is itself the key."""

from datetime import UTC
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from api import access, calendars
from api.answers import SIGNED_IN, refusals
from api.problems import Slug
from api.routers.exchange import (
    ETAGGED,
    Anyone,
    Done,
    IdempotencyKey,
    Office,
    TheDesk,
    etag_of,
    matches,
    once,
)
from api.routers.phones import TheVault
from api.security import open_feed, owns
from api.store import Transaction

router = APIRouter(tags=["files"])

_ONE = (*SIGNED_IN, Slug.NOT_FOUND, Slug.INVALID_INPUT)
_CALENDAR = "text/calendar; charset=utf-8"
_GEOJSON = "application/geo+json"
_GPX = "application/gpx+xml"


class FeedBody(BaseModel):
    """Which van's calendar."""

    model_config = ConfigDict(extra="forbid")

    van_id: str = Field(min_length=1, max_length=200)


class NewFeed(BaseModel):
    """The address of a calendar: whoever has it sees the calendar."""

    path: str
    key_id: str


def _declared(kind: str, *slugs: Slug) -> dict[int | str, dict[str, Any]]:
    media = kind.partition(";")[0]
    known = {**ETAGGED[200], "content": {media: {"schema": {"type": "string"}}}}
    return {**refusals(*slugs), **ETAGGED, 200: {"description": "The file.", **known}}


def _file(request: Request, body: bytes, kind: str) -> Response:
    etag = etag_of(body)
    headers = {"ETag": etag, "Cache-Control": "private, no-cache"}
    if matches(request.headers.get("if-none-match"), etag):
        return Response(status_code=304, headers=headers)
    return Response(body, headers={**headers, "Content-Type": kind})


@router.get(
    "/v1/days/{day}/vans/{van}/calendar.ics",
    summary="Fetch a van's day as a calendar",
    response_class=Response,
    responses=_declared(_CALENDAR, *_ONE),
)
def calendar(
    request: Request, day: str, van: str, who: Anyone, desk: TheDesk
) -> Response:
    """Fetch a van's day as a calendar: one event for each stop."""
    owns(who, van)
    with desk.store.read() as transaction:
        body = calendars.day_calendar(desk, transaction, day, van)
    return _file(request, body, _CALENDAR)


@router.get(
    "/v1/days/{day}/vans/{van}/route.geojson",
    summary="Fetch a van's route as GeoJSON",
    response_class=Response,
    responses=_declared(_GEOJSON, *_ONE),
)
def geojson(
    request: Request, day: str, van: str, who: Anyone, desk: TheDesk
) -> Response:
    """Fetch a van's route as GeoJSON: straight lines from stop to stop."""
    owns(who, van)
    with desk.store.read() as transaction:
        document = calendars.route_document(transaction, day, van)
    return _file(request, calendars.geojson_bytes(document), _GEOJSON)


@router.get(
    "/v1/days/{day}/vans/{van}/route.gpx",
    summary="Fetch a van's route as GPX",
    response_class=Response,
    responses=_declared(_GPX, *_ONE),
)
def gpx(request: Request, day: str, van: str, who: Anyone, desk: TheDesk) -> Response:
    """Fetch a van's route as GPX: its stops in order."""
    owns(who, van)
    with desk.store.read() as transaction:
        document = calendars.route_document(transaction, day, van)
    return _file(request, calendars.gpx_bytes(document), _GPX)


@router.post(
    "/v1/feeds",
    status_code=201,
    summary="Make an address at which a van's calendar can be followed",
    response_model=NewFeed,
    responses=refusals(
        *SIGNED_IN, Slug.INVALID_INPUT, Slug.KEY_NEEDED, Slug.KEY_REUSED
    ),
)
def make_feed(
    request: Request,
    body: FeedBody,
    who: Office,
    desk: TheDesk,
    vault: TheVault,
    idempotency_key: IdempotencyKey = None,
) -> Response:
    """Make an address of a van's calendar; it is ended like a session, by its key."""
    del idempotency_key

    def make(transaction: Transaction) -> Done:
        secret, key = access.add_feed(transaction, body.van_id)
        return Done(value=NewFeed(path=f"/feeds/{secret}.ics", key_id=key.id))

    return once(request, desk, who, body, make, vault)


@router.get(
    "/feeds/{secret}.ics",
    summary="Follow a van's calendar",
    response_class=Response,
    responses=_declared(
        _CALENDAR,
        Slug.NOT_FOUND,
        Slug.INVALID_INPUT,
        Slug.TOO_MANY,
        Slug.UNAVAILABLE,
    ),
)
def feed(
    request: Request, secret: Annotated[str, Path(max_length=200)], desk: TheDesk
) -> Response:
    """Follow a van's calendar: its days of the last week and all that are planned."""
    van_id = open_feed(request, secret)
    with desk.store.read() as transaction:
        today = desk.clock().astimezone(UTC).date()
        body = calendars.feed_calendar(desk, transaction, van_id, today)
    return _file(request, body, _CALENDAR)
