"""The course of a day: what is told, what is planned anew, what is put in force.

Everything here is done inside one transaction that writes. Planning itself is not done
here: it takes long, and it is the worker's.
"""

import hashlib
import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from typing import Any
from uuid import uuid4

from api.desk import Desk, Known, brief_of, in_force, know
from api.records import from_text, to_text
from api.roads import Surveyor
from api.sheet import SheetDocument, lay_over, make_sheets
from api.store import Transaction
from api.store.days import drop_files, edit_day, put_row, start_day
from api.store.facts import Told, add_fact
from api.store.jobs import Job, add_job, list_jobs
from api.store.plans import (
    InForce,
    NewPlan,
    Sheet,
    add_plan,
    coded,
    find_sheet,
    placed_on,
    put_sheet,
)
from api.store.rings import close_ring, find_ring, put_rings
from api.store.stock import Stocks, move
from dispatch.answer import answer
from dispatch.evening import cautions
from dispatch.live import Moment, Stand, stand_of
from dispatch.report.document import document, plan_json
from dispatch.report.livedata import RingDocument, rest_json, ring_document
from dispatch.reserve import release
from dispatch.state import State, accept, complete, replay
from dispatch.stock import pick_lists
from shared.errors import Conflict
from shared.facts import Fact, FactKind
from shared.model import Answer, Day

SOON_S = 120  # a clock may be so much ahead; own choice
LONGEST_S = 36 * 3600  # a day's facts end at noon of the next one; own choice
SERVICE = "keyround"  # who tells what nobody told

VANS_SAY = frozenset(
    {
        FactKind.LEFT,
        FactKind.ARRIVED,
        FactKind.STARTED,
        FactKind.DONE,
        FactKind.USED,
        FactKind.SPOILED,
        FactKind.LATE,
        FactKind.NO_SHOW,
        FactKind.LOADED,
        FactKind.RECEIVED,
        FactKind.VAN_DOWN,
        FactKind.VAN_UP,
    }
)


class Result(StrEnum):
    """What became of a fact that was told."""

    TAKEN = "taken"
    KNOWN = "known"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class News:
    """A fact as it was told.

    Parameters
    ----------
    id : str
        Its id.
    digest : str
        Of what was told.
    fact : Fact or None
        The fact; ``None``: it cannot be read.
    reason : str
        Why it cannot.
    """

    id: str
    digest: str
    fact: Fact | None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of a fact.

    Parameters
    ----------
    id : str
        The fact.
    result : Result
        What became of it.
    reason : str
        Why it was refused.
    """

    id: str
    result: Result
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Teller:
    """Who tells.

    Parameters
    ----------
    key_id : str
        The key.
    van_id : str or None
        The van; ``None``: the office.
    at_s : int or None
        When the day is looked at afterwards, where that is not now: for who tells a
        day that is over.
    """

    key_id: str
    van_id: str | None = None
    at_s: int | None = None


def tell_facts(
    desk: Desk,
    transaction: Transaction,
    day_id: str,
    teller: Teller,
    news: Sequence[News],
) -> list[Outcome]:
    """Take facts in, each by itself.

    Parameters
    ----------
    desk : Desk
        The service's.
    transaction : Transaction
        That writes.
    day_id : str
        Which day.
    teller : Teller
        Who tells them.
    news : sequence of News
        The facts.

    Returns
    -------
    list of Outcome
        One for each, in order.

    Raises
    ------
    Conflict
        When nothing is planned yet.
    NotFound
        When there is no such day.
    """
    known = know(desk, transaction, day_id)
    force = ready_to_run(desk, transaction, known)
    clerk = Clerk(desk, transaction, known, force)
    outcomes = [clerk.take(teller, each) for each in news]
    clerk.close({} if teller.at_s is None else {"at_s": teller.at_s})
    return outcomes


def ready_to_run(desk: Desk, transaction: Transaction, known: Known) -> InForce:
    """Return the plan by which a day is run.

    Parameters
    ----------
    desk : Desk
        The service's.
    transaction : Transaction
        Any.
    known : Known
        The day.

    Returns
    -------
    InForce
        The plan in force.

    Raises
    ------
    Conflict
        When there is none, or when the day is no longer the one that was planned.
    """
    if known.day.horizon > 1:
        raise Conflict("these are several days: a running day is loaded as one day")
    force = in_force(desk, transaction, known.brief.id)
    if force is None:
        raise Conflict("nothing is planned yet: plan the day first")
    if force.version.revision != known.brief.revision:
        raise Conflict("the day was edited since it was planned: plan it anew first")
    return force


class Clerk:
    """Takes the facts of one request in.

    Parameters
    ----------
    desk : Desk
        The service's.
    transaction : Transaction
        That writes.
    known : Known
        The day.
    force : InForce
        The plan in force.
    """

    def __init__(
        self, desk: Desk, transaction: Transaction, known: Known, force: InForce
    ) -> None:
        self.desk, self.transaction = desk, transaction
        self.known, self.force = known, force
        self.day_id, self.day = known.brief.id, known.day
        self.digests = {each.fact.id: each.digest for each in known.told}
        self.log, self.state = known.log, known.state
        self.told = list(known.told)
        self.placed = placed_on(transaction, self.day_id)
        now = desk.clock()
        self.now_s = round((now - self.day.clock.midnight()).total_seconds())
        self.taken: defaultdict[str | None, list[str]] = defaultdict(list)
        self.touched: set[str] = set()

    def take(self, teller: Teller, news: News) -> Outcome:
        """Take one fact in, or say why not.

        Parameters
        ----------
        teller : Teller
            Who tells it.
        news : News
            The fact.

        Returns
        -------
        Outcome
            What became of it.
        """
        if news.id in self.digests:
            if self.digests[news.id] == news.digest:
                return Outcome(id=news.id, result=Result.KNOWN)
            reason = "a fact of this id is known already and says something else"
            return self._refuse(teller, news, reason)
        if news.fact is None:
            return self._refuse(teller, news, news.reason)
        fact = news.fact
        if teller.van_id is not None and fact.van_id is None:
            fact = replace(fact, van_id=teller.van_id)
        reason = self._not_theirs(teller, fact) or self._not_now(fact)
        if reason:
            return self._refuse(teller, news, reason)
        filled = complete(fact, self.force.plan)
        longer = accept(self.day, self.log, filled)
        if isinstance(longer, Conflict):
            return self._refuse(teller, news, str(longer))
        self._write(filled, longer, news.digest, teller.key_id)
        freed = release(self.day, self.state, filled)
        if freed is not None:
            freed = replace(freed, id=_short(freed.id))
            self._write(freed, (*self.log, freed), "", SERVICE)
        return Outcome(id=news.id, result=Result.TAKEN)

    def _not_theirs(self, teller: Teller, fact: Fact) -> str:
        """Say what a van cannot tell."""
        if teller.van_id is None:
            return ""
        if fact.kind not in VANS_SAY:
            return "only the office says that"
        if fact.van_id != teller.van_id:
            return "a van tells of itself only"
        if fact.store_id is not None and fact.kind is FactKind.RECEIVED:
            return "only the office says what a store received"
        if fact.call_id is not None:
            now = self.state.calls.get(fact.call_id)
            on_it = now is not None and now.van_id == teller.van_id
            if not on_it and self.placed.get(fact.call_id) != teller.van_id:
                return "there is no such call on this van's sheet"
        return ""

    def _not_now(self, fact: Fact) -> str:
        """Say what is wrong with the time of a fact."""
        if not 0 <= fact.at_s < LONGEST_S:
            return "that is not on this day"
        if fact.at_s > self.now_s + SOON_S:
            return "that is still to come: the clock is wrong"
        return ""

    def _refuse(self, teller: Teller, news: News, reason: str) -> Outcome:
        """Refuse a fact, and let those who wait for it know."""
        fact = news.fact
        van_id = teller.van_id or (None if fact is None else fact.van_id)
        data = {
            "day": self.day_id,
            "van_id": van_id,
            "id": news.id,
            "reason": reason,
        }
        known = van_id if van_id in self.state.vans else None
        self.transaction.tell("refused", data, day_id=self.day_id, van_id=known)
        return Outcome(id=news.id, result=Result.REFUSED, reason=reason)

    def _write(
        self, fact: Fact, longer: tuple[Fact, ...], digest: str, told_by: str
    ) -> None:
        """Write one fact down, with what it moves."""
        before, self.log = self.state, longer
        self.state = replay(self.day, longer)
        seq = add_fact(self.transaction, self.day_id, fact, digest, told_by)
        self.told.append(
            Told(
                seq=seq,
                fact=fact,
                digest=digest,
                told_by=told_by,
                received_ms=self.transaction.now_ms,
            )
        )
        if fact.call is not None:
            put_row(self.transaction, self.day_id, fact.call, booked_by=fact.id)
        stocks = (pieces_of(before), pieces_of(self.state))
        move(self.transaction, self.day_id, stocks, "fact", fact_id=fact.id)
        self.digests[fact.id] = digest
        self.taken[fact.van_id].append(fact.id)
        self.touched |= {giver for giver, *_ in fact.handed or ()}
        self.touched |= {fact.van_id or "", self.placed.get(fact.call_id or "", "")}
        if fact.kind is FactKind.TOLD and fact.call_id and fact.window:
            ring = find_ring(self.transaction, self.day_id, fact.call_id)
            if ring is not None and ring.ring.window_from_s == fact.window.start_s:
                close_ring(self.transaction, self.day_id, fact.call_id)

    @property
    def now(self) -> Known:
        """The day with what was taken in.

        Returns
        -------
        Known
            As it is now.
        """
        return replace(self.known, told=tuple(self.told), state=self.state)

    def close(self, asked: dict[str, Any] | None) -> None:
        """Say what was taken, and have the rest of the day planned anew.

        Parameters
        ----------
        asked : dict or None
            Of the job; ``None``: the rest is planned already.
        """
        if not self.taken:
            return
        brief, transaction = self.known.brief, self.transaction
        if not brief.running:
            start_day(transaction, self.day_id)
            drop_files(transaction, self.day_id, ("facts.csv", "booked.csv"))
            tell_day(transaction, self.day_id, brief.revision)
        seq = self.told[-1].seq
        for van_id, ids in self.taken.items():
            data = {"day": self.day_id, "van_id": van_id, "ids": ids, "seq": seq}
            transaction.tell("facts", data, day_id=self.day_id, van_id=van_id)
        if asked is None:
            return
        renew_sheets(transaction, self.now, self.touched)
        jobs = list_jobs(transaction, self.day_id)
        if not any(job.open and job.kind == "rest" for job in jobs):
            add_job(transaction, uuid4().hex, self.day_id, "rest", asked)


def edited(transaction: Transaction, known: Known) -> None:
    """Note that an open day was edited, and have it planned anew if it was planned.

    Parameters
    ----------
    transaction : Transaction
        That has written what is new.
    known : Known
        The day as it was.
    """
    day_id = known.brief.id
    tell_day(transaction, day_id, edit_day(transaction, day_id))
    kind = "rest" if known.brief.running else "morning"
    jobs = list_jobs(transaction, day_id)
    waits = any(job.open and job.kind == kind for job in jobs)
    if known.brief.plan_version is not None and not waits:
        add_job(transaction, uuid4().hex, day_id, kind, {})


def _short(name: str) -> str:
    """Return an id that fits into its column, the same for the same id."""
    most = 64
    if len(name) <= most:
        return name
    return hashlib.sha256(name.encode()).hexdigest()


def tell_day(transaction: Transaction, day_id: str, revision: int) -> None:
    """Say that a day changed.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    day_id : str
        Which.
    revision : int
        How often it was edited.
    """
    data = {"day": day_id, "revision": revision, "gone": False}
    transaction.tell("day", data, day_id=day_id)


def pieces_of(state: State) -> Stocks:
    """Return what lies where.

    Parameters
    ----------
    state : State
        What the facts come to.

    Returns
    -------
    mapping of str to mapping of str to int
        Holder to part id to pieces.
    """
    return {van_id: van.stock for van_id, van in state.vans.items()} | dict(
        state.stores
    )


# --- sheets -------------------------------------------------------------------------


def renew_sheets(
    transaction: Transaction, known: Known, van_ids: Collection[str]
) -> None:
    """Lay what has changed over the sheets of some vans.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    known : Known
        The day as it is now.
    van_ids : collection of str
        Whose sheets; vans that are not there are passed over.
    """
    day_id = known.brief.id
    codes = coded(transaction, day_id)
    for van in known.day.vans:
        old = find_sheet(transaction, day_id, van.id) if van.id in van_ids else None
        if old is not None:
            read = from_text(SheetDocument, old.body)
            sheet = lay_over(read, known.day, known.state, codes)
            _put(transaction, day_id, old.version, sheet)


def _put(
    transaction: Transaction, day_id: str, version: int, sheet: SheetDocument
) -> None:
    body = to_text(sheet).encode()
    changed = put_sheet(
        transaction,
        Sheet(
            day_id=day_id,
            van_id=sheet.van.id,
            version=version,
            etag=hashlib.sha256(body).hexdigest()[:32],
            body=body,
        ),
    )
    if changed:
        data = {"day": day_id, "van_id": sheet.van.id}
        transaction.tell("sheet", data, day_id=day_id, van_id=sheet.van.id)


# --- plans --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A plan, ready to be put in force.

    Parameters
    ----------
    new : NewPlan
        The plan.
    sheets : mapping of str to SheetDocument
        Van id to its sheet, before anything happened.
    rings : tuple of RingDocument
        Whom to ring about it.
    """

    new: NewPlan
    sheets: Mapping[str, SheetDocument]
    rings: tuple[RingDocument, ...] = ()


def write_morning(known: Known, found: Answer, outlook: bytes | None = None) -> Made:
    """Write the morning's plan out.

    Parameters
    ----------
    known : Known
        The day.
    found : Answer
        What was planned.
    outlook : bytes or None
        Of several days: keyround outlook.

    Returns
    -------
    Made
        Ready to be put in force.
    """
    new = NewPlan(
        kind="morning",
        revision=known.brief.revision,
        facts=0,
        plan=found.plan,
        said={},
        document=plan_json(found).encode(),
        outlook=outlook,
    )
    return Made(new=new, sheets=make_sheets(found.day, document(found)))


def write_moment(
    known: Known,
    before: Stand,
    moment: Moment,
    kind: str,
    roads: Surveyor | None = None,
) -> Made:
    """Write out what became of a day.

    Parameters
    ----------
    known : Known
        The day, with the facts that the moment knows.
    before : Stand
        What was in force before it.
    moment : Moment
        What became of the day.
    kind : str
        'rest' or 'urgent'.
    roads : Surveyor or None
        Who says how its drives go.

    Returns
    -------
    Made
        Ready to be put in force.
    """
    found = _answer(known, moment)
    if roads is not None:
        found = replace(found, ways=roads.ways(found.day, found.plan))
    stand = stand_of(moment, before)
    new = NewPlan(
        kind=kind,
        revision=known.brief.revision,
        facts=known.seq,
        plan=moment.whole,
        said=stand.said,
        document=plan_json(found).encode(),
        rest=rest_json(known.day, moment).encode(),
    )
    return Made(
        new=new,
        sheets=make_sheets(found.day, document(found)),
        rings=tuple(map(ring_document, moment.rings)),
    )


def _answer(known: Known, moment: Moment) -> Answer:
    """Return the whole day as people read it: frozen stops, then the rest."""
    rest, state = moment.rest, moment.state
    day: Day = replace(
        known.whole,
        vans=tuple(
            replace(van, stock=state.vans[van.id].stock) for van in known.day.vans
        ),
        shop=rest.day.shop,
        counters=rest.day.counters,
    )
    plan = replace(moment.whole, unplaced=moment.left_out)
    ahead = answer(rest.day, moment.plan)
    return Answer(
        day=day,
        plan=plan,
        pick_lists=pick_lists(day, plan),
        shortages=ahead.shortages,
        purchases=ahead.purchases,
        tonight=ahead.tonight,
        cautions=cautions(day),
        at_risk=ahead.at_risk,
    )


def put_in_force(transaction: Transaction, known: Known, made: Made) -> int:
    """Put a plan in force.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    known : Known
        The day as it is now.
    made : Made
        The plan.

    Returns
    -------
    int
        Its version.
    """
    day_id = known.brief.id
    version = add_plan(transaction, day_id, made.new)
    put_rings(transaction, day_id, version, made.rings)
    codes = coded(transaction, day_id)
    for sheet in made.sheets.values():
        over = lay_over(sheet, known.day, known.state, codes)
        _put(transaction, day_id, version, over)
    data = {"day": day_id, "version": version, "kind": made.new.kind}
    transaction.tell("plan", data, day_id=day_id)
    return version


def queue(
    transaction: Transaction,
    day_id: str,
    asked: Mapping[str, Any] | None = None,
    *,
    rest: bool = False,
) -> Job:
    """Have a day planned, or its rest planned anew.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    day_id : str
        Which day.
    asked : mapping, optional
        ``seed``, ``rounds``, ``seconds``, as far as they are said.
    rest : bool
        Whether it is the rest even of a day of which nothing has been told.

    Returns
    -------
    Job
        Queued.

    Raises
    ------
    Conflict
        When the same is being done already.
    NotFound
        When there is no such day.
    """
    brief = brief_of(transaction, day_id)
    kind = "rest" if rest or brief.running else "morning"
    for job in list_jobs(transaction, day_id):
        if job.open and job.kind == kind:
            raise Conflict(f"this day is being planned already (job {job.id})")
    return add_job(transaction, uuid4().hex, day_id, kind, dict(asked or {}))


def now_s(known: Known, now: datetime) -> int:
    """Return when it is on a day's own clock.

    Parameters
    ----------
    known : Known
        The day.
    now : datetime
        Aware.

    Returns
    -------
    int
        Seconds since its midnight, 0 to ``LONGEST_S``.
    """
    passed_s = round((now - known.day.clock.midnight()).total_seconds())
    return min(max(0, passed_s), LONGEST_S)


def digest_of(told: Mapping[str, Any]) -> str:
    """Return a digest of what was told.

    Parameters
    ----------
    told : mapping
        As JSON.

    Returns
    -------
    str
        SHA-256, hexadecimal; the order of the fields makes no difference.
    """
    text = json.dumps(told, sort_keys=True, ensure_ascii=False, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def news_of(facts: Iterable[Fact]) -> list[News]:
    """Return facts as news, for who tells what stands in a folder.

    Parameters
    ----------
    facts : iterable of Fact
        As they were read.

    Returns
    -------
    list of News
        In the same order.
    """
    return [
        News(id=fact.id, digest=digest_of(json.loads(to_text(fact))), fact=fact)
        for fact in facts
    ]
