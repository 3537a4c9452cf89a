"""Write out one van's day: from an order of tasks to stops with times.

The search only knows whether an order works and what it costs. Here the same order
gets its clock times, in plain code: everything as early as possible, the break
where it delays the end of the day least (where that is all the same, where broken
promises, missed preferences and changes cost least, then where the driver waits at
fewest places), and the first departure as late as the first stop allows, because nobody
sits in front of a closed door by choice. Only where a day like that would be too long
for its driver, the break is looked for elsewhere.
"""

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple, TypeVar

from dispatch.problem import NEVER, modes, start_windows
from dispatch.travel import TravelTable
from dispatch.travel.profile import arrive_s, depart_latest_s
from shared.model import Call, Day, Place, Route, Stop, StopKind, Store, Van
from shared.units import UNITS_PER_CENT, UNITS_PER_METRE, UNITS_PER_SECOND

SHORT_WAIT_S = 300  # nobody minds; own choice

Spans = Sequence[tuple[int, int]]
_Node = tuple[str | None, Place | None]
_Some = TypeVar("_Some")


class Task(NamedTuple):
    """Something to stop for: a call, or a store at which the van restocks.

    Parameters
    ----------
    call_id, store_id : str or None
        Which call, or which store; one of the two.
    spans : tuple of (int, int), or None
        First and last second at which it may start, in order; ``None``: a call by its
        windows, its promise and what must be ready, a store by its opening.
    """

    call_id: str | None = None
    store_id: str | None = None
    spans: tuple[tuple[int, int], ...] | None = None


class _Errand(NamedTuple):
    """A task with all that its times depend on."""

    node: str
    place: Place
    length_s: int
    spans: Spans
    call: Call | None = None
    own: Spans = ()  # where a call may start for all that it says itself
    weight: int = 0  # of its promise, if that is broken
    store_id: str | None = None

    def slack_s(self, start_s: int) -> int | None:
        """Return how much later the call could start, were it for the call alone."""
        call = self.call
        if call is None or not (call.windows or call.promise):
            return None
        # A visit of no length may lie in two windows: where they touch.
        last = (last for first, last in self.own if first <= start_s <= last)
        return max(last, default=start_s) - start_s

    def late_s(self, start_s: int) -> int:
        """Return how long after its promise the call starts."""
        promise = None if self.call is None else self.call.promise
        return 0 if promise is None else max(0, start_s - promise.end_s)

    def toll(self, day: Day, van: Van, start_s: int, before: "_Toll") -> "_Toll":
        """Return what the starts before cost, and this one."""
        call = self.call
        if call is None:
            return before
        late_units, missed_units, change_units, broken = before
        late_s, wish = self.late_s(start_s), call.preference
        if late_s:
            late_units += day.late_units(late_s)
            broken += self.weight
        elif call.waits_from_s is not None:
            late_units += day.wait_units(call, start_s)
        if wish is not None and not wish.start_s <= start_s <= wish.end_s:
            missed_units += day.preference_cents * UNITS_PER_CENT
        if call.standing is not None:
            change_units += day.change_units(call, van.id, start_s)
        return _Toll(late_units, missed_units, change_units, broken)


class _Leg(NamedTuple):
    """One drive: from where, to where; ``None`` stands for anywhere."""

    here: Place | None
    there: Place | None
    metres: int
    base_s: int | None  # at free flow; None: no drive from anywhere, or to there


class _Halt(NamedTuple):
    """A stop, or a break, as far as it matters to what comes behind."""

    errand: _Errand | None  # None: a break
    leg: _Leg  # by which it is reached
    place: Place | None
    drive_m: int
    drive_s: int
    arrive_s: int
    start_s: int
    finish_s: int


class _Toll(NamedTuple):
    """What some starts cost the customers, and the weight of the promises broken."""

    late_units: int = 0
    preference_units: int = 0
    change_units: int = 0
    broken: int = 0


class _Way(NamedTuple):
    """A way through the first stops: when the van is free, and how it got there."""

    free_s: int
    halts: tuple[_Halt, ...] = ()
    there: bool = False  # at the next stop's street already: the break was taken there
    toll: _Toll = _Toll()

    @property
    def extras(self) -> tuple[int, int]:
        """What it breaks, and what the customers' wishes and changes cost."""
        *units, broken = self.toll
        return broken, sum(units)

    @property
    def rank(self) -> tuple[int, int]:
        """What it costs the customers, and at how many places the driver waits.

        No wait is counted at the first stop: for that one it leaves late.
        """
        idle = {
            halt.place
            for halt in self.halts[1:]
            if halt.start_s - halt.arrive_s > SHORT_WAIT_S
        }
        return self.extras[1], len(idle)


class _Approach(NamedTuple):
    """How a way goes on to its next stop."""

    way: _Way
    metres: int
    at_s: int
    start_s: int


class _Driver:
    """Drives one van through the day's travel table, from task to task."""

    def __init__(
        self, day: Day, travel: TravelTable, van: Van, tasks: Sequence[str | Task]
    ) -> None:
        self.day = day
        self.travel = travel
        self.van = van
        calls: dict[str | None, Call] = {call.id: call for call in day.calls}
        stores = {store.id: store for store in (*day.counters, day.shop)}
        self.errands: list[_Errand] = []
        for task in tasks:
            call_id, store_id, spans = Task(task) if isinstance(task, str) else task
            self.errands.append(
                self.restock(stores[store_id], spans)
                if store_id is not None
                else self.serve(calls[call_id], spans)
            )
        nodes: list[_Node] = [
            _end_of_day(van.start, f"start:{van.id}"),
            *((errand.node, errand.place) for errand in self.errands),
            _end_of_day(van.finish, f"finish:{van.id}"),
        ]
        *self.legs, self.home = map(self.leg, nodes, nodes[1:])

    def leg(self, here: _Node, there: _Node) -> _Leg:
        """Return the drive between two nodes."""
        (origin, place), (target, goal) = here, there
        if origin is None or target is None:
            return _Leg(place, goal, 0, None)
        row, column = self.travel.keys[origin], self.travel.keys[target]
        metres = int(self.travel.distance_m[row, column])
        return _Leg(place, goal, metres, int(self.travel.base_s[row, column]))

    def serve(self, call: Call, spans: Spans | None) -> _Errand:
        """Return the errand of a visit, by default at what times the call allows."""
        own: Spans = ()
        if spans is None or call.windows or call.promise:
            own = start_windows(self.day, call, self.van)
        return _Errand(
            node=f"call:{call.id}",
            place=call.parked,
            length_s=self.day.planned_s(call, self.van),
            spans=own if spans is None else spans,
            call=call,
            own=own,
        )

    def restock(self, store: Store, spans: Spans | None) -> _Errand:
        """Return the errand of a restock stop; where none is made it has no spans."""
        usual, opening = [(0, NEVER)], store.opening
        if store.restock_s is None:
            usual = []
        elif opening is not None:
            usual = [(opening.start_s, opening.end_s - store.restock_s)]
        return _Errand(
            node="shop" if store is self.day.shop else f"store:{store.id}",
            place=store.place,
            length_s=store.restock_s or 0,
            spans=usual if spans is None else spans,
            store_id=store.id,
        )

    def drive(self, leg: _Leg, free_s: int) -> tuple[int, int]:
        """Return metres and arrival of a drive that leaves at ``free_s``."""
        if leg.base_s is None:
            return 0, free_s
        return leg.metres, arrive_s(self.travel.traffic, free_s, leg.base_s)

    def leave_latest(self, leg: _Leg, arrive_by_s: int) -> int:
        """Return the latest departure that is there in time."""
        if leg.base_s is None:
            return arrive_by_s
        leave_s = depart_latest_s(self.travel.traffic, arrive_by_s, leg.base_s)
        return -1 if leave_s is None else leave_s

    def leave_by(self, leg: _Leg, drive_s: int, start_s: int) -> int | None:
        """Return the latest departure for a start, where there is a drive at all."""
        return self.leave_latest(leg, start_s) if drive_s > 0 else None

    def postpone(self, pause: _Halt, until_s: int) -> _Halt:
        """Take a break that waits for its window as late as the next start allows.

        Two waits, one on each side of the break, become one before it.
        """
        meal = self.van.meal
        if meal is None or pause.start_s == pause.arrive_s:
            return pause
        start_s = min(meal.window.end_s, until_s) - meal.length_s
        return pause._replace(start_s=start_s, finish_s=start_s + meal.length_s)

    def rest(self, leg: _Leg, way: _Way, *, there: bool) -> _Way | None:
        """Return the way with the break taken before driving, or on arrival."""
        meal = self.van.meal
        if meal is None:
            return None
        last_s = meal.window.end_s - meal.length_s
        metres, at_s, place = 0, way.free_s, leg.here
        if there and at_s <= last_s:  # later on it is too late anyway
            metres, at_s = self.drive(leg, at_s)
            place = leg.there
        if at_s > last_s:
            return None
        drive_s, start_s = at_s - way.free_s, max(at_s, meal.window.start_s)
        finish_s = start_s + meal.length_s
        pause = _Halt(None, leg, place, metres, drive_s, at_s, start_s, finish_s)
        return _Way(finish_s, (*way.halts, pause), there, way.toll)

    def approaches(
        self, errand: _Errand, leg: _Leg, ways: Iterable[_Way]
    ) -> list[_Approach]:
        """Return how ways go on to a stop, without those that come too late."""
        found = []
        for way in ways:
            free_s = way.free_s
            metres, at_s = (0, free_s) if way.there else self.drive(leg, free_s)
            for first_s, last_s in errand.spans:
                if at_s <= last_s >= first_s:
                    start_s = max(at_s, first_s)
                    found.append(_Approach(way, metres, at_s, start_s))
                    break
        return found

    def visit(self, errand: _Errand, leg: _Leg, approach: _Approach) -> _Way:
        """Return the way with one more stop."""
        way, metres, at_s, start_s = approach
        before, drive_s = way.halts, at_s - way.free_s
        if way.there:
            pause = self.postpone(before[-1], start_s)
            before, at_s = (*before[:-1], pause), pause.finish_s
        finish_s = start_s + errand.length_s
        halt = _Halt(
            errand, leg, errand.place, metres, drive_s, at_s, start_s, finish_s
        )
        toll = errand.toll(self.day, self.van, start_s, way.toll)
        return _Way(finish_s, (*before, halt), toll=toll)

    def begun(self) -> tuple[list[_Way], list[_Way]]:
        """Return the ways to begin with: the break to come, and none to come."""
        start = [_Way(free_s=self.van.shift.start_s)]
        return (start, []) if self.van.meal is not None else ([], start)

    def rested(self, due: Sequence[_Way], leg: _Leg) -> list[_Way]:
        """Return ways on which the break is due with it taken, before or on arrival."""
        return _possible(
            self.rest(leg, way, there=there) for way in due for there in (False, True)
        )

    def ended(self, due: Sequence[_Way]) -> list[_Way]:
        """Return ways through all stops on which the break is due, where it can be had.

        Who is back in time for the break takes it after the route.
        """
        back = [way for way in due if self.rest(self.home, way, there=True)]
        return back + _possible(self.rest(self.home, way, there=False) for way in due)

    def ways(self, *, every: bool) -> list[_Way]:
        """Return the way that is home first, or all ways with that one first.

        For the first one alone it is enough to follow up, of the ways with the break
        behind, the one that is free first. The others are home no earlier, but they
        may spare the driver work or driving.
        """
        due, done = self.begun()
        for errand, leg in zip(self.errands, self.legs, strict=True):
            # done is last: if all the same, visits before the break come first
            some = self.approaches(errand, leg, [*self.rested(due, leg), *done])
            if not every:
                some = _soonest(some, lambda one: one.start_s)
            done = [self.visit(errand, leg, one) for one in some]
            if not every:
                done = _best(done)
            some = self.approaches(errand, leg, due)
            due = [self.visit(errand, leg, one) for one in some]
        done += self.ended(due)
        if not every:
            return _best(_soonest(done, self.back_s))
        return sorted(done, key=lambda way: (self.back_s(way), *way.rank))

    def cheapest(self) -> list[_Way]:
        """Return ways through all stops that break and cost least, the best first.

        Each call may be done in any of its ways; of those through the first stops, one
        is dropped for another that is free no later and breaks and costs no more.
        """
        due, done = self.begun()
        for errand, leg in zip(self.errands, self.legs, strict=True):
            rested = self.rested(due, leg)
            choices = self.choices(errand)
            due, done = (
                _undominated(
                    self.visit(each, leg, approach)
                    for way in some
                    for each in choices
                    for approach in self.approaches(each, leg, [way])
                )
                for some in (due, [*rested, *done])
            )
        done += self.ended(due)
        return sorted(
            done,
            key=lambda way: (way.toll.broken, self.close(way).cost_units, way.rank),
        )

    def choices(self, errand: _Errand) -> list[_Errand]:
        """Return an errand once for each way to do it."""
        call = errand.call
        if call is None:
            return [errand]
        # Broken promises count by priority: one more than all of a lower one.
        weight = (1 + len(self.day.calls)) ** (4 - call.priority)
        return [
            errand._replace(spans=_common(errand.spans, mode.spans), weight=weight)
            for mode in modes(self.day, call, self.van)
        ]

    def back_s(self, way: _Way) -> int:
        """Return when the van is at its finish place."""
        return self.drive(self.home, way.free_s)[1]

    def close(self, way: _Way) -> Route:
        """Return the route that a way through all stops makes."""
        van = self.van
        metres, back_s = self.drive(self.home, way.free_s)
        first, leave_s = self.leave_late(way.halts[0])
        stops = tuple(map(self.write, (first, *way.halts[1:])))
        overtime_s = max(0, back_s - van.shift.end_s)
        distance_m = sum(stop.drive_m for stop in stops) + metres
        return Route(
            van_id=van.id,
            stops=stops,
            leave_s=leave_s,
            last_drive_m=metres,
            last_drive_s=back_s - way.free_s,
            finish_s=back_s,
            overtime_s=overtime_s,
            drive_units=distance_m * van.rates.km_cents * UNITS_PER_METRE,
            time_units=(back_s - van.paid_s) * van.rates.hour_cents * UNITS_PER_SECOND,
            overtime_units=overtime_s
            * van.rates.overtime_hour_cents
            * UNITS_PER_SECOND,
            late_units=way.toll.late_units,
            preference_units=way.toll.preference_units,
            change_units=way.toll.change_units,
        )

    def write(self, halt: _Halt) -> Stop:
        """Write a stop out."""
        errand, start_s = halt.errand, halt.start_s
        kind, call = StopKind.BREAK, None
        if errand is not None:
            call = errand.call
            kind = StopKind.RESTOCK if call is None else StopKind.CALL
        return Stop(
            kind=kind,
            call_id=None if call is None else call.id,
            place=halt.place,
            drive_m=halt.drive_m,
            drive_s=halt.drive_s,
            arrive_s=halt.arrive_s,
            start_s=start_s,
            finish_s=halt.finish_s,
            slack_s=None if errand is None else errand.slack_s(start_s),
            leave_by_s=self.leave_by(halt.leg, halt.drive_s, start_s),
            store_id=None if errand is None else errand.store_id,
            late_s=0 if errand is None else errand.late_s(start_s),
        )

    def leave_late(self, first: _Halt) -> tuple[_Halt, int]:
        """Return the first stop with its drive as late as may be, and its start."""
        leg = self.legs[0]
        if first.errand is None and first.drive_s == 0:
            # The break comes before setting off, or the first call is at the door.
            return first._replace(arrive_s=first.start_s), first.start_s
        leave_s = max(self.van.shift.start_s, self.leave_latest(leg, first.start_s))
        _, at_s = self.drive(leg, leave_s)
        return first._replace(arrive_s=at_s, drive_s=at_s - leave_s), leave_s


def lay_out(
    day: Day, travel: TravelTable, van: Van, tasks: Sequence[str | Task]
) -> Route | None:
    """Write out one van's day.

    Parameters
    ----------
    day : Day
        The day.
    travel : TravelTable
        Its travel table.
    van : Van
        The van.
    tasks : sequence of str or Task
        Its calls and restock stops in order, at least one; a plain str is a call id.

    Returns
    -------
    Route or None
        Without the cost of parts; ``None`` when windows, shift, break or limits do
        not allow this order.
    """
    driver = _Driver(day, travel, van, tasks)
    limited = van.drive_limit_s is not None or van.work_limit_s is not None
    for every in (False, True) if limited else (False,):
        for way in driver.ways(every=every):
            route = driver.close(way)
            if _is_allowed(van, route):
                return route
    return None


def lay_out_best(
    day: Day, travel: TravelTable, van: Van, tasks: Sequence[Task]
) -> Route | None:
    """Write out one van's day, each call in the way that is best for all of them.

    Where :func:`lay_out` starts each as early as it can, here one may wait for the hour
    that its customer prefers or was told, or come after its promise where the day
    allows that.

    Parameters
    ----------
    day, travel, van : Day, TravelTable, Van
        The day, its travel table, and the van.
    tasks : sequence of Task
        Its calls and restock stops in order, at least one. ``spans`` cut what a call
        says itself.

    Returns
    -------
    Route or None
        With as few broken promises and as little cost as this order allows (where the
        driver's hours are limited, sometimes more); ``None`` where it finds none.
    """
    anything = tuple(
        task if task.store_id or task.spans else task._replace(spans=((0, NEVER),))
        for task in tasks
    )
    driver = _Driver(day, travel, van, anything)
    for way in driver.cheapest():
        route = driver.close(way)
        if _is_allowed(van, route):
            return route
    return None


def _undominated(ways: Iterable[_Way]) -> list[_Way]:
    kept: list[_Way] = []
    for way in sorted(ways, key=lambda way: (way.free_s, *way.extras, way.rank)):
        if all(
            other.toll.broken > way.toll.broken or other.extras[1] > way.extras[1]
            for other in kept
        ):
            kept.append(way)
    return kept


def _soonest(some: list[_Some], at_s: Callable[[_Some], int]) -> list[_Some]:
    """Return those that are soonest."""
    if len(some) < 2:  # noqa: PLR2004
        return some
    soonest_s = min(map(at_s, some))
    return [one for one in some if at_s(one) == soonest_s]


def _best(ways: list[_Way]) -> list[_Way]:
    """Return the best of some ways, the first of several."""
    return ways if len(ways) < 2 else [min(ways, key=lambda way: way.rank)]  # noqa: PLR2004


def _common(these: Spans, those: Spans) -> Spans:
    both = (
        (max(first, other_first), min(last, other_last))
        for first, last in these
        for other_first, other_last in those
    )
    return sorted((first, last) for first, last in both if first <= last)


def _end_of_day(place: Place | None, node: str) -> tuple[str | None, Place | None]:
    return (None, None) if place is None else (node, place)


def _possible(ways: Iterable[_Way | None]) -> list[_Way]:
    return [way for way in ways if way is not None]


def _is_allowed(van: Van, route: Route) -> bool:
    """Return whether the van is back in time and its driver not overworked."""
    work_s = route.finish_s - route.leave_s
    if van.meal is not None and any(s.kind is StopKind.BREAK for s in route.stops):
        work_s -= van.meal.length_s
    return (
        route.finish_s <= van.shift.end_s + van.overtime_limit_s
        and (van.drive_limit_s is None or route.drive_s <= van.drive_limit_s)
        and (van.work_limit_s is None or work_s <= van.work_limit_s)
    )
