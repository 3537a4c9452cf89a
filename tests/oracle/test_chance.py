"""A plan replayed on many drawn days at once, against one day after the other."""

from collections import Counter

import numpy as np
import pytest

from dispatch.chance import Sample, draw, replay, usual_spreads
from dispatch.generator import ALL, Feature, generate_day
from dispatch.planner import Budget, plan_day
from dispatch.travel import travel_table
from tests.kernel.days import fewer
from tests.oracle.slow_replay import live_day

BRIEF = Budget(rounds=300, reasons=False)
KINDS = (
    frozenset[Feature](),
    frozenset({Feature.RESTOCK, Feature.PACE}),
    frozenset({Feature.PREFERENCES, Feature.PROMISES, Feature.LINKS}),
    ALL,
)
DRAWS = 40


@pytest.mark.parametrize("seed", range(fewer(24, 4)))
def test_chances_and_arrivals_are_those_of_days_driven_one_by_one(seed: int) -> None:
    day = generate_day(
        seed, 6 + seed % 9, 1 + seed % 3, ease=0.6, features=KINDS[seed % 4]
    )
    plan, travel = plan_day(day, BRIEF), travel_table(day)
    sample = draw(day, usual_spreads(day), DRAWS, seed)
    again = np.random.default_rng(seed).random(sample.duration_s.shape) < seed % 2 / 5
    sample = sample._replace(again=again)
    kept = replay(day, plan, sample, travel)
    held: Counter[str] = Counter()
    arrived: dict[str, list[int]] = {}
    all_held = 0
    for number in range(DRAWS):
        times, fates = live_day(day, travel, plan, sample, number)
        held.update(call_id for call_id, fate in fates.items() if fate)
        all_held += all(fates.values())
        for call_id, (arrive_s, _, _) in times.items():
            arrived.setdefault(call_id, []).append(arrive_s)
    assert kept.all_kept == pytest.approx(all_held / DRAWS)
    assert [stop.call_id for stop in kept.stops] == [
        call_id for route in plan.routes for call_id in route.call_ids
    ]
    for stop in kept.stops:
        if stop.kept is not None:
            assert stop.kept == pytest.approx(held[stop.call_id] / DRAWS)
        ranked = sorted(arrived[stop.call_id])
        # of 40: the one at 0.1 * 39 = 3.9, 19.5 and 35.1
        assert stop.arrive_s == (ranked[4], ranked[20], ranked[35])


@pytest.mark.parametrize("seed", range(fewer(24, 4)))
def test_a_day_as_expected_goes_as_planned(seed: int) -> None:
    features = KINDS[seed % 4]
    day = generate_day(seed, 6 + seed % 9, 1 + seed % 3, ease=0.6, features=features)
    plan = plan_day(day, BRIEF)
    expected = Sample(
        duration_s=np.array([[day.planned_s(call)] for call in day.calls]),
        pace_permille=np.full((len(day.vans), 1), 1000),
    )
    kept = replay(day, plan, expected)
    for route in plan.routes:
        for stop in route.stops:
            if stop.call_id is not None:
                found = kept.of_call[stop.call_id]
                assert found.arrive_s == (stop.arrive_s,) * 3
                late = stop.late_s > 0
                assert found.kept in ((0.0,) if late else (1.0, None))
