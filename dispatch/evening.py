"""The evening before: what to buy, whom to ring, what to watch out for."""

from collections.abc import Sequence
from dataclasses import dataclass

from dispatch.reach import latest_start_any_s
from dispatch.supply import purchases, shortages
from shared import trade
from shared.model import (
    AtRisk,
    Call,
    Caution,
    Day,
    Plan,
    Purpose,
    ReadyItem,
    ReadyKind,
    ReadyState,
    Reason,
    StopKind,
    Tonight,
    Van,
)
from shared.units import minutes, money

READY_WORDS = {
    ReadyKind.CODE: "code",
    ReadyKind.AUTHORITY: "proof of authority",
    ReadyKind.KEYS_PRESENT: "all existing keys there",
    ReadyKind.VEHICLE_PLACE: "where the vehicle stands",
    ReadyKind.SIGNAL: "phone signal",
    ReadyKind.BATTERY: "vehicle battery",
}

HOURS_CAUTION = "working_hours"
"""The caution that goes with every limit of hours and with every break."""

# What the trade asks before it rolls: common practice, no source.
_QUESTIONS: dict[ReadyKind, str] = {
    ReadyKind.AUTHORITY: (
        "Please have photo ID at hand, and something that shows you may have this "
        "done: the registration, the lease, or a note from the owner. Before we "
        "open, we need to see it; tell us now if you cannot have it there."
    ),
    ReadyKind.KEYS_PRESENT: (
        "Please have every key there is at hand when we come, spares and other "
        "drivers' keys too. A key that is missing may stop working."
    ),
    ReadyKind.VEHICLE_PLACE: (
        "Where exactly does the vehicle stand: street, level, bay? Can a van get "
        "next to it, and how high is the entrance?"
    ),
    ReadyKind.SIGNAL: (
        "Do you have phone signal right beside the vehicle? If not, is there a network "
        "we may use, or can it be pushed to where there is signal?"
    ),
    ReadyKind.BATTERY: (
        "Do the dashboard lights come on as bright as ever? Tell us if the battery "
        "is weak, then we bring support for it."
    ),
}

# The same when the driver sees to it.
_TASKS: dict[ReadyKind, str] = {
    ReadyKind.AUTHORITY: "check photo ID and the right to have it done before starting",
    ReadyKind.KEYS_PRESENT: "ring ahead: every existing key must be there",
    ReadyKind.VEHICLE_PLACE: "ring ahead: where exactly the vehicle stands",
    ReadyKind.SIGNAL: "make sure of phone signal at the vehicle",
    ReadyKind.BATTERY: "pack the battery support unit, charged",
}

_NO_SIGNAL = (
    "There is none at the job: agree on where it can be pushed to, or bring another "
    "way to the data link."
)


def tonight(day: Day, plan: Plan) -> tuple[Tonight, ...]:
    """Return everything to see to before the vans roll.

    Parameters
    ----------
    day : Day
        The day.
    plan : Plan
        Its plan.

    Returns
    -------
    tuple of Tonight
        Open ready items of placed calls, and of unplaced calls that could still be
        saved (some van could do them, in time, and no part they hang on is known
        to come too late). Longest lead time first, then what must be started
        first, then in the order of the day's calls.
    """
    placed = {
        stop.call_id: (route.van_id, stop.start_s)
        for route in plan.routes
        for stop in route.stops
        if stop.kind is StopKind.CALL
    }
    vans = {van.id: van for van in day.vans}
    hopeless = {
        call_id
        for purchase in purchases(day, plan, shortages(day, plan))
        if purchase.purpose is Purpose.CALL and purchase.in_time is False
        for call_id in purchase.call_ids
    }
    found = []
    for call in day.calls:
        where = placed.get(call.id)
        if where is None and (
            call.id in hopeless or latest_start_any_s(day, call) is None
        ):
            continue
        van = vans[where[0]] if where is not None else None
        found += [
            Tonight(
                call_id=call.id,
                item=item,
                ask=_ask(day, call, item, van),
                by_s=where[1] - item.lead_time_s if where is not None else None,
            )
            for item in call.ready
            if item.state is ReadyState.OPEN
        ]
    return tuple(
        sorted(
            found,
            key=lambda entry: (
                -entry.item.lead_time_s,
                entry.by_s is None,
                entry.by_s or 0,
            ),
        )
    )


def _ask(day: Day, call: Call, item: ReadyItem, van: Van | None) -> str:
    """Return what to do, as one says it to a colleague or on the phone."""
    if item.kind is ReadyKind.CODE:
        terms = []
        if item.cost_cents:
            terms.append(f"costs {money(item.cost_cents)}")
        if item.lead_time_s:
            terms.append(f"takes {minutes(item.lead_time_s).removesuffix(' 00')}")
        words = f"Buy the code for {call.description or f'call {call.id}'}"
        words += f" ({', '.join(terms)})" if terms else ""
        words += ". Have the full VIN ready."
    elif item.owner == "driver":
        who = (van.driver or f"Van {van.id}") if van is not None else "Driver"
        words = f"{who}, for call {call.id}: {_TASKS[item.kind]}."
    else:
        words = f"{_ring(call)}: “{_QUESTIONS[item.kind]}”"
    kind = day.kinds.get(call.kind)
    if item.kind is ReadyKind.SIGNAL and call.access and call.access.no_signal:
        words += f" {_NO_SIGNAL}"
    usual = {listed.note for listed in kind.ready} if kind is not None else set()
    if item.note and item.note not in usual:  # the trade table's note says the same
        words += f" Note: {item.note}"
    return words if van is not None else f"If call {call.id} gets a place: {words}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Broken:
    """A promise that the plan breaks, and what to tell the customer.

    Parameters
    ----------
    call_id, van_id : str
        Whose promise, and the van that comes.
    end_s, start_s : int
        Until when it was promised, and when the visit starts.
    late_s : int
        How long after the promise's end that is.
    ask : str
        What to say on the phone.
    reasons : tuple of Reason
        What stood in the way of keeping it; may be empty.
    """

    call_id: str
    van_id: str
    end_s: int
    start_s: int
    late_s: int
    ask: str
    reasons: tuple[Reason, ...]


def broken(day: Day, plan: Plan) -> tuple[Broken, ...]:
    """Return every broken promise, read off the routes so that none is silent.

    Parameters
    ----------
    day : Day
        The day.
    plan : Plan
        Its plan.

    Returns
    -------
    tuple of Broken
        Most urgent first (own choice): by priority, then the longest delay, then
        the earliest promise.
    """
    calls = {call.id: call for call in day.calls}
    reasons = {entry.call_id: entry.reasons for entry in plan.late}
    found = []
    for route in plan.routes:
        for stop in route.stops:
            if stop.call_id is None or not stop.late_s:
                continue
            call, end_s = calls[stop.call_id], stop.start_s - stop.late_s
            found.append(
                Broken(
                    call_id=call.id,
                    van_id=route.van_id,
                    end_s=end_s,
                    start_s=stop.start_s,
                    late_s=stop.late_s,
                    ask=_ask_for_patience(day, call, end_s, stop.start_s),
                    reasons=reasons.get(call.id, ()),
                )
            )
    return tuple(
        sorted(
            found,
            key=lambda entry: (
                calls[entry.call_id].priority,
                -entry.late_s,
                entry.end_s,
            ),
        )
    )


def late_words(late_s: int) -> str:
    """Return how late a visit is, in whole minutes as its clock times show it.

    Parameters
    ----------
    late_s : int
        Seconds, positive.

    Returns
    -------
    str
        ``25 min``, ``1 h 05`` or ``less than 1 min``.
    """
    return minutes(late_s // 60 * 60) if late_s >= 60 else "less than 1 min"  # noqa: PLR2004 - seconds of a minute


def _ring(call: Call) -> str:
    """Return whom to ring, and on which number."""
    phone = f" ({call.phone})" if call.phone else ""
    return f"Ring {call.customer or 'the customer'}{phone}"


def _ask_for_patience(day: Day, call: Call, end_s: int, start_s: int) -> str:
    clock = day.clock
    return (
        f"{_ring(call)}: “We promised to start with you by {clock.hhmm(end_s)}. We "
        f"can only start at {clock.hhmm(start_s)}, {late_words(start_s - end_s)} "
        "later. Is that all right, or shall we find another time?”"
    )


def at_risk(day: Day, plan: Plan) -> tuple[AtRisk, ...]:
    """Return the money spent, or about to be, for calls that are on no route.

    Parameters
    ----------
    day : Day
        The day.
    plan : Plan
        Its plan.

    Returns
    -------
    tuple of AtRisk
        What is paid for already first, the dearest on top. A call that is served,
        however late, puts nothing at risk.
    """
    placed = {call_id for route in plan.routes for call_id in route.call_ids}
    found = [
        AtRisk(
            call_id=call.id,
            text=_risk(call, item),
            cost_cents=item.cost_cents,
            spent=item.state is ReadyState.DONE,
        )
        for call in day.calls
        if call.id not in placed
        for item in call.ready
        if item.cost_cents > 0 and item.state is not ReadyState.WAIVED
    ]
    return tuple(sorted(found, key=lambda risk: (not risk.spent, -risk.cost_cents)))


def _risk(call: Call, item: ReadyItem) -> str:
    what = f"{READY_WORDS[item.kind]} for {call.description or f'call {call.id}'}"
    if item.state is ReadyState.DONE:
        return f"Paid for, but the call is not planned: {what}."
    return f"Do not pay for it yet, the call is not planned: {what}."


def count_codes(entries: Sequence[Tonight]) -> tuple[int, int]:
    """Return how many codes there are to buy for placed calls, and what they cost.

    Parameters
    ----------
    entries : sequence of Tonight
        From :func:`tonight`; entries of unplaced calls are left out.

    Returns
    -------
    tuple of (int, int)
        Codes, and cents for all of them.
    """
    codes = [
        entry.item.cost_cents
        for entry in entries
        if entry.item.kind is ReadyKind.CODE and entry.by_s is not None
    ]
    return len(codes), sum(codes)


def cautions(day: Day) -> tuple[Caution, ...]:
    """Return the cautions that apply to the day's work and hours, each once.

    Parameters
    ----------
    day : Day
        The day.

    Returns
    -------
    tuple of Caution
        Emergencies first, then in the order in which the day's calls bring them up,
        and last the one on working hours, where a van has a limit or a break.

    Raises
    ------
    KeyError
        When a kind refers to a caution the day does not hold: a warning is never
        dropped in silence.
    """
    ids = dict.fromkeys(
        caution_id
        for call in day.calls
        if call.kind in day.kinds
        for caution_id in day.kinds[call.kind].cautions
    )
    applying = [day.cautions[caution_id] for caution_id in ids]
    if HOURS_CAUTION not in ids and any(map(has_hours_rule, day.vans)):
        known = {**trade.cautions(), **day.cautions}
        applying.append(known[HOURS_CAUTION])
    return tuple(sorted(applying, key=lambda caution: not caution.emergency))


def has_hours_rule(van: Van) -> bool:
    """Return whether a van's day has a limit of hours or a break.

    Parameters
    ----------
    van : Van
        The van.

    Returns
    -------
    bool
        Then the caution on working hours applies.
    """
    limits = (van.drive_limit_s, van.work_limit_s, van.meal)
    return any(limit is not None for limit in limits)
