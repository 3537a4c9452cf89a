"""A log of done jobs: read whole, odd rows set aside and counted, nothing guessed.

A row that cannot be right is set aside with its reason; only what would make the whole
log unsafe is a fault: a date format that could be read two ways, columns that are
swapped. Every distinct cell is understood once, so that 300,000 rows take seconds.
"""

import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dispatch.scenario import cells
from dispatch.scenario.cells import FIRST_YEAR, LAST_YEAR, Refused
from dispatch.scenario.source import (
    Findings,
    Tree,
    column_name,
    is_it,
    read_cells,
    read_tree,
    shown,
)
from shared.errors import Fault, InvalidInput
from shared.trade import work

LOG, SETTINGS = "log.csv", "log.toml"
COLUMNS = (
    "kind",
    "group",
    "driver",
    "date",
    "start",
    "finish",
    "minutes",
    "outcome",
    "note",
    "call",
    "van",
    "description",
    "parts",
    "promise",
    "chance",
    "left",
    "arrived",
    "from_lat",
    "from_lon",
    "to_lat",
    "to_lon",
    "km",
)
OUTCOMES = ("done", "given up", "aborted")
ORDERS = ("day first", "month first")
LONGEST_S = 24 * 3600
LONGEST_DRIVE_S = 6 * 3600
SWAPPED_SHARE = 0.5  # own choice: from here on it is the column, not the row
LEAST_TO_JUDGE = 4  # rows; of fewer nobody can say that a column is swapped
EXAMPLES = 3
AGREE_S = 90  # minutes beside start and finish are rounded

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_DAY_S = 24 * 3600
_NONE = -(1 << 40)  # no such part of a moment
_EPOCH = date(1970, 1, 1).toordinal()
_SIGNS = "/-"  # between day and month: which comes first differs by country
_DATE = re.compile(
    r"(?P<y>[0-9]{4})(?P<ysep>[-/.])(?P<ym>[0-9]{1,2})(?P=ysep)(?P<yd>[0-9]{1,2})"
    r"|(?P<a>[0-9]{1,2})(?P<sep>[-/.])(?P<b>[0-9]{1,2})(?P=sep)(?P<c>[0-9]{4})"
)
_CLOCK = re.compile(
    r"(?P<h>[0-9]{1,2})[:.](?P<m>[0-9]{2})(?:[:.](?P<s>[0-9]{2})(?:[.,][0-9]+)?)?"
    r"(?: ?(?P<half>[ap])\.?m\.?)?"
    r" ?(?P<off>Z|[+-][0-9]{2}:?[0-9]{2})?",
    re.IGNORECASE,
)
_PIECES = re.compile(r"(\S+)(?:\s+x\s*([1-9][0-9]{0,5}))?")
_MOMENT_WORDS = "a moment such as 2026-03-25 14:30, or 14:30 beside a date"


@dataclass(frozen=True, slots=True, kw_only=True)
class Aside:
    """Rows that were set aside for one reason.

    Parameters
    ----------
    reason : str
        In plain words.
    rows : int
        How many, at least 1.
    examples : tuple of Fault
        The first of them, at most 3.
    """

    reason: str
    rows: int
    examples: tuple[Fault, ...]


class Visits(NamedTuple):
    """Done visits, one entry each, in the order of the file.

    Parameters
    ----------
    line : int64 array
        Line of the file.
    kind : int64 array
        Index into the log's ``kinds``.
    group, driver : int64 array
        Index into the log's ``groups`` and ``drivers``; -1: nothing stands there.
    length_s : float64 array
        Seconds, more than 0, at most a day.
    unfinished : bool array
        Given up or aborted: the work would have taken longer than ``length_s``.
    day : int64 array
        Days since 1970-01-01 of the start.
    start_s : int64 array
        Seconds of the local day of the start; -1 where only the length is known.
    promise_start_s, promise_end_s : int64 array
        The window told, seconds of the local day; -1: none.
    chance : float64 array
        The chance that was quoted for it, 0 to 1; NaN: none.
    """

    line: Ints
    kind: Ints
    group: Ints
    driver: Ints
    length_s: Floats
    unfinished: Flags
    day: Ints
    start_s: Ints
    promise_start_s: Ints
    promise_end_s: Ints
    chance: Floats


class Drives(NamedTuple):
    """Logged drives, one entry each.

    Parameters
    ----------
    line : int64 array
        Line of the file.
    left_s : int64 array
        Second of the local day of setting off.
    drive_s : int64 array
        Seconds until arrival, more than 0.
    from_deg, to_deg : float64 array, shape (n, 2)
        Latitude and longitude; NaN where only the kilometres are known.
    road_m : float64 array
        Metres by the vehicle's own counter; NaN: not logged.
    base_s : float64 array or None
        Seconds that a road network takes for it on empty roads; NaN: not asked, or no
        way. ``None``: there is no network.
    """

    line: Ints
    left_s: Ints
    drive_s: Ints
    from_deg: Floats
    to_deg: Floats
    road_m: Floats
    base_s: Floats | None = None


class Uses(NamedTuple):
    """Parts that visits used up, one entry for each part of a visit.

    Parameters
    ----------
    visit : int64 array
        Index into the visits.
    part : int64 array
        Index into the log's ``parts``.
    quantity : int64 array
        Pieces, at least 1.
    """

    visit: Ints
    part: Ints
    quantity: Ints


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JobLog:
    """What a log says.

    Parameters
    ----------
    kinds, groups, drivers : tuple of str
        The words that the visits' indices point to.
    visits : Visits
        Done visits.
    drives : Drives
        Logged drives.
    rows : int
        How many rows the file has, blank ones left out.
    aside : tuple of Aside
        Why rows are not among the visits, most rows first; each row counts once.
    aside_drives : tuple of Aside
        The same for the drives of rows that name one.
    notices : tuple of str
        What was decided, and from what.
    estimates : mapping of str to (int, int, int)
        Kind id to what the firm reckons with: least, most likely and most seconds.
    parts : tuple of str
        Part ids as the log writes them.
    uses : Uses or None
        What the visits used up; ``None``: the log has no column of parts.
    """

    kinds: tuple[str, ...]
    groups: tuple[str, ...]
    drivers: tuple[str, ...]
    visits: Visits
    drives: Drives
    rows: int
    aside: tuple[Aside, ...] = ()
    aside_drives: tuple[Aside, ...] = ()
    notices: tuple[str, ...] = ()
    estimates: Mapping[str, tuple[int, int, int]] = field(default_factory=dict)
    parts: tuple[str, ...] = ()
    uses: Uses | None = None


def empty_log() -> JobLog:
    """Return a log without rows.

    Returns
    -------
    JobLog
        Nothing in it.
    """
    none, nothing = np.zeros(0, np.int64), np.zeros(0)
    return JobLog(
        kinds=tuple(work()),
        groups=(),
        drivers=(),
        visits=Visits(
            none,
            none,
            none,
            none,
            nothing,
            np.zeros(0, np.bool_),
            none,
            none,
            none,
            none,
            nothing,
        ),
        drives=Drives(none, none, none, np.zeros((0, 2)), np.zeros((0, 2)), nothing),
        rows=0,
    )


def read_log(folder: Path, zone: ZoneInfo) -> JobLog:
    """Return the log of a folder.

    Parameters
    ----------
    folder : Path
        Holds ``log.csv`` and perhaps ``log.toml``; the format is described in
        ``demo_scenarios/README.md``.
    zone : ZoneInfo
        Whose clock times without an offset are.

    Returns
    -------
    JobLog
        Empty when there is no ``log.csv``.

    Raises
    ------
    InvalidInput
        When the file cannot be read, lacks columns, or could be read two ways.
    """
    findings = Findings()
    settings = _read_settings(folder / SETTINGS, findings)
    if not (folder / LOG).exists() and not findings.faults:
        return replace(empty_log(), estimates=settings.estimates)
    frame = read_cells(folder / LOG, findings)
    sheet = None if frame is None else _lay_out(frame, settings, findings)
    if sheet is None or findings.faults:
        raise InvalidInput(findings.faults)
    return _Reader(sheet=sheet, settings=settings, zone=zone, findings=findings).read()


def read_log_for_planning(folder: Path, zone: ZoneInfo) -> JobLog:
    """Return the log of a folder, as far as planning learns from it.

    Parameters
    ----------
    folder, zone : Path, ZoneInfo
        As for :func:`read_log`.

    Returns
    -------
    JobLog
        Empty for a log of used parts alone, and where there is none.

    Raises
    ------
    InvalidInput
        When a log that tells lengths could be read two ways, or not at all.
    """
    return read_log(folder, zone) if _tells_lengths(folder) else empty_log()


def _tells_lengths(folder: Path) -> bool:
    """Return whether a folder's log says anything about how long visits took.

    ``False`` for a log of used parts alone, and where there is none: neither a kind of
    work nor a time stands in its header.
    """
    findings = Findings()
    settings = _read_settings(folder / SETTINGS, findings)
    if not (folder / LOG).exists():
        return bool(settings.estimates or findings.faults)
    frame = read_cells(folder / LOG, findings)
    if frame is None or frame.empty or findings.faults:
        return True  # what is wrong with it is said when it is read
    filled = (frame != "").any(axis=1)
    header = [column_name(str(cell)) for cell in frame[filled].iloc[:1].to_numpy().flat]
    names = {settings.columns.get(name, name) for name in header}
    return bool(names & {"kind", "start", "finish", "minutes"})


@dataclass(frozen=True, slots=True, kw_only=True)
class _Settings:
    """How this firm's log is written: ``log.toml``."""

    columns: Mapping[str, str] = field(default_factory=dict)
    kinds: Mapping[str, str] = field(default_factory=dict)
    outcomes: Mapping[str, str] = field(default_factory=dict)
    order: str = ""
    zone: ZoneInfo | None = None
    estimates: Mapping[str, tuple[int, int, int]] = field(default_factory=dict)


def _read_settings(path: Path, findings: Findings) -> _Settings:
    if not path.exists():
        return _Settings()
    tree = read_tree(path, findings, why="how log.csv is written")
    if tree is None:
        return _Settings()
    head = tree.row(("dates", "zone"), ("columns", "kinds", "outcomes", "estimates"))
    points = tree.table("estimates")
    guesses = points.row(tuple(points.values)) if points is not None else None
    for name in guesses.cells if guesses is not None else ():
        if name not in work() and guesses is not None:
            guesses.refuse(name, shown(name), f"a kind{cells.nearest(name, work())}")
    return _Settings(
        columns={
            column_name(theirs): ours
            for ours, theirs in _words(tree, "columns", keys=COLUMNS).items()
        },
        kinds={
            key.casefold(): word
            for key, word in _words(tree, "kinds", values=work()).items()
        },
        outcomes={
            key.casefold(): word
            for key, word in _words(tree, "outcomes", values=OUTCOMES).items()
        },
        order=head.read(
            "dates", cells.one_of(ORDERS, "'day first', 'month first'"), ""
        ),
        zone=head.read("zone", cells.time_zone, None),
        estimates={
            name: guesses.demand(name, _three, (60, 60, 60)) for name in guesses.cells
        }
        if guesses is not None
        else {},
    )


def _three(text: str) -> tuple[int, int, int]:
    """Return least, most likely and most of a length, in seconds."""
    said = [cells.visit_length(word) for word in cells.words(text)]
    if len(said) != 3 or said != sorted(said):  # noqa: PLR2004 - three points
        raise Refused("three lengths in minutes: least, most likely, most")
    return said[0], said[1], said[2]


def _words(
    tree: Tree,
    key: str,
    *,
    keys: Iterable[str] | None = None,
    values: Iterable[str] | None = None,
) -> dict[str, str]:
    """Return a table of words; one side of each is one of ours."""
    table = tree.table(key)
    if table is None:
        return {}
    row = table.row(tuple(table.values))
    found = {}
    for name in row.cells:
        if keys is not None and name not in (known := tuple(keys)):
            row.refuse(
                name,
                shown(name),
                f"one of our columns: {', '.join(known)}{cells.nearest(name, known)}",
            )
        allowed = None if values is None else cells.one_of(values, "one of our words")
        found[name] = row.demand(name, allowed or str, "")
    return found


class _Sheet(NamedTuple):
    """The rows below the header."""

    columns: Mapping[str, NDArray[np.object_]]
    line: Ints
    crowded: Flags  # more cells than the header


def _lay_out(
    frame: pd.DataFrame, settings: _Settings, findings: Findings
) -> _Sheet | None:
    """Return the columns by name, stripped, without blank rows."""
    raw, filled = [], np.zeros(len(frame), np.bool_)
    breaks = np.zeros(len(frame), np.int64)  # within cells: they count as lines too
    for number in frame.columns:
        texts = frame[number].to_list()
        stripped = np.empty(len(texts), object)
        stripped[:] = [text.strip() for text in texts]
        raw.append(stripped)
        filled |= stripped != ""
        for row in [row for row, text in enumerate(texts) if "\n" in text]:
            breaks[row] += texts[row].count("\n")
    at = np.flatnonzero(filled)
    line = 1 + np.arange(len(frame)) + np.cumsum(breaks) - breaks
    header = [column_name(str(column[at[0]])) for column in raw]
    while header and not header[-1]:
        header.pop()
    names = _names(header, int(line[at[0]]), settings, findings)
    if findings.faults:
        return None
    body = at[1:]
    crowded = np.zeros(len(body), np.bool_)
    for column in raw[len(names) :]:
        crowded |= column[body] != ""
    return _Sheet(
        columns={
            name: column[body]
            for name, column in zip(names, raw, strict=False)
            if name in COLUMNS
        },
        line=line[body].astype(np.int64),
        crowded=crowded,
    )


def _names(
    header: list[str], place: int, settings: _Settings, findings: Findings
) -> list[str]:
    """Return our names of the columns, having noted what is odd about them."""
    names = [settings.columns.get(name, name) for name in header]

    def refuse(column: str | None, got: str, expected: str) -> None:
        findings.faults.append(
            Fault(file=LOG, row=place, column=column, got=got, expected=expected)
        )

    for name in dict.fromkeys(names):
        if name and names.count(name) > 1:
            refuse(name, "the same column twice", "each column once")
    for theirs, ours in settings.columns.items():
        if theirs not in header:
            findings.faults.append(
                Fault(
                    file=SETTINGS,
                    column=f"columns.{ours}",
                    got=shown(theirs),
                    expected=f"a column of {LOG}: {', '.join(header[:12])}",
                )
            )
    strangers = [name for name in names if name and name not in COLUMNS]
    if "kind" not in names:
        refuse("kind", "no such column", f"a column 'kind'{is_it('kind', strangers)}")
    if "minutes" not in names and not {"start", "finish"} <= set(names):
        missing = [name for name in ("start", "finish") if name not in names]
        guess = "".join(is_it(name, strangers) for name in missing)
        refuse(
            " and ".join(missing),
            "no such column",
            f"columns 'start' and 'finish', or a column 'minutes'{guess}; where yours "
            f"have other names, {SETTINGS} says which is which",
        )
    findings.notices += [
        f"{LOG}: column {shown(name)} is not known and was left aside"
        + cells.nearest(name, (known for known in COLUMNS if known not in names))
        for name in strangers
    ]
    return names


class _Moments(NamedTuple):
    """A column of moments, its parts still apart."""

    sound: Flags  # empty or understood
    dated: Flags
    sign: Ints  # 0: year first or full stops, 1 + place in _SIGNS otherwise
    first: Ints  # year, month, day where the sign is 0; else as they stand
    second: Ints
    third: Ints
    clock_s: Ints
    offset_s: Ints


@lru_cache(maxsize=100_000)
def _read_date(text: str) -> tuple[int, int, int, int] | None:
    """Return the sign and three parts of a date."""
    match = _DATE.fullmatch(text)
    if match is None:
        return None
    if match["y"]:
        return 0, int(match["y"]), int(match["ym"]), int(match["yd"])
    first, second, year = int(match["a"]), int(match["b"]), int(match["c"])
    if match["sep"] == ".":  # the day comes first wherever full stops are used
        return 0, year, second, first
    return 1 + _SIGNS.index(match["sep"]), first, second, year


@lru_cache(maxsize=100_000)
def _read_clock(text: str) -> tuple[int, int] | None:
    """Return the second of the day and the offset."""
    match = _CLOCK.fullmatch(text)
    if match is None:
        return None
    hour, minute, second = (int(match[key] or 0) for key in ("h", "m", "s"))
    if minute > 59 or second > 59 or hour > 47:  # noqa: PLR2004 - of a clock
        return None
    if match["half"]:
        if not 1 <= hour <= 12:  # noqa: PLR2004 - of half a day
            return None
        hour = hour % 12 + 12 * (match["half"].lower() == "p")
    offset_s = _NONE
    if match["off"]:
        offset_s = 0
        if match["off"].upper() != "Z":
            digits = match["off"][1:].replace(":", "")
            offset_s = int(digits[:2]) * 3600 + int(digits[2:]) * 60
            offset_s *= -1 if match["off"][0] == "-" else 1
    return hour * 3600 + minute * 60 + second, offset_s


_NO_DATE = (_NONE, _NONE, _NONE, _NONE)
_NO_CLOCK = (_NONE, _NONE)


def _moment(text: str) -> tuple[int, ...] | None:
    """Return what a cell says: sign, three parts of a date, clock and offset."""
    left, _, right = text.partition("T" if "T" in text else " ")
    day = _read_date(left)
    if day is None:  # a clock time, which may hold a space itself
        clock = _read_clock(text)
        return None if clock is None else _NO_DATE + clock
    if not right:
        return day + _NO_CLOCK
    clock = _read_clock(right.strip())
    return None if clock is None else day + clock


def _moments(column: NDArray[np.object_]) -> _Moments:
    codes, words = pd.factorize(column)
    blank = (_NONE,) * 6
    said = [_moment(str(word)) if word else blank for word in words]
    sound = np.array([each is not None for each in said], np.bool_)
    table = np.array([each or blank for each in said], np.int64).reshape(-1, 6)[codes]
    return _Moments(
        sound[codes] if len(words) else np.zeros(0, np.bool_),
        table[:, 0] != _NONE,
        *(table[:, number] for number in range(6)),
    )


def _days(year: Ints, month: Ints, day: Ints) -> Ints:
    """Return days since 1970, _NONE for no such date; each date is looked at once."""
    key = year * 10_000 + month * 100 + day
    words, codes = np.unique(key, return_inverse=True)
    found = np.full(len(words), _NONE, np.int64)
    for number, word in enumerate(words.tolist()):
        try:
            when = date(word // 10_000, word // 100 % 100, word % 100)
        except (ValueError, OverflowError):
            continue
        if FIRST_YEAR <= when.year <= LAST_YEAR:
            found[number] = when.toordinal() - _EPOCH
    return found[codes]


class _Stamp(NamedTuple):
    """A column of moments, understood."""

    utc_s: Ints  # seconds since 1970 in UTC, _NONE where unknown
    day: Ints  # local
    clock_s: Ints  # local second of that day


@dataclass(slots=True, kw_only=True)
class _Reader:
    """One pass over a log; sets rows aside as it goes."""

    sheet: _Sheet
    settings: _Settings
    zone: ZoneInfo
    findings: Findings
    aside: dict[str, Aside] = field(default_factory=dict)
    good: Flags = field(init=False)

    def __post_init__(self) -> None:
        self.good = np.ones(len(self.sheet.line), np.bool_)
        if self.settings.zone is not None:
            self.zone = self.settings.zone

    def column(self, name: str) -> NDArray[np.object_]:
        """Return a column, empty cells where it is missing."""
        if name in self.sheet.columns:
            return self.sheet.columns[name]
        return np.full(len(self.sheet.line), "", dtype=object)

    def set_aside(self, rows: Flags, reason: str, column: str, right: str) -> None:
        """Set rows aside that are not aside yet."""
        fresh = np.flatnonzero(rows & self.good)
        if not len(fresh):
            return
        cell = self.column(column.split(" ", maxsplit=1)[0])
        extra = self.column(column.rsplit(" ", maxsplit=1)[-1])
        pair = " " in column
        examples = tuple(
            Fault(
                file=LOG,
                row=int(self.sheet.line[at]),
                column=column,
                got=shown(str(cell[at])) + (f", {shown(str(extra[at]))}" * pair),
                expected=right,
            )
            for at in fresh[:EXAMPLES]
        )
        self.good[fresh] = False
        before = self.aside.get(reason)
        self.aside[reason] = Aside(
            reason=reason,
            rows=len(fresh) + (before.rows if before else 0),
            examples=((before.examples if before else ()) + examples)[:EXAMPLES],
        )

    def read(self) -> JobLog:
        """Return the log."""
        rows = len(self.sheet.line)
        if rows == 0:
            self.findings.notices.append(f"{LOG}: no row below the header")
        names = ("date", "start", "finish", "left", "arrived")
        parsed = {name: _moments(self.column(name)) for name in names}
        self.set_aside(
            self.sheet.crowded,
            "more cells than the header has columns",
            "kind",
            'a cell that holds a separator in quotation marks, "..."',
        )
        kind = self._kinds()
        order = self._orders(parsed)
        days = {name: self._day(parsed[name], order) for name in names}
        self._complain()
        offsets = self._offsets(parsed)
        start, finish = self._span(("start", "finish"), parsed, days, drives=False)
        length_s = self._lengths(start, finish)
        unfinished = self._outcomes()
        self._twice()
        promise = self._promises()
        chance = self._numbers("chance", cells.share, "a chance such as 90%")
        group, groups = self._codes("group")
        driver, drivers = self._codes("driver")
        keep = np.flatnonzero(self.good)
        local = (start.utc_s != _NONE) & ~offsets
        visits = Visits(
            self.sheet.line[keep],
            kind[keep],
            group[keep],
            driver[keep],
            length_s[keep],
            unfinished[keep],
            start.day[keep],
            np.where(local, start.clock_s, -1)[keep],
            promise[0][keep],
            promise[1][keep],
            chance[keep],
        )
        aside = self._told()
        parts, uses = self._uses(keep)
        drives = self._drives(parsed, days, offsets)
        self._complain()
        return JobLog(
            kinds=tuple(work()),
            groups=groups,
            drivers=drivers,
            visits=visits,
            drives=drives,
            rows=rows,
            aside=aside,
            aside_drives=self._told(),
            notices=tuple(dict.fromkeys(self.findings.notices)),
            estimates=self.settings.estimates,
            parts=parts,
            uses=uses,
        )

    def _told(self) -> tuple[Aside, ...]:
        told = sorted(self.aside.values(), key=lambda aside: -aside.rows)
        self.aside = {}
        return tuple(told)

    def _complain(self) -> None:
        if self.findings.faults:
            raise InvalidInput(self.findings.faults)

    def _kinds(self) -> Ints:
        """Return the index of each row's kind; unknown ones are set aside."""
        known = {key: number for number, key in enumerate(work())}
        named = {each.name.casefold(): each.id for each in work().values()}

        def find(text: str) -> int:
            folded = text.casefold()
            word = self.settings.kinds.get(folded) or named.get(folded)
            return known.get(word or cells.term(text), -1)

        codes, words = pd.factorize(self.column("kind"))
        found = np.array([find(str(word)) for word in words], np.int64)
        kind = found[codes] if len(words) else np.zeros(0, np.int64)
        unknown = kind < 0
        if len(kind) >= LEAST_TO_JUDGE and unknown.mean() >= SWAPPED_SHARE:
            for name in self.sheet.columns:
                if name == "kind":
                    continue
                fits = sum(
                    count
                    for word, count in Counter(self.column(name).tolist()).items()
                    if word and find(word) >= 0
                )
                if fits >= SWAPPED_SHARE * len(kind):
                    self._fault(
                        "kind",
                        f"no kind of work in {int(unknown.sum())} of {len(kind)} rows, "
                        f"but kinds of work in the column '{name}'",
                        "columns under their own names: these two look swapped",
                    )
        self.set_aside(
            unknown,
            "a kind of work that is not known",
            "kind",
            f"a kind that `keyround kinds` prints, or {SETTINGS} [kinds] to say which "
            "of them it is",
        )
        return kind

    def _fault(
        self, column: str, got: str, expected: str, row: int | None = None
    ) -> None:
        self.findings.faults.append(
            Fault(file=LOG, row=row, column=column, got=got, expected=expected)
        )

    def _orders(self, parsed: Mapping[str, _Moments]) -> dict[int, str]:
        """Return for each sign whether the day or the month comes first.

        Known from the settings, or shown by rows whose date works one way only. An
        empty word: rows show both, so only those that show it are kept.
        """
        order = {}
        for place, sign in enumerate(_SIGNS, 1):
            rows, seen, sample = self._shown(parsed, place)
            if not rows:
                continue
            shown_by = [word for word in ORDERS if word in seen]
            if self.settings.order:
                order[place] = self.settings.order
            elif len(shown_by) == 1:
                order[place] = shown_by[0]
                self.findings.notices.append(
                    f"{LOG}: dates with '{sign}' read {shown_by[0]}, as line "
                    f"{seen[shown_by[0]]} shows"
                )
            elif shown_by:
                order[place] = ""
                self.findings.notices.append(
                    f"{LOG}: of dates with '{sign}' some are day first (line "
                    f"{seen[ORDERS[0]]}), some month first (line {seen[ORDERS[1]]}): "
                    "only those that work one way are used"
                )
            elif sample is not None:
                line, name, cell = sample
                self._fault(
                    name,
                    f"{shown(cell)}, and no date that tells day from month",
                    f"dates such as 2026-03-04, or {SETTINGS} with "
                    "dates = 'day first' or dates = 'month first'",
                    line,
                )
            else:  # 4/4/2026 is the same both ways
                order[place] = ORDERS[0]
        return order

    def _shown(
        self, parsed: Mapping[str, _Moments], place: int
    ) -> tuple[int, dict[str, int], tuple[int, str, str] | None]:
        """Return how many dates have a sign, where orders show, and an unclear one."""
        rows, seen = 0, dict[str, int]()
        sample: tuple[int, str, str] | None = None
        for name, said in parsed.items():
            mine = said.sign == place
            rows += int(mine.sum())
            for shows, one, other in (
                (ORDERS[0], said.first, said.second),
                (ORDERS[1], said.second, said.first),
            ):
                at = np.flatnonzero(mine & (one > 12) & (other <= 12))  # noqa: PLR2004
                if len(at):
                    seen.setdefault(shows, int(self.sheet.line[at[0]]))
            at = np.flatnonzero(mine & (said.first != said.second))
            if len(at) and sample is None:
                line = int(self.sheet.line[at[0]])
                sample = line, name, str(self.column(name)[at[0]])
        return rows, seen, sample

    def _day(self, said: _Moments, order: Mapping[int, str]) -> tuple[Ints, Flags]:
        """Return a column's days, and which cells could be read both ways."""
        year, month, day = said.first.copy(), said.second.copy(), said.third.copy()
        vague = np.zeros(len(year), np.bool_)
        for place, word in order.items():
            mine = said.sign == place
            swap = np.full(len(year), word == ORDERS[1])
            if not word:
                swap = said.second > 12  # noqa: PLR2004 - no month
                vague |= mine & (said.first <= 12) & (said.second <= 12)  # noqa: PLR2004
                vague &= said.first != said.second
            year = np.where(mine, said.third, year)
            month = np.where(mine, np.where(swap, said.first, said.second), month)
            day = np.where(mine, np.where(swap, said.second, said.first), day)
        found = np.full(len(year), _NONE, np.int64)
        at = np.flatnonzero(said.dated)
        found[at] = _days(year[at], month[at], day[at])
        return found, vague

    def _offsets(self, parsed: Mapping[str, _Moments]) -> Flags:
        """Return rows whose clock is not known: others show foreign offsets.

        Times with an offset are what they say. Where some offsets are foreign to the
        firm's zone, a time without one may be either clock: how long something took
        is known all the same, when it was is not.
        """
        start = parsed["start"]
        has = start.offset_s != _NONE
        bare = (start.clock_s != _NONE) & ~has
        if not has.any():
            return np.zeros(len(has), np.bool_)
        found, counts = np.unique(start.offset_s[has], return_counts=True)
        words = ", ".join(
            f"{_offset_words(int(offset))} in {count} rows"
            for offset, count in zip(found.tolist(), counts.tolist(), strict=True)
        )
        own = _zone_offsets(self.zone)
        foreign = any(offset not in own for offset in found.tolist())
        if not foreign:
            rest = f", none in {int(bare.sum())}: {self.zone.key}" if bare.any() else ""
        elif bare.any():
            rest = (
                f", none in {int(bare.sum())}: these may be either clock, so their "
                "lengths are used and their hours are not"
            )
        else:
            rest = ""
        self.findings.notices.append(f"{LOG}: offsets of start: {words}{rest}")
        return bare if foreign else np.zeros(len(has), np.bool_)

    def _span(
        self,
        names: tuple[str, str],
        parsed: Mapping[str, _Moments],
        days: Mapping[str, tuple[Ints, Flags]],
        *,
        drives: bool,
    ) -> tuple[_Stamp, _Stamp]:
        """Return two columns of moments; rows that cannot be right are set aside."""
        stamps = []
        general = days["date"]
        self.set_aside(~parsed["date"].sound, "not a date", "date", "2026-03-25")
        for name in names:
            said, (own, vague) = parsed[name], days[name]
            self.set_aside(~said.sound, "not a moment", name, _MOMENT_WORDS)
            borrowed = ~said.dated
            day = np.where(borrowed, general[0], own)
            column = name
            self.set_aside(
                vague | (borrowed & general[1]),
                "a date that could be read both ways in a file that has both",
                f"{column} date",
                "dates of one kind, such as 2026-03-04",
            )
            told = said.dated | parsed["date"].dated
            self.set_aside(
                told & (day == _NONE),
                "no such date",
                f"{column} date",
                f"a date of {FIRST_YEAR} to {LAST_YEAR} that the calendar has",
            )
            clocked = said.clock_s != _NONE
            self.set_aside(
                clocked & ~told,
                "a clock time without a date",
                name,
                "a date in the cell or in a column 'date'",
            )
            utc_s, skipped = _to_utc(day, said, self.zone)
            self.set_aside(
                skipped & told & clocked,
                "a clock time that the change to summer time skips or its end repeats",
                name,
                "a time with its offset, such as 01:30+01:00",
            )
            local_day, clock_s = _to_local(utc_s, self.zone)
            stamps.append(
                _Stamp(utc_s, np.where(utc_s == _NONE, day, local_day), clock_s)
            )
        first, second = (parsed[name] for name in names)
        self.set_aside(
            (first.clock_s != _NONE)
            & (second.clock_s != _NONE)
            & ((first.offset_s == _NONE) != (second.offset_s == _NONE)),
            "one time with an offset, the other without",
            f"{names[0]} {names[1]}",
            "both with their offset, or both without",
        )
        self._order_of(names, stamps[0], stamps[1], drives=drives)
        return stamps[0], stamps[1]

    def _order_of(
        self, names: tuple[str, str], first: _Stamp, second: _Stamp, *, drives: bool
    ) -> None:
        """Refuse swapped columns; set single rows aside that run backwards."""
        both = self.good & (first.utc_s != _NONE) & (second.utc_s != _NONE)
        spent_s = second.utc_s - first.utc_s
        back = both & (spent_s < 0)
        if (
            both.sum() >= LEAST_TO_JUDGE
            and back.sum() >= SWAPPED_SHARE * both.sum()
            and (spent_s[back] > -LONGEST_S).mean() >= SWAPPED_SHARE
        ):
            self._fault(
                f"{names[0]}, {names[1]}",
                f"{names[1]} before {names[0]} in {int(back.sum())} of "
                f"{int(both.sum())} rows",
                "columns under their own names: these two look swapped",
            )
        self.set_aside(
            back,
            f"{names[1]} before {names[0]}",
            f"{names[0]} {names[1]}",
            f"a {names[1]} after the {names[0]}; past midnight with its own date, or "
            "as 24:15",
        )
        self.set_aside(
            both & (spent_s == 0),
            f"{names[1]} at the very moment of {names[0]}",
            f"{names[0]} {names[1]}",
            "some time between them",
        )
        longest_s = LONGEST_DRIVE_S if drives else LONGEST_S
        self.set_aside(
            both & (spent_s > longest_s),
            f"more than {longest_s // 3600} hours",
            f"{names[0]} {names[1]}",
            f"at most {longest_s // 3600} hours between them",
        )

    def _lengths(self, start: _Stamp, finish: _Stamp) -> Floats:
        """Return each row's length, from its moments or its minutes."""
        told = self._numbers(
            "minutes",
            lambda text: float(cells.decimal(text)),
            "minutes such as 45 or 45.5",
        )
        self.set_aside(
            told <= 0, "minutes that are not more than 0", "minutes", "more than 0"
        )
        self.set_aside(
            told * 60 > LONGEST_S, "more than 24 hours", "minutes", "at most 1440"
        )
        both = (start.utc_s != _NONE) & (finish.utc_s != _NONE)
        spent_s = np.where(both, finish.utc_s - start.utc_s, 0).astype(np.float64)
        self.set_aside(
            both & (np.abs(told * 60 - spent_s) > AGREE_S),
            "minutes that are not those from start to finish",
            "minutes finish",
            "figures that agree",
        )
        self.set_aside(
            ~both & np.isnan(told),
            "no length",
            "start finish",
            "a start and a finish, or minutes",
        )
        return np.where(both, spent_s, told * 60)

    def _numbers(self, name: str, parse: Callable[[str], float], right: str) -> Floats:
        """Return a column of numbers, NaN for empty cells."""
        codes, words = pd.factorize(self.column(name))
        values, sound = [], []
        for word in words:
            try:
                values.append(parse(str(word)) if word else np.nan)
                sound.append(True)
            except Refused:
                values.append(np.nan)
                sound.append(False)
        if not values:
            return np.zeros(0)
        self.set_aside(~np.array(sound)[codes], f"not a number in {name}", name, right)
        return np.array(values, np.float64)[codes]

    def _outcomes(self) -> Flags:
        """Return which visits were not finished."""
        codes, words = pd.factorize(self.column("outcome"))
        found = []
        for word in map(str, words):
            folded = " ".join(word.casefold().replace("_", " ").split())
            ours = self.settings.outcomes.get(word.casefold(), folded)
            found.append(OUTCOMES.index(ours) if ours in OUTCOMES else -1)
            if not word:
                found[-1] = 0
        if not found:
            return np.zeros(0, np.bool_)
        outcome = np.array(found, np.int64)[codes]
        self.set_aside(
            outcome < 0,
            "an outcome that is not known",
            "outcome",
            f"{', '.join(OUTCOMES)}, or nothing; or {SETTINGS} [outcomes]",
        )
        return outcome > 0

    def _twice(self) -> None:
        """Set aside rows that stand there twice, as two exports in one file do."""
        if "start" not in self.sheet.columns:
            return  # two visits of one length on one day are nothing odd
        # Its driver and both moments: nobody is at two visits at once.
        names = [
            name
            for name in ("kind", "driver", "van", "call", "date", "start", "finish")
            if name in self.sheet.columns
        ]
        table = pd.DataFrame(
            {name: pd.factorize(self.column(name))[0] for name in names}
        )
        repeated = table.duplicated().to_numpy(dtype=np.bool_)
        self.set_aside(
            repeated & (self.column("start") != ""),
            "the same visit again",
            "start finish",
            "each visit once",
        )

    def _promises(self) -> tuple[Ints, Ints]:
        """Return the windows told; one that cannot be read is only noted."""
        codes, words = pd.factorize(self.column("promise"))
        ends = []
        odd = 0
        for word in map(str, words):
            pair = [_moment(part.strip()) for part in re.split("-|\u2013", word)]
            clock = [each[4] for each in pair if each is not None and each[4] != _NONE]
            if word and (len(pair) != 2 or len(clock) != 2 or clock[0] > clock[1]):  # noqa: PLR2004
                odd += 1
            ends.append(clock if len(clock) == 2 and len(pair) == 2 else [-1, -1])  # noqa: PLR2004
        if odd:
            self.findings.notices.append(
                f"{LOG}: {odd} different cells of 'promise' are no window such as "
                "09:00-11:00 and were left aside; their visits are used"
            )
        if not ends:
            return np.zeros(0, np.int64), np.zeros(0, np.int64)
        table = np.array(ends, np.int64)
        table[table[:, 0] > table[:, 1]] = -1
        return table[codes, 0], table[codes, 1]

    def _codes(self, name: str) -> tuple[Ints, tuple[str, ...]]:
        """Return a column of words as indices; capitals and spaces do not matter."""
        codes, words = pd.factorize(self.column(name))
        names: dict[str, str] = {}
        folded = []
        for word in map(str, words):
            key = " ".join(word.casefold().split())
            folded.append(key)
            if key:
                names.setdefault(key, " ".join(word.split()))
        at = {key: number for number, key in enumerate(names)}
        table = np.array([at.get(key, -1) for key in folded], np.int64)
        index = table[codes] if len(words) else np.zeros(0, np.int64)
        return index, tuple(names.values())

    def _uses(self, keep: Ints) -> tuple[tuple[str, ...], Uses | None]:
        """Return what the kept visits used up; cells that are no parts are noted."""
        if "parts" not in self.sheet.columns:
            return (), None
        codes, words = pd.factorize(self.column("parts")[keep])
        names: dict[str, int] = {}
        said: list[list[tuple[int, int]]] = []
        odd = 0
        for word in map(str, words):
            pieces = [_PIECES.fullmatch(part) for part in cells.words(word)]
            found = [
                (names.setdefault(each[1], len(names)), int(each[2] or 1))
                for each in pieces
                if each is not None
            ]
            odd += len(found) < len(pieces)
            said.append(found)
        if odd:
            self.findings.notices.append(
                f"{LOG}: {odd} different cells of 'parts' are not parts such as "
                "FOB-31 x2 | CELL-20 and were left aside in part; their visits are used"
            )
        rows = [
            (visit, part, quantity)
            for visit, code in enumerate(codes.tolist())
            for part, quantity in said[code]
        ]
        table = np.array(rows, np.int64).reshape(-1, 3)
        return tuple(names), Uses(table[:, 0], table[:, 1], table[:, 2])

    def _drives(
        self,
        parsed: Mapping[str, _Moments],
        days: Mapping[str, tuple[Ints, Flags]],
        unclear: Flags,
    ) -> Drives:
        """Return the drives of all rows that name one."""
        self.good = (self.column("left") != "") & (self.column("arrived") != "")
        self.aside = {}
        left, arrived = self._span(("left", "arrived"), parsed, days, drives=True)
        degrees = {
            name: self._numbers(name, _degree, "degrees such as 52.2010")
            for name in ("from_lat", "from_lon", "to_lat", "to_lon")
        }
        road_m = 1000 * self._numbers(
            "km", lambda text: float(cells.decimal(text)), "kilometres such as 6.4"
        )
        placed = ~np.isnan(sum(degrees.values(), np.zeros(len(road_m))))
        off = placed & (
            (np.abs(degrees["from_lat"]) > 90)  # noqa: PLR2004
            | (np.abs(degrees["to_lat"]) > 90)  # noqa: PLR2004
            | (np.abs(degrees["from_lon"]) > 180)  # noqa: PLR2004
            | (np.abs(degrees["to_lon"]) > 180)  # noqa: PLR2004
        )
        self.set_aside(
            off, "a place that is nowhere on earth", "from_lat to_lat", "degrees"
        )
        self.set_aside(road_m < 0, "a distance below 0", "km", "0 or more")
        self.set_aside(
            ~placed & np.isnan(road_m),
            "no distance",
            "km from_lat",
            "kilometres, or the degrees of both places",
        )
        self.set_aside(
            unclear & (parsed["left"].offset_s == _NONE),
            "a clock that is not known",
            "left",
            "a time with its offset",
        )
        at = np.flatnonzero(
            self.good & (left.utc_s != _NONE) & (arrived.utc_s != _NONE)
        )
        return Drives(
            self.sheet.line[at],
            left.clock_s[at],
            (arrived.utc_s - left.utc_s)[at],
            np.column_stack((degrees["from_lat"], degrees["from_lon"]))[at],
            np.column_stack((degrees["to_lat"], degrees["to_lon"]))[at],
            road_m[at],
        )


def _degree(text: str) -> float:
    return float(cells.decimal(text))


def _offset_words(offset_s: int) -> str:
    sign = "-" if offset_s < 0 else "+"
    return f"{sign}{abs(offset_s) // 3600:02d}:{abs(offset_s) // 60 % 60:02d}"


def _zone_offsets(zone: ZoneInfo) -> set[int]:
    """Return the offsets that a zone has had since 1970, looked at month by month."""
    moments = pd.date_range(
        f"{FIRST_YEAR}-01-15", f"{LAST_YEAR}-12-15", freq="MS", tz="UTC"
    ).tz_convert(zone)
    apart = moments.tz_localize(None) - moments.tz_convert("UTC").tz_localize(None)
    return {int(each) for each in np.unique(apart.total_seconds().to_numpy())}


def _to_utc(day: Ints, said: _Moments, zone: ZoneInfo) -> tuple[Ints, Flags]:
    """Return UTC seconds, and which local times the clock change makes unsafe."""
    known = (day != _NONE) & (said.clock_s != _NONE)
    wall_s = np.where(known, day * _DAY_S + said.clock_s, 0)
    offset = said.offset_s != _NONE
    utc_s = np.where(known & offset, wall_s - said.offset_s, _NONE)
    bare = np.flatnonzero(known & ~offset)
    local = pd.DatetimeIndex(wall_s[bare].astype("datetime64[s]")).tz_localize(
        zone, ambiguous="NaT", nonexistent="NaT"
    )
    found = np.asarray(local.tz_convert("UTC").tz_localize(None), "datetime64[s]")
    unsafe = np.zeros(len(day), np.bool_)
    unsafe[bare] = np.isnat(found)
    utc_s[bare] = np.where(np.isnat(found), _NONE, found.astype(np.int64))
    return utc_s, unsafe


def _to_local(utc_s: Ints, zone: ZoneInfo) -> tuple[Ints, Ints]:
    """Return local day and second of the day; _NONE stays."""
    known = utc_s != _NONE
    moments = pd.DatetimeIndex(np.where(known, utc_s, 0).astype("datetime64[s]"))
    wall = moments.tz_localize("UTC").tz_convert(zone).tz_localize(None)
    wall_s = np.asarray(wall, "datetime64[s]").astype(np.int64)
    return (
        np.where(known, wall_s // _DAY_S, _NONE),
        np.where(known, wall_s % _DAY_S, _NONE),
    )


def lines_of(asides: Sequence[Aside]) -> int:
    """Return how many rows were set aside in all.

    Parameters
    ----------
    asides : sequence of Aside
        By reason.

    Returns
    -------
    int
        Their sum.
    """
    return sum(aside.rows for aside in asides)
