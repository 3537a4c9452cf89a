"""Everything that can go wrong, as one tree.

::

    KeyroundError
    ├── InvalidInput   the request is wrong: every fault, each with its place
    ├── Conflict       the request was right, but the day has moved on
    │   └── Overtaken  what stands cannot be done any more
    ├── Unavailable    something outside did not answer (map, database, geocoder)
    └── Defect         keyround is wrong: its own judge refuses its plan

A call that cannot be planned is none of these: it is an answer with a reason.
"""

from collections.abc import Iterable
from dataclasses import dataclass


class KeyroundError(Exception):
    """Root of every error that leaves this project."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing that is wrong with the input.

    Parameters
    ----------
    file : str
        File the fault is in, relative to the scenario folder.
    got : str
        What stands there.
    expected : str
        What would be right.
    row : int, optional
        Line of the file as an editor counts it (the header is line 1).
    column : str, optional
        Column of a table, or dotted key of a TOML file.
    """

    file: str
    got: str
    expected: str
    row: int | None = None
    column: str | None = None

    def __str__(self) -> str:
        """Return the fault as one readable line."""
        where = self.file
        if self.row is not None:
            where += f", line {self.row}"
        if self.column is not None:
            where += f", {self.column}"
        return f"{where}: got {self.got}; expected {self.expected}"


class InvalidInput(KeyroundError):  # noqa: N818 - the house's words
    """The request is wrong; carries every fault that was found, not the first.

    Parameters
    ----------
    faults : iterable of Fault
        At least one.
    """

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class Conflict(KeyroundError):  # noqa: N818 - the house's words
    """The request was right when it was made, but the day has moved on."""


class Overtaken(Conflict):
    """What stands cannot be done any more: the rest has to be planned anew first."""


class Unavailable(KeyroundError):  # noqa: N818 - the house's words
    """Something outside did not answer."""


class Defect(KeyroundError):  # noqa: N818 - the house's words
    """Keyround is wrong: its own judge refuses its plan. Nothing was handed out."""
