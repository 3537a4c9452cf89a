"""Are promises kept as often as was quoted? Simulated firms whose truth is known.

    uv run python -m tests.benchmark.chance --firms 4 --days 40

Each firm's log of 1500 visits is spoiled and learnt from; days that are not in it are
planned with what was learnt (8 calls, one van), their chances quoted, and
each is lived through ten times in the firm's truth (:mod:`tests.outcomes`). Besides
lognormal firms those of other shapes: gamma, a mixture, lengths that drift; and roads
that are not as they are drawn: each drive varies for itself, all are slower than
expected. Figures are per cent; by fifths of what was quoted, quoted:kept. Then the
processor time.
"""

import time
from dataclasses import replace

import click

from dispatch.chance import DRAWS, draw, foretell, replay, usual_spreads
from dispatch.generator import generate_day
from dispatch.planner import Budget, plan_day
from dispatch.quote import open_book, quote
from shared.trade import kinds
from tests.firms import SHAPES
from tests.outcomes import Roads, outcomes, together

QUOTED_DAYS = 10
ROADS = {
    "as drawn": Roads(),
    "each drive for itself": Roads(day_scatter=0.0, drive_scatter=0.25),
    "a tenth slower": Roads(slower=1.1),
}


@click.command()
@click.option("--firms", default=4, show_default=True, help="Of each shape.")
@click.option("--days", default=30, show_default=True, help="Of each firm.")
def main(firms: int, days: int) -> None:
    """Print the table."""
    click.echo("firm       roads                 promises  quoted kept  apart  all")
    cases = [(shape, "as drawn") for shape in SHAPES]
    cases += [("lognormal", name) for name in ROADS if name != "as drawn"]
    for shape, name in cases:
        some = [
            outcomes(seed, shape, days=days, roads=ROADS[name]) for seed in range(firms)
        ]
        found = together(some)
        click.echo(
            f"{shape:10} {name:22} {len(found.quoted):7}  "
            f"{100 * found.quoted.mean():5.1f} {100 * found.kept.mean():5.1f} "
            f"{found.apart:+6.1f}  {100 * found.all_quoted.mean():5.1f} /"
            f"{100 * found.all_kept.mean():5.1f}"
        )
        worst = max((one.apart for one in some), key=abs)
        fifths = "  ".join(
            f"{100 * quoted:.0f}:{100 * kept:.0f}"
            for quoted, kept, _ in found.by_quoted()
        )
        click.echo(f"           by fifths {fifths}; worst firm {worst:+.1f}")
    clock()


def clock() -> None:
    """Print processor times."""
    day = generate_day(2, 100, 10, tightness=0.0, ease=0.75)
    plan = plan_day(day, Budget(rounds=300, reasons=False))
    spreads = usual_spreads(day)
    for _ in range(3):
        begin = time.process_time()
        sample = draw(day, spreads, DRAWS, 0)
        drawn = time.process_time()
        replay(day, plan, sample)
        click.echo(
            f"10 vans, 100 calls, {DRAWS} days: draw {drawn - begin:.3f} s, "
            f"replay {time.process_time() - drawn:.3f} s"
        )
    begin = time.process_time()
    draws = foretell(day, plan, spreads).draws
    click.echo(f"as plan does it, {draws} days: {time.process_time() - begin:.3f} s")
    telephone()


def telephone() -> None:
    """Print how long a caller waits, at four vans."""
    kind = kinds()["lockout_vehicle"]
    for calls in (16, 24, 35):
        spent, offers = [], 0
        for seed in range(QUOTED_DAYS):
            day = generate_day(seed, calls, 4, tightness=0.0, ease=1.0)
            call = replace(
                day.calls[seed % calls],
                id="caller",
                promise=None,
                windows=(),
                needs=(),
                ready=(),
                required_van=None,
                kind=kind.id,
                median_s=kind.median_s,
                p90_s=kind.p90_s,
                skills=kind.skills,
                equipment=kind.equipment,
            )
            spreads = usual_spreads(replace(day, calls=(*day.calls, call)))
            plan = plan_day(day, Budget(rounds=300, reasons=False))
            book = open_book([(day, plan)], spreads)
            quote(book, call, spreads)
            begin = time.process_time()
            offers += len(quote(book, call, spreads).offers)
            spent.append(time.process_time() - begin)
        click.echo(
            f"quote, 4 vans, {calls} calls, {QUOTED_DAYS} days: mean "
            f"{sum(spent) / len(spent):.3f} s, most {max(spent):.3f} s, "
            f"{offers / QUOTED_DAYS:.1f} offers"
        )


if __name__ == "__main__":
    main()
