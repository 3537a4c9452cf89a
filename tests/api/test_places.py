"""Typed addresses in the service: found, asked back about, pinned for good."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from api.geocoder import Geocoder
from api.store.places import Lookups
from dispatch.scenario import Locator, Look, Server
from tests.nominatim import a_place, nominatim
from tests.service import DEMO, Service, service

TYPED = DEMO / "typed_addresses"
DAY = "/v1/days/2026-12-08"
EVENING = "2026-12-07T19:00:00+00:00"
LIST = TYPED / "streets.csv"


def key(name: str) -> dict[str, str]:
    return {"Idempotency-Key": name}


def files(**changes: str) -> dict[str, str]:
    """Return the demo folder as it is sent, changed file by file."""
    found = {path.name: path.read_text() for path in TYPED.iterdir() if path.is_file()}
    return found | {name.replace("_", ".", 1): text for name, text in changes.items()}


def load(s: Service, **changes: str) -> None:
    """Load the demo folder, and plan it."""
    sent = {"files": files(**changes)}
    loaded = s.office.post("/v1/days", json=sent, headers=key("load"))
    assert loaded.status_code == 201, loaded.text
    asked = s.office.post(f"{DAY}/jobs", json={}, headers=key("plan"))
    assert asked.status_code == 202, asked.text
    s.work()


@pytest.fixture
def s(tmp_path: Path) -> Iterator[Service]:
    """Return a service with the firm's own list, and no server named."""
    locator = Locator(gazetteer=LIST)
    with service(tmp_path, load=None, now=EVENING, locator=locator) as found:
        yield found


def planned(s: Service) -> set[str]:
    plan = s.office.get(f"{DAY}/plan").json()
    return {
        stop["call"]["id"]
        for van in plan["document"]["vans"]
        for stop in van["stops"]
        if stop["call"]
    }


def call(call_id: str, name: str, **more: Any) -> dict[str, Any]:
    return {"id": call_id, "place": {"name": name}, "kind": "rekey", **more}


def test_a_loaded_day_is_planned_but_for_the_calls_that_nobody_can_find(
    s: Service,
) -> None:
    load(s)
    assert planned(s) == {"501", "502", "504", "505", "507"}
    asked_back = s.office.get(f"{DAY}/calls/503").json()
    assert asked_back["place"]["lat_deg"] is None
    assert [each["name"] for each in asked_back["candidates"]] == [
        "4 Gull Lane, QM1 4CE Quillmouth",
        "4 Gull Lane, QM7 1XY Upper Quill",
    ]
    parked = s.office.get(f"{DAY}/calls/507").json()["access"]
    assert (parked["walk_s"], parked["no_signal"]) == (360, True)


def test_a_pin_places_the_calls_that_wait_for_it_and_stays(s: Service) -> None:
    load(s)
    where = {"address": "Gull Lane 4", "lat_deg": 50.3954, "lon_deg": -3.0108}
    made = s.office.post("/v1/pins", json=where, headers=key("pin"))
    assert made.status_code == 201, made.text
    s.work()
    assert "503" in planned(s)
    assert s.office.get(f"{DAY}/calls/503").json()["place"] == {
        "name": "4 Gull Lane",
        "lat_deg": 50.3954,
        "lon_deg": -3.0108,
    }
    # Another day that is loaded later knows it from the start.
    later = files(day_toml=files()["day.toml"].replace("2026-12-08", "2026-12-09"))
    sent = s.office.post("/v1/days", json={"files": later}, headers=key("later"))
    assert sent.status_code == 201, sent.text
    there = s.office.get("/v1/days/2026-12-09/calls/503").json()["place"]
    assert there["lat_deg"] == 50.3954


def test_a_pin_is_listed_replaced_and_taken_back(s: Service) -> None:
    where = {"address": "9 New Road", "lat_deg": 50.4, "lon_deg": -3.0}
    first = s.office.post("/v1/pins", json=where, headers=key("1")).json()
    moved = where | {"address": "New Rd 9", "lat_deg": 50.5}
    second = s.office.post("/v1/pins", json=moved, headers=key("2")).json()
    assert second["id"] == first["id"]
    (only,) = s.office.get("/v1/pins").json()["items"]
    assert (only["address"], only["lat_deg"]) == ("New Rd 9", 50.5)
    found = s.office.post("/v1/places", json={"address": "9 new road"}).json()
    assert found["place"]["lat_deg"] == 50.5
    assert s.office.delete(f"/v1/pins/{only['id']}").status_code == 204
    assert s.office.delete(f"/v1/pins/{only['id']}").status_code == 404
    found = s.office.post("/v1/places", json={"address": "9 new road"}).json()
    assert found["place"] is None


def test_an_address_without_a_letter_cannot_be_pinned(s: Service) -> None:
    where = {"address": "...", "lat_deg": 50.4, "lon_deg": -3.0}
    refused = s.office.post("/v1/pins", json=where, headers=key("1"))
    assert refused.status_code == 422


def test_an_address_is_found_or_asked_back(s: Service) -> None:
    found = s.office.post("/v1/places", json={"address": "Tide Mill"}).json()
    assert found["place"]["lat_deg"] == 50.3899
    asked = s.office.post("/v1/places", json={"address": "4 Gull Lane"}).json()
    assert asked["place"] is None
    assert [each["lat_deg"] for each in asked["candidates"]] == [50.3954, 50.4402]
    assert "may be one of 2 places" in asked["words"]


def test_only_the_office_asks_where_addresses_are(s: Service) -> None:
    load(s)
    van = s.van("V1")
    asked = {"address": "Tide Mill"}
    assert van.post("/v1/places", json=asked).status_code == 403
    assert van.get("/v1/pins").status_code == 403
    assert s.nobody.post("/v1/places", json=asked).status_code == 401


def test_calls_are_booked_asked_about_and_quoted_by_address(s: Service) -> None:
    load(s)
    path = f"{DAY}/calls"
    booked = s.office.post(path, json=call("N1", "25 Beacon Rd"), headers=key("n1"))
    assert booked.status_code == 201, booked.text
    assert booked.json()["place"]["lat_deg"] == 50.418
    s.work()
    quoted = s.office.post(f"{DAY}/quote", json={"call": call("N2", "14 Anchor St")})
    assert quoted.status_code == 200, quoted.text
    s.clock.set("2026-12-08T07:50:00+00:00")
    urgent = call("N3", "14 Anchor St") | {"kind": "lockout_house"}
    asked = s.office.post(f"{DAY}/urgent", json={"call": urgent})
    assert asked.status_code == 201, asked.text
    assert any(each["van_id"] for each in asked.json()["document"]["options"])


@pytest.mark.parametrize("route", ["calls", "quote", "urgent"])
def test_who_types_an_address_that_may_be_two_places_is_asked_back(
    s: Service, route: str
) -> None:
    load(s)
    body: dict[str, Any] = call("N1", "4 Gull Lane")
    body = body if route == "calls" else {"call": body}
    asked = s.office.post(f"{DAY}/{route}", json=body, headers=key("n1"))
    assert asked.status_code == 422
    (fault,) = asked.json()["faults"]
    assert "may be one of 2 places" in fault["got"]
    assert "50.440200, -3.065700" in fault["expected"]


@pytest.mark.parametrize(
    "place", [{}, {"name": " "}, {"name": "x", "lat_deg": 50.0}, {"lon_deg": 8.0}]
)
def test_a_place_is_an_address_or_both_coordinates(
    s: Service, place: dict[str, Any]
) -> None:
    load(s)
    body = call("N1", "") | {"place": place}
    asked = s.office.post(f"{DAY}/calls", json=body, headers=key("n1"))
    assert asked.status_code == 422


def test_an_access_point_survives_being_edited(s: Service) -> None:
    load(s)
    path = f"{DAY}/calls/507"
    seen = s.office.get(path)
    body = {
        "id": "507",
        "kind": "add_key",
        "place": seen.json()["place"],
        "access": {"walk_s": 120, "search_s": 60, "note": "lift is out of order"},
    }
    edited = s.office.put(path, json=body, headers={"If-Match": seen.headers["etag"]})
    assert edited.status_code == 200, edited.text
    assert edited.json()["access_words"] == (
        "Walk 2 min each way, 1 min to find it, in the drives; lift is out of order"
    )


def test_a_call_that_nobody_can_find_is_edited_and_stays_asked_back(s: Service) -> None:
    load(s)
    path = f"{DAY}/calls/503"
    seen = s.office.get(path)
    body = call("503", "4 Gull Lane", note="asked, rings back")
    edited = s.office.put(path, json=body, headers={"If-Match": seen.headers["etag"]})
    assert edited.status_code == 200, edited.text
    assert edited.json()["note"] == "asked, rings back"
    assert len(edited.json()["candidates"]) == 2
    # Another address that may be two places is refused as for any call.
    other = call("503", "9 Nowhere")
    match = {"If-Match": s.office.get(path).headers["etag"]}
    assert s.office.put(path, json=other, headers=match).status_code == 422
    found = call("503", "4 Gull Lane, Upper Quill")
    placed = s.office.put(path, json=found, headers=match)
    assert placed.json()["place"]["lat_deg"] == 50.4402
    s.work()
    assert "503" in planned(s)


def test_the_vans_sheet_says_where_to_park(s: Service) -> None:
    load(s)
    sheet = s.van("V1").get(f"{DAY}/vans/V1/sheet").json()
    (stop,) = (each for each in sheet["stops"] if each["key"] == "call:507")
    assert stop["call"]["access"].startswith("Park at barrier in Dock Road")
    assert stop["place"]["lat_deg"] == 50.3979  # the barrier, for the map
    assert stop["place"]["name"] == "Harbour Car Park, Quillmouth"


def test_a_server_that_a_loaded_folder_names_is_never_asked(s: Service) -> None:
    with nominatim({}) as stub:
        named = f'[addresses]\nserver = "{stub.url}"\n'
        load(s, day_toml=files()["day.toml"].replace("[addresses]\n", named))
        s.office.post("/v1/places", json={"address": "18 Lantern Hill, Quillmouth"})
        assert stub.asked == []


def test_the_owners_server_is_asked_once_and_its_answers_are_kept_in_the_store(
    tmp_path: Path,
) -> None:
    house = a_place(50.41, -3.03, "18, Lantern Hill, Quillmouth", number="18")
    address = "18 Lantern Hill, Quillmouth"
    looks: list[Look] = []
    with nominatim({address: [house]}) as stub:
        locator = Locator(gazetteer=LIST, connect=lambda _: looks[0])
        with service(tmp_path, load=None, now=EVENING, locator=locator) as s:
            memory = Lookups(read=s.store.read, write=s.store.write)
            server = Server(url=stub.url, pause_s=0)
            looks.append(Geocoder(server, memory))
            load(s)
            assert "506" in planned(s)
            plan = s.office.get(f"{DAY}/plan").json()["document"]
            assert "Data from an invented list" in plan["day"]["credit"]
            asked = s.office.post("/v1/places", json={"address": address.lower()})
            assert asked.json()["place"]["lat_deg"] == 50.41
            # Another process, or this one after a restart:
            looks[0] = Geocoder(server, memory)
            asked = s.office.post("/v1/places", json={"address": address})
            assert asked.json()["place"]["lat_deg"] == 50.41
            assert stub.asked == [address]


def test_a_dead_server_leaves_the_day_planned_but_for_what_it_would_know(
    tmp_path: Path,
) -> None:
    with nominatim({}) as stub:
        url = stub.url
    looks: list[Look] = []
    locator = Locator(gazetteer=LIST, connect=lambda _: looks[0])
    with service(tmp_path, load=None, now=EVENING, locator=locator) as s:
        memory = Lookups(read=s.store.read, write=s.store.write)
        looks.append(Geocoder(Server(url=url, timeout_s=0.3), memory))
        load(s)
        assert planned(s) == {"501", "502", "504", "505", "507"}
        plan = s.office.get(f"{DAY}/plan").json()["document"]
        reasons = {
            each["call"]["id"]: each["reasons"][0]["text"] for each in plan["unplaced"]
        }
        assert "did not answer" in reasons["506"]
