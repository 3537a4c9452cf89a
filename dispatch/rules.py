"""The judge: says whether a plan is allowed and costs what it claims.

Slow and meant to be read. It trusts nothing that can be derived. Of a route it
takes only the decisions: who goes where in which order, when the van sets off, when
each visit and the break start, and which piece of stock serves which need. From
these it runs its own clock through the day and compares every other figure with it;
so one wrong figure is one finding, and does not colour what comes after.

It knows nothing of the search, and the search knows nothing of it: that they agree
is worth something only for that reason.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from itertools import takewhile
from operator import ne

from dispatch.travel import TravelTable
from dispatch.travel.profile import arrive_s
from shared.model import (
    Break,
    Call,
    Day,
    Issue,
    Need,
    Origin,
    Place,
    Plan,
    Proof,
    Purpose,
    Route,
    Rule,
    Stop,
    StopKind,
    Van,
)
from shared.units import UNITS_PER_METRE, UNITS_PER_SECOND

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
    found = [*_judge_cover(day, plan)]
    for route in plan.routes:
        if route.van_id in vans:
            found += _Drive(day, travel, vans[route.van_id], route).judge()
    found += _judge_stock(day, plan)
    if not any(one.rule in (Rule.COVER, Rule.STOCK) for one in found):
        found += _judge_thrift(day, plan)
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
        Calls that are on no route of priority 1, 2, 3 and 4, then cost units.
    """
    placed = {call_id for route in plan.routes for call_id in route.call_ids}
    left = Counter(call.priority for call in day.calls if call.id not in placed)
    return (*(left[priority] for priority in PRIORITIES), plan.cost_units)


# --- every call once -------------------------------------------------------


def _judge_cover(day: Day, plan: Plan) -> Iterator[Violation]:
    """Check that each call is on one route, or unplaced with a reason."""
    yield from _judge_vans(day, plan)
    yield from _judge_stops(day, plan)
    yield from _judge_unplaced(day, plan)
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
    return [stop for stop in stops if stop.kind is not StopKind.BREAK]


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
    """Check that every stop but a break is for a call of the day."""
    known = {call.id for call in day.calls}
    for route in plan.routes:
        for stop in route.stops:
            text = None
            if stop.kind is StopKind.BREAK:
                if stop.call_id is not None:
                    text = "a break serves no call"
            elif stop.call_id not in known:
                text = "the day has no such call"
            if text is not None:
                yield Violation(
                    rule=Rule.COVER,
                    text=text,
                    van_id=route.van_id,
                    call_id=stop.call_id,
                )


def _judge_unplaced(day: Day, plan: Plan) -> Iterator[Violation]:
    """Check that what is unplaced is a call of the day and has a reason."""
    calls = {call.id for call in day.calls}
    vans = {van.id for van in day.vans}
    for unplaced in plan.unplaced:
        texts = []
        if unplaced.call_id not in calls:
            texts.append("the day has no such call")
        if not unplaced.reasons:
            texts.append("is unplaced without a reason")
        texts += [
            f"a reason names van {reason.van_id}: the day has no such van"
            for reason in unplaced.reasons
            if reason.van_id is not None and reason.van_id not in vans
        ]
        for text in texts:
            yield Violation(rule=Rule.COVER, text=text, call_id=unplaced.call_id)


# --- one route --------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Spot:
    """Where a van is: a node of the travel table, or anywhere (no node)."""

    node: str | None
    place: Place | None


class _Drive:
    """One van's day driven again, with our own clock.

    ``here`` is ``None`` once the route names a call that the day does not have:
    from there the stated figures are taken until the van is at a known place.
    """

    def __init__(self, day: Day, travel: TravelTable, van: Van, route: Route) -> None:
        self.day = day
        self.travel = travel
        self.van = van
        self.route = route
        self.calls: dict[str | None, Call] = {call.id: call for call in day.calls}
        self.here: _Spot | None = _Spot(
            None if van.start is None else f"start:{van.id}", van.start
        )
        self.clock_s = route.leave_s
        self.driven_m = 0

    def judge(self) -> Iterator[Violation]:
        """Return everything that is wrong with the route."""
        if self.route.leave_s < self.van.shift.start_s:
            text = f"leaves at {self.route.leave_s}, {self._shift_words()}"
            yield self._wrong(Rule.SHIFT, text)
        for position, stop in enumerate(self.route.stops):
            if stop.kind is StopKind.BREAK:
                yield from self._judge_break(position, stop)
            else:
                yield from self._judge_visit(stop)
        yield from self._judge_return()
        yield from self._judge_meal()
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
    ) -> Iterator[Violation]:
        if stated != right:
            call_id = None if stop is None else stop.call_id
            yield self._wrong(rule, f"{words} is {stated}, should be {right}", call_id)

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
        call = self.calls.get(stop.call_id)
        return None if call is None else _Spot(f"call:{call.id}", call.place)

    def _finish_spot(self) -> _Spot:
        finish = self.van.finish
        return _Spot(None if finish is None else f"finish:{self.van.id}", finish)

    def _arrive(self, stop: Stop, spot: _Spot | None) -> Iterator[Violation]:
        """Drive to a stop and wait for its start."""
        leg = self._leg(spot)
        if leg is None:
            self.driven_m += stop.drive_m
            arrived_s = stop.arrive_s
        else:
            metres, seconds = leg
            self.driven_m += metres
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
        length_s = self.day.planned_s(call)
        self.clock_s += length_s
        yield from self._differs(
            Rule.TIMING, "the finish", stop.finish_s, self.clock_s, stop
        )
        if stop.place != call.place:
            yield self._wrong(Rule.TRAVEL, "is not where the call is", call.id)
        yield from self._judge_van(call)
        yield from self._judge_start(stop, call, length_s)

    def _judge_van(self, call: Call) -> Iterator[Violation]:
        """Check that the driver knows how, the van carries it, and it may go."""
        for rule, lacking in (
            (Rule.SKILL, call.skills - self.van.skills),
            (Rule.EQUIPMENT, call.equipment - self.van.equipment),
        ):
            if lacking:
                yield self._wrong(rule, f"lacks {', '.join(sorted(lacking))}", call.id)
        if call.required_van is not None and call.required_van != self.van.id:
            text = f"only van {call.required_van} may go"
            yield self._wrong(Rule.REQUIRED_VAN, text, call.id)

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
        if call.promise is not None:
            latest_s.append(call.promise.end_s)
            if not call.promise.start_s <= start_s <= call.promise.end_s:
                kept = False
                yield self._wrong(Rule.PROMISE, f"starts at {start_s}", call.id)
        ready_s = self.day.ready_s(call)
        if ready_s is not None and start_s < ready_s:
            text = f"starts at {start_s}, ready at {ready_s}"
            yield self._wrong(Rule.READY, text, call.id)
        if kept:  # a broken window or promise leaves no slack to speak of
            slack_s = min(latest_s) - start_s if latest_s else None
            yield from self._differs(
                Rule.TIMING, "the slack", stop.slack_s, slack_s, stop
            )

    def _judge_break(self, position: int, stop: Stop) -> Iterator[Violation]:
        """Check that the break is whole, in its window, here or where it goes next."""
        ahead = _visits(self.route.stops[position + 1 :])
        there = self._spot_of(ahead[0]) if ahead else self._finish_spot()

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
            self.clock_s += self.route.last_drive_s
        else:
            metres, seconds = leg
            self.driven_m += metres
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

    def _judge_cost(self) -> Iterator[Violation]:
        rates, shift = self.van.rates, self.van.shift
        paid_s = self.clock_s - shift.start_s
        over_s = max(0, self.clock_s - shift.end_s)
        drive_units = self.driven_m * rates.km_cents * UNITS_PER_METRE
        time_units = paid_s * rates.hour_cents * UNITS_PER_SECOND
        over_units = over_s * rates.overtime_hour_cents * UNITS_PER_SECOND
        for words, stated, right in (
            ("overtime", self.route.overtime_s, over_s),
            ("the cost of driving", self.route.drive_units, drive_units),
            ("the cost of time", self.route.time_units, time_units),
            ("the cost of overtime", self.route.overtime_units, over_units),
        ):
            yield from self._differs(Rule.COST, words, stated, right)


def _meal_words(meal: Break) -> str:
    window = meal.window
    return f"it takes {meal.length_s} between {window.start_s} and {window.end_s}"


# --- stock -------------------------------------------------------------------


def _judge_stock(day: Day, plan: Plan) -> Iterator[Violation]:
    """Check that each need is met by one alternative, and no piece given twice."""
    served = {
        (route.van_id, stop.call_id)
        for route in plan.routes
        for stop in _visits(route.stops)
    }
    out = {route.van_id for route in plan.routes}
    for issue in plan.issues:
        texts = [*_piece_faults(day, issue), *_purpose_faults(issue)]
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
    for call in day.calls:
        if call.id in placed:
            yield from _judge_needs(day, plan, call)
    yield from _judge_pieces(day, plan)


def _piece_faults(day: Day, issue: Issue) -> Iterator[str]:
    part = day.parts.get(issue.part_id)
    if part is None:
        yield "is a part the day does not know"
    elif part.components:
        yield "is a kit: its components are issued, never the kit"
    if issue.quantity < 1:
        yield "is less than one piece"


def _purpose_faults(issue: Issue) -> Iterator[str]:
    named = (issue.call_id, issue.need, issue.chosen)
    if issue.purpose is Purpose.SPARE and named != (None, None, None):
        yield "is a spare and names a call, a need or a choice"


def _judge_needs(day: Day, plan: Plan, call: Call) -> Iterator[Violation]:
    """Check that a placed call is issued exactly what its needs ask for."""
    lines: dict[int | None, list[Issue]] = {}
    for issue in plan.issues:
        if issue.purpose is not Purpose.SPARE and issue.call_id == call.id:
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
    given: Counter[str] = Counter()
    for issue in lines:
        given[issue.part_id] += issue.quantity
    for part_id in sorted(wanted.keys() | given.keys()):
        if wanted[part_id] != given[part_id]:
            yield (
                f"{words} gets {given[part_id]} x {part_id}, "
                f"should be {wanted[part_id]}"
            )


def _pieces(day: Day, choice: str, quantity: int) -> Counter[str]:
    """Return the pieces of so many of a part, or of a whole kit."""
    part = day.parts.get(choice)
    pieces: Counter[str] = Counter()
    for part_id, count in (part.components if part else ()) or ((choice, 1),):
        pieces[part_id] += quantity * count
    return pieces


def _judge_pieces(day: Day, plan: Plan) -> Iterator[Violation]:
    """Check that no more is given away than lies in a van or in the shop."""
    aboard: Counter[tuple[str, str]] = Counter()
    loaded: Counter[str] = Counter()
    loading: set[str] = set()
    for issue in plan.issues:
        if issue.origin is Origin.ABOARD:
            aboard[issue.van_id, issue.part_id] += issue.quantity
        else:
            loaded[issue.part_id] += issue.quantity
            loading.add(issue.van_id)
    for van in day.vans:
        if van.id in loading and not van.loads_at_shop:
            text = "is given pieces from the shop and does not load there"
            yield Violation(rule=Rule.STOCK, text=text, van_id=van.id)
    stocks: dict[str, Mapping[str, int]] = {van.id: van.stock for van in day.vans}
    for (van_id, part_id), given in aboard.items():
        there = stocks.get(van_id, {}).get(part_id, 0)
        if given > there:
            text = f"{given} x {part_id} are given from aboard, {there} are there"
            yield Violation(rule=Rule.STOCK, text=text, van_id=van_id)
    for part_id, given in loaded.items():
        there = day.shop.stock.get(part_id, 0)
        if given > there:
            text = f"{given} x {part_id} are given from the shop, {there} are there"
            yield Violation(rule=Rule.STOCK, text=text)


def _judge_thrift(day: Day, plan: Plan) -> Iterator[Violation]:
    """Check that nobody does without the wanted part, or empties the shop, for nothing.

    The allocation published has the least total rank of alternatives, then the
    fewest pieces from the shop. One need or one piece is looked at, at a time:
    whether a chain of exchanges would save more is not asked here. Spares give way.
    """
    lines: dict[tuple[str, str, int], list[Issue]] = {}
    aboard = {van.id: Counter(van.stock) for van in day.vans}
    shop = Counter(day.shop.stock)
    for issue in plan.issues:
        if issue.call_id is not None and issue.need is not None:
            key = (issue.van_id, issue.call_id, issue.need)
            lines.setdefault(key, []).append(issue)
            there = aboard[issue.van_id] if issue.origin is Origin.ABOARD else shop
            there[issue.part_id] -= issue.quantity
    vans = {van.id: van for van in day.vans}
    calls = {call.id: call for call in day.calls}
    for (van_id, call_id, row), issues in lines.items():
        need = calls[call_id].needs[row]
        reach = Counter(aboard[van_id])
        if vans[van_id].loads_at_shop:
            reach.update(shop)
        for issue in issues:  # it would give these back
            reach[issue.part_id] += issue.quantity
        chosen = issues[0].chosen
        texts = [
            f"need {row} is served by {chosen}, {wanted} is there and wanted more"
            for wanted in takewhile(partial(ne, chosen), need.alternatives)
            if _pieces(day, wanted, need.quantity) <= reach
        ]
        texts += [
            f"{issue.part_id} comes from the shop, there is one left aboard"
            for issue in issues
            if issue.origin is Origin.SHOP and aboard[van_id][issue.part_id] > 0
        ]
        for text in texts:
            yield Violation(rule=Rule.STOCK, text=text, van_id=van_id, call_id=call_id)


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
