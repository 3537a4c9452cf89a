"""Questions to a road network, whoever answers them: the library here, or a service.

Both speak the same JSON, that of the open-source engine Valhalla (MIT; its
documentation is public): ``locate`` finds the road next to a place,
``sources_to_targets`` the drives from many places to many, ``route`` one drive with its
shape and its turns.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from shared.errors import Unavailable
from shared.model import Place, Turn, Way

MOST_OFF_M = 500
"""A place farther from any road is off the map; own choice."""

ON_ROAD_M = 10
"""A spot lies on its road, but for rounding and the road's drawn width."""

AT_ONCE = 20  # places that are looked for in one question, as services allow

WELL_JOINED = 50  # junctions in reach, both ways, as the engine counts: no scrap
COSTING = "auto"
# Tracks through woods and fields are drawn like roads, but no van takes them. A van may
# go wherever a car may; what it weighs is not asked.
OPTIONS = {COSTING: {"use_tracks": 0.0}}
ENDS = {"min_road_class": "residential"}  # no driveways, yards and tracks
NO_WAY = -1
METRES_PER_DEG = 111_195.0  # of a great circle of 6,371 km radius
FERRY_TURNS = frozenset({28, 29})  # to get on a ferry, and off

Cells = NDArray[np.int64]


class Refused(Exception):  # noqa: N818 - caught here, nobody outside sees it
    """The network says that there is no answer."""


class Asker(Protocol):
    """Whoever answers questions about roads."""

    @property
    def network(self) -> str:
        """A short id: the same for the same data and library."""

    @property
    def credit(self) -> str:
        """Whose data it is, and of when."""

    @property
    def bounds(self) -> tuple[float, float, float, float] | None:
        """South, west, north and east of the region in degrees, where known."""

    @property
    def pairs_at_once(self) -> int:
        """How many drives may be asked for in one question."""

    def ask(
        self, what: str, question: Mapping[str, Any], *, slowly: bool = False
    ) -> Any:  # noqa: ANN401 - JSON
        """Ask one question.

        Parameters
        ----------
        what : str
            'locate', 'sources_to_targets' or 'route'.
        question : mapping
            Its JSON.
        slowly : bool, optional
            Whether to look for drives again, with more care.

        Returns
        -------
        any
            The answer's JSON.

        Raises
        ------
        Refused
            When there is no answer to that.
        Unavailable
            When nobody answers.
        """


class Spot(NamedTuple):
    """Where a place meets the road.

    Parameters
    ----------
    lat_deg, lon_deg : float
        On the road.
    off_m : float
        How far the place is from there, straight.
    joined : int
        How many junctions are in reach from there and to there, the lesser of the two,
        counted up to ``WELL_JOINED``.
    """

    lat_deg: float
    lon_deg: float
    off_m: float
    joined: int


class Drives(NamedTuple):
    """Drives from some spots (rows) to others (columns); ``NO_WAY``: there is none.

    Parameters
    ----------
    base_s, distance_m : int64 array, shape (origins, targets)
        Seconds on empty roads, and metres.
    """

    base_s: Cells
    distance_m: Cells


@dataclass(frozen=True, slots=True, kw_only=True)
class Atlas:
    """A road network that can be asked.

    Parameters
    ----------
    asker : Asker
        Who answers.
    """

    asker: Asker

    def find(self, places: Sequence[Place]) -> list[Spot | None]:
        """Return where places meet the road.

        Parameters
        ----------
        places : sequence of Place
            Where.

        Returns
        -------
        list of (Spot or None)
            On the next road that leads anywhere, otherwise on the next one at all;
            ``None``: no road within ``MOST_OFF_M``.
        """
        found: list[Spot | None] = []
        for first in range(0, len(places), AT_ONCE):
            part = places[first : first + AT_ONCE]
            question = {
                "locations": [
                    {
                        "lat": place.lat_deg,
                        "lon": place.lon_deg,
                        "search_cutoff": MOST_OFF_M,
                        "minimum_reachability": WELL_JOINED,
                        "search_filter": ENDS,
                    }
                    for place in part
                ],
                "costing": COSTING,
                "costing_options": OPTIONS,
                "verbose": True,
            }
            answer = self.asker.ask("locate", question)
            if not isinstance(answer, list) or len(answer) != len(part):
                raise Unavailable("the road network's answer names no roads")
            found += map(_spot, answer)
        return found

    def drives(self, origins: Sequence[Spot], targets: Sequence[Spot]) -> Drives:
        """Return the drives from spots to spots.

        Parameters
        ----------
        origins, targets : sequence of Spot
            From where, and to where.

        Returns
        -------
        Drives
            All of them.

        Raises
        ------
        Unavailable
            When nobody answers, or not in full.
        """
        base_s = np.full((len(origins), len(targets)), NO_WAY, np.int64)
        distance_m = base_s.copy()
        most = self.asker.pairs_at_once
        wide = max(1, min(len(targets), most))
        if len(origins) * len(targets) > most:
            wide = max(1, min(len(targets), int(most**0.5)))
        high = max(1, most // wide)
        for top in range(0, len(origins), high):
            for left in range(0, len(targets), wide):
                rows, columns = slice(top, top + high), slice(left, left + wide)
                part = self._drives(origins[rows], targets[columns])
                base_s[rows, columns], distance_m[rows, columns] = part
        return Drives(base_s, distance_m)

    def _drives(self, origins: Sequence[Spot], targets: Sequence[Spot]) -> Drives:
        """Ask once, and once more with care where no way was found."""
        found = self._ask(origins, targets, slowly=False)
        for row in np.flatnonzero((found.base_s == NO_WAY).any(axis=1)).tolist():
            lost = np.flatnonzero(found.base_s[row] == NO_WAY).tolist()
            again = self._ask([origins[row]], [targets[t] for t in lost], slowly=True)
            found.base_s[row, lost] = again.base_s[0]
            found.distance_m[row, lost] = again.distance_m[0]
        return found

    def _ask(
        self, origins: Sequence[Spot], targets: Sequence[Spot], *, slowly: bool
    ) -> Drives:
        shape = (len(origins), len(targets))
        question = {
            "sources": [_location(spot) for spot in origins],
            "targets": [_location(spot) for spot in targets],
            "costing": COSTING,
            "costing_options": OPTIONS,
            "units": "kilometers",
            "verbose": False,
        }
        try:
            answer = self.asker.ask("sources_to_targets", question, slowly=slowly)
        except Refused:  # no two of them are on roads that hang together
            return Drives(np.full(shape, NO_WAY), np.full(shape, NO_WAY))
        try:
            table = answer["sources_to_targets"]
            times, lengths = (
                np.array(
                    [[np.nan if x is None else x for x in row] for row in table[key]],
                    np.float64,
                ).reshape(shape)
                for key in ("durations", "distances")
            )
        except (KeyError, TypeError, ValueError):
            raise Unavailable(
                "the road network's answer is no table of drives"
            ) from None
        way = ~(np.isnan(times) | np.isnan(lengths))
        if (times[way] < 0).any() or (lengths[way] < 0).any():
            raise Unavailable("the road network's answer has drives below 0")
        seconds, metres = (
            np.where(way, np.ceil(np.where(way, table, 0)), NO_WAY).astype(np.int64)
            for table in (times, np.round(lengths * 1000))
        )
        return Drives(seconds, metres)

    def times(self, pairs: Sequence[tuple[Place, Place]]) -> NDArray[np.float64]:
        """Return how long drives take on empty roads, each asked for by itself.

        Parameters
        ----------
        pairs : sequence of (Place, Place)
            From where, and to where.

        Returns
        -------
        float64 array
            Seconds; NaN where there is no way, or a place is off the map.

        Raises
        ------
        Unavailable
            When nobody answers.
        """
        ends = {(at.lat_deg, at.lon_deg): at for pair in pairs for at in pair}
        spots = dict(zip(ends, self.find(list(ends.values())), strict=True))
        known: dict[tuple[Spot, Spot], float] = {}
        found = np.full(len(pairs), np.nan)
        for row, (start, end) in enumerate(pairs):
            here = spots[start.lat_deg, start.lon_deg]
            there = spots[end.lat_deg, end.lon_deg]
            if here is None or there is None:
                continue
            if (here, there) not in known:
                base_s = int(self.drives([here], [there]).base_s[0, 0])
                known[here, there] = np.nan if base_s == NO_WAY else float(base_s)
            found[row] = known[here, there]
        return found

    def way(self, origin: Spot, target: Spot) -> Way | None:
        """Return how a drive goes.

        Parameters
        ----------
        origin, target : Spot
            From where, and to where.

        Returns
        -------
        Way or None
            Its shape and its turns; ``None``: there is none.
        """
        question = {
            "locations": [_location(origin), _location(target)],
            "costing": COSTING,
            "costing_options": OPTIONS,
            "units": "kilometers",
            "language": "en-US",
            "directions_type": "instructions",
        }
        try:
            leg = self.asker.ask("route", question)["trip"]["legs"][0]
            turns = leg["maneuvers"]
            return Way(
                path=thin(read_line(leg["shape"])),
                turns=tuple(
                    Turn(
                        text=str(turn["instruction"]),
                        distance_m=round(1000 * turn["length"]),
                    )
                    for turn in turns
                ),
                by_ferry=any(turn.get("type") in FERRY_TURNS for turn in turns),
            )
        except Refused:
            return None
        except (KeyError, IndexError, TypeError, ValueError):
            raise Unavailable("the road network's answer is no route") from None


def _location(spot: Spot) -> dict[str, Any]:
    return {
        "lat": spot.lat_deg,
        "lon": spot.lon_deg,
        "search_cutoff": ON_ROAD_M,
        "minimum_reachability": spot.joined,
        "search_filter": ENDS,
    }


def _spot(found: Mapping[str, Any] | None) -> Spot | None:
    try:
        edges = [
            Spot(
                lat_deg=edge["correlated_lat"],
                lon_deg=edge["correlated_lon"],
                off_m=edge["distance"],
                joined=min(edge["outbound_reach"], edge["inbound_reach"]),
            )
            for edge in (found or {}).get("edges") or ()
        ]
    except (AttributeError, KeyError, TypeError):
        raise Unavailable("the road network's answer names no roads") from None
    near = [edge for edge in edges if edge.off_m <= MOST_OFF_M]
    well = [edge for edge in near if edge.joined >= WELL_JOINED]
    return min(well or near, key=lambda edge: edge.off_m, default=None)


def thin(
    line: Sequence[tuple[float, float]], off_m: float = 3.0
) -> tuple[tuple[float, float], ...]:
    """Return a line with fewer bends.

    Douglas, D. H. and Peucker, T. K. (1973), Cartographica 10(2):112-122.

    Parameters
    ----------
    line : sequence of (float, float)
        Latitude and longitude in degrees.
    off_m : float
        How far a bend that is left out may lie off the line, in metres.

    Returns
    -------
    tuple of (float, float)
        Both ends among them.
    """
    if len(line) <= 2:  # noqa: PLR2004 - two ends
        return tuple(line)
    lat = np.array([at[0] for at in line])
    lon = np.array([at[1] for at in line])
    north = lat * METRES_PER_DEG
    east = lon * METRES_PER_DEG * np.cos(np.radians(lat.mean()))
    kept = np.zeros(len(line), np.bool_)
    kept[[0, -1]] = True
    spans = [(0, len(line) - 1)]
    while spans:
        first, last = spans.pop()
        if last - first < 2:  # noqa: PLR2004 - nothing between them
            continue
        inner = slice(first + 1, last)
        x, y = east[inner] - east[first], north[inner] - north[first]
        dx, dy = east[last] - east[first], north[last] - north[first]
        part = np.clip((x * dx + y * dy) / max(dx * dx + dy * dy, 1e-9), 0, 1)
        gap = np.hypot(x - part * dx, y - part * dy)
        worst = int(gap.argmax())
        if gap[worst] > off_m:
            bend = first + 1 + worst
            kept[bend] = True
            spans += [(first, bend), (bend, last)]
    return tuple(at for at, keep in zip(line, kept, strict=True) if keep)


def read_line(text: str) -> tuple[tuple[float, float], ...]:
    """Return a line from the letters that it is packed into.

    Parameters
    ----------
    text : str
        Differences of latitude and longitude in millionths of a degree, each in groups
        of five bits, lowest first, as printable ASCII (the engine's documentation).

    Returns
    -------
    tuple of (float, float)
        Latitude and longitude in degrees.

    Raises
    ------
    ValueError
        When it is cut off in the middle.
    """
    numbers, value, shift = [], 0, 0
    for sign in text:
        bits = ord(sign) - 63
        value |= (bits & 31) << shift
        shift += 5
        if bits < 32:  # noqa: PLR2004 - the sixth bit: more follows
            numbers.append(~(value >> 1) if value & 1 else value >> 1)
            value = shift = 0
    if shift or len(numbers) % 2:
        raise ValueError("a line that is cut off")
    lat = lon = 0
    line = []
    for north, east in zip(numbers[::2], numbers[1::2], strict=True):
        lat, lon = lat + north, lon + east
        line.append((lat / 1e6, lon / 1e6))
    return tuple(line)
