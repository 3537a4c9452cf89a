"""A rich, invented answer for the reports' tests: consistent, but made by hand.

Driving here is 120 s for every drive plus the straight line times 1.3 at 50 km/h,
at one speed all day; the order of the stops is written down, their times follow.
"""

import math
from dataclasses import replace
from datetime import date
from zoneinfo import ZoneInfo

from shared.model import (
    Answer,
    AtRisk,
    Break,
    Call,
    Caution,
    Conflict,
    Day,
    Fetch,
    Issue,
    Kind,
    Link,
    Origin,
    Outlook,
    Part,
    PickLine,
    PickList,
    Place,
    Plan,
    Proof,
    Purchase,
    Purpose,
    Rates,
    ReadyItem,
    ReadyKind,
    ReadyState,
    Reason,
    Route,
    Rule,
    Shortage,
    Status,
    Stop,
    StopKind,
    Store,
    Tonight,
    Tool,
    ToolUse,
    Traffic,
    TravelRules,
    Unplaced,
    Van,
)
from shared.trade import cautions
from shared.units import UNITS_PER_CENT, UNITS_PER_METRE, UNITS_PER_SECOND
from tests.builders import HOUR_S, at, need, window

MINUTE_S = 60

CODE = ReadyItem(
    kind=ReadyKind.CODE,
    cost_cents=2450,
    lead_time_s=8 * HOUR_S,
    note="PIN 9911-secret",
)
AUTHORITY = ReadyItem(
    kind=ReadyKind.AUTHORITY, owner="customer", lead_time_s=2 * HOUR_S
)
KEYS = ReadyItem(kind=ReadyKind.KEYS_PRESENT, owner="customer", lead_time_s=HOUR_S)
BATTERY = ReadyItem(kind=ReadyKind.BATTERY, owner="driver")


def _named(name: str, north: float, east: float) -> Place:
    return replace(at(north, east), name=name)


SHOP = _named("Shop, Brass Yard 1", 0, 0)
HOME = _named("Home, Willow Row 8", -4.2, 5.5)

KINDS = {
    kind.id: kind
    for kind in (
        Kind(
            id="lockout_vehicle",
            name="Vehicle lockout",
            median_s=25 * MINUTE_S,
            p90_s=45 * MINUTE_S,
            cautions=("locked_in",),
        ),
        Kind(
            id="lockout_house",
            name="House lockout",
            median_s=30 * MINUTE_S,
            p90_s=60 * MINUTE_S,
            cautions=("locked_in",),
        ),
        Kind(id="add_key", name="Add a key", median_s=2400, p90_s=3600),
        Kind(
            id="all_keys_lost",
            name="All keys lost",
            median_s=75 * MINUTE_S,
            p90_s=120 * MINUTE_S,
            skills=frozenset({"programming"}),
            cautions=("airbag",),
        ),
        Kind(id="extraction", name="Broken-key extraction", median_s=1800, p90_s=3000),
        Kind(
            id="ignition",
            name="Ignition cylinder",
            median_s=60 * MINUTE_S,
            p90_s=100 * MINUTE_S,
            cautions=("airbag",),
        ),
        Kind(id="rekey", name="Rekey", median_s=50 * MINUTE_S, p90_s=80 * MINUTE_S),
        Kind(
            id="safe_opening",
            name="Safe opening",
            median_s=120 * MINUTE_S,
            p90_s=240 * MINUTE_S,
            skills=frozenset({"safes"}),
        ),
    )
}

CAUTIONS = (
    Caution(
        id="locked_in",
        text=(
            "A child, an animal or an ill person locked in: ring the emergency "
            "number first, then drive. Breaking a window is their call to make."
        ),
        source="common practice, no source",
        emergency=True,
    ),
    Caution(
        id="airbag",
        text=(
            "Work near the steering column: disconnect the battery and wait as the "
            "vehicle's manual says before touching anything near an airbag."
        ),
        source="common practice, no source",
    ),
    cautions()["working_hours"],
)

PARTS = {
    part.id: part
    for part in (
        Part(
            id="FOB-3",
            name="Three-button fob",
            category="fob",
            unit_cost_cents=1850,
            bin="B2",
            lead_time_s=36 * HOUR_S,
        ),
        Part(
            id="FOB-3K",
            name="Three-button fob kit",
            category="kit",
            components=(("FOB-3", 1), ("BLADE-7", 1), ("CELL-2", 1)),
        ),
        Part(
            id="BLADE-7",
            name="Emergency blade blank, laser track",
            category="blade",
            unit_cost_cents=420,
            bin="B3",
            spoil_rate=0.08,
        ),
        Part(
            id="CELL-2",
            name="Flat cell 3 V",
            category="cell",
            unit_cost_cents=90,
            bin="A9",
        ),
        Part(
            id="BLANK-1",
            name="House blank, six pin",
            category="blank",
            unit_cost_cents=110,
            bin="A1",
            spoil_rate=0.05,
        ),
        Part(
            id="BLANK-4",
            name="Chip blank, edge cut",
            category="blank",
            unit_cost_cents=650,
            bin="A4",
            spoil_rate=0.06,
        ),
        Part(
            id="BLANK-5",
            name="Chip blank, edge cut, long head",
            category="blank",
            unit_cost_cents=700,
            bin="A5",
            spoil_rate=0.06,
        ),
        Part(
            id="CYL-30",
            name="Door cylinder 30/30",
            category="cylinder",
            unit_cost_cents=1400,
            bin="C1",
        ),
        Part(
            id="CYL-40",
            name="Door cylinder 40/40",
            category="cylinder",
            unit_cost_cents=1500,
            bin="C2",
        ),
        Part(
            id="IGN-2",
            name="Ignition cylinder, eight wafer",
            category="cylinder",
            unit_cost_cents=3900,
            bin="C7",
        ),
        Part(
            id="FOB-9",
            name="Proximity fob, four button",
            category="fob",
            unit_cost_cents=5200,
            bin="B9",
            lead_time_s=48 * HOUR_S,
        ),
    )
}

CALLS = (
    Call(
        id="C1",
        customer="Ines Ambergate",
        phone="555 0101",
        place=_named("Mill Lane 12", 2.1, 1.4),
        kind="lockout_vehicle",
        description="Blue hatchback, keys on the seat",
        promise=window(8.5, 9.5),
        median_s=25 * MINUTE_S,
        p90_s=45 * MINUTE_S,
        priority=1,
        note="Side gate, mind the step",
    ),
    Call(
        id="C2",
        customer="Orla Pennywhistle",
        phone="555 0102",
        place=_named("Cooper Street 3", 4.8, 3.9),
        kind="add_key",
        description="Grey estate, one working fob",
        windows=(window(9, 13),),
        promise=window(9.5, 11),
        median_s=2400,
        p90_s=3600,
        needs=(need("FOB-3K"),),
        ready=(replace(KEYS), replace(AUTHORITY, state=ReadyState.DONE)),
    ),
    Call(
        id="C3",
        customer="Fenwick Bakery",
        phone="555 0103",
        place=_named("Market Row 20, rear yard", 5.6, -1.2),
        kind="all_keys_lost",
        description="White delivery van, all keys lost",
        promise=window(12, 13.5),
        median_s=75 * MINUTE_S,
        p90_s=120 * MINUTE_S,
        skills=frozenset({"programming"}),
        needs=(need("BLANK-4", "BLANK-5", quantity=2),),
        ready=(CODE, AUTHORITY, BATTERY),
    ),
    Call(
        id="C4",
        customer="Lock Cottage Lettings",
        phone="555 0104",
        place=_named("Lock Cottage, Canal Side", -1.8, -3.6),
        kind="rekey",
        description="Front and back door, tenants moved out",
        windows=(window(12.5, 17),),
        median_s=50 * MINUTE_S,
        p90_s=80 * MINUTE_S,
        needs=(need("CYL-30", quantity=2), need("BLANK-1", quantity=4)),
        priority=3,
    ),
    Call(
        id="C5",
        customer="Per Holloway",
        phone="555 0105",
        place=_named("Orchard Close 7", -2.3, 2.2),
        kind="lockout_house",
        description="Front door shut behind him, flat on the second floor",
        promise=window(8.25, 9),
        median_s=30 * MINUTE_S,
        p90_s=60 * MINUTE_S,
        priority=1,
    ),
    Call(
        id="C6",
        customer="Jun Takamori",
        phone="555 0106",
        place=_named("Station Square 1", -3.9, -0.6),
        kind="extraction",
        description="Half a key left in a garden gate",
        windows=(window(9, 12),),
        promise=window(10.5, 12),
        median_s=1800,
        p90_s=3000,
        needs=(need("BLANK-1"),),
    ),
    Call(
        id="C7",
        customer="Silas Thornbury",
        phone="555 0107",
        place=_named("Quarry Road 44", 3.4, -6.1),
        kind="ignition",
        description="Old pickup, key turns only half-way",
        promise=window(15, 16),
        median_s=60 * MINUTE_S,
        p90_s=100 * MINUTE_S,
        needs=(need("IGN-2"), need("BLANK-4", "BLANK-5")),
        ready=(replace(AUTHORITY, state=ReadyState.WAIVED, waived_by="office"),),
    ),
    Call(
        id="C8",
        customer="Greta Oakhurst",
        phone="555 0108",
        place=_named("Hill Street 2", 1.0, 4.0),
        kind="safe_opening",
        description="Floor safe, dial does not move",
        median_s=120 * MINUTE_S,
        p90_s=240 * MINUTE_S,
        skills=frozenset({"safes"}),
        priority=3,
    ),
    Call(
        id="C9",
        customer="Ruben Aldercroft",
        phone="555 0109",
        place=_named("Dyer's Green 15", -0.7, 6.3),
        kind="add_key",
        description="Black saloon, second proximity fob",
        promise=window(10, 12),
        median_s=2400,
        p90_s=3600,
        needs=(need("FOB-9"),),
        ready=(replace(CODE, cost_cents=3100, lead_time_s=20 * HOUR_S), KEYS),
    ),
    Call(
        id="C10",
        customer="Halvard Moss",
        phone="555 0110",
        place=_named("Tide Lane 5", -1.1, 1.9),
        kind="add_key",
        description="Green van, spare key",
        promise=window(8.25, 9),
        median_s=2400,
        p90_s=3600,
        needs=(need("CELL-2"),),
        equipment=frozenset({"reading scope"}),
    ),
    Call(
        id="C11",
        customer="Halvard Moss",
        phone="555 0110",
        place=_named("Tide Lane 5", -1.1, 1.9),
        kind="rekey",
        description="Store room beside the van",
        preference=window(8, 9),
        median_s=50 * MINUTE_S,
        p90_s=80 * MINUTE_S,
        needs=(need("BLANK-5"),),
        equipment=frozenset({"code cutter"}),
    ),
    Call(
        id="C12",
        customer="Wilma Castlegate",
        phone="555 0112",
        place=_named("Fern Street 31", 2.2, 5.4),
        kind="rekey",
        description="Two doors of a practice",
        windows=(window(9, 17),),
        promise=window(10, 11),
        median_s=50 * MINUTE_S,
        p90_s=80 * MINUTE_S,
        needs=(need("CYL-40", quantity=2),),
        ready=(replace(CODE, state=ReadyState.DONE, cost_cents=1200),),
        priority=1,
    ),
    Call(
        id="C13",
        customer="Bram Ostler",
        phone="555 0113",
        place=_named("Ferry Steps 4", 0.4, 2.8),
        kind="all_keys_lost",
        description="Red roadster, all keys lost",
        promise=window(11.5, 12.5),
        median_s=75 * MINUTE_S,
        p90_s=120 * MINUTE_S,
        ready=(replace(CODE, state=ReadyState.DONE, cost_cents=1900),),
        priority=2,
    ),
)

VANS = (
    Van(
        id="North",
        driver="Ada Quill",
        start=SHOP,
        finish=SHOP,
        loads_at_shop=True,
        shift=window(8, 16),
        overtime_limit_s=5400,
        meal=Break(window=window(11, 13), length_s=30 * MINUTE_S),
        skills=frozenset({"programming"}),
        stock={"FOB-3": 1, "BLANK-4": 1, "CELL-2": 2},
        rates=Rates(km_cents=45, hour_cents=3200, overtime_hour_cents=1600),
    ),
    Van(
        id="South",
        driver="Tobin Reed",
        start=HOME,
        finish=HOME,
        shift=window(7.5, 16.5),
        overtime_limit_s=3600,
        meal=Break(window=window(11.5, 14), length_s=45 * MINUTE_S),
        stock={"CYL-30": 3, "BLANK-1": 8},
        rates=Rates(km_cents=45, hour_cents=3000, overtime_hour_cents=1500),
    ),
    Van(
        id="East",
        driver="Mira Holt",
        start=SHOP,
        finish=SHOP,
        loads_at_shop=True,
        shift=window(8, 16.5),
        meal=Break(window=window(11, 14.5), length_s=30 * MINUTE_S),
        stock={"BLADE-7": 1},
        rates=Rates(km_cents=45, hour_cents=3100, overtime_hour_cents=1500),
        pace={"rekey": 1.2},
        drive_limit_s=4 * HOUR_S,
        work_limit_s=9 * HOUR_S,
    ),
)

DAY = Day(
    date=date(2026, 11, 26),
    zone=ZoneInfo("Europe/Berlin"),
    name="Three vans, thirteen calls",
    note="Invented data: no real people, places or prices.",
    shop=Store(
        id="shop",
        place=SHOP,
        stock={"BLADE-7": 4, "CELL-2": 20, "BLANK-5": 4, "IGN-2": 1},
        restock_s=10 * MINUTE_S,
    ),
    counters=(
        Store(
            id="Eastgate counter",
            place=_named("Eastgate 9", 1.2, 7.7),
            opening=window(7, 16),
            stock={"FOB-9": 2, "CYL-40": 6},
            restock_s=15 * MINUTE_S,
            prices={"CYL-40": 1650},
        ),
    ),
    calls=CALLS,
    vans=VANS,
    parts=PARTS,
    kinds=KINDS,
    cautions={caution.id: caution for caution in CAUTIONS},
    travel=TravelRules(
        start_stop_s=120,
        free_flow_kmh=50.0,
        traffic=Traffic(source="one speed all day, invented"),
        source="straight line times 1.3 at 50 km/h, 2 min for every drive",
    ),
    notices=("calls.csv: column 'colour' is not known and was kept aside",),
    tools=(
        Tool(id="battery stabiliser"),
        Tool(id="reading scope", handover=True),
        Tool(id="code cutter", handover=True),
    ),
    links=(
        Link(first="C10", then="C11", same_van=True, max_gap_s=2 * HOUR_S),
        Link(first="C2", then="C12", min_gap_s=30 * MINUTE_S),
    ),
    exchange=True,
    promises_may_break=True,
)

LATER_CALL = replace(CALLS[3], id="R1", ready=(CODE,), dates=(date(2026, 11, 27),))
_BY_ID = {call.id: call for call in (*CALLS, LATER_CALL)}


def _drive(origin: Place | None, target: Place | None) -> tuple[int, int]:
    if origin is None or target is None or origin == target:
        return 0, 0
    north_km = (target.lat_deg - origin.lat_deg) * 111.2
    east_km = (target.lon_deg - origin.lon_deg) * 71.5
    metres = round(1.3 * 1000 * math.hypot(north_km, east_km))
    return metres, 120 + round(metres / (50 / 3.6))


def _visit(call: Call, van: Van, now_s: int, drive: tuple[int, int]) -> Stop:
    arrive_s = now_s + drive[1]
    length_s = DAY.planned_s(call, van)
    opens = [w.start_s for w in call.windows]
    latest = [w.end_s - length_s for w in call.windows]
    if call.promise is not None:
        opens.append(call.promise.start_s)
        latest.append(call.promise.end_s)
    start_s = max([arrive_s, *opens])
    late_s = max(0, start_s - call.promise.end_s) if call.promise else 0
    return Stop(
        kind=StopKind.CALL,
        call_id=call.id,
        place=call.place,
        drive_m=drive[0],
        drive_s=drive[1],
        arrive_s=arrive_s,
        start_s=start_s,
        finish_s=start_s + length_s,
        slack_s=max(0, min(latest) - start_s) if latest else None,
        late_s=late_s,
    )


def make_route(van: Van, *order: str, leave_s: int, extra_cents: int = 0) -> Route:
    """Return a van's route along call ids.

    'break' and 'break there' are breaks, a store's id is a restock stop.
    """
    place, now_s = van.start, leave_s
    target: Place | None
    stops: list[Stop] = []
    stores = {store.id: store for store in (DAY.shop, *DAY.counters)}
    for position, key in enumerate(order):
        if key in stores:
            target = stores[key].place
            drive = _drive(place, target)
            stops.append(
                Stop(
                    kind=StopKind.RESTOCK,
                    call_id=None,
                    place=target,
                    drive_m=drive[0],
                    drive_s=drive[1],
                    arrive_s=now_s + drive[1],
                    start_s=now_s + drive[1],
                    finish_s=now_s + drive[1] + (stores[key].restock_s or 0),
                    store_id=key,
                )
            )
        elif key.startswith("break") and van.meal is not None:
            if key == "break there":
                target = _BY_ID[order[position + 1]].place
            else:
                target = place
            drive = _drive(place, target)
            start_s = max(now_s + drive[1], van.meal.window.start_s)
            stops.append(
                Stop(
                    kind=StopKind.BREAK,
                    call_id=None,
                    place=target,
                    drive_m=drive[0],
                    drive_s=drive[1],
                    arrive_s=now_s + drive[1],
                    start_s=start_s,
                    finish_s=start_s + van.meal.length_s,
                )
            )
        else:
            call = _BY_ID[key]
            target = call.place
            stops.append(_visit(call, van, now_s, _drive(place, target)))
        place, now_s = target, stops[-1].finish_s
    last_m, last_s = _drive(place, van.finish)
    finish_s = now_s + last_s
    overtime_s = max(0, finish_s - van.shift.end_s)
    metres = sum(stop.drive_m for stop in stops) + last_m
    return Route(
        van_id=van.id,
        stops=tuple(stops),
        leave_s=leave_s,
        last_drive_m=last_m,
        last_drive_s=last_s,
        finish_s=finish_s,
        overtime_s=overtime_s,
        drive_units=metres * van.rates.km_cents * UNITS_PER_METRE,
        time_units=(finish_s - van.shift.start_s)
        * van.rates.hour_cents
        * UNITS_PER_SECOND,
        overtime_units=overtime_s * van.rates.overtime_hour_cents * UNITS_PER_SECOND,
        late_units=sum(DAY.late_units(stop.late_s) for stop in stops),
        preference_units=UNITS_PER_CENT
        * DAY.preference_cents
        * sum(
            not wish.start_s <= stop.start_s <= wish.end_s
            for stop in stops
            if stop.call_id is not None
            and (wish := _BY_ID[stop.call_id].preference) is not None
        ),
        parts_units=UNITS_PER_CENT * extra_cents,
    )


def _issue(
    van: str, part: str, quantity: int, origin: Origin, **where: object
) -> Issue:
    return Issue(
        van_id=van,
        part_id=part,
        quantity=quantity,
        origin=origin,
        **where,  # type: ignore[arg-type]
    )


ABOARD, FROM_SHOP = Origin.ABOARD, Origin.SHOP
ISSUES = (
    _issue("North", "FOB-3", 1, ABOARD, call_id="C2", need=0, chosen="FOB-3K"),
    _issue("North", "BLADE-7", 1, FROM_SHOP, call_id="C2", need=0, chosen="FOB-3K"),
    _issue("North", "CELL-2", 1, ABOARD, call_id="C2", need=0, chosen="FOB-3K"),
    _issue("North", "BLANK-5", 2, FROM_SHOP, call_id="C3", need=0, chosen="BLANK-5"),
    _issue("North", "IGN-2", 1, FROM_SHOP, call_id="C7", need=0, chosen="IGN-2"),
    _issue("North", "BLANK-4", 1, ABOARD, call_id="C7", need=1, chosen="BLANK-4"),
    _issue("North", "BLADE-7", 1, FROM_SHOP, purpose=Purpose.SPARE),
    _issue("North", "BLANK-5", 1, FROM_SHOP, purpose=Purpose.SPARE),
    _issue("South", "BLANK-1", 1, ABOARD, call_id="C6", need=0, chosen="BLANK-1"),
    _issue("South", "CYL-30", 2, ABOARD, call_id="C4", need=0, chosen="CYL-30"),
    _issue("South", "BLANK-1", 4, ABOARD, call_id="C4", need=1, chosen="BLANK-1"),
    _issue("South", "BLANK-1", 1, ABOARD, purpose=Purpose.SPARE),
    _issue(
        "East",
        "CELL-2",
        1,
        Origin.VAN,
        from_van="North",
        call_id="C10",
        need=0,
        chosen="CELL-2",
    ),
    _issue("East", "BLADE-7", 1, ABOARD, purpose=Purpose.SPARE),
    _issue(
        "East",
        "BLANK-5",
        1,
        Origin.RESTOCK,
        store_id="shop",
        call_id="C11",
        need=0,
        chosen="BLANK-5",
    ),
    # At the counter one costs 16.50 instead of 15.00.
    _issue(
        "East",
        "CYL-40",
        2,
        Origin.RESTOCK,
        store_id="Eastgate counter",
        call_id="C12",
        need=0,
        chosen="CYL-40",
        extra_cents=300,
    ),
)

TOOLS = (
    ToolUse(van_id="North", tool_id="battery stabiliser"),
    ToolUse(van_id="East", tool_id="reading scope", returned=True),
    ToolUse(van_id="East", tool_id="code cutter", collected=True),
)


def _line(
    part: str, load: int, aboard: int, *, spares: int = 0, **rest: object
) -> PickLine:
    return PickLine(
        part_id=part,
        name=PARTS[part].name,
        bin=PARTS[part].bin,
        load=load,
        aboard=aboard,
        spares=spares,
        **rest,  # type: ignore[arg-type]
    )


PICK_LISTS = (
    PickList(
        van_id="North",
        lines=(
            _line("BLANK-4", 0, 1, call_ids=("C7",), note="spare wanted, none left"),
            _line(
                "BLANK-5",
                3,
                0,
                spares=1,
                call_ids=("C3",),
                instead_of=("BLANK-4",),
            ),
            _line("CELL-2", 0, 1, call_ids=("C2",)),
            _line("FOB-3", 0, 1, call_ids=("C2",)),
            _line("BLADE-7", 2, 0, spares=1, call_ids=("C2",)),
            _line("IGN-2", 1, 0, call_ids=("C7",)),
        ),
        gives=(("CELL-2", "East", 1),),
        tools=TOOLS[:1],
    ),
    PickList(
        van_id="South",
        lines=(
            _line(
                "BLANK-1",
                0,
                6,
                spares=1,
                call_ids=("C6", "C4"),
            ),
            _line("CYL-30", 0, 2, call_ids=("C4",)),
        ),
    ),
    PickList(
        van_id="East",
        lines=(
            _line("CELL-2", 0, 0, call_ids=("C10",), from_vans=(("North", 1),)),
            _line("BLADE-7", 0, 1, spares=1),
        ),
        fetches=(
            Fetch(store_id="shop", lines=(_line("BLANK-5", 1, 0, call_ids=("C11",)),)),
            Fetch(
                store_id="Eastgate counter",
                # A counter's bins are not known.
                lines=(replace(_line("CYL-40", 2, 0, call_ids=("C12",)), bin=""),),
                cost_cents=3300,
            ),
        ),
        tools=TOOLS[1:],
    ),
)

ROUTES = (
    make_route(VANS[0], "C1", "C2", "break there", "C3", "C7", leave_s=30_247),
    make_route(VANS[1], "C5", "C6", "break", "C4", leave_s=29_000),
    make_route(
        VANS[2],
        "C10",
        "shop",
        "C11",
        "Eastgate counter",
        "break",
        "C12",
        leave_s=29_400,
        extra_cents=300,
    ),
)

PLAN = Plan(
    routes=ROUTES,
    issues=ISSUES,
    unplaced=(
        Unplaced(
            call_id="C8",
            reasons=tuple(
                Reason(
                    rule=Rule.SKILL,
                    text="the driver does not do safes",
                    van_id=van.id,
                    remedy="a driver who does safes",
                )
                for van in VANS
            ),
        ),
        Unplaced(
            call_id="C9",
            reasons=(
                Reason(
                    rule=Rule.READY,
                    text=(
                        "the code cannot be there before 14:00; the promise ends "
                        "at 12:00"
                    ),
                    remedy="promise 14:00 or later",
                ),
                Reason(
                    rule=Rule.STOCK,
                    text="FOB-9 is neither aboard nor in the shop",
                    van_id="North",
                    remedy="one FOB-9 aboard",
                ),
                Reason(
                    rule=Rule.STOCK,
                    text="FOB-9 is not aboard, and this van does not load at the shop",
                    van_id="South",
                    remedy="one FOB-9 aboard",
                ),
            ),
        ),
        Unplaced(
            call_id="C13",
            reasons=(Reason(rule=Rule.ROOM, text="no van has the time left"),),
        ),
    ),
    tools=TOOLS,
    late=(
        Unplaced(
            call_id="C12",
            reasons=(
                Reason(
                    rule=Rule.RESTOCK,
                    text="the cylinders have to be fetched at Eastgate 9 first",
                    van_id="East",
                    remedy="two CYL-40 aboard",
                ),
                Reason(rule=Rule.ROOM, text="its day is full by then", van_id="North"),
            ),
        ),
    ),
    conflicts=(
        Conflict(
            call_ids=("C12", "C13"),
            text="Calls C12 and C13 cannot both be served: either of them can",
        ),
    ),
    status=Status(
        proof=Proof.BOUNDED,
        bound_units=math.floor(sum(r.cost_units for r in ROUTES) / 1.0125),
        rounds=40_000,
        seed=7,
    ),
)

ANSWER = Answer(
    day=DAY,
    plan=PLAN,
    pick_lists=PICK_LISTS,
    shortages=(
        Shortage(
            part_id="FOB-9",
            name=PARTS["FOB-9"].name,
            wanted=1,
            available=0,
            call_ids=("C9",),
            elsewhere=(("Eastgate counter", 2),),
        ),
        Shortage(
            part_id="BLANK-4",
            name=PARTS["BLANK-4"].name,
            wanted=2,
            available=1,
            spares=1,
        ),
    ),
    purchases=(
        Purchase(
            part_id="FOB-9",
            name=PARTS["FOB-9"].name,
            quantity=1,
            cost_cents=5200,
            lead_time_s=48 * HOUR_S,
            in_time=False,
            call_ids=("C9",),
            where="Eastgate counter",
        ),
        Purchase(
            part_id="BLANK-4",
            name=PARTS["BLANK-4"].name,
            quantity=1,
            cost_cents=650,
            lead_time_s=None,
            in_time=None,
            call_ids=("C7",),
            purpose=Purpose.SPARE,
        ),
    ),
    tonight=(
        Tonight(
            call_id="C9",
            item=CALLS[8].ready[0],
            ask="If call C9 gets a place: Buy the code for Black saloon (costs 31.00).",
            by_s=None,
        ),
        Tonight(
            call_id="C3",
            item=CODE,
            ask="Buy the code for White delivery van (costs 24.50).",
            by_s=ROUTES[0].stops[3].start_s - 8 * HOUR_S,
        ),
        Tonight(
            call_id="C3",
            item=AUTHORITY,
            ask="Ring Fenwick Bakery (555 0103): ask for proof that they own the van.",
            by_s=ROUTES[0].stops[3].start_s - 2 * HOUR_S,
        ),
        Tonight(
            call_id="C2",
            item=KEYS,
            ask="Ring Orla Pennywhistle (555 0102): have every key there is at hand.",
            by_s=ROUTES[0].stops[1].start_s - HOUR_S,
        ),
        Tonight(
            call_id="C9",
            item=KEYS,
            ask="If call C9 gets a place: Ring Ruben Aldercroft: have every key.",
            by_s=None,
        ),
        Tonight(
            call_id="C3",
            item=BATTERY,
            ask="Ada Quill, for call C3: pack the battery support unit, charged.",
            by_s=ROUTES[0].stops[3].start_s,
        ),
    ),
    cautions=CAUTIONS,
    at_risk=(
        AtRisk(
            call_id="C13",
            text="Paid for, but the call is not planned: code for Red roadster.",
            cost_cents=1900,
            spent=True,
        ),
        AtRisk(
            call_id="C9",
            text=(
                "Do not pay for it yet, the call is not planned: code for Black saloon."
            ),
            cost_cents=3100,
            spent=False,
        ),
    ),
)


def later_answer() -> Answer:
    """Return the day after: van South alone, with one call and its code to buy."""
    day = replace(
        DAY,
        date=date(2026, 11, 27),
        planned_at_s=DAY.planned_at_s - 24 * HOUR_S,
        calls=(LATER_CALL,),
        tools=(),
        links=(),
        notices=(),
    )
    route = make_route(VANS[1], "R1", leave_s=44_000)
    return Answer(
        day=day,
        plan=Plan(
            routes=(route,),
            issues=tuple(replace(issue, call_id="R1") for issue in ISSUES[9:11]),
            unplaced=(),
            status=Status(proof=Proof.BEST_FOUND),
        ),
        pick_lists=(
            PickList(
                van_id="South",
                lines=(
                    _line("BLANK-1", 0, 4, call_ids=("R1",)),
                    _line("CYL-30", 0, 2, call_ids=("R1",)),
                ),
            ),
        ),
        shortages=(),
        purchases=(),
        tonight=(
            Tonight(
                call_id="R1",
                item=CODE,
                ask="Buy the code for the front door (costs 24.50).",
                by_s=route.stops[0].start_s - CODE.lead_time_s,
            ),
        ),
        cautions=(CAUTIONS[2],),
    )


OUTLOOK = Outlook(answers=(ANSWER, later_answer()))

HOSTILE = (
    "<script>alert('x')</script> \x1b[31m=HYPERLINK(\"x\") "
    "Donaudampfschifffahrtsgesellschaftskapitaenswitwenverein"
    "undderenschluesseldienstbeauftragte 錠前と合鍵の店二階入口左側 "
    "\u202eevil\r\n+1;DROP"
)


def hostile_answer() -> Answer:
    """Return the sample with hostile words wherever a person types."""
    calls = tuple(
        replace(
            call,
            customer=HOSTILE,
            phone="+49 555 0101",
            description="=1+1 " + HOSTILE,
            note="@" + HOSTILE,
            place=replace(call.place, name="-" + HOSTILE),
        )
        for call in CALLS
    )
    routes = tuple(
        replace(
            route,
            stops=tuple(
                replace(
                    stop, place=stop.place and replace(stop.place, name="-" + HOSTILE)
                )
                for stop in route.stops
            ),
        )
        for route in ROUTES
    )
    vans = tuple(replace(van, driver=HOSTILE) for van in VANS)
    parts = {key: replace(part, name=HOSTILE) for key, part in PARTS.items()}
    picks = tuple(
        replace(
            pick,
            lines=tuple(
                replace(line, name=HOSTILE, bin="=B" + HOSTILE, note=HOSTILE)
                for line in pick.lines
            ),
            fetches=tuple(
                replace(
                    fetch,
                    lines=tuple(replace(line, name=HOSTILE) for line in fetch.lines),
                )
                for fetch in pick.fetches
            ),
            tools=tuple(replace(use, tool_id=HOSTILE) for use in pick.tools),
        )
        for pick in PICK_LISTS
    )
    counters = tuple(
        replace(counter, place=replace(counter.place, name="=" + HOSTILE))
        for counter in DAY.counters
    )
    return replace(
        ANSWER,
        day=replace(
            DAY,
            calls=calls,
            vans=vans,
            parts=parts,
            name=HOSTILE,
            note=HOSTILE,
            notices=(HOSTILE,),
            counters=counters,
        ),
        plan=replace(
            PLAN,
            routes=routes,
            tools=tuple(replace(use, tool_id=HOSTILE) for use in TOOLS),
            late=tuple(
                replace(
                    entry,
                    reasons=tuple(
                        replace(reason, text=HOSTILE, remedy=HOSTILE)
                        for reason in entry.reasons
                    ),
                )
                for entry in PLAN.late
            ),
            conflicts=tuple(
                replace(each, text="@" + HOSTILE) for each in PLAN.conflicts
            ),
        ),
        at_risk=tuple(replace(risk, text="=" + HOSTILE) for risk in ANSWER.at_risk),
        pick_lists=picks,
        tonight=tuple(replace(item, ask=HOSTILE) for item in ANSWER.tonight),
        purchases=tuple(
            replace(p, name=HOSTILE, where=HOSTILE) for p in ANSWER.purchases
        ),
    )
