"""Say why a call is on no route or late, van by van, and what would help.

First what holds whichever van goes; where that alone rules the call out, no van is
looked at. Otherwise each van gets the first rule that blocks it. What would help is
tried out on the van's route (:mod:`dispatch.remedy`), and then by planning the whole
day anew (:mod:`dispatch.conflict`), before it is proposed: it serves the call, and
every call served so far, and breaks no promise kept so far. A change that only
re-planning shows to suffice says so.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import NamedTuple

from dispatch.conflict import Replan, Trials, find_conflicts
from dispatch.desk import Desk, harden, is_able, late_ids, shortfall, take_off
from dispatch.offer import (
    FAR_S,
    Breach,
    Change,
    Late,
    Offer,
    Spot,
    find_breach,
    find_call,
    put_call,
    put_link,
    put_van,
)
from dispatch.problem import start_windows
from dispatch.reach import latest_start_s
from dispatch.remedy import (
    STEP_S,
    Remedy,
    Stretch,
    find_customer_remedy,
    find_swap,
    find_time_remedy,
    loosen,
    make_remedy,
    name_ready,
    of_customer,
    of_van,
)
from dispatch.stock import choose, part_name
from dispatch.supply import counter_name, elsewhere
from dispatch.timetable import Task
from dispatch.travel import TravelTable
from shared.model import (
    Call,
    Conflict,
    Day,
    Issue,
    Link,
    Origin,
    Plan,
    Reason,
    Rule,
    Tool,
    Unplaced,
    Van,
    Window,
)
from shared.units import minutes

CLOSE_VANS = 3  # at least so many vans are looked at closely for every call
CLOSE_LOOKS = 400  # and so many in all, where there are more vans
_NAMES = 3  # named before "and more"
_ANEW = ", with routes planned anew"


def explain(
    day: Day, travel: TravelTable, plan: Plan, replan: Replan | None = None
) -> Plan:
    """Say why calls are on no route, why promises are broken, and who is in whose way.

    Parameters
    ----------
    day : Day
        The day.
    travel : TravelTable
        Its travel table.
    plan : Plan
        Routes, issues, tools and status; spares are not looked at, for they never
        cost a call.
    replan : callable, optional
        Plans a changed day; without it, changes are tried on single routes only, and
        no conflicts are looked for.

    Returns
    -------
    Plan
        The same with ``unplaced``, ``late`` and ``conflicts``, each in the order of
        the day. With many vans, only those that pass nearest are looked at closely;
        the others' reasons say so, and carry no remedy.
    """
    trials = None if replan is None else Trials(replan)
    unplaced = _explain_unplaced(day, travel, plan, trials)
    late = _explain_late(day, travel, plan, trials)
    conflicts: tuple[Conflict, ...] = ()
    if replan is not None and unplaced and day.vans:
        left_out = [one.call_id for one in unplaced]
        placed = [call_id for route in plan.routes for call_id in route.call_ids]
        conflicts = find_conflicts(day, travel, replan, placed, left_out)
    return replace(plan, unplaced=unplaced, late=late, conflicts=conflicts)


def _explain_unplaced(
    day: Day, travel: TravelTable, plan: Plan, trials: Trials | None
) -> tuple[Unplaced, ...]:
    placed = {call_id for route in plan.routes for call_id in route.call_ids}
    left_out = [call.id for call in day.calls if call.id not in placed]
    if not left_out:
        return ()
    close = max(CLOSE_VANS, CLOSE_LOOKS // len(left_out))
    asked = harden(day, {*late_ids(plan), *left_out})
    desk = Desk(asked, travel, plan, trials)
    return tuple(
        Unplaced(call_id=call_id, reasons=_reasons(desk, call, close))
        for call_id in left_out
        if (call := find_call(desk.day, call_id)) is not None
    )


def _explain_late(
    day: Day, travel: TravelTable, plan: Plan, trials: Trials | None
) -> tuple[Unplaced, ...]:
    late = late_ids(plan)
    close = max(CLOSE_VANS, CLOSE_LOOKS // max(1, len(late)))
    found = []
    for call in day.calls:
        if call.id in late:
            kept = harden(day, late - {call.id})
            desk = Desk(kept, travel, take_off(day, plan, call.id), trials)
            reasons = _reasons(desk, call, close)
            found.append(Unplaced(call_id=call.id, reasons=reasons))
    return tuple(found)


# --- one call ------------------------------------------------------------------


class _Finding(NamedTuple):
    """A reason, and a change that might help.

    ``sure``: on the route as it is the change works; else only planning anew can tell.
    """

    reason: Reason
    remedy: Remedy | None = None
    sure: bool = True


def _reasons(desk: Desk, call: Call, close: int) -> tuple[Reason, ...]:
    near = desk.nearest(call)
    found = _general(desk, call, near[:close])
    if not found:
        looked_at = {van.id for van in near[:close]}
        found = [
            _for_van(desk, call, van, close=van.id in looked_at)
            for van in desk.day.vans
        ]
    return _settle(desk, call, found, near[:close])


def _settle(
    desk: Desk, call: Call, found: Sequence[_Finding], near: Sequence[Van]
) -> tuple[Reason, ...]:
    """Keep the changes that stand the test of planning anew; look for smaller ones."""
    trials = desk.trials
    if trials is None:
        return tuple(
            _with(one.reason, one.remedy if one.sure else None) for one in found
        )
    trials.begin()
    kept: list[_Finding] = list(found)
    if _is_overlooked(desk, call, found, near):
        first = Reason(rule=Rule.ROOM, text=_SEARCHED, remedy=_AGAIN)
        return (first, *(one.reason for one in found))
    asked: dict[tuple[str, str | None], bool | None] = {}
    for row in sorted(range(len(kept)), key=lambda row: _size(kept[row])):
        reason, remedy, sure = kept[row]
        if remedy is None:
            continue
        key = remedy.words, None if remedy.stretch is None else remedy.stretch.van_id
        if key not in asked:
            vans = [reason.van_id, *(van.id for van in near)]
            asked[key] = desk.serves(call, remedy.change, vans)
        serves = asked[key]
        if serves is False and remedy.change is _as_it_is:
            # The van has room, but not beside what other vans need.
            reason = replace(reason, text=_FULL)
        if not (serves or (serves is None and sure)):
            kept[row] = _Finding(reason)
    less = _seek_less(desk, call, kept, near)
    if less is not None:
        kept = _say_less(desk, kept, less)
    return tuple(_with(one.reason, one.remedy) for one in kept)


def _is_overlooked(
    desk: Desk, call: Call, found: Sequence[_Finding], near: Sequence[Van]
) -> bool:
    """Return whether a new plan serves the call with nothing changed at all."""
    if desk.proved or all(one.reason.rule in _UNMOVED for one in found):
        return False
    room = any(one.remedy and one.remedy.change is _as_it_is for one in found)
    if room or found[0].reason.van_id is None:
        return False  # it is known already, or known to be impossible
    return desk.serves(call, _as_it_is, [van.id for van in near]) is True


def _with(reason: Reason, remedy: Remedy | None) -> Reason:
    return reason if remedy is None else replace(reason, remedy=remedy.words)


def _size(finding: _Finding) -> tuple[int, bool]:
    remedy = finding.remedy
    return (0, False) if remedy is None else (remedy.size_s, not finding.sure)


def _as_it_is(day: Day) -> Day:
    return day


_FULL = "no room beside its calls"
_SEARCHED = "the search found no room; more rounds might"
_AGAIN = "plan again with more rounds: another plan serves it beside all others"
_UNMOVED = {Rule.SKILL, Rule.EQUIPMENT, Rule.REQUIRED_VAN}
"""Rules that no other time of the day gets around."""


def _seek_less(
    desk: Desk, call: Call, kept: Sequence[_Finding], near: Sequence[Van]
) -> Remedy | None:
    """Find a smaller move of one limit that suffices if all routes are planned anew."""
    trials = desk.trials
    remedies = [one.remedy for one in kept if one.remedy is not None]
    general = [one for one in kept if one.reason.van_id is None]
    if (
        trials is None
        or len(general) > 1
        or any(remedy.change is _as_it_is for remedy in remedies)
        or all(one.reason.rule in _UNMOVED for one in kept)
        or (general and general[0].reason.rule not in _MOVED)
    ):
        return None
    moves = [remedy.size_s for remedy in remedies if remedy.size_s > 0]
    most_s = min(moves) - STEP_S if moves else FAR_S
    groups = [of_customer(desk.day, call), *(of_van(van) for van in near)]
    if most_s < STEP_S:
        return None
    every = loosen([s for some in groups for s in some], most_s)
    if not desk.serves(call, every, [van.id for van in near]):
        return None
    best: Remedy | None = None
    for group in groups:
        vans = [group[0].van_id if group else None, *(van.id for van in near)]
        if len(group) > 1 and not desk.serves(call, loosen(group, most_s), vans):
            continue
        for stretch in group:
            found = _halve(desk, call, stretch, most_s, vans)
            if found is not None:
                best = found
                most_s = found.size_s - STEP_S
    return best


def _halve(
    desk: Desk,
    call: Call,
    stretch: Stretch,
    most_s: int,
    vans: Sequence[str | None],
) -> Remedy | None:
    """Return the smallest move of a limit that a new plan shows to suffice."""
    enough, too_little = min(most_s, stretch.most_s) // STEP_S, 0
    if enough < 1 or not desk.serves(call, stretch.by(enough * STEP_S), vans):
        return None
    while enough - too_little > 1:
        middle = (enough + too_little) // 2
        if desk.serves(call, stretch.by(middle * STEP_S), vans):
            enough = middle
        else:
            too_little = middle
    return make_remedy(stretch, desk.day.clock, enough * STEP_S)


def _say_less(desk: Desk, kept: Sequence[_Finding], less: Remedy) -> list[_Finding]:
    """Put a smaller change in the place of a larger one of its kind, or first."""
    said = less._replace(words=less.words + _ANEW)
    van_id = None if less.stretch is None else less.stretch.van_id
    if kept[0].reason.van_id is None:
        return [kept[0]._replace(remedy=said)]
    for row, one in enumerate(kept):
        timed = one.reason.rule not in _UNMOVED | {Rule.STOCK, Rule.TOOL}
        if len(kept) == 1 or (one.reason.van_id == van_id and timed):
            return [*kept[:row], one._replace(remedy=said), *kept[row + 1 :]]
    if van_id is not None:
        said = said._replace(words=f"van {van_id}: {said.words}")
    text = "no room beside the calls planned"
    if not desk.proved:
        text = "no room found beside the calls planned"
    return [_Finding(Reason(rule=Rule.ROOM, text=text), said), *kept]


# --- whichever van goes ------------------------------------------------------

_MOVED = {Rule.WINDOW, Rule.PROMISE, Rule.READY}
"""Rules that another time of the day gets around."""


def _general(desk: Desk, call: Call, near: Sequence[Van]) -> list[_Finding]:
    day = desk.day
    out = [van for van in day.vans if day.date not in van.off]
    if not out and call.barred is None:
        return [_Finding(Reason(rule=Rule.ROOM, text="no van is out on this day"))]
    bar = day.bar(call)
    if bar is not None:  # nothing else is worth looking at before
        return [_Finding(Reason(rule=bar.rule, text=bar.text, remedy=bar.remedy))]
    lent = frozenset(tool.id for tool in day.tools)
    found = [
        reason
        for reason in (
            _other_date(day, call),
            _no_moment(desk, call, _able(desk, call) or [None]),
            _not_ready(desk, call),
            _nowhere(desk, call),
            _nobody(
                Rule.SKILL,
                call.skills,
                [van.skills for van in out],
                "driver does",
            ),
            _nobody(
                Rule.EQUIPMENT,
                call.equipment,
                [lent, *(van.equipment for van in out)],
                "van carries",
            ),
            _no_such_van(call, out),
            _not_led(desk, call),
        )
        if reason is not None
    ]
    if len(found) != 1 or found[0].rule is Rule.LINK:
        return [_Finding(reason) for reason in found]  # no single change helps
    return [_general_remedy(desk, call, near, found[0])]


def _able(desk: Desk, call: Call) -> list[Van]:
    return [van for van in desk.day.vans if is_able(desk.day, van, call)]


def _other_date(day: Day, call: Call) -> Reason | None:
    if not call.dates or day.date in call.dates:
        return None
    dates = " or ".join(map(str, call.dates))
    return Reason(rule=Rule.WINDOW, text=f"it may be done on {dates} only")


def _no_moment(desk: Desk, call: Call, vans: Sequence[Van | None]) -> Reason | None:
    """Say that the visit is too long for the customer's time, whoever drives."""
    day = desk.day
    promised = replace(call, ready=())
    free = replace(promised, promise=None)
    if any(start_windows(day, promised, van) for van in vans):
        return None
    length = minutes(min(day.planned_s(call, van) for van in vans))
    there = ", ".join(_span(day, window) for window in call.windows)
    promise = call.promise
    if promise is None or not any(start_windows(day, free, van) for van in vans):
        return Reason(
            rule=Rule.WINDOW,
            text=f"a visit of {length} does not fit {there}, the customer's time",
        )
    told = f"from {day.clock.spoken(promise.start_s)} on"  # where it may be late
    if promise.end_s < FAR_S:
        told = _span(day, promise)
    return Reason(
        rule=Rule.PROMISE,
        text=(
            f"a visit of {length} that starts as promised, {told}, is not over while "
            f"the customer is there: {there}"
        ),
    )


def _not_ready(desk: Desk, call: Call) -> Reason | None:
    day = desk.day
    ready_s = day.ready_s(call)
    if ready_s is None:
        return None
    at_once = replace(call, ready=())
    vans = _able(desk, call)
    starts = [_latest_start_s(day, at_once, van) for van in vans]
    latest_s = max((start for start in starts if start is not None), default=None)
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


def _latest_start_s(day: Day, call: Call, van: Van) -> int | None:
    length_s = day.planned_s(call, van)
    return latest_start_s(day, replace(call, median_s=length_s, p90_s=length_s), van)


def _nowhere(desk: Desk, call: Call) -> Reason | None:
    day, total = desk.day, desk.firm()
    for counter in day.counters:
        if counter.restock_s is not None:
            total.update(counter.stock)
    if not call.needs or choose(day, call.needs, total) is not None:
        return None
    short = shortfall(day, call, total)
    wanted = {part_id: count + total[part_id] for part_id, count in short.items()}
    return Reason(
        rule=Rule.STOCK,
        text="; ".join(_lack_in_firm(day, call, wanted, desk.firm())),
    )


def _lack_in_firm(
    day: Day, call: Call, wanted: dict[str, int], firm: Counter[str]
) -> Iterable[str]:
    for part_id, count in wanted.items():
        words = f"nobody has {_part(day, part_id)}"
        if firm[part_id]:
            words = f"the firm has {firm[part_id]} of {count} {_part(day, part_id)}"
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
    have = frozenset[str]().union(*there)
    if wanted <= have:
        return None
    return Reason(rule=rule, text=f"no {who} {_lacking(wanted, have)}")


def _no_such_van(call: Call, out: Sequence[Van]) -> Reason | None:
    if call.required_van is None or any(van.id == call.required_van for van in out):
        return None
    return Reason(
        rule=Rule.REQUIRED_VAN,
        text=f"only van {call.required_van} may go, and it is not out on this day",
    )


def _not_led(desk: Desk, call: Call) -> Reason | None:
    for link in desk.day.links:
        if link.then == call.id and link.first not in desk.stops:
            text = f"call {link.first} must be served first and is not"
            return Reason(rule=Rule.LINK, text=text)
    return None


def _general_remedy(
    desk: Desk, call: Call, near: Sequence[Van], reason: Reason
) -> _Finding:
    """Find the smallest change that lets one of the nearest vans take the call."""
    if reason.rule in _MOVED:
        found = [
            remedy
            for van in near
            if _blocked(desk, call, van) is None
            and (remedy := _moved(desk.offer(van, call))) is not None
        ]
        best = min(found, key=lambda remedy: remedy.size_s, default=None)
        return _Finding(reason, best)
    if reason.rule is Rule.STOCK:
        # The van that lacks no more than the firm does comes first.
        near = sorted(near, key=lambda van: sum(desk.parts(van, call)[0].values()))
    tried = [_change_van(desk, call, van, reason) for van in near]
    sure = (one for one in tried if one.remedy is not None and one.sure)
    hoped = (one for one in tried if one.remedy is not None)
    return next(sure, next(hoped, _Finding(reason)))


# --- one van -----------------------------------------------------------------


def _for_van(desk: Desk, call: Call, van: Van, *, close: bool) -> _Finding:
    reason = _blocked(desk, call, van)
    if reason is not None:
        return _change_van(desk, call, van, reason) if close else _Finding(reason)
    offer = desk.offer(van, call)
    no_moment = _no_moment(desk, call, [van])
    if no_moment is not None:
        reason = replace(no_moment, van_id=van.id)
        return _Finding(reason, _time(offer) if close else None)
    working = offer.working() if close or not offer.order else []
    if working:
        where = _between(desk, offer.order, working[0])
        words = f"van {van.id} could take it{where}: plan again with more rounds"
        return _Finding(
            Reason(
                rule=Rule.ROOM,
                text=_SEARCHED,
                van_id=van.id,
            ),
            Remedy(0, words, _as_it_is),
        )
    alone = offer.alone()
    if not alone.fits():
        return _Finding(_impossible(desk, alone), _time(offer) if close else None)
    if close:
        return _no_room(desk, offer)
    count = sum(task.call_id is not None for task in offer.order)
    return _Finding(
        Reason(
            rule=Rule.ROOM,
            text=(
                f"alone it would fit, but the van has {count} calls; "
                "only the nearest vans were looked at more closely"
            ),
            van_id=van.id,
        )
    )


def _blocked(desk: Desk, call: Call, van: Van) -> Reason | None:
    """Return the first rule that blocks the van before the clock is looked at."""
    gear = _gear(desk, call, van)
    bond = _bond(desk, call, van)
    if desk.day.date in van.off:
        rule, text = Rule.SHIFT, "it is off that day"
    elif not call.skills <= van.skills:
        lacking = _lacking(call.skills, van.skills)
        rule, text = Rule.SKILL, f"the driver does not do {lacking}"
    elif gear is not None and gear.rule is Rule.EQUIPMENT:
        return gear
    elif call.required_van not in (None, van.id):
        rule, text = Rule.REQUIRED_VAN, f"only van {call.required_van} may go"
    elif bond is not None:
        _, other, other_van = bond
        rule = Rule.LINK
        text = f"it goes with call {other}, and that is on van {other_van}"
    elif gear is not None:
        return gear
    else:
        missing, _ = desk.parts(van, call)
        if not missing:
            return None
        lacks = (_lack_words(desk, van, *lack) for lack in missing.items())
        rule, text = Rule.STOCK, "; ".join(lacks)
    return Reason(rule=rule, text=text, van_id=van.id)


def _bond(desk: Desk, call: Call, van: Van) -> tuple[Link, str, str] | None:
    """Return the link that ties the call to another van, with call and van."""
    for link in desk.day.links:
        if link.same_van and call.id in (link.first, link.then):
            other = link.first if call.id == link.then else link.then
            if other in desk.stops and desk.stops[other][0] != van.id:
                return link, other, desk.stops[other][0]
    return None


def _gear(desk: Desk, call: Call, van: Van) -> Reason | None:
    gear = desk.gear(van, call)
    if gear.ways:
        return None
    rule = Rule.EQUIPMENT if gear.lacking else Rule.TOOL
    words = [*_gear_words(desk.day, gear.lacking)]
    if not words:
        words = [_out_words(desk, tool) for tool in gear.out]
    return Reason(rule=rule, text="; ".join(words) or _TWO_STOPS, van_id=van.id)


_TWO_STOPS = "its shared tools are there only before and after one stop at the shop"


def _out_words(desk: Desk, tool: Tool) -> str:
    vans = [f"van {use.van_id}" for use in desk.tools if use.tool_id == tool.id]
    one = tool.quantity == 1
    whose = "the shop's only one goes" if one else f"the shop's {tool.quantity} go"
    return f"{_word(tool.id)} is out ({whose} with {_several(vans)})"


def _gear_words(day: Day, equipment: Iterable[str]) -> Iterable[str]:
    lent = {tool.id for tool in day.tools}
    for item in equipment:
        carriers = [f"van {van.id}" for van in day.vans if item in van.equipment]
        carry = "carries" if len(carriers) == 1 else "carry"
        where = [f"{_several(carriers)} {carry} one"] if carriers else []
        if item in lent:
            where.append("the shop lends one, but this van does not load there")
        yield f"{_word(item)} is not aboard ({', '.join(where)})"


def _lack_words(desk: Desk, van: Van, part_id: str, count: int) -> str:
    """Say that a van lacks a part, and where its pieces are."""
    day, left = desk.day, desk.left
    part = _part(day, part_id)
    words = f"{part} is missing" if count == 1 else f"{count} {part} are missing"
    issues = [issue for issue in desk.issues if issue.part_id == part_id]
    own = [i for i in issues if i.van_id == van.id and i.origin is Origin.ABOARD]
    shop = [i for i in issues if _from_shop(day, i)]
    in_shop = left.stores[day.shop.id][part_id]
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


def _from_shop(day: Day, issue: Issue) -> bool:
    fetched = issue.origin is Origin.RESTOCK and issue.store_id == day.shop.id
    return issue.origin is Origin.SHOP or fetched


def _gone(whose: str, issues: Sequence[Issue]) -> list[str]:
    """Return to which calls pieces go, if any."""
    if not issues:
        return []
    count = sum(issue.quantity for issue in issues)
    calls = list(dict.fromkeys(str(issue.call_id) for issue in issues))
    pieces = f"{whose} goes" if count == 1 else f"{whose} {count} go"
    return [f"{pieces} to call{'s' * (len(calls) > 1)} {_several(calls)}"]


def _change_van(desk: Desk, call: Call, van: Van, reason: Reason) -> _Finding:
    """Find the one change past a rule that lets the van take the call."""
    words, change = _past(desk, call, van, reason.rule)
    then = desk.after(change)
    asked = find_call(then.day, call.id)
    changed = then.van(van.id)
    if asked is None or _blocked(then, asked, changed) is not None:
        return _Finding(reason)
    return _Finding(
        reason, Remedy(0, words, change), sure=then.offer(changed, asked).fits()
    )


def _past(desk: Desk, call: Call, van: Van, rule: Rule) -> tuple[str, Change]:
    """Return the change past a rule that has nothing to do with the clock."""
    if rule is Rule.SKILL:
        skilled = replace(van, skills=van.skills | call.skills)
        words = f"a driver who does {_skilled(call.skills - van.skills)}"
        return words, lambda day: put_van(day, skilled)
    if rule is Rule.EQUIPMENT:
        equipped = replace(van, equipment=van.equipment | call.equipment)
        words = f"{_listed(call.equipment - van.equipment)} aboard"
        return words, lambda day: put_van(day, equipped)
    if rule is Rule.REQUIRED_VAN:
        anyone = replace(call, required_van=None)
        words = f"let van {van.id} go as well"
        return words, lambda day: put_call(day, anyone)
    if rule is Rule.LINK and (bond := _bond(desk, call, van)) is not None:
        link, other, _ = bond
        loose = replace(link, same_van=False)
        words = f"let another van serve it than call {other}"
        return words, lambda day: put_link(day, link, loose)
    if rule is Rule.TOOL:
        out = {tool.id for tool in desk.gear(van, call).out}
        words = f"one more {_listed(out)} in the shop"
        return words, lambda day: _lend_more(day, out)
    missing, _ = desk.parts(van, call)
    stocked = replace(van, stock=Counter(van.stock) + Counter(missing))
    words = " and ".join(
        f"{'one' if count == 1 else count} {part_id} aboard"
        for part_id, count in missing.items()
    )
    return words, lambda day: put_van(day, stocked)


def _lend_more(day: Day, tool_ids: set[str]) -> Day:
    tools = (
        replace(tool, quantity=tool.quantity + 1) if tool.id in tool_ids else tool
        for tool in day.tools
    )
    return replace(day, tools=tuple(tools))


def _moved(offer: Offer, hindered: str | None = None) -> Remedy | None:
    return find_time_remedy(offer, hindered) or find_customer_remedy(offer)


def _time(offer: Offer, hindered: str | None = None) -> Remedy | None:
    return _moved(offer, hindered) or find_swap(offer)


def _impossible(desk: Desk, alone: Offer) -> Reason:
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
    if late.rule is Rule.WINDOW and van.shift.start_s > late.limit_s:
        rule = Rule.SHIFT
        text = f"the shift starts at {clock.spoken(van.shift.start_s)}, and {must}"
    elif late.rule is Rule.WINDOW:
        rule = Rule.TRAVEL
        text = (
            f"it is there at {clock.spoken(_up(late.at_s))} at the earliest, and {must}"
        )
    elif late.rule is Rule.SHIFT:
        rule, since, start_s = _what_delays(alone, breach)
        text = (
            f"starting at {clock.spoken(_up(start_s))} at the earliest{since}, it "
            f"would be back at {clock.spoken(_up(late.at_s))}, after its limit "
            f"{clock.spoken(late.limit_s)}"
        )
    else:
        rule = _RULES[late.rule]
        text = f"with nothing else to do, {_late_words(desk, alone, late)}"
    return Reason(rule=rule, text=text, van_id=van.id)


_RULES = {
    Rule.WINDOW: Rule.ROOM,
    Rule.SHIFT: Rule.ROOM,
    Rule.RESTOCK: Rule.RESTOCK,
    Rule.TOOL: Rule.TOOL,
    Rule.LINK: Rule.LINK,
    Rule.TRAVEL: Rule.LIMIT,
    Rule.LIMIT: Rule.LIMIT,
}
"""What comes too late, and which rule that breaks beside a van's other calls."""


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


def _no_room(desk: Desk, offer: Offer) -> _Finding:
    """Say where in the route the call does least harm, and what breaks there."""
    van, order = offer.van, offer.order
    breach = find_breach(offer)
    if breach is None:
        return _Finding(Reason(rule=Rule.ROOM, text=_FULL, van_id=van.id))
    where = _between(desk, order, breach.spot)
    harm, rule, hindered = _no_meal(van, offer.day), Rule.ROOM, None
    if breach.late:
        late = breach.late[0]
        harm, rule = _late_words(desk, offer, late), _RULES[late.rule]
        if late.rule is Rule.WINDOW:
            hindered = late.what
            more = len(breach.late) - 1
            harm += f", and {more} more would be late" if more else ""
    return _Finding(
        Reason(rule=rule, text=f"{_FULL}: closest{where}, but {harm}", van_id=van.id),
        _time(offer, hindered),
    )


def _late_words(desk: Desk, offer: Offer, late: Late) -> str:
    clock = offer.day.clock
    at, limit = clock.spoken(_up(late.at_s)), clock.spoken(late.limit_s)
    who = "it" if late.what == offer.call_id else f"call {late.what}"
    if late.rule is Rule.WINDOW:
        return f"{who} would start at {at}, and has to by {limit}"
    if late.rule is Rule.SHIFT:
        return f"the van would be back at {at}, its limit is {limit}"
    if late.rule is Rule.LINK:
        ends = f"from call {late.what} to call {late.other}"
        return f"the gap {ends} cannot be kept ({at}, and {limit} is the latest)"
    if late.rule is Rule.RESTOCK:
        store = _store_name(desk.day, late.what)
        return f"the stop at {store} would be over at {at}, and it shuts at {limit}"
    if late.rule is Rule.TOOL:
        return f"a shared tool would be handed over at {at}, and has to by {limit}"
    does = "be at the wheel for" if late.rule is Rule.TRAVEL else "work"
    at, limit = minutes(late.at_s), minutes(late.limit_s)
    return f"the driver would {does} {at}, the limit is {limit}"


def _store_name(day: Day, store_id: str) -> str:
    return "the shop" if store_id == day.shop.id else counter_name(day, store_id)


def _between(desk: Desk, order: Sequence[Task], spot: Spot) -> str:
    before = [_task_name(desk.day, task) for task in order[: spot.place]]
    after = [_task_name(desk.day, task) for task in order[spot.place :]]
    if not order:
        words = " as its only call"
    elif not before:
        words = f" before {after[0]}"
    elif not after:
        words = f" after {before[-1]}"
    elif before[-1].startswith(_CALL) and after[0].startswith(_CALL):
        words = f" between calls {before[-1][5:]} and {after[0][5:]}"
    else:
        words = f" between {before[-1]} and {after[0]}"
    if spot.via is not None:
        words += f" by way of {_store_name(desk.day, spot.via)}"
    return words


_CALL = "call "


def _task_name(day: Day, task: Task) -> str:
    if task.store_id is not None:
        return f"the stop at {_store_name(day, task.store_id)}"
    return f"{_CALL}{task.call_id}"


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


def _lacking(wanted: frozenset[str], have: frozenset[str]) -> str:
    """Name what is wanted beyond what there is, and of a skill at which level."""
    best = _levels(have)
    return ", ".join(
        _skilled([f"{word} {level}"])
        + (f" (level {best[word]} at most)" if word in best else "")
        for word, level in sorted(_levels(wanted - have).items())
    )


def _skilled(codes: Iterable[str]) -> str:
    """Name skills, each at the highest level asked for."""
    return ", ".join(
        _word(word) + (f" at level {level}" if level > 1 else "")
        for word, level in sorted(_levels(codes).items())
    )


def _levels(codes: Iterable[str]) -> dict[str, int]:
    levels: dict[str, int] = {}
    for code in codes:
        word, level = _level(code)
        levels[word] = max(level, levels.get(word, 0))
    return levels


def _level(code: str) -> tuple[str, int]:
    word, _, level = code.rpartition(" ")
    return (word, int(level)) if word and level.isdecimal() else (code, 1)


def _several(words: Sequence[str]) -> str:
    if len(words) <= _NAMES:
        return ", ".join(words)
    return f"{', '.join(words[:_NAMES])} and more"
