"""An urgent call on a day under way: what can be done about it, honestly.

Somebody stands at the telephone with a stranded customer. So the call is tried at
every place of every van's rest of the day at once, and a short search looks whether
others, moved a little, make room sooner. What comes of it are a few options that differ
in kind, each a whole plan that has been judged; none is worse than another in every
respect. To pass the call on, or not to take it, are options as well. Where somebody is
in danger, what the caller has to do comes before all of them.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dispatch.difference import Difference, Ring, differ, who_to_ring
from dispatch.explain import explain
from dispatch.offer import restrict
from dispatch.planner import (
    Asked,
    Written,
    as_plan,
    because,
    row_of,
    spans_of,
    write_standing,
    write_tasks,
)
from dispatch.problem import (
    CALL,
    FINISH,
    HOLDER,
    LENGTH,
    LOADS,
    NEVER,
    NEXT,
    NODE,
    SHIFT_HI,
    START,
    STORE_VISIT,
    WEIGHT,
    WINDOW,
    WINDOWS,
    Ints,
    Known,
    Problem,
    build_problem,
    frozen,
    no_futures,
    own_copy,
    restock_stores,
)
from dispatch.reach import able_vans
from dispatch.rest import Rest
from dispatch.rules import judge
from dispatch.search.lns import apply_terms, search, ways_of
from dispatch.search.schedule import PARTS, SIZE, Routes, empty_routes
from dispatch.search.trial import (
    BREAKS,
    COST,
    HALT,
    LONG,
    MOVES,
    OMITS,
    PLACE,
    RETURNS,
    STARTS,
    TAKEN,
    VAN,
    memory_of,
    new_trials,
    seat,
    try_everywhere,
)
from dispatch.solver import temperatures, usual_drive
from dispatch.stock import leave_over, part_name, spare_issues, stores
from dispatch.timetable import Task, lay_out
from dispatch.travel import extend_table
from shared.errors import Conflict, Defect, Overtaken
from shared.model import (
    Call,
    Caution,
    Day,
    Issue,
    Origin,
    Plan,
    Proof,
    Purpose,
    Reason,
    Route,
    Rule,
    Standing,
    Status,
    Stop,
    Van,
    Window,
)
from shared.trade import HELD
from shared.units import UNITS_PER_CENT, cents, money

ROUNDS = 200
"""Rounds of each short search; own choice: they fit into the time of a breath."""

ROUNDS_PER_CALL = 4  # no more: few calls have few orders; ten found 1 % more options

AFTER_HOURS_S = 4 * 3600
"""How much longer than agreed a driver is asked to stay at most; own choice."""

NUMBER = "the emergency number of the place they are in (112, 911, 999, 000 ...)"
"""Where the firm names none: which number it is is a matter of the place; the list is
that of the cautions."""

RING_FIRST = "First make sure that the emergency number has been rung."
"""Said wherever a call that may be a danger to life is passed on."""

WHOLE_VANS = 10  # fleets of so many are looked at as a whole
SOONEST_VANS = 5  # of a larger fleet: who could be there first
DETOUR_VANS = 3  # and who passes nearest
LOOKS = 1  # searches for the soonest that breaks no promise
LOOK_S = 2 * 3600  # where no place breaks none, as much later than the soonest
SLACK = 1.05  # so much longer a day of driving may look: traffic is not looked at
DOUBTS = 3  # of a van's days that look too long for its driver are tried
TRIES = 12  # places written out until one works
BoolRow = NDArray[np.bool_]
EARTH_M_PER_DEG = 111_200  # to tell near from far is all it is used for


class OptionKind(StrEnum):
    """What is the point of an option."""

    SOONEST = "soonest"  # at any price
    KEEPING = "keeping"  # soonest that breaks no promise
    QUIET = "quiet"  # soonest that moves nobody else
    CHEAPEST = "cheapest"  # of those that break fewest promises
    AFTER_HOURS = "after_hours"  # a driver stays longer than agreed
    REFER = "refer"  # somebody else does it
    DECLINE = "decline"  # nobody does


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """How an urgent call is asked about.

    Parameters
    ----------
    danger : bool
        Whether a person, a child or an animal is in danger.
    rounds : int
        Of each short search at most; 0: every other call keeps its van and its order.
    seed : int
        Chance is drawn from this alone.
    apart_s, apart_cents : int
        Two options that are no further apart than both, and of which one harms
        nobody more than the other, are one; own choice.
    """

    danger: bool = False
    rounds: int = ROUNDS
    seed: int = 0
    apart_s: int = 300
    apart_cents: int = 200


def _nothing() -> Difference:
    return Difference(changes=())


@dataclass(frozen=True, slots=True, kw_only=True)
class Option:
    """One thing that can be done about an urgent call.

    Parameters
    ----------
    kind : OptionKind
        What is the point of it.
    also : tuple of OptionKind
        What it is as well.
    text : str
        Plain words.
    day : Day
        The rest of the day with the call, where it is taken.
    plan : Plan
        Of that day, judged; where the call is not taken, the plan that runs.
    tasks : mapping of str to tuple of Task
        What the vans that are touched stop for, in order.
    van_id : str or None
        Who comes; ``None``: nobody of this firm.
    arrive_s : int or None
        When the visit starts.
    cost_cents : int
        What distance, time, overtime and parts cost more than without the call.
    moved : tuple of str
        Other calls that start earlier or later by more than the day's tolerance.
    broken : tuple of str
        Calls whose promise would be broken and stood before.
    dropped : tuple of str
        Calls that nobody would serve any more.
    parts : tuple of str
        Which parts the call uses, and what that does to others, in words.
    agree : str
        What the driver has to agree to, in words; empty: nothing.
    reasons : tuple of Reason
        Why nobody of the firm can do such a call at all; for other causes see
        :func:`why_not`.
    difference : Difference
        What it changes, call by call, with the reason for each.
    ring : tuple of Ring
        Whom to ring about it, and what to say.
    """

    kind: OptionKind
    text: str
    day: Day
    plan: Plan
    also: tuple[OptionKind, ...] = ()
    tasks: Mapping[str, tuple[Task, ...]] = field(default_factory=dict)
    van_id: str | None = None
    arrive_s: int | None = None
    cost_cents: int = 0
    moved: tuple[str, ...] = ()
    broken: tuple[str, ...] = ()
    dropped: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()
    agree: str = ""
    reasons: tuple[Reason, ...] = ()
    difference: Difference = field(default_factory=_nothing)
    ring: tuple[Ring, ...] = ()

    @property
    def figures(self) -> tuple[int, int, int, int, int, int]:
        """What options are compared by; less is better in each.

        Returns
        -------
        tuple of int
            Arrival (``NEVER``: nobody comes), cost in cents, promises broken, customers
            moved, calls dropped (this one too), and 1 where a driver has to agree.
        """
        return (
            NEVER if self.arrive_s is None else self.arrive_s,
            self.cost_cents,
            len(self.broken),
            len(self.moved),
            len(self.dropped) + (self.van_id is None),
            int(bool(self.agree)),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What to say and what can be done about an urgent call.

    Parameters
    ----------
    first : tuple of Caution
        To be said before anything else; empty where nobody can be in danger.
    options : tuple of Option
        The best first: those that take the call, then to pass it on, then not to take
        it.
    """

    first: tuple[Caution, ...]
    options: tuple[Option, ...]


# --- the running plan, ready to be asked ------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """The running plan of the rest of a day, ready for the telephone to ring.

    Parameters
    ----------
    rest : Rest
        The rest of the day.
    plan : Plan
        What stands, laid out anew and judged.
    stops : mapping of str to (str, Stop)
        Van and visit of each call that is served.
    ways : dict
        Ways to do calls, as far as they have been worked out.
    """

    rest: Rest
    plan: Plan
    stops: Mapping[str, tuple[str, Stop]]
    ways: Known = field(default_factory=dict, compare=False, repr=False)

    @property
    def day(self) -> Day:
        """The rest of the day.

        Returns
        -------
        Day
            Without the urgent call.
        """
        return self.rest.day


def set_board(rest: Rest) -> Board:
    """Lay the running plan out, so that an urgent call finds all at hand.

    Parameters
    ----------
    rest : Rest
        The rest of the day.

    Returns
    -------
    Board
        As good for any number of calls, as long as nothing else happens.

    Raises
    ------
    Overtaken
        When what stands cannot be done any more: it has to be planned anew first.
    """
    day = rest.day
    written = write_standing(day, rest.travel, rest.standing)
    if written is None:
        raise Overtaken("what stands cannot be done any more: plan the rest anew first")
    plan = as_plan(day, written)
    faults = judge(day, rest.travel, plan)
    if faults:
        raise Overtaken(
            "what stands breaks rules, plan the rest anew first:\n"
            + "\n".join(str(fault) for fault in faults)
        )
    ways: Known = {}
    if len(day.vans) <= WHOLE_VANS:
        build_problem(day, rest.travel, known=ways)
    return Board(rest=rest, plan=plan, stops=_stops(plan.routes), ways=ways)


def _stops(routes: Iterable[Route]) -> dict[str, tuple[str, Stop]]:
    return {
        stop.call_id: (route.van_id, stop)
        for route in routes
        for stop in route.stops
        if stop.call_id is not None
    }


# --- a part of the day, with the call ---------------------------------------------


def _closure(board: Board, van_ids: Iterable[str]) -> tuple[str, ...]:
    """Return vans, and those whose calls hang together with theirs, in order."""
    day = board.day
    inside = set(van_ids)
    if day.exchange:
        inside = {van.id for van in day.vans}
    more = True
    while more:
        more = False
        for link in day.links:
            ends = {
                board.stops[c][0] for c in (link.first, link.then) if c in board.stops
            }
            if ends & inside and not ends <= inside:
                inside |= ends
                more = True
    return tuple(van.id for van in day.vans if van.id in inside)


def _cut(board: Board, van_ids: Sequence[str], call: Call) -> Day:
    """Return the day of some vans and the call, with what the others leave over."""
    day, inside = board.day, set(van_ids)
    own = {c for c, (van_id, _) in board.stops.items() if van_id in inside}
    part = restrict(day, own)
    calls = (*part.calls, call)
    if len(inside) == len(day.vans):
        return replace(part, calls=calls)
    outside = [issue for issue in board.plan.issues if issue.van_id not in inside]
    left = leave_over(day, outside, Purpose.CALL)
    out = [use.tool_id for use in board.plan.tools if use.van_id not in inside]
    return replace(
        part,
        calls=calls,
        vans=tuple(
            replace(van, stock=+left.vans[van.id])
            for van in day.vans
            if van.id in inside
        ),
        shop=replace(day.shop, stock=+left.shop),
        counters=tuple(
            replace(store, stock=+left.counters[store.id]) for store in day.counters
        ),
        tools=tuple(
            replace(tool, quantity=tool.quantity - out.count(tool.id))
            for tool in day.tools
            if tool.quantity > out.count(tool.id)
        ),
    )


def _near(board: Board, call: Call) -> tuple[str, ...]:
    """Return the vans worth looking at, in the order of the day."""
    day = board.day
    if len(day.vans) <= WHOLE_VANS:
        return tuple(van.id for van in day.vans)
    able = able_vans(day, call) or day.vans
    routes = {route.van_id: route for route in board.plan.routes}
    here = np.array([call.parked.lat_deg, call.parked.lon_deg])
    scale = np.array([1.0, np.cos(np.radians(call.parked.lat_deg))]) * EARTH_M_PER_DEG
    speed = day.travel.free_flow_kmh / 3.6
    first: list[tuple[float, str]] = []
    aside: list[tuple[float, str]] = []
    for van in able:
        stops = routes[van.id].stops if van.id in routes else ()
        spots = [van.start, *(stop.place for stop in stops), van.finish]
        known = [(p.lat_deg, p.lon_deg) for p in spots if p is not None]
        if not known:
            known = [(call.parked.lat_deg, call.parked.lon_deg)]
        points = (np.array(known) - here) * scale
        away = np.sqrt((points**2).sum(axis=1))
        leg = np.sqrt((np.diff(points, axis=0) ** 2).sum(axis=1))
        detour = away[:-1] + away[1:] - leg if len(leg) else away
        first.append((van.shift.start_s + float(away[0]) / speed, van.id))
        aside.append((float(detour.min()), van.id))
    chosen = {van_id for _, van_id in sorted(first)[:SOONEST_VANS]}
    for _, van_id in sorted(aside):
        if len(chosen) < SOONEST_VANS + DETOUR_VANS:
            chosen.add(van_id)
    return _closure(board, chosen)


class _Made(NamedTuple):
    """A plan written out and judged."""

    day: Day
    plan: Plan
    tasks: dict[str, tuple[Task, ...]]
    van_id: str
    start_s: int
    cost_units: int
    moved: tuple[str, ...]
    broken: tuple[str, ...]
    dropped: tuple[str, ...]
    agree: str

    @property
    def harm(self) -> tuple[int, int, int]:
        """Calls dropped, promises broken, customers moved."""
        return len(self.dropped), len(self.broken), len(self.moved)

    @property
    def long(self) -> bool:
        """Whether a driver has to agree to stay longer."""
        return bool(self.agree)


class _Orders(NamedTuple):
    """The visits of the vans that are touched, by row, and the table of visits."""

    visits: dict[int, tuple[int, ...]]
    table: Ints
    long: bool = False  # after hours

    @property
    def key(self) -> tuple[bool, frozenset[tuple[int, tuple[int, ...]]]]:
        """What tells them from others."""
        return self.long, frozenset(self.visits.items())


class _Likely(NamedTuple):
    """A plan that is not written out yet, by what it should come to."""

    orders: _Orders
    start_s: int
    cost_units: int
    harm: tuple[int, int, int]
    taken: bool = False  # parts that others have reserved
    doubtful: bool = False  # looks too long for its driver

    @property
    def long(self) -> bool:
        """Whether a driver has to agree to stay longer."""
        return self.orders.long


class _Tried(NamedTuple):
    """Places for the call that work."""

    rows: Ints
    orders: Ints
    doubtful: BoolRow  # look too long for the driver's hours
    hopeless: BoolRow  # are too long for them, or lack parts, whatever is done

    def those(self, which: BoolRow) -> "_Tried":
        """Return some of them."""
        return _Tried(
            self.rows[which],
            self.orders[which],
            self.doubtful[which],
            self.hopeless[which],
        )


class _Part:
    """The vans looked at, their calls and the urgent one, as arrays."""

    def __init__(self, board: Board, call: Call, ask: Ask) -> None:
        self.board, self.call, self.ask = board, call, ask
        self.cuts: dict[tuple[str, ...], Day] = {}
        self.laid: dict[tuple[str, int, tuple[Task, ...]], Route | None] = {}
        self.day = self._cut(_near(board, call))
        self.travel = extend_table(board.rest.travel, self.day)
        problem = build_problem(self.day, self.travel, known=board.ways)
        self.restocks = restock_stores(self.day)
        self.row = len(self.day.calls) - 1
        self.vans = {van.id: row for row, van in enumerate(self.day.vans)}
        self.rows = {call.id: row for row, call in enumerate(self.day.calls)}
        self.stands: dict[int, tuple[int, ...]] = {}
        routes = empty_routes(problem)
        for route in board.plan.routes:
            if route.van_id in self.vans:
                van = self.vans[route.van_id]
                order = tuple(self._visits(problem, van, route))
                routes.order[van, : len(order)] = order
                routes.facts[van, SIZE] = len(order)
                self.stands[van] = order
        self.problem = own_copy(problem)
        self._settle_links(self.problem, routes)
        self.steady = seat(self.problem, routes, 0) == 0
        self.routes = routes
        self.ways = ways_of(problem)
        self.heat = temperatures(usual_drive(problem), (0.8, 1.0))
        self.lacks: set[int] = set()  # vans that cannot have the parts

    def _visits(self, problem: Problem, van: int, route: Route) -> Iterable[int]:
        """Return a route that stands as rows of the visit table."""
        stores = [store.id for store in self.restocks]
        for stop in route.stops:
            if stop.store_id is not None:
                yield int(problem.stores[stores.index(stop.store_id), STORE_VISIT])
            elif stop.call_id is not None:
                visit = row_of(problem, van, self.rows[stop.call_id], stop.start_s)
                if visit < 0:
                    raise Defect("a visit that stands is at no time at which it may be")
                yield visit

    def _settle_links(self, problem: Problem, routes: Routes) -> None:
        """Cut the windows of linked calls to what stands."""
        if len(problem.links) == 0:
            return
        for van, size in enumerate(routes.facts[:, SIZE].tolist()):
            calls = problem.visits[routes.order[van, :size], CALL]
            routes.van_of[calls] = van
            routes.place_of[calls] = np.arange(size)
        for row, link in enumerate(self.day.links):
            first, then = (self.board.stops[c][1] for c in (link.first, link.then))
            most_s = NEVER if link.max_gap_s is None else link.max_gap_s
            routes.terms[row] = (
                0 if link.max_gap_s is None else first.start_s,
                then.start_s - link.min_gap_s,
                then.start_s,
                min(NEVER, first.finish_s + most_s),
            )
        apply_terms(problem, routes)

    # --- the call at every place

    def trials(self, problem: Problem, omits: int) -> _Tried:
        """Try the call everywhere; where drivers stay longer, only what asks for it."""
        trials = new_trials(problem, self.routes)
        stops, tolerance_s = self.board.stops, self.day.tolerance_s
        starts = {
            row: stops[call_id][1].start_s
            for call_id, row in self.rows.items()
            if call_id in stops
        }
        trials.since[list(starts)] = list(starts.values())
        # What keeps time free is nobody's.
        theirs = [row for row in starts if self.day.calls[row].kind != HELD]
        trials.span[theirs, 0] = trials.since[theirs] - tolerance_s
        trials.span[theirs, 1] = trials.since[theirs] + tolerance_s
        count = try_everywhere(problem, self.routes, trials, self.row, omits)
        rows, orders = trials.rows[:count], trials.order[:count]
        if problem is not self.problem:
            more = rows[:, RETURNS] > self.problem.vans[rows[:, VAN], SHIFT_HI]
            rows, orders = rows[more], orders[more]
        doubtful, hopeless = self.long_hours(rows, orders)
        taken = rows[:, TAKEN] == 1
        if taken.any():
            hopeless |= taken & self.lacking()[rows[:, VAN]]
        return _Tried(rows, orders, doubtful, hopeless)

    def lacking(self) -> BoolRow:
        """Return which vans have too few parts, whichever of them go to which call."""
        problem = self.problem
        held = problem.stock[problem.vans[:, HOLDER]]
        held = held + problem.vans[:, LOADS, None] * problem.stock[len(held)]
        for _, store in problem.stores.tolist():
            held += problem.stock[store]
        used = np.zeros_like(held)
        for van, order in self.stands.items():
            calls = problem.visits[list(order), CALL]
            used[van] = problem.must[calls[calls < problem.call_count]].sum(axis=0)
        used += problem.must[self.row]
        found: BoolRow = ((used > held) & (problem.reused == 0)).any(axis=1)
        return found

    @cached_property
    def usual(self) -> Ints:
        """Of each van: when it leaves, how long it drives, and would at free flow."""
        routes = {route.van_id: route for route in self.board.plan.routes}
        sizes = self.routes.facts[:, SIZE]
        free_s = self._driving_s(np.arange(len(sizes)), self.routes.order, sizes)
        rows = []
        for van, out in enumerate(self.day.vans):
            route = routes.get(out.id)
            if route is None or not self.stands.get(van):
                rows.append((out.shift.start_s, 1, 1))
            else:
                rows.append((route.leave_s, route.drive_s, max(1, int(free_s[van]))))
        return np.array(rows, np.int64)

    def long_hours(self, rows: Ints, orders: Ints) -> tuple[BoolRow, BoolRow]:
        """Return which trials look too long for a driver's hours, and which are."""
        doubtful, hopeless = np.zeros(len(rows), bool), np.zeros(len(rows), bool)
        vans = self.day.vans
        limits = [(van.drive_limit_s, van.work_limit_s) for van in vans]
        most_s = np.array([[*map(_or_never, pair)] for pair in limits], np.int64)
        some = np.flatnonzero((most_s[rows[:, VAN]] < NEVER).any(axis=1))
        if not len(some):
            return doubtful, hopeless
        rows, orders = rows[some], orders[some]
        van, sizes = rows[:, VAN], rows[:, LONG]
        most_drive_s, most_work_s = most_s[van].T
        drive_s = self._driving_s(van, orders, sizes)
        fastest = max(1000, *self.travel.traffic.speed_permille)
        least_s = 1000 * drive_s // fastest - sizes  # rounded legs
        busy_s = least_s + self._visiting_s(orders, sizes)
        hopeless[some] = (least_s > most_drive_s) | (busy_s > most_work_s)
        # As much slower than at free flow as the route that stands.
        leaves_s, drove_s, free_s = self.usual[van].T
        drive_s = drive_s * drove_s // free_s
        later = rows[:, [PLACE, HALT]] % NEVER  # no stop: never
        shifts_s = np.array([out.shift.start_s for out in vans], np.int64)[van]
        leave_s = np.where(later.min(axis=1) > 0, leaves_s, shifts_s)
        meals = (out.meal.length_s if out.meal else 0 for out in vans)
        meal_s = np.array([*meals], np.int64)[van]
        doubtful[some] = (rows[:, RETURNS] - leave_s - meal_s > most_work_s) | (
            drive_s > SLACK * most_drive_s
        )
        return doubtful, hopeless

    def _visiting_s(self, orders: Ints, sizes: Ints) -> Ints:
        """Return how long the visits of routes take."""
        lengths_s = self.problem.visits[orders, LENGTH]
        lengths_s[np.arange(orders.shape[1]) >= sizes[:, None]] = 0
        total: Ints = lengths_s.sum(axis=1)
        return total

    def _driving_s(self, vans: Ints, orders: Ints, sizes: Ints) -> Ints:
        """Return how long routes of vans drive at free flow."""
        rows, width = orders.shape
        nodes = np.full((rows, width + 2), -1)
        nodes[:, 0] = self.problem.vans[vans, START]
        nodes[:, 1:-1] = self.problem.visits[orders, NODE]
        nodes[:, 1:][np.arange(width + 1) >= sizes[:, None]] = -1
        nodes[np.arange(rows), sizes + 1] = self.problem.vans[vans, FINISH]
        here, there = nodes[:, :-1], nodes[:, 1:]
        legs_s = self.problem.base_s[here, there]
        legs_s[(here < 0) | (there < 0)] = 0
        total: Ints = legs_s.sum(axis=1)
        return total

    def longer(self) -> Problem:
        """Return the problem with drivers who stay longer than agreed."""
        vans = self.problem.vans.copy()
        vans[:, SHIFT_HI] += AFTER_HOURS_S
        return self.problem._replace(vans=frozen(vans))

    # --- a short search

    def search(self, orders: _Orders, by_s: int = NEVER) -> tuple[_Orders, int] | None:
        """Search from routes with the call on one; it starts by a second.

        What comes of it are the routes that change, and what their parts cost.
        """
        problem, given = self.problem, self.problem.given.copy()
        weight = given[: problem.call_count, WEIGHT].sum()
        visit = self.row
        while visit >= 0:  # this call is served, whatever it takes
            given[visit, WEIGHT] = weight
            for cell in range(WINDOW, WINDOW + 2 * int(given[visit, WINDOWS]), 2):
                given[visit, cell + 1] = min(given[visit, cell + 1], by_s)
                if given[visit, cell] > given[visit, cell + 1]:
                    given[visit, cell : cell + 2] = NEVER, -1
            visit = int(given[visit, NEXT])
        own = own_copy(problem._replace(given=frozen(given)))
        routes = empty_routes(own)
        for van, order in (self.stands | orders.visits).items():
            routes.order[van, : len(order)] = order
            routes.facts[van, SIZE] = len(order)
        self._settle_links(own, routes)
        if seat(own, routes, 1) < 0 or routes.van_of[self.row] < 0:
            return None
        memory = memory_of(own, routes, self.ways)
        chance = np.random.default_rng(self.ask.seed)
        rounds = min(self.ask.rounds, ROUNDS_PER_CALL * own.call_count)
        search(own, memory, chance, rounds, self.heat, no_futures())
        best = memory.best
        if len(own.links):
            apply_terms(own, best)
        sizes = best.facts[:, SIZE].tolist()
        found = {
            van: tuple(best.order[van, :size].tolist())
            for van, size in enumerate(sizes)
        }
        changed = {
            van: order
            for van, order in found.items()
            if order != self.stands.get(van, ())
        }
        parts_units = int(best.facts[list(changed), PARTS].sum())
        return _Orders(changed, own.visits), parts_units

    def lay_out(self, orders: _Orders, parts_units: int) -> _Likely | None:
        """Say what routes come to whose parts cost so much; ``None``: too long."""
        board, routes = self.board, []
        for van, visits in orders.visits.items():
            tasks = tuple(self._task(orders.table, visit) for visit in visits)
            if tasks:
                route = self._route(self.day.vans[van], tasks)
                if route is None:
                    return None
                routes.append(route)
        ids = {self.day.vans[van].id for van in orders.visits}
        after = _stops(routes)
        before = {c: stop for c, (v, stop) in board.stops.items() if v in ids}
        dropped = self.customers(before.keys() - after.keys())
        moved = self.customers(
            c
            for c, stop in before.items()
            if c in after
            and abs(after[c][1].start_s - stop.start_s) > self.day.tolerance_s
        )
        broken = sum(
            stop.late_s > 0 and not (c in before and before[c].late_s)
            for c, (_, stop) in after.items()
        )
        then = sum(_paid(route) for route in board.plan.routes if route.van_id in ids)
        return _Likely(
            orders=orders,
            start_s=after[self.call.id][1].start_s,
            cost_units=sum(map(_paid, routes)) + parts_units - then,
            harm=(len(dropped), broken, len(moved)),
        )

    def customers(self, call_ids: Iterable[str]) -> tuple[str, ...]:
        """Return calls without those that keep time free: nobody has these."""
        calls = self.day.calls
        return tuple(c for c in call_ids if calls[self.rows[c]].kind != HELD)

    # --- written out

    def build(self, likely: _Likely, *, whole: bool = False) -> _Made | None:
        """Write a plan out and have it judged; ``None``: it does not work."""
        board, orders = self.board, likely.orders
        ids = tuple(self.vans)
        touched = ids
        if not whole:
            touched = _closure(board, (ids[van] for van in orders.visits))
        day = self._cut(touched)
        if orders.long:
            day = _lengthen(day, AFTER_HOURS_S)
        tasks, routes = {}, []
        for van in day.vans:
            row = self.vans[van.id]
            visits = orders.visits.get(row, self.stands.get(row, ()))
            if visits:
                some = tuple(self._task(orders.table, visit) for visit in visits)
                route = self._route(van, some)
                if route is None:
                    return None
                tasks[van.id] = some
                routes.append(route)
        written = write_tasks(Asked(day, self.travel, day), tasks, routes)
        if written is None:
            return None
        after = _stops(written.routes)
        before = {c: at for c, at in board.stops.items() if at[0] in touched}
        if not whole and len(touched) < len(ids) and self._frees(touched, written):
            return self.build(likely, whole=True)
        if orders.long:
            day = _as_long(day, board.day, written.routes)
        dropped = tuple(c.id for c in day.calls if c.id in before.keys() - after.keys())
        plan = self._plan(day, written, dropped)
        faults = judge(day, self.travel, plan)
        if faults:
            raise Defect(
                "keyround's own judge refuses the option:\n"
                + "\n".join(str(fault) for fault in faults)
            )
        return self._merge(day, plan, tasks, dropped)

    def _cut(self, touched: tuple[str, ...]) -> Day:
        """Return the day of some of the vans; several plans are about the same ones."""
        if touched not in self.cuts:
            self.cuts[touched] = _cut(self.board, touched, self.call)
        return self.cuts[touched]

    def _route(self, van: Van, tasks: tuple[Task, ...]) -> Route | None:
        """Return a van's day laid out; several plans have the same one."""
        key = van.id, van.overtime_limit_s, tasks
        if key not in self.laid:
            self.laid[key] = lay_out(self.day, self.travel, van, tasks)
        return self.laid[key]

    def _task(self, table: Ints, visit: int) -> Task:
        cells = table[visit].tolist()
        call, spans = cells[CALL], spans_of(cells)
        if call >= len(self.day.calls):
            store = self.restocks[call - len(self.day.calls)]
            return Task(store_id=store.id, spans=spans)
        return Task(call_id=self.day.calls[call].id, spans=spans)

    def _frees(self, touched: Sequence[str], written: Written) -> bool:
        """Return whether something at a store is free now that others may want.

        Who has the wanted part at no extra cost wants no other.
        """
        calls = {call.id: call for call in self.board.day.calls}
        if not any(
            issue.van_id not in touched
            and issue.call_id is not None
            and issue.need is not None
            and (
                issue.extra_cents > 0
                or issue.origin is Origin.VAN
                or issue.chosen
                != calls[issue.call_id].needs[issue.need].alternatives[0]
            )
            for issue in self.board.plan.issues
        ):
            return False
        then = _taken(i for i in self.board.plan.issues if i.van_id in touched)
        now = _taken(written.issues)
        return any(now.get(key, 0) < count for key, count in then.items())

    def _plan(self, day: Day, written: Written, dropped: Sequence[str]) -> Plan:
        """Return the plan of a part, with what makes calls late or drops them."""
        routes, issues = written.routes, written.issues
        who = self.call.customer or self.call.id
        reasons = {one.call_id: one for one in self.board.plan.late}
        late = [s.call_id for r in routes for s in r.stops if s.late_s and s.call_id]
        return Plan(
            routes=routes,
            issues=(*issues, *spare_issues(day, routes, issues)),
            unplaced=tuple(
                because(one, Rule.ROOM, f"gives way to the urgent call of {who}")
                for one in dropped
            ),
            late=tuple(
                reasons.get(one)
                or because(one, Rule.PROMISE, f"the urgent call of {who} comes first")
                for one in late
            ),
            status=Status(proof=Proof.BEST_FOUND),
            tools=written.tools,
        )

    def _merge(
        self,
        day: Day,
        part: Plan,
        tasks: Mapping[str, Sequence[Task]],
        dropped: tuple[str, ...],
    ) -> _Made:
        """Return the whole plan: what is touched, and the rest as it was."""
        board, call = self.board, self.call
        touched = {van.id: van for van in day.vans}
        old = {r.van_id: r for r in board.plan.routes}
        new = {r.van_id: r for r in part.routes}
        whole = replace(
            board.day,
            calls=(*board.day.calls, call),
            vans=tuple(
                replace(van, overtime_limit_s=touched[van.id].overtime_limit_s)
                if van.id in touched
                else van
                for van in board.day.vans
            ),
        )
        routes = tuple(
            route
            for van in whole.vans
            if (route := (new if van.id in touched else old).get(van.id)) is not None
        )
        issues = [i for i in board.plan.issues if i.van_id not in touched]
        issues += part.issues
        if len(touched) < len(whole.vans) and any(
            issue.origin is Origin.SHOP for issue in part.issues
        ):  # there are fewer spares left for the others
            used = [issue for issue in issues if issue.purpose is Purpose.CALL]
            issues = [*used, *spare_issues(whole, routes, used)]
        late = {one.call_id: one for one in (*board.plan.late, *part.late)}
        after = _stops(routes)
        plan = Plan(
            routes=routes,
            issues=tuple(issues),
            unplaced=(*board.plan.unplaced, *part.unplaced),
            late=tuple(
                late[c.id]
                for c in whole.calls
                if c.id in after and after[c.id][1].late_s
            ),
            status=part.status,
            tools=tuple(
                sorted(
                    (
                        *(u for u in board.plan.tools if u.van_id not in touched),
                        *part.tools,
                    ),
                    key=lambda use: use.van_id,
                )
            ),
        )
        moved = self.customers(
            c
            for c, (van_id, stop) in board.stops.items()
            if van_id in touched
            and c in after
            and abs(after[c][1].start_s - stop.start_s) > whole.tolerance_s
        )
        stays = {
            v: [t for t in some if t.call_id or _stops_at(new[v], t.store_id)]
            for v, some in tasks.items()
        }
        van_id, stop = after[call.id]
        return _Made(
            day=whole,
            plan=plan,
            tasks={v: tuple(stays.get(v, ())) for v in touched},
            van_id=van_id,
            start_s=stop.start_s,
            cost_units=sum(map(_paid, new.values()))
            - sum(_paid(old[v]) for v in touched if v in old),
            moved=moved,
            broken=tuple(
                c
                for c, (_, visit) in after.items()
                if visit.late_s and not (c in board.stops and board.stops[c][1].late_s)
            ),
            dropped=self.customers(dropped),
            agree=_agreement(board.day, routes),
        )


def _or_never(limit_s: int | None) -> int:
    return NEVER if limit_s is None else limit_s


def _taken(issues: Iterable[Issue]) -> dict[tuple[str | None, str], int]:
    """Return what calls take from each store."""
    taken: dict[tuple[str | None, str], int] = {}
    for issue in issues:
        if issue.purpose is Purpose.CALL and issue.origin is not Origin.ABOARD:
            key = (issue.from_van or issue.store_id, issue.part_id)
            taken[key] = taken.get(key, 0) + issue.quantity
    return taken


def _stops_at(route: Route, store_id: str | None) -> bool:
    return any(stop.store_id == store_id for stop in route.stops)


def _paid(route: Route) -> int:
    """Return what a route really costs: nothing is paid for a customer who waits."""
    return (
        route.drive_units + route.time_units + route.overtime_units + route.parts_units
    )


def _lengthen(day: Day, more_s: int) -> Day:
    vans = (
        replace(van, overtime_limit_s=van.overtime_limit_s + more_s) for van in day.vans
    )
    return replace(day, vans=tuple(vans))


def _as_long(day: Day, agreed: Day, routes: Sequence[Route]) -> Day:
    """Return the day with drivers who stay as long as these routes take."""
    limits = {van.id: van.overtime_limit_s for van in agreed.vans}
    over = {route.van_id: route.overtime_s for route in routes}
    return replace(
        day,
        vans=tuple(
            replace(van, overtime_limit_s=max(limits[van.id], over.get(van.id, 0)))
            for van in day.vans
        ),
    )


def _agreement(day: Day, routes: Sequence[Route]) -> str:
    """Say who has to agree to what."""
    vans = {van.id: van for van in day.vans}
    words = []
    for route in routes:
        van = vans[route.van_id]
        more_s = route.overtime_s - van.overtime_limit_s
        if more_s > 0:
            words.append(
                f"{van.driver or van.id} would be back at "
                f"{day.clock.hhmm(route.finish_s)}, {-(-more_s // 60)} min later than "
                "agreed: ask before promising"
            )
    return "; ".join(words)


# --- which of them are worth saying -----------------------------------------------


class _Queue:
    """Places for the call, the best by some measure first."""

    def __init__(self, some: _Tried, rows: Iterable[int], *, long: bool) -> None:
        self.some, self.long = some, long
        self.rows = iter(rows)
        self.head: _Likely | _Made | None = None
        self.tries = 0

    def following(self, table: Ints) -> Iterator[_Likely]:
        """Yield what is left of them."""
        some = self.some
        for row in self.rows:
            cells = some.rows[row].tolist()
            visits = tuple(some.orders[row, : cells[LONG]].tolist())
            yield _Likely(
                orders=_Orders({cells[VAN]: visits}, table, self.long),
                start_s=cells[STARTS],
                cost_units=cells[COST],
                harm=(0, cells[BREAKS], cells[MOVES]),
                taken=bool(cells[TAKEN]),
                doubtful=bool(some.doubtful[row]),
            )


class _Finder:
    """Looks for options that take the call."""

    def __init__(self, part: _Part) -> None:
        self.part = part
        self.queues: list[_Queue] = []
        self.searched: list[_Likely | _Made] = []
        self.known: dict[object, _Likely | _Made | None] = {}  # None: does not work
        self.doubts: dict[int, int] = {}  # tries of a van's long days that failed

    def run(self) -> list[tuple[_Made, list[OptionKind]]]:
        """Return plans with the call, and of what kind each is the best."""
        part = self.part
        seeds = part.trials(part.problem, omits=1)
        plain = seeds.those(seeds.rows[:, OMITS] == 0)
        self._queue(plain, (STARTS, BREAKS, MOVES, COST))
        self._queue(plain, (STARTS, MOVES, COST), breaks=0)
        self._queue(plain, (STARTS, COST), breaks=0, moves=0)
        self._queue(plain, (BREAKS, COST, MOVES, STARTS))
        if part.ask.rounds and part.steady and len(seeds.rows):
            self._move_others(plain, seeds)
        self._stay_longer()
        while True:
            found = _sort(_pick(self._best()), part.ask)
            made = [(one, kinds) for one, kinds in found if isinstance(one, _Made)]
            if len(made) == len(found):
                return made
            for one, _ in found:  # only what is offered is worth writing out
                if isinstance(one, _Likely):
                    self._write(one)

    def _best(self) -> list[_Likely | _Made]:
        """Return the best by each measure, and what was searched for."""
        heads = [queue.head for queue in self.queues if queue.head is not None]
        return [*heads, *self.searched]

    def _queue(
        self,
        some: _Tried,
        by: Sequence[int],
        *,
        breaks: int = NEVER,
        moves: int = NEVER,
        long: bool = False,
    ) -> None:
        """Put some trials in order, the best first, doubtful ones last."""
        rows = some.rows
        right = np.flatnonzero(
            (rows[:, BREAKS] <= breaks) & (rows[:, MOVES] <= moves) & ~some.hopeless
        )
        keys = tuple(rows[right, column] for column in reversed((*by, TAKEN)))
        order = right[np.lexsort((*keys, some.doubtful[right]))].tolist()
        queue = _Queue(some, order, long=long)
        self.queues.append(queue)
        self._advance(queue)

    def _advance(self, queue: _Queue) -> None:
        """Go on to the next place that may work."""
        queue.head = None
        for likely in queue.following(self.part.problem.visits):
            known = self.known.setdefault(likely.orders.key, likely)
            (van,) = likely.orders.visits
            if (
                known is not None
                and not (likely.taken and van in self.part.lacks)
                and not (likely.doubtful and self.doubts.get(van, 0) >= DOUBTS)
            ):
                queue.head = known
                return

    def _write(self, likely: _Likely) -> None:
        """Write a plan out; where it does not work, the next ones take its place."""
        made = self.part.build(likely)
        self.known[likely.orders.key] = made
        if made is None:
            for van in likely.orders.visits:
                if likely.taken:
                    self.part.lacks.add(van)
                if likely.doubtful:
                    self.doubts[van] = self.doubts.get(van, 0) + 1
        found = [made] if made is not None else []
        self.searched = [
            other
            for one in self.searched
            for other in (found if one is likely else [one])
        ]
        for queue in self.queues:
            if queue.head is not likely:
                continue
            queue.head = made
            queue.tries += 1
            if made is None and queue.tries < TRIES:
                self._advance(queue)

    def _move_others(self, plain: _Tried, seeds: _Tried) -> None:
        """Look for plans in which others make room."""
        soonest_s = self._search(seeds, NEVER)
        if soonest_s is None:
            return
        low_s, high_s = soonest_s, self._safe_s()
        if high_s == NEVER:
            high_s = soonest_s + LOOK_S
        for _ in range(LOOKS):
            if high_s - low_s <= self.part.ask.apart_s:
                break
            middle_s = (low_s + high_s) // 2
            self._search(seeds, middle_s)
            if self._safe_s() <= middle_s:
                high_s = self._safe_s()
            else:
                low_s = middle_s
        if len(plain.rows):
            cheap = np.lexsort((plain.rows[:, COST], plain.rows[:, BREAKS]))
            self._add(self.part.search(self._orders(plain, int(cheap[0]))))

    def _safe_s(self) -> int:
        """Return the soonest start that drops nobody and breaks no promise."""
        safe = (one.start_s for one in self._best() if one.harm[:2] == (0, 0))
        return min(safe, default=NEVER)

    def _search(self, seeds: _Tried, by_s: int) -> int | None:
        """Search with the call by a second, or else as soon as can be."""
        rows = seeds.rows
        harm = rows[:, OMITS] + rows[:, TAKEN]
        right = np.arange(len(rows))
        keys = [rows[:, COST], rows[:, MOVES], rows[:, BREAKS], harm, rows[:, STARTS]]
        if by_s < NEVER:  # soon enough will do: with as little harm as can be
            right = np.flatnonzero(rows[:, STARTS] <= by_s)
            keys = [rows[:, STARTS], *keys[:-1]]
        if len(right) == 0:
            return None
        row = int(right[np.lexsort([key[right] for key in keys])[0]])
        start_s = int(rows[row, STARTS])
        limit_s = start_s if by_s == NEVER else by_s
        self._add(self.part.search(self._orders(seeds, row), limit_s))
        return start_s

    def _orders(self, some: _Tried, row: int) -> _Orders:
        rows = some.rows
        visits = tuple(some.orders[row, : rows[row, LONG]].tolist())
        return _Orders({int(rows[row, VAN]): visits}, self.part.problem.visits)

    def _add(self, found: tuple[_Orders, int] | None) -> None:
        """Say what a search has found, if it is new."""
        if found is None or found[0].key in self.known:
            return
        likely = self.part.lay_out(*found)
        if likely is not None:
            self.known[likely.orders.key] = likely
            self.searched.append(likely)

    def _stay_longer(self) -> None:
        """Look for plans in which a driver stays longer than agreed."""
        part = self.part
        some = part.trials(part.longer(), omits=0)
        self._queue(some, (BREAKS, MOVES, STARTS, COST), long=True)


_Some = _Likely | _Made
_Key = Callable[[_Some], tuple[int, ...]]


def _pick(some: Sequence[_Some]) -> dict[OptionKind, _Some]:
    """Return the best of each kind."""
    usual = [one for one in some if not one.long]
    best: list[tuple[OptionKind, list[_Some], _Key]] = [
        (
            OptionKind.KEEPING,
            [one for one in usual if one.harm[:2] == (0, 0)],
            lambda one: (one.start_s, one.harm[2], one.cost_units),
        ),
        (
            OptionKind.SOONEST,
            usual,
            lambda one: (one.start_s, *one.harm, one.cost_units),
        ),
        (
            OptionKind.QUIET,
            [one for one in usual if one.harm == (0, 0, 0)],
            lambda one: (one.start_s, one.cost_units),
        ),
        (
            OptionKind.CHEAPEST,
            usual,
            lambda one: (*one.harm[:2], one.cost_units, one.harm[2], one.start_s),
        ),
        (
            OptionKind.AFTER_HOURS,
            [one for one in some if one.long],
            lambda one: (*one.harm, one.start_s, one.cost_units),
        ),
    ]
    return {kind: min(found, key=key) for kind, found, key in best if found}


def _sort(
    picked: Mapping[OptionKind, _Some], ask: Ask
) -> list[tuple[_Some, list[OptionKind]]]:
    """Return each option with its kinds; what differs in seconds is left out.

    The option that harms least comes first; where somebody is in danger, the soonest.
    """
    kinds = sorted(
        picked,
        key=lambda kind: (
            picked[kind].long,
            picked[kind].harm,
            picked[kind].start_s,
        ),
    )
    kept: list[list[OptionKind]] = []
    for kind in kinds:
        one = picked[kind]
        for group in kept:
            if picked[group[0]] is one:
                group.append(kind)
                break
            if _covers(picked[group[0]], one, ask):
                break
        else:
            kept.append([kind])
    rank = {kind: row for row, kind in enumerate(OptionKind)}

    def order(group: list[OptionKind]) -> tuple[int, ...]:
        one = picked[group[0]]
        late = (one.start_s, 0, 0) if ask.danger else (*one.harm[:2], one.start_s)
        return (int(one.long), *late, one.cost_units)

    return [
        (picked[group[0]], sorted(group, key=rank.__getitem__))
        for group in sorted(kept, key=order)
    ]


def _covers(one: _Some, other: _Some, ask: Ask) -> bool:
    """Return whether an option is as good as another in all but seconds and cents."""
    return (
        all(x <= y for x, y in zip(one.harm, other.harm, strict=True))
        and one.long <= other.long
        and one.start_s - other.start_s <= ask.apart_s
        and one.cost_units - other.cost_units <= ask.apart_cents * UNITS_PER_CENT
    )


def options(rest: Rest | Board, call: Call, ask: Ask | None = None) -> Options:
    """Say what can be done about an urgent call.

    Parameters
    ----------
    rest : Rest or Board
        The rest of the day; as a board, made beforehand, it is ready to be asked.
    call : Call
        The new call; its id is new.
    ask : Ask, optional
        How it is asked about.

    Returns
    -------
    Options
        At least two: to pass the call on, and not to take it. Every plan with the call
        is judged: the vans that are touched as a day of their own, with the stock that
        the others leave over; all other routes are the ones that stand. Of each kind
        the best that was found; only where ``ask.rounds`` is 0, the best there is.

    Raises
    ------
    Conflict
        When a call of that id is there.
    Overtaken
        When what stands cannot be done any more.
    Defect
        When the judge refuses an option.
    """
    ask = ask or Ask()
    board = rest if isinstance(rest, Board) else set_board(rest)
    if any(call.id == other.id for other in board.day.calls):
        raise Conflict(f"call {call.id} is there already")
    part = _Part(board, call, ask)
    found = [_option(board, call, made, kinds) for made, kinds in _Finder(part).run()]
    reasons = () if found or able_vans(board.day, call) else _reasons(part)
    return Options(
        first=dangers(board.day, call, ask),
        options=(*found, *_without(part, reasons, lost=not found)),
    )


def why_not(rest: Rest | Board, call: Call) -> tuple[Reason, ...]:
    """Say why no van can take a call, van by van, and what would help.

    It takes longer than the options themselves: for when these have been read out.

    Parameters
    ----------
    rest : Rest or Board
        The rest of the day.
    call : Call
        A call that none of its options takes.

    Returns
    -------
    tuple of Reason
        As for any call that a plan leaves out.
    """
    board = rest if isinstance(rest, Board) else set_board(rest)
    return _reasons(_Part(board, call, Ask()))


def _reasons(part: _Part) -> tuple[Reason, ...]:
    """Say why no van can take the call."""
    board, day = part.board, part.day
    routes = tuple(
        replace(route, stops=tuple(replace(stop, late_s=0) for stop in route.stops))
        for route in board.plan.routes
        if route.van_id in part.vans
    )
    inside = [i for i in board.plan.issues if i.van_id in part.vans]
    tools = [use for use in board.plan.tools if use.van_id in part.vans]
    plan = replace(board.plan, routes=routes, issues=tuple(inside), tools=tuple(tools))
    told = explain(day, part.travel, plan)
    return next(
        (one.reasons for one in told.unplaced if one.call_id == part.call.id), ()
    )


def _without(
    part: _Part, reasons: tuple[Reason, ...], *, lost: bool
) -> tuple[Option, ...]:
    """Return the options that do not take the call."""
    board = part.board
    who = part.call.customer or "the caller"
    why = f"{RING_FIRST} " if part.ask.danger else ""
    if lost:
        cause = f": {reasons[0].text}" if reasons else ""
        why += f"No van can take it today{cause}. "
    texts = {
        OptionKind.REFER: (
            f"{why}Pass it on: give {who} the number of another locksmith who can "
            "come, and make sure that one answers. Nothing of today's plan changes."
        ),
        OptionKind.DECLINE: (
            f"{why}Do not take it: tell {who} at once that nobody comes, so that no "
            "time is lost waiting. Nothing of today's plan changes."
        ),
    }
    return tuple(
        Option(kind=kind, text=text, day=board.day, plan=board.plan, reasons=reasons)
        for kind, text in texts.items()
    )


# --- danger ---------------------------------------------------------------------


def dangers(day: Day, call: Call, ask: Ask) -> tuple[Caution, ...]:
    """Return what comes before any option.

    Parameters
    ----------
    day : Day
        With its trade table, and the emergency number that the firm names.
    call : Call
        The urgent call.
    ask : Ask
        Whether somebody is in danger.

    Returns
    -------
    tuple of Caution
        In danger: the number to ring now and what to tell the caller; then the
        emergency cautions of the kind of work, which ask whether anybody is.
    """
    kind = day.kinds.get(call.kind)
    usual = tuple(
        day.cautions[one]
        for one in (kind.cautions if kind is not None else ())
        if day.cautions[one].emergency
    )
    if not ask.danger:
        return usual
    source = "common practice, no source"
    named = day.emergency_number
    number = f"the emergency number {named}" if named else NUMBER
    return (
        Caution(
            id="ring_first",
            text=f"Danger to life: the caller rings {number} now, before anything "
            "else is said about vans, prices or papers.",
            source=source,
            emergency=True,
        ),
        Caution(
            id="tell_caller",
            text=f"Tell the caller: hang up and ring {number}. Say where you are, "
            "who is locked in and how they are. Do what the emergency service tells "
            "you, also if a pane has to be broken. Fire, smoke, gas or a running "
            "engine in a closed space: get out and stay away. Otherwise stay near, "
            "where it is safe, and keep talking to them. Then ring us back. If the "
            "caller cannot ring, keep them on the line, ask where they are, and "
            "ring for them on another phone.",
            source=source,
            emergency=True,
        ),
        *usual,
    )


# --- in words -------------------------------------------------------------------


def _option(
    board: Board, call: Call, made: _Made, kinds: Sequence[OptionKind]
) -> Option:
    """Return an option in words."""
    van = next(van for van in made.day.vans if van.id == made.van_id)
    rest = replace(board.rest, day=made.day)
    difference = differ(rest, board.plan, made.plan)
    cost_cents = cents(made.cost_units)
    price = "costs nothing more"
    if cost_cents > 0:
        price = f"costs {money(cost_cents)} more"
    elif cost_cents < 0:
        price = f"saves {money(-cost_cents)}"
    words = [
        f"{van.driver or van.id} starts at {made.day.clock.hhmm(made.start_s)}",
        price,
    ]
    for count, one, many in (
        (len(made.dropped), "call is given up", "calls are given up"),
        (len(made.broken), "promise breaks", "promises break"),
        (len(made.moved), "other customer is moved", "other customers are moved"),
    ):
        if count:
            words.append(f"{count} {one if count == 1 else many}")
    if not any(made.harm):
        words.append("nobody else is moved")
    if made.agree:
        words.append(made.agree)
    return Option(
        kind=kinds[0],
        also=tuple(kinds[1:]),
        text=", ".join(words),
        day=made.day,
        plan=made.plan,
        tasks=made.tasks,
        van_id=made.van_id,
        arrive_s=made.start_s,
        cost_cents=cost_cents,
        moved=made.moved,
        broken=made.broken,
        dropped=made.dropped,
        parts=tuple(_parts_words(board, call, made)),
        agree=made.agree,
        difference=difference,
        ring=who_to_ring(rest, difference),
    )


Line = tuple[str, str, str | None, int]
"""Part id, where it comes from, store or giving van, pieces."""


def _lines(issues: Iterable[Issue]) -> dict[str, list[Line]]:
    """Return what each call uses."""
    lines: dict[str, list[Line]] = {}
    for one in issues:
        if one.call_id is not None:
            line = (one.part_id, one.origin, one.store_id or one.from_van, one.quantity)
            lines.setdefault(one.call_id, []).append(line)
    return lines


def _parts_words(board: Board, call: Call, made: _Made) -> Iterable[str]:
    """Say which parts the call uses, and what that does to others."""
    day = made.day
    then, now = _lines(board.plan.issues), _lines(made.plan.issues)
    mine = now.get(call.id, [])
    if mine:
        yield f"Uses {_line_words(day, mine)}."
    for other in board.day.calls:
        before, after = then.get(other.id, []), now.get(other.id, [])
        who = other.customer or f"call {other.id}"
        if other.id in made.dropped:
            lost = sorted({line[0] for line in before} & {line[0] for line in mine})
            if lost:
                names = " and ".join(part_name(day, part) for part in lost)
                yield f"{who} is left without {names}."
        elif before != after and sorted(map(str, before)) != sorted(map(str, after)):
            yield f"{who} then gets {_line_words(day, after)}."
    yield from _stop_words(board, made)


def _line_words(day: Day, lines: Sequence[Line]) -> str:
    """Say what is used, by where it comes from: names of parts have commas in them."""
    found: dict[str, list[str]] = {}
    for part, origin, source, count in sorted(lines, key=str):
        where = {
            Origin.ABOARD: "aboard",
            Origin.SHOP: "loaded at the shop",
            Origin.RESTOCK: f"fetched at {_store(day, source)}",
            Origin.VAN: f"handed over by {_driver(day, source)}",
        }[Origin(origin)]
        found.setdefault(where, []).append(f"{count} {part_name(day, part)}")
    return "; ".join(f"{'; '.join(some)} ({where})" for where, some in found.items())


def _stop_words(board: Board, made: _Made) -> Iterable[str]:
    """Say which stops at stores are new, and which are saved."""
    old, new = (
        {
            (route.van_id, stop.store_id): stop
            for route in plan.routes
            for stop in route.stops
            if stop.store_id is not None
        }
        for plan in (board.plan, made.plan)
    )
    for (van_id, store_id), stop in new.items():
        if (van_id, store_id) not in old:
            at = made.day.clock.hhmm(stop.start_s)
            who, where = _driver(made.day, van_id), _store(made.day, store_id)
            yield f"{who} stops at {where} at {at} for parts."
    for van_id, store_id in old:
        if (van_id, store_id) not in new:
            who, where = _driver(made.day, van_id), _store(made.day, store_id)
            yield f"{who} does not stop at {where} any more."


def _driver(day: Day, van_id: str | None) -> str:
    """Return whom to speak of, the van where nobody is named."""
    names = {van.id: van.driver for van in day.vans}
    return names.get(van_id or "") or f"van {van_id}"


def _store(day: Day, store_id: str | None) -> str:
    names = {store.id: store.place.name for store in stores(day).values()}
    return names.get(store_id or "") or f"{store_id}"


# --- taken -------------------------------------------------------------------------


def accept(rest: Rest | Board, option: Option) -> Rest:
    """Return the rest of the day once an option is taken.

    Parameters
    ----------
    rest : Rest or Board
        What the option was made for.
    option : Option
        One of its options.

    Returns
    -------
    Rest
        For the next call: what the option moves stands where it has put it. Nobody is
        told anything by that.
    """
    if isinstance(rest, Board):
        rest = rest.rest
    if option.van_id is None:
        return rest
    day, after = option.day, _stops(option.plan.routes)
    changed = set(option.moved) | {
        call.id for call in day.calls if call.standing is None
    }
    calls = []
    for call in day.calls:
        if call.id not in after:
            stands = None
        elif call.id in changed or after[call.id][0] != _van_of(call):
            van_id, stop = after[call.id]
            stands = Standing(
                van_id=van_id,
                window=Window(
                    start_s=max(0, stop.start_s - day.tolerance_s),
                    end_s=stop.start_s + day.tolerance_s,
                ),
                told=call.standing is not None and call.standing.told,
            )
        else:
            stands = call.standing
        calls.append(replace(call, standing=stands))
    day = replace(day, calls=tuple(calls))
    return replace(
        rest,
        day=day,
        travel=extend_table(rest.travel, day),
        standing={**rest.standing, **option.tasks},
    )


def _van_of(call: Call) -> str | None:
    return None if call.standing is None else call.standing.van_id
