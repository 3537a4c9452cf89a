import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from jsonschema import (  # type: ignore[import-untyped]
    Draft202012Validator,
    FormatChecker,
)

from api.schemas import OUTLOOK as OUTLOOK_FILE
from api.schemas import (
    PUBLISHED,
    outlook_json,
    outlook_schema,
    plan_json,
    plan_schema,
)
from shared.model import Proof, Status
from tests.unit.sample_answer import ANSWER, DAY, OUTLOOK, PLAN, hostile_answer

# RFC 3339, section 5.6, written down anew from its grammar.
RFC3339 = re.compile(
    r"\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])T"
    r"([01]\d|2[0-3]):[0-5]\d:([0-5]\d|60)(\.\d+)?(Z|[+-]([01]\d|2[0-3]):[0-5]\d)"
)


def read(answer: object = ANSWER) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(plan_json(answer))  # type: ignore[arg-type]
    return document


def fields(value: object, path: str = "") -> Iterator[tuple[str, object]]:
    """Yield every plain value of a JSON document with its path."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from fields(inner, f"{path}.{key}")
    elif isinstance(value, list):
        for inner in value:
            yield from fields(inner, f"{path}[]")
    else:
        yield path, value


def variants() -> list[object]:
    """Return answers that differ in what may be missing."""
    anywhere = tuple(replace(van, start=None, finish=None) for van in DAY.vans)
    return [
        ANSWER,
        hostile_answer(),
        replace(ANSWER, day=replace(DAY, vans=anywhere)),
        replace(
            ANSWER,
            plan=replace(
                PLAN, routes=(), issues=(), status=Status(proof=Proof.BEST_FOUND)
            ),
            pick_lists=(),
        ),
    ]


def test_the_published_schema_is_the_one_the_data_has() -> None:
    assert json.loads(PUBLISHED.read_text(encoding="utf-8")) == plan_schema()


def test_the_schema_is_itself_a_valid_schema() -> None:
    schema = plan_schema()
    Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["title"]
    assert schema["description"]


@pytest.mark.parametrize("number", range(4))
def test_every_document_follows_the_published_schema(number: int) -> None:
    schema = json.loads(PUBLISHED.read_text(encoding="utf-8"))
    validator = Draft202012Validator(schema, format_checker=FormatChecker())
    assert not list(validator.iter_errors(read(variants()[number])))


def test_a_field_too_many_or_too_few_is_refused() -> None:
    validator = Draft202012Validator(plan_schema())
    document = read()
    assert not validator.is_valid(document | {"extra": 1})
    document["vans"][0]["stops"][0].pop("start_at")
    assert not validator.is_valid(document)


def test_every_object_of_the_schema_is_closed_and_every_field_described() -> None:
    both = (plan_schema(), outlook_schema())
    objects = [body for schema in both for body in (schema, *schema["$defs"].values())]
    for body in objects:
        if body["type"] == "object":
            assert body["additionalProperties"] is False
            assert set(body["required"]) == set(body["properties"])
            assert body["description"]
            for name, field in body["properties"].items():
                assert field.get("description"), name


def test_times_are_rfc_3339_with_the_day_s_offset() -> None:
    seen = 0
    for path, value in fields(read()):
        if path.endswith("_at") and value is not None:
            assert isinstance(value, str)
            assert RFC3339.fullmatch(value), (path, value)
            assert value.endswith("+01:00")  # Berlin in November
            seen += 1
    assert seen > 50


def test_a_stop_says_how_late_the_van_could_leave_for_it() -> None:
    route = PLAN.routes[0]
    later = replace(route.stops[0], leave_by_s=9 * 3600)
    answer = replace(
        ANSWER, plan=replace(PLAN, routes=(replace(route, stops=(later,)),))
    )
    (stop,) = read(answer)["vans"][0]["stops"]
    assert stop["leave_by"] == "2026-11-26T09:00:00+01:00"


def test_a_stop_s_times_are_the_plan_s_seconds_from_midnight() -> None:
    midnight = datetime(2026, 11, 26, tzinfo=ZoneInfo("Europe/Berlin"))
    for van, route in zip(read()["vans"], PLAN.routes, strict=True):
        for shown, stop in zip(van["stops"], route.stops, strict=True):
            for key, time_s in (
                ("arrive_at", stop.arrive_s),
                ("start_at", stop.start_s),
                ("finish_at", stop.finish_s),
            ):
                assert datetime.fromisoformat(shown[key]) == midnight + timedelta(
                    seconds=time_s
                )


def test_on_the_night_of_the_clock_change_offsets_change_with_it() -> None:
    # 25 October 2026, Berlin: at 03:00 the clock goes back to 02:00.
    autumn = replace(ANSWER, day=replace(DAY, date=date(2026, 10, 25)))
    offsets = {
        value[-6:]
        for path, value in fields(read(autumn))
        if path.endswith("_at") and isinstance(value, str)
    }
    assert offsets == {"+01:00", "+02:00"}


def test_numbers_of_seconds_metres_and_cents_are_whole() -> None:
    for path, value in fields(read()):
        if path.endswith(("_s", "_m", "_cents")) and value is not None:
            assert type(value) is int, path


def test_a_program_finds_every_call_once_with_all_that_is_known() -> None:
    document = read()
    calls = [
        stop["call"]
        for van in document["vans"]
        for stop in van["stops"]
        if stop["call"]
    ] + [unplaced["call"] for unplaced in document["unplaced"]]
    assert sorted(call["id"] for call in calls) == sorted(c.id for c in DAY.calls)
    by_id = {call["id"]: call for call in calls}
    for call in DAY.calls:
        shown = by_id[call.id]
        assert shown["customer"] == call.customer
        assert shown["phone"] == call.phone
        assert shown["description"] == call.description
        assert shown["place"]["lat_deg"] == call.place.lat_deg
        by = next((r.van_id for r in PLAN.routes if call.id in r.call_ids), None)
        van = next((van for van in DAY.vans if van.id == by), None)
        assert shown["planned_s"] == DAY.planned_s(call, van)


def test_sums_agree_with_their_parts() -> None:
    document = read()
    assert document["cost_cents"] == PLAN.cost_cents
    for van in document["vans"]:
        drives = sum(stop["drive_s"] for stop in van["stops"])
        assert van["drive_s"] == drives + van["last_drive_s"]
        lines = van["pick_list"] + [
            line
            for stop in van["stops"]
            if stop["restock"]
            for line in stop["restock"]["fetch"]
        ]
        picked = sum(
            line["load"]
            + line["aboard"]
            + sum(handed["quantity"] for handed in line["from_vans"])
            for line in lines
        )
        assert picked == sum(issue["quantity"] for issue in van["issues"])


def test_the_cost_is_the_sum_of_its_parts() -> None:
    document = read()
    for shown in (document, *document["vans"]):
        # Each is rounded by itself: half a cent for each of six.
        parts = ("drive", "time", "overtime", "late", "preference", "parts")
        total = sum(shown[f"{part}_cents"] for part in parts)
        assert abs(total - shown["cost_cents"]) <= 3
    assert document["late_cents"] == 6000
    assert document["preference_cents"] == 300
    assert document["parts_cents"] == 300


def test_a_program_finds_every_broken_promise_with_its_reasons() -> None:
    document = read()
    (entry,) = document["broken"]
    assert (entry["call_id"], entry["van_id"]) == ("C12", "East")
    assert entry["promised_until_at"] == "2026-11-26T11:00:00+01:00"
    assert [reason["van_id"] for reason in entry["reasons"]] == ["East", "North"]
    stops = [stop for van in document["vans"] for stop in van["stops"]]
    late = [stop for stop in stops if stop["late_s"]]
    assert [(s["call"]["id"], s["late_s"]) for s in late] == [("C12", entry["late_s"])]
    assert not late[0]["tight"]
    off = [stop["call"]["id"] for stop in stops if stop["off_preference"]]
    assert off == ["C11"]


def test_a_program_finds_restock_stops_tools_handovers_links_and_risks() -> None:
    document = read()
    east = document["vans"][2]
    shop, counter = (s["restock"] for s in east["stops"] if s["restock"])
    assert (shop["store_id"], shop["opening"], shop["pay_cents"]) == ("shop", None, 0)
    assert (shop["bring_back"], shop["collect"]) == (["reading scope"], ["code cutter"])
    assert (counter["name"], counter["pay_cents"]) == ("Eastgate 9", 3300)
    (handed,) = document["handovers"]
    assert (handed["from_van"], handed["to_van"]) == ("North", "East")
    assert [tool["van_id"] for tool in document["tools"]] == ["North", "East", "East"]
    assert document["tools"][0]["swap_at"] is None
    assert document["tools"][1]["swap_at"] == east["stops"][1]["start_at"]
    assert [link["then"] for link in document["links"]] == ["C11", "C12"]
    assert document["conflicts"][0]["call_ids"] == ["C12", "C13"]
    assert [risk["spent"] for risk in document["at_risk"]] == [True, False]
    assert (east["drive_limit_s"], east["work_limit_s"]) == (4 * 3600, 9 * 3600)
    # 08:10 to 12:57 and some seconds, half an hour of it the break.
    route = PLAN.routes[2]
    assert east["duty_s"] == route.finish_s - route.leave_s - 1800


def outlook_document() -> dict[str, Any]:
    document: dict[str, Any] = json.loads(outlook_json(OUTLOOK))
    return document


def test_several_days_follow_their_published_schema_too() -> None:
    schema = json.loads(OUTLOOK_FILE.read_text(encoding="utf-8"))
    assert schema == outlook_schema()
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema, format_checker=FormatChecker())
    document = outlook_document()
    assert not list(validator.iter_errors(document))
    document["days"][0].pop("firm")
    assert not validator.is_valid(document)


def test_each_of_several_days_is_a_plan_document_of_its_own() -> None:
    document = outlook_document()
    assert (document["format"], document["version"]) == ("keyround outlook", 1)
    assert [(day["date"], day["firm"]) for day in document["days"]] == [
        ("2026-11-26", True),
        ("2026-11-27", False),
    ]
    validator = Draft202012Validator(plan_schema(), format_checker=FormatChecker())
    for day, answer in zip(document["days"], OUTLOOK.answers, strict=True):
        assert not list(validator.iter_errors(day["plan"]))
        assert day["plan"] == read(answer)
    (later,) = document["days"][1]["plan"]["vans"][0]["stops"]
    assert later["call"]["dates"] == ["2026-11-27"]


def test_a_note_on_a_code_never_leaves_the_house() -> None:
    assert "9911" not in plan_json(ANSWER)


def test_the_format_is_named_and_numbered() -> None:
    document = read()
    assert (document["format"], document["version"]) == ("keyround plan", 1)


def test_names_come_back_as_they_were_typed() -> None:
    document = read(hostile_answer())
    assert document["vans"][0]["driver"] == hostile_answer().day.vans[0].driver
