"""One printable day sheet per van, as HTML that needs nothing but itself."""

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from dispatch.report.picture import RouteDrawing, StripDrawing, draw_route, draw_strip
from dispatch.report.words import (
    SHEET_LIMITS,
    Visit,
    calls_words,
    clean,
    count,
    date_words,
    is_tight,
    name_kind,
    name_part,
    place_words,
    promise_words,
    ready_words,
    slack_words,
    span_words,
    travel_words,
    visits,
    wait_words,
)
from shared.model import Answer, Caution, PickLine, ReadyState, Route

if TYPE_CHECKING:
    from jinja2 import Template


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadyRow:
    """A ready item on the sheet: its words, and whether it still has to be seen to."""

    words: str
    open: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StopRow:
    """One stop on the sheet, in words; ``number`` is ``None`` for the break."""

    number: int | None
    call_id: str
    kind: str
    customer: str
    phone: str
    dial: str
    place: str
    geo: str
    description: str
    note: str
    leave: str
    drive: str
    arrive: str
    wait: str
    start: str
    finish: str
    promise: str
    slack: str
    tight: bool
    parts: tuple[str, ...]
    ready: tuple[ReadyRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PickRow:
    """One line of the pick list, in words."""

    bin: str
    load: int
    aboard: int
    name: str
    part_id: str
    uses: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """Everything the template shows."""

    title: str
    date: str
    zone: str
    day_name: str
    note: str
    van_id: str
    driver: str
    facts: tuple[tuple[str, str], ...]
    emergencies: tuple[Caution, ...]
    cautions: tuple[Caution, ...]
    picks: tuple[PickRow, ...]
    stops: tuple[StopRow, ...]
    back: str
    strip: StripDrawing
    picture: RouteDrawing
    limits: tuple[str, ...]


def make_sheet(answer: Answer, route: Route) -> Sheet:
    """Return what one van's day sheet shows.

    Parameters
    ----------
    answer : Answer
        The answer that the route belongs to.
    route : Route
        The van's route.

    Returns
    -------
    Sheet
        Plain words and drawings; no code and no note on a code is in it.
    """
    day, clock = answer.day, answer.day.clock
    van = next(van for van in day.vans if van.id == route.van_id)
    facts = [
        ("Out", clock.hhmm(route.leave_s)),
        ("Back", clock.hhmm(route.finish_s)),
        ("Calls", str(len(route.call_ids))),
        ("Distance", day.distance.say(route.distance_m)),
        ("Driving", span_words(route.drive_s)),
    ]
    if route.overtime_s:
        facts.append(("Overtime", span_words(route.overtime_s)))
    kinds = {call.kind for call in day.calls if call.id in route.call_ids}
    mine = {
        caution_id
        for kind_id in kinds
        if kind_id in day.kinds
        for caution_id in day.kinds[kind_id].cautions
    }
    last = route.stops[-1]
    back = ""
    if van.finish is not None:
        back = (
            f"Leave {clock.hhmm(last.finish_s)}, drive "
            f"{span_words(route.last_drive_s)}, "
            f"{day.distance.say(route.last_drive_m)}, "
            f"back {clock.hhmm(route.finish_s)} at {place_words(day, van, finish=True)}"
        )
    return Sheet(
        title=f"{van.id}, {day.date.isoformat()}",
        date=date_words(day),
        zone=day.zone.key,
        day_name=clean(day.name),
        note=clean(day.note),
        van_id=clean(van.id),
        driver=clean(van.driver),
        facts=tuple(facts),
        # A danger to life is on every van's sheet: the next call may be one.
        emergencies=tuple(caution for caution in answer.cautions if caution.emergency),
        cautions=tuple(
            caution
            for caution in answer.cautions
            if caution.id in mine and not caution.emergency
        ),
        picks=tuple(
            _pick(answer, line)
            for picks in answer.pick_lists
            if picks.van_id == van.id
            for line in picks.lines
        ),
        stops=tuple(_stop(answer, visit) for visit in visits(day, route)),
        back=back,
        strip=draw_strip(day, route),
        picture=draw_route(day, route),
        limits=(*travel_words(day), SHEET_LIMITS),
    )


def sheet_html(answer: Answer, route: Route) -> str:
    """Return one van's day sheet.

    Parameters
    ----------
    answer : Answer
        The answer that the route belongs to.
    route : Route
        The van's route.

    Returns
    -------
    str
        An HTML document without scripts or outside requests, for A4 and for phones.
    """
    return _template().render(sheet=make_sheet(answer, route))


@cache
def _template() -> "Template":
    from jinja2 import (  # noqa: PLC0415 - slow, and only needed here
        Environment,
        PackageLoader,
        StrictUndefined,
    )

    return Environment(
        loader=PackageLoader("dispatch.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    ).get_template("sheet.html.j2")


def _stop(answer: Answer, visit: Visit) -> StopRow:
    day, clock = answer.day, answer.day.clock
    stop, call = visit.stop, visit.call
    slack = ""
    if call is not None and stop.slack_s is not None:
        slack = slack_words(stop.slack_s)
    # A drive that was made before the break is not driven twice.
    drive = ""
    if stop.drive_s:
        drive = f"{span_words(stop.drive_s)}, {day.distance.say(stop.drive_m)}"
    phone = clean(call.phone) if call else ""
    return StopRow(
        number=visit.number,
        call_id=clean(call.id) if call else "",
        kind=clean(name_kind(day, call.kind)) if call else "Break",
        customer=clean(call.customer) if call else "",
        phone=phone,
        dial="".join(sign for sign in phone if sign in "+0123456789"),
        place=clean(stop.place.name) if stop.place else "",
        geo=(
            f"geo:{stop.place.lat_deg:.6f},{stop.place.lon_deg:.6f}"
            if stop.place
            else ""
        ),
        description=clean(call.description) if call else "",
        note=clean(call.note) if call else "",
        leave=clock.hhmm(visit.leave_s),
        drive=drive,
        arrive=clock.hhmm(stop.arrive_s),
        wait=wait_words(day, visit),
        start=clock.hhmm(stop.start_s),
        finish=clock.hhmm(stop.finish_s),
        promise=promise_words(day, call) if call else "",
        slack=slack,
        tight=call is not None and is_tight(day, call, stop),
        parts=_parts(answer, call.id) if call else (),
        ready=tuple(
            ReadyRow(words=ready_words(item), open=item.state is ReadyState.OPEN)
            for item in (call.ready if call else ())
        ),
    )


def _parts(answer: Answer, call_id: str) -> tuple[str, ...]:
    pieces: dict[str, int] = {}
    for issue in answer.plan.issues:
        if issue.call_id == call_id:
            pieces[issue.part_id] = pieces.get(issue.part_id, 0) + issue.quantity
    return tuple(
        f"{quantity} \u00d7 {clean(name_part(answer.day, part_id))} ({part_id})"
        for part_id, quantity in pieces.items()
    )


def _pick(answer: Answer, line: PickLine) -> PickRow:
    uses = [f"for {calls_words(line.call_ids)}"] if line.call_ids else []
    if line.spares:
        uses.append(count(line.spares, "spare"))
    uses += [
        f"instead of {clean(name_part(answer.day, part_id))} ({part_id})"
        for part_id in line.instead_of
    ]
    if line.note:
        uses.append(clean(line.note))
    return PickRow(
        bin=clean(line.bin),
        load=line.load,
        aboard=line.aboard,
        name=clean(line.name),
        part_id=line.part_id,
        uses=", ".join(uses),
    )
