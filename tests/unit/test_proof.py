"""What is proved, against looking at every plan."""

from collections.abc import Sequence

import pytest

from dispatch.generator import generate_day
from dispatch.partition import Column, Linear, weigh_left_out
from dispatch.problem import Problem, build_problem
from dispatch.proof import Effort, Proof, prove
from dispatch.search.tours import CALLS_MAX
from dispatch.travel import travel_table
from shared.model import Day
from tests.builders import a_call, a_day, a_part, a_van, at, need, window
from tests.oracle.brute_force import Best, best_plan
from tests.oracle.test_brute_force import a_random_day

MONEY = 1_800_000  # cost units of 1.00


def problem_of(day: Day) -> Problem:
    return build_problem(day, travel_table(day))


def left_of(day: Day, problem: Problem, best: Best) -> int:
    row = {call.id: index for index, call in enumerate(day.calls)}
    placed = tuple(row[call] for _, route in best.routes for call in route)
    return weigh_left_out(problem, [Column(0, placed, 0)])


def assert_true(day: Day, known: Sequence[Column] = ()) -> Proof:
    """Hold what is claimed against the best plan there is."""
    problem = problem_of(day)
    best = best_plan(day, travel_table(day))
    proof = prove(problem, known)
    columns = known if proof.columns is None else proof.columns
    left_out, cost = weigh_left_out(problem, columns), sum(c.cost for c in columns)
    least = left_of(day, problem, best)
    assert (left_out, cost) >= (least, best.goal[-1])
    if proof.proved:
        assert (left_out, cost) == (least, best.goal[-1])
    assert proof.bound is not None
    if left_out == least:
        assert proof.bound <= best.goal[-1]
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
    again = assert_true(day, first.columns)
    assert again.proved
    assert again.columns is None


def test_a_day_nobody_can_serve_is_proved_to_cost_nothing() -> None:
    day = a_day(a_call(skills=frozenset({"safes"})))
    assert prove(problem_of(day), ()) == Proof(None, proved=True, bound=0)


@pytest.mark.slow
def test_the_same_question_gets_the_same_answer() -> None:
    problem = problem_of(generate_day(5, 14, 2))
    assert prove(problem, ()) == prove(problem, ())


def test_little_effort_still_gives_a_bound_that_holds() -> None:
    for seed in range(20):
        day = generate_day(seed, 6, 2)
        problem = problem_of(day)
        best = prove(problem, ())
        assert best.proved
        assert best.columns is not None
        cost = sum(column.cost for column in best.columns)
        hasty = prove(problem, best.columns, effort=Effort(labels=0))
        assert hasty.bound is not None
        assert hasty.bound <= cost


def test_a_proof_that_is_stopped_claims_nothing() -> None:
    problem = problem_of(generate_day(1, 6, 2))
    proof = prove(problem, (), effort=Effort(stop=lambda: True))
    assert not proof.proved
    assert proof.columns is None
    assert proof.bound in (None, 0)


def test_a_day_of_too_many_calls_is_not_even_tried() -> None:
    day = a_day(*(a_call(f"C{n}", place=at(n / 9, 0)) for n in range(CALLS_MAX + 1)))
    assert prove(problem_of(day), ()) == Proof(None, proved=False, bound=None)


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
