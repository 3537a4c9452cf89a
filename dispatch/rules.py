"""The judge: says whether a plan is allowed and costs what it claims.

Slow and meant to be read. It trusts nothing that can be derived. Of a route it
takes only the decisions: who goes where in which order, when the van sets off, when
each visit, restock stop and break start, who carries which shared tool, and which
piece of stock serves which need. From these it runs its own clock through the day and
compares every other figure with it; so one wrong figure is one finding, and does not
colour what comes after.

It knows nothing of the search, and the search knows nothing of it: that they agree
is worth something only for that reason.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from itertools import chain
from math import ceil, floor, inf
from typing import NamedTuple

from dispatch.travel import TravelTable
from dispatch.travel.profile import arrive_s, depart_latest_s
from shared.model import (
    Break,
    Call,
    Day,
    Issue,
    Need,
    Origin,
    Outlook,
    Place,
    Plan,
    Proof,
    Purpose,
    Risk,
    Route,
    Rule,
    Stop,
    StopKind,
    Store,
    Tool,
    ToolUse,
    Van,
    Window,
)
from shared.trade import HELD
from shared.units import UNITS_PER_CENT, UNITS_PER_METRE, UNITS_PER_SECOND

PRIORITIES = (1, 2, 3, 4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Violation:
    """One rule a plan breaks, at one spot.

    Parameters
    ----------
    rule : Rule
        Which rule.
    text : str
        What is wrong, with the figure that would be right where there is one.
    van_id : str or None
        On which van's route; ``None`` where it is no van's matter.
    call_id : str or None
        With which call; ``None`` where it is no call's matter.
    """

    rule: Rule
    text: str
    van_id: str | None = None
    call_id: str | None = None

    def __str__(self) -> str:
        """Return the finding as one readable line."""
        words = [f"[{self.rule}]"]
        if self.van_id is not None:
            words.append(f"van {self.van_id}:")
        if self.call_id is not None:
            words.append(f"call {self.call_id}:")
        return " ".join([*words, self.text])


def judge(day: Day, travel: TravelTable, plan: Plan) -> tuple[Violation, ...]:
    """Return everything that is wrong with a plan.

    Parameters
    ----------
    day : Day
        The question.
    travel : TravelTable
        The day's drives.
    plan : Plan
        The answer; it may be any nonsense.

    Returns
    -------
    tuple of Violation
        Empty for a plan that keeps every rule and counts right. Whether a better
        plan exists is not asked here.
    """
    vans = {van.id: van for van in day.vans}
    drives = [
        _Drive(day, travel, vans[route.van_id], route, plan.tools)
        for route in plan.routes
        if route.van_id in vans
    ]
    found = [*_judge_cover(day, plan)]
    for drive in drives:
        found += drive.judge()
    found += _judge_late(plan, drives)
    found += _judge_links(day, drives)
    found += _judge_tools(day, plan, drives)
    found += _judge_errands(day, plan)
    given = [_Given(issue, _source_of(day, issue)) for issue in plan.issues]
    found += _judge_stock(day, plan)
    found += _judge_pieces(day, given)
    unclear = {Rule.COVER, Rule.STOCK, Rule.RESTOCK}
    if unclear.isdisjoint(one.rule for one in found):  # who gets what is clear
        found += _judge_prices(day, plan, given)
        found += _judge_thrift(day, plan, given)
    found += _judge_status(plan)
    return tuple(found)


def goal(day: Day, plan: Plan) -> tuple[int, ...]:
    """Return what plans are compared by; the smaller tuple is the better plan.

    Parameters
    ----------
    day : Day
        The question.
    plan : Plan
        The answer, found right by :func:`judge`.

    Returns
    -------
    tuple of int
        Calls that are on no route of priority 1, 2, 3 and 4; calls that start after
        their promise of priority 1, 2, 3 and 4; cost units.
    """
    starts_s = {
        stop.call_id: stop.start_s
        for route in plan.routes
        for stop in route.stops
        if stop.call_id is not None
    }
    left = Counter(call.priority for call in day.calls if call.id not in starts_s)
    broken = Counter(
        call.priority
        for call in day.calls
        if call.promise is not None
        and starts_s.get(call.id, call.promise.end_s) > call.promise.end_s
    )
    return (
        *(left[priority] for priority in PRIORITIES),
        *(broken[priority] for priority in PRIORITIES),
        plan.cost_units,
    )


def judge_outlook(day: Day, outlook: Outlook) -> tuple[Violation, ...]:
    """Return everything that is wrong between the plans of several days.

    Each plan is right on its own day, as :func:`judge` finds; here they are held
    against the day they all come from, by the clock on the wall.

    Parameters
    ----------
    day : Day
        The first day, with all calls, vans and stock.
    outlook : Outlook
        The plans.

    Returns
    -------
    tuple of Violation
        Empty where each call is served once, on a date on which it may be, by a van
        that is out then, and no piece is given twice over the days.
    """
    dates = [day.date + timedelta(days=number) for number in range(day.horizon)]
    planned = [answer.day.date for answer in outlook.answers]
    found = []
    if (
        planned[:1] != dates[:1]
        or planned != sorted(set(planned))
        or not set(planned) <= set(dates)
    ):
        text = f"plans {', '.join(map(str, planned))}, not days from {day.date} on"
        found.append(Violation(rule=Rule.COVER, text=text))
    served = [
        _Served(answer.day, route.van_id, stop)
        for answer in outlook.answers
        for route in answer.plan.routes
        for stop in _visits(route.stops)
    ]
    found += _judge_once(day, outlook, served)
    for one in served:
        found += _judge_date(day, one, dates)
    found += _judge_links_between(day, served)
    found += _judge_stock_between(day, outlook)
    return tuple(found)


class _Served(NamedTuple):
    """A visit on one of several days."""

    day: Day
    van_id: str
    stop: Stop

    def passed_s(self, first: Day, time_s: int) -> int:
        """Return a second of its day as seconds that pass from the first midnight."""
        apart = self.day.clock.midnight() - first.clock.midnight()
        return time_s + round(apart.total_seconds())

    def shown_s(self, first: Day, time_s: int) -> int:
        """Return the second of the first day at which the clock shows the same."""
        wall = self.day.clock.instant(time_s) - (self.day.date - first.date)
        return round((wall - first.clock.midnight()).total_seconds())


def _judge_once(
    day: Day, outlook: Outlook, served: Iterable[_Served]
) -> Iterator[Violation]:
    """Check that each call is served once, or left out on the first day."""
    placed = Counter(one.stop.call_id for one in served)
    left = Counter(
        entry.call_id for answer in outlook.answers for entry in answer.plan.unplaced
    )
    for call in day.calls:
        if placed[call.id] + left[call.id] != 1:
            text = (
                f"is served {placed[call.id]} times over all days, "
                f"unplaced {left[call.id]} times"
            )
            yield Violation(rule=Rule.COVER, text=text, call_id=call.id)
    for answer in outlook.answers[1:]:
        for entry in answer.plan.unplaced:
            text = f"is unplaced on {answer.day.date}, not on the first day"
            yield Violation(rule=Rule.COVER, text=text, call_id=entry.call_id)


def _judge_date(day: Day, one: _Served, dates: list[date]) -> Iterator[Violation]:
    """Check that a visit is on a date and at an hour at which it may be."""
    calls = {call.id: call for call in day.calls}
    off = {van.id: van.off for van in day.vans}
    call, date = calls.get(one.stop.call_id or ""), one.day.date
    faults: list[tuple[Rule, str]] = []
    if date in off.get(one.van_id, ()):
        faults.append((Rule.SHIFT, f"stays in on {date}"))
    if call is None:
        faults.append((Rule.COVER, "the day has no such call"))
    else:
        allowed = call.dates or (dates[:1] if call.promise is not None else dates)
        if date not in allowed:
            faults.append((Rule.WINDOW, f"is served on {date}"))
        start_s = one.shown_s(day, one.stop.start_s)
        finish_s = one.shown_s(day, one.stop.finish_s)
        if call.windows and not any(
            span.start_s <= start_s and finish_s <= span.end_s for span in call.windows
        ):
            text = f"{start_s} to {finish_s} by the clock lies in no window"
            faults.append((Rule.WINDOW, text))
        promise = call.promise
        if promise is not None and (
            start_s < promise.start_s
            or (start_s > promise.end_s and not day.promises_may_break)
        ):
            faults.append((Rule.PROMISE, f"starts at {start_s} by the clock"))
        ready_s = day.ready_s(call)
        passed_s = one.passed_s(day, one.stop.start_s)
        if ready_s is not None and passed_s < ready_s:
            faults.append((Rule.READY, f"starts at {passed_s}, ready at {ready_s}"))
    for rule, text in faults:
        yield Violation(
            rule=rule, text=text, van_id=one.van_id, call_id=one.stop.call_id
        )


def _judge_links_between(day: Day, served: Iterable[_Served]) -> Iterator[Violation]:
    """Check that linked calls follow each other, from one day to the next as well."""
    at = {one.stop.call_id: one for one in served}
    for link in day.links:
        then, first = at.get(link.then), at.get(link.first)
        if then is None:
            continue
        text = ""
        if first is None:
            text = f"is served, {link.first} is not and comes first"
        else:
            gap_s = then.passed_s(day, then.stop.start_s) - first.passed_s(
                day, first.stop.finish_s
            )
            if gap_s < link.min_gap_s or (
                link.max_gap_s is not None and gap_s > link.max_gap_s
            ):
                text = f"starts {gap_s} s after {link.first}"
            elif link.same_van and first.van_id != then.van_id:
                text = f"is not served by the van of {link.first}"
        if text:
            yield Violation(
                rule=Rule.LINK, text=text, van_id=then.van_id, call_id=link.then
            )


def _judge_stock_between(day: Day, outlook: Outlook) -> Iterator[Violation]:
    """Check that over the days no more is given than there was or is ordered.

    What calls use up is gone on later days; spares are carried and brought back.
    """
    placed = {
        call_id
        for answer in outlook.answers
        for route in answer.plan.routes
        for call_id in route.call_ids
    }
    orders = [
        (day.planned_at_s + bought.lead_time_s, bought)
        for answer in outlook.answers[:1]
        for bought in answer.purchases
        if bought.purpose is Purpose.CALL
        and not bought.where
        and bought.lead_time_s is not None
        and set(bought.call_ids) <= placed
    ]
    stocks = _stocks(day)
    gone: Counter[tuple[_Source, str]] = Counter()
    for answer in outlook.answers:
        carried = gone.copy()
        leaves_s = [
            _Served(answer.day, route.van_id, route.stops[0]).passed_s(
                day, route.leave_s
            )
            for route in answer.plan.routes
        ]
        for issue in answer.plan.issues:
            key = (_source_of(day, issue), issue.part_id)
            carried[key] += issue.quantity
            if issue.purpose is Purpose.CALL:
                gone[key] += issue.quantity
        for (source, part_id), pieces in carried.items():
            there = stocks.get(source, {}).get(part_id, 0)
            if source == _Source("store", day.shop.id):
                there += sum(
                    bought.quantity
                    for hand_s, bought in orders
                    if bought.part_id == part_id
                    and hand_s <= min(leaves_s, default=hand_s)
                )
            if pieces > there:
                text = (
                    f"{pieces} x {part_id} are given from {source.kind} {source.id} "
                    f"by {answer.day.date}, {there} are there"
                )
                yield Violation(rule=Rule.STOCK, text=text)


# --- every call once -------------------------------------------------------


def _judge_cover(day: Day, plan: Plan) -> Iterator[Violation]:
    """Check that each call is on one route, or unplaced with a reason."""
    yield from _judge_vans(day, plan)
    yield from _judge_stops(day, plan)
    yield from _judge_unplaced(day, plan)
    yield from _judge_conflicts(day, plan)
    placed = Counter(
        stop.call_id for route in plan.routes for stop in _visits(route.stops)
    )
    left = Counter(unplaced.call_id for unplaced in plan.unplaced)
    for call in day.calls:
        if placed[call.id] + left[call.id] != 1:
            text = (
                f"is on routes {placed[call.id]} times, unplaced {left[call.id]} times"
            )
            yield Violation(rule=Rule.COVER, text=text, call_id=call.id)


def _visits(stops: Iterable[Stop]) -> list[Stop]:
    return [stop for stop in stops if stop.kind is StopKind.CALL]


def _judge_vans(day: Day, plan: Plan) -> Iterator[Violation]:
    """Check that vans of the day go out once, in order, and not for nothing."""
    known = [van.id for van in day.vans]
    out = [route.van_id for route in plan.routes]
    faults: list[tuple[str | None, str]] = [
        *((van_id, "the day has no such van") for van_id in out if van_id not in known),
        *(
            (van_id, f"goes out {times} times")
            for van_id, times in Counter(out).items()
            if times > 1
        ),
        *(
            (route.van_id, "goes out without a call")
            for route in plan.routes
            if not _visits(route.stops)
        ),
    ]
    order = [known.index(van_id) for van_id in out if van_id in known]
    if order != sorted(order):
        faults.append((None, "the routes are not in the order of the day's vans"))
    for van_id, text in faults:
        yield Violation(rule=Rule.COVER, text=text, van_id=van_id)


def _judge_stops(day: Day, plan: Plan) -> Iterator[Violation]:
    """Check that every visit is for a call of the day, and no other stop for any."""
    known = {call.id for call in day.calls}
    for route in plan.routes:
        for stop in route.stops:
            if stop.place is not None and day.travel.cut_off(stop.place) is not None:
                yield Violation(
                    rule=Rule.TRAVEL,
                    text="no road leads there",
                    van_id=route.van_id,
                    call_id=stop.call_id,
                )
            texts = []
            if stop.kind is not StopKind.CALL:
                if stop.call_id is not None:
                    texts.append(f"a {stop.kind} stop serves no call")
                if stop.late_s != 0:
                    texts.append(f"a {stop.kind} stop is late for nobody")
            elif stop.call_id not in known:
                texts.append("the day has no such call")
            if stop.kind is not StopKind.RESTOCK and stop.store_id is not None:
                texts.append(f"a {stop.kind} stop is at no store")
            for text in texts:
                yield Violation(
                    rule=Rule.COVER,
                    text=text,
                    van_id=route.van_id,
                    call_id=stop.call_id,
                )


def _judge_unplaced(day: Day, plan: Plan) -> Iterator[Violation]:
    """Check that what is unplaced or late is a call of the day and has a reason."""
    calls = {call.id for call in day.calls}
    vans = {van.id for van in day.vans}
    for word, entries in (("unplaced", plan.unplaced), ("late", plan.late)):
        for entry in entries:
            texts = []
            if entry.call_id not in calls:
                texts.append("the day has no such call")
            if not entry.reasons:
                texts.append(f"is {word} without a reason")
            texts += [
                f"a reason names van {reason.van_id}: the day has no such van"
                for reason in entry.reasons
                if reason.van_id is not None and reason.van_id not in vans
            ]
            for text in texts:
                yield Violation(rule=Rule.COVER, text=text, call_id=entry.call_id)


def _judge_conflicts(day: Day, plan: Plan) -> Iterator[Violation]:
    """Check that a conflict is between calls of the day, two or more."""
    known = {call.id for call in day.calls}
    for conflict in plan.conflicts:
        names = set(conflict.call_ids)
        texts = [
            f"a conflict names call {call_id}: the day has no such call"
            for call_id in sorted(names - known)
        ]
        if len(names) < 2 or len(names) < len(conflict.call_ids):  # noqa: PLR2004
            texts.append("a conflict is between two calls or more, each named once")
        for text in texts:
            yield Violation(rule=Rule.COVER, text=text)


# --- one route --------------------------------------------------------------


class _Spot(NamedTuple):
    """Where a van is: a node of the travel table, or anywhere (no node)."""

    node: str | None
    place: Place | None


class _Drive:
    """One van's day driven again, with our own clock.

    ``here`` is ``None`` once the route names a call or a store that the day does not
    have: from there the stated figures are taken until the van is at a known place.

    What other checks want to know of the drive is noted on the way: when each call was
    served, when the van was at the shop, which shared tools were of use.
    """

    def __init__(
        self,
        day: Day,
        travel: TravelTable,
        van: Van,
        route: Route,
        tools: Iterable[ToolUse],
    ) -> None:
        self.day = day
        self.travel = travel
        self.van = van
        self.route = route
        self.calls: dict[str | None, Call] = {call.id: call for call in day.calls}
        self.tools = [use for use in tools if use.van_id == van.id]
        self.here: _Spot | None = _Spot(
            None if van.start is None else f"start:{van.id}", van.start
        )
        self.clock_s = route.leave_s
        self.driven_m = 0
        self.driven_s = 0
        self.late_units = 0
        self.preference_units = 0
        self.change_units = 0
        self.late: list[str] = []
        self.served: dict[str, Window] = {}
        self.at_shop: Window | None = None
        self.useful: set[str] = set()

    def judge(self) -> Iterator[Violation]:
        """Return everything that is wrong with the route."""
        if self.route.leave_s < self.van.shift.start_s:
            text = f"leaves at {self.route.leave_s}, {self._shift_words()}"
            yield self._wrong(Rule.SHIFT, text)
        if self.day.date in self.van.off:
            yield self._wrong(Rule.SHIFT, f"stays in on {self.day.date}")
        for position, stop in enumerate(self.route.stops):
            if stop.kind is StopKind.BREAK:
                yield from self._judge_break(position, stop)
            elif stop.kind is StopKind.RESTOCK:
                yield from self._judge_restock(stop)
            else:
                yield from self._judge_visit(stop)
        yield from self._judge_return()
        yield from self._judge_meal()
        yield from self._judge_limits()
        yield from self._judge_cost()

    def _wrong(self, rule: Rule, text: str, call_id: str | None = None) -> Violation:
        return Violation(rule=rule, text=text, van_id=self.van.id, call_id=call_id)

    def _differs(
        self,
        rule: Rule,
        words: str,
        stated: int | None,
        right: int | None,
        stop: Stop | None = None,
    ) -> tuple[Violation, ...]:
        if stated == right:
            return ()
        call_id = None if stop is None else stop.call_id
        text = f"{words} is {stated}, should be {right}"
        return (self._wrong(rule, text, call_id),)

    def _shift_words(self) -> str:
        shift, limit_s = self.van.shift, self.van.overtime_limit_s
        return f"the shift is {shift.start_s} to {shift.end_s} and {limit_s} over"

    def _leg(self, to: _Spot | None) -> tuple[int, int] | None:
        """Return metres and seconds from here, leaving now; ``None``: not known."""
        if self.here is None or to is None:
            return None
        if self.here.node is None or to.node is None or self.here.node == to.node:
            return 0, 0
        row, column = self.travel.keys[self.here.node], self.travel.keys[to.node]
        base_s = int(self.travel.base_s[row, column])
        traffic = self.travel.traffic
        # Once the last speed holds on, a drive is as long whenever it begins: a
        # plan may name any second at all, and we need not follow it out there.
        depart_s = min(self.clock_s, traffic.slot_s * len(traffic.speed_permille))
        drive_s = arrive_s(traffic, depart_s, base_s) - depart_s
        return int(self.travel.distance_m[row, column]), drive_s

    def _spot_of(self, stop: Stop) -> _Spot | None:
        if stop.kind is StopKind.RESTOCK:
            store = _stores(self.day).get(stop.store_id)
            if store is None or store.restock_s is None:  # nobody can stop there
                return None
            return _Spot(_node_of(self.day, store), store.place)
        call = self.calls.get(stop.call_id)
        return None if call is None else _Spot(f"call:{call.id}", call.parked)

    def _finish_spot(self) -> _Spot:
        finish = self.van.finish
        return _Spot(None if finish is None else f"finish:{self.van.id}", finish)

    def _arrive(self, stop: Stop, spot: _Spot | None) -> Iterator[Violation]:
        """Drive to a stop and wait for its start."""
        leg = self._leg(spot)
        if leg is None:
            self.driven_m += stop.drive_m
            self.driven_s += stop.drive_s
            arrived_s = stop.arrive_s
        else:
            metres, seconds = leg
            self.driven_m += metres
            self.driven_s += seconds
            arrived_s = self.clock_s + seconds
            yield from self._differs(
                Rule.TRAVEL, "the distance", stop.drive_m, metres, stop
            )
            yield from self._differs(
                Rule.TRAVEL, "the drive", stop.drive_s, seconds, stop
            )
            yield from self._differs(
                Rule.TIMING, "the arrival", stop.arrive_s, arrived_s, stop
            )
            yield from self._judge_leave_by(stop, spot)
        if stop.start_s < arrived_s:
            text = f"starts at {stop.start_s}, arrives at {arrived_s}"
            yield self._wrong(Rule.TIMING, text, stop.call_id)
        self.here = spot
        self.clock_s = stop.start_s

    def _judge_leave_by(self, stop: Stop, spot: _Spot | None) -> Iterator[Violation]:
        """Check that leaving then is in time, and a second later is not."""
        leave_s = stop.leave_by_s
        if leave_s is None or self.here is None or spot is None:
            return
        right = leave_s >= self.clock_s
        if right and self.here.node is not None and spot.node is not None:
            row, column = self.travel.keys[self.here.node], self.travel.keys[spot.node]
            base_s = int(self.travel.base_s[row, column])
            there_s, late_s = (
                arrive_s(self.travel.traffic, leave_s + second, base_s)
                for second in (0, 1)
            )
            right = there_s <= stop.start_s < late_s
        if not right:
            text = f"leaving at {leave_s} is not the last that is in time"
            yield self._wrong(Rule.TIMING, text, stop.call_id)

    def _judge_visit(self, stop: Stop) -> Iterator[Violation]:
        yield from self._arrive(stop, self._spot_of(stop))
        call = self.calls.get(stop.call_id)
        if call is None:  # the cover has said so
            self.clock_s = stop.finish_s
            return
        length_s = self.day.planned_s(call, self.van)
        self.clock_s += length_s
        yield from self._differs(
            Rule.TIMING, "the finish", stop.finish_s, self.clock_s, stop
        )
        span = Window(start_s=stop.start_s, end_s=self.clock_s)
        self.served.setdefault(call.id, span)
        if stop.place != call.parked:
            yield self._wrong(Rule.TRAVEL, "is not where the call is", call.id)
        if call.barred is not None:
            yield self._wrong(call.barred.rule, "cannot be planned", call.id)
        yield from self._judge_van(call)
        yield from self._judge_start(stop, call, length_s)

    def _judge_van(self, call: Call) -> Iterator[Violation]:
        """Check that the driver knows how, the van carries it, and it may go."""
        lacking = call.equipment - self.van.equipment
        aboard = {use.tool_id for use in self.tools if self._is_aboard(use)}
        self.useful |= lacking & aboard
        lacking -= aboard
        elsewhere = lacking & {use.tool_id for use in self.tools}
        for rule, words, what in (
            (Rule.SKILL, "lacks", call.skills - self.van.skills),
            (Rule.EQUIPMENT, "lacks", lacking - elsewhere),
            (Rule.TOOL, "comes when the van does not have", elsewhere),
        ):
            if what:
                yield self._wrong(rule, f"{words} {', '.join(sorted(what))}", call.id)
        if call.required_van is not None and call.required_van != self.van.id:
            text = f"only van {call.required_van} may go"
            yield self._wrong(Rule.REQUIRED_VAN, text, call.id)

    def _is_aboard(self, use: ToolUse) -> bool:
        """Return whether a tool is in the van now: collected, and not yet returned."""
        been_there = self.at_shop is not None
        return (been_there or not use.collected) and not (been_there and use.returned)

    def _judge_start(
        self, stop: Stop, call: Call, length_s: int
    ) -> Iterator[Violation]:
        """Check that the visit is in a window, in the promise, and not unready."""
        start_s = stop.start_s
        latest_s: list[int] = []  # by window and by promise; empty: any time will do
        open_now = [
            window
            for window in call.windows
            if window.start_s <= start_s and start_s + length_s <= window.end_s
        ]
        kept = True
        if open_now:
            latest_s.append(max(window.end_s for window in open_now) - length_s)
        elif call.windows:
            kept = False
            text = f"{start_s} to {start_s + length_s} lies in no window"
            yield self._wrong(Rule.WINDOW, text, call.id)
        if call.dates and self.day.date not in call.dates:
            yield self._wrong(Rule.WINDOW, f"not on {self.day.date}", call.id)
        late_s = 0
        if call.promise is not None:
            latest_s.append(call.promise.end_s)
            late_s = max(0, start_s - call.promise.end_s)
            if start_s < call.promise.start_s or (
                late_s and not self.day.promises_may_break
            ):
                kept, late_s = False, 0
                yield self._wrong(Rule.PROMISE, f"starts at {start_s}", call.id)
        ready_s = self.day.ready_s(call)
        if ready_s is not None and start_s < ready_s:
            text = f"starts at {start_s}, ready at {ready_s}"
            yield self._wrong(Rule.READY, text, call.id)
        if kept:  # a broken window or promise leaves no slack to speak of
            slack_s = min(latest_s) - start_s if latest_s else None
            if late_s:
                slack_s = 0
            yield from self._differs(
                Rule.TIMING, "the slack", stop.slack_s, slack_s, stop
            )
        yield from self._weigh_start(stop, call, late_s)

    def _weigh_start(self, stop: Stop, call: Call, late_s: int) -> Iterator[Violation]:
        """Note what it costs that the visit starts then and not when it was wished."""
        yield from self._differs(
            Rule.PROMISE, "the lateness", stop.late_s, late_s, stop
        )
        if late_s:
            self.late.append(call.id)
            self.late_units += self.day.late_units(late_s)
        if call.waits_from_s is not None and call.promise is None:
            self.late_units += self.day.late_units(stop.start_s - call.waits_from_s)
        wish = call.preference
        if wish is not None and not wish.start_s <= stop.start_s <= wish.end_s:
            self.preference_units += self.day.preference_cents * UNITS_PER_CENT
        stands, prices = call.standing, self.day.change
        if stands is not None and stands.van_id != self.van.id:
            self.change_units += prices.van_cents * UNITS_PER_CENT
        if stands is not None and (
            stop.start_s < stands.window.start_s or stop.start_s > stands.window.end_s
        ):
            self.change_units += prices.time_cents * UNITS_PER_CENT
            if stands.told:
                self.change_units += prices.told_cents * UNITS_PER_CENT

    def _judge_restock(self, stop: Stop) -> Iterator[Violation]:
        """Check that the store lets vans stop, is open, and how long it takes."""
        yield from self._arrive(stop, self._spot_of(stop))
        yield from self._differs(
            Rule.TIMING, "the slack of a restock stop", stop.slack_s, None
        )
        store = _stores(self.day).get(stop.store_id)
        if store is None or store.restock_s is None:
            what = "the day has no store" if store is None else "no van stops at"
            yield self._wrong(Rule.RESTOCK, f"{what} {stop.store_id}")
            self.clock_s = stop.finish_s
            return
        self.clock_s += store.restock_s
        yield from self._differs(
            Rule.RESTOCK, f"the end at {store.id}", stop.finish_s, self.clock_s
        )
        if stop.place != store.place:
            yield self._wrong(Rule.TRAVEL, f"is not where {store.id} is")
        span = Window(start_s=stop.start_s, end_s=self.clock_s)
        hours = store.opening
        if hours is not None and (
            span.start_s < hours.start_s or span.end_s > hours.end_s
        ):
            text = (
                f"is at {store.id} from {span.start_s} to {span.end_s}, "
                f"it is open from {hours.start_s} to {hours.end_s}"
            )
            yield self._wrong(Rule.RESTOCK, text)
        if store.id == self.day.shop.id and self.at_shop is None:
            self.at_shop = span

    def _judge_break(self, position: int, stop: Stop) -> Iterator[Violation]:
        """Check that the break is whole, in its window, here or where it goes next."""
        ahead = next(
            (
                later
                for later in self.route.stops[position + 1 :]
                if later.kind is not StopKind.BREAK
            ),
            None,
        )
        there = self._finish_spot() if ahead is None else self._spot_of(ahead)

        def misfit(spot: _Spot | None) -> tuple[bool, bool]:
            elsewhere = spot is not None and spot.place != stop.place
            return elsewhere, self._leg(spot) != (stop.drive_m, stop.drive_s)

        # Where the places are one, the stated drive tells which of them is meant.
        spot = min((self.here, there), key=misfit)
        if misfit(spot)[0]:
            text = "the break is neither where the van is nor where it goes next"
            yield self._wrong(Rule.BREAK, text)
        yield from self._arrive(stop, spot)
        yield from self._differs(
            Rule.TIMING, "the slack of a break", stop.slack_s, None
        )
        meal = self.van.meal
        if meal is None:
            yield self._wrong(Rule.BREAK, "has a break, the van has none")
            self.clock_s = stop.finish_s
            return
        self.clock_s += meal.length_s
        yield from self._differs(
            Rule.BREAK, "the end of the break", stop.finish_s, self.clock_s
        )
        if stop.start_s < meal.window.start_s or self.clock_s > meal.window.end_s:
            text = f"the break is {stop.start_s} to {self.clock_s}, {_meal_words(meal)}"
            yield self._wrong(Rule.BREAK, text)

    def _judge_return(self) -> Iterator[Violation]:
        leg = self._leg(self._finish_spot())
        if leg is None:
            self.driven_m += self.route.last_drive_m
            self.driven_s += self.route.last_drive_s
            self.clock_s += self.route.last_drive_s
        else:
            metres, seconds = leg
            self.driven_m += metres
            self.driven_s += seconds
            self.clock_s += seconds
            yield from self._differs(
                Rule.TRAVEL, "the last distance", self.route.last_drive_m, metres
            )
            yield from self._differs(
                Rule.TRAVEL, "the last drive", self.route.last_drive_s, seconds
            )
        yield from self._differs(
            Rule.TIMING, "the van's return", self.route.finish_s, self.clock_s
        )
        if self.clock_s > self.van.shift.end_s + self.van.overtime_limit_s:
            text = f"is back at {self.clock_s}, {self._shift_words()}"
            yield self._wrong(Rule.SHIFT, text)

    def _judge_meal(self) -> Iterator[Violation]:
        """Check for one break, or none if the van is back while it can still begin."""
        meal = self.van.meal
        breaks = sum(stop.kind is StopKind.BREAK for stop in self.route.stops)
        if breaks > 1:
            yield self._wrong(Rule.BREAK, f"has {breaks} breaks")
        if (
            meal is not None
            and breaks == 0
            and self.clock_s > meal.window.end_s - meal.length_s
        ):
            text = f"has no break and is back at {self.clock_s}, {_meal_words(meal)}"
            yield self._wrong(Rule.BREAK, text)

    def _judge_limits(self) -> Iterator[Violation]:
        """Check the hours at the wheel and at work, the break not counted."""
        work_s = self.clock_s - self.route.leave_s
        if self.van.meal is not None and any(
            stop.kind is StopKind.BREAK for stop in self.route.stops
        ):
            work_s -= self.van.meal.length_s
        for words, spent_s, limit_s in (
            ("drives", self.driven_s, self.van.drive_limit_s),
            ("works", work_s, self.van.work_limit_s),
        ):
            if limit_s is not None and spent_s > limit_s:
                text = f"{words} {spent_s} seconds, {limit_s} are allowed"
                yield self._wrong(Rule.LIMIT, text)

    def _judge_cost(self) -> Iterator[Violation]:
        rates, shift = self.van.rates, self.van.shift
        since_s = self.van.paid_from_s
        paid_s = self.clock_s - (shift.start_s if since_s is None else since_s)
        over_s = max(0, self.clock_s - shift.end_s)
        drive_units = self.driven_m * rates.km_cents * UNITS_PER_METRE
        time_units = paid_s * rates.hour_cents * UNITS_PER_SECOND
        over_units = over_s * rates.overtime_hour_cents * UNITS_PER_SECOND
        for words, stated, right in (
            ("overtime", self.route.overtime_s, over_s),
            ("the cost of driving", self.route.drive_units, drive_units),
            ("the cost of time", self.route.time_units, time_units),
            ("the cost of overtime", self.route.overtime_units, over_units),
            ("the cost of being late", self.route.late_units, self.late_units),
            (
                "the cost of unmet preferences",
                self.route.preference_units,
                self.preference_units,
            ),
            ("the cost of changes", self.route.change_units, self.change_units),
        ):
            yield from self._differs(Rule.COST, words, stated, right)


def _meal_words(meal: Break) -> str:
    window = meal.window
    return f"it takes {meal.length_s} between {window.start_s} and {window.end_s}"


# --- what lateness is to be expected -------------------------------------------


def expected_late_units(
    day: Day, travel: TravelTable, risk: Risk, routes: Iterable[Route]
) -> int:
    """Return what the lateness to be expected of some routes costs.

    Of a route only the order of its visits and restock stops counts. In each future
    the driver sets off and has his break as below, drives on as soon as a visit is
    done, waits for the customer's hours, his promise and what must be ready, and
    serves who is late all the same. Late is who starts after a promise's end; where
    there is none, who ends after the customer's hours in which he starts (the last
    ones, after these).

    All as planned, the break is where the van is home first, of such places the last:
    before each drive or after it on the street; none, where it is home while the break
    could still begin. It sets off as late as the first visit then allows, or when the
    shift begins where the break comes before that visit.

    Parameters
    ----------
    day, travel : Day, TravelTable
        The day and its drives.
    risk : Risk
        The futures, and the price.
    routes : iterable of Route
        Found right by :func:`judge`.

    Returns
    -------
    int
        Cost units: of each route, the lateness of all futures at the price of its
        seconds, divided by their number and rounded down.
    """
    return sum(_Venture(day, travel, risk, route).units() for route in routes)


class _Venture:
    """One route in all futures."""

    def __init__(self, day: Day, travel: TravelTable, risk: Risk, route: Route) -> None:
        self.day, self.travel, self.risk = day, travel, risk
        self.van = next(van for van in day.vans if van.id == route.van_id)
        self.stops = [s for s in route.stops if s.kind is not StopKind.BREAK]
        self.calls: dict[str | None, Call] = {call.id: call for call in day.calls}
        ends = (
            (self.van.start, f"start:{self.van.id}"),
            (
                self.van.finish,
                f"finish:{self.van.id}",
            ),
        )
        begin, finish = (None if place is None else node for place, node in ends)
        self.nodes = [begin, *map(self.node, self.stops), finish]

    def node(self, stop: Stop) -> str:
        if stop.kind is StopKind.CALL:
            return f"call:{stop.call_id}"
        return _node_of(self.day, _stores(self.day)[stop.store_id])

    def base_s(self, leg: int) -> int:
        """Return how long a drive takes at free flow; leg 0 leads to the first stop."""
        origin, target = self.nodes[leg], self.nodes[leg + 1]
        if origin is None or target is None:
            return 0
        keys = self.travel.keys
        return int(self.travel.base_s[keys[origin], keys[target]])

    def hours(self, stop: Stop) -> list[tuple[int, float]]:
        """Return first and last start in each of the customer's hours, in order."""
        if stop.kind is not StopKind.CALL:
            store = _stores(self.day)[stop.store_id]
            if store.opening is None:
                return []
            stay_s = store.restock_s or 0
            return [(store.opening.start_s, store.opening.end_s - stay_s)]
        call = self.calls[stop.call_id]
        length_s = self.day.planned_s(call, self.van)
        first_s = self.day.ready_s(call) or 0
        if call.promise is not None:
            first_s = max(first_s, call.promise.start_s)
        all_day: list[tuple[int, float]] = [(0, inf)]
        spans = [(w.start_s, w.end_s - length_s) for w in call.windows] or all_day
        cut = [(max(low, first_s), high) for low, high in spans]
        return sorted((low, high) for low, high in cut if low <= high)

    def length_s(self, stop: Stop, future: int | None) -> int:
        if stop.kind is not StopKind.CALL:
            return _stores(self.day)[stop.store_id].restock_s or 0
        call = self.calls[stop.call_id]
        own_s, usual_s = self.day.planned_s(call, self.van), self.day.planned_s(call)
        if future is None or call.id not in self.risk.lengths_s or usual_s == 0:
            return own_s
        seconds = Fraction(self.risk.lengths_s[call.id][future] * own_s, usual_s)
        return floor(seconds + Fraction(1, 2))

    def starts(
        self, leave_s: int, rest: int | None, future: int | None
    ) -> tuple[list[int], list[int], bool]:
        """Drive through a future; ``None``: all as planned.

        Parameters
        ----------
        leave_s : int
            When it sets off.
        rest : int or None
            Where the break is: 2 i before the i-th drive, 2 i + 1 after it.
        future : int or None
            Which.

        Returns
        -------
        tuple
            Arrivals with the break behind where it is there, and at home; starts; and
            whether the break begins inside its window.
        """
        meal = self.van.meal
        pace = 1000 if future is None else self.risk.pace_permille[future]
        now_s, arrivals, starts, in_time = leave_s, [], [], True
        for leg in range(len(self.stops) + 1):
            for turn in range(2):
                if meal is not None and rest == 2 * leg + turn:
                    in_time = now_s <= meal.window.end_s - meal.length_s
                    now_s = max(now_s, meal.window.start_s) + meal.length_s
                if turn == 0:
                    base_s = ceil(Fraction(self.base_s(leg) * pace, 1000))
                    now_s = arrive_s(self.travel.traffic, now_s, base_s)
            arrivals.append(now_s)
            if leg < len(self.stops):
                stop = self.stops[leg]
                opens = [low for low, high in self.hours(stop) if now_s <= high]
                now_s = max(now_s, *opens[:1], 0)
                starts.append(now_s)
                now_s += self.length_s(stop, future)
        return arrivals, starts, in_time

    def plan_s(self) -> tuple[int, int | None]:
        """Return when the van sets off, and at which place it has its break."""
        shift_s, meal = self.van.shift.start_s, self.van.meal
        rest: int | None = None
        if meal is not None:
            places = []
            for place in range(2 * len(self.stops) + 1):
                arrivals, _, in_time = self.starts(shift_s, place, None)
                if in_time:
                    places.append((arrivals[-1], -place))
            (*_, back_s), _, _ = self.starts(shift_s, None, None)
            if back_s <= meal.window.end_s - meal.length_s:
                places.append((back_s, -2 * len(self.stops) - 1))
            rest = -min(places)[1]
        if rest in (0, 1):
            return shift_s, rest
        (first_s, *_), _ = self.starts(shift_s, None, None)[1:]
        latest_s = depart_latest_s(self.travel.traffic, first_s, self.base_s(0))
        return max(shift_s, shift_s if latest_s is None else latest_s), rest

    def units(self) -> int:
        leave_s, rest = self.plan_s()
        late_s, futures = 0, len(self.risk.pace_permille)
        for future in range(futures):
            _, starts, _ = self.starts(leave_s, rest, future)
            for stop, start_s in zip(self.stops, starts, strict=True):
                over_s = self.late_s(stop, start_s, self.length_s(stop, future))
                late_s += over_s + self.risk.broken_s if over_s > 0 else 0
        return late_s * self.risk.hour_cents * UNITS_PER_SECOND // futures

    def late_s(self, stop: Stop, start_s: int, length_s: int) -> int:
        """Return how late a visit is; not positive: it is in time."""
        call = self.calls.get(stop.call_id)
        if call is None or call.kind == HELD:
            return 0
        if call.promise is not None:
            return start_s - call.promise.end_s
        lasts = [last_s for _, last_s in self.hours(stop)]
        if not call.windows or not lasts:
            return 0
        planned_s = self.day.planned_s(call, self.van)
        last_s = next((last for last in lasts if start_s <= last), lasts[-1])
        return start_s + length_s - int(last_s) - planned_s


# --- between the routes -------------------------------------------------------


def _stores(day: Day) -> dict[str | None, Store]:
    """Return the shop and the counters by id."""
    return {store.id: store for store in (*day.counters, day.shop)}


def _node_of(day: Day, store: Store) -> str:
    return "shop" if store.id == day.shop.id else f"store:{store.id}"


def _judge_late(plan: Plan, drives: Iterable[_Drive]) -> Iterator[Violation]:
    """Check that the calls listed as late are those that are."""
    late = Counter({call_id: 1 for drive in drives for call_id in drive.late})
    listed = Counter(entry.call_id for entry in plan.late)
    for call_id in sorted(late.keys() | listed.keys()):
        if listed[call_id] != late[call_id]:
            text = f"is listed as late {listed[call_id]} times, not {late[call_id]}"
            yield Violation(rule=Rule.PROMISE, text=text, call_id=call_id)


def _judge_links(day: Day, drives: Iterable[_Drive]) -> Iterator[Violation]:
    """Check that linked calls follow each other as they should."""
    served: dict[str, tuple[str, Window]] = {}
    for drive in drives:
        for call_id, span in drive.served.items():
            served.setdefault(call_id, (drive.van.id, span))
    for link in day.links:
        if link.then not in served:
            continue
        van_id, span = served[link.then]
        texts = []
        if link.first not in served:
            texts.append(f"is served, {link.first} is not and comes first")
        else:
            first_van_id, first_span = served[link.first]
            gap_s = span.start_s - first_span.end_s
            if gap_s < link.min_gap_s:
                texts.append(
                    f"starts {gap_s} s after {link.first}, "
                    f"{link.min_gap_s} is the least"
                )
            if link.max_gap_s is not None and gap_s > link.max_gap_s:
                texts.append(
                    f"starts {gap_s} s after {link.first}, {link.max_gap_s} is the most"
                )
            if link.same_van and van_id != first_van_id:
                texts.append(f"is not served by the van of {link.first}")
        for text in texts:
            yield Violation(rule=Rule.LINK, text=text, van_id=van_id, call_id=link.then)


def _judge_tools(day: Day, plan: Plan, drives: Iterable[_Drive]) -> Iterator[Violation]:
    """Check who may carry a shared tool, and that no more are out than there are."""
    out = {drive.van.id: drive for drive in reversed([*drives])}
    tools = {tool.id: tool for tool in day.tools}
    spans: dict[str, list[tuple[float, float]]] = {}
    carried = Counter((use.van_id, use.tool_id) for use in plan.tools)
    for (van_id, tool_id), times in carried.items():
        if times > 1:
            text = f"carries {tool_id} {times} times over"
            yield Violation(rule=Rule.TOOL, text=text, van_id=van_id)
    for use in plan.tools:
        tool, drive = tools.get(use.tool_id), out.get(use.van_id)
        if tool is None:
            texts = ["the day has no such tool to share"]
        elif drive is None:
            texts = ["is carried by a van that stays in"]
        else:
            texts = [*_tool_faults(day, use, tool, drive)]
            spans.setdefault(tool.id, []).append(_span_out(use, drive))
        for text in texts:
            yield Violation(
                rule=Rule.TOOL, text=f"{use.tool_id}: {text}", van_id=use.van_id
            )
    for tool_id, held in spans.items():
        for moment_s in sorted({since_s for since_s, _ in held}):
            at_once = sum(since_s <= moment_s < until_s for since_s, until_s in held)
            if at_once > tools[tool_id].quantity:
                since = "from the morning on" if moment_s == -inf else f"at {moment_s}"
                text = (
                    f"{tool_id}: {at_once} are out {since}, "
                    f"there are {tools[tool_id].quantity}"
                )
                yield Violation(rule=Rule.TOOL, text=text)


def _tool_faults(day: Day, use: ToolUse, tool: Tool, drive: _Drive) -> Iterator[str]:
    if use.tool_id in drive.van.equipment:
        yield "the van has its own"
    elif use.tool_id not in drive.useful:
        yield "no call needs it while it is aboard"
    if not drive.van.loads_at_shop:
        yield "the van does not load at the shop, where it lies"
    if use.collected or use.returned:
        if use.collected and use.returned:
            yield "is collected and returned at one stop"
        if not tool.handover:
            yield "stays with one van all day"
        if day.shop.restock_s is None or drive.at_shop is None:
            yield "changes hands at a restock stop at the shop, the van has none"


def _span_out(use: ToolUse, drive: _Drive) -> tuple[float, float]:
    """Return from when on a tool is out, and when it is back (out no more)."""
    since_s, until_s = -inf, float(drive.clock_s)
    if drive.at_shop is not None and use.collected:
        since_s = drive.at_shop.start_s
    if drive.at_shop is not None and use.returned:
        until_s = drive.at_shop.end_s
    return since_s, until_s


def _judge_errands(day: Day, plan: Plan) -> Iterator[Violation]:
    """Check that restock stops serve a purpose, and pieces are fetched in time."""
    errands = {
        (use.van_id, day.shop.id) for use in plan.tools if use.collected or use.returned
    } | {
        (issue.van_id, issue.store_id)
        for issue in plan.issues
        if issue.origin is Origin.RESTOCK
    }
    for route in plan.routes:
        at = Counter(
            stop.store_id for stop in route.stops if stop.kind is StopKind.RESTOCK
        )
        for store_id, times in at.items():
            texts = []
            if times > 1:
                texts.append(f"stops at {store_id} {times} times")
            if (route.van_id, store_id) not in errands:
                texts.append(f"stops at {store_id} for nothing")
            for text in texts:
                yield Violation(rule=Rule.RESTOCK, text=text, van_id=route.van_id)
    for issue in plan.issues:
        if (
            issue.origin is Origin.RESTOCK
            and issue.purpose is Purpose.CALL
            and issue.store_id not in _stops_before(plan, issue.van_id, issue.call_id)
        ):
            text = (
                f"{issue.quantity} x {issue.part_id} are fetched at {issue.store_id}, "
                "the van does not stop there before the call"
            )
            yield Violation(
                rule=Rule.RESTOCK,
                text=text,
                van_id=issue.van_id,
                call_id=issue.call_id,
            )


def _stops_before(plan: Plan, van_id: str, call_id: str | None) -> list[str]:
    """Return the stores where a van stops before a call; none if it never comes."""
    for route in plan.routes:
        stores: list[str] = []
        for stop in route.stops if route.van_id == van_id else ():
            if stop.kind is StopKind.CALL and stop.call_id == call_id:
                return stores
            if stop.kind is StopKind.RESTOCK and stop.store_id is not None:
                stores.append(stop.store_id)
    return []


# --- stock -------------------------------------------------------------------


class _Source(NamedTuple):
    """Where pieces lie: in a van, or in the shop or at a counter."""

    kind: str  # 'van' or 'store'
    id: str | None


class _Given(NamedTuple):
    """Pieces given out, and where they lay."""

    issue: Issue
    source: _Source


def _judge_stock(day: Day, plan: Plan) -> Iterator[Violation]:
    """Check that each need is met by one alternative."""
    served = {
        (route.van_id, stop.call_id)
        for route in plan.routes
        for stop in _visits(route.stops)
    }
    out = {route.van_id for route in plan.routes}
    for issue in plan.issues:
        texts = [
            *_piece_faults(day, issue),
            *_purpose_faults(issue),
            *_origin_faults(day, issue),
        ]
        if issue.van_id not in out:
            texts.append("is issued to a van that stays in")
        elif (
            issue.purpose is Purpose.CALL
            and (issue.van_id, issue.call_id) not in served
        ):
            texts.append("is issued for a call that its van does not serve")
        for text in texts:
            yield Violation(
                rule=Rule.STOCK,
                text=f"{issue.quantity} x {issue.part_id} {text}",
                van_id=issue.van_id,
                call_id=issue.call_id,
            )
    placed = {call_id for _, call_id in served}
    given: dict[str | None, list[Issue]] = {}
    for issue in plan.issues:
        if issue.purpose is not Purpose.SPARE:
            given.setdefault(issue.call_id, []).append(issue)
    for call in day.calls:
        if call.id in placed:
            yield from _judge_needs(day, call, given.get(call.id, ()))


def _piece_faults(day: Day, issue: Issue) -> Iterator[str]:
    part = day.parts.get(issue.part_id)
    if part is None:
        yield "is a part the day does not know"
    elif part.components:
        yield "is a kit: its components are issued, never the kit"
    if issue.quantity < 1:
        yield "is less than one piece"


def _purpose_faults(issue: Issue) -> Iterator[str]:
    if issue.purpose is not Purpose.SPARE:
        return
    if (issue.call_id, issue.need, issue.chosen) != (None, None, None):
        yield "is a spare and names a call, a need or a choice"
    if issue.origin not in (Origin.ABOARD, Origin.SHOP):
        yield "is a spare: none is handed over, and none fetched on the way"


def _origin_faults(day: Day, issue: Issue) -> Iterator[str]:
    """Yield what is wrong with where the piece is said to come from."""
    if issue.origin is Origin.VAN:
        if not day.exchange:
            yield "is handed over, the vans hand nothing over"
        elif issue.from_van not in _givers(day, issue.van_id):
            yield f"is handed over by {issue.from_van}, which starts elsewhere"
    elif issue.from_van is not None:
        yield f"is {issue.origin} and names a van that hands it over"
    if issue.origin is not Origin.RESTOCK and issue.store_id is not None:
        yield f"is {issue.origin} and names a store where it is fetched"


def _givers(day: Day, van_id: str) -> list[str]:
    """Return the other vans that start where this one does."""
    doors = {
        van.id: (van.start.lat_deg, van.start.lon_deg)
        for van in day.vans
        if van.start is not None
    }
    door = doors.pop(van_id, None)
    return [other for other, its_door in doors.items() if its_door == door]


def _judge_needs(day: Day, call: Call, issues: Iterable[Issue]) -> Iterator[Violation]:
    """Check that a placed call is issued exactly what its needs ask for."""
    lines: dict[int | None, list[Issue]] = {}
    for issue in issues:
        lines.setdefault(issue.need, []).append(issue)
    texts: list[str] = []
    for row, need in enumerate(call.needs):
        texts += _need_faults(day, need, lines.pop(row, []), f"need {row}")
    texts += [f"pieces are issued for need {row}: no such need" for row in lines]
    for text in texts:
        yield Violation(rule=Rule.STOCK, text=text, call_id=call.id)


def _need_faults(day: Day, need: Need, lines: list[Issue], words: str) -> Iterator[str]:
    chosen = {issue.chosen for issue in lines}
    if len(chosen) != 1:
        yield f"{words} is served by {len(chosen)} alternatives, not by one"
        return
    (choice,) = chosen
    if choice is None or choice not in need.alternatives:
        yield f"{words} is served by {choice}, not one of its alternatives"
        return
    wanted = _pieces(day, choice, need.quantity)
    given: dict[str, int] = {}
    for issue in lines:
        given[issue.part_id] = given.get(issue.part_id, 0) + issue.quantity
    for part_id in sorted(wanted.keys() | given.keys()):
        right, got = wanted.get(part_id, 0), given.get(part_id, 0)
        if right != got:
            yield f"{words} gets {got} x {part_id}, should be {right}"


def _pieces(day: Day, choice: str, quantity: int) -> dict[str, int]:
    """Return the pieces of so many of a part, or of a whole kit."""
    part = day.parts.get(choice)
    if part is None or not part.components:
        return {choice: quantity}
    pieces: dict[str, int] = {}
    for part_id, count in part.components:
        pieces[part_id] = pieces.get(part_id, 0) + quantity * count
    return pieces


def _source_of(day: Day, issue: Issue) -> _Source:
    if issue.origin is Origin.ABOARD:
        return _Source("van", issue.van_id)
    if issue.origin is Origin.VAN:
        return _Source("van", issue.from_van)
    if issue.origin is Origin.RESTOCK:
        return _Source("store", issue.store_id)
    return _Source("store", day.shop.id)


def _stocks(day: Day) -> dict[_Source, Mapping[str, int]]:
    """Return the day's pieces, wherever they lie."""
    stocks = {_Source("store", id_): store.stock for id_, store in _stores(day).items()}
    return stocks | {_Source("van", van.id): van.stock for van in day.vans}


def _judge_pieces(day: Day, given_out: Iterable[_Given]) -> Iterator[Violation]:
    """Check that nobody gives away more than lies there."""
    given: Counter[tuple[_Source, str]] = Counter()
    loading: set[str] = set()
    for issue, source in given_out:
        given[source, issue.part_id] += issue.quantity
        if issue.origin is Origin.SHOP:
            loading.add(issue.van_id)
    for van in day.vans:
        if van.id in loading and not van.loads_at_shop:
            text = "is given pieces from the shop and does not load there"
            yield Violation(rule=Rule.STOCK, text=text, van_id=van.id)
    stocks = _stocks(day)
    for (source, part_id), pieces in given.items():
        there = stocks.get(source, {}).get(part_id, 0)
        if pieces > there:
            text = (
                f"{pieces} x {part_id} are given from {source.kind} {source.id}, "
                f"{there} are there"
            )
            van_id = source.id if source.kind == "van" else None
            yield Violation(rule=Rule.STOCK, text=text, van_id=van_id)


# --- what the pieces cost -----------------------------------------------------


def _price_cents(day: Day, choice: str) -> int:
    """Return what one of a part costs, or all that is in one kit."""
    return sum(
        count * day.parts[part_id].unit_cost_cents
        for part_id, count in _pieces(day, choice, 1).items()
        if part_id in day.parts
    )


def _substitute_cents(day: Day, need: Need, choice: str) -> int:
    """Return how much dearer a choice is than what was wanted, for the whole need."""
    wanted, *_ = need.alternatives
    if choice == wanted:
        return 0
    dearer = _price_cents(day, choice) - _price_cents(day, wanted)
    return need.quantity * max(0, dearer)


def _surcharge_cents(day: Day, source: _Source, part_id: str) -> int:
    """Return how much dearer one piece is there than it usually is."""
    if source.kind == "van" or source.id == day.shop.id:
        return 0
    usual = _price_cents(day, part_id)
    return max(0, _stores(day)[source.id].prices.get(part_id, usual) - usual)


def _judge_prices(
    day: Day, plan: Plan, given_out: Iterable[_Given]
) -> Iterator[Violation]:
    """Check what the pieces cost beyond the wanted ones; the issues are in order."""
    calls = {call.id: call for call in day.calls}
    begun: set[tuple[str, int]] = set()
    routes: Counter[str] = Counter()
    for issue, source in given_out:
        right = issue.quantity * _surcharge_cents(day, source, issue.part_id)
        if issue.call_id is None or issue.need is None or issue.chosen is None:
            right = 0  # a spare costs no call anything
        elif (issue.call_id, issue.need) not in begun:
            begun.add((issue.call_id, issue.need))
            need = calls[issue.call_id].needs[issue.need]
            right += _substitute_cents(day, need, issue.chosen)
        routes[issue.van_id] += right
        if issue.extra_cents != right:
            text = (
                f"{issue.quantity} x {issue.part_id} cost {issue.extra_cents} cents "
                f"more than the wanted ones, should be {right}"
            )
            yield Violation(
                rule=Rule.COST, text=text, van_id=issue.van_id, call_id=issue.call_id
            )
    for route in plan.routes:
        units = routes[route.van_id] * UNITS_PER_CENT
        if route.parts_units != units:
            text = f"the cost of parts is {route.parts_units}, should be {units}"
            yield Violation(rule=Rule.COST, text=text, van_id=route.van_id)


def _judge_thrift(
    day: Day, plan: Plan, given_out: Iterable[_Given]
) -> Iterator[Violation]:
    """Check that nobody does without the wanted part, or fetches one, for nothing.

    The allocation published costs the least beyond the wanted parts; then it has the
    least total rank of alternatives, then the fewest pieces handed from van to van,
    then the fewest from stores, loaded or fetched. One need or one piece is looked at,
    at a time: whether a chain of exchanges would save more is not asked here. Spares
    give way.
    """
    lines: dict[tuple[str, str, int], list[_Given]] = {}
    for one in given_out:
        if one.issue.call_id is not None and one.issue.need is not None:
            key = (one.issue.van_id, one.issue.call_id, one.issue.need)
            lines.setdefault(key, []).append(one)
    calls = {call.id: call for call in day.calls}
    # All others have the wanted part, from as near as can be.
    doubtful = {
        key: some
        for key, some in lines.items()
        if any(
            issue.origin is not Origin.ABOARD
            or issue.chosen != calls[key[1]].needs[key[2]].alternatives[0]
            for issue, _ in some
        )
    }
    if not doubtful:
        return
    left = {source: dict(stock) for source, stock in _stocks(day).items()}
    for issue, source in chain.from_iterable(lines.values()):
        left[source][issue.part_id] -= issue.quantity
    for (van_id, call_id, row), some in doubtful.items():
        need = calls[call_id].needs[row]
        reach = {source: left[source] for source in _reach(day, plan, van_id, call_id)}
        for issue, source in some:  # what if it gave these back?
            left[source][issue.part_id] += issue.quantity
        text = _better_choice(day, need, some, reach)
        for issue, source in some:
            left[source][issue.part_id] -= issue.quantity
        texts = [f"need {row} {text}"] if text else []
        if not texts:  # the same pieces, but from nearer by
            texts = [text for one, _ in some if (text := _nearer(day, one, reach))]
        for text in texts:
            yield Violation(rule=Rule.STOCK, text=text, van_id=van_id, call_id=call_id)


def _reach(day: Day, plan: Plan, van_id: str, call_id: str) -> list[_Source]:
    """Return where a van may take pieces for a call, its own stock first."""
    van = next(van for van in day.vans if van.id == van_id)
    reach = [_Source("van", van_id)]
    if van.loads_at_shop:
        reach.append(_Source("store", day.shop.id))
    if day.exchange:
        reach += [_Source("van", giver) for giver in _givers(day, van_id)]
    reach += [_Source("store", store) for store in _stops_before(plan, van_id, call_id)]
    return list(dict.fromkeys(reach))


def _better_choice(
    day: Day,
    need: Need,
    given_out: Sequence[_Given],
    stocks: Mapping[_Source, Mapping[str, int]],
) -> str | None:
    """Say which choice would cost less, or as much and be wanted more, if any."""
    chosen = next(one.chosen for one, _ in given_out if one.chosen is not None)
    paid = _substitute_cents(day, need, chosen) + sum(
        issue.quantity * _surcharge_cents(day, source, issue.part_id)
        for issue, source in given_out
    )
    if paid == 0 and chosen == need.alternatives[0]:
        return None
    offers = [
        (extra, rank)
        for rank, choice in enumerate(need.alternatives)
        if (extra := _least_cents(day, need, choice, stocks)) is not None
    ]
    extra, rank = min(offers)  # what is issued is among them
    if (extra, rank) >= (paid, need.alternatives.index(chosen)):
        return None
    better = need.alternatives[rank]
    if extra < paid:
        return (
            f"is served by {chosen} for {paid} cents more than wanted, "
            f"{better} is there for {extra}"
        )
    return f"is served by {chosen}, {better} is there and wanted more"


def _least_cents(
    day: Day, need: Need, choice: str, stocks: Mapping[_Source, Mapping[str, int]]
) -> int | None:
    """Return the least that a choice costs beyond the wanted; ``None``: too few."""
    wanted_of = _pieces(day, choice, need.quantity)
    for part_id, wanted in wanted_of.items():
        if sum(max(0, stock.get(part_id, 0)) for stock in stocks.values()) < wanted:
            return None
    cents = _substitute_cents(day, need, choice)
    for part_id, wanted in wanted_of.items():
        prices = [
            _surcharge_cents(day, source, part_id)
            for source, stock in stocks.items()
            for _ in range(min(wanted, stock.get(part_id, 0)))
        ]
        cents += sum(sorted(prices)[:wanted])
    return cents


def _nearer(
    day: Day, issue: Issue, stocks: Mapping[_Source, Mapping[str, int]]
) -> str | None:
    """Say where a piece lies that need not be fetched or handed over, if anywhere."""
    words = {
        Origin.SHOP: "comes from the shop",
        Origin.RESTOCK: f"is fetched at {issue.store_id}",
        Origin.VAN: f"is handed over by {issue.from_van}",
    }
    if issue.origin is Origin.ABOARD:
        return None
    own, *others = stocks
    if stocks[own].get(issue.part_id, 0) > 0:
        return f"{issue.part_id} {words[issue.origin]}, there is one left aboard"
    for source in others:
        if (
            issue.origin is Origin.VAN
            and source.kind == "store"
            and stocks[source].get(issue.part_id, 0) > 0
            and _surcharge_cents(day, source, issue.part_id) == 0
        ):
            return (
                f"{issue.part_id} {words[issue.origin]}, "
                f"there is one left at {source.id}"
            )
    return None


# --- status ------------------------------------------------------------------


def _judge_status(plan: Plan) -> Iterator[Violation]:
    """Check that what is claimed about the plan's quality fits its cost."""
    bound_units, cost_units = plan.status.bound_units, plan.cost_units
    text = None
    if bound_units is not None and bound_units > cost_units:
        text = f"the bound is {bound_units}, above the cost of {cost_units}"
    elif plan.status.proof is Proof.PROVED_BEST and bound_units != cost_units:
        text = f"called proved best at {cost_units} with a bound of {bound_units}"
    elif plan.status.proof is Proof.BOUNDED and bound_units is None:
        text = "called bounded without a bound"
    if text is not None:
        yield Violation(rule=Rule.COST, text=text)
