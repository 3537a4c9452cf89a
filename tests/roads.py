"""A road network that is invented, for tests: a grid of streets around the shop.

A van drives north or south first, then east or west, at 10 m/s. Places can lie off the
map, on an island, at the end of a one-way street, or behind a ferry.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from dispatch.travel.atlas import Asker, Refused
from shared.model import Place, spot_of

METRES_PER_DEG = (111_200.0, 71_500.0)  # of the invented town, as in tests.builders


class InventedRoads(Asker):
    """Answers as the routing engine does, of a network that is not there."""

    def __init__(
        self,
        *,
        off: Iterable[Place] = (),
        no_way_to: Iterable[Place] = (),
        no_way_from: Iterable[Place] = (),
        ferry_to: Iterable[Place] = (),
        pairs_at_once: int = 1_000_000,
    ) -> None:
        self._off, self._to, self._from, self._ferry = (
            {spot_of(place) for place in places}
            for places in (off, no_way_to, no_way_from, ferry_to)
        )
        self._pairs_at_once = pairs_at_once
        self.asked: list[tuple[str, int]] = []  # what, and how many drives

    @property
    def network(self) -> str:
        return "invented"

    @property
    def credit(self) -> str:
        return "nobody: invented roads"

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        return (49.0, 7.0, 51.0, 9.0)

    @property
    def pairs_at_once(self) -> int:
        return self._pairs_at_once

    def ask(
        self, what: str, question: Mapping[str, Any], *, slowly: bool = False
    ) -> Any:
        if what == "locate":
            self.asked.append((what, len(question["locations"])))
            return [self._edges(each) for each in question["locations"]]
        if what == "route":
            self.asked.append((what, 1))
            return self._route(*map(_point, question["locations"]))
        starts, ends = (
            list(map(_point, question[key])) for key in ("sources", "targets")
        )
        self.asked.append((what + " again" * slowly, len(starts) * len(ends)))
        legs = [[self._leg(start, end) for end in ends] for start in starts]
        return {
            "sources_to_targets": {
                "durations": [[leg and leg[0] for leg in row] for row in legs],
                "distances": [[leg and leg[1] / 1000 for leg in row] for row in legs],
            }
        }

    def _edges(self, at: Mapping[str, Any]) -> dict[str, Any]:
        if spot_of(Place(lat_deg=at["lat"], lon_deg=at["lon"])) in self._off:
            return {"edges": []}
        edge = {
            "correlated_lat": at["lat"],
            "correlated_lon": at["lon"],
            "distance": 12.0,
            "outbound_reach": 50,
            "inbound_reach": 50,
        }
        return {"edges": [edge]}

    def _leg(self, start: Place, end: Place) -> tuple[int, int] | None:
        here, there = spot_of(start), spot_of(end)
        if here != there and (there in self._to or here in self._from):
            return None
        metres = round(
            abs(end.lat_deg - start.lat_deg) * METRES_PER_DEG[0]
            + abs(end.lon_deg - start.lon_deg) * METRES_PER_DEG[1]
        )
        return -(-metres // 10), metres

    def _route(self, start: Place, end: Place) -> dict[str, Any]:
        leg = self._leg(start, end)
        if leg is None:
            raise Refused("no path could be found")
        corner = end.lat_deg, start.lon_deg
        turns = [
            {"type": 1, "instruction": "Drive along Invented Row.", "length": 1.0},
            {"type": 4, "instruction": "You have arrived.", "length": 0.0},
        ]
        if spot_of(end) in self._ferry:
            on = {"type": 28, "instruction": "Take the ferry.", "length": 0.3}
            turns.insert(1, on)
        shape = [(start.lat_deg, start.lon_deg), corner, (end.lat_deg, end.lon_deg)]
        return {"trip": {"legs": [{"shape": pack(shape), "maneuvers": turns}]}}


def _point(at: Mapping[str, Any]) -> Place:
    return Place(lat_deg=at["lat"], lon_deg=at["lon"])


def pack(line: Iterable[tuple[float, float]]) -> str:
    """Pack a line as the engine does: differences in millionths, five bits a letter."""
    text, before = "", (0, 0)
    for lat, lon in line:
        now = round(lat * 1e6), round(lon * 1e6)
        for one, other in zip(now, before, strict=True):
            value = (one - other) << 1
            value = ~value if one < other else value
            while value >= 32:
                text += chr((32 | (value & 31)) + 63)
                value >>= 5
            text += chr(value + 63)
        before = now
    return text
