"""The phone page in a real browser: what a driver sees, tells, and can rely on."""

import json
import re
from collections.abc import Callable
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from tests.browser.sheets import TURNS, at, sheet, with_turns
from tests.browser.standin import Standin

Open = Callable[..., Page]
FIRST_DONE = {"call:501": "done"}
WORKING = {"call:501": "done", "call:502": "working"}
# Everything the page keeps: what lies in IndexedDB, in the caches and in storage.
KEPT = """async () => {
  const database = await new Promise((resolve, reject) => {
    const request = indexedDB.open("keyround-phone");
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
  const all = (name) => new Promise((resolve, reject) => {
    const request = database.transaction(name).objectStore(name).getAll();
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
  const kept = {things: await all("things"), facts: await all("facts")};
  database.close();
  const urls = [];
  for (const name of await caches.keys()) {
    const cache = await caches.open(name);
    urls.push(...(await cache.keys()).map((each) => new URL(each.url).pathname));
  }
  const local = JSON.stringify({...localStorage, ...sessionStorage});
  return {...kept, urls, local, cookie: document.cookie};
}"""
ONLINE = "dispatchEvent(new Event('online'))"  # as a browser says it
HIDE = """() => {
  Object.defineProperty(document, "hidden", {value: true, configurable: true});
  document.dispatchEvent(new Event("visibilitychange"));
}"""


def pair(page: Page, service: Standin) -> Page:
    """Pair the phone and wait for its day."""
    page.goto(f"{service.url}/phone")
    page.get_by_label("Code").fill("abcd2345")
    page.get_by_role("button", name="Pair this phone").click()
    words = "Look again" if service.sheet is None else "More"
    expect(page.get_by_role("button", name=words)).to_be_visible()
    return page


def wait_held(page: Page) -> None:
    """Let the seconds pass in which what was told can be taken back."""
    page.clock.fast_forward(5_200)


def step(page: Page, words: str) -> None:
    """Press the button under the thumb."""
    page.locator("#bar .step", has_text=words).click()


def kept_on(page: Page) -> Any:
    return page.evaluate(KEPT)


def until(page: Page, told: Callable[[], bool]) -> None:
    """Wait for the service to have got something."""
    for _ in range(400):
        if told():
            return
        page.wait_for_timeout(50)
    pytest.fail("it never came")


# --- pairing --------------------------------------------------------------------


def test_a_wrong_code_is_said_to_be_wrong_and_the_right_one_opens_the_day(
    open_page: Open, service: Standin
) -> None:
    page = open_page()
    page.goto(f"{service.url}/phone")
    page.get_by_label("Code").fill("zzzz9999")
    page.get_by_role("button", name="Pair this phone").click()
    expect(page.get_by_role("alert")).to_contain_text("not good")
    expect(page.get_by_label("Code")).to_be_focused()
    pair(page, service)
    expect(page.get_by_role("heading", name="21 Lockgate")).to_be_visible()
    expect(page.get_by_role("heading", name="Mira Osgood")).to_be_visible()


def test_neither_the_token_nor_the_pairing_code_is_kept_where_a_script_can_read_it(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    kept = json.dumps(kept_on(page))
    assert "token" not in kept
    assert "2345" not in kept
    assert kept_on(page)["cookie"] == ""


def test_a_pairing_the_office_ended_takes_customers_off_the_phone_not_the_facts(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    step(page, "Setting off")
    service.tokens.clear()
    wait_held(page)
    expect(
        page.get_by_text("The office has ended this phone's pairing")
    ).to_be_visible()
    expect(page.get_by_text("1 thing you told is kept here")).to_be_visible()
    kept = json.dumps(kept_on(page))
    assert "Corin Vale" not in kept
    assert "Lockgate" not in kept
    pair_again = page.get_by_label("Code")
    pair_again.fill("ABCD2345")
    page.get_by_role("button", name="Pair this phone").click()
    until(page, lambda: len(service.facts) == 1)
    expect(page.get_by_role("button", name="All sent")).to_be_visible()


def test_ending_the_pairing_leaves_nothing_on_the_phone(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    page.get_by_role("button", name="This phone").click()
    page.get_by_role("button", name="End the pairing of this phone").click()
    page.get_by_role("button", name="End it").click()
    expect(page.get_by_role("heading", name="Pair this phone")).to_be_visible()
    kept = kept_on(page)
    assert (kept["things"], kept["facts"]) == ([], [])
    assert service.tokens == set()


# --- what is shown --------------------------------------------------------------


def test_the_next_stop_says_where_when_what_and_from_which_bin(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    now = page.get_by_role("article", name="21 Lockgate")
    expect(now.locator("time").first).to_have_text("09:04")
    expect(now).to_contain_text("Leave by 08:51")
    expect(now).to_contain_text("promised 09:00 to 10:30")
    expect(now).to_contain_text("All keys lost")
    expect(now.get_by_role("listitem").filter(has_text="FOB-72")).to_contain_text("B2")
    expect(now.get_by_role("listitem").filter(has_text="Battery")).to_contain_text(
        "stood for weeks"
    )
    # RFC 5870: latitude first; a telephone number without blanks.
    assert now.get_by_role("link", name="Find it").get_attribute("href") == (
        "geo:53.718000,-1.285000"
    )
    assert now.get_by_role("link", name="Ring").get_attribute("href") == "tel:+0300502"


def test_where_somebody_may_be_locked_in_the_emergency_number_comes_before_everything(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    first = page.locator("#main > *").first
    expect(first).to_have_accessible_name("Danger to life")
    expect(first).to_contain_text("ring the local emergency number first")
    page.get_by_role("button", name="This phone").click()
    page.get_by_label("Emergency number here").fill("112")
    page.keyboard.press("Tab")
    page.keyboard.press("Escape")
    ring = first.get_by_role("link", name="Ring 112")
    expect(ring).to_have_attribute("href", "tel:112")


def test_the_number_that_the_firm_gives_is_a_button_until_the_driver_gives_another(
    open_page: Open, service: Standin
) -> None:
    service.sheet = {**sheet(FIRST_DONE), "emergency_number": "112"}
    page = pair(open_page(), service)
    first = page.locator("#main > *").first
    expect(first.get_by_role("link")).to_have_attribute("href", "tel:112")


def test_a_stop_at_the_firms_own_shop_says_so_and_names_its_bins(
    open_page: Open, service: Standin
) -> None:
    done = {"call:501": "done", "call:502": "done"}
    fresh = sheet(done)
    [stop] = [each for each in fresh["stops"] if each["restock"]]
    service.sheet = fresh
    page = pair(open_page(), service)
    now = page.locator(".now")
    expect(now).to_contain_text("Fetch parts at the counter")
    expect(now.locator(".bin")).to_have_count(0)
    stop["is_shop"] = True
    service.change(fresh)
    expect(now).to_contain_text("Fetch parts at our shop")
    expect(now.locator(".bin").first).to_be_visible()


def test_what_the_office_says_of_a_danger_is_shown_whole(
    open_page: Open, service: Standin
) -> None:
    words = "Call 591: a toddler is behind the door. Ring the emergency number first."
    service.sheet = sheet(FIRST_DONE, emergency=[words])
    page = pair(open_page(), service)
    expect(page.locator("#main > *").first.get_by_text(words)).to_be_visible()


def test_before_leaving_the_list_is_ticked_off_and_stays_so(
    open_page: Open, service: Standin
) -> None:
    service.sheet = sheet()
    page = pair(open_page(), service)
    shelf = page.get_by_role("region", name="Before you leave")
    expect(shelf).to_contain_text("4 of 4 still to load")
    shelf.get_by_role("checkbox", name=re.compile("Coin cell")).check()
    expect(shelf).to_contain_text("3 of 4 still to load")
    page.reload()
    expect(shelf).to_contain_text("3 of 4 still to load")
    expect(shelf.get_by_role("checkbox", name=re.compile("Coin cell"))).to_be_checked()


def test_a_changed_plan_appears_by_itself_and_says_what_changed(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    fresh = sheet(FIRST_DONE)
    fresh["stops"][1], fresh["stops"][3] = fresh["stops"][3], fresh["stops"][1]
    until(page, lambda: service.asked_after != [])
    service.change(fresh)
    news = page.get_by_role("region", name="The plan changed")
    expect(news).to_contain_text("Next is now Unit 3 Malt Yard.")
    news.get_by_role("button", name="Seen").click()
    expect(news).to_have_count(0)


def test_a_stream_opened_again_goes_on_after_the_last_change(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    until(page, lambda: service.asked_after != [])
    service.change(sheet(WORKING))
    expect(page.get_by_text("Working at")).to_be_visible()
    page.reload()
    until(page, lambda: len(service.asked_after) > 1)
    assert service.asked_after[:2] == ["", "1"]


def test_what_has_not_changed_is_not_sent_again(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    before = len(service.fetches)
    page.reload()
    until(page, lambda: len(service.fetches) > before)
    assert service.fetches[before:][0] == 304


def test_the_plan_of_another_day_says_so_and_takes_no_facts(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    service.now_at = "2026-12-03T19:00:00+00:00"
    page.reload()
    expect(
        page.get_by_text("This is the plan for Friday 4 December 2026")
    ).to_be_visible()
    expect(page.get_by_role("navigation", name="Tell the office")).to_be_hidden()


def test_a_van_without_a_plan_is_told_so(open_page: Open, service: Standin) -> None:
    service.sheet = None
    page = pair(open_page(), service)
    expect(page.get_by_text("There is no plan for this van yet")).to_be_visible()
    service.sheet = sheet()  # it is made now, and comes by itself
    expect(page.get_by_role("heading", name="8 Orchard Street")).to_be_visible()


# --- telling --------------------------------------------------------------------


def test_a_visit_is_told_with_four_touches_and_each_fact_is_sent_once(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    for words in ("Setting off", "Here", "Started"):
        step(page, words)
        wait_held(page)
    step(page, "Done")
    page.get_by_role("dialog").get_by_role("button", name="Done").click()
    wait_held(page)
    until(page, lambda: len(service.facts) == 4)
    told = list(service.facts.values())
    assert [each["kind"] for each in told] == ["left", "arrived", "started", "done"]
    assert {each["call_id"] for each in told} == {"502"}
    # Nothing was changed in the dialog: used up as planned.
    assert all("parts" not in each and "keys" not in each for each in told)
    expect(
        page.get_by_role("heading", name="Trade counter, 12 Canal Side")
    ).to_be_visible()
    expect(page.get_by_role("button", name="All sent")).to_be_visible()
    sent = [each["id"] for batch in service.batches for each in batch["facts"]]
    assert sorted(sent) == sorted(service.facts)


def test_what_was_told_by_mistake_can_be_taken_back_and_is_never_sent(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    step(page, "Setting off")
    expect(page.get_by_role("button", name="1 not sent")).to_be_visible()
    page.get_by_role("button", name="Take back").click()
    expect(page.locator("#bar .step")).to_contain_text("Setting off")
    wait_held(page)
    page.wait_for_timeout(300)
    assert service.batches == []


def test_done_says_what_was_used_up_and_how_many_keys_there_are(
    open_page: Open, service: Standin
) -> None:
    service.sheet = sheet(WORKING)
    page = pair(open_page(), service)
    step(page, "Done")
    page.get_by_role("button", name="Coin cell, 20 mm: one less").click()
    page.get_by_label("Another part").select_option("BLANK-81")
    more_keys = page.get_by_role("button", name="Keys working now: one more")
    more_keys.click()
    more_keys.click()
    page.get_by_label("Note for the office").fill("spare cell left aboard")
    page.get_by_role("dialog").get_by_role("button", name="Done").click()
    wait_held(page)
    until(page, lambda: len(service.facts) == 1)
    (fact,) = service.facts.values()
    # Planned: one fob, one blade, one cell; the cell was not used, a blank was.
    assert fact["parts"] == [
        {"part_id": "FOB-72", "quantity": 1},
        {"part_id": "BLADE-71", "quantity": 1},
        {"part_id": "BLANK-81", "quantity": 1},
    ]
    assert (fact["keys"], fact["note"]) == (2, "spare cell left aboard")


@pytest.mark.parametrize(
    ("choices", "kind", "fields"),
    [
        ((("Late", "button"), ("20 min", "button")), "late", {"late_s": 1200}),
        (
            (
                ("More", "button"),
                ("Nobody there", "button"),
                ("Nobody is there", "button"),
            ),
            "no_show",
            {"call_id": "502"},
        ),
        (
            (
                ("More", "button"),
                ("Spoiled a part", "button"),
                ("Fob, proximity: one more", "button"),
                ("Spoiled", "button"),
            ),
            "spoiled",
            {"call_id": "502", "parts": [{"part_id": "FOB-72", "quantity": 1}]},
        ),
        (
            (
                ("More", "button"),
                ("Off the road today", "button"),
                ("Take it off the road", "button"),
            ),
            "van_down",
            {},
        ),
    ],
)
def test_what_goes_wrong_is_told_in_a_few_touches(
    open_page: Open,
    service: Standin,
    choices: tuple[tuple[str, Any], ...],
    kind: str,
    fields: dict[str, Any],
) -> None:
    page = pair(open_page(), service)
    for name, role in choices:
        page.get_by_role(role, name=name, exact=True).click()
    wait_held(page)
    until(page, lambda: len(service.facts) == 1)
    (fact,) = service.facts.values()
    assert fact["kind"] == kind
    assert fact.items() >= fields.items()
    assert fact["van_id"] == "mira"


def test_who_leaves_with_less_than_planned_says_what_is_aboard(
    open_page: Open, service: Standin
) -> None:
    service.sheet = sheet()
    service.now_at = at("07:50")
    page = pair(open_page(), service)
    page.get_by_role("checkbox", name=re.compile("Coin cell")).check()
    page.get_by_role("checkbox", name=re.compile("Ignition")).check()
    step(page, "Setting off")
    page.get_by_role("button", name="Only what I ticked off").click()
    wait_held(page)
    until(page, lambda: len(service.facts) == 1)
    (fact,) = service.facts.values()
    assert fact["parts"] == [{"part_id": "CELL-20", "quantity": 2}]
    assert fact["handed"] == [{"van_id": "hanno", "part_id": "IGN-9", "quantity": 1}]
    assert fact["tools"] == []


def test_a_fact_that_is_refused_is_shown_with_its_reason_and_holds_no_other_back(
    open_page: Open, service: Standin
) -> None:
    service.refuse = {"late": "this van is out for the day"}
    page = pair(open_page(), service)
    page.get_by_role("button", name="Late").click()
    page.get_by_role("button", name="10 min").click()
    step(page, "Setting off")
    wait_held(page)
    until(page, lambda: len(service.facts) == 1)
    page.get_by_role("button", name="1 not taken").click()
    told = page.get_by_role("dialog")
    expect(told).to_contain_text("this van is out for the day")
    told.get_by_role("button", name="Understood").click()
    told.get_by_role("button", name="Close").click()
    expect(page.get_by_role("button", name="All sent")).to_be_visible()


def test_the_list_of_what_was_told_says_how_far_each_is_the_latest_first(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    step(page, "Setting off")
    wait_held(page)
    until(page, lambda: len(service.facts) == 1)
    expect(page.get_by_role("button", name="All sent")).to_be_visible()
    step(page, "Here")
    page.get_by_role("button", name="1 not sent").click()
    told = page.get_by_role("dialog")
    expect(told).to_contain_text("Connected.")
    lines = told.get_by_role("listitem")
    expect(lines).to_have_count(2)
    expect(lines.nth(0)).to_contain_text("Here: 21 Lockgate")
    expect(lines.nth(0)).to_contain_text("not sent yet")
    expect(lines.nth(1)).to_contain_text("Setting off: 21 Lockgate")
    expect(lines.nth(1)).to_contain_text("sent")
    assert "not sent" not in lines.nth(1).inner_text()


# --- without coverage -----------------------------------------------------------


def test_offline_after_one_load_the_day_opens_and_facts_are_sent_once_when_back(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.context.set_offline(True)
    page.reload()
    expect(page.get_by_role("heading", name="21 Lockgate")).to_be_visible()
    expect(
        page.get_by_text("No connection. This is the plan as of 08:4")
    ).to_be_visible()
    step(page, "Setting off")
    step(page, "Here")
    page.get_by_role("button", name="Late").click()
    page.get_by_role("button", name="15 min").click()
    wait_held(page)
    expect(page.get_by_role("button", name="3 not sent")).to_be_visible()
    page.reload()  # the browser throws the page away, and the driver opens it again
    expect(page.get_by_role("button", name="3 not sent")).to_be_visible()
    expect(page.get_by_text("You are at")).to_be_visible()
    assert service.batches == []
    page.context.set_offline(False)
    expect(page.get_by_role("button", name="All sent")).to_be_visible()
    assert [each["kind"] for each in service.facts.values()] == [
        "left",
        "arrived",
        "late",
    ]
    assert sum(len(batch["facts"]) for batch in service.batches) == 3
    expect(page.get_by_text("No connection")).to_have_count(0)


def test_when_an_answer_is_lost_the_same_ids_are_sent_again_and_count_once(
    open_page: Open, service: Standin
) -> None:
    service.lose_answers = 2
    page = pair(open_page(), service)
    step(page, "Setting off")
    wait_held(page)
    until(page, lambda: len(service.batches) >= 1)
    expect(page.get_by_role("button", name="1 not sent")).to_be_visible()
    # The clock does not jump here: a jump may end the wait of what is on its way.
    expect(page.get_by_role("button", name="All sent")).to_be_visible()
    sent = [each["id"] for batch in service.batches for each in batch["facts"]]
    assert len(sent) == 3
    assert set(sent) == set(service.facts)
    assert len(service.facts) == 1


def test_a_change_while_the_sheet_is_on_its_way_is_not_missed(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    until(page, lambda: service.asked_after != [])
    service.late_s = 1.5
    before = len(service.fetches)
    page.evaluate(ONLINE)
    until(page, lambda: len(service.fetches) > before)
    assert service.fetches[-1] == 304  # this answer will not know of it
    service.change(sheet(WORKING))
    expect(page.get_by_text("Working at")).to_be_visible()


def test_out_of_a_tunnel_the_page_waits_for_no_answer_that_was_lost_in_it(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    until(page, lambda: service.asked_after != [])
    service.is_stuck = service.is_mute = True
    before = service.asked
    page.evaluate(ONLINE)
    until(page, lambda: service.asked > before)
    service.change(sheet(WORKING))
    service.is_stuck = False
    page.evaluate(ONLINE)
    expect(page.get_by_text("Working at")).to_be_visible(timeout=10_000)  # not 15 s


def test_the_same_link_only_better_or_worse_gives_nothing_up(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    until(page, lambda: len(service.fetches) == 2)  # once more as the stream began
    service.late_s = 8.0  # longer than all that follows, on a slow machine too
    asked, streams = service.asked, len(service.asked_after)
    page.evaluate(ONLINE)
    until(page, lambda: service.asked > asked)
    for _ in range(3):
        page.evaluate("navigator.connection.dispatchEvent(new Event('change'))")
        page.wait_for_timeout(300)
    assert service.asked == asked + 1
    assert len(service.asked_after) <= streams + 1  # the one of coming online


def test_a_stream_that_died_silently_is_found_out_and_opened_anew(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    until(page, lambda: len(service.fetches) == 2)  # once more as the stream began
    service.is_mute = True
    service.change(sheet(WORKING))
    page.clock.fast_forward(41_000)  # it looks every 30 s, and says so every 10 s
    expect(page.get_by_text("Working at")).to_be_visible()
    until(page, lambda: service.asked_after[1:] == ["0"])


def test_the_service_worker_keeps_the_page_and_nothing_of_the_day(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.reload()
    urls = kept_on(page)["urls"]
    assert "/phone" in urls
    assert all(url == "/phone" or url.startswith("/page/") for url in urls)


def test_the_page_can_be_installed(open_page: Open, service: Standin) -> None:
    page = pair(open_page(), service)
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    session = page.context.new_cdp_session(page)
    faults = session.send("Page.getInstallabilityErrors")["installabilityErrors"]
    # A window without a profile, as here, is never installable: that alone remains.
    assert {each["errorId"] for each in faults} <= {"in-incognito"}
    assert session.send("Page.getAppManifest")["errors"] == []


# --- codes ----------------------------------------------------------------------


def test_a_code_is_shown_on_request_and_is_gone_after_half_a_minute(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    assert service.reveals == []
    page.get_by_role("button", name="Show the code").click()
    expect(page.get_by_text("PIN 4711")).to_be_visible()
    assert "4711" not in json.dumps(kept_on(page))
    page.clock.run_for(31_000)
    expect(page.get_by_text("PIN 4711")).to_have_count(0)
    assert "4711" not in page.content()
    assert service.reveals == [("2026-12-04", "502")]


def test_a_code_is_gone_as_soon_as_the_page_is_hidden(
    open_page: Open, service: Standin
) -> None:
    page = pair(open_page(), service)
    page.get_by_role("button", name="Show the code").click()
    expect(page.get_by_text("PIN 4711")).to_be_visible()
    page.evaluate(HIDE)
    assert "4711" not in page.content()
    assert "4711" not in json.dumps(kept_on(page))


# --- the way there --------------------------------------------------------------


def test_a_drive_is_told_turn_by_turn_until_it_is_over(
    open_page: Open, service: Standin
) -> None:
    service.sheet = with_turns(sheet(FIRST_DONE))
    page = pair(open_page(), service)
    now = page.locator(".now")
    now.get_by_text("Turn by turn, by ferry").click()
    expect(now.locator(".turns li")).to_have_text(
        [
            "Drive west, then 30 m",
            f"{TURNS[1][0].rstrip('.')}, then 460 m",
            "Take the ferry, then 1.7 km",
            "You have arrived at your destination.",
        ]
    )
    expect(now.get_by_text("nobody: invented roads")).to_be_visible()
    service.change(with_turns(sheet(WORKING)))
    expect(page.get_by_text("Working at")).to_be_visible()
    expect(now.locator(".turns")).to_have_count(0)


def test_in_a_country_of_miles_the_turns_are_in_yards_and_miles(
    open_page: Open, service: Standin
) -> None:
    service.sheet = with_turns(sheet(FIRST_DONE, distance="mi"))
    page = pair(open_page(), service)
    page.locator(".now").get_by_text("Turn by turn").click()
    # 33 m are 36 yards, 456 m are 499 and 1666 m are 1.04 miles.
    far = page.locator(".now .turns .far")
    expect(far).to_have_text(["40 yd", "500 yd", "1.0 mi"])


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [(390, 844), (320, 568)])
def test_the_turns_can_be_read_on_every_phone(
    open_page: Open, service: Standin, scheme: str, width: int, height: int
) -> None:
    service.sheet = with_turns(sheet(FIRST_DONE))
    size = {"width": width, "height": height}
    page = pair(open_page(color_scheme=scheme, viewport=size), service)
    page.locator(".later .stop > .fold > summary").first.click()
    folds = page.locator("summary:visible", has_text="Turn by turn")
    expect(folds).to_have_count(2)
    for each in folds.all():
        each.click()
    audit(page, "turn lists")
    for fold in page.locator(".fold:has(> .turns):visible").all():
        # One column: the list begins below its title's first letter, with no corner of
        # it rounded off.
        title, turns = fold.locator("summary"), fold.locator(".turns")
        edges = (
            "each => each.getBoundingClientRect().left + parseFloat("
            "getComputedStyle(each).paddingLeft)"
        )
        assert turns.evaluate(edges) == pytest.approx(title.evaluate(edges))
        assert turns.evaluate("each => getComputedStyle(each).borderRadius") == "0px"


# --- everybody can use it -------------------------------------------------------

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
# Whatever can be touched, and is smaller than 44 px or cut off at the side; a tick box
# is touched by its label.
SMALL = """() => [...document.querySelectorAll(
    "button, a[href], summary, input:not([type=checkbox]), select, textarea, "
    + ".ticks label"
  )]
  .filter((each) => each.checkVisibility())
  .map((each) => [each.textContent.trim().slice(0, 30), each.getBoundingClientRect()])
  .filter(([, box]) =>
    box.width < 43.9 || box.height < 43.9 || box.right > innerWidth + 0.5)
  .map(([name, box]) => `${name}: ${box.width} x ${box.height}, to ${box.right}`)"""


def audit(page: Page, screen: str) -> None:
    """Fail on whatever the rules engine finds, or what is too small or too wide."""
    page.wait_for_timeout(250)  # a sheet that rises is no screen yet
    found = Axe().run(page, options={"runOnly": RULES, "resultTypes": ["violations"]})
    faults = [
        f"{each['id']}: {node['target']} {node['failureSummary']}"
        for each in found.response["violations"]
        for node in each["nodes"]
    ]
    assert faults == [], screen
    assert page.evaluate(SMALL) == [], screen
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), screen


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [320, 390])
def test_every_screen_passes_the_audit_has_large_targets_and_fits(
    open_page: Open, service: Standin, scheme: str, width: int
) -> None:
    service.sheet = sheet()
    page = open_page(color_scheme=scheme, viewport={"width": width, "height": 700})
    page.goto(f"{service.url}/phone")
    expect(page.get_by_role("heading", name="Pair this phone")).to_be_visible()
    audit(page, "pairing")
    pair(page, service)
    audit(page, "before leaving")
    service.change(sheet(WORKING, emergency=["Call 502: a dog is in the car."]))
    expect(page.get_by_text("Working at")).to_be_visible()
    for summary in page.locator("summary").all():
        summary.click()
    page.get_by_role("button", name="Show the code").click()
    audit(page, "working, all unfolded")
    for name, screen in (("Done", "done"), ("Late", "late"), ("More", "more")):
        page.locator("#bar").get_by_role("button", name=name).click()
        audit(page, screen)
        page.keyboard.press("Escape")
    page.get_by_role("button", name="This phone").click()
    audit(page, "this phone")
    page.keyboard.press("Escape")
    page.get_by_role("button", name="More").click()
    page.get_by_role("button", name="Spoiled a part").click()
    page.get_by_role("button", name="Spoiled", exact=True).click()
    audit(page, "spoiled, with a fault")
    page.keyboard.press("Escape")
    service.refuse = {"late": "this van is out for the day"}
    page.get_by_role("button", name="Late").click()
    page.get_by_role("button", name="10 min").click()
    wait_held(page)
    page.get_by_role("button", name="1 not taken").click()
    audit(page, "what was told")
    page.keyboard.press("Escape")
    page.context.set_offline(True)
    expect(page.get_by_text("No connection")).to_be_visible()
    audit(page, "no connection")
    page.context.set_offline(False)
    service.change(
        sheet(dict.fromkeys([each["key"] for each in service.sheet["stops"]], "done"))
    )
    expect(page.get_by_text("All stops are finished")).to_be_visible()
    audit(page, "homewards")


def test_the_keyboard_alone_pairs_the_phone_and_tells_a_step(
    open_page: Open, service: Standin
) -> None:
    page = open_page()
    page.goto(f"{service.url}/phone")
    expect(page.get_by_label("Code")).to_be_visible()
    page.keyboard.press("Tab")
    page.keyboard.type("abcd2345")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="21 Lockgate")).to_be_visible()
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.dataset.key") == "step":
            break
    page.keyboard.press("Enter")
    # It stays in hand: the same place holds the next step.
    assert page.evaluate("document.activeElement.dataset.key") == "step"
    expect(page.locator("#bar .step")).to_contain_text("Here")
    wait_held(page)
    until(page, lambda: len(service.facts) == 1)


def test_a_change_is_read_out(open_page: Open, service: Standin) -> None:
    page = pair(open_page(), service)
    step(page, "Setting off")
    expect(page.get_by_role("status").first).to_have_text(
        "Setting off: 21 Lockgate. Saved on this phone. "
        "It can be taken back for five seconds."
    )
