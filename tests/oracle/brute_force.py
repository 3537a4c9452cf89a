"""The best plan of a small day, found by looking at every plan there is.

Per van every order of every set of calls is driven; then every way to share the
calls between the vans, or leave them, is held against the stock. Nothing is left
out but what cannot turn right any more: a route that is late stays late when calls
are added at its end (driving never runs backwards), and so does one too dear in
parts. Costs are taken to be zero or more, as rates are.

Shares no code with the search or the judge.
"""

from collections.abc import Iterator, Mapping
from itertools import product
from typing import NamedTuple

from dispatch.travel import TravelTable
from shared.model import Call, Day, Van
from tests.oracle.slow_schedule import first_start_s, leg_of, rest_s, walk_s


class Best(NamedTuple):
    """A best plan, without its times.

    Parameters
    ----------
    goal : tuple of int
        Unplaced calls of priority 1, 2, 3 and 4, then cost units.
    routes : tuple of (str, tuple of str)
        Van id and call ids in order, vans that go out only.
    """

    goal: tuple[int, ...]
    routes: tuple[tuple[str, tuple[str, ...]], ...]


class Tour(NamedTuple):
    """The cheapest order in which one van serves one set of calls."""

    cost_units: int
    order: tuple[int, ...]


def best_plan_goal(day: Day, travel: TravelTable) -> tuple[int, ...]:
    """Return the goal no plan beats: unplaced by priority 1 to 4, then cost units."""
    return best_plan(day, travel).goal


def best_plan(day: Day, travel: TravelTable) -> Best:
    """Return a best plan; up to 7 calls and 3 vans are bearable."""
    tours = [tours_of(day, travel, van) for van in day.vans]
    stock = Stock(day)
    choices = sorted(
        (_goal_of(day, tours, sets), sets) for sets in _shares(tours, len(day.calls))
    )
    for goal, sets in choices:
        if stock.suffices(sets):
            routes = tuple(
                (van.id, tuple(day.calls[call].id for call in tours[row][mask].order))
                for row, (van, mask) in enumerate(zip(day.vans, sets, strict=True))
                if mask
            )
            return Best(goal, routes)
    raise AssertionError("unreachable: nobody needs to go out")


def _shares(tours: list[dict[int, Tour]], calls: int) -> Iterator[tuple[int, ...]]:
    """Return every way to give the vans sets of calls that do not overlap.

    Sets are written as bits: bit i is the day's call i.
    """
    for owners in product(range(len(tours) + 1), repeat=calls):
        sets = [0] * (len(tours) + 1)
        for call, owner in enumerate(owners):
            sets[owner] |= 1 << call
        placed = tuple(sets[:-1])  # the last owner is nobody
        if all(mask in mine for mask, mine in zip(placed, tours, strict=True)):
            yield placed


def _goal_of(
    day: Day, tours: list[dict[int, Tour]], sets: tuple[int, ...]
) -> tuple[int, ...]:
    left = [0, 0, 0, 0]
    for row, call in enumerate(day.calls):
        if not any(mask >> row & 1 for mask in sets):
            left[call.priority - 1] += 1
    cost_units = sum(
        mine[mask].cost_units for mask, mine in zip(sets, tours, strict=True)
    )
    return (*left, cost_units)


# --- one van -------------------------------------------------------------------


def may_serve(van: Van, call: Call) -> bool:
    """Return whether van and driver are fit for a call, time and stock aside."""
    return (
        call.skills <= van.skills
        and call.equipment <= van.equipment
        and call.required_van in (None, van.id)
    )


def tours_of(day: Day, travel: TravelTable, van: Van) -> dict[int, Tour]:
    """Return the cheapest order for every set of calls the van can drive in time."""
    return Rounds(day, travel, van).drive_all()


class Clocks(NamedTuple):
    """A van's two clocks at one spot; ``None``: it cannot be there that way."""

    fasting_s: int | None  # as early as can be, the break still to come
    fed_s: int | None  # as early as can be, the break behind it


class Rounds:
    """Every order of every set of calls, driven by one van.

    Parameters
    ----------
    day, travel, van : Day, TravelTable, Van
        The question, its drives, and whose orders.
    """

    def __init__(self, day: Day, travel: TravelTable, van: Van) -> None:
        self.day = day
        self.travel = travel
        self.van = van
        self.limit_s = van.shift.end_s + van.overtime_limit_s
        self.mine = [row for row, call in enumerate(day.calls) if may_serve(van, call)]
        self.home = None if van.finish is None else f"finish:{van.id}"
        self.tours: dict[int, Tour] = {0: Tour(0, ())}  # who stays in costs nothing
        self._ends_s: dict[tuple[int, int], int] = {}

    def drive_all(self) -> dict[int, Tour]:
        """Return the cheapest order for every set that has one."""
        start = None if self.van.start is None else f"start:{self.van.id}"
        self._go_on((), start, Clocks(self.van.shift.start_s, None), 0)
        return self.tours

    def _go_on(
        self, order: tuple[int, ...], here: str | None, clocks: Clocks, driven_m: int
    ) -> None:
        for row in self.mine:
            if row in order:
                continue
            call = self.day.calls[row]
            there = f"call:{call.id}"
            base_s, leg_m = leg_of(self.travel, here, there)
            arrived = self._drive(clocks, base_s)
            done = Clocks(
                self._serve(call, arrived.fasting_s), self._serve(call, arrived.fed_s)
            )
            if done != (None, None):
                self._come_home((*order, row), done, driven_m + leg_m)
                self._go_on((*order, row), there, done, driven_m + leg_m)

    def _come_home(self, order: tuple[int, ...], clocks: Clocks, driven_m: int) -> None:
        last = f"call:{self.day.calls[order[-1]].id}"
        base_s, leg_m = leg_of(self.travel, last, self.home)
        back = self._drive(clocks, base_s)
        finishes_s = [] if back.fed_s is None else [back.fed_s]
        if back.fasting_s is not None and self._needs_no_rest(back.fasting_s):
            finishes_s.append(back.fasting_s)
        finishes_s = [finish_s for finish_s in finishes_s if finish_s <= self.limit_s]
        if finishes_s:
            cost_units = _cost_of(self.van, min(finishes_s), driven_m + leg_m)
            mask = sum(1 << row for row in order)
            if mask not in self.tours or cost_units < self.tours[mask].cost_units:
                self.tours[mask] = Tour(cost_units, order)

    def _drive(self, clocks: Clocks, base_s: int) -> Clocks:
        """Drive one leg, with no break on it, and with one before or after it."""
        fasting_s = self._end(base_s, clocks.fasting_s)
        fed_s = (
            self._end(base_s, clocks.fed_s),
            self._end(base_s, self._rest(clocks.fasting_s)),
            self._rest(fasting_s),
        )
        return Clocks(
            fasting_s, min((way for way in fed_s if way is not None), default=None)
        )

    def _end(self, base_s: int, depart_s: int | None) -> int | None:
        if depart_s is None:
            return None
        if (base_s, depart_s) not in self._ends_s:
            arrive_s = walk_s(self.travel.traffic, depart_s, base_s)
            self._ends_s[base_s, depart_s] = arrive_s
        return self._ends_s[base_s, depart_s]

    def _serve(self, call: Call, arrive_s: int | None) -> int | None:
        start_s = None if arrive_s is None else first_start_s(self.day, call, arrive_s)
        if start_s is None or start_s + self.day.planned_s(call) > self.limit_s:
            return None
        return start_s + self.day.planned_s(call)

    def _rest(self, now_s: int | None) -> int | None:
        """Return when a break taken from now on is over; ``None``: none possible."""
        if now_s is None or self.van.meal is None:
            return None
        start_s = rest_s(self.van.meal, now_s)
        return None if start_s is None else start_s + self.van.meal.length_s

    def _needs_no_rest(self, back_s: int) -> bool:
        """Return whether the break can wait until the van is back."""
        return self.van.meal is None or self._rest(back_s) is not None


def _cost_of(van: Van, finish_s: int, distance_m: int) -> int:
    # In 1/18 000 cent: cents per 1000 m are 18 for each metre, cents per 3600 s are
    # 5 for each second.
    overtime_s = max(finish_s - van.shift.end_s, 0)
    return (
        18 * van.rates.km_cents * distance_m
        + 5 * van.rates.hour_cents * (finish_s - van.shift.start_s)
        + 5 * van.rates.overtime_hour_cents * overtime_s
    )


# --- stock ---------------------------------------------------------------------


class Stock:
    """Whether the parts suffice, over all choices of alternatives.

    A van uses its own pieces first: they are no use to anybody else.

    Parameters
    ----------
    day : Day
        The question.
    """

    def __init__(self, day: Day) -> None:
        self.day = day
        self.part_ids = sorted(
            {
                part_id
                for call in day.calls
                for need in call.needs
                for choice in need.alternatives
                for part_id in _pieces_of(day, choice)
            }
        )
        self.shop = self._row(day.shop.stock)
        self._used: dict[tuple[int, int], frozenset[tuple[int, ...]]] = {}

    def suffices(self, sets: tuple[int, ...]) -> bool:
        """Return whether all vans can serve their sets of calls at once."""
        drawn = {(0,) * len(self.part_ids)}
        for van, mask in enumerate(sets):
            drawn = {
                total
                for before in drawn
                for draw in self._draws(van, mask)
                if self._fits(total := _add(before, draw), self.shop)
            }
        return bool(drawn)

    def _draws(self, van: int, mask: int) -> frozenset[tuple[int, ...]]:
        """Return what a van may take from the shop, for each way to choose."""
        own = self._row(self.day.vans[van].stock)
        return frozenset(
            tuple(max(0, used - there) for used, there in zip(pieces, own, strict=True))
            for pieces in self._uses(van, mask)
        )

    def _uses(self, van: int, mask: int) -> frozenset[tuple[int, ...]]:
        """Return the pieces a van may use, for each way to choose alternatives."""
        if (van, mask) not in self._used:
            self._used[van, mask] = self._list_uses(van, mask)
        return self._used[van, mask]

    def _list_uses(self, van: int, mask: int) -> frozenset[tuple[int, ...]]:
        if mask == 0:
            return frozenset({(0,) * len(self.part_ids)})
        last = mask.bit_length() - 1
        reach = self._row(self.day.vans[van].stock)
        if self.day.vans[van].loads_at_shop:
            reach = _add(reach, self.shop)
        uses = self._uses(van, mask & ~(1 << last))
        for need in self.day.calls[last].needs:
            rows = [
                tuple(
                    need.quantity * count
                    for count in self._row(_pieces_of(self.day, choice))
                )
                for choice in need.alternatives
            ]
            uses = frozenset(
                total
                for before in uses
                for row in rows
                if self._fits(total := _add(before, row), reach)
            )
        return uses

    def _row(self, pieces: Mapping[str, int]) -> tuple[int, ...]:
        return tuple(pieces.get(part_id, 0) for part_id in self.part_ids)

    @staticmethod
    def _fits(wanted: tuple[int, ...], there: tuple[int, ...]) -> bool:
        return all(want <= have for want, have in zip(wanted, there, strict=True))


def _add(left: tuple[int, ...], right: tuple[int, ...]) -> tuple[int, ...]:
    return tuple(one + other for one, other in zip(left, right, strict=True))


def _pieces_of(day: Day, choice: str) -> dict[str, int]:
    """Return the pieces of one part, or of one kit."""
    part = day.parts.get(choice)
    if part is None or not part.components:
        return {choice: 1}
    pieces: dict[str, int] = {}
    for part_id, count in part.components:
        pieces[part_id] = pieces.get(part_id, 0) + count
    return pieces
