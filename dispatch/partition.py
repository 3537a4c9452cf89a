"""Choose routes from a pool so that each call is on one of them, and share parts out.

What a van's shelves should hold is chosen here as well. All are exact: CP-SAT with
one worker and a fixed seed, so that the same question gets the same answer, and the
status always says whether it was proved.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate, chain, pairwise
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
from dispatch.stock import (
    Source,
    give_out,
    leave_over,
    meeting_places,
    pieces,
    stores,
    substitute_cents,
    surcharge_cents,
    tie_together,
)
from shared.model import Day, Issue, Need, Origin, Store, Van

if TYPE_CHECKING:
    from ortools.linear_solver.pywraplp import Constraint, Variable
    from ortools.sat.python.cp_model import CpSolver, IntVar, LinearExpr


SHARE_EFFORT = 10.0
"""Limit of each question about parts, in CP-SAT's deterministic time; own choice."""

SHARE_STEPS = 500
"""Steps in which a small question is tried out before CP-SAT is asked; own choice."""

SHARE_NEEDS = 200  # in one question
ASKED = 150  # routes added at a time to a programme that chooses them in parts


def load_cp_model() -> ModuleType:
    """Return CP-SAT, loaded when the first question comes: many days ask none.

    Returns
    -------
    module
        That takes a second or two; a process that answers telephones asks beforehand.
    """
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
        self.model = load_cp_model().CpModel()
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
            self.model.add(load <= sum(parts))  # what is loaded is not handed on
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
        model = load_cp_model()
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

    def left_out(self) -> LinearExpr:
        """Return the weight of the calls left out and of broken promises."""
        visits = self.problem.visits
        weights = visits[: len(self.out), WEIGHT].tolist()
        total: LinearExpr = sum(w * o for w, o in zip(weights, self.out, strict=True))
        total += sum(
            int(visits[list(column.visits), BROKEN].sum()) * use
            for column, use in zip(self.pool, self.use, strict=True)
        )
        return total

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
    solver: CpSolver = load_cp_model().CpSolver()
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


def promising(
    problem: Problem, pool: Sequence[Column], known: Sequence[Column], most: int
) -> list[Column]:
    """Return those routes of a pool that a better choice is likely made of.

    Routes may first be chosen in parts: the prices that calls and vans then have tell
    by how much a choice with a route in it is dearer at least (reduced cost fixing,
    from memory). Parts are left to the choice itself; a call left out has a price above
    any route's, the more the higher its weight, which is no lexicographic order: what
    comes of it is likely, not proved.

    Parameters
    ----------
    problem : Problem
        The day.
    pool : sequence of Column
        As for :func:`choose_routes`.
    known : sequence of Column
        A choice from it.
    most : int
        No more routes than this, beside those of ``known``.

    Returns
    -------
    list of Column
        In the pool's order; all of it, where the solver gives up.
    """
    if not pool:
        return []
    count = problem.call_count
    sizes = [len(column.visits) for column in pool]
    rows = np.repeat(np.arange(len(pool)), sizes)
    visits = problem.visits[list(chain.from_iterable(c.visits for c in pool))]
    vans = problem.vans[[column.van for column in pool], TWIN]
    cost = np.array([column.cost for column in pool], np.int64)
    dear = int(cost.max()) + 1
    cost += dear * np.bincount(rows[visits[:, BROKEN] > 0], minlength=len(pool))
    is_call = visits[:, CALL] < count
    rows, calls = rows[is_call], visits[is_call, CALL]
    weights = problem.visits[:count, WEIGHT]
    out = dear * (1 + np.unique(weights, return_inverse=True)[1])

    programme = Linear(max(1, dear // 1_000))
    for price in out.tolist():
        row = programme.add_row(1, 1)
        programme.make_exact(row)
        programme.add_variable(price, {row: 1})
    alike = Counter(problem.vans[:, TWIN].tolist())
    fleet = {van: programme.add_row(alike[van], -1) for van in sorted(alike)}
    room = np.array([alike[van] for van in fleet])
    of_fleet = np.array([fleet[van] for van in vans.tolist()])
    within = np.split(calls, np.searchsorted(rows, np.arange(1, len(pool))))
    chosen = {(c.van, c.visits) for c in known}
    is_known = np.array([(c.van, c.visits) in chosen for c in pool])
    asked = np.zeros(len(pool), bool)
    fresh = np.flatnonzero(is_known)
    while True:
        for index in fresh.tolist():
            of_call = dict.fromkeys(within[index].tolist(), 1)
            programme.add_variable(int(cost[index]), of_call | {of_fleet[index]: 1})
        asked[fresh] = True
        prices = programme.solve()
        if prices is None:
            return list(pool)
        price = np.array(prices)
        dearer = cost - price[of_fleet]
        dearer -= np.bincount(rows, price[calls], len(pool)).astype(np.int64)
        fresh = np.argsort(dearer, kind="stable")[:ASKED]
        fresh = fresh[(dearer[fresh] < -programme.unit) & ~asked[fresh]]
        if len(fresh) == 0:
            break
    least = int(price[:count].sum() + (price[count:] * room).sum())
    placed = np.isin(np.arange(count), calls[is_known[rows]])
    spare = int(cost[is_known].sum() + out[~placed].sum()) - least
    dearer[is_known] = dearer.min() - 1  # they stay
    stays = dearer <= max(0, spare) + programme.unit
    stays[np.argsort(dearer, kind="stable")[most + len(known) :]] = False
    return [column for column, stay in zip(pool, stays.tolist(), strict=True) if stay]


def choose_routes(
    problem: Problem,
    pool: Sequence[Column],
    known: Sequence[Column] = (),
    *,
    parts_known: bool = False,
    known_least: int | None = None,
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
    known_least : int, optional
        No choice leaves out less weight than this.
    effort : float
        Limit in CP-SAT's deterministic time, for each of the two questions.

    Returns
    -------
    Cover or None
        ``None`` when the limit came before a choice was found whose cost is known.
    """
    cover = _Cover(problem, pool, parts_known=parts_known)
    least = weigh(problem, known)
    left_out = cover.left_out()
    cost = sum(c.cost * use for c, use in zip(cover.pool, cover.use, strict=True))
    cost += sum(cover.parts_cost)
    found = list(known)
    proved = least in (0, known_least)
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


def place_most(
    problem: Problem,
    pool: Sequence[Column],
    known: Sequence[Column],
    *,
    effort: float = 10.0,
) -> tuple[tuple[Column, ...], bool] | None:
    """Choose routes that leave out the least weight, whatever they cost.

    Parameters
    ----------
    problem : Problem
        The day.
    pool : sequence of Column
        As for :func:`choose_routes`.
    known : sequence of Column
        A choice from the pool to start from; may be empty.
    effort : float
        Limit in CP-SAT's deterministic time.

    Returns
    -------
    tuple of (tuple of Column, bool) or None
        The choice, and whether none leaves out less; ``None`` when the limit came
        before any choice was found.
    """
    cover = _Cover(problem, pool, parts_known=False)
    cover.hint(known)
    chosen, _, proved = cover.minimize(cover.left_out(), effort)
    return None if chosen is None else (_spread(problem, chosen), proved)


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
        The least total, and each row's column; ``None`` if there is no way, or the
        costs are too large to be summed safely.
    """
    from ortools.graph.python import linear_sum_assignment  # noqa: PLC0415

    # The solver scales costs by the size and warns, on stderr only, where its own sums
    # might not fit: a bound from those could be wrong. It counts about 5 n; own choice.
    size = len(costs)
    if size and int(costs.max()) * (size + 1) * 8 * size >= 1 << 62:
        return None
    solver = linear_sum_assignment.SimpleLinearSumAssignment()
    rows, columns = np.nonzero(costs >= 0)
    solver.add_arcs_with_cost(rows, columns, costs[rows, columns])
    if solver.solve() != solver.OPTIMAL:
        return None
    target = np.array([solver.right_mate(row) for row in range(len(costs))], np.int64)
    return int(solver.optimal_cost()), target


def share_parts(
    day: Day,
    assignment: Mapping[str, Sequence[str]],
    stops: Mapping[str, Sequence[tuple[str, int]]] | None = None,
    holders: Mapping[str, str] | None = None,
    steps: int = SHARE_STEPS,
) -> tuple[Issue, ...] | None:
    """Give every call of every van its parts, the wanted ones as far as they go.

    Parameters
    ----------
    day : Day
        The day.
    assignment : mapping of str to sequence of str
        Van id to its calls' ids, in route order.
    stops : mapping of str to sequence of (str, int), optional
        Van id to its restock stops: the store, and how many of the van's calls come
        before the stop.
    holders : mapping of str to str, optional
        Van id to the van whose stock it takes from, where that is not its own.
    steps : int
        In how many a question may be tried out before CP-SAT is asked. The answer is
        as good either way.

    Returns
    -------
    tuple of Issue or None
        Of all ways over the whole day one with the least extra cost, then the least
        total rank of the alternatives taken, then fewest pieces handed from van to
        van, then fewest pieces from stores, whether loaded in the morning or fetched
        on the way. What can as well be loaded in the morning is, unless a stop would
        have nothing to fetch; what the shop has is fetched there before it is bought.
        ``None`` when there is no way at all (or, on stock lists far beyond a real
        day's, when none was found in time).
    """
    plans = {
        van_id: sorted(some, key=lambda stop: stop[1])
        for van_id, some in (stops or {}).items()
    }
    lines = _lines(day, assignment, plans)
    holders = {van.id: van.id for van in day.vans} | dict(holders or {})
    # Needs that have no part in common do not touch each other.
    asked = {
        row: {part for wanted in line.wanted for part in wanted}
        for row, line in enumerate(lines)
    }
    chosen: dict[tuple[str, int], str] = {}
    vans = {van.id: van for van in day.vans}
    amounts: dict[str, dict[Source, dict[str, int]]] = {van_id: {} for van_id in vans}
    for group in tie_together(asked):
        some = [lines[row] for row in group]
        shares = _share_plainly(day, vans, some, holders)
        if shares is None:
            known, found = _Trying(day, some, plans, holders).solve(steps)
            if not known:
                found = _Sharing(day, some, plans, holders).solve()
            if found is None:
                return None
            shares, picks = found
            chosen |= picks
        for (van_id, source, part), count in shares.items():
            amounts[van_id].setdefault(source, {})[part] = count
    ways = {
        van_id: sorted(some.items(), key=lambda item: _at_hand(item[0]))
        for van_id, some in amounts.items()
    }
    issues = give_out(day, assignment, chosen, ways)
    return issues and _fetch_something(day, assignment, plans, issues)


_Amounts = dict[tuple[str, Source, str], int]  # van, source and part to pieces
_Shared = tuple[_Amounts, dict[tuple[str, int], str]]  # with each need's alternative


class _Line(NamedTuple):
    """A need on a route, and how many restock stops come before it."""

    van_id: str
    stage: int
    call_id: str
    row: int
    need: Need
    wanted: list[dict[str, int]]  # the pieces of each alternative


def _lines(
    day: Day,
    assignment: Mapping[str, Sequence[str]],
    stops: Mapping[str, Sequence[tuple[str, int]]],
) -> list[_Line]:
    calls = {call.id: call for call in day.calls}
    return [
        _Line(
            van_id,
            sum(after <= position for _, after in stops.get(van_id, ())),
            call_id,
            row,
            need,
            [pieces(day, part, need.quantity) for part in need.alternatives],
        )
        for van_id, call_ids in assignment.items()
        for position, call_id in enumerate(call_ids)
        for row, need in enumerate(calls[call_id].needs)
    ]


def _at_hand(source: Source) -> tuple[int, int, str]:
    """Order a van's sources by when they are at hand."""
    order = (Origin.ABOARD, Origin.VAN, Origin.SHOP, Origin.RESTOCK)
    return source.after, order.index(source.origin), source.holder or ""


def _share_plainly(
    day: Day,
    vans: Mapping[str, Van],
    lines: Sequence[_Line],
    holders: Mapping[str, str],
) -> _Amounts | None:
    """Give every need the wanted part from its own van and the shop, if that will do.

    Nothing is better then: it costs nothing more, no need gives way, nobody hands
    anything over, and the shop gives only what is not aboard.
    """
    wanted: dict[tuple[str, str], int] = {}
    for line in lines:
        for part, count in line.wanted[0].items():
            key = line.van_id, part
            wanted[key] = wanted.get(key, 0) + count
    shares: _Amounts = {}
    loaded: dict[str, int] = {}
    used: dict[tuple[str, str], int] = {}
    for (van_id, part), count in wanted.items():
        holder = holders[van_id]
        taken = used.get((holder, part), 0)
        own = min(count, vans[holder].stock.get(part, 0) - taken)
        used[holder, part] = taken + own
        shares[van_id, Source(Origin.ABOARD), part] = own
        if count > own:
            if not vans[van_id].loads_at_shop:
                return None
            shares[van_id, Source(Origin.SHOP), part] = count - own
            loaded[part] = loaded.get(part, 0) + count - own
    if any(count > day.shop.stock.get(part, 0) for part, count in loaded.items()):
        return None
    return shares


class _Stream(NamedTuple):
    """Where a van may have a part from, and what is made small by each piece."""

    weight: int
    stage: int  # how many restock stops come before it is at hand
    source: Source
    pot: tuple[str, str]  # the van or store that it lies in, and the part
    stock: int


class _Drawn(NamedTuple):
    """How a van has all it wants of a part, were it alone."""

    weight: int
    amounts: Sequence[tuple[_Stream, int]]
    asked: Mapping[int, int]  # how much it wants, by stage


_NOTHING = _Drawn(0, (), {})
_Having = dict[tuple[str, str], _Drawn]  # by van and part

_GOAL_BITS = 48
"""Room for each of the things that are made small, in one number."""


class _Trying:
    """Needs that may share parts: their alternatives tried out one after the other.

    Mostly the wanted ones will do, or few others. With the alternatives known, each
    part is a matter of its own, and where vans, each alone, want no more than there is,
    nothing is better. That takes less time than to write a model down. What is weighed
    is what :class:`_Sharing` makes small.
    """

    def __init__(
        self,
        day: Day,
        lines: Sequence[_Line],
        stops: Mapping[str, Sequence[tuple[str, int]]],
        holders: Mapping[str, str],
    ) -> None:
        self.day, self.stops, self.holders = day, stops, holders
        self.vans = {van.id: van for van in day.vans}
        self.stores = stores(day)
        self.lines = sorted(
            lines, key=lambda line: (line.van_id, line.stage, line.need.alternatives)
        )
        self.choices = [self._choices(line) for line in self.lines]
        # Of two that are alike it is the same which is which.
        self.alike = [False] + [
            one[:2] == other[:2] and one.need == other.need
            for one, other in pairwise(self.lines)
        ]
        self.streams: dict[tuple[str, str], list[_Stream]] = {}
        self.drawn: dict[object, _Drawn | None] = {}
        self.picks: list[int] = []
        self.steps = 0
        self.most: int | None = None  # the least weight so far
        self.best: tuple[list[int], _Having] | None = None  # of that
        self.doubtful = False  # several vans want more for it than there is

    def solve(self, steps: int) -> tuple[bool, _Shared | None]:
        """Return whether the answer is known, and it; ``None``: there is no way."""
        if self.day.exchange or len(self.lines) > SHARE_NEEDS:
            return False, None
        self.steps = steps
        self._choose(0, {})
        if self.steps < 0 or self.doubtful:
            return False, None
        if self.best is None:
            return True, None
        ranks, having = self.best
        shares = {
            (van_id, stream.source, part): count
            for (van_id, part), drawn in having.items()
            for stream, count in drawn.amounts
        }
        picks = {
            (line.call_id, line.row): line.need.alternatives[rank]
            for line, rank in zip(self.lines, ranks, strict=True)
        }
        return True, (shares, picks)

    def _choices(self, line: _Line) -> list[tuple[int, dict[str, int]]]:
        costs = [
            _weigh(substitute_cents(self.day, line.need, choice), rank, 0, 0)
            for rank, choice in enumerate(line.need.alternatives)
        ]
        return list(zip(costs, line.wanted, strict=True))

    def _choose(self, weight: int, having: _Having) -> None:
        """Try every alternative of the next need that may lead to something better.

        Its weight is that of all alternatives chosen and of having all that they use;
        who wants more of a part never has it for less.
        """
        at = len(self.picks)
        if at == len(self.lines):
            self._draw_all(weight, having)
            return
        van_id, stage, *_ = self.lines[at]
        first = self.picks[-1] if self.alike[at] else 0
        for rank, (more, wanted) in enumerate(self.choices[at]):
            self.steps -= 1
            if self.steps < 0:
                return
            if rank < first or not self._may_be_best(weight + more):
                continue
            total, after = weight + more, having.copy()
            for part, count in wanted.items():
                before = having.get((van_id, part), _NOTHING)
                asked = {**before.asked, stage: before.asked.get(stage, 0) + count}
                drawn = self._draw(van_id, part, asked)
                if drawn is None:
                    break
                total += drawn.weight - before.weight
                after[van_id, part] = drawn
            else:
                if self._may_be_best(total):
                    self.picks.append(rank)
                    self._choose(total, after)
                    self.picks.pop()

    def _may_be_best(self, weight: int) -> bool:
        """Return whether something of at least this weight may be the answer."""
        return self.most is None or weight < self.most

    def _draw_all(self, weight: int, having: _Having) -> None:
        """Look what the alternatives chosen come to, for all vans together."""
        left: dict[tuple[str, str], int] = {}
        for drawn in having.values():
            for stream, count in drawn.amounts:
                left[stream.pot] = left.get(stream.pot, stream.stock) - count
        self.most = weight
        self.doubtful = min(left.values(), default=0) < 0
        self.best = None if self.doubtful else (list(self.picks), having)

    def _draw(self, van_id: str, part: str, asked: Mapping[int, int]) -> _Drawn | None:
        """Return the best way for a van to have what it wants of a part, if any.

        From all there is, the dearest pieces are left where they are as far as every
        stage can spare them. What can be spared is a matroid: that is best.
        """
        streams = self._streams(van_id, part)
        drawn = _draw_plainly(streams, asked)
        if drawn is None or not any(stream.stage for stream, _ in drawn.amounts):
            return drawn
        key = (van_id, part, *sorted(asked.items()))
        if key in self.drawn:
            return self.drawn[key]
        total, last = sum(asked.values()), len(self.stops[van_id])
        amounts = [min(stream.stock, total) for stream in streams]
        more = [-asked.get(stage, 0) for stage in range(last + 1)]
        for stream, amount in zip(streams, amounts, strict=True):
            more[stream.stage] += amount
        spare = list(accumulate(more))
        drawn = None
        if min(spare) >= 0:
            for row, stream in enumerate(streams):
                less = min(amounts[row], *spare[stream.stage :])
                if less:
                    amounts[row] -= less
                    for stage in range(stream.stage, last + 1):
                        spare[stage] -= less
            some = [one for one in zip(streams, amounts, strict=True) if one[1]]
            drawn = _Drawn(sum(one.weight * count for one, count in some), some, asked)
        self.drawn[key] = drawn
        return drawn

    def _streams(self, van_id: str, part: str) -> list[_Stream]:
        """Return where a van may have a part from, the dearest first."""
        if (van_id, part) in self.streams:
            return self.streams[van_id, part]
        van, shop = self.vans[van_id], self.day.shop
        holder = self.vans[self.holders[van_id]]
        places: list[tuple[int, int, Source, Van | Store]] = [
            (0, 0, Source(Origin.ABOARD), holder)
        ]
        if van.loads_at_shop:
            places.append((_weigh(0, 0, 1, 0), 0, Source(Origin.SHOP), shop))
        for stage, (store_id, after) in enumerate(self.stops.get(van_id, ()), 1):
            store = self.stores[store_id]
            bought = 1 if store_id == shop.id else 2
            weight = _weigh(surcharge_cents(self.day, store, part), 0, 1, bought)
            source = Source(Origin.RESTOCK, store_id, after)
            places.append((weight, stage, source, store))
        found = [
            _Stream(weight, stage, source, (place.id, part), place.stock[part])
            for weight, stage, source, place in places
            if place.stock.get(part, 0) > 0
        ]
        found.sort(key=lambda stream: -stream.weight)
        self.streams[van_id, part] = found
        return found


def _draw_plainly(
    streams: Sequence[_Stream], asked: Mapping[int, int]
) -> _Drawn | None:
    """Return the best way to have a part if all there is were at hand at once."""
    weight, amounts, short = 0, [], sum(asked.values())
    for stream in reversed(streams):  # the cheapest first
        if not short:
            break
        count = min(short, stream.stock)
        weight += count * stream.weight
        amounts.append((stream, count))
        short -= count
    return None if short else _Drawn(weight, amounts, asked)


def _weigh(cents: int, rank: int, fetched: int, bought: int) -> int:
    """Return what is made small as one number, the first by far the heaviest."""
    weight = 0
    for one in (cents, rank, fetched, bought):
        weight = (weight << _GOAL_BITS) + one
    return weight


class _Sharing:
    """Needs that may share parts, and all that may serve them, as a CP-SAT model."""

    def __init__(
        self,
        day: Day,
        lines: Sequence[_Line],
        stops: Mapping[str, Sequence[tuple[str, int]]],
        holders: Mapping[str, str],
    ) -> None:
        self.day, self.stops, self.holders = day, stops, holders
        self.model = load_cp_model().CpModel()
        self.vans = {van.id: van for van in day.vans}
        self.stores = stores(day)
        self.yards = meeting_places(day)
        self.met: dict[tuple[float, float], list[str]] = {}
        for van_id, yard in self.yards.items():
            if holders[van_id] == van_id:
                self.met.setdefault(yard, []).append(van_id)
        self.picks: list[tuple[list[_Line], list[IntVar]]] = []
        self.amounts: dict[tuple[str, Source, str], IntVar] = {}
        self.gifts: dict[tuple[str, str], IntVar] = {}  # van and part, what it gives
        self.extra: list[LinearExpr] = []
        self.ranks: list[LinearExpr] = []
        # Needs that ask for the same at the same stage of a route are one unknown.
        alike: dict[tuple[str, int, Need], list[_Line]] = {}
        for line in lines:
            alike.setdefault((line.van_id, line.stage, line.need), []).append(line)
        used: dict[tuple[str, str], dict[int, list[LinearExpr]]] = {}
        for (van_id, stage, need), members in alike.items():
            counts = [self._count(len(members)) for _ in need.alternatives]
            self.model.add(sum(counts) == len(members))
            self.picks.append((members, counts))
            for rank, (part, count) in enumerate(
                zip(need.alternatives, counts, strict=True)
            ):
                self.ranks.append(rank * count)
                self.extra.append(substitute_cents(day, need, part) * count)
                for piece, number in pieces(day, part, need.quantity).items():
                    stages = used.setdefault((van_id, piece), {})
                    stages.setdefault(stage, []).append(number * count)
        for (van_id, part), stages in used.items():
            self._supply(van_id, part, stages)
        self._exchange()
        self._empty_no_van()
        self._empty_no_store()

    def _count(self, most: int) -> IntVar:
        count: IntVar = self.model.new_int_var(0, most, "")
        return count

    def _supply(
        self, van_id: str, part: str, used: Mapping[int, Sequence[LinearExpr]]
    ) -> None:
        """Let a van have what its calls use of a part, and in time for each."""
        van, stops = self.vans[van_id], self.stops.get(van_id, ())
        there: list[list[IntVar]] = [[] for _ in range(len(stops) + 1)]

        def offer(stage: int, source: Source, most: int) -> None:
            if most > 0:
                amount = self._count(most)
                self.amounts[van_id, source, part] = amount
                there[stage].append(amount)

        holder = self.holders[van_id]
        offer(0, Source(Origin.ABOARD), self.vans[holder].stock.get(part, 0))
        given = sum(
            self.vans[giver].stock.get(part, 0)
            for giver in self._met(van_id)
            if giver != holder
        )
        offer(0, Source(Origin.VAN), given)
        if van.loads_at_shop:
            offer(0, Source(Origin.SHOP), self.day.shop.stock.get(part, 0))
        for stage, (store_id, after) in enumerate(stops, 1):
            store = self.stores[store_id]
            source = Source(Origin.RESTOCK, store_id, after)
            offer(stage, source, store.stock.get(part, 0))
            if (van_id, source, part) in self.amounts:
                amount = self.amounts[van_id, source, part]
                self.extra.append(surcharge_cents(self.day, store, part) * amount)
        for stage in range(len(stops) + 1):
            asked = sum(x for s, some in used.items() if s <= stage for x in some)
            had = sum(x for some in there[: stage + 1] for x in some)
            if stage < len(stops):
                self.model.add(asked <= had)
            else:
                self.model.add(asked == had)

    def _met(self, van_id: str) -> Sequence[str]:
        """Return the vans that start where a van does, itself included."""
        return self.met[self.yards[van_id]] if van_id in self.yards else ()

    def _exchange(self) -> None:
        """Let vans hand over what they have and do not use themselves."""
        taken: dict[tuple[str, tuple[float, float]], list[IntVar]] = {}
        for (van_id, source, part), amount in self.amounts.items():
            if source.origin is Origin.VAN:
                taken.setdefault((part, self.yards[van_id]), []).append(amount)
        for (part, yard), amounts in taken.items():
            given = []
            for van_id in self.met[yard]:
                stock = self.vans[van_id].stock.get(part, 0)
                if stock > 0:
                    gift = self._count(stock)
                    self.gifts[van_id, part] = gift
                    given.append(gift)
            self.model.add(sum(given) == sum(amounts))

    def _empty_no_van(self) -> None:
        """Take and hand over no more from a van than it has."""
        taken = {key: [gift] for key, gift in self.gifts.items()}
        for (van_id, source, part), amount in self.amounts.items():
            if source.origin is Origin.ABOARD:
                taken.setdefault((self.holders[van_id], part), []).append(amount)
        for (van_id, part), amounts in taken.items():
            if len(amounts) > 1:
                self.model.add(sum(amounts) <= self.vans[van_id].stock[part])

    def _empty_no_store(self) -> None:
        """Take no more from a store than it has."""
        taken: dict[tuple[str, str], list[IntVar]] = {}
        for (_, source, part), amount in self.amounts.items():
            if source.origin in (Origin.SHOP, Origin.RESTOCK):
                store_id = source.holder or self.day.shop.id
                taken.setdefault((store_id, part), []).append(amount)
        for (store_id, part), amounts in taken.items():
            self.model.add(sum(amounts) <= self.stores[store_id].stock[part])

    def solve(self) -> _Shared | None:
        """Return what each van gets from where, and each need's alternative."""
        sat = load_cp_model()
        solver = _solver(SHARE_EFFORT)
        counts = [count for _, counts in self.picks for count in counts]
        unknowns = [*counts, *self.amounts.values(), *self.gifts.values()]
        known: dict[int, int] = {}
        for goal in self._goals():
            self.model.minimize(goal)
            status = solver.solve(self.model)
            if status not in (sat.OPTIMAL, sat.FEASIBLE):
                break
            known = {var.index: solver.value(var) for var in unknowns}
            self.model.add(goal <= round(solver.objective_value))
            self.model.clear_hints()
            for var in unknowns:
                self.model.add_hint(var, known[var.index])
        if not known:
            return None
        chosen = {}
        for members, counts in self.picks:
            picks = [
                part
                for part, count in zip(
                    members[0].need.alternatives, counts, strict=True
                )
                for _ in range(known[count.index])
            ]
            for line, part in zip(members, picks, strict=True):
                chosen[line.call_id, line.row] = part
        return self._name_givers(known), chosen

    def _goals(self) -> list[LinearExpr]:
        """Return what is made small, the first one first."""
        by_origin: dict[Origin, list[IntVar]] = {origin: [] for origin in Origin}
        for (_, source, _), amount in self.amounts.items():
            by_origin[source.origin].append(amount)
        bought = [
            amount
            for (_, source, _), amount in self.amounts.items()
            if source.origin is Origin.RESTOCK and source.holder != self.day.shop.id
        ]
        goals = (
            self.extra,
            self.ranks,
            by_origin[Origin.VAN],
            by_origin[Origin.SHOP] + by_origin[Origin.RESTOCK],
            by_origin[Origin.RESTOCK] + bought,
        )
        add_up = load_cp_model().LinearExpr.sum
        return [add_up(goal) for goal in goals if goal]

    def _name_givers(self, known: Mapping[int, int]) -> _Amounts:
        """Say who hands over what a van takes from others, the first vans first."""
        left = {key: known[gift.index] for key, gift in self.gifts.items()}
        named: Counter[tuple[str, Source, str]] = Counter()
        for (van_id, source, part), amount in self.amounts.items():
            short = known[amount.index]
            if source.origin is not Origin.VAN:
                named[van_id, source, part] += short
                continue
            for giver in self._met(van_id):
                count = min(short, left.get((giver, part), 0))
                if count > 0:
                    # Only short of the best would a van give and take the same part.
                    own = giver == self.holders[van_id]
                    way = Source(Origin.ABOARD) if own else Source(Origin.VAN, giver)
                    named[van_id, way, part] += count
                    left[giver, part] -= count
                    short -= count
        return named


def _fetch_something(
    day: Day,
    assignment: Mapping[str, Sequence[str]],
    stops: Mapping[str, Sequence[tuple[str, int]]],
    issues: Sequence[Issue],
) -> tuple[Issue, ...]:
    """Let a stop have pieces that it costs nothing not to load in the morning."""
    changed = list(issues)
    after = {
        (van_id, store_id): set(assignment.get(van_id, ())[position:])
        for van_id, some in stops.items()
        for store_id, position in some
    }
    for (van_id, store_id), call_ids in after.items():
        own = [i for i in changed if i.van_id == van_id]
        if any(issue.store_id == store_id for issue in own):
            continue
        left = leave_over(day, changed)
        store = stores(day)[store_id]
        shelf = left.counters.get(store_id)
        for at, issue in enumerate(changed):
            if (
                issue.van_id == van_id
                and issue.origin is Origin.SHOP
                and issue.call_id in call_ids
                and (shelf is None or shelf[issue.part_id] >= issue.quantity)
                and surcharge_cents(day, store, issue.part_id) == 0
            ):
                changed[at] = replace(issue, origin=Origin.RESTOCK, store_id=store_id)
                break
    return tuple(changed)


class Piece(NamedTuple):
    """One more piece of a part for one van's shelf.

    Parameters
    ----------
    holder : int
        The van's number, 0, 1, 2, ...
    worth : int
        What it saves, any unit, not negative. Of pieces that cost and fill the same
        on one van, the ones worth most count as the first.
    cents : int
        What it costs.
    space : int
        What it fills.
    """

    holder: int
    worth: int
    cents: int
    space: int


class Picked(NamedTuple):
    """Pieces chosen.

    Parameters
    ----------
    chosen : tuple of bool
        For each piece, whether it is in.
    worth : int
        What they save together.
    bound : int
        More than this no choice saves; ``worth`` where it is proved best.
    """

    chosen: tuple[bool, ...]
    worth: int
    bound: int


def pick_pieces(
    pieces_offered: Sequence[Piece],
    cents: int | None,
    space: Mapping[int, int],
    effort: float = SHARE_EFFORT,
) -> Picked:
    """Choose the pieces that save most within the money and each van's space.

    Parameters
    ----------
    pieces_offered : sequence of Piece
        Each can be in once.
    cents : int or None
        What all pieces together may cost; ``None``: no limit.
    space : mapping of int to int
        What each holder's pieces may fill; holders that are not in it have room.
    effort : float, optional
        Limit in CP-SAT's deterministic time.

    Returns
    -------
    Picked
        Exact unless the effort ran out; then ``bound`` is above ``worth``.
    """
    shelf = _Shelving(pieces_offered, cents, dict(space))
    saved, whole = shelf.priced()
    known = shelf.fill(saved)
    worth = sum(
        p.worth for p, is_in in zip(pieces_offered, known, strict=True) if is_in
    )
    # A piece whose price alone brings the bound down to what is known needs no search:
    # it is in, or out, in every better choice.
    most = whole // _FINE_PRICE
    core = [
        i for i, s in enumerate(saved) if whole - abs(s) >= (worth + 1) * _FINE_PRICE
    ]
    if most <= worth:
        return Picked(known, worth, worth)
    cp_model = load_cp_model()
    model = cp_model.CpModel()
    taken: list[IntVar | int] = [int(s > 0) for s in saved]
    for i in core:
        taken[i] = model.new_bool_var("")
        model.add_hint(taken[i], known[i])
    limits = shelf.limits()
    for most_of, fills in limits:
        model.add(sum(taken[i] * amount for i, amount in fills) <= most_of)
    gain = sum(x * p.worth for x, p in zip(taken, pieces_offered, strict=True))
    model.add(gain >= worth + 1)
    model.maximize(gain)
    solver = _solver(effort)
    status = solver.solve(model)
    if status == cp_model.INFEASIBLE:
        return Picked(known, worth, worth)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Picked(known, worth, most)
    chosen = tuple(bool(solver.value(x)) for x in taken)
    worth = sum(
        p.worth for p, is_in in zip(pieces_offered, chosen, strict=True) if is_in
    )
    bound = math.floor(solver.best_objective_bound + 1e-6)
    return Picked(chosen, worth, max(worth, min(most, bound)))


_FINE_PRICE = 1000  # prices of money and room are whole thousandths of worth
_HALVINGS = 60  # of the range in which the price of money is looked for


class _Shelving(NamedTuple):
    """What is offered for the shelves, and what limits it."""

    offered: Sequence[Piece]
    cents: int | None
    space: dict[int, int]

    def limits(self) -> list[tuple[int, list[tuple[int, int]]]]:
        """Return each limit with the pieces that count and by how much."""
        found = [] if self.cents is None else [(self.cents, self._costs())]
        return found + [
            (room, [(i, p.space) for i, p in enumerate(self.offered) if p.holder == h])
            for h, room in self.space.items()
        ]

    def _costs(self) -> list[tuple[int, int]]:
        return [(i, p.cents) for i, p in enumerate(self.offered)]

    def priced(self) -> tuple[list[int], int]:
        """Return what each piece is worth beyond its prices, and a bound of all worth.

        The Lagrangian dual: with money and each van's room at a price, whoever takes
        every piece worth more than it costs saves no less than any allowed choice. The
        prices that bound best are looked for in floating point; the bound is then
        reckoned in whole numbers, and holds whatever the prices. In thousandths.
        """
        low, high = 0.0, 0.0
        if self.cents is not None:
            high = max(
                (p.worth / p.cents for p in self.offered if p.cents), default=0.0
            )
        for _ in range(_HALVINGS if high else 0):
            # Convex: the sign of the slope says on which side the least lies.
            middle = (low + high) / 2
            if self._spent(middle) > (self.cents or 0):
                low = middle
            else:
                high = middle
        money = round(_FINE_PRICE * high)
        rooms = {h: round(_FINE_PRICE * self._rent(h, high)) for h in self.space}
        saved = [
            _FINE_PRICE * p.worth - money * p.cents - rooms.get(p.holder, 0) * p.space
            for p in self.offered
        ]
        whole = money * (self.cents or 0) + sum(
            rooms[h] * room for h, room in self.space.items()
        )
        return saved, whole + sum(s for s in saved if s > 0)

    def _rent(self, holder: int, money: float) -> float:
        """Return the price of one van's room that bounds best, given that of money."""
        left = self.space[holder]
        for value, p in self._ranked(holder, money):
            left -= p.space
            if left < 0:
                return value / p.space
        return 0.0

    def _ranked(self, holder: int, money: float) -> list[tuple[float, Piece]]:
        """Return the pieces that fill a van's room and are worth it, best first."""
        found = [
            (p.worth - money * p.cents, p)
            for p in self.offered
            if p.holder == holder and p.space
        ]
        return sorted(
            (each for each in found if each[0] > 0), key=lambda e: -e[0] / e[1].space
        )

    def _spent(self, money: float) -> float:
        """Return the money that goes where every van takes what is worth it."""
        spent = 0.0
        for holder in {p.holder for p in self.offered}:
            left = float(self.space.get(holder, math.inf))
            for _, p in self._ranked(holder, money):
                share = min(1.0, left / p.space)
                spent += share * p.cents
                left -= share * p.space
                if left <= 0:
                    break
        return spent + sum(
            p.cents for p in self.offered if not p.space and p.worth > money * p.cents
        )

    def fill(self, saved: Sequence[int]) -> tuple[bool, ...]:
        """Return a choice within the limits: one by one, best worth for its price."""
        left = [most for most, _ in self.limits()]
        uses: list[dict[int, int]] = [{} for _ in self.offered]
        for number, (_, fills) in enumerate(self.limits()):
            for i, amount in fills:
                uses[i][number] = amount
        prices = [
            _FINE_PRICE * p.worth - s for p, s in zip(self.offered, saved, strict=True)
        ]
        order = sorted(
            range(len(self.offered)),
            key=lambda i: (-self.offered[i].worth / max(prices[i], 1), i),
        )
        chosen = [False] * len(self.offered)
        for i in order:
            if all(left[number] >= amount for number, amount in uses[i].items()):
                chosen[i] = True
                for number, amount in uses[i].items():
                    left[number] -= amount
        return tuple(chosen)


class Linear:
    """A linear programme that grows, its answer in floating point.

    What is proved from it is worked out in whole numbers by :meth:`bound`, from
    rounded prices: the solver's own rounding can make a bound weaker, never wrong.

    Parameters
    ----------
    unit : int
        The solver reckons costs in so many cost units: it likes small numbers.
    """

    def __init__(self, unit: int) -> None:
        from ortools.linear_solver import pywraplp  # noqa: PLC0415

        self.unit = unit
        self._solver = pywraplp.Solver.CreateSolver("GLOP")
        usual, plain, dual = (pywraplp.MPSolverParameters() for _ in range(3))
        plain.SetIntegerParam(plain.PRESOLVE, plain.PRESOLVE_OFF)
        dual.SetIntegerParam(dual.INCREMENTALITY, dual.INCREMENTALITY_OFF)
        dual.SetIntegerParam(dual.LP_ALGORITHM, dual.DUAL)
        self._ways = (usual, plain, dual)  # to solve it, should one not work
        self._rows: list[Constraint] = []
        self._variables: list[Variable] = []
        self._most: list[int] = []  # right-hand side of each row
        self._signs: list[int] = []  # 1: at least, -1: at most, 0: exactly
        self._bounded: dict[int, tuple[int, int, dict[int, int]]] = {}
        self._without: set[int] = set()  # variables that are forbidden
        self._solved = False  # and nothing has changed since

    def add_row(self, most: int, sign: int) -> int:
        """Add a row.

        Parameters
        ----------
        most : int
            Its right-hand side.
        sign : int
            1: at least that, -1: at most.

        Returns
        -------
        int
            Its number.
        """
        never = self._solver.infinity()
        low, high = (most, never) if sign > 0 else (-never, most)
        self._rows.append(self._solver.Constraint(float(low), float(high)))
        self._most.append(most)
        self._signs.append(sign)
        self._solved = False
        return len(self._rows) - 1

    def make_exact(self, row: int) -> None:
        """Ask a row to hold exactly.

        Parameters
        ----------
        row : int
            Its number.
        """
        self._signs[row] = 0
        self._solved = False
        self._rows[row].SetBounds(float(self._most[row]), float(self._most[row]))

    def add_variable(
        self, cost: int, within: Mapping[int, int], most: int | None = None
    ) -> int:
        """Add a variable, not negative.

        Parameters
        ----------
        cost : int
            Cost units of 1.
        within : mapping of int to int
            Its factor in each row.
        most : int, optional
            More than this it never needs to be; the programme is not told. Without
            it, :meth:`bound` leaves the variable to its caller.

        Returns
        -------
        int
            Its number.
        """
        variable = self._solver.NumVar(0.0, self._solver.infinity(), "")
        if cost:
            self._solver.Objective().SetCoefficient(variable, cost / self.unit)
        for row, factor in within.items():
            self._rows[row].SetCoefficient(variable, float(factor))
        self._variables.append(variable)
        self._solved = False
        number = len(self._variables) - 1
        if most is not None:
            self._bounded[number] = (cost, most, dict(within))
        return number

    def forbid(self, variables: Iterable[int]) -> None:
        """Let variables be 0, and all others as they are.

        Parameters
        ----------
        variables : iterable of int
            Their numbers.
        """
        wanted = set(variables)
        for number in self._without ^ wanted:
            most = 0.0 if number in wanted else self._solver.infinity()
            self._variables[number].SetUb(most)
        self._without = wanted
        self._solved = False

    def value(self, variable: int) -> float:
        """Return what a variable came to when it was solved last.

        Parameters
        ----------
        variable : int
            Its number.

        Returns
        -------
        float
            0 or more, but for rounding; 0 where the solver gave up, and where the
            programme has changed since.
        """
        if not self._solved:
            return 0.0
        value: float = self._variables[variable].solution_value()
        return value

    def put_into(self, row: int, factors: Mapping[int, int]) -> None:
        """Give variables factors in a row that they were not in.

        Parameters
        ----------
        row : int
            Its number.
        factors : mapping of int to int
            By their numbers.
        """
        self._solved = False
        for variable, factor in factors.items():
            self._rows[row].SetCoefficient(self._variables[variable], float(factor))
            if variable in self._bounded:
                self._bounded[variable][2][row] = factor

    def solve(self) -> list[int] | None:
        """Minimise the cost.

        Returns
        -------
        list of int or None
            Price of each row in cost units, rounded, its sign right; ``None``: the
            solver gave up.
        """
        self._solver.Objective().SetMinimization()
        self._solved = any(
            self._solver.Solve(way) == self._solver.OPTIMAL for way in self._ways
        )
        if not self._solved:
            return None
        prices = [round(row.dual_value() * self.unit) for row in self._rows]
        return [
            price if sign == 0 or price * sign > 0 else 0
            for price, sign in zip(prices, self._signs, strict=True)
        ]

    def bound(self, prices: Sequence[int]) -> int:
        """Bound the cost from below, exactly, whatever the prices.

        Parameters
        ----------
        prices : sequence of int
            One per row, not negative where the row says at least, not positive where
            it says at most.

        Returns
        -------
        int
            Cost units, for the variables that were given a ``most``; the others add
            their cost less their prices as often as they are used.
        """
        total = sum(p * most for p, most in zip(prices, self._most, strict=True))
        for number, (cost, most, within) in self._bounded.items():
            if number in self._without:
                continue
            paid = sum(prices[row] * factor for row, factor in within.items())
            total += most * min(0, cost - paid)
        return total
