"""Plan one day.

The order comes from the solver; here it is written out anew in plain code, given its
parts and its reasons, and judged before anybody sees it.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

from dispatch.explain import explain
from dispatch.partition import Column, share_parts
from dispatch.problem import (
    CALL,
    WINDOW,
    WINDOWS,
    Ints,
    build_problem,
    restock_stores,
)
from dispatch.rules import judge
from dispatch.solver import Budget, Outcome, Progress, solve
from dispatch.stock import parts_cents, spare_issues
from dispatch.timetable import Task, lay_out
from dispatch.travel import TravelTable, travel_table
from shared.errors import Defect
from shared.model import (
    Day,
    Issue,
    Plan,
    Proof,
    Reason,
    Route,
    Rule,
    Status,
    Stop,
    StopKind,
    ToolUse,
    Unplaced,
)
from shared.units import UNITS_PER_CENT

__all__ = ["Budget", "Progress", "plan_day"]

WORTH_SAYING = 1.25  # a bound further below the plan tells nobody anything


def plan_day(
    day: Day, budget: Budget | None = None, travel: TravelTable | None = None
) -> Plan:
    """Plan one day.

    Parameters
    ----------
    day : Day
        The day.
    budget : Budget, optional
        How long to search, and whom to tell.
    travel : TravelTable, optional
        Its travel table, worked out from the day if not given.

    Returns
    -------
    Plan
        Judged. The same day, seed and rounds give the same plan.

    Raises
    ------
    InvalidInput
        When the travel table lacks something.
    Defect
        When the judge refuses the plan.
    """
    budget = budget or Budget()
    travel = travel or travel_table(day)

    problem = build_problem(day, travel)

    def rest_cost(columns: Sequence[Column]) -> int | None:
        written = _write_out(day, travel, columns, problem.given)
        return None if written is None else written.parts_units

    outcome = solve(problem, budget, rest_cost)
    written = _write_out(day, travel, outcome.columns, outcome.visits)
    if written is None:
        raise Defect("the search kept routes, parts or tools that do not work")
    return finish(day, travel, written, Quality(outcome, budget))


class Written(NamedTuple):
    """Routes with their times, parts and tools.

    Parameters
    ----------
    routes, issues, tools : tuple
        As in :class:`shared.model.Plan`.
    """

    routes: tuple[Route, ...]
    issues: tuple[Issue, ...]
    tools: tuple[ToolUse, ...]

    @property
    def parts_units(self) -> int:
        """What the parts cost beyond the wanted ones.

        Returns
        -------
        int
            Cost units.
        """
        return sum(route.parts_units for route in self.routes)


def _write_out(
    day: Day, travel: TravelTable, columns: Sequence[Column], visits: Ints
) -> Written | None:
    """Write routes out; ``None`` if a rule that single routes do not know is broken."""
    found = lay_out_all(day, travel, columns, visits)
    if found is None:
        return None
    tools = lend_tools(day, found.routes)
    return None if tools is None else found._replace(tools=tools)


def lay_out_all(
    day: Day,
    travel: TravelTable,
    columns: Sequence[Column],
    visits: Ints,
    crews: Mapping[str, str] | None = None,
) -> Written | None:
    """Write routes out and share the parts, tools left out.

    Parameters
    ----------
    day, travel : Day, TravelTable
        The day.
    columns : sequence of Column
        At most one route per van.
    visits : ndarray
        The visit table that the routes refer to.
    crews : mapping of str to str, optional
        Van id to the id of the same van whose stock it takes from, where one van
        stands in the day more than once.

    Returns
    -------
    Written or None
        ``None`` if a rule that single routes do not know is broken.
    """
    tasks = {
        day.vans[column.van].id: [_task(day, visits, visit) for visit in column.visits]
        for column in columns
    }
    while True:
        routes = _lay_out(day, travel, tasks)
        if routes is None or not _links_kept(day, routes, crews or {}):
            return None
        assignment = {route.van_id: list(route.call_ids) for route in routes}
        issues = share_parts(day, assignment, _stops(routes), crews)
        if issues is None:
            return None
        idle = _idle_stops(routes, issues)
        if not idle:
            return Written(_priced(routes, issues), issues, ())
        tasks = {
            van_id: [task for task in some if (van_id, task.store_id) not in idle]
            for van_id, some in tasks.items()
        }


def _task(day: Day, visits: Ints, visit: int) -> Task:
    cells = visits[visit, WINDOW : WINDOW + 2 * visits[visit, WINDOWS]].tolist()
    pairs = zip(cells[::2], cells[1::2], strict=True)
    spans = tuple((low, high) for low, high in pairs if low <= high)
    call = int(visits[visit, CALL])
    if call >= len(day.calls):
        store = restock_stores(day)[call - len(day.calls)]
        return Task(store_id=store.id, spans=spans)
    return Task(call_id=day.calls[call].id, spans=spans)


def _lay_out(
    day: Day, travel: TravelTable, tasks: dict[str, list[Task]]
) -> list[Route] | None:
    routes = []
    for van in day.vans:
        if van.id in tasks:
            route = lay_out(day, travel, van, tasks[van.id])
            if route is None:
                return None
            routes.append(route)
    return routes


def _links_kept(day: Day, routes: Sequence[Route], crews: Mapping[str, str]) -> bool:
    """Return whether linked calls are served in time after each other."""
    at: dict[str, tuple[str, Stop]] = {
        stop.call_id: (crews.get(route.van_id, route.van_id), stop)
        for route in routes
        for stop in route.stops
        if stop.call_id is not None
    }
    for link in day.links:
        if link.then not in at:
            continue
        if link.first not in at:
            return False
        (van_a, first), (van_b, then) = at[link.first], at[link.then]
        gap_s = then.start_s - first.finish_s
        if gap_s < link.min_gap_s or (link.same_van and van_a != van_b):
            return False
        if link.max_gap_s is not None and gap_s > link.max_gap_s:
            return False
    return True


def _stops(routes: Sequence[Route]) -> dict[str, list[tuple[str, int]]]:
    """Return where each van stops for parts, and how many calls come before."""
    found: dict[str, list[tuple[str, int]]] = {}
    for route in routes:
        before = 0
        for stop in route.stops:
            before += stop.kind is StopKind.CALL
            if stop.store_id is not None:
                found.setdefault(route.van_id, []).append((stop.store_id, before))
    return found


def _idle_stops(
    routes: Sequence[Route], issues: Sequence[Issue]
) -> set[tuple[str, str]]:
    """Return van and store of stops at which nothing is fetched."""
    fetched = {(issue.van_id, issue.store_id) for issue in issues}
    return {
        (route.van_id, stop.store_id)
        for route in routes
        for stop in route.stops
        if stop.store_id is not None and (route.van_id, stop.store_id) not in fetched
    }


def _priced(routes: Sequence[Route], issues: Sequence[Issue]) -> tuple[Route, ...]:
    cents = parts_cents(issues)
    return tuple(
        replace(route, parts_units=cents.get(route.van_id, 0) * UNITS_PER_CENT)
        for route in routes
    )


def lend_tools(day: Day, routes: Sequence[Route]) -> tuple[ToolUse, ...] | None:
    """Give the vans the shared tools that their calls ask for, all day.

    Parameters
    ----------
    day : Day
        The day.
    routes : sequence of Route
        All routes.

    Returns
    -------
    tuple of ToolUse or None
        By van, then by tool; ``None`` where there are not enough.
    """
    calls = {call.id: call for call in day.calls}
    vans = {van.id: van for van in day.vans}
    uses = []
    for route in routes:
        asked = {word for id_ in route.call_ids for word in calls[id_].equipment}
        uses += [
            ToolUse(van_id=route.van_id, tool_id=tool.id)
            for tool in day.tools
            if tool.id in asked - vans[route.van_id].equipment
        ]
    out = Counter(use.tool_id for use in uses)
    if any(out[tool.id] > tool.quantity for tool in day.tools) or not all(
        vans[use.van_id].loads_at_shop for use in uses
    ):
        return None
    return tuple(uses)


class Quality(NamedTuple):
    """Where a plan comes from, for its status.

    Parameters
    ----------
    outcome : Outcome
        What the solver made of the day.
    budget : Budget
        What it was given.
    """

    outcome: Outcome
    budget: Budget


def finish(
    day: Day,
    travel: TravelTable,
    written: Written,
    quality: Quality,
    unplaced: tuple[Unplaced, ...] | None = None,
) -> Plan:
    """Add spares and reasons, and have the plan judged.

    Parameters
    ----------
    day, travel : Day, TravelTable
        The day.
    written : Written
        Its routes.
    quality : Quality
        Where they come from.
    unplaced : tuple of Unplaced, optional
        What is on no route, and why; found out if not given.

    Returns
    -------
    Plan
        Judged.

    Raises
    ------
    Defect
        When the judge refuses the plan.
    """
    routes, issues = written.routes, written.issues
    if unplaced is None:
        unplaced = explain(day, travel, routes, issues)
    plan = Plan(
        routes=routes,
        issues=(*issues, *spare_issues(day, routes, issues)),
        unplaced=unplaced,
        status=_status(quality, sum(route.cost_units for route in routes)),
        tools=written.tools,
    )
    violations = judge(day, travel, plan)
    if violations:
        raise Defect(
            "keyround's own judge refuses the plan:\n"
            + "\n".join(str(violation) for violation in violations)
        )
    return plan


def _late(day: Day, routes: Sequence[Route]) -> tuple[Unplaced, ...]:
    """Say of each broken promise that no way was found to keep it."""
    late = {
        stop.call_id
        for route in routes
        for stop in route.stops
        if stop.call_id is not None and stop.late_s > 0
    }
    reason = Reason(rule=Rule.PROMISE, text="no van can be there in time")
    return tuple(
        Unplaced(call_id=call.id, reasons=(reason,))
        for call in day.calls
        if call.id in late
    )


def _status(quality: Quality, cost_units: int) -> Status:
    outcome, budget = quality
    proof, bound_units = Proof.BEST_FOUND, None
    if outcome.proved:
        proof, bound_units = Proof.PROVED_BEST, cost_units
    elif outcome.bound is not None and cost_units <= WORTH_SAYING * outcome.bound:
        proof, bound_units = Proof.BOUNDED, outcome.bound
    return Status(
        proof=proof,
        bound_units=bound_units,
        stopped=outcome.stopped,
        rounds=outcome.rounds,
        seed=budget.seed,
    )
