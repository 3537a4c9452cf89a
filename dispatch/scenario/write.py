"""A day becomes a folder that reads back as the same day."""

import json
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from pathlib import Path

import pandas as pd

from dispatch.scenario.cells import level_of, stamp
from dispatch.scenario.links import LINK_COLUMNS, NO_LIMIT
from dispatch.scenario.read import (
    ACCESS_COLUMNS,
    CALL_COLUMNS,
    DEFAULTS,
    PART_COLUMNS,
    PROMISES,
    READY_DETAILS,
    USUAL_RATES,
    resolve_traffic,
)
from shared.model import (
    Access,
    Call,
    Day,
    Link,
    Need,
    Part,
    Place,
    Rates,
    ReadyItem,
    ReadyKind,
    ReadyState,
    Reserve,
    Store,
    Traffic,
    TravelRules,
    Van,
    Window,
)
from shared.trade import kinds, ready_items, traffic_profiles
from shared.units import DayClock, money


def write_scenario(day: Day, folder: Path) -> None:
    """Write a day as a folder.

    Reading it gives the same day, except: kinds and cautions are the trade table's;
    skills and equipment of a call's kind are added to it; its ready items stand in
    the order of :class:`~shared.model.ReadyKind`, one of each, with an owner and a
    note; text is stripped; the shop's id is ``shop``; a clock time that the end of
    summer time repeats is read as its first pass; notices are not kept; who has a
    skill at a level has it at those below; links stand in the order of their later
    calls; dates of a call in their own, each once; what a counter asks a price for it
    has a stock of; a call of which nobody knows where it is has no coordinates, and
    what bars a call is found out anew.

    Parameters
    ----------
    day : Day
        What to write.
    folder : Path
        Made if it is not there; files in it are overwritten.
    """
    folder.mkdir(parents=True, exist_ok=True)
    _write(folder / "day.toml", _day_text(day))
    _write(folder / "vans.toml", _vans_text(day))
    write_table(
        folder / "parts.csv",
        ("id", *PART_COLUMNS),
        (_part_cells(part) for part in day.parts.values()),
    )
    priced = any(counter.prices for counter in day.counters)
    placed = any(van.bins for van in day.vans)
    optional = (*(("price",) if priced else ()), *(("bin",) if placed else ()))
    write_table(
        folder / "stock.csv",
        ("holder", "part", "quantity", *optional),
        _stock_cells(day),
    )
    write_calls(folder / "calls.csv", day, day.calls)
    if day.travel.matrix is not None:
        write_table(
            folder / "travel.csv",
            ("from", "to", "seconds", "km"),
            (
                {
                    "from": origin,
                    "to": target,
                    "seconds": str(base_s),
                    "km": _plain(Decimal(metres) / 1000),
                }
                for (origin, target), (base_s, metres) in day.travel.matrix.items()
            ),
        )


def write_calls(path: Path, day: Day, calls: Sequence[Call]) -> None:
    """Write a table of calls.

    Parameters
    ----------
    path : Path
        Overwritten if it is there.
    day : Day
        Their day, with its links, parts and clock.
    calls : sequence of Call
        What to write.
    """
    links: dict[str, list[Link]] = {}
    for link in day.links:
        links.setdefault(link.then, []).append(link)
    rows = [_call_cells(call, day, links.get(call.id, [])) for call in calls]
    used = {column for cells in rows for column, cell in cells.items() if cell}
    details = {f"{kind}_{detail}" for kind in ReadyKind for detail in READY_DETAILS}
    rare = {*ReadyKind, *details, "preference", "dates", *LINK_COLUMNS, *ACCESS_COLUMNS}
    rare -= used
    columns = ("id", "lat", "lon", "kind", *CALL_COLUMNS)
    write_table(path, tuple(column for column in columns if column not in rare), rows)


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def write_table(
    path: Path, columns: tuple[str, ...], rows: Iterable[Mapping[str, str]]
) -> None:
    """Write a table.

    Parameters
    ----------
    path : Path
        Overwritten if it is there.
    columns : tuple of str
        Its header.
    rows : iterable of mapping of str to str
        Cells by column; those not there are empty.
    """
    frame = pd.DataFrame(list(rows), columns=list(columns), dtype=str).fillna("")
    frame.to_csv(path, index=False, encoding="utf-8", lineterminator="\n")


def _stock_cells(day: Day) -> Iterable[dict[str, str]]:
    stores = (day.shop, *day.counters)
    nowhere: Mapping[str, str] = {}
    holders = [(store.id, store.stock, store.prices, nowhere) for store in stores]
    holders[0] = ("shop", day.shop.stock, {}, nowhere)
    holders += [(van.id, van.stock, {}, van.bins) for van in day.vans]
    for holder, stock, prices, bins in holders:
        for part_id in dict.fromkeys((*stock, *prices, *bins)):
            yield {
                "holder": holder,
                "part": part_id,
                "quantity": str(stock.get(part_id, 0)),
                "price": money(prices[part_id]) if part_id in prices else "",
                "bin": bins.get(part_id, ""),
            }


# --- words -------------------------------------------------------------------


def _quote(text: str) -> str:
    """Return a TOML string."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _plain(number: float | Decimal) -> str:
    """Return a number without an exponent."""
    text = format(Decimal(repr(number)) if isinstance(number, float) else number, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def units_text(duration_s: int, unit_s: int) -> str:
    """Return a duration in minutes or hours, exact enough to be read back.

    Parameters
    ----------
    duration_s : int
        Seconds.
    unit_s : int
        60 or 3600.

    Returns
    -------
    str
        A plain number.
    """
    whole, rest = divmod(duration_s, unit_s)
    return str(whole) if rest == 0 else f"{duration_s / unit_s:.6f}"


def time_text(clock: DayClock, time_s: int) -> str:
    """Return a local clock time, hours 24 to 47 for the next day.

    Parameters
    ----------
    clock : DayClock
        The day's clock.
    time_s : int
        Seconds since midnight.

    Returns
    -------
    str
        To the minute, with seconds where there are any.
    """
    local = stamp(clock, time_s)
    hour = local.hour + 24 * (local.date() - clock.day).days
    text = f"{hour:02d}:{local:%M}"
    return f"{text}:{local:%S}" if local.second else text


def window_text(clock: DayClock, span: Window) -> str:
    """Return a window as two local clock times.

    Parameters
    ----------
    clock : DayClock
        The day's clock.
    span : Window
        What to write.

    Returns
    -------
    str
        Such as ``08:00-10:00``.
    """
    return f"{time_text(clock, span.start_s)}-{time_text(clock, span.end_s)}"


def _place(place: Place) -> str:
    return (
        f"lat = {_plain(place.lat_deg)}, lon = {_plain(place.lon_deg)}, "
        f"name = {_quote(place.name)}"
    )


def _strings(words: Iterable[str]) -> str:
    return f"[{', '.join(_quote(word) for word in sorted(words))}]"


def _mastery(skills: Iterable[str]) -> list[str]:
    """Return each skill once, at its highest level."""
    highest: dict[str, int] = {}
    for skill in skills:
        word, level = level_of(skill)
        highest[word] = max(level, highest.get(word, 1))
    return [word if top == 1 else f"{word} {top}" for word, top in highest.items()]


def _restock(store: Store) -> list[str]:
    if store.restock_s is None:
        return []
    return [f"restock_min = {units_text(store.restock_s, 60)}"]


def _flag(value: object) -> str:
    return str(value).lower()


# --- files -------------------------------------------------------------------


def _day_text(day: Day) -> str:
    clock, travel = day.clock, day.travel
    lines = [
        f"name = {_quote(day.name)}",
        f"note = {_quote(day.note)}",
        f'date = "{day.date}"',
        f"zone = {_quote(day.zone.key)}",
        f'planned_at = "{stamp(clock, day.planned_at_s)}"',
        f"cushion = {_plain(day.cushion)}",
        f"service_level = {_plain(day.service_level)}",
        f"tolerance_min = {units_text(day.tolerance_s, 60)}",
        f'distance = "{day.distance}"',
        *(["exchange = true"] if day.exchange else []),
        *([f'promises = "{PROMISES[1]}"'] if day.promises_may_break else []),
        *([f"keep_percent = {day.keep_percent}"] if day.keep_percent else []),
        *([f"days = {day.horizon}"] if day.horizon > 1 else []),
        *(
            [f"emergency_number = {_quote(day.emergency_number)}"]
            if day.emergency_number
            else []
        ),
        "",
        "[shop]",
        *_place(day.shop.place).split(", ", 2),
        *_restock(day.shop),
        "",
        "[costs]",
        *_rates(USUAL_RATES, ("km", "hour", "overtime_hour")),
        *_priced(day),
        "",
        "[travel]",
        f"start_stop_min = {units_text(travel.start_stop_s, 60)}",
        f"free_flow_kmh = {_plain(travel.free_flow_kmh)}",
        f"source = {_quote(travel.source)}",
        *_detours(travel),
        *(['matrix = "travel.csv"'] if travel.matrix is not None else []),
        *_traffic(travel.traffic, clock),
    ]
    for counter in day.counters:
        lines += [
            "",
            "[[counter]]",
            f"id = {_quote(counter.id)}",
            *_place(counter.place).split(", ", 2),
        ]
        if counter.opening is not None:
            lines.append(f'opening = "{window_text(clock, counter.opening)}"')
        lines += _restock(counter)
    for tool in day.tools:
        lines += [
            "",
            "[[tool]]",
            f"id = {_quote(tool.id)}",
            f"quantity = {tool.quantity}",
            f"handover = {_flag(tool.handover)}",
        ]
    if day.credit:
        lines += ["", "[addresses]", f"credit = {_quote(day.credit)}"]
    if day.reserve is not None:
        lines += ["", *_reserve(day.reserve, clock)]
    return "\n".join(lines) + "\n"


def _reserve(reserve: Reserve, clock: DayClock) -> list[str]:
    if reserve.slots is None:
        amount = [
            f"expected = {_plain(reserve.expected)}",
            f"kept = {_plain(reserve.kept)}",
        ]
    else:
        amount = [f"slots = {reserve.slots}"]
    return [
        "[reserve]",
        *amount,
        f'window = "{window_text(clock, reserve.window)}"',
        f"length_min = {units_text(reserve.length_s, 60)}",
        f"kind = {_quote(reserve.kind)}",
        f"priority = {reserve.priority}",
    ]


def _priced(day: Day) -> list[str]:
    """Return what broken promises and preferences cost, where it is not the usual."""
    amounts = {
        "late_hour": (day.late_hour_cents, DEFAULTS["late_hour_cents"]),
        "preference": (day.preference_cents, DEFAULTS["preference_cents"]),
    }
    return [
        f"{key} = {money(amount)}"
        for key, (amount, usual) in amounts.items()
        if amount != usual
    ]


def _traffic(traffic: Traffic, clock: DayClock) -> list[str]:
    for name, profile in traffic_profiles().items():
        if resolve_traffic(profile, clock) == traffic:
            return [f'traffic = "{name}"']
    return [
        "",
        "[travel.traffic]",
        'counted = "elapsed"',
        f"slot_min = {units_text(traffic.slot_s, 60)}",
        f"speed_permille = {list(traffic.speed_permille)}",
        f"source = {_quote(traffic.source)}",
    ]


def _detours(travel: TravelRules) -> list[str]:
    """Return what is not as usual about distances."""
    usual = TravelRules()
    keys = {
        "hop_detour": (travel.hop_detour, usual.hop_detour, 1),
        "long_detour": (travel.long_detour, usual.long_detour, 1),
        "halving_km": (travel.halving_m, usual.halving_m, 1000),
    }
    lines = [
        f"{key} = {_plain(amount / unit)}"
        for key, (amount, as_usual, unit) in keys.items()
        if amount != as_usual
    ]
    for key, words in (("error", travel.error), ("roads", travel.roads)):
        lines += [f"{key} = {_quote(words)}"] * bool(words)
    return lines


def _rates(rates: Rates, keys: tuple[str, str, str]) -> list[str]:
    amounts = (rates.km_cents, rates.hour_cents, rates.overtime_hour_cents)
    return [
        f"{key} = {money(amount)}" for key, amount in zip(keys, amounts, strict=True)
    ]


def _vans_text(day: Day) -> str:
    return "\n".join(_van_text(van, day) for van in day.vans)


def _van_text(van: Van, day: Day) -> str:
    def end(place: Place | None) -> str:
        if place is None:
            return '"anywhere"'
        return '"shop"' if place == day.shop.place else f"{{ {_place(place)} }}"

    lines = [
        "[[van]]",
        f"id = {_quote(van.id)}",
        f"driver = {_quote(van.driver)}",
        f"start = {end(van.start)}",
        f"finish = {end(van.finish)}",
        f"loads_at_shop = {_flag(van.loads_at_shop)}",
        f'shift = "{window_text(day.clock, van.shift)}"',
        f"overtime_limit_min = {units_text(van.overtime_limit_s, 60)}",
    ]
    if van.meal is not None:
        lines.append(
            f'meal = {{ window = "{window_text(day.clock, van.meal.window)}", '
            f"length_min = {units_text(van.meal.length_s, 60)} }}"
        )
    if van.drive_limit_s is not None:
        lines.append(f"drive_limit_h = {units_text(van.drive_limit_s, 3600)}")
    if van.work_limit_s is not None:
        lines.append(f"work_limit_h = {units_text(van.work_limit_s, 3600)}")
    if van.off:
        lines.append(f"off = [{', '.join(map(str, sorted(van.off)))}]")
    if van.pace:
        paces = (
            f"{_quote(kind)} = {_plain(share)}" for kind, share in van.pace.items()
        )
        lines.append(f"pace = {{ {', '.join(paces)} }}")
    lines += [
        f"skills = {_strings(_mastery(van.skills))}",
        f"equipment = {_strings(van.equipment)}",
        *_rates(van.rates, ("km_cost", "hour_cost", "overtime_hour_cost")),
    ]
    return "\n".join(lines) + "\n"


def _part_cells(part: Part) -> dict[str, str]:
    return {
        "id": part.id,
        "name": part.name,
        "category": part.category,
        "unit_cost": money(part.unit_cost_cents),
        "spoil_rate": _plain(part.spoil_rate),
        "bin": part.bin,
        "substitutes": " | ".join(part.substitutes),
        "components": " | ".join(f"{word} x{many}" for word, many in part.components),
        "lead_h": ""
        if part.lead_time_s is None
        else units_text(part.lead_time_s, 3600),
    }


def _need(need: Need, parts: Mapping[str, Part]) -> str:
    first = need.alternatives[0]
    own = tuple(dict.fromkeys((first, *parts[first].substitutes)))
    if need.alternatives == own:
        text = first
    elif len(need.alternatives) == 1:
        text = f"{first} only"
    else:
        text = " or ".join(need.alternatives)
    return text if need.quantity == 1 else f"{text} x{need.quantity}"


def _link_cells(links: Sequence[Link]) -> dict[str, str]:
    """Return what comes before a call: one entry for all where they agree."""
    if not links:
        return {}
    entries = {
        "same_van": ["yes" if link.same_van else "no" for link in links],
        "after_least_min": [units_text(link.min_gap_s, 60) for link in links],
        "after_most_min": [
            NO_LIMIT if link.max_gap_s is None else units_text(link.max_gap_s, 60)
            for link in links
        ],
    }
    usual = {"same_van": "no", "after_least_min": "0", "after_most_min": NO_LIMIT}
    cells = {"after": " | ".join(link.first for link in links)}
    for column, words in entries.items():
        if set(words) != {usual[column]}:
            same = len(set(words)) == 1
            cells[column] = words[0] if same else " | ".join(words)
    return cells


def _call_cells(call: Call, day: Day, links: Sequence[Link]) -> dict[str, str]:
    clock, kind = day.clock, kinds()[call.kind]
    cells = {
        "id": call.id,
        "lat": _plain(call.place.lat_deg) if call.is_located else "",
        "lon": _plain(call.place.lon_deg) if call.is_located else "",
        "kind": call.kind,
        "customer": call.customer,
        "phone": call.phone,
        "address": call.place.name,
        "description": call.description,
        "windows": " | ".join(window_text(clock, span) for span in call.windows),
        "promise": "" if call.promise is None else window_text(clock, call.promise),
        "preference": ""
        if call.preference is None
        else window_text(clock, call.preference),
        "dates": " | ".join(map(str, call.dates)),
        "median_min": units_text(call.median_s, 60),
        "p90_min": units_text(call.p90_s, 60),
        "needs": " | ".join(_need(need, day.parts) for need in call.needs),
        "skills": " | ".join(sorted(call.skills - kind.skills)),
        "equipment": " | ".join(sorted(call.equipment - kind.equipment)),
        "priority": str(call.priority),
        "required_van": call.required_van or "",
        "note": call.note,
        **_link_cells(links),
        **({} if call.access is None else _access_cells(call.access)),
    }
    asked = {item.kind: item for item in kind.ready}
    said = {item.kind: item for item in call.ready}
    for ready_kind in ReadyKind:
        if ready_kind in said:
            usual = asked.get(ready_kind, ready_items()[ready_kind])
            cells |= _ready_cells(said[ready_kind], usual)
        elif ready_kind in asked:
            cells[ready_kind] = "not needed"
    return cells


def _access_cells(access: Access) -> dict[str, str]:
    at = access.place
    return {
        "park_lat": "" if at is None else _plain(at.lat_deg),
        "park_lon": "" if at is None else _plain(at.lon_deg),
        "park_at": "" if at is None else at.name,
        "walk_min": units_text(access.walk_s, 60),
        "search_min": units_text(access.search_s, 60) if access.search_s else "",
        "access": access.note,
        "no_signal": "yes" if access.no_signal else "",
    }


def _ready_cells(item: ReadyItem, usual: ReadyItem) -> dict[str, str]:
    state = str(item.state)
    if item.state is ReadyState.WAIVED:
        state = f"waived by {item.waived_by}"
    cells = {str(item.kind): state}
    if item.lead_time_s != usual.lead_time_s:
        cells[f"{item.kind}_lead_h"] = units_text(item.lead_time_s, 3600)
    if item.cost_cents != usual.cost_cents:
        cells[f"{item.kind}_cost"] = money(item.cost_cents)
    if item.owner != usual.owner:
        cells[f"{item.kind}_owner"] = item.owner
    if item.note != usual.note:
        cells[f"{item.kind}_note"] = item.note
    return cells
