"""Writes every report of a plan into one folder."""

import os
import re
import tempfile
import unicodedata
from pathlib import Path

from shared.dialect import USUAL, Dialect
from shared.model import Answer

# What earlier plans may have left: their name, and what shows that they are ours.
_PER_VAN = (
    ("sheet-*.html", b'<meta name="generator" content="keyround">'),
    ("calendar-*.ics", b"PRODID:-//keyround//"),
)


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
    contents = _render(answer, dialect)
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".keyround-", dir=folder) as draft:
        for name, content in contents.items():
            (Path(draft) / name).write_bytes(content)
        for name in contents:
            os.replace(Path(draft) / name, folder / name)  # noqa: PTH105 - whole or not
    for pattern, mark in _PER_VAN:
        for path in sorted(folder.glob(pattern)):
            if path.name not in contents and mark in path.read_bytes():
                path.unlink()
    return [folder / name for name in contents]


def _render(answer: Answer, dialect: Dialect) -> dict[str, bytes]:
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
        "plan.txt": plan_text(answer).encode(),
        **{
            f"sheet-{name}.html": sheet_html(answer, route).encode()
            for name, route in named
        },
        **{
            f"calendar-{name}.ics": calendar_bytes(answer, route)
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
