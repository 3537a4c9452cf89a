"""What the facts come to: times that are assumed, and pieces that are counted."""

from dataclasses import replace

import pytest

from dispatch.state import accept, complete, replay
from shared.errors import Conflict
from shared.facts import CallState, Doing, Fact, FactKind
from shared.model import Break, Day, Issue, Origin, Plan, Purpose, ToolUse, Window
from tests.builders import HOUR_S, a_call, a_day, a_part, a_plan, a_van, window

NINE = 9 * HOUR_S


def fact(kind: FactKind, at_s: int, **said: object) -> Fact:
    return Fact(id=f"{kind} {at_s}", kind=kind, at_s=at_s, **said)  # type: ignore[arg-type]


def go(kind: FactKind, at_s: int, call_id: str | None = None, **said: object) -> Fact:
    return fact(kind, at_s, van_id="V1", call_id=call_id, **said)


def day(**van: object) -> Day:
    return a_day(
        a_call("C1"),
        a_call("C2"),
        vans=(a_van("V1", stock={"BLANK": 1}, **van), a_van("V2", stock={"FOB": 2})),
        parts=(a_part("BLANK"), a_part("FOB")),
        shop={"BLANK": 3},
    )


def test_a_visit_that_was_told_in_full_has_the_times_that_were_told() -> None:
    state = replay(
        day(),
        [
            go(FactKind.LEFT, NINE, "C1"),
            go(FactKind.ARRIVED, NINE + 600, "C1"),
            go(FactKind.STARTED, NINE + 900, "C1"),
            go(FactKind.DONE, NINE + 2000, "C1"),
        ],
    )
    (past,) = state.vans["V1"].past
    assert (past.left_s, past.arrive_s) == (NINE, NINE + 600)
    assert (past.start_s, past.finish_s) == (NINE + 900, NINE + 2000)
    assert state.vans["V1"].where == "call:C1"
    assert state.vans["V1"].doing is Doing.WAITING


def test_a_visit_of_which_only_the_end_is_told_took_as_long_as_planned() -> None:
    # half an hour is planned; done at 10:00, so begun at 9:30
    state = replay(
        day(), [go(FactKind.LEFT, NINE, "C1"), go(FactKind.DONE, NINE + 3600, "C1")]
    )
    (past,) = state.vans["V1"].past
    assert (past.arrive_s, past.start_s) == (NINE + 1800, NINE + 1800)


def test_but_it_did_not_begin_before_the_van_set_off() -> None:
    state = replay(
        day(), [go(FactKind.LEFT, NINE, "C1"), go(FactKind.DONE, NINE + 600, "C1")]
    )
    (past,) = state.vans["V1"].past
    assert past.start_s == NINE


def test_a_van_takes_along_what_its_first_fact_says_and_no_more_later() -> None:
    state = replay(
        day(),
        [
            go(
                FactKind.ARRIVED,
                NINE,
                "C1",
                parts=(("BLANK", 2),),
                handed=(("V2", "FOB", 1),),
            ),
            go(FactKind.DONE, NINE + 1800, "C1", parts=(("BLANK", 1),)),
            go(FactKind.LEFT, NINE + 1800, "C2", parts=(("BLANK", 2),)),
        ],
    )
    assert state.vans["V1"].stock == {"BLANK": 2, "FOB": 1}  # 1 + 2 - 1
    assert state.vans["V2"].stock == {"FOB": 1}
    assert state.stores["shop"] == {"BLANK": 1}


def test_what_was_loaded_before_leaving_is_part_of_what_the_van_left_with() -> None:
    state = replay(
        day(),
        [
            fact(
                FactKind.LOADED,
                NINE - 60,
                van_id="V1",
                store_id="shop",
                parts=(("BLANK", 1),),
            ),
            go(FactKind.LEFT, NINE, "C1", parts=(("BLANK", 2),)),
        ],
    )
    assert state.vans["V1"].stock == {"BLANK": 3}
    assert state.stores["shop"] == {"BLANK": 1}


def test_a_visit_uses_no_more_than_is_aboard_and_the_part_is_named() -> None:
    log = (go(FactKind.LEFT, NINE, "C1"),)
    done = go(FactKind.DONE, NINE + 1800, "C1", parts=(("BLANK", 2), ("FOB", 1)))
    told = accept(day(), log, done)
    assert isinstance(told, Conflict)
    assert "2 x BLANK from van V1, 1 are there" in str(told)
    assert "1 x FOB from van V1, 0 are there" in str(told)


def test_a_late_told_fact_that_would_empty_the_van_under_later_ones_is_refused() -> (
    None
):
    log = (
        go(FactKind.LEFT, NINE, "C1"),
        go(FactKind.DONE, NINE + 1800, "C1", parts=(("BLANK", 1),)),
    )
    spoiled = fact(FactKind.SPOILED, NINE + 60, van_id="V1", parts=(("BLANK", 1),))
    told = accept(day(), log, spoiled)
    assert isinstance(told, Conflict)
    assert str(told).startswith("spoiled at 09:01")
    assert "with it this could not be: done at 09:30" in str(told)
    assert not isinstance(accept(day(), log[:1], spoiled), Conflict)


def test_the_parts_of_a_restock_stop_go_from_the_store_to_the_van() -> None:
    at_shop = {"van_id": "V1", "store_id": "shop"}
    state = replay(
        day(),
        [
            go(FactKind.LEFT, NINE, "C1"),
            fact(FactKind.LEFT, NINE + 60, **at_shop),  # thought better of it
            fact(FactKind.ARRIVED, NINE + 300, **at_shop),
            fact(FactKind.LOADED, NINE + 900, parts=(("BLANK", 3),), **at_shop),
        ],
    )
    van = state.vans["V1"]
    assert (van.stock, state.stores["shop"]) == ({"BLANK": 4}, {})
    assert [(past.store_id, past.finish_s) for past in van.past] == [
        ("shop", NINE + 900)
    ]
    assert state.calls["C1"].state is CallState.OPEN


@pytest.mark.parametrize(("idle_s", "taken"), [(1799, False), (1800, True)])
def test_who_stands_still_for_a_breaks_length_in_its_hours_has_had_it(
    idle_s: int,
    taken: bool,  # noqa: FBT001 - a parameter of the test
) -> None:
    meal = Break(window=Window(start_s=NINE + 1800, end_s=NINE + 7200), length_s=1800)
    state = replay(
        day(meal=meal),
        [
            go(FactKind.LEFT, NINE, "C1"),
            go(FactKind.DONE, NINE + 1800, "C1"),
            go(FactKind.LEFT, NINE + 1800 + idle_s, "C2"),
        ],
    )
    assert state.vans["V1"].meal_taken is taken


def test_a_reported_lateness_is_over_with_the_next_step() -> None:
    late = [
        go(FactKind.LEFT, NINE, "C1"),
        fact(FactKind.LATE, NINE + 60, van_id="V1", late_s=1200),
    ]
    assert replay(day(), late).vans["V1"].late_s == 1200
    there = [*late, go(FactKind.ARRIVED, NINE + 1800, "C1")]
    assert replay(day(), there).vans["V1"].late_s == 0


def test_a_visit_whose_van_drops_out_is_open_again_and_a_second_one_if_begun() -> None:
    begun = [
        go(FactKind.STARTED, NINE, "C1"),
        fact(FactKind.VAN_DOWN, NINE + 60, van_id="V1"),
    ]
    state = replay(day(), begun)
    assert state.vans["V1"].down
    assert state.calls["C1"].state is CallState.OPEN
    assert state.calls["C1"].again
    ahead = [go(FactKind.LEFT, NINE, "C1"), begun[1]]
    assert not replay(day(), ahead).calls["C1"].again


def test_a_new_window_is_the_promise_and_brings_a_missed_call_back() -> None:
    state = replay(
        day(),
        [
            fact(FactKind.TOLD, NINE, call_id="C1", window=window(9, 10)),
            go(FactKind.LEFT, NINE, "C1"),
            go(FactKind.NO_SHOW, NINE + 600, "C1"),
            fact(FactKind.WINDOW, NINE + 900, call_id="C1", window=window(14, 15)),
        ],
    )
    now = state.calls["C1"]
    assert (now.state, now.call.promise) == (CallState.OPEN, window(14, 15))
    assert now.promise_changed
    assert now.told is None
    assert [past.missed for past in state.vans["V1"].past] == [True]


def issue(part_id: str, origin: Origin, **changes: object) -> Issue:
    return Issue(van_id="V1", part_id=part_id, quantity=1, origin=origin, **changes)  # type: ignore[arg-type]


PLAN: Plan = a_plan(
    {"V1": ("C1",)},
    issues=(
        issue("BLANK", Origin.SHOP, call_id="C1", need=0, chosen="BLANK"),
        issue("BLANK", Origin.SHOP, purpose=Purpose.SPARE),
        issue("FOB", Origin.VAN, from_van="V2", call_id="C1", need=1, chosen="FOB"),
        issue(
            "CELL",
            Origin.RESTOCK,
            store_id="kiln",
            call_id="C2",
            need=0,
            chosen="CELL",
        ),
    ),
)


def test_a_fact_is_completed_by_the_plan_in_force() -> None:
    plan = Plan(
        routes=PLAN.routes,
        issues=PLAN.issues,
        unplaced=(),
        status=PLAN.status,
        tools=(ToolUse(van_id="V1", tool_id="laser_cutter"),),
    )
    left = complete(go(FactKind.LEFT, NINE, "C1"), plan)
    assert left.parts == (("BLANK", 2),)  # one for the call, one spare
    assert left.handed == (("V2", "FOB", 1),)
    assert left.tools == ("laser_cutter",)
    done = complete(go(FactKind.DONE, NINE, "C1"), plan)
    assert done.parts == (("BLANK", 1), ("FOB", 1))
    loaded = fact(FactKind.LOADED, NINE, van_id="V1", store_id="kiln")
    assert complete(loaded, plan).parts == (("CELL", 1),)


def test_what_a_fact_says_itself_is_not_overruled_by_the_plan() -> None:
    done = go(FactKind.DONE, NINE, "C1", parts=())
    assert complete(done, PLAN).parts == ()
    late = fact(FactKind.LATE, NINE, van_id="V1", late_s=60)
    assert complete(late, PLAN) is late


def test_an_urgent_caller_without_a_promise_waits_from_when_he_rang() -> None:
    rang = 9 * HOUR_S
    urgent = a_call("E", priority=1)
    kinds = (
        (urgent, rang),
        (replace(urgent, priority=2), None),  # it can wait
        (replace(urgent, promise=window(10, 11)), None),  # he knows when we come
        (replace(urgent, preference=window(13, 14)), None),  # he says when it suits
    )
    for call, since_s in kinds:
        came = Fact(id="1", kind=FactKind.BOOKED, at_s=rang, call=call)
        assert replay(a_day(), [came]).calls["E"].call.waits_from_s == since_s
