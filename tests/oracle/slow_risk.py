"""What lateness to be expected of a row of steps costs, future by future.

Written anew from the rule's words, as the rest of the oracle: it shares no code with
the search or the judge. Everything hangs on the order of the steps alone.
"""

from bisect import bisect_right
from fractions import Fraction
from itertools import pairwise

from dispatch.travel import TravelTable
from shared.model import Call, Day, Risk, Van
from shared.trade import HELD
from tests.oracle.slow_schedule import (
    FOREVER_S,
    call_of,
    end_nodes,
    leg_of,
    store_of,
    walk_s,
)

UNITS_PER_SECOND = 5  # for each cent per hour


class Step:
    """One step: when it may begin, how long it takes, and what it is late for."""

    def __init__(self, day: Day, van: Van, step: str, risk: Risk) -> None:
        store = store_of(day, step)
        self.call: Call | None = None if store is not None else call_of(day, step)
        self.ends: list[tuple[int, int]] = []  # first start and last end of its hours
        if store is not None:
            self.planned_s = store.restock_s or 0
            self.lengths_s = [self.planned_s] * len(risk.pace_permille)
            if store.opening is not None:
                self.ends = [(store.opening.start_s, store.opening.end_s)]
            return
        call = call_of(day, step)
        self.planned_s = day.planned_s(call, van)
        self.lengths_s = [
            round_half_up(Fraction(length_s * self.planned_s, day.planned_s(call)))
            for length_s in risk.lengths_s[call.id]
        ]
        not_before = [day.ready_s(call) or 0]
        if call.promise is not None:
            not_before.append(call.promise.start_s)
        hours = [(hour.start_s, hour.end_s) for hour in call.windows]
        if not hours:
            hours = [(0, FOREVER_S)]
        for begin_s, end_s in sorted(hours):
            first_s = max(begin_s, *not_before)
            if first_s + self.planned_s <= end_s:
                self.ends.append((first_s, end_s))

    def start_s(self, there_s: int) -> int:
        """Return when it begins for who is there then."""
        for first_s, end_s in self.ends:
            if there_s + self.planned_s <= end_s:
                return max(there_s, first_s)
        return there_s

    def late_s(self, start_s: int, finish_s: int) -> int:
        """Return how late it is."""
        call = self.call
        if call is None or call.kind == HELD:
            return 0
        if call.promise is not None:
            return max(0, start_s - call.promise.end_s)
        if not call.windows or not self.ends:
            return 0
        fits = [end_s for _, end_s in self.ends if start_s + self.planned_s <= end_s]
        return max(0, finish_s - (fits[0] if fits else self.ends[-1][1]))


def round_half_up(number: Fraction) -> int:
    """Return the nearest whole number."""
    return (number + Fraction(1, 2)).__floor__()


def risk_units(
    day: Day, travel: TravelTable, van: Van, names: tuple[str, ...], risk: Risk
) -> int:
    """Return what lateness to be expected costs on one van's row of steps."""
    row = Row(day, travel, van, names, risk)
    rest = row.rest()
    leave_s = row.leave_s(rest)
    total_s = 0
    for future, pace in enumerate(risk.pace_permille):
        lengths_s = [step.lengths_s[future] for step in row.steps]
        done, _, _ = row.drive(leave_s, rest, lengths_s, pace)
        for step, (start_s, finish_s) in zip(row.steps, done, strict=True):
            late_s = step.late_s(start_s, finish_s)
            total_s += late_s + risk.broken_s if late_s else 0
    futures = len(risk.pace_permille)
    return total_s * risk.hour_cents * UNITS_PER_SECOND // futures


class Row:
    """One van's row of steps."""

    def __init__(
        self,
        day: Day,
        travel: TravelTable,
        van: Van,
        names: tuple[str, ...],
        risk: Risk,
    ) -> None:
        self.traffic, self.van = travel.traffic, van
        self.steps = [Step(day, van, name, risk) for name in names]
        self.planned = [step.planned_s for step in self.steps]
        start, home = end_nodes(van)
        nodes = [start, *names, home]
        self.legs = [leg_of(travel, here, there)[0] for here, there in pairwise(nodes)]

    def drive(
        self, leave_s: int, rest: int, lengths_s: list[int], pace: int
    ) -> tuple[list[tuple[int, int]], int, int]:
        """Return each step's start and end, the break's start, and the return."""
        now_s, rest_s, done = leave_s, -FOREVER_S, []
        for leg, base_s in enumerate(self.legs):
            if rest == 2 * leg:
                rest_s, now_s = self.break_from(now_s)
            now_s = walk_s(self.traffic, now_s, -(-base_s * pace // 1000))
            if leg == len(self.steps):
                break
            if rest == 2 * leg + 1:
                rest_s, now_s = self.break_from(now_s)
            begin_s = self.steps[leg].start_s(now_s)
            now_s = begin_s + lengths_s[leg]
            done.append((begin_s, now_s))
        return done, rest_s, now_s

    def break_from(self, now_s: int) -> tuple[int, int]:
        """Return when a break begins and ends for who is free then."""
        assert self.van.meal is not None
        rest_s = max(now_s, self.van.meal.window.start_s)
        return rest_s, rest_s + self.van.meal.length_s

    def rest(self) -> int:
        """Return the place of the break, -1 where the van has none."""
        meal = self.van.meal
        if meal is None:
            return -1
        backs, none = {}, 2 * len(self.steps) + 1
        for place in range(none + 1):
            shift_s = self.van.shift.start_s
            _, rest_s, back_s = self.drive(shift_s, place, self.planned, 1000)
            begin_s = back_s if place == none else rest_s
            if begin_s <= meal.window.end_s - meal.length_s:
                backs[place] = back_s
        soonest_s = min(backs.values())
        return max(place for place, back_s in backs.items() if back_s == soonest_s)

    def leave_s(self, rest: int) -> int:
        """Return when it sets off: the last second that is in time for its start."""
        shift_s = self.van.shift.start_s
        if rest in (0, 1):
            return shift_s
        (first_s, _), *_ = self.drive(shift_s, -1, self.planned, 1000)[0]
        in_time = bisect_right(  # who leaves later is never there earlier
            range(first_s + 1),
            first_s,
            key=lambda time_s: walk_s(self.traffic, time_s, self.legs[0]),
        )
        return max(shift_s, in_time - 1)
