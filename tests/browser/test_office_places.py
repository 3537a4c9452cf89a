"""The office page asks back where an address is, and keeps what it is told."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from api.access import make_secret
from api.store.places import list_pins
from dispatch.scenario import Locator
from tests.browser.test_office import RULES, Axe
from tests.service import DEMO, Served, served

LIST = DEMO / "typed_addresses" / "streets.csv"
EVENING = "2026-12-07T19:00:00+00:00"


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Served]:
    """Serve the demo day with typed addresses, planned."""
    locator = Locator(gazetteer=LIST)
    with served(tmp_path, "typed_addresses", EVENING, locator=locator) as it:
        yield it


@pytest.fixture
def page(browser: Browser, service: Served) -> Iterator[Page]:
    """Return the office's page, signed in; one that throws fails."""
    faults: list[str] = []
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.goto(service.url)
    page.get_by_label("Office secret").fill(make_secret(service.store))
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Tuesday 8 December 2026")).to_be_visible()
    yield page
    context.close()
    assert faults == []


def pinned(service: Served) -> list[tuple[str, float]]:
    """Return the pins of the store."""
    with service.store.read() as transaction:
        return [(pin.address, pin.place.lat_deg) for pin in list_pins(transaction)]


def test_a_candidate_that_is_chosen_places_the_call_and_stays(
    page: Page, service: Served
) -> None:
    slip = page.locator(".slip", has_text="Wilf Sandeman")
    expect(slip).to_contain_text("may be one of 2 places")
    slip.get_by_role("button", name="QM1 4CE Quillmouth").click()
    expect(page.get_by_role("status").last).to_contain_text("is there from now on")
    service.work()
    expect(page.locator('.stop[aria-label*="Wilf Sandeman"]')).to_be_visible()
    assert pinned(service) == [("4 Gull Lane", 50.3954)]


def test_a_place_that_nobody_knows_is_pinned_by_its_coordinates(
    page: Page, service: Served
) -> None:
    slip = page.locator(".slip", has_text="Jory Penhale")
    slip.get_by_label("Position").fill("50.4113, -3.0260")
    slip.get_by_role("button", name="It is there").click()
    expect(page.get_by_role("status").last).to_contain_text("is there from now on")
    service.work()
    expect(page.locator('.stop[aria-label*="Jory Penhale"]')).to_be_visible()


def test_an_urgent_calls_address_becomes_its_position_or_is_asked_back(
    page: Page, service: Served
) -> None:
    page.get_by_role("button", name="Urgent call").click()
    panel = page.locator(".panel.urgent")
    panel.get_by_label("Where, in words").fill("14 Anchor St")
    panel.get_by_label("Where, in words").press("Tab")
    expect(panel.get_by_label("Position")).to_have_value("50.4056, -3.0177")
    panel.get_by_label("Position").fill("")
    panel.get_by_label("Where, in words").fill("4 Gull Lane")
    panel.get_by_label("Where, in words").press("Tab")
    panel.get_by_role("button", name="Upper Quill").click()
    expect(panel.get_by_label("Position")).to_have_value("50.4402, -3.0657")
    expect(panel).to_contain_text("from now on")
    assert pinned(service) == [("4 Gull Lane", 50.4402)]


def test_the_page_that_asks_back_passes_the_audit(page: Page) -> None:
    expect(page.locator(".slip .candidates").first).to_be_visible()
    options = {"runOnly": {"type": "tag", "values": RULES}}
    found = Axe().run(page, options=options)
    assert found.response["violations"] == []
