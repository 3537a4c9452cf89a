"""Signing in, pairing phones, and who is turned away."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from fastapi.testclient import TestClient

from api import tables
from api.access import first_secret, make_secret
from api.security import Door
from tests.api.house import House, open_house


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with open_house(tmp_path) as opened:
        yield opened


def test_the_first_start_makes_a_secret_and_the_second_does_not(house: House) -> None:
    assert first_secret(house.store) is None
    assert house.sign_in({"secret": house.secret}).status_code == 201


def test_the_secret_may_be_typed_in_small_letters_and_without_dashes(
    house: House,
) -> None:
    typed = house.secret.lower().replace("-", " ")
    assert house.sign_in({"secret": typed}).status_code == 201


def test_a_new_secret_ends_the_old_one_and_the_sessions_of_the_office_but_no_phone(
    house: House,
) -> None:
    office, phone = house.office(), house.phone("mira")
    made = make_secret(house.store)
    house.clock.wait(seconds=3)  # another process made it; noticed within two seconds
    assert office.get("/v1/session").status_code == 401
    assert house.sign_in({"secret": house.secret}).status_code == 401
    assert house.sign_in({"secret": made}).status_code == 201
    assert phone.get("/v1/session").json()["van_id"] == "mira"


def test_nothing_that_signs_in_is_stored_as_it_is(house: House) -> None:
    code = house.code("mira")
    token = house.sign_in({"code": house.code("mira")}).json()["token"]
    with house.store.read() as transaction:
        kept = [
            str(row)
            for table in tables.METADATA.sorted_tables
            for row in transaction.connection.execute(sa.select(table))
        ]
    assert len(kept) > 5
    for word in (house.secret, code, token):
        for spelled in (word, word.replace("-", "")):
            assert not [row for row in kept if spelled in row]


def test_a_secret_is_no_token(house: House) -> None:
    for word in (house.secret, house.secret.replace("-", "")):
        assert house.client(word).get("/v1/session").status_code == 401


def test_a_session_says_who_is_signed_in(house: House) -> None:
    answer = house.office().get("/v1/session")
    assert answer.headers["cache-control"] == "no-store"
    assert answer.json() == {
        "kind": "office",
        "van_id": None,
        "expires_at": "2026-12-11T07:50:00Z",  # seven days
        "now_at": "2026-12-04T07:50:00Z",
    }


def test_a_phone_is_paired_by_a_code_that_is_good_once(house: House) -> None:
    code = house.code("mira")
    assert len(code) == 9
    assert code[4] == "-"
    answer = house.sign_in({"code": code.lower()})
    assert answer.status_code == 201
    assert (answer.json()["kind"], answer.json()["van_id"]) == ("van", "mira")
    assert house.sign_in({"code": code}).status_code == 401


def test_a_code_is_good_for_ten_minutes(house: House) -> None:
    early, late = house.code("mira"), house.code("mira")
    house.clock.wait(seconds=599)
    assert house.sign_in({"code": early}).status_code == 201
    house.clock.wait(seconds=1)
    assert house.sign_in({"code": late}).status_code == 401


def test_a_pairing_names_a_van_that_exists_and_brings_a_key(house: House) -> None:
    office = house.office()
    key = {"Idempotency-Key": "1"}
    assert (
        office.post("/v1/pairings", json={"van_id": "x"}, headers=key).status_code
        == 422
    )
    answer = office.post("/v1/pairings", json={"van_id": "mira"})
    assert answer.status_code == 400
    assert answer.json()["type"] == "/v1/problems/key-needed"


def test_a_session_needs_either_secret_or_code(house: House) -> None:
    for body in ({}, {"secret": "a", "code": "b"}, {"secret": "a", "more": "b"}):
        assert house.sign_in(body).status_code == 422


def test_what_was_typed_in_wrongly_is_not_sent_back(house: House) -> None:
    answer = house.sign_in({"secret": "A" * 201})
    assert answer.status_code == 422
    assert "AAAA" not in answer.text


def test_who_signs_out_is_out_at_once_and_loses_the_cookie(house: House) -> None:
    token = house.sign_in({"code": house.code("mira")}).json()["token"]
    phone = house.client(token)
    assert phone.get("/v1/session").status_code == 200
    answer = phone.delete("/v1/session")
    assert answer.status_code == 204
    assert 'keyround=""' in answer.headers["set-cookie"]
    again = phone.get("/v1/session")
    assert again.status_code == 401
    assert again.headers["www-authenticate"] == "Bearer"


def test_the_office_sees_the_sessions_page_by_page_and_ends_one(house: House) -> None:
    office, phone = house.office(), house.phone("mira")
    seen: list[dict[str, Any]] = []
    after: str | None = ""
    while after is not None:
        page = office.get("/v1/keys", params={"limit": 1, "after": after}).json()
        seen += page["items"]
        after = page["next"]
    assert sorted(each["kind"] for each in seen) == ["office", "office", "van"]
    [mine] = [each["id"] for each in seen if each["van_id"] == "mira"]
    assert phone.get("/v1/session").status_code == 200
    assert office.delete(f"/v1/keys/{mine}").status_code == 204
    assert phone.get("/v1/session").status_code == 401
    assert office.delete(f"/v1/keys/{mine}").status_code == 404
    with house.store.read() as transaction:
        told = transaction.connection.execute(
            sa.select(tables.events.c.data).where(tables.events.c.name == "key")
        ).scalars()
        assert [mine in data for data in told] == [True]


def test_the_secret_is_neither_listed_nor_ended_like_a_session(house: House) -> None:
    office = house.office()
    with house.store.read() as transaction:
        secret_id = transaction.connection.execute(
            sa.select(tables.keys.c.id).where(tables.keys.c.kind == "secret")
        ).scalar_one()
    listed = office.get("/v1/keys").json()["items"]
    assert secret_id not in [each["id"] for each in listed]
    assert office.delete(f"/v1/keys/{secret_id}").status_code == 404


def test_a_session_ends_after_it_was_not_used_for_long(house: House) -> None:
    phone = house.phone("mira")
    house.clock.wait(days=29)
    assert phone.get("/v1/session").json()["expires_at"] == "2027-02-01T07:50:00Z"
    house.clock.wait(days=29)  # used since: 2 January + 30 days
    assert phone.get("/v1/session").status_code == 200
    house.clock.wait(days=30)
    assert phone.get("/v1/session").status_code == 401


def test_a_session_ends_after_a_year_however_much_it_is_used(house: House) -> None:
    phone = house.phone("mira")
    for _ in range(18):  # 18 * 20 = 360 days
        house.clock.wait(days=20)
        assert phone.get("/v1/session").status_code == 200
    house.clock.wait(days=5)
    assert phone.get("/v1/session").status_code == 401


def test_the_cookie_is_kept_from_scripts_and_other_sites(house: House) -> None:
    for address, secure in (("http://testserver", False), ("https://testserver", True)):
        client = TestClient(house.app, base_url=address)
        answer = client.post("/v1/session", json={"secret": house.secret})
        words = answer.headers["set-cookie"].split("; ")
        assert {"HttpOnly", "Path=/", "SameSite=strict"} <= set(words)
        assert ("Secure" in words) == secure


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Sec-Fetch-Site": "same-origin"}, 204),
        ({"Origin": "http://testserver"}, 204),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Sec-Fetch-Site": "cross-site", "Origin": "http://testserver"}, 403),
        ({"Origin": "http://elsewhere.example"}, 403),
        ({"Origin": "null"}, 403),
        ({}, 403),
    ],
)
def test_with_the_cookie_only_our_own_pages_change_anything(
    house: House, headers: dict[str, str], status: int
) -> None:
    page = house.client()
    page.post("/v1/session", json={"secret": house.secret})
    assert page.get("/v1/session").status_code == 200
    assert page.delete("/v1/session", headers=headers).status_code == status


def test_another_sites_page_signs_nobody_in(house: House) -> None:
    answer = house.client().post(
        "/v1/session",
        json={"secret": house.secret},
        headers={"Sec-Fetch-Site": "cross-site"},
    )
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers


def test_ten_attempts_to_sign_in_then_one_in_six_seconds(house: House) -> None:
    for _ in range(10):
        assert house.sign_in({"secret": "WRONG"}).status_code == 401
    answer = house.sign_in({"secret": house.secret})
    assert answer.status_code == 429
    assert answer.headers["retry-after"] == "6"
    house.clock.wait(seconds=6)
    assert house.sign_in({"secret": house.secret}).status_code == 201


def test_a_token_that_asks_without_end_is_slowed_down(house: House) -> None:
    phone = house.phone("mira")
    door: Door = house.app.state.door
    key_id = house.office().get("/v1/keys").json()["items"]
    [mine] = [each["id"] for each in key_id if each["van_id"] == "mira"]
    for _ in range(1000):
        assert door.asks.take(mine) == 0
    assert phone.get("/v1/session").status_code == 429
    house.clock.wait(seconds=1)
    assert phone.get("/v1/session").status_code == 200


def test_whoever_tries_many_wrong_tokens_is_slowed_down_and_others_are_not(
    house: House,
) -> None:
    phone = house.phone("mira")
    assert phone.get("/v1/session").status_code == 200  # known to this process
    tried = [house.client("x").get("/v1/session").status_code for _ in range(201)]
    assert tried == [401] * 200 + [429]
    assert phone.get("/v1/session").status_code == 200
