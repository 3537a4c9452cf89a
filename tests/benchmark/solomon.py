"""How far above the best known distances keyround and two open solvers stay.

The published 100-customer instances with time windows of Solomon (1987), Operations
Research 35(2):254-265, under the convention of the 12th DIMACS implementation
challenge: the distance is Euclidean, cut to one decimal, and is the driving time as
well; the total distance is minimised over any number of vehicles. Best known
distances: `best_known.csv` beside the instances, as published with the LKH-3 test
set. Everything is held in integer tenths, so that nothing is rounded twice.

Every solver gets the same instance and fleet, one after the other on the same
machine; what counts is the time from the instance in memory to the routes in memory,
the making of the solver's own model included. keyround goes first: its search ends
after the seconds asked for, its exact cover takes what it takes, and each peer then
gets as long as both took together. Every answer is checked anew in plain Python.
Compiling keyround's search and importing the peers happen before the first
measurement and are not counted. keyround searches in two threads, its peers in one:
the table names the processor time of each.
"""

import csv
import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import fmean

import click
import numpy as np
import pyvrp
from ortools.constraint_solver import pywrapcp, routing_enums_pb2

from api.meter import Stopwatch
from dispatch.problem import (
    DEMAND,
    FINISH,
    LENGTH,
    M_UNITS,
    NEED_HI,
    NEED_LO,
    REACH,
    SHIFT_END,
    SHIFT_HI,
    SHIFT_LO,
    START,
    TWIN,
    WEIGHT,
    WINDOW,
    WINDOWS,
    Problem,
    assemble,
    plain_needs,
)
from dispatch.solver import CHAINS, Budget, solve
from shared.model import Traffic
from tests.benchmark.clock import CLOCKS, Clock, Until

FOLDER = Path(__file__).resolve().parents[3] / "shared" / "benchmarks" / "solomon100"
DEPOT = 0
FLEET = 25  # of the original instances (from memory); a plan needs 20 at most.
# The files name the best known plan's number instead, which would be a hint.

Routes = list[list[int]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Instance:
    """One published instance; node 0 is the depot, all times in tenths.

    Parameters
    ----------
    name : str
        'RC208'.
    best_known : int
        Tenths of a unit of distance.
    capacity : int
        Of each vehicle.
    service : int
        Length of every visit.
    points : tuple of (int, int)
        Coordinates in whole units.
    demands : tuple of int
        What each customer takes.
    windows : tuple of (int, int)
        First and last start of each visit; the depot's is when vehicles are out.
    """

    name: str
    best_known: int
    capacity: int
    service: int
    points: tuple[tuple[int, int], ...]
    demands: tuple[int, ...]
    windows: tuple[tuple[int, int], ...]

    @property
    def family(self) -> str:
        """The class, for example 'RC2'."""
        return self.name[:-2]

    def distance(self, a: int, b: int) -> int:
        """Return the distance of two nodes in tenths, cut, without any float."""
        (ax, ay), (bx, by) = self.points[a], self.points[b]
        return math.isqrt(100 * ((ax - bx) ** 2 + (ay - by) ** 2))

    def matrix(self) -> np.ndarray:
        """Return all distances in tenths."""
        points = np.array(self.points, np.int64)
        squares = ((points[:, None] - points[None, :]) ** 2).sum(axis=2)
        # Floats hold such squares exactly and round their roots to the nearest: a root
        # just below a whole tenth is too far from it to be rounded up to it.
        return np.sqrt(100 * squares).astype(np.int64)


def read_instances(folder: Path, only: Sequence[str]) -> list[Instance]:
    """Read the instances whose names begin with one of ``only`` (empty: all)."""
    with (folder / "best_known.csv").open(newline="") as file:
        known = {
            row["instance"]: _tenths(row["best_known_distance"])
            for row in csv.DictReader(file)
        }
    return [
        _read(folder / f"{name}.vrptw", best)
        for name, best in known.items()
        if not only or name.startswith(tuple(only))
    ]


def _tenths(text: str) -> int:
    whole, _, tenth = text.partition(".")
    return 10 * int(whole) + int(tenth or 0)


def _read(path: Path, best_known: int) -> Instance:
    head: dict[str, str] = {}
    sections: dict[str, list[list[int]]] = {}
    section: list[list[int]] | None = None
    for line in path.read_text().splitlines():
        words = line.replace(":", " ").split()
        if not words or words[0] in {"-1", "EOF"}:
            continue
        if words[0].endswith("_SECTION"):
            section = sections.setdefault(words[0], [])
        elif section is None:
            head[words[0]] = words[-1]
        else:  # whole numbers only: anything else stops here
            section.append([int(word) for word in words])
    points = sections["NODE_COORD_SECTION"]
    assert [point[0] for point in points] == list(range(1, len(points) + 1))
    assert sections["DEPOT_SECTION"] == [[1]]
    assert head["SCALE"] == "10"
    assert head["EDGE_WEIGHT_TYPE"] == "FLOOR_2D"
    return Instance(
        name=path.stem,
        best_known=best_known,
        capacity=int(head["CAPACITY"]),
        service=10 * int(head["SERVICE_TIME"]),
        points=tuple((x, y) for _, x, y in points),
        demands=tuple(demand for _, demand in sections["DEMAND_SECTION"]),
        windows=tuple(
            (10 * first, 10 * last)
            for _, first, last in sections["TIME_WINDOW_SECTION"]
        ),
    )


def check(instance: Instance, routes: Routes) -> int:
    """Return the distance of routes that keep every rule, in tenths.

    Parameters
    ----------
    instance : Instance
        The instance.
    routes : list of list of int
        Customers of each vehicle in order, without the depot.

    Returns
    -------
    int
        Added up anew from the coordinates.

    Raises
    ------
    ValueError
        When a customer is missing or served twice, or a vehicle is late or too full.
    """
    served = sorted(node for route in routes for node in route)
    if served != list(range(1, len(instance.points))):
        raise ValueError(f"{instance.name}: not every customer is served once")
    total = 0
    for route in routes:
        load = sum(instance.demands[node] for node in route)
        if load > instance.capacity:
            raise ValueError(f"{instance.name}: load {load} on {route}")
        here, now = DEPOT, instance.windows[DEPOT][0]
        for node in [*route, DEPOT]:
            leg = instance.distance(here, node)
            first, last = instance.windows[node]
            start = max(now + leg, first)
            if start > last:
                raise ValueError(f"{instance.name}: {start} is too late at {node}")
            total += leg
            here, now = node, start + instance.service
    return total


def solve_keyround(
    instance: Instance, seconds: float, seed: int, fleet: int, clock: Clock
) -> Routes:
    """Search and cover as ``keyround plan --seconds`` does for a day this large."""
    problem = _as_day(instance, fleet)
    budget = Budget(seed=seed, spent=Stopwatch(seconds, clock))
    outcome = solve(problem, budget)
    return [[call + 1 for call in column.visits] for column in outcome.columns]


def _as_day(instance: Instance, fleet: int) -> Problem:
    """Return the instance as a day; what is carried is a part aboard every van."""
    count = len(instance.points) - 1
    nodes = [*range(1, count + 1), DEPOT]  # the calls come first
    distance = instance.matrix()[np.ix_(nodes, nodes)]
    rows = np.arange(count)
    calls = np.zeros((count, WINDOW + 2), np.int64)
    calls[:, LENGTH] = instance.service
    calls[:, WEIGHT] = 1
    calls[:, REACH] = distance[count, :count]
    calls[:, DEMAND] = instance.demands[1:]
    calls[:, NEED_LO] = rows
    calls[:, NEED_HI] = rows + 1
    calls[:, WINDOWS] = 1
    calls[:, WINDOW:] = instance.windows[1:]
    vans = np.zeros((fleet, TWIN + 1), np.int64)
    vans[:, [START, FINISH]] = count
    vans[:, SHIFT_LO] = instance.windows[DEPOT][0]
    vans[:, [SHIFT_HI, SHIFT_END]] = instance.windows[DEPOT][1]
    vans[:, M_UNITS] = 1
    stock = np.full((fleet + 1, 1), instance.capacity, np.int64)
    stock[fleet] = 0
    needs = np.stack([rows, rows + 1], axis=1)
    items = np.stack([np.zeros_like(rows), calls[:, DEMAND]], axis=1)
    return assemble(
        base_s=distance,
        distance_m=distance,
        traffic=Traffic(),
        calls=calls,
        vans=vans,
        allowed=np.ones((fleet, count), np.uint8),
        needs=plain_needs((needs, needs.copy(), items), stock),
    )


def solve_pyvrp(
    instance: Instance, seconds: float, seed: int, fleet: int, clock: Clock
) -> Routes:
    """Solve with PyVRP as it comes."""
    until = clock() + seconds
    matrix = instance.matrix()
    opens, closes = instance.windows[DEPOT]
    data = pyvrp.ProblemData(
        locations=[pyvrp.Location(x, y) for x, y in instance.points],
        clients=[
            pyvrp.Client(
                location=node,
                delivery=[instance.demands[node]],
                service_duration=instance.service,
                tw_early=instance.windows[node][0],
                tw_late=instance.windows[node][1],
            )
            for node in range(1, len(instance.points))
        ],
        depots=[pyvrp.Depot(location=DEPOT, tw_early=opens, tw_late=closes)],
        vehicle_types=[pyvrp.VehicleType(fleet, [instance.capacity])],
        distance_matrices=[matrix],
        duration_matrices=[matrix],
    )
    result = pyvrp.solve(
        data, Until(until, clock), seed, collect_stats=False, display=False
    )
    if not result.best.is_feasible():
        return []
    return [
        [visit.idx + 1 for visit in route if visit.is_client()]
        for route in result.best.routes()
    ]


def solve_ortools(
    instance: Instance, seconds: float, seed: int, fleet: int, clock: Clock
) -> Routes:
    """Solve with OR-Tools' routing library and guided local search."""
    del seed, clock  # it draws nothing by chance and knows the wall clock only
    until = time.monotonic() + seconds
    matrix = instance.matrix()
    manager = pywrapcp.RoutingIndexManager(len(matrix), fleet, DEPOT)
    routing = pywrapcp.RoutingModel(manager)
    drive = routing.RegisterTransitMatrix(matrix.tolist())
    routing.SetArcCostEvaluatorOfAllVehicles(drive)
    lengths = np.array([0] + [instance.service] * (len(matrix) - 1))
    busy = routing.RegisterTransitMatrix((matrix + lengths[:, None]).tolist())
    latest = instance.windows[DEPOT][1]
    routing.AddDimension(busy, latest, latest, False, "time")  # noqa: FBT003 - as it is
    times = routing.GetDimensionOrDie("time")
    for node in range(1, len(matrix)):
        times.CumulVar(manager.NodeToIndex(node)).SetRange(*instance.windows[node])
    load = routing.RegisterUnaryTransitVector(list(instance.demands))
    routing.AddDimension(load, 0, instance.capacity, True, "load")  # noqa: FBT003
    parameters = pywrapcp.DefaultRoutingSearchParameters()
    parameters.first_solution_strategy = (
        routing_enums_pb2.FirstSolutionStrategy.PARALLEL_CHEAPEST_INSERTION
    )
    parameters.local_search_metaheuristic = (
        routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
    )
    parameters.time_limit.FromMilliseconds(
        max(1, round(1000 * (until - time.monotonic())))
    )
    found = routing.SolveWithParameters(parameters)
    if found is None:
        return []
    routes = []
    for vehicle in range(fleet):
        route = []
        index = found.Value(routing.NextVar(routing.Start(vehicle)))
        while not routing.IsEnd(index):
            route.append(manager.IndexToNode(index))
            index = found.Value(routing.NextVar(index))
        routes.append(route)
    return [route for route in routes if route]


Solve = Callable[[Instance, float, int, int, Clock], Routes]
SOLVERS: dict[str, Solve] = {
    "keyround": solve_keyround,
    "pyvrp": solve_pyvrp,
    "ortools": solve_ortools,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One solver on one instance with one seed.

    Parameters
    ----------
    instance : Instance
        The instance.
    solver : str
        A key of ``SOLVERS``.
    distance : int or None
        Tenths, checked; ``None``: no plan was found, or it left customers out.
    clock_s, cpu_s : float
        Seconds by the clock that ended it, and of all threads together.
    """

    instance: Instance
    solver: str
    distance: int | None
    clock_s: float
    cpu_s: float

    @property
    def gap(self) -> float | None:
        """Percent above the best known distance."""
        if self.distance is None:
            return None
        return 100 * (self.distance / self.instance.best_known - 1)


def measure(
    instance: Instance,
    solver: str,
    seconds: float,
    *,
    seed: int,
    fleet: int,
    clock: Clock,
) -> Run:
    """Solve once, by the clock, and check the answer."""
    begun, cpu = clock(), time.process_time()
    routes = SOLVERS[solver](instance, seconds, seed, fleet, clock)
    begun, cpu = clock() - begun, time.process_time() - cpu
    whole = sum(map(len, routes)) == len(instance.points) - 1
    return Run(
        instance=instance,
        solver=solver,
        distance=check(instance, routes) if whole else None,
        clock_s=begun,
        cpu_s=cpu,
    )


def _gap(gap: float | None) -> str:
    return f"{'none':>11}" if gap is None else f"{gap:10.2f}%"


def _table(runs: Sequence[Run], solvers: Sequence[str]) -> str:
    """Return the means per class and solver."""
    families = sorted({run.instance.family for run in runs})
    lines = [
        "mean gap to best known",
        f"{'class':<9}" + "".join(f"{s:>11}" for s in solvers),
    ]
    means: dict[str, float] = {}
    for family in [*families, "all"]:
        cells = []
        for solver in solvers:
            gaps = [
                run.gap
                for run in runs
                if run.solver == solver
                and family in (run.instance.family, "all")
                and run.gap is not None
            ]
            mean = fmean(gaps) if gaps else None
            if family == "all" and mean is not None:
                means[solver] = mean
            cells.append(_gap(mean))
        lines.append(f"{family:<9}" + "".join(cells))
    for title, cell in (
        ("no plan", lambda some: f"{sum(r.distance is None for r in some):11d}"),
        ("seconds", lambda some: f"{fmean(r.clock_s for r in some):11.2f}"),
        ("longest", lambda some: f"{max(r.clock_s for r in some):11.2f}"),
        ("cpu s", lambda some: f"{fmean(r.cpu_s for r in some):11.2f}"),
    ):
        cells = [cell([r for r in runs if r.solver == solver]) for solver in solvers]
        lines.append(f"{title:<9}" + "".join(cells))
    ours = means.get("keyround")
    if ours:
        ratios = [
            f"{means[s] / ours:10.1f}x" if s in means else _gap(None) for s in solvers
        ]
        lines.append(f"{'ratio':<9}" + "".join(ratios))
    return "\n".join(lines)


@click.command()
@click.option(
    "--seconds",
    default=2.0,
    show_default=True,
    help="Of search for keyround; each peer gets as long as keyround took in all.",
)
@click.option("--seeds", default="1", show_default=True, help="For example 1,2,3.")
@click.option("--only", default="", help="Beginnings of names, for example R1,RC208.")
@click.option(
    "--peers/--no-peers", default=True, show_default=True, help="Run the peers too."
)
@click.option(
    "--fleet", default=FLEET, show_default=True, help="Vehicles each solver may use."
)
@click.option(
    "--clock",
    default="wall",
    show_default=True,
    type=click.Choice(list(CLOCKS)),
    help="'processor' where others use the cores too; OR-Tools is left out then.",
)
@click.option(
    "--folder",
    default=FOLDER,
    type=click.Path(path_type=Path),
    help="The instances; by default beside this repository.",
)
def main(  # noqa: PLR0913 - one for each option
    *,
    seconds: float,
    seeds: str,
    only: str,
    peers: bool,
    fleet: int,
    clock: str,
    folder: Path,
) -> None:
    """Compare keyround with PyVRP and OR-Tools on the published instances."""
    if not (folder / "best_known.csv").is_file():
        raise click.ClickException(
            f"solomon100 is left out: no best_known.csv in {folder}; the instances "
            "are no part of this repository (--folder says where they are)"
        )
    instances = read_instances(folder, [name for name in only.split(",") if name])
    if not instances:
        raise click.ClickException(f"no instance is called {only}")
    solvers = list(SOLVERS) if peers else ["keyround"]
    if clock != "wall":
        solvers = [solver for solver in solvers if solver != "ortools"]
    started = time.perf_counter()
    solve_keyround(instances[0], 0.05, 0, fleet, CLOCKS[clock])
    warming_s = time.perf_counter() - started
    click.echo(
        f"{len(instances)} instances, {seconds:g} s of search by the {clock} clock, "
        f"fleet of {fleet}; compiling and loading the search before: "
        f"{warming_s:.1f} s, not counted; keyround searches in {CHAINS} threads, "
        "peers in 1\n"
    )
    click.echo("instance seed best known" + "".join(f"{s:>11}" for s in solvers))
    runs: list[Run] = []
    for instance in instances:
        for seed in map(int, seeds.split(",")):
            cells = []
            limit = seconds
            for solver in solvers:
                run = measure(
                    instance,
                    solver,
                    limit,
                    seed=seed,
                    fleet=fleet,
                    clock=CLOCKS[clock],
                )
                limit = max(limit, run.clock_s) if solver == "keyround" else limit
                runs.append(run)
                cells.append(_gap(run.gap))
            click.echo(
                f"{instance.name:<8} {seed:>4} {instance.best_known / 10:>10.1f}"
                + "".join(cells)
            )
    click.echo("\n" + _table(runs, solvers))


if __name__ == "__main__":
    main()
