"""Sheets fetched, and changes carried, by a service with 100 vans.

The service runs in a process of its own, the load comes from this one, over loopback.
For each part: requests (or streams), wall time, waiting times, and the processor time
of the service alone, which other work on the machine does not blur. Planning the day
is not timed.
"""

import argparse
import asyncio
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from api.app import create_app
from api.course import put_in_force, write_morning
from api.crew import Here, keep_what_is_loaded
from api.desk import Desk, know
from api.folder import Given, load, move_to
from api.security import make_key
from api.store import open_store
from api.store.days import list_briefs
from dispatch.answer import answer
from dispatch.generator import generate_day
from dispatch.planner import Budget, plan_day

TICK_S = 1 / os.sysconf("SC_CLK_TCK")
WARM_UP = 200
PACED_S = 5


def say(words: str) -> None:
    """Print a line at once."""
    sys.stdout.write(words + "\n")
    sys.stdout.flush()


def set_up(url: str, vans: int, calls: int) -> tuple[str, list[str], str]:
    """Put a planned day into a store; return its date and the tokens."""
    desk = Desk(store=open_store(url), clock=lambda: datetime.now(UTC), crew=Here())
    day = generate_day(calls=calls, vans=vans, seed=1, tightness=0.0, ease=0.75)
    given = move_to(Given(day=day, files={}), datetime.now(UTC).date())  # keys expire
    with desk.store.write() as transaction:
        load(transaction, given)
    with desk.store.read() as transaction:
        known = know(desk, transaction, given.day_id)
    day = known.day
    plan = plan_day(day, Budget(rounds=20, reasons=False, replans=False))
    made = write_morning(known, answer(day, plan))
    with desk.store.write() as transaction:
        put_in_force(transaction, known, made)
    tokens = [make_key(desk, van.id) for van in day.vans]
    office = make_key(desk)
    desk.store.close()
    return given.day_id, tokens, office


def serve(url: str, port: int) -> None:
    """Run the service until it is told to stop; its clock says the day's date."""
    import uvicorn  # noqa: PLC0415 - this process alone needs it

    store = open_store(url)
    with store.read() as transaction:
        day_id = list_briefs(transaction)[0].id
    begin = datetime.fromisoformat(f"{day_id}T09:00:00+00:00")
    started = time.monotonic()

    def clock() -> datetime:
        return begin + timedelta(seconds=time.monotonic() - started)

    app = create_app(store=store, clock=clock)
    keep_what_is_loaded()
    uvicorn.run(app, port=port, log_level="warning", access_log=False)


class Link:
    """One connection that stays open."""

    def __init__(self, port: int, token: str) -> None:
        self.port, self.token = port, token
        self.etag = ""

    async def open(self) -> None:
        """Connect."""
        self.reader, self.writer = await asyncio.open_connection("127.0.0.1", self.port)

    async def get(self, path: str, more: str = "") -> tuple[int, bytes]:
        """Fetch something; return status and body."""
        return await self._ask("GET", path, more)

    async def post(self, path: str, body: bytes) -> tuple[int, bytes]:
        """Send JSON; return status and body of the answer."""
        more = f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n"
        return await self._ask("POST", path, more, body)

    async def _ask(
        self, method: str, path: str, more: str, body: bytes = b""
    ) -> tuple[int, bytes]:
        self.writer.write(
            f"{method} {path} HTTP/1.1\r\nHost: localhost\r\n"
            f"Authorization: Bearer {self.token}\r\n{more}\r\n".encode()
            + body
        )
        head = (await self.reader.readuntil(b"\r\n\r\n")).decode()
        status, length = int(head[9:12]), 0
        for line in head.split("\r\n"):
            name, _, value = line.partition(": ")
            if name == "content-length":
                length = int(value)
            elif name == "etag":
                self.etag = value
        return status, await self.reader.readexactly(length) if length else b""

    def close(self) -> None:
        """Let go."""
        self.writer.close()


def spent_s(pid: int) -> float:
    """Return the processor time that a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) * TICK_S


def quantile(waits: Sequence[float], share: float) -> float:
    """Return a quantile in milliseconds."""
    return 1000 * sorted(waits)[min(len(waits) - 1, int(share * len(waits)))]


async def fetch(
    links: Sequence[Link], paths: Sequence[str], count: int, *, known: bool
) -> list[float]:
    """Fetch sheets, each link one after the other; return how long each took."""
    waits: list[float] = []
    left = count

    async def one(link: Link, path: str) -> None:
        nonlocal left
        while left > 0:
            left -= 1
            more = f"If-None-Match: {link.etag}\r\n" if known else ""
            begun = time.perf_counter()
            status, _ = await link.get(path, more)
            waits.append(time.perf_counter() - begun)
            if status != (304 if known else 200):
                raise ValueError(f"status {status}")

    await asyncio.gather(*map(one, links, paths))
    return waits


async def paced(
    links: Sequence[Link], paths: Sequence[str], count: int, rate: float
) -> list[float]:
    """Fetch known sheets at a steady rate; return how long each took from when due."""
    waits: list[float] = []
    begun = time.perf_counter() + 0.1

    async def one(row: int) -> None:
        for number in range(row, count, len(links)):
            due = begun + number / rate
            await asyncio.sleep(max(0.0, due - time.perf_counter()))
            link = links[row]
            status, _ = await link.get(paths[row], f"If-None-Match: {link.etag}\r\n")
            waits.append(time.perf_counter() - due)
            if status != 304:
                raise ValueError(f"status {status}")

    await asyncio.gather(*map(one, range(len(links))))
    return waits


async def streams(
    port: int, tokens: Sequence[str], asked: tuple[str, str, str]
) -> None:
    """Open streams, tell one fact, and see when each has heard of it."""
    day_id, office, van_id = asked
    links = [Link(port, token) for token in tokens]
    for link in links:
        await link.open()
        link.writer.write(
            f"GET /v1/events HTTP/1.1\r\nHost: localhost\r\n"
            f"Authorization: Bearer {link.token}\r\n\r\n".encode()
        )
        await link.reader.readuntil(b"event: hello")
    waits: list[float] = []

    async def hear(link: Link, begun: float) -> None:
        await link.reader.readuntil(b"event: facts")
        waits.append(time.perf_counter() - begun)

    teller = Link(port, office)
    await teller.open()
    body = (
        f'{{"sent_at": "{day_id}T09:00:30Z", "facts": [{{"id": "bench", "kind": '
        f'"late", "late_s": 60, "van_id": "{van_id}", '
        f'"at": "{day_id}T09:00:00Z"}}]}}'
    ).encode()
    begun = time.perf_counter()
    ears = [asyncio.create_task(hear(link, begun)) for link in links]
    teller.writer.write(
        f"POST /v1/days/{day_id}/facts HTTP/1.1\r\nHost: localhost\r\n"
        f"Authorization: Bearer {office}\r\nContent-Type: application/json\r\n"
        f"Content-Length: {len(body)}\r\n\r\n".encode()
        + body
    )
    answered = await teller.reader.readuntil(b"\r\n\r\n")
    told_ms = 1000 * (time.perf_counter() - begun)
    if b" 200 " not in answered[:20]:
        raise ValueError(answered.decode())
    await asyncio.wait_for(asyncio.gather(*ears), 60)
    last_ms, half_ms = 1000 * max(waits), quantile(waits, 0.5)
    say(
        f"{len(links)} streams hear of a fact: the last after {last_ms:.0f} ms, half "
        f"after {half_ms:.0f} ms (the fact was answered after {told_ms:.0f} ms)"
    )
    for link in (*links, teller):
        link.close()


async def measure(
    pid: int, asked: argparse.Namespace, tokens: list[str], day: tuple[str, str]
) -> None:
    """Measure each part."""
    (day_id, office), port = day, asked.port
    links = [Link(port, token) for token in tokens]
    for link in links:
        await link.open()
    names = [f"V{row + 1:02d}" for row in range(len(tokens))]
    paths = [f"/v1/vans/{name}/sheet" for name in names]
    some = links[: asked.links]
    for link, path in zip(links, paths, strict=True):
        status, found = await link.get(path)
        if status != 200:
            raise ValueError(f"{path}: {status} {found!r}")
    for known, words in ((True, "known (304)"), (False, "full (200)")):
        await fetch(some, paths, WARM_UP, known=known)
        before, begun = spent_s(pid), time.perf_counter()
        waits = await fetch(some, paths, asked.count, known=known)
        wall_s, used_s = time.perf_counter() - begun, spent_s(pid) - before
        say(
            f"{words}: {len(waits)} requests over {len(some)} connections in "
            f"{wall_s:.1f} s = {len(waits) / wall_s:.0f}/s; wait p50 "
            f"{quantile(waits, 0.5):.1f} p99 {quantile(waits, 0.99):.1f} ms; service "
            f"{1000 * used_s / len(waits):.3f} ms of processor each = "
            f"{len(waits) / used_s:.0f}/s of one core"
        )
    waits = await paced(some, paths, PACED_S * asked.rate, asked.rate)
    say(
        f"known (304), {asked.rate}/s over {len(some)} connections: wait p50 "
        f"{quantile(waits, 0.5):.1f} p99 {quantile(waits, 0.99):.1f} ms"
    )
    for link in links:
        link.close()
    await streams(port, [office] * asked.streams, (day_id, office, names[0]))


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vans", type=int, default=100)
    parser.add_argument("--calls", type=int, default=800)
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--links", type=int, default=100)
    parser.add_argument("--rate", type=int, default=1_500)
    parser.add_argument("--streams", type=int, default=200)
    parser.add_argument("--port", type=int, default=8499)
    parser.add_argument("--serve", default="")
    asked = parser.parse_args()
    if asked.serve:
        serve(asked.serve, asked.port)
        return
    with tempfile.TemporaryDirectory() as place:
        url = f"sqlite:///{Path(place) / 'keyround.db'}"
        day_id, tokens, office = set_up(url, asked.vans, asked.calls)
        say(f"{asked.vans} vans, {asked.calls} calls planned")
        command = [sys.executable, "-m", "tests.benchmark.service", "--serve", url]
        service = subprocess.Popen([*command, "--port", str(asked.port)])  # noqa: S603
        keep_what_is_loaded()  # pauses of this process would be counted as waiting
        try:
            asyncio.run(_when_ready(service.pid, asked, tokens, (day_id, office)))
        finally:
            service.terminate()
            service.wait()


async def _when_ready(
    pid: int, asked: argparse.Namespace, tokens: list[str], day: tuple[str, str]
) -> None:
    while True:
        try:
            link = Link(asked.port, "")
            await link.open()
        except OSError:
            await asyncio.sleep(0.1)
        else:
            link.close()
            break
    await measure(pid, asked, tokens, day)


if __name__ == "__main__":
    main()
