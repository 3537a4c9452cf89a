"""Calls with addresses, not coordinates: found, asked back about, or not found."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from api.cli import Exit, cli
from dispatch.answer import answer
from dispatch.chance import usual_spreads
from dispatch.explain import explain
from dispatch.gazetteer import Match
from dispatch.horizon import plan_days
from dispatch.live import ask_at
from dispatch.planner import Budget, plan_day
from dispatch.problem import build_problem
from dispatch.quote import open_book, quote
from dispatch.report.document import document
from dispatch.report.geojson import feature_collection
from dispatch.report.text import plan_text
from dispatch.reserve import hold
from dispatch.reshuffle import reshuffle
from dispatch.rest import rest_of
from dispatch.rules import judge
from dispatch.scenario import (
    Locator,
    Look,
    Server,
    find_in,
    pins_text,
    read_caller,
    read_happened,
    read_scenario,
    write_scenario,
)
from dispatch.state import replay
from dispatch.travel import travel_table
from dispatch.urgent import Ask
from dispatch.vancheck import van_check
from shared.errors import Fault, InvalidInput
from shared.model import Barred, Call, Day, Place, Reserve, Rule
from shared.trade import kinds
from tests.builders import HOUR_S, a_call, a_day, a_part, a_plan, at, need, window

DEMO = Path(__file__).parents[2] / "demo_scenarios" / "typed_addresses"
DAY = """\
date = 2026-12-03
zone = "UTC"
[shop]
address = "2 Yard Lane, Hafton"
[addresses]
gazetteer = "streets.csv"
credit = "an invented list"
"""
STREETS = """\
street,number,town,lat,lon
Yard Lane,2,Hafton,50,8
Mill Lane,4,Hafton,50.01,8.01
Mill Lane,4,Otherby,50.2,8.2
Oak Road,1,Hafton,50.02,8.02
"""
CALLS = "id,kind,address\n"
FOLDER = {
    "day.toml": DAY,
    "streets.csv": STREETS,
    "vans.toml": '[[van]]\nid = "V1"\nshift = "08:00-17:00"\n'
    'skills = ["pinning", "key_cutting"]\nequipment = ["pinning_kit"]\n',
    "parts.csv": "id\nX\n",
    "stock.csv": "holder,part,quantity\n",
    "calls.csv": CALLS + '1,rekey,"1 Oak Rd, Hafton"\n',
}


def lay(folder: Path, **changes: str) -> Path:
    """Write a folder, changed file by file."""
    named = {name.replace("_", ".", 1): text for name, text in changes.items()}
    for name, text in {**FOLDER, **named}.items():
        (folder / name).write_text(text)
    return folder


def calls(*addresses: str) -> str:
    rows = (f'{row},rekey,"{text}"\n' for row, text in enumerate(addresses, 1))
    return CALLS + "".join(rows)


def faults(folder: Path, locator: Locator | None = None) -> tuple[Fault, ...]:
    with pytest.raises(InvalidInput) as caught:
        read_scenario(folder, locator)
    return caught.value.faults


class Known:
    """A server that knows some addresses."""

    name = "the address server of the test"

    def __init__(self, known: Mapping[str, tuple[float, float]]) -> None:
        self.known = known
        self.asked: list[str] = []

    def __call__(self, address: str) -> tuple[Match, ...]:
        self.asked.append(address)
        if address not in self.known:
            return ()
        lat, lon = self.known[address]
        place = Place(lat_deg=lat, lon_deg=lon, name=address)
        return (Match(place=place, sure=True, credit="the server's licence"),)


def asking(look: Look) -> Locator:
    return Locator(connect=lambda _: look)


def where(day: Day) -> list[float | None]:
    return [call.place.lat_deg if call.is_located else None for call in day.calls]


# --- who is asked --------------------------------------------------------------------


def test_without_coordinates_the_list_says_where_shop_and_calls_are(
    tmp_path: Path,
) -> None:
    day = read_scenario(lay(tmp_path))
    assert day.shop.place == Place(lat_deg=50, lon_deg=8, name="2 Yard Lane, Hafton")
    assert day.calls[0].place == Place(
        lat_deg=50.02, lon_deg=8.02, name="1 Oak Rd, Hafton"
    )
    assert day.credit == "an invented list"


def test_coordinates_in_the_row_count_before_any_list(tmp_path: Path) -> None:
    text = "id,kind,address,lat,lon\n1,rekey,1 Oak Road,50.3,8.3\n"
    assert where(read_scenario(lay(tmp_path, calls_csv=text))) == [50.3]


def test_a_pin_counts_before_the_list_and_the_server(tmp_path: Path) -> None:
    server = Known({"1 Oak Rd, Hafton": (50.4, 8.4)})
    folder = lay(tmp_path, pins_csv='address,lat,lon\n"Oak Road 1, Hafton",50.3,8.3\n')
    day = read_scenario(folder, asking(server))
    assert where(day) == [50.3]
    assert server.asked == []
    assert day.credit == "an invented list"  # the shop's


def test_a_pin_of_the_store_counts_before_one_of_the_folder(tmp_path: Path) -> None:
    folder = lay(tmp_path, pins_csv='address,lat,lon\n"Oak Road 1, Hafton",50.3,8.3\n')
    pins = {"oak rd hafton 1": Place(lat_deg=50.5, lon_deg=8.5)}
    assert where(read_scenario(folder, Locator(pins=pins))) == [50.5]


def test_the_list_counts_before_the_server_and_the_server_before_nobody(
    tmp_path: Path,
) -> None:
    server = Known({"1 Oak Road, Hafton": (50.4, 8.4), "7 New Road": (50.5, 8.5)})
    text = calls("1 Oak Road, Hafton", "7 New Road", "8 New Road")
    day = read_scenario(lay(tmp_path, calls_csv=text), asking(server))
    assert where(day) == [50.02, 50.5, None]
    assert server.asked == ["7 New Road", "8 New Road"]
    assert day.credit == "an invented list; the server's licence"


def test_an_address_that_the_list_has_twice_is_not_asked_of_the_server(
    tmp_path: Path,
) -> None:
    server = Known({"4 Mill Lane": (50.9, 8.9)})
    day = read_scenario(lay(tmp_path, calls_csv=calls("4 Mill Lane")), asking(server))
    assert where(day) == [None]
    assert server.asked == []


def test_an_address_is_asked_for_once_a_day(tmp_path: Path) -> None:
    server = Known({})
    folder = lay(tmp_path, calls_csv=calls("8 New Road", "8 new rd."))
    day = read_scenario(folder, asking(server))
    assert where(day) == [None, None]
    assert server.asked == ["8 New Road"]
    texts = [call.barred.text for call in day.calls if call.barred]
    assert "line 2" in texts[0]
    assert "line 3" in texts[1]


def test_the_firms_own_list_is_asked_after_the_folders(tmp_path: Path) -> None:
    own = tmp_path / "firm.csv"
    own.write_text("street,number,town,lat,lon\nElm Road,3,Hafton,50.06,8.06\n")
    folder = tmp_path / "day"
    folder.mkdir()
    lay(folder, calls_csv=calls("3 Elm Road", "1 Oak Road"))
    assert where(read_scenario(folder, Locator(gazetteer=own))) == [50.06, 50.02]


def test_which_server_a_folder_names_is_handed_on_with_its_pace(
    tmp_path: Path,
) -> None:
    seen: list[Server | None] = []

    def connect(server: Server | None) -> Look | None:
        seen.append(server)
        return None

    more = 'server = "https://places.example.org/"\ntimeout_s = 2\npause_s = 0.5\n'
    lay(tmp_path, day_toml=DAY + more)
    read_scenario(tmp_path, Locator(connect=connect))
    url = "https://places.example.org"
    assert seen == [Server(url=url, timeout_s=2.0, pause_s=0.5)]


def test_a_typing_error_that_was_read_over_is_said_on_the_plan(tmp_path: Path) -> None:
    day = read_scenario(lay(tmp_path, calls_csv=calls("1 Oka Road, Hafton")))
    assert "'1 Oka Road, Hafton' was read as 1 Oak Road, Hafton" in day.notices


# --- what is wrong -------------------------------------------------------------------


def test_a_shop_and_a_van_that_cannot_be_found_are_faults_all_at_once(
    tmp_path: Path,
) -> None:
    lay(
        tmp_path,
        day_toml=DAY.replace("2 Yard Lane, Hafton", "4 Mill Lane"),
        vans_toml='[[van]]\nid = "V1"\nshift = "08:00-17:00"\n'
        'start = { address = "9 Nowhere" }\nfinish = "shop"\n',
    )
    shop, van = faults(tmp_path)
    assert (shop.file, shop.column) == ("day.toml", "shop.address")
    assert "2 places" in shop.got
    assert "4 Mill Lane,50.01,8.01 or 4 Mill Lane,50.2,8.2" in shop.expected
    assert (van.file, van.column) == ("vans.toml", "van.start.address")
    assert "nobody knows" in van.got


def test_the_shops_address_can_be_pinned_too(tmp_path: Path) -> None:
    lay(
        tmp_path,
        day_toml=DAY.replace("2 Yard Lane, Hafton", "4 Mill Lane"),
        pins_csv="address,lat,lon\n4 Mill Lane,50.2,8.2\n",
    )
    assert read_scenario(tmp_path).shop.place.lat_deg == 50.2


@pytest.mark.parametrize(
    ("file", "text", "column"),
    [
        ("pins_csv", "address,lat,lon\n1 Oak Road,91,8\n", "lat"),
        ("pins_csv", "address,lat,lon\n,50,8\n", "address"),
        ("pins_csv", "address,lat,lon\n1 Oak Road,50,8\nOak Rd 1,51,8\n", "address"),
        ("pins_csv", "address,lat\n1 Oak Road,50\n", "lon"),
        ("streets_csv", STREETS + "Elm Road,1,Hafton,x,8\n", "lat"),
        ("streets_csv", STREETS + ",1,Hafton,50,8\n", "street"),
        (
            "day_toml",
            DAY.replace("streets.csv", "../streets.csv"),
            "addresses.gazetteer",
        ),
        ("day_toml", DAY + 'server = "places.example.org"\n', "addresses.server"),
        ("day_toml", DAY + "pause_s = -1\n", "addresses.pause_s"),
        ("calls_csv", "id,kind,lat,lon,address\n1,rekey,50.1,,1 Oak Road\n", "lon"),
        ("calls_csv", CALLS + "1,rekey,\n", "lat"),
    ],
)
def test_what_is_wrong_about_places_is_named(
    tmp_path: Path, file: str, text: str, column: str
) -> None:
    assert column in {fault.column for fault in faults(lay(tmp_path, **{file: text}))}


def test_a_list_that_is_named_must_be_there(tmp_path: Path) -> None:
    lay(tmp_path, day_toml=DAY.replace("streets.csv", "other.csv"))
    assert any(
        (fault.file, fault.got) == ("other.csv", "no such file")
        for fault in faults(tmp_path)
    )


def test_a_match_on_another_continent_bars_the_call_and_nothing_else(
    tmp_path: Path,
) -> None:
    server = Known({"7 New Road": (-33.0, 151.0), "8 New Road": (50.1, 8.1)})
    folder = lay(tmp_path, calls_csv=calls("7 New Road", "8 New Road"))
    assert where(read_scenario(folder, asking(server))) == [None, 50.1]


# --- what becomes of it --------------------------------------------------------------


def lost(call_id: str = "1", **changes: object) -> Call:
    """Return a call that may be at one of two places."""
    barred = Barred(
        rule=Rule.ADDRESS,
        text="'4 Mill Lane' may be one of 2 places",
        remedy="pin the one that is meant",
        places=(at(1, 1), at(30, 0)),
    )
    shop = a_call().place
    there = replace(shop, name="4 Mill Lane")
    return a_call(call_id, place=there, barred=barred, **changes)


def test_a_call_that_nobody_can_find_is_left_out_with_its_reason() -> None:
    day = a_day(lost("1"), a_call("2", place=at(1, 0)))
    plan = plan_day(day, Budget(rounds=20))
    assert [route.call_ids for route in plan.routes] == [("2",)]
    (left,) = plan.unplaced
    (reason,) = left.reasons
    assert (left.call_id, reason.rule, reason.van_id) == ("1", Rule.ADDRESS, None)
    assert reason.remedy == "pin the one that is meant"
    assert plan.conflicts == ()
    assert not judge(day, travel_table(day), plan)


@pytest.mark.parametrize("rule", [Rule.ADDRESS, Rule.TRAVEL])
def test_whatever_bars_a_call_no_van_may_serve_it(rule: Rule) -> None:
    barred = Barred(rule=rule, text="no road leads there")
    day = a_day(a_call("1", barred=barred), a_call("2"))
    problem = build_problem(day, travel_table(day))
    assert not problem.allowed[:, 0].any()
    plan = a_plan({"V1": ("1", "2")})
    assert any(
        wrong.rule is rule and wrong.call_id == "1"
        for wrong in judge(day, travel_table(day), plan)
    )
    told = explain(day, travel_table(day), a_plan({"V1": ("2",)}))
    (reason,) = told.unplaced[0].reasons
    assert (reason.rule, reason.text) == (rule, "no road leads there")


def test_slots_for_emergencies_are_not_held_where_nobody_knows_a_call_to_be() -> None:
    reserve = Reserve(window=window(8, 17), length_s=3600, slots=1)
    far = a_call("2", place=at(20, 0))
    day = hold(a_day(lost(), far, reserve=reserve, kinds=kinds()))
    assert day.calls[-1].place == far.place


def test_the_plan_lists_each_candidate_with_its_line_for_the_pins() -> None:
    day = a_day(lost(), a_call("2"), credit="an invented list")
    plan = plan_day(day, Budget(rounds=20))
    text = plan_text(answer(day, plan))
    assert "which one is meant? Its line for pins.csv:" in text
    assert f"4 Mill Lane,{at(30, 0).lat_deg:.7f}".rstrip("0") in text
    assert "Places: an invented list." in text


def test_a_call_without_a_place_has_none_in_the_published_forms() -> None:
    day = a_day(lost(), a_call("2"), credit="an invented list")
    made = document(answer(day, plan_day(day, Budget(rounds=20))))
    assert made.day.credit == "an invented list"
    (left,) = made.unplaced
    assert (left.call.place.lat_deg, left.call.place.name) == (None, "4 Mill Lane")
    assert len(left.call.candidates) == 2
    (feature,) = (
        each
        for each in feature_collection(made)["features"]
        if each["properties"]["what"] == "unplaced call"
    )
    assert feature["geometry"] is None  # RFC 7946, 3.2: unlocated


def test_a_day_is_written_without_the_coordinates_that_nobody_knows(
    tmp_path: Path,
) -> None:
    source = tmp_path / "source"
    source.mkdir()
    text = calls("1 Oak Road, Hafton", "9 Nowhere")
    day = read_scenario(lay(source, calls_csv=text))
    write_scenario(day, tmp_path / "copy")
    again = read_scenario(tmp_path / "copy")
    assert where(again) == [50.02, None]
    assert again.credit == day.credit
    assert again.calls[0] == day.calls[0]


def test_a_call_with_an_access_point_reads_back_as_it_was_written(
    tmp_path: Path,
) -> None:
    day = read_scenario(DEMO)
    write_scenario(day, tmp_path)
    again = read_scenario(tmp_path)
    assert again.calls[-1].access == day.calls[-1].access
    assert again.calls[-1].access is not None


def test_a_caller_on_the_telephone_is_asked_back_at_once(tmp_path: Path) -> None:
    day = read_scenario(lay(tmp_path))
    finder = find_in(tmp_path)
    said = {"id": "new", "kind": "rekey"}
    call = read_caller(day, said | {"address": "1 Oak Road"}, finder)
    assert call.place.lat_deg == 50.02
    with pytest.raises(InvalidInput, match="may be one of 2 places"):
        read_caller(day, said | {"address": "4 Mill Lane"}, finder)


def test_a_call_that_comes_in_through_the_day_is_looked_up_as_well(
    tmp_path: Path,
) -> None:
    lay(
        tmp_path,
        booked_csv='id,kind,address\n9,rekey,"4 Mill Lane, Hafton"\n',
        facts_csv="id,time,fact,call\nf1,09:00,booked,9\n",
    )
    happened = read_happened(tmp_path, read_scenario(tmp_path))
    assert happened.booked["9"].place.lat_deg == 50.01


# --- pins.csv ------------------------------------------------------------------------


def test_a_pin_is_added_to_what_is_there_and_replaces_its_own_address() -> None:
    place = Place(lat_deg=50.3, lon_deg=8.25)
    first = pins_text("", "1 Oak Road, Hafton", place, ("Ada", "2026-12-01 08:00"))
    assert first == (
        "address,lat,lon,who,when\n"
        '"1 Oak Road, Hafton",50.3,8.25,Ada,2026-12-01 08:00\n'
    )
    second = pins_text(first, "4 Mill Lane", place, ("", ""))
    moved = replace(place, lat_deg=50.4)
    third = pins_text(second, "Oak Rd 1, Hafton", moved, ("", ""))
    assert third == (
        "address,lat,lon,who,when\n4 Mill Lane,50.3,8.25,,\n"
        '"Oak Rd 1, Hafton",50.4,8.25,,\n'
    )


def test_a_pin_is_written_as_the_firms_spreadsheet_writes_its_tables(
    tmp_path: Path,
) -> None:
    before = "address;lat;lon\nA 1;50,5;8,5\n"
    place = Place(lat_deg=50.3, lon_deg=8.25)
    after = pins_text(before, "1 Oak Rd, Hafton", place, ("Ada", "now"))
    assert after == "address;lat;lon\nA 1;50,5;8,5\n1 Oak Rd, Hafton;50,3;8,25\n"
    assert where(read_scenario(lay(tmp_path, pins_csv=after))) == [50.3]


def run(*words: str) -> Result:
    return CliRunner().invoke(cli, words)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return lay(tmp_path, calls_csv=calls("4 Mill Lane", "1 Oak Road", "9 Nowhere"))


def test_place_lists_what_an_address_may_mean(folder: Path) -> None:
    done = run("place", str(folder), "1")
    assert done.exit_code == Exit.UNPLACED
    assert "  1  4 Mill Lane, Hafton\n     4 Mill Lane,50.01,8.01" in done.stdout
    assert run("place", str(folder), "2").exit_code == Exit.PLANNED


def test_a_candidate_that_is_chosen_stays_chosen(folder: Path) -> None:
    assert run("place", str(folder), "1", "--choose", "2").exit_code == Exit.PLANNED
    assert where(read_scenario(folder)) == [50.2, 50.02, None]
    assert run("place", str(folder), "1").exit_code == Exit.PLANNED


def test_a_place_that_is_pinned_stays_pinned(folder: Path) -> None:
    words = ("--pin", "50.33,8.33", "--who", "Ada")
    assert run("place", str(folder), "3", *words).exit_code == Exit.PLANNED
    assert where(read_scenario(folder)) == [None, 50.02, 50.33]
    assert "9 Nowhere,50.33,8.33,Ada," in (folder / "pins.csv").read_text()
    assert [each.name for each in folder.glob(".keyround*")] == []


@pytest.mark.parametrize(
    "words",
    [
        ("1", "--choose", "3"),
        ("2", "--choose", "1"),
        ("1", "--pin", "91,8"),
        ("1", "--pin", "here"),
        ("77",),
        ("1", "--pin", "50,8", "--choose", "1"),
    ],
)
def test_what_cannot_be_pinned_is_refused_and_nothing_written(
    folder: Path, words: tuple[str, ...]
) -> None:
    assert run("place", str(folder), *words).exit_code == Exit.BAD_INPUT
    assert not (folder / "pins.csv").exists()


def test_who_pins_a_call_with_coordinates_of_its_own_is_told_that_they_count(
    tmp_path: Path,
) -> None:
    text = "id,kind,address,lat,lon\n1,rekey,1 Oak Road,50.3,8.3\n"
    lay(tmp_path, calls_csv=text)
    done = run("place", str(tmp_path), "1", "--pin", "50.4,8.4")
    assert "they count first" in done.stderr


# --- the demo ------------------------------------------------------------------------


def test_the_demo_shows_a_found_an_asked_back_and_an_unknown_address() -> None:
    day = read_scenario(DEMO)
    bars: dict[str, Barred] = {c.id: c.barred for c in day.calls if c.barred}
    assert sorted(bars) == ["503", "506"]
    assert len(bars["503"].places) == 2
    assert bars["506"].places == ()
    assert any("Sailmaker Row" in notice for notice in day.notices)
    by_id = {call.id: call for call in day.calls}
    assert by_id["505"].place.lat_deg == 50.4171  # pinned; the list has 50.4178
    assert by_id["507"].walk_in_s == 600
    assert by_id["507"].parked.name.startswith("barrier")


def test_a_line_to_copy_is_never_broken_however_long_the_address() -> None:
    long = "Unit 12 of the old ropewalk behind the chandlery, 4 Mill Lane, Upper Hafton"
    call = lost()
    call = replace(call, place=replace(call.place, name=long))
    day = a_day(call, a_call("2"))
    text = plan_text(answer(day, plan_day(day, Budget(rounds=20))), width=80)
    assert f'        "{long}",' in text


# --- wherever a day is looked at ----------------------------------------------------


def test_several_days_are_planned_around_a_call_that_nobody_can_place() -> None:
    day = a_day(lost(), a_call("2", place=at(1, 0)), horizon=2)
    made = plan_days(day, Budget(rounds=50))
    assert [
        (left.call_id, left.reasons[0].rule) for left in made.answers[0].plan.unplaced
    ] == [("1", Rule.ADDRESS)]
    placed = {
        id_ for each in made.answers for r in each.plan.routes for id_ in r.call_ids
    }
    assert placed == {"2"}


def test_the_rest_of_a_day_and_an_urgent_call_leave_it_out_as_well() -> None:
    day = a_day(lost(), a_call("2", place=at(1, 0)))
    plan = plan_day(day, Budget(rounds=20))
    rest = rest_of(day, plan, replay(day, ()), 9 * HOUR_S)
    anew = reshuffle(rest, Budget(rounds=20))
    assert [left.call_id for left in anew.unplaced] == ["1"]
    assert anew.unplaced[0].reasons[0].rule is Rule.ADDRESS
    urgent = a_call("U", place=at(2, 0), priority=1)
    found = ask_at(day, (plan, ()), urgent, 9 * HOUR_S, Ask(danger=False))
    assert any(option.van_id == "V1" for option in found.options)


def test_a_window_is_quoted_beside_it() -> None:
    day = a_day(lost(), a_call("2", place=at(1, 0)))
    plan = plan_day(day, Budget(rounds=20))
    caller = a_call("new", place=at(2, 0))
    spreads = usual_spreads(replace(day, calls=(*day.calls, caller)))
    assert quote(open_book([(day, plan)], spreads), caller, spreads, 0.9).offers


def test_the_check_of_the_vans_says_why_it_is_not_planned() -> None:
    day = a_day(lost(needs=(need("BLANK"),)), parts=(a_part(),), kinds=kinds())
    check = van_check(day)
    assert not check.ready
    assert check.vans[0].call_ids == ()  # even where there is one van only
    assert check.calls[0].text.startswith("not planned: ")
