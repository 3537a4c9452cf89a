"""Invented days in words both planners know: keyround and PyVRP, same time.

What a locksmith's day and PyVRP's model have in common: visits of their own length in
one window each, vans with a start and finish place of their own and a shift, skills
(a van may serve a call or may not), parts of a few sorts aboard each van, cost per
kilometre, and more calls than the vans can do. keyround leaves out as few calls as it
can and saves money second. PyVRP is told the same by prizes, each worth ``PRIZE_M``
metres, more than any detour to one call; its penalties may rise above them. Skills
are profiles in PyVRP: a call a van may not serve is too far away for it. It knows no
priorities, so there are none here.

The days are invented from a seed; what PyVRP does not know (meal breaks, several
windows, substitutes, a shop to fetch from, the clock's traffic) is not in them, which
favours PyVRP. Both answers are checked anew in plain Python and weighed the same:
calls left out first, metres second. The clocks are those of
:mod:`tests.benchmark.clock`; keyround goes first and its peer gets as long as it took.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from statistics import fmean

import click
import numpy as np
import pyvrp

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
from dispatch.solver import Budget, solve
from shared.model import Traffic
from tests.benchmark.clock import CLOCKS, Clock, Until

SIDE_M = 40_000
SPEED_MS = 12
PRIZE_M = 5 * SIDE_M
SORTS = 3  # of parts
SKILLS = 3
DAYS = ((30, 4), (60, 8), (120, 12), (250, 25))  # calls and vans


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One call.

    Parameters
    ----------
    at : (int, int)
        Metres east and north.
    length_s : int
        Of the visit.
    window : (int, int)
        First and last start.
    skill : int
        0: none.
    sort, pieces : int
        The part it uses.
    """

    at: tuple[int, int]
    length_s: int
    window: tuple[int, int]
    skill: int
    sort: int
    pieces: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Driver:
    """One van.

    Parameters
    ----------
    at : (int, int)
        Where it starts and finishes.
    shift : (int, int)
        Leaves no earlier, is back no later.
    skills : frozenset of int
        What its driver can do.
    stock : tuple of int
        Pieces aboard of each sort.
    """

    at: tuple[int, int]
    shift: tuple[int, int]
    skills: frozenset[int]
    stock: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Small:
    """One invented day.

    Parameters
    ----------
    visits : tuple of Visit
        The calls.
    drivers : tuple of Driver
        The vans.
    """

    visits: tuple[Visit, ...]
    drivers: tuple[Driver, ...]

    def metres(self) -> np.ndarray:
        """Return whole metres between all places: visits, then drivers."""
        places = np.array([one.at for one in (*self.visits, *self.drivers)])
        apart = places[:, None] - places[None, :]
        return np.ceil(np.sqrt((apart**2).sum(axis=2))).astype(np.int64)

    def seconds(self) -> np.ndarray:
        """Return whole driving seconds, rounded up."""
        return -(-self.metres() // SPEED_MS)


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Score:
    """What a plan comes to; smaller is better.

    Parameters
    ----------
    left_out : int
        Calls no van serves.
    metres : int
        Driven in all.
    """

    left_out: int
    metres: int


Plan = dict[int, list[int]]


def invent(calls: int, vans: int, seed: int) -> Small:
    """Return a day; the same seed gives the same one."""
    chance = np.random.default_rng([seed, calls, vans])

    def place() -> tuple[int, int]:
        if chance.random() < 0.5:
            return tuple(int(x) for x in chance.integers(0, SIDE_M, 2))  # type: ignore[return-value]
        town = towns[chance.integers(len(towns))]
        spot = (town + chance.normal(0, 2_500, 2)).clip(0, SIDE_M)
        return int(spot[0]), int(spot[1])

    towns = chance.integers(5_000, SIDE_M - 5_000, size=(3 + calls // 30, 2))
    visits = []
    for _ in range(calls):
        length_s = int(chance.integers(3, 17)) * 300
        opens = int(chance.integers(8, 17)) * 3600
        width = int(chance.choice([1, 2, 4, 9])) * 3600
        closes = max(opens + 900, min(opens + width, 18 * 3600) - length_s)
        visits.append(
            Visit(
                at=place(),
                length_s=length_s,
                window=(opens, closes),
                skill=int(chance.choice(SKILLS + 1, p=[0.55, 0.2, 0.15, 0.1])),
                sort=int(chance.integers(SORTS)),
                pieces=int(chance.integers(0, 4)),
            )
        )
    drivers = []
    for number in range(vans):
        begins = int(chance.choice([7, 8, 9])) * 3600
        some = {skill for skill in range(1, SKILLS + 1) if chance.random() < 0.6}
        drivers.append(
            Driver(
                at=place(),
                shift=(begins, begins + 9 * 3600),
                skills=frozenset(some | {1 + number % SKILLS}),
                stock=tuple(int(x) for x in chance.integers(2, 9, SORTS)),
            )
        )
    return Small(visits=tuple(visits), drivers=tuple(drivers))


def check(day: Small, plan: Plan) -> Score:
    """Return what a plan comes to, worked out anew.

    Parameters
    ----------
    day : Small
        The day.
    plan : dict
        Visits of each driver in order.

    Raises
    ------
    ValueError
        When a visit comes twice, late, or without its skill or parts, or a van is
        back too late.
    """
    served = [visit for order in plan.values() for visit in order]
    if len(served) != len(set(served)):
        raise ValueError("a visit is on two routes")
    metres = 0
    for row, order in plan.items():
        driver = day.drivers[row]
        here, now = driver.at, driver.shift[0]
        left = list(driver.stock)
        for visit in [day.visits[index] for index in order]:
            leg = math.ceil(math.dist(here, visit.at))
            start = max(now + -(-leg // SPEED_MS), visit.window[0])
            left[visit.sort] -= visit.pieces
            if start > visit.window[1] or left[visit.sort] < 0:
                raise ValueError(f"van {row} is late or short of parts at {visit.at}")
            if visit.skill and visit.skill not in driver.skills:
                raise ValueError(f"van {row} lacks the skill at {visit.at}")
            metres += leg
            here, now = visit.at, start + visit.length_s
        if order:
            leg = math.ceil(math.dist(here, driver.at))
            metres += leg
            if now + -(-leg // SPEED_MS) > driver.shift[1]:
                raise ValueError(f"van {row} is back too late")
    return Score(left_out=len(day.visits) - len(served), metres=metres)


def _as_problem(day: Small) -> Problem:
    count, fleet = len(day.visits), len(day.drivers)
    metres = day.metres()
    rows = np.arange(count)
    calls = np.zeros((count, WINDOW + 2), np.int64)
    calls[:, LENGTH] = [visit.length_s for visit in day.visits]
    calls[:, WEIGHT] = 1
    calls[:, REACH] = metres[count:, :count].min(axis=0)
    calls[:, DEMAND] = [visit.pieces for visit in day.visits]
    calls[:, NEED_LO] = rows
    calls[:, NEED_HI] = rows + [visit.pieces > 0 for visit in day.visits]
    calls[:, WINDOWS] = 1
    calls[:, WINDOW:] = [visit.window for visit in day.visits]
    vans = np.zeros((fleet, TWIN + 1), np.int64)
    vans[:, START] = vans[:, FINISH] = count + np.arange(fleet)
    vans[:, SHIFT_LO] = [driver.shift[0] for driver in day.drivers]
    vans[:, SHIFT_HI] = vans[:, SHIFT_END] = [driver.shift[1] for driver in day.drivers]
    vans[:, M_UNITS] = 1
    vans[:, TWIN] = np.arange(fleet)
    needs = np.stack([rows, rows + 1], axis=1)
    return assemble(
        base_s=day.seconds(),
        distance_m=metres,
        traffic=Traffic(),
        calls=calls,
        vans=vans,
        allowed=_allowed(day).astype(np.uint8),
        needs=plain_needs(
            (
                needs,
                needs.copy(),
                np.array([[v.sort, v.pieces] for v in day.visits], np.int64),
            ),
            np.array([*(d.stock for d in day.drivers), [0] * SORTS], np.int64),
        ),
    )


def _allowed(day: Small) -> np.ndarray:
    return np.array(
        [
            [visit.skill == 0 or visit.skill in driver.skills for visit in day.visits]
            for driver in day.drivers
        ]
    )


def solve_keyround(day: Small, seconds: float, seed: int, clock: Clock) -> Plan:
    """Solve as ``keyround plan --seconds`` does; small days are proved."""
    budget = Budget(seed=seed, spent=Stopwatch(seconds, clock))
    outcome = solve(_as_problem(day), budget)
    return {column.van: list(column.visits) for column in outcome.columns}


def solve_pyvrp(day: Small, seconds: float, seed: int, clock: Clock) -> Plan:
    """Solve with PyVRP as it comes."""
    until = clock() + seconds
    count = len(day.visits)
    metres, drives = day.metres(), day.seconds()
    allowed = _allowed(day)
    profiles = sorted({driver.skills for driver in day.drivers}, key=sorted)
    masks = [
        allowed[next(r for r, d in enumerate(day.drivers) if d.skills == skills)]
        for skills in profiles
    ]
    tables = []
    for mask in masks:
        table = metres.copy()
        table[:, :count][:, ~mask] = 10 * PRIZE_M
        np.fill_diagonal(table, 0)
        tables.append(table)
    data = pyvrp.ProblemData(
        locations=[pyvrp.Location(*one.at) for one in (*day.visits, *day.drivers)],
        clients=[
            pyvrp.Client(
                location=index,
                delivery=[visit.pieces * (visit.sort == s) for s in range(SORTS)],
                service_duration=visit.length_s,
                tw_early=visit.window[0],
                tw_late=visit.window[1],
                prize=PRIZE_M,
                required=False,
            )
            for index, visit in enumerate(day.visits)
        ],
        depots=[pyvrp.Depot(location=count + row) for row in range(len(day.drivers))],
        vehicle_types=[
            pyvrp.VehicleType(
                1,
                list(driver.stock),
                start_depot=row,
                end_depot=row,
                tw_early=driver.shift[0],
                tw_late=driver.shift[1],
                profile=profiles.index(driver.skills),
            )
            for row, driver in enumerate(day.drivers)
        ],
        distance_matrices=tables,
        duration_matrices=[drives] * len(tables),
    )
    result = pyvrp.solve(
        data,
        Until(until, clock),
        seed,
        collect_stats=False,
        display=False,
        params=pyvrp.SolveParams(
            penalty=pyvrp.PenaltyParams(max_penalty=10.0 * PRIZE_M)
        ),
    )
    if not result.best.is_feasible():
        return {}
    return {
        route.vehicle_type(): [visit.idx for visit in route if visit.is_client()]
        for route in result.best.routes()
    }


Solve = Callable[[Small, float, int, Clock], Plan]
SOLVERS: dict[str, Solve] = {"keyround": solve_keyround, "pyvrp": solve_pyvrp}


def _words(score: Score) -> str:
    return f"{score.left_out:>10} {score.metres / 1000:9.1f}"


@click.command()
@click.option("--seconds", default=1.0, show_default=True, help="For each solver.")
@click.option("--days", default=5, show_default=True, help="Of each size.")
@click.option("--most", default=250, show_default=True, help="Calls of a day.")
@click.option(
    "--clock",
    default="wall",
    show_default=True,
    type=click.Choice(list(CLOCKS)),
    help="'processor' where others use the cores too.",
)
def main(*, seconds: float, days: int, most: int, clock: str) -> None:
    """Compare keyround with PyVRP on days both can be told."""
    for calls, vans in DAYS:  # compiles both ways, proving and searching
        if calls <= most:
            solve_keyround(invent(calls, vans, 0), 0.05, 0, CLOCKS[clock])
    click.echo(
        f"{seconds:g} s by the {clock} clock; calls left out and km\n"
        f"{'calls':>5} {'vans':>4} {'seed':>4} {'keyround':>20} {'pyvrp':>20}  better"
    )
    sums: list[str] = []
    for calls, vans in DAYS:
        if calls > most:
            continue
        wins = {"keyround": 0, "pyvrp": 0, "same": 0}
        ahead = []
        for seed in range(1, days + 1):
            day = invent(calls, vans, seed)
            limit, scores = seconds, {}
            for name, solver in SOLVERS.items():
                begun = CLOCKS[clock]()
                plan = solver(day, limit, seed, CLOCKS[clock])
                limit = max(limit, CLOCKS[clock]() - begun)
                scores[name] = check(day, plan)
            ours, theirs = scores.values()
            better = "same" if ours == theirs else min(scores, key=scores.__getitem__)
            wins[better] += 1
            if ours.left_out == theirs.left_out:
                ahead.append(100 * (theirs.metres / ours.metres - 1))
            click.echo(
                f"{calls:>5} {vans:>4} {seed:>4} {_words(ours)} {_words(theirs)}  "
                f"{better}"
            )
        mean = f"{fmean(ahead):+.2f} %" if ahead else "none"
        sums.append(
            f"{calls:>5} {vans:>4}  keyround better {wins['keyround']}, the same "
            f"{wins['same']}, pyvrp better {wins['pyvrp']}; pyvrp's km where both "
            f"leave out the same: {mean}"
        )
    click.echo("\n".join(["", *sums]))


if __name__ == "__main__":
    main()
