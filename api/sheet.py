"""A van's sheet: what its driver needs of the plan, and nothing else.

It is made when a plan is put in force; what the facts change about it (how far each
stop is, what is aboard, what was told) is laid over it as they come in.
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field

from dispatch.report.document import (
    CautionDocument,
    PickDocument,
    PlaceDocument,
    PlanDocument,
    ReadyDocument,
    RestockDocument,
    SpanDocument,
    StopDocument,
    TurnDocument,
    VanDocument,
    place_document,
    ready_document,
    span_document,
)
from dispatch.report.words import date_words, name_part
from dispatch.state import State, VanNow
from shared.facts import CallState, Doing
from shared.model import Day, Origin, StopKind, Van


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetCall:
    """The call of a stop.

    Parameters
    ----------
    id, customer, phone, kind, kind_name, description, note : str
        As in the plan.
    priority : int
        1 (first) to 4.
    promise, told : SpanDocument or None
        What was promised, and what the customer was last told.
    planned_s : int
        How long the visit is planned.
    ready : tuple of ReadyDocument
        What must be true before the van rolls.
    cautions : tuple of str
        Ids of the sheet's cautions that apply.
    has_code : bool
        Whether a code is kept for it.
    access : str
        How to get there from the van, in words; empty: the van stands at the door.
    """

    id: str
    customer: str
    phone: str
    kind: str
    kind_name: str
    description: str
    note: str
    priority: int
    promise: SpanDocument | None
    told: SpanDocument | None
    planned_s: int
    ready: tuple[ReadyDocument, ...]
    cautions: tuple[str, ...]
    has_code: bool
    access: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetTake:
    """What to take to a call.

    Parameters
    ----------
    part_id, name : str
        What.
    quantity : int
        Pieces.
    bin : str
        Where it lies: in the van where it is aboard, else in the shop.
    origin : Origin
        Aboard, from the shop, from another van, or fetched on the way.
    from_id : str or None
        That van or store; in JSON it is called ``from``.
    instead_of : str or None
        The part that was wanted.
    """

    part_id: str
    name: str
    quantity: int
    bin: str
    origin: Origin
    from_id: Annotated[str | None, Field(alias="from")]
    instead_of: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetStop:
    """One stop.

    Parameters
    ----------
    key : str
        ``call:ID``, ``restock:ID`` or ``break``.
    kind : StopKind
        A call, a break or a restock stop.
    number : int or None
        1 for the first call, and so on.
    state : CallState
        How far it is.
    leave_at, arrive_at, start_at, finish_at : datetime
        As planned, or as it was.
    leave_by : datetime or None
        When to set off at the latest.
    slack_s : int or None
        How much later it could begin.
    tight : bool
        It begins close to the end of the promise.
    late_s : int
        How long after the promise it begins.
    place : PlaceDocument or None
        Where.
    call : SheetCall or None
        Of a call.
    take : tuple of SheetTake
        What to take to it.
    tools : tuple of str
        Shared tools it needs.
    restock : RestockDocument or None
        Of a restock stop.
    is_shop : bool
        Whether that is at the firm's own shop.
    turns : tuple of TurnDocument
        The turn list of the drive there; empty without a road network.
    by_ferry : bool
        Whether that drive takes a ferry.
    """

    key: str
    kind: StopKind
    number: int | None
    state: CallState
    leave_at: datetime
    arrive_at: datetime
    start_at: datetime
    finish_at: datetime
    leave_by: datetime | None
    slack_s: int | None
    tight: bool
    late_s: int
    place: PlaceDocument | None
    call: SheetCall | None
    take: tuple[SheetTake, ...]
    tools: tuple[str, ...]
    restock: RestockDocument | None
    is_shop: bool = False
    turns: tuple[TurnDocument, ...] = ()
    by_ferry: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetVan:
    """The van.

    Parameters
    ----------
    id, driver : str
        Which, and who drives it.
    start, finish : PlaceDocument or None
        Where its day begins and ends.
    shift : SpanDocument
        Paid time.
    leave_at, finish_at : datetime or None
        When it sets off, and when its day ends; null: it stays in.
    """

    id: str
    driver: str
    start: PlaceDocument | None
    finish: PlaceDocument | None
    shift: SpanDocument
    leave_at: datetime | None
    finish_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetTool:
    """A shared tool that the van carries.

    Parameters
    ----------
    tool_id : str
        Which.
    collected, returned : bool
        Whether it is fetched at, or brought back to, the shop on the way.
    """

    tool_id: str
    collected: bool
    returned: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetStock:
    """Pieces aboard.

    Parameters
    ----------
    part_id, name : str
        What.
    pieces : int
        How many.
    bin : str
        Where in the van they lie; empty: nobody has said.
    """

    part_id: str
    name: str
    pieces: int
    bin: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetTonight:
    """What to see to the evening before.

    Parameters
    ----------
    call_id, ask : str
        For which call, and what.
    by_at : datetime or None
        When to start on it at the latest.
    """

    call_id: str
    ask: str
    by_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetDocument:
    """A van's sheet.

    Parameters
    ----------
    format : str
        Always 'keyround sheet'.
    version : int
        Of this format.
    day, zone, date_words, name : str
        The day.
    distance : str
        What people read distances in.
    van : SheetVan
        The van.
    emergency : tuple of str
        Words that come before everything else.
    emergency_number : str
        The emergency number where the firm works; empty: the firm does not say.
    stops : tuple of SheetStop
        In order, those behind among them.
    pick_list : tuple of PickDocument
        What it takes along.
    tools : tuple of SheetTool
        Shared tools it carries.
    stock : tuple of SheetStock
        What is aboard.
    tonight : tuple of SheetTonight
        What to see to the evening before.
    cautions : tuple of CautionDocument
        Warnings, emergencies first.
    roads : str
        Whose road data the turn lists are made of; empty: none.
    """

    format: Literal["keyround sheet"]
    version: Literal[1]
    day: str
    zone: str
    date_words: str
    name: str
    distance: str
    van: SheetVan
    emergency: tuple[str, ...]
    stops: tuple[SheetStop, ...]
    pick_list: tuple[PickDocument, ...]
    tools: tuple[SheetTool, ...]
    stock: tuple[SheetStock, ...]
    tonight: tuple[SheetTonight, ...]
    cautions: tuple[CautionDocument, ...]
    emergency_number: str = ""
    roads: str = ""


def make_sheets(day: Day, plan: PlanDocument) -> dict[str, SheetDocument]:
    """Make the sheet of every van.

    Parameters
    ----------
    day : Day
        The day, with its slots and the calls that came in.
    plan : PlanDocument
        Its plan.

    Returns
    -------
    dict of str to SheetDocument
        By van, before anything happened; see :func:`lay_over`.
    """
    out = {van.id: van for van in plan.vans}
    return {van.id: _sheet(day, plan, van, out.get(van.id)) for van in day.vans}


def _sheet(
    day: Day, plan: PlanDocument, van: Van, route: VanDocument | None
) -> SheetDocument:
    stops = () if route is None else route.stops
    mine = {stop.call.id for stop in stops if stop.call is not None}
    kinds = {stop.call.kind for stop in stops if stop.call is not None}
    wanted = {caution for kind in kinds for caution in day.kinds[kind].cautions}
    cautions = tuple(each for each in plan.cautions if each.id in wanted)
    return SheetDocument(
        format="keyround sheet",
        version=1,
        day=day.date.isoformat(),
        zone=day.zone.key,
        date_words=date_words(day),
        name=day.name,
        distance=str(day.distance),
        roads=plan.day.roads,
        van=SheetVan(
            id=van.id,
            driver=van.driver,
            start=None if van.start is None else place_document(van.start),
            finish=None if van.finish is None else place_document(van.finish),
            shift=span_document(day, van.shift),
            leave_at=None if route is None else route.leave_at,
            finish_at=None if route is None else route.finish_at,
        ),
        emergency=tuple(each.text for each in cautions if each.emergency),
        stops=tuple(
            _stop(day, van, route, stop) for stop in stops if route is not None
        ),
        pick_list=() if route is None else route.pick_list,
        tools=tuple(
            SheetTool(
                tool_id=use.tool_id, collected=use.collected, returned=use.returned
            )
            for use in plan.tools
            if use.van_id == van.id
        ),
        stock=_stock(day, van, van.stock),
        tonight=tuple(
            SheetTonight(call_id=each.call_id, ask=each.ask, by_at=each.by_at)
            for each in plan.tonight
            if each.call_id in mine
        ),
        cautions=cautions,
        emergency_number=day.emergency_number,
    )


def _stock(day: Day, van: Van, stock: Mapping[str, int]) -> tuple[SheetStock, ...]:
    return tuple(
        SheetStock(
            part_id=part_id,
            name=name_part(day, part_id),
            pieces=pieces,
            bin=van.bins.get(part_id, ""),
        )
        for part_id, pieces in sorted(stock.items())
        if pieces > 0
    )


def _stop(day: Day, van: Van, route: VanDocument, stop: StopDocument) -> SheetStop:
    key, call = "break", None
    if stop.call is not None:
        key = f"call:{stop.call.id}"
        call = SheetCall(
            id=stop.call.id,
            customer=stop.call.customer,
            phone=stop.call.phone,
            kind=stop.call.kind,
            kind_name=stop.call.kind_name,
            description=stop.call.description,
            note=stop.call.note,
            priority=stop.call.priority,
            promise=stop.call.promise,
            told=None,
            planned_s=stop.call.planned_s,
            ready=stop.call.ready,
            cautions=day.kinds[stop.call.kind].cautions,
            has_code=False,
            access=stop.call.access_words,
        )
    elif stop.restock is not None:
        key = f"restock:{stop.restock.store_id}"
    shared = {tool.id for tool in day.tools}
    return SheetStop(
        key=key,
        kind=stop.kind,
        number=stop.number,
        state=CallState.OPEN,
        leave_at=stop.leave_at,
        arrive_at=stop.arrive_at,
        start_at=stop.start_at,
        finish_at=stop.finish_at,
        leave_by=stop.leave_by,
        slack_s=stop.slack_s,
        tight=stop.tight,
        late_s=stop.late_s,
        place=stop.place,
        call=call,
        take=() if stop.call is None else _take(day, van, route, stop),
        tools=()
        if stop.call is None
        else tuple(
            word
            for word in stop.call.equipment
            if word in shared and word not in van.equipment
        ),
        restock=stop.restock,
        is_shop=stop.restock is not None and stop.restock.store_id == day.shop.id,
        turns=() if stop.way is None else stop.way.turns,
        by_ferry=stop.way is not None and stop.way.by_ferry,
    )


def _take(
    day: Day, van: Van, route: VanDocument, stop: StopDocument
) -> tuple[SheetTake, ...]:
    """Return what to take to a call, part by part."""
    call = stop.call
    found: Counter[tuple[str, Origin, str | None, str | None]] = Counter()
    for issue in route.issues:
        if call is None or issue.call_id != call.id:
            continue
        source = {
            Origin.SHOP: day.shop.id,
            Origin.VAN: issue.from_van,
            Origin.RESTOCK: issue.store_id,
        }.get(issue.origin)
        wanted = None
        if issue.need is not None and issue.need < len(call.needs):
            wanted = call.needs[issue.need].alternatives[0]
        other = None if issue.chosen in (None, wanted) else wanted
        found[issue.part_id, issue.origin, source, other] += issue.quantity
    bins = {part.id: part.bin for part in day.parts.values()}

    def place(part_id: str, origin: Origin) -> str:
        if origin is Origin.ABOARD and part_id in van.bins:
            return van.bins[part_id]
        return bins.get(part_id, "") if origin in (Origin.ABOARD, Origin.SHOP) else ""

    return tuple(
        SheetTake(
            part_id=part_id,
            name=name_part(day, part_id),
            quantity=quantity,
            bin=place(part_id, origin),
            origin=origin,
            from_id=source,
            instead_of=other,
        )
        for (part_id, origin, source, other), quantity in found.items()
    )


# --- what the facts change ----------------------------------------------------------


def lay_over(
    sheet: SheetDocument, day: Day, state: State, codes: Iterable[str] = ()
) -> SheetDocument:
    """Lay what the facts come to over a sheet.

    Parameters
    ----------
    sheet : SheetDocument
        Of a plan; facts may have been laid over it before.
    day : Day
        The day.
    state : State
        What all facts come to.
    codes : iterable of str
        Calls for which a code is kept.

    Returns
    -------
    SheetDocument
        The same for the same facts.
    """
    van_id = sheet.van.id
    van = state.vans[van_id]
    kept = frozenset(codes)
    stops = [_over_stop(stop, day, state, van, kept) for stop in sheet.stops]
    for at, stop in enumerate(stops):
        if stop.kind is StopKind.BREAK:  # nobody tells of it
            begun = any(each.state is not CallState.OPEN for each in stops[at + 1 :])
            stops[at] = replace(stop, state=CallState.DONE if begun else CallState.OPEN)
    return replace(
        sheet,
        stops=tuple(each for each in stops if each.state is not CallState.CANCELLED),
        stock=_stock(
            day, next(each for each in day.vans if each.id == van_id), van.stock
        ),
    )


def _store_id(stop: SheetStop) -> str | None:
    return None if stop.restock is None else stop.restock.store_id


def _over_stop(
    stop: SheetStop, day: Day, state: State, van: VanNow, codes: frozenset[str]
) -> SheetStop:
    if stop.call is not None:
        now = state.calls[stop.call.id]
        call = replace(
            stop.call,
            customer=now.call.customer,
            phone=now.call.phone,
            note=now.call.note,
            ready=tuple(map(ready_document, now.call.ready)),
            promise=None
            if now.call.promise is None
            else span_document(day, now.call.promise),
            told=None if now.told is None else span_document(day, now.told),
            has_code=stop.call.id in codes,
        )
        return replace(stop, state=now.state, call=call)
    store_id = _store_id(stop)
    if store_id is None:
        return stop
    if van.store_id == store_id:
        driving = van.doing is Doing.DRIVING
        return replace(stop, state=CallState.DRIVING if driving else CallState.THERE)
    been = any(past.store_id == store_id for past in van.past)
    return replace(stop, state=CallState.DONE if been else CallState.OPEN)
