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
    ReadyKind.KEYS_PRESENT: "word that all existing keys are there",
    ReadyKind.VEHICLE_PLACE: "word of where the vehicle stands",
    ReadyKind.DATA_LINK: "the data link on site",
    ReadyKind.BATTERY: "battery support",
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
        """The call held out."""
        return self.find(self.call_id)

    @property
    def places(self) -> range:
        """Where in the order it could go: before the first, ... after the last."""
        return range(len(self.order) + 1)

    def find(self, call_id: str) -> Call:
        """Return a call of the route, or the one held out."""
        return next(call for call in self.day.calls if call.id == call_id)

    def put(self, changed: Call) -> "Offer":
        """Return the offer with other facts about one of its calls."""
        calls = tuple(
            changed if call.id == changed.id else call for call in self.day.calls
        )
        return replace(self, day=replace(self.day, calls=calls))

    def lay(self, place: int) -> Route | None:
        """Return the van's day with the call at a place of its order, if it works."""
        order = (*self.order[:place], self.call_id, *self.order[place:])
        return lay_out(self.day, self.travel, self.van, order)

    def working(self, places: Sequence[int] | None = None) -> list[int]:
        """Return the places at which the call fits."""
        tried = self.places if places is None else places
        return [place for place in tried if self.lay(place) is not None]

    def fits(self) -> bool:
        """Return whether the call fits anywhere."""
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
        """All lateness together, seconds."""
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
    patient = replace(
        offer,
        day=replace(offer.day, calls=tuple(_patient(call) for call in offer.day.calls)),
        van=replace(offer.van, overtime_limit_s=_LONG_S),
    )
    found: list[Breach] = []
    for meal in (offer.van.meal, None):
        patient = replace(patient, van=replace(patient.van, meal=meal))
        routes = [(place, patient.lay(place)) for place in offer.places]
        found = [
            Breach(place=place, route=route, late=_lateness(offer, route))
            for place, route in routes
            if route is not None
        ]
        if found:
            break
    return min(found, key=lambda breach: breach.late_s, default=None)


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
        Returns the offer with the limit moved so far.
    say : callable
        Returns what that is, in plain words.
    """

    most_s: int
    move: Callable[[int], Offer]
    say: Callable[[int], str]


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
    best: Remedy | None = None
    for stretch in stretches(offer, hindered):
        most = stretch.most_s // STEP_S
        if best is not None:
            most = min(most, best.size_s // STEP_S - 1)
        found = _smallest(stretch, most)
        if found is not None:
            best = found
    return best


def _smallest(stretch: Stretch, most: int) -> Remedy | None:
    if most < 1:
        return None
    places = stretch.move(most * STEP_S).working()
    if not places:
        return None
    enough, too_little = most, 0
    while enough - too_little > 1:
        middle = (enough + too_little) // 2
        working = stretch.move(middle * STEP_S).working(places)
        if working:
            enough, places = middle, working
        else:
            too_little = middle
    size_s = enough * STEP_S
    return Remedy(size_s, stretch.say(size_s), stretch.move(size_s))


def stretches(offer: Offer, hindered: str | None = None) -> list[Stretch]:
    """Return the limits that could be moved for a call.

    Parameters
    ----------
    offer : Offer
        The offer.
    hindered : str, optional
        Another call of the route whose promise may be moved too.

    Returns
    -------
    list of Stretch
        The customer's first, then the van's.
    """
    clock, call, van = offer.day.clock, offer.call, offer.van
    found = _of_promise(offer, call, "promise")
    if hindered is not None and hindered != call.id:
        other = offer.find(hindered)
        found += _of_promise(offer, other, f"promise of call {other.id}")
    for index, window in enumerate(call.windows):
        found += _of_window(offer, index, window)
    found += _of_ready(offer)
    back_s = van.shift.end_s + van.overtime_limit_s

    def work_longer(by_s: int) -> Offer:
        limit_s = van.overtime_limit_s + by_s
        return replace(offer, van=replace(van, overtime_limit_s=limit_s))

    def begin_earlier(by_s: int) -> Offer:
        shift = replace(van.shift, start_s=van.shift.start_s - by_s)
        return replace(offer, van=replace(van, shift=shift))

    found.append(
        Stretch(
            OVERTIME_MOST_S,
            work_longer,
            lambda by_s: (
                f"finish {clock.hhmm(back_s + by_s)} instead of {clock.hhmm(back_s)} "
                f"({minutes(by_s)} overtime more)"
            ),
        )
    )
    found.append(
        Stretch(
            min(EARLIER_MOST_S, van.shift.start_s),
            begin_earlier,
            lambda by_s: _instead("shift from", van.shift.start_s, -by_s, clock),
        )
    )
    meal = van.meal
    if meal is not None:

        def eat_later(by_s: int) -> Offer:
            window = replace(meal.window, end_s=meal.window.end_s + by_s)
            return replace(offer, van=replace(van, meal=replace(meal, window=window)))

        found.append(
            Stretch(
                EARLIER_MOST_S,
                eat_later,
                lambda by_s: _instead(
                    "meal break over by", meal.window.end_s, by_s, clock
                ),
            )
        )
    return found


def _instead(what: str, limit_s: int, by_s: int, clock: DayClock) -> str:
    return f"{what} {clock.hhmm(limit_s + by_s)} instead of {clock.hhmm(limit_s)}"


def _of_promise(offer: Offer, call: Call, name: str) -> list[Stretch]:
    promise, clock = call.promise, offer.day.clock
    if promise is None:
        return []

    def move(start_s: int, end_s: int) -> Offer:
        return offer.put(replace(call, promise=Window(start_s=start_s, end_s=end_s)))

    return [
        Stretch(
            PROMISE_MOST_S,
            lambda by_s: move(promise.start_s, promise.end_s + by_s),
            lambda by_s: _instead(f"{name} until", promise.end_s, by_s, clock),
        ),
        Stretch(
            min(PROMISE_MOST_S, promise.start_s),
            lambda by_s: move(promise.start_s - by_s, promise.end_s),
            lambda by_s: _instead(f"{name} from", promise.start_s, -by_s, clock),
        ),
    ]


def _of_window(offer: Offer, index: int, window: Window) -> list[Stretch]:
    call, clock = offer.call, offer.day.clock

    def move(start_s: int, end_s: int) -> Offer:
        windows = list(call.windows)
        windows[index] = Window(start_s=start_s, end_s=end_s)
        return offer.put(replace(call, windows=tuple(windows)))

    return [
        Stretch(
            PROMISE_MOST_S,
            lambda by_s: move(window.start_s, window.end_s + by_s),
            lambda by_s: _instead("customer there until", window.end_s, by_s, clock),
        ),
        Stretch(
            min(PROMISE_MOST_S, window.start_s),
            lambda by_s: move(window.start_s - by_s, window.end_s),
            lambda by_s: _instead("customer there from", window.start_s, -by_s, clock),
        ),
    ]


def _of_ready(offer: Offer) -> list[Stretch]:
    call, clock = offer.call, offer.day.clock
    ready_s = offer.day.ready_s(call)
    if ready_s is None:
        return []
    slowest_s = ready_s - offer.day.planned_at_s

    def hasten(by_s: int) -> Offer:
        ready = tuple(
            replace(item, lead_time_s=min(item.lead_time_s, slowest_s - by_s))
            if item.state is ReadyState.OPEN
            else item
            for item in call.ready
        )
        return offer.put(replace(call, ready=ready))

    return [
        Stretch(
            slowest_s,
            hasten,
            lambda by_s: _instead(
                f"{name_ready(offer.day, call)} by", ready_s, -by_s, clock
            ),
        )
    ]


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
