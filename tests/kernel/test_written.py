"""What the search says a solution costs, against what is written out and judged."""

from collections import Counter

from dispatch.generator import ALL, Feature
from dispatch.partition import Column, share_parts
from dispatch.planner import lend_tools
from dispatch.problem import Problem
from dispatch.search.lns import apply_terms
from dispatch.search.schedule import MONEY, PARTS, SIZE, Routes
from dispatch.stock import parts_cents
from dispatch.timetable import lay_out
from shared.model import Route, StopKind
from shared.units import UNITS_PER_CENT
from tests.kernel.days import Case, cases, fewer, searched, task_of


def columns_of(routes: Routes) -> list[Column]:
    """Return the routes of vans that go out, with what they cost without parts."""
    return [
        Column(van, tuple(routes.order[van, :size].tolist()), money - parts)
        for van, (size, money, parts) in enumerate(
            routes.facts[:, [SIZE, MONEY, PARTS]].tolist()
        )
        if size
    ]


def write_out(case: Case, problem: Problem, columns: list[Column]) -> list[Route]:
    """Write routes out as the plain clock drives them."""
    written = []
    for column in columns:
        tasks = [task_of(case.day, problem.visits, visit) for visit in column.visits]
        van = case.day.vans[column.van]
        route = lay_out(case.day, case.travel, van, tasks)
        assert route is not None, f"{case.day.name}: {column} cannot be driven"
        written.append(route)
    return written


def stops_of(routes: list[Route]) -> dict[str, list[tuple[str, int]]]:
    """Return each van's stops at stores, and how many calls come before them."""
    found: dict[str, list[tuple[str, int]]] = {}
    for route in routes:
        kinds = [stop.kind for stop in route.stops]
        found[route.van_id] = [
            (stop.store_id, kinds[:place].count(StopKind.CALL))
            for place, stop in enumerate(route.stops)
            if stop.store_id is not None
        ]
    return found


def assert_links_kept(case: Case, routes: list[Route]) -> int:
    """Check linked calls in what is written; return how many links bind."""
    at = {
        stop.call_id: (route.van_id, stop)
        for route in routes
        for stop in route.stops
        if stop.call_id is not None
    }
    bound = 0
    for link in case.day.links:
        if link.then not in at:
            continue
        (van, first), (other, then) = at[link.first], at[link.then]
        gap_s = then.start_s - first.finish_s
        assert gap_s >= link.min_gap_s
        assert link.max_gap_s is None or gap_s <= link.max_gap_s
        assert van == other or not link.same_van
        bound += 1
    return bound


def full_days() -> list[Case]:
    """Return days with everything, and some where links or stops come alone."""
    return [
        *cases(fewer(60, 2), 8, 2, first=700, features=ALL),
        *cases(fewer(25, 1), 12, 3, first=800, features=ALL),
        *cases(fewer(30, 1), 10, 3, first=1200, features=ALL | {Feature.STANDING}),
        *cases(fewer(6, 0), 45, 6, first=900, features=ALL),
        *cases(fewer(30, 1), 10, 2, first=1000, features=frozenset({Feature.LINKS})),
        *cases(fewer(30, 1), 10, 3, first=1100, features=frozenset({Feature.RESTOCK})),
    ]


def test_a_solution_costs_written_out_what_the_search_says_to_the_cent() -> None:
    seen = Counter[str]()
    for case in full_days():
        memory = searched(case.problem, fewer(300, 20))
        best, problem = memory.best, case.problem
        apply_terms(problem, best)
        columns = columns_of(best)
        routes = write_out(case, problem, columns)
        for column, route in zip(columns, routes, strict=True):
            assert route.parts_units == 0
            assert route.cost_units == column.cost
            seen["changed"] += route.change_units > 0
            seen["late"] += route.late_units > 0
            seen["unwelcome"] += route.preference_units > 0
        seen["links"] += assert_links_kept(case, routes)
        # Parts are shared out once more, over the whole day: never dearer.
        stops = stops_of(routes)
        assignment = {route.van_id: list(route.call_ids) for route in routes}
        issues = share_parts(case.day, assignment, stops)
        assert issues is not None, f"{case.day.name}: the parts do not suffice"
        paid = sum(parts_cents(issues).values()) * UNITS_PER_CENT
        assert paid <= best.facts[:, PARTS].sum()
        seen["dear parts"] += paid > 0
        seen["stops"] += sum(map(len, stops.values()))
        tools = lend_tools(case.day, routes)
        assert tools is not None, f"{case.day.name}: the tools do not suffice"
        seen["tools"] += len(tools)
    words = ("late", "unwelcome", "changed", "links", "dear parts", "stops", "tools")
    assert min(seen[word] for word in words) > fewer(15, 0) - 1, seen
