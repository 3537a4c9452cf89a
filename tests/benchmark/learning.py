"""How well lengths of visits are learnt, on simulated firms whose truth is known.

Ten firms of each shape of noise; logs with typing errors (2 %) and visits that were
given up after twenty minutes. Judged on 4,000 later visits drawn from the truth.
Figures: pinball loss over that of the plain per-kind quantile of finished visits (below
1 is better), and the share of visits that stayed within the learnt 90th percentile.
Seconds are processor time for learning alone.
"""

import time

import click
import numpy as np

from dispatch.calibration import pinball, quantiles
from dispatch.durations import learn_durations, predict
from dispatch.scenario.joblog import Visits
from shared.trade import kinds
from tests.firms import SHAPES, a_firm, a_log, spoil

KINDS = kinds()
LEVELS = (0.5, 0.9)


def plain_s(early: Visits, late: Visits, chance: float) -> np.ndarray:
    """Return each late visit's plain quantile: of its kind's finished visits before."""
    done = ~early.unfinished
    found = np.full(len(KINDS), np.quantile(early.length_s[done], chance))
    for kind in range(len(KINDS)):
        mine = done & (early.kind == kind)
        if mine.any():
            found[kind] = np.quantile(early.length_s[mine], chance)
    return found[late.kind]


def judge(shape: str, rows: int, seeds: int) -> tuple[list[list[float]], float, float]:
    """Return loss ratios by level, the share within the learnt p90, and seconds."""
    ratios: list[list[float]] = [[] for _ in LEVELS]
    within, spent_s = [], 0.0
    for seed in range(seeds):
        firm, rng = a_firm(seed, shape), np.random.default_rng((seed, rows))
        early = spoil(firm.draw(rng, rows, (0, 500)), rng)
        late = firm.draw(rng, 4000, (500, 600))
        began = time.process_time()
        learnt = learn_durations(a_log(early, firm), KINDS)
        spent_s += time.process_time() - began
        axes = predict(learnt, late)
        for found, level in zip(ratios, LEVELS, strict=True):
            said = pinball(quantiles(axes, level), late.length_s, level).mean()
            plain = pinball(plain_s(early, late, level), late.length_s, level).mean()
            found.append(float(said / plain))
        within.append(float(np.mean(late.length_s <= quantiles(axes, 0.9))))
    return ratios, float(np.mean(within)), spent_s / seeds


@click.command()
@click.option("--seeds", default=10, show_default=True, help="Firms of each shape.")
@click.option(
    "--rows", default="300,600,1000,3000", show_default=True, help="Log sizes."
)
def main(seeds: int, rows: str) -> None:
    """Print a line for each shape of noise and size of log."""
    click.echo(
        "shape      rows  median: better  mean  worst   p90: better  mean  worst"
        "   within p90  seconds"
    )
    for size in map(int, rows.split(",")):
        for shape in SHAPES:
            ratios, within, spent_s = judge(shape, size, seeds)
            told = [
                f"{sum(ratio < 1 for ratio in found):>3} of {seeds}  "
                f"{np.mean(found):.3f}  {max(found):.3f}"
                for found in ratios
            ]
            click.echo(
                f"{shape:<9} {size:>5}     {told[0]}   {told[1]}       "
                f"{100 * within:5.1f} %     {spent_s:.2f}"
            )


if __name__ == "__main__":
    main()
