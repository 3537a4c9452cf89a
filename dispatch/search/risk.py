"""What lateness is to be expected of a route, from sampled futures.

In each future the driver does what the plan says: he sets off when it says, drives on
as soon as a visit is done, waits for a span to open, has his break at its place, and
serves who is late all the same. The rule is complete without the written plan, so that
search and judge agree to the unit:

- All as planned, by the spans of :class:`dispatch.problem.Futures`, the break is where
  the van is home first, of places as good the last. The places are, in order: before
  each drive, and after it on the street; at last none, where it is home by MEAL_HI.
- It leaves as late as its first visit then allows; at the start of the shift where the
  break comes before that.
- A drive's length at free flow is multiplied with the future's pace, rounded up.
- A visit is late for its promise by its start, for the customer's hours by its end.
- Lateness is summed up over visits and futures; the sum times ``units_s``, divided by
  the number of futures and rounded down, is what the route's risk costs.
"""

from dispatch.problem import (
    DUE,
    FINISH,
    INSIDE,
    LENGTH,
    MEAL_HI,
    MEAL_LENGTH,
    MEAL_LO,
    NEVER,
    NODE,
    SHIFT_LO,
    SPAN,
    SPANS,
    START,
    Futures,
    Problem,
)
from dispatch.search._jit import entry, kernel, leaf
from dispatch.search.schedule import RISK, SIZE, Routes, drive, leave_by


@leaf
def begin_at(futures: Futures, visit: int, there_s: int) -> tuple[int, int]:
    """Return when a visit begins whose driver is there.

    Parameters
    ----------
    futures : Futures
        When he may start.
    visit : int
        Row of ``futures.visits``.
    there_s : int
        Since when he is there, seconds since midnight.

    Returns
    -------
    tuple of int
        Seconds since midnight, after the last span at once; and the last start of
        that span (``NEVER``: there is none).
    """
    visits = futures.visits
    last_s = NEVER
    for index in range(visits[visit, SPANS]):
        last_s = visits[visit, SPAN + 2 * index + 1]
        if there_s <= last_s:
            return max(there_s, visits[visit, SPAN + 2 * index]), last_s
    return there_s, last_s


@leaf
def slow_drive(
    problem: Problem, free_s: int, origin: int, target: int, pace: int
) -> int:
    """Return when a drive ends in a future.

    Parameters
    ----------
    problem : Problem
        The day.
    free_s : int
        Departure, seconds since midnight.
    origin, target : int
        Nodes of the travel tables; -1 is anywhere, and no drive.
    pace : int
        Permille of the expected length.

    Returns
    -------
    int
        Seconds since midnight.
    """
    if origin < 0 or target < 0:
        return free_s
    base_s = (problem.base_s[origin, target] * pace + 999) // 1000
    return drive(problem, free_s, base_s)


@kernel
def home_with(
    problem: Problem, futures: Futures, routes: Routes, van: int, rest: int
) -> int:
    """Return when a van is home if all goes as planned, its break at one place.

    Parameters
    ----------
    problem, futures, routes : Problem, Futures, Routes
        The search; only the order of the route's visits is looked at.
    van, rest : int
        The route, and the place of its break: 2 i before the i-th drive, 2 i + 1 after
        it; one more than the last of them: none.

    Returns
    -------
    int
        Seconds since midnight; ``NEVER``: the break cannot be there.
    """
    vans, visits = problem.vans, problem.visits
    size = routes.facts[van, SIZE]
    free_s, origin = vans[van, SHIFT_LO], vans[van, START]
    for index in range(size + 1):
        visit = routes.order[van, index] if index < size else -1
        target = visits[visit, NODE] if index < size else vans[van, FINISH]
        if rest == 2 * index:
            if free_s > vans[van, MEAL_HI]:
                return NEVER
            free_s = max(free_s, vans[van, MEAL_LO]) + vans[van, MEAL_LENGTH]
        free_s = slow_drive(problem, free_s, origin, target, 1000)
        if index < size:
            if rest == 2 * index + 1:
                if free_s > vans[van, MEAL_HI]:
                    return NEVER
                free_s = max(free_s, vans[van, MEAL_LO]) + vans[van, MEAL_LENGTH]
            free_s = begin_at(futures, visit, free_s)[0] + visits[visit, LENGTH]
        origin = target
    if rest > 2 * size and free_s > vans[van, MEAL_HI]:
        return NEVER
    return free_s


@kernel
def break_place(problem: Problem, futures: Futures, routes: Routes, van: int) -> int:
    """Return at which place of a route the break is to be expected.

    Parameters
    ----------
    problem, futures, routes : Problem, Futures, Routes
        The search.
    van : int
        The route.

    Returns
    -------
    int
        As :func:`home_with` counts them; -1: the van has no break.
    """
    if problem.vans[van, MEAL_LENGTH] == 0:
        return -1
    last = 2 * routes.facts[van, SIZE] + 1
    best, best_s = last, NEVER
    for rest in range(last, -1, -1):
        home_s = home_with(problem, futures, routes, van, rest)
        if home_s < best_s:
            best, best_s = rest, home_s
    return best


@kernel
def expect(problem: Problem, futures: Futures, routes: Routes, van: int) -> None:
    """Work out what the lateness to be expected of one route costs.

    Parameters
    ----------
    problem, futures, routes : Problem, Futures, Routes
        The search; RISK of the route is changed.
    van : int
        The route.
    """
    vans, visits, order = problem.vans, problem.visits, routes.order
    size = routes.facts[van, SIZE]
    routes.facts[van, RISK] = 0
    told = 0  # so many visits have something to be late for
    for index in range(size):
        visit = order[van, index]
        if futures.visits[visit, DUE] < NEVER or futures.visits[visit, INSIDE] == 1:
            told = index + 1
    if told == 0:
        return
    rest = break_place(problem, futures, routes, van)
    leave_s = vans[van, SHIFT_LO]
    first = order[van, 0]
    if rest < 0 or rest > 1:
        home = vans[van, START]
        node = visits[first, NODE]
        there_s = slow_drive(problem, leave_s, home, node, 1000)
        start_s = begin_at(futures, first, there_s)[0]
        leave_s = max(leave_s, leave_by(problem, start_s, home, node))
    late_s = 0
    for future in range(len(futures.pace)):
        pace = futures.pace[future]
        free_s, origin = leave_s, vans[van, START]
        for index in range(told):
            visit = order[van, index]
            target = visits[visit, NODE]
            if rest == 2 * index:
                free_s = max(free_s, vans[van, MEAL_LO]) + vans[van, MEAL_LENGTH]
            free_s = slow_drive(problem, free_s, origin, target, pace)
            if rest == 2 * index + 1:
                free_s = max(free_s, vans[van, MEAL_LO]) + vans[van, MEAL_LENGTH]
            start_s, last_s = begin_at(futures, visit, free_s)
            free_s = start_s + futures.lengths[visit, future]
            over_s = start_s - futures.visits[visit, DUE]
            if futures.visits[visit, INSIDE] == 1:
                over_s = free_s - last_s - visits[visit, LENGTH]
            if over_s > 0:
                late_s += over_s + futures.broken_s
            origin = target
    routes.facts[van, RISK] = late_s * futures.units_s // len(futures.pace)


@entry
def expect_all(problem: Problem, futures: Futures, routes: Routes) -> None:
    """Work out what the lateness to be expected of each route costs.

    Parameters
    ----------
    problem, futures, routes : Problem, Futures, Routes
        The search; RISK of all routes is changed.
    """
    for van in range(len(problem.vans)):
        if len(futures.pace) > 0:
            expect(problem, futures, routes, van)
