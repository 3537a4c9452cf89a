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
    BROKEN,
    CALL,
    CREW,
    DEMAND,
    FIRST,
    GAP_HI,
    GAP_LO,
    HOLDER,
    LENGTH,
    LINK,
    LOADS,
    M_UNITS,
    NEED_HI,
    NEED_LO,
    NEVER,
    NEXT,
    NODE,
    OVER_UNITS,
    REACH,
    S_UNITS,
    SAME_VAN,
    STORE_ROW,
    STORE_VISIT,
    THEN,
    TWIN,
    UNITS,
    WEIGHT,
    WINDOW,
    WINDOWS,
    Futures,
    Problem,
)
from dispatch.search._jit import entry, kernel, leaf
from dispatch.search.risk import expect
from dispatch.search.schedule import (
    BACK,
    FREE_DONE,
    FREE_DUE,
    LATE,
    LATEST_DONE,
    LATEST_DUE,
    MONEY,
    PARTS,
    RISK,
    SIZE,
    STOPS,
    VERSION,
    Routes,
    arrive,
    back_at,
    earliest,
    empty_routes,
    gap_m,
    limited,
    price,
    put_in,
    rested,
    serve,
    time_route,
    within_limits,
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
SHY = (
    0.2  # rounds that put nothing on one van, where the risk is priced: insertion does
)
# not see it, and would never leave the van that is cheapest (keyround's own addition)
RETRIED = 10  # left-out calls tried again in one round
POOL_ROWS = 3_000  # routes remembered, the newest
RECENT = 1 << 13  # cells
POOL_WITHIN = 1.02  # only those of solutions this close to the best
HUGE = 1 << 62  # cost units above any route

# cells of Memory.score
NOW_LEFT, NOW_MONEY, BEST_LEFT, BEST_MONEY, BLINK_IN, POOLED = range(6)
# columns of Memory.pool, then the visits in order
POOL_VAN, POOL_MONEY, POOL_SIZE, POOL_MARK, POOL_VISITS = range(5)


class Notes(NamedTuple):
    """What a round looks at beside the routes it changes.

    A compiled function is handed every word of its arrays at each call, and compiles as
    long: what a round does not need stays out of its sight.

    Parameters
    ----------
    score : ndarray, shape (6,)
        What ``kept`` and ``best`` leave out and cost, places until the next blink,
        and routes written to ``pool`` so far.
    touched : ndarray, shape (vans,)
        1 for routes changed in this round.
    barred : ndarray, shape (vans,)
        1 for routes whose limits the call at hand would break.
    seen : ndarray, shape (visits, vans, 4)
        For each call, in the row of its first way, and each kept route: the route's
        VERSION when last looked at, the cost units the call would add there (``HUGE``:
        it does not fit), where, and in which way. Ways that break its promise are
        looked at apart, in the row of the first of them.
    detours : ndarray, shape (visits, vans, stores, 5)
        The same with a stop at a store before: VERSION, cost units without the parts',
        where once the stop is in, position of a new stop (-1: the route has one), way.
    queue : ndarray, shape (calls,)
        Calls out of the routes in this round.
    key : ndarray, shape (calls,)
        Sort keys of the queue; later the turn in which each has its try.
    ways : ndarray, shape (vans, visits)
        The first visit that the van may make of this one and those behind it in NEXT;
        -1: none.
    """

    score: NDArray[np.int64]
    touched: NDArray[np.int64]
    barred: NDArray[np.int64]
    seen: NDArray[np.int64]
    detours: NDArray[np.int64]
    queue: NDArray[np.int64]
    key: NDArray[np.float64]
    ways: NDArray[np.int64]


class Memory(NamedTuple):
    """Everything one search carries from round to round.

    Parameters
    ----------
    now, kept, best : Routes
        The solution being changed, the one to fall back on, and the best so far.
    notes : Notes
        What it looks at when it seeks a place.
    pool : ndarray, shape (rows, 4 + calls + stores)
        Routes of good solutions, round and round: the newest replace the oldest.
        POOL_VAN is the first van that is alike.
    marks : ndarray, shape (visits,)
        A random number for each visit; their sum stands for a set of them.
    recent : ndarray, shape (power of two, 2)
        Sums of sets put into the pool of late, and their rows, each in the cell its
        last bits name.
    """

    now: Routes
    kept: Routes
    best: Routes
    notes: Notes
    pool: NDArray[np.int64]
    marks: NDArray[np.int64]
    recent: NDArray[np.int64]

    @property
    def score(self) -> NDArray[np.int64]:
        """What the search holds and has found.

        Returns
        -------
        ndarray, shape (6,)
            Of ``notes``.
        """
        return self.notes.score


def new_memory(problem: Problem, pool_rows: int = POOL_ROWS) -> Memory:
    """Return the memory of a search that has placed nothing yet.

    Parameters
    ----------
    problem : Problem
        The day.
    pool_rows : int
        How many routes to remember, at least one.

    Returns
    -------
    Memory
        Labels of the empty routes worked out.
    """
    calls, vans = problem.call_count, len(problem.vans)
    memory = Memory(
        now=empty_routes(problem),
        kept=empty_routes(problem),
        best=empty_routes(problem),
        notes=new_notes(problem, ways_of(problem)),
        pool=np.zeros((pool_rows, POOL_VISITS + calls + len(problem.stores)), np.int64),
        marks=np.random.default_rng(0).integers(1 << 40, size=len(problem.visits)),
        recent=np.full((RECENT, 2), -1, np.int64),
    )
    left_out = int(memory.now.left[0])
    memory.score[:] = (left_out, 0, left_out, 0, 1, 0)
    for van in range(vans):
        time_route(problem, memory.now, van)
        time_route(problem, memory.kept, van)
        time_route(problem, memory.best, van)
    return memory


def new_notes(problem: Problem, ways: NDArray[np.int64]) -> Notes:
    """Return the notes of a search that has looked at nothing yet.

    Parameters
    ----------
    problem : Problem
        The day.
    ways : ndarray
        What :func:`ways_of` returns for it.

    Returns
    -------
    tuple
        :class:`Notes`, its score 0.
    """
    calls, vans = problem.call_count, len(problem.vans)
    return Notes(
        score=np.zeros(6, np.int64),
        touched=np.zeros(vans, np.int64),
        barred=np.zeros(vans, np.int64),
        seen=np.full((len(problem.visits), vans, 4), -1, np.int64),
        detours=np.full(
            (len(problem.visits), vans, len(problem.stores), 5), -1, np.int64
        ),
        queue=np.zeros(max(1, calls), np.int64),
        key=np.zeros(max(1, calls), np.float64),
        ways=ways,
    )


def ways_of(problem: Problem) -> NDArray[np.int64]:
    """Return the first visit that a van may make of each and those behind it.

    Parameters
    ----------
    problem : Problem
        The day; its windows do not matter.

    Returns
    -------
    ndarray, shape (vans, visits + 1)
        ``ways`` of :class:`Notes`.
    """
    vans, visits = problem.allowed.shape
    ways = np.full((vans, visits + 1), -1)  # the last column: nothing behind
    ways[:, :-1] = np.where(problem.allowed == 1, np.arange(visits), -1)
    behind = np.append(problem.visits[:, NEXT], -1)
    while (behind >= 0).any():  # two rows of a call are looked at, then four, eight
        ways = np.where(ways < 0, ways[:, behind], ways)
        behind = np.where(behind < 0, -1, behind[behind])
    return ways[:, :-1].copy()


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
        Row of ``problem.vans``, column of ``problem.stock``.
    pieces : int
        How many more; negative: fewer.

    Returns
    -------
    int
        Pieces; negative: the shop gets some back. Of a shared tool one is enough.
    """
    if problem.reused[part] == 1:
        over = routes.used[van, part] - problem.stock[van, part]
        return min(1, max(0, over + pieces)) - min(1, max(0, over))
    row = problem.vans[van, HOLDER]
    over = routes.used[row, part] - problem.stock[row, part]
    return max(0, over + pieces) - max(0, over)


@leaf
def choice_fits(problem: Problem, routes: Routes, van: int, choice: int) -> bool:
    """Return whether a van can get all pieces of one choice before it leaves.

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


@leaf
def move_pieces(
    problem: Problem, routes: Routes, van: int, choice: int, sign: int
) -> None:
    """Take a choice's pieces for a van, or put them back.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and what its vans use; ``routes.used`` and PARTS are changed. Pieces
        that ``routes.fetched`` names come from a store on the way.
    van, choice : int
        Rows of ``problem.vans`` and ``problem.choices``.
    sign : int
        1 takes, -1 puts back.
    """
    shop = len(problem.vans)
    for item in range(problem.choices[choice, 0], problem.choices[choice, 1]):
        part = problem.items[item, 0]
        pieces = sign * (problem.items[item, 1] - routes.fetched[item])
        extra = extra_from_shop(problem, routes, van, part, pieces)
        row = van if problem.reused[part] == 1 else problem.vans[van, HOLDER]
        routes.used[row, part] += pieces
        routes.used[shop, part] += extra
    routes.facts[van, PARTS] += sign * problem.extra[choice]


@kernel
def take_parts(problem: Problem, routes: Routes, van: int, call: int) -> bool:
    """Reserve a call's parts, the first choices that go together; all or nothing.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and what its vans use; ``routes.used``, PARTS and the call's rows of
        ``routes.chosen`` are changed.
    van, call : int
        Rows of ``problem.vans`` and ``problem.visits``.

    Returns
    -------
    bool
        Whether all are reserved; if not, ``routes.used`` is as it was.
    """
    first, last = problem.visits[call, NEED_LO], problem.visits[call, NEED_HI]
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


@leaf
def missing(problem: Problem, routes: Routes, van: int, item: int) -> int:
    """Return how many pieces of an item a van cannot get before it leaves.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and what its vans use.
    van, item : int
        Rows of ``problem.vans`` and ``problem.items``.

    Returns
    -------
    int
        0 to all of them.
    """
    part, pieces = problem.items[item, 0], problem.items[item, 1]
    shop = len(problem.vans)
    extra = extra_from_shop(problem, routes, van, part, pieces)
    left = 0
    if problem.vans[van, LOADS] == 1:
        left = problem.stock[shop, part] - routes.used[shop, part]
    return max(0, extra - left)


@kernel
def choice_fetched(
    problem: Problem, routes: Routes, van: int, choice: int, store: int
) -> int:
    """Return what a choice costs extra when a store gives what the van lacks.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and what its vans use.
    van, choice, store : int
        Rows of ``problem.vans``, ``problem.choices`` and ``problem.stores``.

    Returns
    -------
    int
        Cost units; ``HUGE``: not to be had there either.
    """
    row = problem.stores[store, STORE_ROW]
    units = problem.extra[choice]
    for item in range(problem.choices[choice, 0], problem.choices[choice, 1]):
        part = problem.items[item, 0]
        lacking = missing(problem, routes, van, item)
        if lacking > 0 and (
            problem.reused[part] == 1
            # What the shop has a van that loads there takes in the morning.
            or (row == len(problem.vans) and problem.vans[van, LOADS] == 1)
            or routes.used[row, part] + lacking > problem.stock[row, part]
        ):
            return HUGE
        units += lacking * problem.markup[store, part]
    return units


@kernel
def fetch_parts(
    problem: Problem, routes: Routes, van: int, call: int, store: int
) -> int:
    """Reserve a call's parts, as far as they lack from a store; all or nothing.

    Each need takes its cheapest choice, one need after the other.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and what its vans use; ``used``, ``fetched``, ``store_of``, PARTS and
        ``chosen`` are changed.
    van, call, store : int
        Rows of ``problem.vans``, ``problem.visits`` and ``problem.stores``.

    Returns
    -------
    int
        Extra cost units; ``HUGE``: it cannot be, and all is as it was.
    """
    first, last = problem.visits[call, NEED_LO], problem.visits[call, NEED_HI]
    row = problem.stores[store, STORE_ROW]
    before = routes.facts[van, PARTS]
    routes.store_of[call] = store
    for need in range(first, last):
        units, best = HUGE, -1
        for choice in range(problem.needs[need, 0], problem.needs[need, 1]):
            here = choice_fetched(problem, routes, van, choice, store)
            if here < units:
                units, best = here, choice
        if best < 0:
            for taken in range(first, need):
                give_back(problem, routes, van, call, taken)
            routes.store_of[call] = -1
            return HUGE
        for item in range(problem.choices[best, 0], problem.choices[best, 1]):
            part = problem.items[item, 0]
            routes.fetched[item] = missing(problem, routes, van, item)
            routes.used[row, part] += routes.fetched[item]
            routes.facts[van, PARTS] += (
                routes.fetched[item] * problem.markup[store, part]
            )
        routes.chosen[need] = best
        move_pieces(problem, routes, van, best, 1)
    return routes.facts[van, PARTS] - before


@leaf
def give_back(problem: Problem, routes: Routes, van: int, call: int, need: int) -> None:
    """Give back what one need had reserved.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and what its vans use; ``used``, ``fetched`` and PARTS are changed.
    van, call, need : int
        Rows of ``problem.vans``, ``problem.visits`` and ``problem.needs``.
    """
    choice, store = routes.chosen[need], routes.store_of[call]
    move_pieces(problem, routes, van, choice, -1)
    if store < 0:
        return
    row = problem.stores[store, STORE_ROW]
    for item in range(problem.choices[choice, 0], problem.choices[choice, 1]):
        part = problem.items[item, 0]
        routes.used[row, part] -= routes.fetched[item]
        routes.facts[van, PARTS] -= routes.fetched[item] * problem.markup[store, part]
        routes.fetched[item] = 0


@kernel
def return_parts(problem: Problem, routes: Routes, van: int, call: int) -> None:
    """Give back what a call had reserved.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and what its vans use; ``used``, ``fetched``, ``store_of`` and PARTS
        are changed.
    van, call : int
        Rows of ``problem.vans`` and ``problem.visits``.
    """
    for need in range(problem.visits[call, NEED_LO], problem.visits[call, NEED_HI]):
        give_back(problem, routes, van, call, need)
    routes.store_of[call] = -1


@kernel
def price_all_parts(problem: Problem, routes: Routes, van: int, call: int) -> int:
    """Return what the parts of a call with several needs cost extra on a van.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and what its vans use; tried out in ``routes.used``, then undone. The
        call's rows of ``routes.chosen`` are overwritten.
    van, call : int
        Rows of ``problem.vans`` and ``problem.visits``; the call is on no route.

    Returns
    -------
    int
        Cost units; ``HUGE``: no choices go together.
    """
    before = routes.facts[van, PARTS]
    if not take_parts(problem, routes, van, call):
        return HUGE
    units = routes.facts[van, PARTS] - before
    return_parts(problem, routes, van, call)
    return units


@leaf
def price_parts(problem: Problem, routes: Routes, van: int, call: int) -> int:
    """Return what a call's parts cost extra on a van, without a stop on the way.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and what its vans use.
    van, call : int
        Rows of ``problem.vans`` and ``problem.visits``; the call is on no route.

    Returns
    -------
    int
        Cost units, 0 for a call that needs none; ``HUGE``: the van cannot get them.
    """
    first, last = problem.visits[call, NEED_LO], problem.visits[call, NEED_HI]
    if last - first > 1:
        return price_all_parts(problem, routes, van, call)
    units = HUGE if last > first else 0
    if last > first:
        for choice in range(problem.needs[first, 0], problem.needs[first, 1]):
            if units == HUGE and choice_fits(problem, routes, van, choice):
                units = problem.extra[choice]
    return units


@kernel
def added_time(
    problem: Problem,
    routes: Routes,
    van: int,
    spot: int,
    free: tuple[int, int, int],
) -> int:
    """Return what a later return costs when a visit is put before stop ``spot``.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The search.
    van, spot : int
        The route and the position.
    free : tuple of int
        When the van is free after the new visit, break due and break done, and the
        node of that visit.

    Returns
    -------
    int
        Cost units of paid time and overtime, more than before.
    """
    due_s, done_s, origin = free
    times = (due_s, done_s)
    for index in range(spot, routes.facts[van, SIZE]):
        visit = routes.order[van, index]
        times = serve(problem, van, times, (origin, visit))
        if (
            times[0] == routes.labels[van, index + 1, FREE_DUE]
            and times[1] == routes.labels[van, index + 1, FREE_DONE]
        ):
            return 0  # a wait has swallowed the delay
        origin = routes.nodes[van, index + 1]
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
    """Return whether a van free at one node still reaches what follows in time.

    Parameters
    ----------
    problem : Problem
        The day.
    van : int
        Row of ``problem.vans``.
    free : tuple of int
        When it is free there, break due and break done; ``NEVER``: cannot be.
    leg : tuple of int
        The node and the one that follows.
    latest : tuple of int
        Latest arrivals there, break due and break done; negative: none.

    Returns
    -------
    bool
        With the break taken on the way where that helps.
    """
    origin, target = leg
    if free[1] < NEVER and arrive(problem, free[1], origin, target) <= latest[1]:
        return True
    return free[0] < NEVER and (
        arrive(problem, free[0], origin, target) <= latest[0]
        or arrive(problem, rested(problem, van, free[0]), origin, target) <= latest[1]
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


@leaf
def place_of_visit(routes: Routes, van: int, visit: int) -> int:
    """Return where on a route a visit is; -1 if it is not there.

    Parameters
    ----------
    routes : Routes
        The search.
    van, visit : int
        Rows of ``problem.vans`` and ``problem.visits``.

    Returns
    -------
    int
        Position.
    """
    for index in range(routes.facts[van, SIZE]):
        if routes.order[van, index] == visit:
            return index
    return -1


@leaf
def following(problem: Problem, notes: Notes, van: int, visit: int) -> int:
    """Return the next way to do a call that a van may take.

    Parameters
    ----------
    problem, notes : Problem, Notes
        The search.
    van, visit : int
        Rows of ``problem.vans`` and ``problem.visits``.

    Returns
    -------
    int
        Row of ``problem.visits``, -1 for none.
    """
    after = problem.visits[visit, NEXT]
    return notes.ways[van, after] if after >= 0 else -1


@kernel
def detour_place(
    problem: Problem,
    routes: Routes,
    what: tuple[int, int, int],
    stop: tuple[int, int, int],
    bar: int,
) -> tuple[int, int, int]:
    """Find the cheapest place of a visit behind a stop at a store.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The search.
    what : tuple of int
        The van, the visit, and the first position it may have.
    stop : tuple of int
        Row of the store's visit, its position in the route (-1: it is to be put in),
        and cost units of the parts.
    bar : int
        Only what costs less is of use.

    Returns
    -------
    tuple of int
        Cost units (``bar`` where there is no place), the visit's position once the
        stop is in, and the position of a new stop (-1: it is in the route).
    """
    van, visit, low = what
    halt, halt_at, parts = stop
    vans, visits = problem.vans, problem.visits
    labels, order, nodes = routes.labels, routes.order, routes.nodes
    size = routes.facts[van, SIZE]
    node, halt_node = visits[visit, NODE], visits[halt, NODE]
    m_units = vans[van, M_UNITS]
    base = parts + visits[visit, UNITS]
    last_start = -1  # windows of linked calls may be void, the last ones too
    for index in range(visits[visit, WINDOWS]):
        last_start = max(last_start, visits[visit, WINDOW + 2 * index + 1])
    best, best_spot, best_halt = bar, -1, -1
    # With the stop in the route there is one way to begin, otherwise one per position.
    first = max(halt_at, 0)
    last = halt_at if halt_at >= 0 else size
    for begin in range(first, last + 1):
        begun = base
        begin_at = begin
        free = (labels[van, begin, FREE_DUE], labels[van, begin, FREE_DONE])
        if halt_at < 0:
            before, after = nodes[van, begin], nodes[van, begin + 1]
            more_m = gap_m(problem, before, halt_node)
            more_m += gap_m(problem, halt_node, after)
            if size > 0:
                more_m -= gap_m(problem, before, after)
            begun += more_m * m_units
            if begun >= best:
                continue
            free = serve(problem, van, free, (before, halt))
        else:
            begin_at += 1
            free = (labels[van, begin_at, FREE_DUE], labels[van, begin_at, FREE_DONE])
        origin = halt_node
        for index in range(begin_at, size + 1):
            if min(free[0], free[1]) > last_start:
                break
            target = nodes[van, index + 1]
            latest = (labels[van, index, LATEST_DUE], labels[van, index, LATEST_DONE])
            if index >= low:
                metres = gap_m(problem, origin, node) + gap_m(problem, node, target)
                added = begun + (metres - gap_m(problem, origin, target)) * m_units
                there = (NEVER, NEVER)
                if added < best:
                    there = serve(problem, van, free, (origin, visit))
                if fits_before(problem, van, there, (node, target), latest):
                    added += added_time(
                        problem, routes, van, index, (there[0], there[1], node)
                    )
                    if added < best:
                        best = added
                        best_spot = index + (halt_at < 0)
                        best_halt = -1 if halt_at >= 0 else begin
            if index == size or (
                # With the stop, what follows is late even without the visit.
                halt_at < 0
                and not fits_before(problem, van, free, (origin, target), latest)
            ):
                break
            free = serve(problem, van, free, (origin, order[van, index]))
            origin = target
    return best, best_spot, best_halt


@kernel
def fetch_place(
    problem: Problem,
    routes: Routes,
    notes: Notes,
    what: tuple[int, int, int, bool],
    bar: int,
) -> tuple[int, int, int, int, int]:
    """Find the cheapest place of a call whose parts must be fetched on the way.

    Parameters
    ----------
    problem, routes, notes : Problem, Routes, Notes
        The search; tried out, then undone. What is found in ``detours`` is used.
    what : tuple
        The van, the first of the call's ways to look at, the first position it may
        have, and whether the route is as it was when last kept and nothing binds the
        call.
    bar : int
        Only what costs less is of use.

    Returns
    -------
    tuple of int
        Cost units (``bar`` where there is no place), the visit's position, its row,
        row of ``problem.stores``, and the position of a new stop (-1: it is in the
        route).
    """
    van, way, low, same = what
    visits, detours = problem.visits, notes.detours
    call, version = visits[way, CALL], routes.facts[van, VERSION]
    best = (bar, -1, -1, -1, -1)
    for store in range(len(problem.stores)):
        parts = fetch_parts(problem, routes, van, call, store)
        if parts >= HUGE:
            continue
        return_parts(problem, routes, van, call)
        here, spot, begin, how = (HUGE if same else best[0] - parts), -1, -1, -1
        if same and detours[way, van, store, 0] == version:
            here, spot = detours[way, van, store, 1], detours[way, van, store, 2]
            begin, how = detours[way, van, store, 3], detours[way, van, store, 4]
        else:
            halt = problem.stores[store, STORE_VISIT]
            at = place_of_visit(routes, van, halt)
            visit = notes.ways[van, way]
            while visit >= 0 and visits[visit, BROKEN] == visits[way, BROKEN]:
                if visits[visit, UNITS] >= here:
                    break  # the ways to come cost more than a place found
                units, where, first = detour_place(
                    problem, routes, (van, visit, low), (halt, at, 0), here
                )
                if units < here:
                    here, spot, begin, how = units, where, first, visit
                visit = following(problem, notes, van, visit)
            if same:
                detours[way, van, store, 0] = version
                detours[way, van, store, 1] = here
                detours[way, van, store, 2] = spot
                detours[way, van, store, 3] = begin
                detours[way, van, store, 4] = how
        if here < HUGE and here + parts < best[0]:
            best = (here + parts, spot, how, store, begin)
    return best


@leaf
def best_way(
    problem: Problem,
    routes: Routes,
    notes: Notes,
    rng: np.random.Generator,
    what: tuple[int, int, int, bool],
    bar: int,
) -> tuple[int, int, int]:
    """Find the cheapest place of a call on one route, whatever its parts.

    Parameters
    ----------
    problem, routes, notes, rng : Problem, Routes, Notes, numpy.random.Generator
        The search; the route is looked at.
    what : tuple
        As :func:`fetch_place` takes it; no place is skipped where it is remembered.
    bar : int
        Only what costs less is of use.

    Returns
    -------
    tuple of int
        Cost units (``bar`` where there is no place), the visit's position (-1) and its
        row.
    """
    van, way, first, same = what
    visits, vans = problem.visits, problem.vans
    labels, nodes = routes.labels, routes.nodes
    size = routes.facts[van, SIZE]
    m_units = vans[van, M_UNITS]
    timed = vans[van, S_UNITS] > 0 or vans[van, OVER_UNITS] > 0
    node = visits[way, NODE]
    here, spot, how = bar, -1, -1
    blink = notes.score[BLINK_IN]
    visit = notes.ways[van, way]
    while visit >= 0 and visits[visit, BROKEN] == visits[way, BROKEN]:
        base = visits[visit, UNITS]
        if base >= here:
            break  # the ways to come cost more than a place found
        # Windows of linked calls may be void, the first or the last ones too.
        first_done, last_start = NEVER, -1
        for index in range(visits[visit, WINDOWS]):
            first_done = min(first_done, visits[visit, WINDOW + 2 * index])
            last_start = max(last_start, visits[visit, WINDOW + 2 * index + 1])
        first_done += visits[visit, LENGTH]
        # Both ends of what windows allow; in between, time is looked at last.
        index, last = first, size
        while index <= last and first_done > max(
            labels[van, index, LATEST_DUE], labels[van, index, LATEST_DONE]
        ):
            index += 1
        while index <= last and last_start < min(
            labels[van, last, FREE_DUE], labels[van, last, FREE_DONE]
        ):
            last -= 1
        origin = nodes[van, index]
        while index <= last:
            added = HUGE
            while index <= last:  # tight: most of a search is spent here
                target = nodes[van, index + 1]
                if not same:
                    blink -= 1
                if blink > 0:
                    more_m = gap_m(problem, origin, node)
                    more_m += gap_m(problem, node, target)
                    if size > 0:
                        more_m -= gap_m(problem, origin, target)
                    added = base + more_m * m_units
                    if added < here:
                        break
                else:
                    blink = next_blink(rng)
                origin = target
                index += 1
            if index > last:
                break
            free = (labels[van, index, FREE_DUE], labels[van, index, FREE_DONE])
            latest = (labels[van, index, LATEST_DUE], labels[van, index, LATEST_DONE])
            begin = earliest(problem, min(free[0], free[1]), origin, node)
            done = max(begin + visits[visit, LENGTH], first_done)
            if begin <= last_start and earliest(problem, done, node, target) <= max(
                latest[0], latest[1]
            ):
                free = serve(problem, van, free, (origin, visit))
                if fits_before(problem, van, free, (node, target), latest):
                    if timed:
                        added += added_time(
                            problem, routes, van, index, (free[0], free[1], node)
                        )
                    if added < here:
                        here, spot, how = added, index, visit
            origin = target
            index += 1
        visit = following(problem, notes, van, visit)
    notes.score[BLINK_IN] = blink
    return here, spot, how


@kernel
def cheapest_place(
    problem: Problem,
    routes: Routes,
    notes: Notes,
    rng: np.random.Generator,
    call: int,
) -> tuple[int, int, int, int, int]:
    """Find a call's cheapest place on all routes.

    Parameters
    ----------
    problem, routes, notes, rng : Problem, Routes, Notes, numpy.random.Generator
        The search; the routes are looked at.
    call : int
        The call.

    Returns
    -------
    tuple of int
        Van, position and visit; then row of ``problem.stores`` where parts are fetched
        and the position of a new stop there, that the call's position already counts
        (-1 each). All -1 where there is no place.
    """
    vans, facts = problem.vans, routes.facts
    visits, seen = problem.visits, notes.seen
    bar = int(np.int64(HUGE))  # a literal would be compiled for once more
    best = (-1, -1, -1, -1, -1)
    only = ANYONE
    if visits[call, LINK] >= 0:
        only = meet_terms(problem, routes, call)
        if only == BARRED:
            return best
    bound = only != ANYONE
    way = call
    while way >= 0 and best[0] < 0:  # no money makes up for a broken promise
        idle = -1
        for van in range(len(vans)):
            if notes.barred[van] == 1 or notes.ways[van, way] < 0:
                continue
            first = 0
            if bound:
                if only >= 0 and vans[van, CREW] != vans[only, CREW]:
                    continue
                first = first_place(problem, routes, van, call)
            if facts[van, SIZE] == 0:
                if vans[van, TWIN] == idle:
                    continue  # one like it has been looked at
                idle = vans[van, TWIN]
            # A route this round has not touched is as it was when last looked at.
            same = notes.touched[van] == 0 and not bound
            if same and seen[way, van, 0] == facts[van, VERSION]:
                here, spot = seen[way, van, 1], seen[way, van, 2]
                visit = seen[way, van, 3]
            else:
                here, spot, visit = best_way(
                    problem,
                    routes,
                    notes,
                    rng,
                    (van, way, first, same),
                    HUGE if same else bar,
                )
                if same:
                    seen[way, van, 0] = facts[van, VERSION]
                    seen[way, van, 1] = here
                    seen[way, van, 2] = spot
                    seen[way, van, 3] = visit
            if here >= bar or spot < 0:
                continue
            parts = price_parts(problem, routes, van, call)
            # A short cut costs less than nothing, but brings no parts.
            if parts < HUGE and here + parts < bar:
                bar = here + parts
                best = (van, spot, visit, -1, -1)
            elif parts >= HUGE and len(problem.stores) > 0:
                found = fetch_place(
                    problem, routes, notes, (van, way, first, same), bar
                )
                if found[0] < bar:
                    bar = found[0]
                    best = (van, found[1], found[2], found[3], found[4])
        broken = visits[way, BROKEN]
        while way >= 0 and visits[way, BROKEN] == broken:
            way = visits[way, NEXT]
    return best


@leaf
def insert(
    problem: Problem, routes: Routes, place: tuple[int, int, int, int, int]
) -> None:
    """Put a call on a route and reserve its parts.

    Parameters
    ----------
    problem : Problem
        The day.
    routes : Routes
        Changed in place.
    place : tuple of int
        As :func:`cheapest_place` has found it.
    """
    van, spot, visit, store, halt = place
    call = problem.visits[visit, CALL]
    if store >= 0:
        if halt >= 0:
            put_in(problem, routes, van, halt, problem.stores[store, STORE_VISIT])
        fetch_parts(problem, routes, van, call, store)
    else:
        take_parts(problem, routes, van, call)
    put_in(problem, routes, van, spot, visit)
    routes.left[0] -= problem.visits[call, WEIGHT]


@kernel
def take_out(problem: Problem, routes: Routes, van: int, call: int) -> bool:
    """Take one call out of a route, give its parts back and time the route anew.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The search; changed in place.
    van, call : int
        The route and a call on it.

    Returns
    -------
    bool
        Whether the rest can be driven.
    """
    return_parts(problem, routes, van, call)
    routes.facts[van, SIZE] -= 1
    for index in range(routes.place_of[call], routes.facts[van, SIZE]):
        routes.order[van, index] = routes.order[van, index + 1]
    routes.van_of[call] = -1
    routes.left[0] += problem.visits[call, WEIGHT]
    if routes.facts[van, STOPS] > 0:
        drop_idle_stops(problem, routes, van)
    return time_route(problem, routes, van)


@kernel
def drop_idle_stops(problem: Problem, routes: Routes, van: int) -> None:
    """Take stops at stores out of a route where nothing is fetched any more.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The search; the route is not timed anew.
    van : int
        Row of ``problem.vans``.
    """
    order, facts = routes.order, routes.facts
    write = 0
    for index in range(facts[van, SIZE]):
        visit = order[van, index]
        store = problem.visits[visit, CALL] - problem.call_count
        needed = store < 0
        for later in range(index + 1, facts[van, SIZE]):
            call = problem.visits[order[van, later], CALL]
            if not needed and call < problem.call_count:
                needed = routes.store_of[call] == store
        if needed:
            order[van, write] = visit
            write += 1
    facts[van, SIZE] = write


# --- linked calls --------------------------------------------------------------

ANYONE = -1  # any van may serve the call, nothing binds it
BARRED = -2  # the call cannot be on any route now
BOUND = -3  # any van may serve the call, at the times agreed
# columns of Routes.terms
FIRST_FROM, FIRST_BY, THEN_FROM, THEN_TO = range(4)


@kernel
def narrow(problem: Problem, call: int, span: tuple[int, int]) -> None:
    """Cut the windows of a call, and of its other ways, to a span of starts.

    Parameters
    ----------
    problem : Problem
        Its ``visits`` are changed; a window outside the span becomes one from
        ``NEVER`` to -1.
    call : int
        The call.
    span : tuple of int
        First and last second.
    """
    visits = problem.visits
    visit = call
    while visit >= 0:
        for index in range(visits[visit, WINDOWS]):
            cell = WINDOW + 2 * index
            visits[visit, cell] = max(visits[visit, cell], span[0])
            visits[visit, cell + 1] = min(visits[visit, cell + 1], span[1])
            if visits[visit, cell] > visits[visit, cell + 1]:
                visits[visit, cell], visits[visit, cell + 1] = NEVER, -1
        visit = visits[visit, NEXT]


@kernel
def widen(problem: Problem, call: int) -> None:
    """Give a call, and its other ways, the windows back that the day gave it.

    Parameters
    ----------
    problem : Problem
        Its ``visits`` are changed.
    call : int
        The call.
    """
    visit = call
    while visit >= 0:
        for cell in range(WINDOW, WINDOW + 2 * problem.visits[visit, WINDOWS]):
            problem.visits[visit, cell] = problem.given[visit, cell]
        visit = problem.visits[visit, NEXT]


@kernel
def apply_own_terms(problem: Problem, routes: Routes, call: int) -> None:
    """Cut the windows of one linked call to what it has agreed on, on routes.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The search; ``problem.visits`` is changed.
    call : int
        The call.
    """
    terms = routes.terms
    widen(problem, call)
    for link in range(len(problem.links)):
        first, then = problem.links[link, FIRST], problem.links[link, THEN]
        if call not in (first, then):
            continue
        if routes.van_of[first] < 0 or routes.van_of[then] < 0:
            continue
        span = (terms[link, THEN_FROM], terms[link, THEN_TO])
        if first == call:
            # Lengths differ by driver: the one who serves it now sets the last start.
            visit = routes.order[routes.van_of[first], routes.place_of[first]]
            by_s = terms[link, FIRST_BY] - problem.visits[visit, LENGTH]
            span = (terms[link, FIRST_FROM], by_s)
        narrow(problem, call, span)


@kernel
def apply_terms_near(problem: Problem, routes: Routes, call: int) -> None:
    """Cut the windows of a call, and of those linked with it, to what is agreed.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The search; ``problem.visits`` is changed.
    call : int
        A call that was put on a route or taken out.
    """
    if problem.visits[call, LINK] < 0:
        return
    apply_own_terms(problem, routes, call)
    for link in range(len(problem.links)):
        first, then = problem.links[link, FIRST], problem.links[link, THEN]
        if call in (first, then):
            apply_own_terms(problem, routes, then if first == call else first)


@entry
def apply_terms(problem: Problem, routes: Routes) -> None:
    """Cut the windows of all linked calls to what those on routes have agreed on.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The search; ``problem.visits`` is changed.
    """
    for call in range(problem.call_count):
        if problem.visits[call, LINK] >= 0:
            apply_own_terms(problem, routes, call)


@kernel
def done_by(problem: Problem, routes: Routes, call: int) -> int:
    """Return when a call on a route is finished at the earliest.

    With the break due it may be finished earlier than with it done, and the break
    then come too late: that does not count.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The search.
    call : int
        The call.

    Returns
    -------
    int
        Seconds since midnight.
    """
    van, place = routes.van_of[call], routes.place_of[call]
    labels = routes.labels
    leg = (routes.nodes[van, place + 1], routes.nodes[van, place + 2])
    latest = (labels[van, place + 1, LATEST_DUE], labels[van, place + 1, LATEST_DONE])
    due_s, done_s = labels[van, place + 1, FREE_DUE], labels[van, place + 1, FREE_DONE]
    if due_s < done_s and fits_before(problem, van, (due_s, NEVER), leg, latest):
        return due_s
    return done_s


@kernel
def meet_terms(problem: Problem, routes: Routes, call: int) -> int:
    """Narrow a waiting call's windows to what the calls before it allow.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The search; the call's windows in ``problem.visits`` are changed.
    call : int
        A linked call on no route.

    Returns
    -------
    int
        ``ANYONE``, ``BARRED``, ``BOUND`` or a row of the only van that may serve it.
    """
    who = ANYONE
    for link in range(problem.visits[call, LINK], len(problem.links)):
        if problem.links[link, THEN] != call:
            break
        first = problem.links[link, FIRST]
        van = routes.van_of[first]
        if van < 0:
            return BARRED
        if who == ANYONE:
            widen(problem, call)
            who = BOUND
        done_s = done_by(problem, routes, first)
        low_s = done_s + problem.links[link, GAP_LO]
        high_s = min(NEVER, done_s + problem.links[link, GAP_HI])
        narrow(problem, call, (low_s, high_s))
        if problem.links[link, SAME_VAN] == 1:
            if who >= 0 and problem.vans[who, CREW] != problem.vans[van, CREW]:
                return BARRED
            who = van
    return who


@leaf
def first_place(problem: Problem, routes: Routes, van: int, call: int) -> int:
    """Return the first position on a route that is behind all calls it must follow.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The search.
    van, call : int
        The route, and a call on none that follows others.

    Returns
    -------
    int
        Position.
    """
    low = 0
    for link in range(problem.visits[call, LINK], len(problem.links)):
        if problem.links[link, THEN] != call:
            break
        first = problem.links[link, FIRST]
        if routes.van_of[first] == van:
            low = max(low, routes.place_of[first] + 1)
    return low


@leaf
def follows(problem: Problem, call: int) -> bool:
    """Return whether a call follows others.

    Parameters
    ----------
    problem : Problem
        The day.
    call : int
        The call.

    Returns
    -------
    bool
        Whether it is THEN in some link.
    """
    return 0 <= problem.visits[call, LINK] < len(problem.links)


@leaf
def must_wait(problem: Problem, routes: Routes, call: int) -> bool:
    """Return whether a call follows one that is on no route.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The search.
    call : int
        The call.

    Returns
    -------
    bool
        False for a call that follows none.
    """
    if follows(problem, call):
        for link in range(problem.visits[call, LINK], len(problem.links)):
            if problem.links[link, THEN] != call:
                break
            if routes.van_of[problem.links[link, FIRST]] < 0:
                return True
    return False


@kernel
def agree(problem: Problem, routes: Routes, notes: Notes, call: int) -> bool:
    """Settle the times of a call just put in with the calls it follows.

    Parameters
    ----------
    problem, routes, notes : Problem, Routes, Notes
        The search; routes of the calls it follows are timed anew and count as
        touched.
    call : int
        The call, on a route.

    Returns
    -------
    bool
        Whether all can keep what is agreed.
    """
    if not follows(problem, call):
        return True
    van, place = routes.van_of[call], routes.place_of[call]
    visit = routes.order[van, place]
    start_s = done_by(problem, routes, call) - problem.visits[visit, LENGTH]
    for link in range(problem.visits[call, LINK], len(problem.links)):
        if problem.links[link, THEN] != call:
            break
        first = problem.links[link, FIRST]
        giver = routes.van_of[first]
        done_s = done_by(problem, routes, first)
        other = routes.order[giver, routes.place_of[first]]
        routes.terms[link, FIRST_FROM] = 0
        if problem.links[link, GAP_HI] < NEVER:
            routes.terms[link, FIRST_FROM] = done_s - problem.visits[other, LENGTH]
        routes.terms[link, FIRST_BY] = max(
            done_s, start_s - problem.links[link, GAP_LO]
        )
        routes.terms[link, THEN_FROM] = (
            routes.terms[link, FIRST_BY] + problem.links[link, GAP_LO]
        )
        routes.terms[link, THEN_TO] = min(NEVER, done_s + problem.links[link, GAP_HI])
    apply_terms_near(problem, routes, call)
    works = time_route(problem, routes, van)
    for link in range(problem.visits[call, LINK], len(problem.links)):
        if problem.links[link, THEN] != call:
            break
        giver = routes.van_of[problem.links[link, FIRST]]
        notes.touched[giver] = 1
        works = works and time_route(problem, routes, giver)
    return works


@kernel
def release(problem: Problem, routes: Routes, notes: Notes, call: int) -> bool:
    """Time routes anew whose calls wait for one that is out now.

    Parameters
    ----------
    problem, routes, notes : Problem, Routes, Notes
        The search, terms applied; routes of the calls it follows count as touched.
    call : int
        The call that has been taken out, a linked one.

    Returns
    -------
    bool
        False if one of these routes breaks a rule.
    """
    works = True
    for link in range(problem.visits[call, LINK], len(problem.links)):
        van = routes.van_of[problem.links[link, FIRST]]
        if problem.links[link, THEN] != call:
            break
        if van >= 0:
            notes.touched[van] = 1
            works = time_route(problem, routes, van) and works
    return works


@leaf
def has_linked(problem: Problem, notes: Notes, begin: int, end: int) -> bool:
    """Return whether some of the waiting calls are linked to others.

    Parameters
    ----------
    problem, notes : Problem, Notes
        The search.
    begin, end : int
        Cells of ``notes.queue``, the last one not included.

    Returns
    -------
    bool
        If not, nobody's windows have changed.
    """
    for index in range(begin, end):
        if problem.visits[notes.queue[index], LINK] >= 0:
            return True
    return False


@kernel
def part_links(
    problem: Problem, routes: Routes, notes: Notes, begin: int, waiting: int
) -> int:
    """Take out calls that follow one that is out, and forget what is void.

    Parameters
    ----------
    problem, routes, notes : Problem, Routes, Notes
        The search; ``routes``, ``queue`` and ``touched`` are changed.
    begin, waiting : int
        First cell of the queue with a call that was taken out in this round, and how
        many are filled.

    Returns
    -------
    int
        Filled cells of the queue now; -1 if a route without such a call breaks a rule.
    """
    if not has_linked(problem, notes, begin, waiting):
        return waiting
    more = True
    while more:
        more = False
        for link in range(len(problem.links)):
            first, then = problem.links[link, FIRST], problem.links[link, THEN]
            van = routes.van_of[then]
            if routes.van_of[first] < 0 and van >= 0:
                notes.touched[van] = 1
                if not take_out(problem, routes, van, then):
                    return -1
                notes.queue[waiting] = then
                waiting += 1
                more = True
    for index in range(begin, waiting):
        apply_terms_near(problem, routes, notes.queue[index])
    for index in range(begin, waiting):
        call = notes.queue[index]
        linked = problem.visits[call, LINK] >= 0
        if linked and not release(problem, routes, notes, call):
            return -1
    return waiting


@kernel
def keeps_links(problem: Problem, routes: Routes) -> bool:
    """Return whether calls that want one van have one.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The search.

    Returns
    -------
    bool
        Times are in the windows and not looked at.
    """
    for link in range(len(problem.links)):
        first, then = problem.links[link, FIRST], problem.links[link, THEN]
        one, other = routes.van_of[first], routes.van_of[then]
        if problem.links[link, SAME_VAN] == 0 or other < 0:
            continue
        if one < 0 or problem.vans[one, CREW] != problem.vans[other, CREW]:
            return False
    return True


# --- ruin ------------------------------------------------------------------------


@kernel
def ruin(
    problem: Problem, routes: Routes, notes: Notes, rng: np.random.Generator
) -> int:
    """Take strings of calls out of ``routes``; return how many calls wait.

    Parameters
    ----------
    problem, routes, notes, rng : Problem, Routes, Notes, numpy.random.Generator
        The search.

    Returns
    -------
    int
        Filled cells of ``notes.queue``: calls that were left out before (at most
        ``RETRIED`` of them) and those taken out now; -1 if a route without its
        string breaks a rule (a travel table in which detours are short cuts).
    """
    count = problem.call_count
    waiting = 0
    on_routes = 0
    for call in range(count):
        if routes.van_of[call] < 0:
            notes.queue[waiting] = call
            waiting += 1
        else:
            on_routes += 1
    while waiting > RETRIED:  # drop random ones from this round
        index = int(rng.random() * waiting)
        waiting -= 1
        notes.queue[index] = notes.queue[waiting]
    before = waiting
    vans_out = 0
    for van in range(len(problem.vans)):
        notes.touched[van] = 0
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
        if van < 0 or notes.touched[van] == 1:
            continue
        length = routes.facts[van, SIZE]
        if not whole:
            length = int(rng.random() * min(float(length), longest) + 1.0)
        waiting = cut_string(problem, routes, notes, rng, waiting, (call, length))
        notes.touched[van] = 1
        strings -= 1
        if routes.facts[van, STOPS] > 0:
            waiting = drop_orphans(problem, routes, notes, van, waiting)
        if not time_route(problem, routes, van):
            return -1
    if len(problem.links) > 0:
        waiting = part_links(problem, routes, notes, before, waiting)
    return waiting


@kernel
def drop_orphans(
    problem: Problem, routes: Routes, notes: Notes, van: int, waiting: int
) -> int:
    """Take out calls whose stop at a store is gone, and stops that nobody needs.

    Parameters
    ----------
    problem, routes, notes : Problem, Routes, Notes
        The search; calls move from ``routes`` to the end of ``notes.queue``. The
        route is not timed anew.
    van : int
        The route.
    waiting : int
        Filled cells of the queue.

    Returns
    -------
    int
        Filled cells of the queue now.
    """
    order = routes.order
    write = 0
    for index in range(routes.facts[van, SIZE]):
        visit = order[van, index]
        call = problem.visits[visit, CALL]
        keep = True
        if call < problem.call_count and routes.store_of[call] >= 0:
            keep = False
            halt = problem.stores[routes.store_of[call], STORE_VISIT]
            for before in range(write):
                keep = keep or order[van, before] == halt
        if keep:
            order[van, write] = visit
            write += 1
        else:
            waiting = queue_call(problem, routes, notes, van, call, waiting)
    routes.facts[van, SIZE] = write
    drop_idle_stops(problem, routes, van)
    return waiting


@leaf
def queue_call(
    problem: Problem, routes: Routes, notes: Notes, van: int, call: int, waiting: int
) -> int:
    """Note that a call is taken out of its route; return the new length of the queue.

    Parameters
    ----------
    problem, routes, notes : Problem, Routes, Notes
        The search; the route's order is the caller's matter.
    van, call : int
        The route and the call.
    waiting : int
        Filled cells of the queue.

    Returns
    -------
    int
        One more.
    """
    return_parts(problem, routes, van, call)
    routes.van_of[call] = -1
    routes.left[0] += problem.visits[call, WEIGHT]
    notes.queue[waiting] = call
    return waiting + 1


@kernel
def cut_string(
    problem: Problem,
    routes: Routes,
    notes: Notes,
    rng: np.random.Generator,
    waiting: int,
    what: tuple[int, int],
) -> int:
    """Remove one string around a call; return the new length of the queue.

    Parameters
    ----------
    problem, routes, notes, rng : Problem, Routes, Notes, numpy.random.Generator
        The search; calls move from ``routes`` to the end of ``notes.queue``. The
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
        elif problem.visits[other, CALL] < problem.call_count:
            waiting = queue_call(
                problem, routes, notes, van, problem.visits[other, CALL], waiting
            )
    routes.facts[van, SIZE] = write
    return waiting


@kernel
def sort_queue(
    problem: Problem,
    notes: Notes,
    rng: np.random.Generator,
    waiting: int,
) -> None:
    """Order the waiting calls by one of the paper's orders, drawn anew each round.

    Parameters
    ----------
    problem, notes, rng : Problem, Notes, numpy.random.Generator
        The search; ``notes.queue`` and ``notes.key`` are changed.
    waiting : int
        Filled cells of the queue.
    """
    calls = problem.given
    draw = rng.random() * 17.0
    for index in range(waiting):
        call = notes.queue[index]
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
        while place > 0 and notes.key[place - 1] > key:
            notes.key[place] = notes.key[place - 1]
            notes.queue[place] = notes.queue[place - 1]
            place -= 1
        notes.key[place] = key
        notes.queue[place] = call


@leaf
def totals(problem: Problem, routes: Routes) -> tuple[int, int]:
    """Add up what all routes break and cost.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The search.

    Returns
    -------
    tuple of int
        Weight of the promises they break, and cost units.
    """
    late, money = 0, 0
    for van in range(len(problem.vans)):
        late += routes.facts[van, LATE]
        money += routes.facts[van, MONEY]
    return late, money


@kernel
def recreate(
    problem: Problem,
    routes: Routes,
    notes: Notes,
    rng: np.random.Generator,
    waiting: int,
    allowance: float,
) -> bool:
    """Put the waiting calls back, each at its cheapest place, in queue order.

    Parameters
    ----------
    problem, routes, notes, rng : Problem, Routes, Notes, numpy.random.Generator
        The search; ``routes`` and what is touched are changed. A call that fits
        nowhere stays out.
    waiting : int
        Filled cells of ``notes.queue``.
    allowance : float
        Cost units that the round may add.

    Returns
    -------
    bool
        False once it is clear that the round will not be accepted, calls still out;
        where a detour is a short cut, a later call could have made a route cheaper.
    """
    linked = len(problem.links) > 0
    hopeful = 0  # weight of the calls that still wait
    for index in range(waiting):
        hopeful += problem.visits[notes.queue[index], WEIGHT]
    late, money = totals(problem, routes)
    for turn in range(2 if linked else 1):
        for index in range(waiting):
            call = notes.queue[index]
            # A call that follows another has its turn when that one is in.
            if linked and turn == 0:
                notes.key[index] = 1.0 if must_wait(problem, routes, call) else 0.0
            if linked and notes.key[index] != turn:
                continue
            left_out = routes.left[0] - hopeful + late
            if left_out > notes.score[NOW_LEFT] or (
                left_out == notes.score[NOW_LEFT]
                and money - notes.score[NOW_MONEY] >= allowance
            ):
                return False
            unsettled, tries = True, 0
            while unsettled:
                place = cheapest_place(problem, routes, notes, rng, call)
                van = place[0]
                unsettled = van >= 0
                if unsettled:
                    late -= routes.facts[van, LATE]
                    money -= routes.facts[van, MONEY]
                    insert(problem, routes, place)
                    late += routes.facts[van, LATE]
                    money += routes.facts[van, MONEY]
                    notes.touched[van] = 1
                    if follows(problem, call) or limited(problem, van):
                        unsettled = not settle(problem, routes, notes, call)
                        late, money = totals(problem, routes)
                    else:
                        unsettled = False
                    tries += 1
            for van in range(len(problem.vans) if tries > 1 or place[0] < 0 else 0):
                notes.barred[van] = 0
            hopeful -= problem.visits[call, WEIGHT]
    return True


@kernel
def settle(problem: Problem, routes: Routes, notes: Notes, call: int) -> bool:
    """Take a call just put in out again if it breaks a limit or a link.

    Parameters
    ----------
    problem, routes, notes : Problem, Routes, Notes
        The search; routes and what is touched are changed. The van of a call that is
        taken out is barred.
    call : int
        A call on a route.

    Returns
    -------
    bool
        Whether it stays.
    """
    van = routes.van_of[call]
    if within_limits(problem, routes, van) and agree(problem, routes, notes, call):
        return True
    take_out(problem, routes, van, call)
    if problem.visits[call, LINK] >= 0:
        apply_terms_near(problem, routes, call)
        release(problem, routes, notes, call)
    notes.barred[van] = 1
    return False


@leaf
def swap_pays(
    problem: Problem,
    routes: Routes,
    vans: tuple[int, int],
    cuts: tuple[int, int],
    allowance: float,
) -> bool:
    """Return whether two vans that are alike can swap tails, and cheaply enough.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The search; ``routes`` is looked at.
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
    labels, sizes = routes.labels, routes.facts
    van, other = vans
    nodes = routes.nodes
    here, after = nodes[van, cuts[0]], nodes[van, cuts[0] + 1]
    before, there = nodes[other, cuts[1]], nodes[other, cuts[1] + 1]
    ends = cuts[0] == sizes[van, SIZE]
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
    problem: Problem,
    routes: Routes,
    notes: Notes,
    vans: tuple[int, int],
    cuts: tuple[int, int],
) -> bool:
    """Swap the tails of two routes in ``routes``.

    Parameters
    ----------
    problem, routes, notes : Problem, Routes, Notes
        The search.
    vans, cuts : tuple of int
        The routes, and the position of the first call that leaves each.

    Returns
    -------
    bool
        False where parts or times do not allow it: both routes are then to be
        copied back from what was kept.
    """
    order, facts = routes.order, routes.facts
    van, other = vans
    notes.touched[van] = 1
    notes.touched[other] = 1
    given, taken = facts[van, SIZE] - cuts[0], facts[other, SIZE] - cuts[1]
    visits = problem.visits
    for index in range(given):
        visit = order[van, cuts[0] + index]
        return_parts(problem, routes, van, visits[visit, CALL])
        notes.queue[index] = visit
    for index in range(taken):
        visit = order[other, cuts[1] + index]
        return_parts(problem, routes, other, visits[visit, CALL])
        order[van, cuts[0] + index] = visit
    for index in range(given):
        order[other, cuts[1] + index] = notes.queue[index]
    facts[van, SIZE] = cuts[0] + taken
    facts[other, SIZE] = cuts[1] + given
    for index in range(taken):
        if not take_parts(
            problem, routes, van, visits[order[van, cuts[0] + index], CALL]
        ):
            return False
    for index in range(given):
        if not take_parts(
            problem, routes, other, visits[order[other, cuts[1] + index], CALL]
        ):
            return False
    return (
        time_route(problem, routes, van)
        and time_route(problem, routes, other)
        and within_limits(problem, routes, van)
        and within_limits(problem, routes, other)
        and keeps_links(problem, routes)
    )


@kernel
def swap_tails(
    problem: Problem,
    routes: Routes,
    notes: Notes,
    rng: np.random.Generator,
    allowance: float,
) -> bool:
    """Let two vans swap what follows two neighbouring calls of their routes.

    Parameters
    ----------
    problem, routes, notes, rng : Problem, Routes, Notes, numpy.random.Generator
        The search; ``routes`` and ``notes.touched`` are changed.
    allowance : float
        Cost units the swap may add.

    Returns
    -------
    bool
        Whether a swap was made that can be driven.
    """
    count = problem.call_count
    for van in range(len(problem.vans)):
        notes.touched[van] = 0
    for _ in range(TRIES if count > 1 else 0):
        call = int(rng.random() * count)
        rank = 1 + int(rng.random() * min(NEXT_TO, count - 1))
        neighbour = problem.near[call, rank]
        vans = (routes.van_of[call], routes.van_of[neighbour])
        if vans[0] < 0 or vans[1] < 0 or vans[0] == vans[1]:
            continue
        if routes.facts[vans[0], STOPS] + routes.facts[vans[1], STOPS] > 0:
            continue  # parts would have to be fetched anew
        cuts = (routes.place_of[call] + 1, routes.place_of[neighbour])
        if problem.vans[vans[0], TWIN] == problem.vans[vans[1], TWIN]:
            if not swap_pays(problem, routes, vans, cuts, allowance):
                continue
        elif not (
            tail_allowed(problem, routes, vans[0], cuts[0], vans[1])
            and tail_allowed(problem, routes, vans[1], cuts[1], vans[0])
        ):
            continue
        return exchange(problem, routes, notes, vans, cuts)
    return False


@kernel
def copy_route(problem: Problem, source: Routes, target: Routes, van: int) -> None:
    """Copy one van's row of everything.

    Parameters
    ----------
    problem : Problem
        The day.
    source, target : Routes
        From and to: its calls, labels, facts and pieces.
    van : int
        The row.
    """
    visits = problem.visits
    size = source.facts[van, SIZE]
    for index in range(size + 2):
        target.nodes[van, index] = source.nodes[van, index]
    for index in range(size):
        visit = source.order[van, index]
        target.order[van, index] = visit
        call = visits[visit, CALL]
        target.van_of[call] = van
        target.place_of[call] = index
        for need in range(visits[visit, NEED_LO], visits[visit, NEED_HI]):
            target.chosen[need] = source.chosen[need]
    for index in range(size + 1):
        for column in range(4):
            target.labels[van, index, column] = source.labels[van, index, column]
    for column in range(10):
        target.facts[van, column] = source.facts[van, column]
    holder = problem.vans[van, HOLDER]
    for part in range(source.used.shape[1]):
        target.used[van, part] = source.used[van, part]
        target.used[holder, part] = source.used[holder, part]


@kernel
def copy_rest(problem: Problem, source: Routes, target: Routes) -> None:
    """Copy what belongs to no van and to no call.

    Parameters
    ----------
    problem : Problem
        The day.
    source, target : Routes
        From and to: what stores give, what calls fetch, and what linked calls have
        agreed on.
    """
    target.left[0] = source.left[0]
    for row in range(len(problem.vans), len(source.used)):
        for part in range(source.used.shape[1]):
            target.used[row, part] = source.used[row, part]
    if len(problem.stores) > 0:
        for call in range(problem.call_count):
            target.store_of[call] = source.store_of[call]
        for item in range(len(problem.items)):
            target.fetched[item] = source.fetched[item]
    for link in range(len(problem.links)):
        for column in range(4):
            target.terms[link, column] = source.terms[link, column]


@kernel
def copy_round(
    problem: Problem, memory: Memory, routes: tuple[Routes, Routes], waiting: int
) -> None:
    """Copy what a round may have changed.

    Parameters
    ----------
    problem, memory : Problem, Memory
        The search.
    routes : tuple of Routes
        From and to: ``now`` and ``kept``, or the other way.
    waiting : int
        Filled cells of the queue, the calls that were out of their routes; negative:
        not known, so that all are looked at.
    """
    source, target = routes
    for index in range(problem.call_count if waiting < 0 else waiting):
        call = index if waiting < 0 else memory.notes.queue[index]
        target.van_of[call] = source.van_of[call]
    copy_rest(problem, source, target)
    for van in range(len(problem.vans)):
        if memory.notes.touched[van] == 1:
            copy_route(problem, source, target, van)


@kernel
def remember(problem: Problem, memory: Memory) -> None:
    """Put the routes touched in this round into the pool.

    Parameters
    ----------
    problem : Problem
        The day.
    memory : Memory
        Routes of ``kept`` go to ``pool``; one whose set of visits was put there of late
        only if it costs less, and into the same row. ``score[POOLED]`` counts the
        rows written. Where a route stops for parts, what comes before and behind is
        not the same, and the order counts.
    """
    pool, score, facts = memory.pool, memory.notes.score, memory.kept.facts
    for van in range(len(problem.vans)):
        size = facts[van, SIZE]
        money = facts[van, MONEY] - facts[van, PARTS] + facts[van, RISK]
        if memory.notes.touched[van] == 0 or size == 0:
            continue
        mark = problem.vans[van, TWIN] * (1 << 40)
        for index in range(size):
            rank = index + 1 if facts[van, STOPS] > 0 else 1
            mark += rank * memory.marks[memory.kept.order[van, index]]
        cell = mark & (RECENT - 1)
        row = memory.recent[cell, 1]
        if memory.recent[cell, 0] != mark or pool[row, POOL_MARK] != mark:
            row = score[POOLED] % len(pool)
            score[POOLED] += 1
        elif pool[row, POOL_MONEY] <= money:
            continue
        memory.recent[cell, 0] = mark
        memory.recent[cell, 1] = row
        pool[row, POOL_MARK] = mark
        pool[row, POOL_VAN] = problem.vans[van, TWIN]
        pool[row, POOL_MONEY] = money
        pool[row, POOL_SIZE] = size
        for index in range(size):
            pool[row, POOL_VISITS + index] = memory.kept.order[van, index]


@entry
def search(
    problem: Problem,
    memory: Memory,
    rng: np.random.Generator,
    rounds: int,
    heat: tuple[float, float],
    futures: Futures,
) -> None:
    """Run some rounds: ruin and recreate, or a swap of tails.

    Where futures are given, what lateness is to be expected of a solution counts when
    it is accepted or not; where a call is put in is decided without it.

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
    futures : Futures
        What the risk is priced by.
    """
    vans = len(problem.vans)
    risky = len(futures.pace) > 0
    cooling = (heat[1] / heat[0]) ** (1.0 / max(1, rounds))
    temperature = heat[0]
    score = memory.notes.score
    for _ in range(rounds):
        temperature *= cooling
        allowance = -temperature * np.log(1.0 - rng.random())
        waiting = 0
        if rng.random() < TAILS:
            room = allowance
            for van in range(vans if risky else 0):
                room += memory.kept.facts[van, RISK]  # a longer way may be safer
            driveable = swap_tails(problem, memory.now, memory.notes, rng, room)
        else:
            waiting = ruin(problem, memory.now, memory.notes, rng)
            driveable = waiting >= 0
            if driveable:
                shy = -1
                if risky and vans > 1 and rng.random() < SHY:
                    shy = int(rng.random() * vans)
                    memory.notes.barred[shy] = 1
                sort_queue(problem, memory.notes, rng, waiting)
                driveable = recreate(
                    problem, memory.now, memory.notes, rng, waiting, allowance
                )
                if shy >= 0:
                    memory.notes.barred[shy] = 0
        better = False
        accepted = False
        left_out, money = memory.now.left[0], score[NOW_MONEY]
        for van in range(vans if driveable else 0):
            if memory.notes.touched[van] == 1:
                driveable = driveable and (
                    not limited(problem, van) or within_limits(problem, memory.now, van)
                )
        if driveable:
            for van in range(vans):
                left_out += memory.now.facts[van, LATE]
                if memory.notes.touched[van] == 1:
                    money += (
                        memory.now.facts[van, MONEY] - memory.kept.facts[van, MONEY]
                    )
                    money -= memory.kept.facts[van, RISK]
            # Most rounds are too dear without their risk, which takes long to reckon.
            for van in range(vans if risky else 0):
                if memory.notes.touched[van] == 1 and (
                    left_out < score[NOW_LEFT]
                    or (
                        left_out == score[NOW_LEFT]
                        and money < score[NOW_MONEY] + allowance
                    )
                ):
                    expect(problem, futures, memory.now, van)
                    money += memory.now.facts[van, RISK]
            better = left_out < score[BEST_LEFT] or (
                left_out == score[BEST_LEFT] and money < score[BEST_MONEY]
            )
            accepted = left_out < score[NOW_LEFT] or (
                left_out == score[NOW_LEFT] and money < score[NOW_MONEY] + allowance
            )
        if accepted:
            for van in range(vans):
                if memory.notes.touched[van] == 1:
                    memory.now.facts[van, VERSION] += 1
            copy_round(problem, memory, (memory.now, memory.kept), waiting)
            score[NOW_LEFT], score[NOW_MONEY] = left_out, money
            if left_out <= score[BEST_LEFT] and (
                money < POOL_WITHIN * score[BEST_MONEY] or better
            ):
                remember(problem, memory)
            if better:
                keep_best(problem, memory)
                score[BEST_LEFT], score[BEST_MONEY] = left_out, money
        else:
            copy_round(problem, memory, (memory.kept, memory.now), waiting)
            if len(problem.links) > 0 and waiting < 0:
                apply_terms(problem, memory.now)
            for index in range(waiting if len(problem.links) > 0 else 0):
                apply_terms_near(problem, memory.now, memory.notes.queue[index])


@kernel
def keep_best(problem: Problem, memory: Memory) -> None:
    """Copy all routes of ``now`` to ``best``.

    Parameters
    ----------
    problem, memory : Problem, Memory
        The search.
    """
    for call in range(problem.call_count):
        memory.best.van_of[call] = -1
    copy_rest(problem, memory.now, memory.best)
    for van in range(len(problem.vans)):
        copy_route(problem, memory.now, memory.best, van)
