"""An answer as plain data for programs: the JSON document and its fields.

Times are RFC 3339 with the day's offset, ``_s`` is seconds, ``_m`` metres,
``_deg`` degrees, ``_cents`` cents without a currency. A program needs nothing
else: every call stands in the document with all that is known about it, once.
The published schema is made from these classes (:mod:`api.schemas`).
"""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime
from typing import Any, Literal

from dispatch.evening import Broken, broken
from dispatch.report.words import (
    Visit,
    above_best_permille,
    access_words,
    date_words,
    duty_s,
    fetch_at,
    handovers,
    held_ids,
    is_off_preference,
    is_tight,
    kept_words,
    name_kind,
    name_part,
    name_store,
    outlook_words,
    shop_stop_s,
    status_words,
    travel_words,
    visits,
    way_to,
    wish_words,
)
from dispatch.supply import counter_name
from shared.model import (
    Answer,
    Call,
    Caution,
    Day,
    Kept,
    Origin,
    Outlook,
    PickLine,
    Place,
    Plan,
    Proof,
    Purchase,
    Purpose,
    ReadyItem,
    ReadyKind,
    ReadyState,
    Reason,
    Route,
    Rule,
    Shortage,
    StopKind,
    Store,
    Tonight,
    ToolUse,
    Unplaced,
    Van,
    Way,
    Window,
    Wish,
)
from shared.units import DistanceUnit, cents

FORMAT: Literal["keyround plan"] = "keyround plan"
VERSION: Literal[1] = 1
SHARE_DIGITS = 4  # of sums over drawn days: what is behind is noise


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceDocument:
    """A point on the map.

    Parameters
    ----------
    name : str
        What a driver would call it; may be empty.
    lat_deg, lon_deg : float
        WGS 84 degrees.
    """

    name: str
    lat_deg: float
    lon_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AddressDocument:
    """Where a call is, as far as anybody knows.

    Parameters
    ----------
    name : str
        The address as it was typed; may be empty.
    lat_deg, lon_deg : float or None
        WGS 84 degrees; null: nobody knows where it is.
    """

    name: str
    lat_deg: float | None
    lon_deg: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AccessDocument:
    """How the driver gets from the van to the job.

    Parameters
    ----------
    place : PlaceDocument or None
        Where the van stands or enters; null: at the call's own place.
    walk_s, search_s : int
        On foot each way, and what it takes on arriving only. Both are counted in the
        drives to and from the visit.
    note : str
        Free words.
    no_signal : bool
        Whether there is no phone signal at the job.
    """

    place: PlaceDocument | None
    walk_s: int
    search_s: int
    note: str
    no_signal: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SpanDocument:
    """A span of time, both ends included.

    Parameters
    ----------
    start_at, end_at : datetime
        First and last moment.
    """

    start_at: datetime
    end_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class NeedDocument:
    """A part a call uses up.

    Parameters
    ----------
    alternatives : tuple of str
        Part ids, the wanted one first; one of them serves the whole quantity.
    quantity : int
        Pieces (or kits).
    """

    alternatives: tuple[str, ...]
    quantity: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadyDocument:
    """Something that must be true before the van rolls.

    Parameters
    ----------
    kind : ReadyKind
        Which thing.
    state : ReadyState
        Open, done or waived.
    owner : str
        Who sees to it.
    waived_by : str
        Who waived it; empty unless waived.
    cost_cents : int
        What it costs to get.
    lead_time_s : int
        From asking to having it.
    note : str
        Free words; always empty for a code, because it may hold the code itself.
    """

    kind: ReadyKind
    state: ReadyState
    owner: str
    waived_by: str
    cost_cents: int
    lead_time_s: int
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CallDocument:
    """One customer's job.

    Parameters
    ----------
    id : str
        The firm's own number.
    customer, phone : str
        Whom to meet and ring.
    place : AddressDocument
        Where.
    candidates : tuple of PlaceDocument
        Where it might be, the likeliest first; empty where it is known.
    access : AccessDocument or None
        How to get there from the van; null: the van stands at the door.
    access_words : str
        The same in plain words.
    kind, kind_name : str
        Kind of work: its id, and words for people.
    description, note : str
        The vehicle or the lock in the customer's words; free words.
    priority : int
        1 (first) to 4.
    windows : tuple of SpanDocument
        Availability: the whole visit lies inside one; empty means any time.
    promise : SpanDocument or None
        The window told to the customer: the visit starts inside it, or the promise
        is broken and the stop says by how much.
    preference : SpanDocument or None
        When the customer would rather have the visit start.
    dates : tuple of date
        Days it may be done on when several are planned; empty: any of them.
    planned_s, median_s, p90_s : int
        Length of the visit: as planned for the driver who comes, and what half and
        nine in ten stay below with a driver of usual pace.
    needs : tuple of NeedDocument
        Parts it uses up.
    skills, equipment : tuple of str
        What the driver must know and the van must carry, sorted.
    required_van : str or None
        The only van that may serve it.
    ready : tuple of ReadyDocument
        What must be true before the van rolls.
    """

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


@dataclass(frozen=True, slots=True, kw_only=True)
class HandedDocument:
    """Pieces that another van hands over before leaving.

    Parameters
    ----------
    van_id : str
        The van that has them.
    quantity : int
        Pieces.
    """

    van_id: str
    quantity: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PickDocument:
    """One line of a van's pick list.

    Parameters
    ----------
    part_id, name, bin : str
        What, and where it lies in the shop.
    load, aboard : int
        Pieces to load at the shop, and pieces that must be aboard already.
    from_vans : tuple of HandedDocument
        Pieces that other vans hand over before leaving.
    spares : int
        How many of all of these are spares.
    call_ids : tuple of str
        Calls that use it, in the order of the route.
    instead_of : tuple of str
        Part ids this one stands in for.
    note : str
        Free words.
    """

    part_id: str
    name: str
    bin: str
    load: int
    aboard: int
    from_vans: tuple[HandedDocument, ...]
    spares: int
    call_ids: tuple[str, ...]
    instead_of: tuple[str, ...]
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RestockDocument:
    """What happens at a restock stop.

    Parameters
    ----------
    store_id, name : str
        The shop or the trade counter: its id, and what it is called.
    opening : SpanDocument or None
        When it is open; null: always.
    fetch : tuple of PickDocument
        The small pick list: 'load' says how many to take there.
    pay_cents : int
        What is paid there; 0 in the firm's own shop.
    bring_back, collect : tuple of str
        Shared tools that change hands there.
    """

    store_id: str
    name: str
    opening: SpanDocument | None
    fetch: tuple[PickDocument, ...]
    pay_cents: int
    bring_back: tuple[str, ...]
    collect: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnDocument:
    """One line of a turn list.

    Parameters
    ----------
    text : str
        What to do.
    distance_m : int
        How far it is from there to the next one.
    """

    text: str
    distance_m: int


@dataclass(frozen=True, slots=True, kw_only=True)
class WayDocument:
    """How a drive goes over the roads.

    Parameters
    ----------
    path_deg : tuple of (float, float)
        Latitude and longitude (WGS 84 degrees) of its bends, from its start to its end.
    turns : tuple of TurnDocument
        The turn list, in English.
    by_ferry : bool
        Whether it takes a ferry.
    """

    path_deg: tuple[tuple[float, float], ...]
    turns: tuple[TurnDocument, ...]
    by_ferry: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StopDocument:
    """One stop of a van.

    Parameters
    ----------
    kind : StopKind
        A call, the meal break, or a restock stop.
    number : int or None
        1 for the van's first call, and so on; null for anything else.
    call : CallDocument or None
        The call; null for anything else.
    restock : RestockDocument or None
        What is fetched where; null for anything but a restock stop.
    place : PlaceDocument or None
        Where; null for a break that is taken anywhere.
    leave_at, arrive_at, start_at, finish_at : datetime
        When the van sets off towards it, is there, begins and ends.
    leave_by : datetime or None
        When the van could set off towards it at the latest and still begin there
        as planned; null where there is no drive to wait before.
    drive_m, drive_s, wait_s : int
        The drive there, and the wait before it begins.
    slack_s : int or None
        How much later it could begin without leaving its window or promise.
    tight : bool
        It begins close to the end of the promise.
    late_s : int
        How long after the end of the promise it begins; 0: no promise is broken.
    off_preference : bool
        It begins outside the hours that the customer would rather have.
    on_time : float or None
        Chance, 0 to 1, that it begins inside its promise, or without one that the
        whole visit lies inside a window; null where there is neither, or where nobody
        drew days.
    second_visit : float or None
        Chance, 0 to 1, that a second visit is due; null where nobody drew days.
    early_at, late_at : datetime or None
        On one drawn day in ten the van is there before the first, on one in ten after
        the second; null where nobody drew days.
    way : WayDocument or None
        How the van drives there; null: it does not, or there is no road network.
    """

    kind: StopKind
    number: int | None
    call: CallDocument | None
    restock: RestockDocument | None
    place: PlaceDocument | None
    leave_at: datetime
    arrive_at: datetime
    start_at: datetime
    finish_at: datetime
    leave_by: datetime | None
    drive_m: int
    drive_s: int
    wait_s: int
    slack_s: int | None
    tight: bool
    late_s: int
    off_preference: bool
    on_time: float | None
    second_visit: float | None
    early_at: datetime | None
    late_at: datetime | None
    way: WayDocument | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class IssueDocument:
    """Pieces of one part given to one purpose.

    Parameters
    ----------
    part_id, name : str
        The part itself; of a kit, the component.
    quantity : int
        Pieces.
    origin : Origin
        Aboard already, loaded at the shop, handed over by another van before
        leaving, or fetched at a restock stop.
    purpose : Purpose
        For a call, or as a spare.
    call_id : str or None
        The call; null for a spare.
    need : int or None
        Position of the need in the call's needs, from 0; null for a spare.
    chosen : str or None
        The alternative of the need that was taken; it may be a kit.
    from_van : str or None
        The van that hands them over; null for any other origin.
    store_id : str or None
        Where they are fetched; null for any other origin.
    extra_cents : int
        What they cost more than the wanted part from the firm's own stock.
    """

    part_id: str
    name: str
    quantity: int
    origin: Origin
    purpose: Purpose
    call_id: str | None
    need: int | None
    chosen: str | None
    from_van: str | None
    store_id: str | None
    extra_cents: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ToolDocument:
    """A shared tool that a van carries.

    Parameters
    ----------
    tool_id, van_id : str
        Which tool, and which van.
    collected, returned : bool
        Whether it is fetched from, or brought back to, the shop at the van's restock
        stop there; otherwise it is aboard from the morning, until the van is back.
    swap_at : datetime or None
        Start of that restock stop; null where it stays aboard all day.
    """

    tool_id: str
    van_id: str
    collected: bool
    returned: bool
    swap_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class VanDocument:
    """One van's day.

    Parameters
    ----------
    id, driver : str
        The van and who drives it.
    start, finish : PlaceDocument or None
        Where its day begins and ends; null: anywhere.
    shift : SpanDocument
        Paid time.
    leave_at, finish_at : datetime
        When it sets off, and when its day ends.
    last_drive_m, last_drive_s : int
        From the last stop to the finish place.
    distance_m, drive_s, work_s, wait_s, overtime_s : int
        The day's sums.
    duty_s : int
        From setting off until it is back, the break left out.
    drive_limit_s, work_limit_s : int or None
        The most that 'drive_s' and 'duty_s' may be; null: no limit is given.
    cost_cents, drive_cents, time_cents, overtime_cents : int
        What the day costs, and of that: kilometres, paid time, overtime. Each is
        rounded once.
    late_cents, preference_cents, change_cents, parts_cents : int
        Also of that: broken promises, starts outside the hours that customers would
        rather have, what differs from the running plan, and what parts cost beyond the
        wanted ones from the firm's own stock.
    stops : tuple of StopDocument
        In order.
    pick_list : tuple of PickDocument
        What it takes along, by bin.
    issues : tuple of IssueDocument
        Every piece it carries for its calls and as a spare.
    last_way : WayDocument or None
        How it drives to its finish place; null as for a stop.
    """

    id: str
    driver: str
    start: PlaceDocument | None
    finish: PlaceDocument | None
    shift: SpanDocument
    leave_at: datetime
    finish_at: datetime
    last_drive_m: int
    last_drive_s: int
    distance_m: int
    drive_s: int
    work_s: int
    wait_s: int
    overtime_s: int
    duty_s: int
    drive_limit_s: int | None
    work_limit_s: int | None
    cost_cents: int
    drive_cents: int
    time_cents: int
    overtime_cents: int
    late_cents: int
    preference_cents: int
    change_cents: int
    parts_cents: int
    stops: tuple[StopDocument, ...]
    pick_list: tuple[PickDocument, ...]
    issues: tuple[IssueDocument, ...]
    last_way: WayDocument | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReasonDocument:
    """Why a call is not planned.

    Parameters
    ----------
    rule : Rule
        The first rule that blocks it.
    van_id : str or None
        For which van; null: whichever goes.
    text, remedy : str
        Plain words: what blocks it, and the smallest change that would help.
    """

    rule: Rule
    van_id: str | None
    text: str
    remedy: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UnplacedDocument:
    """A call that is on no route.

    Parameters
    ----------
    call : CallDocument
        The call.
    reasons : tuple of ReasonDocument
        At least one.
    """

    call: CallDocument
    reasons: tuple[ReasonDocument, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokenDocument:
    """A promise that the plan breaks.

    Parameters
    ----------
    call_id, van_id : str
        Whose promise, and the van that comes.
    promised_until_at, starts_at : datetime
        The promise's end, and when the visit starts.
    late_s : int
        The time between them.
    ask : str
        What to say on the phone tonight.
    reasons : tuple of ReasonDocument
        What stood in the way of keeping it.
    """

    call_id: str
    van_id: str
    promised_until_at: datetime
    starts_at: datetime
    late_s: int
    ask: str
    reasons: tuple[ReasonDocument, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ConflictDocument:
    """Calls that cannot all be done, though any of them can be left out.

    Parameters
    ----------
    call_ids : tuple of str
        The calls.
    text : str
        Plain words.
    """

    call_ids: tuple[str, ...]
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HandoverDocument:
    """Pieces that one van gives another before they leave.

    Parameters
    ----------
    part_id, name : str
        Which part.
    quantity : int
        Pieces.
    from_van, to_van : str
        Giver and taker; the giver may stay in.
    call_ids : tuple of str
        The taker's calls that use them.
    """

    part_id: str
    name: str
    quantity: int
    from_van: str
    to_van: str
    call_ids: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkDocument:
    """Two calls of which one comes first.

    Parameters
    ----------
    first, then : str
        Call ids; 'then' is done only if 'first' is.
    same_van : bool
        One van does both.
    min_gap_s, max_gap_s : int, int or None
        'then' starts at least and at most so long after 'first' is finished.
    """

    first: str
    then: str
    same_van: bool
    min_gap_s: int
    max_gap_s: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskDocument:
    """Money spent, or about to be, for a call that is not planned.

    Parameters
    ----------
    call_id, text : str
        Which call, and what it is in plain words.
    cost_cents : int
        How much.
    spent : bool
        It is paid; otherwise the advice is not to pay yet.
    """

    call_id: str
    text: str
    cost_cents: int
    spent: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldDocument:
    """Pieces at a supplier's trade counter.

    Parameters
    ----------
    counter_id, name : str
        Which counter, and what it is called.
    quantity : int
        Pieces there.
    """

    counter_id: str
    name: str
    quantity: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ShortageDocument:
    """A part of which the day wants more than there is.

    Parameters
    ----------
    part_id, name : str
        Which part.
    wanted, available : int
        Pieces the calls want, and pieces in the vans and the shop.
    call_ids : tuple of str
        Calls not planned that hang on it.
    elsewhere : tuple of HeldDocument
        Trade counters that hold it.
    spares : int
        How many of the missing pieces are spares only.
    """

    part_id: str
    name: str
    wanted: int
    available: int
    call_ids: tuple[str, ...]
    elsewhere: tuple[HeldDocument, ...]
    spares: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PurchaseDocument:
    """Something to buy.

    Parameters
    ----------
    part_id, name : str
        What.
    quantity : int
        Pieces.
    cost_cents : int
        All of them.
    lead_time_s : int or None
        From order to hand; null when nobody knows.
    in_time : bool or None
        Whether it can arrive for this day; null when nobody knows.
    call_ids : tuple of str
        Calls that hang on it.
    where, where_name : str
        The trade counter that has it and what it is called, or empty.
    purpose : Purpose
        A call cannot be served without it, or it is a spare.
    """

    part_id: str
    name: str
    quantity: int
    cost_cents: int
    lead_time_s: int | None
    in_time: bool | None
    call_ids: tuple[str, ...]
    where: str
    where_name: str
    purpose: Purpose


@dataclass(frozen=True, slots=True, kw_only=True)
class TonightDocument:
    """One thing to see to before the day.

    Parameters
    ----------
    call_id : str
        For which call.
    ask : str
        What to do or ask, in plain words.
    item : ReadyDocument
        The open item.
    by_at : datetime or None
        Latest moment to start on it; null for a call that is not planned.
    """

    call_id: str
    ask: str
    item: ReadyDocument
    by_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CautionDocument:
    """A warning that applies to this day's work.

    Parameters
    ----------
    id, text, source : str
        Its key, plain words, and where it comes from.
    emergency : bool
        A danger to life: show it before everything else.
    """

    id: str
    text: str
    source: str
    emergency: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StatusDocument:
    """How good the plan is known to be.

    Parameters
    ----------
    proof : Proof
        Proved best, bounded, or best found.
    words : str
        The same for people.
    bound_cents : int or None
        No plan that places the same calls by priority costs less; null: not known.
    above_best_permille : int or None
        How far above the best possible cost it is at most, in tenths of a percent
        and rounded up; null: not known.
    stopped : bool
        The search was stopped early.
    rounds, seed : int
        The same day, rounds and seed give the same plan.
    """

    proof: Proof
    words: str
    bound_cents: int | None
    above_best_permille: int | None
    stopped: bool
    rounds: int
    seed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DayDocument:
    """Which day was planned, and on what terms.

    Parameters
    ----------
    date : date
        The day.
    zone, date_words : str
        Its time zone, and the date as people say it.
    name, note : str
        What the day is called; free words (such as 'invented').
    planned_at : datetime
        Lead times count from here.
    cushion : float
        Visits are planned as median + cushion * (p90 - median).
    service_level : float
        Wanted chance that the blanks aboard suffice.
    tolerance_s : int
        A start this close to the promise's end is tight.
    distance : DistanceUnit
        What the firm's people read distances in; here all are metres.
    shop : PlaceDocument
        The firm's own store.
    travel : tuple of str
        Which driving times were used, and what they cannot know.
    notices : tuple of str
        What was read but not understood.
    promises_may_break : bool
        Whether a call may start after its promise rather than stay out.
    learnt : str
        Where lengths and driving were learnt from; empty: nothing was learnt.
    credit : str
        Whose data places were looked up in; empty: in nobody's.
    roads : str
        Whose road data that is: belongs on every picture made of it; empty: none.
    """

    date: date
    zone: str
    date_words: str
    name: str
    note: str
    planned_at: datetime
    cushion: float
    service_level: float
    tolerance_s: int
    distance: DistanceUnit
    shop: PlaceDocument
    travel: tuple[str, ...]
    notices: tuple[str, ...]
    promises_may_break: bool
    learnt: str
    credit: str
    roads: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptDocument:
    """How the plan comes out if lengths and traffic vary.

    Parameters
    ----------
    promises : int
        Planned calls with a promise or a window.
    expected : float
        How many of them are kept on the average.
    all_kept : float
        Chance, 0 to 1, that every one is kept.
    second_visits : float
        How many second visits are due on the average.
    draws : int
        How many days were drawn.
    source : str
        What lengths and traffic vary by, in words.
    words : tuple of str
        All that for people.
    """

    promises: int
    expected: float
    all_kept: float
    second_visits: float
    draws: int
    source: str
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WishDocument:
    """A share of the promises that was to be kept, and what that costs.

    Parameters
    ----------
    percent : int
        What was wished: so many promises and windows in a hundred, on the average.
    fulfilled : bool
        Whether so many are kept.
    kept, plain_kept : float
        The share that is kept, 0 to 1, with the wish and without.
    drive_s, cost_cents : int
        What it costs more than the plan without the wish; negative: less.
    short : tuple of str
        Where it is not fulfilled, planned calls with a lesser chance than that.
    words : tuple of str
        All that for people.
    """

    percent: int
    fulfilled: bool
    kept: float
    plain_kept: float
    drive_s: int
    cost_cents: int
    short: tuple[str, ...]
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanDocument:
    """The plan of one day, whole.

    Parameters
    ----------
    format : str
        Always 'keyround plan'.
    version : int
        Version of this format; it changes when a field changes its meaning or goes.
    day : DayDocument
        The day.
    status : StatusDocument
        How good the plan is known to be.
    cost_cents, distance_m, overtime_s : int
        Sums over all vans; the cost is rounded once.
    drive_cents, time_cents, overtime_cents : int
        Of the cost, as for a van.
    late_cents, preference_cents, change_cents, parts_cents : int
        Of the cost, as for a van.
    kept : KeptDocument or None
        How likely the promises are kept; null where nobody drew days.
    wish : WishDocument or None
        What share of them was to be kept; null where nobody wished anything.
    broken : tuple of BrokenDocument
        Broken promises, most urgent first.
    vans : tuple of VanDocument
        Vans that go out.
    idle_vans : tuple of str
        Vans that stay in.
    kept_free : tuple of str
        Slots kept free for emergencies that are on a route like calls, of the kind
        'held': nobody's calls.
    handovers : tuple of HandoverDocument
        What vans hand each other before leaving.
    tools : tuple of ToolDocument
        Which van carries which shared tool.
    links : tuple of LinkDocument
        Calls that hang together.
    unplaced : tuple of UnplacedDocument
        Calls on no route, with reasons.
    conflicts : tuple of ConflictDocument
        Calls that cannot all be done.
    at_risk : tuple of RiskDocument
        Money that the plan makes no use of.
    shortages : tuple of ShortageDocument
        What is missing.
    purchases : tuple of PurchaseDocument
        What to buy.
    tonight : tuple of TonightDocument
        What to see to before the day, longest lead time first.
    cautions : tuple of CautionDocument
        Emergencies first.
    """

    format: Literal["keyround plan"]
    version: Literal[1]
    day: DayDocument
    status: StatusDocument
    cost_cents: int
    distance_m: int
    overtime_s: int
    drive_cents: int
    time_cents: int
    overtime_cents: int
    late_cents: int
    preference_cents: int
    change_cents: int
    parts_cents: int
    kept: KeptDocument | None
    wish: WishDocument | None
    broken: tuple[BrokenDocument, ...]
    vans: tuple[VanDocument, ...]
    idle_vans: tuple[str, ...]
    kept_free: tuple[str, ...]
    handovers: tuple[HandoverDocument, ...]
    tools: tuple[ToolDocument, ...]
    links: tuple[LinkDocument, ...]
    unplaced: tuple[UnplacedDocument, ...]
    conflicts: tuple[ConflictDocument, ...]
    at_risk: tuple[RiskDocument, ...]
    shortages: tuple[ShortageDocument, ...]
    purchases: tuple[PurchaseDocument, ...]
    tonight: tuple[TonightDocument, ...]
    cautions: tuple[CautionDocument, ...]


def document(answer: Answer) -> PlanDocument:
    """Return an answer as the data of the JSON document.

    Parameters
    ----------
    answer : Answer
        What was planned.

    Returns
    -------
    PlanDocument
        Complete: nothing refers to what is not in it.
    """
    day, plan = answer.day, answer.plan
    picks = {picks.van_id: picks.lines for picks in answer.pick_lists}
    calls = {call.id: call for call in day.calls}
    out = {route.van_id for route in plan.routes}
    return PlanDocument(
        format=FORMAT,
        version=VERSION,
        day=_day(day),
        status=_status(plan),
        cost_cents=plan.cost_cents,
        distance_m=sum(route.distance_m for route in plan.routes),
        overtime_s=sum(route.overtime_s for route in plan.routes),
        **_split(plan.routes),
        kept=None if answer.kept is None else _kept(answer.kept),
        wish=None if answer.wish is None else _wish(answer.wish),
        broken=tuple(_broken(day, entry) for entry in broken(day, plan)),
        vans=tuple(
            _van(answer, route, picks.get(route.van_id, ())) for route in plan.routes
        ),
        idle_vans=tuple(van.id for van in day.vans if van.id not in out),
        kept_free=tuple(
            call_id
            for route in plan.routes
            for call_id in route.call_ids
            if call_id in held_ids(day)
        ),
        handovers=tuple(
            HandoverDocument(
                part_id=handed.part_id,
                name=name_part(day, handed.part_id),
                quantity=handed.quantity,
                from_van=handed.from_van,
                to_van=handed.to_van,
                call_ids=handed.call_ids,
            )
            for handed in handovers(plan)
        ),
        tools=tuple(_tool(answer, use) for use in plan.tools),
        links=tuple(
            LinkDocument(
                first=link.first,
                then=link.then,
                same_van=link.same_van,
                min_gap_s=link.min_gap_s,
                max_gap_s=link.max_gap_s,
            )
            for link in day.links
        ),
        conflicts=tuple(
            ConflictDocument(call_ids=conflict.call_ids, text=conflict.text)
            for conflict in plan.conflicts
        ),
        at_risk=tuple(
            RiskDocument(
                call_id=risk.call_id,
                text=risk.text,
                cost_cents=risk.cost_cents,
                spent=risk.spent,
            )
            for risk in answer.at_risk
        ),
        unplaced=tuple(
            _unplaced(day, calls[unplaced.call_id], unplaced)
            for unplaced in plan.unplaced
        ),
        shortages=tuple(_shortage(day, short) for short in answer.shortages),
        purchases=tuple(_purchase(day, purchase) for purchase in answer.purchases),
        tonight=tuple(_tonight(day, tonight) for tonight in answer.tonight),
        cautions=tuple(map(caution_document, answer.cautions)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlookDayDocument:
    """One of several planned days.

    Parameters
    ----------
    date : date
        Which day.
    firm : bool
        Whether it is settled; otherwise it is provisional and will be planned anew.
    plan : PlanDocument
        Its plan, a whole document of its own.
    """

    date: date
    firm: bool
    plan: PlanDocument


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlookDocument:
    """The plans of several days.

    Parameters
    ----------
    format : str
        Always 'keyround outlook'.
    version : int
        Version of this format; it changes when a field changes its meaning or goes.
    words : str
        All days in one line for people.
    days : tuple of OutlookDayDocument
        The days that are worked, in order; the first one also holds the calls that
        no day has room for.
    """

    format: Literal["keyround outlook"]
    version: Literal[1]
    words: str
    days: tuple[OutlookDayDocument, ...]


def outlook_document(outlook: Outlook) -> OutlookDocument:
    """Return the plans of several days as the data of one JSON document.

    Parameters
    ----------
    outlook : Outlook
        What was planned.

    Returns
    -------
    OutlookDocument
        One plan document per day.
    """
    return OutlookDocument(
        format="keyround outlook",
        version=VERSION,
        words=outlook_words(outlook),
        days=tuple(
            OutlookDayDocument(
                date=answer.day.date, firm=number == 0, plan=document(answer)
            )
            for number, answer in enumerate(outlook.answers)
        ),
    )


def outlook_json(outlook: Outlook) -> str:
    """Return the plans of several days as one JSON document.

    Parameters
    ----------
    outlook : Outlook
        What was planned.

    Returns
    -------
    str
        As :func:`plan_json`.
    """
    return _json(asdict(outlook_document(outlook)))


def plan_json(answer: Answer) -> str:
    """Return an answer as its JSON document.

    Parameters
    ----------
    answer : Answer
        What was planned.

    Returns
    -------
    str
        JSON (RFC 8259), indented, ends in a line feed.
    """
    return _json(asdict(document(answer)))


def _json(data: dict[str, Any]) -> str:
    # Without pydantic: a plan on the terminal should not wait for its import.
    return (
        json.dumps(data, default=_moment, ensure_ascii=False, allow_nan=False, indent=2)
        + "\n"
    )


def _moment(value: date) -> str:
    return value.isoformat()


def place_document(place: Place) -> PlaceDocument:
    """Return a place as it is published.

    Parameters
    ----------
    place : Place
        Where.

    Returns
    -------
    PlaceDocument
        The same.
    """
    return PlaceDocument(name=place.name, lat_deg=place.lat_deg, lon_deg=place.lon_deg)


def span_document(day: Day, window: Window) -> SpanDocument:
    """Return a window as it is published.

    Parameters
    ----------
    day : Day
        Whose clock it is by.
    window : Window
        Seconds since that day's midnight.

    Returns
    -------
    SpanDocument
        With the offset of the day's zone.
    """
    clock = day.clock
    return SpanDocument(
        start_at=clock.instant(window.start_s), end_at=clock.instant(window.end_s)
    )


def ready_document(item: ReadyItem) -> ReadyDocument:
    """Return a ready item as data.

    Parameters
    ----------
    item : ReadyItem
        The item.

    Returns
    -------
    ReadyDocument
        Without the note of a code: it may hold the code itself.
    """
    return ReadyDocument(
        kind=item.kind,
        state=item.state,
        owner=item.owner,
        waived_by=item.waived_by,
        cost_cents=item.cost_cents,
        lead_time_s=item.lead_time_s,
        note="" if item.kind is ReadyKind.CODE else item.note,
    )


def call_document(day: Day, call: Call, van: Van | None = None) -> CallDocument:
    """Return a call as data.

    Parameters
    ----------
    day : Day
        The day.
    call : Call
        The call.
    van : Van, optional
        Who comes; without one, a driver of usual pace.

    Returns
    -------
    CallDocument
        All that is known about it, codes left out.
    """
    return CallDocument(
        id=call.id,
        customer=call.customer,
        phone=call.phone,
        place=AddressDocument(
            name=call.place.name,
            lat_deg=call.place.lat_deg if call.is_located else None,
            lon_deg=call.place.lon_deg if call.is_located else None,
        ),
        candidates=()
        if call.barred is None
        else tuple(map(place_document, call.barred.places)),
        access=_access(call),
        access_words=access_words(call),
        kind=call.kind,
        kind_name=name_kind(day, call.kind),
        description=call.description,
        note=call.note,
        priority=call.priority,
        windows=tuple(span_document(day, window) for window in call.windows),
        promise=span_document(day, call.promise) if call.promise is not None else None,
        preference=span_document(day, call.preference)
        if call.preference is not None
        else None,
        dates=call.dates,
        planned_s=day.planned_s(call, van),
        median_s=call.median_s,
        p90_s=call.p90_s,
        needs=tuple(
            NeedDocument(alternatives=need.alternatives, quantity=need.quantity)
            for need in call.needs
        ),
        skills=tuple(sorted(call.skills)),
        equipment=tuple(sorted(call.equipment)),
        required_van=call.required_van,
        ready=tuple(map(ready_document, call.ready)),
    )


def _access(call: Call) -> AccessDocument | None:
    access = call.access
    if access is None:
        return None
    return AccessDocument(
        place=None if access.place is None else place_document(access.place),
        walk_s=access.walk_s,
        search_s=access.search_s,
        note=access.note,
        no_signal=access.no_signal,
    )


def _kept(kept: Kept) -> KeptDocument:
    return KeptDocument(
        promises=kept.promises,
        expected=round(kept.expected, SHARE_DIGITS),
        all_kept=kept.all_kept,
        second_visits=round(kept.again, SHARE_DIGITS),
        draws=kept.draws,
        source=kept.source,
        words=kept_words(kept),
    )


def _wish(wish: Wish) -> WishDocument:
    return WishDocument(
        percent=wish.percent,
        fulfilled=wish.fulfilled,
        kept=round(wish.kept, SHARE_DIGITS),
        plain_kept=round(wish.plain_kept, SHARE_DIGITS),
        drive_s=wish.drive_s,
        cost_cents=cents(wish.cost_units),
        short=wish.short,
        words=wish_words(wish),
    )


def _stop(answer: Answer, van: Van, visit: Visit) -> StopDocument:
    day, clock = answer.day, answer.day.clock
    stop, call, store = visit.stop, visit.call, visit.store
    kept, place = None, stop.place
    if place is not None and call is not None:  # the van stands there, for this address
        place = replace(place, name=call.place.name)
    if answer.kept is not None and call is not None:
        kept = answer.kept.of_call.get(call.id)
    return StopDocument(
        kind=stop.kind,
        number=visit.number,
        call=call_document(day, call, van) if call is not None else None,
        restock=_restock(answer, van, store) if store is not None else None,
        place=place_document(place) if place is not None else None,
        leave_at=clock.instant(visit.leave_s),
        arrive_at=clock.instant(stop.arrive_s),
        start_at=clock.instant(stop.start_s),
        finish_at=clock.instant(stop.finish_s),
        leave_by=(
            clock.instant(stop.leave_by_s) if stop.leave_by_s is not None else None
        ),
        drive_m=stop.drive_m,
        drive_s=stop.drive_s,
        wait_s=stop.wait_s,
        slack_s=stop.slack_s,
        tight=call is not None and is_tight(day, call, stop),
        late_s=stop.late_s,
        off_preference=call is not None and is_off_preference(call, stop),
        on_time=None if kept is None else kept.kept,
        second_visit=None if kept is None else kept.again,
        early_at=None if kept is None else clock.instant(kept.arrive_s[0]),
        late_at=None if kept is None else clock.instant(kept.arrive_s[-1]),
        way=_way(way_to(answer, van.id, stop)),
    )


def _way(way: Way | None) -> WayDocument | None:
    if way is None:
        return None
    return WayDocument(
        path_deg=way.path,
        turns=tuple(
            TurnDocument(text=turn.text, distance_m=turn.distance_m)
            for turn in way.turns
        ),
        by_ferry=way.by_ferry,
    )


def _restock(answer: Answer, van: Van, store: Store) -> RestockDocument:
    day = answer.day
    fetch = fetch_at(answer, van.id, store.id)
    swaps = [
        use
        for use in answer.plan.tools
        if use.van_id == van.id and store.id == day.shop.id
    ]
    return RestockDocument(
        store_id=store.id,
        name=name_store(day, store.id),
        opening=span_document(day, store.opening)
        if store.opening is not None
        else None,
        fetch=tuple(map(_pick, fetch.lines)),
        pay_cents=fetch.cost_cents,
        bring_back=tuple(use.tool_id for use in swaps if use.returned),
        collect=tuple(use.tool_id for use in swaps if use.collected),
    )


def _tool(answer: Answer, use: ToolUse) -> ToolDocument:
    day = answer.day
    route = next((r for r in answer.plan.routes if r.van_id == use.van_id), None)
    swap_s = shop_stop_s(day, route) if use.collected or use.returned else None
    return ToolDocument(
        tool_id=use.tool_id,
        van_id=use.van_id,
        collected=use.collected,
        returned=use.returned,
        swap_at=day.clock.instant(swap_s) if swap_s is not None else None,
    )


def _split(routes: Sequence[Route]) -> dict[str, int]:
    """Return what a cost is made of, by the names of the fields."""
    return {
        "drive_cents": cents(sum(route.drive_units for route in routes)),
        "time_cents": cents(sum(route.time_units for route in routes)),
        "overtime_cents": cents(sum(route.overtime_units for route in routes)),
        "late_cents": cents(sum(route.late_units for route in routes)),
        "preference_cents": cents(sum(route.preference_units for route in routes)),
        "change_cents": cents(sum(route.change_units for route in routes)),
        "parts_cents": cents(sum(route.parts_units for route in routes)),
    }


def _broken(day: Day, entry: Broken) -> BrokenDocument:
    return BrokenDocument(
        call_id=entry.call_id,
        van_id=entry.van_id,
        promised_until_at=day.clock.instant(entry.end_s),
        starts_at=day.clock.instant(entry.start_s),
        late_s=entry.late_s,
        ask=entry.ask,
        reasons=tuple(map(_reason, entry.reasons)),
    )


def _reason(reason: Reason) -> ReasonDocument:
    return ReasonDocument(
        rule=reason.rule,
        van_id=reason.van_id,
        text=reason.text,
        remedy=reason.remedy,
    )


def _van(answer: Answer, route: Route, picks: tuple[PickLine, ...]) -> VanDocument:
    day, clock = answer.day, answer.day.clock
    van = next(van for van in day.vans if van.id == route.van_id)
    return VanDocument(
        id=van.id,
        driver=van.driver,
        start=place_document(van.start) if van.start is not None else None,
        finish=place_document(van.finish) if van.finish is not None else None,
        shift=span_document(day, van.shift),
        leave_at=clock.instant(route.leave_s),
        finish_at=clock.instant(route.finish_s),
        last_drive_m=route.last_drive_m,
        last_drive_s=route.last_drive_s,
        distance_m=route.distance_m,
        drive_s=route.drive_s,
        work_s=route.work_s,
        wait_s=route.wait_s,
        overtime_s=route.overtime_s,
        duty_s=duty_s(van, route),
        drive_limit_s=van.drive_limit_s,
        work_limit_s=van.work_limit_s,
        cost_cents=cents(route.cost_units),
        **_split([route]),
        stops=tuple(_stop(answer, van, visit) for visit in visits(day, route)),
        pick_list=tuple(map(_pick, picks)),
        issues=tuple(
            IssueDocument(
                part_id=issue.part_id,
                name=name_part(day, issue.part_id),
                quantity=issue.quantity,
                origin=issue.origin,
                purpose=issue.purpose,
                call_id=issue.call_id,
                need=issue.need,
                chosen=issue.chosen,
                from_van=issue.from_van,
                store_id=issue.store_id,
                extra_cents=issue.extra_cents,
            )
            for issue in answer.plan.issues
            if issue.van_id == van.id
        ),
        last_way=_way(way_to(answer, van.id, None)),
    )


def _pick(line: PickLine) -> PickDocument:
    return PickDocument(
        part_id=line.part_id,
        name=line.name,
        bin=line.bin,
        load=line.load,
        aboard=line.aboard,
        from_vans=tuple(
            HandedDocument(van_id=van_id, quantity=quantity)
            for van_id, quantity in line.from_vans
        ),
        spares=line.spares,
        call_ids=line.call_ids,
        instead_of=line.instead_of,
        note=line.note,
    )


def _unplaced(day: Day, call: Call, unplaced: Unplaced) -> UnplacedDocument:
    return UnplacedDocument(
        call=call_document(day, call),
        reasons=tuple(map(_reason, unplaced.reasons)),
    )


def _shortage(day: Day, short: Shortage) -> ShortageDocument:
    return ShortageDocument(
        part_id=short.part_id,
        name=short.name,
        wanted=short.wanted,
        available=short.available,
        call_ids=short.call_ids,
        elsewhere=tuple(
            HeldDocument(
                counter_id=counter_id,
                name=counter_name(day, counter_id),
                quantity=quantity,
            )
            for counter_id, quantity in short.elsewhere
        ),
        spares=short.spares,
    )


def _purchase(day: Day, purchase: Purchase) -> PurchaseDocument:
    return PurchaseDocument(
        part_id=purchase.part_id,
        name=purchase.name,
        quantity=purchase.quantity,
        cost_cents=purchase.cost_cents,
        lead_time_s=purchase.lead_time_s,
        in_time=purchase.in_time,
        call_ids=purchase.call_ids,
        where=purchase.where,
        where_name=counter_name(day, purchase.where) if purchase.where else "",
        purpose=purchase.purpose,
    )


def _tonight(day: Day, tonight: Tonight) -> TonightDocument:
    return TonightDocument(
        call_id=tonight.call_id,
        ask=tonight.ask,
        item=ready_document(tonight.item),
        by_at=day.clock.instant(tonight.by_s) if tonight.by_s is not None else None,
    )


def caution_document(caution: Caution) -> CautionDocument:
    """Return a warning as it is published.

    Parameters
    ----------
    caution : Caution
        Of the trade table.

    Returns
    -------
    CautionDocument
        The same.
    """
    return CautionDocument(
        id=caution.id,
        text=caution.text,
        source=caution.source,
        emergency=caution.emergency,
    )


def _status(plan: Plan) -> StatusDocument:
    status = plan.status
    return StatusDocument(
        proof=status.proof,
        words=status_words(plan),
        bound_cents=cents(status.bound_units)
        if status.bound_units is not None
        else None,
        above_best_permille=above_best_permille(plan),
        stopped=status.stopped,
        rounds=status.rounds,
        seed=status.seed,
    )


def _day(day: Day) -> DayDocument:
    return DayDocument(
        date=day.date,
        zone=day.zone.key,
        date_words=date_words(day),
        name=day.name,
        note=day.note,
        planned_at=day.clock.instant(day.planned_at_s),
        cushion=day.cushion,
        service_level=day.service_level,
        tolerance_s=day.tolerance_s,
        distance=day.distance,
        shop=place_document(day.shop.place),
        travel=travel_words(day),
        notices=day.notices,
        promises_may_break=day.promises_may_break,
        learnt=day.learnt,
        credit=day.credit,
        roads="" if day.travel.streets is None else day.travel.streets.credit,
    )
