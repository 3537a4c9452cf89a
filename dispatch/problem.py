"""One day as read-only integer arrays: the only thing the compiled search sees.

Rows and columns are laid out for the search's inner loops: few arrays, so that a
compiled function takes them as one NamedTuple without copying dozens of headers.
Row ``c`` of every call table is call ``c`` of the day, row ``v`` of every van table
van ``v``; the first nodes of the travel tables are the calls, in the same order.
"""

from collections.abc import Sequence
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from dispatch.stock import pieces
from dispatch.travel import TravelTable
from shared.model import Call, Day, Traffic, Van
from shared.units import UNITS_PER_METRE, UNITS_PER_SECOND

Ints = NDArray[np.int64]
AnyInt = TypeVar("AnyInt", bound=np.integer)

NEVER = 1 << 40
"""A second no day reaches; 'cannot be done'."""

# columns of Problem.calls
LENGTH, WEIGHT, REACH, DEMAND, NEED_LO, NEED_HI, WINDOWS, WINDOW = range(8)
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
    TWIN,
) = range(13)


class Problem(NamedTuple):
    """One day as arrays of int64.

    Parameters
    ----------
    base_s, distance_m : ndarray, shape (nodes, nodes)
        Free-flow driving time and distance; nodes 0 to calls - 1 are the calls.
    clock : ndarray, shape (slots, 2)
        Permille-seconds of free flow passed at each slot's start, and the slot's
        speed in permille; the last slot holds on.
    slot_s : int
        Length of a slot.
    calls : ndarray, shape (calls, 7 + 2 * windows)
        LENGTH (s), WEIGHT (price of leaving it out, lexicographic by priority),
        REACH (m from the nearest van start), DEMAND (pieces), NEED_LO and NEED_HI
        (its rows of ``needs``), WINDOWS (how many), then first and last start of
        each window, in order, without overlap.
    vans : ndarray, shape (vans, 13)
        START and FINISH (nodes, -1 anywhere), SHIFT_LO, SHIFT_HI (last second it
        may be back), SHIFT_END (overtime after it), MEAL_LO and MEAL_HI (first and
        last start of the break), MEAL_LENGTH (0: no break), M_UNITS per metre,
        S_UNITS per second from SHIFT_LO, OVER_UNITS per second past SHIFT_END,
        LOADS (1: can load at the shop), TWIN (first van that is alike in all).
    allowed : ndarray of uint8, shape (vans, calls)
        1 where skills, equipment and required van agree, and the van could have what
        the call uses whatever it chooses.
    needs : ndarray, shape (needs, 2)
        Rows of ``choices`` of each need, in order of preference.
    choices : ndarray, shape (choices, 2)
        Rows of ``items`` of each choice: several for a kit.
    items : ndarray, shape (items, 2)
        Part column and pieces.
    stock : ndarray, shape (vans + 1, parts)
        Pieces aboard each van; the last row is the shop.
    must : ndarray, shape (calls, parts)
        Pieces a call uses whatever it chooses.
    near : ndarray, shape (calls, calls)
        Calls by distance from each call, itself first.
    """

    base_s: Ints
    distance_m: Ints
    clock: Ints
    slot_s: int
    calls: Ints
    vans: Ints
    allowed: NDArray[np.uint8]
    needs: Ints
    choices: Ints
    items: Ints
    stock: Ints
    must: Ints
    near: Ints


def build_problem(day: Day, travel: TravelTable) -> Problem:
    """Return the arrays of a day.

    Parameters
    ----------
    day : Day
        The day.
    travel : TravelTable
        Its travel table, with the calls as first nodes.

    Returns
    -------
    Problem
        Every array C-contiguous and read-only.
    """
    vans = _van_rows(day, travel)
    parts = {part: column for column, part in enumerate(sorted(day.parts))}
    stock = np.zeros((len(day.vans) + 1, max(1, len(parts))), np.int64)
    held = [*(van.stock for van in day.vans), day.shop.stock]
    for row, held_here in enumerate(held):
        for part, quantity in held_here.items():
            stock[row, parts[part]] = quantity
    allowed = np.array(
        [[_may_serve(van, call) for call in day.calls] for van in day.vans], np.uint8
    ).reshape(len(day.vans), len(day.calls))
    _mark_twins(vans, allowed, stock)
    calls, needs, choices, items = _call_rows(day, parts)
    starts = sorted({int(node) for node in vans[:, START] if node >= 0})
    if starts:
        calls[:, REACH] = travel.distance_m[starts, : len(calls)].min(axis=0)
    return assemble(
        base_s=travel.base_s,
        distance_m=travel.distance_m,
        traffic=travel.traffic,
        calls=calls,
        vans=vans,
        allowed=allowed,
        needs=(needs, choices, items),
        stock=stock,
    )


def assemble(  # noqa: PLR0913 - the tables of one day
    *,
    base_s: Ints,
    distance_m: Ints,
    traffic: Traffic,
    calls: Ints,
    vans: Ints,
    allowed: NDArray[np.uint8],
    needs: tuple[Ints, Ints, Ints],
    stock: Ints,
) -> Problem:
    """Return a problem from its tables; also for published instances.

    Parameters
    ----------
    base_s, distance_m : ndarray
        As in :class:`Problem`.
    traffic : Traffic
        Speed through the day.
    calls, vans, allowed : ndarray
        As in :class:`Problem`, ``allowed`` whatever the stock.
    needs : tuple of ndarray
        ``needs``, ``choices`` and ``items`` of :class:`Problem`.
    stock : ndarray
        As in :class:`Problem`.

    Returns
    -------
    Problem
        With the clock and the neighbour lists worked out.
    """
    speed = np.array(traffic.speed_permille, np.int64)
    passed = np.concatenate([[0], np.cumsum(speed[:-1] * traffic.slot_s)])
    count = len(calls)
    # A stable sort keeps the order the same on every machine.
    near = np.argsort(distance_m[:count, :count], axis=1, kind="stable")
    for row in range(count):  # others may stand at the same door
        near[row] = np.concatenate([[row], near[row][near[row] != row]])
    clock = np.stack([passed, speed], axis=1)
    must = _must(count, calls, needs, stock.shape[1])
    within_reach = stock[:-1] + vans[:, LOADS, None] * stock[-1]
    there = (must[None, :, :] <= within_reach[:, None, :]).all(axis=2)
    return Problem(
        base_s=_frozen(base_s),
        distance_m=_frozen(distance_m),
        clock=_frozen(clock),
        slot_s=traffic.slot_s,
        calls=_frozen(calls),
        vans=_frozen(vans),
        allowed=_frozen(allowed * there.astype(np.uint8)),
        needs=_frozen(needs[0]),
        choices=_frozen(needs[1]),
        items=_frozen(needs[2]),
        stock=_frozen(stock),
        must=_frozen(must),
        near=_frozen(near),
    )


def _must(count: int, calls: Ints, tables: tuple[Ints, Ints, Ints], parts: int) -> Ints:
    needs, choices, items = tables
    must = np.zeros((count, parts), np.int64)
    for call in range(count):
        for need in range(calls[call, NEED_LO], calls[call, NEED_HI]):
            used = np.zeros((needs[need, 1] - needs[need, 0], parts), np.int64)
            for row, choice in enumerate(range(*needs[need])):
                some = items[slice(*choices[choice])]
                used[row, some[:, 0]] = some[:, 1]
            must[call] += used.min(axis=0)
    return must


def _frozen(array: NDArray[AnyInt]) -> NDArray[AnyInt]:
    # One layout and one flag for all: numba compiles anew for every other one.
    copy = np.array(array, order="C")
    copy.flags.writeable = False
    return copy


def _may_serve(van: Van, call: Call) -> bool:
    return (
        call.skills <= van.skills
        and call.equipment <= van.equipment
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


def priority_weights(priorities: Sequence[int]) -> list[int]:
    """Return what leaving out one call of each priority weighs.

    One call weighs more than all calls of lower priority together, so that the sum
    over the calls left out orders plans as the priorities do.

    Parameters
    ----------
    priorities : sequence of int
        Priority of every call, 1 is first.

    Returns
    -------
    list of int
        One weight per call, at least 1.
    """
    weights: dict[int, int] = {}
    total = 0
    for priority in sorted(set(priorities), reverse=True):
        weights[priority] = total + 1
        total += weights[priority] * sum(1 for other in priorities if other == priority)
    return [weights[priority] for priority in priorities]


def _call_rows(day: Day, parts: dict[str, int]) -> tuple[Ints, Ints, Ints, Ints]:
    spans = [start_windows(day, call) for call in day.calls]
    width = max((len(span) for span in spans), default=0)
    calls = np.zeros((len(day.calls), WINDOW + 2 * max(1, width)), np.int64)
    needs: list[tuple[int, int]] = []
    choices: list[tuple[int, int]] = []
    items: list[tuple[int, int]] = []
    weights = priority_weights([call.priority for call in day.calls])
    for row, call in enumerate(day.calls):
        calls[row, LENGTH] = day.planned_s(call)
        calls[row, WEIGHT] = weights[row]
        calls[row, DEMAND] = sum(need.quantity for need in call.needs)
        calls[row, WINDOWS] = len(spans[row])
        for index, (low, high) in enumerate(spans[row]):
            calls[row, WINDOW + 2 * index : WINDOW + 2 * index + 2] = low, high
        calls[row, NEED_LO] = len(needs)
        for need in call.needs:
            low = len(choices)
            for alternative in need.alternatives:
                first = len(items)
                used = pieces(day, alternative, need.quantity)
                items += [(parts[part], count) for part, count in used.items()]
                choices.append((first, len(items)))
            needs.append((low, len(choices)))
        calls[row, NEED_HI] = len(needs)
    return calls, _pairs(needs), _pairs(choices), _pairs(items)


def _pairs(rows: list[tuple[int, int]]) -> Ints:
    return np.array(rows, np.int64).reshape(-1, 2)


def _van_rows(day: Day, travel: TravelTable) -> Ints:
    vans = np.zeros((len(day.vans), TWIN + 1), np.int64)
    doors = _one_node_per_door(travel)
    for row, van in enumerate(day.vans):
        vans[row, START] = doors.get(f"start:{van.id}", -1)
        vans[row, FINISH] = doors.get(f"finish:{van.id}", -1)
        vans[row, SHIFT_LO] = van.shift.start_s
        vans[row, SHIFT_HI] = van.shift.end_s + van.overtime_limit_s
        vans[row, SHIFT_END] = van.shift.end_s
        if van.meal is not None:
            vans[row, MEAL_LO] = van.meal.window.start_s
            vans[row, MEAL_HI] = van.meal.window.end_s - van.meal.length_s
            vans[row, MEAL_LENGTH] = van.meal.length_s
        vans[row, M_UNITS] = van.rates.km_cents * UNITS_PER_METRE
        vans[row, S_UNITS] = van.rates.hour_cents * UNITS_PER_SECOND
        vans[row, OVER_UNITS] = van.rates.overtime_hour_cents * UNITS_PER_SECOND
        vans[row, LOADS] = van.loads_at_shop
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


def _mark_twins(vans: Ints, allowed: NDArray[np.uint8], stock: Ints) -> None:
    seen: dict[bytes, int] = {}
    for row in range(len(vans)):
        key = vans[row, :TWIN].tobytes() + allowed[row].tobytes() + stock[row].tobytes()
        vans[row, TWIN] = seen.setdefault(key, row)
