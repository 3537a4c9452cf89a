"""A day of a thousand calls and a hundred vans: what longer searching still saves.

One search of an invented day is looked at several times. What it found after a minute
is compared with what it found in the end: priorities of the calls left out first,
then money. A search that knows how long it has cools down by that, so each length is a
search of its own; they run one after the other in one process. Reading and building
the day are not timed, and the kernels are compiled and loaded before. The shares
that ``--clock processor`` takes are explained in :mod:`tests.benchmark.clock`. For
example::

    uv run python -m tests.benchmark.scale --seconds 60,3600 --clock processor
"""

import resource

import click

from dispatch.generator import generate_day
from dispatch.partition import calls_of
from dispatch.problem import WEIGHT, Problem, build_problem
from dispatch.solver import SPLIT_ABOVE, Budget, Progress, solve
from dispatch.travel import travel_table
from tests.benchmark.clock import CLOCKS, Clock


def invent(seed: int, calls: int, vans: int) -> Problem:
    """Return an invented day as a problem, all its travel known."""
    day = generate_day(seed, calls, vans)
    return build_problem(day, travel_table(day))


def left_out(problem: Problem, placed: set[int]) -> str:
    """Return how many calls are left out, the most urgent first, as text."""
    weights = problem.visits[: problem.call_count, WEIGHT].tolist()
    out = [weight for call, weight in enumerate(weights) if call not in placed]
    levels = sorted(set(weights), reverse=True)
    return " + ".join(str(out.count(weight)) for weight in levels)


def run(problem: Problem, seconds: float, seed: int, clock: Clock) -> str:
    """Search so long; return a line of the table, without the memory."""
    began = clock()
    heard: list[Progress] = []
    outcome = solve(
        problem,
        Budget(
            seed=seed,
            spent=lambda: (clock() - began) / seconds,
            report=heard.append,
        ),
    )
    took = clock() - began
    placed = {call for column in outcome.columns for call in calls_of(problem, column)}
    money = heard[-1].cost_cents / 100  # parts included
    return (
        f"{took:>8.1f} {outcome.rounds:>9} {left_out(problem, placed):>24}"
        f" {money:>12.2f}"
    )


@click.command()
@click.option("--seconds", default="60,600", show_default=True, help="One search each.")
@click.option("--calls", default=1000, show_default=True)
@click.option("--vans", default=100, show_default=True)
@click.option("--seed", default=1, show_default=True, help="Of the day and the search.")
@click.option(
    "--clock",
    default="wall",
    show_default=True,
    type=click.Choice(list(CLOCKS)),
    help="'processor' where others use the cores too.",
)
def main(seconds: str, calls: int, vans: int, seed: int, clock: str) -> None:
    """Print one line per search."""
    solve(invent(seed, SPLIT_ABOVE + 10, vans // 3 + 1), Budget(rounds=1))
    problem = invent(seed, calls, vans)
    click.echo(
        f"{calls} calls, {vans} vans, {clock} clock\n"
        f"{'seconds':>8} {'rounds':>9} {'left out, by priority':>24} {'cost':>12}"
        f" {'peak MB':>9}"
    )
    for limit in sorted(float(each) for each in seconds.split(",")):
        line = run(problem, limit, seed, CLOCKS[clock])
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        click.echo(f"{line} {peak:>9.0f}")


if __name__ == "__main__":
    main()
