"""A day lived through: each fact in turn, and what the plan makes of it.

Nothing is decided here. A fact is completed from the plan in force, taken into the
log, and the rest of the day is planned anew; what comes of it is judged twice.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from dispatch.difference import Difference, Ring, differ, who_to_ring
from dispatch.planner import Budget
from dispatch.reserve import release
from dispatch.reshuffle import RESHUFFLE_ROUNDS, reshuffle
from dispatch.rest import Rest, in_force, rest_of
from dispatch.rules import judge
from dispatch.rules_live import judge_live
from dispatch.state import State, accept, complete, replay, waiting
from dispatch.urgent import Ask, Option, Options, options, set_board, why_not
from dispatch.waiting import Likely, Wait, find_waits
from shared.errors import Conflict, Defect
from shared.facts import Doing, Fact, FactKind, in_order
from shared.model import Call, Day, Origin, Plan, Stop, StopKind, Unplaced
from shared.trade import HELD

PER_HOUR = 0.25  # urgent calls: two in eight hours; own choice
ENOUGH = 3  # lockouts that show where others may come from; own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Errand:
    """A stop for parts that a new plan puts in or leaves out.

    Parameters
    ----------
    van_id, store_id : str
        Who, and where.
    at_s : int
        When it starts, or would have.
    new : bool
        Put in; else left out.
    parts : tuple of (str, int)
        Part id and pieces that it fetches, or would have.
    """

    van_id: str
    store_id: str
    at_s: int
    new: bool
    parts: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """One fact, and what became of the day.

    Parameters
    ----------
    fact : Fact or None
        What happened, completed from the plan that was in force; ``None``: nothing
        has yet.
    log : tuple of Fact
        All that is known by then, this fact among it.
    state : State
        What they come to.
    rest : Rest
        What is left of the day.
    plan : Plan
        Of ``rest.day``, judged.
    whole : Plan
        What is in force from now on, of the whole day.
    difference : Difference
        What it changes for customers.
    errands : tuple of Errand
        What it changes about stops for parts.
    rings : tuple of Ring
        Whom to ring, the most urgent first.
    released : str or None
        The slot kept free that makes room for the call that came in.
    """

    fact: Fact | None
    log: tuple[Fact, ...]
    state: State
    rest: Rest
    plan: Plan
    whole: Plan
    difference: Difference
    errands: tuple[Errand, ...] = ()
    rings: tuple[Ring, ...] = ()
    released: str | None = None

    @property
    def left_out(self) -> tuple[Unplaced, ...]:
        """Open calls that nobody comes to.

        Returns
        -------
        tuple of Unplaced
            With the reasons; time kept free is not among them.
        """
        return tuple(
            one
            for one in (*self.rest.stuck, *self.plan.unplaced)
            if self.state.calls[one.call_id].call.kind != HELD
        )

    @property
    def calm(self) -> bool:
        """Whether nothing changes for anybody.

        Returns
        -------
        bool
            No call, no stop for parts, nobody to ring.
        """
        return not (self.difference.changes or self.errands or self.rings)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """What is in force, and what customers were last told of it.

    Parameters
    ----------
    plan : Plan
        Of the whole day.
    said : mapping of str to int
        Call id to the start that was last spoken of; those not in it: the plan's.
    """

    plan: Plan
    said: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """An option for an urgent call that was taken: how the day goes on from there.

    Parameters
    ----------
    call_id : str
        The call.
    at_s : int
        When it was taken, seconds since midnight: when the call came in.
    plan : Plan
        Of the rest of the day with the call.
    limits : mapping of str to int
        Van id to the overtime that its driver has agreed to, seconds.
    """

    call_id: str
    at_s: int
    plan: Plan
    limits: Mapping[str, int] = field(default_factory=dict)


def agreed_limits(day: Day, option: Option) -> dict[str, int]:
    """Return how long drivers have to agree to stay for an option.

    Parameters
    ----------
    day : Day
        As it was planned.
    option : Option
        The option.

    Returns
    -------
    dict of str to int
        Van id to overtime, seconds; only those who stay longer than the day allows.
    """
    usual = {van.id: van.overtime_limit_s for van in day.vans}
    return {
        van.id: van.overtime_limit_s
        for van in option.day.vans
        if option.agree and van.overtime_limit_s > usual[van.id]
    }


def as_agreed(day: Day, takes: Iterable[Take], log: Iterable[Fact]) -> Day:
    """Return a day whose drivers stay as long as they have agreed to.

    Parameters
    ----------
    day : Day
        As it was planned.
    takes : iterable of Take
        What was taken.
    log : iterable of Fact
        What is known: what was taken for a call that has not come in does not count.

    Returns
    -------
    Day
        Its vans' overtime limits are no shorter than they were.
    """
    came = {(fact.call.id, fact.at_s) for fact in log if fact.call is not None}
    limits: dict[str, int] = {}
    for take in takes:
        if (take.call_id, take.at_s) in came:
            for van_id, limit_s in take.limits.items():
                limits[van_id] = max(limit_s, limits.get(van_id, 0))
    vans = (
        replace(van, overtime_limit_s=max(van.overtime_limit_s, limits[van.id]))
        if van.id in limits
        else van
        for van in day.vans
    )
    return replace(day, vans=tuple(vans)) if limits else day


def step(  # noqa: PLR0913 - what was taken goes with one fact only
    day: Day,
    stand: Stand,
    log: tuple[Fact, ...],
    news: Sequence[Fact],
    now_s: int,
    budget: Budget | None = None,
    *,
    taken: Plan | None = None,
) -> Moment:
    """Plan the rest of a day after some facts.

    Parameters
    ----------
    day : Day
        As it was planned, with its slots kept free.
    stand : Stand
        What was in force before them.
    log : tuple of Fact
        All that is known, those facts among it, completed.
    news : sequence of Fact
        Those facts, as they happened.
    now_s : int
        From when on things can be changed, seconds since midnight.
    budget : Budget, optional
        How long to search; by default briefly.
    taken : Plan, optional
        Of the rest of the day, chosen by a person: it is put in force as it is. Where
        it breaks a rule by now, the rest is planned anew from it.

    Returns
    -------
    Moment
        Its fact is the last of them.

    Raises
    ------
    Conflict
        When a fact is impossible, with the reason.
    Defect
        When a judge refuses a plan.
    """
    budget = budget or Budget(rounds=RESHUFFLE_ROUNDS, replans=False)
    plan, said = stand.plan, _as_said(stand.plan, stand.said)
    state = replay(day, log)
    rest = rest_of(day, plan, state, now_s)
    if taken is not None and judge(rest.day, rest.travel, taken):
        rest, taken = rest_of(day, in_force(rest, taken), state, now_s), None
    made = taken or reshuffle(rest, budget)
    faults = (
        *judge(rest.day, rest.travel, made),
        *judge_live(day, log, rest, made),
    )
    if faults:
        raise Defect("\n".join(str(fault) for fault in faults))
    difference = _for_customers(differ(rest, said, made, news), state)
    whole = in_force(rest, made)
    return Moment(
        fact=news[-1] if news else None,
        log=log,
        state=state,
        rest=rest,
        plan=made,
        whole=whole,
        difference=difference,
        errands=tuple(_errands(plan, whole, rest.now_s)),
        rings=who_to_ring(rest, difference, [now.call for now in state.calls.values()]),
    )


def stand_of(moment: Moment, before: Stand) -> Stand:
    """Return what is in force after a moment.

    Parameters
    ----------
    moment : Moment
        What became of the day.
    before : Stand
        What was in force before it.

    Returns
    -------
    Stand
        Small steps add up: what moves within the tolerance again and again is told once
        it is further off than that from what was said.
    """
    news = {change.call_id for change in moment.difference.changes}
    before_starts = _starts(before.plan) | dict(before.said)
    said = {
        call_id: start_s if call_id in news else before_starts.get(call_id, start_s)
        for call_id, start_s in _starts(moment.whole).items()
    }
    return Stand(plan=moment.whole, said=said)


def _starts(plan: Plan) -> dict[str, int]:
    return {
        stop.call_id: stop.start_s
        for route in plan.routes
        for stop in route.stops
        if stop.call_id is not None
    }


def live(
    day: Day,
    plan: Plan,
    facts: Iterable[Fact],
    budget: Budget | None = None,
    until_s: int | None = None,
    takes: Sequence[Take] = (),
) -> tuple[Moment, ...]:
    """Live through a day.

    Parameters
    ----------
    day : Day
        As it was planned, with its slots kept free.
    plan : Plan
        Its plan.
    facts : iterable of Fact
        What happened, in any order.
    budget : Budget, optional
        How long to search at each fact; by default briefly.
    until_s : int, optional
        Up to and with when, seconds since midnight. The last moment is then looked at
        from there.
    takes : sequence of Take, optional
        Options that were taken; each counts when its call comes in, if that is when it
        was taken.

    Returns
    -------
    tuple of Moment
        One for each fact, as they happened; one without a fact where there is none.

    Raises
    ------
    Conflict
        When a fact is impossible, with the reason.
    Defect
        When a judge refuses a plan.
    """
    budget = budget or Budget(rounds=RESHUFFLE_ROUNDS, replans=False)
    known = [f for f in in_order(facts) if until_s is None or f.at_s <= until_s]
    told = list({fact.id: fact for fact in reversed(known)}.values())[::-1]
    if len(told) < len(known):
        replay(day, known)  # twice the same, or refused
    stand = Stand(plan=plan)
    if not told:
        start_s = min((van.shift.start_s for van in day.vans), default=0)
        now_s = start_s if until_s is None else until_s
        return (step(day, stand, (), (), now_s, budget),)
    moments: list[Moment] = []
    log: tuple[Fact, ...] = ()
    for number, fact in enumerate(told, 1):
        now_s = fact.at_s
        if number == len(told) and until_s is not None:
            now_s = until_s
        filled = complete(fact, stand.plan)
        longer = accept(day, log, filled)
        if isinstance(longer, Conflict):
            raise longer
        freed = release(day, replay(day, longer), filled)
        if freed is not None:
            longer = (*longer, freed)
        taken = _taken_at(takes, filled)
        agreed = as_agreed(day, takes, longer)
        moment = step(agreed, stand, longer, (filled,), now_s, budget, taken=taken)
        if freed is not None:
            moment = replace(moment, released=freed.call_id)
        moments.append(moment)
        log, stand = longer, stand_of(moment, stand)
    return tuple(moments)


def _taken_at(takes: Iterable[Take], fact: Fact) -> Plan | None:
    """Return the plan that was taken when a call came in, if one was."""
    if fact.call is None:
        return None
    came = fact.call.id, fact.at_s
    return next((one.plan for one in takes if (one.call_id, one.at_s) == came), None)


def _as_said(plan: Plan, said: Mapping[str, int]) -> Plan:
    """Return the plan in force with the starts that were last spoken of."""
    routes = tuple(
        replace(
            route,
            stops=tuple(
                replace(stop, start_s=said.get(stop.call_id or "", stop.start_s))
                for stop in route.stops
            ),
        )
        for route in plan.routes
    )
    return replace(plan, routes=routes)


def _for_customers(difference: Difference, state: State) -> Difference:
    """Return what changes without time kept free: no customer has it."""
    return replace(
        difference,
        changes=tuple(
            change
            for change in difference.changes
            if state.calls[change.call_id].call.kind != HELD
        ),
    )


def _errands(before: Plan, after: Plan, now_s: int) -> Iterator[Errand]:
    """Yield which stops for parts are new, then which are left out."""
    old, new = _stores(before), _stores(after)
    for plan, ours, others, is_new in (
        (after, new, old, True),
        (before, old, new, False),
    ):
        for (van_id, store_id), stop in ours.items():
            if (van_id, store_id) not in others and stop.finish_s > now_s:
                yield Errand(
                    van_id=van_id,
                    store_id=store_id,
                    at_s=stop.start_s,
                    new=is_new,
                    parts=fetched(plan, van_id, store_id),
                )


def _stores(plan: Plan) -> dict[tuple[str, str], Stop]:
    return {
        (route.van_id, stop.store_id): stop
        for route in plan.routes
        for stop in route.stops
        if stop.kind is StopKind.RESTOCK and stop.store_id is not None
    }


def fetched(plan: Plan, van_id: str, store_id: str) -> tuple[tuple[str, int], ...]:
    """Return what a van fetches on its way.

    Parameters
    ----------
    plan : Plan
        Of the day.
    van_id, store_id : str
        Who, and where.

    Returns
    -------
    tuple of (str, int)
        Part id and pieces, by part id.
    """
    wanted = (Origin.RESTOCK, van_id, store_id)
    pieces: dict[str, int] = {}
    for issue in plan.issues:
        if (issue.origin, issue.van_id, issue.store_id) == wanted:
            pieces[issue.part_id] = pieces.get(issue.part_id, 0) + issue.quantity
    return tuple(sorted(pieces.items()))


# --- an urgent call ---------------------------------------------------------------


def ask(
    day: Day,
    moment: Moment,
    call: Call,
    how: Ask | None = None,
) -> Options:
    """Say what can be done about an urgent call at a moment.

    Parameters
    ----------
    day : Day
        As it was planned.
    moment : Moment
        Before the call.
    call : Call
        The call; it is taken as urgent whatever its priority.
    how : Ask, optional
        How it is asked about.

    Returns
    -------
    Options
        A slot kept free makes room first. Where nobody can take it, each option has the
        reasons, van by van.

    Raises
    ------
    Conflict
        When the call is there already.
    """
    return ask_at(day, (moment.whole, moment.log), call, moment.rest.now_s, how)


def ask_at(
    day: Day,
    running: tuple[Plan, tuple[Fact, ...]],
    call: Call,
    now_s: int,
    how: Ask | None = None,
) -> Options:
    """Say what can be done about an urgent call, from the plan that is in force.

    Parameters
    ----------
    day : Day
        As it was planned.
    running : (Plan, tuple of Fact)
        The whole day's plan in force, and all that is known.
    call : Call
        The call; it is taken as urgent whatever its priority.
    now_s : int
        When it is asked about, seconds since midnight.
    how : Ask, optional
        How it is asked about.

    Returns
    -------
    Options
        As :func:`ask`.

    Raises
    ------
    Conflict
        When the call is there already, or what stands cannot be done any more.
    """
    plan, log = running
    state = replay(day, log)
    if call.id in state.calls:
        raise Conflict(f"call {call.id} is there already")
    call = waiting(replace(call, priority=1), now_s)
    freed = release(day, state, booked(call, now_s))
    if freed is not None:
        state = replay(day, (*log, freed))
    board = set_board(rest_of(day, plan, state, now_s))
    found = options(board, call, how)
    if any(option.van_id is not None for option in found.options):
        return found
    reasons = why_not(board, call)
    told = tuple(replace(option, reasons=reasons) for option in found.options)
    return replace(found, options=told)


def before(facts: Iterable[Fact], call_id: str, at_s: int) -> tuple[Fact, ...]:
    """Return what had happened when an urgent call came in.

    Parameters
    ----------
    facts : iterable of Fact
        What happened.
    call_id : str
        The call.
    at_s : int
        When it came in.

    Returns
    -------
    tuple of Fact
        As it happened, without what is about the call, and in that second only what
        came before its booking.
    """
    found = []
    for fact in in_order(facts):
        about = fact.call_id if fact.call is None else fact.call.id
        if fact.at_s > at_s or (about == call_id and fact.at_s == at_s):
            break
        if about != call_id:
            found.append(fact)
    return tuple(found)


def booked(call: Call, at_s: int) -> Fact:
    """Return the fact that a call came in.

    Parameters
    ----------
    call : Call
        The call.
    at_s : int
        When, seconds since midnight.

    Returns
    -------
    Fact
        Its id is made of the call's.
    """
    from_call = f"{call.id}:booked"
    return Fact(id=from_call, kind=FactKind.BOOKED, at_s=at_s, call=call)


# --- where to wait ----------------------------------------------------------------


def likely_places(calls: Iterable[Call]) -> tuple[Likely, ...]:
    """Return from where urgent calls come.

    Parameters
    ----------
    calls : iterable of Call
        All of the day, those that came in as well.

    Returns
    -------
    tuple of Likely
        The places of the lockouts; where these are fewer than ``ENOUGH``, of all calls.
    """
    known = [call for call in calls if call.kind != HELD and call.is_located]
    lockouts = [call for call in known if call.kind.startswith("lockout")]
    chosen = lockouts if len(lockouts) >= ENOUGH else known
    return tuple(Likely(place=call.parked) for call in chosen)


def waits(day: Day, moment: Moment) -> tuple[Wait, ...]:
    """Say where each van waits in what is left of the day.

    Parameters
    ----------
    day : Day
        As it was planned.
    moment : Moment
        From when on.

    Returns
    -------
    tuple of Wait
        By van; none before now.
    """
    now_s = moment.rest.now_s
    idle = {
        van_id
        for van_id, van in moment.state.vans.items()
        if van.doing is Doing.WAITING and van.has_left
    }
    ahead = {van.id for van in moment.rest.day.vans}
    routes = []
    for route in moment.whole.routes:
        count = len(moment.rest.frozen.get(route.van_id, ()))
        stops = list(route.stops)
        if route.van_id in idle and 0 < count < len(stops):
            # It has stood there since: what is left of that wait begins now.
            last = stops[count - 1]
            stops[count - 1] = replace(last, finish_s=max(last.finish_s, now_s))
        if route.van_id in ahead:
            routes.append(replace(route, stops=tuple(stops)))
    plan = replace(moment.whole, routes=tuple(routes))
    likely = likely_places(now.call for now in moment.state.calls.values())
    return find_waits(day, plan, likely, PER_HOUR)
