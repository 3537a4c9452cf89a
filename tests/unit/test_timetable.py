"""One van's order of calls, written out with clock times that are derived by hand.

The shop, A and B: 10 min and 10 km from the shop to A, 20 and 20 to B, 15 and 15
between A and B, at free flow unless said otherwise. A visit takes half an hour.
"""

from typing import Any

import pytest

from dispatch.timetable import lay_out
from dispatch.travel import travel_table
from shared.model import Break, Call, Rates, Route, Stop, StopKind, Traffic, TravelRules
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


def laid(*calls: Call, roads: TravelRules = ROADS, **van: Any) -> Route | None:
    """Write out the calls in the order given, for a van that starts at 8."""
    known = {each.id: each for each in (A, B)} | {each.id: each for each in calls}
    day = a_day(*known.values(), vans=(a_van(**van),), travel=roads)
    return lay_out(day, travel_table(day), day.vans[0], [each.id for each in calls])


def clock(time_s: int) -> str:
    return f"{time_s // 3600}:{time_s % 3600 // 60:02}" + (
        f":{time_s % 60:02}" if time_s % 60 else ""
    )


def strip(route: Route | None) -> list[str]:
    """Return the day as lines: who, drive, arrival, start and finish."""
    assert route is not None
    return [
        f"leave {clock(route.leave_s)}",
        *(
            f"{stop.call_id or 'break'} {stop.drive_m // 1000} km "
            f"{stop.drive_s // 60} min {clock(stop.arrive_s)} "
            f"{clock(stop.start_s)}-{clock(stop.finish_s)}"
            for stop in route.stops
        ),
        (
            f"home {route.last_drive_m // 1000} km {route.last_drive_s // 60} min "
            f"{clock(route.finish_s)}"
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
