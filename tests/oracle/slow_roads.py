"""A plain Dijkstra over an extract, read by another library than the one under test.

Nodes, ways and one-way streets come from the extract (osmium); only how fast a stretch
is, and whether a car may use it, is asked of the network under test. No turn costs
anything here.
"""

import heapq
import math
from collections import Counter, defaultdict
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import osmium
from numpy.typing import NDArray

from dispatch.travel.atlas import Atlas, Spot

Floats = NDArray[np.float64]

EARTH_M = 6_371_008.8
ASKED_AT_ONCE = 200
FORWARD, BACKWARD = True, False
DRIVABLE = frozenset(
    {
        *("motorway", "trunk", "primary", "secondary", "tertiary", "unclassified"),
        *("motorway_link", "trunk_link", "primary_link", "secondary_link"),
        *("tertiary_link", "residential", "living_street", "service", "track"),
        "road",
    }
)


class Stretch(NamedTuple):
    """A piece of a way between two junctions."""

    way: int
    start: int
    end: int
    length_m: float
    middle: tuple[float, float]
    directions: tuple[bool, ...]
    track: bool


class Streets:
    """Every drivable stretch of an extract, by the node where it begins."""

    def __init__(self, extract: Path, actor: Any) -> None:
        self.at: dict[int, tuple[float, float]] = {}
        self.roads: dict[int, list[tuple[int, float, bool]]] = defaultdict(list)
        self.kinds: dict[int, set[str]] = defaultdict(set)
        stretches = list(self._read(extract))
        speeds = _speeds(actor, stretches)
        for stretch in stretches:
            for direction in stretch.directions:
                kmh = speeds.get((stretch.way, stretch.middle, direction))
                if kmh is None:
                    continue
                ends = stretch.start, stretch.end
                start, end = ends if direction is FORWARD else ends[::-1]
                seconds = stretch.length_m * 3.6 / kmh
                self.roads[start].append((end, seconds, stretch.track))

    def _read(self, extract: Path) -> Iterator[Stretch]:
        ways: list[tuple[int, list[int], dict[str, str]]] = []
        uses: Counter[int] = Counter()
        for thing in osmium.FileProcessor(str(extract)).with_locations():
            if not thing.is_way():
                continue
            tags = dict(thing.tags)
            if tags.get("highway") not in DRIVABLE:
                continue
            nodes = []
            for node in thing.nodes:
                if node.location.valid():
                    self.at[node.ref] = (node.location.lat, node.location.lon)
                    nodes.append(node.ref)
            uses.update(nodes)
            uses.update((nodes[0], nodes[-1]))
            ways.append((thing.id, nodes, tags))
        for way, nodes, tags in ways:
            first = 0
            for row in range(1, len(nodes)):
                if uses[nodes[row]] > 1:
                    piece = nodes[first : row + 1]
                    for node in (piece[0], piece[-1]):
                        self.kinds[node].add(tags["highway"])
                    yield self._stretch(way, piece, tags)
                    first = row

    def _stretch(self, way: int, nodes: list[int], tags: dict[str, str]) -> Stretch:
        points = [self.at[node] for node in nodes]
        legs = [metres(a, b) for a, b in pairwise(points)]
        half, middle = sum(legs) / 2, points[0]
        for leg, (a, b) in zip(legs, pairwise(points), strict=True):
            if half <= leg:
                part = half / leg if leg else 0.0
                middle = a[0] + part * (b[0] - a[0]), a[1] + part * (b[1] - a[1])
                break
            half -= leg
        return Stretch(
            way,
            nodes[0],
            nodes[-1],
            sum(legs),
            middle,
            _directions(tags),
            tags["highway"] == "track",
        )

    def from_node(self, start: int, *, tracks: bool) -> dict[int, tuple[float, int]]:
        """Return the least seconds to every node in reach, and junctions passed."""
        best = {start: (0.0, 0)}
        heap = [(0.0, 0, start)]
        while heap:
            seconds, passed, node = heapq.heappop(heap)
            if seconds > best[node][0]:
                continue
            for there, more_s, track in self.roads[node]:
                if track and not tracks:
                    continue
                reached_s = seconds + more_s
                if there not in best or reached_s < best[there][0]:
                    best[there] = (reached_s, passed + 1)
                    heapq.heappush(heap, (reached_s, passed + 1, there))
        return best


def metres(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Return metres along a sphere (haversine)."""
    lat_a, lat_b = math.radians(a[0]), math.radians(b[0])
    turn = math.radians(b[1] - a[1])
    half = (
        math.sin((lat_b - lat_a) / 2) ** 2
        + math.cos(lat_a) * math.cos(lat_b) * math.sin(turn / 2) ** 2
    )
    return 2 * EARTH_M * math.asin(math.sqrt(half))


def _directions(tags: dict[str, str]) -> tuple[bool, ...]:
    """Return in which directions a way may be driven, by its tags alone."""
    said = tags.get("oneway", "")
    if said in ("-1", "reverse"):
        return (BACKWARD,)
    round_about = tags.get("junction") in ("roundabout", "circular")
    motorway = tags["highway"] == "motorway" and said != "no"
    if said in ("yes", "true", "1") or round_about or motorway:
        return (FORWARD,)
    return (FORWARD, BACKWARD)


def _speeds(
    actor: Any, stretches: list[Stretch]
) -> dict[tuple[int, tuple[float, float], bool], float]:
    """Ask how fast each stretch is each way, at its middle; what no car may, is not."""
    found = {}
    for first in range(0, len(stretches), ASKED_AT_ONCE):
        part = stretches[first : first + ASKED_AT_ONCE]
        answers = actor.locate(
            {
                "locations": [
                    {
                        "lat": stretch.middle[0],
                        "lon": stretch.middle[1],
                        "search_cutoff": 15,
                        "radius": 5,
                        "minimum_reachability": 0,
                    }
                    for stretch in part
                ],
                "costing": "auto",
                "verbose": True,
            }
        )
        for stretch, answer in zip(part, answers, strict=True):
            for edge in answer.get("edges") or ():
                if edge["edge_info"]["way_id"] == stretch.way:
                    key = stretch.way, stretch.middle, edge["edge"]["forward"]
                    found[key] = float(edge["edge"]["speeds"]["default"])
    return found


class Compared(NamedTuple):
    """Drives between junctions, one entry a pair; tracks are what vans keep off."""

    dijkstra_s: Floats  # without tracks
    tracks_s: Floats  # with them: never longer
    network_s: Floats
    junctions: Floats  # on the Dijkstra's way without tracks


def compare(streets: Streets, atlas: Atlas, pairs: int, seed: int) -> Compared:
    """Ask a network and the plain Dijkstra for the same random pairs of junctions.

    Both ends are on streets where calls are, and on no others.
    """
    usual = {"primary", "secondary", "tertiary", "unclassified", "residential"}
    nodes = sorted(
        node
        for node in streets.roads
        if streets.kinds[node] and streets.kinds[node] <= usual
    )
    rng = np.random.default_rng(seed)
    rows: list[tuple[float, float, float, float]] = []
    while len(rows) < pairs:
        start, end = rng.choice(nodes, 2, replace=False).tolist()
        found = streets.from_node(start, tracks=False).get(end)
        if found is None:
            continue
        least_s, _ = streets.from_node(start, tracks=True)[end]
        ends = [Spot(*streets.at[node], 0.0, 50) for node in (start, end)]
        drive_s = atlas.drives(ends[:1], ends[1:]).base_s[0, 0]
        rows.append((found[0], least_s, float(drive_s), float(found[1])))
    return Compared(*np.array(rows).T)
