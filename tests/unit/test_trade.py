"""The trade's tables hold together, and every figure says where it comes from."""

import tomllib
from importlib import resources

import pytest

from dispatch.evening import HOURS_CAUTION
from shared.model import Kind, ReadyKind
from shared.trade import cautions, kinds, ready_items, traffic_profiles, work

PROGRAMMING = ("add_key", "all_keys_lost")
KEY_MAKING = (
    "add_key",
    "all_keys_lost",
    "emergency_blade",
    "broken_key",
    "ignition_cylinder",
)


def test_every_kind_of_work_a_locksmith_is_called_for_is_there() -> None:
    assert set(kinds()) >= {
        "lockout_vehicle",
        "lockout_house",
        "lockout_business",
        "add_key",
        "all_keys_lost",
        "emergency_blade",
        "broken_key",
        "ignition_cylinder",
        "rekey",
        "lock_change",
        "safe_opening",
    }


@pytest.mark.parametrize("kind", work().values(), ids=work())
def test_a_kind_has_a_length_a_skill_equipment_and_known_cautions(kind: Kind) -> None:
    assert 5 * 60 <= kind.median_s < kind.p90_s <= 8 * 3600
    assert kind.skills
    assert kind.equipment
    assert set(kind.cautions) <= set(cautions())
    assert "licence" in kind.cautions
    assert "authority" in kind.cautions
    assert kind.source


@pytest.mark.parametrize("name", ["kinds.toml", "cautions.toml", "traffic.toml"])
def test_every_row_of_every_table_names_its_source(name: str) -> None:
    text = resources.files("shared.trade").joinpath(name).read_text(encoding="utf-8")
    rows = [
        (table, key, row)
        for table, entries in tomllib.loads(text).items()
        for key, row in entries.items()
    ]
    assert rows
    assert [(table, key) for table, key, row in rows if not row["source"]] == []


def test_every_caution_is_used_by_some_kind_or_by_hours_and_breaks() -> None:
    used = {name for kind in kinds().values() for name in kind.cautions}
    assert used | {HOURS_CAUTION} == set(cautions())


def test_whoever_may_be_locked_in_gets_the_emergency_number_first() -> None:
    for kind in ("lockout_vehicle", "lockout_house", "lockout_business"):
        first = cautions()[kinds()[kind].cautions[0]]
        assert first.emergency
        assert "emergency number" in first.text


def test_only_danger_to_life_counts_as_an_emergency() -> None:
    assert [key for key, row in cautions().items() if row.emergency] == ["locked_in"]


@pytest.mark.parametrize("kind", KEY_MAKING)
def test_no_key_is_made_without_proof_of_authority(kind: str) -> None:
    assert ReadyKind.AUTHORITY in {item.kind for item in kinds()[kind].ready}
    assert "authority" in kinds()[kind].cautions


@pytest.mark.parametrize("kind", PROGRAMMING)
def test_programming_needs_a_bought_code_that_takes_hours(kind: str) -> None:
    code = next(item for item in kinds()[kind].ready if item.kind is ReadyKind.CODE)
    assert code.cost_cents == 4500  # 45.00
    assert code.lead_time_s == 12 * 3600
    assert {"battery", "high_voltage", "keys_erased"} <= set(kinds()[kind].cautions)


def test_existing_keys_are_asked_for_where_there_are_any() -> None:
    asked = {
        key
        for key, kind in kinds().items()
        if ReadyKind.KEYS_PRESENT in {item.kind for item in kind.ready}
    }
    assert asked == {"add_key"}


def test_changing_a_lock_minds_the_escape_route() -> None:
    assert "egress" in kinds()["lock_change"].cautions
    assert "egress" in kinds()["rekey"].cautions


def test_work_at_the_steering_column_minds_the_airbag() -> None:
    assert "steering_column" in kinds()["ignition_cylinder"].cautions


def test_there_is_a_usual_item_for_everything_that_can_have_to_be_ready() -> None:
    assert list(ready_items()) == list(ReadyKind)
    assert all(item.owner and item.note for item in ready_items().values())


def test_each_traffic_profile_fills_24_hours_of_the_local_clock() -> None:
    assert {"free_flow", "town", "city", "countryside"} <= set(traffic_profiles())
    for profile in traffic_profiles().values():
        assert profile.slot_s * len(profile.speed_permille) == 24 * 3600
        assert all(50 <= speed <= 2000 for speed in profile.speed_permille)
        assert profile.source


def test_a_working_day_is_slower_at_eight_than_at_three_in_the_morning() -> None:
    town = traffic_profiles()["town"].speed_permille
    assert town[8] < town[3]
    assert set(traffic_profiles()["free_flow"].speed_permille) == {1000}
