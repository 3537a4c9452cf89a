"""What would let a van take one more call: tried out, not guessed.

Every change that is proposed is tried by timing the route anew with the call at every
place in it (:mod:`dispatch.offer`). A change is a function from day to day, so that
the same one can be tried on a single route and by planning the whole day anew.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import NamedTuple

from dispatch.offer import FAR_S, Change, Offer, Spot, find_call, put_call
from shared.model import Call, Day, Link, ReadyKind, ReadyState, Van, Window
from shared.units import DayClock, minutes

STEP_S = 300  # changes are proposed in whole steps of five minutes
PROMISE_MOST_S = 12 * 3600  # own choice, as the three below: beyond, it is another day
OVERTIME_MOST_S = 2 * 3600
EARLIER_MOST_S = 2 * 3600
GAP_MOST_S = 4 * 3600
_FINISH = "finish"

READY_NAMES = {
    ReadyKind.CODE: "the code",
    ReadyKind.AUTHORITY: "the proof of authority",
    ReadyKind.KEYS_PRESENT: "all existing keys",
    ReadyKind.VEHICLE_PLACE: "an answer on where the vehicle stands",
    ReadyKind.SIGNAL: "phone signal at the vehicle",
    ReadyKind.BATTERY: "the battery support unit",
}


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
    for window in call.windows:
        pairs = zip(promises, _of_window(call, window), strict=True)
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
    for window in call.windows:
        found += _of_window(call, window)
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


def _of_window(call: Call, window: Window) -> list[Stretch]:
    def widen(day: Day, before_s: int, after_s: int) -> Day:
        asked = find_call(day, call.id)
        if asked is None:
            return day
        grown = (
            _wider(some, before_s, after_s)
            if some.start_s <= window.start_s and window.end_s <= some.end_s
            else some
            for some in asked.windows
        )
        return put_call(day, replace(asked, windows=_merged(grown)))

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


def _merged(windows: Iterable[Window]) -> tuple[Window, ...]:
    """Return windows without overlap."""
    merged: list[Window] = []
    for window in windows:
        if merged and window.start_s < merged[-1].end_s:
            last = merged.pop()
            end_s = max(last.end_s, window.end_s)
            merged.append(
                Window(start_s=min(last.start_s, window.start_s), end_s=end_s)
            )
        else:
            merged.append(window)
    return tuple(merged)


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
