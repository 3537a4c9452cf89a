"""Time one route: earliest times forwards, latest arrivals backwards.

Because driving never runs backwards (leaving earlier never arrives later), doing
everything as early as possible is best for every later stop, and the arrivals from
which a rest of a route still works are all those up to one latest second. So a route
is described by four numbers at each position: the earliest time its van is free
with the meal break still ahead and with it behind, and the latest arrival at the
next stop in both cases. Testing an insertion needs nothing else.

The break is taken where it costs least: after a stop before driving on, or at the
next stop's street before starting. It never needs a stop of its own when the van is
back by the last moment the break could start.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dispatch.problem import (
    BROKEN,
    CALL,
    DRIVE_MAX,
    FINISH,
    LEAST,
    LENGTH,
    M_UNITS,
    MEAL_HI,
    MEAL_LENGTH,
    MEAL_LO,
    NEVER,
    NODE,
    OVER_UNITS,
    PAID,
    S_UNITS,
    SHIFT_END,
    SHIFT_HI,
    SHIFT_LO,
    START,
    UNITS,
    WEIGHT,
    WINDOW,
    WINDOWS,
    WORK_MAX,
    Problem,
)
from dispatch.search._jit import entry, kernel, leaf

# columns of Routes.labels: at position k of a route, before its k-th stop
FREE_DUE, FREE_DONE, LATEST_DUE, LATEST_DONE = range(4)
# columns of Routes.facts, one row per van
SIZE, MONEY, BACK, VERSION, METRES, PARTS, PENALTY, LATE, STOPS, RISK = range(10)


class Routes(NamedTuple):
    """One solution, with what the search remembers about each route.

    Parameters
    ----------
    order : ndarray, shape (vans, calls + stores)
        Visits of each van in order; the first ``facts[v, SIZE]`` count.
    nodes : ndarray, shape (vans, calls + stores + 2)
        Where each van is: at its start, at each visit, at its finish place.
    labels : ndarray, shape (vans, calls + stores + 1, 4)
        At position k: when the van is free to drive to its k-th stop with the break
        due or done, and the latest arrival there with the break due or done.
    facts : ndarray, shape (vans, 10)
        SIZE, MONEY (cost units, PARTS and PENALTY included), BACK (second at the finish
        place), VERSION (rises with every change the search keeps), METRES (of the
        whole route), PARTS (cost units of parts beyond the wanted ones), PENALTY (cost
        units of how its calls are done), LATE (weight of the promises it breaks),
        STOPS (at stores), RISK (cost units of the lateness to expect, not in MONEY:
        worked out at the end of a round only).
    van_of, place_of : ndarray, shape (calls + stores,)
        Van (-1: left out) and position of each call; of no meaning for stores.
    chosen : ndarray, shape (needs,)
        Row of ``choices`` that serves each need of a placed call.
    used : ndarray, shape of ``Problem.stock``
        Pieces each van's calls use, and what the shop and the counters give.
    store_of : ndarray, shape (calls,)
        Row of ``stores`` where some of a placed call's parts are fetched on the way, -1
        for none.
    fetched : ndarray, shape (items,)
        Pieces of each item of a chosen choice that are fetched there.
    terms : ndarray, shape (links, 4)
        What two linked calls on routes have agreed on: first start and last finish of
        the first one, first and last start of the second one.
    left : ndarray, shape (1,)
        Weight of the calls left out.
    """

    order: NDArray[np.int64]
    nodes: NDArray[np.int64]
    labels: NDArray[np.int64]
    facts: NDArray[np.int64]
    van_of: NDArray[np.int64]
    place_of: NDArray[np.int64]
    chosen: NDArray[np.int64]
    used: NDArray[np.int64]
    store_of: NDArray[np.int64]
    fetched: NDArray[np.int64]
    terms: NDArray[np.int64]
    left: NDArray[np.int64]


def empty_routes(problem: Problem) -> Routes:
    """Return routes without any call.

    Parameters
    ----------
    problem : Problem
        The day.

    Returns
    -------
    Routes
        Every call left out; labels not yet worked out.
    """
    vans, most = len(problem.vans), problem.call_count + len(problem.stores)
    return Routes(
        order=np.zeros((vans, max(1, most)), np.int64),
        nodes=np.zeros((vans, most + 2), np.int64),
        labels=np.zeros((vans, most + 1, 4), np.int64),
        facts=np.zeros((vans, 10), np.int64),
        van_of=np.full(most, -1, np.int64),
        place_of=np.zeros(most, np.int64),
        chosen=np.zeros(len(problem.needs), np.int64),
        used=np.zeros_like(problem.stock),
        store_of=np.full(problem.call_count, -1, np.int64),
        fetched=np.zeros(len(problem.items), np.int64),
        terms=np.zeros((len(problem.links), 4), np.int64),
        left=np.array([problem.visits[: problem.call_count, WEIGHT].sum()], np.int64),
    )


@leaf
def drive(problem: Problem, free_s: int, base_s: int) -> int:
    """Return when a drive ends.

    Parameters
    ----------
    problem : Problem
        The day.
    free_s : int
        Departure, seconds since midnight, not negative.
    base_s : int
        Its length at free flow (s).

    Returns
    -------
    int
        Seconds since midnight, rounded up to the whole second.
    """
    clock = problem.clock
    last = len(clock) - 1
    if last == 0 and clock[0, 1] == 1000:  # noqa: PLR2004 - free flow all day
        return free_s + base_s
    slot_s = problem.slot_s
    slot = min(free_s // slot_s, last)
    goal = clock[slot, 0] + (free_s - slot * slot_s) * clock[slot, 1] + 1000 * base_s
    while slot < last and clock[slot + 1, 0] < goal:
        slot += 1
    return slot * slot_s - (clock[slot, 0] - goal) // clock[slot, 1]


@leaf
def arrive(problem: Problem, free_s: int, origin: int, target: int) -> int:
    """Return the earliest arrival when leaving at ``free_s``.

    Parameters
    ----------
    problem : Problem
        The day.
    free_s : int
        Departure, seconds since midnight, not negative; ``NEVER`` stays ``NEVER``.
    origin, target : int
        Nodes of the travel tables; -1 is anywhere, and no drive.

    Returns
    -------
    int
        Seconds since midnight, rounded up to the whole second.
    """
    if origin < 0 or target < 0 or free_s >= NEVER:
        return free_s
    return drive(problem, free_s, problem.base_s[origin, target])


@leaf
def earliest(problem: Problem, free_s: int, origin: int, target: int) -> int:
    """Return a moment before which no drive ends, quickly.

    Most places are too late whatever the break and the traffic: no clock is read.

    Parameters
    ----------
    problem : Problem
        The day.
    free_s : int
        Departure, seconds since midnight.
    origin, target : int
        Nodes of the travel tables; -1 is anywhere, and no drive.

    Returns
    -------
    int
        Seconds since midnight, never after what :func:`arrive` returns.
    """
    if origin < 0 or target < 0:
        return free_s
    return free_s + ((problem.base_s[origin, target] * problem.clock[0, LEAST]) >> 10)


@leaf
def leave_by(problem: Problem, limit_s: int, origin: int, target: int) -> int:
    """Return the latest departure that arrives by ``limit_s``.

    Parameters
    ----------
    problem : Problem
        The day.
    limit_s : int
        Latest arrival, seconds since midnight; negative stays as it is.
    origin, target : int
        Nodes of the travel tables; -1 is anywhere, and no drive.

    Returns
    -------
    int
        Seconds since midnight; negative: no departure is early enough.
    """
    if origin < 0 or target < 0 or limit_s < 0:
        return limit_s
    base_s = problem.base_s[origin, target]
    clock = problem.clock
    last = len(clock) - 1
    if last == 0 and clock[0, 1] == 1000:  # noqa: PLR2004 - free flow all day
        return limit_s - base_s
    slot_s = problem.slot_s
    slot = min(limit_s // slot_s, last)
    goal = clock[slot, 0] + (limit_s - slot * slot_s) * clock[slot, 1] - 1000 * base_s
    if goal < 0:
        return -1
    while clock[slot, 0] > goal:
        slot -= 1
    return slot * slot_s + (goal - clock[slot, 0]) // clock[slot, 1]


@leaf
def done_at(problem: Problem, visit: int, arrive_s: int) -> int:
    """Return the earliest finish of a visit after arriving.

    Parameters
    ----------
    problem : Problem
        The day.
    visit : int
        Row of ``problem.visits``.
    arrive_s : int
        Arrival, seconds since midnight, or ``NEVER``.

    Returns
    -------
    int
        Seconds since midnight; ``NEVER`` or more: after the last window.
    """
    visits = problem.visits
    for index in range(visits[visit, WINDOWS]):
        if arrive_s <= visits[visit, WINDOW + 2 * index + 1]:
            return (
                max(arrive_s, visits[visit, WINDOW + 2 * index]) + visits[visit, LENGTH]
            )
    return NEVER


@leaf
def arrive_by(problem: Problem, visit: int, limit_s: int) -> int:
    """Return the latest arrival whose visit is finished by ``limit_s``.

    Parameters
    ----------
    problem : Problem
        The day.
    visit : int
        Row of ``problem.visits``.
    limit_s : int
        Latest finish, seconds since midnight; may be negative.

    Returns
    -------
    int
        Seconds since midnight; -1: no arrival is early enough.
    """
    visits = problem.visits
    latest_s = limit_s - visits[visit, LENGTH]
    for index in range(visits[visit, WINDOWS] - 1, -1, -1):
        if visits[visit, WINDOW + 2 * index] <= latest_s:
            return min(visits[visit, WINDOW + 2 * index + 1], latest_s)
    return -1


@leaf
def rested(problem: Problem, van: int, free_s: int) -> int:
    """Return when the break is over if it is taken as soon as possible.

    Parameters
    ----------
    problem : Problem
        The day.
    van : int
        Row of ``problem.vans``, a van with a break.
    free_s : int
        When the van is free for it, seconds since midnight, or ``NEVER``.

    Returns
    -------
    int
        Seconds since midnight; ``NEVER`` after the last moment to begin it.
    """
    vans = problem.vans
    if free_s > vans[van, MEAL_HI]:
        return NEVER
    return max(free_s, vans[van, MEAL_LO]) + vans[van, MEAL_LENGTH]


@leaf
def rest_by(problem: Problem, van: int, limit_s: int) -> int:
    """Return the latest second from which a break can be over by ``limit_s``.

    Parameters
    ----------
    problem : Problem
        The day.
    van : int
        Row of ``problem.vans``.
    limit_s : int
        Latest end of the break, seconds since midnight; may be negative.

    Returns
    -------
    int
        Seconds since midnight; -1: there is none.
    """
    vans = problem.vans
    latest_s = limit_s - vans[van, MEAL_LENGTH]
    if latest_s < vans[van, MEAL_LO]:
        return -1
    return min(latest_s, vans[van, MEAL_HI])


@leaf
def free_at_start(problem: Problem, van: int) -> tuple[int, int]:
    """Return when the van may set off with its break due, and with it done.

    Parameters
    ----------
    problem : Problem
        The day.
    van : int
        Row of ``problem.vans``.

    Returns
    -------
    tuple of int
        Seconds since midnight, break due and break done. A van without a break has
        it done (due: ``NEVER``).
    """
    start_s = problem.vans[van, SHIFT_LO]
    if problem.vans[van, MEAL_LENGTH] == 0:
        return NEVER, start_s
    return start_s, rested(problem, van, start_s)


@leaf
def serve(
    problem: Problem, van: int, free: tuple[int, int], leg: tuple[int, int]
) -> tuple[int, int]:
    """Return when a van is free after one more visit, break due and break done.

    Parameters
    ----------
    problem : Problem
        The day.
    van : int
        Its row of ``problem.vans``.
    free : tuple of int
        When it is free at the origin, break due and break done.
    leg : tuple of int
        Origin node and the visit it drives to.

    Returns
    -------
    tuple of int
        ``NEVER`` where it cannot be.
    """
    origin, visit = leg
    target = problem.visits[visit, NODE]
    done_s = NEVER
    if free[1] < NEVER:
        done_s = done_at(problem, visit, arrive(problem, free[1], origin, target))
    due_s = NEVER
    if free[0] < NEVER:
        arrive_s = arrive(problem, free[0], origin, target)
        due_s = done_at(problem, visit, arrive_s)
        before_s = arrive(problem, rested(problem, van, free[0]), origin, target)
        there_s = min(before_s, rested(problem, van, arrive_s))
        done_s = min(done_s, done_at(problem, visit, there_s))
    return due_s, done_s


@leaf
def back_at(problem: Problem, van: int, free: tuple[int, int], origin: int) -> int:
    """Return when the van is at its finish place.

    Parameters
    ----------
    problem : Problem
        The day.
    van : int
        Row of ``problem.vans``.
    free : tuple of int
        When it is free at the origin, break due and break done; ``NEVER``: cannot be.
    origin : int
        Node of its last stop.

    Returns
    -------
    int
        Seconds since midnight; ``NEVER`` if past SHIFT_HI or without its break.
    """
    target = problem.vans[van, FINISH]
    back_s = NEVER
    if free[1] < NEVER:
        back_s = arrive(problem, free[1], origin, target)
    if free[0] < NEVER:
        direct_s = arrive(problem, free[0], origin, target)
        if direct_s <= problem.vans[van, MEAL_HI]:  # the break fits in after the route
            back_s = min(back_s, direct_s)
        back_s = min(
            back_s, arrive(problem, rested(problem, van, free[0]), origin, target)
        )
    return back_s if back_s <= problem.vans[van, SHIFT_HI] else NEVER


@leaf
def price(problem: Problem, van: int, metres: int, back_s: int) -> int:
    """Return a route's cost units.

    Parameters
    ----------
    problem : Problem
        The day.
    van : int
        Row of ``problem.vans``.
    metres : int
        Driven in all.
    back_s : int
        Second it is at its finish place; below ``NEVER``.

    Returns
    -------
    int
        Distance, paid time from PAID and overtime past SHIFT_END.
    """
    vans = problem.vans
    return (
        metres * vans[van, M_UNITS]
        + (back_s - vans[van, PAID]) * vans[van, S_UNITS]
        + max(0, back_s - vans[van, SHIFT_END]) * vans[van, OVER_UNITS]
    )


@leaf
def gap_m(problem: Problem, origin: int, target: int) -> int:
    """Return the metres of one leg.

    Parameters
    ----------
    problem : Problem
        The day.
    origin, target : int
        Nodes of the travel tables; -1 is anywhere.

    Returns
    -------
    int
        Metres; 0 from or to anywhere.
    """
    if origin < 0 or target < 0:
        return 0
    return problem.distance_m[origin, target]


@leaf
def latest_before(
    problem: Problem, van: int, visit: int, target: int, latest: tuple[int, int]
) -> tuple[int, int]:
    """Return the latest arrivals at a visit, given those at what follows.

    Parameters
    ----------
    problem : Problem
        The day.
    van, visit, target : int
        The van, the visit, and the node it drives to next.
    latest : tuple of int
        Latest arrivals there, break due and break done.

    Returns
    -------
    tuple of int
        Break due and break done; negative where no arrival is early enough.
    """
    node = problem.visits[visit, NODE]
    leave_done_s = leave_by(problem, latest[1], node, target)
    leave_due_s = leave_by(problem, latest[0], node, target)
    leave_due_s = max(leave_due_s, rest_by(problem, van, leave_done_s))
    done_s = arrive_by(problem, visit, leave_done_s)
    due_s = max(arrive_by(problem, visit, leave_due_s), rest_by(problem, van, done_s))
    return due_s, done_s


@leaf
def note_end(problem: Problem, routes: Routes, van: int) -> None:
    """Work out a route's return and cost from its last label, metres and extras.

    Parameters
    ----------
    problem : Problem
        The day.
    routes : Routes
        BACK and MONEY of row ``van`` of its facts are changed. Where BACK is
        ``NEVER``, the route breaks a rule and MONEY means nothing.
    van : int
        Row of ``problem.vans``.
    """
    facts = routes.facts
    size = facts[van, SIZE]
    if size == 0:
        facts[van, BACK] = problem.vans[van, SHIFT_LO]
        facts[van, MONEY] = 0
        return
    free = (routes.labels[van, size, FREE_DUE], routes.labels[van, size, FREE_DONE])
    back_s = back_at(problem, van, free, routes.nodes[van, size])
    facts[van, BACK] = back_s
    facts[van, MONEY] = price(problem, van, facts[van, METRES], back_s)
    facts[van, MONEY] += facts[van, PARTS] + facts[van, PENALTY]


@entry
def time_route(problem: Problem, routes: Routes, van: int) -> bool:
    """Work out one route's labels, cost and return; False if it breaks a rule.

    Parameters
    ----------
    problem : Problem
        The day.
    routes : Routes
        Changed in place: row ``van`` of labels and facts (PARTS is taken as it is),
        ``place_of`` and ``van_of`` of its calls.
    van : int
        The van.

    Returns
    -------
    bool
        Whether windows, shift and break allow the order as it stands.
    """
    vans, visits = problem.vans, problem.visits
    order, nodes, labels = routes.order, routes.nodes, routes.labels
    facts = routes.facts
    size = facts[van, SIZE]
    free = free_at_start(problem, van)
    labels[van, 0, FREE_DUE], labels[van, 0, FREE_DONE] = free
    origin = vans[van, START]
    nodes[van, 0] = origin
    metres, penalty, late, stops = 0, 0, 0, 0
    for index in range(size):
        visit = order[van, index]
        call, node = visits[visit, CALL], visits[visit, NODE]
        routes.van_of[call] = van
        routes.place_of[call] = index
        nodes[van, index + 1] = node
        metres += gap_m(problem, origin, node)
        penalty += visits[visit, UNITS]
        late += visits[visit, BROKEN]
        if call >= problem.call_count:
            stops += 1
        free = serve(problem, van, free, (origin, visit))
        labels[van, index + 1, FREE_DUE], labels[van, index + 1, FREE_DONE] = free
        origin = node
    nodes[van, size + 1] = vans[van, FINISH]
    if size > 0:
        metres += gap_m(problem, origin, vans[van, FINISH])
    facts[van, METRES], facts[van, PENALTY] = metres, penalty
    facts[van, LATE], facts[van, STOPS] = late, stops
    note_end(problem, routes, van)

    latest = (min(vans[van, SHIFT_HI], vans[van, MEAL_HI]), vans[van, SHIFT_HI])
    labels[van, size, LATEST_DUE], labels[van, size, LATEST_DONE] = latest
    target = vans[van, FINISH]
    for index in range(size - 1, -1, -1):
        latest = latest_before(problem, van, order[van, index], target, latest)
        labels[van, index, LATEST_DUE], labels[van, index, LATEST_DONE] = latest
        target = nodes[van, index + 1]
    return facts[van, BACK] < NEVER


@kernel
def put_in(problem: Problem, routes: Routes, van: int, spot: int, visit: int) -> None:
    """Put a visit on a route where it fits; labels change only as far as they must.

    Parameters
    ----------
    problem : Problem
        The day.
    routes : Routes
        Changed in place, as by :func:`time_route`.
    van, spot, visit : int
        The route, the position the visit gets, and the visit.
    """
    visits = problem.visits
    order, nodes, labels = routes.order, routes.nodes, routes.labels
    facts = routes.facts
    size = facts[van, SIZE]
    call, node = visits[visit, CALL], visits[visit, NODE]
    origin, target = nodes[van, spot], nodes[van, spot + 1]
    facts[van, METRES] += gap_m(problem, origin, node)
    facts[van, METRES] += gap_m(problem, node, target)
    if size > 0:
        facts[van, METRES] -= gap_m(problem, origin, target)
    facts[van, PENALTY] += visits[visit, UNITS]
    facts[van, LATE] += visits[visit, BROKEN]
    if call >= problem.call_count:
        facts[van, STOPS] += 1
    for index in range(size, spot - 1, -1):
        nodes[van, index + 2] = nodes[van, index + 1]
        for column in range(4):
            labels[van, index + 1, column] = labels[van, index, column]
        if index < size:
            order[van, index + 1] = order[van, index]
            routes.place_of[visits[order[van, index], CALL]] = index + 1
    order[van, spot] = visit
    nodes[van, spot + 1] = node
    routes.van_of[call] = van
    routes.place_of[call] = spot
    size += 1
    facts[van, SIZE] = size

    free = (labels[van, spot, FREE_DUE], labels[van, spot, FREE_DONE])
    for index in range(spot, size):
        free = serve(problem, van, free, (origin, order[van, index]))
        if index > spot and (
            free[0] == labels[van, index + 1, FREE_DUE]
            and free[1] == labels[van, index + 1, FREE_DONE]
        ):
            break  # a wait has swallowed the delay
        labels[van, index + 1, FREE_DUE], labels[van, index + 1, FREE_DONE] = free
        origin = nodes[van, index + 1]
    note_end(problem, routes, van)

    latest = (labels[van, spot + 1, LATEST_DUE], labels[van, spot + 1, LATEST_DONE])
    for index in range(spot, -1, -1):
        latest = latest_before(problem, van, order[van, index], target, latest)
        if index < spot and (
            latest[0] == labels[van, index, LATEST_DUE]
            and latest[1] == labels[van, index, LATEST_DONE]
        ):
            break
        labels[van, index, LATEST_DUE], labels[van, index, LATEST_DONE] = latest
        target = nodes[van, index + 1]


@leaf
def limited(problem: Problem, van: int) -> bool:
    """Return whether a van has a limit on driving or on work.

    Parameters
    ----------
    problem : Problem
        The day.
    van : int
        Row of ``problem.vans``.

    Returns
    -------
    bool
        Whether :func:`within_limits` has to be asked.
    """
    return problem.vans[van, DRIVE_MAX] > 0 or problem.vans[van, WORK_MAX] > 0


@kernel
def within_limits(problem: Problem, routes: Routes, van: int) -> bool:
    """Return whether a route keeps the van's limits on driving and on work.

    The drives are added up along the route as it is written out later; where the break
    can be taken in two ways that are as early, the longer drive counts. So what passes
    here passes there.

    Parameters
    ----------
    problem : Problem
        The day.
    routes : Routes
        With the route timed.
    van : int
        Row of ``problem.vans``.

    Returns
    -------
    bool
        Also true for an empty route.
    """
    vans, visits, order = problem.vans, problem.visits, routes.order
    size = routes.facts[van, SIZE]
    if size == 0 or not limited(problem, van):
        return True
    out_s = routes.facts[van, BACK] - vans[van, SHIFT_LO]
    idle_s = out_s
    for index in range(size):
        idle_s -= visits[order[van, index], LENGTH]
    if (vans[van, WORK_MAX] == 0 or out_s <= vans[van, WORK_MAX]) and (
        vans[van, DRIVE_MAX] == 0 or idle_s <= vans[van, DRIVE_MAX]
    ):
        return True  # most routes: not even the whole time would be too much
    labels = routes.labels
    free = free_at_start(problem, van)
    origin = vans[van, START]
    driven_due, driven_done = 0, 0
    leave_due, leave_done = free[0], free[1]
    for index in range(size):
        visit = order[van, index]
        node, length_s = visits[visit, NODE], visits[visit, LENGTH]
        after = (labels[van, index + 1, FREE_DUE], labels[van, index + 1, FREE_DONE])
        more_done, since_s = 0, NEVER
        if free[1] < NEVER and (index > 0 or free[0] >= NEVER):
            there_s = arrive(problem, free[1], origin, node)
            if done_at(problem, visit, there_s) <= after[1]:
                more_done, since_s = driven_done + there_s - free[1], leave_done
                if index == 0 and after[1] < NEVER:
                    # It sets off as late as this visit allows.
                    by_s = leave_by(problem, after[1] - length_s, origin, node)
                    since_s = max(free[1], by_s)
                    more_done = arrive(problem, since_s, origin, node) - since_s
        if free[0] < NEVER:
            there_s = arrive(problem, free[0], origin, node)
            rest_s = rested(problem, van, free[0])
            before_s = arrive(problem, rest_s, origin, node)
            if rest_s < NEVER and done_at(problem, visit, before_s) <= after[1]:
                more_done = max(more_done, driven_due + before_s - rest_s)
                if index == 0:  # the break comes first
                    leave_due = rest_s - vans[van, MEAL_LENGTH]
                since_s = min(since_s, leave_due)
            rest_s = rested(problem, van, there_s)
            more_due = there_s - free[0]
            if rest_s < NEVER and done_at(problem, visit, rest_s) <= after[1] < NEVER:
                if index == 0:  # it drives there in time for the break
                    by_s = rest_s - vans[van, MEAL_LENGTH]
                    if there_s < by_s:
                        by_s = after[1] - length_s - vans[van, MEAL_LENGTH]
                        by_s = min(vans[van, MEAL_HI], by_s)
                    leave_due = max(free[0], leave_by(problem, by_s, origin, node))
                    more_due = arrive(problem, leave_due, origin, node) - leave_due
                more_done = max(more_done, driven_due + more_due)
                since_s = min(since_s, leave_due)
            if index == 0 and after[0] < NEVER:
                by_s = leave_by(problem, after[0] - length_s, origin, node)
                leave_due = max(free[0], by_s)
                more_due = arrive(problem, leave_due, origin, node) - leave_due
            driven_due += more_due
        driven_done, leave_done = more_done, since_s
        free, origin = after, node
    target, back_s = vans[van, FINISH], routes.facts[van, BACK]
    driven, work_s = 0, 0
    if free[1] < NEVER and arrive(problem, free[1], origin, target) == back_s:
        driven = driven_done + back_s - free[1]
        work_s = back_s - leave_done - vans[van, MEAL_LENGTH]
    if free[0] < NEVER:
        there_s = arrive(problem, free[0], origin, target)
        if there_s == back_s and there_s <= vans[van, MEAL_HI]:
            driven = max(driven, driven_due + there_s - free[0])
            work_s = max(work_s, back_s - leave_due)
        rest_s = rested(problem, van, free[0])
        if rest_s < NEVER and arrive(problem, rest_s, origin, target) == back_s:
            driven = max(driven, driven_due + back_s - rest_s)
            work_s = max(work_s, back_s - leave_due - vans[van, MEAL_LENGTH])
    return (vans[van, DRIVE_MAX] == 0 or driven <= vans[van, DRIVE_MAX]) and (
        vans[van, WORK_MAX] == 0 or work_s <= vans[van, WORK_MAX]
    )
