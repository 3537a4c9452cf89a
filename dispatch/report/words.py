"""The plain words that every report shares: times, places, status, reasons."""

import math
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

from dispatch.evening import READY_WORDS, Broken, count_codes, late_words
from dispatch.gazetteer import pin_line
from dispatch.supply import counter_name
from shared.model import (
    Answer,
    Call,
    Day,
    Fetch,
    Kept,
    Origin,
    Outlook,
    PickLine,
    Plan,
    Proof,
    ReadyItem,
    ReadyKind,
    ReadyState,
    Reason,
    Route,
    Stop,
    StopKind,
    Store,
    Tonight,
    ToolUse,
    Van,
    Way,
    Window,
    Wish,
)
from shared.trade import HELD
from shared.units import as_percent, cents, minutes, money

FIRM, PROVISIONAL = "firm", "provisional"
PROVISIONAL_WORDS = "Provisional: this day will be planned anew before it comes."

_NIGHT_H, _DAWN_H = 22, 6  # own choice: between them nobody is at a desk
_EVENING_H = 17  # own choice: what is due from here on that day is due tonight

_SHORTEST_WAIT_S = 30  # a shorter one would be shown as 0 min
# Own choice: a shorter wait, or less to win, is not worth a word on leaving later.
_LONG_WAIT_S, _WORTH_LEAVING_LATER_S = 600, 300

# Characters that turn the writing direction, and ones nobody can see.
_STEERING = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}
_INVISIBLE = "\u061c\u200b\u200e\u200f\u2060\ufeff"

_WEEKDAYS = (
    "Monday",
    "Tuesday",
    "Wednesday",
    "Thursday",
    "Friday",
    "Saturday",
    "Sunday",
)
_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)

TRAVEL_LIMITS = (
    "No plan knows tomorrow's road works, closures, accidents, weather or "
    "parking: look before you leave."
)
STRAIGHT_LIMITS = (
    "Driving times come from straight lines, not from streets: a river, a railway "
    "or a one-way system in between makes a drive longer than shown."
)
SHEET_LIMITS = (
    "Follow local law and licensing, and make sure that whoever asks for a key may "
    "have one."
)


def clean(text: str) -> str:
    """Return text on one line without anything that steers a terminal.

    Parameters
    ----------
    text : str
        What somebody typed.

    Returns
    -------
    str
        Without control characters and writing-direction overrides, each run of
        white space as one space.
    """
    if text.isascii() and text.isprintable() and "  " not in text:
        return text.strip()
    kept = (
        character
        for character in " ".join(text.split())
        if unicodedata.category(character) not in {"Cc", "Cs"}
        and unicodedata.bidirectional(character) not in _STEERING
        and character not in _INVISIBLE
    )
    return " ".join("".join(kept).split())


def name_kind(day: Day, kind_id: str) -> str:
    """Return a kind of work's name, or its id where the table has none.

    Parameters
    ----------
    day : Day
        Its table of kinds.
    kind_id : str
        Any id.

    Returns
    -------
    str
        As the table has it.
    """
    kind = day.kinds.get(kind_id)
    return kind.name if kind is not None and kind.name else kind_id


def name_part(day: Day, part_id: str) -> str:
    """Return a part's name, or its id where the list has none.

    Parameters
    ----------
    day : Day
        Its list of parts.
    part_id : str
        Any id.

    Returns
    -------
    str
        As the list has it.
    """
    part = day.parts.get(part_id)
    return part.name if part is not None and part.name else part_id


def name_van(van: Van) -> str:
    """Return a van's id, and its driver's name where it says more.

    Parameters
    ----------
    van : Van
        The van.

    Returns
    -------
    str
        ``V1`` or ``V1, driver``.
    """
    driver = clean(van.driver)
    return f"{van.id}, {driver}" if driver and driver != van.id else van.id


def date_words(day: Day) -> str:
    """Return the day's date as people say it, free of the machine's language.

    Parameters
    ----------
    day : Day
        The day.

    Returns
    -------
    str
        Weekday, day, month and year, in English.
    """
    weekday, month = _WEEKDAYS[day.date.weekday()], _MONTHS[day.date.month - 1]
    return f"{weekday} {day.date.day} {month} {day.date.year}"


def dates_words(call: Call) -> str:
    """Return on which days a call may be done, when several are planned.

    Parameters
    ----------
    call : Call
        The call.

    Returns
    -------
    str
        Empty where any day does.
    """
    if not call.dates:
        return ""
    days = (
        f"{_WEEKDAYS[d.weekday()]} {d.day} {_MONTHS[d.month - 1]}" for d in call.dates
    )
    return f"only on {join(days, 'or')}"


def due_words(day: Day, time_s: int) -> str:
    """Return by when to see to something.

    Parameters
    ----------
    day : Day
        The day.
    time_s : int
        The latest moment, seconds since the day's midnight.

    Returns
    -------
    str
        ``by 20:04 the day before``, but ``tonight by 20:04`` where that is the
        evening of planning; where it is in the night after the evening's work, and
        nobody gets up for it, ``tonight (by 01:01 at the latest)``.
    """
    local, evening = day.clock.instant(time_s), day.clock.instant(day.planned_at_s)
    dawn = evening.replace(hour=_DAWN_H, minute=0, second=0, microsecond=0)
    if evening.hour >= _DAWN_H:
        dawn += timedelta(days=1)
    if local < dawn and not _DAWN_H <= local.hour < _NIGHT_H:
        return f"tonight (by {local:%H:%M} at the latest)"
    if local.date() == evening.date() != day.date and local.hour >= _EVENING_H:
        return f"tonight by {local:%H:%M}"
    return f"by {day.clock.spoken(time_s)}"


def span(day: Day, window: Window) -> str:
    """Return a window as ``08:30 to 09:30``.

    Parameters
    ----------
    day : Day
        Its clock.
    window : Window
        A span of the day.

    Returns
    -------
    str
        Local clock times.
    """
    clock = day.clock
    return f"{clock.hhmm(window.start_s)} to {clock.hhmm(window.end_s)}"


def promise_words(day: Day, call: Call) -> str:
    """Return when a call was promised, or else when it can be done.

    Parameters
    ----------
    day : Day
        Its clock.
    call : Call
        The call.

    Returns
    -------
    str
        ``promised ...``, ``available ... or ...`` or ``any time``.
    """
    if call.promise is not None:
        return f"promised {span(day, call.promise)}"
    if call.windows:
        return "available " + " or ".join(span(day, window) for window in call.windows)
    return "any time"


def span_words(duration_s: int) -> str:
    """Return a duration to the nearest minute: ``45 min`` or ``2 h 05``.

    Parameters
    ----------
    duration_s : int
        Seconds, not negative.

    Returns
    -------
    str
        Half a minute counts as one.
    """
    whole = (duration_s + 30) // 60
    if whole < 60:  # noqa: PLR2004 - minutes of an hour
        return f"{whole} min"
    return f"{whole // 60} h {whole % 60:02d}"


def wait_words(day: Day, visit: "Visit") -> str:
    """Return how long a visit waits, and how much later the van could leave instead.

    Parameters
    ----------
    day : Day
        Its clock.
    visit : Visit
        A stop and when the van sets off towards it.

    Returns
    -------
    str
        ``wait 12 min``, ``wait 2 h 54 (or leave as late as 18:21)``, or nothing
        where there is no wait worth a minute.
    """
    stop = visit.stop
    if stop.wait_s < _SHORTEST_WAIT_S:
        return ""
    words = f"wait {span_words(stop.wait_s)}"
    if (
        stop.drive_s
        and stop.wait_s >= _LONG_WAIT_S
        and stop.leave_by_s is not None
        and stop.leave_by_s - visit.leave_s >= _WORTH_LEAVING_LATER_S
    ):
        words += f" (or leave as late as {day.clock.hhmm(stop.leave_by_s)})"
    return words


def slack_words(slack_s: int) -> str:
    """Return slack to the whole minute, rounded down: never more than there is.

    Parameters
    ----------
    slack_s : int
        Seconds, not negative.

    Returns
    -------
    str
        As :func:`span_words`.
    """
    return span_words(slack_s // 60 * 60)


def lead_words(lead_s: int) -> str:
    """Return a lead time: ``45 min``, ``8 h`` or ``2 days``.

    Parameters
    ----------
    lead_s : int
        Seconds, not negative.

    Returns
    -------
    str
        Days or hours where they are whole ones, else rounded up to the minute.
    """
    day_s = 24 * 3600
    if lead_s >= 2 * day_s and lead_s % day_s == 0:
        return f"{lead_s // day_s} days"
    if lead_s >= 3600 and lead_s % 3600 == 0:  # noqa: PLR2004 - seconds of an hour
        return f"{lead_s // 3600} h"
    return span_words(-(-lead_s // 60) * 60)


def count(number: int, one: str, many: str = "") -> str:
    """Return ``1 call`` or ``3 calls``.

    Parameters
    ----------
    number : int
        How many.
    one, many : str
        The word for one, and for more where an 's' does not do.

    Returns
    -------
    str
        Number and word.
    """
    return f"{number} {one if number == 1 else many or one + 's'}"


def join(words: Iterable[str], last: str = "and") -> str:
    """Return ``a``, ``a and b`` or ``a, b and c``.

    Parameters
    ----------
    words : iterable of str
        Any number of them.
    last : str
        Stands before the last one.

    Returns
    -------
    str
        Empty where there are none.
    """
    listed = list(words)
    if len(listed) < 2:  # noqa: PLR2004 - nothing to join
        return "".join(listed)
    return f"{', '.join(listed[:-1])} {last} {listed[-1]}"


def calls_words(call_ids: Sequence[str]) -> str:
    """Return ``call 3`` or ``calls 3 and 4``: never a bare number beside the stops'.

    Parameters
    ----------
    call_ids : sequence of str
        At least one.

    Returns
    -------
    str
        The word and the ids.
    """
    return f"{'call' if len(call_ids) == 1 else 'calls'} {join(call_ids)}"


def is_tight(day: Day, call: Call, stop: Stop) -> bool:
    """Return whether a visit starts close to the end of what was promised.

    Parameters
    ----------
    day : Day
        Its ``tolerance_s`` says how close.
    call, stop : Call, Stop
        The call and its visit.

    Returns
    -------
    bool
        False where nothing was promised, and where the promise is broken.
    """
    return (
        call.promise is not None
        and 0 <= call.promise.end_s - stop.start_s <= day.tolerance_s
    )


def above_best_permille(plan: Plan) -> int | None:
    """Return how far above its bound a plan may be at most, rounded up.

    Parameters
    ----------
    plan : Plan
        With or without a bound.

    Returns
    -------
    int or None
        Tenths of a percent of the bound; ``None`` where nothing is known.
    """
    bound = plan.status.bound_units
    if plan.status.proof is Proof.PROVED_BEST:
        return 0
    if plan.status.proof is not Proof.BOUNDED or bound is None or bound <= 0:
        return None
    return max(0, math.ceil((plan.cost_units - bound) * 1000 / bound))


def status_words(plan: Plan) -> str:
    """Return how good a plan is known to be, in one sentence or two.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    str
        Proved, bounded or best found; and whether the search was stopped early.
    """
    above = above_best_permille(plan)
    if plan.status.proof is Proof.PROVED_BEST:
        late = any(stop.late_s for route in plan.routes for stop in route.stops)
        words = (
            f"Proved best: calls in order of priority, {'then promises, ' * late}then "
            "cost; no plan that keeps the rules does better."
        )
    elif above is not None:
        words = (
            "Best found: nothing better turned up. It costs at most "
            f"{above // 10}.{above % 10} % more than the best possible for these "
            "calls, by a rough bound."
        )
    else:
        words = "Best found: nothing better turned up, but that is no proof."
    if plan.status.stopped:
        words += " The search was stopped early: this is the best plan so far."
    return words


def place_words(day: Day, van: Van, *, finish: bool = False) -> str:
    """Return where a van starts or finishes, in words.

    Parameters
    ----------
    day : Day
        Knows where the shop is.
    van : Van
        The van.
    finish : bool
        Where it finishes; else where it starts.

    Returns
    -------
    str
        Its name, ``the shop``, ``anywhere``, or degrees of latitude and longitude.
    """
    place = van.finish if finish else van.start
    if place is None:
        return "anywhere"
    if place == day.shop.place:
        return clean(place.name) or "the shop"
    return clean(place.name) or f"{place.lat_deg:.5f}, {place.lon_deg:.5f}"


def ready_words(item: ReadyItem) -> str:
    """Return a ready item and its state: ``code: open``.

    Parameters
    ----------
    item : ReadyItem
        The item.

    Returns
    -------
    str
        With the one who waived it, where that is known.
    """
    state = str(item.state)
    if item.state is ReadyState.WAIVED and item.waived_by:
        state += f" by {clean(item.waived_by)}"
    return f"{READY_WORDS[item.kind]}: {state}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One stop with what surrounds it.

    Parameters
    ----------
    stop : Stop
        The stop itself.
    call : Call or None
        Its call; ``None`` for a break or a restock stop.
    number : int or None
        1 for the route's first call, 2 for its second; ``None`` for anything else.
    leave_s : int
        When the van sets off towards it.
    store : Store or None
        The shop or counter of a restock stop.
    mark : str
        What people find it by: its number, ``A`` for the route's first restock stop,
        ``B`` for its second; empty for a break.
    """

    stop: Stop
    call: Call | None
    number: int | None
    leave_s: int
    store: Store | None
    mark: str


def visits(day: Day, route: Route) -> Iterator[Visit]:
    """Yield a route's stops with their calls, numbers and departures.

    Parameters
    ----------
    day : Day
        Has the calls.
    route : Route
        One of its routes.

    Yields
    ------
    Visit
        One per stop, in order.
    """
    calls = {call.id: call for call in day.calls}
    stores = {store.id: store for store in (day.shop, *day.counters)}
    leave_s, number, restocks = route.leave_s, 0, 0
    for stop in route.stops:
        call, store, mark = None, None, ""
        if stop.kind is StopKind.CALL and stop.call_id is not None:
            call = calls[stop.call_id]
            number += 1
            mark = str(number)
        elif stop.kind is StopKind.RESTOCK and stop.store_id is not None:
            store = stores[stop.store_id]
            mark = _letter(restocks)
            restocks += 1
        yield Visit(
            stop=stop,
            call=call,
            number=number if call is not None else None,
            leave_s=leave_s,
            store=store,
            mark=mark,
        )
        leave_s = stop.finish_s


def _letter(position: int) -> str:
    """Return A, B ... Z, A2, B2 ..."""
    round_, letter = divmod(position, 26)
    return chr(ord("A") + letter) + (str(round_ + 1) if round_ else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Why:
    """One reason with all the vans it holds for.

    Parameters
    ----------
    who : str
        ``North and South``, ``every van``, or empty when no van matters.
    text, remedy : str
        The reason, and what would help (may be empty).
    """

    who: str
    text: str
    remedy: str


def access_words(call: Call) -> str:
    """Return how the driver gets from the van to the job.

    Parameters
    ----------
    call : Call
        The call.

    Returns
    -------
    str
        Such as 'Park at Level 3: walk 6 min each way, in the drives'; empty where the
        van stands at the door.
    """
    access = call.access
    if access is None:
        return ""
    at = access.place
    ways = []
    if access.walk_s:
        ways.append(f"walk {minutes(access.walk_s)} each way")
    if access.search_s:
        ways.append(f"{minutes(access.search_s)} to find it")
    if ways:
        ways[-1] += ", in the drives"
    where = "" if at is None else f"park at {clean(at.name) or 'the access point'}"
    text = ": ".join(filter(None, (where, ", ".join(ways))))
    signal = "no phone signal there" if access.no_signal else ""
    text = "; ".join(filter(None, (text, signal, clean(access.note))))
    return text[:1].upper() + text[1:]


def pin_lines(call: Call) -> tuple[str, ...]:
    """Return the lines of pins.csv of which one settles where a call is.

    Parameters
    ----------
    call : Call
        Whose address may mean several places.

    Returns
    -------
    tuple of str
        One for each of them, the likeliest first.
    """
    places = () if call.barred is None else call.barred.places
    return tuple(pin_line(call.place.name, place) for place in places)


def candidate_lines(call: Call) -> tuple[str, ...]:
    """Return where a call is, or where it may be.

    Parameters
    ----------
    call : Call
        The call.

    Returns
    -------
    tuple of str
        Lines; candidates are numbered, each with its line for pins.csv.
    """
    barred, where = call.barred, clean(call.place.name)
    if barred is None or call.is_located:
        at = f"{call.place.lat_deg:g}, {call.place.lon_deg:g}"
        return (f"call {call.id} is at {at}{f' ({where})' if where else ''}",)
    lines = [f"call {call.id}: {barred.text}"]
    for number, place in enumerate(barred.places, 1):
        lines += [f"  {number}  {clean(place.name)}"]
        lines += [f"     {pin_line(call.place.name, place)}"]
    return (*lines, f"would help: {barred.remedy}")


def credit_words(day: Day) -> str:
    """Return whose data the day's places were looked up in.

    Parameters
    ----------
    day : Day
        The day.

    Returns
    -------
    str
        A sentence; empty: in nobody's.
    """
    return f"Places: {clean(day.credit)}." if day.credit else ""


def group_reasons(day: Day, reasons: Sequence[Reason]) -> tuple[Why, ...]:
    """Return why a call is not planned, vans with the same reason together.

    Parameters
    ----------
    day : Day
        Knows how many vans there are.
    reasons : sequence of Reason
        One for each van.

    Returns
    -------
    tuple of Why
        In the order of first appearance.
    """
    groups: dict[tuple[str, str], list[str | None]] = {}
    for reason in reasons:
        groups.setdefault((reason.text, reason.remedy), []).append(reason.van_id)
    every = {van.id for van in day.vans}
    found = []
    for (text, remedy), vans in groups.items():
        named = [van for van in vans if van is not None]
        if len(named) < len(vans):
            who = ""
        elif len(every) > 1 and set(named) == every:
            who = "every van"
        else:
            who = join(dict.fromkeys(named))
        found.append(Why(who=who, text=text, remedy=remedy))
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evening:
    """Tonight's list, by who is rung or asked; longest lead time first in each.

    Parameters
    ----------
    codes, customers, drivers : tuple of Tonight
        Codes to buy, customers to ask, what drivers see to.
    """

    codes: tuple[Tonight, ...]
    customers: tuple[Tonight, ...]
    drivers: tuple[Tonight, ...]


def sort_evening(answer: Answer) -> Evening:
    """Return tonight's list sorted into codes, customers and drivers.

    Parameters
    ----------
    answer : Answer
        Its items stand with the longest lead time first; that order is kept.

    Returns
    -------
    Evening
        The same items in three groups.
    """
    codes, customers, drivers = [], [], []
    for entry in answer.tonight:
        if entry.item.kind is ReadyKind.CODE:
            codes.append(entry)
        elif entry.item.owner == "driver":
            drivers.append(entry)
        else:
            customers.append(entry)
    return Evening(
        codes=tuple(codes), customers=tuple(customers), drivers=tuple(drivers)
    )


def codes_words(evening: Evening) -> str:
    """Return how many codes are to be bought and what they cost together.

    Parameters
    ----------
    evening : Evening
        Codes of calls that are not planned are named by themselves.

    Returns
    -------
    str
        For example ``Codes to buy: 3, 73.50 in all``.
    """
    sure, cost_cents = count_codes(evening.codes)
    maybe = [e.item.cost_cents for e in evening.codes if e.by_s is None]
    words = f"Codes to buy: {sure or 'none'}"
    if sure:
        words += f", {money(cost_cents)} in all"
    if maybe:
        words += f"; {len(maybe)} more ({money(sum(maybe))}) if a call gets a place"
    return words


def held_ids(day: Day) -> frozenset[str]:
    """Return the slots kept free for emergencies: they are nobody's calls.

    Parameters
    ----------
    day : Day
        With its slots, see :mod:`dispatch.reserve`.

    Returns
    -------
    frozenset of str
        Their ids.
    """
    return frozenset(call.id for call in day.calls if call.kind == HELD)


def count_calls(day: Day, call_ids: Iterable[str]) -> str:
    """Return how many calls these are; slots kept free are counted apart.

    Parameters
    ----------
    day : Day
        Has them.
    call_ids : iterable of str
        Some of its calls, slots among them.

    Returns
    -------
    str
        ``3 calls``, ``3 calls and 1 slot kept free`` or ``1 slot kept free``.
    """
    ids, held = set(call_ids), held_ids(day)
    kept = count(len(ids & held), "slot") + " kept free" if ids & held else ""
    calls = count(len(ids - held), "call")
    return " and ".join(filter(None, (calls if ids - held or not kept else "", kept)))


def sums_words(answer: Answer) -> str:
    """Return the day in one line: calls, vans, distance, cost.

    Parameters
    ----------
    answer : Answer
        The day and its plan.

    Returns
    -------
    str
        With the overtime, where there is any; a day without calls has none of this.
    """
    plan, day = answer.plan, answer.day
    if not day.calls:
        return "No calls: nothing to plan"
    held = held_ids(day)
    planned = [call_id for route in plan.routes for call_id in route.call_ids]
    kept = sum(call_id in held for call_id in planned)
    calls = count(len(day.calls) - len(held), "call")
    free = f" and {count(kept, 'slot')} kept free" * bool(kept)
    vans = count(len(plan.routes), "van")
    words = [
        f"{len(planned) - kept} of {calls} planned{free} on {vans}",
        day.distance.say(sum(route.distance_m for route in plan.routes)),
    ]
    overtime_s = sum(route.overtime_s for route in plan.routes)
    if overtime_s:
        words.append(f"overtime {span_words(overtime_s)}")
    words.append(f"cost {money(plan.cost_cents)}")
    return ", ".join(words)


def kept_words(kept: Kept | None) -> tuple[str, ...]:
    """Return how a day's promises come out.

    Parameters
    ----------
    kept : Kept or None
        What was foretold, if anything.

    Returns
    -------
    tuple of str
        How many are kept on the average, and how many second visits are due; empty
        where there is nothing to keep, or to come again for.
    """
    found = []
    if kept is not None and kept.promises:
        found.append(
            f"On time: {kept.expected:.1f} of "
            f"{count(kept.promises, 'promise or window', 'promises and windows')} "
            f"expected kept, all hold: {as_percent(kept.all_kept)} %, if lengths and "
            f"traffic vary as {kept.source} says ({kept.draws:,} days drawn)."
        )
    if kept is not None and kept.again:
        calls = [stop.call_id for stop in kept.stops if stop.again]
        found.append(
            f"Second visits: {kept.again:.1f} expected; "
            f"{'no code is' if len(calls) > 1 else 'the code is not'} bought for "
            f"{calls_words(calls)}, and a code cannot always be read from the vehicle."
        )
    return tuple(found)


def on_time_words(answer: Answer, call_id: str) -> str:
    """Return how likely a call's promise is kept.

    Parameters
    ----------
    answer : Answer
        The day and its plan.
    call_id : str
        The call.

    Returns
    -------
    str
        ``on time 93 %``; empty where there is nothing to keep, or nobody asked.
    """
    stop = None if answer.kept is None else answer.kept.of_call.get(call_id)
    if stop is None or stop.kept is None:
        return ""
    return f"on time {as_percent(stop.kept)} %"


def arrival_words(answer: Answer, call_id: str) -> str:
    """Return when the van is there on most days.

    Parameters
    ----------
    answer : Answer
        The day and its plan.
    call_id : str
        The call.

    Returns
    -------
    str
        ``there 09:10 to 09:52 on 8 days in 10``; empty where nobody asked.
    """
    stop = None if answer.kept is None else answer.kept.of_call.get(call_id)
    if stop is None:
        return ""
    clock = answer.day.clock
    early, _, late = map(clock.hhmm, stop.arrive_s)
    return f"there {early} to {late} on 8 days in 10" if early != late else ""


def again_words(answer: Answer, call_id: str) -> str:
    """Return how likely a second visit is due.

    Parameters
    ----------
    answer : Answer
        The day and its plan.
    call_id : str
        The call.

    Returns
    -------
    str
        ``second visit 15 %, no code is bought``; empty where none can be due.
    """
    stop = None if answer.kept is None else answer.kept.of_call.get(call_id)
    if stop is None or not stop.again:
        return ""
    return f"second visit {as_percent(stop.again)} %, no code is bought"


def wish_words(wish: Wish | None) -> tuple[str, ...]:
    """Return what became of the wish that so many promises are kept, and its price.

    Parameters
    ----------
    wish : Wish or None
        What was wished, if anything.

    Returns
    -------
    tuple of str
        One line; another one with the calls that fall short, where it is not fulfilled.
    """
    if wish is None:
        return ()
    kept, plain = (  # rounded down: what falls short shows it
        f"{math.floor(1000 * share) / 10:.1f} %"
        for share in (wish.kept, wish.plain_kept)
    )
    aim = f"keep {wish.percent} % of promises and windows"
    if wish.drive_s == wish.cost_units == 0 and wish.kept == wish.plain_kept:
        price = "nothing found is safer"
        if wish.fulfilled:
            price = "no more driving for it"
    else:
        price = (
            f"without the wish {plain}; its price: {_more(wish.drive_s, minutes)} "
            f"driving, {_more(cents(wish.cost_units), money)}"
        )
    if wish.fulfilled:
        return (f"Wish: {aim}: {kept} expected, {price}.",)
    return (
        f"The wish is not reached: {aim}: {kept} expected, {price}.",
        f"Less likely than that: {calls_words(list(wish.short))}.",
    )


def _more(amount: int, words: Callable[[int], str]) -> str:
    """Return an amount with its sign."""
    return f"{'-' if amount < 0 else '+'}{words(abs(amount))}"


def split_words(routes: Sequence[Route], *, usual: bool = True) -> str:
    """Return what a cost is made of, parts of nothing left out.

    Parameters
    ----------
    routes : sequence of Route
        Whose cost.
    usual : bool
        Whether to name driving, paid time and overtime as well.

    Returns
    -------
    str
        For example ``driving 14.20, paid time 210.00, broken promises 25.00``; each
        is rounded by itself.
    """
    parts = {
        "driving": sum(route.drive_units for route in routes) * usual,
        "paid time": sum(route.time_units for route in routes) * usual,
        "overtime": sum(route.overtime_units for route in routes) * usual,
        "broken promises": sum(route.late_units for route in routes),
        "preferences": sum(route.preference_units for route in routes),
        "changes": sum(route.change_units for route in routes),
        "dearer parts": sum(route.parts_units for route in routes),
    }
    return ", ".join(
        f"{name} {money(cents(units))}" for name, units in parts.items() if units
    )


def name_store(day: Day, store_id: str) -> str:
    """Return what the shop or a trade counter is called.

    Parameters
    ----------
    day : Day
        Has them.
    store_id : str
        One of them.

    Returns
    -------
    str
        Its name, else ``the shop`` or the counter's id.
    """
    if store_id == day.shop.id:
        return clean(day.shop.place.name) or "the shop"
    return clean(counter_name(day, store_id))


def title_words(day: Day, visit: Visit) -> str:
    """Return what a stop is, in a few words.

    Parameters
    ----------
    day : Day
        The day.
    visit : Visit
        The stop.

    Returns
    -------
    str
        ``Add a key, call 3``, ``Restock at Eastgate 9`` or ``Break``.
    """
    if visit.call is not None:
        return clean(f"{name_kind(day, visit.call.kind)}, call {visit.call.id}")
    if visit.store is not None:
        return f"Restock at {name_store(day, visit.store.id)}"
    return "Break"


def broken_title(number: int, *, provisional: bool = False) -> str:
    """Return how many promises are broken, as a heading.

    Parameters
    ----------
    number : int
        At least 1.
    provisional : bool
        Whether the day will be planned anew: nobody need be rung yet.

    Returns
    -------
    str
        With what follows from it.
    """
    if provisional:
        return f"{count(number, 'PROMISE', 'PROMISES')} WOULD BE BROKEN as planned now:"
    if number == 1:
        return "1 PROMISE BROKEN. Ring the customer tonight:"
    return f"{number} PROMISES BROKEN. Ring these customers tonight, in this order:"


def outlook_words(outlook: Outlook) -> str:
    """Return several days in one line.

    Parameters
    ----------
    outlook : Outlook
        The days and their plans.

    Returns
    -------
    str
        How many calls are planned on how many days, and what they cost.
    """
    held = frozenset().union(*(held_ids(answer.day) for answer in outlook.answers))
    calls = {call.id for answer in outlook.answers for call in answer.day.calls} - held
    plans = [answer.plan for answer in outlook.answers]
    routes = [route for plan in plans for route in plan.routes]
    placed = sum(c not in held for route in routes for c in route.call_ids)
    cost = cents(sum(plan.cost_units for plan in plans))
    return (
        f"{placed} of {count(len(calls), 'call')} planned on "
        f"{count(len(plans), 'day')}, cost {money(cost)}"
    )


def broken_words(day: Day, entry: Broken) -> str:
    """Return how a promise is broken.

    Parameters
    ----------
    day : Day
        Its clock.
    entry : Broken
        The promise.

    Returns
    -------
    str
        ``promised until 10:00, starts 10:25, 25 min late``.
    """
    clock = day.clock
    return (
        f"promised until {clock.hhmm(entry.end_s)}, starts "
        f"{clock.hhmm(entry.start_s)}, {late_words(entry.late_s)} late"
    )


def rather_words(day: Day, call: Call, stop: Stop | None = None) -> str:
    """Return when a customer would rather have had a visit start.

    Parameters
    ----------
    day : Day
        Its clock.
    call, stop : Call, Stop
        The call and its visit; ``None``: it has none.

    Returns
    -------
    str
        Empty where the visit starts then, or the customer has no wish.
    """
    if stop is not None and not is_off_preference(call, stop):
        return ""
    if call.preference is None:
        return ""
    return f"customer would rather have {span(day, call.preference)}"


def is_off_preference(call: Call, stop: Stop) -> bool:
    """Return whether a visit starts outside the hours the customer would rather have.

    Parameters
    ----------
    call, stop : Call, Stop
        The call and its visit.

    Returns
    -------
    bool
        False where the customer has no wish.
    """
    wish = call.preference
    return wish is not None and not wish.start_s <= stop.start_s <= wish.end_s


def link_words(answer: Answer, call_id: str) -> tuple[str, ...]:
    """Return which calls come before and after a call, and on which van.

    Parameters
    ----------
    answer : Answer
        The day's links and the plan.
    call_id : str
        The call.

    Returns
    -------
    tuple of str
        ``after call 101``, and what goes with it: the van that does the other one
        and when, how much time must lie between, whether one van does both.
    """
    day = answer.day
    links = [link for link in day.links if call_id in {link.first, link.then}]
    if not links:
        return ()
    seen = {
        stop.call_id: (route.van_id, stop)
        for route in answer.plan.routes
        for stop in route.stops
        if stop.call_id is not None
    }
    own = seen[call_id][0] if call_id in seen else None
    found = []
    for link in links:
        after = call_id == link.then
        other = link.first if after else link.then
        words = [f"{'after' if after else 'before'} call {other}"]
        if other in seen:
            van_id, stop = seen[other]
            time_s, verb = (
                (stop.finish_s, "done") if after else (stop.start_s, "starts")
            )
            on = f"van {van_id}, " if van_id != own else ""
            words[0] += f" ({on}{verb} {day.clock.hhmm(time_s)})"
        else:
            words[0] += " (not planned)"
        if link.same_van:
            words.append("same van")
        if link.min_gap_s:
            words.append(f"at least {lead_words(link.min_gap_s)} between")
        if link.max_gap_s is not None:
            words.append(f"at most {lead_words(link.max_gap_s)} between")
        found.append(", ".join(words))
    return tuple(found)


def duty_s(van: Van, route: Route) -> int:
    """Return a van's working time: from setting off until back, the break left out.

    Parameters
    ----------
    van, route : Van, Route
        The van and its route.

    Returns
    -------
    int
        Seconds, as ``Van.work_limit_s`` counts them.
    """
    taken = any(stop.kind is StopKind.BREAK for stop in route.stops)
    meal_s = van.meal.length_s if van.meal is not None and taken else 0
    return route.finish_s - route.leave_s - meal_s


def limit_words(van: Van, route: Route) -> tuple[str, ...]:
    """Return a van's hours beside its limits.

    Parameters
    ----------
    van, route : Van, Route
        The van and its route.

    Returns
    -------
    tuple of str
        Empty where it has no limits.
    """
    words = []
    if van.drive_limit_s is not None:
        words.append(
            f"at the wheel {span_words(route.drive_s)} of at most "
            f"{lead_words(van.drive_limit_s)}"
        )
    if van.work_limit_s is not None:
        words.append(
            f"on duty {span_words(duty_s(van, route))} of at most "
            f"{lead_words(van.work_limit_s)}, the break left out"
        )
    return tuple(words)


@dataclass(frozen=True, slots=True, kw_only=True)
class Handover:
    """Pieces that one van gives another before they leave.

    Parameters
    ----------
    part_id : str
        Which part.
    quantity : int
        How many.
    from_van, to_van : str
        Giver and taker; the giver may stay in.
    call_ids : tuple of str
        The taker's calls that use them.
    """

    part_id: str
    quantity: int
    from_van: str
    to_van: str
    call_ids: tuple[str, ...]


def handovers(plan: Plan) -> tuple[Handover, ...]:
    """Return what vans hand over before leaving.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    tuple of Handover
        One per part and pair of vans, in the order of the plan's issues.
    """
    groups: dict[tuple[str, str, str], tuple[int, dict[str, None]]] = {}
    for issue in plan.issues:
        if issue.origin is not Origin.VAN or issue.from_van is None:
            continue
        key = (issue.part_id, issue.from_van, issue.van_id)
        pieces, call_ids = groups.get(key, (0, {}))
        if issue.call_id is not None:
            call_ids = {**call_ids, issue.call_id: None}
        groups[key] = (pieces + issue.quantity, call_ids)
    return tuple(
        Handover(
            part_id=part_id,
            quantity=pieces,
            from_van=giver,
            to_van=taker,
            call_ids=tuple(call_ids),
        )
        for (part_id, giver, taker), (pieces, call_ids) in groups.items()
    )


def line_uses(day: Day, line: PickLine) -> str:
    """Return what a line of a pick list is for.

    Parameters
    ----------
    day : Day
        Its list of parts.
    line : PickLine
        The line.

    Returns
    -------
    str
        Who hands pieces over, the calls, the spares, and what it stands in for.
    """
    uses = [f"{pieces} from van {van_id}" for van_id, pieces in line.from_vans]
    if line.call_ids:
        uses.append(f"for {calls_words(line.call_ids)}")
    if line.spares:
        uses.append(count(line.spares, "spare"))
    uses.extend(
        f"instead of {clean(name_part(day, part_id))} ({part_id})"
        for part_id in line.instead_of
    )
    if line.note:
        uses.append(clean(line.note))
    return ", ".join(uses)


def fetch_at(answer: Answer, van_id: str, store_id: str) -> Fetch:
    """Return the small pick list of a van's restock stop.

    Parameters
    ----------
    answer : Answer
        Holds the pick lists.
    van_id, store_id : str
        The van, and where it stops.

    Returns
    -------
    Fetch
        Without lines where only tools change hands.
    """
    for picks in answer.pick_lists:
        for fetch in picks.fetches:
            if (picks.van_id, fetch.store_id) == (van_id, store_id):
                return fetch
    return Fetch(store_id=store_id, lines=())


def shop_stop_s(day: Day, route: Route | None) -> int | None:
    """Return when a van stands at the shop in the middle of its route.

    Parameters
    ----------
    day : Day
        Knows the shop.
    route : Route or None
        The van's route.

    Returns
    -------
    int or None
        Start of that restock stop; ``None`` where there is none.
    """
    stops = route.stops if route is not None else ()
    return next(
        (
            stop.start_s
            for stop in stops
            if stop.kind is StopKind.RESTOCK and stop.store_id == day.shop.id
        ),
        None,
    )


def tool_words(answer: Answer, use: ToolUse) -> str:
    """Return from when to when a van has a shared tool.

    Parameters
    ----------
    answer : Answer
        The day and its plan.
    use : ToolUse
        Which van, which tool.

    Returns
    -------
    str
        ``all day``, ``collect at ... at 12:40`` or ``from the morning on,
        bring back to ... at 12:40``.
    """
    day = answer.day
    route = next((r for r in answer.plan.routes if r.van_id == use.van_id), None)
    time_s = shop_stop_s(day, route)
    at = f" at {day.clock.hhmm(time_s)}" if time_s is not None else ""
    shop = name_store(day, day.shop.id)
    words = []
    if use.collected:
        words.append(f"collect at {shop}{at}")
    if use.returned:
        words.append(f"bring back to {shop}{at}")
    if not use.collected:
        words.insert(0, "from the morning on" if use.returned else "all day")
    return ", ".join(words)


def swap_words(answer: Answer, van_id: str, store_id: str) -> tuple[str, ...]:
    """Return the shared tools that change hands at a van's restock stop.

    Parameters
    ----------
    answer : Answer
        The day and its plan.
    van_id, store_id : str
        The van, and where it stops.

    Returns
    -------
    tuple of str
        ``bring back the ...`` first, then ``collect the ...``.
    """
    if store_id != answer.day.shop.id:
        return ()
    mine = [use for use in answer.plan.tools if use.van_id == van_id]
    return (
        *(f"bring back: {use.tool_id}" for use in mine if use.returned),
        *(f"collect: {use.tool_id}" for use in mine if use.collected),
    )


def way_to(answer: Answer, van_id: str, stop: Stop | None) -> Way | None:
    """Return how a van drives to a stop.

    Parameters
    ----------
    answer : Answer
        The answer.
    van_id : str
        The van.
    stop : Stop or None
        One of its stops; ``None``: its finish.

    Returns
    -------
    Way or None
        ``None``: it does not drive there, or nobody knows how.
    """
    ways = answer.ways.get(van_id)
    if not ways:
        return None
    if stop is None:
        return ways[-1]
    route = next(route for route in answer.plan.routes if route.van_id == van_id)
    return ways[route.stops.index(stop)]


def drive_words(day: Day, drive_s: int, drive_m: int, way: Way | None) -> str:
    """Return how long and how far a drive is.

    Parameters
    ----------
    day : Day
        Whose unit counts.
    drive_s, drive_m : int
        Seconds and metres.
    way : Way or None
        How it goes, where that is known.

    Returns
    -------
    str
        For example ``12 min, 5.1 km, by ferry``.
    """
    ferry = ", by ferry" if way is not None and way.by_ferry else ""
    return f"{span_words(drive_s)}, {day.distance.say(drive_m)}{ferry}"


def travel_words(day: Day) -> tuple[str, ...]:
    """Return which travel times were used, and what they cannot know.

    Parameters
    ----------
    day : Day
        Its travel rules.

    Returns
    -------
    tuple of str
        Two paragraphs: what was used with its sources, and the limits.
    """
    rules = day.travel
    if rules.matrix is not None:
        used = "Driving times: the given table."
        limits = TRAVEL_LIMITS
    elif rules.streets is not None:
        used = (
            f"Driving times: a road network ({clean(rules.streets.credit)}), and "
            f"{rules.start_stop_s / 60:.3g} min to set off and park."
        )
        if rules.street_pace != 1:
            used += (
                f" Learnt: {rules.street_pace:.2f} times what the network takes on "
                "empty roads."
            )
        limits = TRAVEL_LIMITS
        # They bring numpy along: not for a plan without roads.
        from dispatch.travel import nodes_of, unasked  # noqa: PLC0415

        known = replace(day, calls=tuple(c for c in day.calls if c.is_located))
        number = unasked(rules.streets, nodes_of(known).values())
        if number:
            places = "one place" if number == 1 else f"{number} places"
            limits = f"Straight lines to {places} it was not asked about. {limits}"
    else:
        used = (
            f"Driving times: {day.distance.say_speed(rules.free_flow_kmh)} on a free "
            f"road, {rules.start_stop_s / 60:g} min to set off and park."
        )
        error = f" They are {clean(rules.error)}." if rules.error else ""
        limits = f"{STRAIGHT_LIMITS}{error} {TRAVEL_LIMITS}"
    sources = [
        f"{label}: {clean(text).rstrip('.')}."
        for label, text in (
            ("Distance", rules.source if rules.streets is None else ""),
            ("Traffic", rules.traffic.source),
        )
        if text
    ]
    return (" ".join([used, *sources]), limits)
