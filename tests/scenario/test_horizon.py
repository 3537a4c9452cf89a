"""Several days against trying every date for every call, and judged together."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from functools import cache
from itertools import product
from pathlib import Path
from random import Random

import pytest

from dispatch.generator import Feature, generate_day
from dispatch.horizon import DELAY_CENTS, plan_days
from dispatch.planner import Budget
from dispatch.rules import judge, judge_outlook
from dispatch.scenario import read_scenario
from dispatch.stock import leave_over
from dispatch.travel import travel_table
from shared.model import Call, Day, Outlook, Van
from shared.units import UNITS_PER_CENT
from tests.builders import a_call, a_day, a_part, a_van, at, need, window
from tests.oracle.brute_force import best_plan_goal

FIRST = date(2026, 11, 26)  # a Thursday in winter: every day has 24 hours
DATES = (FIRST, FIRST + timedelta(days=1))
DAY_S = 24 * 3600
SEEDS = 60
EVERY = frozenset(Feature) - {Feature.STANDING}  # no plan runs yet on days to come
ANY_DAYS = 60

Goal = tuple[int, ...]


# --- every date for every call ------------------------------------------------


def two_days(seed: int) -> Day:
    """Invent two days of at most four calls, often too many for the vans."""
    dice = Random(seed)  # noqa: S311 - chance, not secrets
    vans = tuple(
        a_van(
            f"V{number}",
            shift=window(8, dice.choice((10, 12, 15))),
            off=frozenset({dice.choice(DATES)}) if dice.random() < 0.3 else frozenset(),
            stock={"BLANK": dice.randrange(2)},
        )
        for number in range(dice.choice((1, 2)))
    )
    return a_day(
        *(invented_call(dice, number, vans) for number in range(dice.choice((3, 4)))),
        vans=vans,
        parts=(a_part("BLANK"), a_part("OTHER", unit_cost_cents=800)),
        shop={"BLANK": dice.randrange(3), "OTHER": dice.randrange(2)},
        date=FIRST,
        horizon=2,
    )


def invented_call(dice: Random, number: int, vans: tuple[Van, ...]) -> Call:
    length_s = dice.choice((1800, 3600, 7200))
    opens = dice.choice((8, 9, 11))
    promise = window(opens, opens + 2) if dice.random() < 0.25 else None
    dates: tuple[date, ...] = ()
    if promise is not None or dice.random() < 0.4:
        dates = (dice.choice(DATES),)
    return a_call(
        f"C{number}",
        place=at(dice.uniform(-9, 9), dice.uniform(-9, 9)),
        median_s=length_s,
        p90_s=length_s,
        windows=() if dice.random() < 0.5 else (window(8, opens + 4),),
        promise=promise,
        dates=dates,
        priority=dice.choice((1, 2, 2, 3, 4)),
        required_van=dice.choice(vans).id if dice.random() < 0.2 else None,
        needs=dice.choice(((), (need("BLANK"),), (need("BLANK", "OTHER"),))),
    )


def on_its_own(day: Day, number: int, calls: tuple[Call, ...]) -> Day:
    """Return one of the dates with some of the calls, all pieces still there."""
    on = DATES[number]
    return replace(
        day,
        date=on,
        horizon=1,
        planned_at_s=day.planned_at_s - number * DAY_S,
        calls=tuple(replace(call, dates=()) for call in calls),
        vans=tuple(van for van in day.vans if on not in van.off),
    )


def outlook_goal(day: Day, placed: dict[str, int], units: int) -> Goal:
    """Return what is left out, promised calls first, and the cost with delays."""
    left = Counter(
        (call.promise is None, call.priority)
        for call in day.calls
        if call.id not in placed
    )
    units += sum(
        placed[call.id] * DELAY_CENTS[call.priority] * UNITS_PER_CENT
        for call in day.calls
        if call.id in placed
    )
    ranks = product((False, True), (1, 2, 3, 4))
    return (*(left[rank] for rank in ranks), units)


def best_goal(day: Day) -> Goal:
    """Return the best of all ways to give each call a date, or none."""

    @cache
    def cost(number: int, ids: frozenset[str]) -> int | None:
        calls = tuple(call for call in day.calls if call.id in ids)
        alone = on_its_own(day, number, calls)
        goal = best_plan_goal(alone, travel_table(alone))
        return None if any(goal[:-1]) else goal[-1]

    goals = []
    for choice in product(*(dates_of(call) for call in day.calls)):
        placed = {
            call.id: number
            for call, number in zip(day.calls, choice, strict=True)
            if number is not None
        }
        units = [
            cost(number, frozenset(c for c, on in placed.items() if on == number))
            for number in (0, 1)
        ]
        known = [each for each in units if each is not None]
        if len(known) == 2:
            goals.append(outlook_goal(day, placed, sum(known)))
    return min(goals)


def dates_of(call: Call) -> Iterator[int | None]:
    yield None
    for number, on in enumerate(DATES):
        if on in (call.dates or DATES):
            yield number


def placed_on(outlook: Outlook) -> dict[str, int]:
    return {
        call_id: (answer.day.date - FIRST).days
        for answer in outlook.answers
        for route in answer.plan.routes
        for call_id in route.call_ids
    }


@pytest.mark.slow
def test_no_other_dates_for_the_calls_of_two_days_are_better() -> None:
    """Without parts: each date is then its own matter."""
    seen = Counter[str]()
    for seed in range(SEEDS):
        day = two_days(seed)
        day = replace(day, calls=tuple(replace(call, needs=()) for call in day.calls))
        outlook = plan_days(day)
        placed = placed_on(outlook)
        units = sum(answer.plan.cost_units for answer in outlook.answers)
        assert outlook_goal(day, placed, units) == best_goal(day), f"seed {seed}"
        seen["second day"] += 1 in placed.values()
        seen["left out"] += len(placed) < len(day.calls)
        seen["both days"] += len(set(placed.values())) == 2
    assert min(seen.values()) >= SEEDS // 6, seen
    assert len(seen) == 3


@pytest.mark.slow
def test_scarce_parts_make_two_days_no_better_than_plenty_and_never_wrong() -> None:
    """With parts: what each date could have alone bounds what both can have."""
    worse = 0
    for seed in range(SEEDS):
        day = two_days(seed)
        outlook = plan_days(day)
        assert judge_outlook(day, outlook) == (), f"seed {seed}"
        units = sum(answer.plan.cost_units for answer in outlook.answers)
        found, bound = outlook_goal(day, placed_on(outlook), units), best_goal(day)
        assert found >= bound, f"seed {seed}"
        worse += found > bound
    assert 0 < worse < SEEDS // 2, worse


# --- any days at all --------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(
    "features", [frozenset({Feature.DAYS}), EVERY], ids=["days alone", "all there is"]
)
def test_the_judges_find_nothing_on_invented_days(features: frozenset[Feature]) -> None:
    seen = Counter[str]()
    for seed in range(ANY_DAYS):
        day = generate_day(seed, 3 + seed % 8, 1 + seed % 3, features=features)
        outlook = plan_days(day, Budget(rounds=40))
        assert judge_outlook(day, outlook) == ()
        for answer in outlook.answers:
            assert judge(answer.day, travel_table(answer.day), answer.plan) == ()
        first, *later = outlook.answers
        seen["later days"] += bool(later)
        seen["left out"] += bool(first.plan.unplaced)
        placed = {c.id for answer in later for c in answer.day.calls}
        seen["ordered"] += any(placed & {*p.call_ids} for p in first.purchases)
    assert min(seen.values()) >= ANY_DAYS // 20, seen
    assert len(seen) == 3


# --- the next evening ----------------------------------------------------------------


DEMO = Path(__file__).parents[2] / "demo_scenarios" / "three_days"


def test_the_next_evening_keeps_the_demos_later_days() -> None:
    day = read_scenario(DEMO)
    tonight = plan_days(day, Budget(rounds=1000))
    first, *later = tonight.answers
    told = {
        stop.call_id: (answer.day.date, stop.start_s)
        for answer in later
        for route in answer.plan.routes
        for stop in route.stops
        if stop.call_id is not None
    }
    done = {call_id for route in first.plan.routes for call_id in route.call_ids}
    calls = tuple(
        replace(
            call,
            ready=(),  # seen to by now
            dates=(told[call.id][0],),
            promise=call.promise
            or replace(
                window(0, 0),
                start_s=told[call.id][1],
                end_s=told[call.id][1] + 3600,
            ),
        )
        for call in day.calls
        if call.id not in done
    )
    bought = {each.part_id: each.quantity for each in first.purchases}
    assert bought == {"LOCK-77": 1}
    used = [issue for issue in first.plan.issues if issue.call_id is not None]
    left = leave_over(day, used)
    left.shop["LOCK-77"] += 1
    following = replace(
        day,
        date=later[0].day.date,
        horizon=2,
        planned_at_s=-7 * 3600,  # 17:00 again
        calls=calls,
        vans=tuple(replace(van, stock=left.vans[van.id]) for van in day.vans),
        shop=replace(day.shop, stock=left.shop),
        links=(),  # the first of the two visits is done
    )
    new = tuple(
        replace(call, id=f"new {call.id}", dates=(), promise=None, priority=1)
        for call in calls[:3]
    )
    again = plan_days(replace(following, calls=(*new, *calls)), Budget(rounds=1000))
    then = {
        stop.call_id: (answer.day.date, stop.start_s)
        for answer in again.answers
        for route in answer.plan.routes
        for stop in route.stops
    }
    for call in calls:
        on, start_s = then[call.id]
        assert on == told[call.id][0]
        assert call.promise is not None
        assert call.promise.start_s <= start_s <= call.promise.end_s
