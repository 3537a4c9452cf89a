"""The files of the phone page belong together; no browser is needed to see that."""

import json
import re

from api.routers.pages import read_pages

MOST_BYTES = 100_000


def text(name: str) -> str:
    return read_pages()[name].body.decode()


def kept() -> set[str]:
    """Return what the service worker keeps for hours without coverage."""
    listed = re.search(r"const FILES = \[(.*?)\];", text("worker.js"), re.DOTALL)
    assert listed is not None
    return set(re.findall(r'"(/[^"]+)"', listed[1]))


def test_whatever_the_phone_page_loads_is_kept_for_hours_without_coverage() -> None:
    loaded = {"/phone"} | set(
        re.findall(r'(?:href|src)="(/page/[^"]+)"', text("phone.html"))
    )
    scripts = [name for name in read_pages() if re.fullmatch(r"phone.*\.js", name)]
    for name in scripts:
        loaded |= {
            f"/page/{each}" for each in re.findall(r'from "\./([^"]+)"', text(name))
        }
        loaded |= set(re.findall(r'src: "(/page/[^"]+)"', text(name)))
    assert len(loaded) > len(scripts)
    assert loaded == kept()


def test_every_file_of_the_phone_page_is_there_and_small() -> None:
    pages = read_pages()
    names = {each.removeprefix("/page/") for each in kept() - {"/phone"}}
    assert names <= pages.keys()
    assert [n for n in names if len(pages[n].body) > MOST_BYTES] == []


def test_the_page_loads_nothing_from_elsewhere_and_sets_no_style_in_its_text() -> None:
    for name, page in read_pages().items():
        if name.startswith("phone") or name in {"worker.js", "ink.css"}:
            words = page.body.decode()
            assert set(re.findall(r"https?://[^\s\"')]+", words)) <= {
                "http://www.w3.org/2000/svg"  # a name, not an address
            }, name
            assert re.search(r"innerHTML \+?=[^=]", words) is None, name
            assert " style=" not in words, name


def test_the_icons_of_the_manifest_are_as_large_as_it_says() -> None:
    manifest = json.loads(text("manifest.webmanifest"))
    for icon in manifest["icons"]:
        body = read_pages()[icon["src"].removeprefix("/page/")].body
        if icon["type"] == "image/png":
            # PNG (ISO/IEC 15948): width and height stand at bytes 16 to 24.
            sides = [int.from_bytes(body[i : i + 4], "big") for i in (16, 20)]
            assert icon["sizes"] == f"{sides[0]}x{sides[1]}"
