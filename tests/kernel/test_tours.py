"""The best order of every set of calls, against trying all orders."""

from dataclasses import replace

import numpy as np
import pytest

from dispatch.generator import ALL, Feature
from dispatch.problem import BROKEN, CALL, Problem
from dispatch.search.tours import (
    BEST_COST,
    BEST_LABEL,
    BEST_LATE,
    BEST_SET,
    CALLS_MAX,
    DROPPED,
    FAR,
    Tours,
    find_tours,
    hash_of,
    join_van,
    new_tours,
    order_of,
    write_orders,
)
from shared.model import Break, Call, Rates, Window
from tests.builders import a_call, a_day, a_part, a_van, at, need, window
from tests.kernel.days import Case, case_of, cases, fewer
from tests.oracle.brute_force import Stock, cheapest_tours, tours_of
from tests.oracle.slow_schedule import time_route

ROOM = 100_000


def found(problem: Problem, van: int, room: int = ROOM) -> tuple[Tours, int, int]:
    tours = new_tours(room)
    labels, sets = find_tours(problem, tours, van)
    return tours, labels, sets


def costs(problem: Problem, van: int) -> dict[int, int]:
    tours, labels, sets = found(problem, van)
    assert labels <= ROOM
    rows = tours.best[:sets]
    assert len(set(rows[:, BEST_SET].tolist())) == sets  # each set once
    return dict(
        zip(rows[:, BEST_SET].tolist(), rows[:, BEST_COST].tolist(), strict=True)
    )


def assert_as_good_as_all_orders(case: Case, van: int) -> int:
    """Compare every set of calls; return how many there are.

    Sets whose parts the van could never have may be left out, and no others.
    """
    expected = tours_of(case.day, case.travel, case.day.vans[van])
    wanted = {mask: tour.cost_units for mask, tour in expected.items() if mask}
    got = costs(case.problem, van)
    assert got == {mask: wanted[mask] for mask in got}
    stock = Stock(case.day)
    idle = [0] * len(case.day.vans)
    for mask in wanted.keys() - got.keys():
        alone = (*idle[:van], mask, *idle[van + 1 :])
        assert not stock.suffices(alone)
    return len(got)


def test_every_set_of_calls_has_the_cost_of_its_best_order() -> None:
    sets = 0
    for case in cases(fewer(100, 20), 6, 2):
        sets += assert_as_good_as_all_orders(case, 0)
        sets += assert_as_good_as_all_orders(case, 1)
    assert sets > fewer(1000, 200)


WAYS = ALL - {Feature.RESTOCK, Feature.LINKS, Feature.LIMITS}
"""All but what the enumeration of routes does not look at."""


def test_every_set_has_its_best_order_with_the_best_way_to_do_each_call() -> None:
    # Paces, promises that may break, preferences, levels, shared tools, hand-overs.
    sets = broken = dearer = 0
    for day, travel, problem in cases(fewer(60, 6), 5, 2, features=WAYS):
        weights = {
            day.calls[call].priority: weight
            for call, weight in problem.visits[:, [CALL, BROKEN]].tolist()
            if weight
        }
        stock = Stock(day)
        for row, van in enumerate(day.vans):
            wanted = {
                sum(
                    1 << number
                    for number, call in enumerate(day.calls)
                    if call.id in dict(served)
                ): tour.price
                for served, tour in cheapest_tours(day, travel, van).items()
                if served and not any(stops for _, stops in served)
            }
            tours, labels, count = found(problem, row)
            assert labels <= ROOM
            got = {
                line[BEST_SET]: (line[BEST_LATE], line[BEST_COST])
                for line in tours.best[:count].tolist()
            }
            assert len(got) == count
            for members, (late, cost) in got.items():
                price = wanted[members]
                assert cost == price.units
                assert late == sum(
                    weights.get(priority, 0) * number
                    for priority, number in zip((1, 2, 3, 4), price.broken, strict=True)
                )
                broken += late > 0
            for members in wanted.keys() - got.keys():
                alone = tuple(members * (other == row) for other in range(2))
                assert not stock.suffices(alone)
            orders = np.full((count, problem.call_count), 99)
            write_orders(tours, np.arange(count)[::-1].copy(), orders)
            for line, written in zip(
                tours.best[:count].tolist(), orders[::-1].tolist(), strict=True
            ):
                order = order_of(tours, line[BEST_LABEL])
                assert written == [*order, *[-1] * (problem.call_count - len(order))]
                assert problem.allowed[row, list(order)].all()
                dearer += any(visit >= problem.call_count for visit in order)
            sets += count
    assert sets > fewer(800, 50)
    assert min(broken, dearer) > fewer(50, 4)


def test_slack_days_in_which_every_order_works_have_no_set_forgotten() -> None:
    for case in cases(fewer(20, 5), 5, 1, first=500):
        assert_as_good_as_all_orders(case, 0)
    anywhere = [a_call(f"C{n}", place=at(n, -n)) for n in range(6)]
    case = case_of(a_day(*anywhere))
    assert assert_as_good_as_all_orders(case, 0) == 2**6 - 1


def a_tight_call(number: int, opens: float) -> Call:
    return a_call(
        f"C{number}",
        place=at(3 * number, number % 2),
        windows=(window(opens, opens + 1.5),),
    )


@pytest.mark.parametrize("length_min", [20, 60])
@pytest.mark.parametrize("over_min", [0, 90])
@pytest.mark.parametrize("bounds", [(9, 11), (10, 12), (11, 13)])
def test_breaks_windows_and_overtime_lose_no_order(
    length_min: int, over_min: int, bounds: tuple[float, float]
) -> None:
    # Windows of 1.5 h from 8:30, every 40 minutes: the break competes with them.
    calls = [a_tight_call(n, 8.5 + 2 * n / 3) for n in range(6)]
    van = a_van(
        shift=window(8, 12),
        overtime_limit_s=over_min * 60,
        meal=Break(
            window=Window(start_s=int(bounds[0] * 3600), end_s=int(bounds[1] * 3600)),
            length_s=length_min * 60,
        ),
        rates=Rates(km_cents=40, hour_cents=0, overtime_hour_cents=5000),
    )
    assert assert_as_good_as_all_orders(case_of(a_day(*calls, vans=(van,))), 0) > 5


def test_each_order_can_be_driven_and_costs_what_is_said() -> None:
    for day, travel, problem in cases(20, 6, 2):
        for van in range(2):
            tours, _, sets = found(problem, van)
            for row in tours.best[:sets]:
                order = order_of(tours, int(row[BEST_LABEL]))
                assert sum(1 << call for call in order) == row[BEST_SET]
                ids = [day.calls[call].id for call in order]
                timed = time_route(day, travel, day.vans[van], ids)
                assert timed is not None
                rates, shift = day.vans[van].rates, day.vans[van].shift
                assert row[BEST_COST] == (
                    18 * rates.km_cents * timed.distance_m
                    + 5 * rates.hour_cents * (timed.finish_s - day.vans[van].paid_s)
                    + 5
                    * rates.overtime_hour_cents
                    * max(0, timed.finish_s - shift.end_s)
                )


def test_labels_are_dropped_at_all() -> None:
    # Five calls at ease: 5 + 20 + 60 + 120 + 120 = 325 orders to go through, of
    # which all but the best of each set and last call can go.
    calls = [a_call(f"C{n}", place=at(n, -n)) for n in range(5)]
    tours, labels, _ = found(case_of(a_day(*calls)).problem, 0)
    kept = labels - int(tours.labels[:labels, DROPPED].sum())
    assert kept < labels < 325
    assert kept == 5 * 2**4  # sets with a last call in them


def test_too_little_room_is_reported_and_just_enough_is_enough() -> None:
    problem = cases(1, 6, 1)[0].problem
    tours, labels, sets = found(problem, 0)
    assert labels > 10
    for room in (1, labels // 2, labels - 1):
        assert found(problem, 0, room)[1] > room
    tight, again, same = found(problem, 0, labels)
    assert (again, same) == (labels, sets)
    assert np.array_equal(tight.best[:sets], tours.best[:sets])


def test_sets_that_use_up_more_than_there_is_are_not_even_tried() -> None:
    # Two blanks aboard for three calls: seven sets less the one of all three.
    calls = [a_call(f"C{n}", needs=(need("BLANK"),)) for n in range(3)]
    van = a_van(stock={"BLANK": 2}, loads_at_shop=False)
    day = a_day(*calls, vans=(van,), parts=(a_part(),))
    assert set(costs(case_of(day).problem, 0)) == {1, 2, 3, 4, 5, 6}
    with_shop = replace(van, loads_at_shop=True)
    day = a_day(*calls, vans=(with_shop,), parts=(a_part(),), shop={"BLANK": 1})
    assert set(costs(case_of(day).problem, 0)) == {1, 2, 3, 4, 5, 6, 7}


def test_vans_that_join_one_by_one_share_every_set_as_well_as_can_be() -> None:
    rng = np.random.default_rng(5)
    sets = 1 << 5
    own = rng.integers(1, 100, (3, sets))
    own[rng.random((3, sets)) < 0.3] = FAR  # sets this van cannot serve
    own[:, 0] = 0
    joint = np.full(sets, FAR, np.int64)
    joint[0] = 0
    taken = np.zeros((3, sets), np.int64)
    for van in range(3):
        join_van(joint, own[van], taken[van])
    for members in range(sets):
        parts = [part for part in range(sets) if part & ~members == 0]
        best = min(
            int(own[0, a] + own[1, b] + own[2, members ^ a ^ b])
            for a in parts
            for b in parts
            if a & b == 0
        )
        assert min(joint[members], FAR) == min(best, FAR)
        left, cost = members, 0
        for van in (2, 1, 0):
            cost += int(own[van, taken[van, left]])
            left ^= int(taken[van, left])
        assert best >= FAR or (left == 0 and cost == best)


def test_a_van_nobody_may_send_finds_nothing() -> None:
    day = a_day(a_call(skills=frozenset({"safes"})))
    assert found(case_of(day).problem, 0)[1:] == (0, 0)


def test_sixty_two_calls_fit_into_a_set_each_with_its_own_bit() -> None:
    # Only the last two of 62 can be done, a quarter of an hour is too short for both.
    calls = [a_call(f"C{n}", skills=frozenset({"safes"})) for n in range(CALLS_MAX - 2)]
    both = [a_call(f"C{n}") for n in range(CALLS_MAX - 2, CALLS_MAX)]
    case = case_of(a_day(*calls, *both, vans=(a_van(shift=window(8, 8.75)),)))
    assert costs(case.problem, 0).keys() == {1 << (CALLS_MAX - 2), 1 << (CALLS_MAX - 1)}


def test_buckets_are_used_evenly_and_never_leave_the_table() -> None:
    size = 1 << 12
    cells = [hash_of(mask, mask % 13, size) for mask in range(4000)]
    cells += [hash_of((1 << 61) + (mask << 30), 61, size) for mask in range(4000)]
    assert min(cells) >= 0
    assert max(cells) < size
    # 8000 throws into 4096 cells leave exp(-1.95) = 14 % of them empty.
    assert len(set(cells)) > 0.75 * size
