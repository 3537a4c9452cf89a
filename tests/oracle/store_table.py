"""The travel table of a day whose counters are places to stop at, too."""

import numpy as np

from dispatch.travel import TravelTable, travel_table
from dispatch.travel.straight import StraightLine
from shared.model import Day, Place


def store_table(day: Day) -> TravelTable:
    """Return the day's travel table with a node ``store:<id>`` for each counter.

    Counters are measured by the straight line, or by the day's matrix where it names
    them; a van that starts or finishes at the shop drives there as from the shop.
    """
    table = travel_table(day)
    counters = {f"store:{store.id}": store.place for store in day.counters}
    missing = {key: place for key, place in counters.items() if key not in table.keys}
    if not missing:
        return table
    places = _places(day) | missing
    keys = {key: row for row, key in enumerate([*table.keys, *missing])}
    measured = StraightLine(rules=day.travel).measure(
        tuple(places[key] for key in keys)
    )
    base_s, distance_m = measured.base_s.copy(), measured.distance_m.copy()
    size = len(table.keys)
    base_s[:size, :size], distance_m[:size, :size] = table.base_s, table.distance_m
    doors = {key: key for key in keys} | {
        key: "shop"
        for key in keys
        if key.startswith(("start:", "finish:"))
        and _at(places[key]) == _at(day.shop.place)
    }
    for origin, row in keys.items():
        for target, column in keys.items():
            pair = doors[origin], doors[target]
            if max(row, column) >= size and pair in (day.travel.matrix or {}):
                base_s[row, column], distance_m[row, column] = (
                    day.travel.matrix or {}
                )[pair]
    np.fill_diagonal(base_s, 0)
    np.fill_diagonal(distance_m, 0)
    return table._replace(keys=keys, base_s=base_s, distance_m=distance_m)


def _at(place: Place) -> tuple[float, float]:
    return place.lat_deg, place.lon_deg


def _places(day: Day) -> dict[str, Place]:
    return (
        {f"call:{call.id}": call.place for call in day.calls}
        | {"shop": day.shop.place}
        | {f"start:{van.id}": van.start for van in day.vans if van.start is not None}
        | {f"finish:{van.id}": van.finish for van in day.vans if van.finish is not None}
    )
