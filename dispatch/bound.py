"""What the day must cost at least, whatever the plan.

Every call that is served has one drive that leads to it and one that leads away.
Forget that the drives of one van must hang together, and the cheapest choice of
drives is an assignment problem, solved exactly in whole numbers (the classic
relaxation of vehicle routing; for example Toth, P. and Vigo, D. (eds.) (2014),
Vehicle Routing, 2nd ed., SIAM, chapter 2, from memory). Each drive is reckoned at the
day's highest speed and for the cheapest van that could make it in time, with the
waiting that no order avoids: from the last moment one visit can end to the first at
which the next can start. Breaks, overtime, other waiting and parts are left out. So no
plan can cost less.
"""

from typing import NamedTuple

import numpy as np

from dispatch.partition import assign
from dispatch.problem import (
    CALL,
    FINISH,
    LENGTH,
    M_UNITS,
    NEVER,
    PAID,
    S_UNITS,
    SHIFT_HI,
    SHIFT_LO,
    START,
    TWIN,
    WEIGHT,
    WINDOW,
    WINDOWS,
    Ints,
    Problem,
)

NODES_MAX = 400  # calls and vans; a few tenths of a second
TURNS = 12  # prices tried for a call left out
IMPOSSIBLE = -1  # of a cost; costs are never negative
FAR = 1 << 60  # cost units; above any drive
PRICE_ROOM = 1 << 50  # cost units; a few hundred of these are far below 2 ** 63


class _Reach(NamedTuple):
    """When one van could be at each call, at the day's highest speed.

    Parameters
    ----------
    quick_s : ndarray, shape (nodes, nodes)
        Least driving time.
    done_s : ndarray, shape (calls,)
        Earliest end of the visit; ``NEVER`` if the van cannot serve it.
    latest_s : ndarray, shape (calls,)
        Latest start of the visit; -1 if the van cannot serve it.
    length_s : ndarray, shape (calls,)
        Length of the visit.
    """

    quick_s: Ints
    done_s: Ints
    latest_s: Ints
    length_s: Ints


def bound_cost(problem: Problem, left_out: int) -> int | None:
    """Bound from below what any plan costs that leaves out no more.

    Parameters
    ----------
    problem : Problem
        The day.
    left_out : int
        Weight of the calls that may stay out.

    Returns
    -------
    int or None
        Cost units; ``None`` where the day is too large for a quick answer.
    """
    calls, vans = problem.call_count, len(problem.vans)
    if calls + vans > NODES_MAX:
        return None
    costs = _drive_costs(problem)
    if left_out == 0:
        found = assign(costs)
        return None if found is None else found[0]
    return _bound_with_leftovers(
        costs, problem.visits[: problem.call_count, WEIGHT], left_out
    )


def _bound_with_leftovers(costs: Ints, weights: Ints, left_out: int) -> int:
    """Let calls stay out at a price per weight; the price that bounds best counts.

    Any price gives a valid bound (Lagrange): what is paid for the weight that may be
    left out anyway is taken off again.
    """
    calls = len(weights)
    itself = np.arange(calls)
    # A price is worth no more than the dearest drive, and must leave room for sums.
    low, high = 0, min(int(costs.max()) + 1, PRICE_ROOM // int(weights.max()))
    best = 0
    for _ in range(TURNS):
        price = (low + high) // 2
        costs[itself, itself] = price * weights
        found = assign(costs)
        if found is None:  # too large for the solver's own sums
            high = price
            continue
        units, target = found
        best = max(best, units - price * left_out)
        out = int(weights[target[:calls] == itself].sum())
        if out == left_out:
            break
        low, high = (price, high) if out > left_out else (low, price)
    return best


def _drive_costs(problem: Problem) -> Ints:
    """Return what each drive, with the visit it leads to, costs at least.

    Returns
    -------
    ndarray, shape (calls + vans, calls + vans)
        Rows: calls, then the vans' starts. Columns: calls, then the vans' ends.
    """
    calls, vans = problem.call_count, len(problem.vans)
    costs = np.full((calls + vans, calls + vans), IMPOSSIBLE, np.int64)
    between = np.full((calls, calls), FAR, np.int64)
    reaches: dict[int, _Reach] = {}
    for van in range(vans):
        row = problem.vans[van]
        twin = int(row[TWIN])
        new = twin not in reaches
        reach = reaches.setdefault(twin, _reach(problem, van))
        able = reach.latest_s >= 0
        visit = reach.length_s * row[S_UNITS]
        metres = problem.distance_m * row[M_UNITS]
        start_s = reach.done_s - reach.length_s
        first = (start_s - row[PAID]) * row[S_UNITS] + visit
        if row[START] >= 0:
            first += metres[row[START], :calls]
        last = np.zeros(calls, np.int64)
        if row[FINISH] >= 0:
            last += metres[:calls, row[FINISH]]
            last += reach.quick_s[:calls, row[FINISH]] * row[S_UNITS]
        costs[calls + van, :calls] = np.where(able, first, IMPOSSIBLE)
        costs[:calls, calls + van] = np.where(able, last, IMPOSSIBLE)
        costs[calls + van, calls + van] = 0  # the van stays in
        if new:
            in_time = (
                reach.done_s[:, None] + reach.quick_s[:calls, :calls]
                <= reach.latest_s[None, :]
            )
            ended_s = reach.latest_s + reach.length_s
            gap_s = np.maximum(
                reach.quick_s[:calls, :calls], start_s[None, :] - ended_s[:, None]
            )
            cost = metres[:calls, :calls] + gap_s * row[S_UNITS] + visit[None, :]
            between = np.where(in_time, np.minimum(between, cost), between)
    costs[:calls, :calls] = np.where(between < FAR, between, IMPOSSIBLE)
    costs[np.arange(calls), np.arange(calls)] = IMPOSSIBLE
    return costs


def _reach(problem: Problem, van: int) -> _Reach:
    calls = problem.call_count
    row = problem.vans[van]
    fastest = int(problem.clock[:, 1].max())
    quick_s = -(-1000 * problem.base_s // fastest)
    there = quick_s[row[START], :calls] if row[START] >= 0 else np.zeros(calls, int)
    home = quick_s[:calls, row[FINISH]] if row[FINISH] >= 0 else np.zeros(calls, int)
    lengths = problem.visits[:calls, LENGTH].copy()
    for visit in np.flatnonzero(problem.allowed[van]):
        if problem.visits[visit, CALL] < calls:  # a van takes as long in every way
            lengths[problem.visits[visit, CALL]] = problem.visits[visit, LENGTH]
    arrive_s = row[SHIFT_LO] + there
    leave_s = row[SHIFT_HI] - home - lengths
    start_s = np.full(calls, NEVER, np.int64)
    latest_s = np.full(calls, -1, np.int64)
    for visit in np.flatnonzero(problem.allowed[van]):
        call = problem.visits[visit, CALL]
        for index in range(problem.visits[visit, WINDOWS] if call < calls else 0):
            low, high = problem.given[
                visit, WINDOW + 2 * index : WINDOW + 2 * index + 2
            ]
            opens, closes = max(low, arrive_s[call]), min(high, leave_s[call])
            if opens <= closes:
                start_s[call] = min(start_s[call], opens)
                latest_s[call] = max(latest_s[call], closes)
    return _Reach(quick_s, np.minimum(start_s + lengths, NEVER), latest_s, lengths)
