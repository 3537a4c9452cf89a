"""Calls: listed, booked, edited."""

from dataclasses import replace
from typing import Any
from uuid import uuid4

from fastapi import APIRouter, Request, Response

from api.answers import SIGNED_IN, refusals
from api.bodies import CallBody, CallView, call_of, call_view
from api.course import News, Result, Teller, digest_of, edited, renew_sheets, tell_facts
from api.desk import Desk, Known, know
from api.places import located
from api.problems import NotFound, Slug
from api.routers.days import MAKES, ONE
from api.routers.exchange import (
    ETAGGED,
    After,
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
    path_of,
    shown,
)
from api.security import Principal
from api.store import Transaction
from api.store.days import Row, drop_call, find_row, list_rows, put_row
from api.store.plans import placed_on
from shared.errors import Conflict, Fault, InvalidInput
from shared.facts import CallState, Fact, FactKind
from shared.model import Call

router = APIRouter(tags=["calls"])
EDITS = refusals(
    *SIGNED_IN,
    Slug.INVALID_INPUT,
    Slug.NOT_FOUND,
    Slug.MOVED_ON,
    Slug.CHANGED,
    Slug.PRECONDITION_NEEDED,
    Slug.WRONG_MEDIA,
    Slug.TOO_LARGE,
)


def _show(transaction: Transaction, known: Known, row: Row) -> CallView:
    """Return a call as it goes out."""
    now = known.state.calls.get(row.value.id)
    placed = placed_on(transaction, known.brief.id)
    return _view(known, row, now.state if now else CallState.OPEN, placed)


def _view(known: Known, row: Row, state: CallState, placed: dict[str, str]) -> CallView:
    call: Call = row.value
    now = known.state.calls.get(call.id)
    if now is not None and known.brief.running:  # the promise that holds
        call = replace(call, promise=now.call.promise)
    van_id = placed.get(call.id) if now is None or now.van_id is None else now.van_id
    return call_view(
        known.day,
        call,
        {
            "state": state,
            "van_id": van_id,
            "booked": row.booked_by is not None,
            "revision": row.revision,
        },
    )


@router.get(
    "/v1/days/{day}/calls",
    summary="List the calls of a day",
    responses={**ONE, **a_page_of(CallView)},
)
def list_calls(
    day: str, who: Office, desk: TheDesk, limit: Limit = 50, after: After = ""
) -> Response:
    """List the calls of a day, those that came in last."""
    del who
    with desk.store.read() as transaction:
        known = know(desk, transaction, day)
        rows = list_rows(transaction, day, Call)
        placed = placed_on(transaction, day)
    states = {call_id: now.state for call_id, now in known.state.calls.items()}
    return page(
        rows,
        lambda row: str(row.value.id),
        lambda row: _view(known, row, states[row.value.id], placed),
        limit,
        after,
    )


@router.post(
    "/v1/days/{day}/calls",
    status_code=201,
    summary="Book a call",
    response_model=CallView,
    responses=refusals(
        *SIGNED_IN, Slug.INVALID_INPUT, Slug.NOT_FOUND, Slug.MOVED_ON, *MAKES
    ),
)
def book(
    request: Request,
    day: str,
    body: CallBody,
    who: Office,
    desk: TheDesk,
    idempotency_key: IdempotencyKey = None,
) -> Response:
    """Book a call: of an open day, or as a fact of one that is under way."""
    del idempotency_key
    asked = located(desk, body)

    def make(transaction: Transaction) -> Done:
        known = know(desk, transaction, day)
        call = call_of(known.day, asked)
        _look_at_id(body, call, known)
        if known.brief.running:
            _tell_booked(desk, transaction, who, known, call)
        else:
            put_row(transaction, day, call)
            edited(transaction, known)
        row = _found(transaction, day, call.id)
        headers = {"Location": path_of("days", day, "calls", call.id)}
        return Done(value=_show(transaction, known, row), headers=headers)

    return once(request, desk, who, body, make)


def _look_at_id(body: CallBody, call: Call, known: Known) -> None:
    if call.id in known.state.calls:
        raise Conflict(f"there is a call {call.id} already")
    odd = [each for each in '|/\\<>"?*\n\r\t' if each in body.id]
    if odd or body.id.startswith("."):
        expected = 'an id without | / \\ < > " ? * that does not start with a full stop'
        raise InvalidInput(
            [Fault(file="body.id", got=f"'{body.id}'", expected=expected)]
        )


def _tell_booked(
    desk: Desk, transaction: Transaction, who: Principal, known: Known, call: Call
) -> None:
    at_s = round((desk.clock() - known.day.clock.midnight()).total_seconds())
    fact = Fact(id=uuid4().hex, kind=FactKind.BOOKED, at_s=at_s, call=call)
    news = News(id=fact.id, digest=digest_of({"id": fact.id}), fact=fact)
    teller = Teller(key_id=who.key_id)
    (outcome,) = tell_facts(desk, transaction, known.brief.id, teller, [news])
    if outcome.result is Result.REFUSED:
        raise Conflict(outcome.reason)


def _found(transaction: Transaction, day: str, call: str) -> Row:
    row = find_row(transaction, day, Call, call)
    if row is None:
        raise NotFound("there is no such call")
    return row


@router.get(
    "/v1/days/{day}/calls/{call}",
    summary="Look at a call",
    response_model=CallView,
    responses={**ONE, **ETAGGED},
)
def show_call(
    request: Request, day: str, call: str, who: Office, desk: TheDesk
) -> Response:
    """Look at a call."""
    del who
    with desk.store.read() as transaction:
        known = know(desk, transaction, day)
        view = _show(transaction, known, _found(transaction, day, call))
    return shown(request, view)


@router.put(
    "/v1/days/{day}/calls/{call}",
    summary="Edit a call",
    response_model=CallView,
    responses=EDITS,
)
def edit_call(
    request: Request,
    day: str,
    call: str,
    body: CallBody,
    who: Office,
    desk: TheDesk,
    if_match: IfMatch = None,
) -> Response:
    """Edit a call; of a running day its customer, phone, note and ready items only."""
    del who
    try:
        asked, lost = located(desk, body), None
    except InvalidInput as error:
        asked, lost = body, error
    with desk.store.write() as transaction:
        known = know(desk, transaction, day)
        old = _found(transaction, day, call)
        demand_match(if_match, _show(transaction, known, old))
        new = _edited(known, old.value, asked, lost)
        if new.id != call:
            raise InvalidInput(
                [Fault(file="body.id", got=f"'{new.id}'", expected=f"'{call}'")]
            )
        told: dict[str, Any] = {
            "customer": new.customer,
            "phone": new.phone,
            "note": new.note,
            "ready": new.ready,
        }
        now = known.state.calls[call].call
        harmless = new == replace(now, **told)
        if known.brief.running and not harmless:
            raise Conflict("the day is under way: say what changes as a fact")
        put_row(transaction, day, replace(old.value, **told) if harmless else new)
        transaction.tell("call", {"day": day, "call_id": call}, day_id=day)
        if not known.brief.running and (not harmless or _new_lead(old.value, new)):
            edited(transaction, known)
        _put_words(transaction, known, call, told)
        view = _show(transaction, known, _found(transaction, day, call))
    return shown(request, view)


def _edited(known: Known, old: Call, body: CallBody, lost: InvalidInput | None) -> Call:
    """Return a call as it is described; one that nobody can find may stay so."""
    if lost is None:
        return replace(call_of(known.day, body), dates=old.dates)
    if old.is_located or old.place.name != body.place.name:
        raise lost
    there = {"lat_deg": old.place.lat_deg, "lon_deg": old.place.lon_deg}
    filled = body.model_copy(update={"place": body.place.model_copy(update=there)})
    return replace(call_of(known.day, filled), dates=old.dates, barred=old.barred)


def _new_lead(old: Call, new: Call) -> bool:
    """Return whether a ready item changes when a call can be done."""
    return [(each.kind, each.state, each.lead_time_s) for each in old.ready] != [
        (each.kind, each.state, each.lead_time_s) for each in new.ready
    ]


def _put_words(
    transaction: Transaction, known: Known, call: str, told: dict[str, Any]
) -> None:
    """Have the sheet of the van that serves a call say what is new about it."""
    van_id = placed_on(transaction, known.brief.id).get(call)
    if van_id is not None:
        now = known.state.calls[call]
        calls = {
            **known.state.calls,
            call: replace(now, call=replace(now.call, **told)),
        }
        state = replace(known.state, calls=calls)
        renew_sheets(transaction, replace(known, state=state), {van_id})


@router.delete(
    "/v1/days/{day}/calls/{call}",
    status_code=204,
    summary="Take a call out of a day on which nothing has happened",
    responses=EDITS,
)
def delete_call(
    day: str, call: str, who: Office, desk: TheDesk, if_match: IfMatch = None
) -> Response:
    """Take a call out of an open day."""
    del who
    with desk.store.write() as transaction:
        known = know(desk, transaction, day)
        row = _found(transaction, day, call)
        demand_match(if_match, _show(transaction, known, row))
        if known.brief.running:
            raise Conflict("the day is under way: say 'cancelled' as a fact")
        if any(call in (link.first, link.then) for link in known.day.links):
            raise Conflict("another call comes before or after this one")
        drop_call(transaction, day, call)
        edited(transaction, known)
    return Response(status_code=204)
