"""A van's days as files for other programs: calendar (RFC 5545), GeoJSON, GPX.

They leave the house: no telephone number, no note and nothing about codes is in them.
"""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from xml.etree import ElementTree as ET

from api.desk import Desk, in_force, know
from api.problems import NotFound
from api.records import from_text
from api.store import Transaction
from api.store.plans import find_documents, list_sheets
from dispatch.report.calendar import calendar_bytes
from dispatch.report.document import PlanDocument, StopDocument
from dispatch.report.geojson import geojson_text
from dispatch.stock import pick_lists
from shared.model import Answer

BEHIND_DAYS = 7  # that stay in a feed; own choice
_GPX = "http://www.topografix.com/GPX/1/1"
_EVENT = b"BEGIN:VEVENT"
_END = b"END:VCALENDAR"
# RFC 5545 wants at least one component in a calendar.
_NO_EVENTS = b"""\
BEGIN:VTIMEZONE
TZID:UTC
BEGIN:STANDARD
DTSTART:19700101T000000
TZOFFSETFROM:+0000
TZOFFSETTO:+0000
END:STANDARD
END:VTIMEZONE
""".replace(b"\n", b"\r\n")
_HEAD = b"""\
BEGIN:VCALENDAR
VERSION:2.0
PRODID:-//keyround//plan//EN
METHOD:PUBLISH
""".replace(b"\n", b"\r\n")


def day_calendar(
    desk: Desk, transaction: Transaction, day_id: str, van_id: str
) -> bytes:
    """Return one van's day as a calendar.

    Parameters
    ----------
    desk : Desk
        The service's.
    transaction : Transaction
        Any.
    day_id, van_id : str
        Whose.

    Returns
    -------
    bytes
        A stop keeps its UID from version to version of the plan, SEQUENCE rises.

    Raises
    ------
    NotFound
        When there is no such van, or nothing is planned yet.
    """
    known = know(desk, transaction, day_id)
    plan = in_force(desk, transaction, day_id)
    routes = () if plan is None else plan.plan.routes
    route = next((route for route in routes if route.van_id == van_id), None)
    if plan is None or route is None:
        raise NotFound("there is no such van")
    day = known.whole
    answer = Answer(
        day=day,
        plan=plan.plan,
        pick_lists=pick_lists(day, plan.plan),
        shortages=(),
        purchases=(),
        tonight=(),
        cautions=(),
    )
    return calendar_bytes(
        answer,
        route,
        stamp=datetime.fromtimestamp(plan.version.made_ms // 1000, UTC),
        sequence=plan.version.version - 1,
    )


def feed_calendar(
    desk: Desk, transaction: Transaction, van_id: str, today: date
) -> bytes:
    """Return a van's days, those just behind and all ahead, as one calendar.

    Parameters
    ----------
    desk : Desk
        The service's.
    transaction : Transaction
        Any.
    van_id : str
        Whose.
    today : date
        Today.

    Returns
    -------
    bytes
        UTF-8, lines end in CR LF.
    """
    first = (today - timedelta(days=BEHIND_DAYS)).isoformat()
    events = b""
    for day_id, _ in list_sheets(transaction, van_id):
        if day_id >= first:
            calendar = day_calendar(desk, transaction, day_id, van_id)
            # No line of a folded value begins with a letter, so these are the tags.
            start, end = calendar.find(_EVENT), calendar.rfind(_END)
            events += calendar[start:end] if start >= 0 else b""
    return _HEAD + (events or _NO_EVENTS) + _END + b"\r\n"


def route_document(transaction: Transaction, day_id: str, van_id: str) -> PlanDocument:
    """Return what of a day's plan is one van's.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id, van_id : str
        Whose.

    Returns
    -------
    PlanDocument
        With that van alone, and no call that is not its own.

    Raises
    ------
    NotFound
        When there is no such van, or nothing is planned yet.
    """
    found = find_documents(transaction, day_id)
    if found is not None:
        document = from_text(PlanDocument, found.document)
        vans = tuple(van for van in document.vans if van.id == van_id)
        if vans:
            return replace(document, vans=vans, unplaced=())
    raise NotFound("there is no such van")


def geojson_bytes(document: PlanDocument) -> bytes:
    """Return a van's route as GeoJSON.

    Parameters
    ----------
    document : PlanDocument
        With that van alone.

    Returns
    -------
    bytes
        RFC 7946.
    """
    return geojson_text(document).encode()


def gpx_bytes(document: PlanDocument) -> bytes:
    """Return a van's route as GPX 1.1: the places where it stops, in order.

    Parameters
    ----------
    document : PlanDocument
        With that van alone.

    Returns
    -------
    bytes
        XML in UTF-8.
    """
    [van] = document.vans
    ET.register_namespace("", _GPX)
    root = ET.Element(f"{{{_GPX}}}gpx", {"version": "1.1", "creator": "keyround"})
    route = ET.SubElement(root, f"{{{_GPX}}}rte")
    _add(route, "name", f"{document.day.date} {van.driver or van.id}")
    ends = ((van.start, "start"), (van.finish, "finish"))
    points = [(stop.place, _title(stop)) for stop in van.stops]
    for place, title in (ends[0], *points, ends[1]):
        if place is None:
            continue
        where = {"lat": f"{place.lat_deg:.6f}", "lon": f"{place.lon_deg:.6f}"}
        point = ET.SubElement(route, f"{{{_GPX}}}rtept", where)
        _add(point, "name", title)
        _add(point, "desc", place.name)
    text: bytes = ET.tostring(root, encoding="UTF-8", xml_declaration=True)
    return text


def _title(stop: StopDocument) -> str:
    at = f"{stop.start_at:%H:%M}"
    if stop.call is not None:
        return f"{at} {stop.number}: {stop.call.kind_name}"
    return f"{at} {stop.kind.value}"


def _add(parent: ET.Element, name: str, text: str) -> None:
    # What XML 1.0 cannot hold at all is left out.
    plain = "".join(letter for letter in text if letter.isprintable())
    if plain:
        ET.SubElement(parent, f"{{{_GPX}}}{name}").text = plain
