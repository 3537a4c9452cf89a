"""Time routes the slow way: every mode, every place for the break, second-walks.

Written anew from the words of the day, to be compared with: it shares no code with
the search, the judge or the travel profile, only the model and the table of drives.

A route is a row of *steps*, named as the nodes of the travel table: ``call:<id>``,
``shop``, ``store:<id>``. Each visit has a *mode*: the seconds at which it may start
and which all cost the same (promise kept or late by so many steps, preference met or
not). Which modes, and where the break goes, is decided; then everything happens as
early as it can, and the van sets off as late as its first step allows. Links push
visits back as little as they must.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise, product
from typing import NamedTuple

from dispatch.travel import TravelTable
from shared.model import LATE_STEPS_S, Break, Call, Day, Link, Store, Traffic, Van

FOREVER_S = 10**7  # no day lasts so long, before or after


class TimedStop(NamedTuple):
    """A visit, a restock stop, or the break (then without a step).

    The drive is the one since the stop before; ``node`` is where the van then is.
    """

    step: str | None
    node: str | None
    drive_m: int
    drive_s: int
    arrive_s: int
    start_s: int
    finish_s: int

    @property
    def call_id(self) -> str | None:
        """The call that is visited, if any."""
        if self.step is None or not self.step.startswith("call:"):
            return None
        return self.step.removeprefix("call:")


class Price(NamedTuple):
    """What is compared: broken promises of priority 1 to 4, then cost units."""

    broken: tuple[int, ...] = (0, 0, 0, 0)
    units: int = 0

    def plus(self, other: "Price") -> "Price":
        """Return both together."""
        broken = tuple(a + b for a, b in zip(self.broken, other.broken, strict=True))
        return Price(broken, self.units + other.units)


class Mode(NamedTuple):
    """Seconds at which a visit may start, at one price."""

    spans: tuple[tuple[int, int], ...]  # both ends included, in order
    price: Price


class Rest(NamedTuple):
    """Where the break goes: on which leg, and at which of its ends.

    Leg 0 leads to the first step, leg n from the last step to the finish.
    """

    leg: int
    at_street: bool  # after the drive; otherwise before it


class Variant(NamedTuple):
    """One way to take a row of steps: a mode for each visit, a place for the break."""

    modes: tuple[Mode | None, ...]  # none for a restock stop
    rest: Rest | None


class Timed(NamedTuple):
    """A route as early as it can be driven, leaving as late as its first stop lets."""

    price: Price
    leave_s: int
    finish_s: int
    distance_m: int
    stops: tuple[TimedStop, ...]
    last_drive_m: int
    last_drive_s: int


def walk_s(traffic: Traffic, depart_s: int, base_s: int) -> int:
    """Return when a drive ends, slot by slot, wearing down what is left of it.

    The first speed also holds before midnight, the last one on and on.
    """
    left = 1000 * base_s  # permille-seconds
    now_s = depart_s
    last = len(traffic.speed_permille) - 1
    while True:
        slot = max(0, min(now_s // traffic.slot_s, last))
        speed = traffic.speed_permille[slot]
        here = speed * ((slot + 1) * traffic.slot_s - now_s)
        if slot == last or left <= here:
            return now_s + (left + speed - 1) // speed
        left -= here
        now_s = (slot + 1) * traffic.slot_s


def leg_of(
    travel: TravelTable, origin: str | None, target: str | None
) -> tuple[int, int]:
    """Return free-flow seconds and metres; nothing to or from anywhere."""
    if origin is None or target is None:
        return 0, 0
    row, column = travel.keys[origin], travel.keys[target]
    return int(travel.base_s[row, column]), int(travel.distance_m[row, column])


def end_nodes(van: Van) -> tuple[str | None, str | None]:
    """Return where a van's day begins and ends; ``None``: anywhere."""
    return (
        None if van.start is None else f"start:{van.id}",
        None if van.finish is None else f"finish:{van.id}",
    )


def store_of(day: Day, step: str) -> Store | None:
    """Return the store a step stops at; ``None``: it is a visit."""
    if step == "shop":
        return day.shop
    named = {f"store:{store.id}": store for store in day.counters}
    return named.get(step)


def call_of(day: Day, step: str) -> Call:
    """Return the call a step visits."""
    return next(call for call in day.calls if step == f"call:{call.id}")


# --- when a visit may start ---------------------------------------------------


def modes_of(day: Day, van: Van | None, call: Call) -> list[Mode]:
    """Return a visit's modes, the cheapest first; each second belongs to one."""
    length_s = day.planned_s(call, van)
    starts = [(-FOREVER_S, FOREVER_S)]
    if call.windows:
        starts = [(one.start_s, one.end_s - length_s) for one in call.windows]
    ready_s = day.ready_s(call)
    if ready_s is not None:
        starts = _common(starts, [(ready_s, FOREVER_S)])
    modes = [
        Mode(
            tuple(_common(_common(starts, lateness), taste)),
            late_price.plus(Price(units=taste_units + change_units)),
        )
        for lateness, late_price in _latenesses(day, call)
        for wished, taste_units in _tastes(day, call)
        for stood, change_units in _changes(day, van, call)
        for taste in [_common(wished, stood)]
    ]
    return sorted((mode for mode in modes if mode.spans), key=lambda mode: mode.price)


Spans = list[tuple[int, int]]


def _common(these: Spans, those: Spans) -> Spans:
    both = [
        (max(first, other_first), min(last, other_last))
        for first, last in these
        for other_first, other_last in those
    ]
    return sorted((first, last) for first, last in both if first <= last)


def _latenesses(day: Day, call: Call) -> Iterator[tuple[Spans, Price]]:
    if call.promise is None:
        yield [(-FOREVER_S, FOREVER_S)], Price()
        return
    end_s = call.promise.end_s
    yield [(call.promise.start_s, end_s)], Price()
    if day.promises_may_break:
        broken = tuple(int(call.priority == priority) for priority in (1, 2, 3, 4))
        for before_s, step_s in pairwise((0, *LATE_STEPS_S, FOREVER_S)):
            price = Price(broken, day.late_units(step_s))
            yield [(end_s + before_s + 1, end_s + step_s)], price


def _tastes(day: Day, call: Call) -> Iterator[tuple[Spans, int]]:
    wish = call.preference
    if wish is None:
        yield [(-FOREVER_S, FOREVER_S)], 0
        return
    yield [(wish.start_s, wish.end_s)], 0
    elsewhere = [(-FOREVER_S, wish.start_s - 1), (wish.end_s + 1, FOREVER_S)]
    yield elsewhere, day.preference_cents * 18_000


def _changes(day: Day, van: Van | None, call: Call) -> Iterator[tuple[Spans, int]]:
    standing, prices = call.standing, day.change
    if standing is None:
        yield [(-FOREVER_S, FOREVER_S)], 0
        return
    other_van = van is not None and van.id != standing.van_id
    paid_cents = prices.van_cents if other_van else 0
    window = standing.window
    yield [(window.start_s, window.end_s)], paid_cents * 18_000
    paid_cents += prices.time_cents
    if standing.told:
        paid_cents += prices.told_cents
    outside = [(-FOREVER_S, window.start_s - 1), (window.end_s + 1, FOREVER_S)]
    yield outside, paid_cents * 18_000


def start_in(mode: Mode, from_s: int) -> int | None:
    """Return the first second from then on; ``None``: too late."""
    return next((max(a, from_s) for a, b in mode.spans if from_s <= b), None)


def first_start_s(day: Day, call: Call, arrive_s: int) -> int | None:
    """Return the first second at which a visit can start at all; ``None``: too late."""
    starts_s = [start_in(mode, arrive_s) for mode in modes_of(day, None, call)]
    return min((one for one in starts_s if one is not None), default=None)


def stop_start_s(store: Store, arrive_s: int) -> int | None:
    """Return when a restock stop can start; ``None``: the store has closed."""
    if store.restock_s is None:
        return None
    if store.opening is None:
        return arrive_s
    start_s = max(arrive_s, store.opening.start_s)
    return start_s if start_s + store.restock_s <= store.opening.end_s else None


def rest_s(meal: Break, now_s: int) -> int | None:
    """Return when a break taken from now on starts; ``None``: too late."""
    start_s = max(now_s, meal.window.start_s)
    return start_s if start_s + meal.length_s <= meal.window.end_s else None


# --- one route ----------------------------------------------------------------


class SetOff(NamedTuple):
    """How a route begins: leaving, the break if it comes first, the first drive."""

    leave_s: int
    break_s: int | None
    drive_s: int


def set_off(
    traffic: Traffic, van: Van, base_s: int, start_s: int, rest: Rest | None
) -> SetOff:
    """Return the latest way to be at the first step when that starts.

    A break on this leg is taken as late as its window and the first step allow.
    """

    def leave_for(by_s: int) -> int:
        """Return the last second to leave and be there by then."""
        good_s, late_s = van.shift.start_s, by_s + 1
        while late_s - good_s > 1:
            middle_s = (good_s + late_s) // 2
            if walk_s(traffic, middle_s, base_s) <= by_s:
                good_s = middle_s
            else:
                late_s = middle_s
        return good_s

    if rest is None or rest.leg != 0 or van.meal is None:
        leave_s = leave_for(start_s)
        return SetOff(leave_s, None, walk_s(traffic, leave_s, base_s) - leave_s)
    meal = van.meal
    if rest.at_street:
        break_s = min(start_s, meal.window.end_s) - meal.length_s
        leave_s = leave_for(break_s)
        return SetOff(leave_s, break_s, walk_s(traffic, leave_s, base_s) - leave_s)
    fed_s = min(leave_for(start_s), meal.window.end_s)
    break_s = fed_s - meal.length_s
    return SetOff(break_s, break_s, walk_s(traffic, fed_s, base_s) - fed_s)


def time_route(
    day: Day, travel: TravelTable, van: Van, names: Sequence[str]
) -> Timed | None:
    """Return the cheapest way to take a route, over all modes and breaks.

    Only time is looked at: windows, promises, preferences, what must be ready, the
    shift and its overtime, the break, limits, stores' hours; not links. Names are
    ids of calls, and ``shop`` or ``store:<id>`` for restock stops.
    """
    steps = steps_of(day, names)
    found = [
        timed
        for variant in variants(day, van, steps)
        if (timed := time_variant(day, travel, van, steps, variant)) is not None
    ]
    return min(found, key=lambda timed: (timed.price, timed.finish_s), default=None)


def steps_of(day: Day, names: Sequence[str]) -> tuple[str, ...]:
    """Return the steps of a route written as call ids and stores."""
    calls = {call.id for call in day.calls}
    return tuple(f"call:{name}" if name in calls else name for name in names)


def variants(day: Day, van: Van, steps: Sequence[str]) -> Iterator[Variant]:
    """Return every way to take these steps."""
    choices: list[list[Mode] | list[None]] = [
        modes_of(day, van, call_of(day, step))
        if store_of(day, step) is None
        else [None]
        for step in steps
    ]
    for modes in product(*choices):
        for rest in _rests(van, len(steps)):
            yield Variant(modes, rest)


def _rests(van: Van, steps: int) -> Iterator[Rest | None]:
    yield None
    if van.meal is not None:
        for leg in range(steps + 1):
            yield Rest(leg, at_street=False)
            yield Rest(leg, at_street=True)


NO_FLOORS: Mapping[str, int] = {}


def time_variant(
    day: Day,
    travel: TravelTable,
    van: Van,
    steps: Sequence[str],
    variant: Variant,
    floors: Mapping[str, int] = NO_FLOORS,
) -> Timed | None:
    """Return a route in one variant, as early as can be; ``None``: it fails.

    No step starts before its floor.
    """
    stops = _drive(day, travel, van, steps, variant, floors)
    if stops is None:
        return None
    *visits, back = stops
    first = next(stop for stop in visits if stop.step is not None)
    base_s, _ = leg_of(travel, end_nodes(van)[0], first.node)
    began = set_off(travel.traffic, van, base_s, first.start_s, variant.rest)
    visits = _leave_late(van, visits, began, variant.rest)
    drive_s = sum(stop.drive_s for stop in (*visits, back))
    rested = any(stop.step is None for stop in visits)
    if breaks_limit(van, drive_s, back.arrive_s - began.leave_s, rested=rested):
        return None
    distance_m = sum(stop.drive_m for stop in stops)
    price = Price(units=drive_and_time_units(van, back.arrive_s, distance_m))
    for mode in variant.modes:
        price = price if mode is None else price.plus(mode.price)
    return Timed(
        price=price,
        leave_s=began.leave_s,
        finish_s=back.arrive_s,
        distance_m=distance_m,
        stops=tuple(visits),
        last_drive_m=back.drive_m,
        last_drive_s=back.drive_s,
    )


def breaks_limit(van: Van, drive_s: int, away_s: int, *, rested: bool) -> bool:
    """Return whether so much driving or work is too much for a day."""
    if rested and van.meal is not None:
        away_s -= van.meal.length_s
    return (van.drive_limit_s is not None and drive_s > van.drive_limit_s) or (
        van.work_limit_s is not None and away_s > van.work_limit_s
    )


def drive_and_time_units(van: Van, finish_s: int, distance_m: int) -> int:
    """Return what kilometres, paid time and overtime cost."""
    # In 1/18 000 cent: cents per 1000 m are 18 for each metre, cents per 3600 s are
    # 5 for each second.
    overtime_s = max(finish_s - van.shift.end_s, 0)
    return (
        18 * van.rates.km_cents * distance_m
        + 5 * van.rates.hour_cents * (finish_s - van.shift.start_s)
        + 5 * van.rates.overtime_hour_cents * overtime_s
    )


def _drive(
    day: Day,
    travel: TravelTable,
    van: Van,
    steps: Sequence[str],
    variant: Variant,
    floors: Mapping[str, int],
) -> list[TimedStop] | None:
    """Return the stops and the arrival at the finish, leaving at the shift's start."""
    start, finish = end_nodes(van)
    now_s = van.shift.start_s
    stops: list[TimedStop] = []
    for leg, (origin, target) in enumerate(pairwise([start, *steps, finish])):
        if variant.rest == Rest(leg, at_street=False):
            pause = _pause(van, origin, (0, 0), now_s)
            if pause is None:
                return None
            stops.append(pause)
            now_s = pause.finish_s
        base_s, metres = leg_of(travel, origin, target)
        there_s = walk_s(travel.traffic, now_s, base_s)
        drive = metres, there_s - now_s
        if variant.rest == Rest(leg, at_street=True):
            pause = _pause(van, target, drive, there_s)
            if pause is None:
                return None
            stops.append(pause)
            drive, there_s = (0, 0), pause.finish_s
        if leg == len(steps):
            stops.append(TimedStop(None, target, *drive, there_s, there_s, there_s))
            return stops if _may_end(van, there_s, variant.rest) else None
        span = _span(day, van, steps[leg], variant.modes[leg], there_s, floors)
        if span is None:
            return None
        stops.append(TimedStop(steps[leg], target, *drive, there_s, *span))
        now_s = span[1]
    raise AssertionError("unreachable: the last leg returns")


def _pause(
    van: Van, node: str | None, drive: tuple[int, int], at_s: int
) -> TimedStop | None:
    start_s = None if van.meal is None else rest_s(van.meal, at_s)
    if van.meal is None or start_s is None:
        return None
    return TimedStop(None, node, *drive, at_s, start_s, start_s + van.meal.length_s)


def _span(
    day: Day,
    van: Van,
    step: str,
    mode: Mode | None,
    there_s: int,
    floors: Mapping[str, int],
) -> tuple[int, int] | None:
    """Return start and end of a step reached then; ``None``: too late."""
    from_s = max(there_s, floors.get(step, there_s))
    store = store_of(day, step)
    if store is not None:
        start_s = stop_start_s(store, from_s)
        length_s = store.restock_s or 0
    else:
        start_s = None if mode is None else start_in(mode, from_s)
        length_s = day.planned_s(call_of(day, step), van)
    return None if start_s is None else (start_s, start_s + length_s)


def _may_end(van: Van, back_s: int, rest: Rest | None) -> bool:
    in_time = back_s <= van.shift.end_s + van.overtime_limit_s
    return in_time and (
        rest is not None or van.meal is None or rest_s(van.meal, back_s) is not None
    )


def _leave_late(
    van: Van, stops: list[TimedStop], began: SetOff, rest: Rest | None
) -> list[TimedStop]:
    """Return the stops of a route that begins so, the others as they are."""
    first, *others = stops
    there_s = began.leave_s + began.drive_s
    if began.break_s is None or van.meal is None or rest is None:
        return [first._replace(drive_s=began.drive_s, arrive_s=there_s), *others]
    second, *others = others
    fed_s = began.break_s + van.meal.length_s
    pause = first._replace(start_s=began.break_s, finish_s=fed_s)
    if rest.at_street:
        pause = pause._replace(drive_s=began.drive_s, arrive_s=there_s)
        return [pause, second._replace(arrive_s=fed_s), *others]
    pause = pause._replace(arrive_s=began.leave_s)
    arrive_s = fed_s + began.drive_s
    return [pause, second._replace(drive_s=began.drive_s, arrive_s=arrive_s), *others]


# --- routes that hang together --------------------------------------------------


class Taken(NamedTuple):
    """A row of steps, and how it is taken."""

    van: Van
    steps: tuple[str, ...]
    variant: Variant


Orders = Sequence[tuple[Van, tuple[str, ...]]]


def time_together(
    day: Day, travel: TravelTable, orders: Orders, below: Price | None = None
) -> list[Timed] | None:
    """Return the cheapest way to take these steps by these vans, links kept.

    Parameters
    ----------
    day, travel : Day, TravelTable
        The question and its drives.
    orders : sequence of (Van, tuple of str)
        Who takes which steps, in order.
    below : Price, optional
        Do not look for anything that costs as much.

    Returns
    -------
    list of Timed or None
        One per van; ``None``: there is no way, or none so cheap.
    """
    if not all(_may_follow(link, orders) for link in day.links):
        return None
    # Links can only make each van's ways dearer. They may help it to keep its limits,
    # though: who is pushed back at the first step is away for less long.
    alone = []
    for van, steps in orders:
        free = replace(van, drive_limit_s=None, work_limit_s=None)
        ways = [
            (timed.price, Taken(van, steps, variant))
            for variant in variants(day, van, steps)
            if (timed := time_variant(day, travel, free, steps, variant)) is not None
        ]
        alone.append(sorted(ways, key=lambda way: way[0]))
    best: list[Timed] | None = None
    choices = [(_sum(way[0] for way in chosen), chosen) for chosen in product(*alone)]
    for least, chosen in sorted(choices, key=lambda choice: choice[0]):
        if below is not None and least >= below:
            break
        together = _time_linked(day, travel, [taken for _, taken in chosen])
        if together is not None:
            price = _sum(timed.price for timed in together)
            if below is None or price < below:
                best, below = together, price
    return best


def _sum(prices: Iterable[Price]) -> Price:
    total = Price()
    for price in prices:
        total = total.plus(price)
    return total


def _time_linked(
    day: Day, travel: TravelTable, routes: Sequence[Taken]
) -> list[Timed] | None:
    """Return all routes as early as the links let them be.

    What comes second waits for what comes first; what must not come first too long
    before waits as well. No visit is pushed back further than all of that asks for,
    so this ends with the earliest times there are, or with a route that fails.
    """
    floors: dict[str, int] = {}
    while True:
        timed = [
            time_variant(day, travel, taken.van, taken.steps, taken.variant, floors)
            for taken in routes
        ]
        if None in timed:
            return None
        spans = {
            stop.step: (stop.start_s, stop.finish_s)
            for one in timed
            if one is not None
            for stop in one.stops
            if stop.step is not None
        }
        pushed = dict(floors)
        for link in day.links:
            first, then = f"call:{link.first}", f"call:{link.then}"
            if then in spans:
                start_s, done_s = spans[first]
                then_s, _ = spans[then]
                if then_s < done_s + link.min_gap_s:
                    _push(pushed, then, done_s + link.min_gap_s)
                if link.max_gap_s is not None and done_s + link.max_gap_s < then_s:
                    _push(pushed, first, start_s + then_s - done_s - link.max_gap_s)
        if pushed == floors:
            return [one for one in timed if one is not None]
        floors = pushed


def _push(floors: dict[str, int], step: str, start_s: int) -> None:
    floors[step] = max(start_s, floors.get(step, start_s))


def _may_follow(link: Link, orders: Orders) -> bool:
    """Return whether two linked calls are on the right vans, in the right order."""
    first, then = f"call:{link.first}", f"call:{link.then}"
    rows = {
        step: (row, position)
        for row, (_, steps) in enumerate(orders)
        for position, step in enumerate(steps)
    }
    if then not in rows:
        return True
    if first not in rows:
        return False
    if rows[first][0] == rows[then][0]:
        return rows[first] < rows[then]
    return not link.same_van
