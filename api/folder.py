"""A day as the files of a scenario folder, to load and to take away, loss-free.

The tables of a folder hold what people edit. What they cannot hold (plans, how each
fact came in, what was counted) stands beside them in ``record.json``, which is taken
only as long as nobody has edited the tables: then these count.
"""

import hashlib
import json
import re
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

from api.store import Transaction
from api.store.days import KEPT, add_day, read_day, read_files
from api.store.facts import list_facts
from api.store.rows import read_rows, write_rows
from api.store.stock import move, stocks_of
from dispatch.reserve import hold
from dispatch.scenario import (
    Locator,
    read_happened,
    read_scenario,
    write_facts,
    write_scenario,
)
from shared.errors import Fault, InvalidInput
from shared.model import Day

RECORD = "record.json"
_TABLES = (
    "day.toml",
    "calls.csv",
    "vans.toml",
    "parts.csv",
    "stock.csv",
    "travel.csv",
    "facts.csv",
    "booked.csv",
)
_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,63}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """A folder that was read.

    Parameters
    ----------
    day : Day
        Its day.
    files : mapping of str to bytes
        What is kept of it as it is.
    record : mapping or None
        What the tables cannot hold, where they are still those it was made of.
    """

    day: Day
    files: Mapping[str, bytes]
    record: Mapping[str, Any] | None = None

    @property
    def day_id(self) -> str:
        """The day's id.

        Returns
        -------
        str
            Its date.
        """
        return self.day.date.isoformat()


def read_folder(
    files: Mapping[str, bytes], name: str = "day", locator: Locator | None = None
) -> Given:
    """Read the files of a folder.

    Parameters
    ----------
    files : mapping of str to bytes
        By name.
    name : str
        What the day is called unless its files say.
    locator : Locator, optional
        What is known of addresses beside the files.

    Returns
    -------
    Given
        The day and what goes with it.

    Raises
    ------
    InvalidInput
        With every fault.
    """
    odd = [file for file in files if not _NAME.fullmatch(file)]
    if odd:
        expected = "a file name of letters, digits, '_', '-' and '.'"
        raise InvalidInput(
            Fault(file="files", got=f"'{file[:60]}'", expected=expected) for file in odd
        )
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / (name if _NAME.fullmatch(name) else "day")
        folder.mkdir()
        for file, body in files.items():
            (folder / file).write_bytes(body)
        day = read_scenario(folder, locator)
        if "facts.csv" in files:
            read_happened(folder, hold(day), None, locator)
    return Given(
        day=day,
        files={file: files[file] for file in KEPT if file in files},
        record=_read_record(files),
    )


def read_path(folder: Path, locator: Locator | None = None) -> Given:
    """Read a folder.

    Parameters
    ----------
    folder : Path
        Holds the files.
    locator : Locator, optional
        What is known of addresses beside it.

    Returns
    -------
    Given
        The day and what goes with it.

    Raises
    ------
    InvalidInput
        With every fault.
    """
    if not (folder / "day.toml").exists():
        read_scenario(folder, locator)  # says what is wrong
    files = {
        file.name: file.read_bytes()
        for file in sorted(folder.iterdir())
        if file.is_file()
        and (file.suffix in (".csv", ".toml") or file.name in (RECORD, "README.md"))
    }
    return read_folder(files, folder.name, locator)


def move_to(given: Given, day: date) -> Given:
    """Move a day to another date, as a day on which nothing has happened yet.

    Parameters
    ----------
    given : Given
        The day.
    day : datetime.date
        Where to.

    Returns
    -------
    Given
        Every date in it moved by the same number of days; clock times stay.
    """
    by = day - given.day.date
    moved = replace(
        given.day,
        date=day,
        calls=tuple(
            replace(call, dates=tuple(each + by for each in call.dates))
            for call in given.day.calls
        ),
        vans=tuple(
            replace(van, off=frozenset(each + by for each in van.off))
            for van in given.day.vans
        ),
    )
    untold = ("facts.csv", "booked.csv")
    files = {name: body for name, body in given.files.items() if name not in untold}
    return Given(day=moved, files=files)


def load(transaction: Transaction, given: Given) -> None:
    """Put a day into the store.

    Parameters
    ----------
    transaction : Transaction
        That writes; the date is free.
    given : Given
        The day.

    Raises
    ------
    InvalidInput
        When its record is broken.
    """
    day_id = given.day_id
    if given.record is not None:
        write_rows(transaction, day_id, given.record)
    else:
        add_day(transaction, given.day, given.files)
        move(transaction, day_id, ({}, stocks_of(given.day)), "morning")
    data = {"day": day_id, "revision": 1, "gone": False}
    transaction.tell("day", data, day_id=day_id)


def files_of(transaction: Transaction, day_id: str) -> dict[str, bytes]:
    """Return a day as the files of a folder.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Its date; the day is there.

    Returns
    -------
    dict of str to bytes
        What :func:`read_folder` takes back.
    """
    day = read_day(transaction, day_id)
    assert day is not None  # noqa: S101 - the caller has looked
    happened = [told.fact for told in list_facts(transaction, day_id)]
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        write_scenario(day, folder)
        if happened:
            write_facts(hold(day), happened, folder)
        files = {file.name: file.read_bytes() for file in sorted(folder.iterdir())}
    files |= read_files(transaction, day_id)
    rows = read_rows(transaction, day_id)
    record = {"format": "keyround record", "version": 1, "digest": _digest(files)}
    text = json.dumps({**record, "rows": rows}, ensure_ascii=False, indent=1)
    return {**files, RECORD: (text + "\n").encode()}


def _digest(files: Mapping[str, bytes]) -> str:
    """Return a digest of what people edit."""
    parts = [
        f"{name} {hashlib.sha256(files[name]).hexdigest()}"
        for name in (*_TABLES, *KEPT)
        if name in files
    ]
    return hashlib.sha256("\n".join(dict.fromkeys(parts)).encode()).hexdigest()


def _read_record(files: Mapping[str, bytes]) -> Mapping[str, Any] | None:
    if RECORD not in files:
        return None
    try:
        record = json.loads(files[RECORD])
    except ValueError:
        record = None
    if not isinstance(record, dict) or record.get("format") != "keyround record":
        expected = "the record that was exported with the folder, or none"
        raise InvalidInput(
            [Fault(file=RECORD, got="something else", expected=expected)]
        )
    if record.get("digest") != _digest(files):
        return None
    rows = record.get("rows")
    return rows if isinstance(rows, dict) else None
