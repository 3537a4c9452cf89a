"""One call tried everywhere at once, against one route laid out after the other."""

from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from dispatch.generator import Feature, generate_day
from dispatch.problem import CALL, NEXT, WINDOW, WINDOWS, start_windows
from dispatch.reach import able_vans
from dispatch.search.schedule import SIZE, Routes, empty_routes
from dispatch.search.trial import (
    BREAKS,
    COST,
    LONG,
    MOVES,
    OMITS,
    PLACE,
    RETURNS,
    STARTS,
    VAN,
    Trials,
    new_trials,
    seat,
    try_everywhere,
)
from dispatch.timetable import Task, lay_out
from shared.model import Day, Route, Stop
from tests.kernel.days import Case, case_of, fewer, searched

FEATURES = (
    frozenset[Feature](),
    frozenset({Feature.PROMISES, Feature.PREFERENCES}),
    frozenset({Feature.PROMISES, Feature.PACE}),
)


class Trial(NamedTuple):
    """What comes of the call at one place."""

    starts_s: int
    returns_s: int
    moves: int
    breaks: int
    cost_units: int


def a_day(seed: int) -> Day:
    """Return a day without parts, which are a matter of other tests."""
    day = generate_day(
        seed, 5 + seed % 4, 1 + seed % 3, ease=0.5, features=FEATURES[seed % 3]
    )
    # The one that is tried is promised nothing, as somebody is who has just rung.
    calls = tuple(
        replace(call, needs=())
        if row != tried(seed, day)
        else replace(call, needs=(), promise=None, preference=None)
        for row, call in enumerate(day.calls)
    )
    return replace(day, calls=calls, promises_may_break=True)


def tried(seed: int, day: Day) -> int:
    """Return the row of the call that is tried."""
    return seed % len(day.calls)


def route_of(
    case: Case, van: int, calls: list[int], since_s: dict[int, int]
) -> Route | None:
    """Return a van's route in plain code, no call sooner than it stands."""
    day, out = case.day, case.day.vans[van]
    tasks = []
    for row in calls:
        low_s = since_s.get(row, 0)
        spans = start_windows(day, day.calls[row], out, late=True)
        cut = tuple((max(low, low_s), high) for low, high in spans if high >= low_s)
        tasks.append(Task(call_id=day.calls[row].id, spans=cut))
    return lay_out(day, case.travel, out, tasks) if tasks else None


def stops_of(day: Day, route: Route | None) -> dict[int, Stop]:
    """Return the visits of a route by the call's row."""
    rows = {call.id: row for row, call in enumerate(day.calls)}
    stops = () if route is None else route.stops
    return {rows[stop.call_id]: stop for stop in stops if stop.call_id is not None}


def units_of(route: Route | None) -> int:
    if route is None:
        return 0
    return route.drive_units + route.time_units + route.overtime_units


def visit_at(case: Case, van: int, row: int, start_s: int) -> int:
    """Return the visit by which a call starts at a second."""
    problem, visit = case.problem, row
    while True:
        cells = problem.visits[visit, WINDOW:][: 2 * problem.visits[visit, WINDOWS]]
        inside = (cells[::2] <= start_s) & (start_s <= cells[1::2])
        if problem.allowed[van, visit] and inside.any():
            return visit
        visit = int(problem.visits[visit, NEXT])


def stand(case: Case, without: int) -> tuple[Routes, list[list[int]]] | None:
    """Return what a short search leaves standing once a call is taken out."""
    found = searched(case.problem, 30).best
    routes, orders = empty_routes(case.problem), []
    for van in range(len(case.day.vans)):
        visits = found.order[van, : found.facts[van, SIZE]]
        calls = case.problem.visits[visits, CALL].tolist()
        orders.append([row for row in calls if row != without])
        stops = stops_of(case.day, route_of(case, van, orders[-1], {}))
        if len(stops) < len(orders[-1]):
            return None  # the search has it start late, and a limit needs that
        routes.facts[van, SIZE] = len(orders[-1])
        for at, row in enumerate(orders[-1]):
            routes.order[van, at] = visit_at(case, van, row, stops[row].start_s)
    return (routes, orders) if seat(case.problem, routes, 0) == 0 else None


def tried_slowly(
    case: Case, orders: list[list[int]], call: int
) -> Iterator[tuple[tuple[int, int], Trial]]:
    """Lay every place out; yield van and place with what comes of it."""
    day, known = case.day, case.day.tolerance_s
    for van, order in enumerate(orders):
        old = route_of(case, van, order, {})
        stood = stops_of(day, old)
        since_s = {row: stop.start_s for row, stop in stood.items()}
        for place in range(len(order) + 1):
            calls = [*order[:place], call, *order[place:]]
            route = route_of(case, van, calls, since_s)
            if route is None or not able(case, van, call):
                continue
            stops = stops_of(day, route)
            others = [(stops[row], stop) for row, stop in stood.items()]
            yield (
                (van, place),
                Trial(
                    starts_s=stops[call].start_s,
                    returns_s=route.finish_s,
                    moves=sum(abs(a.start_s - b.start_s) > known for a, b in others),
                    breaks=sum(a.late_s > 0 and b.late_s == 0 for a, b in others),
                    cost_units=units_of(route) - units_of(old),
                ),
            )


def able(case: Case, van: int, call: int) -> bool:
    day = case.day
    return any(one.id == day.vans[van].id for one in able_vans(day, day.calls[call]))


def trials_of(case: Case, routes: Routes, orders: list[list[int]]) -> Trials:
    """Return room for trials in which no call is sooner than it stands."""
    trials = new_trials(case.problem, routes)
    for van, order in enumerate(orders):
        stood = stops_of(case.day, route_of(case, van, order, {}))
        for row, stop in stood.items():
            trials.since[row] = stop.start_s
            low_s = stop.start_s - case.day.tolerance_s
            trials.span[row] = low_s, stop.start_s + case.day.tolerance_s
    return trials


def test_every_place_comes_out_as_laid_out_in_plain_code() -> None:
    places = broken = moved = days = 0
    for seed in range(fewer(60, 4)):
        case = case_of(a_day(seed))
        call = tried(seed, case.day)
        found = stand(case, call)
        if found is None:
            continue
        routes, orders = found
        days += 1
        trials = trials_of(case, routes, orders)
        count = try_everywhere(case.problem, routes, trials, call, 0)
        fast = {
            (int(row[VAN]), int(row[PLACE])): Trial(
                *row[[STARTS, RETURNS, MOVES, BREAKS, COST]].tolist()
            )
            for row in trials.rows[:count]
        }
        assert len(fast) == count
        assert fast == dict(tried_slowly(case, orders, call))
        places += count
        moved += sum(one.moves > 0 for one in fast.values())
        broken += sum(one.breaks > 0 for one in fast.values())
    assert days >= fewer(50, 3)
    assert places > 2 * days
    assert moved > 0
    assert broken > 0 or fewer(0, 1)


def test_where_others_may_be_left_out_no_place_that_works_without_is_lost() -> None:
    left_out = 0
    for seed in range(fewer(30, 4)):
        case = case_of(a_day(seed))
        call = tried(seed, case.day)
        found = stand(case, call)
        if found is None:
            continue
        routes, orders = found
        strict, loose = (trials_of(case, routes, orders) for _ in range(2))
        count = try_everywhere(case.problem, routes, strict, call, 0)
        more = try_everywhere(case.problem, routes, loose, call, 1)
        whole = loose.rows[:more][loose.rows[:more, OMITS] == 0]
        assert np.array_equal(whole, strict.rows[:count])
        for row, order in zip(loose.rows[:more], loose.order[:more], strict=True):
            calls = case.problem.visits[order[: row[LONG]], CALL].tolist()
            assert call in calls
            assert len(calls) + row[OMITS] == len(orders[row[VAN]]) + 1
        left_out += more - count
    assert left_out > 0
