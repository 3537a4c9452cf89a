"""How fast the roads are through the day, learnt from logged drives.

A drive takes a fixed time and so much for each metre of road; the speed is the trade
profile's for the hour, times what the log adds for that hour. All are fitted together
on the logarithm of the driving time, by Gauss-Newton steps with the priors as further
observations (ridge regression in Bayesian dress: Lindley, D. V. and Smith, A. F. M.
(1972), Bayes estimates for the linear model, JRSS B 34(1):1-41). How much the hours
differ from the profile follows Schall (1991), as in :mod:`dispatch.durations`; odd
drives lose weight as under t-distributed errors (Lange, Little and Taylor 1989).

What is learnt are speeds by the hour, which drives pass through as in
:mod:`dispatch.travel.profile`: who leaves later never arrives earlier, whatever the
figures are.
"""

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dispatch.scenario import resolve_traffic
from dispatch.scenario.joblog import Drives
from dispatch.travel.geodesic import MEAN_RADIUS_M
from dispatch.travel.straight import road_m
from dispatch.travel.table import FASTEST_PERMILLE, SLOWEST_PERMILLE
from shared.model import Day, Traffic, TravelRules
from shared.units import DayClock

Floats = NDArray[np.float64]

HOURS = 24
HOUR_S = 3600
ROUNDS = 12
FREEDOM = 5.0
OUTLYING = 5.0  # scales, as for visits
WATCH_FROM = 5
SURE = 1.6448536269514722  # 90 % of a normal lie within

# The priors: how far a firm's roads may be from the given rules. Own choice.
START_STOP = 0.5  # standard deviation of the logarithm of the fixed time
SPEED = 0.3  # ... of the logarithm of the speed
HOUR = 0.08  # ... of an hour's, to begin with
HOUR_WEIGHT = 4.0  # hours that the beginning counts as
USUAL_SCALE, SCALE_WEIGHT = 0.25, 10.0  # of one drive's logarithm; drives it counts as


@dataclass(frozen=True, slots=True, kw_only=True)
class Hour:
    """The speed in one hour of the local clock.

    Parameters
    ----------
    hour : int
        0 to 23.
    drives : float
        How many drives' worth of time was spent in it.
    usual_permille, permille : int
        The given profile's speed and the learnt one, 1000 is free flow.
    low_permille, high_permille : int
        It lies between them with 90 % chance.
    """

    hour: int
    drives: float
    usual_permille: int
    permille: int
    low_permille: int
    high_permille: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LearntRoads:
    """What a log tells about driving.

    Parameters
    ----------
    rules : TravelRules
        Fixed time, free-flow speed and profile, by the local clock.
    hours : tuple of Hour
        All 24.
    drives : int
        How many were used.
    odd_lines : tuple of int
        Lines of drives that do not fit (a stop on the way, a typing error).
    detour : float or None
        Logged kilometres over those of the straight-line rule, the median; ``None``
        where no drive has both. It is part of the learnt speed already.
    scatter : float
        Standard deviation of one drive's logarithm: 0.2 is about 20 %.
    usual_scatter : float
        The same under the given rules: what is gained is the difference.
    """

    rules: TravelRules
    hours: tuple[Hour, ...]
    drives: int
    odd_lines: tuple[int, ...]
    detour: float | None
    scatter: float
    usual_scatter: float


class _Road(NamedTuple):
    """Logs of the fixed seconds and of seconds a metre, and what hours add to speed.

    On a road network its own seconds stand where metres would.
    """

    log_start_stop: float
    log_pace: float
    added: Floats

    def expected_s(self, metres: Floats) -> Floats:
        """Return the seconds of drives at free flow."""
        found: Floats = math.exp(self.log_start_stop) + math.exp(self.log_pace) * metres
        return found


def hourly(traffic: Traffic, clock: DayClock) -> Traffic:
    """Return a day's traffic by the hour of the local clock.

    Parameters
    ----------
    traffic : Traffic
        In seconds that pass since midnight, as a day has it.
    clock : DayClock
        That day's.

    Returns
    -------
    Traffic
        24 slots of an hour, the mean of each; an hour that the clock skips has the
        speed of the one before.
    """
    found: list[list[int]] = [[] for _ in range(HOURS)]
    for time_s in range(0, HOURS * HOUR_S, 300):
        slot = min(time_s // traffic.slot_s, len(traffic.speed_permille) - 1)
        found[clock.instant(time_s).hour].append(traffic.speed_permille[slot])
    speeds: list[int] = []
    for each in found:
        speeds.append(round(sum(each) / len(each)) if each else speeds[-1])
    return Traffic(slot_s=HOUR_S, speed_permille=tuple(speeds), source=traffic.source)


def learn_roads(drives: Drives, rules: TravelRules) -> LearntRoads:
    """Learn speeds through the day.

    Parameters
    ----------
    drives : Drives
        Logged drives; none at all will do.
    rules : TravelRules
        What holds without a log; its traffic by the local clock, 24 slots of an hour.

    Returns
    -------
    LearntRoads
        Near the rules where little is logged. Where the drives know how long a road
        network takes for them, pace and hours are learnt relative to that.
    """
    usual = np.array(rules.traffic.speed_permille, np.float64)
    if drives.base_s is None:
        (metres, detour), pace = _metres(drives, rules), 3.6 / rules.free_flow_kmh
    else:
        metres, detour, pace = np.nan_to_num(drives.base_s), None, rules.street_pace
    begin = _Road(math.log(max(rules.start_stop_s, 1)), math.log(pace), np.zeros(HOURS))
    held = np.flatnonzero(metres > 0)
    left_s, spent_s, metres = (
        drives.left_s[held].astype(np.float64),
        drives.drive_s[held].astype(np.float64),
        metres[held],
    )
    in_hour = _time_in_hours(left_s, spent_s)
    road, scale, size = begin, USUAL_SCALE, HOUR
    odd = np.zeros(len(held), np.bool_)
    cover = _cover(in_hour, usual, begin)
    before = _scatter(cover, metres, begin)
    doubt = np.diag(_variances(size))
    for turn in range(ROUNDS):
        cover = _cover(in_hour, usual, road)
        expected = road.expected_s(metres)
        off = np.log(cover.sum(axis=1) / expected)
        if turn >= WATCH_FROM:
            odd = np.abs(off) > OUTLYING * scale
        weight = (FREEDOM + 1) / (FREEDOM + (off / scale) ** 2) * ~odd
        # d log(expected) by the two logs, d log(covered) by the hours
        fixed = math.exp(road.log_start_stop) / expected
        slope = np.column_stack(
            (
                fixed,
                1 - fixed,
                -cover / cover.sum(axis=1, keepdims=True),
            )
        )
        at = np.concatenate(
            (
                [
                    road.log_start_stop - begin.log_start_stop,
                    road.log_pace - begin.log_pace,
                ],
                road.added,
            )
        )
        prior = 1 / _variances(size)
        left = (slope * (weight / scale**2)[:, None]).T @ slope + np.diag(prior)
        doubt = np.linalg.inv(left)
        at = doubt @ (slope.T @ (weight / scale**2 * (off + slope @ at)))
        road = _Road(
            begin.log_start_stop + float(at[0]),
            begin.log_pace + float(at[1]),
            at[2:],
        )
        free = float(np.sum(1 - np.diag(doubt)[2:] / size**2))
        squares = float(np.sum(at[2:] ** 2)) + HOUR_WEIGHT * HOUR**2
        size = math.sqrt(squares / (max(free, 0.0) + HOUR_WEIGHT))
        spread = float(np.sum(weight * off**2)) + SCALE_WEIGHT * USUAL_SCALE**2
        scale = max(math.sqrt(spread / (float(np.sum(~odd)) + SCALE_WEIGHT)), 0.02)
    now = _scatter(_cover(in_hour, usual, road)[~odd], metres[~odd], road)
    learnt = _rules(rules, road, usual, len(held))
    if len(held):
        words = f"within {now:.0%} of the logged drives two times in three"
        learnt = replace(learnt, error=words)
    if drives.base_s is not None and len(held):
        learnt = replace(
            learnt,
            free_flow_kmh=rules.free_flow_kmh,
            street_pace=round(math.exp(road.log_pace), 3),
            source=rules.source,
        )
    return LearntRoads(
        rules=learnt,
        hours=_hours(usual, road, doubt, in_hour, spent_s),
        drives=len(held) - int(odd.sum()),
        odd_lines=tuple(int(line) for line in drives.line[held][odd]),
        detour=detour,
        scatter=now,
        usual_scatter=before,
    )


def _metres(drives: Drives, rules: TravelRules) -> tuple[Floats, float | None]:
    """Return each drive's metres as the plan will reckon them, and the detour."""
    start, end = np.radians(drives.from_deg), np.radians(drives.to_deg)
    half = np.sin((end - start) / 2) ** 2
    arc = half[:, 0] + np.cos(start[:, 0]) * np.cos(end[:, 0]) * half[:, 1]
    straight_m = 2 * MEAN_RADIUS_M * np.arcsin(np.sqrt(np.clip(arc, 0, 1)))
    placed = ~np.isnan(straight_m)
    reckoned = np.full(len(straight_m), np.nan)
    reckoned[placed] = road_m(straight_m[placed], rules)
    both = placed & (drives.road_m > 0) & (reckoned > 0)
    detour = None
    if both.any():
        detour = float(np.median(drives.road_m[both] / reckoned[both]))
    metres = np.where(placed, reckoned, drives.road_m / (detour or 1.0))
    return np.nan_to_num(metres), detour


def _time_in_hours(left_s: Floats, spent_s: Floats) -> Floats:
    """Return the seconds of each drive in each hour of the clock, shape (n, 24)."""
    found = np.zeros((len(left_s), HOURS))
    end_s = left_s + spent_s
    for hour in range(2 * HOURS):
        first_s, last_s = hour * HOUR_S, (hour + 1) * HOUR_S
        shared = np.minimum(end_s, last_s) - np.maximum(left_s, first_s)
        found[:, hour % HOURS] += np.maximum(shared, 0.0)
    return found


def _cover(in_hour: Floats, usual: Floats, road: _Road) -> Floats:
    """Return the free-flow seconds that a drive covered in each hour."""
    return in_hour * (usual / 1000 * np.exp(road.added))


def _variances(size: float) -> Floats:
    return np.array([START_STOP**2, SPEED**2] + [size**2] * HOURS)


def _scatter(cover: Floats, metres: Floats, road: _Road) -> float:
    """Return the robust standard deviation of the logarithm of driving times."""
    if not len(metres):
        return USUAL_SCALE
    off = np.log(cover.sum(axis=1) / road.expected_s(metres))
    return 1.4826 * float(np.median(np.abs(off)))  # of a normal: its deviation


def _rules(rules: TravelRules, road: _Road, usual: Floats, drives: int) -> TravelRules:
    if not drives:
        return rules
    speeds = _permille(usual * np.exp(road.added))
    words = f"learnt from {drives} logged drives"
    return replace(
        rules,
        start_stop_s=round(math.exp(road.log_start_stop)),
        free_flow_kmh=round(3.6 / math.exp(road.log_pace), 1),
        traffic=Traffic(slot_s=HOUR_S, speed_permille=speeds, source=words),
        source=f"straight line with a detour, speeds {words}",
    )


def _permille(speeds: Floats) -> tuple[int, ...]:
    kept = np.clip(np.round(speeds), SLOWEST_PERMILLE, FASTEST_PERMILLE)
    return tuple(int(speed) for speed in kept)


def _hours(
    usual: Floats, road: _Road, doubt: Floats, in_hour: Floats, spent_s: Floats
) -> tuple[Hour, ...]:
    # Of the speed itself: a quicker hour and a slower free flow are hard to tell apart.
    variance = np.diag(doubt)[2:] + doubt[1, 1] - 2 * doubt[1, 2:]
    reach = SURE * np.sqrt(variance)
    told = (usual, *(usual * np.exp(road.added + side * reach) for side in (0, -1, 1)))
    worth = (in_hour / spent_s[:, None]).sum(axis=0)
    return tuple(
        Hour(
            hour=hour,
            drives=round(float(worth[hour]), 1),
            usual_permille=given,
            permille=speed,
            low_permille=low,
            high_permille=high,
        )
        for hour, (given, speed, low, high) in enumerate(
            zip(*map(_permille, told), strict=True)
        )
    )


def with_roads(day: Day, roads: LearntRoads) -> Day:
    """Return the day with learnt driving.

    Parameters
    ----------
    day : Day
        As its folder says.
    roads : LearntRoads
        From the firm's log.

    Returns
    -------
    Day
        With the learnt fixed time, speed and profile; unchanged without any logged
        drive. A given matrix stays, only its traffic is the learnt one; so do streets
        that the log knows nothing of.
    """
    if not roads.drives:
        return day
    traffic = resolve_traffic(roads.rules.traffic, day.clock)
    if day.travel.matrix is not None:
        return replace(day, travel=replace(day.travel, traffic=traffic))
    return replace(day, travel=replace(roads.rules, traffic=traffic))
