"""Codes of calls: who sees them, when, and what is left of them."""

from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
import sqlalchemy as sa
from fastapi.testclient import TestClient

from api import tables
from api.codes import drop_old_codes
from api.vault import read_vault
from tests.api.house import DAY, House, open_house

BITTING = "5-2-4-1-3-3"
CODE = f"/v1/days/{DAY}/calls/501/code"


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    """Open a house where mira serves call 501 at nine, by the zone's clock (UTC)."""
    with open_house(tmp_path) as opened:
        opened.add(
            tables.plans,
            day_id=DAY,
            version=1,
            kind="morning",
            revision=1,
            facts=0,
            body="{}",
            said="{}",
            document=b"{}",
            cost_cents=0,
            made_ms=0,
        )
        opened.add(tables.stands, day_id=DAY, version=1)
        opened.add(
            tables.placements,
            day_id=DAY,
            call_id="501",
            version=1,
            van_id="mira",
            position=0,
            start_s=9 * 3600,
        )
        yield opened


def set_code(house: House) -> TestClient:
    office = house.office()
    body = {"code": BITTING, "what": "bitting"}
    assert office.put(CODE, json=body).status_code == 204
    return office


def tell(house: House, seq: int, kind: str, van_id: str = "mira") -> None:
    house.add(
        tables.facts,
        day_id=DAY,
        seq=seq,
        id=str(seq),
        kind=kind,
        at_s=8 * 3600 + seq,
        van_id=van_id,
        call_id="501",
        body="{}",
        digest="",
        told_by="",
        received_ms=0,
    )


def show(phone: TestClient) -> int:
    return phone.post(f"{CODE}/reveal").status_code


def at(house: House, clock: str) -> None:
    hour, minute = map(int, clock.split(":"))
    house.clock.now = datetime(2026, 12, 4, hour, minute, tzinfo=UTC)


def test_a_code_is_shown_to_its_van_half_an_hour_before_the_visit(house: House) -> None:
    set_code(house)
    mira = house.phone("mira")
    at(house, "8:29")
    assert show(mira) == 403
    at(house, "8:30")
    answer = mira.post(f"{CODE}/reveal")
    assert answer.json() == {"code": BITTING, "what": "bitting"}
    assert answer.headers["cache-control"] == "no-store"
    at(house, "11:01")  # two hours after nine, nobody has said anything
    assert show(mira) == 403


def test_a_code_is_shown_from_driving_there_on_until_the_visit_is_over(
    house: House,
) -> None:
    set_code(house)
    mira = house.phone("mira")
    at(house, "8:10")
    assert show(mira) == 403
    for seq, (kind, status) in enumerate(
        [("left", 200), ("arrived", 200), ("started", 200), ("done", 403)], start=1
    ):
        tell(house, seq, kind)
        assert show(mira) == status


def test_a_visit_that_takes_all_day_keeps_its_code(house: House) -> None:
    set_code(house)
    mira = house.phone("mira")
    tell(house, 1, "started")
    at(house, "16:00")
    assert show(mira) == 200


@pytest.mark.parametrize("kind", ["no_show", "cancelled"])
def test_a_visit_that_does_not_happen_ends_it_as_well(house: House, kind: str) -> None:
    set_code(house)
    mira = house.phone("mira")
    at(house, "8:40")
    assert show(mira) == 200
    tell(house, 1, kind)
    assert show(mira) == 403


def test_another_van_cannot_tell_whether_there_is_a_code(house: House) -> None:
    hanno = house.phone("hanno")
    at(house, "8:40")
    before = hanno.post(f"{CODE}/reveal")
    set_code(house)
    after = hanno.post(f"{CODE}/reveal")
    assert before.status_code == after.status_code == 404
    assert before.json() == after.json()


def test_another_van_does_not_get_it_by_saying_that_it_drives_there(
    house: House,
) -> None:
    set_code(house)
    hanno, mira = house.phone("hanno"), house.phone("mira")
    at(house, "8:10")
    tell(house, 1, "left", van_id="hanno")
    assert show(hanno) == 404
    assert show(mira) == 403


def test_a_call_in_nobodys_day_shows_its_code_to_nobody(house: House) -> None:
    office = house.office()
    body = {"code": BITTING, "what": "pin"}
    path = CODE.replace("501", "502")
    assert office.put(path, json=body).status_code == 204
    assert house.phone("mira").post(f"{path}/reveal").status_code == 404


def test_the_office_sets_a_code_and_never_sees_it_again(house: House) -> None:
    office = set_code(house)
    assert show(office) == 403
    assert office.get(CODE).status_code == 405
    assert office.delete(CODE).status_code == 204
    assert office.delete(CODE).status_code == 404
    at(house, "8:40")
    assert show(house.phone("mira")) == 404


def test_a_van_neither_sets_nor_deletes_codes_nor_reads_the_log(house: House) -> None:
    mira = house.phone("mira")
    assert mira.put(CODE, json={"code": "1", "what": "pin"}).status_code == 403
    assert mira.delete(CODE).status_code == 403
    assert mira.get("/v1/code-log").status_code == 403


def test_a_code_belongs_to_a_call_that_exists(house: House) -> None:
    path = CODE.replace("501", "999")
    body = {"code": BITTING, "what": "bitting"}
    assert house.office().put(path, json=body).status_code == 404


def test_a_code_sent_wrongly_is_not_sent_back(house: House) -> None:
    office = house.office()
    for body in ({"code": BITTING}, {"kode": BITTING, "code": [BITTING], "what": 1}):
        answer = office.put(CODE, json=body)
        assert answer.status_code == 422
        assert BITTING not in answer.text


def test_every_look_at_a_code_is_written_down(house: House) -> None:
    office = set_code(house)
    mira, hanno = house.phone("mira"), house.phone("hanno")
    at(house, "8:00")
    show(mira)
    show(hanno)
    at(house, "8:40")
    show(mira)
    office.delete(CODE)
    seen, after = [], None
    while True:
        asked = {"limit": 2} | ({"after": after} if after else {})
        page = office.get("/v1/code-log", params=asked).json()
        seen += [(line["what"], line["van_id"]) for line in page["items"]]
        after = page["next"]
        if after is None:
            break
    assert seen == [
        ("removed", None),
        ("shown", "mira"),
        ("refused", "hanno"),
        ("refused", "mira"),
        ("set", None),
    ]
    assert BITTING not in office.get("/v1/code-log").text


def test_a_code_is_nowhere_in_the_database_as_it_is(house: House) -> None:
    set_code(house)
    at(house, "8:40")
    assert show(house.phone("mira")) == 200
    [row] = house.rows(tables.codes)
    assert BITTING.encode() not in row.sealed
    for table in tables.METADATA.sorted_tables:
        assert not [each for each in house.rows(table) if BITTING in str(each)]


def test_a_sealed_code_that_is_moved_to_another_call_does_not_open(
    house: House,
) -> None:
    set_code(house)
    at(house, "8:40")
    mira = house.phone("mira")
    with house.store.write() as transaction:  # 502 is at mira's instead of 501
        transaction.connection.execute(
            sa.update(tables.placements).values(call_id="502")
        )
        transaction.connection.execute(sa.update(tables.codes).values(call_id="502"))
    answer = mira.post(f"{CODE.replace('501', '502')}/reveal")
    assert answer.status_code == 503
    assert BITTING not in answer.text


def test_without_the_key_the_database_opens_nothing(
    house: House, tmp_path: Path
) -> None:
    set_code(house)
    at(house, "8:40")
    house.app.state.vault = read_vault(tmp_path)
    assert show(house.phone("mira")) == 503


def test_codes_of_days_that_are_over_are_deleted(house: House) -> None:
    set_code(house)
    assert drop_old_codes(house.store, date(2026, 12, 5)) == 0
    assert drop_old_codes(house.store, date(2026, 12, 6)) == 1
    assert house.rows(tables.codes) == []
    assert house.rows(tables.code_log)[-1].what == "removed"
