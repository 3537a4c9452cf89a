"""The rest of a day that is under way, as a day of its own.

What is done, under way or being driven to is frozen: it is no part of the rest. Each
van starts the rest from where it will be free, when it will be, with the stock that it
will hold then. Everything that plans, judges or explains a day can then be used on it.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from dispatch.problem import start_windows
from dispatch.state import CallNow, Past, State, VanNow, start_node, store_node
from dispatch.stock import pieces, stores
from dispatch.timetable import Task
from dispatch.travel import Legs, TravelTable, strip_walks, travel_table
from dispatch.travel.profile import arrive_s
from shared.facts import CallState, Doing
from shared.model import (
    Break,
    Call,
    Day,
    Issue,
    Link,
    Origin,
    Place,
    Plan,
    Purpose,
    Reason,
    Route,
    Rule,
    Standing,
    Stop,
    StopKind,
    Store,
    Tool,
    Unplaced,
    Van,
    Window,
)

STILL_S = 900
"""A visit that took longer than nine in ten do goes on so much longer; own choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FrozenStop:
    """A stop that no plan can change any more.

    Parameters
    ----------
    kind : StopKind
        Call, restock stop, or a break that is under way.
    call_id, store_id : str or None
        At which call or store.
    place : Place or None
        Where.
    state : CallState
        How far it is: driving, there, working, done or no-show, for any kind of stop.
    left_s : int or None
        When the van set off for it, where that is known.
    arrive_s, start_s, finish_s : int
        ``arrive_s <= start_s <= finish_s``: actual where they are behind, otherwise
        predicted and not before now.
    """

    kind: StopKind
    call_id: str | None
    store_id: str | None
    place: Place | None
    state: CallState
    left_s: int | None
    arrive_s: int
    start_s: int
    finish_s: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """What is left of a day.

    Parameters
    ----------
    day : Day
        The open calls, and the vans from where and when they are free.
    travel : TravelTable
        Its drives.
    standing : mapping of str to tuple of Task
        Van id to what the running plan still has it do, in order; vans of ``day`` only,
        and what starts after its promise is allowed.
    frozen : mapping of str to tuple of FrozenStop
        Van id to what is frozen, in order; all vans, in the order of the day.
    now_s : int
        From when on things can be changed.
    uses : tuple of Issue
        What frozen visits will use up, and (as spares) what frozen restock stops will
        fetch: taken off the stock of ``day`` or added to it already.
    stuck : tuple of Unplaced
        Open calls that can be served no more, whatever is done; not in ``day``.
    notes : tuple of str
        What a person should know: vans that are left out, breaks that are missed.
    """

    day: Day
    travel: TravelTable
    standing: Mapping[str, tuple[Task, ...]]
    frozen: Mapping[str, tuple[FrozenStop, ...]]
    now_s: int
    uses: tuple[Issue, ...] = ()
    stuck: tuple[Unplaced, ...] = ()
    notes: tuple[str, ...] = ()


def rest_of(day: Day, plan: Plan, state: State, now_s: int) -> Rest:
    """Return what is left of a day.

    Parameters
    ----------
    day : Day
        The day as it was planned in the morning.
    plan : Plan
        The plan in force: the one of the morning, or what :func:`in_force` made of a
        later one.
    state : State
        What the facts come to.
    now_s : int
        Now, seconds since midnight; not before the last fact.

    Returns
    -------
    Rest
        Whose day allows promises to break, and knows what stands.
    """
    return _Clerk(day, plan, state, max(now_s, state.at_s or now_s)).rest()


def in_force(rest: Rest, plan: Plan) -> Plan:
    """Return the whole day's plan from what is frozen and a plan of the rest.

    Parameters
    ----------
    rest : Rest
        What is left of the day.
    plan : Plan
        A plan of ``rest.day``.

    Returns
    -------
    Plan
        Frozen stops, then the plan's; issues of frozen visits and stops among its
        own. For :func:`rest_of` and :func:`dispatch.state.complete` later on, and for
        people. Costs are those of the rest; it is no plan of any day to be judged.
    """
    ahead = {route.van_id: route for route in plan.routes}
    routes = []
    for van_id, frozen in rest.frozen.items():
        stops = tuple(_as_stop(stop) for stop in frozen)
        route = ahead.get(van_id)
        if route is not None:
            leave_s = stops[0].arrive_s - stops[0].drive_s if stops else route.leave_s
            routes.append(replace(route, stops=(*stops, *route.stops), leave_s=leave_s))
        elif stops:
            routes.append(
                Route(
                    van_id=van_id,
                    stops=stops,
                    leave_s=stops[0].arrive_s - stops[0].drive_s,
                    last_drive_m=0,
                    last_drive_s=0,
                    finish_s=stops[-1].finish_s,
                )
            )
    return replace(plan, routes=tuple(routes), issues=(*rest.uses, *plan.issues))


def _as_stop(frozen: FrozenStop) -> Stop:
    left_s = frozen.arrive_s if frozen.left_s is None else frozen.left_s
    return Stop(
        kind=frozen.kind,
        call_id=frozen.call_id,
        place=frozen.place,
        drive_m=0,
        drive_s=max(0, frozen.arrive_s - left_s),
        arrive_s=frozen.arrive_s,
        start_s=frozen.start_s,
        finish_s=frozen.finish_s,
        store_id=frozen.store_id,
    )


@dataclass(slots=True)
class _Ahead:
    """When, where and with what a van will be free."""

    free_s: int
    node: str | None
    meal_taken: bool
    frozen: list[FrozenStop]
    stock: Counter[str]
    uses: list[Issue] = field(default_factory=list)


class _Clerk:
    """Works out the rest of one day at one moment."""

    def __init__(self, day: Day, plan: Plan, state: State, now_s: int) -> None:
        self.day = day
        self.plan = plan
        self.state = state
        self.now_s = now_s
        self.table = _full_table(day, state)
        self.routes = {route.van_id: route for route in plan.routes}
        self.stores = {
            store_id: Counter(stock) for store_id, stock in state.stores.items()
        }
        self.places = _places(day, state)
        self.notes: list[str] = []

    def rest(self) -> Rest:
        """Return the rest."""
        ahead = {van.id: self.look_ahead(van) for van in self.day.vans}
        vans = [
            made
            for van in self.day.vans
            if (made := self.van_now(van, ahead[van.id])) is not None
        ]
        origins = {van.id: ahead[van.id].node for van in vans}
        calls, links, stuck = self.open_calls(ahead)
        left = {van.id for van in vans if self.state.vans[van.id].has_left}
        out = Counter(tool for now in self.state.vans.values() for tool in now.tools)
        rest_day = replace(
            self.day,
            calls=calls,
            vans=tuple(vans),
            links=links,
            shop=replace(self.day.shop, stock=self.stock_of(self.day.shop)),
            counters=tuple(
                replace(store, stock=self.stock_of(store))
                for store in self.day.counters
            ),
            tools=tuple(_still_in(self.day.tools, out)),
            exchange=self.day.exchange and not _meet_by_chance(vans, left),
            promises_may_break=True,
            horizon=1,
        )
        table = _part_of(self.table, rest_day, origins)
        if self.day.travel.matrix is not None:
            travel = replace(rest_day.travel, matrix=_matrix(rest_day, table))
            rest_day = replace(rest_day, travel=travel)
        return Rest(
            day=rest_day,
            travel=table,
            standing={van.id: self.tasks(rest_day, van) for van in vans},
            frozen={van_id: tuple(one.frozen) for van_id, one in ahead.items()},
            now_s=self.now_s,
            uses=tuple(issue for one in ahead.values() for issue in one.uses),
            stuck=stuck,
            notes=tuple(self.notes),
        )

    def stock_of(self, store: Store) -> dict[str, int]:
        """Return what is left in a store once frozen stops have been there."""
        stock = self.stores[store.id]
        return {part_id: count for part_id, count in stock.items() if count > 0}

    # --- drives -------------------------------------------------------------------

    def arrive(self, origin: str | None, target: str | None, leave_s: int) -> int:
        """Return when a drive ends."""
        if origin is None or target is None or origin == target:
            return leave_s
        row, column = self.table.keys[origin], self.table.keys[target]
        return arrive_s(
            self.table.traffic, max(0, leave_s), int(self.table.base_s[row, column])
        )

    def origin(self, now: VanNow) -> str | None:
        """Return where a van is, or was before it set off.

        One that turned round on the road counts as at the end it was nearer to.
        """
        road = now.road
        if road is None or road.toward is None or now.where is None:
            return now.where
        drive_s = self.arrive(now.where, road.toward, road.left_s) - road.left_s
        halfway = 2 * (road.turned_s - road.left_s) >= drive_s
        return road.toward if halfway else now.where

    # --- one van ------------------------------------------------------------------

    def look_ahead(self, van: Van) -> _Ahead:
        """Say when and where a van will be free."""
        now = self.state.vans[van.id]
        ahead = _Ahead(
            free_s=self.now_s,
            node=self.origin(now),
            meal_taken=now.meal_taken,
            frozen=[self.behind(past) for past in now.past],
            stock=Counter(now.stock),
        )
        match now.doing:
            case Doing.WAITING:
                self.wait(van, now, ahead)
            case Doing.DRIVING | Doing.THERE if now.call_id is not None:
                self.go_to_call(van, now, ahead)
            case Doing.DRIVING | Doing.THERE if now.store_id is not None:
                self.go_to_store(van, now, ahead)
            case Doing.DRIVING:
                home = None if van.finish is None else f"finish:{van.id}"
                ahead.free_s = self.eta(now, home)
                ahead.node = home or ahead.node
            case Doing.WORKING:
                self.work(van, now, ahead)
        return ahead

    def behind(self, past: Past) -> FrozenStop:
        """Return a stop that is over."""
        node = (
            store_node(self.day, past.store_id)
            if past.store_id is not None
            else f"call:{past.call_id}"
        )
        return FrozenStop(
            kind=StopKind.CALL if past.store_id is None else StopKind.RESTOCK,
            call_id=past.call_id,
            store_id=past.store_id,
            place=self.places.get(node),
            state=CallState.NO_SHOW if past.missed else CallState.DONE,
            left_s=past.left_s,
            arrive_s=past.arrive_s,
            start_s=past.start_s,
            finish_s=past.finish_s,
        )

    def delayed(self, now: VanNow) -> int:
        """Return from when on a van that stands does something, by its own report."""
        if now.late_s == 0:
            return now.since_s
        return max(now.since_s, now.late_at_s) + now.late_s

    def eta(self, now: VanNow, target: str | None) -> int:
        """Return when a van that drives is there, not before now."""
        left_s = now.since_s if now.left_s is None else now.left_s
        there_s = self.arrive(self.origin(now), target, left_s)
        return max(self.now_s, there_s + now.late_s)

    def wait(self, van: Van, now: VanNow, ahead: _Ahead) -> None:
        """Look at a van that is free: now, unless it is having its break."""
        ahead.free_s = max(self.now_s, self.delayed(now))
        pause = self.next_stop(van)
        if van.meal is None or ahead.meal_taken:
            return
        if _idle_s(van.meal, now.since_s, self.now_s) >= van.meal.length_s:
            ahead.meal_taken = True
        elif pause is not None and pause.kind is StopKind.BREAK:
            begin_s = max(now.since_s, pause.start_s)
            if begin_s < self.now_s and _fits(van.meal, begin_s):
                self.rest_at(ahead, pause.place, begin_s, van.meal)
                ahead.free_s = max(ahead.free_s, begin_s + van.meal.length_s)

    def rest_at(
        self, ahead: _Ahead, place: Place | None, begin_s: int, meal: Break
    ) -> None:
        """Freeze a break."""
        ahead.meal_taken = True
        ahead.frozen.append(
            FrozenStop(
                kind=StopKind.BREAK,
                call_id=None,
                store_id=None,
                place=place,
                state=CallState.THERE,
                left_s=None,
                arrive_s=begin_s,
                start_s=begin_s,
                finish_s=begin_s + meal.length_s,
            )
        )

    def remaining(self, van: Van) -> list[Stop]:
        """Return the stops of the running plan that are not behind the van."""
        now = self.state.vans[van.id]
        been = Counter(past.store_id for past in now.past if past.store_id is not None)
        if now.store_id is not None:
            been[now.store_id] += 1
        route = self.routes.get(van.id)
        stops = []
        for stop in () if route is None else route.stops:
            if stop.store_id is not None and been[stop.store_id] > 0:
                been[stop.store_id] -= 1
            elif stop.kind is StopKind.CALL:
                call = self.state.calls.get(stop.call_id or "")
                if call is not None and call.state is CallState.OPEN:
                    stops.append(stop)
            else:
                stops.append(stop)
        return stops

    def next_stop(self, van: Van) -> Stop | None:
        """Return the first stop of the running plan that is not behind the van."""
        return next(iter(self.remaining(van)), None)

    def go_to_call(self, van: Van, now: VanNow, ahead: _Ahead) -> None:
        """Look at a van that is driving to a call, or is there and has not begun."""
        call = self.state.calls[now.call_id or ""].call
        node = f"call:{call.id}"
        if now.arrive_s is None:
            there_s = at_s = self.eta(now, node)
        else:
            there_s, at_s = now.arrive_s, max(self.now_s, self.delayed(now))
        pause = self.break_before(van, call)
        meal = van.meal
        if meal is not None and not ahead.meal_taken:
            if _idle_s(meal, there_s, self.now_s) >= meal.length_s:
                ahead.meal_taken = True
            elif pause is not None:
                begin_s = max(there_s, pause.start_s)
                if _fits(meal, begin_s):
                    self.rest_at(ahead, call.parked, begin_s, meal)
                    at_s = max(at_s, begin_s + meal.length_s)
        spans = start_windows(self.day, call, van, late=True)
        starts = (max(at_s, low) for low, high in spans if max(at_s, low) <= high)
        start_s = next(starts, at_s)
        finish_s = start_s + self.day.planned_s(call, van)
        self.freeze_call(van, now, ahead, Window(start_s=start_s, end_s=finish_s))
        ahead.frozen[-1] = replace(ahead.frozen[-1], arrive_s=there_s)

    def break_before(self, van: Van, call: Call) -> Stop | None:
        """Return the break that the running plan has at a call's street before it."""
        route = self.routes.get(van.id)
        stops = () if route is None else route.stops
        for pause, stop in pairwise(stops):
            if pause.kind is StopKind.BREAK and stop.call_id == call.id:
                return pause if pause.place == call.parked else None
        return None

    def freeze_call(self, van: Van, now: VanNow, ahead: _Ahead, visit: Window) -> None:
        """Freeze a visit, with what it will use up."""
        known = self.state.calls[now.call_id or ""]
        ahead.free_s, ahead.node = visit.end_s, f"call:{known.call.id}"
        ahead.frozen.append(
            FrozenStop(
                kind=StopKind.CALL,
                call_id=known.call.id,
                store_id=None,
                place=known.call.parked,
                state=known.state,
                left_s=now.left_s,
                arrive_s=visit.start_s if now.arrive_s is None else now.arrive_s,
                start_s=visit.start_s,
                finish_s=visit.end_s,
            )
        )
        issues = self.issues_for(van, known.call, ahead.stock)
        for issue in issues:
            ahead.stock[issue.part_id] -= issue.quantity
        ahead.uses += issues

    def issues_for(self, van: Van, call: Call, stock: Counter[str]) -> list[Issue]:
        """Return what a visit will use up: as planned, or else what there is aboard."""
        planned = [
            replace(
                issue,
                origin=Origin.ABOARD,
                from_van=None,
                store_id=None,
                extra_cents=0,
            )
            for issue in self.plan.issues
            if (issue.van_id, issue.call_id) == (van.id, call.id)
        ]
        wanted: Counter[str] = Counter()
        for issue in planned:
            wanted[issue.part_id] += issue.quantity
        if planned and all(stock[part_id] >= n for part_id, n in wanted.items()):
            return planned
        left, found = stock.copy(), []
        for row, need in enumerate(call.needs):
            for choice in need.alternatives:
                asked = pieces(self.day, choice, need.quantity)
                if all(left[part_id] >= count for part_id, count in asked.items()):
                    left.subtract(asked)
                    found += [
                        Issue(
                            van_id=van.id,
                            part_id=part_id,
                            quantity=count,
                            origin=Origin.ABOARD,
                            call_id=call.id,
                            need=row,
                            chosen=choice,
                        )
                        for part_id, count in asked.items()
                    ]
                    break
        return found

    def work(self, van: Van, now: VanNow, ahead: _Ahead) -> None:
        """Look at a van that is at work."""
        call = self.state.calls[now.call_id or ""].call
        start_s = self.now_s if now.start_s is None else now.start_s
        paced = replace(self.day, cushion=1.0)
        ends = (
            start_s + self.day.planned_s(call, van) + now.late_s,
            start_s + paced.planned_s(call, van),
            self.now_s + STILL_S,
        )
        finish_s = next(end_s for end_s in ends if end_s > self.now_s)
        self.freeze_call(van, now, ahead, Window(start_s=start_s, end_s=finish_s))

    def go_to_store(self, van: Van, now: VanNow, ahead: _Ahead) -> None:
        """Look at a van that is driving to a store, or is there."""
        store = stores(self.day)[now.store_id or ""]
        node = store_node(self.day, store.id)
        there_s = self.eta(now, node) if now.arrive_s is None else now.arrive_s
        start_s = there_s
        if store.opening is not None:
            start_s = max(there_s, store.opening.start_s)
        finish_s = start_s + (store.restock_s or 0)
        if now.arrive_s is not None:
            finish_s = max(finish_s, self.now_s, self.delayed(now))
        ahead.free_s, ahead.node = finish_s, node
        ahead.frozen.append(
            FrozenStop(
                kind=StopKind.RESTOCK,
                call_id=None,
                store_id=store.id,
                place=store.place,
                state=CallState(now.doing),
                left_s=now.left_s,
                arrive_s=there_s,
                start_s=start_s,
                finish_s=finish_s,
            )
        )
        there = self.stores[store.id]
        here = (van.id, Origin.RESTOCK, store.id)
        fetched = [
            issue
            for issue in self.plan.issues
            if (issue.van_id, issue.origin, issue.store_id) == here
        ]
        # Once this stop is frozen, what it fetches counts as spares: the rest is for
        # another stop there, later on.
        own = [issue for issue in fetched if issue.purpose is Purpose.SPARE]
        for issue in own or fetched:
            if not (issue.call_id is None or self.is_open(issue.call_id)):
                continue
            count = min(issue.quantity, there[issue.part_id])
            if count > 0:
                there[issue.part_id] -= count
                ahead.stock[issue.part_id] += count
                ahead.uses.append(_as_spare(issue, count))

    def is_open(self, call_id: str) -> bool:
        """Return whether a call is still to be done, by any van."""
        now = self.state.calls.get(call_id)
        return now is not None and now.state is CallState.OPEN

    def van_now(self, van: Van, ahead: _Ahead) -> Van | None:
        """Return a van as it starts into the rest; ``None``: it takes no part."""
        now, clock = self.state.vans[van.id], self.day.clock
        if now.down:
            self.notes.append(f"van {van.id} is out for the day")
            return None
        home_s = van.shift.end_s + van.overtime_limit_s
        if ahead.free_s >= home_s:
            spoken = clock.spoken(ahead.free_s)
            self.notes.append(
                f"van {van.id} is free at {spoken}: its shift is over by then"
            )
            return None
        end_s = max(van.shift.end_s, ahead.free_s)
        start_s = max(ahead.free_s, van.shift.start_s)
        meal = None if ahead.meal_taken else self.meal_left(van, start_s)
        driven_s, worked_s = self.spent(van, now, ahead)
        paid_s = self.paid_from(van, now, ahead)
        return replace(
            van,
            start=None if ahead.node is None else self.places[ahead.node],
            loads_at_shop=van.loads_at_shop and not now.has_left,
            shift=Window(start_s=start_s, end_s=max(end_s, start_s)),
            overtime_limit_s=max(0, home_s - max(end_s, start_s)),
            meal=meal,
            stock={part: count for part, count in ahead.stock.items() if count > 0},
            equipment=van.equipment | now.tools,
            drive_limit_s=_left(van.drive_limit_s, driven_s),
            work_limit_s=_left(van.work_limit_s, worked_s),
            paid_from_s=None if paid_s == start_s else paid_s,
        )

    def paid_from(self, van: Van, now: VanNow, ahead: _Ahead) -> int:
        """Return from when on what the van still does costs time.

        A van that stays in costs nothing, from the start of its shift on; one that is
        out has to come home whatever it does.
        """
        if not now.has_left:
            return van.paid_s
        home = None if van.finish is None else f"finish:{van.id}"
        if now.doing is Doing.WAITING and home is not None and ahead.node == home:
            return now.since_s
        return self.arrive(ahead.node, home, ahead.free_s)

    def meal_left(self, van: Van, start_s: int) -> Break | None:
        """Return the break with what is left of its window; ``None``: too late."""
        meal = van.meal
        if meal is None:
            return None
        low_s = max(meal.window.start_s, min(start_s, meal.window.end_s))
        if low_s + meal.length_s > meal.window.end_s:
            self.notes.append(f"van {van.id} misses its break")
            return None
        return replace(meal, window=Window(start_s=low_s, end_s=meal.window.end_s))

    def spent(self, van: Van, now: VanNow, ahead: _Ahead) -> tuple[int, int]:
        """Return seconds at the wheel and at work until the van is free."""
        if now.first_left_s is None:
            return 0, 0
        driven_s, here = 0, start_node(van)
        for stop in ahead.frozen:
            if stop.kind is StopKind.BREAK:
                continue
            there = (
                f"call:{stop.call_id}"
                if stop.store_id is None
                else store_node(self.day, stop.store_id)
            )
            if stop.left_s is not None:
                driven_s += stop.arrive_s - stop.left_s
            else:  # nobody said when it set off
                driven_s += self.arrive(here, there, stop.arrive_s) - stop.arrive_s
            here = there
        if now.doing is Doing.DRIVING and now.call_id == now.store_id:
            driven_s += ahead.free_s - now.since_s  # home
        worked_s = ahead.free_s - now.first_left_s
        if ahead.meal_taken and van.meal is not None:
            worked_s -= van.meal.length_s
        return driven_s, max(0, worked_s)

    def tasks(self, rest_day: Day, van: Van) -> tuple[Task, ...]:
        """Return what the running plan still has a van do."""
        calls = {call.id: call for call in rest_day.calls}
        wanted = {
            issue.store_id
            for issue in self.plan.issues
            if issue.van_id == van.id
            and issue.origin is Origin.RESTOCK
            and issue.call_id in calls
        }
        if any(
            use.van_id == van.id and (use.collected or use.returned)
            for use in self.plan.tools
        ):
            wanted.add(self.day.shop.id)
        tasks = []
        for stop in self.remaining(van):
            if stop.store_id is not None and stop.store_id in wanted:
                tasks.append(Task(store_id=stop.store_id))
            elif stop.call_id is not None and stop.call_id in calls:
                call = calls[stop.call_id]
                spans = start_windows(rest_day, call, van, late=True)
                tasks.append(Task(call_id=call.id, spans=tuple(spans)))
        return tuple(tasks)

    # --- the calls ------------------------------------------------------------------

    def open_calls(
        self, ahead: Mapping[str, _Ahead]
    ) -> tuple[tuple[Call, ...], tuple[Link, ...], tuple[Unplaced, ...]]:
        """Return the open calls, what ties them, and those that nobody can serve."""
        planned = {
            stop.call_id: (route.van_id, stop.start_s)
            for route in self.plan.routes
            for stop in route.stops
            if stop.call_id is not None
        }
        ends = {
            stop.call_id: (van_id, stop.finish_s)
            for van_id, one in ahead.items()
            for stop in one.frozen
            if stop.call_id is not None and stop.state is not CallState.NO_SHOW
        }
        calls = {
            id_: self.stand(now, planned.get(id_))
            for id_, now in self.state.calls.items()
            if now.state is CallState.OPEN
        }
        reasons: dict[str, str] = {}
        links = []
        pending = [link for link in self.day.links if link.then in calls]
        for link in pending:
            if link.first in ends:
                tied = self.tie(calls[link.then], link, *ends[link.first])
                if tied is None:
                    reasons[link.then] = f"it is too late after {link.first}"
                else:
                    calls[link.then] = tied
            elif link.first in calls:
                links.append(link)
            else:
                reasons[link.then] = f"{link.first} comes first and is not served"
        while True:  # what comes after a stuck call is stuck as well
            more = {
                link.then: f"{link.first} comes first and cannot be served"
                for link in links
                if link.first in reasons and link.then not in reasons
            }
            if not more:
                break
            reasons |= more
        stuck = tuple(
            Unplaced(
                call_id=call_id,
                reasons=(Reason(rule=Rule.LINK, text=reasons[call_id]),),
            )
            for call_id in calls
            if call_id in reasons
        )
        return (
            tuple(call for call in calls.values() if call.id not in reasons),
            tuple(link for link in links if link.then not in reasons),
            stuck,
        )

    def stand(self, now: CallNow, planned: tuple[str, int] | None) -> Call:
        """Return a call with what the running plan has arranged for it.

        A time that the customer was told holds as long as the plan keeps it.
        """
        if planned is None:
            return replace(now.call, standing=None)
        van_id, start_s = planned
        told = now.told
        kept = told is not None and told.start_s <= start_s <= told.end_s
        window = Window(
            start_s=max(0, start_s - self.day.tolerance_s),
            end_s=start_s + self.day.tolerance_s,
        )
        standing = Standing(
            van_id=van_id,
            window=told if kept and told is not None else window,
            told=kept,
        )
        return replace(now.call, standing=standing)

    def tie(self, call: Call, link: Link, van_id: str, finish_s: int) -> Call | None:
        """Return a call with a link to a frozen one as windows; ``None``: too late."""
        low_s = finish_s + link.min_gap_s
        spans = [(span.start_s, span.end_s) for span in call.windows]
        spans = spans or [(0, 48 * 3600)]
        if link.max_gap_s is not None:
            # A visit lies inside its window: the shortest one starts last.
            length_s = min(self.day.planned_s(call, van) for van in self.day.vans)
            end_s = finish_s + link.max_gap_s + length_s
            spans = [(low, min(high, end_s)) for low, high in spans]
        spans = [(max(low, low_s), high) for low, high in spans]
        windows = tuple(
            Window(start_s=low, end_s=high) for low, high in spans if low <= high
        )
        if not windows:
            return None
        required = van_id if link.same_van else call.required_van
        return replace(call, windows=windows, required_van=required)


# --- pieces of it ---------------------------------------------------------------------


def _idle_s(meal: Break, since_s: int, until_s: int) -> int:
    window = meal.window
    return min(until_s, window.end_s) - max(since_s, window.start_s)


def _fits(meal: Break, begin_s: int) -> bool:
    window = meal.window
    return window.start_s <= begin_s <= window.end_s - meal.length_s


def _left(limit_s: int | None, spent_s: int) -> int | None:
    # The search takes 0 for no limit at all; in a second nothing can be done either.
    return None if limit_s is None else max(1, limit_s - spent_s)


def _as_spare(issue: Issue, count: int) -> Issue:
    return replace(
        issue,
        quantity=count,
        purpose=Purpose.SPARE,
        call_id=None,
        need=None,
        chosen=None,
        extra_cents=0,
    )


def _still_in(tools: Iterable[Tool], out: Counter[str]) -> Iterable[Tool]:
    for tool in tools:
        if tool.quantity > out[tool.id]:
            yield replace(tool, quantity=tool.quantity - out[tool.id])


def _meet_by_chance(vans: Sequence[Van], left: set[str]) -> bool:
    """Return whether a van that has left would count as beside another one."""
    doors = Counter(
        (van.start.lat_deg, van.start.lon_deg) for van in vans if van.start is not None
    )
    return any(
        doors[van.start.lat_deg, van.start.lon_deg] > 1
        for van in vans
        if van.id in left and van.start is not None
    )


def _places(day: Day, state: State) -> dict[str, Place]:
    """Return where each node is."""
    places = {f"call:{id_}": now.call.parked for id_, now in state.calls.items()}
    places |= {
        store_node(day, store.id): store.place for store in (*day.counters, day.shop)
    }
    for van in day.vans:
        if van.start is not None:
            places[f"start:{van.id}"] = van.start
        if van.finish is not None:
            places[f"finish:{van.id}"] = van.finish
    return places


def _full_table(day: Day, state: State) -> TravelTable:
    """Return the drives between all places of a day, also those of calls booked since.

    A given table knows nothing of these: their drives are measured.
    """
    calls = tuple(now.call for now in state.calls.values())
    counters = tuple(
        replace(store, restock_s=0) if store.restock_s is None else store
        for store in day.counters
    )
    wide = replace(day, calls=calls, counters=counters)
    matrix = day.travel.matrix
    if matrix is None:
        return travel_table(wide)
    known = {f"call:{call.id}" for call in day.calls}
    fresh = {f"call:{id_}" for id_ in state.calls} - known
    fresh |= {f"store:{s.id}" for s in day.counters if s.restock_s is None}
    line = travel_table(replace(wide, travel=replace(day.travel, matrix=None)))
    legs = strip_walks(wide, line.keys, Legs(line.base_s, line.distance_m))
    given = dict(matrix)
    for origin, row in line.keys.items():
        for target, column in line.keys.items():
            if origin != target and (origin in fresh or target in fresh):
                leg = int(legs.base_s[row, column]), int(legs.distance_m[row, column])
                given.setdefault((origin, target), leg)
    return travel_table(replace(wide, travel=replace(day.travel, matrix=given)))


def _part_of(
    table: TravelTable, day: Day, origins: Mapping[str, str | None]
) -> TravelTable:
    """Return the drives of the rest; its vans start at other nodes than they did."""
    nodes = {f"call:{call.id}": f"call:{call.id}" for call in day.calls}
    nodes["shop"] = "shop"
    for store in day.counters:
        if store.restock_s is not None:
            nodes[f"store:{store.id}"] = f"store:{store.id}"
    for van in day.vans:
        origin = origins[van.id]
        if origin is not None:
            nodes[f"start:{van.id}"] = origin
        if van.finish is not None:
            nodes[f"finish:{van.id}"] = f"finish:{van.id}"
    rows = np.array([table.keys[node] for node in nodes.values()])
    base_s = table.base_s[np.ix_(rows, rows)]
    distance_m = table.distance_m[np.ix_(rows, rows)]
    for array in (base_s, distance_m):
        array.setflags(write=False)
    return table._replace(
        keys={node: row for row, node in enumerate(nodes)},
        base_s=base_s,
        distance_m=distance_m,
    )


def _matrix(day: Day, table: TravelTable) -> dict[tuple[str, str], tuple[int, int]]:
    """Return a table as a given one; ways on foot to its calls are added once more."""
    legs = strip_walks(day, table.keys, Legs(table.base_s, table.distance_m))
    base_s, distance_m = legs.base_s.tolist(), legs.distance_m.tolist()
    return {
        (origin, target): (base_s[row][column], distance_m[row][column])
        for origin, row in table.keys.items()
        for target, column in table.keys.items()
        if origin != target
    }
