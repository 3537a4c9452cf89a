"""Which window to quote to a caller on the telephone.

The call is put into the standing plans of the next days at every place of every van's
order, each written out with exact times; the days are then drawn and driven through. A
window is on offer where the visit starts inside it with the wished chance, the whole
plan with the call and its promise is judged right, and no other promise falls below the
wish because of it (or that is said). Of one date no offer is listed than which another
one is at least as narrow, as early and as cheap.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dispatch.chance import Sample, Spreads, draw, replay, replay_starts
from dispatch.desk import is_able
from dispatch.offer import tasks_of
from dispatch.planner import as_plan, write_standing
from dispatch.rules import judge
from dispatch.timetable import Task, lay_out_best
from dispatch.travel import TravelTable, extend_table, travel_table
from shared.model import (
    Call,
    Day,
    Issue,
    Kept,
    Plan,
    Proof,
    Route,
    Status,
    Van,
    Window,
)
from shared.units import UNITS_PER_CENT, cents

WIDTHS_S = (3600, 2 * 3600, 3 * 3600, 4 * 3600)
"""How wide a window is told, the narrowest first; own choice."""

GRID_S = 1800  # windows begin and end on the half hour; own choice
SEARCH_DRAWS, CHECK_DRAWS = 1_000, 2_000  # to look for windows, and to check them
SPARE = 0.01  # so much more than the wish is looked for: few days are drawn to look
MOST = 4  # offers of one date; own choice: more are not read out on the telephone
APART_CENTS = 100  # what costs less than that more is as cheap; own choice
HURT = 0.01  # a promise below the wish already may fall by so little
TRIES = 6  # places of one date that are written out as whole plans at most

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Push:
    """A promise that an offer makes less likely.

    Parameters
    ----------
    call_id : str
        Whose.
    before, after : float
        Its chance without and with the new call.
    """

    call_id: str
    before: float
    after: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """One window that can be told.

    Parameters
    ----------
    date : datetime.date
        Which day.
    window : Window
        The visit starts inside it, seconds since that day's midnight.
    chance : float
        That it does, 0 to 1, on days that were not looked at to find the window.
    again : float
        Chance that a second visit is due, because the code is not bought yet.
    cost_cents : int
        What the day costs more with the call: distance, time, overtime and parts.
    van_id : str
        Who comes.
    start_s : int
        When, as planned.
    pushed : tuple of Push
        Promises of others that fall below the wish by it; empty: none does.
    day, plan : Day, Plan
        That day with the call and its promise, and its plan, judged.
    kept : Kept
        How that plan comes out.
    """

    date: date
    window: Window
    chance: float
    again: float
    cost_cents: int
    van_id: str
    start_s: int
    pushed: tuple[Push, ...]
    day: Day
    plan: Plan
    kept: Kept


@dataclass(frozen=True, slots=True, kw_only=True)
class Quote:
    """What can be told to a caller.

    Parameters
    ----------
    call : Call
        What is asked for, without a promise.
    keep : float
        The wished chance.
    offers : tuple of Offer
        By date; of each the narrowest first, then the earliest.
    tried : int
        Places in the orders of all vans at which the call fits at all.
    """

    call: Call
    keep: float
    offers: tuple[Offer, ...]
    tried: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """One date of the book: its standing plan, and how that comes out.

    Parameters
    ----------
    day, plan : Day, Plan
        The day, and its plan as it is written out anew.
    travel : TravelTable
        Its drives.
    search, check : Sample
        Drawn days, to look for windows and to check them.
    kept : Kept
        How the plan comes out on the days to check.
    found : mapping of str to float
        The same on those to look, call by call.
    """

    day: Day
    plan: Plan
    travel: TravelTable
    search: Sample
    check: Sample
    kept: Kept
    found: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Book:
    """The standing plans of the next days, ready for the telephone to ring.

    Parameters
    ----------
    pages : tuple of Page
        One per date, in order.
    spreads : Spreads
        How lengths and traffic vary.
    seed : int
        Of the drawn days.
    """

    pages: tuple[Page, ...]
    spreads: Spreads
    seed: int


def open_book(
    plans: Iterable[tuple[Day, Plan]], spreads: Spreads, seed: int = 0
) -> Book:
    """Lay the standing plans out, so that a caller finds all at hand.

    Parameters
    ----------
    plans : iterable of (Day, Plan)
        The next days with their plans, in order; a day on which nobody goes out has an
        empty one.
    spreads : Spreads
        How lengths and traffic vary; every call of these days.
    seed : int
        Same seed, same offers.

    Returns
    -------
    Book
        As good for any number of callers, as long as the plans stand.
    """
    pages = []
    for day, plan in plans:
        travel = travel_table(day)
        written = write_standing(day, travel, _standing(plan))
        stands = plan if written is None else as_plan(day, written)
        search = draw(day, spreads, SEARCH_DRAWS, 2 * seed)
        check = draw(day, spreads, CHECK_DRAWS, 2 * seed + 1)
        looked = replay(day, stands, search, travel)
        pages.append(
            Page(
                day=day,
                plan=stands,
                travel=travel,
                search=search,
                check=check,
                kept=replay(day, stands, check, travel),
                found=_chances(looked),
            )
        )
    return Book(pages=tuple(pages), spreads=spreads, seed=seed)


def quote(book: Book, call: Call, spreads: Spreads, keep: float = 0.9) -> Quote:
    """Say which windows can be told to a caller.

    Parameters
    ----------
    book : Book
        The standing plans.
    call : Call
        What is asked for, without a promise; its windows are when the caller is there.
    spreads : Spreads
        How the length of this call varies, by its id.
    keep : float
        Wished chance that the visit starts in time, 0 < keep < 1.

    Returns
    -------
    Quote
        No offer where no van can do it, or not with that chance.
    """
    offers: list[Offer] = []
    tried = 0
    for page in book.pages:
        if call.dates and page.day.date not in call.dates:
            continue
        desk = _Desk(page, replace(call, dates=()), spreads, keep, book.seed)
        offers += desk.offers()
        tried += len(desk.seats)
    return Quote(call=call, keep=keep, offers=tuple(offers), tried=tried)


def _standing(plan: Plan) -> dict[str, Sequence[Task]]:
    return {route.van_id: tasks_of(route) for route in plan.routes}


def _chances(kept: Kept) -> dict[str, float]:
    return {stop.call_id: stop.kept for stop in kept.stops if stop.kept is not None}


class _Seat(NamedTuple):
    """A place in a van's order at which the call fits."""

    van: Van
    tasks: list[Task]
    route: Route
    units: int  # cost units more than without the call
    start_s: int


class _Draft(NamedTuple):
    """A window for a seat, looked at on the few days."""

    seat: _Seat
    window: Window
    route: Route
    units: int
    pushed: tuple[Push, ...]


class _Desk:
    """One date, asked about one call."""

    def __init__(
        self, page: Page, call: Call, spreads: Spreads, keep: float, seed: int
    ) -> None:
        self.page, self.call, self.keep = page, call, keep
        self.day = self.with_call(call)
        self.travel = extend_table(page.travel, self.day)
        alone = replace(page.day, calls=(call,))
        self.search, self.check = (
            _with_row(sample, draw(alone, spreads, draws, 2 * seed + part + 7))
            for part, (sample, draws) in enumerate(
                ((page.search, SEARCH_DRAWS), (page.check, CHECK_DRAWS))
            )
        )
        self.issues = page.plan.issues
        self.routes = {route.van_id: route for route in page.plan.routes}
        self.seats = list(self.find_seats())
        self.looked: dict[int, tuple[Kept, Ints]] = {}

    def with_call(self, call: Call) -> Day:
        return replace(self.page.day, calls=(*self.page.day.calls, call))

    def find_seats(self) -> Iterator[_Seat]:
        standing = _standing(self.page.plan)
        for van in self.day.vans:
            if not is_able(self.day, van, self.call):
                continue
            before, others = self.routes.get(van.id), standing.get(van.id, ())
            for place in range(len(others) + 1):
                tasks = [*others[:place], Task(call_id=self.call.id), *others[place:]]
                route = self.lay_out(self.day, van, tasks)
                if route is None:
                    continue
                units = route.cost_units - (before.cost_units if before else 0)
                if before:  # parts are priced when the whole plan is written out
                    units += before.parts_units
                start_s = _start_of(route, self.call.id)
                yield _Seat(van, tasks, route, units, start_s)

    def lay_out(self, day: Day, van: Van, tasks: Sequence[Task]) -> Route | None:
        """Write a van's day out; ``None`` where it breaks a promise that stood."""
        route = lay_out_best(day, self.travel, van, tasks)
        if route is None:
            return None
        before = self.routes.get(van.id)
        late = {s.call_id for s in before.stops if s.late_s > 0} if before else set()
        if any(s.late_s > 0 and s.call_id not in late for s in route.stops):
            return None
        return route

    def offers(self) -> list[Offer]:
        """Return what is on offer on this date."""
        found: list[Offer] = []
        aside: list[_Draft] = []
        tries = 0
        for width_s, seat in self.candidates():
            if len(found) >= MOST or tries >= TRIES:
                break
            end_s = _up(seat.start_s)  # at the earliest
            if _is_dominated(found, width_s, end_s, seat.units):
                continue
            draft = self.look(width_s, seat)
            if draft is None or _is_dominated(
                found, width_s, draft.window.end_s, draft.units
            ):
                continue
            if draft.pushed:
                aside.append(draft)
                continue
            tries += 1
            offer = self.settle(draft)
            if offer is not None and not offer.pushed:
                found.append(offer)
        if not found:
            found = self.pushing(aside)
        return sorted(found, key=lambda one: (_width(one.window), one.window.end_s))

    def candidates(self) -> list[tuple[int, _Seat]]:
        """Return each seat with each width, the narrowest and earliest first."""
        return sorted(
            ((width_s, seat) for width_s in WIDTHS_S for seat in self.seats),
            key=lambda one: (one[0], _up(one[1].start_s), one[1].units),
        )

    def pushing(self, drafts: Sequence[_Draft]) -> list[Offer]:
        """Return offers at the cost of other promises, where there are no others."""
        ranked = sorted(
            drafts,
            key=lambda one: (
                sum(push.before - push.after for push in one.pushed),
                _width(one.window),
                one.window.end_s,
            ),
        )
        settled = (self.settle(draft) for draft in ranked[:TRIES])
        return [offer for offer in settled if offer is not None][:1]

    def look(self, width_s: int, seat: _Seat) -> _Draft | None:
        """Return the earliest window of that width that the seat can keep."""
        number = id(seat)
        if number not in self.looked:
            self.looked[number] = replay_starts(
                self.day, self.alone(seat.route), self.search, self.travel, self.call.id
            )
        kept, starts_s = self.looked[number]
        wish = min(1.0, self.keep + SPARE)
        reach_s = int(np.quantile(starts_s, wish, method="higher"))
        end_s = _up(max(reach_s, seat.start_s))
        window = Window(start_s=end_s - width_s, end_s=end_s)
        early_s = int(starts_s.min()) // GRID_S * GRID_S
        if window.start_s < early_s:  # nobody could be there yet
            window = Window(start_s=early_s, end_s=early_s + width_s)
        route, units = seat.route, seat.units
        if window.start_s > int(starts_s.min()):  # somebody may have to wait
            day = self.with_call(replace(self.call, promise=window))
            made = self.lay_out(day, seat.van, seat.tasks)
            if made is None:
                return None
            units += made.cost_units - route.cost_units
            route = made
            kept, _ = replay_starts(
                day, self.alone(route), self.search, self.travel, self.call.id
            )
            chance = kept.of_call[self.call.id].kept
            if chance is None or chance < self.keep:
                return None
        pushed = self.pushes(self.page.found, _chances(kept))
        return _Draft(seat, window, route, units, pushed)

    def alone(self, route: Route) -> Plan:
        return Plan(
            routes=(route,),
            issues=_fetched(self.issues, route.van_id),
            unplaced=(),
            status=Status(proof=Proof.BEST_FOUND),
        )

    def pushes(
        self, before: Mapping[str, float], after: Mapping[str, float]
    ) -> tuple[Push, ...]:
        """Return the promises that fall below the wish, or further below it."""
        return tuple(
            Push(call_id=call_id, before=before[call_id], after=chance)
            for call_id, chance in after.items()
            if call_id in before and chance < min(self.keep, before[call_id] - HURT)
        )

    def settle(self, draft: _Draft) -> Offer | None:
        """Return the offer with its whole plan, judged and checked on fresh days."""
        call = replace(self.call, promise=draft.window)
        day = self.with_call(call)
        standing = {**_standing(self.page.plan), draft.seat.van.id: draft.seat.tasks}
        written = write_standing(day, self.travel, standing)
        if written is None:  # parts, tools or links do not allow it
            return None
        plan = as_plan(day, written)
        if judge(day, self.travel, plan):
            return None
        kept = replay(day, plan, self.check, self.travel)
        mine = kept.of_call[call.id]
        if mine.kept is None or mine.kept < self.keep:
            return None
        route = next(r for r in plan.routes if call.id in r.call_ids)
        return Offer(
            date=day.date,
            window=draft.window,
            chance=mine.kept,
            again=mine.again,
            cost_cents=cents(plan.cost_units - self.page.plan.cost_units),
            van_id=route.van_id,
            start_s=_start_of(route, call.id),
            pushed=self.pushes(_chances(self.page.kept), _chances(kept)),
            day=day,
            plan=plan,
            kept=kept,
        )


def _with_row(sample: Sample, more: Sample) -> Sample:
    """Return drawn days with the visits of one more call, on the roads there are."""
    rows = (sample.duration_s, more.duration_s)
    again = None
    if sample.again is not None and more.again is not None:
        again = np.vstack((sample.again, more.again))
    return sample._replace(duration_s=np.vstack(rows), again=again)


def _fetched(issues: Iterable[Issue], van_id: str) -> tuple[Issue, ...]:
    return tuple(issue for issue in issues if issue.van_id == van_id)


def _start_of(route: Route, call_id: str) -> int:
    return next(stop.start_s for stop in route.stops if stop.call_id == call_id)


def _up(time_s: int) -> int:
    return math.ceil(time_s / GRID_S) * GRID_S


def _width(window: Window) -> int:
    return window.end_s - window.start_s


def _is_dominated(found: Iterable[Offer], width_s: int, end_s: int, units: int) -> bool:
    """Return whether an offer is as narrow, as early and as cheap."""
    return any(
        _width(one.window) <= width_s
        and one.window.end_s <= end_s
        and one.cost_cents * UNITS_PER_CENT <= units + APART_CENTS * UNITS_PER_CENT
        for one in found
    )
