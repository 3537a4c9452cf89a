"""All orders worth driving for one van: the best one for each set of calls.

Label setting with dominance: a label is a set of visited calls, the last of them,
when the van is free (break due, break done) and the metres so far. Because leaving
earlier never arrives later, a label that is no better in any of the three than
another of the same set and last call can be dropped. What is left at the end is,
for every set of calls one van can serve, its cheapest order, proved.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dispatch.problem import FINISH, LOADS, NEVER, SHIFT_HI, START, Problem
from dispatch.search._jit import kernel
from dispatch.search.schedule import back_at, free_at_start, gap_m, price, serve

CALLS_MAX = 62  # a set is the bits of one int64
FAR = 1 << 60  # cost units; cannot be done

# columns of Tours.labels
SET, LAST, DUE, DONE, METRES, PARENT, NEXT, DROPPED = range(8)
# columns of Tours.best
BEST_SET, BEST_COST, BEST_LABEL = range(3)


class Tours(NamedTuple):
    """Room for one van's labels; filled by :func:`find_tours`.

    Parameters
    ----------
    labels : ndarray, shape (room, 8)
        SET (bits), LAST (call), DUE and DONE (second it is free), METRES, PARENT
        (label before it, -1 none), NEXT (label of the same bucket, -1 none),
        DROPPED (1: another label is as good in everything).
    buckets : ndarray, shape (power of two,)
        First label of each hash value of set and last call, -1 none.
    best : ndarray, shape (room, 3)
        BEST_SET, BEST_COST (cost units) and BEST_LABEL of each set found.
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
        labels=np.zeros((room, 8), np.int64),
        buckets=np.full(size, -1, np.int64),
        best=np.zeros((room, 3), np.int64),
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
    tours: Tours, count: int, state: tuple[int, int, int, int, int, int]
) -> int:
    """Add a label unless one as good is there; return how many labels there are.

    Parameters
    ----------
    tours : Tours
        Changed in place; labels that are no better than the new one are dropped.
    count : int
        Labels so far.
    state : tuple of int
        SET, LAST, DUE, DONE, METRES and PARENT of the label.

    Returns
    -------
    int
        Labels now; one more than there is room for: it could not be added.
    """
    calls, last, due_s, done_s, metres, parent = state
    labels, buckets = tours.labels, tours.buckets
    bucket = hash_of(calls, last, len(buckets))
    other = buckets[bucket]
    while other >= 0:
        if labels[other, SET] == calls and labels[other, LAST] == last:
            if (
                labels[other, DUE] <= due_s
                and labels[other, DONE] <= done_s
                and labels[other, METRES] <= metres
            ):
                return count
            if (
                due_s <= labels[other, DUE]
                and done_s <= labels[other, DONE]
                and metres <= labels[other, METRES]
            ):
                labels[other, DROPPED] = 1
        other = labels[other, NEXT]
    if count == len(labels):
        return count + 1
    labels[count, SET] = calls
    labels[count, LAST] = last
    labels[count, DUE] = due_s
    labels[count, DONE] = done_s
    labels[count, METRES] = metres
    labels[count, PARENT] = parent
    labels[count, NEXT] = buckets[bucket]
    labels[count, DROPPED] = 0
    buckets[bucket] = count
    return count + 1


@kernel
def close_label(
    problem: Problem, tours: Tours, van: int, label: int, found: int
) -> int:
    """Drive a label home and keep it if it is its set's cheapest; return the sets.

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
    last = labels[label, LAST]
    free = (labels[label, DUE], labels[label, DONE])
    back_s = back_at(problem, van, free, last)
    if back_s >= NEVER:
        return found
    metres = labels[label, METRES] + gap_m(problem, last, problem.vans[van, FINISH])
    cost = price(problem, van, metres, back_s)
    calls = labels[label, SET]
    cell = hash_of(calls, 0, len(best_at))
    while best_at[cell] >= 0 and best[best_at[cell], BEST_SET] != calls:
        cell = (cell + 1) & (len(best_at) - 1)
    row = best_at[cell]
    if row < 0:
        row = found
        found += 1
        best_at[cell] = row
        best[row, BEST_SET] = calls
        best[row, BEST_COST] = cost
        best[row, BEST_LABEL] = label
    elif cost < best[row, BEST_COST]:
        best[row, BEST_COST] = cost
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
        Whether van and, if it loads there, shop hold ``problem.must`` of all of them.
    """
    shop = len(problem.vans)
    for part in range(problem.must.shape[1]):
        pieces = problem.must[call, part]
        if pieces == 0:
            continue
        for other in range(len(problem.calls)):
            if known >> other & 1:
                pieces += problem.must[other, part]
        reach = problem.stock[van, part]
        if problem.vans[van, LOADS] == 1:
            reach += problem.stock[shop, part]
        if pieces > reach:
            return False
    return True


@kernel
def find_tours(problem: Problem, tours: Tours, van: int) -> tuple[int, int]:
    """Find the cheapest order of every set of calls that one van can serve in time.

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
    calls = len(problem.calls)
    start, latest_s = problem.vans[van, START], problem.vans[van, SHIFT_HI]
    at_start = free_at_start(problem, van)
    count, found = 0, 0
    for call in range(calls):
        if problem.allowed[van, call] == 1:
            due_s, done_s = serve(problem, van, at_start, (start, call))
            if min(due_s, done_s) <= latest_s:
                metres = gap_m(problem, start, call)
                state = (1 << call, call, due_s, done_s, metres, -1)
                count = add_label(tours, count, state)
                if count > len(labels):
                    return count, found
    label = 0
    while label < count:  # a set's labels all come before those of larger sets
        if labels[label, DROPPED] == 0:
            found = close_label(problem, tours, van, label, found)
            last = labels[label, LAST]
            free = (labels[label, DUE], labels[label, DONE])
            for call in range(calls):
                bit = 1 << call
                if problem.allowed[van, call] == 0 or labels[label, SET] & bit:
                    continue
                due_s, done_s = serve(problem, van, free, (last, call))
                if min(due_s, done_s) <= latest_s and parts_reach(
                    problem, van, labels[label, SET], call
                ):
                    metres = labels[label, METRES] + gap_m(problem, last, call)
                    state = (
                        labels[label, SET] | bit,
                        call,
                        due_s,
                        done_s,
                        metres,
                        label,
                    )
                    count = add_label(tours, count, state)
                    if count > len(labels):
                        return count, found
        label += 1
    return count, found


@kernel
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
    """Return a label's calls in order.

    Parameters
    ----------
    tours : Tours
        Filled.
    label : int
        A row of ``tours.labels``.

    Returns
    -------
    tuple of int
        Rows of the day's calls.
    """
    order = []
    while label >= 0:
        order.append(int(tours.labels[label, LAST]))
        label = int(tours.labels[label, PARENT])
    return tuple(reversed(order))
