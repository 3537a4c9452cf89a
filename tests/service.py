"""The service in a test: in this process, or on a real port for browsers.

``with service(tmp_path) as s:`` has a planned demo day, a clock that stands still, and
clients that are signed in.
"""

import atexit
import shutil
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path

import uvicorn
from fastapi import FastAPI
from fastapi.testclient import TestClient

from api.app import create_app
from api.course import queue
from api.crew import Here
from api.desk import Desk
from api.folder import load, read_path
from api.roads import Surveyor
from api.security import make_key
from api.store import SqlStore, open_store
from api.store.archive import dump, restore
from api.worker import work_once
from dispatch.scenario import Locator

DEMO = Path(__file__).parents[1] / "demo_scenarios"
MORNING = "2026-12-04T07:50:00+00:00"
ROUNDS = 200  # of a search: enough for a demo day
DATABASE = "keyround.db"


class Clock:
    """Stands still until it is set."""

    def __init__(self, now: str) -> None:
        self.now = datetime.fromisoformat(now)

    def __call__(self) -> datetime:
        return self.now

    def set(self, now: str) -> None:
        self.now = datetime.fromisoformat(now)


@dataclass(frozen=True, slots=True, kw_only=True)
class Service:
    """The service, and what a test needs of it."""

    app: FastAPI
    desk: Desk
    store: SqlStore
    clock: Clock
    office: TestClient  # signed in as the office
    nobody: TestClient  # not signed in

    def van(self, van_id: str) -> TestClient:
        """Return a client that is signed in as a van."""
        return _client(self.app, make_key(self.desk, van_id))

    def work(self) -> None:
        """Do all jobs that are queued, here and now."""
        while work_once(self.desk, ROUNDS):
            pass


@dataclass(frozen=True, slots=True, kw_only=True)
class Served(Service):
    """The service on a real port."""

    url: str

    def token(self, van_id: str | None = None) -> str:
        """Return a token of a van or of the office."""
        return make_key(self.desk, van_id)


def _client(app: FastAPI, token: str) -> TestClient:
    return TestClient(app, headers={"Authorization": f"Bearer {token}"})


@contextmanager
def _made(
    folder: Path,
    load_day: str | None,
    now: str,
    url: str | None = None,
    locator: Locator | None = None,
    roads: Surveyor | None = None,
) -> Iterator[tuple[SqlStore, Clock, FastAPI]]:
    clock = Clock(now)
    # On roads it has to be planned on them.
    planned = None if load_day is None or roads is not None else _planned(load_day)
    if planned is not None and url is None:
        shutil.copyfile(planned, folder / DATABASE)
    store = open_store(url or f"sqlite:///{folder / DATABASE}", clock)
    try:
        if planned is not None and url is not None:
            _carry_over(planned, store)
        app = create_app(store=store, clock=clock, locator=locator, roads=roads)
        if load_day is not None and roads is not None:
            plan_demo(app.state.desk, load_day)
        yield store, clock, app
    finally:
        store.close()


@cache
def _planned(name: str) -> Path:
    """Plan a demo day once: every service of this process begins with a copy."""
    place = tempfile.mkdtemp(prefix="keyround-planned-")
    atexit.register(shutil.rmtree, place, ignore_errors=True)
    file = Path(place) / DATABASE
    store = open_store(f"sqlite:///{file}", Clock(MORNING))
    plan_demo(Desk(store=store, clock=Clock(MORNING), crew=Here()), name)
    store.close()
    return file


def _carry_over(planned: Path, store: SqlStore) -> None:
    given = open_store(f"sqlite:///{planned}")
    with given.read() as source, store.write() as target:
        restore(target, dump(source))
    given.close()


def plan_demo(desk: Desk, name: str) -> str:
    """Load a demo day as it is in the morning, and plan it."""
    given = read_path(DEMO / name)
    given.files.pop("facts.csv", None)  # type: ignore[attr-defined]
    given.files.pop("booked.csv", None)  # type: ignore[attr-defined]
    with desk.store.write() as transaction:
        load(transaction, given)
        queue(transaction, given.day_id)
    assert work_once(desk, ROUNDS)
    return given.day_id


@contextmanager
def service(
    folder: Path,
    load: str | None = "live_day",
    now: str = MORNING,
    url: str | None = None,
    locator: Locator | None = None,
    roads: Surveyor | None = None,
) -> Iterator[Service]:
    """Run the service in this process, without sockets.

    Parameters
    ----------
    folder : Path
        Where its files lie.
    load : str or None
        A demo day that is loaded and planned; what happened on it is left out.
    now : str
        What its clock says.
    url : str or None
        Another database.
    locator : Locator or None
        What it finds addresses in.
    roads : Surveyor or None
        A road network.

    Yields
    ------
    Service
        The service.
    """
    with (
        _made(folder, load, now, url, locator, roads) as (store, clock, app),
        TestClient(app) as nobody,
    ):
        desk: Desk = app.state.desk
        yield Service(
            app=app,
            desk=desk,
            store=store,
            clock=clock,
            office=_client(app, make_key(desk)),
            nobody=nobody,
        )


@contextmanager
def served(
    folder: Path,
    load: str | None = "live_day",
    now: str = MORNING,
    url: str | None = None,
    locator: Locator | None = None,
) -> Iterator[Served]:
    """Run the service on a real port of 127.0.0.1, in a thread.

    Parameters
    ----------
    folder, load, now, url, locator
        As for :func:`service`.

    Yields
    ------
    Served
        The service.
    """
    with _made(folder, load, now, url, locator) as (store, clock, app):
        config = uvicorn.Config(app, port=0, log_level="warning", access_log=False)
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run)
        thread.start()
        ready = threading.Event()
        while not server.started and thread.is_alive():
            ready.wait(0.02)
        port = server.servers[0].sockets[0].getsockname()[1]
        desk: Desk = app.state.desk
        try:
            yield Served(
                app=app,
                desk=desk,
                store=store,
                clock=clock,
                office=_client(app, make_key(desk)),
                nobody=TestClient(app),
                url=f"http://127.0.0.1:{port}",
            )
        finally:
            server.should_exit = True
            thread.join()
