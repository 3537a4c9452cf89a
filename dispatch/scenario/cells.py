"""What a cell means: text to value, or the words for what would have been right."""

import re
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import date, datetime
from decimal import Decimal
from difflib import get_close_matches
from itertools import pairwise
from zoneinfo import ZoneInfo, available_timezones

from shared.model import Need, Part, ReadyItem, ReadyState, Window
from shared.units import DayClock

_NUMBER = re.compile(r"[+-]?[0-9]{1,15}(?:[.,][0-9]{1,17})?")  # 17: any float
_GROUPED = re.compile(r"[+-]?0*[1-9][0-9]{0,2}[.,][0-9]{3}")
_QUANTITY = re.compile(r"(.*?)\s+x\s*([0-9]{1,9})", re.DOTALL)
_TELEPHONE = re.compile(r"\+?[0-9](?:[0-9 ]{0,18}[0-9])")
_ONLY = re.compile(r"(.*?)\s+only", re.DOTALL)
_OR = re.compile(r"\s+or\s+")
_DASH = re.compile(r"\s*(?:-|\u2013|\u2014|\bto\b)\s*")  # hyphen, en dash, em dash
_FORBIDDEN_IN_ID = re.compile(r'[|/\\<>"?*\x00-\x1f\x7f]')
_HALF_DAY = re.compile(r"[0-9]\s*[ap]\.?\s?m\b", re.IGNORECASE)
_LEVEL = re.compile(r"(.*[^_])_([0-9]{1,2})")  # a year or a standard is no level
_WAIVED = re.compile(r"waived\s+by\s+(.+)", re.IGNORECASE | re.DOTALL)

_MOMENT = "a moment such as 2026-12-02 18:00, or 06:30"

LONGEST_ID = 64
LONGEST_NIGHT_S = 16 * 3600  # 22:00-06:00 means the next morning, 16:00-13:00 not
FEW = 8  # words that are listed when none is near
MOST_PIECES = 1_000_000
MOST_MONEY = Decimal(1_000_000)
MOST_MINUTES = 24 * 60
MOST_LEAD_H = 366 * 24
MOST_DAYS = 7
MOST_LEVEL = 9
LEAST_PACE, MOST_PACE = Decimal("0.25"), Decimal(4)
FIRST_YEAR, LAST_YEAR = 1970, 2199


class Refused(ValueError):  # noqa: N818 - the house's words
    """A cell is wrong; the message says what would be right."""


def nearest(word: str, known: Iterable[str]) -> str:
    """Return ", did you mean 'x'?" for the nearest known word, or nothing.

    Parameters
    ----------
    word : str
        What stands there.
    known : iterable of str
        What could stand there.

    Returns
    -------
    str
        The question, or an empty string.
    """
    folded = {name.casefold(): name for name in known}
    close = get_close_matches(word.casefold()[:LONGEST_ID], folded, n=1, cutoff=0.55)
    return f"; did you mean '{folded[close[0]]}'?" if close else ""


def telephone(text: str) -> str:
    """Return a telephone number, as it is rung.

    Parameters
    ----------
    text : str
        Digits; spaces between them, '+' before them.

    Returns
    -------
    str
        The same.

    Raises
    ------
    Refused
        When it is none.
    """
    if not _TELEPHONE.fullmatch(text):
        raise Refused('a telephone number in quotes, such as "112"')
    return text


def one_of(known: Iterable[str], what: str) -> Callable[[str], str]:
    """Return a parser for one word of a list.

    Parameters
    ----------
    known : iterable of str
        The words.
    what : str
        What they are, for the message.

    Returns
    -------
    callable
        From text to the word.
    """
    words = dict.fromkeys(known)  # in order, and quick to look up

    def parse(text: str) -> str:
        if text in words:
            return text
        hint = nearest(text, words)
        if not hint and len(words) <= FEW and not all(word in what for word in words):
            hint = f" ({', '.join(words)})"
        raise Refused(f"{what}{hint}")

    return parse


def an_id(text: str) -> str:
    """Return an id: short, and usable as a file name.

    Parameters
    ----------
    text : str
        The cell.

    Returns
    -------
    str
        The same.
    """
    if not text or len(text) > LONGEST_ID or _FORBIDDEN_IN_ID.search(text):
        raise Refused(
            f'an id of 1 to {LONGEST_ID} characters without | / \\ < > " ? * or '
            "line breaks"
        )
    if text.startswith("."):
        raise Refused("an id that does not start with a full stop")
    return text


def a_part_id(text: str) -> str:
    """Return a part's id: one word, so that needs can be read.

    Parameters
    ----------
    text : str
        The cell.

    Returns
    -------
    str
        The same.
    """
    an_id(text)
    if re.search(r"\s", text) or text in {"or", "only"}:
        raise Refused("a part id without spaces, and not the word 'or' or 'only'")
    return text


def decimal(text: str) -> Decimal:
    """Return a number written with ``.`` or ``,`` before its decimals.

    Parameters
    ----------
    text : str
        The cell; separators of thousands are refused.

    Returns
    -------
    Decimal
        Exact.
    """
    if not _NUMBER.fullmatch(text):
        raise Refused(
            "a plain number such as 12.5 or 12,5 (no thousands separators, no units)"
        )
    return Decimal(text.replace(",", "."))


def amount(
    low: Decimal | int, high: Decimal | int, what: str
) -> Callable[[str], Decimal]:
    """Return a parser for a number in a range, refusing ``1.234`` as ambiguous.

    Parameters
    ----------
    low, high : Decimal or int
        The range, both ends included.
    what : str
        What it is, for the message.

    Returns
    -------
    callable
        From text to Decimal.
    """

    def parse(text: str) -> Decimal:
        number = decimal(text)
        if _GROUPED.fullmatch(text):
            raise Refused(
                f"{what}; {text} is ambiguous: it could mean "
                f"{re.sub('[.,]', '', text)} or {text[:-1]}"
            )
        if not low <= number <= high:
            raise Refused(f"{what} from {low} to {high}")
        return number

    return parse


def money(text: str) -> int:
    """Return an amount of money as cents.

    Parameters
    ----------
    text : str
        At most two decimals.

    Returns
    -------
    int
        Cents, 0 to 100 million.
    """
    number = amount(0, MOST_MONEY, "an amount of money such as 4.50")(text)
    if number * 100 != int(number * 100):
        raise Refused("an amount of money with at most two decimals, such as 4.50")
    return int(number * 100)


def count(text: str) -> int:
    """Return a number of pieces.

    Parameters
    ----------
    text : str
        A whole number; ``2.0`` passes, as spreadsheets write it.

    Returns
    -------
    int
        0 to 1 million.
    """
    number = amount(0, MOST_PIECES, "a whole number of pieces")(text)
    if number != int(number):
        raise Refused(f"a whole number of pieces from 0 to {MOST_PIECES}")
    return int(number)


def seconds(unit_s: int, high: int, what: str) -> Callable[[str], int]:
    """Return a parser for a duration.

    Parameters
    ----------
    unit_s : int
        Seconds of one unit: 60 or 3600.
    high : int
        Most units.
    what : str
        What it is, for the message.

    Returns
    -------
    callable
        From text to whole seconds.
    """
    parse_amount = amount(0, high, what)

    def parse(text: str) -> int:
        return round(parse_amount(text) * unit_s)

    return parse


lead = seconds(3600, MOST_LEAD_H, "hours")
duration = seconds(60, MOST_MINUTES, "minutes")


def visit_length(text: str) -> int:
    """Return the length of a visit.

    Parameters
    ----------
    text : str
        Minutes, more than 0.

    Returns
    -------
    int
        Seconds.
    """
    length_s = duration(text)
    if length_s <= 0:
        raise Refused(f"minutes, more than 0 and at most {MOST_MINUTES}")
    return length_s


def limit(text: str) -> int:
    """Return the most hours that a day may hold of something.

    Parameters
    ----------
    text : str
        Hours, more than 0.

    Returns
    -------
    int
        Seconds.
    """
    limit_s = seconds(3600, 24, "hours")(text)
    if limit_s <= 0:
        raise Refused("hours, more than 0 and at most 24")
    return limit_s


def days(text: str) -> int:
    """Return how many days are planned.

    Parameters
    ----------
    text : str
        1 to 7.

    Returns
    -------
    int
        The same.
    """
    if not re.fullmatch(f"[1-{MOST_DAYS}]", text):
        raise Refused(f"a whole number of days from 1 to {MOST_DAYS}")
    return int(text)


def percent(text: str) -> int:
    """Return a wished share.

    Parameters
    ----------
    text : str
        1 to 99.

    Returns
    -------
    int
        The same.
    """
    if not re.fullmatch("[1-9][0-9]?", text):
        raise Refused("a whole number of percent from 1 to 99, such as 90")
    return int(text)


def pace(text: str) -> float:
    """Return a driver's pace.

    Parameters
    ----------
    text : str
        A share of the usual length of a visit.

    Returns
    -------
    float
        0.25 to 4.
    """
    number = decimal(text)
    if not LEAST_PACE <= number <= MOST_PACE:
        raise Refused(
            f"a share of the usual length from {LEAST_PACE} to {MOST_PACE}: below 1 is "
            "quicker, above 1 slower"
        )
    return float(number)


def share(text: str) -> float:
    """Return a share, written as 0.05 or 5%.

    Parameters
    ----------
    text : str
        The cell.

    Returns
    -------
    float
        0 to 1.
    """
    number = decimal(text.removesuffix("%").rstrip())
    if text.endswith("%"):
        number /= 100
    if not 0 <= number <= 1:
        raise Refused("a share from 0 to 1, or 0% to 100%")
    return float(number)


def spoil(text: str) -> float:
    """Return a spoil rate.

    Parameters
    ----------
    text : str
        A share below 1.

    Returns
    -------
    float
        0 <= rate < 1.
    """
    rate = share(text)
    if rate >= 1:
        raise Refused("a share below 1: not every piece can be spoiled")
    return rate


def degrees(limit: int, what: str) -> Callable[[str], float]:
    """Return a parser for a coordinate.

    Parameters
    ----------
    limit : int
        90 or 180.
    what : str
        'latitude' or 'longitude'.

    Returns
    -------
    callable
        From text to degrees.
    """

    def parse(text: str) -> float:
        try:
            number = decimal(text)
        except Refused:
            number = Decimal(limit + 1)
        if not -limit <= number <= limit:
            raise Refused(
                f"a {what} in decimal degrees from -{limit} to {limit}, such as 50.1234"
            )
        return float(number)

    return parse


def yes_no(text: str) -> bool:
    """Return yes or no.

    Parameters
    ----------
    text : str
        The cell.

    Returns
    -------
    bool
        The answer.
    """
    answer = {"true": True, "yes": True, "1": True} | dict.fromkeys(
        ("false", "no", "0"), False
    )
    if text.lower() not in answer:
        raise Refused("true or false")
    return answer[text.lower()]


def words(text: str) -> tuple[str, ...]:
    """Return the words of a list cell, separated by ``|``.

    Parameters
    ----------
    text : str
        The cell.

    Returns
    -------
    tuple of str
        Without empty ones.
    """
    return tuple(word for part in text.split("|") if (word := part.strip()))


def term(text: str) -> str:
    """Return a term of the trade as the tables write it.

    Parameters
    ----------
    text : str
        As a person writes it: ``Key programming``.

    Returns
    -------
    str
        ``key_programming``.
    """
    return "_".join(text.lower().replace("-", " ").split())


def terms(text: str) -> frozenset[str]:
    """Return the terms of a list cell, separated by ``|``.

    Parameters
    ----------
    text : str
        The cell.

    Returns
    -------
    frozenset of str
        As the tables write them.
    """
    return frozenset(term(word) for word in words(text))


def _skill(text: str) -> str:
    """Return a skill as the tables write it, its level behind a space."""
    word = term(text)
    levelled = _LEVEL.fullmatch(word)
    if levelled is None:
        return word
    level = int(levelled[2])
    if not 1 <= level <= MOST_LEVEL:
        raise Refused(
            f"skills whose levels are 1 to {MOST_LEVEL}, such as 'pinning 3'; "
            f"'{text[:LONGEST_ID]}' is not"
        )
    return levelled[1] if level == 1 else f"{levelled[1]} {level}"


def skills(text: str) -> frozenset[str]:
    """Return the skills that a call asks for, each at its level.

    Parameters
    ----------
    text : str
        ``school clearance | pinning 2``.

    Returns
    -------
    frozenset of str
        As the tables write them; the bare word is level 1.
    """
    return frozenset(_skill(word) for word in words(text))


def mastery(text: str) -> frozenset[str]:
    """Return the skills that a driver has, with all levels below.

    Parameters
    ----------
    text : str
        ``school clearance | pinning 3``.

    Returns
    -------
    frozenset of str
        With ``pinning``, ``pinning 2`` and ``pinning 3``.
    """
    found = set(skills(text))
    for word in tuple(found):
        name, level = level_of(word)
        found.add(name)
        found.update(f"{name} {lower}" for lower in range(2, level))
    return frozenset(found)


def level_of(skill: str) -> tuple[str, int]:
    """Return a skill's bare word and its level.

    Parameters
    ----------
    skill : str
        As the tables write it: ``pinning 3``.

    Returns
    -------
    tuple of str and int
        ``pinning`` and 3.
    """
    name, space, level = skill.rpartition(" ")
    return (name, int(level)) if space and level.isdecimal() else (skill, 1)


def priority(text: str) -> int:
    """Return a priority.

    Parameters
    ----------
    text : str
        1 (first) to 4.

    Returns
    -------
    int
        The same.
    """
    if text not in {"1", "2", "3", "4", "1.0", "2.0", "3.0", "4.0"}:
        raise Refused("a priority: 1 (first), 2, 3 or 4")
    return int(text[0])


def calendar_day(text: str) -> date:
    """Return a date.

    Parameters
    ----------
    text : str
        As 2026-12-03.

    Returns
    -------
    date
        The day.
    """
    try:
        day = date.fromisoformat(text)
    except ValueError:
        day = date.min
    if len(text) != len("2026-12-03") or not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise Refused(
            f"a date such as 2026-12-03, from {FIRST_YEAR} to {LAST_YEAR}"
        ) from None
    return day


def calendar_days(text: str) -> tuple[date, ...]:
    """Return the dates of a list cell, separated by ``|``.

    Parameters
    ----------
    text : str
        As 2026-12-03 | 2026-12-04.

    Returns
    -------
    tuple of date
        In order, each once.
    """
    return tuple(sorted({calendar_day(word) for word in words(text)}))


def time_zone(text: str) -> ZoneInfo:
    """Return a time zone.

    Parameters
    ----------
    text : str
        A name of the IANA database.

    Returns
    -------
    ZoneInfo
        The zone.
    """
    try:
        return ZoneInfo(text)
    except (KeyError, ValueError, OSError):  # no such zone, or no name at all
        names = available_timezones()
        city = {name.rsplit("/", 1)[-1].casefold(): name for name in sorted(names)}
        guess = city.get(text.casefold().replace(" ", "_"))
        hint = f"; did you mean '{guess}'?" if guess else nearest(text, names)
        raise Refused(f"a time zone such as Europe/Berlin{hint}") from None


def clock_time(clock: DayClock) -> Callable[[str], int]:
    """Return a parser for local clock times.

    Parameters
    ----------
    clock : DayClock
        The day's clock.

    Returns
    -------
    callable
        From text to seconds since midnight.
    """

    def parse(text: str) -> int:
        try:
            return clock.seconds(text)
        except (ValueError, OverflowError) as error:
            if "does not exist" in str(error):
                raise Refused(
                    f"a clock time that exists on {clock.day}: on that day the clock "
                    f"jumps over {text}"
                ) from None
            if _HALF_DAY.search(text):
                raise Refused("the 24-hour clock: 13:00 for 1 PM") from None
            raise Refused(
                "a local clock time such as 08:30 (hours 24 to 47 are the next day's)"
            ) from None

    return parse


def planned_at(clock: DayClock) -> Callable[[str], int]:
    """Return a parser for the moment the evening's work is done.

    Parameters
    ----------
    clock : DayClock
        The day's clock.

    Returns
    -------
    callable
        From ``2026-12-02 18:00`` or ``06:30`` to seconds since the day's midnight.
    """

    def parse(text: str) -> int:
        day, _, time = text.replace("T", " ").rpartition(" ")
        if not day:
            try:
                return clock_time(clock)(time)
            except Refused:
                raise Refused(_MOMENT) from None
        try:
            evening = DayClock(calendar_day(day.strip()), clock.zone)
        except Refused:
            raise Refused(_MOMENT) from None
        apart = evening.midnight() - clock.midnight()
        if not -366 <= apart.days <= 2:  # noqa: PLR2004 - a year before, a day after
            raise Refused("a moment at most a year before the day")
        return round(apart.total_seconds()) + clock_time(evening)(time)

    return parse


def window(clock: DayClock) -> Callable[[str], Window]:
    """Return a parser for a window.

    Parameters
    ----------
    clock : DayClock
        The day's clock.

    Returns
    -------
    callable
        From ``08:00-10:00`` to Window.
    """
    parse_time = clock_time(clock)

    def parse(text: str) -> Window:
        ends = _DASH.split(text.strip())
        if len(ends) != 2:  # noqa: PLR2004 - a start and an end
            raise Refused("a window such as 08:00-10:00")
        start_s, end_s = parse_time(ends[0]), parse_time(ends[1])
        if end_s < start_s:
            hour, rest = re.split("(?=[:.])", ends[1], maxsplit=1)
            night = end_s + 24 * 3600 - start_s <= LONGEST_NIGHT_S
            hint = f"; past midnight write {ends[0]}-{int(hour) + 24}{rest}"
            raise Refused(f"a window that ends after it starts{hint if night else ''}")
        return Window(start_s=start_s, end_s=end_s)

    return parse


def windows(clock: DayClock) -> Callable[[str], tuple[Window, ...]]:
    """Return a parser for several windows.

    Parameters
    ----------
    clock : DayClock
        The day's clock.

    Returns
    -------
    callable
        From ``08:00-10:00 | 13:00-17:00`` to windows, sorted.
    """
    parse_window = window(clock)

    def parse(text: str) -> tuple[Window, ...]:
        if "|" not in text and len(_DASH.split(text)) > 2:  # noqa: PLR2004 - one window
            raise Refused("windows such as 08:00-10:00 | 13:00-17:00, with | between")
        found = sorted(
            (parse_window(word) for word in words(text)),
            key=lambda span: (span.start_s, span.end_s),
        )
        for earlier, later in pairwise(found):
            if later.start_s < earlier.end_s:
                raise Refused("windows that do not overlap")
        return tuple(found)

    return parse


def pieces(text: str) -> tuple[str, int]:
    """Return what stands before and after the ``x`` of ``BLANK-4 x2``.

    Parameters
    ----------
    text : str
        One entry of a list of parts.

    Returns
    -------
    tuple of str and int
        The words, and how many (1 when nothing is said).
    """
    match = _QUANTITY.fullmatch(text)
    if match is None:
        return text, 1
    quantity = int(match[2])
    if not 1 <= quantity <= MOST_PIECES:
        raise Refused(f"a quantity from 1 to {MOST_PIECES}, such as BLANK-4 x2")
    return match[1], quantity


def known_parts(ids: Iterable[str], known: Iterable[str]) -> None:
    """Refuse part ids that ``parts.csv`` does not list, all at once.

    Parameters
    ----------
    ids : iterable of str
        What a cell names.
    known : iterable of str
        All ids.
    """
    listed = frozenset(known)
    unknown = [word for word in dict.fromkeys(ids) if word not in listed]
    if unknown:
        raise Refused(
            "parts of parts.csv, such as 'A or B x2 | C'; it has no "
            + ", no ".join(
                f"'{word[:LONGEST_ID]}'{nearest(word, listed)}" for word in unknown
            )
        )


def needs(parts: dict[str, Part]) -> Callable[[str], tuple[Need, ...]]:
    """Return a parser for what a call uses up.

    Parameters
    ----------
    parts : dict of str to Part
        The parts of the day.

    Returns
    -------
    callable
        From ``FOB-A or FOB-B x2 | CELL`` to needs. A part that stands alone may be
        replaced by its own substitutes, unless ``only`` follows it.
    """

    def parse(text: str) -> tuple[Need, ...]:
        named: list[tuple[list[str], int, bool]] = []
        for entry in words(text):
            said, quantity = pieces(entry)
            alone = _ONLY.fullmatch(said)
            ids = _OR.split(alone[1] if alone else said)
            named.append((ids, quantity, alone is not None))
        known_parts((word for ids, _, _ in named for word in ids), parts)
        found = []
        for ids, quantity, only in named:
            own = parts[ids[0]].substitutes if len(ids) == 1 and not only else ()
            found.append(
                Need(alternatives=tuple(dict.fromkeys((*ids, *own))), quantity=quantity)
            )
        return tuple(found)

    return parse


def ready(usual: ReadyItem) -> Callable[[str], ReadyItem | None]:
    """Return a parser for the state of a ready item.

    Parameters
    ----------
    usual : ReadyItem
        The item as the trade table has it.

    Returns
    -------
    callable
        From ``open``, ``done``, ``waived by NAME`` to the item, from
        ``not needed`` to None.
    """

    def parse(text: str) -> ReadyItem | None:
        said = " ".join(text.lower().split())
        if said in {"open", "done"}:
            return replace(usual, state=ReadyState(said))
        if said in {"not needed", "none", "no"}:
            return None
        waived = _WAIVED.fullmatch(text)
        if waived is None:
            raise Refused(
                "open, done, 'waived by NAME', 'not needed', or nothing (what the "
                "kind of work asks for)"
            )
        return replace(usual, state=ReadyState.WAIVED, waived_by=waived[1].strip())

    return parse


def stamp(clock: DayClock, time_s: int) -> datetime:
    """Return the local wall-clock time of a second of the day.

    Parameters
    ----------
    clock : DayClock
        The day's clock.
    time_s : int
        Seconds since midnight.

    Returns
    -------
    datetime.datetime
        Without a zone.
    """
    return clock.instant(time_s).replace(tzinfo=None)
