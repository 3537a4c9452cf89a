"""A plan replayed on one drawn day, stop by stop in plain numbers."""

import math
from collections.abc import Mapping

from dispatch.chance import Sample
from dispatch.problem import NEVER, start_windows
from dispatch.travel import TravelTable
from dispatch.travel.profile import covered, reached_s
from shared.model import Call, Day, Plan, Route, Stop, StopKind, Store, Van

Times = dict[str, tuple[int, int, int]]


def live_day(
    day: Day,
    travel: TravelTable,
    plan: Plan,
    sample: Sample,
    number: int,
    *,
    slowness: Mapping[str, float] | None = None,
) -> tuple[Times, dict[str, bool]]:
    """Return arrival, start and finish of each call, and whether it is kept.

    Roads to single nodes may be slower than the sample says, by a factor.
    """
    lived = _Lived(day, travel, plan, sample, number)
    lived.slowness = slowness or {}
    while True:  # until no call waits any longer for one of another van
        before = dict(lived.times)
        for route in plan.routes:
            lived.drive(route)
        if lived.times == before:
            return lived.times, lived.kept


class _Lived:
    def __init__(
        self, day: Day, travel: TravelTable, plan: Plan, sample: Sample, number: int
    ) -> None:
        self.day, self.travel, self.plan = day, travel, plan
        self.sample, self.number = sample, number
        self.links = {link.then: link for link in day.links}
        self.stores = {store.id: store for store in (*day.counters, day.shop)}
        self.slowness: Mapping[str, float] = {}
        self.times: Times = {}
        self.kept: dict[str, bool] = {}

    def drive(self, route: Route) -> None:
        """Drive one van through its day."""
        vans = {van.id: van for van in self.day.vans}
        self.row = list(vans).index(route.van_id)
        self.van: Van = vans[route.van_id]
        self.clock, self.here = route.leave_s, f"start:{route.van_id}"
        self.shut: set[str] = set()
        self.pause_from: int | None = None
        for place, stop in enumerate(route.stops):
            if stop.kind is StopKind.BREAK:
                self.rest(stop, route.stops[place + 1 :])
                continue
            waits = stop.start_s > stop.arrive_s
            if place and route.stops[place - 1].kind is StopKind.BREAK:
                pause = route.stops[place - 1]
                waits |= pause.drive_s > 0 and pause.start_s > pause.arrive_s
            at = self.go(self.node(stop))
            opens = stop.start_s if waits else 0
            if stop.store_id:
                self.fetch(self.stores[stop.store_id], max(at, opens))
            else:
                self.visit(stop, at, max(at, opens), waits=waits)
            self.pause_from = None

    def go(self, there: str) -> int:
        """Drive somewhere."""
        here, self.here = self.here, there
        if here not in self.travel.keys:  # it starts anywhere
            return self.clock
        keys = self.travel.keys
        base_s = int(self.travel.base_s[keys[here], keys[there]])
        pace = int(self.sample.pace_permille[self.row, self.number])
        if there in self.slowness:
            pace = round(pace * self.slowness[there])
        ground = covered(self.travel.traffic, self.clock) + base_s * pace
        return max(self.clock, reached_s(self.travel.traffic, ground))

    def node(self, stop: Stop) -> str:
        """Return the travel table's name of a stop."""
        if stop.call_id:
            return f"call:{stop.call_id}"
        if stop.store_id == self.day.shop.id:
            return "shop"
        return f"store:{stop.store_id}"

    def rest(self, stop: Stop, later: tuple[Stop, ...]) -> None:
        """Take the break."""
        assert self.van.meal is not None
        if stop.drive_s:
            self.clock = self.go(self.node(later[0]))
            self.pause_from = self.clock
        begin = max(self.clock, self.van.meal.window.start_s)
        self.clock = begin + self.van.meal.length_s

    def fetch(self, store: Store, start: int) -> None:
        """Stop at a store, if it is still open."""
        stay_s = store.restock_s or 0
        if store.opening is not None:
            start = max(start, store.opening.start_s)
            if start > store.opening.end_s - stay_s:
                self.shut.add(store.id)
                stay_s = 0
        self.clock = start + stay_s

    def visit(self, stop: Stop, at: int, start: int, *, waits: bool) -> None:
        """Visit a customer."""
        day, van, meal = self.day, self.van, self.van.meal
        row = [call.id for call in day.calls].index(stop.call_id or "")
        call = day.calls[row]
        spans = start_windows(day, call, van, late=day.promises_may_break)
        for low, high in spans:
            if not waits and low <= stop.start_s <= high:
                start = max(start, low)
        link = self.links.get(call.id)
        if link and link.first in self.times:
            start = max(start, self.times[link.first][2] + link.min_gap_s)
        paused = NEVER if self.pause_from is None else self.pause_from
        if meal and paused < meal.window.start_s:
            at = max(at, min(start, meal.window.end_s))
        self.clock = start + self.length_s(row, call)
        self.times[call.id] = at, start, self.clock
        if call.promise:
            self.kept[call.id] = call.promise.start_s <= start <= call.promise.end_s
        elif call.windows:
            self.kept[call.id] = any(
                span.start_s <= start and self.clock <= span.end_s
                for span in call.windows
            )
        if call.id in self.kept:
            self.kept[call.id] &= not any(
                issue.call_id == call.id and issue.store_id in self.shut
                for issue in self.plan.issues
            )

    def length_s(self, row: int, call: Call) -> int:
        """Return how long this visit takes."""
        length_s = int(self.sample.duration_s[row, self.number])
        again = self.sample.again
        if again is not None and again[row, self.number]:
            return length_s
        pace = self.van.pace.get(call.kind, self.van.pace.get("*", 1.0))
        return math.floor(length_s * pace + 0.5)
