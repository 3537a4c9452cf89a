"""Write out one van's day: from an order of calls to stops with times.

The search only knows whether an order works and what it costs. Here the same order
gets its clock times, in plain code: everything as early as possible, the break
where it delays the end of the day least (and, where that is all the same, where the
driver waits at fewest places), and the first departure as late as the
first stop allows, because nobody sits in front of a closed door by choice.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from dispatch.problem import start_windows
from dispatch.travel import TravelTable
from dispatch.travel.profile import arrive_s, depart_latest_s
from shared.model import Break, Call, Day, Place, Route, Stop, StopKind, Van
from shared.units import UNITS_PER_METRE, UNITS_PER_SECOND

SHORT_WAIT_S = 300  # nobody minds; own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class _Way:
    """A way through the first stops: when the van is free, and how it got there."""

    free_s: int
    stops: tuple[Stop, ...] = ()
    there: bool = False  # at the next stop's street already: the break was taken there

    @property
    def idle(self) -> int:
        """At how many places the driver waits; for the first stop it leaves late."""
        waits = [stop for stop in self.stops[1:] if stop.wait_s > SHORT_WAIT_S]
        return len({stop.place for stop in waits})


@dataclass(frozen=True, slots=True, kw_only=True)
class _Leg:
    """One drive: from where, to where; ``None`` stands for anywhere."""

    origin: str | None
    target: str | None
    here: Place | None
    there: Place | None


class _Driver:
    """Drives one van through the day's travel table."""

    def __init__(self, day: Day, travel: TravelTable, van: Van) -> None:
        self.day = day
        self.travel = travel
        self.van = van
        self.spans: dict[str, list[tuple[int, int]]] = {}

    def drive(self, leg: _Leg, free_s: int) -> tuple[int, int]:
        """Return metres and arrival of a drive that leaves at ``free_s``."""
        if leg.origin is None or leg.target is None:
            return 0, free_s
        row, column = self.travel.keys[leg.origin], self.travel.keys[leg.target]
        base_s = int(self.travel.base_s[row, column])
        metres = int(self.travel.distance_m[row, column])
        return metres, arrive_s(self.travel.traffic, free_s, base_s)

    def leave_latest(self, leg: _Leg, arrive_by_s: int) -> int:
        """Return the latest departure that is there in time."""
        if leg.origin is None or leg.target is None:
            return arrive_by_s
        row, column = self.travel.keys[leg.origin], self.travel.keys[leg.target]
        base_s = int(self.travel.base_s[row, column])
        leave_s = depart_latest_s(self.travel.traffic, arrive_by_s, base_s)
        return -1 if leave_s is None else leave_s

    def leave_by(self, leg: _Leg, drive_s: int, start_s: int) -> int | None:
        """Return the latest departure for a start, where there is a drive at all."""
        return self.leave_latest(leg, start_s) if drive_s > 0 else None

    def postpone(self, pause: Stop, leg: _Leg, until_s: int) -> Stop:
        """Take a break that waits for its window as late as the next visit allows.

        Two waits, one on each side of the break, become one before it.
        """
        meal = self.van.meal
        if meal is None or pause.wait_s == 0:
            return pause
        start_s = min(meal.window.end_s, until_s) - meal.length_s
        return replace(
            pause,
            start_s=start_s,
            finish_s=start_s + meal.length_s,
            leave_by_s=self.leave_by(leg, pause.drive_s, start_s),
        )

    def rest(self, meal: Break, leg: _Leg, way: _Way, *, there: bool) -> _Way | None:
        """Return the way with the break taken before driving, or on arrival."""
        metres, at_s = self.drive(leg, way.free_s) if there else (0, way.free_s)
        start_s = max(at_s, meal.window.start_s)
        if start_s + meal.length_s > meal.window.end_s:
            return None
        pause = Stop(
            kind=StopKind.BREAK,
            call_id=None,
            place=leg.there if there else leg.here,
            drive_m=metres,
            drive_s=at_s - way.free_s,
            arrive_s=at_s,
            start_s=start_s,
            finish_s=start_s + meal.length_s,
            leave_by_s=self.leave_by(leg, at_s - way.free_s, start_s),
        )
        return _Way(free_s=pause.finish_s, stops=(*way.stops, pause), there=there)

    def visit(self, call: Call, leg: _Leg, way: _Way) -> _Way | None:
        """Return the way with one more visit, ``None`` when it comes too late."""
        metres, at_s = (0, way.free_s) if way.there else self.drive(leg, way.free_s)
        if call.id not in self.spans:
            self.spans[call.id] = start_windows(self.day, call)
        spans = self.spans[call.id]
        for earliest_s, latest_s in spans:
            if at_s <= latest_s:
                start_s = max(at_s, earliest_s)
                # A visit of no length may lie in two windows: where they touch.
                last_s = max(last for first, last in spans if first <= start_s <= last)
                before, drive_s = way.stops, at_s - way.free_s
                if way.there:
                    pause = self.postpone(before[-1], leg, start_s)
                    before, at_s = (*before[:-1], pause), pause.finish_s
                stop = Stop(
                    kind=StopKind.CALL,
                    call_id=call.id,
                    place=call.place,
                    drive_m=metres,
                    drive_s=drive_s,
                    arrive_s=at_s,
                    start_s=start_s,
                    finish_s=start_s + self.day.planned_s(call),
                    slack_s=last_s - start_s
                    if call.windows or call.promise is not None
                    else None,
                    leave_by_s=self.leave_by(leg, drive_s, start_s),
                )
                return _Way(free_s=stop.finish_s, stops=(*before, stop))
        return None


def lay_out(
    day: Day, travel: TravelTable, van: Van, call_ids: Sequence[str]
) -> Route | None:
    """Write out one van's day.

    Parameters
    ----------
    day : Day
        The day.
    travel : TravelTable
        Its travel table.
    van : Van
        The van.
    call_ids : sequence of str
        Its calls in order, at least one.

    Returns
    -------
    Route or None
        ``None`` when windows, shift or break do not allow this order.
    """
    driver = _Driver(day, travel, van)
    calls = {call.id: call for call in day.calls}
    due: _Way | None = _Way(free_s=van.shift.start_s)
    done: _Way | None = None if van.meal is not None else due
    if van.meal is None:
        due = None
    origin, here = _end_of_day(van.start, f"start:{van.id}")
    for call_id in call_ids:
        call = calls[call_id]
        leg = _Leg(origin=origin, target=f"call:{call_id}", here=here, there=call.place)
        ways: list[_Way | None] = []
        if due is not None and van.meal is not None:
            ways += [
                driver.rest(van.meal, leg, due, there=there) for there in (False, True)
            ]
        ways.append(done)  # last: if all the same, visits before the break come first
        done = _earliest([driver.visit(call, leg, way) for way in ways if way])
        due = driver.visit(call, leg, due) if due is not None else None
        if done is None and due is None:
            return None
        origin, here = leg.target, call.place
    target, there = _end_of_day(van.finish, f"finish:{van.id}")
    home = _Leg(origin=origin, target=target, here=here, there=there)
    ways = [done]
    if due is not None and van.meal is not None:
        back_s = driver.drive(home, due.free_s)[1]
        if back_s <= van.meal.window.end_s - van.meal.length_s:
            ways.append(due)  # the break is taken after the route
        ways.append(driver.rest(van.meal, home, due, there=False))
    best = min(
        (way for way in ways if way is not None),
        key=lambda way: (driver.drive(home, way.free_s)[1], way.idle),
        default=None,
    )
    if best is None:
        return None
    return _close(driver, best, home)


def _end_of_day(place: Place | None, node: str) -> tuple[str | None, Place | None]:
    return (None, None) if place is None else (node, place)


def _earliest(ways: Sequence[_Way | None]) -> _Way | None:
    return min(
        (way for way in ways if way is not None),
        key=lambda way: (way.free_s, way.idle),
        default=None,
    )


def _close(driver: _Driver, way: _Way, home: _Leg) -> Route | None:
    van = driver.van
    metres, back_s = driver.drive(home, way.free_s)
    if back_s > van.shift.end_s + van.overtime_limit_s:
        return None
    stops, leave_s = _leave_late(driver, way.stops)
    overtime_s = max(0, back_s - van.shift.end_s)
    distance_m = sum(stop.drive_m for stop in stops) + metres
    return Route(
        van_id=van.id,
        stops=stops,
        leave_s=leave_s,
        last_drive_m=metres,
        last_drive_s=back_s - way.free_s,
        finish_s=back_s,
        overtime_s=overtime_s,
        drive_units=distance_m * van.rates.km_cents * UNITS_PER_METRE,
        time_units=(back_s - van.shift.start_s)
        * van.rates.hour_cents
        * UNITS_PER_SECOND,
        overtime_units=overtime_s * van.rates.overtime_hour_cents * UNITS_PER_SECOND,
    )


def _leave_late(
    driver: _Driver, stops: tuple[Stop, ...]
) -> tuple[tuple[Stop, ...], int]:
    first = stops[0]
    origin, here = _end_of_day(driver.van.start, f"start:{driver.van.id}")
    if first.kind is StopKind.BREAK and first.drive_s == 0:
        # The break comes before setting off, or the first call is at the door.
        first = replace(first, arrive_s=first.start_s)
        return (first, *stops[1:]), first.start_s
    served = next(stop for stop in stops if stop.call_id is not None)
    leg = _Leg(
        origin=origin, target=f"call:{served.call_id}", here=here, there=first.place
    )
    leave_s = max(driver.van.shift.start_s, driver.leave_latest(leg, first.start_s))
    _, at_s = driver.drive(leg, leave_s)
    first = replace(first, arrive_s=at_s, drive_s=at_s - leave_s)
    return (first, *stops[1:]), leave_s
