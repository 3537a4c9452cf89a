"""Choose routes from a pool so that each call is on one of them, and share parts out.

Both are exact: CP-SAT with one worker and a fixed seed, so that the same question
gets the same answer, and the status always says whether it was proved.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import ModuleType
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from dispatch.problem import (
    BROKEN,
    CALL,
    HOLDER,
    LOADS,
    NEED_HI,
    NEED_LO,
    STORE_ROW,
    TWIN,
    WEIGHT,
    Ints,
    Problem,
)
from dispatch.stock import give_out, pieces
from shared.model import Day, Issue, Need

if TYPE_CHECKING:
    from ortools.sat.python.cp_model import CpSolver, IntVar, LinearExpr


def _cp_model() -> ModuleType:
    """Return CP-SAT, loaded when the first question comes: many days ask none."""
    from ortools.sat.python import cp_model as module  # noqa: PLC0415

    return module


class Column(NamedTuple):
    """One route that could be driven.

    Parameters
    ----------
    van : int
        Row of the van.
    visits : tuple of int
        Rows of its visits in order.
    cost : int
        Cost units, parts left out.
    """

    van: int
    visits: tuple[int, ...]
    cost: int


def calls_of(problem: Problem, column: Column) -> tuple[int, ...]:
    """Return a route's calls in order, stops at stores left out.

    Parameters
    ----------
    problem : Problem
        The day.
    column : Column
        A route.

    Returns
    -------
    tuple of int
        Rows of calls.
    """
    calls = problem.visits[list(column.visits), CALL].tolist()
    return tuple(call for call in calls if call < problem.call_count)


def _stops_of(problem: Problem, column: Column) -> list[tuple[int, int]]:
    """Return the stores a route stops at, with how many of its calls come before."""
    found, before = [], 0
    for call in problem.visits[list(column.visits), CALL].tolist():
        if call < problem.call_count:
            before += 1
        else:
            found.append((call - problem.call_count, before))
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Cover:
    """Routes chosen from a pool.

    Parameters
    ----------
    columns : tuple of Column
        At most one per van.
    left_out : int
        Weight of the calls on none of them, and of the promises they break.
    cost : int
        Cost units of all of them and of their parts.
    proved : bool
        No choice from this pool is better.
    """

    columns: tuple[Column, ...]
    left_out: int
    cost: int
    proved: bool


class _Cover:
    """The pool as a CP-SAT model."""

    def __init__(
        self, problem: Problem, pool: Sequence[Column], *, parts_known: bool
    ) -> None:
        self.problem = problem
        needs = scarce_needs(problem)
        if parts_known and not vans_share(problem, needs):
            needs = set()  # each route has its parts, and none takes another's
        self.pool = _per_van(problem, pool) if needs else tuple(pool)
        self.model = _cp_model().CpModel()
        self.use = [self.model.new_bool_var("") for _ in self.pool]
        self.out = [self.model.new_bool_var("") for _ in range(problem.call_count)]
        self.parts_cost: list[LinearExpr] = []
        by_van: dict[int, list[IntVar]] = {}
        by_call: dict[int, list[IntVar]] = {}
        on: dict[tuple[int, int], list[IntVar]] = {}
        behind: dict[tuple[int, int, int], list[IntVar]] = {}
        for column, use in zip(self.pool, self.use, strict=True):
            by_van.setdefault(column.van, []).append(use)
            calls = calls_of(problem, column)
            for call in calls:
                by_call.setdefault(call, []).append(use)
                on.setdefault((column.van, call), []).append(use)
            for store, before in _stops_of(problem, column):
                for call in calls[before:]:
                    behind.setdefault((column.van, call, store), []).append(use)
        alike = Counter(problem.vans[:, TWIN].tolist())
        for van, used in by_van.items():
            self.model.add(sum(used) <= (1 if needs else alike[van]))
        for call, out in enumerate(self.out):
            self.model.add_exactly_one([out, *by_call.get(call, [])])
        if needs:
            self._share_parts(needs, on, behind)

    def _share_parts(
        self,
        needs: set[int],
        on: Mapping[tuple[int, int], list[IntVar]],
        behind: Mapping[tuple[int, int, int], list[IntVar]],
    ) -> None:
        """Let every call on a van take one choice per need, from what there is."""
        problem = self.problem
        taken: dict[tuple[int, int], list[LinearExpr]] = {}
        given: dict[tuple[int, int], list[LinearExpr]] = {}
        tools: dict[int, dict[int, IntVar]] = {}
        for (van, call), uses in on.items():
            low, high = problem.visits[call, [NEED_LO, NEED_HI]].tolist()
            for need in needs.intersection(range(low, high)):
                picks = []
                for choice in range(*problem.needs[need]):
                    pick = self.model.new_bool_var("")
                    picks.append(pick)
                    self.parts_cost.append(int(problem.extra[choice]) * pick)
                    for part, count in problem.items[
                        slice(*problem.choices[choice])
                    ].tolist():
                        if problem.reused[part]:
                            self._carry(tools, van, part, pick)
                        else:
                            fetched = self._fetch(given, behind, (van, call, part))
                            self.model.add(sum(fetched) <= count * pick)
                            taken.setdefault((van, part), []).append(
                                count * pick - sum(fetched)
                            )
                self.model.add(sum(picks) == sum(uses))
        self._load(taken, given)
        shop = len(problem.vans)
        for part, carried in tools.items():
            self.model.add(sum(carried.values()) <= int(problem.stock[shop, part]))

    def _load(
        self,
        taken: Mapping[tuple[int, int], list[LinearExpr]],
        given: dict[tuple[int, int], list[LinearExpr]],
    ) -> None:
        """Cover what each van takes from what lies aboard and from the shop."""
        problem = self.problem
        shop = len(problem.vans)
        aboard: dict[tuple[int, int], list[LinearExpr]] = {}
        for (van, part), parts in taken.items():
            in_shop = int(problem.stock[shop, part]) if problem.vans[van, LOADS] else 0
            load = self.model.new_int_var(0, in_shop, "")
            holder = int(problem.vans[van, HOLDER])
            aboard.setdefault((holder, part), []).append(sum(parts) - load)
            given.setdefault((shop, part), []).append(load)
        for rows in (aboard, given):
            for (row, part), some in rows.items():
                self.model.add(sum(some) <= int(problem.stock[row, part]))

    def _carry(
        self, tools: dict[int, dict[int, IntVar]], van: int, tool: int, pick: IntVar
    ) -> None:
        """Let a van carry a shared tool where a call of it is picked."""
        if self.problem.stock[van, tool] > 0:
            return  # it has one of its own
        carried = tools.setdefault(tool, {})
        if van not in carried:
            carried[van] = self.model.new_bool_var("")
            if not self.problem.vans[van, LOADS]:
                self.model.add(carried[van] == 0)
        self.model.add_implication(pick, carried[van])

    def _fetch(
        self,
        given: dict[tuple[int, int], list[LinearExpr]],
        behind: Mapping[tuple[int, int, int], list[IntVar]],
        what: tuple[int, int, int],
    ) -> list[IntVar]:
        """Return what a call may get of a part at each stop before it."""
        van, call, part = what
        some = []
        for store, row in enumerate(self.problem.stores[:, STORE_ROW].tolist()):
            most = int(self.problem.stock[row, part])
            uses = behind.get((van, call, store), [])
            if most > 0 and uses:
                pieces = self.model.new_int_var(0, most, "")
                self.model.add(pieces <= most * sum(uses))
                given.setdefault((row, part), []).append(pieces)
                self.parts_cost.append(int(self.problem.markup[store, part]) * pieces)
                some.append(pieces)
        return some

    def minimize(
        self, what: LinearExpr, effort: float
    ) -> tuple[list[Column] | None, int, bool]:
        """Return the best columns found, their value, and whether none are better."""
        model = _cp_model()
        self.model.minimize(what)
        solver = _solver(effort)
        status = solver.solve(self.model)
        if status not in (model.OPTIMAL, model.FEASIBLE):
            return None, 0, False
        chosen = [
            column
            for column, use in zip(self.pool, self.use, strict=True)
            if solver.boolean_value(use)
        ]
        value = round(solver.objective_value)
        return chosen, value, status == model.OPTIMAL

    def hint(self, columns: Sequence[Column]) -> None:
        """Start from a solution that is known."""
        wanted = {(column.van, column.visits) for column in columns}
        covered = {call for c in columns for call in calls_of(self.problem, c)}
        self.model.clear_hints()
        for column, use in zip(self.pool, self.use, strict=True):
            self.model.add_hint(use, (column.van, column.visits) in wanted)
        for call, out in enumerate(self.out):
            self.model.add_hint(out, call not in covered)


def scarce_needs(problem: Problem) -> set[int]:
    """Return the needs that some van might not get filled.

    Parameters
    ----------
    problem : Problem
        The day.

    Returns
    -------
    set of int
        Rows of ``problem.needs``; for all others one choice is there for every call
        of the day at once, so nobody has to share.
    """
    most = np.zeros(problem.stock.shape[1], np.int64)
    for low, high in problem.needs:
        wanted = np.zeros_like(most)
        for choice in range(low, high):
            for part, count in problem.items[slice(*problem.choices[choice])]:
                wanted[part] = max(wanted[part], count)
        most += wanted
    shop = len(problem.vans)
    most = np.where(problem.reused == 1, shop, most)
    aboard = problem.stock[problem.vans[:, HOLDER]]
    aboard = np.where(problem.reused == 1, problem.stock[:shop], aboard)
    plenty = (aboard >= most) | (
        (problem.vans[:, LOADS, None] == 1) & (problem.stock[shop] >= most)
    )
    ample = plenty.all(axis=0)
    return {
        need
        for need, (low, high) in enumerate(problem.needs)
        if not any(
            ample[problem.items[slice(*problem.choices[choice]), 0]].all()
            and problem.extra[choice] == 0
            for choice in range(low, high)
        )
    }


def vans_share(problem: Problem, needs: set[int]) -> bool:
    """Return whether there are pieces that several vans may want for needs.

    Parameters
    ----------
    problem : Problem
        The day.
    needs : set of int
        Rows of ``problem.needs``.

    Returns
    -------
    bool
        If not, a route's parts are its own van's matter, and cost nothing extra.
    """
    shop = len(problem.vans)
    if len(set(problem.vans[:, HOLDER].tolist())) < shop:
        return bool(needs)
    shared = problem.stock[shop:].sum(axis=0)
    return any(
        shared[part] > 0 or problem.extra[choice] > 0
        for need in needs
        for choice in range(*problem.needs[need])
        for part, _ in problem.items[slice(*problem.choices[choice])]
    )


def _per_van(problem: Problem, pool: Sequence[Column]) -> tuple[Column, ...]:
    members: dict[int, list[int]] = {}
    for van, twin in enumerate(problem.vans[:, TWIN].tolist()):
        members.setdefault(twin, []).append(van)
    return tuple(
        column._replace(van=van) for column in pool for van in members[column.van]
    )


def _solver(effort: float) -> CpSolver:
    solver: CpSolver = _cp_model().CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 0
    solver.parameters.max_deterministic_time = effort
    solver.parameters.catch_sigint_signal = False  # Ctrl-C belongs to the edge
    return solver


def weigh(problem: Problem, columns: Iterable[Column]) -> int:
    """Return the weight of what some routes leave out and of the promises they break.

    Parameters
    ----------
    problem : Problem
        The day.
    columns : iterable of Column
        Routes without a call in common.

    Returns
    -------
    int
        0 where every call is on one and every promise kept.
    """
    visits = [visit for column in columns for visit in column.visits]
    placed = problem.visits[visits]
    total = int(problem.visits[: problem.call_count, WEIGHT].sum())
    return total - int(placed[:, WEIGHT].sum()) + int(placed[:, BROKEN].sum())


def choose_routes(
    problem: Problem,
    pool: Sequence[Column],
    known: Sequence[Column] = (),
    *,
    parts_known: bool = False,
    effort: float = 10.0,
) -> Cover | None:
    """Choose the best routes of a pool: by calls left out, broken promises, cost.

    Parameters
    ----------
    problem : Problem
        The day.
    pool : sequence of Column
        Routes that can be driven; one of a van stands for all its twins, under the
        number of the first.
    known : sequence of Column
        A choice from the pool to start from; may be empty.
    parts_known : bool
        Each route of the pool has its parts when it is the only one.
    effort : float
        Limit in CP-SAT's deterministic time, for each of the two questions.

    Returns
    -------
    Cover or None
        ``None`` when the limit came before a choice was found whose cost is known.
    """
    cover = _Cover(problem, pool, parts_known=parts_known)
    weights = problem.visits[: problem.call_count, WEIGHT].tolist()
    least = weigh(problem, known)
    left_out = sum(w * out for w, out in zip(weights, cover.out, strict=True))
    left_out += sum(
        int(problem.visits[list(column.visits), BROKEN].sum()) * use
        for column, use in zip(cover.pool, cover.use, strict=True)
    )
    cost = sum(c.cost * use for c, use in zip(cover.pool, cover.use, strict=True))
    cost += sum(cover.parts_cost)
    found = list(known)
    proved = least == 0
    if known:
        cover.hint(known)
    if not proved:
        chosen, _, proved = cover.minimize(left_out, effort)
        if chosen is None:
            return None
        found = chosen
        least = weigh(problem, found)
        cover.hint(found)
    cover.model.add(left_out == least)
    chosen, units, best = cover.minimize(cost, effort)
    if chosen is None:
        return None
    return Cover(
        columns=_spread(problem, chosen),
        left_out=least,
        cost=units,
        proved=proved and best,
    )


def _spread(problem: Problem, columns: Sequence[Column]) -> tuple[Column, ...]:
    """Give each column a van of its own among its van's twins."""
    free: dict[int, list[int]] = {}
    taken = Counter(column.van for column in columns)
    for van, twin in enumerate(problem.vans[:, TWIN].tolist()):
        free.setdefault(twin, []).append(van)
    placed = []
    for column in sorted(columns):
        van = column.van
        if taken[van] > 1:
            taken[van] -= 1
            van = next(v for v in free[van] if v not in taken)
            taken[van] += 1
        placed.append(column._replace(van=van))
    return tuple(sorted(placed))


def assign(costs: Ints) -> tuple[int, Ints] | None:
    """Give each row a column of its own at the least total cost.

    Parameters
    ----------
    costs : ndarray, shape (n, n)
        Cost units, negative where a row cannot have a column.

    Returns
    -------
    tuple of (int, ndarray of shape (n,)) or None
        The least total, and each row's column; ``None`` if there is no way.
    """
    from ortools.graph.python import linear_sum_assignment  # noqa: PLC0415

    solver = linear_sum_assignment.SimpleLinearSumAssignment()
    rows, columns = np.nonzero(costs >= 0)
    solver.add_arcs_with_cost(rows, columns, costs[rows, columns])
    if solver.solve() != solver.OPTIMAL:
        return None
    target = np.array([solver.right_mate(row) for row in range(len(costs))], np.int64)
    return int(solver.optimal_cost()), target


def share_parts(
    day: Day, assignment: Mapping[str, Sequence[str]]
) -> tuple[Issue, ...] | None:
    """Give every call of every van its parts, the wanted ones as far as they go.

    Parameters
    ----------
    day : Day
        The day.
    assignment : mapping of str to sequence of str
        Van id to its calls' ids.

    Returns
    -------
    tuple of Issue or None
        Least total rank of the alternatives taken, then fewest pieces from the
        shop; ``None`` when there is no way at all.
    """
    simple = give_out(day, assignment)
    return simple if simple is not None else _share_exactly(day, assignment)


def _share_exactly(
    day: Day, assignment: Mapping[str, Sequence[str]]
) -> tuple[Issue, ...] | None:
    sat = _cp_model()
    model = sat.CpModel()
    calls = {call.id: call for call in day.calls}
    vans = {van.id: van for van in day.vans}
    picks: list[tuple[str, int, Need, list[IntVar]]] = []
    taken: dict[tuple[str, str], list[LinearExpr]] = {}
    ranks: list[LinearExpr] = []
    for van_id, call_ids in assignment.items():
        for call_id in call_ids:
            for index, need in enumerate(calls[call_id].needs):
                options = [model.new_bool_var("") for _ in need.alternatives]
                model.add_exactly_one(options)
                picks.append((call_id, index, need, options))
                for rank, (part, pick) in enumerate(
                    zip(need.alternatives, options, strict=True)
                ):
                    ranks.append(rank * pick)
                    for piece, count in pieces(day, part, need.quantity).items():
                        taken.setdefault((van_id, piece), []).append(count * pick)
    by_part: dict[str, list[IntVar]] = {}
    for (van_id, part), parts in taken.items():
        van = vans[van_id]
        in_shop = day.shop.stock.get(part, 0) if van.loads_at_shop else 0
        load = model.new_int_var(0, in_shop, "")
        model.add(sum(parts) <= van.stock.get(part, 0) + load)
        by_part.setdefault(part, []).append(load)
    for part, some in by_part.items():
        model.add(sum(some) <= day.shop.stock.get(part, 0))
    most = 1 + sum(day.shop.stock.get(part, 0) for part in by_part)
    model.minimize(
        most * sum(ranks) + sum(load for some in by_part.values() for load in some)
    )
    solver = _solver(100.0)
    if solver.solve(model) != sat.OPTIMAL:
        return None
    chosen = {
        (call_id, index): part
        for call_id, index, need, options in picks
        for part, pick in zip(need.alternatives, options, strict=True)
        if solver.boolean_value(pick)
    }
    return give_out(day, assignment, chosen)
