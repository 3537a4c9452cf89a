"""Speeds by the hour, learnt from simulated drives whose truth is known."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from dispatch.roadlog import LearntRoads, hourly, learn_roads, with_roads
from dispatch.scenario import resolve_traffic
from dispatch.scenario.joblog import Drives
from dispatch.travel.profile import arrive_s
from dispatch.travel.straight import road_m
from shared.model import Streets, Traffic, TravelRules
from shared.trade import traffic_profiles
from tests.builders import a_day

TRUTH = Traffic(
    slot_s=3600,
    speed_permille=(1000,) * 7
    + (600, 650, 800)
    + (900,) * 6
    + (600,) * 3
    + (1000,) * 5,
)
GIVEN = TravelRules(
    start_stop_s=120, free_flow_kmh=50, traffic=traffic_profiles()["town"]
)


def drives(number: int, *, wrong: float = 0.0) -> Drives:
    """Return drives of 3 minutes and 42 km/h at free flow, 15 % up and down."""
    rng = np.random.default_rng(1)
    left_s = rng.integers(7 * 3600, 18 * 3600, number)
    metres = rng.uniform(500, 15_000, number)
    base_s = (180 + metres / (42 / 3.6)) * np.exp(rng.normal(0, 0.15, number))
    spent_s = np.array(
        [
            arrive_s(TRUTH, int(left), round(base)) - int(left)
            for left, base in zip(left_s, base_s, strict=True)
        ],
        np.int64,
    )
    spent_s[rng.random(number) < wrong] *= 8
    nowhere = np.full((number, 2), np.nan)
    return Drives(np.arange(number) + 2, left_s, spent_s, nowhere, nowhere, metres)


def speed_kmh(roads: LearntRoads, hour: int) -> float:
    return roads.rules.free_flow_kmh * roads.hours[hour].permille / 1000


def test_without_a_drive_the_given_rules_hold() -> None:
    roads = learn_roads(drives(0), GIVEN)
    assert roads.rules == GIVEN
    assert [hour.permille for hour in roads.hours] == list(GIVEN.traffic.speed_permille)
    day = a_day()
    assert with_roads(day, roads) is day


def test_two_thousand_drives_tell_the_speed_of_every_hour_they_are_in() -> None:
    roads = learn_roads(drives(2000), GIVEN)
    assert roads.rules.start_stop_s == pytest.approx(180, abs=25)
    for hour in range(7, 18):
        true_kmh = 42 * TRUTH.speed_permille[hour] / 1000
        assert speed_kmh(roads, hour) == pytest.approx(true_kmh, rel=0.06)
        ends = roads.hours[hour].low_permille, roads.hours[hour].high_permille
        assert ends[0] < roads.hours[hour].permille < ends[1]
    assert roads.scatter < 0.6 * roads.usual_scatter


def test_three_drives_hardly_move_the_profile() -> None:
    roads = learn_roads(drives(3), GIVEN)
    for hour in roads.hours:
        assert hour.permille == pytest.approx(hour.usual_permille, rel=0.05)
        # but what is known of it is little
        assert hour.high_permille - hour.low_permille > 0.1 * hour.permille


def test_drives_with_a_stop_on_the_way_are_named_and_change_little() -> None:
    spoilt = drives(1000, wrong=0.03)
    clean, roads = learn_roads(drives(1000), GIVEN), learn_roads(spoilt, GIVEN)
    # those times eight; the odd long drive may be among them too
    assert 20 <= len(roads.odd_lines) <= 45
    assert speed_kmh(roads, 12) == pytest.approx(speed_kmh(clean, 12), rel=0.03)


def test_whoever_leaves_later_arrives_no_earlier() -> None:
    day = with_roads(a_day(), learn_roads(drives(200), GIVEN))
    arrivals = [arrive_s(day.travel.traffic, at, 1500) for at in range(0, 86_400, 60)]
    assert all(first <= second for first, second in pairwise(arrivals))


def test_places_are_reckoned_as_the_plan_reckons_them() -> None:
    # one hundredth of a degree of latitude is 1.1 km
    here, there = np.array([[52.20, -0.9]]), np.array([[52.25, -0.9]])
    logged = drives(1)._replace(from_deg=here, to_deg=there)
    straight_m = 6371008.8 * np.radians(0.05)
    reckoned = float(road_m(np.array([straight_m]))[0])
    roads = learn_roads(logged._replace(road_m=np.array([reckoned * 1.2])), GIVEN)
    assert roads.detour == pytest.approx(1.2, abs=0.01)


def test_on_a_road_network_the_firms_own_pace_over_it_is_learnt() -> None:
    # The truth: 3 minutes, and 1.2 times what the network says, slower by the hour.
    network_s = (drives(2000).road_m / (42 / 3.6)) / 1.2
    logged = drives(2000)._replace(base_s=network_s)
    streets = Streets(network="invented", credit="nobody")
    roads = learn_roads(logged, replace(GIVEN, streets=streets))
    assert roads.rules.start_stop_s == pytest.approx(180, abs=25)
    for hour in (9, 12, 17):
        usual = TRUTH.speed_permille[hour] / 1000
        found = roads.hours[hour].permille / 1000 / roads.rules.street_pace
        assert found == pytest.approx(usual / 1.2, rel=0.06)
    assert roads.rules.free_flow_kmh == GIVEN.free_flow_kmh
    assert roads.rules.streets == streets
    assert "of the logged drives" in roads.rules.error
    learnt = with_roads(replace(a_day(), travel=roads.rules), roads)
    arrivals = [arrive_s(learnt.travel.traffic, t, 900) for t in range(0, 86_400, 60)]
    assert all(first <= second for first, second in pairwise(arrivals))


def test_a_network_that_knows_none_of_the_drives_teaches_nothing() -> None:
    logged = drives(50)._replace(base_s=np.full(50, np.nan))
    assert learn_roads(logged, GIVEN).rules == GIVEN


def test_a_given_matrix_stays_and_only_its_traffic_is_learnt() -> None:
    day = a_day()
    given = replace(day, travel=replace(day.travel, matrix={("shop", "shop"): (0, 0)}))
    found = with_roads(given, learn_roads(drives(500), GIVEN))
    assert found.travel.matrix == given.travel.matrix
    assert found.travel.start_stop_s == given.travel.start_stop_s
    assert found.travel.traffic != given.travel.traffic


def test_a_days_traffic_by_the_hour_is_the_profile_it_came_from() -> None:
    clock = a_day().clock
    town = traffic_profiles()["town"]
    assert hourly(resolve_traffic(town, clock), clock) == town
