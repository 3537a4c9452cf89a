"""What the search prices the risk of a day by, as arrays.

A promise is kept where the visit starts by its end; where none was given, the visit is
to be over by the end of the customer's hours in which it starts. As in
:mod:`dispatch.chance`, but for links between calls, for waits that the plan makes
without need, and for stores that have closed: these hang on more than one route.
"""

import numpy as np

from dispatch.problem import (
    CALL,
    LENGTH,
    NEVER,
    SPAN,
    Futures,
    Problem,
    frozen,
    no_futures,
    restock_stores,
)
from shared.model import Call, Day, Risk
from shared.trade import HELD

Spans = list[tuple[int, int]]


def build_futures(day: Day, risk: Risk | None, problem: Problem) -> Futures:
    """Return the sampled futures of a day as arrays.

    Parameters
    ----------
    day : Day
        The day.
    risk : Risk or None
        What to price lateness by; ``None``: not at all.
    problem : Problem
        The day as arrays.

    Returns
    -------
    Futures
        Calls that ``risk`` does not name take as long as planned.
    """
    if risk is None:
        return no_futures()
    stores = restock_stores(day)
    futures = len(risk.pace_permille)
    dues: list[tuple[int, int]] = []
    spans: list[Spans] = []
    lengths = np.zeros((len(problem.given), futures), np.int64)
    for row, visit in enumerate(problem.given.tolist()):
        lengths[row] = visit[LENGTH]
        if visit[CALL] >= len(day.calls):
            opening = stores[visit[CALL] - len(day.calls)].opening
            dues.append((NEVER, 0))
            spans.append(
                [(0, NEVER)]
                if opening is None
                else [(opening.start_s, opening.end_s - visit[LENGTH])]
            )
            continue
        call = day.calls[visit[CALL]]
        told_s = NEVER if call.promise is None else call.promise.end_s
        inside = call.promise is None and bool(call.windows)
        dues.append((NEVER, 0) if call.kind == HELD else (told_s, int(inside)))
        spans.append(_spans(day, call, visit[LENGTH]))
        sampled_s, usual_s = risk.lengths_s.get(call.id), day.planned_s(call)
        if sampled_s is not None and usual_s > 0:
            # A driver of another pace takes longer in the same proportion.
            own = np.array(sampled_s, np.int64) * visit[LENGTH]
            lengths[row] = (2 * own + usual_s) // (2 * usual_s)
    width = 2 * max(map(len, spans), default=0)
    table = np.zeros((len(spans), SPAN + width), np.int64)
    for row, (due, some) in enumerate(zip(dues, spans, strict=True)):
        cells = [*due, len(some), *(second for span in some for second in span)]
        table[row, : len(cells)] = cells
    return Futures(
        visits=frozen(table),
        lengths=frozen(lengths),
        pace=frozen(np.array(risk.pace_permille, np.int64)),
        units_s=risk.units_s,
        broken_s=risk.broken_s,
    )


def _spans(day: Day, call: Call, length_s: int) -> Spans:
    """Return when the driver may start who comes when he can."""
    first_s = day.ready_s(call) or 0
    if call.promise is not None:
        first_s = max(first_s, call.promise.start_s)
    hours = [(hour.start_s, hour.end_s - length_s) for hour in call.windows]
    cut = [(max(low, first_s), high) for low, high in hours or [(0, NEVER)]]
    return sorted((low, high) for low, high in cut if low <= high)
