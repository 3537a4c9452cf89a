"""What the database keeps by itself, whoever writes into it."""

from collections.abc import Mapping
from typing import Any

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext

from api import tables
from api.store import SqlStore, Transaction, open_store

DAY: Mapping[str, Any] = {
    "zone": "Europe/London",
    "name": "",
    "note": "",
    "body": "{}",
    "revision": 1,
    "running": False,
    "created_ms": 0,
}
A, B = "2026-12-04", "2026-12-05"


def add(transaction: Transaction, table: sa.Table, **values: Any) -> None:
    transaction.connection.execute(sa.insert(table).values(values))


def fill(store: SqlStore, day_id: str = A) -> None:
    """Put in a day with one van, one call and one part."""
    with store.write() as transaction:
        add(transaction, tables.days, id=day_id, **DAY)
        row = {"day_id": day_id, "position": 0, "revision": 1, "body": "{}"}
        for table, name in (
            (tables.vans, "V1"),
            (tables.calls, "101"),
            (tables.parts, "BLANK-7"),
        ):
            add(transaction, table, id=name, **row)


def move(store: SqlStore, seq: int, pieces: int) -> None:
    with store.write() as transaction:
        add(
            transaction,
            tables.movements,
            day_id=A,
            seq=seq,
            holder="V1",
            part_id="BLANK-7",
            pieces=pieces,
            cause="counted",
            note="",
            at_ms=0,
        )


def plan(store: SqlStore, version: int) -> None:
    with store.write() as transaction:
        add(
            transaction,
            tables.plans,
            day_id=A,
            version=version,
            kind="morning",
            revision=1,
            facts=0,
            body="{}",
            said="{}",
            document=b"{}",
            cost_cents=0,
            made_ms=0,
        )


def place(transaction: Transaction, version: int, position: int = 0) -> None:
    add(
        transaction,
        tables.placements,
        day_id=A,
        call_id="101",
        version=version,
        van_id="V1",
        position=position,
        start_s=0,
    )


def test_the_migrations_make_the_tables_that_the_code_knows(store: SqlStore) -> None:
    with store.read() as transaction:
        context = MigrationContext.configure(transaction.connection)
        assert compare_metadata(context, tables.METADATA) == []


def test_opening_a_store_again_keeps_what_is_in_it(url: str) -> None:
    first = open_store(url)
    fill(first)
    first.close()
    again = open_store(url)
    with again.read() as transaction:
        found = transaction.connection.execute(sa.select(tables.days.c.id)).scalars()
        assert found.all() == [A]
    again.close()


def test_stock_is_the_sum_of_what_moved_and_never_negative(store: SqlStore) -> None:
    fill(store)
    move(store, 1, 3)
    move(store, 2, -2)
    with pytest.raises(sa.exc.IntegrityError):
        move(store, 3, -2)
    with store.read() as transaction:
        pieces = transaction.connection.execute(
            sa.select(tables.balances.c.pieces)
        ).scalars()
        assert pieces.all() == [1]  # 3 - 2; what would have made it -1 is not there


@pytest.mark.parametrize("change", [sa.update, sa.delete])
def test_movements_and_plans_are_neither_changed_nor_deleted(
    store: SqlStore, change: Any
) -> None:
    fill(store)
    move(store, 1, 3)
    plan(store, 1)
    for table, column in ((tables.movements, "at_ms"), (tables.plans, "made_ms")):
        statement = change(table)
        if change is sa.update:
            statement = statement.values({column: 1})
        with pytest.raises(sa.exc.IntegrityError), store.write() as transaction:
            transaction.connection.execute(statement)


def test_what_only_grows_can_go_once_its_day_is_marked_as_erased(
    store: SqlStore,
) -> None:
    fill(store)
    move(store, 1, 3)
    with store.write() as transaction:
        transaction.connection.execute(sa.update(tables.days).values(erased_ms=1))
        transaction.connection.execute(sa.delete(tables.movements))
        left = transaction.connection.execute(sa.select(tables.movements)).all()
    assert left == []


def test_a_call_is_in_one_place_of_the_current_plan_only(store: SqlStore) -> None:
    fill(store)
    plan(store, 1)
    plan(store, 2)
    with store.write() as transaction:
        add(transaction, tables.stands, day_id=A, version=1)
        place(transaction, 1)
    with pytest.raises(sa.exc.IntegrityError), store.write() as transaction:
        place(transaction, 1, position=1)  # twice
    with store.write() as transaction:
        transaction.connection.execute(sa.delete(tables.placements))
    with pytest.raises(sa.exc.IntegrityError), store.write() as transaction:
        place(transaction, 2)  # of a plan that is not the current one


def test_a_day_has_one_open_job_of_a_kind(store: SqlStore) -> None:
    fill(store)
    job = {"day_id": A, "kind": "rest", "asked": "{}", "attempts": 0, "created_ms": 0}
    with store.write() as transaction:
        add(transaction, tables.jobs, id="1", state="done", **job)
        add(transaction, tables.jobs, id="2", state="queued", **job)
    with pytest.raises(sa.exc.IntegrityError), store.write() as transaction:
        add(transaction, tables.jobs, id="3", state="running", **job)


def add_after_telling(transaction: Transaction) -> None:
    """Tell something, then fail: nothing of it is kept, its number neither."""
    transaction.tell("day", {"day": B})
    add(transaction, tables.days, id=A, **DAY)


def test_events_are_numbered_in_the_order_of_commits_without_gaps(
    store: SqlStore,
) -> None:
    with store.write() as transaction:
        first = transaction.tell("day", {"day": A})
    fill(store)
    with pytest.raises(sa.exc.IntegrityError), store.write() as transaction:
        add_after_telling(transaction)
    with store.write() as transaction:
        assert transaction.tell("day", {"day": B}) == first + 1


def test_who_listens_is_told_after_the_commit_and_only_where_something_was_said(
    store: SqlStore,
) -> None:
    heard: list[int] = []

    def hear() -> None:
        with store.read() as transaction:
            heard.extend(
                transaction.connection.execute(sa.select(tables.events.c.seq)).scalars()
            )

    store.heard = hear
    with store.write() as transaction:
        assert transaction.told == 0
    assert heard == []
    with store.write() as transaction:
        transaction.tell("day", {"day": A})
        assert heard == []
    assert heard == [1]
