"""What a day must cost at least: never more than the best plan does."""

from dataclasses import replace

import numpy as np

from dispatch.bound import NODES_MAX, bound_cost
from dispatch.generator import ALL, generate_day
from dispatch.partition import assign
from dispatch.problem import BROKEN, CALL, WEIGHT, build_problem
from dispatch.travel import travel_table
from shared.model import Day, Rates
from tests.builders import a_call, a_day, a_van, at, window
from tests.oracle.brute_force import best_plan


def bound_of(day: Day, left_out: int = 0) -> int | None:
    return bound_cost(build_problem(day, travel_table(day)), left_out)


def test_no_bound_lies_above_the_best_plan() -> None:
    useful = 0
    for seed in range(300):
        day = generate_day(seed, 5, 2)
        travel = travel_table(day)
        problem = build_problem(day, travel)
        best = best_plan(day, travel)
        placed = {call for _, route in best.routes for call in route}
        left_out = sum(
            int(weight)
            for call, weight in zip(day.calls, problem.visits[:, WEIGHT], strict=True)
            if call.id not in placed
        )
        bound = bound_cost(problem, left_out)
        assert bound is not None
        assert bound <= best.goal[-1]
        useful += bound > 0.5 * best.goal[-1]
    assert useful > 150  # zero would be a bound as well


def test_no_bound_lies_above_the_best_plan_of_a_day_with_everything() -> None:
    useful = 0
    for seed in range(150):
        day = generate_day(seed, 4, 2, features=ALL)
        tools = tuple(replace(tool, handover=False) for tool in day.tools)
        day = replace(day, tools=tools)
        travel = travel_table(day)
        problem = build_problem(day, travel)
        *_, units = goal = best_plan(day, travel).goal
        # What is left out and broken, as the search weighs it.
        weights: dict[tuple[bool, int], int] = {}
        for call, left, broken in problem.visits[:, [CALL, WEIGHT, BROKEN]].tolist():
            if call < problem.call_count:
                priority = day.calls[call].priority
                weights[False, priority] = left
                if broken:
                    weights[True, priority] = broken
        left_out = sum(
            weights.get((number >= 4, 1 + number % 4), 0) * count
            for number, count in enumerate(goal[:8])
        )
        bound = bound_cost(problem, left_out)
        assert bound is not None
        assert bound <= units, f"seed {seed}"
        useful += bound > 0.3 * units
    assert useful > 50


def test_one_call_there_and_back_is_bounded_by_just_that() -> None:
    # With one call nothing is forgotten: the bound is the plan's cost.
    day = a_day(a_call(place=at(4, 0), promise=window(9, 10)))
    assert bound_of(day) == best_plan(day, travel_table(day)).goal[-1]


def test_waiting_that_no_order_avoids_is_counted() -> None:
    # Two visits of half an hour at the shop, one started by 9, one not before 14:
    # paid from 8 to 14:30 whatever happens, 6.5 h at 30.00 = 19,500 cents.
    rates = Rates(km_cents=50, hour_cents=3000)
    day = a_day(
        a_call("A", promise=window(8, 9)),
        a_call("B", promise=window(14, 15)),
        vans=(a_van(rates=rates),),
    )
    # From the last end of A, 9:30, to the first start of B are 4.5 h; half an hour
    # each of work. What lies before A's last start is not counted: 5.5 h.
    assert bound_of(day) == 16_500 * 18_000
    assert best_plan(day, travel_table(day)).goal[-1] == 19_500 * 18_000


def test_a_day_that_is_too_large_gets_no_bound() -> None:
    calls = [a_call(f"C{number}") for number in range(NODES_MAX)]
    assert bound_of(a_day(*calls)) is None


def test_calls_that_must_be_served_and_cannot_have_no_bound() -> None:
    day = a_day(a_call(skills=frozenset({"safes"})))
    assert bound_of(day) is None
    assert bound_of(day, left_out=1) == 0


def test_rows_get_columns_of_their_own_at_least_cost() -> None:
    costs = np.array([[4, 5, 1], [3, 0, 2], [2, 2, 9]])
    found = assign(costs)
    assert found is not None
    assert found[0] == 3  # 1 + 0 + 2
    assert found[1].tolist() == [2, 1, 0]
    assert assign(np.array([[1, -1], [1, -1]])) is None


def test_four_priorities_and_rates_beyond_reason_stay_within_whole_numbers() -> None:
    rates = Rates(km_cents=10**8, hour_cents=10**8, overtime_hour_cents=10**8)
    calls = [
        a_call(f"C{n}", place=at(n / 9, -n / 7), priority=1 + n % 4, skills=skills)
        for n, skills in enumerate([frozenset[str](), frozenset({"safes"})] * 100)
    ]
    day = a_day(*calls, vans=(a_van(rates=rates),))
    problem = build_problem(day, travel_table(day))
    weights = problem.visits[:, WEIGHT]
    # All but C0 stay out: there and back is a plan, at C0's door next to the shop.
    bound = bound_cost(problem, int(weights.sum() - weights[0]))
    assert bound is not None
    alone = replace(day, calls=day.calls[:1])
    assert 0 <= bound <= best_plan(alone, travel_table(alone)).goal[-1]
