"""Plan one day.

Small days are enumerated and the answer is proved best; larger ones are searched.
Either way the plan is written out anew in plain code and judged before anybody
sees it.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from time import monotonic

import numpy as np

from dispatch.explain import explain
from dispatch.partition import Column, Cover, choose_routes, share_parts
from dispatch.problem import M_UNITS, S_UNITS, TWIN, WEIGHT, Problem, build_problem
from dispatch.rules import judge
from dispatch.search import is_compiled
from dispatch.search.lns import (
    BEST_LEFT,
    BEST_MONEY,
    POOL_CALLS,
    POOL_MONEY,
    POOL_SIZE,
    POOL_VAN,
    POOLED,
    Memory,
    new_memory,
    search,
)
from dispatch.search.schedule import MONEY, SIZE
from dispatch.search.tours import (
    BEST_COST,
    BEST_LABEL,
    BEST_SET,
    CALLS_MAX,
    find_tours,
    new_tours,
    order_of,
)
from dispatch.stock import spare_issues
from dispatch.timetable import lay_out
from dispatch.travel import TravelTable, travel_table
from shared.errors import Defect
from shared.model import Day, Plan, Proof, Route, Status
from shared.units import cents

LABELS_ROOM = 300_000  # of one van's tours; about a second's work
COLUMNS_ROOM = 20_000  # routes CP-SAT proves over in a few seconds
COMPILING = "compiling"  # the phase before the first search on a machine
CHAINS = 2  # searches side by side; part of the question, so that plans repeat
POOL_ROOM = 4_000  # routes of the pool that go to the exact cover
COVER_EFFORT = 0.5  # CP-SAT's deterministic time, about a second at most
HOT, COLD = 10.0, 0.1  # first and last temperature, in costs of a usual drive


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
        that suits the day's size.
    spent : callable or None
        Share of a time budget that is used up, 0 to 1; if given it ends the search
        instead of ``rounds``, and the plan depends on the machine's speed.
    stop : callable
        True ends the search at once with the best plan so far.
    report : callable
        Called with a :class:`Progress` about ten times a second.
    """

    seed: int = 0
    rounds: int | None = None
    spent: Callable[[], float] | None = None
    stop: Callable[[], bool] = lambda: False
    report: Callable[[Progress], None] = lambda _: None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Outcome:
    """What either way of solving comes to."""

    columns: tuple[Column, ...]
    proved: bool = False
    stopped: bool = False
    rounds: int = 0


def plan_day(
    day: Day, budget: Budget | None = None, travel: TravelTable | None = None
) -> Plan:
    """Plan one day.

    Parameters
    ----------
    day : Day
        The day.
    budget : Budget, optional
        How long to search, and whom to tell.
    travel : TravelTable, optional
        Its travel table, worked out from the day if not given.

    Returns
    -------
    Plan
        Judged. The same day, seed and rounds give the same plan.

    Raises
    ------
    InvalidInput
        When the travel table lacks something.
    Defect
        When the judge refuses the plan.
    """
    budget = budget or Budget()
    travel = travel or travel_table(day)
    problem = build_problem(day, travel)
    clock = _Clock(budget)
    clock.tell_compiling("find_tours")
    clock.tell("trying every order of calls")
    outcome = _prove(day, problem) or _Search(problem, clock).run()
    return _write_plan(day, travel, outcome, budget)


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


def _prove(day: Day, problem: Problem) -> _Outcome | None:
    """Enumerate every route and cover the day exactly; ``None`` if it is too large."""
    if len(problem.calls) > CALLS_MAX:
        return None
    pool: list[Column] = []
    for van in sorted(set(problem.vans[:, TWIN].tolist())):
        tours = new_tours(LABELS_ROOM)
        labels, found = find_tours(problem, tours, van)
        if labels > LABELS_ROOM or len(pool) + found > COLUMNS_ROOM:
            return None
        pool += [
            Column(van, order_of(tours, int(row[BEST_LABEL])), int(row[BEST_COST]))
            for row in tours.best[np.argsort(tours.best[:found, BEST_SET])]
        ]
    if len(problem.vans) == 1:
        return _Outcome(columns=_best_single(day, problem, pool), proved=True)
    cover = choose_routes(problem, pool)
    if cover is None or not cover.proved:
        return None
    return _Outcome(columns=cover.columns, proved=True)


def _best_single(day: Day, problem: Problem, pool: list[Column]) -> tuple[Column, ...]:
    # One van takes one route: the best one whose parts are there.
    def left_out(column: Column) -> int:
        return -int(problem.calls[list(column.calls), WEIGHT].sum())

    for column in sorted(pool, key=lambda column: (left_out(column), column.cost)):
        if share_parts(day, _assign(day, [column])) is not None:
            return (column,)
    return ()


def _assign(day: Day, columns: Sequence[Column]) -> dict[str, list[str]]:
    return {
        day.vans[column.van].id: [day.calls[call].id for call in column.calls]
        for column in columns
    }


class _Search:
    """Ruin and recreate in two chains, then the exact cover of the routes they met."""

    def __init__(self, problem: Problem, clock: _Clock) -> None:
        self.problem = problem
        self.clock = clock
        self.budget = clock.budget
        seeds = np.random.SeedSequence(self.budget.seed).spawn(CHAINS)
        self.chance = [np.random.default_rng(seed) for seed in seeds]
        clock.tell_compiling("search")
        self.chains = [new_memory(problem) for _ in range(CHAINS)]
        self.pool: dict[tuple[int, frozenset[int]], Column] = {}

    def run(self) -> _Outcome:
        """Search until the budget is spent."""
        calls = len(self.problem.calls)
        total = self.budget.rounds
        if total is None:
            total = default_rounds(self.problem)
        self.clock.total = None if self.budget.spent else total
        slice_rounds = max(20, 100_000 // max(1, calls))
        usual = usual_drive(self.problem)
        done, share, stopped = 0, 0.0, False
        with ThreadPoolExecutor(CHAINS) as threads:
            while share < 1.0:
                rounds = slice_rounds
                if self.budget.spent is None:
                    rounds = min(slice_rounds, total - done)
                    after = (done + rounds) / total if total else 1.0
                else:
                    rate = (share / done) if done else 0.0
                    after = min(1.0, share + rounds * rate)
                heat = tuple(
                    usual * HOT * (COLD / HOT) ** point for point in (share, after)
                )
                jobs = [
                    threads.submit(search, self.problem, memory, chance, rounds, heat)
                    for memory, chance in zip(self.chains, self.chance, strict=True)
                ]
                for job in jobs:
                    job.result()
                done += rounds
                for memory in self.chains:
                    self._collect(memory)
                share = after if self.budget.spent is None else self.budget.spent()
                self.clock.rounds = done
                best = self._best()
                self.clock.tell(
                    "searching",
                    int((best.best.van_of < 0).sum()),
                    int(best.score[BEST_MONEY]),
                )
                if self.budget.stop():
                    stopped = True
                    break
        return self._finish(done, stopped=stopped)

    def _best(self) -> Memory:
        return min(
            self.chains,
            key=lambda memory: (memory.score[BEST_LEFT], memory.score[BEST_MONEY]),
        )

    def _collect(self, memory: Memory) -> None:
        """Take the routes a chain has met into the pool."""
        for row in memory.pool[: memory.score[POOLED]].tolist():
            calls = row[POOL_CALLS : POOL_CALLS + row[POOL_SIZE]]
            self._keep(Column(row[POOL_VAN], tuple(calls), row[POOL_MONEY]))
        memory.score[POOLED] = 0

    def _keep(self, column: Column) -> None:
        column = self._stand_in(column)
        key = (column.van, frozenset(column.calls))
        known = self.pool.pop(key, None)  # met again: newest last
        if known is not None and known.cost <= column.cost:
            column = known
        self.pool[key] = column

    def _finish(self, done: int, *, stopped: bool) -> _Outcome:
        best = self._best()
        facts = best.best.facts
        columns = tuple(
            Column(
                van,
                tuple(best.best.order[van, : facts[van, SIZE]].tolist()),
                int(facts[van, MONEY]),
            )
            for van in range(len(facts))
            if facts[van, SIZE] > 0
        )
        if not stopped:
            self.clock.tell(
                "combining the best routes",
                int((best.best.van_of < 0).sum()),
                int(best.score[BEST_MONEY]),
            )
            cover = self._cover(columns)
            now = (int(best.score[BEST_LEFT]), int(best.score[BEST_MONEY]))
            if cover is not None and (cover.left_out, cover.cost) < now:
                columns = cover.columns
        return _Outcome(columns=columns, stopped=stopped, rounds=done)

    def _cover(self, columns: tuple[Column, ...]) -> Cover | None:
        for column in columns:
            self._keep(column)
        pool = list(self.pool.values())[-POOL_ROOM:]
        known = [self._stand_in(column) for column in columns]
        return choose_routes(
            self.problem, pool, known, parts_known=True, effort=COVER_EFFORT
        )

    def _stand_in(self, column: Column) -> Column:
        return column._replace(van=int(self.problem.vans[column.van, TWIN]))


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
    return 40_000 + 1_000 * len(problem.calls)


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
    calls = len(problem.calls)
    rank = min(5, calls - 1)
    if rank < 1:
        return 1.0
    here, there = np.arange(calls), problem.near[:, rank]
    units = (
        problem.distance_m[here, there] * problem.vans[:, M_UNITS].mean()
        + problem.base_s[here, there] * problem.vans[:, S_UNITS].mean()
    )
    return max(1.0, float(units.mean()))


def _write_plan(
    day: Day, travel: TravelTable, outcome: _Outcome, budget: Budget
) -> Plan:
    assignment = _assign(day, sorted(outcome.columns))
    vans = {van.id: van for van in day.vans}
    routes: list[Route] = []
    for van_id, call_ids in assignment.items():
        route = lay_out(day, travel, vans[van_id], call_ids)
        if route is None:
            raise Defect(f"the search kept a route of van {van_id} that does not work")
        routes.append(route)
    issues = share_parts(day, assignment)
    if issues is None:
        raise Defect("the search promised parts that are not there")
    plan = Plan(
        routes=tuple(routes),
        issues=(*issues, *spare_issues(day, routes, issues)),
        unplaced=explain(day, travel, routes, issues),
        status=Status(
            proof=Proof.PROVED_BEST if outcome.proved else Proof.BEST_FOUND,
            bound_units=sum(route.cost_units for route in routes)
            if outcome.proved
            else None,
            stopped=outcome.stopped,
            rounds=outcome.rounds,
            seed=budget.seed,
        ),
    )
    violations = judge(day, travel, plan)
    if violations:
        raise Defect(
            "keyround's own judge refuses the plan:\n"
            + "\n".join(str(violation) for violation in violations)
        )
    return plan
