"""Which call comes after which, and what of it can never be."""

import math
from collections.abc import Callable, Iterable, Mapping
from datetime import timedelta
from graphlib import CycleError, TopologicalSorter
from typing import TypeVar

from dispatch.scenario import cells
from dispatch.scenario.cells import MOST_DAYS, Refused
from dispatch.scenario.source import Row, shown
from shared.model import Call, Day, Link, Window

T = TypeVar("T")
Span = tuple[float, float]

LINK_COLUMNS = ("after", "same_van", "after_least_min", "after_most_min")
NO_LIMIT = "any"
_gap = cells.seconds(60, MOST_DAYS * 24 * 60, "minutes")


def read_links(rows: Mapping[str, Row], day: Day) -> tuple[Link, ...]:
    """Return what the calls' rows say about the calls before them.

    Parameters
    ----------
    rows : mapping of str to Row
        Call id to its row of ``calls.csv``, in their order.
    day : Day
        With its calls and vans, as far as they could be read.

    Returns
    -------
    tuple of Link
        In the order of the later calls, and as ``after`` names the earlier ones.
    """
    calls = {call.id: call for call in day.calls}
    links: list[Link] = []
    for call_id, row in rows.items():
        before = len(row.findings.faults)
        found = _read_row(call_id, row, calls)
        if len(row.findings.faults) == before:
            for link in found:
                _look_at_days(link, row, day, calls)
        links += found
    _look_for_circles(links, rows)
    _look_at_vans(links, rows, calls)
    return tuple(links)


def _read_row(call_id: str, row: Row, known: Iterable[str]) -> list[Link]:
    nobody: tuple[str, ...] = ()
    before = row.read("after", _call_ids(call_id, known), nobody)
    if not row.text("after"):
        for column in LINK_COLUMNS[1:]:
            if row.text(column):
                row.refuse(
                    column,
                    shown(row.text(column)),
                    "nothing, or in the column after the call that comes first",
                )
        return []
    many = len(before)
    same = _spread(row, "same_van", _yes_no, many, usual=False)
    least = _spread(row, "after_least_min", _gap, many, usual=0)
    most = _spread(row, "after_most_min", _limit, many, usual=None)
    links = [
        Link(first=first, then=call_id, same_van=one_van, min_gap_s=low, max_gap_s=high)
        for first, one_van, low, high in zip(before, same, least, most, strict=True)
    ]
    if any(
        link.max_gap_s is not None and link.max_gap_s < link.min_gap_s for link in links
    ):
        row.refuse(
            "after_most_min",
            shown(row.text("after_most_min")),
            f"at least the {row.text('after_least_min')} of after_least_min",
        )
        return []
    return links


def _call_ids(own: str, known: Iterable[str]) -> Callable[[str], tuple[str, ...]]:
    """Return a parser for the calls before one."""

    def parse(text: str) -> tuple[str, ...]:
        ids = cells.words(text)
        if own in ids:
            raise Refused("another call: none comes after itself")
        if len(set(ids)) < len(ids):
            raise Refused("each call once")
        unknown = [word for word in ids if word not in known]
        if unknown:
            raise Refused(
                "calls of this file, with | between; it has no "
                + ", no ".join(
                    f"'{word[: cells.LONGEST_ID]}'{cells.nearest(word, known)}"
                    for word in unknown
                )
            )
        return ids

    return parse


def _spread(
    row: Row, column: str, parse: Callable[[str], T], many: int, *, usual: T
) -> list[T]:
    """Return one value for each call before: the same for all, or one each."""

    def parse_all(text: str) -> list[T]:
        found = [parse(word) for word in cells.words(text)]
        if len(found) not in {1, many}:
            raise Refused(
                "one entry for all calls of the column after, or one for each"
            )
        return found * many if len(found) == 1 else found

    return row.read(column, parse_all, [usual] * many)


def _yes_no(text: str) -> bool:
    try:
        return cells.yes_no(text)
    except Refused:
        raise Refused("yes or no") from None


def _limit(text: str) -> int | None:
    return None if text.lower() == NO_LIMIT else _gap(text)


# --- what can never be -------------------------------------------------------


def _look_for_circles(links: Iterable[Link], rows: Mapping[str, Row]) -> None:
    """Refuse calls that would each have to wait for the other."""
    order = {call_id: number for number, call_id in enumerate(rows)}
    before: dict[str, dict[str, None]] = {call_id: {} for call_id in rows}
    for link in links:
        before[link.then][link.first] = None
    while True:
        try:
            TopologicalSorter(before).prepare()
        except CycleError as error:
            circle: list[str] = error.args[1]  # each comes right before the next
            last = max(circle, key=lambda call_id: order[call_id])
            turn = circle[:-1].index(last)
            turned = [*circle[turn:-1], *circle[:turn], last][::-1]
            rows[last].refuse(
                "after",
                shown(turned[1]),
                f"no circle: {' after '.join(turned)}",
            )
            del before[last][turned[1]]
        else:
            return


def _look_at_vans(
    links: Iterable[Link], rows: Mapping[str, Row], calls: Mapping[str, Call]
) -> None:
    """Refuse calls for one van of which two ask for different ones."""
    groups = {call_id: [call_id] for call_id in rows}
    for link in links:
        one, other = groups[link.first], groups[link.then]
        if not link.same_van or one is other:
            continue
        asked = [
            next((c for c in group if calls[c].required_van is not None), None)
            for group in (one, other)
        ]
        vans = {calls[c].required_van for c in asked if c is not None}
        if len(vans) > 1:
            rows[link.then].refuse(
                "same_van",
                shown(rows[link.then].text("same_van")),
                "no, or one required van: "
                + ", ".join(
                    f"call '{c}' asks for '{calls[c].required_van}'"
                    for c in asked
                    if c is not None
                ),
            )
            continue
        one += other
        for call_id in other:
            groups[call_id] = one


def _look_at_days(link: Link, row: Row, day: Day, calls: Mapping[str, Call]) -> None:
    """Refuse a link that no two moments of its calls can keep.

    Drives, shifts and stock are left out, and visits may be as short or as long as
    any van makes them: what is refused is certain.
    """
    first, then = calls[link.first], calls[link.then]
    if _numbers(then, day)[-1] < _numbers(first, day)[0]:
        row.refuse(
            "dates" if row.text("dates") else "after",
            shown(row.text("dates") or row.text("after")),
            f"days on which call '{first.id}' can be over: it is not before "
            f"{day.date + timedelta(days=_numbers(first, day)[0])}",
        )
        return
    ends, starts = _ends(first, day), _starts(then, day)
    most_s = math.inf if link.max_gap_s is None else link.max_gap_s
    if (
        ends
        and starts
        and not any(
            opens - late <= most_s and closes - early >= link.min_gap_s
            for early, late in ends
            for opens, closes in starts
        )
    ):
        row.refuse(
            "after",
            shown(row.text("after")),
            f"windows and promises that leave {_words(link)} from the end of call "
            f"'{first.id}' to the start of this one",
        )


def _words(link: Link) -> str:
    least = f"at least {link.min_gap_s / 60:g} min"
    if link.max_gap_s is None:
        return least
    return f"{least} and at most {link.max_gap_s / 60:g} min"


def _numbers(call: Call, day: Day) -> list[int]:
    """Return the days a call may be on, counted from the first."""
    if call.dates:
        return [(each - day.date).days for each in call.dates]
    return [0] if call.promise is not None else list(range(day.horizon))


def _lengths(call: Call, day: Day) -> tuple[int, int]:
    """Return how short and how long a visit can be planned."""
    vans = [van for van in day.vans if call.required_van in {None, van.id}]
    lengths = [day.planned_s(call, van) for van in vans or (None,)]
    return min(lengths), max(lengths)


def _starts(call: Call, day: Day) -> list[Span]:
    """Return when a visit may start, seconds from the first day's midnight."""
    shortest_s, _ = _lengths(call, day)
    first_s, last_s = _promised(call, day)
    return _on_days(
        call,
        day,
        [
            (max(first_s, span.start_s), min(last_s, span.end_s - shortest_s))
            for span in call.windows
        ]
        or [(first_s, last_s)],
    )


def _ends(call: Call, day: Day) -> list[Span]:
    """Return when a visit may be over, seconds from the first day's midnight."""
    shortest_s, longest_s = _lengths(call, day)
    first_s, last_s = _promised(call, day)
    return _on_days(
        call,
        day,
        [
            (
                max(first_s, span.start_s) + shortest_s,
                min(last_s + longest_s, span.end_s),
            )
            for span in call.windows
        ]
        or [(first_s + shortest_s, last_s + longest_s)],
    )


def _promised(call: Call, day: Day) -> Span:
    promise = call.promise or Window(start_s=0, end_s=0)
    hard = call.promise is not None and not day.promises_may_break
    return promise.start_s, promise.end_s if hard else math.inf


def _on_days(call: Call, day: Day, spans: Iterable[Span]) -> list[Span]:
    """Return the spans that are any, on each of a call's days."""
    return [
        (_later(day, start_s, number), _later(day, end_s, number))
        for start_s, end_s in spans
        if start_s <= end_s
        for number in _numbers(call, day)
    ]


def _later(day: Day, time_s: float, number: int) -> float:
    """Return the same clock time of a later day, seconds from the first midnight."""
    if number == 0 or math.isinf(time_s):
        return time_s
    wall = day.clock.instant(round(time_s)) + timedelta(days=number)
    return (wall - day.clock.midnight()).total_seconds()
