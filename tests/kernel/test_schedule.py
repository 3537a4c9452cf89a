"""The compiled timing of one route against the plain one, second by second."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from itertools import product
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dispatch.generator import ALL
from dispatch.problem import (
    BROKEN,
    CALL,
    DRIVE_MAX,
    LENGTH,
    MEAL_HI,
    MEAL_LENGTH,
    MEAL_LO,
    NEVER,
    TWIN,
    UNITS,
    WINDOW,
    WINDOWS,
    WORK_MAX,
    Problem,
    assemble,
    plain_needs,
    restock_stores,
    store_node,
)
from dispatch.rules import judge
from dispatch.search.schedule import (
    BACK,
    FREE_DUE,
    LATE,
    LATEST_DONE,
    LATEST_DUE,
    METRES,
    MONEY,
    STOPS,
    arrive,
    arrive_by,
    done_at,
    earliest,
    leave_by,
    rest_by,
    rested,
    time_route,
    within_limits,
)
from dispatch.timetable import Task, lay_out
from dispatch.travel.profile import arrive_s, depart_latest_s
from shared.model import (
    Break,
    Plan,
    Proof,
    ReadyItem,
    ReadyKind,
    Reason,
    Rule,
    Status,
    StopKind,
    Traffic,
    Unplaced,
    Van,
    Window,
)
from tests.builders import a_call, a_day, a_van
from tests.kernel.days import INTERPRETED, Case, case_of, cases, fewer, task_of, timed
from tests.oracle import slow_schedule as slow

DAY_S = 86_400
seconds = st.integers(0, 2 * DAY_S)
traffics = st.builds(
    Traffic,
    slot_s=st.integers(1, 7200),
    speed_permille=st.lists(st.integers(50, 2000), min_size=1, max_size=30).map(tuple),
)
unhurried = settings(deadline=None, max_examples=fewer(200, 80), derandomize=True)


def a_drive(
    traffic: Traffic = Traffic(),  # noqa: B008 - frozen
    base_s: int = 0,
    windows: tuple[tuple[int, int], ...] = (),
    length_s: int = 0,
    meal: tuple[int, int, int] = (0, 0, 0),
) -> Problem:
    """Return two calls so far apart, the first with windows, and one van's meal."""
    calls = np.zeros((2, WINDOW + 2 * max(1, len(windows))), np.int64)
    calls[0, LENGTH], calls[0, WINDOWS] = length_s, len(windows)
    for index, (low, high) in enumerate(windows):
        calls[0, WINDOW + 2 * index : WINDOW + 2 * index + 2] = low, high
    vans = np.zeros((1, TWIN + 1), np.int64)
    vans[0, MEAL_LO], vans[0, MEAL_HI], vans[0, MEAL_LENGTH] = meal
    base = np.array([[0, base_s], [base_s, 0]], np.int64)
    no_rows = np.zeros((0, 2), np.int64)
    return assemble(
        base_s=base,
        distance_m=base,
        traffic=traffic,
        calls=calls,
        vans=vans,
        allowed=np.ones((1, 2), np.uint8),
        needs=plain_needs((no_rows, no_rows, no_rows), np.zeros((2, 1), np.int64)),
    )


def test_the_kernel_runs_as_this_run_says_compiled_or_interpreted() -> None:
    assert hasattr(time_route, "py_func") is not INTERPRETED


# --- one drive ---------------------------------------------------------------


@unhurried
@given(traffic=traffics, depart_s=seconds, base_s=st.integers(0, 40_000))
def test_a_drive_ends_when_the_plain_profile_says(
    traffic: Traffic, depart_s: int, base_s: int
) -> None:
    problem = a_drive(traffic, base_s)
    assert arrive(problem, depart_s, 0, 1) == arrive_s(traffic, depart_s, base_s)
    assert arrive(problem, depart_s, 0, 1) == slow.walk_s(traffic, depart_s, base_s)


@unhurried
@given(traffic=traffics, depart_s=seconds, base_s=st.integers(0, 40_000))
def test_no_drive_ends_before_the_quick_answer_which_is_the_fastest_slots(
    traffic: Traffic, depart_s: int, base_s: int
) -> None:
    quick_s = earliest(a_drive(traffic, base_s), depart_s, 0, 1)
    assert quick_s <= arrive_s(traffic, depart_s, base_s)
    fastest = Traffic(speed_permille=(max(traffic.speed_permille),))
    # Its share of free flow is rounded down to 1/1024, and each of two times once.
    assert arrive_s(fastest, depart_s, base_s) - quick_s <= 2 + base_s // 1024


@unhurried
@given(traffic=traffics, limit_s=seconds, base_s=st.integers(0, 40_000))
def test_the_latest_departure_is_in_time_and_one_second_later_is_not(
    traffic: Traffic, limit_s: int, base_s: int
) -> None:
    problem = a_drive(traffic, base_s)
    latest_s = leave_by(problem, limit_s, 0, 1)
    plain_s = depart_latest_s(traffic, limit_s, base_s)
    assert max(latest_s, -1) == (-1 if plain_s is None else plain_s)
    if latest_s >= 0:
        assert arrive(problem, latest_s, 0, 1) <= limit_s
    assert arrive(problem, max(latest_s, -1) + 1, 0, 1) > limit_s


@pytest.mark.parametrize("ends", [(-1, 0), (0, -1), (-1, -1)])
def test_from_and_to_anywhere_nothing_is_driven(ends: tuple[int, int]) -> None:
    problem = a_drive(base_s=600)
    assert arrive(problem, 30_000, *ends) == 30_000
    assert earliest(problem, 30_000, *ends) == 30_000
    assert leave_by(problem, 30_000, *ends) == 30_000


def test_who_is_never_free_never_arrives() -> None:
    assert arrive(a_drive(base_s=600), NEVER, 0, 1) == NEVER


# --- one visit, one break ----------------------------------------------------


@st.composite
def spans(draw: st.DrawFn) -> tuple[tuple[int, int], ...]:
    """Draw up to three spans in order, without overlap."""
    ends = draw(st.lists(st.integers(0, 3000), unique=True, max_size=6).map(sorted))
    return tuple(zip(ends[::2], ends[1::2], strict=False))


@unhurried
@given(
    windows=spans(),
    length_s=st.integers(0, 900),
    arrive_at_s=st.integers(0, 4000),
    limit_s=st.integers(-1, 5000),
)
def test_a_visit_is_done_in_time_exactly_when_the_van_comes_in_time(
    windows: tuple[tuple[int, int], ...], length_s: int, arrive_at_s: int, limit_s: int
) -> None:
    problem = a_drive(windows=windows, length_s=length_s)
    in_time = done_at(problem, 0, arrive_at_s) <= limit_s
    assert in_time == (arrive_at_s <= arrive_by(problem, 0, limit_s))


@unhurried
@given(
    windows=spans(),
    promise=st.none()
    | st.tuples(st.integers(0, 3000), st.integers(0, 3000)).map(sorted),
    lead_s=st.integers(0, 3000),
    arrive_at_s=st.integers(0, 4000),
)
def test_a_visit_starts_when_availability_promise_and_readiness_all_allow(
    windows: tuple[tuple[int, int], ...],
    promise: list[int] | None,
    lead_s: int,
    arrive_at_s: int,
) -> None:
    call = a_call(
        windows=tuple(Window(start_s=low, end_s=high) for low, high in windows),
        promise=promise and Window(start_s=promise[0], end_s=promise[1]),
        ready=(ReadyItem(kind=ReadyKind.CODE, lead_time_s=lead_s),),
        median_s=300,
        p90_s=300,
    )
    day = a_day(call, planned_at_s=-600)
    start_s = slow.first_start_s(day, call, arrive_at_s)
    done_s = done_at(case_of(day).problem, 0, arrive_at_s)
    assert done_s == (NEVER if start_s is None else start_s + 300)


@unhurried
@given(
    first_s=st.integers(0, 2000),
    spare_s=st.integers(0, 2000),
    length_s=st.integers(1, 900),
    free_s=st.integers(0, 5000),
    limit_s=st.integers(-1, 6000),
)
def test_a_break_is_over_in_time_exactly_when_the_van_is_free_in_time(
    first_s: int, spare_s: int, length_s: int, free_s: int, limit_s: int
) -> None:
    problem = a_drive(meal=(first_s, first_s + spare_s, length_s))
    over_s = rested(problem, 0, free_s)
    assert (over_s <= limit_s) == (free_s <= rest_by(problem, 0, limit_s))
    if free_s <= first_s + spare_s:
        assert over_s == max(free_s, first_s) + length_s
    else:
        assert over_s == NEVER


# --- whole routes ------------------------------------------------------------


class Drawn(NamedTuple):
    """One route that may or may not work."""

    case: Case
    van: int
    order: tuple[int, ...]

    @property
    def call_ids(self) -> tuple[str, ...]:
        return tuple(self.case.day.calls[call].id for call in self.order)


def routes(days: int, per_van: int) -> Iterator[Drawn]:
    """Draw routes of one to five calls; half of them in the order of their windows."""
    chance = np.random.default_rng(1)
    for case in cases(days, 7, 2):
        closing = case.problem.visits[:, WINDOW + 1]
        for van in range(2):
            for _ in range(per_van):
                order = chance.permutation(7)[: chance.integers(1, 6)]
                if chance.random() < 0.5:
                    order = order[np.argsort(closing[order], kind="stable")]
                yield Drawn(case, van, tuple(order.tolist()))


def test_every_route_is_timed_as_the_slow_clock_times_it() -> None:
    worked = failed = rest = 0
    for drawn in routes(fewer(150, 30), 10):
        (day, travel, problem), van, order = drawn
        works, found = timed(problem, van, order)
        expected = slow.time_route(day, travel, day.vans[van], drawn.call_ids)
        assert works == (expected is not None)
        if expected is None:
            failed += 1
            continue
        worked += 1
        rest += any(stop.call_id is None for stop in expected.stops)
        rates = day.vans[van].rates
        overtime_s = max(0, expected.finish_s - day.vans[van].shift.end_s)
        time_s = expected.finish_s - day.vans[van].paid_s
        assert found.facts[van, BACK] == expected.finish_s
        assert found.facts[van, MONEY] == (
            18 * rates.km_cents * expected.distance_m
            + 5 * rates.hour_cents * time_s
            + 5 * rates.overtime_hour_cents * overtime_s
        )
        assert found.place_of[list(order)].tolist() == list(range(len(order)))
        assert set(found.van_of[list(order)].tolist()) == {van}
    assert min(worked, failed, rest) > fewer(50, 10)  # all three were met, and often


def test_the_free_times_with_the_break_still_due_are_those_of_driving_on() -> None:
    seen = 0
    for drawn in routes(100, 4):
        (day, travel, problem), van, order = drawn
        if day.vans[van].meal is None:
            continue
        _, found = timed(problem, van, order)
        now_s: int | None = day.vans[van].shift.start_s
        node = "" if day.vans[van].start is None else f"start:{day.vans[van].id}"
        for place, call_id in enumerate(drawn.call_ids):
            base_s, _ = slow.leg_of(travel, node or None, f"call:{call_id}")
            node = f"call:{call_id}"
            call = next(call for call in day.calls if call.id == call_id)
            if now_s is not None:
                now_s = slow.walk_s(travel.traffic, now_s, base_s)
                start_s = slow.first_start_s(day, call, now_s)
                now_s = None if start_s is None else start_s + day.planned_s(call)
            label_s = found.labels[van, place + 1, FREE_DUE]
            assert label_s == (NEVER if now_s is None else now_s)
            seen += now_s is not None
    assert seen > 50


# --- ways of doing calls, stops at stores, limits --------------------------------


class Full(NamedTuple):
    """A route of visits and stops on a day with everything."""

    case: Case
    van: int
    visits: tuple[int, ...]

    @property
    def tasks(self) -> list[Task]:
        """The same as the plain clock wants it."""
        return [
            task_of(self.case.day, self.case.problem.visits, visit)
            for visit in self.visits
        ]


def full_routes(days: int, per_van: int) -> Iterator[Full]:
    """Draw routes of up to six visits; half of them in the order of their windows."""
    chance = np.random.default_rng(2)
    for case in cases(days, 8, 2, features=ALL):
        problem = case.problem
        for van in range(2):
            able = np.flatnonzero(problem.allowed[van])
            for _ in range(per_van):
                seen: dict[int, int] = {}
                for visit in chance.permutation(able)[:6].tolist():
                    seen.setdefault(int(problem.visits[visit, CALL]), visit)
                visits = list(seen.values())
                if chance.random() < 0.6:
                    visits.sort(key=lambda row: problem.visits[row, WINDOW + 1])
                yield Full(case, van, tuple(visits))


def rests(van: Van, steps: int) -> Iterator[slow.Rest | None]:
    """Return every place for the break on a route of so many steps."""
    yield None
    if van.meal is not None:
        for leg, at_street in product(range(steps + 1), (False, True)):
            yield slow.Rest(leg, at_street)


def test_a_route_of_visits_and_stops_is_timed_as_the_slow_clock_times_it() -> None:
    # Paces, broken promises, preferences and stores: each visit as it is written.
    seen = Counter[str]()
    for drawn in full_routes(fewer(80, 8), 8):
        (day, travel, problem), van, visits = drawn
        works, found = timed(problem, van, visits)
        steps: list[str] = []
        chosen: list[slow.Mode | None] = []
        for visit in visits:
            call = problem.visits[visit, CALL]
            if call >= problem.call_count:
                store = restock_stores(day)[call - problem.call_count]
                steps.append(store_node(day, store))
                chosen.append(None)
                continue
            steps.append(f"call:{day.calls[call].id}")
            units = int(problem.visits[visit, UNITS])
            (mode,) = (
                mode
                for mode in slow.modes_of(day, day.vans[van], day.calls[call])
                if mode.price.units == units
                and any(mode.price.broken) == (problem.visits[visit, BROKEN] > 0)
            )
            chosen.append(mode)
        free = replace(day.vans[van], drive_limit_s=None, work_limit_s=None)
        every = [
            slow.time_variant(
                day, travel, free, steps, slow.Variant(tuple(chosen), rest)
            )
            for rest in rests(free, len(steps))
        ]
        first_back = min(
            (one for one in every if one is not None),
            key=lambda one: one.finish_s,
            default=None,
        )
        assert works == (first_back is not None)
        if first_back is None:
            seen["too late"] += 1
            continue
        assert found.facts[van, BACK] == first_back.finish_s
        assert found.facts[van, MONEY] == first_back.price.units
        assert found.facts[van, METRES] == first_back.distance_m
        assert (found.facts[van, LATE] > 0) == any(first_back.price.broken)
        assert found.facts[van, STOPS] == chosen.count(None)
        route = lay_out(day, travel, free, drawn.tasks)
        assert route is not None
        assert route.cost_units == found.facts[van, MONEY]
        seen["late"] += any(first_back.price.broken)
        seen["stop"] += None in chosen
        seen["works"] += 1
    assert min(seen[word] for word in ("too late", "late", "stop", "works")) > fewer(
        50, 5
    ), seen


def test_what_keeps_the_limits_for_the_search_keeps_them_written_out() -> None:
    # Limits are drawn close to what each route takes: just enough and just too little.
    chance = np.random.default_rng(4)
    passed = refused = strict = 0
    for drawn in full_routes(fewer(60, 10), 8):
        (day, travel, problem), van, visits = drawn
        works, found = timed(problem, van, visits)
        free = replace(day.vans[van], drive_limit_s=None, work_limit_s=None)
        route = lay_out(day, travel, free, drawn.tasks)
        assert works == (route is not None)
        if route is None:
            continue
        work_s = route.finish_s - route.leave_s
        work_s -= sum(
            stop.finish_s - stop.start_s
            for stop in route.stops
            if stop.kind is StopKind.BREAK
        )
        for drive_s, most_work_s in (
            (route.drive_s, None),
            (None, work_s),
            (route.drive_s + int(chance.integers(-600, 300)), None),
            (None, work_s + int(chance.integers(-1800, 600))),
        ):
            limits = [max(1, drive_s or 0), max(1, most_work_s or 0)]
            limits = [
                limit * (given is not None)
                for limit, given in zip(limits, (drive_s, most_work_s), strict=True)
            ]
            vans = problem.vans.copy()
            vans[van, [DRIVE_MAX, WORK_MAX]] = limits
            driver = replace(
                free, drive_limit_s=limits[0] or None, work_limit_s=limits[1] or None
            )
            written = lay_out(day, travel, driver, drawn.tasks)
            if within_limits(problem._replace(vans=vans), found, van):
                passed += 1
                assert written is not None
                assert written.cost_units == found.facts[van, MONEY]
            else:
                refused += 1
                strict += written is not None
    assert min(passed, refused) > fewer(150, 20)
    # It may be stricter: where the break could be at two places, both must do.
    assert strict < refused / 2


class Rest(NamedTuple):
    """What is left of a route, tried out without any labels."""

    drawn: Drawn

    def works(self, place: int, arrive_at_s: int, *, due: bool) -> bool:
        """Return whether arriving there at that second still comes out right."""
        (day, travel, _), row, order = self.drawn
        van = day.vans[row]
        if place == len(order):
            back = arrive_at_s <= van.shift.end_s + van.overtime_limit_s
            return back and not (
                due and van.meal and slow.rest_s(van.meal, arrive_at_s) is None
            )
        if due and van.meal:  # the break on arrival
            start_s = slow.rest_s(van.meal, arrive_at_s)
            if start_s is not None and self.works(
                place, start_s + van.meal.length_s, due=False
            ):
                return True
        call = day.calls[order[place]]
        start_s = slow.first_start_s(day, call, arrive_at_s)
        if start_s is None:
            return False
        done_s = start_s + day.planned_s(call)
        target = None if van.finish is None else f"finish:{van.id}"
        if place + 1 < len(order):
            target = f"call:{day.calls[order[place + 1]].id}"
        base_s, _ = slow.leg_of(travel, f"call:{call.id}", target)
        next_s = slow.walk_s(travel.traffic, done_s, base_s)
        if self.works(place + 1, next_s, due=due):
            return True
        rest_s = slow.rest_s(van.meal, done_s) if due and van.meal else None
        if rest_s is None or van.meal is None:
            return False
        next_s = slow.walk_s(travel.traffic, rest_s + van.meal.length_s, base_s)
        return self.works(place + 1, next_s, due=False)


def test_arriving_at_the_latest_second_works_and_one_second_later_does_not() -> None:
    possible = {LATEST_DUE: 0, LATEST_DONE: 0}
    for drawn in routes(fewer(100, 20), 5):
        _, found = timed(drawn.case.problem, drawn.van, drawn.order)
        meal = drawn.case.day.vans[drawn.van].meal
        for column in (LATEST_DUE, LATEST_DONE) if meal else (LATEST_DONE,):
            due = column == LATEST_DUE
            for place in range(len(drawn.order) + 1):
                latest_s = int(found.labels[drawn.van, place, column])
                if latest_s >= 0:
                    assert Rest(drawn).works(place, latest_s, due=due)
                    possible[column] += 1
                after_s = max(latest_s, -1) + 1
                assert not Rest(drawn).works(place, after_s, due=due)
    assert min(possible.values()) > fewer(200, 30)


def test_a_written_out_route_costs_what_the_search_and_the_judge_say() -> None:
    worked = 0
    for drawn in routes(fewer(80, 10), 10):
        (day, travel, problem), van, order = drawn
        works, found = timed(problem, van, order)
        route = lay_out(day, travel, day.vans[van], drawn.call_ids)
        assert works == (route is not None)
        if route is None:
            continue
        worked += 1
        assert route.cost_units == found.facts[van, MONEY]
        assert route.finish_s == found.facts[van, BACK]
        # Only time and money are asked here: who may go and with what parts is not.
        driver = replace(
            day.vans[van],
            skills=frozenset().union(*(call.skills for call in day.calls)),
            equipment=frozenset().union(*(call.equipment for call in day.calls)),
        )
        bare = replace(
            day,
            vans=(driver,),
            calls=tuple(
                replace(call, needs=(), required_van=None) for call in day.calls
            ),
        )
        plan = Plan(
            routes=(route,),
            issues=(),
            unplaced=tuple(
                Unplaced(call_id=call.id, reasons=(Reason(rule=Rule.ROOM, text="-"),))
                for call in day.calls
                if call.id not in drawn.call_ids
            ),
            status=Status(proof=Proof.BEST_FOUND),
        )
        assert judge(bare, travel, plan) == ()
    assert worked > fewer(100, 15)


def test_who_is_back_at_the_last_moment_of_the_break_needs_no_stop_for_it() -> None:
    # At the shop's door: 8:00-8:30 and back at 8:30. A break of 20 minutes that can
    # start until 8:30 is taken then; if it can start until 8:29:59 only, it comes
    # first or last, and the van is back at 8:50.
    for last_s, back_s in ((30_600, 30_600), (30_599, 31_800)):
        meal = Break(window=Window(start_s=28_800, end_s=last_s + 1200), length_s=1200)
        problem = case_of(a_day(a_call(), vans=(a_van(meal=meal),))).problem
        works, found = timed(problem, 0, (0,))
        assert works
        assert found.facts[0, BACK] == back_s
