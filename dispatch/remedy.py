"""What would let a van take one more call: tried out, not guessed.

An :class:`Offer` holds a call out to a van with a given route. Whether the van can
take it is answered by timing the route anew with the call at every place in it, and
so is every change that is proposed.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from dispatch.problem import start_windows
from dispatch.timetable import lay_out
from dispatch.travel import TravelTable
from shared.model import Call, Day, ReadyKind, ReadyState, Route, Van, Window
from shared.units import DayClock, minutes

STEP_S = 300  # changes are proposed in whole steps of five minutes
PROMISE_MOST_S = 12 * 3600  # own choice, as the two below: beyond, it is another day
OVERTIME_MOST_S = 2 * 3600
EARLIER_MOST_S = 2 * 3600
_LONG_S = 2 * 86_400  # later than anything on the day

READY_NAMES = {
    ReadyKind.CODE: "the code",
    ReadyKind.AUTHORITY: "the proof of authority",
    ReadyKind.KEYS_PRESENT: "all existing keys",
    ReadyKind.VEHICLE_PLACE: "an answer on where the vehicle stands",
    ReadyKind.SIGNAL: "phone signal at the vehicle",
    ReadyKind.BATTERY: "the battery support unit",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """One call held out to one van.

    Parameters
    ----------
    day : Day
        The day with only the calls of the van's route and the one held out.
    travel : TravelTable
        The whole day's travel table.
    van : Van
        The van.
    order : tuple of str
        Its calls so far, in order.
    call_id : str
        The call held out.
    """

    day: Day
    travel: TravelTable
    van: Van
    order: tuple[str, ...]
    call_id: str

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
    def places(self) -> range:
        """Where in the order it could go: before the first, ... after the last.

        Returns
        -------
        range
            0 to the number of calls in the order.
        """
        return range(len(self.order) + 1)

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

    def put(self, changed: Call) -> "Offer":
        """Return the offer with other facts about one of its calls.

        Parameters
        ----------
        changed : Call
            Takes the place of the call with the same id.

        Returns
        -------
        Offer
            A new one.
        """
        calls = tuple(
            changed if call.id == changed.id else call for call in self.day.calls
        )
        return replace(self, day=replace(self.day, calls=calls))

    def lay(self, place: int) -> Route | None:
        """Return the van's day with the call at a place of its order, if it works.

        Parameters
        ----------
        place : int
            One of :attr:`places`.

        Returns
        -------
        Route or None
            ``None`` where windows, shift or break do not allow it.
        """
        order = (*self.order[:place], self.call_id, *self.order[place:])
        return lay_out(self.day, self.travel, self.van, order)

    def working(self, places: Sequence[int] | None = None) -> list[int]:
        """Return the places, of all or of some, at which the call fits.

        Parameters
        ----------
        places : sequence of int, optional
            Those to try; all where none are given.

        Returns
        -------
        list of int
            In the order tried.
        """
        tried = self.places if places is None else places
        return [place for place in tried if self.lay(place) is not None]

    def fits(self) -> bool:
        """Return whether the call fits anywhere.

        Returns
        -------
        bool
            Whether at least one place works.
        """
        return any(self.lay(place) is not None for place in self.places)


def make_offer(
    day: Day, travel: TravelTable, van: Van, route: Sequence[Call], call: Call
) -> Offer:
    """Hold a call out to a van.

    Parameters
    ----------
    day : Day
        The day.
    travel : TravelTable
        Its travel table.
    van : Van
        One of its vans.
    route : sequence of Call
        The van's calls in order; may be empty.
    call : Call
        A call that is not among them.

    Returns
    -------
    Offer
        The offer.
    """
    return Offer(
        day=replace(day, calls=(*route, call)),
        travel=travel,
        van=van,
        order=tuple(other.id for other in route),
        call_id=call.id,
    )


# --- what breaks -------------------------------------------------------------


class Late(NamedTuple):
    """Something that happens after its last moment.

    Parameters
    ----------
    call_id : str or None
        The call whose visit starts too late; ``None``: the van is back too late.
    at_s, limit_s : int
        When it happens, and when it should at the latest.
    """

    call_id: str | None
    at_s: int
    limit_s: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Breach:
    """What breaks when the call goes to a place of the route all the same.

    Parameters
    ----------
    place : int
        Where in the order.
    route : Route
        The day that breaks the rules.
    late : tuple of Late
        What comes too late, in the order of the day; nothing when only the meal
        break has no room.
    """

    place: int
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
    """Find the place at which the call would do the least harm, and the harm.

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
    fasting = replace(offer, van=replace(offer.van, meal=None))
    patient = replace(
        offer,
        day=replace(offer.day, calls=tuple(_patient(call) for call in offer.day.calls)),
        van=replace(offer.van, overtime_limit_s=_LONG_S),
    )
    tried = [patient]
    if offer.van.meal is not None:
        # Where only the break is in the way, it is to be named; and no patience
        # helps a break that is over before the van can take it.
        hungry = replace(patient.van, meal=None)
        tried = [fasting, patient, replace(patient, van=hungry)]
    for relaxed in tried:
        routes = [(place, relaxed.lay(place)) for place in relaxed.places]
        found = [
            Breach(place=place, route=route, late=_lateness(offer, route))
            for place, route in routes
            if route is not None
        ]
        if found:
            return min(found, key=lambda breach: breach.late_s)
    return None


def _patient(call: Call) -> Call:
    """Return the call as if it could wait for ever, but not start earlier."""
    windows = call.windows
    if windows:
        last = windows[-1]
        windows = (*windows[:-1], replace(last, end_s=last.end_s + _LONG_S))
    promise = call.promise
    if promise is not None:
        promise = replace(promise, end_s=promise.end_s + _LONG_S)
    return replace(call, windows=windows, promise=promise)


def _lateness(offer: Offer, route: Route) -> tuple[Late, ...]:
    late: list[Late] = []
    for stop in route.stops:
        if stop.call_id is None:
            continue
        spans = start_windows(offer.day, offer.find(stop.call_id))
        if any(low <= stop.start_s <= high for low, high in spans):
            continue
        limits_s = [high for _, high in spans if high < stop.start_s]
        late.append(Late(stop.call_id, stop.start_s, max(limits_s, default=0)))
    back_s = offer.van.shift.end_s + offer.van.overtime_limit_s
    if route.finish_s > back_s:
        late.append(Late(None, route.finish_s, back_s))
    return tuple(late)


# --- what would help ---------------------------------------------------------


class Remedy(NamedTuple):
    """A change that lets the van take the call.

    Parameters
    ----------
    size_s : int
        How far something moves on the clock.
    words : str
        In plain words.
    offer : Offer
        The offer with the change made.
    """

    size_s: int
    words: str
    offer: Offer


class Stretch(NamedTuple):
    """A limit that can be moved: the further, the more fits.

    Parameters
    ----------
    most_s : int
        How far at most.
    move : callable
        Returns an offer with the limit moved so far.
    what : str
        Names the limit.
    limit_s : int
        Where it is now.
    later : bool
        It moves to a later time; else to an earlier one.
    """

    most_s: int
    move: Callable[[Offer, int], Offer]
    what: str
    limit_s: int
    later: bool = True

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
        return (
            f"{self.what} {clock.spoken(moved_s)} "
            f"instead of {clock.spoken(self.limit_s)}"
        )


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
    places = _loosen(offer, [s for group in groups for s in group]).working()
    best: Remedy | None = None
    for group in groups:
        open_places = _loosen(offer, group).working(places) if places else []
        for stretch in group:
            most = stretch.most_s // STEP_S
            if best is not None:
                most = min(most, best.size_s // STEP_S - 1)
            best = _smallest(offer, stretch, most, open_places) or best
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
    if call.promise is None or not call.windows:
        return None
    until, since = _of_promise(call, "promise")
    best: Remedy | None = None
    for index, window in enumerate(call.windows):
        pairs = zip((until, since), _of_window(call, index, window), strict=True)
        for promise, there in pairs:

            def move(
                asked: Offer,
                by_s: int,
                promise: Stretch = promise,
                there: Stretch = there,
            ) -> Offer:
                return there.move(promise.move(asked, by_s), by_s)

            most_s = min(promise.most_s, there.most_s)
            if best is not None:
                most_s = min(most_s, best.size_s - STEP_S)
            both = promise._replace(move=move)
            found = _smallest(offer, both, most_s // STEP_S, offer.places)
            if found is not None:
                words = f"{found.words}, {there.say(clock, found.size_s)}"
                best = found._replace(words=words)
    return best


def _loosen(offer: Offer, group: Sequence[Stretch]) -> Offer:
    """Return the offer with all of these limits moved as far as they go."""
    for stretch in group:
        offer = stretch.move(offer, stretch.most_s)
    return offer


def _smallest(
    offer: Offer, stretch: Stretch, most: int, places: Sequence[int]
) -> Remedy | None:
    """Halve the way between no move and the largest one that is worth a look."""
    if most < 1 or not places:
        return None
    places = stretch.move(offer, most * STEP_S).working(places)
    if not places:
        return None
    enough, too_little = most, 0
    while enough - too_little > 1:
        middle = (enough + too_little) // 2
        working = stretch.move(offer, middle * STEP_S).working(places)
        if working:
            enough, places = middle, working
        else:
            too_little = middle
    size_s = enough * STEP_S
    words = stretch.say(offer.day.clock, size_s)
    if stretch.move is _work_longer:
        words += f" ({minutes(size_s)} overtime more)"
    return Remedy(size_s, words, stretch.move(offer, size_s))


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
    call, van = offer.call, offer.van
    customers = _of_promise(call, "promise")
    for index, window in enumerate(call.windows):
        customers += _of_window(call, index, window)
    ready_s = offer.day.ready_s(call)
    if ready_s is not None:
        customers.append(
            Stretch(
                ready_s - offer.day.planned_at_s,
                _hasten,
                f"{name_ready(offer.day, call)} there by",
                ready_s,
                later=False,
            )
        )
    back_s = van.shift.end_s + van.overtime_limit_s
    vans = [
        Stretch(OVERTIME_MOST_S, _work_longer, "finish", back_s),
        Stretch(
            min(EARLIER_MOST_S, van.shift.start_s),
            _begin_earlier,
            "shift from",
            van.shift.start_s,
            later=False,
        ),
    ]
    if van.meal is not None:
        end_s = van.meal.window.end_s
        vans.append(Stretch(EARLIER_MOST_S, _eat_later, "meal break over by", end_s))
    if hindered in (None, call.id):
        return [customers, vans]
    other = offer.find(hindered)
    return [customers, vans, _of_promise(other, f"promise of call {other.id}")]


def _work_longer(offer: Offer, by_s: int) -> Offer:
    limit_s = offer.van.overtime_limit_s + by_s
    return replace(offer, van=replace(offer.van, overtime_limit_s=limit_s))


def _begin_earlier(offer: Offer, by_s: int) -> Offer:
    shift = replace(offer.van.shift, start_s=offer.van.shift.start_s - by_s)
    return replace(offer, van=replace(offer.van, shift=shift))


def _eat_later(offer: Offer, by_s: int) -> Offer:
    meal = offer.van.meal
    if meal is None:
        return offer
    window = replace(meal.window, end_s=meal.window.end_s + by_s)
    return replace(offer, van=replace(offer.van, meal=replace(meal, window=window)))


def _hasten(offer: Offer, by_s: int) -> Offer:
    """Let every open item of the call be there so much before the slowest one is."""
    ready_s = offer.day.ready_s(offer.call) or offer.day.planned_at_s
    lead_s = ready_s - offer.day.planned_at_s - by_s
    ready = tuple(
        replace(item, lead_time_s=min(item.lead_time_s, lead_s))
        if item.state is ReadyState.OPEN
        else item
        for item in offer.call.ready
    )
    return offer.put(replace(offer.call, ready=ready))


def _of_promise(call: Call, name: str) -> list[Stretch]:
    if call.promise is None:
        return []
    start_s, end_s = call.promise.start_s, call.promise.end_s

    def widen(offer: Offer, before_s: int, after_s: int) -> Offer:
        asked = offer.find(call.id)
        promise = asked.promise or Window(start_s=start_s, end_s=end_s)
        return offer.put(replace(asked, promise=_wider(promise, before_s, after_s)))

    return [
        Stretch(
            PROMISE_MOST_S,
            lambda offer, by_s: widen(offer, 0, by_s),
            f"{name} until",
            end_s,
        ),
        Stretch(
            min(PROMISE_MOST_S, start_s),
            lambda offer, by_s: widen(offer, by_s, 0),
            f"{name} from",
            start_s,
            later=False,
        ),
    ]


def _of_window(call: Call, index: int, window: Window) -> list[Stretch]:
    def widen(offer: Offer, before_s: int, after_s: int) -> Offer:
        asked = offer.find(call.id)
        windows = list(asked.windows)
        windows[index] = _wider(windows[index], before_s, after_s)
        return offer.put(replace(asked, windows=tuple(windows)))

    return [
        Stretch(
            PROMISE_MOST_S,
            lambda offer, by_s: widen(offer, 0, by_s),
            "customer there until",
            window.end_s,
        ),
        Stretch(
            min(PROMISE_MOST_S, window.start_s),
            lambda offer, by_s: widen(offer, by_s, 0),
            "customer there from",
            window.start_s,
            later=False,
        ),
    ]


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
        The least important such call, the shortest among equals.
    """
    rivals = [
        other
        for other in (offer.find(call_id) for call_id in offer.order)
        if other.priority >= offer.call.priority
    ]
    rivals.sort(key=lambda other: (-other.priority, offer.day.planned_s(other)))
    for rival in rivals:
        order = tuple(call_id for call_id in offer.order if call_id != rival.id)
        without = replace(offer, order=order)
        if without.fits():
            return Remedy(0, f"move call {rival.id} to another day", without)
    return None
