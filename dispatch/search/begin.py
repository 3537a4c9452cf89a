"""Put given routes into a search, so that it begins from them and not from nothing.

What cannot be kept (parts that do not go round in the order in which they are asked
for, times that linked calls do not agree on) is left out; the search puts it back.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dispatch.problem import CALL, CREW, FIRST, STORE_VISIT, THEN, WEIGHT, Problem
from dispatch.search._jit import entry, kernel
from dispatch.search.lns import (
    BARRED,
    HUGE,
    Notes,
    agree,
    apply_terms,
    drop_idle_stops,
    fetch_parts,
    meet_terms,
    return_parts,
    take_out,
    take_parts,
    widen,
)
from dispatch.search.schedule import (
    SIZE,
    Routes,
    limited,
    put_in,
    time_route,
    within_limits,
)

ATTEMPTS = 3  # to share the parts; each time those come first that had missed out


class Lot(NamedTuple):
    """Routes that are given, and what becomes of their calls.

    Parameters
    ----------
    visits : ndarray, shape (vans, stops)
        The visits of each van in order, stops at stores among them.
    sizes : ndarray, shape (vans,)
        How many of them count.
    supplied, missed : ndarray, shape (calls,)
        1 for calls that have their parts, and for those that once did not get them.
    follows : ndarray, shape (calls,)
        1 for calls that follow others.
    """

    visits: NDArray[np.int64]
    sizes: NDArray[np.int64]
    supplied: NDArray[np.int64]
    missed: NDArray[np.int64]
    follows: NDArray[np.int64]


def new_lot(problem: Problem) -> Lot:
    """Return no routes.

    Parameters
    ----------
    problem : Problem
        The day.

    Returns
    -------
    Lot
        With room for any.
    """
    vans, calls = len(problem.vans), problem.call_count
    return Lot(
        visits=np.zeros((vans, max(1, calls + len(problem.stores))), np.int64),
        sizes=np.zeros(vans, np.int64),
        supplied=np.zeros(calls, np.int64),
        missed=np.zeros(calls, np.int64),
        follows=np.zeros(calls, np.int64),
    )


@kernel
def supply(problem: Problem, routes: Routes, lot: Lot, van: int, index: int) -> bool:
    """Reserve a given call's parts, from a store that comes before it if need be.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and what its vans use.
    lot : Lot
        The given routes.
    van, index : int
        The van, and the call's position.

    Returns
    -------
    bool
        Whether all are reserved; if not, nothing is.
    """
    call = problem.visits[lot.visits[van, index], CALL]
    if take_parts(problem, routes, van, call):
        return True
    for before in range(index):
        store = problem.visits[lot.visits[van, before], CALL] - problem.call_count
        if store >= 0 and fetch_parts(problem, routes, van, call, store) < HUGE:
            return True
    return False


@kernel
def supply_all(problem: Problem, routes: Routes, lot: Lot) -> None:
    """Share the parts between all given calls.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day and what its vans use.
    lot : Lot
        The given routes; ``supplied`` and ``missed`` are filled in.
    """
    for attempt in range(ATTEMPTS):
        failed = 0
        for turn in range(2):
            for van in range(len(problem.vans)):
                for index in range(lot.sizes[van]):
                    visit = lot.visits[van, index]
                    call = problem.visits[visit, CALL]
                    if (
                        call < problem.call_count
                        and (lot.missed[call] == 0) == (turn == 1)
                        and problem.allowed[van, visit] == 1
                        and lot.supplied[call] == 0
                    ):
                        if supply(problem, routes, lot, van, index):
                            lot.supplied[call] = 1
                        else:
                            failed += 1
        if failed == 0 or attempt == ATTEMPTS - 1:
            return
        for van in range(len(problem.vans)):
            for index in range(lot.sizes[van]):
                call = problem.visits[lot.visits[van, index], CALL]
                if call >= problem.call_count:
                    continue
                if lot.supplied[call] == 0:
                    lot.missed[call] = 1
                else:
                    return_parts(problem, routes, van, call)
                    lot.supplied[call] = 0


@kernel
def works(problem: Problem, routes: Routes, van: int) -> bool:
    """Return whether a route can be driven, timed anew, its limits among it.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The search.
    van : int
        The route.

    Returns
    -------
    bool
        Whether it can.
    """
    return time_route(problem, routes, van) and (
        not limited(problem, van) or within_limits(problem, routes, van)
    )


@kernel
def follow(
    problem: Problem, routes: Routes, notes: Notes, van: int, place: tuple[int, int]
) -> bool:
    """Put a call on a route that follows others, at times all of them agree on.

    Parameters
    ----------
    problem, routes, notes : Problem, Routes, Notes
        The search.
    van : int
        The route.
    place : tuple of int
        The position, and the visit.

    Returns
    -------
    bool
        Whether it works; if not, the call is on no route and has no parts.
    """
    spot, visit = place
    call = problem.visits[visit, CALL]
    who = meet_terms(problem, routes, call)
    right = who < 0 or problem.vans[who, CREW] == problem.vans[van, CREW]
    if routes.store_of[call] >= 0:  # its stop may be gone with other calls
        stop = problem.stores[routes.store_of[call], STORE_VISIT]
        stopped = False
        for before in range(spot):
            stopped = stopped or routes.order[van, before] == stop
        right = right and stopped
    put_in(problem, routes, van, spot, visit)
    routes.left[0] -= problem.visits[call, WEIGHT]
    if (
        right
        and works(problem, routes, van)
        and agree(problem, routes, notes, call)
        and works(problem, routes, van)
    ):
        for link in range(len(problem.links)):
            giver = routes.van_of[problem.links[link, FIRST]]
            if problem.links[link, THEN] == call:
                right = right and works(problem, routes, giver)
        if right:
            return True
    take_out(problem, routes, van, call)
    widen(problem, call)
    apply_terms(problem, routes)
    for other in range(len(problem.vans)):
        time_route(problem, routes, other)
    return False


@kernel
def put_followers(
    problem: Problem,
    routes: Routes,
    notes: Notes,
    lot: Lot,
) -> int:
    """Put calls that follow others on their routes, as far as those are there.

    Parameters
    ----------
    problem, routes, notes : Problem, Routes, Notes
        The search.
    lot : Lot
        The given routes; a call has no parts any more where it failed.

    Returns
    -------
    int
        How many have been put in.
    """
    done = 0
    for van in range(len(problem.vans)):
        spot = 0
        for index in range(lot.sizes[van]):
            visit = lot.visits[van, index]
            call = problem.visits[visit, CALL]
            size = routes.facts[van, SIZE]
            if spot < size and routes.order[van, spot] == visit:
                spot += 1
            elif (
                call < problem.call_count
                and lot.supplied[call] == 1
                and routes.van_of[call] < 0
                and meet_terms(problem, routes, call) != BARRED
            ):
                if follow(problem, routes, notes, van, (spot, visit)):
                    spot += 1
                    done += 1
                else:
                    lot.supplied[call] = 0
                    spot = min(spot, routes.facts[van, SIZE])
    return done


@entry
def begin(problem: Problem, routes: Routes, notes: Notes, lot: Lot) -> None:
    """Put given routes into a search that has placed nothing yet.

    Parameters
    ----------
    problem, routes, notes : Problem, Routes, Notes
        The search; ``routes`` are changed, and windows of linked calls.
    lot : Lot
        The given routes, of none of whose calls anything is known yet.
    """
    vans, calls = len(problem.vans), problem.call_count
    supply_all(problem, routes, lot)
    for link in range(len(problem.links)):
        lot.follows[problem.links[link, THEN]] = 1
    for van in range(vans):
        for index in range(lot.sizes[van]):
            visit = lot.visits[van, index]
            call = problem.visits[visit, CALL]
            if call < calls:
                if lot.supplied[call] == 0 or lot.follows[call] == 1:
                    continue
                routes.left[0] -= problem.visits[call, WEIGHT]
            routes.order[van, routes.facts[van, SIZE]] = visit
            routes.facts[van, SIZE] += 1
        while not works(problem, routes, van):
            last = routes.facts[van, SIZE] - 1
            call = problem.visits[routes.order[van, last], CALL]
            if call < calls:
                take_out(problem, routes, van, call)
                lot.supplied[call] = 0
            else:
                routes.facts[van, SIZE] = last
    rest = 1 if len(problem.links) > 0 else 0
    while rest > 0:
        rest = put_followers(problem, routes, notes, lot)
    for van in range(vans):
        for index in range(lot.sizes[van]):
            call = problem.visits[lot.visits[van, index], CALL]
            if call < calls and lot.supplied[call] == 1 and routes.van_of[call] < 0:
                return_parts(problem, routes, van, call)
                lot.supplied[call] = 0
        drop_idle_stops(problem, routes, van)
        time_route(problem, routes, van)
    for van in range(vans):
        notes.touched[van] = 0
