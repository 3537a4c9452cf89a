"""Writes every report of a plan into one folder."""

import os
import re
import tempfile
import unicodedata
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from shared.dialect import USUAL, Dialect
from shared.model import Answer, Day, Outlook

if TYPE_CHECKING:  # whoever has shelves has imported it
    from dispatch.shelves import Shelves

# What earlier plans may have left: their name, and what shows that they are ours.
_PER_VAN = (
    ("sheet-*.html", b'<meta name="generator" content="keyround">'),
    ("calendar-*.ics", b"PRODID:-//keyround//"),
)
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


def write_all(answer: Answer, folder: Path, dialect: Dialect = USUAL) -> list[Path]:
    """Write all reports of an answer.

    Everything is made before the first file is touched, and a file is replaced
    whole or not at all. Day sheets and calendars of an earlier plan are removed, so
    that nobody drives by one.

    Parameters
    ----------
    answer : Answer
        What was planned.
    folder : Path
        Where; it is made if it is not there.
    dialect : Dialect, optional
        How the reader's spreadsheet writes tables.

    Returns
    -------
    list of Path
        The files, in the order in which a person would open them.

    Raises
    ------
    OSError
        When the folder cannot be written.
    """
    return _put(_render(answer, dialect), folder)


def write_outlook(
    outlook: Outlook, folder: Path, dialect: Dialect = USUAL
) -> list[Path]:
    """Write the reports of several days: one folder a day, and two files for all.

    As :func:`write_all`, and day sheets and calendars of later days that are now no
    longer worked are removed as well, from the first day on.

    Parameters
    ----------
    outlook : Outlook
        What was planned.
    folder : Path
        Where; each day gets a folder named after its date in it.
    dialect : Dialect, optional
        How the reader's spreadsheet writes tables.

    Returns
    -------
    list of Path
        The files, in the order in which a person would open them.

    Raises
    ------
    OSError
        When the folder cannot be written.
    """
    from dispatch.report.document import outlook_json  # noqa: PLC0415 - as below
    from dispatch.report.text import outlook_text  # noqa: PLC0415

    days = {
        answer.day.date.isoformat(): _render(answer, dialect, provisional=number > 0)
        for number, answer in enumerate(outlook.answers)
    }
    both = {
        "outlook.txt": outlook_text(outlook).encode(),
        "outlook.json": outlook_json(outlook).encode(),
    }
    written = _put(both, folder)
    for name, contents in days.items():
        written += _put(contents, folder / name)
    for path in sorted(folder.iterdir()):
        stale = path.name > min(days) and path.name not in days
        if stale and _DATE.fullmatch(path.name) and path.is_dir():
            _clear(path, set())
    return written


def write_shelves(
    day: Day, made: "Shelves", folder: Path, dialect: Dialect = USUAL
) -> list[Path]:
    """Write the reports of the shelves: text, JSON and tables.

    Parameters
    ----------
    day : Day
        The day they were reckoned for.
    made : Shelves
        What should lie where.
    folder : Path
        Where; it is made if it is not there. A plan that lies there stays.
    dialect : Dialect, optional
        How the reader's spreadsheet writes tables.

    Returns
    -------
    list of Path
        The files, in the order in which a person would open them.

    Raises
    ------
    OSError
        When the folder cannot be written.
    """
    from dispatch.report.csvfile import shelves_tables  # noqa: PLC0415 - as below
    from dispatch.report.shelf import shelves_document, shelves_json  # noqa: PLC0415
    from dispatch.report.text import shelves_text  # noqa: PLC0415

    made_tables = shelves_tables(shelves_document(day, made), dialect)
    contents = {
        "shelves.txt": shelves_text(day, made).encode(),
        **{name: text.encode("utf-8-sig") for name, text in made_tables.items()},
        "shelves.json": shelves_json(day, made).encode(),
    }
    return write_files(contents, folder)


def write_files(contents: Mapping[str, bytes], folder: Path) -> list[Path]:
    """Write files into a folder, each whole or not at all.

    Parameters
    ----------
    contents : mapping of str to bytes
        By name.
    folder : Path
        Where; it is made if it is not there.

    Returns
    -------
    list of Path
        The files, in their order.

    Raises
    ------
    OSError
        When the folder cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".keyround-", dir=folder) as draft:
        for name, content in contents.items():
            (Path(draft) / name).write_bytes(content)
        for name in contents:
            os.replace(Path(draft) / name, folder / name)  # noqa: PTH105 - whole or not
    return [folder / name for name in contents]


def _put(contents: dict[str, bytes], folder: Path) -> list[Path]:
    """Write files, and remove those that an earlier plan left."""
    written = write_files(contents, folder)
    _clear(folder, set(contents))
    return written


def _clear(folder: Path, kept: set[str]) -> None:
    """Remove what an earlier plan left for vans or days that are no longer in it."""
    for pattern, mark in _PER_VAN:
        for path in sorted(folder.glob(pattern)):
            if path.name not in kept and mark in path.read_bytes():
                path.unlink()


def _render(
    answer: Answer, dialect: Dialect, *, provisional: bool = False
) -> dict[str, bytes]:
    # Each of these costs import time that a plan on the terminal does not need.
    from dispatch.report.calendar import calendar_bytes  # noqa: PLC0415
    from dispatch.report.csvfile import tables  # noqa: PLC0415
    from dispatch.report.document import document, plan_json  # noqa: PLC0415
    from dispatch.report.geojson import geojson_text  # noqa: PLC0415
    from dispatch.report.sheet import sheet_html  # noqa: PLC0415
    from dispatch.report.text import plan_text  # noqa: PLC0415

    plan = document(answer)
    names = name_files([route.van_id for route in answer.plan.routes])
    named = list(zip(names, answer.plan.routes, strict=True))
    return {
        "plan.txt": plan_text(answer, provisional=provisional).encode(),
        **{
            f"sheet-{name}.html": sheet_html(
                answer, route, provisional=provisional
            ).encode()
            for name, route in named
        },
        **{
            f"calendar-{name}.ics": calendar_bytes(
                answer, route, provisional=provisional
            )
            for name, route in named
        },
        **{
            name: text.encode("utf-8-sig")
            for name, text in tables(plan, dialect).items()
        },
        "routes.geojson": geojson_text(plan).encode(),
        "plan.json": plan_json(answer).encode(),
    }


def name_files(van_ids: list[str]) -> list[str]:
    """Return a name for each van that any file system takes.

    Parameters
    ----------
    van_ids : list of str
        As the firm calls them.

    Returns
    -------
    list of str
        Lower-case letters, digits and dashes; all different.
    """
    names: list[str] = []
    for van_id in van_ids:
        plain = unicodedata.normalize("NFKD", van_id).encode("ascii", "ignore").decode()
        slug = re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:40] or "van"
        name, number = slug, 2
        while name in names:
            name, number = f"{slug}-{number}", number + 1
        names.append(name)
    return names
