"""What comes in and goes out as JSON, apart from the published documents."""

from collections.abc import Iterable, Mapping
from dataclasses import fields, replace
from datetime import date, datetime
from itertools import pairwise
from typing import Annotated, Any, Literal, Self

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, model_validator

from api.course import News, digest_of
from api.store.days import Brief
from api.store.jobs import Job
from api.store.plans import Version
from api.store.stock import Movement
from dispatch.report.document import (
    AccessDocument,
    AddressDocument,
    CautionDocument,
    NeedDocument,
    PlaceDocument,
    ReadyDocument,
    SpanDocument,
    call_document,
)
from shared.errors import Fault, InvalidInput
from shared.facts import CallState, Doing, Fact, FactKind
from shared.model import (
    Access,
    Break,
    Call,
    Day,
    Kind,
    Need,
    Part,
    Place,
    Rates,
    ReadyItem,
    ReadyKind,
    ReadyState,
    Van,
    Window,
)
from shared.trade import HELD
from shared.units import DayClock

ID = Annotated[str, Field(pattern=r"^[A-Za-z0-9._:-]{1,64}$")]
NAME = Annotated[str, Field(min_length=1, max_length=200)]
WORDS = Annotated[str, Field(max_length=2000)]
Category = Literal[
    "blank", "fob", "blade", "chip", "cell", "cylinder", "lock", "kit", "other"
]
PIECES = Annotated[int, Field(ge=1, le=10_000)]
LONG_S = Annotated[int, Field(ge=0, le=172_800)]
ITEMS = 100
TWO_DAYS_S = 48 * 3600


class Body(BaseModel):
    """Refuses fields that it does not know."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class PlaceBody(Body):
    """A point on the map."""

    name: WORDS = ""
    lat_deg: Annotated[float, Field(ge=-90, le=90, allow_inf_nan=False)]
    lon_deg: Annotated[float, Field(ge=-180, le=180, allow_inf_nan=False)]


class WhereBody(Body):
    """Where a call is: by coordinates, or by an address that is looked up."""

    name: WORDS = ""
    lat_deg: Annotated[float, Field(ge=-90, le=90, allow_inf_nan=False)] | None = None
    lon_deg: Annotated[float, Field(ge=-180, le=180, allow_inf_nan=False)] | None = None

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if (self.lat_deg is None) != (self.lon_deg is None):
            raise ValueError("lat_deg and lon_deg go together")
        if self.lat_deg is None and not self.name.strip():
            raise ValueError(
                "a place has lat_deg and lon_deg, or an address as its name"
            )
        return self


class AccessBody(Body):
    """How the driver gets from the van to the job; the walk counts each way."""

    place: PlaceBody | None = None
    walk_s: Annotated[int, Field(ge=0, le=14_400)] = 0
    search_s: Annotated[int, Field(ge=0, le=14_400)] = 0
    note: WORDS = ""
    no_signal: bool = False


class AddressBody(Body):
    """An address as it was typed."""

    address: Annotated[str, Field(min_length=1, max_length=200)]


class FoundView(Body):
    """Where an address is, or where it may be."""

    place: PlaceBody | None
    candidates: tuple[PlaceBody, ...]
    words: str
    credit: str


class PinBody(Body):
    """Where an address is, said by hand."""

    address: Annotated[str, Field(min_length=1, max_length=200)]
    lat_deg: Annotated[float, Field(ge=-90, le=90, allow_inf_nan=False)]
    lon_deg: Annotated[float, Field(ge=-180, le=180, allow_inf_nan=False)]


class PinView(Body):
    """A pin, and who set it when."""

    id: str
    address: str
    lat_deg: float
    lon_deg: float
    set_by: str
    set_at: datetime


class SpanBody(Body):
    """A span of time, both ends included."""

    start_at: AwareDatetime
    end_at: AwareDatetime


class NeedBody(Body):
    """One part a call uses up."""

    alternatives: Annotated[tuple[NAME, ...], Field(min_length=1, max_length=ITEMS)]
    quantity: PIECES = 1


class ReadyBody(Body):
    """Something that must be true before the van rolls."""

    kind: ReadyKind
    state: ReadyState = ReadyState.OPEN
    owner: WORDS = "office"
    waived_by: WORDS = ""
    cost_cents: Annotated[int, Field(ge=0, le=10**9)] = 0
    lead_time_s: Annotated[int, Field(ge=0, le=10**7)] = 0
    note: WORDS = ""


class CallBody(Body):
    """A call; what is left out is the usual for its kind of work."""

    id: NAME
    place: WhereBody
    access: AccessBody | None = None
    kind: NAME
    customer: WORDS = ""
    phone: WORDS = ""
    description: WORDS = ""
    windows: Annotated[tuple[SpanBody, ...], Field(max_length=ITEMS)] = ()
    promise: SpanBody | None = None
    preference: SpanBody | None = None
    median_s: Annotated[int, Field(ge=60, le=86_400)] | None = None
    p90_s: Annotated[int, Field(ge=60, le=86_400)] | None = None
    needs: Annotated[tuple[NeedBody, ...], Field(max_length=ITEMS)] = ()
    skills: Annotated[tuple[NAME, ...], Field(max_length=ITEMS)] = ()
    equipment: Annotated[tuple[NAME, ...], Field(max_length=ITEMS)] = ()
    priority: Annotated[int, Field(ge=1, le=4)] = 2
    required_van: NAME | None = None
    ready: Annotated[tuple[ReadyBody, ...], Field(max_length=ITEMS)] | None = None
    note: WORDS = ""


class PartBody(Body):
    """Some pieces of a part."""

    part_id: NAME
    quantity: PIECES


class HandedBody(Body):
    """Some pieces of a part that another van handed over."""

    van_id: NAME
    part_id: NAME
    quantity: PIECES


class FactBody(Body):
    """One thing that happened; which fields go with which kind: shared/facts.py."""

    id: ID
    kind: FactKind
    at: AwareDatetime
    van_id: NAME | None = None
    call_id: NAME | None = None
    store_id: NAME | None = None
    parts: Annotated[tuple[PartBody, ...], Field(max_length=ITEMS)] | None = None
    handed: Annotated[tuple[HandedBody, ...], Field(max_length=ITEMS)] | None = None
    tools: Annotated[tuple[NAME, ...], Field(max_length=ITEMS)] | None = None
    returned: Annotated[tuple[NAME, ...], Field(max_length=ITEMS)] | None = None
    late_s: LONG_S | None = None
    window: SpanBody | None = None
    call: CallBody | None = None
    keys: Annotated[int, Field(ge=0, le=1000)] | None = None
    note: WORDS = ""


class FactsBody(Body):
    """Facts, and what the clock of who tells them says."""

    sent_at: AwareDatetime
    facts: Annotated[tuple[FactBody, ...], Field(min_length=1, max_length=ITEMS)]


class ResultView(Body):
    """What became of a fact."""

    id: str
    result: Literal["taken", "known", "refused"]
    reason: str


class ResultsView(Body):
    """What became of facts, in their order."""

    results: tuple[ResultView, ...]
    plan_version: int
    now_at: datetime


class FactView(FactBody):
    """A fact, and how it came in."""

    seq: int
    received_at: datetime
    by: str
    words: str


class DayBrief(Body):
    """A day in a few words."""

    id: str
    date: str
    zone: str
    name: str
    note: str
    running: bool
    revision: int
    plan_version: int | None
    calls: int
    vans: int


class DayView(DayBrief):
    """A day without what has addresses of its own."""

    shop: dict[str, Any]
    counters: tuple[dict[str, Any], ...]
    tools: tuple[dict[str, Any], ...]
    links: tuple[dict[str, Any], ...]
    planned_at: datetime
    promises_may_break: bool


class FilesBody(Body):
    """The files of a scenario folder, by name."""

    files: Annotated[dict[str, str], Field(min_length=1, max_length=20)]


class VersionView(Body):
    """One version of a plan, without its documents."""

    version: int
    kind: Literal["morning", "rest", "urgent"]
    made_at: datetime
    facts: int
    cost_cents: int
    current: bool


class PlanView(Body):
    """A plan: keyround plan, and of several days keyround outlook."""

    day: str
    version: int
    kind: Literal["morning", "rest", "urgent"]
    made_at: datetime
    facts: int
    current: bool
    document: dict[str, Any]
    outlook: dict[str, Any] | None


class JobBody(Body):
    """What is asked of a search."""

    seed: Annotated[int, Field(ge=0, lt=2**32)] = 0
    rounds: Annotated[int, Field(ge=1, le=10**8)] | None = None
    seconds: Annotated[float, Field(gt=0, le=3600, allow_inf_nan=False)] | None = None


class CancelBody(Body):
    """How a job is ended."""

    keep: bool = False


class ProgressView(Body):
    """How far a job is."""

    phase: str
    seconds: float
    rounds: int
    total_rounds: int | None
    unplaced: int
    cost_cents: int


class JobView(Body):
    """Some planning."""

    id: str
    day: str
    kind: Literal["morning", "rest"]
    state: Literal["queued", "running", "done", "failed", "cancelled"]
    progress: ProgressView | None
    plan_version: int | None
    problem: dict[str, Any] | None
    created_at: datetime
    started_at: datetime | None
    ended_at: datetime | None


class CallView(Body):
    """A call, and how far it is."""

    id: str
    customer: str
    phone: str
    place: AddressDocument
    candidates: tuple[PlaceDocument, ...]
    access: AccessDocument | None
    access_words: str
    kind: str
    kind_name: str
    description: str
    note: str
    priority: int
    windows: tuple[SpanDocument, ...]
    promise: SpanDocument | None
    preference: SpanDocument | None
    dates: tuple[date, ...]
    planned_s: int
    median_s: int
    p90_s: int
    needs: tuple[NeedDocument, ...]
    skills: tuple[str, ...]
    equipment: tuple[str, ...]
    required_van: str | None
    ready: tuple[ReadyDocument, ...]
    state: CallState
    van_id: str | None
    booked: bool
    revision: int


class BreakBody(Body):
    """The meal break."""

    window: SpanBody
    length_s: Annotated[int, Field(ge=60, le=14_400)]


class RatesBody(Body):
    """What a van's day costs."""

    km_cents: Annotated[int, Field(ge=0, le=10**6)] = 0
    hour_cents: Annotated[int, Field(ge=0, le=10**6)] = 0
    overtime_hour_cents: Annotated[int, Field(ge=0, le=10**6)] = 0


class VanBody(Body):
    """A van with its driver; its stock is counted with movements."""

    id: NAME
    driver: WORDS = ""
    start: PlaceBody | None = None
    finish: PlaceBody | None = None
    loads_at_shop: bool = False
    shift: SpanBody
    overtime_limit_s: LONG_S = 0
    meal: BreakBody | None = None
    skills: Annotated[tuple[NAME, ...], Field(max_length=ITEMS)] = ()
    equipment: Annotated[tuple[NAME, ...], Field(max_length=ITEMS)] = ()
    rates: RatesBody = RatesBody()
    pace: Annotated[
        dict[str, Annotated[float, Field(ge=0.25, le=4)]], Field(max_length=ITEMS)
    ] = Field(default_factory=dict)
    drive_limit_s: LONG_S | None = None
    work_limit_s: LONG_S | None = None


class VanView(VanBody):
    """A van, and what it is doing."""

    revision: int
    doing: Doing


class PartEdit(Body):
    """What can be edited of a part."""

    name: WORDS = ""
    category: Category = "other"
    unit_cost_cents: Annotated[int, Field(ge=0, le=10**9)] = 0
    spoil_rate: Annotated[float, Field(ge=0, lt=1)] = 0.0
    bin: WORDS = ""
    substitutes: Annotated[tuple[NAME, ...], Field(max_length=ITEMS)] = ()
    lead_time_s: Annotated[int, Field(ge=0, le=10**8)] | None = None


class PartView(PartEdit):
    """A part; a kit has no stock of its own."""

    id: str
    components: tuple[PartBody, ...]
    revision: int


class BalanceView(Body):
    """How many pieces lie where."""

    holder: str
    part_id: str
    pieces: int


class MovementBody(Body):
    """So many pieces more, or fewer, than were noted."""

    holder: NAME
    part_id: NAME
    pieces: Annotated[int, Field(ge=-10_000, le=10_000)]
    note: WORDS = ""


class MovementView(Body):
    """Pieces that came or went."""

    seq: int
    holder: str
    part_id: str
    pieces: int
    cause: Literal["morning", "counted", "fact"]
    fact_id: str | None
    note: str
    at: datetime


class UrgentBody(Body):
    """An urgent call; whether somebody is in danger."""

    call: CallBody
    danger: bool = False


class InquiryView(Body):
    """What can be done about an urgent call: keyround urgent."""

    id: str
    plan_version: int
    expires_at: datetime
    document: dict[str, Any]


class KindView(Body):
    """A kind of work: half of such visits are under the median."""

    id: str
    name: str
    median_s: int
    p90_s: int
    skills: tuple[str, ...]
    equipment: tuple[str, ...]
    ready: tuple[ReadyKind, ...]
    cautions: tuple[str, ...]
    source: str


class KindsView(Body):
    """The trade table."""

    items: tuple[KindView, ...]
    cautions: tuple[CautionDocument, ...]


class RingView(Body):
    """A customer whom nobody has rung yet, and what to say."""

    call_id: str
    version: int
    customer: str
    phone: str
    window: SpanBody | None
    message: str


class RungBody(Body):
    """Which word about a call was said: of which plan."""

    version: Annotated[int, Field(ge=1)]


class QuoteBody(Body):
    """A call that a caller wants a window for, and how surely it shall be kept."""

    call: CallBody
    keep: Annotated[float, Field(ge=0.5, le=0.99)] = 0.9


class WindowView(Body):
    """A window that can be told, and the chance that the visit starts in it."""

    van_id: str
    start_at: datetime
    end_at: datetime
    chance: float
    cost_cents: int


class QuoteView(Body):
    """Windows, the narrowest first; or why there is none."""

    windows: tuple[WindowView, ...]
    reasons: tuple[str, ...]


class AcceptBody(Body):
    """Which option is taken, and what is promised."""

    option: Annotated[int, Field(ge=0, le=100)]
    promise: SpanBody | None = None


class AcceptedView(Body):
    """The plan that is in force then."""

    plan_version: int


# --- from the model, and to it --------------------------------------------------------


def brief_view(brief: Brief) -> DayBrief:
    """Return a day in a few words.

    Parameters
    ----------
    brief : Brief
        The store's.

    Returns
    -------
    DayBrief
        As it goes out.
    """
    return DayBrief(
        id=brief.id,
        date=brief.id,
        zone=brief.zone,
        name=brief.name,
        note=brief.note,
        running=brief.running,
        revision=brief.revision,
        plan_version=brief.plan_version,
        calls=brief.calls,
        vans=brief.vans,
    )


def moment(clock: DayClock, at_ms: int) -> datetime:
    """Return a moment on a day's clock.

    Parameters
    ----------
    clock : DayClock
        The day's.
    at_ms : int
        Milliseconds since 1970.

    Returns
    -------
    datetime
        Aware, whole seconds.
    """
    return datetime.fromtimestamp(at_ms // 1000, clock.zone)


def version_view(clock: DayClock, version: Version) -> VersionView:
    """Return a plan's version.

    Parameters
    ----------
    clock : DayClock
        The day's.
    version : Version
        The store's.

    Returns
    -------
    VersionView
        As it goes out.
    """
    return VersionView.model_validate(
        {
            "version": version.version,
            "kind": version.kind,
            "made_at": moment(clock, version.made_ms),
            "facts": version.facts,
            "cost_cents": version.cost_cents,
            "current": version.current,
        }
    )


def job_view(clock: DayClock, job: Job) -> JobView:
    """Return a job.

    Parameters
    ----------
    clock : DayClock
        The day's.
    job : Job
        The store's.

    Returns
    -------
    JobView
        As it goes out.
    """

    def when(at_ms: int | None) -> datetime | None:
        return None if at_ms is None else moment(clock, at_ms)

    return JobView.model_validate(
        {
            "id": job.id,
            "day": job.day_id,
            "kind": job.kind,
            "state": job.state,
            "progress": job.progress,
            "plan_version": job.version,
            "problem": job.problem,
            "created_at": when(job.created_ms),
            "started_at": when(job.started_ms),
            "ended_at": when(job.ended_ms),
        }
    )


def seconds_of(clock: DayClock, at: datetime) -> int:
    """Return a moment as seconds of a day.

    Parameters
    ----------
    clock : DayClock
        The day's.
    at : datetime
        Aware.

    Returns
    -------
    int
        Seconds since its midnight, any sign.
    """
    return round((at - clock.midnight()).total_seconds())


class _Reader:
    """Reads the body of a call; collects what is wrong with it."""

    def __init__(self, day: Day, where: str) -> None:
        self.day, self.where = day, where
        self.faults: list[Fault] = []

    def refuse(self, field: str, got: str, expected: str) -> None:
        self.faults.append(
            Fault(file=f"{self.where}.{field}", got=got, expected=expected)
        )

    def span(self, field: str, span: SpanBody | None) -> Window | None:
        if span is None:
            return None
        clock = self.day.clock
        start_s = seconds_of(clock, span.start_at)
        end_s = seconds_of(clock, span.end_at)
        if not 0 <= start_s <= end_s < TWO_DAYS_S:
            got = f"{span.start_at.isoformat()} to {span.end_at.isoformat()}"
            self.refuse(field, got, f"a span of {self.day.date}, its start first")
            return None
        return Window(start_s=start_s, end_s=end_s)

    def kind(self, body: CallBody) -> Kind:
        kind = self.day.kinds.get(body.kind)
        if kind is not None and kind.id != HELD:
            return kind
        known = [each for each in self.day.kinds.values() if each.id != HELD]
        words = ", ".join(each.id for each in known)
        self.refuse("kind", f"'{body.kind}'", f"one of {words}")
        return known[0]

    def look_at_names(self, body: CallBody) -> None:
        for need in body.needs:
            for part in need.alternatives:
                if part not in self.day.parts:
                    self.refuse("needs", f"'{part}'", "a part of this day")
        vans = [van.id for van in self.day.vans]
        if body.required_van is not None and body.required_van not in vans:
            words = f"one of {', '.join(vans)}"
            self.refuse("required_van", f"'{body.required_van}'", words)
        kinds = [each.kind for each in body.ready or ()]
        if len(set(kinds)) < len(kinds):
            self.refuse("ready", "one kind twice", "each kind once")

    def times(
        self, body: CallBody
    ) -> tuple[tuple[Window, ...], Window | None, Window | None]:
        """Return when a call can be: its windows, its promise, its preference."""
        spans = [
            self.span(f"windows[{row}]", span) for row, span in enumerate(body.windows)
        ]
        windows = tuple(sorted(filter(None, spans), key=lambda span: span.start_s))
        if any(one.end_s >= other.start_s for one, other in pairwise(windows)):
            self.refuse("windows", "windows that overlap", "windows that do not")
        promise = self.span("promise", body.promise)
        preference = self.span("preference", body.preference)
        for field, span in (("promise", promise), ("preference", preference)):
            if span is not None and windows and not _meets(span, windows):
                self.refuse(field, "a time outside its windows", "one that meets them")
        if preference and promise and not _meets(preference, (promise,)):
            self.refuse("preference", "a time outside its promise", "one in it")
        return windows, promise, preference


def call_of(day: Day, body: CallBody, where: str = "body") -> Call:
    """Return the call that somebody describes.

    Parameters
    ----------
    day : Day
        Whose parts, vans and kinds it may name.
    body : CallBody
        The description.
    where : str
        Where in the request it stands.

    Returns
    -------
    Call
        With the usual of its kind for what is not said.

    Raises
    ------
    InvalidInput
        With every fault.
    """
    read = _Reader(day, where)
    kind = read.kind(body)
    read.look_at_names(body)
    windows, promise, preference = read.times(body)
    median_s = body.median_s or kind.median_s
    p90_s = body.p90_s or max(median_s, round(median_s * kind.p90_s / kind.median_s))
    if p90_s < median_s:
        read.refuse("p90_s", str(p90_s), f"at least the median of {median_s} s")
    lat_deg, lon_deg = body.place.lat_deg, body.place.lon_deg
    if lat_deg is None or lon_deg is None:
        read.refuse("place", f"'{body.place.name}'", "its lat_deg and lon_deg as well")
    if read.faults or lat_deg is None or lon_deg is None:
        raise InvalidInput(read.faults)
    return Call(
        id=body.id,
        place=Place(lat_deg=lat_deg, lon_deg=lon_deg, name=body.place.name),
        kind=kind.id,
        median_s=median_s,
        p90_s=p90_s,
        customer=body.customer,
        phone=body.phone,
        description=body.description,
        windows=windows,
        promise=promise,
        preference=preference,
        needs=tuple(
            Need(alternatives=need.alternatives, quantity=need.quantity)
            for need in body.needs
        ),
        skills=kind.skills | frozenset(body.skills),
        equipment=kind.equipment | frozenset(body.equipment),
        priority=body.priority,
        required_van=body.required_van,
        ready=kind.ready
        if body.ready is None
        else tuple(ReadyItem(**each.model_dump()) for each in body.ready),
        note=body.note,
        access=None if body.access is None else _access(body.access),
    )


def _access(body: AccessBody) -> Access:
    return Access(
        place=_place(body.place),
        walk_s=body.walk_s,
        search_s=body.search_s,
        note=body.note,
        no_signal=body.no_signal,
    )


def _meets(span: Window, others: Iterable[Window]) -> bool:
    return any(
        span.start_s <= other.end_s and other.start_s <= span.end_s for other in others
    )


def news_from(day: Day, body: FactBody, by_s: int = 0) -> News:
    """Return a fact as it was told.

    Parameters
    ----------
    day : Day
        Whose calls, vans and parts it may name.
    body : FactBody
        What was told.
    by_s : int
        How much the clock of who told it is behind ours.

    Returns
    -------
    News
        Where it cannot be read, with the reason.
    """
    digest = digest_of(body.model_dump(mode="json", exclude_unset=True))
    clock = day.clock
    note = body.note
    if body.keys is not None:
        note = "; ".join(filter(None, (note, f"keys counted: {body.keys}")))
    read = _Reader(day, "fact")
    window, call = read.span("window", body.window), None
    try:
        call = None if body.call is None else call_of(day, body.call, "call")
    except InvalidInput as error:
        read.faults += error.faults
    if read.faults:
        reason = "\n".join(map(str, read.faults))
        return News(id=body.id, digest=digest, fact=None, reason=reason)
    fact = Fact(
        id=body.id,
        kind=body.kind,
        at_s=seconds_of(clock, body.at) + by_s,
        van_id=body.van_id,
        call_id=body.call_id,
        store_id=body.store_id,
        parts=None
        if body.parts is None
        else tuple((each.part_id, each.quantity) for each in body.parts),
        handed=None
        if body.handed is None
        else tuple((each.van_id, each.part_id, each.quantity) for each in body.handed),
        tools=body.tools,
        returned=body.returned,
        late_s=body.late_s,
        window=window,
        call=call,
        note=note,
    )
    return News(id=body.id, digest=digest, fact=fact)


def call_view(day: Day, call: Call, more: Mapping[str, Any]) -> CallView:
    """Return a call as it goes out.

    Parameters
    ----------
    day : Day
        The day.
    call : Call
        The call.
    more : mapping
        Its state, van, whether it came in, and its revision.

    Returns
    -------
    CallView
        Without codes.
    """
    found = call_document(day, call)
    said = {each.name: getattr(found, each.name) for each in fields(found)}
    return CallView(**said, **more)


def span_body(clock: DayClock, window: Window) -> SpanBody:
    """Return a window as it goes out.

    Parameters
    ----------
    clock : DayClock
        Of the day.
    window : Window
        Seconds since that day's midnight.

    Returns
    -------
    SpanBody
        With the offset of the day's zone.
    """
    return SpanBody(
        start_at=clock.instant(window.start_s), end_at=clock.instant(window.end_s)
    )


def _place_body(place: Place | None) -> PlaceBody | None:
    if place is None:
        return None
    return PlaceBody(name=place.name, lat_deg=place.lat_deg, lon_deg=place.lon_deg)


def _place(body: PlaceBody | None) -> Place | None:
    if body is None:
        return None
    return Place(lat_deg=body.lat_deg, lon_deg=body.lon_deg, name=body.name)


def van_view(day: Day, van: Van, revision: int, doing: Doing) -> VanView:
    """Return a van as it goes out.

    Parameters
    ----------
    day : Day
        The day.
    van : Van
        The van.
    revision : int
        How often it was edited.
    doing : Doing
        What it is doing.

    Returns
    -------
    VanView
        Without its stock.
    """
    meal, clock = van.meal, day.clock
    return VanView(
        id=van.id,
        driver=van.driver,
        start=_place_body(van.start),
        finish=_place_body(van.finish),
        loads_at_shop=van.loads_at_shop,
        shift=span_body(clock, van.shift),
        overtime_limit_s=van.overtime_limit_s,
        meal=None
        if meal is None
        else BreakBody(window=span_body(clock, meal.window), length_s=meal.length_s),
        skills=tuple(sorted(van.skills)),
        equipment=tuple(sorted(van.equipment)),
        rates=RatesBody(
            km_cents=van.rates.km_cents,
            hour_cents=van.rates.hour_cents,
            overtime_hour_cents=van.rates.overtime_hour_cents,
        ),
        pace=dict(van.pace),
        drive_limit_s=van.drive_limit_s,
        work_limit_s=van.work_limit_s,
        revision=revision,
        doing=doing,
    )


def van_of(day: Day, old: Van, body: VanBody) -> Van:
    """Return a van as somebody edits it.

    Parameters
    ----------
    day : Day
        The day.
    old : Van
        As it was.
    body : VanBody
        As it shall be.

    Returns
    -------
    Van
        With its stock, and the days it is off, as they were.

    Raises
    ------
    InvalidInput
        With every fault.
    """
    read = _Reader(day, "body")
    shift = read.span("shift", body.shift) or old.shift
    meal = None
    if body.meal is not None:
        window = read.span("meal.window", body.meal.window) or shift
        meal = Break(window=window, length_s=body.meal.length_s)
        low_s = max(window.start_s, shift.start_s)
        if min(window.end_s, shift.end_s) - low_s < meal.length_s:
            read.refuse("meal", "a break outside the shift", "one that fits into it")
    if read.faults:
        raise InvalidInput(read.faults)
    return replace(
        old,
        driver=body.driver,
        start=_place(body.start),
        finish=_place(body.finish),
        loads_at_shop=body.loads_at_shop,
        shift=shift,
        overtime_limit_s=body.overtime_limit_s,
        meal=meal,
        skills=frozenset(body.skills),
        equipment=frozenset(body.equipment),
        rates=Rates(**body.rates.model_dump()),
        pace=dict(body.pace),
        drive_limit_s=body.drive_limit_s,
        work_limit_s=body.work_limit_s,
    )


def part_view(part: Part, revision: int) -> PartView:
    """Return a part as it goes out.

    Parameters
    ----------
    part : Part
        The part.
    revision : int
        How often it was edited.

    Returns
    -------
    PartView
        The same.
    """
    return PartView.model_validate(
        {
            "id": part.id,
            "name": part.name,
            "category": part.category,
            "unit_cost_cents": part.unit_cost_cents,
            "spoil_rate": part.spoil_rate,
            "bin": part.bin,
            "substitutes": part.substitutes,
            "lead_time_s": part.lead_time_s,
            "components": [
                {"part_id": part_id, "quantity": quantity}
                for part_id, quantity in part.components
            ],
            "revision": revision,
        }
    )


def part_of(day: Day, old: Part, body: PartEdit) -> Part:
    """Return a part as somebody edits it.

    Parameters
    ----------
    day : Day
        Whose parts it may name.
    old : Part
        As it was.
    body : PartEdit
        As it shall be.

    Returns
    -------
    Part
        What a kit is made of stays.

    Raises
    ------
    InvalidInput
        With every fault.
    """
    strange = [each for each in body.substitutes if each not in day.parts]
    if strange or old.id in body.substitutes:
        raise InvalidInput(
            Fault(
                file="body.substitutes",
                got=f"'{each}'",
                expected="another part of this day",
            )
            for each in strange or [old.id]
        )
    return replace(old, **body.model_dump())


def movement_view(clock: DayClock, movement: Movement) -> MovementView:
    """Return pieces that came or went, as it goes out.

    Parameters
    ----------
    clock : DayClock
        The day's.
    movement : Movement
        The store's.

    Returns
    -------
    MovementView
        The same.
    """
    return MovementView.model_validate(
        {
            "seq": movement.seq,
            "holder": movement.holder,
            "part_id": movement.part_id,
            "pieces": movement.pieces,
            "cause": movement.cause,
            "fact_id": movement.fact_id,
            "note": movement.note,
            "at": moment(clock, movement.at_ms),
        }
    )
