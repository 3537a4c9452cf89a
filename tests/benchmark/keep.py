"""What the wish to keep 90 % of the promises brings, and what it costs.

Invented days of two to four vans are planned twice: as it comes, and with the wish.
Then each is lived through once, with lengths and traffic drawn from seeds that neither
the search nor the choice of the plan has seen, by drivers who keep to the plan
(:func:`dispatch.chance.replay`). Fixed rounds, so that only the last column of the
table hangs on the machine: processor seconds of planning a day, both times.

The truth is drawn from the spreads that the planner believes in; a second time from
lengths that spread half as far again, which it knows nothing of.
"""

import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import click
import numpy as np

from dispatch.chance import Spreads, draw, replay, usual_spreads
from dispatch.generator import generate_day
from dispatch.planner import Budget, plan_day
from dispatch.spread import Spread
from dispatch.travel import travel_table
from dispatch.wish import keep_promises
from shared.model import Day, Plan

SIZES = ((12, 2), (18, 3), (24, 4), (30, 4))  # calls and vans, in turn
TRUTH_SEED = 987_654_321
WIDER = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Lived:
    """One day, planned twice and lived through; each pair without the wish and with."""

    promises: tuple[int, int]
    kept: tuple[int, int]
    wider_kept: tuple[int, int]
    cost_units: tuple[int, int]
    drive_s: tuple[int, int]
    left_out: tuple[int, int]
    fulfilled: bool
    seconds: float


def invented(number: int, tightness: float) -> Day:
    """Return one day; nearly all its calls can be planned."""
    calls, vans = SIZES[number % len(SIZES)]
    return generate_day(
        number, calls, vans, tightness=tightness, ease=1.0, clock_change=False
    )


def wider(spreads: Spreads) -> Spreads:
    """Return what is more uncertain than is believed, with the same medians."""
    lengths = {}
    for call_id, spread in spreads.lengths.items():
        log_s = np.array(spread.log_s)
        middle = log_s[len(log_s) // 2]
        log_s = middle + WIDER * (log_s - middle)
        lengths[call_id] = Spread(log_s=tuple(log_s.tolist()))
    return replace(spreads, lengths=lengths)


def live(number: int, percent: int, rounds: int, tightness: float) -> Lived:
    """Plan a day twice, and live through both plans."""
    day = invented(number, tightness)
    spreads, travel = usual_spreads(day), travel_table(day)
    budget = Budget(rounds=rounds, reasons=False, replans=False)
    begun = time.process_time()
    plain = plan_day(day, budget, travel)
    wished, wish = keep_promises(day, percent, spreads, budget, travel)
    seconds = time.process_time() - begun
    plans = (plain, wished)

    def kept(plan: Plan, truth: Spreads) -> tuple[int, int]:
        found = replay(day, plan, draw(day, truth, 1, TRUTH_SEED), travel)
        return found.promises, round(found.expected)

    usual = [kept(plan, spreads) for plan in plans]
    harder = [kept(plan, wider(spreads)) for plan in plans]
    return Lived(
        promises=(usual[0][0], usual[1][0]),
        kept=(usual[0][1], usual[1][1]),
        wider_kept=(harder[0][1], harder[1][1]),
        cost_units=(plain.cost_units, wished.cost_units),
        drive_s=tuple(sum(r.drive_s for r in plan.routes) for plan in plans),  # type: ignore[arg-type]
        left_out=(len(plain.unplaced), len(wished.unplaced)),
        fulfilled=wish.fulfilled,
        seconds=seconds,
    )


def rows(some: Sequence[Lived]) -> list[str]:
    """Return the table of some days."""
    lines = []
    for turn, name in enumerate(("as it comes", "with the wish")):
        promises = sum(one.promises[turn] for one in some)
        share = 100 * sum(one.kept[turn] for one in some) / promises
        harder = 100 * sum(one.wider_kept[turn] for one in some) / promises
        cost, drive = (
            100
            * sum(getattr(one, what)[turn] for one in some)
            / sum(getattr(one, what)[0] for one in some)
            - 100
            for what in ("cost_units", "drive_s")
        )
        left = sum(one.left_out[turn] for one in some)
        lines.append(
            f"{name:<14} {share:6.1f} % {harder:6.1f} % {cost:+7.2f} % "
            f"{drive:+7.2f} % {left:6}"
        )
    return lines


@click.command()
@click.option("--days", default=500, show_default=True)
@click.option("--first", default=100_000, show_default=True, help="Seed of the first.")
@click.option("--percent", default=90, show_default=True, help="The wish.")
@click.option("--rounds", default=1_500, show_default=True, help="Of each search.")
@click.option("--tightness", default=0.5, show_default=True)
@click.option("--workers", default=2, show_default=True, help="Processes.")
def main(
    *,
    days: int,
    first: int,
    percent: int,
    rounds: int,
    tightness: float,
    workers: int,
) -> None:
    """Measure what the wish to keep so many promises brings and costs."""
    some: list[Lived] = []
    one_day = partial(live, percent=percent, rounds=rounds, tightness=tightness)
    with ProcessPoolExecutor(workers) as pool:
        for lived in pool.map(one_day, range(first, first + days)):
            some.append(lived)
            if len(some) % 50 == 0 or len(some) == days:
                report(some, percent)


def report(some: Sequence[Lived], percent: int) -> None:
    """Print what has come of the days so far."""
    seconds = sum(one.seconds for one in some) / len(some)
    short = sum(not one.fulfilled for one in some)
    click.echo(
        f"{len(some)} days, {sum(one.promises[0] for one in some)} promises and "
        f"windows, wish {percent} %; {short} days on which no plan was found for it; "
        f"{seconds:.2f} s of the processor a day"
    )
    click.echo("                   kept   wider      cost     drive    out")
    click.echo("\n".join(rows(some)))


if __name__ == "__main__":
    main()
