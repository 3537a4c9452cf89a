"""The office page in a real browser: what a dispatcher sees, does, and can rely on."""

import csv
import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from fastapi.testclient import TestClient
from playwright.sync_api import Browser, Page, expect

from api.access import make_secret
from tests.service import Served, served, service

LIVE_DAY = Path(__file__).parents[2] / "demo_scenarios" / "live_day"
DATE = "2026-12-04"
NOW = f"{DATE}T10:40:00+00:00"
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
# What the keyboard is on, in the words a screen reader would take for it.
FOCUSED = """() => {
  const on = document.activeElement;
  if (on === document.body) return "";
  return on.getAttribute("aria-label") || on.labels?.[0]?.textContent || on.textContent;
}"""
Open = Callable[..., Page]


@dataclass(frozen=True, slots=True, kw_only=True)
class Office:
    """The service with a day under way, and the office's secret."""

    service: Served
    secret: str
    client: TestClient  # signed in as well


def told_until(now: str) -> list[dict[str, object]]:
    """Return what happened on the demo day up to a moment, urgent calls left out."""
    facts: list[dict[str, object]] = []
    with (LIVE_DAY / "facts.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            at = f"{DATE}T{row['time']}:00+00:00"
            if row["fact"] == "booked" or at > now:
                continue
            fact: dict[str, object] = {"id": row["id"], "kind": row["fact"], "at": at}
            for field, column in (
                ("van_id", "van"),
                ("call_id", "call"),
                ("store_id", "store"),
            ):
                if row[column]:
                    fact[field] = row[column]
            if row["minutes"]:
                fact["late_s"] = 60 * int(row["minutes"])
            if row["window"]:
                start, end = row["window"].split("-")
                fact["window"] = {
                    "start_at": f"{DATE}T{start}:00+00:00",
                    "end_at": f"{DATE}T{end}:00+00:00",
                }
            facts.append(fact)
    return facts


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the demo day that goes wrong: 10:40, both vans at work."""
    folder = tmp_path_factory.mktemp("begun")
    with service(folder) as made:
        made.clock.set(NOW)
        answer = made.office.post(
            f"/v1/days/{DATE}/facts", json={"sent_at": NOW, "facts": told_until(NOW)}
        )
        assert answer.status_code == 200
        made.work()
        # Asked once here: no page waits until kernels are compiled on first use.
        call = {
            "id": "U1",
            "place": {"name": "", "lat_deg": 53.71, "lon_deg": -1.295},
            "kind": "lockout_vehicle",
        }
        asked = made.office.post(f"/v1/days/{DATE}/urgent", json={"call": call})
        assert asked.status_code == 201
    return folder


@pytest.fixture
def office(begun: Path, tmp_path: Path) -> Iterator[Office]:
    """Serve that day; each test has a copy of its own."""
    folder = shutil.copytree(begun, tmp_path / "own")
    with served(folder, load=None, now=NOW) as it:
        secret = make_secret(it.store)  # ends what was signed in before
        headers = {"Authorization": f"Bearer {it.token()}"}
        client = TestClient(it.app, headers=headers)
        yield Office(service=it, secret=secret, client=client)


@pytest.fixture
def open_office(browser: Browser, office: Office) -> Iterator[Open]:
    """Return what opens a page of a session of its own; one that throws fails."""
    contexts = []
    faults: list[str] = []

    def opened(
        width: int = 1280, scheme: str = "light", *, signed: bool = True
    ) -> Page:
        context = browser.new_context(
            viewport={"width": width, "height": 800},
            color_scheme="dark" if scheme == "dark" else "light",
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(10_000)
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.goto(office.service.url)
        if signed:
            sign_in(page, office.secret)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert faults == []


def sign_in(page: Page, secret: str) -> None:
    page.get_by_label("Office secret").fill(secret)
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Friday 4 December 2026")).to_be_visible()


def stop(page: Page, whom: str) -> object:
    return page.locator(f'.stop[aria-label*="{whom}"]')


def tab_to(page: Page, name: str) -> None:
    """Press the tabulator until the keyboard is on what has this name."""
    for _ in range(80):
        if name in page.evaluate(FOCUSED):
            return
        page.keyboard.press("Tab")
    pytest.fail(f"the tabulator never comes to {name!r}")


def fill_in_the_call(page: Page, danger: str = "No, nobody") -> None:
    """Fill in the urgent call of the demo day, with the keyboard alone."""
    tab_to(page, "No, nobody")
    page.keyboard.press("Space" if danger == "No, nobody" else "ArrowRight")
    tab_to(page, "Where, in words")
    page.keyboard.type("Bridge Street car park")
    tab_to(page, "Position")
    page.keyboard.type("53.7100, -1.2950")
    tab_to(page, "Kind of work")
    page.keyboard.type("Vehicle lockout")
    tab_to(page, "What is locked")
    page.keyboard.type("estate, keys inside, engine running")
    tab_to(page, "Caller")
    page.keyboard.type("Nadia Holm")
    tab_to(page, "Number to ring back")
    page.keyboard.type("+0 300590")
    page.keyboard.press("Enter")


# --- signing in -------------------------------------------------------------------


def test_a_wrong_secret_is_refused_and_the_right_one_shows_the_day(
    open_office: Open, office: Office
) -> None:
    page = open_office(signed=False)
    page.get_by_label("Office secret").fill("not the secret")
    page.keyboard.press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("not the office secret")
    sign_in(page, office.secret)
    for whom in ("Agnes Tolley", "Corin Vale", "Tarnholm Clinic", "Ilse Penhale"):
        expect(stop(page, whom)).to_be_visible()
    page.reload()
    expect(stop(page, "Corin Vale")).to_be_visible()
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_label("Office secret")).to_be_focused()


# --- the day ----------------------------------------------------------------------


def test_what_is_behind_under_way_and_to_come_is_told_apart(open_office: Open) -> None:
    page = open_office()
    # At 10:40 501 and 506 are done, 502 and 507 are being worked at.
    for whom, state in (
        ("Agnes Tolley", "done"),
        ("Corin Vale", "at work"),
        ("Ilse Penhale", "at work"),
        ("Odile Marsh", "to come"),
    ):
        label = stop(page, whom).get_attribute("aria-label")
        assert f", {state}" in label
    expect(page.locator(".now-tag")).to_have_text("10:40")
    page.get_by_role("button", name="As a table").click()
    row = page.get_by_role("row").filter(has_text="Corin Vale")
    expect(row).to_contain_text("at work")
    expect(row).to_contain_text("09:00 to 10:30")


def test_arrow_keys_walk_the_strips_and_the_tabulator_passes_them_in_one_step(
    open_office: Open,
) -> None:
    page = open_office()
    assert page.locator('.stop[tabindex="0"]').count() == 1
    page.locator('.stop[tabindex="0"]').focus()
    page.keyboard.press("Home")
    expect(stop(page, "Agnes Tolley")).to_be_focused()
    page.keyboard.press("ArrowRight")
    expect(stop(page, "Corin Vale")).to_be_focused()
    expect(page.get_by_role("region", name="The stop")).to_contain_text("21 Lockgate")
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"
    # 507 (10:00 to 11:06) is what the other van does then.
    page.keyboard.press("ArrowDown")
    expect(stop(page, "Ilse Penhale")).to_be_focused()
    page.keyboard.press("End")
    expect(stop(page, "Wanda Kestrel")).to_be_focused()
    page.keyboard.press("Tab")
    assert not page.evaluate("document.activeElement.classList.contains('stop')")
    page.keyboard.press("Shift+Tab")
    expect(stop(page, "Wanda Kestrel")).to_be_focused()


# --- an urgent call ---------------------------------------------------------------


def test_the_keyboard_alone_takes_an_urgent_call_from_the_first_question_to_its_stop(
    open_office: Open,
) -> None:
    page = open_office()
    tab_to(page, "Urgent call")
    page.keyboard.press("Enter")
    fill_in_the_call(page)
    expect(page.get_by_role("heading", name="What can be done")).to_be_focused()
    option = page.locator(".option").first
    expect(option).to_contain_text("Hanno Brightwell")
    for line in ("Costs", "Moved", "Promises broken", "Nobody comes to", "Parts"):
        expect(option).to_contain_text(line)
    tab_to(page, "Give them this time")
    page.keyboard.press("Enter")
    expect(stop(page, "Nadia Holm")).to_be_focused()
    expect(page.get_by_role("status").last).to_contain_text("Booked")
    page.reload()
    expect(stop(page, "Nadia Holm")).to_be_visible()


def test_escape_leaves_the_urgent_call_where_it_was_opened(open_office: Open) -> None:
    page = open_office()
    tab_to(page, "Urgent call")
    page.keyboard.press("Enter")
    expect(page.get_by_label("No, nobody")).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.get_by_role("button", name="Urgent call")).to_be_focused()
    expect(page.get_by_label("No, nobody")).to_have_count(0)


def test_danger_shows_the_emergency_number_before_anything_is_asked_and_any_option(
    open_office: Open,
) -> None:
    page = open_office()
    page.get_by_role("button", name="Urgent call").click()
    page.get_by_label("Yes, or not sure").check()
    box = page.locator(".emergency")
    expect(box).to_contain_text("112, 911, 999, 000")
    expect(box).to_contain_text("Tell the caller: hang up")
    page.get_by_label("No, nobody").check()
    expect(box).to_have_count(0)
    fill_in_the_call(page, danger="Yes")
    expect(page.locator(".option").first).to_be_visible()
    expect(page.locator(".urgent-form .emergency")).to_have_count(1)
    box = page.locator(".answer .emergency")
    expect(box).to_have_count(1)
    expect(box).to_contain_text("112, 911, 999, 000")
    assert page.evaluate(
        """() => document.querySelector(".answer .emergency").compareDocumentPosition(
             document.querySelector(".option")) & Node.DOCUMENT_POSITION_FOLLOWING"""
    )
    expect(box).to_be_in_viewport()


def test_what_is_missing_is_said_all_at_once_and_the_keyboard_goes_to_the_first(
    open_office: Open,
) -> None:
    page = open_office()
    page.get_by_role("button", name="Urgent call").click()
    page.get_by_role("button", name="See what can be done").click()
    said = page.get_by_role("alert").filter(has_text="Ask first")
    expect(said).to_contain_text("Position? Latitude")
    expect(said).to_contain_text("Which kind of work")
    expect(page.get_by_label("No, nobody")).to_be_focused()


def test_a_place_can_be_pointed_at_in_the_picture(open_office: Open) -> None:
    page = open_office()
    page.get_by_role("button", name="Urgent call").click()
    page.get_by_role("button", name="Point at it in the picture").click()
    page.locator("svg.round").click(position={"x": 150, "y": 120})
    lat, lon = (
        float(x) for x in page.get_by_label("Position").input_value().split(",")
    )
    # All places of the day lie within 53.684 to 53.718 and -1.335 to -1.264; the
    # picture has a margin of a tenth or so around them.
    assert 53.68 < lat < 53.73
    assert -1.36 < lon < -1.24


# --- other screens ----------------------------------------------------------------


def test_a_change_in_one_session_appears_in_another_without_a_hand(
    open_office: Open,
) -> None:
    # How fast is measured elsewhere: here other sessions share the machine.
    watching = open_office()
    page = open_office()
    page.get_by_role("button", name="Urgent call").click()
    fill_in_the_call(page)
    page.get_by_role("button", name="Give them this time").first.click()
    expect(stop(watching, "Nadia Holm")).to_be_visible()


def test_options_of_a_day_that_has_moved_on_cannot_be_booked(open_office: Open) -> None:
    slow, quick = open_office(), open_office()
    for page in (slow, quick):
        page.get_by_role("button", name="Urgent call").click()
        fill_in_the_call(page)
        expect(page.locator(".option").first).to_be_visible()
    quick.get_by_role("button", name="Give them this time").first.click()
    expect(slow.get_by_text("The day has moved on.")).to_be_visible()
    expect(
        slow.get_by_role("button", name="Give them this time").first
    ).to_be_disabled()


# --- whom to ring, codes, vans ----------------------------------------------------


def say(office: Office, **fact: object) -> None:
    said = {"id": f"said-{fact['kind']}", "at": NOW, **fact}
    body = {"sent_at": NOW, "facts": [said]}
    answer = office.client.post(f"/v1/days/{DATE}/facts", json=body)
    assert answer.json()["results"][0]["result"] == "taken", answer.text


def test_whom_to_ring_stays_on_the_list_until_somebody_has_told_them(
    open_office: Open, office: Office
) -> None:
    say(office, kind="late", van_id="hanno", late_s=5400)
    office.service.work()
    page = open_office()
    slips = page.get_by_role("region", name="Ring").get_by_role("listitem")
    expect(slips.first).to_be_visible()
    count = slips.count()
    page.reload()
    expect(slips).to_have_count(count)
    slips.first.get_by_role("button", name="I have told them").click()
    expect(slips).to_have_count(count - 1)
    page.reload()
    expect(page.get_by_role("button", name="Urgent call")).to_be_enabled()
    expect(slips).to_have_count(count - 1)


def has_code(office: Office, call_id: str) -> bool:
    found = [
        stop["call"]["has_code"]
        for van in ("mira", "hanno")
        for stop in office.client.get(f"/v1/days/{DATE}/vans/{van}/sheet").json()[
            "stops"
        ]
        if stop["key"] == f"call:{call_id}"
    ]
    assert len(found) == 1
    return bool(found[0])


def test_a_code_is_sealed_for_the_driver_and_erased_and_never_shown_in_the_office(
    open_office: Open, office: Office
) -> None:
    page = open_office()
    stop(page, "Odile Marsh").click()
    page.get_by_text("Code for the driver").click()
    page.get_by_label("What it is").select_option("Key bitting")
    page.get_by_label("Code", exact=True).fill("31415926")
    page.get_by_role("button", name="Seal it").click()
    expect(page.get_by_role("status").last).to_contain_text("The code for call 504")
    expect(page.get_by_label("Code", exact=True)).to_have_value("")
    assert has_code(office, "504")
    assert "31415926" not in page.content()
    page.get_by_role("button", name="Erase the sealed code").click()
    page.get_by_role("button", name="Yes, erase it").click()
    expect(page.get_by_role("status").last).to_contain_text("No code is kept")
    assert not has_code(office, "504")


def test_news_from_elsewhere_takes_no_question_away_that_is_being_answered(
    open_office: Open, office: Office
) -> None:
    page = open_office()
    page.get_by_role("button", name="hanno", exact=True).click()
    page.get_by_role("button", name="Take hanno off the road today").click()
    sure = page.get_by_role("button", name="Yes, off the road today")
    expect(sure).to_be_focused()
    sure.evaluate("button => { button.dataset.older = 'yes'; }")
    say(office, kind="late", van_id="hanno", late_s=300)
    office.service.work()
    expect(page.locator("[data-older]")).to_have_count(0)  # all was drawn anew
    expect(sure).to_be_focused()
    sure.click()
    expect(page.get_by_role("status").last).to_contain_text("off the road today")
    expect(sure).to_have_count(0)


def test_a_van_is_taken_off_the_road_after_a_second_thought_and_put_back(
    open_office: Open, office: Office
) -> None:
    page = open_office()
    page.get_by_role("button", name="hanno", exact=True).click()
    page.get_by_role("button", name="Take hanno off the road today").click()
    page.get_by_role("button", name="Leave it").click()
    page.get_by_role("button", name="Take hanno off the road today").click()
    page.get_by_role("button", name="Yes, off the road today").click()
    expect(page.get_by_role("status").last).to_contain_text("off the road today")
    office.service.work()
    back = page.get_by_role("button", name="Van hanno back on the road")
    expect(back).to_be_visible()
    back.click()
    expect(page.get_by_role("status").last).to_contain_text("back on the road")
    office.service.work()
    expect(page.get_by_role("button", name="Take hanno off the road")).to_be_visible()
    items = office.client.get(f"/v1/days/{DATE}/facts?limit=200").json()
    assert [each["kind"] for each in items["items"]][-2:] == ["van_down", "van_up"]


# --- loading a day ----------------------------------------------------------------


def test_a_day_is_loaded_from_its_files_and_every_fault_is_shown_at_once(
    open_office: Open, tmp_path: Path
) -> None:
    folder = shutil.copytree(LIVE_DAY.parent / "four_vans", tmp_path / "four")
    calls = folder / "calls.csv"
    right = calls.read_text(encoding="utf-8")
    lines = right.splitlines()
    head = lines[0].split(",")
    cells = next(csv.reader([lines[1]]))
    cells[head.index("kind")] = "juggling"
    cells[head.index("lat")] = "north"
    wrong = ",".join(f'"{cell}"' for cell in cells)
    calls.write_text("\n".join([lines[0], wrong, *lines[2:]]), encoding="utf-8")
    page = open_office()
    page.get_by_role("button", name="Load a day").click()
    page.get_by_label("Files of the day").set_input_files(sorted(folder.iterdir()))
    page.get_by_role("button", name="Load it").click()
    faults = page.get_by_role("alert").filter(has_text="calls.csv")
    expect(faults).to_contain_text("juggling")
    expect(faults).to_contain_text("north")
    calls.write_text(right, encoding="utf-8")
    page.get_by_label("Files of the day").set_input_files(sorted(folder.iterdir()))
    page.get_by_role("button", name="Load it").click()
    expect(page.get_by_role("status").last).to_contain_text("is loaded")
    expect(page.get_by_text("This day has no plan yet.")).to_be_visible()
    expect(page.get_by_label("Day", exact=True)).to_contain_text("not planned")
    page.get_by_role("button", name="Plan it").click()
    expect(page.get_by_role("region", name="Planning")).to_be_visible()


# --- planning, phones -------------------------------------------------------------


def test_planning_anew_shows_how_far_it_is_and_can_be_stopped(
    open_office: Open,
) -> None:
    page = open_office()
    page.get_by_role("button", name="Plan anew").click()
    expect(page.get_by_role("region", name="Planning")).to_be_visible()
    expect(page.get_by_role("button", name="Plan anew")).to_be_disabled()
    page.get_by_role("button", name="Stop, change nothing").click()
    expect(page.get_by_role("region", name="Planning")).to_have_count(0)
    expect(page.get_by_role("button", name="Plan anew")).to_be_enabled()
    expect(page.get_by_role("status").last).to_contain_text("stays as it was")


def test_a_phone_is_paired_by_a_code_that_is_shown_and_shut_out_again(
    open_office: Open, office: Office
) -> None:
    page = open_office()
    page.get_by_role("button", name="Phones").click()
    page.get_by_label("Van", exact=True).select_option("hanno")
    page.get_by_role("button", name="Show a one-time code").click()
    code = page.locator(".code .figures")
    expect(code).to_have_text(re.compile("^[A-Z2-9]{4}-[A-Z2-9]{4}$"))
    body = {"code": code.inner_text()}
    phone = page.context.browser.new_context()
    session = f"{office.service.url}/v1/session"
    assert phone.request.post(session, data=body).status == 201
    assert phone.request.post(session, data=body).status == 401  # good once
    panel = page.get_by_role("region", name="Phones")
    panel.get_by_role("button", name="Revoke").click()
    panel.get_by_role("button", name="Yes, end the pairing").click()
    expect(panel).to_contain_text("No phone is paired.")
    assert phone.request.get(session).status == 401
    phone.close()


# --- for everybody ----------------------------------------------------------------


def audit(page: Page, screen: str) -> None:
    """Fail on whatever the rules engine finds, and on a page wider than its window."""
    page.wait_for_timeout(250)  # a colour that fades is no screen yet
    found = Axe().run(page, options={"runOnly": RULES, "resultTypes": ["violations"]})
    faults = [
        f"{each['id']}: {node['target']} {node['failureSummary']}"
        for each in found.response["violations"]
        for node in each["nodes"]
    ]
    assert faults == [], screen
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), screen


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [320, 1024, 1280])
def test_every_screen_passes_the_audit_and_fits_its_window(
    open_office: Open, office: Office, scheme: str, width: int
) -> None:
    page = open_office(width, scheme, signed=False)
    audit(page, "gate")
    sign_in(page, office.secret)
    expect(page.get_by_role("heading", name="Shelves")).to_be_visible()
    for summary in page.locator("summary").all():
        summary.click()
    audit(page, "day")
    page.get_by_role("button", name="As a table").click()
    audit(page, "table")
    page.get_by_role("button", name="As a table").click()
    page.get_by_role("button", name="Urgent call").click()
    fill_in_the_call(page, danger="Yes")
    expect(page.locator(".option").first).to_be_visible()
    audit(page, "urgent call with options")
    page.get_by_role("button", name="Phones").click()
    page.get_by_role("button", name="Show a one-time code").click()
    expect(page.locator(".code")).to_be_visible()
    audit(page, "phones")
    page.get_by_role("button", name="Load a day").click()
    audit(page, "load a day")
