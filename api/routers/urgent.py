"""Urgent calls: asked about, accepted; and the rest of the day."""

import json

from fastapi import APIRouter, Request, Response

from api.answers import SIGNED_IN, refusals
from api.bodies import (
    AcceptBody,
    AcceptedView,
    InquiryView,
    QuoteBody,
    QuoteView,
    RingView,
    RungBody,
    UrgentBody,
    moment,
    span_body,
)
from api.desk import brief_of, know
from api.problems import NotFound, Slug
from api.routers.days import MAKES, ONE
from api.routers.exchange import (
    ETAGGED,
    JSON,
    After,
    Done,
    IdempotencyKey,
    Limit,
    Office,
    TheDesk,
    a_page_of,
    as_bytes,
    once,
    page,
    shown,
)
from api.store import Transaction
from api.store.plans import find_documents
from api.store.rings import OpenRing, close_ring, find_ring, list_rings
from api.telephone import accept, ask, ask_for_windows
from shared.errors import Conflict
from shared.facts import CallState
from shared.model import Window

router = APIRouter(tags=["urgent"])
TO_COME = frozenset({CallState.OPEN, CallState.DRIVING, CallState.THERE})


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


@router.post(
    "/v1/days/{day}/quote",
    summary="Ask which windows can be told to a caller",
    response_model=QuoteView,
    responses=refusals(
        *SIGNED_IN,
        Slug.INVALID_INPUT,
        Slug.NOT_FOUND,
        Slug.MOVED_ON,
        Slug.WRONG_MEDIA,
        Slug.TOO_LARGE,
    ),
)
def ask_windows(day: str, body: QuoteBody, who: Office, desk: TheDesk) -> Response:
    """Ask which windows can be told; on a day that is under way, in its rest."""
    del who
    view = ask_for_windows(desk, day, body)
    headers = {"Cache-Control": "no-store"}
    return Response(as_bytes(view), media_type=JSON, headers=headers)


@router.get(
    "/v1/days/{day}/rings",
    summary="List the customers who have to be rung, until somebody has done it",
    responses={**ONE, **a_page_of(RingView)},
)
def show_rings(
    day: str, who: Office, desk: TheDesk, limit: Limit = 50, after: After = ""
) -> Response:
    """List whom to ring: the last word about each call whose visit is to come."""
    del who
    with desk.store.read() as transaction:
        known = know(desk, transaction, day)
        found = list_rings(transaction, day)
    calls, clock = known.state.calls, known.day.clock

    def show(each: OpenRing) -> RingView:
        ring, call = each.ring, calls[each.ring.call_id].call
        window = None
        if ring.window_from_s is not None and ring.window_until_s is not None:
            told = Window(start_s=ring.window_from_s, end_s=ring.window_until_s)
            window = span_body(clock, told)
        return RingView(
            call_id=ring.call_id,
            version=each.version,
            customer=call.customer,
            phone=call.phone,
            window=window,
            message=ring.message,
        )

    due = [each for each in found if calls[each.ring.call_id].state in TO_COME]
    return page(due, lambda each: each.ring.call_id, show, limit, after)


@router.post(
    "/v1/days/{day}/rings/{call}/done",
    status_code=204,
    summary="Say that a customer was rung",
    responses=refusals(
        *SIGNED_IN,
        Slug.INVALID_INPUT,
        Slug.NOT_FOUND,
        Slug.MOVED_ON,
        Slug.WRONG_MEDIA,
        Slug.TOO_LARGE,
    ),
)
def ring_done(
    day: str, call: str, body: RungBody, who: Office, desk: TheDesk
) -> Response:
    """Say that a customer was rung; twice is as good as once.

    What was told as a fact (`told`, with the new time) is taken off the list by that.
    """
    del who
    with desk.store.write() as transaction:
        brief_of(transaction, day)
        found = find_ring(transaction, day, call)
        if found is None:
            raise NotFound("nobody has to be rung about this call")
        if found.version != body.version:
            raise Conflict("there is a later word about this call: look again")
        close_ring(transaction, day, call)
        transaction.tell("call", {"day": day, "call_id": call}, day_id=day)
    return Response(status_code=204)


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
