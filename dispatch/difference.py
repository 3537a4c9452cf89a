"""What a new plan of a day under way changes, why, and who has to be rung about it."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from dispatch.rest import Rest
from shared.facts import CallState, Fact, FactKind, in_order
from shared.model import Call, Caution, Day, Plan, StopKind, Window
from shared.trade import HELD
from shared.units import minutes

ROUND_S = 300  # times told on the phone are whole five minutes; own choice


class ChangeKind(StrEnum):
    """What becomes of a call."""

    EARLIER = "earlier"
    LATER = "later"
    NEW_VAN = "new van"  # at the same time, but for the tolerance
    DROPPED = "dropped"
    ADDED = "added"
    BROKEN = "promise broken"


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What a new plan changes about one call.

    Parameters
    ----------
    call_id : str
        The call.
    kind : ChangeKind
        The worst of what becomes of it.
    from_van, to_van : str or None
        Who would have come, and who comes now; ``None``: nobody.
    from_s, to_s : int or None
        When the visit would have started, and when it does now.
    by_s : int
        How much later it starts, negative: earlier; 0 where one of them is not known.
    reason : str
        Plain words.
    ring : bool
        Whether the customer has to be rung.
    """

    call_id: str
    kind: ChangeKind
    from_van: str | None
    to_van: str | None
    from_s: int | None
    to_s: int | None
    by_s: int
    reason: str
    ring: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """All that a new plan changes.

    Parameters
    ----------
    changes : tuple of Change
        By call, in the order of the times that were to be; calls added come last.
        Calls that only move within the day's tolerance are not among them, nor is time
        kept free: no customer has it.
    """

    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ring:
    """A customer to ring.

    Parameters
    ----------
    call_id, customer, phone : str
        Whom; customer and phone may be empty.
    window : Window or None
        When the visit starts now; ``None``: not at all today.
    message : str
        What to say, in plain words.
    first : tuple of Caution
        Dangers to life to ask about before anything else is said.
    """

    call_id: str
    customer: str
    phone: str
    window: Window | None
    message: str
    first: tuple[Caution, ...] = ()


class _Visit(NamedTuple):
    """Who comes to a call, and when."""

    van_id: str
    start_s: int


def differ(
    rest: Rest, before: Plan, after: Plan, facts: Iterable[Fact] = ()
) -> Difference:
    """Return what a new plan changes about the calls that are still open.

    Parameters
    ----------
    rest : Rest
        What is left of the day.
    before : Plan
        The plan that was in force, of the whole day or of an earlier rest.
    after : Plan
        The plan of ``rest.day``.
    facts : iterable of Fact
        What has come in since that plan was made, for the reasons, and what customers
        have been told.

    Returns
    -------
    Difference
        Calls that are frozen are not in it.
    """
    return _Comparison(rest, before, after, in_order(facts)).difference()


def who_to_ring(
    rest: Rest, difference: Difference, calls: Iterable[Call] = ()
) -> tuple[Ring, ...]:
    """Return the customers whose time changes, with what to tell them.

    Parameters
    ----------
    rest : Rest
        What is left of the day.
    difference : Difference
        What a new plan changes.
    calls : iterable of Call, optional
        All of the day: those that can be served no more are not in ``rest.day``, and
        without this nothing is known of their customers.

    Returns
    -------
    tuple of Ring
        First those whose time, old or new, comes first; of one time, first those to
        whom nobody comes. Who was never told a time is among them only if nobody
        comes, or not as promised.
    """
    day = rest.day
    known = {call.id: call for call in (*calls, *day.calls)}
    rings = []
    for change in difference.changes:
        if not change.ring:
            continue
        call = known.get(change.call_id)
        times = [time for time in (change.from_s, change.to_s) if time is not None]
        urgency = (min(times, default=rest.now_s), change.to_s is not None)
        window = None if change.to_s is None else told_window(day, call, change.to_s)
        ring = Ring(
            call_id=change.call_id,
            customer=call.customer if call else "",
            phone=call.phone if call else "",
            window=window,
            message=_message(day, call, change, window),
            first=_dangers(day, call),
        )
        rings.append((urgency, ring))
    rings.sort(key=lambda entry: entry[0])
    return tuple(ring for _, ring in rings)


def told_window(day: Day, call: Call | None, start_s: int) -> Window:
    """Return the window to tell for a start: the tolerance around it, rounded out.

    Parameters
    ----------
    day : Day
        With its tolerance.
    call : Call or None
        The call; it does not start before its promise.
    start_s : int
        When the visit starts, seconds since midnight.

    Returns
    -------
    Window
        In whole five minutes.
    """
    low_s = (start_s - day.tolerance_s) // ROUND_S * ROUND_S
    high_s = -(-(start_s + day.tolerance_s) // ROUND_S) * ROUND_S
    if call is not None and call.promise is not None:
        low_s = max(low_s, call.promise.start_s)
    return Window(start_s=max(0, low_s), end_s=high_s)


def _message(day: Day, call: Call | None, change: Change, window: Window | None) -> str:
    """Return what to say on the phone."""
    clock, words = day.clock, []
    name = call.customer if call else ""
    words.append(f"Hello {name}," if name else "Hello,")
    if _dangers(day, call):
        words.append(
            "first of all: is anybody in danger, a child, an animal or an ill person? "
            "Then please ring the emergency number now."
        )
    if window is None:
        words.append(
            "we are sorry, we cannot come to you today as we had planned. "
            "May we find another day with you?"
        )
        return " ".join(words)
    span = f"between {clock.spoken(window.start_s)} and {clock.spoken(window.end_s)}"
    if change.from_s is None:
        words.append(f"we will be with you today {span}.")
    else:
        early = change.by_s < 0
        sorry, way = ("", "earlier") if early else ("we are sorry: ", "later")
        words.append(
            f"{sorry}we can be with you {span}, about "
            f"{minutes(abs(change.by_s))} {way} than planned. Does that suit you, or "
            "shall we find another time?"
        )
    return " ".join(words)


def _dangers(day: Day, call: Call | None) -> tuple[Caution, ...]:
    """Return the dangers to life that the call's kind of work can mean."""
    kind = None if call is None else day.kinds.get(call.kind)
    ids = () if kind is None else kind.cautions
    found = (day.cautions.get(id_) for id_ in ids)
    return tuple(caution for caution in found if caution and caution.emergency)


class _Comparison:
    """The plan before and the one after, and what has come in between them."""

    def __init__(
        self, rest: Rest, before: Plan, after: Plan, facts: Sequence[Fact]
    ) -> None:
        self.rest = rest
        self.day = rest.day
        self.facts = facts
        self.before, self.after = before, after
        self.was, self.now = _visits(before), _visits(after)
        self.calls = {call.id: call for call in rest.day.calls}
        self.told = {
            call.id: call.standing.window
            for call in rest.day.calls
            if call.standing is not None and call.standing.told
        }
        for fact in facts:
            if fact.kind is FactKind.TOLD and fact.call_id and fact.window:
                self.told[fact.call_id] = fact.window

    def difference(self) -> Difference:
        """Return all changes."""
        frozen = self.frozen_ids()
        known = {one.call_id for one in self.before.unplaced}
        stuck = [one.call_id for one in self.rest.stuck]
        ids = sorted(self.was, key=lambda call_id: self.was[call_id].start_s)
        ids += sorted(
            (call_id for call_id in self.now if call_id not in self.was),
            key=lambda call_id: self.now[call_id].start_s,
        )
        ids += [id_ for id_ in (*self.calls, *stuck) if id_ not in known]
        frozen |= {call.id for call in self.calls.values() if call.kind == HELD}
        frozen |= {id_ for id_, visit in self.now.items() if self.was.get(id_) == visit}
        changes = (self.change(id_) for id_ in dict.fromkeys(ids) if id_ not in frozen)
        return Difference(changes=tuple(one for one in changes if one is not None))

    def change(self, call_id: str) -> Change | None:
        """Return what becomes of a call; ``None``: nothing that matters."""
        old, new = self.was.get(call_id), self.now.get(call_id)
        kind = self.kind(call_id)
        if kind is None:
            return None
        return Change(
            call_id=call_id,
            kind=kind,
            from_van=None if old is None else old.van_id,
            to_van=None if new is None else new.van_id,
            from_s=None if old is None else old.start_s,
            to_s=None if new is None else new.start_s,
            by_s=self.by_s(call_id),
            reason=self.reason(call_id, kind),
            ring=self.must_ring(call_id, kind),
        )

    def by_s(self, call_id: str) -> int:
        """Return how much later a call starts."""
        old, new = self.was.get(call_id), self.now.get(call_id)
        return 0 if old is None or new is None else new.start_s - old.start_s

    def kind(self, call_id: str) -> ChangeKind | None:
        """Return the worst of what becomes of a call."""
        old, new = self.was.get(call_id), self.now.get(call_id)
        by_s = self.by_s(call_id)
        if new is None:
            return ChangeKind.DROPPED
        promise = self.calls[call_id].promise
        if promise is not None and new.start_s > promise.end_s:
            as_before = old is not None and old.start_s > promise.end_s
            if not as_before or by_s > self.day.tolerance_s:
                return ChangeKind.BROKEN
        if old is None:
            return ChangeKind.ADDED
        if abs(by_s) > self.day.tolerance_s:
            return ChangeKind.LATER if by_s > 0 else ChangeKind.EARLIER
        return ChangeKind.NEW_VAN if old.van_id != new.van_id else None

    def is_gone(self, call_id: str) -> bool:
        """Return whether the customer wants the visit no more, or was not there."""
        stuck = {one.call_id for one in self.rest.stuck}
        return call_id not in self.calls and call_id not in stuck

    def must_ring(self, call_id: str, kind: ChangeKind) -> bool:
        """Return whether the customer has to be rung."""
        if self.is_gone(call_id):
            return False
        if kind in (ChangeKind.DROPPED, ChangeKind.BROKEN):
            return True
        new, told = self.now[call_id], self.told.get(call_id)
        if told is None or told.start_s <= new.start_s <= told.end_s:
            return False
        off_s = max(told.start_s - new.start_s, new.start_s - told.end_s)
        return max(off_s, abs(self.by_s(call_id))) > self.day.tolerance_s

    # --- reasons ------------------------------------------------------------------

    def reason(self, call_id: str, kind: ChangeKind) -> str:
        """Return why, in plain words: the first cause that fits."""
        for words in self.causes(call_id, kind):
            return words
        if kind is ChangeKind.ADDED:
            return "there is room for it now"
        if kind is ChangeKind.NEW_VAN:
            return "this way the other calls fit in"
        return "another order of the calls is better now"

    def causes(self, call_id: str, kind: ChangeKind) -> Iterator[str]:
        """Yield what can have caused a change, the plainest first."""
        yield from self.own_facts(call_id)
        if kind is ChangeKind.DROPPED:
            yield self.dropped(call_id)
        yield from self.down(call_id)
        yield from self.spoiled(call_id)
        if call_id not in self.now or call_id not in self.was:
            return
        if kind is ChangeKind.EARLIER:
            yield from self.out_of_the_way(call_id)
            yield from self.pace(self.now[call_id].van_id, early=True)
        else:
            yield from self.held_up(call_id)

    def dropped(self, call_id: str) -> str:
        """Return why nobody comes to a call any more."""
        if self.is_gone(call_id):
            return "it is no longer open"
        words = [*self.down(call_id), *self.spoiled(call_id)]
        for one in (*self.rest.stuck, *self.after.unplaced):
            if one.call_id == call_id:
                words += [reason.text for reason in one.reasons[:1]]
        return "; ".join(words) or "no van has room for it any more"

    def held_up(self, call_id: str) -> Iterator[str]:
        """Yield what keeps the van that was to come."""
        old, new = self.was[call_id], self.now[call_id]
        for fact in reversed(self.facts):
            late_s = fact.late_s if fact.van_id == old.van_id else None
            if fact.kind is FactKind.LATE and late_s:
                yield f"van {fact.van_id} is running {minutes(late_s)} late"
        came = {fact.call.id for fact in self.facts if fact.call is not None}
        for other in self.ahead_of(call_id, self.after):
            if other in came:
                yield f"{other}, which has come in, is before it now"
        yield from self.pace(old.van_id, early=False)
        if old.van_id != new.van_id:
            yield from self.taken_up(old.van_id)
        before = self.ahead_of(call_id, self.before)
        for other in self.ahead_of(call_id, self.after):
            if other not in before:
                yield f"{other} comes before it now"
        if _stores_before(self.after, call_id) - _stores_before(self.before, call_id):
            yield f"van {new.van_id} has to fetch parts first"
        if old.start_s < self.rest.now_s:
            yield f"it is {self.day.clock.spoken(self.rest.now_s)} already"

    def taken_up(self, van_id: str) -> Iterator[str]:
        """Yield which calls a van has that it did not have before."""
        for other, visit in self.now.items():
            old = self.was.get(other)
            if visit.van_id == van_id and (old is None or old.van_id != van_id):
                yield f"van {van_id} goes to {other} instead"

    def out_of_the_way(self, call_id: str) -> Iterator[str]:
        """Yield which calls came before one and do so no more."""
        still = {*self.ahead_of(call_id, self.after), *self.frozen_ids()}
        for other in self.ahead_of(call_id, self.before):
            if other not in still:
                yield f"{other}, which came before it, is out of the way"

    def own_facts(self, call_id: str) -> Iterator[str]:
        """Yield what has been said about the call itself, the newest first."""
        clock = self.day.clock
        for fact in reversed(self.facts):
            about = fact.call_id or (None if fact.call is None else fact.call.id)
            if about != call_id:
                continue
            if fact.kind is FactKind.CANCELLED:
                yield "the customer has cancelled"
            elif fact.kind is FactKind.NO_SHOW:
                yield "nobody was there"
            elif fact.kind is FactKind.WINDOW and fact.window is not None:
                start, end = map(clock.spoken, (fact.window.start_s, fact.window.end_s))
                yield f"its promise is now {start} to {end}"
            elif fact.kind is FactKind.TOLD and fact.window is not None:
                start, end = map(clock.spoken, (fact.window.start_s, fact.window.end_s))
                yield f"the customer has been told {start} to {end}"
            elif fact.kind is FactKind.BOOKED and call_id in self.now:
                yield f"it came in at {clock.spoken(fact.at_s)}"

    def down(self, call_id: str) -> list[str]:
        """Return words where the call's van is out for the day."""
        old = self.was.get(call_id)
        there = {van.id for van in self.day.vans}
        if old is None or old.van_id in there:
            return []
        out = any(
            fact.kind is FactKind.VAN_DOWN and fact.van_id == old.van_id
            for fact in self.facts
        )
        words = "is out for the day" if out else "drives no more today"
        return [f"van {old.van_id} {words}"]

    def spoiled(self, call_id: str) -> list[str]:
        """Return words for each part spoiled that the call could have used."""
        old, call = self.was.get(call_id), self.calls.get(call_id)
        if old is None or call is None:
            return []
        wanted = {part for need in call.needs for part in need.alternatives}
        wanted |= {
            part
            for kit in wanted & self.day.parts.keys()
            for part, _ in self.day.parts[kit].components
        }
        return [
            f"{part} was spoiled aboard {fact.van_id}"
            for fact in self.facts
            if fact.kind is FactKind.SPOILED and fact.van_id == old.van_id
            for part, _ in fact.parts or ()
            if part in wanted
        ]

    def pace(self, van_id: str, *, early: bool) -> Iterator[str]:
        """Yield which frozen visit of a van ends at another time than planned."""
        planned = {
            stop.call_id: stop.finish_s
            for route in self.before.routes
            if route.van_id == van_id
            for stop in route.stops
            if stop.call_id is not None
        }
        for stop in reversed(self.rest.frozen.get(van_id, ())):
            if stop.call_id not in planned:
                continue
            if stop.state is CallState.NO_SHOW:
                if early:
                    yield f"nobody was there at {stop.call_id}"
                return
            late_s = stop.finish_s - planned[stop.call_id]
            if early and late_s < 0:
                yield f"{stop.call_id} is done {minutes(-late_s)} early"
            if not early and late_s > 0:
                yield f"{stop.call_id} is done {minutes(late_s)} later than planned"
            return

    def frozen_ids(self) -> set[str | None]:
        """Return the calls that are frozen, but for those that are open again."""
        stops = (stop for some in self.rest.frozen.values() for stop in some)
        return {stop.call_id for stop in stops} - self.calls.keys()

    def ahead_of(self, call_id: str, plan: Plan) -> list[str]:
        """Return the calls before one on its route, the nearest first."""
        for route in plan.routes:
            ids = route.call_ids
            if call_id in ids:
                return list(reversed(ids[: ids.index(call_id)]))
        return []


def _visits(plan: Plan) -> dict[str, _Visit]:
    return {
        stop.call_id: _Visit(route.van_id, stop.start_s)
        for route in plan.routes
        for stop in route.stops
        if stop.call_id is not None
    }


def _stores_before(plan: Plan, call_id: str) -> set[str]:
    for route in plan.routes:
        seen: set[str] = set()
        for stop in route.stops:
            if stop.call_id == call_id:
                return seen
            if stop.kind is StopKind.RESTOCK and stop.store_id is not None:
                seen.add(stop.store_id)
    return set()
