"""The live day as plain data for programs: the JSON documents and their fields.

As in :mod:`dispatch.report.document`: ``_cents`` are cents without a currency, ``_s``
seconds since local midnight of the day, or seconds. The published schema is made from
these classes (:mod:`api.schemas`).
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Literal

from dispatch.difference import Change, ChangeKind, Difference, Ring
from dispatch.live import Errand, Moment, waits
from dispatch.report.live import change_words, errand_words, fact_words
from dispatch.rest import FrozenStop
from dispatch.urgent import Option, OptionKind, Options
from dispatch.waiting import Spot, Wait
from shared.facts import CallState, Doing, Fact, FactKind
from shared.model import Call, Day, Stop, StopKind, Window


@dataclass(frozen=True, slots=True, kw_only=True)
class FactDocument:
    """One thing that happened.

    Parameters
    ----------
    id : str
        As in facts.csv.
    kind : FactKind
        What.
    at_s : int
        When.
    van_id, call_id, store_id : str or null
        To whom, and where.
    words : str
        The same for people.
    """

    id: str
    kind: FactKind
    at_s: int
    van_id: str | None
    call_id: str | None
    store_id: str | None
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeDocument:
    """What becomes of one call.

    Parameters
    ----------
    call_id : str
        The call.
    kind : ChangeKind
        The worst of what becomes of it.
    from_van, to_van : str or null
        Who would have come, and who comes now; null: nobody.
    from_s, to_s : int or null
        When the visit would have started, and when it does now.
    by_s : int
        How much later it starts, negative: earlier; 0 where one of them is not known.
    reason : str
        Why, in plain words.
    ring : bool
        Whether the customer has to be rung.
    words : str
        All of it for people.
    """

    call_id: str
    kind: ChangeKind
    from_van: str | None
    to_van: str | None
    from_s: int | None
    to_s: int | None
    by_s: int
    reason: str
    ring: bool
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrandDocument:
    """A stop for parts that is new, or left out.

    Parameters
    ----------
    van_id, store_id : str
        Who, and where.
    at_s : int
        When it starts, or would have.
    new : bool
        Put in; else left out.
    words : str
        The same for people, with what it fetches.
    """

    van_id: str
    store_id: str
    at_s: int
    new: bool
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RingDocument:
    """A customer to ring.

    Parameters
    ----------
    call_id, customer, phone : str
        Whom.
    window_from_s, window_until_s : int or null
        When the visit starts now; null: not at all today.
    message : str
        What to say.
    """

    call_id: str
    customer: str
    phone: str
    window_from_s: int | None
    window_until_s: int | None
    message: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MomentDocument:
    """One fact and what it changes.

    Parameters
    ----------
    fact : FactDocument or null
        What happened; null: nothing has yet.
    released : str or null
        The slot kept free that makes room for the call that came in.
    changes : tuple of ChangeDocument
        Call by call; none where nothing changes.
    errands : tuple of ErrandDocument
        Stops for parts, new or left out.
    rings : tuple of RingDocument
        Whom to ring, the most urgent first.
    """

    fact: FactDocument | None
    released: str | None
    changes: tuple[ChangeDocument, ...]
    errands: tuple[ErrandDocument, ...]
    rings: tuple[RingDocument, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RestStopDocument:
    """A stop, frozen or still to come.

    Parameters
    ----------
    kind : StopKind
        Call, break or restock stop.
    call_id, store_id : str or null
        At which call or store.
    state : CallState
        Open: still to come, and it may be changed. Of frozen stops how far they are.
    arrive_s, start_s, finish_s : int
        Actual where they are behind, else planned.
    late_s : int
        Of a stop that is still to come: how long after the promise it starts.
    """

    kind: StopKind
    call_id: str | None
    store_id: str | None
    state: CallState
    arrive_s: int
    start_s: int
    finish_s: int
    late_s: int


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitDocument:
    """Where a van waits.

    Parameters
    ----------
    before : str
        The call or store that comes next.
    spot : Spot
        At the last customer, at the next, or near likely emergencies.
    lat_deg, lon_deg : float
        The same on the map.
    from_s, leave_by_s : int
        From when, and the latest second to go on.
    reason : str
        Why there.
    """

    before: str
    spot: Spot
    lat_deg: float
    lon_deg: float
    from_s: int
    leave_by_s: int
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RestVanDocument:
    """One van now, and what is left for it.

    Parameters
    ----------
    van_id, driver : str
        Who.
    doing : Doing
        What it does now.
    since_s : int
        Since when.
    frozen : tuple of RestStopDocument
        Done, under way and being driven to: no plan changes these.
    stops : tuple of RestStopDocument
        Still to come.
    waits : tuple of WaitDocument
        Where it waits best.
    """

    van_id: str
    driver: str
    doing: Doing
    since_s: int
    frozen: tuple[RestStopDocument, ...]
    stops: tuple[RestStopDocument, ...]
    waits: tuple[WaitDocument, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOutDocument:
    """An open call that nobody comes to.

    Parameters
    ----------
    call_id : str
        The call.
    reasons : tuple of str
        Why.
    """

    call_id: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RestDocument:
    """The rest of a day.

    Parameters
    ----------
    format : str
        Always 'keyround rest'.
    version : int
        Version of this format; it changes when a field changes its meaning or goes.
    date : date
        The day.
    zone : str
        Its time zone.
    now_s : int
        From when on things can be changed.
    moment : MomentDocument
        What happened last, and what that changes.
    vans : tuple of RestVanDocument
        All vans.
    left_out : tuple of LeftOutDocument
        Open calls that nobody comes to.
    notes : tuple of str
        What a person should know.
    """

    format: Literal["keyround rest"]
    version: Literal[1]
    date: date
    zone: str
    now_s: int
    moment: MomentDocument
    vans: tuple[RestVanDocument, ...]
    left_out: tuple[LeftOutDocument, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StoryDocument:
    """A day from start to end.

    Parameters
    ----------
    format : str
        Always 'keyround story'.
    version : int
        Version of this format; it changes when a field changes its meaning or goes.
    date : date
        The day.
    zone : str
        Its time zone.
    moments : tuple of MomentDocument
        Each fact in turn.
    """

    format: Literal["keyround story"]
    version: Literal[1]
    date: date
    zone: str
    moments: tuple[MomentDocument, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionDocument:
    """One thing that can be done about an urgent call.

    Parameters
    ----------
    kind : OptionKind
        What is the point of it.
    also : tuple of OptionKind
        What it is as well.
    words : str
        Plain words.
    van_id : str or null
        Who comes; null: nobody of this firm.
    start_s : int or null
        When the visit starts.
    cost_cents : int
        What the day costs more than without the call.
    moved, broken, dropped : tuple of str
        Calls moved, calls whose promise would be broken, calls nobody would serve.
    parts : tuple of str
        Which parts it uses, and what that does to others.
    agree : str
        What the driver has to agree to; empty: nothing.
    changes : tuple of ChangeDocument
        What it changes, call by call.
    rings : tuple of RingDocument
        Whom to ring about it.
    reasons : tuple of str
        Where no van can take the call: why not.
    """

    kind: OptionKind
    also: tuple[OptionKind, ...]
    words: str
    van_id: str | None
    start_s: int | None
    cost_cents: int
    moved: tuple[str, ...]
    broken: tuple[str, ...]
    dropped: tuple[str, ...]
    parts: tuple[str, ...]
    agree: str
    changes: tuple[ChangeDocument, ...]
    rings: tuple[RingDocument, ...]
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class UrgentDocument:
    """What can be done about an urgent call.

    Parameters
    ----------
    format : str
        Always 'keyround urgent'.
    version : int
        Version of this format; it changes when a field changes its meaning or goes.
    call_id : str
        The call.
    now_s : int
        When it is asked about.
    first : tuple of str
        To be said before anything else.
    options : tuple of OptionDocument
        The best first; then to pass it on, then not to take it.
    """

    format: Literal["keyround urgent"]
    version: Literal[1]
    call_id: str
    now_s: int
    first: tuple[str, ...]
    options: tuple[OptionDocument, ...]


def rest_json(day: Day, moment: Moment) -> str:
    """Return the rest of a day as JSON.

    Parameters
    ----------
    day : Day
        As it was planned.
    moment : Moment
        The last one.

    Returns
    -------
    str
        JSON (RFC 8259), indented, ends in a line feed.
    """
    found: dict[str, list[Wait]] = {}
    for wait in waits(day, moment):
        found.setdefault(wait.van_id, []).append(wait)
    routes = {route.van_id: route.stops for route in moment.plan.routes}
    return _json(
        RestDocument(
            format="keyround rest",
            version=1,
            date=day.date,
            zone=day.zone.key,
            now_s=moment.rest.now_s,
            moment=_moment(day, moment),
            vans=tuple(
                RestVanDocument(
                    van_id=van.id,
                    driver=van.driver,
                    doing=moment.state.vans[van.id].doing,
                    since_s=moment.state.vans[van.id].since_s,
                    frozen=tuple(map(_frozen, moment.rest.frozen.get(van.id, ()))),
                    stops=tuple(map(_ahead, routes.get(van.id, ()))),
                    waits=tuple(map(_wait, found.get(van.id, ()))),
                )
                for van in day.vans
            ),
            left_out=tuple(
                LeftOutDocument(
                    call_id=one.call_id, reasons=tuple(r.text for r in one.reasons)
                )
                for one in moment.left_out
            ),
            notes=moment.rest.notes,
        )
    )


def story_json(day: Day, moments: Sequence[Moment]) -> str:
    """Return a day's story as JSON.

    Parameters
    ----------
    day : Day
        As it was planned.
    moments : sequence of Moment
        In the order in which they happened.

    Returns
    -------
    str
        As :func:`rest_json`.
    """
    return _json(
        StoryDocument(
            format="keyround story",
            version=1,
            date=day.date,
            zone=day.zone.key,
            moments=tuple(_moment(day, moment) for moment in moments),
        )
    )


def urgent_json(day: Day, call: Call, moment: Moment, found: Options) -> str:
    """Return what can be done about an urgent call as JSON.

    Parameters
    ----------
    day : Day
        As it was planned.
    call : Call
        The call.
    moment : Moment
        Before it came in.
    found : Options
        What can be done.

    Returns
    -------
    str
        As :func:`rest_json`.
    """
    calls = tuple(now.call for now in moment.state.calls.values())
    return options_json(day, (*calls, call), moment.rest.now_s, found)


def options_json(day: Day, calls: Sequence[Call], now_s: int, found: Options) -> str:
    """Return what can be done about an urgent call as JSON.

    Parameters
    ----------
    day : Day
        As it was planned.
    calls : sequence of Call
        All that are known, the urgent one last.
    now_s : int
        When it is asked about.
    found : Options
        What can be done.

    Returns
    -------
    str
        As :func:`rest_json`.
    """
    return _json(
        UrgentDocument(
            format="keyround urgent",
            version=1,
            call_id=calls[-1].id,
            now_s=now_s,
            first=tuple(caution.text for caution in found.first),
            options=tuple(_option(day, calls, option) for option in found.options),
        )
    )


def _json(document: RestDocument | StoryDocument | UrgentDocument) -> str:
    return (
        json.dumps(
            asdict(document),
            default=date.isoformat,
            ensure_ascii=False,
            allow_nan=False,
            indent=2,
        )
        + "\n"
    )


def _moment(day: Day, moment: Moment) -> MomentDocument:
    calls = [now.call for now in moment.state.calls.values()]
    return MomentDocument(
        fact=None if moment.fact is None else _fact(day, calls, moment.fact),
        released=moment.released,
        changes=_changes(day, calls, moment.difference),
        errands=tuple(_errand(day, calls, errand) for errand in moment.errands),
        rings=tuple(map(ring_document, moment.rings)),
    )


def _fact(day: Day, calls: Iterable[Call], fact: Fact) -> FactDocument:
    return FactDocument(
        id=fact.id,
        kind=fact.kind,
        at_s=fact.at_s,
        van_id=fact.van_id,
        call_id=fact.call_id if fact.call is None else fact.call.id,
        store_id=fact.store_id,
        words=fact_words(day, calls, fact),
    )


def _changes(
    day: Day, calls: Sequence[Call], difference: Difference
) -> tuple[ChangeDocument, ...]:
    return tuple(_change(day, calls, change) for change in difference.changes)


def _change(day: Day, calls: Sequence[Call], change: Change) -> ChangeDocument:
    words = change_words(day, calls, change)
    return ChangeDocument(**asdict(change), words=words)


def _errand(day: Day, calls: Iterable[Call], errand: Errand) -> ErrandDocument:
    return ErrandDocument(
        van_id=errand.van_id,
        store_id=errand.store_id,
        at_s=errand.at_s,
        new=errand.new,
        words=errand_words(day, calls, errand),
    )


def ring_document(ring: Ring) -> RingDocument:
    """Return a customer to ring as plain data.

    Parameters
    ----------
    ring : Ring
        Whom to ring.

    Returns
    -------
    RingDocument
        The same.
    """
    window: Window | None = ring.window
    return RingDocument(
        call_id=ring.call_id,
        customer=ring.customer,
        phone=ring.phone,
        window_from_s=None if window is None else window.start_s,
        window_until_s=None if window is None else window.end_s,
        message=ring.message,
    )


def _frozen(stop: FrozenStop) -> RestStopDocument:
    return RestStopDocument(
        kind=stop.kind,
        call_id=stop.call_id,
        store_id=stop.store_id,
        state=stop.state,
        arrive_s=stop.arrive_s,
        start_s=stop.start_s,
        finish_s=stop.finish_s,
        late_s=0,
    )


def _ahead(stop: Stop) -> RestStopDocument:
    return RestStopDocument(
        kind=stop.kind,
        call_id=stop.call_id,
        store_id=stop.store_id,
        state=CallState.OPEN,
        arrive_s=stop.arrive_s,
        start_s=stop.start_s,
        finish_s=stop.finish_s,
        late_s=stop.late_s,
    )


def _wait(wait: Wait) -> WaitDocument:
    return WaitDocument(
        before=wait.before,
        spot=wait.spot,
        lat_deg=wait.place.lat_deg,
        lon_deg=wait.place.lon_deg,
        from_s=wait.from_s,
        leave_by_s=wait.leave_by_s,
        reason=wait.reason,
    )


def _option(day: Day, calls: Sequence[Call], option: Option) -> OptionDocument:
    return OptionDocument(
        kind=option.kind,
        also=option.also,
        words=option.text,
        van_id=option.van_id,
        start_s=option.arrive_s,
        cost_cents=option.cost_cents,
        moved=option.moved,
        broken=option.broken,
        dropped=option.dropped,
        parts=option.parts,
        agree=option.agree,
        changes=_changes(day, calls, option.difference),
        rings=tuple(map(ring_document, option.ring)),
        reasons=tuple(reason.text for reason in option.reasons),
    )
