"""Travel: distances, driving times through the day, and a day's table."""

import re
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic  # type: ignore[import-untyped]
from hypothesis import given, settings
from hypothesis import strategies as st

from dispatch.travel import Legs, StraightLine, travel_table
from dispatch.travel.geodesic import distance_m, distances_m
from dispatch.travel.profile import arrive_s, covered, depart_latest_s, reached_s
from dispatch.travel.straight import detour, road_m
from shared.errors import InvalidInput
from shared.model import Place, Traffic, TravelRules
from tests.builders import SHOP, a_call, a_day, a_van, at

DAY_S = 86_400
RUSH = Traffic(slot_s=3600, speed_permille=(1000,) * 7 + (500, 700) + (1000,) * 15)

profiles = st.builds(
    Traffic,
    slot_s=st.integers(1, 5000),
    speed_permille=st.lists(st.integers(50, 2000), min_size=1, max_size=30).map(tuple),
)
moments = st.integers(0, 2 * DAY_S)
drives = st.integers(0, 4 * 3600)


def karney_m(a: Place, b: Place) -> float:
    """Return GeographicLib's own answer."""
    found: float = Geodesic.WGS84.Inverse(a.lat_deg, a.lon_deg, b.lat_deg, b.lon_deg)[
        "s12"
    ]
    return found


def scatter(seed: int, spread_deg: float) -> list[Place]:
    rng = np.random.default_rng(seed)
    lat, lon = rng.uniform(-80, 80), rng.uniform(-180, 180)
    return [
        Place(
            lat_deg=float(np.clip(lat + north, -89, 89)),
            lon_deg=float((lon + east + 180) % 360 - 180),
        )
        for north, east in rng.uniform(-spread_deg, spread_deg, (5, 2))
    ]


# --- distance ---------------------------------------------------------------


def test_one_degree_of_the_equator_is_as_long_as_the_ellipsoid_says() -> None:
    # On the equator: a * pi / 180 = 6378137 * 0.0174532925 = 111319.491 m.
    start, end = Place(lat_deg=0, lon_deg=10), Place(lat_deg=0, lon_deg=11)
    assert distance_m(start, end) == pytest.approx(111_319.491, abs=0.001)
    assert distances_m([start, end])[0, 1] == pytest.approx(111_319.491, rel=1e-5)


@pytest.mark.parametrize(
    ("spread_deg", "error"),
    [
        (0.001, 1e-9),  # doors of a street
        (0.5, 1e-6),  # a county: up to some 150 km
        (3, 1.2e-5),  # a country: up to some 950 km
        (14, 3e-4),  # a continent
    ],
)
def test_all_pairs_at_once_agree_with_geographiclib(
    spread_deg: float, error: float
) -> None:
    for seed in range(40):
        places = scatter(seed, spread_deg)
        table = distances_m(places)
        for row, a in enumerate(places):
            for column, b in enumerate(places):
                if row != column:
                    assert table[row, column] == pytest.approx(
                        karney_m(a, b), rel=error
                    )


def test_a_single_distance_agrees_with_geographiclib() -> None:
    for seed in range(20):
        a, b = scatter(seed, 2)[:2]
        assert distance_m(a, b) == pytest.approx(karney_m(a, b), rel=1e-12)


def test_opposite_ends_of_the_earth_have_a_distance() -> None:
    a, b = Place(lat_deg=0, lon_deg=0), Place(lat_deg=0, lon_deg=180)
    # Half of the ellipse over the poles: 20003.93 km (twice WGS 84's quarter
    # meridian, 10001.966 km).
    assert distances_m([a, b])[0, 1] == pytest.approx(20_003_931, rel=0.03)


def test_distances_are_the_same_both_ways_and_nothing_at_home() -> None:
    places = [*scatter(3, 1), SHOP, replace(SHOP, name="same door, other name")]
    table = distances_m(places)
    assert np.array_equal(table, table.T)
    assert not table.diagonal().any()
    assert table[5, 6] == 0


# --- the straight line's road ----------------------------------------------


def test_a_short_hop_winds_more_than_a_long_drive() -> None:
    # 1.2 + 0.8 / (1 + d / 2 km): 2.0 at 0, 1.6 at 2 km, 1.4 at 6 km, 1.28 at 18 km.
    at_m = np.array([0.0, 2_000.0, 6_000.0, 18_000.0])
    assert detour(at_m) == pytest.approx([2.0, 1.6, 1.4, 1.28])


@given(
    st.lists(st.floats(0, 1e6), min_size=2, max_size=20),
)
def test_farther_apart_is_never_a_shorter_road(straight: list[float]) -> None:
    roads = road_m(np.sort(np.array(straight)))
    assert (np.diff(roads) >= 0).all()
    assert (roads >= np.sort(np.array(straight))).all()


def test_a_drive_is_a_fixed_time_and_then_metres_at_free_flow() -> None:
    # Some 10 km as the crow flies: detour 1.2 + 0.8 / 6 = 1.3333.
    legs = StraightLine(
        rules=TravelRules(start_stop_s=200, free_flow_kmh=36.0)
    ).measure([SHOP, at(north=10)])
    straight = distance_m(SHOP, at(north=10))
    road = straight * (1.2 + 0.8 / (1 + straight / 2000))
    assert legs.distance_m[0, 1] == pytest.approx(road, abs=1.01)
    # 36 km/h are 10 m a second.
    assert legs.base_s[0, 1] == 200 + -(-legs.distance_m[0, 1] // 10)


def test_two_calls_at_one_door_need_no_drive_and_no_fixed_time() -> None:
    table = travel_table(a_day(a_call("A", place=at(1)), a_call("B", place=at(1))))
    assert table.base_s[0, 1] == table.distance_m[0, 1] == 0


def test_a_way_round_is_never_quicker() -> None:
    rng = np.random.default_rng(8)
    legs = StraightLine(rules=TravelRules()).measure(
        [at(*rng.normal(0, 12, 2)) for _ in range(60)]
    )
    for direct in legs:
        for via in range(60):
            assert (direct <= direct[:, via, None] + direct[None, via, :]).all()


# --- the time of day ---------------------------------------------------------


def by_the_second(traffic: Traffic, depart: int, base: int) -> int:
    """Drive second by second, in exact fractions of a free-flow second."""
    left, time_s = Fraction(base), depart
    while left > 0:
        slot = min(time_s // traffic.slot_s, len(traffic.speed_permille) - 1)
        left -= Fraction(traffic.speed_permille[slot], 1000)
        time_s += 1
    return time_s


def test_half_an_hour_at_free_flow_takes_an_hour_at_half_speed() -> None:
    assert arrive_s(RUSH, 7 * 3600, 1800) == 8 * 3600


def test_a_drive_into_the_rush_is_slowed_only_there() -> None:
    # Leaves 06:50 for 20 minutes: 10 min free, the other 10 at half speed take 20.
    assert arrive_s(RUSH, 6 * 3600 + 3000, 1200) == 7 * 3600 + 1200


def test_no_drive_takes_no_time_at_any_hour() -> None:
    assert arrive_s(RUSH, 27_123, 0) == 27_123


def test_the_last_speed_holds_after_the_profile_ends() -> None:
    slow = Traffic(slot_s=60, speed_permille=(1000, 250))
    # From second 30: 30 s free, then 90 s of free flow at a quarter: 360 s.
    assert arrive_s(slow, 30, 120) == 60 + 360


@settings(deadline=None)  # its slow twin looks at every second
@given(profiles, st.integers(0, DAY_S), st.integers(0, 600))
def test_arrivals_are_exact_to_the_second(
    traffic: Traffic, depart: int, base: int
) -> None:
    assert arrive_s(traffic, depart, base) == by_the_second(traffic, depart, base)


@given(profiles, st.integers(0, 20_000))
def test_ground_covered_is_the_sum_of_all_seconds_before(
    traffic: Traffic, time_s: int
) -> None:
    speeds = np.array(traffic.speed_permille)
    slots = np.minimum(np.arange(time_s) // traffic.slot_s, len(speeds) - 1)
    assert covered(traffic, time_s) == speeds[slots].sum()


@given(profiles, st.integers(0, 10**9))
def test_ground_is_reached_in_the_first_second_that_covers_it(
    traffic: Traffic, ground: int
) -> None:
    time_s = reached_s(traffic, ground)
    assert covered(traffic, time_s) >= ground
    assert time_s == 0 or covered(traffic, time_s - 1) < ground


@given(profiles, moments, st.integers(0, 7200), drives)
def test_who_leaves_later_never_arrives_earlier(
    traffic: Traffic, depart: int, later: int, base: int
) -> None:
    # First in, first out: Ichoua, Gendreau and Potvin (2003), section 3.
    assert arrive_s(traffic, depart, base) <= arrive_s(traffic, depart + later, base)


@given(profiles, moments, drives, drives)
def test_a_longer_drive_never_ends_earlier(
    traffic: Traffic, depart: int, base: int, more: int
) -> None:
    assert arrive_s(traffic, depart, base) <= arrive_s(traffic, depart, base + more)


@given(profiles, moments, drives)
def test_the_latest_departure_is_in_time_and_a_second_later_is_not(
    traffic: Traffic, arrive_by: int, base: int
) -> None:
    latest = depart_latest_s(traffic, arrive_by, base)
    if latest is None:
        assert arrive_s(traffic, 0, base) > arrive_by
    else:
        assert arrive_s(traffic, latest, base) <= arrive_by
        assert arrive_s(traffic, latest + 1, base) > arrive_by


def test_nobody_can_be_somewhere_before_midnight() -> None:
    assert depart_latest_s(RUSH, -1, 0) is None


# --- the day's table ----------------------------------------------------------


def test_the_first_rows_are_the_calls_in_their_order_then_shop_then_vans() -> None:
    day = a_day(
        a_call("B", place=at(1)),
        a_call("A", place=at(2)),
        vans=(a_van("V1", finish=None), a_van("V2", start=None, finish=at(3))),
    )
    table = travel_table(day)
    assert list(table.keys) == ["call:B", "call:A", "shop", "start:V1", "finish:V2"]
    assert list(table.keys.values()) == [0, 1, 2, 3, 4]
    assert table.base_s.shape == table.distance_m.shape == (5, 5)
    assert table.base_s.dtype == table.distance_m.dtype == np.int64


def test_nobody_can_change_the_table_once_it_is_made() -> None:
    table = travel_table(a_day(a_call()))
    with pytest.raises(ValueError, match="read-only"):
        table.base_s[0, 0] = 1


def test_a_day_without_calls_has_a_table() -> None:
    assert list(travel_table(a_day()).keys) == ["shop", "start:V1", "finish:V1"]


def test_the_table_hands_the_day_s_traffic_on() -> None:
    assert travel_table(a_day(travel=TravelRules(traffic=RUSH))).traffic is RUSH


class Teleport:
    """Roads of an invented planet: everything is one second and a metre away."""

    source = "teleport"

    def measure(self, places: Sequence[Place]) -> Legs:
        """Return the same short hop for every pair."""
        ones = 1 - np.eye(len(places), dtype=np.int64)
        return Legs(base_s=ones, distance_m=ones.copy())


def test_other_roads_can_stand_behind_the_table() -> None:
    table = travel_table(a_day(a_call(place=at(5))), Teleport())
    assert table.base_s[0, table.keys["shop"]] == 1
    assert table.source == "teleport"


@pytest.mark.parametrize(
    ("travel", "words"),
    [
        (TravelRules(start_stop_s=-1), "start_stop_s"),
        (TravelRules(free_flow_kmh=0), "free_flow_kmh"),
        (TravelRules(free_flow_kmh=float("nan")), "free_flow_kmh"),
        (TravelRules(traffic=Traffic(slot_s=0)), "slot_s"),
        (TravelRules(traffic=Traffic(speed_permille=())), "at least one speed"),
        (TravelRules(traffic=Traffic(speed_permille=(1000, 49))), "got 49"),
    ],
)
def test_travel_rules_that_make_no_sense_are_refused(
    travel: TravelRules, words: str
) -> None:
    with pytest.raises(InvalidInput, match=words):
        travel_table(a_day(travel=travel))


def test_a_place_that_is_nowhere_on_earth_is_refused_by_its_call() -> None:
    lost = Place(lat_deg=float("nan"), lon_deg=8)
    with pytest.raises(InvalidInput, match="call:C1"):
        travel_table(a_day(a_call(place=lost)))


# --- a given matrix -------------------------------------------------------------

TWO_CALLS = (a_call("A", place=at(1)), a_call("B", place=at(2)))


def test_a_given_matrix_is_used_as_it_stands() -> None:
    matrix = {
        ("call:A", "call:B"): (300, 2000),
        ("call:B", "call:A"): (400, 2500),  # a one-way street
        ("start:V1", "call:A"): (100, 900),
        ("start:V1", "call:B"): (110, 910),
        ("call:A", "finish:V1"): (120, 920),
        ("call:B", "finish:V1"): (130, 930),
    }
    table = travel_table(a_day(*TWO_CALLS, travel=TravelRules(matrix=matrix)))
    for (origin, target), (seconds, metres) in matrix.items():
        row, column = table.keys[origin], table.keys[target]
        assert table.base_s[row, column] == seconds
        assert table.distance_m[row, column] == metres


def test_a_van_that_starts_at_the_shop_may_borrow_the_shop_s_drives() -> None:
    matrix = {
        ("call:A", "call:B"): (300, 2000),
        ("call:B", "call:A"): (400, 2500),
        ("shop", "call:A"): (100, 900),
        ("shop", "call:B"): (110, 910),
        ("call:A", "shop"): (120, 920),
        ("call:B", "shop"): (130, 930),
        ("start:V1", "call:B"): (999, 9999),  # its own word goes first
    }
    table = travel_table(a_day(*TWO_CALLS, travel=TravelRules(matrix=matrix)))
    start, finish = table.keys["start:V1"], table.keys["finish:V1"]
    assert table.base_s[start, :2].tolist() == [100, 999]
    assert table.base_s[:2, finish].tolist() == [120, 130]
    assert table.base_s[start, finish] == 0


def test_every_pair_a_matrix_lacks_is_named_in_one_go() -> None:
    matrix = {
        ("call:A", "call:B"): (300, 2000),
        ("shop", "call:A"): (100, 900),
        ("shop", "call:B"): (110, 910),
        ("call:A", "shop"): (120, 920),
    }
    with pytest.raises(InvalidInput) as refusal:
        travel_table(a_day(*TWO_CALLS, travel=TravelRules(matrix=matrix)))
    assert [fault.column for fault in refusal.value.faults] == [
        "call:B to call:A",
        "call:B to finish:V1",
    ]


def test_a_van_away_from_the_shop_needs_drives_of_its_own() -> None:
    matrix = {("shop", "call:A"): (100, 900), ("call:A", "shop"): (100, 900)}
    day = a_day(
        a_call("A", place=at(1)),
        vans=(a_van(start=at(9)),),
        travel=TravelRules(matrix=matrix),
    )
    with pytest.raises(InvalidInput, match="start:V1 to call:A"):
        travel_table(day)


def test_calls_at_one_door_need_no_pair_in_the_matrix() -> None:
    day = a_day(
        a_call("A"),
        a_call("B"),
        vans=(a_van(start=None, finish=None),),
        travel=TravelRules(matrix={}),
    )
    assert not travel_table(day).base_s.any()


def test_a_negative_drive_is_refused_with_its_pair() -> None:
    matrix = {("call:A", "call:B"): (-5, 10), ("call:B", "call:A"): (5, -10)}
    day = a_day(
        *TWO_CALLS,
        vans=(a_van(start=None, finish=None),),
        travel=TravelRules(matrix=matrix),
    )
    with pytest.raises(InvalidInput, match=re.escape("-5 s, 10 m")) as refusal:
        travel_table(day)
    assert len(refusal.value.faults) == 2


def test_a_thousand_missing_pairs_are_counted_not_listed() -> None:
    calls = [a_call(f"C{number}", place=at(number + 1)) for number in range(40)]
    day = a_day(
        *calls,
        vans=(a_van(start=None, finish=None),),
        travel=TravelRules(matrix={}),
    )
    # 40 * 39 = 1560 ordered pairs, 20 of them shown.
    with pytest.raises(InvalidInput, match="1540 more pairs") as refusal:
        travel_table(day)
    assert len(refusal.value.faults) == 21
