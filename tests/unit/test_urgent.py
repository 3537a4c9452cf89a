"""Options for an urgent call, worked out by hand on small days."""

from collections.abc import Mapping
from typing import Any

import pytest

from dispatch.rest import Rest
from dispatch.rules import judge
from dispatch.timetable import Task
from dispatch.travel import extend_table, travel_table
from dispatch.urgent import (
    NUMBER,
    RING_FIRST,
    Ask,
    Option,
    OptionKind,
    Options,
    accept,
    options,
    why_not,
)
from shared import trade
from shared.errors import Conflict
from shared.model import Call, Standing, Store, Van, Window
from tests.builders import a_call, a_day, a_part, a_van, at, need, window

NOW_S = 10 * 3600 + 40 * 60  # 38400


def a_rest(*calls: Call, **changes: Any) -> Rest:
    """Return the rest of a day from 10:40, calls in the order given on the one van."""
    vans: tuple[Van, ...] = changes.pop("vans", (a_free_van(),))
    standing: Mapping[str, tuple[str, ...]] = changes.pop(
        "standing", {vans[0].id: tuple(call.id for call in calls)}
    )
    day = a_day(*calls, vans=vans, promises_may_break=True, **changes)
    return Rest(
        day=day,
        travel=travel_table(day),
        standing={
            van_id: tuple(Task(call_id=one) for one in ids)
            for van_id, ids in standing.items()
        },
        frozen={van.id: () for van in vans},
        now_s=NOW_S,
    )


def a_free_van(van_id: str = "V1", **changes: Any) -> Van:
    """Return a van that has left the shop and is free at 10:40, back by 17."""
    defaults: dict[str, Any] = {
        "loads_at_shop": False,
        "shift": Window(start_s=NOW_S, end_s=17 * 3600),
    }
    return a_van(van_id, **(defaults | changes))


def urgent(**changes: Any) -> Call:
    """Return a half-hour lockout at the shop's door, of first priority."""
    return a_call("U", **({"priority": 1, "customer": "Ms Outside"} | changes))


def kinds(found: Options) -> set[OptionKind]:
    """Return every kind among the options."""
    return {kind for one in found.options for kind in (one.kind, *one.also)}


def of(found: Options, kind: OptionKind) -> Option:
    """Return the option of a kind."""
    return next(one for one in found.options if kind in (one.kind, *one.also))


def holds(rest: Rest, option: Option) -> bool:
    """Return whether the judge takes an option's plan as a whole."""
    travel = extend_table(rest.travel, option.day)
    return judge(option.day, travel, option.plan) == ()


def test_a_van_with_nothing_to_do_comes_at_once_for_its_half_hour() -> None:
    rest = a_rest()
    found = options(rest, urgent())
    first = found.options[0]
    assert [one.kind for one in found.options] == [
        OptionKind.SOONEST,
        OptionKind.REFER,
        OptionKind.DECLINE,
    ]
    assert set(first.also) == {
        OptionKind.KEEPING,
        OptionKind.QUIET,
        OptionKind.CHEAPEST,
    }
    assert (first.van_id, first.arrive_s) == ("V1", NOW_S)
    assert first.cost_cents == 1500  # half an hour at 30.00, no drive
    assert holds(rest, first)


def test_not_taking_it_changes_nothing_and_costs_nothing() -> None:
    found = options(a_rest(a_call("A", place=at(north=5))), urgent())
    for kind in (OptionKind.REFER, OptionKind.DECLINE):
        option = of(found, kind)
        assert option.plan.routes[0].call_ids == ("A",)
        assert (option.arrive_s, option.cost_cents, option.van_id) == (None, 0, None)
    assert "Ms Outside" in of(found, OptionKind.DECLINE).text


def test_a_promise_is_broken_only_by_the_option_that_says_so() -> None:
    # A is promised 10:50 and 10 km away, some 14 min: going to the shop's door first
    # for half an hour is late there; after A it takes until about 11:40.
    soon = Window(start_s=NOW_S, end_s=NOW_S + 1200)
    rest = a_rest(a_call("A", place=at(north=10), promise=soon))
    found = options(rest, urgent())
    soonest, keeping = (
        of(found, kind) for kind in (OptionKind.SOONEST, OptionKind.KEEPING)
    )
    assert soonest.arrive_s == NOW_S
    assert soonest.broken == ("A",)
    assert "1 promise breaks" in soonest.text
    assert keeping.broken == ()
    assert keeping.arrive_s is not None
    assert keeping.arrive_s > NOW_S + 1800
    assert found.options[0] == keeping  # who breaks nothing is named first
    assert [ring.call_id for ring in soonest.ring] == ["A"]
    assert holds(rest, soonest)
    assert holds(rest, keeping)


def test_the_last_fob_is_taken_from_a_later_call_and_that_is_said() -> None:
    later = a_call(
        "A", customer="Mr Later", needs=(need("FOB"),), windows=(window(14, 16),)
    )
    rest = a_rest(
        later,
        vans=(a_free_van(stock={"FOB": 1}),),
        parts=(a_part("FOB", name="remote fob"),),
    )
    found = options(rest, urgent(needs=(need("FOB"),)))
    taken = found.options[0]
    assert taken.dropped == ("A",)
    assert taken.parts == (
        "Uses 1 remote fob (aboard).",
        "Mr Later is left without remote fob.",
    )
    assert holds(rest, taken)


def test_a_stop_at_the_counter_keeps_the_later_call_its_fob() -> None:
    later = a_call(
        "A", customer="Mr Later", needs=(need("FOB"),), windows=(window(14, 16),)
    )
    counter = Store(id="counter", place=at(north=2), stock={"FOB": 3}, restock_s=600)
    rest = a_rest(
        later,
        vans=(a_free_van(stock={"FOB": 1}),),
        parts=(a_part("FOB", name="remote fob"),),
        counters=(counter,),
    )
    found = options(rest, urgent(needs=(need("FOB"),)))
    taken = found.options[0]
    assert taken.dropped == ()
    assert any(
        words.startswith("Driver of V1 stops at counter at ") for words in taken.parts
    )
    assert taken.arrive_s == NOW_S  # the one aboard is used, the other fetched later
    assert "Mr Later then gets 1 remote fob (fetched at counter)." in taken.parts
    assert holds(rest, taken)


def test_a_driver_who_would_stay_longer_is_to_be_asked() -> None:
    # A takes from 15:50 to 16:50; the half hour at the door fits before it only by
    # moving nobody, or after it beyond the shift.
    rest = a_rest(
        a_call("A", median_s=5 * 3600, p90_s=5 * 3600, windows=(window(10.5, 15.8),)),
        vans=(a_free_van(shift=Window(start_s=NOW_S, end_s=16 * 3600)),),
    )
    found = options(rest, urgent())
    late = of(found, OptionKind.AFTER_HOURS)
    # After A, 15:40, until 16:10: ten minutes past the shift.
    assert late.arrive_s == NOW_S + 5 * 3600
    assert "16:10" in late.agree
    assert "10 min later than agreed" in late.agree
    assert late.day.vans[0].overtime_limit_s == 600
    assert holds(rest, late)


def test_danger_comes_before_any_option_with_the_number_to_ring() -> None:
    rest = a_rest(kinds=trade.kinds(), cautions=trade.cautions())
    found = options(rest, urgent(), Ask(danger=True))
    number, tell, usual = found.first
    assert NUMBER in number.text
    assert NUMBER in tell.text
    assert tell.text.startswith("Tell the caller")
    assert usual == trade.cautions()["locked_in"]
    # One list of numbers, here and in the trade's own caution.
    assert NUMBER[NUMBER.index("(") :] in usual.text
    assert all(caution.emergency for caution in found.first)
    for kind in (OptionKind.REFER, OptionKind.DECLINE):
        assert of(found, kind).text.startswith(RING_FIRST)
        assert RING_FIRST not in of(options(rest, urgent()), kind).text


def test_the_number_to_ring_is_the_one_that_the_firm_names() -> None:
    rest = a_rest(
        kinds=trade.kinds(), cautions=trade.cautions(), emergency_number="144"
    )
    for said in options(rest, urgent(), Ask(danger=True)).first[:2]:
        assert "the emergency number 144" in said.text
        assert NUMBER not in said.text


def test_who_may_be_locked_in_is_asked_about_first_without_being_told() -> None:
    rest = a_rest(kinds=trade.kinds(), cautions=trade.cautions())
    assert [c.id for c in options(rest, urgent()).first] == ["locked_in"]
    assert options(rest, urgent(kind="rekey")).first == ()


def test_a_call_that_no_van_can_do_says_why_and_is_passed_on() -> None:
    rest = a_rest(a_call("A"))
    found = options(rest, urgent(skills=frozenset({"safes"})))
    assert [one.kind for one in found.options] == [
        OptionKind.REFER,
        OptionKind.DECLINE,
    ]
    assert "No van can take it" in found.options[0].text
    assert found.options[0].reasons


def test_a_call_for_which_there_is_no_time_says_why_when_it_is_asked() -> None:
    rest = a_rest()
    endless = urgent(median_s=12 * 3600, p90_s=12 * 3600)
    found = options(rest, endless)
    assert [one.kind for one in found.options] == [
        OptionKind.REFER,
        OptionKind.DECLINE,
    ]
    assert found.options[0].text.startswith("No van can take it today. ")
    assert why_not(rest, endless)


def test_the_next_urgent_call_finds_the_first_one_standing() -> None:
    rest = a_rest(vans=(a_free_van("V1"), a_free_van("V2", start=at(north=3))))
    first = options(rest, urgent()).options[0]
    after = accept(rest, first)
    assert [task.call_id for task in after.standing[first.van_id or ""]] == ["U"]
    assert after.day.calls[0].standing == Standing(
        van_id="V1",
        window=Window(start_s=NOW_S - 600, end_s=NOW_S + 600),
    )
    found = options(after, a_call("U2", priority=1, place=at(north=3)))
    second = of(found, OptionKind.SOONEST)
    assert (second.van_id, second.arrive_s) == ("V2", NOW_S)
    assert second.plan.routes[0].call_ids == ("U",)
    assert holds(after, second)
    assert accept(after, of(found, OptionKind.DECLINE)) == after


def test_a_call_that_is_there_already_is_refused() -> None:
    with pytest.raises(Conflict, match="A is there already"):
        options(a_rest(a_call("A")), a_call("A"))


def test_what_cannot_be_done_any_more_is_to_be_planned_anew_first() -> None:
    hopeless = a_call("A", windows=(window(8, 9),))
    with pytest.raises(Conflict, match="plan the rest anew first"):
        options(a_rest(hopeless), urgent())


def test_options_that_differ_in_seconds_are_one() -> None:
    # Two vans at doors 100 m apart, one of them nearer by seconds.
    vans = (a_free_van("V1", start=at(north=1)), a_free_van("V2", start=at(north=1.1)))
    day_of = options(a_rest(vans=vans, standing={}), urgent())
    assert sum(one.van_id is not None for one in day_of.options) == 1
