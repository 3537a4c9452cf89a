"""What comes in and goes out as JSON, apart from the published documents."""

from collections.abc import Iterable
from datetime import datetime
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from api.course import News, digest_of
from api.store.days import Brief
from api.store.jobs import Job
from api.store.plans import Version
from shared.errors import Fault, InvalidInput
from shared.facts import Fact, FactKind
from shared.model import (
    Call,
    Day,
    Kind,
    Need,
    Place,
    ReadyItem,
    ReadyKind,
    ReadyState,
    Window,
)
from shared.trade import HELD
from shared.units import DayClock

ID = Annotated[str, Field(pattern=r"^[A-Za-z0-9._:-]{1,64}$")]
NAME = Annotated[str, Field(min_length=1, max_length=200)]
WORDS = Annotated[str, Field(max_length=2000)]
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
    place: PlaceBody
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
    if read.faults:
        raise InvalidInput(read.faults)
    return Call(
        id=body.id,
        place=Place(
            lat_deg=body.place.lat_deg,
            lon_deg=body.place.lon_deg,
            name=body.place.name,
        ),
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
