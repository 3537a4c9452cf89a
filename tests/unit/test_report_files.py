import csv
import io
import json
import math
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from icalendar import Calendar

from dispatch.report import write_all, write_outlook
from dispatch.report.calendar import calendar_bytes
from dispatch.report.csvfile import tables
from dispatch.report.document import document
from dispatch.report.folder import name_files
from dispatch.report.geojson import feature_collection, geojson_text
from shared.dialect import Dialect
from shared.model import Answer, Window
from shared.units import DistanceUnit
from tests.unit.sample_answer import ANSWER, DAY, OUTLOOK, PLAN, hostile_answer

MIDNIGHT = datetime(2026, 11, 26, tzinfo=ZoneInfo("Europe/Berlin"))


# --- tables ------------------------------------------------------------------


def rows(name: str, answer: Answer = ANSWER) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(tables(document(answer))[name], newline="")))


def stop_rows(answer: Answer = ANSWER) -> list[dict[str, str]]:
    return [row for row in rows("stops.csv", answer) if row["stop"] != "way back"]


def clock_time(row: dict[str, str], name: str) -> datetime:
    """Return a cell as a spreadsheet of that place would reckon with it."""
    local = datetime.fromisoformat(f"{row['date']} {row[name]}")
    return local.replace(tzinfo=MIDNIGHT.tzinfo)


def test_every_stop_is_a_row_and_reads_back_as_planned() -> None:
    read = stop_rows()
    stops = [stop for route in PLAN.routes for stop in route.stops]
    assert [row["call_id"] for row in read] == [stop.call_id or "" for stop in stops]
    for row, stop in zip(read, stops, strict=True):
        start = MIDNIGHT + timedelta(seconds=stop.start_s // 60 * 60)
        assert clock_time(row, "start") == start
        # A tenth of a kilometre, and the nearest minute; slack is rounded down.
        assert abs(float(row["drive_km"]) - stop.drive_m / 1000) <= 0.05
        assert abs(int(row["drive_min"]) - stop.drive_s / 60) <= 0.5
        assert abs(int(row["wait_min"]) - stop.wait_s / 60) <= 0.5
        if stop.slack_s is not None:
            assert 0 <= stop.slack_s / 60 - int(row["slack_min"]) < 1


def test_the_way_back_is_a_van_s_last_row() -> None:
    for route in PLAN.routes:
        *_, last = (r for r in rows("stops.csv") if r["van_id"] == route.van_id)
        van = next(van for van in DAY.vans if van.id == route.van_id)
        assert van.finish is not None
        assert (last["stop"], last["place"]) == ("way back", van.finish.name)
        home = MIDNIGHT + timedelta(seconds=route.finish_s // 60 * 60)
        assert clock_time(last, "arrive") == home
        assert abs(float(last["drive_km"]) - route.last_drive_m / 1000) <= 0.05
        assert not last["start"]


def test_availability_stands_in_the_table_as_calls_csv_writes_it() -> None:
    windows = (
        Window(start_s=25_200, end_s=39_600),
        Window(start_s=50_400, end_s=61_200),
    )
    day = replace(
        DAY, calls=tuple(replace(call, windows=windows) for call in DAY.calls)
    )
    answer = replace(ANSWER, day=day)
    assert stop_rows(answer)[0]["windows"] == "07:00-11:00 | 14:00-17:00"
    assert rows("unplaced.csv", answer)[0]["windows"] == "07:00-11:00 | 14:00-17:00"


def test_a_stop_after_midnight_carries_the_date_on_which_the_van_sets_off() -> None:
    stop = PLAN.routes[0].stops[0]
    late = replace(stop, arrive_s=86_700, start_s=86_700, finish_s=90_000)
    route = replace(
        PLAN.routes[0], leave_s=86_100, stops=(late,), last_drive_s=600, finish_s=90_600
    )
    plan = replace(PLAN, routes=(route,))
    first, back = rows("stops.csv", replace(ANSWER, plan=plan, tonight=()))
    assert (first["date"], first["leave"]) == ("2026-11-26", "23:55")
    assert (first["start"], first["finish"]) == ("00:05", "01:00")
    assert (back["date"], back["leave"]) == ("2026-11-27", "01:00")


def test_tables_are_written_as_the_firm_s_own_spreadsheet_writes_them() -> None:
    dialect = Dialect(separator=";", decimal=",")
    text = tables(document(ANSWER), dialect)["purchases.csv"]
    (fob, *_) = csv.DictReader(io.StringIO(text, newline=""), delimiter=";")
    assert (fob["part_id"], fob["cost"]) == ("FOB-9", "52,00")
    stops = tables(document(ANSWER), dialect)["stops.csv"]
    (first, *_) = csv.DictReader(io.StringIO(stops, newline=""), delimiter=";")
    place = PLAN.routes[0].stops[0].place
    assert place is not None
    assert first["lat_deg"] == str(place.lat_deg).replace(".", ",")
    assert "." not in first["drive_km"]


def test_a_spreadsheet_gets_hours_and_money_as_people_write_them() -> None:
    (fob, *_) = rows("purchases.csv")
    assert (fob["part_id"], fob["cost"], fob["lead_time_h"]) == ("FOB-9", "52.00", "48")
    assert fob["where"] == "Eastgate 9"  # the counter's name, not its id
    tonight = [
        replace(ANSWER.tonight[0], item=replace(ANSWER.tonight[0].item, **facts))
        for facts in ({"cost_cents": 5}, {"lead_time_s": 5400})
    ]
    _, cent, lead = rows("tonight.csv", replace(ANSWER, tonight=tuple(tonight)))
    assert cent["cost"] == "0.05"
    assert lead["lead_time_h"] == "1.5"


def test_a_firm_that_reads_miles_finds_miles_in_its_tables() -> None:
    answer = replace(ANSWER, day=replace(DAY, distance=DistanceUnit.MI))
    stops = [stop for route in PLAN.routes for stop in route.stops]
    for row, stop in zip(stop_rows(answer), stops, strict=True):
        assert abs(float(row["drive_mi"]) - stop.drive_m / 1609.344) <= 0.05


@pytest.mark.parametrize(
    ("phone", "cell"),
    [
        ("+49 30 1234", "+49 30 1234"),
        ("+4930", "+4930"),
        ("+49-30", "'+49-30"),
        ("+49+30", "'+49+30"),
        ("+", "'+"),
        ("-49 30", "'-49 30"),
        ("\uff0b49 30", "'\uff0b49 30"),
    ],
)
def test_a_telephone_number_stays_as_it_is_and_a_sum_does_not(
    phone: str, cell: str
) -> None:
    day = replace(DAY, calls=tuple(replace(call, phone=phone) for call in DAY.calls))
    assert rows("stops.csv", replace(ANSWER, day=day))[0]["phone"] == cell


def test_lines_of_a_table_end_in_cr_lf_and_have_equally_many_cells() -> None:
    for answer in (ANSWER, hostile_answer()):
        for name, text in tables(document(answer)).items():
            assert text.endswith("\r\n")
            assert "\n" not in text.replace("\r\n", "")
            assert len({len(row) for row in csv.reader(io.StringIO(text))}) == 1, name


def test_no_cell_of_words_is_taken_for_a_formula() -> None:
    guarded = Counter[str]()
    for text in tables(document(hostile_answer())).values():
        for row in csv.reader(io.StringIO(text)):
            for cell in row:
                if cell.startswith(("=", "+", "-", "@", "\t", "\r")):
                    float(cell.replace(" ", ""))  # only a number may begin like that
                guarded[cell[:2]] += 1
    # The planted ones are there, made harmless: '=1+1, '@, '-; a telephone number
    # that starts with + is harmless as it is.
    assert all(guarded[start] for start in ("'=", "'@", "'-", "+4"))


def test_a_western_longitude_stays_a_number() -> None:
    call = replace(DAY.calls[0], place=replace(DAY.calls[0].place, lon_deg=-3.25))
    stop = replace(PLAN.routes[0].stops[0], place=call.place)
    route = replace(PLAN.routes[0], stops=(stop, *PLAN.routes[0].stops[1:]))
    answer = replace(
        ANSWER,
        day=replace(DAY, calls=(call, *DAY.calls[1:])),
        plan=replace(PLAN, routes=(route,)),
    )
    assert rows("stops.csv", answer)[0]["lon_deg"] == "-3.25"


def test_pieces_picked_are_the_pieces_issued() -> None:
    picked = Counter[tuple[str, str]]()
    for row in rows("picks.csv"):
        pieces = sum(
            int(row[source] or 0)
            for source in ("load", "aboard", "from_other_vans", "fetch")
        )
        picked[row["van_id"], row["part_id"]] += pieces
    picked = +picked  # a row of what is handed over takes nothing along
    issued = Counter[tuple[str, str]]()
    for issue in PLAN.issues:
        issued[issue.van_id, issue.part_id] += issue.quantity
    assert picked == issued


def test_pieces_say_where_they_come_from_and_where_they_go() -> None:
    cell, blade, shop, counter = (r for r in rows("picks.csv") if r["van_id"] == "East")
    assert (cell["from_other_vans"], cell["other_vans"]) == ("1", "North")
    assert (blade["aboard"], blade["load"], blade["fetch"]) == ("1", "0", "")
    assert (shop["fetch"], shop["store"], shop["bin"]) == (
        "1",
        "Shop, Brass Yard 1",
        "A5",
    )
    assert (counter["fetch"], counter["store"]) == ("2", "Eastgate 9")
    *_, given = rows("picks.csv")
    assert (given["van_id"], given["hand_over"], given["to_van"]) == (
        "North",
        "1",
        "East",
    )


def test_a_late_stop_says_how_many_minutes_and_a_restock_stop_where() -> None:
    east = [row for row in stop_rows() if row["van_id"] == "East"]
    assert [row["stop"] for row in east] == [
        "call",
        "restock",
        "call",
        "restock",
        "break",
        "call",
    ]
    assert [row["late_min"] for row in east] == ["0", "", "0", "", "", "35"]
    assert [row["store"] for row in east if row["store"]] == [
        "Shop, Brass Yard 1",
        "Eastgate 9",
    ]
    assert [row["to_pay"] for row in east if row["to_pay"]] == ["0.00", "33.00"]
    assert [row["after_calls"] for row in east] == ["", "", "C10", "", "", "C2"]
    assert (east[2]["rather_start"], east[2]["rather_end"]) == ("08:00", "09:00")


def test_a_visit_seconds_late_is_not_shown_as_in_time() -> None:
    route = PLAN.routes[2]
    stop = replace(route.stops[-1], late_s=20)
    plan = replace(PLAN, routes=(replace(route, stops=(stop,)),), tools=())
    (row,) = stop_rows(replace(ANSWER, plan=plan, tonight=()))
    assert row["late_min"] == "1"


def test_tonight_s_table_begins_with_the_broken_promises_and_why() -> None:
    first = rows("tonight.csv")[0]
    assert (first["call_id"], first["item"]) == ("C12", "promise")
    assert first["phone"] == "555 0112"
    assert first["ask"].startswith("Ring Wilma Castlegate (555 0112)")
    assert first["why"].startswith("East: the cylinders have to be fetched")


def test_conflicts_tools_and_money_at_risk_have_tables_of_their_own() -> None:
    (conflict,) = rows("conflicts.csv")
    assert conflict["call_ids"] == "C12 C13"
    paid, asked = rows("at_risk.csv")
    assert (paid["call_id"], paid["cost"], paid["paid"]) == ("C13", "19.00", "yes")
    assert (asked["call_id"], asked["cost"], asked["paid"]) == ("C9", "31.00", "no")
    stays, given_back, collected = rows("tools.csv")
    assert (stays["van_id"], stays["collect"], stays["bring_back"]) == ("North", "", "")
    assert (given_back["tool"], given_back["bring_back"]) == ("reading scope", "09:06")
    assert (collected["tool"], collected["collect"]) == ("code cutter", "09:06")


def test_no_table_holds_a_note_on_a_code() -> None:
    assert not any("9911" in text for text in tables(document(ANSWER)).values())


# --- map ---------------------------------------------------------------------


def features(what: str, answer: Answer = ANSWER) -> list[dict[str, Any]]:
    collection: dict[str, Any] = json.loads(geojson_text(document(answer)))
    assert collection["type"] == "FeatureCollection"
    return [f for f in collection["features"] if f["properties"]["what"] == what]


def test_positions_are_longitude_first() -> None:
    for feature in features("call"):
        call = next(c for c in DAY.calls if c.id == feature["properties"]["call_id"])
        lon, lat = feature["geometry"]["coordinates"]
        assert math.isclose(lon, call.place.lon_deg, abs_tol=1e-6)
        assert math.isclose(lat, call.place.lat_deg, abs_tol=1e-6)


def test_every_van_is_one_line_through_its_stops_and_says_it_is_straight() -> None:
    lines = features("route")
    assert [line["properties"]["van_id"] for line in lines] == [
        "North",
        "South",
        "East",
    ]
    for line, route in zip(lines, PLAN.routes, strict=True):
        assert line["properties"]["straight_lines"] is True
        path = line["geometry"]["coordinates"]
        van = next(van for van in DAY.vans if van.id == route.van_id)
        places = [van.start, *(stop.place for stop in route.stops), van.finish]
        expected: list[list[float]] = []
        for place in places:
            assert place is not None
            position = [round(place.lon_deg, 6), round(place.lat_deg, 6)]
            if not expected or expected[-1] != position:
                expected.append(position)
        assert path == expected


def test_calls_without_a_place_on_a_route_are_on_the_map_too() -> None:
    ids = [f["properties"]["call_id"] for f in features("unplaced call")]
    assert ids == ["C8", "C9", "C13"]


def test_restock_stops_are_points_of_a_kind_of_their_own() -> None:
    shop, counter = features("restock")
    assert shop["properties"]["bring_back"] == ["reading scope"]
    assert shop["properties"]["collect"] == ["code cutter"]
    assert counter["properties"]["name"] == "Eastgate 9"
    assert counter["properties"]["fetch"] == [
        {"part_id": "CYL-40", "name": "Door cylinder 40/40", "quantity": 2}
    ]
    assert counter["properties"]["pay_cents"] == 3300
    lon, lat = counter["geometry"]["coordinates"]
    place = DAY.counters[0].place
    assert math.isclose(lon, place.lon_deg, abs_tol=1e-6)
    assert math.isclose(lat, place.lat_deg, abs_tol=1e-6)


def test_a_late_call_is_known_on_the_map() -> None:
    late = {
        feature["properties"]["call_id"]: feature["properties"]["late_s"]
        for feature in features("call")
    }
    start_s = PLAN.routes[2].stops[-1].start_s
    assert late.pop("C12") == start_s - 11 * 3600
    assert set(late.values()) == {0}


def test_a_van_that_never_moves_has_a_route_without_geometry() -> None:
    van = replace(DAY.vans[0], start=None, finish=None)
    route = replace(PLAN.routes[0], stops=PLAN.routes[0].stops[:1])
    answer = replace(
        ANSWER,
        day=replace(DAY, vans=(van,)),
        plan=replace(PLAN, routes=(route,)),
    )
    (line,) = features("route", answer)
    assert line["geometry"] is None  # RFC 7946, 3.2: an unlocated feature


def test_geometries_are_of_the_standard_and_numbers_finite() -> None:
    for feature in feature_collection(document(ANSWER))["features"]:
        assert set(feature) == {"type", "geometry", "properties"}
        assert feature["geometry"]["type"] in {"Point", "LineString"}


# --- calendar ----------------------------------------------------------------


def events(content: bytes) -> list[Any]:
    calendar = Calendar.from_ical(content)
    return list(calendar.walk("VEVENT"))


@pytest.mark.parametrize("number", [0, 1, 2])
def test_every_stop_is_an_event_at_its_hour(number: int) -> None:
    route = PLAN.routes[number]
    read = events(calendar_bytes(ANSWER, route))
    assert len(read) == len(route.stops)
    for event, stop in zip(read, route.stops, strict=True):
        start, end = event["DTSTART"].dt, event["DTEND"].dt
        assert start == MIDNIGHT + timedelta(seconds=stop.start_s)
        assert end == MIDNIGHT + timedelta(seconds=stop.finish_s)
        assert start.utcoffset() == timedelta(0)


def test_a_calendar_s_lines_are_folded_at_75_octets_and_end_in_cr_lf() -> None:
    pairs = [
        (answer, route)
        for answer in (ANSWER, hostile_answer())
        for route in answer.plan.routes
    ]
    for answer, route in pairs:
        content = calendar_bytes(answer, route)
        assert content.endswith(b"END:VCALENDAR\r\n")
        lines = content.split(b"\r\n")
        assert max(map(len, lines)) <= 75
        assert not any(b"\n" in line or b"\r" in line for line in lines)
        content.decode()  # folding has not torn a character for good
        for line in lines:
            line.decode()


def test_hostile_words_do_not_make_events_of_their_own() -> None:
    answer = hostile_answer()
    evil = "x\r\nEND:VEVENT\r\nBEGIN:VEVENT\r\nSUMMARY:evil"
    calls = tuple(replace(call, customer=evil) for call in answer.day.calls)
    answer = replace(answer, day=replace(answer.day, calls=calls))
    read = events(calendar_bytes(answer, answer.plan.routes[0]))
    assert len(read) == len(PLAN.routes[0].stops)
    assert "evil" not in [str(event["SUMMARY"]) for event in read]


def test_a_call_keeps_its_uid_when_the_plan_changes() -> None:
    def uids(answer: Answer, number: int) -> list[str]:
        content = calendar_bytes(answer, answer.plan.routes[number])
        return [str(event["UID"]) for event in events(content)]

    first, second, third = PLAN.routes
    later = replace(second, stops=tuple(reversed(second.stops)))
    changed = replace(ANSWER, plan=replace(PLAN, routes=(first, later, third)))
    assert uids(changed, 1) == list(reversed(uids(ANSWER, 1)))
    everything = uids(ANSWER, 0) + uids(ANSWER, 1) + uids(ANSWER, 2)
    assert len(set(everything)) == len(everything)


def test_a_restock_stop_is_an_event_that_says_what_to_fetch() -> None:
    read = events(calendar_bytes(ANSWER, PLAN.routes[2]))
    shop, counter = read[1], read[3]
    assert str(shop["SUMMARY"]) == "Restock at Shop, Brass Yard 1"
    assert "bring back: reading scope" in str(shop["DESCRIPTION"])
    assert str(counter["LOCATION"]) == "Eastgate 9"
    assert "fetch 2 \u00d7 Door cylinder 40/40 (CYL-40)" in str(counter["DESCRIPTION"])
    assert "promised until 11:00, starts 11:35" in str(read[5]["DESCRIPTION"])


def test_a_restock_stop_keeps_its_uid_when_its_hour_changes() -> None:
    route = PLAN.routes[2]
    moved = replace(route.stops[1], start_s=route.stops[1].start_s + 60)
    later = replace(route, stops=(moved, *route.stops[2:]))
    first = events(calendar_bytes(ANSWER, route))[1]
    second = events(calendar_bytes(ANSWER, later))[0]
    assert first["UID"] == second["UID"]
    assert first["DTSTART"].dt != second["DTSTART"].dt


def test_events_of_a_day_that_will_be_planned_anew_are_tentative() -> None:
    route = PLAN.routes[2]
    for provisional, status in ((True, "TENTATIVE"), (False, "CONFIRMED")):
        content = calendar_bytes(ANSWER, route, provisional=provisional)
        assert {str(event["STATUS"]) for event in events(content)} == {status}


def test_the_same_plan_gives_the_same_calendar_and_a_new_version_says_so() -> None:
    route = PLAN.routes[0]
    assert calendar_bytes(ANSWER, route) == calendar_bytes(ANSWER, route)
    (first, *_) = events(calendar_bytes(ANSWER, route))
    # Planned at 18:00 the evening before, Berlin in winter.
    assert first["DTSTAMP"].dt == datetime(2026, 11, 25, 17, tzinfo=UTC)
    assert int(first["SEQUENCE"]) == 0
    stamp = datetime(2026, 11, 25, 20, 30, tzinfo=UTC)
    (second, *_) = events(calendar_bytes(ANSWER, route, stamp=stamp, sequence=3))
    assert second["DTSTAMP"].dt == stamp
    assert int(second["SEQUENCE"]) == 3


def test_a_calendar_gives_away_no_phone_number_no_note_and_no_code() -> None:
    for route in PLAN.routes:
        content = calendar_bytes(ANSWER, route).replace(b"\r\n ", b"").decode()
        assert "555 01" not in content
        assert "Side gate" not in content
        assert "9911" not in content


def test_the_geo_property_is_latitude_first() -> None:
    (first, *_) = events(calendar_bytes(ANSWER, PLAN.routes[0]))
    place = PLAN.routes[0].stops[0].place
    assert place is not None
    lat, lon = map(float, first["GEO"].to_ical().split(";"))
    assert math.isclose(lat, place.lat_deg, abs_tol=1e-6)
    assert math.isclose(lon, place.lon_deg, abs_tol=1e-6)


# --- the folder --------------------------------------------------------------


def test_all_reports_are_written_and_none_is_left_half_done(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "plan"
    written = write_all(ANSWER, folder)
    assert sorted(written) == sorted(folder.iterdir())
    assert {path.name for path in written} == {
        "plan.txt",
        "plan.json",
        "sheet-north.html",
        "sheet-south.html",
        "sheet-east.html",
        "calendar-north.ics",
        "calendar-south.ics",
        "calendar-east.ics",
        "stops.csv",
        "picks.csv",
        "unplaced.csv",
        "conflicts.csv",
        "purchases.csv",
        "tonight.csv",
        "at_risk.csv",
        "tools.csv",
        "routes.geojson",
    }


def test_a_plan_written_twice_is_the_same_byte_for_byte(tmp_path: Path) -> None:
    first = {p.name: p.read_bytes() for p in write_all(ANSWER, tmp_path / "a")}
    second = {p.name: p.read_bytes() for p in write_all(ANSWER, tmp_path / "b")}
    assert first == second


def test_a_van_s_old_sheet_goes_and_everything_else_stays(tmp_path: Path) -> None:
    write_all(ANSWER, tmp_path)
    own = tmp_path / "sheet-mine.html"
    own.write_text("my own notes")
    (tmp_path / "calls.csv").write_text("id\n")
    one_van = replace(
        ANSWER,
        plan=replace(PLAN, routes=PLAN.routes[:1]),
        pick_lists=ANSWER.pick_lists[:1],
    )
    write_all(one_van, tmp_path)
    assert not (tmp_path / "sheet-south.html").exists()
    assert not (tmp_path / "calendar-south.ics").exists()
    assert own.read_text() == "my own notes"
    assert (tmp_path / "calls.csv").exists()


def test_nothing_is_touched_when_a_report_cannot_be_made(tmp_path: Path) -> None:
    write_all(ANSWER, tmp_path)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    broken = replace(ANSWER, day=replace(DAY, calls=DAY.calls[:1]))
    with pytest.raises(KeyError):  # a plan that names calls the day has not
        write_all(broken, tmp_path)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


def test_several_days_get_a_folder_each_and_two_files_for_all(tmp_path: Path) -> None:
    written = write_outlook(OUTLOOK, tmp_path)
    names = [str(path.relative_to(tmp_path)) for path in written]
    assert names[:3] == ["outlook.txt", "outlook.json", "2026-11-26/plan.txt"]
    assert "2026-11-27/sheet-south.html" in names
    assert {path for path in tmp_path.rglob("*") if path.is_file()} == set(written)
    for day, provisional in (("2026-11-26", False), ("2026-11-27", True)):
        for name in ("plan.txt", "sheet-south.html"):
            text = (tmp_path / day / name).read_text(encoding="utf-8")
            assert ("Provisional: " in text) is provisional


def test_a_later_day_that_is_no_longer_worked_keeps_no_sheet(tmp_path: Path) -> None:
    write_outlook(OUTLOOK, tmp_path)
    past, own = tmp_path / "2026-11-25", tmp_path / "2026-11-27" / "notes.txt"
    write_all(ANSWER, past)
    own.write_text("my own notes")
    write_outlook(replace(OUTLOOK, answers=OUTLOOK.answers[:1]), tmp_path)
    assert not list((tmp_path / "2026-11-27").glob("sheet-*"))
    assert not list((tmp_path / "2026-11-27").glob("calendar-*"))
    assert own.exists()
    assert (past / "sheet-north.html").exists()  # what was driven yesterday stays


def test_tables_carry_the_mark_by_which_spreadsheets_know_utf_8(tmp_path: Path) -> None:
    write_all(ANSWER, tmp_path)
    assert (tmp_path / "stops.csv").read_bytes().startswith(b"\xef\xbb\xbf")


def test_vans_with_awkward_names_get_file_names_of_their_own() -> None:
    names = name_files(["Van 1", "van-1", "../etc", "Käthe", "鍵", "鍵屋", "CON"])
    assert names == ["van-1", "van-1-2", "etc", "kathe", "van", "van-2", "con"]
