"""A day lived through, and the words for it."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

from api.schemas import REST, STORY, URGENT, rest_schema, story_schema, urgent_schema
from dispatch.answer import answer
from dispatch.difference import ChangeKind
from dispatch.live import (
    Moment,
    ask,
    before,
    booked,
    fetched,
    likely_places,
    live,
    waits,
)
from dispatch.planner import Budget, plan_day
from dispatch.report.document import document
from dispatch.report.live import (
    fact_words,
    replay_text,
    reshuffle_text,
    urgent_text,
)
from dispatch.report.livedata import rest_json, story_json, urgent_json
from dispatch.report.words import count_calls, sums_words
from dispatch.reserve import hold
from dispatch.urgent import Ask, OptionKind
from shared.errors import Conflict
from shared.facts import CallState, Fact, FactKind
from shared.model import Call, Day, Plan, Reserve, Store
from shared.trade import cautions, kinds
from tests.builders import (
    HOUR_S,
    a_call,
    a_day,
    a_part,
    a_van,
    at,
    need,
    window,
)

BRIEF = Budget(rounds=100, replans=False)
KIND = kinds()["lockout_vehicle"]


def a_fact(kind: FactKind, at_h: float, **changes: object) -> Fact:
    """Return a fact with an id of its own."""
    return Fact(
        id=f"{kind}{at_h}",
        kind=kind,
        at_s=round(at_h * HOUR_S),
        **changes,  # type: ignore[arg-type]
    )


def planned(day: Day) -> Plan:
    return plan_day(day, BRIEF)


def lived(day: Day, *facts: Fact, until_h: float | None = None) -> tuple[Moment, ...]:
    until_s = None if until_h is None else round(until_h * HOUR_S)
    return live(day, planned(day), facts, BRIEF, until_s)


def two_calls(**changes: object) -> Day:
    """Return a day of one van: C1 from 8, C2 promised for 10 to 11."""
    return a_day(
        a_call("C1", customer="Ada", phone="+0 1", promise=window(8, 8.5)),
        a_call("C2", customer="Bo", phone="+0 2", promise=window(10, 11)),
        **changes,
    )


def with_a_slot() -> Day:
    """Return a day from 8 to 16 with one slot of an hour, from 10 to 14."""
    van = a_van(shift=window(8, 16), skills=KIND.skills, equipment=KIND.equipment)
    reserve = Reserve(window=window(10, 14), length_s=HOUR_S, slots=1)
    return hold(
        a_day(
            a_call("1", place=at(north=1), promise=window(8, 8.25)),
            a_call("2", place=at(north=2), promise=window(9, 9.1)),
            vans=(van,),
            kinds=kinds(),
            cautions=cautions(),
            reserve=reserve,
        )
    )


# --- the loop -------------------------------------------------------------------


def test_a_day_without_facts_is_one_moment_that_changes_nothing() -> None:
    (moment,) = lived(two_calls())
    assert moment.fact is None
    assert moment.calm
    assert moment.rest.now_s == 8 * HOUR_S


def test_facts_are_played_as_they_happened_and_in_one_moment_each() -> None:
    done = a_fact(FactKind.DONE, 8.5, van_id="V1", call_id="C1")
    left = a_fact(FactKind.LEFT, 8, van_id="V1", call_id="C1")
    moments = lived(two_calls(), done, left)
    assert [moment.fact.kind for moment in moments if moment.fact] == ["left", "done"]
    assert all(moment.calm for moment in moments)
    assert moments[-1].state.calls["C1"].state is CallState.DONE


def test_a_fact_told_twice_is_played_once() -> None:
    left = a_fact(FactKind.LEFT, 8, van_id="V1", call_id="C1")
    assert len(lived(two_calls(), left, left)) == 1


def test_one_id_for_two_things_is_refused() -> None:
    left = a_fact(FactKind.LEFT, 8, van_id="V1", call_id="C1")
    with pytest.raises(Conflict, match="known already"):
        lived(two_calls(), left, replace(left, call_id="C2"))


def test_an_impossible_fact_is_refused_with_its_reason() -> None:
    done = a_fact(FactKind.DONE, 9, van_id="V1", call_id="C1")
    with pytest.raises(Conflict, match="has not left yet"):
        lived(two_calls(), done)


def test_what_happens_after_the_moment_asked_for_is_left_aside() -> None:
    left = a_fact(FactKind.LEFT, 8, van_id="V1", call_id="C1")
    done = a_fact(FactKind.DONE, 8.5, van_id="V1", call_id="C1")
    (moment,) = lived(two_calls(), left, done, until_h=8.25)
    assert moment.rest.now_s == 8.25 * HOUR_S
    assert moment.state.calls["C1"].state is CallState.DRIVING


def test_parts_loaded_and_used_are_filled_in_from_the_plan_in_force() -> None:
    day = a_day(
        a_call("C1", needs=(need("FOB"),)), parts=(a_part("FOB"),), shop={"FOB": 2}
    )
    left = a_fact(FactKind.LEFT, 8, van_id="V1", call_id="C1")
    done = a_fact(FactKind.DONE, 8.5, van_id="V1", call_id="C1")
    moments = lived(day, left, done)
    assert moments[0].fact is not None
    assert dict(moments[0].fact.parts or ())["FOB"] >= 1
    assert moments[1].fact is not None
    assert moments[1].fact.parts == (("FOB", 1),)


def test_small_steps_add_up_to_a_change() -> None:
    # The tolerance is 10 minutes. Twice 6 minutes more: the second report makes 12.
    day = a_day(a_call("C1", place=at(north=1)), tolerance_s=600)
    six = a_fact(FactKind.LATE, 8, van_id="V1", late_s=360)
    twelve = a_fact(FactKind.LATE, 8.01, van_id="V1", late_s=720)
    first, second = lived(day, six, twelve)
    assert first.calm
    (change,) = second.difference.changes
    assert change.kind is ChangeKind.LATER
    assert 700 <= change.by_s <= 760


def test_a_spoiled_part_sends_the_van_to_the_counter_and_that_is_told() -> None:
    counter = Store(
        id="east",
        place=at(east=1),
        stock={"FOB": 5},
        restock_s=600,
        opening=window(8, 17),
    )
    day = a_day(
        a_call("C1"),
        a_call("C2", place=at(east=2), needs=(need("FOB"),), promise=window(10, 11)),
        vans=(a_van(stock={"FOB": 1}),),
        parts=(a_part("FOB", name="Fob"),),
        counters=(counter,),
    )
    left = a_fact(FactKind.LEFT, 8, van_id="V1", call_id="C1")
    spoiled = a_fact(FactKind.SPOILED, 8.2, van_id="V1", parts=(("FOB", 1),))
    moment = lived(day, left, spoiled)[-1]
    (errand,) = moment.errands
    assert (errand.store_id, errand.new, errand.parts) == ("east", True, (("FOB", 1),))
    assert fetched(moment.whole, "V1", "east") == (("FOB", 1),)
    assert "Driver of V1 stops at east at" in reshuffle_text(day, moment)


# --- time kept free ---------------------------------------------------------------


def test_an_urgent_call_takes_the_slot_kept_free() -> None:
    day = with_a_slot()
    came = booked(a_call("E", place=at(north=3), priority=1), 7 * HOUR_S)
    (moment,) = lived(day, came)
    assert moment.released == "held-1"
    assert moment.state.calls["held-1"].state is CallState.CANCELLED
    assert [change.call_id for change in moment.difference.changes] == ["E"]
    assert moment.rings == ()
    assert "Time kept free makes room" in replay_text(day, planned(day), (moment,))


def test_a_call_that_is_not_urgent_leaves_the_slot_alone() -> None:
    came = booked(a_call("E", place=at(north=3), priority=2), 9 * HOUR_S)
    (moment,) = lived(with_a_slot(), came)
    assert moment.released is None
    assert moment.state.calls["held-1"].state is CallState.OPEN


def test_a_slot_whose_hours_are_over_is_nobodys_loss() -> None:
    late = a_fact(FactKind.LATE, 15, van_id="V1", late_s=0)
    (moment,) = lived(with_a_slot(), late)
    assert "held-1" not in {change.call_id for change in moment.difference.changes}
    assert "held-1" not in {ring.call_id for ring in moment.rings}
    assert "held-1" not in {one.call_id for one in moment.left_out}


def test_an_urgent_call_is_asked_about_with_the_slot_free() -> None:
    day = with_a_slot()
    (moment,) = lived(day, until_h=7)
    found = ask(day, moment, a_call("E", place=at(north=3)), Ask(rounds=0))
    best = found.options[0]
    assert best.van_id == "V1"
    assert (best.moved, best.dropped) == ((), ())
    assert all(call.id != "held-1" for call in best.day.calls)


def test_a_call_that_is_there_already_is_no_urgent_one() -> None:
    day = with_a_slot()
    (moment,) = lived(day)
    with pytest.raises(Conflict, match="there already"):
        ask(day, moment, a_call("1"))


def test_what_came_before_an_urgent_call_is_all_but_the_call_itself() -> None:
    call = a_call("E")
    came = booked(call, 9 * HOUR_S)
    told = a_fact(FactKind.TOLD, 9.5, call_id="E", window=window(10, 11))
    left = a_fact(FactKind.LEFT, 8, van_id="V1", call_id="C1")
    facts = (told, came, left)
    assert before(facts, "E", 9 * HOUR_S) == (left,)
    assert before(facts, "E", 10 * HOUR_S) == (left,)


# --- where to wait ----------------------------------------------------------------


def test_few_lockouts_show_no_pattern() -> None:
    some = [a_call(f"L{n}", place=at(north=n)) for n in range(3)]
    other = a_call("K", kind="rekey", place=at(east=5))
    assert [one.place for one in likely_places([*some, other])] == [
        call.place for call in some
    ]
    assert len(likely_places([*some[:2], other])) == 3


def test_a_van_that_stands_idle_waits_from_now_on() -> None:
    # C1 is done at 8:30, C2 begins at 10:00 ten kilometres away; it is 9:00.
    day = a_day(
        a_call("C1"), a_call("C2", place=at(north=10), promise=window(10, 10.5))
    )
    left = a_fact(FactKind.LEFT, 8, van_id="V1", call_id="C1")
    done = a_fact(FactKind.DONE, 8.5, van_id="V1", call_id="C1")
    moment = lived(day, left, done, until_h=9)[-1]
    (wait,) = waits(day, moment)
    assert wait.before == "C2"
    assert wait.from_s >= 9 * HOUR_S
    assert "* " in reshuffle_text(day, moment)


# --- words --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fact", "words"),
    [
        (a_fact(FactKind.LEFT, 8, van_id="V1"), "Driver of V1 sets off home."),
        (
            a_fact(FactKind.ARRIVED, 8, van_id="V1", call_id="C1"),
            "Driver of V1 is at C1 Ada.",
        ),
        (
            a_fact(FactKind.LATE, 8, van_id="V1", late_s=2100, note="road works"),
            "Driver of V1 says: running 35 min late (road works).",
        ),
        (a_fact(FactKind.LATE, 8, van_id="V1", late_s=0), "on time again."),
        (
            a_fact(FactKind.SPOILED, 8, van_id="V1", parts=(("FOB", 2),)),
            "Driver of V1 spoils 2 \u00d7 Fob.",
        ),
        (
            a_fact(FactKind.LOADED, 8, van_id="V1", store_id="shop"),
            "Driver of V1 takes aboard nothing at Shop.",
        ),
        (
            a_fact(FactKind.TOLD, 8, call_id="C2", window=window(10, 11)),
            "C2 Bo has been told: 10:00 to 11:00.",
        ),
        (
            a_fact(FactKind.WINDOW, 8, call_id="C2", window=window(10, 11)),
            "C2 Bo now has the promise 10:00 to 11:00.",
        ),
        (
            a_fact(FactKind.RECEIVED, 8, store_id="shop", parts=(("FOB", 1),)),
            "1 \u00d7 Fob came in: Shop has them.",
        ),
        (a_fact(FactKind.VAN_DOWN, 8, van_id="V1"), "V1 is out for the day."),
        (a_fact(FactKind.NO_SHOW, 8, van_id="V1", call_id="C1"), "nobody at C1 Ada."),
        (a_fact(FactKind.CANCELLED, 8, call_id="C1"), "C1 Ada cancels."),
        (
            a_fact(FactKind.USED, 8, van_id="V1", call_id="C1", parts=(("FOB", 1),)),
            "uses 1 \u00d7 Fob more at C1 Ada.",
        ),
    ],
)
def test_a_fact_is_told_in_plain_words(fact: Fact, words: str) -> None:
    day = two_calls(parts=(a_part("FOB", name="Fob"),))
    assert fact_words(day, day.calls, fact).endswith(words)


def test_nothing_changes_is_one_line() -> None:
    day = two_calls()
    left = a_fact(FactKind.LEFT, 8, van_id="V1", call_id="C1")
    text = replay_text(day, planned(day), lived(day, left))
    assert "08:00  Driver of V1 sets off for C1 Ada. Nothing changes.\n" in text


def test_a_late_van_is_told_with_whom_to_ring_and_what_to_say() -> None:
    told = a_fact(FactKind.TOLD, 7.9, call_id="C2", window=window(10, 10.25))
    left = a_fact(FactKind.LEFT, 8, van_id="V1", call_id="C1")
    # Free at 8:30 and two hours late: C2 begins at 10:30, half an hour later.
    late = a_fact(FactKind.LATE, 8.1, van_id="V1", late_s=2 * HOUR_S)
    day = two_calls()
    moment = lived(day, told, left, late)[-1]
    text = reshuffle_text(day, moment)
    flat = " ".join(text.split())
    assert "C2 Bo: 10:30 instead of 10:00, 30 min later." in flat
    assert "Why: van V1 is running 2 h 00 late." in flat
    assert "Ring C2 Bo, tel +0 2:" in flat
    assert "on the way to C1 Ada since 08:00" in flat
    assert max(map(len, text.splitlines())) <= 79


def test_a_call_that_nobody_can_serve_any_more_is_told_with_its_reason() -> None:
    down = a_fact(FactKind.VAN_DOWN, 8, van_id="V1")
    day = two_calls()
    (moment,) = lived(day, down)
    assert {one.call_id for one in moment.left_out} == {"C1", "C2"}
    text = reshuffle_text(day, moment)
    assert "Nobody comes: 2 calls" in text
    assert "Now: out for the day." in text
    assert {ring.call_id for ring in moment.rings} == {"C1", "C2"}


def an_emergency() -> tuple[Day, Moment, Call]:
    day = with_a_slot()
    (moment,) = lived(day, until_h=9)
    call = a_call("E", customer="Cleo", place=at(north=3), priority=1)
    return day, moment, call


def test_danger_comes_before_any_option() -> None:
    day, moment, call = an_emergency()
    found = ask(day, moment, call, Ask(danger=True, rounds=0))
    lines = urgent_text(call, moment, found).splitlines()
    assert lines[0].startswith("EMERGENCY FIRST. Danger to life")
    first = next(row for row, line in enumerate(lines) if line.startswith(" 1"))
    assert all(
        row < first for row, line in enumerate(lines) if line.startswith("EMERGENCY")
    )
    assert [option.kind for option in found.options[-2:]] == [
        OptionKind.REFER,
        OptionKind.DECLINE,
    ]


def test_danger_comes_before_what_is_left_of_a_day() -> None:
    day, moment, _ = an_emergency()
    for text in (
        reshuffle_text(day, moment),
        replay_text(day, planned(day), (moment,)),
    ):
        assert text.index("EMERGENCY FIRST") < text.index("Driver of V1")


def test_where_nobody_can_come_the_reasons_follow_the_options() -> None:
    _, moment, call = an_emergency()
    skilled = replace(call, skills=frozenset({"safe_opening"}))
    found = ask(with_a_slot(), moment, skilled, Ask(rounds=0))
    assert [option.kind for option in found.options] == [
        OptionKind.REFER,
        OptionKind.DECLINE,
    ]
    text = urgent_text(skilled, moment, found)
    assert "no driver does safe opening" in text.split("Why nobody can come")[1]


def test_the_json_of_the_live_day_keeps_its_schemas() -> None:
    day, moment, call = an_emergency()
    found = ask(day, moment, call, Ask(rounds=0))
    told = a_fact(FactKind.TOLD, 7.9, call_id="C2", window=window(10, 10.25))
    left = a_fact(FactKind.LEFT, 8, van_id="V1", call_id="C1")
    late = a_fact(FactKind.LATE, 8.1, van_id="V1", late_s=2 * HOUR_S)
    moments = lived(two_calls(), told, left, late)
    for text, schema in (
        (urgent_json(day, call, moment, found), urgent_schema()),
        (rest_json(two_calls(), moments[-1]), rest_schema()),
        (story_json(two_calls(), moments), story_schema()),
    ):
        jsonschema.validate(json.loads(text), schema)
    rest = json.loads(rest_json(two_calls(), moments[-1]))
    assert [ring["call_id"] for ring in rest["moment"]["rings"]] == ["C2"]
    assert [stop["state"] for stop in rest["vans"][0]["frozen"]] == ["driving"]


@pytest.mark.parametrize(
    ("path", "schema"),
    [(REST, rest_schema), (STORY, story_schema), (URGENT, urgent_schema)],
)
def test_the_published_schemas_are_those_of_the_data(
    path: Path, schema: Callable[[], object]
) -> None:
    assert json.loads(path.read_text(encoding="utf-8")) == schema()


# --- time kept free in a plan's words ----------------------------------------------


def test_a_slot_kept_free_is_no_call_in_the_sums_of_a_plan() -> None:
    day = with_a_slot()
    made = answer(day, planned(day))
    assert sums_words(made).startswith("2 of 2 calls planned and 1 slot kept free on 1")
    assert document(made).kept_free == ("held-1",)
    assert count_calls(day, ["1", "held-1"]) == "1 call and 1 slot kept free"
    assert count_calls(day, ["held-1"]) == "1 slot kept free"
    assert count_calls(day, ["1", "2"]) == "2 calls"
