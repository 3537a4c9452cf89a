"""An address server is asked for what nobody else knows, gently, and only if named."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from api.geocoder import FileMemory, Geocoder
from dispatch.scenario import Locator, Server, read_scenario
from shared.errors import Unavailable
from tests.nominatim import LICENCE, a_place, nominatim

HOUSE = a_place(50.1, 8.2, "4, Mill Lane, Hafton", number="4")
OTHER = a_place(51.1, 8.2, "4, Mill Lane, Otherby", number="4")
STREET = a_place(50.2, 8.2, "Mill Lane, Hafton")
STATION = a_place(50.3, 8.2, "Central Station", place_rank=30)


class Clock:
    """Seconds that pass only when somebody waits or works."""

    def __init__(self) -> None:
        self.now = 100.0
        self.waits: list[float] = []

    def time(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.waits.append(seconds)
        self.now += seconds


class Nothing:
    """Keeps nothing."""

    def get(self, key: str) -> None:
        del key

    def put(self, key: str, answer: str) -> None:
        del key, answer


def geocoder(url: str, memory: FileMemory | Nothing | None = None) -> Geocoder:
    server = Server(url=url, timeout_s=0.3, pause_s=0)
    return Geocoder(server, memory or Nothing())


def test_a_house_is_found_and_says_whose_data_it_is() -> None:
    with nominatim({"4 Mill Lane, Hafton": [HOUSE]}) as stub:
        (match,) = geocoder(stub.url)("4 Mill Lane, Hafton")
    assert match.sure
    assert (match.place.lat_deg, match.place.lon_deg) == (50.1, 8.2)
    assert match.credit == LICENCE


def test_a_place_with_a_name_is_found_without_a_house_number() -> None:
    with nominatim({"Central Station": [STATION]}) as stub:
        (match,) = geocoder(stub.url)("Central Station")
    assert match.sure


def test_several_places_are_all_returned_and_the_same_one_only_once() -> None:
    again = a_place(50.1001, 8.2, "Shop in 4, Mill Lane", number="4")  # 11 m away
    with nominatim({"4 Mill Lane": [HOUSE, again, OTHER]}) as stub:
        matches = geocoder(stub.url)("4 Mill Lane")
    assert [match.place.lat_deg for match in matches] == [50.1, 51.1]


@pytest.mark.parametrize(
    ("place", "why"),
    [
        (STREET, "house number is not known"),
        (a_place(50.1, 8.2, "6, Mill Lane", number="6"), "its house number is 6"),
    ],
)
def test_a_street_instead_of_a_house_is_not_sure(
    place: dict[str, object], why: str
) -> None:
    with nominatim({"4 Mill Lane": [place]}) as stub:
        (match,) = geocoder(stub.url)("4 Mill Lane")
    assert not match.sure
    assert why in match.why


def test_what_the_server_does_not_know_is_no_match_and_no_error() -> None:
    with nominatim({}) as stub:
        assert geocoder(stub.url)("4 Mill Lane") == ()


def test_a_place_without_coordinates_is_left_out_not_put_on_the_equator() -> None:
    with nominatim({"4 Mill Lane": [{**HOUSE, "lat": None}, OTHER]}) as stub:
        (match,) = geocoder(stub.url)("4 Mill Lane")
    assert match.place.lat_deg == 51.1


def test_a_dead_server_is_unavailable_not_an_address_that_is_not_found() -> None:
    with nominatim({}) as stub:
        url = stub.url
    with pytest.raises(Unavailable, match=r"127\.0\.0\.1"):
        geocoder(url)("4 Mill Lane")


def test_a_server_that_is_too_slow_is_given_up_after_the_time_that_was_named() -> None:
    with (
        nominatim({}, silent=True) as stub,
        pytest.raises(Unavailable, match=r"did not answer within 0\.3 s"),
    ):
        geocoder(stub.url)("4 Mill Lane")


@pytest.mark.parametrize(
    ("status", "body"),
    [
        (500, b"[]"),
        (429, b"[]"),
        (200, b"<html>maintenance</html>"),
        (200, b'[{"lat": "north", "lon": "8"}]'),
        (200, b'[["no", "place"]]'),
        (200, b"\xff\xfe"),
    ],
)
def test_an_answer_that_is_none_is_unavailable(status: int, body: bytes) -> None:
    with (
        nominatim({}, status=status, body=body) as stub,
        pytest.raises(Unavailable),
    ):
        geocoder(stub.url)("4 Mill Lane")


def test_questions_keep_the_pause_that_was_named() -> None:
    clock = Clock()
    with nominatim({"a 1": [HOUSE]}) as stub:
        server = Server(url=stub.url, pause_s=1.5)
        ask = Geocoder(server, Nothing(), time=(clock.time, clock.sleep))
        for address in ("a 1", "b 2", "c 3"):
            ask(address)
        assert stub.asked == ["a 1", "b 2", "c 3"]
    # The first at once, each other one 1.5 s after the one before.
    assert clock.waits == [1.5, 1.5]


def test_a_pause_that_has_passed_already_is_not_waited_for() -> None:
    clock = Clock()
    with nominatim({}) as stub:
        server = Server(url=stub.url, pause_s=1.5)
        ask = Geocoder(server, Nothing(), time=(clock.time, clock.sleep))
        ask("a 1")
        clock.now += 60
        ask("b 2")
    assert clock.waits == []


def test_an_answer_that_is_kept_is_not_asked_for_again(tmp_path: Path) -> None:
    memory = FileMemory(tmp_path / "kept" / "places.json")
    with nominatim({"4 Mill Lane": [HOUSE]}) as stub:
        first = geocoder(stub.url, memory)("4 Mill Lane")
        again = geocoder(stub.url, memory)("Mill Ln. 4")  # the same, written otherwise
        assert again == first
        assert stub.asked == ["4 Mill Lane"]


def test_what_was_not_found_is_asked_again_another_day(tmp_path: Path) -> None:
    memory = FileMemory(tmp_path / "places.json")
    with nominatim({}) as stub:
        geocoder(stub.url, memory)("4 Mill Lane")
        stub.known = {"4 Mill Lane": [HOUSE]}
        assert geocoder(stub.url, memory)("4 Mill Lane")
        assert len(stub.asked) == 2


def test_kept_answers_are_for_one_users_eyes_and_a_broken_file_does_no_harm(
    tmp_path: Path,
) -> None:
    path = tmp_path / "places.json"
    path.write_text("{broken")
    memory = FileMemory(path)
    assert memory.get("any") is None
    memory.put("any", "answer")
    assert memory.get("any") == "answer"
    assert json.loads(path.read_text()) == {"any": "answer"}
    assert path.stat().st_mode & 0o077 == 0
    assert [each.name for each in tmp_path.iterdir()] == ["places.json"]  # no drafts


def test_an_answer_that_cannot_be_kept_is_an_answer_all_the_same(
    tmp_path: Path,
) -> None:
    (tmp_path / "file").write_text("")
    memory = FileMemory(tmp_path / "file" / "places.json")  # no folder
    with nominatim({"4 Mill Lane": [HOUSE]}) as stub:
        assert geocoder(stub.url, memory)("4 Mill Lane")


# --- a whole folder ---------------------------------------------------------------

FOLDER = {
    "vans.toml": '[[van]]\nid = "V1"\nshift = "08:00-17:00"\n',
    "parts.csv": "id\nX\n",
    "stock.csv": "holder,part,quantity\n",
    "calls.csv": "id,kind,customer,phone,address,note\n"
    '1,rekey,Ida Fenwick,+0 100101,"4 Mill Lane, Hafton",the dog bites\n'
    '2,rekey,Tom Barrowby,+0 100102,"9 Nowhere Road, Hafton",\n',
}


def lay(folder: Path, server: str = "") -> Path:
    """Write a folder with two calls that have addresses only."""
    named = f'[addresses]\nserver = "{server}"\npause_s = 0\n' if server else ""
    day = 'date = 2026-12-03\nzone = "UTC"\n[shop]\nlat = 50\nlon = 8\n'
    for name, text in {**FOLDER, "day.toml": day + named}.items():
        (folder / name).write_text(text)
    return folder


def connect(server: Server | None) -> Geocoder | None:
    return None if server is None else Geocoder(server, Nothing())


def test_a_day_is_planned_with_what_the_server_knows_and_the_rest_is_barred(
    tmp_path: Path,
) -> None:
    with nominatim({"4 Mill Lane, Hafton": [HOUSE]}) as stub:
        folder = lay(tmp_path, stub.url)
        day = read_scenario(folder, Locator(connect=connect))
    known, unknown = day.calls
    assert (known.place.lat_deg, known.place.name) == (50.1, "4 Mill Lane, Hafton")
    assert day.credit == LICENCE
    assert not unknown.is_located
    assert unknown.barred is not None
    assert "calls.csv, line 3" in unknown.barred.text
    assert stub.url.removeprefix("http://") in unknown.barred.text


def test_nothing_but_the_address_goes_to_the_server(tmp_path: Path) -> None:
    with nominatim({}) as stub:
        read_scenario(lay(tmp_path, stub.url), Locator(connect=connect))
        assert stub.asked == ["4 Mill Lane, Hafton", "9 Nowhere Road, Hafton"]
        everything = "\n".join(stub.requests)
    for secret in ("Fenwick", "Barrowby", "100101", "dog", "rekey"):
        assert secret not in everything


def test_a_dead_server_costs_one_try_and_leaves_the_calls_with_the_reason(
    tmp_path: Path,
) -> None:
    with nominatim({}, status=500) as stub:
        day = read_scenario(lay(tmp_path, stub.url), Locator(connect=connect))
        assert len(stub.asked) == 1  # the second call does not wait for it again
    for call in day.calls:
        assert call.barred is not None
        assert "did not answer" in call.barred.text
        assert "plan again when it answers" in call.barred.remedy


GUARD = """
import sys

def guard(event, args):
    if event in ("socket.connect", "socket.getaddrinfo", "socket.sendto"):
        print("NETWORK", event, args)
        sys.stdout.flush()

sys.addaudithook(guard)
from api.cli import main
sys.argv = ["keyround", "place", sys.argv[1], "1"]
main()
"""


@pytest.mark.parametrize("named", [False, True])
def test_without_a_named_server_nothing_reaches_for_the_network(
    tmp_path: Path,
    named: bool,  # noqa: FBT001 - a parameter of the test
) -> None:
    with nominatim({"4 Mill Lane, Hafton": [HOUSE]}) as stub:
        folder = lay(tmp_path, stub.url if named else "")
        done = subprocess.run(  # noqa: S603 - our own program
            [sys.executable, "-c", GUARD, str(folder)],
            env={"KEYROUND_PLACES": str(tmp_path / "kept.json"), "PYTHONPATH": "."},
            capture_output=True,
            text=True,
            check=False,
        )
        assert len(stub.asked) == (2 if named else 0)
    assert ("NETWORK" in done.stdout) == named  # the guard sees what there is to see
    assert done.returncode == (0 if named else 1), done.stderr
