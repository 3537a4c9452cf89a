"""What would let a van take one more call: tried out, not guessed.

An :class:`Offer` holds a call out to a van with a given route. Whether the van can
take it is answered by timing the route anew with the call at every place in it, and
so is every change that is proposed. A change is a function from day to day, so that
the same one can be tried on a single route and by planning the whole day anew.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from dispatch.problem import NEVER, start_windows
from dispatch.timetable import Task, lay_out
from dispatch.travel import TravelTable
from shared.model import (
    Call,
    Day,
    Link,
    ReadyKind,
    ReadyState,
    Route,
    Rule,
    Stop,
    StopKind,
    Store,
    Van,
    Window,
)
from shared.units import DayClock, minutes

STEP_S = 300  # changes are proposed in whole steps of five minutes
PROMISE_MOST_S = 12 * 3600  # own choice, as the three below: beyond, it is another day
OVERTIME_MOST_S = 2 * 3600
EARLIER_MOST_S = 2 * 3600
GAP_MOST_S = 4 * 3600
FAR_S = 2 * 86_400
"""Later than anything on the day."""

_WAITS = 4  # times a route is laid out anew because a linked call has to wait

READY_NAMES = {
    ReadyKind.CODE: "the code",
    ReadyKind.AUTHORITY: "the proof of authority",
    ReadyKind.KEYS_PRESENT: "all existing keys",
    ReadyKind.VEHICLE_PLACE: "an answer on where the vehicle stands",
    ReadyKind.SIGNAL: "phone signal at the vehicle",
    ReadyKind.BATTERY: "the battery support unit",
}

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


# --- what would help ---------------------------------------------------------------


class Stretch(NamedTuple):
    """A limit that can be moved: the further, the more fits.

    Parameters
    ----------
    most_s : int
        How far at most.
    move : callable
        Returns a day with the limit moved so far.
    what : str
        Names the limit.
    limit_s : int
        Where it is now; for a ``length`` how long it is now.
    later : bool
        It moves to a later time, or becomes longer; else to an earlier one.
    length : bool
        It is a length of time, not a time of the day.
    van_id : str or None
        The van whose limit it is.
    """

    most_s: int
    move: Callable[[Day, int], Day]
    what: str
    limit_s: int
    later: bool = True
    length: bool = False
    van_id: str | None = None

    def say(self, clock: DayClock, by_s: int) -> str:
        """Return the move in plain words.

        Parameters
        ----------
        clock : DayClock
            The day's clock.
        by_s : int
            How far the limit moves, seconds, positive.

        Returns
        -------
        str
            What, the new time and the old one.
        """
        moved_s = self.limit_s + (by_s if self.later else -by_s)
        tell = minutes if self.length else clock.spoken
        words = f"{self.what} {tell(moved_s)} instead of {tell(self.limit_s)}"
        if self.what == _FINISH:
            words += f" ({minutes(by_s)} overtime more)"
        return words

    def by(self, by_s: int) -> Change:
        """Return the move as a change of the day.

        Parameters
        ----------
        by_s : int
            How far the limit moves, seconds.

        Returns
        -------
        callable
            From day to day.
        """
        return lambda day: self.move(day, by_s)


class Remedy(NamedTuple):
    """A change that lets a van take the call.

    Parameters
    ----------
    size_s : int
        How far something moves on the clock.
    words : str
        In plain words.
    change : callable
        The day with the change made.
    stretch : Stretch or None
        What is moved, where it is one limit.
    """

    size_s: int
    words: str
    change: Change
    stretch: Stretch | None = None


_FINISH = "finish"


def make_remedy(stretch: Stretch, clock: DayClock, by_s: int) -> Remedy:
    """Return the move of a limit as a remedy.

    Parameters
    ----------
    stretch : Stretch
        The limit.
    clock : DayClock
        The day's clock.
    by_s : int
        How far it moves, seconds, positive.

    Returns
    -------
    Remedy
        With its words.
    """
    return Remedy(by_s, stretch.say(clock, by_s), stretch.by(by_s), stretch)


def find_time_remedy(offer: Offer, hindered: str | None = None) -> Remedy | None:
    """Find the smallest single move of a limit that lets the van take the call.

    Parameters
    ----------
    offer : Offer
        An offer that fits nowhere.
    hindered : str, optional
        Another call of the route whose promise may be moved too.

    Returns
    -------
    Remedy or None
        In whole steps of five minutes; one step less of the same change does not
        do. ``None`` when no single move helps.
    """
    groups = stretches(offer, hindered)
    spots = offer.after(loosen([s for some in groups for s in some])).working()
    best: Remedy | None = None
    for group in groups:
        open_spots = offer.after(loosen(group)).working(spots) if spots else []
        for stretch in group:
            most = stretch.most_s // STEP_S
            if best is not None:
                most = min(most, best.size_s // STEP_S - 1)
            best = _smallest(offer, stretch, most, open_spots) or best
    return best


def find_customer_remedy(offer: Offer) -> Remedy | None:
    """Find the smallest move of promise and availability together.

    Parameters
    ----------
    offer : Offer
        An offer that no single move helps.

    Returns
    -------
    Remedy or None
        One question to the customer, in whole steps of five minutes.
    """
    call, clock = offer.call, offer.day.clock
    if call.promise is None or call.promise.end_s >= FAR_S or not call.windows:
        return None
    promises = _of_promise(call, "promise")
    best: Remedy | None = None
    for index, window in enumerate(call.windows):
        pairs = zip(promises, _of_window(call, index, window), strict=True)
        for promise, there in pairs:

            def move(
                day: Day, by_s: int, one: Stretch = promise, other: Stretch = there
            ) -> Day:
                return other.move(one.move(day, by_s), by_s)

            most_s = min(promise.most_s, there.most_s)
            if best is not None:
                most_s = min(most_s, best.size_s - STEP_S)
            both = promise._replace(move=move)
            found = _smallest(offer, both, most_s // STEP_S, offer.spots)
            if found is not None:
                words = f"{found.words}, {there.say(clock, found.size_s)}"
                best = found._replace(words=words, stretch=None)
    return best


def loosen(group: Sequence[Stretch], most_s: int = FAR_S) -> Change:
    """Return the change that moves all of these limits.

    Parameters
    ----------
    group : sequence of Stretch
        The limits.
    most_s : int
        How far; each one no further than it can go.

    Returns
    -------
    callable
        From day to day.
    """

    def change(day: Day) -> Day:
        for stretch in group:
            day = stretch.move(day, min(most_s, stretch.most_s))
        return day

    return change


def _smallest(
    offer: Offer, stretch: Stretch, most: int, spots: Sequence[Spot]
) -> Remedy | None:
    """Halve the way between no move and the largest one that is worth a look."""
    if most < 1 or not spots:
        return None
    spots = offer.after(stretch.by(most * STEP_S)).working(spots)
    if not spots:
        return None
    enough, too_little = most, 0
    while enough - too_little > 1:
        middle = (enough + too_little) // 2
        working = offer.after(stretch.by(middle * STEP_S)).working(spots)
        if working:
            enough, spots = middle, working
        else:
            too_little = middle
    return make_remedy(stretch, offer.day.clock, enough * STEP_S)


def stretches(offer: Offer, hindered: str | None = None) -> list[list[Stretch]]:
    """Return the limits that could be moved for a call.

    Parameters
    ----------
    offer : Offer
        The offer.
    hindered : str, optional
        Another call of the route whose promise may be moved too.

    Returns
    -------
    list of list of Stretch
        The customer's, the van's, the other customer's.
    """
    day = replace(offer.day, links=offer.links)
    groups = [of_customer(day, offer.call), of_van(offer.van)]
    if hindered is not None and hindered != offer.call_id:
        other = offer.find(hindered)
        groups.append(_of_promise(other, f"promise of call {other.id}"))
    return groups


def of_customer(day: Day, call: Call) -> list[Stretch]:
    """Return the limits on a customer's side.

    Parameters
    ----------
    day : Day
        The day.
    call : Call
        The customer's call.

    Returns
    -------
    list of Stretch
        Promise, availability, what must be ready, gaps to linked calls.
    """
    found = _of_promise(call, "promise")
    for index, window in enumerate(call.windows):
        found += _of_window(call, index, window)
    ready_s = day.ready_s(call)
    if ready_s is not None:
        most_s = ready_s - day.planned_at_s
        what = f"{name_ready(day, call)} there by"
        found.append(Stretch(most_s, _hasten(call.id), what, ready_s, later=False))
    for link in day.links:
        if call.id in (link.first, link.then):
            found += _of_link(link, link.first if call.id == link.then else link.then)
    return found


def of_van(van: Van) -> list[Stretch]:
    """Return the limits on a van's side.

    Parameters
    ----------
    van : Van
        The van.

    Returns
    -------
    list of Stretch
        Overtime, start of the shift, break, then the driver's own limits.
    """
    back_s = van.shift.end_s + van.overtime_limit_s
    early_s = min(EARLIER_MOST_S, van.shift.start_s)
    found = [
        Stretch(OVERTIME_MOST_S, _on(van, _work_longer), _FINISH, back_s),
        Stretch(
            early_s,
            _on(van, _begin_earlier),
            "shift from",
            van.shift.start_s,
            later=False,
        ),
    ]
    if van.meal is not None:
        end_s = van.meal.window.end_s
        what = "meal break over by"
        found.append(Stretch(EARLIER_MOST_S, _on(van, _eat_later), what, end_s))
    for most_s, grow, what in (
        (van.drive_limit_s, _drive_longer, "at the wheel, where the law allows it,"),
        (van.work_limit_s, _stay_longer, "at work, where the law allows it,"),
    ):
        if most_s is not None:
            found.append(
                Stretch(OVERTIME_MOST_S, _on(van, grow), what, most_s, length=True)
            )
    return [stretch._replace(van_id=van.id) for stretch in found]


def _on(van: Van, grow: Callable[[Van, int], Van]) -> Callable[[Day, int], Day]:
    """Return the move of one van's limit on a day."""

    def move(day: Day, by_s: int) -> Day:
        vans = (grow(v, by_s) if v.id == van.id else v for v in day.vans)
        return replace(day, vans=tuple(vans))

    return move


def _work_longer(van: Van, by_s: int) -> Van:
    return replace(van, overtime_limit_s=van.overtime_limit_s + by_s)


def _begin_earlier(van: Van, by_s: int) -> Van:
    return replace(van, shift=_wider(van.shift, by_s, 0))


def _eat_later(van: Van, by_s: int) -> Van:
    if van.meal is None:
        return van
    window = _wider(van.meal.window, 0, by_s)
    return replace(van, meal=replace(van.meal, window=window))


def _drive_longer(van: Van, by_s: int) -> Van:
    return replace(van, drive_limit_s=(van.drive_limit_s or 0) + by_s)


def _stay_longer(van: Van, by_s: int) -> Van:
    return replace(van, work_limit_s=(van.work_limit_s or 0) + by_s)


def _hasten(call_id: str) -> Callable[[Day, int], Day]:
    """Let every open item of the call be there so much before the slowest one is."""

    def move(day: Day, by_s: int) -> Day:
        call = find_call(day, call_id)
        ready_s = None if call is None else day.ready_s(call)
        if call is None or ready_s is None:
            return day
        lead_s = ready_s - day.planned_at_s - by_s
        ready = tuple(
            replace(item, lead_time_s=min(item.lead_time_s, lead_s))
            if item.state is ReadyState.OPEN
            else item
            for item in call.ready
        )
        return put_call(day, replace(call, ready=ready))

    return move


def _of_promise(call: Call, name: str) -> list[Stretch]:
    promise = call.promise
    if promise is None:
        return []

    def widen(day: Day, before_s: int, after_s: int) -> Day:
        asked = find_call(day, call.id)
        if asked is None or asked.promise is None:
            return day
        wider = _wider(asked.promise, before_s, after_s)
        return put_call(day, replace(asked, promise=wider))

    until = Stretch(
        PROMISE_MOST_S,
        lambda day, by_s: widen(day, 0, by_s),
        f"{name} until",
        promise.end_s,
    )
    since = Stretch(
        min(PROMISE_MOST_S, promise.start_s),
        lambda day, by_s: widen(day, by_s, 0),
        f"{name} from",
        promise.start_s,
        later=False,
    )
    return [until, since] if promise.end_s < FAR_S else [since]


def _of_window(call: Call, index: int, window: Window) -> list[Stretch]:
    def widen(day: Day, before_s: int, after_s: int) -> Day:
        asked = find_call(day, call.id)
        if asked is None:
            return day
        windows = list(asked.windows)
        windows[index] = _wider(windows[index], before_s, after_s)
        return put_call(day, replace(asked, windows=tuple(windows)))

    return [
        Stretch(
            PROMISE_MOST_S,
            lambda day, by_s: widen(day, 0, by_s),
            "customer there until",
            window.end_s,
        ),
        Stretch(
            min(PROMISE_MOST_S, window.start_s),
            lambda day, by_s: widen(day, by_s, 0),
            "customer there from",
            window.start_s,
            later=False,
        ),
    ]


def _of_link(link: Link, other: str) -> list[Stretch]:
    def move(day: Day, by_s: int, change: Callable[[Link, int], Link]) -> Day:
        links = (
            change(some, by_s) if (some.first, some.then) == ends else some
            for some in day.links
        )
        return replace(day, links=tuple(links))

    ends = link.first, link.then
    found = []
    if link.max_gap_s is not None:
        found.append(
            Stretch(
                GAP_MOST_S,
                lambda day, by_s: move(day, by_s, _gap_longer),
                f"gap to call {other} at most",
                link.max_gap_s,
                length=True,
            )
        )
    if link.min_gap_s > 0:
        found.append(
            Stretch(
                link.min_gap_s,
                lambda day, by_s: move(day, by_s, _gap_shorter),
                f"gap to call {other} at least",
                link.min_gap_s,
                later=False,
                length=True,
            )
        )
    return found


def _gap_longer(link: Link, by_s: int) -> Link:
    return replace(link, max_gap_s=(link.max_gap_s or 0) + by_s)


def _gap_shorter(link: Link, by_s: int) -> Link:
    return replace(link, min_gap_s=max(0, link.min_gap_s - by_s))


def _wider(window: Window, before_s: int, after_s: int) -> Window:
    return Window(start_s=window.start_s - before_s, end_s=window.end_s + after_s)


def name_ready(day: Day, call: Call) -> str:
    """Return what a call waits for longest.

    Parameters
    ----------
    day : Day
        The day.
    call : Call
        A call with an open ready item.

    Returns
    -------
    str
        Its name, or several.
    """
    ready_s = day.ready_s(call)
    return " and ".join(
        dict.fromkeys(
            READY_NAMES[item.kind]
            for item in call.ready
            if item.state is ReadyState.OPEN
            and day.planned_at_s + item.lead_time_s == ready_s
        )
    )


def find_swap(offer: Offer) -> Remedy | None:
    """Find a call that is no more important and whose absence makes room.

    Parameters
    ----------
    offer : Offer
        An offer that fits nowhere.

    Returns
    -------
    Remedy or None
        The least important such call, the shortest among equals; none that another
        call is linked to.
    """
    linked = {end for link in offer.links for end in (link.first, link.then)}
    rivals = [
        other
        for other in offer.day.calls
        if other.id not in {offer.call_id, *linked}
        and other.priority >= offer.call.priority
    ]
    rivals.sort(key=lambda other: (-other.priority, offer.day.planned_s(other)))
    for rival in rivals:
        without = without_call(rival.id)
        if offer.after(without).fits():
            return Remedy(0, f"move call {rival.id} to another day", without)
    return None


def without_call(call_id: str) -> Change:
    """Return the change that moves a call to another day.

    Parameters
    ----------
    call_id : str
        The call.

    Returns
    -------
    callable
        From day to day.
    """

    def change(day: Day) -> Day:
        calls = (call for call in day.calls if call.id != call_id)
        links = (x for x in day.links if call_id not in (x.first, x.then))
        return replace(day, calls=tuple(calls), links=tuple(links))

    return change
