"""The best plan of a small day, found by looking at every plan there is.

What is enumerated:

- who serves which calls, or that nobody does;
- per van every order of its calls, with every restock stop before every one of them
  (each store once at most, followed by a call; the shop only for a van that does not
  load there in the morning, as it could load the same pieces then);
- per visit every *mode*: promise kept or late by so many steps, preference met or not
  (see :mod:`tests.oracle.slow_schedule`); per route every place for the break;
- per need every alternative, and every way to take its pieces from aboard, the shop,
  other vans and restock stops. Every stop has to have a part in the best of these
  ways: none is made in order to wait there.

Where calls hang together, all vans' orders are driven together, in all their
variants; otherwise each van's are driven once, and its sets of calls are put together.
Nothing is left out but what cannot turn right any more: a route that is late stays
late when steps are added at its end (driving never runs backwards), and of two ways
to be done with the same steps the later and dearer one is dropped, where the van has
no limits. Costs are taken to be zero or more, as rates are.

Shared tools stay with one van all day here: a day on which they change hands is
refused. Bearable are 7 calls and 3 vans; with restock stops 5 and 2; with links 4 or
5 and 2.

Shares no code with the search or the judge.
"""

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from dispatch.travel import TravelTable
from shared.model import Call, Day, Risk, Van
from tests.oracle.slow_parts import Parts, Served
from tests.oracle.slow_risk import risk_units
from tests.oracle.slow_schedule import (
    Mode,
    Price,
    Rest,
    breaks_limit,
    drive_and_time_units,
    end_nodes,
    leg_of,
    modes_of,
    rest_s,
    set_off,
    start_in,
    stop_start_s,
    store_of,
    time_together,
    walk_s,
)

UNITS_PER_CENT = 18_000


class Best(NamedTuple):
    """A best plan, without its times.

    Parameters
    ----------
    goal : tuple of int
        Unplaced calls of priority 1, 2, 3 and 4; broken promises of priority 1, 2, 3
        and 4; cost units.
    routes : tuple of (str, tuple of str)
        Van id and steps in order, vans that go out only: call ids, and ``shop`` or
        ``store:<id>`` for a restock stop.
    """

    goal: tuple[int, ...]
    routes: tuple[tuple[str, tuple[str, ...]], ...]


class Tour(NamedTuple):
    """The cheapest way in which one van serves some calls, stopping for some parts."""

    price: Price
    steps: tuple[str, ...]


class Order(NamedTuple):
    """The cheapest order in which one van serves one set of calls."""

    cost_units: int
    order: tuple[int, ...]


Steps = tuple[str, ...]
Tours = dict[Served, Tour]
NOBODY: Served = ()


def best_plan_goal(
    day: Day, travel: TravelTable, risk: Risk | None = None
) -> tuple[int, ...]:
    """Return the goal no plan beats: unplaced, broken by priority 1 to 4, cost."""
    return best_plan(day, travel, risk).goal


def best_plan(day: Day, travel: TravelTable, risk: Risk | None = None) -> Best:
    """Return a best plan of a small day; its cost with the lateness to be expected."""
    if risk is not None and day.links:
        raise ValueError("the risk of linked calls is not priced here")
    if day.shop.restock_s is not None and any(tool.handover for tool in day.tools):
        raise ValueError("tools that change hands are not enumerated here")
    parts = Parts(day)
    best: Best | None = None
    fewest = 0  # of plans that are as good, one with the fewest steps is taken
    for goal, steps_all, orders in _choices(day, travel, risk):
        if best is not None and (goal, steps_all) >= (best.goal, fewest):
            break
        beat = None if best is None else Price(best.goal[4:8], best.goal[-1] + 1)
        found = _whole_goal(day, travel, parts, goal, orders, beat)
        if found is None:
            continue
        if best is None or (found, steps_all) < (best.goal, fewest):
            routes = tuple(
                (van.id, tuple(step.removeprefix("call:") for step in steps))
                for van, steps in zip(day.vans, orders, strict=True)
                if steps
            )
            best, fewest = Best(found, routes), steps_all
    if best is None:
        raise AssertionError("unreachable: nobody needs to go out")
    return best


def _whole_goal(
    day: Day,
    travel: TravelTable,
    parts: Parts,
    goal: tuple[int, ...],
    orders: tuple[Steps, ...],
    beat: Price | None,
) -> tuple[int, ...] | None:
    """Return the goal with links kept and parts paid.

    ``None``: it cannot be, or it does not cost less than what there is to beat.
    """
    served = tuple(served_of(steps) for steps in orders)
    extra_cents = parts.least_cents(served) if _tools_suffice(day, served) else None
    if extra_cents is None:
        return None
    if day.links:
        out = [
            (van, steps) for van, steps in zip(day.vans, orders, strict=True) if steps
        ]
        timed = time_together(day, travel, out, beat)
        if timed is None:
            return None
        goal = _goal_of(day, served, [one.price for one in timed])
    return (*goal[:-1], goal[-1] + UNITS_PER_CENT * extra_cents)


def _choices(
    day: Day, travel: TravelTable, risk: Risk | None
) -> list[tuple[tuple[int, ...], int, tuple[Steps, ...]]]:
    """Return what all vans may do, by goal and number of steps.

    Parts are not counted in it, and links not kept.
    """
    if day.links:
        tours = [every_tour_of(day, travel, van) for van in day.vans]
    else:
        tours = [
            list(cheapest_tours(day, travel, van, risk).items()) for van in day.vans
        ]
    return sorted(
        (
            _goal_of(
                day,
                [served for served, _ in chosen],
                [tour.price for _, tour in chosen],
            ),
            sum(len(tour.steps) for _, tour in chosen),
            tuple(tour.steps for _, tour in chosen),
        )
        for chosen in _shares(tours)
    )


def _shares(
    tours: list[list[tuple[Served, Tour]]],
) -> Iterator[tuple[tuple[Served, Tour], ...]]:
    """Return every way to choose a tour for each van, no call on two of them."""
    chosen: list[tuple[tuple[Served, Tour], ...]] = [()]
    for mine in tours:
        chosen = [
            (*others, one)
            for others in chosen
            for one in mine
            if _apart(others, one[0])
        ]
    yield from chosen


def _apart(others: tuple[tuple[Served, Tour], ...], served: Served) -> bool:
    calls = {call_id for call_id, _ in served}
    return not any(call_id in calls for other, _ in others for call_id, _ in other)


def _goal_of(
    day: Day, served: list[Served] | tuple[Served, ...], prices: list[Price]
) -> tuple[int, ...]:
    placed = {call_id for one in served for call_id, _ in one}
    left = [0, 0, 0, 0]
    for call in day.calls:
        if call.id not in placed:
            left[call.priority - 1] += 1
    total = Price()
    for price in prices:
        total = total.plus(price)
    return (*left, *total.broken, total.units)


def served_of(steps: Steps) -> Served:
    """Return each call with the restock stops before it, by call."""
    stops: list[str] = []
    served = []
    for step in steps:
        if step.startswith("call:"):
            served.append((step.removeprefix("call:"), tuple(sorted(stops))))
        else:
            stops.append(step)
    return tuple(sorted(served))


# --- who may do what ------------------------------------------------------------


def may_serve(van: Van, call: Call, tools: frozenset[str] = frozenset()) -> bool:
    """Return whether van and driver are fit for a call, time and stock aside."""
    lent = tools if van.loads_at_shop else frozenset[str]()
    return (
        call.skills <= van.skills
        and call.equipment <= van.equipment | lent
        and call.required_van in (None, van.id)
    )


def tools_wanted(day: Day, van: Van, served: Served) -> list[str]:
    """Return the shared tools that a van must carry for these calls."""
    calls = {call.id: call for call in day.calls}
    wanted = {word for call_id, _ in served for word in calls[call_id].equipment}
    return sorted(wanted - van.equipment)


def _tools_suffice(day: Day, served: tuple[Served, ...]) -> bool:
    out = [
        tool_id
        for van, mine in zip(day.vans, served, strict=True)
        for tool_id in tools_wanted(day, van, mine)
    ]
    return all(out.count(tool.id) <= tool.quantity for tool in day.tools)


# --- one van -------------------------------------------------------------------


def tours_of(day: Day, travel: TravelTable, van: Van) -> dict[int, Order]:
    """Return the cheapest order for each set of calls, without restock stops.

    Sets are written as bits: bit i is the day's call i.
    """
    rows = {f"call:{call.id}": row for row, call in enumerate(day.calls)}
    orders = {}
    for tour in cheapest_tours(day, travel, van).values():
        if all(step in rows for step in tour.steps):
            order = tuple(rows[step] for step in tour.steps)
            orders[sum(1 << row for row in order)] = Order(tour.price.units, order)
    return orders


def cheapest_tours(
    day: Day, travel: TravelTable, van: Van, risk: Risk | None = None
) -> Tours:
    """Return the cheapest tour for all that the van can serve in time."""
    rounds = Rounds(day, travel, van)
    rounds.drive_all()
    tours: Tours = {NOBODY: Tour(Price(), ())}  # who stays in costs nothing
    for steps, price in rounds.prices.items():
        if risk is not None:
            units = risk_units(day, travel, van, steps, risk)
            price = price.plus(Price(units=units))  # noqa: PLW2901
        served = served_of(steps)
        if served not in tours or price < tours[served].price:
            tours[served] = Tour(price, steps)
    return tours


def every_tour_of(day: Day, travel: TravelTable, van: Van) -> list[tuple[Served, Tour]]:
    """Return every order of steps that the van can drive, links and limits aside."""
    rounds = Rounds(day, travel, van, limited=False)
    rounds.drive_all()
    tours = [
        (served_of(steps), Tour(price, steps)) for steps, price in rounds.prices.items()
    ]
    return [(NOBODY, Tour(Price(), ())), *tours]


class Label(NamedTuple):
    """One way to be done with some steps."""

    price: Price  # of promises and preferences
    free_s: int
    fed: bool  # the break is behind it
    leave_s: int  # the last two matter for limits alone
    driven_s: int


class Rounds:
    """Every order of every set of steps, driven by one van.

    Parameters
    ----------
    day, travel, van : Day, TravelTable, Van
        The question, its drives, and whose orders.
    limited : bool
        Whether its limits of driving and work bind.
    """

    def __init__(
        self, day: Day, travel: TravelTable, van: Van, *, limited: bool = True
    ) -> None:
        self.day = day
        self.travel = travel
        self.van = van
        self.limit_s = van.shift.end_s + van.overtime_limit_s
        self.limited = limited and (van.drive_limit_s, van.work_limit_s) != (None, None)
        tools = frozenset(tool.id for tool in day.tools)
        mine = [call for call in day.calls if may_serve(van, call, tools)]
        self.modes: Mapping[str, list[Mode]] = {
            f"call:{call.id}": modes_of(day, van, call) for call in mine
        }
        self.length_s = {f"call:{call.id}": day.planned_s(call, van) for call in mine}
        self.steps = [*self.modes, *stores_for(day, van)]
        self.start, self.home = end_nodes(van)
        self.prices: dict[Steps, Price] = {}
        self._ends_s: dict[tuple[int, int], int] = {}

    def drive_all(self) -> None:
        """Note the cheapest price of every row of steps that works out."""
        shift_s = self.van.shift.start_s
        self._go_on((), [Label(Price(), shift_s, False, shift_s, 0)], 0)  # noqa: FBT003

    def _go_on(self, steps: Steps, labels: list[Label], driven_m: int) -> None:
        here = steps[-1] if steps else self.start
        for step in self.steps:
            if step in steps:
                continue
            base_s, leg_m = leg_of(self.travel, here, step)
            done = [
                after
                for label in labels
                for after in self._add(steps, label, step, base_s)
            ]
            done = self._best_of(done)
            if done:
                if step in self.modes:
                    self._come_home((*steps, step), done, driven_m + leg_m)
                self._go_on((*steps, step), done, driven_m + leg_m)

    def _best_of(self, labels: list[Label]) -> list[Label]:
        """Drop what is later and dearer, where nothing else matters."""
        if self.limited:
            return list(dict.fromkeys(labels))
        kept: list[Label] = []
        for fed in (False, True):
            soonest_s: int | None = None
            for label in sorted(label for label in labels if label.fed == fed):
                if soonest_s is None or label.free_s < soonest_s:
                    kept.append(label)
                    soonest_s = label.free_s
        return kept

    def _add(
        self, steps: Steps, label: Label, step: str, base_s: int
    ) -> Iterator[Label]:
        """Yield all ways to go on with one more step."""
        for rest, there_s, driven_s in self._drive(label, base_s):
            for price, start_s, done_s in self._serve(step, there_s):
                if done_s > self.limit_s:
                    continue
                leave_s, all_s = label.leave_s, label.driven_s + driven_s
                if not steps:
                    leave_s, _, all_s = set_off(
                        self.travel.traffic, self.van, base_s, start_s, rest
                    )
                yield Label(
                    label.price.plus(price),
                    done_s,
                    label.fed or rest is not None,
                    leave_s,
                    all_s,
                )

    def _drive(
        self, label: Label, base_s: int
    ) -> Iterator[tuple[Rest | None, int, int]]:
        """Yield the arrivals: without a break, with one before or after the drive."""
        there_s = self._end(base_s, label.free_s)
        yield None, there_s, there_s - label.free_s
        if label.fed or self.van.meal is None:
            return
        start_s = rest_s(self.van.meal, label.free_s)
        if start_s is not None:
            fed_s = start_s + self.van.meal.length_s
            fed_there_s = self._end(base_s, fed_s)
            yield Rest(0, at_street=False), fed_there_s, fed_there_s - fed_s
        start_s = rest_s(self.van.meal, there_s)
        if start_s is not None:
            fed_s = start_s + self.van.meal.length_s
            yield Rest(0, at_street=True), fed_s, there_s - label.free_s

    def _serve(self, step: str, there_s: int) -> Iterator[tuple[Price, int, int]]:
        """Yield price, start and end of all ways to take a step."""
        store = store_of(self.day, step)
        if store is not None:
            start_s = stop_start_s(store, there_s)
            if start_s is not None:
                yield Price(), start_s, start_s + (store.restock_s or 0)
            return
        for mode in self.modes[step]:
            start_s = start_in(mode, there_s)
            if start_s is not None:
                yield mode.price, start_s, start_s + self.length_s[step]

    def _come_home(self, steps: Steps, labels: list[Label], driven_m: int) -> None:
        base_s, leg_m = leg_of(self.travel, steps[-1], self.home)
        for label in labels:
            for rest, back_s, driven_s in self._drive(label, base_s):
                fed = label.fed or rest is not None
                if back_s > self.limit_s or not (fed or self._needs_no_rest(back_s)):
                    continue
                if self.limited and breaks_limit(
                    self.van,
                    label.driven_s + driven_s,
                    back_s - label.leave_s,
                    rested=fed,
                ):
                    continue
                units = drive_and_time_units(self.van, back_s, driven_m + leg_m)
                price = label.price.plus(Price(units=units))
                self.prices[steps] = min(price, self.prices.get(steps, price))

    def _end(self, base_s: int, depart_s: int) -> int:
        if (base_s, depart_s) not in self._ends_s:
            arrive_s = walk_s(self.travel.traffic, depart_s, base_s)
            self._ends_s[base_s, depart_s] = arrive_s
        return self._ends_s[base_s, depart_s]

    def _needs_no_rest(self, back_s: int) -> bool:
        """Return whether the break can wait until the van is back."""
        return self.van.meal is None or rest_s(self.van.meal, back_s) is not None


def stores_for(day: Day, van: Van) -> list[str]:
    """Return the steps at which a van may fetch parts that somebody needs."""
    wanted = {
        part_id
        for call in day.calls
        for need in call.needs
        for choice in need.alternatives
        for part_id in (choice, *_components(day, choice))
    }
    stores = [(f"store:{store.id}", store) for store in day.counters]
    if not van.loads_at_shop:
        stores.append(("shop", day.shop))
    return [
        step
        for step, store in stores
        if store.restock_s is not None
        and any(pieces and part_id in wanted for part_id, pieces in store.stock.items())
    ]


def _components(day: Day, choice: str) -> list[str]:
    part = day.parts.get(choice)
    return [] if part is None else [part_id for part_id, _ in part.components]


# --- sets of calls ----------------------------------------------------------------


class Stock:
    """Whether the parts suffice for sets of calls, written as bits.

    Parameters
    ----------
    day : Day
        The question.
    """

    def __init__(self, day: Day) -> None:
        self.day = day
        self.parts = Parts(day)

    def suffices(self, sets: tuple[int, ...]) -> bool:
        """Return whether all vans can serve their sets at once, without stops."""
        served = tuple(
            tuple(
                sorted(
                    (call.id, ())
                    for row, call in enumerate(self.day.calls)
                    if mask >> row & 1
                )
            )
            for mask in sets
        )
        return self.parts.least_cents(served) is not None
