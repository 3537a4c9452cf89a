"""Road networks at the edge: found by what a folder names, laid under a day."""

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from shared.errors import Fault, InvalidInput, KeyroundError, Unavailable
from shared.model import Day, Place, Plan, Streets, Way, spot_of

if TYPE_CHECKING:
    from api.store import Transaction
    from dispatch.lesson import Taught
    from dispatch.travel.atlas import Atlas, Spot

Say = Callable[[str], None]


def find_atlas(name: str, folder: Path, say: Say = lambda _: None) -> "Atlas":
    """Return the road network that is named.

    Parameters
    ----------
    name : str
        An address (``http://`` or ``https://``), or the path of an extract or of a
        built network, from ``folder`` on.
    folder : Path
        The day's.
    say : callable, optional
        Told in words that a network has to be built first.

    Returns
    -------
    Atlas
        Ready to be asked; the same one as long as this process runs.

    Raises
    ------
    InvalidInput
        When there is nothing of that name.
    OSError
        When a network that had to be built cannot be kept.
    Unavailable
        When the routing library is not installed.
    """
    if "://" in name:
        return _service(name)
    path = folder / name
    if not path.exists():
        raise InvalidInput(
            [
                Fault(
                    file="day.toml",
                    column="travel.roads",
                    got=f"'{name}', which is not there",
                    expected="an extract (.osm.pbf) or a folder that 'keyround roads' "
                    "wrote, from the day's folder on; or the address of a service",
                )
            ]
        )
    key = path.resolve(), path.stat().st_mtime_ns
    if key not in _BUILT:
        _BUILT[key] = _open(path, say)
    return _BUILT[key]


_BUILT: dict[tuple[Path, int], "Atlas"] = {}  # each takes some 0.1 s to open


@lru_cache(maxsize=8)
def _service(address: str) -> "Atlas":
    from dispatch.travel.atlas import Atlas  # noqa: PLC0415 - only with roads
    from dispatch.travel.remote import service_at  # noqa: PLC0415

    return Atlas(asker=service_at(address))


def _open(path: Path, say: Say) -> "Atlas":
    from dispatch.travel.atlas import Atlas  # noqa: PLC0415 - only with roads
    from dispatch.travel.network import network_of, open_network  # noqa: PLC0415

    if path.is_dir():
        return Atlas(asker=open_network(path))
    return Atlas(asker=network_of(path, say))


def atlas_of(folder: Path, day: Day) -> "Atlas | None":
    """Return the road network that a day is laid on.

    Parameters
    ----------
    folder : Path
        The day's.
    day : Day
        As :func:`lay_day` returned it.

    Returns
    -------
    Atlas or None
        ``None``: it names none.
    """
    if day.travel.streets is None or not day.travel.roads:
        return None
    return find_atlas(day.travel.roads, folder)


def lay_day(
    folder: Path, day: Day, more: Sequence[Place] = (), say: Say = lambda _: None
) -> Day:
    """Return a folder's day with its drives on the road network that it names.

    Parameters
    ----------
    folder : Path
        The day's.
    day : Day
        As it was read.
    more : sequence of Place, optional
        Places of calls that may come in.
    say : callable, optional
        As for :func:`find_atlas`.

    Returns
    -------
    Day
        Unchanged where it names none.

    Raises
    ------
    InvalidInput
        When there is no such network, or places of the firm's own are not on it.
    OSError
        When a network that had to be built cannot be kept.
    Unavailable
        When the routing library is not installed, or a service does not answer.
    """
    if not day.travel.roads:
        return day
    from dispatch.travel.survey import lay  # noqa: PLC0415 - only with roads

    return lay(day, find_atlas(day.travel.roads, folder, say), more)


def ways_of(folder: Path, day: Day, plan: Plan) -> Mapping[str, tuple[Way | None, ...]]:
    """Return how a plan's drives go over the roads.

    Parameters
    ----------
    folder : Path
        The day's.
    day : Day
        As :func:`lay_day` returned it.
    plan : Plan
        Its plan.

    Returns
    -------
    mapping of str to tuple of (Way or None)
        Empty where the day names no network.

    Raises
    ------
    Unavailable
        When a service does not answer.
    """
    atlas = atlas_of(folder, day)
    if atlas is None:
        return {}
    from dispatch.travel.survey import find_ways  # noqa: PLC0415 - only with roads

    return find_ways(day, plan, atlas)


MOST_WAYS = 20_000  # that are kept in memory, some kilobytes each; own choice


class Surveyor:
    """The service's road network: days are laid on it, drives are kept in its store.

    Parameters
    ----------
    atlas : Atlas
        The network; it is asked by one thread at a time.
    """

    def __init__(self, atlas: "Atlas") -> None:
        self._atlas = atlas
        self._lock = threading.Lock()
        self._laid: dict[str, Streets] = {}  # the last of each day
        self._fresh: set[str] = set()  # days with drives that are not kept yet
        self._ways: dict[tuple[Spot, Spot], Way | None] = {}

    def lay(self, transaction: "Transaction", day: Day, places: Sequence[Place]) -> Day:
        """Return a day with its drives on the network.

        Parameters
        ----------
        transaction : Transaction
            Any; new drives are kept in one that writes.
        day : Day
            As it was planned; one with a matrix of its own stays as it is.
        places : sequence of Place
            Where calls are that came in, or may.

        Returns
        -------
        Day
            Where the network does not answer, or does not reach the firm's own places,
            with what is known; a plan says how many places it was not asked about.
        """
        from api.store.drives import (  # noqa: PLC0415 - only with roads
            find_drives,
            keep_drives,
        )
        from dispatch.travel.survey import known_drives, lay  # noqa: PLC0415
        from dispatch.travel.table import nodes_of  # noqa: PLC0415

        if day.travel.matrix is not None:
            return day
        day_id, network = day.date.isoformat(), self._atlas.asker.network
        with self._lock:
            before = self._laid.get(day_id)
            day = replace(day, travel=replace(day.travel, streets=before))
            known = None
            if before is None:
                points = map(spot_of, (*nodes_of(day).values(), *places))
                known = find_drives(transaction, network, points)
            try:
                day = lay(day, self._atlas, places, known)
            except (InvalidInput, Unavailable):
                return day
            streets = day.travel.streets
            assert streets is not None  # noqa: S101 - lay lays it
            self._laid[day_id] = streets
            if streets is not before:
                self._fresh.add(day_id)
            if transaction.writes:
                for fresh in self._fresh:
                    pairs = known_drives(self._laid[fresh])
                    keep_drives(transaction, network, pairs)
                self._fresh.clear()
        return day

    def check(self, day: Day) -> None:
        """Refuse a day whose own places are not on the network.

        Parameters
        ----------
        day : Day
            As it was read.

        Raises
        ------
        InvalidInput
            With every such place.
        """
        from dispatch.travel.survey import lay  # noqa: PLC0415 - only with roads

        with self._lock:
            try:
                lay(replace(day, calls=()), self._atlas)
            except Unavailable:
                return  # a service that is down is no fault of the day

    def study(self, folder: Path, day: Day) -> "Taught":
        """Learn from a folder's log, its drives held against the network.

        Parameters
        ----------
        folder : Path
            As for :func:`dispatch.lesson.study_if_told`.
        day : Day
            As :meth:`lay` returned it.

        Returns
        -------
        Taught
            Where the network does not answer, without its drives.
        """
        from dispatch.lesson import study_if_told  # noqa: PLC0415 - the worker alone

        with self._lock:
            try:
                return study_if_told(folder, day, self._atlas)
            except Unavailable:
                return study_if_told(folder, day)

    def ways(self, day: Day, plan: Plan) -> Mapping[str, tuple[Way | None, ...]]:
        """Return how a plan's drives go over the roads.

        Parameters
        ----------
        day : Day
            As :meth:`lay` returned it.
        plan : Plan
            Its plan.

        Returns
        -------
        mapping of str to tuple of (Way or None)
            Empty where the network does not answer.
        """
        from dispatch.travel.survey import find_ways  # noqa: PLC0415 - only with roads

        with self._lock:
            if len(self._ways) > MOST_WAYS:
                self._ways.clear()
            try:
                return find_ways(day, plan, self._atlas, self._ways)
            except KeyroundError:
                return {}
