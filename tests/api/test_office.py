"""What the office does with a day: calls, vans, parts, stock, urgent calls."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.service import Service, service

DAY = "/v1/days/2026-12-04"
PLACE = {"name": "Bridge Street car park", "lat_deg": 53.71, "lon_deg": -1.295}
LOCKOUT = {
    "id": "900",
    "place": PLACE,
    "kind": "lockout_vehicle",
    "customer": "Nadia Holm",
    "phone": "+0 300900",
    "priority": 1,
}


@pytest.fixture
def s(tmp_path: Path) -> Iterator[Service]:
    with service(tmp_path) as made:
        yield made


def key(word: str) -> dict[str, str]:
    return {"Idempotency-Key": word}


def tell(s: Service, at: str, **fact: Any) -> None:
    s.clock.set(f"2026-12-04T{at}:30+00:00")
    body = {
        "sent_at": f"2026-12-04T{at}:30Z",
        "facts": [{"at": f"2026-12-04T{at}:00Z", "id": f"{at}{fact}"[:5], **fact}],
    }
    answer = s.office.post(f"{DAY}/facts", json=body).json()
    assert answer["results"][0]["result"] == "taken", answer


def as_body(view: dict[str, Any], *more: str) -> dict[str, Any]:
    """Return what was shown as it is sent back."""
    out = {"revision", "state", "van_id", "booked", "kind_name", "dates", "planned_s"}
    out |= {"candidates", "access_words"}
    return {name: value for name, value in view.items() if name not in out | set(more)}


def test_a_call_that_is_booked_on_an_open_day_is_planned_with_the_others(
    s: Service,
) -> None:
    answer = s.office.post(f"{DAY}/calls", json=LOCKOUT, headers=key("1"))
    assert answer.status_code == 201, answer.text
    assert answer.headers["location"] == f"{DAY}/calls/900"
    assert (answer.json()["state"], answer.json()["booked"]) == ("open", False)
    s.work()
    shown = s.office.get(f"{DAY}/calls/900").json()
    assert shown["van_id"] in {"mira", "hanno"}
    assert s.office.get(DAY).json()["plan_version"] == 2
    again = s.office.post(f"{DAY}/calls", json=LOCKOUT, headers=key("2"))
    assert again.status_code == 409


def test_every_fault_of_a_call_is_told_at_once(s: Service) -> None:
    wrong = {
        **LOCKOUT,
        "kind": "juggling",
        "required_van": "nobody",
        "needs": [{"alternatives": ["NO-PART"]}],
    }
    answer = s.office.post(f"{DAY}/calls", json=wrong, headers=key("1"))
    assert answer.status_code == 422
    places = [fault["where"] for fault in answer.json()["faults"]]
    assert places == ["body.kind", "body.needs", "body.required_van"]
    unknown = s.office.post(
        f"{DAY}/calls", json={**LOCKOUT, "colour": "red"}, headers=key("2")
    )
    assert unknown.json()["faults"][0]["where"] == "body.colour"


def test_a_note_is_on_the_sheet_at_once_and_needs_no_new_plan(s: Service) -> None:
    first = s.office.get(f"{DAY}/calls/501")
    seen = {"If-Match": first.headers["etag"]}
    body = {**as_body(first.json()), "note": "ring twice"}
    answer = s.office.put(f"{DAY}/calls/501", json=body, headers=seen)
    assert answer.status_code == 200, answer.text
    stops = s.office.get("/v1/vans/mira/sheet").json()["stops"]
    notes = [stop["call"]["note"] for stop in stops if stop["key"] == "call:501"]
    assert notes == ["ring twice"]
    assert s.office.get(f"{DAY}/jobs").json()["items"][0]["state"] == "done"
    late = s.office.put(f"{DAY}/calls/501", json=body, headers=seen)
    assert late.status_code == 412
    assert s.office.put(f"{DAY}/calls/501", json=body).status_code == 428


def test_what_is_firm_on_a_running_day_is_said_as_a_fact(s: Service) -> None:
    tell(s, "08:00", kind="left", van_id="mira", call_id="501")
    call = s.office.get(f"{DAY}/calls/502")
    seen = {"If-Match": call.headers["etag"]}
    other = {**as_body(call.json()), "priority": 4}
    assert s.office.put(f"{DAY}/calls/502", json=other, headers=seen).status_code == 409
    assert s.office.delete(f"{DAY}/calls/502", headers=seen).status_code == 409
    van = s.office.get(f"{DAY}/vans/mira")
    seen = {"If-Match": van.headers["etag"]}
    body = as_body(van.json(), "doing")
    assert s.office.put(f"{DAY}/vans/mira", json=body, headers=seen).status_code == 409
    moved = {"holder": "mira", "part_id": "BLADE-71", "pieces": 1}
    counted = s.office.post(f"{DAY}/movements", json=moved, headers=key("1"))
    assert counted.status_code == 409
    booked = s.office.post(f"{DAY}/calls", json=LOCKOUT, headers=key("2"))
    assert booked.json()["booked"] is True
    facts = s.office.get(f"{DAY}/facts").json()["items"]
    assert [fact["kind"] for fact in facts] == ["left", "booked"]


def test_a_day_without_a_call_is_planned_without_it(s: Service) -> None:
    seen = {"If-Match": s.office.get(f"{DAY}/calls/501").headers["etag"]}
    assert s.office.delete(f"{DAY}/calls/501", headers=seen).status_code == 204
    assert s.office.get(f"{DAY}/calls/501").status_code == 404
    s.work()
    stops = s.office.get("/v1/vans/mira/sheet").json()["stops"]
    assert "call:501" not in [stop["key"] for stop in stops]


def test_vans_and_parts_are_edited_and_counted_while_the_day_is_open(
    s: Service,
) -> None:
    van = s.office.get(f"{DAY}/vans/hanno")
    body = {**as_body(van.json(), "doing"), "driver": "Hanno B."}
    seen = {"If-Match": van.headers["etag"]}
    edited = s.office.put(f"{DAY}/vans/hanno", json=body, headers=seen)
    assert (edited.json()["driver"], edited.json()["revision"]) == ("Hanno B.", 2)
    part = s.office.get(f"{DAY}/parts/BLADE-71")
    body = as_body(part.json(), "id", "components")
    seen = {"If-Match": part.headers["etag"]}
    path = f"{DAY}/parts/BLADE-71"
    edited = s.office.put(path, json={**body, "bin": "Z9"}, headers=seen)
    assert edited.json()["bin"] == "Z9"

    def there() -> int:
        items = s.office.get(f"{DAY}/stock?holder=mira").json()["items"]
        return sum(each["pieces"] for each in items if each["part_id"] == "BLADE-71")

    before = there()
    moved = {"holder": "mira", "part_id": "BLADE-71", "pieces": 2, "note": "found"}
    counted = s.office.post(f"{DAY}/movements", json=moved, headers=key("1"))
    assert counted.json()["pieces"] == before + 2 == there()
    gone = {**moved, "pieces": -100}
    counted = s.office.post(f"{DAY}/movements", json=gone, headers=key("2"))
    assert counted.status_code == 409
    assert s.office.get(f"{DAY}/movements?limit=200").json()["items"][-1] | {
        "at": ""
    } == {**moved, "cause": "counted", "fact_id": None, "at": ""} | {
        "seq": len(s.office.get(f"{DAY}/movements?limit=200").json()["items"])
    }
    report = s.office.get(f"{DAY}/check").json()
    assert report["format"] == "keyround check"
    mira = s.van("mira")
    assert mira.get(f"{DAY}/stock?holder=hanno").status_code == 404
    holders = {each["holder"] for each in mira.get(f"{DAY}/stock").json()["items"]}
    assert holders <= {"mira", "shop", "canal_counter"}


def test_lists_come_in_pages_that_meet_without_gap_or_overlap(s: Service) -> None:
    found: list[str] = []
    after = ""
    while True:
        page = s.office.get(f"{DAY}/calls?limit=3&after={after}").json()
        found += [call["id"] for call in page["items"]]
        if page["next"] is None:
            break
        after = page["next"]
    assert found == [str(number) for number in range(501, 511)]
    assert s.office.get(f"{DAY}/calls?limit=0").status_code == 422


def test_a_caller_is_told_windows_that_are_likely_to_be_kept(s: Service) -> None:
    asked = {"call": {**LOCKOUT, "priority": 2}, "keep": 0.8}
    answer = s.office.post(f"{DAY}/quote", json=asked)
    assert answer.status_code == 200, answer.text
    found = answer.json()
    assert found["windows"], found["reasons"]
    for window in found["windows"]:
        assert window["van_id"] in {"mira", "hanno"}
        assert 0.8 <= window["chance"] <= 1
        assert window["start_at"] < window["end_at"]
    assert s.office.get(f"{DAY}/calls/900").status_code == 404  # nothing is booked


def test_a_caller_on_a_day_under_way_is_told_windows_that_are_still_to_come(
    s: Service,
) -> None:
    tell(s, "08:00", kind="left", van_id="mira", call_id="501")
    tell(s, "08:01", kind="left", van_id="hanno", call_id="506")
    tell(s, "09:55", kind="done", van_id="mira", call_id="501")
    s.work()
    asked = {"call": {**LOCKOUT, "priority": 2}, "keep": 0.8}
    answer = s.office.post(f"{DAY}/quote", json=asked)
    assert answer.status_code == 200, answer.text
    windows = answer.json()["windows"]
    assert windows, answer.json()["reasons"]
    # Nobody is free before 09:55; windows begin on the half hour.
    assert all(each["start_at"] >= "2026-12-04T09:30" for each in windows)
    assert all(each["end_at"] > "2026-12-04T09:55" for each in windows)
    again = {"call": {**LOCKOUT, "id": "502"}, "keep": 0.8}
    assert s.office.post(f"{DAY}/quote", json=again).status_code == 409


# --- whom to ring ---------------------------------------------------------------------


def rings(s: Service) -> dict[str, dict[str, Any]]:
    items = s.office.get(f"{DAY}/rings").json()["items"]
    return {each["call_id"]: each for each in items}


def test_whom_to_ring_is_kept_until_somebody_has_done_it_or_there_is_a_later_word(
    s: Service,
) -> None:
    tell(s, "08:00", kind="left", van_id="mira", call_id="501")
    tell(s, "08:01", kind="late", van_id="mira", late_s=9000)  # 502: by 10:30
    s.work()
    first = rings(s)
    assert first
    assert {each["version"] for each in first.values()} == {2}
    call_id, ring = next(item for item in first.items() if item[1]["window"])
    assert ring["customer"] in ring["message"] or ring["message"]
    window = {**ring["window"]}
    told = {"kind": "told", "call_id": call_id, "window": window}
    tell(s, "08:02", **told)
    assert call_id not in rings(s)
    # Another plan about nothing that concerns them leaves the others on the list.
    tell(s, "08:03", kind="used", van_id="hanno", parts=[])
    s.work()
    assert set(first) - {call_id} <= set(rings(s))
    tell(s, "08:04", kind="late", van_id="mira", late_s=0)  # taken back
    s.work()
    later = rings(s)
    assert later[call_id]["version"] > 2  # the customer hears the time of before
    path = f"{DAY}/rings/{call_id}/done"
    assert s.office.post(path, json={"version": 2}).status_code == 409
    seen = {"version": later[call_id]["version"]}
    assert s.office.post(path, json=seen).status_code == 204
    assert s.office.post(path, json=seen).status_code == 204
    assert call_id not in rings(s)
    nobody = s.office.post(f"{DAY}/rings/none/done", json={"version": 1})
    assert nobody.status_code == 404


# --- an urgent call -----------------------------------------------------------------


def test_an_urgent_call_is_asked_about_and_taken_as_it_was_shown(s: Service) -> None:
    tell(s, "08:00", kind="left", van_id="mira", call_id="501")
    tell(s, "08:01", kind="left", van_id="hanno", call_id="506")
    s.work()
    asked = s.office.post(f"{DAY}/urgent", json={"call": LOCKOUT, "danger": True})
    assert asked.status_code == 201, asked.text
    inquiry = asked.json()
    document = inquiry["document"]
    assert "emergency" in " ".join(document["first"])
    assert "112" in " ".join(document["first"])
    options = document["options"]
    assert [option["van_id"] for option in options][-2:] == [None, None]
    path = f"{DAY}/urgent/{inquiry['id']}/accept"
    last = len(options) - 1
    nobody = s.office.post(path, json={"option": last}, headers=key("0"))
    assert nobody.status_code == 422  # to decline books nothing
    taken = s.office.post(path, json={"option": 0}, headers=key("1"))
    assert taken.status_code == 201, taken.text
    plan = s.office.get(f"{DAY}/plan").json()
    assert (plan["kind"], plan["version"]) == ("urgent", taken.json()["plan_version"])
    starts = {
        stop["call"]["id"]: (van["id"], stop["start_at"])
        for van in plan["document"]["vans"]
        for stop in van["stops"]
        if stop["call"]
    }
    assert starts["900"][0] == options[0]["van_id"]
    seconds = options[0]["start_s"]
    at = f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    assert starts["900"][1] == f"2026-12-04T{at}+00:00"
    sheet = s.office.get(f"/v1/vans/{options[0]['van_id']}/sheet").json()
    (stop,) = (one for one in sheet["stops"] if one["key"] == "call:900")
    assert stop["call"]["note"].startswith("Somebody may be in danger")
    assert s.office.get(f"{DAY}/rest").json()["format"] == "keyround rest"
    again = s.office.post(path, json={"option": 0}, headers=key("2"))
    assert again.status_code == 409
    tell(s, "08:30", kind="cancelled", call_id="510")
    s.work()  # what was taken stands when the rest is planned anew
    stops = s.office.get(f"/v1/vans/{options[0]['van_id']}/sheet").json()["stops"]
    assert "call:900" in [stop["key"] for stop in stops]


def test_a_plan_that_time_has_overtaken_is_planned_anew_when_somebody_rings(
    s: Service,
) -> None:
    s.clock.set("2026-12-04T11:30:00+00:00")  # and nobody has told anything
    ask = s.office.post(f"{DAY}/urgent", json={"call": LOCKOUT})
    assert ask.status_code == 409
    assert "is being planned anew" in ask.json()["detail"]
    assert int(ask.headers["retry-after"]) > 0
    quote = s.office.post(f"{DAY}/quote", json={"call": LOCKOUT})
    assert quote.status_code == 409  # the same, and it is not done twice
    jobs = [job["kind"] for job in s.office.get(f"{DAY}/jobs").json()["items"]]
    assert jobs.count("rest") == 1
    s.work()
    asked = s.office.post(f"{DAY}/urgent", json={"call": LOCKOUT})
    assert asked.status_code == 201, asked.text
    assert asked.json()["document"]["options"][0]["van_id"]


def test_an_answer_is_not_good_any_more_once_the_day_has_moved_on(s: Service) -> None:
    tell(s, "08:00", kind="left", van_id="mira", call_id="501")
    s.work()
    asked = s.office.post(f"{DAY}/urgent", json={"call": LOCKOUT}).json()
    tell(s, "08:02", kind="late", van_id="mira", late_s=600)
    path = f"{DAY}/urgent/{asked['id']}/accept"
    assert s.office.post(path, json={"option": 0}, headers=key("1")).status_code == 409
    missing = s.office.post(
        f"{DAY}/urgent/none/accept", json={"option": 0}, headers=key("2")
    )
    assert missing.status_code == 404
