"""Who gets in where: every route of the application, asked by everybody who may not.

A route that the tables below do not name fails the test, and so does a rule whose route
is not there.
"""

import re
from collections.abc import Iterator

import pytest
from fastapi import FastAPI
from fastapi.routing import iter_route_contexts
from fastapi.testclient import TestClient

from api.store.plans import placed_on
from tests.service import Service, plan_demo, service

TODAY, OTHER = "2026-12-04", "2026-12-03"
MINE, THEIRS = "mira", "hanno"

# Whoever comes.
PUBLIC = """
GET /
GET /phone
GET /page/{name}
GET /health
GET /feeds/{secret}.ics
GET /v1/openapi.json
GET /v1/problems/{slug}
POST /v1/session
"""
# The office, and each van for itself: they name nothing that is anybody else's.
SIGNED_IN = """
GET /v1/session
DELETE /v1/session
GET /v1/days
GET /v1/kinds
GET /v1/events
"""
# The office, and a van for itself: it names a van, a day that the van is not in, or a
# call that is not the van's. Then it is not there, for that van.
OWN = """
GET /v1/vans/{van}/sheet
GET /v1/days/{day}/vans/{van}/sheet
GET /v1/days/{day}/vans/{van}/calendar.ics
GET /v1/days/{day}/vans/{van}/route.geojson
GET /v1/days/{day}/vans/{van}/route.gpx
POST /v1/days/{day}/calls/{call}/code/reveal
GET /v1/days/{other}
GET /v1/days/{other}/facts
POST /v1/days/{other}/facts
GET /v1/days/{other}/parts
GET /v1/days/{other}/parts/{part}
GET /v1/days/{other}/stock
"""
# The office alone.
OFFICE = """
GET /metrics
POST /v1/pairings
POST /v1/feeds
GET /v1/keys
DELETE /v1/keys/{key}
GET /v1/code-log
PUT /v1/days/{day}/calls/{call}/code
DELETE /v1/days/{day}/calls/{call}/code
POST /v1/days
DELETE /v1/days/{day}
GET /v1/days/{day}/folder
POST /v1/days/{day}/erase
GET /v1/days/{day}/calls
POST /v1/days/{day}/calls
GET /v1/days/{day}/calls/{call}
PUT /v1/days/{day}/calls/{call}
DELETE /v1/days/{day}/calls/{call}
GET /v1/days/{day}/vans
GET /v1/days/{day}/vans/{van}
PUT /v1/days/{day}/vans/{van}
PUT /v1/days/{day}/parts/{part}
GET /v1/days/{day}/movements
POST /v1/days/{day}/movements
GET /v1/days/{day}/check
GET /v1/days/{day}/plan
GET /v1/days/{day}/plans
GET /v1/days/{day}/plans/{version}
POST /v1/days/{day}/jobs
GET /v1/days/{day}/jobs
GET /v1/jobs/{job}
POST /v1/jobs/{job}/cancel
POST /v1/days/{day}/urgent
POST /v1/days/{day}/urgent/{inquiry}/accept
POST /v1/days/{day}/quote
GET /v1/days/{day}/rest
POST /v1/places
GET /v1/pins
POST /v1/pins
DELETE /v1/pins/{pin}
GET /v1/days/{day}/rings
POST /v1/days/{day}/rings/{call}/done
"""

# What stands for a name in a path: what is there, and is not the van's that asks.
NAMES = {
    "day": TODAY,
    "other": OTHER,
    "van": THEIRS,
    "version": "1",
    "part": "x",
    "key": "x",
    "job": "x",
    "inquiry": "x",
    "pin": "x",
}
BODIES = {
    "POST /v1/days/{other}/facts": {
        "sent_at": f"{TODAY}T07:50:00+00:00",
        "facts": [{"id": "1", "kind": "van_down", "at": f"{TODAY}T07:50:00+00:00"}],
    }
}


def lines(table: str) -> list[str]:
    return table.split("\n")[1:-1]


def routes(app: FastAPI) -> set[str]:
    """Return every route as the application has it, in or out of its document."""
    return {
        f"{method} {route.path}"
        for route in iter_route_contexts(app.routes)
        for method in set(route.methods or ()) - {"HEAD", "OPTIONS"}
    }


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """Run a service with a day that both vans are in, and one with neither."""
    with service(tmp_path_factory.mktemp("gate")) as opened:
        assert plan_demo(opened.desk, "one_van") == OTHER
        yield opened


@pytest.fixture(scope="module")
def mine(house: Service) -> TestClient:
    """Return a client that is signed in as one of the two vans."""
    return house.van(MINE)


@pytest.fixture(scope="module")
def call(house: Service) -> str:
    """Return a call of the other van; it has a code."""
    with house.store.read() as transaction:
        placed = placed_on(transaction, TODAY)
    found = next(call for call, van in placed.items() if van == THEIRS)
    answer = house.office.put(
        f"/v1/days/{TODAY}/calls/{found}/code", json={"code": "1", "what": "pin"}
    )
    assert answer.status_code == 204
    return found


def ask(client: TestClient, line: str, call: str) -> int:
    """Ask what a rule is about; a refusal says so in its body as well."""
    method, path = line.split(" ")
    names = NAMES | {"call": call}
    path = re.sub(r"\{(\w+)\}", lambda found: names[found[1]], path)
    answer = client.request(
        method,
        path,
        json=BODIES.get(line, {}) if method in ("POST", "PUT") else None,
        headers={"Idempotency-Key": "1", "If-Match": '"x"'},
    )
    if answer.status_code >= 400:
        assert answer.json()["status"] == answer.status_code
    return answer.status_code


def test_every_route_has_one_rule_and_every_rule_a_route(house: Service) -> None:
    ruled = [*lines(PUBLIC), *lines(SIGNED_IN), *lines(OWN), *lines(OFFICE)]
    assert len(ruled) == len(set(ruled))
    assert {line.replace("{other}", "{day}") for line in ruled} == routes(house.app)


@pytest.mark.parametrize("line", [*lines(SIGNED_IN), *lines(OWN), *lines(OFFICE)])
def test_nobody_gets_in_without_signing_in(
    house: Service, call: str, line: str
) -> None:
    assert ask(house.nobody, line, call) == 401


@pytest.mark.parametrize("line", lines(OFFICE))
def test_no_van_gets_in_where_only_the_office_may(
    mine: TestClient, call: str, line: str
) -> None:
    assert ask(mine, line, call) == 403


@pytest.mark.parametrize("line", lines(OWN))
def test_for_another_van_it_is_not_there(
    mine: TestClient, call: str, line: str
) -> None:
    assert ask(mine, line, call) == 404


def test_what_is_another_vans_looks_like_what_does_not_exist(mine: TestClient) -> None:
    pairs = [
        (f"/v1/days/{TODAY}/vans/{THEIRS}/sheet", f"/v1/days/{TODAY}/vans/x/sheet"),
        (f"/v1/vans/{THEIRS}/sheet", "/v1/vans/x/sheet"),
        (f"/v1/days/{OTHER}", "/v1/days/2031-01-01"),
        (f"/v1/days/{OTHER}/facts", "/v1/days/2031-01-01/facts"),
    ]
    for theirs, nowhere in pairs:
        assert mine.get(theirs).json() == mine.get(nowhere).json()


def test_the_office_gets_in_where_it_may(house: Service) -> None:
    for path in ("/v1/keys", "/v1/code-log", "/metrics", f"/v1/days/{TODAY}/plan"):
        assert house.office.get(path).status_code == 200


def test_every_route_declares_how_it_turns_people_away(house: Service) -> None:
    document = house.app.openapi()
    shown = routes(house.app) & {
        f"{method.upper()} {path}"
        for path, methods in document["paths"].items()
        for method in methods
    }
    assert len(shown) > 30
    rules = {
        **{key: {"401", "429", "503"} for key in lines(SIGNED_IN)},
        **{key: {"401", "404", "429", "503"} for key in lines(OWN)},
        **{key: {"401", "403", "429", "503"} for key in lines(OFFICE)},
    }
    for line, needed in rules.items():
        name = line.replace("{other}", "{day}")
        if name in shown:
            method, path = name.split(" ")
            declared = document["paths"][path][method.lower()]
            assert needed <= declared["responses"].keys(), name
            assert declared["security"], name
