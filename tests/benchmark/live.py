"""Simulated days with urgent calls: keyround against three other ways to answer them.

Invented worlds (dispatch/simulate.py): calls known in the evening, and calls that come
in through the day, each promised a start within two hours; lengths of visits drawn from
lognormal distributions with each call's median and 90th percentile, drives slower or
faster by a lognormal factor. Parts are plenty; drivers are paid for their shifts, so
that cost is wages, kilometres and overtime. Four answers:

- everything known: the best plan found by who knew calls, lengths and drives before;
- keyround: least change from the running plan;
- from scratch: the rest planned anew each time, whatever was told to anybody;
- insertion: each new call at its cheapest place, nothing else moved.

All but the first see the same facts at the same moments, what each customer was told
among them, and replan when a call comes in or a visit ends five minutes off. 'told
anew' counts customers whose start moved by more than the tolerance from what they were
told last; 'by calls' those of them at the moment an urgent call came in. Everything is
counted in the world, not in the plans.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from statistics import fmean, median

import click

from dispatch.planner import Budget, plan_day
from dispatch.simulate import (
    Outcome,
    World,
    anew,
    foresee,
    inserted,
    invent_world,
    live,
    reshuffled,
)
from shared.model import Plan
from shared.units import cents

EVENING_ROUNDS = 3_000
Answer = Callable[[World, Plan, Budget], Outcome]
ANSWERS: dict[str, Answer] = {
    "everything known": lambda world, _, budget: foresee(
        world, replace(budget, rounds=EVENING_ROUNDS)
    ),
    "keyround": lambda world, plan, budget: live(world, plan, reshuffled(budget)),
    "from scratch": lambda world, plan, budget: live(world, plan, anew(budget)),
    "insertion": lambda world, plan, budget: live(world, plan, inserted(budget)),
}


def _line(name: str, some: Sequence[Outcome], wages: float, known: float) -> str:
    """Return one row: sums over all days, cost as their mean."""
    moving = fmean(cents(one.cost_units) / 100 for one in some)
    total = wages + moving
    waits = [wait / 60 for one in some for wait in one.response_s]
    return (
        f"{name:<18}{total:>9.2f}{100 * (total / known - 1):>+8.2f}%{moving:>9.2f}"
        f"{sum(one.broken for one in some):>8}{sum(one.unserved for one in some):>10}"
        f"{sum(one.changed for one in some):>11}"
        f"{sum(one.changed_by_calls for one in some):>10}"
        f"{median(waits) if waits else 0:>10.0f} min"
    )


@click.command()
@click.option("--days", default=200, show_default=True, help="Of each setting.")
@click.option("--calls", default=20, show_default=True, help="Of a day, in all.")
@click.option("--vans", default=3, show_default=True)
@click.option("--urgent", default="10,30,50", show_default=True, help="Per cent.")
@click.option("--rounds", default=500, show_default=True, help="Of each replanning.")
def main(*, days: int, calls: int, vans: int, urgent: str, rounds: int) -> None:
    """Compare ways to answer urgent calls on simulated days."""
    budget = Budget(rounds=rounds, reasons=False)
    evening = replace(budget, rounds=EVENING_ROUNDS)
    click.echo(
        f"{days} days of {calls} calls and {vans} vans; {rounds} rounds each time"
    )
    for share in urgent.split(","):
        worlds = [
            invent_world(seed, calls, vans, int(share) / 100) for seed in range(days)
        ]
        plans = [plan_day(world.day, evening) for world in worlds]
        wages = fmean(cents(world.wages_units) / 100 for world in worlds)
        click.echo(
            f"\n{share} % urgent: degree of dynamism "
            f"{fmean(world.dynamism for world in worlds):.2f}, effective with windows "
            f"{fmean(world.reaction for world in worlds):.2f}\n"
            f"{'answer':<18}{'cost':>9}{'':>9}{'moving':>9}{'broken':>8}"
            f"{'unserved':>10}{'told anew':>11}{'by calls':>10}{'response':>14}"
        )
        known = 0.0
        for name, answer in ANSWERS.items():
            some = [
                answer(world, plan, budget)
                for world, plan in zip(worlds, plans, strict=True)
            ]
            known = known or wages + fmean(cents(one.cost_units) / 100 for one in some)
            click.echo(_line(name, some, wages, known))


if __name__ == "__main__":
    main()
