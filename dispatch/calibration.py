"""Is what was said also what came? Judged on visits that the learning did not see.

The log is cut by time into five parts. For each of the last three, lengths are learnt
from all before it, and what they say about it is compared with what came; so nothing
is judged by a future it knew. Visits that were not finished are left out: how long they
would have taken nobody knows.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dispatch.durations import learn_durations, pick, predict
from dispatch.scenario.joblog import JobLog, Visits
from dispatch.spread import KNOTS, normal_cdf, normal_quantile, trade_spread
from shared.model import Kind

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

PARTS, JUDGED = 5, 3
LEAST = 25  # visits; of fewer nothing can be said
MOST = 50_000  # of the latest visits are enough
JUDGED_CHANCES = (0.5, 0.9)
CHANCES = tuple(tenth / 10 for tenth in range(1, 10))
SURE = 1.6448536269514722  # 90 % of a normal lie within
DECILES = 10
CUSHION = 0.3  # as days have it without a word of their own


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What was quoted, and how often it was kept.

    Parameters
    ----------
    quoted : float
        The chance that was said, the mean of the bin; 0 to 1.
    kept : float
        The share that was kept.
    cases : int
        How many.
    low, high : float
        The true share lies between them with 90 % chance: Wilson, E. B. (1927),
        Probable inference, the law of succession, and statistical inference, JASA
        22(158):209-212.
    """

    quoted: float
    kept: float
    cases: int
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Losses:
    """Mean pinball losses, in seconds: less is better.

    Koenker, R. and Bassett, G. (1978), Regression quantiles, Econometrica 46(1):33-50.

    Parameters
    ----------
    chance : float
        Of the quantile that is judged: 0.5 is the median.
    learnt, plain, trade : float
        Of the learnt quantile, of the plain quantile of the kind's visits before,
        and of the trade table's.
    """

    chance: float
    learnt: float
    plain: float
    trade: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """What the judging found.

    Parameters
    ----------
    visits : int
        How many were judged; 0: too few rows, and the rest is empty.
    lengths : tuple of Kept
        For each decile of the learnt lengths: quoted 0.3 is kept when three in ten
        visits are done within it.
    within_plan : tuple of Kept
        By decile of the chance, quoted beforehand, that a visit is done within the
        length that the trade table alone would plan.
    promises : tuple of Kept
        By decile of the chance that the log says was quoted for the promised window.
    promised, promises_kept : int
        Visits with a promised window, and those that started in it or before.
    losses : tuple of Losses
        At the median and the 90th percentile.
    """

    visits: int
    lengths: tuple[Kept, ...]
    within_plan: tuple[Kept, ...]
    promises: tuple[Kept, ...]
    promised: int
    promises_kept: int
    losses: tuple[Losses, ...]


def wilson(kept: int, cases: int) -> tuple[float, float]:
    """Return the range of a share.

    Parameters
    ----------
    kept, cases : int
        ``0 <= kept <= cases``, at least one case.

    Returns
    -------
    tuple of float
        The score interval of 90 %.
    """
    share, sure2 = kept / cases, SURE**2
    middle = share + sure2 / (2 * cases)
    reach = SURE * math.sqrt(share * (1 - share) / cases + sure2 / (4 * cases**2))
    below = 1 + sure2 / cases
    return max(0.0, (middle - reach) / below), min(1.0, (middle + reach) / below)


def reliability(quoted: Floats, kept: Flags) -> tuple[Kept, ...]:
    """Return quoted against kept, by decile of what was quoted.

    Parameters
    ----------
    quoted : float64 array, shape (n,)
        Chances, 0 to 1.
    kept : bool array, shape (n,)
        What came.

    Returns
    -------
    tuple of Kept
        At most ten, the same number of cases in each; equal chances stay together.
    """
    if not len(quoted):
        return ()
    order = np.argsort(quoted, kind="stable")
    edges = np.quantile(quoted, np.arange(1, DECILES) / DECILES)
    bins = np.searchsorted(edges, quoted[order], side="left")
    return tuple(
        _kept(float(quoted[rows].mean()), int(kept[rows].sum()), len(rows))
        for number in range(DECILES)
        if len(rows := order[bins == number])
    )


def _kept(quoted: float, kept: int, cases: int) -> Kept:
    low, high = wilson(kept, cases)
    return Kept(quoted=quoted, kept=kept / cases, cases=cases, low=low, high=high)


def pinball(quantile_s: Floats, length_s: Floats, chance: float) -> Floats:
    """Return the pinball loss of quantiles.

    Parameters
    ----------
    quantile_s, length_s : float64 array, shape (n,)
        What was said and what came, seconds.
    chance : float
        Of the quantile.

    Returns
    -------
    float64 array, shape (n,)
        ``chance`` times what it took more, or ``1 - chance`` times what it took less.
    """
    over = length_s - quantile_s
    losses: Floats = np.where(over >= 0, chance * over, (chance - 1) * over)
    return losses


def calibrate(log: JobLog, kinds: Mapping[str, Kind]) -> Calibration:
    """Judge the learnt lengths on held-out parts of the log.

    Parameters
    ----------
    log : JobLog
        Done visits.
    kinds : mapping of str to Kind
        The trade table, in the order of ``log.kinds``.

    Returns
    -------
    Calibration
        Of the last three fifths.
    """
    visits = log.visits
    promises, promised, met = _promises(visits)
    order = np.argsort(visits.day, kind="stable")[-MOST:]
    edges = np.linspace(0, len(order), PARTS + 1).round().astype(np.int64)
    parts = [
        _judge(
            log,
            kinds,
            pick(visits, order[: edges[part]]),
            pick(visits, order[edges[part] : edges[part + 1]]),
        )
        for part in range(PARTS - JUDGED, PARTS)
        if len(order) >= LEAST
    ]
    if not parts:
        return Calibration(
            visits=0,
            lengths=(),
            within_plan=(),
            promises=promises,
            promised=promised,
            promises_kept=met,
            losses=(),
        )
    axes, length_s, planned_s, plain_s, trade_s = map(
        np.concatenate, zip(*parts, strict=True)
    )
    below = normal_cdf(scores(axes, np.log(length_s)))
    quoted = normal_cdf(scores(axes, np.log(planned_s)))
    return Calibration(
        visits=len(length_s),
        lengths=tuple(
            _kept(tenth, int(np.sum(below <= tenth)), len(below)) for tenth in CHANCES
        ),
        within_plan=reliability(quoted, length_s <= planned_s),
        promises=promises,
        promised=promised,
        promises_kept=met,
        losses=tuple(
            Losses(
                chance=level,
                learnt=_mean(pinball(quantiles(axes, level), length_s, level)),
                plain=_mean(pinball(plain_s[:, at], length_s, level)),
                trade=_mean(pinball(trade_s[:, at], length_s, level)),
            )
            for at, level in enumerate(JUDGED_CHANCES)
        ),
    )


class _Part(NamedTuple):
    """One held-out part: what was said about its visits, and what came."""

    axes: Floats  # (n, 21)
    length_s: Floats
    planned_s: Floats
    plain_s: Floats  # (n, 2)
    trade_s: Floats  # (n, 2)


def _judge(
    log: JobLog, kinds: Mapping[str, Kind], early: Visits, late: Visits
) -> _Part:
    late = pick(late, np.flatnonzero(~late.unfinished))
    learnt = learn_durations(replace(log, visits=early), kinds)
    spreads = [trade_spread(kind).quantile(JUDGED_CHANCES) for kind in kinds.values()]
    usual_s = np.array([planned_s(kind) for kind in kinds.values()])
    return _Part(
        predict(learnt, late),
        late.length_s,
        usual_s[late.kind],
        _plain(early, np.array(spreads))[late.kind],
        np.array(spreads)[late.kind],
    )


def planned_s(kind: Kind) -> float:
    """Return the length that a day plans by the trade table alone.

    Parameters
    ----------
    kind : Kind
        With median and 90th percentile.

    Returns
    -------
    float
        Seconds, with the usual cushion.
    """
    return kind.median_s + CUSHION * (kind.p90_s - kind.median_s)


def _plain(early: Visits, spreads: Floats) -> Floats:
    """Return each kind's plain quantiles, shape (kinds, 2): no pooling, no cleaning.

    A kind without any visit has those of all; without any at all, the trade table's.
    """
    done = ~early.unfinished
    found = spreads.copy()
    if done.any():
        found[:] = np.quantile(early.length_s[done], JUDGED_CHANCES)
    for kind in range(len(spreads)):
        rows = done & (early.kind == kind)
        if rows.any():
            found[kind] = np.quantile(early.length_s[rows], JUDGED_CHANCES)
    return found


def quantiles(axes: Floats, chance: float) -> Floats:
    """Return one quantile of many distributions.

    Parameters
    ----------
    axes : float64 array, shape (n, 21)
        From :func:`dispatch.durations.predict`.
    chance : float
        Between 0 and 1, within the knots (0.007 to 0.993).

    Returns
    -------
    float64 array, shape (n,)
        Seconds.
    """
    z = float(normal_quantile(chance))
    at = int(np.clip(np.searchsorted(KNOTS, z) - 1, 0, len(KNOTS) - 2))
    share = (z - KNOTS[at]) / (KNOTS[at + 1] - KNOTS[at])
    found: Floats = np.exp(axes[:, at] + share * (axes[:, at + 1] - axes[:, at]))
    return found


def scores(axes: Floats, log_s: Floats) -> Floats:
    """Return the normal scores of lengths, each in a distribution of its own.

    Parameters
    ----------
    axes : float64 array, shape (n, 21)
        From :func:`dispatch.durations.predict`.
    log_s : float64 array, shape (n,)
        Natural logarithms of seconds.

    Returns
    -------
    float64 array, shape (n,)
        Standard normal if the distributions are right.
    """
    at = np.clip(np.sum(axes <= log_s[:, None], axis=1) - 1, 0, len(KNOTS) - 2)
    rows = np.arange(len(at))
    low, high = axes[rows, at], axes[rows, at + 1]
    step = float(KNOTS[1] - KNOTS[0])
    found: Floats = KNOTS[at] + step * (log_s - low) / np.maximum(high - low, 1e-9)
    return found


def _mean(losses: Floats) -> float:
    return float(losses.mean())


def _promises(visits: Visits) -> tuple[tuple[Kept, ...], int, int]:
    """Return what the log itself says of promised windows."""
    told = (visits.promise_end_s >= 0) & (visits.start_s >= 0)
    kept = visits.start_s <= visits.promise_end_s
    rows = told & ~np.isnan(visits.chance)
    return (
        reliability(visits.chance[rows], kept[rows]),
        int(told.sum()),
        int(np.sum(told & kept)),
    )
