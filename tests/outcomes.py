"""Days of simulated firms: what is quoted for them, and what really happens.

A firm's log is spoiled as logs are, and learnt from; days that are not in it are
planned with what was learnt, and their chances are quoted. Then they are lived through
in the firm's truth, which has its own medians of every kind, group and driver, its own
noise, and its own roads.
"""

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dispatch.chance import Sample, foretell, learnt_spreads
from dispatch.durations import Learnt, learn_durations, with_learnt
from dispatch.generator import generate_day
from dispatch.planner import Budget, plan_day
from dispatch.roadlog import hourly, learn_roads
from dispatch.scenario.joblog import empty_log
from dispatch.spread import KNOTS, bent
from dispatch.travel import travel_table
from shared.model import Day, Plan
from shared.trade import kinds, work
from tests.firms import DAYS, Firm, a_firm, a_log, falling, spoil
from tests.oracle.slow_replay import live_day

LIVES = 10  # true outcomes of one plan


@dataclass(frozen=True, kw_only=True)
class Roads:
    """How driving really varies, by day and by drive, and how slow it is."""

    day_scatter: float = 0.15
    drive_scatter: float = 0.0
    slower: float = 1.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Outcomes:
    """Quoted chances and what came, promise by promise; and of whole days."""

    quoted: NDArray[np.float64]
    kept: NDArray[np.float64]  # share of the lives in which it was
    all_quoted: NDArray[np.float64]
    all_kept: NDArray[np.float64]

    @property
    def apart(self) -> float:
        """Return quoted less kept, in points."""
        return 100 * float(self.quoted.mean() - self.kept.mean())

    def by_quoted(self, parts: int = 5) -> list[tuple[float, float, int]]:
        """Return quoted, kept and how many, by equal parts of what was quoted."""
        order = np.argsort(self.quoted, kind="stable")
        return [
            (float(self.quoted[at].mean()), float(self.kept[at].mean()), len(at))
            for at in np.array_split(order, parts)
        ]


def together(some: list[Outcomes]) -> Outcomes:
    """Return the outcomes of several firms as one's."""
    names = ("quoted", "kept", "all_quoted", "all_kept")
    return Outcomes(**{n: np.concatenate([getattr(o, n) for o in some]) for n in names})


def outcomes(  # noqa: PLR0913 - what is simulated is said in one place
    seed: int,
    shape: str,
    *,
    rows: int = 1500,
    days: int = 40,
    calls: int = 8,
    vans: int = 1,
    roads: Roads | None = None,
    known: bool = False,
) -> Outcomes:
    """Return what a firm was quoted, and what came of it.

    Known: quoted by the truth about lengths (of a lognormal firm), not by the log.
    """
    firm, rng = a_firm(seed, shape), np.random.default_rng((seed, 77))
    log = a_log(spoil(firm.draw(rng, rows, (0, DAYS)), rng, waiting=0.02), firm)
    learnt = learn_durations(log, kinds())
    parts = [
        _live(
            _Firm(firm, learnt, known),
            1000 * seed + number,
            rng,
            roads or Roads(),
            (calls, vans),
        )
        for number in range(days)
    ]
    return together(parts)


class _Firm(NamedTuple):
    truth: Firm
    learnt: Learnt
    known: bool


def _live(
    asked: _Firm,
    seed: int,
    rng: np.random.Generator,
    roads: Roads,
    size: tuple[int, int],
) -> Outcomes:
    firm, learnt, known = asked
    day, kind_of, group_of, driver_of = _day(firm, seed, rng, size)
    day = with_learnt(day, learnt)
    plan = plan_day(day, Budget(rounds=150, reasons=False))
    traffic = hourly(day.travel.traffic, day.clock)
    usual = learn_roads(empty_log().drives, replace(day.travel, traffic=traffic))
    travel = travel_table(day)
    who = _who(day, plan, driver_of)
    middle = firm.log_median[kind_of, group_of, who] + firm.drift[kind_of]
    spreads = learnt_spreads(day, learnt, usual)
    if known:
        usual_s = _usual_lengths(day, plan, np.exp(middle)).tolist()
        true = {
            call.id: bent(math.log(length_s), scale * KNOTS)
            for call, length_s, scale in zip(
                day.calls, usual_s, firm.scale[kind_of].tolist(), strict=True
            )
        }
        spreads = replace(spreads, lengths=true)
    told = foretell(day, plan, spreads)
    held: dict[str, int] = {}
    whole = 0
    for _ in range(LIVES):
        lengths_s = np.exp(middle + firm.noise(rng, kind_of))
        pace = roads.slower * np.exp(
            roads.day_scatter * rng.standard_normal(len(day.vans))
        )
        sample = Sample(
            duration_s=_usual_lengths(day, plan, lengths_s)[:, None],
            pace_permille=np.rint(1000 * pace).astype(np.int64)[:, None],
        )
        slow = np.exp(roads.drive_scatter * rng.standard_normal(len(travel.keys)))
        _, fates = live_day(
            day,
            travel,
            plan,
            sample,
            0,
            slowness=dict(zip(travel.keys, slow.tolist(), strict=True)),
        )
        whole += all(fates.values())
        for call_id, fate in fates.items():
            held[call_id] = held.get(call_id, 0) + fate
    stops = [stop for stop in told.stops if stop.kept is not None]
    return Outcomes(
        quoted=np.array([stop.kept for stop in stops], np.float64),
        kept=np.array([held[stop.call_id] / LIVES for stop in stops], np.float64),
        all_quoted=np.array([told.all_kept]),
        all_kept=np.array([whole / LIVES]),
    )


def _day(
    firm: Firm, seed: int, rng: np.random.Generator, size: tuple[int, int]
) -> tuple[Day, NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Return a day of the firm, with each call's kind and group and van's driver."""
    table = list(kinds().values())
    groups, drivers = firm.log_median.shape[1:]
    day = generate_day(seed, *size, tightness=0.2, ease=1.0)
    real = np.array([kind.id in work() for kind in table])
    share = firm.kind_share * real
    kind_of = rng.choice(len(table), len(day.calls), p=share / share.sum())
    group_of = rng.choice(groups, len(day.calls), p=falling(groups))
    driver_of = rng.choice(drivers, len(day.vans), p=falling(drivers))
    calls = tuple(
        replace(
            call,
            kind=table[kind].id,
            description=f"group {group}",
            median_s=table[kind].median_s,
            p90_s=table[kind].p90_s,
            ready=(),
        )
        for call, kind, group in zip(day.calls, kind_of, group_of, strict=True)
    )
    fleet = tuple(
        replace(van, driver=f"driver {driver}", pace={})
        for van, driver in zip(day.vans, driver_of, strict=True)
    )
    return replace(day, calls=calls, vans=fleet), kind_of, group_of, driver_of


def _who(day: Day, plan: Plan, driver_of: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return each call's driver; of one that is not planned the first."""
    van_of = _vans(day, plan)
    return np.array([driver_of[van_of.get(call.id, 0)] for call in day.calls])


def _vans(day: Day, plan: Plan) -> dict[str, int]:
    rows = {van.id: row for row, van in enumerate(day.vans)}
    return {c: rows[route.van_id] for route in plan.routes for c in route.call_ids}


def _usual_lengths(
    day: Day, plan: Plan, lengths_s: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Return lengths for a driver of usual pace: the replay puts the pace on top."""
    van_of = _vans(day, plan)
    found = []
    for call, length_s in zip(day.calls, lengths_s.tolist(), strict=True):
        pace = day.vans[van_of.get(call.id, 0)].pace
        found.append(round(length_s / pace.get(call.kind, pace.get("*", 1.0))))
    return np.array(found, np.int64)
