"""A folder becomes a day, or a list of everything that is wrong with it."""

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, fields, replace
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from dispatch.gazetteer import pin_line
from dispatch.scenario import cells
from dispatch.scenario.cells import FEW, Refused
from dispatch.scenario.links import LINK_COLUMNS, read_links
from dispatch.scenario.places import Finder, Locator, open_finder, read_point
from dispatch.scenario.source import (
    Findings,
    Row,
    Tree,
    read_table,
    read_tree,
    shown,
)
from shared.errors import Fault, InvalidInput
from shared.model import (
    Access,
    Barred,
    Break,
    Call,
    Day,
    Link,
    Part,
    Place,
    Rates,
    ReadyItem,
    ReadyKind,
    Reserve,
    Rule,
    Store,
    Tool,
    Traffic,
    TravelRules,
    Van,
    Window,
)
from shared.trade import (
    HELD,
    cautions,
    kinds,
    ready_items,
    traffic_profiles,
    work,
)
from shared.units import DayClock, DistanceUnit

CATEGORIES = (
    "blank",
    "fob",
    "blade",
    "chip",
    "cell",
    "cylinder",
    "lock",
    "kit",
    "other",
)
USUAL_RATES = Rates(km_cents=50, hour_cents=3000, overtime_hour_cents=4500)
USUAL_TRAFFIC = "town"
PROMISES = ("keep", "may break")
_FILES = ("day.toml", "calls.csv", "vans.toml", "parts.csv", "stock.csv")
PLACE_KEYS = ("lat", "lon", "name", "address")
HEAD_KEYS = (
    "name",
    "note",
    "date",
    "zone",
    "planned_at",
    "cushion",
    "service_level",
    "tolerance_min",
    "distance",
    "exchange",
    "promises",
    "keep_percent",
    "days",
    "emergency_number",
)
HEAD_TABLES = ("shop", "counter", "tool", "reserve", "costs", "travel", "addresses")
READY_DETAILS = ("lead_h", "cost", "owner", "note")
PART_COLUMNS = (
    "name",
    "category",
    "unit_cost",
    "spoil_rate",
    "bin",
    "substitutes",
    "components",
    "lead_h",
)
ACCESS_COLUMNS = (
    "park_lat",
    "park_lon",
    "park_at",
    "walk_min",
    "search_min",
    "access",
    "no_signal",
)
BY_ADDRESS = {"lat": "address", "lon": "address"}
CALL_COLUMNS = (
    "customer",
    "phone",
    "address",
    "description",
    "windows",
    "promise",
    "preference",
    "dates",
    "median_min",
    "p90_min",
    "needs",
    "skills",
    "equipment",
    "priority",
    "required_van",
    *LINK_COLUMNS,
    *ACCESS_COLUMNS,
    "note",
    *ReadyKind,
    *(f"{kind}_{detail}" for kind in ReadyKind for detail in READY_DETAILS),
)
VAN_KEYS = (
    "id",
    "driver",
    "shift",
    "loads_at_shop",
    "overtime_limit_min",
    "drive_limit_h",
    "work_limit_h",
    "off",
    "skills",
    "equipment",
    "km_cost",
    "hour_cost",
    "overtime_hour_cost",
)
_FARTHEST_M = 1_000_000
_TWO_DAYS_S = 48 * 3600
DEFAULTS: Mapping[str, Any] = {field.name: field.default for field in fields(Day)}
RESERVED: Mapping[str, Any] = {field.name: field.default for field in fields(Reserve)}
MOST_SLOTS = 100


def read_scenario(folder: Path, locator: Locator | None = None) -> Day:
    """Return the day a folder describes.

    Parameters
    ----------
    folder : Path
        Holds ``day.toml``, ``calls.csv``, ``vans.toml``, ``parts.csv``,
        ``stock.csv`` and perhaps ``travel.csv``, ``pins.csv`` and a gazetteer.
    locator : Locator, optional
        What is known of addresses beside the folder; by default nothing is.

    Returns
    -------
    Day
        With every default filled in; ``notices`` says what was left aside. A call
        whose address nobody knows is barred.

    Raises
    ------
    InvalidInput
        With every fault of the folder, file by file.
    """
    findings = Findings()
    _look_at_folder(folder)
    head = _read_head(folder, locator or Locator(), findings)
    parts = _read_parts(folder, findings)
    vans = _read_vans(folder, head, findings)
    stock, prices, bins = _read_stock(folder, head, vans, parts, findings)
    calls, links = _read_calls(folder, head, vans, parts, findings)
    day = replace(
        head.day,
        shop=replace(head.day.shop, stock=stock.get("shop", {})),
        counters=tuple(
            replace(
                counter,
                stock=stock.get(counter.id, {}),
                prices=prices.get(counter.id, {}),
            )
            for counter in head.day.counters
        ),
        parts=parts or {},
        vans=tuple(
            replace(van, stock=stock.get(van.id, {}), bins=bins.get(van.id, {}))
            for van in vans or ()
        ),
        calls=calls,
        links=links,
    )
    _look_at_sharing(head, vans, findings)
    day = _read_travel(folder, head, day, findings)
    _look_at_terms(day, findings)
    if findings.faults:
        files = list(dict.fromkeys(fault.file for fault in findings.faults))
        raise InvalidInput(
            sorted(
                findings.faults,
                key=lambda fault: (files.index(fault.file), fault.row or 0),
            )
        )
    notices = (*findings.notices, *head.finder.notices)
    credit = "; ".join(filter(None, (day.credit, *head.finder.credits)))
    return replace(day, notices=tuple(dict.fromkeys(notices)), credit=credit)


def _look_at_folder(folder: Path) -> None:
    """Refuse what cannot be a day at all, before asking for every file of it."""
    expected = "a folder with day.toml, calls.csv, vans.toml, parts.csv and stock.csv"
    if folder.is_dir():
        if any((folder / name).exists() for name in _FILES):
            return
        got = "a folder without any of a day's files"
        days = sorted(path.parent.name for path in folder.glob("*/day.toml"))
        if days:
            expected += f"; is it one of the folders in it: {', '.join(days[:FEW])}?"
    elif folder.exists():
        got = "a file"
        if (folder.parent / "day.toml").exists():
            expected += f"; is it '{folder.parent}'?"
    else:
        got = "no such folder"
    raise InvalidInput([Fault(file=str(folder), got=got, expected=expected)])


def resolve_traffic(profile: Traffic, clock: DayClock) -> Traffic:
    """Return a local-clock profile in elapsed seconds of one day.

    Parameters
    ----------
    profile : Traffic
        Slots of the local clock that fill 24 hours, each a multiple of 5 minutes.
    clock : DayClock
        The day's clock.

    Returns
    -------
    Traffic
        Slots of elapsed time that cover 48 hours: on a day of 23 or 25 hours the
        rush hour comes when the clock says so.
    """
    speeds = profile.speed_permille
    if len(set(speeds)) == 1:
        return Traffic(speed_permille=speeds[:1], source=profile.source)
    slot_s = math.gcd(profile.slot_s, Traffic().slot_s)
    resolved = []
    for start_s in range(0, _TWO_DAYS_S, slot_s):
        local = cells.stamp(clock, start_s)
        second = local.hour * 3600 + local.minute * 60 + local.second
        resolved.append(speeds[second // profile.slot_s])
    return Traffic(slot_s=slot_s, speed_permille=tuple(resolved), source=profile.source)


# --- day.toml ----------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Head:
    """What ``day.toml`` says: the day without calls, vans, parts and stock."""

    day: Day
    rates: Rates
    matrix: str
    tools: tuple[Row, ...]
    placed: bool  # the shop's place is known, so distances to it can be judged
    dated: bool  # the days that are planned are known, so dates can be judged
    finder: Finder  # of typed addresses


def _read_head(folder: Path, locator: Locator, findings: Findings) -> _Head:
    tree = read_tree(
        folder / "day.toml", findings, why="the date, the time zone and the shop"
    )
    finder = open_finder(tree, folder, locator, findings)
    nowhere = Place(lat_deg=0.0, lon_deg=0.0, name="Shop")
    blank = Day(
        date=date(2026, 1, 1),
        zone=ZoneInfo("UTC"),
        shop=Store(id="shop", place=nowhere),
        calls=(),
        vans=(),
        kinds=kinds(),
        cautions=cautions(),
        name=folder.name,
    )
    if tree is None:
        return _Head(
            day=blank,
            rates=USUAL_RATES,
            matrix="",
            tools=(),
            placed=False,
            dated=False,
            finder=finder,
        )
    row = tree.row(HEAD_KEYS, HEAD_TABLES)
    day = replace(
        blank,
        date=row.demand("date", cells.calendar_day, blank.date),
        zone=row.demand("zone", cells.time_zone, blank.zone),
        name=row.text("name", folder.name),
        note=row.text("note"),
    )
    day = replace(
        day,
        planned_at_s=row.read(
            "planned_at", cells.planned_at(day.clock), DEFAULTS["planned_at_s"]
        ),
        cushion=row.read("cushion", cells.share, DEFAULTS["cushion"]),
        service_level=row.read(
            "service_level", _service_level, DEFAULTS["service_level"]
        ),
        tolerance_s=row.read("tolerance_min", cells.duration, DEFAULTS["tolerance_s"]),
        distance=DistanceUnit(
            row.read(
                "distance",
                cells.one_of(DistanceUnit, "'km' or 'mi' (miles)"),
                DEFAULTS["distance"],
            )
        ),
        exchange=row.read("exchange", cells.yes_no, DEFAULTS["exchange"]),
        promises_may_break=row.read(
            "promises", cells.one_of(PROMISES, "'keep' or 'may break'"), PROMISES[0]
        )
        == PROMISES[1],
        keep_percent=row.read("keep_percent", cells.percent, DEFAULTS["keep_percent"]),
        horizon=row.read("days", cells.days, DEFAULTS["horizon"]),
        emergency_number=row.read(
            "emergency_number", cells.telephone, DEFAULTS["emergency_number"]
        ),
    )
    if day.keep_percent is not None and day.horizon > 1:
        row.refuse("keep_percent", str(day.keep_percent), "days = 1, or no such wish")
    before = len(findings.faults)
    shop = tree.table("shop")
    if shop is None and "shop" not in tree.values:
        row.refuse("shop", "no such table", "a table [shop] with lat and lon")
    elif shop is not None:
        about = shop.row((*PLACE_KEYS, "restock_min"))
        place = _read_place(about, None, finder, "Shop")
        restock_s = about.read("restock_min", cells.visit_length, None)
        day = replace(day, shop=Store(id="shop", place=place, restock_s=restock_s))
    placed = len(findings.faults) == before
    origin = day.shop.place if placed else None
    rates, late_hour_cents, preference_cents = _read_costs(tree)
    tools = _read_tools(tree)
    day = replace(
        day,
        counters=_read_counters(tree, origin, finder, day.clock),
        travel=_read_travel_rules(tree, day.clock),
        late_hour_cents=late_hour_cents,
        preference_cents=preference_cents,
        tools=tuple(tool for _, tool in tools),
        reserve=_read_reserve(tree, day.clock),
    )
    return _Head(
        day=day,
        rates=rates,
        matrix=_matrix_name(tree),
        tools=tuple(row for row, _ in tools),
        placed=placed,
        dated=not {"date", "days"} & {fault.column for fault in findings.faults},
        finder=finder,
    )


def _service_level(text: str) -> float:
    level = cells.share(text)
    if not 0 < level < 1:
        raise Refused("a chance between 0 and 1, such as 0.95 (neither 0 nor 1)")
    return level


def _read_place(
    row: Row, origin: Place | None, finder: Finder, usual: str = ""
) -> Place:
    """Return the place of a table: by its coordinates, or by its address."""
    address = row.text("address")
    if not address or row.text("lat") or row.text("lon"):
        return _read_point(row, origin, row.text("name", address or usual))
    found = finder.find(address)
    if isinstance(found, Barred):
        choices = " or ".join(pin_line(address, place) for place in found.places)
        row.refuse(
            "address",
            f"{shown(address)}: {found.text}",
            "an address that means one place, its lat and lon, or a line of pins.csv"
            + (f": {choices}" if choices else ""),
        )
        return origin or Place(lat_deg=0.0, lon_deg=0.0)
    place = replace(found, name=row.text("name", address))
    return _look_at_distance(row, "address", place, origin)


def _read_point(
    row: Row,
    origin: Place | None,
    name: str,
    columns: tuple[str, str] = ("lat", "lon"),
) -> Place:
    """Return a place by its coordinates."""
    place = read_point(row, columns, name)
    if place is None:
        return origin or Place(lat_deg=0.0, lon_deg=0.0)
    return _look_at_distance(row, columns[0], place, origin)


def _look_at_distance(
    row: Row, column: str, place: Place, origin: Place | None
) -> Place:
    """Return a place, suspicious of swapped coordinates."""
    if origin is not None and _apart_m(origin, place) > _FARTHEST_M:
        swapped = Place(lat_deg=place.lon_deg, lon_deg=place.lat_deg)
        looks = (
            "; latitude and longitude look swapped"
            if abs(swapped.lat_deg) <= 90  # noqa: PLR2004 - degrees
            and _apart_m(origin, swapped) <= _FARTHEST_M
            else ""
        )
        row.refuse(
            column,
            f"{place.lat_deg:g}, {place.lon_deg:g}",
            f"a place within {_FARTHEST_M // 1000} km of the shop{looks}",
        )
    return place


def _apart_m(one: Place, other: Place) -> float:
    """Return metres along a sphere, for judging typing errors only."""
    lat_1, lat_2 = math.radians(one.lat_deg), math.radians(other.lat_deg)
    turn = math.radians(other.lon_deg - one.lon_deg)
    half = (
        math.sin((lat_2 - lat_1) / 2) ** 2
        + math.cos(lat_1) * math.cos(lat_2) * math.sin(turn / 2) ** 2
    )
    return 2 * 6_371_000 * math.asin(min(1.0, math.sqrt(half)))


def _read_counters(
    tree: Tree, origin: Place | None, finder: Finder, clock: DayClock
) -> tuple[Store, ...]:
    counters: list[Store] = []
    for table in tree.tables("counter"):
        row = table.row(("id", *PLACE_KEYS, "opening", "restock_min"))
        counter_id = row.demand("id", cells.an_id, "")
        if counter_id == "shop":
            row.refuse("id", "'shop'", "another id: 'shop' is the firm's own store")
        elif counter_id and counter_id in {counter.id for counter in counters}:
            row.refuse("id", shown(counter_id), "each counter's id once")
        opening = row.read("opening", cells.window(clock), None)
        restock_s = row.read("restock_min", cells.visit_length, None)
        if (
            opening is not None
            and restock_s is not None
            and opening.end_s - opening.start_s < restock_s
        ):
            row.refuse(
                "restock_min",
                shown(row.text("restock_min")),
                f"a stop that fits into the opening {row.text('opening')}",
            )
        counters.append(
            Store(
                id=counter_id,
                place=_read_place(row, origin, finder, counter_id),
                opening=opening,
                restock_s=restock_s,
            )
        )
    return tuple(counters)


def _read_tools(tree: Tree) -> tuple[tuple[Row, Tool], ...]:
    """Return the shared tools, each with the row it stands in."""
    tools: list[tuple[Row, Tool]] = []
    for table in tree.tables("tool"):
        row = table.row(("id", "quantity", "handover"))
        tool_id = cells.term(row.demand("id", cells.an_id, ""))
        if tool_id and tool_id in {tool.id for _, tool in tools}:
            row.refuse("id", shown(tool_id), "each tool once, with its quantity")
        quantity = row.read("quantity", cells.count, 1)
        if quantity < 1:
            row.refuse("quantity", "'0'", "at least 1: leave the tool out otherwise")
        handover = row.read("handover", cells.yes_no, False)  # noqa: FBT003
        tools.append((row, Tool(id=tool_id, quantity=quantity, handover=handover)))
    return tuple(tools)


def _read_reserve(tree: Tree, clock: DayClock) -> Reserve | None:
    """Return the time to hold free for emergencies."""
    table = tree.table("reserve")
    if table is None:
        return None
    row = table.row(
        ("slots", "expected", "kept", "window", "length_min", "kind", "priority")
    )
    if bool(row.text("slots")) == bool(row.text("expected")):
        row.refuse(
            "slots",
            "both" if row.text("slots") else "nothing",
            "either slots, or how many emergencies are expected on such a day",
        )
    usual = kinds()[HELD]
    start = Window(start_s=0, end_s=0)
    reserve = Reserve(
        window=row.demand("window", cells.window(clock), start),
        length_s=row.read("length_min", cells.visit_length, usual.median_s),
        slots=row.read("slots", cells.count, None),
        expected=row.read("expected", _expected, RESERVED["expected"]),
        kept=row.read("kept", _service_level, RESERVED["kept"]),
        priority=row.read("priority", cells.priority, RESERVED["priority"]),
        kind=row.read("kind", cells.one_of(work(), "a kind of work"), RESERVED["kind"]),
    )
    span_s = reserve.window.end_s - reserve.window.start_s
    if reserve.window is not start and span_s < reserve.length_s:
        row.refuse(
            "length_min",
            f"{reserve.length_s // 60} min",
            f"a slot that fits into the window {row.text('window')}",
        )
    if (reserve.slots or 0) > MOST_SLOTS:
        row.refuse("slots", row.text("slots"), f"at most {MOST_SLOTS}")
    return reserve


def _expected(text: str) -> float:
    return float(cells.amount(0, MOST_SLOTS, "how many a day, such as 1.4")(text))


def _look_at_sharing(
    head: _Head, vans: tuple[Van, ...] | None, findings: Findings
) -> None:
    """Refuse tools that nobody can carry; note what is allowed but cannot happen."""
    if vans is None or any(fault.file == "vans.toml" for fault in findings.faults):
        return
    for row in head.tools:
        if not any(van.loads_at_shop for van in vans):
            row.refuse(
                "id",
                shown(row.text("id")),
                "a van that can carry it: no van loads at the shop (say loads_at_shop "
                "= true in vans.toml, or name the tool in a van's equipment)",
            )
    if head.day.shop.restock_s is None:
        findings.notices += [
            f"day.toml: tool '{tool.id}' cannot change hands during the day: [shop] "
            "has no restock_min"
            for tool in head.day.tools
            if tool.handover
        ]
    starts = [
        (van.start.lat_deg, van.start.lon_deg) for van in vans if van.start is not None
    ]
    if head.day.exchange and len(set(starts)) == len(starts):
        findings.notices.append(
            "day.toml: exchange = true, but no two vans start at one place"
        )


def _read_costs(tree: Tree) -> tuple[Rates, int, int]:
    """Return the rates, what an hour too late costs, and a preference not met."""
    late, wish = DEFAULTS["late_hour_cents"], DEFAULTS["preference_cents"]
    table = tree.table("costs")
    if table is None:
        if "costs" not in tree.values:
            tree.findings.notices.append(
                f"{tree.file}: no [costs]; reckoned with 0.50 a kilometre, 30.00 an "
                "hour and 45.00 more an hour of overtime"
            )
        return USUAL_RATES, late, wish
    keys = ("km", "hour", "overtime_hour")
    row = table.row((*keys, "late_hour", "preference"))
    return (
        _read_rates(row, keys, USUAL_RATES),
        row.read("late_hour", cells.money, late),
        row.read("preference", cells.money, wish),
    )


def _read_rates(row: Row, keys: tuple[str, str, str], usual: Rates) -> Rates:
    return Rates(
        km_cents=row.read(keys[0], cells.money, usual.km_cents),
        hour_cents=row.read(keys[1], cells.money, usual.hour_cents),
        overtime_hour_cents=row.read(keys[2], cells.money, usual.overtime_hour_cents),
    )


def _matrix_name(tree: Tree) -> str:
    value = tree.values.get("travel")
    name = value.get("matrix", "") if isinstance(value, dict) else ""
    return name.strip() if isinstance(name, str) else ""


def _read_travel_rules(tree: Tree, clock: DayClock) -> TravelRules:
    usual = TravelRules()
    local = traffic_profiles()[USUAL_TRAFFIC]
    table = tree.table("travel")
    if table is None:
        return replace(usual, traffic=resolve_traffic(local, clock))
    own = isinstance(table.values.get("traffic"), dict)
    known = (
        *("start_stop_min", "free_flow_kmh", "hop_detour", "long_detour"),
        *("halving_km", "error", "matrix", "source", "roads"),
    )
    row = table.row(known if own else (*known, "traffic"), ("traffic",) if own else ())
    if "matrix" in table.values:
        row.demand("matrix", _csv_name, "")
    nested = table.table("traffic") if own else None
    if nested is not None:
        traffic = _read_traffic(nested, clock)
    else:
        name = row.read(
            "traffic",
            cells.one_of(
                traffic_profiles(),
                f"one of the profiles {', '.join(traffic_profiles())}, or a table "
                "[travel.traffic]",
            ),
            USUAL_TRAFFIC,
        )
        traffic = resolve_traffic(traffic_profiles()[name], clock)
    if row.text("matrix") and row.text("roads"):
        row.refuse("roads", "a matrix as well", "one of the two")
    long = row.read("long_detour", _detour, usual.long_detour)
    hop = row.read("hop_detour", _detour, max(long, usual.hop_detour))
    if hop < long:
        row.refuse("hop_detour", shown(row.text("hop_detour")), f"{long:g} or more")
    return TravelRules(
        start_stop_s=row.read("start_stop_min", cells.duration, usual.start_stop_s),
        free_flow_kmh=row.read("free_flow_kmh", _speed, usual.free_flow_kmh),
        traffic=traffic,
        source=row.text("source"),
        hop_detour=hop,
        long_detour=long,
        halving_m=1000 * row.read("halving_km", _halving, usual.halving_m / 1000),
        error=row.text("error"),
        roads=row.text("roads"),
    )


def _detour(text: str) -> float:
    return float(cells.amount(1, 10, "road over straight distance, 1 to 10")(text))


def _halving(text: str) -> float:
    low = Decimal("0.01")
    return float(cells.amount(low, 100, "kilometres, 0.01 to 100")(text))


def _csv_name(text: str) -> str:
    if not text.lower().endswith(".csv") or cells.an_id(text) != text:
        raise Refused("the name of a csv file in this folder, such as travel.csv")
    return text


def _speed(text: str) -> float:
    return float(cells.amount(1, 200, "a speed in km/h")(text))


def _read_traffic(table: Tree, clock: DayClock) -> Traffic:
    row = table.row(("slot_min", "speed_permille", "source", "counted"))
    counted = row.read(
        "counted", cells.one_of(("clock", "elapsed"), "'clock' or 'elapsed'"), "clock"
    )
    traffic = Traffic(
        slot_s=row.demand("slot_min", cells.visit_length, 3600),
        speed_permille=row.demand("speed_permille", _speeds, ()),
        source=row.text("source"),
    )
    if not traffic.speed_permille:
        return Traffic()
    if counted == "elapsed":
        return traffic
    if (
        traffic.slot_s * len(traffic.speed_permille) != _TWO_DAYS_S // 2
        or traffic.slot_s % 300
    ):
        row.refuse(
            "speed_permille",
            f"{len(traffic.speed_permille)} slots of {traffic.slot_s / 60:g} min",
            "slots of a multiple of 5 minutes that fill 24 hours, such as 24 of 60",
        )
        return Traffic()
    return resolve_traffic(traffic, clock)


def _speeds(text: str) -> tuple[int, ...]:
    speeds = tuple(cells.words(text))
    if not 1 <= len(speeds) <= 2880:  # noqa: PLR2004 - 48 hours of minutes
        raise Refused("a list of speeds, one per slot")
    if not all(
        word.isascii() and word.isdigit() and 50 <= int(word[:6]) <= 2000  # noqa: PLR2004
        for word in speeds
    ):
        raise Refused("whole shares of free flow per 1000, each from 50 to 2000")
    return tuple(int(word) for word in speeds)


# --- parts.csv and stock.csv -------------------------------------------------


def _read_parts(folder: Path, findings: Findings) -> dict[str, Part] | None:
    rows = read_table(
        folder / "parts.csv",
        findings,
        required=("id",),
        optional=PART_COLUMNS,
        why="one line per part",
    )
    if rows is None:
        return None
    first: dict[str, Row] = {}
    for row in rows:
        part_id = row.demand("id", cells.a_part_id, "")
        if part_id in first:
            _refuse_twice(row, part_id, first[part_id])
        elif part_id:
            first[part_id] = row
    kits = {part_id for part_id, row in first.items() if row.text("components")}
    return {
        part_id: _read_part(row, part_id, set(first), kits)
        for part_id, row in first.items()
    }


def _refuse_twice(row: Row, found: str, earlier: Row) -> None:
    row.refuse("id", shown(found), f"each id once; line {earlier.line} has it too")


def _read_part(row: Row, part_id: str, known: set[str], kits: set[str]) -> Part:
    def substitutes(text: str) -> tuple[str, ...]:
        ids = cells.words(text)
        cells.known_parts(ids, known)
        return tuple(word for word in dict.fromkeys(ids) if word != part_id)

    def components(text: str) -> tuple[tuple[str, int], ...]:
        total: dict[str, int] = {}
        entries = [cells.pieces(entry) for entry in cells.words(text)]
        cells.known_parts((word for word, _ in entries), known)
        for word, quantity in entries:
            if word == part_id:
                raise Refused("components other than the kit itself")
            if word in kits:
                raise Refused(
                    f"single parts: '{word}' is a kit, and a kit cannot hold another; "
                    "list its components here"
                )
            total[word] = total.get(word, 0) + quantity
        return tuple(total.items())

    is_kit = part_id in kits
    category = row.read(
        "category",
        cells.one_of(CATEGORIES, f"one of {', '.join(CATEGORIES)}"),
        "kit" if is_kit else "other",
    )
    if category == "kit" and not is_kit:
        row.refuse("components", "nothing", "what the kit holds, such as FOB-31 | CELL")
    return Part(
        id=part_id,
        name=row.text("name") or part_id,
        category=category,
        unit_cost_cents=row.read("unit_cost", cells.money, 0),
        spoil_rate=row.read("spoil_rate", cells.spoil, 0.0),
        bin=row.text("bin"),
        substitutes=row.read("substitutes", substitutes, ()),
        components=row.read("components", components, ()),
        lead_time_s=row.read("lead_h", cells.lead, None),
    )


def _read_stock(
    folder: Path,
    head: _Head,
    vans: tuple[Van, ...] | None,
    parts: dict[str, Part] | None,
    findings: Findings,
) -> tuple[
    dict[str, dict[str, int]], dict[str, dict[str, int]], dict[str, dict[str, str]]
]:
    """Return pieces, prices and bins by holder and part.

    Nothing is said twice about lost files.
    """
    rows = read_table(
        folder / "stock.csv",
        findings,
        required=("holder", "part", "quantity"),
        optional=("price", "bin"),
        why="one line per holder (van, shop, counter) and part",
    )
    holders = {"shop", *(counter.id for counter in head.day.counters)}
    holders |= {van.id for van in vans or ()}
    known_holder = cells.one_of(sorted(holders), "'shop', a van or a counter")

    def known_part(text: str) -> str:
        if parts is None:
            return text
        if text not in parts:
            raise Refused(f"a part of parts.csv{cells.nearest(text, parts)}")
        if parts[text].components:
            raise Refused("a single part: a kit is counted by its components")
        return text

    stock: dict[str, dict[str, int]] = {}
    prices: dict[str, dict[str, int]] = {}
    bins: dict[str, dict[str, str]] = {}
    own = {"shop", *(van.id for van in vans or ())}
    lines: dict[tuple[str, str], int | None] = {}
    for row in rows or ():
        holder = (
            row.text("holder")
            if vans is None
            else row.demand("holder", known_holder, "")
        )
        part_id = row.demand("part", known_part, "")
        pieces = row.demand("quantity", cells.count, 0)
        key = (holder, part_id)
        if holder and part_id and key in lines:
            row.refuse(
                "part",
                f"'{part_id}' of '{holder}' again",
                f"one line for each holder and part; line {lines[key]} has it too",
            )
        lines.setdefault(key, row.line)
        stock.setdefault(holder, {}).setdefault(part_id, pieces)
        price = row.read("price", cells.money, None)
        if price is not None and holder in own:
            row.refuse(
                "price",
                shown(row.text("price")),
                "nothing: only a trade counter has a price of its own (what a part "
                "costs stands in parts.csv, unit_cost)",
            )
        elif price is not None:
            prices.setdefault(holder, {}).setdefault(part_id, price)
        place = _read_bin(row, vans, holder)
        if place:
            bins.setdefault(holder, {}).setdefault(part_id, place)
    return stock, prices, bins


def _read_bin(row: Row, vans: tuple[Van, ...] | None, holder: str) -> str:
    place = row.text("bin")
    if place and vans is not None and all(van.id != holder for van in vans):
        row.refuse(
            "bin",
            shown(place),
            "nothing: only a van's bins stand here (the shop's stand in parts.csv)",
        )
    return place


# --- vans.toml ---------------------------------------------------------------


def _read_vans(folder: Path, head: _Head, findings: Findings) -> tuple[Van, ...] | None:
    tree = read_tree(folder / "vans.toml", findings, why="one [[van]] for each van")
    if tree is None:
        return None
    root = tree.row((), ("van",))
    tables = tree.tables("van")
    if not tables and tree.values.get("van", []) == []:
        root.refuse("van", "no van", "at least one table [[van]]")
    vans: list[Van] = []
    taken = {"shop", *(counter.id for counter in head.day.counters)}
    for table in tables:
        vans.append(_read_van(table, head, taken))
        taken.add(vans[-1].id)
    return tuple(vans)


def _read_van(table: Tree, head: _Head, taken: set[str]) -> Van:
    places = [
        key for key in ("start", "finish") if isinstance(table.values.get(key), dict)
    ]
    said = [key for key in ("start", "finish") if key not in places]
    paces = isinstance(table.values.get("pace"), dict)
    row = table.row(
        (*VAN_KEYS, *said, *(() if paces else ("pace",))),
        (*places, "meal", *(("pace",) if paces else ())),
    )
    van_id = row.demand("id", cells.an_id, "")
    if van_id and van_id in taken:
        row.refuse(
            "id", shown(van_id), "an id that no other van, no counter and no shop has"
        )
    clock = head.day.clock
    shift = row.demand("shift", cells.window(clock), None)
    if shift is not None and shift.start_s == shift.end_s:
        row.refuse("shift", shown(row.text("shift")), "a shift longer than nothing")
    overtime_s = row.read("overtime_limit_min", cells.duration, 0)
    if shift is None:
        shift, paid = Window(start_s=0, end_s=_TWO_DAYS_S), None
    else:
        paid = Window(start_s=shift.start_s, end_s=shift.end_s + overtime_s)
    if paid is not None and head.day.horizon > 1:
        _look_at_night(row, paid)
    start = _read_end(table, row, "start", head, head.day.shop.place)
    if "start" in places and "loads_at_shop" not in row.cells:
        _look_at_start(row, start, head)
    return Van(
        id=van_id,
        driver=row.text("driver"),
        start=start,
        finish=_read_end(table, row, "finish", head, start),
        loads_at_shop=row.read(
            "loads_at_shop",
            cells.yes_no,
            row.text("start", "shop") == "shop" and "start" not in places,
        ),
        shift=shift,
        overtime_limit_s=overtime_s,
        meal=_read_meal(table, clock, paid),
        skills=row.read("skills", cells.mastery, frozenset()),
        equipment=cells.terms(row.text("equipment")),
        rates=_read_rates(
            row, ("km_cost", "hour_cost", "overtime_hour_cost"), head.rates
        ),
        pace=_read_pace(table, row),
        drive_limit_s=row.read("drive_limit_h", cells.limit, None),
        work_limit_s=row.read("work_limit_h", cells.limit, None),
        off=_read_off(row, head.day),
    )


def _look_at_night(row: Row, paid: Window) -> None:
    """Refuse a shift that is not over when the next day's begins."""
    if paid.end_s - paid.start_s > _TWO_DAYS_S // 2:
        row.refuse(
            "shift",
            shown(row.text("shift")),
            "with several days, a shift that with its overtime is over before the next "
            "day's begins",
        )


def _read_pace(table: Tree, row: Row) -> dict[str, float]:
    """Return a driver's pace: one figure for all kinds, or one for each."""
    if "pace" in row.cells:
        usual = row.demand("pace", cells.pace, 1.0)
        return {"*": usual}
    nested = table.table("pace")
    if nested is None:
        return {}
    kinds_of = {}
    for word in nested.values:
        try:
            kinds_of[word] = word if word == "*" else _kind(word)
        except Refused as refused:
            row.refuse("pace", shown(word), f"{refused}, or * for all others")
    # Unknown words are told already: not again, as keys that were left aside.
    nested.values = {word: nested.values[word] for word in kinds_of}
    paces = nested.row(tuple(kinds_of))
    return {kind: paces.read(word, cells.pace, 1.0) for word, kind in kinds_of.items()}


def _read_off(row: Row, day: Day) -> frozenset[date]:
    never: tuple[date, ...] = ()
    off = row.read("off", cells.calendar_days, never)
    strange = [str(each) for each in off if each not in _planned_dates(day)]
    if strange:
        row.findings.notices.append(
            f"{row.file}: van '{row.text('id')}' is off on {', '.join(strange[:FEW])}"
            f"{', ...' if len(strange) > FEW else ''}, which is not planned here"
        )
    return frozenset(off)


def _planned_dates(day: Day) -> tuple[date, ...]:
    return tuple(day.date + timedelta(days=number) for number in range(day.horizon))


def _look_at_start(row: Row, start: Place | None, head: _Head) -> None:
    """Note a van that stands at the shop, but will not load there."""
    shop = head.day.shop.place
    if (
        head.placed
        and start is not None
        and (start.lat_deg, start.lon_deg) == (shop.lat_deg, shop.lon_deg)
    ):
        row.findings.notices.append(
            f"{row.file}: van '{row.text('id')}' starts where the shop is, but takes "
            'nothing along from there: say start = "shop", or loads_at_shop = true '
            "(or false, if that is meant)"
        )


def _read_end(
    table: Tree, row: Row, key: str, head: _Head, usual: Place | None
) -> Place | None:
    """Return where a van's day begins or ends."""
    if isinstance(table.values.get(key), dict):
        nested = table.table(key)
        origin = head.day.shop.place if head.placed else None
        return (
            None
            if nested is None
            else _read_place(nested.row(PLACE_KEYS), origin, head.finder)
        )
    if key not in row.cells:
        return usual
    named = {"shop": head.day.shop.place, "anywhere": None}
    word = row.demand(
        key,
        cells.one_of(
            named,
            "'shop', 'anywhere', { lat = ..., lon = ..., name = ... } or "
            "{ address = ... }",
        ),
        "shop",
    )
    return named[word]


def _read_meal(table: Tree, clock: DayClock, paid: Window | None) -> Break | None:
    nested = table.table("meal")
    if nested is None:
        return None
    row = nested.row(("window", "length_min"))
    span = row.demand("window", cells.window(clock), None)
    length_s = row.demand("length_min", cells.visit_length, 0)
    if span is None or length_s == 0:
        return None
    if length_s > span.end_s - span.start_s:
        row.refuse(
            "length_min",
            shown(row.text("length_min")),
            f"a break not longer than its window {row.text('window')}",
        )
    elif paid is not None and (
        min(span.end_s, paid.end_s) - max(span.start_s, paid.start_s) < length_s
    ):
        row.refuse(
            "window",
            shown(row.text("window")),
            "a window in which the break fits into the van's shift",
        )
    return Break(window=span, length_s=length_s)


def _look_at_terms(day: Day, findings: Findings) -> None:
    """Note words of skills and equipment that find no match, but nearly."""
    shared = {tool.id for tool in day.tools}
    for what, lack in (
        ("skills", "no driver knows"),
        ("equipment", "no van carries and no tool is"),
    ):
        usual = frozenset[str]().union(*(getattr(k, what) for k in day.kinds.values()))
        asked = usual.union(*(getattr(call, what) for call in day.calls))
        bare = {cells.level_of(word)[0] for word in asked}
        for van in day.vans:
            has = {cells.level_of(word)[0] for word in getattr(van, what)}
            for word in sorted(has - bare):
                guess = cells.nearest(word, sorted(usual - has))
                if guess:
                    findings.notices.append(
                        f"vans.toml: no work asks for '{word}' among the {what} of "
                        f"van '{van.id}'{guess}"
                    )
        there = frozenset[str]().union(*(getattr(van, what) for van in day.vans))
        if what == "equipment":
            there |= shared
            findings.notices += [
                f"day.toml: no work asks for the tool '{word}'"
                + cells.nearest(word, sorted(bare - there))
                for word in sorted(shared - bare)
            ]
        for call in day.calls:
            # What the kind asks for is told with the reason why the call stays out.
            own = getattr(call, what) - getattr(day.kinds[call.kind], what)
            findings.notices += [
                f"calls.csv: call '{call.id}' asks for '{word}', which {lack}"
                + cells.nearest(word, sorted(there))
                for word in sorted(own - there)
            ]


# --- calls.csv ---------------------------------------------------------------


def _read_calls(
    folder: Path,
    head: _Head,
    vans: tuple[Van, ...] | None,
    parts: dict[str, Part] | None,
    findings: Findings,
) -> tuple[tuple[Call, ...], tuple[Link, ...]]:
    rows = read_table(
        folder / "calls.csv",
        findings,
        required=("id", "lat", "lon", "kind"),
        optional=CALL_COLUMNS,
        why="one line per call",
        instead=BY_ADDRESS,
    )
    first: dict[str, Row] = {}
    calls = []
    for row in rows or ():
        call = _read_call(row, head, vans, parts)
        if call.id in first:
            _refuse_twice(row, call.id, first[call.id])
        elif call.id:
            first[call.id] = row
        calls.append(call)
    if rows == []:
        findings.notices.append("calls.csv: no call below the header")
    day = replace(head.day, calls=tuple(calls), vans=vans or ())
    return day.calls, read_links(first, day)


def read_booked(
    path: Path, day: Day, findings: Findings, locator: Locator | None = None
) -> dict[str, Call]:
    """Return the calls that come in through the day.

    Parameters
    ----------
    path : Path
        A table with the columns of ``calls.csv``; it may be missing.
    day : Day
        The day they come in on, as it was read.
    findings : Findings
        Where faults and notices go.
    locator : Locator, optional
        What is known of addresses beside the folder.

    Returns
    -------
    dict of str to Call
        By id. They stand alone: none comes after another.
    """
    head = _head_of(day, find_in(path.parent, locator))
    first: dict[str, Row] = {}
    booked: dict[str, Call] = {}
    known = {call.id for call in day.calls}
    rows = read_table(
        path,
        findings,
        required=("id", "lat", "lon", "kind"),
        optional=CALL_COLUMNS,
        instead=BY_ADDRESS,
    )
    for row in rows or ():
        call = _read_call(row, head, day.vans, dict(day.parts))
        if call.id in first:
            _refuse_twice(row, call.id, first[call.id])
        elif call.id in known:
            row.refuse("id", shown(call.id), "an id that calls.csv does not have")
        for column in LINK_COLUMNS:
            if row.text(column):
                row.refuse(
                    column,
                    shown(row.text(column)),
                    "nothing: a call that comes in through the day stands alone",
                )
        first.setdefault(call.id, row)
        booked.setdefault(call.id, call)
    return booked


def find_in(folder: Path, locator: Locator | None = None) -> Finder:
    """Return who finds the addresses of a folder that has been read.

    Parameters
    ----------
    folder : Path
        The folder.
    locator : Locator, optional
        What is known of addresses beside it.

    Returns
    -------
    Finder
        As :func:`read_scenario` had it; of a broken folder, what there is.
    """
    aside = Findings()
    tree = read_tree(folder / "day.toml", aside, why="the day")
    return open_finder(tree, folder, locator or Locator(), aside)


def _head_of(day: Day, finder: Finder) -> _Head:
    return _Head(
        day=day,
        rates=USUAL_RATES,
        matrix="",
        tools=(),
        placed=True,
        dated=True,
        finder=finder,
    )


def read_caller(
    day: Day, cells_of: Mapping[str, str], finder: Finder | None = None
) -> Call:
    """Return the call that a caller on the telephone asks about.

    Parameters
    ----------
    day : Day
        The day, as it was read.
    cells_of : mapping of str to str
        Cells by the columns of ``calls.csv``; what is empty is left out.
    finder : Finder, optional
        Who finds the address, where no coordinates are given.

    Returns
    -------
    Call
        Not among the day's.

    Raises
    ------
    InvalidInput
        With everything that is wrong.
    """
    findings = Findings()
    cells_said = {name: text for name, text in cells_of.items() if text}
    row = Row(file="the caller", line=None, cells=cells_said, findings=findings)
    call = _read_call(row, _head_of(day, finder or Finder()), day.vans, dict(day.parts))
    if call.barred is not None and not findings.faults:
        row.refuse("address", call.barred.text, call.barred.remedy)
    if findings.faults:
        raise InvalidInput(findings.faults)
    return call


def _read_call(
    row: Row,
    head: _Head,
    vans: tuple[Van, ...] | None,
    parts: dict[str, Part] | None,
) -> Call:
    clock = head.day.clock
    kind = kinds()[row.demand("kind", _kind, next(iter(kinds())))]
    median_s = row.read("median_min", cells.visit_length, kind.median_s)
    stretched_s = max(median_s, round(median_s * kind.p90_s / kind.median_s))
    p90_s = row.read("p90_min", cells.visit_length, stretched_s)
    if p90_s < median_s:
        row.refuse(
            "p90_min",
            shown(row.text("p90_min")),
            f"at least the median of {median_s / 60:g} min",
        )
    nowhen: tuple[Window, ...] = ()
    free = row.read("windows", cells.windows(clock), nowhen)
    promise = row.read("promise", cells.window(clock), None)
    if promise is not None and free and not _meets(promise, free):
        row.refuse(
            "promise",
            shown(row.text("promise")),
            f"a promise that meets the customer's windows {row.text('windows')}",
        )
    preference = row.read("preference", cells.window(clock), None)
    _look_at_preference(row, preference, promise, free)
    any_day: tuple[date, ...] = ()
    known_dates = _known_dates(head.day) if head.dated else _any_date
    dates = row.read("dates", known_dates, any_day)
    if promise is not None and len(dates) > 1:
        row.refuse(
            "dates",
            shown(row.text("dates")),
            "one date: a promise is for one day",
        )
    van_ids = [van.id for van in vans or ()]
    known_van = cells.one_of(van_ids, "the id of a van in vans.toml")
    place, barred = _locate(row, head)
    access = _read_access(row, place, head)
    return Call(
        id=row.demand("id", cells.an_id, ""),
        place=place,
        kind=kind.id,
        median_s=median_s,
        p90_s=p90_s,
        customer=row.text("customer"),
        phone=row.text("phone"),
        description=row.text("description"),
        windows=free,
        promise=promise,
        preference=preference,
        dates=dates,
        needs=() if parts is None else row.read("needs", cells.needs(parts), ()),
        skills=kind.skills | row.read("skills", cells.skills, kind.skills),
        equipment=kind.equipment | cells.terms(row.text("equipment")),
        priority=row.read("priority", cells.priority, 2),
        required_van=None
        if vans is None
        else row.read("required_van", known_van, None),
        ready=tuple(
            item
            for asked in ReadyKind
            if (item := _read_ready(row, asked, kind.ready)) is not None
        ),
        note=row.text("note"),
        access=access,
        barred=barred,
    )


def _locate(row: Row, head: _Head) -> tuple[Place, Barred | None]:
    """Return where a call is; or the shop's coordinates, and why nobody knows it."""
    address, origin = row.text("address"), head.day.shop.place
    if not address or row.text("lat") or row.text("lon"):
        return _read_point(row, origin if head.placed else None, address), None
    where = row.file if row.line is None else f"{row.file}, line {row.line}"
    found = head.finder.find(address, where)
    if not isinstance(found, Barred):
        if not head.placed or _apart_m(origin, found) <= _FARTHEST_M:
            return found, None
        found = Barred(
            rule=Rule.ADDRESS,
            text=f"'{address}' ({where}) was found over {_FARTHEST_M // 1000} km away",
            remedy="correct the address, or pin the place",
        )
    return replace(origin, name=address), found


def _read_access(row: Row, place: Place, head: _Head) -> Access | None:
    """Return how the driver gets from the van to the job; None: at the door."""
    if not any(row.text(column) for column in ACCESS_COLUMNS):
        return None
    parked = None
    if row.text("park_lat") or row.text("park_lon"):
        origin = place if head.placed else None
        columns = ("park_lat", "park_lon")
        parked = _read_point(row, origin, row.text("park_at"), columns)
    elif row.text("park_at"):
        parked = replace(place, name=row.text("park_at"))
    return Access(
        place=parked,
        walk_s=row.read("walk_min", cells.duration, 0),
        search_s=row.read("search_min", cells.duration, 0),
        note=row.text("access"),
        no_signal=row.read("no_signal", cells.yes_no, False),  # noqa: FBT003
    )


def _meets(span: Window, others: Iterable[Window]) -> bool:
    return any(
        span.start_s <= other.end_s and other.start_s <= span.end_s for other in others
    )


def _look_at_preference(
    row: Row, wish: Window | None, promise: Window | None, free: tuple[Window, ...]
) -> None:
    """Refuse a preference in which the visit can never start."""
    if wish is None:
        return
    if free and not _meets(wish, free):
        row.refuse(
            "preference",
            shown(row.text("preference")),
            f"a preference that meets the customer's windows {row.text('windows')}",
        )
    elif promise is not None and not _meets(wish, (promise,)):
        row.refuse(
            "preference",
            shown(row.text("preference")),
            f"a preference that meets the promise {row.text('promise')}",
        )


def _any_date(text: str) -> tuple[date, ...]:
    """Return nothing, having looked at a list of dates."""
    return cells.calendar_days(text)[:0]


def _known_dates(day: Day) -> Callable[[str], tuple[date, ...]]:
    """Return a parser for some of the days that are planned."""
    planned = _planned_dates(day)

    def parse(text: str) -> tuple[date, ...]:
        dates = cells.calendar_days(text)
        strange = [str(each) for each in dates if each not in planned]
        if strange and day.horizon == 1:
            raise Refused(
                f"{day.date}, the only day planned (more with days = 2 to "
                f"{cells.MOST_DAYS} in day.toml)"
            )
        if strange:
            raise Refused(
                f"dates from {planned[0]} to {planned[-1]}, the days planned (days = "
                f"{day.horizon} in day.toml); {', '.join(strange[:FEW])} is not"
            )
        return dates

    return parse


def _kind(text: str) -> str:
    word = cells.term(text)
    if word not in kinds():
        names = {kind.name.lower(): kind.id for kind in kinds().values()}
        if text.lower() in names:
            return names[text.lower()]
        guess = cells.nearest(word, kinds())
        listed = "" if guess else f": {', '.join(kinds())}"
        raise Refused(f"a kind of work{listed}{guess}")
    return word


def _read_ready(
    row: Row, asked: ReadyKind, usual: Iterable[ReadyItem]
) -> ReadyItem | None:
    """Return one ready item: the kind's own, changed by what the row says."""
    of_kind = next((item for item in usual if item.kind is asked), None)
    item = row.read(asked, cells.ready(of_kind or ready_items()[asked]), of_kind)
    details = [
        f"{asked}_{detail}" for detail in READY_DETAILS if row.text(f"{asked}_{detail}")
    ]
    if item is None:
        if details and not row.text(asked):
            row.refuse(
                details[0],
                shown(row.text(details[0])),
                f"nothing, or 'open' in the column {asked}: this kind of work does "
                "not ask for it",
            )
        return None
    return replace(
        item,
        lead_time_s=row.read(f"{asked}_lead_h", cells.lead, item.lead_time_s),
        cost_cents=row.read(f"{asked}_cost", cells.money, item.cost_cents),
        owner=row.text(f"{asked}_owner") or item.owner,
        note=row.text(f"{asked}_note") or item.note,
    )


# --- travel.csv --------------------------------------------------------------


def _read_travel(folder: Path, head: _Head, day: Day, findings: Findings) -> Day:
    if not head.matrix:
        if (folder / "travel.csv").exists():
            findings.notices.append(
                "travel.csv: left aside; day.toml does not name it "
                '([travel] matrix = "travel.csv")'
            )
        return day
    rows = read_table(
        folder / head.matrix,
        findings,
        required=("from", "to", "km"),
        optional=("minutes", "seconds"),
        why="one line per pair of places",
    )
    alias = _nodes(day)
    stores = (f"store:{counter.id}" for counter in day.counters)
    ends = cells.one_of(
        dict.fromkeys((*alias, "shop", *stores)),
        "call:ID, shop, store:COUNTER, start:VAN or finish:VAN",
    )
    given: dict[tuple[str, str], tuple[int, int]] = {}
    for row in rows or ():
        pair = (row.demand("from", ends, ""), row.demand("to", ends, ""))
        unit = "seconds" if row.text("seconds") else "minutes"
        base_s = row.demand(unit, cells.duration if unit == "minutes" else _seconds, 0)
        metres = row.demand("km", _metres, 0)
        if "" not in pair and pair in given:
            row.refuse("to", shown(pair[1]), "each pair once")
        given.setdefault(pair, (base_s, metres))
    if findings.faults:
        return day  # what is missing can only be said of a sound folder
    lost = {f"call:{call.id}" for call in day.calls if not call.is_located}
    missing = [
        f"{origin} to {target}"
        for origin, target in _pairs(key for key in alias if key not in lost)
        if (origin, target) not in given
        and (alias[origin][0], alias[target][0]) not in given
        and alias[origin][1] != alias[target][1]
    ]
    if missing:
        findings.faults.append(
            Fault(
                file=head.matrix,
                got=f"{len(missing)} pairs missing, such as " + ", ".join(missing[:3]),
                expected="a line for each way a van can drive",
            )
        )
    return replace(day, travel=replace(day.travel, matrix=given))


def _seconds(text: str) -> int:
    return round(cells.amount(0, cells.MOST_MINUTES * 60, "seconds")(text))


def _metres(text: str) -> int:
    """Return kilometres as metres; three decimals are natural here."""
    number = cells.decimal(text)
    if not 0 <= number <= 10_000:  # noqa: PLR2004 - a quarter of the way round
        raise Refused("kilometres from 0 to 10000")
    return round(number * 1000)


def _nodes(day: Day) -> dict[str, tuple[str, Place]]:
    """Return each node's key, the key that may stand for it, and its place."""
    nodes = {f"call:{call.id}": (f"call:{call.id}", call.parked) for call in day.calls}
    for van in day.vans:
        for end, place in (("start", van.start), ("finish", van.finish)):
            if place is not None:
                key = f"{end}:{van.id}"
                nodes[key] = ("shop" if place == day.shop.place else key, place)
    for key, store in (
        ("shop", day.shop),
        *((f"store:{counter.id}", counter) for counter in day.counters),
    ):
        if store.restock_s is not None:
            nodes[key] = (key, store.place)
    return nodes


def _pairs(nodes: Iterable[str]) -> Iterable[tuple[str, str]]:
    """Return every way that a van can drive."""
    nodes = tuple(nodes)
    for origin in nodes:
        for target in nodes:
            if (
                origin != target
                and not origin.startswith("finish:")
                and not target.startswith("start:")
                and not (origin.startswith("start:") and target.startswith("finish:"))
            ):
                yield origin, target
