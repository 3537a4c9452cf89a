"""A large file is read whole once; as soon as it may be another one, again."""

import hashlib
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

import pytest

from dispatch.travel.digest import SETTLED_NS, digest_of


class Watched:
    """A file that notes how often it was read from its start to its end."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self.reads = 0

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)

    def readinto(self, room: Any) -> int:
        self.reads += 1
        return self._file.readinto(room)  # type: ignore[attr-defined, no-any-return]


def later() -> int:
    """Return a time long after any file here was written."""
    return time.time_ns() + 10 * SETTLED_NS


def ask(
    path: Path, memory: Path, clock_ns: Callable[[], int] = later
) -> tuple[str, bool]:
    """Return a file's digest, and whether it was read for that."""
    with path.open("rb") as file:
        watched = Watched(file)
        return digest_of(watched, path, memory, clock_ns), watched.reads > 0  # type: ignore[arg-type]


@pytest.fixture
def extract(tmp_path: Path) -> Path:
    path = tmp_path / "region.osm.pbf"
    path.write_bytes(b"roads")
    return path


ROADS, LANES = (hashlib.sha256(text).hexdigest() for text in (b"roads", b"lanes"))


def test_a_file_is_read_the_first_time_only(extract: Path, tmp_path: Path) -> None:
    memory = tmp_path / "memory"
    assert ask(extract, memory) == (ROADS, True)
    assert ask(extract, memory) == (ROADS, False)
    assert [path.suffix for path in memory.iterdir()] == [".json"]  # no draft is left


def test_a_file_of_the_same_size_and_time_is_not_taken_for_the_old_one(
    extract: Path, tmp_path: Path
) -> None:
    memory = tmp_path / "memory"
    ask(extract, memory)
    before = extract.stat()
    extract.write_bytes(b"lanes")
    os.utime(extract, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert extract.stat().st_mtime_ns == before.st_mtime_ns
    assert ask(extract, memory) == (LANES, True)
    other = tmp_path / "other"
    other.write_bytes(b"roads")
    os.utime(other, ns=(before.st_atime_ns, before.st_mtime_ns))
    other.replace(extract)
    assert ask(extract, memory) == (ROADS, True)


def test_a_file_that_may_still_be_written_to_is_read_again(
    extract: Path, tmp_path: Path
) -> None:
    written_ns = extract.stat().st_ctime_ns
    for _ in range(2):
        found = ask(extract, tmp_path / "memory", lambda: written_ns + SETTLED_NS)
        assert found == (ROADS, True)
    assert ask(extract, tmp_path / "memory", lambda: written_ns + SETTLED_NS + 1)[1]
    assert not ask(extract, tmp_path / "memory")[1]


def test_what_is_remembered_of_one_file_says_nothing_of_another(
    extract: Path, tmp_path: Path
) -> None:
    memory = tmp_path / "memory"
    ask(extract, memory)
    other = tmp_path / "lanes.osm.pbf"
    other.write_bytes(b"lanes")
    assert ask(other, memory) == (LANES, True)
    assert ask(extract, memory) == (ROADS, False)


@pytest.mark.parametrize("text", ["", "{", "[]", '{"looks": []}', '{"looks": 1}'])
def test_a_note_that_is_damaged_is_written_anew(
    extract: Path, tmp_path: Path, text: str
) -> None:
    memory = tmp_path / "memory"
    ask(extract, memory)
    (note,) = memory.iterdir()
    note.write_text(text)
    assert ask(extract, memory) == (ROADS, True)
    assert ask(extract, memory) == (ROADS, False)


def test_where_nothing_can_be_remembered_the_file_is_read_each_time(
    extract: Path,
) -> None:
    for _ in range(2):  # a file is no folder
        assert ask(extract, extract / "memory") == (ROADS, True)
