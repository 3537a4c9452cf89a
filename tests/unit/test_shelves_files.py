"""Shelves from a folder to the reports: files read, text, tables, JSON, command."""

import csv
import io
import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from jsonschema import Draft202012Validator, FormatChecker

from api.cli import Engine, cli
from api.schemas import SHELVES, shelves_json, shelves_schema
from dispatch.report import write_shelves
from dispatch.report.csvfile import shelves_tables
from dispatch.report.shelf import shelves_document
from dispatch.report.text import shelves_text
from dispatch.scenario import read_shelves
from dispatch.shelves import Shelves, fill_shelves
from shared.dialect import Dialect
from shared.errors import InvalidInput
from shared.model import Day

DEMO = Path(__file__).resolve().parents[2] / "demo_scenarios" / "full_shelves"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a copy of the demo folder."""
    return Path(shutil.copytree(DEMO, tmp_path / "firm"))


@pytest.fixture(scope="module")
def filled() -> tuple[Day, Shelves]:
    day, history, rules = read_shelves(DEMO)
    return day, fill_shelves(day, history, rules)


def run(*words: str) -> Result:
    return CliRunner().invoke(cli, words, obj=Engine())


def write_log(folder: Path, *rows: str, header: str = "date,van,parts,spoiled") -> None:
    (folder / "log.csv").write_text("\n".join((header, *rows)) + "\n")


def faults(folder: Path) -> list[str]:
    with pytest.raises(InvalidInput) as refused:
        read_shelves(folder)
    return [str(fault) for fault in refused.value.faults]


# --- reading ------------------------------------------------------------------


def test_the_log_says_who_used_what_and_on_which_days_each_van_worked(
    folder: Path,
) -> None:
    write_log(
        folder,
        "2026-12-01,nell,KIT-31 | CELL-20 x2,BLADE-31",
        "2026-12-01,nell,,",
        "2026-11-30,pia,BLANK-12 x3,",
    )
    _, history, _ = read_shelves(folder)
    assert {v: len(d) for v, d in history.worked.items()} == {
        "nell": 1,
        "ove": 0,
        "pia": 1,
    }
    assert [(u.van_id, u.part_id, u.quantity, u.spoiled) for u in history.uses] == [
        ("nell", "FOB-31", 1, 0),
        ("nell", "BLADE-31", 1, 1),
        ("nell", "CELL-20", 3, 0),
        ("pia", "BLANK-12", 3, 0),
    ]


def test_every_fault_of_every_file_is_told_at_once(folder: Path) -> None:
    write_log(
        folder,
        "01/12/2026,nell,KIT-31,",
        "2026-12-01,nell,CELL-20 x999,",
        "2026-12-01,nell,CELL-20,BLADE 31 x0",
    )
    (folder / "shelves.toml").write_text(
        'service_level = 1.5\nmoney = "lots"\nload_days = 0\n'
        '[[van]]\nid = "nel"\nspace = -3\n'
        '[[part]]\nid = "KIT-31"\nsize = 1.5\n'
        '[[part]]\nid = "IGN-3"\n[[part]]\nid = "IGN-3"\n'
    )
    text = (folder / "parts.csv").read_text()
    (folder / "parts.csv").write_text(text.replace(",38.50,", ",dear,"))
    found = faults(folder)
    assert [line.split(":")[0] for line in found] == [
        "parts.csv, line 2, unit_cost",
        "log.csv, line 2, date",
        "log.csv, line 3, parts",
        "log.csv, line 4, spoiled",
        *[line.split(":")[0] for line in found[4:]],
    ]
    rest = "\n".join(found[4:])
    assert all(line.startswith("shelves.toml") for line in found[4:])
    for column in ("service_level", "money", "load_days", "van.space", "part.size"):
        assert f", {column}: got" in rest
    # Vans and parts are not looked up while the folder's own files are in doubt.
    assert rest.count("each id once") == 1


def test_ids_of_shelves_are_looked_up_and_the_nearest_is_asked_for(
    folder: Path,
) -> None:
    (folder / "shelves.toml").write_text(
        '[[van]]\nid = "nel"\n[[part]]\nid = "KIT-31"\n[[part]]\nid = "FOB31"\n'
    )
    found = faults(folder)
    assert len(found) == 3
    assert "did you mean 'nell'?" in found[0]
    assert "no kit" in found[1]
    assert "did you mean 'FOB-31'?" in found[2]


def test_rows_of_vans_and_parts_that_are_gone_are_set_aside_counted_and_named(
    folder: Path,
) -> None:
    write_log(
        folder,
        "2026-12-01,nell,FOB31 | OLD-1 | CELL-20,",
        "2026-12-01,uwe,CELL-20,",
        "2026-12-02,uwe,CELL-20,",
        "2026-12-24,nell,CELL-20,",
        "2026-12-02,,CELL-20,",
    )
    day, history, _ = read_shelves(folder)
    assert [(u.van_id, u.part_id) for u in history.uses] == [("nell", "CELL-20")]
    said = "\n".join(day.notices)
    assert "3 rows of vans that vans.toml does not have" in said
    assert "'uwe' (2)" in said
    assert "1 row later than 2026-12-02" in said
    assert "2 uses of parts that parts.csv does not have" in said
    assert "did you mean 'FOB-31'?" in said


def test_a_misspelt_column_is_asked_about_and_the_logs_others_are_not(
    folder: Path,
) -> None:
    write_log(
        folder,
        "2026-12-01,nell,CELL-20,BLADE-31,far out",
        header="date,van,parts,spoilt,weather",
    )
    day, _, _ = read_shelves(folder)
    about = [said for said in day.notices if "spoil" in said]
    assert len(about) == 1
    assert "did you mean 'spoiled'?" in about[0]


def test_a_log_that_knows_drivers_only_is_read_by_them(folder: Path) -> None:
    write_log(
        folder,
        "2026-12-01,Pia Dunmore,PINS-5",
        "2026-12-01,Somebody Else,PINS-5",
        header="date,driver,parts",
    )
    day, history, _ = read_shelves(folder)
    assert [use.van_id for use in history.uses] == ["pia"]
    assert any("'Somebody Else' (1" in said for said in day.notices)


def test_of_a_log_that_is_wrong_in_every_line_the_first_faults_are_told_and_counted(
    folder: Path,
) -> None:
    write_log(folder, *(f"0{1 + n % 9}.11.2026,nell,CELL-20," for n in range(500)))
    found = faults(folder)
    assert len(found) == 21
    assert "log.csv, line 22, date: got 480 more such lines" in found[-1]


def test_a_folder_without_a_log_or_without_a_known_visit_is_refused(
    folder: Path,
) -> None:
    write_log(folder, "2026-12-01,uwe,CELL-20,")
    assert "no visit of any van" in faults(folder)[0]
    (folder / "log.csv").unlink()
    (message,) = faults(folder)
    assert "log.csv: got no such file" in message


def test_a_folder_that_is_none_is_refused_as_everywhere(tmp_path: Path) -> None:
    (message,) = faults(tmp_path / "nowhere")
    assert "no such folder" in message


def test_without_shelves_toml_the_days_level_and_no_limits_hold(folder: Path) -> None:
    (folder / "shelves.toml").unlink()
    day, history, rules = read_shelves(folder)
    assert rules.level == day.service_level
    assert rules.cents is None
    made = fill_shelves(day, history, rules)
    assert [van.load_days for van in made.vans] == [1, 5, 1]  # ove starts at home


# --- reports ------------------------------------------------------------------


def test_the_two_lines_that_matter_tonight_come_first(
    filled: tuple[Day, Shelves],
) -> None:
    day, made = filled
    text = shelves_text(day, made)
    first = text.split("What matters most")[1].split("Van nell")[0]
    # Ove has one fob for a week in which nearly four are wanted.
    assert first.index("ove: Fob, three buttons (FOB-31)") < first.index("FOB-40")
    assert "chance of 12 %; par 7: load 2 and 4 to buy" in " ".join(first.split())
    assert max(map(len, text.splitlines())) <= 80


def test_the_demo_shows_what_its_readme_promises(filled: tuple[Day, Shelves]) -> None:
    _, made = filled
    moves = {(m.part_id, m.from_van, m.to_van) for m in made.moves}
    assert {
        ("FOB-40", "nell", "ove"),
        ("BLADE-40", "nell", "ove"),
        ("CYL-35", "nell", "pia"),
    } <= moves
    assert sum(dead.cents for dead in made.dead) == 17_000
    assert made.vans[1].par_space <= 55
    assert made.par_cents <= 140_000 < made.wished_cents
    assert made.par_cents < made.two_each_cents
    carried = {v.van_id: {x.part_id for x in v.lines if x.par} for v in made.vans}
    assert not {"LOCK-55", "CYL-35"} & carried["nell"]
    assert not {"FOB-31", "FOB-40", "CHIP-5"} & carried["pia"]


def test_the_published_schema_is_the_one_the_shelves_have(
    filled: tuple[Day, Shelves],
) -> None:
    published = json.loads(SHELVES.read_text(encoding="utf-8"))
    assert published == shelves_schema()
    Draft202012Validator.check_schema(published)
    Draft202012Validator(published, format_checker=FormatChecker()).validate(
        json.loads(shelves_json(*filled))
    )
    for body in (published, *published["$defs"].values()):
        assert body["additionalProperties"] is False
        assert all("description" in field for field in body["properties"].values())


def test_the_tables_say_the_same_as_the_lists(filled: tuple[Day, Shelves]) -> None:
    day, made = filled
    written = shelves_tables(
        shelves_document(day, made), Dialect(separator=";", decimal=",")
    )
    rows = list(csv.DictReader(io.StringIO(written["pars.csv"]), delimiter=";"))
    assert len(rows) == sum(len(van.lines) for van in made.vans)
    (fob,) = (r for r in rows if (r["van_id"], r["part_id"]) == ("ove", "FOB-31"))
    assert (fob["par"], fob["aboard"], fob["load"], fob["lacking"]) == (
        "7",
        "1",
        "2",
        "4",
    )
    assert "," in fob["at_risk"]
    for name, entries in (
        ("orders.csv", made.orders),
        ("moves.csv", made.moves),
        ("dead_stock.csv", made.dead),
    ):
        table = list(csv.DictReader(io.StringIO(written[name]), delimiter=";"))
        assert [r["part_id"] for r in table] == [each.part_id for each in entries]


# --- the command --------------------------------------------------------------


def test_the_command_shows_the_shelves_and_says_by_its_status_that_there_is_work(
    tmp_path: Path,
) -> None:
    result = run("shelves", str(DEMO), "--out", str(tmp_path / "out"))
    assert result.exit_code == 1, result.stderr
    assert "What matters most" in result.stdout
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        "shelves.txt",
        "shelves.json",
        "pars.csv",
        "orders.csv",
        "moves.csv",
        "dead_stock.csv",
    }


def test_a_plan_in_the_same_folder_keeps_its_day_sheets(
    filled: tuple[Day, Shelves], tmp_path: Path
) -> None:
    sheet, calendar = tmp_path / "sheet-north.html", tmp_path / "calendar-north.ics"
    sheet.write_text('<meta name="generator" content="keyround">')
    calendar.write_text("PRODID:-//keyround//")
    write_shelves(*filled, tmp_path)
    assert sheet.exists()
    assert calendar.exists()
    assert (tmp_path / "shelves.txt").exists()


def test_json_goes_to_stdout_and_faults_go_there_as_json_too(folder: Path) -> None:
    result = run("shelves", str(folder), "--json")
    assert json.loads(result.stdout)["format"] == "keyround shelves"
    write_log(folder, "yesterday,nell,,")
    result = run("shelves", str(folder), "--json")
    assert result.exit_code == 2
    (problem,) = json.loads(result.stdout)["problems"]
    assert (problem["file"], problem["row"], problem["column"]) == (
        "log.csv",
        2,
        "date",
    )


def test_the_schema_of_the_shelves_is_an_option() -> None:
    assert json.loads(run("schema", "--shelves").stdout) == shelves_schema()
    assert run("schema", "--shelves", "--outlook").exit_code == 2
