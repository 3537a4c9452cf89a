"""What the service is handed at the edge, and what it knows of a day at one moment.

The use cases are functions of a transaction: what they check and what they write is one
step. Those that change a running day stand in :mod:`api.course`.
"""

import threading
from collections.abc import Callable, Hashable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Protocol, TypeVar

from api.problems import NotFound
from api.roads import Surveyor
from api.store import Transaction
from api.store.days import (
    Brief,
    find_brief,
    list_rows,
    read_day,
    read_learnt,
    seen,
)
from api.store.facts import Told, last_seq, list_facts
from api.store.plans import InForce, find_in_force, find_version
from dispatch.lesson import with_figures
from dispatch.reserve import hold
from dispatch.scenario import Locator
from dispatch.state import State, replay
from shared.facts import Fact
from shared.model import Call, Day

T = TypeVar("T")
KEPT = 24  # values that are kept in memory; own choice: some days at a time


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


class Crew(Protocol):
    """Who works out what has to be answered now; see :mod:`api.crew`."""

    def call(self, work: Callable[..., T], *given: object) -> T:
        """Do some work.

        Parameters
        ----------
        work : callable
            A function of a module.
        *given : object
            What it is given.

        Returns
        -------
        any
            What it returns.

        Raises
        ------
        Unavailable
            When it cannot be done just now.
        """

    def close(self) -> None:
        """Let go of it."""


class Cache:
    """Values that are slow to read and never change under their key."""

    def __init__(self) -> None:
        self._kept: dict[Hashable, Any] = {}
        self._lock = threading.Lock()

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return a value, made if it is not there.

        Parameters
        ----------
        key : hashable
            Says all that the value depends on.
        make : callable
            Makes it.

        Returns
        -------
        any
            The value.
        """
        with self._lock:
            if key in self._kept:
                kept: T = self._kept[key]
                return kept
        found = make()  # without the lock: twice is no harm, waiting would be
        with self._lock:
            self._kept[key] = found
            while len(self._kept) > KEPT:
                del self._kept[next(iter(self._kept))]
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What every use case is given.

    Parameters
    ----------
    store : Store
        Where all is kept.
    clock : callable
        Now, aware.
    crew : Crew
        Who works out what has to be answered now.
    cache : Cache
        What has been read already.
    locator : Locator
        What the owner has named to find addresses in; by default nothing, and nobody is
        asked.
    roads : Surveyor or None
        The road network that days are laid on; ``None``: straight lines.
    """

    store: Store
    clock: Callable[[], datetime]
    crew: Crew
    cache: Cache = field(default_factory=Cache)
    locator: Locator = field(default_factory=Locator)
    roads: Surveyor | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """A day as it is known at one moment.

    Parameters
    ----------
    brief : Brief
        The day in a few words.
    day : Day
        As it was planned, with its slots kept free.
    told : tuple of Told
        What happened.
    state : State
        What that comes to.
    """

    brief: Brief
    day: Day
    told: tuple[Told, ...]
    state: State

    @property
    def log(self) -> tuple[Fact, ...]:
        """What happened, without how it came in.

        Returns
        -------
        tuple of Fact
            As it came in.
        """
        return tuple(each.fact for each in self.told)

    @property
    def seq(self) -> int:
        """The number of the last fact.

        Returns
        -------
        int
            0: nothing happened yet.
        """
        return self.told[-1].seq if self.told else 0

    @property
    def whole(self) -> Day:
        """The day with the calls that came in, each with the promise that holds.

        Returns
        -------
        Day
            For people; those that were cancelled are among them.
        """
        calls = tuple(now.call for now in self.state.calls.values())
        return replace(self.day, calls=calls)


def brief_of(transaction: Transaction, day_id: str) -> Brief:
    """Return a day in a few words.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Its date.

    Returns
    -------
    Brief
        The day.

    Raises
    ------
    NotFound
        When there is none.
    """
    brief = find_brief(transaction, day_id)
    if brief is None:
        raise NotFound("there is no such day")
    return brief


def know(desk: Desk, transaction: Transaction, day_id: str) -> Known:
    """Return a day as it is known.

    Parameters
    ----------
    desk : Desk
        The service's.
    transaction : Transaction
        Any that has written nothing of the day yet: what is read is kept.
    day_id : str
        Its date.

    Returns
    -------
    Known
        The day.

    Raises
    ------
    NotFound
        When there is none.
    """
    brief = brief_of(transaction, day_id)
    stamp = (day_id, seen(transaction, day_id))
    day = desk.cache.get(("day", stamp), lambda: _day(transaction, day_id))
    seq = last_seq(transaction, day_id)

    def tell() -> tuple[tuple[Told, ...], State]:
        # A call that came in may have been edited since: whom to ring, what is ready.
        calls = {
            row.booked_by: row.value
            for row in list_rows(transaction, day_id, Call)
            if row.booked_by is not None
        }
        told = tuple(
            replace(each, fact=replace(each.fact, call=calls[each.fact.id]))
            if each.fact.id in calls
            else each
            for each in list_facts(transaction, day_id)
        )
        return told, replay(day, (each.fact for each in told))

    told, state = desk.cache.get(("told", stamp, seq), tell)
    if desk.roads is not None:
        places = [now.call.parked for now in state.calls.values()]
        day = desk.roads.lay(transaction, day, places)
    return Known(brief=brief, day=day, told=told, state=state)


def _day(transaction: Transaction, day_id: str) -> Day:
    day = read_day(transaction, day_id)
    if day is None:
        raise NotFound("there is no such day")
    figures = read_learnt(transaction, day_id)
    return hold(day if figures is None else with_figures(day, figures))


def in_force(desk: Desk, transaction: Transaction, day_id: str) -> InForce | None:
    """Return the plan in force.

    Parameters
    ----------
    desk : Desk
        The service's.
    transaction : Transaction
        Any.
    day_id : str
        Which day.

    Returns
    -------
    InForce or None
        ``None``: nothing is planned yet.
    """
    version = find_version(transaction, day_id)
    if version is None:
        return None
    key = ("plan", day_id, version.version, version.made_ms)
    return desk.cache.get(key, lambda: find_in_force(transaction, day_id))
