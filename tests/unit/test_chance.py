"""How likely a plan's promises are kept."""

import math
import time
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dispatch.chance import (
    Sample,
    draw,
    learnt_spreads,
    replay,
    usual_spreads,
)
from dispatch.durations import learn_durations, with_learnt
from dispatch.generator import generate_day
from dispatch.planner import Budget, plan_day
from dispatch.roadlog import hourly, learn_roads
from dispatch.scenario.joblog import Visits, empty_log
from dispatch.spread import normal_cdf
from shared.model import Break, Call, Link, ReadyItem, ReadyKind, ReadyState, Store
from shared.trade import code_fails, work
from shared.units import as_percent
from tests.builders import HOUR_S, SHOP, a_call, a_day, a_part, a_van, at, need, window

BRIEF = Budget(rounds=200, reasons=False)
DRAWS = 10_000


def days(*lengths_s: tuple[int, ...], pace: tuple[int, ...]) -> Sample:
    """Return drawn days of one van: the lengths of each call, and its pace on each."""
    return Sample(
        duration_s=np.array(lengths_s, np.int64),
        pace_permille=np.array([pace], np.int64),
    )


def test_a_long_first_visit_makes_the_second_late() -> None:
    # Both at the shop's door, half an hour each; the second is promised 8:30 to 9:00.
    day = a_day(a_call("1", promise=window(8, 8)), a_call("2", promise=window(8.5, 9)))
    plan = plan_day(day, BRIEF)
    # From 8:00: done at 8:20 (waits until 8:30), 9:00 (just in time), 9:01 (late).
    sample = days((1200, 3600, 3660), (1800,) * 3, pace=(1000,) * 3)
    kept = replay(day, plan, sample)
    assert kept.of_call["1"].kept == 1.0
    assert kept.of_call["2"].kept == pytest.approx(2 / 3)
    assert kept.of_call["2"].arrive_s == (30_000, 32_400, 32_460)
    assert (kept.promises, kept.all_kept) == (2, pytest.approx(2 / 3))
    assert kept.expected == pytest.approx(5 / 3)


def test_without_a_promise_the_whole_visit_has_to_lie_in_the_window() -> None:
    day = a_day(a_call(windows=(window(8, 9),)))
    plan = plan_day(day, BRIEF)
    # Starts at 8:00; done at 9:00 or at 9:01.
    kept = replay(day, plan, days((3600, 3660), pace=(1000, 1000)))
    assert kept.of_call["C1"].kept == 0.5


def test_where_nothing_was_said_there_is_nothing_to_keep() -> None:
    day = a_day(a_call())
    kept = replay(day, plan_day(day, BRIEF), days((1800,), pace=(1000,)))
    assert kept.of_call["C1"].kept is None
    assert (kept.promises, kept.kept, kept.all_kept) == (0, 1.0, 1.0)


def test_a_slow_road_is_passed_at_the_speed_of_each_hour() -> None:
    day = a_day(a_call(place=at(north=10), promise=window(9, 10)))
    plan = plan_day(day, BRIEF)
    (route,) = plan.routes
    base_s = route.stops[0].drive_s
    kept = replay(day, plan, days((1800, 1800), pace=(1000, 1500)))
    # It sets off so that it is there at 9:00; at 1.5 times the drive it is later.
    late_s = math.ceil(base_s * 0.5)
    assert kept.of_call["C1"].arrive_s[0] == 9 * HOUR_S
    assert kept.of_call["C1"].arrive_s[2] - 9 * HOUR_S in (late_s - 1, late_s)


def test_a_slow_driver_takes_longer_but_waits_no_longer_for_a_code() -> None:
    day = a_day(
        a_call("1", promise=window(8, 8)),
        a_call("2", promise=window(8.5, 10)),
        vans=(a_van(pace={"*": 1.5}),),
    )
    plan = plan_day(day, BRIEF)
    sample = days((2400, 2400), (1800, 1800), pace=(1000, 1000))
    failed = np.array([[False, True], [False, False]])
    kept = replay(day, plan, sample._replace(again=failed))
    # 40 minutes times 1.5 is an hour; given up after 40 minutes by anybody.
    assert kept.of_call["2"].arrive_s[0] == 8 * HOUR_S + 2400
    assert kept.of_call["2"].arrive_s[2] == 9 * HOUR_S
    assert (kept.of_call["1"].again, kept.of_call["2"].again) == (0.5, 0.0)


def test_a_break_that_begins_late_is_taken_whole_all_the_same() -> None:
    meal = Break(window=window(8, 9.5), length_s=1800)
    day = a_day(
        a_call("1", promise=window(8, 8)),
        a_call("2", promise=window(9, 10)),
        vans=(a_van(meal=meal),),
    )
    plan = plan_day(day, BRIEF)
    # The break has to stand between the two: done at 9:15, it ends at 9:45 (in time);
    # done at 9:40, it would have had to end at 9:30 and ends at 10:10.
    sample = days((4500, 6000), (1800, 1800), pace=(1000, 1000))
    assert replay(day, plan, sample).of_call["2"].kept == 0.5


def test_who_waits_for_another_van_waits_longer_if_that_one_is_late() -> None:
    day = a_day(
        a_call("1", required_van="V1", promise=window(8, 8)),
        a_call("2", required_van="V2", promise=window(8.5, 9)),
        vans=(a_van("V1"), a_van("V2")),
        links=(Link(first="1", then="2"),),
    )
    plan = plan_day(day, BRIEF)
    sample = Sample(
        duration_s=np.array([[1800, 3700], [1800, 1800]]),
        pace_permille=np.full((2, 2), 1000),
    )
    assert replay(day, plan, sample).of_call["2"].kept == 0.5


def test_a_store_that_has_closed_leaves_its_call_without_the_part() -> None:
    counter = Store(
        id="counter",
        place=SHOP,
        opening=window(8, 9),
        stock={"BLANK": 1},
        restock_s=600,
    )
    day = a_day(
        a_call("1", promise=window(8, 8)),
        a_call("2", promise=window(8.5, 12), needs=(need("BLANK"),)),
        vans=(a_van(loads_at_shop=False),),
        parts=(a_part(),),
        counters=(counter,),
    )
    plan = plan_day(day, BRIEF)
    assert plan.routes[0].stops[1].store_id == "counter"  # between the visits
    # Done at 8:50: ten minutes are left, just enough. At 8:51 it is too late.
    sample = days((3000, 3060), (1800, 1800), pace=(1000, 1000))
    assert replay(day, plan, sample).of_call["2"].kept == 0.5


def test_chances_are_those_of_the_distribution() -> None:
    # A first visit of 30 minutes (90 in 100 within 60), the second promised until 9:00:
    # late if the first takes more than an hour, one time in ten.
    day = a_day(
        a_call("1", promise=window(8, 8), p90_s=3600),
        a_call("2", promise=window(8.5, 9)),
        cushion=0.0,
    )
    plan = plan_day(day, BRIEF)
    kept = replay(day, plan, draw(day, usual_spreads(day), DRAWS, seed=1))
    # three standard errors of 10,000 draws
    assert kept.of_call["2"].kept == pytest.approx(0.9, abs=0.009)


def test_a_call_more_changes_nothing_about_the_days_drawn_for_others() -> None:
    day = a_day(a_call("1", p90_s=3600), a_call("2", p90_s=3600))
    more = a_day(*day.calls, a_call("3", p90_s=3600))
    few, many = (draw(d, usual_spreads(d), 50, seed=3) for d in (day, more))
    assert np.array_equal(few.duration_s, many.duration_s[:2])
    assert np.array_equal(few.pace_permille, many.pace_permille)


def test_roads_vary_as_much_as_they_are_said_to() -> None:
    day = a_day(a_call())
    sample = draw(day, usual_spreads(day), DRAWS, seed=2)
    slower = float((sample.pace_permille > 1150).mean())
    expected = 1 - float(normal_cdf(math.log(1.15) / 0.15))
    assert slower == pytest.approx(expected, abs=0.012)


def test_ten_thousand_days_of_ten_vans_take_less_than_a_second() -> None:
    day = generate_day(2, 100, 10, tightness=0.0, ease=0.75)
    plan = plan_day(day, BRIEF)
    spreads = usual_spreads(day)
    begin = time.process_time()
    kept = replay(day, plan, draw(day, spreads, DRAWS, seed=0))
    assert time.process_time() - begin < 1.0
    assert (len(kept.stops), kept.draws) == (100 - len(plan.unplaced), DRAWS)


@pytest.mark.parametrize(
    ("chance", "percent"),
    [(0.0, 0), (0.001, 1), (0.934, 93), (0.9999, 99), (1.0, 100)],
)
def test_only_what_always_holds_is_a_hundred_percent(
    chance: float, percent: int
) -> None:
    assert as_percent(chance) == percent


def a_coded_call(state: ReadyState, call_id: str = "C1", **changes: Any) -> Call:
    """Return a call that takes a code."""
    item = ReadyItem(kind=ReadyKind.CODE, state=state, waived_by="office")
    return a_call(call_id, kind="add_key", ready=(item,), **changes)


@pytest.mark.parametrize(
    ("state", "chance"),
    [
        (ReadyState.DONE, 0.0),
        (ReadyState.OPEN, code_fails()[0]),
        (ReadyState.WAIVED, code_fails()[0]),
    ],
)
def test_a_code_that_is_not_bought_may_cost_a_second_visit(
    state: ReadyState, chance: float
) -> None:
    day = a_day(a_coded_call(state, p90_s=3600))
    sample = draw(day, usual_spreads(day), DRAWS, seed=0)
    kept = replay(day, plan_day(day, BRIEF), sample)
    assert kept.of_call["C1"].again == pytest.approx(chance, abs=0.011)
    assert kept.again == kept.of_call["C1"].again
    assert sample.again is not None
    assert set(sample.duration_s[sample.again].tolist()) <= {20 * 60}


def test_how_often_a_code_fails_is_what_the_log_says() -> None:
    # Of 200 visits 40 were given up after 25 minutes; the others took 40.
    failed = np.arange(200) % 5 == 0
    none = np.full(200, -1, np.int64)
    visits = Visits(
        np.arange(2, 202),
        np.full(200, list(work()).index("add_key")),
        none,
        none,
        np.where(failed, 1500.0, 2400.0),
        failed,
        np.zeros(200, np.int64),
        none,
        none,
        none,
        np.full(200, np.nan),
    )
    log = replace(empty_log(), visits=visits, rows=200)
    learnt = learn_durations(log, work())
    day = with_learnt(
        a_day(
            a_coded_call(ReadyState.OPEN, median_s=2400, p90_s=4500), kinds=dict(work())
        ),
        learnt,
    )
    traffic = hourly(day.travel.traffic, day.clock)
    roads = learn_roads(log.drives, replace(day.travel, traffic=traffic))
    spreads = learnt_spreads(day, learnt, roads)
    assert spreads.source == "the log"
    # A beta prior worth 20 visits, at the share of all kinds, which is the same 0.2.
    assert spreads.failing["C1"].chance == pytest.approx(0.2, abs=0.01)
    assert spreads.failing["C1"].lost_s == 1500
    assert spreads.lengths["C1"].median_s == day.calls[0].median_s
    assert spreads.road_scatter == usual_spreads(day).road_scatter
