"""How long something takes, as a distribution on the logarithm of seconds.

A lognormal whose axis is bent: the log of the length is an increasing, piecewise
linear function r(z) of a standard normal z. Straight, it is the lognormal; bent, it is
whatever a log shows. Beyond the outer knots it goes on straight, so that both tails are
lognormal. A quantile, a chance and a sample are one interpolation each.
"""

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.model import Kind

Floats = NDArray[np.float64]

KNOTS: Floats = np.linspace(-2.5, 2.5, 21)
KNOTS.setflags(write=False)
Z90 = 1.2815515655446004  # the standard normal's 90th percentile
LEAST_SLOPE = 1e-3  # an axis never runs backwards

_NORMAL = NormalDist()


def normal_cdf(z: ArrayLike) -> Floats:
    """Return the standard normal's distribution function.

    Parameters
    ----------
    z : array_like
        Any shape.

    Returns
    -------
    float64 array
        Same shape, 0 to 1.
    """
    flat = np.asarray(z, np.float64)
    root = math.sqrt(0.5)
    values = [0.5 * math.erfc(-each * root) for each in flat.ravel().tolist()]
    return np.array(values, np.float64).reshape(flat.shape)


def normal_quantile(chance: ArrayLike) -> Floats:
    """Return the standard normal's quantile function.

    Parameters
    ----------
    chance : array_like
        0 to 1, any shape; the ends give infinities.

    Returns
    -------
    float64 array
        Same shape.
    """
    flat = np.asarray(chance, np.float64)
    ends = {0.0: -math.inf, 1.0: math.inf}
    values = [
        ends[each] if each in ends else _NORMAL.inv_cdf(each)
        for each in flat.ravel().tolist()
    ]
    return np.array(values, np.float64).reshape(flat.shape)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """A distribution of lengths.

    Parameters
    ----------
    log_s : tuple of float
        Natural logarithm of the seconds at each of :data:`KNOTS`, increasing.
    """

    log_s: tuple[float, ...]

    def at(self, z: ArrayLike) -> Floats:
        """Return the seconds at standard normal scores.

        Parameters
        ----------
        z : array_like
            Any shape; standard normal samples give samples.

        Returns
        -------
        float64 array
            Seconds, same shape.
        """
        return np.exp(_bend(np.asarray(z, np.float64), KNOTS, np.array(self.log_s)))

    def quantile(self, chance: ArrayLike) -> Floats:
        """Return the seconds within which it is done with a given chance.

        Parameters
        ----------
        chance : array_like
            0 to 1, any shape.

        Returns
        -------
        float64 array
            Seconds, same shape.
        """
        return self.at(normal_quantile(chance))

    def cdf(self, length_s: ArrayLike) -> Floats:
        """Return the chance that it is done within so long.

        Parameters
        ----------
        length_s : array_like
            Seconds, any shape.

        Returns
        -------
        float64 array
            0 to 1, same shape.
        """
        seconds = np.maximum(np.asarray(length_s, np.float64), 1e-9)
        return normal_cdf(_bend(np.log(seconds), np.array(self.log_s), KNOTS))

    def sample(
        self, rng: np.random.Generator, size: int | tuple[int, ...] = 1
    ) -> Floats:
        """Return random lengths.

        Parameters
        ----------
        rng : numpy.random.Generator
            Where the random numbers come from.
        size : int or tuple of int
            How many.

        Returns
        -------
        float64 array
            Seconds, of that shape.
        """
        return self.at(rng.standard_normal(size))

    @property
    def median_s(self) -> int:
        """Half are shorter.

        Returns
        -------
        int
            Seconds, rounded.
        """
        return max(1, round(float(self.at(0.0))))

    @property
    def p90_s(self) -> int:
        """Nine in ten are shorter.

        Returns
        -------
        int
            Seconds, rounded.
        """
        return max(self.median_s, round(float(self.at(Z90))))

    def times(self, factor: float) -> "Spread":
        """Return the distribution of so many times the length.

        Parameters
        ----------
        factor : float
            More than 0.

        Returns
        -------
        Spread
            Every quantile multiplied.
        """
        return Spread(log_s=tuple(each + math.log(factor) for each in self.log_s))


def _bend(values: Floats, x: Floats, y: Floats) -> Floats:
    """Return an increasing piecewise linear function, straight beyond its ends."""
    inside = np.interp(values, x, y)
    low = (y[1] - y[0]) / (x[1] - x[0])
    high = (y[-1] - y[-2]) / (x[-1] - x[-2])
    inside += np.minimum(values - x[0], 0.0) * low
    inside += np.maximum(values - x[-1], 0.0) * high
    return np.asarray(inside, np.float64)


def lognormal(median_s: float, p90_s: float) -> Spread:
    """Return the lognormal with a median and a 90th percentile.

    Parameters
    ----------
    median_s, p90_s : float
        Seconds, 0 < median <= p90.

    Returns
    -------
    Spread
        A straight axis.
    """
    scale = max(math.log(p90_s / median_s) / Z90, LEAST_SLOPE)
    return bent(math.log(median_s), scale * KNOTS)


def bent(middle: float, axis: Floats) -> Spread:
    """Return a distribution from its axis.

    Parameters
    ----------
    middle : float
        Natural logarithm of seconds, added to the axis.
    axis : float64 array, shape (21,)
        At :data:`KNOTS`; made increasing where it is not.

    Returns
    -------
    Spread
        Ready to use.
    """
    steps = np.maximum(np.diff(axis), LEAST_SLOPE * np.diff(KNOTS))
    rising = axis[0] + np.concatenate(([0.0], np.cumsum(steps)))
    rising += axis[len(axis) // 2] - rising[len(axis) // 2]
    return Spread(log_s=tuple((middle + rising).tolist()))


@dataclass(frozen=True, slots=True, kw_only=True)
class ThreePoints:
    """What an expert says who has no log.

    Parameters
    ----------
    least_s, likely_s, most_s : float
        Seconds, ``0 < least <= likely <= most``: shortest, most likely, longest.
    """

    least_s: float
    likely_s: float
    most_s: float

    @property
    def mean_s(self) -> float:
        """The expected length, (a + 4 m + b) / 6.

        Malcolm, D. G., Roseboom, J. H., Clark, C. E. and Fazar, W. (1959),
        Application of a technique for research and development program evaluation,
        Operations Research 7(5):646-669.

        Returns
        -------
        float
            Seconds.
        """
        return (self.least_s + 4 * self.likely_s + self.most_s) / 6

    @property
    def variance_s2(self) -> float:
        """The variance, ((b - a) / 6)^2, from the same paper.

        Returns
        -------
        float
            Square seconds.
        """
        return ((self.most_s - self.least_s) / 6) ** 2

    def spread(self) -> Spread:
        """Return the lognormal with this mean and variance.

        Returns
        -------
        Spread
            Its mean is :attr:`mean_s`, its variance :attr:`variance_s2`.
        """
        scale2 = math.log1p(self.variance_s2 / self.mean_s**2)
        middle = math.log(self.mean_s) - scale2 / 2
        return bent(middle, max(math.sqrt(scale2), LEAST_SLOPE) * KNOTS)


def trade_spread(kind: Kind) -> Spread:
    """Return what the trade table says about a kind.

    Parameters
    ----------
    kind : Kind
        With its median and 90th percentile.

    Returns
    -------
    Spread
        The lognormal through both.
    """
    return lognormal(kind.median_s, max(kind.p90_s, kind.median_s))
