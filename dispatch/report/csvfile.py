"""An answer as tables for a spreadsheet: CSV as in RFC 4180.

UTF-8 with a byte-order mark, without which spreadsheets spoil names. A cell of
words that a spreadsheet would take for a formula gets an apostrophe in front (the
usual defence, see OWASP, 'CSV Injection'); numbers and telephone numbers stay as
they are. Separator and decimal sign are those of the firm's own tables, so that its
spreadsheet opens them with a double click. Everything is as people read it: times of
the local clock with the date of a row's first time beside them, whole minutes, hours,
money with decimals, and kilometres or miles: the column's name says which.
"""

import csv
import io
import re
from collections.abc import Sequence
from datetime import date, datetime
from decimal import Decimal

from dispatch.report.document import (
    CallDocument,
    PickDocument,
    PlanDocument,
    ReasonDocument,
    RestockDocument,
    SpanDocument,
    StopDocument,
    VanDocument,
)
from dispatch.report.shelf import ShelvesDocument
from dispatch.report.words import clean
from shared.dialect import USUAL, Dialect
from shared.units import as_percent, money

Cell = str | int | float | Decimal | bool | date | datetime | None
Table = tuple[Sequence[str], Sequence[Sequence[Cell]]]  # header and rows

# Also the wide forms that some spreadsheets read alike.
_FORMULA = tuple("=+-@\uff1d\uff0b\uff0d\uff20")
_PHONE = re.compile(r"\+[0-9 ]*[0-9]")  # nothing is reckoned with one plus sign


def tables(plan: PlanDocument, dialect: Dialect = USUAL) -> dict[str, str]:
    """Return the plan's tables as CSV text.

    Parameters
    ----------
    plan : PlanDocument
        The plan.
    dialect : Dialect, optional
        Separator and decimal sign.

    Returns
    -------
    dict of str to str
        File name to text; lines end in CR LF, the byte-order mark is not in it.
    """
    return {
        "stops.csv": _write(*_stops(plan), dialect),
        "picks.csv": _write(*_picks(plan), dialect),
        "unplaced.csv": _write(*_unplaced(plan), dialect),
        "conflicts.csv": _write(*_conflicts(plan), dialect),
        "purchases.csv": _write(*_purchases(plan), dialect),
        "tonight.csv": _write(*_tonight(plan), dialect),
        "at_risk.csv": _write(*_at_risk(plan), dialect),
        "tools.csv": _write(*_tools(plan), dialect),
    }


def _stops(plan: PlanDocument) -> Table:
    unit = plan.day.distance
    return (
        (
            "van_id",
            "driver",
            "number",
            "stop",
            "call_id",
            "kind",
            "customer",
            "phone",
            "place",
            "lat_deg",
            "lon_deg",
            "description",
            "note",
            "date",
            "leave",
            f"drive_{unit}",
            "drive_min",
            "arrive",
            "wait_min",
            "start",
            "finish",
            "promise_start",
            "promise_end",
            "windows",
            "slack_min",
            "tight",
            "late_min",
            "rather_start",
            "rather_end",
            "after_calls",
            "store",
            "to_pay",
            "on_time_percent",
            "second_visit_percent",
            "access",
        ),
        [row for van in plan.vans for row in _van_stops(plan, van)],
    )


def _van_stops(plan: PlanDocument, van: VanDocument) -> list[Sequence[Cell]]:
    """Return a van's stops, and last the way back where it has one."""
    unit = plan.day.distance
    rows = [_stop(plan, van, stop) for stop in van.stops]
    if van.finish is not None:
        leave_at = van.stops[-1].finish_at
        rows.append(
            (
                van.id,
                van.driver,
                None,
                "way back",
                *[None] * 4,
                van.finish.name,
                van.finish.lat_deg,
                van.finish.lon_deg,
                None,
                None,
                leave_at.date(),
                leave_at,
                Decimal(unit.number(van.last_drive_m)),
                _minutes(van.last_drive_s),
                van.finish_at,
                *[None] * 17,
            )
        )
    return rows


def _stop(plan: PlanDocument, van: VanDocument, stop: StopDocument) -> Sequence[Cell]:
    call, place, restock = stop.call, stop.place, stop.restock
    unit = plan.day.distance
    wish = call.preference if call else None
    earlier = [link.first for link in plan.links if call and link.then == call.id]
    return (
        van.id,
        van.driver,
        stop.number,
        stop.kind.value,
        call.id if call else None,
        call.kind_name if call else None,
        call.customer if call else None,
        call.phone if call else None,
        place.name if place else None,
        place.lat_deg if place else None,
        place.lon_deg if place else None,
        call.description if call else None,
        call.note if call else None,
        stop.leave_at.date(),
        stop.leave_at,
        Decimal(unit.number(stop.drive_m)),
        _minutes(stop.drive_s),
        stop.arrive_at,
        _minutes(stop.wait_s),
        stop.start_at,
        stop.finish_at,
        *_hours_asked(call),
        # Rounded down, as everywhere: never more than there is.
        stop.slack_s // 60 if stop.slack_s is not None else None,
        stop.tight,
        # Cut, as the clock times are: a late visit is never shown as one in time.
        max(1, stop.late_s // 60) if stop.late_s else 0 if call else None,
        wish.start_at if wish else None,
        wish.end_at if wish else None,
        " ".join(earlier),
        restock.name if restock else None,
        Decimal(money(restock.pay_cents)) if restock else None,
        None if stop.on_time is None else as_percent(stop.on_time),
        as_percent(stop.second_visit) if stop.second_visit else None,
        call.access_words or None if call else None,
    )


def _picks(plan: PlanDocument) -> Table:
    """Return every piece a van takes: in the morning, on the way, and what it gives."""
    rows: list[Sequence[Cell]] = []
    for van in plan.vans:
        rows += [_pick(van, line) for line in van.pick_list]
        rows += [
            _pick(van, line, stop.restock)
            for stop in van.stops
            if stop.restock
            for line in stop.restock.fetch
        ]
    rows += [
        (
            handed.from_van,
            None,
            handed.part_id,
            handed.name,
            *[None] * 6,
            handed.quantity,
            handed.to_van,
            None,
            " ".join(handed.call_ids),
            None,
            None,
        )
        for handed in plan.handovers
    ]
    return (
        (
            "van_id",
            "bin",
            "part_id",
            "name",
            "load",
            "aboard",
            "from_other_vans",
            "other_vans",
            "fetch",
            "store",
            "hand_over",
            "to_van",
            "spares",
            "call_ids",
            "instead_of",
            "note",
        ),
        rows,
    )


def _pick(
    van: VanDocument, line: PickDocument, restock: RestockDocument | None = None
) -> Sequence[Cell]:
    return (
        van.id,
        line.bin,
        line.part_id,
        line.name,
        line.load if restock is None else None,
        line.aboard if restock is None else None,
        sum(handed.quantity for handed in line.from_vans) if restock is None else None,
        " ".join(handed.van_id for handed in line.from_vans),
        line.load if restock is not None else None,
        restock.name if restock is not None else None,
        None,
        None,
        line.spares,
        " ".join(line.call_ids),
        " ".join(line.instead_of),
        line.note,
    )


def _unplaced(plan: PlanDocument) -> Table:
    return (
        (
            "call_id",
            "kind",
            "customer",
            "phone",
            "place",
            "priority",
            "date",
            "promise_start",
            "promise_end",
            "windows",
            "van_id",
            "rule",
            "reason",
            "remedy",
        ),
        [
            (
                unplaced.call.id,
                unplaced.call.kind_name,
                unplaced.call.customer,
                unplaced.call.phone,
                unplaced.call.place.name,
                unplaced.call.priority,
                plan.day.date,
                *_hours_asked(unplaced.call),
                reason.van_id,
                reason.rule.value,
                reason.text,
                reason.remedy,
            )
            for unplaced in plan.unplaced
            for reason in unplaced.reasons
        ],
    )


def _conflicts(plan: PlanDocument) -> Table:
    return (
        ("call_ids", "why"),
        [(" ".join(each.call_ids), each.text) for each in plan.conflicts],
    )


def _at_risk(plan: PlanDocument) -> Table:
    return (
        ("call_id", "cost", "paid", "what"),
        [
            (risk.call_id, Decimal(money(risk.cost_cents)), risk.spent, risk.text)
            for risk in plan.at_risk
        ],
    )


def _tools(plan: PlanDocument) -> Table:
    return (
        ("tool", "van_id", "collect", "bring_back"),
        [
            (
                use.tool_id,
                use.van_id,
                use.swap_at if use.collected else None,
                use.swap_at if use.returned else None,
            )
            for use in plan.tools
        ],
    )


def _purchases(plan: PlanDocument) -> Table:
    return (
        (
            "part_id",
            "name",
            "quantity",
            "cost",
            "purpose",
            "call_ids",
            "where",
            "lead_time_h",
            "in_time",
        ),
        [
            (
                purchase.part_id,
                purchase.name,
                purchase.quantity,
                Decimal(money(purchase.cost_cents)),
                purchase.purpose.value,
                " ".join(purchase.call_ids),
                purchase.where_name,
                _hours(purchase.lead_time_s),
                purchase.in_time,
            )
            for purchase in plan.purchases
        ],
    )


def _tonight(plan: PlanDocument) -> Table:
    calls = {
        call.id: call
        for call in (
            *(stop.call for van in plan.vans for stop in van.stops if stop.call),
            *(unplaced.call for unplaced in plan.unplaced),
        )
    }
    return (
        (
            "call_id",
            "customer",
            "phone",
            "item",
            "ask",
            "owner",
            "cost",
            "lead_time_h",
            "by_date",
            "by",
            "why",
        ),
        [
            *(
                (
                    entry.call_id,
                    calls[entry.call_id].customer,
                    calls[entry.call_id].phone,
                    "promise",
                    entry.ask,
                    "office",
                    *[None] * 4,
                    "; ".join(_why(reason) for reason in entry.reasons),
                )
                for entry in plan.broken
            ),
            *(
                (
                    tonight.call_id,
                    calls[tonight.call_id].customer,
                    calls[tonight.call_id].phone,
                    tonight.item.kind.value,
                    tonight.ask,
                    tonight.item.owner,
                    Decimal(money(tonight.item.cost_cents)),
                    _hours(tonight.item.lead_time_s),
                    tonight.by_at.date() if tonight.by_at else None,
                    tonight.by_at,
                    None,
                )
                for tonight in plan.tonight
            ),
        ],
    )


def _why(reason: ReasonDocument) -> str:
    who = f"{reason.van_id}: " if reason.van_id else ""
    help_ = f" (would help: {reason.remedy})" if reason.remedy else ""
    return f"{who}{reason.text}{help_}"


def _minutes(duration_s: int) -> int:
    return (duration_s + 30) // 60


def _hours(duration_s: int | None) -> float | None:
    if duration_s is None:
        return None
    whole, rest = divmod(duration_s, 3600)
    return whole if rest == 0 else round(duration_s / 3600, 2)


def _hours_asked(call: CallDocument | None) -> tuple[Cell, Cell, Cell]:
    """Return a promise's ends, and the windows as calls.csv writes them."""
    if call is None:
        return None, None, None
    windows = " | ".join(_span(window) for window in call.windows)
    if call.promise is None:
        return None, None, windows
    return call.promise.start_at, call.promise.end_at, windows


def _span(window: SpanDocument) -> str:
    return f"{window.start_at:%H:%M}-{window.end_at:%H:%M}"


def shelves_tables(
    shelves: ShelvesDocument, dialect: Dialect = USUAL
) -> dict[str, str]:
    """Return the shelves' tables as CSV text.

    Parameters
    ----------
    shelves : ShelvesDocument
        The shelves.
    dialect : Dialect, optional
        Separator and decimal sign.

    Returns
    -------
    dict of str to str
        File name to text, as :func:`tables`.
    """
    return {
        "pars.csv": _write(*_pars(shelves), dialect),
        "orders.csv": _write(*_orders(shelves), dialect),
        "moves.csv": _write(*_moves(shelves), dialect),
        "dead_stock.csv": _write(*_dead_stock(shelves), dialect),
    }


def _pars(shelves: ShelvesDocument) -> Table:
    return (
        (
            "van_id",
            "driver",
            "part_id",
            "part",
            "bin",
            "par",
            "aboard",
            "load",
            "from_vans",
            "lacking",
            "wished",
            "lasts_now_percent",
            "lasts_at_par_percent",
            "pieces_between_loadings",
            "at_risk",
        ),
        [
            (
                van.van_id,
                van.driver,
                part.part_id,
                part.name,
                part.bin,
                part.par,
                part.aboard,
                part.load,
                part.from_vans,
                part.lacking,
                part.wished,
                _percent(part.chance_now),
                _percent(part.chance_par),
                Decimal(f"{part.mean_pieces:.2f}"),
                Decimal(money(part.at_risk_cents)),
            )
            for van in shelves.vans
            for part in van.parts
        ],
    )


def _percent(chance: float) -> Decimal:
    """Return a chance in points of 100 with one decimal, never rounded up."""
    return Decimal(int(chance * 1000)) / 10


def _orders(shelves: ShelvesDocument) -> Table:
    return (
        (
            "part_id",
            "part",
            "quantity",
            "cost",
            "for_vans",
            "left_in_shop",
            "shop_par",
            "lead_h",
            "at_risk",
        ),
        [
            (
                order.part_id,
                order.name,
                order.quantity,
                Decimal(money(order.cost_cents)),
                order.for_vans,
                order.in_shop,
                order.shop_par,
                None if order.lead_s is None else Decimal(order.lead_s) / 3600,
                Decimal(money(order.at_risk_cents)),
            )
            for order in shelves.orders
        ],
    )


def _moves(shelves: ShelvesDocument) -> Table:
    return (
        ("part_id", "part", "quantity", "from_van", "to"),
        [
            (m.part_id, m.name, m.quantity, m.from_van, m.to_van or "shop")
            for m in shelves.moves
        ],
    )


def _dead_stock(shelves: ShelvesDocument) -> Table:
    return (
        ("holder", "part_id", "part", "quantity", "money", "last_used", "idle_days"),
        [
            (
                dead.holder,
                dead.part_id,
                dead.name,
                dead.quantity,
                Decimal(money(dead.cost_cents)),
                dead.last_used,
                dead.idle_days,
            )
            for dead in shelves.dead
        ],
    )


def _write(
    header: Sequence[str], rows: Sequence[Sequence[Cell]], dialect: Dialect
) -> str:
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=dialect.separator)
    writer.writerow(header)
    writer.writerows([_guard(cell, dialect) for cell in row] for row in rows)
    return text.getvalue()


def _guard(cell: Cell, dialect: Dialect) -> str:
    match cell:
        case None:
            return ""
        case bool():
            return "yes" if cell else "no"
        case datetime():
            return f"{cell:%H:%M}"
        case date():
            return cell.isoformat()
        case str():
            words = clean(cell)
            harmless = not words.startswith(_FORMULA) or _PHONE.fullmatch(words)
            return words if harmless else f"'{words}"
        case _:
            return str(cell).replace(".", dialect.decimal)
