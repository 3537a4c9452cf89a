"""A van's day as a calendar (RFC 5545): one event for each call and other stop.

Calendars are shared and copied to phones: no telephone number, no note and nothing
about codes is in them. Times are UTC.
"""

import uuid
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

from dispatch.evening import Broken, broken
from dispatch.report.words import (
    Visit,
    access_words,
    broken_words,
    clean,
    fetch_at,
    link_words,
    name_van,
    promise_words,
    span_words,
    swap_words,
    title_words,
    visits,
)
from shared.model import Answer, Day, Route, Van

# Any fixed value: it sets these identifiers apart from everybody else's.
_SPACE = uuid.UUID("6f1c2f0e-7f5b-5b1e-9d0a-3a2b6c1e8d47")


def calendar_bytes(
    answer: Answer,
    route: Route,
    *,
    stamp: datetime | None = None,
    sequence: int = 0,
    provisional: bool = False,
) -> bytes:
    """Return one van's day as an iCalendar stream.

    Parameters
    ----------
    answer : Answer
        The answer that the route belongs to.
    route : Route
        The van's route.
    stamp : datetime or None, optional
        When this calendar was made, aware; ``None``: when the day was planned.
    sequence : int, optional
        Counts the versions of this day that were sent out, from 0.
    provisional : bool, optional
        Whether the day will be planned anew: its events are marked as tentative.

    Returns
    -------
    bytes
        UTF-8, lines end in CR LF. A call keeps its UID from plan to plan.
    """
    from icalendar import Calendar, Event  # noqa: PLC0415 - slow, and only needed here

    day = answer.day
    van = next(van for van in day.vans if van.id == route.van_id)
    made = day.clock.instant(day.planned_at_s) if stamp is None else stamp
    calendar = Calendar()
    calendar.add("prodid", "-//keyround//plan//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("name", f"{day.date.isoformat()} {clean(name_van(van))}")
    late = {entry.call_id: entry for entry in broken(day, answer.plan)}
    for visit in visits(day, route):
        stop = visit.stop
        event = Event()
        event.add("uid", _uid(day, _key(van, visit)))
        event.add("dtstamp", made.astimezone(UTC))
        event.add("sequence", sequence)
        event.add("status", "TENTATIVE" if provisional else "CONFIRMED")
        event.add("dtstart", _utc(day, stop.start_s))
        event.add("dtend", _utc(day, stop.finish_s))
        event.add("summary", title_words(day, visit))
        event.add("description", _describe(answer, van, visit, late))
        if stop.place is not None:
            where = stop.place if visit.call is None else visit.call.place
            event.add("location", clean(where.name))
            event.add(
                "geo", (round(stop.place.lat_deg, 6), round(stop.place.lon_deg, 6))
            )
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _uid(day: Day, what: str) -> str:
    key = f"{day.shop.place.lat_deg} {day.shop.place.lon_deg} {day.date} {what}"
    return str(uuid.uuid5(_SPACE, key))


def _utc(day: Day, time_s: int) -> datetime:
    return day.clock.midnight() + timedelta(seconds=time_s)


def _key(van: Van, visit: Visit) -> str:
    """Return what a stop is known by: a van stops at one store once a day at most."""
    if visit.call is not None:
        return visit.call.id
    if visit.store is not None:
        return f"restock of {van.id} at {visit.store.id}"
    return f"break of {van.id}"


def _describe(
    answer: Answer, van: Van, visit: Visit, late: Mapping[str, Broken]
) -> str:
    day = answer.day
    lines = []
    if visit.call is not None:
        entry = late.get(visit.call.id)
        lines += [
            clean(visit.call.customer),
            broken_words(day, entry) if entry else promise_words(day, visit.call),
            *link_words(answer, visit.call.id),
            access_words(visit.call),
        ]
    if visit.store is not None:
        lines += [
            f"fetch {line.load} \u00d7 {clean(line.name)} ({line.part_id})"
            for line in fetch_at(answer, van.id, visit.store.id).lines
        ]
        lines += swap_words(answer, van.id, visit.store.id)
    if visit.stop.drive_s:
        lines.append(
            f"leave {day.clock.hhmm(visit.leave_s)}, "
            f"drive {span_words(visit.stop.drive_s)}, "
            f"{day.distance.say(visit.stop.drive_m)}"
        )
    return "\n".join(clean(line) for line in lines if line)
