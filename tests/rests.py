"""The rest of an invented day, part way through: all has gone as planned until then.

Made from the morning's plan alone, so that what is asked of the rest of a day can be
tested without a list of facts.
"""

from collections import Counter
from dataclasses import replace

from dispatch.generator import generate_day
from dispatch.offer import restrict
from dispatch.planner import Budget, plan_day
from dispatch.rest import Rest
from dispatch.timetable import Task
from dispatch.travel import extend_table, travel_table
from shared.model import (
    Call,
    Day,
    Link,
    Origin,
    Place,
    Plan,
    Purpose,
    Route,
    Standing,
    Stop,
    StopKind,
    Van,
    Window,
)

NOW_S = 10 * 3600 + 40 * 60


def planned(day: Day, rounds: int = 1_000) -> Plan:
    """Return the morning's plan, without trying what would help."""
    return plan_day(day, Budget(rounds=rounds, replans=False))


def rest_at(day: Day, plan: Plan, now_s: int = NOW_S) -> Rest:
    """Return the rest of a day that has gone as planned until now.

    What a van does now, or is driving to, is finished first.
    """
    routes = {route.van_id: route for route in plan.routes}
    behind: dict[str, tuple[Stop, ...]] = {}
    for route in plan.routes:
        stops = route.stops
        count = sum(stop.arrive_s - stop.drive_s < now_s for stop in stops)
        behind[route.van_id] = stops[:count]
    vans = tuple(
        _van(plan, van, routes.get(van.id), behind.get(van.id, ()), now_s)
        for van in day.vans
    )
    done = {stop.call_id: stop for some in behind.values() for stop in some}
    gone: Counter[tuple[str, str]] = Counter()
    for issue in plan.issues:
        source = issue.store_id or (day.shop.id if issue.origin is Origin.SHOP else "")
        if issue.origin is Origin.RESTOCK and not _was_at(
            behind[issue.van_id], issue.store_id
        ):
            continue
        gone[source, issue.part_id] += issue.quantity
    stores = [
        replace(
            store,
            stock={
                part: count - gone[store.id, part]
                for part, count in store.stock.items()
            },
        )
        for store in (day.shop, *day.counters)
    ]
    links = tuple(x for x in day.links if x.first not in done)
    tied = {link.then: link for link in day.links if link.first in done}
    at = {s.call_id: (r.van_id, s) for r in plan.routes for s in r.stops}
    calls = tuple(
        _call(day, call, tied.get(call.id), done, at.get(call.id))
        for call in day.calls
        if call.id not in done
    )
    rest_day = restrict(
        replace(
            day,
            calls=calls,
            vans=vans,
            shop=stores[0],
            counters=tuple(stores[1:]),
            tools=tuple(
                replace(tool, quantity=left)
                for tool in day.tools
                if (
                    left := tool.quantity
                    - sum(use.tool_id == tool.id for use in plan.tools)
                )
                > 0
            ),
            links=links,
            exchange=False,
            promises_may_break=True,
        ),
        {call.id for call in calls},
    )
    return Rest(
        day=rest_day,
        travel=extend_table(travel_table(day), rest_day),
        standing={
            route.van_id: tuple(
                _task(stop)
                for stop in route.stops[len(behind[route.van_id]) :]
                if stop.kind is not StopKind.BREAK
            )
            for route in plan.routes
        },
        frozen=dict(behind),
        now_s=now_s,
    )


def _task(stop: Stop) -> Task:
    # As it stands or later: a customer who is told a time is not visited sooner.
    return Task(call_id=stop.call_id, store_id=stop.store_id)


def _was_at(stops: tuple[Stop, ...], store_id: str | None) -> bool:
    return any(stop.store_id == store_id for stop in stops)


def _van(
    plan: Plan,
    van: Van,
    route: Route | None,
    behind: tuple[Stop, ...],
    now_s: int,
) -> Van:
    aboard = Counter(van.stock)
    done = {stop.call_id for stop in behind}
    for issue in plan.issues:
        if issue.from_van == van.id:
            aboard[issue.part_id] -= issue.quantity
        if issue.van_id != van.id:
            continue
        fetched = issue.origin is Origin.RESTOCK
        if issue.origin is not Origin.ABOARD and (
            not fetched or _was_at(behind, issue.store_id)
        ):
            aboard[issue.part_id] += issue.quantity
        if issue.purpose is Purpose.CALL and issue.call_id in done:
            aboard[issue.part_id] -= issue.quantity
    tools = {use.tool_id for use in plan.tools if use.van_id == van.id}
    place: Place | None = van.start
    free_s = max(now_s, van.shift.start_s)
    for stop in behind:
        place = stop.place or place
        free_s = max(free_s, stop.finish_s)
    meal = van.meal
    if any(stop.kind is StopKind.BREAK for stop in behind):
        meal = None
    if meal is not None and free_s + meal.length_s > meal.window.end_s:
        meal = None
    shift = Window(start_s=free_s, end_s=max(free_s, van.shift.end_s))
    return replace(
        van,
        start=place,
        shift=shift,
        overtime_limit_s=van.overtime_limit_s
        if shift == van.shift or van.shift.end_s >= free_s
        else 0,
        meal=meal,
        stock=+aboard,
        equipment=van.equipment | tools,
        loads_at_shop=van.loads_at_shop and not behind,
        drive_limit_s=_left(van.drive_limit_s, sum(s.drive_s for s in behind)),
        work_limit_s=_left(
            van.work_limit_s, free_s - route.leave_s if behind and route else 0
        ),
    )


def _left(limit_s: int | None, gone_s: int) -> int | None:
    return None if limit_s is None else max(1, limit_s - gone_s)


def _call(
    day: Day,
    call: Call,
    link: Link | None,
    done: dict[str | None, Stop],
    at: tuple[str, Stop] | None,
) -> Call:
    if link is not None:
        first_s = done[link.first].finish_s + link.min_gap_s
        last_s = 2 * 86_400
        if link.max_gap_s is not None:
            last_s = done[link.first].finish_s + link.max_gap_s + day.planned_s(call)
        windows = call.windows or (Window(start_s=0, end_s=2 * 86_400),)
        cut = [
            Window(start_s=max(w.start_s, first_s), end_s=min(w.end_s, last_s))
            for w in windows
            if max(w.start_s, first_s) <= min(w.end_s, last_s)
        ]
        call = replace(call, windows=tuple(cut))
    if at is not None:
        van_id, stop = at
        call = replace(
            call,
            standing=Standing(
                van_id=van_id,
                window=Window(
                    start_s=max(0, stop.start_s - day.tolerance_s),
                    end_s=stop.start_s + day.tolerance_s,
                ),
                told=call.promise is not None,
            ),
        )
    return call


def urgent_call(seed: int, rest: Rest) -> Call:
    """Return an urgent call, as some other invented day has them, near this one's."""
    other = generate_day(10_000 + seed, 1, 1, ease=0.0).calls[0]
    calls = rest.day.calls
    near = calls[seed % len(calls)].place if calls else rest.day.shop.place
    lat = near.lat_deg + 0.01 * ((seed * 7) % 5 - 2)
    lon = near.lon_deg + 0.01 * ((seed * 11) % 5 - 2)
    # Its parts are those of this day: some other call's.
    model = next((c for c in calls[seed % 7 :] if c.needs), None)
    some = model if model is not None and seed % 3 else other
    return replace(
        some,
        id=f"URGENT{seed}",
        place=Place(lat_deg=round(lat, 5), lon_deg=round(lon, 5), name="Urgent"),
        customer="Customer in need",
        needs=some.needs if some is model else (),
        windows=(),
        promise=None,
        preference=None,
        dates=(),
        required_van=None,
        ready=(),
        priority=1,
        standing=None,
    )
