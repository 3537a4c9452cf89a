"""How likely the promises of a plan are kept: the plan replayed on many drawn days.

Lengths of visits and slowness of roads are drawn; each van drives its stops in the
planned order through every drawn day at once, by vectors over the draws. Chances are
shares of the draws, so they hold as far as the lengths and the traffic vary as the
spreads say.

The driver of a replay keeps to the plan: sets off when it says, leaves a customer as
soon as the work is done, waits where a window has not opened yet or where the plan has
him wait, takes the break where it stands (later, if he comes later), and serves late
calls all the same: a broken promise is counted, not skipped. Where a store has closed
before he is there, he drives on, and what hangs on its parts is not kept.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from itertools import count
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dispatch.durations import Learnt
from dispatch.problem import start_windows
from dispatch.roadlog import LearntRoads
from dispatch.spread import Spread, lognormal
from dispatch.travel import TravelTable, travel_table
from shared.model import (
    Call,
    Day,
    Kept,
    Origin,
    Plan,
    Purpose,
    ReadyKind,
    ReadyState,
    Route,
    Stop,
    StopKept,
    StopKind,
    Store,
    Traffic,
    Van,
)
from shared.trade import HELD, code_fails, traffic_scatter

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

DRAWS, FEWEST_DRAWS = 10_000, 1_000
"""Days that are drawn unless told otherwise: a chance is then right to a point."""

VISITS = 400_000  # of more calls than 40 fewer days are drawn: a tenth of a second

LEAST_PACE, MOST_PACE = 250, 4000  # permille; no road is out of that for a whole day
QUANTILES = (0.1, 0.5, 0.9)


class Sample(NamedTuple):
    """Drawn days.

    Parameters
    ----------
    duration_s : int64 array, shape (calls, draws)
        How long the visit of each call of the day takes a driver of usual pace, at
        least 1; where ``again`` is set, how long anybody stays until it is given up.
    pace_permille : int64 array, shape (vans, draws)
        What each van's driving takes as a share of the expected, 1000 is as expected.
    again : bool array, shape (calls, draws), or None
        The visit fails and a second one is due; ``None``: none does.
    """

    duration_s: Ints
    pace_permille: Ints
    again: Flags | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Failing:
    """How often a code cannot be read from the vehicle, and what that costs.

    Parameters
    ----------
    chance : float
        0 to 1.
    lost_s : int
        How long the driver tries before he gives up; a second visit is due then.
    """

    chance: float
    lost_s: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """How lengths and traffic vary.

    Parameters
    ----------
    lengths : mapping of str to Spread
        By call id, for a driver of usual pace; every call of the day.
    road_scatter : float
        Standard deviation of the logarithm of a van's driving time over a day: 0.15 is
        about 15 %.
    failing : mapping of str to Failing
        By call id, those whose code is not bought yet.
    source : str
        What all that comes from: 'the log', 'the trade table'.
    """

    lengths: Mapping[str, Spread]
    road_scatter: float
    failing: Mapping[str, Failing] = field(default_factory=dict)
    source: str = "the trade table"


def usual_spreads(day: Day) -> Spreads:
    """Return how lengths vary by what the calls themselves say.

    Parameters
    ----------
    day : Day
        Each call with its median and 90th percentile, from the trade table or its own.

    Returns
    -------
    Spreads
        Lognormals; traffic by the trade's figure.
    """
    chance, lost_s = code_fails()
    return Spreads(
        lengths={call.id: _own_spread(call) for call in day.calls},
        road_scatter=traffic_scatter(),
        failing={
            call.id: Failing(chance=chance, lost_s=lost_s)
            for call in day.calls
            if wants_code(call)
        },
    )


def learnt_spreads(day: Day, learnt: Learnt, roads: LearntRoads) -> Spreads:
    """Return how lengths and traffic vary by a firm's log.

    Parameters
    ----------
    day : Day
        With the learnt lengths, see :func:`dispatch.durations.with_learnt`.
    learnt : Learnt
        How long visits take. A call with figures of its own keeps these, as does one
        of a kind that the log does not know.
    roads : LearntRoads
        How fast the roads are. How much one drive differs is taken for how much a
        day's driving does: rather too much than too little.

    Returns
    -------
    Spreads
        What the log says nothing about is the trade table's.
    """
    usual = usual_spreads(day)
    lengths, failing = dict(usual.lengths), dict(usual.failing)
    # A log in which nothing ever fails does not say what came of visits.
    tells = any(retry.records for retry in learnt.retries.values())
    for call in day.calls:
        if call.kind not in learnt.kinds:
            continue
        group = learnt.find_group(call.kind, call.description)
        length = learnt.usual(call.kind, group)
        if (call.median_s, call.p90_s) == (length.median_s, length.p90_s):
            lengths[call.id] = length.spread
        retry = learnt.retries[call.kind]
        if call.id in failing and tells:
            lost_s = retry.lost_s or failing[call.id].lost_s
            failing[call.id] = Failing(chance=retry.share, lost_s=lost_s)
    return Spreads(
        lengths=lengths,
        road_scatter=roads.scatter if roads.drives else usual.road_scatter,
        failing=failing,
        source="the log" if len(learnt.log.visits.kind) else usual.source,
    )


def wants_code(call: Call) -> bool:
    """Return whether a call's code has to be read from the vehicle, as it stands.

    Parameters
    ----------
    call : Call
        With what must be ready.

    Returns
    -------
    bool
        It takes a code that is not bought: still open, or waived.
    """
    return any(
        item.kind is ReadyKind.CODE and item.state is not ReadyState.DONE
        for item in call.ready
    )


def _own_spread(call: Call) -> Spread:
    return lognormal(call.median_s, max(call.p90_s, call.median_s))


def usual_draws(day: Day) -> int:
    """Return how many days are worth drawing for a plan that somebody waits for.

    Parameters
    ----------
    day : Day
        Its calls count.

    Returns
    -------
    int
        1,000 to 10,000.
    """
    return min(DRAWS, max(FEWEST_DRAWS, VISITS // max(1, len(day.calls))))


def foretell(day: Day, plan: Plan, spreads: Spreads, seed: int = 0) -> Kept:
    """Tell how likely a plan's promises are kept.

    Parameters
    ----------
    day, plan : Day, Plan
        The day and its plan.
    spreads : Spreads
        How lengths and traffic vary.
    seed : int
        Same seed, same answer.

    Returns
    -------
    Kept
        On :func:`usual_draws` days.
    """
    kept = replay(day, plan, draw(day, spreads, usual_draws(day), seed))
    return replace(kept, source=spreads.source)


def draw(day: Day, spreads: Spreads, draws: int, seed: int) -> Sample:
    """Draw days.

    Parameters
    ----------
    day : Day
        Its calls and vans, in their order.
    spreads : Spreads
        How lengths and traffic vary.
    draws : int
        How many days, at least 1.
    seed : int
        Same seed, same days, 0 or more. A call appended to the day changes nothing for
        those before it, nor for the roads.

    Returns
    -------
    Sample
        Visits vary each for itself; a van's drives of one day vary together.
    """
    lengths, roads, codes = (np.random.default_rng([seed, part]) for part in range(3))
    duration_s = np.empty((len(day.calls), draws), np.int64)
    again = np.zeros(duration_s.shape, np.bool_)
    for row, call in enumerate(day.calls):
        seconds = spreads.lengths[call.id].sample(lengths, draws)
        np.rint(np.maximum(seconds, 1.0), out=seconds)
        duration_s[row] = seconds
        if (failing := spreads.failing.get(call.id)) is not None:
            fails = codes.random(draws) < failing.chance
            duration_s[row][fails] = failing.lost_s
            again[row] = fails
    slow = np.exp(spreads.road_scatter * roads.standard_normal((len(day.vans), draws)))
    pace = np.clip(np.rint(1000 * slow), LEAST_PACE, MOST_PACE).astype(np.int64)
    return Sample(duration_s=duration_s, pace_permille=pace, again=again)


def replay(
    day: Day, plan: Plan, sample: Sample, travel: TravelTable | None = None
) -> Kept:
    """Replay a plan on drawn days.

    Parameters
    ----------
    day : Day
        The plan's day.
    plan : Plan
        Routes with their times.
    sample : Sample
        Drawn for this day.
    travel : TravelTable, optional
        The day's drives, worked out if not given.

    Returns
    -------
    Kept
        Chances as shares of the drawn days. Calls that are not planned are not in it.
    """
    return _Replay(day, plan, sample, travel or travel_table(day)).run()


def replay_starts(
    day: Day, plan: Plan, sample: Sample, travel: TravelTable, call_id: str
) -> tuple[Kept, Ints]:
    """Replay a plan, and say when one visit starts on each drawn day.

    Parameters
    ----------
    day, plan, sample, travel : Day, Plan, Sample, TravelTable
        As for :func:`replay`; some of the plan's routes will do.
    call_id : str
        A planned call.

    Returns
    -------
    tuple of Kept and int64 array, shape (draws,)
        Chances, and the visit's starts.
    """
    run = _Replay(day, plan, sample, travel)
    return run.run(), run.starts_s[call_id]


class _Ground:
    """The traffic's warped clock for vectors; see :mod:`dispatch.travel.profile`."""

    def __init__(self, traffic: Traffic) -> None:
        self.slot_s = traffic.slot_s
        self.speed = np.array(traffic.speed_permille, np.int64)
        self.begin = np.concatenate(([0], np.cumsum(self.speed[:-1] * self.slot_s)))

    def arrive_s(self, depart_s: Ints, ground: Ints) -> Ints:
        """Return the first second by which so much ground is covered since leaving."""
        slot = np.clip(depart_s // self.slot_s, 0, len(self.speed) - 1)
        far = depart_s - slot * self.slot_s
        far *= self.speed[slot]
        far += self.begin[slot]
        far += ground
        slot = np.maximum(np.searchsorted(self.begin, far) - 1, 0)
        reached: Ints = (
            slot * self.slot_s - (self.begin[slot] - far) // self.speed[slot]
        )
        return reached


class _Out:
    """A van on its way through all drawn days at once."""

    def __init__(self, van: Van, row: int, route: Route, draws: int) -> None:
        self.van = van
        self.row = row
        self.stops = route.stops
        self.node = None if van.start is None else f"start:{van.id}"
        self.free_s = np.full(draws, route.leave_s, np.int64)
        self.break_waits: Flags | None = None  # the break before waited for its window
        self.closed: dict[str, Flags] = {}  # stores that had closed before it came


class _Replay:
    """One plan on one sample."""

    def __init__(
        self, day: Day, plan: Plan, sample: Sample, travel: TravelTable
    ) -> None:
        self.day, self.plan, self.sample, self.travel = day, plan, sample, travel
        self.draws = sample.pace_permille.shape[1]
        self.ground = _Ground(travel.traffic)
        self.calls = {call.id: (row, call) for row, call in enumerate(day.calls)}
        self.stores = {store.id: store for store in (*day.counters, day.shop)}
        self.after = _dependencies(day, plan)
        self.awaited = {key for some in self.after.values() for key, _ in some}
        self.finish_s: dict[tuple[str, str], Ints] = {}
        self.fetched: dict[str, set[str]] = {}  # call -> stores its pieces come from
        for issue in plan.issues:
            if issue.origin is Origin.RESTOCK and issue.purpose is Purpose.CALL:
                self.fetched.setdefault(issue.call_id or "", set()).add(
                    issue.store_id or ""
                )
        self.all_kept = np.ones(self.draws, np.bool_)
        self.found: dict[str, StopKept] = {}
        self.starts_s: dict[str, Ints] = {}

    def run(self) -> Kept:
        rows = {van.id: row for row, van in enumerate(self.day.vans)}
        outs = [
            _Out(self.day.vans[row], row, route, self.draws)
            for route in self.plan.routes
            for row in (rows[route.van_id],)
        ]
        # In the order of their times, so that what waits for another van comes after.
        moments = sorted(
            (stop.start_s, stop.finish_s, number, place)
            for number, out in enumerate(outs)
            for place, stop in enumerate(out.stops)
        )
        for _, _, number, place in moments:
            self.pass_by(outs[number], place)
        return Kept(
            stops=tuple(
                self.found[call_id]
                for route in self.plan.routes
                for call_id in route.call_ids
            ),
            all_kept=float(self.all_kept.mean()),
            draws=self.draws,
        )

    def drive(self, out: _Out, stop: Stop) -> Ints:
        """Return arrivals, and have the van stand there."""
        node = self.node_of(stop)
        at_s = out.free_s
        if out.node is not None:
            base_s = self.travel.base_s[
                self.travel.keys[out.node], self.travel.keys[node]
            ]
            if base_s:
                ground = base_s * self.sample.pace_permille[out.row]
                at_s = self.ground.arrive_s(at_s, ground)
        out.node = node
        return at_s

    def node_of(self, stop: Stop) -> str:
        if stop.call_id is not None:
            return f"call:{stop.call_id}"
        shop = stop.store_id == self.day.shop.id
        return "shop" if shop else f"store:{stop.store_id}"

    def pass_by(self, out: _Out, place: int) -> None:
        stop = out.stops[place]
        if stop.kind is StopKind.BREAK:
            self.rest(out, place)
        elif stop.call_id is not None:
            self.visit(out, place)
        else:
            self.restock(out, stop)

    def rest(self, out: _Out, place: int) -> None:
        """Take the break: whole, and not before its window."""
        stop, meal = out.stops[place], out.van.meal
        at_s = out.free_s
        if stop.drive_s > 0:  # at the next stop's street
            at_s = self.drive(out, out.stops[place + 1])
        opens_s = stop.start_s if meal is None else meal.window.start_s
        start_s = np.maximum(at_s, opens_s)
        out.break_waits = at_s < opens_s if stop.drive_s > 0 else None
        out.free_s = start_s + (stop.finish_s - stop.start_s)

    def wait(self, key: tuple[str, str], start_s: Ints) -> Ints:
        """Return the starts, put off until what comes first is done."""
        for first, gap_s in self.after.get(key, ()):
            if first in self.finish_s:
                start_s = np.maximum(start_s, self.finish_s[first] + gap_s)
        return start_s

    def done(self, out: _Out, key: tuple[str, str], finish_s: Ints) -> None:
        out.free_s, out.break_waits = finish_s, None
        if key in self.awaited:
            self.finish_s[key] = finish_s

    def visit(self, out: _Out, place: int) -> None:
        stop, van = out.stops[place], out.van
        row, call = self.calls[stop.call_id or ""]
        at_s = self.drive(out, stop)
        opens_s = _opens_s(self.day, call, van, out.stops, place)
        key = ("call", call.id)
        start_s = self.wait(key, np.maximum(at_s, opens_s))
        if out.break_waits is not None and van.meal is not None:
            # Of two waits, one on each side of a break, the break is the later.
            late_s = np.minimum(start_s, van.meal.window.end_s)
            at_s = np.where(out.break_waits, np.maximum(at_s, late_s), at_s)
        again = None if self.sample.again is None else self.sample.again[row]
        length_s = self.length_s(row, call, van, again)
        finish_s = start_s + length_s
        self.starts_s[call.id] = start_s
        kept = None
        if call.kind != HELD and (call.promise is not None or call.windows):
            flags = _keeps(call, start_s, finish_s)
            for store_id in self.fetched.get(call.id, ()):
                if store_id in out.closed:
                    flags &= ~out.closed[store_id]
            self.all_kept &= flags
            kept = float(flags.mean())
        self.found[call.id] = StopKept(
            call_id=call.id,
            van_id=van.id,
            kept=kept,
            again=0.0 if again is None else float(again.mean()),
            arrive_s=_quantiles(at_s),
        )
        self.done(out, key, finish_s)

    def length_s(self, row: int, call: Call, van: Van, again: Flags | None) -> Ints:
        usual_s = self.sample.duration_s[row]
        pace = van.pace.get(call.kind, van.pace.get("*", 1.0))
        own_s: Ints = np.floor(usual_s * pace + 0.5).astype(np.int64)
        if again is not None:
            own_s[again] = usual_s[again]
        return own_s

    def restock(self, out: _Out, stop: Stop) -> None:
        store = self.stores[stop.store_id or ""]
        at_s = self.drive(out, stop)
        key = (out.van.id, store.id)
        stay_s = store.restock_s or 0
        opens_s = 0 if store.opening is None else store.opening.start_s
        if stop.start_s > stop.arrive_s:
            opens_s = stop.start_s
        start_s = self.wait(key, np.maximum(at_s, opens_s))
        closed = _has_closed(store, start_s)
        if closed is None:
            self.done(out, key, start_s + stay_s)
        else:
            out.closed[store.id] = closed
            self.done(out, key, start_s + stay_s * ~closed)


def _has_closed(store: Store, start_s: Ints) -> Flags | None:
    if store.opening is None:
        return None
    closed: Flags = start_s > store.opening.end_s - (store.restock_s or 0)
    return closed if closed.any() else None


def _opens_s(
    day: Day, call: Call, van: Van, stops: tuple[Stop, ...], place: int
) -> int:
    """Return before when a visit does not start, however early the van is there."""
    stop = stops[place]
    waits = stop.start_s > stop.arrive_s
    if place and stops[place - 1].kind is StopKind.BREAK and not waits:
        pause = stops[place - 1]  # a wait may stand before the break instead
        waits = pause.drive_s > 0 and pause.start_s > pause.arrive_s
    if waits:  # for a window, for a preferred hour, for another van
        return stop.start_s
    spans = start_windows(day, call, van, late=day.promises_may_break)
    opens = [low for low, high in spans if low <= stop.start_s <= high]
    return max(opens, default=0)


def _keeps(call: Call, start_s: Ints, finish_s: Ints) -> Flags:
    if call.promise is not None:
        told = call.promise
        return np.asarray((told.start_s <= start_s) & (start_s <= told.end_s))
    flags = np.zeros(len(start_s), np.bool_)
    for window in call.windows:
        flags |= (window.start_s <= start_s) & (finish_s <= window.end_s)
    return flags


def _quantiles(values: Ints) -> tuple[int, int, int]:
    at = [round(share * (len(values) - 1)) for share in QUANTILES]
    low, middle, high = (int(each) for each in np.partition(values, at)[at])
    return low, middle, high


def _dependencies(
    day: Day, plan: Plan
) -> dict[tuple[str, str], list[tuple[tuple[str, str], int]]]:
    """Return for each stop what has to be done before, and how long before.

    A call is known by 'call' and its id, a restock stop by van and store.
    """
    after: dict[tuple[str, str], list[tuple[tuple[str, str], int]]] = {}
    for link in day.links:
        after.setdefault(("call", link.then), []).append(
            (("call", link.first), link.min_gap_s)
        )
    shop = day.shop.id
    at_shop = {
        route.van_id: stop.start_s
        for route in plan.routes
        for stop in route.stops
        if stop.store_id == shop
    }
    for tool in day.tools:
        uses = [use for use in plan.tools if use.tool_id == tool.id]
        takers = _by_time((use.van_id for use in uses if use.collected), at_shop)
        givers = _by_time((use.van_id for use in uses if use.returned), at_shop)
        free = tool.quantity - sum(not use.collected for use in uses)
        for number, taker in zip(count(-free), takers, strict=False):
            if 0 <= number < len(givers):
                after.setdefault((taker, shop), []).append(((givers[number], shop), 0))
    return after


def _by_time(vans: Iterable[str], at_shop: Mapping[str, int]) -> list[str]:
    return sorted((van for van in vans if van in at_shop), key=lambda van: at_shop[van])
