"""A folder's log and shelves: what was used of which part, and how to fill the vans.

``log.csv`` holds what visits used, ``shelves.toml`` what is wished and how much room
there is; both are described in ``demo_scenarios/README.md``.
"""

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path

from dispatch.demand import part_uses
from dispatch.scenario import cells
from dispatch.scenario.cells import FEW, Refused
from dispatch.scenario.places import Locator
from dispatch.scenario.read import read_scenario
from dispatch.scenario.source import Findings, Row, Tree, read_table, read_tree, shown
from shared.errors import Fault, InvalidInput
from shared.model import Day
from shared.shelf import History, PartUse, Rules

LOG, SHELVES = "log.csv", "shelves.toml"
WORTH_IT = "worth it"
MOST_ALIKE = 20  # faults of one column that are told one by one
MOST_A_VISIT = 200  # pieces of one part; own choice: more is a typing error
MOST_LOAD_DAYS, MOST_DAYS, MOST_SIZE = 60, 10_000, 10_000
_KEYS = (
    "service_level",
    "money",
    "lost_call",
    "holding_rate",
    "load_days",
    "lead_h",
    "dead_days",
    "half_life_days",
)

Listed = tuple[tuple[str, int], ...]


def read_shelves(
    folder: Path, locator: Locator | None = None
) -> tuple[Day, History, Rules]:
    """Return a folder's day, its log and its rules for the shelves.

    Parameters
    ----------
    folder : Path
        Holds a day's files, ``log.csv``, and perhaps ``shelves.toml``.
    locator : Locator, optional
        What is known of addresses beside the folder.

    Returns
    -------
    tuple of Day, History and Rules
        The day's ``notices`` say which rows of the log were set aside.

    Raises
    ------
    InvalidInput
        With every fault of all files.
    """
    findings = Findings()
    day = None
    try:
        day = read_scenario(folder, locator)
    except InvalidInput as error:
        findings.faults += error.faults
        if not folder.is_dir():
            raise
    history = _read_log(folder, day, findings)
    rules = _read_rules(folder, day, findings)
    if day is None or findings.faults:
        raise InvalidInput(findings.faults)
    notices = tuple(dict.fromkeys((*day.notices, *findings.notices)))
    return replace(day, notices=notices), history, rules


# --- log.csv -----------------------------------------------------------------


def _read_log(folder: Path, day: Day | None, findings: Findings) -> History:
    """Return what the log says; unknown vans and parts are set aside and counted.

    An old log names vans and parts that are gone: that is no fault. What cannot be
    read is one.
    """
    own = Findings()
    rows = read_table(
        folder / LOG,
        own,
        required=("date", "parts"),
        optional=("van", "driver", "spoiled"),
        why="finished visits: date, van, parts",
    )
    # The log's other columns are not for here; a misspelt one of these is.
    findings.notices += [said for said in own.notices if "did you mean" in said]
    until = date.max if day is None else day.clock.instant(day.planned_at_s).date()
    vans = [] if day is None else [van.id for van in day.vans]
    by_driver = {} if day is None else _drivers(day)
    worked: dict[str, set[date]] = {van_id: set() for van_id in vans}
    uses: list[PartUse] = []
    kits = {} if day is None else {p.id: p.components for p in day.parts.values()}
    aside = _Aside()
    # The same words stand in thousands of rows.
    read_date, read_pieces = cache(cells.calendar_day), cache(_pieces)
    take_apart = cache(
        lambda used, spoiled: part_uses(date.min, "", used, spoiled, kits)
    )
    for row in rows or ():
        on = row.demand("date", read_date, date.min)
        used: Listed = row.read("parts", read_pieces, ())
        spoiled: Listed = row.read("spoiled", read_pieces, ())
        van_id = row.text("van") or by_driver.get(row.text("driver"), "")
        if not van_id and not row.text("driver") and len(vans) == 1:
            van_id = vans[0]
        if day is None:
            continue
        if van_id not in worked:
            aside.vans[van_id or row.text("driver")] += 1
        elif on > until:
            aside.later += 1
        else:
            worked[van_id].add(on)
            for use in take_apart(used, spoiled):
                if use.part_id in day.parts:
                    uses.append(
                        PartUse(
                            date=on,
                            van_id=van_id,
                            part_id=use.part_id,
                            quantity=use.quantity,
                            spoiled=use.spoiled,
                        )
                    )
                else:
                    aside.parts[use.part_id] += 1
    findings.faults += _alike(own.faults)
    if day is not None:
        findings.notices += aside.words(until, vans, day.parts)
        if rows is not None and not findings.faults and not any(worked.values()):
            Row(file=LOG, line=None, cells={}, findings=findings).refuse(
                None,
                "no visit of any van of vans.toml",
                f"at least one, not later than {until}",
            )
    return History(
        until=until,
        worked={van_id: tuple(sorted(dates)) for van_id, dates in worked.items()},
        uses=tuple(uses),
    )


def _drivers(day: Day) -> dict[str, str]:
    """Return the van of every driver who has one of their own."""
    names = Counter(van.driver for van in day.vans)
    return {van.driver: van.id for van in day.vans if names[van.driver] == 1}


def _alike(faults: Iterable[Fault]) -> list[Fault]:
    """Return the first faults of each column, and one that counts the others.

    A log of another format is wrong in every line: nobody reads thousands of faults.
    """
    kept: dict[str | None, list[Fault]] = {}
    for fault in faults:
        kept.setdefault(fault.column, []).append(fault)
    found = []
    for column, alike in kept.items():
        found += alike[:MOST_ALIKE]
        if len(alike) > MOST_ALIKE:
            found.append(
                Fault(
                    file=LOG,
                    row=alike[MOST_ALIKE].row,
                    column=column,
                    got=f"{len(alike) - MOST_ALIKE} more such lines, from here on",
                    expected=alike[MOST_ALIKE].expected,
                )
            )
    return found


class _Aside:
    """Counts what was set aside."""

    def __init__(self) -> None:
        self.vans: Counter[str] = Counter()
        self.parts: Counter[str] = Counter()
        self.later = 0

    def words(
        self, until: date, vans: Iterable[str], parts: Iterable[str]
    ) -> list[str]:
        """Return a notice for each sort of thing."""
        said = []
        if self.vans:
            said.append(
                f"{LOG}: {_rows(self.vans.total())} of vans that vans.toml does not "
                f"have set aside: {_named(self.vans, vans)}. Where their calls are now "
                "another van's, put its id there"
            )
        if self.later:
            said.append(f"{LOG}: {_rows(self.later)} later than {until} set aside")
        if self.parts:
            said.append(
                f"{LOG}: {self.parts.total()} uses of parts that parts.csv does not "
                f"have set aside: {_named(self.parts, parts)}"
            )
        return said


def _rows(number: int) -> str:
    return f"{number} {'row' if number == 1 else 'rows'}"


def _named(counts: Counter[str], known: Iterable[str]) -> str:
    named = [
        f"{shown(name)} ({times}{cells.nearest(name, known)})"
        for name, times in counts.most_common(FEW)
    ]
    more = len(counts) - len(named)
    return ", ".join(named) + (f" and {more} more" if more else "")


def _pieces(text: str) -> Listed:
    found = []
    for entry in cells.words(text):
        part_id, quantity = cells.pieces(entry)
        if cells.a_part_id(part_id) and quantity > MOST_A_VISIT:
            raise Refused(
                f"at most {MOST_A_VISIT} pieces of one part in one visit, as in "
                "FOB-31 x2 | CELL-20"
            )
        found.append((part_id, quantity))
    return tuple(found)


# --- shelves.toml ------------------------------------------------------------


def _read_rules(folder: Path, day: Day | None, findings: Findings) -> Rules:
    usual = Rules() if day is None else Rules(level=day.service_level)
    tree = read_tree(folder / SHELVES, findings, why="")
    if tree is None:
        return usual
    row = tree.row(_KEYS, ("van", "part"))
    space, load_days = _read_vans(tree, day)
    sizes, lost = _read_parts(tree, day)
    every = row.read("load_days", _whole(1, MOST_LOAD_DAYS, "worked days"), None)
    if every is not None and day is not None:
        load_days = {van.id: every for van in day.vans} | load_days
    days = _whole(1, MOST_DAYS, "days")
    return replace(
        usual,
        level=row.read("service_level", _level, usual.level),
        cents=row.read("money", cells.money, None),
        lost_call_cents=row.read("lost_call", cells.money, usual.lost_call_cents),
        holding_rate=row.read("holding_rate", cells.share, usual.holding_rate),
        lead_s=row.read("lead_h", cells.lead, usual.lead_s),
        dead_days=row.read("dead_days", days, usual.dead_days),
        half_life_days=row.read("half_life_days", days, usual.half_life_days),
        space=space,
        sizes=sizes,
        lost_cents_of=lost,
        load_days=load_days,
    )


def _read_vans(tree: Tree, day: Day | None) -> tuple[dict[str, int], dict[str, int]]:
    """Return each van's room and worked days between two loadings, where given."""
    space: dict[str, int] = {}
    load_days: dict[str, int] = {}
    known = None if day is None else {van.id for van in day.vans}
    for van_id, row in _tables(tree, "van", ("space", "load_days"), known):
        room = row.read("space", cells.count, None)
        days = row.read("load_days", _whole(1, MOST_LOAD_DAYS, "worked days"), None)
        if room is not None:
            space[van_id] = room
        if days is not None:
            load_days[van_id] = days
    return space, load_days


def _read_parts(tree: Tree, day: Day | None) -> tuple[dict[str, int], dict[str, int]]:
    """Return what a piece of each part fills, and its lost calls' cost, where given."""
    known = None
    if day is not None:
        known = {part.id for part in day.parts.values() if not part.components}
    sizes: dict[str, int] = {}
    lost: dict[str, int] = {}
    for part_id, row in _tables(tree, "part", ("size", "lost_call"), known):
        size = row.read("size", _whole(0, MOST_SIZE, "units of the shelf"), None)
        cents = row.read("lost_call", cells.money, None)
        if size is not None:
            sizes[part_id] = size
        if cents is not None:
            lost[part_id] = cents
    return sizes, lost


def _tables(
    tree: Tree, key: str, keys: tuple[str, ...], known: set[str] | None
) -> Iterable[tuple[str, Row]]:
    """Yield the tables of one sort with their ids, each once."""
    seen: set[str] = set()
    what = f"the id of a {key} of this folder" + (", no kit" if key == "part" else "")
    for table in tree.tables(key):
        row = table.row(("id", *keys))
        parse = cells.an_id if known is None else cells.one_of(sorted(known), what)
        named = row.demand("id", parse, "")
        if named in seen and named:
            row.refuse("id", shown(named), "each id once")
        seen.add(named)
        yield named, row


def _level(text: str) -> float | None:
    if text.casefold() == WORTH_IT:
        return None
    try:
        level = cells.share(text)
    except Refused:
        level = 0.0
    if not 0 < level < 1:
        raise Refused(
            f"a chance between 0 and 1, such as 0.95, or '{WORTH_IT}'"
        ) from None
    return level


def _whole(low: int, high: int, what: str) -> Callable[[str], int]:
    parse_amount = cells.amount(low, high, f"a whole number of {what}")

    def parse(text: str) -> int:
        number = parse_amount(text)
        if number != int(number):
            raise Refused(f"a whole number of {what} from {low} to {high}")
        return int(number)

    return parse
