"""One day as read-only integer arrays: the only thing the compiled search sees.

Rows and columns are laid out for the search's inner loops: few arrays, so that a
compiled function takes them as one NamedTuple without copying dozens of headers.
Row ``v`` of every van table is van ``v`` of the day; the first nodes of the travel
tables are the calls, in their order.

What a route is made of are *visits*. The first rows of the visit table are the calls,
in their order, each as it is best done; more rows are other ways of doing them (by a
driver of another pace, outside the customer's preference, later than promised, other
than a running plan has it), and the stops at stores in the middle of a route.
"""

from collections.abc import Mapping, Sequence
from functools import cache
from itertools import chain, product
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from dispatch.stock import pieces, substitute_cents, surcharge_cents
from dispatch.travel import TravelTable
from shared.model import LATE_STEPS_S, Call, Day, Store, Traffic, Van, Window
from shared.units import UNITS_PER_CENT, UNITS_PER_METRE, UNITS_PER_SECOND

Ints = NDArray[np.int64]
AnyInt = TypeVar("AnyInt", bound=np.integer)

NEVER = 1 << 40
"""A second no day reaches; 'cannot be done'."""

PLENTY = 1 << 30
"""Pieces nobody runs out of."""

WEIGHT_ROOM = 1 << 60
"""All weights together stay below this."""

# columns of Problem.visits
(
    WEIGHT,
    REACH,
    DEMAND,
    NEED_LO,
    NEED_HI,
    CALL,
    NEXT,
    BROKEN,
    UNITS,
    LINK,
    NODE,
    LENGTH,
    WINDOWS,
    WINDOW,
) = range(14)
# columns of Problem.vans
(
    START,
    FINISH,
    SHIFT_LO,
    SHIFT_HI,
    SHIFT_END,
    MEAL_LO,
    MEAL_HI,
    MEAL_LENGTH,
    M_UNITS,
    S_UNITS,
    OVER_UNITS,
    LOADS,
    HOLDER,
    DRIVE_MAX,
    WORK_MAX,
    CREW,
    PAID,
    TWIN,
) = range(18)
# columns of Problem.links
FIRST, THEN, SAME_VAN, GAP_LO, GAP_HI = range(5)
# columns of Problem.stores
STORE_VISIT, STORE_ROW = range(2)
# columns of Problem.clock
PASSED, SPEED, LEAST = range(3)
# columns of Futures.visits
DUE, INSIDE, SPANS, SPAN = range(4)


class Problem(NamedTuple):
    """One day as arrays of int64.

    Parameters
    ----------
    base_s, distance_m : ndarray, shape (nodes, nodes)
        Free-flow driving time and distance; the first nodes are the calls.
    clock : ndarray, shape (slots, 3)
        Permille-seconds of free flow passed at each slot's start, and the slot's
        speed in permille; the last slot holds on. In each row LEAST: the share of its
        free-flow time, in 1/1024 and rounded down, that a drive takes at least.
    slot_s : int
        Length of a slot.
    call_count : int
        How many calls there are.
    visits : ndarray, shape (visits, 13 + 2 * windows)
        WEIGHT (price of leaving the call out, lexicographic by priority), REACH (m from
        the nearest van start), DEMAND (pieces), NEED_LO and NEED_HI (its rows of
        ``needs``), CALL (which call; for a stop ``call_count`` + row of ``stores``),
        NEXT (row of another way to do the same call, the dearer ones later, -1 none),
        BROKEN (weight of the promise this way breaks), UNITS (cost units this way
        costs), LINK (first row of ``links`` in which the call is THEN, past the last
        one if it is only FIRST somewhere; -1: it is linked with none), NODE, LENGTH
        (s), WINDOWS (how many), then first and last start of each window, in order,
        without overlap. The only array that is written to: windows of linked calls,
        each search in a copy of its own.
    given : ndarray, shape of ``visits``
        The same, never changed.
    vans : ndarray, shape (vans, 18)
        START and FINISH (nodes, -1 anywhere), SHIFT_LO, SHIFT_HI (last second it
        may be back), SHIFT_END (overtime after it), MEAL_LO and MEAL_HI (first and
        last start of the break), MEAL_LENGTH (0: no break), M_UNITS per metre,
        S_UNITS per second from PAID, OVER_UNITS per second past SHIFT_END,
        LOADS (1: can load at the shop), HOLDER (row of ``stock`` it takes from; shared
        by vans that hand each other parts), DRIVE_MAX and WORK_MAX (most seconds, 0: no
        limit), CREW (first row of the same van: where several days are planned, a van
        has a row for each), PAID (s), TWIN (first van that is alike in all).
    allowed : ndarray of uint8, shape (vans, visits)
        1 where skills, equipment, required van and pace agree, and the van could have
        what the call uses whatever it chooses.
    needs : ndarray, shape (needs, 2)
        Rows of ``choices`` of each need, the cheapest first, then by preference.
    choices : ndarray, shape (choices, 2)
        Rows of ``items`` of each choice: several for a kit.
    extra : ndarray, shape (choices,)
        Cost units that a choice costs more than the wanted one.
    items : ndarray, shape (items, 2)
        Part column and pieces.
    stock : ndarray, shape (vans + 1 + counters, parts)
        Pieces aboard each van, in the shop, at each counter. Where vans hand each
        other parts, the first of them holds what all of them have.
    reused : ndarray, shape (parts,)
        1 for shared tools: one is enough for all calls of a van.
    stores : ndarray, shape (stores, 2)
        Places where a route can stop for parts: row of ``visits``, row of ``stock``.
    markup : ndarray, shape (stores, parts)
        Cost units that one piece costs more there than at the firm's own price.
    links : ndarray, shape (links, 5)
        FIRST and THEN (calls), SAME_VAN, GAP_LO and GAP_HI (s; ``NEVER``: no limit),
        by THEN.
    must : ndarray, shape (calls, parts)
        Pieces a call uses whatever it chooses.
    near : ndarray, shape (calls, calls)
        Calls by distance from each call, itself first.
    """

    base_s: Ints
    distance_m: Ints
    clock: Ints
    slot_s: int
    call_count: int
    visits: Ints
    given: Ints
    vans: Ints
    allowed: NDArray[np.uint8]
    needs: Ints
    choices: Ints
    extra: Ints
    items: Ints
    stock: Ints
    reused: Ints
    stores: Ints
    markup: Ints
    links: Ints
    must: Ints
    near: Ints


class Futures(NamedTuple):
    """What may come of a day, sampled: what the search prices the risk by.

    No part of :class:`Problem`: a compiled function copies every word of that at each
    call, and hardly any looks at these.

    Parameters
    ----------
    visits : ndarray, shape (visits, 3 + 2 * spans)
        DUE (last second at which a start keeps what was promised; ``NEVER``: nothing
        was), INSIDE (1: nothing was promised, but the visit has to be over by the end
        of the customer's hours), SPANS (how many), then first and last start of each
        span in which the driver may start, in order. Before one he waits; after the
        last one he starts all the same.
    lengths : ndarray, shape (visits, futures)
        How long each visit takes in each future (s).
    pace : ndarray, shape (futures,)
        How long drives take in each, in permille of the expected.
    units_s : int
        Cost units of one second after it.
    broken_s : int
        Each visit that is late counts so many seconds more.
    """

    visits: Ints
    lengths: Ints
    pace: Ints
    units_s: int
    broken_s: int


@cache
def no_futures() -> Futures:
    """Return that nothing is sampled: the risk costs nothing.

    Returns
    -------
    Futures
        Empty.
    """
    nothing = np.zeros((0, 0), np.int64)
    return Futures(
        visits=frozen(nothing),
        lengths=frozen(nothing),
        pace=frozen(np.zeros(0, np.int64)),
        units_s=0,
        broken_s=0,
    )


class Needs(NamedTuple):
    """What the calls use, as in :class:`Problem`; ``stores`` and later may be empty.

    Parameters
    ----------
    needs, choices, extra, items, stock, reused, stores, markup : ndarray
        As in :class:`Problem`.
    """

    needs: Ints
    choices: Ints
    extra: Ints
    items: Ints
    stock: Ints
    reused: Ints
    stores: Ints
    markup: Ints


class Mode(NamedTuple):
    """One way to do a call: when it may start, and what that costs.

    Parameters
    ----------
    broken : bool
        Whether its promise is broken.
    units : int
        Cost units of the broken promise or of waiting, of what the customer prefers,
        and of what differs from a running plan.
    spans : tuple of (int, int)
        First and last second of each span in which it starts, in order.
    """

    broken: bool
    units: int
    spans: tuple[tuple[int, int], ...]


class Stretch(NamedTuple):
    """How a day that stands for several is made up: each of its vans is out once.

    Parameters
    ----------
    numbers : sequence of int
        Each van's date, counted from the first.
    crews : sequence of int
        Each van's first row: the same van on another date. All take from its stock.
    versions : sequence of mapping of int to Call
        Each call as it is on each date on which it may be done.
    ranks : sequence of int
        Calls that cannot all fit are placed in this order, the lowest first.
    delays : sequence of int
        Cost units of each call for every date later.
    ordered : mapping of str to sequence of bool
        Parts that some vans have without end, the others not at all.
    openings : mapping of str to sequence of Window
        When each store is open, where that is not its own ``opening`` alone.
    """

    numbers: Sequence[int]
    crews: Sequence[int]
    versions: Sequence[Mapping[int, Call]]
    ranks: Sequence[int]
    delays: Sequence[int]
    ordered: Mapping[str, Sequence[bool]]
    openings: Mapping[str, Sequence[Window]]

    @property
    def dates(self) -> range:
        """The dates, counted from the first.

        Returns
        -------
        range
            From 0.
        """
        return range(1 + max(self.numbers, default=0))


def one_date(day: Day) -> Stretch:
    """Return how a day is made up that stands for itself.

    Parameters
    ----------
    day : Day
        The day.

    Returns
    -------
    Stretch
        One date, on which a call may be done unless it names others.
    """
    return Stretch(
        numbers=[0] * len(day.vans),
        crews=range(len(day.vans)),
        versions=[
            {} if call.dates and day.date not in call.dates else {0: call}
            for call in day.calls
        ],
        ranks=[call.priority for call in day.calls],
        delays=[0] * len(day.calls),
        ordered={},
        openings={},
    )


class Way(NamedTuple):
    """A way to do a call, for the vans whose drivers take so long.

    Parameters
    ----------
    mode : Mode
        When it may start, and what that breaks and costs.
    length_s : int
        How long the visit takes.
    able : list of bool
        For each van of the day, whether it may do so.
    """

    mode: Mode
    length_s: int
    able: list[bool]


class Ways(NamedTuple):
    """Every way to do a call, as rows.

    Parameters
    ----------
    cells : ndarray, shape (ways, 4)
        1 where it breaks the promise, then UNITS, LENGTH and WINDOWS of
        :class:`Problem`.
    spans : ndarray, shape (ways, 2 * windows)
        First and last start of each window.
    able : ndarray of uint8, shape (ways, vans)
        1 where a van may do so.
    """

    cells: Ints
    spans: Ints
    able: NDArray[np.uint8]


Known = dict[tuple[str, tuple[str, ...]], tuple[Call, Ways]]
"""A call and every way to do it, by its id and those of the vans."""


def build_problem(
    day: Day,
    travel: TravelTable,
    stretch: Stretch | None = None,
    known: Known | None = None,
) -> Problem:
    """Return the arrays of a day.

    Parameters
    ----------
    day : Day
        The day.
    travel : TravelTable
        Its travel table, with the calls as first nodes.
    stretch : Stretch, optional
        How it is made up where it stands for several days.
    known : dict, optional
        Ways to do calls from days that have the same vans by the same ids, but for
        the stock, the same prices and the same kinds of work; what is new is added.
        Not for a day that stands for several.

    Returns
    -------
    Problem
        Every array C-contiguous, all but ``visits`` read-only.
    """
    stretch = stretch or one_date(day)
    vans = _van_rows(day, travel, stretch)
    needs, spans = _need_rows(day, vans, stretch)
    ways = _every_way(day, stretch, {} if known is None else known)
    visits, allowed = _visit_rows(day, travel, stretch, spans, ways)
    needs = needs._replace(stores=_store_rows(day, len(visits)))
    starts = sorted({int(node) for node in vans[:, START] if node >= 0})
    if starts:
        count = len(day.calls)
        visits[:count, REACH] = travel.distance_m[starts, :count].min(axis=0)
    calls = {call.id: row for row, call in enumerate(day.calls)}
    links = [
        (
            calls[link.first],
            calls[link.then],
            int(link.same_van),
            link.min_gap_s,
            NEVER if link.max_gap_s is None else link.max_gap_s,
        )
        for link in day.links
    ]
    _mark_twins(vans, allowed, needs)
    return assemble(
        base_s=travel.base_s,
        distance_m=travel.distance_m,
        traffic=travel.traffic,
        calls=visits,
        vans=vans,
        allowed=allowed,
        needs=needs,
        links=np.array(links, np.int64).reshape(-1, 5),
        call_count=len(day.calls),
    )


def plain_needs(tables: tuple[Ints, Ints, Ints], stock: Ints) -> Needs:
    """Return needs without prices, tools or stops at stores.

    Parameters
    ----------
    tables : tuple of ndarray
        ``needs``, ``choices`` and ``items`` of :class:`Problem`.
    stock : ndarray, shape (vans + 1, parts)
        Pieces aboard each van; the last row is the shop.

    Returns
    -------
    Needs
        For published instances and tests.
    """
    parts = stock.shape[1]
    return Needs(
        needs=tables[0],
        choices=tables[1],
        extra=np.zeros(len(tables[1]), np.int64),
        items=tables[2],
        stock=stock,
        reused=np.zeros(parts, np.int64),
        stores=np.zeros((0, 2), np.int64),
        markup=np.zeros((0, parts), np.int64),
    )


def assemble(  # noqa: PLR0913 - the tables of one day
    *,
    base_s: Ints,
    distance_m: Ints,
    traffic: Traffic,
    calls: Ints,
    vans: Ints,
    allowed: NDArray[np.uint8],
    needs: Needs,
    links: Ints | None = None,
    call_count: int | None = None,
) -> Problem:
    """Return a problem from its tables; also for published instances.

    Parameters
    ----------
    base_s, distance_m : ndarray
        As in :class:`Problem`.
    traffic : Traffic
        Speed through the day.
    calls : ndarray
        ``visits`` of :class:`Problem`; where all are calls (``call_count`` not given),
        CALL, NEXT and NODE are filled in here. LINK always is.
    vans, allowed : ndarray
        As in :class:`Problem`, ``allowed`` whatever the stock. HOLDER and CREW are
        filled in where ``call_count`` is not given.
    needs : Needs
        What the calls use, and what there is.
    links : ndarray, optional
        As in :class:`Problem`, in any order.
    call_count : int, optional
        How many rows of ``calls`` are calls; all.

    Returns
    -------
    Problem
        With the clock and the neighbour lists worked out.
    """
    visits, vans = calls.copy(), vans.copy()
    count = len(visits) if call_count is None else call_count
    if call_count is None:
        visits[:, CALL] = visits[:, NODE] = np.arange(count)
        visits[:, NEXT] = -1
        vans[:, HOLDER] = vans[:, CREW] = np.arange(len(vans))
    if links is None:
        links = np.zeros((0, 5), np.int64)
    links = links[np.argsort(links[:, THEN], kind="stable")]
    visits[:, LINK] = -1
    for column in (FIRST, THEN):
        is_end = np.isin(visits[:, CALL], links[:, column])
        rows = np.searchsorted(links[:, THEN], visits[is_end, CALL])
        visits[is_end, LINK] = len(links) if column == FIRST else rows
    speed = np.array(traffic.speed_permille, np.int64)
    passed = np.concatenate([[0], np.cumsum(speed[:-1] * traffic.slot_s)])
    # A stable sort keeps the order the same on every machine.
    apart_m = distance_m[:count, :count].copy()
    np.fill_diagonal(apart_m, -1)  # others may stand at the same door
    near = np.argsort(apart_m, axis=1, kind="stable")
    least = np.full_like(speed, 1000 * 1024 // speed.max())
    clock = np.stack([passed, speed, least], axis=1)
    stock, shop = needs.stock, len(vans)
    must = _must(count, visits, needs)
    own = np.where(needs.reused == 1, stock[:shop], stock[vans[:, HOLDER]])
    within_reach = own + vans[:, LOADS, None] * stock[shop]
    for _, row in needs.stores:
        within_reach += stock[row] * (needs.reused == 0)
    there = (must[None, :, :] <= within_reach[:, None, :]).all(axis=2)
    there = np.concatenate([there, np.ones((shop, len(needs.stores)), bool)], axis=1)
    return Problem(
        base_s=frozen(base_s),
        distance_m=frozen(distance_m),
        clock=frozen(clock),
        slot_s=traffic.slot_s,
        call_count=count,
        visits=np.array(visits, order="C"),
        given=frozen(visits),
        vans=frozen(vans),
        allowed=frozen(allowed * there[:, visits[:, CALL]].astype(np.uint8)),
        needs=frozen(needs.needs),
        choices=frozen(needs.choices),
        extra=frozen(needs.extra),
        items=frozen(needs.items),
        stock=frozen(stock),
        reused=frozen(needs.reused),
        stores=frozen(needs.stores),
        markup=frozen(needs.markup),
        links=frozen(links),
        must=frozen(must),
        near=frozen(near),
    )


def own_copy(problem: Problem) -> Problem:
    """Return the same problem with a visit table that nobody else writes to.

    Parameters
    ----------
    problem : Problem
        The day.

    Returns
    -------
    Problem
        All other arrays are shared.
    """
    return problem._replace(visits=problem.given.copy())


def _must(count: int, visits: Ints, tables: Needs) -> Ints:
    parts = tables.stock.shape[1]
    must = np.zeros((count, parts), np.int64)
    needs, choices, items = (
        table.tolist() for table in (tables.needs, tables.choices, tables.items)
    )
    for call, (begin, end) in enumerate(visits[:count, NEED_LO : NEED_HI + 1].tolist()):
        for low, high in needs[begin:end]:
            first, *others = (dict(items[slice(*span)]) for span in choices[low:high])
            for part, used in first.items():
                least = min((other.get(part, 0) for other in others), default=used)
                must[call, part] += min(used, least)
    return must


def frozen(array: NDArray[AnyInt]) -> NDArray[AnyInt]:
    """Return a copy in the one layout and with the one flag of all tables.

    Parameters
    ----------
    array : ndarray
        Of integers.

    Returns
    -------
    ndarray
        C-contiguous and read-only: the search is compiled anew for every other kind.
    """
    copy = np.array(array, order="C")
    copy.flags.writeable = False
    return copy


def _may_serve(day: Day, van: Van, call: Call) -> bool:
    lent = {tool.id for tool in day.tools} if van.loads_at_shop else set()
    return (
        day.bar(call) is None
        and day.date not in van.off
        and call.skills <= van.skills
        and call.equipment <= van.equipment | lent
        and call.required_van in (None, van.id)
    )


def start_windows(
    day: Day, call: Call, van: Van | None = None, *, late: bool = False
) -> list[tuple[int, int]]:
    """Return the spans in which a visit may start.

    Parameters
    ----------
    day : Day
        The call's day.
    call : Call
        The call.
    van : Van, optional
        Whose driver comes; without one, a driver of usual pace.
    late : bool
        Whether it may also start after its promise.

    Returns
    -------
    list of (int, int)
        First and last second, in order; empty when it cannot start at all.
    """
    length_s = day.planned_s(call, van)
    first, last = day.ready_s(call) or 0, NEVER
    if call.promise is not None:
        first = max(first, call.promise.start_s)
        last = NEVER if late else call.promise.end_s
    spans = [(w.start_s, w.end_s - length_s) for w in call.windows] or [(0, NEVER)]
    cut = [(max(low, first), min(high, last)) for low, high in spans]
    return sorted((low, high) for low, high in cut if low <= high)


def modes(day: Day, call: Call, van: Van | None = None) -> tuple[Mode, ...]:
    """Return the ways to do a call, the cheapest first.

    Parameters
    ----------
    day : Day
        The call's day.
    call : Call
        The call.
    van : Van, optional
        Whose driver comes; without one, a driver of usual pace in the van that
        stands.

    Returns
    -------
    tuple of Mode
        Their spans do not overlap; empty when the call cannot start at all.
    """
    promise, preference = call.promise, call.preference
    edges: set[int] = set()
    if promise is not None:
        steps = (0, *LATE_STEPS_S)
        edges |= {promise.end_s + 1 + step for step in steps}
    elif call.waits_from_s is not None:
        edges |= {call.waits_from_s + 1 + step for step in (0, *LATE_STEPS_S)}
    if preference is not None:
        edges |= {preference.start_s, preference.end_s + 1}
    if call.standing is not None:
        edges |= {call.standing.window.start_s, call.standing.window.end_s + 1}
    van_id = None if van is None else van.id
    found: dict[tuple[bool, int], list[tuple[int, int]]] = {}
    for low, high in start_windows(day, call, van, late=day.promises_may_break):
        inner = [edge for edge in sorted(edges) if low < edge <= high]
        starts, ends = [low, *inner], [*(edge - 1 for edge in inner), high]
        for start, end in zip(starts, ends, strict=True):
            late_s = 0 if promise is None else max(0, start - promise.end_s)
            units = day.late_units(late_s) + day.wait_units(call, start)
            if preference is not None and not (
                preference.start_s <= start <= preference.end_s
            ):
                units += day.preference_cents * UNITS_PER_CENT
            units += day.change_units(call, van_id, start)
            spans = found.setdefault((late_s > 0, units), [])
            if spans and spans[-1][1] + 1 == start:
                spans[-1] = (spans[-1][0], end)
            else:
                spans.append((start, end))
    return tuple(
        Mode(broken, units, tuple(spans))
        for (broken, units), spans in sorted(found.items())
    )


def priority_weights(priorities: Sequence[int], below: int = 0) -> list[int]:
    """Return what leaving out one call of each priority weighs.

    One call weighs more than all calls of lower priority together, so that the sum
    over the calls left out orders plans as the priorities do.

    Parameters
    ----------
    priorities : sequence of int
        Priority of every call, 1 is first.
    below : int
        Weight of everything that counts less than any of them.

    Returns
    -------
    list of int
        One weight per call, more than ``below``.
    """
    weights: dict[int, int] = {}
    total = below
    for priority in sorted(set(priorities), reverse=True):
        weights[priority] = total + 1
        total += weights[priority] * sum(1 for other in priorities if other == priority)
    return [weights[priority] for priority in priorities]


def _weights(day: Day, ranks: Sequence[int]) -> tuple[list[int], list[int]]:
    """Return what leaving each call out weighs, and what breaking its promise does."""
    priorities = [call.priority for call in day.calls]
    breakable = [
        day.promises_may_break and call.promise is not None for call in day.calls
    ]
    some = [p for p, may in zip(priorities, breakable, strict=True) if may]
    broken = priority_weights(some)
    left = priority_weights(ranks, sum(broken))
    if sum(left) >= WEIGHT_ROOM:  # hundreds of calls: broken promises are counted
        broken = [1] * len(some)
        left = priority_weights(ranks, len(some))
    each = iter(broken)
    return left, [next(each) if may else 0 for may in breakable]


def _visit_rows(
    day: Day,
    travel: TravelTable,
    stretch: Stretch,
    spans: Sequence[tuple[int, int]],
    ways_of: Sequence[Ways],
) -> tuple[Ints, NDArray[np.uint8]]:
    """Return the visit table, and which van may make which visit.

    Parameters
    ----------
    day, travel, stretch : Day, TravelTable, Stretch
        The day.
    spans : sequence of (int, int)
        Each call's rows of needs.
    ways_of : sequence
        Every way to do each call.
    """
    stops = _stop_rows(day, travel, stretch)
    count, many = len(day.calls), np.array([len(ways.able) for ways in ways_of], int)
    total = int(many.sum())
    width = max([WINDOW + 2, *(WINDOW + len(ways.spans[0]) for ways in ways_of)])
    width = max([width, *(len(cells) for cells in stops)])
    visits = np.zeros((total + len(stops), width), np.int64)
    # The first way of each call, then all others by call, then the stops at stores.
    call = np.repeat(np.arange(count), many)
    before = np.cumsum(many) - many
    turn = np.arange(total) - before[call]
    place = np.where(turn == 0, call, count + before[call] - call + turn - 1)
    behind = count + before[call] - call + turn
    left, broken = (np.array(w, np.int64) for w in _weights(day, stretch.ranks))
    visits[place, CALL] = visits[place, NODE] = call
    visits[place, NEXT] = np.where(turn + 1 < many[call], behind, -1)
    visits[place, LINK] = -1
    visits[place, WEIGHT] = left[call]
    pieces_used = [sum([need.quantity for need in one.needs]) for one in day.calls]
    visits[place, DEMAND] = np.array(pieces_used, np.int64)[call]
    needs = np.array(spans, np.int64).reshape(-1, 2)
    visits[place, NEED_LO], visits[place, NEED_HI] = needs[call].T
    allowed = np.ones((len(visits), len(day.vans)), np.uint8)
    own = np.zeros((total, width - WINDOW + 4), np.int64)
    for low, size, ways in zip(before.tolist(), many.tolist(), ways_of, strict=True):
        own[low : low + size, :4] = ways.cells
        own[low : low + size, 4 : 4 + len(ways.spans[0])] = ways.spans
        allowed[place[low : low + size]] = ways.able
    visits[place, BROKEN] = broken[call] * own[:, 0]
    visits[place, UNITS], visits[place, LENGTH] = own[:, 1], own[:, 2]
    visits[place, WINDOWS:] = own[:, 3:]
    for row, cells in enumerate(stops, total):
        visits[row, : len(cells)] = cells
    return visits, allowed.T.copy()


def _stop_rows(day: Day, travel: TravelTable, stretch: Stretch) -> list[list[int]]:
    """Return the rows of stops at stores in the middle of a route."""
    rows = []
    for index, store in enumerate(restock_stores(day)):
        node = travel.keys[store_node(day, store)]
        length_s, call = store.restock_s or 0, len(day.calls) + index
        hours = stretch.openings.get(store.id, (store.opening,))
        spans = [
            (0, NEVER) if span is None else (span.start_s, span.end_s - length_s)
            for span in hours
        ]
        starts = [(low, high) for low, high in spans if low <= high]
        fields = [0, 0, 0, 0, 0, call, -1, 0, 0, -1, node, length_s, len(starts)]
        rows.append([*fields, *chain.from_iterable(starts)])
    return rows


def _every_way(day: Day, stretch: Stretch, known: Known) -> list[Ways]:
    """Return every way to do each call."""
    vans, found = tuple(van.id for van in day.vans), []
    for row, call in enumerate(day.calls):
        key = call.id, vans
        if key not in known or known[key][0] is not call:
            known[key] = call, _as_rows(_ways(day, row, stretch))
        found.append(known[key][1])
    return found


def _as_rows(ways: Sequence[Way]) -> Ways:
    """Return ways to do a call as rows; those with fewer windows are filled up."""
    cells = [
        (mode.broken, mode.units, length_s, len(mode.spans))
        for mode, length_s, _ in ways
    ]
    spans = np.zeros((len(ways), 2 * max(row[3] for row in cells)), np.int64)
    for row, way in enumerate(ways):
        spans[row, : 2 * len(way.mode.spans)] = [*chain.from_iterable(way.mode.spans)]
    able = np.array([way.able for way in ways], np.uint8)
    return Ways(np.array(cells, np.int64), spans, able.reshape(len(ways), -1))


def _ways(day: Day, row: int, stretch: Stretch) -> list[Way]:
    """Return every way to do a call, at least one, the cheapest first."""
    found: list[Way] = []
    for number, call in stretch.versions[row].items():
        later_units = number * stretch.delays[row]
        # Vans are alike for a call but for pace and for being the one that stands.
        standing = None if call.standing is None else call.standing.van_id
        vans: dict[tuple[int, bool], list[int]] = {}
        for van, out in enumerate(day.vans):
            if stretch.numbers[van] == number and _may_serve(day, out, call):
                key = day.planned_s(call, out), out.id == standing
                vans.setdefault(key, []).append(van)
        found += [
            Way(
                mode._replace(units=mode.units + later_units),
                length_s,
                [van in able for van in range(len(day.vans))],
            )
            for (length_s, _), able in vans.items()
            for mode in modes(day, call, day.vans[able[0]])
        ]
    found.sort(key=lambda way: (way.mode.broken, way.mode.units, way.length_s))
    call = day.calls[row]
    spans = tuple(start_windows(day, call))
    nobody = Way(
        Mode(broken=False, units=0, spans=spans),
        day.planned_s(call),
        [False] * len(day.vans),
    )
    return found or [nobody]


def restock_stores(day: Day) -> tuple[Store, ...]:
    """Return the stores that a van may stop at in the middle of its route.

    Parameters
    ----------
    day : Day
        The day.

    Returns
    -------
    tuple of Store
        The shop first, then the counters, as far as they have a length of stay.
    """
    return tuple(
        store for store in (day.shop, *day.counters) if store.restock_s is not None
    )


def store_node(day: Day, store: Store) -> str:
    """Return the key of a store in the travel table.

    Parameters
    ----------
    day, store : Day, Store
        The day and its shop or one of its counters.

    Returns
    -------
    str
        As :class:`dispatch.travel.TravelTable` has it.
    """
    return "shop" if store.id == day.shop.id else f"store:{store.id}"


class _NeedRows:
    """The tables of what calls use, as they grow."""

    def __init__(self) -> None:
        self.needs: list[tuple[int, int]] = []
        self.choices: list[tuple[int, int]] = []
        self.extra: list[int] = []
        self.items: list[tuple[int, int]] = []

    def add(self, options: list[tuple[int, list[tuple[int, int]]]]) -> None:
        """Add a need: extra units and pieces of each choice, sorted by the former."""
        low = len(self.choices)
        for extra, some in sorted(options, key=lambda option: option[0]):
            self.choices.append((len(self.items), len(self.items) + len(some)))
            self.extra.append(extra)
            self.items += some
        self.needs.append((low, len(self.choices)))


def _need_rows(
    day: Day, vans: Ints, stretch: Stretch
) -> tuple[Needs, list[tuple[int, int]]]:
    """Return what the calls use and what there is, and each call's rows of needs."""
    tools = {tool.id: tool.quantity for tool in day.tools}
    columns = {part: column for column, part in enumerate(sorted(day.parts))}
    # Every date has its tools. A van takes those of its own: it alone has the date.
    tool_columns = {
        key: len(columns) + i
        for i, key in enumerate(product(sorted(tools), stretch.dates))
    }
    width = len(columns) + len(tool_columns)
    several = bool(tools) and len(stretch.dates) > 1
    date_columns = [width + date for date in stretch.dates] if several else []
    width = max(1, width + len(date_columns))
    shop = len(day.vans)
    stock = np.zeros((shop + 1 + len(day.counters), width), np.int64)
    stores = [day.shop, *day.counters]
    held = [*(van.stock for van in day.vans), *(store.stock for store in stores)]
    holders = [*vans[:, HOLDER].tolist(), *range(shop, len(stock))]
    for row, some in zip(holders, held, strict=True):
        for part, quantity in some.items():
            stock[row, columns[part]] += quantity
    reused = np.zeros(width, np.int64)
    for (tool, _), column in tool_columns.items():
        reused[column] = 1
        stock[shop, column] = tools[tool]
        owners = [tool in van.equipment for van in day.vans]
        stock[:shop, column] = np.where(owners, PLENTY, 0)
    endless = [
        *((columns[part], list(who)) for part, who in stretch.ordered.items()),
        *(
            (column, [number == date for number in stretch.numbers])
            for date, column in enumerate(date_columns)
        ),
    ]
    for column, owners in endless:
        reused[column] = 1
        stock[:shop, column] = np.where(owners, PLENTY, 0)
        stock[shop:, column] = 0
    rows = _NeedRows()
    spans = []
    for call in day.calls:
        begin = len(rows.needs)
        for need in call.needs:
            # Equal prices: a stable sort keeps the order of preference.
            rows.add(
                [
                    (
                        substitute_cents(day, need, alternative) * UNITS_PER_CENT,
                        [
                            (columns[part], count)
                            for part, count in pieces(
                                day, alternative, need.quantity
                            ).items()
                        ],
                    )
                    for alternative in need.alternatives
                ]
            )
        for tool in sorted(call.equipment & tools.keys()):
            rows.add(
                [
                    (0, [(column, 1) for column in (tool_columns[tool, date], *own)])
                    for date, own in enumerate(
                        [[column] for column in date_columns] or [[]]
                    )
                ]
            )
        spans.append((begin, len(rows.needs)))
    markup = [
        [surcharge_cents(day, store, part) * UNITS_PER_CENT for part in columns]
        + [0] * (width - len(columns))
        for store in restock_stores(day)
    ]
    return (
        Needs(
            needs=_pairs(rows.needs),
            choices=_pairs(rows.choices),
            extra=np.array(rows.extra, np.int64),
            items=_pairs(rows.items),
            stock=stock,
            reused=reused,
            stores=_pairs([]),
            markup=np.array(markup, np.int64).reshape(-1, width),
        ),
        spans,
    )


def _store_rows(day: Day, visits: int) -> Ints:
    """Return the table of stores, whose stops are the last of so many visits."""
    stores = restock_stores(day)
    known = [day.shop, *day.counters]
    return _pairs(
        [
            (visits - len(stores) + index, len(day.vans) + known.index(store))
            for index, store in enumerate(stores)
        ]
    )


def _pairs(rows: Sequence[tuple[int, int]]) -> Ints:
    return np.array(rows, np.int64).reshape(-1, 2)


def _van_rows(day: Day, travel: TravelTable, stretch: Stretch) -> Ints:
    vans = np.zeros((len(day.vans), TWIN + 1), np.int64)
    doors = _one_node_per_door(travel)
    for row, van in enumerate(day.vans):
        vans[row, START] = doors.get(f"start:{van.id}", -1)
        vans[row, FINISH] = doors.get(f"finish:{van.id}", -1)
        vans[row, SHIFT_LO] = van.shift.start_s
        vans[row, SHIFT_HI] = van.shift.end_s + van.overtime_limit_s
        vans[row, SHIFT_END] = van.shift.end_s
        vans[row, PAID] = van.paid_s
        if van.meal is not None:
            vans[row, MEAL_LO] = van.meal.window.start_s
            vans[row, MEAL_HI] = van.meal.window.end_s - van.meal.length_s
            vans[row, MEAL_LENGTH] = van.meal.length_s
        vans[row, M_UNITS] = van.rates.km_cents * UNITS_PER_METRE
        vans[row, S_UNITS] = van.rates.hour_cents * UNITS_PER_SECOND
        vans[row, OVER_UNITS] = van.rates.overtime_hour_cents * UNITS_PER_SECOND
        vans[row, LOADS] = van.loads_at_shop
        vans[row, HOLDER] = vans[row, CREW] = stretch.crews[row]
        vans[row, DRIVE_MAX] = van.drive_limit_s or 0
        vans[row, WORK_MAX] = van.work_limit_s or 0
        if day.exchange and van.start is not None:
            vans[row, HOLDER] = next(
                other
                for other, mate in enumerate(day.vans)
                if mate.start is not None
                and (mate.start.lat_deg, mate.start.lon_deg)
                == (van.start.lat_deg, van.start.lon_deg)
            )
    return vans


def _one_node_per_door(travel: TravelTable) -> dict[str, int]:
    # Vans that start at one door have a node each; seen as one, they can be twins.
    first: dict[bytes, int] = {}
    tables = (travel.base_s, travel.distance_m)
    return {
        key: first.setdefault(
            b"".join(
                table[node].tobytes() + table[:, node].tobytes() for table in tables
            ),
            node,
        )
        for key, node in travel.keys.items()
        if not key.startswith("call:")
    }


def _mark_twins(vans: Ints, allowed: NDArray[np.uint8], needs: Needs) -> None:
    seen: dict[bytes, int] = {}
    holders = vans[:, HOLDER].tolist()
    for row, holder in enumerate(holders):
        alike = vans[row, :TWIN].copy()
        alike[CREW] = -1
        alike[HOLDER] = holder if holders.count(holder) > 1 else -1
        held = np.where(needs.reused == 1, needs.stock[row], needs.stock[holder])
        key = alike.tobytes() + allowed[row].tobytes() + held.tobytes()
        vans[row, TWIN] = seen.setdefault(key, row)
