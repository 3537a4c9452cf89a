"""A sheet as the service serves it, written out by hand after the demo 'live_day'.

Invented: the town, the people, the vehicles and the parts.
"""

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import shared

DAY = "2026-12-04"
Json = dict[str, Any]
TRADE = Path(shared.__file__).parent / "trade" / "cautions.toml"
SHOP = {"name": "Workshop, 5 Cooper's Lane", "lat_deg": 53.7, "lon_deg": -1.3}
NAMES = {
    "FOB-71": ("Fob, three buttons", "B1"),
    "FOB-72": ("Fob, proximity", "B2"),
    "BLADE-71": ("Emergency blade blank, milled", "A1"),
    "BLANK-81": ("Vehicle blank, side-milled", "A2"),
    "CELL-20": ("Coin cell, 20 mm", "C1"),
    "IGN-9": ("Ignition cylinder with housing", "E1"),
}
VEHICLE = ("authority", "keys_erased", "battery", "high_voltage", "cutting", "cell")


def at(clock: str) -> str:
    """Return a time of the day as the service writes it."""
    return f"{DAY}T{clock}:00+00:00"


def span(start: str, end: str) -> Json:
    return {"start_at": at(start), "end_at": at(end)}


def ready(kind: str, state: str = "done", **more: Any) -> Json:
    return {
        "kind": kind,
        "state": state,
        "owner": "office",
        "waived_by": "",
        "cost_cents": 0,
        "lead_time_s": 0,
        "note": "",
    } | more


def take(part_id: str, quantity: int = 1, origin: str = "aboard", **more: Any) -> Json:
    name, bin_ = NAMES[part_id]
    return {
        "part_id": part_id,
        "name": name,
        "quantity": quantity,
        "bin": bin_,
        "origin": origin,
        "from": None,
        "instead_of": None,
    } | more


def pick(part_id: str, **more: Any) -> Json:
    name, bin_ = NAMES[part_id]
    return {
        "part_id": part_id,
        "name": name,
        "bin": bin_,
        "load": 0,
        "aboard": 0,
        "from_vans": [],
        "spares": 0,
        "call_ids": [],
        "instead_of": [],
        "note": "",
    } | more


def stop(times: tuple[str, str, str, str], **more: Any) -> Json:
    """Return a stop; times: leave, arrive, start, finish."""
    leave, arrive, start, finish = times
    return {
        "key": "break",
        "kind": "break",
        "number": None,
        "state": "open",
        "leave_at": at(leave),
        "arrive_at": at(arrive),
        "start_at": at(start),
        "finish_at": at(finish),
        "leave_by": None,
        "slack_s": None,
        "tight": False,
        "late_s": 0,
        "place": None,
        "call": None,
        "take": [],
        "tools": [],
        "restock": None,
        "is_shop": False,
    } | more


def visit(
    number: int, times: tuple[str, str, str, str], call: Json, **more: Any
) -> Json:
    """Return a stop at a customer's."""
    call = {
        "phone": f"+0 300{call['id']}",
        "description": "",
        "note": "",
        "priority": 2,
        "promise": None,
        "told": None,
        "planned_s": 2400,
        "ready": [],
        "cautions": ["authority", "licence"],
        "has_code": False,
    } | call
    return stop(
        times,
        key=f"call:{call['id']}",
        kind="call",
        number=number,
        call=call,
        **({"leave_by": at(times[0])} | more),
    )


def cautions() -> list[Json]:
    table = tomllib.loads(TRADE.read_text(encoding="utf-8"))["cautions"]
    return [
        {
            "id": key,
            "text": each["text"],
            "source": each["source"],
            "emergency": each.get("emergency", False),
        }
        for key, each in table.items()
    ]


def place(name: str, lat: float, lon: float) -> Json:
    return {"name": name, "lat_deg": lat, "lon_deg": lon}


def stops() -> list[Json]:
    """Return Mira's day of the demo, as planned in the morning."""
    car = [
        ready(kind)
        for kind in ("code", "authority", "vehicle_place", "signal", "battery")
    ]
    return [
        visit(
            1,
            ("07:58", "08:06", "08:06", "08:50"),
            {
                "id": "501",
                "customer": "Agnes Tolley",
                "kind": "add_key",
                "kind_name": "Add a key",
                "description": "small hatchback 2017",
                "promise": span("08:00", "09:30"),
                "ready": [*car, ready("keys_present")],
                "cautions": [*VEHICLE, "roadside", "licence"],
                "has_code": True,
            },
            place=place("8 Orchard Street", 53.7105, -1.312),
            take=[
                take("FOB-71"),
                take("BLADE-71"),
                take("CELL-20"),
            ],
            slack_s=5040,
        ),
        visit(
            2,
            ("08:51", "09:04", "09:04", "10:38"),
            {
                "id": "502",
                "customer": "Corin Vale",
                "kind": "all_keys_lost",
                "kind_name": "All keys lost",
                "description": "estate 2019",
                "note": "customer is without a car",
                "priority": 1,
                "promise": span("09:00", "10:30"),
                "ready": [
                    *car[:4],
                    ready("battery", "open", owner="driver", note="stood for weeks"),
                ],
                "cautions": ["locked_in", *VEHICLE, "side_airbag", "licence"],
                "has_code": True,
            },
            place=place("21 Lockgate", 53.718, -1.285),
            take=[
                take("FOB-72"),
                take("BLADE-71", origin="shop"),
                take("CELL-20"),
            ],
            tools=["long_range_reader"],
            slack_s=5160,
        ),
        stop(
            ("10:39", "10:44", "10:44", "10:56"),
            key="restock:canal_counter",
            kind="restock",
            place=place("Trade counter, 12 Canal Side", 53.714, -1.27),
            restock={
                "store_id": "canal_counter",
                "name": "Trade counter, 12 Canal Side",
                "opening": span("08:00", "16:30"),
                "fetch": [pick("BLANK-81", load=1, call_ids=["503"])],
                "pay_cents": 420,
                "bring_back": [],
                "collect": [],
            },
        ),
        visit(
            3,
            ("10:57", "11:02", "11:30", "11:46"),
            {
                "id": "503",
                "customer": "Ferris & Daughter",
                "kind": "emergency_blade",
                "kind_name": "Emergency blade, cut",
                "description": "two pool cars",
                "promise": span("11:30", "13:00"),
                "told": span("11:30", "12:00"),
                "ready": [ready("authority")],
                "cautions": ["authority", "cutting", "licence"],
            },
            place=place("Unit 3 Malt Yard", 53.704, -1.264),
            take=[
                take("BLANK-81"),
                take("BLANK-81", origin="restock", **{"from": "canal_counter"}),
            ],
            slack_s=1800,
        ),
        stop(("11:46", "11:46", "11:46", "12:16")),
        visit(
            4,
            ("13:22", "13:30", "13:30", "14:15"),
            {
                "id": "504",
                "customer": "Odile Marsh",
                "kind": "add_key",
                "kind_name": "Add a key",
                "description": "city car 2021",
                "promise": span("13:30", "15:00"),
                "told": span("13:30", "14:00"),
                "ready": [
                    *car,
                    ready("keys_present", "waived", waived_by="Odile Marsh"),
                ],
                "cautions": [*VEHICLE, "roadside", "licence"],
                "has_code": True,
            },
            place=place("40 Ropery Road", 53.693, -1.271),
            take=[take("FOB-71"), take("BLADE-71"), take("CELL-20")],
            tight=True,
            slack_s=240,
        ),
        visit(
            5,
            ("14:52", "15:00", "15:00", "16:25"),
            {
                "id": "505",
                "customer": "Barnaby Stone",
                "kind": "ignition_cylinder",
                "kind_name": "Ignition cylinder",
                "description": "van 2011, key sticks",
                "promise": span("15:00", "16:30"),
                "ready": [ready("authority")],
                "cautions": ["authority", "steering_column", "battery", "licence"],
            },
            place=place("2 Chantry View", 53.689, -1.288),
            take=[take("IGN-9", origin="van", **{"from": "hanno"})],
            late_s=720,
            slack_s=0,
        ),
    ]


TURNS = (
    ("Drive west.", 33),
    ("Enter the roundabout and take the 2nd exit onto Upper Invented Row.", 456),
    ("Take the ferry.", 1666),
    ("You have arrived at your destination.", 0),
)


def with_turns(day: Json) -> Json:
    """Lay a sheet on invented roads: each drive has turns, the one to 502 a ferry."""
    for each in day["stops"]:
        if each["kind"] != "break":
            each["turns"] = [{"text": words, "distance_m": m} for words, m in TURNS]
            each["by_ferry"] = each["key"] == "call:502"
    return day | {"roads": "nobody: invented roads, data of 2013-08-03"}


def sheet(states: Mapping[str, str] | None = None, **more: Any) -> Json:
    """Return Mira's sheet; ``states`` says which stops, by key, are how far."""
    day: Json = {
        "format": "keyround sheet",
        "version": 1,
        "day": DAY,
        "zone": "Europe/London",
        "date_words": "Friday 4 December 2026",
        "name": "A day that goes wrong",
        "distance": "km",
        "van": {
            "id": "mira",
            "driver": "Mira Osgood",
            "start": SHOP,
            "finish": SHOP,
            "shift": span("08:00", "17:00"),
            "leave_at": at("07:58"),
            "finish_at": at("16:33"),
        },
        "emergency": [],
        "stops": stops(),
        "pick_list": [
            pick("BLADE-71", load=1, aboard=2, spares=1, call_ids=["501", "502"]),
            pick("IGN-9", from_vans=[{"van_id": "hanno", "quantity": 1}]),
            pick("FOB-71", aboard=2, call_ids=["501", "504"]),
            pick("CELL-20", load=2, aboard=1, call_ids=["501", "502", "504"]),
        ],
        "tools": [
            {"tool_id": "long_range_reader", "collected": False, "returned": False}
        ],
        "stock": [
            {"part_id": part_id, "name": name, "pieces": 2}
            for part_id, (name, _) in NAMES.items()
        ],
        "tonight": [],
        "cautions": cautions(),
    } | more
    for each in day["stops"]:
        each["state"] = (states or {}).get(each["key"], each["state"])
    return day
