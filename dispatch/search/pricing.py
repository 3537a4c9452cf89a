"""Routes worth adding, found with prices on calls: label setting under a bound.

A linear programme over routes (see ``proof.py``) puts a price on every call. A route
is worth adding if it costs less than its calls' prices together. This module finds all
routes of one van whose cost less prices is at most a limit. It does so like
``tours.py``, and drops a label as soon as no way to go on could bring it down to the
limit. What going on brings at least is looked up in a table worked out backwards in
time over a grid of seconds: there a van may come to a call twice, unless it remembers
it. It remembers a call visited only while it stays among that call's neighbours
(ng-routes; Baldacci, Mingozzi and Roberti (2011), Operations Research 59(5), from
memory), and a time between two points of the grid is taken as the earlier. So the table
never promises too little.

A programme with cuts takes a toll of routes that serve two of the same three calls, or
all three. Half of it for the second of them and half for the third is never more: so
much is in the table, for those that are remembered.

Other cuts take a fee for each piece of some parts that a route takes beyond those
aboard. How many it has taken the table does not know: it takes a share of the fee for
every piece, and a label gets back what that is too much.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dispatch.problem import (
    BROKEN,
    CALL,
    FINISH,
    M_UNITS,
    MEAL_LENGTH,
    NEVER,
    NEXT,
    SHIFT_HI,
    SHIFT_LO,
    START,
    UNITS,
    Problem,
)
from dispatch.search._jit import entry, kernel
from dispatch.search.schedule import back_at, free_at_start, gap_m, price, serve
from dispatch.search.tours import (
    COST,
    DONE,
    DROPPED,
    DUE,
    FAR,
    LAST,
    LATE,
    PROMISED,
    SET,
    Tours,
    add_label,
    close_label,
    parts_reach,
)


class Prices(NamedTuple):
    """What serving calls earns on one van.

    Parameters
    ----------
    earned : ndarray, shape (calls,)
        Cost units taken off for each call served.
    threes : ndarray, shape (cuts, 3)
        Calls, three different ones each.
    tolls : ndarray, shape (cuts,)
        Cost units added where two of these three are served or all; 0 or more.
    pieces : ndarray, shape (limits, calls)
        Pieces of some parts that each call takes; 0 or more.
    aboard : ndarray, shape (limits,)
        Pieces that cost nothing; 0 or more.
    fees : ndarray, shape (limits,)
        Cost units added for each further one; 0 or more.
    shares : ndarray, shape (limits,)
        What the table of what lies ahead takes for every piece; 0 to the fee.
    ahead : ndarray, shape (calls,)
        ``earned`` less these shares.
    """

    earned: NDArray[np.int64]
    threes: NDArray[np.int64]
    tolls: NDArray[np.int64]
    pieces: NDArray[np.int64]
    aboard: NDArray[np.int64]
    fees: NDArray[np.int64]
    shares: NDArray[np.int64]
    ahead: NDArray[np.int64]


class Ahead(NamedTuple):
    """What going on from a call costs at least, for one van.

    Parameters
    ----------
    units : ndarray, shape (calls, slots, 2, memories)
        Least cost units less prices from the end of a call home, the paid time of
        the whole route included, the metres before it not; by the time the van is
        free, by whether its break is due (0) or done (1), and by which of the call's
        neighbours it has served. ``FAR``: it cannot get home.
    neighbours : ndarray, shape (calls, width)
        Calls the van remembers at a call, -1 behind the last.
    carried : ndarray, shape (calls, calls, memories)
        What it remembers at the second call of what it remembered at the first; -1:
        it remembers the second.
    tolls : ndarray, shape (calls, calls, memories)
        Half the tolls that the second call makes due, by what it remembered at the
        first.
    toll : ndarray, shape (calls,)
        Room: of the label a search is at, half the tolls due and the fees to be paid
        if each call comes next.
    able : ndarray of uint8, shape (calls,)
        1 where the van may serve the call in some way.
    step_s : int
        Seconds of a slot; the first begins at the van's SHIFT_LO.
    """

    units: NDArray[np.int64]
    neighbours: NDArray[np.int64]
    carried: NDArray[np.int64]
    tolls: NDArray[np.int64]
    toll: NDArray[np.int64]
    able: NDArray[np.uint8]
    step_s: int


def new_ahead(
    problem: Problem, van: int, step_s: int, widths: tuple[int, int]
) -> Ahead:
    """Return an empty table for one van.

    Parameters
    ----------
    problem : Problem
        The day.
    van : int
        Row of ``problem.vans``.
    step_s : int
        Seconds of a slot.
    widths : tuple of int
        Neighbours a call remembers now, and at most.

    Returns
    -------
    Ahead
        To be filled by :func:`look_ahead`.
    """
    calls = problem.call_count
    first, width = widths
    able = np.zeros(calls, np.uint8)
    for visit in np.flatnonzero(problem.allowed[van]).tolist():
        if problem.visits[visit, CALL] < calls:
            able[problem.visits[visit, CALL]] = 1
    neighbours = np.full((calls, width), -1, np.int64)
    for call in range(calls):
        near = [
            other
            for other in problem.near[call].tolist()
            if other != call and able[other]
        ]
        neighbours[call, : len(near[:first])] = near[:first]
    carried = np.zeros((calls, calls, 1 << width), np.int64)
    carry(neighbours, carried)
    shift = int(problem.vans[van, SHIFT_HI] - problem.vans[van, SHIFT_LO])
    slots = shift // step_s + 1
    return Ahead(
        units=np.full((calls, slots, 2, 1 << width), FAR, np.int64),
        neighbours=neighbours,
        carried=carried,
        tolls=np.zeros_like(carried),
        toll=np.zeros(calls, np.int64),
        able=able,
        step_s=step_s,
    )


@entry
def carry(neighbours: NDArray[np.int64], carried: NDArray[np.int64]) -> None:
    """Fill ``carried`` of :class:`Ahead`.

    Parameters
    ----------
    neighbours, carried : ndarray
        As there; ``carried`` is changed in place.
    """
    calls, width = neighbours.shape
    for origin in range(calls):
        memories = 1
        for place in range(width):
            if neighbours[origin, place] >= 0:
                memories *= 2
        for target in range(calls):
            for memory in range(memories):
                after = 0
                for place in range(width):
                    call = neighbours[origin, place]
                    if call < 0 or memory >> place & 1 == 0:
                        continue
                    if call == target:
                        after = -1
                        break
                    for bit in range(width):
                        if neighbours[target, bit] == call:
                            after |= 1 << bit
                if after >= 0:
                    for bit in range(width):
                        if neighbours[target, bit] == origin:
                            after |= 1 << bit
                carried[origin, target, memory] = after


@kernel
def least_fee(prices: Prices, limit: int, pieces: int) -> int:
    """Return what a route pays at least for pieces, beside what the table takes.

    Parameters
    ----------
    prices : Prices
        With the fees.
    limit : int
        Row of ``prices.fees``.
    pieces : int
        Taken so far; the table takes its share of each that follows.

    Returns
    -------
    int
        Cost units; below 0 where pieces that cost nothing may follow.
    """
    over = pieces - prices.aboard[limit]
    return over * (prices.fees[limit] if over > 0 else prices.shares[limit])


@kernel
def take_tolls(ahead: Ahead, prices: Prices) -> None:
    """Fill ``tolls`` of :class:`Ahead`.

    Parameters
    ----------
    ahead : Ahead
        Changed in place.
    prices : Prices
        With the tolls.
    """
    neighbours, tolls = ahead.neighbours, ahead.tolls
    tolls[:] = 0
    calls, width = neighbours.shape
    for cut in range(len(prices.tolls)):
        half = prices.tolls[cut] // 2
        for place in range(3):
            target = prices.threes[cut, place]
            second = prices.threes[cut, (place + 1) % 3]
            third = prices.threes[cut, (place + 2) % 3]
            for origin in range(calls):
                known = 0
                for bit in range(width):
                    if neighbours[origin, bit] in (second, third):
                        known |= 1 << bit
                for memory in range(tolls.shape[2]):
                    if origin in (second, third) or memory & known:
                        tolls[origin, target, memory] += half


@entry
def look_ahead(problem: Problem, ahead: Ahead, van: int, prices: Prices) -> None:
    """Work out what going on costs at least.

    Parameters
    ----------
    problem : Problem
        The day.
    ahead : Ahead
        Changed in place.
    van : int
        Row of ``problem.vans``.
    prices : Prices
        What serving calls earns.
    """
    take_tolls(ahead, prices)
    units, carried, visits = ahead.units, ahead.carried, problem.visits
    earned, tolls = prices.ahead, ahead.tolls
    calls, slots = units.shape[0], units.shape[1]
    begin_s, latest_s = problem.vans[van, SHIFT_LO], problem.vans[van, SHIFT_HI]
    finish, m_units = problem.vans[van, FINISH], problem.vans[van, M_UNITS]
    first = 1 if problem.vans[van, MEAL_LENGTH] == 0 else 0  # no break is ever due
    most = 0
    for call in range(calls):
        if ahead.able[call] == 1:
            most += max(0, earned[call])
    for slot in range(slots - 1, -1, -1):
        free_s = begin_s + slot * ahead.step_s
        # Two ends of visits in one slot: nothing is known of the second but this.
        floor = price(problem, van, 0, free_s) - most
        for origin in range(calls):
            if ahead.able[origin] == 0:
                continue
            memories = 1
            for place in range(ahead.neighbours.shape[1]):
                if ahead.neighbours[origin, place] >= 0:
                    memories *= 2
            for done in range(first, 2):
                free = (NEVER, free_s) if done == 1 else (free_s, NEVER)
                back_s = back_at(problem, van, free, origin)
                home = FAR
                if back_s < NEVER:
                    home = price(problem, van, gap_m(problem, origin, finish), back_s)
                for memory in range(memories):
                    units[origin, slot, done, memory] = home
            for call in range(calls):
                if ahead.able[call] == 0 or call == origin:
                    continue
                way = gap_m(problem, origin, call) * m_units - earned[call]
                visit = call
                while visit >= 0:
                    # Without a break between, and with one if it is still due.
                    plain_s = rested_s = NEVER
                    if problem.allowed[van, visit] == 1:
                        plain_s, rested_s = serve(
                            problem, van, (free_s, NEVER), (origin, visit)
                        )
                    gap = way + visits[visit, UNITS]
                    visit = visits[visit, NEXT]
                    plain = rested = -1
                    if plain_s <= latest_s:
                        plain = (plain_s - begin_s) // ahead.step_s
                    if first == 0 and rested_s <= latest_s:
                        rested = (rested_s - begin_s) // ahead.step_s
                    if max(plain, rested) < 0:
                        continue
                    for memory in range(memories):
                        after = carried[origin, call, memory]
                        if after < 0:
                            continue
                        due = done = FAR
                        if plain == slot:
                            due = done = floor
                        elif plain > slot:
                            due = units[call, plain, 0, after]
                            done = units[call, plain, 1, after]
                        if rested == slot:
                            due = min(due, floor)
                        elif rested > slot:
                            due = min(due, units[call, rested, 1, after])
                        more = gap + tolls[origin, call, memory]
                        if due < FAR:
                            units[origin, slot, 0, memory] = min(
                                units[origin, slot, 0, memory], due + more
                            )
                        if done < FAR:
                            units[origin, slot, 1, memory] = min(
                                units[origin, slot, 1, memory], done + more
                            )


@kernel
def least_ahead(
    problem: Problem, ahead: Ahead, van: int, known: int, state: tuple[int, int, int]
) -> int:
    """Return what going on costs at least.

    Parameters
    ----------
    problem : Problem
        The day.
    ahead : Ahead
        Filled.
    van : int
        Row of ``problem.vans``.
    known : int
        Calls served, one bit each.
    state : tuple of int
        Last visit, and when the van is free, break due and break done.

    Returns
    -------
    int
        Cost units, as in :class:`Ahead`.
    """
    last, due_s, done_s = state
    begin_s, latest_s = problem.vans[van, SHIFT_LO], problem.vans[van, SHIFT_HI]
    memory = 0
    for place in range(ahead.neighbours.shape[1]):
        call = ahead.neighbours[last, place]
        if call < 0:
            break
        memory |= (known >> call & 1) << place
    least = FAR
    if due_s <= latest_s:
        least = ahead.units[last, (due_s - begin_s) // ahead.step_s, 0, memory]
    if done_s <= latest_s:
        slot = (done_s - begin_s) // ahead.step_s
        least = min(least, ahead.units[last, slot, 1, memory])
    return least


@kernel
def best_promises(
    labels: NDArray[np.int64], first: int, end: int, bounds: tuple[int, int]
) -> int:
    """Return about what the last of so many best labels promises.

    Parameters
    ----------
    labels : ndarray, shape (room, 10)
        As in :class:`Tours`.
    first, end : int
        Rows looked at, half-open.
    bounds : tuple of int
        How many labels at most, and what each of them promises at most.

    Returns
    -------
    int
        Cost units less prices.
    """
    width, high = bounds
    low = high
    for label in range(first, end):
        low = min(low, labels[label, PROMISED])
    for _ in range(20):  # halved so often, nearer than any price
        middle = low + (high - low) // 2
        count = 0
        for label in range(first, end):
            if labels[label, PROMISED] <= middle:
                count += 1
        if count > width:
            high = middle
        else:
            low = middle
    return low


@entry
def find_worthwhile(
    problem: Problem,
    tours: Tours,
    ahead: Ahead,
    van: int,
    prices: Prices,
    limits: tuple[int, int],
) -> tuple[int, int, bool]:
    """Find the sets of calls that one van can serve at little over their prices.

    Parameters
    ----------
    problem : Problem
        The day, at most ``CALLS_MAX`` calls.
    tours : Tours
        Empty room, filled in place.
    ahead : Ahead
        Filled for this van and these prices.
    van : int
        The van.
    prices : Prices
        What serving calls earns.
    limits : tuple of int
        Cost less prices of a set found is at most the first; of each number of calls
        only so many labels are followed as the second, those that promise most.

    Returns
    -------
    tuple of (int, int, bool)
        Labels made, sets found, and whether there was room for all.
    """
    labels, visits = tours.labels, problem.visits
    earned, threes, tolls = prices.earned, prices.threes, prices.tolls
    limit, width = limits
    toll = ahead.toll
    bar, size_ends, whole = FAR, 0, True
    calls = problem.call_count
    latest_s, m_units = problem.vans[van, SHIFT_HI], problem.vans[van, M_UNITS]
    count, found = 0, 0
    label = -1
    while label < count:  # a set's labels all come before those of larger sets
        if label == size_ends:
            size_ends, bar = count, FAR
            if count - label > width:
                bar = best_promises(labels, label, count, (width, limit))
                whole = False
        owed = owed_ahead = 0
        toll[:] = 0
        if label < 0:
            known, last, cost, late, taken = 0, problem.vans[van, START], 0, 0, 0
            free = free_at_start(problem, van)
        elif labels[label, DROPPED] == 1 or labels[label, PROMISED] > bar:
            label += 1
            continue
        else:
            known, cost, late = (
                labels[label, SET],
                labels[label, COST],
                labels[label, LATE],
            )
            last = visits[labels[label, LAST], CALL]  # a call's node has its number
            free = (labels[label, DUE], labels[label, DONE])
            taken = 0
            for call in range(calls):
                if known >> call & 1:
                    taken += earned[call]
            for cut in range(len(tolls)):
                served = 0
                for place in range(3):
                    served += known >> threes[cut, place] & 1
                if served == 0:
                    continue
                if served > 1:
                    owed += tolls[cut]
                    owed_ahead += (served - 1) * (tolls[cut] // 2)
                for place in range(3):
                    toll[threes[cut, place]] += tolls[cut] // 2
        for limited in range(len(prices.fees)):
            pieces = 0
            for call in range(calls):
                pieces += prices.pieces[limited, call] * (known >> call & 1)
            owed += prices.fees[limited] * max(0, pieces - prices.aboard[limited])
            fee = least_fee(prices, limited, pieces)
            owed_ahead += fee
            for call in range(calls):
                more = pieces + prices.pieces[limited, call]
                toll[call] += least_fee(prices, limited, more) - fee
        if label >= 0:
            back_s = back_at(problem, van, free, last)
            if back_s < NEVER:
                metres = gap_m(problem, last, problem.vans[van, FINISH])
                if cost + price(problem, van, metres, back_s) + owed - taken <= limit:
                    found = close_label(problem, tours, van, label, found)
        for call in range(calls):
            if ahead.able[call] == 0 or known >> call & 1:
                continue
            checked = label < 0
            further = cost + gap_m(problem, last, call) * m_units
            less = taken + earned[call] - owed_ahead - toll[call]
            visit = call
            while visit >= 0:
                due_s = done_s = NEVER
                if problem.allowed[van, visit] == 1:
                    due_s, done_s = serve(problem, van, free, (last, visit))
                if min(due_s, done_s) <= latest_s:
                    spent = further + visits[visit, UNITS]
                    least = least_ahead(
                        problem, ahead, van, known | 1 << call, (call, due_s, done_s)
                    )
                    if least + spent - less <= limit:
                        if not checked and not parts_reach(problem, van, known, call):
                            break
                        checked = True
                        state = (
                            known | 1 << call,
                            visit,
                            due_s,
                            done_s,
                            spent,
                            late + visits[visit, BROKEN],
                            label,
                        )
                        before = count
                        count = add_label(problem, tours, count, state)
                        if count > len(labels):
                            return before, found, False
                        if count > before:
                            labels[before, PROMISED] = least + spent - less
                visit = visits[visit, NEXT]
        label += 1
    return count, found, whole


@entry
def least_of_all(problem: Problem, ahead: Ahead, van: int, prices: Prices) -> int:
    """Return what any route of a van costs at least, less the prices of its calls.

    Parameters
    ----------
    problem : Problem
        The day.
    ahead : Ahead
        Filled for this van and these prices.
    van : int
        The van.
    prices : Prices
        What serving calls earns.

    Returns
    -------
    int
        Cost units; ``FAR`` or more: there is no route.
    """
    start, latest_s = problem.vans[van, START], problem.vans[van, SHIFT_HI]
    m_units = problem.vans[van, M_UNITS]
    free = free_at_start(problem, van)
    least = FAR
    for call in range(problem.call_count):
        if ahead.able[call] == 0:
            continue
        visit = call
        while visit >= 0:
            if problem.allowed[van, visit] == 1:
                due_s, done_s = serve(problem, van, free, (start, visit))
                if min(due_s, done_s) <= latest_s:
                    further = gap_m(problem, start, call) * m_units
                    further -= prices.earned[call]
                    for limit in range(len(prices.fees)):
                        pieces = prices.pieces[limit, call]
                        further += least_fee(prices, limit, pieces)
                    rest = least_ahead(
                        problem, ahead, van, 1 << call, (call, due_s, done_s)
                    )
                    least = min(least, further + problem.visits[visit, UNITS] + rest)
            visit = problem.visits[visit, NEXT]
    return least


@entry
def walk_least(
    problem: Problem,
    ahead: Ahead,
    van: int,
    prices: Prices,
    walk: NDArray[np.int64],
) -> int:
    """Write down the way that the table of what going on costs thinks best.

    Parameters
    ----------
    problem : Problem
        The day.
    ahead : Ahead
        Filled for this van and these prices.
    van : int
        The van.
    prices : Prices
        What serving calls earns.
    walk : ndarray, shape (room,)
        Filled with the calls, some of them perhaps more than once.

    Returns
    -------
    int
        How many.
    """
    units, carried, earned = ahead.units, ahead.carried, prices.ahead
    begin_s, latest_s = problem.vans[van, SHIFT_LO], problem.vans[van, SHIFT_HI]
    start, m_units = problem.vans[van, START], problem.vans[van, M_UNITS]
    free = free_at_start(problem, van)
    origin, memory, slot, count = start, 0, -1, 0
    while count < len(walk):
        best, best_call, best_done, best_slot = FAR, -1, 0, 0
        for call in range(problem.call_count):
            if ahead.able[call] == 0 or (slot >= 0 and call == origin):
                continue
            after = 0 if slot < 0 else carried[origin, call, memory]
            visit = call if after >= 0 else -1
            while visit >= 0:
                ends = (NEVER, NEVER)
                if problem.allowed[van, visit] == 1:
                    ends = serve(problem, van, free, (origin, visit))
                gap = gap_m(problem, origin, call) * m_units - earned[call]
                if slot >= 0:
                    gap += ahead.tolls[origin, call, memory]
                gap += problem.visits[visit, UNITS]
                for done in range(2):
                    if ends[done] > latest_s:
                        continue
                    there = (ends[done] - begin_s) // ahead.step_s
                    if there > slot and units[call, there, done, after] + gap < best:
                        best = units[call, there, done, after] + gap
                        best_call, best_done, best_slot = call, done, there
                visit = problem.visits[visit, NEXT]
        if best_call < 0 or (
            slot >= 0
            and best > units[origin, slot, 1 if free[1] < NEVER else 0, memory]
        ):
            break
        memory = 0 if slot < 0 else carried[origin, best_call, memory]
        origin, slot = best_call, best_slot
        free_s = begin_s + slot * ahead.step_s
        free = (NEVER, free_s) if best_done == 1 else (free_s, NEVER)
        walk[count] = origin
        count += 1
    return count


def remember(ahead: Ahead, walk: NDArray[np.int64]) -> bool:
    """Let visits remember the calls that a walk came to twice.

    Parameters
    ----------
    ahead : Ahead
        Changed in place; it has to be filled anew.
    walk : ndarray
        Calls in order.

    Returns
    -------
    bool
        Whether anything changed.
    """
    changed = False
    last: dict[int, int] = {}
    for place, call in enumerate(walk.tolist()):
        if call in last:
            for between in walk[last[call] + 1 : place].tolist():
                known = ahead.neighbours[between]
                free = np.flatnonzero(known < 0)
                if call not in known and len(free):
                    known[free[0]] = call
                    changed = True
        last[call] = place
    if changed:
        carry(ahead.neighbours, ahead.carried)
    return changed
