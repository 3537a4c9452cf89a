"""What a folder's log teaches reaches the plan."""

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from api.cli import Engine, cli
from dispatch.chance import Spreads
from dispatch.lesson import study, study_if_told
from dispatch.scenario import read_scenario
from shared.errors import InvalidInput
from shared.model import Day
from tests.test_house import ROOT

DEMO = ROOT / "demo_scenarios" / "one_van"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a copy of the demo with a log."""
    return Path(shutil.copytree(DEMO, tmp_path / "day"))


def learnt(folder: Path, *, no_log: bool = False) -> tuple[Day, Spreads]:
    """Return what `plan` plans with."""
    return Engine().learn(folder, no_log=no_log)


def test_the_log_says_how_long_visits_take_and_the_plan_says_so(folder: Path) -> None:
    plain, (day, spreads) = read_scenario(folder), learnt(folder)
    assert "594 visits and 600 drives in log.csv" in day.learnt
    assert spreads.source == "the log"
    lengths = {call.id: (call.median_s, call.p90_s) for call in day.calls}
    usual = {call.id: (call.median_s, call.p90_s) for call in plain.calls}
    # 107 has figures of its own; broken_key is not in the log
    assert {c for c in usual if lengths[c] == usual[c]} == {"105", "107", "109"}
    for call in day.calls:
        assert spreads.lengths[call.id].median_s == pytest.approx(call.median_s, abs=1)
        assert spreads.lengths[call.id].p90_s == pytest.approx(call.p90_s, abs=1)
    assert day.vans[0].pace["add_key"] < 1.0  # Robin is quick
    assert day.travel.traffic.source == "learnt from 600 logged drives"


def test_the_log_can_be_left_aside(folder: Path) -> None:
    day, spreads = learnt(folder, no_log=True)
    assert day == read_scenario(folder)
    assert spreads.source == "the trade table"
    done = CliRunner().invoke(cli, ["plan", str(folder), "--no-log", "--quiet"])
    assert "as the trade table says" in " ".join(done.stdout.split())
    assert "learnt from" not in done.stdout


def test_a_log_of_used_parts_alone_is_no_hindrance(folder: Path) -> None:
    (folder / "log.csv").write_text("date,van,parts\n2026-11-30,V1,FOB-31\n")
    day, spreads = learnt(folder)
    assert (day.learnt, spreads.source) == ("", "the trade table")
    assert day.calls == read_scenario(folder).calls
    with pytest.raises(InvalidInput):
        study(folder, day)  # who asks for lengths is told that none are there


def test_estimates_do_without_a_log(folder: Path) -> None:
    (folder / "log.csv").unlink()
    (folder / "log.toml").write_text("[estimates]\nrekey = [20, 30, 60]\n")
    taught = study_if_told(folder, read_scenario(folder))
    (rekey,) = [call for call in taught.applied().calls if call.kind == "rekey"]
    # Malcolm et al.: the mean of 20, 30 and 60 minutes is 33 1/3, the median less
    assert 30 * 60 < rekey.median_s < 33 * 60 + 20


def test_a_log_that_could_be_read_two_ways_stops_the_plan(folder: Path) -> None:
    (folder / "log.csv").write_text(
        "date,kind,minutes\n03/04/2026,rekey,40\n05/04/2026,rekey,45\n"
    )
    done = CliRunner().invoke(cli, ["plan", str(folder), "--quiet"])
    assert done.exit_code == 2
    assert "log.csv" in done.stderr
