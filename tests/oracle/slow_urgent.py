"""An urgent call tried everywhere, one place after the other, in obvious code.

Every other call keeps its van and its order. Each place of each van, with and without a
stop at a store before it, is laid out in plain code, given parts over the whole day and
put before the judge.
"""

from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

from dispatch.offer import tasks_of
from dispatch.partition import share_parts
from dispatch.planner import lend_tools
from dispatch.problem import NEVER, restock_stores, start_windows
from dispatch.reach import able_vans
from dispatch.rules import judge
from dispatch.timetable import Task, lay_out
from dispatch.travel import extend_table
from dispatch.urgent import Board
from shared.model import (
    Call,
    Day,
    Issue,
    Plan,
    Proof,
    Reason,
    Route,
    Rule,
    Status,
    StopKind,
    Unplaced,
    Van,
)
from shared.units import UNITS_PER_CENT


class Found(NamedTuple):
    """One place that works."""

    start_s: int
    broken: int
    moved: int
    paid_units: int


def try_all(board: Board, call: Call) -> list[Found]:
    """Return what comes of every place that works."""
    day = replace(board.day, calls=(*board.day.calls, call))
    travel = extend_table(board.rest.travel, day)
    routes = {route.van_id: route for route in board.plan.routes}
    found = []
    for van in able_vans(day, call):
        stands = tasks_of(routes[van.id]) if van.id in routes else ()
        tasks = [_timed(board, day, van, task) for task in stands]
        urgent = Task(
            call_id=call.id, spans=tuple(start_windows(day, call, van, late=True))
        )
        for order in _orders(day, tasks, urgent):
            route = lay_out(day, travel, van, order)
            plan = None if route is None else _plan(day, {**routes, van.id: route})
            if plan is not None and not judge(day, travel, plan):
                found.append(_figures(board, plan, call))
    return found


def _timed(board: Board, day: Day, van: Van, task: Task) -> Task:
    """Return a task that starts as it stands, or later."""
    if task.call_id is None:
        return task
    other = next(one for one in day.calls if one.id == task.call_id)
    stands_s = board.stops[task.call_id][1].start_s
    spans = start_windows(day, other, van, late=True)
    return task._replace(
        spans=tuple(
            (max(low, stands_s), high) for low, high in spans if high >= stands_s
        )
    )


def _orders(day: Day, tasks: list[Task], urgent: Task) -> Iterator[list[Task]]:
    stops = {task.store_id for task in tasks}
    for place in range(len(tasks) + 1):
        order = [*tasks[:place], urgent, *tasks[place:]]
        yield order
        for store in restock_stores(day):
            if store.id not in stops:
                for stop in range(place + 1):
                    yield [*order[:stop], Task(store_id=store.id), *order[stop:]]


def _plan(day: Day, routes: dict[str, Route]) -> Plan | None:
    some = [routes[van.id] for van in day.vans if van.id in routes]
    stops: dict[str, list[tuple[str, int]]] = {}
    for route in some:
        before = 0
        for stop in route.stops:
            before += stop.kind is StopKind.CALL
            if stop.store_id is not None:
                stops.setdefault(route.van_id, []).append((stop.store_id, before))
    issues = share_parts(day, {r.van_id: list(r.call_ids) for r in some}, stops)
    tools = lend_tools(day, some)
    if issues is None or tools is None:
        return None
    served = {call_id for route in some for call_id in route.call_ids}
    late = {s.call_id for r in some for s in r.stops if s.late_s}
    return Plan(
        routes=tuple(_priced(route, issues) for route in some),
        issues=issues,
        unplaced=tuple(_for_no_reason(c) for c in day.calls if c.id not in served),
        late=tuple(_for_no_reason(c) for c in day.calls if c.id in late),
        status=Status(proof=Proof.BEST_FOUND),
        tools=tools,
    )


def _priced(route: Route, issues: tuple[Issue, ...]) -> Route:
    extra = sum(i.extra_cents for i in issues if i.van_id == route.van_id)
    return replace(route, parts_units=extra * UNITS_PER_CENT)


def _for_no_reason(call: Call) -> Unplaced:
    return Unplaced(call_id=call.id, reasons=(Reason(rule=Rule.ROOM, text="so"),))


def _figures(board: Board, plan: Plan, call: Call) -> Found:
    stops = {s.call_id: s for r in plan.routes for s in r.stops if s.call_id}
    moved = broken = 0
    for call_id, (_, stood) in board.stops.items():
        apart_s = abs(stops[call_id].start_s - stood.start_s)
        moved += apart_s > board.day.tolerance_s
        broken += stops[call_id].late_s > 0 and stood.late_s == 0
    return Found(
        start_s=stops[call.id].start_s,
        broken=broken,
        moved=moved,
        paid_units=_paid(plan) - _paid(board.plan),
    )


def _paid(plan: Plan) -> int:
    return sum(
        r.drive_units + r.time_units + r.overtime_units + r.parts_units
        for r in plan.routes
    )


def soonest_s(found: list[Found], broken: int = NEVER) -> int:
    """Return the earliest start that breaks no more promises."""
    return min((one.start_s for one in found if one.broken <= broken), default=NEVER)
