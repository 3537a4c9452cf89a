"""How long a locksmith waits, and what longer searching would still save.

Four tables: the whole command on the one-van demo day, warm and with nothing
compiled yet, and where its time goes; the four-van demo day, default effort against
a long search; and the speed of the search on invented days of ten vans and a hundred
calls. Times are seconds or milliseconds on the wall of this machine: compare figures
of one run only.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from statistics import median

import click

from api.meter import Stopwatch
from dispatch.generator import generate_day
from dispatch.planner import Budget, Progress, plan_day
from dispatch.scenario import read_scenario
from dispatch.solver import CHAINS
from shared.model import Day, Plan

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "demo_scenarios"
KEYROUND = Path(sys.executable).with_name("keyround")
PACKAGES = 10  # named in the table of imports; the others are added up
# What `keyround plan` does, with a look at the clock between the steps.
STEPS = """
import time
clock = [("", time.perf_counter())]
def lap(name):
    clock.append((name, time.perf_counter()))
import sys
from pathlib import Path
import api.cli
lap("import the command line")
import dispatch.scenario
lap("import reading")
day = dispatch.scenario.read_scenario(Path(sys.argv[1]))
lap("read the day")
import dispatch.planner
lap("import planning")
plan = dispatch.planner.plan_day(day)
lap("plan, first time in this process")
dispatch.planner.plan_day(day)
lap("(plan once more: kernels loaded)")
import dispatch.answer
answer = dispatch.answer.answer(day, plan)
lap("answer")
import dispatch.report.text
dispatch.report.text.plan_text(answer, width=80, encoding="utf-8", bold=False)
lap("write the text")
import json
steps = zip(clock, clock[1:])
print(json.dumps([[name, end - begin] for (_, begin), (name, end) in steps]))
"""


def run(*words: str | Path, **extra: str) -> tuple[float, str, str]:
    """Run a command of this repository; return wall seconds, stdout and stderr."""
    environment: Mapping[str, str] = {**os.environ, **extra}
    began = time.perf_counter()
    done = subprocess.run(  # noqa: S603 - our own command
        words, cwd=ROOT, env=environment, capture_output=True, text=True, check=False
    )
    took = time.perf_counter() - began
    if done.returncode not in (0, 1):  # 1: planned, some calls unplaced
        raise click.ClickException(f"{words} failed:\n{done.stderr}")
    return took, done.stdout, done.stderr


def one_van(repeats: int) -> None:
    """Print how long the one-van demo day takes, and what takes it."""
    folder = DEMO / "one_van"
    command = (KEYROUND, "plan", folder)
    run(*command)  # kernels compiled, files in memory
    warm = [run(*command)[0] for _ in range(repeats)]
    python = [run(sys.executable, "-c", "")[0] for _ in range(repeats)]
    click.echo("one van: whole command")
    click.echo(f"  warm, median of {repeats:<3} {median(warm):6.2f} s")
    click.echo(f"  warm, fastest/slowest {min(warm):.2f} / {max(warm):.2f} s")
    click.echo(f"  Python alone          {median(python):6.2f} s")
    with tempfile.TemporaryDirectory() as empty:
        cold = run(*command, KEYROUND_KERNEL_CACHE=empty)[0]
    click.echo(f"  nothing compiled yet  {cold:6.2f} s (once)")

    click.echo(f"\none van: steps of a warm run in ms, median of {repeats}")
    laps: dict[str, list[float]] = {}
    for _ in range(repeats):
        for name, took in json.loads(run(sys.executable, "-c", STEPS, folder)[1]):
            laps.setdefault(name, []).append(took)
    for name, each in laps.items():
        click.echo(f"  {name:<34} {1000 * median(each):7.0f}")
    _imports(folder)


def _imports(folder: Path) -> None:
    """Print what importing costs, each package's own modules added up."""
    timed = run(sys.executable, "-X", "importtime", KEYROUND, "plan", folder)[2]
    own, whole = Counter[str](), Counter[str]()
    for line in timed.splitlines():
        cells = line.removeprefix("import time:").split("|")
        if cells[0] == line or not cells[0].strip().isdigit():
            continue
        package = cells[2].strip().split(".")[0]
        own[package] += int(cells[0])
        whole[package] = max(whole[package], int(cells[1]))
    click.echo("\none van: imports in ms, from one slower, traced run")
    click.echo(
        f"  {'package':<12} {'own':>6} {'heaviest module with what it pulls in':>38}"
    )
    for package, cost in own.most_common(PACKAGES):
        click.echo(f"  {package:<12} {cost / 1000:6.0f} {whole[package] / 1000:38.0f}")
    rest_us = own.total() - sum(cost for _, cost in own.most_common(PACKAGES))
    click.echo(f"  {'all others':<12} {rest_us / 1000:6.0f}")
    click.echo(f"  {'together':<12} {own.total() / 1000:6.0f}")


def four_vans(seeds: int, long_s: float) -> None:
    """Print what the default effort leaves for a long search to find."""
    day = read_scenario(DEMO / "four_vans")
    plan_day(day, Budget(rounds=1))  # compiled and loaded
    runs = [("default", seed, *_timed(day, Budget(seed=seed))) for seed in range(seeds)]
    if long_s > 0:
        budget = Budget(seed=seeds, spent=Stopwatch(long_s))
        runs.append(("long", seeds, *_timed(day, budget)))
    best = min(_rank(day, plan) for *_, plan in runs)
    click.echo("\nfour vans: default effort against a long search")
    click.echo("  effort   seed  seconds     rounds  unplaced       cost  above best")
    for effort, seed, took, plan in runs:
        left, units = _rank(day, plan)
        above = f"{100 * (units / best[1] - 1):9.2f}%" if left == best[0] else "worse"
        click.echo(
            f"  {effort:<8} {seed:>4} {took:8.1f} {plan.status.rounds:>10,}"
            f" {len(plan.unplaced):>9} {plan.cost_cents / 100:>10.2f} {above:>11}"
        )


def _timed(day: Day, budget: Budget) -> tuple[float, Plan]:
    began = time.perf_counter()
    plan = plan_day(day, budget)
    return time.perf_counter() - began, plan


def _rank(day: Day, plan: Plan) -> tuple[tuple[int, ...], int]:
    """Return what plans are compared by: calls left out by priority, then cost."""
    priority = {call.id: call.priority for call in day.calls}
    left = Counter(priority[unplaced.call_id] for unplaced in plan.unplaced)
    return tuple(left[level] for level in (1, 2, 3, 4)), plan.cost_units


def ten_vans(days: int) -> None:
    """Print rounds per second on invented days of ten vans and a hundred calls."""
    click.echo(f"\n10 vans, 100 calls, default effort ({CHAINS} chains side by side)")
    click.echo("  seed  whole s  search s     rounds  rounds/s  unplaced       cost")
    plan_day(generate_day(seed=0, calls=100, vans=10), Budget(rounds=1))
    for seed in range(1, days + 1):
        day = generate_day(seed=seed, calls=100, vans=10)
        heard: list[Progress] = []
        took, plan = _timed(day, Budget(report=heard.append))
        search_s = max(each.seconds for each in heard if each.phase == "searching")
        rounds = CHAINS * plan.status.rounds
        click.echo(
            f"  {seed:>4} {took:8.1f} {search_s:9.1f} {rounds:>10,}"
            f" {rounds / search_s:>9,.0f} {len(plan.unplaced):>9}"
            f" {plan.cost_cents / 100:>10.2f}"
        )


@click.command()
@click.option("--repeats", default=10, show_default=True, help="Of the one-van day.")
@click.option("--seeds", default=3, show_default=True, help="Of the four-van day.")
@click.option(
    "--long",
    "long_s",
    default=300.0,
    show_default=True,
    help="Seconds of the long search on the four-van day; 0: none.",
)
@click.option("--days", default=3, show_default=True, help="Invented ten-van days.")
@click.option("--only", type=click.Choice(["one", "four", "ten"]), help="One part.")
def main(
    *, repeats: int, seeds: int, long_s: float, days: int, only: str | None
) -> None:
    """Measure the demo days and some invented ones."""
    if only in (None, "one"):
        one_van(repeats)
    if only in (None, "four"):
        four_vans(seeds, long_s)
    if only in (None, "ten"):
        ten_vans(days)


if __name__ == "__main__":
    main()
