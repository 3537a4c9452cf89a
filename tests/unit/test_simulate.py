"""Days lived through in a world that nobody foresaw."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from dispatch.planner import Budget, plan_day
from dispatch.rest import Rest
from dispatch.simulate import (
    PATIENCE_S,
    Policy,
    World,
    anew,
    foresee,
    inserted,
    invent_world,
    live,
    reshuffled,
)
from shared.model import Plan, Standing, Window
from tests.builders import a_call, a_day, a_van, at, window

BRIEF = Budget(rounds=200, reasons=False)
HOUR_S = 3600


def as_planned(world: World) -> World:
    """Return a world in which visits and drives are as long as planned."""
    calls = {call.id: call for call in world.calls}
    return replace(
        world,
        lengths_s={id_: world.day.planned_s(call) for id_, call in calls.items()},
        slowness=dict.fromkeys(calls, 1.0),
    )


def test_the_same_seed_invents_the_same_world() -> None:
    assert invent_world(3, 12, 2, 0.25) == invent_world(3, 12, 2, 0.25)
    world = invent_world(3, 12, 2, 0.25)
    assert (len(world.day.calls), len(world.urgent)) == (9, 3)
    for call in world.urgent:
        booked_s = world.booked_s[call.id]
        assert call.promise == Window(start_s=booked_s, end_s=booked_s + PATIENCE_S)


def test_how_dynamic_a_day_is() -> None:
    # One of four calls comes in at 10, with two of the ten hours to react; the others
    # are known before. 1/4, and (1 - 2/10) / 4.
    world = World(
        day=a_day(
            calls=[a_call(str(number)) for number in range(3)],
            vans=[a_van(shift=window(8, 18))],
        ),
        urgent=(a_call("urgent", promise=window(10, 12)),),
        booked_s={"urgent": 10 * HOUR_S},
        lengths_s={},
        slowness={},
        wages_units=0,
    )
    assert world.dynamism == pytest.approx(0.25)
    assert world.reaction == pytest.approx(0.2)


@pytest.mark.parametrize("policy", [reshuffled, anew, inserted])
def test_without_surprises_the_day_goes_as_planned(
    policy: Callable[[Budget], Policy],
) -> None:
    world = as_planned(invent_world(5, 10, 2, 0.0))
    plan = plan_day(world.day, BRIEF)
    outcome = live(world, plan, policy(BRIEF))
    planned = sum(route.drive_units + route.overtime_units for route in plan.routes)
    assert outcome.cost_units == planned
    assert outcome.unserved == len(plan.unplaced)
    assert (outcome.changed, outcome.changed_by_calls) == (0, 0)


@pytest.mark.parametrize("policy", [reshuffled, anew, inserted])
def test_an_urgent_call_is_served_after_it_has_come_in(
    policy: Callable[[Budget], Policy],
) -> None:
    day = a_day(
        calls=[a_call("1", place=at(north=2), promise=window(9, 11))],
        vans=[a_van(shift=window(8, 17))],
        promises_may_break=True,
    )
    urgent = a_call("2", place=at(north=1), promise=window(10, 12), priority=1)
    world = World(
        day=day,
        urgent=(urgent,),
        booked_s={"2": 10 * HOUR_S},
        lengths_s={"1": HOUR_S // 2, "2": HOUR_S // 2},
        slowness={"1": 1.0, "2": 1.0},
        wages_units=0,
    )
    outcome = live(world, plan_day(day, BRIEF), policy(BRIEF))
    assert (outcome.unserved, outcome.broken) == (0, 0)
    # One kilometre of straight line takes minutes, and the van was home by then.
    assert 0 < outcome.response_s[0] < HOUR_S // 2


def test_who_knows_everything_is_never_worse_than_the_plan_he_would_make() -> None:
    world = as_planned(invent_world(2, 6, 1, 0.0))
    plan = plan_day(world.day, BRIEF)
    assert foresee(world, BRIEF).unserved <= len(plan.unplaced)


def test_a_customer_told_anew_is_counted_once_per_change() -> None:
    # The first visit takes two hours instead of half an hour: the second is told anew.
    day = a_day(
        calls=[
            a_call("1", place=at(north=1), promise=window(8, 9)),
            a_call("2", place=at(north=2), promise=window(9, 10)),
        ],
        vans=[a_van(shift=window(8, 17))],
        promises_may_break=True,
    )
    world = World(
        day=day,
        urgent=(),
        booked_s={},
        lengths_s={"1": 2 * HOUR_S, "2": HOUR_S // 2},
        slowness={"1": 1.0, "2": 1.0},
        wages_units=0,
    )
    outcome = live(world, plan_day(day, BRIEF), reshuffled(BRIEF))
    assert (outcome.changed, outcome.changed_by_calls, outcome.broken) == (1, 0, 1)


def test_no_plan_on_the_way_is_refused_where_vans_fetch_parts() -> None:
    # Chains that met had kept detours to the shop of routes that were gone: on this
    # day a call came to be on one route twice, and the judge refused the plan.
    world = invent_world(17, 20, 3, 0.1)
    policy = anew(Budget(rounds=500, reasons=False))
    plan = plan_day(world.day, Budget(rounds=3_000, reasons=False))
    assert live(world, plan, policy).unserved == 0


def test_whoever_answers_knows_what_each_customer_was_told() -> None:
    # Both are told in the evening, within ten minutes. The first visit takes an hour
    # longer than planned: the second customer was still told the time of the evening.
    day = a_day(
        calls=[
            a_call("1", place=at(north=1), promise=window(8, 9)),
            a_call("2", place=at(north=2), promise=window(9, 12)),
        ],
        vans=[a_van(shift=window(8, 17))],
        promises_may_break=True,
    )
    world = World(
        day=day,
        urgent=(),
        booked_s={},
        lengths_s={"1": day.planned_s(day.calls[0]) + HOUR_S, "2": HOUR_S // 2},
        slowness={"1": 1.0, "2": 1.0},
        wages_units=0,
    )
    plan = plan_day(day, BRIEF)
    (route,) = plan.routes
    start_s = next(stop.start_s for stop in route.stops if stop.call_id == "2")
    seen: list[Standing | None] = []

    def answer(rest: Rest) -> Plan:
        seen.extend(call.standing for call in rest.day.calls)
        return reshuffled(BRIEF)(rest)

    live(world, plan, answer)
    span = Window(start_s=start_s - 600, end_s=start_s + 600)
    assert seen[0] == Standing(van_id=route.van_id, window=span, told=True)
