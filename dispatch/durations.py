"""How long visits take, learnt from the log: from the general to the specific.

The logarithm of a visit's length is the trade table's for its kind, plus what the firm,
the kind, the kind's vehicle or lock group, the driver, the driver at that kind, and
the three together add. Every one of these is a random effect: with few records it is
drawn towards the more general one, with many it stands on its own (partial pooling,
empirical Bayes: Efron, B. and Morris, C. (1975), Data analysis using Stein's estimator
and its generalizations, JASA 70(350):311-319). Effects: Henderson's mixed model
equations (Henderson, C. R. (1975), Biometrics 31(2):423-447). How much each sort of
effect varies: the fixed point of Schall, R. (1991), Estimation in generalized linear
models with random effects, Biometrika 78(4):719-727.

Typing errors and rare long visits: the errors are t-distributed with five degrees of
freedom, fitted by weights (Lange, K. L., Little, R. J. A. and Taylor, J. M. G. (1989),
JASA 84(408):881-896). A visit that was given up or aborted says only that the work
takes longer than that: it is censored, as in Tobin, J. (1958), Econometrica
26(1):24-36, and fitted by expectation and maximisation (Dempster, A. P., Laird, N. M.
and Rubin, D. B. (1977), JRSS B 39(1):1-38).

The shape is not taken for lognormal: the residuals of all visits bend it, and those of
the kind bend it further, each as the posterior mean of a Dirichlet process around the
more general shape (Ferguson, T. S. (1973), Annals of Statistics 1(2):209-230; with
censored entries: Susarla, V. and Van Ryzin, J. (1976), JASA 71(356):897-902).
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dispatch.scenario.cells import LEAST_PACE, MOST_PACE
from dispatch.scenario.joblog import JobLog, Visits
from dispatch.spread import (
    KNOTS,
    Z90,
    Spread,
    ThreePoints,
    bent,
    normal_cdf,
    normal_quantile,
)
from shared.model import Call, Day, Kind, Van

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

# The sorts of effects, from the general to the specific. The usual size of each (as a
# share: 0.3 is about 30 %) is keyround's choice; it counts like USUAL_WEIGHT effects.
FIRM, KIND, GROUP, DRIVER, DRIVER_KIND = range(5)
USUAL_SIZE = (0.7, 0.3, 0.2, 0.15, 0.08)
CELL_SIZE = 0.08
USUAL_WEIGHT = 2.0
LEAST_SIZE, MOST_SIZE = 0.01, 1.5
MOST_EFFECTS = 1200  # the equations are solved whole; the rarest are left out first
ROUNDS = 14  # measured: effects move by less than 0.001 after ten
FREEDOM = 5.0  # of the t-distributed errors
OUTLYING = 5.0  # scales; about 4.4 standard deviations where errors are normal
WATCH_FROM = 5  # rounds before outliers are named: until then the fit is not settled
SCALE_WEIGHT = 12.0  # records that the general scale counts as
SHAPE_WEIGHT = 60.0  # records that the lognormal counts as, for the pooled shape
KIND_SHAPE_WEIGHT = 40.0  # records that the pooled shape counts as, for a kind's
LEAST_LEFT = 0.5  # share of its variance that a residual keeps at least
LEAST_SCALE = 0.02
LISTED = 200
SURE = 1.6448536269514722  # 90 % of a normal lie within

HALF_LIVES_D: tuple[float | None, ...] = (None, 360.0, 120.0)
FORGET_GAIN = 0.01  # forgetting must predict better by this share, or nothing is
FORGET_ERRORS = 1.0  # ... and by more than so many standard errors of the gain
LEAST_TO_FORGET = 200  # rows; of fewer it cannot be seen whether lengths drift
WATCHED = 20_000  # of the latest rows are enough to see it
LATEST = 0.2  # share of the log that is predicted to see it


class Odd(NamedTuple):
    """A visit that does not fit: a typing error, or something else went on.

    Parameters
    ----------
    line : int
        Line of the log.
    kind : str
        Its kind.
    length_s, usual_s : int
        What stands there, and the median of such visits.
    """

    line: int
    kind: str
    length_s: int
    usual_s: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Length:
    """What is expected of a visit, and how sure that is.

    Parameters
    ----------
    spread : Spread
        The distribution of the length, the doubt about its middle included.
    records : int
        Visits of this kind, group and driver in the log (of what was asked).
    low_s, high_s : int
        The median lies between them with 90 % chance; of a mix of groups or drivers,
        that of the mix.
    """

    spread: Spread
    records: int
    low_s: int
    high_s: int

    @property
    def median_s(self) -> int:
        """Half of such visits are shorter.

        Returns
        -------
        int
            Seconds.
        """
        return self.spread.median_s

    @property
    def p90_s(self) -> int:
        """Nine in ten of such visits are shorter.

        Returns
        -------
        int
            Seconds.
        """
        return self.spread.p90_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Retry:
    """How often a kind of visit is not finished.

    Parameters
    ----------
    share : float
        Chance, drawn towards that of all kinds (a beta prior worth 20 visits).
    lost_s : int
        Median of the time lost then; 0 when it never happened.
    records : int
        Visits that were not finished.
    """

    share: float
    lost_s: int
    records: int


class _Terms(NamedTuple):
    """Which effects a visit has: column 0 to 4, -1 for one it has not."""

    of_visit: Ints  # (n, 5)
    sort: Ints  # (effects,)
    groups: Mapping[tuple[int, int], int]
    drivers: Mapping[int, int]
    pairs: Mapping[tuple[int, int], int]


class _Cells(NamedTuple):
    """Every kind, group and driver that the log has together, and what it adds."""

    keys: Ints  # (cells, 3)
    design: Ints  # (cells, 5); the number of effects stands for none
    own: Floats
    doubt: Floats  # of what it adds, were the effects known
    share: Floats  # of what is left over that it takes
    records: Floats


class _Fit(NamedTuple):
    """The solved equations."""

    terms: _Terms
    effect: Floats
    doubt: Floats  # covariance, (effects + 1, effects + 1); the last is no effect
    size2: Floats  # variance of each sort
    cell_size2: float
    scale: Floats  # of each kind
    cells: _Cells
    odd: Flags
    shape: Floats  # (kinds, 21)
    counts: Floats  # records of each effect


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Learnt:
    """What a log tells about lengths of visits.

    Parameters
    ----------
    kinds : mapping of str to Kind
        The trade table.
    log : JobLog
        Where it comes from.
    half_life_d : float or None
        A record this many days older counts half; ``None``: age does not matter.
    odd : tuple of Odd
        Visits that do not fit, at most 200, the oddest first.
    odd_rows : int
        How many there are.
    sizes : mapping of str to float
        How much each sort of effect varies, as a standard deviation of the
        logarithm: 0.2 is about 20 %.
    retries : mapping of str to Retry
        By kind, how often a visit is not finished.
    """

    kinds: Mapping[str, Kind]
    log: JobLog
    half_life_d: float | None
    odd: tuple[Odd, ...]
    odd_rows: int
    sizes: Mapping[str, float]
    retries: Mapping[str, Retry]
    _fit: _Fit

    def length(
        self, kind: str, group: str | None = None, driver: str | None = None
    ) -> Length:
        """Return what is expected of a visit.

        Parameters
        ----------
        kind : str
            Id of the kind of work.
        group : str, optional
            Vehicle or lock group; one that the log does not know, or none, means the
            usual mix.
        driver : str, optional
            Name as in the log; unknown or none: any driver, their differences
            included in the spread.

        Returns
        -------
        Length
            Never without an answer: with no record it is the trade table's, moved by
            what the firm's other kinds show.
        """
        return _expect(self, kind, group, driver, usual=False)

    def usual(self, kind: str, group: str | None = None) -> Length:
        """Return what is expected with a driver of usual pace.

        Parameters
        ----------
        kind : str
            Id of the kind of work.
        group : str, optional
            Vehicle or lock group.

        Returns
        -------
        Length
            Without the drivers' differences: :meth:`pace` has them.
        """
        return _expect(self, kind, group, None, usual=True)

    def pace(self, driver: str, kind: str | None = None) -> float:
        """Return a driver's pace at a kind of work.

        Parameters
        ----------
        driver : str
            Name as in the log.
        kind : str, optional
            Id of the kind; without it, at work in general.

        Returns
        -------
        float
            Length as a share of the usual one, 0.25 to 4; 1 for an unknown driver.
        """
        return self.pace_range(driver, kind)[1]

    def pace_range(
        self, driver: str, kind: str | None = None
    ) -> tuple[float, float, float]:
        """Return a driver's pace at a kind of work and how sure it is.

        Parameters
        ----------
        driver : str
            Name as in the log.
        kind : str, optional
            Id of the kind; without it, at work in general.

        Returns
        -------
        tuple of float
            Low end, pace, high end; it lies between the ends with 90 % chance.
        """
        return _pace(self, driver, kind)

    def find_group(self, kind: str, words: str) -> str | None:
        """Return the group that a description names.

        Parameters
        ----------
        kind : str
            Id of the kind.
        words : str
            A call's description.

        Returns
        -------
        str or None
            The longest group, among the log's for this kind, whose words stand in
            the description one after the other.
        """
        text = f" {' '.join(words.casefold().split())} "
        at = tuple(self.kinds).index(kind) if kind in self.kinds else -1
        found = [
            self.log.groups[group]
            for of_kind, group in self._fit.terms.groups
            if of_kind == at and f" {self.log.groups[group].casefold()} " in text
        ]
        return max(found, key=lambda name: (len(name), name), default=None)


def reckoned(
    kinds: Mapping[str, Kind], estimates: Mapping[str, tuple[int, int, int]]
) -> dict[str, Kind]:
    """Return the trade table with a firm's own three-point estimates in it.

    Parameters
    ----------
    kinds : mapping of str to Kind
        The trade table.
    estimates : mapping of str to (int, int, int)
        Kind id to least, most likely and most seconds.

    Returns
    -------
    dict of str to Kind
        Median and 90th percentile of the lognormal with the mean and variance of
        Malcolm et al. (1959), see :class:`~dispatch.spread.ThreePoints`.
    """
    found = dict(kinds)
    for name, (least_s, likely_s, most_s) in estimates.items():
        points = ThreePoints(least_s=least_s, likely_s=likely_s, most_s=most_s)
        spread = points.spread()
        found[name] = replace(
            found[name],
            median_s=spread.median_s,
            p90_s=spread.p90_s,
            source="three-point estimate of the firm",
        )
    return found


def predict(learnt: Learnt, visits: Visits) -> Floats:
    """Return what was to be expected of many visits.

    Parameters
    ----------
    learnt : Learnt
        From a log with the same words behind the indices.
    visits : Visits
        Kinds, groups and drivers; their lengths are not looked at.

    Returns
    -------
    float64 array, shape (n, 21)
        One :class:`~dispatch.spread.Spread` in each row: ``log_s`` at the knots.
    """
    fit = learnt._fit  # noqa: SLF001 - its own module
    offset = np.log([float(kind.median_s) for kind in learnt.kinds.values()])
    middle, doubt = _middles(fit, visits, offset)
    axis = fit.shape[visits.kind]
    centre = axis[:, [len(KNOTS) // 2]]
    stretch = np.sqrt(1 + doubt / fit.scale[visits.kind] ** 2)
    rows: Floats = middle[:, None] + centre + (axis - centre) * stretch[:, None]
    return rows


def learn_durations(
    log: JobLog, kinds: Mapping[str, Kind], *, half_life_d: float | None = -1.0
) -> Learnt:
    """Learn how long visits take.

    Parameters
    ----------
    log : JobLog
        Done visits; none at all will do.
    kinds : mapping of str to Kind
        The trade table, in the order of ``log.kinds``.
    half_life_d : float, optional
        A record this many days older counts half; ``None``: age does not matter. By
        default the log decides: of :data:`HALF_LIVES_D` the one that predicts the
        latest fifth best, and only if that gains at least 1 %.

    Returns
    -------
    Learnt
        Lengths of any kind, group and driver.
    """
    kinds = reckoned(kinds, log.estimates)
    table = tuple(kinds.values())
    offset = np.log([float(kind.median_s) for kind in table])
    if half_life_d is not None and half_life_d < 0:
        half_life_d = _choose_half_life(log, table, offset)
    visits = log.visits
    fit = _solve(visits, table, offset, half_life_d)
    return _tell(log, kinds, fit, half_life_d)


def _choose_half_life(
    log: JobLog, table: tuple[Kind, ...], offset: Floats
) -> float | None:
    """Return the half-life that predicts the latest visits best, mostly none."""
    order = np.argsort(log.visits.day, kind="stable")[-WATCHED:]
    if len(order) < LEAST_TO_FORGET:
        return None
    cut = len(order) - round(LATEST * len(order))
    early, late = pick(log.visits, order[:cut]), pick(log.visits, order[cut:])
    late = pick(late, np.flatnonzero(~late.unfinished))
    losses = []
    for half_life_d in HALF_LIVES_D:
        fit = _solve(early, table, offset, half_life_d)
        middle, _ = _middles(fit, late, offset)
        middle += fit.shape[late.kind, len(KNOTS) // 2]
        losses.append(np.abs(np.exp(middle) - late.length_s))
    best = min(range(len(losses)), key=lambda at: float(losses[at].mean()))
    gain = losses[0] - losses[best]
    doubt = FORGET_ERRORS * float(gain.std()) / math.sqrt(max(len(gain), 1))
    least = max(FORGET_GAIN * float(losses[0].mean()), doubt)
    return HALF_LIVES_D[best] if float(gain.mean()) > least else None


def pick(visits: Visits, rows: Ints) -> Visits:
    """Return some of the visits.

    Parameters
    ----------
    visits : Visits
        All of them.
    rows : int64 array
        Which.

    Returns
    -------
    Visits
        In that order.
    """
    return Visits(*(column[rows] for column in visits))  # type: ignore[arg-type]


def _index(visits: Visits, kinds: int) -> _Terms:
    """Return which effects the visits have; the rarest are left out if too many."""
    n = len(visits.kind)
    index = np.full((n, 5), -1, np.int64)
    index[:, FIRM] = 0
    index[:, KIND] = 1 + visits.kind
    sorts = [FIRM] + [KIND] * kinds
    room = MOST_EFFECTS - len(sorts)
    keyed = (
        (GROUP, visits.kind, visits.group),
        (DRIVER, np.zeros(n, np.int64), visits.driver),
        (DRIVER_KIND, visits.kind, visits.driver),
    )
    named: dict[int, dict[tuple[int, int], int]] = {}
    found = {}
    for sort, first, second in keyed:
        rows = np.flatnonzero(second >= 0)
        wide = int(second.max(initial=0)) + 1
        keys, codes, counts = np.unique(
            first[rows] * wide + second[rows], return_inverse=True, return_counts=True
        )
        found[sort] = rows, wide, keys, codes, counts
    every = np.sort(np.concatenate([each[4] for each in found.values()]))[::-1]
    least = int(every[room]) + 1 if len(every) > room else 1
    for sort, (rows, wide, keys, codes, counts) in found.items():
        kept = np.flatnonzero(counts >= least)
        place = np.full(len(keys), -1, np.int64)
        place[kept] = len(sorts) + np.arange(len(kept))
        named[sort] = {
            (int(keys[at]) // wide, int(keys[at]) % wide): int(place[at]) for at in kept
        }
        sorts += [sort] * len(kept)
        index[rows, sort] = place[codes]
    return _Terms(
        of_visit=index,
        sort=np.array(sorts, np.int64),
        groups=named[GROUP],
        drivers={key[1]: at for key, at in named[DRIVER].items()},
        pairs=named[DRIVER_KIND],
    )


def _solve(
    visits: Visits, table: tuple[Kind, ...], offset: Floats, half_life_d: float | None
) -> _Fit:
    """Fit effects, sizes, scales and shapes."""
    terms = _index(visits, len(table))
    effects = len(terms.sort)
    logs = np.log(visits.length_s) - offset[visits.kind]
    trust = _trust(visits, half_life_d)
    keys, first, cell = np.unique(
        np.column_stack((visits.kind, visits.group, visits.driver)),
        axis=0,
        return_index=True,
        return_inverse=True,
    )
    cell = cell.reshape(-1)
    design = np.where(terms.of_visit[first] < 0, effects, terms.of_visit[first])
    flat = (design[:, :, None] * (effects + 1) + design[:, None, :]).reshape(-1)
    of_kind = keys[:, 0]
    usual_scale = np.array(
        [max(math.log(kind.p90_s / kind.median_s) / Z90, 0.05) for kind in table]
    )
    scale = usual_scale.copy()
    size2 = np.array(USUAL_SIZE) ** 2
    cell_size2 = CELL_SIZE**2
    odd = np.zeros(len(logs), np.bool_)
    middle = np.zeros(len(keys))
    effect = np.zeros(effects + 1)
    doubt = np.zeros((effects + 1, effects + 1))
    own, own_doubt, share, middle_doubt = (np.zeros(len(keys)) for _ in range(4))
    for turn in range(ROUNDS):
        mine = scale[visits.kind]
        value, extra = _impute(logs, middle[cell], mine, visits.unfinished)
        off = (value - middle[cell]) / mine
        weight = np.where(visits.unfinished, 1.0, (FREEDOM + 1) / (FREEDOM + off**2))
        if turn >= WATCH_FROM:
            odd = ~visits.unfinished & (np.abs(off) > OUTLYING)
        weight = weight * (trust * ~odd)
        mass = np.maximum(np.bincount(cell, weight, len(keys)), 1e-9)
        mean = np.bincount(cell, weight * value, len(keys)) / mass
        sure = mass / scale[of_kind] ** 2
        joint = 1 / (1 / sure + cell_size2)
        left = np.bincount(flat, np.repeat(joint, 25), (effects + 1) ** 2).reshape(
            effects + 1, effects + 1
        )[:effects, :effects]
        left = left + np.diag(1 / size2[terms.sort])
        right = np.bincount(
            design.reshape(-1), np.repeat(joint * mean, 5), effects + 1
        )[:effects]
        doubt[:effects, :effects] = np.linalg.inv(left)
        effect[:effects] = doubt[:effects, :effects] @ right
        general = effect[design].sum(axis=1)
        vague = doubt.reshape(-1)[flat].reshape(len(keys), 25).sum(axis=1)
        share = cell_size2 / (cell_size2 + 1 / sure)
        own = share * (mean - general)
        own_doubt = cell_size2 * (1 - share)
        middle = general + own
        middle_doubt = (1 - share) ** 2 * vague + own_doubt
        size2, cell_size2 = _sizes(
            terms.sort, effect, doubt, size2, (own, own_doubt, share, vague, cell_size2)
        )
        scale = _scales(
            visits.kind,
            weight * ((value - middle[cell]) ** 2 + middle_doubt[cell]) + trust * extra,
            trust * ~odd,
            usual_scale,
        )
    counts = np.zeros(effects)
    for column in terms.of_visit.T:
        counts += np.bincount(column[column >= 0], minlength=effects)
    # Residuals of a fit are smaller than errors, by the share of it that they made.
    fitted = middle_doubt[cell] / scale[visits.kind] ** 2
    value = (logs - middle[cell]) / scale[visits.kind]
    value /= np.sqrt(np.maximum(1 - fitted, LEAST_LEFT))
    return _Fit(
        terms=terms,
        effect=effect,
        doubt=doubt,
        size2=size2,
        cell_size2=cell_size2,
        scale=scale,
        cells=_Cells(
            keys,
            design,
            own,
            own_doubt,
            share,
            np.bincount(cell, minlength=len(keys)).astype(np.float64),
        ),
        odd=odd,
        shape=_shapes(visits.kind, value, visits.unfinished, trust * ~odd, len(table))
        * scale[:, None],
        counts=counts,
    )


def _trust(visits: Visits, half_life_d: float | None) -> Floats:
    """Return what each record counts by its age."""
    if half_life_d is None or not len(visits.day):
        return np.ones(len(visits.day))
    age_d = visits.day.max() - visits.day
    trust: Floats = 0.5 ** (age_d / half_life_d)
    return trust


def _impute(
    logs: Floats, middle: Floats, scale: Floats, unfinished: Flags
) -> tuple[Floats, Floats]:
    """Return expected values and variances: of censored entries beyond what is known.

    For a normal y above c, with z = (c - m) / s and h = pdf(z) / (1 - cdf(z)):
    E y = m + s h, Var y = s^2 (1 + z h - h^2).
    """
    value, extra = logs.copy(), np.zeros(len(logs))
    at = np.flatnonzero(unfinished)
    if len(at):
        z = np.clip((logs[at] - middle[at]) / scale[at], -8, 8)
        density = np.exp(-0.5 * z**2) / math.sqrt(2 * math.pi)
        hazard = density / np.maximum(normal_cdf(-z), 1e-300)
        value[at] = middle[at] + scale[at] * hazard
        extra[at] = scale[at] ** 2 * np.maximum(1 + z * hazard - hazard**2, 0.0)
    return value, extra


def _sizes(
    sort: Ints,
    effect: Floats,
    doubt: Floats,
    size2: Floats,
    cells: tuple[Floats, Floats, Floats, Floats, float],
) -> tuple[Floats, float]:
    """Return how much each sort of effect varies (Schall's fixed point).

    The sum of squares over the effective number of effects; the usual size counts
    like two effects more, so that a firm with one driver is no trouble.
    """
    fresh = size2.copy()
    spread = np.diag(doubt)
    for each in (KIND, GROUP, DRIVER, DRIVER_KIND):
        at = np.flatnonzero(sort == each)
        free = float(np.sum(1 - spread[at] / size2[each]))
        fresh[each] = _size2(float(np.sum(effect[at] ** 2)), free, USUAL_SIZE[each])
    own, own_doubt, share, vague, cell_size2 = cells
    free = float(np.sum(1 - (own_doubt + share**2 * vague) / cell_size2))
    return fresh, _size2(float(np.sum(own**2)), free, CELL_SIZE)


def _size2(squares: float, free: float, usual: float) -> float:
    found = (squares + USUAL_WEIGHT * usual**2) / (max(free, 0.0) + USUAL_WEIGHT)
    return min(max(found, LEAST_SIZE**2), MOST_SIZE**2)


def _scales(kind: Ints, squares: Floats, weight: Floats, usual: Floats) -> Floats:
    """Return each kind's scale, drawn towards the trade table's times a common ratio.

    The form of Smyth, G. K. (2004), Statistical Applications in Genetics and
    Molecular Biology 3(1):3: (d0 s0^2 + d s^2) / (d0 + d); d0 is keyround's choice.
    """
    squares_of = np.bincount(kind, squares, len(usual))
    records = np.bincount(kind, weight, len(usual))
    common = (float(np.sum(squares_of / usual**2)) + SCALE_WEIGHT) / (
        float(np.sum(records)) + SCALE_WEIGHT
    )
    scale2 = (squares_of + SCALE_WEIGHT * common * usual**2) / (records + SCALE_WEIGHT)
    scale: Floats = np.sqrt(np.maximum(scale2, LEAST_SCALE**2))
    return scale


_CHANCES: Floats = (np.arange(199) + 0.5) / 199


def _shapes(
    kind: Ints, value: Floats, unfinished: Flags, weight: Floats, kinds: int
) -> Floats:
    """Return each kind's bent axis, in units of its scale, at the knots.

    Smoothed along the knots: what bends within half a standard deviation is chance.
    """
    normal = normal_quantile(_CHANCES)
    at_knots = normal_cdf(KNOTS)
    even = np.full(len(normal), 1 / len(normal))
    # The prior is straight, but as wide as the records: a t-fit's scale is smaller.
    middle, wide = _centre(value, unfinished, weight)
    pooled = _posterior(
        value, unfinished, weight, middle + wide * normal, SHAPE_WEIGHT * even
    )
    axis = np.interp(at_knots, *pooled)
    grid = np.interp(_CHANCES, *pooled)
    order = np.argsort(kind, kind="stable")
    ends = np.searchsorted(kind[order], np.arange(kinds + 1))
    shapes = np.empty((kinds, len(KNOTS)))
    for number in range(kinds):
        rows = order[ends[number] : ends[number + 1]]
        shapes[number] = axis
        if len(rows):
            shapes[number] = np.interp(
                at_knots,
                *_posterior(
                    value[rows],
                    unfinished[rows],
                    weight[rows],
                    grid,
                    KIND_SHAPE_WEIGHT * even,
                ),
            )
    return np.apply_along_axis(_smooth, 1, shapes)


def _smooth(axis: Floats) -> Floats:
    """Return an axis smoothed by a triangle of five knots; a straight one stays."""
    low, high = axis[1] - axis[0], axis[-1] - axis[-2]
    ends = np.arange(2, 0, -1)
    longer = np.concatenate((axis[0] - ends * low, axis, axis[-1] + ends[::-1] * high))
    return np.convolve(longer, np.array([1, 2, 3, 2, 1]) / 9, mode="valid")


def _centre(value: Floats, unfinished: Flags, weight: Floats) -> tuple[float, float]:
    """Return median and robust deviation of the residuals, drawn to 0 and 1."""
    used = value[~unfinished & (weight > 0)]
    if not len(used):
        return 0.0, 1.0
    low, middle, high = np.quantile(used, [0.16, 0.5, 0.84])
    share = len(used) / (len(used) + SHAPE_WEIGHT)
    return share * float(middle), 1 + share * (float(high - low) / 2 - 1)


def _posterior(
    value: Floats, unfinished: Flags, weight: Floats, prior: Floats, mass: Floats
) -> tuple[Floats, Floats]:
    """Return chances and values of a distribution function: the records and a prior.

    Censored records hand their mass to what lies above them (the product-limit
    estimate of Kaplan, E. L. and Meier, P. (1958), JASA 53(282):457-481, with the
    prior's grid among the records).
    """
    values = np.concatenate((value, prior))
    weights = np.concatenate((weight, mass))
    seen = np.concatenate((~unfinished, np.ones(len(prior), np.bool_)))
    order = np.argsort(values, kind="stable")
    values, weights, seen = values[order], weights[order], seen[order]
    risk = np.cumsum(weights[::-1])[::-1]
    fall = np.where(seen, weights / np.maximum(risk, 1e-12), 0.0)
    alive = np.cumprod(1 - np.minimum(fall, 1.0))
    before = np.concatenate(([1.0], alive[:-1]))
    chance = 1 - (before + alive) / 2  # half a step: the middle of each record
    kept = seen & (weights > 0)
    return chance[kept], values[kept]


class _Middle(NamedTuple):
    """The logarithm of a median (before the shape), and what is not known of it."""

    value: float
    doubt: float  # variance: the records are few
    groups: float  # variance: groups differ, and none was named
    drivers: float  # variance: drivers differ, and none was named


def _middles(fit: _Fit, visits: Visits, offset: Floats) -> tuple[Floats, Floats]:
    """Return log medians (before the shape) of visits and all that varies them."""
    keys, cell = np.unique(
        np.column_stack((visits.kind, visits.group, visits.driver)),
        axis=0,
        return_inverse=True,
    )
    found = [
        _middle(fit, int(kind), int(group), int(driver)) for kind, group, driver in keys
    ]
    table = np.array(found, np.float64).reshape(-1, 4)[cell.reshape(-1)]
    return offset[visits.kind] + table[:, 0], table[:, 1:].sum(axis=1)


def _middle(fit: _Fit, kind: int, group: int, driver: int) -> _Middle:
    """Return the sum of effects of a kind, group and driver.

    -1 is any: the mean over those that the log has, weighted by their records. -2 is
    one that the log does not know.
    """
    terms, load = fit.terms, np.zeros(len(fit.effect))
    load[0] = load[1 + kind] = 1.0
    doubt = groups = drivers = 0.0
    if (kind, group) in terms.groups:
        load[terms.groups[kind, group]] = 1.0
    else:
        groups = _mix(
            fit, load, [at for (k, _), at in terms.groups.items() if k == kind]
        )
        if group != -1:
            groups, doubt = 0.0, doubt + fit.size2[GROUP]
    if driver in terms.drivers:
        load[terms.drivers[driver]] = 1.0
        if (kind, driver) in terms.pairs:
            load[terms.pairs[kind, driver]] = 1.0
        else:
            doubt += fit.size2[DRIVER_KIND]
    elif terms.drivers:
        drivers = _mix_drivers(fit, load, kind)
        if driver != -1:
            drivers = 0.0
            doubt += fit.size2[DRIVER] + fit.size2[DRIVER_KIND]
    value = float(load @ fit.effect)
    own = own_doubt = 0.0
    cells = fit.cells
    here = cells.keys[:, 0] == kind
    for asked, column in ((group, 1), (driver, 2)):
        if asked != -1:
            here &= cells.keys[:, column] == asked
    if here.any():
        part = cells.records[here] / cells.records[here].sum()
        own = float(part @ cells.own[here])
        own_doubt = float(part**2 @ cells.doubt[here])
        groups += float(part @ (cells.own[here] - own) ** 2)
        # What a cell adds is less where the effects say more.
        takes = np.repeat(part * cells.share[here], cells.design.shape[1])
        load -= np.bincount(cells.design[here].reshape(-1), takes, minlength=len(load))
    else:
        doubt += fit.cell_size2
    at = np.flatnonzero(load)
    vague = float(load[at] @ fit.doubt[np.ix_(at, at)] @ load[at])
    return _Middle(value + own, vague + own_doubt + doubt, float(groups), drivers)


def _mix(fit: _Fit, load: Floats, effects: list[int]) -> float:
    """Spread a load of one over effects by their records; return how they vary."""
    records = fit.counts[effects]
    if records.sum() == 0:
        return 0.0
    load[effects] = records / records.sum()
    mine = fit.effect[effects]
    return float(load[effects] @ (mine - load[effects] @ mine) ** 2)


def _mix_drivers(fit: _Fit, load: Floats, kind: int) -> float:
    """Load the drivers' usual mix, the same for all kinds, and at this kind."""
    return _mix(fit, load, list(fit.terms.drivers.values())) + _mix(
        fit, load, [at for (k, _), at in fit.terms.pairs.items() if k == kind]
    )


def _expect(
    learnt: Learnt, kind: str, group: str | None, driver: str | None, *, usual: bool
) -> Length:
    fit, log = learnt._fit, learnt.log  # noqa: SLF001 - its own module
    number = tuple(learnt.kinds).index(kind)
    at_group, at_driver = _find(log.groups, group), _find(log.drivers, driver)
    found = _middle(fit, number, at_group, at_driver)
    varies = found.doubt + found.groups + (0.0 if usual else found.drivers)
    axis = fit.shape[number]
    centre = axis[len(KNOTS) // 2]
    stretch = math.sqrt(1 + varies / fit.scale[number] ** 2)
    middle = math.log(learnt.kinds[kind].median_s) + found.value + centre
    spread = bent(middle, (axis - centre) * stretch)
    reach = SURE * math.sqrt(found.doubt)
    median_s = float(spread.at(0.0))
    visits = log.visits
    rows = visits.kind == number
    if at_group >= 0:
        rows &= visits.group == at_group
    if at_driver >= 0:
        rows &= visits.driver == at_driver
    return Length(
        spread=spread,
        records=int(rows.sum()),
        low_s=max(1, round(median_s * math.exp(-reach))),
        high_s=round(median_s * math.exp(reach)),
    )


def _find(names: tuple[str, ...], name: str | None) -> int:
    """Return a word's index, -1 for none and -2 for one the log does not know."""
    if name is None:
        return -1
    folded = " ".join(name.casefold().split())
    return next((at for at, each in enumerate(names) if each.casefold() == folded), -2)


def _pace(learnt: Learnt, driver: str, kind: str | None) -> tuple[float, float, float]:
    fit = learnt._fit  # noqa: SLF001 - its own module
    at = _find(learnt.log.drivers, driver)
    if at not in fit.terms.drivers:
        return 1.0, 1.0, 1.0
    number = -1 if kind is None else tuple(learnt.kinds).index(kind)
    load = np.zeros(len(fit.effect))
    _mix_drivers(fit, load, number)
    load *= -1  # compared with the usual mix, which the usual length stands for
    load[fit.terms.drivers[at]] += 1.0
    if (number, at) in fit.terms.pairs:
        load[fit.terms.pairs[number, at]] += 1.0
    share = float(load @ fit.effect)
    used = np.flatnonzero(load)
    reach = SURE * math.sqrt(
        float(load[used] @ fit.doubt[np.ix_(used, used)] @ load[used])
    )
    low, pace, high = (
        min(max(math.exp(each), float(LEAST_PACE)), float(MOST_PACE))
        for each in (share - reach, share, share + reach)
    )
    return low, pace, high


def _tell(
    log: JobLog, kinds: Mapping[str, Kind], fit: _Fit, half_life_d: float | None
) -> Learnt:
    visits = log.visits
    offset = np.log([float(kind.median_s) for kind in kinds.values()])
    names = tuple(kinds)
    rows = np.flatnonzero(fit.odd)
    middle, _ = _middles(fit, pick(visits, rows), offset)
    away = np.abs(np.log(visits.length_s[rows]) - middle)
    odd = tuple(
        Odd(
            line=int(visits.line[rows[at]]),
            kind=names[visits.kind[rows[at]]],
            length_s=round(float(visits.length_s[rows[at]])),
            usual_s=round(math.exp(middle[at])),
        )
        for at in np.argsort(-away, kind="stable")[:LISTED]
    )
    words = ("firm", "kind", "group", "driver", "driver at a kind")
    sizes = {
        word: math.sqrt(fit.size2[sort])
        for sort, word in enumerate(words)
        if sort != FIRM
    }
    sizes["all three together"] = math.sqrt(fit.cell_size2)
    return Learnt(
        kinds=kinds,
        log=log,
        half_life_d=half_life_d,
        odd=odd,
        odd_rows=len(rows),
        sizes=sizes,
        retries=_retries(visits, names),
        _fit=fit,
    )


RETRY_WEIGHT = 20.0  # visits that the share of all kinds counts as; own choice


def _retries(visits: Visits, names: tuple[str, ...]) -> dict[str, Retry]:
    general = (float(visits.unfinished.sum()) + 0.5) / (len(visits.kind) + 10.0)
    found = {}
    for number, name in enumerate(names):
        mine = visits.kind == number
        lost_s = visits.length_s[mine & visits.unfinished]
        share = (len(lost_s) + RETRY_WEIGHT * general) / (mine.sum() + RETRY_WEIGHT)
        found[name] = Retry(
            share=float(share),
            lost_s=round(float(np.median(lost_s))) if len(lost_s) else 0,
            records=len(lost_s),
        )
    return found


def with_learnt(day: Day, learnt: Learnt) -> Day:
    """Return the day with learnt lengths of visits and paces of drivers.

    A call's own figures stay: those that are not the trade table's for its kind. So
    does a van's own pace. What drivers add stands in the vans' pace and not in the
    calls' lengths. A kind without any record or estimate stays as it is.

    Parameters
    ----------
    day : Day
        As its folder says.
    learnt : Learnt
        From the firm's log.

    Returns
    -------
    Day
        Everything else unchanged.
    """
    known = {
        name
        for number, name in enumerate(learnt.kinds)
        if np.any(learnt.log.visits.kind == number)
    } | set(learnt.log.estimates)
    return replace(
        day,
        calls=tuple(_with_length(call, day, learnt, known) for call in day.calls),
        vans=tuple(_with_pace(van, learnt, known) for van in day.vans),
    )


def _with_length(call: Call, day: Day, learnt: Learnt, known: set[str]) -> Call:
    kind = day.kinds.get(call.kind)
    if (
        kind is None
        or call.kind not in known
        or (call.median_s, call.p90_s) != (kind.median_s, kind.p90_s)
    ):
        return call
    length = learnt.usual(call.kind, learnt.find_group(call.kind, call.description))
    return replace(call, median_s=length.median_s, p90_s=length.p90_s)


def _with_pace(van: Van, learnt: Learnt, known: set[str]) -> Van:
    name = next(
        (each for each in (van.driver, van.id) if _find(learnt.log.drivers, each) >= 0),
        None,
    )
    if van.pace or name is None:
        return van
    return replace(
        van, pace={kind: round(learnt.pace(name, kind), 2) for kind in sorted(known)}
    )
