"""Everything that a folder's log teaches, in one piece."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from dispatch.calibration import Calibration, calibrate
from dispatch.chance import Spreads, learnt_spreads
from dispatch.durations import Learnt, learn_durations, with_learnt
from dispatch.roadlog import LearntRoads, hourly, learn_roads, with_roads
from dispatch.scenario.joblog import (
    Drives,
    JobLog,
    read_log,
    read_log_for_planning,
)
from dispatch.travel.atlas import Atlas
from shared.model import Call, Day, Kind, Place, TravelRules
from shared.trade import HELD

MOST_DRIVES = 500  # a road network is asked about; the newest, at some 4 ms each


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """What was learnt for one day, in plain figures: enough to plan its rest.

    Parameters
    ----------
    calls : mapping of str to (int, int)
        Call id to the median and the 90th percentile of its length.
    pace : mapping of str to mapping of str to float
        Van id to the pace of its driver, kind by kind.
    travel : TravelRules or None
        How distance becomes time, without a matrix; ``None``: as the folder says.
    words : str
        Where it was learnt from.
    """

    calls: Mapping[str, tuple[int, int]]
    pace: Mapping[str, Mapping[str, float]]
    travel: TravelRules | None
    words: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Taught:
    """What was learnt.

    Parameters
    ----------
    day : Day
        The folder's day, as its files say.
    log : JobLog
        What was read, and what was set aside.
    durations : Learnt
        Lengths of visits.
    roads : LearntRoads
        Driving.
    """

    day: Day
    log: JobLog
    durations: Learnt
    roads: LearntRoads

    def applied(self) -> Day:
        """Return the day with all that was learnt.

        Returns
        -------
        Day
            The folder's own figures stay; it says from how many records it learnt.
        """
        day = with_roads(with_learnt(self.day, self.durations), self.roads)
        return replace(day, learnt=self.words)

    def spreads(self, day: Day) -> Spreads:
        """Return how lengths and traffic vary.

        Parameters
        ----------
        day : Day
            What :meth:`applied` returns, or one with its calls.

        Returns
        -------
        Spreads
            For drawing days.
        """
        return learnt_spreads(day, self.durations, self.roads)

    def figures(self) -> Figures:
        """Return what :meth:`applied` changes.

        Returns
        -------
        Figures
            For :func:`with_figures`.
        """
        learnt = self.applied()
        travel = replace(learnt.travel, matrix=None, streets=None)
        return Figures(
            calls={
                new.id: (new.median_s, new.p90_s)
                for old, new in zip(self.day.calls, learnt.calls, strict=True)
                if new is not old
            },
            pace={
                new.id: new.pace
                for old, new in zip(self.day.vans, learnt.vans, strict=True)
                if new is not old
            },
            travel=travel if self.roads.drives else None,
            words=self.words,
        )

    @property
    def words(self) -> str:
        """Where it was learnt from, in words.

        Returns
        -------
        str
            Empty when no row of the log could be used.
        """
        counts = (len(self.log.visits.kind), "visits"), (self.roads.drives, "drives")
        of = " and ".join(f"{number:,} {what}" for number, what in counts if number)
        what = "Lengths of visits" + " and driving times" * bool(self.roads.drives)
        return f"{what} are learnt from {of} in log.csv." if of else ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lesson(Taught):
    """What was learnt, and how far it can be trusted.

    Parameters
    ----------
    day, log, durations, roads : Day, JobLog, Learnt, LearntRoads
        As in :class:`Taught`.
    calibration : Calibration
        Judged on held-out parts.
    """

    calibration: Calibration


def with_figures(day: Day, figures: Figures) -> Day:
    """Return a day with what was learnt for it.

    Parameters
    ----------
    day : Day
        As its folder says.
    figures : Figures
        Learnt for it before.

    Returns
    -------
    Day
        Where somebody has given figures since, these count.
    """

    def usual(call: Call) -> bool:
        kind = day.kinds.get(call.kind)
        own = (call.median_s, call.p90_s)
        return kind is not None and own == (kind.median_s, kind.p90_s)

    travel = day.travel
    if figures.travel is not None:
        travel = replace(figures.travel, matrix=travel.matrix, streets=travel.streets)
    return replace(
        day,
        calls=tuple(
            replace(
                call,
                median_s=figures.calls[call.id][0],
                p90_s=figures.calls[call.id][1],
            )
            if call.id in figures.calls and usual(call)
            else call
            for call in day.calls
        ),
        vans=tuple(
            replace(van, pace=figures.pace[van.id])
            if van.id in figures.pace and not van.pace
            else van
            for van in day.vans
        ),
        travel=travel,
        learnt=figures.words,
    )


def study(folder: Path, day: Day, atlas: Atlas | None = None) -> Taught:
    """Learn from a folder's log.

    Parameters
    ----------
    folder : Path
        Holds ``log.csv`` and perhaps ``log.toml``; without them the trade table is
        all there is.
    day : Day
        Read from the same folder.
    atlas : Atlas, optional
        The road network that the day is laid on: drives are held against it.

    Returns
    -------
    Taught
        What the log teaches.

    Raises
    ------
    InvalidInput
        When the log could be read two ways, or not at all.
    """
    return _learn_from(read_log(folder, day.zone), day, atlas)


def _learn_from(log: JobLog, day: Day, atlas: Atlas | None = None) -> Taught:
    if day.travel.streets is not None:
        log = replace(log, drives=_on_network(log.drives, atlas))
    rules = replace(day.travel, traffic=hourly(day.travel.traffic, day.clock))
    return Taught(
        day=day,
        log=log,
        durations=learn_durations(log, _kinds(day)),
        roads=learn_roads(log.drives, rules),
    )


def _on_network(drives: Drives, atlas: Atlas | None) -> Drives:
    """Return the drives with what a road network takes for each of the newest."""
    base_s = np.full(len(drives.line), np.nan)
    if atlas is not None:
        placed = ~np.isnan(drives.from_deg + drives.to_deg).any(axis=1)
        newest = np.flatnonzero(placed)[-MOST_DRIVES:]
        ends = (
            [Place(lat_deg=float(lat), lon_deg=float(lon)) for lat, lon in side[newest]]
            for side in (drives.from_deg, drives.to_deg)
        )
        base_s[newest] = atlas.times(list(zip(*ends, strict=True)))
    return drives._replace(base_s=base_s)


def study_if_told(folder: Path, day: Day, atlas: Atlas | None = None) -> Taught:
    """Learn from a folder's log for planning: one without lengths teaches nothing.

    Parameters
    ----------
    folder, day, atlas : Path, Day, Atlas
        As for :func:`study`.

    Returns
    -------
    Taught
        Of a log of used parts alone, and without a log: the trade table.

    Raises
    ------
    InvalidInput
        When a log that tells lengths could be read two ways, or not at all.
    """
    return _learn_from(read_log_for_planning(folder, day.zone), day, atlas)


def learn(folder: Path, day: Day, atlas: Atlas | None = None) -> Lesson:
    """Learn from a folder's log, and judge what was learnt.

    Parameters
    ----------
    folder, day, atlas : Path, Day, Atlas
        As for :func:`study`.

    Returns
    -------
    Lesson
        What the log teaches.

    Raises
    ------
    InvalidInput
        When the log could be read two ways, or not at all.
    """
    taught = study(folder, day, atlas)
    return Lesson(
        day=day,
        log=taught.log,
        durations=taught.durations,
        roads=taught.roads,
        calibration=calibrate(taught.log, _kinds(day)),
    )


def _kinds(day: Day) -> dict[str, Kind]:
    return {key: kind for key, kind in day.kinds.items() if key != HELD}
