"""Simulated firms whose true lengths of visits are known. All of it is invented."""

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from dispatch.scenario.joblog import JobLog, Visits, empty_log
from shared.trade import kinds

SHAPES = ("lognormal", "gamma", "mixture", "drift")
FIRST_DAY = date(2025, 1, 6).toordinal() - date(1970, 1, 1).toordinal()
DAYS = 600
GIVE_UP_S = 20 * 60.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Firm:
    """A firm's truth: the median of each kind, group and driver, and the noise."""

    shape: str
    kind_share: NDArray[np.float64]
    log_median: NDArray[np.float64]  # (kinds, groups, drivers)
    scale: NDArray[np.float64]  # (kinds,)
    drift: NDArray[np.float64]  # (kinds,) over the whole time

    def draw(
        self, rng: np.random.Generator, rows: int, days: tuple[int, int]
    ) -> Visits:
        """Return true, finished visits of some days, in order of time."""
        groups, drivers = self.log_median.shape[1:]
        kind = rng.choice(len(self.kind_share), rows, p=self.kind_share)
        group = rng.choice(groups, rows, p=falling(groups))
        driver = rng.choice(drivers, rows, p=falling(drivers))
        day = np.sort(rng.integers(*days, rows))
        noise = self.noise(rng, kind)
        logs = self.log_median[kind, group, driver] + noise
        logs += self.drift[kind] * day / DAYS
        none = np.full(rows, -1, np.int64)
        return Visits(
            np.arange(2, rows + 2),
            kind.astype(np.int64),
            group.astype(np.int64),
            driver.astype(np.int64),
            np.clip(np.exp(logs), 60, 80_000),
            np.zeros(rows, np.bool_),
            day.astype(np.int64) + FIRST_DAY,
            rng.integers(8 * 60, 17 * 60, rows) * 60,
            none,
            none,
            np.full(rows, np.nan),
        )

    def noise(
        self, rng: np.random.Generator, kind: NDArray[np.int64]
    ) -> NDArray[np.float64]:
        """Return by how much the logarithms of some visits' lengths are off."""
        scale = self.scale[kind]
        if self.shape == "gamma":  # skewed to the left on the logarithm
            form = 1 / scale**2
            return np.log(np.maximum(rng.gamma(form) / form, 1e-3))
        noise = scale * rng.standard_normal(len(kind))
        if self.shape == "mixture":  # one visit in six goes wrong and takes 2.2 times
            noise += np.log(2.2) * (rng.random(len(kind)) < 1 / 6)
        return noise


def a_firm(seed: int, shape: str = "lognormal") -> Firm:
    """Return a firm with its own kinds, groups and drivers."""
    rng = np.random.default_rng((seed, SHAPES.index(shape)))
    table = list(kinds().values())
    groups, drivers = int(rng.integers(4, 9)), int(rng.integers(2, 8))
    size = (len(table), groups, drivers)
    logs = np.log([kind.median_s for kind in table])[:, None, None] + np.zeros(size)
    logs += rng.normal(0, 0.2) + rng.normal(0, 0.25, (size[0], 1, 1))
    logs += rng.normal(0, rng.uniform(0.1, 0.3), (size[0], groups, 1))
    logs += rng.normal(0, rng.uniform(0.05, 0.25), (1, 1, drivers))
    logs += rng.normal(0, 0.08, (size[0], 1, drivers)) + rng.normal(0, 0.05, size)
    return Firm(
        shape=shape,
        kind_share=rng.dirichlet(np.full(size[0], 0.6)),
        log_median=logs,
        scale=rng.uniform(0.25, 0.55, size[0]),
        drift=rng.normal(-0.1, 0.3, size[0]) * (shape == "drift"),
    )


def a_log(visits: Visits, firm: Firm) -> JobLog:
    """Return a clean log of these visits."""
    groups, drivers = firm.log_median.shape[1:]
    return replace(
        empty_log(),
        groups=tuple(f"group {number}" for number in range(groups)),
        drivers=tuple(f"driver {number}" for number in range(drivers)),
        visits=visits,
        rows=len(visits.kind),
    )


def spoil(
    visits: Visits,
    rng: np.random.Generator,
    *,
    typing: float = 0.02,
    waiting: float = 0.05,
) -> Visits:
    """Return visits as people log them: typing errors, and some given up.

    Of the visits that wait for a code, those are given up that would take longer than
    twenty minutes; of the others nothing is odd.
    """
    length_s = visits.length_s.copy()
    wrong = np.flatnonzero(rng.random(len(length_s)) < typing)
    length_s[wrong] *= rng.choice([0.02, 0.1, 10.0, 24.0], len(wrong))
    waits = rng.random(len(length_s)) < waiting
    unfinished = waits & (visits.length_s > GIVE_UP_S)
    length_s[unfinished] = GIVE_UP_S
    return visits._replace(
        length_s=np.clip(length_s, 60, 86_400), unfinished=unfinished
    )


def falling(number: int) -> NDArray[np.float64]:
    """Return shares of which each is smaller than the one before."""
    share = 1 / np.arange(1, number + 1)
    return share / share.sum()
