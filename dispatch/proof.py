"""Prove that no plan of a day is better, or bound how much better one could be.

Set partitioning by column generation (for example Toth, P. and Vigo, D. (eds.) (2014),
Vehicle Routing, 2nd ed., SIAM, chapter 3, from memory). A linear programme chooses
fractions of routes; its prices on calls tell which further routes are worth adding
(``search/pricing.py``), until none is. Then

- its value bounds every plan from below. What is claimed is reckoned in whole numbers
  from rounded prices (Lagrange): no rounding in the programme can make it wrong;
- a route that costs more over its prices than the best plan known lies above the bound
  is on no better plan. All others are listed (Baldacci, Christofides and Mingozzi
  (2008), Mathematical Programming 115(2), from memory) and thinned out by cuts on
  triples of calls (Jepsen, Petersen, Spoorendonk and Pisinger (2008), Operations
  Research 56(2), from memory), and the exact cover, which knows parts, chooses from
  the rest. Where they are too many to list, cuts come first: the search for routes
  takes their prices into account.

It is asked several times: first, priority by priority, whether any plan leaves out
fewer calls or breaks fewer promises, their number for costs; then, what a plan costs
that leaves out no more.

Parts in short supply are in the programme as the exact cover has them, but in
fractions (``shortfall.py``): there cuts on what routes take from the shop help, which
the search for routes takes into account as well. Links, limits
on driving and work, shared tools and stops at stores are not in it, and where there
are stops, neither are parts: all of them only forbid plans or make them dearer, so
what bounds the day without them bounds the day. Nothing but such a bound is claimed
then, unless the best plan without them turns out to keep them at no further cost.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager
from functools import partial
from itertools import combinations
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from dispatch.partition import (
    Column,
    Linear,
    calls_of,
    choose_routes,
    place_most,
    weigh,
)
from dispatch.problem import (
    BROKEN,
    CALL,
    DRIVE_MAX,
    M_UNITS,
    NEED_HI,
    NEED_LO,
    OVER_UNITS,
    S_UNITS,
    SHIFT_HI,
    SHIFT_LO,
    TWIN,
    UNITS,
    WEIGHT,
    WORK_MAX,
    AnyInt,
    Ints,
    Problem,
    own_copy,
)
from dispatch.search.pricing import (
    Ahead,
    Prices,
    find_worthwhile,
    least_of_all,
    look_ahead,
    new_ahead,
    remember,
    walk_least,
)
from dispatch.search.schedule import MONEY, SIZE, empty_routes, time_route
from dispatch.search.tours import (
    BEST_COST,
    BEST_SET,
    CALLS_MAX,
    Tours,
    new_tours,
    write_orders,
)
from dispatch.shortfall import Parts, Shortfall, items_of, open_choices, within_reach

COUNT_UNITS = 1_000_000  # cost units for a call left out, so that prices can be parts
PRICED = 1_000  # the programme reckons in this part of the dearest route
SLACK = 900  # prices are rounded: a gain below this part of a programme's unit is none
GRID_S = 120  # seconds of a slot of the table ahead, if there is room
ENTRIES = 6_000_000  # of one van's table, 48 MB
ALL_ENTRIES = 24_000_000  # of all vans'
NEAR = 4  # neighbours a visit remembers at first
NEAR_MAX = 8  # and at most
IMPOSSIBLE = -(1 << 60)  # less than any bound
WALKS = 10  # times the neighbours are mended for one set of prices
FIRST_ROOM, ROOM = 1 << 14, 1 << 20  # labels of one van and one search
QUICK = 200  # labels of each number of calls in a quick search
EIGHTHS = (6, 3, 0)  # of what a route could gain at most: looked for one after another
COLUMNS_ADDED = 60  # of one van after one search
ROUNDS = 100
THREADS = 2  # vans asked side by side
LISTED = ROOM, 300_000  # labels of one van, and routes of all, to thin out
FEW_LISTED = 8 * FIRST_ROOM, 10_000  # before cuts are tried
AFTER = 4  # eighths of its fees for pieces that the table ahead takes for each
CUT_ROUNDS, CUTS_ADDED, CUT_LEAST = 60, 15, 0.02
CLOSING = 20  # a round of cuts that closes less than this part of the gap is the last
FEW = 200  # routes for which no cut is worth its time
STALE = 8  # rounds in which the gap shrinks by less than a fiftieth
TREE_EFFORT = 250_000  # routes in programmes solved; two or three seconds
CLOSED = 300  # routes the exact cover is asked about at once
CLOSE_EFFORT = 0.3  # CP-SAT's deterministic time for these
SURE = 0.02  # nearer to a whole number the programme is decided
COVER_EFFORT = 3.0  # CP-SAT's deterministic time


Answer = TypeVar("Answer")


class Effort(NamedTuple):
    """How hard to try; in work, not in seconds, so that plans repeat.

    Parameters
    ----------
    labels : int
        Labels made at most, a second for two to four million, in each of the two
        questions; one search may go beyond.
    stop : callable
        True ends the proof soon, with the bound so far.
    """

    labels: int = 3_000_000
    stop: Callable[[], bool] = lambda: False


class Proof(NamedTuple):
    """What could be proved.

    Parameters
    ----------
    columns : tuple of Column or None
        A plan better than the one that was known; ``None``: none was found.
    proved : bool
        No plan is better than these columns, or than the known ones.
    bound : int or None
        No plan that leaves out as little costs fewer units.
    """

    columns: tuple[Column, ...] | None
    proved: bool
    bound: int | None


class Known(NamedTuple):
    """A plan that can be driven.

    Parameters
    ----------
    columns : tuple of Column
        At most one per van.
    cost : int
        Cost units of its routes and of their parts.
    """

    columns: tuple[Column, ...]
    cost: int


def routes_are_all(problem: Problem) -> bool:
    """Return whether a plan is right when its routes and its parts are.

    Parameters
    ----------
    problem : Problem
        The day.

    Returns
    -------
    bool
        If not, there are links, limits on driving or work, or stops at stores, which
        neither the enumeration of routes nor the search with prices knows.
    """
    limits = problem.vans[:, [DRIVE_MAX, WORK_MAX]]
    return not (len(problem.links) or len(problem.stores) or limits.any())


def prove(
    problem: Problem,
    known: Known,
    pool: Iterable[Column] = (),
    rest_cost: Callable[[Sequence[Column]], int | None] = lambda _: None,
    effort: Effort | None = None,
) -> Proof:
    """Prove that no plan is better than one that is known, or find a better one.

    Parameters
    ----------
    problem : Problem
        The day.
    known : Known
        A plan; the better it is, the sooner the proof.
    pool : iterable of Column
        Further routes that can be driven, to start from.
    rest_cost : callable
        What routes together cost beyond their own cost, ``None`` where they break a
        rule that single routes do not know, or where nobody can say. Asked where
        :func:`routes_are_all` does not hold only.
    effort : Effort, optional
        How hard to try.

    Returns
    -------
    Proof
        The same question gets the same answer, unless it is stopped.
    """
    if problem.call_count > CALLS_MAX or len(problem.vans) == 0:
        return Proof(None, proved=False, bound=None)
    with ThreadPoolExecutor(THREADS) as threads:
        proof = _Proof(problem, known, pool, rest_cost, effort or Effort(), threads)
        return proof.run()


class _Proof:
    """The two questions, one after the other."""

    def __init__(
        self,
        problem: Problem,
        known: Known,
        pool: Iterable[Column],
        rest_cost: Callable[[Sequence[Column]], int | None],
        effort: Effort,
        threads: Executor,
    ) -> None:
        self.threads = threads
        self.whole = routes_are_all(problem)
        self.problem = _without_stops(problem)
        self.rest_cost = rest_cost
        self.effort = effort
        self.twin: list[int] = problem.vans[:, TWIN].tolist()
        self.better: tuple[Column, ...] | None = None
        self.upper: list[Column] = []  # the known plan, by twins, without stops
        self.cost = 0  # of it, with all that the programme does not know
        self.weight = 0  # of what it leaves out
        self._know(known)
        self.pool = sorted(set(self._stand_in(pool)))
        self.views = {van: _view(self.problem, van) for van in sorted(set(self.twin))}
        self.rooms = _Rooms()

    def run(self) -> Proof:
        minimal = self._leaves_out_least()
        bound, proved = self._least_cost(minimal=minimal)
        return Proof(self.better, proved and minimal, max(0, bound))

    def _stand_in(self, columns: Iterable[Column]) -> list[Column]:
        """Return routes as the first of their vans' twins drives them past stores."""
        calls = self.problem.call_count
        at = self.problem.visits[:, CALL]
        return [
            Column(
                self.twin[column.van],
                tuple(visit for visit in column.visits if at[visit] < calls),
                column.cost,
            )
            for column in columns
        ]

    def _know(self, known: Known) -> None:
        self.upper = self._stand_in(known.columns)
        self.cost = known.cost
        self.weight = weigh(self.problem, self.upper)

    def _improve(self, columns: tuple[Column, ...], cost: int) -> int | None:
        """Take a plan if it is right and better; return what it really costs.

        Its ``cost`` is that without what the programme does not know.
        """
        if not self.whole:
            rest = self.rest_cost(columns)
            if rest is None:
                return None
            cost = sum(column.cost for column in columns) + rest
        if (weigh(self.problem, columns), cost) < (self.weight, self.cost):
            self.better = columns
            self._know(Known(columns, cost))
        return cost

    def _leaves_out_least(self) -> bool:
        """Return whether no plan leaves out less; mend the known plan if one does."""
        place = 0
        while place < len(levels := _levels(self.problem, self.weight)):
            before = self.weight
            if levels[place].most == 0 or self._is_least(levels, place):
                place += 1
            elif self.weight == before:
                return False
        return True

    def _is_least(self, levels: Sequence[_Level], place: int) -> bool:
        """Return whether no plan is better at one level that is as good before it."""
        level = levels[place]
        unit = COUNT_UNITS
        views = {van: _costless(view, unit, level) for van, view in self.views.items()}
        master = _Master(self.problem, views, unit, levels[:place], level)
        search = _Generation(views, master, self.rooms, self.effort, self.threads)
        for column in [*self.upper, *self.pool]:
            master.add(self._counted(column, level, unit))
        enough = (level.most - 1) * unit + 1
        if search.run(enough) >= enough:
            return True
        pool = search.close_in(enough)
        if search.bound >= enough:
            return True
        if pool is None:
            pool = search.list_columns(enough - 1 - search.bound)
        if pool is None:
            return False
        low, pool = _thin_out(master, pool, enough)
        if low >= enough:
            return True
        before = self.weight
        tree = _Tree(master, pool, _Judge(lambda: enough, self._place_most))
        tree.run(lambda: self.weight < before or self.effort.stop())
        return tree.done

    def _counted(self, column: Column, level: _Level, unit: int) -> Column:
        broken = self.problem.visits[list(column.visits), BROKEN].tolist()
        return column._replace(cost=unit * sum(map(level.count, broken)))

    def _place_most(self, columns: Sequence[Column]) -> bool:
        """Choose from all routes of better plans; return whether there is none."""
        known = self.weight
        found = place_most(
            self.problem, [*columns, *self.upper], self.upper, effort=CLOSE_EFFORT
        )
        if found is None:
            return False
        chosen, proved = found
        left_out = weigh(self.problem, chosen)
        if left_out < known:
            priced = self._stand_in(_priced(self.problem, one) for one in chosen)
            cover = choose_routes(self.problem, priced, effort=COVER_EFFORT)
            if cover is not None and cover.left_out == left_out:
                self._improve(cover.columns, cover.cost)
        return proved and left_out >= known

    def _least_cost(self, *, minimal: bool) -> tuple[int, bool]:
        """Bound the cost with so much left out; whether it is that of the plan.

        ``minimal``: no plan leaves out less.
        """
        dearest = max((column.cost for column in self.upper), default=0)
        dearest = max([dearest, *(column.cost for column in self.pool)])
        unit = max(1, dearest // PRICED)
        # A plan that leaves out less may leave out more of what counts less.
        whole = [_Level(self.weight, {})]
        levels = _levels(self.problem, self.weight) if minimal else whole
        master = _Master(self.problem, self.views, unit, levels)
        search = _Generation(self.views, master, self.rooms, self.effort, self.threads)
        for column in [*self.upper, *self.pool]:
            master.add(column)
        if search.run(self.cost) >= self.cost:
            return self.cost, True
        pool = search.close_in(self.cost)
        if pool is None and search.bound < self.cost:  # the plan may be too far off
            self._cover(master.columns, COVER_EFFORT / 3)
            pool = search.list_columns(self.cost - 1 - search.bound)
        bound = search.bound
        if bound >= self.cost:
            return self.cost, True
        if pool is None:
            return bound, False
        low, pool = _thin_out(master, pool, self.cost)
        bound = max(bound, low)
        if bound >= self.cost:
            return self.cost, True
        if not minimal:
            return bound, False
        tree = _Tree(master, pool, _Judge(lambda: self.cost, self._is_best))
        bound = max(bound, tree.run(self.effort.stop))
        return bound, bound >= self.cost

    def _is_best(self, columns: Sequence[Column]) -> bool:
        least = self._cover(columns, CLOSE_EFFORT)
        return least is not None and least >= self.cost

    def _cover(self, columns: Sequence[Column], effort: float) -> int | None:
        """Look for a better plan; what none of these columns get below, if known."""
        cover = choose_routes(
            self.problem,
            [*columns, *self.upper],
            self.upper,
            known_least=self.weight,
            effort=effort,
        )
        if cover is None or cover.left_out != self.weight:
            return None
        if cover.cost < self.cost:
            self._improve(cover.columns, cover.cost)
        return cover.cost if cover.proved else None


class _Rooms:
    """Room for labels, kept for the next search; several may be in use at once."""

    def __init__(self) -> None:
        self._free: dict[int, list[Tours]] = {}

    @contextmanager
    def empty(self, labels: int) -> Iterator[Tours]:
        """Lend empty room; what was found in it before is gone."""
        free = self._free.setdefault(labels, [])
        try:
            tours = free.pop()
        except IndexError:
            tours = new_tours(labels)
        tours.buckets.fill(-1)
        tours.best_at.fill(-1)
        yield tours
        free.append(tours)


# --- one van's view of the day --------------------------------------------------


def _without_stops(problem: Problem) -> Problem:
    """Return the day with original windows; without parts where they are fetched."""
    problem = own_copy(problem)
    if len(problem.stores):
        problem.visits[:, [NEED_LO, NEED_HI]] = 0
        none = np.zeros((0, 2), np.int64)
        problem = problem._replace(needs=_frozen(none))
    return problem


def _view(problem: Problem, van: int) -> Problem:
    """Return the day as one van sees it: what it must use of what it could have."""
    view = own_copy(problem)
    view.visits[:] = problem.visits
    if len(problem.stores):
        return view  # without needs; what it must use, stops at stores included
    must = np.zeros_like(problem.must)
    allowed = problem.allowed.copy()
    reach = within_reach(problem, van)
    for call in range(problem.call_count):
        low, high = problem.visits[call, [NEED_LO, NEED_HI]].tolist()
        possible = True
        for need in range(low, high):
            choices = open_choices(problem, reach, need)
            used = np.zeros((len(choices), must.shape[1]), np.int64)
            for row, choice in enumerate(choices):
                for part, count in items_of(problem, choice):
                    used[row, part] += count
            possible &= len(used) > 0
            if possible:
                must[call] += used.min(axis=0)
        if not possible or (must[call] > reach).any():
            allowed[van, problem.visits[:, CALL] == call] = 0
            must[call] = 0
    return view._replace(must=_frozen(must), allowed=_frozen(allowed))


def _costless(view: Problem, unit: int, level: _Level) -> Problem:
    """Return a view in which nothing costs but the promises broken at one level."""
    vans = view.vans.copy()
    vans[:, [M_UNITS, S_UNITS, OVER_UNITS]] = 0
    # Without metres no way to serve a set is kept only for being shorter.
    flat = np.zeros_like(view.distance_m)
    visits = view.visits.copy()
    visits[:, UNITS] = [unit * level.count(w) for w in visits[:, BROKEN].tolist()]
    return view._replace(
        vans=_frozen(vans),
        distance_m=_frozen(flat),
        visits=visits,
        given=_frozen(visits.copy()),
        extra=_frozen(np.zeros_like(view.extra)),
    )


def _frozen(array: NDArray[AnyInt]) -> NDArray[AnyInt]:
    array.flags.writeable = False  # as numba has seen the others
    return array


def _priced(problem: Problem, column: Column) -> Column:
    """Return a column with what it costs in this order."""
    routes = empty_routes(problem)
    routes.order[column.van, : len(column.visits)] = column.visits
    routes.facts[column.van, SIZE] = len(column.visits)
    time_route(problem, routes, column.van)
    return column._replace(cost=int(routes.facts[column.van, MONEY]))


class _Level(NamedTuple):
    """What a plan may leave out and break at most.

    Parameters
    ----------
    most : int
        In all.
    counted : mapping of int to int
        What weights count for; empty: for themselves.
    """

    most: int
    counted: Mapping[int, int]

    def count(self, weight: int) -> int:
        """Return what one weight counts for."""
        return self.counted.get(weight, 0) if self.counted else weight


def _levels(problem: Problem, left_out: int) -> list[_Level]:
    """Return how many of each weight a plan leaves out that leaves out just so much.

    Heaviest first; one level of all weights where the sum does not tell.
    """
    calls = problem.call_count
    broken = np.zeros(calls, np.int64)  # the most each call's promise weighs
    for call, weight in problem.visits[:, [CALL, BROKEN]].tolist():
        if call < calls:
            broken[call] = max(broken[call], weight)
    some = Counter(problem.visits[:calls, WEIGHT].tolist())
    some.update(broken.tolist())
    del some[0]
    below = 0
    for weight, count in sorted(some.items()):
        if weight <= below:
            return [_Level(left_out, {})]
        below += weight * count
    levels = []
    for weight in sorted(some, reverse=True):
        levels.append(_Level(left_out // weight, {weight: 1}))
        left_out %= weight
    return levels


# --- the linear programme --------------------------------------------------------


class _Prices(NamedTuple):
    """Prices of one question to the programme.

    Parameters
    ----------
    base : int
        What every plan costs at least, but for its routes.
    calls : mapping of int to ndarray of shape (calls,)
        What serving each call earns, by van.
    van : mapping of int to int
        What going out earns, by van; not positive.
    broken : mapping of int to int
        What breaking a promise of each weight costs.
    threes : ndarray, shape (cuts, 3)
        Calls.
    tolls : ndarray, shape (cuts,)
        What serving two of these three or all on one route costs.
    shortfalls : sequence of Shortfall
        Cuts on parts.
    fees : sequence of int
        What each piece beyond those aboard costs, by cut.
    """

    base: int
    calls: Mapping[int, Ints]
    van: Mapping[int, int]
    broken: Mapping[int, int]
    threes: Ints
    tolls: Ints
    shortfalls: Sequence[Shortfall]
    fees: Sequence[int]

    def on(self, van: int) -> Prices:
        """Return what the search for a van's routes needs."""
        charged = [
            (cut.pieces[van], cut.aboard[van], fee)
            for cut, fee in zip(self.shortfalls, self.fees, strict=True)
            if fee and van in cut.pieces
        ]
        calls = len(self.calls[van])
        pieces = np.array([one[0] for one in charged], np.int64).reshape(-1, calls)
        aboard = np.array([one[1] for one in charged], np.int64)
        fees = np.array([one[2] for one in charged], np.int64)
        shares: Ints = np.where(aboard == 0, fees, fees * AFTER // 8)
        ahead: Ints = self.calls[van] - shares @ pieces
        return Prices(
            self.calls[van],
            self.threes,
            self.tolls,
            pieces,
            aboard,
            fees,
            shares,
            ahead,
        )

    def paid(self, van: int, member: Ints) -> Ints:
        """Return what a van's routes pay for pieces, given which calls each serves."""
        fees = np.zeros(len(member), np.int64)
        for cut, fee in zip(self.shortfalls, self.fees, strict=True):
            if fee:
                fees += fee * cut.over(van, member)
        return fees

    def taken(self, member: Ints) -> Ints:
        """Return the tolls of some routes, given which calls each serves."""
        tolls = np.zeros(len(member), np.int64)
        for three, toll in zip(self.threes, self.tolls, strict=True):
            if toll:
                tolls += toll * (member[:, three].sum(axis=1) > 1)
        return tolls


class _Master:
    """The day as a linear programme over routes; twins are one van that goes often."""

    def __init__(
        self,
        problem: Problem,
        views: Mapping[int, Problem],
        unit: int,
        levels: Sequence[_Level],
        aim: _Level | None = None,
    ) -> None:
        self.problem = problem
        self.lp = Linear(unit)
        self.slack = max(1, unit // SLACK)
        self.vans = dict(sorted(Counter(problem.vans[:, TWIN].tolist()).items()))
        self.columns: list[Column] = []
        # What each set costs a van at least, by the weight of the promises broken.
        self._known: dict[tuple[int, frozenset[int]], dict[int, int]] = {}
        self.use: list[int] = []  # its variable of each column
        self.keys: list[tuple[int, int]] = []  # its van and calls, one bit each
        self._cuts: dict[tuple[int, ...], int] = {}
        calls = problem.call_count
        self._cover = [self.lp.add_row(1, 1) for _ in range(calls)]
        self._fleet = {van: self.lp.add_row(n, -1) for van, n in self.vans.items()}
        self._levels = {self.lp.add_row(one.most, -1): one for one in levels}
        self.out = [
            self.lp.add_variable(
                0 if aim is None else unit * aim.count(weight),
                {self._cover[call]: 1, **self._weighed([weight])},
                1,
            )
            for call, weight in enumerate(problem.visits[:calls, WEIGHT].tolist())
        ]
        self._shortfalls: dict[int, Shortfall] = {}  # by row
        self._parts = Parts(self.lp, views, self.vans)
        if not len(problem.stores):
            self._parts.add()

    def _weighed(self, weights: Iterable[int]) -> dict[int, int]:
        """Return what some weights count for in each row that limits them."""
        some = [weight for weight in weights if weight]
        found = {
            row: sum(map(level.count, some)) for row, level in self._levels.items()
        }
        return {row: count for row, count in found.items() if count}

    def add(self, column: Column) -> bool:
        """Add a route, unless its van has one of the same calls that is as good."""
        calls = frozenset(calls_of(self.problem, column))
        broken = self.problem.visits[list(column.visits), BROKEN].tolist()
        known = self._known.setdefault((column.van, calls), {})
        if any(
            weight <= sum(broken) and cost <= column.cost
            for weight, cost in known.items()
        ):
            return False
        known[sum(broken)] = column.cost
        within = {self._fleet[column.van]: 1}
        if self._levels:
            within |= self._weighed(broken)
        for call in sorted(calls):
            within[self._cover[call]] = 1
            for link in self._parts.links.get((column.van, call), ()):
                within[link] = 1
        for three, row in self._cuts.items():
            if len(calls.intersection(three)) > 1:
                within[row] = 1
        one = sum(1 << call for call in calls)
        if self._shortfalls:
            member = _member(np.array([one]), self.problem.call_count)
            for row, cut in self._shortfalls.items():
                if over := int(cut.over(column.van, member)[0]):
                    within[row] = over
        self.columns.append(column)
        self.keys.append((column.van, one))
        self.use.append(self.lp.add_variable(column.cost, within))
        return True

    def make_exact(self) -> None:
        """Let no call be served twice."""
        for row in self._cover:
            self.lp.make_exact(row)

    def give_way(self, cost: int) -> None:
        """Let calls be served by nobody at a cost, so that there is always an answer.

        No plan does so: bounds are not told.
        """
        for row in self._cover:
            self.lp.add_variable(cost, {row: 1})

    def cut(self) -> int:
        """Add cuts that the answer breaks; return how many."""
        shares = np.array([self.lp.value(use) for use in self.use])
        used = np.flatnonzero(shares > CUT_LEAST / 100)
        sets = np.array([key[1] for key in self.keys], np.int64)
        member = _member(sets, self.problem.call_count)
        return self._cut_parts(used, member, shares) or self._cut_threes(
            used, member, shares
        )

    def _cut_parts(self, used: Ints, member: Ints, shares: NDArray[np.float64]) -> int:
        """Cut where routes take more from the shop than it has."""
        vans = np.array([column.van for column in self.columns])
        cuts = self._parts.shortfalls(vans[used], member[used], shares[used])
        for cut in cuts:
            row = self.lp.add_row(cut.in_shop, -1)
            factors = {variable: -count for variable, count in cut.instead.items()}
            for van in cut.pieces:
                mine = np.flatnonzero(vans == van)
                over = cut.over(van, member[mine])
                for at in np.flatnonzero(over).tolist():
                    factors[self.use[mine[at]]] = int(over[at])
            self.lp.put_into(row, factors)
            self._shortfalls[row] = cut
        return len(cuts)

    def _cut_threes(self, used: Ints, member: Ints, shares: NDArray[np.float64]) -> int:
        """Cut where routes serve two of the same three calls more than once.

        No two routes of a plan serve two of the same three calls each.
        """
        triples = np.array(list(combinations(range(member.shape[1]), 3)), np.int64)
        if len(triples) == 0:
            return 0
        many = shares[used] @ (member[used][:, triples].sum(axis=2) > 1)
        added = 0
        for place in np.argsort(-many, kind="stable")[:CUTS_ADDED].tolist():
            three = tuple(triples[place].tolist())
            if many[place] < 1 + CUT_LEAST or three in self._cuts:
                continue
            row = self._cuts[three] = self.lp.add_row(1, -1)
            two = np.flatnonzero(member[:, three].sum(axis=1) > 1)
            self.lp.put_into(row, {self.use[at]: 1 for at in two.tolist()})
            added += 1
        return added

    def solve(self) -> _Prices | None:
        """Return the prices of the best fractions of the routes there are."""
        prices = self.lp.solve()
        if prices is None:
            return None
        calls = {
            van: np.array(
                [
                    prices[row]
                    + sum(
                        prices[link] for link in self._parts.links.get((van, call), ())
                    )
                    for call, row in enumerate(self._cover)
                ],
                np.int64,
            )
            for van in self.vans
        }
        return _Prices(
            base=self.lp.bound(prices),
            calls=calls,
            van={van: prices[row] for van, row in self._fleet.items()},
            broken={
                weight: -sum(
                    level.count(weight) * prices[row]
                    for row, level in self._levels.items()
                )
                for weight in set(self.problem.visits[:, BROKEN].tolist()) - {0}
            },
            threes=np.array(list(self._cuts), np.int64).reshape(-1, 3),
            tolls=np.array([-prices[row] for row in self._cuts.values()], np.int64),
            shortfalls=list(self._shortfalls.values()),
            fees=[-prices[row] for row in self._shortfalls],
        )


# --- routes worth adding -----------------------------------------------------------


class _Found(NamedTuple):
    """What one search for routes found.

    Parameters
    ----------
    gains : ndarray
        Of each route, cost less prices; least first.
    costs : ndarray
        Of the first of them.
    orders : ndarray
        Visits of each of these, -1 behind the last.
    complete : bool
        There was room for all.
    labels : int
        Labels made.
    """

    gains: Ints
    costs: Ints
    orders: Ints
    complete: bool
    labels: int

    def columns(self, van: int) -> list[Column]:
        """Return the first of them as columns."""
        return [
            _column(van, order, cost)
            for cost, order in zip(self.costs.tolist(), self.orders, strict=True)
        ]


class _Offer(NamedTuple):
    """What a van has to offer at some prices.

    Parameters
    ----------
    least : int
        What any route costs at least less its prices, 0 at most.
    whole : bool
        There are no gainful routes but those that were found.
    columns : list of Column
        The most gainful ones.
    labels : int
        Labels made to find them.
    """

    least: int
    whole: bool
    columns: list[Column]
    labels: int


class _Generation:
    """Adds routes to the programme until none is worth it."""

    def __init__(
        self,
        views: Mapping[int, Problem],
        master: _Master,
        rooms: _Rooms,
        effort: Effort,
        threads: Executor,
    ) -> None:
        self.views = views
        self.master = master
        self.rooms = rooms
        self.threads = threads
        self.effort = effort
        self.labels = 0
        self.room = dict.fromkeys(views, FIRST_ROOM)
        self.ahead = {
            van: _new_ahead(view, van, len(views)) for van, view in views.items()
        }
        self.bound = -1
        self.prices: _Prices | None = None  # those of the bound

    def run(self, enough: int) -> int:
        """Add routes until none is worth it or the bound suffices; return the bound."""
        for _ in range(ROUNDS):
            prices = self.master.solve()
            if prices is None or self.effort.stop():
                break
            bound, added, short = self._add(prices)
            if self.prices is None or bound > self.bound:
                self.bound, self.prices = bound, prices
            if bound >= enough or self.labels > self.effort.labels:
                break
            if added == 0:
                if not short or max(self.room[van] for van in short) >= ROOM:
                    break
                for van in short:
                    self.room[van] = min(ROOM, 8 * self.room[van])
        return self.bound

    def _add(self, prices: _Prices) -> tuple[int, int, list[int]]:
        """Add gainful routes: the best of all where none is found soon.

        Returns
        -------
        tuple of (int, int, list of int)
            A bound of every plan; how many were added; and which vans may have more.
        """
        offers = self._ask(lambda van: self._soon(van, prices), self.master.vans)
        added = self._take(offers)
        short: list[int] = []
        if added == 0:  # new routes change the prices
            hard = [van for van, offer in offers.items() if not offer.whole]
            most = {van: offers[van].least for van in hard}
            best = self._ask(lambda van: self._best(van, prices, most[van]), hard)
            added = self._take(best)
            short = [van for van, offer in best.items() if not offer.whole]
            offers |= best
        total = sum(
            count * offers[van].least for van, count in self.master.vans.items()
        )
        return prices.base + total, added, short

    def _ask(
        self, question: Callable[[int], Answer], vans: Iterable[int]
    ) -> dict[int, Answer]:
        """Ask each of some vans, side by side."""
        vans = list(vans)
        return dict(zip(vans, self.threads.map(question, vans), strict=True))

    def _take(self, offers: Mapping[int, _Offer]) -> int:
        """Add the most gainful routes found to the programme; return how many."""
        added = 0
        for offer in offers.values():
            self.labels += offer.labels
            added += sum(map(self.master.add, offer.columns))
        return added

    def _soon(self, van: int, prices: _Prices) -> _Offer:
        """Find gainful routes of a van that are found soon."""
        slack = self.master.slack
        least = self._look_ahead(van, prices)
        if least >= -slack:
            return _Offer(least, whole=True, columns=[], labels=0)
        found = self._find(van, prices, -slack, (FIRST_ROOM, QUICK), COLUMNS_ADDED)
        if found.complete:
            least = max(least, int(found.gains.min(initial=-slack)))
        return _Offer(least, found.complete, found.columns(van), found.labels)

    def _best(self, van: int, prices: _Prices, least: int) -> _Offer:
        """Find a van's most gainful routes, of which none costs less than ``least``."""
        slack = self.master.slack
        least = max(least, self._mend(van, prices))
        most = least
        columns: list[Column] = []
        labels = 0
        # All that pay may be too many: look for those first that pay most.
        for eighths in EIGHTHS:
            if columns or least >= -slack:
                break
            limit = min(-slack, most * eighths // 8)
            size = self.room[van], ROOM
            found = self._find(van, prices, limit, size, COLUMNS_ADDED)
            columns, labels = found.columns(van), labels + found.labels
            if not found.complete:
                return _Offer(least, whole=False, columns=columns, labels=labels)
            least = max(least, int(found.gains.min(initial=limit)))
        return _Offer(least, whole=True, columns=columns, labels=labels)

    def _look_ahead(self, van: int, prices: _Prices) -> int:
        """Fill a van's table; return what any route costs at least less its prices."""
        view, ahead, earned = self.views[van], self.ahead[van], prices.on(van)
        _charge(view, prices)
        look_ahead(view, ahead, van, earned)
        return min(0, int(least_of_all(view, ahead, van, earned)) - prices.van[van])

    def _mend(self, van: int, prices: _Prices) -> int:
        """Let a van's table remember more where it promised too much; as above."""
        view, ahead, earned = self.views[van], self.ahead[van], prices.on(van)
        least = IMPOSSIBLE
        walk = np.zeros(4 * CALLS_MAX, np.int64)
        for _ in range(WALKS):
            count = walk_least(view, ahead, van, earned, walk)
            if not remember(ahead, walk[:count]):
                break
            least = self._look_ahead(van, prices)
        return least

    def _find(
        self,
        van: int,
        prices: _Prices,
        limit: int,
        size: tuple[int, int],
        most: int,
    ) -> _Found:
        """Find a van's routes up to a limit, in so much room and at most so wide.

        ``most``: no more are told, the most gainful ones.
        """
        room, width = size
        view, fixed = self.views[van], prices.van[van]
        with self.rooms.empty(room) as tours:
            labels, sets, whole = find_worthwhile(
                view,
                tours,
                self.ahead[van],
                van,
                prices.on(van),
                (limit + fixed, width),
            )
            best = tours.best[:sets]
            member = _member(best[:, BEST_SET], view.call_count)
            gains = best[:, BEST_COST] - member @ prices.calls[van] - fixed
            gains += prices.taken(member) + prices.paid(van, member)
            ranks = np.lexsort((best[:, BEST_SET], gains))
            told = ranks[:most]
            orders = _orders(view, tours, told)
            costs = best[told, BEST_COST] - _charged(view, prices, orders)
        return _Found(gains[ranks], costs, orders, whole, labels)

    def list_columns(self, gap: int, most: tuple[int, int] = LISTED) -> _Pool | None:
        """List all routes that a plan at most so far above the bound can have.

        ``most``: labels of one van, and routes of all.

        Returns
        -------
        _Pool or None
            ``None``: too many.
        """
        prices = self.prices
        if prices is None:
            return None
        listed: dict[int, _Found] = {}
        room, left = FIRST_ROOM, list(self.master.vans)
        self._ask(lambda van: self._look_ahead(van, prices), left)
        while left:
            size = room, ROOM
            find = partial(
                self._find, prices=prices, limit=gap, size=size, most=most[1]
            )
            listed |= self._ask(find, left)
            self.labels += sum(listed[van].labels for van in left)
            left = [van for van in left if not listed[van].complete]
            if sum(len(one.gains) for one in listed.values()) > most[1]:
                return None
            if left and (
                room >= most[0]
                or self.effort.stop()
                or self.labels > 2 * self.effort.labels
            ):
                return None
            room *= 8
        vans = list(self.master.vans)
        return _Pool(
            self.master.problem,
            np.repeat(vans, [len(listed[van].gains) for van in vans]),
            np.concatenate([listed[van].costs for van in vans]),
            np.concatenate([listed[van].orders for van in vans]),
        )

    def close_in(self, enough: int) -> _Pool | None:
        """Cut until the routes of better plans are few; list them.

        Returns
        -------
        _Pool or None
            ``None``: too many, or there is no better plan.
        """
        while True:
            gap = enough - 1 - self.bound
            pool = self.list_columns(gap, FEW_LISTED)
            if pool is not None:
                return pool
            before = self.bound
            if self.labels > self.effort.labels or not self.master.cut():
                return None
            if self.run(enough) >= enough or CLOSING * (self.bound - before) < gap:
                return None


def _charge(view: Problem, prices: _Prices) -> None:
    """Let every way to do a call cost what the programme takes for its promise."""
    if not prices.broken:
        return
    view.visits[:, UNITS] = view.given[:, UNITS]
    for visit, weight in enumerate(view.visits[:, BROKEN].tolist()):
        view.visits[visit, UNITS] += prices.broken.get(weight, 0)


def _charged(view: Problem, prices: _Prices, orders: Ints) -> Ints:
    """Return what the programme takes for the promises that each route breaks."""
    taken = [prices.broken.get(w, 0) for w in view.visits[:, BROKEN].tolist()]
    charged: Ints = np.array([*taken, 0])[orders].sum(axis=1)  # nothing where -1
    return charged


def _member(sets: Ints, calls: int) -> Ints:
    """Return 1 for each of so many calls that is in a set, a row for each set."""
    member: Ints = sets[:, None] >> np.arange(calls) & 1
    return member


def _column(van: int, order: Ints, cost: int) -> Column:
    """Return a route as a column, given its visits, -1 behind the last."""
    return Column(van, tuple(order[order >= 0].tolist()), cost)


def _orders(view: Problem, tours: Tours, rows: Ints) -> Ints:
    """Return the visits of some sets' best orders, -1 behind the last."""
    orders = np.empty((len(rows), view.call_count), np.int64)
    write_orders(tours, rows, orders)
    return orders


def _new_ahead(view: Problem, van: int, vans: int) -> Ahead:
    """Return a table that fits into the room there is: fewer neighbours, then slots."""
    entries = min(ENTRIES, ALL_ENTRIES // vans)
    shift_s = int(view.vans[van, SHIFT_HI] - view.vans[van, SHIFT_LO])
    width, step_s = NEAR_MAX, GRID_S
    while 2 * view.call_count * (shift_s // step_s + 1) << width > entries:
        if width > NEAR:
            width -= 1
        else:
            step_s *= 2
    return new_ahead(view, van, step_s, (min(NEAR, width), width))


# --- fewer routes ---------------------------------------------------------------------


def _thin_out(master: _Master, pool: _Pool, upper: int) -> tuple[int, _Pool]:
    """Drop routes that no plan below ``upper`` can have, if all it can are given.

    Returns
    -------
    tuple of (int, _Pool)
        A bound of such plans (of ``upper`` and more: there is none), and the rest.
    """
    master.make_exact()
    best, stale = -1, 0
    for _ in range(CUT_ROUNDS):
        prices = master.solve()
        if prices is None:
            break
        low, added, pool = pool.price(master, prices, upper)
        stale = 0 if low > best + (upper - best) // 50 else stale + 1
        best = max(best, low)
        if low >= upper:
            return upper, pool
        if added == 0 and (len(pool) <= FEW or stale > STALE or master.cut() == 0):
            break
    return best, pool


class _Pool:
    """Routes as arrays: there may be hundreds of thousands.

    Parameters
    ----------
    problem : Problem
        The day.
    vans, costs : ndarray, shape (routes,)
        Rows of vans, and cost units.
    orders : ndarray, shape (routes, calls)
        Visits, -1 behind the last.
    """

    def __init__(self, problem: Problem, vans: Ints, costs: Ints, orders: Ints) -> None:
        self.vans = vans
        self.costs = costs
        self.orders = orders
        self.member = np.zeros((len(vans), problem.call_count), np.int64)
        rows, places = np.nonzero(orders >= 0)
        self.member[rows, problem.visits[orders[rows, places], CALL]] = 1
        self.weights = sorted(set(problem.visits[:, BROKEN].tolist()) - {0})
        # how many promises of each weight it breaks
        self.broken = np.zeros((len(vans), len(self.weights)), np.int64)
        weight_of = np.append(problem.visits[:, BROKEN], 0)  # of no visit: the last
        for place, weight in enumerate(self.weights):
            self.broken[:, place] = (weight_of[orders] == weight).sum(axis=1)

    def __len__(self) -> int:
        return len(self.vans)

    def columns(self) -> list[Column]:
        """Return its routes one by one."""
        return [self.column(row) for row in range(len(self))]

    def column(self, row: int) -> Column:
        """Return one of its routes."""
        return _column(int(self.vans[row]), self.orders[row], int(self.costs[row]))

    def keys(self) -> set[tuple[int, int]]:
        """Return van and calls, one bit each, of its routes."""
        sets = self.member @ (1 << np.arange(self.member.shape[1]))
        return set(zip(self.vans.tolist(), sets.tolist(), strict=True))

    def price(
        self, master: _Master, prices: _Prices, upper: int
    ) -> tuple[int, int, _Pool]:
        """Add what pays to the programme.

        Returns
        -------
        tuple of (int, int, _Pool)
            A bound of plans of these routes, how many were added, and the routes that
            a plan below ``upper`` can have.
        """
        gains = self.gains(prices)
        low = prices.base
        least = np.zeros(len(gains), np.int64)
        for van, count in master.vans.items():
            mine = self.vans == van
            most = min(0, int(gains[mine].min(initial=0)))
            least[mine] = most
            low += count * most
        added = 0
        for row in np.argsort(gains, kind="stable")[:FEW].tolist():
            if gains[row] < -master.slack:
                added += master.add(self.column(row))
        return low, added, self.only(gains <= upper - 1 - low + least)

    def only(self, kept: np.ndarray) -> _Pool:
        """Return some of them."""
        pool = object.__new__(_Pool)
        rows = np.flatnonzero(kept)
        pool.vans, pool.costs = self.vans[rows], self.costs[rows]
        pool.orders, pool.member = self.orders[rows], self.member[rows]
        pool.weights, pool.broken = self.weights, self.broken[rows]
        return pool

    def gains(self, prices: _Prices) -> Ints:
        """Return what each costs less its prices."""
        gains = self.costs.copy()
        for van, earned in prices.calls.items():
            mine = self.vans == van
            gains[mine] -= self.member[mine] @ earned + prices.van[van]
            gains[mine] += prices.paid(van, self.member[mine])
        for place, weight in enumerate(self.weights):
            gains += prices.broken[weight] * self.broken[:, place]
        return gains + prices.taken(self.member)


# --- divide and rule --------------------------------------------------------------


class _Judge(NamedTuple):
    """What a tree asks the question it belongs to.

    Parameters
    ----------
    upper : callable
        What a better plan costs less than.
    close : callable
        Whether no plan of some few routes is better; a better one is noted.
    """

    upper: Callable[[], int]
    close: Callable[[Sequence[Column]], bool]


class _Branch(NamedTuple):
    """Some of the plans.

    Parameters
    ----------
    low : int
        None of them costs less.
    pool : _Pool
        Routes they are made of.
    kept : frozenset of int
        Calls that none of them leaves out.
    """

    low: int
    pool: _Pool
    kept: frozenset[int]


class _Tree:
    """Branch and bound over routes that are listed: by calls, vans and pairs."""

    def __init__(self, master: _Master, pool: _Pool, judge: _Judge) -> None:
        self.master = master
        self.judge = judge
        self.calls = master.problem.call_count
        self.open = [_Branch(-1, pool, frozenset())]
        self.effort = TREE_EFFORT
        master.give_way(10 * max(master.lp.unit, judge.upper()))

    @property
    def done(self) -> bool:
        """Whether no plan is better."""
        return not self.open

    def run(self, stop: Callable[[], bool]) -> int:
        """Divide until nothing is open or it takes too long; return a bound."""
        while self.open and self.effort > 0 and not stop():
            branch = self.open.pop()
            more = self._split(branch)
            if more is None:
                self.open.append(branch)
                break
            self.open += more
        lows = [branch.low for branch in self.open]
        return min([self.judge.upper(), *lows])

    def _split(self, branch: _Branch) -> list[_Branch] | None:
        """Return what is left of a branch in two parts; ``None``: it cannot be told."""
        branch = self._bound(branch)
        if branch.low >= self.judge.upper():
            return []
        if len(branch.pool) <= CLOSED and self.judge.close(branch.pool.columns()):
            return []
        return self._halves(branch)

    def _bound(self, branch: _Branch) -> _Branch:
        """Solve the programme of one branch."""
        low, pool = branch.low, branch.pool
        master, upper = self.master, self.judge.upper()
        while True:
            mine = pool.keys()
            outside = [
                use
                for use, key in zip(master.use, master.keys, strict=True)
                if key not in mine
            ]
            master.lp.forbid([*outside, *(master.out[call] for call in branch.kept)])
            prices = master.solve()
            self.effort -= len(master.columns)
            if prices is None:
                break
            found, added, pool = pool.price(master, prices, upper)
            low = max(low, found)
            if low >= upper or added == 0:
                break
        return _Branch(low, pool, branch.kept)

    def _halves(self, branch: _Branch) -> list[_Branch] | None:
        """Part the plans of a branch by what its programme is undecided about."""
        low, pool, kept = branch
        lp, problem = self.master.lp, self.master.problem
        out = np.array([lp.value(variable) for variable in self.master.out])
        undecided = np.minimum(out, 1 - out)
        call = int(undecided.argmax())
        with_call = pool.member[:, call] == 1
        if undecided[call] > SURE:
            return [
                _Branch(low, pool.only(~with_call), kept),
                _Branch(low, pool, kept | {call}),
            ]
        shares = {van: np.zeros(self.calls) for van in self.master.vans}
        pairs = np.zeros((self.calls, self.calls))
        for use, column in zip(self.master.use, self.master.columns, strict=True):
            share = lp.value(use)
            if share > SURE / 100:
                on = list(calls_of(problem, column))
                shares[column.van][on] += share
                pairs[np.ix_(on, on)] += share
        van = max(shares, key=lambda v: np.minimum(shares[v], 1 - shares[v]).max())
        undecided = np.minimum(shares[van], 1 - shares[van])
        call = int(undecided.argmax())
        if undecided[call] > SURE:
            return self._by_van(branch, van, call)
        undecided = np.minimum(pairs, 1 - pairs)
        first, second = np.unravel_index(undecided.argmax(), undecided.shape)
        if undecided[first, second] <= SURE:
            return self._whole(branch, shares)
        both = pool.member[:, first] + pool.member[:, second]
        return [
            _Branch(low, pool.only(both != 2), kept),  # noqa: PLR2004 - both of them
            _Branch(low, pool.only(both != 1), kept),
        ]

    def _by_van(self, branch: _Branch, van: int, call: int) -> list[_Branch]:
        """Let one kind of van leave a call to others, or be the one to serve it."""
        low, pool, kept = branch
        with_call = pool.member[:, call] == 1
        mine = pool.vans == van
        must = np.where(mine, with_call | (self.master.vans[van] > 1), ~with_call)
        return [
            _Branch(low, pool.only(~(mine & with_call)), kept),
            _Branch(low, pool.only(must), kept | {call}),
        ]

    def _whole(
        self, branch: _Branch, shares: Mapping[int, NDArray[np.float64]]
    ) -> list[_Branch] | None:
        """Go on from an answer in whole routes: they may lack parts, or be better."""
        upper, pool, master = self.judge.upper(), branch.pool, self.master
        self.judge.close(
            [
                column
                for use, column in zip(master.use, master.columns, strict=True)
                if master.lp.value(use) > 1 - SURE
            ]
        )
        if self.judge.upper() < upper:
            return [branch]
        best, halves = 0, None
        for van, share in shares.items():
            for call in np.flatnonzero(share > 1 - SURE).tolist():
                both = self._by_van(branch, van, call)
                dropped = len(pool) - len(both[1].pool)
                if dropped > best:
                    best, halves = dropped, both
        return halves
