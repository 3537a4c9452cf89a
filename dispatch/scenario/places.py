"""Where typed addresses are: pins, a gazetteer, and whoever else is asked.

In this order: ``pins.csv``, which somebody corrected by hand; the gazetteer named in
``day.toml``, then the firm's own; last an address server, if the owner has named one.
Nothing is guessed: what may be several places, or is not surely one, is asked back.
"""

import csv
import io
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

from dispatch.gazetteer import (
    CANDIDATES,
    Entry,
    Gazetteer,
    Match,
    address_key,
    degrees_text,
)
from dispatch.scenario import cells
from dispatch.scenario.cells import Refused
from dispatch.scenario.source import (
    Findings,
    Row,
    Tree,
    column_name,
    read_table,
    shown,
)
from shared.errors import Fault, InvalidInput, Unavailable
from shared.model import Barred, Place, Rule

PINS = "pins.csv"
PIN_COLUMNS = ("address", "lat", "lon", "who", "when")
TIMEOUT_S, PAUSE_S = 5.0, 1.0  # own choice; public servers ask for such a pause
ENTRY_COLUMNS = ("name", "street", "number", "postcode", "town")


@dataclass(frozen=True, slots=True, kw_only=True)
class Server:
    """An address server that the owner has named.

    Parameters
    ----------
    url : str
        Where it is, with ``http://`` or ``https://``.
    timeout_s : float
        How long an answer may take.
    pause_s : float
        Least time between two questions.
    """

    url: str
    timeout_s: float = TIMEOUT_S
    pause_s: float = PAUSE_S


class Look(Protocol):
    """Somebody outside who knows where addresses are."""

    @property
    def name(self) -> str:
        """Who it is, in words."""

    def __call__(self, address: str) -> tuple[Match, ...]:
        """Return the places that an address may mean.

        Parameters
        ----------
        address : str
            As somebody typed it; nothing else is handed out.

        Returns
        -------
        tuple of Match
            As :meth:`dispatch.gazetteer.Gazetteer.find` returns them.

        Raises
        ------
        Unavailable
            When there is no answer.
        """


def nobody(server: Server | None) -> Look | None:
    """Ask nobody, whatever a folder names.

    Parameters
    ----------
    server : Server or None
        What it names.

    Returns
    -------
    None
        Always.
    """
    del server
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Locator:
    """What is known of addresses beside a day's folder.

    Parameters
    ----------
    pins : mapping of str to Place
        By :func:`dispatch.gazetteer.address_key`: they count more than the folder's.
    gazetteer : Path or None
        The firm's own list.
    connect : callable
        Makes of the server that a folder names (``None``: it names none) somebody to
        ask; ``None``: nobody is asked.
    """

    pins: Mapping[str, Place] = field(default_factory=dict)
    gazetteer: Path | None = None
    connect: Callable[[Server | None], Look | None] = nobody


@dataclass(slots=True, kw_only=True)
class Finder:
    """Finds the addresses of one day.

    Parameters
    ----------
    pins : mapping of str to Place
        By key.
    lists : tuple of (str, Gazetteer)
        Gazetteers with their names, in the order in which they are asked.
    look : Look or None
        Whom to ask last.
    credits : dict of str to None
        Whose data places came from, as it is used; without a list or a server, what the
        folder says.
    notices : list of str
        How addresses with typing errors were read.
    """

    pins: Mapping[str, Place] = field(default_factory=dict)
    lists: tuple[tuple[str, Gazetteer], ...] = ()
    look: Look | None = None
    credits: dict[str, None] = field(default_factory=dict)
    notices: list[str] = field(default_factory=list)
    _said: dict[str, tuple[tuple[Match, ...], str]] = field(default_factory=dict)
    _silent: str = ""  # what the server said instead of an answer

    def find(self, address: str, where: str = "") -> Place | Barred:
        """Return where an address is, or why it cannot be said.

        Parameters
        ----------
        address : str
            As somebody typed it.
        where : str
            Where it stands, in words.

        Returns
        -------
        Place or Barred
            The place is named as the address was typed.
        """
        key = address_key(address)
        if key in self.pins:
            return replace(self.pins[key], name=address)
        if key not in self._said:
            self._said[key] = self._ask(address)
        matches, trouble = self._said[key]
        if len(matches) == 1 and matches[0].sure:
            return self._take(address, matches[0])
        said = f"'{address}'{f' ({where})' if where else ''}"
        if matches:
            return _ask_back(said, matches[:CANDIDATES])
        if trouble:
            return Barred(
                rule=Rule.ADDRESS,
                text=f"{said} is in no list here, and {trouble}",
                remedy="plan again when it answers, or pin the place",
            )
        asked = [PINS, *(name for name, _ in self.lists)]
        asked += [] if self.look is None else [self.look.name]
        return Barred(
            rule=Rule.ADDRESS,
            text=f"nobody knows where {said} is: not found in {', '.join(asked)}",
            remedy="correct the address, or pin the place",
        )

    def _ask(self, address: str) -> tuple[tuple[Match, ...], str]:
        """Return what the first that is sure says, or else the first candidates."""
        candidates: tuple[Match, ...] = ()
        for _, known in self.lists:
            found = known.find(address)
            if any(match.sure for match in found):
                return found, ""
            candidates = candidates or found
        if self.look is None:
            return candidates, ""
        if not self._silent:
            try:
                found = self.look(address)
            except Unavailable as error:  # the next one would have to wait as long
                self._silent = str(error)
            else:
                sure = any(match.sure for match in found)
                return (found if sure else candidates or found), ""
        return candidates, self._silent

    def _take(self, address: str, match: Match) -> Place:
        if match.credit:
            self.credits[match.credit] = None
        if match.why:
            self.notices.append(f"'{address}' was {match.why}")
        return replace(match.place, name=address)


def _ask_back(said: str, candidates: tuple[Match, ...]) -> Barred:
    named = "; ".join(
        f"{match.place.name}{f' ({match.why})' if match.why else ''}"
        for match in candidates
    )
    if len(candidates) == 1:
        text = f"{said} is not surely {named}"
    else:
        text = f"{said} may be one of {len(candidates)} places: {named}"
    return Barred(
        rule=Rule.ADDRESS,
        text=text,
        remedy="pin the one that is meant",
        places=tuple(match.place for match in candidates),
    )


def pins_text(before: str, address: str, place: Place, more: tuple[str, str]) -> str:
    """Return ``pins.csv`` with one address pinned.

    Parameters
    ----------
    before : str
        The file's text, without faults; empty: there is none yet.
    address : str
        As it was typed.
    place : Place
        Where it is, from now on.
    more : (str, str)
        Who says so, and when.

    Returns
    -------
    str
        Lines of other addresses as they were.
    """
    separator = max(",;\t", key=before.partition("\n")[0].count) if before else ","
    rows = [row for row in csv.reader(io.StringIO(before), delimiter=separator) if row]
    header = rows[0] if rows else list(PIN_COLUMNS)
    names = [column_name(cell) for cell in header]
    said = dict(zip(PIN_COLUMNS, (address, "", "", *more), strict=True))
    comma = separator != "," and any(
        "," in cell for row in rows[1:] for cell in row[1:]
    )
    for column, value in (("lat", place.lat_deg), ("lon", place.lon_deg)):
        text = degrees_text(value)
        said[column] = text.replace(".", ",") if comma else text
    key, spot = address_key(address), names.index("address")
    kept = [
        row for row in rows[1:] if len(row) <= spot or address_key(row[spot]) != key
    ]
    out = io.StringIO()
    write = csv.writer(out, delimiter=separator, lineterminator="\n").writerow
    for row in (header, *kept, [said.get(name, "") for name in names]):
        write(row)
    return out.getvalue()


def open_finder(
    tree: Tree | None, folder: Path, locator: Locator, findings: Findings
) -> Finder:
    """Return who finds the addresses of a folder.

    Parameters
    ----------
    tree : Tree or None
        Its ``day.toml``.
    folder : Path
        The folder.
    locator : Locator
        What is known beside it.
    findings : Findings
        Where faults and notices go.

    Returns
    -------
    Finder
        With the pins and gazetteers of both.
    """
    table = None if tree is None else tree.table("addresses")
    lists: list[tuple[str, Gazetteer]] = []
    server = None
    said: dict[str, None] = {}
    if table is not None:
        row = table.row(("gazetteer", "credit", "server", "timeout_s", "pause_s"))
        name = row.read("gazetteer", _csv_name, "")
        if name:
            found = _read_gazetteer(folder / name, row.text("credit"), findings)
            lists.append((name, found))
        url = row.read("server", _address, "")
        timeout_s = row.read("timeout_s", _seconds(0.1, 60), TIMEOUT_S)
        pause_s = row.read("pause_s", _seconds(0, 60), PAUSE_S)
        if not name and not url and row.text("credit"):
            said[row.text("credit")] = None
        if url:
            server = Server(url=url, timeout_s=timeout_s, pause_s=pause_s)
    lists += _own_lists(locator, findings)
    return Finder(
        pins={**_read_pins(folder / PINS, findings), **locator.pins},
        lists=tuple(lists),
        look=locator.connect(server),
        credits=said,
    )


def open_lists(locator: Locator) -> tuple[tuple[str, Gazetteer], ...]:
    """Return the firm's own list.

    Parameters
    ----------
    locator : Locator
        Names it, or does not.

    Returns
    -------
    tuple of (str, Gazetteer)
        As :class:`Finder` takes them.

    Raises
    ------
    InvalidInput
        With every fault of the file.
    """
    findings = Findings()
    lists = _own_lists(locator, findings)
    if findings.faults:
        raise InvalidInput(findings.faults)
    return tuple(lists)


def _own_lists(locator: Locator, findings: Findings) -> list[tuple[str, Gazetteer]]:
    path = locator.gazetteer
    if path is None:
        return []
    return [(path.name, _read_gazetteer(path, "", findings))]


def _read_pins(path: Path, findings: Findings) -> dict[str, Place]:
    rows = read_table(
        path, findings, required=PIN_COLUMNS[:3], optional=PIN_COLUMNS[3:]
    )
    pins: dict[str, Place] = {}
    first: dict[str, int | None] = {}
    for row in rows or ():
        address = row.text("address")
        key = address_key(address)
        if not key:
            row.refuse("address", shown(address), "an address as it was typed")
        elif key in pins:
            row.refuse(
                "address", shown(address), f"each once; line {first[key]} has it too"
            )
        place = read_point(row, ("lat", "lon"), address)
        if place is not None:
            pins.setdefault(key, place)
            first.setdefault(key, row.line)
    return pins


def _read_gazetteer(path: Path, credit: str, findings: Findings) -> Gazetteer:
    rows = read_table(
        path,
        findings,
        required=("lat", "lon"),
        optional=ENTRY_COLUMNS,
        why="one line for each address, with its lat and lon",
    )
    entries = []
    for row in rows or ():
        point = read_point(row, ("lat", "lon"))
        parts = {column: row.text(column) for column in ENTRY_COLUMNS}
        if not parts["street"] and not parts["name"]:
            row.refuse("street", "nothing", "a street, or the name of a place")
        elif point is not None:
            entries.append(Entry(lat_deg=point.lat_deg, lon_deg=point.lon_deg, **parts))
    return Gazetteer(entries, credit)


def read_point(row: Row, columns: tuple[str, str], name: str = "") -> Place | None:
    """Return the point of two cells.

    Parameters
    ----------
    row : Row
        Where they stand.
    columns : tuple of str and str
        Of latitude and longitude.
    name : str
        What it is called.

    Returns
    -------
    Place or None
        None where a fault was noted.
    """
    nowhere: float | None = None
    lat = row.demand(columns[0], cells.degrees(90, "latitude"), nowhere)
    lon = row.demand(columns[1], cells.degrees(180, "longitude"), nowhere)
    if lat is None or lon is None:
        return None
    return Place(lat_deg=lat, lon_deg=lon, name=name)


def point_from(lat: str, lon: str) -> Place:
    """Return the point that somebody typed.

    Parameters
    ----------
    lat, lon : str
        Decimal degrees.

    Returns
    -------
    Place
        Without a name.

    Raises
    ------
    InvalidInput
        With what is wrong.
    """
    findings = Findings()
    said = {"lat": lat, "lon": lon}
    row = Row(file="the place", line=None, cells=said, findings=findings)
    found = read_point(row, ("lat", "lon"))
    if found is None:
        raise InvalidInput(findings.faults)
    return found


def _csv_name(text: str) -> str:
    if not text.lower().endswith(".csv") or cells.an_id(text) != text:
        raise Refused("the name of a csv file in this folder, such as streets.csv")
    return text


def server_url(text: str) -> str:
    """Return the address of a server.

    Parameters
    ----------
    text : str
        As somebody typed it.

    Returns
    -------
    str
        With its scheme, without a slash at its end.

    Raises
    ------
    InvalidInput
        When it is none.
    """
    try:
        return _address(text)
    except Refused as refused:
        fault = Fault(file="the address server", got=shown(text), expected=str(refused))
        raise InvalidInput([fault]) from None


def _address(text: str) -> str:
    scheme, _, rest = text.partition("://")
    if scheme not in {"http", "https"} or not rest or " " in text or "@" in rest:
        raise Refused("an address of a server such as https://places.example.org")
    return text.rstrip("/")


def _seconds(least: float, most: float) -> Callable[[str], float]:
    def parse(text: str) -> float:
        number = float(cells.decimal(text))
        if not least <= number <= most:
            raise Refused(f"seconds from {least:g} to {most:g}")
        return number

    return parse
