"""An answer as GeoJSON (RFC 7946): positions are longitude first, then latitude."""

import json
from typing import Any

from dispatch.report.document import (
    AddressDocument,
    CallDocument,
    PlaceDocument,
    PlanDocument,
    StopDocument,
    VanDocument,
)

_DECIMALS = 6  # about 0.1 m; RFC 7946 section 11.2 calls six enough


def feature_collection(plan: PlanDocument) -> dict[str, Any]:
    """Return routes, stops and unplaced calls as a feature collection.

    Parameters
    ----------
    plan : PlanDocument
        The plan.

    Returns
    -------
    dict
        A line for each van (along the roads where they are known; whether it is
        straight anywhere it says), a point for each stop, start and finish, and one for
        each call on no route. Whose data the roads are it says as well.
    """
    features = []
    for van in plan.vans:
        features.append(_line(van, plan.day.roads))
        features.extend(_ends(van))
        features.extend(_stop(van, stop) for stop in van.stops if stop.place)
    features.extend(
        _feature(
            _where(unplaced.call.place),
            {"what": "unplaced call", **_call(unplaced.call)},
        )
        for unplaced in plan.unplaced
    )
    return {"type": "FeatureCollection", "features": features}


def geojson_text(plan: PlanDocument) -> str:
    """Return the same as text.

    Parameters
    ----------
    plan : PlanDocument
        The plan.

    Returns
    -------
    str
        JSON, ends in a line feed.
    """
    return (
        json.dumps(
            feature_collection(plan), ensure_ascii=False, allow_nan=False, indent=1
        )
        + "\n"
    )


def _position(place: PlaceDocument) -> list[float]:
    return [round(place.lon_deg, _DECIMALS), round(place.lat_deg, _DECIMALS)]


def _point(place: PlaceDocument) -> dict[str, Any]:
    return {"type": "Point", "coordinates": _position(place)}


def _where(address: AddressDocument) -> dict[str, Any] | None:
    """Return the point of an address; RFC 7946 has null for what is not located."""
    if address.lat_deg is None or address.lon_deg is None:
        return None
    lat_deg, lon_deg = address.lat_deg, address.lon_deg
    return _point(PlaceDocument(name=address.name, lat_deg=lat_deg, lon_deg=lon_deg))


def _feature(
    geometry: dict[str, Any] | None, properties: dict[str, Any]
) -> dict[str, Any]:
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def _line(van: VanDocument, credit: str) -> dict[str, Any]:
    ends = [
        (van.start, None),
        *((stop.place, stop.way) for stop in van.stops),
        (van.finish, van.last_way),
    ]
    path: list[list[float]] = []
    straight = False
    for place, way in ends:
        if place is None:
            continue
        bends = () if way is None else way.path_deg
        there = [[round(lon, _DECIMALS), round(lat, _DECIMALS)] for lat, lon in bends]
        there.append(_position(place))
        straight |= not bends and bool(path) and path[-1] != there[-1]
        for at in there:
            if not path or path[-1] != at:
                path.append(at)
    # A line has two positions or more; a van that goes nowhere has no geometry.
    line = {"type": "LineString", "coordinates": path} if len(path) > 1 else None
    return _feature(
        line,
        {
            "what": "route",
            "van_id": van.id,
            "driver": van.driver,
            "straight_lines": straight,
            **({"roads": credit} if credit else {}),
            "leave_at": van.leave_at.isoformat(),
            "finish_at": van.finish_at.isoformat(),
            "distance_m": van.distance_m,
            "drive_s": van.drive_s,
        },
    )


def _ends(van: VanDocument) -> list[dict[str, Any]]:
    return [
        _feature(
            _point(place),
            {"what": what, "van_id": van.id, "name": place.name, "at": at.isoformat()},
        )
        for what, place, at in (
            ("start", van.start, van.leave_at),
            ("finish", van.finish, van.finish_at),
        )
        if place is not None
    ]


def _stop(van: VanDocument, stop: StopDocument) -> dict[str, Any]:
    properties: dict[str, Any] = {
        "what": stop.kind.value,
        "van_id": van.id,
        "number": stop.number,
        "arrive_at": stop.arrive_at.isoformat(),
        "start_at": stop.start_at.isoformat(),
        "finish_at": stop.finish_at.isoformat(),
    }
    if stop.call is not None:
        properties |= _call(stop.call)
        properties |= {"late_s": stop.late_s, "off_preference": stop.off_preference}
    if stop.restock is not None:
        properties |= {
            "store_id": stop.restock.store_id,
            "name": stop.restock.name,
            "fetch": [
                {"part_id": line.part_id, "name": line.name, "quantity": line.load}
                for line in stop.restock.fetch
            ],
            "pay_cents": stop.restock.pay_cents,
            "bring_back": list(stop.restock.bring_back),
            "collect": list(stop.restock.collect),
        }
    return _feature(_point(stop.place) if stop.place else None, properties)


def _call(call: CallDocument) -> dict[str, Any]:
    return {
        "call_id": call.id,
        "kind": call.kind_name,
        "customer": call.customer,
        "name": call.place.name,
        "priority": call.priority,
    }
