"""The judge of a day under way: what is frozen stays, and nothing is given twice.

:func:`dispatch.rules.judge` looks at the plan of the rest as at that of any day. Here
it is held against the facts: that the rest begins where the day really is. Of how the
rest was made nothing is known here, it is worked out anew from the facts.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping

from dispatch.rest import FrozenStop, Rest
from dispatch.rules import Violation
from dispatch.state import CallNow, State, VanNow, replay
from shared.facts import CallState, Doing, Fact
from shared.model import (
    Call,
    Day,
    Issue,
    Origin,
    Place,
    Plan,
    Purpose,
    Rule,
    StopKind,
    Store,
)

_BEHIND = (CallState.DONE, CallState.NO_SHOW)
_UNDER_WAY = (CallState.DRIVING, CallState.THERE, CallState.WORKING)


def judge_live(
    day: Day, facts: Iterable[Fact], rest: Rest, plan: Plan
) -> tuple[Violation, ...]:
    """Return everything that is wrong with the plan of a rest, by the facts.

    Parameters
    ----------
    day : Day
        The day as it was planned in the morning.
    facts : iterable of Fact
        All that is known.
    rest : Rest
        What is left of the day.
    plan : Plan
        A plan of ``rest.day``, found right by :func:`dispatch.rules.judge`.

    Returns
    -------
    tuple of Violation
        Empty where frozen stops are as the facts have them, nothing starts before
        now, each call is served once and no piece is given twice.

    Raises
    ------
    Conflict
        When the facts are impossible.
    """
    state = replay(day, facts)
    return (
        *_judge_frozen(state, rest),
        *_judge_begin(day, state, rest, plan),
        *_judge_once(state, rest, plan),
        *_judge_stock(day, state, rest, plan),
    )


# --- what is frozen -----------------------------------------------------------


def _judge_frozen(state: State, rest: Rest) -> Iterator[Violation]:
    """Check that done stops are as they were, and what is under way comes last."""
    for van_id, now in state.vans.items():
        texts = []
        stops = [
            stop
            for stop in rest.frozen.get(van_id, ())
            if stop.kind is not StopKind.BREAK
        ]
        behind = [_times(stop) for stop in stops if stop.state in _BEHIND]
        been = [
            (past.call_id, past.store_id, past.arrive_s, past.start_s, past.finish_s)
            for past in now.past
        ]
        if behind != been:
            texts.append(f"frozen as done are {behind}, the facts say {been}")
        ahead = stops[len(behind) :]
        target = (now.call_id, now.store_id)
        busy = [target] if target != (None, None) else []
        if [(stop.call_id, stop.store_id) for stop in ahead] != busy:
            texts.append(f"under way are {len(ahead)} stops, the facts say {busy}")
        texts += [text for stop in ahead for text in _stop_faults(stop, now, rest)]
        ends = [stop.finish_s for stop in rest.frozen.get(van_id, ())]
        if ends != sorted(ends):
            texts.append("frozen stops are not in their order")
        for text in texts:
            yield Violation(rule=Rule.TIMING, text=text, van_id=van_id)


def _times(stop: FrozenStop) -> tuple[str | None, str | None, int, int, int]:
    return (stop.call_id, stop.store_id, stop.arrive_s, stop.start_s, stop.finish_s)


def _stop_faults(stop: FrozenStop, now: VanNow, rest: Rest) -> Iterator[str]:
    """Say what is wrong with the times of a stop that is under way."""
    name = stop.call_id or stop.store_id
    if not stop.arrive_s <= stop.start_s <= stop.finish_s:
        yield f"{name} is left before it is begun, or begun before the van is there"
    if stop.finish_s < rest.now_s:
        yield f"{name} is under way and is finished at {stop.finish_s}"
    if now.arrive_s is None and stop.arrive_s < rest.now_s:
        yield f"{name} is reached at {stop.arrive_s}, it is {rest.now_s}"
    if now.arrive_s is not None and stop.arrive_s != now.arrive_s:
        yield f"{name} is reached at {stop.arrive_s}, it was at {now.arrive_s}"
    if now.start_s is not None and stop.start_s != now.start_s:
        yield f"{name} begins at {stop.start_s}, it did at {now.start_s}"
    if now.start_s is None and stop.kind is StopKind.CALL and stop.start_s < rest.now_s:
        yield f"{name} begins at {stop.start_s}, it is {rest.now_s}"


# --- where and when the rest begins -------------------------------------------


def _judge_begin(day: Day, state: State, rest: Rest, plan: Plan) -> Iterator[Violation]:
    """Check that each van goes on from where it is, and not before it can."""
    vans = {van.id: van for van in rest.day.vans}
    homes = {van.id: van.finish for van in day.vans}
    for route in plan.routes:
        now, van = state.vans.get(route.van_id), vans.get(route.van_id)
        if now is None or van is None:
            continue  # the other judge has said so
        texts = []
        frozen = rest.frozen.get(route.van_id, ())
        free_s = max([rest.now_s, *(stop.finish_s for stop in frozen)])
        if now.down:
            texts.append("goes out and is down")
        if min(route.leave_s, van.shift.start_s) < free_s:
            texts.append(f"goes on at {route.leave_s}, it is free at {free_s}")
        if van.loads_at_shop and now.has_left:
            texts.append("loads before leaving and has left")
        here = _here(now, frozen, homes[route.van_id])
        if here is not None and _spot(van.start) != _spot(here):
            texts.append(f"goes on from {van.start}, it will be at {here}")
        for text in texts:
            yield Violation(rule=Rule.TIMING, text=text, van_id=route.van_id)


def _here(
    now: VanNow, frozen: tuple[FrozenStop, ...], home: Place | None
) -> Place | None:
    """Return where a van will be once it is free; ``None``: not for sure."""
    if now.doing is Doing.DRIVING and now.call_id == now.store_id:
        return home
    if now.doing is Doing.WAITING and (now.road is not None or not now.has_left):
        return None
    stops = [stop for stop in frozen if stop.kind is not StopKind.BREAK]
    if now.doing is Doing.WAITING and (
        not stops or now.where not in (f"call:{stops[-1].call_id}", None)
    ):
        return None  # home, or at the door of a call that was given up
    return stops[-1].place if stops else None


def _spot(place: Place | None) -> tuple[float, float] | None:
    return None if place is None else (place.lat_deg, place.lon_deg)


# --- each call once -----------------------------------------------------------


def _judge_once(state: State, rest: Rest, plan: Plan) -> Iterator[Violation]:
    """Check that each call is done, under way, planned, left out or given up: once."""
    frozen = Counter(
        stop.call_id
        for stops in rest.frozen.values()
        for stop in stops
        if stop.call_id is not None and stop.state is not CallState.NO_SHOW
    )
    planned = Counter(call_id for route in plan.routes for call_id in route.call_ids)
    left = Counter(entry.call_id for entry in (*plan.unplaced, *rest.stuck))
    for call_id, now in state.calls.items():
        found = frozen[call_id], planned[call_id] + left[call_id]
        right = _right(now)
        if found != right:
            text = f"is frozen and planned {found} times, should be {right}"
            yield Violation(rule=Rule.COVER, text=text, call_id=call_id)
    for call_id in sorted(planned.keys() - state.calls.keys()):
        yield Violation(rule=Rule.COVER, text="is not booked", call_id=call_id)


def _right(now: CallNow) -> tuple[int, int]:
    if now.state is CallState.OPEN:
        return 0, 1
    if now.state in _UNDER_WAY or now.state is CallState.DONE:
        return 1, 0
    return 0, 0


# --- each piece once ----------------------------------------------------------


def _judge_stock(day: Day, state: State, rest: Rest, plan: Plan) -> Iterator[Violation]:
    """Check that frozen visits and the plan together have what they use up."""
    held = {van_id: Counter(now.stock) for van_id, now in state.vans.items()}
    there = {id_: Counter(stock) for id_, stock in state.stores.items()}
    for issue in rest.uses:
        if issue.origin is Origin.RESTOCK:
            there[issue.store_id or ""][issue.part_id] -= issue.quantity
            held[issue.van_id][issue.part_id] += issue.quantity
        else:
            held[issue.van_id][issue.part_id] -= issue.quantity
    texts = [
        f"van {van.id} goes on with other pieces than it will hold"
        for van in rest.day.vans
        if Counter(van.stock) != +held[van.id]
    ]
    texts += [
        f"{store.id} has other pieces than there are"
        for store in (rest.day.shop, *rest.day.counters)
        if Counter(store.stock) != +there[store.id]
    ]
    for issue in plan.issues:
        _holder(day.shop, held, there, issue)[issue.part_id] -= issue.quantity
    texts += [
        f"{name} gives more {part_id} than it has"
        for name, stock in (*held.items(), *there.items())
        for part_id, count in sorted(stock.items())
        if count < 0
    ]
    for text in texts:
        yield Violation(rule=Rule.STOCK, text=text)
    for van_id, now in state.vans.items():
        if now.call_id is None:
            continue
        call = state.calls[now.call_id].call
        uses = [issue for issue in rest.uses if issue.call_id == call.id]
        for text in _use_faults(day, now, call, uses):
            yield Violation(rule=Rule.STOCK, text=text, van_id=van_id, call_id=call.id)


def _holder(
    shop: Store,
    vans: dict[str, Counter[str]],
    there: dict[str, Counter[str]],
    issue: Issue,
) -> Counter[str]:
    if issue.origin is Origin.ABOARD:
        return vans[issue.van_id]
    if issue.origin is Origin.VAN:
        return vans[issue.from_van or ""]
    return there[(issue.store_id or "") if issue.origin is Origin.RESTOCK else shop.id]


def _use_faults(day: Day, now: VanNow, call: Call, uses: list[Issue]) -> Iterator[str]:
    """Check that a need of a frozen visit is met whole, or cannot be."""
    for row, need in enumerate(call.needs):
        lines = [issue for issue in uses if issue.need == row]
        given: Counter[str] = Counter()
        for issue in lines:
            given[issue.part_id] += issue.quantity
        offers = [_asked(day, choice, need.quantity) for choice in need.alternatives]
        if given and given not in offers:
            yield f"need {row} of the visit under way gets {dict(given)}"
        if not given and any(
            all(_spare(now, uses, part) >= n for part, n in offer.items())
            for offer in offers
        ):
            yield f"need {row} of the visit under way gets nothing, pieces are aboard"
    if any(issue.purpose is Purpose.SPARE for issue in uses):
        yield "a spare is given to the visit under way"


def _spare(now: VanNow, uses: list[Issue], part_id: str) -> int:
    used = sum(issue.quantity for issue in uses if issue.part_id == part_id)
    return now.stock.get(part_id, 0) - used


def _asked(day: Day, choice: str, quantity: int) -> Mapping[str, int]:
    part = day.parts.get(choice)
    asked: Counter[str] = Counter()
    for part_id, count in (part.components if part else ()) or ((choice, 1),):
        asked[part_id] += quantity * count
    return asked
