"""Jobs are done once, by one worker, and not lost when it dies."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from api.course import queue
from api.folder import load, read_path
from api.store import SqlStore, open_store
from api.store.jobs import (
    ATTEMPTS,
    end_job,
    find_job,
    holds,
    renew_job,
    take_job,
    wish,
)
from api.store.replies import Reply, add_reply, find_reply
from shared.errors import Conflict

DEMO = Path(__file__).parents[2] / "demo_scenarios"
DAY = "2026-12-04"


class Clock:
    """Goes on when it is told to."""

    def __init__(self) -> None:
        self.now = datetime(2026, 12, 3, 18, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(url: str, clock: Clock) -> Iterator[SqlStore]:
    opened = open_store(url, clock)
    with opened.write() as transaction:
        load(transaction, read_path(DEMO / "live_day"))
        queue(transaction, DAY)
    yield opened
    opened.close()


def test_a_job_is_taken_by_one_worker_and_a_second_of_its_kind_is_refused(
    store: SqlStore,
) -> None:
    with store.write() as transaction:
        job = take_job(transaction, "a")
        assert job is not None
        assert (job.state, job.attempts) == ("running", 1)
        assert take_job(transaction, "b") is None
        with pytest.raises(Conflict):
            queue(transaction, DAY)


def test_a_worker_that_falls_silent_loses_its_job_to_the_next_one(
    store: SqlStore, clock: Clock
) -> None:
    with store.write() as transaction:
        first = take_job(transaction, "a")
    assert first is not None
    clock.now += timedelta(seconds=20)
    with store.write() as transaction:
        assert renew_job(transaction, first, {"phase": "searching"}) is not None
    clock.now += timedelta(seconds=20)  # 40 s in, but it spoke 20 s ago
    with store.write() as transaction:
        assert take_job(transaction, "b") is None
    clock.now += timedelta(seconds=20)
    with store.write() as transaction:
        second = take_job(transaction, "b")
        assert second is not None
        assert second.id == first.id
        assert not holds(transaction, first)
        assert renew_job(transaction, first, None) is None  # too late


def test_a_job_over_which_workers_die_again_and_again_has_failed(
    store: SqlStore, clock: Clock
) -> None:
    for _ in range(ATTEMPTS):
        with store.write() as transaction:
            job = take_job(transaction, "a")
            assert job is not None
        clock.now += timedelta(minutes=1)
    with store.write() as transaction:
        assert take_job(transaction, "a") is None
        failed = find_job(transaction, job.id)
        assert failed is not None
        assert failed.state == "failed"
        assert failed.problem is not None


def test_who_works_hears_what_is_wished_and_a_cancelled_job_is_nobodys(
    store: SqlStore,
) -> None:
    with store.write() as transaction:
        job = take_job(transaction, "a")
        assert job is not None
        wish(transaction, job.id, "keep")
        now = renew_job(transaction, job, None)
        assert now is not None
        assert now.wish == "keep"
        end_job(transaction, job.id, "cancelled")
        assert not holds(transaction, job)


def test_an_answer_is_kept_for_a_day(store: SqlStore, clock: Clock) -> None:
    reply = Reply(route="POST /x", digest="d", status=201, headers={}, body=b"{}")
    with store.write() as transaction:
        add_reply(transaction, "office", "key", reply)
        assert find_reply(transaction, "office", "key") == reply
        assert find_reply(transaction, "mira", "key") is None
    clock.now += timedelta(hours=25)
    with store.write() as transaction:
        assert find_reply(transaction, "office", "key") is None
