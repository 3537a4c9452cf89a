"""Days of many calls are searched in pieces; nothing is lost between them."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import count
from typing import Any

import numpy as np
import pytest

from dispatch import solver
from dispatch.generator import ALL, Feature, generate_day
from dispatch.partition import calls_of, share_parts
from dispatch.problem import HOLDER, STORE_VISIT, Problem, build_problem, no_futures
from dispatch.search.lns import new_memory, search
from dispatch.search.schedule import MONEY, SIZE, time_route
from dispatch.solver import (
    FULL,
    LEGS,
    LONG,
    LONG_LEGS,
    SPLIT_ABOVE,
    Budget,
    Leg,
    Outcome,
    Progress,
    divide_stock,
    leg_of,
    leg_temperatures,
    solve,
    temperatures,
    used_by,
)
from dispatch.travel import travel_table
from shared.model import Day, Origin


def a_large_day() -> Day:
    return generate_day(3, calls=SPLIT_ABOVE + 20, vans=30)


def a_large_problem() -> Problem:
    day = a_large_day()
    return build_problem(day, travel_table(day))


def assert_can_be_driven(problem: Problem, outcome: Outcome) -> None:
    """Time every route anew, on a day without any."""
    routes = new_memory(problem).now
    placed = [c for column in outcome.columns for c in calls_of(problem, column)]
    assert len(placed) == len(set(placed))
    for column in outcome.columns:
        routes.order[column.van, : len(column.visits)] = column.visits
        routes.facts[column.van, SIZE] = len(column.visits)
        assert problem.allowed[column.van, list(column.visits)].all()
        assert time_route(problem, routes, column.van)
        assert routes.facts[column.van, MONEY] == column.cost


def test_a_large_day_is_planned_the_same_again_and_can_be_driven() -> None:
    problem = a_large_problem()
    told: list[int] = []
    budget = Budget(
        seed=5, rounds=40_000, report=lambda progress: told.append(progress.rounds)
    )
    first, second = solve(problem, budget), solve(problem, budget)
    assert first.columns == second.columns
    assert first.rounds >= 40_000
    assert max(told) == first.rounds
    assert_can_be_driven(problem, first)
    placed = sum(len(column.visits) for column in first.columns)
    assert placed > SPLIT_ABOVE // 2


def test_pieces_of_a_day_never_promise_the_shops_parts_twice() -> None:
    day = a_large_day()
    outcome = solve(
        build_problem(day, travel_table(day)), Budget(seed=1, rounds=20_000)
    )
    assignment = {
        day.vans[column.van].id: [day.calls[call].id for call in column.visits]
        for column in outcome.columns
    }
    issues = share_parts(day, assignment)  # exact, and from the day's own words
    assert issues is not None
    assert any(issue.origin is Origin.SHOP for issue in issues)


def test_a_search_that_is_stopped_still_has_a_plan() -> None:
    problem = a_large_problem()
    outcome = solve(problem, Budget(rounds=10**9, stop=lambda: True))
    assert outcome.stopped
    assert outcome.columns
    assert_can_be_driven(problem, outcome)


def test_many_calls_without_any_van_are_all_left_out() -> None:
    day = replace(a_large_day(), vans=())
    problem = build_problem(day, travel_table(day))
    outcome = solve(problem, Budget(rounds=1))
    assert outcome.columns == ()
    assert outcome.rounds >= 1


def a_large_day_with_everything() -> Day:
    features = ALL - {Feature.LINKS}  # linked calls are never cut apart
    return generate_day(7, calls=SPLIT_ABOVE + 20, vans=30, features=features)


def test_a_large_day_with_everything_is_cut_and_put_together_again() -> None:
    day = a_large_day_with_everything()
    problem = build_problem(day, travel_table(day))
    outcome = solve(problem, Budget(seed=2, rounds=20_000))
    assert_can_be_driven(problem, outcome)
    visits = [visit for column in outcome.columns for visit in column.visits]
    assert set(visits) & set(problem.stores[:, STORE_VISIT].tolist())


@pytest.mark.parametrize("vans", [1, 2, 3])
def test_a_large_day_of_few_vans_is_cut_into_no_more_pieces_than_it_has(
    vans: int,
) -> None:
    day = generate_day(7, calls=SPLIT_ABOVE + 20, vans=vans)
    problem = build_problem(day, travel_table(day))
    outcome = solve(problem, Budget(seed=2, rounds=5_000))
    assert 0 < len(outcome.columns) <= vans
    assert_can_be_driven(problem, outcome)


def test_groups_of_vans_share_out_all_there_is_and_keep_what_they_use() -> None:
    day = a_large_day_with_everything()
    problem = build_problem(day, travel_table(day))
    memory = new_memory(problem)
    search(problem, memory, np.random.default_rng(0), 2_000, (1.0, 1.0), no_futures())
    # Even and odd vans: those that hand each other parts are in both groups.
    groups = [list(range(0, 30, 2)), list(range(1, 30, 2))]
    holders = [set(problem.vans[vans, HOLDER].tolist()) for vans in groups]
    assert holders[0] & holders[1]
    shares = divide_stock(problem, memory.best, groups)
    assert (sum(shares) == problem.stock).all()
    for vans, share in zip(groups, shares, strict=True):
        assert (share >= 0).all()
        own = problem._replace(stock=share)
        assert (used_by(own, memory.best, vans)[30:] <= share[30:]).all()


def test_a_search_counts_what_is_used_as_its_routes_do() -> None:
    day = a_large_day_with_everything()
    problem = build_problem(day, travel_table(day))
    memory = new_memory(problem)
    search(problem, memory, np.random.default_rng(0), 2_000, (1.0, 1.0), no_futures())
    assert memory.best.fetched.any()
    assert (used_by(problem, memory.best, range(30)) == memory.best.used).all()


def test_each_leg_of_a_search_cools_from_warm_to_cold() -> None:
    assert [leg_of(LEGS, share) for share in (0.0, 0.49, 0.5, 0.74, 0.75, 0.99)] == [
        *(0, 0, 1, 1, 2, 2)
    ]
    # From 1 to 0.05 usual drives, half the way at the root of 1 * 0.05; later legs
    # begin at 0.4.
    assert leg_temperatures(100.0, LEGS, (0.0, 0.25)) == pytest.approx(
        (100.0, 22.360680)
    )
    assert leg_temperatures(100.0, LEGS, (0.25, 0.5)) == pytest.approx((22.360680, 5.0))
    assert leg_temperatures(100.0, LEGS, (0.5, 0.75)) == pytest.approx((40.0, 5.0))
    assert leg_temperatures(100.0, LEGS, (0.75, 1.0)) == pytest.approx((40.0, 5.0))
    # A slice that ends in the next leg is as cold as its own leg ends.
    assert leg_temperatures(100.0, LEGS, (0.25, 0.6)) == pytest.approx((22.360680, 5.0))
    # With rounds enough the first leg is driven twice, each time from 1 to 0.05.
    assert [leg_of(LONG_LEGS, share) for share in (0.24, 0.25, 0.5)] == [0, 1, 2]
    for begin in (0.0, 0.25):
        heat = leg_temperatures(100.0, LONG_LEGS, (begin, begin + 0.25))
        assert heat == pytest.approx((100.0, 5.0))


def test_a_search_in_pieces_cools_once_and_stays_warmer_where_calls_are_left_out() -> (
    None
):
    assert temperatures(100.0, (0.0, 1.0)) == pytest.approx((300.0, 10.0))
    assert temperatures(100.0, (0.0, 1.0), FULL) == pytest.approx((2_000.0, 30.0))
    assert temperatures(100.0, (0.5, 0.5), FULL) == pytest.approx(
        (244.948974, 244.948974)  # the root of 2,000 * 30
    )


def test_a_search_that_begins_anew_keeps_the_best_of_all_its_beginnings() -> None:
    day = generate_day(4, calls=45, vans=6)
    problem = build_problem(day, travel_table(day))
    told: list[Progress] = []
    solve(problem, Budget(rounds=LONG * 45, report=told.append))
    best = [
        (progress.unplaced, progress.cost_cents)
        for progress in told
        if progress.phase == "searching"
    ]
    assert len(set(best)) > 1
    assert best == sorted(best, reverse=True)


@pytest.mark.parametrize(("lap", "legs"), [(0.25, LONG_LEGS), (0.5, LEGS)])
def test_a_timed_search_begins_anew_only_where_it_is_fast_enough(
    lap: float, legs: Sequence[Leg], monkeypatch: pytest.MonkeyPatch
) -> None:
    day = generate_day(4, calls=45, vans=6)
    problem = build_problem(day, travel_table(day))
    monkeypatch.setattr(solver, "SLICE", 45 * 200)
    monkeypatch.setattr(solver, "LONG", 15)  # 675 rounds: 200 in a quarter of the time
    asked: list[Sequence[Leg]] = []

    def heat(usual: float, legs: Sequence[Leg], *rest: Any) -> tuple[float, float]:
        asked.append(legs)
        return leg_temperatures(usual, legs, *rest)

    monkeypatch.setattr(solver, "leg_temperatures", heat)
    laps = count()
    outcome = solve(problem, Budget(spent=lambda: min(1.0, next(laps) * lap)))
    assert asked[:2] == [LEGS, LEGS]  # until it shows how fast it is
    assert set(asked[2:]) == {legs}
    assert_can_be_driven(problem, outcome)


@pytest.mark.parametrize("features", [frozenset[Feature](), ALL])
@pytest.mark.parametrize("rounds", [2_000, LONG * 45])
def test_chains_that_meet_find_the_same_again_and_count_what_they_use(
    features: frozenset[Feature], rounds: int
) -> None:
    day = generate_day(4, calls=45, vans=6, features=features)
    problem = build_problem(day, travel_table(day))
    first, second = (solve(problem, Budget(seed=2, rounds=rounds)) for _ in range(2))
    assert first.columns == second.columns
    assert (first.visits == second.visits).all()
    for column in first.columns:
        # Timed anew in the windows that linked calls have agreed on.
        routes = new_memory(problem._replace(visits=first.visits)).now
        routes.order[column.van, : len(column.visits)] = column.visits
        routes.facts[column.van, SIZE] = len(column.visits)
        agreed = problem._replace(visits=first.visits)
        assert time_route(agreed, routes, column.van)
        assert routes.facts[column.van, MONEY] == column.cost
