"""Everything that a folder's log teaches, in one piece."""

from dataclasses import dataclass, replace
from pathlib import Path

from dispatch.calibration import Calibration, calibrate
from dispatch.durations import Learnt, learn_durations, with_learnt
from dispatch.roadlog import LearntRoads, hourly, learn_roads, with_roads
from dispatch.scenario.joblog import JobLog, read_log
from shared.model import Day
from shared.trade import HELD


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lesson:
    """What was learnt, and how far it can be trusted.

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
    calibration : Calibration
        Judged on held-out parts.
    """

    day: Day
    log: JobLog
    durations: Learnt
    roads: LearntRoads
    calibration: Calibration

    def applied(self) -> Day:
        """Return the day with all that was learnt.

        Returns
        -------
        Day
            The folder's own figures stay.
        """
        return with_roads(with_learnt(self.day, self.durations), self.roads)


def learn(folder: Path, day: Day) -> Lesson:
    """Learn from a folder's log.

    Parameters
    ----------
    folder : Path
        Holds ``log.csv`` and perhaps ``log.toml``; without them the trade table is
        all there is.
    day : Day
        Read from the same folder.

    Returns
    -------
    Lesson
        What the log teaches.

    Raises
    ------
    InvalidInput
        When the log could be read two ways, or not at all.
    """
    log = read_log(folder, day.zone)
    kinds = {key: kind for key, kind in day.kinds.items() if key != HELD}
    rules = replace(day.travel, traffic=hourly(day.travel.traffic, day.clock))
    return Lesson(
        day=day,
        log=log,
        durations=learn_durations(log, kinds),
        roads=learn_roads(log.drives, rules),
        calibration=calibrate(log, kinds),
    )
