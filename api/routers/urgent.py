"""Urgent calls: asked about, accepted; and the rest of the day."""

import json

from fastapi import APIRouter, Request, Response

from api.answers import SIGNED_IN, refusals
from api.bodies import AcceptBody, AcceptedView, InquiryView, UrgentBody, moment
from api.desk import brief_of
from api.problems import NotFound, Slug
from api.routers.days import MAKES, ONE
from api.routers.exchange import (
    ETAGGED,
    JSON,
    Done,
    IdempotencyKey,
    Office,
    TheDesk,
    as_bytes,
    once,
    shown,
)
from api.store import Transaction
from api.store.plans import find_documents
from api.telephone import accept, ask

router = APIRouter(tags=["urgent"])


@router.post(
    "/v1/days/{day}/urgent",
    status_code=201,
    summary="Ask what can be done about an urgent call",
    response_model=InquiryView,
    responses=refusals(
        *SIGNED_IN,
        Slug.INVALID_INPUT,
        Slug.NOT_FOUND,
        Slug.MOVED_ON,
        Slug.WRONG_MEDIA,
        Slug.TOO_LARGE,
    ),
)
def ask_about(day: str, body: UrgentBody, who: Office, desk: TheDesk) -> Response:
    """Ask what can be done; nothing is booked by that. Good for 15 minutes."""
    del who
    found, clock = ask(desk, day, body)
    view = InquiryView(
        id=found.id,
        plan_version=found.version,
        expires_at=moment(clock, found.expires_ms),
        document=json.loads(found.document),
    )
    headers = {"Cache-Control": "no-store"}
    return Response(as_bytes(view), 201, media_type=JSON, headers=headers)


@router.post(
    "/v1/days/{day}/urgent/{inquiry}/accept",
    status_code=201,
    summary="Book the urgent call, and put the option's plan in force",
    response_model=AcceptedView,
    responses=refusals(
        *SIGNED_IN, Slug.INVALID_INPUT, Slug.NOT_FOUND, Slug.MOVED_ON, *MAKES
    ),
)
def accept_option(
    request: Request,
    day: str,
    inquiry: str,
    body: AcceptBody,
    who: Office,
    desk: TheDesk,
    idempotency_key: IdempotencyKey = None,
) -> Response:
    """Take an option, as it was shown."""
    del idempotency_key

    def make(transaction: Transaction) -> Done:
        version = accept(desk, transaction, (day, inquiry), who.key_id, body)
        return Done(value=AcceptedView(plan_version=version))

    return once(request, desk, who, body, make)


@router.get(
    "/v1/days/{day}/rest",
    summary="Look at what the last facts changed: whom to ring, where to wait",
    responses={**ONE, **ETAGGED},
)
def show_rest(request: Request, day: str, who: Office, desk: TheDesk) -> Response:
    """Look at the rest of a day that is under way, as it was last planned."""
    del who
    with desk.store.read() as transaction:
        brief_of(transaction, day)
        found = find_documents(transaction, day)
    if found is None or found.rest is None:
        raise NotFound("the rest of this day was not planned yet")
    return shown(request, found.rest)
