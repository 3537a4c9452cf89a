"""Parts: which piece goes to whom, spares, and what is loaded.

Everything here counts pieces and nothing else: no route is drawn or changed.
What is missing and what to buy is in :mod:`dispatch.supply`.
"""

import re
from collections import Counter, defaultdict
from collections.abc import Hashable, Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from fractions import Fraction
from functools import lru_cache
from math import comb, exp, log, log1p
from typing import NamedTuple

from shared.model import (
    Call,
    Day,
    Fetch,
    Issue,
    Need,
    Origin,
    PickLine,
    PickList,
    Plan,
    Purpose,
    Route,
    StopKind,
    Store,
    Van,
)

SPARES_BEYOND = 10
"""At most this many spares more than pieces needed; own choice: past it the spoil
rate is the trouble, not bad luck."""

ROUNDING = 1e-9  # of a chance; a level met exactly counts as met
_STEPS = 50_000  # of one choice; real days need a few dozen


# --- pieces ------------------------------------------------------------------


def pieces(day: Day, part_id: str, quantity: int = 1) -> dict[str, int]:
    """Return the single pieces behind a part: itself, or a kit's components.

    Parameters
    ----------
    day : Day
        The day, for its parts; an unknown part is a plain one.
    part_id : str
        A part or a kit.
    quantity : int
        How many of it.

    Returns
    -------
    dict of str to int
        Part id to pieces.
    """
    part = day.parts.get(part_id)
    if part is None or not part.components:
        return {part_id: quantity}
    found: dict[str, int] = {}
    for component, count in part.components:
        found[component] = found.get(component, 0) + count * quantity
    return found


def part_name(day: Day, part_id: str) -> str:
    """Return the words for a part, its id when the day knows no more.

    Parameters
    ----------
    day : Day
        The day.
    part_id : str
        The part.

    Returns
    -------
    str
        The name.
    """
    part = day.parts.get(part_id)
    return part.name if part is not None else part_id


# --- prices ------------------------------------------------------------------


def price_cents(day: Day, part_id: str) -> int:
    """Return what one of a part costs, a kit as much as its components.

    Parameters
    ----------
    day : Day
        The day, for its parts; an unknown part costs nothing.
    part_id : str
        A part or a kit.

    Returns
    -------
    int
        Cents.
    """
    return sum(
        count * day.parts[piece].unit_cost_cents
        for piece, count in pieces(day, part_id).items()
        if piece in day.parts
    )


def substitute_cents(day: Day, need: Need, chosen: str) -> int:
    """Return what a need costs more because of the alternative that serves it.

    Parameters
    ----------
    day : Day
        The day.
    need : Need
        The need, with all its quantity.
    chosen : str
        One of its alternatives.

    Returns
    -------
    int
        Cents; 0 for an alternative that is cheaper than the wanted part.
    """
    wanted, *_ = need.alternatives
    if chosen == wanted:
        return 0
    more = price_cents(day, chosen) - price_cents(day, wanted)
    return max(0, more) * need.quantity


def store_price_cents(day: Day, store: Store, part_id: str) -> int:
    """Return what is paid for one piece in a store.

    Parameters
    ----------
    day : Day
        The day.
    store : Store
        Its shop, or a counter.
    part_id : str
        A part, no kit.

    Returns
    -------
    int
        Cents; 0 in the firm's own shop.
    """
    if store.id == day.shop.id:
        return 0
    return store.prices.get(part_id, price_cents(day, part_id))


def surcharge_cents(day: Day, store: Store, part_id: str) -> int:
    """Return what a piece from a store costs more than the firm's own.

    Parameters
    ----------
    day : Day
        The day.
    store : Store
        Its shop, or a counter.
    part_id : str
        A part, no kit.

    Returns
    -------
    int
        Cents, never below 0.
    """
    if store.id == day.shop.id or part_id not in store.prices:
        return 0
    return max(0, store.prices[part_id] - price_cents(day, part_id))


def parts_cents(issues: Iterable[Issue]) -> dict[str, int]:
    """Return what each van's parts cost more than the wanted ones would.

    Parameters
    ----------
    issues : iterable of Issue
        What the vans are given.

    Returns
    -------
    dict of str to int
        Van id to cents; vans that are given nothing are not in it.
    """
    total: Counter[str] = Counter()
    for issue in issues:
        total[issue.van_id] += issue.extra_cents
    return dict(total)


# --- what is there -----------------------------------------------------------


def stores(day: Day) -> dict[str, Store]:
    """Return the shop and the counters.

    Parameters
    ----------
    day : Day
        The day.

    Returns
    -------
    dict of str to Store
        By id, the shop first.
    """
    return {store.id: store for store in (day.shop, *day.counters)}


def partners(day: Day, van: Van) -> tuple[Van, ...]:
    """Return the vans that may hand a van parts before leaving.

    Parameters
    ----------
    day : Day
        The day.
    van : Van
        One of its vans.

    Returns
    -------
    tuple of Van
        In the order of the day; none unless the day lets vans exchange parts.
    """
    yards = meeting_places(day)
    own = yards.get(van.id)
    return tuple(
        other
        for other in day.vans
        if own is not None and other.id != van.id and yards.get(other.id) == own
    )


def meeting_places(day: Day) -> dict[str, tuple[float, float]]:
    """Return where each van can be handed parts before leaving.

    Parameters
    ----------
    day : Day
        The day.

    Returns
    -------
    dict of str to (float, float)
        Van id to the latitude and longitude of its start, degrees; empty unless the
        day lets vans exchange parts.
    """
    return {
        van.id: (van.start.lat_deg, van.start.lon_deg)
        for van in day.vans
        if day.exchange and van.start is not None
    }


class Left(NamedTuple):
    """Pieces nobody has claimed yet.

    Parameters
    ----------
    vans : dict of str to Counter
        Van id to part id to pieces aboard.
    shop : Counter
        Part id to pieces in the shop.
    counters : dict of str to Counter
        Counter id to part id to pieces there.
    """

    vans: dict[str, Counter[str]]
    shop: Counter[str]
    counters: dict[str, Counter[str]]

    def total(self) -> Counter[str]:
        """Return the pieces of all vans and the shop together, the firm's own.

        Returns
        -------
        Counter
            Part id to pieces.
        """
        whole = Counter(self.shop)
        for stock in self.vans.values():
            whole.update(stock)
        return whole


def leave_over(
    day: Day, issues: Sequence[Issue] = (), purpose: Purpose | None = None
) -> Left:
    """Return what is left of the day's stock once issues are taken out.

    Parameters
    ----------
    day : Day
        The day.
    issues : sequence of Issue
        What has been given out.
    purpose : Purpose or None
        Count issues of this purpose only; ``None``: all.

    Returns
    -------
    Left
        Fresh counters, the caller's to change.
    """
    left = Left(
        {van.id: Counter(van.stock) for van in day.vans},
        Counter(day.shop.stock),
        {counter.id: Counter(counter.stock) for counter in day.counters},
    )
    for issue in issues:
        if purpose in (None, issue.purpose):
            _holder(left, issue)[issue.part_id] -= issue.quantity
    return left


def _holder(left: Left, issue: Issue) -> Counter[str]:
    """Return the stock that an issue's pieces are taken from."""
    if issue.origin is Origin.ABOARD:
        return left.vans[issue.van_id]
    if issue.from_van is not None:
        return left.vans[issue.from_van]
    if issue.store_id is not None and issue.store_id in left.counters:
        return left.counters[issue.store_id]
    return left.shop


def reachable(van: Van, left: Left, part_ids: Iterable[str]) -> Counter[str]:
    """Return what a van could have along: aboard, and the shop if it loads there.

    Parameters
    ----------
    van : Van
        The van.
    left : Left
        What is unclaimed.
    part_ids : iterable of str
        The parts asked about.

    Returns
    -------
    Counter
        Part id to pieces.
    """
    aboard = left.vans[van.id]
    return Counter(
        {
            part_id: aboard[part_id] + (left.shop[part_id] if van.loads_at_shop else 0)
            for part_id in part_ids
        }
    )


def part_ids(day: Day, calls: Iterable[Call]) -> set[str]:
    """Return every single part that could serve some need of the calls.

    Parameters
    ----------
    day : Day
        The day.
    calls : iterable of Call
        Some calls.

    Returns
    -------
    set of str
        Part ids, no kits.
    """
    return {
        part_id
        for call in calls
        for need in call.needs
        for alternative in need.alternatives
        for part_id in pieces(day, alternative)
    }


# --- choosing alternatives ---------------------------------------------------


def choose(
    day: Day, needs: Sequence[Need], pool: Mapping[str, int]
) -> tuple[str, ...] | None:
    """Choose one alternative per need so that one pool serves them all.

    Parameters
    ----------
    day : Day
        The day, for its kits.
    needs : sequence of Need
        What is wanted; earlier needs get their preference first.
    pool : mapping of str to int
        Part id to pieces.

    Returns
    -------
    tuple of str or None
        The alternatives, one per need; ``None`` when the pool cannot serve them
        all (or, on stock lists far beyond a real day's, when 50,000 steps did not
        find out: then too little is promised, never too much).
    """
    options = [
        [pieces(day, a, need.quantity) for a in need.alternatives] for need in needs
    ]
    left = {p: pool.get(p, 0) for choices in options for c in choices for p in c}
    picks = [0] * len(needs)
    open_needs: list[int] = []
    for i, choices in enumerate(options):
        if len(choices) > 1:
            open_needs.append(i)
            continue
        for part_id, count in choices[0].items():
            left[part_id] -= count
            if left[part_id] < 0:
                return None
    asked = {i: {part for choice in options[i] for part in choice} for i in open_needs}
    for group in tie_together(asked):
        found = _search([options[i] for i in group], left)
        if found is None:
            return None
        for i, pick in zip(group, found, strict=True):
            picks[i] = pick
    return tuple(
        need.alternatives[pick] for need, pick in zip(needs, picks, strict=True)
    )


def tie_together(asked: Mapping[int, AbstractSet[Hashable]]) -> list[list[int]]:
    """Return who asks in groups that have nothing they ask for in common.

    Parameters
    ----------
    asked : mapping of int to set
        What each of them asks for.

    Returns
    -------
    list of list of int
        The keys of ``asked``, sorted within each group.
    """
    groups: list[tuple[set[Hashable], list[int]]] = []
    for key, things in asked.items():
        own, members = set(things), [key]
        apart = []
        for group in groups:
            if group[0].isdisjoint(own):
                apart.append(group)
            else:
                own |= group[0]
                members += group[1]
        groups = [*apart, (own, members)]
    return [sorted(members) for _, members in groups]


def _search(
    options: Sequence[Sequence[Mapping[str, int]]], pool: Mapping[str, int]
) -> list[int] | None:
    """Return the first choice, in order of preference, that the pool can serve.

    Depth first; a state of the pool that once failed at a depth is not tried
    again, and a branch ends when even the smallest choices need more than is left.
    """
    parts = sorted(
        {part for choices in options for choice in choices for part in choice}
    )
    left = [pool.get(part, 0) for part in parts]
    takes = [
        [[choice.get(p, 0) for p in parts] for choice in choices] for choices in options
    ]
    least = [min(sum(take) for take in choices) for choices in takes]
    still = [sum(least[i:]) for i in range(len(least) + 1)]
    failed: set[tuple[int, ...]] = set()
    picks: list[int] = []
    pick = 0
    for _ in range(_STEPS):
        depth = len(picks)
        if depth == len(options):
            return picks
        key = (depth, *left)
        hopeless = pick == 0 and (key in failed or sum(left) < still[depth])
        while not hopeless and pick < len(takes[depth]):
            if all(n <= have for n, have in zip(takes[depth][pick], left, strict=True)):
                break
            pick += 1
        if not hopeless and pick < len(takes[depth]):
            left = [have - n for n, have in zip(takes[depth][pick], left, strict=True)]
            picks.append(pick)
            pick = 0
            continue
        failed.add(key)
        if not picks:
            return None
        last = picks.pop()
        left = [have + n for n, have in zip(takes[depth - 1][last], left, strict=True)]
        pick = last + 1
    return None


def admit(
    day: Day, calls: Sequence[Call], pool: Mapping[str, int]
) -> dict[str, tuple[str, ...]]:
    """Give one pool's pieces to calls, the most important first.

    A call that is in stays in; its alternatives may still change to make room for
    the next.

    Parameters
    ----------
    day : Day
        The day.
    calls : sequence of Call
        Who asks, in any order.
    pool : mapping of str to int
        Part id to pieces.

    Returns
    -------
    dict of str to tuple of str
        Call id to the alternative of each of its needs; calls that could not be
        served are not in it.
    """
    inside: list[Call] = []
    chosen: dict[str, tuple[str, ...]] = {}
    left = Counter(pool)
    for call in sorted(calls, key=lambda call: call.priority):
        picks = choose(day, call.needs, left)
        if picks is not None:
            chosen[call.id] = picks
            inside.append(call)
            for used in demand(day, call, picks):
                left.subtract(used)
            continue
        together = [*inside, call]
        joint = choose(day, [n for c in together for n in c.needs], pool)
        if joint is None:
            continue
        inside = together
        left = Counter(pool)
        at = 0
        for member in together:
            chosen[member.id] = joint[at : at + len(member.needs)]
            at += len(member.needs)
            for used in demand(day, member, chosen[member.id]):
                left.subtract(used)
    return chosen


def demand(day: Day, call: Call, picks: Sequence[str]) -> list[dict[str, int]]:
    """Return the pieces of each need once its alternative is chosen.

    Parameters
    ----------
    day : Day
        The day.
    call : Call
        The call.
    picks : sequence of str
        One alternative per need.

    Returns
    -------
    list of dict of str to int
        Part id to pieces, one mapping per need.
    """
    return [
        pieces(day, pick, need.quantity)
        for need, pick in zip(call.needs, picks, strict=True)
    ]


# --- issues ------------------------------------------------------------------


class Source(NamedTuple):
    """Where a van gets pieces from.

    Parameters
    ----------
    origin : Origin
        Which way they come aboard.
    holder : str or None
        The van that hands them over, or the store where they are fetched.
    after : int
        How many calls of the route come before they are at hand.
    """

    origin: Origin
    holder: str | None = None
    after: int = 0


Shares = Mapping[str, Sequence[tuple[Source, dict[str, int]]]]
"""Van id to its sources, and what it may take from each: part id to pieces."""


def _own_shares(day: Day) -> Shares:
    """Return what every van can have in the morning without asking another van."""
    left = leave_over(day)
    return {
        van.id: [
            (Source(Origin.ABOARD), left.vans[van.id]),
            (Source(Origin.SHOP), left.shop if van.loads_at_shop else Counter()),
        ]
        for van in day.vans
    }


def give_out(
    day: Day,
    assignment: Mapping[str, Sequence[str]],
    chosen: Mapping[tuple[str, int], str] | None = None,
    shares: Shares | None = None,
) -> tuple[Issue, ...] | None:
    """Give every need its alternative, from the van's first source that has some left.

    Parameters
    ----------
    day : Day
        The day.
    assignment : mapping of str to sequence of str
        Van id to the ids of its calls, in route order.
    chosen : mapping of (str, int) to str, optional
        The alternative of a call's need, where it is not the first one.
    shares : Shares, optional
        What each van may take, and from where; used up on the way. Without them what
        is aboard goes first, then the shop's pieces, to whom comes first.

    Returns
    -------
    tuple of Issue or None
        In the order of the day's vans, then calls, then needs. Without shares, no
        allocation with these alternatives takes fewer pieces from the shop. ``None``
        when the shares do not suffice.
    """
    chosen = chosen or {}
    shares = _own_shares(day) if shares is None else shares
    calls = {call.id: call for call in day.calls}
    issues: list[Issue] = []
    for van in day.vans:
        for position, call_id in enumerate(assignment.get(van.id, ())):
            there = [(s, pot) for s, pot in shares[van.id] if s.after <= position]
            for index, need in enumerate(calls[call_id].needs):
                pick = chosen.get((call_id, index), need.alternatives[0])
                taken = _draw(pieces(day, pick, need.quantity), there)
                if taken is None:
                    return None
                extra_cents = substitute_cents(day, need, pick)
                for part_id, source, quantity in taken:
                    issue = Issue(
                        van_id=van.id,
                        part_id=part_id,
                        quantity=quantity,
                        origin=source.origin,
                        call_id=call_id,
                        need=index,
                        chosen=pick,
                        from_van=source.holder if source.origin is Origin.VAN else None,
                        store_id=source.holder
                        if source.origin is Origin.RESTOCK
                        else None,
                        extra_cents=extra_cents
                        + quantity * _source_cents(day, source, part_id),
                    )
                    issues.append(issue)
                    extra_cents = 0  # the substitute's price is on the first one
    return tuple(issues)


def _draw(
    wanted: Mapping[str, int], there: Sequence[tuple[Source, dict[str, int]]]
) -> list[tuple[str, Source, int]] | None:
    """Take pieces from the first sources that have some; ``None``: too few."""
    taken = []
    for part_id, count in wanted.items():
        short = count
        for source, pot in there:
            quantity = min(short, pot.get(part_id, 0))
            if quantity > 0:
                pot[part_id] -= quantity
                short -= quantity
                taken.append((part_id, source, quantity))
        if short:
            return None
    return taken


def _source_cents(day: Day, source: Source, part_id: str) -> int:
    """Return what a piece costs more where it comes from."""
    if source.origin is not Origin.RESTOCK or source.holder is None:
        return 0
    return surcharge_cents(day, stores(day)[source.holder], part_id)


# --- spares ------------------------------------------------------------------


@lru_cache(maxsize=4096)
def chance_enough(needed: int, spares: int, spoil_rate: float) -> Fraction:
    """Return the chance that pieces suffice when some are spoiled.

    Parameters
    ----------
    needed : int
        Good pieces that must come out, not negative.
    spares : int
        Pieces carried beyond that, not negative.
    spoil_rate : float
        Share spoiled, each piece by itself, 0 <= rate < 1; read as the decimal
        it is written as.

    Returns
    -------
    fractions.Fraction
        Exactly P[Binomial(needed + spares, 1 - spoil_rate) >= needed].

    Notes
    -----
    That many good pieces are there just when the number of spoiled ones before the
    ``needed``-th good one, negative binomial, is at most ``spares``: the sum over
    ``j <= spares`` of ``C(needed - 1 + j, j) * (1 - r)**needed * r**j`` (waiting
    time for the k-th success: Feller, An Introduction to Probability Theory and
    Its Applications, vol. 1, chapter VI; from memory).
    """
    if needed == 0:
        return Fraction(1)
    spoiled = Fraction(str(spoil_rate))
    return (1 - spoiled) ** needed * sum(
        (comb(needed - 1 + j, j) * spoiled**j for j in range(spares + 1)),
        start=Fraction(0),
    )


@lru_cache(maxsize=4096)
def spare_count(needed: int, spoil_rate: float, service_level: float) -> int:
    """Return how many extra blanks to carry because a cut can go wrong.

    Parameters
    ----------
    needed : int
        Pieces the calls use, not negative.
    spoil_rate : float
        Share of them that are spoiled, 0 <= rate < 1.
    service_level : float
        Wanted chance that the pieces suffice, 0 < level < 1.

    Returns
    -------
    int
        The smallest number with :func:`chance_enough` at least the service level,
        never more than ``needed + SPARES_BEYOND``.
    """
    if needed == 0 or spoil_rate == 0:
        return 0
    # The sum of chance_enough, term by term and in logarithms: a million pieces too
    # have an answer at once. Rounding stays far below ROUNDING.
    wanted = log(service_level) - ROUNDING
    cap = needed + SPARES_BEYOND
    term = needed * log1p(-spoil_rate)
    enough = term
    for spares in range(cap):
        if enough >= wanted:
            return spares
        term += log(spoil_rate * (needed + spares) / (spares + 1))
        enough = max(enough, term) + log1p(exp(-abs(enough - term)))
    return cap


def spares_wanted(day: Day, issues: Sequence[Issue]) -> dict[tuple[str, str], int]:
    """Return the spares each van wants for what its calls use.

    Parameters
    ----------
    day : Day
        The day.
    issues : sequence of Issue
        Pieces given to calls; spares among them are not looked at.

    Returns
    -------
    dict of (str, str) to int
        (van id, part id) to spares, above 0 only; vans in the order of the day,
        parts by id.
    """
    used = _used(issues)
    order = {van.id: at for at, van in enumerate(day.vans)}
    wanted: dict[tuple[str, str], int] = {}
    for van_id, part_id in sorted(used, key=lambda key: (order[key[0]], key[1])):
        part = day.parts.get(part_id)
        if part is not None:
            count = spare_count(
                used[van_id, part_id], part.spoil_rate, day.service_level
            )
            if count:
                wanted[van_id, part_id] = count
    return wanted


def _used(issues: Sequence[Issue]) -> Counter[tuple[str, str]]:
    """Return (van, part) to the pieces its calls use."""
    used: Counter[tuple[str, str]] = Counter()
    for issue in issues:
        if issue.purpose is Purpose.CALL:
            used[issue.van_id, issue.part_id] += issue.quantity
    return used


def spare_issues(
    day: Day, routes: Sequence[Route], issues: Sequence[Issue]
) -> tuple[Issue, ...]:
    """Take spares along from what the calls leave over.

    What lies aboard goes first. Where the shop has fewer than all vans together
    still want, its pieces are given out one by one, each to the van most likely to
    run out at that moment; among equals the first of the day's vans.

    Parameters
    ----------
    day : Day
        The day.
    routes : sequence of Route
        The vans that go out.
    issues : sequence of Issue
        Pieces given to calls; they are never touched.

    Returns
    -------
    tuple of Issue
        Spares, by van in the order of the day, then part id.
    """
    out = {route.van_id for route in routes}
    loads = {van.id for van in day.vans if van.loads_at_shop}
    left = leave_over(day, issues, Purpose.CALL)
    used = _used(issues)
    wanted = {
        key: count for key, count in spares_wanted(day, issues).items() if key[0] in out
    }
    aboard = {
        (van_id, part_id): max(0, min(count, left.vans[van_id][part_id]))
        for (van_id, part_id), count in wanted.items()
    }
    loaded: Counter[tuple[str, str]] = Counter()
    for part_id in {part_id for _, part_id in wanted}:
        rate = day.parts[part_id].spoil_rate
        for _ in range(left.shop[part_id]):
            short = [
                key
                for key, count in wanted.items()
                if key[1] == part_id
                and key[0] in loads
                and aboard[key] + loaded[key] < count
            ]
            if not short:
                break
            loaded[
                min(
                    short,
                    key=lambda key: chance_enough(
                        used[key],
                        aboard[key] + loaded[key],
                        rate,
                    ),
                )
            ] += 1
    return tuple(
        Issue(
            van_id=van_id,
            part_id=part_id,
            quantity=quantity,
            origin=origin,
            purpose=Purpose.SPARE,
        )
        for van_id, part_id in wanted
        for quantity, origin in (
            (aboard[van_id, part_id], Origin.ABOARD),
            (loaded[van_id, part_id], Origin.SHOP),
        )
        if quantity
    )


# --- pick lists --------------------------------------------------------------


def walk_order(bin_name: str) -> tuple[bool, tuple[tuple[bool, int, str], ...]]:
    """Return the sort key of a bin: A2 before A10, parts without a bin last.

    Parameters
    ----------
    bin_name : str
        What stands on the bin.

    Returns
    -------
    tuple
        Comparable with other bins' keys.
    """
    pieces_of_name = re.findall(r"[0-9]+|[^0-9]+", bin_name)
    return (
        not bin_name,
        tuple(
            (not piece.isdigit(), int(piece) if piece.isdigit() else 0, piece)
            for piece in pieces_of_name
        ),
    )


def pick_lists(day: Day, plan: Plan) -> tuple[PickList, ...]:
    """Return what each van takes along, hands over and fetches.

    Parameters
    ----------
    day : Day
        The day.
    plan : Plan
        Its plan.

    Returns
    -------
    tuple of PickList
        One per route, in the same order, then one for every van that stays in and
        hands something over; lines by bin (A2 before A10, parts without a bin last),
        then part id.
    """
    clerk = _Clerk(day, plan)
    out = {route.van_id for route in plan.routes}
    stays = tuple(
        PickList(van_id=van.id, lines=(), gives=gives)
        for van in day.vans
        if van.id not in out and (gives := clerk.list_gifts(van.id))
    )
    return tuple(clerk.list_picks(route) for route in plan.routes) + stays


class _Clerk:
    """Writes the pick lists of one plan."""

    def __init__(self, day: Day, plan: Plan) -> None:
        self.day, self.plan = day, plan
        self.calls = {call.id: call for call in day.calls}
        self.wanted = spares_wanted(day, plan.issues)
        self.left = leave_over(day, plan.issues)
        self.issues: defaultdict[str, list[Issue]] = defaultdict(list)
        self.gifts: defaultdict[str, Counter[tuple[str, str]]] = defaultdict(Counter)
        for issue in plan.issues:
            self.issues[issue.van_id].append(issue)
            if issue.from_van is not None:
                given = (issue.van_id, issue.part_id)
                self.gifts[issue.from_van][given] += issue.quantity

    def list_picks(self, route: Route) -> PickList:
        """Return what a van that goes out takes along."""
        issues = self.issues[route.van_id]
        morning = [i for i in issues if i.origin is not Origin.RESTOCK]
        noted = {issue.part_id for issue in morning}
        return PickList(
            van_id=route.van_id,
            lines=self._list_lines(route, morning, noted),
            fetches=tuple(
                self._list_fetch(route, stop.store_id, noted)
                for stop in route.stops
                if stop.kind is StopKind.RESTOCK and stop.store_id is not None
            ),
            gives=self.list_gifts(route.van_id),
            tools=tuple(u for u in self.plan.tools if u.van_id == route.van_id),
        )

    def list_gifts(self, van_id: str) -> tuple[tuple[str, str, int], ...]:
        """Return what a van hands over, taker by taker."""
        order = {van.id: at for at, van in enumerate(self.day.vans)}
        return tuple(
            (part_id, taker, count)
            for (taker, part_id), count in sorted(
                self.gifts[van_id].items(), key=lambda gift: (order[gift[0][0]], gift)
            )
        )

    def _list_fetch(self, route: Route, store_id: str, noted: set[str]) -> Fetch:
        """Return what to take at one restock stop; later ones do not repeat notes."""
        here = [i for i in self.issues[route.van_id] if i.store_id == store_id]
        parts = {issue.part_id for issue in here}
        lines = self._list_lines(route, here, parts - noted)
        noted |= parts
        store = stores(self.day)[store_id]
        return Fetch(
            store_id=store_id,
            lines=lines,
            cost_cents=sum(
                issue.quantity * store_price_cents(self.day, store, issue.part_id)
                for issue in here
            ),
        )

    def _list_lines(
        self, route: Route, issues: Sequence[Issue], noted: set[str]
    ) -> tuple[PickLine, ...]:
        """Return a line per part, with a note on spares for the parts to be noted."""
        by_part: defaultdict[str, list[Issue]] = defaultdict(list)
        for issue in issues:
            by_part[issue.part_id].append(issue)
        lines = []
        for part_id, some in by_part.items():
            part = self.day.parts.get(part_id)
            users = {issue.call_id for issue in some}
            spares = _sum(i for i in some if i.purpose is Purpose.SPARE)
            short = self.wanted.get((route.van_id, part_id), 0) - spares
            in_shop = some[0].store_id in (None, self.day.shop.id)
            gifts: Counter[str] = Counter()
            for issue in some:
                if issue.from_van is not None:
                    gifts[issue.from_van] += issue.quantity
            lines.append(
                PickLine(
                    part_id=part_id,
                    name=part_name(self.day, part_id),
                    bin=part.bin if part is not None and in_shop else "",
                    load=_sum(
                        i for i in some if i.origin in (Origin.SHOP, Origin.RESTOCK)
                    ),
                    aboard=_sum(i for i in some if i.origin is Origin.ABOARD),
                    spares=spares,
                    call_ids=tuple(c for c in route.call_ids if c in users),
                    instead_of=_stands_in_for(self.day, self.calls, some),
                    note=_spare_note(part_id, short, spares, self.left)
                    if part_id in noted
                    else "",
                    from_vans=tuple(gifts.items()),
                )
            )
        lines.sort(key=lambda line: (walk_order(line.bin), line.part_id))
        return tuple(lines)


def _sum(issues: Iterable[Issue]) -> int:
    return sum(issue.quantity for issue in issues)


def _stands_in_for(
    day: Day, calls: Mapping[str, Call], issues: Sequence[Issue]
) -> tuple[str, ...]:
    """Return the wanted parts that pieces of one part replace."""
    found: dict[str, None] = {}
    for issue in issues:
        if issue.call_id is None or issue.need is None:
            continue
        first = calls[issue.call_id].needs[issue.need].alternatives[0]
        # A piece that the wanted kit holds as well replaces nothing.
        if issue.chosen != first and issue.part_id not in pieces(day, first):
            found[first] = None
    return tuple(found)


def _spare_note(part_id: str, short: int, spares: int, left: Left) -> str:
    """Say that spares are missing, and whose van carries more than it wants."""
    if short <= 0:
        return ""
    wanted = "spare wanted" if short == 1 else f"{short} spares wanted"
    if spares:
        wanted = f"{short} more {'spare' if short == 1 else 'spares'} wanted"
    for van_id, stock in left.vans.items():
        if stock[part_id] > 0:
            return f"{wanted}; van {van_id} has {stock[part_id]} left over"
    if left.shop[part_id] > 0:
        return f"{wanted}; the shop has {left.shop[part_id]} left over"
    return f"{wanted}, none left"
