"""One printable day sheet per van, as HTML that needs nothing but itself."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

from dispatch.evening import HOURS_CAUTION, Broken, broken, has_hours_rule
from dispatch.report.picture import RouteDrawing, StripDrawing, draw_route, draw_strip
from dispatch.report.words import (
    PROVISIONAL_WORDS,
    SHEET_LIMITS,
    Visit,
    access_words,
    again_words,
    arrival_words,
    broken_words,
    clean,
    credit_words,
    date_words,
    drive_words,
    duty_s,
    fetch_at,
    held_ids,
    is_tight,
    kept_words,
    lead_words,
    line_uses,
    link_words,
    name_kind,
    name_part,
    on_time_words,
    place_words,
    promise_words,
    rather_words,
    ready_words,
    slack_words,
    span,
    span_words,
    swap_words,
    tool_words,
    travel_words,
    visits,
    wait_words,
    way_to,
    wish_words,
)
from shared.model import (
    Answer,
    Caution,
    Day,
    PickList,
    ReadyState,
    Route,
    Store,
    Van,
    Way,
)
from shared.units import money

if TYPE_CHECKING:
    from jinja2 import Template


DOUBTFUL = 0.8  # own choice: one in five is late; worth a call ahead


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadyRow:
    """A ready item on the sheet: its words, and whether it still has to be seen to."""

    words: str
    open: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StopRow:
    """One stop on the sheet, in words; ``mark`` is its number or letter, if any."""

    what: str
    mark: str
    call_id: str
    kind: str
    customer: str
    phone: str
    dial: str
    place: str
    geo: str
    description: str
    note: str
    access: str
    leave: str
    drive: str
    arrive: str
    wait: str
    start: str
    finish: str
    promise: str
    late: str
    rather: str
    slack: str
    tight: bool
    on_time: str
    doubtful: bool
    there: str
    again: str
    links: tuple[str, ...]
    parts: tuple[str, ...]
    ready: tuple[ReadyRow, ...]
    fetch: tuple[str, ...]
    pay: str
    turns: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PickRow:
    """One thing to see to before leaving, in words."""

    bin: str
    take: str
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
    provisional: str
    emergencies: tuple[Caution, ...]
    late: tuple[str, ...]
    cautions: tuple[Caution, ...]
    picks: tuple[PickRow, ...]
    stops: tuple[StopRow, ...]
    back: str
    back_turns: tuple[str, ...]
    credit: str
    strip: StripDrawing
    picture: RouteDrawing
    kept: tuple[str, ...]
    limits: tuple[str, ...]


def make_sheet(answer: Answer, route: Route, *, provisional: bool = False) -> Sheet:
    """Return what one van's day sheet shows.

    Parameters
    ----------
    answer : Answer
        The answer that the route belongs to.
    route : Route
        The van's route.
    provisional : bool, optional
        Whether the day will be planned anew: said at the top.

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
        ("Calls", str(len(set(route.call_ids) - held_ids(day)))),
        ("Distance", day.distance.say(route.distance_m)),
        _hours("Driving", route.drive_s, van.drive_limit_s),
    ]
    if van.work_limit_s is not None:
        facts.append(_hours("On duty", duty_s(van, route), van.work_limit_s))
    if route.overtime_s:
        facts.append(("Overtime", span_words(route.overtime_s)))
    kinds = {call.kind for call in day.calls if call.id in route.call_ids}
    mine = {
        caution_id
        for kind_id in kinds
        if kind_id in day.kinds
        for caution_id in day.kinds[kind_id].cautions
    }
    if has_hours_rule(van):
        mine.add(HOURS_CAUTION)
    calls = {call.id: call for call in day.calls}
    late = {entry.call_id: entry for entry in broken(day, answer.plan)}
    last, home = route.stops[-1], way_to(answer, van.id, None)
    streets, back = day.travel.streets, ""
    if van.finish is not None:
        drive = drive_words(day, route.last_drive_s, route.last_drive_m, home)
        back = (
            f"Leave {clock.hhmm(last.finish_s)}, drive {drive}, "
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
        provisional=PROVISIONAL_WORDS if provisional else "",
        # A danger to life is on every van's sheet: the next call may be one.
        emergencies=tuple(caution for caution in answer.cautions if caution.emergency),
        late=tuple(
            f"Call {entry.call_id}"
            + (f", {who}" if (who := clean(calls[entry.call_id].customer)) else "")
            + f": {broken_words(day, entry)}."
            for entry in late.values()
            if entry.van_id == van.id
        ),
        cautions=tuple(
            caution
            for caution in answer.cautions
            if caution.id in mine and not caution.emergency
        ),
        picks=tuple(
            row
            for picks in answer.pick_lists
            if picks.van_id == van.id
            for row in _picks(answer, picks)
        ),
        stops=tuple(_stop(answer, van, visit, late) for visit in visits(day, route)),
        back=back,
        back_turns=_turns(day, home),
        credit="" if streets is None else clean(streets.credit),
        strip=draw_strip(day, route),
        picture=draw_route(day, route, answer.ways.get(van.id, ())),
        kept=(*kept_words(answer.kept), *wish_words(answer.wish)),
        limits=(
            *filter(None, [day.learnt, credit_words(day)]),
            *travel_words(day),
            SHEET_LIMITS,
        ),
    )


def _hours(name: str, spent_s: int, limit_s: int | None) -> tuple[str, str]:
    of = f" of {lead_words(limit_s)}" if limit_s is not None else ""
    return name, span_words(spent_s) + of


def sheet_html(answer: Answer, route: Route, *, provisional: bool = False) -> str:
    """Return one van's day sheet.

    Parameters
    ----------
    answer : Answer
        The answer that the route belongs to.
    route : Route
        The van's route.
    provisional : bool, optional
        As for :func:`make_sheet`.

    Returns
    -------
    str
        An HTML document without scripts or outside requests, for A4 and for phones.
    """
    return _template().render(sheet=make_sheet(answer, route, provisional=provisional))


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


def _stop(
    answer: Answer, van: Van, visit: Visit, late: Mapping[str, Broken]
) -> StopRow:
    day, clock = answer.day, answer.day.clock
    stop, call, store = visit.stop, visit.call, visit.store
    broke = late.get(call.id) if call else None
    slack = ""
    if call is not None and stop.slack_s is not None and broke is None:
        slack = slack_words(stop.slack_s)
    # A drive that was made before the break is not driven twice.
    drive = ""
    way = way_to(answer, van.id, stop)
    if stop.drive_s:
        drive = drive_words(day, stop.drive_s, stop.drive_m, way)
    promise = promise_words(day, call) if call and broke is None else ""
    fetch, pay = _fetch(answer, van, store) if store else ((), "")
    if store is not None and store.opening is not None:
        promise = f"open {span(day, store.opening)}"
    phone = clean(call.phone) if call else ""
    return StopRow(
        what=stop.kind.value,
        mark=visit.mark,
        call_id=clean(call.id) if call else "",
        kind=(
            clean(name_kind(day, call.kind))
            if call
            else "Restock"
            if store
            else "Break"
        ),
        customer=clean(call.customer) if call else "",
        phone=phone,
        dial="".join(sign for sign in phone if sign in "+0123456789"),
        place=clean(call.place.name if call else stop.place.name) if stop.place else "",
        geo=(
            f"geo:{stop.place.lat_deg:.6f},{stop.place.lon_deg:.6f}"
            if stop.place
            else ""
        ),
        description=clean(call.description) if call else "",
        note=clean(call.note) if call else "",
        access=access_words(call) if call else "",
        leave=clock.hhmm(visit.leave_s),
        drive=drive,
        arrive=clock.hhmm(stop.arrive_s),
        wait=wait_words(day, visit),
        start=clock.hhmm(stop.start_s),
        finish=clock.hhmm(stop.finish_s),
        promise=promise,
        late=broken_words(day, broke) if broke is not None else "",
        rather=rather_words(day, call, stop) if call else "",
        slack=slack,
        tight=call is not None and is_tight(day, call, stop),
        on_time=on_time_words(answer, call.id) if call else "",
        doubtful=call is not None and _is_doubtful(answer, call.id),
        there=arrival_words(answer, call.id) if call else "",
        again=again_words(answer, call.id) if call else "",
        links=tuple(map(clean, link_words(answer, call.id))) if call else (),
        parts=_parts(answer, call.id) if call else (),
        ready=tuple(
            ReadyRow(words=ready_words(item), open=item.state is ReadyState.OPEN)
            for item in (call.ready if call else ())
        ),
        fetch=fetch,
        pay=pay,
        turns=_turns(day, way),
    )


def _turns(day: Day, way: Way | None) -> tuple[str, ...]:
    """Return a turn list, each line with how far it is to the next."""
    if way is None:
        return ()
    return tuple(
        clean(turn.text).rstrip(".")
        + (f", {day.distance.say(turn.distance_m)}" if turn.distance_m else "")
        for turn in way.turns
    )


def _is_doubtful(answer: Answer, call_id: str) -> bool:
    stop = None if answer.kept is None else answer.kept.of_call.get(call_id)
    return stop is not None and stop.kept is not None and stop.kept < DOUBTFUL


def _fetch(answer: Answer, van: Van, store: Store) -> tuple[tuple[str, ...], str]:
    """Return what is fetched and swapped at a restock stop, and what is paid there."""
    day, fetch = answer.day, fetch_at(answer, van.id, store.id)
    lines = []
    for line in fetch.lines:
        where = f"bin {clean(line.bin)}: " if line.bin else ""
        uses = line_uses(day, line)
        lines.append(
            f"{where}{line.load} \u00d7 {clean(line.name)} ({line.part_id})"
            + (f", {uses}" if uses else "")
        )
    pay = f"to pay there: {money(fetch.cost_cents)}" if fetch.cost_cents else ""
    swaps = swap_words(answer, van.id, store.id)
    return (*lines, *map(clean, swaps)), pay


def _parts(answer: Answer, call_id: str) -> tuple[str, ...]:
    pieces: dict[str, int] = {}
    for issue in answer.plan.issues:
        if issue.call_id == call_id:
            pieces[issue.part_id] = pieces.get(issue.part_id, 0) + issue.quantity
    return tuple(
        f"{quantity} \u00d7 {clean(name_part(answer.day, part_id))} ({part_id})"
        for part_id, quantity in pieces.items()
    )


def _picks(answer: Answer, picks: PickList) -> list[PickRow]:
    """Return what to load and find aboard, what to hand over, and which tools."""
    rows = []
    for line in picks.lines:
        take = [f"load {line.load}"] * bool(line.load)
        take += [f"{line.aboard} aboard"] * bool(line.aboard)
        take += [f"{pieces} from van {van_id}" for van_id, pieces in line.from_vans]
        rows.append(
            PickRow(
                bin=clean(line.bin),
                take=clean(", ".join(take)),
                name=clean(line.name),
                part_id=line.part_id,
                uses=line_uses(answer.day, replace(line, from_vans=())),
            )
        )
    rows += [
        PickRow(
            bin="",
            take=clean(f"hand {pieces} to van {taker}"),
            name=clean(name_part(answer.day, part_id)),
            part_id=part_id,
            uses="",
        )
        for part_id, taker, pieces in picks.gives
    ]
    rows += [
        PickRow(
            bin="",
            take="take along",
            name=clean(use.tool_id),
            part_id="",
            uses=clean(tool_words(answer, use)),
        )
        for use in picks.tools
        if not use.collected  # its restock stop says to collect it
    ]
    return rows
