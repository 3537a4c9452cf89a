"""Promises of simulated firms are kept as often as was quoted."""

import pytest

from tests.outcomes import Roads, outcomes, together


def test_who_knows_the_lengths_quotes_what_is_kept() -> None:
    """Nothing is learnt: what is left is the replay, and roads as they are drawn."""
    found = together(
        [outcomes(seed, "lognormal", rows=50, days=12, known=True) for seed in range(4)]
    )
    assert len(found.quoted) > 250
    assert abs(found.apart) < 3
    for quoted, kept, _ in found.by_quoted():
        assert quoted == pytest.approx(kept, abs=0.05)


@pytest.mark.slow
def test_promises_are_kept_as_often_as_was_quoted() -> None:
    """A few firms and days, each drive varies; tests/benchmark/chance.py takes many."""
    roads = Roads(day_scatter=0.0, drive_scatter=0.25)
    found = together(
        [outcomes(seed, "gamma", rows=600, days=12, roads=roads) for seed in range(4)]
    )
    assert len(found.quoted) > 250
    # The benchmark's three points, and two for the few days drawn here.
    assert abs(found.apart) < 5
    low, *_, high = found.by_quoted()
    assert low[1] < high[1]  # what was quoted lower is kept less often
