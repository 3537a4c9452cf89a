"""What the facts of a day come to: where each call and each van is now.

The state is a pure function of the facts as a set, see :mod:`shared.facts`: they are
played in the order in which they happened, each a step that the tables there allow.
Where a driver forgot to say something, times are assumed: who arrives without having
left has driven there from where he was; a visit that is done and was never begun took
as long as planned, but began no earlier than the van was there (or free, or on its
way); nobody waited before a visit whose arrival was not told.
"""

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from shared.errors import Conflict
from shared.facts import (
    CALL_MOVES,
    FIELDS,
    VAN_MOVES,
    CallState,
    Doing,
    Fact,
    FactKind,
    in_order,
)
from shared.model import Call, Day, Issue, Origin, Plan, Purpose, Van, Window

SAYS = tuple(sorted(set().union(*(needed | more for needed, more in FIELDS.values()))))
ON_THE_ROAD = (FactKind.LEFT, FactKind.ARRIVED, FactKind.STARTED)
UNDER_WAY = (CallState.DRIVING, CallState.THERE, CallState.WORKING)


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """A stop that is behind a van.

    Parameters
    ----------
    call_id, store_id : str or None
        At which call or store.
    left_s : int or None
        When it set off for there; ``None``: nobody said so.
    arrive_s, start_s, finish_s : int
        ``arrive_s <= start_s <= finish_s``.
    missed : bool
        Nobody was there.
    """

    call_id: str | None
    store_id: str | None
    left_s: int | None
    arrive_s: int
    start_s: int
    finish_s: int
    missed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Road:
    """A drive that was given up half-way.

    Parameters
    ----------
    toward : str or None
        Node the van was heading for.
    left_s, turned_s : int
        From when to when.
    """

    toward: str | None
    left_s: int
    turned_s: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CallNow:
    """One call as the facts have it.

    Parameters
    ----------
    call : Call
        With the promise that holds now.
    state : CallState
        How far it is.
    van_id : str or None
        The van that is on it, or was.
    told : Window or None
        What the customer was last told.
    promise_changed : bool
        Whether the promise is another than when the call was booked.
    again : bool
        A van had begun the visit and dropped out: it is a second one.
    """

    call: Call
    state: CallState = CallState.OPEN
    van_id: str | None = None
    told: Window | None = None
    promise_changed: bool = False
    again: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class VanNow:
    """One van as the facts have it.

    Parameters
    ----------
    doing : Doing
        What it is doing.
    since_s : int
        Since when; the start of the shift for a van that has not left.
    call_id, store_id : str or None
        The stop it is driving to or at; neither while driving: home.
    where : str or None
        Node of the travel table where it last was, ``None``: anywhere.
    road : Road or None
        The drive from there that it gave up, if it has not arrived anywhere since.
    left_s, arrive_s, start_s : int or None
        Of the stop it is driving to or at, as far as they are known.
    first_left_s : int or None
        When it set off in the morning; ``None``: it has not.
    stock : mapping of str to int
        Part id to pieces aboard, at least 1.
    tools : frozenset of str
        Shared tools aboard.
    late_s : int
        How much later it reported to be than it would be otherwise; counts until the
        next thing it does.
    late_at_s : int
        When it reported so.
    meal_taken : bool
        It stood idle for as long as its break takes, within the break's window.
    past : tuple of Past
        The stops behind it, in order.
    """

    doing: Doing
    since_s: int
    call_id: str | None
    store_id: str | None
    where: str | None
    road: Road | None
    left_s: int | None
    arrive_s: int | None
    start_s: int | None
    first_left_s: int | None
    stock: Mapping[str, int]
    tools: frozenset[str]
    late_s: int
    late_at_s: int
    meal_taken: bool
    past: tuple[Past, ...]

    @property
    def down(self) -> bool:
        """Whether it is out for the day.

        Returns
        -------
        bool
            Until it is back.
        """
        return self.doing is Doing.DOWN

    @property
    def has_left(self) -> bool:
        """Whether it has left its start place.

        Returns
        -------
        bool
            Also when it is home again.
        """
        return self.first_left_s is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """What all facts come to.

    Parameters
    ----------
    at_s : int or None
        When the last of them happened; ``None``: there are none.
    calls : mapping of str to CallNow
        By id: the day's calls, then those booked since.
    vans : mapping of str to VanNow
        By id, in the order of the day.
    stores : mapping of str to mapping of str to int
        Store id to part id to pieces there, at least 1.
    """

    at_s: int | None
    calls: Mapping[str, CallNow]
    vans: Mapping[str, VanNow]
    stores: Mapping[str, Mapping[str, int]]


def replay(day: Day, facts: Iterable[Fact]) -> State:
    """Return what facts come to.

    Parameters
    ----------
    day : Day
        The day as it was planned.
    facts : iterable of Fact
        In any order; the same one may be among them several times.

    Returns
    -------
    State
        The same for the same set of facts.

    Raises
    ------
    Conflict
        When a fact is impossible after those that happened before it, with the reason.
    """
    known: dict[str, Fact] = {}
    for fact in facts:
        if known.setdefault(fact.id, fact) != fact:
            raise Conflict(_other_content(fact))
    log = _Log(day)
    for fact in in_order(known.values()):
        log.look_at_words(fact)
        log.play(fact)
    return log.state()


def accept(day: Day, log: tuple[Fact, ...], fact: Fact) -> tuple[Fact, ...] | Conflict:
    """Add a fact to those that are known.

    Parameters
    ----------
    day : Day
        The day as it was planned.
    log : tuple of Fact
        Facts that can be replayed together.
    fact : Fact
        Another, however late it is told.

    Returns
    -------
    tuple of Fact or Conflict
        The longer log; the same one where the fact is known; or the reason why the
        fact cannot be true beside the others.
    """
    for other in log:
        if other.id == fact.id:
            return log if other == fact else Conflict(_other_content(fact))
    longer = (*log, fact)
    played, step = _Log(day), fact
    try:
        played.look_at_words(fact)  # the others were looked at when they came
        for step in in_order(longer):
            played.play(step)
    except Conflict as reason:
        if step is fact:
            return reason
        return played.refuse(fact, f"with it this could not be: {reason}")
    return longer


def complete(fact: Fact, plan: Plan) -> Fact:
    """Fill in what a fact leaves to the plan.

    Parameters
    ----------
    fact : Fact
        As it was told.
    plan : Plan
        The plan in force when it happened, see :func:`dispatch.rest.in_force`.

    Returns
    -------
    Fact
        Says itself what was loaded, handed over, collected or used up.
    """
    own = [issue for issue in plan.issues if issue.van_id == fact.van_id]
    if fact.kind in ON_THE_ROAD:
        handed: Counter[tuple[str, str]] = Counter()
        for issue in own:
            if issue.from_van is not None:
                handed[issue.from_van, issue.part_id] += issue.quantity
        usual = replace(
            fact,
            parts=_sum(own, lambda issue: issue.origin is Origin.SHOP),
            handed=tuple((*key, count) for key, count in sorted(handed.items())),
            tools=tuple(
                use.tool_id
                for use in plan.tools
                if use.van_id == fact.van_id and not use.collected
            ),
        )
    elif fact.kind is FactKind.DONE:
        wanted = (Purpose.CALL, fact.call_id)
        parts = _sum(own, lambda issue: (issue.purpose, issue.call_id) == wanted)
        usual = replace(fact, parts=parts)
    elif fact.kind is FactKind.LOADED:
        uses = [use for use in plan.tools if use.van_id == fact.van_id]
        fetched = (Origin.RESTOCK, fact.store_id)
        usual = replace(
            fact,
            parts=_sum(own, lambda issue: (issue.origin, issue.store_id) == fetched),
            tools=tuple(use.tool_id for use in uses if use.collected),
            returned=tuple(use.tool_id for use in uses if use.returned),
        )
    else:
        return fact
    said = {
        name: value
        for name in ("parts", "handed", "tools", "returned")
        if (value := getattr(fact, name)) is not None
    }
    return replace(usual, **said)


def _sum(
    issues: Iterable[Issue], wanted: Callable[[Issue], bool]
) -> tuple[tuple[str, int], ...]:
    pieces: Counter[str] = Counter()
    for issue in issues:
        if wanted(issue):
            pieces[issue.part_id] += issue.quantity
    return tuple(sorted(pieces.items()))


def _other_content(fact: Fact) -> str:
    return f"fact {fact.id} is known already and says something else"


def waiting(call: Call, since_s: int) -> Call:
    """Return a call that comes in on the day, with its customer waiting.

    Parameters
    ----------
    call : Call
        The call.
    since_s : int
        When it comes in, seconds since midnight.

    Returns
    -------
    Call
        Somebody waits where it is urgent and says nothing of other times.
    """
    if call.priority > 1 or call.promise is not None or call.preference is not None:
        return call
    return replace(call, waits_from_s=since_s)


def start_node(van: Van) -> str | None:
    """Return the node at which a van begins its day.

    Parameters
    ----------
    van : Van
        The van.

    Returns
    -------
    str or None
        ``None``: anywhere.
    """
    return None if van.start is None else f"start:{van.id}"


def store_node(day: Day, store_id: str) -> str:
    """Return the node of a store.

    Parameters
    ----------
    day : Day
        The day.
    store_id : str
        Its shop, or a counter.

    Returns
    -------
    str
        As in :class:`dispatch.travel.TravelTable`.
    """
    return "shop" if store_id == day.shop.id else f"store:{store_id}"


@dataclass(slots=True)
class _Book:
    """What is noted of one van while facts are played."""

    van: Van
    where: str | None
    since_s: int
    stock: Counter[str]
    doing: Doing = Doing.WAITING
    call_id: str | None = None
    store_id: str | None = None
    road: Road | None = None
    left_s: int | None = None
    arrive_s: int | None = None
    start_s: int | None = None
    first_left_s: int | None = None
    tools: set[str] = field(default_factory=set)
    early: Counter[str] = field(default_factory=Counter)  # loaded before leaving
    late_s: int = 0
    late_at_s: int = 0
    meal_taken: bool = False
    past: list[Past] = field(default_factory=list)

    def is_at(self, fact: Fact) -> bool:
        """Return whether the van is on its way to the fact's stop, or at it."""
        if self.doing in (Doing.WAITING, Doing.DOWN):
            return False
        return (self.call_id, self.store_id) == (fact.call_id, fact.store_id)

    def idle(self, since_s: int, until_s: int) -> None:
        """Note that it stood still: long enough in the right hours is a break."""
        meal = self.van.meal
        if meal is not None:
            low = max(since_s, meal.window.start_s)
            high = min(until_s, meal.window.end_s)
            self.meal_taken |= high - low >= meal.length_s

    def go(self, doing: Doing, at_s: int) -> None:
        """Do something else from now on; a lateness that was reported is over."""
        self.doing, self.since_s, self.late_s, self.late_at_s = doing, at_s, 0, 0

    def leave_stop(self, doing: Doing, at_s: int) -> None:
        """Have no stop any more, or not yet the next one."""
        self.call_id = self.store_id = None
        self.left_s = self.arrive_s = self.start_s = None
        self.go(doing, at_s)

    def frozen(self) -> VanNow:
        """Return what is noted."""
        return VanNow(
            doing=self.doing,
            since_s=self.since_s,
            call_id=self.call_id,
            store_id=self.store_id,
            where=self.where,
            road=self.road,
            left_s=self.left_s,
            arrive_s=self.arrive_s,
            start_s=self.start_s,
            first_left_s=self.first_left_s,
            stock=_there(self.stock),
            tools=frozenset(self.tools),
            late_s=self.late_s,
            late_at_s=self.late_at_s,
            meal_taken=self.meal_taken,
            past=tuple(self.past),
        )


def _there(stock: Mapping[str, int]) -> dict[str, int]:
    return {part_id: count for part_id, count in sorted(stock.items()) if count > 0}


class _Want(NamedTuple):
    """Pieces that are to be taken from somewhere."""

    stock: Counter[str]
    part_id: str
    pieces: int
    words: str


class _Log:
    """Plays facts in their order, until one is impossible."""

    def __init__(self, day: Day) -> None:
        self.day = day
        self.at_s: int | None = None
        self.calls = {call.id: CallNow(call=call) for call in day.calls}
        self.vans = {
            van.id: _Book(
                van=van,
                where=start_node(van),
                since_s=van.shift.start_s,
                stock=Counter(van.stock),
            )
            for van in day.vans
        }
        self.stores = {
            store.id: Counter(store.stock) for store in (day.shop, *day.counters)
        }
        self.tools = Counter({tool.id: tool.quantity for tool in day.tools})

    def state(self) -> State:
        """Return what has been played so far."""
        return State(
            at_s=self.at_s,
            calls=dict(self.calls),
            vans={van_id: book.frozen() for van_id, book in self.vans.items()},
            stores={id_: _there(stock) for id_, stock in self.stores.items()},
        )

    def play(self, fact: Fact) -> None:
        """Take one step, or say why it is impossible."""
        self._look_at_call(fact)
        book = self.vans.get(fact.van_id or "")
        if book is not None:
            self._look_at_van(fact, book)
        match fact.kind:
            case FactKind.BOOKED:
                if fact.call is not None:
                    call = waiting(fact.call, fact.at_s)
                    self.calls[call.id] = CallNow(call=call)
            case FactKind.TOLD | FactKind.WINDOW | FactKind.CANCELLED:
                self._hear_customer(fact)
            case FactKind.RECEIVED | FactKind.USED | FactKind.SPOILED:
                self._count(fact, book)
            case _ if book is not None:
                self._move(fact, book)
        self.at_s = fact.at_s

    def refuse(self, fact: Fact, text: str) -> Conflict:
        clock = self.day.clock.spoken(fact.at_s)
        return Conflict(f"{fact.kind} at {clock} (fact {fact.id}): {text}")

    # --- is it possible? --------------------------------------------------------

    def look_at_words(self, fact: Fact) -> None:
        """Refuse a fact that lacks something, or says what its kind does not."""
        needed, more = FIELDS[fact.kind]
        said = {name for name in SAYS if getattr(fact, name) is not None}
        faults = [f"it names no {name}" for name in sorted(needed - said)]
        faults += [f"it has no {name}" for name in sorted(said - needed - more)]
        if not faults:
            faults += self._unknown(fact)
        if {"call_id", "store_id"} <= said and fact.kind is not FactKind.BOOKED:
            faults.append("it names a call and a store: one of them")
        if fact.kind is FactKind.RECEIVED and (
            (fact.van_id is None) == (fact.store_id is None)
        ):
            faults.append("it names a van or a store: one of them")
        if fact.late_s is not None and fact.late_s < 0:
            faults.append(f"{fact.late_s} s is no lateness")
        if faults:
            raise self.refuse(fact, "; ".join(faults))

    def _unknown(self, fact: Fact) -> list[str]:
        """Say which names the day does not know."""
        parts = [part_id for part_id, _ in fact.parts or ()]
        handed = [(giver, part_id) for giver, part_id, _ in fact.handed or ()]
        counts = [count for _, count in fact.parts or ()]
        counts += [count for *_, count in fact.handed or ()]
        tools = (*(fact.tools or ()), *(fact.returned or ()))
        names: list[tuple[str, str, Collection[str]]] = [
            *(("van", van_id, self.vans.keys()) for van_id in _some(fact.van_id)),
            *(("van", giver, self.vans.keys()) for giver, _ in handed),
            *(
                ("store", store_id, self.stores.keys())
                for store_id in _some(fact.store_id)
            ),
            *(
                ("part", part_id, self.day.parts.keys())
                for part_id in (*parts, *(part_id for _, part_id in handed))
            ),
            *(("tool", tool_id, self.tools.keys()) for tool_id in tools),
        ]
        faults = [
            f"no {what} {name}" for what, name, known in names if name not in known
        ]
        faults += [
            f"{part_id} is a kit: its components are counted"
            for part_id in parts
            if part_id in self.day.parts and self.day.parts[part_id].components
        ]
        if min(counts, default=1) < 1:
            faults.append("pieces are at least 1")
        if any(len(set(some)) < len(some) for some in (parts, handed, tools)):
            faults.append("each part once")
        if fact.van_id in {giver for giver, _ in handed}:
            faults.append("a van hands nothing to itself")
        return faults

    def _look_at_call(self, fact: Fact) -> None:
        """Refuse what cannot happen to the call any more, or yet."""
        if fact.call is not None:
            if fact.call_id not in (None, fact.call.id):
                raise self.refuse(fact, f"its call is {fact.call.id}")
            if fact.call.id in self.calls:
                raise self.refuse(fact, f"call {fact.call.id} is known already")
        if fact.kind is FactKind.BOOKED or fact.call_id is None:
            return
        now = self.calls.get(fact.call_id)
        if now is None:
            text = f"call {fact.call_id} is not booked by then"
            raise self.refuse(fact, text)
        moves = CALL_MOVES.get(fact.kind)
        if moves is None:
            return
        other = now.van_id not in (None, fact.van_id) and now.state in UNDER_WAY
        if fact.van_id is not None and other:
            text = f"van {now.van_id} is on call {now.call.id} ({now.state})"
            raise self.refuse(fact, text)
        # a van that names the same stop twice over is looked at with the van
        if now.state not in moves:
            text = f"call {now.call.id} is {now.state} by then"
            raise self.refuse(fact, text)

    def _look_at_van(self, fact: Fact, book: _Book) -> None:
        """Refuse what the van cannot be doing."""
        moves = VAN_MOVES.get(fact.kind)
        if moves is None:
            return
        same, other = moves
        if book.doing not in (same if book.is_at(fact) else other):
            doing = f"{book.doing}{_stop_words(book)}"
            text = f"van {fact.van_id} is {doing} by then"
            if book.doing is Doing.WORKING:
                text += ": say first when it was done"
            raise self.refuse(fact, text)
        home = fact.kind is FactKind.ARRIVED and fact.call_id == fact.store_id
        early = fact.kind is FactKind.LOADED and fact.store_id == self.day.shop.id
        if (
            book.first_left_s is None
            and (
                fact.kind in (FactKind.DONE, FactKind.NO_SHOW, FactKind.LOADED) or home
            )
            and not early
        ):
            text = f"van {fact.van_id} has not left yet: say first when it did"
            raise self.refuse(fact, text)

    def _take(self, fact: Fact, wanted: Iterable[_Want]) -> None:
        """Take pieces away, all or (refused) none."""
        wanted = tuple(wanted)
        short = [
            f"{want.pieces} x {want.part_id} from {want.words}, "
            f"{want.stock[want.part_id]} are there"
            for want in wanted
            if want.stock[want.part_id] < want.pieces
        ]
        if short:
            raise self.refuse(fact, "; ".join(short))
        for want in wanted:
            want.stock[want.part_id] -= want.pieces

    # --- steps ------------------------------------------------------------------

    def _hear_customer(self, fact: Fact) -> None:
        now = self.calls[fact.call_id or ""]
        state = CALL_MOVES[fact.kind][now.state]
        if fact.kind is FactKind.TOLD:
            now = replace(now, told=fact.window)
        elif fact.kind is FactKind.WINDOW:
            call = replace(now.call, promise=fact.window)
            gone = state is not now.state
            van_id = None if gone else now.van_id
            now = replace(
                now, call=call, van_id=van_id, promise_changed=True, told=None
            )
        elif now.van_id is not None:
            self._turn_away(self.vans[now.van_id], fact.at_s)
            now = replace(self.calls[now.call.id], van_id=None)
        self.calls[now.call.id] = replace(now, state=state)

    def _count(self, fact: Fact, book: _Book | None) -> None:
        stock = self.stores[fact.store_id or ""] if book is None else book.stock
        if fact.kind is FactKind.RECEIVED:
            stock.update(dict(fact.parts or ()))
        else:
            words = f"van {fact.van_id}"
            self._take(fact, (_Want(stock, *pair, words) for pair in fact.parts or ()))

    def _move(self, fact: Fact, book: _Book) -> None:
        """Take a step of a van."""
        match fact.kind:
            case FactKind.LATE:
                book.late_s, book.late_at_s = fact.late_s or 0, fact.at_s
            case FactKind.VAN_DOWN if book.doing is not Doing.DOWN:
                self._turn_away(book, fact.at_s)
                book.go(Doing.DOWN, fact.at_s)
            case FactKind.VAN_UP if book.doing is Doing.DOWN:
                book.go(Doing.WAITING, fact.at_s)
            case FactKind.LEFT | FactKind.ARRIVED | FactKind.STARTED:
                self._be_out(fact, book)
                self._travel(fact, book)
            case FactKind.DONE | FactKind.NO_SHOW:
                self._finish(fact, book)
            case FactKind.LOADED:
                self._load(fact, book)

    def _be_out(self, fact: Fact, book: _Book) -> None:
        """Note what a van takes along that sets off for the first time."""
        if book.first_left_s is not None:
            return
        shop = self.stores[self.day.shop.id]
        wants = [
            _Want(shop, part_id, count - book.early[part_id], "the shop")
            for part_id, count in fact.parts or ()
            if count > book.early[part_id]
        ]
        wants += [
            _Want(self.vans[giver].stock, part_id, count, f"van {giver}")
            for giver, part_id, count in fact.handed or ()
        ]
        self._lend(fact, book)
        self._take(fact, wants)
        for want in wants:
            book.stock[want.part_id] += want.pieces
        book.first_left_s = fact.at_s

    def _lend(self, fact: Fact, book: _Book) -> None:
        """Let shared tools change hands at the shop."""
        taken = set(fact.tools or ()) - book.tools
        for tool_id in sorted(taken):
            out = sum(tool_id in other.tools for other in self.vans.values())
            if out >= self.tools[tool_id]:
                text = f"tool {tool_id}: all {self.tools[tool_id]} are out"
                raise self.refuse(fact, text)
        book.tools |= taken
        book.tools -= set(fact.returned or ())

    def _turn_away(self, book: _Book, at_s: int) -> None:
        """Take a van off the stop it is driving to or at; its call is open again."""
        doing, node = book.doing, self._node(book)
        if book.call_id is not None:
            now = self.calls[book.call_id]
            again = now.again or doing is Doing.WORKING
            self.calls[book.call_id] = replace(
                now, state=CallState.OPEN, van_id=None, again=again
            )
        if doing is Doing.DRIVING and book.left_s is not None:
            book.road = Road(toward=node, left_s=book.left_s, turned_s=at_s)
        elif doing in (Doing.THERE, Doing.WORKING):
            if doing is Doing.THERE:
                book.idle(book.since_s, at_s)
            if book.store_id is not None and book.arrive_s is not None:
                self._look_back(book, book.arrive_s, at_s)
            book.where, book.road = node, None
        book.leave_stop(Doing.WAITING, at_s)

    def _node(self, book: _Book) -> str | None:
        """Return the node of the stop that a van is driving to or at."""
        if book.call_id is not None:
            return f"call:{book.call_id}"
        if book.store_id is not None:
            return store_node(self.day, book.store_id)
        return None if book.van.finish is None else f"finish:{book.van.id}"

    def _look_back(
        self, book: _Book, start_s: int, finish_s: int, *, missed: bool = False
    ) -> None:
        """Put the stop that a van is at behind it."""
        arrive_s = start_s if book.arrive_s is None else book.arrive_s
        book.past.append(
            Past(
                call_id=book.call_id,
                store_id=book.store_id,
                left_s=book.left_s,
                arrive_s=arrive_s,
                start_s=start_s,
                finish_s=finish_s,
                missed=missed,
            )
        )

    def _travel(self, fact: Fact, book: _Book) -> None:
        """Play that a van left, arrived or started."""
        at_s = fact.at_s
        if not book.is_at(fact):
            if book.doing is not Doing.WAITING:
                self._turn_away(book, at_s)
            elif fact.kind is FactKind.LEFT:
                book.idle(book.since_s, at_s)
            book.call_id, book.store_id = fact.call_id, fact.store_id
        elif book.doing is Doing.THERE:
            book.idle(book.since_s, at_s)
        if fact.call_id is not None:
            self._note(fact.call_id, fact)
        if fact.kind is FactKind.LEFT:
            book.left_s = at_s
            book.go(Doing.DRIVING, at_s)
            return
        book.arrive_s = at_s if book.arrive_s is None else book.arrive_s
        if self._node(book) is not None:
            book.where = self._node(book)
        book.road = None
        if fact.kind is FactKind.STARTED:
            book.start_s = at_s
            book.go(Doing.WORKING, at_s)
        elif (fact.call_id, fact.store_id) == (None, None):
            book.leave_stop(Doing.WAITING, at_s)  # home
        else:
            book.go(Doing.THERE, at_s)

    def _note(self, call_id: str, fact: Fact) -> None:
        now = self.calls[call_id]
        state = CALL_MOVES[fact.kind][now.state]
        self.calls[call_id] = replace(now, state=state, van_id=fact.van_id)

    def _finish(self, fact: Fact, book: _Book) -> None:
        """Play that a visit is done, or that nobody was there."""
        call_id, at_s = fact.call_id or "", fact.at_s
        words = f"van {fact.van_id}"
        self._take(fact, (_Want(book.stock, *pair, words) for pair in fact.parts or ()))
        missed = fact.kind is FactKind.NO_SHOW
        length_s = self.day.planned_s(self.calls[call_id].call, book.van)
        free_s = book.since_s  # free, on its way, there or at work since
        start_s = at_s if missed else max(free_s, at_s - length_s)
        if book.start_s is not None:
            start_s = book.start_s
        if book.doing is Doing.THERE:
            book.idle(book.since_s, start_s)
        book.call_id, book.store_id = call_id, None
        self._note(call_id, fact)
        self._look_back(book, start_s, at_s, missed=missed)
        book.where, book.road = f"call:{call_id}", None
        book.leave_stop(Doing.WAITING, at_s)

    def _load(self, fact: Fact, book: _Book) -> None:
        """Play that a van took parts aboard at a store."""
        store_id = fact.store_id or ""
        pieces = dict(fact.parts or ())
        stock = self.stores[store_id]
        if store_id == self.day.shop.id:  # no counter lends tools
            self._lend(fact, book)
        words = "the shop" if store_id == self.day.shop.id else store_id
        self._take(fact, (_Want(stock, *pair, words) for pair in pieces.items()))
        book.stock.update(pieces)
        if book.first_left_s is None:
            book.early.update(pieces)
            return
        node = store_node(self.day, store_id)
        again = book.doing is Doing.WAITING and book.where == node and book.road is None
        if not again:
            book.call_id, book.store_id = None, store_id
            start_s = fact.at_s if book.arrive_s is None else book.arrive_s
            self._look_back(book, start_s, fact.at_s)
        book.where, book.road = node, None
        book.leave_stop(Doing.WAITING, fact.at_s)


def _some(name: str | None) -> tuple[str, ...]:
    return () if name is None else (name,)


def _stop_words(book: _Book) -> str:
    if book.call_id is not None:
        return f" (call {book.call_id})"
    if book.store_id is not None:
        return f" ({book.store_id})"
    return " (home)" if book.doing is Doing.DRIVING else ""
