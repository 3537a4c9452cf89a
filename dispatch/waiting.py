"""Where a van waits when it has time: at the last customer, at the next, or elsewhere.

A plan sends a van on at once; the time left over is waited at the next customer's
door. It may as well be waited where it left, or near the places from which urgent
calls come: wherever the next one is reached soonest, all vans taken together.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dispatch.travel import measure_between
from dispatch.travel.profile import arrive_s, depart_latest_s
from dispatch.travel.roads import Roads
from shared.model import Call, Day, Place, Plan, Route, Stop

WORTH_S = 900  # shorter waits are nobody's business; own choice
STAY_S = 600  # who drives somewhere to wait stays there at least; own choice
BETTER_S = 60  # less is not worth a word; own choice
MINUTE_CENTS = 200  # what a minute of a stranded customer's is worth; own choice
REACH_S = 4 * 3600  # a van that is free later than that counts as free then


class Spot(StrEnum):
    """Where a van can wait."""

    LAST = "last"  # where it is, at the last customer
    NEXT = "next"  # at the next customer
    NEAR = "near"  # near likely emergencies


@dataclass(frozen=True, slots=True, kw_only=True)
class Likely:
    """A place from which urgent calls come.

    Parameters
    ----------
    place : Place
        Where.
    weight : float
        Its share, more than 0; only how the weights compare matters.
    """

    place: Place
    weight: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Wait:
    """Advice on one wait.

    Parameters
    ----------
    van_id : str
        The van.
    after : str or None
        The call or store it comes from; ``None``: its start place.
    before : str
        The call or store that comes next.
    spot : Spot
        Where it should wait.
    place : Place
        The same as a point on the map.
    from_s, leave_by_s : int
        When it gets there, and the latest second to set off for the next stop.
    response_s : int
        How long an urgent customer waits for the nearest van to come, on the average
        over the likely places, if the call comes in the middle of the wait.
    here_s, there_s : int
        The same if the van stayed where it is, and if it went on at once.
    extra_m : int
        Metres driven beyond the plan's.
    """

    van_id: str
    after: str | None
    before: str
    spot: Spot
    place: Place
    from_s: int
    leave_by_s: int
    response_s: int
    here_s: int
    there_s: int
    extra_m: int = 0

    @property
    def reason(self) -> str:
        """Why there.

        Returns
        -------
        str
            Plain words.
        """
        if self.spot is Spot.LAST and self.there_s - self.here_s < BETTER_S:
            return (
                "no better place to wait; from here the way to any call is still open"
            )
        others = {"from here": self.here_s, "from the next customer": self.there_s}
        if self.spot is not Spot.NEAR:
            del others[
                "from here" if self.spot is Spot.LAST else "from the next customer"
            ]
        words = ", ".join(f"{name} in {round(s / 60)}" for name, s in others.items())
        words = f"reached in {round(self.response_s / 60)} min, {words}"
        more = f"; {self.extra_m / 1000:.1f} km more" if self.extra_m else ""
        return f"an urgent customer is {words}{more}"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Gap:
    """Time left over between two stops of a route."""

    last: Stop
    next: Stop
    from_s: int
    leave_by_s: int
    after: str | None
    before: str | None
    walk_out_s: int  # from the last job back to the van
    walk_in_s: int  # from the van to the next one


class _Stay(NamedTuple):
    """A van at a place, busy from ``start_s`` to ``finish_s``."""

    arrive_s: int
    start_s: int
    finish_s: int
    place: Place


class _Map:
    """Drives between the places of a plan and the likely ones."""

    def __init__(self, day: Day, places: Sequence[Place], roads: Roads | None) -> None:
        self.traffic = day.travel.traffic
        self.places = list(dict.fromkeys(places))
        self.rows = {place: row for row, place in enumerate(self.places)}
        self.legs = measure_between(day, self.places, roads)

    def metres(self, here: Place, there: Place) -> int:
        return int(self.legs.distance_m[self.rows[here], self.rows[there]])

    def arrive_s(self, here: Place, there: Place, leave_s: int, walk_s: int = 0) -> int:
        base_s = int(self.legs.base_s[self.rows[here], self.rows[there]])
        return arrive_s(self.traffic, leave_s, base_s + walk_s)

    def leave_s(
        self, here: Place, there: Place, by_s: int, walk_s: int = 0
    ) -> int | None:
        base_s = int(self.legs.base_s[self.rows[here], self.rows[there]])
        return depart_latest_s(self.traffic, by_s, base_s + walk_s)

    def all_s(
        self, here: Place, likely: Sequence[Likely], leave_s: int
    ) -> NDArray[np.int64]:
        return np.array(
            [self.arrive_s(here, one.place, leave_s) for one in likely], np.int64
        )


def find_waits(
    day: Day,
    plan: Plan,
    likely: Sequence[Likely],
    per_hour: float,
    roads: Roads | None = None,
) -> tuple[Wait, ...]:
    """Say for every longer wait where it is best waited.

    Parameters
    ----------
    day : Day
        The day, or what is left of it.
    plan : Plan
        Its plan.
    likely : sequence of Likely
        From where urgent calls come.
    per_hour : float
        How many of them come in an hour. A detour to wait elsewhere has to be worth
        it: minutes saved times the chance of a call, at ``MINUTE_CENTS``.
    roads : Roads, optional
        Who measures drives that the day's matrix does not know; the straight line by
        default.

    Returns
    -------
    tuple of Wait
        By van, in the order of their routes; none where no place is likely.
    """
    if not likely or not plan.routes:
        return ()
    stays = {route.van_id: _stays(day, route) for route in plan.routes}
    ends = [stay.place for some in stays.values() for stay in some]
    where = _Map(day, [*ends, *(one.place for one in likely)], roads)
    rates = {van.id: van.rates.km_cents for van in day.vans}
    found = []
    for route in plan.routes:
        # How many metres a response so much sooner is worth, in a gap so long.
        def worth(
            sooner_s: int, gap_s: int, km_cents: int = rates[route.van_id]
        ) -> int:
            value_cents = sooner_s / 60 * MINUTE_CENTS * per_hour * gap_s / 3600
            return round(1000 * value_cents / max(1, km_cents))

        for gap in _gaps(day, route):
            wait = _choose(gap, route, where, likely, stays, worth)
            if wait is not None:
                found.append(wait)
    return tuple(found)


def _stays(day: Day, route: Route) -> list[_Stay]:
    """Return where the van is and when it is busy there; the last one is its finish."""
    van = next(van for van in day.vans if van.id == route.van_id)
    found = [
        _Stay(stop.arrive_s, stop.start_s, stop.finish_s, stop.place)
        for stop in route.stops
        if stop.place is not None
    ]
    if van.finish is not None:
        found.append(_Stay(route.finish_s, route.finish_s, route.finish_s, van.finish))
    return found


def _gaps(day: Day, route: Route) -> list[_Gap]:
    """Return the longer waits; before its first drive a van is in its yard anyway."""
    calls: dict[str | None, Call] = {call.id: call for call in day.calls}
    return [
        _Gap(
            last=last,
            next=stop,
            from_s=last.finish_s,
            leave_by_s=stop.leave_by_s,
            after=_name(route.stops[: row + 1]),
            before=_name(route.stops[:row:-1]),
            walk_out_s=calls[last.call_id].walk_out_s if last.call_id in calls else 0,
            walk_in_s=calls[stop.call_id].walk_in_s if stop.call_id in calls else 0,
        )
        for row, (last, stop) in enumerate(pairwise(route.stops))
        if stop.leave_by_s is not None and stop.leave_by_s - last.finish_s >= WORTH_S
    ]


def _name(stops: Sequence[Stop]) -> str | None:
    """Return the last of the stops that is no break."""
    names = [stop.call_id or stop.store_id for stop in stops]
    return next((name for name in reversed(names) if name is not None), None)


def _choose(
    gap: _Gap,
    route: Route,
    where: _Map,
    likely: Sequence[Likely],
    busy: Mapping[str, Sequence[_Stay]],
    worth: Callable[[int, int], int],
) -> Wait | None:
    last, target = gap.last.place, gap.next.place
    if last is None or target is None:
        return None
    middle_s = (gap.from_s + gap.leave_by_s) // 2
    others = _others(route.van_id, where, likely, busy, middle_s)
    weights = np.array([one.weight for one in likely])

    def response_s(here: Place) -> int:
        own = where.all_s(here, likely, middle_s) - middle_s
        return round(float(np.average(np.minimum(own, others), weights=weights)))

    there_s = where.arrive_s(last, target, gap.from_s, gap.walk_out_s + gap.walk_in_s)
    here_s, instead_s = response_s(last), response_s(target)
    choices = [
        (here_s, 0, Spot.LAST, last, gap.from_s, gap.leave_by_s),
        (instead_s, 0, Spot.NEXT, target, there_s, gap.next.start_s),
    ]
    straight_m = where.metres(last, target)
    for one in likely:
        at_s = where.arrive_s(last, one.place, gap.from_s, gap.walk_out_s)
        leave_s = where.leave_s(one.place, target, gap.next.start_s, gap.walk_in_s)
        if leave_s is not None and leave_s - at_s >= STAY_S:
            metres = where.metres(last, one.place) + where.metres(one.place, target)
            extra_m = max(0, metres - straight_m)
            found = response_s(one.place)
            if worth(instead_s - found, gap.leave_by_s - gap.from_s) > extra_m:
                choices.append((found, extra_m, Spot.NEAR, one.place, at_s, leave_s))
    best = min(choices, key=lambda choice: choice[:2])
    if best[0] > here_s - BETTER_S:
        best = choices[0]  # who stays where it is can still go anywhere
    return Wait(
        van_id=route.van_id,
        after=gap.after,
        before=gap.before or "",
        spot=best[2],
        place=best[3],
        from_s=best[4],
        leave_by_s=best[5],
        response_s=best[0],
        here_s=here_s,
        there_s=instead_s,
        extra_m=best[1],
    )


def _others(
    van_id: str,
    where: _Map,
    likely: Sequence[Likely],
    busy: Mapping[str, Sequence[_Stay]],
    at_s: int,
) -> NDArray[np.int64]:
    """Return how soon the first of the other vans is at each likely place."""
    soonest = np.full(len(likely), REACH_S, np.int64)
    for other, stays in busy.items():
        if other == van_id or not stays:
            continue
        free_s, place = _free(stays, at_s)
        reach = where.all_s(place, likely, free_s) - at_s
        soonest = np.minimum(soonest, reach)
    return soonest


def _free(stays: Sequence[_Stay], at_s: int) -> tuple[int, Place]:
    """Return when from ``at_s`` on the van could set off elsewhere, and from where."""
    last = stays[0].place
    for stay in stays:
        if stay.start_s > at_s:  # on its way there, or waiting there
            return at_s, stay.place if stay.arrive_s <= at_s else last
        if stay.finish_s > at_s:
            return stay.finish_s, stay.place
        last = stay.place
    return at_s, last
