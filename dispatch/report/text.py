"""An answer for the terminal: 80 columns, calm, in the order a day is worked.

Every line makes sense when it is read aloud, nothing is cut off, and nothing that
somebody typed can steer the terminal.
"""

import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dispatch.report.words import (
    SHEET_LIMITS,
    Visit,
    calls_words,
    clean,
    codes_words,
    count,
    date_words,
    due_words,
    group_reasons,
    is_tight,
    join,
    lead_words,
    name_kind,
    name_part,
    name_van,
    place_words,
    promise_words,
    slack_words,
    sort_evening,
    span_words,
    status_words,
    sums_words,
    travel_words,
    visits,
    wait_words,
)
from dispatch.supply import counter_name
from shared.model import (
    Answer,
    Day,
    PickList,
    Purchase,
    Purpose,
    ReadyKind,
    Route,
    Shortage,
    Tonight,
)
from shared.units import cents, money

if TYPE_CHECKING:  # whoever has a van check has imported it
    from dispatch.vancheck import PartCheck, VanCheck

NARROWEST = 72

_BOLD, _PLAIN = "\x1b[1m", "\x1b[0m"
_STOP_COLUMNS = (4, 18, 35, 46, 61)
# The few characters of our own that not every terminal can write.
_SIMPLER = str.maketrans({"─": "-", "\u00d7": "x", "\u00b7": "-"})


def measure(text: str) -> int:
    """Return how many terminal columns a text takes.

    Parameters
    ----------
    text : str
        One line.

    Returns
    -------
    int
        Columns: wide East Asian characters are two, combining marks none.
    """
    if text.isascii():
        return len(text)
    return sum(
        0
        if unicodedata.category(character) in {"Mn", "Me", "Cf"}
        else 2
        if unicodedata.east_asian_width(character) in "WF"
        else 1
        for character in text
    )


def wrap(text: str, width: int) -> list[str]:
    """Return a text broken into lines that fit, at spaces where there are any.

    Parameters
    ----------
    text : str
        Any text; it is cleaned first.
    width : int
        Columns, at least 2.

    Returns
    -------
    list of str
        At least one line. A word longer than a line is broken, never cut off.
    """
    lines: list[str] = []
    line = ""
    for word in clean(text).split(" "):
        joined = f"{line} {word}" if line else word
        if measure(joined) <= width:
            line = joined
            continue
        if line:
            lines.append(line)
        *full, line = _chop(word, width)
        lines.extend(full)
    return [*lines, line]


def _chop(word: str, width: int) -> Iterator[str]:
    piece = ""
    for character in word:
        if piece and measure(piece + character) > width:
            yield piece
            piece = ""
        piece += character
    yield piece


@dataclass(frozen=True, slots=True, kw_only=True)
class _Column:
    """One column of a table; width 0 takes what the others leave."""

    title: str
    width: int
    right: bool = False


_PICK_COLUMNS = (
    _Column(title="Bin", width=8),
    _Column(title="Load", width=4, right=True),
    _Column(title="From van", width=8, right=True),
    _Column(title="Part", width=0),
)


class _Page:
    """Collects lines that are at most ``width`` columns wide."""

    def __init__(self, width: int, encoding: str, *, bold: bool) -> None:
        self.width = max(width, NARROWEST)
        self._encoding = encoding
        self._bold = bold
        self._lines: list[str] = []
        self._rule = self.spell("─" * self.width)

    def spell(self, text: str) -> str:
        """Return text in characters that the terminal can write."""
        text = clean(text)
        if text.isascii():
            return text
        for simpler in (text, text.translate(_SIMPLER)):
            try:
                simpler.encode(self._encoding)
            except UnicodeEncodeError:
                continue
            return simpler
        plain = unicodedata.normalize("NFKD", text.translate(_SIMPLER))
        return (
            "".join(
                character for character in plain if not unicodedata.combining(character)
            )
            .encode(self._encoding, "backslashreplace")
            .decode(self._encoding)
        )

    def gap(self) -> None:
        """Leave one line free, but none under a heading."""
        if self._lines and self._lines[-1] not in {"", self._rule}:
            self._lines.append("")

    def say(
        self,
        text: str,
        indent: int = 0,
        hang: int = 0,
        *,
        mark: str = "",
        bold: bool = False,
    ) -> None:
        """Write a paragraph; later lines hang by so many columns more.

        A mark stands in the indent of the first line.
        """
        start = mark.ljust(indent)
        for line in wrap(self.spell(text), self.width - indent - hang):
            self._write(start + line, bold=bold)
            start = " " * (indent + hang)

    def head(self, title: str) -> None:
        """Write a section's heading with a rule below."""
        self.gap()
        self.say(title, bold=True)
        self._write(self._rule)

    def grid(self, cells: Sequence[str], columns: Sequence[int]) -> None:
        """Write short facts side by side in given columns, or one after another."""
        line, fits = "", True
        for cell, column in zip(cells, columns, strict=False):
            if cell:
                fits = fits and measure(line) < column
                line = line + " " * (column - measure(line)) + self.spell(cell)
        if fits and measure(line) <= self.width:
            self._write(line)
        else:
            self.say("; ".join(cell for cell in cells if cell), columns[0])

    def table(
        self, columns: Sequence[_Column], rows: Iterable[Sequence[str]], indent: int = 2
    ) -> None:
        """Write a table; a long cell goes on in the lines below."""
        spare = self.width - indent - 2 * (len(columns) - 1)
        spare -= sum(column.width for column in columns)
        widths = [column.width or spare for column in columns]
        for row in ([column.title for column in columns], *rows):
            wrapped = [
                wrap(self.spell(cell), width)
                for cell, width in zip(row, widths, strict=True)
            ]
            for number in range(max(map(len, wrapped))):
                cells = []
                for column, lines, width in zip(columns, wrapped, widths, strict=True):
                    words = lines[number] if number < len(lines) else ""
                    space = " " * (width - measure(words))
                    cells.append(space + words if column.right else words + space)
                self._write(" " * indent + "  ".join(cells))

    def _write(self, line: str, *, bold: bool = False) -> None:
        line = line.rstrip()
        self._lines.append(f"{_BOLD}{line}{_PLAIN}" if bold and self._bold else line)

    def text(self) -> str:
        """Return all lines."""
        return "\n".join(self._lines).strip("\n") + "\n"


def plan_text(
    answer: Answer, width: int = 80, *, encoding: str = "utf-8", bold: bool = False
) -> str:
    """Return an answer as text for a terminal or a file.

    Parameters
    ----------
    answer : Answer
        What was planned.
    width : int, optional
        Columns; no line is wider. Less than 72 is taken as 72.
    encoding : str, optional
        What the reader can show, such as ``sys.stdout.encoding``; other characters
        are written in simpler ones.
    bold : bool, optional
        Whether headings carry terminal codes for bold.

    Returns
    -------
    str
        Lines that end in a line feed.
    """
    page = _Page(width, encoding, bold=bold)
    _open(page, answer)
    _vans(page, answer)
    for number, route in enumerate(answer.plan.routes):
        _route(page, answer, route)
        if number < len(answer.pick_lists):
            _picks(page, answer, answer.pick_lists[number])
    _unplaced(page, answer)
    _missing(page, answer)
    _evening(page, answer)
    _close(page, answer)
    return page.text()


def _open(page: _Page, answer: Answer) -> None:
    day = answer.day
    page.say(f"{date_words(day)}, times in {day.zone.key}", bold=True)
    for words in (day.name, day.note):
        if clean(words):
            page.say(words)
    for caution in answer.cautions:
        if caution.emergency:
            page.gap()
            page.say(f"EMERGENCY FIRST. {caution.text}", hang=2, bold=True)
    page.gap()
    page.say(sums_words(answer) + ".")
    if day.calls:
        page.say(status_words(answer.plan))
    _notices(page, day)


def _notices(page: _Page, day: Day) -> None:
    """Say what was left aside: a misspelt 'promise' makes another plan."""
    if day.notices:
        page.gap()
    for notice in day.notices:
        page.say(f"Notice: {notice}", hang=2)


def _vans(page: _Page, answer: Answer) -> None:
    day, routes = answer.day, answer.plan.routes
    if len(routes) > 1:
        clock = day.clock
        drivers = {van.id: van.driver for van in day.vans}
        page.gap()
        page.table(
            (
                _Column(title="Van", width=10),
                _Column(title="Driver", width=0),
                _Column(title="Calls", width=5, right=True),
                _Column(title="Out", width=5),
                _Column(title="Back", width=5),
                _Column(title=day.distance.title(), width=6, right=True),
                _Column(title="Overtime", width=8, right=True),
                _Column(title="Cost", width=8, right=True),
            ),
            (
                (
                    route.van_id,
                    drivers[route.van_id],
                    str(len(route.call_ids)),
                    clock.hhmm(route.leave_s),
                    clock.hhmm(route.finish_s),
                    day.distance.number(route.distance_m),
                    span_words(route.overtime_s) if route.overtime_s else "",
                    money(cents(route.cost_units)),
                )
                for route in routes
            ),
            indent=0,
        )
    out = {route.van_id for route in routes}
    idle = [name_van(van) for van in day.vans if van.id not in out]
    if idle:
        page.gap()
        page.say(f"Without calls: {'; '.join(idle)}.")


def _route(page: _Page, answer: Answer, route: Route) -> None:
    day = answer.day
    clock = day.clock
    van = next(van for van in day.vans if van.id == route.van_id)
    page.head(f"Van {name_van(van)}")
    page.say(
        f"Out {clock.hhmm(route.leave_s)} from {place_words(day, van)}, "
        f"back {clock.hhmm(route.finish_s)} at {place_words(day, van, finish=True)}."
    )
    facts = [
        day.distance.say(route.distance_m),
        f"driving {span_words(route.drive_s)}",
        f"work {span_words(route.work_s)}",
        f"waiting {span_words(route.wait_s)}",
    ]
    if route.overtime_s:
        facts.append(
            f"overtime {span_words(route.overtime_s)} past "
            f"{clock.hhmm(van.shift.end_s)}"
        )
    facts.append(f"cost {money(cents(route.cost_units))}")
    page.say(", ".join(facts) + ".")
    already_there = False
    for visit in visits(day, route):
        page.gap()
        _stop(page, answer, visit, already_there=already_there)
        already_there = visit.call is None and visit.stop.drive_s > 0
    if van.finish is not None:
        page.gap()
        page.say(f"Back to {place_words(day, van, finish=True)}", 4)
        page.grid(
            (
                f"leave {clock.hhmm(route.stops[-1].finish_s)}",
                f"drive {span_words(route.last_drive_s)}",
                day.distance.say(route.last_drive_m),
                f"arrive {clock.hhmm(route.finish_s)}",
            ),
            _STOP_COLUMNS,
        )


def _stop(page: _Page, answer: Answer, visit: Visit, *, already_there: bool) -> None:
    day, stop, call = answer.day, visit.stop, visit.call
    clock = day.clock
    if call is None:
        page.say(f"Break, {span_words(stop.finish_s - stop.start_s)}", 4, bold=True)
    else:
        page.say(
            f"{name_kind(day, call.kind)}, call {call.id}",
            4,
            mark=f"{visit.number:>2}",
            bold=True,
        )
    _arrive(page, day, visit, already_there=already_there)
    if call is None:
        page.grid(
            (
                f"start {clock.hhmm(stop.start_s)}",
                f"finish {clock.hhmm(stop.finish_s)}",
            ),
            _STOP_COLUMNS,
        )
        return
    slack = ""
    if stop.slack_s is not None:
        slack = f"slack {slack_words(stop.slack_s)}"
        if is_tight(day, call, stop):
            slack += ", tight"
    promise = promise_words(day, call)
    fits = measure(promise) < _STOP_COLUMNS[4] - _STOP_COLUMNS[2]
    page.grid(
        (
            f"start {clock.hhmm(stop.start_s)}",
            f"finish {clock.hhmm(stop.finish_s)}",
            promise if fits else "",
            "",
            slack,
        ),
        _STOP_COLUMNS,
    )
    if not fits:
        page.say(promise, 4, 2)
    who = [call.customer, call.place.name, call.phone and f"tel {call.phone}"]
    for words in (
        ", ".join(word for word in who if word),
        call.description,
        call.note and f"Note: {call.note}",
    ):
        if clean(words):
            page.say(words, 4, 2)


def _arrive(page: _Page, day: Day, visit: Visit, *, already_there: bool) -> None:
    stop, clock = visit.stop, day.clock
    wait = wait_words(day, visit)
    beside = wait if measure(wait) <= NARROWEST - _STOP_COLUMNS[4] else ""
    if stop.drive_s:
        page.grid(
            (
                f"leave {clock.hhmm(visit.leave_s)}",
                f"drive {span_words(stop.drive_s)}",
                day.distance.say(stop.drive_m),
                f"arrive {clock.hhmm(stop.arrive_s)}",
                beside,
            ),
            _STOP_COLUMNS,
        )
    elif already_there or wait:
        page.grid(
            (
                f"there {clock.hhmm(stop.arrive_s)}",
                "no drive" if visit.call is not None else "",
                "",
                "",
                beside,
            ),
            _STOP_COLUMNS,
        )
    if wait != beside:
        page.say(wait, 4, 2)


def _picks(page: _Page, answer: Answer, picks: PickList) -> None:
    page.gap()
    if not picks.lines:
        page.say(f"Pick list for {picks.van_id}: no parts.", 2)
        return
    page.say(f"Pick list for {picks.van_id}", 2, bold=True)
    page.table(
        _PICK_COLUMNS,
        (
            (
                line.bin or "no bin",
                str(line.load) if line.load else "-",
                str(line.aboard) if line.aboard else "-",
                pick_words(answer, picks.van_id, number),
            )
            for number, line in enumerate(picks.lines)
        ),
    )


def pick_words(answer: Answer, van_id: str, number: int) -> str:
    """Return what one line of a van's pick list is and what it is for.

    Parameters
    ----------
    answer : Answer
        Holds the pick lists.
    van_id : str
        The van.
    number : int
        Position of the line, from 0.

    Returns
    -------
    str
        Name and id, the calls, the spares, and what it stands in for.
    """
    picks = next(picks for picks in answer.pick_lists if picks.van_id == van_id)
    line = picks.lines[number]
    uses = [f"for {calls_words(line.call_ids)}"] if line.call_ids else []
    if line.spares:
        uses.append(count(line.spares, "spare"))
    uses.extend(
        f"instead of {name_part(answer.day, part_id)} ({part_id})"
        for part_id in line.instead_of
    )
    if line.note:
        uses.append(line.note)
    return f"{line.name} ({line.part_id}): {', '.join(uses)}".removesuffix(": ")


def _unplaced(page: _Page, answer: Answer) -> None:
    day = answer.day
    if not answer.plan.unplaced:
        return
    calls = {call.id: call for call in day.calls}
    page.head(f"Not planned: {count(len(answer.plan.unplaced), 'call')}")
    for unplaced in answer.plan.unplaced:
        call = calls[unplaced.call_id]
        page.gap()
        page.say(
            f"{call.id}, {name_kind(day, call.kind)}, priority {call.priority}",
            2,
            bold=True,
        )
        who = [call.customer, call.place.name, call.phone and f"tel {call.phone}"]
        page.say(", ".join(word for word in who if word) or "no name given", 4, 2)
        if clean(call.description):
            page.say(call.description, 4, 2)
        page.say(promise_words(day, call), 4, 2)
        for why in group_reasons(day, unplaced):
            text = f"{why.who}: {why.text}" if why.who else why.text
            page.say(text, 6, mark="    -")
            if why.remedy:
                page.say(f"would help: {why.remedy}", 6, 2)


def _missing(page: _Page, answer: Answer) -> None:
    if not answer.shortages and not answer.purchases:
        return
    page.head("Parts to get")
    if answer.shortages:
        page.gap()
        page.say("Short", 2, bold=True)
        for short in answer.shortages:
            _short(page, short, 4, answer.day)
    if answer.purchases:
        total = money(sum(purchase.cost_cents for purchase in answer.purchases))
        page.gap()
        page.say(f"Buy, {total} in all", 2, bold=True)
        for purchase in answer.purchases:
            page.say(
                f"{purchase.quantity} \u00d7 {purchase.name} ({purchase.part_id}), "
                f"{money(purchase.cost_cents)}",
                4,
                2,
            )
            for words in _purchase_words(answer.day, purchase):
                page.say(words, 6, 2)


def _short(page: _Page, short: Shortage, indent: int, day: Day) -> None:
    missing = f"; {count(short.spares, 'spare')} missing" if short.spares else ""
    page.say(
        f"{short.name} ({short.part_id}): {short.wanted} wanted, "
        f"{short.available} in the vans and the shop{missing}",
        indent,
        2,
    )
    if short.call_ids:
        page.say(f"needed for {calls_words(short.call_ids)}", indent + 2, 2)
    if short.elsewhere:
        held = join(
            f"{number} at {counter_name(day, store)}"
            for store, number in short.elsewhere
        )
        page.say(f"elsewhere: {held}", indent + 2, 2)


def _purchase_words(day: Day, purchase: Purchase) -> tuple[str, ...]:
    """Return what a purchase is for, where it is, and when it can be here."""
    words = []
    if purchase.purpose is Purpose.SPARE:
        uses = f" for {calls_words(purchase.call_ids)}" if purchase.call_ids else ""
        words.append(f"spare{'' if purchase.quantity == 1 else 's'}{uses}")
    elif purchase.call_ids:
        words.append(f"needed for {calls_words(purchase.call_ids)}")
    lead = (
        f"lead time {lead_words(purchase.lead_time_s)}"
        if purchase.lead_time_s is not None
        else "lead time not known"
    )
    in_time = {True: ", in time", False: ", too late for this day", None: ""}
    where = f"at {counter_name(day, purchase.where)}, " if purchase.where else ""
    words.append(where + lead + in_time[purchase.in_time])
    return tuple(words)


def _evening(page: _Page, answer: Answer) -> None:
    if not answer.tonight:
        return
    evening = sort_evening(answer)
    page.head("Tonight")
    for title, entries in (
        (codes_words(evening), evening.codes),
        ("Customers to ask", evening.customers),
        ("For the drivers", evening.drivers),
    ):
        if entries:
            page.gap()
            page.say(title, 2, bold=True)
            _errands(page, answer, entries)


def _errands(page: _Page, answer: Answer, entries: Sequence[Tonight]) -> None:
    calls: dict[str, list[Tonight]] = {}
    for entry in entries:
        calls.setdefault(entry.call_id, []).append(entry)
    margin = 4 + max(measure(page.spell(call_id)) for call_id in calls) + 2
    for call_id, own in calls.items():
        indent = margin if margin < page.width // 3 else 4
        mark = f"    {page.spell(call_id)}" if indent == margin else ""
        if not mark:
            page.say(call_id, 4)
        asks = [entry.ask for entry in own]
        opening = _opening(asks)
        if opening:
            page.say(opening, indent, mark=mark)
            mark, indent = "", indent + 2
        for entry, ask in zip(own, asks, strict=True):
            start = mark or ("-".rjust(indent - 1) if opening else "")
            page.say(ask.removeprefix(opening), indent, mark=start)
            mark = ""
            if entry.by_s is not None and entry.item.lead_time_s:
                due = due_words(answer.day, entry.by_s)
                if entry.item.kind is ReadyKind.CODE:  # the ask says how long it takes
                    by = f"order {due}"
                else:
                    takes = lead_words(entry.item.lead_time_s)
                    by = f"start {due}, it takes {takes}"
                page.say(by, indent)


def _opening(asks: Sequence[str]) -> str:
    """Return the words that all asks of one call begin with, up to a colon."""
    if len(asks) < 2:  # noqa: PLR2004 - nothing is said twice
        return ""
    first = asks[0]
    heads = [first[: colon.end()] for colon in re.finditer(": ", first)]
    shared = [head for head in heads if all(ask.startswith(head) for ask in asks)]
    return max(shared, key=len, default="")


def _close(page: _Page, answer: Answer) -> None:
    others = [caution for caution in answer.cautions if not caution.emergency]
    if others:
        page.head("Take care")
        for caution in others:
            words = clean(caution.text).rstrip(".")
            source = f" ({clean(caution.source)})" if caution.source else ""
            page.say(f"{words}{source}.", 4, mark="  -")
    page.head("About this plan")
    for words in (*travel_words(answer.day), SHEET_LIMITS):
        page.say(words, 2)


def check_text(
    day: Day,
    check: "VanCheck",
    width: int = 80,
    *,
    encoding: str = "utf-8",
    bold: bool = False,
) -> str:
    """Return a van check as text for a terminal or a file.

    Parameters
    ----------
    day : Day
        The day that was looked at.
    check : VanCheck
        What was found.
    width : int, optional
        Columns; no line is wider. Less than 72 is taken as 72.
    encoding : str, optional
        What the reader can show; other characters are written in simpler ones.
    bold : bool, optional
        Whether headings carry terminal codes for bold.

    Returns
    -------
    str
        Lines that end in a line feed.
    """
    page = _Page(width, encoding, bold=bold)
    page.say(
        "Van check: every call has a van with all it needs."
        if check.ready
        else "Van check: not everything is there yet.",
        bold=True,
    )
    _notices(page, day)
    if check.moves:
        page.head("Hand over before leaving")
        for move in check.moves:
            page.say(
                f"{move.quantity} \u00d7 {move.name} ({move.part_id}), from "
                f"{move.from_van} to {move.to_van}, for call {move.call_id}",
                4,
                mark="  -",
            )
    for van in check.vans:
        driver = clean(van.driver)
        page.head(f"Van {van.van_id}" + (f", {driver}" if driver else ""))
        page.say(f"{van.text[:1].upper()}{van.text[1:]}.")
        if van.parts:
            page.gap()
            page.table(
                _PICK_COLUMNS,
                (
                    (
                        part.bin or "no bin",
                        str(part.load) if part.load else "-",
                        str(part.aboard) if part.aboard else "-",
                        _part_words(part),
                    )
                    for part in van.parts
                ),
            )
    if check.calls:
        page.head("Calls not tied to one van")
        alike: dict[str, list[str]] = {}
        for call in check.calls:
            alike.setdefault(call.text, []).append(call.call_id)
        for text, call_ids in alike.items():
            page.say(f"{join(call_ids)}: {text}", 4, mark="  -")
    if check.short:
        page.head("Too few, all vans and the shop together")
        for short in check.short:
            _short(page, short, 2, day)
    return page.text()


def _part_words(part: "PartCheck") -> str:
    words = [f"for {calls_words(part.call_ids)}"] if part.call_ids else []
    if part.instead_of:
        words.append(f"instead of {join(part.instead_of)}")
    if part.spares:
        spare = count(part.spares, "spare")
        lacking = f", {part.spares_lacking} of them missing"
        words.append(spare + " wanted" + lacking * bool(part.spares_lacking))
    return f"{part.name} ({part.part_id}): {', '.join(words)}".removesuffix(": ")
