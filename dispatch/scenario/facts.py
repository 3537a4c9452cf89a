"""What happened on the day, as two tables beside it: ``facts.csv``, ``booked.csv``."""

import csv
import io
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import NamedTuple

from dispatch.scenario import cells
from dispatch.scenario.cells import Refused
from dispatch.scenario.places import Locator
from dispatch.scenario.read import read_booked
from dispatch.scenario.source import (
    Findings,
    Row,
    column_name,
    find_dialect,
    read_table,
    shown,
)
from dispatch.scenario.write import (
    time_text,
    units_text,
    window_text,
    write_calls,
    write_table,
)
from shared.errors import Fault, InvalidInput
from shared.facts import FIELDS, Fact, FactKind, in_order
from shared.model import Call, Day

FACT_COLUMNS = ("van", "call", "store", "parts", "minutes", "window", "note")
NOTHING = "nothing"
_SAYS = {
    "van": ("van_id",),
    "call": ("call_id", "call"),
    "store": ("store_id",),
    "parts": ("parts", "handed", "tools", "returned"),
    "minutes": ("late_s",),
    "window": ("window",),
}


class _Taken(NamedTuple):
    """What stands in the cell ``parts``."""

    parts: tuple[tuple[str, int], ...] = ()
    handed: tuple[tuple[str, str, int], ...] = ()
    tools: tuple[str, ...] = ()
    returned: tuple[str, ...] = ()


class Happened(NamedTuple):
    """What happened on a day, and the calls that came in, or may have."""

    facts: tuple[Fact, ...]
    booked: Mapping[str, Call]


def read_facts(folder: Path, day: Day, path: Path | None = None) -> tuple[Fact, ...]:
    """Return what happened on a day.

    Parameters
    ----------
    folder, day, path : Path, Day, Path or None
        As for :func:`read_happened`.

    Returns
    -------
    tuple of Fact
        Its facts.

    Raises
    ------
    InvalidInput
        With every fault of both tables.
    """
    return read_happened(folder, day, path).facts


def read_happened(
    folder: Path,
    day: Day,
    path: Path | None = None,
    locator: Locator | None = None,
) -> Happened:
    """Return what happened on a day, with all calls of ``booked.csv``.

    Parameters
    ----------
    folder : Path
        Holds ``facts.csv`` and, where calls came in through the day, ``booked.csv``.
    day : Day
        The day, as :func:`dispatch.scenario.read_scenario` reads it.
    path : Path, optional
        Another table of facts.
    locator : Locator, optional
        What is known of addresses beside the folder.

    Returns
    -------
    Happened
        Facts in the order of the file. Whether they can all be true is not asked here,
        see :func:`dispatch.state.replay`.

    Raises
    ------
    InvalidInput
        With every fault of both tables.
    """
    path = folder / "facts.csv" if path is None else path
    findings = Findings()
    booked = read_booked(folder / "booked.csv", day, findings, locator)
    rows = read_table(
        path,
        findings,
        required=("id", "time", "fact"),
        optional=FACT_COLUMNS,
        why="one line for each thing that happened",
    )
    reader = _Reader(day, booked)
    first: dict[str, tuple[Fact, int | None]] = {}
    facts = []
    for row in rows or ():
        before = len(row.findings.faults)
        fact = reader.read(row)
        if fact is None or len(row.findings.faults) > before:
            continue
        known, line = first.setdefault(fact.id, (fact, row.line))
        if known != fact:
            row.refuse(
                "id",
                shown(fact.id),
                f"an id of its own, or the same fact again as in line {line}",
            )
        facts.append(fact)
    if findings.faults:
        files = ("booked.csv", path.name)
        raise InvalidInput(
            sorted(
                findings.faults, key=lambda one: (files.index(one.file), one.row or 0)
            )
        )
    return Happened(tuple(facts), booked)


class _Reader:
    """Reads rows of facts of one day."""

    def __init__(self, day: Day, booked: Mapping[str, Call]) -> None:
        self.clock = day.clock
        self.booked = booked
        calls = [*(call.id for call in day.calls), *booked]
        stores = [day.shop.id, *(counter.id for counter in day.counters)]
        self.vans = [van.id for van in day.vans]
        self.van = cells.one_of(self.vans, "the id of a van in vans.toml")
        self.store = cells.one_of(stores, "'shop' or a counter of day.toml")
        self.call = cells.one_of(calls, "the id of a call in calls.csv or booked.csv")
        self.new = cells.one_of(booked, "the id of a call in booked.csv")
        self.parts = self.taken(day)

    def read(self, row: Row) -> Fact | None:
        """Return the fact of a row; ``None`` when its kind is not known."""
        fact_id = row.demand("id", cells.an_id, "")
        at_s = row.demand("time", cells.clock_time(self.clock), 0)
        word = row.demand("fact", _kind, "")
        if not word:
            return None
        kind = FactKind(word)
        self.look_at_columns(row, kind)
        is_new = kind is FactKind.BOOKED
        call_id = row.read("call", self.new if is_new else self.call, None)
        taken = row.read("parts", self.parts, None)
        if taken is not None:
            self.look_at_taken(row, kind, taken)
        needed, more = FIELDS[kind]
        allowed = needed | more

        def said(name: str) -> tuple[object, ...] | None:
            return (
                None if taken is None or name not in allowed else getattr(taken, name)
            )

        return Fact(
            id=fact_id,
            kind=kind,
            at_s=at_s,
            van_id=row.read("van", self.van, None),
            call_id=None if is_new else call_id,
            store_id=row.read("store", self.store, None),
            parts=said("parts"),  # type: ignore[arg-type]
            handed=said("handed"),  # type: ignore[arg-type]
            tools=said("tools"),  # type: ignore[arg-type]
            returned=said("returned"),  # type: ignore[arg-type]
            late_s=row.read("minutes", cells.duration, None),
            window=row.read("window", cells.window(self.clock), None),
            call=self.booked.get(call_id or "") if is_new else None,
            note=row.text("note"),
        )

    def look_at_columns(self, row: Row, kind: FactKind) -> None:
        """Refuse empty cells that the kind needs, and full ones without a use."""
        needed, more = FIELDS[kind]
        for column, fields in _SAYS.items():
            text = row.text(column)
            if needed & set(fields) and not text:
                row.refuse(column, "nothing", f"a {column}: '{kind}' says which")
            elif text and not (needed | more) & set(fields):
                row.refuse(column, shown(text), f"nothing: '{kind}' has no {column}")
        if kind is not FactKind.BOOKED and row.text("call") and row.text("store"):
            row.refuse("store", shown(row.text("store")), "a call or a store, not both")
        if kind is FactKind.RECEIVED and bool(row.text("van")) == bool(
            row.text("store")
        ):
            row.refuse("van", shown(row.text("van")), "a van or a store, one of them")

    def look_at_taken(self, row: Row, kind: FactKind, taken: _Taken) -> None:
        """Refuse entries that mean nothing for the kind."""
        needed, more = FIELDS[kind]
        for name, words in (
            ("handed", "pieces 'from' a van"),
            ("tools", "a tool"),
            ("returned", "a tool brought back"),
        ):
            if getattr(taken, name) and name not in needed | more:
                row.refuse(
                    "parts", shown(row.text("parts")), f"no {words}: it is '{kind}'"
                )

    def taken(self, day: Day) -> Callable[[str], _Taken]:
        """Return a parser for the cell ``parts``."""
        tools = {tool.id for tool in day.tools}
        kits = {part.id for part in day.parts.values() if part.components}

        def parse(text: str) -> _Taken:
            if text == NOTHING:
                return _Taken()
            parts: dict[str, int] = {}
            handed: dict[tuple[str, str], int] = {}
            out: list[str] = []
            back: list[str] = []
            for entry in cells.words(text):
                words = entry.split()
                if words[0] == "tool":
                    returned = words[2:] == ["back"]
                    name = " ".join(words[1:2] if returned else words[1:])
                    if name not in tools:
                        raise Refused(f"a tool of day.toml{cells.nearest(name, tools)}")
                    (back if returned else out).append(name)
                    continue
                said, _, giver = entry.partition(" from ")
                part_id, count = cells.pieces(said.strip())
                cells.known_parts([part_id], day.parts)
                if part_id in kits:
                    raise Refused("single parts: a kit is counted by its components")
                if giver:
                    key = (self.van(giver.strip()), part_id)
                    handed[key] = handed.get(key, 0) + count
                else:
                    parts[part_id] = parts.get(part_id, 0) + count
            return _Taken(
                parts=tuple(parts.items()),
                handed=tuple((*key, count) for key, count in handed.items()),
                tools=tuple(dict.fromkeys(out)),
                returned=tuple(dict.fromkeys(back)),
            )

        return parse


def _kind(text: str) -> str:
    word = cells.term(text)
    kinds = [str(kind) for kind in FactKind]
    if word not in kinds:
        raise Refused(f"one of {', '.join(kinds)}{cells.nearest(word, kinds)}")
    return word


def write_facts(day: Day, facts: Iterable[Fact], folder: Path) -> None:
    """Write what happened on a day.

    Reading gives the same facts, in the order in which they happened, except: of a
    fact that names some of ``parts``, ``handed``, ``tools`` and ``returned`` the others
    are empty and not ``None``; calls change as in
    :func:`dispatch.scenario.write_scenario`; a clock time that the end of summer time
    repeats is read as its first pass.

    Parameters
    ----------
    day : Day
        The day.
    facts : iterable of Fact
        What happened.
    folder : Path
        Made if it is not there; ``booked.csv`` is written if calls came in.
    """
    folder.mkdir(parents=True, exist_ok=True)
    ordered = in_order(facts)
    rows = [_cells(day, fact) for fact in ordered]
    write_table(folder / "facts.csv", ("id", "time", "fact", *FACT_COLUMNS), rows)
    booked = {fact.call.id: fact.call for fact in ordered if fact.call is not None}
    if booked:
        write_calls(folder / "booked.csv", day, tuple(booked.values()))


def add_facts(path: Path, day: Day, facts: Iterable[Fact]) -> bytes:
    """Return a table of facts with some more at its end.

    Parameters
    ----------
    path : Path
        The table, found right by :func:`read_happened`; it is not written.
    day : Day
        The day.
    facts : iterable of Fact
        What happened; their ids are new.

    Returns
    -------
    bytes
        What stands there as it is, and a line for each fact, written alike.

    Raises
    ------
    InvalidInput
        With every column that is needed and not there.
    """
    raw = path.read_bytes()
    text = raw.decode("utf-8-sig")
    end = next((one for one in ("\r\n", "\n", "\r") if one in text), "\n")
    separator = find_dialect(path).separator
    header = next(filter(any, csv.reader(text.splitlines(), delimiter=separator)))
    names = [column_name(cell) for cell in header]
    rows = [_cells(day, fact) for fact in facts]
    needed = {name for row in rows for name, cell in row.items() if cell}
    if not needed <= set(names):
        raise InvalidInput(
            Fault(
                file=path.name,
                column=name,
                got="no such column",
                expected=f"a column '{name}', to write down what was decided",
            )
            for name in ("id", "time", "fact", *FACT_COLUMNS)
            if name in needed and name not in names
        )
    lines = io.StringIO()
    csv.writer(lines, delimiter=separator, lineterminator=end).writerows(
        [row.get(name, "") for name in names] for row in rows
    )
    gap = "" if text.endswith(("\n", "\r")) else end
    return raw + (gap + lines.getvalue()).encode()


def _cells(day: Day, fact: Fact) -> dict[str, str]:
    clock = day.clock
    call_id = fact.call_id if fact.call is None else fact.call.id
    return {
        "id": fact.id,
        "time": time_text(clock, fact.at_s),
        "fact": str(fact.kind),
        "van": fact.van_id or "",
        "call": call_id or "",
        "store": fact.store_id or "",
        "parts": _parts_text(fact),
        "minutes": "" if fact.late_s is None else units_text(fact.late_s, 60),
        "window": "" if fact.window is None else window_text(clock, fact.window),
        "note": fact.note,
    }


def _parts_text(fact: Fact) -> str:
    """Return what was taken or used, ``nothing`` where that is said."""
    said = (fact.parts, fact.handed, fact.tools, fact.returned)
    if all(one is None for one in said):
        return ""
    entries = [_pieces_text(*pair) for pair in fact.parts or ()]
    entries += [
        f"{_pieces_text(part_id, count)} from {giver}"
        for giver, part_id, count in fact.handed or ()
    ]
    entries += [f"tool {tool_id}" for tool_id in fact.tools or ()]
    entries += [f"tool {tool_id} back" for tool_id in fact.returned or ()]
    return " | ".join(entries) or NOTHING


def _pieces_text(part_id: str, count: int) -> str:
    return part_id if count == 1 else f"{part_id} x{count}"
