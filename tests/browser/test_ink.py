"""The colours of both pages: every text is readable on the grounds it is meant for."""

import re
from importlib import resources

import pytest

# WCAG 2.2, success criteria 1.4.3 and 1.4.11: text 4.5 to 1, edges of what can be
# pressed and pictures that say something 3 to 1. Text is held to more: sun on glass.
TEXT, EDGE = 6.0, 3.0
PAIRS = {
    "ink": "chalk sheet sunk go-wash brass-wash red-wash blue-wash",
    "ink-soft": "chalk sheet sunk go-wash brass-wash red-wash blue-wash",
    "go-text": "chalk sheet sunk go-wash",
    "brass-text": "chalk sheet sunk brass-wash",
    "red-text": "chalk sheet sunk red-wash",
    "blue-text": "chalk sheet blue-wash",
    "on-go": "go go-press",
    "on-red": "red red-text",
}
EDGES = {"edge": "chalk sheet", "brass": "chalk sheet", "focus": "chalk sheet"}


def colours(scheme: str) -> dict[str, str]:
    """Return the colours by name; dark ones replace light ones."""
    text = resources.files("api").joinpath("page", "ink.css").read_text("utf-8")
    light, dark = text.split("@media (prefers-color-scheme: dark)")
    found = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", light))
    return found | (
        dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", dark))
        if scheme == "dark"
        else {}
    )


def luminance(colour: str) -> float:
    """Return the relative luminance as WCAG 2.2 defines it."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (
        each / 12.92 if each <= 0.04045 else ((each + 0.055) / 1.055) ** 2.4
        for each in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_reckoning_is_right_at_its_ends() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("pairs", "least"), [(PAIRS, TEXT), (EDGES, EDGE)])
def test_text_and_edges_stand_out_from_their_grounds(
    scheme: str, pairs: dict[str, str], least: float
) -> None:
    found = colours(scheme)
    pale = {
        f"{name} on {ground}": round(contrast(found[name], found[ground]), 2)
        for name, grounds in pairs.items()
        for ground in grounds.split()
        if contrast(found[name], found[ground]) < least
    }
    assert pale == {}
