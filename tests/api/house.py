"""A service with a demo day that is not planned, to be asked without sockets."""

import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from fastapi.testclient import TestClient

from api.access import first_secret
from api.app import create_app
from api.folder import load, read_path
from api.security import Door
from api.store import SqlStore, open_store

DAY = "2026-12-04"
DEMO = Path(__file__).parents[2] / "demo_scenarios"
BEGUN = datetime(2026, 12, 4, 7, 50, tzinfo=UTC)


class Hands:
    """A clock that is set by hand; seconds that only rise go with it."""

    def __init__(self) -> None:
        self.now = BEGUN

    def __call__(self) -> datetime:
        return self.now

    def seconds(self) -> float:
        return (self.now - BEGUN).total_seconds()

    def wait(self, **span: float) -> None:
        self.now += timedelta(**span)


class House:
    """A service with a day of two vans, and clients that share no cookies."""

    def __init__(self, store: SqlStore, clock: Hands) -> None:
        self.app = create_app(store=store, clock=clock)
        self.app.state.door = Door(clock=clock.seconds)
        self.store, self.clock = store, clock
        self.desk = self.app.state.desk
        secret = first_secret(store)
        assert secret is not None
        self.secret = secret

    def client(self, token: str = "", **headers: str) -> TestClient:
        if token:
            headers["Authorization"] = f"Bearer {token}"
        return TestClient(self.app, headers=headers)

    def office(self) -> TestClient:
        return self.client(self.sign_in({"secret": self.secret}).json()["token"])

    def sign_in(self, body: dict[str, str]) -> Any:
        return self.client().post("/v1/session", json=body)

    def code(self, van_id: str) -> str:
        answer = self.office().post(
            "/v1/pairings",
            json={"van_id": van_id},
            headers={"Idempotency-Key": secrets.token_hex(8)},
        )
        assert answer.status_code == 201, answer.text
        return str(answer.json()["code"])

    def phone(self, van_id: str) -> TestClient:
        return self.client(self.sign_in({"code": self.code(van_id)}).json()["token"])

    def add(self, table: sa.Table, **values: Any) -> None:
        with self.store.write() as transaction:
            transaction.connection.execute(sa.insert(table).values(values))

    def rows(self, table: sa.Table) -> list[sa.Row[Any]]:
        with self.store.read() as transaction:
            return list(transaction.connection.execute(sa.select(table)))


@contextmanager
def open_house(folder: Path) -> Iterator[House]:
    clock = Hands()
    store = open_store(f"sqlite:///{folder / 'keyround.db'}", clock)
    given = read_path(DEMO / "live_day")
    with store.write() as transaction:
        load(transaction, replace(given, files={}))  # nothing has happened yet
    yield House(store, clock)
    store.close()
