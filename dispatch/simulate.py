"""Live through invented days, under several ways to answer what happens.

A *world* is a day with all that nobody knows in the evening: which urgent calls come
in and when, how long each visit really takes, how slow each drive really is. A
*policy* sees of it what a dispatcher would see, as facts; the world lives on.

How dynamic a day is, is told by the measures of Larsen, Madsen and Solomon (2002),
Partially dynamic vehicle routing - models and algorithms, Journal of the Operational
Research Society 53(6):637-646 (from memory): the share of calls that come in during
the day, and the same weighed by how little time each leaves to react.
"""

import heapq
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from statistics import NormalDist
from typing import NamedTuple

import numpy as np

from dispatch.desk import is_able
from dispatch.generator import generate_day
from dispatch.planner import Budget, Written, finish, plan_day, write_standing
from dispatch.problem import start_windows
from dispatch.reshuffle import reshuffle
from dispatch.rest import Rest, in_force, rest_of
from dispatch.state import complete, replay
from dispatch.timetable import Task, lay_out_best
from dispatch.travel import TravelTable, travel_table
from dispatch.travel.profile import arrive_s
from shared.facts import Fact, FactKind
from shared.model import Call, Day, Plan, Stop, StopKind, Store, Van, Window
from shared.units import UNITS_PER_METRE, UNITS_PER_SECOND

URGENT_KINDS = ("lockout_vehicle", "lockout_house", "lockout_business")
PATIENCE_S = 7200  # an urgent customer is promised a start within so long; own choice
TRAFFIC_SPREAD = 0.15  # standard deviation of the logarithm of a drive's slowness; own
NEWS_S = 300  # a visit that ends so much off is news; own choice
SPARE_S = 600  # drivers set off so much before they have to; own choice
PLENTY, RESTOCK_S, OVERTIME_S = 50, 600, 5400  # of each part, a stop, a day; own choice
FIRST_CALL_S, LAST_CALL_S = 8 * 3600, 15 * 3600  # when urgent calls come in; own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """A day with all that nobody knows in the evening.

    Parameters
    ----------
    day : Day
        With the calls that are known in the evening.
    urgent : tuple of Call
        Those that come in during the day, in that order; each is promised a start
        within ``PATIENCE_S``.
    booked_s : mapping of str to int
        When each of them comes in.
    lengths_s : mapping of str to int
        How long each visit really takes a driver of usual pace.
    slowness : mapping of str to float
        By what factor the drive to each call really differs from the expected one.
    wages_units : int
        Cost units that all drivers are paid for their shifts, whatever they do; their
        vans' rates know kilometres and overtime only.
    """

    day: Day
    urgent: tuple[Call, ...]
    booked_s: Mapping[str, int]
    lengths_s: Mapping[str, int]
    slowness: Mapping[str, float]
    wages_units: int

    @property
    def calls(self) -> tuple[Call, ...]:
        """All calls.

        Returns
        -------
        tuple of Call
            Those known in the evening, then the urgent ones.
        """
        return (*self.day.calls, *self.urgent)

    @property
    def dynamism(self) -> float:
        """The degree of dynamism.

        Returns
        -------
        float
            0 to 1: calls that come in during the day, as a share of all.
        """
        return len(self.urgent) / max(1, len(self.calls))

    @property
    def reaction(self) -> float:
        """The effective degree of dynamism with time windows.

        Returns
        -------
        float
            0 to 1: the mean over all calls of one less the time there is to react
            (from coming in to the end of the promise, or of the day), as a share of
            the day; 0 for calls that were known before.
        """
        end_s = max(van.shift.end_s for van in self.day.vans)
        start_s = min(van.shift.start_s for van in self.day.vans)
        shares = [
            1 - (_end_s(call, end_s) - self.booked_s[call.id]) / (end_s - start_s)
            for call in self.urgent
        ]
        return sum(map(_unit, shares)) / max(1, len(self.calls))


def _end_s(call: Call, end_s: int) -> int:
    return end_s if call.promise is None else min(end_s, call.promise.end_s)


def _unit(share: float) -> float:
    return min(1.0, max(0.0, share))


def invent_world(seed: int, calls: int, vans: int, urgent: float) -> World:
    """Invent a world.

    Parameters
    ----------
    seed : int
        Same seed and sizes, same world.
    calls, vans : int
        How many calls in all, and how many vans.
    urgent : float
        0 to 1: the share of calls that come in during the day.

    Returns
    -------
    World
        Nearly everything could be served, were it known before. Parts are plenty, in
        the shop, where every van may stop.
    """
    dice = np.random.default_rng([seed, calls, vans, round(1000 * urgent)])
    whole = generate_day(seed, calls, vans, tightness=0.5, ease=1.0, clock_change=False)
    plenty = {part.id: PLENTY for part in whole.parts.values() if not part.components}
    wages_units = sum(
        (van.shift.end_s - van.shift.start_s) * van.rates.hour_cents * UNITS_PER_SECOND
        for van in whole.vans
    )
    whole = replace(
        whole,
        promises_may_break=True,
        shop=replace(whole.shop, stock=plenty, restock_s=RESTOCK_S),
        vans=tuple(_on_wages(van) for van in whole.vans),
    )
    quick = [call for call in whole.calls if call.kind in URGENT_KINDS]
    others = [call for call in whole.calls if call.kind not in URGENT_KINDS]
    pressing = (quick + others)[: round(urgent * calls)]
    first_s = max(FIRST_CALL_S, min(van.shift.start_s for van in whole.vans))
    last_s = min(LAST_CALL_S, max(van.shift.end_s for van in whole.vans) - PATIENCE_S)
    times = np.sort(dice.integers(first_s, max(first_s, last_s) + 1, len(pressing)))
    come = tuple(
        _as_urgent(call, int(time_s))
        for call, time_s in zip(pressing, times, strict=True)
    )
    gone = {call.id for call in come}
    day = replace(
        whole, calls=tuple(call for call in whole.calls if call.id not in gone)
    )
    every = (*day.calls, *come)
    return World(
        day=day,
        urgent=come,
        booked_s={call.id: int(at) for call, at in zip(come, times, strict=True)},
        lengths_s={call.id: _draw_length_s(dice, call) for call in every},
        slowness={
            call.id: float(np.exp(dice.normal(0, TRAFFIC_SPREAD))) for call in every
        },
        wages_units=wages_units,
    )


def _on_wages(van: Van) -> Van:
    """Return a van whose driver is paid for the shift: only overtime costs more."""
    rates = van.rates
    over_cents = rates.hour_cents + rates.overtime_hour_cents
    return replace(
        van,
        overtime_limit_s=max(van.overtime_limit_s, OVERTIME_S),
        rates=replace(rates, hour_cents=0, overtime_hour_cents=over_cents),
    )


def _as_urgent(call: Call, booked_s: int) -> Call:
    return replace(
        call,
        priority=1,
        windows=(),
        preference=None,
        ready=(),
        required_van=None,
        promise=Window(start_s=booked_s, end_s=booked_s + PATIENCE_S),
    )


def _draw_length_s(dice: np.random.Generator, call: Call) -> int:
    """Draw from the lognormal distribution with the call's median and p90."""
    spread = math.log(max(1.0, call.p90_s / call.median_s)) / NormalDist().inv_cdf(0.9)
    return max(60, round(call.median_s * math.exp(dice.normal(0, spread))))


# --- living through it ------------------------------------------------------------

Policy = Callable[[Rest], Plan]
"""Answers what has happened with a plan of the rest of the day."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How a day ended.

    Parameters
    ----------
    cost_units : int
        Cost units of kilometres and overtime; wages come on top whatever happens.
    broken : int
        Calls with a promise that began after it, or not at all.
    unserved : int
        Calls that nobody came to.
    changed : int
        How often a customer's arrival moved by more than the day's tolerance from what
        was told last; each time somebody has to ring.
    changed_by_calls : int
        Those of them that an urgent call was the reason of.
    response_s : tuple of int
        Of each urgent call that was served: from coming in to the start of the visit.
    """

    cost_units: int
    broken: int
    unserved: int
    changed: int = 0
    changed_by_calls: int = 0
    response_s: tuple[int, ...] = ()


def live(world: World, plan: Plan, policy: Policy) -> Outcome:
    """Live through a world's day.

    Parameters
    ----------
    world : World
        What really happens.
    plan : Plan
        The evening's plan of ``world.day``.
    policy : callable
        Asked for a plan of the rest whenever an urgent call comes in, or a visit ends
        ``NEWS_S`` earlier or later than it was expected to.

    Returns
    -------
    Outcome
        Each customer is told the planned start in the evening, and each new one.
    """
    return _Day(world, plan, policy).live()


def foresee(world: World, budget: Budget) -> Outcome:
    """Return how the day would end had everything been known before.

    Parameters
    ----------
    world : World
        What really happens.
    budget : Budget
        How long to search.

    Returns
    -------
    Outcome
        Of the best plan found; urgent calls are served after they have come in.
    """
    lengths = world.lengths_s
    calls = tuple(
        replace(call, median_s=lengths[call.id], p90_s=lengths[call.id])
        for call in world.calls
    )
    day = replace(world.day, calls=calls)
    plan = plan_day(day, budget, _true_travel(world))
    starts = {s.call_id: s.start_s for route in plan.routes for s in route.stops}
    return Outcome(
        cost_units=sum(
            route.drive_units + route.overtime_units for route in plan.routes
        ),
        broken=_broken(world, starts),
        unserved=len(plan.unplaced),
        response_s=_responses(world, starts),
    )


def _true_travel(world: World) -> TravelTable:
    """Return drives as they really are, to each call."""
    table = travel_table(replace(world.day, calls=world.calls))
    base_s = table.base_s.copy()
    for call_id, slowness in world.slowness.items():
        column = table.keys[f"call:{call_id}"]
        base_s[:, column] = np.ceil(base_s[:, column] * slowness)
    base_s.setflags(write=False)
    return table._replace(base_s=base_s)


def _broken(world: World, starts: Mapping[str | None, int]) -> int:
    return sum(
        call.promise is not None
        and starts.get(call.id, call.promise.end_s + 1) > call.promise.end_s
        for call in world.calls
    )


def _responses(world: World, starts: Mapping[str | None, int]) -> tuple[int, ...]:
    return tuple(
        starts[call.id] - world.booked_s[call.id]
        for call in world.urgent
        if call.id in starts
    )


class _Moment(NamedTuple):
    """Something that will happen; of those of one second the first told comes first."""

    at_s: int
    number: int
    kind: FactKind
    van_id: str | None = None
    call_id: str | None = None
    store_id: str | None = None
    version: int = 0  # of the van's orders: a departure that they changed is void


@dataclass(slots=True)
class _Out:
    """A van on the way."""

    node: str | None
    orders: list[Stop] = field(default_factory=list)
    free: bool = True
    version: int = 0
    out: bool = False  # it has left its yard
    home: bool = False
    metres: int = 0
    back_s: int = 0


class _Day:
    """One world, lived through once."""

    def __init__(self, world: World, plan: Plan, policy: Policy) -> None:
        self.world = world
        self.policy = policy
        self.plan = plan
        self.travel = _true_travel(world)
        self.calls = {call.id: call for call in world.calls}
        self.vans = {
            van.id: _Out(node=None if van.start is None else f"start:{van.id}")
            for van in world.day.vans
        }
        self.log: tuple[Fact, ...] = ()
        self.due: list[_Moment] = []
        self.number = 0
        self.starts: dict[str | None, int] = {}
        self.told: dict[str | None, int] = {}
        self.expected: dict[str | None, int] = {}
        self.changed = 0
        self.changed_by_calls = 0

    def live(self) -> Outcome:
        for call in self.world.urgent:
            at_s = self.world.booked_s[call.id]
            self.expect(_Moment(at_s, 0, FactKind.BOOKED, call_id=call.id))
        self.tell(self.plan, 0)
        self.changed = 0
        self.order(self.plan, 0)
        while self.due:
            self.happen(heapq.heappop(self.due))
        served = set(self.starts)
        return Outcome(
            cost_units=sum(self.cost_of(van) for van in self.world.day.vans),
            broken=_broken(self.world, self.starts),
            unserved=sum(call.id not in served for call in self.world.calls),
            changed=self.changed,
            changed_by_calls=self.changed_by_calls,
            response_s=_responses(self.world, self.starts),
        )

    def cost_of(self, van: Van) -> int:
        mine, rates = self.vans[van.id], van.rates
        if not mine.out:
            return 0
        over_s = max(0, mine.back_s - van.shift.end_s)
        return (
            mine.metres * rates.km_cents * UNITS_PER_METRE
            + over_s * rates.overtime_hour_cents * UNITS_PER_SECOND
        )

    # --- what happens ---------------------------------------------------------------

    def expect(self, moment: _Moment) -> None:
        self.number += 1
        heapq.heappush(self.due, moment._replace(number=self.number))

    def happen(self, moment: _Moment) -> None:
        van = self.vans.get(moment.van_id or "")
        if moment.kind is FactKind.BOOKED:
            self.note(moment, call=self.calls[moment.call_id or ""])
            self.ask(moment)
        elif van is None:
            raise ValueError(moment.kind)
        elif moment.kind is FactKind.LEFT:
            if van.free and van.version == moment.version:
                self.leave(van, moment)
        elif moment.kind is FactKind.ARRIVED:
            self.arrive(van, moment)
        elif moment.kind is FactKind.STARTED:
            self.note(moment)
            call_id = moment.call_id or ""
            self.starts[call_id] = moment.at_s
            done_s = moment.at_s + self.world.lengths_s[call_id]
            self.then(done_s, FactKind.DONE, moment)
        else:  # done, or loaded
            self.note(moment)
            van.free = True
            late_s = moment.at_s - self.expected.get(moment.call_id, moment.at_s)
            if abs(late_s) >= NEWS_S:
                self.ask(moment)
            else:
                self.depart(moment.van_id or "", moment.at_s)

    def then(self, at_s: int, kind: FactKind, after: _Moment) -> None:
        self.expect(after._replace(at_s=at_s, kind=kind))

    def leave(self, van: _Out, moment: _Moment) -> None:
        if van.orders:
            van.orders.pop(0)
        self.note(moment)
        van.free, van.out, van.home = False, True, False
        target = self.node_of(moment)
        at_s = moment.at_s
        if van.node is not None and target is not None:
            row, column = self.travel.keys[van.node], self.travel.keys[target]
            van.metres += int(self.travel.distance_m[row, column])
            base_s = int(self.travel.base_s[row, column])
            at_s = arrive_s(self.travel.traffic, at_s, base_s)
        van.node = target or van.node
        # Nobody is elsewhere in the same second, not even behind the same door.
        self.then(max(at_s, moment.at_s + 1), FactKind.ARRIVED, moment)

    def arrive(self, van: _Out, moment: _Moment) -> None:
        self.note(moment)
        if moment.call_id is not None:
            call = self.calls[moment.call_id]
            who = next(one for one in self.world.day.vans if one.id == moment.van_id)
            spans = start_windows(self.world.day, call, who, late=True)
            at_s = moment.at_s
            starts = [max(at_s, low) for low, high in spans if at_s <= high]
            # Who is at the door after the last moment is let in all the same.
            self.then(min(starts, default=at_s), FactKind.STARTED, moment)
        elif moment.store_id is not None:
            stay_s = self.stores[moment.store_id].restock_s or 0
            self.then(moment.at_s + stay_s, FactKind.LOADED, moment)
        else:
            van.free, van.home, van.back_s = True, True, moment.at_s
            self.depart(moment.van_id or "", moment.at_s)

    @property
    def stores(self) -> dict[str, Store]:
        day = self.world.day
        return {store.id: store for store in (day.shop, *day.counters)}

    def node_of(self, moment: _Moment) -> str | None:
        if moment.call_id is not None:
            return f"call:{moment.call_id}"
        if moment.store_id is not None:
            shop = moment.store_id == self.world.day.shop.id
            return "shop" if shop else f"store:{moment.store_id}"
        home = f"finish:{moment.van_id}"
        return home if home in self.travel.keys else None

    def note(
        self, moment: _Moment, call: Call | None = None, span: Window | None = None
    ) -> None:
        fact = Fact(
            id=f"{len(self.log):06}",  # facts of one second come by their ids
            kind=moment.kind,
            at_s=moment.at_s,
            van_id=moment.van_id,
            call_id=moment.call_id,
            store_id=moment.store_id,
            window=span,
            call=call,
        )
        self.log = (*self.log, complete(fact, self.plan))

    # --- what is made of it ---------------------------------------------------------

    def ask(self, moment: _Moment) -> None:
        """Have the policy plan the rest, and tell everybody."""
        rest = rest_of(
            self.world.day, self.plan, replay(self.world.day, self.log), moment.at_s
        )
        plan = self.policy(rest)
        self.plan = in_force(rest, plan)
        before = self.changed
        self.tell(plan, moment.at_s)
        if moment.kind is FactKind.BOOKED:
            self.changed_by_calls += self.changed - before
        self.order(plan, moment.at_s)

    def tell(self, plan: Plan, now_s: int) -> None:
        """Ring every customer whose arrival moves by more than the tolerance."""
        tolerance_s = self.world.day.tolerance_s
        starts = {s.call_id: s for route in plan.routes for s in route.stops}
        for call_id, stop in starts.items():
            if call_id is None:
                continue
            self.expected[call_id] = stop.finish_s
            told_s = self.told.get(call_id)
            if told_s is None or abs(stop.start_s - told_s) > tolerance_s:
                self.changed += told_s is not None
                self.told[call_id] = stop.start_s
                span = Window(
                    start_s=max(0, stop.start_s - tolerance_s),
                    end_s=stop.start_s + tolerance_s,
                )
                self.note(_Moment(now_s, 0, FactKind.TOLD, call_id=call_id), span=span)
        for dropped in (one.call_id for one in plan.unplaced):
            if self.told.pop(dropped, None) is not None:
                self.changed += 1

    def order(self, plan: Plan, now_s: int) -> None:
        """Give every van its new orders."""
        routes = {route.van_id: route for route in plan.routes}
        for van_id, van in self.vans.items():
            route = routes.get(van_id)
            van.orders = [] if route is None else list(route.stops)
            if van.free:
                self.depart(van_id, now_s)

    def depart(self, van_id: str, now_s: int) -> None:
        """Have a free van leave for its next stop: in good time, not sooner."""
        van = self.vans[van_id]
        van.version += 1
        while van.orders and van.orders[0].kind is StopKind.BREAK:
            # Nobody says when he eats: the break shows as a time without facts.
            pause = van.orders.pop(0)
            now_s = max(now_s, pause.start_s) + pause.finish_s - pause.start_s
        if van.orders:
            stop = van.orders[0]
            by_s = stop.arrive_s - stop.drive_s
            if stop.leave_by_s is not None:
                by_s = max(by_s, stop.leave_by_s - SPARE_S)
            leave = _Moment(max(now_s, by_s), 0, FactKind.LEFT, van_id)
            leave = leave._replace(call_id=stop.call_id, store_id=stop.store_id)
        elif van.out and not van.home:
            leave = _Moment(now_s, 0, FactKind.LEFT, van_id)
        else:
            return
        self.expect(leave._replace(version=van.version))


# --- policies -----------------------------------------------------------------------


def reshuffled(budget: Budget) -> Policy:
    """Return keyround's own policy: least change, see :mod:`dispatch.reshuffle`.

    Parameters
    ----------
    budget : Budget
        How long to search.

    Returns
    -------
    callable
        The policy.
    """
    return lambda rest: reshuffle(rest, budget)


def anew(budget: Budget) -> Policy:
    """Return the policy that plans the rest from scratch, whatever was told.

    Parameters
    ----------
    budget : Budget
        How long to search.

    Returns
    -------
    callable
        The policy.
    """

    def plan(rest: Rest) -> Plan:
        calls = tuple(replace(call, standing=None) for call in rest.day.calls)
        return plan_day(replace(rest.day, calls=calls), budget, rest.travel)

    return plan


def inserted(budget: Budget) -> Policy:
    """Return the policy that puts each new call where it costs least, and that is all.

    Parameters
    ----------
    budget : Budget
        Its seed is used; nothing is searched.

    Returns
    -------
    callable
        The policy. What no longer fits into a van's day is dropped from its end.
    """

    def plan(rest: Rest) -> Plan:
        tasks = {van.id: list(rest.standing.get(van.id, ())) for van in rest.day.vans}
        placed = {task.call_id for some in tasks.values() for task in some}
        made = _until_it_fits(rest, tasks)
        for call in rest.day.calls:
            if call.id in placed:
                continue
            best = made
            for van in rest.day.vans:
                if not is_able(rest.day, van, call):
                    continue
                for place in range(len(tasks[van.id]) + 1):
                    trial = {id_: list(some) for id_, some in tasks.items()}
                    trial[van.id].insert(place, Task(call_id=call.id))
                    route = lay_out_best(rest.day, rest.travel, van, trial[van.id])
                    if route is None:
                        continue
                    other = write_standing(rest.day, rest.travel, trial)
                    if other is not None and (
                        best is made or _money(other) < _money(best)
                    ):
                        best, chosen = other, trial
            if best is not made:
                made, tasks = best, chosen
        return finish(rest.day, rest.travel, made, budget)

    return plan


def _money(made: Written) -> int:
    return sum(route.cost_units for route in made.routes)


def _until_it_fits(rest: Rest, tasks: dict[str, list[Task]]) -> Written:
    """Write standing orders out; drop from the ends what no longer fits."""
    for van in rest.day.vans:
        while tasks[van.id] and (
            lay_out_best(rest.day, rest.travel, van, tasks[van.id]) is None
        ):
            tasks[van.id].pop()
    while True:
        made = write_standing(rest.day, rest.travel, tasks)
        if made is not None:
            return made
        longest = max(tasks.values(), key=len)
        longest.pop()
