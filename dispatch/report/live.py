"""The live day for the terminal: what happened, what changes, whom to ring.

As in :mod:`dispatch.report.text`; a line takes at most 79 columns. The words are those
of somebody on the telephone: people by their names, times as the clock shows them.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from dispatch.difference import Change, ChangeKind, Ring
from dispatch.evening import cautions
from dispatch.live import Errand, Moment, waits
from dispatch.report.page import Page, alarm
from dispatch.report.words import (
    clean,
    count,
    date_words,
    group_reasons,
    join,
    name_kind,
    name_part,
    name_store,
    span,
    span_words,
)
from dispatch.rest import FrozenStop
from dispatch.urgent import Option, OptionKind, Options
from dispatch.waiting import Spot, Wait
from shared.facts import CallState, Doing, Fact, FactKind
from shared.model import Call, Day, Plan, Route, Stop, StopKind
from shared.trade import HELD
from shared.units import minutes

COLUMNS = 79


class _Words:
    """Names of one day's people, calls and places."""

    def __init__(self, day: Day, calls: Iterable[Call]) -> None:
        self.day = day
        self.clock = day.clock
        self.calls = {call.id: call for call in calls}
        self.vans = {van.id: clean(van.driver) or f"van {van.id}" for van in day.vans}

    def who(self, van_id: str | None) -> str:
        return self.vans.get(van_id or "", "somebody")

    def call(self, call_id: str | None) -> str:
        call = self.calls.get(call_id or "")
        customer = clean(call.customer) if call else ""
        if call is not None and call.kind == HELD:
            return "time kept free"
        return f"{call_id} {customer}" if customer else f"call {call_id}"

    def to(self, call_id: str | None, store_id: str | None) -> str:
        if call_id is not None:
            return self.call(call_id)
        return "home" if store_id is None else name_store(self.day, store_id)

    def pieces(self, parts: Iterable[tuple[str, int]]) -> str:
        return join(f"{n} \u00d7 {name_part(self.day, part)}" for part, n in parts)


def fact_words(day: Day, calls: Iterable[Call], fact: Fact) -> str:
    """Return what happened, in a sentence.

    Parameters
    ----------
    day : Day
        The day.
    calls : iterable of Call
        All that are known.
    fact : Fact
        One thing that happened.

    Returns
    -------
    str
        Plain words, with the fact's note.
    """
    words = _Words(day, calls)
    text = _SAYINGS[fact.kind](words, fact)
    note = clean(fact.note)
    return f"{text[:-1]} ({note})." if note else text


def _booked(words: _Words, fact: Fact) -> str:
    call = fact.call
    if call is None:
        return "A call comes in."
    urgent = "An urgent call" if call.priority == 1 else "A call"
    kind = name_kind(words.day, call.kind)
    where, what = clean(call.place.name), clean(call.description)
    text = ", ".join(
        part
        for part in (words.call(call.id), kind[:1].lower() + kind[1:], where)
        if part
    )
    return f"{urgent} comes in: {text}{f': {what}' if what else ''}."


def _left(words: _Words, fact: Fact) -> str:
    there = words.to(fact.call_id, fact.store_id)
    preposition = " " if there == "home" else " for "
    return f"{words.who(fact.van_id)} sets off{preposition}{there}."


def _arrived(words: _Words, fact: Fact) -> str:
    there = words.to(fact.call_id, fact.store_id)
    return f"{words.who(fact.van_id)} is {'' if there == 'home' else 'at '}{there}."


def _spoiled(words: _Words, fact: Fact) -> str:
    meant = f" for {words.call(fact.call_id)}" if fact.call_id else ""
    return f"{words.who(fact.van_id)} spoils {words.pieces(fact.parts or ())}{meant}."


def _used(words: _Words, fact: Fact) -> str:
    at = f" at {words.call(fact.call_id)}" if fact.call_id else ""
    return f"{words.who(fact.van_id)} uses {words.pieces(fact.parts or ())} more{at}."


def _late(words: _Words, fact: Fact) -> str:
    who = words.who(fact.van_id)
    if not fact.late_s:
        return f"{who} says: on time again."
    return f"{who} says: running {span_words(fact.late_s)} late."


def _loaded(words: _Words, fact: Fact) -> str:
    there = name_store(words.day, fact.store_id or "")
    what = words.pieces(fact.parts or ()) or "nothing"
    return f"{words.who(fact.van_id)} takes aboard {what} at {there}."


def _received(words: _Words, fact: Fact) -> str:
    whose = (
        words.who(fact.van_id)
        if fact.van_id is not None
        else name_store(words.day, fact.store_id or "")
    )
    return f"{words.pieces(fact.parts or ())} came in: {whose} has them."


def _window(words: _Words, fact: Fact) -> str:
    asked = span(words.day, fact.window) if fact.window else ""
    return f"{words.call(fact.call_id)} now has the promise {asked}."


def _told(words: _Words, fact: Fact) -> str:
    asked = span(words.day, fact.window) if fact.window else ""
    return f"{words.call(fact.call_id)} has been told: {asked}."


_SAYINGS: Mapping[FactKind, Callable[[_Words, Fact], str]] = {
    FactKind.BOOKED: _booked,
    FactKind.TOLD: _told,
    FactKind.LOADED: _loaded,
    FactKind.LEFT: _left,
    FactKind.ARRIVED: _arrived,
    FactKind.STARTED: lambda w, f: f"{w.who(f.van_id)} begins {w.call(f.call_id)}.",
    FactKind.DONE: lambda w, f: f"{w.who(f.van_id)} has finished {w.call(f.call_id)}.",
    FactKind.USED: _used,
    FactKind.SPOILED: _spoiled,
    FactKind.LATE: _late,
    FactKind.NO_SHOW: lambda w, f: (
        f"{w.who(f.van_id)} finds nobody at {w.call(f.call_id)}."
    ),
    FactKind.CANCELLED: lambda w, f: f"{w.call(f.call_id)} cancels.",
    FactKind.VAN_DOWN: lambda w, f: f"{w.who(f.van_id)} is out for the day.",
    FactKind.VAN_UP: lambda w, f: f"{w.who(f.van_id)} is back on the road.",
    FactKind.WINDOW: _window,
    FactKind.RECEIVED: _received,
}


def change_words(day: Day, calls: Iterable[Call], change: Change) -> str:
    """Return what becomes of a call, and why.

    Parameters
    ----------
    day : Day
        The day.
    calls : iterable of Call
        All that are known.
    change : Change
        Of one of them.

    Returns
    -------
    str
        One sentence: ``504 Odile Marsh: 14:05 instead of 13:30, 35 min later, ...``.
    """
    words = _Words(day, calls)
    return f"{_change(words, change)} Why: {change.reason}."


def _change(words: _Words, change: Change) -> str:
    return f"{words.call(change.call_id)}: {', '.join(_what(words, change))}."


def _what(words: _Words, change: Change) -> Iterator[str]:
    clock = words.clock
    if change.to_s is None:
        was = ""
        if change.from_s is not None:
            was = f" ({words.who(change.from_van)}, {clock.hhmm(change.from_s)})"
        yield f"nobody comes any more{was}" if was else "nobody comes"
        return
    new = words.who(change.to_van)
    if change.from_s is None:
        yield f"{new} comes at {clock.hhmm(change.to_s)}"
    else:
        now, was = clock.hhmm(change.to_s), clock.hhmm(change.from_s)
        by = abs(change.by_s)
        if now == was:
            yield f"still at {now}"
        else:
            way = "later" if change.by_s > 0 else "earlier"
            yield f"{now} instead of {was}"
            yield f"{minutes(by)} {way}"
        if change.from_van != change.to_van:
            yield f"{new} comes instead of {words.who(change.from_van)}"
    if change.kind is ChangeKind.BROKEN:
        promise = words.calls[change.call_id].promise
        was = f" ({span(words.day, promise)})" if promise else ""
        yield f"THE PROMISE BREAKS{was}"


def errand_words(day: Day, calls: Iterable[Call], errand: Errand) -> str:
    """Return what becomes of a stop for parts.

    Parameters
    ----------
    day : Day
        The day.
    calls : iterable of Call
        All that are known.
    errand : Errand
        The stop.

    Returns
    -------
    str
        One sentence.
    """
    words = _Words(day, calls)
    who, where = words.who(errand.van_id), name_store(day, errand.store_id)
    if not errand.new:
        return f"{who} does not stop at {where} any more."
    what = words.pieces(errand.parts)
    fetch = f" to fetch {what}" if what else " for parts"
    return f"{who} stops at {where} at {words.clock.hhmm(errand.at_s)}{fetch}."


# --- pages ------------------------------------------------------------------------


def replay_text(
    day: Day,
    plan: Plan,
    moments: Sequence[Moment],
    *,
    encoding: str = "utf-8",
    bold: bool = False,
    width: int = COLUMNS,
) -> str:
    """Return a day's story: each fact, and what it changes.

    Parameters
    ----------
    day : Day
        As it was planned.
    plan : Plan
        That of the evening before.
    moments : sequence of Moment
        In the order in which they happened.
    encoding, bold, width : str, bool, int
        As for a plan; no line is wider than 79 columns.

    Returns
    -------
    str
        Lines that end in a line feed.
    """
    page = Page(min(width, COLUMNS), encoding, bold=bold)
    _title(page, day)
    known = moments[-1].state.calls.values() if moments else ()
    calls = tuple(now.call for now in known) or day.calls
    alarm(page, cautions(replace(day, calls=calls)))
    page.gap()
    page.say("Planned the evening before:")
    _starts(page, day, plan)
    quiet = False
    for moment in moments:
        if not (quiet and moment.calm):
            page.gap()
        _moment(page, day, moment)
        quiet = moment.calm
    page.gap()
    page.say(_sums(moments))
    return page.text()


def reshuffle_text(
    day: Day,
    moment: Moment,
    *,
    encoding: str = "utf-8",
    bold: bool = False,
    width: int = COLUMNS,
) -> str:
    """Return what the last fact changes, and the rest of the day.

    Parameters
    ----------
    day : Day
        As it was planned.
    moment : Moment
        The last one.
    encoding, bold, width : str, bool, int
        As for :func:`replay_text`.

    Returns
    -------
    str
        Lines that end in a line feed.
    """
    page = Page(min(width, COLUMNS), encoding, bold=bold)
    _title(page, day)
    alarm(page, cautions(moment.rest.day))
    page.gap()
    page.say(f"It is {day.clock.hhmm(moment.rest.now_s)}.", bold=True)
    page.gap()
    _moment(page, day, moment, whole=True)
    words = _words(day, moment)
    found: dict[str, list[Wait]] = {}
    for wait in waits(day, moment):
        found.setdefault(wait.van_id, []).append(wait)
    for van in day.vans:
        _van(page, words, moment, van.id, found.get(van.id, ()))
    _left_out(page, words, moment)
    if moment.rest.notes:
        page.head("Notes")
        for note in moment.rest.notes:
            page.say(note, 4, mark="  -")
    return page.text()


def urgent_text(  # noqa: PLR0913 - the screen, and what is taken
    call: Call,
    moment: Moment,
    found: Options,
    *,
    chosen: int | None = None,
    encoding: str = "utf-8",
    bold: bool = False,
    width: int = COLUMNS,
) -> str:
    """Return what can be done about an urgent call, danger first.

    Parameters
    ----------
    call : Call
        The call.
    moment : Moment
        Before it came in.
    found : Options
        What can be done.
    chosen : int, optional
        The option that is taken, from 1: it alone is told, and what to say to whom.
    encoding, bold, width : str, bool, int
        As for :func:`replay_text`.

    Returns
    -------
    str
        Lines that end in a line feed.
    """
    page = Page(min(width, COLUMNS), encoding, bold=bold)
    alarm(page, found.first)
    page.gap()
    day = moment.rest.day
    words = _Words(day, (*(now.call for now in moment.state.calls.values()), call))
    kind = name_kind(day, call.kind)
    time = day.clock.hhmm(moment.rest.now_s)
    page.say(f"{words.call(call.id)}, {kind}", 7, mark=time, bold=True)
    for line in (clean(call.place.name), clean(call.description), clean(call.note)):
        if line:
            page.say(line, 7)
    for number, option in enumerate(found.options, 1):
        if chosen in (None, number):
            _option(page, words, number, option)
            for ring in option.ring if chosen == number else ():
                if ring.call_id != call.id:
                    page.gap()
                    _ring(page, words, ring)
    reasons = [] if not found.options else found.options[-1].reasons
    if reasons:
        page.head("Why nobody can come")
    for why in group_reasons(day, reasons):
        page.say(f"{why.who}: {why.text}" if why.who else why.text, 4, mark="  -")
        if why.remedy:
            page.say(f"would help: {why.remedy}", 4, 2)
    return page.text()


_POINTS = {
    OptionKind.SOONEST: "soonest",
    OptionKind.KEEPING: "keeps every promise",
    OptionKind.QUIET: "moves nobody else",
    OptionKind.CHEAPEST: "cheapest",
    OptionKind.AFTER_HOURS: "after hours",
}


def option_words(option: Option) -> str:
    """Return what speaks for an option.

    Parameters
    ----------
    option : Option
        One that takes the call.

    Returns
    -------
    str
        ``Soonest, keeps every promise and moves nobody else``.
    """
    spared = not (option.broken or option.dropped)
    points = join(
        # Of all that breaks no more: what gives somebody up may cost less.
        _POINTS[kind] if spared or kind is not OptionKind.CHEAPEST else "least harm"
        for kind in (option.kind, *option.also)
    )
    return points[:1].upper() + points[1:]


def _option(page: Page, words: _Words, number: int, option: Option) -> None:
    page.gap()
    mark = f" {number}"
    if option.van_id is None:
        page.say(option.text, 4, mark=mark)
        return
    page.say(option_words(option), 4, mark=mark, bold=True)
    page.say(f"{option.text}.", 4)
    for text in option.parts:
        page.say(text, 4)
    for change in option.difference.changes:
        if change.kind is not ChangeKind.ADDED:
            page.say(_change(words, change), 6, mark="    -")
    names = [words.call(ring.call_id) for ring in option.ring]
    if names:
        page.say(f"To ring: {join(names)}.", 4)


def _title(page: Page, day: Day) -> None:
    page.say(f"{date_words(day)}, times in {day.zone.key}", bold=True)
    for words in (day.name, day.note):
        if clean(words):
            page.say(words)


def _starts(page: Page, day: Day, plan: Plan) -> None:
    """Say in one line per van who is where when."""
    words = _Words(day, day.calls)
    for route in plan.routes:
        stops = [
            f"{words.clock.hhmm(stop.start_s)} {words.call(stop.call_id)}"
            for stop in route.stops
            if stop.call_id is not None
        ]
        page.say(f"{words.who(route.van_id)}: {', '.join(stops)}", 2, 2)


def _words(day: Day, moment: Moment) -> _Words:
    return _Words(day, (now.call for now in moment.state.calls.values()))


def _moment(page: Page, day: Day, moment: Moment, *, whole: bool = False) -> None:
    """Say what happened and what changes."""
    words, fact = _words(day, moment), moment.fact
    calls = tuple(words.calls.values())
    if fact is None:
        page.say("Nothing has happened yet.")
    else:
        time = words.clock.hhmm(fact.at_s)
        text = fact_words(day, calls, fact)
        if moment.calm and not whole and moment.released is None:
            page.say(f"{text} Nothing changes.", 7, mark=time)
            return
        page.say(text, 7, mark=time, bold=True)
    if moment.released is not None:
        page.say("Time kept free makes room for it.", 9, mark=" " * 7)
    if moment.calm:
        page.say("Nothing changes.", 7)
        return
    for change in moment.difference.changes:
        page.say(_news(words, fact, change), 9, mark="       -")
    for errand in moment.errands:
        page.say(errand_words(day, calls, errand), 9, mark="       -")
    for ring in moment.rings:
        _ring(page, words, ring)


def _news(words: _Words, fact: Fact | None, change: Change) -> str:
    """Return what becomes of a call, without what has just been said."""
    about = None
    if fact is not None:
        about = fact.call_id if fact.call is None else fact.call.id
    if change.call_id == about and change.kind is ChangeKind.ADDED:
        return _change(words, change)
    gone = (FactKind.CANCELLED, FactKind.NO_SHOW)
    if change.call_id == about and fact is not None and fact.kind in gone:
        when = "" if change.from_s is None else words.clock.hhmm(change.from_s)
        who = words.who(change.from_van)
        return f"{words.call(about)}: {who}'s visit at {when} falls away."
    return change_words(words.day, words.calls.values(), change)


def _ring(page: Page, words: _Words, ring: Ring) -> None:
    phone = f", tel {clean(ring.phone)}" if clean(ring.phone) else ""
    page.say(f"Ring {words.call(ring.call_id)}{phone}:", 7, 2, bold=True)
    page.say(f"“{ring.message}”", 9)


def _sums(moments: Sequence[Moment]) -> str:
    """Say in a line or two how the day went."""
    if not moments:
        return "Nothing has happened."
    last = moments[-1]
    state = [now for now in last.state.calls.values() if now.call.kind != HELD]
    words = [f"{count(len(moments), 'fact')}, {count(len(state), 'call')}"]
    for one, text in (
        (CallState.DONE, "done"),
        (CallState.CANCELLED, "cancelled"),
        (CallState.NO_SHOW, "nobody there"),
    ):
        number = sum(now.state is one for now in state)
        if number:
            words.append(f"{number} {text}")
    late = sum(_is_late(last, now.call) for now in state)
    words.append(f"{late} begun after the promise" if late else "every promise kept")
    rung = sum(len(moment.rings) for moment in moments)
    words.append(f"{count(rung, 'customer')} rung" if rung else "nobody rung")
    return f"The day: {', '.join(words)}."


def _is_late(moment: Moment, call: Call) -> bool:
    return call.promise is not None and any(
        stop.call_id == call.id and stop.start_s > call.promise.end_s
        for stops in moment.rest.frozen.values()
        for stop in stops
        if stop.state is CallState.DONE
    )


# --- the rest of the day ------------------------------------------------------------


def _van(
    page: Page, words: _Words, moment: Moment, van_id: str, found: Sequence[Wait]
) -> None:
    now = moment.state.vans[van_id]
    page.head(words.who(van_id) + f" (van {van_id})")
    page.say(f"Now: {_doing(words, moment, van_id)}.")
    frozen = moment.rest.frozen.get(van_id, ())
    behind = [stop for stop in frozen if stop.state is CallState.DONE]
    if behind:
        done = (
            f"{words.to(stop.call_id, stop.store_id)} "
            f"({words.clock.hhmm(stop.start_s)} to {words.clock.hhmm(stop.finish_s)})"
            for stop in behind
        )
        page.say(f"Done: {join(done)}.", 0, 2)
    route = next((r for r in moment.plan.routes if r.van_id == van_id), None)
    if route is None or not route.stops:
        page.say("Nothing more is planned." if not now.down else "Goes nowhere today.")
    else:
        advice = {wait.before: wait for wait in found}
        for stop in route.stops:
            _stop(page, words, stop, moment)
            wait = advice.get(stop.call_id or stop.store_id or "")
            if wait is not None:
                page.say(_wait_words(words, wait), 9, mark="       *")
        page.say(_home(words, route), 7, mark=words.clock.hhmm(route.finish_s))


def _home(words: _Words, route: Route) -> str:
    van = next(van for van in words.day.vans if van.id == route.van_id)
    if van.finish is None:
        return "the day is over"
    name = clean(van.finish.name)
    return f"back at {name}" if name else "back"


def _doing(words: _Words, moment: Moment, van_id: str) -> str:
    now, clock = moment.state.vans[van_id], words.clock
    there = words.to(now.call_id, now.store_id)
    ahead = [
        stop
        for stop in moment.rest.frozen.get(van_id, ())
        if stop.state in (CallState.DRIVING, CallState.THERE, CallState.WORKING)
        and stop.kind is not StopKind.BREAK
    ]
    until = f", free about {clock.hhmm(ahead[-1].finish_s)}" if ahead else ""
    since = clock.hhmm(now.since_s)
    at = f", there about {clock.hhmm(ahead[-1].arrive_s)}" if ahead else ""
    way = "home" if there == "home" else f"to {there}"
    last = _last(moment.rest.frozen.get(van_id, ()))
    free = f"free since {since}" if now.has_left else "has not left yet"
    if last is not None:
        free += f", last at {words.to(last.call_id, last.store_id)}"
    return {
        Doing.DOWN: "out for the day",
        Doing.DRIVING: f"on the way {way} since {since}{at}{until}",
        Doing.THERE: f"at {there} since {since}, not begun{until}",
        Doing.WORKING: f"working at {there} since {since}{until}",
        Doing.WAITING: free,
    }[now.doing]


def _last(frozen: Sequence[FrozenStop]) -> FrozenStop | None:
    stops = [stop for stop in frozen if stop.kind is not StopKind.BREAK]
    return stops[-1] if stops else None


def _stop(page: Page, words: _Words, stop: Stop, moment: Moment) -> None:
    clock = words.clock
    time, until = clock.hhmm(stop.start_s), clock.hhmm(stop.finish_s)
    if stop.kind is StopKind.BREAK:
        page.say(f"break until {until}", 7, mark=time)
        return
    if stop.kind is StopKind.RESTOCK:
        where = name_store(words.day, stop.store_id or "")
        page.say(f"parts at {where}, until {until}", 7, mark=time)
        return
    call = words.calls[stop.call_id or ""]
    facts = [words.call(call.id)]
    if call.kind != HELD:
        facts += [name_kind(words.day, call.kind), clean(call.place.name)]
    told = moment.state.calls[call.id].told
    if told is not None:
        facts.append(f"told {span(words.day, told)}")
    elif call.promise is not None:
        facts.append(f"promised {span(words.day, call.promise)}")
    if stop.late_s:
        facts.append(f"{span_words(stop.late_s)} after the promise")
    page.say(f"{', '.join(f for f in facts if f)}; until {until}", 7, mark=time)


def _wait_words(words: _Words, wait: Wait) -> str:
    clock = words.clock
    where = {
        Spot.LAST: "Stay where you are",
        Spot.NEXT: "Drive there and wait at the door",
        Spot.NEAR: f"Wait near {clean(wait.place.name) or 'likely calls'}",
    }[wait.spot]
    go = "begin" if wait.spot is Spot.NEXT else "set off"
    return (
        f"{where} from {clock.hhmm(wait.from_s)}, {go} by "
        f"{clock.hhmm(wait.leave_by_s)}: {wait.reason}."
    )


def _left_out(page: Page, words: _Words, moment: Moment) -> None:
    if not moment.left_out:
        return
    page.head(f"Nobody comes: {count(len(moment.left_out), 'call')}")
    for one in moment.left_out:
        page.say(words.call(one.call_id), 4, mark="  -")
        for reason in one.reasons:
            page.say(reason.text, 6)
