"""An answer as tables for a spreadsheet: CSV as in RFC 4180.

UTF-8 with a byte-order mark, without which spreadsheets spoil names. A cell of
words that a spreadsheet would take for a formula gets an apostrophe in front (the
usual defence, see OWASP, 'CSV Injection'); numbers and telephone numbers stay as
they are. Times are RFC 3339, and as people read them are whole minutes, hours, money
with decimals, and kilometres or miles: the column's name says which.
"""

import csv
import io
import re
from collections.abc import Sequence
from datetime import datetime

from dispatch.report.document import PlanDocument, SpanDocument
from dispatch.report.words import clean
from shared.units import money

Cell = str | int | float | bool | datetime | None

# Also the wide forms that some spreadsheets read alike.
_FORMULA = tuple("=+-@\uff1d\uff0b\uff0d\uff20")
_PHONE = re.compile(r"\+[0-9 ]*[0-9]")  # nothing is reckoned with one plus sign


def tables(plan: PlanDocument) -> dict[str, str]:
    """Return the plan's tables as CSV text.

    Parameters
    ----------
    plan : PlanDocument
        The plan.

    Returns
    -------
    dict of str to str
        File name to text; lines end in CR LF, the byte-order mark is not in it.
    """
    return {
        "stops.csv": _stops(plan),
        "picks.csv": _picks(plan),
        "unplaced.csv": _unplaced(plan),
        "purchases.csv": _purchases(plan),
        "tonight.csv": _tonight(plan),
    }


def _stops(plan: PlanDocument) -> str:
    unit = plan.day.distance
    return _write(
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
            "leave_at",
            f"drive_{unit}",
            "drive_min",
            "arrive_at",
            "wait_min",
            "start_at",
            "finish_at",
            "promise_start_at",
            "promise_end_at",
            "slack_min",
            "tight",
        ),
        [
            (
                van.id,
                van.driver,
                stop.number,
                stop.kind.value,
                stop.call.id if stop.call else None,
                stop.call.kind_name if stop.call else None,
                stop.call.customer if stop.call else None,
                stop.call.phone if stop.call else None,
                stop.place.name if stop.place else None,
                stop.place.lat_deg if stop.place else None,
                stop.place.lon_deg if stop.place else None,
                stop.call.description if stop.call else None,
                stop.call.note if stop.call else None,
                stop.leave_at,
                unit.number(stop.drive_m),
                _minutes(stop.drive_s),
                stop.arrive_at,
                _minutes(stop.wait_s),
                stop.start_at,
                stop.finish_at,
                *_ends(stop.call.promise if stop.call else None),
                # Rounded down, as everywhere: never more than there is.
                stop.slack_s // 60 if stop.slack_s is not None else None,
                stop.tight,
            )
            for van in plan.vans
            for stop in van.stops
        ],
    )


def _picks(plan: PlanDocument) -> str:
    return _write(
        (
            "van_id",
            "bin",
            "part_id",
            "name",
            "load",
            "aboard",
            "spares",
            "call_ids",
            "instead_of",
            "note",
        ),
        [
            (
                van.id,
                line.bin,
                line.part_id,
                line.name,
                line.load,
                line.aboard,
                line.spares,
                " ".join(line.call_ids),
                " ".join(line.instead_of),
                line.note,
            )
            for van in plan.vans
            for line in van.pick_list
        ],
    )


def _unplaced(plan: PlanDocument) -> str:
    return _write(
        (
            "call_id",
            "kind",
            "customer",
            "phone",
            "place",
            "priority",
            "promise_start_at",
            "promise_end_at",
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
                *_ends(unplaced.call.promise),
                reason.van_id,
                reason.rule.value,
                reason.text,
                reason.remedy,
            )
            for unplaced in plan.unplaced
            for reason in unplaced.reasons
        ],
    )


def _purchases(plan: PlanDocument) -> str:
    return _write(
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
                money(purchase.cost_cents),
                purchase.purpose.value,
                " ".join(purchase.call_ids),
                purchase.where_name,
                _hours(purchase.lead_time_s),
                purchase.in_time,
            )
            for purchase in plan.purchases
        ],
    )


def _tonight(plan: PlanDocument) -> str:
    calls = {
        call.id: call
        for call in (
            *(stop.call for van in plan.vans for stop in van.stops if stop.call),
            *(unplaced.call for unplaced in plan.unplaced),
        )
    }
    return _write(
        (
            "call_id",
            "customer",
            "phone",
            "item",
            "ask",
            "owner",
            "cost",
            "lead_time_h",
            "by_at",
        ),
        [
            (
                tonight.call_id,
                calls[tonight.call_id].customer,
                calls[tonight.call_id].phone,
                tonight.item.kind.value,
                tonight.ask,
                tonight.item.owner,
                money(tonight.item.cost_cents),
                _hours(tonight.item.lead_time_s),
                tonight.by_at,
            )
            for tonight in plan.tonight
        ],
    )


def _minutes(duration_s: int) -> int:
    return (duration_s + 30) // 60


def _hours(duration_s: int | None) -> float | None:
    if duration_s is None:
        return None
    whole, rest = divmod(duration_s, 3600)
    return whole if rest == 0 else round(duration_s / 3600, 2)


def _ends(span: SpanDocument | None) -> tuple[Cell, Cell]:
    return (span.start_at, span.end_at) if span is not None else (None, None)


def _write(header: Sequence[str], rows: Sequence[Sequence[Cell]]) -> str:
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(header)
    writer.writerows([_guard(cell) for cell in row] for row in rows)
    return text.getvalue()


def _guard(cell: Cell) -> str | int | float:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, datetime):
        return cell.isoformat()
    if isinstance(cell, str):
        words = clean(cell)
        harmless = not words.startswith(_FORMULA) or _PHONE.fullmatch(words)
        return words if harmless else f"'{words}"
    return cell
