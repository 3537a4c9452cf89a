"""The straight line fitted to a road network, and how far off it still is.

Three straight lines are held against the network on pairs that none of them has seen:
one constant factor and one speed; a constant factor with a fixed time; and keyround's,
a fixed time and a detour that falls with the distance.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dispatch.travel.atlas import Atlas
from dispatch.travel.geodesic import distances_m
from dispatch.travel.straight import detour
from shared.errors import Unavailable
from shared.model import Place, TravelRules

Floats = NDArray[np.float64]

PLACES = 60  # drawn in each half
HALVINGS_M = (250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
SPREAD_DRAWS = 40  # draws a place for one that lies on a road, before it is given up


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """A straight line that was fitted, and its error on pairs it has not seen.

    Parameters
    ----------
    rules : TravelRules
        With the fitted fixed time, speed and detours.
    pairs : int
        How many pairs were held back.
    mean_s : float
        How long these drives take on the network on the average.
    error_s : float
        How far off the fitted line is on the average, in seconds.
    usual_error_s : float
        The same of the usual rules, unfitted.
    factor_error_s : float
        The same of one constant: seconds a metre of straight line, fitted as well.
    """

    rules: TravelRules
    pairs: int
    mean_s: float
    error_s: float
    usual_error_s: float
    factor_error_s: float

    @property
    def words(self) -> str:
        """How far off it is, for a plan's footer.

        Returns
        -------
        str
            Plain words.
        """
        return (
            f"off by {self.error_s / 60:.1f} min on the average of {self.pairs} drives "
            f"of {self.mean_s / 60:.0f} min that it had not seen, on the road network "
            "it was fitted to"
        )


def draw_places(
    atlas: Atlas, bounds: Sequence[float], count: int, seed: int = 0
) -> list[Place]:
    """Draw places next to roads, evenly over a region.

    Parameters
    ----------
    atlas : Atlas
        The network.
    bounds : sequence of float
        South, west, north and east in degrees.
    count : int
        How many.
    seed : int
        Same seed, same places.

    Returns
    -------
    list of Place
        Each on a road that leads anywhere.

    Raises
    ------
    Unavailable
        When the region has too few roads.
    """
    rng = np.random.default_rng(seed)
    south, west, north, east = bounds
    found: list[Place] = []
    for _ in range(SPREAD_DRAWS):
        drawn = [
            Place(lat_deg=round(float(lat), 6), lon_deg=round(float(lon), 6))
            for lat, lon in rng.uniform((south, west), (north, east), (2 * count, 2))
        ]
        for spot in atlas.find(drawn):
            if spot is not None:
                found.append(Place(lat_deg=spot.lat_deg, lon_deg=spot.lon_deg))
            if len(found) == count:
                return found
    raise Unavailable("the road network has too few roads to fit the straight line to")


def fit_straight_line(
    atlas: Atlas, places: Sequence[Place], rules: TravelRules
) -> Fitted:
    """Fit the straight line to a network, and hold it against pairs kept back.

    Parameters
    ----------
    atlas : Atlas
        The network.
    places : sequence of Place
        The first half is fitted to, the other half kept back: no place is in both.
    rules : TravelRules
        What is fitted; their traffic plays no part: all is on empty roads.

    Returns
    -------
    Fitted
        The same places, the same fit.

    Raises
    ------
    Unavailable
        When the network does not answer, or joins too few of the places.
    """
    middle = len(places) // 2
    seen, held = (_measured(atlas, part) for part in (places[:middle], places[middle:]))
    best, error = rules, np.inf
    for halving_m in HALVINGS_M:
        for low in np.arange(1.0, 1.61, 0.05):
            for high in np.arange(low, 4.01, 0.1):
                tried = replace(
                    rules,
                    long_detour=round(float(low), 2),
                    hop_detour=round(float(high), 2),
                    halving_m=halving_m,
                )
                off = np.abs(
                    seen.road_m - seen.straight_m * detour(seen.straight_m, tried)
                )
                if off.mean() < error:
                    best, error = tried, float(off.mean())
    fixed_s, pace = _least(
        seen.straight_m * detour(seen.straight_m, best), seen.drive_s
    )
    best = replace(
        best,
        start_stop_s=rules.start_stop_s + round(fixed_s),
        free_flow_kmh=round(3.6 / pace, 1),
    )
    # One factor: the median, which has the least mean error.
    factor = _weighted_median(seen.drive_s / seen.straight_m, seen.straight_m)
    return Fitted(
        rules=best,
        pairs=len(held.drive_s),
        mean_s=float(held.drive_s.mean()) + rules.start_stop_s,
        error_s=_off(held, best, rules),
        usual_error_s=_off(held, rules, rules),
        factor_error_s=float(np.abs(held.drive_s - factor * held.straight_m).mean()),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Measured:
    """Drives between different places of a network, one entry a pair."""

    straight_m: Floats
    road_m: Floats
    drive_s: Floats


def _measured(atlas: Atlas, places: Sequence[Place]) -> _Measured:
    spots = [spot for spot in atlas.find(places) if spot is not None]
    found = atlas.drives(spots, spots)
    ends = [Place(lat_deg=spot.lat_deg, lon_deg=spot.lon_deg) for spot in spots]
    straight_m = distances_m(ends)
    pairs = (found.base_s > 0) & (straight_m > 0)
    if pairs.sum() < 30:  # noqa: PLR2004 - fewer say nothing
        raise Unavailable("the road network joins too few places to fit anything to")
    return _Measured(
        straight_m=straight_m[pairs],
        road_m=found.distance_m[pairs].astype(np.float64),
        drive_s=found.base_s[pairs].astype(np.float64),
    )


def _off(held: _Measured, rules: TravelRules, given: TravelRules) -> float:
    """Return the mean error of a straight line, both with their fixed time."""
    road_m = held.straight_m * detour(held.straight_m, rules)
    guess_s = rules.start_stop_s + road_m * 3.6 / rules.free_flow_kmh
    return float(np.abs(held.drive_s + given.start_stop_s - guess_s).mean())


def _least(road_m: Floats, drive_s: Floats) -> tuple[float, float]:
    """Return the fixed seconds and seconds a metre with the least absolute error.

    By weighted least squares, repeated (iteratively reweighted, Schlossmacher, E. J.
    (1973), Journal of the American Statistical Association 68(344):857-859).
    """
    line = np.column_stack((np.ones_like(road_m), road_m))
    weight = np.ones_like(road_m)
    found: Floats = np.zeros(2)
    for _ in range(30):
        side = line * weight[:, None]
        found = np.linalg.solve(side.T @ line, side.T @ drive_s).astype(np.float64)
        weight = 1 / np.maximum(np.abs(drive_s - line @ found), 1.0)
    fixed_s, pace = max(0.0, float(found[0])), max(float(found[1]), 0.018)
    return fixed_s, pace


def _weighted_median(values: Floats, weights: Floats) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])


def fit_lines(fitted: Fitted) -> Iterable[str]:
    """Return the fitted figures as lines for ``[travel]`` of day.toml.

    Parameters
    ----------
    fitted : Fitted
        The fit.

    Returns
    -------
    iterable of str
        One a key.
    """
    rules = fitted.rules
    return (
        f"start_stop_min = {rules.start_stop_s / 60:.2f}",
        f"free_flow_kmh = {rules.free_flow_kmh:g}",
        f"hop_detour = {rules.hop_detour:g}",
        f"long_detour = {rules.long_detour:g}",
        f"halving_km = {rules.halving_m / 1000:g}",
        f'error = "{fitted.words}"',
    )
