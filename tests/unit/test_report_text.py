import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dispatch.report.document import document
from dispatch.report.page import measure, wrap
from dispatch.report.text import check_text, outlook_text, plan_text
from dispatch.report.words import (
    above_best_permille,
    clean,
    due_words,
    group_reasons,
    lead_words,
    slack_words,
    status_words,
    wish_words,
)
from dispatch.vancheck import van_check
from shared.model import Proof, Reason, Rule, Status, StopKind, Wish
from shared.units import UNITS_PER_CENT, DistanceUnit
from tests.builders import a_call, a_day, a_van
from tests.unit.sample_answer import (
    ANSWER,
    DAY,
    HOSTILE,
    OUTLOOK,
    PLAN,
    hostile_answer,
    later_answer,
)

TEXT = plan_text(ANSWER)


def squeeze(text: str) -> str:
    """Return text with every run of white space as one space."""
    return " ".join(text.split())


def test_an_emergency_stands_before_every_number() -> None:
    words = squeeze(TEXT)
    emergency = words.index("A child, an animal or an ill person locked in")
    assert emergency < words.index("10 of 13 calls")
    assert "EMERGENCY FIRST." in words[:emergency]


def test_a_day_without_emergencies_raises_no_alarm() -> None:
    calm = replace(ANSWER, cautions=())
    assert "EMERGENCY" not in plan_text(calm)


def test_invented_data_says_so_at_the_top() -> None:
    assert "Invented data" in "\n".join(TEXT.splitlines()[:4])


@pytest.mark.parametrize("number", [0, 1, 2])
def test_every_stop_is_shown_with_all_its_times(number: int) -> None:
    route = PLAN.routes[number]
    chapter = TEXT.split("\nVan ")[2 + number]  # the first one is the overview
    assert chapter.startswith(f"{route.van_id},")
    leave_s, position = route.leave_s, 0
    for stop in route.stops:
        if stop.drive_s:
            position = chapter.index(f"leave {DAY.clock.hhmm(leave_s)}", position)
            position = chapter.index(f"arrive {DAY.clock.hhmm(stop.arrive_s)}")
        position = chapter.index(f"start {DAY.clock.hhmm(stop.start_s)}", position)
        position = chapter.index(f"finish {DAY.clock.hhmm(stop.finish_s)}", position)
        leave_s = stop.finish_s
    assert f"arrive {DAY.clock.hhmm(route.finish_s)}" in chapter[position:]


def test_every_call_is_named_with_its_customer_place_and_phone() -> None:
    words = squeeze(TEXT)
    for call in DAY.calls:
        assert f"{call.customer}, {call.place.name}, tel {call.phone}" in words


def test_what_was_left_aside_stands_before_the_first_route() -> None:
    # A misspelt 'promise' makes another plan: nobody must find that on the last page.
    before, _, after = TEXT.partition("\nVan V1")
    assert "Notice: calls.csv: column 'colour' is not known" in before
    assert "Notice" not in after


def test_a_call_is_never_a_bare_number_beside_the_number_of_a_stop() -> None:
    numbered = replace(
        ANSWER,
        day=replace(DAY, calls=(replace(DAY.calls[0], id="9"), *DAY.calls[1:])),
        plan=replace(
            PLAN,
            routes=(
                replace(
                    PLAN.routes[0],
                    stops=(
                        replace(PLAN.routes[0].stops[0], call_id="9"),
                        *PLAN.routes[0].stops[1:],
                    ),
                ),
                *PLAN.routes[1:],
            ),
        ),
    )
    assert "\n 1  " in plan_text(numbered)
    assert ", call 9\n" in plan_text(numbered)


def test_slack_and_waiting_are_what_the_plan_says() -> None:
    # C2: arrives 09:08:48, starts 09:30, promise ends 11:00: slack 1 h 30.
    block = TEXT.split(" 2  Add a key, call C2")[1].split("\n\n")[0]
    assert "slack 1 h 30" in block
    assert "wait 21 min" in block


def wait_of(wait_s: int, later_s: int | None) -> str:
    """Return the lines of a first stop that waits, left for in time until later."""
    route = PLAN.routes[0]
    stop = route.stops[0]
    late_s = stop.arrive_s + wait_s
    first = replace(
        stop,
        start_s=late_s,
        finish_s=late_s + 600,
        leave_by_s=None if later_s is None else route.leave_s + later_s,
    )
    changed = replace(route, stops=(first, *route.stops[1:]))
    text = plan_text(replace(ANSWER, plan=replace(PLAN, routes=(changed,))))
    return text.split("\n 1  ")[1].split("\n\n")[0]


def test_a_long_wait_says_how_late_the_van_could_leave_instead() -> None:
    # It leaves at 30 247 s, 08:24:07; 2 h 50 later it is 11:14:07.
    assert "wait 2 h 54 (or leave as late as 11:14)\n" in wait_of(10_440, 10_200)


@pytest.mark.parametrize(("wait_s", "later_s"), [(540, 540), (1200, 240), (1200, None)])
def test_a_short_wait_or_little_to_win_is_not_worth_a_word(
    wait_s: int, later_s: int | None
) -> None:
    assert f"wait {wait_s // 60} min" in wait_of(wait_s, later_s)
    assert "leave as late" not in wait_of(wait_s, later_s)


def test_a_day_without_calls_has_nothing_to_plan() -> None:
    day = replace(DAY, calls=())
    text = plan_text(
        replace(ANSWER, day=day, plan=replace(PLAN, routes=(), unplaced=()))
    )
    assert "No calls: nothing to plan.\n" in text
    assert "0 of 0" not in text
    assert "Proved best" not in text


def test_slack_is_never_shown_longer_than_it_is() -> None:
    assert slack_words(59) == "0 min"
    assert slack_words(3599) == "59 min"


def test_a_start_near_the_end_of_the_promise_is_called_tight() -> None:
    stop = PLAN.routes[0].stops[0]  # C1, promised until 09:30, tolerance 10 min
    late = replace(stop, start_s=stop.start_s + 3000, slack_s=597)
    route = replace(PLAN.routes[0], stops=(late, *PLAN.routes[0].stops[1:]))
    answer = replace(ANSWER, plan=replace(PLAN, routes=(route, PLAN.routes[1])))
    assert "slack 9 min, tight" in plan_text(answer)
    assert "tight" not in TEXT


def test_the_pick_list_says_bin_part_numbers_calls_spares_and_substitute() -> None:
    words = squeeze(TEXT)
    assert (
        "A5 3 - Chip blank, edge cut, long head (BLANK-5): for call C3, 1 spare, "
        "instead of Chip blank, edge cut (BLANK-4)" in words
    )
    assert (
        "A1 - 6 House blank, six pin (BLANK-1): for calls C6 and C4, 1 spare" in words
    )


def test_a_broken_promise_stands_above_everything_but_an_emergency() -> None:
    words = squeeze(TEXT)
    # C12 was promised until 11:00; East starts there at 41 741 s, 11:35:41.
    late = "promised until 11:00, starts 11:35, 35 min late"
    first = words.index(f"call C12, Wilma Castlegate: {late} (van East)")
    assert words.index("1 PROMISE BROKEN. Ring the customer tonight") < first
    assert words.index("EMERGENCY FIRST") < first < words.index("Best found")
    assert first < words.index("Van Driver Calls")


def test_a_broken_promise_is_said_at_its_stop_instead_of_the_slack() -> None:
    stop = TEXT.split(" 3  Rekey, call C12")[1].split("\n\n")[0]
    assert "PROMISE BROKEN: promised until 11:00, starts 11:35, 35 min late" in stop
    assert "slack" not in stop
    assert "promised 10:00 to 11:00" not in stop


def test_tonight_begins_with_whom_to_ring_about_a_broken_promise_and_why() -> None:
    tonight = squeeze(TEXT.split("\nTonight\n")[1])
    ring = tonight.index("C12 Ring Wilma Castlegate (555 0112)")
    assert ring < tonight.index("Codes to buy")
    assert "by 11:00. We can only start at 11:35, 35 min later." in tonight
    assert (
        "East: the cylinders have to be fetched at Eastgate 9 first would help: two "
        "CYL-40 aboard" in tonight
    )


def test_a_day_that_keeps_its_promises_says_nothing_of_broken_ones() -> None:
    kept = replace(PLAN, routes=PLAN.routes[:2], late=())
    assert "promise broken" not in plan_text(replace(ANSWER, plan=kept)).lower()


def test_a_promise_broken_by_seconds_is_broken() -> None:
    route = PLAN.routes[0]
    late = replace(route.stops[0], start_s=34_230, late_s=30, slack_s=0)
    plan = replace(PLAN, routes=(replace(route, stops=(late,)),))
    words = squeeze(plan_text(replace(ANSWER, plan=plan)))
    assert "promised until 09:30, starts 09:30, less than 1 min late" in words


def test_a_restock_stop_has_a_letter_its_own_list_and_what_is_paid_there() -> None:
    shop = squeeze(TEXT.split(" A  Restock at Shop, Brass Yard 1")[1].split("\n\n")[0])
    assert "- bin A5: fetch 1 \u00d7 Chip blank, edge cut, long head (BLANK-5)" in shop
    assert "for call C11 - bring back: reading scope - collect: code cutter" in shop
    assert "to pay" not in shop  # the firm's own parts
    counter = squeeze(TEXT.split(" B  Restock at Eastgate 9")[1].split("\n\n")[0])
    assert "open 07:00 to 16:00" in counter
    assert "- fetch 2 \u00d7 Door cylinder 40/40 (CYL-40): for call C12" in counter
    assert "to pay there: 33.00" in counter  # two at 16.50


def test_pieces_handed_over_are_on_the_giver_s_and_the_taker_s_list() -> None:
    before, north, _, east = TEXT.split("Pick list for ")
    assert "1 \u00d7 Flat cell 3 V (CELL-2), from van North to van East" in before
    assert "- hand over to van East: 1 \u00d7 Flat cell 3 V (CELL-2)" in north
    assert "Flat cell 3 V (CELL-2): 1 from van North, for call C10" in squeeze(east)


def test_shared_tools_say_who_has_them_and_where_they_change_hands() -> None:
    words = squeeze(TEXT)
    assert "- battery stabiliser: van North, all day" in words
    assert (
        "- reading scope: van East, from the morning on, bring back to Shop, "
        "Brass Yard 1 at 09:06" in words
    )
    assert "- code cutter: van East, collect at Shop, Brass Yard 1 at 09:06" in words


def test_calls_that_hang_together_say_which_one_is_first() -> None:
    words = squeeze(TEXT)
    assert "after call C10 (done 09:01), same van, at most 2 h between" in words
    assert "after call C2 (van North, done 10:16), at least 30 min between" in words
    assert "before call C12 (van East, starts 11:35)" in words


def test_a_start_that_the_customer_does_not_prefer_is_remarked_on() -> None:
    assert TEXT.count("customer would rather have 08:00 to 09:00") == 1  # C11, 09:22
    calls = tuple(replace(c, preference=None) for c in DAY.calls)
    wished = replace(ANSWER, day=replace(DAY, calls=calls))
    assert "would rather" not in plan_text(wished)


def test_hours_stand_beside_their_limits_with_the_caution_on_local_rules() -> None:
    words = squeeze(TEXT)
    # East leaves at 08:10 and is back at 12:57; 30 min of that are the break.
    assert "at the wheel 45 min of at most 4 h; on duty 4 h 18 of at most 9 h" in words
    assert "check them against the local rules" in words


def test_calls_that_cannot_all_be_done_are_named_beside_those_left_out() -> None:
    words = squeeze(TEXT)
    assert words.index("Not planned: 3 calls") < words.index(
        "- Calls C12 and C13 cannot both be served: either of them can."
    )


def test_money_at_risk_is_what_no_planned_call_uses() -> None:
    risk = squeeze(TEXT.split("\nMoney at risk\n")[1].split("\nTonight\n")[0])
    assert "call C13, 19.00: Paid for, but the call is not planned" in risk
    assert "call C9, 31.00: Do not pay for it yet" in risk
    assert "C12" not in risk  # its code is paid for, and it is served, though late


def test_the_cost_is_split_into_what_it_is_made_of() -> None:
    words = squeeze(TEXT)
    # 35 min late costs the step of an hour at 60.00; two cylinders 1.50 dearer each.
    assert "broken promises 60.00, preferences 3.00, dearer parts 3.00." in words


def test_several_days_show_the_first_one_in_full_and_the_others_shorter() -> None:
    text = outlook_text(OUTLOOK)
    words = squeeze(text)
    assert words.startswith("EMERGENCY FIRST")
    assert words.count("EMERGENCY FIRST") == 1
    assert "11 of 14 calls planned on 2 days" in words
    assert "- Friday 27 November 2026, provisional: 1 of 1 call" in words
    assert "PROMISE BROKEN, call C12" in words
    first, later = text.split("\nFriday 27 November 2026: provisional\n")
    assert TEXT.split("\n\nVan North")[1].rstrip() in first
    assert "12:30 Rekey, call R1, Lock Cottage Lettings" in later
    assert "order by 04:30" in later
    assert "leave 12:13" not in later


@pytest.mark.parametrize("width", [72, 80, 100])
def test_no_line_of_several_days_is_wider_than_the_terminal(width: int) -> None:
    evil = replace(OUTLOOK, answers=(hostile_answer(), hostile_answer()))
    for outlook in (OUTLOOK, evil):
        text = outlook_text(outlook, width, encoding="ascii")
        assert max(map(measure, text.splitlines())) <= width
        assert text.isascii()


def test_a_promise_that_a_later_day_would_break_is_no_reason_to_ring_yet() -> None:
    words = squeeze(outlook_text(replace(OUTLOOK, answers=(later_answer(), ANSWER))))
    late = "promised until 11:00, starts 11:35, 35 min late"
    assert f"PROMISE WOULD BE BROKEN, call C12: {late}" in words
    assert "1 PROMISE WOULD BE BROKEN as planned now: - call C12, Wilma" in words
    assert "Ring the customer tonight" not in words


def test_a_call_for_certain_days_only_says_which() -> None:
    days = (date(2026, 11, 27), date(2026, 11, 30))
    calls = tuple(replace(c, dates=days if c.id == "C8" else ()) for c in DAY.calls)
    words = squeeze(plan_text(replace(ANSWER, day=replace(DAY, calls=calls))))
    assert words.count("only on Friday 27 November or Monday 30 November") == 1


def test_a_van_that_stays_in_is_told_what_to_hand_over() -> None:
    stays = replace(
        ANSWER,
        plan=replace(PLAN, routes=PLAN.routes[2:]),
        pick_lists=(
            ANSWER.pick_lists[2],
            replace(ANSWER.pick_lists[0], lines=(), tools=()),
        ),
    )
    words = squeeze(plan_text(stays))
    assert "Without calls: North, Ada Quill" in words
    assert "Flat cell 3 V (CELL-2), from van North to van East, for call C10" in words


def test_a_provisional_plan_says_so_before_anything_else() -> None:
    text = plan_text(ANSWER, provisional=True)
    assert text.startswith("Provisional: this day will be planned anew")
    assert "rovisional" not in TEXT


def test_tonight_counts_the_codes_and_what_they_cost() -> None:
    # One code of 24.50 for a planned call, one of 31.00 for a call without a place.
    assert (
        "Codes to buy: 1, 24.50 in all; 1 more (31.00) if a call gets a place"
        in squeeze(TEXT)
    )


def test_a_customer_is_rung_once_for_all_questions() -> None:
    first = ANSWER.tonight[2]
    second = replace(first, ask="Ring Fenwick Bakery (555 0103): where it stands.")
    text = squeeze(plan_text(replace(ANSWER, tonight=(first, second))))
    assert text.count("Ring Fenwick Bakery (555 0103):") == 1
    assert "- ask for proof that they own the van." in text
    assert "- where it stands." in text


def test_what_has_to_be_done_the_evening_before_says_so() -> None:
    # 21:40 on the day before is 140 minutes before midnight.
    early = replace(ANSWER.tonight[1], by_s=-140 * 60)
    text = squeeze(plan_text(replace(ANSWER, tonight=(early,))))
    assert "order tonight by 21:40" in text


def test_what_would_be_due_in_the_night_is_for_tonight() -> None:
    night = replace(ANSWER.tonight[1], by_s=61 * 60)
    text = squeeze(plan_text(replace(ANSWER, tonight=(night,))))
    assert "order tonight (by 01:01 at the latest)" in text


@pytest.mark.parametrize(
    ("planned_h", "by_h", "words"),
    [
        (-6, -2, "tonight (by 22:00 at the latest)"),
        (-6, 5.5, "tonight (by 05:30 at the latest)"),
        (-6, 6, "by 06:00"),
        (1, 5.5, "tonight (by 05:30 at the latest)"),  # planned in the night itself
        (6, 23, "tonight (by 23:00 at the latest)"),  # planned in the morning
        (-30, 1, "by 01:00"),  # the night after the next one
        (-6, 22, "by 22:00"),
        (-60, -54, "tonight by 18:00"),  # planned at noon three days before
        (-6, -4.5, "tonight by 19:30"),
        (-6, -5 - 24, "by 19:00 2 days before"),
        (-6, 19, "by 19:00"),
    ],
)
def test_only_the_night_after_the_evenings_work_is_tonight(
    planned_h: float, by_h: float, words: str
) -> None:
    day = replace(DAY, planned_at_s=round(planned_h * 3600))
    assert due_words(day, round(by_h * 3600)) == words


def test_a_firm_that_reads_miles_is_told_miles_and_nothing_else_changes() -> None:
    answer = replace(ANSWER, day=replace(DAY, distance=DistanceUnit.MI))
    text = squeeze(plan_text(answer))
    assert f"{PLAN.routes[0].distance_m / 1609.344:.1f} mi, driving" in text
    assert "31 mph on a free road" in text  # 50 km/h
    assert not re.search(r"\b[Kk]m\b", text.replace(DAY.travel.source, ""))
    assert document(answer).vans == document(ANSWER).vans


@pytest.mark.parametrize(
    ("metres", "km", "miles"),
    # 80.4672 m are 0.05 mi: halves are rounded up.
    [
        (0, "0.0", "0.0"),
        (50, "0.1", "0.0"),
        (80, "0.1", "0.0"),
        (81, "0.1", "0.1"),
        (1609344, "1609.3", "1000.0"),
    ],
)
def test_metres_are_read_in_either_unit(metres: int, km: str, miles: str) -> None:
    assert DistanceUnit.KM.say(metres) == f"{km} km"
    assert DistanceUnit.MI.say(metres) == f"{miles} mi"


def test_a_time_of_another_day_is_said_in_words() -> None:
    assert DAY.clock.spoken(10 * 3600) == "10:00"
    assert DAY.clock.spoken(24 * 3600 + 1800) == "00:30 the next day"
    assert DAY.clock.spoken(48 * 3600) == "00:00 2 days later"
    assert DAY.clock.spoken(-3600) == "23:00 the day before"


def test_a_note_on_a_code_is_never_shown() -> None:
    assert "9911" not in TEXT


def test_purchases_say_what_hangs_on_them_and_whether_they_come_in_time() -> None:
    words = squeeze(TEXT)
    assert (
        "1 \u00d7 Proximity fob, four button (FOB-9), 52.00 needed for call C9 "
        "at Eastgate 9, lead time 2 days, too late for this day" in words
    )
    assert "spare for call C7 lead time not known" in words


def test_vans_with_the_same_reason_are_named_together() -> None:
    day = a_day(a_call("C1"), vans=(a_van("A"), a_van("B"), a_van("C")))
    same = [Reason(rule=Rule.SKILL, text="no", van_id=van) for van in ("A", "B")]
    other = Reason(rule=Rule.STOCK, text="none left", van_id="C")
    some = group_reasons(day, (*same, other))
    assert [(why.who, why.text) for why in some] == [
        ("A and B", "no"),
        ("C", "none left"),
    ]
    third = replace(same[0], van_id="C")
    every = group_reasons(day, (*same, third))
    assert [why.who for why in every] == ["every van"]


def test_each_reason_of_an_unplaced_call_is_in_the_text() -> None:
    words = squeeze(TEXT)
    for unplaced in PLAN.unplaced:
        for reason in unplaced.reasons:
            assert reason.text in words
            assert reason.remedy in words
    assert "every van: the driver does not do safes" in words


def test_the_gap_is_rounded_up_so_that_it_promises_nothing_too_good() -> None:
    plan = replace(PLAN, status=Status(proof=Proof.BOUNDED, bound_units=10**6))
    cost = plan.cost_units
    exact = (cost - 10**6) * 1000 / 10**6
    gap = above_best_permille(plan)
    assert gap is not None
    assert exact <= gap < exact + 1


def test_the_status_line_says_how_much_is_known() -> None:
    def words(status: Status) -> str:
        return status_words(replace(PLAN, status=status))

    assert words(Status(proof=Proof.PROVED_BEST)).startswith("Proved best")
    assert words(Status(proof=Proof.BEST_FOUND)).startswith("Best found")
    # A bound of nothing is no bound.
    assert words(Status(proof=Proof.BOUNDED, bound_units=0)).startswith("Best found")
    assert "at most 1.3 % more than the best possible" in " ".join(TEXT.split())
    stopped = words(Status(proof=Proof.BEST_FOUND, stopped=True))
    assert "stopped early" in stopped


def test_the_footer_names_what_the_driving_times_cannot_know() -> None:
    assert "straight lines, not from streets" in squeeze(TEXT)
    given_table = replace(DAY, travel=replace(DAY.travel, matrix={}))
    words = squeeze(plan_text(replace(ANSWER, day=given_table)))
    assert "the given table" in words
    assert "straight lines, not" not in words


def test_a_van_that_stays_in_is_named() -> None:
    assert "Without calls" not in TEXT
    more = replace(DAY, vans=(*DAY.vans, a_van("West")))
    assert "Without calls: West" in plan_text(replace(ANSWER, day=more))


@pytest.mark.parametrize("width", [40, 72, 80, 100, 132])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii", "cp1252"])
def test_no_line_is_wider_than_the_terminal(width: int, encoding: str) -> None:
    for answer in (ANSWER, hostile_answer()):
        text = plan_text(answer, width, encoding=encoding)
        assert max(map(measure, text.splitlines())) <= max(width, 72)
        text.encode(encoding)


def test_long_names_are_wrapped_and_never_cut_off() -> None:
    words = plan_text(hostile_answer())
    letters = re.sub(r"\s", "", words)
    assert letters.count(re.sub(r"\s", "", clean(HOSTILE))) >= len(DAY.calls)


def test_what_customers_typed_cannot_steer_the_terminal() -> None:
    text = plan_text(hostile_answer())
    assert not set(text) & (set(map(chr, range(32))) - {"\n"} | {"\u202e"})


def test_headings_are_bold_only_when_asked_for() -> None:
    assert "\x1b" not in TEXT
    bold = plan_text(ANSWER, bold=True)
    assert re.sub(r"\x1b\[[01]m", "", bold) == TEXT


def test_a_plain_terminal_gets_plain_characters() -> None:
    plain = plan_text(ANSWER, encoding="ascii")
    assert plain.isascii()
    assert "1 x Proximity fob" in plain
    # The layout is the same, line for line.
    assert [len(line) for line in plain.splitlines()] == [
        len(line) for line in TEXT.splitlines()
    ]


def test_a_name_the_terminal_cannot_write_is_spelled_in_simpler_letters() -> None:
    calls = (replace(DAY.calls[0], customer="Zoë Ł"), *DAY.calls[1:])
    text = plan_text(replace(ANSWER, day=replace(DAY, calls=calls)), encoding="ascii")
    # No simpler letter stands for the last one: its number does, not a '?'.
    assert "Zoe \\u0141" in text


def test_a_day_on_which_nothing_could_be_planned_is_still_an_answer() -> None:
    empty = replace(PLAN, routes=(), issues=())
    text = plan_text(replace(ANSWER, plan=empty, pick_lists=(), tonight=()))
    assert "0 of 13 calls planned on 0 vans" in text


@given(st.text(), st.integers(2, 100))
def test_wrapping_keeps_every_letter_and_every_width(text: str, width: int) -> None:
    lines = wrap(text, width)
    assert all(measure(line) <= width for line in lines)
    assert "".join("".join(lines).split()) == "".join(clean(text).split())


@given(st.text())
def test_cleaned_text_is_one_line_without_control_characters(text: str) -> None:
    once = clean(text)
    assert once == clean(once)
    assert len(once.splitlines()) <= 1


def test_wide_characters_take_two_columns_and_accents_none() -> None:
    assert measure("鍵") == 2
    assert measure("e\u0301") == 1


def test_lead_times_are_said_in_their_natural_unit() -> None:
    assert lead_words(2 * 86400) == "2 days"
    assert lead_words(8 * 3600) == "8 h"
    assert lead_words(5400) == "1 h 30"
    assert lead_words(61) == "2 min"


def test_the_van_check_names_every_van_and_every_loose_call() -> None:
    check = van_check(DAY)
    text = squeeze(check_text(DAY, check))
    assert "Notice: calls.csv: column 'colour' is not known" in text
    for van in check.vans:
        assert f"Van {van.van_id}, {van.driver}" in text
        assert van.text[1:] in text
    for call in check.calls:
        assert call.text in text
    assert "not everything is there yet" in text
    # The fob of C9 lies at the counter only, where a van may stop on its way.
    assert "C9 and C12: van North, South or East can fetch the rest on the way" in text


def test_the_van_check_fits_the_terminal_whatever_people_typed() -> None:
    text = check_text(
        hostile_answer().day, van_check(hostile_answer().day), encoding="ascii"
    )
    assert max(map(len, text.splitlines())) <= 80


def test_the_plan_on_the_terminal_imports_nothing_heavy(tmp_path: Path) -> None:
    import subprocess  # noqa: PLC0415 - only this test starts an interpreter
    import sys  # noqa: PLC0415

    script = tmp_path / "probe.py"
    script.write_text(
        "import sys\n"
        "import dispatch.report.text, dispatch.report.document, dispatch.report\n"
        "heavy = {'jinja2', 'icalendar', 'pydantic', 'pandas', 'numpy', 'numba'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    root = Path(__file__).parents[2]
    done = subprocess.run(  # noqa: S603 - our own script
        [sys.executable, script],
        capture_output=True,
        check=True,
        cwd=root,
        env={"PYTHONPATH": str(root)},
        text=True,
    )
    assert done.stdout.strip() == "[]"


def test_the_sample_is_consistent_with_itself() -> None:
    for route in PLAN.routes:
        now_s = route.leave_s
        for stop in route.stops:
            assert stop.arrive_s == now_s + stop.drive_s
            assert stop.start_s >= stop.arrive_s
            now_s = stop.finish_s
        assert route.finish_s == now_s + route.last_drive_s
        assert sum(stop.kind is StopKind.BREAK for stop in route.stops) == 1


def a_wish(**changes: float | tuple[str, ...]) -> Wish:
    """Return a wish to keep 90 %, for which nothing had to be done."""
    made = Wish(percent=90, kept=0.93, plain_kept=0.93, drive_s=0, cost_units=0)
    return replace(made, **changes)  # type: ignore[arg-type]


def test_a_wish_that_costs_nothing_says_so() -> None:
    assert wish_words(None) == ()
    assert wish_words(a_wish()) == (
        (
            "Wish: keep 90 % of promises and windows: 93.0 % expected, no more driving "
            "for it."
        ),
    )


def test_a_wish_can_spare_driving_and_cost_time() -> None:
    (words,) = wish_words(
        a_wish(plain_kept=0.85, drive_s=-300, cost_units=250 * UNITS_PER_CENT)
    )
    assert words.endswith("its price: -5 min driving, +2.50.")


def test_a_wish_that_is_not_fulfilled_names_who_falls_short() -> None:
    # 89.96 % falls short, and must not be rounded up to 90.0 %.
    found = wish_words(a_wish(kept=0.8996, plain_kept=0.8996, short=("3", "7")))
    assert found == (
        (
            "The wish is not reached: keep 90 % of promises and windows: "
            "89.9 % expected, "
            "nothing found is safer."
        ),
        "Less likely than that: calls 3 and 7.",
    )
