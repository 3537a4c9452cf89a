"""Days of a thousand customers: keyround and PyVRP, same instance, same time.

Invented anew from a seed, in the manner of the instances of Gehring and Homberger
(1999), A parallel hybrid evolutionary metaheuristic for the vehicle routing problem
with time windows, Proceedings of EUROGEN99, pp. 57-64 (from memory, as are the ranges
below): customers in clusters (C), at random (R) or half and half (RC); a short horizon
with small vehicles (1) or a long one with large vehicles (2). None of theirs is used,
so there is no best known distance: what counts is keyround's distance against PyVRP's
on the same instance. Everything else, the clock and the check of every answer
included, is as in :mod:`tests.benchmark.solomon`.
"""

import resource
from collections.abc import Sequence
from statistics import fmean

import click
import numpy as np

from tests.benchmark.clock import CLOCKS
from tests.benchmark.solomon import Instance, measure, solve_keyround

KINDS = ("C1", "C2", "R1", "R2", "RC1", "RC2")
FIELD = 500  # a side of the square, for a thousand customers
PER_CLUSTER = 50  # customers
SPREAD = 12  # standard deviation of a cluster
CAPACITY = {"1": 200, "2": 1000}
HORIZON = {"1": 1_800, "2": 7_700}
WIDTH = {"1": (10, 240), "2": (120, 960)}  # of a window, least and most
WINDOWED = 0.75  # share of customers that have one
SERVICE = {"C": 90, "R": 10, "RC": 10}


def invent(kind: str, customers: int, seed: int) -> Instance:
    """Return an instance of a kind; the same seed gives the same one.

    Parameters
    ----------
    kind : str
        One of ``KINDS``.
    customers : int
        How many; the square grows with them.
    seed : int
        Chance is drawn from this alone.

    Returns
    -------
    Instance
        Every customer can be reached and left in time by a vehicle of its own.
    """
    chance = np.random.default_rng([seed, KINDS.index(kind), customers])
    style, length = kind[:-1], kind[-1]
    side = round(FIELD * (customers / 1000) ** 0.5)
    clustered = {"C": customers, "R": 0, "RC": customers // 2}[style]
    centres = chance.integers(0, side, size=(max(1, clustered // PER_CLUSTER), 2))
    members = centres[chance.integers(len(centres), size=clustered)]
    near = members + chance.normal(0, SPREAD, size=(clustered, 2)).round()
    anywhere = chance.integers(0, side, size=(customers - clustered, 2))
    points = np.vstack([near.clip(0, side), anywhere]).astype(int)
    depot = np.array([side // 2, side // 2])
    away = np.ceil(np.sqrt(((points - depot) ** 2).sum(axis=1))).astype(int)
    service = SERVICE[style]
    horizon = round(HORIZON[length] * (side / FIELD))
    low, high = WIDTH[length]
    windows = []
    for leg in away.tolist():
        first, last = leg + 1, horizon - leg - service - 1
        if chance.random() < WINDOWED:
            half = int(chance.integers(low, high)) // 2
            middle = int(chance.integers(first, last + 1))
            windows.append((max(first, middle - half), min(last, middle + half)))
        else:
            windows.append((0, last))
    demands = chance.integers(1, 6, size=customers) * 10 // 2
    return Instance(
        name=f"{kind}_{seed}",
        best_known=1,
        capacity=CAPACITY[length],
        service=10 * service,
        points=tuple((int(x), int(y)) for x, y in [depot, *points]),
        demands=(0, *demands.tolist()),
        windows=(
            (0, 10 * horizon),
            *((10 * first, 10 * last) for first, last in windows),
        ),
    )


def _line(name: str, ours: Sequence[float], theirs: Sequence[float]) -> str:
    ahead = 100 * (fmean(theirs) / fmean(ours) - 1)
    return f"{name:<10}{fmean(ours):>12.1f}{fmean(theirs):>12.1f}{ahead:>+11.2f}%"


@click.command()
@click.option("--seconds", default=60.0, show_default=True, help="For each solver.")
@click.option("--seeds", default="1", show_default=True, help="For example 1,2,3.")
@click.option("--customers", default=1000, show_default=True)
@click.option("--fleet", default=250, show_default=True)
@click.option("--kinds", default=",".join(KINDS), show_default=True)
@click.option(
    "--clock",
    default="wall",
    show_default=True,
    type=click.Choice(list(CLOCKS)),
    help="'processor' where others use the cores too.",
)
def main(
    *,
    seconds: float,
    seeds: str,
    customers: int,
    fleet: int,
    kinds: str,
    clock: str,
) -> None:
    """Compare keyround with PyVRP on large invented instances."""
    solve_keyround(invent("R1", customers, 0), 0.05, 0, fleet, CLOCKS[clock])
    click.echo(
        f"{customers} customers, {fleet} vehicles, {seconds:g} s by the {clock} clock; "
        "compiling before, not counted\n"
        f"{'instance':<10}{'keyround':>12}{'pyvrp':>12}{'pyvrp':>12}"
    )
    ours, theirs = [], []
    for kind in kinds.split(","):
        for seed in map(int, seeds.split(",")):
            instance = invent(kind, customers, seed)
            limit = seconds
            found = []
            for solver in ("keyround", "pyvrp"):
                run = measure(
                    instance,
                    solver,
                    limit,
                    seed=seed,
                    fleet=fleet,
                    clock=CLOCKS[clock],
                )
                limit = max(limit, run.clock_s)
                found.append(run.distance)
            if None in found:
                click.echo(f"{instance.name:<10}{found[0]!s:>12}{found[1]!s:>12}")
                continue
            ours.append(found[0] / 10)
            theirs.append(found[1] / 10)
            click.echo(_line(instance.name, ours[-1:], theirs[-1:]))
    if ours:
        click.echo(_line("mean", ours, theirs))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    click.echo(f"most memory used: {peak / 1024:.0f} MB")


if __name__ == "__main__":
    main()
