"""How many of each part each van should carry, what to buy, what to move.

A van loads at the shop every so many worked days and finds there what it lacks: its
*par* is an order-up-to level under periodic review. The shop orders on any evening and
waits for its supplier: what it holds, with what is on the way, is raised to a level of
its own. Both are the fewest pieces that suffice with the wished chance, or, where the
rules say so, as many as are worth their money (the newsvendor's critical ratio).
Where shelves or money are short, :func:`dispatch.partition.pick_pieces` finds exactly
which pieces save most.

The demand behind it is in :mod:`dispatch.demand`.
"""

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

import numpy as np

from dispatch.demand import Chances, Demand, Stated, chances, learn
from dispatch.partition import Piece, pick_pieces
from dispatch.stock import part_name
from shared.model import Day, Part
from shared.shelf import History, Rules

_DAY_S = 24 * 3600
_YEAR_DAYS = 365
_FINE = 1000  # worth is compared in thousandths of a cent a worked day
_ROUNDING = 1e-9  # of a chance; a level met exactly counts as met


# --- levels ------------------------------------------------------------------


def pieces_for(wanted: Chances, level: float) -> int:
    """Return the fewest pieces that suffice with a chance.

    With the demand of a selling season this is the newsvendor's quantity, with that
    of the time until an order is there the reorder point, and with that of the time
    between two reviews and until the order is there the level to order up to.

    Parameters
    ----------
    wanted : ndarray of float, shape (n,)
        Chance that 0, 1, 2, ... pieces are wanted.
    level : float
        Wished chance, 0 <= level < 1.

    Returns
    -------
    int
        Pieces.
    """
    enough = np.cumsum(wanted) >= level - _ROUNDING
    return int(np.argmax(enough)) if enough.any() else len(wanted)


def chance_enough(wanted: Chances, pieces: int) -> float:
    """Return the chance that so many pieces suffice.

    Parameters
    ----------
    wanted : ndarray of float, shape (n,)
        Chance that 0, 1, 2, ... pieces are wanted.
    pieces : int
        How many there are, not negative.

    Returns
    -------
    float
        0 to 1.
    """
    return min(1.0, float(wanted[: pieces + 1].sum()))


def pieces_short(wanted: Chances, pieces: int) -> float:
    """Return how many pieces are wanted in vain, in the mean.

    Parameters
    ----------
    wanted : ndarray of float, shape (n,)
        Chance that 0, 1, 2, ... pieces are wanted.
    pieces : int
        How many there are, not negative.

    Returns
    -------
    float
        Pieces.
    """
    over = wanted[pieces + 1 :]
    return float(over @ np.arange(1, len(over) + 1))


def critical_ratio(short_cost: float, over_cost: float) -> float:
    """Return the chance with which it pays to have enough: the newsvendor's ratio.

    K. J. Arrow, T. Harris and J. Marschak, 'Optimal Inventory Policy', Econometrica
    19(3), 1951, 250-272 (from memory).

    Parameters
    ----------
    short_cost : float
        What one piece too few costs, not negative.
    over_cost : float
        What one piece too many costs, more than 0.

    Returns
    -------
    float
        0 <= ratio < 1.
    """
    return short_cost / (short_cost + over_cost)


# --- what is answered ----------------------------------------------


class ParLine(NamedTuple):
    """One part on one van's shelf.

    Parameters
    ----------
    part_id, name : str
        Which.
    bin : str
        Where it lies in the shop.
    aboard : int
        Pieces now.
    wished : int
        Pieces that the level asks for.
    par : int
        Pieces to carry, after the limits.
    chance, chance_now : float
        That the par, or what is aboard now, lasts until the van loads again.
    mean : float
        Pieces wanted from one loading to the next, in the mean.
    load : int
        Pieces to load from the shop.
    move : int
        Pieces that come from other vans.
    lacking : int
        Pieces that neither the shop nor another van can give: they come with the
        next order.
    lost_cents : float
        What the pieces below par put at risk until the van loads again.
    """

    part_id: str
    name: str
    bin: str
    aboard: int
    wished: int
    par: int
    chance: float
    chance_now: float
    mean: float
    load: int
    move: int
    lacking: int
    lost_cents: float


@dataclass(frozen=True, slots=True, kw_only=True)
class VanShelf:
    """One van's shelf.

    Parameters
    ----------
    van_id, driver : str
        Whose.
    load_days : int
        Worked days from one loading to the next.
    worked_days : int
        Days of its that are in the log.
    lines : tuple of ParLine
        Every part that it carries or should, in the order of the parts.
    aboard_cents, par_cents : int
        What lies aboard now, and what the par costs.
    par_space : int
        What the par fills.
    space : int or None
        What the shelf holds; ``None``: nobody said.
    """

    van_id: str
    driver: str
    load_days: int
    worked_days: int
    lines: tuple[ParLine, ...]
    aboard_cents: int
    par_cents: int
    par_space: int
    space: int | None


class ShelfMove(NamedTuple):
    """Pieces that go from a van that needs them less.

    Parameters
    ----------
    part_id, name : str
        What.
    quantity : int
        Pieces.
    from_van : str
        Who gives.
    to_van : str or None
        Who gets; ``None``: the shop.
    """

    part_id: str
    name: str
    quantity: int
    from_van: str
    to_van: str | None


class ShelfOrder(NamedTuple):
    """Pieces to buy.

    Parameters
    ----------
    part_id, name : str
        What.
    quantity : int
        Pieces.
    cents : int
        What they cost.
    for_vans : int
        So many of them are for vans that are below par tonight.
    in_shop : int
        Pieces the shop has left after tonight's loading and moves.
    shop_par : int
        Pieces the shop should then have, or have on the way.
    lead_s : int or None
        Seconds from order to hand; ``None``: the part does not say.
    lost_cents : float
        What is at risk, until the order is there, if it is not made tonight.
    """

    part_id: str
    name: str
    quantity: int
    cents: int
    for_vans: int
    in_shop: int
    shop_par: int
    lead_s: int | None
    lost_cents: float


class DeadStock(NamedTuple):
    """Pieces that nobody uses.

    Parameters
    ----------
    holder : str
        A van's id, or the shop's.
    part_id, name : str
        What.
    quantity, cents : int
        Pieces, and the money in them.
    last_used : datetime.date or None
        By anybody; ``None``: never in the log.
    idle_days : int
        Calendar days since then, or since the log begins.
    """

    holder: str
    part_id: str
    name: str
    quantity: int
    cents: int
    last_used: date | None
    idle_days: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelves:
    """What should lie where.

    Parameters
    ----------
    rules : Rules
        What was asked.
    since, until : datetime.date
        First day of the log, and the evening on which is reckoned.
    uses : int
        Records of the log: one for each visit and part.
    vans : tuple of VanShelf
        In the order of the day.
    moves : tuple of ShelfMove
        From van to van, and back to the shop.
    orders : tuple of ShelfOrder
        What to buy, the most pressing first.
    dead : tuple of DeadStock
        The most money first.
    two_each_cents : int
        What two of every part on every van would cost, to compare.
    wished_cents : int
        What the wished pieces cost, before the limits.
    lost_cents_day : float
        What is at risk on a worked day of all vans because of the limits.
    proved : bool
        Whether the choice within the limits is proved best; true without limits.
    """

    rules: Rules
    since: date
    until: date
    uses: int
    vans: tuple[VanShelf, ...]
    moves: tuple[ShelfMove, ...]
    orders: tuple[ShelfOrder, ...]
    dead: tuple[DeadStock, ...]
    two_each_cents: int
    wished_cents: int
    lost_cents_day: float
    proved: bool

    @property
    def par_cents(self) -> int:
        """What the pars of all vans cost.

        Returns
        -------
        int
            Cents.
        """
        return sum(van.par_cents for van in self.vans)

    @property
    def done(self) -> bool:
        """Whether there is nothing to load, move or buy.

        Returns
        -------
        bool
            Dead stock does not count.
        """
        lines = (line for van in self.vans for line in van.lines)
        return not (
            self.orders
            or self.moves
            or any(line.load or line.lacking for line in lines)
        )


# --- reckoning ---------------------------------------------------------------


class _Shelf(NamedTuple):
    """What is wanted of one part on one van until it loads again."""

    wanted: Chances
    wished: int
    size: float  # mean pieces a visit
    days: int


def fill_shelves(day: Day, history: History, rules: Rules) -> Shelves:
    """Say what every van should carry, and what is to be done for it tonight.

    Parameters
    ----------
    day : Day
        Its vans, parts and stock; kits have no stock of their own and no par.
    history : History
        The log.
    rules : Rules
        How the shelves are to be filled.

    Returns
    -------
    Shelves
        The pars and the lists.
    """
    parts = {p.id: p for p in day.parts.values() if not p.components}
    stated = {
        p.id: Stated(category=p.category, spoil_rate=p.spoil_rate)
        for p in parts.values()
    }
    worked = {van.id: history.worked.get(van.id, ()) for van in day.vans}
    known = History(until=history.until, worked=worked, uses=history.uses)
    demand = learn(known, stated, rules.half_life_days)
    shelves = {
        (van.id, part.id): _shelf(demand, van.id, part, rules, _load_days(day, rules))
        for van in day.vans
        for part in parts.values()
    }
    par, proved = _within(day, shelves, rules)
    since = min((d for days in worked.values() for d in days), default=history.until)
    supply = _supply(demand, worked, parts, rules, (history.until - since).days + 1)
    return _make(
        _Told(day, known, rules, parts, shelves, par, supply), since, proved=proved
    )


def _load_days(day: Day, rules: Rules) -> dict[str, int]:
    return {
        van.id: rules.load_days.get(van.id, 1 if van.loads_at_shop else 5)
        for van in day.vans
    }


def _shelf(
    demand: Mapping[tuple[str, str], Demand],
    van_id: str,
    part: Part,
    rules: Rules,
    load_days: Mapping[str, int],
) -> _Shelf:
    own = demand.get((van_id, part.id))
    days = load_days[van_id]
    if own is None:
        return _Shelf(np.ones(1), 0, 1.0, days)
    wanted = chances([(own, days)])
    return _Shelf(
        wanted, pieces_for(wanted, _level(rules, part, own, days)), own.size, days
    )


def _level(rules: Rules, part: Part, demand: Demand, days: float) -> float:
    """Return the chance with which a part should last."""
    if rules.level is not None:
        return rules.level
    held = part.unit_cost_cents * rules.holding_rate * days / _YEAR_DAYS
    # A part without a price costs a hundredth of a cent: not nothing.
    return critical_ratio(rules.lost_cents(part.id) / demand.size, max(held, 0.01))


def _within(
    day: Day, shelves: Mapping[tuple[str, str], _Shelf], rules: Rules
) -> tuple[dict[tuple[str, str], int], bool]:
    """Return the pars that save most within the limits, and whether that is proved."""
    wished = {key: shelf.wished for key, shelf in shelves.items()}
    row = {van.id: number for number, van in enumerate(day.vans)}
    keys, offered = [], []
    for (van_id, part_id), shelf in shelves.items():
        for number in range(1, shelf.wished + 1):
            # The number-th piece is wanted unless fewer suffice.
            useful = 1 - chance_enough(shelf.wanted, number - 1)
            worth = rules.lost_cents(part_id) * useful / shelf.size / shelf.days
            keys.append((van_id, part_id))
            offered.append(
                Piece(
                    row[van_id],
                    round(_FINE * worth),
                    day.parts[part_id].unit_cost_cents,
                    rules.sizes.get(part_id, 1),
                )
            )
    space = {row[van_id]: room for van_id, room in rules.space.items() if van_id in row}
    filled: Counter[int] = Counter()
    for piece in offered:
        filled[piece.holder] += piece.space
    fits = all(filled[holder] <= room for holder, room in space.items())
    if fits and (rules.cents is None or sum(p.cents for p in offered) <= rules.cents):
        return wished, True
    picked = pick_pieces(offered, rules.cents, space)
    par = dict.fromkeys(wished, 0)
    for key, is_in in zip(keys, picked.chosen, strict=True):
        par[key] += is_in
    return par, picked.worth == picked.bound


class _Supply(NamedTuple):
    """What the vans want of one part until an order is there, and the shop's level."""

    wanted: Chances
    par: int
    size: float


def _supply(
    demand: Mapping[tuple[str, str], Demand],
    worked: Mapping[str, Sequence[date]],
    parts: Mapping[str, Part],
    rules: Rules,
    span_days: int,
) -> dict[str, _Supply]:
    """Return the shop's level of each part: until the order after the next is there."""
    found = {}
    for part in parts.values():
        lead_s = rules.lead_s if part.lead_time_s is None else part.lead_time_s
        calendar_days = 1 + math.ceil(lead_s / _DAY_S)
        spans = [
            (demand[van_id, part.id], calendar_days * len(days) / span_days)
            for van_id, days in worked.items()
            if (van_id, part.id) in demand
        ]
        wanted = chances(spans)
        busiest = max(spans, key=lambda each: each[0].mean * each[1], default=None)
        size, level = 1.0, 0.0
        if busiest is not None:
            size = busiest[0].size
            level = _level(rules, part, busiest[0], calendar_days)
        found[part.id] = _Supply(wanted, pieces_for(wanted, level), size)
    return found


class _Told(NamedTuple):
    """All that the lists are made from."""

    day: Day
    history: History
    rules: Rules
    parts: Mapping[str, Part]
    shelves: Mapping[tuple[str, str], _Shelf]
    par: Mapping[tuple[str, str], int]
    supply: Mapping[str, _Supply]


class _Spread(NamedTuple):
    """How one part is shared out tonight."""

    load: dict[str, int]  # van id to pieces from the shop
    given: list[ShelfMove]
    lacking: dict[str, int]
    in_shop: int  # left there, with what is brought back


def _make(told: _Told, since: date, *, proved: bool) -> Shelves:
    day, parts = told.day, told.parts
    spreads = {part_id: _spread(told, part_id) for part_id in parts}
    vans = tuple(_van_shelf(told, van.id, spreads) for van in day.vans)
    orders = [
        order for p in parts.values() if (order := _order(told, p, spreads[p.id]))
    ]
    prices = {part.id: part.unit_cost_cents for part in parts.values()}
    return Shelves(
        rules=told.rules,
        since=since,
        until=told.history.until,
        uses=len(told.history.uses),
        vans=vans,
        moves=tuple(move for spread in spreads.values() for move in spread.given),
        orders=tuple(sorted(orders, key=lambda o: (-o.lost_cents, o.part_id))),
        dead=_dead(told, since),
        two_each_cents=2 * len(day.vans) * sum(prices.values()),
        wished_cents=sum(
            shelf.wished * prices[part_id]
            for (_, part_id), shelf in told.shelves.items()
        ),
        lost_cents_day=sum(
            _lost(told, key, told.par[key], shelf.wished) / shelf.days
            for key, shelf in told.shelves.items()
        ),
        proved=proved,
    )


def _lost(told: _Told, key: tuple[str, str], have: int, wished: int) -> float:
    """Return what is at risk until the van loads again, with too few pieces."""
    shelf = told.shelves[key]
    if have >= wished:
        return 0.0
    short = pieces_short(shelf.wanted, have) - pieces_short(shelf.wanted, wished)
    return told.rules.lost_cents(key[1]) * short / shelf.size


def _spread(told: _Told, part_id: str) -> _Spread:
    """Share one part out: the shop's pieces to who risks most, then from van to van."""
    day = told.day
    have = {van.id: van.stock.get(part_id, 0) for van in day.vans}
    open_of = {v: max(0, told.par[v, part_id] - n) for v, n in have.items()}
    spare = {v: max(0, n - told.par[v, part_id]) for v, n in have.items()}
    in_shop = day.shop.stock.get(part_id, 0)
    load: Counter[str] = Counter()
    moved: Counter[tuple[str, str | None]] = Counter()
    for _ in range(sum(open_of.values())):
        # The next piece goes where it is likeliest to be wanted.
        van_id = max(
            (v for v, n in open_of.items() if n),
            key=lambda v: (
                (
                    1
                    - chance_enough(
                        told.shelves[v, part_id].wanted,
                        told.par[v, part_id] - open_of[v],
                    )
                )
                / told.shelves[v, part_id].size
            ),
        )
        giver = next((v for v, n in spare.items() if n), None)
        if in_shop:
            in_shop -= 1
            load[van_id] += 1
        elif giver is not None:
            spare[giver] -= 1
            moved[giver, van_id] += 1
        else:
            break
        open_of[van_id] -= 1
    # What a van has too much is brought back where the shop would have to buy it.
    for van_id, count in spare.items():
        back = min(count, max(0, told.supply[part_id].par - in_shop))
        if back and not sum(open_of.values()):
            moved[van_id, None] += back
            in_shop += back
    name = part_name(day, part_id)
    given = [
        ShelfMove(part_id, name, count, giver, taker)
        for (giver, taker), count in moved.items()
    ]
    return _Spread(dict(load), given, open_of, in_shop)


def _van_shelf(told: _Told, van_id: str, spreads: Mapping[str, _Spread]) -> VanShelf:
    van = next(van for van in told.day.vans if van.id == van_id)
    lines, space = [], 0
    for part in told.parts.values():
        key = (van_id, part.id)
        shelf, par = told.shelves[key], told.par[key]
        aboard, spread = van.stock.get(part.id, 0), spreads[part.id]
        space += par * told.rules.sizes.get(part.id, 1)
        if not (aboard or par or shelf.wished):
            continue
        lines.append(
            ParLine(
                part_id=part.id,
                name=part.name,
                bin=part.bin,
                aboard=aboard,
                wished=shelf.wished,
                par=par,
                chance=chance_enough(shelf.wanted, par),
                chance_now=chance_enough(shelf.wanted, aboard),
                mean=float(shelf.wanted @ np.arange(len(shelf.wanted))),
                load=spread.load.get(van_id, 0),
                move=sum(m.quantity for m in spread.given if m.to_van == van_id),
                lacking=spread.lacking[van_id],
                lost_cents=_lost(told, key, aboard, par),
            )
        )
    prices = {part.id: part.unit_cost_cents for part in told.parts.values()}
    return VanShelf(
        van_id=van_id,
        driver=van.driver,
        load_days=_load_days(told.day, told.rules)[van_id],
        worked_days=len(told.history.worked[van_id]),
        lines=tuple(lines),
        aboard_cents=sum(line.aboard * prices[line.part_id] for line in lines),
        par_cents=sum(line.par * prices[line.part_id] for line in lines),
        par_space=space,
        space=told.rules.space.get(van_id),
    )


def _order(told: _Told, part: Part, spread: _Spread) -> ShelfOrder | None:
    """Return what to buy of a part, for the vans and to raise the shop to its level."""
    for_vans = sum(spread.lacking.values())
    supply = told.supply[part.id]
    quantity = for_vans + max(0, supply.par - spread.in_shop)
    if not quantity:
        return None
    at_shop = (
        pieces_short(supply.wanted, spread.in_shop)
        - pieces_short(supply.wanted, max(supply.par, spread.in_shop))
    ) / supply.size
    aboard = sum(
        _lost(
            told,
            (van_id, part.id),
            told.par[van_id, part.id] - count,
            told.par[van_id, part.id],
        )
        for van_id, count in spread.lacking.items()
    )
    return ShelfOrder(
        part_id=part.id,
        name=part.name,
        quantity=quantity,
        cents=quantity * part.unit_cost_cents,
        for_vans=for_vans,
        in_shop=spread.in_shop,
        shop_par=supply.par,
        lead_s=part.lead_time_s,
        lost_cents=told.rules.lost_cents(part.id) * at_shop + aboard,
    )


def _dead(told: _Told, since: date) -> tuple[DeadStock, ...]:
    day = told.day
    last: dict[str, date] = {}
    for use in told.history.uses:
        last[use.part_id] = max(use.date, last.get(use.part_id, use.date))
    holders: Iterable[tuple[str, Mapping[str, int]]] = (
        *((van.id, van.stock) for van in day.vans),
        (day.shop.id, day.shop.stock),
    )
    found = [
        DeadStock(
            holder,
            part.id,
            part.name,
            stock[part.id],
            stock[part.id] * part.unit_cost_cents,
            last.get(part.id),
            idle,
        )
        for holder, stock in holders
        for part in told.parts.values()
        if stock.get(part.id, 0)
        and (idle := (told.history.until - last.get(part.id, since)).days)
        >= told.rules.dead_days
    ]
    return tuple(sorted(found, key=lambda d: (-d.cents, d.holder, d.part_id)))
