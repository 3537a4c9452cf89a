"""A real browser, and a stand-in of the service for it."""

import os
import shutil
from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import (
    Browser,
    BrowserContext,
    Page,
    expect,
    sync_playwright,
)

from tests.browser.sheets import at, sheet
from tests.browser.standin import Standin, served

PATIENCE_MS = 20_000  # on a machine that does other things as well
CHROMIUM = os.environ.get("KEYROUND_CHROMIUM") or shutil.which("chromium")


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Open the machine's own browser."""
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine (or name it in KEYROUND_CHROMIUM)")
    expect.set_options(timeout=PATIENCE_MS)
    with sync_playwright() as tool:
        opened = tool.chromium.launch(executable_path=CHROMIUM)
        yield opened
        opened.close()


@pytest.fixture
def service() -> Iterator[Standin]:
    """Serve Mira's day, the first visit done."""
    done = sheet({"call:501": "done"})
    with served(Standin(sheet=done, now_at=at("08:45"))) as it:
        yield it


@pytest.fixture
def open_page(browser: Browser) -> Iterator[Callable[..., Page]]:
    """Return what opens a page of a phone; a page that throws fails its test."""
    contexts: list[BrowserContext] = []
    faults: list[str] = []

    def opened(**options: object) -> Page:
        context = browser.new_context(
            **{"viewport": {"width": 390, "height": 844}, **options}  # type: ignore[arg-type]
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        page.clock.install()  # it goes on by itself; tests let minutes pass at once
        page.on("pageerror", lambda error: faults.append(str(error)))
        return page

    yield opened
    for context in contexts:
        context.close()
    assert faults == []
