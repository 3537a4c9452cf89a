"""A service with a day and two vans, to be asked without sockets."""

import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from fastapi.testclient import TestClient

from api import tables
from api.access import first_secret
from api.app import create_app
from api.security import Door
from api.store import SqlStore, open_store

DAY = "2026-12-04"
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
    """A service with two vans, and clients that keep no cookies of one another."""

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
    with store.write() as transaction:
        day = {"id": DAY, "zone": "UTC", "name": "", "note": "", "body": "{}"}
        row = {"day_id": DAY, "position": 0, "revision": 1, "body": "{}"}
        transaction.connection.execute(
            sa.insert(tables.days).values(
                **day, revision=1, running=False, created_ms=0
            )
        )
        for table, ids in (
            (tables.vans, ("mira", "odile")),
            (tables.calls, ("101", "102")),
        ):
            for id_ in ids:
                transaction.connection.execute(sa.insert(table).values(id=id_, **row))
    yield House(store, clock)
    store.close()
