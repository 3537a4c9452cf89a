"""Plan one day.

The order comes from the solver; here it is written out anew in plain code, given its
parts and its reasons, and judged before anybody sees it.
"""

from collections.abc import Sequence

from dispatch.explain import explain
from dispatch.partition import Column, share_parts
from dispatch.problem import build_problem
from dispatch.rules import judge
from dispatch.solver import Budget, Outcome, Progress, solve
from dispatch.stock import spare_issues
from dispatch.timetable import lay_out
from dispatch.travel import TravelTable, travel_table
from shared.errors import Defect
from shared.model import Day, Plan, Proof, Route, Status

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

    def parts_there(columns: Sequence[Column]) -> bool:
        return share_parts(day, _assign(day, columns)) is not None

    outcome = solve(build_problem(day, travel), budget, parts_there)
    return _write_plan(day, travel, outcome, budget)


def _assign(day: Day, columns: Sequence[Column]) -> dict[str, list[str]]:
    return {
        day.vans[column.van].id: [day.calls[call].id for call in column.calls]
        for column in columns
    }


def _write_plan(
    day: Day, travel: TravelTable, outcome: Outcome, budget: Budget
) -> Plan:
    assignment = _assign(day, outcome.columns)
    vans = {van.id: van for van in day.vans}
    routes: list[Route] = []
    for van_id, call_ids in assignment.items():
        route = lay_out(day, travel, vans[van_id], call_ids)
        if route is None:
            raise Defect(f"the search kept a route of van {van_id} that does not work")
        routes.append(route)
    issues = share_parts(day, assignment)
    if issues is None:
        raise Defect("the search promised parts that are not there")
    plan = Plan(
        routes=tuple(routes),
        issues=(*issues, *spare_issues(day, routes, issues)),
        unplaced=explain(day, travel, routes, issues),
        status=_status(outcome, sum(route.cost_units for route in routes), budget),
    )
    violations = judge(day, travel, plan)
    if violations:
        raise Defect(
            "keyround's own judge refuses the plan:\n"
            + "\n".join(str(violation) for violation in violations)
        )
    return plan


def _status(outcome: Outcome, cost_units: int, budget: Budget) -> Status:
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
