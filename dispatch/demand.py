"""How many pieces of a part a van will want, learnt from what was used.

Most parts are wanted rarely: demand is intermittent, and a mean with a safety margin
says little about it. So the whole distribution is worked out, as a *compound negative
binomial with empirical Bayes pooling*:

1. Visits that use a part, by van and worked day, are Poisson with a rate of which a
   gamma distribution says what is known; older days weigh less, by a half-life. This
   is the model of A. C. Harvey and C. Fernandes, 'Time Series Models for Count or
   Qualitative Observations', Journal of Business & Economic Statistics 7(4), 1989,
   407-417 (from memory).
2. Where the gamma starts from is learnt from the other vans and the other parts, by
   moments: R. J. Marshall, 'Mapping Disease and Mortality Rates Using Empirical Bayes
   Estimators', Applied Statistics 40(2), 1991, 283-294 (from memory). Three records of
   one van do not beat three hundred of the others.
3. Visits come in clumps: their number between two loads is negative binomial with the
   variance that was seen, as A. A. Syntetos, M. Z. Babai and N. Altay found for spare
   parts, 'On the demand distributions of spare parts', International Journal of
   Production Research 50(8), 2012, 2101-2117 (from memory).
4. A visit wants one or several pieces, and may spoil some on top. The pieces of all
   visits follow from H. H. Panjer, 'Recursive Evaluation of a Family of Compound
   Distributions', ASTIN Bulletin 12(1), 1981, 22-26 (from memory).

A log shows what was used, not what was asked for in vain.
"""

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shared.shelf import History, PartUse

Chances = NDArray[np.float64]
"""Chance of 0, 1, 2, ... pieces, shape (n,), sum 1 but for a tail below TAIL."""

TAIL = 1e-9
MOST_PIECES = 20_000  # nobody's van holds more of one part
_LEAST_LOG = -500.0  # e**-500 is still a number

BLOCK_DAYS = 5  # worked days: over which clumps are looked for; own choice
CLUMP_WEIGHT = 20.0  # visits after which a part's own clumping counts half; own choice
SIZE_WEIGHT = 1.0  # the category's habits count as much as one visit; own choice
SPOIL_WEIGHT = 20.0  # the part's stated rate counts as so many pieces; own choice
_MANY = 5.0  # expected visits without one: hardly chance; own choice
_SPREAD = (1e-3, 25.0)  # of squared variation between vans
_SHAPE = (0.05, 100.0)  # of the gamma between parts


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """What is known of a part without any log.

    Parameters
    ----------
    category : str
        Parts of one category are wanted in like numbers.
    spoil_rate : float
        Share of pieces that are spoiled, 0 <= rate < 1.
    """

    category: str = "other"
    spoil_rate: float = 0.0


class Demand(NamedTuple):
    """What is known of one part's demand on one van.

    Parameters
    ----------
    mean : float
        Visits on a worked day that want the part.
    variance : float
        How unsure that mean is.
    clumping : float
        Variance of the number of visits, as a multiple of their mean, at least 1.
    sizes : ndarray of float, shape (s,)
        Chance of 0, 1, 2, ... pieces a visit, spoiled ones included; none are 0.
    """

    mean: float
    variance: float
    clumping: float
    sizes: Chances

    @property
    def size(self) -> float:
        """Mean pieces a visit.

        Returns
        -------
        float
            At least 1.
        """
        return float(self.sizes @ np.arange(len(self.sizes)))


def part_uses(
    day: date,
    van_id: str,
    used: Iterable[tuple[str, int]],
    spoiled: Iterable[tuple[str, int]],
    components: Mapping[str, Sequence[tuple[str, int]]],
) -> tuple[PartUse, ...]:
    """Return what one visit used, part by part, kits taken apart.

    Parameters
    ----------
    day, van_id : datetime.date, str
        When, and which van.
    used, spoiled : iterable of (str, int)
        Parts or kits with pieces, as the log lists them; an id may come twice.
    components : mapping of str to sequence of (str, int)
        What the kits hold; other ids are single parts.

    Returns
    -------
    tuple of PartUse
        One for each single part, in the order of its first mention.
    """
    counts: tuple[Counter[str], Counter[str]] = (Counter(), Counter())
    for listed, count in zip((used, spoiled), counts, strict=True):
        for part_id, quantity in listed:
            for piece, each in components.get(part_id) or ((part_id, 1),):
                count[piece] += each * quantity
    good, bad = counts
    return tuple(
        PartUse(
            date=day,
            van_id=van_id,
            part_id=part_id,
            quantity=good[part_id],
            spoiled=bad[part_id],
        )
        for part_id in dict.fromkeys((*good, *bad))
    )


# --- learning ----------------------------------------------------------------


def learn(
    history: History, parts: Mapping[str, Stated], half_life_days: float = math.inf
) -> dict[tuple[str, str], Demand]:
    """Return what is known of every part on every van.

    Parameters
    ----------
    history : History
        The log; uses by other vans or of other parts are left aside.
    parts : mapping of str to Stated
        The parts by id.
    half_life_days : float, optional
        After so many calendar days a record counts half; infinite: all count alike.

    Returns
    -------
    dict of (str, str) to Demand
        By van and part; with no worked day at all, empty.
    """
    vans, ids = tuple(history.worked), tuple(parts)
    row = {van_id: number for number, van_id in enumerate(vans)}
    column = {part_id: number for number, part_id in enumerate(ids)}
    uses = [u for u in history.uses if u.van_id in row and u.part_id in column]
    seen = np.zeros((len(vans), len(ids)))
    dates = {day for worked in history.worked.values() for day in worked}
    weight = {
        day: float(0.5 ** ((history.until - day).days / half_life_days))
        for day in dates.union(use.date for use in uses)
    }
    for use in uses:
        seen[row[use.van_id], column[use.part_id]] += weight[use.date]
    days = np.array([sum(weight[day] for day in history.worked[v]) for v in vans])
    if not days.sum() > 0 or not ids:
        return {}
    clumping = _clumping(history, uses, row, column)
    sizes = _sizes(uses, parts)
    mean, variance = _rates(seen / clumping, days, clumping)
    return {
        (van_id, part_id): Demand(
            float(mean[v, p]), float(variance[v, p]), float(clumping[p]), sizes[part_id]
        )
        for v, van_id in enumerate(vans)
        for p, part_id in enumerate(ids)
    }


def _clumping(
    history: History,
    uses: Sequence[PartUse],
    row: Mapping[str, int],
    column: Mapping[str, int],
) -> Chances:
    """Return by how much the variance exceeds the mean, part by part, pooled.

    Ratio of the sums over vans of squares around each van's own mean, and of what
    these would be for a Poisson number of visits.
    """
    squares, wanted = np.zeros(len(column)), np.zeros(len(column))
    by_van: defaultdict[str, list[PartUse]] = defaultdict(list)
    for use in uses:
        by_van[use.van_id].append(use)
    for van_id in row:
        place = {
            day: n // BLOCK_DAYS for n, day in enumerate(sorted(history.worked[van_id]))
        }
        blocks = len(place) // BLOCK_DAYS  # days after the last full block are left out
        if blocks < 2:  # noqa: PLR2004 - one block says nothing of variance
            continue
        counts = np.zeros((blocks, len(column)))
        for use in by_van[van_id]:
            if place.get(use.date, blocks) < blocks:
                counts[place[use.date], column[use.part_id]] += 1
        means = counts.mean(axis=0)
        squares += ((counts - means) ** 2).sum(axis=0)
        wanted += (blocks - 1) * means
    if not wanted.sum() > 0:
        return np.ones(len(column))
    pooled = squares.sum() / wanted.sum()
    shrunk = (CLUMP_WEIGHT * pooled + squares) / (CLUMP_WEIGHT + wanted)
    found: Chances = np.maximum(1.0, shrunk)
    return found


def _sizes(uses: Sequence[PartUse], parts: Mapping[str, Stated]) -> dict[str, Chances]:
    """Return how many pieces a visit takes, by part; spoiled ones are on top."""
    own: defaultdict[str, Counter[int]] = defaultdict(Counter)
    habit: defaultdict[str, Counter[int]] = defaultdict(Counter)
    taken: Counter[str] = Counter()
    spoiled: Counter[str] = Counter()
    for use in uses:
        # A visit that only spoiled pieces wanted one.
        wanted = max(1, use.quantity)
        own[use.part_id][wanted] += 1
        habit[parts[use.part_id].category][wanted] += 1
        taken[use.part_id] += use.quantity + use.spoiled
        spoiled[use.part_id] += use.spoiled
    found = {}
    for part_id, stated in parts.items():
        likes = habit[stated.category] or Counter({1: 1})
        weight = SIZE_WEIGHT / likes.total()
        chances = np.zeros(1 + max((*likes, *own[part_id])))
        for wanted, times in likes.items():
            chances[wanted] += weight * times
        for wanted, times in own[part_id].items():
            chances[wanted] += times
        rate = (SPOIL_WEIGHT * stated.spoil_rate + spoiled[part_id]) / (
            SPOIL_WEIGHT + taken[part_id]
        )
        found[part_id] = add_spoiled(chances / chances.sum(), min(rate, 0.9))
    return found


def add_spoiled(sizes: Chances, spoil_rate: float) -> Chances:
    """Return pieces taken by a visit, from the good pieces that it wants.

    Pieces are tried until enough are good: the spoiled ones are negative binomial.

    Parameters
    ----------
    sizes : ndarray of float, shape (s,)
        Chance of wanting 0, 1, 2, ... good pieces.
    spoil_rate : float
        Share that is spoiled, 0 <= rate < 1.

    Returns
    -------
    ndarray of float, shape (t,)
        Chance of taking 0, 1, 2, ... pieces, t >= s; sums to 1.
    """
    if not spoil_rate > 0:
        return sizes
    most = len(sizes) - 1
    # At most so many more that what is left out is rarer than the tail.
    more = 1 + math.ceil(
        most * spoil_rate / (1 - spoil_rate) + 10 * math.sqrt(most) + 20
    )
    found = np.zeros(most + more + 1)
    for wanted, chance in enumerate(sizes):
        if not chance > 0:
            continue
        term = chance * (1 - spoil_rate) ** wanted
        for bad in range(more + 1):
            found[wanted + bad] += term
            term *= spoil_rate * (wanted + bad) / (bad + 1)
    kept = _trim(found)
    kept /= kept.sum()
    return kept


def _rates(seen: Chances, days: Chances, clumping: Chances) -> tuple[Chances, Chances]:
    """Return mean and variance of each rate, from counts as good as Poisson ones.

    Parameters
    ----------
    seen : ndarray, shape (vans, parts)
        Weighted visits, divided by their clumping: clumped ones tell less.
    days : ndarray, shape (vans,)
        Weighted worked days.
    clumping : ndarray, shape (parts,)
        By which the days count less as well.

    Returns
    -------
    mean, variance : ndarray, shape (vans, parts)
        Of visits on a worked day.
    """
    exposure = days[:, None] / clumping[None, :]
    total, whole = seen.sum(axis=0), exposure.sum(axis=0)
    shape, rate = _between_parts(total, whole)
    others, elsewhere = total - seen, whole - exposure
    # What the other vans and parts say, before this van's own records.
    prior_shape = shape + others
    prior_mean = prior_shape / (rate + elsewhere)
    if len(days) == 1:
        a, b = prior_shape + seen, rate + elsewhere + exposure
        return a / b, a / b**2
    never = _never(seen, exposure)
    share_never = never.sum() / ((_expected(seen, exposure) >= _MANY).sum() + 1)
    spread = _between_vans(seen, exposure, ~never)
    prior_shape = 1 / (1 / prior_shape + spread * (1 + 1 / prior_shape))
    before = prior_shape / prior_mean
    a, b = prior_shape + seen, before + exposure
    # A van that never wanted the part may be one that does no such work at all.
    none_yet = (1 - share_never) * (before / b) ** prior_shape
    idle = np.where(seen > 0, 0.0, share_never / (share_never + none_yet))
    mean = (1 - idle) * a / b
    return mean, (1 - idle) * (a / b**2 + (a / b) ** 2) - mean**2


def _expected(seen: Chances, exposure: Chances) -> Chances:
    """Return the visits each van would have had if all were alike."""
    shared: Chances = seen.sum(axis=0) * exposure / exposure.sum(axis=0)
    return shared


def _never(seen: Chances, exposure: Chances) -> NDArray[np.bool_]:
    """Return who wants none of a part that the others want often."""
    never: NDArray[np.bool_] = (seen == 0) & (_expected(seen, exposure) >= _MANY)
    return never


def _between_parts(total: Chances, whole: Chances) -> tuple[float, float]:
    """Return shape and rate of the gamma between parts, by Marshall's moments."""
    rates = total / whole
    mean = float(total.sum() / whole.sum())
    if not mean > 0:  # nothing was ever used: half a visit in all these days
        return 0.5, float(whole.mean())
    seen_variance = float((whole * (rates - mean) ** 2).sum() / whole.sum())
    variance = seen_variance - mean / float(whole.mean())
    low, high = _SHAPE
    shape = high if variance <= mean**2 / high else mean**2 / variance
    shape = max(low, shape)
    return shape, shape / mean


def _between_vans(
    seen: Chances, exposure: Chances, counted: NDArray[np.bool_]
) -> float:
    """Return the squared variation of rates between vans, alike for all parts."""
    share = exposure / exposure.sum(axis=0)
    expected = _expected(seen, exposure)
    chance_alone = float((expected * (1 - share))[counted].sum())
    squares = float(((seen - expected) ** 2)[counted].sum())
    # With v vans alike in days, squares around the common mean miss 1/v of it.
    room = float((expected**2 * (1 - share))[counted].sum())
    low, high = _SPREAD
    return min(high, max(low, (squares - chance_alone) / room)) if room > 0 else low


# --- pieces over some days ---------------------------------------------------


def chances(demands: Iterable[tuple[Demand, float]]) -> Chances:
    """Return how many pieces of one part are wanted over some days.

    Parameters
    ----------
    demands : iterable of (Demand, float)
        The part's demand on one van or several, each with its number of worked
        days, not negative.

    Returns
    -------
    ndarray of float, shape (n,)
        Chance of 0, 1, 2, ... pieces, cut where less than TAIL is left.
    """
    mean = variance = 0.0
    sizes = np.zeros(2)
    for demand, days in demands:
        visits = demand.mean * days
        mean += visits
        variance += demand.clumping * visits + demand.variance * days**2
        longest = max(len(sizes), len(demand.sizes))
        sizes = np.pad(sizes, (0, longest - len(sizes))) + visits * np.pad(
            demand.sizes, (0, longest - len(demand.sizes))
        )
    if not mean > 0:
        return np.ones(1)
    return compound(mean, variance, sizes / sizes.sum())


def compound(mean: float, variance: float, sizes: Chances) -> Chances:
    """Return the distribution of a sum of so many sizes, by Panjer's recursion.

    Parameters
    ----------
    mean : float
        Of the number of sizes, more than 0.
    variance : float
        The number is negative binomial with this variance, Poisson where it is not
        more than the mean.
    sizes : ndarray of float, shape (s,)
        Chance of each size 0, 1, 2, ...; ``sizes[0]`` is 0.

    Returns
    -------
    ndarray of float, shape (n,)
        Chance of each sum, cut where less than TAIL is left.
    """
    excess = variance / mean - 1
    if excess > TAIL:
        a, r = excess / (1 + excess), mean / excess
        log_none = -r * math.log1p(excess)
        b = (r - 1) * a
    else:
        a, b, log_none = 0.0, mean, -mean
    if log_none < _LEAST_LOG:  # both families are sums of two halves of their kind
        half = compound(mean / 2, variance / 2, sizes)
        return _trim(np.convolve(half, half)[: MOST_PIECES + 1])
    found = [math.exp(log_none)]
    left = 1 - found[0]
    steps = np.arange(len(sizes))
    limit = MOST_PIECES
    while left > TAIL and len(found) <= limit:
        total = len(found)
        j = steps[1 : min(total, len(sizes) - 1) + 1]
        earlier = np.array(found[total - len(j) :])[::-1]
        found.append(float(((a + b * j / total) * sizes[j]) @ earlier))
        left -= found[-1]
    return np.array(found)


def _trim(chances_of: Chances) -> Chances:
    """Return chances without the tail that nobody meets."""
    left = np.cumsum(chances_of[::-1])[::-1]
    return chances_of[: max(1, int((left > TAIL).sum()))]
