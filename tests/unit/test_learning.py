"""The command `learn` and its page."""

import json
from html.parser import HTMLParser
from pathlib import Path

import pytest
from click.testing import CliRunner

from api.cli import cli
from dispatch.lesson import learn
from dispatch.report.learning import learning_html
from dispatch.scenario import read_scenario, write_scenario
from tests.builders import a_day
from tests.invent_log import log_text

DEMO = Path(__file__).parents[2] / "demo_scenarios" / "one_van"


def test_the_demo_log_is_the_one_that_is_invented_from_its_seed() -> None:
    assert (DEMO / "log.csv").read_text(encoding="utf-8") == log_text()


def test_learning_from_the_demo_finds_what_was_put_into_it(tmp_path: Path) -> None:
    done = CliRunner().invoke(
        cli, ["learn", str(DEMO), "--json", "--out", str(tmp_path / "out")]
    )
    assert done.exit_code == 0, done.output
    data = json.loads(done.stdout)
    assert data == json.loads((tmp_path / "out/learnt.json").read_text("utf-8"))
    assert data["rows"] == 600
    assert data["visits"] + sum(aside["rows"] for aside in data["aside"]) == 600
    pace = {each["driver"]: each for each in data["drivers"]}
    # invented with 0.92, 1 and 1.18
    assert pace["Toby Marsh"]["pace"] / pace["Robin Ashdene"]["pace"] == pytest.approx(
        1.18 / 0.92, rel=0.07
    )
    median, high = data["calibration"]["losses"]
    assert median["learnt"] < min(median["plain"], median["trade"])
    assert high["learnt"] < min(high["plain"], high["trade"])
    hours = {each["hour"]: each["permille"] for each in data["roads"]["hours"]}
    assert hours[8] < hours[12]
    assert hours[17] < hours[12]


def test_the_day_with_all_that_was_learnt_has_new_lengths_and_roads() -> None:
    day = read_scenario(DEMO)
    learnt = learn(DEMO, day).applied()
    # 0.92 of what is invented, against the mean of 0.92, 1 and 1.18, which is 1.03
    assert learnt.vans[0].pace["add_key"] == pytest.approx(0.92 / 1.03, abs=0.05)
    assert learnt.travel.start_stop_s == pytest.approx(150, abs=15)  # invented with 150
    assert "learnt from" in learnt.travel.source
    usual = {call.id: call.median_s for call in day.calls if call.kind == "add_key"}
    for call in learnt.calls:
        if call.id in usual:
            assert call.median_s != usual[call.id]


class Outline(HTMLParser):
    """Notes the tags of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        assert not {"src", "onload"} & {name for name, _ in attrs}


def test_the_page_is_whole_and_asks_nobody_for_anything() -> None:
    page = learning_html(learn(DEMO, read_scenario(DEMO)))
    outline = Outline()
    outline.feed(page)
    assert "script" not in outline.tags
    assert "link" not in outline.tags
    assert "http:" not in page
    assert "https:" not in page
    assert (
        outline.tags.count("svg") == 11
    )  # kinds, 6 shapes, drivers, roads, 2 diagonals
    assert "nan" not in page.lower().replace("ashdenan", "")
    for words in ("Robin Ashdene", "small hatchback", "finish before start"):
        assert words in page


def test_what_a_log_writes_is_text_on_the_page_and_no_markup(tmp_path: Path) -> None:
    write_scenario(a_day(), tmp_path)
    (tmp_path / "log.csv").write_text(
        "kind,driver,group,minutes\nrekey,<script>x</script>,<b>,40\n", "utf-8"
    )
    page = learning_html(learn(tmp_path, read_scenario(tmp_path)))
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def test_a_folder_without_a_log_says_so_and_shows_the_table(tmp_path: Path) -> None:
    write_scenario(a_day(), tmp_path)
    done = CliRunner().invoke(cli, ["learn", str(tmp_path)])
    assert done.exit_code == 1
    assert "the trade table is all there is" in done.stdout
    assert "Rekey" in done.stdout


def test_a_log_that_could_be_read_two_ways_is_refused(tmp_path: Path) -> None:
    write_scenario(a_day(), tmp_path)
    (tmp_path / "log.csv").write_text(
        "date,kind,minutes\n03/04/2026,rekey,45\n", encoding="utf-8"
    )
    done = CliRunner().invoke(cli, ["learn", str(tmp_path), "--json"])
    assert done.exit_code == 2
    assert json.loads(done.stdout)["problems"][0]["row"] == 2
