"""Where a van waits."""

from dataclasses import replace

from dispatch.planner import Budget, plan_day
from dispatch.waiting import Likely, Spot, Wait, find_waits
from shared.model import Day, Place
from tests.builders import a_call, a_day, a_van, at, window

BUDGET = Budget(rounds=100, replans=False)


def two_calls(vans: int = 1) -> Day:
    """One call at 8 in the north, one at noon in the south, ten kilometres apart."""
    fleet = [a_van(f"V{number}", shift=window(8, 16)) for number in range(1, vans + 1)]
    return a_day(
        calls=[
            a_call("1", place=at(north=5), promise=window(8.5, 9), required_van="V1"),
            a_call("2", place=at(north=-5), promise=window(12, 13), required_van="V1"),
        ],
        vans=fleet,
    )


def waits(day: Day, *likely: Place, per_hour: float = 0.5) -> tuple[Wait, ...]:
    plan = plan_day(day, BUDGET)
    return find_waits(day, plan, [Likely(place=place) for place in likely], per_hour)


def test_a_van_waits_at_the_customer_nearest_to_likely_emergencies() -> None:
    (wait,) = waits(two_calls(), at(north=5))
    assert (wait.van_id, wait.after, wait.before, wait.spot) == ("V1", "1", "2", "last")
    (wait,) = waits(two_calls(), at(north=-5))
    assert wait.spot is Spot.NEXT
    assert "from here" in wait.reason


def test_where_it_makes_no_difference_the_van_stays() -> None:
    (wait,) = waits(two_calls(), at(north=5), at(north=-5))
    assert wait.spot is Spot.LAST
    assert "no better place" in wait.reason


def test_a_detour_to_wait_has_to_be_worth_its_kilometres() -> None:
    town = at(east=10)  # a quarter of an hour from both
    (wait,) = waits(two_calls(), town, per_hour=2.0)
    assert (wait.spot, wait.place) == (Spot.NEAR, town)
    assert wait.extra_m > 0
    assert wait.response_s == 0
    (wait,) = waits(two_calls(), town, per_hour=0.001)
    assert wait.spot is not Spot.NEAR


def test_who_waits_elsewhere_is_still_in_time_for_the_next_customer() -> None:
    day = two_calls()
    plan = plan_day(day, BUDGET)
    start_s = next(s.start_s for s in plan.routes[0].stops if s.call_id == "2")
    for east in (5, 10, 20):
        likely = [Likely(place=at(east=east))]
        (wait,) = find_waits(day, plan, likely, 5.0)
        there = find_waits(day, plan, likely, 5.0)[0].leave_by_s
        assert wait.from_s < there < start_s


def test_another_van_nearby_makes_waiting_there_needless() -> None:
    day = two_calls(vans=2)
    other = a_call("3", place=at(east=10), required_van="V2", promise=window(8.5, 9))
    again = a_call("4", place=at(east=10), required_van="V2", promise=window(14, 15))
    day = replace(day, calls=(*day.calls, other, again))
    mine = next(w for w in waits(day, at(east=10), per_hour=2.0) if w.van_id == "V1")
    assert mine.spot is not Spot.NEAR


def test_short_waits_are_not_spoken_of() -> None:
    day = two_calls()
    close = replace(day.calls[1], promise=window(9, 9.75))
    assert waits(replace(day, calls=(day.calls[0], close)), at(north=5)) == ()


def test_without_likely_places_there_is_nothing_to_say() -> None:
    assert waits(two_calls()) == ()


def test_a_given_travel_matrix_says_how_soon_an_emergency_is_reached() -> None:
    # Ten kilometres of straight line, and a tunnel of 50 seconds below them.
    day = two_calls()
    nodes = ["call:1", "call:2", "shop", "start:V1", "finish:V1"]
    matrix = {(a, b): (50, 1000) for a in nodes for b in nodes if a != b}
    (wait,) = waits(
        replace(day, travel=replace(day.travel, matrix=matrix)), at(north=-5)
    )
    assert (wait.spot, wait.here_s, wait.there_s) == (Spot.LAST, 50, 0)
