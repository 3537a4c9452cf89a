"""Several days: which call goes on which, and what is kept for later."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

import pytest

from dispatch.generator import Feature, generate_day
from dispatch.horizon import plan_days
from dispatch.planner import Budget, plan_day
from dispatch.rules import judge, judge_outlook
from dispatch.travel import travel_table
from shared.model import (
    Answer,
    Call,
    Day,
    Link,
    Outlook,
    Proof,
    Purpose,
    Rates,
    ReadyItem,
    ReadyKind,
    Route,
    Rule,
    Tool,
    Traffic,
    TravelRules,
    Van,
)
from shared.units import UNITS_PER_CENT
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

FIRST = date(2026, 11, 26)
SECOND = FIRST + timedelta(days=1)
LONG = {"median_s": 5400, "p90_s": 5400}  # an hour and a half
MORNING = window(8, 10)  # a shift in which one such call fits, and no second


def days(*calls: Call, **changes: object) -> Day:
    """Return two winter days, with one van of 8 to 17 unless others are named."""
    return a_day(*calls, **({"horizon": 2} | changes))


def outlook_of(day: Day) -> Outlook:
    """Return an outlook that the judge has found nothing wrong with, day by day."""
    outlook = plan_days(day, Budget(rounds=200))
    for answer in outlook.answers:
        assert judge(answer.day, travel_table(answer.day), answer.plan) == ()
    assert judge_outlook(day, outlook) == ()
    return outlook


def placed(outlook: Outlook) -> dict[str, date]:
    """Return the date of every call that is planned."""
    return {
        call_id: answer.day.date
        for answer in outlook.answers
        for route in answer.plan.routes
        for call_id in route.call_ids
    }


def who(outlook: Outlook) -> dict[str, str]:
    """Return the van of every call that is planned."""
    return {
        call_id: route.van_id
        for answer in outlook.answers
        for route in answer.plan.routes
        for call_id in route.call_ids
    }


def clock(outlook: Outlook, call_id: str) -> str:
    """Return when a call starts, as a watch shows it."""
    return next(
        f"{answer.day.date} {answer.day.clock.hhmm(stop.start_s)}"
        for answer in outlook.answers
        for route in answer.plan.routes
        for stop in route.stops
        if stop.call_id == call_id
    )


def code(lead_h: int) -> ReadyItem:
    """Return a code that has to be bought, and takes so long."""
    return ReadyItem(kind=ReadyKind.CODE, lead_time_s=lead_h * HOUR_S)


# --- which day ---------------------------------------------------------------


def test_what_the_first_day_has_no_room_for_is_moved_to_the_second() -> None:
    day = days(
        a_call("LATER", priority=2, **LONG),
        a_call("FIRST", priority=1, **LONG),
        vans=(a_van(shift=MORNING),),
    )
    outlook = outlook_of(day)
    assert placed(outlook) == {"FIRST": FIRST, "LATER": SECOND}
    # No drive; an hour and a half at 30.00 on each day.
    assert [answer.plan.cost_cents for answer in outlook.answers] == [4500, 4500]
    assert [answer.plan.unplaced for answer in outlook.answers] == [(), ()]
    assert {answer.plan.status.proof for answer in outlook.answers} == {
        Proof.PROVED_BEST
    }


def test_of_days_that_cost_the_same_the_first_is_taken() -> None:
    free = a_van(rates=Rates())
    outlook = outlook_of(days(a_call("A"), a_call("B"), vans=(free,), horizon=7))
    assert placed(outlook) == {"A": FIRST, "B": FIRST}
    assert [answer.day.date for answer in outlook.answers] == [FIRST]


@pytest.mark.parametrize(("priority", "on"), [(4, SECOND), (1, FIRST)])
def test_a_call_waits_for_a_van_that_passes_by_unless_it_is_urgent(
    priority: int, on: date
) -> None:
    # Five kilometres there and back cost some 13.00: 10 km at 0.50 and a quarter of an
    # hour at 30.00. A day's delay is reckoned as 1.00, or as 40.00.
    day = days(
        a_call("THERE", place=at(5), dates=(SECOND,)),
        a_call("NEXT DOOR", place=at(5), priority=priority),
    )
    assert placed(outlook_of(day)) == {"THERE": SECOND, "NEXT DOOR": on}


def test_a_van_that_is_off_stays_in_and_its_calls_wait() -> None:
    day = days(
        a_call("A", required_van="V1"),
        a_call("B"),
        vans=(a_van("V1", off=frozenset({FIRST})), a_van("V2")),
    )
    outlook = outlook_of(day)
    assert placed(outlook) == {"A": SECOND, "B": FIRST}
    assert who(outlook) == {"A": "V1", "B": "V2"}


def test_a_van_that_is_off_stays_in_where_one_day_is_planned() -> None:
    off = a_van("V1", off=frozenset({FIRST}))
    alone = plan_day(a_day(a_call("A"), vans=(off,)))
    assert alone.routes == ()
    assert [each.text for each in alone.unplaced[0].reasons] == [
        "no van is out on this day"
    ]
    both = plan_day(a_day(a_call("A"), vans=(off, a_van("V2"))))
    assert [route.van_id for route in both.routes] == ["V2"]
    wanted = a_day(a_call("A", required_van="V1"), vans=(off, a_van("V2")))
    (entry,) = plan_day(wanted).unplaced
    assert "only van V1 may go" in entry.reasons[0].text


def test_a_promise_holds_the_call_to_its_date_and_hour() -> None:
    day = days(a_call("A", promise=window(9, 10), dates=(SECOND,)), a_call("B"))
    outlook = outlook_of(day)
    # The van waits for A from 8:00 on, paid. B's half hour then is worth 15.00, more
    # than the day's delay of 10.00.
    assert placed(outlook) == {"A": SECOND, "B": SECOND}
    assert clock(outlook, "B") == f"{SECOND} 08:00"
    assert clock(outlook, "A") == f"{SECOND} 09:00"


def test_a_promise_without_a_date_is_for_the_first_day() -> None:
    # The shift holds one of the two; a promise that was given goes first.
    day = days(
        a_call("A", promise=window(8, 9), **LONG),
        a_call("B", priority=1, dates=(FIRST,), **LONG),
        vans=(a_van(shift=MORNING),),
    )
    outlook = outlook_of(day)
    assert placed(outlook) == {"A": FIRST}
    (plan,) = (answer.plan for answer in outlook.answers)
    assert [each.call_id for each in plan.unplaced] == ["B"]
    # By priority alone B would go first: that no plan is better is not said.
    assert plan.status.proof is Proof.BEST_FOUND


def test_a_code_that_takes_a_day_moves_the_call_to_when_it_is_there() -> None:
    # Asked for at 18:00: there at 20:00 on the first day.
    outlook = outlook_of(days(a_call("A", ready=(code(26),))))
    assert placed(outlook) == {"A": SECOND}
    (entry,) = outlook.answers[1].tonight
    # Due before 8:00 of the second day, 26 hours earlier: 6:00 of the first.
    assert entry.by_s == 8 * HOUR_S - 26 * HOUR_S


# --- the clock ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("first", "two_pm_s", "then_s"),
    [
        (date(2026, 10, 24), 14 * HOUR_S, 15 * HOUR_S),  # Sunday has 25 hours
        (date(2027, 3, 27), 14 * HOUR_S, 13 * HOUR_S),  # Sunday has 23 hours
        (date(2026, 10, 25), 15 * HOUR_S, 14 * HOUR_S),  # it is the first day
    ],
)
def test_two_in_the_afternoon_is_what_the_clock_says_on_every_day(
    first: date, two_pm_s: int, then_s: int
) -> None:
    shift = replace(a_van().shift, end_s=two_pm_s + 3 * HOUR_S)
    speeds = [1000] * 48
    speeds[two_pm_s // HOUR_S] = 250  # crawling from 14:00 to 15:00
    day = days(
        a_call(
            "A",
            dates=(first + timedelta(days=1),),
            windows=(replace(window(0, 0), start_s=two_pm_s, end_s=two_pm_s + HOUR_S),),
        ),
        date=first,
        vans=(a_van(shift=shift),),
        travel=TravelRules(
            traffic=Traffic(slot_s=HOUR_S, speed_permille=tuple(speeds))
        ),
    )
    outlook = outlook_of(day)
    second = first + timedelta(days=1)
    assert clock(outlook, "A") == f"{second} 14:00"
    then = outlook.answers[-1]
    (stop,) = then.plan.routes[0].stops
    assert stop.start_s == then_s
    traffic = then.day.travel.traffic
    slow = [
        number * traffic.slot_s
        for number, speed in enumerate(traffic.speed_permille)
        if speed == 250 and number * traffic.slot_s < 20 * HOUR_S
    ]
    assert (min(slow), max(slow) + traffic.slot_s) == (then_s, then_s + HOUR_S)


def test_a_night_shift_serves_its_own_date_only() -> None:
    # 22:00 to 06:00; the customer is there from 1:00 to 3:00 on the second date, which
    # the first night passes through as hours 25 to 27 of the first.
    night = a_van(shift=window(22, 30))
    day = days(
        a_call("OWN", windows=(window(25, 27),), dates=(FIRST,)),
        a_call("NEXT", windows=(window(1, 3),), dates=(SECOND,)),
        vans=(night,),
    )
    outlook = outlook_of(day)
    assert placed(outlook) == {"OWN": FIRST}
    (entry,) = outlook.answers[0].plan.unplaced
    assert entry.call_id == "NEXT"


# --- parts ------------------------------------------------------------------------


LOCK = a_part("LOCK", unit_cost_cents=6400)


@pytest.mark.parametrize(
    ("lead_s", "on"),
    [
        (38 * HOUR_S, SECOND),  # ordered at 18:00: at 8:00 on the day after tomorrow
        (38 * HOUR_S + 1, None),
        (None, None),
        (1 * HOUR_S, SECOND),  # tomorrow counts on nothing that is not in hand tonight
    ],
)
def test_a_part_that_is_ordered_tonight_serves_a_later_day(
    lead_s: int | None, on: date | None
) -> None:
    day = days(
        a_call("A", needs=(need("LOCK"),)), parts=(replace(LOCK, lead_time_s=lead_s),)
    )
    outlook = outlook_of(day)
    assert placed(outlook).get("A") == on
    if on is None:
        return
    (bought,) = outlook.answers[0].purchases
    assert (bought.part_id, bought.quantity, bought.cost_cents) == ("LOCK", 1, 6400)
    assert (bought.call_ids, bought.in_time) == (("A",), True)
    (picks,) = outlook.answers[1].pick_lists
    assert [(line.part_id, line.load) for line in picks.lines] == [("LOCK", 1)]


def test_a_van_that_does_not_load_at_the_shop_waits_for_no_order() -> None:
    day = days(
        a_call("A", needs=(need("LOCK"),)),
        vans=(a_van(loads_at_shop=False),),
        parts=(replace(LOCK, lead_time_s=HOUR_S),),
    )
    assert placed(outlook_of(day)) == {}


def test_only_what_is_missing_is_ordered() -> None:
    # Two kits of a lock and two keys; there are a lock aboard and three keys in all.
    day = days(
        a_call("A", needs=(need("KIT"),)),
        a_call("B", needs=(need("KIT"),)),
        vans=(a_van(stock={"LOCK": 1, "KEY": 1}),),
        shop={"KEY": 2},
        parts=(
            replace(LOCK, lead_time_s=20 * HOUR_S),
            a_part("KEY", lead_time_s=20 * HOUR_S),
            a_part("KIT", components=(("LOCK", 1), ("KEY", 2))),
        ),
    )
    outlook = outlook_of(day)
    assert sorted(placed(outlook).values()) == [FIRST, SECOND]
    bought = {each.part_id: each.quantity for each in outlook.answers[0].purchases}
    assert bought == {"LOCK": 1, "KEY": 1}


def test_a_piece_that_a_later_call_needs_is_kept_for_it() -> None:
    day = days(
        a_call("LATER", priority=1, dates=(SECOND,), needs=(need("BLANK"),)),
        a_call("NOW", priority=2, dates=(FIRST,), needs=(need("BLANK"),)),
        parts=(a_part("BLANK"),),
        shop={"BLANK": 1},
    )
    outlook = outlook_of(day)
    assert placed(outlook) == {"LATER": SECOND}
    (entry,) = outlook.answers[0].plan.unplaced
    assert entry.call_id == "NOW"
    assert [reason.text for reason in entry.reasons] == [
        f"on {FIRST}: what is left of BLANK is kept for calls on other dates: LATER"
    ]
    assert outlook.answers[0].day.shop.stock["BLANK"] == 0
    assert outlook.answers[1].day.shop.stock["BLANK"] == 1


def test_today_takes_the_dearer_substitute_where_a_later_call_can_take_no_other() -> (
    None
):
    day = days(
        a_call("LATER", dates=(SECOND,), needs=(need("BLANK"),)),
        a_call("NOW", dates=(FIRST,), needs=(need("BLANK", "BETTER"),)),
        parts=(a_part("BLANK"), a_part("BETTER", unit_cost_cents=500)),
        vans=(a_van(stock={"BLANK": 1, "BETTER": 1}),),
    )
    outlook = outlook_of(day)
    assert placed(outlook) == {"NOW": FIRST, "LATER": SECOND}
    today, later = (answer.plan for answer in outlook.answers)
    assert [each.chosen for each in today.issues if each.call_id] == ["BETTER"]
    assert today.routes[0].parts_units == 200 * UNITS_PER_CENT
    assert [each.chosen for each in later.issues if each.call_id] == ["BLANK"]


def test_vans_at_one_place_hand_over_on_every_day() -> None:
    day = days(
        a_call("A", dates=(FIRST,), required_van="V1", needs=(need("BLANK"),)),
        a_call("B", dates=(SECOND,), required_van="V1", needs=(need("BLANK"),)),
        vans=(a_van("V1"), a_van("V2", stock={"BLANK": 2})),
        parts=(a_part("BLANK"),),
        exchange=True,
    )
    outlook = outlook_of(day)
    assert placed(outlook) == {"A": FIRST, "B": SECOND}
    assert [
        (each.call_id, each.from_van)
        for answer in outlook.answers
        for each in answer.plan.issues
    ] == [("A", "V2"), ("B", "V2")]


# --- tools, links -------------------------------------------------------------------


def test_a_shared_tool_is_there_again_the_next_day() -> None:
    day = days(
        a_call("A", equipment=frozenset({"laser"}), **LONG),
        a_call("B", equipment=frozenset({"laser"}), **LONG),
        vans=(a_van("V1", shift=MORNING), a_van("V2", shift=MORNING)),
        tools=(Tool(id="laser"),),
    )
    outlook = outlook_of(day)
    assert sorted(placed(outlook).values()) == [FIRST, SECOND]


def test_a_second_visit_waits_until_the_day_after_with_the_same_van() -> None:
    # The first is over by 8:30; 23 hours later is 7:30, before the shift begins.
    day = days(
        a_call("FIRST", skills=frozenset({"pinning"})),
        a_call("THEN"),
        vans=(a_van("V1"), a_van("V2", skills=frozenset({"pinning"}))),
        links=(Link(first="FIRST", then="THEN", same_van=True, min_gap_s=23 * HOUR_S),),
    )
    outlook = outlook_of(day)
    assert placed(outlook) == {"FIRST": FIRST, "THEN": SECOND}
    assert who(outlook) == {"FIRST": "V2", "THEN": "V2"}


def test_a_call_that_comes_after_one_that_is_left_out_says_so() -> None:
    day = days(
        a_call("FIRST", skills=frozenset({"safes"})),
        a_call("THEN", dates=(SECOND,)),
        links=(Link(first="FIRST", then="THEN"),),
    )
    reasons = {
        entry.call_id: [reason.text for reason in entry.reasons]
        for entry in outlook_of(day).answers[0].plan.unplaced
    }
    assert reasons["THEN"] == [
        f"on {SECOND}: call FIRST comes first, and it is not planned"
    ]
    assert [text[:15] for text in reasons["FIRST"]] == [
        f"on {FIRST}: ",
        f"on {SECOND}: ",
    ]


# --- the next evening -------------------------------------------------------------


def rolled(day: Day, outlook: Outlook) -> Day:
    """Return the next evening's day: today is done, the later days are promised."""
    done = {call_id for call_id, on in placed(outlook).items() if on == day.date}
    starts_s = {
        stop.call_id: stop.start_s
        for answer in outlook.answers
        for route in answer.plan.routes
        for stop in route.stops
    }
    dates = placed(outlook)
    calls = []
    for call in day.calls:
        if call.id in done:
            continue
        if call.id in dates:
            start_s = starts_s[call.id]
            told = replace(window(0, 0), start_s=start_s, end_s=start_s + HOUR_S)
            calls.append(replace(call, promise=told, dates=(dates[call.id],)))
        else:
            calls.append(call)
    return replace(
        day,
        date=day.date + timedelta(days=1),
        horizon=day.horizon - 1,
        calls=tuple(calls),
    )


def test_the_next_evening_keeps_what_was_promised_though_more_calls_come_in() -> None:
    calls = [a_call(f"C{n}", place=at(n, -n), **LONG) for n in range(6)]
    van = a_van(shift=window(8, 13))
    day = days(*calls, vans=(van,), horizon=3)
    tonight = outlook_of(day)
    assert len(set(placed(tonight).values())) == 3  # at most three of them fit a day
    assert len(placed(tonight)) == 6
    next_day = rolled(day, tonight)
    promised = {call.id: call.dates[0] for call in next_day.calls}
    assert promised
    new = tuple(a_call(f"N{n}", place=at(-n, n), **LONG) for n in range(4))
    then = outlook_of(replace(next_day, calls=(*new, *next_day.calls)))
    assert {c: on for c, on in placed(then).items() if c in promised} == promised


# --- the same again -----------------------------------------------------------------


def test_the_same_seed_gives_the_same_outlook() -> None:
    day = generate_day(5, 12, 2, features=frozenset({Feature.DAYS, Feature.LINKS}))
    assert day.links  # searched, not enumerated
    once, again = (plan_days(day, Budget(seed=4, rounds=60)) for _ in range(2))
    assert repr(once) == repr(again)


# --- what the judge of all days finds ---------------------------------------------


SOUND = days(
    a_call("A", dates=(FIRST,), needs=(need("BLANK"),)),
    a_call("B", dates=(SECOND,), windows=(window(9, 12),), needs=(need("BLANK"),)),
    a_call("C", promise=window(8, 9), dates=(SECOND,), needs=(need("LOCK"),)),
    a_call("D", skills=frozenset({"safes"})),
    vans=(a_van("V1", stock={"BLANK": 2}), a_van("V2")),
    parts=(a_part("BLANK"), replace(LOCK, lead_time_s=20 * HOUR_S)),
)


def edited(number: int, edit: Callable[[Answer], Answer]) -> Callable[..., object]:
    """Return a change of one answer."""

    def change(day: Day, outlook: Outlook) -> tuple[Day, Outlook]:
        answers = list(outlook.answers)
        answers[number] = edit(answers[number])
        return day, Outlook(answers=tuple(answers))

    return change


def with_routes(edit: Callable[[Route], Route]) -> Callable[[Answer], Answer]:
    return lambda answer: replace(
        answer,
        plan=replace(answer.plan, routes=tuple(map(edit, answer.plan.routes))),
    )


def earlier(route: Route) -> Route:
    stops = tuple(
        replace(stop, start_s=stop.start_s - 2 * HOUR_S) for stop in route.stops
    )
    return replace(route, stops=stops)


def asked(**changes: object) -> Callable[..., object]:
    """Return a change of the question, the answer left as it is."""
    return lambda day, outlook: (replace(day, **changes), outlook)


def calls_asked(call_id: str, **changes: object) -> Callable[..., object]:
    return asked(
        calls=tuple(
            replace(call, **changes) if call.id == call_id else call  # type: ignore[arg-type]
            for call in SOUND.calls
        )
    )


def vans_asked(**changes: object) -> Callable[..., object]:
    first, *others = SOUND.vans
    changed: Van = replace(first, **changes)  # type: ignore[arg-type]
    return asked(vans=(changed, *others))


FAULTS: dict[str, tuple[Rule, Callable[..., object]]] = {
    "a call is served on two days": (
        Rule.COVER,
        lambda day, outlook: (
            replace(day, calls=tuple(replace(c, dates=()) for c in day.calls[:2])),
            Outlook(
                answers=(
                    outlook.answers[0],
                    replace(
                        outlook.answers[0],
                        day=replace(outlook.answers[0].day, date=SECOND),
                    ),
                )
            ),
        ),
    ),
    "a call is nowhere": (
        Rule.COVER,
        edited(0, lambda a: replace(a, plan=replace(a.plan, unplaced=()))),
    ),
    "a day is planned that nobody asked for": (Rule.COVER, asked(horizon=1)),
    "a call is served on a date on which it may not be": (
        Rule.WINDOW,
        calls_asked("A", dates=(SECOND,)),
    ),
    "a call is served at an hour at which nobody is there": (
        Rule.WINDOW,
        calls_asked("B", windows=(window(15, 17),)),
    ),
    "a promise is broken": (Rule.PROMISE, calls_asked("C", promise=window(6, 7))),
    "a code is not there yet": (
        Rule.READY,
        lambda day, outlook: (
            replace(
                day,
                calls=tuple(
                    replace(c, ready=(code(60),)) if c.id == "B" else c
                    for c in day.calls
                ),
            ),
            outlook,
        ),
    ),
    "a van goes out that is off": (Rule.SHIFT, vans_asked(off=frozenset({SECOND}))),
    "a piece is given twice": (Rule.STOCK, vans_asked(stock={"BLANK": 1})),
    "a piece is neither there nor ordered": (
        Rule.STOCK,
        edited(0, lambda answer: replace(answer, purchases=())),
    ),
    "a piece is ordered and comes too late": (
        Rule.STOCK,
        edited(
            0,
            lambda answer: replace(
                answer,
                purchases=tuple(
                    replace(each, lead_time_s=39 * HOUR_S)
                    if each.purpose is Purpose.CALL
                    else each
                    for each in answer.purchases
                ),
            ),
        ),
    ),
    "a second visit comes too early": (
        Rule.LINK,
        asked(links=(Link(first="A", then="B", min_gap_s=48 * HOUR_S),)),
    ),
    "a second visit comes too late": (
        Rule.LINK,
        asked(links=(Link(first="A", then="B", max_gap_s=HOUR_S),)),
    ),
    "a second visit comes before the first": (
        Rule.LINK,
        asked(links=(Link(first="B", then="A"),)),
    ),
    "the first visit is left out": (
        Rule.LINK,
        asked(links=(Link(first="D", then="B"),)),
    ),
}


@pytest.fixture(scope="module")
def sound() -> Outlook:
    outlook = outlook_of(SOUND)
    assert placed(outlook) == {"A": FIRST, "B": SECOND, "C": SECOND}
    assert who(outlook)["A"] == "V1"
    return outlook


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_between_the_days_is_found_alone(fault: str, sound: Outlook) -> None:
    rule, change = FAULTS[fault]
    found = judge_outlook(*change(SOUND, sound))  # type: ignore[misc]
    assert {violation.rule for violation in found} == {rule}, "\n".join(map(str, found))


def test_a_visit_before_its_window_by_the_clock_is_found(sound: Outlook) -> None:
    _, outlook = edited(1, with_routes(earlier))(SOUND, sound)  # type: ignore[misc]
    rules = {violation.rule for violation in judge_outlook(SOUND, outlook)}
    assert rules == {Rule.WINDOW, Rule.PROMISE}
