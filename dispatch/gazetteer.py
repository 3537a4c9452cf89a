"""Find typed addresses in a list of places, without any server.

An address is compared as people mean it: case, accents, punctuation, common
abbreviations and where the house number stands make no difference. What is typed has
to be accounted for to the last word before a match counts as sure; everything else (a
number that is not listed, a town that does not fit, a typing error that could be
another street) is a candidate to ask back about.
"""

import csv
import io
import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple

from shared.model import Place

CANDIDATES = 5  # that somebody is asked to choose from; own choice
SHORTEST = 5  # letters of a name in which a typing error is looked for; own choice
LONG = 12  # letters of a name in which two typing errors are still one name; own choice

_WORD = re.compile(r"[^\W_]+(?:[-/][0-9]+[a-z]?)*")
_NUMBER = re.compile(r"([0-9]{1,4})([a-z]?)(?:[-/][0-9]+[a-z]?)*")
_SHORT = {
    "street": "st",
    "strasse": "st",
    "str": "st",
    "saint": "st",
    "sankt": "st",
    "road": "rd",
    "avenue": "ave",
    "av": "ave",
    "lane": "ln",
    "drive": "dr",
    "square": "sq",
    "court": "ct",
    "place": "pl",
    "platz": "pl",
    "close": "cl",
    "crescent": "cres",
    "terrace": "ter",
    "gardens": "gdns",
    "boulevard": "blvd",
    "highway": "hwy",
    "mount": "mt",
    "north": "n",
    "south": "s",
    "east": "e",
    "west": "w",
}
"""Words as addresses shorten them: common practice, no source."""
_ENDS = (("strasse", "st"), ("str", "st"), ("platz", "pl"))
_INSIDE = frozenset(
    ("flat", "apt", "apartment", "unit", "suite", "floor", "room", "level", "door")
)
"""Words that, with the one behind them, say where in a house somebody is."""
_COMPASS = frozenset("nsew")


class Match(NamedTuple):
    """A place that an address may mean.

    Parameters
    ----------
    place : Place
        Where, under the name that the list or the server has for it.
    sure : bool
        Whether it may be planned with, if it is the only one.
    why : str
        Why it is not sure; or how what was typed was read.
    credit : str
        Whose data it is, as the licence wants it said.
    """

    place: Place
    sure: bool
    why: str = ""
    credit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A line of a gazetteer.

    Parameters
    ----------
    lat_deg, lon_deg : float
        Where.
    name : str
        Of a place that has one: a station, a farm. May be empty if there is a street.
    street, number, postcode, town : str
        Its address, as far as there is one.
    """

    lat_deg: float
    lon_deg: float
    name: str = ""
    street: str = ""
    number: str = ""
    postcode: str = ""
    town: str = ""

    @property
    def place(self) -> Place:
        """Return it as a place.

        Returns
        -------
        Place
            Named with all its parts.
        """
        street = " ".join(part for part in (self.number, self.street) if part)
        town = " ".join(part for part in (self.postcode, self.town) if part)
        name = ", ".join(part for part in (self.name, street, town) if part)
        return Place(lat_deg=self.lat_deg, lon_deg=self.lon_deg, name=name)


def address_words(text: str) -> list[str]:
    """Return the words of an address, each as all its ways of writing have it.

    Parameters
    ----------
    text : str
        As somebody typed it.

    Returns
    -------
    list of str
        Small letters without accents, shortened as addresses shorten them; a house
        number with its letter is one word.
    """
    found: list[str] = []
    for part in _plain(text).split(","):
        words = _WORD.findall(part)
        for row, word in enumerate(words):
            before = words[row - 1] if row else ""
            if (
                len(word) == 1
                and word.isalpha()
                and before.isdigit()
                and (row + 1 == len(words) or (row == 1 and word not in _COMPASS))
            ):
                found[-1] += word  # '12 a' is '12a'
            else:
                found.append(_shorten(word))
    return found


def address_key(text: str) -> str:
    """Return what two ways of writing one address have in common.

    Parameters
    ----------
    text : str
        As somebody typed it.

    Returns
    -------
    str
        Its words in their order, its house number last; empty where there are none.
    """
    words = address_words(text)
    return " ".join(sorted(words, key=lambda word: bool(_NUMBER.fullmatch(word))))


def pin_line(address: str, place: Place) -> str:
    """Return the line of ``pins.csv`` that says where an address is.

    Parameters
    ----------
    address : str
        As it was typed.
    place : Place
        Where it is.

    Returns
    -------
    str
        Without a line end.
    """
    out = io.StringIO()
    cells = (address, degrees_text(place.lat_deg), degrees_text(place.lon_deg))
    csv.writer(out, lineterminator="").writerow(cells)
    return out.getvalue()


def degrees_text(value: float) -> str:
    """Return a coordinate as a cell holds it.

    Parameters
    ----------
    value : float
        Degrees.

    Returns
    -------
    str
        To the centimetre, without an exponent.
    """
    return f"{value:.7f}".rstrip("0").rstrip(".")


def _plain(text: str) -> str:
    text = (
        text.replace("ß", "ss")
        .replace("ẞ", "ss")
        .replace("'", "")
        .replace("\u2019", "")
    )
    apart = unicodedata.normalize("NFKD", text.casefold())
    text = "".join(sign for sign in apart if not unicodedata.combining(sign))
    # Umlauts are also written with an e behind: both ways become one.
    return re.sub("([aou])e", r"\1", text)


def _shorten(word: str) -> str:
    if word in _SHORT_PLAIN:
        return _SHORT_PLAIN[word]
    for end, short in _ENDS:
        if word.endswith(end) and len(word) > len(end) + 1:
            return word.removesuffix(end) + short
    return word


_SHORT_PLAIN = {_plain(word): short for word, short in _SHORT.items()}


class _Asked(NamedTuple):
    """What was typed: house numbers, postcode, and the words of street and town."""

    numbers: list[str]
    postcode: str
    words: list[str]


@dataclass(slots=True, kw_only=True)
class _Street:
    """A street of one town, or a place with a name."""

    key: str
    town: str
    listed: dict[str, list[Entry]] = field(default_factory=dict)
    bare: list[Entry] = field(default_factory=list)  # without a number


class _Hit(NamedTuple):
    """A candidate, and how good it is: the smaller the better."""

    odd: int  # how much of what was typed it leaves open
    errors: int
    match: Match
    street: str


class Gazetteer:
    """Places by their addresses.

    Parameters
    ----------
    entries : iterable of Entry
        Any number; those with neither name nor street are never found.
    credit : str
        Whose data it is, as the licence wants it said.
    """

    def __init__(self, entries: Iterable[Entry], credit: str = "") -> None:
        self._credit = credit
        self._streets: dict[str, dict[str, _Street]] = {}
        self._postcodes: set[str] = set()
        for entry in entries:
            self._postcodes.add(_squash(entry.postcode))
            for name, number in ((entry.street, entry.number), (entry.name, "")):
                key = _squash(name)
                if key:
                    self._add(key, entry, _squash(number))
        self._postcodes.discard("")
        self._letters = [(key, _letters(key)) for key in self._streets]

    def _add(self, key: str, entry: Entry, number: str) -> None:
        town = _squash(entry.town)
        towns = self._streets.setdefault(key, {})
        street = towns.setdefault(town, _Street(key=key, town=town))
        if number:
            street.listed.setdefault(number, []).append(entry)
        else:
            street.bare.append(entry)

    def find(self, address: str) -> tuple[Match, ...]:
        """Return the places that an address may mean.

        Parameters
        ----------
        address : str
            As somebody typed it.

        Returns
        -------
        tuple of Match
            The sure ones where there are any (more than one: it means any of them),
            otherwise the likeliest candidates, the best first; none: not found.
        """
        asked = self._read(address)
        hits = list(self._hits(asked, errors=False))
        if not any(hit.match.sure for hit in hits):
            hits += self._hits(asked, errors=True)
        hits = _doubt(hits)
        sure = [hit for hit in hits if hit.match.sure]
        least = min((hit.errors for hit in sure), default=0)
        chosen = [hit for hit in sure if hit.errors == least] or sorted(
            hits, key=lambda hit: (hit.odd, hit.errors)
        )
        found: dict[Place, Match] = {}
        for hit in chosen:
            found.setdefault(hit.match.place, hit.match)
        return tuple(found.values())[:CANDIDATES]

    def _read(self, address: str) -> _Asked:
        words = _without_flat(address_words(address))
        postcode = ""
        for size in (2, 1):
            for row in range(len(words) - size + 1):
                joined = "".join(words[row : row + size])
                if not postcode and joined in self._postcodes:
                    postcode = joined
                    words[row : row + size] = []
        numbers = [word for word in words if _NUMBER.fullmatch(word)]
        return _Asked(
            numbers, postcode, [word for word in words if word not in numbers]
        )

    def _hits(self, asked: _Asked, *, errors: bool) -> Iterator[_Hit]:
        """Yield candidates: by names as they are typed, or by names much like them."""
        words = asked.words
        for first in range(len(words)):
            for end in range(first + 1, len(words) + 1):
                typed = "".join(words[first:end])
                rest = "".join((*words[:first], *words[end:]))
                near = self._near(typed) if errors else [(typed, 0)]
                for key, wrong in near:
                    for street in self._streets.get(key, {}).values():
                        alike = key[0] == typed[0]
                        yield from self._in_street(street, asked, (rest, alike), wrong)

    def _near(self, typed: str) -> Iterator[tuple[str, int]]:
        """Yield names that differ from what was typed by a typing error or two."""
        if len(typed) < SHORTEST:
            return
        most = _most_errors(typed)
        letters = _letters(typed)
        for key, others in self._letters:
            if (
                abs(len(key) - len(typed)) <= most
                and (letters ^ others).bit_count() <= 2 * most
                and key != typed
            ):
                wrong = _errors(typed, key, most)
                if wrong <= most:
                    yield key, wrong

    def _in_street(
        self, street: _Street, asked: _Asked, beside: tuple[str, bool], wrong: int
    ) -> Iterator[_Hit]:
        rest, alike = beside
        town_wrong = _town_errors(rest, street.town)
        odd, doubts = 0, []
        if town_wrong is None:
            odd, doubts = 4, ["not all that was typed fits it"]
        errors = wrong + (town_wrong or 0)
        checked = bool(asked.postcode) or (bool(rest) and town_wrong is not None)
        for entry, number_odd, why in _in_listed(street, asked.numbers):
            more = list(doubts)
            entry_odd = odd + number_odd
            if why:
                more.append(why)
            if asked.postcode and _squash(entry.postcode) != asked.postcode:
                more.append("its postcode is another one")
                entry_odd += 2
            read_as = entry.place
            if errors and not checked:
                more.append("it is written otherwise, and no town or postcode is given")
            elif errors > (1 if len(street.key) < LONG else 2) or not alike:
                more.append("it is written otherwise")
            said = f"read as {read_as.name}" if errors else ""
            yield _Hit(
                odd=entry_odd,
                errors=errors,
                match=Match(
                    place=read_as,
                    sure=not more,
                    why="; ".join(more) or said,
                    credit=self._credit,
                ),
                street=street.key,
            )


def _doubt(hits: Sequence[_Hit]) -> list[_Hit]:
    """Return candidates; where a typing error may mean two streets, none is sure."""
    fitting = {hit.street for hit in hits if hit.errors and hit.odd < 4}  # noqa: PLR2004 - see above
    if len(fitting) < 2:  # noqa: PLR2004 - two streets
        return list(hits)
    return [
        hit._replace(
            match=hit.match._replace(sure=False, why="several names are much like it")
        )
        if hit.errors and hit.match.sure
        else hit
        for hit in hits
    ]


def _in_listed(
    street: _Street, numbers: Sequence[str]
) -> Iterator[tuple[Entry, int, str]]:
    """Yield a street's entries for what was typed, how odd each is, and why."""
    if not numbers:
        if street.bare and not street.listed:
            yield from ((entry, 0, "") for entry in street.bare)
        else:
            middle = list(street.bare) or _by_number(street)[0:1]
            yield from ((entry, 1, "no house number was typed") for entry in middle)
        return
    more = "another number was typed as well" if len(numbers) > 1 else ""
    for number in numbers:
        if number in street.listed:
            yield from (
                (entry, int(bool(more)), more) for entry in street.listed[number]
            )
    if any(number in street.listed for number in numbers):
        return
    if not street.listed:
        why = "its house numbers are not listed"
        yield from ((entry, 2, why) for entry in street.bare)
        return
    yield from ((entry, 2, why) for entry, why in _between(street, numbers[-1]))


def _by_number(street: _Street) -> list[Entry]:
    """Return one entry for each number, those of the middle of the street first."""
    ordered = sorted(street.listed, key=_value)
    middle = len(ordered) // 2
    return [street.listed[number][0] for number in ordered[middle:] + ordered[:middle]]


def _between(street: _Street, number: str) -> Iterator[tuple[Entry, str]]:
    """Yield where a number that is not listed should be."""
    wanted = _value(number)
    ordered = sorted(street.listed, key=_value)
    same = [each for each in ordered if _value(each) % 2 == wanted % 2] or ordered
    below = [each for each in same if _value(each) <= wanted]
    above = [each for each in same if _value(each) > wanted]
    if not below or not above:
        nearest = (below or above)[-1 if below else 0]
        why = f"number {number} is not listed; the nearest listed is {nearest}"
        yield street.listed[nearest][0], why
        return
    low, high = below[-1], above[0]
    start, end = street.listed[low][0], street.listed[high][0]
    share = (wanted - _value(low)) / (_value(high) - _value(low))
    yield (
        Entry(
            lat_deg=round(start.lat_deg + share * (end.lat_deg - start.lat_deg), 6),
            lon_deg=round(start.lon_deg + share * (end.lon_deg - start.lon_deg), 6),
            street=start.street,
            number=number,
            postcode=start.postcode if start.postcode == end.postcode else "",
            town=start.town,
        ),
        f"number {number} is not listed: reckoned between {low} and {high}",
    )


def _value(number: str) -> int:
    found = _NUMBER.match(number)
    return int(found[1]) if found else 0


def _without_flat(words: list[str]) -> list[str]:
    kept: list[str] = []
    skip = False
    for row, word in enumerate(words):
        if skip:
            skip = False
        elif word in _INSIDE and row + 1 < len(words):
            skip = True
        else:
            kept.append(word)
    return kept


@lru_cache(maxsize=2**16)  # a list has few streets and towns, each many times
def _squash(text: str) -> str:
    return "".join(address_words(text))


def _letters(key: str) -> int:
    """Return the set of letters of a word as bits."""
    bits = 0
    for letter in key:
        bits |= 1 << (ord(letter) & 63)
    return bits


def _most_errors(typed: str) -> int:
    return 1 if len(typed) < 8 else 2  # noqa: PLR2004 - letters; own choice


def _town_errors(rest: str, town: str) -> int | None:
    """Return how many typing errors the rest is away from a town; ``None``: another."""
    if rest in ("", town):
        return 0
    if not town or len(rest) < SHORTEST:
        return None
    wrong = _errors(rest, town, 1)
    return wrong if wrong <= 1 and rest[0] == town[0] else None


def _errors(one: str, other: str, most: int) -> int:
    """Return the typing errors between two words, ``most + 1`` where there are more.

    A letter too many, one too few, a wrong one, or two neighbours swapped count one
    each (Damerau, F. J. (1964), A technique for computer detection and correction of
    spelling errors, Communications of the ACM 7(3):171-176).
    """
    if abs(len(one) - len(other)) > most:
        return most + 1
    rows = [list(range(len(other) + 1))]
    for i, letter in enumerate(one, 1):
        row = [i]
        for j, sign in enumerate(other, 1):
            least = min(
                rows[-1][j] + 1, row[-1] + 1, rows[-1][j - 1] + (letter != sign)
            )
            if i > 1 and j > 1 and (letter, one[i - 2]) == (other[j - 2], sign):
                least = min(least, rows[-2][j - 2] + 1)
            row.append(least)
        rows.append(row)
    return min(rows[-1][-1], most + 1)
