"""Tokens and one-time codes in the store, on both databases."""

from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic import command
from alembic.config import Config

from api import migrations, tables
from api.store import SqlStore, open_store
from api.store.keys import (
    Key,
    add_key,
    add_pairing,
    find_key,
    list_keys,
    revoke_keys,
    see_key,
    use_pairing,
)


def add(
    store: SqlStore, name: str, kind: str = "van", van_id: str | None = "V1"
) -> None:
    with store.write() as transaction:
        key = Key(
            id=name,
            kind=kind,
            van_id=van_id,
            label="",
            created_ms=0,
            expires_ms=None,
        )
        add_key(transaction, key, f"digest of {name}")


@pytest.mark.parametrize(
    ("kind", "van_id"),
    [("van", None), ("feed", None), ("office", "V1"), ("boss", None)],
)
def test_a_key_is_of_a_kind_and_names_a_van_where_it_is_one(
    store: SqlStore, kind: str, van_id: str | None
) -> None:
    with pytest.raises(sa.exc.IntegrityError):
        add(store, "a", kind, van_id)


def test_two_keys_never_have_the_same_token(store: SqlStore) -> None:
    add(store, "a")
    with pytest.raises(sa.exc.IntegrityError), store.write() as transaction:
        transaction.connection.execute(
            sa.insert(tables.keys).values(
                id="b", kind="office", label="", digest="digest of a", created_ms=0
            )
        )


def test_a_revoked_key_is_listed_no_more_and_is_told_of_once(store: SqlStore) -> None:
    add(store, "a")
    add(store, "b", "feed")
    for _ in range(2):
        with store.write() as transaction:
            revoke_keys(transaction, ["van"])
    with store.write() as transaction:
        see_key(transaction, "a", None)  # a late use of it changes nothing
    with store.read() as transaction:
        assert [key.id for key in list_keys(transaction, ["van", "feed"], 9)] == ["b"]
        found = find_key(transaction, "digest of a")
        assert found is not None
        assert found.revoked_ms is not None
        assert found.seen_ms is None
        told = transaction.connection.execute(sa.select(tables.events.c.data)).scalars()
        assert [data for data in told if '"a"' in data] != []
        count = sa.select(sa.func.count()).select_from(tables.events)
        assert transaction.connection.execute(count).scalar_one() == 1


def test_a_one_time_code_is_used_once_and_forgotten_when_it_ran_out(
    store: SqlStore,
) -> None:
    with store.write() as transaction:
        now_ms = transaction.now_ms
        add_pairing(transaction, "good", "V1", "office", now_ms + 60_000)
        add_pairing(transaction, "late", "V1", "office", now_ms)
    with store.write() as transaction:
        used = [
            use_pairing(transaction, each) for each in ("good", "good", "late", "x")
        ]
        assert used == ["V1", None, None, None]
        add_pairing(transaction, "next", "V1", "office", transaction.now_ms + 60_000)
    with store.read() as transaction:
        left = transaction.connection.execute(sa.select(tables.pairings.c.digest))
        assert sorted(left.scalars()) == ["good", "next"]


def test_keys_from_before_there_were_feeds_are_still_good(url: str) -> None:
    config = Config()
    config.set_main_option("script_location", str(Path(migrations.__file__).parent))
    address = sa.make_url(url)
    engine = sa.create_engine(address)
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
        old = {"kind": "van", "van_id": "V1", "label": "", "created_ms": 7}
        values = sa.insert(tables.keys).values(id="a", digest="digest of a", **old)
        connection.execute(values)
    engine.dispose()
    store = open_store(url)
    with store.read() as transaction:
        found = find_key(transaction, "digest of a")
        assert found is not None
        assert (found.van_id, found.created_ms) == ("V1", 7)
    add(store, "b", "feed")
    store.close()
