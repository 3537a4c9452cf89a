"""The words of a locksmith's day, as frozen data.

Three layers: the *day* that comes in (calls, vans, parts, stock, travel), the
*plan* the engine makes of it, and the *answer* a person reads (the plan with its
pick lists, shortages, tonight's list and cautions).

Times are whole seconds since local midnight of the plan's day (``_s``), money is
cents (``_cents``) or exact cost units (``_units``, see :mod:`shared.units`),
distances are metres (``_m``), coordinates degrees (``_deg``).
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from zoneinfo import ZoneInfo

from shared.units import UNITS_PER_CENT, UNITS_PER_SECOND, DayClock, DistanceUnit, cents

LATE_STEPS_S = (900, 1800, 3600, 7200)
"""A late visit costs as much as the longest of its step; own choice."""

LATE_MOST_S = 4 * 3600
"""What a visit past the last step costs as."""

# --- the day that comes in -------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A point on the map.

    Parameters
    ----------
    lat_deg, lon_deg : float
        WGS 84 degrees, latitude -90 to 90, longitude -180 to 180.
    name : str
        What a driver would call it: an address, a yard, 'Shop'.
    """

    lat_deg: float
    lon_deg: float
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A span of the day, both ends included.

    Parameters
    ----------
    start_s, end_s : int
        Seconds since local midnight, ``start_s <= end_s``.
    """

    start_s: int
    end_s: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Something a call can use up: blank, fob, blade, chip, cell, cylinder, lock.

    Parameters
    ----------
    id, name : str
        The firm's own number and words.
    category : str
        'blank', 'fob', 'blade', 'chip', 'cell', 'cylinder', 'lock', 'kit', 'other'.
    unit_cost_cents : int
        Buying price of one.
    spoil_rate : float
        Share of them that are spoiled when cut or fitted, 0 <= rate < 1.
    bin : str
        Where it lies in the shop.
    substitutes : tuple of str
        Part ids that do as well, best first, used where a call names no own list.
    components : tuple of (str, int)
        For a kit: part ids and how many of each. A kit has no stock of its own;
        it is there when all its components are.
    lead_time_s : int or None
        Seconds from order to hand; ``None`` when nobody knows.
    """

    id: str
    name: str
    category: str = "other"
    unit_cost_cents: int = 0
    spoil_rate: float = 0.0
    bin: str = ""
    substitutes: tuple[str, ...] = ()
    components: tuple[tuple[str, int], ...] = ()
    lead_time_s: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """One part a call uses up.

    Parameters
    ----------
    alternatives : tuple of str
        Part ids (kits allowed), the wanted one first, then its substitutes in
        order. One of them serves the whole quantity.
    quantity : int
        How many, at least 1.
    """

    alternatives: tuple[str, ...]
    quantity: int = 1


class ReadyKind(StrEnum):
    """What can have to be true before the van rolls."""

    CODE = "code"  # a programming PIN bought ahead by the car's VIN
    AUTHORITY = "authority"  # proof that the customer may have a key made
    KEYS_PRESENT = "keys_present"  # every existing key at hand
    VEHICLE_PLACE = "vehicle_place"  # where exactly the vehicle stands
    SIGNAL = "signal"  # phone signal on site, for the live data link
    BATTERY = "battery"  # a healthy vehicle battery, or support for it


class ReadyState(StrEnum):
    """How far a ready item is."""

    OPEN = "open"
    DONE = "done"
    WAIVED = "waived"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadyItem:
    """One thing that must be true before the van rolls.

    Parameters
    ----------
    kind : ReadyKind
        Which thing.
    state : ReadyState
        Open, done, or waived.
    owner : str
        Who sees to it: 'office', 'driver', 'customer'.
    waived_by : str
        Who waived it; empty unless waived.
    cost_cents : int
        What it costs to get.
    lead_time_s : int
        Seconds from asking to having it, counted from the day's ``planned_at_s``.
    note : str
        Free words.
    """

    kind: ReadyKind
    state: ReadyState = ReadyState.OPEN
    owner: str = "office"
    waived_by: str = ""
    cost_cents: int = 0
    lead_time_s: int = 0
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of work, as the trade table knows it.

    Parameters
    ----------
    id, name : str
        Key used in files, and words for people.
    median_s, p90_s : int
        Length of the visit: half are shorter than the median, nine in ten shorter
        than ``p90_s``.
    skills, equipment : frozenset of str
        What the driver must know and the van must carry.
    ready : tuple of ReadyItem
        What must be ready, all open.
    cautions : tuple of str
        Ids of cautions that apply.
    source : str
        Where the figures come from.
    """

    id: str
    name: str
    median_s: int
    p90_s: int
    skills: frozenset[str] = frozenset()
    equipment: frozenset[str] = frozenset()
    ready: tuple[ReadyItem, ...] = ()
    cautions: tuple[str, ...] = ()
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """A warning that applies to some kinds of work.

    Parameters
    ----------
    id : str
        Key used in the trade table.
    text : str
        Plain words, shown as they are.
    source : str
        Where it comes from.
    emergency : bool
        A danger to life: shown before everything else.
    """

    id: str
    text: str
    source: str = ""
    emergency: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What a running plan has arranged for a call; to change it has a price.

    Parameters
    ----------
    van_id : str
        The van that would come.
    window : Window
        The visit would start inside it.
    told : bool
        Whether the customer was told so.
    """

    van_id: str
    window: Window
    told: bool = False


class Rule(StrEnum):
    """The rules a plan can break; also why a van cannot take a call."""

    SKILL = "skill"
    EQUIPMENT = "equipment"
    REQUIRED_VAN = "required_van"
    STOCK = "stock"
    WINDOW = "window"
    PROMISE = "promise"
    READY = "ready"
    SHIFT = "shift"
    BREAK = "break"
    TRAVEL = "travel"
    TIMING = "timing"
    COVER = "cover"
    COST = "cost"
    ROOM = "room"
    RESTOCK = "restock"
    TOOL = "tool"
    LINK = "link"
    LIMIT = "limit"
    ADDRESS = "address"


@dataclass(frozen=True, slots=True, kw_only=True)
class Barred:
    """Why a call cannot be planned for now, whichever van goes.

    Parameters
    ----------
    rule : Rule
        What it is that bars it. ``Rule.ADDRESS``: nobody knows where it is; its place
        has a name, and the coordinates of the shop to fill the gap.
    text : str
        Plain words.
    remedy : str
        What would help, in plain words; may be empty.
    places : tuple of Place
        Where it might be, the likeliest first.
    """

    rule: Rule
    text: str
    remedy: str = ""
    places: tuple[Place, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """How a driver gets from the van to the job: a car park, a gate, a way on foot.

    Parameters
    ----------
    place : Place or None
        Where the van stands or enters; ``None``: at the call's own place.
    walk_s : int
        From the van to the job, and once more on the way back; 0 or more.
    search_s : int
        What it takes on arriving only, such as finding the level or being let in; 0 or
        more.
    note : str
        Free words: a code of a gate, whom to ask.
    no_signal : bool
        Whether there is no phone signal at the job.
    """

    place: Place | None = None
    walk_s: int = 0
    search_s: int = 0
    note: str = ""
    no_signal: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """One customer's job.

    Parameters
    ----------
    id : str
        The firm's own number.
    customer, phone : str
        Whom to meet and ring.
    place : Place
        Where.
    kind : str
        Id of the kind of work.
    description : str
        The vehicle or the lock, in the customer's words.
    windows : tuple of Window
        Availability: the whole visit lies inside one of them. In order, without
        overlap. Empty: any time of the day.
    promise : Window or None
        The window told to the customer: the visit *starts* inside it, or, where the
        day says that promises may break, after it (never before it).
    preference : Window or None
        When the customer would rather have the visit start; elsewhere it costs
        ``Day.preference_cents``.
    dates : tuple of datetime.date
        Days it may be done on when several days are planned; empty: any of them. A
        call with a promise has exactly one (empty: the first day).
    median_s, p90_s : int
        Length of the visit, for a driver of usual pace.
    needs : tuple of Need
        Parts it uses up.
    skills, equipment : frozenset of str
        What the driver must know and the van must carry. A skill with a level is
        written with it, 'pinning 2'; the bare word is level 1.
    priority : int
        1 (first) to 4; calls that cannot all fit are placed in this order.
    required_van : str or None
        The only van that may serve it.
    ready : tuple of ReadyItem
        What must be true before the van rolls.
    note : str
        Free words.
    standing : Standing or None
        What a running plan has arranged; ``None``: nothing yet.
    access : Access or None
        How to get there from the van; ``None``: the van stands at the door. A visit
        starts and finishes at the job: the way on foot is a part of the drives.
    barred : Barred or None
        Why it cannot be planned; ``None``: it can.
    waits_from_s : int or None
        When an urgent caller began to wait, seconds since midnight. Where nothing was
        promised, waiting costs: see :meth:`Day.wait_units`.
    """

    id: str
    place: Place
    kind: str
    median_s: int
    p90_s: int
    customer: str = ""
    phone: str = ""
    description: str = ""
    windows: tuple[Window, ...] = ()
    promise: Window | None = None
    preference: Window | None = None
    dates: tuple[date, ...] = ()
    needs: tuple[Need, ...] = ()
    skills: frozenset[str] = frozenset()
    equipment: frozenset[str] = frozenset()
    priority: int = 2
    required_van: str | None = None
    ready: tuple[ReadyItem, ...] = ()
    note: str = ""
    standing: Standing | None = None
    access: Access | None = None
    barred: Barred | None = None
    waits_from_s: int | None = None

    @property
    def parked(self) -> Place:
        """Where the van stands during the visit.

        Returns
        -------
        Place
            The access point; without one, the call's own place.
        """
        at = None if self.access is None else self.access.place
        return self.place if at is None else at

    @property
    def walk_in_s(self) -> int:
        """What it takes from the parked van to the job.

        Returns
        -------
        int
            Seconds on foot, and of searching.
        """
        return 0 if self.access is None else self.access.walk_s + self.access.search_s

    @property
    def walk_out_s(self) -> int:
        """What it takes from the job back to the van.

        Returns
        -------
        int
            Seconds on foot.
        """
        return 0 if self.access is None else self.access.walk_s

    @property
    def is_located(self) -> bool:
        """Whether anybody knows where it is.

        Returns
        -------
        bool
            False: its coordinates mean nothing.
        """
        return self.barred is None or self.barred.rule is not Rule.ADDRESS


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangePrices:
    """What it costs to change a running plan, besides what the new one costs.

    The figures are our own choice.

    Parameters
    ----------
    van_cents : int
        For each call that another van serves, at least 0.
    time_cents : int
        For each call that starts outside its standing window, at least 0.
    told_cents : int
        For each of these whose customer was told the time, on top, at least 0.
    """

    van_cents: int = 500
    time_cents: int = 300
    told_cents: int = 900


@dataclass(frozen=True, slots=True, kw_only=True)
class Break:
    """The meal break: taken whole inside its window, anywhere on the way.

    Parameters
    ----------
    window : Window
        It starts and ends inside this.
    length_s : int
        Seconds, positive and not longer than the window.
    """

    window: Window
    length_s: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """What a van's day costs.

    Parameters
    ----------
    km_cents : int
        Cents per kilometre driven.
    hour_cents : int
        Cents per hour from the start of the shift until the van is back.
    overtime_hour_cents : int
        Cents per hour past the end of the shift, on top of ``hour_cents``.
    """

    km_cents: int = 0
    hour_cents: int = 0
    overtime_hour_cents: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Van:
    """A van with its driver.

    Parameters
    ----------
    id, driver : str
        Names.
    start, finish : Place or None
        Where its day begins and ends; ``None``: anywhere (no drive is counted).
    loads_at_shop : bool
        Whether it can load from the shop before leaving.
    shift : Window
        Paid time; it is never used before ``start_s``.
    overtime_limit_s : int
        It is back at most this long after ``shift.end_s``.
    meal : Break or None
        A van that is back by the last moment the break could start takes it there.
    skills, equipment : frozenset of str
        What the driver knows and the van carries. Who has a skill at level 3 has it
        at 1 and 2 as well, and all three are in the set: 'pinning', 'pinning 2',
        'pinning 3'.
    stock : mapping of str to int
        Part id to pieces aboard, kits not among them.
    bins : mapping of str to str
        Part id to where it lies in the van, as far as that is known.
    rates : Rates
        What its day costs.
    pace : mapping of str to float
        Kind id to this driver's length of a visit as a share of the usual one, 0.25
        to 4; ``'*'`` stands for all kinds not named.
    drive_limit_s : int or None
        Most seconds at the wheel in one day.
    work_limit_s : int or None
        Most seconds from setting off until it is back, the break left out.
    off : frozenset of datetime.date
        Days it stays in, when several are planned.
    paid_from_s : int or None
        From when on its time counts, where that is not ``shift.start_s``: in the middle
        of a day, an earlier moment for a van that has not left, a later one for a van
        whose drive home has to be paid anyway.
    """

    id: str
    shift: Window
    driver: str = ""
    start: Place | None = None
    finish: Place | None = None
    loads_at_shop: bool = False
    overtime_limit_s: int = 0
    meal: Break | None = None
    skills: frozenset[str] = frozenset()
    equipment: frozenset[str] = frozenset()
    stock: Mapping[str, int] = field(default_factory=dict)
    bins: Mapping[str, str] = field(default_factory=dict)
    rates: Rates = Rates()
    pace: Mapping[str, float] = field(default_factory=dict)
    drive_limit_s: int | None = None
    work_limit_s: int | None = None
    off: frozenset[date] = frozenset()
    paid_from_s: int | None = None

    @property
    def paid_s(self) -> int:
        """From when on its time counts.

        Returns
        -------
        int
            Seconds since midnight.
        """
        return self.shift.start_s if self.paid_from_s is None else self.paid_from_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Store:
    """A place that holds parts: the firm's shop, or a supplier's trade counter.

    Parameters
    ----------
    id, place : str, Place
        Name and where.
    opening : Window or None
        When it is open; ``None``: always, as the firm's own shop.
    stock : mapping of str to int
        Part id to pieces there.
    restock_s : int or None
        How long a van stands there that drives by in the middle of its route to
        fetch parts; ``None``: no van does.
    prices : mapping of str to int
        Cents for one piece bought there, where that is not the part's own price.
    """

    id: str
    place: Place
    opening: Window | None = None
    stock: Mapping[str, int] = field(default_factory=dict)
    restock_s: int | None = None
    prices: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tool:
    """Equipment that lies in the shop and that one van at a time may carry.

    Parameters
    ----------
    id : str
        The word by which kinds and calls ask for it among their equipment.
    quantity : int
        How many the shop has, at least 1.
    handover : bool
        Whether a van may bring it back to the shop, or collect it there, in the
        middle of its route; otherwise it stays with one van all day.
    """

    id: str
    quantity: int = 1
    handover: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """Two calls of which one comes first.

    Parameters
    ----------
    first, then : str
        Call ids. ``then`` is served only if ``first`` is; not the other way round.
    same_van : bool
        Whether one van must serve both.
    min_gap_s, max_gap_s : int, int or None
        ``then`` starts at least and at most so long after ``first`` is finished.
    """

    first: str
    then: str
    same_van: bool = False
    min_gap_s: int = 0
    max_gap_s: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reserve:
    """Time held free for emergencies.

    Parameters
    ----------
    window : Window
        Within which each slot starts and ends.
    length_s : int
        Of each, more than 0.
    slots : int or None
        How many, 0 or more; ``None``: enough for those expected.
    expected : float
        How many emergencies come in on such a day on the average, 0 or more.
    kept : float
        Wanted chance that the slots are enough for them, 0 < kept < 1.
    priority : int
        1 to 4, as a call's: the last one never pushes out a customer.
    kind : str
        Kind of work that an emergency will most likely be: its skills and equipment
        are held with the time.
    """

    window: Window
    length_s: int
    slots: int | None = None
    expected: float = 0.0
    kept: float = 0.8
    priority: int = 4
    kind: str = "lockout_vehicle"


@dataclass(frozen=True, slots=True, kw_only=True)
class Traffic:
    """Speed through the day, as a share of free flow.

    Parameters
    ----------
    slot_s : int
        Length of one slot.
    speed_permille : tuple of int
        One value per slot from local midnight, 1000 is free flow, each 50 to 2000;
        the last one holds on.
    source : str
        Where the figures come from.
    """

    slot_s: int = 900
    speed_permille: tuple[int, ...] = (1000,)
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CutOff:
    """A place that no van can drive to and away from.

    Parameters
    ----------
    place : Place
        Where.
    text : str
        Why not, in plain words.
    remedy : str
        What would help.
    """

    place: Place
    text: str
    remedy: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Streets:
    """Drives between places, as a road network has them.

    Parameters
    ----------
    network : str
        Which network: a short id, the same for the same data and library.
    credit : str
        Whose data that is, and of when; belongs on everything made of it.
    spots : tuple of (int, int)
        Each place's latitude and longitude in millionths of a degree, see
        :func:`spot_of`; each once.
    meets : tuple of (float, float, int)
        Where each spot meets the road: latitude and longitude in degrees, and how many
        junctions are in reach from there, as far as they are counted.
    base_s, distance_m : tuple of tuple of int
        Seconds on empty roads and metres from each spot (rows) to each (columns), 0 on
        the diagonal; -1: no road leads there.
    cut_off : tuple of CutOff
        Places that were asked about and are out of reach: none of them is a spot.
    """

    network: str
    credit: str
    spots: tuple[tuple[int, int], ...] = ()
    meets: tuple[tuple[float, float, int], ...] = ()
    base_s: tuple[tuple[int, ...], ...] = ()
    distance_m: tuple[tuple[int, ...], ...] = ()
    cut_off: tuple[CutOff, ...] = ()

    @property
    def lost(self) -> frozenset[tuple[int, int]]:
        """Where the places are that are cut off.

        Returns
        -------
        frozenset of (int, int)
            Spots.
        """
        return frozenset(spot_of(one.place) for one in self.cut_off)


def spot_of(place: Place) -> tuple[int, int]:
    """Return where a place is, by which its drives are found again.

    Parameters
    ----------
    place : Place
        The place.

    Returns
    -------
    (int, int)
        Latitude and longitude in millionths of a degree, about 0.1 m.
    """
    return round(place.lat_deg * 1_000_000), round(place.lon_deg * 1_000_000)


@dataclass(frozen=True, slots=True, kw_only=True)
class TravelRules:
    """How distance becomes driving time.

    Parameters
    ----------
    start_stop_s : int
        Fixed time of every drive that goes anywhere: set off, park, find the door.
    free_flow_kmh : float
        Free-flow speed on the road.
    traffic : Traffic
        Speed through the day.
    matrix : mapping of (str, str) to (int, int), or None
        A given table instead of the straight line: (from, to) node keys (see
        :mod:`dispatch.travel`) to (free-flow seconds, metres).
    source : str
        Words for the plan's footer.
    hop_detour, long_detour : float
        The straight line's: road over straight distance for a hop of no length and for
        the longest drive, ``1 <= long_detour <= hop_detour``.
    halving_m : float
        Its distance at which half of their difference is left, more than 0.
    error : str
        How far its times are off, in words, where that was measured.
    roads : str
        What the folder names as its road network: a file, a folder or an address.
    streets : Streets or None
        Drives on that network: they count before the straight line, after the matrix.
        ``start_stop_s`` is added to each that goes anywhere.
    street_pace : float
        The firm's time on empty roads over the network's, more than 0.
    """

    start_stop_s: int = 120
    free_flow_kmh: float = 50.0
    traffic: Traffic = Traffic()
    matrix: Mapping[tuple[str, str], tuple[int, int]] | None = None
    source: str = ""
    hop_detour: float = 2.0
    long_detour: float = 1.2
    halving_m: float = 2_000.0
    error: str = ""
    roads: str = ""
    streets: Streets | None = None
    street_pace: float = 1.0

    def cut_off(self, place: Place) -> CutOff | None:
        """Return why no van gets to a place, or not away from it.

        Parameters
        ----------
        place : Place
            The place.

        Returns
        -------
        CutOff or None
            ``None``: the road network reaches it, or there is none.
        """
        if self.streets is None or not self.streets.cut_off:
            return None
        spot = spot_of(place)
        return next(
            (one for one in self.streets.cut_off if spot_of(one.place) == spot), None
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """Everything the engine is told about one day.

    Parameters
    ----------
    date, zone : datetime.date, zoneinfo.ZoneInfo
        Which day, and on whose clock.
    shop : Store
        The firm's own store.
    calls, vans : tuple of Call, tuple of Van
        In the order of their files; ids are unique.
    parts : mapping of str to Part
        By id.
    kinds, cautions : mapping of str to Kind, mapping of str to Caution
        The trade table, and the warnings it refers to.
    counters : tuple of Store
        Suppliers' trade counters.
    travel : TravelRules
        How distance becomes time.
    planned_at_s : int
        When the evening's work is done, seconds from the day's midnight
        (negative: the evening before). Lead times count from here.
    cushion : float
        The visit length planned is ``median + cushion * (p90 - median)``, 0 to 1.
    service_level : float
        Wanted chance that the blanks aboard suffice for a part, 0 < level < 1.
    tolerance_s : int
        An arrival this close to the promise's end is shown as tight.
    distance : DistanceUnit
        What people read distances in.
    name, note : str
        What to call the day; free words (such as 'invented').
    notices : tuple of str
        What was read but not understood, in words.
    tools : tuple of Tool
        Equipment that the vans share. A van that carries its own needs none.
    links : tuple of Link
        Calls that hang together.
    exchange : bool
        Whether vans that start at one place may hand each other parts before leaving.
    promises_may_break : bool
        Whether a call that would otherwise stay out may start after its promise.
    late_hour_cents : int
        What being late for a promise costs by the hour, see :meth:`late_units`.
    preference_cents : int
        What starting outside a customer's preference costs.
    keep_percent : int or None
        Of the promises, so many in a hundred are to be kept on the average, 1 to 99;
        ``None``: as it comes. See :func:`dispatch.wish.keep_promises`.
    horizon : int
        How many days are planned, from ``date`` on; 1 to 7.
    reserve : Reserve or None
        Time to hold free for emergencies, see :func:`dispatch.reserve.hold`.
    change : ChangePrices
        What it costs to change what stands, see :meth:`change_units`.
    learnt : str
        Where lengths and driving were learnt from, in words; empty: nothing was, they
        are the folder's own and the trade table's.
    credit : str
        Whose data places were looked up in, as its licence wants it said; empty: in
        nobody's.
    emergency_number : str
        The emergency number where the firm works, as the firm says; empty: it does not.
    """

    date: date
    zone: ZoneInfo
    shop: Store
    calls: tuple[Call, ...]
    vans: tuple[Van, ...]
    parts: Mapping[str, Part] = field(default_factory=dict)
    kinds: Mapping[str, Kind] = field(default_factory=dict)
    cautions: Mapping[str, Caution] = field(default_factory=dict)
    counters: tuple[Store, ...] = ()
    travel: TravelRules = TravelRules()
    planned_at_s: int = -6 * 3600
    cushion: float = 0.3
    service_level: float = 0.95
    tolerance_s: int = 600
    distance: DistanceUnit = DistanceUnit.KM
    name: str = ""
    note: str = ""
    notices: tuple[str, ...] = ()
    tools: tuple[Tool, ...] = ()
    links: tuple[Link, ...] = ()
    exchange: bool = False
    promises_may_break: bool = False
    late_hour_cents: int = 6000
    preference_cents: int = 300
    keep_percent: int | None = None
    horizon: int = 1
    reserve: Reserve | None = None
    change: ChangePrices = ChangePrices()
    learnt: str = ""
    credit: str = ""
    emergency_number: str = ""

    @property
    def clock(self) -> DayClock:
        """The day's clock.

        Returns
        -------
        DayClock
            Of its date and zone.
        """
        return DayClock(self.date, self.zone)

    def planned_s(self, call: Call, van: Van | None = None) -> int:
        """Return the visit length that is planned for a call.

        Parameters
        ----------
        call : Call
            The call.
        van : Van, optional
            Whose driver comes; without one, a driver of usual pace.

        Returns
        -------
        int
            Seconds: the median and ``cushion`` of the way to the 90th percentile,
            times the driver's pace; halves rounded up.
        """
        usual_s = call.median_s + self.cushion * (call.p90_s - call.median_s)
        if van is not None and van.pace:
            usual_s *= van.pace.get(call.kind, van.pace.get("*", 1.0))
        return math.floor(usual_s + 0.5)

    def late_units(self, late_s: int) -> int:
        """Return what starting so long after a promise costs.

        Parameters
        ----------
        late_s : int
            Seconds after the promise's end.

        Returns
        -------
        int
            Cost units of the next longer step of ``LATE_STEPS_S`` at
            ``late_hour_cents``; 0 for a kept promise.
        """
        if late_s <= 0:
            return 0
        step_s = next((step for step in LATE_STEPS_S if late_s <= step), LATE_MOST_S)
        return step_s * self.late_hour_cents * UNITS_PER_SECOND

    def bar(self, call: Call) -> Barred | None:
        """Return why a call cannot be planned, whichever van goes.

        Parameters
        ----------
        call : Call
            The call.

        Returns
        -------
        Barred or None
            What bars it, or that no van gets to it and away again; ``None``: nothing.
        """
        cut = self.travel.cut_off(call.parked)
        if call.barred is not None or cut is None:
            return call.barred
        return Barred(rule=Rule.TRAVEL, text=cut.text, remedy=cut.remedy)

    def wait_units(self, call: Call, start_s: int) -> int:
        """Return what it costs that an urgent caller waits so long.

        Parameters
        ----------
        call : Call
            The call.
        start_s : int
            When the visit starts.

        Returns
        -------
        int
            Cost units, as much as so long after a promise (own choice: who stands
            outside waits no more gladly than who was promised a time); 0 where nobody
            waits, or a time was promised.
        """
        if call.waits_from_s is None or call.promise is not None:
            return 0
        return self.late_units(start_s - call.waits_from_s)

    def change_units(self, call: Call, van_id: str | None, start_s: int) -> int:
        """Return what a visit costs for being other than the running plan has it.

        Parameters
        ----------
        call : Call
            The call.
        van_id : str or None
            The van that serves it; ``None``: the one that stands.
        start_s : int
            When the visit starts.

        Returns
        -------
        int
            Cost units for another van and for a start outside the standing window;
            0 where nothing stands.
        """
        standing, prices, price_cents = call.standing, self.change, 0
        if standing is None:
            return 0
        if van_id not in (None, standing.van_id):
            price_cents += prices.van_cents
        if not standing.window.start_s <= start_s <= standing.window.end_s:
            price_cents += prices.time_cents + standing.told * prices.told_cents
        return price_cents * UNITS_PER_CENT

    def ready_s(self, call: Call) -> int | None:
        """Return when a call's slowest open ready item is there.

        Parameters
        ----------
        call : Call
            The call.

        Returns
        -------
        int or None
            Seconds since midnight, negative before the day; ``None``: no open item
            takes time.
        """
        leads = [
            item.lead_time_s for item in call.ready if item.state is ReadyState.OPEN
        ]
        slowest = max(leads, default=0)
        return self.planned_at_s + slowest if slowest > 0 else None


# --- what may come of it ------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Risk:
    """What lateness to be expected of a plan costs, and the futures it is expected in.

    Parameters
    ----------
    hour_cents : int
        Price of an hour after the end of what a customer was told, in one future.
    broken_s : int
        Each visit that starts after it counts so many seconds more.
    lengths_s : mapping of str to tuple of int
        Call id to how long the visit takes a driver of usual pace in each future.
    pace_permille : tuple of int
        How long drives take in each future, in permille of the expected; one at least.
    """

    hour_cents: int
    broken_s: int
    lengths_s: Mapping[str, tuple[int, ...]]
    pace_permille: tuple[int, ...]

    @property
    def units_s(self) -> int:
        """Price of one second.

        Returns
        -------
        int
            Cost units.
        """
        return self.hour_cents * UNITS_PER_SECOND


# --- the plan --------------------------------------------------------------


class StopKind(StrEnum):
    """What happens at a stop."""

    CALL = "call"
    BREAK = "break"
    RESTOCK = "restock"  # at the shop or a counter, in the middle of the route


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """A call, a break or a restock stop, placed on a van's route.

    Parameters
    ----------
    kind : StopKind
        Call, break or restock stop.
    call_id : str or None
        The call; ``None`` for anything else.
    place : Place or None
        Where; a break is taken at the stop before it, or at the next one's street
        (then the drive there is the break's).
    drive_m, drive_s : int
        From the stop before (or the van's start), leaving as soon as that is done.
    arrive_s, start_s, finish_s : int
        ``arrive_s <= start_s <= finish_s``.
    slack_s : int or None
        How much later than ``start_s`` this visit could start without leaving its
        own window or promise.
    leave_by_s : int or None
        Latest second to set off for here and still start as planned; ``None`` where
        there is no drive to wait before.
    store_id : str or None
        The shop or counter of a restock stop.
    late_s : int
        How long after its promise's end the visit starts; 0: the promise is kept, or
        there is none. A late visit has a slack of 0.
    """

    kind: StopKind
    call_id: str | None
    place: Place | None
    drive_m: int
    drive_s: int
    arrive_s: int
    start_s: int
    finish_s: int
    slack_s: int | None = None
    leave_by_s: int | None = None
    store_id: str | None = None
    late_s: int = 0

    @property
    def wait_s(self) -> int:
        """Time between arriving and starting.

        Returns
        -------
        int
            Seconds.
        """
        return self.start_s - self.arrive_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """One van's day.

    Parameters
    ----------
    van_id : str
        The van.
    stops : tuple of Stop
        In order, at least one.
    leave_s : int
        When it sets off: as late as the first visit allows, never before the shift.
    last_drive_m, last_drive_s : int
        From the last stop to the finish place.
    finish_s : int
        When it is there.
    drive_units, time_units, overtime_units : int
        Cost units of kilometres, of paid time and of overtime.
    overtime_s : int
        Seconds past the end of the shift.
    late_units, preference_units : int
        Cost units of broken promises and of urgent callers who wait, and of starts
        outside preferences.
    change_units : int
        Cost units of what differs from the running plan.
    parts_units : int
        Cost units of its issues beyond what the wanted parts cost, see
        :attr:`Issue.extra_cents`.
    """

    van_id: str
    stops: tuple[Stop, ...]
    leave_s: int
    last_drive_m: int
    last_drive_s: int
    finish_s: int
    overtime_s: int = 0
    drive_units: int = 0
    time_units: int = 0
    overtime_units: int = 0
    late_units: int = 0
    preference_units: int = 0
    change_units: int = 0
    parts_units: int = 0

    @property
    def call_ids(self) -> tuple[str, ...]:
        """The calls, in order.

        Returns
        -------
        tuple of str
            Their ids, breaks and restock stops left out.
        """
        return tuple(stop.call_id for stop in self.stops if stop.call_id is not None)

    @property
    def distance_m(self) -> int:
        """How far the van drives.

        Returns
        -------
        int
            Metres, to the finish place.
        """
        return sum(stop.drive_m for stop in self.stops) + self.last_drive_m

    @property
    def drive_s(self) -> int:
        """How long the van drives.

        Returns
        -------
        int
            Seconds, to the finish place.
        """
        return sum(stop.drive_s for stop in self.stops) + self.last_drive_s

    @property
    def wait_s(self) -> int:
        """How long the van waits between arriving and starting.

        Returns
        -------
        int
            Seconds, over all stops.
        """
        return sum(stop.wait_s for stop in self.stops)

    @property
    def work_s(self) -> int:
        """Time at work with customers.

        Returns
        -------
        int
            Seconds, breaks left out.
        """
        return sum(
            stop.finish_s - stop.start_s
            for stop in self.stops
            if stop.kind is StopKind.CALL
        )

    @property
    def cost_units(self) -> int:
        """What the van's day costs.

        Returns
        -------
        int
            Cost units of kilometres, paid time, overtime, broken promises,
            preferences, changes and parts.
        """
        return (
            self.drive_units
            + self.time_units
            + self.overtime_units
            + self.late_units
            + self.preference_units
            + self.change_units
            + self.parts_units
        )


class Origin(StrEnum):
    """Where a piece comes from."""

    ABOARD = "aboard"  # it lies in the van already
    SHOP = "shop"  # it is loaded at the shop before leaving
    VAN = "van"  # another van hands it over before leaving
    RESTOCK = "restock"  # it is fetched at a restock stop of the route


class Purpose(StrEnum):
    """Why a piece is carried."""

    CALL = "call"  # a call uses it up
    SPARE = "spare"  # in case one is spoiled


@dataclass(frozen=True, slots=True, kw_only=True)
class Issue:
    """Some pieces of one part, given to one purpose on one van.

    Parameters
    ----------
    van_id, part_id : str
        The van, and the part itself (a kit's component, never the kit).
    quantity : int
        Pieces, at least 1.
    origin : Origin
        Aboard already, loaded at the shop, handed over or fetched on the way.
    purpose : Purpose
        For a call, or as a spare.
    call_id : str or None
        The call that uses them; ``None`` for spares.
    need : int or None
        Position of the need in the call's ``needs``; ``None`` for spares.
    chosen : str or None
        The alternative of the need that was taken (it may be a kit).
    from_van : str or None
        The van that hands it over; only with ``Origin.VAN``.
    store_id : str or None
        Where it is fetched; only with ``Origin.RESTOCK``. A van stops at one store
        once at most, before the call that uses the piece.
    extra_cents : int
        What these pieces cost more than the wanted ones from the firm's own stock: for
        a substitute, its price above the first alternative's (of the whole need, on the
        need's first issue; never below 0); at a counter, its price above the part's own
        (never below 0).
    """

    van_id: str
    part_id: str
    quantity: int
    origin: Origin
    purpose: Purpose = Purpose.CALL
    call_id: str | None = None
    need: int | None = None
    chosen: str | None = None
    from_van: str | None = None
    store_id: str | None = None
    extra_cents: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ToolUse:
    """A shared tool that a van carries, all day or a part of it.

    Parameters
    ----------
    van_id, tool_id : str
        Who, and which.
    collected : bool
        It is fetched at the van's restock stop at the shop and used after it;
        otherwise it is aboard from the morning on.
    returned : bool
        It is brought back at the van's restock stop at the shop and used before it;
        otherwise it stays aboard until the van is back.
    """

    van_id: str
    tool_id: str
    collected: bool = False
    returned: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why a call is not planned, for one van or for all.

    Parameters
    ----------
    rule : Rule
        The first rule that blocks it.
    text : str
        Plain words.
    van_id : str or None
        The van; ``None``: holds whichever van goes.
    remedy : str
        The smallest change that would admit it, in plain words; may be empty.
    """

    rule: Rule
    text: str
    van_id: str | None = None
    remedy: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unplaced:
    """A call that is on no route.

    Parameters
    ----------
    call_id : str
        The call.
    reasons : tuple of Reason
        At least one.
    """

    call_id: str
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Conflict:
    """Calls that cannot all be served that day, though any of them can be left out.

    Parameters
    ----------
    call_ids : tuple of str
        At least two; the set fails, and each subset without one succeeds.
    text : str
        Plain words.
    """

    call_ids: tuple[str, ...]
    text: str


class Proof(StrEnum):
    """How much is known about a plan's quality."""

    PROVED_BEST = "proved best"
    BOUNDED = "bounded"
    BEST_FOUND = "best found"


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """How good the plan is known to be.

    Parameters
    ----------
    proof : Proof
        Proved best, with a bound, or best found.
    bound_units : int or None
        No plan that places the same calls by priority costs less than this.
    stopped : bool
        The search was stopped early (by the user or the clock).
    rounds, seed : int
        What it took; the same day, seed and rounds give the same plan.
    """

    proof: Proof
    bound_units: int | None = None
    stopped: bool = False
    rounds: int = 0
    seed: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One version of one day. Immutable.

    Parameters
    ----------
    routes : tuple of Route
        Only vans that go out, in the order of the day's vans.
    issues : tuple of Issue
        Every piece each van carries for its calls and as spares.
    unplaced : tuple of Unplaced
        Calls on no route, with reasons.
    status : Status
        How good it is known to be.
    tools : tuple of ToolUse
        Which van carries which shared tool.
    late : tuple of Unplaced
        Calls whose promise is broken, with what stood in the way of keeping it.
    conflicts : tuple of Conflict
        Calls that cannot be together.
    """

    routes: tuple[Route, ...]
    issues: tuple[Issue, ...]
    unplaced: tuple[Unplaced, ...]
    status: Status
    tools: tuple[ToolUse, ...] = ()
    late: tuple[Unplaced, ...] = ()
    conflicts: tuple[Conflict, ...] = ()

    @property
    def cost_units(self) -> int:
        """What all routes cost.

        Returns
        -------
        int
            Cost units.
        """
        return sum(route.cost_units for route in self.routes)

    @property
    def cost_cents(self) -> int:
        """What all routes cost, rounded once.

        Returns
        -------
        int
            Cents.
        """
        return cents(self.cost_units)


# --- how the plan comes out ---------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class StopKept:
    """How one planned call comes out.

    Parameters
    ----------
    call_id, van_id : str
        Which call, and who comes.
    kept : float or None
        Chance that it starts inside its promise; where none was given, that the whole
        visit lies inside one of its windows. ``None``: there is neither, or it is time
        that is held free.
    again : float
        Chance that a second visit is due.
    arrive_s : tuple of int
        Arrival: one day in ten is earlier than the first, half are earlier than the
        second, nine in ten are earlier than the third.
    """

    call_id: str
    van_id: str
    kept: float | None
    again: float
    arrive_s: tuple[int, int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """How a plan comes out.

    Parameters
    ----------
    stops : tuple of StopKept
        Every planned call, by van and in its order.
    all_kept : float
        Chance that every promise of the plan is kept.
    draws : int
        How many days were drawn.
    source : str
        What the lengths and the traffic vary by: 'the log', 'the trade table'.
    """

    stops: tuple[StopKept, ...]
    all_kept: float
    draws: int
    source: str = "the trade table"

    @property
    def promises(self) -> int:
        """How many of the planned calls have something to keep.

        Returns
        -------
        int
            Those with a promise or a window.
        """
        return sum(stop.kept is not None for stop in self.stops)

    @property
    def expected(self) -> float:
        """How many of them are kept on the average.

        Returns
        -------
        float
            0 to :attr:`promises`.
        """
        return sum(stop.kept for stop in self.stops if stop.kept is not None)

    @property
    def kept(self) -> float:
        """What share of them is kept on the average.

        Returns
        -------
        float
            0 to 1; 1 where there is nothing to keep.
        """
        return self.expected / self.promises if self.promises else 1.0

    @property
    def again(self) -> float:
        """How many second visits are due on the average.

        Returns
        -------
        float
            0 to the number of planned calls.
        """
        return sum(stop.again for stop in self.stops)

    @property
    def of_call(self) -> dict[str, StopKept]:
        """Each planned call.

        Returns
        -------
        dict of str to StopKept
            By call id.
        """
        return {stop.call_id: stop for stop in self.stops}


# --- the answer a person reads ----------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class PickLine:
    """One line of a pick list: a part to load at the shop, or to check aboard.

    Parameters
    ----------
    part_id, name, bin : str
        What, and where it lies in the shop.
    load, aboard : int
        Pieces to load at the shop, and pieces that must be aboard already.
    spares : int
        How many of them (load and aboard together) are spares.
    call_ids : tuple of str
        Calls that use it, in route order.
    instead_of : tuple of str
        Part ids this one stands in for; empty when it is what was wanted.
    note : str
        For example 'spare wanted, none left'.
    from_vans : tuple of (str, int)
        Van ids and pieces that they hand over before leaving.
    """

    part_id: str
    name: str
    bin: str
    load: int
    aboard: int
    spares: int = 0
    call_ids: tuple[str, ...] = ()
    instead_of: tuple[str, ...] = ()
    note: str = ""
    from_vans: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Fetch:
    """The small pick list of one restock stop.

    Parameters
    ----------
    store_id : str
        The shop or counter.
    lines : tuple of PickLine
        What to take there; ``load`` counts.
    cost_cents : int
        What is paid there; 0 in the firm's own shop.
    """

    store_id: str
    lines: tuple[PickLine, ...]
    cost_cents: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PickList:
    """What one van takes along.

    Parameters
    ----------
    van_id : str
        The van.
    lines : tuple of PickLine
        Sorted by bin, then part id, so that the shop is walked once.
    fetches : tuple of Fetch
        What is fetched on the way, stop by stop.
    gives : tuple of (str, str, int)
        Part id, van id and pieces that it hands to that van before leaving.
    tools : tuple of ToolUse
        Shared tools it carries.
    """

    van_id: str
    lines: tuple[PickLine, ...]
    fetches: tuple[Fetch, ...] = ()
    gives: tuple[tuple[str, str, int], ...] = ()
    tools: tuple[ToolUse, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AtRisk:
    """Money spent, or about to be spent, on something the plan does not use.

    Parameters
    ----------
    call_id : str
        For which call.
    text : str
        What it is, in plain words.
    cost_cents : int
        How much.
    spent : bool
        Whether it is bought already; otherwise the advice is not to buy it yet.
    """

    call_id: str
    text: str
    cost_cents: int
    spent: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Shortage:
    """A part of which the day wants more than any van or the shop can give.

    Parameters
    ----------
    part_id, name : str
        Which part.
    wanted, available : int
        Pieces the day's calls want, and pieces in all vans and the shop.
    call_ids : tuple of str
        Unplaced calls that hang on it.
    elsewhere : tuple of (str, int)
        Counter ids and the pieces they hold.
    spares : int
        How many of the missing pieces are spares only.
    """

    part_id: str
    name: str
    wanted: int
    available: int
    call_ids: tuple[str, ...] = ()
    elsewhere: tuple[tuple[str, int], ...] = ()
    spares: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Purchase:
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
        From order to hand; ``None`` when nobody knows.
    in_time : bool or None
        Whether it can still arrive for this day; ``None`` when nobody knows.
    call_ids : tuple of str
        Calls that hang on it.
    where : str
        Counter that has it, or empty.
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
    where: str = ""
    purpose: Purpose = Purpose.CALL


@dataclass(frozen=True, slots=True, kw_only=True)
class Tonight:
    """One thing to see to before tomorrow.

    Parameters
    ----------
    call_id : str
        For which call.
    item : ReadyItem
        The open item.
    ask : str
        What to do or ask, in plain words.
    by_s : int or None
        Latest moment to start on it so that the visit can begin as planned,
        seconds from the day's midnight; ``None`` for an unplaced call.
    """

    call_id: str
    item: ReadyItem
    ask: str
    by_s: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """One line of a turn list.

    Parameters
    ----------
    text : str
        What to do, in plain words.
    distance_m : int
        How far it is from there to the next one.
    """

    text: str
    distance_m: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How a drive goes over the roads.

    Parameters
    ----------
    path : tuple of (float, float)
        Latitude and longitude in degrees, two positions or more.
    turns : tuple of Turn
        The turn list, in English.
    by_ferry : bool
        Whether it takes a ferry.
    """

    path: tuple[tuple[float, float], ...]
    turns: tuple[Turn, ...] = ()
    by_ferry: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """A share of the promises that was to be kept, and what that costs.

    The plan is held against the one that is made without the wish.

    Parameters
    ----------
    percent : int
        What was wished: so many promises in a hundred, on the average.
    kept, plain_kept : float
        The share that is kept, 0 to 1, with the wish and without.
    drive_s : int
        Seconds of driving more; negative: less.
    cost_units : int
        Cost units more.
    short : tuple of str
        Where the wish is not fulfilled, the planned calls with a lesser chance than
        that, by van and in its order.
    """

    percent: int
    kept: float
    plain_kept: float
    drive_s: int
    cost_units: int
    short: tuple[str, ...] = ()

    @property
    def fulfilled(self) -> bool:
        """Whether the share is kept.

        Returns
        -------
        bool
            By :attr:`kept`.
        """
        return 100 * self.kept >= self.percent


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """Everything a person gets to read about one day.

    Parameters
    ----------
    day, plan : Day, Plan
        The question and the plan.
    pick_lists : tuple of PickList
        One per route, in the same order.
    shortages, purchases : tuple
        What is missing, and what to buy.
    tonight : tuple of Tonight
        Longest lead time first.
    cautions : tuple of Caution
        Those that apply to the day's kinds, emergencies first.
    at_risk : tuple of AtRisk
        Money spent, or about to be, that the plan makes no use of.
    kept : Kept or None
        How likely its promises are kept; ``None``: nobody asked.
    wish : Wish or None
        What share of them was to be kept; ``None``: nobody asked.
    ways : mapping of str to tuple of (Way or None)
        Van id to how it drives: to each stop of its route, and last to its finish;
        ``None``: it does not drive there, or nobody knows how. Empty without roads.
    """

    day: Day
    plan: Plan
    pick_lists: tuple[PickList, ...]
    shortages: tuple[Shortage, ...]
    purchases: tuple[Purchase, ...]
    tonight: tuple[Tonight, ...]
    cautions: tuple[Caution, ...]
    at_risk: tuple[AtRisk, ...] = ()
    kept: Kept | None = None
    wish: Wish | None = None
    ways: Mapping[str, tuple[Way | None, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """Plans of several days: the first one firm, the others provisional.

    Parameters
    ----------
    answers : tuple of Answer
        One per day that is worked, in order; each day holds the calls placed on it,
        the first one also those that no day has room for.
    """

    answers: tuple[Answer, ...]
