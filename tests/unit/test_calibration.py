"""Judging what was learnt on visits that the learning did not see."""

import numpy as np
import pytest

from dispatch.calibration import calibrate, pinball, reliability, wilson
from dispatch.scenario.joblog import empty_log
from shared.trade import kinds
from tests.firms import a_firm, a_log


def test_the_range_of_a_share_is_the_score_interval() -> None:
    # The ends are where a true share p is 1.645 of its own errors away from 8 of 10:
    # (0.8 - p)^2 = 1.645^2 p (1 - p) / 10.
    for end in wilson(8, 10):
        assert (0.8 - end) ** 2 == pytest.approx(1.6448536**2 * end * (1 - end) / 10)
    assert wilson(0, 5)[0] == 0
    assert wilson(5, 5)[1] == pytest.approx(1)


def test_pinball_loss_by_hand() -> None:
    # 100 s too short at 90 %: 90; 100 s too long: 10
    found = pinball(np.array([500.0, 700.0]), np.array([600.0, 600.0]), 0.9)
    assert found.tolist() == pytest.approx([90, 10])


def test_honest_chances_are_kept_and_boasting_shows() -> None:
    rng = np.random.default_rng(3)
    chance = rng.uniform(0.5, 1, 20_000)
    kept = rng.random(20_000) < chance
    honest = reliability(chance, kept)
    assert len(honest) == 10
    assert sum(each.cases for each in honest) == 20_000
    assert all(abs(each.quoted - each.kept) < 0.03 for each in honest)
    boast = reliability(np.minimum(chance + 0.2, 1), kept)
    assert boast[0].kept < boast[0].quoted - 0.1


def test_learnt_lengths_hold_on_later_visits_of_a_firm() -> None:
    firm = a_firm(2)
    log = a_log(firm.draw(np.random.default_rng(8), 1500, (0, 500)), firm)
    found = calibrate(log, kinds())
    assert found.visits == 900  # three fifths
    for each in found.lengths:
        assert each.kept == pytest.approx(each.quoted, abs=0.05)
    for each in found.losses:
        assert each.learnt < each.plain
        assert each.learnt < each.trade


def test_promises_in_the_log_are_counted_and_held_against_their_chance() -> None:
    firm = a_firm(2)
    visits = firm.draw(np.random.default_rng(8), 100, (0, 500))
    late = np.arange(100) < 30
    visits = visits._replace(
        promise_start_s=visits.start_s - 7200,
        promise_end_s=visits.start_s + np.where(late, -60, 60),
        chance=np.full(100, 0.9),
    )
    found = calibrate(a_log(visits, firm), kinds())
    assert (found.promised, found.promises_kept) == (100, 70)
    (only,) = found.promises
    assert (only.quoted, only.kept, only.cases) == (pytest.approx(0.9), 0.7, 100)


def test_of_too_few_visits_nothing_is_judged() -> None:
    found = calibrate(empty_log(), kinds())
    assert (found.visits, found.losses, found.lengths) == (0, (), ())
