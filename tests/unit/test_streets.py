"""A day on a road network: what is asked, what is looked up, what is out of reach."""

import sys
from dataclasses import replace
from importlib.util import find_spec

import numpy as np
import pytest

from dispatch.answer import answer
from dispatch.planner import Budget, plan_day
from dispatch.report.document import document
from dispatch.report.geojson import feature_collection
from dispatch.report.picture import draw_route
from dispatch.report.sheet import sheet_html
from dispatch.report.text import plan_text
from dispatch.report.words import travel_words
from dispatch.rules import judge
from dispatch.travel import extend_table, measure_between, travel_table
from dispatch.travel.atlas import Atlas, Drives, Spot, read_line, thin
from dispatch.travel.network import NEEDS_PYTHON, library
from dispatch.travel.streets import NO_WAY_M, NO_WAY_S
from dispatch.travel.survey import find_ways, known_drives, lay
from shared.errors import InvalidInput, Unavailable
from shared.model import Answer, Day, Place, Rule, TravelRules, spot_of
from tests.builders import SHOP, a_call, a_day, a_van, at
from tests.roads import InventedRoads, pack

NORTH, EAST, FAR = at(north=5), at(east=4), at(north=5, east=4)


def days_work(**changes: object) -> Day:
    """Return a day with three calls: 5 km north, 4 km east, and both."""
    calls = (a_call("N", place=NORTH), a_call("E", place=EAST), a_call("F", place=FAR))
    return replace(a_day(*calls), **changes)  # type: ignore[arg-type]


def planned(day: Day, roads: InventedRoads) -> Answer:
    plan = plan_day(day, Budget(rounds=20))
    assert judge(day, travel_table(day), plan) == ()
    ways = find_ways(day, plan, Atlas(asker=roads))
    return replace(answer(day, plan), ways=ways)


def test_a_drive_takes_what_the_network_says_and_the_time_to_set_off_and_park() -> None:
    day = lay(days_work(), Atlas(asker=InventedRoads()))
    travel = travel_table(day)
    shop, far = travel.keys["shop"], travel.keys["call:F"]
    # 5 km north and 4 km east at 10 m/s: 900 s, and 120 s to set off and park.
    assert travel.base_s[shop, far] == pytest.approx(1020, abs=2)
    assert travel.distance_m[shop, far] == pytest.approx(9000, abs=10)
    assert travel.base_s[shop, travel.keys["start:V1"]] == 0  # the same door


def test_a_firm_that_is_slower_than_the_network_is_planned_so() -> None:
    day = lay(days_work(), Atlas(asker=InventedRoads()))
    slow = replace(day, travel=replace(day.travel, street_pace=1.5))
    usual, slower = travel_table(day), travel_table(slow)
    row, column = usual.keys["shop"], usual.keys["call:N"]
    rolling = usual.base_s[row, column] - 120
    assert slower.base_s[row, column] == 120 + np.ceil(1.5 * rolling)


def test_one_place_more_costs_one_row_and_one_column() -> None:
    roads = InventedRoads()
    day = lay(days_work(), Atlas(asker=roads))
    roads.asked.clear()
    more = lay(day, Atlas(asker=roads), [at(north=2, east=2)])
    # Four places are known: from the new one to those and itself, and from those to it.
    assert roads.asked == [
        ("locate", 1),
        ("sources_to_targets", 5),
        ("sources_to_targets", 4),
    ]
    at_once = lay(days_work(), Atlas(asker=roads), [at(north=2, east=2)])
    assert more.travel.streets == at_once.travel.streets


def test_a_day_that_is_laid_already_asks_for_nothing() -> None:
    roads = InventedRoads()
    day = lay(days_work(), Atlas(asker=roads))
    roads.asked.clear()
    assert lay(day, Atlas(asker=roads)) == day
    assert roads.asked == []


def test_drives_that_were_kept_are_not_asked_for_again() -> None:
    roads = InventedRoads()
    day = lay(days_work(), Atlas(asker=roads))
    assert day.travel.streets is not None
    kept = known_drives(day.travel.streets)
    roads.asked.clear()
    again = lay(days_work(), Atlas(asker=roads), known=kept)
    assert again == day
    assert {what for what, _ in roads.asked} == {"locate"}


def test_many_places_are_asked_for_in_parts_that_a_service_takes() -> None:
    places = [at(north=n / 2, east=n / 3) for n in range(11)]
    calls = [a_call(f"C{n}", place=place) for n, place in enumerate(places)]
    small = InventedRoads(pairs_at_once=9)
    parts = lay(a_day(*calls), Atlas(asker=small))
    whole = lay(a_day(*calls), Atlas(asker=InventedRoads()))
    assert parts.travel.streets == whole.travel.streets
    assert max(n for what, n in small.asked if what != "locate") <= 9


def test_a_call_off_the_map_is_unplaced_with_its_reason_and_no_other() -> None:
    roads = InventedRoads(off=[EAST])
    made = planned(lay(days_work(), Atlas(asker=roads)), roads)
    (left,) = made.plan.unplaced
    assert left.call_id == "E"
    (reason,) = left.reasons
    assert reason.rule is Rule.TRAVEL
    assert "no road within 500 m" in reason.text
    assert "correct the place" in reason.remedy
    assert {c for route in made.plan.routes for c in route.call_ids} == {"N", "F"}
    assert "no road within 500 m" in plan_text(made)


def test_a_place_outside_the_region_says_so() -> None:
    away = Place(lat_deg=52.5, lon_deg=8.0)
    roads = InventedRoads(off=[away])
    day = lay(days_work(calls=(a_call("A", place=away),)), Atlas(asker=roads))
    cut = day.travel.cut_off(away)
    assert cut is not None
    assert "outside the road network's region" in cut.text
    assert "larger extract" in cut.remedy


@pytest.mark.parametrize(
    ("roads", "words"),
    [
        (InventedRoads(no_way_to=[EAST]), "no road that a van may take leads there"),
        (InventedRoads(no_way_from=[EAST]), "not away again"),
    ],
    ids=["an island", "a one-way street"],
)
def test_a_place_that_no_van_gets_to_or_away_from_is_cut_off(
    roads: InventedRoads, words: str
) -> None:
    made = planned(lay(days_work(), Atlas(asker=roads)), roads)
    (left,) = made.plan.unplaced
    assert left.call_id == "E"
    assert words in left.reasons[0].text
    # The engine looked again, with more care, before it was believed.
    assert any(what.endswith("again") for what, _ in roads.asked)


def test_a_van_that_starts_and_ends_anywhere_is_not_sent_there_either() -> None:
    roads = InventedRoads(off=[EAST])
    vans = (a_van(start=None, finish=None, loads_at_shop=False),)
    day = days_work(calls=(a_call("E", place=EAST),), vans=vans)
    made = planned(lay(day, Atlas(asker=roads)), roads)
    assert made.plan.routes == ()


def test_a_drive_that_no_road_joins_is_farther_than_any_day_is_long() -> None:
    roads = InventedRoads(off=[EAST])
    day = lay(days_work(), Atlas(asker=roads))
    legs = measure_between(day, [SHOP, EAST, EAST])
    assert legs.base_s[0, 1] == legs.base_s[1, 0] == NO_WAY_S
    assert legs.distance_m[0, 1] == NO_WAY_M
    assert legs.base_s[1, 2] == 0  # from a place to itself


def test_all_places_of_the_firms_own_that_are_off_the_map_are_refused_at_once() -> None:
    away, lost = at(north=30), at(east=30)
    roads = InventedRoads(off=[away], no_way_to=[lost])
    vans = (a_van("V1", start=away), a_van("V2", start=SHOP, finish=lost))
    with pytest.raises(InvalidInput) as refused:
        lay(days_work(vans=vans), Atlas(asker=roads))
    assert {fault.column for fault in refused.value.faults} >= {"start:V1"}
    with pytest.raises(InvalidInput) as refused:
        lay(days_work(vans=vans[1:]), Atlas(asker=roads))
    assert [fault.column for fault in refused.value.faults] == ["finish:V2"]


def test_a_place_that_was_not_asked_about_is_estimated_and_the_plan_says_so() -> None:
    day = lay(days_work(), Atlas(asker=InventedRoads()))
    more = replace(day, calls=(*day.calls, a_call("X", place=at(north=1))))
    straight = travel_table(replace(more, travel=TravelRules()))
    travel = travel_table(more)
    x, shop = travel.keys["call:X"], travel.keys["shop"]
    assert travel.base_s[x, shop] == straight.base_s[x, shop]
    assert "Straight lines to one place" in travel_words(more)[1]
    assert "traight lines" not in travel_words(day)[1]


def test_a_table_that_is_extended_knows_the_streets() -> None:
    day = lay(days_work(), Atlas(asker=InventedRoads()), [at(north=1)])
    more = replace(day, calls=(*day.calls, a_call("X", place=at(north=1))))
    extended, whole = extend_table(travel_table(day), more), travel_table(more)
    assert (extended.base_s == whole.base_s).all()


def test_the_plan_the_sheet_and_the_geojson_follow_the_roads() -> None:
    roads = InventedRoads()
    day = lay(days_work(calls=(a_call("F", place=FAR),)), Atlas(asker=roads))
    made = planned(day, roads)
    (route,) = made.plan.routes
    there, _ = made.ways["V1"]
    assert there is not None
    corner = (FAR.lat_deg, SHOP.lon_deg)  # north first, then east
    assert there.path[1] == pytest.approx(corner, abs=1e-6)
    drawing = draw_route(day, route, made.ways["V1"])
    assert drawing.on_roads
    assert drawing.legs[0].points
    html = sheet_html(made, route)
    assert "turn by turn" in html
    assert "Drive along Invented Row" in html
    assert "nobody: invented roads" in html
    line = feature_collection(document(made))["features"][0]
    assert line["properties"]["straight_lines"] is False
    assert line["properties"]["roads"] == "nobody: invented roads"
    assert [round(x, 5) for x in line["geometry"]["coordinates"][1]] == pytest.approx(
        [corner[1], corner[0]], abs=1e-5
    )


def test_a_drive_by_ferry_is_said_on_the_leg() -> None:
    roads = InventedRoads(ferry_to=[EAST])
    made = planned(lay(days_work(), Atlas(asker=roads)), roads)
    assert "by ferry" in plan_text(made)
    assert "by ferry" in sheet_html(made, made.plan.routes[0])


def test_without_roads_the_plan_says_that_its_lines_are_straight() -> None:
    assert "straight lines, not from streets" in travel_words(days_work())[1]
    told = replace(days_work(), travel=TravelRules(error="off by 3.0 min"))
    assert "They are off by 3.0 min" in travel_words(told)[1]


def test_a_packed_line_is_read_as_it_was_packed() -> None:
    line = [(47.14918, 9.51699), (47.1, 9.6), (-0.5, -179.999999)]
    assert np.allclose(read_line(pack(line)), line, atol=1e-9)
    with pytest.raises(ValueError, match="cut off"):
        read_line(pack(line)[:-1] + "_")


def test_bends_that_lie_on_the_line_are_left_out() -> None:
    straight = [(50.0, 8.0 + n / 1000) for n in range(5)]
    assert thin(straight) == (straight[0], straight[-1])
    bent = [(50.0, 8.0), (50.001, 8.001), (50.0, 8.002)]  # 111 m off
    assert thin(bent) == tuple(bent)


def test_a_spot_is_found_to_a_tenth_of_a_metre() -> None:
    assert spot_of(Place(lat_deg=47.1491804, lon_deg=-9.5169996)) == (
        47_149_180,
        -9_517_000,
    )


def test_without_the_routing_library_it_is_said_how_to_come_by_it() -> None:
    if find_spec("valhalla") is not None:
        pytest.skip("the routing library is here")
    with pytest.raises(Unavailable) as missing:
        library()
    assert "keyround" in str(missing.value)
    assert "--no-roads" in str(missing.value)
    if sys.version_info < NEEDS_PYTHON:
        assert "Python 3.12 or later" in str(missing.value)


def test_asking_for_no_drives_is_no_question() -> None:
    roads = InventedRoads()
    found = Atlas(asker=roads).drives([], [Spot(50.0, 8.0, 0.0, 50)])
    assert isinstance(found, Drives)
    assert found.base_s.shape == (0, 1)
    assert roads.asked == []
