"""What the service does, as functions of the desk: the use cases.

The desk holds what is handed in at the edge: the store and the clock.
"""

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from api.store import Transaction


class Store(Protocol):
    """Where all is kept; see :class:`api.store.SqlStore`."""

    heard: Callable[[], None]

    def read(self) -> AbstractContextManager[Transaction]:
        """Look at it as it is at one moment."""

    def write(self) -> AbstractContextManager[Transaction]:
        """Write, alone."""

    def ping(self) -> None:
        """Ask whether it is there."""

    def close(self) -> None:
        """Let go of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What every use case is given.

    Parameters
    ----------
    store : Store
        Where all is kept.
    clock : callable
        Now, aware.
    """

    store: Store
    clock: Callable[[], datetime]
