"""A day is laid on a road network: each place is found on it, each drive asked for.

This happens once, at the edge; a place that comes later costs one row and one column.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from dispatch.travel.atlas import MOST_OFF_M, Atlas, Spot
from dispatch.travel.table import nodes_of
from shared.errors import Fault, InvalidInput
from shared.model import CutOff, Day, Place, Plan, Streets, Way, spot_of

Point = tuple[int, int]
Known = Mapping[tuple[Point, Point], tuple[int, int]]
"""Drives that were asked for earlier: from and to, seconds and metres."""


def lay(
    day: Day, atlas: Atlas, more: Iterable[Place] = (), known: Known | None = None
) -> Day:
    """Return the day with its drives as a road network has them.

    Parameters
    ----------
    day : Day
        The day; drives that it has of this network already are kept.
    atlas : Atlas
        The network.
    more : iterable of Place, optional
        Places that are asked about later on: calls that may come in.
    known : mapping, optional
        Drives that were asked for earlier, of the same network.

    Returns
    -------
    Day
        With :attr:`~shared.model.TravelRules.streets`. A call's place that no van can
        reach, or not leave again, is among those cut off.

    Raises
    ------
    InvalidInput
        With every place of the firm's own that is off the map or out of reach.
    Unavailable
        When nobody answers.
    """
    nowhere = {f"call:{call.id}" for call in day.calls if not call.is_located}
    nodes = {key: at for key, at in nodes_of(day).items() if key not in nowhere}
    firm = {key: place for key, place in nodes.items() if not key.startswith("call:")}
    streets = day.travel.streets
    if streets is None or streets.network != atlas.asker.network:
        streets = Streets(network=atlas.asker.network, credit=atlas.asker.credit)
        streets = _recall(streets, atlas, nodes.values(), known or {})
    places = {spot_of(place): place for place in (*nodes.values(), *more)}
    streets = _extend(streets, atlas, places, firm)
    return replace(day, travel=replace(day.travel, streets=streets))


def _recall(
    streets: Streets, atlas: Atlas, places: Iterable[Place], known: Known
) -> Streets:
    """Begin with the places of which every drive among them is known."""
    told = {spot for pair in known for spot in pair}
    kept: dict[Point, Place] = {}
    for place in places:
        spot = spot_of(place)
        if spot in told and all(
            (spot, other) in known and (other, spot) in known
            for other in kept
            if other != spot
        ):
            kept[spot] = place
    found = zip(kept, atlas.find(list(kept.values())), strict=True)
    meets = {spot: (at.lat_deg, at.lon_deg, at.joined) for spot, at in found if at}
    base_s, distance_m = (
        tuple(
            tuple(0 if one == other else known[one, other][part] for other in meets)
            for one in meets
        )
        for part in (0, 1)
    )
    return replace(
        streets,
        spots=tuple(meets),
        meets=tuple(meets.values()),
        base_s=base_s,
        distance_m=distance_m,
    )


def _extend(
    streets: Streets,
    atlas: Atlas,
    places: Mapping[Point, Place],
    firm: Mapping[str, Place],
) -> Streets:
    """Ask for the drives from and to places that are new."""
    known = {*streets.spots, *streets.lost}
    fresh = [spot for spot in places if spot not in known]
    if not fresh:
        return streets
    found = dict(zip(fresh, atlas.find([places[spot] for spot in fresh]), strict=True))
    new = {spot: at for spot, at in found.items() if at is not None}
    cut = {spot: _off_map(atlas, places[spot]) for spot in fresh if spot not in new}
    before = [Spot(lat, lon, 0.0, joined) for lat, lon, joined in streets.meets]
    spots = [*streets.spots, *new]
    rows = atlas.drives(list(new.values()), [*before, *new.values()])
    columns = atlas.drives(before, list(new.values()))
    base_s, distance_m = (
        np.vstack([np.hstack([_square(old), side]), low])
        for old, side, low in (
            (streets.base_s, columns.base_s, rows.base_s),
            (streets.distance_m, columns.distance_m, rows.distance_m),
        )
    )
    for table in (base_s, distance_m):
        np.fill_diagonal(table, 0)
    home = _home(firm, spots)
    if home is not None:
        for row, spot in enumerate(spots):
            there, back = base_s[home, row] >= 0, base_s[row, home] >= 0
            if spot in new and not (there and back):
                cut[spot] = _islanded(places[spot], there=bool(there))
    _refuse(firm, cut)
    held = [row for row, spot in enumerate(spots) if spot not in cut]
    cells = np.ix_(held, held)
    meets = [
        *streets.meets,
        *((at.lat_deg, at.lon_deg, at.joined) for at in new.values()),
    ]
    return replace(
        streets,
        spots=tuple(spots[row] for row in held),
        meets=tuple(meets[row] for row in held),
        base_s=tuple(map(tuple, base_s[cells].tolist())),
        distance_m=tuple(map(tuple, distance_m[cells].tolist())),
        cut_off=(*streets.cut_off, *cut.values()),
    )


def _square(table: Sequence[Sequence[int]]) -> NDArray[np.int64]:
    return np.array(table, np.int64).reshape(len(table), len(table))


def _home(firm: Mapping[str, Place], spots: Sequence[Point]) -> int | None:
    """Return the row of the firm's first place that is on the map."""
    known = (spot_of(place) for place in firm.values())
    return next((spots.index(spot) for spot in known if spot in spots), None)


def _off_map(atlas: Atlas, place: Place) -> CutOff:
    bounds = atlas.asker.bounds
    where = f"{place.lat_deg:.5f}, {place.lon_deg:.5f}"
    if bounds is not None:
        south, west, north, east = bounds
        if not (south <= place.lat_deg <= north and west <= place.lon_deg <= east):
            return CutOff(
                place=place,
                text=f"off the map: {where} is outside the road network's region",
                remedy="correct the place, or build the road network from a larger "
                "extract",
            )
    return CutOff(
        place=place,
        text=f"no road within {MOST_OFF_M} m of {where}",
        remedy="correct the place, or put it where the van can stop",
    )


def _islanded(place: Place, *, there: bool) -> CutOff:
    text = "a van could drive there but not away again"
    if not there:
        text = "no road that a van may take leads there"
    return CutOff(
        place=place,
        text=f"{text}, says the road network",
        remedy="put the place on a road that leads there, or check the map's one-way "
        "streets, barriers and ferries",
    )


def _refuse(firm: Mapping[str, Place], cut: Mapping[Point, CutOff]) -> None:
    faults = [
        Fault(
            file="places",
            column=key,
            got=f"{place.lat_deg}, {place.lon_deg}: {cut[spot_of(place)].text}",
            expected="a place of the firm's own that the road network reaches: "
            + cut[spot_of(place)].remedy,
        )
        for key, place in firm.items()
        if spot_of(place) in cut
    ]
    if faults:
        raise InvalidInput(faults)


def known_drives(streets: Streets) -> dict[tuple[Point, Point], tuple[int, int]]:
    """Return all drives of a day as pairs, to keep them.

    Parameters
    ----------
    streets : Streets
        The day's.

    Returns
    -------
    dict of (spot, spot) to (int, int)
        Seconds and metres.
    """
    return {
        (one, other): (streets.base_s[row][column], streets.distance_m[row][column])
        for row, one in enumerate(streets.spots)
        for column, other in enumerate(streets.spots)
        if row != column
    }


def find_ways(
    day: Day,
    plan: Plan,
    atlas: Atlas,
    asked: dict[tuple[Spot, Spot], Way | None] | None = None,
) -> dict[str, tuple[Way | None, ...]]:
    """Return how a plan's drives go over the roads.

    Parameters
    ----------
    day : Day
        Laid on the same network.
    plan : Plan
        Its plan.
    atlas : Atlas
        The network.
    asked : dict, optional
        Ways that were asked for earlier; new ones are added.

    Returns
    -------
    dict of str to tuple of (Way or None)
        As :attr:`shared.model.Answer.ways`.

    Raises
    ------
    Unavailable
        When nobody answers.
    """
    streets = day.travel.streets
    if streets is None or streets.network != atlas.asker.network:
        return {}
    meets = {
        spot: Spot(lat, lon, 0.0, joined)
        for spot, (lat, lon, joined) in zip(streets.spots, streets.meets, strict=True)
    }
    vans = {van.id: van for van in day.vans}
    asked = {} if asked is None else asked
    ways = {}
    for route in plan.routes:
        van = vans[route.van_id]
        here, found = van.start, list[Way | None]()
        for place in (*(stop.place for stop in route.stops), van.finish):
            way = None
            if place is not None:
                ends = here and meets.get(spot_of(here)), meets.get(spot_of(place))
                if ends[0] and ends[1] and ends[0] != ends[1]:
                    pair = (ends[0], ends[1])
                    if pair not in asked:
                        asked[pair] = atlas.way(*pair)
                    way = asked[pair]
                here = place
            found.append(way)
        ways[route.van_id] = tuple(found)
    return ways
