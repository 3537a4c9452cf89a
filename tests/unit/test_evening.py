"""Tonight's list names what cannot wait, and warnings come with the work."""

from dataclasses import replace

import pytest

from dispatch.answer import answer
from dispatch.evening import cautions, count_codes, tonight
from shared.model import Caution, Kind, ReadyItem, ReadyKind, ReadyState
from tests.builders import a_call, a_day, a_part, a_plan, need, window

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
