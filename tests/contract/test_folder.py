"""Folders go into the store and come out again as they were."""

from datetime import date
from pathlib import Path

import pytest
import sqlalchemy as sa

from api import tables
from api.folder import Given, files_of, load, move_to, read_folder, read_path
from api.store import SqlStore
from api.store.days import erase_day, find_brief, list_briefs, read_day
from api.store.facts import add_fact, list_facts
from api.store.plans import NewPlan, add_plan, find_in_force, placed_on
from api.store.stock import list_balances, stocks_of
from dispatch.scenario import read_facts, read_scenario
from shared.errors import InvalidInput
from shared.model import Plan, Proof, Route, Status, Stop, StopKind

DEMO = Path(__file__).parents[2] / "demo_scenarios"
FOLDERS = sorted(path.parent.name for path in DEMO.glob("*/day.toml"))


def put(store: SqlStore, given: Given) -> str:
    with store.write() as transaction:
        load(transaction, given)
    return given.day_id


def take(store: SqlStore, day_id: str) -> dict[str, bytes]:
    with store.read() as transaction:
        return files_of(transaction, day_id)


@pytest.mark.parametrize("name", FOLDERS)
def test_every_demo_day_comes_out_of_the_store_as_it_went_in(
    store: SqlStore, name: str
) -> None:
    day_id = put(store, read_path(DEMO / name))
    day = read_scenario(DEMO / name)
    with store.read() as transaction:
        assert read_day(transaction, day_id) == day
        pieces = {
            (each.holder, each.part_id): each.pieces
            for each in list_balances(transaction, day_id)
        }
    assert pieces == {
        (holder, part): count
        for holder, stock in stocks_of(day).items()
        for part, count in stock.items()
        if count
    }
    files = take(store, day_id)
    kept = {"log.csv", "shelves.toml", "README.md", "facts.csv", "booked.csv"}
    for path in (DEMO / name).iterdir():
        if path.name in kept:
            assert files[path.name] == path.read_bytes()


@pytest.mark.parametrize("name", ["live_day", "three_days"])
def test_an_exported_day_loaded_elsewhere_is_the_same_to_the_last_byte(
    store: SqlStore, name: str
) -> None:
    day_id = put(store, read_path(DEMO / name))
    plan_something(store, day_id)
    first = take(store, day_id)
    with store.write() as transaction:
        erase_day(transaction, day_id)
    assert put(store, read_folder(first)) == day_id
    assert take(store, day_id) == first


def plan_something(store: SqlStore, day_id: str) -> None:
    """Put in a plan of one call, and two facts with and without words on parts."""
    with store.write() as transaction:
        day = read_day(transaction, day_id)
        assert day is not None
        call, van = day.calls[0], day.vans[0]
        stop = Stop(
            kind=StopKind.CALL,
            call_id=call.id,
            place=call.place,
            drive_m=1,
            drive_s=2,
            arrive_s=30_000,
            start_s=30_000,
            finish_s=31_000,
        )
        route = Route(
            van_id=van.id,
            stops=(stop,),
            leave_s=29_000,
            last_drive_m=0,
            last_drive_s=0,
            finish_s=31_000,
        )
        plan = Plan(
            routes=(route,), issues=(), unplaced=(), status=Status(proof=Proof.BOUNDED)
        )
        new = NewPlan(
            kind="morning",
            revision=1,
            facts=0,
            plan=plan,
            said={call.id: 30_000},
            document=b"{}",
        )
        assert add_plan(transaction, day_id, new) == 1
        held = find_in_force(transaction, day_id)
        assert held is not None
        assert held.plan == plan
        assert placed_on(transaction, day_id) == {call.id: van.id}
        if day_id == "2026-12-04":
            for fact in read_facts(DEMO / "live_day", day)[:2]:
                add_fact(transaction, day_id, fact, "0" * 64, "somebody")


def test_somebody_who_edits_an_exported_table_is_believed(store: SqlStore) -> None:
    day_id = put(store, read_path(DEMO / "live_day"))
    plan_something(store, day_id)
    files = take(store, day_id)
    assert b"Agnes Tolley" in files["calls.csv"]
    files["calls.csv"] = files["calls.csv"].replace(b"Agnes Tolley", b"Agnes Trolley")
    with store.write() as transaction:
        erase_day(transaction, day_id)
    put(store, read_folder(files))
    with store.read() as transaction:
        day = read_day(transaction, day_id)
        assert day is not None
        assert day.calls[0].customer == "Agnes Trolley"
        assert find_in_force(transaction, day_id) is None
        assert list_facts(transaction, day_id) == []
    assert b"mira" in take(store, day_id)["facts.csv"]  # they wait to be told again


@pytest.mark.parametrize(
    ("file", "text"),
    [
        ("record.json", b"[]"),
        ("record.json", b"{"),
        ("../day.toml", b""),
        ("calls.csv", b"id,lat\n"),
        ("facts.csv", b"id,time,fact\n1,25,left\n"),
    ],
)
def test_a_folder_that_is_broken_says_where(file: str, text: bytes) -> None:
    files = {
        path.name: path.read_bytes()
        for path in (DEMO / "live_day").iterdir()
        if path.name != "README.md"
    }
    with pytest.raises(InvalidInput) as caught:
        read_folder({**files, file: text})
    assert file.removeprefix("../") in str(caught.value)


def test_a_forged_record_is_refused_and_leaves_nothing(store: SqlStore) -> None:
    day_id = put(store, read_path(DEMO / "live_day"))
    given = read_folder(take(store, day_id))
    assert given.record is not None
    rows = {**given.record, "movements": [{"day_id": day_id}]}
    with store.write() as transaction:
        erase_day(transaction, day_id)
    with pytest.raises(InvalidInput):
        put(store, Given(day=given.day, files={}, record=rows))
    with store.read() as transaction:
        assert find_brief(transaction, day_id) is None


def test_a_demo_day_moved_to_another_date_keeps_its_clock_times(
    store: SqlStore,
) -> None:
    given = read_path(DEMO / "live_day")
    put(store, move_to(given, date(2027, 1, 5)))
    with store.read() as transaction:
        day = read_day(transaction, "2027-01-05")
        assert day is not None
        assert day.clock.hhmm(day.vans[0].shift.start_s) == "08:00"
        assert [brief.calls for brief in list_briefs(transaction)] == [10]


def test_of_an_erased_day_nothing_is_left(store: SqlStore) -> None:
    day_id = put(store, read_path(DEMO / "live_day"))
    plan_something(store, day_id)
    with store.write() as transaction:
        erase_day(transaction, day_id, keep=True)
    with store.read() as transaction:
        assert find_brief(transaction, day_id) is None
        assert list_briefs(transaction) == []
        for table in tables.METADATA.tables.values():
            if "day_id" in table.c and table is not tables.events:
                rows = transaction.connection.execute(sa.select(table)).all()
                assert rows == [], table.name
