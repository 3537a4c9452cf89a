"""A day in the service: loaded, planned, lived through."""

import json
import threading
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from dispatch.lesson import study_if_told
from dispatch.scenario import read_scenario
from tests.service import DEMO, Service, served, service

DAY = "/v1/days/2026-12-04"


@pytest.fixture
def s(tmp_path: Path) -> Iterator[Service]:
    with service(tmp_path) as made:
        yield made


def tell(client: TestClient, at: str, *facts: dict[str, Any]) -> list[dict[str, Any]]:
    """Tell facts of the demo day; each is a kind and what goes with it."""
    full = [{"at": f"2026-12-04T{at}:00Z", **fact} for fact in facts]
    body = {"sent_at": f"2026-12-04T{at}:00Z", "facts": full}
    answer = client.post(f"{DAY}/facts", json=body)
    assert answer.status_code == 200, answer.text
    results: list[dict[str, Any]] = answer.json()["results"]
    return results


def states(client: TestClient, van: str) -> dict[str, str]:
    stops = client.get(f"/v1/vans/{van}/sheet").json()["stops"]
    return {stop["key"]: stop["state"] for stop in stops}


# --- the sheet ------------------------------------------------------------------------


def test_a_phone_fetches_its_sheet_once_and_then_asks_whether_it_changed(
    s: Service,
) -> None:
    mira = s.van("mira")
    answer = mira.get("/v1/vans/mira/sheet")
    assert answer.status_code == 200
    assert answer.headers["keyround-plan"] == "2026-12-04/1"
    sheet = answer.json()
    assert (sheet["format"], sheet["van"]["id"]) == ("keyround sheet", "mira")
    assert sheet["stops"][0]["take"], "the first call uses a key kit"
    again = mira.get(
        "/v1/vans/mira/sheet", headers={"If-None-Match": answer.headers["etag"]}
    )
    assert (again.status_code, again.content) == (304, b"")
    assert again.headers["keyround-plan"] == "2026-12-04/1"


def test_a_van_cannot_tell_another_van_from_one_that_is_not_there(s: Service) -> None:
    mira = s.van("mira")
    answers = [
        mira.get(path)
        for path in (
            "/v1/vans/hanno/sheet",
            "/v1/vans/nobody/sheet",
            f"{DAY}/vans/hanno/sheet",
            f"{DAY}/vans/nobody/sheet",
        )
    ]
    assert {answer.status_code for answer in answers} == {404}
    assert len({answer.text for answer in answers}) == 1


def test_only_the_office_sees_whole_plans(s: Service) -> None:
    assert s.van("mira").get(f"{DAY}/plan").status_code == 403
    assert s.nobody.get(f"{DAY}/plan").status_code == 401
    answer = s.office.get(f"{DAY}/plan")
    assert answer.json()["document"]["format"] == "keyround plan"
    assert answer.json()["version"] == 1


def test_every_sheet_says_what_the_plan_says(s: Service) -> None:
    plan = s.office.get(f"{DAY}/plan").json()["document"]
    for van in plan["vans"]:
        sheet = s.office.get(f"{DAY}/vans/{van['id']}/sheet").json()
        calls = [stop["call"]["id"] for stop in van["stops"] if stop["call"]]
        mine = [stop["call"]["id"] for stop in sheet["stops"] if stop["call"]]
        assert mine == calls
        assert sheet["pick_list"] == van["pick_list"]


def test_a_sheet_names_the_vans_own_bins_and_the_emergency_number_the_firm_gives(
    s: Service,
) -> None:
    assert s.office.get("/v1/vans/mira/sheet").json()["emergency_number"] == ""
    files = s.office.get(f"{DAY}/folder").json()["files"]
    del files["record.json"]
    files["day.toml"] = 'emergency_number = "112"\n' + files["day.toml"]
    head, *rows = files["stock.csv"].splitlines()
    assert head == "holder,part,quantity,price"
    rows = [row + (",R4" if row.startswith("mira,FOB-71") else ",") for row in rows]
    files["stock.csv"] = "\n".join([head + ",bin", *rows, ""])
    etag = s.office.get(DAY).headers["etag"]
    assert s.office.delete(DAY, headers={"If-Match": etag}).status_code == 204
    s.clock.set("2026-12-04T07:50:01+00:00")  # another day, as far as memory knows
    key = {"Idempotency-Key": "again"}
    loaded = s.office.post("/v1/days", json={"files": files}, headers=key)
    assert loaded.status_code == 201, loaded.text
    key = {"Idempotency-Key": "plan"}
    assert s.office.post(f"{DAY}/jobs", json={}, headers=key).status_code == 202
    s.work()
    sheet = s.office.get(f"{DAY}/vans/mira/sheet").json()
    assert sheet["emergency_number"] == "112"
    bins = {each["part_id"]: each["bin"] for each in sheet["stock"]}
    assert (bins["FOB-71"], bins["FOB-72"]) == ("R4", "")
    taken = {
        each["part_id"]: each["bin"]
        for stop in sheet["stops"]
        for each in stop["take"]
        if each["origin"] == "aboard"
    }
    # What the firm says of the van; else the bin that the part has in the shop.
    assert (taken["FOB-71"], taken["FOB-72"]) == ("R4", "B2")
    call = {
        "id": "U1",
        "place": {"name": "Quay", "lat_deg": 53.71, "lon_deg": -1.295},
        "kind": "lockout_vehicle",
    }
    asked = s.office.post(f"{DAY}/urgent", json={"call": call, "danger": True})
    first = asked.json()["document"]["first"]
    assert "the caller rings the emergency number 112 now" in first[0]
    exported = s.office.get(f"{DAY}/folder").json()["files"]
    assert 'emergency_number = "112"' in exported["day.toml"]
    assert "mira,FOB-71,2,,R4" in exported["stock.csv"].splitlines()


# --- facts ----------------------------------------------------------------------------


def test_a_fact_counts_once_however_often_it_is_told(s: Service) -> None:
    s.clock.set("2026-12-04T08:01:00+00:00")
    mira = s.van("mira")
    left = {"id": "a", "kind": "left", "call_id": "501"}
    assert tell(mira, "08:00", left)[0]["result"] == "taken"
    assert tell(mira, "08:00", left)[0]["result"] == "known"
    other = {**left, "note": "other words"}
    assert tell(mira, "08:00", other)[0]["result"] == "refused"
    facts = s.office.get(f"{DAY}/facts").json()["items"]
    assert [(fact["seq"], fact["words"]) for fact in facts] == [
        (1, "Mira Osgood sets off for 501 Agnes Tolley.")
    ]
    assert states(mira, "mira")["call:501"] == "driving"


def test_one_refused_fact_holds_none_of_the_others_back(s: Service) -> None:
    s.clock.set("2026-12-04T09:00:00+00:00")
    results = tell(
        s.van("mira"),
        "08:00",
        {"id": "a", "kind": "left", "call_id": "501"},
        {"id": "b", "kind": "done", "call_id": "no such call"},
        {"id": "c", "kind": "cancelled", "call_id": "502"},
        {"id": "d", "kind": "left", "van_id": "hanno", "call_id": "506"},
        {"id": "e", "kind": "left", "call_id": "506"},
        {"id": "f", "kind": "late", "late_s": 300},
    )
    assert [each["result"] for each in results] == [
        "taken",
        "refused",  # nobody knows the call
        "refused",  # only the office says that
        "refused",  # of another van
        "refused",  # a call of another van's
        "taken",
    ]


def test_a_phone_whose_clock_is_wrong_tells_the_right_times(s: Service) -> None:
    s.clock.set("2026-12-04T08:10:00+00:00")
    # the phone believes that it is 11:10, so 11:00 means 08:00
    body = {
        "sent_at": "2026-12-04T11:10:00Z",
        "facts": [
            {
                "id": "a",
                "kind": "left",
                "call_id": "501",
                "at": "2026-12-04T11:00:00Z",
            }
        ],
    }
    answer = s.van("mira").post(f"{DAY}/facts", json=body).json()
    assert answer["results"][0]["result"] == "taken"
    fact = s.office.get(f"{DAY}/facts").json()["items"][0]
    assert fact["at"] == "2026-12-04T08:00:00Z"


def test_what_is_still_to_come_or_of_another_day_is_refused(s: Service) -> None:
    results = tell(
        s.office, "12:00", {"id": "a", "kind": "late", "van_id": "mira", "late_s": 1}
    )
    assert results[0]["result"] == "taken"  # a clock four hours ahead is corrected
    body = {
        "sent_at": "2026-12-04T07:50:00Z",
        "facts": [
            {"id": "b", "kind": "left", "van_id": "mira", "at": "2026-12-04T08:00:00Z"},
            {"id": "c", "kind": "left", "van_id": "mira", "at": "2026-12-03T08:00:00Z"},
        ],
    }
    answer = s.office.post(f"{DAY}/facts", json=body).json()
    assert [each["result"] for each in answer["results"]] == ["refused", "refused"]


def test_parts_that_are_used_leave_the_van_and_are_found_in_the_movements(
    s: Service,
) -> None:
    s.clock.set("2026-12-04T09:10:00+00:00")
    mira = s.van("mira")
    before = {
        each["part_id"]: each["pieces"]
        for each in mira.get("/v1/vans/mira/sheet").json()["stock"]
    }
    tell(
        mira,
        "09:00",
        {"id": "a", "kind": "left", "call_id": "501", "at": "2026-12-04T08:00:00Z"},
        {"id": "b", "kind": "done", "call_id": "501"},
    )
    after = {
        each["part_id"]: each["pieces"]
        for each in mira.get("/v1/vans/mira/sheet").json()["stock"]
    }
    # a kit: one fob, one blade, one cell, all aboard in the morning; on leaving, one
    # spare blade is taken from the shop
    assert after.get("FOB-71", 0) == before["FOB-71"] - 1
    assert after.get("CELL-20", 0) == before["CELL-20"] - 1


def test_the_rest_is_planned_anew_after_a_fact_and_the_day_goes_on_from_there(
    s: Service,
) -> None:
    s.clock.set("2026-12-04T10:31:00+00:00")
    for at, fact in (
        ("08:00", {"id": "1", "kind": "left", "van_id": "mira", "call_id": "501"}),
        ("08:55", {"id": "9", "kind": "done", "van_id": "mira", "call_id": "501"}),
        ("08:56", {"id": "10", "kind": "left", "van_id": "mira", "call_id": "502"}),
        ("10:30", {"id": "15", "kind": "late", "van_id": "mira", "late_s": 2100}),
    ):
        body = {
            "sent_at": "2026-12-04T10:31:00Z",
            "facts": [{"at": f"2026-12-04T{at}:00Z", **fact}],
        }
        answer = s.office.post(f"{DAY}/facts", json=body)
        assert answer.json()["results"][0]["result"] == "taken"
    s.work()
    plan = s.office.get(f"{DAY}/plan").json()
    assert (plan["kind"], plan["facts"], plan["version"]) == ("rest", 4, 2)
    assert states(s.office, "mira")["call:501"] == "done"
    assert states(s.office, "mira")["call:502"] == "driving"
    versions = s.office.get(f"{DAY}/plans").json()["items"]
    assert [each["current"] for each in versions] == [True, False]
    first = s.office.get(f"{DAY}/plans/1")
    assert "immutable" in first.headers["cache-control"]
    assert first.json()["current"] is False


def test_the_whole_demo_day_can_be_told_fact_by_fact(s: Service) -> None:
    day = s.office.get(f"{DAY}/folder").json()["files"]
    day["facts.csv"] = (DEMO / "live_day" / "facts.csv").read_text()
    day["booked.csv"] = (DEMO / "live_day" / "booked.csv").read_text()
    del day["record.json"]
    s.clock.set("2026-12-04T18:00:00+00:00")
    etag = s.office.get(DAY).headers["etag"]
    assert s.office.delete(DAY, headers={"If-Match": etag}).status_code == 204
    loaded = s.office.post(
        "/v1/days", json={"files": day}, headers={"Idempotency-Key": "load"}
    )
    assert loaded.status_code == 201, loaded.text
    asked = s.office.post(f"{DAY}/jobs", json={}, headers={"Idempotency-Key": "plan"})
    assert asked.status_code == 202, asked.text
    s.work()
    facts = s.office.get(f"{DAY}/facts?limit=200").json()["items"]
    assert len(facts) == 54  # the lines of its facts.csv
    assert set(states(s.office, "mira").values()) <= {"done", "no_show"}
    fetched = {
        stop["restock"]["store_id"]: stop["is_shop"]
        for van in ("mira", "hanno")
        for stop in s.office.get(f"/v1/vans/{van}/sheet").json()["stops"]
        if stop["restock"]
    }
    assert fetched == {"canal_counter": False}
    stock = {(each.holder, each.part_id): each.pieces for each in _balances(s)}
    assert all(pieces >= 0 for pieces in stock.values())
    assert sum(each.pieces for each in _movements(s)) == sum(stock.values())


def _balances(s: Service) -> list[Any]:
    from api.store.stock import list_balances  # noqa: PLC0415

    with s.store.read() as transaction:
        return list_balances(transaction, "2026-12-04")


def _movements(s: Service) -> list[Any]:
    from api.store.stock import list_movements  # noqa: PLC0415

    with s.store.read() as transaction:
        return list_movements(transaction, "2026-12-04")


def test_a_day_is_planned_with_what_its_log_teaches_and_goes_on_so(
    tmp_path: Path,
) -> None:
    folder = DEMO / "one_van"
    learnt = study_if_told(folder, read_scenario(folder)).applied()
    now = f"{learnt.date}T07:00:00+00:00"
    with service(tmp_path, load="one_van", now=now) as s:
        day = f"/v1/days/{learnt.date}"

        def planned() -> dict[str, int]:
            plan = s.office.get(f"{day}/plan").json()["document"]
            assert "learnt from" in plan["day"]["learnt"]
            stops = [stop for van in plan["vans"] for stop in van["stops"]]
            return {
                stop["call"]["id"]: stop["call"]["planned_s"]
                for stop in stops
                if stop["call"] and stop["call"]["kind"] != "held"
            }

        [van] = learnt.vans
        expected = {
            call.id: learnt.planned_s(call, van)
            for call in learnt.calls
            if call.id in planned()
        }
        assert planned() == expected
        trade = {call.id: call.median_s for call in read_scenario(folder).calls}
        assert trade != {call.id: call.median_s for call in learnt.calls}
        late = {"id": "1", "kind": "late", "van_id": van.id, "late_s": 60, "at": now}
        body = {"sent_at": now, "facts": [late]}
        told = s.office.post(f"{day}/facts", json=body).json()
        assert told["results"][0]["result"] == "taken"
        s.work()
        assert s.office.get(day).json()["plan_version"] == 2
        assert planned() == expected


# --- days and jobs ----------------------------------------------------------------


def test_a_folder_with_faults_says_all_of_them_and_where(s: Service) -> None:
    files = s.office.get(f"{DAY}/folder").json()["files"]
    files["day.toml"] = files["day.toml"].replace("2026-12-04", "2026-12-05")
    files["calls.csv"] = files["calls.csv"].replace("add_key", "ad_key")
    answer = s.office.post(
        "/v1/days", json={"files": files}, headers={"Idempotency-Key": "1"}
    )
    assert answer.status_code == 422
    faults = answer.json()["faults"]
    assert len(faults) >= 2
    assert faults[0]["where"].startswith("calls.csv, line 2")


def test_a_request_sent_twice_makes_one_thing_and_gets_one_answer(s: Service) -> None:
    key = {"Idempotency-Key": "once"}
    first = s.office.post(f"{DAY}/jobs", json={"seed": 1}, headers=key)
    again = s.office.post(f"{DAY}/jobs", json={"seed": 1}, headers=key)
    assert first.status_code == again.status_code == 202
    assert first.content == again.content
    assert again.headers["keyround-repeated"] == "true"
    assert again.headers["location"] == first.headers["location"]
    other = s.office.post(f"{DAY}/jobs", json={"seed": 2}, headers=key)
    assert other.json()["type"].endswith("key-reused")
    assert s.office.post(f"{DAY}/jobs", json={}).status_code == 400
    twice = s.office.post(f"{DAY}/jobs", json={}, headers={"Idempotency-Key": "2"})
    assert twice.status_code == 409  # one open job of a kind


def test_a_job_tells_how_it_ends_and_a_cancelled_one_makes_no_plan(s: Service) -> None:
    asked = s.office.post(f"{DAY}/jobs", json={}, headers={"Idempotency-Key": "1"})
    where = asked.headers["location"]
    assert s.office.get(where).json()["state"] == "queued"
    ended = s.office.post(f"{where}/cancel", json={})
    assert ended.json()["state"] == "cancelled"
    s.work()
    assert s.office.get(DAY).json()["plan_version"] == 1
    asked = s.office.post(f"{DAY}/jobs", json={}, headers={"Idempotency-Key": "2"})
    s.work()
    job = s.office.get(asked.headers["location"]).json()
    assert (job["state"], job["plan_version"]) == ("done", 2)


def test_deleting_needs_what_was_seen_and_a_running_day_stays(s: Service) -> None:
    assert s.office.delete(DAY).status_code == 428
    assert s.office.delete(DAY, headers={"If-Match": '"x"'}).status_code == 412
    s.clock.set("2026-12-04T08:01:00+00:00")
    tell(s.office, "08:00", {"id": "a", "kind": "late", "van_id": "mira", "late_s": 60})
    etag = s.office.get(DAY).headers["etag"]
    assert s.office.delete(DAY, headers={"If-Match": etag}).status_code == 409
    erase = {"headers": {"Idempotency-Key": "1"}}
    assert s.office.post(f"{DAY}/erase", **erase).status_code == 409  # not over yet
    s.clock.set("2026-12-05T08:00:00+00:00")
    erase = {"headers": {"Idempotency-Key": "2"}}
    assert s.office.post(f"{DAY}/erase", **erase).status_code == 204
    assert s.office.get(DAY).status_code == 404
    assert s.van("mira").get("/v1/vans/mira/sheet").status_code == 404


# --- events ----------------------------------------------------------------------


def listen(url: str, token: str, enough: int) -> list[tuple[int, str, Any]]:
    """Read a stream until so many events have come."""
    headers = {"Authorization": f"Bearer {token}"}
    asked = urllib.request.Request(url, headers=headers)  # noqa: S310
    found: list[tuple[int, str, Any]] = []
    with urllib.request.urlopen(asked, timeout=20) as stream:  # noqa: S310
        part: dict[str, str] = {}
        for raw in stream:
            line = raw.decode().rstrip("\n")
            if line:
                name, _, value = line.partition(": ")
                part[name] = value
            elif "id" in part:
                found.append((int(part["id"]), part["event"], json.loads(part["data"])))
                part = {}
                if len(found) == enough:
                    return found
    return found


def test_a_stream_carries_what_changes_and_goes_on_where_it_broke_off(
    tmp_path: Path,
) -> None:
    with served(tmp_path, now="2026-12-04T08:01:00+00:00") as s:
        heard: list[list[tuple[int, str, Any]]] = []
        token = s.token("mira")
        ready = threading.Thread(
            target=lambda: heard.append(listen(f"{s.url}/v1/events", token, 3))
        )
        ready.start()
        while not s.app.state.feed.listeners:
            ready.join(0.02)
        ready.join(0.2)  # until it has said hello
        tell(
            s.office,
            "08:00",
            {"id": "a", "kind": "left", "van_id": "mira", "call_id": "501"},
        )
        ready.join(20)
        names = [name for _, name, _ in heard[0]]
        assert names[0] == "hello"
        assert set(names[1:]) <= {"day", "facts", "sheet"}
        at = heard[0][0][0]
        again = listen(f"{s.url}/v1/events?after={at}", token, 3)
        assert again[:2] == heard[0][1:]
        others = listen(f"{s.url}/v1/events?after={at}", s.token("hanno"), 1)
        assert [name for _, name, _ in others] == ["day"]  # nothing of mira's
        lost = listen(f"{s.url}/v1/events?after=999999", token, 1)
        assert lost[0][1] == "reset"
