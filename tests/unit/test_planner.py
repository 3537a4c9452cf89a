"""The planner's word: judged, repeatable, honest about what it proved."""

import hashlib
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace

import pytest

from dispatch.generator import generate_day
from dispatch.planner import Budget, Progress, plan_day
from dispatch.problem import build_problem
from dispatch.rules import goal, judge
from dispatch.search.tours import CALLS_MAX
from dispatch.solver import default_rounds, usual_drive
from dispatch.travel import travel_table
from shared.errors import InvalidInput
from shared.model import Break, Day, Plan, Proof, Rates, TravelRules
from shared.units import cents
from tests.builders import HOUR_S, a_call, a_day, a_van, at, window

SEARCHED = generate_day(3, 70, 8)
"""Too many calls to enumerate."""

FINGERPRINT = """
import hashlib
from dispatch.generator import generate_day
from dispatch.planner import Budget, plan_day
for day in (generate_day(3, 70, 8), generate_day(5, 7, 2)):
    plan = plan_day(day, Budget(seed=9, rounds=200))
    print(hashlib.sha256(repr(plan).encode()).hexdigest())
"""


def planned(day: Day, budget: Budget | None = None) -> Plan:
    """Return a plan that the judge has found nothing wrong with."""
    plan = plan_day(day, budget)
    assert judge(day, travel_table(day), plan) == ()
    return plan


def unplaced(plan: Plan) -> list[str]:
    return [each.call_id for each in plan.unplaced]


def first_time(value: float) -> Callable[[], float]:
    """Return a clock that shows half the time gone, then three quarters, then this."""
    shown = iter((0.5, 0.75))
    return lambda: next(shown, value)


# --- small days --------------------------------------------------------------


@pytest.mark.parametrize(
    "day",
    [a_day(), a_day(vans=()), a_day(vans=(a_van("V1"), a_van("V2", start=at(1, 1))))],
    ids=["one van", "no van", "two vans"],
)
def test_a_day_without_calls_is_a_plan_without_routes_and_proved(day: Day) -> None:
    plan = planned(day)
    assert (plan.routes, plan.issues, plan.unplaced) == ((), (), ())
    assert plan.status.proof is Proof.PROVED_BEST
    assert plan.status.bound_units == plan.cost_units == 0


def test_without_a_van_every_call_is_unplaced_with_a_reason() -> None:
    plan = planned(a_day(a_call("A"), a_call("B"), vans=()))
    assert unplaced(plan) == ["A", "B"]
    assert all(each.reasons for each in plan.unplaced)


def test_a_day_nobody_can_do_is_an_answer_too() -> None:
    calls = (
        a_call("A", skills=frozenset({"safes"})),
        a_call("B", windows=(window(1, 2),)),
    )
    plan = planned(a_day(*calls))
    assert plan.routes == ()
    assert unplaced(plan) == ["A", "B"]
    assert plan.status.proof is Proof.PROVED_BEST


def test_a_single_call_is_one_drive_there_and_back() -> None:
    # 8:00, 10 min and 10 km each way, half an hour's work: back at 8:50.
    leg = (600, 10_000)
    roads = TravelRules(matrix={("shop", "call:C1"): leg, ("call:C1", "shop"): leg})
    plan = planned(a_day(a_call(place=at(10, 0)), travel=roads))
    (route,) = plan.routes
    assert route.call_ids == ("C1",)
    assert route.finish_s == 8 * 3600 + 50 * 60
    # 20,000 m * 900 = 18,000,000; 3000 s * 15,000 = 45,000,000
    assert plan.cost_units == 63_000_000
    assert plan.status.bound_units == 63_000_000
    assert plan.status.proof is Proof.PROVED_BEST


def test_routes_come_in_the_order_of_the_days_vans() -> None:
    calls = [a_call(f"C{n}", windows=(window(9, 9.5),)) for n in range(3)]
    vans = tuple(a_van(name) for name in ("Z", "A", "M"))
    plan = planned(a_day(*calls, vans=vans))
    assert [route.van_id for route in plan.routes] == ["Z", "A", "M"]
    far = [a_van("Z", start=at(40, 0), finish=at(40, 0)), a_van("A")]
    plan = planned(a_day(calls[0], vans=tuple(far)))
    assert [route.van_id for route in plan.routes] == ["A"]  # the others stay in


def test_a_break_no_order_can_keep_keeps_the_van_at_home() -> None:
    # The break must run 8:00-8:30 and the only call has to start at 8:15.
    van = a_van(meal=Break(window=window(8, 8.5), length_s=1800))
    plan = planned(a_day(a_call(promise=window(8.25, 8.25)), vans=(van,)))
    assert unplaced(plan) == ["C1"]


def test_a_travel_table_that_lacks_a_drive_is_refused_before_planning() -> None:
    with pytest.raises(InvalidInput):
        plan_day(a_day(a_call(place=at(1, 1)), travel=TravelRules(matrix={})))


def test_a_given_travel_table_is_the_one_that_counts() -> None:
    day = a_day(a_call(place=at(10, 0)))
    table = travel_table(day)
    slower = table._replace(base_s=2 * table.base_s)
    plan = plan_day(day, travel=slower)
    assert judge(day, slower, plan) == ()
    assert plan.cost_units > planned(day).cost_units


# --- large days --------------------------------------------------------------


def test_more_calls_than_bits_of_a_set_are_searched_and_nothing_is_proved() -> None:
    assert len(SEARCHED.calls) > CALLS_MAX
    plan = planned(SEARCHED, Budget(rounds=50, replans=False))
    assert plan.status.proof is Proof.BEST_FOUND
    assert plan.status.bound_units is None
    assert plan.status.rounds == 50
    assert not plan.status.stopped
    assert len(plan.unplaced) < len(SEARCHED.calls) / 2


def test_more_rounds_are_never_for_nothing_on_this_day() -> None:
    few, more = (
        goal(SEARCHED, planned(SEARCHED, Budget(rounds=rounds, replans=False)))
        for rounds in (20, 1000)
    )
    assert more < few


def test_no_round_at_all_is_a_plan_without_routes() -> None:
    plan = planned(SEARCHED, Budget(rounds=0, replans=False))
    assert plan.routes == ()
    assert plan.status.rounds == 0


def test_stopping_at_once_still_yields_a_judged_plan_that_says_so() -> None:
    plan = planned(SEARCHED, Budget(stop=lambda: True))
    assert plan.status.stopped
    assert plan.status.proof is Proof.BEST_FOUND
    assert plan.routes
    assert (
        0
        < plan.status.rounds
        < default_rounds(build_problem(SEARCHED, travel_table(SEARCHED)))
    )


def test_a_spent_time_budget_ends_the_search_as_it_was_meant_to_end() -> None:
    told: list[Progress] = []
    budget = Budget(
        spent=first_time(1.0), rounds=10**9, report=told.append, replans=False
    )
    plan = planned(SEARCHED, budget)
    assert not plan.status.stopped
    assert plan.status.proof is Proof.BEST_FOUND
    # Three looks at the clock: three equal slices.
    rounds = [each.rounds for each in told if each.phase == "searching"]
    assert len(rounds) == 3
    assert rounds == [rounds[0], 2 * rounds[0], 3 * rounds[0]]
    assert plan.status.rounds == rounds[-1]
    assert {each.total_rounds for each in told} == {None}  # nobody knows how many


# --- telling -----------------------------------------------------------------


def test_progress_is_told_and_rises_while_the_best_plan_gets_better() -> None:
    # All calls alike in priority: then fewer left out is better whichever they are.
    day = replace(
        SEARCHED, calls=tuple(replace(call, priority=2) for call in SEARCHED.calls)
    )
    told: list[Progress] = []
    plan = planned(day, Budget(rounds=20_000, report=told.append))
    assert [each.rounds for each in told] == sorted(each.rounds for each in told)
    assert [each.seconds for each in told] == sorted(each.seconds for each in told)
    searching = [each for each in told if each.phase == "searching"]
    assert len(searching) > 3
    assert {each.total_rounds for each in searching} == {20_000}
    assert searching[-1].rounds == 20_000
    assert told[-1].phase == "combining the best routes"
    bests = [(each.unplaced, each.cost_cents) for each in searching]
    assert bests == sorted(bests, reverse=True)
    assert bests[-1] < bests[0]
    assert (len(plan.unplaced), plan.cost_cents) <= bests[-1]


def test_a_small_day_is_told_too() -> None:
    told: list[Progress] = []
    planned(a_day(a_call()), Budget(report=told.append))
    assert told
    assert {each.rounds for each in told} == {0}


# --- the same again ----------------------------------------------------------


def test_the_same_question_gets_the_same_plan_byte_for_byte() -> None:
    for day in (SEARCHED, generate_day(5, 7, 2)):
        budget = Budget(seed=4, rounds=300)
        assert repr(planned(day, budget)) == repr(planned(day, budget))


def test_another_process_makes_the_same_plan_byte_for_byte() -> None:
    def run() -> list[str]:
        done = subprocess.run(  # noqa: S603 - this Python, this text
            [sys.executable, "-c", FINGERPRINT],
            check=True,
            capture_output=True,
            text=True,
        )
        return done.stdout.split()

    here = [
        hashlib.sha256(
            repr(plan_day(day, Budget(seed=9, rounds=200))).encode()
        ).hexdigest()
        for day in (SEARCHED, generate_day(5, 7, 2))
    ]
    assert run() == here  # its sets and dicts are hashed with another seed


def test_the_seed_is_written_on_the_plan_and_matters() -> None:
    one, other = (
        planned(SEARCHED, Budget(seed=seed, rounds=100, replans=False))
        for seed in (1, 2)
    )
    assert (one.status.seed, other.status.seed) == (1, 2)
    assert replace(one, status=other.status) != other


def test_an_unhurried_search_does_not_depend_on_who_watches() -> None:
    quiet = planned(SEARCHED, Budget(rounds=300, replans=False))
    told: list[Progress] = []
    watched = planned(SEARCHED, Budget(rounds=300, report=told.append, replans=False))
    assert quiet == watched


# --- how long and how hot ----------------------------------------------------


def test_larger_days_are_searched_longer() -> None:
    small, large = (
        build_problem(day, travel_table(day))
        for day in (generate_day(0, 10, 2), generate_day(0, 40, 4))
    )
    assert 0 < default_rounds(small) < default_rounds(large)


def test_a_usual_drive_is_that_to_the_fifth_nearest_call() -> None:
    # Six calls in a row 1 km apart: from each, the fifth nearest is the farthest of
    # the others, 5, 4, 3, 3, 4, 5 km away. 1 km straight is more on the road, the
    # same for none; so take the drives as measured.
    day = a_day(*(a_call(f"C{n}", place=at(n, 0)) for n in range(6)))
    travel = travel_table(day)
    ends = [(0, 5), (1, 5), (2, 5), (3, 0), (4, 0), (5, 0)]
    units = [
        900 * int(travel.distance_m[pair]) + 15_000 * int(travel.base_s[pair])
        for pair in ends
    ]
    assert usual_drive(build_problem(day, travel)) == pytest.approx(sum(units) / 6)


def test_a_day_without_drives_still_has_a_temperature() -> None:
    for day in (a_day(), a_day(a_call()), a_day(a_call("A"), a_call("B"))):
        assert usual_drive(build_problem(day, travel_table(day))) >= 1.0


def test_a_van_is_paid_from_when_its_time_counts_and_the_plan_reckons_with_that() -> (
    None
):
    call = a_call("1", place=at(north=1))
    rates = Rates(hour_cents=3600)
    stays_in = a_van("V1", shift=window(12, 17), rates=rates, paid_from_s=8 * HOUR_S)
    is_out = a_van(
        "V2", shift=window(12, 17), rates=rates, paid_from_s=12 * HOUR_S + 600
    )
    plan = plan_day(a_day(call, vans=(stays_in, is_out)))
    (route,) = plan.routes
    assert route.van_id == "V2"
    # a cent a second, from ten past twelve on
    assert cents(route.time_units) == route.finish_s - 12 * HOUR_S - 600
    alone = plan_day(a_day(call, vans=(stays_in,))).routes[0]
    assert cents(alone.time_units) == alone.finish_s - 8 * HOUR_S
