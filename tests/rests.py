"""The rest of an invented day, part way through, and urgent calls for it.

The morning's plan is walked into facts (:mod:`tests.walk`), with delays and mishaps;
the rest is what these leave, planned anew where what stands cannot be done any more.
"""

from dataclasses import replace

from dispatch.generator import generate_day
from dispatch.planner import Budget, plan_day
from dispatch.reshuffle import reshuffle
from dispatch.rest import Rest, in_force, rest_of
from dispatch.state import replay, waiting
from dispatch.urgent import Board, set_board
from shared.errors import Conflict
from shared.model import Call, Day, Place, Plan
from tests.walk import walk

NOW_S = 10 * 3600 + 40 * 60


def planned(day: Day, rounds: int = 1_000) -> Plan:
    """Return the morning's plan, without trying what would help."""
    return plan_day(day, Budget(rounds=rounds, replans=False))


def board_at(day: Day, plan: Plan, seed: int, rounds: int = 300) -> Board:
    """Return what stands at 10:40 on a day that went one of many ways."""
    state = replay(day, walk(day, plan, seed, until_s=NOW_S).log)
    rest = rest_of(day, plan, state, NOW_S)
    try:
        return set_board(rest)
    except Conflict:
        made = reshuffle(rest, Budget(rounds=rounds, replans=False))
    return set_board(rest_of(day, in_force(rest, made), state, NOW_S))


def urgent_call(seed: int, rest: Rest) -> Call:
    """Return an urgent call, as some other invented day has them, near this one's."""
    other = generate_day(10_000 + seed, 1, 1, ease=0.0).calls[0]
    calls = rest.day.calls
    near = calls[seed % len(calls)].place if calls else rest.day.shop.place
    lat = near.lat_deg + 0.01 * ((seed * 7) % 5 - 2)
    lon = near.lon_deg + 0.01 * ((seed * 11) % 5 - 2)
    # Its parts are those of this day: some other call's.
    model = next((c for c in calls[seed % 7 :] if c.needs), None)
    some = model if model is not None and seed % 3 else other
    call = replace(
        some,
        id=f"URGENT{seed}",
        place=Place(lat_deg=round(lat, 5), lon_deg=round(lon, 5), name="Urgent"),
        customer="Customer in need",
        needs=some.needs if some is model else (),
        windows=(),
        promise=None,
        preference=None,
        dates=(),
        required_van=None,
        ready=(),
        priority=1,
        standing=None,
    )
    return waiting(call, rest.now_s)
