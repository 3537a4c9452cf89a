"""The service killed at random moments: what was acknowledged is not lost."""

import random
from pathlib import Path

import pytest

from tests.benchmark.killed import Course


@pytest.mark.slow
def test_every_acknowledged_fact_is_there_once_after_three_kills_and_a_stop(
    tmp_path: Path,
) -> None:
    course = Course(tmp_path, f"sqlite:///{tmp_path / 'keyround.db'}")
    course.run(3, random.Random(1))  # noqa: S311 - no secret
    facts, _ = course.check()
    assert 0 < len(course.acknowledged) <= facts
    assert course.status == 0  # asked to stop, it closes what is open
