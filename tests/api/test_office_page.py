"""What the office page says by itself is what the house says."""

import json
import re
from importlib import resources

from dispatch.urgent import Ask, dangers
from tests.builders import a_call, a_day

PAGE = resources.files("api").joinpath("page")
LARGEST = 100_000


def read(name: str) -> str:
    return PAGE.joinpath(name).read_text(encoding="utf-8")


def listed(text: str, constant: str) -> object:
    """Return an exported list of strings: JSON, but for its last comma."""
    found = re.search(rf"export const {constant} = (\[.*?\n\]);", text, re.DOTALL)
    assert found is not None
    return json.loads(re.sub(r",(\s*\])", r"\1", found[1]))


def test_the_words_of_danger_are_those_of_the_planner() -> None:
    # A kind without cautions of its own: what is left is said for danger alone.
    said = dangers(a_day(), a_call(kind="rekey"), Ask(danger=True))
    words = listed(read("office-urgent.js"), "DANGER")
    assert words == [caution.text for caution in said[:2]]


def test_no_file_of_the_pages_is_over_a_hundred_kilobytes() -> None:
    sizes = {file.name: len(file.read_bytes()) for file in PAGE.iterdir()}
    assert {name for name, size in sizes.items() if size > LARGEST} == set()


def test_the_office_page_takes_nothing_from_elsewhere() -> None:
    for file in PAGE.iterdir():
        if file.name.startswith("office"):
            addresses = set(re.findall(r"https?://[^\s\"'`]+", read(file.name)))
            # The name of a namespace, which nobody fetches.
            assert addresses <= {"http://www.w3.org/2000/svg"}, file.name
