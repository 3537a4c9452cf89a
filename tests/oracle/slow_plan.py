"""Write a brute-force answer out as a whole plan, so that the judge can read it."""

from collections.abc import Iterator
from itertools import product

from dispatch.travel import TravelTable
from shared.model import (
    Call,
    Day,
    Issue,
    Origin,
    Place,
    Plan,
    Proof,
    Reason,
    Route,
    Rule,
    Status,
    Stop,
    StopKind,
    Unplaced,
    Van,
)
from tests.oracle.brute_force import Best
from tests.oracle.slow_schedule import TimedStop, time_route


def plan_of(day: Day, travel: TravelTable, best: Best) -> Plan:
    """Return the plan of a brute-force answer: leaving early, proved best."""
    vans = {van.id: van for van in day.vans}
    routes = tuple(
        route_of(day, travel, vans[van_id], call_ids)
        for van_id, call_ids in best.routes
    )
    placed = {call_id for _, call_ids in best.routes for call_id in call_ids}
    reason = Reason(rule=Rule.ROOM, text="every plan with it places fewer")
    return Plan(
        routes=routes,
        issues=_issues_of(day, best),
        unplaced=tuple(
            Unplaced(call_id=call.id, reasons=(reason,))
            for call in day.calls
            if call.id not in placed
        ),
        status=Status(proof=Proof.PROVED_BEST, bound_units=best.goal[-1]),
    )


def route_of(
    day: Day, travel: TravelTable, van: Van, call_ids: tuple[str, ...]
) -> Route:
    """Return the route of a van that can serve these calls in this order."""
    timed = time_route(day, travel, van, call_ids)
    if timed is None:
        raise ValueError(f"van {van.id} cannot serve {call_ids} in this order")
    overtime_s = max(0, timed.finish_s - van.shift.end_s)
    return Route(
        van_id=van.id,
        stops=tuple(_stop_of(day, van, stop) for stop in timed.stops),
        leave_s=van.shift.start_s,
        last_drive_m=timed.last_drive_m,
        last_drive_s=timed.last_drive_s,
        finish_s=timed.finish_s,
        overtime_s=overtime_s,
        drive_units=timed.distance_m * van.rates.km_cents * 18,
        time_units=(timed.finish_s - van.shift.start_s) * van.rates.hour_cents * 5,
        overtime_units=overtime_s * van.rates.overtime_hour_cents * 5,
    )


def _stop_of(day: Day, van: Van, stop: TimedStop) -> Stop:
    calls = {call.id: call for call in day.calls}
    places: dict[str | None, Place | None] = {
        None: None,
        f"start:{van.id}": van.start,
        f"finish:{van.id}": van.finish,
    } | {f"call:{call.id}": call.place for call in day.calls}
    resting = stop.call_id is None
    return Stop(
        kind=StopKind.BREAK if resting else StopKind.CALL,
        call_id=stop.call_id,
        place=places[stop.node],
        drive_m=stop.drive_m,
        drive_s=stop.drive_s,
        arrive_s=stop.arrive_s,
        start_s=stop.start_s,
        finish_s=stop.finish_s,
        slack_s=None
        if stop.call_id is None
        else _slack_s(day, calls[stop.call_id], stop),
    )


def _slack_s(day: Day, call: Call, stop: TimedStop) -> int | None:
    latest_s = [
        window.end_s - day.planned_s(call)
        for window in call.windows
        if window.start_s <= stop.start_s <= window.end_s - day.planned_s(call)
    ]
    if call.promise is not None:
        latest_s.append(call.promise.end_s)
    return min(latest_s) - stop.start_s if latest_s else None


def _issues_of(day: Day, best: Best) -> tuple[Issue, ...]:
    """Return the first allocation that works, over all choices of alternatives."""
    calls = {call.id: call for call in day.calls}
    needs = [
        (van_id, call_id, row)
        for van_id, call_ids in best.routes
        for call_id in call_ids
        for row in range(len(calls[call_id].needs))
    ]
    for choices in product(
        *(calls[call_id].needs[row].alternatives for _, call_id, row in needs)
    ):
        issues = list(_issue_all(day, needs, choices))
        loaded: dict[str, int] = {}
        for issue in issues:
            if issue.origin is Origin.SHOP:
                loaded[issue.part_id] = loaded.get(issue.part_id, 0) + issue.quantity
        loading = {issue.van_id for issue in issues if issue.origin is Origin.SHOP}
        if all(
            pieces <= day.shop.stock.get(part_id, 0)
            for part_id, pieces in loaded.items()
        ) and all(van.loads_at_shop for van in day.vans if van.id in loading):
            return tuple(issues)
    raise ValueError("the stock does not suffice for these routes")


def _issue_all(
    day: Day, needs: list[tuple[str, str, int]], choices: tuple[str, ...]
) -> Iterator[Issue]:
    """Serve each need by its choice, from aboard first and then from the shop."""
    calls = {call.id: call for call in day.calls}
    aboard = {van.id: dict(van.stock) for van in day.vans}
    for (van_id, call_id, row), choice in zip(needs, choices, strict=True):
        part = day.parts[choice]
        for part_id, count in part.components or ((choice, 1),):
            wanted = count * calls[call_id].needs[row].quantity
            own = min(wanted, aboard[van_id].get(part_id, 0))
            aboard[van_id][part_id] = aboard[van_id].get(part_id, 0) - own
            for origin, pieces in ((Origin.ABOARD, own), (Origin.SHOP, wanted - own)):
                if pieces:
                    yield Issue(
                        van_id=van_id,
                        part_id=part_id,
                        quantity=pieces,
                        origin=origin,
                        call_id=call_id,
                        need=row,
                        chosen=choice,
                    )
