"""An answer as tables for a spreadsheet: CSV as in RFC 4180.

UTF-8 with a byte-order mark, without which spreadsheets spoil names. A cell of
words that a spreadsheet would take for a formula gets an apostrophe in front (the
usual defence, see OWASP, 'CSV Injection'); numbers stay numbers. Times are
RFC 3339.
"""

import csv
import io
from collections.abc import Sequence
from datetime import datetime

from dispatch.report.document import PlanDocument, SpanDocument
from dispatch.report.words import clean

Cell = str | int | float | bool | datetime | None

# Also the wide forms that some spreadsheets read alike.
_FORMULA = tuple("=+-@\uff1d\uff0b\uff0d\uff20")


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
            "drive_m",
            "drive_s",
            "arrive_at",
            "wait_s",
            "start_at",
            "finish_at",
            "promise_start_at",
            "promise_end_at",
            "slack_s",
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
                stop.drive_m,
                stop.drive_s,
                stop.arrive_at,
                stop.wait_s,
                stop.start_at,
                stop.finish_at,
                *_ends(stop.call.promise if stop.call else None),
                stop.slack_s,
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
            "cost_cents",
            "purpose",
            "call_ids",
            "where",
            "lead_time_s",
            "in_time",
        ),
        [
            (
                purchase.part_id,
                purchase.name,
                purchase.quantity,
                purchase.cost_cents,
                purchase.purpose.value,
                " ".join(purchase.call_ids),
                purchase.where,
                purchase.lead_time_s,
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
            "cost_cents",
            "lead_time_s",
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
                tonight.item.cost_cents,
                tonight.item.lead_time_s,
                tonight.by_at,
            )
            for tonight in plan.tonight
        ],
    )


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
        return f"'{words}" if words.startswith(_FORMULA) else words
    return cell
