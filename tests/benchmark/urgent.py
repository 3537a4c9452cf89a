"""How long the options for an urgent call take, on days part way through.

Invented days, planned in the morning, at 10:40; the running plan lies ready, the call
is new. Timed is everything from the call to the options in words: the tables with the
call, every place, the short searches, writing out, judging. The first call of each size
is not counted, and CP-SAT is loaded before: as in a service that has answered once.
What is loaded by then is left out of garbage collection, as the service does it. The
clock is that of the processor, of the one thread that does it all.
"""

import time
from statistics import fmean

import click
import numpy as np

from api.crew import keep_what_is_loaded
from dispatch.generator import ALL, Feature, generate_day
from dispatch.partition import load_cp_model
from dispatch.urgent import Ask, OptionKind, options
from tests.rests import board_at, planned, urgent_call

SIZES = {"2/15": 20, "10/100": 10, "100/1000": 2}
"""Vans and calls, and how many days share the calls."""

ROUNDS = {"2/15": 1_000, "10/100": 3_000, "100/1000": 3_000}
FEATURES = ALL - {Feature.EXCHANGE, Feature.TOOLS, Feature.LINKS}


@click.command()
@click.option("--calls", default=100, show_default=True, help="Urgent calls per size.")
@click.option("--sizes", default=",".join(SIZES), show_default=True)
@click.option("--rounds", default=Ask().rounds, show_default=True, help="Of a search.")
def main(*, calls: int, sizes: str, rounds: int) -> None:
    """Print how long options take: median, 95th percentile, longest."""
    click.echo(
        f"{'vans/calls':<12}{'urgent':>7}{'open':>7}{'p50':>8}{'p95':>8}{'most':>8}"
        f"{'options':>9}{'taken':>7}{'safe':>6}"
    )
    load_cp_model()
    for size in sizes.split(","):
        vans, count = map(int, size.split("/"))
        spent: list[float] = []
        still: list[int] = []
        many: list[int] = []
        taken = safe = 0
        seed = 0
        while len(spent) < calls:
            day = generate_day(seed, count, vans, ease=0.7, features=FEATURES)
            board = board_at(day, planned(day, ROUNDS[size]), seed)
            seed += 1
            for number in range(-(-calls // SIZES[size])):
                call = urgent_call(1000 * seed + number, board.rest)
                if not spent and not number:
                    options(board, call, Ask(rounds=rounds))
                    keep_what_is_loaded()
                begun = time.thread_time()
                found = options(board, call, Ask(rounds=rounds))
                spent.append(1000 * (time.thread_time() - begun))
                still.append(len(board.stops))
                many.append(len(found.options))
                taken += found.options[0].kind is not OptionKind.REFER
                safe += any(
                    one.van_id and not one.broken and not one.dropped
                    for one in found.options
                )
        middle, high = np.percentile(spent, [50, 95])
        click.echo(
            f"{size:<12}{len(spent):>7}{fmean(still):>7.0f}{middle:>8.1f}{high:>8.1f}"
            f"{max(spent):>8.1f}{fmean(many):>9.1f}{taken:>7}{safe:>6}"
        )


if __name__ == "__main__":
    main()
