"""Time one route the slow way: every place the break can go, one second-walk each.

Written anew from the words of the day, to be compared with: it shares no code with
the search, the judge or the travel profile, only the model and the table of drives.
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

from dispatch.travel import TravelTable
from shared.model import Break, Call, Day, Traffic, Van


class TimedStop(NamedTuple):
    """A visit, or the break (then without a call), in seconds of the day.

    The drive is the one since the stop before; ``node`` is where the van then is.
    """

    call_id: str | None
    node: str | None
    drive_m: int
    drive_s: int
    arrive_s: int
    start_s: int
    finish_s: int


class Timed(NamedTuple):
    """A route as early as it can be driven, leaving when the shift starts."""

    finish_s: int
    distance_m: int
    stops: tuple[TimedStop, ...]
    last_drive_m: int
    last_drive_s: int


class Rest(NamedTuple):
    """Where the break goes: on which leg, and at which of its ends.

    Leg 0 leads to the first call, leg n from the last call to the finish.
    """

    leg: int
    at_street: bool  # after the drive; otherwise before it


def walk_s(traffic: Traffic, depart_s: int, base_s: int) -> int:
    """Return when a drive ends, slot by slot, wearing down what is left of it.

    The first speed also holds before midnight, the last one on and on.
    """
    left = 1000 * base_s  # permille-seconds
    now_s = depart_s
    last = len(traffic.speed_permille) - 1
    while True:
        slot = max(0, min(now_s // traffic.slot_s, last))
        speed = traffic.speed_permille[slot]
        here = speed * ((slot + 1) * traffic.slot_s - now_s)
        if slot == last or left <= here:
            return now_s + (left + speed - 1) // speed
        left -= here
        now_s = (slot + 1) * traffic.slot_s


def leg_of(
    travel: TravelTable, origin: str | None, target: str | None
) -> tuple[int, int]:
    """Return free-flow seconds and metres; nothing to or from anywhere."""
    if origin is None or target is None:
        return 0, 0
    row, column = travel.keys[origin], travel.keys[target]
    return int(travel.base_s[row, column]), int(travel.distance_m[row, column])


def first_start_s(day: Day, call: Call, arrive_s: int) -> int | None:
    """Return the first second at which a visit can start; ``None``: too late."""
    earliest_s, latest_s = arrive_s, None
    ready_s = day.ready_s(call)
    if ready_s is not None:
        earliest_s = max(earliest_s, ready_s)
    if call.promise is not None:
        earliest_s = max(earliest_s, call.promise.start_s)
        latest_s = call.promise.end_s
    starts_s = [earliest_s]
    if call.windows:
        starts_s = [
            max(earliest_s, window.start_s)
            for window in call.windows
            if max(earliest_s, window.start_s) + day.planned_s(call) <= window.end_s
        ]
    starts_s = [
        start_s for start_s in starts_s if latest_s is None or start_s <= latest_s
    ]
    return min(starts_s, default=None)


def rest_s(meal: Break, now_s: int) -> int | None:
    """Return when a break taken from now on starts; ``None``: too late."""
    start_s = max(now_s, meal.window.start_s)
    return start_s if start_s + meal.length_s <= meal.window.end_s else None


def time_route(
    day: Day, travel: TravelTable, van: Van, call_ids: Sequence[str]
) -> Timed | None:
    """Return the route that is back first, over all places for the break.

    Only time is looked at: windows, promises, what must be ready, the shift and
    its overtime, the break. ``None`` when no place for the break works out.
    """
    found = [
        timed
        for rest in _rests(van, len(call_ids))
        if (timed := _time(day, travel, van, call_ids, rest)) is not None
    ]
    return min(found, key=lambda timed: timed.finish_s, default=None)


def _rests(van: Van, calls: int) -> Iterator[Rest | None]:
    yield None
    if van.meal is not None:
        for leg in range(calls + 1):
            yield Rest(leg, at_street=False)
            yield Rest(leg, at_street=True)


def _time(
    day: Day,
    travel: TravelTable,
    van: Van,
    call_ids: Sequence[str],
    rest: Rest | None,
) -> Timed | None:
    calls = {call.id: call for call in day.calls}
    nodes = [
        f"start:{van.id}" if van.start is not None else None,
        *(f"call:{call_id}" for call_id in call_ids),
        f"finish:{van.id}" if van.finish is not None else None,
    ]
    now_s = van.shift.start_s
    left_s = now_s  # when the stop before was done
    here_m = all_m = 0
    stops: list[TimedStop] = []

    for leg, (origin, target) in enumerate(pairwise(nodes)):
        if rest == Rest(leg, at_street=False):
            start_s = _break_start_s(van, now_s)
            if start_s is None:
                return None
            left_s = _after_break_s(van, start_s)
            stops.append(TimedStop(None, origin, 0, 0, now_s, start_s, left_s))
            now_s = left_s
        base_s, here_m = leg_of(travel, origin, target)
        now_s = walk_s(travel.traffic, now_s, base_s)
        all_m += here_m
        if rest == Rest(leg, at_street=True):
            start_s = _break_start_s(van, now_s)
            if start_s is None:
                return None
            end_s = _after_break_s(van, start_s)
            stops.append(
                TimedStop(None, target, here_m, now_s - left_s, now_s, start_s, end_s)
            )
            here_m, now_s, left_s = 0, end_s, end_s
        if leg < len(call_ids):
            call = calls[call_ids[leg]]
            start_s = first_start_s(day, call, now_s)
            if start_s is None:
                return None
            end_s = start_s + day.planned_s(call)
            stops.append(
                TimedStop(
                    call.id, target, here_m, now_s - left_s, now_s, start_s, end_s
                )
            )
            now_s = left_s = end_s

    if now_s > van.shift.end_s + van.overtime_limit_s:
        return None
    if (
        rest is None
        and van.meal is not None
        and now_s + van.meal.length_s > van.meal.window.end_s
    ):
        return None
    return Timed(now_s, all_m, tuple(stops), here_m, now_s - left_s)


def _break_start_s(van: Van, now_s: int) -> int | None:
    return None if van.meal is None else rest_s(van.meal, now_s)


def _after_break_s(van: Van, start_s: int) -> int:
    return start_s if van.meal is None else start_s + van.meal.length_s
