"""Say why a call is on no route."""

from collections.abc import Sequence

from dispatch.travel import TravelTable
from shared.model import Day, Issue, Reason, Route, Rule, Unplaced


def explain(
    day: Day, travel: TravelTable, routes: Sequence[Route], issues: Sequence[Issue]
) -> tuple[Unplaced, ...]:
    """Return placeholder reasons until the real ones land (minutes)."""
    placed = {call_id for route in routes for call_id in route.call_ids}
    return tuple(
        Unplaced(call_id=c.id, reasons=(Reason(rule=Rule.ROOM, text="no room"),))
        for c in day.calls
        if c.id not in placed
    )
