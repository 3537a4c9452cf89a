"""Hundreds of invented days, and the judge finds nothing in any of their plans.

Twenty thousand of them: ``python -m tests.benchmark.judged``.
"""

from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from typing import NamedTuple

import pytest

from dispatch.generator import ALL, Feature, generate_day
from dispatch.planner import Budget, plan_day
from dispatch.rules import judge
from dispatch.travel import travel_table
from shared.model import Origin, Proof, StopKind

SMALL, MIDDLE, LARGE = 380, 10, 10
FULL_SMALL, FULL_MIDDLE, FULL_LARGE = 60, 5, 2
ROUNDS = 20  # of the search, where a day is too large to be enumerated


class Size(NamedTuple):
    """One invented day."""

    seed: int
    calls: int
    vans: int
    tightness: float
    full: bool = False
    running: bool = False  # a plan of it is running


class Seen(NamedTuple):
    """What the judge found, and what the plan had in it."""

    size: Size
    violations: tuple[str, ...]
    proved: bool
    has: frozenset[str]


def sizes() -> Iterator[Size]:
    """Yield mostly small days, some of a whole office; from slack to tight."""
    for seed in range(SMALL):
        yield Size(seed, 3 + seed % 6, 1 + seed // 6 % 4, seed % 5 / 4)
    for seed in range(MIDDLE):
        calls = 9 + seed % 6
        vans = 1 + seed % 2 if calls < 12 else 1  # more can take seconds to prove
        yield Size(10_000 + seed, calls, vans, seed % 5 / 4)
    for seed in range(LARGE):
        yield Size(20_000 + seed, 40 + seed % 41, 4 + seed % 7, seed % 5 / 4)


def full_sizes() -> Iterator[Size]:
    """Yield days with everything that the model knows."""
    for seed in range(FULL_SMALL):
        size = Size(30_000 + seed, 3 + seed % 6, 1 + seed // 6 % 4, seed % 5 / 4)
        yield size._replace(full=True, running=seed % 4 == 0)
    for seed in range(FULL_MIDDLE):
        size = Size(40_000 + seed, 9 + seed % 10, 1 + seed % 3, seed % 5 / 4)
        yield size._replace(full=True)
    for seed in range(FULL_LARGE):
        size = Size(50_000 + seed, 30 + seed % 41, 4 + seed % 7, seed % 5 / 4)
        yield size._replace(full=True)


def look_at(size: Size) -> Seen:
    """Plan one day and have it judged, once more than the planner does itself."""
    day = generate_day(
        size.seed,
        size.calls,
        size.vans,
        tightness=size.tightness,
        features=(ALL if size.full else frozenset())
        | (frozenset({Feature.STANDING}) if size.running else frozenset()),
    )
    # Every tenth day's reasons are tried out by planning anew, as a user's are.
    budget = Budget(rounds=ROUNDS, replans=size.seed % 10 == 0)
    plan = plan_day(day, budget)
    has = {
        "break": any(s.kind is StopKind.BREAK for r in plan.routes for s in r.stops),
        "overtime": any(route.overtime_s for route in plan.routes),
        "shop": any(issue.origin is Origin.SHOP for issue in plan.issues),
        "unplaced": bool(plan.unplaced),
        "all placed": not plan.unplaced,
        "substitute": any(
            call.needs[issue.need].alternatives[0] != issue.chosen
            for call in day.calls
            for issue in plan.issues
            if issue.call_id == call.id and issue.need is not None
        ),
        "late": bool(plan.late),
        "changed": any(route.change_units for route in plan.routes),
        "unwelcome": any(route.preference_units for route in plan.routes),
        "dear parts": any(route.parts_units for route in plan.routes),
        "fetched": any(issue.origin is Origin.RESTOCK for issue in plan.issues),
        "handed over": any(issue.origin is Origin.VAN for issue in plan.issues),
        "tool": bool(plan.tools),
        "linked": any(
            {link.first, link.then} <= {id_ for r in plan.routes for id_ in r.call_ids}
            for link in day.links
        ),
    }
    return Seen(
        size=size,
        violations=tuple(map(str, judge(day, travel_table(day), plan))),
        proved=plan.status.proof is Proof.PROVED_BEST,
        has=frozenset(word for word, is_there in has.items() if is_there),
    )


def judged(days: list[Size]) -> list[Seen]:
    """Look at all of them and check that the judge finds nothing."""
    # Fresh processes: a forked one would inherit locks of threads it does not have.
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as workers:
        # The long ones first and one by one, so that neither core waits at the end.
        largest_first = sorted(days, key=lambda size: -size.calls)
        seen = list(workers.map(look_at, largest_first))
    assert [(each.size, each.violations) for each in seen if each.violations] == []
    return seen


@pytest.mark.slow
def test_the_judge_finds_nothing_on_days_of_every_size() -> None:
    seen = judged(list(sizes()))
    assert len(seen) == SMALL + MIDDLE + LARGE
    # The days hold what can go wrong, and both ways of planning were used.
    for word in ("break", "overtime", "shop", "unplaced", "all placed", "substitute"):
        assert sum(word in each.has for each in seen) >= 30, word
    assert sum(each.proved for each in seen) >= SMALL
    assert sum(not each.proved for each in seen) >= LARGE // 4


@pytest.mark.slow
def test_the_judge_finds_nothing_on_days_with_everything() -> None:
    seen = judged(list(full_sizes()))
    assert len(seen) == FULL_SMALL + FULL_MIDDLE + FULL_LARGE
    for word in (
        *("break", "overtime", "shop", "unplaced", "all placed", "substitute"),
        *("late", "unwelcome", "dear parts", "fetched", "handed over", "tool"),
        *("linked", "changed"),
    ):
        assert sum(word in each.has for each in seen) >= 3, word
    assert sum(not each.proved for each in seen) >= FULL_SMALL // 4
