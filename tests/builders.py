"""Days, calls and vans with sensible defaults: a test names only what it is about.

The invented town is flat: one hundredth of a degree of latitude is 1.1 km.
"""

from collections.abc import Mapping
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from shared.model import (
    Call,
    Day,
    Issue,
    Need,
    Part,
    Place,
    Plan,
    Proof,
    Rates,
    Reason,
    Route,
    Rule,
    Status,
    Stop,
    StopKind,
    Store,
    Unplaced,
    Van,
    Window,
)

HOUR_S = 3600
SHOP = Place(lat_deg=50.0, lon_deg=8.0, name="Shop")


def at(north: float = 0.0, east: float = 0.0) -> Place:
    """Return a place so many kilometres north and east of the shop."""
    return Place(lat_deg=50.0 + north / 111.2, lon_deg=8.0 + east / 71.5)


def window(start_h: float, end_h: float) -> Window:
    """Return a window between two hours of the day."""
    return Window(start_s=round(start_h * HOUR_S), end_s=round(end_h * HOUR_S))


def need(*alternatives: str, quantity: int = 1) -> Need:
    """Return a need for the first of the alternatives that is there."""
    return Need(alternatives=alternatives, quantity=quantity)


def a_part(part_id: str = "BLANK", **changes: Any) -> Part:
    """Return a blank that costs 3.00."""
    defaults: dict[str, Any] = {
        "id": part_id,
        "name": part_id,
        "unit_cost_cents": 300,
        "bin": "A1",
    }
    return Part(**(defaults | changes))


def a_call(call_id: str = "C1", **changes: Any) -> Call:
    """Return a half-hour lockout at the shop's door, any time."""
    defaults: dict[str, Any] = {
        "id": call_id,
        "place": SHOP,
        "kind": "lockout_vehicle",
        "median_s": 1800,
        "p90_s": 1800,
    }
    return Call(**(defaults | changes))


def a_van(van_id: str = "V1", **changes: Any) -> Van:
    """Return a van that leaves the shop at 8 and is back by 17."""
    defaults: dict[str, Any] = {
        "id": van_id,
        "driver": f"Driver of {van_id}",
        "start": SHOP,
        "finish": SHOP,
        "loads_at_shop": True,
        "shift": window(8, 17),
        "rates": Rates(km_cents=50, hour_cents=3000, overtime_hour_cents=4500),
    }
    return Van(**(defaults | changes))


def a_day(
    *calls: Call,
    vans: tuple[Van, ...] | None = None,
    parts: tuple[Part, ...] = (),
    shop: Mapping[str, int] | None = None,
    **changes: Any,
) -> Day:
    """Return a winter Thursday with one van, planned at 18:00 the evening before."""
    defaults: dict[str, Any] = {
        "date": date(2026, 11, 26),
        "zone": ZoneInfo("Europe/Berlin"),
        "shop": Store(id="shop", place=SHOP, stock=dict(shop or {})),
        "calls": calls,
        "vans": vans if vans is not None else (a_van(),),
        "parts": {part.id: part for part in parts},
    }
    return Day(**(defaults | changes))


def a_plan(
    routes: Mapping[str, tuple[str, ...]],
    issues: tuple[Issue, ...] = (),
    unplaced: tuple[str, ...] = (),
) -> Plan:
    """Return a plan of van ids to call ids; visits start on the hour from 9, no drive.

    Every van sets off at 8. Nothing about it is judged: it is for what surrounds a
    plan.
    """
    made = []
    for van_id, call_ids in routes.items():
        stops = tuple(
            Stop(
                kind=StopKind.CALL,
                call_id=call_id,
                place=SHOP,
                drive_m=0,
                drive_s=0,
                arrive_s=(9 + hour) * HOUR_S,
                start_s=(9 + hour) * HOUR_S,
                finish_s=(9 + hour) * HOUR_S + 1800,
            )
            for hour, call_id in enumerate(call_ids)
        )
        made.append(
            Route(
                van_id=van_id,
                stops=stops,
                leave_s=8 * HOUR_S,
                last_drive_m=0,
                last_drive_s=0,
                finish_s=stops[-1].finish_s,
            )
        )
    return Plan(
        routes=tuple(made),
        issues=issues,
        unplaced=tuple(
            Unplaced(call_id=call_id, reasons=(Reason(rule=Rule.ROOM, text="full"),))
            for call_id in unplaced
        ),
        status=Status(proof=Proof.BEST_FOUND),
    )
