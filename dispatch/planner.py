"""Plan one day.

The order comes from the solver; here it is written out anew in plain code, given its
parts and its reasons, and judged before anybody sees it.
"""

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from itertools import islice, permutations
from typing import NamedTuple

from dispatch.conflict import Replanned
from dispatch.explain import explain
from dispatch.handover import Handover, arrange, arrange_travel, find_handovers
from dispatch.hazard import build_futures
from dispatch.partition import Column, share_parts
from dispatch.problem import (
    CALL,
    NEVER,
    NEXT,
    STORE_VISIT,
    WINDOW,
    WINDOWS,
    Ints,
    Problem,
    build_problem,
    restock_stores,
)
from dispatch.rules import expected_late_units, goal, judge
from dispatch.solver import Budget, Outcome, Progress, solve
from dispatch.stock import parts_cents, spare_issues
from dispatch.timetable import Task, lay_out, lay_out_best
from dispatch.travel import TravelTable, travel_table
from shared.errors import Defect
from shared.model import (
    Day,
    Issue,
    Plan,
    Proof,
    Reason,
    Risk,
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

REPLAN_ROUNDS = 2_000  # for days too large to prove; they are small all the same
HANDOVERS = 6  # ways to hand tools over that are tried
HANDOVER_ROUNDS = 10_000  # of the search for each of them
LINK_PUSHES = 8  # of each link, until the times of a running plan have settled
WORTH_SAYING = 1.25  # a bound further below the plan tells nobody anything


def plan_day(
    day: Day,
    budget: Budget | None = None,
    travel: TravelTable | None = None,
    start: Sequence[Route] = (),
    risk: Risk | None = None,
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
    start : sequence of Route
        Routes to begin from, parts not in their cost. Where their parts, links and
        tools work out, the plan is no worse, and it is they if nothing is better.
    risk : Risk, optional
        What lateness to be expected costs; it counts in the choice of the plan, not in
        what the plan costs. Nothing is proved best then.

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

    made = _solve(day, travel, budget, start=start, risk=risk)
    if made is None:
        raise Defect("the search kept routes, parts or tools that do not work")
    made = _hand_over(day, travel, made, budget, risk)
    return finish(day, travel, made, budget)


def columns_of(
    day: Day, problem: Problem, routes: Sequence[Route]
) -> tuple[Column, ...]:
    """Return routes as the search knows them.

    Parameters
    ----------
    day, problem : Day, Problem
        The day, as it is and as arrays.
    routes : sequence of Route
        At most one per van, parts not in their cost.

    Returns
    -------
    tuple of Column
        By van; a call without a way to do it then is left out of its route.
    """
    rows = {van.id: row for row, van in enumerate(day.vans)}
    calls = {call.id: row for row, call in enumerate(day.calls)}
    stops = {
        store.id: int(visit)
        for store, visit in zip(
            restock_stores(day), problem.stores[:, STORE_VISIT], strict=True
        )
    }
    columns = []
    for route in routes:
        van, visits = rows[route.van_id], []
        for stop in route.stops:
            if stop.call_id is not None:
                visits.append(row_of(problem, van, calls[stop.call_id], stop.start_s))
            elif stop.store_id is not None:
                visits.append(stops.get(stop.store_id, -1))
        known = tuple(visit for visit in visits if visit >= 0)
        if known:  # what no van may do any more leaves an empty route
            columns.append(Column(van, known, route.cost_units - route.parts_units))
    return tuple(sorted(columns))


def row_of(problem: Problem, van: int, call: int, start_s: int) -> int:
    """Return the visit by which a van does a call that starts at a second.

    Parameters
    ----------
    problem : Problem
        The day; windows are those it gave the calls.
    van, call : int
        Their rows.
    start_s : int
        When the visit starts.

    Returns
    -------
    int
        Row of ``problem.visits``; -1: there is none.
    """
    visit = call
    while visit >= 0:
        cells = problem.given[visit].tolist()
        inside = any(low <= start_s <= high for low, high in spans_of(cells))
        if inside and problem.allowed[van, visit]:
            return visit
        visit = cells[NEXT]
    return -1


class Written(NamedTuple):
    """Routes with their times, parts and tools.

    Parameters
    ----------
    routes, issues, tools, status
        As in :class:`shared.model.Plan`.
    """

    routes: tuple[Route, ...]
    issues: tuple[Issue, ...]
    tools: tuple[ToolUse, ...]
    status: Status = Status(proof=Proof.BEST_FOUND)

    @property
    def parts_units(self) -> int:
        """What the parts cost beyond the wanted ones.

        Returns
        -------
        int
            Cost units.
        """
        return sum(route.parts_units for route in self.routes)


def _solve(
    day: Day,
    travel: TravelTable,
    budget: Budget,
    handover: Handover | None = None,
    start: Sequence[Route] = (),
    risk: Risk | None = None,
) -> Written | None:
    """Solve a day and write it out; ``None``: what was found does not work."""
    asked = day
    if handover is not None:
        asked = arrange(day, handover)
        travel = arrange_travel(travel, len(day.calls), handover)
    problem = build_problem(asked, travel)
    desk = Asked(day, travel, asked, handover)

    def rest_cost(columns: Sequence[Column]) -> int | None:
        written = write_out(desk, columns, problem.given)
        return None if written is None else written.parts_units

    begun = columns_of(day, problem, start) if start else ()
    futures = None if risk is None else build_futures(asked, risk, problem)
    outcome = solve(problem, budget, rest_cost, begun, futures)
    written = write_out(desk, outcome.columns, outcome.visits)
    stood = _share_out(desk, list(start)) if start else None
    if stood is not None and (
        written is None
        or _goal_of(day, travel, stood, risk) <= _goal_of(day, travel, written, risk)
    ):
        written = stood
    if written is None:
        return None
    units = sum(route.cost_units for route in written.routes)
    return written._replace(status=status_of(outcome, budget, units))


def _hand_over(
    day: Day, travel: TravelTable, made: Written, budget: Budget, risk: Risk | None
) -> Written:
    """Try whether a tool that changes hands makes a better plan."""
    if made.status.stopped:
        return made
    brief = replace(budget, rounds=HANDOVER_ROUNDS, spent=None)
    best, seen = made, _goal_of(day, travel, made, risk)
    for handover in islice(find_handovers(day, made.routes), HANDOVERS):
        other = _solve(day, travel, brief, handover, risk=risk)
        if other is not None and _goal_of(day, travel, other, risk) < seen:
            best, seen = other, _goal_of(day, travel, other, risk)
    if best is made:
        return made
    # What another way of lending tools could do is not known.
    status = replace(best.status, proof=Proof.BEST_FOUND, bound_units=None)
    return best._replace(status=status)


def _goal_of(
    day: Day, travel: TravelTable, made: Written, risk: Risk | None
) -> tuple[int, ...]:
    bare = Plan(routes=made.routes, issues=(), unplaced=(), status=made.status)
    if risk is None:
        return goal(day, bare)
    *rest, units = goal(day, bare)
    return *rest, units + expected_late_units(day, travel, risk, made.routes)


class Asked(NamedTuple):
    """What writing out needs.

    Parameters
    ----------
    day, travel : Day, TravelTable
        The day and its drives.
    asked : Day
        The day as it was solved.
    handover : Handover or None
        The tool that changes hands.
    crews : mapping of str to str, or None
        Where one van stands in the day once for each of several dates: van id to the
        id of the one whose stock it takes from. Tools are not lent then.
    """

    day: Day
    travel: TravelTable
    asked: Day
    handover: Handover | None = None
    crews: Mapping[str, str] | None = None


def write_out(desk: Asked, columns: Sequence[Column], visits: Ints) -> Written | None:
    """Write routes out.

    Parameters
    ----------
    desk : Asked
        The day.
    columns : sequence of Column
        At most one route per van.
    visits : ndarray
        The visit table that the routes refer to.

    Returns
    -------
    Written or None
        ``None`` if a rule that single routes do not know is broken.
    """
    return write_tasks(
        desk,
        {
            desk.day.vans[column.van].id: [
                _task(desk, visits, visit) for visit in column.visits
            ]
            for column in columns
        },
    )


def write_tasks(
    desk: Asked, tasks: Mapping[str, Sequence[Task]], laid_out: Sequence[Route] = ()
) -> Written | None:
    """Write out what each van stops for.

    Parameters
    ----------
    desk : Asked
        The day.
    tasks : mapping of str to sequence of Task
        Van id to its calls and restock stops, in order; at least one each.
    laid_out : sequence of Route, optional
        The routes that these make, where they are known.

    Returns
    -------
    Written or None
        ``None`` if a rule is broken.
    """
    day, handover = desk.day, desk.handover
    swaps = set()
    if handover is not None:
        swaps = {(handover.giver, day.shop.id), (handover.taker, day.shop.id)}
        stops = {(van, task.store_id) for van, some in tasks.items() for task in some}
        if not swaps <= stops:
            return None
    routes: Sequence[Route] | None = laid_out
    while True:
        routes = routes or _lay_out(day, desk.travel, tasks)
        written = None if routes is None else _share_out(desk, routes)
        if written is None:
            return None
        idle = _idle_stops(written.routes, written.issues) - swaps
        if not idle:
            return written
        routes, tasks = None, _without(tasks, idle)


def write_standing(
    day: Day, travel: TravelTable, standing: Mapping[str, Sequence[Task]]
) -> Written | None:
    """Write a running plan out anew, as far as it still works.

    Parameters
    ----------
    day, travel : Day, TravelTable
        The day.
    standing : mapping of str to sequence of Task
        Van id to its calls and restock stops, in order.

    Returns
    -------
    Written or None
        Each call in the way that is best; ``None`` where the order, links, parts or
        tools do not work.
    """
    tasks = {van_id: list(some) for van_id, some in standing.items() if some}
    for handover in (None, *standing_handovers(day, tasks)):
        asked = day if handover is None else arrange(day, handover)
        written = _write_standing(Asked(day, travel, asked, handover), tasks)
        if written is not None:
            return written
    return None


def _write_standing(desk: Asked, tasks: Mapping[str, list[Task]]) -> Written | None:
    """Write a running plan out with a handover, or with none."""
    swaps = set()
    if desk.handover is not None:
        ends = (desk.handover.giver, desk.handover.taker)
        swaps = {(van_id, desk.day.shop.id) for van_id in ends}
    while True:
        routes = _lay_out_linked(desk, tasks)
        written = None if routes is None else _share_out(desk, routes)
        if written is None:
            return None
        idle = _idle_stops(written.routes, written.issues) - swaps
        if not idle:
            return written
        tasks = _without(tasks, idle)


def standing_handovers(
    day: Day, standing: Mapping[str, Sequence[Task]]
) -> Iterator[Handover]:
    """Yield the handovers of tools for which a running plan can have been made.

    Parameters
    ----------
    day : Day
        The day.
    standing : mapping of str to sequence of Task
        Van id to its calls and restock stops, in order.

    Yields
    ------
    Handover
        One van uses the tool before its stop at the shop, the other one after its own.
    """
    vans = {van.id: van for van in day.vans}
    calls = {call.id: call for call in day.calls}
    for tool in day.tools:
        before: dict[str, frozenset[str]] = {}
        after: dict[str, frozenset[str]] = {}
        for van_id, tasks in standing.items():
            stores = [task.store_id for task in tasks]
            if not tool.handover or day.shop.id not in stores:
                continue
            turn = stores.index(day.shop.id)
            for some, found in ((tasks[:turn], before), (tasks[turn:], after)):
                found[van_id] = frozenset(
                    task.call_id
                    for task in some
                    if task.call_id is not None
                    and tool.id
                    in calls[task.call_id].equipment - vans[van_id].equipment
                )
        for giver, taker in permutations(before, 2):
            if before[giver] and after[taker] and not (after[giver] | before[taker]):
                yield Handover(tool.id, giver, taker, before[giver], after[taker])


def _without(
    tasks: Mapping[str, Sequence[Task]], idle: Collection[tuple[str, str]]
) -> dict[str, list[Task]]:
    left = {
        van_id: [task for task in some if (van_id, task.store_id) not in idle]
        for van_id, some in tasks.items()
    }
    return {van_id: some for van_id, some in left.items() if some}


def _share_out(desk: Asked, routes: Sequence[Route]) -> Written | None:
    """Give routes their parts and tools; ``None``: there are not enough."""
    if not _links_kept(desk, routes):
        return None
    day = desk.day
    assignment = {route.van_id: list(route.call_ids) for route in routes}
    issues = share_parts(day, assignment, _stops(routes), desk.crews)
    tools = () if desk.crews is not None else lend_tools(day, routes, desk.handover)
    if issues is None or tools is None:
        return None
    return Written(_priced(routes, issues), issues, tools)


def _lay_out_linked(desk: Asked, tasks: Mapping[str, list[Task]]) -> list[Route] | None:
    """Lay routes out at their best, each call as late as its links ask for."""
    day = desk.day
    floors: dict[str, int] = {}
    for _ in range(1 + LINK_PUSHES * len(desk.asked.links)):
        routes = []
        for van in day.vans:
            if van.id not in tasks:
                continue
            some = []
            for task in tasks[van.id]:
                low_s = floors.get(_link_id(desk, van.id, task) or "")
                if low_s is not None:
                    last_s, hours = NEVER, day.shop.opening
                    if task.store_id is not None and hours is not None:
                        last_s = hours.end_s - (day.shop.restock_s or 0)
                    task = task._replace(spans=((low_s, last_s),))  # noqa: PLW2901
                some.append(task)
            route = lay_out_best(day, desk.travel, van, some)
            if route is None:
                return None
            routes.append(route)
        pushed = _pushed(desk, routes, floors)
        if pushed == floors:
            return routes
        floors = pushed
    return None


def _link_id(desk: Asked, van_id: str, stop: Task | Stop) -> str | None:
    """Return by which id links know a stop: those of a handover are calls to them."""
    handover = desk.handover
    if handover is not None and stop.store_id == desk.day.shop.id:
        ends = {
            handover.giver: handover.bring_id,
            handover.taker: handover.collect_id,
        }
        return ends.get(van_id)
    return stop.call_id


def _pushed(
    desk: Asked, routes: Sequence[Route], floors: Mapping[str, int]
) -> dict[str, int]:
    """Return the least starts, with what the links ask for given these routes."""
    at = {
        _link_id(desk, route.van_id, stop): stop
        for route in routes
        for stop in route.stops
    }
    pushed = dict(floors)
    for link in desk.asked.links:
        if link.first not in at or link.then not in at:
            continue
        first, then = at[link.first], at[link.then]
        gap_s = then.start_s - first.finish_s
        if gap_s < link.min_gap_s:
            pushed[link.then] = first.finish_s + link.min_gap_s
        elif link.max_gap_s is not None and gap_s > link.max_gap_s:
            pushed[link.first] = first.start_s + gap_s - link.max_gap_s
    return pushed


def spans_of(cells: Sequence[int]) -> tuple[tuple[int, int], ...]:
    """Return the spans in which a visit may start.

    Parameters
    ----------
    cells : sequence of int
        Its row of ``visits`` of :class:`dispatch.problem.Problem`.

    Returns
    -------
    tuple of (int, int)
        First and last second, in order; windows that links have closed are left out.
    """
    end = WINDOW + 2 * cells[WINDOWS]
    return tuple(
        [
            (cells[low], cells[low + 1])
            for low in range(WINDOW, end, 2)
            if cells[low] <= cells[low + 1]
        ]
    )


def _task(desk: Asked, visits: Ints, visit: int) -> Task:
    call = int(visits[visit, CALL])
    asked, handover = desk.asked, desk.handover
    spans = spans_of(visits[visit].tolist())
    if call >= len(asked.calls):
        store = restock_stores(asked)[call - len(asked.calls)]
        return Task(store_id=store.id, spans=spans)
    call_id = asked.calls[call].id
    if handover is not None and call_id in (handover.bring_id, handover.collect_id):
        return Task(store_id=desk.day.shop.id, spans=spans)
    return Task(call_id=call_id, spans=spans)


def _lay_out(
    day: Day, travel: TravelTable, tasks: Mapping[str, Sequence[Task]]
) -> list[Route] | None:
    routes = []
    for van in day.vans:
        if van.id in tasks:
            route = lay_out(day, travel, van, tasks[van.id])
            if route is None:
                return None
            routes.append(route)
    return routes


def _links_kept(desk: Asked, routes: Sequence[Route]) -> bool:
    """Return whether linked calls are served in time after each other."""
    at: dict[str, tuple[str, Stop]] = {}
    crews = desk.crews or {}
    for route in routes:
        van_id = crews.get(route.van_id, route.van_id)
        for stop in route.stops:
            if stop.call_id is not None:
                at[stop.call_id] = (van_id, stop)
            elif desk.handover is not None and stop.store_id == desk.day.shop.id:
                brings = route.van_id == desk.handover.giver
                ends = desk.handover.bring_id, desk.handover.collect_id
                at[ends[0] if brings else ends[1]] = (route.van_id, stop)
    for link in desk.asked.links:
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
    units = [cents.get(route.van_id, 0) * UNITS_PER_CENT for route in routes]
    return tuple(
        route if route.parts_units == paid else replace(route, parts_units=paid)
        for route, paid in zip(routes, units, strict=True)
    )


def _as_arranged(day: Day, routes: Sequence[Route], handover: Handover) -> bool:
    """Return whether both vans use the tool for the calls that it is handed over for.

    Where the shop has another one, either van might carry that as well: a plan knows
    one of a kind per van.
    """
    tool_id = handover.tool_id
    asking = {call.id for call in day.calls if tool_id in call.equipment}
    mine = {route.van_id: asking.intersection(route.call_ids) for route in routes}
    return (
        mine.get(handover.giver, asking) <= handover.before
        and mine.get(handover.taker, asking) <= handover.after
    )


def lend_tools(
    day: Day, routes: Sequence[Route], handover: Handover | None = None
) -> tuple[ToolUse, ...] | None:
    """Give the vans the shared tools that their calls ask for.

    Parameters
    ----------
    day : Day
        The day.
    routes : sequence of Route
        All routes.
    handover : Handover, optional
        The one tool that changes hands; all others stay with one van all day.

    Returns
    -------
    tuple of ToolUse or None
        By van, then by tool; ``None`` where there are not enough, or where a van lacks
        what no longer lies at the shop.
    """
    calls = {call.id: call for call in day.calls}
    vans = {van.id: van for van in day.vans}
    ends = {}
    if handover is not None:
        ends[handover.giver, handover.tool_id] = {"returned": True}
        ends[handover.taker, handover.tool_id] = {"collected": True}
    uses, words = [], {tool.id for tool in day.tools}
    for route in routes:
        asked = {word for id_ in route.call_ids for word in calls[id_].equipment}
        if not asked <= vans[route.van_id].equipment | words:
            return None
        uses += [
            ToolUse(
                van_id=route.van_id,
                tool_id=tool.id,
                **ends.get((route.van_id, tool.id), {}),
            )
            for tool in day.tools
            if tool.id in asked - vans[route.van_id].equipment
        ]
    if handover is not None and not _as_arranged(day, routes, handover):
        return None
    if sum(use.collected or use.returned for use in uses) < len(ends):
        return None  # somebody would drive to the shop for nothing
    # The one who collects it takes the piece that the other has brought back.
    out = Counter(use.tool_id for use in uses if not use.collected)
    if any(out[tool.id] > tool.quantity for tool in day.tools) or not all(
        vans[use.van_id].loads_at_shop for use in uses
    ):
        return None
    return tuple(uses)


def finish(day: Day, travel: TravelTable, written: Written, budget: Budget) -> Plan:
    """Add spares and reasons, and have the plan judged.

    Parameters
    ----------
    day, travel : Day, TravelTable
        The day.
    written : Written
        Its routes.
    budget : Budget
        Its seed is used for what is planned to explain the plan.

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
    plan = Plan(
        routes=routes,
        issues=(*issues, *spare_issues(day, routes, issues)),
        unplaced=(),
        status=written.status,
        tools=written.tools,
    )
    # Who stops a search does not want to wait for reasons to be planned anew.
    wanted = budget.replans and not plan.status.stopped
    replan = partial(_replan, seed=budget.seed) if wanted else None
    if budget.reasons:
        plan = explain(day, travel, plan, replan)
    else:
        plan = name_bare(day, plan, "left out", "late")
    violations = judge(day, travel, plan)
    if violations:
        raise Defect(
            "keyround's own judge refuses the plan:\n"
            + "\n".join(str(violation) for violation in violations)
        )
    return plan


def name_bare(day: Day, plan: Plan, left_out: str, late: str) -> Plan:
    """Name the calls that are left out or late, with a word each for a reason.

    Parameters
    ----------
    day : Day
        The day.
    plan : Plan
        Its plan.
    left_out, late : str
        The word for each.

    Returns
    -------
    Plan
        Fit to be judged.
    """
    starts = {stop.call_id: stop for route in plan.routes for stop in route.stops}
    return replace(
        plan,
        unplaced=tuple(
            because(call.id, Rule.ROOM, left_out)
            for call in day.calls
            if call.id not in starts
        ),
        late=tuple(
            because(call.id, Rule.PROMISE, late)
            for call in day.calls
            if call.id in starts and starts[call.id].late_s > 0
        ),
    )


def as_plan(day: Day, written: Written) -> Plan:
    """Return the plan that a running plan's routes make, reasons in a word each.

    Parameters
    ----------
    day : Day
        The day.
    written : Written
        Routes with their times, parts and tools.

    Returns
    -------
    Plan
        With spares; fit to be judged.
    """
    routes, issues = written.routes, written.issues
    plan = Plan(
        routes=routes,
        issues=(*issues, *spare_issues(day, routes, issues)),
        unplaced=(),
        status=Status(proof=Proof.BEST_FOUND),
        tools=written.tools,
    )
    return name_bare(
        day,
        plan,
        "the running plan leaves it out",
        "the running plan is late already",
    )


def because(call_id: str, rule: Rule, text: str) -> Unplaced:
    """Return a call with the one reason that is given for it.

    Parameters
    ----------
    call_id : str
        The call.
    rule : Rule
        What stands in its way.
    text : str
        Plain words.

    Returns
    -------
    Unplaced
        For :attr:`Plan.unplaced` or :attr:`Plan.late`.
    """
    return Unplaced(call_id=call_id, reasons=(Reason(rule=rule, text=text),))


def _replan(day: Day, seed: int) -> Replanned:
    """Plan a changed day as briefly as will do to explain the real one."""
    made = _solve(day, travel_table(day), Budget(seed=seed, rounds=REPLAN_ROUNDS))
    routes = () if made is None else made.routes
    served = {call_id for route in routes for call_id in route.call_ids}
    return Replanned(
        left_out=frozenset(call.id for call in day.calls if call.id not in served),
        proved=made is not None and made.status.proof is Proof.PROVED_BEST,
    )


def status_of(outcome: Outcome, budget: Budget, cost_units: int) -> Status:
    """Return what is known of a plan's quality.

    Parameters
    ----------
    outcome : Outcome
        What the solver made of the day.
    budget : Budget
        What it was given.
    cost_units : int
        What the plan costs.

    Returns
    -------
    Status
        A bound too far below the cost is left out.
    """
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
