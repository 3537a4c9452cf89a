"""Access points: where the van parks, and the way on foot, with times by hand.

From the shop to A 10 min and 10 km, to B 20 and 20, between A and B 15 and 15. A visit
takes half an hour. At A the van parks at a barrier: 6 min on foot each way, 4 more to
find the level on arriving. Free flow unless said otherwise.
"""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest

from dispatch.answer import answer
from dispatch.evening import tonight
from dispatch.planner import Budget, plan_day
from dispatch.report.calendar import calendar_bytes
from dispatch.report.text import plan_text
from dispatch.report.words import access_words
from dispatch.rest import rest_of
from dispatch.rules import judge
from dispatch.state import replay
from dispatch.timetable import lay_out
from dispatch.travel import extend_table, travel_table
from shared.facts import Fact, FactKind
from shared.model import (
    Access,
    Call,
    Day,
    Plan,
    Proof,
    ReadyItem,
    ReadyKind,
    Status,
    Traffic,
    TravelRules,
)
from tests.builders import HOUR_S, a_call, a_day, a_plan, a_van, at, window

ENDS = {
    ("shop", "call:A"): (600, 10_000),
    ("shop", "call:B"): (1200, 20_000),
    ("call:A", "call:B"): (900, 15_000),
}
MATRIX = ENDS | {(there, here): leg for (here, there), leg in ENDS.items()}
ROADS = TravelRules(matrix=MATRIX)
BARRIER = replace(at(9.9, 0), name="barrier in Dock Road")
ACCESS = Access(place=BARRIER, walk_s=360, search_s=240)
A = a_call("A", place=at(10, 0), access=ACCESS, promise=window(9, 10))
B = a_call("B", place=at(0, 20))


def day(*calls: Call, travel: TravelRules = ROADS) -> Day:
    return a_day(*(calls or (A, B)), travel=travel)


def laid(asked: Day, order: Iterable[str]) -> Plan:
    route = lay_out(asked, travel_table(asked), asked.vans[0], tuple(order))
    assert route is not None
    status = Status(proof=Proof.BEST_FOUND)
    return Plan(routes=(route,), issues=(), unplaced=(), status=status)


def clock(time_s: int) -> str:
    return f"{time_s // HOUR_S}:{time_s % HOUR_S // 60:02}"


def test_the_way_on_foot_is_walked_before_the_visit_and_back_after_it() -> None:
    (route,) = laid(day(), "AB").routes
    first, second = route.stops
    # In: 10 min drive + 6 + 4 on foot = 20. It leaves at 8:40 to start at 9:00.
    assert clock(route.leave_s) == "8:40"
    assert (first.drive_m, first.drive_s) == (10_000, 20 * 60)
    assert (clock(first.start_s), clock(first.finish_s)) == ("9:00", "9:30")
    # Out: 6 min back to the van + 15 min to B = 21; nothing is searched.
    assert second.drive_s == 21 * 60
    assert clock(second.arrive_s) == "9:51"
    assert route.distance_m == 10_000 + 15_000 + 20_000


def test_a_promise_is_kept_at_the_door_not_at_the_barrier() -> None:
    late = day(replace(A, promise=window(8, 8 + 19 / 60)), B)
    # The van is at the barrier at 8:10, but with the customer at 8:20 only.
    assert lay_out(late, travel_table(late), late.vans[0], ("A",)) is None
    kept = day(replace(A, promise=window(8, 8 + 20 / 60)), B)
    (route,) = laid(kept, "A").routes
    assert clock(route.stops[0].start_s) == "8:20"


def test_the_drive_goes_to_the_access_point() -> None:
    (route,) = laid(day(), "A").routes
    assert route.stops[0].place == BARRIER
    # Along the straight line it is the barrier's distance that counts: 9.9, not 10 km.
    line = travel_table(day(travel=TravelRules(start_stop_s=0)))
    straight = travel_table(
        day(replace(A, place=BARRIER, access=None), travel=TravelRules(start_stop_s=0))
    )
    row, shop = line.keys["call:A"], line.keys["shop"]
    assert line.distance_m[shop, row] == straight.distance_m[1, 0]
    assert line.base_s[shop, row] == straight.base_s[1, 0] + 600
    assert line.base_s[row, shop] == straight.base_s[0, 1] + 360


def test_at_the_own_door_only_the_search_counts() -> None:
    (route,) = laid(day(replace(A, access=Access(search_s=300))), "A").routes
    assert route.stops[0].drive_s == 15 * 60
    assert route.last_drive_s == 10 * 60
    assert route.stops[0].place == A.place


def test_two_visits_at_one_barrier_are_walked_to_one_by_one() -> None:
    # No drive between them; 6 min out and 6 + 4 in: what they need is in the van.
    twin = replace(A, id="T", promise=None)
    zero = {("call:A", "call:T"): (0, 0), ("call:T", "call:A"): (0, 0)}
    like = {
        tuple("call:T" if end == "call:A" else end for end in ends): leg
        for ends, leg in MATRIX.items()
    }
    roads = TravelRules(matrix={**MATRIX, **like, **zero})  # type: ignore[dict-item]
    (route,) = laid(day(A, B, twin, travel=roads), "AT").routes
    assert route.stops[1].drive_s == 16 * 60


def test_the_hours_traffic_stretches_the_walk_with_the_drive() -> None:
    slow = replace(ROADS, traffic=Traffic(speed_permille=(500,)))
    (route,) = laid(day(travel=slow), "A").routes
    assert route.stops[0].drive_s == 2 * 20 * 60  # half as fast, all of it


def test_the_plan_that_is_searched_passes_the_judge_with_the_same_times() -> None:
    asked = day(A, replace(B, promise=window(8, 9)))
    plan = plan_day(asked, Budget(rounds=50, replans=False))
    assert not judge(asked, travel_table(asked), plan)
    (route,) = plan.routes
    # B first: 8:00 + 20 min = 8:20 to 8:50; then 15 min + 10 on foot: A at 9:15. The
    # other way round A is done at 9:30, and B's promise ends at 9:00.
    assert [(stop.call_id, clock(stop.start_s)) for stop in route.stops] == [
        ("B", "8:20"),
        ("A", "9:15"),
    ]
    assert route.stops[1].drive_s == 25 * 60
    assert clock(route.finish_s) == "10:01"  # 9:45 + 6 min on foot + 10 min drive


def test_the_judge_refuses_a_van_that_stands_at_the_door_instead() -> None:
    asked = day()
    plan = laid(asked, "AB")
    (route,) = plan.routes
    moved = replace(route.stops[0], place=A.place)
    wrong = replace(plan, routes=(replace(route, stops=(moved, *route.stops[1:])),))
    texts = [each.text for each in judge(asked, travel_table(asked), wrong)]
    assert "is not where the call is" in texts


def test_a_call_that_comes_in_brings_its_walk_into_the_table() -> None:
    asked = day(B, travel=TravelRules(start_stop_s=0))
    more = replace(asked, calls=(B, A))
    table = extend_table(travel_table(asked), more)
    whole = travel_table(more)
    assert table.keys == whole.keys
    assert np.array_equal(table.base_s, whole.base_s)


@pytest.mark.parametrize("matrix", [None, MATRIX])
def test_in_the_rest_of_a_day_the_way_back_is_still_to_walk(
    matrix: dict[tuple[str, str], tuple[int, int]] | None,
) -> None:
    rules = TravelRules(start_stop_s=0, matrix=matrix)
    asked = day(replace(A, promise=None), B, travel=rules)
    fact = Fact(
        id="1", kind=FactKind.STARTED, at_s=9 * HOUR_S, van_id="V1", call_id="A"
    )
    plan = a_plan({"V1": ("A", "B")})
    rest = rest_of(asked, plan, replay(asked, [fact]), 9 * HOUR_S)
    whole, part = travel_table(asked), rest.travel
    there = part.base_s[part.keys["start:V1"], part.keys["call:B"]]
    assert there == whole.base_s[whole.keys["call:A"], whole.keys["call:B"]]
    if matrix is not None:
        assert there == 900 + 360
        # Whoever measures the rest anew comes to the same.
        again = travel_table(rest.day)
        assert np.array_equal(again.base_s, part.base_s)


def test_a_call_still_to_come_keeps_its_walk_in_the_rest_of_a_given_table() -> None:
    asked = day(replace(A, promise=None), B)
    fact = Fact(
        id="1", kind=FactKind.STARTED, at_s=9 * HOUR_S, van_id="V1", call_id="B"
    )
    plan = a_plan({"V1": ("B", "A")})
    rest = rest_of(asked, plan, replay(asked, [fact]), 9 * HOUR_S)
    again = travel_table(rest.day)
    row, column = again.keys["start:V1"], again.keys["call:A"]
    assert again.base_s[row, column] == 900 + 600  # 15 min drive, 6 + 4 on foot
    assert np.array_equal(again.base_s, rest.travel.base_s)


def test_the_sheet_says_where_to_park_and_how_far_to_walk() -> None:
    full = replace(ACCESS, note="ring the attendant", no_signal=True)
    assert access_words(replace(A, access=full)) == (
        "Park at barrier in Dock Road: walk 6 min each way, 4 min to find it, in the "
        "drives; no phone signal there; ring the attendant"
    )
    assert access_words(B) == ""
    asked = day(replace(A, access=full), B)
    made = answer(asked, laid(asked, "AB"))
    assert "Park at barrier in Dock Road: walk 6 min each way" in plan_text(made)
    calendar = calendar_bytes(made, made.plan.routes[0]).decode().replace("\r\n ", "")
    assert "Park at barrier" in calendar


def test_a_job_that_needs_signal_where_there_is_none_is_to_be_settled_tonight() -> None:
    needs = replace(
        A,
        access=replace(ACCESS, no_signal=True),
        ready=(ReadyItem(kind=ReadyKind.SIGNAL, owner="driver"),),
    )
    asked = day(needs, B)
    (entry,) = tonight(asked, laid(asked, "AB"))
    assert "There is none at the job" in entry.ask
    with_signal = day(replace(needs, access=ACCESS), B)
    (entry,) = tonight(with_signal, laid(with_signal, "AB"))
    assert "There is none at the job" not in entry.ask


def test_a_van_is_not_asked_to_walk_where_no_access_is_said() -> None:
    asked = a_day(B, travel=ROADS, vans=(a_van(),))
    assert (
        travel_table(asked).base_s.tolist()
        == travel_table(
            a_day(replace(B, access=Access()), travel=ROADS, vans=(a_van(),))
        ).base_s.tolist()
    )
