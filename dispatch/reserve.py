"""Time held free for emergencies: slots on the plan that no customer has yet.

A held slot is a call like any other, of the kind ``HELD``: it has a length, a window,
a place in the middle of where urgent calls come from, and the last priority unless the
owner says otherwise, so that it never pushes out a customer. When an urgent call comes
in, the next slot makes room for it.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import count

from dispatch.state import State
from dispatch.travel import measure_between
from dispatch.waiting import Likely
from shared.facts import CallState, Fact, FactKind
from shared.model import Call, Day, Place
from shared.trade import HELD


def slots_for(expected: float, kept: float) -> int:
    """Return how many slots are enough for a day's emergencies.

    Parameters
    ----------
    expected : float
        How many come in on a day on the average, 0 or more.
    kept : float
        Wanted chance that they are enough, 0 < kept < 1.

    Returns
    -------
    int
        The smallest n with P(N <= n) >= kept, where N is Poisson distributed: calls of
        strangers come in independently of each other (common practice, no source).
    """
    term = total = math.exp(-expected)
    slots = 0
    while total < kept and slots < expected + 40 * math.sqrt(expected) + 40:
        slots += 1
        term *= expected / slots
        total += term
    return slots


def hold(day: Day, likely: Sequence[Likely] = ()) -> Day:
    """Return the day with its reserve as calls.

    Parameters
    ----------
    day : Day
        The day.
    likely : sequence of Likely
        From where urgent calls come; the day's own calls where nothing is known.

    Returns
    -------
    Day
        Its own calls first, then the held slots; without a reserve.
    """
    reserve = day.reserve
    if reserve is None:
        return day
    known = likely or [
        Likely(place=call.parked) for call in day.calls if call.is_located
    ]
    kind = day.kinds[reserve.kind]
    slots = reserve.slots
    if slots is None:
        slots = slots_for(reserve.expected, reserve.kept)
    taken = {call.id for call in day.calls}
    names = (f"held-{number}" for number in count(1))
    free = (name for name in names if name not in taken)
    held = tuple(
        Call(
            id=next(free),
            place=_middle(day, known) if known else day.shop.place,
            kind=HELD,
            median_s=reserve.length_s,
            p90_s=reserve.length_s,
            windows=(reserve.window,),
            dates=(day.date,) if day.horizon > 1 else (),
            priority=reserve.priority,
            skills=kind.skills,
            equipment=kind.equipment,
        )
        for _ in range(slots)
    )
    return replace(day, calls=(*day.calls, *held), reserve=None)


def _middle(day: Day, likely: Sequence[Likely]) -> Place:
    """Return the likely place from which the others are reached soonest."""
    places = [one.place for one in likely]
    base_s = measure_between(day, places).base_s
    weights = [one.weight for one in likely]
    return places[int((base_s @ weights).argmin())]


def next_held(day: Day, from_s: int) -> Call | None:
    """Return the held slot that an emergency takes.

    Parameters
    ----------
    day : Day
        What is left of the day.
    from_s : int
        Now.

    Returns
    -------
    Call or None
        The first in the day's order that may still begin; ``None``: none is left.
    """
    return next(
        (
            call
            for call in day.calls
            if call.kind == HELD and call.windows[0].end_s - call.median_s >= from_s
        ),
        None,
    )


URGENT = 1  # the first priority


def release(day: Day, state: State, booked: Fact) -> Fact | None:
    """Return the fact that a held slot makes room for an urgent call.

    Parameters
    ----------
    day : Day
        As it was planned, with its slots.
    state : State
        What all facts come to.
    booked : Fact
        What has just happened.

    Returns
    -------
    Fact or None
        The next slot that is still open is cancelled, in the same second. ``None``: it
        is no urgent call that came in, or no slot is left.
    """
    if booked.call is None or booked.call.priority != URGENT:
        return None
    still = [now.call for now in state.calls.values() if now.state is CallState.OPEN]
    slot = next_held(replace(day, calls=tuple(still)), booked.at_s)
    if slot is None:
        return None
    return Fact(
        id=f"{booked.id}:{slot.id}",
        kind=FactKind.CANCELLED,
        at_s=booked.at_s,
        call_id=slot.id,
        note=f"makes room for {booked.call.id}",
    )
