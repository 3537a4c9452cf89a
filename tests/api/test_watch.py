"""What the service writes down, counts, and sends along with every answer."""

import json
import logging
from collections.abc import Iterator
from pathlib import Path

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from api.journal import Journal, say
from tests.api.house import DAY, House, open_house


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with open_house(tmp_path) as opened:
        yield opened


def value(house: House, name: str, **labels: str) -> float | None:
    """Read one number from the metrics, with the reader of the format's own library."""
    answer = house.office().get("/metrics")
    assert answer.headers["content-type"].startswith("application/openmetrics-text")
    for family in text_string_to_metric_families(answer.text):
        for sample in family.samples:
            if sample.name == name and labels.items() <= sample.labels.items():
                return float(sample.value)
    return None


def test_every_answer_says_what_browsers_may_not_do_with_it(house: House) -> None:
    for path in ("/", "/phone", "/v1/session", "/v1/openapi.json", "/nowhere"):
        headers = house.client().get(path).headers
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert "frame-ancestors 'none'" in headers["content-security-policy"]
        assert headers.get_list("content-security-policy")[1:] == []
        assert "strict-transport-security" not in headers


def test_pages_may_load_their_own_and_data_nothing(house: House) -> None:
    page = house.client().get("/").headers["content-security-policy"]
    data = house.client().get("/health").headers["content-security-policy"]
    assert "default-src 'self'" in page
    assert "default-src 'none'" in data


def test_what_nobody_expected_is_a_problem_that_says_nothing_of_the_inside(
    house: House, caplog: pytest.LogCaptureFixture
) -> None:
    @house.app.get("/broken")
    def broken() -> None:
        raise ValueError("Mrs Invented, 12 Made-up Lane")

    answer = house.client().get("/broken")
    assert answer.status_code == answer.json()["status"] == 500
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "Invented" not in answer.text
    written = [Journal().format(record) for record in caplog.records]
    assert any('"type": "ValueError"' in line for line in written)
    assert not [line for line in written if "Invented" in line]


def test_the_journal_names_routes_and_keys_not_what_was_asked_for(
    house: House, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG, "keyround")
    office = house.office()
    caplog.clear()
    office.put(
        f"/v1/days/{DAY}/calls/501/code?note=Invented",
        json={"code": "5-2-4", "what": "pin"},
    )
    [line] = [json.loads(Journal().format(record)) for record in caplog.records]
    assert line.pop("ms") > 0
    assert len(line.pop("key")) == 16
    assert line.pop("at").endswith("+00:00")
    assert line == {
        "level": "info",
        "from": "keyround",
        "event": "request",
        "method": "PUT",
        "route": "/v1/days/{day}/calls/{call}/code",
        "status": 204,
    }


def test_reads_that_went_well_are_counted_but_not_written_down(
    house: House, caplog: pytest.LogCaptureFixture
) -> None:
    office = house.office()
    caplog.set_level(logging.INFO, "keyround")
    caplog.clear()
    office.get("/v1/session")
    assert caplog.records == []
    office.get("/v1/nowhere")
    assert [record.facts["route"] for record in caplog.records] == ["none"]  # type: ignore[attr-defined]


def fail(error: Exception) -> None:
    raise error


def test_the_words_of_errors_and_of_other_libraries_are_not_written_down() -> None:
    def note(name: str, error: BaseException | None = None) -> str:
        info = error and (type(error), error, error.__traceback__)
        record = logging.LogRecord(name, 40, "", 0, "Invented %s", ("Lane",), info)
        return Journal().format(record)

    assert "Invented" not in note("asyncio")
    assert "Invented Lane" in note("uvicorn.error")
    try:
        try:
            fail(KeyError("Invented"))
        except KeyError as cause:
            raise RuntimeError("Invented") from cause
    except RuntimeError as error:
        line = json.loads(note("asyncio", error))
    assert [each["type"] for each in line["error"]] == ["RuntimeError", "KeyError"]
    assert line["error"][0]["at"][0].startswith("api/test_watch.py:")
    assert "Invented" not in json.dumps(line)


def test_a_line_of_the_journal_is_one_line(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO, "keyround")
    say("begun", words="two\nlines")
    [record] = caplog.records
    assert "\n" not in Journal().format(record)


def test_requests_are_counted_by_route_and_status(house: House) -> None:
    phone = house.phone("mira")
    for _ in range(3):
        phone.get("/v1/session")
    house.client().get("/v1/session")
    house.client().get(f"/{'x' * 50}")
    asked = {"method": "GET", "route": "/v1/session"}
    name = "keyround_requests_total"
    assert value(house, name, **asked, status="200") == 3
    assert value(house, name, **asked, status="401") == 1
    assert value(house, name, route="none", status="404") == 1
    times = "keyround_request_seconds_count"
    assert value(house, times, route="/v1/session") == 4 + 6  # six sign-ins so far


def test_sessions_are_counted_when_somebody_looks(house: House) -> None:
    house.phone("mira")
    assert value(house, "keyround_sessions", kind="van") == 1


def test_only_the_office_sees_the_counts(house: House) -> None:
    assert house.client().get("/metrics").status_code == 401
    assert house.phone("mira").get("/metrics").status_code == 403


def pieces() -> Iterator[bytes]:
    """Yield a large body whose length is not said before."""
    yield from [b"a" * 2**19] * 3


@pytest.mark.parametrize("content", [b"a" * (2**20 + 1), pieces()])
def test_a_request_that_is_too_large_is_a_problem_as_well(
    house: House, content: bytes | Iterator[bytes]
) -> None:
    office = house.office()
    answer = office.post(
        "/v1/pairings",
        content=content,
        headers={"Content-Type": "application/json", "Idempotency-Key": "1"},
    )
    assert answer.status_code == answer.json()["status"] == 413
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.headers["x-content-type-options"] == "nosniff"
