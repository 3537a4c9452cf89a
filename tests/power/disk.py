"""A disk that loses power: what a recorded course of writes may have left on it.

What was made durable (fsync) is there. Of what was written since, any part may be
there: all, nothing, some sectors of some writes, later ones without earlier ones. Names
that were made or removed since their folder was made durable are there up to any one of
them, as a file system with a journal keeps them.
"""

import random
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

SECTOR = 512
HEAD = struct.Struct("<cQqQ")


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """Something that was done: c(reated), w(ritten), t(runcated), s(ynced), u(nlinked).

    Parameters
    ----------
    what : str
        The letter.
    name : str
        Of the file below the folder; empty: the folder itself.
    at : int
        Where, or the length it was cut to.
    data : bytes
        What was written.
    """

    what: str
    name: str
    at: int
    data: bytes


def read_steps(log: Path) -> list[Step]:
    """Read what was recorded."""
    raw = log.read_bytes()
    steps, at = [], 0
    while at < len(raw):
        what, named, offset, length = HEAD.unpack_from(raw, at)
        at += HEAD.size
        name = raw[at : at + named].decode()
        data = raw[at + named : at + named + length]
        at += named + length
        steps.append(Step(what=what.decode(), name=name, at=offset, data=data))
    return steps


@dataclass(slots=True, eq=False)
class Blocks:
    """What of one file is durable, and what is not yet."""

    durable: bytes = b""
    pending: list[Step] = field(default_factory=list)

    def left(self, chance: random.Random, share: float) -> bytes:
        """Return what may be left of it: each sector not durable by a chance."""
        data = bytearray(self.durable)
        for step in self.pending:
            if step.what == "t":
                if chance.random() < share:
                    _cut(data, step.at)
                continue
            for begin, end in _sectors(step):
                if chance.random() < share:
                    _put(data, begin, step.data[begin - step.at : end - step.at])
        return bytes(data)

    def sync(self) -> None:
        """Make all of it durable."""
        self.durable = self.left(random.Random(0), 1.1)  # noqa: S311 - all of it
        self.pending = []


def _sectors(step: Step) -> Iterator[tuple[int, int]]:
    begin, last = step.at, step.at + len(step.data)
    while begin < last:
        end = min(last, (begin // SECTOR + 1) * SECTOR)
        yield begin, end
        begin = end


def _cut(data: bytearray, length: int) -> None:
    data[length:] = bytes(max(0, length - len(data)))


def _put(data: bytearray, at: int, piece: bytes) -> None:
    if len(data) < at:
        _cut(data, at)
    data[at : at + len(piece)] = piece


class Disk:
    """A folder on a disk, step by step."""

    def __init__(self) -> None:
        self.names: dict[str, Blocks] = {}  # as the process sees them
        self.durable: dict[str, Blocks] = {}
        self.pending: list[tuple[str, Blocks | None]] = []

    def do(self, step: Step) -> None:
        """Take in one step."""
        if step.what == "s" and not step.name:
            self.durable = dict(self.names)
            self.pending = []
        elif step.what == "s":
            self.names[step.name].sync()
        elif step.what == "c":
            self.names[step.name] = Blocks()
            self.pending.append((step.name, self.names[step.name]))
        elif step.what == "u":
            del self.names[step.name]
            self.pending.append((step.name, None))
        else:
            self.names[step.name].pending.append(step)

    def left(self, chance: random.Random, share: float) -> dict[str, bytes]:
        """Return what may be left: of what is not durable about so large a share.

        Parameters
        ----------
        chance : Random
            Decides.
        share : float
            0: only what is durable; 1: all.
        """
        names = dict(self.durable)
        for name, blocks in self.pending:
            if chance.random() >= share:
                break
            if blocks is None:
                names.pop(name, None)
            else:
                names[name] = blocks
        return {name: blocks.left(chance, share) for name, blocks in names.items()}
