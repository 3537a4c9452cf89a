"""Driving without a map: the straight line, a detour, and a fixed time per stop.

Roads wind, and short hops wind most: one-way streets, blocks and river banks
weigh little on a long drive and much on a short one (Giacomin, D. J. and
Levinson, D. M. (2015), Road network circuity in metropolitan areas, Environment
and Planning B 42(6):1040-1053). On the average over long and short, road distance
over straight distance is about 1.4 (Boscoe, F. P., Henry, K. A. and Zdeb, M. S.
(2012), Professional Geographer 64(2):188-196; the figure from memory), in cities
about 1.2 in the limit (Newell, G. F. (1980), after a secondary source).

Time is a fixed part, to set off, to park and to find the door, and a part for the
road: over a measured network (Liechtenstein, 300 random pairs, free flow) that fits
better than any single speed.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dispatch.travel.geodesic import distances_m
from dispatch.travel.roads import Legs
from shared.model import Place, TravelRules

# The usual curve is keyround's choice, not a published fit. Measured by keyround's
# authors, road over straight distance: Liechtenstein below 2 km 2.05, 2-5 km 1.41,
# 5-10 km 1.38, above 10 km 1.21; a city centre (short hops) 1.58. The curve gives 1.73
# at 1 km, 1.49 at 3.5 km, 1.37 at 7.5 km, 1.29 at 15 km: between the mountain valley
# and the city on short hops, and a little careful on long ones. Where there is a road
# network it is fitted to that, see :mod:`dispatch.travel.fit`.
USUAL = TravelRules()


def detour(
    straight_m: NDArray[np.float64], rules: TravelRules = USUAL
) -> NDArray[np.float64]:
    """Return how much longer the road is than the straight line.

    Parameters
    ----------
    straight_m : float64 array
        Metres, not negative.
    rules : TravelRules, optional
        Of which the detours count.

    Returns
    -------
    float64 array
        Road over straight distance; by the usual rules 2.0 for no distance, falling
        towards 1.2: ``1.2 + 0.8 / (1 + d / 2 km)``.
    """
    bend = rules.hop_detour - rules.long_detour
    factor: NDArray[np.float64] = rules.long_detour + bend / (
        1 + straight_m / rules.halving_m
    )
    return factor


def road_m(
    straight_m: NDArray[np.float64], rules: TravelRules = USUAL
) -> NDArray[np.int64]:
    """Return whole metres on the road for straight distances.

    The road grows with the straight line and bends downwards (concave), so that a
    way round by a third place never comes out shorter.

    Parameters
    ----------
    straight_m : float64 array
        Metres, not negative.
    rules : TravelRules, optional
        Of which the detours count.

    Returns
    -------
    int64 array
        Metres, rounded up to the whole one; 0 for 0.
    """
    return np.ceil(straight_m * detour(straight_m, rules)).astype(np.int64)


@dataclass(frozen=True, slots=True, kw_only=True)
class StraightLine:
    """Roads guessed from the straight line; needs no map.

    Parameters
    ----------
    rules : TravelRules
        Fixed time per drive, free-flow speed and detours.
    """

    rules: TravelRules

    @property
    def source(self) -> str:
        """Where the figures come from, for the plan's footer.

        Returns
        -------
        str
            One line of plain words.
        """
        rules = self.rules
        return (
            f"straight line with a detour of {rules.hop_detour:.1f} (short hops) to "
            f"{rules.long_detour:.1f} (long drives), {rules.start_stop_s} s per stop, "
            f"{rules.free_flow_kmh:g} km/h free flow: an estimate, not a route"
        )

    def measure(self, places: Sequence[Place]) -> Legs:
        """Return every drive between the places.

        Parameters
        ----------
        places : sequence of Place
            Where.

        Returns
        -------
        Legs
            Seconds and metres, both rounded up, both 0 within one place.
        """
        distance_m = road_m(distances_m(places), self.rules)
        metres_per_s = self.rules.free_flow_kmh / 3.6
        rolling_s = np.ceil(distance_m / metres_per_s).astype(np.int64)
        base_s = np.where(distance_m > 0, self.rules.start_stop_s + rolling_s, 0)
        return Legs(base_s=base_s.astype(np.int64), distance_m=distance_m)

    def faults(self) -> tuple[tuple[str, str, str], ...]:
        """Return which rules make no sense.

        Returns
        -------
        tuple of (str, str, str)
            Field, what stands there, what would be right.
        """
        found = []
        if self.rules.start_stop_s < 0:
            found.append(("start_stop_s", str(self.rules.start_stop_s), "0 or more"))
        speed = self.rules.free_flow_kmh
        if not (math.isfinite(speed) and speed > 0):
            found.append(("free_flow_kmh", str(speed), "more than 0"))
        long, hop = self.rules.long_detour, self.rules.hop_detour
        if not (math.isfinite(hop) and 1 <= long <= hop):
            found.append(
                (
                    "long_detour",
                    f"{long} (hop_detour {hop})",
                    "1 or more, and not above",
                )
            )
        if not (math.isfinite(self.rules.halving_m) and self.rules.halving_m > 0):
            found.append(("halving_m", str(self.rules.halving_m), "more than 0"))
        return tuple(found)
