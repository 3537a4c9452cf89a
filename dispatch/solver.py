"""Choose and order every van's calls, on arrays alone.

Small days are enumerated: every order worth driving, then the best way to share the
calls between the vans, proved. Larger ones are searched by ruin and recreate in two
chains that meet now and then, the routes met on the way go to the exact cover, and what
comes of it is proved best or mended (``proof.py``), as far as the day's size allows.
Days of many hundred calls are cut along their routes into pieces that are searched side
by side, over and over, each time cut elsewhere (Bent and Van Hentenryck (2010),
Spatial, temporal, and hybrid decompositions for large-scale vehicle routing with time
windows, CP 2010, from memory).
"""

from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from time import monotonic
from typing import NamedTuple

import numpy as np

from dispatch.bound import bound_cost
from dispatch.partition import Column, calls_of, choose_routes, promising, weigh
from dispatch.problem import (
    BROKEN,
    CALL,
    FINISH,
    HOLDER,
    M_UNITS,
    NEED_HI,
    NEED_LO,
    NEVER,
    NEXT,
    NODE,
    S_UNITS,
    START,
    STORE_ROW,
    STORE_VISIT,
    TWIN,
    WEIGHT,
    Futures,
    Ints,
    Problem,
    frozen,
    no_futures,
    own_copy,
)
from dispatch.proof import Effort, Known, prove, routes_are_all
from dispatch.search import is_compiled
from dispatch.search.begin import begin, new_lot
from dispatch.search.lns import (
    BEST_LEFT,
    BEST_MONEY,
    NOW_LEFT,
    NOW_MONEY,
    POOL_MONEY,
    POOL_SIZE,
    POOL_VAN,
    POOL_VISITS,
    POOLED,
    Memory,
    apply_terms,
    new_memory,
    search,
)
from dispatch.search.risk import expect_all
from dispatch.search.schedule import (
    LATE,
    MONEY,
    PARTS,
    RISK,
    SIZE,
    Routes,
    empty_routes,
    time_route,
)
from dispatch.search.tours import (
    BEST_COST,
    BEST_LABEL,
    BEST_SET,
    CALLS_MAX,
    FAR,
    find_tours,
    join_van,
    new_tours,
    order_of,
)
from shared.units import cents

LABELS_ROOM = 300_000  # of one van's tours; a quarter of a second's work
JOINS_ROOM = 200_000_000  # pairs of sets tried when vans share calls; about a second
COLUMNS_ROOM = 5_000  # routes CP-SAT usually proves over in a second
PROOF_EFFORT = 1.0  # CP-SAT's deterministic time for such a proof
COMPILING = "compiling"  # the phase before a kernel's first use on a machine
CHAINS = 2  # searches side by side; part of the question, so that plans repeat
SLICE = 400_000  # rounds times calls between two looks at the clock; as CHAINS
MET = 1_000  # the newest routes of each chain, from each beginning, that are looked at
CHOSEN_FROM = 500  # the most promising of them go to the exact cover
COVER_EFFORT = 0.2  # CP-SAT's deterministic time, half a second at most
SEARCHED = 0.9  # of a time budget; the exact cover takes the rest
PROVABLE = 40  # calls; of larger days hardly any is proved in the time
WORTH_PROVING = 10_000  # rounds; who asks for fewer does not want to wait
SPLIT_ABOVE = 300  # calls; a larger day is searched in pieces
PIECE_CALLS = 250  # of such a piece, about: calls of one piece compete for parts
PIECE_ROUNDS = 3_000  # until the day is cut anew
HOT, COLD = 3.0, 0.1  # first and last temperature, in costs of a usual drive
FULL = (20.0, 0.3)  # those of a large day that leaves calls out: more of them find room
# while driving counts for less
COLDEST = 0.05  # the last temperature of each leg
WARM = 0.5  # first one of a search that begins from given routes


class Leg(NamedTuple):
    """A stretch of a search in two chains.

    Parameters
    ----------
    begin : float
        Share of the budget at which it begins.
    hot : float
        Its first temperature, in costs of a usual drive.
    anew : bool
        Whether both chains begin it with nothing placed; if not, both go on from the
        best that either has found.
    """

    begin: float
    hot: float
    anew: bool = False


# Two chains that never meet end in different places, most of them poor ones.
LEGS = (Leg(0.0, 1.0), Leg(0.5, 0.4), Leg(0.75, 0.4))
# Of four first legs the best is mostly better than of two that are twice as long, where
# a leg has rounds enough to get anywhere.
LONG_LEGS = (Leg(0.0, 1.0), Leg(0.25, 1.0, anew=True), *LEGS[1:])
LONG = 1_000  # rounds in all for each call


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far planning has come.

    Parameters
    ----------
    seconds : float
        Since planning began.
    rounds, total_rounds : int, int or None
        Rounds of ruin and recreate done, and how many there will be.
    unplaced : int
        Calls the best plan so far leaves out.
    cost_cents : int
        What it costs.
    phase : str
        What is going on, in words.
    """

    seconds: float
    rounds: int
    total_rounds: int | None
    unplaced: int
    cost_cents: int
    phase: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """How long to search, and whom to tell.

    Parameters
    ----------
    seed : int
        Chance is drawn from this alone.
    rounds : int or None
        Rounds of ruin and recreate in each of the two searches; ``None``: a number
        that suits the day's size. With few of them, nothing is proved of a day that
        is too large to be enumerated.
    spent : callable or None
        Share of a time budget that is used up, 0 to 1; if given it ends the search
        instead of ``rounds``, and the plan depends on the machine's speed.
    stop : callable
        True ends the search soon with the best plan so far.
    report : callable
        Called with a :class:`Progress` about ten times a second.
    reasons : bool
        Whether it is worked out why a call is left out or late; otherwise the plan says
        only that it is. For who lives through thousands of days.
    replans : bool
        Whether what would help a call that is left out, or late, is tried out by
        planning the day anew; otherwise on the routes as they are.
    """

    seed: int = 0
    rounds: int | None = None
    spent: Callable[[], float] | None = None
    stop: Callable[[], bool] = lambda: False
    report: Callable[[Progress], None] = lambda _: None
    reasons: bool = True
    replans: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What solving comes to.

    Parameters
    ----------
    columns : tuple of Column
        At most one per van, by van.
    proved : bool
        No other choice is better.
    stopped : bool
        The budget's ``stop`` ended the search.
    rounds : int
        Rounds each chain took.
    bound : int or None
        No choice that leaves out as little costs less.
    visits : ndarray
        The visit table of the problem, windows of linked calls as agreed.
    """

    columns: tuple[Column, ...]
    visits: Ints
    proved: bool = False
    stopped: bool = False
    rounds: int = 0
    bound: int | None = None


def solve(
    problem: Problem,
    budget: Budget,
    rest_cost: Callable[[Sequence[Column]], int | None] = lambda _: 0,
    start: Sequence[Column] = (),
    futures: Futures | None = None,
) -> Outcome:
    """Choose and order every van's calls.

    Parameters
    ----------
    problem : Problem
        The day.
    budget : Budget
        How long to search, and whom to tell.
    rest_cost : callable
        What these routes together cost beyond their own cost (parts), ``None`` where
        they break a rule that single routes do not know (parts, links, limits). Asked
        when the best routes are known but for that; the default is for problems
        without any of it.
    start : sequence of Column
        Routes to begin from, at most one per van, with what they cost. Where they keep
        all rules, what is found is no worse, and it is they if nothing is better.
    futures : Futures, optional
        What the risk of lateness is priced by; it is part of the cost of every column
        then, but for those of ``start``. Nothing is proved best: no proof knows it.

    Returns
    -------
    Outcome
        The same problem, seed and rounds give the same one, slices included:
        temperatures are rounded once a slice.
    """
    clock = _Clock(budget)
    outcome = None
    if futures is None:
        futures = no_futures()
        clock.tell_compiling("find_tours")
        clock.tell("trying every order of calls")
        outcome = _prove(problem, clock, rest_cost)
    start = _with_risk(problem, futures, start)
    if outcome is None:
        # Linked calls have to stay in one piece, and may be on any two vans.
        if problem.call_count > SPLIT_ABOVE and len(problem.links) == 0:
            outcome = _Split(problem, clock, start, futures).run()
        else:
            outcome = _Search(problem, clock, rest_cost, start, futures).run()
    if not start or outcome.columns == tuple(start):
        return outcome
    ranks = []
    for columns in (start, outcome.columns):
        parts = rest_cost(columns)
        if parts is None:  # with links, perhaps by other times than they agreed on
            return outcome
        cost = parts + sum(column.cost for column in columns)
        ranks.append((weigh(problem, columns), cost))
    if ranks[0] <= ranks[1]:
        return replace(outcome, columns=tuple(start), visits=problem.given)
    return outcome


def _with_risk(
    problem: Problem, futures: Futures, columns: Sequence[Column]
) -> tuple[Column, ...]:
    """Return routes with what the lateness to be expected of them costs."""
    if len(futures.pace) == 0:
        return tuple(columns)
    routes = empty_routes(problem)
    for column in columns:
        routes.order[column.van, : len(column.visits)] = column.visits
        routes.facts[column.van, SIZE] = len(column.visits)
    expect_all(problem, futures, routes)
    risk = routes.facts[:, RISK].tolist()
    return tuple(
        column._replace(cost=column.cost + risk[column.van]) for column in columns
    )


class _Clock:
    """Tells how far planning has come."""

    def __init__(self, budget: Budget) -> None:
        self.budget = budget
        self.begun = monotonic()
        self.rounds = 0
        self.total: int | None = None

    def tell_compiling(self, kernel: str) -> None:
        """Say so if a kernel is not compiled yet: it takes a while, once."""
        if not is_compiled(kernel):
            self.tell(COMPILING)

    def tell(self, phase: str, unplaced: int = 0, units: int = 0) -> None:
        self.budget.report(
            Progress(
                seconds=monotonic() - self.begun,
                rounds=self.rounds,
                total_rounds=self.total,
                unplaced=unplaced,
                cost_cents=cents(units),
                phase=phase,
            )
        )


# --- small days: every order --------------------------------------------------


def _prove(
    problem: Problem,
    clock: _Clock,
    rest_cost: Callable[[Sequence[Column]], int | None],
) -> Outcome | None:
    """Solve by trying everything; ``None`` if the day is too large for that."""
    if problem.call_count > CALLS_MAX:
        return None
    pool: list[Column] = []
    for van in sorted(set(problem.vans[:, TWIN].tolist())):
        tours = new_tours(LABELS_ROOM)
        labels, found = find_tours(problem, tours, van)
        if labels > LABELS_ROOM or clock.budget.stop():
            return None
        pool += [
            Column(van, order_of(tours, int(row[BEST_LABEL])), int(row[BEST_COST]))
            for row in tours.best[np.argsort(tours.best[:found, BEST_SET])]
        ]
    columns = _share_calls(problem, pool)
    if columns is not None and rest_cost(columns) == 0:
        return Outcome(columns=columns, visits=problem.given, proved=True)
    if len(pool) > COLUMNS_ROOM or not routes_are_all(problem):
        return None
    cover = choose_routes(problem, pool, effort=PROOF_EFFORT)
    if cover is None or not cover.proved:
        return None
    return Outcome(columns=cover.columns, visits=problem.given, proved=True)


def _share_calls(problem: Problem, pool: Sequence[Column]) -> tuple[Column, ...] | None:
    """Share the calls between the vans, parts not looked at; ``None``: too many.

    Van by van, over all sets of calls: the best way for the vans so far to serve
    exactly this set, by broken promises first and cost second, as one number.
    """
    calls, vans = problem.call_count, len(problem.vans)
    if vans == 1:  # no sharing: the best of its routes, or none
        ways = [(), *((column,) for column in pool)]
        return min(ways, key=lambda way: (weigh(problem, way), *(c.cost for c in way)))
    if vans * 3**calls > JOINS_ROOM:
        return None
    broken = [int(problem.visits[list(c.visits), BROKEN].sum()) for c in pool]
    scale = 1 + vans * max((column.cost for column in pool), default=0)
    if scale * (1 + vans * max(broken, default=0)) >= FAR:
        return None
    by_van: dict[int, dict[int, tuple[int, Column]]] = {}
    for column, weight in zip(pool, broken, strict=True):
        members = sum(1 << call for call in calls_of(problem, column))
        sets = by_van.setdefault(column.van, {})
        sets[members] = (scale * weight + column.cost, column)
    cost = np.full(1 << calls, FAR, np.int64)
    cost[0] = 0
    taken = np.zeros((vans, 1 << calls), np.int64)
    for van, twin in enumerate(problem.vans[:, TWIN].tolist()):
        own = np.full(1 << calls, FAR, np.int64)
        own[0] = 0
        for members, (units, _) in by_van.get(twin, {}).items():
            own[members] = units
        join_van(cost, own, taken[van])
    members = _best_set(problem, cost, scale)
    columns = []
    for van in range(vans - 1, -1, -1):
        part = int(taken[van, members])
        if part:
            column = by_van[int(problem.vans[van, TWIN])][part][1]
            columns.append(column._replace(van=van))
        members ^= part
    return tuple(reversed(columns))


def _best_set(problem: Problem, cost: Ints, scale: int) -> int:
    """Return the set of calls to serve, given what each costs (weight times scale)."""
    sets = np.arange(len(cost))
    left_out = cost // scale
    for call, weight in enumerate(
        problem.visits[: problem.call_count, WEIGHT].tolist()
    ):
        left_out += weight * ((sets >> call & 1) == 0)
    left_out[cost >= FAR] = FAR
    return int(np.lexsort((cost, left_out))[0])


# --- larger days: ruin and recreate --------------------------------------------


class _Search:
    """Ruin and recreate in two chains, then the exact cover of the routes they met."""

    def __init__(
        self,
        problem: Problem,
        clock: _Clock,
        rest_cost: Callable[[Sequence[Column]], int | None],
        start: Sequence[Column],
        futures: Futures,
    ) -> None:
        self.problem = problem
        self.clock = clock
        self.rest_cost = rest_cost
        self.futures = futures
        self.budget = clock.budget
        seeds = np.random.SeedSequence(self.budget.seed).spawn(CHAINS)
        self.chance = [np.random.default_rng(seed) for seed in seeds]
        clock.tell_compiling("search")
        self.problems = [own_copy(problem) for _ in range(CHAINS)]
        self.chains = [new_memory(own) for own in self.problems]
        self.start = tuple(start)
        self.met: list[Column] = []  # before the chains began anew
        if start:
            for own, memory in zip(self.problems, self.chains, strict=True):
                _begin_from(own, memory, start, futures)
        self.usual = usual_drive(problem)

    def run(self) -> Outcome:
        """Search until the budget is spent."""
        total = self.budget.rounds
        if total is None:
            total = default_rounds(self.problem)
        slice_rounds = max(20, SLICE // max(1, self.problem.call_count))
        timed = self.budget.spent is not None
        if not timed:  # legs begin between slices
            slice_rounds = min(slice_rounds, max(1, total // 4))
        self.clock.total = None if timed else total
        done, share, stopped = 0, 0.0, False
        legs, leg = self._legs(0 if timed else total), 0
        with ThreadPoolExecutor(CHAINS) as threads:
            while share < 1.0 and not stopped:
                # The watch starts after the first slice, which may have to compile.
                if timed and done == 2 * slice_rounds:
                    legs = self._legs(slice_rounds / max(share, 1e-6))
                if leg_of(legs, share) > leg:
                    leg = leg_of(legs, share)
                    if legs[leg].anew:
                        self._begin_anew()
                    else:
                        self._meet(combine=legs[leg - 1].anew)
                rounds = slice_rounds if timed else min(slice_rounds, total - done)
                if timed:  # as fast as so far
                    counted = done - slice_rounds
                    lap = rounds * share / counted if counted > 0 else 0.0
                    after = min(1.0, share + lap)
                else:
                    after = (done + rounds) / total if total else 1.0
                self._run_slice(threads, rounds, legs, (share, after))
                done += rounds
                share = self._spent() if timed else after
                self.clock.rounds = done
                self._tell("searching")
                stopped = self.budget.stop()
        known = self._kept() if stopped else self._combined()
        best = self._best_chain()
        if len(self.problem.links):
            apply_terms(self.problems[best], self.chains[best].best)
        outcome = Outcome(
            columns=known.columns,
            visits=self.problems[best].visits,
            stopped=stopped,
            rounds=done,
            bound=bound_cost(self.problem, weigh(self.problem, known.columns)),
        )
        few = self.budget.rounds is not None and self.budget.rounds < WORTH_PROVING
        risky = len(self.futures.pace) > 0  # what it costs no proof knows
        if stopped or few or risky or self.problem.call_count > PROVABLE:
            return outcome
        return self._proved(outcome, known)

    def _proved(self, outcome: Outcome, known: Known) -> Outcome:
        """Return the outcome with what can be proved of it, or a better one."""
        self.clock.tell_compiling("find_worthwhile")
        self._tell("proving")
        effort = Effort(stop=lambda: self.budget.stop() or self._late())
        pool = self._pool([self._stand_in(column) for column in known.columns])
        proof = prove(self.problem, known, pool, self.rest_cost, effort)
        if proof.columns is not None:
            left_out = weigh(self.problem, proof.columns)
            outcome = replace(
                outcome,
                columns=proof.columns,
                visits=self.problem.given,
                bound=bound_cost(self.problem, left_out),
            )
        bounds = [b for b in (outcome.bound, proof.bound) if b is not None]
        return replace(outcome, proved=proof.proved, bound=max(bounds, default=None))

    def _late(self) -> bool:
        return self.budget.spent is not None and self.budget.spent() >= 1.0

    def _legs(self, rounds: float) -> Sequence[Leg]:
        """Return the legs of a search of so many rounds."""
        enough = rounds >= LONG * self.problem.call_count
        return LONG_LEGS if enough and not self.start else LEGS

    def _run_slice(
        self,
        threads: ThreadPoolExecutor,
        rounds: int,
        legs: Sequence[Leg],
        shares: tuple[float, float],
    ) -> None:
        """Run both chains for some rounds."""
        most = WARM if self.start else HOT
        heat = leg_temperatures(self.usual, legs, shares, most)
        jobs = [
            threads.submit(search, own, memory, chance, rounds, heat, self.futures)
            for own, memory, chance in zip(
                self.problems, self.chains, self.chance, strict=True
            )
        ]
        for job in jobs:
            job.result()

    def _meet(self, *, combine: bool) -> None:
        """Let both chains go on from the best that one of them has found.

        Or from the best choice of all routes met, where each has begun more than once.
        """
        best = self._best()
        if combine:
            fresh = new_memory(self.problem, pool_rows=1)
            own = own_copy(self.problem)
            _begin_from(own, fresh, self._combined().columns, self.futures)
            fresh_score, score = (
                memory.score[[BEST_LEFT, BEST_MONEY]] for memory in (fresh, best)
            )
            if fresh_score.tolist() < score.tolist():
                for source, target in zip(fresh.best, best.best, strict=True):
                    target[...] = source
                best.score[[BEST_LEFT, BEST_MONEY]] = fresh_score
        self._go_on(best.best, best.score[[BEST_LEFT, BEST_MONEY]])

    def _begin_anew(self) -> None:
        """Let both chains begin once more; each keeps the best that it has found."""
        self.met += self._met()
        nothing = new_memory(self.problem, pool_rows=1)
        self._go_on(nothing.now, nothing.score[[NOW_LEFT, NOW_MONEY]])

    def _go_on(self, given: Routes, score: Ints) -> None:
        """Let both chains go on from some routes."""
        for own, memory in zip(self.problems, self.chains, strict=True):
            for routes in (memory.now, memory.kept):
                for source, target in zip(given, routes, strict=True):
                    target[...] = source
            for places in (memory.notes.seen, memory.notes.detours):
                places[..., 0] = -1  # those were of other routes
            memory.score[[NOW_LEFT, NOW_MONEY]] = score
            if len(own.links):
                apply_terms(own, memory.now)

    def _stand_in(self, column: Column) -> Column:
        return column._replace(van=int(self.problem.vans[column.van, TWIN]))

    def _spent(self) -> float:
        spent = self.budget.spent() if self.budget.spent else 1.0
        return min(1.0, spent / SEARCHED)

    def _best_chain(self) -> int:
        scores = [memory.score[[BEST_LEFT, BEST_MONEY]] for memory in self.chains]
        return min(range(CHAINS), key=lambda chain: scores[chain].tolist())

    def _best(self) -> Memory:
        return self.chains[self._best_chain()]

    def _tell(self, phase: str) -> None:
        best = self._best()
        unplaced = int((best.best.van_of[: self.problem.call_count] < 0).sum())
        self.clock.tell(phase, unplaced, int(best.score[BEST_MONEY]))

    def _kept(self) -> Known:
        """Return the best chain's routes."""
        memory = self._best()
        return Known(_columns(memory.best), int(memory.score[BEST_MONEY]))

    def _met(self) -> Iterator[Column]:
        """Return the routes both chains met, the newest first."""
        for age in range(1, MET + 1):
            for memory in self.chains:
                row = memory.score[POOLED] - age
                if row < 0:
                    continue
                line = memory.pool[row % len(memory.pool)]
                visits = line[POOL_VISITS : POOL_VISITS + line[POOL_SIZE]].tolist()
                yield Column(int(line[POOL_VAN]), tuple(visits), int(line[POOL_MONEY]))

    def _pool(self, known: Sequence[Column]) -> list[Column]:
        """Return routes to choose from, of each set of calls the cheapest met."""
        pool: dict[tuple[int, Collection[int]], Column] = {}
        for column in (*known, *self._met(), *self.met):
            # Where a route stops for parts, what comes before and behind is not the
            # same.
            stops = len(calls_of(self.problem, column)) < len(column.visits)
            key = (column.van, column.visits if stops else frozenset(column.visits))
            other = pool.setdefault(key, column)
            if column.cost < other.cost:
                pool[key] = column
        return list(pool.values())

    def _combined(self) -> Known:
        """Return the best choice from all routes met."""
        self._tell("combining the best routes")
        kept = self._kept()
        if len(self.problem.links):  # what they agreed on holds in one plan only
            return kept
        known = [self._stand_in(column) for column in kept.columns]
        pool = self._pool([*known, *map(self._stand_in, self.start)])
        cover = choose_routes(
            self.problem,
            promising(self.problem, pool, known, CHOSEN_FROM),
            known,
            parts_known=True,
            effort=COVER_EFFORT,
        )
        score = self._best().score
        if cover is not None and (cover.left_out, cover.cost) < (
            score[BEST_LEFT],
            score[BEST_MONEY],
        ):
            return Known(cover.columns, cover.cost)
        return kept


def _begin_from(
    problem: Problem, memory: Memory, start: Sequence[Column], futures: Futures
) -> None:
    """Put routes into the memory of a search that has placed nothing yet."""
    lot = new_lot(problem)
    for column in start:
        lot.sizes[column.van] = len(column.visits)
        lot.visits[column.van, : len(column.visits)] = column.visits
    begin(problem, memory.now, memory.notes, lot)
    expect_all(problem, futures, memory.now)
    _hold(memory)


def _hold(memory: Memory) -> None:
    """Let a search begin from the routes it is changing."""
    now, score = memory.now, memory.score
    for source, kept, best in zip(now, memory.kept, memory.best, strict=True):
        kept[...] = source
        best[...] = source
    score[[NOW_LEFT, BEST_LEFT]] = now.left[0] + now.facts[:, LATE].sum()
    score[[NOW_MONEY, BEST_MONEY]] = now.facts[:, [MONEY, RISK]].sum()


def _columns(routes: Routes) -> tuple[Column, ...]:
    """Return the routes of a solution, parts not in their cost."""
    return tuple(
        Column(van, tuple(routes.order[van, :size].tolist()), money - parts + risk)
        for van, (size, money, parts, risk) in enumerate(
            routes.facts[:, [SIZE, MONEY, PARTS, RISK]].tolist()
        )
        if size > 0
    )


# --- days of many calls: in pieces ----------------------------------------------


class _Split:
    """Ruin and recreate on neighbouring pieces of a large day, over and over."""

    def __init__(
        self,
        problem: Problem,
        clock: _Clock,
        start: Sequence[Column],
        futures: Futures,
    ) -> None:
        self.problem = problem
        self.futures = futures
        self.clock = clock
        self.start = start
        self.budget = clock.budget
        self.chance = np.random.default_rng(self.budget.seed)
        clock.tell_compiling("search")
        self.whole = new_memory(problem, pool_rows=1)
        if start:
            _begin_from(own_copy(problem), self.whole, start, futures)
        self.usual = usual_drive(problem)

    def run(self) -> Outcome:
        """Search until the budget is spent."""
        problem, whole = self.problem, self.whole
        total = self.budget.rounds
        if total is None:
            total = default_rounds(problem)
        timed = self.budget.spent is not None
        self.clock.total = None if timed else total
        share = self._spent() if timed else 0.0
        lap, done, stopped = 0.0, 0, False
        # First every call its turn, on the whole day.
        cold = self.usual * COLD
        search(
            own_copy(problem),
            whole,
            self.chance,
            problem.call_count,
            (cold, cold),
            self.futures,
        )
        if self.start:
            ends = (WARM, COLD)
        else:
            ends = FULL if whole.score[BEST_LEFT] > 0 else (HOT, COLD)
        with ThreadPoolExecutor(CHAINS) as threads:
            while share < 1.0 and not stopped:
                cuts = self._cuts()
                lot = -(-len(cuts) // CHAINS) * PIECE_ROUNDS
                after = share + lap if timed else (done + lot) / max(1, total)
                heat = temperatures(self.usual, (share, min(1.0, after)), ends)
                jobs = [
                    threads.submit(self._search_piece, cut, chance, heat)
                    for cut, chance in zip(
                        cuts, self.chance.spawn(len(cuts)), strict=True
                    )
                ]
                self._merge([job.result() for job in jobs])
                done += lot
                now = self._spent() if timed else after
                lap, share = now - share, now
                self.clock.rounds = done
                self.clock.tell(
                    "searching",
                    int((whole.best.van_of[: problem.call_count] < 0).sum()),
                    int(whole.score[BEST_MONEY]),
                )
                stopped = self.budget.stop()
        columns = _columns(whole.best)
        return Outcome(
            columns=columns,
            visits=problem.given,
            stopped=stopped,
            rounds=done,
            bound=bound_cost(problem, weigh(problem, columns)),
        )

    def _spent(self) -> float:
        return min(1.0, self.budget.spent()) if self.budget.spent else 1.0

    def _search_piece(
        self, cut: "_Cut", chance: np.random.Generator, heat: tuple[float, float]
    ) -> "_Piece":
        """Build one piece and search it, in its own thread: others search meanwhile."""
        piece = _Piece(self.problem, self.whole.kept, cut, self.futures)
        piece.run(chance, heat)
        return piece

    def _cuts(self) -> list["_Cut"]:
        """Cut the day along its routes: each piece is some routes near each other."""
        problem, kept = self.problem, self.whole.kept
        count = problem.call_count
        groups = self._neighbours()
        van_of = kept.van_of[:count]
        owner = np.full(count, -1, np.int64)
        for group, vans in enumerate(groups):
            owner[np.isin(van_of, vans)] = group
        for call in np.flatnonzero(van_of < 0):  # where its neighbours are
            near = problem.near[call]
            placed = near[van_of[near] >= 0]
            owner[call] = owner[placed[0]] if len(placed) else 0
        idle: dict[int, list[int]] = {}
        for van in np.flatnonzero(kept.facts[:, SIZE] == 0).tolist():
            idle.setdefault(int(problem.vans[van, TWIN]), []).append(van)
        for some in idle.values():  # to each piece its share of the vans not out
            order = self.chance.permutation(len(groups)).tolist()
            for index, van in enumerate(some):
                groups[order[index % len(groups)]].append(van)
        groups = [sorted(vans) for vans in groups]
        stocks = divide_stock(problem, kept, groups)
        return [
            _Cut(vans, np.flatnonzero(owner == group), stock)
            for group, (vans, stock) in enumerate(zip(groups, stocks, strict=True))
        ]

    def _neighbours(self) -> list[list[int]]:
        """Return groups of routes near each other, at least one group."""
        kept, distance = self.whole.kept, self.problem.distance_m
        vans = np.flatnonzero(kept.facts[:, SIZE] > 0)
        if len(vans) == 0:
            return [[]]
        sizes = kept.facts[vans, SIZE]
        routes = [
            self.problem.visits[kept.order[van, : kept.facts[van, SIZE]], NODE]
            for van in vans
        ]
        middles = np.array(
            [
                nodes[distance[np.ix_(nodes, nodes)].sum(axis=1).argmin()]
                for nodes in routes
            ]
        )
        apart = distance[np.ix_(middles, middles)]
        # Begin at the rim, so that nothing is left over between the groups.
        rim = int(apart[int(self.chance.integers(len(vans)))].argmax())
        free = np.ones(len(vans), bool)
        groups: list[list[int]] = []
        # As many for each thread, all as large, so that none waits for another.
        turns = max(1, round(sizes.sum() / PIECE_CALLS / CHAINS))
        for left in range(min(CHAINS * turns, len(vans)), 0, -1):
            first = int(np.where(free, apart[rim], NEVER).argmin())
            near = np.argsort(np.where(free, apart[first], NEVER), kind="stable")
            near = near[: int(free.sum())]
            filled = sizes[near].cumsum()
            enough = int(np.searchsorted(filled, filled[-1] / left)) + 1
            # One at least for each group to come.
            chosen = near[: min(enough, len(near) - left + 1)]
            free[chosen] = False
            groups.append(vans[chosen].tolist())
        return groups

    def _merge(self, pieces: list["_Piece"]) -> None:
        """Put the pieces together again: as they are now, and the best of each."""
        whole, score = self.whole, self.whole.score
        for piece in pieces:
            piece.copy(piece.memory.best, whole.now)
        left_out, money = self._finish(whole.now)
        if (left_out, money) < (score[BEST_LEFT], score[BEST_MONEY]):
            score[BEST_LEFT], score[BEST_MONEY] = left_out, money
            for source, target in zip(whole.now, whole.best, strict=True):
                target[...] = source
        for piece in pieces:
            piece.copy(piece.memory.kept, whole.kept)
        score[NOW_LEFT], score[NOW_MONEY] = self._finish(whole.kept)

    def _finish(self, routes: Routes) -> tuple[int, int]:
        """Time all routes; return what they leave out, and what they cost."""
        problem, vans = self.problem, len(self.problem.vans)
        routes.van_of[:] = -1
        for van in range(vans):
            time_route(problem, routes, van)
        expect_all(problem, self.futures, routes)
        count = problem.call_count
        routes.left[0] = problem.visits[:count, WEIGHT][routes.van_of[:count] < 0].sum()
        routes.used[:] = used_by(problem, routes, range(vans))
        left_out = int(routes.left[0] + routes.facts[:, LATE].sum())
        return left_out, int(routes.facts[:, [MONEY, RISK]].sum())


def used_by(problem: Problem, routes: Routes, vans: Sequence[int]) -> Ints:
    """Return what some vans' routes use, from their calls alone.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and its routes, with what each call has chosen and fetches.
    vans : sequence of int
        Rows of ``problem.vans``.

    Returns
    -------
    ndarray, shape of ``problem.stock``
        As ``routes.used``; what the shop gives reckoned with the stock of ``problem``.
    """
    shop, used = len(problem.vans), np.zeros_like(problem.stock)
    on = np.flatnonzero(np.isin(routes.van_of[: problem.call_count], vans))
    turn, needs = _spread(problem.given[on][:, [NEED_LO, NEED_HI]])
    calls = on[turn]
    turn, items = _spread(problem.choices[routes.chosen[needs], :2])
    calls = calls[turn]
    parts, pieces = problem.items[items].T
    van, store = routes.van_of[calls], routes.store_of[calls]
    fetched = np.where(store >= 0, routes.fetched[items], 0)
    row = np.where(problem.reused[parts] == 1, van, problem.vans[van, HOLDER])
    np.add.at(used, (row, parts), pieces - fetched)
    some = fetched > 0
    rows = problem.stores[store[some], STORE_ROW]
    np.add.at(used, (rows, parts[some]), fetched[some])
    over = np.maximum(0, used[:shop] - problem.stock[:shop])
    used[shop] += np.where(problem.reused == 1, np.minimum(1, over), over).sum(axis=0)
    return used


def _spread(spans: Ints) -> tuple[Ints, Ints]:
    """Return all whole numbers in half-open spans, and the row of each one's span."""
    lengths = spans[:, 1] - spans[:, 0]
    rows = np.repeat(np.arange(len(spans)), lengths)
    before = np.cumsum(lengths) - lengths
    return rows, np.arange(len(rows)) - before[rows] + spans[rows, 0]


def divide_stock(
    problem: Problem, routes: Routes, groups: Sequence[Sequence[int]]
) -> list[Ints]:
    """Divide what there is between groups of vans.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and its routes.
    groups : sequence of sequence of int
        Each van in one of them.

    Returns
    -------
    list of ndarray, shape of ``problem.stock``
        For each group what its routes use now and a share of what is left; together
        no more than there is. Where vans of several groups hand each other parts, the
        row of their HOLDER is divided as well.
    """
    shop = len(problem.vans)
    used = [used_by(problem, routes, vans) for vans in groups]
    tools = problem.reused == 1
    holders = [set(problem.vans[vans, HOLDER].tolist()) for vans in groups]
    shares = [np.zeros_like(problem.stock) for _ in groups]
    for group, vans in enumerate(groups):
        shares[group][np.ix_(vans, tools)] = problem.stock[np.ix_(vans, tools)]
    for holder in sorted(set().union(*holders)):
        mates = [group for group, some in enumerate(holders) if holder in some]
        left = np.where(tools, 0, problem.stock[holder])
        for group in mates:
            given = np.where(tools, 0, np.minimum(used[group][holder], left))
            shares[group][holder] += given
            left = left - given
        for rank, group in enumerate(mates):
            shares[group][holder] += (left + rank) // len(mates)
    for group in range(len(groups)):
        over = np.maximum(0, used[group][:shop] - shares[group][:shop])
        # What is fetched there on the way, and what is loaded in the morning.
        loaded = np.maximum(0, used[group][:shop] - problem.stock[:shop])
        used[group][shop] -= np.where(tools, np.minimum(1, loaded), loaded).sum(axis=0)
        used[group][shop] += np.where(tools, np.minimum(1, over), over).sum(axis=0)
        shares[group][shop:] = used[group][shop:]
    left = problem.stock[shop:] - sum(share[shop:] for share in shares)
    for group, share in enumerate(shares):
        share[shop:] += (left + group) // len(groups)
    return shares


class _Cut(NamedTuple):
    """What a piece of a large day consists of: rows of vans and of calls, and stock."""

    vans: list[int]
    calls: Ints
    stock: Ints


class _Piece:
    """Some routes of a large day, their calls and some vans not out, as a day."""

    def __init__(
        self, problem: Problem, routes: Routes, cut: _Cut, futures: Futures
    ) -> None:
        vans, calls, stock = cut
        self.vans, self.calls = vans, calls
        self.problem, self.visits = _part_of(problem, vans, calls, stock)
        self.futures = futures
        if len(futures.pace):
            self.futures = futures._replace(
                visits=frozen(futures.visits[self.visits]),
                lengths=frozen(futures.lengths[self.visits]),
            )
        self.memory = new_memory(self.problem, pool_rows=1)
        now = self.memory.now
        local = np.zeros(len(problem.visits), np.int64)
        local[self.visits] = np.arange(len(self.visits))
        for row, van in enumerate(vans):
            size = int(routes.facts[van, SIZE])
            now.order[row, :size] = local[routes.order[van, :size]]
            now.facts[row, SIZE] = size
            now.facts[row, PARTS] = routes.facts[van, PARTS]
            time_route(self.problem, now, row)
        now.chosen[:] = routes.chosen
        now.store_of[:] = routes.store_of[calls]
        self._copy_fetched(routes, now)
        now.used[:] = used_by(self.problem, now, range(len(vans)))
        expect_all(self.problem, self.futures, now)
        out = now.van_of[: len(calls)] < 0
        now.left[0] = self.problem.visits[: len(calls), WEIGHT][out].sum()
        _hold(self.memory)

    def run(self, chance: np.random.Generator, heat: tuple[float, float]) -> None:
        """Search this piece alone."""
        if len(self.calls) and self.vans:
            search(self.problem, self.memory, chance, PIECE_ROUNDS, heat, self.futures)

    def copy(self, source: Routes, target: Routes) -> None:
        """Write this piece's routes into those of the whole day, not yet timed."""
        for row, van in enumerate(self.vans):
            size = int(source.facts[row, SIZE])
            target.order[van, :size] = self.visits[source.order[row, :size]]
            target.facts[van, SIZE] = size
            target.facts[van, PARTS] = source.facts[row, PARTS]
        target.store_of[self.calls] = source.store_of
        placed = source.van_of[: len(self.calls)] >= 0
        _, needs = _spread(self._needs()[placed])
        target.chosen[needs] = source.chosen[needs]
        self._copy_fetched(source, target)

    def _needs(self) -> Ints:
        return self.problem.given[: len(self.calls), [NEED_LO, NEED_HI]]

    def _copy_fetched(self, source: Routes, target: Routes) -> None:
        """Copy what calls of this piece fetch; tables of needs are the whole day's."""
        if len(self.problem.stores) == 0:
            return
        _, needs = _spread(self._needs())
        _, choices = _spread(self.problem.needs[needs])
        _, items = _spread(self.problem.choices[choices, :2])
        target.fetched[items] = source.fetched[items]


def _part_of(
    problem: Problem, vans: list[int], calls: Ints, stock: Ints
) -> tuple[Problem, Ints]:
    """Return some vans and calls as a problem, and which visits its visits are."""
    count = len(calls)
    stops = problem.stores[:, STORE_VISIT]
    others = np.arange(problem.call_count, len(problem.visits))
    others = others[np.isin(problem.given[others, CALL], calls)]
    members = np.concatenate([calls, others, stops])
    visits = problem.given[members]
    row_of = np.full(len(problem.visits) + 1, -1, np.int64)  # -1 stays -1
    row_of[members] = np.arange(len(members))
    visits[:, NEXT] = row_of[visits[:, NEXT]]
    local = np.full(problem.call_count + len(stops), -1, np.int64)
    local[calls] = np.arange(count)
    local[problem.call_count :] = count + np.arange(len(stops))
    visits[:, CALL] = local[visits[:, CALL]]
    rows = problem.vans[vans].copy()
    doors = np.unique(
        np.concatenate([rows[:, [START, FINISH]].ravel(), visits[:, NODE]])
    )
    nodes = np.concatenate([calls, np.setdiff1d(doors[doors >= 0], calls)])
    node_of = np.full(len(problem.base_s) + 1, -1, np.int64)
    node_of[nodes] = np.arange(len(nodes))
    visits[:, NODE] = node_of[visits[:, NODE]]
    for column in (START, FINISH):
        rows[:, column] = node_of[rows[:, column]]
    for column in (TWIN, HOLDER):
        first: dict[int, int] = {}
        for row, other in enumerate(rows[:, column].tolist()):
            rows[row, column] = first.setdefault(other, row)
    shop = len(problem.vans)
    own = stock[vans].copy()
    holders = problem.vans[vans, HOLDER]
    # Parts lie in the row of the first of them that is in the piece.
    own[rows[:, HOLDER]] = np.where(
        problem.reused == 1, own[rows[:, HOLDER]], stock[holders]
    )
    stores = problem.stores.copy()
    stores[:, STORE_VISIT] = row_of[stops]
    stores[:, STORE_ROW] += len(vans) - shop
    grid = np.ix_(nodes, nodes)
    # By position: to choose by a table of true and false takes eight times as long.
    is_in = local[: problem.call_count] >= 0
    near = problem.near.take(calls, axis=0).ravel()
    near = near.take(np.flatnonzero(is_in.take(near)))
    part = problem._replace(
        base_s=frozen(problem.base_s[grid]),
        distance_m=frozen(problem.distance_m[grid]),
        call_count=count,
        visits=np.array(visits, order="C"),
        given=frozen(visits),
        vans=frozen(rows),
        allowed=frozen(problem.allowed[vans][:, members]),
        stock=frozen(np.vstack([own, stock[shop:]])),
        stores=frozen(stores),
        must=frozen(problem.must[calls]),
        near=frozen(node_of.take(near).reshape(count, count)),
    )
    return part, members


def temperatures(
    usual: float,
    shares: tuple[float, float],
    ends: tuple[float, float] = (HOT, COLD),
) -> tuple[float, float]:
    """Return the temperatures at two moments of a search.

    Parameters
    ----------
    usual : float
        What a usual drive costs.
    shares : tuple of float
        Of the budget, 0 to 1.
    ends : tuple of float
        The first and the last one of a search, in usual drives.

    Returns
    -------
    tuple of float
        Cost units.
    """
    hot, cold = ends
    first, last = (usual * hot * (cold / hot) ** share for share in shares)
    return first, last


def leg_of(legs: Sequence[Leg], share: float) -> int:
    """Return which leg of a search in two chains a moment belongs to.

    Parameters
    ----------
    legs : sequence of Leg
        By when they begin.
    share : float
        Of the budget, 0 to 1.

    Returns
    -------
    int
        Which of the legs.
    """
    return sum(share >= leg.begin for leg in legs) - 1


def leg_temperatures(
    usual: float,
    legs: Sequence[Leg],
    shares: tuple[float, float],
    most: float = HOT,
) -> tuple[float, float]:
    """Return the temperatures at two moments of a leg.

    Parameters
    ----------
    usual : float
        What a usual drive costs.
    legs : sequence of Leg
        By when they begin.
    shares : tuple of float
        Of the budget, 0 to 1; the first one says which leg, and what of the second is
        past its end does not count.
    most : float
        No leg begins hotter, in usual drives.

    Returns
    -------
    tuple of float
        Cost units.
    """
    leg = leg_of(legs, shares[0])
    begin, hot = legs[leg].begin, min(most, legs[leg].hot)
    end = legs[leg + 1].begin if leg + 1 < len(legs) else 1.0
    first, last = (
        usual * hot * (COLDEST / hot) ** min(1.0, (share - begin) / (end - begin))
        for share in shares
    )
    return first, last


def default_rounds(problem: Problem) -> int:
    """Return how many rounds suit a day's size.

    Parameters
    ----------
    problem : Problem
        The day.

    Returns
    -------
    int
        Rounds of each chain.
    """
    # Measured on 35 calls and 4 vans: 90,000 came within 0.4 % of the best known in
    # five of five seeds, in two seconds.
    usual = 20_000 + 3_000 * min(problem.call_count, 60)
    return usual * max(1, problem.call_count // PIECE_CALLS)


def usual_drive(problem: Problem) -> float:
    """Return what a usual drive of a good plan costs: to the fifth nearest call.

    Parameters
    ----------
    problem : Problem
        The day.

    Returns
    -------
    float
        Cost units, at least 1.
    """
    calls = problem.call_count
    rank = min(5, calls - 1)
    if rank < 1 or len(problem.vans) == 0:
        return 1.0
    here, there = np.arange(calls), problem.near[:, rank]
    units = (
        problem.distance_m[here, there] * problem.vans[:, M_UNITS].mean()
        + problem.base_s[here, there] * problem.vans[:, S_UNITS].mean()
    )
    return max(1.0, float(units.mean()))
