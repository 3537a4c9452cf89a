"""The digest of a large file, worked out once and remembered.

A country's extract has gigabytes, and reading all of it takes seconds; that it is the
file of last time is known from what the file system says of it.
"""

import hashlib
import json
import os
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from io import BufferedReader
from pathlib import Path

# A file that changed so short a time ago may change again within one tick of the file
# system's clock, and then looks the same: it is not remembered. Ticks are 2 s at most.
SETTLED_NS = 2_000_000_000


def digest_of(
    file: BufferedReader,
    path: Path,
    memory: Path,
    clock_ns: Callable[[], int] = time.time_ns,
) -> str:
    """Return a file's SHA-256, read whole only where the file may be another.

    Parameters
    ----------
    file : binary file
        Open, at its start; where it stands afterwards is not said.
    path : Path
        Where it lies.
    memory : Path
        A folder for what is remembered; it need not be there. Where it cannot be
        written, nothing is remembered.
    clock_ns : callable, optional
        The time, in nanoseconds since 1970.

    Returns
    -------
    str
        64 hexadecimal digits.

    Raises
    ------
    OSError
        When the file cannot be read.

    Notes
    -----
    Size, times of the last change of its content and of its entry, number in the file
    system: if all are the same, it is taken for the same file. Nobody but the system
    sets the time of the entry's change, so a file that is copied over with its old
    time is seen all the same (on Windows that time is the one of creation).
    """
    note = memory / f"{hashlib.sha256(os.fsencode(path.resolve())).hexdigest()}.json"
    looks = _looks(file)
    try:
        known = json.loads(note.read_text(encoding="utf-8"))
        if known["looks"] == looks and isinstance(known["sha256"], str):
            return str(known["sha256"])
    except (OSError, ValueError, TypeError, KeyError):
        pass
    begun_ns = clock_ns()
    sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    if looks == _looks(file) and begun_ns - max(looks[1:3]) > SETTLED_NS:
        _keep(note, json.dumps({"looks": looks, "sha256": sha256}))
    return sha256


def _looks(file: BufferedReader) -> list[int]:
    """Return what the file system says of a file."""
    told = os.fstat(file.fileno())
    return [told.st_size, told.st_mtime_ns, told.st_ctime_ns, told.st_ino]


def _keep(note: Path, text: str) -> None:
    """Write a note, whole or not at all."""
    with suppress(OSError):  # without it all is as slow as before, and as right
        note.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".keyround-", dir=note.parent) as place:
            draft = Path(place) / note.name
            draft.write_text(text, encoding="utf-8")
            draft.replace(note)
