"""The windows that can be told to a caller, for people and for programs."""

import json
from dataclasses import asdict, dataclass
from datetime import date, datetime
from typing import Literal

from dispatch.evening import cautions
from dispatch.quote import Offer, Quote
from dispatch.report.live import COLUMNS
from dispatch.report.page import Page, alarm
from dispatch.report.words import date_words, join, name_kind, span, span_words
from shared.model import Day
from shared.units import as_percent, money


@dataclass(frozen=True, slots=True, kw_only=True)
class PushDocument:
    """A promise that an offer makes less likely.

    Parameters
    ----------
    call_id : str
        Whose.
    before, after : float
        Its chance, 0 to 1, without and with the new call.
    """

    call_id: str
    before: float
    after: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OfferDocument:
    """One window that can be told.

    Parameters
    ----------
    date : date
        Which day.
    start_at, end_at : datetime
        The visit starts between them.
    chance : float
        That it does, 0 to 1.
    second_visit : float
        Chance, 0 to 1, that a second visit is due.
    cost_cents : int
        What the day costs more with the call.
    van_id : str
        Who comes.
    planned_at : datetime
        When the visit starts as planned.
    pushed : tuple of PushDocument
        Promises of others that fall below the wish by it.
    """

    date: date
    start_at: datetime
    end_at: datetime
    chance: float
    second_visit: float
    cost_cents: int
    van_id: str
    planned_at: datetime
    pushed: tuple[PushDocument, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class QuoteDocument:
    """Which windows can be told to a caller.

    Parameters
    ----------
    format : str
        Always 'keyround quote'.
    version : int
        Version of this format; it changes when a field changes its meaning or goes.
    zone : str
        The days' time zone.
    kind : str
        Id of the kind of work.
    median_s, p90_s : int
        Length of the visit.
    keep : float
        The wished chance, 0 to 1.
    first : tuple of str
        To be said before anything else.
    offers : tuple of OfferDocument
        By date; of each the narrowest first, then the earliest.
    """

    format: Literal["keyround quote"]
    version: Literal[1]
    zone: str
    kind: str
    median_s: int
    p90_s: int
    keep: float
    first: tuple[str, ...]
    offers: tuple[OfferDocument, ...]


def quote_json(day: Day, found: Quote) -> str:
    """Return the windows on offer as JSON.

    Parameters
    ----------
    day : Day
        The first day.
    found : Quote
        What is on offer.

    Returns
    -------
    str
        JSON (RFC 8259), indented, ends in a line feed.
    """
    document = QuoteDocument(
        format="keyround quote",
        version=1,
        zone=day.zone.key,
        kind=found.call.kind,
        median_s=found.call.median_s,
        p90_s=found.call.p90_s,
        keep=found.keep,
        first=_first(day),
        offers=tuple(map(_offer, found.offers)),
    )
    text = json.dumps(
        asdict(document),
        default=lambda moment: moment.isoformat(),
        ensure_ascii=False,
        allow_nan=False,
        indent=2,
    )
    return text + "\n"


def _first(day: Day) -> tuple[str, ...]:
    return tuple(caution.text for caution in cautions(day) if caution.emergency)


def _offer(offer: Offer) -> OfferDocument:
    instant = offer.day.clock.instant
    return OfferDocument(
        date=offer.date,
        start_at=instant(offer.window.start_s),
        end_at=instant(offer.window.end_s),
        chance=offer.chance,
        second_visit=offer.again,
        cost_cents=offer.cost_cents,
        van_id=offer.van_id,
        planned_at=instant(offer.start_s),
        pushed=tuple(
            PushDocument(call_id=one.call_id, before=one.before, after=one.after)
            for one in offer.pushed
        ),
    )


def quote_text(
    day: Day,
    found: Quote,
    *,
    encoding: str = "utf-8",
    bold: bool = False,
    width: int = COLUMNS,
) -> str:
    """Return the windows on offer as text, danger first.

    Parameters
    ----------
    day : Day
        The first day.
    found : Quote
        What is on offer.
    encoding, bold, width : str, bool, int
        As for :func:`dispatch.report.text.plan_text`.

    Returns
    -------
    str
        Lines that end in a line feed.
    """
    page = Page(min(width, COLUMNS), encoding, bold=bold)
    alarm(page, cautions(day))
    page.gap()
    call, wish = found.call, as_percent(found.keep)
    page.say(
        f"{name_kind(day, call.kind)}: half of such visits take no longer than "
        f"{span_words(call.median_s)}, nine in ten no longer than "
        f"{span_words(call.p90_s)}.",
        bold=True,
    )
    if day.learnt:
        page.say(day.learnt)
    if not found.offers:
        why = "no van's day has room for it"
        if found.tried:
            why = (
                "it fits, but no window of up to 4 hours is kept with a chance of "
                f"{wish} %"
            )
        page.say(
            f"No window can be told: {why}. The plans' orders were kept; planned anew "
            "with the call among the others there may be room."
        )
        return page.text()
    page.say(
        f"Windows that are kept with a chance of {wish} % or more, if lengths and "
        f"traffic vary as {found.offers[0].kept.source} says; the visit starts "
        "inside. Cost is what the day costs more."
    )
    dated: date | None = None
    for number, offer in enumerate(found.offers, 1):
        if offer.date != dated:
            dated = offer.date
            page.head(date_words(offer.day))
        _say_offer(page, number, offer, wish)
    return page.text()


def _say_offer(page: Page, number: int, offer: Offer, wish: int) -> None:
    day = offer.day
    page.say(
        f"{span(day, offer.window)}  on time {as_percent(offer.chance)} %, cost "
        f"{money(offer.cost_cents)}, van {offer.van_id}, planned for "
        f"{day.clock.hhmm(offer.start_s)}",
        4,
        mark=f"{number:>2}",
    )
    if offer.again:
        page.say(
            f"second visit {as_percent(offer.again)} % as long as no code is bought", 4
        )
    if offer.pushed:
        falls = [
            f"call {one.call_id} from {as_percent(one.before)} to "
            f"{as_percent(one.after)} %"
            for one in offer.pushed
        ]
        page.say(f"BUT this pushes promises below {wish} %: {join(falls)}.", 4)
