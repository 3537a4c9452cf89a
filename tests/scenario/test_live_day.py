"""The demo of a day that goes wrong: its story is what its README says."""

from functools import cache
from pathlib import Path

from dispatch.difference import ChangeKind
from dispatch.live import Moment, ask, before, live
from dispatch.planner import Budget, plan_day
from dispatch.report.live import replay_text, reshuffle_text
from dispatch.rest import FrozenStop
from dispatch.rules import judge
from dispatch.rules_live import judge_live
from dispatch.scenario import read_scenario
from dispatch.scenario.facts import Happened, read_happened
from dispatch.urgent import Option, OptionKind
from shared.facts import CallState, FactKind
from shared.model import Day, Plan

DEMO = Path(__file__).parents[2] / "demo_scenarios" / "live_day"
OVER = (CallState.DONE, CallState.NO_SHOW)
BUDGET = Budget(rounds=300, replans=False)


@cache
def lived() -> tuple[Day, Plan, Happened, tuple[Moment, ...]]:
    day = read_scenario(DEMO)
    happened = read_happened(DEMO, day)
    plan = plan_day(day, Budget(rounds=1000))
    return day, plan, happened, live(day, plan, happened.facts, BUDGET)


def at(clock: str) -> Moment:
    """Return the moment at a clock time; the last one of that minute."""
    day, _, _, moments = lived()
    return [
        moment
        for moment in moments
        if moment.fact is not None and day.clock.hhmm(moment.fact.at_s) == clock
    ][-1]


def changes(moment: Moment) -> dict[str, ChangeKind]:
    return {change.call_id: change.kind for change in moment.difference.changes}


def test_the_judges_find_nothing_at_any_moment() -> None:
    day, _, _, moments = lived()
    assert len(moments) == 54
    for moment in moments:
        rest = moment.rest
        assert judge(rest.day, rest.travel, moment.plan) == ()
        assert judge_live(day, moment.log, rest, moment.plan) == ()


def test_what_is_done_never_moves_and_what_is_under_way_stays_next() -> None:
    _, _, _, moments = lived()
    behind: dict[str, list[FrozenStop]] = {"mira": [], "hanno": []}
    for moment in moments:
        for van_id, known in behind.items():
            done = [stop for stop in moment.rest.frozen[van_id] if stop.state in OVER]
            assert done[: len(known)] == known
            behind[van_id] = done
    assert [stop.call_id for stop in behind["mira"]] == [
        "501",
        "502",
        None,  # the counter
        "503",
        "591",
        "504",
        "505",
    ]
    assert [stop.call_id for stop in behind["hanno"]] == [
        "506",
        "507",
        "590",
        "508",
        "509",
    ]


def test_the_overrun_moves_503_within_its_promise_and_nobody_is_rung() -> None:
    moment = at("10:30")
    assert changes(moment) == {"503": ChangeKind.LATER}
    assert moment.rings == ()


def test_the_first_emergency_goes_to_hanno_and_moves_nobody() -> None:
    moment = at("10:40")
    (change,) = moment.difference.changes
    assert (change.call_id, change.to_van) == ("590", "hanno")
    assert change.to_s is not None
    assert change.to_s <= 11.5 * 3600  # as promised on the phone
    assert moment.rings == ()


def test_the_options_for_the_first_emergency_have_hanno_first() -> None:
    day, plan, happened, _ = lived()
    now_s = 10 * 3600 + 40 * 60
    earlier = before(happened.facts, "590", now_s)
    assert earlier[-1].kind is FactKind.LATE
    moment = live(day, plan, earlier, BUDGET, now_s)[-1]
    found = ask(day, moment, happened.booked["590"])
    assert all(caution.emergency for caution in found.first)
    assert found.first != ()
    best = found.options[0]
    assert (best.kind, best.van_id) == (OptionKind.SOONEST, "hanno")
    assert best.moved == best.broken == best.dropped == ()


def options_at(call_id: str, now_s: int) -> tuple[Option, ...]:
    """Return what can be done about a call."""
    day, plan, happened, _ = lived()
    moment = live(day, plan, before(happened.facts, call_id, now_s), BUDGET, now_s)[-1]
    return ask(day, moment, happened.booked[call_id]).options


def test_keys_lost_at_a_bad_hour_leave_five_options_that_differ_in_kind() -> None:
    least, soonest, late, *without = options_at("600", 12 * 3600 + 20 * 60)
    # One breaks a promise, with a stop for parts and two customers to ring.
    assert least.broken == ("504",)
    assert {ring.call_id for ring in least.ring} == {"504", "505"}
    assert "Mira Osgood stops at Trade counter, 12 Canal Side" in " ".join(least.parts)
    # One gives a customer up, and has her fob.
    assert soonest.dropped == ("504",)
    assert soonest.arrive_s is not None
    assert least.arrive_s is not None
    assert soonest.arrive_s < least.arrive_s
    # One moves nobody, and asks the driver to stay.
    assert late.moved == late.broken == late.dropped == ()
    assert late.agree.startswith("Mira Osgood would be back at")
    assert [option.kind for option in without] == [
        OptionKind.REFER,
        OptionKind.DECLINE,
    ]


def test_the_second_emergency_is_a_choice_between_two_vans() -> None:
    soonest, cheapest, quiet, *_ = options_at("591", 12 * 3600 + 40 * 60)
    assert [one.van_id for one in (soonest, cheapest, quiet)] == [
        "mira",
        "mira",
        "hanno",
    ]
    assert [ring.call_id for ring in soonest.ring] == ["504"]
    assert cheapest.cost_cents < soonest.cost_cents
    assert quiet.moved == ()


def test_the_spoiled_blank_is_fetched_at_the_counter() -> None:
    moment = at("11:20")
    (errand,) = moment.errands
    assert (errand.van_id, errand.store_id) == ("mira", "canal_counter")
    assert errand.parts == (("BLANK-81", 1),)
    (change,) = moment.difference.changes
    assert change.call_id == "503"
    assert change.reason == "BLANK-81 was spoiled aboard mira"


def test_the_second_emergency_has_one_customer_rung_and_breaks_no_promise() -> None:
    moment = at("12:40")
    assert changes(moment) == {
        "504": ChangeKind.LATER,
        "505": ChangeKind.LATER,
        "591": ChangeKind.ADDED,
    }
    (ring,) = moment.rings
    assert (ring.call_id, ring.phone) == ("504", "+0 300504")
    assert ring.message.startswith("Hello Odile Marsh, we are sorry: we can be")


def test_nobody_there_makes_what_is_behind_it_earlier() -> None:
    moment = at("13:41")
    assert set(changes(moment).values()) == {ChangeKind.EARLIER}
    assert {change.reason for change in moment.difference.changes} == {
        "nobody was there at 591"
    }


def test_every_call_is_done_but_the_two_that_were_not_wanted() -> None:
    _, _, _, moments = lived()
    ends = {id_: now.state for id_, now in moments[-1].state.calls.items()}
    assert ends.pop("510") is CallState.CANCELLED
    assert ends.pop("591") is CallState.NO_SHOW
    assert set(ends.values()) == {CallState.DONE}


def test_the_story_is_readable_from_start_to_end() -> None:
    day, plan, _, moments = lived()
    text = replay_text(day, plan, moments)
    lines = text.splitlines()
    assert max(map(len, lines)) <= 79
    assert sum("Nothing changes." in line for line in lines) >= 30
    flat = " ".join(text.split())
    assert "every promise kept, 1 customer rung." in flat
    rest = reshuffle_text(day, at("12:40"))
    assert "Now: working at 508 Jory Lantham since 12:00" in rest
    assert "12:55  break until 13:25" in rest
