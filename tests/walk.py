"""Invented facts: a plan is driven with noise, and what happens is noted."""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from random import Random

from dispatch.state import accept, complete, replay
from shared.errors import Conflict
from shared.facts import Doing, Fact, FactKind
from shared.model import Call, Day, Plan, Route, StopKind, Window

FORGOTTEN = 0.12  # of what drivers should say
MISHAPS = 6  # at most, in one day


@dataclass(kw_only=True)
class Walk:
    """What happened on one day.

    ``log`` holds the facts that could be true, ``refused`` the others with reasons.
    """

    day: Day
    plan: Plan
    log: tuple[Fact, ...] = ()
    refused: list[tuple[Fact, Conflict]] = field(default_factory=list)

    def hear(self, fact: Fact) -> bool:
        """Take a fact in, if it can be true."""
        told = accept(self.day, self.log, complete(fact, self.plan))
        if isinstance(told, Conflict):
            self.refused.append((fact, told))
            return False
        self.log = told
        return True


def walk(
    day: Day,
    plan: Plan,
    seed: int,
    newcomers: tuple[Call, ...] = (),
    until_s: int = 48 * 3600,
) -> Walk:
    """Return one way in which a day may go, with impossible facts tried in between."""
    dice = Random(seed)  # noqa: S311 - no secret
    told = [fact for route in plan.routes for fact in _drive(dice, route)]
    told += _mishaps(dice, day, plan, newcomers)
    seen = Walk(day=day, plan=plan)
    for number, fact in enumerate(sorted(told, key=lambda fact: fact.at_s)):
        if fact.at_s <= until_s:
            seen.hear(replace(fact, id=f"F{number}"))
    return seen


def _drive(dice: Random, route: Route) -> Iterator[Fact]:
    """Yield what a driver says who is early or late, and forgets some of it."""
    late_s = dice.randrange(-300, 1200)
    at_s = max(0, route.leave_s + late_s)
    for stop in route.stops:
        if stop.kind is StopKind.BREAK:
            at_s += stop.finish_s - stop.start_s
            continue
        who = {"van_id": route.van_id}
        where = who | {"call_id": stop.call_id, "store_id": stop.store_id}
        leave_s = at_s + dice.choice((0, 0, 300))
        there_s = leave_s + stop.drive_s * dice.choice((80, 100, 100, 150)) // 100
        start_s = max(there_s, min(stop.start_s, there_s + 3600))
        length_s = stop.finish_s - stop.start_s
        at_s = start_s + length_s * dice.choice((50, 80, 100, 130, 200)) // 100
        steps = [(FactKind.LEFT, leave_s), (FactKind.ARRIVED, there_s)]
        if stop.store_id is not None:
            steps.append((FactKind.LOADED, at_s))
        elif dice.random() < 0.08:
            at_s = there_s + 600
            steps.append((FactKind.NO_SHOW, at_s))
        else:
            steps += [(FactKind.STARTED, start_s), (FactKind.DONE, at_s)]
        for kind, moment_s in steps:
            if dice.random() >= FORGOTTEN or kind is FactKind.LEFT:
                said = (
                    where
                    if kind is not FactKind.LOADED
                    else who | {"store_id": stop.store_id}
                )
                if kind in (FactKind.STARTED, FactKind.DONE, FactKind.NO_SHOW):
                    said = who | {"call_id": stop.call_id}
                yield Fact(id="", kind=kind, at_s=moment_s, **said)
    if dice.random() < 0.7:
        yield Fact(id="", kind=FactKind.LEFT, at_s=at_s + 60, van_id=route.van_id)
        home_s = at_s + 60 + route.last_drive_s
        yield Fact(id="", kind=FactKind.ARRIVED, at_s=home_s, van_id=route.van_id)


def _mishaps(
    dice: Random, day: Day, plan: Plan, newcomers: tuple[Call, ...]
) -> Iterator[Fact]:
    """Yield what else comes in between, possible or not."""
    vans = [van.id for van in day.vans]
    calls = [call.id for call in (*day.calls, *newcomers)] + ["NOBODY"]
    parts = [*day.parts] or ["NOTHING"]
    first_s = min([route.leave_s for route in plan.routes], default=8 * 3600)
    last_s = max([route.finish_s for route in plan.routes], default=17 * 3600)

    def moment() -> int:
        return dice.randrange(max(0, first_s - 3600), last_s + 1)

    for call in newcomers:
        if dice.random() < 0.7:
            yield Fact(id="", kind=FactKind.BOOKED, at_s=moment(), call=call)
    for _ in range(dice.randrange(MISHAPS + 1)):
        kind = dice.choice([*FactKind])
        at_s = moment()
        if kind is FactKind.BOOKED:
            yield Fact(id="", kind=kind, at_s=at_s, call=dice.choice(day.calls))
            continue
        van, call_id = {"van_id": dice.choice(vans)}, {"call_id": dice.choice(calls)}
        some = {"parts": ((dice.choice(parts), dice.randrange(1, 3)),)}
        span = {"window": Window(start_s=at_s + 1800, end_s=at_s + 5400)}
        said = {
            FactKind.TOLD: call_id | span,
            FactKind.WINDOW: call_id | span,
            FactKind.CANCELLED: call_id,
            FactKind.LOADED: van | some | {"store_id": day.shop.id},
            FactKind.USED: van | some,
            FactKind.SPOILED: van | some,
            FactKind.RECEIVED: van | some,
            FactKind.LATE: van | {"late_s": 60 * dice.randrange(60)},
            FactKind.VAN_DOWN: van,
            FactKind.VAN_UP: van,
        }.get(kind, van | call_id)
        yield Fact(id="", kind=kind, at_s=at_s, **said)
        if kind is FactKind.VAN_DOWN and dice.random() < 0.5:
            yield Fact(id="", kind=FactKind.VAN_UP, at_s=at_s + 3600, **van)


def deliver(
    day: Day, log: tuple[Fact, ...], dice: Random
) -> tuple[tuple[Fact, ...], list[Fact]]:
    """Tell the facts in another order, some of them twice; what was refused, again.

    Returns what was taken in, and what never could be.
    """
    waiting = [*log, *dice.sample(log, len(log) // 3)]
    dice.shuffle(waiting)
    heard: tuple[Fact, ...] = ()
    while waiting:
        refused = []
        for fact in waiting:
            told = accept(day, heard, fact)
            if isinstance(told, Conflict):
                refused.append(fact)
            else:
                heard = told
        if len(refused) == len(waiting):
            return heard, refused
        waiting = refused
    return heard, []


def moments(walked: Walk) -> list[int]:
    """Return the seconds at which something happened."""
    return sorted({fact.at_s for fact in walked.log})


def busy(walked: Walk, now_s: int) -> bool:
    """Return whether any van is under way at a moment."""
    known = [fact for fact in walked.log if fact.at_s <= now_s]
    state = replay(walked.day, known)
    return any(
        van.doing in (Doing.DRIVING, Doing.THERE, Doing.WORKING)
        for van in state.vans.values()
    )
