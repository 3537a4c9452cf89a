"""Plan the rest of a day anew, with as little change as that takes.

What stands has a price (:class:`shared.model.ChangePrices`), so that a plan changes
only for something worth more: a call served, a promise kept, or money.
"""

from dispatch.planner import finish, plan_day, write_standing
from dispatch.rest import Rest
from dispatch.rules import goal
from dispatch.solver import Budget
from dispatch.timetable import lay_out_best
from shared.model import Plan, Route, Van

RESHUFFLE_ROUNDS = 3_000  # the search begins from what stands; own choice


def reshuffle(rest: Rest, budget: Budget | None = None) -> Plan:
    """Plan the rest of a day anew.

    Parameters
    ----------
    rest : Rest
        What is left of the day.
    budget : Budget, optional
        How long to search, and whom to tell; by default briefly.

    Returns
    -------
    Plan
        Of ``rest.day``, judged. Where everything that stands can stay as it is, it
        does, unless another plan serves a call more or breaks a promise less.

    Raises
    ------
    InvalidInput
        When the travel table lacks something.
    Defect
        When the judge refuses the plan.
    """
    budget = budget or Budget(rounds=RESHUFFLE_ROUNDS, replans=False)
    day, travel = rest.day, rest.travel
    stood = write_standing(day, travel, rest.standing)
    calm = stood is not None and not any(route.change_units for route in stood.routes)
    if stood is not None and calm:
        served = {call_id for route in stood.routes for call_id in route.call_ids}
        if len(served) == len(day.calls):
            return finish(day, travel, stood, budget)
    start = _what_still_works(rest) if stood is None else stood.routes
    plan = plan_day(day, budget, travel, start)
    if stood is None:
        return plan
    bare = Plan(routes=stood.routes, issues=(), unplaced=(), status=stood.status)
    found, standing = goal(day, plan), goal(day, bare)
    if standing <= found or (calm and standing[:-1] <= found[:-1]):
        return finish(day, travel, stood, budget)
    return plan


def _what_still_works(rest: Rest) -> tuple[Route, ...]:
    """Return the standing routes without the calls that spoil them."""
    routes = (_thinned(rest, van) for van in rest.day.vans)
    return tuple(route for route in routes if route is not None)


def _thinned(rest: Rest, van: Van) -> Route | None:
    """Return one van's standing route without what spoils it; ``None``: all of it.

    Of the calls without which the rest works, the least urgent goes, of these the
    last; where it takes several, the last one goes first.
    """
    day = rest.day
    urgency = {call.id: call.priority for call in day.calls}
    tasks = list(rest.standing.get(van.id, ()))
    while tasks:
        route = lay_out_best(day, rest.travel, van, tasks)
        if route is not None:
            return route
        order = sorted(
            range(len(tasks)),
            key=lambda row: (urgency.get(tasks[row].call_id or "", 0), row),
            reverse=True,
        )
        for row in order:
            fewer = [*tasks[:row], *tasks[row + 1 :]]
            route = lay_out_best(day, rest.travel, van, fewer) if fewer else None
            if route is not None:
                return route
        tasks.pop()
    return None
