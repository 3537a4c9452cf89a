"""What the log taught: a page with plots, a text, and data for programs."""

import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from functools import cache
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np

from dispatch.calibration import Kept, planned_s
from dispatch.durations import Length
from dispatch.lesson import Lesson
from dispatch.report.words import clean
from dispatch.scenario.joblog import Aside, lines_of
from dispatch.spread import KNOTS
from shared.units import minutes

if TYPE_CHECKING:
    from jinja2 import Template

WIDTH, LABELS, RIGHT = 720.0, 190.0, 64.0
ROW, HEAD = 26.0, 24.0
HISTOGRAMS, BARS = 6, 18
GROUPS, ODD = 30, 12
TALL = 150.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A mark on an axis."""

    x: float
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeRow:
    """A line of a plot of ranges: what was expected, and what was learnt."""

    y: float
    name: str
    right: str
    low: float
    middle: float
    high: float
    far: float  # the 90th percentile, or the middle where there is none
    usual: float
    usual_far: float
    faint: bool  # no record


@dataclass(frozen=True, slots=True, kw_only=True)
class RangePlot:
    """Ranges one below the other on one axis."""

    width: float
    height: float
    rows: tuple[RangeRow, ...]
    ticks: tuple[Tick, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Histogram:
    """Logged lengths of a kind as bars, the learnt ones as a line."""

    name: str
    words: str
    bars: tuple[tuple[float, float, float], ...]  # x, width, height
    line: str
    ticks: tuple[Tick, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """Speed by the hour: the given profile, the learnt one and its range."""

    usual: str
    learnt: str
    band: str
    ticks: tuple[Tick, ...]
    lines: tuple[Tick, ...]  # x is the height here


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    """A point of a diagonal plot, with its range."""

    x: float
    y: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagonal:
    """Quoted against kept."""

    title: str
    words: str
    dots: tuple[Dot, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LengthRow:
    """A row of the table of groups."""

    kind: str
    group: str
    records: int
    median: str
    between: str
    p90: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LearningPage:
    """Everything the template shows."""

    name: str
    note: str
    facts: tuple[tuple[str, str], ...]
    aside: tuple[Aside, ...]
    aside_drives: tuple[Aside, ...]
    notices: tuple[str, ...]
    kinds: RangePlot
    drivers: RangePlot
    groups: tuple[LengthRow, ...]
    histograms: tuple[Histogram, ...]
    sizes: tuple[tuple[str, str], ...]
    retries: tuple[tuple[str, str, str, str], ...]
    steps: Steps | None
    road_facts: tuple[tuple[str, str], ...]
    diagonals: tuple[Diagonal, ...]
    losses: tuple[tuple[str, str, str, str, str], ...]
    judged: int
    promised: str
    odd: tuple[tuple[str, str, str, str], ...]
    odd_rows: int


def learning_html(lesson: Lesson) -> str:
    """Return the page that tells what was learnt.

    Parameters
    ----------
    lesson : Lesson
        From a folder's log.

    Returns
    -------
    str
        An HTML document without scripts or outside requests.
    """
    return _template().render(page=make_page(lesson))


@cache
def _template() -> "Template":
    from jinja2 import (  # noqa: PLC0415 - slow, and only needed here
        Environment,
        PackageLoader,
        StrictUndefined,
    )

    return Environment(
        loader=PackageLoader("dispatch.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    ).get_template("learning.html.j2")


def make_page(lesson: Lesson) -> LearningPage:
    """Return what the page shows.

    Parameters
    ----------
    lesson : Lesson
        From a folder's log.

    Returns
    -------
    LearningPage
        Words and coordinates.
    """
    learnt, log = lesson.durations, lesson.log
    judged = lesson.calibration
    return LearningPage(
        name=clean(lesson.day.name),
        note=clean(lesson.day.note),
        facts=_facts(lesson),
        aside=log.aside,
        aside_drives=log.aside_drives,
        notices=log.notices,
        kinds=_kinds(lesson),
        drivers=_drivers(lesson),
        groups=_groups(lesson),
        histograms=_histograms(lesson),
        sizes=tuple(
            (word, f"{100 * (np.exp(size) - 1):.0f} %")
            for word, size in learnt.sizes.items()
        ),
        retries=tuple(
            (
                learnt.kinds[kind].name,
                str(retry.records),
                f"{100 * retry.share:.1f} %",
                minutes(retry.lost_s),
            )
            for kind, retry in learnt.retries.items()
            if retry.records
        ),
        steps=_steps(lesson) if lesson.roads.drives else None,
        road_facts=_road_facts(lesson),
        diagonals=_diagonals(lesson),
        losses=tuple(
            (
                "median" if loss.chance == 0.5 else "90th percentile",  # noqa: PLR2004
                f"{loss.learnt / 60:.2f} min",
                f"{loss.plain / 60:.2f} min",
                f"{loss.trade / 60:.2f} min",
                f"{100 * (1 - loss.learnt / loss.plain):+.1f} %",
            )
            for loss in judged.losses
        ),
        judged=judged.visits,
        promised=_promised(lesson),
        odd=tuple(
            (
                str(odd.line),
                learnt.kinds[odd.kind].name,
                minutes(odd.length_s),
                minutes(odd.usual_s),
            )
            for odd in learnt.odd[:ODD]
        ),
        odd_rows=learnt.odd_rows,
    )


def _facts(lesson: Lesson) -> tuple[tuple[str, str], ...]:
    learnt, log = lesson.durations, lesson.log
    age = "does not matter"
    if learnt.half_life_d is not None:
        age = f"{learnt.half_life_d:.0f} days older counts half"
    return (
        ("Rows", f"{log.rows:,}"),
        ("Visits used", f"{len(log.visits.kind) - learnt.odd_rows:,}"),
        ("Set aside", f"{lines_of(log.aside):,}"),
        ("Do not fit", f"{learnt.odd_rows:,}"),
        ("Drives used", f"{lesson.roads.drives:,}"),
        ("Age of a record", age),
    )


def _promised(lesson: Lesson) -> str:
    judged = lesson.calibration
    if not judged.promised:
        return ""
    share = judged.promises_kept / judged.promised
    return (
        f"Of {judged.promised:,} promised windows in the log {judged.promises_kept:,} "
        f"were kept ({100 * share:.1f} %): the visit began before the window's end."
    )


def _records(lesson: Lesson) -> list[tuple[str, int]]:
    """Return kinds and their records, most first, those without any last."""
    counts = np.bincount(lesson.log.visits.kind, minlength=len(lesson.durations.kinds))
    pairs = zip(lesson.durations.kinds, counts.tolist(), strict=True)
    return sorted(pairs, key=lambda pair: -pair[1])


def _scale(most: float) -> tuple[float, tuple[Tick, ...]]:
    """Return units of the drawing for a minute, and the axis' ticks."""
    step = next(step for step in (10, 15, 30, 60, 120, 240, 480) if most / step <= 9)  # noqa: PLR2004
    unit = (WIDTH - LABELS - RIGHT) / most
    return unit, tuple(
        Tick(x=LABELS + unit * at, words=str(at))
        for at in range(0, int(most) + 1, step)
    )


def _kinds(lesson: Lesson) -> RangePlot:
    learnt, table = lesson.durations, lesson.day.kinds
    told = [
        (learnt.kinds[kind], learnt.length(kind), records)
        for kind, records in _records(lesson)
    ]
    most = max(
        max(length.p90_s, length.high_s if records else 0, kind.p90_s) / 60
        for kind, length, records in told
    )
    unit, ticks = _scale(min(most, 24 * 60))

    def x(length_s: float) -> float:
        return LABELS + min(unit * length_s / 60, WIDTH - LABELS - RIGHT)

    rows = tuple(
        RangeRow(
            y=HEAD + ROW * number,
            name=kind.name,
            right=str(records),
            low=x(length.low_s),
            middle=x(length.median_s),
            high=x(length.high_s),
            far=x(length.p90_s),
            usual=x(table[kind.id].median_s),
            usual_far=x(table[kind.id].p90_s),
            faint=not records,
        )
        for number, (kind, length, records) in enumerate(told)
    )
    return RangePlot(
        width=WIDTH, height=HEAD + ROW * len(rows) + 20, rows=rows, ticks=ticks
    )


def _drivers(lesson: Lesson) -> RangePlot:
    learnt, log = lesson.durations, lesson.log
    counts = np.bincount(
        log.visits.driver[log.visits.driver >= 0], minlength=len(log.drivers)
    )
    ranges = [learnt.pace_range(name) for name in log.drivers]
    low = min((0.8, *(each[0] for each in ranges)))
    high = max((1.2, *(each[2] for each in ranges)))
    low, high = math.floor(low * 10) / 10, math.ceil(high * 10) / 10
    unit = (WIDTH - LABELS - RIGHT) / (high - low)

    def x(share: float) -> float:
        return LABELS + unit * (share - low)

    order = sorted(range(len(ranges)), key=lambda at: ranges[at][1])[:GROUPS]
    rows = tuple(
        RangeRow(
            y=HEAD + ROW * number,
            name=clean(log.drivers[at]),
            right=str(counts[at]),
            low=x(ranges[at][0]),
            middle=x(ranges[at][1]),
            high=x(ranges[at][2]),
            far=x(ranges[at][1]),
            usual=x(1.0),
            usual_far=x(1.0),
            faint=False,
        )
        for number, at in enumerate(order)
    )
    steps = max(1, round((high - low) * 10))
    every = -(-steps // 10)
    return RangePlot(
        width=WIDTH,
        height=HEAD + ROW * len(rows) + 20,
        rows=rows,
        ticks=tuple(
            Tick(x=x(low + step / 10), words=f"{low + step / 10:.1f}")
            for step in range(0, steps + 1, every)
        ),
    )


def _groups(lesson: Lesson) -> tuple[LengthRow, ...]:
    visits, log = lesson.log.visits, lesson.log
    rows = np.flatnonzero(visits.group >= 0)
    pairs, counts = np.unique(
        np.column_stack((visits.kind[rows], visits.group[rows])),
        axis=0,
        return_counts=True,
    )
    names = tuple(lesson.durations.kinds)
    return tuple(
        _length_row(
            lesson.durations.kinds[names[pairs[at, 0]]].name,
            clean(log.groups[pairs[at, 1]]),
            lesson.durations.length(names[pairs[at, 0]], log.groups[pairs[at, 1]]),
        )
        for at in np.argsort(-counts, kind="stable")[:GROUPS]
    )


def _length_row(kind: str, group: str, length: Length) -> LengthRow:
    return LengthRow(
        kind=kind,
        group=group,
        records=length.records,
        median=minutes(length.median_s),
        between=f"{minutes(length.low_s)} to {minutes(length.high_s)}",
        p90=minutes(length.p90_s),
    )


_PANE, _PANE_HIGH = 220.0, 96.0


def _histograms(lesson: Lesson) -> tuple[Histogram, ...]:
    """Return the commonest kinds, drawn on minutes up to what is rare."""
    found = []
    visits, names = lesson.log.visits, tuple(lesson.day.kinds)
    for kind, records in _records(lesson)[:HISTOGRAMS]:
        done_s = visits.length_s[
            (visits.kind == names.index(kind)) & ~visits.unfinished
        ]
        if len(done_s) < BARS:
            continue
        length = lesson.durations.length(kind)
        most_min = float(length.spread.quantile(0.985)) / 60
        edges = np.linspace(0, most_min, BARS + 1)
        shares = np.histogram(done_s / 60, edges)[0] / len(done_s)
        at = np.linspace(0, most_min, 61)
        chance = length.spread.cdf(60 * at)
        expected = np.diff(chance) * 60 / BARS
        top = max(float(shares.max()), float(expected.max()), 1e-9)
        wide, tall = _PANE / BARS, _PANE_HIGH / top
        step = next(each for each in (10, 15, 30, 60, 120, 240) if most_min / each <= 6)  # noqa: PLR2004
        found.append(
            Histogram(
                name=lesson.day.kinds[kind].name,
                words=f"{records} visits, median {minutes(length.median_s)}, "
                f"nine in ten within {minutes(length.p90_s)}",
                bars=tuple(
                    (number * wide, wide - 1, float(share) * tall)
                    for number, share in enumerate(shares)
                ),
                line=_path(
                    (_PANE * (number + 0.5) / 60, _PANE_HIGH - float(each) * tall)
                    for number, each in enumerate(expected)
                ),
                ticks=tuple(
                    Tick(x=_PANE * each / most_min, words=str(each))
                    for each in range(0, int(most_min) + 1, step)
                ),
            )
        )
    return tuple(found)


def _path(points: Iterable[tuple[float, float]]) -> str:
    """Return points as a path of an SVG."""
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def _steps(lesson: Lesson) -> Steps:
    hours = lesson.roads.hours
    top = 50 * -(-max(max(h.usual_permille, h.high_permille) for h in hours) // 50)
    wide = (WIDTH - 70) / len(hours)

    def y(permille: float) -> float:
        return 8 + TALL * (1 - permille / top)

    def stairs(values: list[int]) -> list[tuple[float, float]]:
        return [
            (50 + wide * (hour + side), y(value))
            for hour, value in enumerate(values)
            for side in (0, 1)
        ]

    low, high = (
        stairs([h.low_permille for h in hours]),
        stairs([h.high_permille for h in hours]),
    )
    return Steps(
        usual=_path(stairs([h.usual_permille for h in hours])),
        learnt=_path(stairs([h.permille for h in hours])),
        band=_path([*high, *reversed(low)]) + "Z",
        ticks=tuple(
            Tick(x=50 + wide * hour, words=str(hour)) for hour in range(0, 25, 3)
        ),
        lines=tuple(
            Tick(x=y(permille), words=f"{permille // 10} %")
            for permille in range(0, top + 1, 250)
        ),
    )


def _road_facts(lesson: Lesson) -> tuple[tuple[str, str], ...]:
    roads, usual = lesson.roads, lesson.day.travel
    if not roads.drives:
        return ()
    say = lesson.day.distance.say_speed
    fixed = roads.rules.start_stop_s / 60, usual.start_stop_s / 60
    scatter = 100 * roads.scatter, 100 * roads.usual_scatter
    facts = [
        (
            "Free flow",
            f"{say(roads.rules.free_flow_kmh)} (given: {say(usual.free_flow_kmh)})",
        ),
        (
            "Fixed time of a drive",
            f"{fixed[0]:.1f} min (given: {fixed[1]:.1f} min)",
        ),
        (
            "Scatter of a drive",
            f"{scatter[0]:.0f} % (by the given rules: {scatter[1]:.0f} %)",
        ),
    ]
    if roads.detour is not None:
        facts.append(
            ("Road over the straight-line rule", f"{roads.detour:.2f} (in the speed)")
        )
    if roads.odd_lines:
        lines = ", ".join(map(str, roads.odd_lines[:ODD]))
        more = ", ..." if len(roads.odd_lines) > ODD else ""
        facts.append(
            ("Drives that do not fit", f"{len(roads.odd_lines)}: lines {lines}{more}")
        )
    return tuple(facts)


def _diagonals(lesson: Lesson) -> tuple[Diagonal, ...]:
    judged = lesson.calibration
    told = (
        (
            "Lengths",
            "quoted: done within this length with that chance",
            judged.lengths,
        ),
        (
            "Within the trade table's plan",
            "quoted: done within the length that the table alone would plan",
            judged.within_plan,
        ),
        ("Promises", "quoted for the window, as the log says", judged.promises),
    )
    return tuple(
        Diagonal(title=title, words=words, dots=tuple(map(_dot, kept)))
        for title, words, kept in told
        if kept
    )


_SIDE = 170.0


def _dot(kept: Kept) -> Dot:
    return Dot(
        x=_SIDE * kept.quoted,
        y=_SIDE * (1 - kept.kept),
        low=_SIDE * (1 - kept.low),
        high=_SIDE * (1 - kept.high),
    )


def learning_text(lesson: Lesson) -> str:
    """Return what was learnt, for a terminal of 80 columns.

    Parameters
    ----------
    lesson : Lesson
        From a folder's log.

    Returns
    -------
    str
        Lines.
    """
    learnt, log, judged = lesson.durations, lesson.log, lesson.calibration
    first = (
        f"{log.rows:,} rows: {len(log.visits.kind):,} visits used, "
        f"{lines_of(log.aside):,} set aside, {learnt.odd_rows:,} of the used ones do "
        "not fit."
    )
    if not log.rows:
        first = "No log.csv, or nothing in it: the trade table is all there is."
    lines = [first]
    for title, asides in (("", log.aside), ("drives: ", log.aside_drives)):
        for aside in asides:
            lines.append(f"  {aside.rows:>7,}  {title}{aside.reason}")
            lines += _wrapped(str(aside.examples[0]), 11)
    for notice in log.notices:
        lines += _wrapped(notice, 2)
    if learnt.half_life_d is not None:
        lines.append(f"A record {learnt.half_life_d:.0f} days older counts half.")
    lines += [
        "",
        "Kind                     Records  Median (90 % sure)      9 in 10  Table",
    ]
    for kind, records in _records(lesson):
        length, trade = learnt.length(kind), lesson.day.kinds[kind]
        between = f"{length.low_s / 60:.0f}-{length.high_s / 60:.0f}"
        lines.append(
            f"{trade.name[:24]:<24} {records:>7,} "
            f"{length.median_s / 60:>7.0f} min ({between})".ljust(57)
            + f"{length.p90_s / 60:>5.0f} min  {trade.median_s / 60:.0f}-"
            f"{trade.p90_s / 60:.0f}"
        )
    if log.drivers:
        lines += ["", "Driver                   Pace (90 % sure), 1 is usual"]
        for name in log.drivers[:GROUPS]:
            low, pace, high = learnt.pace_range(name)
            lines.append(f"{clean(name)[:24]:<24} {pace:.2f} ({low:.2f}-{high:.2f})")
    lines += ["", *(f"{name}: {value}" for name, value in _road_facts(lesson))]
    lines += [*_judged_lines(lesson), ""] if judged.visits else [""]
    if learnt.odd:
        lines.append("Visits that do not fit, the oddest first:")
        lines += [
            f"  line {odd.line}: {learnt.kinds[odd.kind].name}, "
            f"{minutes(odd.length_s)}, usually {minutes(odd.usual_s)}"
            for odd in learnt.odd[:ODD]
        ]
    return "\n".join(lines).rstrip() + "\n"


def _wrapped(words: str, indent: int) -> list[str]:
    blank = " " * indent
    return wrap(words, 80, initial_indent=blank, subsequent_indent=blank)


def _judged_lines(lesson: Lesson) -> list[str]:
    judged = lesson.calibration
    lines = ["", f"Judged on {judged.visits:,} visits that the learning did not see:"]
    lines += [
        f"  {'median' if loss.chance == 0.5 else 'nine in ten':<12}"  # noqa: PLR2004
        f"loss {loss.learnt / 60:.2f} min; plain by kind {loss.plain / 60:.2f}; "
        f"trade table {loss.trade / 60:.2f}"
        for loss in judged.losses
    ]
    told = "  ".join(f"{100 * k.quoted:.0f}:{100 * k.kept:.0f}" for k in judged.lengths)
    lines.append(f"  quoted:kept in %  {told}")
    if judged.promised:
        lines += _wrapped(_promised(lesson), 2)
    return lines


def learning_data(lesson: Lesson) -> dict[str, Any]:
    """Return what was learnt as plain data.

    Parameters
    ----------
    lesson : Lesson
        From a folder's log.

    Returns
    -------
    dict
        For JSON: seconds, shares, permille; lines as an editor counts them.
    """
    learnt, log = lesson.durations, lesson.log
    visits, names = log.visits, tuple(learnt.kinds)
    cells, counts = np.unique(
        np.column_stack((visits.kind, visits.group, visits.driver)),
        axis=0,
        return_counts=True,
    )
    return {
        "format": "keyround learn",
        "version": 1,
        "rows": log.rows,
        "visits": len(visits.kind),
        "aside": [asdict(aside) for aside in log.aside],
        "aside_drives": [asdict(aside) for aside in log.aside_drives],
        "notices": list(log.notices),
        "half_life_d": learnt.half_life_d,
        "sizes": dict(learnt.sizes),
        "normal_scores": KNOTS.tolist(),
        "kinds": [
            {
                "kind": kind,
                **_length_data(learnt.length(kind), records),
                "planned_by_table_s": round(planned_s(lesson.day.kinds[kind])),
                "not_finished": asdict(learnt.retries[kind]),
            }
            for kind, records in _records(lesson)
        ],
        "lengths": [
            {
                "kind": names[kind],
                "group": log.groups[group] if group >= 0 else None,
                "driver": log.drivers[driver] if driver >= 0 else None,
                **_length_data(
                    learnt.length(
                        names[kind],
                        log.groups[group] if group >= 0 else None,
                        log.drivers[driver] if driver >= 0 else None,
                    ),
                    count,
                ),
            }
            for (kind, group, driver), count in zip(
                cells.tolist(), counts.tolist(), strict=True
            )
        ],
        "drivers": [
            dict(
                zip(
                    ("driver", "low", "pace", "high"),
                    (name, *learnt.pace_range(name)),
                    strict=True,
                )
            )
            for name in log.drivers
        ],
        "odd_rows": learnt.odd_rows,
        "odd": [odd._asdict() for odd in learnt.odd],
        "roads": {
            "drives": lesson.roads.drives,
            "start_stop_s": lesson.roads.rules.start_stop_s,
            "free_flow_kmh": lesson.roads.rules.free_flow_kmh,
            "detour": lesson.roads.detour,
            "scatter": lesson.roads.scatter,
            "usual_scatter": lesson.roads.usual_scatter,
            "odd_lines": list(lesson.roads.odd_lines),
            "hours": [asdict(hour) for hour in lesson.roads.hours],
        },
        "calibration": asdict(lesson.calibration),
    }


def _length_data(length: Length, records: int) -> dict[str, Any]:
    return {
        "records": records,
        "median_s": length.median_s,
        "p90_s": length.p90_s,
        "low_s": length.low_s,
        "high_s": length.high_s,
        "log_s": [round(each, 5) for each in length.spread.log_s],
    }
