"""The command line, with planners that do what the test is about."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner, Result

from api import meter
from api.cli import GENTLE, Engine, Exit, cli
from dispatch import solver
from dispatch.generator import generate_day
from dispatch.planner import Budget, plan_day
from dispatch.scenario.facts import Happened
from dispatch.travel.atlas import Atlas
from dispatch.travel.survey import lay
from shared import trade
from shared.errors import Fault, InvalidInput, Unavailable
from shared.model import (
    Answer,
    Day,
    Outlook,
    Place,
    Plan,
    Proof,
    Reason,
    Route,
    Rule,
    Status,
    Stop,
    StopKind,
    Unplaced,
    Wish,
)
from shared.units import UNITS_PER_CENT
from tests.builders import a_call, a_day, a_part, a_van, at, need, window
from tests.roads import InventedRoads
from tests.unit.test_meter import Report

ROOT = Path(__file__).resolve().parents[2]
COMMANDS = sorted(cli.commands)
EIGHT_S = 8 * 3600
REASON = Reason(rule=Rule.ROOM, text="The van's day is full.", van_id="V1")


def planned(day: Day, **_: Any) -> Plan:
    """Serve every call at the shop's door, one after the other from 8:00."""
    stops = tuple(
        Stop(
            kind=StopKind.CALL,
            call_id=call.id,
            place=call.place,
            drive_m=0,
            drive_s=0,
            arrive_s=EIGHT_S + 1800 * number,
            start_s=EIGHT_S + 1800 * number,
            finish_s=EIGHT_S + 1800 * (number + 1),
        )
        for number, call in enumerate(day.calls)
    )
    route = Route(
        van_id=day.vans[0].id,
        stops=stops,
        leave_s=EIGHT_S,
        last_drive_m=0,
        last_drive_s=0,
        finish_s=stops[-1].finish_s,
    )
    return Plan(
        routes=(route,), issues=(), unplaced=(), status=Status(proof=Proof.BEST_FOUND)
    )


def unplaced(day: Day, **_: Any) -> Plan:
    """Leave every call at home."""
    calls = tuple(Unplaced(call_id=call.id, reasons=(REASON,)) for call in day.calls)
    return Plan(
        routes=(), issues=(), unplaced=calls, status=Status(proof=Proof.BEST_FOUND)
    )


def interrupted(presses: int) -> Callable[..., Plan]:
    """Return a planner during whose search somebody presses Ctrl-C."""

    def plan_day(day: Day, *, stop: Callable[[], bool], **_: Any) -> Plan:
        for _press in range(presses):
            os.kill(os.getpid(), signal.SIGINT)
        until = time.monotonic() + 10
        while not stop() and time.monotonic() < until:
            time.sleep(0.01)
        return planned(day)

    return plan_day


def broken(error: Exception) -> Callable[..., Plan]:
    """Return a planner that fails."""

    def plan_day(*_: Any, **__: Any) -> Plan:
        raise error

    return plan_day


def plain(day: Day, plan: Plan) -> Answer:
    """Return an answer without lists."""
    return Answer(
        day=day,
        plan=plan,
        pick_lists=(),
        shortages=(),
        purchases=(),
        tonight=(),
        cautions=(),
    )


def engine(plan_day: Callable[..., Plan] = planned, **changes: Any) -> Engine:
    """Return an engine that knows one day with two calls, whatever the folder."""
    defaults: Mapping[str, Any] = {
        "read": lambda _: a_day(a_call("C1"), a_call("C2")),
        "plan_day": plan_day,
        "answer": plain,
    }
    return Engine(**(defaults | changes))


def run(*words: str, obj: Engine | None = None) -> Result:
    return CliRunner().invoke(cli, list(words), obj=obj or engine())


def plan(*words: str, obj: Engine | None = None) -> Result:
    return run("plan", str(ROOT), *words, obj=obj)


def polish(_: Path) -> Day:
    """Read a day with a name that not every terminal can write."""
    return a_day(a_call("C1", customer="Łukasz Müller"))


def buffered() -> dict[str, str]:
    """Return an environment in which Python buffers its output, as it usually does."""
    return {k: v for k, v in os.environ.items() if k != "PYTHONUNBUFFERED"}


def spawn(changes: str, **options: Any) -> subprocess.Popen[str]:
    """Start a real process whose engine is made of this module's fakes."""
    code = (
        "from tests.unit.test_cli import *\n"
        f"cli(['plan', {str(ROOT)!r}], obj=engine({changes}))"
    )
    defaults: dict[str, Any] = {"stdout": subprocess.PIPE, "env": buffered()}
    return subprocess.Popen(  # noqa: S603 - this very Python
        [sys.executable, "-c", code],
        cwd=ROOT,
        text=True,
        stdin=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        **(defaults | options),
    )


def two_vans(_: Path) -> Day:
    """Read three calls for two vans that differ."""
    vans = (a_van("V1"), a_van("V2", shift=window(9, 17)))
    return a_day(a_call("C1"), a_call("C2"), a_call("C3"), vans=vans)


def then_interrupted(day: Day, **budget: Any) -> Plan:
    """Plan with the real planner; then somebody presses Ctrl-C."""
    made = Engine().plan_day(day, **budget)
    os.kill(os.getpid(), signal.SIGINT)
    return made


def endless(day: Day, *, stop: Callable[[], bool], **_: Any) -> Plan:
    """Search until told to stop, at most a minute."""
    sys.stderr.write("searching\n")
    sys.stderr.flush()
    until = time.monotonic() + 60
    while not stop() and time.monotonic() < until:
        time.sleep(0.01)
    return planned(day)


# --- what the statuses mean ---------------------------------------------------


def test_a_day_that_works_ends_with_status_0() -> None:
    result = plan()
    assert result.exit_code == 0, result.stderr
    assert "C1" in result.stdout
    assert "C2" in result.stdout


def test_a_call_that_nobody_can_take_ends_with_status_1_and_its_reason() -> None:
    result = plan(obj=engine(unplaced))
    assert result.exit_code == 1, result.stderr
    assert "The van's day is full." in result.stdout


def test_the_plan_as_json_is_one_document() -> None:
    result = plan("--json", obj=engine(unplaced))
    assert result.exit_code == 1, result.stderr
    assert "C1" in json.dumps(json.loads(result.stdout))


FAULTS = (
    Fault(file="calls.csv", row=3, column="lat", got="'5O'", expected="degrees"),
    Fault(file="vans.csv", got="no such file", expected="a table of vans"),
)


def refuse(_: Path) -> Day:
    """Read a folder with two faults."""
    raise InvalidInput(FAULTS)


def two_days(_: Path) -> Day:
    return a_day(a_call("C1"), a_call("C2"), horizon=2)


def outlook(day: Day, **_: Any) -> Outlook:
    """Serve every call on the first day, and none on the second."""
    later = replace(day, date=day.date + timedelta(days=1), calls=())
    return Outlook(answers=(plain(day, planned(day)), plain(later, unplaced(later))))


def nowhere(day: Day, **_: Any) -> Outlook:
    return Outlook(answers=(plain(day, unplaced(day)),))


def test_several_days_are_shown_together(tmp_path: Path) -> None:
    several = engine(read=two_days, plan_days=outlook)
    result = plan("--out", str(tmp_path), obj=several)
    assert result.exit_code == 0
    assert "2 of 2 calls planned on 2 days" in result.stdout
    assert "provisional" in result.stdout
    assert (tmp_path / "outlook.txt").is_file()
    assert (tmp_path / "2026-11-27" / "plan.json").is_file()


def test_several_days_as_json_are_one_document() -> None:
    result = plan("--json", obj=engine(read=two_days, plan_days=outlook))
    document = json.loads(result.stdout)
    assert document["format"] == "keyround outlook"
    assert len(document["days"]) == 2


def test_a_call_that_no_day_has_room_for_ends_with_status_1() -> None:
    result = plan(obj=engine(read=two_days, plan_days=nowhere))
    assert result.exit_code == 1
    assert "The van's day is full" in result.stdout


@pytest.mark.parametrize("name", ["shelves", "reshuffle", "replay", "urgent"])
def test_the_schema_of_another_command_is_an_option(name: str) -> None:
    found = json.loads(run("schema", f"--{name}").stdout)
    assert found["title"].startswith("keyround ")
    assert run("schema", f"--{name}", "--outlook").exit_code == 2


def test_the_schema_of_several_days_is_an_option() -> None:
    one, several = (
        json.loads(run("schema", *words).stdout) for words in ((), ("--outlook",))
    )
    assert several["title"] != one["title"]
    assert "days" in several["properties"]


def test_every_fault_of_the_folder_is_told_at_once_with_status_2() -> None:
    result = plan(obj=engine(read=refuse))
    assert result.exit_code == 2
    assert "2 faults" in result.stderr
    assert "calls.csv, line 3, lat: got '5O'; expected degrees" in result.stderr
    assert "vans.csv: got no such file" in result.stderr
    assert result.stdout == ""


def test_faults_as_json_go_to_stdout_for_programs() -> None:
    result = plan("--json", obj=engine(read=refuse))
    assert result.exit_code == 2
    assert json.loads(result.stdout)["problems"][0] == {
        "file": "calls.csv",
        "row": 3,
        "column": "lat",
        "got": "'5O'",
        "expected": "degrees",
    }


def test_a_folder_that_is_not_there_is_bad_input() -> None:
    for command in ("plan", "check"):
        result = run(command, str(ROOT / "no_such_day"), obj=Engine())
        assert result.exit_code == 2
        assert "no such folder" in result.stderr


def test_bad_input_writes_nothing(tmp_path: Path) -> None:
    result = plan("--out", str(tmp_path / "out"), obj=engine(read=refuse))
    assert result.exit_code == 2
    assert not (tmp_path / "out").exists()


def test_a_folder_that_cannot_be_written_is_the_environments_fault(
    tmp_path: Path,
) -> None:
    (tmp_path / "file").write_text("in the way")
    result = plan("--out", str(tmp_path / "file" / "out"))
    assert result.exit_code == 3
    assert "file" in result.stderr


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="needs a /proc")
def test_a_folder_that_takes_no_files_is_told_before_the_search() -> None:
    # Nobody can make a file in /proc, root neither.
    result = plan("--out", "/proc", obj=engine(broken(RuntimeError("searched"))))
    assert result.exit_code == 3
    assert "/proc: cannot write into this folder" in result.stderr
    assert "Errno" not in result.stderr


def test_reports_that_cannot_be_written_do_not_cost_the_plan(tmp_path: Path) -> None:
    out = tmp_path / "out"

    def plan_day(day: Day, **_: Any) -> Plan:
        out.rmdir()
        out.write_text("in the way")
        return planned(day)

    result = plan("--out", str(out), obj=engine(plan_day))
    assert result.exit_code == 3
    assert "C1" in result.stdout
    assert "out" in result.stderr


@pytest.mark.parametrize(
    "error", [PermissionError("no"), Unavailable("no"), OSError("disk full")]
)
def test_what_the_machine_refuses_ends_with_status_3(error: Exception) -> None:
    assert plan(obj=engine(broken(error))).exit_code == 3


def test_a_crash_never_looks_like_a_plan_with_unplaced_calls() -> None:
    result = plan(obj=engine(broken(RuntimeError("oops"))))
    assert result.exit_code == 70
    assert "RuntimeError: oops" in result.stderr
    assert "defect" in result.stderr


def test_two_ends_of_one_search_are_one_too_many() -> None:
    result = plan("--rounds", "5", "--seconds", "1")
    assert result.exit_code == 2
    assert "--rounds" in result.stderr


def test_with_out_every_report_is_a_file_too(tmp_path: Path) -> None:
    result = plan("--out", str(tmp_path / "new" / "out"))
    assert result.exit_code == 0, result.stderr
    written = list((tmp_path / "new" / "out").iterdir())
    assert f"wrote {len(written)} files" in result.stderr
    assert any(path.suffix == ".html" for path in written)


# --- the search's options -----------------------------------------------------


def test_seed_and_rounds_reach_the_planner() -> None:
    seen: list[tuple[int, int | None]] = []

    def plan_day(day: Day, *, seed: int, rounds: int | None, **_: Any) -> Plan:
        seen.append((seed, rounds))
        return planned(day)

    plan(obj=engine(plan_day))
    plan("--seed", "7", "--rounds", "99", obj=engine(plan_day))
    assert seen == [(0, None), (7, 99)]


def test_a_long_search_tells_its_progress_on_stderr_unless_quiet() -> None:
    def plan_day(day: Day, *, report: Callable[[Any], None], **_: Any) -> Plan:
        report(Report(seconds=2.0))
        return planned(day)

    assert "searching: 2 s" in plan(obj=engine(plan_day)).stderr
    assert plan("--quiet", obj=engine(plan_day)).stderr == ""


def test_a_time_limit_reaches_the_planner_as_the_share_that_is_spent() -> None:
    shares: list[float] = []

    def plan_day(day: Day, *, spent: Callable[[], float], **_: Any) -> Plan:
        while not shares or shares[-1] < 1.0:
            shares.append(spent())
            time.sleep(0.005)
        return planned(day)

    assert plan("--seconds", "0.02", obj=engine(plan_day)).exit_code == 0
    assert shares[0] == 0.0
    assert shares == sorted(shares)


def test_ctrl_c_yields_the_best_plan_so_far_and_says_so() -> None:
    result = plan(obj=engine(interrupted(presses=1)))
    assert result.exit_code == 0
    assert "best plan found so far" in result.stderr
    assert "C1" in result.stdout


def test_a_second_ctrl_c_breaks_off_without_a_plan() -> None:
    result = plan(obj=engine(interrupted(presses=2)))
    assert result.exit_code == 130
    assert result.stdout == ""


# --- as a real process --------------------------------------------------------


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is no signal there")
def test_ctrl_c_at_a_real_process_yields_the_best_plan_so_far() -> None:
    process = spawn("endless")
    assert process.stderr is not None
    assert process.stderr.readline() == "searching\n"
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=30)
    assert process.returncode == 0, err
    assert "best plan found so far" in err
    assert "C1" in out


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is no signal there")
def test_ctrl_c_is_still_heard_after_the_exact_cover_has_run() -> None:
    # CP-SAT can take Ctrl-C for itself and forget to give it back.
    process = spawn("then_interrupted, read=two_vans")
    out, err = process.communicate(timeout=120)
    assert process.returncode == 0, err
    assert "best plan found so far" in err
    assert "C3" in out


def test_a_reader_that_has_seen_enough_does_not_change_the_status() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    process = spawn("unplaced", stdout=writing)
    os.close(writing)
    _, err = process.communicate(timeout=30)
    assert process.returncode == 1, err
    assert "Traceback" not in err
    assert "BrokenPipe" not in err


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no full disk at hand")
def test_a_full_disk_is_the_environments_fault() -> None:
    with Path("/dev/full").open("w") as full:
        process = spawn("planned", stdout=full)
        _, err = process.communicate(timeout=30)
    assert process.returncode == 3, err


def test_a_terminal_that_lacks_a_letter_gets_a_plan_too() -> None:
    western = {**buffered(), "PYTHONIOENCODING": "latin-1", "PYTHONUTF8": "0"}
    process = spawn("planned, read=polish", env=western, encoding="latin-1")
    out, err = process.communicate(timeout=30)
    assert process.returncode == 0, err
    assert "ukasz M" in out  # the letter before it is not in Latin-1


def test_help_answers_at_once_because_nothing_heavy_is_loaded() -> None:
    code = "import sys, api.cli; print(*sorted(sys.modules))"
    loaded = subprocess.run(  # noqa: S603 - this very Python
        [sys.executable, "-c", code],
        cwd=ROOT,
        check=True,
        capture_output=True,
        text=True,
    ).stdout.split()
    heavy = {"pandas", "numpy", "numba", "ortools", "pydantic", "jinja2", "icalendar"}
    assert heavy.isdisjoint(loaded)


# --- the real thing -----------------------------------------------------------


def test_the_readme_shows_what_the_first_command_prints() -> None:
    result = run("plan", str(ROOT / "demo_scenarios" / "one_van"), obj=Engine())
    assert result.exit_code == 0, result.stderr
    assert "Proved best" in result.stdout
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    sample = readme.split("```text\n")[1].split("```")[0].splitlines()
    shown = [line for line in sample if line and line != "..."]
    printed = result.stdout.splitlines()
    assert len(shown) > 20
    assert [line for line in shown if line not in printed] == []


def test_the_day_that_cannot_work_ends_with_status_1_and_says_why() -> None:
    result = run("plan", str(ROOT / "demo_scenarios" / "cannot_work"), obj=Engine())
    assert result.exit_code == 1, result.stderr
    assert "FOB-77" in result.stdout  # the fob that nobody has


def test_the_meter_knows_the_planners_word_for_compiling() -> None:
    assert meter.COMPILING == solver.COMPILING


# --- the live day -------------------------------------------------------------

LIVE = str(ROOT / "demo_scenarios" / "live_day")


def test_the_readme_shows_what_replay_prints() -> None:
    result = run("replay", LIVE, obj=Engine())
    assert result.exit_code == 0, result.stderr
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    sample = readme.split("```text\n")[2].split("```")[0].splitlines()
    shown = [line for line in sample if line and line != "..."]
    printed = result.stdout.splitlines()
    assert len(shown) > 12
    assert [line for line in shown if line not in printed] == []


def test_reshuffle_prints_the_rest_of_the_day_and_writes_it(tmp_path: Path) -> None:
    out = tmp_path / "rest"
    result = run(
        "reshuffle", LIVE, "--at", "12:40", "--json", "--out", str(out), obj=Engine()
    )
    assert result.exit_code == 0, result.stderr
    rest = json.loads(result.stdout)
    assert rest["format"] == "keyround rest"
    assert rest["now_s"] == 12 * 3600 + 40 * 60
    assert [ring["call_id"] for ring in rest["moment"]["rings"]] == ["504"]
    assert sorted(path.name for path in out.iterdir()) == [
        "reshuffle.json",
        "reshuffle.txt",
    ]


def test_urgent_says_danger_first_and_then_the_options() -> None:
    result = run("urgent", LIVE, "590", "--danger", obj=Engine())
    assert result.exit_code == 0, result.stderr
    assert result.stdout.startswith("EMERGENCY FIRST. Danger to life")
    assert "Hanno Brightwell starts at 11:15" in result.stdout


def live_day(tmp_path: Path, facts: int) -> Path:
    """Return the live day with its first facts; no line end after the last one."""
    folder = tmp_path / "today"
    shutil.copytree(LIVE, folder)
    table = folder / "facts.csv"
    table.write_text("\n".join(table.read_text().splitlines()[: facts + 1]))
    return folder


def test_an_option_that_is_taken_is_the_plan_that_runs(tmp_path: Path) -> None:
    folder = live_day(tmp_path, 31)  # 591 has just come in
    asked = run("urgent", str(folder), "591", "--json", obj=Engine())
    options = json.loads(asked.stdout)["options"]
    number = next(row for row, one in enumerate(options, 1) if one["van_id"] == "hanno")
    start_s = options[number - 1]["start_s"]
    words = ("urgent", str(folder), "591", "--take", str(number))
    took = run(*words, obj=Engine())
    assert took.exit_code == 0, took.stderr
    assert f"option {number} is taken" in took.stderr
    after = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert "facts.taken.json" in after
    rest = run("reshuffle", str(folder), "--json", obj=Engine())
    assert rest.exit_code == 0, rest.stderr
    stops = [
        (van["van_id"], stop["start_s"])
        for van in json.loads(rest.stdout)["vans"]
        for stop in van["stops"]
        if stop["call_id"] == "591"
    ]
    assert stops == [("hanno", start_s)]  # left alone it is mira's

    again = run(*words, obj=Engine())
    assert again.exit_code == 0, again.stderr
    assert "it was already" in again.stderr
    other = run("urgent", str(folder), "591", "--take", "1", obj=Engine())
    assert other.exit_code == 2
    assert "another option for 591, taken at 12:40" in other.stderr
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == after


def test_a_call_nobody_has_booked_is_written_down_with_what_the_caller_is_told(
    tmp_path: Path,
) -> None:
    folder = live_day(tmp_path, 15)
    table = folder / "facts.csv"
    early = table.read_text()
    booked = folder / "booked.csv"
    booked.write_text(booked.read_text().replace("10:40-11:30", ""))
    words = ("urgent", str(folder), "590", "--at", "10:40", "--take", "1")
    took = run(*words, obj=Engine())
    assert took.exit_code == 0, took.stderr
    # Hanno is there at 11:15; ten minutes either way, in whole five.
    assert table.read_text() == (
        f"{early}\n590:booked,10:40,booked,,590,,,,,\n"
        "590:told,10:40,told,,590,,,,11:05-11:30,\n"
    )


def test_all_that_stands_in_the_way_of_taking_an_option_is_said_at_once(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "today"
    shutil.copytree(LIVE, folder)
    words = ("urgent", str(folder), "590", "--at", "10:50", "--take", "9")
    refused = run(*words, obj=Engine())
    assert refused.exit_code == 2
    assert "3 faults" in refused.stderr
    assert "--take: got 9" in refused.stderr
    assert "--at: got 10:50" in refused.stderr
    assert "facts.csv: got fact 17 of 11:04 and 37 more" in refused.stderr
    assert not (folder / "facts.taken.json").exists()


def test_what_was_taken_is_not_edited_by_hand(tmp_path: Path) -> None:
    folder = live_day(tmp_path, 16)
    (folder / "facts.taken.json").write_text("{}\n[")
    refused = run("reshuffle", str(folder), obj=Engine())
    assert refused.exit_code == 2
    assert "facts.taken.json: got what keyround has not written" in refused.stderr


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("reshuffle", LIVE, "--at", "noon"), "--at: got 'noon'"),
        (("urgent", LIVE, "599"), "(590, 600, 591)"),
        (("replay", LIVE, "--facts", "no_such.csv"), "no_such.csv"),
    ],
)
def test_bad_input_of_the_live_day_ends_with_status_2(
    words: tuple[str, ...], said: str
) -> None:
    result = run(*words, obj=Engine(plan_day=broken(AssertionError("planned"))))
    assert result.exit_code == 2, result.stderr
    assert said in result.stderr


def test_all_faults_of_a_table_of_facts_are_told_at_once(tmp_path: Path) -> None:
    facts = tmp_path / "mine.csv"
    facts.write_text("id,time,fact,van\n1,8:00,left,nobody\n2,8:61,flown,mira\n")
    result = run("replay", LIVE, "--facts", str(facts), "--json", obj=Engine())
    assert result.exit_code == 2, result.stderr
    problems = json.loads(result.stdout)["problems"]
    assert [(one["file"], one["row"]) for one in problems] == [
        ("mine.csv", 2),
        ("mine.csv", 3),
        ("mine.csv", 3),
    ]


def test_an_impossible_fact_ends_with_status_2_and_its_reason(tmp_path: Path) -> None:
    facts = tmp_path / "facts.csv"
    facts.write_text("id,time,fact,van,call\n1,9:00,done,mira,501\n")
    result = run("replay", LIVE, "--facts", str(facts), "--json", obj=Engine())
    assert result.exit_code == 2, result.stderr
    assert "van mira has not left yet" in result.stderr
    (problem,) = json.loads(result.stdout)["problems"]
    assert "van mira has not left yet" in problem["got"]


def test_several_days_have_no_running_day() -> None:
    folder = str(ROOT / "demo_scenarios" / "three_days")
    empty = {"read_happened": lambda *_: Happened((), {})}
    result = run("replay", folder, obj=Engine(**empty))
    assert result.exit_code == 2, result.stderr
    assert "a running day is one day" in result.stderr


# --- what is documented -------------------------------------------------------


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_teaches_itself_with_an_example(name: str) -> None:
    result = run(name, "--help")
    assert result.exit_code == 0
    assert "Example" in result.stdout
    assert f"  keyround {name}" in result.stdout
    assert all(len(line) <= 80 for line in result.stdout.splitlines())


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_and_option_is_explained_in_help_and_readme(name: str) -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert f"`keyround {name}" in readme
    options = [p for p in cli.commands[name].params if isinstance(p, click.Option)]
    for option in options:
        assert option.help, f"{name} {option.opts} has no help"
        assert f"`{option.opts[-1]}" in readme, f"{name} {option.opts} is not in README"


def test_every_exit_status_is_explained_in_help_and_readme() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    text = run("--help").stdout
    for status in Exit:
        assert f"| {status.value} |" in readme
        assert f"{status.value} " in text


# --- the vans' stock ---------------------------------------------------------


def wanting(pieces: int) -> Engine:
    """Return an engine that knows a call for a blank, and so many in the shop."""
    day = a_day(
        a_call(needs=(need("BLANK"),)), parts=(a_part("BLANK"),), shop={"BLANK": pieces}
    )
    return engine(read=lambda _: day)


@pytest.mark.parametrize(("pieces", "status"), [(1, 0), (0, 1)])
def test_the_check_fails_when_a_part_is_nowhere(pieces: int, status: int) -> None:
    result = run("check", str(ROOT), obj=wanting(pieces))
    assert result.exit_code == status, result.stderr
    assert "BLANK" in result.stdout


@pytest.mark.parametrize("pieces", [0, 1])
def test_the_check_as_json_says_whether_all_is_there(pieces: int) -> None:
    result = run("check", str(ROOT), "--json", obj=wanting(pieces))
    found = json.loads(result.stdout)
    assert found["ready"] is (pieces > 0)
    assert found["vans"][0]["van_id"] == "V1"


def on_roads(_: Path, day: Day, more: Sequence[Place]) -> Day:
    """Lay a day that names roads on invented ones, which end before the second call."""
    if not day.travel.roads:
        return day
    return lay(day, Atlas(asker=InventedRoads(off=[at(north=2)])), more)


def two_on_roads() -> Engine:
    """Return an engine of a day with two calls on roads, and the real planner."""
    day = a_day(a_call("C1", place=at(north=1)), a_call("C2", place=at(north=2)))
    day = replace(day, travel=replace(day.travel, roads="invented"))
    return Engine(
        read=lambda _: day,
        plan_day=lambda day, **_: plan_day(day, Budget(rounds=5)),
        lay=on_roads,
        find_ways=lambda *_: {},
    )


def test_the_check_gives_the_plans_reason_for_a_call_that_no_road_reaches() -> None:
    (left,) = json.loads(run("plan", str(ROOT), "--json", obj=two_on_roads()).stdout)[
        "unplaced"
    ]
    (reason,) = left["reasons"]
    result = run("check", str(ROOT), "--json", obj=two_on_roads())
    found = json.loads(result.stdout)
    assert result.exit_code == 1
    assert found["vans"][0]["call_ids"] == ["C1"]
    assert [(call["call_id"], call["text"]) for call in found["calls"]] == [
        (
            left["call"]["id"],
            f"not planned: {reason['text']}; would help: {reason['remedy']}",
        )
    ]
    assert left["call"]["id"] == "C2"
    assert "no road within 500 m" in reason["text"]


def test_the_check_without_roads_knows_of_none_that_is_missing() -> None:
    result = run("check", str(ROOT), "--json", "--no-roads", obj=two_on_roads())
    assert result.exit_code == 0, result.stderr
    assert json.loads(result.stdout)["vans"][0]["call_ids"] == ["C1", "C2"]


def test_the_check_refuses_a_log_that_planning_would_refuse(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("date,van,parts\nno date,V1,BLANK\n", encoding="utf-8")
    assert run("check", str(tmp_path), obj=wanting(1)).exit_code == 0  # no lengths
    log.write_text("kind,start,start,finish\n", encoding="utf-8")
    result = run("check", str(tmp_path), obj=wanting(1))
    assert result.exit_code == 2
    assert "log.csv" in result.stderr


# --- the trade's table -------------------------------------------------------


def test_every_kind_of_work_is_printed_with_its_source() -> None:
    words = " ".join(run("kinds").stdout.split())
    for kind in trade.kinds().values():
        assert f"{kind.id}: {kind.name}" in words
        assert f"source {' '.join(kind.source.split())}" in words
    assert all(caution in words for caution in trade.cautions())


def test_tables_are_written_as_the_firm_s_own_calls_are(tmp_path: Path) -> None:
    (tmp_path / "calls.csv").write_text("id;lat;lon\nC1;50,1;8,2\n")
    out = tmp_path / "out"
    assert run("plan", str(tmp_path), "--out", str(out)).exit_code == 0
    header, first, *_ = (out / "stops.csv").read_text("utf-8-sig").splitlines()
    assert header.startswith("van_id;driver;")
    assert ";0,0;0;08:00;" in first  # no kilometres, no minutes, there at 8:00


# --- inventing ----------------------------------------------------------------


def test_a_folder_with_files_in_it_is_never_touched(tmp_path: Path) -> None:
    (tmp_path / "calls.csv").write_text("mine")
    result = run("invent", str(tmp_path))
    assert result.exit_code == 2
    assert "empty folder" in result.stderr
    assert (tmp_path / "calls.csv").read_text() == "mine"
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize("size", [("--calls", "6000"), ("--vans", "501")])
def test_a_day_larger_than_anybody_s_is_not_invented(
    tmp_path: Path, size: tuple[str, str]
) -> None:
    result = run("invent", str(tmp_path / "d"), *size)
    assert result.exit_code == 2
    assert f"{size[1]} is not in the range" in result.stderr
    assert not (tmp_path / "d").exists()


def test_at_least_nine_in_ten_invented_calls_can_be_planned() -> None:
    placed = 0
    for seed in range(10):
        day = generate_day(seed, 9, 1, **GENTLE)
        placed += 9 - len(plan_day(day, Budget(rounds=100)).unplaced)
    assert placed >= 81  # 9 in 10 of 90


def test_an_invented_day_can_be_read_back_and_the_same_seed_invents_the_same(
    tmp_path: Path,
) -> None:
    for name in ("one", "two"):
        result = run(
            *("invent", str(tmp_path / name)),
            *("--calls", "5", "--vans", "2", "--seed", "7"),
            obj=Engine(),
        )
        assert result.exit_code == 0, result.stderr
    day = Engine().read(tmp_path / "one")
    assert (len(day.calls), len(day.vans)) == (5, 2)
    for file in (tmp_path / "one").iterdir():
        assert file.read_bytes() == (tmp_path / "two" / file.name).read_bytes()


# --- the wish to keep so many promises ----------------------------------------------


def wished(day: Day, *, percent: int, spreads: Any, **_: Any) -> tuple[Plan, Wish]:
    """Serve every call, and keep nine promises in ten for 3.40 and 12 minutes more."""
    assert spreads.lengths.keys() >= {call.id for call in day.calls}
    return planned(day), Wish(
        percent=percent,
        kept=0.9149,
        plain_kept=0.8625,
        drive_s=720,
        cost_units=340 * UNITS_PER_CENT,
    )


def wishing(_: Path) -> Day:
    """Read a day that wishes something."""
    return a_day(a_call("C1"), keep_percent=80)


def test_the_price_of_the_wish_is_told() -> None:
    result = plan("--keep", "90", obj=engine(keep_promises=wished))
    text = " ".join(result.stdout.split())
    assert result.exit_code == 0
    assert (
        "Wish: keep 90 % of promises and windows: 91.4 % expected, without the wish "
        "86.2 %; its price: +12 min driving, +3.40." in text
    )


def test_the_wish_is_part_of_the_json() -> None:
    result = plan("--keep", "90", "--json", obj=engine(keep_promises=wished))
    wish = json.loads(result.stdout)["wish"]
    assert (wish["percent"], wish["fulfilled"]) == (90, True)
    assert (wish["drive_s"], wish["cost_cents"], wish["short"]) == (720, 340, [])


def test_the_day_itself_may_wish_and_the_option_says_otherwise() -> None:
    obj = engine(read=wishing, keep_promises=wished)
    assert "keep 80 %" in " ".join(plan(obj=obj).stdout.split())
    assert "keep 95 %" in " ".join(plan("--keep", "95", obj=obj).stdout.split())
    assert "Wish" not in plan("--keep", "0", obj=obj).stdout


def test_a_wish_is_for_one_day_not_for_several() -> None:
    result = plan("--keep", "90", obj=engine(read=two_days, plan_days=outlook))
    assert result.exit_code == 2
    assert "--keep is for one day" in result.stderr


def by_the_second_van(
    day: Day, *, percent: int, spreads: Any, **_: Any
) -> tuple[Plan, Wish]:
    """Return a plan that only a wish gets: all calls by the van that starts farther."""
    tied = tuple(replace(call, required_van="V2") for call in day.calls)
    _, wish = wished(day, percent=percent, spreads=spreads)
    return plan_day(replace(day, calls=tied), Budget(rounds=5)), wish


def test_a_running_day_begins_with_the_plan_that_plan_prints() -> None:
    vans = a_van("V1"), a_van("V2", start=at(north=3))
    day = a_day(a_call("C1"), a_call("C2", place=at(1)), vans=vans, keep_percent=80)
    obj = Engine(
        read=lambda _: day,
        plan_day=broken(AssertionError("a plan without the wish")),
        keep_promises=by_the_second_van,
        read_happened=lambda *_: Happened(facts=(), booked={}),
    )
    told, rest = (
        run(command, str(ROOT), "--json", obj=obj) for command in ("plan", "reshuffle")
    )
    assert told.exit_code == rest.exit_code == 0, told.stderr + rest.stderr
    morning = {
        van["id"]: [stop["call"]["id"] for stop in van["stops"]]
        for van in json.loads(told.stdout)["vans"]
    }
    ahead = {
        van["van_id"]: [stop["call_id"] for stop in van["stops"]]
        for van in json.loads(rest.stdout)["vans"]
        if van["stops"]
    }
    assert ahead == morning
    assert sorted(morning["V2"]) == ["C1", "C2"]
    assert json.loads(rest.stdout)["moment"]["rings"] == []


@pytest.mark.parametrize(
    "words",
    [
        ("reshuffle",),
        ("replay",),
        ("urgent", "590"),
        ("quote", "--kind", "rekey", "--at", "53.70,-1.30"),
    ],
    ids=lambda words: words[0],
)
def test_every_command_that_plans_a_day_first_keeps_its_wish(
    words: tuple[str, ...],
) -> None:
    asked: list[int] = []

    def keep(day: Day, *, percent: int, spreads: Any, **_: Any) -> tuple[Plan, Wish]:
        asked.append(percent)
        _, wish = wished(day, percent=percent, spreads=spreads)
        return plan_day(day, Budget(rounds=50)), wish

    usual = Engine()
    obj = replace(
        usual,
        read=lambda folder: replace(usual.read(folder), keep_percent=85),
        plan_day=broken(AssertionError("a plan without the wish")),
        keep_promises=keep,
    )
    command, *more = words
    result = run(command, LIVE, *more, obj=obj)
    assert result.exit_code == 0, result.stderr
    assert asked == [85]
