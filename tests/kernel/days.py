"""Generated days as the kernel sees them, fewer of them where it is interpreted."""

import os
from typing import NamedTuple

import numpy as np

from dispatch.generator import Feature, generate_day
from dispatch.problem import (
    CALL,
    WINDOW,
    WINDOWS,
    Ints,
    Problem,
    build_problem,
    no_futures,
    own_copy,
    restock_stores,
)
from dispatch.search.lns import Memory, apply_terms, new_memory, search
from dispatch.search.schedule import PARTS, SIZE, Routes, empty_routes, time_route
from dispatch.timetable import Task
from dispatch.travel import TravelTable, travel_table
from shared.model import Day

INTERPRETED = os.environ.get("NUMBA_DISABLE_JIT", "0") not in ("", "0")
"""Plain Python takes a hundred times as long: the same tests see fewer days."""

HEAT = (1e8, 1e7)  # cost units: 1.1 hours of a van at 30.00, and a tenth of that


class Case(NamedTuple):
    """One day in all its forms."""

    day: Day
    travel: TravelTable
    problem: Problem


def case_of(day: Day) -> Case:
    """Return a day with its drives and its arrays."""
    travel = travel_table(day)
    return Case(day, travel, build_problem(day, travel))


def cases(
    count: int,
    calls: int,
    vans: int,
    *,
    first: int = 0,
    features: frozenset[Feature] = frozenset(),
) -> list[Case]:
    """Return generated days, one per seed from ``first`` on."""
    return [
        case_of(generate_day(seed, calls, vans, features=features))
        for seed in range(first, first + count)
    ]


def fewer(compiled: int, interpreted: int) -> int:
    """Return the first number, or the second where nothing is compiled."""
    return interpreted if INTERPRETED else compiled


def searched(problem: Problem, rounds: int, seed: int = 0) -> Memory:
    """Return the memory of a search after some rounds."""
    memory = new_memory(problem)
    search(problem, memory, np.random.default_rng(seed), rounds, HEAT, no_futures())
    return memory


def timed(
    problem: Problem, van: int, order: tuple[int, ...], parts_units: int = 0
) -> tuple[bool, Routes]:
    """Return whether one route works, and its labels, worked out from nothing."""
    routes = empty_routes(problem)
    routes.order[van, : len(order)] = order
    routes.facts[van, SIZE] = len(order)
    routes.facts[van, PARTS] = parts_units
    return bool(time_route(problem, routes, van)), routes


def task_of(day: Day, visits: Ints, visit: int) -> Task:
    """Return a visit or a stop as the plain clock wants it."""
    call = int(visits[visit, CALL])
    if call >= len(day.calls):
        return Task(store_id=restock_stores(day)[call - len(day.calls)].id)
    cells = visits[visit, WINDOW : WINDOW + 2 * visits[visit, WINDOWS]].tolist()
    spans = zip(cells[::2], cells[1::2], strict=True)
    return Task(
        call_id=day.calls[call].id,
        spans=tuple((low, high) for low, high in spans if low <= high),
    )


def as_agreed(problem: Problem, routes: Routes) -> Problem:
    """Return the problem with the windows that linked calls on routes agreed on."""
    own = own_copy(problem)
    apply_terms(own, routes)
    return own
