"""Thousands of days with everything in them: the judge has nothing to say on any plan.

Invented days of random sizes with every feature that the generator knows
(dispatch/generator.py), and odd ones whose figures are drawn to be awkward
(tests/scenario/test_odd_days.py). Each plan is judged once more than the planner does
itself; the judge reckons every cost anew, in plain code, and compares it to the unit,
so that 'nothing' says as well that search and judge agree. Nothing is timed.
"""

from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import click
import numpy as np

from dispatch.generator import ALL, Feature, generate_day
from dispatch.planner import Budget, plan_day
from dispatch.rules import judge
from dispatch.travel import travel_table
from shared.model import Day, Proof
from tests.scenario.test_odd_days import everything_odd

ROUNDS = 20  # of a search
ODD_SHARE = 5  # every fifth day is an odd one
LARGE_SHARE = 40  # every fortieth of the others is an office's
BATCH = 20


def day_of(seed: int) -> Day:
    """Return the day of a seed; mostly small ones, from slack to tight."""
    dice = np.random.default_rng([2026, seed])
    if seed % ODD_SHARE == 0:
        return everything_odd(100_000 + seed)
    large = seed % LARGE_SHARE == 1
    calls = int(dice.integers(30, 70)) if large else int(dice.integers(2, 11))
    vans = int(dice.integers(4, 11)) if large else int(dice.integers(1, 4))
    running = dice.random() < 0.25
    return generate_day(
        200_000 + seed,
        calls,
        vans,
        tightness=float(dice.integers(0, 5)) / 4,
        features=ALL | (frozenset({Feature.STANDING}) if running else frozenset()),
    )


def look_at(seed: int) -> tuple[int, tuple[str, ...], tuple[str, ...]]:
    """Plan one day and judge it; return its seed, what is wrong, and what was in it."""
    day = day_of(seed)
    travel = travel_table(day)
    try:
        plan = plan_day(day, Budget(seed=seed, rounds=ROUNDS, replans=False), travel)
    except Exception as failure:  # noqa: BLE001 - one day must not end the others
        return seed, (f"{type(failure).__name__}: {failure}",), ()
    has = {
        "planned": bool(plan.routes),
        "some left out": bool(plan.unplaced),
        "a promise broken": bool(plan.late),
        "proved best": plan.status.proof is Proof.PROVED_BEST,
        "a shared tool": bool(plan.tools),
        "dear parts": any(route.parts_units for route in plan.routes),
        "overtime": any(route.overtime_s for route in plan.routes),
    }
    wrong = tuple(map(str, judge(day, travel, plan)))
    return seed, wrong, tuple(word for word, is_there in has.items() if is_there)


def looks(
    first: int, days: int, cores: int
) -> Iterator[tuple[int, tuple[str, ...], tuple[str, ...]]]:
    """Yield what each day came to, in order."""
    seeds = range(first, first + days)
    with ProcessPoolExecutor(cores, mp_context=get_context("spawn")) as pool:
        yield from pool.map(look_at, seeds, chunksize=BATCH)


@click.command()
@click.option("--days", default=20_000, show_default=True)
@click.option("--first", default=0, show_default=True, help="Seed of the first one.")
@click.option("--cores", default=2, show_default=True)
def main(*, days: int, first: int, cores: int) -> None:
    """Plan and judge many days; the exit status is 1 if anything is wrong."""
    seen: Counter[str] = Counter()
    wrong = 0
    for seed, violations, has in looks(first, days, cores):
        seen.update(has)
        wrong += bool(violations)
        for violation in violations:
            click.echo(f"seed {seed}: {violation}")
    click.echo(f"{days} days, {wrong} of them with something wrong")
    click.echo(", ".join(f"{word} {count}" for word, count in seen.most_common()))
    raise SystemExit(1 if wrong else 0)


if __name__ == "__main__":
    main()
