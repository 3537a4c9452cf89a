"""How many invented days are proved best, and how long it takes.

Timed are the search for a good plan (two threads side by side) and then the proof (one
thread); reading and building the day are not. Kernels are compiled and loaded before.
Where others use the machine, ``--clock processor`` shows what an idle one would take
(see :mod:`tests.benchmark.clock`). Run it with::

    uv run python -m tests.benchmark.proof --sizes 24/3 --days 100
"""

from typing import NamedTuple

import click

from dispatch.generator import generate_day
from dispatch.problem import Problem, build_problem
from dispatch.proof import Known, prove
from dispatch.solver import Budget, solve
from dispatch.travel import travel_table
from tests.benchmark.clock import CLOCKS, Clock


class Row(NamedTuple):
    """One day: seconds before and in the proof, whether proved, and what is open."""

    search_s: float
    proof_s: float
    proved: bool
    gap: float


def measure(problem: Problem, clock: Clock) -> Row:
    """Plan a day as ever, and time its proof within."""
    began = clock()
    marks: list[float] = []

    def heard(phase: str) -> None:
        if phase == "proving":
            marks.append(clock())

    outcome = solve(problem, Budget(report=lambda progress: heard(progress.phase)))
    ended = clock()
    split = marks[0] if marks else ended  # without one, every order was tried
    cost = sum(column.cost for column in outcome.columns)
    gap = cost / outcome.bound - 1 if outcome.bound else 0.0
    return Row(split - began, ended - split, outcome.proved, gap)


def warm_up() -> None:
    """Load the kernels, so that no day is charged with that."""
    problem = build_problem(day := generate_day(0, 8, 2), travel_table(day))
    prove(problem, Known((), 0))
    problem = build_problem(day := generate_day(0, 24, 3), travel_table(day))
    solve(problem, Budget(rounds=1))  # too large for every order to be tried


@click.command()
@click.option("--sizes", default="12/1,16/3,20/4,24/3,30/4", show_default=True)
@click.option("--days", default=100, show_default=True, help="Of each size.")
@click.option(
    "--clock",
    default="wall",
    show_default=True,
    type=click.Choice(list(CLOCKS)),
    help="'processor' where others use the cores too.",
)
def main(sizes: str, days: int, clock: str) -> None:
    """Print one line per size."""
    warm_up()
    click.echo("calls/vans  days  proved  under 5 s  search s  proof s  longest  open")
    for size in sizes.split(","):
        calls, vans = (int(number) for number in size.split("/"))
        rows = []
        for seed in range(days):
            day = generate_day(seed, calls, vans)
            problem = build_problem(day, travel_table(day))
            rows.append(measure(problem, CLOCKS[clock]))
        proved = [row for row in rows if row.proved]
        quick = [row for row in proved if row.search_s + row.proof_s < 5]
        open_gaps = [row.gap for row in rows if not row.proved]
        click.echo(
            f"{size:>10} {days:>5} {len(proved):>7} {len(quick):>10}"
            f" {sum(row.search_s for row in rows) / days:>9.2f}"
            f" {sum(row.proof_s for row in rows) / days:>8.2f}"
            f" {max(row.search_s + row.proof_s for row in rows):>8.2f}"
            f" {100 * sum(open_gaps) / max(1, len(open_gaps)):>5.1f} %"
        )


if __name__ == "__main__":
    main()
