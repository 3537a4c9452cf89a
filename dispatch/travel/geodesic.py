"""Distance on the earth: one pair exactly, or all pairs at once.

Single distances are geodesics on the WGS 84 ellipsoid (geopy, which calls Karney's
algorithm: Karney, C. F. F. (2013), Algorithms for geodesics, Journal of Geodesy
87(1):43-55). That is too slow for a matrix; there the straight chord through the
ellipsoid is measured and bent back onto it.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from shared.model import Place

EQUATOR_RADIUS_M = 6_378_137.0  # WGS 84 semi-major axis
FLATTENING = 1 / 298.257223563  # WGS 84
MEAN_RADIUS_M = EQUATOR_RADIUS_M * (1 - FLATTENING / 3)  # (2a + b) / 3


def distance_m(a: Place, b: Place) -> float:
    """Return the geodesic between two places.

    Parameters
    ----------
    a, b : Place
        Where from and to.

    Returns
    -------
    float
        Metres along the ellipsoid.
    """
    # geopy's package brings its geocoders along: not for a plan that asks for none.
    from geopy.distance import geodesic  # noqa: PLC0415

    geodesic_m: float = geodesic((a.lat_deg, a.lon_deg), (b.lat_deg, b.lon_deg)).m
    return geodesic_m


def distances_m(places: Sequence[Place]) -> NDArray[np.float64]:
    """Return the distance between each two of the places.

    Each place becomes a point in space, exactly, on the ellipsoid. The chord c
    between two of them is bent to an arc of the mean earth radius R,
    ``2 R asin(c / 2R)``: only the small difference between chord and arc depends
    on a radius at all, so that a radius that is right to 1 % is good enough.

    Parameters
    ----------
    places : sequence of Place
        Where; any number n of them.

    Returns
    -------
    float64 array, shape (n, n)
        Metres; symmetric, zero where two places are the same. Measured against
        GeographicLib (tests): off by less than one millionth up to 200 km, 12
        millionths up to 1,000 km and 0.03 % up to 5,000 km; near the opposite end
        of the earth by percents.
    """
    lat = np.radians(np.array([place.lat_deg for place in places], dtype=np.float64))
    lon = np.radians(np.array([place.lon_deg for place in places], dtype=np.float64))
    eccentricity2 = FLATTENING * (2 - FLATTENING)
    normal_m = EQUATOR_RADIUS_M / np.sqrt(1 - eccentricity2 * np.sin(lat) ** 2)
    axes_m = (
        normal_m * np.cos(lat) * np.cos(lon),
        normal_m * np.cos(lat) * np.sin(lon),
        normal_m * (1 - eccentricity2) * np.sin(lat),
    )
    chord2 = np.zeros((len(places), len(places)))
    for axis_m in axes_m:
        chord2 += np.subtract.outer(axis_m, axis_m) ** 2
    half = np.sqrt(chord2) / (2 * MEAN_RADIUS_M)
    arc_m: NDArray[np.float64] = 2 * MEAN_RADIUS_M * np.arcsin(np.minimum(half, 1.0))
    return arc_m
