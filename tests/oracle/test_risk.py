"""The risk priced by the search, against every plan there is, and by hand.

8:00 is 28,800 s. At 36.00 an hour one second costs a cent, 18,000 units.
"""

import pytest

from dispatch.generator import generate_day
from dispatch.hazard import build_futures
from dispatch.planner import Budget, plan_day
from dispatch.problem import build_problem
from dispatch.rules import expected_late_units, goal
from dispatch.travel import travel_table
from shared.model import Break, Day, Plan, Risk
from tests.builders import a_call, a_day, a_van, window
from tests.kernel.days import INTERPRETED
from tests.kernel.test_risk import a_risk
from tests.oracle.brute_force import best_plan_goal
from tests.oracle.slow_risk import risk_units

BRIEF = Budget(rounds=60 if INTERPRETED else 2_000, reasons=False, replans=False)


def priced(day: Day, plan: Plan, risk: Risk) -> tuple[int, ...]:
    """Return what a plan is chosen by."""
    *before, units = goal(day, plan)
    late = expected_late_units(day, travel_table(day), risk, plan.routes)
    return *before, units + late


@pytest.mark.parametrize("number", range(2 if INTERPRETED else 24))
def test_no_plan_of_a_small_day_beats_the_one_that_is_found(number: int) -> None:
    """Five calls on two vans: far fewer than the search looks at."""
    day = generate_day(number, 5, 2, ease=0.75)
    risk = a_risk(day, number)
    travel = travel_table(day)
    plan = plan_day(day, BRIEF, travel, risk=risk)
    best = best_plan_goal(day, travel, risk)
    if INTERPRETED:
        assert priced(day, plan, risk) >= best
    else:
        assert priced(day, plan, risk) == best


@pytest.mark.parametrize("number", range(12))
def test_the_judge_prices_a_route_as_the_oracle_does(number: int) -> None:
    day = generate_day(number, 12, 2, ease=1.0)
    travel, risk = travel_table(day), a_risk(day, number)
    plan = plan_day(day, BRIEF, travel)
    for route in plan.routes:
        van = next(van for van in day.vans if van.id == route.van_id)
        steps = tuple(f"call:{call_id}" for call_id in route.call_ids)
        units = risk_units(day, travel, van, steps, risk)
        assert expected_late_units(day, travel, risk, [route]) == units


def risk_of(lengths_s: dict[str, tuple[int, ...]], *pace: int, broken_s: int) -> Risk:
    """Return futures at a cent a second."""
    return Risk(
        hour_cents=3600,
        broken_s=broken_s,
        lengths_s=lengths_s,
        pace_permille=pace,
    )


def test_two_visits_at_one_door_by_hand() -> None:
    """Half an hour each as planned, the second one promised by 8:40."""
    day = a_day(
        a_call("1", promise=window(8, 8)), a_call("2", promise=window(8, 8 + 2 / 3))
    )
    plan = plan_day(day, BRIEF)
    # The first takes 20, 40 and 50 minutes: the second starts in time, in time (at
    # 8:40:00), and at 8:50, 600 s late; 600 s more for being late at all: 1200 s in
    # three futures are 400 cents, 7,200,000 units.
    lengths = {"1": (1200, 2400, 3000), "2": (1800,) * 3}
    risk = risk_of(lengths, 1000, 1000, 1000, broken_s=600)
    assert expected_late_units(day, travel_table(day), risk, plan.routes) == 7_200_000


def test_the_break_is_where_the_van_is_home_first() -> None:
    """Its window opens at 8:30: before the second visit, or not before 9:30."""
    van = a_van(meal=Break(window=window(8.5, 9.25), length_s=1800))
    day = a_day(
        a_call("1", promise=window(8, 8)),
        a_call("2", promise=window(9, 9.25)),
        vans=(van,),
    )
    plan = plan_day(day, BRIEF)
    # As planned: done at 8:30, break to 9:00, then the second one. Ten minutes longer:
    # 8:40, break to 9:10, in time; half an hour longer: 9:00, 9:30, 900 s late.
    risk = risk_of({"1": (2400, 3600), "2": (1800,) * 2}, 1000, 1000, broken_s=0)
    units = expected_late_units(day, travel_table(day), risk, plan.routes)
    assert units == 900 * 18_000 // 2


def test_without_a_promise_a_visit_is_late_by_its_end() -> None:
    day = a_day(a_call(windows=(window(8, 9),)))
    plan = plan_day(day, BRIEF)
    # Starts at 8:00 and takes 30 and 70 minutes: over at 9:10, 600 s late.
    risk = risk_of({"C1": (1800, 4200)}, 1000, 1000, broken_s=0)
    units = expected_late_units(day, travel_table(day), risk, plan.routes)
    assert units == 600 * 18_000 // 2


def test_calls_that_the_futures_do_not_name_take_as_long_as_planned() -> None:
    day = a_day(a_call("1"), a_call("2"))
    problem = build_problem(day, travel_table(day))
    futures = build_futures(day, risk_of({"1": (60,)}, 1000, broken_s=0), problem)
    assert futures.lengths.tolist() == [[60], [1800]]
