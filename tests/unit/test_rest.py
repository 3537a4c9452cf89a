"""The rest of a day begins where, when and with what each van will be free."""

from dataclasses import replace

import pytest

from dispatch.planner import Budget, plan_day
from dispatch.rest import Rest, in_force, rest_of
from dispatch.state import replay
from dispatch.timetable import Task
from dispatch.travel import travel_table
from shared.facts import CallState, Fact, FactKind
from shared.model import (
    Break,
    Day,
    Issue,
    Link,
    Origin,
    Plan,
    Standing,
    Stop,
    StopKind,
    Store,
    Tool,
    TravelRules,
    Window,
)
from tests.builders import (
    HOUR_S,
    SHOP,
    a_call,
    a_day,
    a_part,
    a_plan,
    a_van,
    at,
    need,
    window,
)

NINE = 9 * HOUR_S
C1 = a_call("C1", place=at(north=5), p90_s=3600)  # 1800 and 0.3 * 1800: 2340 planned
C2 = a_call("C2", place=at(north=10))
C3 = a_call("C3", place=at(east=5))
PLAN = a_plan({"V1": ("C1", "C2"), "V2": ("C3",)})


def day(**changes: object) -> Day:
    made = a_day(C1, C2, C3, vans=(a_van("V1"), a_van("V2")))
    return replace(made, **changes)  # type: ignore[arg-type]


def fact(kind: FactKind, at_s: int, **said: object) -> Fact:
    return Fact(id=f"{kind} {at_s}", kind=kind, at_s=at_s, **said)  # type: ignore[arg-type]


def go(kind: FactKind, at_s: int, call_id: str | None = None, **said: object) -> Fact:
    return fact(kind, at_s, van_id="V1", call_id=call_id, **said)


def rest(now_s: int, *facts: Fact, asked: Day | None = None, plan: Plan = PLAN) -> Rest:
    asked = asked or day()
    return rest_of(asked, plan, replay(asked, facts), now_s)


def shift_s(found: Rest, van_id: str = "V1") -> int:
    (van,) = (van for van in found.day.vans if van.id == van_id)
    return van.shift.start_s


def test_before_anything_happens_the_rest_is_the_day_with_what_stands() -> None:
    found = rest(0)
    assert [replace(call, standing=None) for call in found.day.calls] == [C1, C2, C3]
    assert found.day.vans == day().vans
    # the plan has C1 at nine; ten minutes are the day's tolerance
    standing = Standing(
        van_id="V1", window=Window(start_s=NINE - 600, end_s=NINE + 600)
    )
    assert found.day.calls[0].standing == standing
    tasks = {
        van: [task.call_id for task in some] for van, some in found.standing.items()
    }
    assert tasks == {"V1": ["C1", "C2"], "V2": ["C3"]}
    assert found.day.promises_may_break


@pytest.mark.parametrize(
    ("now_s", "free_s"),
    [
        (NINE + 60, NINE + 2340),  # as planned
        (NINE + 2340, NINE + 3600),  # over: nine in ten are shorter than an hour
        (NINE + 3600, NINE + 4500),  # over that: a quarter of an hour from now
    ],
)
def test_a_van_at_work_is_free_when_the_visit_is_likely_over(
    now_s: int, free_s: int
) -> None:
    found = rest(now_s, go(FactKind.STARTED, NINE, "C1"))
    assert shift_s(found) == free_s
    assert found.day.vans[0].start == C1.place
    assert [call.id for call in found.day.calls] == ["C2", "C3"]
    (stop,) = found.frozen["V1"]
    assert (stop.state, stop.start_s, stop.finish_s) == (
        CallState.WORKING,
        NINE,
        free_s,
    )


def test_a_van_that_drives_arrives_begins_and_finishes_as_planned() -> None:
    table = travel_table(day())
    drive_s = int(table.base_s[table.keys["start:V1"], table.keys["call:C1"]])
    found = rest(NINE + 60, go(FactKind.LEFT, NINE, "C1"))
    (stop,) = found.frozen["V1"]
    assert (stop.left_s, stop.arrive_s) == (NINE, NINE + drive_s)
    assert shift_s(found) == NINE + drive_s + 2340
    # overdue: it is expected now
    late = rest(NINE + 7200, go(FactKind.LEFT, NINE, "C1"))
    assert shift_s(late) == NINE + 7200 + 2340


def test_a_reported_lateness_moves_what_comes_next() -> None:
    facts = (
        go(FactKind.STARTED, NINE, "C1"),
        fact(FactKind.LATE, NINE + 60, van_id="V1", late_s=1500),
    )
    assert shift_s(rest(NINE + 120, *facts)) == NINE + 2340 + 1500
    # before the shift: half an hour later than eight
    waiting = fact(FactKind.LATE, 7 * HOUR_S, van_id="V2", late_s=1800)
    assert shift_s(rest(7 * HOUR_S, waiting), "V2") == 8 * HOUR_S + 1800


def test_a_visit_does_not_begin_before_its_window() -> None:
    asked = day(calls=(replace(C1, promise=window(11, 12)), C2, C3))
    there = (go(FactKind.LEFT, NINE, "C1"), go(FactKind.ARRIVED, NINE + 900, "C1"))
    assert shift_s(rest(NINE + 960, *there, asked=asked)) == 11 * HOUR_S + 2340


def test_a_van_that_has_left_does_not_load_and_its_stock_is_what_it_will_hold() -> None:
    calls = (replace(C1, needs=(need("BLANK", "FOB", quantity=2),)), C2, C3)
    asked = day(
        calls=calls,
        parts={"BLANK": a_part("BLANK"), "FOB": a_part("FOB")},
        vans=(a_van("V1", stock={"BLANK": 3, "FOB": 2}), a_van("V2")),
    )
    started = go(FactKind.STARTED, NINE, "C1")
    found = rest(NINE, started, asked=asked)
    assert not found.day.vans[0].loads_at_shop
    assert found.day.vans[1].loads_at_shop
    assert found.day.vans[0].stock == {"BLANK": 1, "FOB": 2}  # what was wanted first
    issue = Issue(
        van_id="V1",
        part_id="FOB",
        quantity=2,
        origin=Origin.ABOARD,
        call_id="C1",
        need=0,
        chosen="FOB",
    )
    planned = replace(PLAN, issues=(issue,))
    found = rest(NINE, started, asked=asked, plan=planned)
    assert found.day.vans[0].stock == {"BLANK": 3}  # the plan had another choice
    assert found.uses == (issue,)


def test_what_a_restock_stop_under_way_fetches_is_aboard_and_no_more_in_the_store() -> (
    None
):
    asked = day(
        shop=Store(id="shop", place=SHOP, stock={"BLANK": 2}, restock_s=600),
        parts={"BLANK": a_part("BLANK")},
    )
    issue = Issue(
        van_id="V1",
        part_id="BLANK",
        quantity=1,
        origin=Origin.RESTOCK,
        store_id="shop",
        call_id="C2",
        need=0,
        chosen="BLANK",
    )
    facts = (
        go(FactKind.STARTED, NINE, "C1"),
        go(FactKind.DONE, NINE + 1800, "C1"),
        fact(FactKind.ARRIVED, NINE + 2400, van_id="V1", store_id="shop"),
    )
    plan = replace(PLAN, issues=(issue,))
    found = rest(NINE + 2400, *facts, asked=asked, plan=plan)
    assert found.day.vans[0].stock == {"BLANK": 1}
    assert found.day.shop.stock == {"BLANK": 1}
    assert shift_s(found) == NINE + 3000
    assert [task.call_id for task in found.standing["V1"]] == ["C2"]


def test_a_van_that_is_down_is_out_and_its_calls_are_open() -> None:
    found = rest(
        NINE + 60,
        go(FactKind.STARTED, NINE, "C1"),
        fact(FactKind.VAN_DOWN, NINE + 60, van_id="V1"),
    )
    assert [van.id for van in found.day.vans] == ["V2"]
    assert [call.id for call in found.day.calls] == ["C1", "C2", "C3"]
    assert found.notes == ("van V1 is out for the day",)


def test_a_van_whose_shift_is_over_is_left_out_and_that_is_said() -> None:
    found = rest(17 * HOUR_S)
    assert found.day.vans == ()
    assert found.notes[0] == "van V1 is free at 17:00: its shift is over by then"


def test_what_is_cancelled_is_no_more_in_what_stands() -> None:
    found = rest(NINE, fact(FactKind.CANCELLED, NINE, call_id="C1"))
    assert [call.id for call in found.day.calls] == ["C2", "C3"]
    assert [task.call_id for task in found.standing["V1"]] == ["C2"]


def test_a_van_that_turned_round_is_at_the_end_it_was_nearer_to() -> None:
    table = travel_table(day())
    drive_s = int(table.base_s[table.keys["start:V1"], table.keys["call:C1"]])
    for driven_s, place in ((drive_s // 2 - 1, SHOP), (drive_s // 2 + 1, C1.place)):
        found = rest(
            NINE + driven_s,
            go(FactKind.LEFT, NINE, "C1"),
            fact(FactKind.CANCELLED, NINE + driven_s, call_id="C1"),
        )
        assert found.day.vans[0].start == place


def test_a_time_that_was_told_is_what_stands_as_long_as_the_plan_keeps_it() -> None:
    kept = rest(0, fact(FactKind.TOLD, 0, call_id="C1", window=window(8.5, 10)))
    standing = Standing(van_id="V1", window=window(8.5, 10), told=True)
    assert kept.day.calls[0].standing == standing
    lost = rest(0, fact(FactKind.TOLD, 0, call_id="C1", window=window(7, 8)))
    assert lost.day.calls[0].standing is not None
    assert not lost.day.calls[0].standing.told


def test_a_link_to_a_visit_that_is_done_becomes_a_window() -> None:
    tied = Link(first="C1", then="C2", same_van=True, min_gap_s=600, max_gap_s=3600)
    done = (go(FactKind.STARTED, NINE, "C1"), go(FactKind.DONE, NINE + 1200, "C1"))
    found = rest(NINE + 1200, *done, asked=day(links=(tied,)))
    call = next(call for call in found.day.calls if call.id == "C2")
    # starts from 10 to 60 minutes after 9:20; the visit itself takes 30
    assert call.windows == (
        Window(start_s=NINE + 1800, end_s=NINE + 1200 + 3600 + 1800),
    )
    assert call.required_van == "V1"
    assert found.day.links == ()


def test_what_comes_after_a_visit_that_will_never_be_is_stuck_with_a_reason() -> None:
    links = (Link(first="C1", then="C2"), Link(first="C2", then="C3"))
    gone = fact(FactKind.CANCELLED, NINE, call_id="C1")
    found = rest(NINE, gone, asked=day(links=links))
    assert found.day.calls == ()
    assert [one.call_id for one in found.stuck] == ["C2", "C3"]
    assert found.stuck[0].reasons[0].text == "C1 comes first and is not served"


MEAL = Break(window=window(9, 12), length_s=1800)


def with_break(*, before: str) -> Plan:
    """Return the plan with a break at ten, before a call and at its street."""
    first, *others = PLAN.routes
    stops: list[Stop] = []
    for stop in first.stops:
        if stop.call_id == before:
            pause = Stop(
                kind=StopKind.BREAK,
                call_id=None,
                place=C1.place,
                drive_m=0,
                drive_s=0,
                arrive_s=NINE + 1800,
                start_s=NINE + 1800,
                finish_s=NINE + 3600,
            )
            stops.append(pause)
        stops.append(stop)
    return replace(PLAN, routes=(replace(first, stops=tuple(stops)), *others))


def test_a_break_that_is_under_way_is_not_broken_off() -> None:
    asked = day(vans=(a_van("V1", meal=MEAL), a_van("V2")))
    done = (go(FactKind.STARTED, NINE, "C1"), go(FactKind.DONE, NINE + 2000, "C1"))
    plan = with_break(before="C2")
    found = rest(NINE + 2600, *done, asked=asked, plan=plan)
    assert shift_s(found) == NINE + 3800  # half an hour after the visit was done
    assert found.day.vans[0].meal is None
    assert found.frozen["V1"][-1].kind is StopKind.BREAK
    # and so it is when the rest was planned anew meanwhile
    whole = in_force(found, a_plan({"V1": ("C2",), "V2": ("C3",)}))
    later = rest(NINE + 3000, *done, asked=asked, plan=whole)
    assert later.frozen["V1"] == found.frozen["V1"]
    assert shift_s(later) == NINE + 3800


def test_a_break_still_to_come_has_what_is_left_of_its_hours() -> None:
    asked = day(vans=(a_van("V1", meal=MEAL), a_van("V2")))
    started = go(FactKind.STARTED, 10 * HOUR_S, "C1")
    found = rest(10 * HOUR_S, started, asked=asked)
    assert found.day.vans[0].meal == Break(
        window=Window(start_s=10 * HOUR_S + 2340, end_s=12 * HOUR_S), length_s=1800
    )
    late = go(FactKind.STARTED, 11 * HOUR_S, "C1")
    found = rest(11 * HOUR_S, late, asked=asked)  # free at 11:39, too late by nine
    assert found.day.vans[0].meal is None
    assert found.notes == ("van V1 misses its break",)


def test_a_tool_that_is_out_belongs_to_its_van_for_the_rest() -> None:
    asked = day(tools=(Tool(id="laser_cutter"),))
    left = go(FactKind.LEFT, NINE, "C1", tools=("laser_cutter",))
    found = rest(NINE, left, asked=asked)
    assert found.day.vans[0].equipment == {"laser_cutter"}
    assert found.day.tools == ()


def test_hours_at_the_wheel_and_at_work_are_used_up() -> None:
    limited = a_van("V1", drive_limit_s=7200, work_limit_s=4 * HOUR_S)
    asked = day(vans=(limited, a_van("V2")))
    found = rest(
        NINE + 3600,
        go(FactKind.LEFT, NINE, "C1"),
        go(FactKind.ARRIVED, NINE + 900, "C1"),
        go(FactKind.DONE, NINE + 3000, "C1"),
        asked=asked,
    )
    assert found.day.vans[0].drive_limit_s == 7200 - 900
    assert found.day.vans[0].work_limit_s == 4 * HOUR_S - 3600


def test_who_has_used_up_his_hours_is_given_nothing_more_to_do() -> None:
    limited = a_van("V1", drive_limit_s=900)
    asked = day(vans=(limited,))
    found = rest(
        NINE + 3600,
        go(FactKind.LEFT, NINE, "C1"),
        go(FactKind.ARRIVED, NINE + 900, "C1"),
        go(FactKind.DONE, NINE + 3000, "C1"),
        asked=asked,
    )
    assert found.day.vans[0].drive_limit_s == 1  # 0 would be no limit to the search
    made = plan_day(found.day, Budget(rounds=20, replans=False), found.travel)
    assert {one.call_id for one in made.unplaced} == {"C2", "C3"}


def test_a_break_that_the_plan_begins_just_now_is_not_under_way_yet() -> None:
    meal = Break(window=window(9, 12), length_s=1800)
    asked = day(vans=(a_van("V1", meal=meal), a_van("V2")))
    done_s = NINE + 3600
    facts = (go(FactKind.LEFT, NINE, "C1"), go(FactKind.DONE, done_s, "C1"))
    first = rest(done_s, *facts, asked=asked)
    made = plan_day(first.day, Budget(rounds=20, replans=False), first.travel)
    again = rest(done_s, *facts, asked=asked, plan=in_force(first, made))
    assert again.frozen == first.frozen


def test_in_a_given_table_a_van_drives_on_from_where_it_is() -> None:
    ends = ("call:C1", "call:C2", "call:C3", "shop")
    matrix = {
        (one, other): (60 * (row + 2 * column), 1000)
        for row, one in enumerate(ends)
        for column, other in enumerate(ends)
        if one != other
    }
    asked = day(travel=TravelRules(matrix=matrix))
    booked = fact(FactKind.BOOKED, NINE, call=a_call("E1", place=at(east=1)))
    found = rest(NINE, booked, go(FactKind.STARTED, NINE, "C1"), asked=asked)
    keys, base_s = found.travel.keys, found.travel.base_s
    assert base_s[keys["start:V1"], keys["call:C2"]] == 120  # from C1: 60 * (0 + 2 * 1)
    assert base_s[keys["start:V1"], keys["call:E1"]] > 0  # measured
    again = travel_table(found.day)
    assert again.keys == keys
    assert (again.base_s == base_s).all()


def test_tasks_that_stand_may_start_after_their_promise() -> None:
    asked = day(calls=(replace(C1, promise=window(8, 8.5)), C2, C3))
    (task, _) = rest(0, asked=asked).standing["V1"]
    assert isinstance(task, Task)
    assert task.spans is not None
    (span,) = task.spans
    assert span[0] == 8 * HOUR_S
    assert span[1] > 12 * HOUR_S
