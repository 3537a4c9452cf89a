"""Generated days as the kernel sees them, fewer of them where it is interpreted."""

import os
from typing import NamedTuple

import numpy as np

from dispatch.generator import generate_day
from dispatch.problem import Problem, build_problem
from dispatch.search.lns import Memory, new_memory, search
from dispatch.search.schedule import SIZE, Routes, empty_routes, time_route
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


def cases(count: int, calls: int, vans: int, *, first: int = 0) -> list[Case]:
    """Return generated days, one per seed from ``first`` on."""
    return [
        case_of(generate_day(seed, calls, vans)) for seed in range(first, first + count)
    ]


def fewer(compiled: int, interpreted: int) -> int:
    """Return the first number, or the second where nothing is compiled."""
    return interpreted if INTERPRETED else compiled


def searched(problem: Problem, rounds: int, seed: int = 0) -> Memory:
    """Return the memory of a search after some rounds."""
    memory = new_memory(problem)
    search(problem, memory, np.random.default_rng(seed), rounds, HEAT)
    return memory


def timed(problem: Problem, van: int, order: tuple[int, ...]) -> tuple[bool, Routes]:
    """Return whether one route works, and its labels, worked out from nothing."""
    routes = empty_routes(problem)
    routes.order[van, : len(order)] = order
    routes.facts[van, SIZE] = len(order)
    return bool(time_route(problem, routes, van)), routes
