"""Asks an address server, if the owner has named one; nobody is asked otherwise.

Only the address goes there, as it was typed: no names, no telephone numbers. Answers
are kept, so that nothing is asked twice.
"""

import json
import os
import tempfile
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from time import monotonic, sleep
from typing import Any, Protocol
from urllib.parse import urlsplit

from geopy.adapters import URLLibAdapter
from geopy.exc import GeocoderQuotaExceeded, GeocoderTimedOut, GeopyError
from geopy.extra.rate_limiter import RateLimiter
from geopy.geocoders import Nominatim

from dispatch.gazetteer import CANDIDATES, Match, address_key, address_words
from dispatch.scenario import Server
from dispatch.travel.geodesic import distance_m
from shared.errors import Unavailable
from shared.model import Place

AGENT = "keyround"
HOUSE_RANK = 30  # how such a server ranks a single house or a place with a name
ONE_PLACE_M = 50  # results so close together are one place; own choice
_TIME = (monotonic, sleep)


class Memory(Protocol):
    """Where answers are kept."""

    def get(self, key: str) -> str | None:
        """Return an answer.

        Parameters
        ----------
        key : str
            Of the question.

        Returns
        -------
        str or None
            As it was put; ``None``: it was not asked yet.
        """

    def put(self, key: str, answer: str) -> None:
        """Keep an answer.

        Parameters
        ----------
        key : str
            Of the question.
        answer : str
            Any text.
        """


class FileMemory:
    """Answers in a file, for one user's eyes alone.

    A file that cannot be read counts as empty, and one that cannot be written is done
    without: a server is asked again then, nothing else is lost.

    Parameters
    ----------
    path : Path
        The file; it need not be there.
    """

    def __init__(self, path: Path) -> None:
        self._path = path

    def _read(self) -> dict[str, str]:
        try:
            found = json.loads(self._path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return found if isinstance(found, dict) else {}

    def get(self, key: str) -> str | None:
        """Return an answer.

        Parameters
        ----------
        key : str
            Of the question.

        Returns
        -------
        str or None
            As it was put; ``None``: it was not asked yet.
        """
        found = self._read().get(key)
        return found if isinstance(found, str) else None

    def put(self, key: str, answer: str) -> None:
        """Keep an answer; the file is replaced as a whole.

        Parameters
        ----------
        key : str
            Of the question.
        answer : str
            Any text.
        """
        with suppress(OSError):
            self._path.parent.mkdir(parents=True, exist_ok=True)
            known = {**self._read(), key: answer}
            handle, draft = tempfile.mkstemp(dir=self._path.parent)  # mode 600
            try:
                with os.fdopen(handle, "w", encoding="utf-8") as out:
                    json.dump(known, out, ensure_ascii=False, indent=0)
                Path(draft).replace(self._path)
            except BaseException:
                Path(draft).unlink(missing_ok=True)
                raise


class _Paced(RateLimiter):  # type: ignore[misc]  # geopy has no types
    """Keeps the least time between two questions, by a clock that is handed in."""

    def __init__(
        self,
        func: Callable[..., Any],
        pause_s: float,
        clock: Callable[[], float],
        rest: Callable[[float], None],
    ) -> None:
        # By default it would turn a dead server into an address that is not found.
        super().__init__(
            func,
            min_delay_seconds=pause_s,
            max_retries=0,
            error_wait_seconds=pause_s,
            swallow_exceptions=False,
        )
        self._own_clock = clock
        self._own_sleep = rest

    def _clock(self) -> float:
        return self._own_clock()

    def _sleep(self, seconds: float) -> None:
        self._own_sleep(seconds)


class Geocoder:
    """One address server.

    Parameters
    ----------
    server : Server
        Where it is, and how it may be asked.
    memory : Memory
        Where its answers are kept.
    time : (callable, callable), optional
        Seconds that pass, and letting some pass.
    say : callable, optional
        Is told once, when the server is asked for the first time.
    """

    def __init__(
        self,
        server: Server,
        memory: Memory,
        *,
        time: tuple[Callable[[], float], Callable[[float], None]] = _TIME,
        say: Callable[[str], object] | None = None,
    ) -> None:
        parts = urlsplit(server.url)
        self._server = server
        self._memory = memory
        geocoder = Nominatim(
            user_agent=AGENT,
            scheme=parts.scheme,
            domain=parts.netloc + parts.path.rstrip("/"),
            timeout=server.timeout_s,
            adapter_factory=URLLibAdapter,  # another one would ask a dead server thrice
        )
        self._ask = _Paced(geocoder.geocode, server.pause_s, *time)
        self._say = say

    @property
    def name(self) -> str:
        """Who it is.

        Returns
        -------
        str
            In words, with its host.
        """
        return f"the address server {urlsplit(self._server.url).netloc}"

    def __call__(self, address: str) -> tuple[Match, ...]:
        """Return the places that an address may mean.

        Parameters
        ----------
        address : str
            As somebody typed it.

        Returns
        -------
        tuple of Match
            The best first; none where it knows none.

        Raises
        ------
        Unavailable
            When it does not answer, or not in words that can be read.
        """
        key = f"{self._server.url} {address_key(address)}"
        known = self._memory.get(key)
        if known is not None:
            with suppress(ValueError, TypeError, LookupError):
                return _matches_from(known)
        if self._say is not None:
            self._say(
                f"asking {self.name}, an address every {self._server.pause_s:g} s"
            )
            self._say = None
        try:
            found = self._ask(
                address, exactly_one=False, limit=CANDIDATES, addressdetails=True
            )
        except (GeopyError, ValueError, TypeError, AttributeError) as error:
            # Those that are not geopy's own: its answer is none that it can read.
            raise Unavailable(f"{self.name} {self._why(error)}") from error
        matches = _matches(address, found or (), self.name)
        if matches:  # what is not there today may be there tomorrow
            self._memory.put(key, json.dumps([_plain(match) for match in matches]))
        return matches

    def _why(self, error: Exception) -> str:
        if isinstance(error, GeocoderTimedOut):
            return f"did not answer within {self._server.timeout_s:g} s"
        if isinstance(error, GeocoderQuotaExceeded):
            return "wants more time between questions: raise pause_s"
        return "did not answer, or in words that cannot be read"


def _matches(address: str, found: Sequence[Any], name: str) -> tuple[Match, ...]:
    """Return what a server found as matches, each place once."""
    numbers = {word for word in address_words(address) if word[0].isdigit()}
    matches: list[Match] = []
    for location in found:
        raw = location.raw if isinstance(location.raw, dict) else {}
        if raw.get("lat") is None or raw.get("lon") is None:
            continue  # geopy makes 0, 0 of it
        lat, lon = float(location.latitude), float(location.longitude)
        if not (abs(lat) <= 90 and abs(lon) <= 180):  # noqa: PLR2004 - degrees
            continue
        place = Place(lat_deg=lat, lon_deg=lon, name=str(location.address))
        if any(distance_m(place, match.place) < ONE_PLACE_M for match in matches):
            continue
        why = _doubt(raw, numbers)
        credit = str(raw.get("licence") or f"places from {name}")
        matches.append(Match(place=place, sure=not why, why=why, credit=credit))
    return tuple(matches)


def _doubt(raw: dict[str, Any], numbers: set[str]) -> str:
    """Return why a result is not surely what was typed."""
    parts = raw.get("address")
    number = parts.get("house_number") if isinstance(parts, dict) else None
    if number:
        if "".join(address_words(str(number))) in numbers:
            return ""
        return f"its house number is {number}"
    if any(len(each) < 5 for each in numbers):  # noqa: PLR2004 - longer: a postcode
        return "the house number is not known there"
    return "" if raw.get("place_rank") == HOUSE_RANK else "a street or an area only"


def _plain(match: Match) -> dict[str, Any]:
    return {**match._asdict(), "place": asdict(match.place)}


def _matches_from(text: str) -> tuple[Match, ...]:
    return tuple(
        Match(**{**each, "place": Place(**each["place"])}) for each in json.loads(text)
    )


def usual_file() -> Path:
    """Return where the command line keeps answers.

    Returns
    -------
    Path
        In the user's folder for what programs keep; ``KEYROUND_PLACES`` names another.
    """
    named = os.environ.get("KEYROUND_PLACES")
    return Path(named) if named else Path.home() / ".cache" / "keyround" / "places.json"
