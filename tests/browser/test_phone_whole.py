"""The phone page on the service itself: a morning of the demo day, lived through."""

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.service import Served, served

Open = Callable[..., Page]
DAY = "/v1/days/2026-12-04"


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Serve the demo day, planned; planning it takes seconds."""
    folder: Path = tmp_path_factory.mktemp("service")
    with served(folder) as s:
        yield s


def pair(page: Page, s: Served, van_id: str) -> Page:
    """Pair the phone with a code that the office made."""
    answer = s.office.post(
        "/v1/pairings",
        json={"van_id": van_id},
        headers={"Idempotency-Key": f"pair-{van_id}-{id(page)}"},
    )
    assert answer.status_code == 201, answer.text
    page.goto(f"{s.url}/phone")
    page.get_by_label("Code").fill(answer.json()["code"])
    page.get_by_role("button", name="Pair this phone").click()
    expect(page.locator(".now")).to_be_visible()
    return page


def load(page: Page) -> None:
    """Tick off all that is to be loaded before leaving."""
    boxes = page.get_by_role("checkbox")
    expect(boxes.first).to_be_visible()  # a page just opened draws itself first
    for number in range(boxes.count()):
        boxes.nth(number).check()


def tell(page: Page, words: str) -> None:
    """Press the button under the thumb, and let the seconds of taking back pass."""
    page.locator("#bar .step", has_text=words).click()
    page.clock.fast_forward(5_200)
    expect(page.get_by_role("button", name="All sent")).to_be_visible()


def kinds(s: Served, van_id: str) -> list[str]:
    """Return what the service knows of a van, in the order it happened."""
    items = s.office.get(f"{DAY}/facts").json()["items"]
    return [each["kind"] for each in items if each["van_id"] == van_id]


def test_a_visit_told_on_the_phone_is_in_the_service_once(
    open_page: Open, whole: Served
) -> None:
    page = pair(open_page(), whole, "mira")
    expect(page.get_by_role("heading", name="8 Orchard Street")).to_be_visible()
    whole.clock.set("2026-12-04T08:00:00+00:00")
    page.reload()
    load(page)
    page.locator("#bar .step", has_text="Setting off").click()
    page.clock.fast_forward(5_200)
    expect(page.get_by_role("button", name="All sent")).to_be_visible()
    expect(page.get_by_text("On your way to")).to_be_visible()
    whole.clock.set("2026-12-04T08:06:00+00:00")
    page.reload()
    tell(page, "Here")
    # The service's clock stands still: it is set on before the phone's is a minute off.
    whole.clock.set("2026-12-04T08:08:00+00:00")
    page.reload()
    tell(page, "Started")
    # Without coverage: kept, the page opened anew, and sent once it is back.
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.context.set_offline(True)
    page.locator("#bar .step", has_text="Done").click()
    page.get_by_role("dialog").get_by_role("button", name="Done").click()
    page.clock.fast_forward(5_200)
    page.reload()
    expect(page.get_by_role("button", name="1 not sent")).to_be_visible()
    whole.clock.set("2026-12-04T08:55:00+00:00")
    page.context.set_offline(False)
    expect(page.get_by_role("button", name="All sent")).to_be_visible()
    assert kinds(whole, "mira") == ["left", "arrived", "started", "done"]
    whole.work()
    expect(page.get_by_role("heading", name="21 Lockgate")).to_be_visible()


def test_what_the_service_refuses_is_shown_with_its_reason(
    open_page: Open, whole: Served
) -> None:
    page = pair(open_page(), whole, "hanno")
    expect(page.locator("#bar .step")).to_be_visible()
    # The office was quicker: that visit is no more.
    call = page.evaluate(
        "fetch('/v1/vans/hanno/sheet').then((answer) => answer.json())"
        ".then((sheet) => sheet.stops.find((stop) => stop.kind === 'call').call.id)"
    )
    load(page)
    page.context.set_offline(True)
    page.locator("#bar .step", has_text="Setting off").click()
    at = "2026-12-04T07:40:00+00:00"
    fact = {"id": "office-1", "kind": "cancelled", "at": at, "call_id": call}
    now = whole.clock().isoformat()
    answer = whole.office.post(f"{DAY}/facts", json={"sent_at": now, "facts": [fact]})
    assert answer.json()["results"][0]["result"] == "taken", answer.text
    page.clock.fast_forward(5_200)
    page.context.set_offline(False)
    page.get_by_role("button", name=re.compile("not taken")).click()
    expect(page.get_by_role("dialog")).to_contain_text("not taken: ")


def test_a_changed_plan_reaches_the_phone_by_itself(
    open_page: Open, whole: Served
) -> None:
    page = pair(open_page(), whole, "hanno")
    at = whole.clock().isoformat()
    sheet = page.evaluate(
        "fetch('/v1/vans/hanno/sheet').then((answer) => answer.json())"
    )
    call = [each for each in sheet["stops"] if each["kind"] == "call"][-1]
    name = call["place"]["name"]
    expect(page.get_by_text(name).first).to_be_visible()
    fact = {
        "id": "office-2",
        "kind": "cancelled",
        "at": at,
        "call_id": call["call"]["id"],
    }
    whole.office.post(f"{DAY}/facts", json={"sent_at": at, "facts": [fact]})
    whole.work()
    news = page.get_by_role("region", name="The plan changed")
    expect(news).to_contain_text(f"Not yours any more: {name}.")
