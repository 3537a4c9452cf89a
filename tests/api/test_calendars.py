"""Calendars and routes as other programs read them."""

import json
from collections.abc import Iterator
from typing import Any
from xml.etree import ElementTree as ET

import gpxpy
import pytest
from fastapi.testclient import TestClient
from geojson_pydantic import FeatureCollection
from ical.calendar_stream import IcsCalendarStream

from tests.service import Service, plan_demo, service

TODAY, BEFORE = "2026-12-04", "2026-12-03"
MIRA = f"/v1/days/{TODAY}/vans/mira"


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with service(tmp_path_factory.mktemp("calendars")) as opened:
        yield opened


@pytest.fixture(scope="module")
def mira(house: Service) -> TestClient:
    return house.van("mira")


def events(text: bytes) -> list[Any]:
    """Read a calendar with another library than the one that writes it."""
    return list(IcsCalendarStream.calendar_from_ics(text.decode()).events)


def feed(house: Service, key: str = "1", van_id: str = "mira") -> Any:
    return house.office.post(
        "/v1/feeds", json={"van_id": van_id}, headers={"Idempotency-Key": key}
    )


def stops(house: Service) -> list[dict[str, Any]]:
    plan = house.office.get(f"/v1/days/{TODAY}/plan").json()["document"]
    [van] = [van for van in plan["vans"] if van["id"] == "mira"]
    found: list[dict[str, Any]] = van["stops"]
    return found


def test_a_vans_calendar_has_an_event_for_each_stop_at_its_time(
    house: Service, mira: TestClient
) -> None:
    answer = mira.get(f"{MIRA}/calendar.ics")
    assert answer.headers["content-type"] == "text/calendar; charset=utf-8"
    found = events(answer.content)
    starts = [event.dtstart.timestamp() for event in found]
    assert all(event.dtend > event.dtstart for event in found)
    assert all(event.summary and event.dtstamp for event in found)
    assert len({event.uid for event in found}) == len(found)
    planned = [stop["start_at"] for stop in stops(house)]
    assert len(planned) > 3
    assert starts == [_seconds(at) for at in planned]
    etag = {"If-None-Match": answer.headers["etag"]}
    assert mira.get(f"{MIRA}/calendar.ics", headers=etag).status_code == 304


def _seconds(at: str) -> float:
    from datetime import datetime  # noqa: PLC0415

    return datetime.fromisoformat(at).timestamp()


def test_lines_of_a_calendar_are_short_and_end_in_cr_lf(mira: TestClient) -> None:
    # RFC 5545 section 3.1: 75 octets without the line break.
    body = mira.get(f"{MIRA}/calendar.ics").content
    lines = body.split(b"\r\n")
    assert lines.pop() == b""
    assert max(map(len, lines)) <= 75
    assert not [line for line in lines if b"\n" in line or b"\r" in line]


def test_no_file_holds_a_telephone_number_or_a_note(
    house: Service, mira: TestClient
) -> None:
    private = {
        stop["call"][field]
        for stop in stops(house)
        if stop["call"]
        for field in ("phone", "note")
    } - {""}
    assert private
    path = feed(house, "private").json()["path"]
    names = ("calendar.ics", "route.geojson", "route.gpx")
    for text in (
        *(mira.get(f"{MIRA}/{name}").text for name in names),
        house.nobody.get(path).text,
    ):
        unfolded = text.replace("\r\n ", "")
        assert not [word for word in private if word in unfolded]


def test_a_route_is_geojson_with_longitude_first(
    house: Service, mira: TestClient
) -> None:
    answer = mira.get(f"{MIRA}/route.geojson")
    assert answer.headers["content-type"] == "application/geo+json"
    # RFC 7946, as another library has it.
    collection = FeatureCollection.model_validate_json(answer.content)
    assert len(collection.features) == len(json.loads(answer.content)["features"])
    assert "crs" not in json.loads(answer.content)  # WGS 84, and nothing said of it
    features = json.loads(answer.content)["features"]
    points = [
        each["geometry"]["coordinates"]
        for each in features
        if each["properties"]["what"] == "call"
    ]
    places = [stop["place"] for stop in stops(house) if stop["call"]]
    assert points == [[place["lon_deg"], place["lat_deg"]] for place in places]


def test_a_route_is_gpx_with_its_stops_in_order(
    house: Service, mira: TestClient
) -> None:
    answer = mira.get(f"{MIRA}/route.gpx")
    assert answer.headers["content-type"] == "application/gpx+xml"
    read = gpxpy.parse(answer.text)
    assert (read.version, len(read.routes)) == ("1.1", 1)
    assert all(point.name for point in read.routes[0].points)
    root = ET.fromstring(answer.content)  # noqa: S314 - our own
    name = "{http://www.topografix.com/GPX/1/1}"
    assert (root.tag, root.get("version")) == (f"{name}gpx", "1.1")
    points = [
        (float(point.get("lat", "")), float(point.get("lon", "")))
        for point in root.findall(f"{name}rte/{name}rtept")
    ]
    places = [stop["place"] for stop in stops(house) if stop["place"]]
    assert points == [(p.latitude, p.longitude) for p in read.routes[0].points]
    assert points[1:-1] == [  # the first and the last one are the shop
        (place["lat_deg"], place["lon_deg"]) for place in places
    ]


def test_a_van_sees_nothing_of_another_vans_route(mira: TestClient) -> None:
    features = mira.get(f"{MIRA}/route.geojson").json()["features"]
    assert {each["properties"]["van_id"] for each in features} == {"mira"}


def test_a_feed_is_opened_by_its_address_alone_and_ended_by_its_key(
    house: Service,
) -> None:
    made = feed(house, "ended")
    assert made.status_code == 201
    path = made.json()["path"]
    answer = house.nobody.get(path)
    assert answer.headers["content-type"] == "text/calendar; charset=utf-8"
    assert len(events(answer.content)) == len(stops(house))
    key = made.json()["key_id"]
    kinds = {
        each["id"]: each["kind"]
        for each in house.office.get("/v1/keys").json()["items"]
    }
    assert kinds[key] == "feed"
    assert house.office.delete(f"/v1/keys/{key}").status_code == 204
    assert house.nobody.get(path).status_code == 404
    assert house.nobody.get("/feeds/guessed.ics").status_code == 404


def test_a_feeds_secret_signs_nobody_in_and_a_phones_token_opens_no_feed(
    house: Service,
) -> None:
    secret = feed(house, "in").json()["path"].removeprefix("/feeds/")[:-4]
    bearer = {"Authorization": f"Bearer {secret}"}
    assert house.nobody.get("/v1/session", headers=bearer).status_code == 401
    token = house.van("mira").headers["authorization"].removeprefix("Bearer ")
    assert house.nobody.get(f"/feeds/{token}.ics").status_code == 404


def test_a_feed_that_is_asked_for_again_is_the_same_and_is_kept_sealed(
    house: Service,
) -> None:
    first, again = feed(house, "same"), feed(house, "same")
    assert again.headers["keyround-repeated"] == "true"
    assert first.json() == again.json()
    assert feed(house, "same", "hanno").status_code == 422
    with house.store.read() as transaction:
        rows = transaction.connection.exec_driver_sql("SELECT * FROM replies").all()
    secret = first.json()["path"].removeprefix("/feeds/")
    assert rows
    assert not [row for row in rows if secret[:20] in str(row)]


def test_events_keep_their_names_and_rise_in_sequence_from_plan_to_plan(
    house: Service, mira: TestClient
) -> None:
    plan_demo(house.desk, "one_van")  # another day changes nothing of this one
    before = events(mira.get(f"{MIRA}/calendar.ics").content)
    answer = mira.post(
        f"/v1/days/{TODAY}/facts",
        json={
            "sent_at": "2026-12-04T07:50:00+00:00",
            "facts": [
                {"id": "late", "kind": "late", "at": "2026-12-04T07:50:00+00:00"}
                | {"late_s": 1200}
            ],
        },
    )
    assert [each["result"] for each in answer.json()["results"]] == ["taken"]
    house.work()
    after = events(mira.get(f"{MIRA}/calendar.ics").content)
    assert {event.sequence for event in before} == {0}
    assert {event.sequence for event in after} == {1}
    before_by = {event.uid: event for event in before}
    after_by = {event.uid: event for event in after}
    shared = before_by.keys() & after_by.keys()
    assert len(shared) >= len(after) - 2
    # The same customer under the same name, later by what the driver said.
    assert all(before_by[uid].summary == after_by[uid].summary for uid in shared)
    assert any(before_by[uid].dtstart != after_by[uid].dtstart for uid in shared)
    # A van's feed has the events of all its days, each as in that day's calendar.
    fed = events(house.nobody.get(feed(house, "rising").json()["path"]).content)
    assert {(event.uid, event.sequence) for event in fed} == {
        (event.uid, event.sequence) for event in after
    }


def test_a_feed_without_any_event_is_still_a_calendar(house: Service) -> None:
    path = feed(house, "empty", "hanno").json()["path"]
    now = house.clock()
    house.clock.set("2026-12-20T08:00:00+00:00")
    try:
        answer = house.nobody.get(path)
    finally:
        house.clock.set(now.isoformat())
    assert answer.status_code == 200
    assert events(answer.content) == []
