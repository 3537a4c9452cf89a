"""Somebody rings with an urgent call: what can be done, and what is taken."""

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TypeVar
from uuid import uuid4

from api.bodies import (
    AcceptBody,
    QuoteBody,
    QuoteView,
    UrgentBody,
    WindowView,
    call_of,
    seconds_of,
)
from api.course import (
    Clerk,
    News,
    Result,
    Teller,
    now_s,
    put_in_force,
    queue,
    ready_to_run,
    write_moment,
)
from api.desk import Desk, Known, know
from api.places import located
from api.problems import NotFound
from api.records import from_text, to_text
from api.store import Transaction
from api.store.days import edit_day, put_row
from api.store.inquiries import Inquiry, accept_inquiry, add_inquiry, find_inquiry
from api.store.plans import InForce
from dispatch.chance import usual_spreads
from dispatch.difference import Difference, Ring
from dispatch.generator import generate_day
from dispatch.live import Moment, Stand, agreed_limits, ask_at, booked
from dispatch.planner import as_plan, write_standing
from dispatch.quote import open_book, quote
from dispatch.report.livedata import options_json
from dispatch.rest import in_force as whole_plan
from dispatch.rest import rest_of
from dispatch.state import replay
from dispatch.urgent import RING_FIRST, Ask, Options
from shared.errors import Conflict, Fault, InvalidInput, Overtaken
from shared.facts import Fact
from shared.model import Call, Day, Plan, Proof, Status, Window
from shared.units import DayClock

T = TypeVar("T")

DANGER_NOTE = "Somebody may be in danger, the caller said. " + RING_FIRST
"""Goes with the call, so that whoever drives there knows it too."""

GOOD_MS = 15 * 60 * 1000  # how long an answer is good; own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """An option, as much of it as taking it needs.

    Parameters
    ----------
    van_id : str or None
        Who comes; ``None``: nobody, it cannot be booked.
    start_s : int or None
        When the visit starts.
    plan : Plan or None
        Of the rest of the day, with the call.
    difference : Difference
        What it changes.
    rings : tuple of Ring
        Whom to ring.
    limits : mapping of str to int
        Van id to the overtime that its driver has to agree to.
    """

    van_id: str | None
    start_s: int | None
    plan: Plan | None
    difference: Difference
    rings: tuple[Ring, ...]
    limits: Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Offers:
    """All of an inquiry.

    Parameters
    ----------
    at_s : int
        When it was asked about.
    offers : tuple of Offer
        In the order in which they were shown.
    """

    at_s: int
    offers: tuple[Offer, ...]


def work_out(
    day: Day,
    running: tuple[Plan, tuple[Fact, ...]],
    call: Call,
    at_s: int,
    how: Ask,
) -> tuple[str, str]:
    """Work out what can be done about an urgent call.

    Parameters
    ----------
    day : Day
        As it was planned.
    running : (Plan, tuple of Fact)
        The plan in force, and what happened.
    call : Call
        The call.
    at_s : int
        When it is asked about.
    how : Ask
        How.

    Returns
    -------
    (str, str)
        The document, and JSON of the offers.

    Raises
    ------
    Overtaken
        When the rest of the day has to be planned anew first.
    """
    found = ask_at(day, running, call, at_s, how)
    calls = tuple(now.call for now in replay(day, running[1]).calls.values())
    offers = tuple(
        Offer(
            van_id=option.van_id,
            start_s=option.arrive_s,
            plan=None if option.van_id is None else option.plan,
            difference=option.difference,
            rings=option.ring,
            limits=agreed_limits(day, option),
        )
        for option in found.options
    )
    document = options_json(day, (*calls, call), at_s, found)
    return document, to_text(Offers(at_s=at_s, offers=offers))


def rehearse() -> Options:
    """Answer a caller who is not there, so that the first real one does not wait.

    On a machine's first day the search is compiled by it, on every other one loaded.

    Returns
    -------
    Options
        What would be said.
    """
    invented = generate_day(0, 1, 1, ease=1.0)
    (call,) = invented.calls
    idle = Plan(
        routes=(), issues=(), unplaced=(), status=Status(proof=Proof.BEST_FOUND)
    )
    at_s = invented.vans[0].shift.start_s
    easy = replace(call, windows=(), promise=None, needs=(), ready=())
    return ask_at(replace(invented, calls=()), (idle, ()), easy, at_s)


def ask(desk: Desk, day_id: str, body: UrgentBody) -> tuple[Inquiry, DayClock]:
    """Ask what can be done about an urgent call, and write the answer down.

    Parameters
    ----------
    desk : Desk
        The service's.
    day_id : str
        Which day.
    body : UrgentBody
        The call.

    Returns
    -------
    (Inquiry, DayClock)
        The answer, and the day's clock.

    Raises
    ------
    Conflict
        When nothing is planned yet.
    InvalidInput
        With every fault of the call.
    NotFound
        When there is no such day.
    Overtaken
        When the rest has to be planned anew first; it is then.
    Unavailable
        When it cannot be worked out just now.
    """
    asked = located(desk, body.call, "body.call")
    with desk.store.read() as transaction:
        known = know(desk, transaction, day_id)
        force = ready_to_run(desk, transaction, known)
        call = replace(call_of(known.day, asked, "body.call"), priority=1)
        day = _with_place(desk, transaction, known, call)
    if body.danger:
        call = replace(call, note=" ".join(filter(None, (DANGER_NOTE, call.note))))
    at_s = max(now_s(known, desk.clock()), known.state.at_s or 0)
    running = (force.plan, known.log)
    how = Ask(danger=body.danger)
    document, options = _call(desk, day_id, work_out, day, running, call, at_s, how)
    with desk.store.write() as transaction:
        inquiry = Inquiry(
            id=uuid4().hex,
            day_id=day_id,
            version=force.version.version,
            facts=known.seq,
            call=to_text(call),
            document=document.encode(),
            options=options,
            expires_ms=transaction.now_ms + GOOD_MS,
        )
        add_inquiry(transaction, inquiry)
    return inquiry, known.day.clock


def _call(desk: Desk, day_id: str, work: Callable[..., T], *given: object) -> T:
    """Have something worked out; where the rest has to be planned anew, see to that.

    Nobody need have told anything: time alone makes a promise impossible.
    """
    try:
        return desk.crew.call(work, *given)
    except Overtaken:
        with desk.store.write() as transaction, suppress(Conflict):  # it is already
            queue(transaction, day_id, rest=True)
        raise Overtaken(
            "what stands cannot be done any more; the rest of the day is being "
            "planned anew: ask again in a moment"
        ) from None


def _with_place(desk: Desk, transaction: Transaction, known: Known, call: Call) -> Day:
    """Return the day with the drives from and to a call that may come in."""
    if desk.roads is None:
        return known.day
    places = [now.call.parked for now in known.state.calls.values()]
    return desk.roads.lay(transaction, known.day, [*places, call.parked])


def accept(
    desk: Desk,
    transaction: Transaction,
    which: tuple[str, str],
    key_id: str,
    body: AcceptBody,
) -> int:
    """Book an urgent call, and put the option's plan in force.

    Parameters
    ----------
    desk : Desk
        The service's.
    transaction : Transaction
        That writes.
    which : (str, str)
        The day and the inquiry.
    key_id : str
        Who takes it.
    body : AcceptBody
        Which option, and what is promised.

    Returns
    -------
    int
        The plan's version.

    Raises
    ------
    Conflict
        When the day has moved on since.
    InvalidInput
        When there is no such option, or none that can be booked.
    NotFound
        When there is no such inquiry.
    """
    day_id, name = which
    known = know(desk, transaction, day_id)
    inquiry = find_inquiry(transaction, day_id, name)
    if inquiry is None:
        raise NotFound("there is no such inquiry")
    force = ready_to_run(desk, transaction, known)
    asked = from_text(Offers, inquiry.options)
    _look_at_time(transaction, inquiry, known, force)
    offer = _offer(asked, body)
    call = from_text(Call, inquiry.call)
    promise = _promise(known, offer, body)
    call = call if promise is None else replace(call, promise=promise)
    known = _agree(transaction, known, offer)
    known = replace(known, day=_with_place(desk, transaction, known, call))
    clerk = Clerk(desk, transaction, known, force)
    fact = replace(booked(call, asked.at_s), id=uuid4().hex)
    news = News(id=fact.id, digest="", fact=fact)
    outcome = clerk.take(Teller(key_id=key_id), news)
    if outcome.result is not Result.TAKEN:
        raise Conflict(outcome.reason)
    now = clerk.now
    rest = rest_of(known.day, force.plan, now.state, asked.at_s)
    assert offer.plan is not None  # noqa: S101 - what can be booked has one
    moment = Moment(
        fact=fact,
        log=now.log,
        state=now.state,
        rest=rest,
        plan=offer.plan,
        whole=whole_plan(rest, offer.plan),
        difference=offer.difference,
        rings=offer.rings,
    )
    stand = Stand(plan=force.plan, said=force.said)
    made = write_moment(now, stand, moment, "urgent", desk.roads)
    version = put_in_force(transaction, now, made)
    clerk.close(None)
    accept_inquiry(transaction, inquiry.id, body.option)
    return version


def _look_at_time(
    transaction: Transaction, inquiry: Inquiry, known: Known, force: InForce
) -> None:
    """Refuse an answer that is not good any more."""
    seen = (inquiry.version, inquiry.facts)
    if (
        inquiry.accepted is not None
        or inquiry.expires_ms <= transaction.now_ms
        or seen != (force.version.version, known.seq)
    ):
        raise Conflict("the day has moved on since: ask again")


def _offer(asked: Offers, body: AcceptBody) -> Offer:
    many = len(asked.offers)
    if body.option < many:
        offer = asked.offers[body.option]
        if offer.plan is not None:
            return offer
    bookable = [row for row, offer in enumerate(asked.offers) if offer.plan is not None]
    expected = f"an option with a van: one of {bookable}"
    raise InvalidInput(
        [Fault(file="body.option", got=str(body.option), expected=expected)]
    )


def _promise(known: Known, offer: Offer, body: AcceptBody) -> Window | None:
    """Return the promise that goes with an option."""
    if body.promise is None:
        return None
    clock, start_s = known.day.clock, offer.start_s or 0
    promise = Window(
        start_s=seconds_of(clock, body.promise.start_at),
        end_s=seconds_of(clock, body.promise.end_at),
    )
    if not promise.start_s <= start_s <= promise.end_s:
        raise InvalidInput(
            [
                Fault(
                    file="body.promise",
                    got="a time at which the van does not come",
                    expected=f"a span with {clock.spoken(start_s)} in it",
                )
            ]
        )
    return promise


def _agree(transaction: Transaction, known: Known, offer: Offer) -> Known:
    """Let a driver stay longer who has agreed to it."""
    if not offer.limits:
        return known
    vans = []
    for van in known.day.vans:
        limit_s = offer.limits.get(van.id)
        longer = van if limit_s is None else replace(van, overtime_limit_s=limit_s)
        if longer is not van:
            put_row(transaction, known.brief.id, longer)
        vans.append(longer)
    revision = edit_day(transaction, known.brief.id)
    return replace(
        known,
        brief=replace(known.brief, revision=revision),
        day=replace(known.day, vans=tuple(vans)),
    )


def work_out_windows(
    day: Day,
    running: tuple[Plan, tuple[Fact, ...]],
    call: Call,
    at_s: int,
    keep: float,
) -> QuoteView:
    """Work out which windows can be told to a caller.

    Parameters
    ----------
    day : Day
        As it was planned.
    running : (Plan, tuple of Fact)
        The plan in force, and what happened; on the day itself its rest is looked at.
    call : Call
        What is asked for.
    at_s : int
        When it is asked for.
    keep : float
        Wished chance that the visit starts in time.

    Returns
    -------
    QuoteView
        The windows, or why there is none.

    Raises
    ------
    Overtaken
        When the rest of the day has to be planned anew first.
    """
    plan, log = running
    if log or at_s > 0:  # of a day to come nothing is over
        rest = rest_of(day, plan, replay(day, log), at_s)
        written = write_standing(rest.day, rest.travel, rest.standing)
        if written is None:
            raise Overtaken("the rest of the day has to be planned anew first")
        day, plan = rest.day, as_plan(rest.day, written)
    spreads = usual_spreads(replace(day, calls=(*day.calls, call)))
    found = quote(open_book([(day, plan)], spreads), call, spreads, keep)
    clock = day.clock
    windows = tuple(
        WindowView(
            van_id=offer.van_id,
            start_at=clock.instant(offer.window.start_s),
            end_at=clock.instant(offer.window.end_s),
            chance=offer.chance,
            cost_cents=offer.cost_cents,
        )
        for offer in found.offers
    )
    reasons: tuple[str, ...] = ()
    if not windows:
        share = f"{round(100 * keep)} days in 100"
        reasons = (
            f"it fits in at {found.tried} places, at none in time on {share}"
            if found.tried
            else "it fits in at no place of any van's day",
        )
    return QuoteView(windows=windows, reasons=reasons)


def ask_for_windows(desk: Desk, day_id: str, body: QuoteBody) -> QuoteView:
    """Ask which windows can be told to a caller; nothing is booked by that.

    Parameters
    ----------
    desk : Desk
        The service's.
    day_id : str
        Which day.
    body : QuoteBody
        What is asked for.

    Returns
    -------
    QuoteView
        The windows, or why there is none.

    Raises
    ------
    Conflict
        When nothing is planned yet, or there is such a call already.
    InvalidInput
        With every fault of the call.
    NotFound
        When there is no such day.
    Overtaken
        When the rest has to be planned anew first; it is then.
    Unavailable
        When it cannot be worked out just now.
    """
    asked = located(desk, body.call, "body.call")
    with desk.store.read() as transaction:
        known = know(desk, transaction, day_id)
        force = ready_to_run(desk, transaction, known)
        call = replace(call_of(known.day, asked, "body.call"), promise=None)
        if call.id in known.state.calls:
            raise Conflict(f"there is a call {call.id} already")
        day = _with_place(desk, transaction, known, call)
    at_s = max(now_s(known, desk.clock()), known.state.at_s or 0)
    running = (force.plan, known.log)
    given = (day, running, call, at_s, body.keep)
    return _call(desk, day_id, work_out_windows, *given)
