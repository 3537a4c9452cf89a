"""A backup taken from one store fills another, of either kind."""

from pathlib import Path

import pytest
import sqlalchemy as sa

from api import tables
from api.folder import load, read_path
from api.host import back_up, bring_back, export_all, load_folder
from api.store import SqlStore, open_store
from api.store.stock import list_balances
from shared.errors import Conflict, InvalidInput

DEMO = Path(__file__).parents[2] / "demo_scenarios"


def everything(store: SqlStore) -> dict[str, list[object]]:
    with store.read() as transaction:
        return {
            table.name: [
                tuple(row) for row in transaction.connection.execute(sa.select(table))
            ]
            for table in tables.METADATA.sorted_tables
        }


def test_a_backup_holds_everything_and_fills_an_empty_store_only(
    store: SqlStore, tmp_path: Path
) -> None:
    with store.write() as transaction:
        load(transaction, read_path(DEMO / "live_day"))
    file = tmp_path / "friday.keyround"
    back_up(store, file)
    other = open_store(f"sqlite:///{tmp_path / 'other.db'}")
    rows = bring_back(other, file)
    wanted = everything(store)
    assert everything(other) == wanted
    assert rows == sum(map(len, wanted.values())) - len(wanted["balances"])
    with pytest.raises(Conflict):
        bring_back(other, file)
    with other.read() as transaction:
        assert list_balances(transaction, "2026-12-04")
    other.close()


@pytest.mark.parametrize("cut", [0, 20, -30])
def test_a_backup_that_is_cut_short_is_refused_and_changes_nothing(
    tmp_path: Path, cut: int
) -> None:
    store = open_store(f"sqlite:///{tmp_path / 'one.db'}")
    file = tmp_path / "friday.keyround"
    back_up(store, file)
    file.write_bytes(file.read_bytes()[:cut])
    other = open_store(f"sqlite:///{tmp_path / 'other.db'}")
    before = everything(other)
    with pytest.raises(InvalidInput):
        bring_back(other, file)
    assert everything(other) == before
    store.close()
    other.close()


def test_all_days_are_exported_and_each_is_loaded_again(tmp_path: Path) -> None:
    store = open_store(f"sqlite:///{tmp_path / 'one.db'}")
    for name in ("live_day", "three_days"):
        load_folder(store, DEMO / name)
    out = tmp_path / "out"
    days = export_all(store, out)
    assert sorted(path.name for path in out.iterdir()) == sorted(days)
    with pytest.raises(InvalidInput):
        export_all(store, out)
    other = open_store(f"sqlite:///{tmp_path / 'other.db'}")
    for day in days:
        assert load_folder(other, out / day) == day
    again = tmp_path / "again"
    export_all(other, again)
    for path in out.glob("*/*"):
        assert (again / path.relative_to(out)).read_bytes() == path.read_bytes()
    with pytest.raises(Conflict):
        load_folder(other, out / days[0])
    assert load_folder(other, DEMO / "one_van", today=True) is not None
    assert load_folder(other, DEMO / "one_van", today=True) is None  # it stays
    store.close()
    other.close()
