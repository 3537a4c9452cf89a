"""Do par levels keep what they promise? Simulated firms whose truth is known.

A firm works for some days; its log is all that :mod:`dispatch.shelves` sees. Then it
works on, by the same truth, and it is counted how often what the van carried lasted
from one loading to the next: on the *stocked* lines (par 1 or more; a part that is
hardly ever wanted would flatter every rule) and on all. Beside it stands a fixed rule,
two of each part on each van.

``drifting`` is mis-specified on purpose: half of the parts lose, half gain demand, in
the log and on, faster than any model here expects. ``lumpy`` visits take up to a
dozen pieces.

Run ``python -m tests.benchmark.shelves``; what is printed depends on the seeds alone.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from typing import NamedTuple

import click
import numpy as np
from numpy.typing import NDArray

from dispatch.shelves import Shelves, fill_shelves
from shared.model import Day
from shared.shelf import History, PartUse, Rules
from tests.builders import a_day, a_part, a_van

WORLDS = ("poisson", "negative binomial", "lumpy", "drifting")
MONDAY = date(2024, 1, 1)
LOAD_DAYS = 5
_YEARLY = 1.6  # drifting: by how much demand grows, or falls, in 250 worked days


class Firm(NamedTuple):
    """A firm that works five days a week, and what each visit took.

    Parameters
    ----------
    day : Day
        Vans and parts.
    history : History
        The log.
    later : ndarray of int, shape (vans, parts, cycles)
        Pieces wanted from one loading to the next, afterwards.
    """

    day: Day
    history: History
    later: NDArray[np.int64]


class Kept(NamedTuple):
    """What came of the par levels.

    Parameters
    ----------
    lines : int
        Stocked lines: parts on vans.
    promised, kept : float
        Chance quoted on stocked lines, and how often it lasted.
    all_kept : float
        How often it lasted on all lines.
    two_kept : float
        How often two of each lasted on the stocked lines.
    served, two_served : float
        Share of all pieces wanted that were there: with the par, with two of each.
    cents, two_cents : int
        Money on the shelf: par, and two of each.
    """

    lines: int
    promised: float
    kept: float
    all_kept: float
    two_kept: float
    served: float
    two_served: float
    cents: int
    two_cents: int


def work_days(number: int) -> Iterator[date]:
    """Yield so many Mondays to Fridays."""
    day = MONDAY
    while number:
        if day.weekday() < 5:
            yield day
            number -= 1
        day += timedelta(days=1)


def invent_firm(
    world: str, seed: int, *, vans: int = 4, parts: int = 120, days: int = 250
) -> Firm:
    """Invent a firm: some days of log, and a thousand held out."""
    rng = np.random.default_rng(seed)
    cycle, later = LOAD_DAYS, 1000
    # Visits a day: five a van want a part; a few parts are wanted twice a week, most
    # a few times a year. Dear parts are wanted as often as cheap ones, which is hard
    # on whoever wants to save money.
    rates = rng.gamma(0.4, 0.1, size=parts)
    by_van = rates * rng.gamma(3.0, 1 / 3, size=(vans, parts))
    cents = np.round(np.exp(rng.normal(np.log(2500), 1.0, size=parts))).astype(int)
    spoil = rng.choice([0.0, 0.02, 0.08], size=parts)
    whole = days + later
    gains = np.ones((parts, whole))
    if world == "drifting":
        slope = rng.choice([-1.0, 1.0], size=parts) * np.log(_YEARLY)
        gains = np.exp(slope[:, None] * ((np.arange(whole) - days / 2) / 250)[None, :])
        end = days + 250  # a year on; it does not go on for ever
        gains[:, end:] = gains[:, [end - 1]]
    daily = by_van[:, :, None] * gains[None, :, :]
    if world == "negative binomial":
        visits = rng.negative_binomial(daily / 1.5, 1 / 2.5)  # variance 2.5 x mean
    else:
        visits = rng.poisson(daily)
    stock = [
        a_part(
            f"P{p}",
            category="other",
            unit_cost_cents=int(cents[p]),
            spoil_rate=float(spoil[p]),
        )
        for p in range(parts)
    ]
    day = a_day(parts=tuple(stock), vans=tuple(a_van(f"V{v}") for v in range(vans)))
    dates = list(work_days(days))
    uses, wanted = [], np.zeros((vans, parts, later // cycle), dtype=np.int64)
    for v, p, d in zip(*np.nonzero(visits), strict=True):
        for _ in range(visits[v, p, d]):
            if world == "lumpy":
                good = min(12, int(rng.geometric(0.25)))
            else:
                good = 1 + int(rng.random() < 0.15)
            bad = int(rng.negative_binomial(good, 1 - spoil[p])) if spoil[p] else 0
            if d < days:
                uses.append(
                    PartUse(
                        date=dates[d],
                        van_id=f"V{v}",
                        part_id=f"P{p}",
                        quantity=good,
                        spoiled=bad,
                    )
                )
            else:
                wanted[v, p, (d - days) // cycle] += good + bad
    worked = {van.id: dates for van in day.vans}
    history = History(until=dates[-1], worked=worked, uses=uses)
    return Firm(day, history, wanted)


def look(firm: Firm, made: Shelves) -> Kept:
    """Count how often the par, and two of each, lasted."""
    column = {part_id: p for p, part_id in enumerate(firm.day.parts)}
    par = np.zeros(firm.later.shape[:2], dtype=np.int64)
    promised = np.ones(par.shape)
    for v, van in enumerate(made.vans):
        for line in van.lines:
            par[v, column[line.part_id]] = line.par
            promised[v, column[line.part_id]] = line.chance
    lasted = (firm.later <= par[:, :, None]).mean(axis=2)
    two = (firm.later <= 2).mean(axis=2)
    stocked = par > 0
    return Kept(
        int(stocked.sum()),
        float(promised[stocked].mean()),
        float(lasted[stocked].mean()),
        float(lasted.mean()),
        float(two[stocked].mean()),
        float(np.minimum(firm.later, par[:, :, None]).sum() / firm.later.sum()),
        float(np.minimum(firm.later, 2).sum() / firm.later.sum()),
        made.par_cents,
        made.two_each_cents,
    )


def measure(
    world: str, seed: int, level: float, *, days: int = 250, within: bool = False
) -> Kept:
    """Invent one firm and look at it, perhaps with no more money than two of each."""
    firm = invent_firm(world, seed, days=days)
    rules = Rules(level=level, load_days={van.id: LOAD_DAYS for van in firm.day.vans})
    made = fill_shelves(firm.day, firm.history, rules)
    if within and made.par_cents > made.two_each_cents:
        rules = replace(rules, cents=made.two_each_cents)
        made = fill_shelves(firm.day, firm.history, rules)
    return look(firm, made)


@click.command(help=__doc__)
@click.option("--firms", default=10, show_default=True, help="Seeds of each world.")
@click.option("--levels", default="0.90,0.95,0.98", help="Wished chances.")
@click.option("--days", default=250, show_default=True, help="Worked days of log.")
@click.option("--within", is_flag=True, help="No more money than two of each.")
def main(*, firms: int, levels: str, days: int, within: bool) -> None:
    """Print the table."""
    click.echo(
        f"{firms} firms of each world, {days} days of log, loading "
        f"every {LOAD_DAYS}th; points of 100, money as a share of two of each"
    )
    click.echo(f"{'':18} {'':>6} | stocked lines: {'':31} | all lines: pieces served |")
    click.echo(
        f"{'world':18} {'wished':>6} | {'lines':>5} {'promised':>8} {'kept':>6} "
        f"{'worst firm':>10} {'two kept':>8} | {'kept':>6} {'par':>6} {'two':>6} "
        f"| {'money':>5}"
    )
    for world in WORLDS:
        for level in map(float, levels.split(",")):
            found = [
                measure(world, seed, level, days=days, within=within)
                for seed in range(firms)
            ]
            mean = Kept(*np.mean(found, axis=0))
            off = max((k.kept - k.promised for k in found), key=abs)
            click.echo(
                f"{world:18} {100 * level:6.1f} | {mean.lines:5.0f} "
                f"{100 * mean.promised:8.2f} {100 * mean.kept:6.2f} "
                f"{100 * off:+10.2f} {100 * mean.two_kept:8.2f} | "
                f"{100 * mean.all_kept:6.2f} {100 * mean.served:6.2f} "
                f"{100 * mean.two_served:6.2f} | {mean.cents / mean.two_cents:5.2f}"
            )


if __name__ == "__main__":
    main()
