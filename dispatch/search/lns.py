"""Ruin and recreate: take neighbouring pieces of routes out, put the calls back.

Slack induction by string removals, Christiaens and Vanden Berghe (2020),
Transportation Science 54(2):417-433: strings of adjacent calls are removed from
routes near a random call; the calls return one by one, each at its cheapest place,
now and then skipping a place ('blink'). In between two vans swap what follows two
neighbouring calls (Potvin and Rousseau (1995), An exchange heuristic for routeing
problems with time windows, Journal of the Operational Research Society
46(12):1433-1446, from memory). A worse solution is kept with a chance that falls as
the search cools. Two solutions are compared by what they leave out first and by money
second; nothing trades one for the other.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dispatch.problem import (
    DEMAND,
    FINISH,
    LOADS,
    M_UNITS,
    NEED_HI,
    NEED_LO,
    NEVER,
    OVER_UNITS,
    REACH,
    S_UNITS,
    START,
    TWIN,
    WEIGHT,
    WINDOW,
    WINDOWS,
    Problem,
)
from dispatch.search._jit import kernel, leaf
from dispatch.search.schedule import (
    BACK,
    FREE_DONE,
    FREE_DUE,
    LATEST_DONE,
    LATEST_DUE,
    MONEY,
    SIZE,
    VERSION,
    Routes,
    arrive,
    back_at,
    empty_routes,
    gap_m,
    price,
    put_in,
    rested,
    serve,
    time_route,
)

REMOVED_MEAN = 10.0  # calls taken out per round, on average (the paper's value)
STRING_MAX = 10.0  # longest string (the paper's value)
SPLIT_SHARE = 0.5  # strings that keep a piece in their middle (the paper's value)
KEPT_GROWTH = 0.01  # chance that the kept piece grows by one (the paper's value)
BLINK = 0.01  # chance of skipping a place (the paper's value)
TAILS = 0.5  # rounds that swap what follows in two routes (keyround's own addition: in
# long routes a string is too short to do it; halved the gap on such instances)
TRIES = 40  # pairs of calls looked at in such a round
NEXT_TO = 30  # the second of a pair is one of so many nearest
WHOLE = 0.01  # rounds that empty one whole route instead (keyround's own addition:
# long routes are otherwise never given up)
RETRIED = 10  # left-out calls tried again in one round
POOL_ROWS = 1_000  # routes remembered between two visits of the caller
RECENT = 1 << 12  # cells
POOL_WITHIN = 1.02  # only those of solutions this close to the best
HUGE = 1 << 62  # cost units above any route

# cells of Memory.score
NOW_LEFT, NOW_MONEY, BEST_LEFT, BEST_MONEY, BLINK_IN, POOLED = range(6)
# columns of Memory.pool, then the calls in order
POOL_VAN, POOL_MONEY, POOL_SIZE, POOL_CALLS = range(4)


class Memory(NamedTuple):
    """Everything one search carries from round to round.

    Parameters
    ----------
    now, kept, best : Routes
        The solution being changed, the one to fall back on, and the best so far.
    score : ndarray, shape (6,)
        What ``kept`` and ``best`` leave out and cost, places until the next blink,
        and filled rows of ``pool``.
    touched : ndarray, shape (vans,)
        1 for routes changed in this round.
    queue : ndarray, shape (calls,)
        Calls out of the routes in this round.
    key : ndarray, shape (calls,)
        Sort keys of the queue.
    seen : ndarray, shape (vans, calls, 3)
        For each kept route and call: the route's VERSION when last looked at, the
        cost units the call would add there (``HUGE``: it does not fit), and where.
    pool : ndarray, shape (POOL_ROWS, 3 + calls)
        Routes of good solutions; the caller takes them out.
    marks : ndarray, shape (calls,)
        A random number for each call; their sum stands for a set of calls.
    recent : ndarray, shape (power of two,)
        Sets put into the pool of late, each at the end of its sum.
    """

    now: Routes
    kept: Routes
    best: Routes
    score: NDArray[np.int64]
    touched: NDArray[np.int64]
    queue: NDArray[np.int64]
    key: NDArray[np.float64]
    seen: NDArray[np.int64]
    pool: NDArray[np.int64]
    marks: NDArray[np.int64]
    recent: NDArray[np.int64]


def new_memory(problem: Problem) -> Memory:
    """Return the memory of a search that has placed nothing yet.

    Parameters
    ----------
    problem : Problem
        The day.

    Returns
    -------
    Memory
        Labels of the empty routes worked out.
    """
    memory = Memory(
        now=empty_routes(problem),
        kept=empty_routes(problem),
        best=empty_routes(problem),
        score=np.zeros(6, np.int64),
        touched=np.zeros(len(problem.vans), np.int64),
        queue=np.zeros(max(1, len(problem.calls)), np.int64),
        key=np.zeros(max(1, len(problem.calls)), np.float64),
        seen=np.full((len(problem.vans), len(problem.calls), 3), -1, np.int64),
        pool=np.zeros((POOL_ROWS, POOL_CALLS + len(problem.calls)), np.int64),
        marks=np.random.default_rng(0).integers(1 << 40, size=len(problem.calls)),
        recent=np.full(RECENT, -1, np.int64),
    )
    left_out = int(problem.calls[:, WEIGHT].sum())
    memory.score[:] = (left_out, 0, left_out, 0, 1, 0)
    for van in range(len(problem.vans)):
        time_route(problem, memory.now, van)
        time_route(problem, memory.kept, van)
    return memory


@leaf
def extra_from_shop(
    problem: Problem, routes: Routes, van: int, part: int, pieces: int
) -> int:
    """Return what more the shop must give a van that uses ``pieces`` more.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and what its vans use.
    van, part : int
        Row and column of ``problem.stock``.
    pieces : int
        How many more; negative: fewer.

    Returns
    -------
    int
        Pieces; negative: the shop gets some back.
    """
    over = routes.used[van, part] - problem.stock[van, part]
    return max(0, over + pieces) - max(0, over)


@leaf
def choice_fits(problem: Problem, routes: Routes, van: int, choice: int) -> bool:
    """Return whether a van can get all pieces of one choice.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and what its vans use.
    van, choice : int
        Rows of ``problem.vans`` and ``problem.choices``.

    Returns
    -------
    bool
        Whether they lie aboard, or at a shop where the van loads.
    """
    shop = len(problem.vans)
    for item in range(problem.choices[choice, 0], problem.choices[choice, 1]):
        part, pieces = problem.items[item, 0], problem.items[item, 1]
        extra = extra_from_shop(problem, routes, van, part, pieces)
        if extra > 0 and (
            problem.vans[van, LOADS] == 0
            or routes.used[shop, part] + extra > problem.stock[shop, part]
        ):
            return False
    return True


@kernel
def move_pieces(
    problem: Problem, routes: Routes, van: int, choice: int, sign: int
) -> None:
    """Take a choice's pieces for a van, or put them back.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and what its vans use; ``routes.used`` is changed.
    van, choice : int
        Rows of ``problem.vans`` and ``problem.choices``.
    sign : int
        1 takes, -1 puts back.
    """
    shop = len(problem.vans)
    for item in range(problem.choices[choice, 0], problem.choices[choice, 1]):
        part, pieces = problem.items[item, 0], sign * problem.items[item, 1]
        extra = extra_from_shop(problem, routes, van, part, pieces)
        routes.used[van, part] += pieces
        routes.used[shop, part] += extra


@kernel
def take_parts(problem: Problem, routes: Routes, van: int, call: int) -> bool:
    """Reserve a call's parts, the first choices that go together; all or nothing.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and what its vans use; ``routes.used`` and the call's rows of
        ``routes.chosen`` are changed.
    van, call : int
        Rows of ``problem.vans`` and ``problem.calls``.

    Returns
    -------
    bool
        Whether all are reserved; if not, ``routes.used`` is as it was.
    """
    first, last = problem.calls[call, NEED_LO], problem.calls[call, NEED_HI]
    need = first
    choice = problem.needs[need, 0] if need < last else 0
    while need < last:
        while choice < problem.needs[need, 1] and not choice_fits(
            problem, routes, van, choice
        ):
            choice += 1
        if choice < problem.needs[need, 1]:
            move_pieces(problem, routes, van, choice, 1)
            routes.chosen[need] = choice
            need += 1
            choice = problem.needs[need, 0] if need < last else 0
        elif need == first:
            return False
        else:  # back to the need before, and on from its choice
            need -= 1
            move_pieces(problem, routes, van, routes.chosen[need], -1)
            choice = routes.chosen[need] + 1
    return True


@kernel
def return_parts(problem: Problem, routes: Routes, van: int, call: int) -> None:
    """Give back what a call had reserved.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and what its vans use; ``routes.used`` is changed.
    van, call : int
        Rows of ``problem.vans`` and ``problem.calls``.
    """
    for need in range(problem.calls[call, NEED_LO], problem.calls[call, NEED_HI]):
        move_pieces(problem, routes, van, routes.chosen[need], -1)


@kernel
def all_parts_there(problem: Problem, routes: Routes, van: int, call: int) -> bool:
    """Return whether a van can get the parts of a call with several needs.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and what its vans use; tried out in ``routes.used``, then undone. The
        call's rows of ``routes.chosen`` are overwritten.
    van, call : int
        Rows of ``problem.vans`` and ``problem.calls``; the call is on no route.

    Returns
    -------
    bool
        Whether there are choices that go together.
    """
    there = take_parts(problem, routes, van, call)
    if there:
        return_parts(problem, routes, van, call)
    return there


@leaf
def parts_there(problem: Problem, routes: Routes, van: int, call: int) -> bool:
    """Return whether a van can get all parts of a call.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and what its vans use.
    van, call : int
        Rows of ``problem.vans`` and ``problem.calls``; the call is on no route.

    Returns
    -------
    bool
        Also true for a call that needs none.
    """
    first, last = problem.calls[call, NEED_LO], problem.calls[call, NEED_HI]
    if last - first > 1:
        return all_parts_there(problem, routes, van, call)
    there = last == first
    if not there:
        for choice in range(problem.needs[first, 0], problem.needs[first, 1]):
            there = there or choice_fits(problem, routes, van, choice)
    return there


@kernel
def added_time(
    problem: Problem,
    routes: Routes,
    van: int,
    spot: int,
    free: tuple[int, int, int],
) -> int:
    """Return what a later return costs when a call is put before stop ``spot``.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The search.
    van, spot : int
        The route and the position.
    free : tuple of int
        When the van is free after the new call, break due and break done, and the
        new call.

    Returns
    -------
    int
        Cost units of paid time and overtime, more than before.
    """
    due_s, done_s, origin = free
    times = (due_s, done_s)
    for index in range(spot, routes.facts[van, SIZE]):
        call = routes.order[van, index]
        times = serve(problem, van, times, (origin, call))
        if (
            times[0] == routes.labels[van, index + 1, FREE_DUE]
            and times[1] == routes.labels[van, index + 1, FREE_DONE]
        ):
            return 0  # a wait has swallowed the delay
        origin = call
    back_s = back_at(problem, van, times, origin)
    return price(problem, van, 0, back_s) - price(
        problem, van, 0, routes.facts[van, BACK]
    )


@leaf
def fits_before(
    problem: Problem,
    van: int,
    free: tuple[int, int],
    leg: tuple[int, int],
    latest: tuple[int, int],
) -> bool:
    """Return whether a van free at the new call still reaches what follows in time.

    Parameters
    ----------
    problem : Problem
        The day.
    van : int
        Row of ``problem.vans``.
    free : tuple of int
        When it is free at the new call, break due and break done; ``NEVER``: cannot be.
    leg : tuple of int
        The new call and the node that follows.
    latest : tuple of int
        Latest arrivals there, break due and break done; negative: none.

    Returns
    -------
    bool
        With the break taken on the way where that helps.
    """
    call, target = leg
    if free[1] < NEVER and arrive(problem, free[1], call, target) <= latest[1]:
        return True
    return free[0] < NEVER and (
        arrive(problem, free[0], call, target) <= latest[0]
        or arrive(problem, rested(problem, van, free[0]), call, target) <= latest[1]
    )


@leaf
def next_blink(rng: np.random.Generator) -> int:
    """Return how many places are looked at until one is skipped.

    Parameters
    ----------
    rng : numpy.random.Generator
        Gives one number.

    Returns
    -------
    int
        At least 1, ``1 / BLINK`` on average.
    """
    return 1 + int(np.log(1.0 - rng.random()) / np.log(1.0 - BLINK))


@kernel
def cheapest_place(
    problem: Problem, memory: Memory, rng: np.random.Generator, call: int
) -> tuple[int, int]:
    """Find a call's cheapest place on all routes.

    Parameters
    ----------
    problem, memory, rng : Problem, Memory, numpy.random.Generator
        The search; ``memory.now`` is looked at.
    call : int
        The call.

    Returns
    -------
    tuple of int
        Van and position; -1 where there is none.
    """
    routes = memory.now
    vans, labels, order, facts = problem.vans, routes.labels, routes.order, routes.facts
    seen = memory.seen
    bar = HUGE
    best_van, best_spot = -1, -1
    count = problem.calls[call, WINDOWS]
    last_start = problem.calls[call, WINDOW + 2 * count - 1] if count > 0 else -1
    for van in range(len(vans)):
        if problem.allowed[van, call] == 0:
            continue
        size = facts[van, SIZE]
        twin = vans[van, TWIN]
        if size == 0 and twin < van and facts[twin, SIZE] == 0:
            continue
        # A route this round has not touched is as it was when last looked at.
        same = memory.touched[van] == 0
        if same and seen[van, call, 0] == facts[van, VERSION]:
            if seen[van, call, 1] < bar and parts_there(problem, routes, van, call):
                bar, best_van, best_spot = seen[van, call, 1], van, seen[van, call, 2]
            continue
        here, spot = (HUGE if same else bar), -1
        m_units = vans[van, M_UNITS]
        timed = vans[van, S_UNITS] > 0 or vans[van, OVER_UNITS] > 0
        origin = vans[van, START]
        for index in range(size + 1):
            free = (labels[van, index, FREE_DUE], labels[van, index, FREE_DONE])
            if min(free[0], free[1]) > last_start:
                break
            target = order[van, index] if index < size else vans[van, FINISH]
            if not same:
                memory.score[BLINK_IN] -= 1
                if memory.score[BLINK_IN] <= 0:
                    memory.score[BLINK_IN] = next_blink(rng)
                    origin = target
                    continue
            more_m = gap_m(problem, origin, call) + gap_m(problem, call, target)
            if size > 0:
                more_m -= gap_m(problem, origin, target)
            added = more_m * m_units
            if added < here:
                free = serve(problem, van, free, (origin, call))
                latest = (
                    labels[van, index, LATEST_DUE],
                    labels[van, index, LATEST_DONE],
                )
                if fits_before(problem, van, free, (call, target), latest):
                    if timed:
                        added += added_time(
                            problem, routes, van, index, (free[0], free[1], call)
                        )
                    if added < here:
                        here, spot = added, index
            origin = target
        if same:
            seen[van, call, 0] = facts[van, VERSION]
            seen[van, call, 1] = here
            seen[van, call, 2] = spot
        if here < bar and parts_there(problem, routes, van, call):
            bar, best_van, best_spot = here, van, spot
    return best_van, best_spot


@kernel
def insert(problem: Problem, routes: Routes, van: int, spot: int, call: int) -> None:
    """Put a call on a route and reserve its parts.

    Parameters
    ----------
    problem : Problem
        The day.
    routes : Routes
        Changed in place.
    van, spot, call : int
        The route, the position the call gets, and the call; :func:`cheapest_place`
        has found that they go together.
    """
    take_parts(problem, routes, van, call)
    put_in(problem, routes, van, spot, call)


@kernel
def ruin(problem: Problem, memory: Memory, rng: np.random.Generator) -> int:
    """Take strings of calls out of ``memory.now``; return how many calls wait.

    Parameters
    ----------
    problem, memory, rng : Problem, Memory, numpy.random.Generator
        The search.

    Returns
    -------
    int
        Filled cells of ``memory.queue``: calls that were left out before (at most
        ``RETRIED`` of them) and those taken out now; -1 if a route without its
        string breaks a rule (a travel table in which detours are short cuts).
    """
    routes = memory.now
    count = len(problem.calls)
    waiting = 0
    on_routes = 0
    for call in range(count):
        if routes.van_of[call] < 0:
            memory.queue[waiting] = call
            waiting += 1
        else:
            on_routes += 1
    while waiting > RETRIED:  # drop random ones from this round
        index = int(rng.random() * waiting)
        waiting -= 1
        memory.queue[index] = memory.queue[waiting]
    vans_out = 0
    for van in range(len(problem.vans)):
        memory.touched[van] = 0
        if routes.facts[van, SIZE] > 0:
            vans_out += 1
    if vans_out == 0:
        return waiting
    longest = min(STRING_MAX, on_routes / vans_out)
    most_strings = 4.0 * REMOVED_MEAN / (1.0 + longest) - 1.0
    strings = int(rng.random() * most_strings + 1.0)
    whole = rng.random() < WHOLE
    if whole:
        strings = 1
    centre = int(rng.random() * count)
    for near in range(count):
        if strings <= 0:
            break
        call = problem.near[centre, near]
        van = routes.van_of[call]
        if van < 0 or memory.touched[van] == 1:
            continue
        length = routes.facts[van, SIZE]
        if not whole:
            length = int(rng.random() * min(float(length), longest) + 1.0)
        waiting = cut_string(problem, memory, rng, waiting, (call, length))
        memory.touched[van] = 1
        strings -= 1
        if not time_route(problem, routes, van):
            return -1
    return waiting


@kernel
def cut_string(
    problem: Problem,
    memory: Memory,
    rng: np.random.Generator,
    waiting: int,
    what: tuple[int, int],
) -> int:
    """Remove one string around a call; return the new length of the queue.

    Parameters
    ----------
    problem, memory, rng : Problem, Memory, numpy.random.Generator
        The search; calls move from ``memory.now`` to the end of ``memory.queue``. The
        route is not timed anew.
    waiting : int
        Filled cells of the queue.
    what : tuple of int
        A call on a route, and how many to remove: 1 to the route's size.

    Returns
    -------
    int
        ``waiting`` and those removed.
    """
    call, removed = what
    routes = memory.now
    van = routes.van_of[call]
    size = routes.facts[van, SIZE]
    kept = 0
    if removed > 1 and removed < size and rng.random() < SPLIT_SHARE:
        kept = 1
        while removed + kept < size and rng.random() < KEPT_GROWTH:
            kept += 1
    span = removed + kept
    place = routes.place_of[call]
    low = max(0, place - span + 1)
    high = min(place, size - span)
    first = low + int(rng.random() * (high - low + 1))
    gap = first + removed
    if kept > 0:
        gap = first + 1 + int(rng.random() * (removed - 1))
    write = first
    for index in range(first, size):
        other = routes.order[van, index]
        if index >= first + span or gap <= index < gap + kept:
            routes.order[van, write] = other
            write += 1
        else:
            return_parts(problem, routes, van, other)
            routes.van_of[other] = -1
            memory.queue[waiting] = other
            waiting += 1
    routes.facts[van, SIZE] = write
    return waiting


@kernel
def sort_queue(
    problem: Problem, memory: Memory, rng: np.random.Generator, waiting: int
) -> None:
    """Order the waiting calls by one of the paper's orders, drawn anew each round.

    Parameters
    ----------
    problem, memory, rng : Problem, Memory, numpy.random.Generator
        The search; ``memory.queue`` and ``memory.key`` are changed.
    waiting : int
        Filled cells of the queue.
    """
    calls = problem.calls
    draw = rng.random() * 17.0
    for index in range(waiting):
        call = memory.queue[index]
        final = WINDOW + 2 * max(0, calls[call, WINDOWS] - 1) + 1
        first, last = float(calls[call, WINDOW]), float(calls[call, final])
        if draw < 4.0:  # noqa: PLR2004 - weights 4 4 2 1 2 2 2
            key = rng.random() - float(calls[call, WEIGHT])
        elif draw < 8.0:  # noqa: PLR2004
            key = -float(calls[call, DEMAND]) + 0.5 * rng.random()
        elif draw < 10.0:  # noqa: PLR2004
            key = -float(calls[call, REACH])
        elif draw < 11.0:  # noqa: PLR2004
            key = float(calls[call, REACH])
        elif draw < 13.0:  # noqa: PLR2004
            key = last - first
        elif draw < 15.0:  # noqa: PLR2004
            key = first
        else:
            key = -last
        place = index
        while place > 0 and memory.key[place - 1] > key:
            memory.key[place] = memory.key[place - 1]
            memory.queue[place] = memory.queue[place - 1]
            place -= 1
        memory.key[place] = key
        memory.queue[place] = call


@kernel
def recreate(
    problem: Problem, memory: Memory, rng: np.random.Generator, waiting: int
) -> None:
    """Put the waiting calls back, each at its cheapest place, in queue order.

    Parameters
    ----------
    problem, memory, rng : Problem, Memory, numpy.random.Generator
        The search; ``memory.now`` and ``memory.touched`` are changed. A call that fits
        nowhere stays out.
    waiting : int
        Filled cells of ``memory.queue``.
    """
    routes = memory.now
    for index in range(waiting):
        call = memory.queue[index]
        best_van, best_spot = cheapest_place(problem, memory, rng, call)
        if best_van >= 0:
            insert(problem, routes, best_van, best_spot, call)
            memory.touched[best_van] = 1


@leaf
def swap_pays(
    problem: Problem,
    memory: Memory,
    vans: tuple[int, int],
    cuts: tuple[int, int],
    allowance: float,
) -> bool:
    """Return whether two vans that are alike can swap tails, and cheaply enough.

    Parameters
    ----------
    problem, memory : Problem, Memory
        The search; ``memory.now`` is looked at.
    vans : tuple of int
        Two vans with one TWIN.
    cuts : tuple of int
        Position of the first call that leaves each route; the first cut is behind a
        call, the second before one.
    allowance : float
        Cost units the swap may add; only kilometres are reckoned here.

    Returns
    -------
    bool
        Certain as to time, parts not looked at.
    """
    routes = memory.now
    labels, order, sizes = routes.labels, routes.order, routes.facts
    van, other = vans
    here, there = order[van, cuts[0] - 1], order[other, cuts[1]]
    ends = cuts[0] == sizes[van, SIZE]
    after = problem.vans[van, FINISH] if ends else order[van, cuts[0]]
    before = order[other, cuts[1] - 1] if cuts[1] > 0 else problem.vans[other, START]
    if problem.vans[van, S_UNITS] == 0 and problem.vans[van, OVER_UNITS] == 0:
        more_m = gap_m(problem, here, there)
        more_m -= gap_m(problem, here, after) + gap_m(problem, before, there)
        if cuts[1] > 0 or not ends:  # else the other van stays in
            more_m += gap_m(problem, before, after)
        if more_m * problem.vans[van, M_UNITS] >= allowance:
            return False
    fits = True
    for turn in range(2):  # a loop, so that the test is compiled in once
        giver, taker = (van, other) if turn == 0 else (other, van)
        here_cut, there_cut = (cuts[0], cuts[1]) if turn == 0 else (cuts[1], cuts[0])
        leg = (here, there) if turn == 0 else (before, after)
        free = (labels[giver, here_cut, FREE_DUE], labels[giver, here_cut, FREE_DONE])
        latest = (
            labels[taker, there_cut, LATEST_DUE],
            labels[taker, there_cut, LATEST_DONE],
        )
        fits = fits and fits_before(problem, van, free, leg, latest)
    return fits


@leaf
def tail_allowed(
    problem: Problem, routes: Routes, van: int, cut: int, other: int
) -> bool:
    """Return whether another van may serve all calls of a route from a position on.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The search.
    van, cut : int
        The route and the position.
    other : int
        The van that would take over.

    Returns
    -------
    bool
        As ``problem.allowed`` has it, call by call.
    """
    for index in range(cut, routes.facts[van, SIZE]):
        if problem.allowed[other, routes.order[van, index]] == 0:
            return False
    return True


@kernel
def exchange(
    problem: Problem, memory: Memory, vans: tuple[int, int], cuts: tuple[int, int]
) -> bool:
    """Swap the tails of two routes in ``memory.now``.

    Parameters
    ----------
    problem, memory : Problem, Memory
        The search.
    vans, cuts : tuple of int
        The routes, and the position of the first call that leaves each.

    Returns
    -------
    bool
        False where parts or times do not allow it: both routes are then to be
        copied back from ``memory.kept``.
    """
    routes = memory.now
    order, facts = routes.order, routes.facts
    van, other = vans
    memory.touched[van] = 1
    memory.touched[other] = 1
    given, taken = facts[van, SIZE] - cuts[0], facts[other, SIZE] - cuts[1]
    for index in range(given):
        return_parts(problem, routes, van, order[van, cuts[0] + index])
        memory.queue[index] = order[van, cuts[0] + index]
    for index in range(taken):
        return_parts(problem, routes, other, order[other, cuts[1] + index])
        order[van, cuts[0] + index] = order[other, cuts[1] + index]
    for index in range(given):
        order[other, cuts[1] + index] = memory.queue[index]
    facts[van, SIZE] = cuts[0] + taken
    facts[other, SIZE] = cuts[1] + given
    for index in range(taken):
        if not take_parts(problem, routes, van, order[van, cuts[0] + index]):
            return False
    for index in range(given):
        if not take_parts(problem, routes, other, order[other, cuts[1] + index]):
            return False
    return time_route(problem, routes, van) and time_route(problem, routes, other)


@kernel
def swap_tails(
    problem: Problem, memory: Memory, rng: np.random.Generator, allowance: float
) -> bool:
    """Let two vans swap what follows two neighbouring calls of their routes.

    Parameters
    ----------
    problem, memory, rng : Problem, Memory, numpy.random.Generator
        The search; ``memory.now`` and ``memory.touched`` are changed.
    allowance : float
        Cost units the swap may add.

    Returns
    -------
    bool
        Whether a swap was made that can be driven.
    """
    routes = memory.now
    count = len(problem.calls)
    for van in range(len(problem.vans)):
        memory.touched[van] = 0
    for _ in range(TRIES if count > 1 else 0):
        call = int(rng.random() * count)
        rank = 1 + int(rng.random() * min(NEXT_TO, count - 1))
        neighbour = problem.near[call, rank]
        vans = (routes.van_of[call], routes.van_of[neighbour])
        if vans[0] < 0 or vans[1] < 0 or vans[0] == vans[1]:
            continue
        cuts = (routes.place_of[call] + 1, routes.place_of[neighbour])
        if problem.vans[vans[0], TWIN] == problem.vans[vans[1], TWIN]:
            if not swap_pays(problem, memory, vans, cuts, allowance):
                continue
        elif not (
            tail_allowed(problem, routes, vans[0], cuts[0], vans[1])
            and tail_allowed(problem, routes, vans[1], cuts[1], vans[0])
        ):
            continue
        return exchange(problem, memory, vans, cuts)
    return False


@kernel
def copy_route(source: Routes, target: Routes, van: int) -> None:
    """Copy one van's row of everything.

    Parameters
    ----------
    source, target : Routes
        From and to: its calls, labels, facts and pieces.
    van : int
        The row.
    """
    size = source.facts[van, SIZE]
    for index in range(size):
        target.order[van, index] = source.order[van, index]
    for index in range(size + 1):
        for column in range(4):
            target.labels[van, index, column] = source.labels[van, index, column]
    for column in range(5):
        target.facts[van, column] = source.facts[van, column]
    for part in range(source.used.shape[1]):
        target.used[van, part] = source.used[van, part]


@kernel
def copy_rest(source: Routes, target: Routes) -> None:
    """Copy what does not belong to one van.

    Parameters
    ----------
    source, target : Routes
        From and to: ``van_of``, ``place_of``, ``chosen`` and the shop's pieces.
    """
    for call in range(len(source.van_of)):
        target.van_of[call] = source.van_of[call]
        target.place_of[call] = source.place_of[call]
    for need in range(len(source.chosen)):
        target.chosen[need] = source.chosen[need]
    shop = len(source.order)
    for part in range(source.used.shape[1]):
        target.used[shop, part] = source.used[shop, part]


@kernel
def remember(problem: Problem, memory: Memory) -> None:
    """Put the routes touched in this round into the pool, as far as there is room.

    Parameters
    ----------
    problem : Problem
        The day.
    memory : Memory
        Routes of ``kept`` go to ``pool``, unless their set of calls was put there of
        late; ``score[POOLED]`` counts them.
    """
    pool, score, kept = memory.pool, memory.score, memory.kept
    for van in range(len(problem.vans)):
        row = score[POOLED]
        size = kept.facts[van, SIZE]
        if memory.touched[van] == 0 or size == 0 or row == len(pool):
            continue
        mark = van * (1 << 40)
        for index in range(size):
            mark += memory.marks[kept.order[van, index]]
        cell = mark & (RECENT - 1)
        if memory.recent[cell] == mark:
            continue
        memory.recent[cell] = mark
        pool[row, POOL_VAN] = van
        pool[row, POOL_MONEY] = kept.facts[van, MONEY]
        pool[row, POOL_SIZE] = size
        for index in range(size):
            pool[row, POOL_CALLS + index] = kept.order[van, index]
        score[POOLED] = row + 1


@kernel
def search(
    problem: Problem,
    memory: Memory,
    rng: np.random.Generator,
    rounds: int,
    heat: tuple[float, float],
) -> None:
    """Run some rounds: ruin and recreate, or a swap of tails.

    Parameters
    ----------
    problem : Problem
        The day.
    memory : Memory
        Changed in place.
    rng : numpy.random.Generator
        The only source of chance.
    rounds : int
        How many.
    heat : tuple of float
        Temperature (cost units) at the first and after the last of these rounds.
    """
    vans = len(problem.vans)
    cooling = (heat[1] / heat[0]) ** (1.0 / max(1, rounds))
    temperature = heat[0]
    score = memory.score
    for _ in range(rounds):
        temperature *= cooling
        allowance = -temperature * np.log(1.0 - rng.random())
        if rng.random() < TAILS:
            driveable = swap_tails(problem, memory, rng, allowance)
        else:
            waiting = ruin(problem, memory, rng)
            driveable = waiting >= 0
            if driveable:
                sort_queue(problem, memory, rng, waiting)
                recreate(problem, memory, rng, waiting)
        better = False
        accepted = False
        left_out, money = 0, score[NOW_MONEY]
        if driveable:
            for call in range(len(problem.calls)):
                if memory.now.van_of[call] < 0:
                    left_out += problem.calls[call, WEIGHT]
            for van in range(vans):
                if memory.touched[van] == 1:
                    money += (
                        memory.now.facts[van, MONEY] - memory.kept.facts[van, MONEY]
                    )
            better = left_out < score[BEST_LEFT] or (
                left_out == score[BEST_LEFT] and money < score[BEST_MONEY]
            )
            accepted = left_out < score[NOW_LEFT] or (
                left_out == score[NOW_LEFT] and money < score[NOW_MONEY] + allowance
            )
        if accepted:
            for van in range(vans):
                if memory.touched[van] == 1:
                    memory.now.facts[van, VERSION] += 1
                    copy_route(memory.now, memory.kept, van)
            copy_rest(memory.now, memory.kept)
            score[NOW_LEFT], score[NOW_MONEY] = left_out, money
            if left_out <= score[BEST_LEFT] and (
                money < POOL_WITHIN * score[BEST_MONEY] or better
            ):
                remember(problem, memory)
            if better:
                for van in range(vans):
                    copy_route(memory.now, memory.best, van)
                copy_rest(memory.now, memory.best)
                score[BEST_LEFT], score[BEST_MONEY] = left_out, money
        else:
            for van in range(vans):
                if memory.touched[van] == 1:
                    copy_route(memory.kept, memory.now, van)
            copy_rest(memory.kept, memory.now)
