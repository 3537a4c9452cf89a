"""Plan several days at once: the first one firm, the others a look ahead.

All dates are laid end to end into one long day, in seconds from the first midnight as
they pass: a van has a row for each date, takes from one stock on all of them, and a
call has a way to be done for each date on which it may be. The solver plans that day
as any other; its routes are then cut into one plan per date, each judged on its own
day and all of them together.

What the dates have in common, all own choices:

- A call goes to the date on which it costs least, a day's delay being reckoned as
  ``DELAY_CENTS`` by its priority. That price only decides; no plan's cost holds it.
- Pieces are promised once over all dates. A date's own day shows what is not kept for
  the calls of other dates; spares are not used up and start from there every morning.
- Tomorrow counts on nothing that is not in hand tonight. A later date may count on
  what is ordered tonight and there, after its lead time, before the van leaves from
  where the shop is. Only what the firm is short of is ordered, and it is among the
  purchases of the first day.
- A promise pins its call to one date, and was given: where calls cannot all fit, those
  with a promise are placed first, by priority, then the others, by priority.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from math import gcd
from typing import NamedTuple

from dispatch.answer import answer
from dispatch.explain import explain
from dispatch.partition import Column
from dispatch.planner import Asked, Written, finish, lend_tools, status_of, write_out
from dispatch.problem import CALL, Ints, Stretch, build_problem
from dispatch.rules import Violation, judge, judge_outlook
from dispatch.solver import Budget, solve
from dispatch.stock import choose, leave_over, part_ids, part_name, pieces, price_cents
from dispatch.travel import TravelTable, travel_table
from dispatch.travel.profile import covered
from shared.errors import Defect
from shared.model import (
    Break,
    Call,
    Day,
    Issue,
    Need,
    Origin,
    Outlook,
    Part,
    Plan,
    Proof,
    Purchase,
    Purpose,
    Reason,
    Route,
    Rule,
    Status,
    Stop,
    Store,
    Traffic,
    Unplaced,
    Van,
    Window,
)
from shared.units import UNITS_PER_CENT, DayClock

__all__ = ["DELAY_CENTS", "plan_days", "standing_days"]

DELAY_CENTS = {1: 4000, 2: 1000, 3: 300, 4: 100}
"""What a call's delay by a day is reckoned as, by its priority; own choice."""

UNPROMISED = 10  # more than any priority
PLENTY = 1_000_000  # pieces of an order
TWO_DAYS_S = 2 * 24 * 3600


def plan_days(day: Day, budget: Budget | None = None) -> Outlook:
    """Plan the days of a horizon.

    Parameters
    ----------
    day : Day
        The first day, with all calls, vans and stock; ``horizon`` says how many days.
    budget : Budget, optional
        How long to search, and whom to tell.

    Returns
    -------
    Outlook
        Judged. The first day, and each later one on which a van goes out. The same
        day, seed and rounds give the same one.

    Raises
    ------
    InvalidInput
        When the travel table lacks something.
    Defect
        When the judge refuses a plan.
    """
    budget = budget or Budget()
    travel = travel_table(day)
    long = _Long(day, travel)
    problem = build_problem(long.day, long.travel, long.stretch)

    def rest_cost(columns: Sequence[Column]) -> int | None:
        dated = long.write_out(columns, problem.given)
        return None if dated is None else sum(d.written.parts_units for d in dated)

    outcome = solve(problem, budget, rest_cost)
    dated = long.write_out(outcome.columns, outcome.visits)
    if dated is None:
        raise Defect("the search kept routes, parts or tools that do not work")
    unplaced = _explain(long, dated)
    answers = []
    for one in dated:
        if one.number and not one.written.routes:
            continue
        part = long.part(dated, one.number)
        drives = travel._replace(traffic=part.travel.traffic)
        units = sum(route.cost_units for route in one.written.routes)
        status = status_of(replace(outcome, bound=None), budget, units)
        plan = finish(part, drives, one.written._replace(status=status), budget)
        if one.number == 0 and unplaced:
            part = long.part(dated, 0, [each.call_id for each in unplaced])
            plan = _with_unplaced(part, plan, unplaced)
            _demand(judge(part, drives, plan))
        answers.append(answer(part, plan))
    bought = (*long.purchases(dated), *answers[0].purchases)
    answers[0] = replace(answers[0], purchases=_sorted(bought))
    outlook = Outlook(answers=tuple(answers))
    _demand(judge_outlook(day, outlook))
    return outlook


def standing_days(day: Day, outlook: Outlook) -> tuple[tuple[Day, Plan], ...]:
    """Return every date of the horizon with its plan.

    Parameters
    ----------
    day : Day
        The first day, with all calls, vans and stock.
    outlook : Outlook
        Its plans.

    Returns
    -------
    tuple of (Day, Plan)
        A date on which nobody goes out has an empty plan, and the stock that the other
        dates leave.
    """
    planned = {answer.day.date: (answer.day, answer.plan) for answer in outlook.answers}
    taken = [issue for _, plan in planned.values() for issue in plan.issues]
    long = _Long(day, travel_table(day))
    empty = Plan(
        routes=(), issues=(), unplaced=(), status=Status(proof=Proof.BEST_FOUND)
    )
    found = []
    for number in range(day.horizon):
        date = day.date + timedelta(days=number)
        if date in planned:
            found.append(planned[date])
            continue
        # Pieces that are ordered for another date were never in stock.
        bare = long.cut(number, frozenset(), taken)
        found.append((_without_debts(bare), empty))
    return tuple(found)


def _without_debts(day: Day) -> Day:
    def there(stock: Mapping[str, int]) -> dict[str, int]:
        return {part_id: max(0, pieces) for part_id, pieces in stock.items()}

    return replace(
        day,
        shop=replace(day.shop, stock=there(day.shop.stock)),
        counters=tuple(replace(one, stock=there(one.stock)) for one in day.counters),
        vans=tuple(replace(van, stock=there(van.stock)) for van in day.vans),
    )


def _demand(violations: Sequence[Violation]) -> None:
    """Demand that a judge has found nothing."""
    if violations:
        raise Defect(
            "keyround's own judge refuses the plan:\n"
            + "\n".join(str(violation) for violation in violations)
        )


def _with_unplaced(day: Day, plan: Plan, unplaced: tuple[Unplaced, ...]) -> Plan:
    """Return the first day's plan with the calls that no day has room for."""
    status = plan.status
    if not _by_priority(day, unplaced):
        status = replace(status, proof=Proof.BEST_FOUND, bound_units=None)
    return replace(plan, unplaced=unplaced, status=status)


def _by_priority(day: Day, unplaced: Sequence[Unplaced]) -> bool:
    """Return whether no promise on a day stands before a call as urgent left out.

    If one does, a plan by priority alone could be better than the best of these.
    """
    ids = {entry.call_id for entry in unplaced}
    out = [c.priority for c in day.calls if c.id in ids and c.promise is None]
    kept = [c.priority for c in day.calls if c.id not in ids and c.promise is not None]
    return not out or not kept or max(kept) < min(out)


def _sorted(purchases: Iterable[Purchase]) -> tuple[Purchase, ...]:
    """Sort purchases as one day's are: for calls, in time, longest lead first."""
    timely = (True, None, False)
    return tuple(
        sorted(
            purchases,
            key=lambda p: (
                p.purpose is Purpose.SPARE,
                timely.index(p.in_time),
                -(p.lead_time_s or 0),
                p.part_id,
                p.where,
            ),
        )
    )


# --- clock times of later dates ------------------------------------------------


def _later_s(day: Day, time_s: int, number: int) -> int:
    """Return the same clock time so many dates later, from the first midnight."""
    if number == 0:
        return time_s
    wall = day.clock.instant(time_s) + timedelta(days=number)
    return round((wall - day.clock.midnight()).total_seconds())


def _begin_s(day: Day, number: int) -> int:
    """Return a date's midnight, seconds from the first one."""
    then = DayClock(day.date + timedelta(days=number), day.zone).midnight()
    return round((then - day.clock.midnight()).total_seconds())


def _span(day: Day, span: Window, number: int, begin_s: int = 0) -> Window:
    """Return a span of the clock on a later date, counted from ``begin_s``."""
    return Window(
        start_s=_later_s(day, span.start_s, number) - begin_s,
        end_s=_later_s(day, span.end_s, number) - begin_s,
    )


def _call_on(day: Day, call: Call, number: int, begin_s: int = 0) -> Call:
    promise, wish = call.promise, call.preference
    return replace(
        call,
        windows=tuple(_span(day, span, number, begin_s) for span in call.windows),
        promise=promise and _span(day, promise, number, begin_s),
        preference=wish and _span(day, wish, number, begin_s),
    )


def _van_on(day: Day, van: Van, number: int, begin_s: int = 0) -> Van:
    meal = van.meal
    return replace(
        van,
        shift=_span(day, van.shift, number, begin_s),
        meal=meal
        and Break(
            window=_span(day, meal.window, number, begin_s), length_s=meal.length_s
        ),
    )


def _numbers(day: Day, call: Call) -> list[int]:
    """Return the dates on which a call may be done, counted from the first."""
    if call.dates:
        numbers = [(each - day.date).days for each in call.dates]
        return sorted(each for each in numbers if 0 <= each < day.horizon)
    return [0] if call.promise is not None else list(range(day.horizon))


def _long_traffic(day: Day) -> Traffic:
    """Return the first day's traffic over all dates and one more, by the clock."""
    traffic = day.travel.traffic
    if len(set(traffic.speed_permille)) == 1:
        return traffic
    slot_s = traffic.slot_s
    for number in range(day.horizon + 1):  # the hour that is skipped or comes twice
        slot_s = gcd(slot_s, _begin_s(day, number + 1) - _begin_s(day, number))
    first_s = _begin_s(day, 1)
    speeds = []
    for time_s in range(0, _begin_s(day, day.horizon + 1), slot_s):
        as_s = time_s
        if time_s >= first_s:
            local = day.clock.instant(time_s)
            wall = datetime.combine(day.date, local.time(), tzinfo=day.zone)
            as_s = round((wall.astimezone(UTC) - day.clock.midnight()).total_seconds())
        speeds.append(covered(traffic, as_s + 1) - covered(traffic, as_s))
    return Traffic(slot_s=slot_s, speed_permille=tuple(speeds), source=traffic.source)


def _cut(traffic: Traffic, begin_s: int) -> Traffic:
    """Return the traffic of the two days that begin then."""
    first = begin_s // traffic.slot_s
    if len(traffic.speed_permille) == 1:
        return traffic
    speeds = traffic.speed_permille[first : first + TWO_DAYS_S // traffic.slot_s]
    return replace(traffic, speed_permille=speeds)


# --- what is ordered tonight -----------------------------------------------------


class _Orders:
    """Parts the firm is short of, under a name of their own where they are ordered."""

    def __init__(self, day: Day) -> None:
        self.day = day
        there = leave_over(day).total()
        wanted: Counter[str] = Counter()
        for need in (need for call in day.calls for need in call.needs):
            most: Counter[str] = Counter()
            for choice in need.alternatives:
                most |= Counter(pieces(day, choice, need.quantity))
            wanted += most
        self.hand_s = {
            part_id: day.planned_at_s + part.lead_time_s
            for part_id, part in day.parts.items()
            if not part.components
            and part.lead_time_s is not None
            and wanted[part_id] > there[part_id]
        }
        self.real: dict[str, str] = {}
        self.parts: dict[str, Part] = {}
        for part_id, part in day.parts.items():
            if self.hand_s.keys() & pieces(day, part_id).keys():
                name = f"{part_id} ordered"  # no id of a folder has a space
                self.real[name] = part_id
                self.parts[name] = replace(
                    part,
                    id=name,
                    components=tuple(
                        (self.name(piece), count) for piece, count in part.components
                    ),
                )
        self.names = {part_id: name for name, part_id in self.real.items()}

    def name(self, part_id: str) -> str:
        """Return the name of a piece in a kit that is ordered as far as it can be."""
        return f"{part_id} ordered" if part_id in self.hand_s else part_id

    def there(self, van: Van, number: int) -> set[str]:
        """Return what is in hand when a van leaves, by the name of the order."""
        if number == 0 or not van.loads_at_shop:
            return set()
        return {
            self.name(part_id)
            for part_id, hand_s in self.hand_s.items()
            if hand_s <= van.shift.start_s
        }

    def extend(self, call: Call, there: set[str] | None = None) -> Call:
        """Let a call be served from orders as well: all, or what is there."""
        return replace(
            call,
            needs=tuple(
                Need(
                    alternatives=(
                        *need.alternatives,
                        *(
                            name
                            for choice in need.alternatives
                            if (name := self.names.get(choice)) is not None
                            and (there is None or self.pieces(name) <= there)
                        ),
                    ),
                    quantity=need.quantity,
                )
                for need in call.needs
            ),
        )

    def pieces(self, name: str) -> set[str]:
        """Return what has to be ordered of a part or kit, by the name of the order."""
        part = self.parts[name]
        return {piece for piece, _ in part.components or ((name, 1),)} & set(self.real)


# --- the long day ------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shift:
    """A van on one date."""

    van: Van
    number: int


class _Long:
    """All dates as one day, and the way back."""

    def __init__(self, day: Day, travel: TravelTable) -> None:
        self.first = day
        self.begins = [_begin_s(day, number) for number in range(day.horizon)]
        self.traffic = _long_traffic(day)
        self.orders = _Orders(day)
        self.calls = {call.id: call for call in day.calls}
        self.shifts = {
            self._name(van, number): _Shift(van=van, number=number)
            for number in range(day.horizon)
            for van in day.vans
        }
        self.holders = {
            name: self._name(shift.van, 0) for name, shift in self.shifts.items()
        }
        self.day = self._lay_end_to_end()
        self.drives = travel
        self.travel = self._name_doors(travel)
        self.stretch = self._stretch()

    def _name(self, van: Van, number: int) -> str:
        return f"{van.id}@{number}"

    def _lay_end_to_end(self) -> Day:
        day = self.first
        vans = []
        for name, shift in self.shifts.items():
            date = day.date + timedelta(days=shift.number)
            van = replace(
                _van_on(day, shift.van, shift.number),
                id=name,
                stock=shift.van.stock if shift.number == 0 else {},
                off=frozenset({day.date} if date in shift.van.off else ()),
            )
            vans.append(van)
        return replace(
            day,
            horizon=1,
            calls=tuple(
                replace(self.orders.extend(call), dates=()) for call in day.calls
            ),
            vans=tuple(vans),
            parts={**day.parts, **self.orders.parts},
        )

    def _name_doors(self, travel: TravelTable) -> TravelTable:
        keys = {
            key: row
            for key, row in travel.keys.items()
            if not key.startswith(("start:", "finish:"))
        }
        for name, shift in self.shifts.items():
            for end in ("start", "finish"):
                row = travel.keys.get(f"{end}:{shift.van.id}")
                if row is not None:
                    keys[f"{end}:{name}"] = row
        return travel._replace(keys=keys, traffic=self.traffic)

    def _stretch(self) -> Stretch:
        day = self.first
        rows = {van.id: row for row, van in enumerate(self.day.vans)}
        there = [
            self.orders.there(van, self.shifts[van.id].number) for van in self.day.vans
        ]
        return Stretch(
            numbers=[shift.number for shift in self.shifts.values()],
            crews=[rows[self.holders[van.id]] for van in self.day.vans],
            versions=[
                {number: self.version(call, number) for number in _numbers(day, call)}
                for call in day.calls
            ],
            ranks=[
                call.priority + (0 if call.promise is not None else UNPROMISED)
                for call in day.calls
            ],
            delays=[
                DELAY_CENTS.get(call.priority, 0) * UNITS_PER_CENT for call in day.calls
            ],
            ordered={
                self.orders.name(part_id): [
                    self.orders.name(part_id) in some for some in there
                ]
                for part_id in self.orders.hand_s
            },
            openings={
                store.id: [
                    _span(day, store.opening, number) for number in range(day.horizon)
                ]
                for store in (day.shop, *day.counters)
                if store.opening is not None
            },
        )

    def version(self, call: Call, number: int) -> Call:
        """Return a call as it is on one date, in seconds from the first midnight."""
        van_id = call.required_van
        return replace(
            _call_on(self.first, call, number),
            dates=(),
            required_van=None if van_id is None else f"{van_id}@{number}",
        )

    def write_out(
        self, columns: Sequence[Column], visits: Ints
    ) -> list["_Dated"] | None:
        """Write routes out, date by date; ``None`` if a rule is broken."""
        settled = self._settle(columns, visits)
        asked = Asked(settled, self.travel, settled, crews=self.holders)
        found = write_out(asked, columns, visits)
        if found is None:
            return None
        issues = self._from_stock(found.issues)
        dated = []
        for number, begin_s in enumerate(self.begins):
            own = [one for one in issues if one.number == number]
            routes = tuple(
                _count_from(begin_s, route, self.shifts[route.van_id].van.id)
                for route in found.routes
                if self.shifts[route.van_id].number == number
            )
            tools = lend_tools(self.first, routes)
            if tools is None:
                return None
            dated.append(
                _Dated(
                    number=number,
                    written=Written(routes, tuple(one.issue for one in own), tools),
                    ordered=tuple(one.issue for one in own if one.ordered),
                    held=tuple(one.issue for one in own if not one.ordered),
                )
            )
        return dated

    def _settle(self, columns: Sequence[Column], visits: Ints) -> Day:
        """Return the long day with each call as it is on the date it is given."""
        calls = list(self.day.calls)
        for column in columns:
            van = self.day.vans[column.van]
            number = self.shifts[van.id].number
            there = self.orders.there(van, number)
            for row in visits[list(column.visits), CALL].tolist():
                if row < len(calls):
                    call = self.version(self.first.calls[row], number)
                    calls[row] = self.orders.extend(call, there)
        shop = self.day.shop
        ordered = {self.orders.name(part_id): PLENTY for part_id in self.orders.hand_s}
        return replace(
            self.day,
            calls=tuple(calls),
            shop=replace(shop, stock={**shop.stock, **ordered}),
        )

    def _from_stock(self, issues: Iterable[Issue]) -> list["_Given"]:
        """Return issues with the names of the first day, nothing ordered needlessly.

        A kit is ordered with all that the firm is short of; what is left over of that
        in its own van or in the shop is taken first.
        """
        given = [self._real(issue) for issue in issues]
        left = leave_over(self.first, [one.issue for one in given if not one.ordered])
        found = []
        for one in given:
            if not one.ordered:
                found.append(one)
                continue
            issue, short = one.issue, one.issue.quantity
            for origin, pot in (
                (Origin.ABOARD, left.vans[issue.van_id]),
                (Origin.SHOP, left.shop),
                (issue.origin, Counter({issue.part_id: short})),
            ):
                count = min(short, pot[issue.part_id])
                if count <= 0:
                    continue
                pot[issue.part_id] -= count
                short -= count
                piece = replace(
                    issue,
                    quantity=count,
                    origin=origin,
                    store_id=issue.store_id if origin is issue.origin else None,
                    extra_cents=issue.extra_cents
                    if short + count == issue.quantity
                    else 0,
                )
                is_new = pot is not left.shop and origin is not Origin.ABOARD
                found.append(_Given(one.number, piece, is_new))
        return found

    def _real(self, issue: Issue) -> "_Given":
        """Return an issue with the names of the first day."""
        real, giver = self.orders.real, issue.from_van
        shift = self.shifts[issue.van_id]
        return _Given(
            shift.number,
            replace(
                issue,
                van_id=shift.van.id,
                from_van=None if giver is None else self.shifts[giver].van.id,
                part_id=real.get(issue.part_id, issue.part_id),
                chosen=issue.chosen and real.get(issue.chosen, issue.chosen),
            ),
            issue.part_id in real,
        )

    def part(
        self, dated: Sequence["_Dated"], number: int, left_out: Sequence[str] = ()
    ) -> Day:
        """Return the day of one date: the first one has what is left out as well.

        Its stock is without the pieces that calls of other dates get, and with those
        that were ordered for its own.
        """
        own = dated[number]
        ids = {call_id for route in own.written.routes for call_id in route.call_ids}
        taken = [issue for one in dated if one is not own for issue in one.held]
        return self.cut(number, ids.union(left_out), taken, own.ordered)

    def cut(
        self,
        number: int,
        ids: AbstractSet[str],
        taken: Sequence[Issue] = (),
        ordered: Sequence[Issue] = (),
    ) -> Day:
        """Return one date with some calls, without pieces taken, with those ordered."""
        day, begin_s = self.first, self.begins[number]
        left = leave_over(day, taken)
        for issue in ordered:
            left.shop[issue.part_id] += issue.quantity

        def hours(store: Store, stock: Mapping[str, int]) -> Store:
            span = store.opening
            return replace(
                store,
                opening=span and _span(day, span, number, begin_s),
                stock=dict(stock),
            )

        return replace(
            day,
            date=day.date + timedelta(days=number),
            horizon=day.horizon - number,
            planned_at_s=day.planned_at_s - begin_s,
            shop=hours(day.shop, left.shop),
            counters=tuple(hours(one, left.counters[one.id]) for one in day.counters),
            calls=tuple(
                _call_on(day, call, number, begin_s)
                for call in day.calls
                if call.id in ids
            ),
            vans=tuple(
                replace(
                    _van_on(day, van, number, begin_s), stock=dict(left.vans[van.id])
                )
                for van in day.vans
            ),
            links=tuple(link for link in day.links if {link.first, link.then} <= ids),
            travel=replace(day.travel, traffic=_cut(self.traffic, begin_s)),
            notices=day.notices if number == 0 else (),
        )

    def purchases(self, dated: Sequence["_Dated"]) -> tuple[Purchase, ...]:
        """Return what is ordered tonight for calls that are planned."""
        wanted: Counter[str] = Counter()
        users: dict[str, dict[str, None]] = {}
        for issue in (issue for one in dated for issue in one.ordered):
            wanted[issue.part_id] += issue.quantity
            if issue.call_id is not None:
                users.setdefault(issue.part_id, {})[issue.call_id] = None
        return tuple(
            Purchase(
                part_id=part_id,
                name=part_name(self.first, part_id),
                quantity=count,
                cost_cents=count * price_cents(self.first, part_id),
                lead_time_s=self.first.parts[part_id].lead_time_s,
                in_time=True,
                call_ids=tuple(users.get(part_id, ())),
            )
            for part_id, count in wanted.items()
        )


class _Given(NamedTuple):
    """Pieces given out on one date, and whether they are ordered tonight."""

    number: int
    issue: Issue
    ordered: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Dated:
    """The routes of one date, and which of their pieces are ordered or held."""

    number: int
    written: Written
    ordered: tuple[Issue, ...]
    held: tuple[Issue, ...]


def _count_from(begin_s: int, route: Route, van_id: str) -> Route:
    """Return a route of the long day as its van's own, counted from its midnight."""

    def cut(stop: Stop) -> Stop:
        by_s = stop.leave_by_s
        return replace(
            stop,
            arrive_s=stop.arrive_s - begin_s,
            start_s=stop.start_s - begin_s,
            finish_s=stop.finish_s - begin_s,
            leave_by_s=None if by_s is None else by_s - begin_s,
        )

    return replace(
        route,
        van_id=van_id,
        stops=tuple(cut(stop) for stop in route.stops),
        leave_s=route.leave_s - begin_s,
        finish_s=route.finish_s - begin_s,
    )


# --- why not ----------------------------------------------------------------------


def _explain(long: _Long, dated: Sequence[_Dated]) -> tuple[Unplaced, ...]:
    """Say of every call on no date why, for each date on which it might be."""
    day = long.first
    at = {
        stop.call_id: (one.number, stop)
        for one in dated
        for route in one.written.routes
        for stop in route.stops
        if stop.call_id is not None
    }
    left_out = [call for call in day.calls if call.id not in at]
    reasons: dict[str, list[Reason]] = {call.id: [] for call in left_out}
    for one in dated:
        asking = {
            call.id for call in left_out if one.number in (_numbers(day, call) or [0])
        }
        if not asking:
            continue
        routes = one.written.routes
        placed = {call_id for route in routes for call_id in route.call_ids}
        taken = [issue for other in dated if other is not one for issue in other.held]
        part = long.cut(one.number, placed | asking, taken, one.ordered)
        held = {call.id: _held_back(long, call, one.number, at) for call in left_out}
        drives = long.drives._replace(traffic=part.travel.traffic)
        plan = Plan(
            routes=routes,
            issues=one.written.issues,
            unplaced=(),
            status=one.written.status,
            tools=one.written.tools,
        )
        for entry in explain(part, drives, plan).unplaced:
            call = long.calls[entry.call_id]
            found = held[call.id] or _kept_for(day, call, entry.reasons, taken)
            reasons[call.id] += [
                replace(reason, text=f"on {part.date}: {reason.text}")
                for reason in found
            ]
    return tuple(
        Unplaced(call_id=call.id, reasons=tuple(reasons[call.id])) for call in left_out
    )


def _kept_for(
    day: Day, call: Call, reasons: Iterable[Reason], taken: Sequence[Issue]
) -> tuple[Reason, ...]:
    """Return reasons that say so where the parts are there, but for other dates."""
    asked = part_ids(day, (call,))
    users = {issue.call_id: issue.part_id for issue in taken if issue.part_id in asked}
    if not users or choose(day, call.needs, leave_over(day).total()) is None:
        return tuple(reasons)
    names = ", ".join(dict.fromkeys(users.values()))
    text = (
        f"what is left of {names} is kept for calls on other dates: "
        f"{', '.join(str(call_id) for call_id in users)}"
    )
    return tuple(
        replace(reason, text=text) if reason.rule is Rule.STOCK else reason
        for reason in reasons
    )


def _held_back(
    long: _Long, call: Call, number: int, at: Mapping[str, tuple[int, Stop]]
) -> tuple[Reason, ...]:
    """Return why a call cannot be on a date because of those that come before it."""
    day = long.first
    found = []
    for link in day.links:
        if link.then != call.id:
            continue
        if link.first not in at:
            text = f"call {link.first} comes first, and it is not planned"
        elif at[link.first][0] > number:
            later = day.date + timedelta(days=at[link.first][0])
            text = f"call {link.first} comes first, and it is planned on {later}"
        else:
            continue
        found.append(Reason(rule=Rule.LINK, text=text))
    return tuple(found)
