"""What ``keyround serve`` and its sisters do around the service itself."""

import gzip
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from tempfile import NamedTemporaryFile

from api.course import queue
from api.folder import Given, files_of, load, move_to, read_path
from api.roads import Surveyor
from api.settings import Settings
from api.store import SqlStore
from api.store.archive import dump, restore
from api.store.days import is_taken, list_briefs
from api.store.places import pins_of
from dispatch.report import write_files
from dispatch.scenario import Locator
from shared.errors import Conflict, Fault, InvalidInput

ATTACHED = "KEYROUND_ATTACHED"
"""For a worker that ends with the process that started it: the id of that one."""

AGAIN_S = 1.0  # after which a worker that died is started anew
PATIENCE_S = 5.0  # a worker that is told to stop has this long; its job is not lost


def load_folder(
    store: SqlStore,
    folder: Path,
    *,
    today: bool = False,
    locator: Locator | None = None,
    roads: Surveyor | None = None,
) -> str | None:
    """Load a folder's day, and have it planned.

    Parameters
    ----------
    store : SqlStore
        Where to.
    folder : Path
        The folder.
    today : bool
        Whether the day is moved to today, on its own clock; a day that is there
        already stays as it is then.
    locator : Locator, optional
        What is known of addresses beside the folder.
    roads : Surveyor or None
        The road network that the firm's own places have to be on.

    Returns
    -------
    str or None
        The day's date; ``None``: it was there already.

    Raises
    ------
    Conflict
        When there is a day of that date.
    InvalidInput
        With every fault of the folder.
    """
    with store.read() as transaction:
        known = pins_of(transaction)
    locator = replace(locator or Locator(), pins=known)
    given: Given = read_path(folder, locator)
    if roads is not None:
        roads.check(given.day)
    if today:
        given = move_to(given, datetime.now(UTC).astimezone(given.day.zone).date())
    with store.write() as transaction:
        if is_taken(transaction, given.day_id):
            if today:
                return None
            raise Conflict(f"{given.day_id} is there already")
        load(transaction, given)
        if given.record is None:
            queue(transaction, given.day_id)
    return given.day_id


def export_all(store: SqlStore, folder: Path) -> list[str]:
    """Write every day as a scenario folder.

    Parameters
    ----------
    store : SqlStore
        What is exported.
    folder : Path
        Where to: a folder each, named after its date; new or empty.

    Returns
    -------
    list of str
        The dates.

    Raises
    ------
    InvalidInput
        When something is there already.
    """
    if folder.exists() and any(folder.iterdir()):
        fault = Fault(
            file=str(folder),
            got="something that is there already",
            expected="a new or an empty folder",
        )
        raise InvalidInput([fault])
    with store.read() as transaction:
        days = [brief.id for brief in list_briefs(transaction)]
        for day_id in days:
            write_files(files_of(transaction, day_id), folder / day_id)
    return days


def back_up(store: SqlStore, file: Path) -> None:
    """Write everything into one file, whole or not at all.

    Parameters
    ----------
    store : SqlStore
        What is kept.
    file : Path
        Overwritten if it is there.
    """
    with NamedTemporaryFile(dir=file.parent, delete=False) as raw:
        try:
            with (
                gzip.open(raw, "wt", encoding="utf-8") as out,
                store.read() as transaction,
            ):
                for line in dump(transaction):
                    out.write(line + "\n")
            raw.flush()
            os.fsync(raw.fileno())
            Path(raw.name).replace(file)
        except BaseException:
            Path(raw.name).unlink(missing_ok=True)
            raise


def bring_back(store: SqlStore, file: Path) -> int:
    """Take a backup into an empty store.

    Parameters
    ----------
    store : SqlStore
        Where to.
    file : Path
        As :func:`back_up` writes it.

    Returns
    -------
    int
        How many rows.

    Raises
    ------
    Conflict
        When the store is not empty.
    InvalidInput
        When it is no whole backup.
    """
    try:
        with (
            gzip.open(file, "rt", encoding="utf-8") as lines,
            store.write() as transaction,
        ):
            return restore(transaction, lines)
    except (EOFError, gzip.BadGzipFile, UnicodeDecodeError) as error:
        fault = Fault(
            file=str(file), got="something else", expected="a whole backup file"
        )
        raise InvalidInput([fault]) from error


@contextmanager
def worker(settings: Settings) -> Iterator[None]:
    """Run a worker beside the service, and start it anew where it dies.

    Parameters
    ----------
    settings : Settings
        The service's.

    Yields
    ------
    None
        While it works.
    """
    stop = threading.Event()
    running: list[subprocess.Popen[bytes]] = []
    environment = {
        **os.environ,
        ATTACHED: str(os.getpid()),
        "KEYROUND_DATABASE": settings.database,  # never among the arguments: passwords
        "KEYROUND_ROADS": settings.roads,
    }
    command = [
        sys.executable,
        "-c",
        "from api.cli import main; main()",
        "work",
        "--data",
        str(settings.folder),
    ]

    def watch() -> None:
        while not stop.is_set():
            # in a group of its own: Ctrl-C is the service's to answer
            child = subprocess.Popen(  # noqa: S603 - our own program
                command, env=environment, start_new_session=True
            )
            running[:] = [child]
            if stop.is_set():
                child.terminate()
            child.wait()
            stop.wait(AGAIN_S)

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    try:
        yield
    finally:
        stop.set()
        for child in running:
            child.terminate()
            with suppress(subprocess.TimeoutExpired):
                child.wait(PATIENCE_S)
            child.kill()
        watcher.join(PATIENCE_S)
