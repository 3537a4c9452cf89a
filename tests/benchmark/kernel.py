"""How fast the search runs, and how long it takes to compile.

Rounds a second of one chain, by the processor's clock, on two invented days of one
size: a plain one, and one with everything a day can have (links, tools, restock stops,
promises that may break, limits, paces, exchange). What comes of it is a ratio: both
are measured in turn in one run, so that a busy machine slows both. Compiling is
measured in a process of its own with an empty cache.

For the speed of an older kernel, run ``--raw`` there: it needs nothing that has
changed since, and prints the plain day's rounds a second.
"""

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from statistics import median

import click
import numpy as np

from dispatch.generator import generate_day
from dispatch.problem import Problem, build_problem, no_futures
from dispatch.search.lns import new_memory, search
from dispatch.solver import COLD, HOT, usual_drive
from dispatch.travel import travel_table

SIZES = ((40, 5), (100, 10))  # calls and vans
SEED = 1
COMPILE = """
import time
import numpy as np
from dispatch.problem import no_futures
from tests.benchmark.kernel import problem_of
from dispatch.search.lns import new_memory, search
problem = problem_of(5, 2, ())
begun = time.process_time()
chance, heat = np.random.default_rng(0), (2.0, 1.0)
search(problem, new_memory(problem), chance, 1, heat, no_futures())
print(time.process_time() - begun)
"""


def problem_of(calls: int, vans: int, features: Sequence[str]) -> Problem:
    """Return an invented day as the search sees it."""
    day = (
        generate_day(SEED, calls, vans, features=features)
        if features
        else generate_day(SEED, calls, vans)
    )
    return build_problem(day, travel_table(day))


class Run:
    """One search that goes on from lap to lap, as hot as in its middle."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.memory = new_memory(problem)
        self.chance = np.random.default_rng(SEED)
        self.heat = usual_drive(problem) * (HOT * COLD) ** 0.5
        self.lap(1_000)

    def lap(self, rounds: int) -> float:
        """Run some rounds; return how many there would be in a second."""
        heat = (self.heat, self.heat)
        begun = time.process_time()
        search(self.problem, self.memory, self.chance, rounds, heat, no_futures())
        return rounds / (time.process_time() - begun)


def compile_s() -> float:
    """Return processor seconds of the first search with nothing compiled yet."""
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(  # noqa: S603 - our own interpreter
            [sys.executable, "-c", COMPILE],
            env={**os.environ, "KEYROUND_KERNEL_CACHE": folder},
            capture_output=True,
            text=True,
            check=True,
        )
    return float(done.stdout)


@click.command()
@click.option("--rounds", default=4_000, show_default=True, help="Of a lap.")
@click.option("--laps", default=7, show_default=True)
@click.option("--compiling/--no-compiling", default=True, show_default=True)
@click.option("--raw", is_flag=True, help="Only the plain day.")
def main(*, rounds: int, laps: int, compiling: bool, raw: bool) -> None:
    """Measure the search's rounds a second, and its compilation."""
    for calls, vans in SIZES:
        plain = Run(problem_of(calls, vans, ()))
        if raw:
            speed = median(plain.lap(rounds) for _ in range(laps))
            click.echo(f"{calls} calls, {vans} vans: plain {speed:,.0f} rounds/s")
            continue
        from dispatch.generator import ALL  # noqa: PLC0415 - not in older versions

        full = Run(problem_of(calls, vans, ALL))
        pairs = [(plain.lap(rounds), full.lap(rounds)) for _ in range(laps)]
        slower = median(one / other for one, other in pairs)
        click.echo(
            f"{calls} calls, {vans} vans: plain {median(p for p, _ in pairs):,.0f} "
            f"rounds/s, everything on {median(f for _, f in pairs):,.0f} rounds/s: "
            f"{slower:.2f} times as long"
        )
    if compiling and not raw:
        click.echo(f"compiling `search`: {compile_s():.1f} s of the processor")


if __name__ == "__main__":
    main()
