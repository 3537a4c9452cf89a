"""Choose routes from a pool so that each call is on one of them, and share parts out.

Both are exact: CP-SAT with one worker and a fixed seed, so that the same question
gets the same answer, and the status always says whether it was proved.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from ortools.sat.python import cp_model

from dispatch.problem import LOADS, NEED_HI, NEED_LO, WEIGHT, Problem
from dispatch.stock import give_out, pieces
from shared.model import Day, Issue, Need


class Column(NamedTuple):
    """One route that could be driven.

    Parameters
    ----------
    van : int
        Row of the van.
    calls : tuple of int
        Rows of its calls in order.
    cost : int
        Cost units.
    """

    van: int
    calls: tuple[int, ...]
    cost: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Cover:
    """Routes chosen from a pool.

    Parameters
    ----------
    columns : tuple of Column
        At most one per van.
    left_out : int
        Weight of the calls on none of them.
    cost : int
        Cost units of all of them.
    proved : bool
        No choice from this pool is better.
    """

    columns: tuple[Column, ...]
    left_out: int
    cost: int
    proved: bool


class _Cover:
    """The pool as a CP-SAT model."""

    def __init__(self, problem: Problem, pool: Sequence[Column]) -> None:
        self.problem = problem
        self.pool = pool
        self.model = cp_model.CpModel()
        self.use = [self.model.new_bool_var("") for _ in pool]
        self.out = [self.model.new_bool_var("") for _ in problem.calls]
        by_van: dict[int, list[cp_model.IntVar]] = {}
        by_call: dict[int, list[cp_model.IntVar]] = {}
        self.on: dict[tuple[int, int], list[cp_model.IntVar]] = {}
        for column, use in zip(pool, self.use, strict=True):
            by_van.setdefault(column.van, []).append(use)
            for call in column.calls:
                by_call.setdefault(call, []).append(use)
                self.on.setdefault((column.van, call), []).append(use)
        for used in by_van.values():
            self.model.add_at_most_one(used)
        for call, out in enumerate(self.out):
            self.model.add_exactly_one([out, *by_call.get(call, [])])
        self._share_parts()

    def _share_parts(self) -> None:
        """Let every call on a van take one choice per need, from what there is."""
        problem = self.problem
        shop = len(problem.vans)
        taken: dict[tuple[int, int], list[cp_model.LinearExpr | cp_model.IntVar]] = {}
        for (van, call), uses in self.on.items():
            for need in range(
                problem.calls[call, NEED_LO], problem.calls[call, NEED_HI]
            ):
                picks = []
                for choice in range(*problem.needs[need]):
                    pick = self.model.new_bool_var("")
                    picks.append(pick)
                    for part, count in problem.items[slice(*problem.choices[choice])]:
                        taken.setdefault((van, int(part)), []).append(int(count) * pick)
                self.model.add(sum(picks) == sum(uses))
        loads: dict[int, list[cp_model.IntVar]] = {}
        for (van, part), parts in taken.items():
            aboard = int(problem.stock[van, part])
            in_shop = int(problem.stock[shop, part]) if problem.vans[van, LOADS] else 0
            load = self.model.new_int_var(0, in_shop, "")
            self.model.add(sum(parts) <= aboard + load)
            loads.setdefault(part, []).append(load)
        for part, some in loads.items():
            if len(some) > 1:
                self.model.add(sum(some) <= int(problem.stock[shop, part]))

    def hint(self, columns: Sequence[Column]) -> None:
        """Start from a solution that is known."""
        wanted = set(columns)
        covered = {call for column in columns for call in column.calls}
        for column, use in zip(self.pool, self.use, strict=True):
            self.model.add_hint(use, column in wanted)
        for call, out in enumerate(self.out):
            self.model.add_hint(out, call not in covered)


def _solver(effort: float) -> cp_model.CpSolver:
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 0
    solver.parameters.max_deterministic_time = effort
    solver.parameters.catch_sigint_signal = False  # Ctrl-C belongs to the edge
    return solver


def choose_routes(
    problem: Problem,
    pool: Sequence[Column],
    known: Sequence[Column] = (),
    *,
    effort: float = 10.0,
) -> Cover | None:
    """Choose the best routes of a pool: first by calls left out, then by cost.

    Parameters
    ----------
    problem : Problem
        The day.
    pool : sequence of Column
        Routes that are allowed, each by itself.
    known : sequence of Column
        A choice from the pool to start from; may be empty.
    effort : float
        Limit in CP-SAT's deterministic time, for each of the two questions.

    Returns
    -------
    Cover or None
        ``None`` when the limit came before any choice was found.
    """
    cover = _Cover(problem, pool)
    weights = [int(weight) for weight in problem.calls[:, WEIGHT]]
    left_out = sum(w * out for w, out in zip(weights, cover.out, strict=True))
    cost = sum(c.cost * use for c, use in zip(pool, cover.use, strict=True))
    if known:
        cover.hint(known)
    solver = _solver(effort)
    cover.model.minimize(left_out)
    status = solver.solve(cover.model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return None
    proved = status == cp_model.OPTIMAL
    least = round(solver.objective_value)
    found = [
        column
        for column, use in zip(pool, cover.use, strict=True)
        if solver.boolean_value(use)
    ]
    cover.model.add(left_out == least)
    cover.model.clear_hints()  # type: ignore[no-untyped-call]
    cover.hint(found)
    cover.model.minimize(cost)
    solver = _solver(effort)
    status = solver.solve(cover.model)
    if status in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        found = [
            column
            for column, use in zip(pool, cover.use, strict=True)
            if solver.boolean_value(use)
        ]
    return Cover(
        columns=tuple(sorted(found)),
        left_out=least,
        cost=sum(column.cost for column in found),
        proved=proved and status == cp_model.OPTIMAL,
    )


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
    model = cp_model.CpModel()
    calls = {call.id: call for call in day.calls}
    vans = {van.id: van for van in day.vans}
    picks: list[tuple[str, int, Need, list[cp_model.IntVar]]] = []
    taken: dict[tuple[str, str], list[cp_model.LinearExpr | cp_model.IntVar]] = {}
    ranks: list[cp_model.LinearExpr | cp_model.IntVar] = []
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
    by_part: dict[str, list[cp_model.IntVar]] = {}
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
    if solver.solve(model) != cp_model.OPTIMAL:
        return None
    chosen = {
        (call_id, index): part
        for call_id, index, need, options in picks
        for part, pick in zip(need.alternatives, options, strict=True)
        if solver.boolean_value(pick)
    }
    return give_out(day, assignment, chosen)
