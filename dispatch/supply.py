"""What the firm is short of for a day, and what to buy so that no trip is wasted."""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from dispatch.reach import able_vans, can_fetch, latest_start_any_s, latest_start_s
from dispatch.stock import (
    Left,
    choose,
    leave_over,
    meeting_places,
    part_ids,
    part_name,
    pieces,
    price_cents,
    reachable,
    spare_count,
    spares_wanted,
    store_price_cents,
    stores,
)
from shared.model import Call, Day, Plan, Purchase, Purpose, Shortage, Store


class _Offer(NamedTuple):
    """Where pieces can be had, and when they are in hand."""

    hand_s: int | None
    where: str


class _Lack(NamedTuple):
    """A need that all vans and the shop together cannot serve."""

    call: Call
    short: dict[str, int]  # missing pieces of the wanted alternative
    buy: dict[str, int]  # the same, or missing pieces of a substitute
    wanted: dict[str, int]  # pieces wanted that no van and no shop keeps for it
    offers: dict[str, _Offer]
    latest_s: int


def elsewhere(
    day: Day, part_id: str, left: Left | None = None
) -> tuple[tuple[str, int], ...]:
    """Return the counters that have a part.

    Parameters
    ----------
    day : Day
        The day.
    part_id : str
        The part.
    left : Left, optional
        What nobody has claimed yet; without it, all that the counters have.

    Returns
    -------
    tuple of (str, int)
        Counter ids and pieces, above 0 only.
    """
    return tuple(
        (counter.id, count)
        for counter in day.counters
        if (
            count := (left.counters[counter.id] if left else counter.stock).get(
                part_id, 0
            )
        )
        > 0
    )


def counter_name(day: Day, counter_id: str) -> str:
    """Return what a trade counter is called, its id where it has no name.

    Parameters
    ----------
    day : Day
        The day.
    counter_id : str
        One of its counters.

    Returns
    -------
    str
        The words.
    """
    names = {counter.id: counter.place.name.strip() for counter in day.counters}
    return names.get(counter_id) or counter_id


def hangs_on_parts(day: Day, left: Left, call: Call) -> bool:
    """Return whether a call lacks parts on every van that could serve it otherwise.

    Parameters
    ----------
    day : Day
        The day.
    left : Left
        What the placed calls leave over.
    call : Call
        A call of the day that is on no route.

    Returns
    -------
    bool
        False as well when no van could serve it whatever it carries (skills,
        equipment, hours): buying parts would not help. What another van can hand
        over, and what a store has that can be driven by in time, is not lacking.
    """
    asked = part_ids(day, (call,))
    yards = meeting_places(day)
    met: defaultdict[tuple[float, float], Counter[str]] = defaultdict(Counter)
    for van_id, yard in yards.items():
        met[yard].update({p: left.vans[van_id][p] for p in asked})
    able = False
    for van in able_vans(day, call):
        latest_s = latest_start_s(day, call, van)
        if latest_s is None:
            continue
        able = True
        pool = reachable(van, left, asked)
        if van.id in yards:
            pool.update(met[yards[van.id]])
            pool.subtract({p: left.vans[van.id][p] for p in asked})
        for store in stores(day).values():
            there = left.counters.get(store.id, left.shop)
            loaded = store.id == day.shop.id and van.loads_at_shop
            if not loaded and can_fetch(van, store, latest_s):
                pool.update({p: there[p] for p in asked})
        if choose(day, call.needs, pool) is not None:
            return False
    return able


def shortages(day: Day, plan: Plan) -> tuple[Shortage, ...]:
    """Return the parts of which the firm holds fewer than the day wants.

    A part that lies in the wrong van or in a shop no able van loads at is not
    short: it has to be moved, not bought (see :mod:`dispatch.vancheck`). Neither is
    one that a van buys at a counter on its way.

    Parameters
    ----------
    day : Day
        The day.
    plan : Plan
        Its plan.

    Returns
    -------
    tuple of Shortage
        Those that keep a call from being served first, then spares; by part id.
    """
    lacks, kept = _lacks(day, plan)
    left = leave_over(day, plan.issues)
    total = leave_over(day).total()
    wanted: Counter[str] = Counter(kept)
    call_ids: defaultdict[str, dict[str, None]] = defaultdict(dict)
    for issue in plan.issues:
        if issue.purpose is Purpose.CALL and issue.store_id not in left.counters:
            wanted[issue.part_id] += issue.quantity
    for lack in lacks:
        wanted.update(lack.wanted)
        for part_id in lack.short:
            call_ids[part_id][lack.call.id] = None
    spares_short = _spares_short(day, plan, lacks, kept)
    for (_, part_id), count in spares_wanted(day, plan.issues).items():
        wanted[part_id] += count
    for lack in lacks:
        for part_id, count in _spares_to_buy(day, lack).items():
            wanted[part_id] += count
    found = [
        Shortage(
            part_id=part_id,
            name=part_name(day, part_id),
            wanted=wanted[part_id],
            available=total[part_id],
            call_ids=tuple(call_ids[part_id]) if part_id in call_ids else (),
            elsewhere=elsewhere(day, part_id, left),
            spares=spares_short[part_id],
        )
        for part_id in {*call_ids, *spares_short}
    ]
    return tuple(sorted(found, key=lambda s: (not s.call_ids, s.part_id)))


def purchases(day: Day, plan: Plan, short: Sequence[Shortage]) -> tuple[Purchase, ...]:
    """Return what to buy so that no trip is wasted.

    Of a need's alternatives the one is bought that can arrive in time, then the
    preferred one. Pieces come from wherever they are soonest in hand: a counter
    that holds all of them (from its opening hour) or an order (after the part's
    lead time). In time means in hand by the last second at which an able van could
    start the call, for a spare by the time the van sets off; the way to the counter
    is not counted.

    Parameters
    ----------
    day : Day
        The day.
    plan : Plan
        Its plan.
    short : sequence of Shortage
        From :func:`shortages` of the same day and plan.

    Returns
    -------
    tuple of Purchase
        What can save a call before spares; within them what can still arrive
        before what nobody knows of before what comes too late; longest lead first.
    """
    hanging = {call_id for shortage in short for call_id in shortage.call_ids}
    lacks = [lack for lack in _lacks(day, plan)[0] if lack.call.id in hanging]
    bought: defaultdict[
        tuple[Purpose, str, _Offer, bool | None], tuple[list[int], dict[str, None]]
    ] = defaultdict(lambda: ([], {}))
    for lack in lacks:
        for part_id, count in lack.buy.items():
            offer = lack.offers[part_id]
            key = (Purpose.CALL, part_id, offer, _in_time(offer, lack.latest_s))
            bought[key][0].append(count)
            bought[key][1][lack.call.id] = None
    counters = leave_over(day, plan.issues).counters
    for lack in lacks:
        _claim(counters, lack.buy, lack.offers)
    for shortage in short:
        if shortage.spares:
            part_id = shortage.part_id
            offer = _offer(day, counters, part_id, shortage.spares)
            users, by_s = _spare_users(day, plan, lacks, part_id)
            spare_key = (Purpose.SPARE, part_id, offer, _in_time(offer, by_s))
            bought[spare_key][0].append(shortage.spares)
            bought[spare_key][1].update(dict.fromkeys(users))
    found = [
        Purchase(
            part_id=part_id,
            name=part_name(day, part_id),
            quantity=sum(counts),
            cost_cents=sum(counts) * _price_cents(day, part_id, offer.where),
            lead_time_s=None
            if offer.hand_s is None
            else offer.hand_s - day.planned_at_s,
            in_time=in_time,
            call_ids=tuple(call_ids),
            where=offer.where,
            purpose=purpose,
        )
        for (purpose, part_id, offer, in_time), (counts, call_ids) in bought.items()
    ]
    return tuple(
        sorted(
            found,
            key=lambda p: (
                p.purpose is Purpose.SPARE,
                _timeliness(p.in_time),
                -(p.lead_time_s or 0),
                p.part_id,
                p.where,
            ),
        )
    )


def _lacks(day: Day, plan: Plan) -> tuple[list[_Lack], Counter[str]]:
    """Return the needs to buy for, and the pieces kept for the calls they belong to."""
    left = leave_over(day, plan.issues, Purpose.CALL)
    pool = left.total()
    counters = left.counters
    calls = {call.id: call for call in day.calls}
    hanging = [
        call
        for call in (calls[unplaced.call_id] for unplaced in plan.unplaced)
        if hangs_on_parts(day, left, call)
    ]
    lacks: list[_Lack] = []
    kept: Counter[str] = Counter()
    for call in sorted(hanging, key=lambda call: call.priority):
        latest_s = latest_start_any_s(day, call)
        if latest_s is None:  # hangs_on_parts has seen to it
            continue
        for need in call.needs:
            choices = [pieces(day, a, need.quantity) for a in need.alternatives]
            there = next((c for c in choices if not _missing(c, pool)), None)
            if there is not None:
                pool.subtract(there)
                kept.update(there)
                continue
            offered = [
                {
                    part_id: _offer(day, counters, part_id, count)
                    for part_id, count in _missing(choice, pool).items()
                }
                for choice in choices
            ]
            best = min(
                range(len(choices)),
                key=lambda i: max(
                    _timeliness(_in_time(offer, latest_s))
                    for offer in offered[i].values()
                ),
            )
            buy = _missing(choices[best], pool)
            wanted = Counter(buy)
            if best != 0:
                wanted.update(choices[0])
            lacks.append(
                _Lack(
                    call,
                    _missing(choices[0], pool),
                    buy,
                    dict(wanted),
                    offered[best],
                    latest_s,
                )
            )
            _claim(counters, buy, offered[best])
            there = {
                part_id: count - buy.get(part_id, 0)
                for part_id, count in choices[best].items()
            }
            pool.subtract(there)
            kept.update(there)
    return lacks, kept


def _missing(wanted: Mapping[str, int], pool: Mapping[str, int]) -> dict[str, int]:
    """Return how many pieces of each part the pool is short of."""
    return {
        part_id: count - max(0, pool.get(part_id, 0))
        for part_id, count in wanted.items()
        if pool.get(part_id, 0) < count
    }


def _claim(
    counters: Mapping[str, Counter[str]],
    buy: Mapping[str, int],
    offers: Mapping[str, _Offer],
) -> None:
    """Take what is bought off the counters' shelves, so that it is sold once."""
    for part_id, count in buy.items():
        if offers[part_id].where:
            counters[offers[part_id].where][part_id] -= count


def _offer(
    day: Day, counters: Mapping[str, Counter[str]], part_id: str, count: int
) -> _Offer:
    """Return where pieces are soonest in hand; a counter before an order.

    Of counters the cheapest, then the first of the day's.
    """
    part = day.parts.get(part_id)
    lead_s = part.lead_time_s if part is not None else None
    known = [
        (hand_s, False, store_price_cents(day, counter, part_id), at, counter.id)
        for at, counter in enumerate(day.counters)
        if counters[counter.id][part_id] >= count
        and (hand_s := _open_s(day, counter)) is not None
    ]
    if lead_s is not None:
        known.append((day.planned_at_s + lead_s, True, 0, 0, ""))
    if not known:
        return _Offer(None, "")
    hand_s, *_, where = min(known)
    return _Offer(hand_s, where)


def _open_s(day: Day, counter: Store) -> int | None:
    """Return when a counter can first be called at, from the evening's end on."""
    if counter.opening is None:
        return day.planned_at_s
    if day.planned_at_s > counter.opening.end_s:
        return None
    return max(day.planned_at_s, counter.opening.start_s)


def _in_time(offer: _Offer, latest_s: int) -> bool | None:
    return None if offer.hand_s is None else offer.hand_s <= latest_s


def _timeliness(in_time: bool | None) -> int:  # noqa: FBT001 - a value, not a switch
    """Rank: in time, then nobody knows, then too late."""
    return {True: 0, None: 1, False: 2}[in_time]


def _price_cents(day: Day, part_id: str, where: str) -> int:
    """Return what one costs at a counter, or ordered as usual."""
    if where:
        return store_price_cents(day, stores(day)[where], part_id)
    return price_cents(day, part_id)


def _spares_to_buy(day: Day, lack: _Lack) -> dict[str, int]:
    """Return the spares wanted beside pieces that are bought for this very day."""
    found = {}
    for part_id, count in lack.buy.items():
        part = day.parts.get(part_id)
        if part is None or _in_time(lack.offers[part_id], lack.latest_s) is False:
            continue
        spares = spare_count(count, part.spoil_rate, day.service_level)
        if spares:
            found[part_id] = spares
    return found


def _spares_short(
    day: Day, plan: Plan, lacks: Sequence[_Lack], kept: Counter[str]
) -> Counter[str]:
    """Return the spares that are in no van and not in the shop."""
    missing: Counter[str] = Counter()
    for (_, part_id), count in spares_wanted(day, plan.issues).items():
        missing[part_id] += count
    for issue in plan.issues:
        if issue.purpose is Purpose.SPARE:
            missing[issue.part_id] -= issue.quantity
    for lack in lacks:
        missing.update(_spares_to_buy(day, lack))
    left = leave_over(day, plan.issues).total()
    left.subtract(kept)
    for part_id in missing:
        missing[part_id] -= max(0, left[part_id])
    return +missing


def _spare_users(
    day: Day, plan: Plan, lacks: Sequence[_Lack], part_id: str
) -> tuple[tuple[str, ...], int]:
    """Return the calls a missing spare puts at risk, and when it must be in hand."""
    wanted = spares_wanted(day, plan.issues)
    got: Counter[str] = Counter()
    for issue in plan.issues:
        if issue.purpose is Purpose.SPARE and issue.part_id == part_id:
            got[issue.van_id] += issue.quantity
    calls: list[str] = []
    by_s: list[int] = []
    for route in plan.routes:
        if wanted.get((route.van_id, part_id), 0) > got[route.van_id]:
            by_s.append(route.leave_s)
            using = {
                issue.call_id
                for issue in plan.issues
                if issue.van_id == route.van_id and issue.part_id == part_id
            }
            calls += [call_id for call_id in route.call_ids if call_id in using]
    for lack in lacks:
        if part_id in _spares_to_buy(day, lack):
            by_s.append(lack.latest_s)
            calls.append(lack.call.id)
    return tuple(dict.fromkeys(calls)), min(by_s)
