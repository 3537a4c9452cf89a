"""Invented, plausible locksmith days of any size, the same for the same seed.

For tests, benchmarks and demos. Nothing here is anybody's real day: the shares
below are keyround's choice, made so that even a day of seven calls meets what makes
planning hard (scarce parts that vans share, substitutes, kits, waiting for codes,
breaks, overtime), and none of them comes from a published source.
"""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from enum import StrEnum
from functools import cache
from typing import TypeVar
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from shared import trade
from shared.model import (
    Break,
    Call,
    ChangePrices,
    Day,
    Kind,
    Link,
    Need,
    Part,
    Place,
    Rates,
    ReadyItem,
    ReadyKind,
    ReadyState,
    Standing,
    Store,
    Tool,
    Traffic,
    TravelRules,
    Van,
    Window,
)
from shared.units import DayClock

Item = TypeVar("Item")

ZONES = (
    "Europe/Berlin",
    "America/New_York",
    "Australia/Sydney",
    "Asia/Tokyo",
    "UTC",
)
YEAR = 2027
PLANNED_MIN = -6 * 60  # the day is planned at 18:00 the evening before
SPARE_MIN = 15  # a window is longer than the visit by this
SHORTEST = 0.7  # of the length that is usual for a call's kind
KM_PER_DEGREE = 111.2  # of latitude
SHARED_TOOL = "laser_cutter"
TOP_LEVEL = 4

# How often a kind is rung for, against the others; kinds not named here count 1.
RUNG_FOR = {
    "lockout_vehicle": 4,
    "lockout_house": 4,
    "lockout_business": 1,
    "add_key": 4,
    "all_keys_lost": 3,
    "emergency_blade": 2,
    "broken_key": 2,
    "ignition_cylinder": 2,
    "rekey": 3,
    "lock_change": 3,
    "safe_opening": 1,
}
# What a kind uses up: parts family and most pieces; each need is one of a kind's
# rows, all of them are wanted.
USES: Mapping[str, tuple[tuple[str, int], ...]] = {
    "add_key": (("KIT", 2),),
    "all_keys_lost": (("KIT", 2), ("CHIP", 1)),
    "emergency_blade": (("BLADE", 2),),
    "broken_key": (("BLANK", 1),),
    "ignition_cylinder": (("CYL", 1), ("BLANK", 2)),
    "rekey": (("BLANK", 4),),
    "lock_change": (("LOCK", 2),),
}
# Family: category, words, cheapest piece in cents, spoil rate.
FAMILIES = {
    "BLANK": ("blank", "Key blank", 120, 0.04),
    "BLADE": ("blade", "Emergency blade blank", 300, 0.06),
    "CHIP": ("chip", "Transponder chip", 650, 0.02),
    "FOB": ("fob", "Remote fob", 2400, 0.01),
    "KEY": ("fob", "Complete remote key", 4100, 0.03),
    "CELL": ("cell", "Coin cell", 90, 0.0),
    "CYL": ("cylinder", "Ignition cylinder", 3800, 0.01),
    "LOCK": ("lock", "Door lock", 2900, 0.0),
}
VEHICLES = ("small car", "estate car", "panel van")
DOORS = ("front door", "shop door", "cellar door")
OBJECTS = dict.fromkeys(("rekey", "lock_change", "lockout_house"), DOORS) | {
    "lockout_business": ("shop door", "office door", "store room"),
    "safe_opening": ("small safe", "floor safe", "wall safe"),
    "broken_key": (*VEHICLES, *DOORS),
}  # the other kinds of work are done on vehicles


class Feature(StrEnum):
    """What a day may have beyond calls, windows, skills and stock."""

    RESTOCK = "restock"  # shop and counters on the way, prices at counters
    EXCHANGE = "exchange"  # vans at one place hand each other parts
    TOOLS = "tools"  # shared tools; with handover, the shop is a stop on the way
    LEVELS = "levels"  # of skills
    PACE = "pace"  # of drivers
    PROMISES = "promises"  # that may break
    PREFERENCES = "preferences"
    LINKS = "links"  # between calls
    LIMITS = "limits"  # of driving and working hours
    DAYS = "days"  # several of them: dates of calls, days off of vans
    STANDING = "standing"  # some calls are arranged already, by a plan that is running


ALL = frozenset(Feature) - {Feature.DAYS, Feature.STANDING}
"""Everything that a single day can have on the evening before."""


class _Dice:
    """A random generator with the few throws that are needed here."""

    def __init__(self, seed: int | tuple[int, ...]) -> None:
        self.rng = np.random.default_rng(seed)

    def chance(self, share: float) -> bool:
        return bool(self.rng.random() < share)

    def pick(self, items: Sequence[Item]) -> Item:
        return items[int(self.rng.integers(len(items)))]

    def weighed(self, items: Sequence[Item], weights: Sequence[float]) -> Item:
        ends = np.cumsum(weights)
        row = np.searchsorted(ends, self.rng.random() * ends[-1], side="right")
        return items[int(row)]

    def steps(self, low: float, high: float, step: int) -> int:
        """Return a multiple of ``step`` from ``low`` to ``high``, or the lowest."""
        first = -int(-low // step)
        last = max(first, int(high // step))
        return int(self.rng.integers(first, last + 1)) * step


@dataclass(frozen=True, slots=True, kw_only=True)
class _Land:
    """Where people live: towns around the shop, and farms between them."""

    shop: Place
    towns: tuple[Place, ...]
    radius_km: float

    def place(self, dice: _Dice, name: str) -> Place:
        if dice.chance(0.15):
            reach = self.radius_km * np.sqrt(dice.rng.random())
            angle = 2 * np.pi * dice.rng.random()
            offset = reach * np.array([np.cos(angle), np.sin(angle)])
            return _away(self.shop, offset, f"{name}, out of town")
        row = int(len(self.towns) * dice.rng.random() ** 2)  # the first is the biggest
        town = self.towns[row]
        return _away(town, 2.2 * dice.rng.normal(size=2), f"{name}, {town.name}")


def generate_day(  # noqa: PLR0913 - what to invent is said in one place
    seed: int,
    calls: int,
    vans: int,
    *,
    tightness: float = 0.5,
    ease: float = 0.0,
    clock_change: bool | None = None,
    features: frozenset[Feature] = frozenset(),
) -> Day:
    """Invent one day.

    Parameters
    ----------
    seed : int
        Same seed and sizes, same day.
    calls, vans : int
        How many: 0 or more calls, 1 or more vans.
    tightness : float
        0 to 1: how little time and how few parts there are. Shifts are as long as
        the work by a rough estimate over ``0.65 + 0.6 * tightness``, within 4 to
        12 hours, and of the pieces called for ``1 - 0.25 * tightness`` are there.
        At 0 what stays out is mostly what no van can do; at 1 much stays out.
    ease : float
        0 to 1: the chance, for each van, that its driver knows every trade, has all
        the equipment and loads at the shop; for each need, that its pieces lie in
        the shop as well; for each call, that it asks for no certain van and is a
        simple one of its kind, soon done. At 0 nothing is changed.
    clock_change : bool, optional
        Whether the clock changes on that day (it has 23 or 25 hours); one day in
        ten by default.
    features : frozenset of Feature
        What the day has beyond the usual; ``ALL`` for everything that a single day
        can have. Each comes from dice of its own: one more changes nothing about
        the others but what builds on them. Now and then a day does without: there
        is nothing to link on a day of one call.

    Returns
    -------
    Day
        Whole minutes, whole cents and coordinates of five decimals, so that files
        keep it exactly.
    """
    dice = _Dice(seed)
    clock = _clock(dice, dice.chance(0.1) if clock_change is None else clock_change)
    land = _land(dice, calls)
    parts = _parts(dice, calls)
    drafts: list[Call] = []
    for number in range(1, calls + 1):
        draft = _draft(dice, number, land, parts)
        if drafts and dice.chance(0.05):  # two callers behind one door
            draft = replace(draft, place=drafts[-1].place)
        drafts.append(draft)
    # A drive of a quarter of an hour, and visits as long as planned with a cushion.
    work_s = sum(draft.median_s + draft.p90_s for draft in drafts) // 2 + 900 * calls
    share_s = work_s / vans / (0.65 + 0.6 * tightness)
    fleet = [_van(dice, number, land, clock, share_s) for number in range(1, vans + 1)]
    fleet = _teach(dice, fleet, drafts)
    done = [_promise(dice, draft, fleet, clock) for draft in drafts]
    shop_stock, counter_stock, fleet = _stock(
        dice, done, parts, fleet, supply=1 - 0.25 * tightness
    )
    day = Day(
        planned_at_s=PLANNED_MIN * 60,
        date=clock.day,
        zone=clock.zone,
        shop=Store(id="shop", place=land.shop, stock=shop_stock),
        calls=tuple(done),
        vans=_alike(dice, fleet),
        parts=parts,
        kinds=trade.kinds(),
        cautions=trade.cautions(),
        counters=(
            Store(
                id="counter",
                place=land.place(dice, "Trade counter"),
                opening=_window(clock, 7 * 60 + 30, 17 * 60),
                stock=counter_stock,
            ),
        ),
        travel=TravelRules(
            start_stop_s=dice.steps(60, 240, 60),
            free_flow_kmh=float(dice.steps(40, 60, 5)),
            traffic=_traffic(dice, clock),
        ),
        cushion=dice.pick((0.0, 0.3, 0.3, 0.5)),
        name=f"Invented day {seed}",
        note="Invented: people, places, parts and figures are made up.",
    )
    if ease:
        day = _relieve(dice, day, ease)
    for number, feature in enumerate(Feature):
        if feature in features:
            day = _ADDED[feature](_Dice((seed, number)), day)
    return day


# --- the clock, the land, the parts ------------------------------------------


@cache
def _dates(zone: str) -> tuple[tuple[date, ...], tuple[date, ...]]:
    """Return the year's ordinary days, and those on which the clock changes."""
    days = [date(YEAR, 1, 1) + timedelta(days=number) for number in range(364)]
    plain: list[date] = []
    changing: list[date] = []
    for day in days:
        clock = DayClock(day, ZoneInfo(zone))
        ordinary = clock.seconds("24:00") == 24 * 3600
        (plain if ordinary else changing).append(day)
    return tuple(plain), tuple(changing)


def _clock(dice: _Dice, changes: bool) -> DayClock:  # noqa: FBT001 - a private step
    zones = [zone for zone in ZONES if _dates(zone)[1]] if changes else ZONES
    zone = dice.pick(zones)
    return DayClock(dice.pick(_dates(zone)[int(changes)]), ZoneInfo(zone))


def _traffic(dice: _Dice, clock: DayClock) -> Traffic:
    """Pick a profile of hours on the wall, turned into seconds that pass."""
    profiles = trade.traffic_profiles()
    wall = profiles[dice.pick(sorted(profiles))]
    speeds = wall.speed_permille
    if len(set(speeds)) == 1:
        return Traffic(speed_permille=speeds[:1], source=wall.source)
    slot_s = Traffic().slot_s
    passed = range(0, 48 * 3600, slot_s)
    minutes = (_minute(clock, time_s) % 1440 for time_s in passed)
    return Traffic(
        slot_s=slot_s,
        speed_permille=tuple(speeds[60 * minute // wall.slot_s] for minute in minutes),
        source=wall.source,
    )


def _minute(clock: DayClock, time_s: int) -> int:
    """Return the minute on the wall, counted on past midnight."""
    local = clock.instant(time_s)
    return (local.date() - clock.day).days * 1440 + local.hour * 60 + local.minute


def _window(clock: DayClock, start_min: int, end_min: int) -> Window:
    start, end = (
        clock.seconds(f"{minute // 60:02d}:{minute % 60:02d}")
        for minute in (start_min, end_min)
    )
    return Window(start_s=start, end_s=end)


def _away(centre: Place, offset_km: NDArray[np.float64], name: str) -> Place:
    north_km, east_km = offset_km.tolist()
    degree_km = KM_PER_DEGREE * float(np.cos(np.radians(centre.lat_deg)))
    return Place(
        lat_deg=round(centre.lat_deg + north_km / KM_PER_DEGREE, 5),
        lon_deg=round(centre.lon_deg + east_km / degree_km, 5),
        name=name,
    )


def _land(dice: _Dice, calls: int) -> _Land:
    radius_km = 8 + 0.8 * float(np.sqrt(calls))
    # In the open sea, so that nobody looks for himself on the map.
    middle = Place(
        lat_deg=float(dice.steps(30, 50, 1)), lon_deg=float(-dice.steps(35, 45, 1))
    )
    towns = [replace(middle, name="Town 1")]
    for number in range(2, 2 + dice.steps(0, 1 + min(8, calls // 30), 1)):
        offset = radius_km * dice.rng.uniform(-0.7, 0.7, 2)
        towns.append(_away(middle, offset, f"Town {number}"))
    shop = _away(middle, dice.rng.normal(size=2), "Shop")
    return _Land(shop=shop, towns=tuple(towns), radius_km=radius_km)


def _parts(dice: _Dice, calls: int) -> dict[str, Part]:
    """Invent a catalogue: few parts for few calls, so that they compete."""
    variants = range(1, 3 + min(12, calls // 25))
    parts: dict[str, Part] = {}
    for row, (family, (category, words, cost, spoil)) in enumerate(FAMILIES.items()):
        for number in variants:
            other = number % len(variants) + 1
            part = Part(
                id=f"{family}-{number}",
                name=f"{words} {number}",
                category=category,
                unit_cost_cents=cost + 10 * dice.steps(0, cost // 10, 1),
                spoil_rate=spoil,
                bin=f"{'ABCDEFGH'[row]}{number}",
                substitutes=(f"{family}-{other}",) if dice.chance(0.5) else (),
                lead_time_s=None if dice.chance(0.2) else dice.steps(6, 72, 6) * 3600,
            )
            parts[part.id] = part
    for number in variants:
        pieces = (
            (f"FOB-{number}", 1),
            (f"BLADE-{number}", 1),
            (f"CELL-{(number + 1) // 2}", 2 - number % 2),
        )
        kit = Part(
            id=f"KIT-{number}",
            name=f"Fob with blade and cell {number}",
            category="kit",
            unit_cost_cents=sum(parts[id_].unit_cost_cents * n for id_, n in pieces),
            substitutes=(f"KEY-{number}",) if dice.chance(0.7) else (),
            components=pieces,
        )
        parts[kit.id] = kit
    return parts


# --- calls ---------------------------------------------------------------------


def _draft(dice: _Dice, number: int, land: _Land, parts: Mapping[str, Part]) -> Call:
    """Invent a call but for the hours, which hang on the vans' shifts."""
    kinds = tuple(trade.work().values())
    kind = dice.weighed(kinds, [RUNG_FOR.get(kind.id, 1) for kind in kinds])
    stretch = dice.pick((SHORTEST, 0.85, 1.0, 1.0, 1.0, 1.2))
    median_s = _stretch(kind.median_s, stretch)
    p90_s = max(median_s, _stretch(kind.p90_s, stretch))
    return Call(
        id=f"C{number:03d}",
        place=land.place(dice, f"Street {dice.steps(1, 200, 1)}"),
        kind=kind.id,
        median_s=median_s,
        p90_s=p90_s,
        customer=f"Customer {number}",
        phone=f"+0 {number:06d}",  # rings nowhere: no country has the code 0
        description=dice.pick(OBJECTS.get(kind.id, VEHICLES)),
        needs=_needs(dice, kind, parts),
        skills=kind.skills,
        equipment=kind.equipment,
        priority=dice.weighed((1, 2, 3, 4), (0.15, 0.5, 0.2, 0.15)),
        ready=tuple(_ready(dice, item) for item in kind.ready),
    )


def _needs(dice: _Dice, kind: Kind, parts: Mapping[str, Part]) -> tuple[Need, ...]:
    needs = []
    variants = sum(part.category == "kit" for part in parts.values())
    for family, most in USES.get(kind.id, ()):
        wanted = f"{family}-{dice.steps(1, variants, 1)}"
        alternatives = (wanted, *parts[wanted].substitutes)
        if dice.chance(0.2):  # the caller takes no other, or a third does as well
            other = f"{family}-{dice.steps(1, variants, 1)}"
            alternatives = (
                (wanted,) if other in alternatives else (*alternatives, other)
            )
        quantity = dice.steps(1, most, 1) if dice.chance(0.4) else 1
        needs.append(Need(alternatives=alternatives, quantity=quantity))
    return tuple(needs)


def _ready(dice: _Dice, item: ReadyItem) -> ReadyItem:
    state = dice.weighed(tuple(ReadyState), (0.4, 0.5, 0.1))
    lead_h = 0
    if item.kind is ReadyKind.CODE:
        # Asked for at 18:00: there between 22:00 and 12:00, now and then too late.
        lead_h = 36 if dice.chance(0.05) else dice.steps(4, 18, 1)
    elif dice.chance(0.1):
        lead_h = dice.steps(1, 16, 1)
    cost_cents = item.cost_cents
    if cost_cents:
        cost_cents = dice.steps(cost_cents / 2, cost_cents * 2, 50)
    return replace(
        item,
        state=state,
        waived_by="office" if state is ReadyState.WAIVED else "",
        lead_time_s=lead_h * 3600,
        cost_cents=cost_cents,
    )


def _promise(dice: _Dice, call: Call, fleet: Sequence[Van], clock: DayClock) -> Call:
    """Give a call its hours, and now and then the one van that may come."""
    able = [van for van in fleet if _can(van, call)] or fleet
    # The office has a van in mind, but it does not look at the plan.
    van = dice.pick(able)
    open_min = _minute(clock, van.shift.start_s)
    close_min = _minute(clock, van.shift.end_s)
    leads = [item.lead_time_s for item in call.ready if item.state is ReadyState.OPEN]
    ready_min = max(leads, default=0) // 60 + PLANNED_MIN
    visit_min = -(-call.p90_s // 60)
    spans = [(open_min, close_min)]
    middle_min = dice.steps(open_min + 60, close_min - 60, 30)
    habit = dice.weighed(
        ("any", "early", "late", "around", "thrice"), (0.55, 0.1, 0.1, 0.17, 0.08)
    )
    if habit == "early":
        spans = [(open_min, max(middle_min, open_min + visit_min + 30))]
    elif habit == "late":
        spans = [(min(middle_min, close_min - visit_min - 30), close_min)]
    elif habit == "around":  # not over noon, when the children come
        spans = [(open_min, middle_min), (middle_min + 60, close_min)]
    elif habit == "thrice":
        third = (close_min - open_min) // 90 * 30
        spans = [
            (open_min, open_min + third - 15),
            (open_min + third + 15, open_min + 2 * third - 15),
            (open_min + 2 * third + 15, close_min),
        ]
    long_enough = [
        (start, end) for start, end in spans if end - start >= visit_min + SPARE_MIN
    ]
    # Now and then a caller names hours that are too short for the work.
    spans = [(start, end) for start, end in spans if end - start >= SPARE_MIN]
    if habit != "any" and not long_enough and dice.chance(0.95):
        habit, spans = "any", [(open_min, close_min)]
    promise = None
    if dice.chance(0.75):
        start, end = dice.pick(long_enough or spans)
        if dice.chance(0.8):  # nobody promises to come before the code is there
            start = max(start, min(ready_min, end - visit_min))
        width = dice.weighed((60, 120, 180), (0.1, 0.75, 0.15))
        # Promised to begin where the visit still fits, as an office would.
        last = min(end - visit_min - width, close_min - 60)
        first = dice.steps(start, last, 30)
        promise = _window(clock, first, first + width)
    return replace(
        call,
        windows=()
        if habit == "any"
        else tuple(_window(clock, start, end) for start, end in spans),
        promise=promise,
        required_van=van.id if dice.chance(0.08) else None,
    )


# --- vans and stock ---------------------------------------------------------------


def _van(dice: _Dice, number: int, land: _Land, clock: DayClock, share_s: float) -> Van:
    home = land.place(dice, f"Home of driver {number}")
    start, finish = dice.weighed(
        (
            (land.shop, land.shop),
            (home, home),
            (land.shop, home),
            (home, land.shop),
            (None, None),
            (home, None),
        ),
        (0.5, 0.15, 0.1, 0.1, 0.1, 0.05),
    )
    length_min = float(np.clip(share_s / 60 * dice.rng.uniform(0.8, 1.2), 240, 720))
    length_min = dice.steps(length_min - 14, length_min + 15, 15)
    start_min = dice.weighed(
        (dice.steps(7 * 60, 9 * 60, 15), dice.steps(10 * 60, 12 * 60, 15)), (0.85, 0.15)
    )
    end_min = start_min + length_min
    meal = None
    if dice.chance(0.6):
        middle = (start_min + end_min) // 2
        meal_start = dice.steps(middle - 75, middle - 30, 15)
        meal = Break(
            window=_window(clock, meal_start, meal_start + dice.steps(60, 150, 15)),
            length_s=dice.pick((20, 30, 30, 45)) * 60,
        )
    hour_cents = dice.steps(2400, 4600, 100)
    return Van(
        id=f"V{number:02d}",
        driver=f"Driver {number}",
        shift=_window(clock, start_min, end_min),
        start=start,
        finish=finish,
        loads_at_shop=start is land.shop or dice.chance(0.4),
        overtime_limit_s=dice.weighed((0, 30, 60, 90), (0.45, 0.2, 0.2, 0.15)) * 60,
        meal=meal,
        rates=Rates(
            km_cents=dice.steps(25, 80, 5),
            hour_cents=hour_cents,
            overtime_hour_cents=dice.pick((0, hour_cents // 4, hour_cents // 2)),
        ),
    )


def _teach(dice: _Dice, fleet: Sequence[Van], calls: Sequence[Call]) -> list[Van]:
    """Give drivers their trades, so that nearly every kind has somebody."""
    kinds = tuple(trade.work().values())
    learnt = []
    for van in fleet:
        known = [kind for kind in kinds if dice.chance(0.65)]
        learnt.append(_equip(van, known))
    wanted = sorted({call.kind for call in calls})
    for kind in (kind for kind in kinds if kind.id in wanted):
        someone = any(
            van.skills >= kind.skills and van.equipment >= kind.equipment
            for van in learnt
        )
        if not someone and dice.chance(0.9):
            row = dice.steps(0, len(learnt) - 1, 1)
            learnt[row] = _equip(learnt[row], [kind])
    # Here and there something broke, and stayed in the workshop.
    return [
        replace(van, equipment=van.equipment - {dice.pick(sorted(van.equipment))})
        if van.equipment and dice.chance(0.1)
        else van
        for van in learnt
    ]


def _equip(van: Van, kinds: Sequence[Kind]) -> Van:
    return replace(
        van,
        skills=van.skills.union(*(kind.skills for kind in kinds)),
        equipment=van.equipment.union(*(kind.equipment for kind in kinds)),
    )


def _can(van: Van, call: Call) -> bool:
    return van.skills >= call.skills and van.equipment >= call.equipment


def _stock(
    dice: _Dice,
    calls: Sequence[Call],
    parts: Mapping[str, Part],
    fleet: Sequence[Van],
    *,
    supply: float,
) -> tuple[dict[str, int], dict[str, int], list[Van]]:
    """Lay out fewer pieces than are called for: in the shop, a counter, the vans."""
    shop: Counter[str] = Counter()
    aboard = {van.id: Counter[str]() for van in fleet}
    counter: Counter[str] = Counter()
    for call in calls:
        able = [van for van in fleet if _can(van, call)] or fleet
        for need in call.needs:
            if not dice.chance(supply):
                continue
            part = parts[need.alternatives[0]]
            own = aboard[dice.pick(able).id]
            for part_id, pieces in part.components or ((part.id, 1),):
                for _ in range(pieces * need.quantity):
                    (shop if dice.chance(0.5) else own)[part_id] += 1
    for part in parts.values():
        if not part.components:
            holder = dice.pick((shop, aboard[dice.pick(fleet).id]))
            holder[part.id] += dice.chance(0.35)
            counter[part.id] += dice.steps(1, 10, 1) * dice.chance(0.5)
    stocked = [replace(van, stock=_kept(aboard[van.id])) for van in fleet]
    return _kept(shop), _kept(counter), stocked


def _alike(dice: _Dice, fleet: Sequence[Van]) -> tuple[Van, ...]:
    """Now and then two vans are alike in everything but the driver."""
    vans = list(fleet)
    for row in range(1, len(vans)):
        if dice.chance(0.06):
            own = vans[row]
            vans[row] = replace(vans[row - 1], id=own.id, driver=own.driver)
    return tuple(vans)


def _relieve(dice: _Dice, day: Day, ease: float) -> Day:
    """Take away some of what keeps calls from being planned."""
    kinds = tuple(day.kinds.values())
    vans = tuple(
        replace(_equip(van, kinds), loads_at_shop=True) if dice.chance(ease) else van
        for van in day.vans
    )
    calls = tuple(
        _simplify(call, day.kinds[call.kind]) if dice.chance(ease) else call
        for call in day.calls
    )
    shop = Counter(day.shop.stock)
    for need in (need for call in calls for need in call.needs):
        if dice.chance(ease):
            part = day.parts[need.alternatives[0]]
            for part_id, pieces in part.components or ((part.id, 1),):
                shop[part_id] += pieces * need.quantity
    return replace(
        day, vans=vans, calls=calls, shop=replace(day.shop, stock=_kept(shop))
    )


def _simplify(call: Call, kind: Kind) -> Call:
    """Return a call as short as calls of its kind get, for whichever van."""
    median_s = min(call.median_s, _stretch(kind.median_s, SHORTEST))
    return replace(
        call,
        median_s=median_s,
        p90_s=max(median_s, min(call.p90_s, _stretch(kind.p90_s, SHORTEST))),
        required_van=None,
    )


def _stretch(length_s: int, share: float) -> int:
    """Return a share of a length in steps of five minutes."""
    return max(1, round(length_s * share / 300)) * 300


def _kept(stock: Mapping[str, int]) -> dict[str, int]:
    return {part_id: pieces for part_id, pieces in stock.items() if pieces}


# --- what a day may have beyond that ------------------------------------------------


def _restock(dice: _Dice, day: Day) -> Day:
    """Let vans drive by at the shop and the counters, where some parts lie only."""
    shop_stock = Counter(day.shop.stock)
    counters = list(day.counters)
    if dice.chance(0.4):
        spot = _away(day.shop.place, 5 * dice.rng.normal(size=2), "Second counter")
        opening = (8 * 60, dice.pick((12 * 60 + 30, 16 * 60)))
        counters.append(
            Store(
                id="counter_2",
                place=spot,
                opening=_window(day.clock, *opening) if dice.chance(0.6) else None,
            )
        )
    stocks = [Counter(counter.stock) for counter in counters]
    for part_id, pieces in day.shop.stock.items():
        if dice.chance(0.35):
            dice.pick(stocks)[part_id] += pieces
            del shop_stock[part_id]
    for part in day.parts.values():
        if not part.components and dice.chance(0.3):
            dice.pick(stocks)[part.id] += dice.steps(1, 4, 1)
    visited = [dice.chance(0.8) for _ in counters]
    shop_visited = dice.chance(0.7) or not any(visited)
    return replace(
        day,
        shop=replace(
            day.shop,
            stock=_kept(shop_stock),
            restock_s=dice.steps(5, 20, 5) * 60 if shop_visited else None,
        ),
        counters=tuple(
            replace(
                counter,
                stock=_kept(stock),
                restock_s=dice.steps(5, 20, 5) * 60 if open_to else None,
                prices=_prices(dice, stock, day.parts),
            )
            for counter, stock, open_to in zip(counters, stocks, visited, strict=True)
        ),
    )


def _prices(
    dice: _Dice, stock: Mapping[str, int], parts: Mapping[str, Part]
) -> dict[str, int]:
    """Price some of a counter's parts: mostly dearer than the firm gets them."""
    return {
        part_id: round(parts[part_id].unit_cost_cents * dice.pick((0.9, 1.15, 1.4)))
        for part_id in _kept(stock)
        if dice.chance(0.6)
    }


def _exchange(dice: _Dice, day: Day) -> Day:
    """Let vans meet before leaving, some with what the other needs."""
    vans = list(day.vans)
    for row in range(1, len(vans)):
        if dice.chance(0.7):
            with_whom = vans[dice.steps(0, row - 1, 1)]
            loads = with_whom.loads_at_shop or vans[row].loads_at_shop
            vans[row] = replace(vans[row], start=with_whom.start, loads_at_shop=loads)
    stocks = [Counter(van.stock) for van in vans]
    for row, van in enumerate(vans):
        others = [
            stock
            for other, stock in zip(vans, stocks, strict=True)
            if other.id != van.id and other.start == van.start is not None
        ]
        for part_id, pieces in van.stock.items():
            if others and dice.chance(0.3):
                dice.pick(others)[part_id] += pieces
                stocks[row][part_id] -= pieces
    return replace(
        day,
        exchange=True,
        vans=tuple(
            replace(van, stock=_kept(stock))
            for van, stock in zip(vans, stocks, strict=True)
        ),
    )


def _tools(dice: _Dice, day: Day) -> Day:
    """Take tools out of some vans and lay too few of them into the shop."""
    asked = Counter(word for call in day.calls for word in sorted(call.equipment))
    if not asked:
        return day
    words = dice.rng.permutation(sorted(asked)).tolist()[: dice.steps(1, 2, 1)]
    tools: list[Tool] = []
    for word in words:
        if dice.chance(0.4) and SHARED_TOOL not in (tool.id for tool in tools):
            day = _ask_for(dice, day, word)
            word = SHARED_TOOL  # noqa: PLW2901 - asked for beside the old one
        else:
            day = replace(
                day,
                vans=tuple(
                    van
                    if dice.chance(0.35)
                    else replace(van, equipment=van.equipment - {word})
                    for van in day.vans
                ),
            )
        tools.append(
            Tool(
                id=word,
                quantity=dice.weighed((1, 2), (0.8, 0.2)),
                handover=dice.chance(0.6),
            )
        )
    vans = list(day.vans)
    if not any(van.loads_at_shop for van in vans):
        row = dice.steps(0, len(vans) - 1, 1)
        vans[row] = replace(vans[row], loads_at_shop=True)
    restock_s = day.shop.restock_s
    if restock_s is None and any(tool.handover for tool in tools):
        restock_s = 600  # nothing changes hands where no van drives by
    day = replace(
        day,
        tools=tuple(tools),
        vans=tuple(vans),
        shop=replace(day.shop, restock_s=restock_s),
    )
    for tool in tools:
        if tool.handover and tool.quantity == 1 and dice.chance(0.6):
            day = _contend(dice, day, tool)
    return day


def _contend(dice: _Dice, day: Day, tool: Tool) -> Day:
    """Let two vans want one tool, one of them early and the other late."""
    asking = sorted(
        (
            (spans[0][0], spans[-1][1], row)
            for row, call in enumerate(day.calls)
            if tool.id in call.equipment
            and call.required_van is None
            and (spans := _starts(day, call))
        )
    )
    if len(asking) < 2 or len(day.vans) < 2:  # noqa: PLR2004 - one early, one late
        return day
    early = asking[0][2]
    late = max(asking[1:], key=lambda each: each[1])[2]
    order = dice.rng.permutation(len(day.vans)).tolist()[:2]
    calls, vans = list(day.calls), list(day.vans)
    for row, number in zip((early, late), order, strict=True):
        call, van = calls[row], vans[number]
        calls[row] = replace(call, required_van=van.id)
        vans[number] = replace(
            van,
            loads_at_shop=True,
            skills=van.skills | call.skills,
            equipment=(van.equipment | call.equipment) - {tool.id},
        )
    return replace(day, calls=tuple(calls), vans=tuple(vans))


def _ask_for(dice: _Dice, day: Day, beside: str) -> Day:
    """Ask for the shared tool in some of the calls that want another one."""
    rows = [row for row, call in enumerate(day.calls) if beside in call.equipment]
    surely = dice.pick(rows)
    chosen = {row for row in rows if dice.chance(0.4)} | {surely}
    return replace(
        day,
        calls=tuple(
            replace(call, equipment=call.equipment | {SHARED_TOOL})
            if row in chosen
            else call
            for row, call in enumerate(day.calls)
        ),
        vans=tuple(
            replace(van, equipment=van.equipment | {SHARED_TOOL})
            if dice.chance(0.15)
            else van
            for van in day.vans
        ),
    )


def _levels(dice: _Dice, day: Day) -> Day:
    """Tell the drivers apart, and ask for the better ones now and then."""
    tops = range(1, TOP_LEVEL + 1)
    vans = []
    for van in day.vans:
        skills = set(van.skills)
        for word in sorted(van.skills):
            top = dice.weighed(tops, (0.35, 0.3, 0.2, 0.15))
            skills.update(f"{word} {level}" for level in range(2, top + 1))
        vans.append(replace(van, skills=frozenset(skills)))
    calls = []
    for call in day.calls:
        able = [
            van
            for van in vans
            if van.skills >= call.skills and call.required_van in {None, van.id}
        ]
        word = dice.pick(sorted(call.skills)) if call.skills else ""
        level = dice.steps(2, TOP_LEVEL, 1)
        known = any(f"{word} {level}" in van.skills for van in able)
        if word and dice.chance(0.5 if known else 0.04):
            calls.append(replace(call, skills=call.skills | {f"{word} {level}"}))
        else:
            calls.append(call)
    return replace(day, vans=tuple(vans), calls=tuple(calls))


def _pace(dice: _Dice, day: Day) -> Day:
    kinds = sorted({call.kind for call in day.calls})
    vans = []
    for van in day.vans:
        pace: dict[str, float] = {}
        if dice.chance(0.4):
            pace |= {
                kind: dice.steps(70, 140, 5) / 100 for kind in kinds if dice.chance(0.3)
            }
        if dice.chance(0.5):
            pace["*"] = dice.steps(80, 130, 5) / 100
        vans.append(replace(van, pace=pace))
    return replace(day, vans=tuple(vans))


def _soften(dice: _Dice, day: Day) -> Day:
    return replace(
        day, promises_may_break=True, late_hour_cents=dice.steps(2000, 12000, 500)
    )


def _prefer(dice: _Dice, day: Day) -> Day:
    """Let some callers say when they would rather have the visit start."""
    calls = []
    for call in day.calls:
        spans = _starts(day, call)
        if not spans or not dice.chance(0.5):
            calls.append(call)
            continue
        start_min, end_min = dice.pick(spans)
        middle_min = min(end_min, dice.steps(start_min, end_min, 15))
        calls.append(
            replace(
                call,
                preference=_window(
                    day.clock,
                    max(0, middle_min - dice.pick((0, 30, 60))),
                    middle_min + dice.pick((30, 60)),
                ),
            )
        )
    return replace(day, calls=tuple(calls), preference_cents=dice.steps(100, 1500, 50))


def _starts(day: Day, call: Call) -> list[tuple[int, int]]:
    """Return the minutes in which a visit may start, by promise, hours and length."""
    spans = call.windows or {
        van.shift for van in day.vans if call.required_van in {None, van.id}
    }
    _, longest_s = _lengths(day, call)
    promise = call.promise or Window(start_s=0, end_s=48 * 3600)
    found = (
        (
            max(span.start_s, promise.start_s),
            min(span.end_s - longest_s, promise.end_s),
        )
        for span in spans
    )
    return sorted(
        {
            (_minute(day.clock, start_s), _minute(day.clock, end_s))
            for start_s, end_s in found
            if start_s <= end_s
        }
    )


def _lengths(day: Day, call: Call) -> tuple[int, int]:
    """Return how short and how long a visit is, by who comes."""
    lengths = [
        day.planned_s(call, van)
        for van in day.vans
        if call.required_van in {None, van.id}
    ]
    return min(lengths), max(lengths)


def _tie(dice: _Dice, day: Day) -> Day:
    """Link some calls to earlier ones, so that there is time for both."""
    spans = {call.id: _starts(day, call) for call in day.calls}
    # Links point forward in this order, so that no circle comes about.
    calls = sorted(
        (call for call in day.calls if spans[call.id]), key=lambda c: spans[c.id][0]
    )
    moved: dict[str, Place] = {}
    links: dict[tuple[str, str], Link] = {}
    tied: set[str] = set()
    wanted = dice.steps(1, max(2, len(calls) // 4), 1)
    for _ in range(len(calls) * 3):
        if len(calls) < 2 or len(links) == wanted:  # noqa: PLR2004 - a first, a second
            break
        row = dice.steps(0, len(calls) - 2, 1)
        first, then = calls[row], calls[dice.steps(row + 1, len(calls) - 1, 1)]
        start_min = spans[first.id][0][0]
        shortest_s, longest_s = _lengths(day, first)
        over_min = start_min + -(-longest_s // 60)
        least = dice.weighed((0, 30, 60, 120), (0.5, 0.2, 0.2, 0.1))
        if spans[then.id][-1][1] < over_min + least + 30 or (
            {first.id, then.id} & tied and not dice.chance(0.6)
        ):
            continue
        # As long as it takes at most, on the way and waiting for the hours.
        late_min = max(0, spans[then.id][0][0] - start_min - shortest_s // 60)
        most = late_min + least + dice.steps(60, 240, 30)
        one_van = (
            dice.chance(0.7)
            and not {first.id, then.id} & tied
            and any(
                _can(van, first)
                and _can(van, then)
                and {first.required_van, then.required_van} <= {None, van.id}
                for van in day.vans
            )
        )
        if dice.chance(0.5):  # a second visit behind the same door
            moved[then.id] = moved.get(first.id, first.place)
        tied |= {first.id, then.id}
        links[first.id, then.id] = Link(
            first=first.id,
            then=then.id,
            same_van=one_van,
            min_gap_s=least * 60,
            max_gap_s=most * 60 if dice.chance(0.4) else None,
        )
    order = {call.id: row for row, call in enumerate(day.calls)}
    return replace(
        day,
        calls=tuple(
            replace(call, place=moved.get(call.id, call.place)) for call in day.calls
        ),
        links=tuple(sorted(links.values(), key=lambda link: order[link.then])),
    )


def _limit(dice: _Dice, day: Day) -> Day:
    vans = []
    for van in day.vans:
        shift_s = van.shift.end_s - van.shift.start_s
        vans.append(
            replace(
                van,
                drive_limit_s=dice.steps(60, 240, 15) * 60
                if dice.chance(0.45)
                else None,
                work_limit_s=dice.steps(0.75 * shift_s, 1.05 * shift_s, 900)
                if dice.chance(0.45)
                else None,
            )
        )
    return replace(day, vans=tuple(vans))


def _stretch_out(dice: _Dice, day: Day) -> Day:
    """Spread the calls over several days."""
    horizon = dice.steps(2, 4, 1)
    dates = [day.date + timedelta(days=number) for number in range(horizon)]
    linked = {call_id for link in day.links for call_id in (link.first, link.then)}
    calls = []
    for call in day.calls:
        chosen = tuple(each for each in dates if dice.chance(0.5))
        if call.promise is not None:
            chosen = (dice.pick(dates),)
        # Linked calls have all days, or the first: together they find one.
        free = call.id in linked or dice.chance(0.4)
        calls.append(call if free else replace(call, dates=chosen))
    return replace(
        day,
        horizon=horizon,
        calls=tuple(calls),
        vans=tuple(
            replace(van, off=frozenset({dice.pick(dates)})) if dice.chance(0.3) else van
            for van in day.vans
        ),
    )


def _stand(dice: _Dice, day: Day) -> Day:
    """Let a plan be running that has arranged some calls, not always well."""
    calls = []
    for call in day.calls:
        spans = _starts(day, call)
        if not spans or not dice.chance(0.7):
            calls.append(call)
            continue
        start_min, end_min = dice.pick(spans)
        middle_min = min(end_min, dice.steps(start_min, end_min, 15))
        standing = Standing(
            van_id=dice.pick(day.vans).id,
            window=_window(
                day.clock, max(0, middle_min - dice.pick((10, 30))), middle_min + 10
            ),
            told=dice.chance(0.5),
        )
        calls.append(replace(call, standing=standing))
    change = ChangePrices(
        van_cents=dice.steps(0, 1500, 100),
        time_cents=dice.steps(0, 900, 100),
        told_cents=dice.steps(0, 1800, 100),
    )
    return replace(day, calls=tuple(calls), change=change)


_ADDED: Mapping[Feature, Callable[[_Dice, Day], Day]] = {
    Feature.RESTOCK: _restock,
    Feature.EXCHANGE: _exchange,
    Feature.TOOLS: _tools,
    Feature.LEVELS: _levels,
    Feature.PACE: _pace,
    Feature.PROMISES: _soften,
    Feature.PREFERENCES: _prefer,
    Feature.LINKS: _tie,
    Feature.LIMITS: _limit,
    Feature.DAYS: _stretch_out,
    Feature.STANDING: _stand,
}
