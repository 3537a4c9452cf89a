"""Files as rows of cells, every fault noted with its place.

A row is one line of a table, or one table of a TOML file: both are read with the
same words.
"""

import math
import re
import tomllib
import warnings
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, time
from decimal import Decimal, InvalidOperation
from io import StringIO
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

import pandas as pd

from dispatch.scenario.cells import Refused, nearest
from shared.dialect import USUAL, Dialect
from shared.errors import Fault

T = TypeVar("T")

MOST_COLUMNS = 256
_SEPARATORS = ",;\t"
_QUOTED = re.compile(r'"[^"]*"')
_DECIMAL_COMMA = re.compile(r'"?-?[0-9]+,[0-9]+"?')
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff]")
_TOML_PLACE = re.compile(r"\(at line ([0-9]+), column [0-9]+\)")
_SHOWN = 60
_TOO_WIDE = re.compile(r"Expected [0-9]+ fields in line")
# How a file begins that is not what it should be, and what it is then.
_NO_TEXT = (
    (b"PK\x03\x04", "a spreadsheet file or another archive, renamed"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet file, renamed"),
    (b"%PDF", "a PDF, renamed"),
    (b"\xff\xfe", "text in UTF-16"),
    (b"\xfe\xff", "text in UTF-16"),
)


def shown(text: str) -> str:
    """Return a cell as a fault shows it: quoted, and not too long.

    Parameters
    ----------
    text : str
        The cell.

    Returns
    -------
    str
        For example ``'8:75'``, or ``nothing``.
    """
    if not text:
        return "nothing"
    flat = " ".join(text.split())
    return f"'{flat}'" if len(flat) <= _SHOWN else f"'{flat[: _SHOWN - 3]}...'"


def is_it(name: str, strangers: Iterable[str]) -> str:
    """Return a question after the unknown name that may stand for a missing one.

    Parameters
    ----------
    name : str
        What is missing.
    strangers : iterable of str
        Names that stand there and are not known.

    Returns
    -------
    str
        The question, or an empty string.
    """
    return nearest(name, strangers).replace("did you mean", "is it")


@dataclass(slots=True, kw_only=True)
class Findings:
    """What was found while reading a folder.

    Parameters
    ----------
    faults : list of Fault
        What is wrong.
    notices : list of str
        What was left aside.
    """

    faults: list[Fault] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)


@dataclass(slots=True, kw_only=True)
class Row:
    """Named cells with the place they stand at.

    Parameters
    ----------
    file : str
        File name.
    line : int or None
        Line as an editor counts it.
    cells : mapping of str to str
        Stripped text by column.
    findings : Findings
        Where faults go.
    prefix : str
        Dotted path of a TOML table, with its full stop.
    lines : mapping of str to int
        Lines of single cells, where they are known.
    strangers : tuple of str
        Names that stand there and are not known.
    """

    file: str
    line: int | None
    cells: Mapping[str, str]
    findings: Findings
    prefix: str = ""
    lines: Mapping[str, int] = field(default_factory=dict)
    strangers: tuple[str, ...] = ()

    def refuse(self, column: str | None, got: str, expected: str) -> None:
        """Note a fault.

        Parameters
        ----------
        column : str or None
            Where in the row.
        got, expected : str
            What stands there, what would be right.
        """
        self.findings.faults.append(
            Fault(
                file=self.file,
                row=self.lines.get(column or "", self.line),
                column=None if column is None else self.prefix + column,
                got=got,
                expected=expected,
            )
        )

    def text(self, column: str, default: str = "") -> str:
        """Return a cell as it stands.

        Parameters
        ----------
        column : str
            Which.
        default : str
            For a column that is not there.

        Returns
        -------
        str
            Stripped.
        """
        return self.cells.get(column, default)

    def read(self, column: str, parse: Callable[[str], T], default: T) -> T:
        """Return a cell's value; an empty one means the default.

        Parameters
        ----------
        column : str
            Which.
        parse : callable
            From text to the value; refuses by :class:`Refused`.
        default : any
            For an empty or wrong cell.

        Returns
        -------
        any
            The value.
        """
        text = self.cells.get(column, "")
        return self.demand(column, parse, default) if text else default

    def demand(self, column: str, parse: Callable[[str], T], stand_in: T) -> T:
        """Return a cell's value; an empty one is a fault.

        Parameters
        ----------
        column : str
            Which.
        parse : callable
            From text to the value.
        stand_in : any
            Goes on with this after a fault, so that later ones are found too.

        Returns
        -------
        any
            The value.
        """
        text = self.cells.get(column, "")
        try:
            return parse(text)
        except Refused as refused:
            guess = "" if column in self.cells else is_it(column, self.strangers)
            self.refuse(column, shown(text), f"{refused}{guess}")
            return stand_in


def read_text(path: Path, findings: Findings, *, why: str = "") -> str | None:
    """Return a file's text, its line ends made the same.

    Parameters
    ----------
    path : Path
        The file.
    findings : Findings
        Where faults go.
    why : str
        What the file is for, said when it is missing; empty: it may be missing.

    Returns
    -------
    str or None
        None when there is nothing to read.
    """

    def refuse(got: str, expected: str, row: int | None = None) -> None:
        findings.faults.append(
            Fault(file=path.name, row=row, got=got, expected=expected)
        )

    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        if why:
            refuse("no such file", f"a file with {why}{_namesake(path)}")
        return None
    except OSError as error:
        refuse(f"a file that cannot be read ({error.strerror})", "a readable file")
        return None
    odd = _no_utf8(raw)
    if odd is not None:
        refuse(odd[0], _wanted(path), odd[1])
        return None
    text = raw.decode("utf-8-sig")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    if not text.strip():
        refuse("an empty file", f"a file with {why}" if why else "a header line")
        return None
    bad = _CONTROL.search(text)
    if bad is not None:
        refuse(
            f"the control character U+{ord(bad[0]):04X}",
            "plain text: this does not look like a text file",
            text.count("\n", 0, bad.start()) + 1,
        )
        return None
    return text


def _no_utf8(raw: bytes) -> tuple[str, int | None] | None:
    """Return what a file is instead of text in UTF-8, and in which line it shows."""
    for beginning, what in _NO_TEXT:
        if raw.startswith(beginning):
            return what, None
    try:
        raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = len(re.split(rb"\r\n|\r|\n", raw[: error.start]))
        byte = f"byte 0x{raw[error.start]:02X} at position {error.start + 1}"
        return f"{byte}, which is not UTF-8", line
    return None


def _wanted(path: Path) -> str:
    """Return how a file should have been saved."""
    kind = "csv text" if path.suffix == ".csv" else "plain text"
    return f"{kind} in UTF-8: open it and save it again, choosing the encoding UTF-8"


def _namesake(path: Path) -> str:
    """Return a question after a file that is called nearly the same, or nothing."""
    try:
        others = [entry.name for entry in path.parent.iterdir() if entry.is_file()]
    except OSError:
        return ""
    # 'calls.csv.txt' is what an editor makes of it, 'Calls.csv' what a person does.
    for name in sorted(others):
        if name.lower().startswith(path.name) or (
            name.lower().startswith(f"{path.stem}.")
        ):
            return f"; is it '{name}'?"
    return ""


def column_name(text: str) -> str:
    """Return a header cell as a column name.

    Parameters
    ----------
    text : str
        The cell.

    Returns
    -------
    str
        Lower case, ``_`` for spaces and hyphens.
    """
    return re.sub(r"[\s-]+", "_", text.strip().lower())


def read_cells(path: Path, findings: Findings, *, why: str = "") -> pd.DataFrame | None:
    """Return a table's cells as they stand, the header line among them.

    Parameters
    ----------
    path : Path
        A file with comma, semicolon or tab between its cells.
    findings : Findings
        Where faults go.
    why : str
        What the file is for; empty: it may be missing.

    Returns
    -------
    DataFrame or None
        Text, one row for each record, blank ones included; columns are numbers.
        None when the file is missing or beyond reading.
    """
    text = read_text(path, findings, why=why)
    if text is None:
        return None
    lines = text.split("\n")
    separator = _find_separator(text)
    frame = None
    wide = max(range(len(lines)), key=lambda number: lines[number].count(separator))
    width = 1 + lines[wide].count(separator)
    try:
        if width <= MOST_COLUMNS:
            frame = _parse(text, separator, width)
        if frame is None:  # a record that runs over several lines can hold more
            frame = _parse(text, separator, MOST_COLUMNS)
    except (pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        place = re.search(r"starting at row ([0-9]+)", str(error))
        findings.faults.append(
            Fault(
                file=path.name,
                row=int(place[1]) + 1 if place else None,
                got='a quotation mark " that is never closed',
                expected='cells whose quotation marks come in pairs: "a, b"',
            )
        )
        return None
    if frame is None:
        findings.faults.append(
            Fault(
                file=path.name,
                row=wide + 1,
                got=f"more than {MOST_COLUMNS} cells",
                expected=f"a table of at most {MOST_COLUMNS} columns",
            )
        )
        return None
    return frame


def read_table(
    path: Path,
    findings: Findings,
    *,
    required: Iterable[str],
    optional: Iterable[str],
    why: str = "",
    instead: Mapping[str, str] = MappingProxyType({}),
) -> list[Row] | None:
    """Return the rows of a table.

    Parameters
    ----------
    path : Path
        A file with comma, semicolon or tab between its cells.
    findings : Findings
        Where faults and notices go.
    required, optional : iterable of str
        Column names.
    why : str
        What the file is for; empty: it may be missing.
    instead : mapping of str to str
        Required columns that may be missing where these others are there.

    Returns
    -------
    list of Row or None
        Without blank lines. None when the file is missing or beyond reading.
    """
    required, optional = tuple(required), tuple(optional)
    frame = read_cells(path, findings, why=why)
    if frame is None:
        return None
    records = [[str(cell) for cell in record] for record in frame.to_numpy()]
    there = next((record for record in records if any(map(str.strip, record))), [])
    names = {column_name(cell) for cell in there}
    spared = tuple(name for name in required if instead.get(name) in names)
    required = tuple(name for name in required if name not in spared)
    optional += spared
    return _rows(path.name, records, findings, required, optional)


def _find_separator(text: str) -> str:
    """Return what stands between the cells of the header line."""
    lines = (_QUOTED.sub("", line) for line in text.splitlines() if line.strip())
    first = next(lines, "")
    return max(_SEPARATORS, key=first.count)


def find_dialect(path: Path) -> Dialect:
    """Return how a table is written, so that others can be written alike.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    Dialect
        The separator of its header line, and a decimal comma where a cell shows one;
        comma and full stop where there is no such file.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError):
        return USUAL
    separator = _find_separator(text)
    # A comma between cells leaves no comma for decimals.
    cells = [] if separator == "," else re.split(rf"[{separator}\n]", text)
    comma = any(_DECIMAL_COMMA.fullmatch(cell.strip()) for cell in cells)
    return Dialect(separator=separator, decimal="," if comma else ".")


def _parse(text: str, separator: str, width: int) -> pd.DataFrame | None:
    """Return a table as text, None when a record has more cells than ``width``."""
    with warnings.catch_warnings():
        # By itself pandas would warn of surplus cells and then drop them.
        warnings.simplefilter("error", pd.errors.ParserWarning)
        try:
            return pd.read_csv(
                StringIO(text),
                sep=separator,
                header=None,
                names=list(range(width)),
                index_col=False,
                dtype=str,
                keep_default_na=False,
                na_filter=False,
                skip_blank_lines=False,
            )
        except pd.errors.ParserWarning:
            return None
        except pd.errors.ParserError as error:
            if _TOO_WIDE.search(str(error)):
                return None
            raise


def _header(
    place: Row, header: list[str], required: tuple[str, ...], optional: tuple[str, ...]
) -> list[str]:
    """Return the header's column names, having noted what is odd about them."""
    names = [column_name(cell) for cell in header]
    while names and not names[-1]:
        names.pop()
    known = (*required, *optional)
    for name in dict.fromkeys(names):
        if names.count(name) > 1 and name:
            place.refuse(name, "the same column twice", "each column once")
    for name in required:
        if name not in names:
            guess = is_it(name, (other for other in names if other not in known))
            place.refuse(name, "no such column", f"a column '{name}'{guess}")
    for name, cell in zip(names, header, strict=False):
        if name and name not in known:
            place.findings.notices.append(
                f"{place.file}: column {shown(cell)} is not known and was left aside"
                + nearest(name, (other for other in known if other not in names))
            )
    return names


def _rows(
    file: str,
    records: list[list[str]],
    findings: Findings,
    required: tuple[str, ...],
    optional: tuple[str, ...],
) -> list[Row] | None:
    """Return records as rows, having looked at the header."""
    lines: list[int] = []
    line = 1
    for record in records:
        lines.append(line)
        line += 1 + sum(cell.count("\n") for cell in record)
    filled = [
        (number, [cell.strip() for cell in record])
        for number, record in zip(lines, records, strict=True)
        if any(cell.strip() for cell in record)
    ]
    if not filled:
        findings.faults.append(
            Fault(file=file, row=1, got="no cells", expected="a header line")
        )
        return None
    names = _header(
        Row(file=file, line=filled[0][0], cells={}, findings=findings),
        filled[0][1],
        required,
        optional,
    )
    rows = []
    for number, cells in filled[1:]:
        row = Row(
            file=file,
            line=number,
            cells={
                name: cell for name, cell in zip(names, cells, strict=False) if name
            },
            findings=findings,
        )
        extra = [cell for cell in cells[len(names) :] if cell]
        if extra:
            row.refuse(
                None,
                f"more cells than the header has columns, from {shown(extra[0])}",
                f"{len(names)} cells: put a cell that holds a separator in "
                'quotation marks, "..."',
            )
            # Every cell behind the surplus separator is shifted: one fault says it.
            row.findings = Findings()
        rows.append(row)
    return rows if all(name in names for name in required) else None


@dataclass(slots=True, kw_only=True)
class Tree:
    """A TOML table that remembers where it stands and what was asked of it.

    Parameters
    ----------
    file : str
        File name.
    values : dict
        What the file says.
    findings : Findings
        Where faults go.
    lines : mapping of str to int
        Line of each dotted path.
    path : str
        Dotted path of this table, empty at the root.
    """

    file: str
    values: dict[str, Any]
    findings: Findings
    lines: Mapping[str, int]
    path: str = ""

    def row(self, known: Iterable[str], below: Iterable[str] = ()) -> Row:
        """Return the table's own cells; unknown keys are noted.

        Parameters
        ----------
        known : iterable of str
            Keys of cells.
        below : iterable of str
            Keys of tables.

        Returns
        -------
        Row
            Cells as text.
        """
        known, below = tuple(known), tuple(below)
        prefix = f"{self.path}." if self.path else ""
        line = self.lines.get(self.path)
        row = Row(
            file=self.file,
            line=line,
            cells={},
            findings=self.findings,
            prefix=re.sub(r"\[[0-9]+\]", "", prefix),
            lines={
                key: self.lines[prefix + key]
                for key in self.values
                if prefix + key in self.lines
            },
            strangers=tuple(key for key in self.values if key not in known + below),
        )
        cells = {}
        for key, value in self.values.items():
            if key in known:
                text = _as_text(value)
                if text is None:
                    row.refuse(key, "a table", "a single value or a list of values")
                elif _CONTROL.search(text):
                    row.refuse(key, "a control character", "plain text")
                else:
                    cells[key] = text
            elif key not in below:
                self.findings.notices.append(
                    f"{self.file}: key {shown(row.prefix + key)} is not known and was "
                    "left aside" + nearest(key, (*known, *below))
                )
        row.cells = cells
        return row

    def table(self, key: str) -> "Tree | None":
        """Return a table below this one.

        Parameters
        ----------
        key : str
            Its name.

        Returns
        -------
        Tree or None
            None when it is not there.
        """
        value = self.values.get(key)
        path = f"{self.path}.{key}" if self.path else key
        if value is None:
            return None
        if not isinstance(value, dict):
            self._refuse(path, shown(str(value)), f"a table [{key}]")
            return None
        return self._below(path, value)

    def tables(self, key: str) -> "list[Tree]":
        """Return the tables of a list below this one.

        Parameters
        ----------
        key : str
            Its name.

        Returns
        -------
        list of Tree
            In order.
        """
        value = self.values.get(key, [])
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
            self._refuse(key, shown(str(value)), f"tables [[{key}]]")
            return []
        return [
            self._below(f"{key}[{number}]", table) for number, table in enumerate(value)
        ]

    def _below(self, path: str, values: dict[str, Any]) -> "Tree":
        return Tree(
            file=self.file,
            values=values,
            findings=self.findings,
            lines=self.lines
            if path in self.lines
            else {**self.lines, path: self.lines.get(self.path, 1)},
            path=path,
        )

    def _refuse(self, path: str, got: str, expected: str) -> None:
        self.findings.faults.append(
            Fault(
                file=self.file,
                row=self.lines.get(path, self.lines.get(self.path)),
                column=re.sub(r"\[[0-9]+\]", "", path),
                got=got,
                expected=expected,
            )
        )


def _as_text(value: object) -> str | None:
    """Return a TOML value as the text a cell would hold, None for a table."""
    match value:
        case bool():
            return "true" if value else "false"
        case int():
            digits = math.inf if abs(value) > 10**18 else value
            return str(digits)
        case str() | Decimal():
            return str(value).strip()
        case date() | time():  # a datetime is a date
            return str(value)
        case list():
            texts = [_as_text(entry) for entry in value]
            return None if None in texts else "|".join(text or "" for text in texts)
        case _:
            return None


def _number(text: str) -> Decimal:
    """Return a TOML number, exact; one beyond all bounds is not a number."""
    try:
        return Decimal(text)
    except InvalidOperation:
        return Decimal("NaN")


_HEADER = re.compile(r"\s*(\[\[?)\s*([\w.\"' -]+?)\s*\]\]?\s*(?:#.*)?")
_KEY = re.compile(r"\s*([\w-]+)(?:\s*\.\s*[\w-]+)*\s*=")


def _find_lines(text: str) -> dict[str, int]:
    """Return the line of each table and key, as far as plain TOML goes."""
    lines: dict[str, int] = {"": 1}
    seen: dict[str, int] = {}
    path = ""
    for number, line in enumerate(text.split("\n"), 1):
        header = _HEADER.fullmatch(line)
        key = _KEY.match(line)
        if header is not None:
            path = header[2]
            if header[1] == "[[":
                seen[path] = seen.get(path, -1) + 1
                path = f"{path}[{seen[path]}]"
            elif "." in path and path.split(".")[0] in seen:
                table, _, rest = path.partition(".")
                path = f"{table}[{seen[table]}].{rest}"
            lines.setdefault(path, number)
        elif key is not None:
            lines.setdefault(f"{path}.{key[1]}" if path else key[1], number)
    return lines


def read_tree(path: Path, findings: Findings, *, why: str) -> Tree | None:
    """Return a TOML file.

    Parameters
    ----------
    path : Path
        The file.
    findings : Findings
        Where faults go.
    why : str
        What the file is for.

    Returns
    -------
    Tree or None
        None when it is missing or beyond reading.
    """
    text = read_text(path, findings, why=why)
    if text is None:
        return None
    try:
        values = tomllib.loads(text, parse_float=_number)
    except (ValueError, RecursionError) as error:  # ValueError: TOMLDecodeError's root
        message = str(error) if isinstance(error, ValueError) else "too deeply nested"
        place = _TOML_PLACE.search(message)
        at_end = text.rstrip().count("\n") + 1 if "end of document" in message else None
        row = int(place[1]) if place else at_end
        reason = _TOML_PLACE.sub("", message).strip()
        line = text.split("\n")[row - 1].strip() if row else ""
        findings.faults.append(
            Fault(
                file=path.name,
                row=row,
                got=f"{shown(line)} ({reason})" if line else reason,
                expected='TOML: key = "text" in straight quotation marks, key = 12.5 '
                "with a full stop, [table], [[van]]",
            )
        )
        return None
    return Tree(
        file=path.name, values=values, findings=findings, lines=_find_lines(text)
    )
