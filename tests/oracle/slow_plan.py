"""Write a brute-force answer out as a whole plan, so that the judge can read it."""

from dispatch.travel import TravelTable
from shared.model import (
    Call,
    Day,
    Issue,
    Place,
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
    Van,
)
from tests.oracle.brute_force import Best, served_of, tools_wanted
from tests.oracle.slow_parts import Parts
from tests.oracle.slow_schedule import (
    Timed,
    TimedStop,
    steps_of,
    store_of,
    time_together,
)


def plan_of(day: Day, travel: TravelTable, best: Best) -> Plan:
    """Return the plan of a brute-force answer, proved best."""
    vans = {van.id: van for van in day.vans}
    steps = {van.id: tuple[str, ...]() for van in day.vans} | {
        van_id: steps_of(day, names) for van_id, names in best.routes
    }
    out = [(vans[van_id], steps[van_id]) for van_id, _ in best.routes]
    timed = time_together(day, travel, out)
    if timed is None:
        raise ValueError(f"nobody can drive {best.routes}")
    served = tuple(served_of(steps[van.id]) for van in day.vans)
    issues = Parts(day).issues(served)
    routes = tuple(
        _route_of(day, van, one, issues)
        for (van, _), one in zip(out, timed, strict=True)
    )
    placed = {call_id for route in routes for call_id in route.call_ids}
    reason = Reason(rule=Rule.ROOM, text="every plan with it is worse")
    return Plan(
        routes=routes,
        issues=issues,
        unplaced=tuple(
            Unplaced(call_id=call.id, reasons=(reason,))
            for call in day.calls
            if call.id not in placed
        ),
        status=Status(proof=Proof.PROVED_BEST, bound_units=best.goal[-1]),
        tools=tuple(
            ToolUse(van_id=van.id, tool_id=tool_id)
            for van, mine in zip(day.vans, served, strict=True)
            for tool_id in tools_wanted(day, van, mine)
        ),
        late=tuple(
            Unplaced(call_id=stop.call_id, reasons=(reason,))
            for route in routes
            for stop in route.stops
            if stop.late_s and stop.call_id is not None
        ),
    )


def _route_of(day: Day, van: Van, timed: Timed, issues: tuple[Issue, ...]) -> Route:
    calls = {call.id: call for call in day.calls}
    stops = tuple(_stop_of(day, van, stop) for stop in timed.stops)
    overtime_s = max(0, timed.finish_s - van.shift.end_s)
    unmet = change_cents = 0
    for stop in stops:
        standing = calls[stop.call_id].standing if stop.call_id is not None else None
        if standing is not None:
            window, moved = standing.window, standing.van_id != van.id
            other_time = not window.start_s <= stop.start_s <= window.end_s
            change_cents += (
                moved * day.change.van_cents
                + other_time * day.change.time_cents
                + other_time * standing.told * day.change.told_cents
            )
        wish = calls[stop.call_id].preference if stop.call_id is not None else None
        if wish is not None and not wish.start_s <= stop.start_s <= wish.end_s:
            unmet += 1
    extra_cents = sum(one.extra_cents for one in issues if one.van_id == van.id)
    return Route(
        van_id=van.id,
        stops=stops,
        leave_s=timed.leave_s,
        last_drive_m=timed.last_drive_m,
        last_drive_s=timed.last_drive_s,
        finish_s=timed.finish_s,
        overtime_s=overtime_s,
        drive_units=timed.distance_m * van.rates.km_cents * 18,
        time_units=(timed.finish_s - van.shift.start_s) * van.rates.hour_cents * 5,
        overtime_units=overtime_s * van.rates.overtime_hour_cents * 5,
        late_units=sum(day.late_units(stop.late_s) for stop in stops),
        preference_units=unmet * day.preference_cents * 18_000,
        change_units=change_cents * 18_000,
        parts_units=extra_cents * 18_000,
    )


def _stop_of(day: Day, van: Van, stop: TimedStop) -> Stop:
    calls = {call.id: call for call in day.calls}
    places: dict[str | None, Place | None] = {
        None: None,
        f"start:{van.id}": van.start,
        f"finish:{van.id}": van.finish,
        "shop": day.shop.place,
    }
    places |= {f"call:{call.id}": call.place for call in day.calls}
    places |= {f"store:{store.id}": store.place for store in day.counters}
    kind, store_id, late_s, slack_s = StopKind.BREAK, None, 0, None
    if stop.call_id is not None:
        kind, call = StopKind.CALL, calls[stop.call_id]
        if call.promise is not None:
            late_s = max(0, stop.start_s - call.promise.end_s)
        slack_s = 0 if late_s else _slack_s(day, van, call, stop)
    elif stop.step is not None:
        kind, store = StopKind.RESTOCK, store_of(day, stop.step)
        store_id = None if store is None else store.id
    return Stop(
        kind=kind,
        call_id=stop.call_id,
        place=places[stop.node],
        drive_m=stop.drive_m,
        drive_s=stop.drive_s,
        arrive_s=stop.arrive_s,
        start_s=stop.start_s,
        finish_s=stop.finish_s,
        slack_s=slack_s,
        store_id=store_id,
        late_s=late_s,
    )


def _slack_s(day: Day, van: Van, call: Call, stop: TimedStop) -> int | None:
    length_s = day.planned_s(call, van)
    latest_s = [
        window.end_s - length_s
        for window in call.windows
        if window.start_s <= stop.start_s <= window.end_s - length_s
    ]
    # A visit of no length may lie in two windows, where they touch.
    latest_s = [max(latest_s)] if latest_s else []
    if call.promise is not None:
        latest_s.append(call.promise.end_s)
    return min(latest_s) - stop.start_s if latest_s else None
