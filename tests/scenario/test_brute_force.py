"""Whole days against looking at every plan there is."""

from dataclasses import replace

import pytest

from dispatch.generator import ALL, Feature, generate_day
from dispatch.planner import Budget, plan_day
from dispatch.rules import goal
from dispatch.search.tours import CALLS_MAX
from dispatch.travel import travel_table
from shared.model import Day, Proof
from tests.oracle.brute_force import best_plan_goal

SEEDS = 500
SEARCHED_SEEDS = 60
ROUNDS = 1000
FULL_SEEDS = 150


@pytest.mark.slow
def test_no_plan_of_a_small_day_is_better_than_keyrounds() -> None:
    costs = set()
    for seed in range(SEEDS):
        day = generate_day(seed, 7, 2)
        plan = plan_day(day, Budget(replans=False))
        best = best_plan_goal(day, travel_table(day))
        assert goal(day, plan) == best, f"seed {seed}"
        assert plan.status.proof is Proof.PROVED_BEST
        costs.add(best)
    assert len(costs) > 0.95 * SEEDS  # so many different days


def full_day(seed: int, calls: int, features: frozenset[Feature]) -> Day:
    """Return a day with these features; its tools stay with one van all day."""
    day = generate_day(seed, calls, 2, features=features)
    return replace(
        day, tools=tuple(replace(tool, handover=False) for tool in day.tools)
    )


FULL = {
    # Calls, features, and how many days of 150 the search alone may miss: a bar, not
    # a proof. Measured when this was written: 10, 5, 2, 0, 4, 0; with a running plan
    # 15, 0.
    "everything, four calls": (4, ALL, 12),
    "all but links": (5, ALL - {Feature.LINKS}, 7),
    "links alone": (5, frozenset({Feature.LINKS}), 4),
    "limits alone": (6, frozenset({Feature.LIMITS}), 1),
    "stores alone": (5, frozenset({Feature.RESTOCK}), 6),
    "what is enumerated": (
        6,
        ALL - {Feature.LINKS, Feature.RESTOCK, Feature.LIMITS},
        0,
    ),
    "everything, and a running plan": (4, ALL | {Feature.STANDING}, 18),
    "a running plan alone": (6, frozenset({Feature.STANDING}), 0),
}


@pytest.mark.slow
@pytest.mark.parametrize("kind", FULL)
def test_no_plan_of_a_day_with_everything_is_better_than_one_called_proved(
    kind: str,
) -> None:
    calls, features, bar = FULL[kind]
    missed, proved = [], 0
    for seed in range(FULL_SEEDS):
        day = full_day(seed, calls, features)
        travel = travel_table(day)
        plan = plan_day(day, Budget(rounds=ROUNDS, replans=False), travel)
        found, best = goal(day, plan), best_plan_goal(day, travel)
        assert found >= best, f"seed {seed}: better than the best there is"
        if plan.status.proof is Proof.PROVED_BEST:
            assert found == best, f"seed {seed}: proved, and yet there is a better one"
            proved += 1
        if found > best:
            missed.append(seed)
    assert proved >= 0.1 * FULL_SEEDS
    assert len(missed) <= bar, missed


def with_hopeless_calls(day: Day) -> Day:
    """Add calls nobody can do until the day is too large to be enumerated.

    They stand at the doors of the others and come last, so that the best plan of
    the others stays the best.
    """
    hopeless = tuple(
        replace(
            day.calls[number % len(day.calls)],
            id=f"hopeless {number}",
            skills=frozenset({"what nobody has learned"}),
            priority=4,
        )
        for number in range(CALLS_MAX + 1 - len(day.calls))
    )
    return replace(day, calls=day.calls + hopeless)


@pytest.mark.slow
def test_the_search_alone_is_never_better_than_best_and_nearly_always_as_good() -> None:
    missed = []
    for seed in range(SEARCHED_SEEDS):
        day = generate_day(seed, 7, 2)
        best = best_plan_goal(day, travel_table(day))
        large = with_hopeless_calls(day)
        plan = plan_day(large, Budget(rounds=ROUNDS, replans=False))
        assert plan.status.proof is not Proof.PROVED_BEST  # searched, not enumerated
        *left, units = goal(large, plan)
        left[3] -= len(large.calls) - len(day.calls)
        found = (*left, units)
        if plan.status.bound_units is not None and found[:-1] == best[:-1]:
            assert plan.status.bound_units <= best[-1], f"seed {seed}: bound too high"
        assert found >= best, f"seed {seed}: better than the best there is"
        if found > best:
            missed.append(seed)
    # A bar, not a proof: nothing was missed on 150 days when this was written, not
    # even with a fifth of the rounds.
    assert len(missed) <= 1, missed
