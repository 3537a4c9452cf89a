"""What the search says lateness is to cost, against the judge, which recomputes it."""

import numpy as np
import pytest

from dispatch.generator import ALL, Feature
from dispatch.hazard import build_futures
from dispatch.problem import Futures, no_futures
from dispatch.rules import expected_late_units
from dispatch.search.lns import BEST_LEFT, BEST_MONEY, Memory, new_memory, search
from dispatch.search.risk import expect_all
from dispatch.search.schedule import LATE, MONEY, RISK, SIZE
from dispatch.solver import Budget, solve
from dispatch.timetable import lay_out
from shared.model import Day, Risk, Route
from tests.kernel.days import HEAT, Case, as_agreed, cases, fewer, task_of


def a_risk(day: Day, seed: int, futures: int = 8) -> Risk:
    """Return futures in which visits take up to three times as long as planned."""
    dice = np.random.default_rng(seed)
    return Risk(
        hour_cents=int(dice.integers(1, 20_000)),
        broken_s=int(dice.choice([0, 600])),
        lengths_s={
            call.id: tuple(dice.integers(1, 3 * call.median_s, futures).tolist())
            for call in day.calls
        },
        pace_permille=tuple(dice.integers(700, 1500, futures).tolist()),
    )


def searched(case: Case, futures: Futures, rounds: int, seed: int = 0) -> Memory:
    """Return the memory of a search that prices the risk."""
    memory = new_memory(case.problem)
    dice = np.random.default_rng(seed)
    search(case.problem, memory, dice, rounds, HEAT, futures)
    return memory


def written(case: Case, memory: Memory) -> dict[int, Route]:
    """Return the best routes as the plain clock drives them."""
    problem, best = as_agreed(case.problem, memory.best), memory.best
    routes = {}
    for van, size in enumerate(best.facts[:, SIZE].tolist()):
        order = best.order[van, :size].tolist()
        tasks = [task_of(case.day, problem.visits, visit) for visit in order]
        if tasks:
            route = lay_out(case.day, case.travel, case.day.vans[van], tasks)
            assert route is not None, f"{case.day.name}: {order} cannot be driven"
            routes[van] = route
    return routes


@pytest.mark.parametrize("features", [frozenset(), ALL], ids=["plain", "all"])
def test_the_judge_prices_the_risk_of_every_route_to_the_unit(
    features: frozenset[Feature],
) -> None:
    """Random days, with and without everything that a day can have."""
    risky = 0
    for case in cases(fewer(60, 4), 12, 3, features=features):
        risk = a_risk(case.day, seed=int(case.day.name.split()[-1]))
        memory = searched(
            case, build_futures(case.day, risk, case.problem), fewer(300, 10)
        )
        for van, route in written(case, memory).items():
            units = expected_late_units(case.day, case.travel, risk, [route])
            assert memory.best.facts[van, RISK] == units, (case.day.name, route.van_id)
            risky += units > 0
    assert risky > fewer(40, 2)


def test_what_the_search_holds_is_what_its_routes_cost_with_their_risk() -> None:
    """Nothing is lost or counted twice from round to round."""
    for case in cases(fewer(10, 2), 20, 3):
        futures = build_futures(case.day, a_risk(case.day, 1), case.problem)
        memory = searched(case, futures, fewer(1_000, 10))
        for routes, left, money in (
            (memory.kept, 0, 1),
            (memory.best, BEST_LEFT, BEST_MONEY),
        ):
            fresh = routes.facts.copy()
            expect_all(case.problem, futures, routes)
            assert (routes.facts == fresh).all()
            total = routes.facts[:, [MONEY, RISK]].sum()
            assert memory.score[money] == total
            assert memory.score[left] == routes.left[0] + routes.facts[:, LATE].sum()


def test_of_one_van_at_no_price_the_search_goes_the_same_way() -> None:
    """Priced at nothing, the risk changes nothing."""
    for case in cases(fewer(4, 1), 12, 1, first=50):
        risk = a_risk(case.day, 2)
        free = build_futures(case.day, risk, case.problem)._replace(units_s=0)
        off = searched(case, no_futures(), fewer(500, 10))
        on = searched(case, free, fewer(500, 10))
        assert (off.best.order == on.best.order).all()
        assert off.score.tolist() == on.score.tolist()


def test_the_same_seed_gives_the_same_routes_with_the_risk_priced() -> None:
    """And nothing is called proved that nobody has proved."""
    for case in cases(2, 6, 2):
        futures = build_futures(case.day, a_risk(case.day, 3), case.problem)
        budget = Budget(rounds=fewer(400, 20))
        made = [solve(case.problem, budget, futures=futures) for _ in range(2)]
        assert made[0].columns == made[1].columns
        assert not made[0].proved
