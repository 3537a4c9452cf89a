"""Try one call at every place of every route: what it would do there, all at once.

For an urgent call nobody waits for a search. Each route keeps its order; the call is
put into it at every place, with a stop at a store before it where that helps to its
parts, and the rest of the route is timed anew. What comes behind may start later than
it stands, also after its promise, where the day has such a visit: of a call's visits
the one that starts earliest is taken. So what is tried here is exact, and only
reordering can do better.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dispatch.problem import (
    BROKEN,
    CALL,
    FINISH,
    HOLDER,
    LENGTH,
    LOADS,
    MEAL_HI,
    NEED_HI,
    NEED_LO,
    NEVER,
    NEXT,
    NODE,
    SHIFT_HI,
    START,
    STORE_VISIT,
    WEIGHT,
    WINDOW,
    WINDOWS,
    Problem,
)
from dispatch.search._jit import entry, kernel, leaf
from dispatch.search.lns import (
    HUGE,
    POOL_VISITS,
    RECENT,
    Memory,
    fetch_parts,
    new_notes,
    place_of_visit,
    price_parts,
    return_parts,
    take_parts,
)
from dispatch.search.schedule import (
    FREE_DONE,
    FREE_DUE,
    LATE,
    MONEY,
    PARTS,
    PENALTY,
    SIZE,
    Routes,
    arrive,
    back_at,
    free_at_start,
    gap_m,
    price,
    rested,
    time_route,
)

# columns of Trials.rows
(
    VAN,
    PLACE,
    STORE,
    HALT,
    TAKEN,
    STARTS,
    MOVES,
    BREAKS,
    COST,
    RETURNS,
    LONG,
    OMITS,
) = range(12)
# columns of Trials.path: at position k, when free, by which visit, from which label,
# and what that has done to others
(
    TIME_DUE,
    TIME_DONE,
    BY_DUE,
    BY_DONE,
    FROM_DUE,
    FROM_DONE,
    HARM_DUE,
    HARM_DONE,
) = range(8)
BREACH = 1 << 20
"""One broken promise, where a call that is moved counts 1."""


class Trials(NamedTuple):
    """What is tried, and what comes of it.

    Parameters
    ----------
    since : ndarray, shape (calls,)
        No call of a route starts earlier than this second.
    span : ndarray, shape (calls, 2)
        First and last start at which a call counts as not moved.
    rows : ndarray, shape (trials, 12)
        VAN, PLACE (position of the call; a new stop is counted), STORE (row of
        ``problem.stores`` where parts are fetched, -1 for none), HALT (position of a
        new stop there, -1 for none), TAKEN (1: only pieces that other calls of the van
        have reserved will do), STARTS (s), MOVES (calls that start outside ``span``),
        BREAKS (promises broken that stood), COST (cost units more of distance, time,
        overtime and parts), RETURNS (second at the finish place), LONG (visits), OMITS
        (calls left out).
    order : ndarray, shape (trials, calls + stores)
        The visits of the route tried, the first LONG count.
    path : ndarray, shape (calls + stores + 2, 8)
        Of no meaning outside.
    visits : ndarray, shape (calls + stores,)
        Of no meaning outside.
    """

    since: NDArray[np.int64]
    span: NDArray[np.int64]
    rows: NDArray[np.int64]
    order: NDArray[np.int64]
    path: NDArray[np.int64]
    visits: NDArray[np.int64]


def new_trials(problem: Problem, routes: Routes) -> Trials:
    """Return room for every trial of one call.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and its routes.

    Returns
    -------
    Trials
        Every call may start at any time and counts as moved nowhere.
    """
    calls, stores = problem.call_count, len(problem.stores)
    most = calls + stores
    places = routes.facts[:, SIZE] + 1
    room = int((2 * places + stores * places * (places + 1) // 2).sum())
    span = np.zeros((calls, 2), np.int64)
    span[:, 1] = NEVER
    return Trials(
        since=np.zeros(calls, np.int64),
        span=span,
        rows=np.zeros((max(1, room), 12), np.int64),
        order=np.zeros((max(1, room), max(1, most)), np.int64),
        path=np.zeros((most + 2, 8), np.int64),
        visits=np.zeros(max(1, most), np.int64),
    )


@entry
def seat(problem: Problem, routes: Routes, drops: int) -> int:
    """Time routes whose orders are written down, and reserve their parts.

    Parameters
    ----------
    problem : Problem
        The day.
    routes : Routes
        Changed in place: ``order`` and SIZE are given, all else is worked out.
    drops : int
        1: a call for which there are no parts when each call in turn takes the first
        choices that are there leaves its route.

    Returns
    -------
    int
        How many calls lack parts; -1: a route breaks a rule.
    """
    faults, works = 0, True
    for van in range(len(problem.vans)):
        write = 0
        for index in range(routes.facts[van, SIZE]):
            visit = routes.order[van, index]
            call = problem.visits[visit, CALL]
            supplied = call >= problem.call_count or take_parts(
                problem, routes, van, call
            )
            for store in range(0 if supplied else len(problem.stores)):
                for at in range(write):
                    if (
                        not supplied
                        and routes.order[van, at] == problem.stores[store, STORE_VISIT]
                    ):
                        units = fetch_parts(problem, routes, van, call, store)
                        supplied = units < HUGE
            if not supplied:
                faults += 1
            if not supplied and drops == 1:
                routes.van_of[call] = -1
                continue
            routes.order[van, write] = visit
            write += 1
            if call < problem.call_count:
                routes.left[0] -= problem.visits[call, WEIGHT]
        routes.facts[van, SIZE] = write
        works = time_route(problem, routes, van) and works
    return faults if works else -1


def memory_of(problem: Problem, routes: Routes, ways: NDArray[np.int64]) -> Memory:
    """Return the memory of a search that begins with routes.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and its routes, timed and supplied.
    ways : ndarray
        What :func:`dispatch.search.lns.ways_of` returns for the problem.

    Returns
    -------
    Memory
        With hardly any room for other routes to remember.
    """
    notes = new_notes(problem, ways)
    stops = problem.call_count + len(problem.stores)
    left_out = int(routes.left[0] + routes.facts[:, LATE].sum())
    units = int(routes.facts[:, MONEY].sum())
    notes.score[:] = (left_out, units, left_out, units, 1, 0)
    return Memory(
        now=routes,
        kept=Routes(*(array.copy() for array in routes)),
        best=Routes(*(array.copy() for array in routes)),
        notes=notes,
        pool=np.zeros((1, POOL_VISITS + stops), np.int64),
        marks=np.zeros(len(problem.visits), np.int64),
        recent=np.zeros((RECENT, 2), np.int64),  # not looked at: there is one row
    )


@leaf
def earliest(
    problem: Problem, van: int, visit: int, arrive_s: int, since_s: int
) -> tuple[int, int]:
    """Return when a call is over at the earliest, and by which of its visits.

    Parameters
    ----------
    problem : Problem
        The day.
    van, visit : int
        The van; the call's first visit, or a stop at a store.
    arrive_s, since_s : int
        Arrival, and the second before which it does not start.

    Returns
    -------
    tuple of int
        Second and row of ``problem.visits``; ``NEVER`` and -1 where there is none.
    """
    visits = problem.visits
    best_s, best = NEVER, -1
    row = visit
    while row >= 0 and arrive_s < NEVER:
        if problem.allowed[van, row] == 1:
            for index in range(visits[row, WINDOWS]):
                start_s = max(arrive_s, since_s, visits[row, WINDOW + 2 * index])
                if start_s <= visits[row, WINDOW + 2 * index + 1]:
                    if start_s + visits[row, LENGTH] < best_s:
                        best_s, best = start_s + visits[row, LENGTH], row
                    break
        row = visits[row, NEXT]
    return best_s, best


@leaf
def harm_of(
    problem: Problem, trials: Trials, stands: int, visit: int, done_s: int
) -> int:
    """Return what a visit does to its customer.

    Parameters
    ----------
    problem, trials : Problem, Trials
        The trial.
    stands, visit : int
        The call's visit as it stands, and as it would be; -1: not at all.
    done_s : int
        When it is over.

    Returns
    -------
    int
        1 where it starts outside its span, ``BREACH`` where that breaks a promise.
    """
    visits = problem.visits
    who = visits[stands, CALL]
    if visit < 0 or who >= problem.call_count:
        return 0
    start_s = done_s - visits[visit, LENGTH]
    harm = 0
    if start_s < trials.span[who, 0] or start_s > trials.span[who, 1]:
        harm += 1
    if visits[visit, BROKEN] > visits[stands, BROKEN]:
        harm += BREACH
    return harm


@leaf
def step(
    problem: Problem, trials: Trials, van: int, index: int, leg: tuple[int, int]
) -> None:
    """Work out one more position of the path.

    Parameters
    ----------
    problem, trials : Problem, Trials
        The trial; row ``index + 1`` of ``path`` is written.
    van, index : int
        The van, and how many visits come before.
    leg : tuple of int
        The node it comes from, and the visit as it stands.
    """
    origin, stands = leg
    path = trials.path
    target, who = problem.visits[stands, NODE], problem.visits[stands, CALL]
    since_s, visit = 0, stands
    if who < problem.call_count:
        since_s, visit = trials.since[who], who
    due_s, done_s = path[index, TIME_DUE], path[index, TIME_DONE]
    after_s, by, source, harm = NEVER, -1, FREE_DONE, 0
    if done_s < NEVER:
        there_s = arrive(problem, done_s, origin, target)
        after_s, by = earliest(problem, van, visit, there_s, since_s)
        harm = path[index, HARM_DONE] + harm_of(problem, trials, stands, by, after_s)
    path[index + 1, TIME_DUE], path[index + 1, BY_DUE] = NEVER, -1
    if due_s < NEVER:
        there_s = arrive(problem, due_s, origin, target)
        other_s, other = earliest(problem, van, visit, there_s, since_s)
        path[index + 1, TIME_DUE], path[index + 1, BY_DUE] = other_s, other
        path[index + 1, HARM_DUE] = path[index, HARM_DUE] + harm_of(
            problem, trials, stands, other, other_s
        )
        before_s = arrive(problem, rested(problem, van, due_s), origin, target)
        there_s = min(before_s, rested(problem, van, there_s))
        other_s, other = earliest(problem, van, visit, there_s, since_s)
        more = path[index, HARM_DUE]
        more += harm_of(problem, trials, stands, other, other_s)
        # If all the same, visits before the break come first, as written out later.
        if other_s < after_s or (other_s == after_s < NEVER and more <= harm):
            after_s, by, source, harm = other_s, other, FREE_DUE, more
    path[index + 1, TIME_DONE], path[index + 1, BY_DONE] = after_s, by
    path[index + 1, FROM_DUE], path[index + 1, FROM_DONE] = FREE_DUE, source
    path[index + 1, HARM_DONE] = harm


@kernel
def follow(
    problem: Problem,
    routes: Routes,
    trials: Trials,
    what: tuple[int, int, int, int, int],
) -> bool:
    """Time the route in ``trials.visits`` and write the trial down, if it works.

    Parameters
    ----------
    problem, routes, trials : Problem, Routes, Trials
        The routes as they stand; row ``what[1]`` of ``trials.rows`` and of
        ``trials.order`` is written.
    what : tuple of int
        The van, the trial's row, how many visits its route has, the call, and whether
        others are left out that do not fit any more.

    Returns
    -------
    bool
        Whether windows, shift and break allow it.
    """
    van, row, count, call, omits = what
    vans, visits, path = problem.vans, problem.visits, trials.path
    path[0, TIME_DUE], path[0, TIME_DONE] = free_at_start(problem, van)
    path[0, HARM_DUE], path[0, HARM_DONE] = 0, 0
    origin, metres, size = vans[van, START], 0, 0
    for index in range(count):
        visit = trials.visits[index]
        who = visits[visit, CALL]
        step(problem, trials, van, size, (origin, visit))
        free = (path[size + 1, TIME_DUE], path[size + 1, TIME_DONE])
        works = free[0] < NEVER or free[1] < NEVER
        if omits == 1 and works:
            works = back_at(problem, van, free, visits[visit, NODE]) < NEVER
        if not works:
            if omits == 0 or who == call:
                return False
            continue
        metres += gap_m(problem, origin, visits[visit, NODE])
        origin = visits[visit, NODE]
        trials.visits[size] = visit
        size += 1
    trials.rows[row, OMITS] = count - size
    target = vans[van, FINISH]
    metres += gap_m(problem, origin, target)
    label, back_s = FREE_DONE, NEVER
    if path[size, TIME_DONE] < NEVER:
        back_s = arrive(problem, path[size, TIME_DONE], origin, target)
    if path[size, TIME_DUE] < NEVER:
        direct_s = arrive(problem, path[size, TIME_DUE], origin, target)
        rest_s = rested(problem, van, path[size, TIME_DUE])
        rest_s = arrive(problem, rest_s, origin, target)
        if direct_s <= vans[van, MEAL_HI]:
            rest_s = min(rest_s, direct_s)
        if rest_s < back_s or (
            rest_s == back_s and path[size, HARM_DUE] < path[size, HARM_DONE]
        ):
            label, back_s = FREE_DUE, rest_s
    if back_s > vans[van, SHIFT_HI]:
        return False
    harm = path[size, HARM_DUE + label]
    trials.rows[row, MOVES], trials.rows[row, BREAKS] = harm % BREACH, harm // BREACH
    for index in range(size - 1, -1, -1):
        visit = path[index + 1, BY_DUE + label]
        if visits[visit, CALL] == call:
            start_s = path[index + 1, TIME_DUE + label] - visits[visit, LENGTH]
            trials.rows[row, STARTS] = start_s
        label = path[index + 1, FROM_DUE + label]
        trials.order[row, index] = visit
    facts = routes.facts
    cost = price(problem, van, metres, back_s)
    cost -= facts[van, MONEY] - facts[van, PARTS] - facts[van, PENALTY]
    trials.rows[row, COST] += cost
    trials.rows[row, RETURNS], trials.rows[row, LONG] = back_s, size
    return True


@leaf
def lies_aboard(problem: Problem, van: int, call: int) -> bool:
    """Return whether a van holds what a call uses, reserved for others or not.

    Parameters
    ----------
    problem : Problem
        The day.
    van, call : int
        Rows of ``problem.vans`` and ``problem.visits``.

    Returns
    -------
    bool
        Each need looked at alone, what it could load at the shop included.
    """
    shop = len(problem.vans)
    for need in range(problem.visits[call, NEED_LO], problem.visits[call, NEED_HI]):
        found = False
        for choice in range(problem.needs[need, 0], problem.needs[need, 1]):
            there = True
            for item in range(problem.choices[choice, 0], problem.choices[choice, 1]):
                part, pieces = problem.items[item, 0], problem.items[item, 1]
                row = van if problem.reused[part] == 1 else problem.vans[van, HOLDER]
                held = problem.stock[row, part]
                held += problem.vans[van, LOADS] * problem.stock[shop, part]
                there = there and held >= pieces
            found = found or there
        if not found:
            return False
    return True


@leaf
def fetches(problem: Problem, routes: Routes, call: int) -> bool:
    """Return whether a call fetches anything at the store it has been given.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day, and what its calls have reserved.
    call : int
        The call.

    Returns
    -------
    bool
        If not, the stop would be for nothing.
    """
    for need in range(problem.visits[call, NEED_LO], problem.visits[call, NEED_HI]):
        choice = routes.chosen[need]
        for item in range(problem.choices[choice, 0], problem.choices[choice, 1]):
            if routes.fetched[item] > 0:
                return True
    return False


@kernel
def try_one(
    problem: Problem,
    routes: Routes,
    trials: Trials,
    row: int,
    what: tuple[int, int, int, int, int],
    offer: tuple[int, int, int],
) -> int:
    """Try the call at one place of one route.

    Parameters
    ----------
    problem, routes, trials : Problem, Routes, Trials
        The routes as they stand; row ``row`` of ``trials`` is written.
    row : int
        How many trials have worked.
    what : tuple of int
        The van, the call, its place among the visits that are there, row of
        ``problem.stores`` (-1: none) and the place of a new stop there (-1: none).
    offer : tuple of int
        Cost units of its parts, whether they have to be taken from others, and
        whether others are left out that do not fit any more.

    Returns
    -------
    int
        How many trials have worked now.
    """
    van, call, place, store, halt = what
    size = routes.facts[van, SIZE]
    write = 0
    at, halt_at = -1, -1
    for index in range(size + 1):
        if index == halt:
            halt_at = write
            trials.visits[write] = problem.stores[store, STORE_VISIT]
            write += 1
        if index == place:
            at = write
            trials.visits[write] = call
            write += 1
        if index < size:
            trials.visits[write] = routes.order[van, index]
            write += 1
    trials.rows[row, VAN], trials.rows[row, PLACE] = van, at
    trials.rows[row, STORE], trials.rows[row, HALT] = store, halt_at
    trials.rows[row, COST], trials.rows[row, TAKEN], omits = offer
    works = follow(problem, routes, trials, (van, row, write, call, omits))
    return row + 1 if works else row


@entry
def try_everywhere(
    problem: Problem, routes: Routes, trials: Trials, call: int, omits: int
) -> int:
    """Try a call at every place of every route.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day, and its routes with their parts reserved; they are not changed.
    trials : Trials
        As many rows as work are written, from the first one on.
    call : int
        A call on no route.
    omits : int
        1: others of the route are left out that do not fit any more.

    Returns
    -------
    int
        How many.
    """
    row = 0
    wants = problem.visits[call, NEED_HI] > problem.visits[call, NEED_LO]
    for van in range(len(problem.vans)):
        able = False
        visit = call
        while visit >= 0:
            able = able or problem.allowed[van, visit] == 1
            visit = problem.visits[visit, NEXT]
        if not able:
            continue
        size = routes.facts[van, SIZE]
        units, taken = price_parts(problem, routes, van, call), 0
        if units >= HUGE and lies_aboard(problem, van, call):
            units, taken = 0, 1
        for place in range(size + 1 if units < HUGE else 0):
            row = try_one(
                problem,
                routes,
                trials,
                row,
                (van, call, place, -1, -1),
                (units, taken, omits),
            )
        for store in range(len(problem.stores) if wants else 0):
            units = fetch_parts(problem, routes, van, call, store)
            if units >= HUGE:
                continue
            useful = fetches(problem, routes, call)
            return_parts(problem, routes, van, call)
            if not useful:
                continue
            at = place_of_visit(routes, van, problem.stores[store, STORE_VISIT])
            for halt in range(0 if at < 0 else at + 1, size + 1):
                last = size if at < 0 else halt
                for place in range(halt, last + 1):
                    row = try_one(
                        problem,
                        routes,
                        trials,
                        row,
                        (van, call, place, store, halt if at < 0 else -1),
                        (units, 0, omits),
                    )
    return row
