"""How the service says how it is."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from api.store import open_store


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    store = open_store(f"sqlite:///{tmp_path / 'keyround.db'}")
    with TestClient(create_app(store=store)) as client:
        yield client
    store.close()


def test_the_service_is_well_when_its_store_answers(client: TestClient) -> None:
    answer = client.get("/health")
    assert answer.status_code == 200
    assert answer.json()["status"] == "ok"


def test_what_is_not_there_is_a_problem_with_its_own_status(
    client: TestClient,
) -> None:
    answer = client.get("/v1/no-such-thing")
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.status_code == answer.json()["status"] == 404


def test_each_problem_says_what_it_means(client: TestClient) -> None:
    kind = client.get("/v1/no-such-thing").json()["type"]
    assert client.get(kind).json()["title"] == "There is no such thing."


def test_the_pages_are_served_with_a_policy_that_lets_nothing_in_from_elsewhere(
    client: TestClient,
) -> None:
    for path in ("/", "/phone", "/page/office.html"):
        answer = client.get(path)
        assert answer.status_code == 200
        assert "default-src 'self'" in answer.headers["content-security-policy"]
        again = client.get(path, headers={"If-None-Match": answer.headers["etag"]})
        assert again.status_code == 304


def test_the_openapi_document_is_of_version_3_1(client: TestClient) -> None:
    assert client.get("/v1/openapi.json").json()["openapi"].startswith("3.1")
