"""Time held free for emergencies."""

from dataclasses import replace

import pytest

from dispatch.planner import Budget, plan_day
from dispatch.reserve import hold, next_held, slots_for
from shared.model import Day, Reserve
from shared.trade import HELD, kinds
from tests.builders import a_call, a_day, a_van, at, window

HOUR_S = 3600


def reserved(**changes: object) -> Day:
    """Return a day from 8 to 16 with two calls of an hour, and one slot, 10 to 14."""
    reserve = Reserve(window=window(10, 14), length_s=HOUR_S, slots=1)
    kind = kinds()["lockout_vehicle"]
    return a_day(
        calls=[
            a_call("1", place=at(north=1), median_s=HOUR_S, p90_s=HOUR_S),
            a_call("2", place=at(north=2), median_s=HOUR_S, p90_s=HOUR_S),
        ],
        vans=[a_van(shift=window(8, 16), skills=kind.skills, equipment=kind.equipment)],
        kinds=kinds(),
        reserve=replace(reserve, **changes),  # type: ignore[arg-type]
    )


@pytest.mark.parametrize(
    ("expected", "kept", "slots"),
    [
        (0.0, 0.9, 0),
        (1.0, 0.7, 1),  # P(N <= 1) = 2 / e = 0.736
        (1.0, 0.74, 2),  # P(N <= 2) = 2.5 / e = 0.920
        (2.0, 0.8, 3),  # (1 + 2 + 2 + 4/3) / e^2 = 0.857; without 4/3: 0.677
    ],
)
def test_there_are_slots_enough_for_the_wanted_share_of_days(
    expected: float, kept: float, slots: int
) -> None:
    assert slots_for(expected, kept) == slots


def test_a_held_slot_lies_within_its_window_and_on_a_van_that_could_do_the_work() -> (
    None
):
    day = hold(reserved())
    plan = plan_day(day, Budget(rounds=100, replans=False))
    stops = {stop.call_id: stop for route in plan.routes for stop in route.stops}
    assert set(stops) == {"1", "2", "held-1"}
    held = stops["held-1"]
    assert 10 * HOUR_S <= held.start_s < held.finish_s <= 14 * HOUR_S
    assert held.finish_s - held.start_s == HOUR_S
    assert day.calls[-1].skills == kinds()["lockout_vehicle"].skills


def test_a_held_slot_lies_where_the_given_travel_matrix_has_the_middle() -> None:
    # Call 2 lies between the others, but across a river: 50 minutes each way. From 1
    # and from 3 the others are reached in 3000 + 600 s, from 2 in 6000 s.
    day = reserved()
    day = replace(day, calls=(*day.calls, a_call("3", place=at(north=3))))
    far = {("1", "2"), ("2", "1"), ("2", "3"), ("3", "2")}
    matrix = {
        (f"call:{a}", f"call:{b}"): (3000 if (a, b) in far else 600, 1000)
        for a in "123"
        for b in "123"
        if a != b
    }
    assert hold(day).calls[-1].place == at(north=2)
    given = replace(day, travel=replace(day.travel, matrix=matrix))
    assert hold(given).calls[-1].place == at(north=1)


def test_the_number_of_slots_can_come_from_what_is_expected() -> None:
    day = hold(reserved(slots=None, expected=2.0, kept=0.8))
    assert [call.id for call in day.calls if call.kind == HELD] == [
        *("held-1", "held-2", "held-3")
    ]
    assert day.reserve is None


def test_a_held_slot_never_pushes_out_a_customer() -> None:
    # 8 to 10.30: the two calls and the drives, and nothing else.
    day = reserved(window=window(8, 10.5))
    van = replace(day.vans[0], shift=window(8, 10.5))
    plan = plan_day(hold(replace(day, vans=(van,))), Budget(rounds=100, replans=False))
    assert [one.call_id for one in plan.unplaced] == ["held-1"]


def test_a_slot_gets_an_id_that_no_call_has() -> None:
    day = reserved()
    day = replace(day, calls=(*day.calls, a_call("held-1", place=at())))
    assert hold(day).calls[-1].id == "held-2"


def test_an_emergency_takes_the_next_slot_that_can_still_begin() -> None:
    day = hold(reserved(slots=2))
    assert next_held(day, 9 * HOUR_S) == day.calls[2]
    assert next_held(day, 13 * HOUR_S) == day.calls[2]  # 13 to 14 is still an hour
    assert next_held(day, 13 * HOUR_S + 1) is None


def test_without_a_reserve_the_day_stays_as_it_is() -> None:
    day = replace(reserved(), reserve=None)
    assert hold(day) is day
