"""The service on a road network: an invented one, asked as little as possible."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from api.desk import know
from api.host import load_folder
from api.roads import Surveyor
from dispatch.scenario import read_scenario
from dispatch.travel.atlas import Atlas
from shared.errors import InvalidInput, Unavailable
from tests.api.test_office import DAY, LOCKOUT, key, tell
from tests.roads import InventedRoads
from tests.service import DEMO, Service, service

DAY_ID = DAY.rsplit("/", 1)[-1]


class Silent(InventedRoads):
    """A network that does not answer any more."""

    def ask(self, *_: object, **__: object) -> object:
        raise Unavailable("the route service did not answer")


@pytest.fixture
def roads() -> InventedRoads:
    return InventedRoads()


@pytest.fixture
def s(tmp_path: Path, roads: InventedRoads) -> Iterator[Service]:
    surveyor = Surveyor(Atlas(asker=roads))
    with service(tmp_path, roads=surveyor) as made:
        yield made


def asked(roads: InventedRoads) -> list[int]:
    return [n for what, n in roads.asked if what.startswith("sources")]


def test_plan_sheet_and_geojson_follow_the_roads(s: Service) -> None:
    plan = s.office.get(f"{DAY}/plan").json()["document"]
    assert plan["day"]["roads"] == "nobody: invented roads"
    driven = [stop for van in plan["vans"] for stop in van["stops"] if stop["drive_s"]]
    assert driven
    assert all(len(stop["way"]["path_deg"]) >= 2 for stop in driven)
    van_id = plan["vans"][0]["id"]
    sheet = s.office.get(f"/v1/vans/{van_id}/sheet").json()
    assert sheet["roads"] == "nobody: invented roads"
    assert any(stop["turns"] for stop in sheet["stops"])


def test_an_urgent_call_costs_one_row_and_one_column(
    s: Service, roads: InventedRoads
) -> None:
    tell(s, "08:00", kind="left", van_id="mira", call_id="501")
    tell(s, "08:01", kind="left", van_id="hanno", call_id="506")
    s.work()
    with s.store.read() as transaction:
        streets = know(s.desk, transaction, DAY_ID).day.travel.streets
    assert streets is not None
    places = len(streets.spots)
    roads.asked.clear()
    inquiry = s.office.post(f"{DAY}/urgent", json={"call": LOCKOUT, "danger": True})
    assert inquiry.status_code == 201, inquiry.text
    assert asked(roads) == [places + 1, places]
    roads.asked.clear()
    path = f"{DAY}/urgent/{inquiry.json()['id']}/accept"
    taken = s.office.post(path, json={"option": 0}, headers=key("1"))
    assert taken.status_code == 201, taken.text
    assert asked(roads) == []
    plan = s.office.get(f"{DAY}/plan").json()["document"]
    (stop,) = (
        stop
        for van in plan["vans"]
        for stop in van["stops"]
        if stop["call"] and stop["call"]["id"] == "900"
    )
    assert stop["way"]


def test_a_day_that_was_laid_before_costs_nothing_in_another_process(
    s: Service, roads: InventedRoads
) -> None:
    roads.asked.clear()
    other = Surveyor(Atlas(asker=roads))
    with s.store.read() as transaction:
        known = know(s.desk, transaction, DAY_ID)
        again = other.lay(transaction, known.day, [])
    assert asked(roads) == []
    assert again.travel.streets == known.day.travel.streets


def test_a_network_that_falls_silent_stops_nobody(tmp_path: Path) -> None:
    with service(tmp_path, roads=Surveyor(Atlas(asker=Silent()))) as s:
        plan = s.office.get(f"{DAY}/plan").json()["document"]
        assert plan["vans"]
        assert "straight lines" in " ".join(plan["day"]["travel"])


def test_a_folder_whose_shop_is_off_the_map_is_not_loaded(tmp_path: Path) -> None:
    day = DEMO / "live_day"
    shop = read_scenario(day).shop.place
    surveyor = Surveyor(Atlas(asker=InventedRoads(off=[shop])))
    with (
        service(tmp_path, load=None) as s,
        pytest.raises(InvalidInput, match=r"off the map|no road within"),
    ):
        load_folder(s.store, day, roads=surveyor)
