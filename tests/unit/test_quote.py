"""Which windows can be told to a caller."""

import json
import time
from dataclasses import replace
from datetime import date

import jsonschema  # type: ignore[import-untyped]
import pytest
from click.testing import CliRunner

from api.cli import cli
from api.schemas import QUOTE, quote_schema
from dispatch.chance import usual_spreads
from dispatch.generator import generate_day
from dispatch.horizon import plan_days, standing_days
from dispatch.planner import Budget, plan_day
from dispatch.quote import GRID_S, WIDTHS_S, Quote, open_book, quote
from dispatch.report.quoting import quote_json, quote_text
from dispatch.rules import judge
from dispatch.travel import travel_table
from shared.model import Call, Day, ReadyItem, ReadyKind
from shared.trade import cautions, kinds
from tests.builders import HOUR_S, a_call, a_day, a_part, at, need, window
from tests.test_house import ROOT

BRIEF = Budget(rounds=300, reasons=False)


def asked(day: Day, call: Call, keep: float = 0.9) -> Quote:
    """Return what can be told about a call on a day as it is planned."""
    spreads = usual_spreads(replace(day, calls=(*day.calls, call)))
    book = open_book([(day, plan_day(day, BRIEF))], spreads)
    return quote(book, call, spreads, keep)


def test_on_an_empty_day_the_first_hour_is_on_offer() -> None:
    found = asked(a_day(), a_call("new"))
    (offer,) = found.offers
    # At the shop's door from 8:00 on, and nothing else to do.
    assert offer.window == window(8, 9)
    assert (offer.start_s, offer.chance, offer.van_id) == (8 * HOUR_S, 1.0, "V1")
    # Half an hour at 30.00, and no road.
    assert (offer.cost_cents, offer.pushed) == (1500, ())


def test_a_long_visit_before_makes_the_window_later_or_wider() -> None:
    # The first one is promised 8:00 and takes 1 h, one time in ten more than 2 h.
    first = a_call("1", promise=window(8, 8), median_s=3600, p90_s=7200)
    day = a_day(first, cushion=0.0)
    sure, bold = (asked(day, a_call("new"), keep) for keep in (0.9, 0.5))
    # Half of the time it is over at 9:00, nine times in ten at 10:00.
    assert min(one.window.end_s for one in bold.offers) < 10 * HOUR_S
    for offer in sure.offers:
        assert offer.chance >= 0.9
        assert offer.window.end_s >= 10 * HOUR_S
    narrow, *wider = sure.offers
    assert narrow.window.end_s - narrow.window.start_s == HOUR_S
    # Who is told an hour makes the driver wait for it: wider ones are cheaper.
    for offer in wider:
        assert offer.cost_cents < narrow.cost_cents - 100


def test_no_other_promise_falls_below_the_wish() -> None:
    # The second one is promised until 8:50; half an hour more before it would break
    # that. So the caller comes after it.
    day = a_day(
        a_call("1", promise=window(8, 8), p90_s=2400),
        a_call("2", promise=window(8.5, 8 + 50 / 60)),
        cushion=0.0,
    )
    found = asked(day, a_call("new"))
    assert found.offers
    for offer in found.offers:
        assert offer.pushed == ()
        assert offer.start_s >= 9 * HOUR_S


def test_where_it_cannot_be_helped_it_is_said_whose_promise_suffers() -> None:
    # The caller is there from 8:00 to 9:15 only, so it has to come before the second
    # one, which is then late where the first takes more than 35 minutes: log(35 / 30)
    # over log(1.5) / 1.2816 is 0.487 deviations, 31 in 100. Before, 65 minutes: 2.44.
    day = a_day(
        a_call("1", promise=window(8, 8), median_s=1800, p90_s=2700),
        a_call("2", promise=window(8.5, 9 + 5 / 60)),
        cushion=0.0,
    )
    call = a_call("new", windows=(window(8, 9.25),))
    found = asked(day, call, 0.8)
    (offer,) = found.offers
    (push,) = offer.pushed
    assert push.call_id == "2"
    assert push.after == pytest.approx(0.687, abs=0.02)
    assert push.before == pytest.approx(0.993, abs=0.005)
    text = quote_text(day, found)
    assert "BUT this pushes promises below 80 %: call 2 from" in " ".join(text.split())


def test_a_code_that_takes_twelve_hours_is_waited_for() -> None:
    code = ReadyItem(kind=ReadyKind.CODE, lead_time_s=15 * HOUR_S)
    found = asked(a_day(), a_call("new", kind="add_key", ready=(code,)))
    # Asked for at 18:00 the evening before: there at 9:00.
    assert {one.start_s for one in found.offers} == {9 * HOUR_S}
    assert all(one.again > 0 for one in found.offers)


def test_nobody_without_the_part_is_offered() -> None:
    day = a_day(parts=(a_part(),))
    call = a_call("new", needs=(need("BLANK"),))
    assert asked(day, call).offers == ()
    stocked = replace(day, shop=replace(day.shop, stock={"BLANK": 1}))
    assert asked(stocked, call).offers


def test_a_caller_for_whom_no_van_has_the_skill_gets_no_window() -> None:
    found = asked(a_day(), a_call("new", skills=frozenset({"safe"})))
    assert (found.offers, found.tried) == ((), 0)
    assert "No window can be told" in quote_text(a_day(), found)


@pytest.mark.parametrize("seed", range(8))
def test_offers_are_judged_kept_and_none_is_dominated(seed: int) -> None:
    day = generate_day(seed, 10, 2, tightness=0.2, ease=1.0)
    kind = kinds()["lockout_vehicle"]
    call = a_call(
        "new",
        place=day.calls[seed % len(day.calls)].place,
        median_s=kind.median_s,
        p90_s=kind.p90_s,
    )
    found = asked(day, call)
    for offer in found.offers:
        assert judge(offer.day, travel_table(offer.day), offer.plan) == ()
        assert offer.day.calls[-1] == replace(call, promise=offer.window)
        assert offer.chance == offer.kept.of_call["new"].kept >= 0.9
        assert offer.window.end_s - offer.window.start_s in WIDTHS_S
        assert offer.window.start_s % GRID_S == 0
        assert offer.window.start_s <= offer.start_s <= offer.window.end_s
        for other in found.offers:
            assert other is offer or not (
                other.window.end_s - other.window.start_s
                <= offer.window.end_s - offer.window.start_s
                and other.window.end_s <= offer.window.end_s
                and other.cost_cents <= offer.cost_cents
            )


def test_a_date_on_which_nobody_goes_out_is_on_offer_as_well() -> None:
    day = a_day(a_call("1", promise=window(8, 9)), horizon=3)
    outlook = plan_days(day, BRIEF)
    plans = standing_days(day, outlook)
    assert [one.date for one, _ in plans] == [
        date(2026, 11, 26),
        date(2026, 11, 27),
        date(2026, 11, 28),
    ]
    call = a_call("new", place=at(north=5))
    spreads = usual_spreads(replace(day, calls=(*day.calls, call)))
    found = quote(open_book(plans, spreads), call, spreads)
    assert {one.date for one in found.offers} == {one.date for one, _ in plans}
    friday = quote(
        open_book(plans, spreads), replace(call, dates=(date(2026, 11, 27),)), spreads
    )
    assert {one.date for one in friday.offers} == {date(2026, 11, 27)}


def test_the_same_seed_makes_the_same_offers() -> None:
    day = generate_day(3, 10, 2, tightness=0.2, ease=1.0)
    call = a_call("new", place=day.calls[0].place, p90_s=3600)
    assert quote_json(day, asked(day, call)) == quote_json(day, asked(day, call))


def test_at_four_vans_the_caller_waits_no_longer_than_a_breath() -> None:
    day = generate_day(0, 24, 4, tightness=0.0, ease=1.0)
    call = a_call("new", place=day.calls[3].place, p90_s=3000)
    spreads = usual_spreads(replace(day, calls=(*day.calls, call)))
    book = open_book([(day, plan_day(day, BRIEF))], spreads)
    quote(book, call, spreads)  # warm
    begin = time.process_time()
    quote(book, call, spreads)
    assert time.process_time() - begin < 0.3


def test_the_published_schema_is_that_of_the_data() -> None:
    day = a_day(a_call("1", promise=window(8, 9)), kinds=kinds(), cautions=cautions())
    data = json.loads(quote_json(day, asked(day, a_call("new"))))
    jsonschema.validate(data, quote_schema())
    assert json.loads(QUOTE.read_text(encoding="utf-8")) == quote_schema()
    assert "emergency number" in data["first"][0]
    assert data["offers"][0]["start_at"] == "2026-11-26T08:00:00+01:00"


def test_quote_tells_danger_first_and_then_windows() -> None:
    folder = str(ROOT / "demo_scenarios" / "three_days")
    words = ("--kind", "rekey", "--at=-41.905,146.71")
    done = CliRunner().invoke(cli, ["quote", folder, *words])
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith("EMERGENCY FIRST.")
    assert "on time 9" in done.stdout
    assert "cost" in done.stdout


def test_all_that_is_wrong_with_the_question_is_told_at_once() -> None:
    folder = str(ROOT / "demo_scenarios" / "one_van")
    words = ("--kind", "rekeying", "--at", "52.2,x", "--needs", "NOTHING")
    done = CliRunner().invoke(cli, ["quote", folder, *words])
    assert done.exit_code == 2
    assert done.stderr.startswith("3 faults in the input:")
