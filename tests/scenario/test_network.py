"""The road network of a real region, built and asked: only where its library is.

That is from Python 3.12 on; .ci/run runs these tests there.
"""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from api.cli import Engine, cli
from dispatch.explain import explain
from dispatch.timetable import Task, lay_out_best
from dispatch.travel import travel_table
from dispatch.travel.atlas import Atlas
from dispatch.travel.fit import PLACES, draw_places, fit_straight_line
from dispatch.travel.survey import find_ways, lay
from shared.errors import InvalidInput
from shared.model import Day, Place, Plan, Proof, Status, TravelRules
from tests.builders import a_call, a_day, a_plan, a_van

pytest.importorskip("valhalla", reason="the routing library needs Python 3.12")

from dispatch.travel.network import (
    MANIFEST,
    Network,
    build_network,
    cache_folder,
    network_of,
    open_network,
    read_extract,
)
from tests.oracle.slow_roads import Streets, compare

DEMO = Path(__file__).parents[2] / "demo_scenarios" / "real_roads"
EXTRACT = DEMO / "liechtenstein-2013-08-03.osm.pbf"


@pytest.fixture(scope="module")
def network(tmp_path_factory: pytest.TempPathFactory) -> Network:
    folder = tmp_path_factory.mktemp("roads") / "network"
    build_network(EXTRACT, folder)
    return open_network(folder)


@pytest.fixture(scope="module")
def invented(tmp_path_factory: pytest.TempPathFactory) -> Network:
    """Return the network of an invented island; see :func:`write_island`."""
    folder = tmp_path_factory.mktemp("island")
    write_island(folder / "island.osm.pbf")
    build_network(folder / "island.osm.pbf", folder / "network")
    return open_network(folder / "network")


# An invented coast at 50 N 8 E, in steps of 0.01 degrees: a street of twelve blocks, a
# ferry from its east end to an island, and a street that no other one joins.
STEP = 0.01


def write_island(path: Path) -> None:
    import osmium  # noqa: PLC0415 - beside its only use
    from osmium.osm import mutable  # noqa: PLC0415

    nodes: dict[int, tuple[float, float]] = {}
    ways: list[tuple[list[int], dict[str, str]]] = []

    def street(row: float, columns: range, **tags: str) -> list[int]:
        first = len(nodes) + 1
        for number, column in enumerate(columns):
            nodes[first + number] = (8.0 + column * STEP, 50.0 + row * STEP)
        refs = [first + number for number in range(len(columns))]
        ways.append((refs, {"highway": "residential"} | tags))
        return refs

    main = street(0, range(60), name="Invented Row")
    back = street(1, range(60), name="Invented Lane")
    for end, other in zip(main[::2], back[::2], strict=True):
        ways.append(([end, other], {"highway": "residential"}))
    isle = street(0, range(75, 140), name="Island Road")
    ways.append(
        (
            [main[-1], isle[0]],
            {"route": "ferry", "motor_vehicle": "yes", "duration": "00:20"},
        )
    )
    street(9, range(3), name="Nowhere Street")
    dead = street(-1, range(2), name="One Way Out", oneway="yes")
    ways.append(([main[0], dead[0]], {"highway": "residential", "oneway": "yes"}))
    writer = osmium.SimpleWriter(str(path))
    for ref, (lon, lat) in nodes.items():
        writer.add_node(mutable.Node(id=ref, location=(lon, lat), version=1))
    for number, (refs, tags) in enumerate(ways, start=1):
        writer.add_way(mutable.Way(id=number, nodes=refs, tags=tags, version=1))
    writer.close()


def on_island(row: float, column: float) -> Place:
    return Place(lat_deg=50.0 + row * STEP, lon_deg=8.0 + column * STEP)


def drawn(network: Network, count: int, seed: int) -> list[Place]:
    assert network.bounds is not None
    return draw_places(Atlas(asker=network), network.bounds, count, seed)


def test_an_extract_says_of_when_and_of_where_it_is() -> None:
    told = read_extract(EXTRACT)
    assert told.data_date == "2013-08-03"
    assert told.sha256.startswith("edb2b075be05")
    assert told.bounds == pytest.approx((47.048, 9.471, 47.271, 9.636), abs=0.001)
    assert "OpenStreetMap contributors" in told.credit


def test_a_network_appears_whole_or_not_at_all(tmp_path: Path) -> None:
    broken = tmp_path / "broken.osm.pbf"
    broken.write_bytes(EXTRACT.read_bytes()[:200_000])
    with pytest.raises(Exception, match=r"could not be built|no roads"):
        build_network(broken, tmp_path / "network")
    assert [path.name for path in tmp_path.iterdir()] == ["broken.osm.pbf"]


def test_what_is_no_extract_is_refused(tmp_path: Path) -> None:
    for name, body in (("a.pbf", b"PK\x03\x04 a zip"), ("b.pbf", b"")):
        (tmp_path / name).write_bytes(body)
        with pytest.raises(InvalidInput, match="OpenStreetMap extract in PBF"):
            read_extract(tmp_path / name)
    with pytest.raises(InvalidInput, match="No such file"):
        read_extract(tmp_path / "none.pbf")
    with pytest.raises(InvalidInput, match="a folder that 'keyround roads"):
        open_network(tmp_path)


def test_a_network_is_built_once_and_found_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("KEYROUND_ROADS_CACHE", str(tmp_path))
    said: list[str] = []
    steps: list[int] = []
    first = network_of(EXTRACT, said.append, steps.append)
    assert len(said) == 1
    assert steps[-1] == 100
    again = network_of(EXTRACT, said.append)
    assert len(said) == 1
    assert again.network == first.network
    assert (cache_folder() / first.network / MANIFEST).exists()


def test_two_hundred_pairs_agree_with_a_plain_dijkstra(network: Network) -> None:
    found = compare(Streets(EXTRACT, network.swift), Atlas(asker=network), 200, 4)
    # Never quicker than the quickest way without turn costs, tracks through woods and
    # fields among the roads, but for rounding ...
    assert (found.network_s >= found.tracks_s - 1).all()
    # ... and slower than the quickest way without tracks, which vans keep off, by no
    # more than turns cost: at most 3 s for each junction of that way, and rounding.
    excess_s = found.network_s - found.dijkstra_s
    assert (excess_s <= 3 * found.junctions + 3).all()
    assert np.median(excess_s / found.dijkstra_s) < 0.08


def test_both_ways_of_asking_for_drives_agree(network: Network) -> None:
    # The library looks forwards from few places, backwards from many: the same drives.
    atlas = Atlas(asker=network)
    spots = [spot for spot in atlas.find(drawn(network, 40, seed=3)) if spot]
    whole = atlas.drives(spots, spots).base_s
    assert (whole >= 0).all()
    for row in range(0, 40, 8):
        column = atlas.drives(spots, [spots[row]]).base_s[:, 0]
        assert np.abs(column - whole[:, row]).max() <= 2


def test_a_way_is_as_long_as_the_drive_says(network: Network) -> None:
    places = drawn(network, 12, seed=5)
    shop, *calls = places
    vans = (a_van(start=shop, finish=shop),)
    day = a_day(*(a_call(f"C{n}", place=p) for n, p in enumerate(calls)), vans=vans)
    day = lay(replace(day, shop=replace(day.shop, place=shop)), Atlas(asker=network))
    order = tuple(call.id for call in day.calls)
    plan = a_plan({"V1": order})
    route = plan.routes[0]
    stops = [
        replace(stop, place=call.place)
        for stop, call in zip(route.stops, day.calls, strict=True)
    ]
    plan = replace(plan, routes=(replace(route, stops=tuple(stops)),))
    travel = travel_table(day)
    nodes = ["start:V1", *(f"call:{call_id}" for call_id in order), "finish:V1"]
    rows = [travel.keys[node] for node in nodes]
    ways = find_ways(day, plan, Atlas(asker=network))["V1"]
    for way, here, there in zip(ways, rows, rows[1:], strict=False):
        assert way is not None
        driven_m = sum(turn.distance_m for turn in way.turns)
        told_m = int(travel.distance_m[here, there])
        # Two ways that weigh the same may differ in length.
        assert driven_m == pytest.approx(told_m, abs=max(100, 0.06 * told_m))
        assert way.turns[-1].text.startswith(("You have arrived", "Your destination"))


def test_anomalies_are_small_and_few(network: Network) -> None:
    atlas = Atlas(asker=network)
    spots = [spot for spot in atlas.find(drawn(network, 60, seed=2)) if spot]
    base_s = atlas.drives(spots, spots).base_s
    # There and back differ by turn costs and one-way streets.
    assert np.abs(base_s - base_s.T).max() < 180
    # By a third place it is quicker now and then: whoever stops may turn round there,
    # and the best way weighs penalties that cost no time (private roads, turns).
    around = (base_s[:, :, None] + base_s[None, :, :]).min(axis=1)
    assert (base_s - around > 1).mean() < 0.1
    assert (base_s - around).max() < 180


def test_the_fitted_straight_line_is_nearer_than_one_factor(network: Network) -> None:
    for seed in (10, 11, 12):
        places = drawn(network, 2 * PLACES, seed)
        found = fit_straight_line(Atlas(asker=network), places, TravelRules())
        assert found.pairs > 3000
        assert found.error_s < found.factor_error_s
        assert found.error_s < found.usual_error_s
        assert f"{found.error_s / 60:.1f} min" in found.words


def test_a_ferry_is_taken_and_said(invented: Network) -> None:
    atlas = Atlas(asker=invented)
    shore, isle = atlas.find([on_island(0, 10), on_island(0, 100)])
    assert shore is not None
    assert isle is not None
    drive_s = atlas.drives([shore], [isle]).base_s[0, 0]
    assert drive_s > 1200  # twenty minutes on the water alone
    way = atlas.way(shore, isle)
    assert way is not None
    assert way.by_ferry
    there = atlas.find([on_island(1, 30)])[0]
    assert there is not None
    ashore = atlas.way(shore, there)
    assert ashore is not None
    assert not ashore.by_ferry


def test_streets_that_nothing_joins_and_one_way_ends_are_cut_off(
    invented: Network,
) -> None:
    shop = on_island(0, 20)
    calls = (
        a_call("GOOD", place=on_island(1, 30)),
        a_call("ISLAND", place=on_island(9, 1)),
        a_call("TRAP", place=on_island(-1, 1)),
        a_call("SEA", place=on_island(20, 20)),
    )
    day = a_day(*calls, vans=(a_van(start=shop, finish=shop),))
    day = lay(replace(day, shop=replace(day.shop, place=shop)), Atlas(asker=invented))
    cut = {
        call.id: found.text
        for call in day.calls
        if (found := day.travel.cut_off(call.place)) is not None
    }
    assert set(cut) == {"ISLAND", "TRAP", "SEA"}
    assert "no road that a van may take leads there" in cut["ISLAND"]
    assert "not away again" in cut["TRAP"]
    assert "no road within" in cut["SEA"] or "outside" in cut["SEA"]


def by_hand(day: Day, **_: object) -> Plan:
    """Plan without the search, which has to be compiled: calls in their order."""
    travel = travel_table(day)
    tasks: dict[str, list[Task]] = {van.id: [] for van in day.vans}
    routes = {}
    for call in day.calls:
        for van in day.vans:
            longer = [*tasks[van.id], Task(call_id=call.id)]
            route = lay_out_best(day, travel, van, longer)
            if route is not None and day.travel.cut_off(call.place) is None:
                tasks[van.id], routes[van.id] = longer, route
                break
    status = Status(proof=Proof.BEST_FOUND)
    bare = Plan(routes=tuple(routes.values()), issues=(), unplaced=(), status=status)
    return explain(day, travel, bare)


def run(*words: str) -> tuple[int, str]:
    done = CliRunner().invoke(cli, list(words), obj=Engine(plan_day=by_hand))
    return done.exit_code, done.output


def test_the_demo_day_is_planned_on_its_roads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("KEYROUND_ROADS_CACHE", str(tmp_path / "cache"))
    out = tmp_path / "out"
    code, said = run("plan", str(DEMO), "--out", str(out))
    assert code == 1, said  # one call lies where no road leads
    plan = json.loads((out / "plan.json").read_text(encoding="utf-8"))
    left = {each["call"]["id"]: each["reasons"] for each in plan["unplaced"]}
    assert left["817"][0]["rule"] == "travel"
    assert "no road within 500 m" in left["817"][0]["text"]
    assert sum(van["drive_s"] for van in plan["vans"]) > 3600
    assert "OpenStreetMap contributors" in plan["day"]["roads"]
    assert all(
        stop["way"] for van in plan["vans"] for stop in van["stops"] if stop["drive_s"]
    )
    lines = json.loads((out / "routes.geojson").read_text(encoding="utf-8"))["features"]
    routes = [each for each in lines if each["properties"]["what"] == "route"]
    assert all(not each["properties"]["straight_lines"] for each in routes)
    assert all(len(each["geometry"]["coordinates"]) > 100 for each in routes)


def test_a_region_is_built_with_its_error_said(tmp_path: Path) -> None:
    out = tmp_path / "network"
    code, said = run("roads", str(EXTRACT), "--out", str(out))
    assert code == 0, said
    assert "fitted to this network" in said
    assert "one constant factor" in said
    assert "OpenStreetMap contributors" in said
    code, said = run("roads", str(EXTRACT), "--out", str(out))
    assert code == 2
    assert "already" in said
