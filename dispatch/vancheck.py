"""Is everything for this day aboard? Van by van, without planning a route.

Calls that only one van can serve are tied to it and claim its pieces first, then
the shop's, then what stores on the way have; the other calls are looked at one by one
against what is left over. One that no van can be sent to claims nothing. No hours and
no driving are looked at: that is the plan's business.
"""

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import NamedTuple

from dispatch.reach import able_vans, can_fetch, shared_tools
from dispatch.stock import (
    Left,
    admit,
    choose,
    demand,
    leave_over,
    part_ids,
    part_name,
    partners,
    pieces,
    reachable,
    spare_count,
    stores,
    walk_order,
)
from dispatch.supply import counter_name, elsewhere
from shared.model import Call, Day, Shortage, Store, Van

_NAMES = 3  # so many are named in one line
_ROUNDS = 4  # vans that come short at the shop choose first in the next round


class Verdict(StrEnum):
    """How a van stands before leaving."""

    FREE = "free"  # no call is tied to it
    ABOARD = "aboard"  # its calls can be served as it stands
    LOAD = "load"  # they can once it has loaded at the shop
    FETCH = "fetch"  # they can once it has fetched something on its way
    SWAP = "swap"  # they can once another van has handed something over
    SHORT = "short"  # some cannot, whatever is loaded or swapped


@dataclass(frozen=True, slots=True, kw_only=True)
class PartCheck:
    """One part that a van's own calls use, and where its pieces lie.

    Parameters
    ----------
    part_id, name, bin : str
        What, and where it lies in the shop.
    aboard, load : int
        Pieces used from the van, and pieces to load at the shop.
    call_ids : tuple of str
        The calls that use it.
    instead_of : tuple of str
        Wanted parts it stands in for.
    spares, spares_lacking : int
        Spares wanted in case a cut goes wrong, and how many of them neither the
        van has left nor (for a van that loads there) the shop.
    fetch : tuple of (str, int)
        Stores on the way, and pieces to fetch there.
    """

    part_id: str
    name: str
    bin: str
    aboard: int
    load: int
    call_ids: tuple[str, ...]
    instead_of: tuple[str, ...] = ()
    spares: int = 0
    spares_lacking: int = 0
    fetch: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MissingPart:
    """Pieces a call lacks on a van, and where some lie that no tied call claims.

    Parameters
    ----------
    call_id, part_id, name : str
        For which call, and what.
    quantity : int
        Pieces missing.
    in_shop : int
        Pieces left in the shop (too few, or the van does not load there).
    in_vans, at_counters : tuple of (str, int)
        Other vans and suppliers' counters, and how many each has to give.
    """

    call_id: str
    part_id: str
    name: str
    quantity: int
    in_shop: int = 0
    in_vans: tuple[tuple[str, int], ...] = ()
    at_counters: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MissingGear:
    """Skills and equipment a call asks for and a van has not.

    Parameters
    ----------
    call_id, van_id : str
        Which call, on which van.
    skills, equipment : tuple of str
        What is missing.
    carried_by : tuple of (str, tuple of str)
        Each missing piece of equipment, and the vans that carry one.
    lower : tuple of (str, str)
        Each missing skill of which the driver has a lower level, and that level.
    """

    call_id: str
    van_id: str
    skills: tuple[str, ...] = ()
    equipment: tuple[str, ...] = ()
    carried_by: tuple[tuple[str, tuple[str, ...]], ...] = ()
    lower: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class VanReport:
    """One van before leaving.

    Parameters
    ----------
    van_id, driver : str
        The van.
    verdict : Verdict
        How it stands.
    text : str
        The same in one line.
    call_ids : tuple of str
        Calls tied to it.
    parts : tuple of PartCheck
        What they use, by bin.
    missing : tuple of MissingPart
        What they lack as things stand.
    gear : tuple of MissingGear
        Skills and equipment they lack.
    tools : tuple of str
        Shared tools to load at the shop for them.
    """

    van_id: str
    driver: str
    verdict: Verdict
    text: str
    call_ids: tuple[str, ...]
    parts: tuple[PartCheck, ...] = ()
    missing: tuple[MissingPart, ...] = ()
    gear: tuple[MissingGear, ...] = ()
    tools: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LackingVan:
    """A van that could do a call but for parts.

    Parameters
    ----------
    van_id : str
        The van.
    missing : tuple of MissingPart
        What it lacks.
    """

    van_id: str
    missing: tuple[MissingPart, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CallReport:
    """A call that several vans could serve, or none; looked at by itself.

    Parameters
    ----------
    call_id : str
        The call.
    text : str
        How it stands, in one line.
    aboard : tuple of str
        Vans that carry all of its parts now.
    after_loading : tuple of str
        Vans that could load the rest at the shop.
    on_the_way : tuple of str
        Vans that could fetch the rest on their way.
    lacking : tuple of LackingVan
        Vans that could not, and what they lack.
    gear : tuple of MissingGear
        Where no van can do it: those that come nearest, and what they lack.
    tools : tuple of str
        Shared tools it asks for: whoever goes loads them, unless he has his own.
    """

    call_id: str
    text: str
    aboard: tuple[str, ...] = ()
    after_loading: tuple[str, ...] = ()
    on_the_way: tuple[str, ...] = ()
    lacking: tuple[LackingVan, ...] = ()
    gear: tuple[MissingGear, ...] = ()
    tools: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """Pieces to hand from one van to another before leaving.

    Parameters
    ----------
    part_id, name : str
        What.
    quantity : int
        How many.
    from_van, to_van : str
        Giver and taker.
    call_id : str
        The call that can be served then.
    text : str
        The same in one line.
    planned : bool
        Whether the plan sees to it by itself: the day lets these two vans exchange.
    """

    part_id: str
    name: str
    quantity: int
    from_van: str
    to_van: str
    call_id: str
    text: str
    planned: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ToolCheck:
    """A shared tool, and who cannot do without it.

    Parameters
    ----------
    tool_id : str
        Which one.
    quantity : int
        How many the shop has.
    van_ids : tuple of str
        Vans that need it for calls tied to them.
    enough : bool
        Whether each of these can have one, if need be one after the other.
    """

    tool_id: str
    quantity: int
    van_ids: tuple[str, ...]
    enough: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class VanCheck:
    """Whether everything for a day is aboard.

    Parameters
    ----------
    vans : tuple of VanReport
        In the order of the day's vans.
    calls : tuple of CallReport
        Calls tied to no van, in the order of the day.
    moves : tuple of Move
        What to hand over before leaving; carried out all together, each makes its
        call servable and none takes a piece that another call hangs on.
    short : tuple of Shortage
        Parts of which all vans, the shop and the counters on the way together hold
        too few for all calls.
    tools : tuple of ToolCheck
        The tools that the vans share.
    """

    vans: tuple[VanReport, ...]
    calls: tuple[CallReport, ...]
    moves: tuple[Move, ...]
    short: tuple[Shortage, ...]
    tools: tuple[ToolCheck, ...] = ()

    @property
    def ready(self) -> bool:
        """Whether every call has a van with all it needs.

        Returns
        -------
        bool
            What is loaded, fetched on the way or handed over as the plan will have it
            counts as there. False also where a part or a shared tool is short.
        """
        by_hand = {move.call_id for move in self.moves if not move.planned}
        helped = {move.call_id for move in self.moves} - by_hand
        return (
            all(
                van.verdict is not Verdict.SHORT
                and all(lack.call_id in helped for lack in van.missing)
                for van in self.vans
            )
            and all(
                call.aboard
                or call.after_loading
                or call.on_the_way
                or call.call_id in helped
                for call in self.calls
            )
            and not self.short
            and all(tool.enough for tool in self.tools)
        )


def van_check(day: Day) -> VanCheck:
    """Check, van by van, that everything for the day is aboard.

    Parameters
    ----------
    day : Day
        The day; no plan is needed.

    Returns
    -------
    VanCheck
        A verdict per van, how the calls stand that are tied to none, what to hand
        over between vans, and what the whole firm has too little of.

    Notes
    -----
    A call is tied to a van when it requires it, when no other van has the skills
    and equipment, or when there is only one van; one whose address nobody knows, or
    to which no road leads, is tied to none. Calls with a higher priority get
    their pieces first. Where vans compete for the shop's pieces they are served in
    the order of the day, and once more with those first that came short.
    """
    ties = _tie(day)
    now = _settle(day, ties)
    moves, after = _propose(day, ties, now)
    holders = _hold(now.left)
    calls = tuple(_call_report(day, call, ties, now, holders) for call in ties.free)
    tools = _check_tools(day, ties)
    vans = (_van_report(day, van, ties, (now, after), holders) for van in day.vans)
    return VanCheck(
        vans=tuple(
            _add_text(day, report, calls, moves, tools, (now, after)) for report in vans
        ),
        calls=tuple(_add_call_text(day, report, moves) for report in calls),
        moves=moves,
        short=_short(day),
        tools=tools,
    )


# --- who claims what ---------------------------------------------------------


class _Ties(NamedTuple):
    """Calls tied to one van, and the others."""

    van: dict[str, str]  # call id to van id
    calls: dict[str, list[Call]]  # van id to calls
    free: list[Call]
    able: dict[str, tuple[Van, ...]]  # call id to vans with the skills and equipment


class _Settled(NamedTuple):
    """Which tied calls have their parts, and what is left then."""

    picks: dict[str, tuple[str, ...]]  # call id to alternatives; served calls only
    taken: dict[str, Counter[str]]  # van id to pieces used from aboard
    loaded: dict[str, Counter[str]]  # van id to pieces to load
    fetched: dict[str, Counter[tuple[str, str]]]  # van id to store and part to pieces
    left: Left


def _tie(day: Day) -> _Ties:
    ties = _Ties({}, {van.id: [] for van in day.vans}, [], {})
    for call in day.calls:
        able = ties.able[call.id] = able_vans(day, call)
        if day.bar(call) is not None:
            van_id: str | None = None
        elif len(day.vans) == 1:
            van_id = day.vans[0].id
        elif call.required_van is not None:
            van_id = call.required_van
        else:
            van_id = able[0].id if len(able) == 1 else None
        if van_id is None:
            ties.free.append(call)
        else:
            ties.van[call.id] = van_id
            ties.calls[van_id].append(call)
    return ties


def _settle(day: Day, ties: _Ties) -> _Settled:
    """Give the tied calls their parts, shop pieces to the vans in a good order."""
    vans = list(day.vans)
    best = _claim(day, ties, vans)
    for _ in range(_ROUNDS):
        short = {
            van_id
            for van_id, calls in ties.calls.items()
            if any(call.id not in best.picks for call in calls)
        }
        again = sorted(vans, key=lambda van: van.id not in short)
        if not short or again == vans:
            break
        vans = again
        best = max(best, _claim(day, ties, vans), key=lambda s: len(s.picks))
    return best


def _claim(day: Day, ties: _Ties, vans: Sequence[Van]) -> _Settled:
    """Let one van after the other claim parts for its tied calls."""
    settled = _Settled(
        {},
        {van.id: Counter() for van in vans},
        {van.id: Counter() for van in vans},
        {van.id: Counter() for van in vans},
        leave_over(day),
    )
    for van in vans:
        calls = ties.calls[van.id]
        if not calls:
            continue
        able = [call for call in calls if _gear(day, call, van) is None]
        chosen = admit(day, able, settled.left.vans[van.id])
        if len(chosen) < len(able):
            pool = reachable(van, settled.left, part_ids(day, able))
            chosen = admit(day, able, pool)
        if len(chosen) < len(able):
            pool = _within_reach(day, van, settled.left, part_ids(day, able))
            chosen = admit(day, able, pool)
        _take(day, van, [c for c in able if c.id in chosen], chosen, settled)
        # A call that lacks gear gets what the others leave over.
        rest = [call for call in calls if call not in able]
        pool = _within_reach(day, van, settled.left, part_ids(day, rest))
        chosen = admit(day, rest, pool)
        _take(day, van, [c for c in rest if c.id in chosen], chosen, settled)
    return settled


def _take(
    day: Day,
    van: Van,
    calls: Sequence[Call],
    chosen: dict[str, tuple[str, ...]],
    settled: _Settled,
) -> None:
    """Book the chosen pieces: the van's first, then the shop's, then on the way."""
    left = settled.left
    pots = [(left.vans[van.id], settled.taken[van.id])]
    if van.loads_at_shop:
        pots.append((left.shop, settled.loaded[van.id]))
    fetched = settled.fetched[van.id]
    for call in calls:
        settled.picks[call.id] = chosen[call.id]
        for used in demand(day, call, chosen[call.id]):
            for part_id, count in used.items():
                short = count
                for pot, booked in pots:
                    some = min(short, max(0, pot[part_id]))
                    pot[part_id] -= some
                    booked[part_id] += some
                    short -= some
                for store in _on_the_way(day, van) if short else ():
                    shelf = left.counters.get(store.id, left.shop)
                    some = min(short, max(0, shelf[part_id]))
                    shelf[part_id] -= some
                    fetched[store.id, part_id] += some
                    short -= some


def _on_the_way(day: Day, van: Van) -> list[Store]:
    """Return the stores a van can stop at and that it does not load from anyhow."""
    back_s = van.shift.end_s + van.overtime_limit_s
    return [
        store
        for store in stores(day).values()
        if can_fetch(van, store, back_s)
        and not (van.loads_at_shop and store.id == day.shop.id)
    ]


def _within_reach(
    day: Day, van: Van, left: Left, asked: Collection[str]
) -> Counter[str]:
    """Return what a van could have: aboard, loaded, and fetched on the way."""
    pool = reachable(van, left, asked)
    for store in _on_the_way(day, van):
        shelf = left.counters.get(store.id, left.shop)
        pool.update({part_id: shelf[part_id] for part_id in asked})
    return pool


def _check_tools(day: Day, ties: _Ties) -> tuple[ToolCheck, ...]:
    """Return the shared tools, and the vans that cannot do without them."""
    passed_on = day.shop.restock_s is not None
    checks = []
    for tool in day.tools:
        van_ids = tuple(
            van.id
            for van in day.vans
            if tool.id in shared_tools(day, van)
            and any(tool.id in call.equipment for call in ties.calls[van.id])
        )
        checks.append(
            ToolCheck(
                tool_id=tool.id,
                quantity=tool.quantity,
                van_ids=van_ids,
                enough=len(van_ids) <= tool.quantity or (tool.handover and passed_on),
            )
        )
    return tuple(checks)


def _level(skill: str) -> tuple[str, int]:
    """Return a skill and its level; the bare word is level 1."""
    word, _, level = skill.rpartition(" ")
    return (word, int(level)) if word and level.isdigit() else (skill, 1)


def _lacking_skills(
    call: Call, van: Van
) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
    """Return the skills a driver lacks, each at the level asked, and what he has."""
    asked: dict[str, tuple[int, str]] = {}
    for skill in call.skills - van.skills:
        word, level = _level(skill)
        asked[word] = max(asked.get(word, (0, "")), (level, skill))
    had: dict[str, tuple[int, str]] = {}
    for skill in van.skills:
        word, level = _level(skill)
        had[word] = max(had.get(word, (0, "")), (level, skill))
    skills = sorted(asked.items(), key=lambda item: item[1][1])
    return (
        tuple(skill for _, (_, skill) in skills),
        tuple((skill, had[word][1]) for word, (_, skill) in skills if word in had),
    )


def _gear(day: Day, call: Call, van: Van) -> MissingGear | None:
    """Return the skills and equipment a van lacks for a call, ``None``: none."""
    skills, lower = _lacking_skills(call, van)
    there = van.equipment | shared_tools(day, van)
    equipment = tuple(sorted(call.equipment - there))
    if not skills and not equipment:
        return None
    return MissingGear(
        call_id=call.id,
        van_id=van.id,
        skills=skills,
        equipment=equipment,
        carried_by=tuple(
            (item, tuple(other.id for other in day.vans if item in other.equipment))
            for item in equipment
        ),
        lower=lower,
    )


def _hold(left: Left) -> dict[str, list[tuple[str, int]]]:
    """Return, per part, the vans that have some left, and how many."""
    holders: defaultdict[str, list[tuple[str, int]]] = defaultdict(list)
    for van_id, stock in left.vans.items():
        for part_id, count in stock.items():
            if count > 0:
                holders[part_id].append((van_id, count))
    return dict(holders)


def _missing(
    day: Day,
    call: Call,
    van: Van,
    left: Left,
    holders: Mapping[str, Sequence[tuple[str, int]]],
) -> tuple[MissingPart, ...]:
    """Return what a call lacks on a van, for the alternatives that lack least."""
    pool = _within_reach(day, van, left, part_ids(day, (call,)))
    short: Counter[str] = Counter()
    for need in call.needs:
        choices = [pieces(day, a, need.quantity) for a in need.alternatives]
        best = min(
            choices,
            key=lambda choice: sum(
                max(0, count - pool[part_id]) for part_id, count in choice.items()
            ),
        )
        for part_id, count in best.items():
            had = min(count, max(0, pool[part_id]))
            pool[part_id] -= had
            short[part_id] += count - had
    return tuple(
        MissingPart(
            call_id=call.id,
            part_id=part_id,
            name=part_name(day, part_id),
            quantity=count,
            in_shop=max(0, left.shop[part_id]),
            in_vans=tuple(
                holder for holder in holders.get(part_id, ()) if holder[0] != van.id
            ),
            at_counters=elsewhere(day, part_id),
        )
        for part_id, count in (+short).items()
    )


# --- swaps -------------------------------------------------------------------


def _propose(
    day: Day, ties: _Ties, settled: _Settled
) -> tuple[tuple[Move, ...], _Settled]:
    """Return the moves that help, each verified by settling the day anew."""
    moves: list[Move] = []
    vans = {van.id: van for van in day.vans}
    lacking = [
        call
        for call in sorted(day.calls, key=lambda call: call.priority)
        if not _takers(day, call, ties, settled)
    ]
    for call in lacking:
        if _takers(day, call, ties, settled):  # an earlier move has helped it too
            continue
        tied = ties.van.get(call.id)
        candidates = (vans[tied],) if tied is not None else ties.able[call.id]
        tries = [
            found
            for van in candidates
            if _gear(day, call, van) is None
            and (found := _moves_for(day, call, van, settled))
        ]
        for found in sorted(tries, key=_pieces_moved):
            moved_day = _carry_out(day, found)
            moved = _settle(moved_day, ties)
            if _helps(day, moved_day, call, ties, (settled, moved)):
                moves += found
                day, settled = moved_day, moved
                break
    return tuple(moves), settled


def _pieces_moved(moves: Sequence[Move]) -> int:
    return sum(move.quantity for move in moves)


def _takers(day: Day, call: Call, ties: _Ties, settled: _Settled) -> bool:
    """Return whether some van has, or could load, all of a call's parts."""
    if call.id in ties.van:
        return call.id in settled.picks
    return any(
        _serves_on_the_way(day, call, van, settled.left) for van in ties.able[call.id]
    )


def _helps(
    day: Day,
    moved_day: Day,
    call: Call,
    ties: _Ties,
    states: tuple[_Settled, _Settled],
) -> bool:
    """Return whether a call is served after the moves and no other one lost."""
    before, after = states
    changed = _differ(before.left, after.left)
    return (
        _takers(moved_day, call, ties, after)
        and before.picks.keys() <= after.picks.keys()
        and all(
            _takers(moved_day, other, ties, after)
            for other in ties.free
            if not changed.isdisjoint(part_ids(day, (other,)))
            and _takers(day, other, ties, before)
        )
    )


def _differ(before: Left, after: Left) -> set[str]:
    """Return the parts of which anybody has more or fewer left than before."""
    pairs = [(before.shop, after.shop)]
    pairs += [(stock, after.vans[van_id]) for van_id, stock in before.vans.items()]
    pairs += [(stock, after.counters[at]) for at, stock in before.counters.items()]
    return {
        part_id
        for old, new in pairs
        if old != new
        for part_id in {*old, *new}
        if old[part_id] != new[part_id]
    }


def _moves_for(day: Day, call: Call, taker: Van, settled: _Settled) -> tuple[Move, ...]:
    """Return moves that would give a van all of a call's parts, or none at all."""
    asked = part_ids(day, (call,))
    pool = _within_reach(day, taker, settled.left, asked)
    mates = {van.id for van in partners(day, taker)}
    givers = {
        van.id: Counter(
            {part_id: _can_give(van, part_id, settled) for part_id in asked}
        )
        for van in day.vans
        if van.id != taker.id
    }
    given: Counter[tuple[str, str]] = Counter()
    for need in call.needs:
        for alternative in need.alternatives:
            wanted = pieces(day, alternative, need.quantity)
            gifts = _collect(wanted, pool, givers, mates)
            if gifts is not None:
                break
        else:
            return ()
        for (giver, part_id), count in gifts.items():
            givers[giver][part_id] -= count
            pool[part_id] += count
            given[giver, part_id] += count
        pool.subtract(wanted)
    return tuple(
        Move(
            part_id=part_id,
            name=part_name(day, part_id),
            quantity=count,
            from_van=giver,
            to_van=taker.id,
            call_id=call.id,
            text=f"Move {count} of {part_name(day, part_id)} from van {giver} "
            f"to van {taker.id} before leaving, for call {call.id}.",
            planned=giver in mates,
        )
        for (giver, part_id), count in given.items()
    )


def _can_give(van: Van, part_id: str, settled: _Settled) -> int:
    """Return what a van has over, and what it uses but can load anew at the shop."""
    again = 0
    if van.loads_at_shop:
        again = min(settled.taken[van.id][part_id], settled.left.shop[part_id])
    return settled.left.vans[van.id][part_id] + again


def _collect(
    wanted: dict[str, int],
    pool: Counter[str],
    givers: dict[str, Counter[str]],
    mates: AbstractSet[str],
) -> Counter[tuple[str, str]] | None:
    """Return who gives what for one alternative: mates first, then who has most over.

    Mates are vans with which the plan itself may exchange.
    """
    gifts: Counter[tuple[str, str]] = Counter()
    for part_id, count in wanted.items():
        short = count - max(0, pool[part_id])
        for giver in sorted(
            givers, key=lambda g: (g not in mates, -givers[g][part_id])
        ):
            if short <= 0:
                break
            gift = min(short, givers[giver][part_id])
            if gift > 0:
                gifts[giver, part_id] = gift
                short -= gift
        if short > 0:
            return None
    return gifts


def _carry_out(day: Day, moves: Iterable[Move]) -> Day:
    """Return the day with pieces handed over."""
    stock = {van.id: Counter(van.stock) for van in day.vans}
    for move in moves:
        stock[move.from_van][move.part_id] -= move.quantity
        stock[move.to_van][move.part_id] += move.quantity
    return replace(
        day, vans=tuple(replace(van, stock=stock[van.id]) for van in day.vans)
    )


# --- words -------------------------------------------------------------------


def _van_report(
    day: Day,
    van: Van,
    ties: _Ties,
    states: tuple[_Settled, _Settled],
    holders: Mapping[str, Sequence[tuple[str, int]]],
) -> VanReport:
    """Return how a van stands, without words."""
    now, after = states
    calls = ties.calls[van.id]
    missing = tuple(
        lack
        for call in calls
        if call.id not in now.picks
        for lack in _missing(day, call, van, now.left, holders)
    )
    gear = tuple(g for call in calls if (g := _gear(day, call, van)) is not None)
    asked = {item for call in calls for item in call.equipment}
    tools = tuple(sorted(asked & shared_tools(day, van)))
    verdict = Verdict.ABOARD
    if not calls:
        verdict = Verdict.FREE
    elif gear or any(call.id not in after.picks for call in calls):
        verdict = Verdict.SHORT
    elif missing:
        verdict = Verdict.SWAP
    elif any(now.fetched[van.id].values()):
        verdict = Verdict.FETCH
    elif tools or any(now.loaded[van.id].values()):
        verdict = Verdict.LOAD
    return VanReport(
        van_id=van.id,
        driver=van.driver,
        verdict=verdict,
        text="",
        call_ids=tuple(call.id for call in calls),
        parts=_part_checks(day, van, calls, now),
        missing=missing,
        gear=gear,
        tools=tools,
    )


def _part_checks(
    day: Day, van: Van, calls: Sequence[Call], now: _Settled
) -> tuple[PartCheck, ...]:
    users: defaultdict[str, dict[str, None]] = defaultdict(dict)
    stands_in: defaultdict[str, dict[str, None]] = defaultdict(dict)
    for call in calls:
        if call.id not in now.picks:
            continue
        picks = now.picks[call.id]
        for need, pick, used in zip(
            call.needs, picks, demand(day, call, picks), strict=True
        ):
            wanted = need.alternatives[0]
            for part_id in used:
                users[part_id][call.id] = None
                if pick != wanted and part_id not in pieces(day, wanted):
                    stands_in[part_id][wanted] = None
    checks = []
    for part_id, call_ids in users.items():
        part = day.parts.get(part_id)
        aboard, load = now.taken[van.id][part_id], now.loaded[van.id][part_id]
        rate = part.spoil_rate if part is not None else 0.0
        fetch = tuple(
            (store_id, count)
            for (store_id, fetched), count in now.fetched[van.id].items()
            if fetched == part_id and count
        )
        total = aboard + load + sum(count for _, count in fetch)
        spares = spare_count(total, rate, day.service_level)
        left = reachable(van, now.left, (part_id,))[part_id]
        checks.append(
            PartCheck(
                part_id=part_id,
                name=part_name(day, part_id),
                bin=part.bin if part is not None else "",
                aboard=aboard,
                load=load,
                call_ids=tuple(call_ids),
                instead_of=tuple(stands_in[part_id]),
                spares=spares,
                spares_lacking=max(0, spares - max(0, left)),
                fetch=fetch,
            )
        )
    return tuple(sorted(checks, key=lambda c: (walk_order(c.bin), c.part_id)))


def _add_text(
    day: Day,
    report: VanReport,
    calls: Sequence[CallReport],
    moves: Sequence[Move],
    tools: Sequence[ToolCheck],
    states: tuple[_Settled, _Settled],
) -> VanReport:
    """Return the report with its verdict in one line: how it stands, what to do."""
    now, after = states
    count = len(report.call_ids)
    own = "its one call" if count == 1 else f"its {count} calls"
    load = now.loaded[report.van_id].total()
    more = after.loaded[report.van_id].total() - load
    helped = {move.call_id for move in moves}
    said = []
    if report.verdict is Verdict.FREE:
        said.append(_free_words(report.van_id, calls))
    elif report.verdict is Verdict.ABOARD:
        said.append(f"everything for {own} is aboard")
    else:
        said += [_gear_words(gear) for gear in report.gear]
        said += [
            _missing_words(day, lack)
            for lack in report.missing
            if lack.call_id not in helped
        ]
    shared = {tool.tool_id: tool for tool in tools}
    said += [_tool_words(shared[tool_id]) for tool_id in report.tools]
    for move in moves:
        if move.to_van == report.van_id:
            said.append(f"take {move.quantity} {move.name} from van {move.from_van}")
        elif move.from_van == report.van_id:
            said.append(f"hand {move.quantity} {move.name} to van {move.to_van}")
    if load + more > 0:
        said.append(f"load {_pieces_words(load + more)} at the shop")
    fetched: Counter[str] = Counter()
    for (store_id, _), number in after.fetched[report.van_id].items():
        fetched[store_id] += number
    said += [
        f"fetch {_pieces_words(number)} at {_store_name(day, store_id)} on the way"
        for store_id, number in (+fetched).items()
    ]
    if report.verdict in (Verdict.LOAD, Verdict.FETCH, Verdict.SWAP):
        said[-1] += f", then {own} can be served"
    return replace(report, text="; ".join(said))


def _free_words(van_id: str, calls: Sequence[CallReport]) -> str:
    here = sum(van_id in call.aboard for call in calls)
    load = sum(van_id in call.after_loading for call in calls)
    fetch = sum(van_id in call.on_the_way for call in calls)
    lacking = sum(van_id == van.van_id for call in calls for van in call.lacking)
    could = here + load + fetch + lacking
    if not could:
        return "no call of the day is for this van"
    words = f"no call needs just this van; of the {could} it could "
    words += f"serve, it has the parts aboard for {here}"
    words += f", for {load} more after loading" if load else ""
    return words + (f", for {fetch} more if it fetches some" if fetch else "")


def _store_name(day: Day, store_id: str) -> str:
    return "the shop" if store_id == day.shop.id else counter_name(day, store_id)


def _tool_words(tool: ToolCheck) -> str:
    words = f"load {_spoken([tool.tool_id])} at the shop, it is shared"
    if len(tool.van_ids) <= tool.quantity:
        return words
    there = "there is one" if tool.quantity == 1 else f"there are {tool.quantity}"
    how = ", to be passed on during the day" if tool.enough else ""
    return f"{words} ({len(tool.van_ids)} vans need it and {there}{how})"


def _list(names: Sequence[str]) -> str:
    """Return a few names, and how many more there are."""
    if len(names) <= _NAMES + 1:
        return ", ".join(names)
    return f"{', '.join(names[:_NAMES])} and {len(names) - _NAMES} more"


def _either(names: Sequence[str]) -> str:
    """Return a few names of which any will do."""
    if not 1 < len(names) <= _NAMES + 1:
        return _list(names)
    return f"{', '.join(names[:-1])} or {names[-1]}"


def _spoken(codes: Sequence[str]) -> str:
    """Return skills or equipment as one says them."""
    return ", ".join(code.replace("_", " ") for code in codes)


def _pieces_words(count: int) -> str:
    return "1 piece" if count == 1 else f"{count} pieces"


def _gear_words(gear: MissingGear) -> str:
    what = []
    if gear.skills:
        lower = dict(gear.lower)
        skills = [
            _spoken([skill])
            + (f" (only {_spoken([lower[skill]])})" if skill in lower else "")
            for skill in gear.skills
        ]
        what.append(f"the driver does not do {', '.join(skills)}")
    for item, vans in gear.carried_by:
        where = f"van {_either(vans)} carries one" if vans else "no van carries one"
        what.append(f"{_spoken([item])} is not aboard ({where})")
    return f"{gear.call_id}: {', '.join(what)}"


def _missing_words(day: Day, lack: MissingPart) -> str:
    places = [f"the shop has {lack.in_shop}"] if lack.in_shop else []
    places += [f"van {van_id} has {count}" for van_id, count in lack.in_vans]
    places += [
        f"{count} at {counter_name(day, counter_id)}"
        for counter_id, count in lack.at_counters
    ]
    where = _list(places) or "none anywhere"
    return f"{lack.call_id}: {lack.quantity} {lack.name} missing ({where})"


def _call_report(
    day: Day,
    call: Call,
    ties: _Ties,
    now: _Settled,
    holders: Mapping[str, Sequence[tuple[str, int]]],
) -> CallReport:
    """Return how a call stands that is tied to no van, without words."""
    why = day.bar(call)
    if why is not None:  # whichever van goes
        text = f"not planned: {why.text}"
        text += f"; would help: {why.remedy}" if why.remedy else ""
        return CallReport(call_id=call.id, text=text)
    able = ties.able[call.id]
    if not able:
        lacks = [g for van in day.vans if (g := _gear(day, call, van)) is not None]
        least = min(len(g.skills) + len(g.equipment) for g in lacks)
        near = tuple(g for g in lacks if len(g.skills) + len(g.equipment) == least)
        return CallReport(call_id=call.id, text="", gear=near)
    asked = part_ids(day, (call,))
    aboard, after_loading, on_the_way, lacking = [], [], [], []
    for van in able:
        if choose(day, call.needs, now.left.vans[van.id]) is not None:
            aboard.append(van.id)
        elif choose(day, call.needs, reachable(van, now.left, asked)) is not None:
            after_loading.append(van.id)
        elif _serves_on_the_way(day, call, van, now.left):
            on_the_way.append(van.id)
        else:
            missing = _missing(day, call, van, now.left, holders)
            lacking.append(LackingVan(van_id=van.id, missing=missing))
    return CallReport(
        call_id=call.id,
        text="",
        aboard=tuple(aboard),
        after_loading=tuple(after_loading),
        on_the_way=tuple(on_the_way),
        lacking=tuple(lacking),
        tools=tuple(sorted(call.equipment & {tool.id for tool in day.tools})),
    )


def _serves_on_the_way(day: Day, call: Call, van: Van, left: Left) -> bool:
    pool = _within_reach(day, van, left, part_ids(day, (call,)))
    return choose(day, call.needs, pool) is not None


def _add_call_text(day: Day, report: CallReport, moves: Sequence[Move]) -> CallReport:
    """Return the report with how the call stands in one line."""
    if report.text:
        return report
    own = [move for move in moves if move.call_id == report.call_id]
    if report.gear:
        text = f"no van can do it; {_nearest_words(report.gear)}"
    elif report.aboard:
        text = f"all aboard van {_either(report.aboard)}"
    elif report.after_loading:
        text = f"van {_either(report.after_loading)} can load the rest at the shop"
    elif report.on_the_way:
        text = f"van {_either(report.on_the_way)} can fetch the rest on the way"
    elif own:
        text = "no van has it all; " + "; ".join(
            f"move {m.quantity} {m.name} from van {m.from_van} to van {m.to_van}"
            for m in own
        )
    else:
        near = min(report.lacking, key=lambda v: sum(m.quantity for m in v.missing))
        text = f"no van has it all; nearest is van {near.van_id}: " + ", ".join(
            _missing_words(day, m).removeprefix(f"{report.call_id}: ")
            for m in near.missing
        )
    if report.tools and not report.gear:
        text += f"; {_spoken(report.tools)} is shared: whoever goes loads it"
    return replace(report, text=text)


def _nearest_words(near: Sequence[MissingGear]) -> str:
    first = near[0]
    missing = _spoken([*first.skills, *first.equipment])
    return f"nearest is van {first.van_id}, it lacks {missing}"


def _hold_together(day: Day, passed: AbstractSet[str]) -> Counter[str]:
    """Return the pieces of all vans, the shop and the counters that are passed."""
    left = leave_over(day)
    total = left.total()
    for counter_id in passed & left.counters.keys():
        total.update(left.counters[counter_id])
    return total


def _short(day: Day) -> tuple[Shortage, ...]:
    """Return the parts all vans, the shop and counters on the way hold too few of."""
    calls = [call for call in day.calls if able_vans(day, call)]
    passed = {store.id for van in day.vans for store in _on_the_way(day, van)}
    total = _hold_together(day, passed)
    chosen = admit(day, calls, total)
    pool = Counter(total)
    for call in calls:
        if call.id in chosen:
            for used in demand(day, call, chosen[call.id]):
                pool.subtract(used)
    wanted = Counter(total)
    wanted.subtract(pool)
    hanging: defaultdict[str, dict[str, None]] = defaultdict(dict)
    for call in sorted(calls, key=lambda call: call.priority):
        if call.id in chosen:
            continue
        for need in call.needs:
            choices = [pieces(day, a, need.quantity) for a in need.alternatives]
            there = next(
                (c for c in choices if all(pool[p] >= n for p, n in c.items())), None
            )
            if there is None:
                for part_id, count in choices[0].items():
                    if pool[part_id] < count:
                        hanging[part_id][call.id] = None
                there = choices[0]
            pool.subtract(there)
            wanted.update(there)
    return tuple(
        Shortage(
            part_id=part_id,
            name=part_name(day, part_id),
            wanted=wanted[part_id],
            available=total[part_id],
            call_ids=tuple(hanging[part_id]),
            elsewhere=tuple(
                held for held in elsewhere(day, part_id) if held[0] not in passed
            ),
        )
        for part_id in sorted(hanging)
    )
