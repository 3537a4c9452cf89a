"""A day's folder is read as a locksmith means it, or every fault is named."""

import tempfile
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dispatch.generator import generate_day
from dispatch.scenario import (
    find_dialect,
    read_scenario,
    resolve_traffic,
    write_scenario,
)
from dispatch.scenario.read import (
    CALL_COLUMNS,
    HEAD_KEYS,
    PART_COLUMNS,
    READY_DETAILS,
    VAN_KEYS,
)
from shared.dialect import USUAL, Dialect
from shared.errors import Fault, InvalidInput
from shared.model import (
    Day,
    Link,
    Need,
    ReadyKind,
    ReadyState,
    Reserve,
    Tool,
    Traffic,
    Window,
)
from shared.trade import kinds, traffic_profiles
from shared.units import DayClock
from tests.builders import a_call, a_day, a_part, a_van, at, need

DEMOS = Path(__file__).parents[2] / "demo_scenarios"

DAY = """\
name = "Test"
date = 2026-12-03
zone = "Europe/Berlin"
[shop]
lat = 50.0
lon = 8.0
[costs]
km = 0.45
hour = 30
[[counter]]
id = "kiln"
lat = 50.01
lon = 8.01
opening = "07:00-16:00"
"""
VANS = """\
[[van]]
id = "V1"
shift = "08:00-17:00"
"""
PARTS = """\
id,name,unit_cost,substitutes,components
FOB-1,Fob one,38.50,FOB-2,
FOB-2,Fob two,44,FOB-1,
CELL,Coin cell,0.6,,
KIT,Kit,,,FOB-1 | CELL x2
"""
STOCK = """\
holder,part,quantity
V1,FOB-1,1
shop,CELL,4
kiln,FOB-2,2
"""
CALLS = """\
id,lat,lon,kind
1,50.01,8.01,rekey
"""
FOLDER: Mapping[str, str] = {
    "day.toml": DAY,
    "vans.toml": VANS,
    "parts.csv": PARTS,
    "stock.csv": STOCK,
    "calls.csv": CALLS,
}


def lay(folder: Path, **changes: str | bytes | None) -> Path:
    """Write a sound folder, changed file by file (``day_toml="..."``)."""
    folder.mkdir(exist_ok=True)
    files: dict[str, str | bytes | None] = {**FOLDER}
    files |= {name.replace("_", ".", 1): text for name, text in changes.items()}
    for name, text in files.items():
        if text is not None:
            raw = text if isinstance(text, bytes) else text.encode()
            (folder / name).write_bytes(raw)
    return folder


def faults(folder: Path, **changes: str | bytes | None) -> tuple[Fault, ...]:
    """Return everything that is wrong with a changed folder."""
    with pytest.raises(InvalidInput) as caught:
        read_scenario(lay(folder, **changes))
    return caught.value.faults


def the_fault(folder: Path, **changes: str | bytes | None) -> Fault:
    """Return the one thing that is wrong with a changed folder."""
    (fault,) = faults(folder, **changes)
    return fault


def calls(columns: str, cells: str) -> str:
    """Return ``calls.csv`` with one call and some more columns."""
    return f"id,lat,lon,kind,{columns}\n1,50.01,8.01,rekey,{cells}\n"


# --- what a sound folder means -------------------------------------------------


def test_a_van_has_bins_of_its_own_and_the_shops_stand_with_the_parts(
    tmp_path: Path,
) -> None:
    stock = "holder,part,quantity,bin\nV1,FOB-1,1,L2\nshop,CELL,4,\n"
    [van, *_] = read_scenario(lay(tmp_path / "d", stock_csv=stock)).vans
    assert van.bins == {"FOB-1": "L2"}
    fault = the_fault(
        tmp_path / "e", stock_csv="holder,part,quantity,bin\nshop,CELL,4,S1\n"
    )
    assert (fault.column, fault.got) == ("bin", "'S1'")
    assert "parts.csv" in fault.expected


def test_the_emergency_number_is_one_that_can_be_rung(tmp_path: Path) -> None:
    assert read_scenario(lay(tmp_path / "d")).emergency_number == ""
    text = 'emergency_number = "112"\n' + DAY
    day = read_scenario(lay(tmp_path / "e", day_toml=text))
    assert day.emergency_number == "112"
    text = 'emergency_number = "the police"\n' + DAY
    fault = the_fault(tmp_path / "f", day_toml=text)
    assert "telephone number" in fault.expected


@pytest.mark.parametrize(
    ("name", "vans", "called"),
    [
        ("one_van", 1, 9),
        ("four_vans", 4, 35),
        ("cannot_work", 2, 9),
        ("short_of_parts", 3, 12),
        ("three_days", 2, 12),
        ("live_day", 2, 10),
    ],
)
def test_the_demos_are_sound_and_say_that_they_are_invented(
    name: str, vans: int, called: int
) -> None:
    day = read_scenario(DEMOS / name)
    assert (len(day.vans), len(day.calls)) == (vans, called)
    assert "Invented" in day.note
    assert day.notices == ()


def test_the_smallest_folder_gets_its_defaults(tmp_path: Path) -> None:
    day = read_scenario(lay(tmp_path / "d"))
    (van,) = day.vans
    (call,) = day.calls
    assert (van.start, van.finish, van.loads_at_shop) == (
        day.shop.place,
        day.shop.place,
        True,
    )
    assert van.rates.km_cents == 45
    assert van.rates.hour_cents == 3000
    assert van.stock == {"FOB-1": 1}
    assert day.shop.stock == {"CELL": 4}
    assert day.counters[0].stock == {"FOB-2": 2}
    assert day.counters[0].opening == Window(start_s=7 * 3600, end_s=16 * 3600)
    assert (call.median_s, call.p90_s) == (45 * 60, 100 * 60)  # a rekey's
    assert call.skills == {"pinning"}
    assert [item.kind for item in call.ready] == [ReadyKind.AUTHORITY]
    assert call.priority == 2
    assert day.parts["KIT"].components == (("FOB-1", 1), ("CELL", 2))
    assert day.parts["KIT"].category == "kit"
    assert day.planned_at_s == -6 * 3600
    assert day.notices == ()


def test_semicolons_decimal_commas_and_a_byte_order_mark_change_nothing(
    tmp_path: Path,
) -> None:
    plain = read_scenario(lay(tmp_path / "a"))
    table = PARTS.replace(",", ";").replace("38.50", "38,50").replace("0.6", "0,6")
    rows = CALLS.replace(",", ";").replace(".", ",").replace("\n", "\r\n")
    changed = read_scenario(
        lay(
            tmp_path / "b",
            parts_csv=b"\xef\xbb\xbf" + table.encode(),
            calls_csv=b"\xef\xbb\xbf" + rows.encode(),
        )
    )
    assert replace(changed, name=plain.name) == plain


def test_columns_are_found_whatever_their_order_and_spelling(tmp_path: Path) -> None:
    text = "Kind,LON,Required Van, id ,lat,\nRekey,8.01,V1, 7 ,50.01,\n\n"
    (call,) = read_scenario(lay(tmp_path / "d", calls_csv=text)).calls
    assert (call.id, call.kind, call.required_van) == ("7", "rekey", "V1")


def test_unknown_columns_keys_and_files_not_named_are_left_aside_with_a_notice(
    tmp_path: Path,
) -> None:
    day = read_scenario(
        lay(
            tmp_path / "d",
            calls_csv=calls("colour,promis", "red,"),
            vans_toml=VANS + 'radio = "4"\n',
            travel_csv="from,to,km\n",
        )
    )
    colour, promise, radio, travel = sorted(
        day.notices,
        key=lambda text: ("colour", "promis", "radio", "travel").index(
            next(
                word for word in ("colour", "promis", "radio", "travel") if word in text
            )
        ),
    )
    assert colour.startswith("calls.csv")
    assert "did you mean 'promise'" in promise
    assert "van.radio" in radio
    assert "does not name it" in travel


def test_needs_read_as_one_writes_them(tmp_path: Path) -> None:
    cell = "FOB-1 | FOB-2 only x3 | FOB-2 or KIT x2 | CELL x 4"
    (call,) = read_scenario(lay(tmp_path / "d", calls_csv=calls("needs", cell))).calls
    assert call.needs == (
        Need(alternatives=("FOB-1", "FOB-2")),  # its own substitute
        Need(alternatives=("FOB-2",), quantity=3),
        Need(alternatives=("FOB-2", "KIT"), quantity=2),
        Need(alternatives=("CELL",), quantity=4),
    )


def test_windows_of_a_call_are_put_in_order(tmp_path: Path) -> None:
    cell = "13.00 - 17.00 | 8:00\u201310:30"
    (call,) = read_scenario(lay(tmp_path / "d", calls_csv=calls("windows", cell))).calls
    assert call.windows == (
        Window(start_s=28800, end_s=37800),
        Window(start_s=46800, end_s=61200),
    )


def test_ready_items_are_the_kinds_unless_the_row_says_otherwise(
    tmp_path: Path,
) -> None:
    text = (
        "id,lat,lon,kind,code,code_lead_h,code_cost,authority,keys_present,battery\n"
        "1,50,8,add_key,open,16,52.5,done,waived by Ida F.,not needed\n"
    )
    (call,) = read_scenario(lay(tmp_path / "d", calls_csv=text)).calls
    ready = {item.kind: item for item in call.ready}
    assert ready[ReadyKind.CODE].lead_time_s == 16 * 3600
    assert ready[ReadyKind.CODE].cost_cents == 5250
    assert ready[ReadyKind.AUTHORITY].state is ReadyState.DONE
    assert ready[ReadyKind.KEYS_PRESENT].waived_by == "Ida F."
    assert ReadyKind.BATTERY not in ready
    assert ready[ReadyKind.SIGNAL].state is ReadyState.OPEN  # the kind's own


def test_a_ready_item_can_be_asked_for_beyond_the_kind(tmp_path: Path) -> None:
    (call,) = read_scenario(lay(tmp_path / "d", calls_csv=calls("code", "open"))).calls
    assert [item.kind for item in call.ready] == [ReadyKind.CODE, ReadyKind.AUTHORITY]


def test_a_long_visit_given_by_its_median_keeps_the_kinds_spread(
    tmp_path: Path,
) -> None:
    rows = calls("median_min", "90")
    (call,) = read_scenario(lay(tmp_path / "d", calls_csv=rows)).calls
    assert (call.median_s, call.p90_s) == (5400, 12000)  # 100/45 of 90 min


def test_a_night_shift_may_run_past_midnight(tmp_path: Path) -> None:
    text = VANS.replace("08:00-17:00", "18:00-26:30")
    (van,) = read_scenario(lay(tmp_path / "d", vans_toml=text)).vans
    assert van.shift == Window(start_s=18 * 3600, end_s=26 * 3600 + 1800)


def test_a_van_from_home_does_not_load_at_the_shop(tmp_path: Path) -> None:
    text = VANS + 'start = { lat = 50.02, lon = 8.02, name = "home" }\n'
    (van,) = read_scenario(lay(tmp_path / "d", vans_toml=text)).vans
    assert van.start is not None
    assert van.start.name == "home"
    assert van.finish == van.start
    assert not van.loads_at_shop


def test_a_van_at_the_shop_that_does_not_load_there_is_pointed_out(
    tmp_path: Path,
) -> None:
    text = VANS + 'start = { lat = 50.0, lon = 8.0, name = "yard" }\n'
    day = read_scenario(lay(tmp_path / "d", vans_toml=text))
    assert not day.vans[0].loads_at_shop
    (notice,) = day.notices
    assert "van 'V1' starts where the shop is" in notice
    assert "loads_at_shop = true" in notice
    for said in ("true", "false"):  # whoever says either has thought of it
        text_said = f"{text}loads_at_shop = {said}\n"
        assert read_scenario(lay(tmp_path / said, vans_toml=text_said)).notices == ()


def test_a_van_may_start_and_finish_anywhere(tmp_path: Path) -> None:
    text = VANS + 'start = "anywhere"\nfinish = "shop"\nloads_at_shop = true\n'
    day = read_scenario(lay(tmp_path / "d", vans_toml=text))
    (van,) = day.vans
    assert (van.start, van.finish, van.loads_at_shop) == (None, day.shop.place, True)


def test_lead_times_count_from_the_evening_that_was_named(tmp_path: Path) -> None:
    text = "planned_at = 2026-12-02T17:30:00\n" + DAY
    assert read_scenario(lay(tmp_path / "d", day_toml=text)).planned_at_s == -23400


def test_a_missing_job_log_and_a_strange_one_break_nothing(tmp_path: Path) -> None:
    day = read_scenario(lay(tmp_path / "d", log_csv=b"\xff\xfe\x00"))
    assert day.notices == read_scenario(lay(tmp_path / "e")).notices


def test_costs_that_nobody_named_are_said_aloud(tmp_path: Path) -> None:
    text = DAY.replace("[costs]\nkm = 0.45\nhour = 30\n", "")
    day = read_scenario(lay(tmp_path / "d", day_toml=text))
    assert day.vans[0].rates.km_cents == 50
    assert "0.50 a kilometre" in day.notices[0]


# --- the clock ------------------------------------------------------------------


def test_the_rush_hour_comes_when_the_clock_says_so_on_a_day_of_23_hours() -> None:
    clock = DayClock(date(2027, 3, 28), ZoneInfo("Europe/Berlin"))  # 2 to 3 is missing
    town = traffic_profiles()["town"]
    resolved = resolve_traffic(town, clock)
    at_eight_s = clock.seconds("08:00")
    assert at_eight_s == 7 * 3600
    assert resolved.speed_permille[at_eight_s // resolved.slot_s] == 780
    assert resolved.slot_s * len(resolved.speed_permille) == 48 * 3600


@given(
    day=st.dates(date(1975, 1, 1), date(2100, 1, 1)),
    zone=st.sampled_from(
        ["Europe/Berlin", "America/St_Johns", "Australia/Lord_Howe", "Asia/Kolkata"]
    ),
    second=st.integers(0, 48 * 3600 - 1),
    name=st.sampled_from(sorted(traffic_profiles())),
)
@settings(deadline=None, max_examples=60)
def test_traffic_at_any_second_is_the_profiles_at_that_clock_time(
    day: date, zone: str, second: int, name: str
) -> None:
    clock, profile = DayClock(day, ZoneInfo(zone)), traffic_profiles()[name]
    resolved = resolve_traffic(profile, clock)
    slot = min(second // resolved.slot_s, len(resolved.speed_permille) - 1)
    assert (
        resolved.speed_permille[slot]
        == profile.speed_permille[clock.instant(second).hour]
    )


def test_own_speeds_are_read_by_the_clock(tmp_path: Path) -> None:
    speeds = [1000] * 8 + [500] + [1000] * 15
    text = f"{DAY}[travel.traffic]\nslot_min = 60\nspeed_permille = {speeds}\n"
    traffic = read_scenario(lay(tmp_path / "d", day_toml=text)).travel.traffic
    assert traffic.speed_permille[31] == 1000  # 07:45
    assert traffic.speed_permille[32] == 500  # 08:00
    assert traffic.speed_permille[35] == 500  # 08:45
    assert traffic.speed_permille[36] == 1000  # 09:00
    assert traffic.speed_permille[96 + 32] == 500  # 08:00 of the next day


def test_a_clock_time_that_summer_time_skips_is_refused(tmp_path: Path) -> None:
    fault = the_fault(
        tmp_path / "d",
        day_toml=DAY.replace("2026-12-03", "2027-03-28"),
        calls_csv=calls("promise", "02:30-05:00"),
    )
    assert (fault.row, fault.column) == (2, "promise")
    assert "the clock jumps over 02:30" in fault.expected


# --- a given table of driving times ----------------------------------------------

MATRIX = '[travel]\nmatrix = "travel.csv"\n'


def test_a_given_table_of_driving_times_is_taken(tmp_path: Path) -> None:
    table = "from;to;minutes;km\nshop;call:1;7,5;3,25\ncall:1;shop;8;3,25\n"
    day = read_scenario(lay(tmp_path / "d", day_toml=DAY + MATRIX, travel_csv=table))
    assert day.travel.matrix == {
        ("shop", "call:1"): (450, 3250),
        ("call:1", "shop"): (480, 3250),
    }


def test_a_table_of_driving_times_with_gaps_is_refused(tmp_path: Path) -> None:
    fault = the_fault(
        tmp_path / "d",
        day_toml=DAY + MATRIX,
        travel_csv="from,to,minutes,km\nshop,call:1,7.5,3.25\n",
    )
    assert "1 pairs missing, such as call:1 to finish:V1" in fault.got


def test_a_table_of_driving_times_that_is_named_must_be_there(tmp_path: Path) -> None:
    fault = the_fault(tmp_path / "d", day_toml=DAY + MATRIX)
    assert (fault.file, fault.got) == ("travel.csv", "no such file")


# --- the format's reference --------------------------------------------------------

REFERENCE = (DEMOS / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "word",
    [
        *CALL_COLUMNS[: CALL_COLUMNS.index(ReadyKind.CODE)],
        *ReadyKind,
        *(f"code_{detail}" for detail in READY_DETAILS),
        *PART_COLUMNS,
        *VAN_KEYS,
        *HEAD_KEYS,
        *traffic_profiles(),
    ],
)
def test_the_reference_describes_every_column_and_key(word: str) -> None:
    assert f"`{word}`" in REFERENCE


def test_the_examples_of_the_reference_are_a_sound_folder(tmp_path: Path) -> None:
    for file in FOLDER:
        chapter = REFERENCE.split(f"## {file}\n", 1)[1]
        example = chapter.split("```", 2)[1].split("\n", 1)[1]
        (tmp_path / file).write_text(example, encoding="utf-8")
    day = read_scenario(tmp_path)
    assert [call.id for call in day.calls] == ["101", "102"]
    assert day.links == (Link(first="101", then="102", min_gap_s=3600),)
    assert day.counters[0].prices == {"FOB-31": 4190}
    assert day.parts["FOB-32"].spoil_rate == 0.04
    assert day.notices == ()


# --- faults ----------------------------------------------------------------------


def test_faults_of_all_files_come_in_one_list(tmp_path: Path) -> None:
    found = faults(
        tmp_path / "d",
        day_toml=DAY.replace("Europe/Berlin", "Europe/Berln"),
        vans_toml=VANS.replace("08:00-17:00", "8-17"),
        parts_csv=PARTS.replace("38.50", "cheap"),
        stock_csv=STOCK.replace("shop,CELL,4", "shop,CELL,-4"),
        calls_csv=CALLS.replace("rekey", "rekay"),
    )
    assert [(fault.file, fault.row, fault.column) for fault in found] == [
        ("day.toml", 3, "zone"),
        ("parts.csv", 2, "unit_cost"),
        ("vans.toml", 3, "van.shift"),
        ("stock.csv", 3, "quantity"),
        ("calls.csv", 2, "kind"),
    ]
    assert "did you mean 'Europe/Berlin'" in found[0].expected
    assert "did you mean 'rekey'" in found[4].expected


@pytest.mark.parametrize(
    "word", ["key_programming", "Key programming", "key-programming"]
)
def test_a_skill_may_be_written_as_people_write(tmp_path: Path, word: str) -> None:
    folder = lay(
        tmp_path / "d",
        vans_toml=f'{VANS}skills = ["{word}"]\n',
        calls_csv=calls("skills", word),
    )
    day = read_scenario(folder)
    assert day.vans[0].skills == {"key_programming"}
    assert day.calls[0].skills == {"pinning", "key_programming"}
    assert day.notices == ()


def test_a_skill_that_nothing_asks_for_is_noted_when_it_looks_misspelt(
    tmp_path: Path,
) -> None:
    folder = lay(
        tmp_path / "d",
        vans_toml=VANS + 'skills = ["pining"]\nequipment = ["low_roof"]\n',
        calls_csv=calls("equipment", "low_roof"),
    )
    (notice,) = read_scenario(folder).notices
    assert notice == (
        "vans.toml: no work asks for 'pining' among the skills of van 'V1'; did you "
        "mean 'pinning'?"
    )


def test_a_folder_that_is_not_there_is_a_fault(tmp_path: Path) -> None:
    with pytest.raises(InvalidInput, match="no such folder"):
        read_scenario(tmp_path / "nowhere")


@pytest.mark.parametrize("kept", FOLDER)
def test_each_missing_file_is_named_and_nothing_follows_from_it(
    tmp_path: Path, kept: str
) -> None:
    gone = {name.replace(".", "_"): None for name in FOLDER if name != kept}
    found = [
        fault
        for fault in faults(tmp_path / "d", **gone)
        if fault.got == "no such file" or fault.file != kept
    ]
    assert {fault.file for fault in found} == set(FOLDER) - {kept}
    assert {fault.got for fault in found} == {"no such file"}


def test_a_folder_of_days_is_asked_which_day_is_meant(tmp_path: Path) -> None:
    lay(tmp_path / "monday")
    with pytest.raises(InvalidInput) as caught:
        read_scenario(tmp_path)
    (fault,) = caught.value.faults
    assert fault.file == str(tmp_path)
    assert fault.got == "a folder without any of a day's files"
    assert fault.expected.endswith("is it one of the folders in it: monday?")


def test_a_file_of_a_day_points_to_its_folder(tmp_path: Path) -> None:
    folder = lay(tmp_path / "monday")
    with pytest.raises(InvalidInput) as caught:
        read_scenario(folder / "calls.csv")
    (fault,) = caught.value.faults
    assert fault.got == "a file"
    assert fault.expected.endswith(f"is it '{folder}'?")


@pytest.mark.parametrize("name", ["calls.csv.txt", "calls.xlsx", "Calls.CSV.bak"])
def test_a_file_with_nearly_the_right_name_is_pointed_out(
    tmp_path: Path, name: str
) -> None:
    folder = lay(tmp_path / "d", calls_csv=None)
    (folder / name).write_text(CALLS, encoding="utf-8")
    with pytest.raises(InvalidInput) as caught:
        read_scenario(folder)
    (fault,) = caught.value.faults
    assert fault.got == "no such file"
    assert fault.expected.endswith(f"; is it '{name}'?")


def test_a_misspelt_key_is_pointed_out_where_the_right_one_is_missing(
    tmp_path: Path,
) -> None:
    fault = the_fault(tmp_path / "d", day_toml=DAY.replace("lon = 8.0\n", "long = 8\n"))
    assert (fault.column, fault.got) == ("shop.lon", "nothing")
    assert fault.expected.endswith("is it 'long'?")


def test_a_day_without_calls_is_a_day_that_says_so(tmp_path: Path) -> None:
    day = read_scenario(lay(tmp_path / "d", calls_csv="id,lat,lon,kind\n"))
    assert day.calls == ()
    assert day.notices == ("calls.csv: no call below the header",)


@pytest.mark.parametrize("text", ["8am-12pm", "1:00 PM-3:00 PM", "08:00-1 p.m."])
def test_a_clock_of_twelve_hours_is_told_of_the_one_of_24(
    tmp_path: Path, text: str
) -> None:
    fault = the_fault(tmp_path / "d", calls_csv=calls("promise", text))
    assert fault.expected == "the 24-hour clock: 13:00 for 1 PM"


@pytest.mark.parametrize(
    "text", ["09:00-12:00, 14:00-17:00", "09:00-12:00 14:00-17:00"]
)
def test_several_windows_without_a_bar_are_told_how_to_stand(
    tmp_path: Path, text: str
) -> None:
    fault = the_fault(tmp_path / "d", calls_csv=calls("windows", f'"{text}"'))
    assert "08:00-10:00 | 13:00-17:00" in fault.expected


def test_a_missing_parts_file_does_not_condemn_every_need(tmp_path: Path) -> None:
    fault = the_fault(tmp_path / "d", parts_csv=None, calls_csv=calls("needs", "FOB-1"))
    assert fault.file == "parts.csv"


def test_lines_are_counted_as_an_editor_counts_them(tmp_path: Path) -> None:
    text = 'id,lat,lon,kind,note\n\n1,50,8,rekey,"two\nlines"\n\n2,50,8,sorcery,\n'
    fault = the_fault(tmp_path / "d", calls_csv=text)
    assert fault.row == 6


def test_no_cell_is_lost_where_a_stray_quotation_mark_joins_lines(
    tmp_path: Path,
) -> None:
    # The mark before 1 makes one cell of '1,50,8,rekey\n2'; its record has 4 more.
    text = 'id,lat,lon,kind\n"1,50,8,rekey\n2",50,8,rekey,9\n'
    found = faults(tmp_path / "d", calls_csv=text)
    assert found[0].row == 2
    assert "more cells than the header has columns, from '9'" in found[0].got


def test_a_line_with_too_many_cells_is_one_fault_whatever_is_shifted(
    tmp_path: Path,
) -> None:
    text = (
        "id,lat,lon,kind,windows,priority\n"
        "1,50,01,8,01,rekey,08:00-09:00,2\n"  # decimal commas between commas
        "2,50,8,sorcery,,\n"
    )
    first, second = faults(tmp_path / "d", calls_csv=text)
    assert (first.row, first.column) == (2, None)
    assert "more cells" in first.got
    assert (second.row, second.column) == (3, "kind")


@pytest.mark.parametrize(
    ("text", "dialect"),
    [
        ("id,lat,lon\n1,50.5,8.5\n", Dialect(separator=",", decimal=".")),
        ("id;lat;lon\r\n1;50,5;8,5\r\n", Dialect(separator=";", decimal=",")),
        ("id;lat;lon\n1;50.5;8.5\n", Dialect(separator=";", decimal=".")),
        ("id\tlat\tlon\n1\t-50,5\t8,5\n", Dialect(separator="\t", decimal=",")),
        ("id;note\n1;2, 3 or 4,5 keys\n", Dialect(separator=";", decimal=".")),
        ("", USUAL),
    ],
)
def test_how_a_table_is_written_is_seen_from_its_cells(
    tmp_path: Path, text: str, dialect: Dialect
) -> None:
    (tmp_path / "calls.csv").write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert find_dialect(tmp_path / "calls.csv") == dialect
    assert find_dialect(tmp_path / "no.csv") == USUAL


CELL_FAULTS = [
    ("kind", "add key please", "did you mean 'add_key'"),
    ("kind", "", "a kind of work"),
    ("id", "a|b", "an id"),
    ("id", "", "an id"),
    ("lat", "91", "from -90 to 90"),
    ("lat", "", "decimal degrees"),
    ("lon", "1e3", "decimal degrees"),
    ("lat", "0", "within 1000 km"),
    ("windows", "10:00-08:00", "ends after it starts"),
    ("windows", "22:00-02:00", "past midnight write 22:00-26:00"),
    ("windows", "16:00-13:00", "ends after it starts"),
    ("needs", "NIX | CELL | WEG", "no 'NIX', no 'WEG'"),
    ("windows", "08:00-10:00 | 09:59-11:00", "do not overlap"),
    ("windows", "8 to ten", "a local clock time"),
    ("windows", "08:60-09:00", "a local clock time"),
    ("windows", "morning", "a window such as"),
    ("promise", "08:00-09:00 | 10:00-11:00", "a window such as"),
    ("median_min", "0", "more than 0"),
    ("median_min", "1.500", "ambiguous"),
    ("median_min", "1441", "from 0 to 1440"),
    ("p90_min", "10", "at least the median of 45 min"),
    ("needs", "FOB-9", "did you mean 'FOB-"),
    ("needs", "FOB-1 x0", "a quantity from 1"),
    ("needs", "FOB-1 x1.5", "it has no"),
    ("priority", "0", "a priority"),
    ("priority", "5", "a priority"),
    ("required_van", "V2", "a van in vans.toml (V1)"),
    ("authority", "perhaps", "waived by NAME"),
    ("authority", "waived", "waived by NAME"),
    ("code_lead_h", "5", "'open' in the column code"),
    ("authority_cost", "1.234", "ambiguous"),
    ("authority_cost", "4.505,1", "no thousands separators"),
    ("authority_cost", "12.3456", "at most two decimals"),
    ("authority_cost", "-1", "from 0"),
    ("authority_lead_h", "99999", "hours from 0"),
]


@pytest.mark.parametrize(("column", "cell", "expected"), CELL_FAULTS)
def test_a_wrong_cell_of_a_call_is_found_with_its_place(
    tmp_path: Path, column: str, cell: str, expected: str
) -> None:
    row = {"id": "1", "lat": "50.01", "lon": "8.01", "kind": "rekey"} | {column: cell}
    text = f"{';'.join(row)}\n{';'.join(row.values())}\n"
    fault = the_fault(tmp_path / "d", calls_csv=text)
    assert (fault.file, fault.row, fault.column) == ("calls.csv", 2, column)
    assert expected in fault.expected


def test_swapped_coordinates_are_recognised(tmp_path: Path) -> None:
    fault = the_fault(tmp_path / "d", calls_csv="id,lat,lon,kind\n1,8.01,50.01,rekey\n")
    assert fault.got == "8.01, 50.01"
    assert "look swapped" in fault.expected


def test_a_promise_outside_the_customers_windows_is_refused(tmp_path: Path) -> None:
    fault = the_fault(
        tmp_path / "d",
        calls_csv=calls("windows,promise", "08:00-10:00,11:00-12:00"),
    )
    assert fault.column == "promise"
    assert "08:00-10:00" in fault.expected


TABLE_FAULTS = [
    ("calls_csv", "", "calls.csv", None, "an empty file"),
    ("calls_csv", " \n\n", "calls.csv", None, "an empty file"),
    ("calls_csv", "id,lat,kind\n", "calls.csv", 1, "no such column"),
    ("calls_csv", CALLS + "2,50,8,rekey,5\n", "calls.csv", 3, "more cells"),
    ("calls_csv", CALLS + "1,50,8,rekey\n", "calls.csv", 3, "'1'"),
    ("calls_csv", CALLS + '2,50,8,"rekey\n', "calls.csv", 3, "never closed"),
    ("calls_csv", "id,lat,lon,kind,id\n", "calls.csv", 1, "twice"),
    ("calls_csv", b"id,lat,lon,kind\n1,50,8,r\xe9key\n", "calls.csv", 2, "0xE9"),
    ("calls_csv", b"PK\x00\x03", "calls.csv", 1, "U+0000"),
    ("calls_csv", b"PK\x03\x04\x00", "calls.csv", None, "a spreadsheet file"),
    ("calls_csv", b"\xd0\xcf\x11\xe0\xa1", "calls.csv", None, "an old spreadsheet"),
    ("calls_csv", CALLS.encode("utf-16"), "calls.csv", None, "UTF-16"),
    # The mark opens on line 2 and closes on line 3: one call, too many cells.
    (
        "calls_csv",
        'id,lat,lon,kind,note\n1,50,8,rekey,"a\n2,"50",8,rekey,b\n',
        "calls.csv",
        2,
        "more cells",
    ),
    ("day_toml", DAY.replace("50.0", "50,0"), "day.toml", 5, "'lat = 50,0'"),
    ("calls_csv", "," * 300, "calls.csv", 1, "more than 256 cells"),
    ("stock_csv", STOCK + "V1,FOB-1,2\n", "stock.csv", 5, "again"),
    ("stock_csv", STOCK + "V2,FOB-1,2\n", "stock.csv", 5, "'V2'"),
    ("stock_csv", STOCK + "V1,FOB-9,2\n", "stock.csv", 5, "'FOB-9'"),
    ("stock_csv", STOCK + "V1,KIT,2\n", "stock.csv", 5, "'KIT'"),
    ("stock_csv", STOCK + "V1,CELL,1.5\n", "stock.csv", 5, "'1.5'"),
    ("stock_csv", STOCK + "V1,CELL,1.000\n", "stock.csv", 5, "'1.000'"),
    ("stock_csv", STOCK + "V1,CELL,10000000\n", "stock.csv", 5, "'10000000'"),
    ("parts_csv", PARTS + "FOB-1,,,,\n", "parts.csv", 6, "'FOB-1'"),
    ("parts_csv", PARTS + "A B,,,,\n", "parts.csv", 6, "'A B'"),
    ("parts_csv", PARTS + "K2,,,,KIT\n", "parts.csv", 6, "'KIT'"),
    ("parts_csv", PARTS + "K2,,,,K2 | CELL\n", "parts.csv", 6, "'K2 | CELL'"),
    ("parts_csv", PARTS + "K2,,,,NIX\n", "parts.csv", 6, "'NIX'"),
    ("parts_csv", PARTS + "P,,,NIX,\n", "parts.csv", 6, "'NIX'"),
    ("vans_toml", VANS + VANS, "vans.toml", 5, "'V1'"),
    ("vans_toml", VANS.replace("V1", "shop"), "vans.toml", 2, "'shop'"),
    ("vans_toml", VANS + 'start = "shpo"', "vans.toml", 4, "'shpo'"),
    ("vans_toml", VANS + "loads_at_shop = 3", "vans.toml", 4, "'3'"),
    ("vans_toml", VANS + "start = {lat=0, lon=0}", "vans.toml", 4, "0, 0"),
    (
        "vans_toml",
        VANS + 'meal = {window="12:00-12:20", length_min=30}',
        "vans.toml",
        4,
        "'30'",
    ),
    (
        "vans_toml",
        VANS + 'meal = {window="18:00-19:00", length_min=30}',
        "vans.toml",
        4,
        "'18:00-19:00'",
    ),
    ("vans_toml", "van = 3", "vans.toml", 1, "'3'"),
    ("vans_toml", "[van]\nid=", "vans.toml", 2, "Invalid value"),
    (
        "day_toml",
        DAY.replace("2026-12-03", '"2026-13-03"'),
        "day.toml",
        2,
        "'2026-13-03'",
    ),
    (
        "day_toml",
        DAY.replace("2026-12-03", "1900-01-01"),
        "day.toml",
        2,
        "'1900-01-01'",
    ),
    ("day_toml", DAY.replace("50.0\n", "inf\n"), "day.toml", 5, "'Infinity'"),
    ("day_toml", "cushion = 1.5\n" + DAY, "day.toml", 1, "'1.5'"),
    ("day_toml", "service_level = 1\n" + DAY, "day.toml", 1, "'1'"),
    ("day_toml", 'distance = "miles"\n' + DAY, "day.toml", 1, "'miles'"),
    ("day_toml", DAY.replace("kiln", "shop"), "day.toml", 11, "'shop'"),
    ("day_toml", DAY + '[travel]\ntraffic = "twon"\n', "day.toml", 16, "'twon'"),
]


@pytest.mark.parametrize(("name", "text", "file", "row", "got"), TABLE_FAULTS)
def test_a_wrong_file_is_found_with_its_place(
    tmp_path: Path, name: str, text: str | bytes, file: str, row: int | None, got: str
) -> None:
    found = faults(tmp_path / "d", **{name: text})
    assert (found[0].file, found[0].row) == (file, row)
    assert got in found[0].got


def test_a_part_that_stands_in_for_itself_in_a_circle_does_no_harm(
    tmp_path: Path,
) -> None:
    rows = calls("needs", "FOB-2")
    (call,) = read_scenario(lay(tmp_path / "d", calls_csv=rows)).calls
    assert call.needs[0].alternatives == ("FOB-2", "FOB-1")


# --- fetching, sharing, handing over ------------------------------------------------

TOOL = '[[tool]]\nid = "Laser cutter"\nhandover = true\n'
CUTTING = calls("equipment", "laser-cutter")
RESTOCK = DAY.replace("lon = 8.0\n", "lon = 8.0\nrestock_min = 12.5\n")


def test_a_store_with_a_restock_time_is_visited_on_the_way(tmp_path: Path) -> None:
    folder = lay(tmp_path / "d", day_toml=RESTOCK + "restock_min = 15\n")
    day = read_scenario(folder)
    assert day.shop.restock_s == 750
    assert day.counters[0].restock_s == 900
    plain = read_scenario(lay(tmp_path / "p"))
    assert (plain.shop.restock_s, plain.counters[0].restock_s) == (None, None)


def test_a_counter_that_never_opens_long_enough_is_refused(tmp_path: Path) -> None:
    text = DAY.replace("07:00-16:00", "12:00-12:10")
    fault = the_fault(tmp_path / "d", day_toml=text + "restock_min = 15\n")
    assert (fault.row, fault.column, fault.got) == (
        15,
        "counter.restock_min",
        "'15'",
    )
    assert fault.expected == "a stop that fits into the opening 12:00-12:10"


def test_a_counter_has_prices_of_its_own(tmp_path: Path) -> None:
    text = "holder,part,quantity,price\nkiln,FOB-2,2,47.5\nkiln,CELL,9,\nV1,CELL,1,\n"
    (kiln,) = read_scenario(lay(tmp_path / "d", stock_csv=text)).counters
    assert kiln.prices == {"FOB-2": 4750}
    assert kiln.stock == {"FOB-2": 2, "CELL": 9}


@pytest.mark.parametrize("holder", ["V1", "shop"])
def test_nobody_but_a_counter_has_prices(tmp_path: Path, holder: str) -> None:
    text = f"holder,part,quantity,price\n{holder},FOB-2,2,47.5\n"
    fault = the_fault(tmp_path / "d", stock_csv=text)
    assert (fault.file, fault.row, fault.column) == ("stock.csv", 2, "price")
    assert "parts.csv, unit_cost" in fault.expected


def test_vans_share_the_tools_that_lie_in_the_shop(tmp_path: Path) -> None:
    folder = lay(tmp_path / "d", day_toml=RESTOCK + TOOL, calls_csv=CUTTING)
    day = read_scenario(folder)
    assert day.tools == (Tool(id="laser_cutter", handover=True),)
    assert "laser_cutter" in day.calls[0].equipment
    assert day.notices == ()


def test_a_tool_that_no_van_can_take_along_is_refused(tmp_path: Path) -> None:
    fault = the_fault(
        tmp_path / "d",
        day_toml=RESTOCK + TOOL,
        calls_csv=CUTTING,
        vans_toml=VANS + "loads_at_shop = false\n",
    )
    assert (fault.file, fault.column, fault.got) == (
        "day.toml",
        "tool.id",
        "'Laser cutter'",
    )
    assert "no van loads at the shop" in fault.expected


def test_a_tool_that_cannot_change_hands_is_pointed_out(tmp_path: Path) -> None:
    day = read_scenario(lay(tmp_path / "d", day_toml=DAY + TOOL, calls_csv=CUTTING))
    (notice,) = day.notices
    assert notice == (
        "day.toml: tool 'laser_cutter' cannot change hands during the day: [shop] has "
        "no restock_min"
    )


def test_a_tool_that_no_work_asks_for_is_noted_with_what_is_meant(
    tmp_path: Path,
) -> None:
    rows = calls("equipment", "lazer_cutter")
    day = read_scenario(lay(tmp_path / "d", day_toml=RESTOCK + TOOL, calls_csv=rows))
    tool, call = day.notices
    assert tool == (
        "day.toml: no work asks for the tool 'laser_cutter'; did you mean "
        "'lazer_cutter'?"
    )
    assert call == (
        "calls.csv: call '1' asks for 'lazer_cutter', which no van carries and no "
        "tool is; did you mean 'laser_cutter'?"
    )


def test_parts_are_handed_over_only_where_the_day_says_so(tmp_path: Path) -> None:
    two = VANS + VANS.replace("V1", "V2")
    assert not read_scenario(lay(tmp_path / "a", vans_toml=two)).exchange
    day = read_scenario(
        lay(tmp_path / "b", day_toml="exchange = true\n" + DAY, vans_toml=two)
    )
    assert day.exchange
    assert day.notices == ()


def test_an_exchange_without_two_vans_at_one_place_is_pointed_out(
    tmp_path: Path,
) -> None:
    day = read_scenario(lay(tmp_path / "d", day_toml="exchange = true\n" + DAY))
    assert day.notices == (
        "day.toml: exchange = true, but no two vans start at one place",
    )


def test_a_store_on_the_way_needs_its_lines_in_the_table_of_drives(
    tmp_path: Path,
) -> None:
    table = "from,to,minutes,km\nshop,call:1,7,3\ncall:1,shop,8,3\n"
    text = DAY + "restock_min = 15\n" + MATRIX
    fault = the_fault(tmp_path / "d", day_toml=text, travel_csv=table)
    # call 1 and the counter both ways, the counter from V1's start and to its finish
    assert fault.got.startswith("4 pairs missing, such as call:1 to store:kiln")
    table += "store:kiln,call:1,2,1\ncall:1,store:kiln,2,1\n"
    table += "shop,store:kiln,9,4\nstore:kiln,shop,9,4\n"
    day = read_scenario(lay(tmp_path / "e", day_toml=text, travel_csv=table))
    assert day.travel.matrix is not None
    assert day.travel.matrix["call:1", "store:kiln"] == (120, 1000)


# --- drivers -------------------------------------------------------------------------


def test_who_has_a_skill_at_level_three_has_it_below(tmp_path: Path) -> None:
    text = VANS + 'skills = ["Pinning 3", "door entry 1", "class 2020"]\n'
    folder = lay(tmp_path / "d", vans_toml=text, calls_csv=calls("skills", "pinning-2"))
    day = read_scenario(folder)
    assert day.vans[0].skills == {
        "pinning",
        "pinning 2",
        "pinning 3",
        "door_entry",
        "class_2020",  # a year is no level
    }
    assert day.calls[0].skills == {"pinning", "pinning 2"}
    assert day.notices == ()


def test_a_level_that_no_driver_has_is_noted(tmp_path: Path) -> None:
    text = VANS + 'skills = ["pinning 2"]\n'
    folder = lay(tmp_path / "d", vans_toml=text, calls_csv=calls("skills", "pinning 4"))
    (notice,) = read_scenario(folder).notices
    assert notice.startswith(
        "calls.csv: call '1' asks for 'pinning 4', which no driver"
    )


def test_a_drivers_pace_is_one_figure_or_one_for_each_kind(tmp_path: Path) -> None:
    for text, pace in (
        ("pace = 1.25", {"*": 1.25}),
        ('pace = { Rekey = 0.8, "*" = 1.1 }', {"rekey": 0.8, "*": 1.1}),
        ('[van.pace]\n"*" = 2', {"*": 2.0}),
    ):
        (van,) = read_scenario(lay(tmp_path / "d", vans_toml=f"{VANS}{text}\n")).vans
        assert van.pace == pace


def test_limits_and_days_off_are_read(tmp_path: Path) -> None:
    text = "drive_limit_h = 4.5\nwork_limit_h = 9\noff = [2026-12-05, 2026-12-04]\n"
    (van,) = read_scenario(
        lay(tmp_path / "d", day_toml="days = 3\n" + DAY, vans_toml=VANS + text)
    ).vans
    assert (van.drive_limit_s, van.work_limit_s) == (16_200, 32_400)
    assert van.off == {date(2026, 12, 4), date(2026, 12, 5)}


def test_a_day_off_that_is_not_planned_is_pointed_out(tmp_path: Path) -> None:
    text = VANS + 'off = ["2027-12-03", "2026-12-03"]\n'
    (notice,) = read_scenario(lay(tmp_path / "d", vans_toml=text)).notices
    assert notice == (
        "vans.toml: van 'V1' is off on 2027-12-03, which is not planned here"
    )


def test_with_several_days_no_shift_runs_into_the_next(tmp_path: Path) -> None:
    text = VANS.replace("08:00-17:00", "18:00-26:30")
    long = text + "overtime_limit_min = 960\n"  # till 18:30
    read_scenario(lay(tmp_path / "a", vans_toml=long))
    read_scenario(lay(tmp_path / "b", day_toml="days = 2\n" + DAY, vans_toml=text))
    fault = the_fault(tmp_path / "c", day_toml="days = 2\n" + DAY, vans_toml=long)
    assert (fault.row, fault.column) == (3, "van.shift")
    assert "before the next day's begins" in fault.expected


VAN_FAULTS = [
    ("pace = 0.24", "van.pace", "from 0.25 to 4"),
    ("pace = 4.01", "van.pace", "from 0.25 to 4"),
    ("pace = { rekey = 5 }", "van.pace.rekey", "from 0.25 to 4"),
    ("pace = { rekee = 1 }", "van.pace", "did you mean 'rekey'?, or * for all others"),
    ("drive_limit_h = 0", "van.drive_limit_h", "more than 0 and at most 24"),
    ("drive_limit_h = 25", "van.drive_limit_h", "hours from 0 to 24"),
    ("work_limit_h = -1", "van.work_limit_h", "hours from 0 to 24"),
    ('off = ["Christmas"]', "van.off", "a date such as 2026-12-03"),
    ('skills = ["pinning 10"]', "van.skills", "levels are 1 to 9"),
    ('skills = ["pinning 0"]', "van.skills", "'pinning 0' is not"),
]


@pytest.mark.parametrize(("text", "column", "expected"), VAN_FAULTS)
def test_a_wrong_word_about_a_driver_is_found_with_its_place(
    tmp_path: Path, text: str, column: str, expected: str
) -> None:
    fault = the_fault(tmp_path / "d", vans_toml=f"{VANS}{text}\n")
    assert (fault.file, fault.row, fault.column) == ("vans.toml", 4, column)
    assert expected in fault.expected


def test_a_shift_across_midnight_is_told_how_to_stand(tmp_path: Path) -> None:
    text = VANS.replace("08:00-17:00", "22:00-06:00")
    fault = the_fault(tmp_path / "d", vans_toml=text)
    assert fault.expected.endswith("past midnight write 22:00-30:00")


# --- promises, preferences, several days ----------------------------------------------


def test_promises_are_kept_unless_the_day_says_otherwise(tmp_path: Path) -> None:
    plain = read_scenario(lay(tmp_path / "a"))
    assert not plain.promises_may_break
    assert (plain.late_hour_cents, plain.preference_cents) == (6000, 300)
    text = 'promises = "may break"\n' + DAY.replace(
        "hour = 30\n", "hour = 30\nlate_hour = 45.5\npreference = 0\n"
    )
    soft = read_scenario(lay(tmp_path / "b", day_toml=text))
    assert soft.promises_may_break
    assert (soft.late_hour_cents, soft.preference_cents) == (4550, 0)


def test_a_wish_to_keep_promises_is_read_for_one_day_alone(tmp_path: Path) -> None:
    text = "keep_percent = 90\n" + DAY
    assert read_scenario(lay(tmp_path / "a", day_toml=text)).keep_percent == 90
    assert read_scenario(lay(tmp_path / "b")).keep_percent is None
    for number, wrong in enumerate(("0", "100", "90.5", '"all"')):
        bad = f"keep_percent = {wrong}\n" + DAY
        with pytest.raises(InvalidInput, match="from 1 to 99"):
            read_scenario(lay(tmp_path / f"c{number}", day_toml=bad))
    with pytest.raises(InvalidInput, match="days = 1"):
        read_scenario(lay(tmp_path / "d", day_toml="days = 2\n" + text))


def test_a_preference_and_several_dates_are_read(tmp_path: Path) -> None:
    rows = calls("preference,dates", "9:00-10:00,2026-12-05|2026-12-03 | 2026-12-05")
    day = read_scenario(
        lay(tmp_path / "d", day_toml="days = 3\n" + DAY, calls_csv=rows)
    )
    (call,) = day.calls
    assert day.horizon == 3
    assert call.preference == Window(start_s=32_400, end_s=36_000)
    assert call.dates == (date(2026, 12, 3), date(2026, 12, 5))


WISH_FAULTS = [
    ("preference", "windows", "14:00-15:00", "08:00-10:00", "windows 08:00-10:00"),
    ("preference", "promise", "14:00-15:00", "08:00-10:00", "the promise 08:00-10:00"),
    ("dates", "note", "2026-12-06", "", "from 2026-12-03 to 2026-12-05"),
    ("dates", "note", "3.12.2026", "", "a date such as 2026-12-03"),
    ("dates", "promise", "2026-12-03 | 2026-12-04", "08:00-10:00", "for one day"),
]


@pytest.mark.parametrize(("column", "other", "cell", "said", "expected"), WISH_FAULTS)
def test_a_wish_that_cannot_be_met_is_found_with_its_place(
    tmp_path: Path, column: str, other: str, cell: str, said: str, expected: str
) -> None:
    rows = calls(f"{column},{other}", f"{cell},{said}")
    fault = the_fault(tmp_path / "d", day_toml="days = 3\n" + DAY, calls_csv=rows)
    assert (fault.file, fault.row, fault.column) == ("calls.csv", 2, column)
    assert expected in fault.expected


def test_a_date_beyond_the_only_day_says_how_to_plan_more(tmp_path: Path) -> None:
    fault = the_fault(tmp_path / "d", calls_csv=calls("dates", "2026-12-04"))
    assert fault.expected == (
        "2026-12-03, the only day planned (more with days = 2 to 7 in day.toml)"
    )


def test_a_wrong_date_of_the_day_does_not_condemn_every_date_of_a_call(
    tmp_path: Path,
) -> None:
    rows = linked("dates,promise,after", "2026-12-04,,", ",08:00-09:00,1")
    for number, (right, wrong) in enumerate(
        (("date = 2026", "date = 1926"), ("days = 3", "days = 9"))
    ):
        text = ("days = 3\n" + DAY).replace(right, wrong)
        folder = tmp_path / str(number)
        fault = the_fault(folder, day_toml=text, calls_csv=rows)
        assert fault.file == "day.toml"


def test_a_misspelt_start_does_not_condemn_the_tools(tmp_path: Path) -> None:
    fault = the_fault(
        tmp_path / "d",
        day_toml=RESTOCK + TOOL,
        calls_csv=CUTTING,
        vans_toml=VANS + 'start = "shpo"\n',
    )
    assert fault.file == "vans.toml"


HEAD_FAULTS = [
    ("days = 0\n" + DAY, 1, "days", "from 1 to 7"),
    ("days = 8\n" + DAY, 1, "days", "from 1 to 7"),
    ("days = 2.5\n" + DAY, 1, "days", "from 1 to 7"),
    ('promises = "break"\n' + DAY, 1, "promises", "'keep' or 'may break'"),
    ('exchange = "perhaps"\n' + DAY, 1, "exchange", "true or false"),
    (DAY + "restock_min = 0\n", 15, "counter.restock_min", "more than 0"),
    (DAY + TOOL + "quantity = 0\n", 18, "tool.quantity", "at least 1"),
    (DAY + TOOL + "quantity = -1\n", 18, "tool.quantity", "pieces from 0"),
    (DAY + TOOL + TOOL.lower(), 19, "tool.id", "each tool once"),
    (DAY + '[[tool]]\nname = "x"\n', 15, "tool.id", "an id of 1 to 64"),
]


@pytest.mark.parametrize(("text", "row", "column", "expected"), HEAD_FAULTS)
def test_a_wrong_word_about_the_day_is_found_with_its_place(
    tmp_path: Path, text: str, row: int, column: str, expected: str
) -> None:
    fault = the_fault(tmp_path / "d", day_toml=text)
    assert (fault.file, fault.row, fault.column) == ("day.toml", row, column)
    assert expected in fault.expected


def test_days_on_which_the_clock_changes_are_days_like_others(tmp_path: Path) -> None:
    text = "days = 3\n" + DAY.replace("2026-12-03", "2027-03-27")  # the clock: the 28th
    rows = "id,lat,lon,kind,windows,dates,promise,after,after_least_min\n"
    rows += "1,50.01,8.01,rekey,01:00-09:00,2027-03-28,,,\n"
    rows += "2,50.01,8.01,rekey,,2027-03-29,08:00-10:00,1,1500\n"
    day = read_scenario(lay(tmp_path / "d", day_toml=text, calls_csv=rows))
    # On a day of the first one's length.
    assert day.calls[0].windows == (Window(start_s=3600, end_s=9 * 3600),)
    assert day.calls[1].promise == Window(start_s=8 * 3600, end_s=10 * 3600)
    # Call 1 starts from 01:00 to 09:00 of the 28th, of which an hour is missing.
    # Planned are 45 min + 0.3 x 55 min = 61.5 min: over from 02:01:30 winter time, on
    # the clock 03:01:30, and 30 h 58 min 30 s before 10:00 of the 29th: 1858.5 min.
    late = rows.replace("1500", "1858")
    read_scenario(lay(tmp_path / "e", day_toml=text, calls_csv=late))
    fault = the_fault(
        tmp_path / "f", day_toml=text, calls_csv=rows.replace("1500", "1859")
    )
    assert (fault.row, fault.column) == (3, "after")


# --- visits that hang together ------------------------------------------------------


def linked(columns: str, *cells: str) -> str:
    """Return ``calls.csv`` with a rekey 1, 2, 3 ... for each line of cells."""
    lines = [f"{n},50.01,8.01,rekey,{cell}" for n, cell in enumerate(cells, 1)]
    return "\n".join((f"id,lat,lon,kind,{columns}", *lines)) + "\n"


def test_calls_that_hang_together_are_read(tmp_path: Path) -> None:
    rows = linked(
        "after,same_van,after_least_min,after_most_min",
        ",,,",
        "1,yes,90,",
        "1 | 2,no | yes,30,any | 240",
    )
    assert read_scenario(lay(tmp_path / "d", calls_csv=rows)).links == (
        Link(first="1", then="2", same_van=True, min_gap_s=5400),
        Link(first="1", then="3", min_gap_s=1800),
        Link(first="2", then="3", same_van=True, min_gap_s=1800, max_gap_s=14_400),
    )


LINK_FAULTS = [
    (linked("after", "", "9"), 3, "after", "it has no '9'"),
    (linked("after", "", "2"), 3, "after", "none comes after itself"),
    (linked("after", "", "1 | 1"), 3, "after", "each call once"),
    (linked("after", "2", "1"), 3, "after", "no circle: 2 after 1 after 2"),
    (
        linked("after", "2", "3", "1"),
        4,
        "after",
        "no circle: 3 after 1 after 2 after 3",
    ),
    (linked("same_van", "yes"), 2, "same_van", "in the column after"),
    (linked("after,same_van", ",", "1,perhaps"), 3, "same_van", "yes or no"),
    (
        linked("after,same_van", ",", ",", "1|2,yes|no|yes"),
        4,
        "same_van",
        "one entry for all calls of the column after, or one for each",
    ),
    (linked("after,after_least_min", ",", "1,-5"), 3, "after_least_min", "minutes"),
    (linked("after,after_most_min", ",", "1,10081"), 3, "after_most_min", "to 10080"),
    (
        linked("after,after_least_min,after_most_min", ",,", "1,60,30"),
        3,
        "after_most_min",
        "at least the 60 of after_least_min",
    ),
    # Rekeys take 61.5 min: the first ends from 09:01:30 to 10:00. 15:00 is more than
    # 299 min later; the second, over by 16:00, starts till 14:58:30, not 358 min later.
    (
        linked(
            "windows,promise,after,after_most_min",
            "08:00-10:00,,,",
            ",15:00-16:00,1,299",
        ),
        3,
        "after",
        "at least 0 min and at most 299 min from the end of call '1' to the start",
    ),
    (
        linked("windows,after,after_least_min", "08:00-10:00,,", "10:00-16:00,1,358"),
        3,
        "after",
        "at least 358 min from the end",
    ),
    (
        linked("windows,after", "12:00-14:00,", "08:00-10:00,1"),
        3,
        "after",
        "at least 0 min",
    ),
]


@pytest.mark.parametrize(("rows", "row", "column", "expected"), LINK_FAULTS)
def test_visits_that_cannot_hang_together_are_refused(
    tmp_path: Path, rows: str, row: int, column: str, expected: str
) -> None:
    fault = the_fault(tmp_path / "d", calls_csv=rows)
    assert (fault.file, fault.row, fault.column) == ("calls.csv", row, column)
    assert expected in fault.expected


@pytest.mark.parametrize(
    "rows",
    [
        linked(
            "windows,promise,after,after_most_min",
            "08:00-10:00,,,",
            ",15:00-16:00,1,300",
        ),
        # over at 09:01:30, starts at 14:58:30: 357 min
        linked("windows,after,after_least_min", "08:00-10:00,,", "10:00-16:00,1,357"),
        linked("after", "", "1", "1", "2 | 3"),  # no circle
        linked("windows,after", "08:00-08:30,", ",1"),  # too short by itself: a reason
    ],
)
def test_visits_that_can_just_hang_together_are_read(tmp_path: Path, rows: str) -> None:
    assert read_scenario(lay(tmp_path / "d", calls_csv=rows)).links


def test_every_circle_is_told_once(tmp_path: Path) -> None:
    rows = linked("after", "2", "1", "4", "3", "5")
    found = faults(tmp_path / "d", calls_csv=rows)
    assert sorted(fault.row or 0 for fault in found) == [3, 5, 6]
    assert [fault.expected for fault in found if fault.row != 6] == [
        "no circle: 2 after 1 after 2",
        "no circle: 4 after 3 after 4",
    ]


def test_a_quick_driver_makes_room_for_what_comes_after(tmp_path: Path) -> None:
    # At a pace of 0.5 the first is over at 08:30:45, 329.25 min before 14:00.
    rows = linked(
        "windows,promise,after,after_least_min",
        "08:00-10:00,,,",
        ",13:00-14:00,1,329",
    )
    fault = the_fault(tmp_path / "a", calls_csv=rows)
    assert fault.column == "after"
    read_scenario(lay(tmp_path / "b", calls_csv=rows, vans_toml=VANS + "pace = 0.5\n"))


def test_a_promise_that_may_break_makes_room_for_what_comes_before(
    tmp_path: Path,
) -> None:
    rows = linked("windows,promise,after", "12:00-14:00,,", ",09:00-10:00,1")
    assert the_fault(tmp_path / "a", calls_csv=rows).column == "after"
    soft = 'promises = "may break"\n' + DAY
    read_scenario(lay(tmp_path / "b", day_toml=soft, calls_csv=rows))


def test_one_van_cannot_be_two(tmp_path: Path) -> None:
    rows = linked(
        "required_van,after,same_van", "V1,,", ",1,yes", "V2,2,yes", "V2,1,no"
    )
    two = VANS + VANS.replace("V1", "V2")
    fault = the_fault(tmp_path / "d", calls_csv=rows, vans_toml=two)
    assert (fault.row, fault.column) == (4, "same_van")
    assert fault.expected == (
        "no, or one required van: call '1' asks for 'V1', call '3' asks for 'V2'"
    )


def test_dates_leave_room_for_the_call_before(tmp_path: Path) -> None:
    text = "days = 3\n" + DAY
    for first, then, row, column in (
        ("2026-12-05,", "2026-12-03 | 2026-12-04,", 3, "dates"),
        ("2026-12-04,", ",08:00-09:00", 3, "after"),  # promised: for the first day
    ):
        rows = linked("dates,promise,after", f"{first},", f"{then},1")
        fault = the_fault(tmp_path / "d", day_toml=text, calls_csv=rows)
        assert (fault.row, fault.column) == (row, column)
        assert f"call '1' can be over: it is not before {first[:-1]}" in fault.expected
    rows = linked("dates,after", "2026-12-05,", ",1")
    read_scenario(lay(tmp_path / "d", day_toml=text, calls_csv=rows))


# --- there and back ----------------------------------------------------------------


def back(day: Day) -> Day:
    """Return a day after writing and reading it."""
    with tempfile.TemporaryDirectory() as folder:
        write_scenario(day, Path(folder))
        return read_scenario(Path(folder))


@pytest.mark.parametrize(
    "name",
    [
        "one_van",
        "four_vans",
        "cannot_work",
        "short_of_parts",
        "three_days",
        "live_day",
    ],
)
def test_a_demo_reads_back_as_it_was_written(name: str) -> None:
    day = read_scenario(DEMOS / name)
    assert back(day) == day


def test_the_day_that_is_short_of_parts_is_as_its_readme_says() -> None:
    day = read_scenario(DEMOS / "short_of_parts")
    calls = {call.id: call for call in day.calls}
    ines, tam, joss = day.vans
    (bridge,) = day.counters

    def able(call_id: str) -> set[str]:
        tools = {tool.id for tool in day.tools}
        return {
            van.id
            for van in day.vans
            if calls[call_id].skills <= van.skills
            and calls[call_id].equipment <= van.equipment | tools
            and calls[call_id].required_van in {None, van.id}
        }

    holders = {store.id: store.stock for store in (day.shop, bridge)}
    holders |= {van.id: van.stock for van in day.vans}

    def held(part_id: str) -> set[str]:
        return {holder for holder, stock in holders.items() if part_id in stock}

    assert held("FOB-52") == {"bridge_counter"}
    extra_cents = bridge.prices["FOB-52"] - day.parts["FOB-52"].unit_cost_cents
    assert extra_cents == 450
    assert held("BLANK-61") == {"tam"}
    assert day.exchange
    assert ines.start == tam.start == joss.start
    assert [(tool.quantity, tool.handover) for tool in day.tools] == [(1, True)]
    assert (able("402"), able("403")) == ({"ines"}, {"joss"})
    assert able("404") == able("406") == {"tam"}
    # Whichever he does first, the other's promise is over when he is done.
    for first, then in (("404", "406"), ("406", "404")):
        early, late = calls[first].promise, calls[then].promise
        assert early is not None
        assert late is not None
        assert early.start_s + day.planned_s(calls[first], tam) > late.end_s
    assert able("405") == {"tam", "joss"}
    assert [calls[each].preference is not None for each in ("407", "411")] == [True] * 2
    (link,) = day.links
    assert (link.first, link.then, link.same_van) == ("408", "409", True)
    assert link.min_gap_s == 2 * 3600
    assert (joss.drive_limit_s, joss.work_limit_s) == (3 * 3600, 8 * 3600)


def test_the_three_days_are_as_their_readme_says() -> None:
    day = read_scenario(DEMOS / "three_days")
    calls = {call.id: call for call in day.calls}
    assert day.horizon == 3
    assert {c.id for c in day.calls if len(c.dates) == 2} == {
        "502",
        "504",
        "509",
        "512",
    }
    friday, saturday = date(2026, 12, 4), date(2026, 12, 5)
    assert calls["503"].dates == (friday,)
    # Bought at 17:00 on Wednesday, 30 hours: 23:00 on Thursday.
    assert day.ready_s(calls["503"]) == 23 * 3600
    stocks = [day.shop.stock, *(each.stock for each in (*day.counters, *day.vans))]
    assert not any("LOCK-77" in stock for stock in stocks)
    lead_s = day.parts["LOCK-77"].lead_time_s
    assert lead_s is not None
    assert day.planned_at_s + lead_s == 15 * 3600  # on Thursday
    (link,) = day.links
    assert (link.first, link.then, link.min_gap_s) == ("506", "507", 18 * 3600)
    assert calls["508"].dates == (saturday,)
    assert [van.id for van in day.vans if saturday in van.off] == ["zoe"]
    assert (calls["511"].promise is not None, calls["511"].dates) == (True, ())


@given(
    seed=st.integers(0, 10_000),
    sizes=st.tuples(st.integers(0, 12), st.integers(1, 4)),
    clock_change=st.booleans(),
)
@settings(deadline=None, max_examples=40)
def test_an_invented_day_reads_back_as_it_was_written(
    seed: int, sizes: tuple[int, int], *, clock_change: bool
) -> None:
    day = generate_day(seed, *sizes, clock_change=clock_change)
    said = () if day.calls else ("calls.csv: no call below the header",)
    assert back(day) == replace(day, notices=said)


def test_odd_seconds_own_traffic_and_a_matrix_read_back_too() -> None:
    rekey = kinds()["rekey"]
    call = a_call(
        "C 1",
        kind="rekey",
        place=at(north=1.0 / 3),
        customer='Ida "the key", O\'Hara\nback door',
        median_s=1801,
        p90_s=4003,
        needs=(need("A", quantity=3), need("B"), need("B", "A")),
        skills=rekey.skills | {"other"},
        equipment=rekey.equipment,
        preference=Window(start_s=30_001, end_s=30_002),
        windows=(Window(start_s=30_001, end_s=100_000),),
    )
    written = a_day(
        call,
        vans=(
            a_van(
                stock={"A": 0},
                start=None,
                skills={"other"},
                drive_limit_s=3601,
                pace={"rekey": 1 / 3, "*": 4.0},
            ),
        ),
        parts=(a_part("A", substitutes=("B",), lead_time_s=3601), a_part("B")),
    )
    day = replace(
        written,
        kinds=back(written).kinds,
        cautions=back(written).cautions,
        shop=replace(written.shop, stock={"B": 3}),
        travel=replace(
            written.travel,
            traffic=Traffic(slot_s=450, speed_permille=(900, 1100), source="mine"),
            matrix={("call:C 1", "finish:V1"): (1001, 12_345)},
        ),
    )
    assert back(day) == day


# --- nothing crashes -----------------------------------------------------------------


def read_or_refuse(files: Mapping[str, bytes]) -> None:
    """Read a folder of any bytes; only the one error may leave."""
    with tempfile.TemporaryDirectory() as folder:
        for name, raw in files.items():
            (Path(folder) / name).write_bytes(raw)
        found: tuple[Fault, ...] = ()
        used: set[str] = set()
        try:
            used = {call.kind for call in read_scenario(Path(folder)).calls}
        except InvalidInput as refused:
            found = refused.faults
    assert used <= set(kinds())
    assert all(fault.got and fault.expected for fault in found)


FILES = sorted(FOLDER)
BUSY: Mapping[str, bytes] = {
    path.name: path.read_bytes()
    for path in (DEMOS / "short_of_parts").iterdir()
    if path.suffix in {".toml", ".csv"}
}
AWKWARD = st.sampled_from(
    [
        b'"', b"'", b",", b";", b"|", b"\n", b"\r", b"\x00", b"\xef\xbb\xbf", b"[[",
        b"x99999999999", b"1e999", b"nan", b"-0", b"47:59-47:59", b"24:00", b"..",
        b"\xc3", b"\xf0\x9f\x94\x91", b"=", b"{", b" or ", b" only", b"waived by ",
        b"99999999999999999999999", b"1.234", b"1,5", b"%", b"\xd9\xa1",
        b"\xe2\x80\xa8",
    ]
)  # fmt: skip
FUZZ = settings(
    deadline=None, max_examples=150, suppress_health_check=[HealthCheck.too_slow]
)


@given(name=st.sampled_from(FILES), raw=st.binary(max_size=200))
@FUZZ
def test_any_bytes_for_a_file_are_read_or_refused(name: str, raw: bytes) -> None:
    read_or_refuse({**BUSY, name: raw})


@given(name=st.sampled_from(FILES), text=st.text(max_size=200))
@FUZZ
def test_any_text_for_a_file_is_read_or_refused(name: str, text: str) -> None:
    read_or_refuse({**BUSY, name: text.encode("utf-8", "replace")})


@given(
    name=st.sampled_from(FILES),
    place=st.floats(0, 1),
    length=st.integers(0, 12),
    put=AWKWARD | st.binary(max_size=4),
)
@settings(FUZZ, max_examples=400)
def test_a_damaged_file_is_read_or_refused(
    name: str, place: float, length: int, put: bytes
) -> None:
    raw = BUSY[name]
    start = round(place * len(raw))
    read_or_refuse({**BUSY, name: raw[:start] + put + raw[start + length :]})


@given(
    name=st.sampled_from(["calls.csv", "parts.csv", "stock.csv"]),
    cell=st.text(max_size=20) | AWKWARD.map(lambda raw: raw.decode("utf-8", "replace")),
    column=st.integers(0, 29),
)
@FUZZ
def test_any_text_in_a_cell_is_read_or_refused(
    name: str, cell: str, column: int
) -> None:
    head, first, rest = BUSY[name].decode().split("\n", 2)
    cells = first.split(",")
    cells[column % len(cells)] = '"' + cell.replace('"', '""') + '"'
    text = "\n".join((head, ",".join(cells), rest))
    read_or_refuse({**BUSY, name: text.encode("utf-8", "replace")})


# --- time held free ---------------------------------------------------------------


def test_a_reserve_is_read_and_written_back(tmp_path: Path) -> None:
    extra = '[reserve]\nexpected = 1.4\nwindow = "10:00-16:00"\npriority = 3\n'
    day = read_scenario(lay(tmp_path / "d", day_toml=DAY + extra))
    assert day.reserve == Reserve(
        window=Window(start_s=36_000, end_s=57_600),
        length_s=2_700,
        expected=1.4,
        priority=3,
    )
    write_scenario(day, tmp_path / "again")
    assert read_scenario(tmp_path / "again").reserve == day.reserve


@pytest.mark.parametrize(
    ("lines", "column", "expected"),
    [
        ('window = "10:00-16:00"', "slots", "either slots, or how many"),
        ('slots = 1\nexpected = 2\nwindow = "10:00-16:00"', "slots", "either slots"),
        ("slots = 1", "window", "a window such as"),
        ('slots = 101\nwindow = "10:00-16:00"', "slots", "at most 100"),
        ('slots = 1\nwindow = "10:00-10:30"', "length_min", "fits into the window"),
        (
            'slots = 1\nwindow = "10:00-16:00"\nkind = "held"',
            "kind",
            "a kind of work",
        ),
    ],
)
def test_a_reserve_that_makes_no_sense_is_refused(
    tmp_path: Path, lines: str, column: str, expected: str
) -> None:
    fault = the_fault(tmp_path / "d", day_toml=f"{DAY}[reserve]\n{lines}\n")
    assert fault.column == f"reserve.{column}"
    assert expected in fault.expected
