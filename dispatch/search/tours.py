"""All orders worth driving for one van: the best one for each set of calls.

Label setting with dominance: a label is a set of visited calls, the last of them,
when the van is free (break due, break done), what its drives and ways of doing the
calls cost so far and which promises it breaks. Because leaving earlier never arrives
later, a label that is no better in any of these than another of the same set and last
call can be dropped. What is left at the end is, for every set of calls one van can
serve, its cheapest order, proved. Links, limits on driving and stops at stores are not
looked at: a route here may break them, but none that keeps them is cheaper.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dispatch.problem import (
    BROKEN,
    CALL,
    FINISH,
    HOLDER,
    LOADS,
    M_UNITS,
    NEVER,
    NEXT,
    NODE,
    SHIFT_HI,
    START,
    STORE_ROW,
    UNITS,
    Problem,
)
from dispatch.search._jit import entry, kernel
from dispatch.search.schedule import back_at, free_at_start, gap_m, price, serve

CALLS_MAX = 62  # a set is the bits of one int64
FAR = 1 << 60  # cost units; cannot be done

# columns of Tours.labels
SET, LAST, DUE, DONE, COST, LATE, PARENT, BESIDE, DROPPED, PROMISED = range(10)
# columns of Tours.best
BEST_SET, BEST_COST, BEST_LATE, BEST_LABEL = range(4)


class Tours(NamedTuple):
    """Room for one van's labels; filled by :func:`find_tours`.

    Parameters
    ----------
    labels : ndarray, shape (room, 10)
        SET (bits, one per call), LAST (visit), DUE and DONE (second it is free), COST
        (cost units but for time), LATE (weight of broken promises), PARENT (label
        before it, -1 none), BESIDE (label of the same bucket, -1 none), DROPPED (1:
        another label is as good in everything), PROMISED (least cost less prices of a
        route that goes on from it; only in ``pricing.py``).
    buckets : ndarray, shape (power of two,)
        First label of each hash value of set and last call, -1 none.
    best : ndarray, shape (room, 4)
        BEST_SET, BEST_COST (cost units), BEST_LATE (weight) and BEST_LABEL of each set
        found: least weight, then least cost.
    best_at : ndarray, shape (power of two,)
        Row of ``best`` at each hash value of a set, -1 none.
    """

    labels: NDArray[np.int64]
    buckets: NDArray[np.int64]
    best: NDArray[np.int64]
    best_at: NDArray[np.int64]


def new_tours(room: int) -> Tours:
    """Return empty room for so many labels.

    Parameters
    ----------
    room : int
        Labels at most.

    Returns
    -------
    Tours
        Nothing found yet.
    """
    size = 1 << max(4, (2 * room - 1).bit_length())
    return Tours(
        labels=np.zeros((room, 10), np.int64),
        buckets=np.full(size, -1, np.int64),
        best=np.zeros((room, 4), np.int64),
        best_at=np.full(size, -1, np.int64),
    )


@kernel
def hash_of(calls: int, last: int, size: int) -> int:
    """Return a bucket for a set of calls and the last of them.

    Parameters
    ----------
    calls : int
        The set, one bit per call.
    last : int
        A call, or 0 where only the set counts.
    size : int
        How many buckets, a power of two.

    Returns
    -------
    int
        0 to ``size`` - 1.
    """
    # Odd multipliers below 2**30 keep every product inside 63 bits.
    low, high = calls & 0x7FFFFFFF, calls >> 31
    mixed = low * 0x1F123BB5 + high * 0x2545F491 + last * 0x27D4EB2F
    mixed ^= mixed >> 29
    mixed = (mixed & 0x7FFFFFFF) * 0x165667B1 + (mixed >> 31)
    mixed ^= mixed >> 32
    return mixed & (size - 1)


@kernel
def add_label(
    problem: Problem,
    tours: Tours,
    count: int,
    state: tuple[int, int, int, int, int, int, int],
) -> int:
    """Add a label unless one as good is there; return how many labels there are.

    Parameters
    ----------
    problem : Problem
        The day.
    tours : Tours
        Changed in place; labels that are no better than the new one are dropped.
    count : int
        Labels so far.
    state : tuple of int
        SET, LAST, DUE, DONE, COST, LATE and PARENT of the label.

    Returns
    -------
    int
        Labels now; one more than there is room for: it could not be added.
    """
    calls, visit, due_s, done_s, cost, late, parent = state
    labels, buckets = tours.labels, tours.buckets
    last = problem.visits[visit, CALL]
    bucket = hash_of(calls, last, len(buckets))
    other = buckets[bucket]
    while other >= 0:
        if (
            labels[other, SET] == calls
            and problem.visits[labels[other, LAST], CALL] == last
        ):
            if (
                labels[other, DUE] <= due_s
                and labels[other, DONE] <= done_s
                and labels[other, COST] <= cost
                and labels[other, LATE] <= late
            ):
                return count
            if (
                due_s <= labels[other, DUE]
                and done_s <= labels[other, DONE]
                and cost <= labels[other, COST]
                and late <= labels[other, LATE]
            ):
                labels[other, DROPPED] = 1
        other = labels[other, BESIDE]
    if count == len(labels):
        return count + 1
    labels[count, SET] = calls
    labels[count, LAST] = visit
    labels[count, DUE] = due_s
    labels[count, DONE] = done_s
    labels[count, COST] = cost
    labels[count, LATE] = late
    labels[count, PARENT] = parent
    labels[count, BESIDE] = buckets[bucket]
    labels[count, DROPPED] = 0
    buckets[bucket] = count
    return count + 1


@kernel
def close_label(
    problem: Problem, tours: Tours, van: int, label: int, found: int
) -> int:
    """Drive a label home and keep it if it is its set's best; return the sets.

    Parameters
    ----------
    problem : Problem
        The day.
    tours : Tours
        ``best`` and ``best_at`` are changed, unless the van would be back too late.
    van : int
        Row of ``problem.vans``.
    label : int
        Row of ``tours.labels``.
    found : int
        Sets found so far.

    Returns
    -------
    int
        Sets found now.
    """
    labels, best, best_at = tours.labels, tours.best, tours.best_at
    node = problem.visits[labels[label, LAST], NODE]
    free = (labels[label, DUE], labels[label, DONE])
    back_s = back_at(problem, van, free, node)
    if back_s >= NEVER:
        return found
    metres = gap_m(problem, node, problem.vans[van, FINISH])
    cost = labels[label, COST] + price(problem, van, metres, back_s)
    late = labels[label, LATE]
    calls = labels[label, SET]
    cell = hash_of(calls, 0, len(best_at))
    while best_at[cell] >= 0 and best[best_at[cell], BEST_SET] != calls:
        cell = (cell + 1) & (len(best_at) - 1)
    row = best_at[cell]
    new = row < 0
    if new:
        row = found
        found += 1
        best_at[cell] = row
    if (
        new
        or late < best[row, BEST_LATE]
        or (late == best[row, BEST_LATE] and cost < best[row, BEST_COST])
    ):
        best[row, BEST_SET] = calls
        best[row, BEST_COST] = cost
        best[row, BEST_LATE] = late
        best[row, BEST_LABEL] = label
    return found


@kernel
def parts_reach(problem: Problem, van: int, known: int, call: int) -> bool:
    """Return whether a set of calls and one more could have what they must use.

    What is in short supply may still not go round: that depends on choices and on the
    other vans. But what is refused here could never be driven.

    Parameters
    ----------
    problem : Problem
        The day.
    van : int
        Row of ``problem.vans``.
    known : int
        The set, one bit per call.
    call : int
        One more, not among them.

    Returns
    -------
    bool
        Whether van, shop (if it loads there) and stores on the way hold
        ``problem.must`` of all of them.
    """
    shop = len(problem.vans)
    for part in range(problem.must.shape[1]):
        pieces = problem.must[call, part]
        if pieces == 0:
            continue
        for other in range(problem.call_count):
            if known >> other & 1:
                pieces += problem.must[other, part]
        if problem.reused[part] == 1:
            pieces = 1
            reach = problem.stock[van, part]
        else:
            reach = problem.stock[problem.vans[van, HOLDER], part]
            for store in range(len(problem.stores)):
                reach += problem.stock[problem.stores[store, STORE_ROW], part]
        if problem.vans[van, LOADS] == 1:
            reach += problem.stock[shop, part]
        if pieces > reach:
            return False
    return True


@kernel
def extend_label(
    problem: Problem,
    tours: Tours,
    van: int,
    count: int,
    start: tuple[int, int, int, int, int, int, int],
) -> int:
    """Add all labels that are one visit longer; return how many labels there are.

    Parameters
    ----------
    problem : Problem
        The day.
    tours : Tours
        Changed in place.
    van, count : int
        Row of ``problem.vans``, and labels so far.
    start : tuple of int
        SET, node of the last visit, DUE, DONE, COST, LATE and row of the label to
        extend (-1: the van's start).

    Returns
    -------
    int
        Labels now; one more than there is room for: the search is to be given up.
    """
    known, origin, due_s, done_s, cost, late, label = start
    visits, latest_s = problem.visits, problem.vans[van, SHIFT_HI]
    for call in range(problem.call_count):
        bit = 1 << call
        if known & bit:
            continue
        checked = False
        visit = call
        while visit >= 0:
            if problem.allowed[van, visit] == 1:
                after = serve(problem, van, (due_s, done_s), (origin, visit))
                if min(after[0], after[1]) <= latest_s:
                    if not checked and not parts_reach(problem, van, known, call):
                        break
                    checked = True
                    metres = gap_m(problem, origin, visits[visit, NODE])
                    state = (
                        known | bit,
                        visit,
                        after[0],
                        after[1],
                        cost
                        + metres * problem.vans[van, M_UNITS]
                        + visits[visit, UNITS],
                        late + visits[visit, BROKEN],
                        label,
                    )
                    count = add_label(problem, tours, count, state)
                    if count > len(tours.labels):
                        return count
            visit = visits[visit, NEXT]
    return count


@entry
def find_tours(problem: Problem, tours: Tours, van: int) -> tuple[int, int]:
    """Find the best order of every set of calls that one van can serve in time.

    Of the parts only what a van could never have is looked at: the rest depends on
    what the other vans take.

    Parameters
    ----------
    problem : Problem
        The day, at most ``CALLS_MAX`` calls.
    tours : Tours
        Empty room, filled in place.
    van : int
        The van.

    Returns
    -------
    tuple of int
        Labels made (more than there is room: the search was given up), sets found.
    """
    labels = tours.labels
    due_s, done_s = free_at_start(problem, van)
    found = 0
    start = (0, problem.vans[van, START], due_s, done_s, 0, 0, -1)
    count = extend_label(problem, tours, van, 0, start)
    label = 0
    while label < count <= len(labels):  # a set's labels come before larger sets'
        if labels[label, DROPPED] == 0:
            found = close_label(problem, tours, van, label, found)
            start = (
                labels[label, SET],
                problem.visits[labels[label, LAST], NODE],
                labels[label, DUE],
                labels[label, DONE],
                labels[label, COST],
                labels[label, LATE],
                label,
            )
            count = extend_label(problem, tours, van, count, start)
        label += 1
    return count, found


@entry
def join_van(
    before: NDArray[np.int64], own: NDArray[np.int64], taken: NDArray[np.int64]
) -> None:
    """Let one more van take part of every set of calls.

    Parameters
    ----------
    before : ndarray, shape (2 ** calls,)
        Least cost units of serving exactly each set with the vans so far, ``FAR``
        where they cannot; changed in place to include this van.
    own : ndarray, shape (2 ** calls,)
        The same for this van alone; 0 for the empty set.
    taken : ndarray, shape (2 ** calls,)
        Filled with the part of each set that this van takes.
    """
    # Largest sets first: what a set is made of is smaller and not yet changed.
    for members in range(len(before) - 1, -1, -1):
        least, best = before[members], 0
        part = members
        while part > 0:
            if own[part] < FAR:
                cost = own[part] + before[members ^ part]
                if cost < least:
                    least, best = cost, part
            part = (part - 1) & members
        before[members] = least
        taken[members] = best


def order_of(tours: Tours, label: int) -> tuple[int, ...]:
    """Return a label's visits in order.

    Parameters
    ----------
    tours : Tours
        Filled.
    label : int
        A row of ``tours.labels``.

    Returns
    -------
    tuple of int
        Rows of ``Problem.visits``.
    """
    order = []
    while label >= 0:
        order.append(int(tours.labels[label, LAST]))
        label = int(tours.labels[label, PARENT])
    return tuple(reversed(order))


@entry
def write_orders(
    tours: Tours, rows: NDArray[np.int64], orders: NDArray[np.int64]
) -> None:
    """Write down the visits of many sets' best orders.

    Parameters
    ----------
    tours : Tours
        Filled.
    rows : ndarray
        Rows of ``tours.best``.
    orders : ndarray, shape (rows, calls)
        Filled with rows of ``Problem.visits``, -1 behind the last.
    """
    for place in range(len(rows)):
        size, label = 0, tours.best[rows[place], BEST_LABEL]
        while label >= 0:
            size += 1
            label = tours.labels[label, PARENT]
        label = tours.best[rows[place], BEST_LABEL]
        for at in range(orders.shape[1] - 1, -1, -1):
            orders[place, at] = -1
            if at < size:
                orders[place, at] = tours.labels[label, LAST]
                label = tours.labels[label, PARENT]
