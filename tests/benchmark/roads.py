"""A real road network: how long it takes to ask, how right it is, what it is worth.

Processor time of this process and of the builder. The days of the last table are
invented, their places drawn next to roads of the region; each is planned along straight
lines and on the network, with the same seed and rounds, and both plans are then driven
on the network, on empty roads. Needs Python 3.12.
"""

import resource
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import click
import numpy as np

from dispatch.generator import generate_day
from dispatch.planner import Budget, plan_day
from dispatch.travel import TravelTable, travel_table
from dispatch.travel.atlas import Atlas
from dispatch.travel.fit import PLACES, Fitted, draw_places, fit_straight_line
from dispatch.travel.network import Network, build_network, open_network
from dispatch.travel.survey import lay
from shared.model import Day, Place, Plan, TravelRules
from tests.builders import a_call, a_day, a_van
from tests.oracle.slow_roads import Streets, compare

EXTRACT = (
    Path(__file__).parents[2]
    / "demo_scenarios"
    / "real_roads"
    / "liechtenstein-2013-08-03.osm.pbf"
)
CALLS, MORE = 100, 20  # a day's, and urgent ones


@click.command(help=__doc__)
@click.option("--days", default=10, show_default=True, help="Invented days; 0: none.")
@click.option("--calls", default=16, show_default=True, help="Calls of each.")
@click.option("--vans", default=2, show_default=True, help="Vans of each.")
@click.option("--rounds", default=20_000, show_default=True, help="Of each search.")
def main(*, days: int, calls: int, vans: int, rounds: int) -> None:
    """Measure, and print the tables."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "network"
        build_s = spent(lambda: build_network(EXTRACT, folder))
        network = open_network(folder)
        tell_times(network, build_s)
        tell_oracle(network)
        tell_anomalies(network)
        fitted = tell_straight(network)
        if days:
            tell_days(network, fitted, (days, calls, vans, rounds))


def spent(work: Callable[[], object]) -> float:
    """Return processor seconds, those of child processes among them."""

    def now() -> float:
        child = resource.getrusage(resource.RUSAGE_CHILDREN)
        return time.process_time() + child.ru_utime + child.ru_stime

    begun = now()
    work()
    return now() - begun


def drawn(network: Network, count: int, seed: int) -> list[Place]:
    assert network.bounds is not None
    return draw_places(Atlas(asker=network), network.bounds, count, seed)


def day_at(places: Sequence[Place]) -> Day:
    """Return a day whose shop is at the first place, and its calls at the others."""
    shop, *calls = places
    day = a_day(
        *(a_call(f"C{n}", place=place) for n, place in enumerate(calls)),
        vans=(a_van(start=shop, finish=shop),),
    )
    return replace(day, shop=replace(day.shop, place=shop))


def tell_times(network: Network, build_s: float) -> None:
    atlas = Atlas(asker=network)
    places = drawn(network, 1 + CALLS + MORE, seed=1)
    day = day_at(places[: 1 + CALLS])
    matrix_s = spent(lambda: lay(day, atlas))
    laid = lay(day, atlas)
    more_s = []
    for place in places[1 + CALLS :]:
        begun_s = time.process_time()
        lay(laid, atlas, [place])
        more_s.append(time.process_time() - begun_s)
    again_s = spent(lambda: lay(laid, atlas))
    click.echo(f"first build                            {build_s:7.2f} s")
    click.echo(f"all drives of {CALLS} calls               {matrix_s:7.2f} s")
    click.echo(f"one call more, median of {MORE}            {np.median(more_s):8.3f} s")
    click.echo(f"              slowest                 {max(more_s):8.3f} s")
    click.echo(f"a day that is laid already            {again_s:8.3f} s")


def tell_oracle(network: Network) -> None:
    streets = Streets(EXTRACT, network.swift)
    found = compare(streets, Atlas(asker=network), pairs=200, seed=4)
    excess_s = found.network_s - found.dijkstra_s
    percent = 100 * excess_s / found.dijkstra_s
    click.echo("\n200 pairs of junctions against a plain Dijkstra without turn costs")
    below = (found.network_s < found.tracks_s - 1).sum()
    click.echo(f"below it by more than a second  {below:6d} pairs")
    click.echo(f"above it, median                {np.median(percent):6.1f} %")
    click.echo(
        f"a junction passed: mean, most   "
        f"{np.mean(excess_s / found.junctions):6.2f} s, "
        f"{np.max(excess_s / found.junctions):.2f} s"
    )


def tell_anomalies(network: Network) -> None:
    atlas = Atlas(asker=network)
    spots = [s for s in atlas.find(drawn(network, CALLS, seed=2)) if s is not None]
    base_s = atlas.drives(spots, spots).base_s
    count = len(spots)
    turn_s = np.abs(base_s - base_s.T)[np.triu_indices(count, 1)]
    around = base_s[:, :, None] + base_s[None, :, :]  # from, by, to
    gain = base_s[:, None, :] - around
    trips = ~np.eye(count, dtype=bool)
    legs = trips[:, :, None] & trips[None, :, :] & trips[:, None, :]
    worse = gain[legs & (gain > 1)]  # a second is the rounding of three drives
    click.echo(f"\ndrives among {count} places")
    click.echo(f"another time back, more than 5 s {100 * (turn_s > 5).mean():6.1f} %")
    click.echo(f"                   more than 60 s{100 * (turn_s > 60).mean():6.1f} %")
    click.echo(
        f"quicker by a third place         {100 * len(worse) / legs.sum():6.2f} %"
    )
    if len(worse):
        click.echo(
            f"      by so much, mean and most  {worse.mean():6.1f} s, {worse.max()} s"
        )


def tell_straight(network: Network) -> Fitted:
    click.echo(
        "\nstraight line against the network, pairs that it has not seen, minutes"
    )
    click.echo("places  drives   mean | one factor   as usual     fitted")
    first = None
    for seed in range(5):
        places = drawn(network, 2 * PLACES, seed=10 + seed)
        found = fit_straight_line(Atlas(asker=network), places, TravelRules())
        first = first or found
        click.echo(
            f"{seed:6d}{found.pairs:8,d}{found.mean_s / 60:7.1f} |"
            f"{found.factor_error_s / 60:11.2f}{found.usual_error_s / 60:11.2f}"
            f"{found.error_s / 60:11.2f}"
        )
    assert first is not None
    return first


def tell_days(
    network: Network, fitted: Fitted, sizes: tuple[int, int, int, int]
) -> None:
    days, calls, vans, rounds = sizes
    atlas, budget = Atlas(asker=network), Budget(rounds=rounds, replans=False)
    click.echo(
        f"\n{days} invented days of {calls} calls and {vans} vans: minutes really "
        "driven (empty roads)"
    )
    click.echo("planned on   driven  more than network  left out")
    driven: dict[str, list[float]] = {}
    told: dict[str, list[int]] = {}
    for number in range(days):
        day = at_places(
            generate_day(
                number, calls, vans, tightness=0.0, ease=1.0, clock_change=False
            ),
            drawn(network, calls + 3, seed=100 + number),
        )
        laid = lay(day, atlas)
        truth = travel_table(laid)
        usual = replace(TravelRules(), traffic=day.travel.traffic)
        for name, asked in (
            ("network", laid),
            ("fitted line", replace(day, travel=with_line(usual, fitted.rules))),
            ("usual line", replace(day, travel=usual)),
        ):
            plan = plan_day(asked, budget)
            driven.setdefault(name, []).append(drive_s(truth, laid, plan) / 60)
            told.setdefault(name, []).append(len(plan.unplaced))
    best = sum(driven["network"])
    for name, each in driven.items():
        more = 100 * (sum(each) / best - 1)
        click.echo(f"{name:12s}{sum(each):8.0f}{more:17.1f} %{sum(told[name]):10d}")


def with_line(rules: TravelRules, line: TravelRules) -> TravelRules:
    return replace(line, traffic=rules.traffic, start_stop_s=line.start_stop_s)


def at_places(day: Day, places: Sequence[Place]) -> Day:
    """Return a day moved to other places: its shop first, then its counters, its calls.

    Vans start and end at the shop; nothing is learnt about windows or work by that.
    """
    shop, counter, *rest = places
    return replace(
        day,
        shop=replace(day.shop, place=shop),
        counters=tuple(replace(each, place=counter) for each in day.counters),
        vans=tuple(replace(van, start=shop, finish=shop) for van in day.vans),
        calls=tuple(
            replace(call, place=place, windows=(), promise=None, preference=None)
            for call, place in zip(day.calls, rest, strict=False)
        ),
        travel=replace(day.travel, start_stop_s=TravelRules().start_stop_s),
    )


def drive_s(truth: TravelTable, day: Day, plan: Plan) -> int:
    """Return how long a plan's routes really take to drive, on empty roads."""
    total = 0
    keys = truth.keys
    for route in plan.routes:
        stops = [
            f"call:{stop.call_id}" if stop.call_id else f"store:{stop.store_id}"
            for stop in route.stops
            if stop.call_id or stop.store_id
        ]
        nodes = [f"start:{route.van_id}", *stops, f"finish:{route.van_id}"]
        rows = [
            keys["shop" if node == f"store:{day.shop.id}" else node] for node in nodes
        ]
        total += sum(int(truth.base_s[here, there]) for here, there in pairwise(rows))
    return total


if __name__ == "__main__":
    main()
