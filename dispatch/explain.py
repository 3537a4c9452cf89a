"""Say why a call is on no route, van by van, and what would help.

First what holds whichever van goes; where that alone rules the call out, no van is
looked at. Otherwise each van gets the first rule that blocks it. What would help is
tried out on the van's route (:mod:`dispatch.remedy`) before it is proposed.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import islice, product

from dispatch.problem import start_windows
from dispatch.reach import able_vans, latest_start_any_s
from dispatch.remedy import (
    Breach,
    Offer,
    Remedy,
    find_breach,
    find_customer_remedy,
    find_swap,
    find_time_remedy,
    make_offer,
    name_ready,
)
from dispatch.stock import choose, demand, leave_over, part_name
from dispatch.supply import counter_name, elsewhere
from dispatch.travel import TravelTable
from shared.model import (
    Call,
    Day,
    Issue,
    Origin,
    Purpose,
    Reason,
    Route,
    Rule,
    Unplaced,
    Van,
    Window,
)
from shared.units import minutes

CLOSE_VANS = 3  # at least so many vans are looked at closely for every call
CLOSE_LOOKS = 400  # and so many in all, where there are more vans
_CHOICES = 64  # combinations of substitutes weighed when parts are missing
_NAMES = 3  # named before "and more"


def explain(
    day: Day, travel: TravelTable, routes: Sequence[Route], issues: Sequence[Issue]
) -> tuple[Unplaced, ...]:
    """Say why calls are on no route.

    Parameters
    ----------
    day : Day
        The day.
    travel : TravelTable
        Its travel table.
    routes : sequence of Route
        The plan's routes.
    issues : sequence of Issue
        The pieces the plan gives to its calls; spares are not looked at, for they
        never cost a call.

    Returns
    -------
    tuple of Unplaced
        Every call on no route, in the order of the day, each with at least one
        reason. With many vans, only those that pass nearest are looked at closely;
        the others' reasons say so, and carry no remedy.
    """
    placed = {call_id for route in routes for call_id in route.call_ids}
    left_out = [call for call in day.calls if call.id not in placed]
    if not left_out:
        return ()
    close = max(CLOSE_VANS, CLOSE_LOOKS // len(left_out))
    desk = _Desk(day, travel, routes, issues)
    return tuple(
        Unplaced(call_id=call.id, reasons=_reasons(desk, call, close))
        for call in left_out
    )


class _Desk:
    """The plan as it lies there: each van's route, and the parts it can still have."""

    def __init__(
        self,
        day: Day,
        travel: TravelTable,
        routes: Sequence[Route],
        issues: Sequence[Issue],
    ) -> None:
        self.day = day
        self.travel = travel
        self.issues = [issue for issue in issues if issue.purpose is Purpose.CALL]
        self.left = leave_over(day, self.issues)
        calls = {call.id: call for call in day.calls}
        served = {route.van_id: route.call_ids for route in routes}
        self.routes = {
            van.id: tuple(calls[call_id] for call_id in served.get(van.id, ()))
            for van in day.vans
        }
        self.own: dict[str, Counter[str]] = {van.id: Counter() for van in day.vans}
        for issue in self.issues:
            self.own[issue.van_id][issue.part_id] += issue.quantity
        self.rows = {van.id: self._rows(van) for van in day.vans}

    def _rows(self, van: Van) -> list[int]:
        keys = [f"call:{call.id}" for call in self.routes[van.id]]
        keys += [f"start:{van.id}", f"finish:{van.id}"]
        return [self.travel.keys[key] for key in keys if key in self.travel.keys]

    def offer(self, van: Van, call: Call) -> Offer:
        """Hold the call out to the van with its route."""
        return make_offer(self.day, self.travel, van, self.routes[van.id], call)

    def nearest(self, call: Call) -> list[Van]:
        """Return the vans, those that can do the call first, the nearest first."""
        able = {van.id for van in able_vans(self.day, call)}
        row = self.travel.keys[f"call:{call.id}"]

        def distance(van: Van) -> tuple[bool, int]:
            rows = self.rows[van.id]
            drives = self.travel.base_s[rows, row]
            return van.id not in able, int(drives.min()) if rows else 0

        return sorted(self.day.vans, key=distance)

    def missing(self, van: Van, call: Call) -> dict[str, int]:
        """Return the fewest pieces the van lacks for the call, beside its calls."""
        if not call.needs:
            return {}
        spare = Counter(self.left.vans[van.id])
        if van.loads_at_shop:
            spare.update(self.left.shop)
        short = _shortfall(self.day, call, spare)
        if not short:
            return {}
        spare.update(self.own[van.id])
        needs = [need for other in self.routes[van.id] for need in other.needs]
        if choose(self.day, [*needs, *call.needs], spare) is not None:
            return {}  # its own calls can take other alternatives
        return short


def _shortfall(day: Day, call: Call, pool: Counter[str]) -> dict[str, int]:
    """Return the pieces a pool lacks for a call, by the choice that lacks least."""
    fewest: dict[str, int] | None = None
    choices = product(*(need.alternatives for need in call.needs))
    for picks in islice(choices, _CHOICES):
        wanted: Counter[str] = Counter()
        for used in demand(day, call, picks):
            wanted.update(used)
        short = {
            part_id: count - pool[part_id]
            for part_id, count in wanted.items()
            if count > pool[part_id]
        }
        if fewest is None or sum(short.values()) < sum(fewest.values()):
            fewest = short
    return fewest or {}


def _reasons(desk: _Desk, call: Call, close: int) -> tuple[Reason, ...]:
    near = desk.nearest(call)
    general = _general(desk, call, near[:close])
    if general:
        return general
    looked_at = {van.id for van in near[:close]}
    return tuple(
        _for_van(desk, call, van, close=van.id in looked_at) for van in desk.day.vans
    )


# --- whichever van goes ------------------------------------------------------


def _general(desk: _Desk, call: Call, near: Sequence[Van]) -> tuple[Reason, ...]:
    day = desk.day
    out = [van for van in day.vans if day.date not in van.off]
    if not out:
        return (Reason(rule=Rule.ROOM, text="no van is out on this day"),)
    found = [
        reason
        for reason in (
            _other_date(day, call),
            _no_moment(day, call),
            _not_ready(day, call),
            _nowhere(day, call),
            _nobody(
                Rule.SKILL,
                call.skills,
                [van.skills for van in out],
                "driver does",
            ),
            _nobody(
                Rule.EQUIPMENT,
                call.equipment,
                [van.equipment for van in out],
                "van carries",
            ),
            _no_such_van(call, out),
        )
        if reason is not None
    ]
    if len(found) != 1:
        return tuple(found)  # no single change helps
    return (replace(found[0], remedy=_general_remedy(desk, call, near, found[0].rule)),)


def _other_date(day: Day, call: Call) -> Reason | None:
    if not call.dates or day.date in call.dates:
        return None
    dates = " or ".join(map(str, call.dates))
    return Reason(rule=Rule.WINDOW, text=f"it may be done on {dates} only")


def _no_moment(day: Day, call: Call) -> Reason | None:
    promised = replace(call, ready=())
    if start_windows(day, promised):
        return None
    length = minutes(day.planned_s(call))
    there = ", ".join(_span(day, window) for window in call.windows)
    if call.promise is None or not start_windows(day, replace(promised, promise=None)):
        return Reason(
            rule=Rule.WINDOW,
            text=f"a visit of {length} does not fit {there}, the customer's time",
        )
    return Reason(
        rule=Rule.PROMISE,
        text=(
            f"a visit of {length} that starts as promised, "
            f"{_span(day, call.promise)}, is not over while the customer is there: "
            f"{there}"
        ),
    )


def _not_ready(day: Day, call: Call) -> Reason | None:
    ready_s = day.ready_s(call)
    if ready_s is None:
        return None
    at_once = replace(call, ready=())
    latest_s = latest_start_any_s(day, at_once)
    if latest_s is None:  # no van is able; the customer may still be too early
        latest_s = max((last_s for _, last_s in start_windows(day, at_once)), default=0)
    if not 0 < latest_s < ready_s:
        return None
    return Reason(
        rule=Rule.READY,
        text=(
            f"{name_ready(day, call)} cannot be there before "
            f"{day.clock.spoken(_up(ready_s))}; the visit has to start by "
            f"{day.clock.spoken(latest_s)}"
        ),
    )


def _nowhere(day: Day, call: Call) -> Reason | None:
    total = leave_over(day).total()
    if not call.needs or choose(day, call.needs, total) is not None:
        return None
    short = _shortfall(day, call, total)
    return Reason(
        rule=Rule.STOCK, text="; ".join(_lack_in_firm(day, call, short, total))
    )


def _lack_in_firm(
    day: Day, call: Call, short: dict[str, int], total: Counter[str]
) -> Iterable[str]:
    for part_id, count in short.items():
        have = total[part_id]
        words = f"nobody has {_part(day, part_id)}"
        if have:
            words = f"the firm has {have} of {have + count} {_part(day, part_id)}"
        if any(len(need.alternatives) > 1 for need in call.needs):
            words += " or what could stand in for it"
        counters = [
            f"{pieces} at {counter_name(day, counter_id)}"
            for counter_id, pieces in elsewhere(day, part_id)
        ]
        yield f"{words} ({_several(counters) if counters else 'no counter has any'})"


def _nobody(
    rule: Rule, wanted: frozenset[str], there: Sequence[frozenset[str]], who: str
) -> Reason | None:
    lacking = wanted - frozenset().union(*there)
    if not lacking:
        return None
    return Reason(rule=rule, text=f"no {who} {_listed(lacking)}")


def _no_such_van(call: Call, out: Sequence[Van]) -> Reason | None:
    if call.required_van is None or any(van.id == call.required_van for van in out):
        return None
    return Reason(
        rule=Rule.REQUIRED_VAN,
        text=f"only van {call.required_van} may go, and it is not out on this day",
    )


def _general_remedy(desk: _Desk, call: Call, near: Sequence[Van], rule: Rule) -> str:
    """Return the smallest change that lets one of the nearest vans take the call."""
    if rule in {Rule.WINDOW, Rule.PROMISE, Rule.READY}:
        found = [
            remedy
            for van in near
            if _blocked(desk, call, van) is None
            and (remedy := _moved(desk.offer(van, call))) is not None
        ]
        best = min(found, key=lambda remedy: remedy.size_s, default=None)
        return best.words if best is not None else ""
    if rule is Rule.STOCK:
        # The van that lacks no more than the firm does comes first.
        near = sorted(near, key=lambda van: sum(desk.missing(van, call).values()))
    tried = (_change_van(desk, call, van, rule) for van in near)
    return next((words for words in tried if words), "")


# --- one van -----------------------------------------------------------------


def _for_van(desk: _Desk, call: Call, van: Van, *, close: bool) -> Reason:
    reason = _blocked(desk, call, van)
    if reason is not None:
        remedy = _change_van(desk, call, van, reason.rule) if close else ""
        return replace(reason, remedy=remedy)
    offer = desk.offer(van, call)
    working = offer.working() if close or not offer.order else []
    if working:
        where = _between(offer.order, working[0])
        return Reason(
            rule=Rule.ROOM,
            text="the search found no room; more rounds might",
            van_id=van.id,
            remedy=f"van {van.id} could take it{where}: plan again with more rounds",
        )
    alone = make_offer(desk.day, desk.travel, van, (), call)
    if not alone.fits():
        remedy = _time_words(offer) if close else ""
        return replace(_impossible(alone), remedy=remedy)
    if close:
        return _no_room(offer)
    return Reason(
        rule=Rule.ROOM,
        text=(
            f"alone it would fit, but the van has {len(desk.routes[van.id])} calls; "
            "only the nearest vans were looked at more closely"
        ),
        van_id=van.id,
    )


def _blocked(desk: _Desk, call: Call, van: Van) -> Reason | None:
    """Return the first rule that blocks the van before the clock is looked at."""
    if desk.day.date in van.off:
        return Reason(rule=Rule.SHIFT, text="it is off that day", van_id=van.id)
    skills = call.skills - van.skills
    if skills:
        return Reason(
            rule=Rule.SKILL,
            text=f"the driver does not do {_listed(skills)}",
            van_id=van.id,
        )
    equipment = call.equipment - van.equipment
    if equipment:
        return Reason(
            rule=Rule.EQUIPMENT,
            text="; ".join(_gear_words(desk.day, sorted(equipment))),
            van_id=van.id,
        )
    if call.required_van not in (None, van.id):
        return Reason(
            rule=Rule.REQUIRED_VAN,
            text=f"only van {call.required_van} may go",
            van_id=van.id,
        )
    missing = desk.missing(van, call)
    if missing:
        return Reason(
            rule=Rule.STOCK,
            text="; ".join(
                _lack_words(desk, van, part_id, count)
                for part_id, count in missing.items()
            ),
            van_id=van.id,
        )
    return None


def _gear_words(day: Day, equipment: Iterable[str]) -> Iterable[str]:
    for item in equipment:
        carriers = [f"van {van.id}" for van in day.vans if item in van.equipment]
        carry = "carries" if len(carriers) == 1 else "carry"
        yield f"{_word(item)} is not aboard ({_several(carriers)} {carry} one)"


def _lack_words(desk: _Desk, van: Van, part_id: str, count: int) -> str:
    """Say that a van lacks a part, and where its pieces are."""
    day, left = desk.day, desk.left
    part = _part(day, part_id)
    words = f"{part} is missing" if count == 1 else f"{count} {part} are missing"
    issues = [issue for issue in desk.issues if issue.part_id == part_id]
    own = [i for i in issues if i.van_id == van.id and i.origin is Origin.ABOARD]
    shop = [i for i in issues if i.origin is Origin.SHOP]
    in_shop = left.shop[part_id]
    where = [
        *_gone("its own", own),
        *(
            f"{pieces} in van {other.id}"
            for other in day.vans
            if other.id != van.id and (pieces := left.vans[other.id][part_id]) > 0
        ),
    ]
    if van.loads_at_shop:
        where += _gone("the shop's last" if not in_shop else "the shop's", shop)
    elif in_shop:
        where.append(f"the shop has {in_shop}, but this van does not load there")
    if not where:
        where += _gone("the firm's last", issues)
    where += [
        f"{pieces} at {counter_name(day, counter_id)}"
        for counter_id, pieces in elsewhere(day, part_id)
    ]
    return f"{words} ({_several(where) if where else 'none anywhere'})"


def _gone(whose: str, issues: Sequence[Issue]) -> list[str]:
    """Return to which calls pieces go, if any."""
    if not issues:
        return []
    count = sum(issue.quantity for issue in issues)
    calls = list(dict.fromkeys(str(issue.call_id) for issue in issues))
    pieces = f"{whose} goes" if count == 1 else f"{whose} {count} go"
    return [f"{pieces} to call{'s' * (len(calls) > 1)} {_several(calls)}"]


def _change_van(desk: _Desk, call: Call, van: Van, rule: Rule) -> str:
    """Return the one change past a rule that lets the van take the call, or ''."""
    if rule is Rule.SKILL:
        lacking = call.skills - van.skills
        changed, asked = replace(van, skills=van.skills | call.skills), call
        words = f"a driver who does {_listed(lacking)}"
    elif rule is Rule.EQUIPMENT:
        lacking = call.equipment - van.equipment
        changed, asked = replace(van, equipment=van.equipment | call.equipment), call
        words = f"{_listed(lacking)} aboard"
    elif rule is Rule.REQUIRED_VAN:
        changed, asked = van, replace(call, required_van=None)
        words = f"let van {van.id} go as well"
    else:
        missing = desk.missing(van, call)
        changed, asked = van, replace(call, needs=())  # as if the parts were aboard
        words = " and ".join(
            f"{'one' if count == 1 else count} {part_id} aboard"
            for part_id, count in missing.items()
        )
    if _blocked(desk, asked, changed) is not None:
        return ""
    return words if desk.offer(changed, asked).fits() else ""


def _moved(offer: Offer, hindered: str | None = None) -> Remedy | None:
    return find_time_remedy(offer, hindered) or find_customer_remedy(offer)


def _time_words(offer: Offer, hindered: str | None = None) -> str:
    found: Remedy | None = _moved(offer, hindered) or find_swap(offer)
    return found.words if found is not None else ""


def _impossible(alone: Offer) -> Reason:
    """Say why the van could not take the call even if it had nothing else to do."""
    day, van = alone.day, alone.van
    breach = find_breach(alone)
    if breach is None:
        return Reason(
            rule=Rule.TRAVEL, text="no drive gets there on this day", van_id=van.id
        )
    if not breach.late:
        return Reason(rule=Rule.BREAK, text=_no_meal(van, day), van_id=van.id)
    clock, late = day.clock, breach.late[0]
    must = f"the visit has to start by {clock.spoken(late.limit_s)}"
    if late.call_id is not None and van.shift.start_s > late.limit_s:
        rule = Rule.SHIFT
        text = f"the shift starts at {clock.spoken(van.shift.start_s)}, and {must}"
    elif late.call_id is not None:
        rule = Rule.TRAVEL
        text = (
            f"it is there at {clock.spoken(_up(late.at_s))} at the earliest, and {must}"
        )
    else:
        rule, since, start_s = _what_delays(alone, breach)
        text = (
            f"starting at {clock.spoken(_up(start_s))} at the earliest{since}, it "
            f"would be back at {clock.spoken(_up(late.at_s))}, after its limit "
            f"{clock.spoken(late.limit_s)}"
        )
    return Reason(rule=rule, text=text, van_id=van.id)


def _what_delays(alone: Offer, breach: Breach) -> tuple[Rule, str, int]:
    """Return what keeps a visit from starting earlier: code, promise, window, road."""
    day, call = alone.day, alone.call
    start_s = next(s.start_s for s in breach.route.stops if s.call_id is not None)
    if start_s == day.ready_s(call):
        return Rule.READY, f", when {name_ready(day, call)} is there", start_s
    if call.promise is not None and start_s == call.promise.start_s:
        return Rule.PROMISE, " as promised", start_s
    if any(start_s == window.start_s for window in call.windows):
        return Rule.WINDOW, ", when the customer is there", start_s
    return Rule.SHIFT, "", start_s


def _no_meal(van: Van, day: Day) -> str:
    if van.meal is None:  # pragma: no cover - asked only of vans with a meal
        return "no route works"
    return (
        f"the meal break of {minutes(van.meal.length_s)} between "
        f"{day.clock.spoken(van.meal.window.start_s)} and "
        f"{day.clock.spoken(van.meal.window.end_s)} has no room"
    )


def _no_room(offer: Offer) -> Reason:
    """Say where in the route the call does least harm, and what breaks there."""
    van, order = offer.van, offer.order
    breach = find_breach(offer)
    if breach is None:
        return Reason(rule=Rule.ROOM, text="no room beside its calls", van_id=van.id)
    where = _between(order, breach.place)
    hindered = breach.late[0].call_id if breach.late else None
    return Reason(
        rule=Rule.ROOM,
        text=f"no room beside its calls: closest{where}, {_harm(offer, breach)}",
        van_id=van.id,
        remedy=_time_words(offer, hindered),
    )


def _harm(offer: Offer, breach: Breach) -> str:
    if not breach.late:
        return f"but {_no_meal(offer.van, offer.day)}"
    clock, late = offer.day.clock, breach.late[0]
    at, limit = clock.spoken(_up(late.at_s)), clock.spoken(late.limit_s)
    more = len(breach.late) - 1
    rest = f", and {more} more would be late" if more else ""
    if late.call_id is None:
        return f"but the van would be back at {at}, its limit is {limit}"
    who = "it" if late.call_id == offer.call_id else f"call {late.call_id}"
    return f"but {who} would start at {at}, and has to by {limit}{rest}"


def _between(order: Sequence[str], place: int) -> str:
    if not order:
        return " as its only call"
    if place == 0:
        return f" before call {order[0]}"
    if place == len(order):
        return f" after call {order[-1]}"
    return f" between calls {order[place - 1]} and {order[place]}"


# --- words -------------------------------------------------------------------


def _span(day: Day, window: Window) -> str:
    return f"{day.clock.spoken(window.start_s)} to {day.clock.spoken(window.end_s)}"


def _up(time_s: int) -> int:
    """Return the next whole minute: what comes too late must not look in time."""
    return -(-time_s // 60) * 60


def _part(day: Day, part_id: str) -> str:
    name = part_name(day, part_id)
    return part_id if name == part_id else f"{name} ({part_id})"


def _word(code: str) -> str:
    return code.replace("_", " ")


def _listed(codes: Iterable[str]) -> str:
    return ", ".join(_word(code) for code in sorted(codes))


def _several(words: Sequence[str]) -> str:
    if len(words) <= _NAMES:
        return ", ".join(words)
    return f"{', '.join(words[:_NAMES])} and more"
