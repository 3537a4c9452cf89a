"""Options for urgent calls that were taken on the command line.

They stand beside the table of facts they go with: ``facts.taken.json`` beside
``facts.csv``. The table says that a call came in; with which plan the day goes on from
there, no table can hold.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from api.records import from_text, to_text
from dispatch.difference import told_window
from dispatch.live import Take, agreed_limits, booked
from dispatch.report import write_files
from dispatch.scenario import add_facts
from dispatch.scenario.facts import Happened
from dispatch.urgent import Option, Options
from shared.errors import Conflict, Fault, InvalidInput
from shared.facts import Fact, FactKind, in_order
from shared.model import Call, Day


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """All that was taken on a day.

    Parameters
    ----------
    takes : tuple of Take
        In the order in which they were taken.
    """

    takes: tuple[Take, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What was asked about on a running day, and what came of it.

    Parameters
    ----------
    day : Day
        As it was planned.
    table : Path
        The table of facts.
    read : bytes
        What stood in it when it was read.
    happened : Happened
        The same as facts.
    call : Call
        The urgent call.
    at_s : int
        When it was asked about.
    found : Options
        What can be done.
    """

    day: Day
    table: Path
    read: bytes
    happened: Happened
    call: Call
    at_s: int
    found: Options


def file_of(table: Path) -> Path:
    """Return where the options taken beside a table of facts stand.

    Parameters
    ----------
    table : Path
        The table.

    Returns
    -------
    Path
        ``facts.taken.json`` for ``facts.csv``.
    """
    return table.with_suffix(".taken.json")


def read_taken(table: Path) -> tuple[Take, ...]:
    """Return the options that were taken beside a table of facts.

    Parameters
    ----------
    table : Path
        The table.

    Returns
    -------
    tuple of Take
        None where none was.

    Raises
    ------
    InvalidInput
        When the file is not what :func:`take` writes.
    """
    path = file_of(table)
    try:
        text = path.read_bytes()
    except FileNotFoundError:
        return ()
    try:
        return from_text(Taken, text).takes
    except InvalidInput as error:
        got = f"what keyround has not written ({error.faults[0].expected})"
        expected = "the file as it was written; without it the day is played without"
        fault = Fault(file=path.name, got=got, expected=f"{expected} what was taken")
        raise InvalidInput([fault]) from None


def take(asked: Asked, number: int) -> bool:
    """Write down that an option is taken: the facts, and the plan then in force.

    Parameters
    ----------
    asked : Asked
        What was asked, and what came of it.
    number : int
        Which option, as they are numbered on the screen: from 1.

    Returns
    -------
    bool
        Whether anything was written: not where the option was taken already.

    Raises
    ------
    Conflict
        When somebody else has written into the table meanwhile.
    InvalidInput
        With all that stands in the way; then nothing is written.
    """
    takes, call_id = read_taken(asked.table), asked.call.id
    came = any(f.call and f.call.id == call_id for f in asked.happened.facts)
    # What was taken for a call that has not come in counts no more.
    known = next((one for one in takes if came and one.call_id == call_id), None)
    option = asked.found.options[number - 1] if _is_one(asked, number) else None
    made = None if option is None else _take_of(asked, option)
    more = () if option is None else _new_facts(asked, option)
    if option is not None and known == made and not more:
        return False
    faults = [*_number_faults(asked, number), *_time_faults(asked)]
    if known is not None and made is not None and known != made:
        got = f"another option for {call_id}, taken at {_clock(asked, known)}"
        expected = f"that option again, or no line about {call_id} in the facts"
        faults.append(Fault(file=file_of(asked.table).name, got=got, expected=expected))
    table = asked.read
    try:
        table = add_facts(asked.table, asked.day, more) if more else table
    except InvalidInput as error:
        faults += error.faults
    if faults or option is None or made is None:
        raise InvalidInput(faults)
    if asked.table.read_bytes() != asked.read:
        raise Conflict(f"{asked.table.name} has changed meanwhile: ask again")
    others = (one for one in takes if one.call_id != call_id)
    both = Taken(takes=(*others, made))
    # The plan first: it counts only once the table says that the call came in.
    files = {file_of(asked.table).name: to_text(both).encode() + b"\n"}
    if more:
        files[asked.table.name] = table
    write_files(files, asked.table.parent)
    return True


def _is_one(asked: Asked, number: int) -> bool:
    options = asked.found.options
    return number <= len(options) and options[number - 1].van_id is not None


def _number_faults(asked: Asked, number: int) -> Sequence[Fault]:
    if _is_one(asked, number):
        return ()
    numbers = [
        str(row)
        for row, option in enumerate(asked.found.options, 1)
        if option.van_id is not None
    ]
    which = ", ".join(numbers) or "none: no van can take it"
    expected = f"an option with a van ({which}); the others change nothing"
    return (Fault(file="--take", got=str(number), expected=expected),)


def _time_faults(asked: Asked) -> Sequence[Fault]:
    """Refuse what goes against facts that are known."""
    clock, faults = asked.day.clock, []
    now = clock.hhmm(asked.at_s)
    came = [f for f in asked.happened.facts if f.call and f.call.id == asked.call.id]
    if came and came[0].at_s != asked.at_s:
        expected = f"{clock.hhmm(came[0].at_s)}, when {asked.call.id} came in"
        faults.append(Fault(file="--at", got=now, expected=expected))
    later = [fact for fact in asked.happened.facts if fact.at_s > asked.at_s]
    if later:
        first = in_order(later)[0]
        got = f"fact {first.id} of {clock.hhmm(first.at_s)}"
        if len(later) > 1:
            got += f" and {len(later) - 1} more"
        expected = f"nothing later than {now}: what is taken counts from then on"
        faults.append(Fault(file=asked.table.name, got=got, expected=expected))
    return faults


def _take_of(asked: Asked, option: Option) -> Take:
    return Take(
        call_id=asked.call.id,
        at_s=asked.at_s,
        plan=option.plan,
        limits=agreed_limits(asked.day, option),
    )


def _clock(asked: Asked, known: Take) -> str:
    return asked.day.clock.hhmm(known.at_s)


def _new_facts(asked: Asked, option: Option) -> tuple[Fact, ...]:
    """Return what the table does not say yet: the call, and what the caller is told."""
    call, facts = asked.call, asked.happened.facts
    ids = {fact.id for fact in facts}
    found = []
    if not any(fact.call is not None and fact.call.id == call.id for fact in facts):
        came = booked(call, asked.at_s)
        found.append(_with_new_id(came, ids))
    told = any(f.kind is FactKind.TOLD and f.call_id == call.id for f in facts)
    if call.promise is None and not told and option.arrive_s is not None:
        found.append(
            _with_new_id(
                Fact(
                    id=f"{call.id}:told",
                    kind=FactKind.TOLD,
                    at_s=asked.at_s,
                    call_id=call.id,
                    window=told_window(asked.day, call, option.arrive_s),
                ),
                ids,
            )
        )
    return tuple(found)


def _with_new_id(fact: Fact, ids: set[str]) -> Fact:
    name, number = fact.id, 2
    while name in ids:
        name, number = f"{fact.id}-{number}", number + 1
    return replace(fact, id=name)
