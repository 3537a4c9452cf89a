"""Live through invented days, under several ways to answer what happens.

A *world* is a day with all that nobody knows in the evening: which urgent calls come
in and when, how long each visit really takes, how slow each drive really is. A
*policy* sees of it what a dispatcher would see, as facts; the world lives on.

How dynamic a day is, is told by the measures of Larsen, Madsen and Solomon (2002),
Partially dynamic vehicle routing - models and algorithms, Journal of the Operational
Research Society 53(6):637-646 (from memory): the share of calls that come in during
the day, and the same weighed by how little time each leaves to react.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np

from dispatch.generator import generate_day
from shared.model import Call, Day, Window

URGENT_KINDS = ("lockout_vehicle", "lockout_house", "lockout_business")
PATIENCE_S = 7200  # an urgent customer is promised a start within so long; own choice
TRAFFIC_SPREAD = 0.15  # standard deviation of the logarithm of a drive's slowness; own
FIRST_CALL_S, LAST_CALL_S = 8 * 3600, 15 * 3600  # when urgent calls come in; own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """A day with all that nobody knows in the evening.

    Parameters
    ----------
    day : Day
        With the calls that are known in the evening.
    urgent : tuple of Call
        Those that come in during the day, in that order; each is promised a start
        within ``PATIENCE_S``.
    booked_s : mapping of str to int
        When each of them comes in.
    lengths_s : mapping of str to int
        How long each visit really takes a driver of usual pace.
    slowness : mapping of str to float
        By what factor the drive to each call really differs from the expected one.
    """

    day: Day
    urgent: tuple[Call, ...]
    booked_s: Mapping[str, int]
    lengths_s: Mapping[str, int]
    slowness: Mapping[str, float]

    @property
    def calls(self) -> tuple[Call, ...]:
        """All calls.

        Returns
        -------
        tuple of Call
            Those known in the evening, then the urgent ones.
        """
        return (*self.day.calls, *self.urgent)

    @property
    def dynamism(self) -> float:
        """The degree of dynamism.

        Returns
        -------
        float
            0 to 1: calls that come in during the day, as a share of all.
        """
        return len(self.urgent) / max(1, len(self.calls))

    @property
    def reaction(self) -> float:
        """The effective degree of dynamism with time windows.

        Returns
        -------
        float
            0 to 1: the mean over all calls of one less the time there is to react
            (from coming in to the end of the promise, or of the day), as a share of
            the day; 0 for calls that were known before.
        """
        end_s = max(van.shift.end_s for van in self.day.vans)
        start_s = min(van.shift.start_s for van in self.day.vans)
        shares = [
            1 - (_end_s(call, end_s) - self.booked_s[call.id]) / (end_s - start_s)
            for call in self.urgent
        ]
        return sum(map(_unit, shares)) / max(1, len(self.calls))


def _end_s(call: Call, end_s: int) -> int:
    return end_s if call.promise is None else min(end_s, call.promise.end_s)


def _unit(share: float) -> float:
    return min(1.0, max(0.0, share))


def invent_world(seed: int, calls: int, vans: int, urgent: float) -> World:
    """Invent a world.

    Parameters
    ----------
    seed : int
        Same seed and sizes, same world.
    calls, vans : int
        How many calls in all, and how many vans.
    urgent : float
        0 to 1: the share of calls that come in during the day.

    Returns
    -------
    World
        Nearly everything could be served, were it known before.
    """
    dice = np.random.default_rng([seed, calls, vans, round(1000 * urgent)])
    whole = generate_day(seed, calls, vans, tightness=0.2, ease=1.0, clock_change=False)
    whole = replace(whole, promises_may_break=True)
    quick = [call for call in whole.calls if call.kind in URGENT_KINDS]
    others = [call for call in whole.calls if call.kind not in URGENT_KINDS]
    pressing = (quick + others)[: round(urgent * calls)]
    first_s = max(FIRST_CALL_S, min(van.shift.start_s for van in whole.vans))
    last_s = min(LAST_CALL_S, max(van.shift.end_s for van in whole.vans) - PATIENCE_S)
    times = np.sort(dice.integers(first_s, max(first_s, last_s) + 1, len(pressing)))
    come = tuple(
        _as_urgent(call, int(time_s))
        for call, time_s in zip(pressing, times, strict=True)
    )
    gone = {call.id for call in come}
    day = replace(
        whole, calls=tuple(call for call in whole.calls if call.id not in gone)
    )
    every = (*day.calls, *come)
    return World(
        day=day,
        urgent=come,
        booked_s={call.id: int(at) for call, at in zip(come, times, strict=True)},
        lengths_s={call.id: _draw_length_s(dice, call) for call in every},
        slowness={
            call.id: float(np.exp(dice.normal(0, TRAFFIC_SPREAD))) for call in every
        },
    )


def _as_urgent(call: Call, booked_s: int) -> Call:
    return replace(
        call,
        priority=1,
        windows=(),
        preference=None,
        ready=(),
        required_van=None,
        promise=Window(start_s=booked_s, end_s=booked_s + PATIENCE_S),
    )


def _draw_length_s(dice: np.random.Generator, call: Call) -> int:
    """Draw from the lognormal distribution with the call's median and p90."""
    spread = math.log(max(1.0, call.p90_s / call.median_s)) / NormalDist().inv_cdf(0.9)
    return max(60, round(call.median_s * math.exp(dice.normal(0, spread))))
