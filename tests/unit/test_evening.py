"""Tonight's list names what cannot wait, and warnings come with the work."""

from dataclasses import replace
from typing import Any

import pytest

from dispatch.answer import answer
from dispatch.evening import (
    HOURS_CAUTION,
    at_risk,
    broken,
    cautions,
    count_codes,
    late_words,
    tonight,
)
from shared.model import (
    Break,
    Caution,
    Day,
    Kind,
    Plan,
    ReadyItem,
    ReadyKind,
    ReadyState,
    Reason,
    Rule,
    Unplaced,
)
from tests.builders import a_call, a_day, a_part, a_plan, a_van, need, window

HOUR_S = 3600
CODE = ReadyItem(kind=ReadyKind.CODE, cost_cents=2_500, lead_time_s=2 * HOUR_S)
KEYS = ReadyItem(kind=ReadyKind.KEYS_PRESENT, owner="customer")


def test_the_longest_lead_time_comes_first_and_tells_when_to_start() -> None:
    slow = ReadyItem(kind=ReadyKind.CODE, lead_time_s=20 * HOUR_S)
    day = a_day(a_call("C1", ready=(KEYS, CODE)), a_call("C2", ready=(slow,)))
    entries = tonight(day, a_plan({"V1": ("C1", "C2")}))
    assert [(e.call_id, e.item.kind) for e in entries] == [
        ("C2", ReadyKind.CODE),
        ("C1", ReadyKind.CODE),
        ("C1", ReadyKind.KEYS_PRESENT),
    ]
    # Visits start at 10:00 and 09:00; less 20 h, 2 h and nothing.
    assert [e.by_s for e in entries] == [-10 * HOUR_S, 7 * HOUR_S, 9 * HOUR_S]


def test_what_is_done_or_waived_is_not_asked_again() -> None:
    done = ReadyItem(kind=ReadyKind.AUTHORITY, state=ReadyState.DONE)
    waived = ReadyItem(
        kind=ReadyKind.BATTERY, state=ReadyState.WAIVED, waived_by="office"
    )
    day = a_day(a_call(ready=(done, waived)))
    assert tonight(day, a_plan({"V1": ("C1",)})) == ()


def test_a_call_without_a_place_is_asked_for_only_if_it_gets_one() -> None:
    day = a_day(a_call(ready=(CODE,)))
    (entry,) = tonight(day, a_plan({}, unplaced=("C1",)))
    assert entry.by_s is None
    assert entry.ask.startswith("If call C1 gets a place: ")


def test_no_code_is_bought_for_a_call_that_cannot_be_saved() -> None:
    late = ReadyItem(kind=ReadyKind.CODE, lead_time_s=30 * HOUR_S)  # tomorrow midnight
    fob = a_part("FOB", lead_time_s=48 * HOUR_S)
    day = a_day(
        a_call("C1", ready=(late,)),
        a_call("C2", ready=(CODE,), skills=frozenset({"safe"})),
        a_call("C3", ready=(CODE,), windows=(window(19, 21),)),
        a_call("C4", ready=(CODE,), needs=(need("FOB"),)),
        parts=(fob,),
    )
    assert tonight(day, a_plan({}, unplaced=("C1", "C2", "C3", "C4"))) == ()


def test_a_code_is_asked_for_with_its_price_its_time_and_the_vin() -> None:
    day = a_day(a_call(description="blue estate, 2019", ready=(CODE,)))
    (entry,) = tonight(day, a_plan({"V1": ("C1",)}))
    assert entry.ask == (
        "Buy the code for blue estate, 2019 (costs 25.00, takes 2 h). "
        "Have the full VIN ready."
    )


def test_a_customer_is_rung_with_the_words_to_say() -> None:
    call = a_call(customer="Ms Example", phone="555 01", ready=(KEYS,))
    (entry,) = tonight(a_day(call), a_plan({"V1": ("C1",)}))
    assert entry.ask.startswith("Ring Ms Example (555 01): “Please have every key")


@pytest.mark.parametrize("kind", [k for k in ReadyKind if k is not ReadyKind.CODE])
def test_every_open_item_is_put_into_words_for_customer_and_driver(
    kind: ReadyKind,
) -> None:
    for owner, starts in (
        ("customer", "Ring the customer: “"),
        ("driver", "Driver of"),
    ):
        item = ReadyItem(kind=kind, owner=owner, note="gate 4")
        (entry,) = tonight(a_day(a_call(ready=(item,))), a_plan({"V1": ("C1",)}))
        assert entry.ask.startswith(starts)
        assert entry.ask.endswith("Note: gate 4")


def test_a_note_of_the_trade_table_is_not_said_twice() -> None:
    usual = replace(KEYS, note="every key that shall go on working")
    kind = Kind(id="car", name="", median_s=1, p90_s=1, ready=(usual,))
    own = replace(KEYS, note="the daughter has the third one")
    day = a_day(a_call(kind="car", ready=(usual, own)), kinds={"car": kind})
    first, second = tonight(day, a_plan({"V1": ("C1",)}))
    assert "Note:" not in first.ask
    assert second.ask.endswith("Note: the daughter has the third one")


def test_codes_are_counted_for_placed_calls_only() -> None:
    calls = [a_call(c, ready=(CODE, KEYS)) for c in ("C1", "C2", "C3")]
    entries = tonight(a_day(*calls), a_plan({"V1": ("C1", "C2")}, unplaced=("C3",)))
    assert count_codes(entries) == (2, 5_000)


def test_a_danger_to_life_is_shown_before_everything_else_and_each_caution_once() -> (
    None
):
    kinds = {
        "safe": Kind(id="safe", name="", median_s=1, p90_s=1, cautions=("drill",)),
        "car": Kind(
            id="car",
            name="",
            median_s=1,
            p90_s=1,
            cautions=("drill", "airbag", "child"),
        ),
        "unused": Kind(id="unused", name="", median_s=1, p90_s=1, cautions=("other",)),
    }
    texts = {
        "airbag": Caution(id="airbag", text="a"),
        "drill": Caution(id="drill", text="d"),
        "child": Caution(id="child", text="c", emergency=True),
        "other": Caution(id="other", text="o"),
    }
    day = a_day(
        a_call("C1", kind="safe"),
        a_call("C2", kind="car"),
        a_call("C3", kind="car"),
        kinds=kinds,
        cautions=texts,
    )
    assert [c.id for c in cautions(day)] == ["child", "drill", "airbag"]


def test_a_caution_that_is_referred_to_but_missing_is_not_dropped_in_silence() -> None:
    kind = Kind(id="car", name="", median_s=1, p90_s=1, cautions=("child",))
    with pytest.raises(KeyError):
        cautions(a_day(a_call(kind="car"), kinds={"car": kind}))


def late_plan(day: Day, **late_s: int) -> Plan:
    """Return a plan of one van whose calls start so late after their promise."""
    plan = a_plan({"V1": tuple(late_s)})
    (route,) = plan.routes
    stops = tuple(
        replace(stop, late_s=late_s[call_id])
        for stop, call_id in zip(route.stops, late_s, strict=True)
    )
    assert [call.id for call in day.calls] == list(late_s)
    return replace(plan, routes=(replace(route, stops=stops),))


def test_broken_promises_come_by_priority_then_by_how_late_they_are() -> None:
    day = a_day(
        a_call("C1", priority=2),
        a_call("C2", priority=1),
        a_call("C3", priority=2),
        a_call("C4", priority=1),
    )
    plan = late_plan(day, C1=600, C2=300, C3=3600, C4=0)
    assert [entry.call_id for entry in broken(day, plan)] == ["C2", "C3", "C1"]


def test_a_customer_is_told_both_hours_and_asked_whether_that_is_all_right() -> None:
    day = a_day(a_call(customer="Ms Example", phone="555 01"))
    # The visit starts at 09:00; 25 min after the promise, which ended at 08:35.
    (entry,) = broken(day, late_plan(day, C1=1500))
    assert entry.ask.startswith(
        "Ring Ms Example (555 01): “We promised to start with you by 08:35. We can "
        "only start at 09:00, 25 min later. Is that all right"
    )
    assert (entry.end_s, entry.start_s, entry.van_id) == (30_900, 32_400, "V1")


def test_a_broken_promise_without_a_reason_is_told_all_the_same() -> None:
    day = a_day(a_call())
    plan = late_plan(day, C1=60)
    assert [entry.reasons for entry in broken(day, plan)] == [()]
    why = Reason(rule=Rule.SHIFT, text="back too late", van_id="V1")
    told = replace(plan, late=(Unplaced(call_id="C1", reasons=(why,)),))
    assert [entry.reasons for entry in broken(day, told)] == [(why,)]


@pytest.mark.parametrize(
    ("late_s", "words"),
    [(1, "less than 1 min"), (60, "1 min"), (1559, "25 min"), (3900, "1 h 05")],
)
def test_lateness_is_said_as_the_clock_shows_it(late_s: int, words: str) -> None:
    assert late_words(late_s) == words


def test_money_is_at_risk_for_calls_on_no_route_and_for_no_others() -> None:
    bought = replace(CODE, state=ReadyState.DONE)
    waived = replace(CODE, state=ReadyState.WAIVED)
    day = a_day(
        a_call("C1", ready=(bought,)),
        a_call("C2", ready=(bought, KEYS, waived), description="blue estate"),
        a_call("C3", ready=(replace(CODE, cost_cents=9_900),)),
        a_call("C4", ready=(replace(bought, cost_cents=4_000),)),
        a_call("C5", ready=(CODE,)),
    )
    plan = a_plan({"V1": ("C1", "C5")}, unplaced=("C2", "C3", "C4"))
    risks = at_risk(day, plan)
    assert [(r.call_id, r.cost_cents, r.spent) for r in risks] == [
        ("C4", 4_000, True),
        ("C2", 2_500, True),
        ("C3", 9_900, False),
    ]
    assert risks[1].text == (
        "Paid for, but the call is not planned: code for blue estate."
    )
    assert risks[2].text.startswith("Do not pay for it yet")


def test_a_code_for_a_call_whose_promise_is_broken_is_not_at_risk() -> None:
    day = a_day(a_call(ready=(replace(CODE, state=ReadyState.DONE),)))
    assert at_risk(day, late_plan(day, C1=3600)) == ()


@pytest.mark.parametrize(
    "rule",
    [
        {"drive_limit_s": 4 * HOUR_S},
        {"work_limit_s": 8 * HOUR_S},
        {"meal": Break(window=window(11, 14), length_s=1800)},
    ],
)
def test_limits_and_breaks_come_with_the_caution_on_local_rules(
    rule: dict[str, Any],
) -> None:
    (caution,) = cautions(a_day(a_call(), vans=(a_van(**rule),)))
    assert caution.id == HOURS_CAUTION
    assert "local rules" in caution.text
    assert cautions(a_day(a_call())) == ()


def test_the_answer_holds_everything_about_the_day() -> None:
    day = a_day(
        a_call("C1", ready=(CODE,)), a_call("C2", needs=(need("FOB"),), ready=(KEYS,))
    )
    plan = a_plan({"V1": ("C1",)}, unplaced=("C2",))
    whole = answer(day, plan)
    assert whole.plan is plan
    assert [pick.van_id for pick in whole.pick_lists] == ["V1"]
    assert [s.part_id for s in whole.shortages] == ["FOB"]
    assert [p.part_id for p in whole.purchases] == ["FOB"]
    assert [t.call_id for t in whole.tonight] == ["C1", "C2"]
    assert whole.at_risk == at_risk(day, plan)
