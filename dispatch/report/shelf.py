"""The shelves as plain data for programs: the JSON document and its fields.

As in :mod:`dispatch.report.document`: ``_cents`` are cents without a currency, ``_s``
seconds, dates as in RFC 3339. The published schema is made from these classes
(:mod:`api.schemas`).
"""

import json
from dataclasses import asdict, dataclass
from datetime import date
from typing import Literal

from dispatch.shelves import DeadStock, ParLine, ShelfOrder, Shelves, VanShelf
from shared.model import Day


@dataclass(frozen=True, slots=True, kw_only=True)
class ParDocument:
    """One part on one van's shelf.

    Parameters
    ----------
    part_id, name, bin : str
        Which part, and where it lies in the shop.
    aboard : int
        Pieces now.
    par : int
        Pieces to carry.
    wished : int
        Pieces that the wished chance asks for, before money and room.
    chance_now, chance_par : float
        Chance that what is aboard, or the par, lasts until the van loads again.
    mean_pieces : float
        Pieces wanted from one loading to the next, in the mean.
    load : int
        Pieces to load from the shop.
    from_vans : int
        Pieces that other vans hand over.
    lacking : int
        Pieces that come with the next order only.
    at_risk_cents : int
        What calls are lost, in the mean, until the van loads again, if nothing is done.
    """

    part_id: str
    name: str
    bin: str
    aboard: int
    par: int
    wished: int
    chance_now: float
    chance_par: float
    mean_pieces: float
    load: int
    from_vans: int
    lacking: int
    at_risk_cents: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfDocument:
    """One van's shelf.

    Parameters
    ----------
    van_id, driver : str
        Whose.
    load_days : int
        Worked days from one loading at the shop to the next.
    worked_days : int
        Days of its that the log holds.
    aboard_cents, par_cents : int
        Money in what lies aboard, and in the par.
    par_space : int
        What the par fills.
    space : int or null
        What the shelf holds, where that is known.
    parts : tuple of ParDocument
        Every part that lies aboard or should.
    """

    van_id: str
    driver: str
    load_days: int
    worked_days: int
    aboard_cents: int
    par_cents: int
    par_space: int
    space: int | None
    parts: tuple[ParDocument, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfMoveDocument:
    """Pieces that leave a van which needs them less.

    Parameters
    ----------
    part_id, name : str
        What.
    quantity : int
        Pieces.
    from_van : str
        Who gives.
    to_van : str or null
        Who gets; null: the shop.
    """

    part_id: str
    name: str
    quantity: int
    from_van: str
    to_van: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfOrderDocument:
    """Pieces to buy.

    Parameters
    ----------
    part_id, name : str
        What.
    quantity, cost_cents : int
        Pieces, and what they cost.
    for_vans : int
        So many of them fill vans up; the rest is the shop's.
    in_shop : int
        What the shop has left once the vans are loaded.
    shop_par : int
        What the shop should have, or have on the way.
    lead_s : int or null
        Seconds from order to hand, where the part says it.
    at_risk_cents : int
        What calls are lost, in the mean, if it is not ordered.
    """

    part_id: str
    name: str
    quantity: int
    cost_cents: int
    for_vans: int
    in_shop: int
    shop_par: int
    lead_s: int | None
    at_risk_cents: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DeadStockDocument:
    """Pieces that nobody uses.

    Parameters
    ----------
    holder : str
        A van, or the shop.
    part_id, name : str
        What.
    quantity, cost_cents : int
        Pieces, and the money in them.
    last_used : date or null
        By anybody; null: never in the log.
    idle_days : int
        Calendar days since then, or since the log begins.
    """

    holder: str
    part_id: str
    name: str
    quantity: int
    cost_cents: int
    last_used: date | None
    idle_days: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelvesDocument:
    """How many of each part each van should carry, and what is to be done for it.

    Parameters
    ----------
    format : str
        Always 'keyround shelves'.
    version : int
        Version of this format; it changes when a field changes its meaning or goes.
    name : str
        What the day is called.
    log_from, log_until : date
        What the log holds, up to the evening on which is reckoned.
    uses : int
        Records in it: one for each visit and part.
    service_level : float or null
        Wished chance that a part lasts; null: what is worth it by the costs.
    money_cents : int or null
        What the pars may cost together, where there is a limit.
    par_cents, wished_cents, two_each_cents : int
        What the pars cost, what they would without limits, and what two of each part
        on each van would cost.
    at_risk_cents_day : int
        What calls are lost on a working day, in the mean, because of the limits.
    proved : bool
        Whether no choice within the limits saves more.
    vans : tuple of ShelfDocument
        The par lists.
    moves : tuple of ShelfMoveDocument
        What goes from van to van, or back to the shop.
    orders : tuple of ShelfOrderDocument
        What to buy, the most pressing first.
    dead : tuple of DeadStockDocument
        What nobody uses, the most money first.
    notices : tuple of str
        What was set aside while reading.
    """

    format: Literal["keyround shelves"]
    version: Literal[1]
    name: str
    log_from: date
    log_until: date
    uses: int
    service_level: float | None
    money_cents: int | None
    par_cents: int
    wished_cents: int
    two_each_cents: int
    at_risk_cents_day: int
    proved: bool
    vans: tuple[ShelfDocument, ...]
    moves: tuple[ShelfMoveDocument, ...]
    orders: tuple[ShelfOrderDocument, ...]
    dead: tuple[DeadStockDocument, ...]
    notices: tuple[str, ...]


def shelves_document(day: Day, made: Shelves) -> ShelvesDocument:
    """Return the shelves as their document.

    Parameters
    ----------
    day : Day
        The day they were reckoned for.
    made : Shelves
        What should lie where.

    Returns
    -------
    ShelvesDocument
        Chances and means rounded to four digits after the point.
    """
    return ShelvesDocument(
        format="keyround shelves",
        version=1,
        name=day.name,
        log_from=made.since,
        log_until=made.until,
        uses=made.uses,
        service_level=made.rules.level,
        money_cents=made.rules.cents,
        par_cents=made.par_cents,
        wished_cents=made.wished_cents,
        two_each_cents=made.two_each_cents,
        at_risk_cents_day=round(made.lost_cents_day),
        proved=made.proved,
        vans=tuple(_shelf(van) for van in made.vans),
        moves=tuple(ShelfMoveDocument(**move._asdict()) for move in made.moves),
        orders=tuple(_order(order) for order in made.orders),
        dead=tuple(_dead(dead) for dead in made.dead),
        notices=day.notices,
    )


def shelves_json(day: Day, made: Shelves) -> str:
    """Return the shelves as JSON.

    Parameters
    ----------
    day : Day
        The day they were reckoned for.
    made : Shelves
        What should lie where.

    Returns
    -------
    str
        JSON (RFC 8259), indented, ends in a line feed.
    """
    data = asdict(shelves_document(day, made))
    return (
        json.dumps(
            data, default=date.isoformat, ensure_ascii=False, allow_nan=False, indent=2
        )
        + "\n"
    )


def _shelf(van: VanShelf) -> ShelfDocument:
    return ShelfDocument(
        van_id=van.van_id,
        driver=van.driver,
        load_days=van.load_days,
        worked_days=van.worked_days,
        aboard_cents=van.aboard_cents,
        par_cents=van.par_cents,
        par_space=van.par_space,
        space=van.space,
        parts=tuple(_par(line) for line in van.lines),
    )


def _par(line: ParLine) -> ParDocument:
    return ParDocument(
        part_id=line.part_id,
        name=line.name,
        bin=line.bin,
        aboard=line.aboard,
        par=line.par,
        wished=line.wished,
        chance_now=round(line.chance_now, 4),
        chance_par=round(line.chance, 4),
        mean_pieces=round(line.mean, 4),
        load=line.load,
        from_vans=line.move,
        lacking=line.lacking,
        at_risk_cents=round(line.lost_cents),
    )


def _order(order: ShelfOrder) -> ShelfOrderDocument:
    return ShelfOrderDocument(
        part_id=order.part_id,
        name=order.name,
        quantity=order.quantity,
        cost_cents=order.cents,
        for_vans=order.for_vans,
        in_shop=order.in_shop,
        shop_par=order.shop_par,
        lead_s=order.lead_s,
        at_risk_cents=round(order.lost_cents),
    )


def _dead(dead: DeadStock) -> DeadStockDocument:
    return DeadStockDocument(
        holder=dead.holder,
        part_id=dead.part_id,
        name=dead.name,
        quantity=dead.quantity,
        cost_cents=dead.cents,
        last_used=dead.last_used,
        idle_days=dead.idle_days,
    )
