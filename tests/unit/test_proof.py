"""What is proved, against looking at every plan."""

from collections import Counter
from dataclasses import replace

import pytest

from dispatch.generator import ALL, Feature, generate_day
from dispatch.partition import Linear, choose_routes, weigh
from dispatch.planner import Budget, plan_day
from dispatch.problem import (
    BROKEN,
    CALL,
    TWIN,
    WEIGHT,
    Problem,
    build_problem,
)
from dispatch.proof import Effort, Known, prove
from dispatch.proof import Proof as Proved
from dispatch.rules import goal
from dispatch.search.tours import CALLS_MAX
from dispatch.travel import travel_table
from shared.model import Day, Proof
from tests.builders import a_call, a_day, a_part, a_van, at, need, window
from tests.oracle.brute_force import Best, best_plan
from tests.oracle.test_brute_force import a_random_day

MONEY = 1_800_000  # cost units of 1.00


def problem_of(day: Day) -> Problem:
    return build_problem(day, travel_table(day))


NOTHING = Known((), 0)


def weight_of(day: Day, problem: Problem, best: Best) -> int:
    """Return what the goal of a best plan weighs, call by call."""
    left = {
        call.priority: w for call, w in zip(day.calls, weights(problem), strict=True)
    }
    broken = {
        day.calls[call].priority: weight
        for call, weight in problem.visits[:, [CALL, BROKEN]].tolist()
        if weight
    }
    total = 0
    for priority in range(1, 5):
        total += best.goal[priority - 1] * left.get(priority, 0)
        total += best.goal[priority + 3] * broken.get(priority, 0)
    return total


def weights(problem: Problem) -> list[int]:
    found: list[int] = problem.visits[: problem.call_count, WEIGHT].tolist()
    return found


def goal_of(problem: Problem, known: Known) -> tuple[int, int]:
    return weigh(problem, known.columns), known.cost


def with_parts(problem: Problem, proof: Proved, known: Known) -> Known:
    """Return the plan of a proof with what it costs, parts included."""
    if proof.columns is None:
        return known
    twin = problem.vans[:, TWIN].tolist()
    pool = [column._replace(van=twin[column.van]) for column in proof.columns]
    cover = choose_routes(problem, pool)
    assert cover is not None
    assert cover.left_out == weigh(problem, proof.columns)
    return Known(proof.columns, cover.cost)


def assert_true(day: Day, known: Known = NOTHING) -> Proved:
    """Hold what is claimed against the best plan there is."""
    problem = problem_of(day)
    best = best_plan(day, travel_table(day))
    proof = prove(problem, known)
    found = goal_of(problem, with_parts(problem, proof, known))
    truth = weight_of(day, problem, best), best.goal[-1]
    assert found >= truth
    if proof.proved:
        assert found == truth
    assert proof.bound is not None
    if found[0] == truth[0]:
        assert proof.bound <= truth[1]
    return proof


def test_from_nothing_the_best_plan_of_small_invented_days_is_found_and_proved() -> (
    None
):
    proved = sum(assert_true(generate_day(seed, 6, 2)).proved for seed in range(60))
    assert proved >= 58


def test_days_on_which_little_fits_and_parts_are_short_are_proved_as_well() -> None:
    proved = sum(assert_true(a_random_day(seed, 5)).proved for seed in range(120))
    assert proved >= 115


def test_three_vans_share_six_calls_as_well_as_can_be() -> None:
    proved = sum(assert_true(generate_day(seed, 6, 3)).proved for seed in range(15))
    assert proved >= 14


def test_broken_promises_paces_and_preferences_are_proved_as_well() -> None:
    some = frozenset({Feature.PROMISES, Feature.PACE, Feature.PREFERENCES})
    proved = sum(
        assert_true(generate_day(seed, 6, 2, tightness=0.9, features=some)).proved
        for seed in range(40)
    )
    assert proved >= 38


@pytest.mark.slow
def test_what_is_said_of_days_with_all_features_is_true() -> None:
    said: Counter[Proof] = Counter()
    for seed in range(16):
        day = generate_day(seed, 5, 2, features=ALL)
        # The oracle does not let tools change hands.
        tools = tuple(replace(tool, handover=False) for tool in day.tools)
        day = replace(day, tools=tools)
        truth = best_plan(day, travel_table(day)).goal
        plan = plan_day(day, Budget(rounds=10_000))
        found = goal(day, plan)
        said[plan.status.proof] += 1
        assert found >= truth
        if plan.status.proof is Proof.PROVED_BEST:
            assert found == truth
        if plan.status.bound_units is not None and found[:-1] == truth[:-1]:
            assert plan.status.bound_units <= truth[-1]
    assert said[Proof.PROVED_BEST] >= 1


def test_twins_go_out_both_where_the_windows_want_it() -> None:
    # Two calls at the shop's door, both from 8:00 to 8:30 only: one van each, half
    # an hour at 30.00 each.
    morning = (window(8, 8.5),)
    day = a_day(
        a_call("A", windows=morning),
        a_call("B", windows=morning),
        vans=(a_van("V1"), a_van("V2")),
    )
    proof = assert_true(day)
    assert proof.proved
    assert proof.bound == 30 * MONEY
    assert proof.columns is not None
    assert [column.van for column in proof.columns] == [0, 1]


def test_five_pieces_serve_two_calls_that_take_two_each() -> None:
    # In fractions five pieces would do for two calls and a half.
    calls = [a_call(f"C{n}", needs=(need("BLANK", quantity=2),)) for n in range(3)]
    vans = (a_van("V1"), a_van("V2", stock={"BLANK": 1}))
    day = a_day(*calls, vans=vans, parts=(a_part(),), shop={"BLANK": 4})
    assert assert_true(day).proved


def test_a_known_plan_that_is_best_is_proved_without_a_better_one() -> None:
    day = generate_day(3, 6, 2)
    first = assert_true(day)
    assert first.proved
    assert first.columns is not None
    problem = problem_of(day)
    again = assert_true(day, with_parts(problem, first, NOTHING))
    assert again.proved
    assert again.columns is None


def test_a_day_nobody_can_serve_is_proved_to_cost_nothing() -> None:
    day = a_day(a_call(skills=frozenset({"safes"})))
    assert prove(problem_of(day), NOTHING) == Proved(None, proved=True, bound=0)


@pytest.mark.slow
def test_the_same_question_gets_the_same_answer() -> None:
    problem = problem_of(generate_day(5, 14, 2))
    assert prove(problem, NOTHING) == prove(problem, NOTHING)


def test_little_effort_still_gives_a_bound_that_holds() -> None:
    for seed in range(20):
        day = generate_day(seed, 6, 2)
        problem = problem_of(day)
        best = prove(problem, NOTHING)
        assert best.proved
        assert best.columns is not None
        known = with_parts(problem, best, NOTHING)
        hasty = prove(problem, known, effort=Effort(labels=0))
        assert hasty.bound is not None
        assert hasty.bound <= known.cost


def test_a_proof_that_is_stopped_claims_nothing() -> None:
    problem = problem_of(generate_day(1, 6, 2))
    proof = prove(problem, NOTHING, effort=Effort(stop=lambda: True))
    assert not proof.proved
    assert proof.columns is None
    assert proof.bound in (None, 0)


def test_a_day_of_too_many_calls_is_not_even_tried() -> None:
    day = a_day(*(a_call(f"C{n}", place=at(n / 9, 0)) for n in range(CALLS_MAX + 1)))
    assert prove(problem_of(day), NOTHING) == Proved(None, proved=False, bound=None)


def test_a_programme_s_bound_holds_whatever_the_prices() -> None:
    # x + y >= 3, x <= 2 at 2 and 5 each: x = 2, y = 1 costs 9.
    lp = Linear(unit=1)
    both, limit = lp.add_row(3, 1), lp.add_row(2, -1)
    lp.add_variable(2, {both: 1, limit: 1}, 9)
    lp.add_variable(5, {both: 1}, 9)
    assert lp.solve() == [5, -3]
    assert lp.bound([5, -3]) == 9
    # 3 * 4 - 2 * 1 = 10, and x earns 4 - 1 - 2 = 1 up to nine times: 10 - 9.
    assert lp.bound([4, -1]) == 1
    assert lp.bound([0, 0]) == 0


def test_a_programme_without_an_answer_is_quiet_about_it(
    capfd: pytest.CaptureFixture[str],
) -> None:
    lp = Linear(unit=1)
    row = lp.add_row(2, 1)
    x = lp.add_variable(3, {row: 1})
    assert lp.solve() == [3]
    assert lp.value(x) == pytest.approx(2)
    lp.forbid([x])  # nothing is left that could reach 2
    assert lp.solve() is None
    assert lp.value(x) == 0
    lp.forbid([])
    assert lp.value(x) == 0  # not solved again yet
    assert lp.solve() == [3]
    assert lp.value(x) == pytest.approx(2)
    y = lp.add_variable(1, {row: 1})
    assert lp.value(y) == lp.value(x) == 0
    assert capfd.readouterr() == ("", "")
