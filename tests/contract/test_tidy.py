"""What goes when it is not needed any more, on both databases."""

from collections.abc import Iterator
from datetime import UTC, datetime

import pytest
import sqlalchemy as sa

from api import tables
from api.store import SqlStore, open_store
from api.store.days import find_brief
from api.store.keys import Key, add_key
from api.store.replies import Reply, add_reply
from api.tidy import Tidied, tidy

NOW = datetime(2026, 12, 10, 12, tzinfo=UTC)
CUSTOMER = "Invented Customer"


@pytest.fixture
def store(url: str) -> Iterator[SqlStore]:
    """Open a store with four days, each with a call; the last one is today."""
    opened = open_store(url, lambda: NOW)
    with opened.write() as transaction:
        for day_id in ("2026-12-01", "2026-12-02", "2026-12-09", "2026-12-10"):
            values = {
                "zone": "UTC",
                "name": CUSTOMER,
                "note": "",
                "body": "{}",
                "revision": 1,
                "running": True,
                "created_ms": 0,
            }
            add(transaction.connection, tables.days, id=day_id, **values)
            row = {"day_id": day_id, "position": 0, "revision": 1, "body": CUSTOMER}
            add(transaction.connection, tables.calls, id="101", **row)
            add(
                transaction.connection,
                tables.codes,
                day_id=day_id,
                call_id="101",
                what="pin",
                sealed=b"",
                sealed_with="",
                set_by="",
                set_ms=0,
            )
    yield opened
    opened.close()


def add(connection: sa.Connection, table: sa.Table, **values: object) -> None:
    connection.execute(sa.insert(table).values(values))


def kept(store: SqlStore, table: sa.Table) -> list[str]:
    with store.read() as transaction:
        query = sa.select(table.c.day_id).order_by(table.c.day_id)
        return list(transaction.connection.execute(query).scalars())


def test_customers_data_goes_when_its_day_is_over_for_as_long_as_was_said(
    store: SqlStore,
) -> None:
    # The 1st has been over for the 2nd to the 9th: eight whole days.
    assert tidy(store, NOW, 9).days == ()
    assert tidy(store, NOW, 8).days == ("2026-12-01",)
    assert tidy(store, NOW, 7).days == ("2026-12-02",)
    assert kept(store, tables.calls) == ["2026-12-09", "2026-12-10"]
    assert tidy(store, NOW, 0).days == ("2026-12-09",)
    with store.read() as transaction:
        for table in tables.METADATA.sorted_tables:
            rows = transaction.connection.execute(sa.select(table)).all()
            assert [
                each
                for each in map(str, rows)
                if CUSTOMER in each and "2026-12-10" not in each
            ] == []
        assert find_brief(transaction, "2026-12-10") is not None


def test_codes_of_visits_that_are_over_go_before_that(store: SqlStore) -> None:
    assert tidy(store, NOW, 100) == Tidied(days=(), codes=2, keys=0)
    assert kept(store, tables.codes) == ["2026-12-09", "2026-12-10"]


def test_who_has_a_day_at_hand_hears_that_it_is_gone(store: SqlStore) -> None:
    tidy(store, NOW, 8)
    with store.read() as transaction:
        [data] = transaction.connection.execute(
            sa.select(tables.events.c.data).where(tables.events.c.name == "day")
        ).scalars()
    assert '"gone": true' in data


def test_tokens_that_ended_and_answers_that_were_kept_go_as_well(
    store: SqlStore,
) -> None:
    now_ms = int(NOW.timestamp() * 1000)
    with store.write() as transaction:
        for name, expires_ms in (("old", 1), ("good", now_ms + 1), ("for good", None)):
            key = Key(
                id=name,
                kind="office",
                van_id=None,
                label="",
                created_ms=0,
                expires_ms=expires_ms,
            )
            add_key(transaction, key, name)
        reply = Reply(route="", digest="", status=200, headers={}, body=b"")
        add_reply(transaction, "office", "1", reply)
        transaction.connection.execute(sa.update(tables.replies).values(at_ms=0))
    assert tidy(store, NOW, 100).keys == 1
    with store.read() as transaction:
        names = transaction.connection.execute(sa.select(tables.keys.c.id)).scalars()
        assert sorted(names) == ["for good", "good"]
        assert transaction.connection.execute(sa.select(tables.replies)).all() == []
