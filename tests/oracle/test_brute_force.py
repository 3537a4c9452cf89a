"""The oracle against hand-derived days, and against the judge.

Rates are the builders': 0.50 per km is 50 * 18 = 900 units per metre, 30.00 per
hour is 3000 * 5 = 15,000 units per second of the shift until the van is back, 45.00
per hour of overtime 22,500 units per second on top. 8:00 is 28,800 s.
"""

import random
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from itertools import combinations, permutations
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dispatch.rules import goal, judge
from dispatch.travel import travel_table
from shared.model import (
    Break,
    Call,
    ChangePrices,
    Day,
    Link,
    Need,
    Origin,
    Rates,
    ReadyItem,
    ReadyKind,
    Standing,
    StopKind,
    Store,
    Tool,
    Traffic,
    TravelRules,
    Van,
    Window,
)
from tests.builders import (
    HOUR_S,
    SHOP,
    a_call,
    a_day,
    a_part,
    a_van,
    at,
    need,
    window,
)
from tests.oracle.brute_force import (
    Best,
    best_plan,
    best_plan_goal,
    cheapest_tours,
    may_serve,
    served_of,
    stores_for,
    tours_of,
)
from tests.oracle.slow_parts import Served
from tests.oracle.slow_plan import plan_of
from tests.oracle.slow_schedule import Price, Timed, time_route, walk_s
from tests.oracle.store_table import store_table


def both_ways(**minutes_and_km: tuple[int, int]) -> TravelRules:
    """Return a table from drives such as ``shop_A=(10, 8)``: minutes and km."""
    matrix = {}
    for name, (minutes, km) in minutes_and_km.items():
        one, other = (
            {"shop": "shop", "K": "store:K"}.get(end, f"call:{end}")
            for end in name.split("_")
        )
        matrix[one, other] = matrix[other, one] = (minutes * 60, km * 1000)
    return TravelRules(matrix=matrix)


def best(day: Day) -> Best:
    return best_plan(day, store_table(day))


KEPT = (0, 0, 0, 0)  # no promise is broken


def timed(day: Day, *call_ids: str) -> Timed | None:
    return time_route(day, store_table(day), day.vans[0], call_ids)


TRIANGLE = both_ways(shop_A=(10, 10), shop_B=(20, 20), A_B=(15, 15))
A = a_call("A", place=at(10, 0))
B = a_call("B", place=at(0, 20))
NOWHERE: dict[str, Any] = {"start": None, "finish": None}


def test_two_calls_cost_their_kilometres_and_the_time_until_the_van_is_back() -> None:
    # 10 + 15 + 20 km = 45,000 m * 900                              =  40,500,000
    # 45 min driving + 2 * 30 min = 105 min = 6300 s * 15,000       =  94,500,000
    day = a_day(A, B, travel=TRIANGLE)
    assert best(day).goal == (0, 0, 0, 0, *KEPT, 135_000_000)


def test_the_cheaper_order_is_found_where_a_window_makes_the_van_wait() -> None:
    # A at 10:00 to 11:00 only.
    # A first: there 8:10, waits, 10:00-10:30, B 10:45-11:15, back 11:35.
    # B first: B 8:20-8:50, A from 9:05, waits, 10:00-10:30, back 10:40.
    # 2 h 40 min = 9600 s * 15,000 = 144,000,000; 45 km = 40,500,000.
    day = a_day(a_call("A", windows=(window(10, 11),)), B, travel=TRIANGLE)
    assert best(day) == Best((0, 0, 0, 0, *KEPT, 184_500_000), (("V1", ("B", "A")),))


def test_a_later_window_is_taken_where_the_first_is_too_short() -> None:
    # Half an hour does not fit into 8:00-8:20 nor, arriving 8:10, into 8:00-8:35.
    windows = (window(8, 8 + 35 / 60), window(9, 10))
    day = a_day(a_call("A", windows=windows), travel=TRIANGLE)
    route = timed(day, "A")
    assert route is not None
    assert route.stops[0][4:] == (32_400, 32_400, 34_200)  # 9:00, 9:00, 9:30
    assert route.leave_s == 31_800  # 8:50
    assert route.finish_s == 34_800  # 9:40


def test_one_call_of_priority_1_outweighs_two_of_priority_2() -> None:
    # Shift 8:00-9:20. A and B (2 x 30 min at one place, 10 min away) take
    # 10 + 60 + 10 = 80 min and fit; C (priority 1, 20 min away) takes
    # 20 + 30 + 20 = 70 min alone, and with A or B 10 + 30 + 15 + 30 + 20 = 105 min.
    roads = both_ways(
        shop_A=(10, 10), shop_B=(10, 10), A_B=(0, 0),
        shop_C=(20, 20), A_C=(15, 15), B_C=(15, 15),
    )  # fmt: skip
    van = a_van(shift=window(8, 8 + 80 / 60))
    day = a_day(
        a_call("A"), a_call("B"), a_call("C", priority=1), vans=(van,), travel=roads
    )
    # 40 km * 1000 * 900 = 36,000,000; 4200 s * 15,000 = 63,000,000
    assert best(day) == Best((0, 2, 0, 0, *KEPT, 99_000_000), (("V1", ("C",)),))


def test_overtime_is_paid_on_top_up_to_its_limit() -> None:
    # A takes 10 + 30 + 10 = 50 min in a shift of 40: 10 min over.
    # 20,000 m * 900 = 18,000,000; 3000 s * 15,000 = 45,000,000;
    # 600 s * 22,500 = 13,500,000.
    shift = window(8, 8 + 40 / 60)
    enough = a_day(A, vans=(a_van(shift=shift, overtime_limit_s=600),), travel=TRIANGLE)
    short = a_day(A, vans=(a_van(shift=shift, overtime_limit_s=599),), travel=TRIANGLE)
    assert best(enough).goal == (0, 0, 0, 0, *KEPT, 76_500_000)
    assert best(short).goal == (0, 1, 0, 0, *KEPT, 0)


def test_a_promise_binds_the_start_and_not_the_end_of_a_visit() -> None:
    # There at 8:10; promised 8:00 to 8:10 is kept, 8:00 to 8:09:59 is not.
    kept = a_day(
        a_call("A", promise=Window(start_s=28_800, end_s=29_400)), travel=TRIANGLE
    )
    late = a_day(
        a_call("A", promise=Window(start_s=28_800, end_s=29_399)), travel=TRIANGLE
    )
    assert best(kept).routes == (("V1", ("A",)),)
    assert best(late).routes == ()


def test_a_visit_waits_for_what_must_be_ready() -> None:
    # Planned at 18:00 the evening before, a lead time of 15 h: 9:00.
    code = ReadyItem(kind=ReadyKind.CODE, lead_time_s=15 * HOUR_S)
    route = timed(a_day(a_call("A", ready=(code,)), travel=TRIANGLE), "A")
    assert route is not None
    assert route.stops[0].start_s == 9 * HOUR_S


# --- the break ------------------------------------------------------------------


def lunch_day(*calls: Call, **van: Any) -> Day:
    meal = Break(window=window(12, 13), length_s=1800)
    return a_day(*calls, vans=(a_van(meal=meal, **van),), travel=TRIANGLE)


def test_a_visit_right_across_the_break_window_cannot_be_served() -> None:
    # 11:50 to 12:50 at the latest start 12:00 to 13:00: neither before it (from
    # 12:00 on) nor after it (until 13:00) are there 30 min left.
    hour = a_call("A", median_s=3600, p90_s=3600, windows=(window(11 + 5 / 6, 13),))
    assert best(lunch_day(hour, **NOWHERE)).goal == (0, 1, 0, 0, *KEPT, 0)


def test_a_van_that_is_back_when_the_break_can_still_begin_needs_no_stop() -> None:
    # 11:50 to 12:30, and 12:30 is the last moment for 30 min before 13:00.
    call = a_call("A", median_s=2400, p90_s=2400, windows=(window(11 + 5 / 6, 13),))
    route = timed(lunch_day(call, **NOWHERE), "A")
    assert route is not None
    assert [stop.call_id for stop in route.stops] == ["A"]
    assert route.finish_s == 45_000  # 12:30


def test_a_van_that_is_back_a_little_later_takes_the_break_before_driving_home() -> (
    None
):
    # The same visit, 10 min from home: back 12:40 without a break, too late for
    # it; so 12:30-13:00 in the customer's street, home 13:10.
    call = a_call(
        "A", place=at(10), median_s=2400, p90_s=2400, windows=(window(11 + 5 / 6, 13),)
    )
    route = timed(lunch_day(call), "A")
    assert route is not None
    assert [(stop.call_id, stop.node) for stop in route.stops] == [
        ("A", "call:A"),
        (None, "call:A"),
    ]
    assert (route.stops[1].start_s, route.finish_s) == (45_000, 47_400)
    assert (route.last_drive_m, route.last_drive_s) == (10_000, 600)


def test_the_break_is_taken_in_the_next_street_where_that_is_sooner() -> None:
    # Free at 12:00 at A's; the break window opens 12:10; B is 15 min off and takes
    # 90 min, so that the van is not back by 13:30, when the break could still begin.
    # Before driving: 12:10-12:40, at B 12:55. In B's street: there 12:15, 12:45.
    meal = Break(window=window(12 + 1 / 6, 14), length_s=1800)
    day = a_day(
        a_call("A", promise=window(11.5, 11.5)),
        a_call("B", median_s=5400, p90_s=5400),
        vans=(a_van(meal=meal),),
        travel=TRIANGLE,
    )
    route = timed(day, "A", "B")
    assert route is not None
    assert [(stop.call_id, stop.drive_s, stop.start_s) for stop in route.stops] == [
        ("A", 600, 41_400),
        (None, 900, 44_100),  # 12:15, having driven there
        ("B", 0, 45_900),  # 12:45
    ]


def test_the_break_is_taken_before_driving_where_that_sits_out_the_traffic() -> None:
    # Half speed from 12:00 to 13:00. Free at 12:00 at A's, B is 15 min off.
    # Before driving: 12:00-13:00, at B 13:15.
    # In B's street: 30 min in traffic, there 12:30, done 13:30.
    meal = Break(window=window(12, 14), length_s=3600)
    traffic = Traffic(slot_s=3600, speed_permille=(*[1000] * 12, 500, 1000))
    day = a_day(
        a_call("A", promise=window(11.5, 11.5)),
        B,
        vans=(a_van(meal=meal),),
        travel=TravelRules(matrix=TRIANGLE.matrix, traffic=traffic),
    )
    route = timed(day, "A", "B")
    assert route is not None
    assert [(stop.call_id, stop.drive_s, stop.start_s) for stop in route.stops] == [
        ("A", 600, 41_400),
        (None, 0, 43_200),
        ("B", 900, 47_700),  # 13:15
    ]


def test_the_break_can_come_before_leaving() -> None:
    # The shift starts at noon; A, an hour long, can only start at 12:40, 10 min
    # off. Break 12:00-12:30 at home or 12:10-12:40 in the street: both in time.
    call = a_call(
        "A", median_s=3600, p90_s=3600, promise=window(12 + 2 / 3, 12 + 2 / 3)
    )
    route = timed(lunch_day(call, shift=window(12, 17)), "A")
    assert route is not None
    assert route.stops[0].call_id is None
    assert route.finish_s == 49_800  # 13:40 done, 13:50 home


# --- vans and stock -------------------------------------------------------------


def test_skills_equipment_and_the_required_van_bind() -> None:
    van = a_van(skills=frozenset({"safe"}), equipment=frozenset({"drill"}))
    assert may_serve(van, a_call(skills=frozenset({"safe"})))
    assert not may_serve(van, a_call(skills=frozenset({"safe", "car"})))
    assert not may_serve(van, a_call(equipment=frozenset({"press"})))
    assert may_serve(van, a_call(required_van="V1"))
    assert not may_serve(van, a_call(required_van="V2"))


FOB = a_part("FOB")
SHELL, CELL = a_part("SHELL"), a_part("CELL")
SET = a_part("SET", category="kit", components=(("SHELL", 1), ("CELL", 2)))


def stock_day(*needs: Need, shop: Mapping[str, int], vans: tuple[Van, ...]) -> Day:
    """Return a day with one call, all at the shop's door, for each need."""
    calls = (a_call(f"C{row}", needs=(one,)) for row, one in enumerate(needs))
    return a_day(*calls, vans=vans, parts=(FOB, SHELL, CELL, SET), shop=shop)


def unplaced(day: Day) -> int:
    return sum(best(day).goal[:4])


def test_the_shop_s_last_piece_serves_one_call_only() -> None:
    vans = (a_van("V1"), a_van("V2"))
    assert (
        unplaced(stock_day(need("FOB"), need("FOB"), shop={"FOB": 1}, vans=vans)) == 1
    )
    assert (
        unplaced(stock_day(need("FOB"), need("FOB"), shop={"FOB": 2}, vans=vans)) == 0
    )


def test_a_van_s_own_piece_spares_the_shop_s_for_the_other() -> None:
    # V2 costs double an hour and stays in if V1 can do both: own 1, the shop's 1.
    one = a_van("V1", stock={"FOB": 1})
    dear = a_van("V2", rates=Rates(hour_cents=6000))
    day = stock_day(need("FOB"), need("FOB"), shop={"FOB": 1}, vans=(one, dear))
    assert best(day).routes == (("V1", ("C0", "C1")),)


def test_a_van_that_does_not_load_at_the_shop_has_its_own_pieces_only() -> None:
    afar = a_van(loads_at_shop=False, stock={"FOB": 1})
    assert (
        unplaced(stock_day(need("FOB", quantity=2), shop={"FOB": 9}, vans=(afar,))) == 1
    )
    near = a_van(loads_at_shop=True, stock={"FOB": 1})
    assert (
        unplaced(stock_day(need("FOB", quantity=2), shop={"FOB": 9}, vans=(near,))) == 0
    )


def test_one_alternative_serves_the_whole_quantity() -> None:
    # One of each is there, two of one kind are wanted.
    day = stock_day(
        need("FOB", "SHELL", quantity=2), shop={"FOB": 1, "SHELL": 1}, vans=(a_van(),)
    )
    assert unplaced(day) == 1


def test_a_kit_takes_all_its_components() -> None:
    # Two sets are two shells and four cells.
    vans = (a_van(stock={"CELL": 1}),)
    short = stock_day(need("SET", quantity=2), shop={"SHELL": 2, "CELL": 2}, vans=vans)
    whole = stock_day(need("SET", quantity=2), shop={"SHELL": 2, "CELL": 3}, vans=vans)
    assert (unplaced(short), unplaced(whole)) == (1, 0)


def test_the_first_call_steps_aside_for_one_that_has_no_substitute() -> None:
    # The fob is there once; the first call would like it, but can do with a shell.
    day = stock_day(
        need("FOB", "SHELL"), need("FOB"), shop={"FOB": 1, "SHELL": 1}, vans=(a_van(),)
    )
    assert unplaced(day) == 0


def test_two_vans_share_the_calls_where_that_is_cheaper() -> None:
    # Both calls only from 8:00 to 8:30 at the shop's door: one van each.
    morning = (window(8, 8.5),)
    day = a_day(
        a_call("A", windows=morning),
        a_call("B", windows=morning),
        vans=(a_van("V1"), a_van("V2", rates=Rates(hour_cents=1000))),
    )
    # 1800 s * (15,000 + 5000)
    assert best(day).goal == (0, 0, 0, 0, *KEPT, 36_000_000)


# --- promises, preferences, paces -------------------------------------------------


def test_a_slow_driver_s_visit_is_longer() -> None:
    # 10 + 45 + 10 = 65 min = 3900 s * 15,000; 20 km.
    day = a_day(A, vans=(a_van(pace={"*": 1.5}),), travel=TRIANGLE)
    assert best(day).goal == (0, 0, 0, 0, *KEPT, 76_500_000)


def test_a_promise_is_broken_only_where_that_is_allowed() -> None:
    # There at 8:10, promised until 8:00: as much as a quarter of an hour at 60.00,
    # 1500 * 18,000 = 27,000,000, and 18,000,000 + 3000 s * 15,000.
    call = a_call("A", promise=window(7, 8))
    hard = a_day(call, travel=TRIANGLE)
    soft = replace(hard, promises_may_break=True)
    assert best(hard).goal == (0, 1, 0, 0, *KEPT, 0)
    assert best(soft).goal == (0, 0, 0, 0, *(0, 1, 0, 0), 90_000_000)


def test_a_promise_that_may_break_is_never_kept_too_early() -> None:
    # Promised from 9:00: waits there, back 9:40. 6000 s * 15,000 + 18,000,000.
    call = a_call("A", promise=window(9, 9.5))
    day = a_day(call, promises_may_break=True, travel=TRIANGLE)
    assert best(day).goal == (0, 0, 0, 0, *KEPT, 108_000_000)


def test_the_promise_of_the_more_urgent_call_is_kept() -> None:
    # Both promised until 8:20. A first: A 8:10-8:40, B 8:55, late by 35 min.
    # B first: B 8:20-8:50, A 9:05, late by 45 min; both as an hour: 108,000,000.
    promise = window(8, 8 + 1 / 3)
    day = a_day(
        a_call("A", promise=promise, priority=3),
        a_call("B", promise=promise, priority=2),
        promises_may_break=True,
        travel=TRIANGLE,
    )
    goal_units = 135_000_000 + 108_000_000  # the two calls as above, and late
    expected = (0, 0, 0, 0, *(0, 0, 1, 0), goal_units)
    assert best(day) == Best(expected, (("V1", ("B", "A")),))


def test_a_preference_is_waited_for_where_that_pays() -> None:
    # There 8:10, wished 9:00: 50 min cost 3000 s * 15,000 = 45,000,000 = 25.00.
    call = a_call("A", preference=window(9, 10))
    cheap = a_day(call, travel=TRIANGLE, preference_cents=2499)
    dear = a_day(call, travel=TRIANGLE, preference_cents=2501)
    assert best(cheap).goal[-1] == 63_000_000 + 2499 * 18_000
    assert best(dear).goal[-1] == 63_000_000 + 45_000_000
    route = timed(dear, "A")
    assert route is not None
    assert (route.leave_s, route.stops[0].start_s) == (31_800, 32_400)


def test_a_call_told_a_time_moves_only_for_more_than_that_costs() -> None:
    # There 8:10, stands at 9:00: waiting 50 min costs 25.00, as above; moving 3.00,
    # and more for who was told.
    def goal_units(told_cents: int, *, told: bool) -> int:
        standing = Standing(van_id="V1", window=window(9, 9.5), told=told)
        prices = ChangePrices(time_cents=300, told_cents=told_cents)
        call = a_call("A", standing=standing)
        return best(a_day(call, travel=TRIANGLE, change=prices)).goal[-1]

    assert goal_units(9999, told=False) == 63_000_000 + 300 * 18_000
    assert goal_units(2199, told=True) == 63_000_000 + 2499 * 18_000
    assert goal_units(2201, told=True) == 63_000_000 + 45_000_000


def test_a_call_stays_with_its_van_unless_another_is_cheaper_by_more() -> None:
    # V2 is paid 6.00 an hour more; A takes 10 + 30 + 10 min, that is 5.00.
    vans = (a_van("V1"), a_van("V2", rates=Rates(km_cents=50, hour_cents=3600)))
    call = a_call("A", standing=Standing(van_id="V2", window=window(8, 9)))

    def who(van_cents: int) -> str:
        prices = ChangePrices(van_cents=van_cents)
        day = a_day(call, vans=vans, travel=TRIANGLE, change=prices)
        ((van_id, _),) = best(day).routes
        return van_id

    assert who(499) == "V1"
    assert who(501) == "V2"


# --- limits -----------------------------------------------------------------------


def test_a_van_does_not_drive_longer_than_it_may() -> None:
    # A and B: 10 + 15 + 20 min; A alone costs less than B alone.
    enough = a_day(A, B, vans=(a_van(drive_limit_s=2700),), travel=TRIANGLE)
    short = a_day(A, B, vans=(a_van(drive_limit_s=2699),), travel=TRIANGLE)
    assert best(enough).goal == (0, 0, 0, 0, *KEPT, 135_000_000)
    assert best(short).goal == (0, 1, 0, 0, *KEPT, 63_000_000)


def test_work_begins_when_the_van_sets_off() -> None:
    # A from 10:00: away 9:50 to 10:40.
    call = a_call("A", windows=(window(10, 11),))
    enough = a_day(call, vans=(a_van(work_limit_s=3000),), travel=TRIANGLE)
    short = a_day(call, vans=(a_van(work_limit_s=2999),), travel=TRIANGLE)
    assert best(enough).routes == (("V1", ("A",)),)
    assert best(short).routes == ()


def test_the_break_on_the_way_is_no_work() -> None:
    # Away 8:00 to 13:40, half an hour of it a break: A takes 4 h 50 min, until 13:00
    # with the drive; B, whom nobody awaits, is left out.
    call = a_call("A", median_s=17_400, p90_s=17_400)
    meal = Break(window=window(12.5, 13.5), length_s=1800)
    enough, short = (
        a_day(call, vans=(a_van(meal=meal, work_limit_s=limit),), travel=TRIANGLE)
        for limit in (18_600, 18_599)  # 8:00 to 13:40, less 1800 s
    )
    assert best(enough).routes == (("V1", ("A",)),)
    assert best(short).routes == ()


# --- restock stops, exchange, tools -------------------------------------------------

LOCK = a_part("LOCK", unit_cost_cents=300)
K = Store(
    id="K", place=at(5, 5), stock={"LOCK": 1}, restock_s=300, prices={"LOCK": 450}
)
VIA_K = both_ways(shop_A=(10, 10), shop_K=(10, 10), K_A=(5, 5))
WITH_LOCK = a_call("A", place=at(10, 0), needs=(need("LOCK"),))


def lock_day(van: Van, **changes: Any) -> Day:
    defaults: dict[str, Any] = {"counters": (K,), "travel": VIA_K, "parts": (LOCK,)}
    return a_day(WITH_LOCK, vans=(van,), **(defaults | changes))


def test_a_part_that_only_a_counter_has_is_fetched_on_the_way() -> None:
    # K 8:10-8:15, A 8:20-8:50, back 9:00. 25 km: 22,500,000; 3600 s: 54,000,000;
    # 150 cents dearer: 2,700,000.
    expected = Best((0, 0, 0, 0, *KEPT, 79_200_000), (("V1", ("store:K", "A")),))
    assert best(lock_day(a_van())) == expected


def test_a_counter_is_waited_for_and_not_visited_after_it_closes() -> None:
    # K 9:00-9:05, 50 min later: 45,000,000 more. Then one that closes at 8:14.
    late = replace(K, opening=window(9, 12))
    assert best(lock_day(a_van(), counters=(late,))).goal[-1] == 124_200_000
    shut = replace(K, opening=Window(start_s=0, end_s=29_640))
    assert best(lock_day(a_van(), counters=(shut,))).routes == ()


def test_no_van_stops_at_a_counter_that_does_not_say_how_long() -> None:
    assert best(lock_day(a_van(), counters=(replace(K, restock_s=None),))).routes == ()


def test_a_van_that_does_not_load_in_the_morning_can_drive_by_the_shop() -> None:
    # It appears at the shop: 8:00-8:10, A 8:20-8:50. 9,000,000 + 3000 s * 15,000.
    shop = Store(id="shop", place=SHOP, stock={"LOCK": 1}, restock_s=600)
    afar = a_van(loads_at_shop=False, **NOWHERE)
    day = replace(lock_day(afar, counters=()), shop=shop)
    assert best(day) == Best((0, 0, 0, 0, *KEPT, 54_000_000), (("V1", ("shop", "A")),))
    near = replace(lock_day(a_van(**NOWHERE)), shop=shop)
    assert best(near).routes == (("V1", ("A",)),)  # loaded before leaving


def test_a_part_fetched_for_one_call_is_fetched_before_it() -> None:
    # A wants the LOCK and only has time at 8:10 to 8:40: K comes too late.
    day = lock_day(a_van())
    early = replace(WITH_LOCK, windows=(window(8, 8 + 45 / 60),))
    assert best(replace(day, calls=(early,))).routes == ()


def test_a_dearer_substitute_costs_what_it_is_dearer() -> None:
    # SHELL at 400 instead of FOB at 300, twice: 200 * 18,000.
    parts = (FOB, a_part("SHELL", unit_cost_cents=400))
    call = a_call("A", needs=(need("FOB", "SHELL", quantity=2),))
    one = a_van("V1", stock={"SHELL": 2})
    day = a_day(call, vans=(one,), parts=parts)
    assert best(day).goal[-1] == 1800 * 15_000 + 200 * 18_000
    # Another van has the FOBs aboard and an hour of it costs 1.00 more: 900,000.
    other = a_van("V2", stock={"FOB": 2}, rates=Rates(hour_cents=3100))
    wide = replace(day, vans=(one, other))
    assert best(wide) == Best((0, 0, 0, 0, *KEPT, 1800 * 15_500), (("V2", ("A",)),))


def test_the_dearest_way_out_is_spared_over_the_whole_day() -> None:
    # One LOCK aboard. Without it A's has to be bought at K's for 150 more, and B's
    # call would take a CYL for 50 more: so A gets it, though B comes first.
    # B at K's door: nobody else drives. 50 * 18,000 beyond the drives and times:
    # B 8:10-8:40, A 8:45-9:15, back 9:25: 25 km 22,500,000, 5100 s * 15,000.
    door = a_call(
        "B", place=at(5, 5), needs=(need("LOCK", "CYL"),), windows=(window(8, 8.7),)
    )
    day = lock_day(
        a_van(stock={"LOCK": 1, "CYL": 1}),
        parts=(LOCK, a_part("CYL", unit_cost_cents=350)),
        travel=both_ways(
            shop_A=(10, 10), shop_K=(10, 10), K_A=(5, 5), shop_B=(10, 10),
            B_A=(5, 5), B_K=(0, 0),
        ),
    )  # fmt: skip
    both = replace(day, calls=(WITH_LOCK, door))
    assert best(both) == Best(
        (0, 0, 0, 0, *KEPT, 22_500_000 + 76_500_000 + 900_000), (("V1", ("B", "A")),)
    )


def test_a_van_that_stays_in_can_hand_over_its_part() -> None:
    fob = a_call("A", needs=(need("FOB"),), required_van="V1")
    vans = (a_van("V1"), a_van("V2", stock={"FOB": 1}))
    day = a_day(fob, vans=vans, parts=(FOB,))
    assert best(day).routes == ()
    assert best(replace(day, exchange=True)).routes == (("V1", ("A",)),)
    away = (vans[0], replace(vans[1], start=at(1, 0)))
    assert best(replace(day, exchange=True, vans=away)).routes == ()


def test_one_shared_tool_goes_out_with_one_van() -> None:
    # Both calls only from 8:00 to 8:30: one van each, and a press for each.
    press = frozenset({"press"})
    calls = (
        a_call(call_id, equipment=press, windows=(window(8, 8.5),)) for call_id in "AB"
    )
    day = a_day(*calls, vans=(a_van("V1"), a_van("V2")))
    one, two = (
        replace(day, tools=(Tool(id="press", quantity=pieces),)) for pieces in (1, 2)
    )
    own = replace(one, vans=(a_van("V1"), a_van("V2", equipment=press)))
    afar = replace(two, vans=(a_van("V1"), a_van("V2", loads_at_shop=False)))
    assert [unplaced(case) for case in (day, one, two, own, afar)] == [2, 1, 0, 0, 1]


def test_a_tool_that_changes_hands_is_not_asked_of_the_oracle() -> None:
    day = a_day(A, tools=(Tool(id="press", handover=True),), travel=TRIANGLE)
    assert best(day).routes  # no van stops at the shop
    shop = Store(id="shop", place=SHOP, restock_s=600)
    with pytest.raises(ValueError, match="change hands"):
        best(replace(day, shop=shop))


# --- links --------------------------------------------------------------------------

APART = (
    a_call("A", place=at(10, 0), required_van="V1"),
    a_call("B", place=at(0, 20), required_van="V2"),
)


def linked(link: Link, *calls: Call) -> Day:
    vans = (a_van("V1"), a_van("V2"))
    return a_day(*calls, vans=vans, links=(link,), travel=TRIANGLE)


def test_the_second_call_waits_for_the_first_on_another_van() -> None:
    # A 8:10-8:40, back 8:50: 18,000,000 + 3000 s * 15,000 = 63,000,000.
    # B an hour after 8:40: 9:40-10:10, back 10:30: 36,000,000 + 9000 s * 15,000.
    day = linked(Link(first="A", then="B", min_gap_s=HOUR_S), *APART)
    assert best(day).goal == (0, 0, 0, 0, *KEPT, 63_000_000 + 171_000_000)


def test_the_first_call_waits_where_the_second_must_follow_soon() -> None:
    # B is promised for 10:00; half an hour before that A is done: 9:00-9:30, back
    # 9:40. 18,000,000 + 6000 s * 15,000; B back 10:50: 36,000,000 + 10,200 s * 15,000.
    late = replace(APART[1], promise=window(10, 11))
    day = linked(Link(first="A", then="B", max_gap_s=1800), APART[0], late)
    assert best(day).goal == (0, 0, 0, 0, *KEPT, 108_000_000 + 189_000_000)


def test_the_second_call_is_left_out_with_the_first_and_not_the_other_way_round() -> (
    None
):
    nobody = replace(APART[0], required_van="V9")
    gone = linked(Link(first="A", then="B"), nobody, APART[1])
    assert best(gone).goal == (0, 2, 0, 0, *KEPT, 0)
    kept = linked(Link(first="B", then="A"), nobody, APART[1])
    assert best(kept).routes == (("V2", ("B",)),)


def test_one_van_serves_both_calls_where_it_must() -> None:
    # B alone would be 36,000,000 + 4200 s * 15,000 = 99,000,000; A 63,000,000.
    day = linked(Link(first="A", then="B", same_van=True), *APART)
    assert best(day) == Best((0, 1, 0, 0, *KEPT, 63_000_000), (("V1", ("A",)),))


def test_a_link_turns_a_route_round() -> None:
    day = a_day(A, B, links=(Link(first="B", then="A"),), travel=TRIANGLE)
    assert best(day) == Best((0, 0, 0, 0, *KEPT, 135_000_000), (("V1", ("B", "A")),))


def test_two_calls_too_far_apart_for_their_link_are_not_both_served() -> None:
    # 15 min from A to B, and B has to start within 14.
    day = a_day(
        A, B, links=(Link(first="A", then="B", max_gap_s=840),), travel=TRIANGLE
    )
    assert best(day) == Best((0, 1, 0, 0, *KEPT, 63_000_000), (("V1", ("A",)),))


# --- against slower and other code ------------------------------------------------


@given(
    speeds=st.lists(st.integers(50, 2000), min_size=1, max_size=6),
    slot_s=st.integers(1, 900),
    depart_s=st.integers(0, 3000),
    base_s=st.integers(0, 600),
)
@settings(deadline=None, max_examples=60)
def test_walking_the_slots_equals_walking_the_seconds(
    speeds: list[int], slot_s: int, depart_s: int, base_s: int
) -> None:
    left, now_s = Fraction(base_s), depart_s
    while left > 0:
        left -= Fraction(speeds[min(now_s // slot_s, len(speeds) - 1)], 1000)
        now_s += 1
    traffic = Traffic(slot_s=slot_s, speed_permille=tuple(speeds))
    assert walk_s(traffic, depart_s, base_s) == now_s


def a_random_day(seed: int, calls: int = 4, vans: int = 2) -> Day:
    """Return an invented day where little is certain to fit."""
    rng = random.Random(seed)  # noqa: S311 - a test's dice

    def some_window(length_h: float) -> Window:
        start_h = rng.uniform(7, 15)
        return window(start_h, start_h + length_h * rng.uniform(0.5, 1.5))

    def some_call(row: int) -> Call:
        first = some_window(2)
        later = Window(start_s=first.end_s + 1800, end_s=first.end_s + 9000)
        median_s = rng.randrange(900, 5400)
        return a_call(
            f"C{row}",
            place=at(rng.uniform(-15, 15), rng.uniform(-15, 15)),
            median_s=median_s,
            p90_s=median_s + rng.randrange(1800),
            windows=rng.choice([(), (), (first,), (first, later)]),
            promise=rng.choice([None, None, some_window(3)]),
            priority=rng.randint(1, 4),
            skills=frozenset(rng.sample(["car", "safe"], rng.choice([0, 0, 1]))),
            equipment=frozenset(rng.sample(["drill"], rng.choice([0, 0, 1]))),
            required_van=rng.choice([None] * 6 + ["V0"]),
            ready=rng.choice(
                [(), (ReadyItem(kind=ReadyKind.CODE, lead_time_s=16 * HOUR_S),)]
            ),
            needs=rng.choice(
                [
                    (),
                    (need("FOB", quantity=rng.randint(1, 2)),),
                    (need("FOB", "SHELL"), need("CELL", quantity=2)),
                    (need("SET", "FOB"),),
                ]
            ),
        )

    def some_van(row: int) -> Van:
        start_h = rng.choice([7, 8, 11.5])
        meal = Break(window=window(11.5, rng.choice([13, 14])), length_s=1800)
        return a_van(
            f"V{row}",
            start=rng.choice([None, at(0, 0), at(5, 5)]),
            finish=rng.choice([None, at(0, 0), at(-5, 5)]),
            shift=window(start_h, start_h + rng.choice([4, 6, 8])),
            overtime_limit_s=rng.choice([0, 1800]),
            meal=rng.choice([None, meal, meal]),
            loads_at_shop=rng.random() < 0.6,
            skills=frozenset({"car", "safe"} if rng.random() < 0.7 else {"car"}),
            equipment=frozenset({"drill"} if rng.random() < 0.7 else ()),
            stock={"FOB": rng.randint(0, 1), "CELL": rng.randint(0, 3)},
            rates=Rates(
                km_cents=rng.randint(20, 80),
                hour_cents=rng.randint(1500, 4000),
                overtime_hour_cents=rng.randint(0, 6000),
            ),
        )

    return a_day(
        *map(some_call, range(calls)),
        vans=tuple(map(some_van, range(vans))),
        parts=(FOB, SHELL, CELL, SET),
        shop={"FOB": rng.randint(0, 2), "SHELL": 1, "CELL": rng.randint(0, 4)},
        travel=TravelRules(
            traffic=Traffic(
                slot_s=3600,
                speed_permille=tuple(rng.randrange(400, 1300) for _ in range(24)),
            )
        ),
    )


@pytest.mark.parametrize("seed", range(40))
def test_two_clocks_find_what_trying_every_place_for_the_break_finds(seed: int) -> None:
    day = a_random_day(seed)
    travel = travel_table(day)
    for van in day.vans:
        costs: dict[int, int] = {0: 0}
        fit = [row for row, call in enumerate(day.calls) if may_serve(van, call)]
        for count in range(1, len(fit) + 1):
            for rows in combinations(fit, count):
                for order in permutations(rows):
                    ids = tuple(day.calls[row].id for row in order)
                    route = time_route(day, travel, van, ids)
                    if route is None:
                        continue
                    rates, over_s = van.rates, route.finish_s - van.shift.end_s
                    cost = (
                        route.distance_m * rates.km_cents * 18
                        + (route.finish_s - van.shift.start_s) * rates.hour_cents * 5
                        + max(0, over_s) * rates.overtime_hour_cents * 5
                    )
                    mask = sum(1 << row for row in order)
                    costs[mask] = min(cost, costs.get(mask, cost))
        tours = tours_of(day, travel, van)
        assert {mask: tour.cost_units for mask, tour in tours.items()} == costs


def with_all_rules(day: Day, seed: int, *, links: bool = False) -> Day:
    """Return a random day with what else a day can have."""
    rng = random.Random(seed)  # noqa: S311 - a test's dice
    exchange = rng.random() < 0.5

    def some_call(call: Call) -> Call:
        start_h = rng.uniform(7, 15)
        wish = rng.choice([None, None, window(start_h, start_h + 1.5)])
        tool = rng.choice([frozenset[str]()] * 3 + [frozenset({"press"})])
        from_h = rng.uniform(7, 15)
        stands = Standing(
            van_id=rng.choice(day.vans).id,
            window=window(from_h, from_h + 0.5),
            told=rng.random() < 0.5,
        )
        return replace(
            call,
            preference=wish,
            equipment=call.equipment | tool,
            standing=rng.choice([None, stands]),
        )

    def some_van(van: Van) -> Van:
        return replace(
            van,
            start=at(0, 0) if exchange else van.start,
            pace=rng.choice([{}, {"*": rng.uniform(0.5, 1.7)}]),
            drive_limit_s=rng.choice([None, None, 5400]),
            work_limit_s=rng.choice([None, None, 4 * HOUR_S]),
        )

    def some_store(name: str, place: tuple[float, float]) -> Store:
        return Store(
            id=name,
            place=SHOP if name == "shop" else at(*place),
            opening=rng.choice([None, window(9, 12)]),
            stock=day.shop.stock if name == "shop" else {"FOB": 1, "CELL": 2},
            restock_s=rng.choice([None, 600, 600]),
            prices={"FOB": 350, "CELL": 250},
        )

    def some_link() -> Link:
        first, then = rng.sample([call.id for call in day.calls], 2)
        gap_s = rng.choice([0, 1800])
        return Link(
            first=first,
            then=then,
            same_van=rng.random() < 0.3,
            min_gap_s=gap_s,
            max_gap_s=rng.choice([None, gap_s + 1800]),
        )

    return replace(
        day,
        calls=tuple(map(some_call, day.calls)),
        vans=tuple(map(some_van, day.vans)),
        shop=some_store("shop", (0, 0)),
        counters=(some_store("K", (4, -3)),),
        parts={part.id: part for part in (FOB, SHELL, CELL, SET)}
        | {"FOB": a_part("FOB", unit_cost_cents=rng.choice([200, 1200]))},
        tools=(Tool(id="press"),),
        links=(some_link(), some_link()) if links else (),
        exchange=exchange,
        promises_may_break=rng.random() < 0.7,
        late_hour_cents=rng.choice([600, 6000]),
        preference_cents=rng.choice([300, 1500]),
        change=rng.choice(
            [ChangePrices(), ChangePrices(van_cents=100, time_cents=2000)]
        ),
    )


@pytest.mark.parametrize("seed", range(40))
def test_putting_steps_together_finds_what_timing_every_order_finds(seed: int) -> None:
    day = with_all_rules(a_random_day(seed, calls=3), seed)
    travel = store_table(day)
    for van in day.vans:
        steps = [f"call:{call.id}" for call in day.calls if fits(day, van, call)]
        steps += stores_for(day, van)
        least: dict[Served, Price] = {(): Price()}
        for count in range(1, len(steps) + 1):
            for order in permutations(steps, count):
                if not order[-1].startswith("call:"):
                    continue
                names = tuple(step.removeprefix("call:") for step in order)
                route = time_route(day, travel, van, names)
                if route is not None:
                    key = served_of(order)
                    least[key] = min(route.price, least.get(key, route.price))
        tours = cheapest_tours(day, travel, van)
        assert {served: tour.price for served, tour in tours.items()} == least


def fits(day: Day, van: Van, call: Call) -> bool:
    return may_serve(van, call, frozenset(tool.id for tool in day.tools))


@pytest.mark.parametrize("seed", range(60))
def test_the_judge_finds_nothing_in_what_the_oracle_calls_best(seed: int) -> None:
    day = a_random_day(seed, calls=5)
    travel = travel_table(day)
    answer = best_plan(day, travel)
    plan = plan_of(day, travel, answer)
    assert judge(day, travel, plan) == ()
    assert goal(day, plan) == answer.goal == best_plan_goal(day, travel)


def test_the_judge_finds_nothing_in_the_best_plans_of_days_with_all_rules() -> None:
    seen: Counter[str] = Counter()
    for seed in range(120):
        links = seed % 3 == 2
        day = with_all_rules(
            a_random_day(seed, calls=3 if links else 4), seed, links=links
        )
        travel = store_table(day)
        answer = best_plan(day, travel)
        plan = plan_of(day, travel, answer)
        assert judge(day, travel, plan) == (), f"seed {seed}"
        assert goal(day, plan) == answer.goal, f"seed {seed}"
        stops = [stop for route in plan.routes for stop in route.stops]
        placed = {stop.call_id for stop in stops}
        seen["late"] += bool(plan.late)
        seen["unmet preference"] += any(one.preference_units for one in plan.routes)
        seen["changed"] += any(route.change_units for route in plan.routes)
        seen["parts cost"] += any(route.parts_units for route in plan.routes)
        seen["restock"] += any(stop.kind is StopKind.RESTOCK for stop in stops)
        seen["handed over"] += any(one.origin is Origin.VAN for one in plan.issues)
        seen["tool"] += bool(plan.tools)
        seen["linked"] += any({one.first, one.then} <= placed for one in day.links)
        seen["limited"] += any(
            van.work_limit_s or van.drive_limit_s
            for van in day.vans
            for route in plan.routes
            if van.id == route.van_id
        )
    assert min(seen.values()) >= 5, seen


@pytest.mark.parametrize("seed", range(20))
def test_driving_vans_apart_or_all_together_finds_the_same_best_plan(seed: int) -> None:
    # A link to a call nobody made binds nothing, and makes the oracle look at whole
    # plans instead of one van after the other.
    day = with_all_rules(a_random_day(seed, calls=3), seed)
    free = replace(day, links=(Link(first="C0", then="nobody"),))
    travel = store_table(day)
    assert best_plan_goal(day, travel) == best_plan_goal(free, travel)
