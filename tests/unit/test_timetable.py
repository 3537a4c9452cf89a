"""One van's order of calls, written out with clock times that are derived by hand.

The shop, A and B: 10 min and 10 km from the shop to A, 20 and 20 to B, 15 and 15
between A and B, at free flow unless said otherwise. A visit takes half an hour, a
restock stop 10 min.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from dispatch.timetable import Task, lay_out
from dispatch.travel import travel_table
from shared.model import (
    Break,
    Call,
    Rates,
    Route,
    Stop,
    StopKind,
    Store,
    Traffic,
    TravelRules,
    Window,
)
from tests.builders import HOUR_S, SHOP, a_call, a_day, a_van, at, window

ENDS = {
    ("shop", "call:A"): (600, 10_000),
    ("shop", "call:B"): (1200, 20_000),
    ("call:A", "call:B"): (900, 15_000),
}
MATRIX = ENDS | {(there, here): leg for (here, there), leg in ENDS.items()}
ROADS = TravelRules(matrix=MATRIX)
PLACES = {"A": at(10, 0), "B": at(0, 20)}
MIN = 1 / 60


def call(call_id: str, **changes: Any) -> Call:
    return a_call(call_id, place=PLACES[call_id], **changes)


A, B = call("A"), call("B")


def meal(start_h: float, end_h: float, length_min: int = 30) -> Break:
    return Break(window=window(start_h, end_h), length_s=60 * length_min)


def laid(*calls: Call, **details: Any) -> Route | None:
    """Write out the calls in the order given, for a van that starts at 8."""
    return ride(*(each.id for each in calls), calls=calls, **details)


def ride(
    *tasks: str | Task,
    calls: tuple[Call, ...] = (),
    shop: Store | None = None,
    counter: Store | None = None,
    roads: TravelRules = ROADS,
    on: date = date(2026, 11, 26),
    **van: Any,
) -> Route | None:
    """Write out the tasks; a counter is next door to A."""
    known = {each.id: each for each in (A, B, *calls)}
    day = a_day(*known.values(), vans=(a_van(**van),), travel=roads, date=on)
    day = replace(day, shop=shop or a_store())
    travel = travel_table(day)
    if counter is not None:
        day = replace(day, counters=(counter,))
        node = f"store:{counter.id}"
        travel = travel._replace(
            keys={**travel.keys, node: travel.keys["call:A"]},
        )
    return lay_out(day, travel, day.vans[0], tasks)


def a_store(store_id: str = "shop", **changes: Any) -> Store:
    place = SHOP if store_id == "shop" else PLACES["A"]
    return Store(**({"id": store_id, "place": place, "restock_s": 600} | changes))


def clock(time_s: int) -> str:
    return f"{time_s // 3600}:{time_s % 3600 // 60:02}" + (
        f":{time_s % 60:02}" if time_s % 60 else ""
    )


def strip(route: Route | None, say: Callable[[int], str] = clock) -> list[str]:
    """Return the day as lines: who, drive, arrival, start and finish."""
    assert route is not None
    return [
        f"leave {say(route.leave_s)}",
        *(
            f"{stop.call_id or stop.store_id or 'break'} {stop.drive_m // 1000} km "
            f"{stop.drive_s // 60} min {say(stop.arrive_s)} "
            f"{say(stop.start_s)}-{say(stop.finish_s)}"
            for stop in route.stops
        ),
        (
            f"home {route.last_drive_m // 1000} km {route.last_drive_s // 60} min "
            f"{say(route.finish_s)}"
        ),
    ]


def rest(route: Route | None) -> Stop:
    assert route is not None
    return next(stop for stop in route.stops if stop.kind is StopKind.BREAK)


def test_everything_is_as_early_as_possible() -> None:
    assert strip(laid(A, B)) == [
        "leave 8:00",
        "A 10 km 10 min 8:10 8:10-8:40",
        "B 15 km 15 min 8:55 8:55-9:25",
        "home 20 km 20 min 9:45",
    ]


def test_a_route_costs_its_kilometres_its_paid_time_and_its_overtime() -> None:
    # 45 km * 50 cents: 45,000 m * 900 = 40,500,000 units.
    # Paid 8:00 to 9:45: 6300 s * 15,000 = 94,500,000. Over 9:30: 900 s * 22,500.
    rates = Rates(km_cents=50, hour_cents=3000, overtime_hour_cents=4500)
    shift = window(8, 9.5)
    route = laid(A, B, shift=shift, overtime_limit_s=900, rates=rates)
    assert route is not None
    assert route.drive_units == 40_500_000
    assert route.time_units == 94_500_000
    assert (route.overtime_s, route.overtime_units) == (900, 20_250_000)
    assert route.cost_units == 155_250_000
    assert laid(A, B, shift=shift, overtime_limit_s=899, rates=rates) is None


# --- leaving -----------------------------------------------------------------


def test_nobody_sits_in_front_of_a_door_that_opens_at_ten() -> None:
    assert strip(laid(call("A", windows=(window(10, 11),)), B)) == [
        "leave 9:50",
        "A 10 km 10 min 10:00 10:00-10:30",
        "B 15 km 15 min 10:45 10:45-11:15",
        "home 20 km 20 min 11:35",
    ]


def test_later_stops_are_waited_for_where_the_van_then_is() -> None:
    assert strip(laid(A, call("B", windows=(window(12, 13),)))) == [
        "leave 8:00",
        "A 10 km 10 min 8:10 8:10-8:40",
        "B 15 km 15 min 8:55 12:00-12:30",
        "home 20 km 20 min 12:50",
    ]


def test_leaving_late_reckons_with_the_traffic_of_that_hour() -> None:
    # Half speed until 10:00: ten minutes of road take twenty.
    slow = Traffic(slot_s=2 * HOUR_S, speed_permille=(500, 500, 500, 500, 500, 1000))
    roads = TravelRules(matrix=MATRIX, traffic=slow)
    assert strip(laid(call("A", windows=(window(10, 11),)), roads=roads)) == [
        "leave 9:40",
        "A 10 km 20 min 10:00 10:00-10:30",
        "home 10 km 10 min 10:40",
    ]


def test_a_drive_that_cannot_end_on_the_very_second_ends_just_before_it() -> None:
    # At 3/2 of free flow 600 s of road take 400 s: 9:53:20. At 700 permille they
    # take 857.14 s: leaving 858 s before ten arrives at 9:59:59.14, so at 10:00.
    roads = TravelRules(matrix=MATRIX, traffic=Traffic(speed_permille=(1500,)))
    route = laid(call("A", windows=(window(10, 11),)), roads=roads)
    assert route is not None
    assert (clock(route.leave_s), clock(route.stops[0].arrive_s)) == (
        "9:53:20",
        "10:00",
    )
    roads = TravelRules(matrix=MATRIX, traffic=Traffic(speed_permille=(700,)))
    route = laid(call("A", windows=(window(10, 11),)), roads=roads)
    assert route is not None
    assert route.leave_s == 10 * HOUR_S - 858
    assert route.stops[0].arrive_s == 10 * HOUR_S


def test_from_anywhere_to_anywhere_the_day_is_that_of_the_calls() -> None:
    early = call("A", windows=(window(10, 11),))
    assert strip(laid(early, B, start=None, finish=None)) == [
        "leave 10:00",
        "A 0 km 0 min 10:00 10:00-10:30",
        "B 15 km 15 min 10:45 10:45-11:15",
        "home 0 km 0 min 11:15",
    ]


# --- slack -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "slack_min"),
    [
        ({}, None),
        # from 8:10; half an hour's work must be done by 9
        ({"windows": (window(8, 9),)}, 20),
        # the later window is not this visit's
        ({"windows": (window(8, 9), window(9, 12))}, 20),
        # a promise is about the start
        ({"promise": window(8, 9)}, 50),
        # whichever is nearer
        ({"promise": window(8, 8.25), "windows": (window(8, 9),)}, 5),
        ({"promise": window(8, 9), "windows": (window(8, 9),)}, 20),
    ],
)
def test_slack_is_how_much_later_the_visit_could_start(
    changes: dict[str, Any], slack_min: int | None
) -> None:
    route = laid(call("A", **changes))
    assert route is not None
    slack_s = None if slack_min is None else 60 * slack_min
    assert route.stops[0].slack_s == slack_s


# --- the break ---------------------------------------------------------------


def test_a_van_that_is_back_in_time_takes_its_break_then() -> None:
    # Back at 8:50; the break can start until 8:50.
    assert strip(laid(A, meal=meal(8, 9 + 20 * MIN))) == [
        "leave 8:00",
        "A 10 km 10 min 8:10 8:10-8:40",
        "home 10 km 10 min 8:50",
    ]


def test_one_minute_less_and_the_break_comes_before_the_drive_home() -> None:
    # It can start until 8:49. At A's street (8:10) or before leaving (8:00) it would
    # have to wait for 8:30; after A it runs 8:40-9:10.
    route = laid(A, meal=meal(8.5, 9 + 19 * MIN))
    assert strip(route) == [
        "leave 8:00",
        "A 10 km 10 min 8:10 8:10-8:40",
        "break 0 km 0 min 8:40 8:40-9:10",
        "home 10 km 10 min 9:20",
    ]
    assert rest(route).place == PLACES["A"]


def test_a_break_is_taken_after_a_stop_before_driving_on() -> None:
    # Possible starts 8:30 to 9:20; B's street would do as well (8:55-9:25).
    route = laid(A, B, meal=meal(8.5, 9 + 50 * MIN))
    assert strip(route) == [
        "leave 8:00",
        "A 10 km 10 min 8:10 8:10-8:40",
        "break 0 km 0 min 8:40 8:40-9:10",
        "B 15 km 15 min 9:25 9:25-9:55",
        "home 20 km 20 min 10:15",
    ]
    assert rest(route).place == PLACES["A"]


def test_a_break_is_taken_at_the_next_street_where_it_costs_less_there() -> None:
    # It must run 8:55-9:25. After A that means standing there from 8:40 and being at
    # B at 9:40; at B's street it fills the wait until 9:30.
    route = laid(
        A, call("B", windows=(window(9.5, 11),)), meal=meal(8 + 55 * MIN, 9 + 25 * MIN)
    )
    assert strip(route) == [
        "leave 8:00",
        "A 10 km 10 min 8:10 8:10-8:40",
        "break 15 km 15 min 8:55 8:55-9:25",
        "B 0 km 0 min 9:25 9:30-10:00",
        "home 20 km 20 min 10:20",
    ]
    assert rest(route).place == PLACES["B"]


def test_a_break_can_come_before_leaving() -> None:
    # It must run 8:00-8:30, and A is 10 min away.
    route = laid(A, meal=meal(8, 8.5))
    assert strip(route) == [
        "leave 8:00",
        "break 0 km 0 min 8:00 8:00-8:30",
        "A 10 km 10 min 8:40 8:40-9:10",
        "home 10 km 10 min 9:20",
    ]
    assert rest(route).place == SHOP


def test_who_rests_at_the_first_street_leaves_late_for_the_break() -> None:
    # Break 12:00-12:30 sharp, A opens at 12:30 and wants to be started by then.
    noon = call("A", windows=(window(12.5, 13),))
    assert strip(laid(noon, meal=meal(12, 12.5))) == [
        "leave 11:50",
        "break 10 km 10 min 12:00 12:00-12:30",
        "A 0 km 0 min 12:30 12:30-13:00",
        "home 10 km 10 min 13:10",
    ]


def test_of_two_waits_around_a_break_one_is_made() -> None:
    # A is done at 8:40, B opens at 12:00, the break can start from 9:30 to 11:00. At
    # A's kerb there would be a wait of 50 min, and from 10:15 one of 105 at B's; so
    # all of it is at B's street, from 8:55 on, with the break as late as may be.
    late = call("B", windows=(window(12, 14),))
    assert strip(laid(A, late, meal=meal(9.5, 11.5)))[2:4] == [
        "break 15 km 15 min 8:55 11:00-11:30",
        "B 0 km 0 min 11:30 12:00-12:30",
    ]
    # With time enough the break ends when the visit begins: there is one wait only.
    assert strip(laid(A, late, meal=meal(9.5, 13)))[2:4] == [
        "break 15 km 15 min 8:55 11:30-12:00",
        "B 0 km 0 min 12:00 12:00-12:30",
    ]


def test_who_has_to_wait_is_told_how_late_the_drive_may_begin() -> None:
    # B opens at 12 and is 15 min from A, which is done at 8:40.
    route = laid(A, call("B", windows=(window(12, 14),)))
    assert route is not None
    first, second = route.stops
    assert (first.leave_by_s, second.leave_by_s) == (8 * HOUR_S, 11.75 * HOUR_S)
    # Taken at B's street the break is what must not start late; B itself is no drive.
    route = laid(A, call("B", windows=(window(12, 14),)), meal=meal(9.5, 13))
    assert route is not None
    assert [stop.leave_by_s for stop in route.stops] == [
        8 * HOUR_S,
        11.25 * HOUR_S,  # 15 min before the break at 11:30
        None,
    ]


def test_a_break_that_waits_at_the_start_place_is_when_the_day_begins() -> None:
    # Anywhere: the van is at A's door; break 9:00-9:30 before or at the street alike.
    route = laid(
        call("A", windows=(window(9.5, 10),)),
        start=None,
        finish=None,
        meal=meal(9, 9.5),
    )
    assert strip(route) == [
        "leave 9:00",
        "break 0 km 0 min 9:00 9:00-9:30",
        "A 0 km 0 min 9:30 9:30-10:00",
        "home 0 km 0 min 10:00",
    ]


# --- the driver's pace -------------------------------------------------------


def test_a_slow_driver_s_visits_take_longer() -> None:
    # Half as long again: 45 min. A could be left at 9:00, so there are 5 min of slack.
    slow = {"pace": {"lockout_vehicle": 1.5}}
    route = laid(call("A", windows=(window(8, 9),)), B, **slow)
    assert strip(route) == [
        "leave 8:00",
        "A 10 km 10 min 8:10 8:10-8:55",
        "B 15 km 15 min 9:10 9:10-9:55",
        "home 20 km 20 min 10:15",
    ]
    assert route is not None
    assert route.stops[0].slack_s == 5 * 60
    # 40 min are enough for half an hour, but not for 45.
    short = call("A", windows=(window(9, 9 + 40 * MIN),))
    assert laid(short) is not None
    assert laid(short, **slow) is None


# --- promises and preferences ------------------------------------------------


def test_a_promise_is_kept_unless_the_task_says_when_else_to_start() -> None:
    # B is reached at 8:55: 25 min late, which costs as much as half an hour of 60.00.
    promised = call("B", promise=window(8, 8.5))
    assert laid(A, promised) is None
    late = Task("B", spans=((8 * HOUR_S, 20 * HOUR_S),))
    route = ride("A", late, calls=(promised,))
    assert strip(route)[2] == "B 15 km 15 min 8:55 8:55-9:25"
    assert route is not None
    assert (route.stops[1].late_s, route.stops[1].slack_s) == (1500, 0)
    assert route.late_units == 3000 * 18_000
    # 45 km * 50 cents, 1 h 45 at 30.00 and 30.00 for being late
    assert route.cost_units == (2250 + 5250 + 3000) * 18_000


def test_what_is_late_adds_up_and_what_is_in_time_costs_nothing() -> None:
    # A starts at 8:10, 10 min late: a quarter of 60.00. B starts when it just may.
    calls = (
        call("A", promise=window(7.5, 8)),
        call("B", promise=window(8, 8 + 55 * MIN)),
    )
    any_time = ((0, 20 * HOUR_S),)
    route = ride(Task("A", spans=any_time), "B", calls=calls)
    assert route is not None
    assert [stop.late_s for stop in route.stops] == [600, 0]
    assert route.late_units == 1500 * 18_000
    calls = (calls[0], call("B", promise=window(8, 8 + 54 * MIN)))
    route = ride(Task("A", spans=any_time), Task("B", spans=any_time), calls=calls)
    assert route is not None
    assert [stop.late_s for stop in route.stops] == [600, 60]
    assert route.late_units == 3000 * 18_000


@pytest.mark.parametrize(
    ("wish", "cents"),
    [
        (window(8, 8 + 54 * MIN), 300),  # B starts at 8:55
        (window(8, 8 + 55 * MIN), 0),
        (window(8 + 55 * MIN, 9), 0),
        (window(8 + 56 * MIN, 9), 300),
    ],
)
def test_a_start_outside_the_preference_costs_three(wish: Window, cents: int) -> None:
    route = laid(A, call("B", preference=wish))
    assert strip(route)[2] == "B 15 km 15 min 8:55 8:55-9:25"
    assert route is not None
    assert route.preference_units == cents * 18_000
    assert route.stops[1].slack_s is None
    assert route.cost_units == (2250 + 5250 + cents) * 18_000


def test_of_two_places_for_the_break_the_one_that_suits_the_customer_is_taken() -> None:
    # It can start until 8:45: before setting off, or after A. B starts at 9:25 in both
    # cases, A at 8:40 or at 8:10.
    meal_until = meal(8, 9.25)
    assert strip(laid(A, B, meal=meal_until))[1:3] == [
        "A 10 km 10 min 8:10 8:10-8:40",
        "break 0 km 0 min 8:40 8:40-9:10",
    ]
    route = laid(call("A", preference=window(8.5, 9)), B, meal=meal_until)
    assert strip(route) == [
        "leave 8:00",
        "break 0 km 0 min 8:00 8:00-8:30",
        "A 10 km 10 min 8:40 8:40-9:10",
        "B 15 km 15 min 9:25 9:25-9:55",
        "home 20 km 20 min 10:15",
    ]
    assert route is not None
    assert route.preference_units == 0


# --- starts that the planner names -------------------------------------------


def test_a_task_can_say_when_it_may_start() -> None:
    # 8:10 is too late for the first span; so the van leaves for the second one. The
    # customer himself would let the visit start until 11:30.
    early = (8 * HOUR_S, 8 * HOUR_S + 300)
    spans = (early, (9 * HOUR_S, 9 * HOUR_S + 1800))
    route = ride(Task("A", spans=spans), calls=(call("A", windows=(window(8, 12),)),))
    assert strip(route) == [
        "leave 8:50",
        "A 10 km 10 min 9:00 9:00-9:30",
        "home 10 km 10 min 9:40",
    ]
    assert route is not None
    assert route.stops[0].slack_s == 2.5 * HOUR_S
    assert ride(Task("A", spans=(early,))) is None
    assert ride(Task("A", spans=())) is None


# --- restock stops -----------------------------------------------------------

AT_SHOP = Task(store_id="shop")


def test_a_van_drives_by_the_shop_to_restock() -> None:
    route = ride("A", AT_SHOP, "B")
    assert strip(route) == [
        "leave 8:00",
        "A 10 km 10 min 8:10 8:10-8:40",
        "shop 10 km 10 min 8:50 8:50-9:00",
        "B 20 km 20 min 9:20 9:20-9:50",
        "home 20 km 20 min 10:10",
    ]
    assert route is not None
    stop = route.stops[1]
    assert (stop.kind, stop.call_id, stop.place) == (StopKind.RESTOCK, None, SHOP)
    assert (stop.slack_s, stop.leave_by_s) == (None, 8 * HOUR_S + 40 * 60)
    assert route.call_ids == ("A", "B")
    assert route.work_s == HOUR_S
    assert route.drive_units == 60_000 * 50 * 18


def test_who_waits_for_the_shop_to_open_is_told_how_late_the_drive_may_begin() -> None:
    route = ride("A", AT_SHOP, shop=a_store(opening=window(10, 16)))
    assert strip(route)[2:] == [
        "shop 10 km 10 min 8:50 10:00-10:10",
        "home 0 km 0 min 10:10",
    ]
    assert route is not None
    assert route.stops[1].leave_by_s == 9 * HOUR_S + 50 * 60


@pytest.mark.parametrize(
    ("shop", "works"),
    [
        (a_store(opening=window(8, 9)), True),  # it is there from 8:50 to 9:00
        (a_store(opening=window(8, 9 - MIN)), False),
        (a_store(opening=window(8, 9), restock_s=660), False),
        (a_store(opening=window(10, 10 + 9 * MIN)), False),  # never long enough
        (a_store(restock_s=None), False),  # no van may drive by
    ],
)
def test_a_restock_stop_is_over_before_the_store_closes(
    shop: Store, *, works: bool
) -> None:
    assert (ride("A", AT_SHOP, "B", shop=shop) is not None) == works


def test_a_counter_is_waited_for_at_home_where_it_comes_first() -> None:
    # Next door to A, open from 9 on.
    counter = a_store("C", opening=window(9, 12))
    route = ride(Task(store_id="C"), "A", counter=counter)
    assert strip(route) == [
        "leave 8:50",
        "C 10 km 10 min 9:00 9:00-9:10",
        "A 0 km 0 min 9:10 9:10-9:40",
        "home 10 km 10 min 9:50",
    ]
    assert route is not None
    assert route.stops[0].place == PLACES["A"]
    assert route.stops[0].leave_by_s == 8 * HOUR_S + 50 * 60


def test_a_task_can_say_when_to_restock() -> None:
    spans = ((10 * HOUR_S, 11 * HOUR_S),)
    route = ride("A", Task(store_id="shop", spans=spans))
    assert strip(route)[2] == "shop 10 km 10 min 8:50 10:00-10:10"


def test_a_break_is_taken_at_the_store_s_street_while_it_is_closed() -> None:
    # Break from 9 on, as late as the shop's opening at 10 allows: one wait, there.
    shop = a_store(opening=window(10, 16))
    route = ride("A", AT_SHOP, "B", shop=shop, meal=meal(9, 10.5))
    assert strip(route) == [
        "leave 8:00",
        "A 10 km 10 min 8:10 8:10-8:40",
        "break 10 km 10 min 8:50 9:30-10:00",
        "shop 0 km 0 min 10:00 10:00-10:10",
        "B 20 km 20 min 10:30 10:30-11:00",
        "home 20 km 20 min 11:20",
    ]
    assert rest(route).place == SHOP
    assert rest(route).leave_by_s == 9 * HOUR_S + 20 * 60


def test_a_break_is_taken_before_driving_to_the_store_or_after_restocking() -> None:
    # It can start from 8:40 to 8:44, at A's kerb.
    route = ride("A", AT_SHOP, meal=meal(8 + 40 * MIN, 9 + 14 * MIN))
    assert strip(route)[2:] == [
        "break 0 km 0 min 8:40 8:40-9:10",
        "shop 10 km 10 min 9:20 9:20-9:30",
        "home 0 km 0 min 9:30",
    ]
    assert rest(route).place == PLACES["A"]
    # From 9:00 to 9:19 it can only start at the shop, before the drive to B.
    route = ride("A", AT_SHOP, "B", meal=meal(9, 9 + 49 * MIN))
    assert strip(route)[2:5] == [
        "shop 10 km 10 min 8:50 8:50-9:00",
        "break 0 km 0 min 9:00 9:00-9:30",
        "B 20 km 20 min 9:50 9:50-10:20",
    ]
    assert rest(route).place == SHOP


def test_break_restock_and_traffic_come_together() -> None:
    # Half speed until 9. To A: 20 min. To the shop from 8:50: 5 min of road by 9:00, 5
    # more until 9:05. Resting there, 9:05-9:35, leaves one wait, for the shop to open
    # at 10; resting at A's kerb would be a wait for 9:00 and another one for 10:00.
    slow = Traffic(slot_s=HOUR_S, speed_permille=(*[500] * 9, 1000))
    route = ride(
        "A",
        AT_SHOP,
        "B",
        shop=a_store(opening=window(10, 16)),
        roads=TravelRules(matrix=MATRIX, traffic=slow),
        meal=meal(9, 10),
    )
    assert strip(route) == [
        "leave 8:00",
        "A 10 km 20 min 8:20 8:20-8:50",
        "break 10 km 15 min 9:05 9:05-9:35",
        "shop 0 km 0 min 9:35 10:00-10:10",
        "B 20 km 20 min 10:30 10:30-11:00",
        "home 20 km 20 min 11:20",
    ]


@pytest.mark.parametrize(
    ("on", "eight_h"),
    [
        (date(2026, 10, 25), 9),  # the clock was put back at 3: one hour more
        (date(2026, 3, 29), 7),  # put forward at 2: one less
    ],
)
def test_on_the_day_the_clock_changes_all_goes_by_the_clock(
    on: date, eight_h: int
) -> None:
    # By the clock: half speed until 9, A promised 9:00-9:30, the shop open from 10,
    # break 9:30-10:30. A is 20 min away at half speed, the shop 10 min at full speed.
    shift_h = eight_h - 8
    traffic = Traffic(slot_s=HOUR_S, speed_permille=(*[500] * (9 + shift_h), 1000))
    route = ride(
        "A",
        AT_SHOP,
        "B",
        calls=(call("A", promise=window(9 + shift_h, 9.5 + shift_h)),),
        shop=a_store(opening=window(10 + shift_h, 16 + shift_h)),
        roads=TravelRules(matrix=MATRIX, traffic=traffic),
        on=on,
        shift=window(8 + shift_h, 17 + shift_h),
        meal=meal(9.5 + shift_h, 10.5 + shift_h),
        work_limit_s=8400,  # 8:40 to 11:30 without the half hour: 2 h 20
    )
    assert strip(route, a_day(date=on).clock.hhmm) == [
        "leave 08:40",
        "A 10 km 20 min 09:00 09:00-09:30",
        "break 0 km 0 min 09:30 09:30-10:00",
        "shop 10 km 10 min 10:10 10:10-10:20",
        "B 20 km 20 min 10:40 10:40-11:10",
        "home 20 km 20 min 11:30",
    ]


# --- what the driver may be asked to do --------------------------------------


def test_nobody_drives_or_works_longer_than_the_limit() -> None:
    # 10, 15 and 20 min at the wheel; 8:00 to 9:45 on the way.
    assert laid(A, B, drive_limit_s=45 * 60, work_limit_s=105 * 60) is not None
    assert laid(A, B, drive_limit_s=45 * 60 - 1) is None
    assert laid(A, B, work_limit_s=105 * 60 - 1) is None


def test_the_break_is_no_work_and_restocking_is() -> None:
    # 8:00 to 10:15 with a break of half an hour that cannot wait until the van is back.
    noon = meal(8.5, 9 + 50 * MIN)
    assert laid(A, B, meal=noon, work_limit_s=105 * 60) is not None
    assert laid(A, B, meal=noon, work_limit_s=105 * 60 - 1) is None
    # 8:00 to 10:10
    assert ride("A", AT_SHOP, "B", work_limit_s=130 * 60) is not None
    assert ride("A", AT_SHOP, "B", work_limit_s=130 * 60 - 1) is None
    assert ride("A", AT_SHOP, "B", drive_limit_s=60 * 60) is not None
    assert ride("A", AT_SHOP, "B", drive_limit_s=60 * 60 - 1) is None


def test_work_begins_when_the_van_sets_off_not_with_the_shift() -> None:
    # 9:50 to 10:40; the shift begins at 8.
    late = call("A", windows=(window(10, 11),))
    assert laid(late, work_limit_s=50 * 60) is not None
    assert laid(late, work_limit_s=50 * 60 - 1) is None


def test_leaving_late_counts_with_the_traffic_of_that_hour() -> None:
    # Half speed from 9 to 10 only: the van leaves at 9:40 and drives 20 min, and 10
    # min back. Having left at 8 it would have driven 10 and 10.
    traffic = Traffic(slot_s=HOUR_S, speed_permille=(*[1000] * 9, 500, 1000))
    roads = TravelRules(matrix=MATRIX, traffic=traffic)
    late = call("A", windows=(window(10, 11),))
    assert laid(late, roads=roads, drive_limit_s=30 * 60) is not None
    assert laid(late, roads=roads, drive_limit_s=30 * 60 - 1) is None


def test_where_the_day_would_be_too_long_the_break_is_taken_on_the_way() -> None:
    # B opens at 9:05, so the van is home at 9:55, in time for its break: 1 h 55 of
    # work. With the break after A it is home at 10:15: 2 h 15 less half an hour.
    opens = call("B", windows=(window(9 + 5 * MIN, 12),))
    noon = meal(8.5, 10.5)
    home_first = [
        "leave 8:00",
        "A 10 km 10 min 8:10 8:10-8:40",
        "B 15 km 15 min 8:55 9:05-9:35",
        "home 20 km 20 min 9:55",
    ]
    assert strip(laid(A, opens, meal=noon)) == home_first
    assert strip(laid(A, opens, meal=noon, work_limit_s=115 * 60)) == home_first
    assert strip(laid(A, opens, meal=noon, work_limit_s=115 * 60 - 1)) == [
        "leave 8:00",
        "A 10 km 10 min 8:10 8:10-8:40",
        "break 0 km 0 min 8:40 8:40-9:10",
        "B 15 km 15 min 9:25 9:25-9:55",
        "home 20 km 20 min 10:15",
    ]
    assert laid(A, opens, meal=noon, work_limit_s=105 * 60) is not None
    assert laid(A, opens, meal=noon, work_limit_s=105 * 60 - 1) is None


def test_where_driving_would_be_too_long_the_break_sits_out_the_slow_hour() -> None:
    # Half speed 8:30-9:00: from A at 8:40 to B by 9:05, 25 min; 55 in all, and the
    # break at home. Rested at A's kerb until 9:10 it is 15 min, 45 in all; at B's
    # street it would still be 55. A break before A would put off the drive as well,
    # but cannot begin before 8:30.
    speeds = (*[1000] * 17, 500, 1000)
    roads = TravelRules(
        matrix=MATRIX, traffic=Traffic(slot_s=1800, speed_permille=speeds)
    )
    noon = meal(8.5, 10.5)
    assert strip(laid(A, B, roads=roads, meal=noon, drive_limit_s=55 * 60)) == [
        "leave 8:00",
        "A 10 km 10 min 8:10 8:10-8:40",
        "B 15 km 25 min 9:05 9:05-9:35",
        "home 20 km 20 min 9:55",
    ]
    for limit_s in (55 * 60 - 1, 45 * 60):
        assert strip(laid(A, B, roads=roads, meal=noon, drive_limit_s=limit_s)) == [
            "leave 8:00",
            "A 10 km 10 min 8:10 8:10-8:40",
            "break 0 km 0 min 8:40 8:40-9:10",
            "B 15 km 15 min 9:25 9:25-9:55",
            "home 20 km 20 min 10:15",
        ]
    assert laid(A, B, roads=roads, meal=noon, drive_limit_s=45 * 60 - 1) is None


def test_a_break_that_frees_the_van_later_is_taken_where_it_spares_driving() -> None:
    # The same slow half hour, but the break begins from 9:05 to 9:20. At B's street it
    # begins at once, at 9:05 after 25 min; at A's kerb only after a wait, and then it
    # is 15 min to B, 9:50.
    speeds = (*[1000] * 17, 500, 1000)
    slow = Traffic(slot_s=1800, speed_permille=speeds)
    roads = TravelRules(matrix=MATRIX, traffic=slow)
    noon = meal(9 + 5 * MIN, 9 + 50 * MIN)
    assert strip(laid(A, B, roads=roads, meal=noon, drive_limit_s=55 * 60)) == [
        "leave 8:00",
        "A 10 km 10 min 8:10 8:10-8:40",
        "break 15 km 25 min 9:05 9:05-9:35",
        "B 0 km 0 min 9:35 9:35-10:05",
        "home 20 km 20 min 10:25",
    ]
    for limit_s in (55 * 60 - 1, 45 * 60):
        assert strip(laid(A, B, roads=roads, meal=noon, drive_limit_s=limit_s)) == [
            "leave 8:00",
            "A 10 km 10 min 8:10 8:10-8:40",
            "break 0 km 0 min 8:40 9:05-9:35",
            "B 15 km 15 min 9:50 9:50-10:20",
            "home 20 km 20 min 10:40",
        ]
    assert laid(A, B, roads=roads, meal=noon, drive_limit_s=45 * 60 - 1) is None


# --- what does not work ------------------------------------------------------


@pytest.mark.parametrize(
    ("calls", "van"),
    [
        # half an hour does not fit into 20 minutes
        ((call("A", windows=(window(9, 9 + 20 * MIN),)),), {}),
        # B is reached at 8:55
        ((A, call("B", promise=window(8, 8 + 54 * MIN))), {}),
        # back at 8:50
        ((A,), {"shift": window(8, 8 + 49 * MIN)}),
        # the break must run 8:00-8:30, A must start by 8:39 and is 10 min away
        ((call("A", promise=window(8, 8 + 39 * MIN)),), {"meal": meal(8, 8.5)}),
    ],
)
def test_an_order_that_does_not_work_is_none(
    calls: tuple[Call, ...], van: dict[str, Any]
) -> None:
    assert laid(*calls, **van) is None
