"""A search that begins from given routes holds what they are, or a sound part of it."""

from collections import Counter

import numpy as np
import pytest

from dispatch.generator import ALL, Feature
from dispatch.partition import Column, weigh
from dispatch.problem import CALL, STORE_VISIT, WEIGHT, no_futures, own_copy
from dispatch.search.begin import begin, new_lot
from dispatch.search.lns import BEST_LEFT, BEST_MONEY, Memory, new_memory, search
from dispatch.search.schedule import BACK, LATE, MONEY, PARTS, SIZE, time_route
from dispatch.search.tours import CALLS_MAX
from dispatch.solver import Budget, solve, used_by
from tests.kernel.days import HEAT, Case, cases, fewer, searched


def begun(case: Case, order: np.ndarray, sizes: np.ndarray) -> Memory:
    """Return the memory of a search that begins from these routes."""
    memory, lot = new_memory(case.problem), new_lot(case.problem)
    lot.visits[...] = order
    lot.sizes[:] = sizes
    begin(case.problem, memory.now, memory.notes, lot)
    return memory


def assert_sound(case: Case, memory: Memory) -> None:
    """Check that the search knows its own routes."""
    problem, now = case.problem, memory.now
    vans = range(len(problem.vans))
    placed = []
    for van in vans:
        visits = now.order[van, : now.facts[van, SIZE]]
        calls = problem.visits[visits, CALL].tolist()
        placed += [call for call in calls if call < problem.call_count]
        before = now.facts[van].tolist()
        assert time_route(problem, now, van)
        assert now.facts[van].tolist() == before
        for place, call in enumerate(calls):
            if call < problem.call_count and now.store_of[call] >= 0:
                stop = problem.stores[now.store_of[call], STORE_VISIT]
                assert stop in visits[:place].tolist()
    assert len(set(placed)) == len(placed)
    assert set(placed) == set(np.flatnonzero(now.van_of[: problem.call_count] >= 0))
    weights = problem.visits[: problem.call_count, WEIGHT]
    assert now.left[0] == weights.sum() - weights[placed].sum()
    assert (now.used == used_by(problem, now, vans)).all()
    assert (now.used >= 0).all()
    assert (now.used[len(vans) :] <= problem.stock[len(vans) :]).all()


FEATURES = {
    "plain": frozenset[Feature](),
    "links": frozenset({Feature.LINKS}),
    "stores": frozenset({Feature.RESTOCK}),
    "everything": ALL | {Feature.STANDING},
}


@pytest.mark.parametrize("kind", FEATURES)
def test_a_search_holds_the_routes_it_is_given(kind: str) -> None:
    seen = Counter[str]()
    for given in cases(fewer(30, 3), 10, 3, first=40, features=FEATURES[kind]):
        best = searched(given.problem, fewer(200, 20)).best
        case = given._replace(problem=own_copy(given.problem))
        memory = begun(case, best.order, best.facts[:, SIZE])
        assert_sound(case, memory)
        found = int(memory.now.left[0] + memory.now.facts[:, LATE].sum())
        wanted = int(best.left[0] + best.facts[:, LATE].sum())
        seen["all"] += 1
        seen["kept"] += found == wanted
        if found == wanted:
            driven = memory.now.facts[:, MONEY] - memory.now.facts[:, PARTS]
            # Less where a stop turns out to be of no use.
            assert driven.sum() <= (best.facts[:, MONEY] - best.facts[:, PARTS]).sum()
    # Parts may not go round in another order than the search has found.
    assert seen["kept"] >= 0.9 * seen["all"], seen


def test_what_does_not_work_of_given_routes_is_left_out() -> None:
    rng = np.random.default_rng(3)
    dropped = 0
    for case in cases(fewer(40, 4), 9, 3, first=90, features=FEATURES["everything"]):
        problem, calls = case.problem, case.problem.call_count
        lot = new_lot(problem)
        for call in rng.permutation(calls).tolist():  # to any van, in any order
            van = int(rng.integers(len(problem.vans)))
            lot.visits[van, lot.sizes[van]] = call
            lot.sizes[van] += 1
        memory = begun(case, lot.visits, lot.sizes)
        assert_sound(case, memory)
        dropped += int((memory.now.van_of[:calls] < 0).sum())
        search(problem, memory, np.random.default_rng(0), 20, HEAT, no_futures())
        assert (memory.now.facts[:, BACK] <= problem.vans[:, 3]).all()
    assert dropped > 0


def test_a_search_that_begins_from_routes_finds_none_worse() -> None:
    for case in cases(fewer(12, 1), CALLS_MAX + 4, 3, first=300):
        problem = case.problem
        best = searched(problem, fewer(300, 20))
        start = tuple(
            Column(
                van,
                tuple(best.best.order[van, : best.best.facts[van, SIZE]].tolist()),
                int(best.best.facts[van, MONEY] - best.best.facts[van, PARTS]),
            )
            for van in np.flatnonzero(best.best.facts[:, SIZE]).tolist()
        )
        for rounds in (0, 5):
            found = solve(problem, Budget(rounds=rounds), start=start)
            rank = weigh(problem, found.columns), sum(c.cost for c in found.columns)
            assert rank <= (weigh(problem, start), sum(c.cost for c in start))
            if rounds == 0:  # nothing has been searched: they are still there
                assert found.columns == start
        assert best.score[BEST_LEFT] == weigh(problem, start)
        assert best.score[BEST_MONEY] >= sum(column.cost for column in start)
