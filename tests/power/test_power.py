"""Power is lost while the service writes: what was acknowledged is there afterwards.

The writes of a real course of the service are recorded below the C library; for many
moments of it disks are made up that such a loss may leave, and the store is opened on
each. What PostgreSQL leaves behind is PostgreSQL's own business.
"""

import os
import random
import shutil
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from api.crew import Here
from api.desk import Desk
from api.store import open_store
from api.store.days import list_briefs
from tests.power.disk import Disk, Step, read_steps
from tests.power.live import ACKNOWLEDGED, DAY, FACTS
from tests.whole import look_through

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
MOMENTS = 40
DAY_ID = DAY.rpartition("/")[2]
NOT_KEPT = ("-shm", ACKNOWLEDGED)  # made anew after a loss; not the service's


@pytest.fixture(scope="module")
def steps(tmp_path_factory: pytest.TempPathFactory) -> list[Step]:
    """Return what a course of the service did to its disk."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None or sys.platform != "linux":
        pytest.skip("watching a disk needs a C compiler, and Linux")
    place = tmp_path_factory.mktemp("power")
    watch, log, folder = place / "watch.so", place / "log", place / "data"
    folder.mkdir()
    made = [compiler, "-shared", "-fPIC", "-o", str(watch), str(HERE / "watch.c")]
    subprocess.run(made, check=True, timeout=60)  # noqa: S603 - our own words
    environment = {
        **os.environ,
        "LD_PRELOAD": str(watch),
        "POWER_FOLDER": str(folder),
        "POWER_LOG": str(log),
    }
    command = [sys.executable, "-m", "tests.power.live", str(folder)]
    subprocess.run(  # noqa: S603 - our own words
        command, env=environment, cwd=ROOT, check=True, timeout=600
    )
    return read_steps(log)


def acknowledged(steps: list[Step]) -> tuple[set[str], int]:
    """Return the facts and the last plan that were acknowledged by then."""
    said = b"".join(step.data for step in steps if step.name == ACKNOWLEDGED)
    lines = said.decode().splitlines()
    plans = [int(line.split()[1]) for line in lines if line.startswith("plan")]
    return {line for line in lines if line.startswith("fact")}, max(plans, default=0)


def moments(steps: list[Step]) -> list[int]:
    """Return moments of a course: around what was made durable, and any others."""
    chance = random.Random(6)  # noqa: S311 - no secret
    synced = [row for row, step in enumerate(steps) if step.what == "s"]
    near = [row + more for row in synced for more in (0, 1) if row + more > 1]
    some = chance.sample(range(len(steps)), MOMENTS // 3)
    return sorted({*chance.sample(near, MOMENTS - len(some)), *some, len(steps)})


def disks(steps: list[Step], moment: int) -> Iterator[dict[str, bytes]]:
    """Return disks that a loss of power at a moment may leave."""
    disk = Disk()
    for step in steps[:moment]:
        disk.do(step)
    chance = random.Random(moment)  # noqa: S311 - no secret
    for share in (0, 0.5, 1):
        kept = disk.left(chance, share)
        yield {n: data for n, data in kept.items() if not n.endswith(NOT_KEPT)}


@pytest.mark.slow
def test_what_was_acknowledged_outlives_a_loss_of_power_at_any_moment(
    steps: list[Step], tmp_path: Path
) -> None:
    seen = set()
    for moment in moments(steps):
        facts, plan = acknowledged(steps[:moment])
        for image in disks(steps, moment):
            key = hash((tuple(sorted(image.items())), len(facts), plan))
            if key in seen:
                continue
            seen.add(key)
            folder = tmp_path / str(len(seen))
            folder.mkdir()
            for name, data in image.items():
                (folder / name).write_bytes(data)
            check(folder, facts, plan)
            shutil.rmtree(folder)
    assert acknowledged(steps)[0] == {f"fact-{number}" for number in range(FACTS)}
    assert len(seen) > MOMENTS


def check(folder: Path, facts: set[str], plan: int) -> None:
    """Open what is left, and compare it with what was acknowledged."""
    store = open_store(f"sqlite:///{folder / 'keyround.db'}")
    desk = Desk(store=store, clock=lambda: datetime.now(UTC), crew=Here())
    try:
        with store.read() as transaction:
            whole = transaction.connection.exec_driver_sql("PRAGMA integrity_check")
            assert whole.scalar_one() == "ok"
            briefs = list_briefs(transaction)
        if not briefs or briefs[0].plan_version is None:
            assert not facts
            return
        there, plans = look_through(desk, DAY_ID)
        assert facts <= there
        assert len(there) <= len(facts) + 1  # one may be there and not acknowledged
        assert plans >= plan
    finally:
        store.close()


@pytest.mark.slow
def test_a_store_that_does_not_wait_for_its_disk_is_found_out(
    steps: list[Step], tmp_path: Path
) -> None:
    # As if nothing were made durable any more once the first fact was acknowledged.
    first = next(row for row, step in enumerate(steps) if step.name == ACKNOWLEDGED)
    lazy = [*steps[:first], *(step for step in steps[first:] if step.what != "s")]
    [image, *_] = disks(lazy, len(lazy))
    for name, data in image.items():
        (tmp_path / name).write_bytes(data)
    facts, plan = acknowledged(lazy)
    with pytest.raises(AssertionError):
        check(tmp_path, facts, plan)
