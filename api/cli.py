"""The command line.

Nothing heavy is imported before a command needs it: ``keyround --help`` answers at
once. What a command does with the engine goes through :class:`Engine`, so that a
test can hand in another one.
"""

import io
import json
import os
import shutil
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from enum import IntEnum
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypedDict, TypeVar

import click

from api.meter import Halt, Meter, Stopwatch, stderr_meter
from shared.errors import Conflict, Fault, InvalidInput, Unavailable

if TYPE_CHECKING:  # their modules pull in pandas, numba and ortools
    from api.roads import Surveyor
    from api.settings import Settings
    from api.store import SqlStore
    from dispatch.chance import Spreads
    from dispatch.live import Moment, Take
    from dispatch.planner import Progress
    from dispatch.scenario import Locator, Look, Server
    from dispatch.scenario.facts import Happened
    from shared.dialect import Dialect
    from shared.facts import Fact
    from shared.model import Answer, Call, Day, Outlook, Place, Plan, Way, Wish
    from shared.shelf import History, Rules

T = TypeVar("T")

NARROW, WIDE = 80, 100  # columns: in a file, and at most on a screen
MOST_CALLS, MOST_VANS = 5_000, 500  # that are invented: nobody's day is larger
_AS_JSON = "api.cli.as_json"  # key in click's meta: faults go out as JSON as well


class Gentleness(TypedDict):
    """How hard an invented day is; see :func:`dispatch.generator.generate_day`."""

    tightness: float
    ease: float


# Days to practise on. Of 9 calls for 1 van, 35 for 4 and 100 for 10, 97, 99 and 98 in
# 100 are planned (measured in November 2026 over 10 seeds each, 300 rounds); by its
# own defaults the generator is harsher: 68, 85 and 83.
GENTLE = Gentleness(tightness=0.0, ease=0.75)


class Exit(IntEnum):
    """What the process's exit status means."""

    PLANNED = 0
    UNPLACED = 1  # some calls are unplaced, or something is missing
    BAD_INPUT = 2
    ENVIRONMENT = 3  # cannot read or write, cache unusable, no permission
    OUR_FAULT = 70  # a defect of this program
    BROKEN_OFF = 130  # Ctrl-C twice, or before there was a plan


class PlanDay(Protocol):
    """How a day is planned; see :func:`dispatch.planner.plan_day`."""

    def __call__(
        self,
        day: "Day",
        *,
        seed: int,
        rounds: int | None,
        spent: Callable[[], float] | None,
        stop: Callable[[], bool],
        report: Callable[["Progress"], None],
    ) -> "Plan":
        """Return a plan of the day."""


def _read(folder: Path) -> "Day":
    from dispatch.reserve import hold
    from dispatch.scenario import read_scenario

    return hold(read_scenario(folder, _locator()))


def _locator() -> "Locator":
    """Return what is known of addresses: the firm's list, and whom folders name."""
    from dispatch.scenario import Locator

    listed = os.environ.get("KEYROUND_GAZETTEER")
    return Locator(gazetteer=Path(listed) if listed else None, connect=_connect)


@cache  # one pace for all that is asked of a server
def _connect(server: "Server | None") -> "Look | None":
    if server is None:
        return None
    from api.geocoder import FileMemory, Geocoder, usual_file

    return Geocoder(server, FileMemory(usual_file()), say=_tell)


def _study(folder: Path, day: "Day") -> "tuple[Day, Spreads]":
    from api.roads import atlas_of
    from dispatch.lesson import study_if_told

    taught = study_if_told(folder, day, atlas_of(folder, day))
    learnt = taught.applied()
    return learnt, taught.spreads(learnt)


def _plan_day(
    day: "Day",
    *,
    seed: int,
    rounds: int | None,
    spent: Callable[[], float] | None,
    stop: Callable[[], bool],
    report: Callable[["Progress"], None],
) -> "Plan":
    from dispatch.planner import Budget, plan_day

    return plan_day(
        day, Budget(seed=seed, rounds=rounds, spent=spent, stop=stop, report=report)
    )


class KeepPromises(Protocol):
    """How a wished share of promises is kept; see :mod:`dispatch.wish`."""

    def __call__(  # noqa: PLR0913 - as for any plan, and the wish
        self,
        day: "Day",
        *,
        percent: int,
        spreads: "Spreads",
        seed: int,
        rounds: int | None,
        spent: Callable[[], float] | None,
        stop: Callable[[], bool],
        report: Callable[["Progress"], None],
    ) -> "tuple[Plan, Wish]":
        """Return a plan of the day, and what became of the wish."""


def _keep_promises(  # noqa: PLR0913 - as for any plan, and the wish
    day: "Day",
    *,
    percent: int,
    spreads: "Spreads",
    seed: int,
    rounds: int | None,
    spent: Callable[[], float] | None,
    stop: Callable[[], bool],
    report: Callable[["Progress"], None],
) -> "tuple[Plan, Wish]":
    from dispatch.planner import Budget
    from dispatch.wish import keep_promises

    budget = Budget(seed=seed, rounds=rounds, spent=spent, stop=stop, report=report)
    return keep_promises(day, percent, spreads, budget)


class PlanDays(Protocol):
    """How several days are planned; see :func:`dispatch.horizon.plan_days`."""

    def __call__(
        self,
        day: "Day",
        *,
        seed: int,
        rounds: int | None,
        spent: Callable[[], float] | None,
        stop: Callable[[], bool],
        report: Callable[["Progress"], None],
    ) -> "Outlook":
        """Return the plans of all days."""


def _plan_days(
    day: "Day",
    *,
    seed: int,
    rounds: int | None,
    spent: Callable[[], float] | None,
    stop: Callable[[], bool],
    report: Callable[["Progress"], None],
) -> "Outlook":
    from dispatch.horizon import plan_days
    from dispatch.planner import Budget

    return plan_days(
        day, Budget(seed=seed, rounds=rounds, spent=spent, stop=stop, report=report)
    )


def _read_shelves(folder: Path) -> "tuple[Day, History, Rules]":
    from dispatch.scenario import read_shelves

    return read_shelves(folder, _locator())


def _read_happened(folder: Path, day: "Day", path: Path | None) -> "Happened":
    from dispatch.scenario import read_happened

    return read_happened(folder, day, path, _locator())


def _lay(folder: Path, day: "Day", more: "Sequence[Place]") -> "Day":
    from api.roads import lay_day

    return lay_day(folder, day, more, _tell)


def _find_ways(
    folder: Path, day: "Day", plan: "Plan"
) -> "Mapping[str, tuple[Way | None, ...]]":
    from api.roads import ways_of

    return ways_of(folder, day, plan)


def _answer(day: "Day", plan: "Plan") -> "Answer":
    from dispatch.answer import answer

    return answer(day, plan)


@dataclass(frozen=True, slots=True, kw_only=True)
class Engine:
    """What the commands ask.

    Parameters
    ----------
    read : callable
        Reads a folder.
    plan_day : PlanDay
        Makes the plan.
    keep_promises : KeepPromises
        Makes the plan that keeps a wished share of its promises.
    plan_days : PlanDays
        Makes the plans of several days.
    answer : callable
        Makes of the day and its plan what a person reads.
    read_shelves : callable
        Reads a folder with its log and its rules for the shelves.
    read_happened : callable
        Reads what happened on a folder's day, from its facts.csv or another file.
    study : callable
        Learns from a folder's log: the day with what was learnt, and how lengths and
        traffic vary.
    lay : callable
        Lays a folder's day, and places beside it, on the road network that it names.
    find_ways : callable
        Says how the drives of a plan go over these roads.
    """

    read: Callable[[Path], "Day"] = _read
    plan_day: PlanDay = _plan_day
    keep_promises: KeepPromises = _keep_promises
    plan_days: PlanDays = _plan_days
    answer: Callable[["Day", "Plan"], "Answer"] = _answer
    read_shelves: Callable[[Path], "tuple[Day, History, Rules]"] = _read_shelves
    read_happened: Callable[[Path, "Day", Path | None], "Happened"] = _read_happened
    study: Callable[[Path, "Day"], "tuple[Day, Spreads]"] = _study
    lay: Callable[[Path, "Day", "Sequence[Place]"], "Day"] = _lay
    find_ways: Callable[
        [Path, "Day", "Plan"], "Mapping[str, tuple[Way | None, ...]]"
    ] = _find_ways

    def laid(
        self,
        folder: Path,
        *,
        no_roads: bool = False,
        add: "Callable[[Day], Call] | None" = None,
    ) -> "Day":
        """Read a folder, and lay its day on the roads that it names.

        Parameters
        ----------
        folder : Path
            The day's.
        no_roads : bool
            Whether its road network is to be left aside.
        add : callable, optional
            Makes of the day one call more, which becomes its last.

        Returns
        -------
        Day
            With the figures of its files.
        """
        day = self.read(folder)
        if add is not None:
            day = replace(day, calls=(*day.calls, add(day)))
        if no_roads:
            day = replace(day, travel=replace(day.travel, roads=""))
        return self.lay(folder, day, ())

    def learn(
        self,
        folder: Path,
        *,
        no_log: bool,
        no_roads: bool = False,
        add: "Callable[[Day], Call] | None" = None,
    ) -> "tuple[Day, Spreads]":
        """Read a folder, and learn from its log if it has one.

        Parameters
        ----------
        folder : Path
            The day's.
        no_log, no_roads : bool
            Whether its log, or its road network, is to be left aside.
        add : callable, optional
            As for :meth:`laid`.

        Returns
        -------
        tuple of Day and Spreads
            The day as it is to be planned, and how lengths and traffic vary.
        """
        from dispatch.chance import usual_spreads

        day = self.laid(folder, no_roads=no_roads, add=add)
        said = any((folder / name).exists() for name in ("log.csv", "log.toml"))
        if no_log or not said:
            return day, usual_spreads(day)
        return self.study(folder, day)

    def happened(
        self, folder: Path, day: "Day", path: Path | None
    ) -> "tuple[Day, Happened]":
        """Read what happened, and lay the calls that came in on the day's roads.

        Parameters
        ----------
        folder : Path
            The day's.
        day : Day
            As :meth:`learn` returned it.
        path : Path or None
            Another file than the folder's.

        Returns
        -------
        tuple of Day and Happened
            The day knows drives to and from these calls.
        """
        happened = self.read_happened(folder, day, path)
        places = [call.parked for call in happened.booked.values()]
        return self.lay(folder, day, places), happened


class Desk(click.Group):
    """The group of commands; turns every error into words and an exit status."""

    def invoke(self, ctx: click.Context) -> Any:  # noqa: ANN401 - as click has it
        """Run the command.

        Parameters
        ----------
        ctx : click.Context
            Click's state of this run.

        Returns
        -------
        Any
            What the command returned.
        """
        try:
            return super().invoke(ctx)
        except InvalidInput as error:
            _tell_faults(error, as_json=ctx.meta.get(_AS_JSON, False))
            ctx.exit(Exit.BAD_INPUT)
        except Conflict as error:  # a fact that cannot be true beside the others
            _tell(f"keyround: {error}")
            if ctx.meta.get(_AS_JSON, False):
                _show_problems(
                    [(None, None, None, str(error), "facts that can be true")]
                )
            ctx.exit(Exit.BAD_INPUT)
        except (Unavailable, OSError) as error:
            _tell(f"keyround: {_say(error)}")
            ctx.exit(Exit.ENVIRONMENT)
        except KeyboardInterrupt:
            _tell("\nbroken off: no plan, nothing written")
            ctx.exit(Exit.BROKEN_OFF)
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except Exception:  # noqa: BLE001 - status 1 must not mean a crash as well
            _tell(traceback.format_exc())
            _tell("keyround: this is a defect of the program, not of your files")
            ctx.exit(Exit.OUR_FAULT)


def _try_to_write(folder: Path) -> None:
    """Make a folder, and find out whether files can be written into it."""
    folder.mkdir(parents=True, exist_ok=True)
    try:
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        reason = f"cannot write into this folder ({error.strerror})"
        raise OSError(error.errno, reason, str(folder)) from None


def _write(folder: Path, texts: Mapping[str, str]) -> None:
    """Write texts into a folder, each whole or not at all, and say so."""
    from dispatch.report import write_files

    files = write_files({n: text.encode() for n, text in texts.items()}, folder)
    _tell(f"wrote {len(files)} files into {folder}")


def _tell(words: str) -> None:
    click.echo(words, err=True)


def _say(error: Exception) -> str:
    """Return an error in words, without the system's number for it."""
    if isinstance(error, OSError) and error.strerror:
        where = f"{error.filename}: " if error.filename else ""
        return f"{where}{error.strerror}"
    return str(error)


def _tell_faults(error: InvalidInput, *, as_json: bool) -> None:
    number = len(error.faults)
    _tell(f"{number} {'fault' if number == 1 else 'faults'} in the input:")
    for fault in error.faults:
        _tell(f"  {fault}")
    if as_json:
        _show_problems(
            (fault.file, fault.row, fault.column, fault.got, fault.expected)
            for fault in error.faults
        )


def _show_problems(problems: Iterable[tuple[str | int | None, ...]]) -> None:
    names = ("file", "row", "column", "got", "expected")
    found = [dict(zip(names, problem, strict=True)) for problem in problems]
    _show(json.dumps({"problems": found}, indent=2, ensure_ascii=False), raw=True)


def _show(text: str, *, raw: bool = False) -> None:
    """Print to stdout.

    Parameters
    ----------
    text : str
        What to print.
    raw : bool
        JSON: UTF-8 whatever the terminal speaks. Otherwise what the terminal
        cannot show becomes a question mark.
    """
    stream = sys.stdout
    text = text.rstrip("\n")
    try:
        if raw:
            click.echo(text.encode())
        else:
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(errors="replace")
            click.echo(text)
    except OSError as error:
        # What is left in the buffer goes nowhere, or Python complains at its exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
        if not isinstance(error, BrokenPipeError):  # head or less has seen enough
            raise


class Screen(TypedDict):
    """What stdout can show, as the text reports ask for it."""

    width: int
    encoding: str
    bold: bool


def _screen() -> Screen:
    live = sys.stdout.isatty()
    columns = shutil.get_terminal_size().columns if live else NARROW
    return Screen(
        width=max(NARROW, min(columns, WIDE)),
        encoding=sys.stdout.encoding or "utf-8",
        bold=live and os.environ.get("TERM") != "dumb",
    )


def _note_json(ctx: click.Context, _: click.Parameter, value: bool) -> bool:  # noqa: FBT001 - click's signature
    ctx.meta[_AS_JSON] = value
    return value


_folder = click.argument("folder", type=click.Path(path_type=Path))
_json = click.option(
    "--json",
    "as_json",
    is_flag=True,
    callback=_note_json,
    help="Print JSON instead of text; faults in the input as JSON as well.",
)


_no_log = click.option(
    "--no-log",
    is_flag=True,
    help="Leave log.csv aside: lengths and driving as the files and the trade table "
    "have them, learnt from nothing.",
)


_no_roads = click.option(
    "--no-roads",
    is_flag=True,
    help="Leave the road network aside that day.toml names: driving times along "
    "straight lines.",
)


@click.group(cls=Desk, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="keyround", message="%(prog)s %(version)s")
@click.pass_context
def cli(ctx: click.Context) -> None:
    """Plan a mobile locksmith's day.

    A day is a folder: the calls, the vans, the parts and what stock lies where, as
    files that open in any spreadsheet. Start with an invented one:

    \b
      keyround plan demo_scenarios/one_van
      keyround plan --help

    \b
    Exit status: 0 all calls planned; 1 some calls unplaced, or something missing;
    2 bad input; 3 cannot read, write or use the cache; 70 a defect of the program;
    130 broken off with Ctrl-C.
    """
    ctx.ensure_object(Engine)


@cli.command()
@_folder
@_json
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Also write every report there: JSON, tables, routes, calendars, day sheets.",
)
@click.option(
    "--seed",
    type=click.IntRange(0, 2**32 - 1),
    default=0,
    metavar="N",
    show_default=True,
    help="Start of the random numbers: same folder, seed and rounds, same plan.",
)
@click.option(
    "--rounds",
    type=click.IntRange(min=1),
    metavar="N",
    help="Search this many rounds; by default as many as the day's size calls for.",
)
@click.option(
    "--seconds",
    type=click.FloatRange(min=0, min_open=True),
    metavar="S",
    help="Search this long instead of a number of rounds; the plan then depends on "
    "the machine's speed. A day small enough to be proved best takes less.",
)
@click.option(
    "--keep",
    type=click.IntRange(0, 99),
    metavar="PERCENT",
    help="So many of the promises in a hundred are to be kept on the average, instead "
    "of what keep_percent in day.toml says; 0: as it comes. Says what that costs in "
    "driving and money. For one day, not for several.",
)
@click.option(
    "--quiet",
    is_flag=True,
    help="On stderr only faults, and whether the search was stopped.",
)
@_no_log
@_no_roads
@click.pass_context
def plan(  # noqa: PLR0913 - one per option
    ctx: click.Context,
    *,
    folder: Path,
    as_json: bool,
    out: Path | None,
    seed: int,
    rounds: int | None,
    seconds: float | None,
    keep: int | None,
    quiet: bool,
    no_log: bool,
    no_roads: bool,
) -> None:
    """Plan the day in FOLDER.

    Routes, pick lists, what to buy and ask tonight, and how likely each promise is
    kept. Every call is on a van's route, or unplaced with the reason for each van.
    Lengths and driving are learnt from the folder's log.csv if it has one. Where the
    folder says days = 2 or more, these days are planned together: the first one firm,
    the others a look ahead. Ctrl-C ends the search with the best plan so far; a second
    one breaks off.

    \b
    Examples:
      keyround plan demo_scenarios/one_van
      keyround plan demo_scenarios/three_days
      keyround plan tomorrow --out tomorrow/plan
      keyround plan tomorrow --keep 90
      keyround plan tomorrow --seconds 2 --json > plan.json

    \b
    Exit status: 0 all calls planned, 1 some unplaced, 2 bad input, 3 cannot read,
    write or use the cache.
    """
    if rounds is not None and seconds is not None:
        raise click.UsageError("--rounds and --seconds are two ends of one search")
    day, spreads = ctx.obj.learn(folder, no_log=no_log, no_roads=no_roads)
    if keep is not None:
        if keep and day.horizon > 1:
            raise click.UsageError("--keep is for one day, not for several")
        day = replace(day, keep_percent=keep or None)
    if out is not None:  # better now than after the search
        _try_to_write(out)
    meter = stderr_meter(quiet=quiet, limit_s=seconds)
    search = Search(
        seed=seed,
        rounds=rounds,
        seconds=seconds,
        meter=meter,
        spreads=spreads,
        find_ways=partial(ctx.obj.find_ways, folder),
    )
    shown = (_show_days if day.horizon > 1 else _show_day)(ctx.obj, day, search)
    _show(shown.json() if as_json else shown.text(), raw=as_json)
    if out is not None:  # last: a disk that is full now does not cost the plan
        from dispatch.scenario import find_dialect

        files = shown.write(out, find_dialect(folder / "calls.csv"))
        if not quiet:
            _tell(f"wrote {len(files)} files into {out}")
    ctx.exit(Exit.PLANNED if shown.complete else Exit.UNPLACED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """What the user asks of the search.

    Parameters
    ----------
    seed : int
        Start of the random numbers.
    rounds : int or None
        How many rounds.
    seconds : float or None
        Or how long.
    meter : Meter
        Who shows how far it is.
    spreads : Spreads
        How lengths and traffic vary.
    find_ways : callable
        How a plan's drives go over the roads.
    """

    seed: int
    rounds: int | None
    seconds: float | None
    meter: Meter
    spreads: "Spreads"
    find_ways: "Callable[[Day, Plan], Mapping[str, tuple[Way | None, ...]]]"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A plan in the forms that can be asked for, each made when it is.

    Parameters
    ----------
    text, json : callable
        What is printed.
    write : callable
        Writes every report into a folder; returns the files.
    complete : bool
        Whether all calls are planned.
    """

    text: Callable[[], str]
    json: Callable[[], str]
    write: Callable[[Path, "Dialect"], Sequence[Path]]
    complete: bool


def _show_day(engine: Engine, day: "Day", search: Search) -> Shown:
    made, wish = _run_wished(engine, day, search)
    answer = replace(_foretold(engine.answer(day, made), search), wish=wish)
    from api.schemas import plan_json
    from dispatch.report import write_all
    from dispatch.report.text import plan_text

    return Shown(
        text=lambda: plan_text(answer, **_screen()),
        json=lambda: plan_json(answer),
        write=lambda out, dialect: write_all(answer, out, dialect),
        complete=_all_planned(answer),
    )


def _run_wished(
    engine: Engine, day: "Day", search: Search
) -> "tuple[Plan, Wish | None]":
    if day.keep_percent is None:
        return _run(engine.plan_day, day, search), None
    wished = partial(
        engine.keep_promises, percent=day.keep_percent, spreads=search.spreads
    )
    return _run(wished, day, search)


def _show_days(engine: Engine, day: "Day", search: Search) -> Shown:
    made = _run(engine.plan_days, day, search)
    made = replace(
        made, answers=tuple(_foretold(answer, search) for answer in made.answers)
    )
    from api.schemas import outlook_json
    from dispatch.report import write_outlook
    from dispatch.report.text import outlook_text

    return Shown(
        text=lambda: outlook_text(made, **_screen()),
        json=lambda: outlook_json(made),
        write=lambda out, dialect: write_outlook(made, out, dialect),
        complete=all(map(_all_planned, made.answers)),
    )


def _foretold(answer: "Answer", search: Search) -> "Answer":
    """Return an answer that says how likely its promises are kept, and which way."""
    from dispatch.chance import foretell

    kept = foretell(answer.day, answer.plan, search.spreads, search.seed)
    return replace(answer, kept=kept, ways=search.find_ways(answer.day, answer.plan))


def _all_planned(answer: "Answer") -> bool:
    from dispatch.report.words import held_ids

    held = held_ids(answer.day)
    return all(unplaced.call_id in held for unplaced in answer.plan.unplaced)


def _run(planner: Callable[..., T], day: "Day", search: Search) -> T:
    seconds, meter = search.seconds, search.meter
    with Halt() as halt:
        made = planner(
            day,
            seed=search.seed,
            rounds=search.rounds,
            spent=None if seconds is None else Stopwatch(seconds),
            stop=halt,
            report=meter,
        )
    meter.clear()
    if halt.heard:
        _tell("stopped by Ctrl-C: this is the best plan found so far")
    return made


@cli.command()
@_folder
@_json
@_no_roads
@click.pass_context
def check(ctx: click.Context, *, folder: Path, as_json: bool, no_roads: bool) -> None:
    """Check the vans' stock for the day in FOLDER.

    Nothing is planned. Is everything the day's calls use aboard, van by van, and what
    else can be loaded at the shop? Says what is missing, where it lies, and what to
    swap before leaving. A call that no van can be sent to claims nothing, and says
    why. All of the folder that planning reads is read, its log too.

    \b
    Examples:
      keyround check demo_scenarios/one_van
      keyround check tomorrow --json > missing.json

    \b
    Exit status: 0 everything is aboard or can be loaded, 1 something is missing,
    2 bad input, 3 cannot read.
    """
    day = ctx.obj.laid(folder, no_roads=no_roads)
    from dispatch.scenario import read_log_for_planning
    from dispatch.vancheck import van_check

    read_log_for_planning(folder, day.zone)
    found = van_check(day)
    if as_json:
        report = {
            "format": "keyround check",
            "version": 1,
            "date": day.date.isoformat(),
            "ready": found.ready,
            **asdict(found),
        }
        _show(json.dumps(report, indent=2, ensure_ascii=False), raw=True)
    else:
        from dispatch.report.text import check_text

        _show(check_text(day, found, **_screen()))
    ctx.exit(Exit.PLANNED if found.ready else Exit.UNPLACED)


@cli.command()
@_folder
@_json
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Also write the reports there: text, tables, JSON.",
)
@click.pass_context
def shelves(
    ctx: click.Context, *, folder: Path, as_json: bool, out: Path | None
) -> None:
    """Say what each van in FOLDER should carry.

    From what its log.csv says was used: par lists van by van, what to load, to move
    between vans and to buy, what matters most, and what nobody uses. A shelves.toml
    says what is wished, and how much money and room there is.

    \b
    Examples:
      keyround shelves demo_scenarios/full_shelves
      keyround shelves tomorrow --out tomorrow/shelves
      keyround shelves tomorrow --json > shelves.json

    \b
    Exit status: 0 every van has its par, 1 something is to load, move or buy,
    2 bad input, 3 cannot read or write.
    """
    day, history, rules = ctx.obj.read_shelves(folder)
    if out is not None:
        _try_to_write(out)
    from dispatch.shelves import fill_shelves

    made = fill_shelves(day, history, rules)
    if as_json:
        from api.schemas import shelves_json

        _show(shelves_json(day, made), raw=True)
    else:
        from dispatch.report.text import shelves_text

        _show(shelves_text(day, made, **_screen()))
    if out is not None:
        from dispatch.report import write_shelves
        from dispatch.scenario import find_dialect

        files = write_shelves(day, made, out, find_dialect(folder / "log.csv"))
        _tell(f"wrote {len(files)} files into {out}")
    ctx.exit(Exit.PLANNED if made.done else Exit.UNPLACED)


@cli.command()
@_folder
@_json
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Also write a page with plots (learnt.html) and the figures (learnt.json).",
)
@click.pass_context
def learn(ctx: click.Context, *, folder: Path, as_json: bool, out: Path | None) -> None:
    """Learn from the job log in FOLDER.

    How long visits take by kind, vehicle or lock group and driver, how fast the roads
    are by the hour, and how well that holds on visits kept back. Rows of log.csv that
    cannot be right are set aside and counted; a log that could be read two ways is
    refused.

    \b
    Examples:
      keyround learn demo_scenarios/one_van
      keyround learn tomorrow --out tomorrow/learnt

    \b
    Exit status: 0 learnt, 1 no visit in the log could be used, 2 bad input,
    3 cannot read or write.
    """
    day = ctx.obj.laid(folder)
    if out is not None:
        _try_to_write(out)
    from api.roads import atlas_of
    from dispatch import lesson
    from dispatch.report import learning

    learnt = lesson.learn(folder, day, atlas_of(folder, day))
    data = json.dumps(learning.learning_data(learnt), indent=2, ensure_ascii=False)
    _show(data if as_json else learning.learning_text(learnt), raw=as_json)
    if out is not None:
        page = learning.learning_html(learnt)
        _write(out, {"learnt.html": page, "learnt.json": data + "\n"})
    ctx.exit(Exit.PLANNED if len(learnt.log.visits.kind) else Exit.UNPLACED)


@cli.command()
@_folder
@click.argument("call")
@click.option(
    "--pin",
    default="",
    metavar="LAT,LON",
    help="Where it is, in decimal degrees, such as 52.2140,-0.9150.",
)
@click.option(
    "--choose",
    type=click.IntRange(min=1),
    metavar="N",
    help="It is the Nth of the places that the address may mean.",
)
@click.option(
    "--who", default="", metavar="NAME", help="Who says so; goes into pins.csv."
)
@click.pass_context
def place(
    ctx: click.Context,
    *,
    folder: Path,
    call: str,
    pin: str,
    choose: int | None,
    who: str,
) -> None:
    """Say, or settle, where the CALL in FOLDER is.

    Without an option it says where the call is, or which places its address may mean.
    With one it writes the place into FOLDER/pins.csv, where it counts for that address
    from then on, whatever any list or server says.

    \b
    Examples:
      keyround place demo_scenarios/typed_addresses 503
      keyround place tomorrow 503 --choose 2
      keyround place tomorrow 503 --pin 52.2140,-0.9150

    \b
    Exit status: 0 it is known, or written; 1 nobody knows it, 2 bad input,
    3 cannot read or write.
    """
    if pin and choose is not None:
        raise click.UsageError("--pin and --choose are two ways to say where it is")
    day = ctx.obj.read(folder)
    from dispatch.report.words import candidate_lines

    found = {each.id: each for each in day.calls}.get(call)
    if found is None:
        raise InvalidInput(
            [
                Fault(
                    file="calls.csv", got=f"no call '{call}'", expected="one of its ids"
                )
            ]
        )
    if not pin and choose is None:
        _show("\n".join(candidate_lines(found)))
        ctx.exit(Exit.PLANNED if found.is_located else Exit.UNPLACED)
    spot = _spot(found, pin, choose)
    _pin(folder, found, spot, who)
    seen = {each.id: each for each in ctx.obj.read(folder).calls}[call].place
    if (round(seen.lat_deg, 6), round(seen.lon_deg, 6)) != (
        round(spot.lat_deg, 6),
        round(spot.lon_deg, 6),
    ):
        _tell("calls.csv gives this call a lat and lon of its own: they count first")
    _tell(f"call {call} is at {spot.lat_deg:g}, {spot.lon_deg:g}; written to pins.csv")


def _spot(call: "Call", pin: str, choose: int | None) -> "Place":
    """Return the place that somebody says or chooses."""
    from dispatch.scenario import point_from

    places = () if call.barred is None else call.barred.places
    if choose is None:
        lat, _, lon = pin.partition(",")
        return point_from(lat.strip(), lon.strip())
    if choose > len(places):
        expected = (
            f"1 to {len(places)}" if places else "--pin: there is nothing to choose"
        )
        raise InvalidInput([Fault(file="--choose", got=str(choose), expected=expected)])
    return places[choose - 1]


def _pin(folder: Path, call: "Call", spot: "Place", who: str) -> None:
    """Write where a call's address is, the file whole or not at all."""
    from datetime import UTC, datetime

    from dispatch.report import write_files
    from dispatch.scenario import PINS, pins_text

    address = call.place.name
    if not address.strip():
        raise InvalidInput(
            [
                Fault(
                    file="calls.csv",
                    column="address",
                    got=f"nothing for call '{call.id}'",
                    expected="an address: a pin is kept for an address",
                )
            ]
        )
    path = folder / PINS
    before = path.read_text(encoding="utf-8-sig") if path.exists() else ""
    when = f"{datetime.now(UTC).astimezone():%Y-%m-%d %H:%M}"
    text = pins_text(before, address, spot, (who, when))
    write_files({PINS: text.encode()}, folder)


_facts = click.option(
    "--facts",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="What happened; by default FOLDER/facts.csv.",
)
_at = click.option(
    "--at",
    metavar="HH:MM",
    help="Look at the day at this time: what happened later is left aside.",
)
_seed = click.option(
    "--seed",
    type=click.IntRange(0, 2**32 - 1),
    default=0,
    metavar="N",
    show_default=True,
    help="Start of the random numbers: plan's, for the plan that was in force.",
)


@cli.command()
@_folder
@_facts
@_at
@_json
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Also write it there: text and JSON.",
)
@_seed
@_no_log
@_no_roads
@click.pass_context
def reshuffle(  # noqa: PLR0913 - one per option
    ctx: click.Context,
    *,
    folder: Path,
    facts: Path | None,
    at: str | None,
    as_json: bool,
    out: Path | None,
    seed: int,
    no_log: bool,
    no_roads: bool,
) -> None:
    """Plan the rest of the running day in FOLDER anew.

    Plans the day as `plan` does, takes in what happened (facts.csv, calls that came
    in: booked.csv) and says what that changes now: with whom, why, whom to ring and
    what to say; and what is left of the day, van by van. As little as possible is
    changed; what is done, under way or being driven to stays.

    \b
    Examples:
      keyround reshuffle demo_scenarios/live_day --at 10:40
      keyround reshuffle today --facts today/facts.csv --json > rest.json

    \b
    Exit status: 0 every open call has a van, 1 some do not, 2 bad input or a
    fact that cannot be true, 3 cannot read or write.
    """
    day, spreads = ctx.obj.learn(folder, no_log=no_log, no_roads=no_roads)
    day, happened = ctx.obj.happened(folder, day, facts)
    until_s = _clock_time(day, at)
    if out is not None:
        _try_to_write(out)
    takes = _read_taken(folder, facts)
    made = _morning(ctx.obj, day, spreads, seed)
    day, moments = _live(day, made, happened.facts, seed, until_s, takes)
    last = moments[-1]
    from api.schemas import rest_json
    from dispatch.report.live import reshuffle_text

    data = rest_json(day, last)
    _show(data if as_json else reshuffle_text(day, last, **_screen()), raw=as_json)
    if out is not None:
        text = reshuffle_text(day, last)
        _write(out, {"reshuffle.txt": text, "reshuffle.json": data})
    ctx.exit(Exit.UNPLACED if last.left_out else Exit.PLANNED)


@cli.command()
@_folder
@_facts
@_json
@_seed
@_no_log
@_no_roads
@click.pass_context
def replay(  # noqa: PLR0913 - one per option
    ctx: click.Context,
    *,
    folder: Path,
    facts: Path | None,
    as_json: bool,
    seed: int,
    no_log: bool,
    no_roads: bool,
) -> None:
    """Tell the day in FOLDER from start to end, fact by fact.

    Each fact of facts.csv with its time, what it changes and why, and whom to ring.
    As with `reshuffle`, nothing is written.

    \b
    Examples:
      keyround replay demo_scenarios/live_day
      keyround replay today --json > story.json

    \b
    Exit status: 0 told, 2 bad input or a fact that cannot be true, 3 cannot read.
    """
    day, spreads = ctx.obj.learn(folder, no_log=no_log, no_roads=no_roads)
    day, happened = ctx.obj.happened(folder, day, facts)
    takes = _read_taken(folder, facts)
    made = _morning(ctx.obj, day, spreads, seed)
    day, moments = _live(day, made, happened.facts, seed, takes=takes)
    from api.schemas import story_json
    from dispatch.report.live import replay_text

    if as_json:
        _show(story_json(day, moments), raw=True)
    else:
        _show(replay_text(day, made, moments, **_screen()))


@cli.command()
@_folder
@click.argument("call")
@_facts
@_at
@click.option(
    "--danger", is_flag=True, help="A person, a child or an animal is in danger."
)
@click.option(
    "--take",
    type=click.IntRange(min=1),
    metavar="N",
    help="Take option N: written into the facts, the next commands go on from it.",
)
@_json
@_seed
@_no_log
@_no_roads
@click.pass_context
def urgent(  # noqa: PLR0913 - one per option
    ctx: click.Context,
    *,
    folder: Path,
    call: str,
    facts: Path | None,
    at: str | None,
    danger: bool,
    take: int | None,
    as_json: bool,
    seed: int,
    no_log: bool,
    no_roads: bool,
) -> None:
    """Say what can be done about the urgent CALL of FOLDER.

    CALL stands in booked.csv. It is asked about when facts.csv says that it came in,
    or --at a time. Somebody in danger comes first; then a few honest options that
    differ in kind, each a whole plan: who comes when, what it costs, who is moved and
    whose promise breaks; to pass the call on, and not to take it.

    With --take, that the call came in and what its caller is told go to the end of
    facts.csv, and the plan of that option into facts.taken.json beside it: `reshuffle`,
    `replay` and `urgent` go on from there. Repeated, it changes nothing.

    \b
    Examples:
      keyround urgent demo_scenarios/live_day 590
      keyround urgent today E1 --at 14:05 --danger
      keyround urgent today E1 --at 14:05 --take 2

    \b
    Exit status: 0 some van can take it, 1 none can, 2 bad input, a fact that
    cannot be true or an option that cannot be taken, 3 cannot read or write.
    """
    day, spreads = ctx.obj.learn(folder, no_log=no_log, no_roads=no_roads)
    table = folder / "facts.csv" if facts is None else facts
    read = table.read_bytes() if take is not None and table.is_file() else b""
    day, happened = ctx.obj.happened(folder, day, facts)
    until_s = _clock_time(day, at)
    asked = happened.booked.get(call)
    came = [f for f in happened.facts if f.call is not None and f.call.id == call]
    if asked is None or (until_s is None and not came):
        known = ", ".join(happened.booked) or "none is there"
        expected = f"the id of a call in booked.csv ({known})"
        if asked is not None:
            expected = "a 'booked' fact that says when it came in, or --at a time"
        fault = Fault(
            file="booked.csv" if asked is None else "facts.csv",
            got=f"no call '{call}'" if asked is None else f"no such fact of '{call}'",
            expected=expected,
        )
        raise InvalidInput([fault])
    from dispatch.live import ask, before
    from dispatch.urgent import Ask

    until_s = came[0].at_s if until_s is None else until_s
    earlier = before(happened.facts, call, until_s)
    takes = _read_taken(folder, facts)
    made = _morning(ctx.obj, day, spreads, seed)
    day, moments = _live(day, made, earlier, seed, until_s, takes)
    found = ask(day, moments[-1], asked, Ask(danger=danger, seed=seed))
    if take is not None:
        from api import taken

        was = taken.Asked(
            day=day,
            table=table,
            read=read,
            happened=happened,
            call=asked,
            at_s=until_s,
            found=found,
        )
        is_new = taken.take(was, take)
        words = f"written beside {table}" if is_new else "it was already"
        _tell(f"option {take} is taken for {call}: {words}")
    if as_json:
        from api.schemas import urgent_json

        _show(urgent_json(day, asked, moments[-1], found), raw=True)
    else:
        from dispatch.report.live import urgent_text

        _show(urgent_text(asked, moments[-1], found, chosen=take, **_screen()))
    able = any(option.van_id is not None for option in found.options)
    ctx.exit(Exit.PLANNED if able else Exit.UNPLACED)


@cli.command()
@_folder
@click.option("--kind", required=True, metavar="KIND", help="Kind of work.")
@click.option(
    "--at",
    default="",
    metavar="LAT,LON",
    help="Where, in decimal degrees, such as 52.2140,-0.9150.",
)
@click.option(
    "--address",
    default="",
    metavar="TEXT",
    help="Where, as an address that is looked up as in calls.csv; instead of --at.",
)
@click.option(
    "--needs",
    default="",
    metavar="PARTS",
    help="Parts it uses, written as in calls.csv: 'KIT-31' or 'BLANK-12 x4'.",
)
@click.option(
    "--when",
    default="",
    metavar="HH:MM-HH:MM",
    help="When the caller is there, as windows in calls.csv; by default any time.",
)
@click.option(
    "--words",
    default="",
    metavar="TEXT",
    help="The vehicle or the lock; a group that the log knows is found in it.",
)
@click.option(
    "--keep",
    type=click.IntRange(50, 99),
    default=90,
    metavar="PERCENT",
    show_default=True,
    help="Wished chance that the visit starts inside the window.",
)
@_no_log
@_no_roads
@_json
@_seed
@click.pass_context
def quote(  # noqa: PLR0913 - one per option
    ctx: click.Context,
    *,
    folder: Path,
    kind: str,
    at: str,
    address: str,
    needs: str,
    when: str,
    words: str,
    keep: int,
    no_log: bool,
    no_roads: bool,
    as_json: bool,
    seed: int,
) -> None:
    """Say which windows can be told to a caller.

    Plans the day or the days in FOLDER as `plan` does, puts the call into these plans
    at every place, and draws days: a window is on offer where the visit starts inside
    it with the wished chance and no other promise falls below that. The narrowest and
    earliest first, each with its cost. Nothing is written: put the call and the window
    you told into calls.csv.

    \b
    Examples:
      keyround quote demo_scenarios/three_days --kind rekey --at=-41.905,146.71
      keyround quote tomorrow --kind add_key --at 52.21,-0.91 --keep 95
      keyround quote tomorrow --kind rekey --address "4 Mill Lane, Hafton"

    \b
    Exit status: 0 there is a window, 1 there is none, 2 bad input, 3 cannot read.
    """
    if bool(at) == bool(address):
        raise click.UsageError("say where: either --at or --address")
    lat, _, lon = at.partition(",")

    def caller(day: "Day") -> "Call":
        from dispatch.scenario import find_in, read_caller

        name = "caller"
        while name in {call.id for call in day.calls}:
            name += "-"
        said = {"id": name, "kind": kind, "needs": needs, "windows": when}
        said |= {"lat": lat.strip(), "lon": lon.strip(), "address": address}
        said["description"] = words
        return read_caller(day, said, find_in(folder, _locator()))

    with_call, spreads = ctx.obj.learn(
        folder, no_log=no_log, no_roads=no_roads, add=caller
    )
    *calls, call = with_call.calls
    day = replace(with_call, calls=tuple(calls))
    from dispatch import quote as quoting

    book = quoting.open_book(_plans(ctx.obj, day, spreads, seed), spreads, seed)
    found = quoting.quote(book, call, spreads, keep / 100)
    if as_json:
        from api.schemas import quote_json

        _show(quote_json(with_call, found), raw=True)
    else:
        from dispatch.report.quoting import quote_text

        _show(quote_text(with_call, found, **_screen()))
    ctx.exit(Exit.PLANNED if found.offers else Exit.UNPLACED)


def _planned(engine: Engine, day: "Day", spreads: "Spreads", seed: int) -> "Plan":
    """Return the plan that `plan` makes of one day, without a word meanwhile."""
    quiet = _quiet(seed)
    if day.keep_percent is None:
        return engine.plan_day(day, **quiet)
    made, _ = engine.keep_promises(
        day, percent=day.keep_percent, spreads=spreads, **quiet
    )
    return made


def _quiet(seed: int) -> dict[str, Any]:
    return {
        "seed": seed,
        "rounds": None,
        "spent": None,
        "stop": lambda: False,
        "report": lambda _: None,
    }


def _plans(
    engine: Engine, day: "Day", spreads: "Spreads", seed: int
) -> "Sequence[tuple[Day, Plan]]":
    """Return the next days with their plans, made as `plan` makes them."""
    if day.horizon > 1:
        from dispatch.horizon import standing_days

        return standing_days(day, engine.plan_days(day, **_quiet(seed)))
    return ((day, _planned(engine, day, spreads, seed)),)


def _morning(engine: Engine, day: "Day", spreads: "Spreads", seed: int) -> "Plan":
    """Return the plan with which a running day began: what `plan` makes of it."""
    if day.horizon > 1:
        fault = Fault(
            file="day.toml",
            column="days",
            got=str(day.horizon),
            expected="1: a running day is one day, put today's calls into a folder",
        )
        raise InvalidInput([fault])
    return _planned(engine, day, spreads, seed)


def _live(
    day: "Day",
    made: "Plan",
    facts: "Sequence[Fact]",
    seed: int,
    until_s: int | None = None,
    takes: "Sequence[Take]" = (),
) -> "tuple[Day, tuple[Moment, ...]]":
    """Return the day as agreed, and how it was lived through."""
    from dispatch.live import as_agreed, live
    from dispatch.planner import Budget
    from dispatch.reshuffle import RESHUFFLE_ROUNDS

    budget = Budget(seed=seed, rounds=RESHUFFLE_ROUNDS, replans=False)
    moments = live(day, made, facts, budget, until_s, takes)
    return as_agreed(day, takes, moments[-1].log), moments


def _read_taken(folder: Path, facts: Path | None) -> "Sequence[Take]":
    """Return what was taken beside a table of facts."""
    from api.taken import read_taken

    return read_taken(folder / "facts.csv" if facts is None else facts)


def _clock_time(day: "Day", text: str | None) -> int | None:
    if text is None:
        return None
    from dispatch.scenario.cells import Refused, clock_time

    try:
        return clock_time(day.clock)(text)
    except Refused as reason:
        raise InvalidInput(
            [Fault(file="--at", got=f"'{text}'", expected=str(reason))]
        ) from None


@cli.command()
@_folder
@click.option(
    "--calls",
    type=click.IntRange(1, MOST_CALLS),
    default=9,
    metavar="N",
    show_default=True,
    help="How many calls.",
)
@click.option(
    "--vans",
    type=click.IntRange(1, MOST_VANS),
    default=1,
    metavar="N",
    show_default=True,
    help="How many vans.",
)
@click.option(
    "--seed",
    type=click.IntRange(0, 2**32 - 1),
    default=0,
    metavar="N",
    show_default=True,
    help="Start of the random numbers: the same seed invents the same day.",
)
def invent(*, folder: Path, calls: int, vans: int, seed: int) -> None:
    """Write an invented day into FOLDER.

    To try things out, or as a start for files of your own. People, places and parts
    are made up; nearly all calls can be planned. FOLDER is new or empty; one with
    files in it is never touched.

    \b
    Example:
      keyround invent practice --calls 35 --vans 4 --seed 7
      keyround plan practice

    \b
    Exit status: 0 written, 2 FOLDER is not empty, 3 cannot write.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InvalidInput(
            [
                Fault(
                    file=str(folder),
                    got="something that is there already",
                    expected="a new or an empty folder",
                )
            ]
        )
    from dispatch.generator import generate_day
    from dispatch.scenario import write_scenario

    day = generate_day(calls=calls, vans=vans, seed=seed, **GENTLE)
    write_scenario(day, folder)
    _show(f"invented {calls} calls for {vans} vans in {folder}")


@cli.command()
@click.argument("extract", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Build it into this new folder; by default into the user's cache, where a day "
    "that names the extract finds it.",
)
@click.option(
    "--seed",
    type=click.IntRange(0, 2**32 - 1),
    default=0,
    metavar="N",
    show_default=True,
    help="Start of the random numbers, for the places that the straight line is "
    "fitted to.",
)
def roads(*, extract: Path, out: Path | None, seed: int) -> None:
    """Build the road network of a region from EXTRACT.

    EXTRACT is an OpenStreetMap extract (.osm.pbf), downloaded once; after that nothing
    is asked of anybody. A day uses it by [travel] roads = "..." in its day.toml, the
    extract or the folder. The straight line is fitted to the network as well, for days
    that go without, and held against drives that it has not seen. Needs Python 3.12
    and keyround[roads].

    \b
    Examples:
      keyround roads region.osm.pbf
      keyround roads region.osm.pbf --out region_roads

    \b
    Exit status: 0 built, 2 no extract or FOLDER is there, 3 cannot read or write,
    or the routing library is missing.
    """
    from dispatch.report.network import network_text
    from dispatch.travel import network as networks
    from dispatch.travel.atlas import Atlas
    from dispatch.travel.fit import PLACES, draw_places, fit_straight_line
    from shared.model import TravelRules

    networks.library()  # what is missing is said before anything is drawn
    with click.progressbar(
        length=100, label="building", file=sys.stderr, show_pos=False
    ) as bar:
        at = 0

        def report(percent: int) -> None:
            nonlocal at
            bar.update(max(0, percent - at))
            at = max(at, percent)

        if out is not None:
            networks.build_network(extract, out, report)
            made = networks.open_network(out)
        else:
            made = networks.network_of(extract, report=report)
        report(100)
    atlas, fitted = Atlas(asker=made), None
    if made.bounds is not None:
        try:
            places = draw_places(atlas, made.bounds, 2 * PLACES, seed)
            fitted = fit_straight_line(atlas, places, TravelRules())
        except Unavailable as error:  # a village is a network, too
            _tell(f"keyround: {error}")
    where = out or networks.cache_folder() / made.network
    named = made.manifest.extract if out is None else out.name
    _show(network_text(made.manifest, where, named, fitted))


@cli.command()
@click.option(
    "--outlook", is_flag=True, help="Of several days (days = 2 or more in the folder)."
)
@click.option("--shelves", is_flag=True, help="Of shelves' --json.")
@click.option("--reshuffle", is_flag=True, help="Of reshuffle's --json.")
@click.option("--replay", is_flag=True, help="Of replay's --json.")
@click.option("--urgent", is_flag=True, help="Of urgent's --json.")
@click.option("--quote", is_flag=True, help="Of quote's --json.")
def schema(**asked: bool) -> None:
    """Print the JSON Schema of plan's --json, or of another command's.

    \b
    Examples:
      keyround schema > plan.schema.json
      keyround schema --outlook > outlook.schema.json
      keyround schema --shelves > shelves.schema.json
      keyround schema --reshuffle > rest.schema.json
    """
    names = [name for name, wanted in asked.items() if wanted]
    if len(names) > 1:
        options = " and ".join(f"--{name}" for name in names)
        raise click.UsageError(f"{options} are several schemas: ask for one")
    from api import schemas

    made = {
        "plan": schemas.plan_schema,
        "outlook": schemas.outlook_schema,
        "shelves": schemas.shelves_schema,
        "reshuffle": schemas.rest_schema,
        "replay": schemas.story_schema,
        "urgent": schemas.urgent_schema,
        "quote": schemas.quote_schema,
    }[names[0] if names else "plan"]()
    _show(json.dumps(made, indent=2, ensure_ascii=False), raw=True)


_roads = click.option(
    "--roads",
    default="",
    envvar="KEYROUND_ROADS",
    metavar="WHAT",
    help="Drive on this road network: an extract, a folder that `roads` wrote, or the "
    "address of a route service; also from KEYROUND_ROADS. By default straight lines.",
)


@cli.command()
@click.option(
    "--data",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Where its files lie; by default the user's folder for programs' data.",
)
@click.option(
    "--database",
    default="",
    envvar="KEYROUND_DATABASE",
    metavar="URL",
    help="A PostgreSQL database instead of the file; also from KEYROUND_DATABASE.",
)
@click.option("--host", default="127.0.0.1", show_default=True, help="Where to listen.")
@click.option(
    "--port",
    type=click.IntRange(1, 65535),
    default=8411,
    show_default=True,
    help="Where to listen.",
)
@click.option(
    "--load",
    "folder",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Load this folder's day first, and plan it.",
)
@click.option("--today", is_flag=True, help="With --load: move the day to today.")
@click.option(
    "--gazetteer",
    type=click.Path(path_type=Path, dir_okay=False),
    envvar="KEYROUND_GAZETTEER",
    metavar="FILE",
    help="The firm's own list of addresses; also from KEYROUND_GAZETTEER.",
)
@click.option(
    "--address-server",
    default="",
    envvar="KEYROUND_ADDRESS_SERVER",
    metavar="URL",
    help="Ask this server for addresses that are in no list; also from "
    "KEYROUND_ADDRESS_SERVER. Nobody is asked otherwise, whatever a folder names.",
)
@click.option(
    "--https",
    is_flag=True,
    help="Browsers reach it by https, through a web server in front of it.",
)
@click.option(
    "--keep-days",
    type=click.IntRange(0),
    default=180,
    show_default=True,
    help="Erase customers' data this many days after their day.",
)
@_roads
def serve(  # noqa: PLR0913 - its options
    *,
    data: Path | None,
    database: str,
    host: str,
    port: int,
    folder: Path | None,
    today: bool,
    gazetteer: Path | None,
    address_server: str,
    https: bool,
    keep_days: int,
    roads: str,
) -> None:
    """Start the service: the office's page, the phones' page, and what they ask.

    Everything is kept in one SQLite file unless a database is named. Ctrl-C stops it.
    The first start prints the secret that the office signs in with.

    \b
    Examples:
      keyround serve
      keyround serve --data firm --port 8500
      keyround serve --load demo_scenarios/live_day --today

    \b
    Exit status: 0 stopped, 2 bad input, 3 cannot read, write or listen.
    """
    import signal

    import uvicorn

    from api.access import first_secret
    from api.app import create_app
    from api.crew import Pool, keep_what_is_loaded
    from api.host import load_folder, worker
    from api.journal import set_up
    from api.vault import read_vault

    set_up(os.environ)
    surveyor = _surveyor(roads)
    settings, store = _open_store(data, database, roads)
    crew = Pool()
    # Once uvicorn has stopped it lets the signal loose on this process: that would end
    # at once, with all that is open.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(Exit.PLANNED))
    try:
        vault = read_vault(settings.folder)
        made = first_secret(store)
        if made is not None:
            _show_secret(made)
        locator = _own_locator(store, gazetteer, address_server)
        if folder is not None:
            day = load_folder(
                store, folder, today=today, locator=locator, roads=surveyor
            )
            _say_loaded(day)
        app = create_app(
            store=store,
            crew=crew,
            vault=vault,
            secure=https,
            keep_days=keep_days,
            locator=locator,
            roads=surveyor,
        )
        keep_what_is_loaded()
        with worker(settings):
            uvicorn.run(
                app,
                host=host,
                port=port,
                access_log=False,  # its lines would name calls
                log_config=None,
                server_header=False,
                timeout_graceful_shutdown=3,  # open streams would wait for ever
            )
    finally:
        crew.close()
        store.close()


def _own_locator(
    store: "SqlStore", gazetteer: Path | None, address_server: str
) -> "Locator":
    """Return what the service finds addresses in; what a folder names is no part of it.

    Whoever may load a folder could have any address of the network asked otherwise.
    """
    from dispatch.scenario import Locator, Server, open_lists, server_url

    look: Look | None = None
    if address_server:
        from api.geocoder import Geocoder
        from api.store.places import Lookups

        server = Server(url=server_url(address_server))
        look = Geocoder(server, Lookups(read=store.read, write=store.write))
    locator = Locator(gazetteer=gazetteer, connect=lambda _: look)
    open_lists(locator)  # says now what is wrong with it
    return locator


def _surveyor(name: str) -> "Surveyor | None":
    if not name:
        return None
    from api.roads import Surveyor, find_atlas

    return Surveyor(find_atlas(name, Path(), _tell))


def _open_store(
    data: Path | None, database: str, roads: str = ""
) -> "tuple[Settings, SqlStore]":
    from api.settings import Settings, usual_folder
    from api.store import open_store

    os.umask(0o077)  # customers' data: for this user's eyes alone
    name = roads if "://" in roads or not roads else str(Path(roads).resolve())
    settings = Settings(folder=data or usual_folder(), database=database, roads=name)
    _try_to_write(settings.folder)
    return settings, open_store(settings.url)


def _say_loaded(day_id: str | None) -> None:
    if day_id is None:
        _tell("the day is there already, it stays as it is")
    else:
        _tell(f"loaded {day_id}; it is planned as soon as a worker is free")


_data = click.option(
    "--data",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Where the service keeps its files.",
)
_database = click.option(
    "--database",
    default="",
    envvar="KEYROUND_DATABASE",
    metavar="URL",
    help="A PostgreSQL database instead of the file; also from KEYROUND_DATABASE.",
)


@cli.command()
@_data
@_database
@_roads
def work(*, data: Path | None, database: str, roads: str) -> None:
    """Plan what the service queues, until stopped.

    `serve` starts one by itself. More of them, on other machines as well, share a
    PostgreSQL database; a job whose worker dies is taken by another after half a
    minute.

    \b
    Examples:
      keyround work
      keyround work --database postgresql://planner@db/keyround

    \b
    Exit status: 0 stopped, 3 cannot read or write.
    """
    import signal
    import threading
    from datetime import UTC, datetime

    from api.crew import Here, end_with
    from api.host import ATTACHED

    parent = os.environ.get(ATTACHED)
    if parent:
        end_with(int(parent))
    from api.desk import Desk
    from api.journal import set_up
    from api.worker import run

    set_up(os.environ)

    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    _, store = _open_store(data, database)
    try:
        desk = Desk(
            store=store,
            clock=lambda: datetime.now(UTC),
            crew=Here(),
            roads=_surveyor(roads),
        )
        run(desk, stop.is_set)
    except KeyboardInterrupt:
        _tell("stopped")
    finally:
        store.close()


@cli.command()
@_folder
@click.option("--today", is_flag=True, help="Move the day to today.")
@_data
@_database
def load(*, folder: Path, today: bool, data: Path | None, database: str) -> None:
    """Load the day in FOLDER into the service, and have it planned.

    Also a folder that `export` wrote: with everything that happened. With --today, the
    day's date becomes today's, and what happened is left out.

    \b
    Examples:
      keyround load demo_scenarios/live_day --today
      keyround load exported/2026-12-04

    \b
    Exit status: 0 loaded, 2 bad input or a day of that date is there,
    3 cannot read or write.
    """
    from api.host import load_folder

    _, store = _open_store(data, database)
    try:
        day = load_folder(store, folder, today=today, locator=_locator())
        _say_loaded(day)
    finally:
        store.close()


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@_data
@_database
def export(*, folder: Path, data: Path | None, database: str) -> None:
    """Write every day of the service into FOLDER, as scenario folders.

    One folder for each day, named after its date; `load` takes each back, loss-free:
    what tables cannot hold stands in its record.json. Codes are not exported.

    \b
    Example:
      keyround export exported

    \b
    Exit status: 0 written, 2 FOLDER is not empty, 3 cannot read or write.
    """
    from api.host import export_all

    _, store = _open_store(data, database)
    try:
        days = export_all(store, folder)
    finally:
        store.close()
    _tell(f"wrote {len(days)} days into {folder}")


@cli.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@_data
@_database
def backup(*, file: Path, data: Path | None, database: str) -> None:
    """Write everything the service keeps into FILE.

    While it runs or not; the file is of one moment. Codes in it stay sealed: the key
    lies beside the service's files and has to be kept as well, somewhere else.

    \b
    Example:
      keyround backup friday.keyround

    \b
    Exit status: 0 written, 3 cannot read or write.
    """
    from api.host import back_up

    _, store = _open_store(data, database)
    try:
        back_up(store, file)
    finally:
        store.close()
    _tell(f"wrote {file}")


@cli.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@_data
@_database
def restore(*, file: Path, data: Path | None, database: str) -> None:
    """Take FILE, which `backup` wrote, into a service that is still empty.

    Also from SQLite to PostgreSQL, and back.

    \b
    Example:
      keyround restore friday.keyround --data firm

    \b
    Exit status: 0 restored, 2 no whole backup or something is there already,
    3 cannot read or write.
    """
    from api.host import bring_back

    _, store = _open_store(data, database)
    try:
        rows = bring_back(store, file)
    finally:
        store.close()
    _tell(f"restored {rows} rows")


@cli.command()
@_data
@_database
def secret(*, data: Path | None, database: str) -> None:
    """Make the office a new secret, and print it once.

    The one before and all sessions of the office end; paired phones stay paired.

    \b
    Example:
      keyround secret

    \b
    Exit status: 0 made, 3 cannot read or write.
    """
    from api.access import make_secret

    _, store = _open_store(data, database)
    try:
        _show_secret(make_secret(store))
    finally:
        store.close()


def _show_secret(made: str) -> None:
    """Print the office's secret on its one occasion."""
    _show(f"The office signs in with this secret; it is shown only now:\n\n  {made}\n")


@cli.command()
@_data
@_database
@click.option(
    "--keep-days",
    type=click.IntRange(0),
    default=180,
    show_default=True,
    help="Erase customers' data this many days after their day.",
)
def tidy(*, data: Path | None, database: str, keep_days: int) -> None:
    """Erase customers' data and codes that are not needed any more.

    The service does this by itself every hour; this is for when it does not run.

    \b
    Example:
      keyround tidy --keep-days 30

    \b
    Exit status: 0 erased, 3 cannot read or write.
    """
    from datetime import UTC, datetime

    from api.tidy import tidy as tidy_up

    _, store = _open_store(data, database)
    try:
        gone = tidy_up(store, datetime.now(UTC), keep_days)
    finally:
        store.close()
    _tell(f"erased {len(gone.days)} days, {gone.codes} codes, {gone.keys} old keys")


@cli.command()
def kinds() -> None:
    """Print the kinds of work.

    Lengths, skills, equipment, and where the figures come from. A call names one of
    them in its folder's calls.csv; the call's own figures win.

    \b
    Example:
      keyround kinds
    """
    from api.kinds import kinds_text
    from shared import trade

    _show(kinds_text(trade.kinds().values(), trade.cautions()))


def main() -> None:
    """Run the command line on this process's arguments."""
    cli(prog_name="keyround")
