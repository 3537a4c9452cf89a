"""The plan as it lies there, to hold one more call out to its vans.

Each van's route, the parts and shared tools that it could still have, and how to ask
for a new plan that serves everybody served now and the call as well.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from copy import copy
from dataclasses import replace
from itertools import islice, product
from typing import NamedTuple

from dispatch.conflict import Trials
from dispatch.offer import (
    FAR_S,
    Change,
    Handover,
    Offer,
    Way,
    find_call,
    make_offer,
    restrict,
    tasks_of,
)
from dispatch.stock import choose, demand
from dispatch.timetable import Task
from dispatch.travel import TravelTable
from shared.model import (
    Call,
    Day,
    Issue,
    Origin,
    Plan,
    Proof,
    Purpose,
    Stop,
    Tool,
    ToolUse,
    Van,
)

SMALL_CALLS = 12
"""Days of so many calls are planned anew as a whole; own choice."""

_CHOICES = 64  # combinations of substitutes weighed when parts are missing


class Gear(NamedTuple):
    """How a van could have along the equipment that a call needs.

    Parameters
    ----------
    lacking : tuple of str
        What is neither aboard nor lent to this van.
    out : tuple of Tool
        What other vans have borrowed.
    ways : tuple of Way
        Where in the route all of it is there; empty when something is not.
    """

    lacking: tuple[str, ...] = ()
    out: tuple[Tool, ...] = ()
    ways: tuple[Way, ...] = ()


class Left(NamedTuple):
    """Pieces that no call has claimed.

    Parameters
    ----------
    vans, stores : dict of str to Counter
        By van and by store.
    """

    vans: dict[str, Counter[str]]
    stores: dict[str, Counter[str]]


class Desk:
    """The plan as it lies there.

    Parameters
    ----------
    day : Day
        The day, with every promise hard that a change has to keep.
    travel : TravelTable
        Its travel table.
    plan : Plan
        Routes, issues, tools and status.
    trials : Trials, optional
        Plans anew.
    """

    def __init__(
        self,
        day: Day,
        travel: TravelTable,
        plan: Plan,
        trials: Trials | None = None,
    ) -> None:
        self.day = day
        self.travel = travel
        self.trials = trials
        self.proved = plan.status.proof is Proof.PROVED_BEST
        self.issues = [i for i in plan.issues if i.purpose is Purpose.CALL]
        self.tools = plan.tools
        self.finish = {route.van_id: route.finish_s for route in plan.routes}
        self.routes: dict[str, tuple[Task, ...]] = {van.id: () for van in day.vans}
        self.routes |= {route.van_id: tasks_of(route) for route in plan.routes}
        self.stops: dict[str, tuple[str, Stop]] = {}
        self.restocks: dict[tuple[str, str], Stop] = {}
        for route in plan.routes:
            for stop in route.stops:
                if stop.call_id is not None:
                    self.stops[stop.call_id] = route.van_id, stop
                if stop.store_id is not None:
                    self.restocks[route.van_id, stop.store_id] = stop
        self.rows = {van.id: self._rows(van) for van in day.vans}
        self.left = _leave_over(day, self.issues)

    def _rows(self, van: Van) -> list[int]:
        keys = [f"call:{t.call_id}" for t in self.routes[van.id] if t.call_id]
        keys += [f"start:{van.id}", f"finish:{van.id}"]
        return [self.travel.keys[key] for key in keys if key in self.travel.keys]

    def after(self, change: Change) -> "Desk":
        """Return the desk on a changed day.

        Parameters
        ----------
        change : callable
            From day to day.

        Returns
        -------
        Desk
            With the same routes.
        """
        desk = copy(self)
        desk.day = change(self.day)
        desk.left = _leave_over(desk.day, self.issues)
        return desk

    def van(self, van_id: str) -> Van:
        """Return a van as it stands on this desk's day.

        Parameters
        ----------
        van_id : str
            Its id.

        Returns
        -------
        Van
            The van.
        """
        return next(van for van in self.day.vans if van.id == van_id)

    def serves(
        self, call: Call, change: Change, vans: Iterable[str | None]
    ) -> bool | None:
        """Return whether a new plan of the changed day serves the call as well.

        As well as all that are served now. On a large day only some vans are planned
        anew, the others stay as they are; then a no proves nothing.

        Parameters
        ----------
        call : Call
            The call.
        change : callable
            From day to day.
        vans : iterable of str or None
            Van ids: the first one is planned anew, and as many more as make a small
            day; ``None`` is passed over.

        Returns
        -------
        bool or None
            False only where that is proved; ``None``: not known.
        """
        if self.trials is None:
            return None
        day = restrict(change(self.day), {*self.stops, call.id})
        if len(day.calls) <= SMALL_CALLS:
            return self.trials.serves(day)
        ids = [van_id for van_id in dict.fromkeys(vans) if van_id is not None]
        part = self._part(day, call, ids)
        return None if part is None else self.trials.serves(part) or None

    def _part(self, day: Day, call: Call, van_ids: Sequence[str]) -> Day | None:
        """Return the day of a few vans, with what the others leave over."""
        inside: list[str] = []
        calls = {call.id}
        for van_id in van_ids:
            own = {task.call_id for task in self.routes[van_id] if task.call_id}
            if not inside or len(calls) + len(own) <= SMALL_CALLS:
                inside.append(van_id)
                calls |= own
        part = restrict(day, calls)
        ends = (({link.first, link.then} & calls) for link in day.links)
        if any(len(some) == 1 for some in ends):
            return None  # what others do decides when these can be served
        outside = [issue for issue in self.issues if issue.van_id not in inside]
        given = [i for i in self.issues if i.van_id in inside and i.from_van]
        left = _leave_over(day, outside)
        for issue in given:
            if issue.from_van not in inside:
                left.vans[issue.van_id][issue.part_id] += issue.quantity
        out = Counter(u.tool_id for u in self.tools if u.van_id not in inside)
        return replace(
            part,
            vans=tuple(
                replace(van, stock=+left.vans[van.id])
                for van in day.vans
                if van.id in inside
            ),
            shop=replace(day.shop, stock=+left.stores[day.shop.id]),
            counters=tuple(
                replace(store, stock=+left.stores[store.id]) for store in day.counters
            ),
            tools=tuple(
                replace(tool, quantity=tool.quantity - out[tool.id])
                for tool in day.tools
                if tool.quantity > out[tool.id]
            ),
        )

    def nearest(self, call: Call) -> list[Van]:
        """Return the vans, those that can do the call first, the nearest first.

        Parameters
        ----------
        call : Call
            The call.

        Returns
        -------
        list of Van
            All vans of the day.
        """
        row = self.travel.keys[f"call:{call.id}"]

        def distance(van: Van) -> tuple[bool, int]:
            rows = self.rows[van.id]
            drives = self.travel.base_s[rows, row]
            return not is_able(self.day, van, call), int(drives.min()) if rows else 0

        return sorted(self.day.vans, key=distance)

    def offer(self, van: Van, call: Call) -> Offer:
        """Hold the call out to the van with its route.

        Parameters
        ----------
        van : Van
            The van.
        call : Call
            The call.

        Returns
        -------
        Offer
            As if parts and equipment were at hand that are lacking.
        """
        _, parts = self.parts(van, call)
        pairs = product(parts or (Way(),), self.gear(van, call).ways or (Way(),))
        ways = dict.fromkeys(way for one, two in pairs if (way := _join(one, two)))
        offer = make_offer(self.day, self.travel, van, self.routes[van.id], call)
        ends = {end for link in offer.links for end in (link.first, link.then)}
        return replace(
            offer,
            ways=tuple(ways),
            others={
                end: self.stops[end][1]
                for end in sorted(ends)
                if end in self.stops and self.stops[end][0] != van.id
            },
            handover=self._handover(van),
        )

    def _handover(self, van: Van) -> Handover:
        """Return when the van must hand shared tools over for those who come next."""
        due = Handover()
        for use in self.tools:
            if use.van_id != van.id:
                continue
            since_s, until_s = self._held(use)
            others = [
                self._held(other)
                for other in self.tools
                if other.tool_id == use.tool_id and other.van_id != van.id
            ]
            waits_s = [begins_s for begins_s, _ in others if begins_s >= until_s]
            frees_s = [ends_s for _, ends_s in others if ends_s <= since_s]
            if waits_s and use.returned:
                due = due._replace(return_s=_least(due.return_s, min(waits_s)))
            elif waits_s:
                due = due._replace(back_s=_least(due.back_s, min(waits_s)))
            if frees_s and use.collected:
                collect_s = max(due.collect_s or 0, *frees_s)
                due = due._replace(collect_s=collect_s)
        return due

    def _held(self, use: ToolUse) -> tuple[int, int]:
        """Return from when and until when a van has a shared tool."""
        stop = self.restocks.get((use.van_id, self.day.shop.id))
        since_s = stop.start_s if use.collected and stop is not None else 0
        if use.returned and stop is not None:
            return since_s, stop.finish_s
        return since_s, self.finish[use.van_id]

    def gear(self, van: Van, call: Call) -> Gear:
        """Return how a van could have along the equipment that a call needs.

        Parameters
        ----------
        van : Van
            The van.
        call : Call
            The call.

        Returns
        -------
        Gear
            What is lacking, or how it can be had.
        """
        tools = {tool.id: tool for tool in self.day.tools}
        joined: Way | None = Way()
        out = self._out(van, call)
        lacking = []
        for item in sorted(call.equipment - van.equipment):
            way = self._borrow(van, tools[item]) if item in tools else None
            if way is not None:
                joined = None if joined is None else _join(joined, way)
            elif item not in {tool.id for tool in out}:
                lacking.append(item)
        if lacking or out or joined is None:
            return Gear(tuple(lacking), tuple(out))
        return Gear(ways=(joined,))

    def _out(self, van: Van, call: Call) -> list[Tool]:
        """Return the shared tools that the van would need and other vans have."""
        own = van.equipment | {u.tool_id for u in self.tools if u.van_id == van.id}
        lacking = call.equipment - own
        return [t for t in self.day.tools if t.id in lacking and self._is_out(t)]

    def _is_out(self, tool: Tool) -> bool:
        return sum(use.tool_id == tool.id for use in self.tools) >= tool.quantity

    def _borrow(self, van: Van, tool: Tool) -> Way | None:
        """Return when the van has a shared tool along, or could have."""
        shop = self.day.shop
        for use in self.tools:
            if (use.van_id, use.tool_id) == (van.id, tool.id):
                return Way(
                    after=shop.id if use.collected else None,
                    before=shop.id if use.returned else None,
                )
        if self._is_out(tool):
            return None
        if van.loads_at_shop:
            return Way()
        if not tool.handover or shop.restock_s is None:
            return None
        stops = (van.id, shop.id) in self.restocks
        return Way(after=shop.id) if stops else Way(via=shop.id)

    def parts(self, van: Van, call: Call) -> tuple[dict[str, int], tuple[Way, ...]]:
        """Return the fewest pieces the van lacks, or how it can have them all.

        Parameters
        ----------
        van : Van
            The van.
        call : Call
            The call.

        Returns
        -------
        dict of str to int, tuple of Way
            Part id to pieces, beside what its own calls use; where in the route
            nothing is lacking. One of the two is empty.
        """
        if not call.needs:
            return {}, (Way(),)
        at_hand = self._at_hand(van)
        short = self._short(van, call, at_hand)
        if not short:
            return {}, (Way(),)
        ways = []
        for store in (self.day.shop, *self.day.counters):
            stops = (van.id, store.id) in self.restocks
            if (store.id == self.day.shop.id and van.loads_at_shop) or (
                store.restock_s is None and not stops
            ):
                continue
            if not self._short(van, call, at_hand + self.left.stores[store.id]):
                ways.append(Way(after=store.id) if stops else Way(via=store.id))
        return ({}, tuple(ways)) if ways else (short, ())

    def _at_hand(self, van: Van) -> Counter[str]:
        """Return the unclaimed pieces that the van could have on leaving."""
        pool = Counter(self.left.vans[van.id])
        if van.loads_at_shop:
            pool.update(self.left.stores[self.day.shop.id])
        if self.day.exchange:
            for other in self.day.vans:
                if other.id != van.id and _meet(van, other):
                    pool.update(self.left.vans[other.id])
        return +pool

    def _short(self, van: Van, call: Call, pool: Counter[str]) -> dict[str, int]:
        short = shortfall(self.day, call, pool)
        if not short:
            return {}
        # Its own calls may take other alternatives; what is fetched on the way may
        # not be there yet when one of them is served.
        fetched = {
            issue.call_id for issue in self.issues if issue.origin is Origin.RESTOCK
        }
        whole = Counter(pool)
        for issue in self.issues:
            if issue.van_id == van.id and issue.call_id not in fetched:
                whole[issue.part_id] += issue.quantity
        needs = [
            need
            for task in self.routes[van.id]
            if task.call_id is not None
            and task.call_id not in fetched
            and (other := find_call(self.day, task.call_id)) is not None
            for need in other.needs
        ]
        if choose(self.day, [*needs, *call.needs], whole) is not None:
            return {}
        return short

    def firm(self) -> Counter[str]:
        """Return the pieces of all vans and the shop together, claimed or not.

        Returns
        -------
        Counter
            Part id to pieces.
        """
        whole = Counter(self.day.shop.stock)
        for van in self.day.vans:
            whole.update(van.stock)
        return whole


def _leave_over(day: Day, issues: Sequence[Issue]) -> Left:
    left = Left(
        {van.id: Counter(van.stock) for van in day.vans},
        {store.id: Counter(store.stock) for store in (*day.counters, day.shop)},
    )
    for issue in issues:
        if issue.origin is Origin.ABOARD:
            source = left.vans[issue.van_id]
        elif issue.origin is Origin.VAN and issue.from_van is not None:
            source = left.vans[issue.from_van]
        else:
            source = left.stores[issue.store_id or day.shop.id]
        source[issue.part_id] -= issue.quantity
    return left


def _meet(one: Van, other: Van) -> bool:
    """Return whether two vans start at one place, so that they may hand parts over."""
    if one.start is None or other.start is None:
        return False
    return (one.start.lat_deg, one.start.lon_deg) == (
        other.start.lat_deg,
        other.start.lon_deg,
    )


def _join(one: Way, other: Way) -> Way | None:
    """Return the way that is both, if one stop each is enough."""
    for mine, its in zip(one, other, strict=True):
        if mine is not None and its is not None and mine != its:
            return None
    joined = Way(*(mine or its for mine, its in zip(one, other, strict=True)))
    return joined if joined.after is None or joined.after != joined.before else None


def _least(one: int | None, other: int) -> int:
    return other if one is None else min(one, other)


def is_able(day: Day, van: Van, call: Call) -> bool:
    """Return whether driver and equipment can do a call; the shop lends tools.

    Parameters
    ----------
    day : Day
        The day.
    van : Van
        One of its vans.
    call : Call
        One of its calls.

    Returns
    -------
    bool
        Whatever the clock and the parts say.
    """
    return (
        day.bar(call) is None
        and day.date not in van.off
        and call.skills <= van.skills
        and call.equipment <= van.equipment | {tool.id for tool in day.tools}
        and call.required_van in (None, van.id)
    )


def shortfall(day: Day, call: Call, pool: Counter[str]) -> dict[str, int]:
    """Return the pieces a pool lacks for a call, by the choice that lacks least.

    Parameters
    ----------
    day : Day
        The day.
    call : Call
        One of its calls.
    pool : Counter
        Part id to pieces.

    Returns
    -------
    dict of str to int
        Part id to pieces; empty when nothing is lacking.
    """
    fewest: dict[str, int] | None = None
    choices = product(*(need.alternatives for need in call.needs))
    for picks in islice(choices, _CHOICES):
        wanted: Counter[str] = Counter()
        for used in demand(day, call, picks):
            wanted.update(used)
        short = {
            part_id: count - pool[part_id]
            for part_id, count in wanted.items()
            if count > pool[part_id]
        }
        if fewest is None or sum(short.values()) < sum(fewest.values()):
            fewest = short
    return fewest or {}


# --- the question that a change has to answer -----------------------------------


def late_ids(plan: Plan) -> set[str]:
    """Return the calls whose promise a plan breaks.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    set of str
        Their ids.
    """
    stops = (stop for route in plan.routes for stop in route.stops)
    return {stop.call_id for stop in stops if stop.call_id and stop.late_s > 0}


def harden(day: Day, free: set[str]) -> Day:
    """Return the day with every promise hard, but for calls that may be late.

    Parameters
    ----------
    day : Day
        The day.
    free : set of str
        Calls that may start at any time after their promise.

    Returns
    -------
    Day
        The same where promises are hard already.
    """
    if not day.promises_may_break:
        return day
    calls = (
        replace(call, promise=replace(call.promise, end_s=FAR_S))
        if call.id in free and call.promise is not None
        else call
        for call in day.calls
    )
    return replace(day, calls=tuple(calls), promises_may_break=False)


def take_off(day: Day, plan: Plan, call_id: str) -> Plan:
    """Return the plan as if one of its calls were on no route, not timed anew.

    Parameters
    ----------
    day : Day
        The day.
    plan : Plan
        Its plan.
    call_id : str
        A call that it serves.

    Returns
    -------
    Plan
        Without the call's parts, and without tools and stops for this call alone.
    """
    issues = [issue for issue in plan.issues if issue.call_id != call_id]
    calls = {call.id: call for call in day.calls}
    routes, tools = [], []
    for route in plan.routes:
        kept = [other for other in route.call_ids if other != call_id]
        asked = {item for other in kept for item in calls[other].equipment}
        uses = [
            use
            for use in plan.tools
            if use.van_id == route.van_id and use.tool_id in asked
        ]
        tools += uses
        fetched = {i.store_id for i in issues if i.van_id == route.van_id}
        if any(use.collected or use.returned for use in uses):
            fetched.add(day.shop.id)
        stops = (
            stop
            for stop in route.stops
            if stop.call_id != call_id
            and (stop.store_id is None or stop.store_id in fetched)
        )
        if call_id in route.call_ids:
            route = replace(route, stops=tuple(stops))  # noqa: PLW2901
        routes.append(route)
    return replace(plan, routes=tuple(routes), issues=tuple(issues), tools=tuple(tools))
