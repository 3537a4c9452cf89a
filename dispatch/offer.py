"""One call held out to one van: does it fit, where, and what breaks where it does not.

Answered by timing the van's route anew with the call at every place in it.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from dispatch.problem import NEVER, start_windows
from dispatch.timetable import Task, lay_out
from dispatch.travel import TravelTable
from shared.model import Call, Day, Link, Route, Rule, Stop, StopKind, Store, Van

FAR_S = 2 * 86_400
"""Later than anything on the day."""

_WAITS = 4  # times a route is laid out anew because a linked call has to wait

Change = Callable[[Day], Day]


# --- the day, changed ----------------------------------------------------------


def find_call(day: Day, call_id: str) -> Call | None:
    """Return a call of a day.

    Parameters
    ----------
    day : Day
        The day.
    call_id : str
        The call's id.

    Returns
    -------
    Call or None
        ``None`` where the day has no such call.
    """
    return next((call for call in day.calls if call.id == call_id), None)


def put_call(day: Day, changed: Call) -> Day:
    """Return the day with other facts about one of its calls.

    Parameters
    ----------
    day : Day
        The day.
    changed : Call
        Takes the place of the call with the same id, if there is one.

    Returns
    -------
    Day
        A new one.
    """
    calls = (changed if call.id == changed.id else call for call in day.calls)
    return replace(day, calls=tuple(calls))


def put_van(day: Day, changed: Van) -> Day:
    """Return the day with other facts about one of its vans.

    Parameters
    ----------
    day : Day
        The day.
    changed : Van
        Takes the place of the van with the same id, if there is one.

    Returns
    -------
    Day
        A new one.
    """
    vans = (changed if van.id == changed.id else van for van in day.vans)
    return replace(day, vans=tuple(vans))


def put_link(day: Day, link: Link, changed: Link) -> Day:
    """Return the day with other facts about one of its links.

    Parameters
    ----------
    day : Day
        The day.
    link : Link
        As it stands in the day.
    changed : Link
        Takes its place.

    Returns
    -------
    Day
        A new one.
    """
    links = (changed if other == link else other for other in day.links)
    return replace(day, links=tuple(links))


def restrict(day: Day, call_ids: frozenset[str] | set[str]) -> Day:
    """Return the day with some of its calls only.

    Parameters
    ----------
    day : Day
        The day.
    call_ids : set of str
        Calls that stay, where the day has them.

    Returns
    -------
    Day
        Links stay where both of their calls do.
    """
    calls = tuple(call for call in day.calls if call.id in call_ids)
    there = {call.id for call in calls}
    links = (link for link in day.links if {link.first, link.then} <= there)
    return replace(day, calls=calls, links=tuple(links))


def tasks_of(route: Route) -> tuple[Task, ...]:
    """Return what a route stops for, without the break.

    Parameters
    ----------
    route : Route
        The route.

    Returns
    -------
    tuple of Task
        Calls and restock stops, in order.
    """
    return tuple(
        Task(call_id=stop.call_id, store_id=stop.store_id)
        for stop in route.stops
        if stop.kind is not StopKind.BREAK
    )


# --- one call for one van ---------------------------------------------------------


class Way(NamedTuple):
    """One way for a van to have with it what a call needs.

    Parameters
    ----------
    after, before : str or None
        Store ids: the call comes after, or before, the route's stop there.
    via : str or None
        Store at which the route stops once more, before the call.
    """

    after: str | None = None
    before: str | None = None
    via: str | None = None


class Spot(NamedTuple):
    """Where in a route a call could go.

    Parameters
    ----------
    place : int
        How many of the route's tasks come before it.
    via : str or None
        A store at which the van stops before it.
    stop : int
        How many of the route's tasks come before that stop.
    """

    place: int
    via: str | None = None
    stop: int = 0


class Handover(NamedTuple):
    """When a van has to hand shared tools over, because others wait for them.

    Parameters
    ----------
    collect_s, return_s : int or None
        Its stop at the shop starts no earlier, and is over no later.
    back_s : int or None
        It is back no later.
    """

    collect_s: int | None = None
    return_s: int | None = None
    back_s: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """One call held out to one van.

    Parameters
    ----------
    day : Day
        The day with only the calls of the van's route and the one held out.
    travel : TravelTable
        The whole day's travel table.
    van_id : str
        The van.
    order : tuple of Task
        Its calls and restock stops so far, in order.
    call_id : str
        The call held out.
    ways : tuple of Way
        Where in the order the van would have with it what the call needs.
    links : tuple of Link
        Those in which a call of the route, or the one held out, takes part.
    others : mapping of str to Stop
        The visits that other vans make for calls of these links.
    handover : Handover
        What other vans expect of this one's shared tools.
    """

    day: Day
    travel: TravelTable
    van_id: str
    order: tuple[Task, ...]
    call_id: str
    ways: tuple[Way, ...] = (Way(),)
    others: Mapping[str, Stop] = field(default_factory=dict)
    links: tuple[Link, ...] = ()
    handover: Handover = field(default_factory=Handover)

    @property
    def call(self) -> Call:
        """The call held out.

        Returns
        -------
        Call
            As it stands in this offer.
        """
        return self.find(self.call_id)

    @property
    def van(self) -> Van:
        """The van.

        Returns
        -------
        Van
            As it stands in this offer.
        """
        return next(van for van in self.day.vans if van.id == self.van_id)

    @property
    def spots(self) -> tuple[Spot, ...]:
        """Where in the order the call could go.

        Returns
        -------
        tuple of Spot
            From the first to the last place, way by way.
        """
        stops = {task.store_id: row for row, task in enumerate(self.order)}
        found: dict[Spot, None] = {}
        for way in self.ways:
            first = 0 if way.after is None else stops[way.after] + 1
            last = len(self.order) if way.before is None else stops[way.before]
            for place in range(first, last + 1):
                if way.via is None:
                    found[Spot(place)] = None
                    continue
                for stop in range(place + 1):
                    found[Spot(place, way.via, stop)] = None
        return tuple(found)

    def find(self, call_id: str) -> Call:
        """Return a call of the route, or the one held out.

        Parameters
        ----------
        call_id : str
            Its id.

        Returns
        -------
        Call
            As it stands in this offer.
        """
        return next(call for call in self.day.calls if call.id == call_id)

    def after(self, change: Change) -> "Offer":
        """Return the offer on a changed day.

        Parameters
        ----------
        change : callable
            From day to day.

        Returns
        -------
        Offer
            With the calls and links that the change leaves.
        """
        day = change(replace(self.day, links=self.links))
        here = {call.id for call in day.calls}
        order = (t for t in self.order if t.call_id is None or t.call_id in here)
        return replace(
            self, day=replace(day, links=()), links=day.links, order=tuple(order)
        )

    def alone(self) -> "Offer":
        """Return the offer as if the van had nothing else to do.

        Returns
        -------
        Offer
            Without its route; linked calls stay with the others.
        """
        ways = {Way(via=way.via or way.after) for way in self.ways}
        ways |= {Way() for way in self.ways if way.before is not None}
        return replace(
            self,
            day=replace(self.day, calls=(self.call,)),
            order=(),
            ways=tuple(sorted(ways, key=lambda way: way.via or "")),
            handover=Handover(),
        )

    def lay(self, spot: Spot) -> Route | None:
        """Return the van's day with the call at a spot, if it works.

        Parameters
        ----------
        spot : Spot
            One of :attr:`spots`.

        Returns
        -------
        Route or None
            ``None`` where windows, shift, break, limits, links or a shared tool do
            not allow it.
        """
        order = list(self.order)
        order.insert(spot.place, Task(call_id=self.call_id))
        if spot.via is not None:
            order.insert(spot.stop, Task(store_id=spot.via))
        since: dict[str, int] = {}
        for _ in range(_WAITS):
            tasks = [self._timed(task, since) for task in order]
            route = lay_out(self.day, self.travel, self.van, tasks)
            if route is None or not self._hands_over(route):
                return None
            waits = self._waits(route)
            if not waits:
                return route
            since |= waits
        return None

    def working(self, spots: Sequence[Spot] | None = None) -> list[Spot]:
        """Return the spots, of all or of some, at which the call fits.

        Parameters
        ----------
        spots : sequence of Spot, optional
            Those to try; all where none are given.

        Returns
        -------
        list of Spot
            In the order tried.
        """
        tried = self.spots if spots is None else spots
        return [spot for spot in tried if self.lay(spot) is not None]

    def fits(self) -> bool:
        """Return whether the call fits anywhere.

        Returns
        -------
        bool
            Whether at least one spot works.
        """
        return any(self.lay(spot) is not None for spot in self.spots)

    def _timed(self, task: Task, since: Mapping[str, int]) -> Task:
        """Return the task of a linked call with the spans in which it may start."""
        if task.call_id is None or not any(
            task.call_id in (link.first, link.then) for link in self.links
        ):
            return task
        call = self.find(task.call_id)
        first_s, last_s = since.get(call.id, 0), NEVER
        length_s = self.day.planned_s(call, self.van)
        for link in self.links:
            if link.then == call.id and link.first in self.others:
                done_s = self.others[link.first].finish_s
                first_s = max(first_s, done_s + link.min_gap_s)
                if link.max_gap_s is not None:
                    last_s = min(last_s, done_s + link.max_gap_s)
            if link.first == call.id and link.then in self.others:
                begun_s = self.others[link.then].start_s - length_s
                last_s = min(last_s, begun_s - link.min_gap_s)
                if link.max_gap_s is not None:
                    first_s = max(first_s, begun_s - link.max_gap_s)
        spans = (
            (max(low, first_s), min(high, last_s))
            for low, high in start_windows(self.day, call, self.van)
        )
        return task._replace(spans=tuple(s for s in spans if s[0] <= s[1]))

    def _waits(self, route: Route) -> dict[str, int]:
        """Return which calls of the route must start later for a gap between them."""
        stops = {stop.call_id: stop for stop in route.stops}
        waits: dict[str, int] = {}
        for link in self.links:
            first, then = stops.get(link.first), stops.get(link.then)
            if first is None or then is None:
                continue
            gap_s = then.start_s - first.finish_s
            if gap_s < link.min_gap_s:
                waits[link.then] = first.finish_s + link.min_gap_s
            elif link.max_gap_s is not None and gap_s > link.max_gap_s:
                waits[link.first] = first.start_s + gap_s - link.max_gap_s
        return waits

    def _hands_over(self, route: Route) -> bool:
        """Return whether others get the shared tools when they expect them."""
        return not _tools_late(self.handover, self.day.shop.id, route)


def make_offer(
    day: Day,
    travel: TravelTable,
    van: Van,
    order: Sequence[Task],
    call: Call,
) -> Offer:
    """Hold a call out to a van.

    Parameters
    ----------
    day : Day
        The day.
    travel : TravelTable
        Its travel table.
    van : Van
        One of its vans, maybe changed.
    order : sequence of Task
        The van's calls and restock stops in order; may be empty.
    call : Call
        A call that is not among them, maybe changed.

    Returns
    -------
    Offer
        With all parts and tools at hand, and no links to other vans' calls.
    """
    ids = {task.call_id for task in order}
    route = tuple(other for other in day.calls if other.id in ids)
    ends = ids | {call.id}
    return Offer(
        day=replace(day, calls=(*route, call), vans=(van,), links=()),
        travel=travel,
        van_id=van.id,
        order=tuple(order),
        call_id=call.id,
        links=tuple(x for x in day.links if x.first in ends or x.then in ends),
    )


# --- what breaks ------------------------------------------------------------------


class Late(NamedTuple):
    """Something that happens after its last moment, or takes longer than it may.

    Parameters
    ----------
    rule : Rule
        WINDOW: a visit starts too late. LINK: it does so after the call it is linked
        with. RESTOCK: a stop at a store is not over in time. TOOL: a shared tool is
        handed over too late. SHIFT: the van is back too late. TRAVEL: too much
        driving. LIMIT: too much work.
    at_s, limit_s : int
        When it happens, and when it should at the latest; for TRAVEL and LIMIT how
        long it takes, and may take.
    what, other : str
        The call, or the store; empty for the van. The call it is linked with.
    """

    rule: Rule
    at_s: int
    limit_s: int
    what: str = ""
    other: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Breach:
    """What breaks when the call goes to a spot of the route all the same.

    Parameters
    ----------
    spot : Spot
        Where in the order.
    route : Route
        The day that breaks the rules.
    late : tuple of Late
        What comes too late, in the order of the day; nothing when only the meal
        break has no room.
    """

    spot: Spot
    route: Route
    late: tuple[Late, ...]

    @property
    def late_s(self) -> int:
        """All lateness together.

        Returns
        -------
        int
            Seconds; 0 when only the meal break has no room.
        """
        return sum(late.at_s - late.limit_s for late in self.late)


def find_breach(offer: Offer) -> Breach | None:
    """Find the spot at which the call would do the least harm, and the harm.

    Parameters
    ----------
    offer : Offer
        An offer that fits nowhere.

    Returns
    -------
    Breach or None
        The one with the least lateness; ``None`` when even without any limit no
        route can be laid out.
    """
    firsts = {link.first for link in offer.links}
    before = {who: stop for who, stop in offer.others.items() if who in firsts}
    patient = replace(offer.after(_wait_for_ever), handover=Handover(), others=before)
    tried = [patient]
    if offer.van.meal is not None:
        # Where only the break is in the way, it is to be named; and no patience
        # helps a break that is over before the van can take it.
        tried = [offer.after(_fast), patient, patient.after(_fast)]
    for relaxed in tried:
        routes = [(spot, relaxed.lay(spot)) for spot in relaxed.spots]
        found = [
            Breach(spot=spot, route=route, late=_lateness(offer, route))
            for spot, route in routes
            if route is not None
        ]
        if found:
            return min(found, key=lambda breach: breach.late_s)
    return None


def _fast(day: Day) -> Day:
    return replace(day, vans=tuple(replace(van, meal=None) for van in day.vans))


def _wait_for_ever(day: Day) -> Day:
    """Return the day as if everybody could wait for ever, but not start earlier."""
    return replace(
        day,
        calls=tuple(_patient(call) for call in day.calls),
        vans=tuple(
            replace(van, overtime_limit_s=FAR_S, drive_limit_s=None, work_limit_s=None)
            for van in day.vans
        ),
        shop=_never_shut(day.shop),
        counters=tuple(_never_shut(store) for store in day.counters),
        links=tuple(replace(link, max_gap_s=None) for link in day.links),
    )


def _never_shut(store: Store) -> Store:
    if store.opening is None:
        return store
    return replace(store, opening=replace(store.opening, end_s=FAR_S))


def _patient(call: Call) -> Call:
    windows = call.windows
    if windows:
        last = windows[-1]
        windows = (*windows[:-1], replace(last, end_s=last.end_s + FAR_S))
    promise = call.promise
    if promise is not None:
        promise = replace(promise, end_s=promise.end_s + FAR_S)
    return replace(call, windows=windows, promise=promise)


def _lateness(offer: Offer, route: Route) -> tuple[Late, ...]:
    late: list[Late] = []
    day, van = offer.day, offer.van
    shut = {s.id: s.opening.end_s for s in (day.shop, *day.counters) if s.opening}
    for stop in route.stops:
        if stop.store_id is not None:
            if stop.finish_s > shut.get(stop.store_id, stop.finish_s):
                end_s = shut[stop.store_id]
                late.append(Late(Rule.RESTOCK, stop.finish_s, end_s, stop.store_id))
        elif stop.call_id is not None:
            spans = start_windows(day, offer.find(stop.call_id), van)
            if not any(low <= stop.start_s <= high for low, high in spans):
                limits_s = [high for _, high in spans if high < stop.start_s]
                limit_s = max(limits_s, default=0)
                late.append(Late(Rule.WINDOW, stop.start_s, limit_s, stop.call_id))
    late += _gaps_missed(offer, route)
    late += [
        Late(Rule.TOOL, at_s, limit_s)
        for at_s, limit_s in _tools_late(offer.handover, day.shop.id, route)
    ]
    work_s = work_of(route, van)
    for rule, at_s, most_s in (
        (Rule.SHIFT, route.finish_s, van.shift.end_s + van.overtime_limit_s),
        (Rule.TRAVEL, route.drive_s, van.drive_limit_s),
        (Rule.LIMIT, work_s, van.work_limit_s),
    ):
        if most_s is not None and at_s > most_s:
            late.append(Late(rule, at_s, most_s))
    return tuple(late)


def work_of(route: Route, van: Van) -> int:
    """Return how long a driver works on a route.

    Parameters
    ----------
    route : Route
        The route.
    van : Van
        The van.

    Returns
    -------
    int
        Seconds from setting off until it is back, the break on the way left out.
    """
    work_s = route.finish_s - route.leave_s
    if van.meal is not None and any(s.kind is StopKind.BREAK for s in route.stops):
        work_s -= van.meal.length_s
    return work_s


def _gaps_missed(offer: Offer, route: Route) -> list[Late]:
    stops = {**offer.others, **{s.call_id: s for s in route.stops if s.call_id}}
    found = []
    for link in offer.links:
        first, then = stops.get(link.first), stops.get(link.then)
        if first is None or then is None:
            continue
        soonest_s = first.finish_s + link.min_gap_s
        if soonest_s > then.start_s:  # the first is too late for the second
            at_s, limit_s = first.finish_s, then.start_s - link.min_gap_s
            found.append(Late(Rule.LINK, at_s, limit_s, link.first, link.then))
        elif link.max_gap_s is not None:
            latest_s = first.finish_s + link.max_gap_s
            if then.start_s > latest_s:
                at_s = then.start_s
                found.append(Late(Rule.LINK, at_s, latest_s, link.first, link.then))
    return found


def _tools_late(
    handover: Handover, shop_id: str, route: Route
) -> list[tuple[int, int]]:
    """Return when shared tools are handed over too late, and when they should be."""
    found = []
    for stop in route.stops:
        if stop.store_id == shop_id:
            if handover.collect_s is not None and stop.start_s < handover.collect_s:
                found.append((handover.collect_s, stop.start_s))
            if handover.return_s is not None and stop.finish_s > handover.return_s:
                found.append((stop.finish_s, handover.return_s))
    if handover.back_s is not None and route.finish_s > handover.back_s:
        found.append((route.finish_s, handover.back_s))
    return found
