"""The day as arrays: what stands in which row, and in what order."""

from collections import Counter
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dispatch.generator import ALL, Feature, generate_day
from dispatch.problem import (
    BROKEN,
    CALL,
    DEMAND,
    DRIVE_MAX,
    FINISH,
    HOLDER,
    LENGTH,
    LOADS,
    M_UNITS,
    MEAL_HI,
    MEAL_LENGTH,
    MEAL_LO,
    NEED_HI,
    NEED_LO,
    NEVER,
    NEXT,
    NODE,
    OVER_UNITS,
    PLENTY,
    REACH,
    S_UNITS,
    SHIFT_END,
    SHIFT_HI,
    SHIFT_LO,
    START,
    TWIN,
    UNITS,
    WEIGHT,
    WINDOW,
    WINDOWS,
    WORK_MAX,
    Mode,
    Problem,
    modes,
    priority_weights,
    start_windows,
)
from shared.model import (
    Break,
    Call,
    Day,
    Link,
    Rates,
    ReadyItem,
    ReadyKind,
    ReadyState,
    Standing,
    Store,
    Tool,
)
from tests.builders import HOUR_S, a_call, a_day, a_part, a_van, at, need, window
from tests.kernel.days import case_of, fewer
from tests.oracle import slow_schedule as slow


def problem_of(day: Day) -> Problem:
    return case_of(day).problem


def starts(**changes: object) -> list[tuple[float, float]]:
    """Return the hours in which an hour's visit may start; planned at 18:00."""
    call = a_call(median_s=HOUR_S, p90_s=HOUR_S, **changes)
    found = start_windows(a_day(call), call)
    return [(low / HOUR_S, high / HOUR_S) for low, high in found]


def code(lead_h: float, state: ReadyState = ReadyState.OPEN) -> ReadyItem:
    return ReadyItem(kind=ReadyKind.CODE, lead_time_s=round(lead_h * 3600), state=state)


# --- when a visit may start --------------------------------------------------


def test_without_any_window_a_visit_may_start_at_any_second() -> None:
    call = a_call()
    assert start_windows(a_day(call), call) == [(0, NEVER)]


def test_the_whole_visit_lies_inside_one_window() -> None:
    assert starts(windows=(window(9, 11), window(14, 15))) == [(9, 10), (14, 14)]


def test_a_window_shorter_than_the_visit_is_none() -> None:
    assert starts(windows=(window(9, 9.75), window(14, 16))) == [(14, 15)]
    assert starts(windows=(window(9, 9.75),)) == []


def test_the_promise_holds_for_the_start_and_cuts_every_window() -> None:
    windows = (window(8, 12), window(13, 18))
    assert starts(windows=windows, promise=window(10, 14)) == [(10, 11), (13, 14)]
    assert starts(promise=window(10, 14)) == [(10, 14)]
    assert starts(windows=windows, promise=window(11.5, 12.5)) == []


def test_nothing_starts_before_what_it_waits_for_is_there() -> None:
    # 18:00 the evening before, and 16 hours: 10:00.
    day_windows = (window(8, 10.5), window(9, 14))
    assert starts(windows=day_windows[1:], ready=(code(16),)) == [(10, 13)]
    assert starts(windows=day_windows[:1], ready=(code(16),)) == []
    late = (code(15), code(16), code(99, ReadyState.DONE), code(99, ReadyState.WAIVED))
    assert starts(windows=day_windows[1:], ready=late) == [(10, 13)]


def test_what_is_there_before_midnight_delays_nothing() -> None:
    # 18:00 the evening before, and 2 hours: 20:00 the evening before.
    assert starts(windows=(window(0, 3),), ready=(code(2),)) == [(0, 2)]
    call = a_call(ready=(code(2),))
    assert start_windows(a_day(call), call) == [(0, NEVER)]


# --- ways to do a call ---------------------------------------------------------


def test_every_second_at_which_a_visit_may_start_belongs_to_one_way_and_its_price() -> (
    None
):
    seen = {"kept": 0, "late": 0, "unwelcome": 0, "never": 0}
    for seed in range(fewer(40, 10)):
        day = generate_day(seed, 8, 2, features=ALL)
        for call, van in product(day.calls, day.vans):
            ways = modes(day, call, van)
            slowly = slow.modes_of(day, van, call)
            assert [(way.broken, way.units) for way in ways] == [
                (any(way.price.broken), way.price.units) for way in slowly
            ]
            edges = {low for way in ways for span in way.spans for low in span}
            edges |= {at for one in slowly for span in one.spans for at in span}
            for start_s in {edge + step for edge in edges for step in (-1, 0, 1)}:
                if not 0 <= start_s < 48 * HOUR_S:
                    continue
                hits = [
                    way
                    for way in ways
                    if any(low <= start_s <= high for low, high in way.spans)
                ]
                wanted = [
                    one for one in slowly if slow.start_in(one, start_s) == start_s
                ]
                assert len(hits) == len(wanted) <= 1
                if not hits:
                    seen["never"] += 1
                    continue
                assert hits[0].units == wanted[0].price.units
                late_s = start_s - call.promise.end_s if call.promise else 0
                assert hits[0].broken == (late_s > 0)
                wish = call.preference
                missed = wish and not wish.start_s <= start_s <= wish.end_s
                assert hits[0].units == day.late_units(late_s) + (
                    day.preference_cents * 18_000 if missed else 0
                )
                seen["late" if late_s > 0 else "kept"] += 1
                seen["unwelcome"] += bool(missed)
    assert min(seen.values()) > 100, seen


def test_a_promise_that_may_break_is_a_way_for_each_step_of_being_late() -> None:
    # Promised 9 to 10; 40.00 an hour: 15, 30, 60, 120, 240 min are 10.00 to 160.00.
    call = a_call(promise=window(9, 10))
    day = a_day(call, promises_may_break=True, late_hour_cents=4000)
    kept, *late = modes(day, call)
    assert kept == Mode(broken=False, units=0, spans=((9 * HOUR_S, 10 * HOUR_S),))
    assert [way.units // 18_000 for way in late] == [1000, 2000, 4000, 8000, 16_000]
    assert [way.spans for way in late] == [
        ((36_001, 36_900),),
        ((36_901, 37_800),),
        ((37_801, 39_600),),
        ((39_601, 43_200),),
        ((43_201, NEVER),),
    ]
    assert all(way.broken for way in late)
    assert modes(a_day(call), call) == (kept,)  # where promises are kept


def test_an_urgent_caller_who_waits_is_a_way_for_each_step_of_waiting() -> None:
    # Rang at 10, somebody is there from 9 to 12; 40.00 an hour, steps as above. Until
    # 11 it is 40.00, then 80.00: a visit of half an hour has started by 11:30.
    call = a_call(waits_from_s=10 * HOUR_S, windows=(window(9, 12),), median_s=1800)
    day = a_day(call, late_hour_cents=4000)
    ways = modes(day, call)
    assert [way.units // 18_000 for way in ways] == [0, 1000, 2000, 4000, 8000]
    assert [way.spans for way in ways] == [
        ((32_400, 36_000),),
        ((36_001, 36_900),),
        ((36_901, 37_800),),
        ((37_801, 39_600),),
        ((39_601, 43_200 - day.planned_s(call)),),
    ]
    assert not any(way.broken for way in ways)
    promised = replace(call, promise=window(11, 12))  # he knows when we come
    assert [way.units for way in modes(day, promised)] == [0]


def test_a_standing_arrangement_splits_by_time_and_by_van() -> None:
    # Stands for V1 from 9 to 9:30, told; V2 costs 5.00, another time 3.00 + 9.00.
    standing = Standing(van_id="V1", window=window(9, 9.5), told=True)
    call = a_call(windows=(window(8, 12),), standing=standing)
    day = a_day(call, vans=(a_van("V1"), a_van("V2")))
    inside, outside = ((32_400, 34_200),), ((28_800, 32_399), (34_201, 41_400))
    for van, cents in zip(day.vans, (0, 500), strict=True):
        assert modes(day, call, van) == (
            Mode(broken=False, units=cents * 18_000, spans=inside),
            Mode(broken=False, units=(cents + 1200) * 18_000, spans=outside),
        )
    # 0, 5.00, 12.00 and 17.00
    assert problem_of(day).allowed.tolist() == [[1, 0, 1, 0], [0, 1, 0, 1]]


def test_every_second_has_the_price_of_what_it_changes() -> None:
    seen = Counter[bool]()
    for seed in range(fewer(40, 10)):
        day = generate_day(seed, 8, 2, features=ALL | {Feature.STANDING})
        for call, van in product(day.calls, day.vans):
            ways, slowly = modes(day, call, van), slow.modes_of(day, van, call)
            edges = {at for one in slowly for span in one.spans for at in span}
            for start_s in {edge + step for edge in edges for step in (-1, 0, 1)}:
                if not 0 <= start_s < 48 * HOUR_S:
                    continue
                hits = [
                    (way.broken, way.units)
                    for way in ways
                    if any(low <= start_s <= high for low, high in way.spans)
                ]
                wanted = [
                    (any(one.price.broken), one.price.units)
                    for one in slowly
                    if slow.start_in(one, start_s) == start_s
                ]
                assert hits == wanted
                seen[call.standing is not None] += len(hits)
    assert min(seen.values()) > 100, seen


def test_a_preference_splits_what_is_left_of_the_windows_in_two() -> None:
    # Available 8 to 12 for half an hour, rather at 9 to 10; 3.00 elsewhere.
    call = a_call(windows=(window(8, 12),), preference=window(9, 10))
    welcome, other = modes(a_day(call), call)
    assert welcome == Mode(broken=False, units=0, spans=((32_400, 36_000),))
    assert other.units == 300 * 18_000
    assert other.spans == ((28_800, 32_399), (36_001, 41_400))


def test_every_van_has_every_way_of_a_call_at_its_own_pace_and_no_other() -> None:
    rows = 0
    for seed in range(fewer(30, 8)):
        day = generate_day(seed, 8, 3, features=ALL)
        problem = problem_of(day)
        for row, call in enumerate(day.calls):
            chain = [row]
            while problem.visits[chain[-1], NEXT] >= 0:
                chain.append(int(problem.visits[chain[-1], NEXT]))
            order = [
                tuple(problem.visits[visit, [BROKEN, UNITS]].tolist())
                for visit in chain
            ]
            assert order == sorted(order)  # the cheapest first
            for number, van in enumerate(day.vans):
                mine = [v for v in chain if problem.allowed[number, v]]
                if not mine:
                    continue
                found = [
                    (
                        bool(problem.visits[visit, BROKEN]),
                        int(problem.visits[visit, UNITS]),
                        tuple(spans_of(problem, visit)),
                    )
                    for visit in mine
                ]
                assert found == [tuple(way) for way in modes(day, call, van)]
                assert set(problem.visits[mine, LENGTH].tolist()) == {
                    day.planned_s(call, van)
                }
                rows += len(mine)
            same = problem.visits[chain][:, [WEIGHT, DEMAND, NEED_LO, NEED_HI, CALL]]
            assert (same == same[0]).all()
    assert rows > fewer(1000, 200)


def spans_of(problem: Problem, visit: int) -> list[tuple[int, int]]:
    cells = problem.visits[visit, WINDOW:].tolist()[
        : 2 * problem.visits[visit, WINDOWS]
    ]
    return list(zip(cells[::2], cells[1::2], strict=True))


def test_all_promises_of_lower_priority_weigh_less_than_one_and_less_than_a_call() -> (
    None
):
    # Broken: 4 weighs 1, 2 weighs 2; all 3 together. Left out: 4 weighs 4, both 8,
    # with the broken ones 11; 2 weighs 12.
    calls = (
        a_call("A", priority=4, promise=window(9, 10)),
        a_call("B", priority=2, promise=window(9, 10)),
        a_call("C", priority=4),
    )
    problem = problem_of(a_day(*calls, promises_may_break=True))
    assert problem.visits[:3, WEIGHT].tolist() == [4, 12, 4]
    by_call = {
        call: set(problem.visits[problem.visits[:, CALL] == call, BROKEN].tolist())
        for call in range(3)
    }
    assert by_call == {0: {0, 1}, 1: {0, 2}, 2: {0}}


# --- stores, tools, links, who hands on ----------------------------------------


def test_stops_at_stores_are_the_last_visits_and_stay_open_for_the_whole_stop() -> None:
    counters = (
        Store(id="K1", place=at(3), opening=window(9, 12), restock_s=600),
        Store(id="K2", place=at(4)),  # nobody stops there
        Store(id="K3", place=at(5), opening=window(9, 9.1), restock_s=600),
    )
    day = a_day(a_call(), counters=counters, parts=(a_part(unit_cost_cents=300),))
    prices = replace(counters[0], prices={"BLANK": 450})
    day = replace(day, counters=(prices, *counters[1:]))
    case = case_of(day)
    problem = case.problem
    assert problem.visits[1:, CALL].tolist() == [1, 2]  # one call, then the stores
    assert problem.visits[1:, LENGTH].tolist() == [600, 600]
    assert spans_of(problem, 1) == [(9 * HOUR_S, 12 * HOUR_S - 600)]
    assert spans_of(problem, 2) == []  # six minutes are too short for ten
    assert problem.visits[1:, NODE].tolist() == [
        case.travel.keys["store:K1"],
        case.travel.keys["store:K3"],
    ]
    # Stock: one van, the shop, three counters. 1.50 more apiece at the first.
    assert problem.stores.tolist() == [[1, 2], [2, 4]]
    assert problem.markup.tolist() == [[150 * 18_000], [0]]
    shop_too = replace(day, shop=replace(day.shop, restock_s=300))
    assert problem_of(shop_too).stores.tolist() == [[1, 1], [2, 2], [3, 4]]


def test_a_substitute_costs_what_it_is_dearer_than_the_wanted_one_and_comes_later() -> (
    None
):
    # Wanted at 3.00; two of the one at 5.00 are 4.00 more, of the one at 1.00 nothing.
    parts = (
        a_part("W", unit_cost_cents=300),
        a_part("DEAR", unit_cost_cents=500),
        a_part("CHEAP", unit_cost_cents=100),
    )
    call = a_call(needs=(need("W", "DEAR", "CHEAP", quantity=2),))
    problem = problem_of(a_day(call, parts=parts))
    # Parts by name: CHEAP 0, DEAR 1, W 2; by extra cost, then as the need says.
    assert problem.items.tolist() == [[2, 2], [0, 2], [1, 2]]
    assert problem.extra.tolist() == [0, 0, 400 * 18_000]


def test_a_shared_tool_is_a_piece_in_the_shop_that_its_owners_never_lack() -> None:
    call = a_call(equipment=frozenset({"mill", "lamp"}))
    lamp = frozenset({"lamp"})
    vans = (
        a_van("V1", equipment=lamp),
        a_van("V2", equipment=lamp | {"mill"}),
        a_van("V3", equipment=lamp, loads_at_shop=False),
    )
    problem = problem_of(a_day(call, vans=vans, tools=(Tool(id="mill", quantity=2),)))
    assert problem.reused.tolist() == [1]
    assert problem.stock[:, 0].tolist() == [0, PLENTY, 0, 2]
    assert problem.allowed[:, 0].tolist() == [1, 1, 0]  # V3 can carry none


def test_links_are_rows_of_calls_and_gaps() -> None:
    links = (
        Link(first="B", then="A", same_van=True, min_gap_s=60, max_gap_s=120),
        Link(first="A", then="C"),
    )
    problem = problem_of(a_day(a_call("A"), a_call("B"), a_call("C"), links=links))
    assert problem.links.tolist() == [[1, 0, 1, 60, 120], [0, 2, 0, 0, NEVER]]


def test_vans_of_one_yard_hold_their_pieces_together_whoever_loads_at_the_shop() -> (
    None
):
    vans = (
        a_van("V1", stock={"BLANK": 1}),
        a_van("V2", stock={"BLANK": 2}, loads_at_shop=False),
        a_van("V3", stock={"BLANK": 4}, start=at(1)),
        a_van("V4", stock={"BLANK": 8}, start=None),
    )
    day = a_day(a_call(), vans=vans, parts=(a_part(),), shop={"BLANK": 16})
    apart, together = problem_of(day), problem_of(replace(day, exchange=True))
    assert apart.vans[:, HOLDER].tolist() == [0, 1, 2, 3]
    assert apart.stock[:, 0].tolist() == [1, 2, 4, 8, 16]
    assert together.vans[:, HOLDER].tolist() == [0, 0, 2, 3]
    assert together.stock[:, 0].tolist() == [3, 0, 4, 8, 16]


def test_a_vans_limits_stand_in_its_row_and_nought_is_none() -> None:
    vans = (a_van("V1", drive_limit_s=3600, work_limit_s=7200), a_van("V2"))
    problem = problem_of(a_day(a_call(), vans=vans))
    assert problem.vans[:, [DRIVE_MAX, WORK_MAX]].tolist() == [[3600, 7200], [0, 0]]


# --- what leaving out weighs -------------------------------------------------

priorities = st.lists(st.integers(1, 4), min_size=1, max_size=40)


@settings(deadline=None, derandomize=True)
@given(priorities=priorities, data=st.data())
def test_weights_order_what_is_left_out_as_the_priorities_do(
    priorities: list[int], data: st.DataObject
) -> None:
    weights = priority_weights(priorities)
    flags = st.lists(st.booleans(), min_size=len(weights), max_size=len(weights))
    left, other = data.draw(flags), data.draw(flags)

    def by_priority(out: list[bool]) -> list[int]:
        pairs = list(zip(priorities, out, strict=True))
        return [pairs.count((priority, True)) for priority in (1, 2, 3, 4)]

    def weight(out: list[bool]) -> int:
        return sum(w for w, is_out in zip(weights, out, strict=True) if is_out)

    assert (weight(left) < weight(other)) == (by_priority(left) < by_priority(other))
    assert (weight(left) == weight(other)) == (by_priority(left) == by_priority(other))


def test_weights_are_as_small_as_they_can_be() -> None:
    # Lowest first: 4 weighs 1; two of them 2, so 2 weighs 3; 2 + 3 = 5, so 1 weighs 6.
    assert priority_weights([4, 1, 2, 4]) == [1, 6, 3, 1]
    assert priority_weights([]) == []


def test_a_thousand_calls_stay_far_inside_64_bits() -> None:
    # 250 of each: 1, 251, 63 001, 15 813 251; everything left out about 4e9.
    weights = priority_weights([1, 2, 3, 4] * 250)
    assert weights[:4] == [15_813_251, 63_001, 251, 1]
    assert sum(weights) < 2**53


# --- rows --------------------------------------------------------------------


def test_rows_of_calls_and_vans_are_in_the_days_order() -> None:
    day = generate_day(11, 12, 3)
    problem = problem_of(day)
    assert problem.visits[:, LENGTH].tolist() == [day.planned_s(c) for c in day.calls]
    assert problem.vans[:, SHIFT_LO].tolist() == [v.shift.start_s for v in day.vans]
    for row, call in enumerate(day.calls):
        spans = start_windows(day, call)
        assert problem.visits[row, WINDOWS] == len(spans)
        flat = [second for span in spans for second in span]
        assert problem.visits[row, WINDOW : WINDOW + len(flat)].tolist() == flat
        assert problem.visits[row, DEMAND] == sum(n.quantity for n in call.needs)
    expected = priority_weights([call.priority for call in day.calls])
    assert problem.visits[:, WEIGHT].tolist() == expected


def test_a_vans_row_holds_its_shift_break_and_rates() -> None:
    van = a_van(
        shift=window(8, 16),
        overtime_limit_s=1800,
        meal=Break(window=window(11, 13), length_s=1800),
        rates=Rates(km_cents=50, hour_cents=3000, overtime_hour_cents=4500),
        finish=None,
    )
    row = problem_of(a_day(a_call(), vans=(van,))).vans[0]
    wanted = {
        FINISH: -1,  # anywhere
        SHIFT_LO: 8 * HOUR_S,
        SHIFT_END: 16 * HOUR_S,
        SHIFT_HI: 16 * HOUR_S + 1800,
        MEAL_LO: 11 * HOUR_S,
        MEAL_HI: 13 * HOUR_S - 1800,  # the last second it can start
        MEAL_LENGTH: 1800,
        M_UNITS: 900,  # 50 cents per km, 18 units for a cent per 1000 m
        S_UNITS: 15_000,  # 3000 cents per hour, 5 units for a cent per 3600 s
        OVER_UNITS: 22_500,
        LOADS: 1,
        TWIN: 0,
    }
    assert {column: int(row[column]) for column in wanted} == wanted
    assert row[START] >= 0


def test_a_call_is_in_reach_of_the_nearest_start() -> None:
    case = case_of(
        a_day(
            a_call(place=at(10, 0)),
            vans=(a_van("V1", start=at(2, 0)), a_van("V2"), a_van("V3", start=None)),
        )
    )
    keys = case.travel.keys
    near_m = case.travel.distance_m[keys["start:V1"], keys["call:C1"]]
    assert case.problem.visits[0, REACH] == near_m
    assert near_m < case.travel.distance_m[keys["start:V2"], keys["call:C1"]]
    nowhere = problem_of(a_day(a_call(), vans=(a_van(start=None),)))
    assert nowhere.visits[0, REACH] == 0


@pytest.mark.parametrize(
    ("call", "vans"),
    [
        (a_call(), [1, 1]),
        (a_call(skills=frozenset({"safes"})), [0, 1]),
        (a_call(equipment=frozenset({"drill"})), [1, 0]),
        (a_call(required_van="V2"), [0, 1]),
        (a_call(equipment=frozenset({"drill"}), required_van="V2"), [0, 0]),
    ],
)
def test_skills_equipment_and_required_van_say_who_may_go(
    call: Call, vans: list[int]
) -> None:
    driver = a_van("V1", equipment=frozenset({"drill", "lamp"}))
    other = a_van("V2", skills=frozenset({"safes", "doors"}))
    problem = problem_of(a_day(call, vans=(driver, other)))
    assert problem.allowed[:, 0].tolist() == vans


def test_every_call_comes_first_in_its_own_neighbourhood_even_behind_one_door() -> None:
    calls = [a_call(f"C{n}", place=at(n // 2, 0)) for n in range(6)]  # two per door
    near = problem_of(a_day(*calls)).near
    assert near[:, 0].tolist() == list(range(6))
    assert near[:, 1].tolist() == [1, 0, 3, 2, 5, 4]
    assert all(sorted(row) == list(range(6)) for row in near.tolist())


# --- parts -------------------------------------------------------------------


def test_needs_choices_and_items_spell_out_substitutes_and_kits() -> None:
    # Parts by name: BLADE 0, CELL 1, FOB 2, KIT 3, OTHER 4.
    kit = a_part("KIT", components=(("FOB", 1), ("CELL", 2)))
    parts = (kit, *(a_part(part) for part in ("FOB", "CELL", "OTHER", "BLADE")))
    first = a_call("C1", needs=(need("KIT", "OTHER", quantity=2), need("BLADE")))
    bare = a_call("C2")
    last = a_call("C3", needs=(need("BLADE", quantity=3),))
    day = a_day(
        first,
        bare,
        last,
        parts=parts,
        vans=(a_van(stock={"FOB": 4}),),
        shop={"CELL": 7},
    )
    problem = problem_of(day)
    assert problem.visits[:, [NEED_LO, NEED_HI]].tolist() == [[0, 2], [2, 2], [2, 3]]
    assert problem.needs.tolist() == [[0, 2], [2, 3], [3, 4]]
    assert problem.choices.tolist() == [[0, 2], [2, 3], [3, 4], [4, 5]]
    items = [
        [2, 2],  # two kits: two fobs
        [1, 4],  # and four cells
        [4, 2],  # or two others
        [0, 1],  # one blade
        [0, 3],  # three blades
    ]
    assert problem.items.tolist() == items
    assert problem.stock.tolist() == [[0, 0, 4, 0, 0], [0, 7, 0, 0, 0]]


# --- twins -------------------------------------------------------------------


def twins(*changes: dict[str, object]) -> list[int]:
    vans = tuple(a_van(f"V{n}", **change) for n, change in enumerate(changes))
    call = a_call(place=at(5, 5), skills=frozenset({"safes"}))
    day = a_day(call, a_call("C2", required_van="V4"), vans=vans, parts=(a_part(),))
    return [int(row) for row in problem_of(day).vans[:, TWIN]]


def test_vans_alike_in_all_that_counts_are_twins_whatever_they_are_called() -> None:
    assert twins({}, {"driver": "Somebody"}, {}) == [0, 0, 0]


@pytest.mark.parametrize(
    "change",
    [
        {"start": at(1, 0)},
        {"finish": None},
        {"shift": window(8, 16)},
        {"overtime_limit_s": 60},
        {"meal": Break(window=window(11, 13), length_s=1800)},
        {"skills": frozenset({"safes"})},
        {"stock": {"BLANK": 1}},
        {"loads_at_shop": False},
        {"rates": Rates(km_cents=51, hour_cents=3000, overtime_hour_cents=4500)},
    ],
    ids=lambda change: next(iter(change)),
)
def test_a_van_that_differs_in_anything_is_no_twin(change: dict[str, object]) -> None:
    assert twins({}, change, {}, change) == [0, 1, 0, 1]


def test_the_van_a_call_asks_for_is_nobodys_twin() -> None:
    assert twins({}, {}, {}, {}, {}) == [0, 0, 0, 0, 4]


def test_arrays_are_whole_numbers_in_rows_as_the_kernel_wants_them() -> None:
    for seed in range(5):
        for array in problem_of(generate_day(seed, 6, 2)):
            if isinstance(array, np.ndarray):
                assert array.flags.c_contiguous
                assert array.dtype in (np.int64, np.uint8)
