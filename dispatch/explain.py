"""Say why a call is on no route or late, van by van, and what would help.

First what holds whichever van goes; where that alone rules the call out, no van is
looked at. Otherwise each van gets the first rule that blocks it. What would help is
tried out on the van's route (:mod:`dispatch.remedy`), and then by planning the whole
day anew (:mod:`dispatch.conflict`), before it is proposed: it serves the call, and
every call served so far, and breaks no promise kept so far. A change that only
re-planning shows to suffice says so.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from copy import copy
from dataclasses import replace
from itertools import islice, product
from typing import NamedTuple

from dispatch.conflict import Replan, Trials, find_conflicts
from dispatch.problem import start_windows
from dispatch.reach import latest_start_s
from dispatch.remedy import (
    FAR_S,
    STEP_S,
    Breach,
    Change,
    Handover,
    Late,
    Offer,
    Remedy,
    Spot,
    Stretch,
    Way,
    find_breach,
    find_call,
    find_customer_remedy,
    find_swap,
    find_time_remedy,
    loosen,
    make_offer,
    make_remedy,
    name_ready,
    of_customer,
    of_van,
    put_call,
    put_link,
    put_van,
    restrict,
    tasks_of,
)
from dispatch.stock import choose, demand, part_name
from dispatch.supply import counter_name, elsewhere
from dispatch.timetable import Task
from dispatch.travel import TravelTable
from shared.model import (
    Call,
    Conflict,
    Day,
    Issue,
    Link,
    Origin,
    Plan,
    Proof,
    Purpose,
    Reason,
    Rule,
    Stop,
    Tool,
    ToolUse,
    Unplaced,
    Van,
    Window,
)
from shared.units import minutes

CLOSE_VANS = 3  # at least so many vans are looked at closely for every call
CLOSE_LOOKS = 400  # and so many in all, where there are more vans
_CHOICES = 64  # combinations of substitutes weighed when parts are missing
_NAMES = 3  # named before "and more"
SMALL_CALLS = 12
_ANEW = ", with routes planned anew"


def explain(
    day: Day, travel: TravelTable, plan: Plan, replan: Replan | None = None
) -> Plan:
    """Say why calls are on no route, why promises are broken, and who is in whose way.

    Parameters
    ----------
    day : Day
        The day.
    travel : TravelTable
        Its travel table.
    plan : Plan
        Routes, issues, tools and status; spares are not looked at, for they never
        cost a call.
    replan : callable, optional
        Plans a changed day; without it, changes are tried on single routes only, and
        no conflicts are looked for.

    Returns
    -------
    Plan
        The same with ``unplaced``, ``late`` and ``conflicts``, each in the order of
        the day. With many vans, only those that pass nearest are looked at closely;
        the others' reasons say so, and carry no remedy.
    """
    trials = None if replan is None else Trials(replan)
    unplaced = _explain_unplaced(day, travel, plan, trials)
    late = _explain_late(day, travel, plan, trials)
    conflicts: tuple[Conflict, ...] = ()
    if replan is not None and unplaced:
        left_out = [one.call_id for one in unplaced]
        placed = [call_id for route in plan.routes for call_id in route.call_ids]
        conflicts = find_conflicts(day, travel, replan, placed, left_out)
    return replace(plan, unplaced=unplaced, late=late, conflicts=conflicts)


def _explain_unplaced(
    day: Day, travel: TravelTable, plan: Plan, trials: Trials | None
) -> tuple[Unplaced, ...]:
    placed = {call_id for route in plan.routes for call_id in route.call_ids}
    left_out = [call.id for call in day.calls if call.id not in placed]
    if not left_out:
        return ()
    close = max(CLOSE_VANS, CLOSE_LOOKS // len(left_out))
    desk = _Desk(_promise_less(day, {*_late_ids(plan), *left_out}), travel, plan)
    desk.told, desk.trials = day, trials
    return tuple(
        Unplaced(call_id=call_id, reasons=_reasons(desk, call, close))
        for call_id in left_out
        if (call := find_call(desk.day, call_id)) is not None
    )


def _explain_late(
    day: Day, travel: TravelTable, plan: Plan, trials: Trials | None
) -> tuple[Unplaced, ...]:
    late = _late_ids(plan)
    close = max(CLOSE_VANS, CLOSE_LOOKS // max(1, len(late)))
    found = []
    for call in day.calls:
        if call.id in late:
            kept = _promise_less(day, late - {call.id})
            desk = _Desk(kept, travel, _take_off(day, plan, call.id))
            desk.told, desk.trials = day, trials
            reasons = _reasons(desk, call, close)
            found.append(Unplaced(call_id=call.id, reasons=reasons))
    return tuple(found)


def _late_ids(plan: Plan) -> set[str]:
    stops = (stop for route in plan.routes for stop in route.stops)
    return {stop.call_id for stop in stops if stop.call_id and stop.late_s > 0}


def _promise_less(day: Day, free: set[str]) -> Day:
    """Return the day with every promise hard, but for calls that may be late."""
    if not day.promises_may_break:
        return day
    calls = (
        replace(call, promise=replace(call.promise, end_s=FAR_S))
        if call.id in free and call.promise is not None
        else call
        for call in day.calls
    )
    return replace(day, calls=tuple(calls), promises_may_break=False)


def _take_off(day: Day, plan: Plan, call_id: str) -> Plan:
    """Return the plan as if one of its calls were on no route, not timed anew."""
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


class _Desk:
    """The plan as it lies there: each van's route, and the parts it can still have."""

    def __init__(self, day: Day, travel: TravelTable, plan: Plan) -> None:
        self.day = day
        self.told = day
        self.travel = travel
        self.trials: Trials | None = None
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

    def after(self, change: Change) -> "_Desk":
        """Return the desk on a changed day."""
        desk = copy(self)
        desk.day = change(self.day)
        desk.left = _leave_over(desk.day, self.issues)
        return desk

    def van(self, van_id: str) -> Van:
        """Return a van as it stands on this desk's day."""
        return next(van for van in self.day.vans if van.id == van_id)

    def serves(
        self, call: Call, change: Change, vans: Iterable[Van | str | None]
    ) -> bool | None:
        """Return whether a new plan of the changed day serves the call as well.

        As well as all that are served now. On a large day only some vans are planned
        anew, the first of those given and as many more as make a small day; the
        others stay as they are. Then a no proves nothing.
        """
        if self.trials is None:
            return None
        day = restrict(change(self.day), {*self.stops, call.id})
        if len(day.calls) <= SMALL_CALLS:
            return self.trials.serves(day)
        ids = dict.fromkeys(v.id if isinstance(v, Van) else v for v in vans if v)
        part = self._part(day, call, list(ids))
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
        """Return the vans, those that can do the call first, the nearest first."""
        row = self.travel.keys[f"call:{call.id}"]

        def distance(van: Van) -> tuple[bool, int]:
            rows = self.rows[van.id]
            drives = self.travel.base_s[rows, row]
            return not _is_able(self.day, van, call), int(drives.min()) if rows else 0

        return sorted(self.day.vans, key=distance)

    def offer(self, van: Van, call: Call) -> Offer:
        """Hold the call out to the van with its route."""
        _, parts = self.parts(van, call)
        _, tools = self.gear(van, call)
        pairs = product(parts or (Way(),), tools or (Way(),))
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

    def gear(self, van: Van, call: Call) -> tuple[Reason | None, tuple[Way, ...]]:
        """Return why the van cannot have the equipment along, or how it can."""
        tools = {tool.id: tool for tool in self.day.tools}
        joined: Way | None = Way()
        out = self.out(van, call)
        lacking = []
        for item in sorted(call.equipment - van.equipment):
            way = self._borrow(van, tools[item]) if item in tools else None
            if way is not None:
                joined = None if joined is None else _join(joined, way)
            elif item not in {tool.id for tool in out}:
                lacking.append(item)
        if lacking:
            text = "; ".join(_gear_words(self.day, lacking))
            return Reason(rule=Rule.EQUIPMENT, text=text, van_id=van.id), ()
        if out:
            text = "; ".join(self._out_words(tool) for tool in out)
            return Reason(rule=Rule.TOOL, text=text, van_id=van.id), ()
        return None, () if joined is None else (joined,)

    def out(self, van: Van, call: Call) -> list[Tool]:
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

    def _out_words(self, tool: Tool) -> str:
        vans = [f"van {use.van_id}" for use in self.tools if use.tool_id == tool.id]
        one = tool.quantity == 1
        whose = "the shop's only one goes" if one else f"the shop's {tool.quantity} go"
        return f"{_word(tool.id)} is out ({whose} with {_several(vans)})"

    def parts(self, van: Van, call: Call) -> tuple[dict[str, int], tuple[Way, ...]]:
        """Return the fewest pieces the van lacks, or how it can have them all."""
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
        short = _shortfall(self.day, call, pool)
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
        """Return the pieces of all vans and the shop together, claimed or not."""
        whole = Counter(self.day.shop.stock)
        for van in self.day.vans:
            whole.update(van.stock)
        return whole


class _Left(NamedTuple):
    """Pieces that no call has claimed, by van and by store."""

    vans: dict[str, Counter[str]]
    stores: dict[str, Counter[str]]


def _leave_over(day: Day, issues: Sequence[Issue]) -> _Left:
    left = _Left(
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


def _is_able(day: Day, van: Van, call: Call) -> bool:
    """Return whether driver and equipment can do the call; the shop lends tools."""
    return (
        call.skills <= van.skills
        and call.equipment <= van.equipment | {tool.id for tool in day.tools}
        and call.required_van in (None, van.id)
    )


def _shortfall(day: Day, call: Call, pool: Counter[str]) -> dict[str, int]:
    """Return the pieces a pool lacks for a call, by the choice that lacks least."""
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


# --- one call ------------------------------------------------------------------


class _Finding(NamedTuple):
    """A reason, and a change that might help.

    ``sure``: on the route as it is the change works; else only planning anew can tell.
    """

    reason: Reason
    remedy: Remedy | None = None
    sure: bool = True


def _reasons(desk: _Desk, call: Call, close: int) -> tuple[Reason, ...]:
    near = desk.nearest(call)
    found = _general(desk, call, near[:close])
    if not found:
        looked_at = {van.id for van in near[:close]}
        found = [
            _for_van(desk, call, van, close=van.id in looked_at)
            for van in desk.day.vans
        ]
    return _settle(desk, call, found, near[:close])


def _settle(
    desk: _Desk, call: Call, found: Sequence[_Finding], near: Sequence[Van]
) -> tuple[Reason, ...]:
    """Keep the changes that stand the test of planning anew; look for smaller ones."""
    trials = desk.trials
    if trials is None:
        return tuple(
            _with(one.reason, one.remedy if one.sure else None) for one in found
        )
    trials.begin()
    kept: list[_Finding] = list(found)
    asked: dict[tuple[str, str | None], bool | None] = {}
    for row in sorted(range(len(kept)), key=lambda row: _size(kept[row])):
        reason, remedy, sure = kept[row]
        if remedy is None:
            continue
        key = remedy.words, None if remedy.stretch is None else remedy.stretch.van_id
        if key not in asked:
            vans = [reason.van_id, *near]
            asked[key] = desk.serves(call, remedy.change, vans)
        serves = asked[key]
        if serves is False and remedy.change is _as_it_is:
            # The van has room, but not beside what other vans need.
            reason = replace(reason, text=_FULL)
        if not (serves or (serves is None and sure)):
            kept[row] = _Finding(reason)
    less = _seek_less(desk, call, kept, near)
    if less is not None:
        kept = _say_less(desk, kept, less)
    return tuple(_with(one.reason, one.remedy) for one in kept)


def _with(reason: Reason, remedy: Remedy | None) -> Reason:
    return reason if remedy is None else replace(reason, remedy=remedy.words)


def _size(finding: _Finding) -> tuple[int, bool]:
    remedy = finding.remedy
    return (0, False) if remedy is None else (remedy.size_s, not finding.sure)


def _as_it_is(day: Day) -> Day:
    return day


_FULL = "no room beside its calls"
_UNMOVED = {Rule.SKILL, Rule.EQUIPMENT, Rule.REQUIRED_VAN}
"""Rules that no other time of the day gets around."""


def _seek_less(
    desk: _Desk, call: Call, kept: Sequence[_Finding], near: Sequence[Van]
) -> Remedy | None:
    """Find a smaller move of one limit that suffices if all routes are planned anew."""
    trials = desk.trials
    remedies = [one.remedy for one in kept if one.remedy is not None]
    general = [one for one in kept if one.reason.van_id is None]
    if (
        trials is None
        or len(general) > 1
        or any(remedy.change is _as_it_is for remedy in remedies)
        or all(one.reason.rule in _UNMOVED for one in kept)
        or (general and general[0].reason.rule not in _MOVED)
    ):
        return None
    moves = [remedy.size_s for remedy in remedies if remedy.size_s > 0]
    most_s = min(moves) - STEP_S if moves else FAR_S
    groups = [of_customer(desk.day, call), *(of_van(van) for van in near)]
    if most_s < STEP_S:
        return None
    every = loosen([s for some in groups for s in some], most_s)
    if not desk.serves(call, every, near):
        return None
    best: Remedy | None = None
    for group in groups:
        vans = [group[0].van_id if group else None, *near]
        if len(group) > 1 and not desk.serves(call, loosen(group, most_s), vans):
            continue
        for stretch in group:
            found = _halve(desk, call, stretch, most_s, vans)
            if found is not None:
                best = found
                most_s = found.size_s - STEP_S
    return best


def _halve(
    desk: _Desk,
    call: Call,
    stretch: Stretch,
    most_s: int,
    vans: Sequence[Van | str | None],
) -> Remedy | None:
    """Return the smallest move of a limit that a new plan shows to suffice."""
    enough, too_little = min(most_s, stretch.most_s) // STEP_S, 0
    if enough < 1 or not desk.serves(call, stretch.by(enough * STEP_S), vans):
        return None
    while enough - too_little > 1:
        middle = (enough + too_little) // 2
        if desk.serves(call, stretch.by(middle * STEP_S), vans):
            enough = middle
        else:
            too_little = middle
    return make_remedy(stretch, desk.day.clock, enough * STEP_S)


def _say_less(desk: _Desk, kept: Sequence[_Finding], less: Remedy) -> list[_Finding]:
    """Put a smaller change in the place of a larger one of its kind, or first."""
    said = less._replace(words=less.words + _ANEW)
    van_id = None if less.stretch is None else less.stretch.van_id
    if kept[0].reason.van_id is None:
        return [kept[0]._replace(remedy=said)]
    for row, one in enumerate(kept):
        timed = one.reason.rule not in _UNMOVED | {Rule.STOCK, Rule.TOOL}
        if len(kept) == 1 or (one.reason.van_id == van_id and timed):
            return [*kept[:row], one._replace(remedy=said), *kept[row + 1 :]]
    if van_id is not None:
        said = said._replace(words=f"van {van_id}: {said.words}")
    text = "no room beside the calls planned"
    if not desk.proved:
        text = "no room found beside the calls planned"
    return [_Finding(Reason(rule=Rule.ROOM, text=text), said), *kept]


# --- whichever van goes ------------------------------------------------------

_MOVED = {Rule.WINDOW, Rule.PROMISE, Rule.READY}
"""Rules that another time of the day gets around."""


def _general(desk: _Desk, call: Call, near: Sequence[Van]) -> list[_Finding]:
    day = desk.day
    if not day.vans:
        return [_Finding(Reason(rule=Rule.ROOM, text="no van is out on this day"))]
    lent = frozenset(tool.id for tool in day.tools)
    found = [
        reason
        for reason in (
            _no_moment(desk, call, _able(desk, call) or [None]),
            _not_ready(desk, call),
            _nowhere(desk, call),
            _nobody(
                Rule.SKILL,
                call.skills,
                [van.skills for van in day.vans],
                "driver does",
            ),
            _nobody(
                Rule.EQUIPMENT,
                call.equipment,
                [lent, *(van.equipment for van in day.vans)],
                "van carries",
            ),
            _no_such_van(day, call),
            _not_led(desk, call),
        )
        if reason is not None
    ]
    if len(found) != 1 or found[0].rule is Rule.LINK:
        return [_Finding(reason) for reason in found]  # no single change helps
    return [_general_remedy(desk, call, near, found[0])]


def _able(desk: _Desk, call: Call) -> list[Van]:
    return [van for van in desk.day.vans if _is_able(desk.day, van, call)]


def _no_moment(desk: _Desk, call: Call, vans: Sequence[Van | None]) -> Reason | None:
    """Say that the visit is too long for the customer's time, whoever drives."""
    day = desk.day
    promised = replace(call, ready=())
    free = replace(promised, promise=None)
    if any(start_windows(day, promised, van) for van in vans):
        return None
    length = minutes(min(day.planned_s(call, van) for van in vans))
    there = ", ".join(_span(day, window) for window in call.windows)
    told = find_call(desk.told, call.id)
    promise = None if told is None else told.promise
    if promise is None or not any(start_windows(day, free, van) for van in vans):
        return Reason(
            rule=Rule.WINDOW,
            text=f"a visit of {length} does not fit {there}, the customer's time",
        )
    return Reason(
        rule=Rule.PROMISE,
        text=(
            f"a visit of {length} that starts as promised, "
            f"{_span(day, promise)}, is not over while the customer is there: "
            f"{there}"
        ),
    )


def _not_ready(desk: _Desk, call: Call) -> Reason | None:
    day = desk.day
    ready_s = day.ready_s(call)
    if ready_s is None:
        return None
    at_once = replace(call, ready=())
    vans = _able(desk, call)
    starts = [_latest_start_s(day, at_once, van) for van in vans]
    latest_s = max((start for start in starts if start is not None), default=None)
    if latest_s is None:  # no van is able; the customer may still be too early
        latest_s = max((last_s for _, last_s in start_windows(day, at_once)), default=0)
    if not 0 < latest_s < ready_s:
        return None
    return Reason(
        rule=Rule.READY,
        text=(
            f"{name_ready(day, call)} cannot be there before "
            f"{day.clock.spoken(_up(ready_s))}; the visit has to start by "
            f"{day.clock.spoken(latest_s)}"
        ),
    )


def _latest_start_s(day: Day, call: Call, van: Van) -> int | None:
    length_s = day.planned_s(call, van)
    return latest_start_s(day, replace(call, median_s=length_s, p90_s=length_s), van)


def _nowhere(desk: _Desk, call: Call) -> Reason | None:
    day, total = desk.day, desk.firm()
    for counter in day.counters:
        if counter.restock_s is not None:
            total.update(counter.stock)
    if not call.needs or choose(day, call.needs, total) is not None:
        return None
    short = _shortfall(day, call, total)
    wanted = {part_id: count + total[part_id] for part_id, count in short.items()}
    return Reason(
        rule=Rule.STOCK,
        text="; ".join(_lack_in_firm(day, call, wanted, desk.firm())),
    )


def _lack_in_firm(
    day: Day, call: Call, wanted: dict[str, int], firm: Counter[str]
) -> Iterable[str]:
    for part_id, count in wanted.items():
        words = f"nobody has {_part(day, part_id)}"
        if firm[part_id]:
            words = f"the firm has {firm[part_id]} of {count} {_part(day, part_id)}"
        if any(len(need.alternatives) > 1 for need in call.needs):
            words += " or what could stand in for it"
        counters = [
            f"{pieces} at {counter_name(day, counter_id)}"
            for counter_id, pieces in elsewhere(day, part_id)
        ]
        yield f"{words} ({_several(counters) if counters else 'no counter has any'})"


def _nobody(
    rule: Rule, wanted: frozenset[str], there: Sequence[frozenset[str]], who: str
) -> Reason | None:
    have = frozenset[str]().union(*there)
    if wanted <= have:
        return None
    return Reason(rule=rule, text=f"no {who} {_lacking(wanted, have)}")


def _no_such_van(day: Day, call: Call) -> Reason | None:
    if call.required_van is None or any(v.id == call.required_van for v in day.vans):
        return None
    return Reason(
        rule=Rule.REQUIRED_VAN,
        text=f"only van {call.required_van} may go, and it is not out on this day",
    )


def _not_led(desk: _Desk, call: Call) -> Reason | None:
    for link in desk.day.links:
        if link.then == call.id and link.first not in desk.stops:
            text = f"call {link.first} must be served first and is not"
            return Reason(rule=Rule.LINK, text=text)
    return None


def _general_remedy(
    desk: _Desk, call: Call, near: Sequence[Van], reason: Reason
) -> _Finding:
    """Find the smallest change that lets one of the nearest vans take the call."""
    if reason.rule in _MOVED:
        found = [
            remedy
            for van in near
            if _blocked(desk, call, van) is None
            and (remedy := _moved(desk.offer(van, call))) is not None
        ]
        best = min(found, key=lambda remedy: remedy.size_s, default=None)
        return _Finding(reason, best)
    if reason.rule is Rule.STOCK:
        # The van that lacks no more than the firm does comes first.
        near = sorted(near, key=lambda van: sum(desk.parts(van, call)[0].values()))
    tried = [_change_van(desk, call, van, reason) for van in near]
    sure = (one for one in tried if one.remedy is not None and one.sure)
    hoped = (one for one in tried if one.remedy is not None)
    return next(sure, next(hoped, _Finding(reason)))


# --- one van -----------------------------------------------------------------


def _for_van(desk: _Desk, call: Call, van: Van, *, close: bool) -> _Finding:
    reason = _blocked(desk, call, van)
    if reason is not None:
        return _change_van(desk, call, van, reason) if close else _Finding(reason)
    offer = desk.offer(van, call)
    no_moment = _no_moment(desk, call, [van])
    if no_moment is not None:
        reason = replace(no_moment, van_id=van.id)
        return _Finding(reason, _time(offer) if close else None)
    working = offer.working() if close or not offer.order else []
    if working:
        where = _between(desk, offer.order, working[0])
        words = f"van {van.id} could take it{where}: plan again with more rounds"
        return _Finding(
            Reason(
                rule=Rule.ROOM,
                text="the search found no room; more rounds might",
                van_id=van.id,
            ),
            Remedy(0, words, _as_it_is),
        )
    alone = offer.alone()
    if not alone.fits():
        return _Finding(_impossible(desk, alone), _time(offer) if close else None)
    if close:
        return _no_room(desk, offer)
    count = sum(task.call_id is not None for task in offer.order)
    return _Finding(
        Reason(
            rule=Rule.ROOM,
            text=(
                f"alone it would fit, but the van has {count} calls; "
                "only the nearest vans were looked at more closely"
            ),
            van_id=van.id,
        )
    )


def _blocked(desk: _Desk, call: Call, van: Van) -> Reason | None:
    """Return the first rule that blocks the van before the clock is looked at."""
    gear, _ = desk.gear(van, call)
    bond = _bond(desk, call, van)
    if not call.skills <= van.skills:
        lacking = _lacking(call.skills, van.skills)
        rule, text = Rule.SKILL, f"the driver does not do {lacking}"
    elif gear is not None and gear.rule is Rule.EQUIPMENT:
        return gear
    elif call.required_van not in (None, van.id):
        rule, text = Rule.REQUIRED_VAN, f"only van {call.required_van} may go"
    elif bond is not None:
        _, other, other_van = bond
        rule = Rule.LINK
        text = f"it goes with call {other}, and that is on van {other_van}"
    elif gear is not None:
        return gear
    else:
        missing, _ = desk.parts(van, call)
        if not missing:
            return None
        lacks = (_lack_words(desk, van, *lack) for lack in missing.items())
        rule, text = Rule.STOCK, "; ".join(lacks)
    return Reason(rule=rule, text=text, van_id=van.id)


def _bond(desk: _Desk, call: Call, van: Van) -> tuple[Link, str, str] | None:
    """Return the link that ties the call to another van, with call and van."""
    for link in desk.day.links:
        if link.same_van and call.id in (link.first, link.then):
            other = link.first if call.id == link.then else link.then
            if other in desk.stops and desk.stops[other][0] != van.id:
                return link, other, desk.stops[other][0]
    return None


def _gear_words(day: Day, equipment: Iterable[str]) -> Iterable[str]:
    lent = {tool.id for tool in day.tools}
    for item in equipment:
        carriers = [f"van {van.id}" for van in day.vans if item in van.equipment]
        carry = "carries" if len(carriers) == 1 else "carry"
        where = [f"{_several(carriers)} {carry} one"] if carriers else []
        if item in lent:
            where.append("the shop lends one, but this van does not load there")
        yield f"{_word(item)} is not aboard ({', '.join(where)})"


def _lack_words(desk: _Desk, van: Van, part_id: str, count: int) -> str:
    """Say that a van lacks a part, and where its pieces are."""
    day, left = desk.day, desk.left
    part = _part(day, part_id)
    words = f"{part} is missing" if count == 1 else f"{count} {part} are missing"
    issues = [issue for issue in desk.issues if issue.part_id == part_id]
    own = [i for i in issues if i.van_id == van.id and i.origin is Origin.ABOARD]
    shop = [i for i in issues if _from_shop(day, i)]
    in_shop = left.stores[day.shop.id][part_id]
    where = [
        *_gone("its own", own),
        *(
            f"{pieces} in van {other.id}"
            for other in day.vans
            if other.id != van.id and (pieces := left.vans[other.id][part_id]) > 0
        ),
    ]
    if van.loads_at_shop:
        where += _gone("the shop's last" if not in_shop else "the shop's", shop)
    elif in_shop:
        where.append(f"the shop has {in_shop}, but this van does not load there")
    if not where:
        where += _gone("the firm's last", issues)
    where += [
        f"{pieces} at {counter_name(day, counter_id)}"
        for counter_id, pieces in elsewhere(day, part_id)
    ]
    return f"{words} ({_several(where) if where else 'none anywhere'})"


def _from_shop(day: Day, issue: Issue) -> bool:
    fetched = issue.origin is Origin.RESTOCK and issue.store_id == day.shop.id
    return issue.origin is Origin.SHOP or fetched


def _gone(whose: str, issues: Sequence[Issue]) -> list[str]:
    """Return to which calls pieces go, if any."""
    if not issues:
        return []
    count = sum(issue.quantity for issue in issues)
    calls = list(dict.fromkeys(str(issue.call_id) for issue in issues))
    pieces = f"{whose} goes" if count == 1 else f"{whose} {count} go"
    return [f"{pieces} to call{'s' * (len(calls) > 1)} {_several(calls)}"]


def _change_van(desk: _Desk, call: Call, van: Van, reason: Reason) -> _Finding:
    """Find the one change past a rule that lets the van take the call."""
    words, change = _past(desk, call, van, reason.rule)
    then = desk.after(change)
    asked = find_call(then.day, call.id)
    changed = then.van(van.id)
    if asked is None or _blocked(then, asked, changed) is not None:
        return _Finding(reason)
    return _Finding(
        reason, Remedy(0, words, change), sure=then.offer(changed, asked).fits()
    )


def _past(desk: _Desk, call: Call, van: Van, rule: Rule) -> tuple[str, Change]:
    """Return the change past a rule that has nothing to do with the clock."""
    if rule is Rule.SKILL:
        skilled = replace(van, skills=van.skills | call.skills)
        words = f"a driver who does {_skilled(call.skills - van.skills)}"
        return words, lambda day: put_van(day, skilled)
    if rule is Rule.EQUIPMENT:
        equipped = replace(van, equipment=van.equipment | call.equipment)
        words = f"{_listed(call.equipment - van.equipment)} aboard"
        return words, lambda day: put_van(day, equipped)
    if rule is Rule.REQUIRED_VAN:
        anyone = replace(call, required_van=None)
        words = f"let van {van.id} go as well"
        return words, lambda day: put_call(day, anyone)
    if rule is Rule.LINK and (bond := _bond(desk, call, van)) is not None:
        link, other, _ = bond
        loose = replace(link, same_van=False)
        words = f"let another van serve it than call {other}"
        return words, lambda day: put_link(day, link, loose)
    if rule is Rule.TOOL:
        out = {tool.id for tool in desk.out(van, call)}
        words = f"one more {_listed(out)} in the shop"
        return words, lambda day: _lend_more(day, out)
    missing, _ = desk.parts(van, call)
    stocked = replace(van, stock=Counter(van.stock) + Counter(missing))
    words = " and ".join(
        f"{'one' if count == 1 else count} {part_id} aboard"
        for part_id, count in missing.items()
    )
    return words, lambda day: put_van(day, stocked)


def _lend_more(day: Day, tool_ids: set[str]) -> Day:
    tools = (
        replace(tool, quantity=tool.quantity + 1) if tool.id in tool_ids else tool
        for tool in day.tools
    )
    return replace(day, tools=tuple(tools))


def _moved(offer: Offer, hindered: str | None = None) -> Remedy | None:
    return find_time_remedy(offer, hindered) or find_customer_remedy(offer)


def _time(offer: Offer, hindered: str | None = None) -> Remedy | None:
    return _moved(offer, hindered) or find_swap(offer)


def _impossible(desk: _Desk, alone: Offer) -> Reason:
    """Say why the van could not take the call even if it had nothing else to do."""
    day, van = alone.day, alone.van
    breach = find_breach(alone)
    if breach is None:
        return Reason(
            rule=Rule.TRAVEL, text="no drive gets there on this day", van_id=van.id
        )
    if not breach.late:
        return Reason(rule=Rule.BREAK, text=_no_meal(van, day), van_id=van.id)
    clock, late = day.clock, breach.late[0]
    must = f"the visit has to start by {clock.spoken(late.limit_s)}"
    if late.rule is Rule.WINDOW and van.shift.start_s > late.limit_s:
        rule = Rule.SHIFT
        text = f"the shift starts at {clock.spoken(van.shift.start_s)}, and {must}"
    elif late.rule is Rule.WINDOW:
        rule = Rule.TRAVEL
        text = (
            f"it is there at {clock.spoken(_up(late.at_s))} at the earliest, and {must}"
        )
    elif late.rule is Rule.SHIFT:
        rule, since, start_s = _what_delays(alone, breach)
        text = (
            f"starting at {clock.spoken(_up(start_s))} at the earliest{since}, it "
            f"would be back at {clock.spoken(_up(late.at_s))}, after its limit "
            f"{clock.spoken(late.limit_s)}"
        )
    else:
        rule = _RULES[late.rule]
        text = f"with nothing else to do, {_late_words(desk, alone, late)}"
    return Reason(rule=rule, text=text, van_id=van.id)


_RULES = {
    Rule.WINDOW: Rule.ROOM,
    Rule.SHIFT: Rule.ROOM,
    Rule.RESTOCK: Rule.RESTOCK,
    Rule.TOOL: Rule.TOOL,
    Rule.LINK: Rule.LINK,
    Rule.TRAVEL: Rule.LIMIT,
    Rule.LIMIT: Rule.LIMIT,
}
"""What comes too late, and which rule that breaks beside a van's other calls."""


def _what_delays(alone: Offer, breach: Breach) -> tuple[Rule, str, int]:
    """Return what keeps a visit from starting earlier: code, promise, window, road."""
    day, call = alone.day, alone.call
    start_s = next(s.start_s for s in breach.route.stops if s.call_id is not None)
    if start_s == day.ready_s(call):
        return Rule.READY, f", when {name_ready(day, call)} is there", start_s
    if call.promise is not None and start_s == call.promise.start_s:
        return Rule.PROMISE, " as promised", start_s
    if any(start_s == window.start_s for window in call.windows):
        return Rule.WINDOW, ", when the customer is there", start_s
    return Rule.SHIFT, "", start_s


def _no_meal(van: Van, day: Day) -> str:
    if van.meal is None:  # pragma: no cover - asked only of vans with a meal
        return "no route works"
    return (
        f"the meal break of {minutes(van.meal.length_s)} between "
        f"{day.clock.spoken(van.meal.window.start_s)} and "
        f"{day.clock.spoken(van.meal.window.end_s)} has no room"
    )


def _no_room(desk: _Desk, offer: Offer) -> _Finding:
    """Say where in the route the call does least harm, and what breaks there."""
    van, order = offer.van, offer.order
    breach = find_breach(offer)
    if breach is None:
        return _Finding(Reason(rule=Rule.ROOM, text=_FULL, van_id=van.id))
    where = _between(desk, order, breach.spot)
    harm, rule, hindered = _no_meal(van, offer.day), Rule.ROOM, None
    if breach.late:
        late = breach.late[0]
        harm, rule = _late_words(desk, offer, late), _RULES[late.rule]
        if late.rule is Rule.WINDOW:
            hindered = late.what
            more = len(breach.late) - 1
            harm += f", and {more} more would be late" if more else ""
    return _Finding(
        Reason(rule=rule, text=f"{_FULL}: closest{where}, but {harm}", van_id=van.id),
        _time(offer, hindered),
    )


def _late_words(desk: _Desk, offer: Offer, late: Late) -> str:
    clock = offer.day.clock
    at, limit = clock.spoken(_up(late.at_s)), clock.spoken(late.limit_s)
    who = "it" if late.what == offer.call_id else f"call {late.what}"
    if late.rule is Rule.WINDOW:
        return f"{who} would start at {at}, and has to by {limit}"
    if late.rule is Rule.SHIFT:
        return f"the van would be back at {at}, its limit is {limit}"
    if late.rule is Rule.LINK:
        ends = f"from call {late.what} to call {late.other}"
        return f"the gap {ends} cannot be kept ({at}, and {limit} is the latest)"
    if late.rule is Rule.RESTOCK:
        store = _store_name(desk.day, late.what)
        return f"the stop at {store} would be over at {at}, and it shuts at {limit}"
    if late.rule is Rule.TOOL:
        return f"a shared tool would be handed over at {at}, and has to by {limit}"
    does = "be at the wheel for" if late.rule is Rule.TRAVEL else "work"
    at, limit = minutes(late.at_s), minutes(late.limit_s)
    return f"the driver would {does} {at}, the limit is {limit}"


def _store_name(day: Day, store_id: str) -> str:
    return "the shop" if store_id == day.shop.id else counter_name(day, store_id)


def _between(desk: _Desk, order: Sequence[Task], spot: Spot) -> str:
    before = [_task_name(desk.day, task) for task in order[: spot.place]]
    after = [_task_name(desk.day, task) for task in order[spot.place :]]
    if not order:
        words = " as its only call"
    elif not before:
        words = f" before {after[0]}"
    elif not after:
        words = f" after {before[-1]}"
    elif before[-1].startswith(_CALL) and after[0].startswith(_CALL):
        words = f" between calls {before[-1][5:]} and {after[0][5:]}"
    else:
        words = f" between {before[-1]} and {after[0]}"
    if spot.via is not None:
        words += f" by way of {_store_name(desk.day, spot.via)}"
    return words


_CALL = "call "


def _task_name(day: Day, task: Task) -> str:
    if task.store_id is not None:
        return f"the stop at {_store_name(day, task.store_id)}"
    return f"{_CALL}{task.call_id}"


# --- words -------------------------------------------------------------------


def _span(day: Day, window: Window) -> str:
    return f"{day.clock.spoken(window.start_s)} to {day.clock.spoken(window.end_s)}"


def _up(time_s: int) -> int:
    """Return the next whole minute: what comes too late must not look in time."""
    return -(-time_s // 60) * 60


def _part(day: Day, part_id: str) -> str:
    name = part_name(day, part_id)
    return part_id if name == part_id else f"{name} ({part_id})"


def _word(code: str) -> str:
    return code.replace("_", " ")


def _listed(codes: Iterable[str]) -> str:
    return ", ".join(_word(code) for code in sorted(codes))


def _lacking(wanted: frozenset[str], have: frozenset[str]) -> str:
    """Name what is wanted beyond what there is, and of a skill at which level."""
    best = _levels(have)
    return ", ".join(
        _skilled([f"{word} {level}"])
        + (f" (level {best[word]} at most)" if word in best else "")
        for word, level in sorted(_levels(wanted - have).items())
    )


def _skilled(codes: Iterable[str]) -> str:
    """Name skills, each at the highest level asked for."""
    return ", ".join(
        _word(word) + (f" at level {level}" if level > 1 else "")
        for word, level in sorted(_levels(codes).items())
    )


def _levels(codes: Iterable[str]) -> dict[str, int]:
    levels: dict[str, int] = {}
    for code in codes:
        word, level = _level(code)
        levels[word] = max(level, levels.get(word, 0))
    return levels


def _level(code: str) -> tuple[str, int]:
    word, _, level = code.rpartition(" ")
    return (word, int(level)) if word and level.isdecimal() else (code, 1)


def _several(words: Sequence[str]) -> str:
    if len(words) <= _NAMES:
        return ", ".join(words)
    return f"{', '.join(words[:_NAMES])} and more"
