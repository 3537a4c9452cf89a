"""Routes found with prices on calls, against all routes there are."""

import numpy as np
import pytest

from dispatch.problem import Problem
from dispatch.search.pricing import (
    Ahead,
    Prices,
    find_worthwhile,
    least_of_all,
    look_ahead,
    new_ahead,
    remember,
    walk_least,
)
from dispatch.search.tours import (
    BEST_COST,
    BEST_SET,
    FAR,
    Tours,
    find_tours,
    new_tours,
)
from shared.model import Break
from tests.builders import a_call, a_day, a_part, a_van, at, need, window
from tests.kernel.days import case_of, cases, fewer

ROOM = 20_000
MONEY = 1_800_000  # cost units of 1.00


def all_costs(problem: Problem, van: int) -> dict[int, int]:
    tours = new_tours(ROOM)
    labels, sets = find_tours(problem, tours, van)
    assert labels <= ROOM
    rows = tours.best[:sets]
    return dict(
        zip(rows[:, BEST_SET].tolist(), rows[:, BEST_COST].tolist(), strict=True)
    )


def gain(problem: Problem, prices: Prices, mask: int, cost: int) -> int:
    on = [call for call in range(problem.call_count) if mask >> call & 1]
    tolls = sum(
        toll
        for three, toll in zip(
            prices.threes.tolist(), prices.tolls.tolist(), strict=True
        )
        if len(set(three).intersection(on)) > 1
    )
    fees = sum(
        fee * max(0, sum(pieces[call] for call in on) - aboard)
        for pieces, aboard, fee in zip(
            prices.pieces.tolist(),
            prices.aboard.tolist(),
            prices.fees.tolist(),
            strict=True,
        )
    )
    return cost - int(prices.earned[on].sum()) + tolls + fees


def without_tolls(earned: np.ndarray) -> Prices:
    none = np.zeros(0, np.int64)
    return Prices(
        earned,
        np.zeros((0, 3), np.int64),
        none,
        np.zeros((0, len(earned)), np.int64),
        none,
        none,
        none,
        earned,
    )


def some_prices(problem: Problem, seed: int) -> Prices:
    """Return prices from nothing to what a usual visit costs, some below nothing.

    And tolls on up to six triples of calls, some of the same calls, some odd; and fees
    on up to four kinds of parts, of which the table knows nothing, a share or all.
    """
    rng = np.random.default_rng(seed)
    calls = problem.call_count
    earned = rng.integers(-20 * MONEY, 120 * MONEY, calls)
    cuts = seed % 7 if calls > 2 else 0
    threes = [rng.choice(calls, 3, replace=False) for _ in range(cuts)]
    tolls = rng.integers(0, 60 * MONEY, cuts)
    limits = seed % 5
    pieces = rng.integers(0, 3, (limits, calls))
    fees = rng.integers(0, 60 * MONEY, limits)
    shares = fees * rng.integers(0, 9, limits) // 8
    return Prices(
        earned,
        np.array(threes, np.int64).reshape(-1, 3),
        tolls,
        pieces,
        rng.integers(0, 4, limits),
        fees,
        shares,
        earned - shares @ pieces,
    )


def found(
    problem: Problem, ahead: Ahead, prices: Prices, limit: int, width: int = ROOM
) -> dict[int, int]:
    tours: Tours = new_tours(ROOM)
    _, sets, whole = find_worthwhile(problem, tours, ahead, 0, prices, (limit, width))
    assert whole or width < ROOM
    rows = tours.best[:sets]
    return dict(
        zip(rows[:, BEST_SET].tolist(), rows[:, BEST_COST].tolist(), strict=True)
    )


@pytest.mark.parametrize(("step_s", "width"), [(60, 3), (900, 1), (7200, 0)])
def test_no_route_is_cheaper_than_the_table_says_and_none_within_the_limit_is_lost(
    step_s: int, width: int
) -> None:
    sets = 0
    for seed, case in enumerate(cases(fewer(60, 4), fewer(7, 5), 1)):
        problem = case.problem
        prices = some_prices(problem, seed)
        ahead = new_ahead(problem, 0, step_s, (width, width))
        look_ahead(problem, ahead, 0, prices)
        costs = all_costs(problem, 0)
        gains = {m: gain(problem, prices, m, c) for m, c in costs.items()}
        least = min(gains.values(), default=FAR)
        assert least_of_all(problem, ahead, 0, prices) <= least
        ranked = sorted(gains.values())
        for limit in (0, ranked[len(ranked) // 2] if ranked else 0, least):
            wanted = {m: c for m, c in costs.items() if gains[m] <= limit}
            assert found(problem, ahead, prices, limit) == wanted
            sets += len(wanted)
    assert sets > fewer(500, 20)


@pytest.mark.parametrize("bounds", [(9, 11), (11, 13)])
def test_breaks_that_compete_with_windows_make_no_difference(
    bounds: tuple[float, float],
) -> None:
    calls = [
        a_call(
            f"C{n}",
            place=at(3 * n, n % 2),
            windows=(window(8.5 + 2 * n / 3, 10 + 2 * n / 3),),
        )
        for n in range(6)
    ]
    van = a_van(
        shift=window(8, 12),
        overtime_limit_s=5400,
        meal=Break(window=window(*bounds), length_s=3600),
    )
    problem = case_of(a_day(*calls, vans=(van,))).problem
    costs = all_costs(problem, 0)
    assert len(costs) > 5
    prices = some_prices(problem, 7)
    ahead = new_ahead(problem, 0, 120, (2, 2))
    look_ahead(problem, ahead, 0, prices)
    wanted = {
        m: c for m, c in costs.items() if gain(problem, prices, m, c) <= 30 * MONEY
    }
    assert found(problem, ahead, prices, 30 * MONEY) == wanted


def test_visits_of_a_second_within_one_slot_are_not_lost() -> None:
    # Six visits of one second at the shop's door all end within one slot of an hour.
    calls = [a_call(f"C{n}", median_s=1, p90_s=1) for n in range(6)]
    problem = case_of(a_day(*calls)).problem
    prices = without_tolls(np.full(6, MONEY))
    ahead = new_ahead(problem, 0, 3600, (1, 1))
    look_ahead(problem, ahead, 0, prices)
    assert len(found(problem, ahead, prices, 0)) == 2**6 - 1


def test_a_walk_that_comes_twice_to_a_call_is_remembered_from_then_on() -> None:
    # One call pays, the others lie next to it: going back and forth looks best.
    calls = [a_call(f"C{n}", place=at(n, 0)) for n in range(6)]
    problem = case_of(a_day(*calls)).problem
    prices = without_tolls(np.array([90, 90, 10, 10, 10, 10]) * MONEY)
    ahead = new_ahead(problem, 0, 300, (0, 4))
    look_ahead(problem, ahead, 0, prices)
    before = least_of_all(problem, ahead, 0, prices)
    walk = np.zeros(100, np.int64)
    count = walk_least(problem, ahead, 0, prices, walk)
    assert len(set(walk[:count].tolist())) < count  # some call comes twice
    for _ in range(20):
        if not remember(ahead, walk[:count]):
            break
        look_ahead(problem, ahead, 0, prices)
        count = walk_least(problem, ahead, 0, prices, walk)
    after = least_of_all(problem, ahead, 0, prices)
    exact = min(gain(problem, prices, m, c) for m, c in all_costs(problem, 0).items())
    assert before < after <= exact


def test_sets_that_use_up_more_than_there_is_are_not_even_tried() -> None:
    calls = [a_call(f"C{n}", needs=(need("BLANK"),)) for n in range(3)]
    van = a_van(stock={"BLANK": 2}, loads_at_shop=False)
    problem = case_of(a_day(*calls, vans=(van,), parts=(a_part(),))).problem
    prices = without_tolls(np.full(3, 10**6 * MONEY))
    ahead = new_ahead(problem, 0, 300, (1, 1))
    look_ahead(problem, ahead, 0, prices)
    assert set(found(problem, ahead, prices, 0)) == {1, 2, 3, 4, 5, 6}


def test_too_little_room_is_reported() -> None:
    problem = cases(1, 6, 1)[0].problem
    prices = without_tolls(np.full(6, 10**6 * MONEY))
    ahead = new_ahead(problem, 0, 300, (1, 1))
    look_ahead(problem, ahead, 0, prices)
    room = new_tours(3)
    assert not find_worthwhile(problem, room, ahead, 0, prices, (0, ROOM))[2]


def test_a_narrow_search_finds_some_of_the_routes_and_says_that_it_is_not_all() -> None:
    problem = cases(1, 6, 1)[0].problem
    prices = without_tolls(np.full(6, 10**6 * MONEY))
    ahead = new_ahead(problem, 0, 300, (1, 1))
    look_ahead(problem, ahead, 0, prices)
    costs = all_costs(problem, 0)
    tours = new_tours(ROOM)
    _, sets, whole = find_worthwhile(problem, tours, ahead, 0, prices, (0, 2))
    assert not whole
    some = set(tours.best[:sets, BEST_SET].tolist())
    assert some < set(costs)


def test_a_van_nobody_may_send_has_no_route() -> None:
    problem = case_of(a_day(a_call(skills=frozenset({"safes"})))).problem
    ahead = new_ahead(problem, 0, 300, (1, 1))
    prices = without_tolls(np.array([MONEY]))
    look_ahead(problem, ahead, 0, prices)
    assert least_of_all(problem, ahead, 0, prices) >= FAR
    assert found(problem, ahead, prices, FAR) == {}
