"""A plan that keeps a wished share of its promises, and what that costs.

A road runs north: call A at 5 km, call B at 10 km, B promised from 9:00 to 9:30. A
takes half an hour, on one day in ten two hours. As it comes A is on the way to B; who
wants to be sure drives to B first, and waits there.
"""

from dataclasses import replace

import pytest

from dispatch.chance import Spreads, foretell, usual_spreads
from dispatch.planner import Budget, plan_day
from dispatch.rules import judge
from dispatch.travel import travel_table
from dispatch.wish import OTHER_SEEDS, PRICES, keep_promises, sample_risk
from shared.model import Day, Plan, Traffic, TravelRules
from tests.benchmark.keep import invented, live, rows
from tests.builders import HOUR_S, a_call, a_day, a_van, at, window

BRIEF = Budget(rounds=300, reasons=False, replans=False)


def the_road() -> Day:
    """Return the road with A and B: 60 km/h, and no time to set off and park."""
    traffic = Traffic(slot_s=HOUR_S, speed_permille=(1000,))
    return a_day(
        a_call("A", place=at(north=5), p90_s=2 * HOUR_S, promise=window(8, 12)),
        a_call("B", place=at(north=10), promise=window(9, 9.5)),
        cushion=0.0,
        travel=TravelRules(start_stop_s=0, free_flow_kmh=60.0, traffic=traffic),
    )


def steady(day: Day) -> Spreads:
    """Return spreads without any in the traffic."""
    return replace(usual_spreads(day), road_scatter=0.0)


def orders(plan: Plan) -> list[tuple[str, ...]]:
    return [route.call_ids for route in plan.routes]


def test_who_wants_to_be_sure_goes_first_to_whom_a_time_was_promised() -> None:
    day = the_road()
    plain = plan_day(day, BRIEF)
    plan, wish = keep_promises(day, 95, steady(day), BRIEF)
    assert orders(plain) == [("A", "B")]
    assert orders(plan) == [("B", "A")]
    assert judge(day, travel_table(day), plan) == ()
    # A is kept whatever happens. B is late as it comes where A, begun at 8:05 or later
    # (the van leaves as late as A allows), takes so long that it is not over by 9:25.
    assert wish.kept == 1.0
    assert 0.8 < wish.plain_kept < 0.95
    assert wish.fulfilled
    assert wish.short == ()


def test_the_price_is_the_difference_to_the_plan_without_the_wish() -> None:
    day = the_road()
    plain = plan_day(day, BRIEF)
    plan, wish = keep_promises(day, 95, steady(day), BRIEF)
    assert wish.cost_units == plan.cost_units - plain.cost_units > 0
    # The same road there and back, and nobody drives faster or slower.
    assert abs(wish.drive_s) <= 2


def test_what_is_kept_anyway_costs_nothing() -> None:
    day = the_road()
    plain = plan_day(day, BRIEF)
    plan, wish = keep_promises(day, 50, steady(day), BRIEF)
    assert plan.routes == plain.routes
    assert (wish.cost_units, wish.drive_s) == (0, 0)
    assert wish.kept == wish.plain_kept
    assert wish.fulfilled


def test_who_falls_short_is_named_where_no_plan_fulfils_the_wish() -> None:
    # One after the other at one door, and the first may take much longer.
    day = a_day(
        a_call("1", p90_s=2 * HOUR_S, promise=window(8, 8.25)),
        a_call("2", promise=window(8.5, 9)),
        cushion=0.0,
    )
    plan, wish = keep_promises(day, 95, steady(day), BRIEF)
    assert orders(plan) == [("1", "2")]
    assert not wish.fulfilled
    assert wish.short == ("2",)
    assert wish.kept == wish.plain_kept < 0.95


def test_no_call_is_left_out_for_the_sake_of_others() -> None:
    """Whoever is left out is not late: that would be a cheap way to keep promises."""
    for number in range(3):
        day = invented(number, 1.0)
        plain = plan_day(day, BRIEF)
        plan, _ = keep_promises(day, 99, usual_spreads(day), BRIEF)
        assert len(plan.unplaced) <= len(plain.unplaced)


def test_the_same_seed_gives_the_same_plan_and_the_same_wish() -> None:
    day = invented(1, 0.5)
    spreads = usual_spreads(day)
    assert keep_promises(day, 97, spreads, BRIEF) == keep_promises(
        day, 97, spreads, BRIEF
    )


def test_the_chances_told_are_of_days_that_the_search_has_not_seen() -> None:
    day = invented(1, 0.5)
    spreads = usual_spreads(day)
    plan, wish = keep_promises(day, 97, spreads, BRIEF)
    assert wish.kept == foretell(day, plan, spreads, BRIEF.seed).kept
    seen = sample_risk(day, spreads, 1, OTHER_SEEDS)
    other = sample_risk(day, spreads, 1, 0)
    assert seen.pace_permille != other.pace_permille
    assert all(seen.lengths_s[id_] != other.lengths_s[id_] for id_ in seen.lengths_s)


def test_a_search_that_is_stopped_gives_the_plan_that_there_is() -> None:
    day = the_road()
    plan, wish = keep_promises(day, 95, steady(day), replace(BRIEF, stop=lambda: True))
    assert orders(plan) == [("A", "B")]
    assert not wish.fulfilled


def test_a_time_budget_is_shared_out_between_the_searches() -> None:
    """A clock that passes 1/1000 of the time with each look at it."""
    looks = [0]

    def spent() -> float:
        looks[0] += 1
        return looks[0] / 1000

    day = invented(0, 1.0)
    budget = Budget(spent=spent, reasons=False, replans=False)
    keep_promises(day, 99, usual_spreads(day), budget)
    assert looks[0] <= 1000 + 10 * len(PRICES)


@pytest.mark.slow
def test_nine_promises_in_ten_are_kept_for_a_few_percent() -> None:
    """A small one of tests/benchmark/keep.py, with which it shares its days."""
    some = [
        live(number, percent=90, rounds=1_500, tightness=0.5) for number in range(8)
    ]
    promises, kept = (
        sum(getattr(one, what)[1] for one in some) for what in ("promises", "kept")
    )
    plain, wished = (sum(one.cost_units[turn] for one in some) for turn in range(2))
    assert kept >= 0.89 * promises, rows(some)
    assert wished < 1.06 * plain, rows(some)
    assert all(one.fulfilled for one in some)


def test_two_vans_share_the_work_where_that_is_safer() -> None:
    """B gets a van of its own, though one van alone would be cheaper."""
    day = replace(the_road(), vans=(a_van("V1"), a_van("V2")))
    plan, wish = keep_promises(day, 95, steady(day), BRIEF)
    assert wish.fulfilled
    assert plan.unplaced == ()
