"""Options for urgent calls, asked for through the service while it plans.

A day of 10 vans and 100 calls stands at 10:40, where the service's clock is held:
nobody drives on, so what stands stays what can be done, and each call is asked about
the same moment. Another day is being planned all the time. Service, its warm child and
the worker run in processes of their own, the calls come from this one, over loopback,
one after the other. Timed is the whole request, by the clock on the wall: run it on an
idle machine; the processor time of the child is told beside it. The first calls load
the kernels and are not counted.
"""

import argparse
import asyncio
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from api.app import create_app
from api.course import (
    News,
    Teller,
    news_of,
    put_in_force,
    queue,
    tell_facts,
    write_morning,
)
from api.crew import Here, Pool
from api.desk import Desk, know
from api.folder import Given, load, move_to
from api.security import make_key
from api.store import open_store
from api.store.days import list_briefs
from api.worker import work_once
from dispatch.answer import answer
from dispatch.generator import ALL, Feature, generate_day
from dispatch.planner import Budget, plan_day
from shared.model import Call
from tests.benchmark.service import Link, quantile, say, spent_s
from tests.rests import NOW_S, board_at, urgent_call
from tests.walk import walk

FEATURES = ALL - {Feature.EXCHANGE, Feature.TOOLS, Feature.LINKS}
WARM_UP = 5
FOR_EVER = 10**9  # rounds


def held_clock(day_id: str) -> Callable[[], datetime]:
    """Return a clock that stands a minute after the last fact was told."""
    midnight = datetime.fromisoformat(f"{day_id}T00:00:00+00:00")
    stands = midnight + timedelta(seconds=NOW_S + 60)
    return lambda: stands


def set_up(url: str, vans: int, calls: int) -> tuple[str, str, list[Call]]:
    """Put two days into a store; return the running one, a token, urgent calls."""
    today = datetime.now(UTC).date()  # keys expire
    clock = held_clock(today.isoformat())
    desk = Desk(store=open_store(url), clock=clock, crew=Here())
    days = [
        move_to(
            Given(
                day=generate_day(seed, calls, vans, ease=0.7, features=FEATURES),
                files={},
            ),
            date,
        )
        for seed, date in ((1, today), (2, today - timedelta(days=1)))
    ]
    with desk.store.write() as transaction:
        for given in days:
            load(transaction, given)
    day_id = days[0].day_id
    with desk.store.read() as transaction:
        known = know(desk, transaction, day_id)
    day = known.day
    plan = plan_day(day, Budget(rounds=3_000, reasons=False, replans=False))
    made = write_morning(known, answer(day, plan))
    with desk.store.write() as transaction:
        put_in_force(transaction, known, made)
    log = walk(day, plan, 0, until_s=NOW_S).log
    news: list[News] = news_of(log)
    with desk.store.write() as transaction:
        told = tell_facts(desk, transaction, day_id, Teller(key_id="walk"), news)
    taken = sum(one.result == "taken" for one in told)
    work_once(desk)
    rest = board_at(day, plan, 0).rest
    urgent = [urgent_call(seed, rest) for seed in range(200)]
    with desk.store.write() as transaction:
        queue(transaction, days[1].day_id, {"rounds": FOR_EVER})
    office = make_key(desk)
    desk.store.close()
    say(f"{vans} vans, {calls} calls, {taken} of {len(news)} facts told, at 10:40")
    return day_id, office, urgent


def body_of(call: Call) -> bytes:
    """Return a call as it is asked about."""
    body = {
        "call": {
            "id": call.id,
            "place": {
                "name": call.place.name,
                "lat_deg": call.place.lat_deg,
                "lon_deg": call.place.lon_deg,
            },
            "kind": call.kind,
            "customer": call.customer,
            "needs": [
                {"alternatives": list(need.alternatives), "quantity": need.quantity}
                for need in call.needs
            ],
            "priority": 1,
        }
    }
    return json.dumps(body).encode()


def serve(url: str, port: int) -> None:
    """Run the service until it is told to stop."""
    import uvicorn  # noqa: PLC0415 - this process alone needs it

    store = open_store(url)
    with store.read() as transaction:
        clock = held_clock(list_briefs(transaction)[0].id)
    crew = Pool()
    app = create_app(store=store, clock=clock, crew=crew)
    try:
        uvicorn.run(app, port=port, log_level="warning", access_log=False)
    finally:
        crew.close()


def work(url: str) -> None:
    """Plan until it is ended."""
    store = open_store(url)
    with store.read() as transaction:
        clock = held_clock(list_briefs(transaction)[0].id)
    work_once(Desk(store=store, clock=clock, crew=Here()))


def tree_s(pid: int) -> float:
    """Return the processor time that a process and its children have used."""
    threads = Path(f"/proc/{pid}/task").glob("*/children")
    children = [int(child) for one in threads for child in one.read_text().split()]
    return spent_s(pid) + sum(map(tree_s, children))


async def measure(
    asked: argparse.Namespace,
    running: tuple[int, int],
    day: tuple[str, str],
    urgent: list[Call],
) -> None:
    """Ask about each call, and say how long that took."""
    (day_id, office), (service, worker) = day, running
    link = Link(asked.port, office)
    while True:
        try:
            await link.open()
            break
        except OSError:
            await asyncio.sleep(0.1)
    waits: list[float] = []
    taken = 0
    before = (0.0, 0.0)
    path = f"/v1/days/{day_id}/urgent"
    for row, call in enumerate(urgent[: WARM_UP + asked.count]):
        if row == WARM_UP:
            waits, taken, before = [], 0, (tree_s(service), spent_s(worker))
        begun = time.perf_counter()
        status, found = await link.post(path, body_of(call))
        while status == 503 and row < WARM_UP:  # kernels are being compiled
            status, found = await link.post(path, body_of(call))
        waits.append(time.perf_counter() - begun)
        if status != 201:
            raise ValueError(f"{call.id}: {status} {found!r}")
        options = json.loads(found)["document"]["options"]
        taken += any(option["van_id"] is not None for option in options)
    used_s, planned_s = tree_s(service) - before[0], spent_s(worker) - before[1]
    say(
        f"{len(waits)} urgent calls ({taken} with a van): wait p50 "
        f"{quantile(waits, 0.5):.0f} p95 {quantile(waits, 0.95):.0f} most "
        f"{1000 * max(waits):.0f} ms; service and child "
        f"{1000 * used_s / len(waits):.0f} ms of processor each; the worker planned "
        f"for {planned_s:.1f} s of processor in {sum(waits):.1f} s"
    )
    link.close()


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vans", type=int, default=10)
    parser.add_argument("--calls", type=int, default=100)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--port", type=int, default=8498)
    parser.add_argument("--serve", default="")
    parser.add_argument("--work", default="")
    asked = parser.parse_args()
    if asked.serve:
        serve(asked.serve, asked.port)
        return
    if asked.work:
        work(asked.work)
        return
    with tempfile.TemporaryDirectory() as place:
        url = f"sqlite:///{Path(place) / 'keyround.db'}"
        day_id, office, urgent = set_up(url, asked.vans, asked.calls)
        command = [sys.executable, "-m", "tests.benchmark.telephone"]
        running = [
            subprocess.Popen([*command, *more])  # noqa: S603 - our own program
            for more in (["--serve", url, "--port", str(asked.port)], ["--work", url])
        ]
        try:
            pids = running[0].pid, running[1].pid
            asyncio.run(measure(asked, pids, (day_id, office), urgent))
        finally:
            for each in running:
                each.terminate()
                each.wait()


if __name__ == "__main__":
    main()
