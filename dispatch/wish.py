"""A plan that keeps a wished share of its promises, and what that wish costs.

The day is planned without a price for lateness first. Where that plan falls short, it
is planned again with lateness priced ever higher (:mod:`dispatch.search.risk`), each
time from the plan before. The search knows a few sampled futures only and suits its
plan to them; so how much of a plan is kept is measured on other ones
(:mod:`dispatch.chance`), and of all plans that keep enough the cheapest is taken.
"""

from collections.abc import Callable
from dataclasses import replace

from dispatch.chance import Spreads, draw, foretell
from dispatch.planner import Budget, Written, finish, plan_day
from dispatch.travel import TravelTable, travel_table
from shared.model import Day, Kept, Plan, Purpose, Risk, Wish

FUTURES = 64  # that the search knows; measured: 32 cost half a percent more
OTHER_SEEDS = 1 << 32  # the search's futures are never those that measure
BROKEN_S = 3600  # a broken promise costs as much as an hour's delay; measured
PRICES = (
    400,
    1_000,
    2_500,
    6_000,
    15_000,
    40_000,
    100_000,
)  # cents an hour; own choice


def keep_promises(
    day: Day,
    percent: int,
    spreads: Spreads,
    budget: Budget | None = None,
    travel: TravelTable | None = None,
) -> tuple[Plan, Wish]:
    """Plan one day so that a share of the promises is kept.

    Parameters
    ----------
    day : Day
        The day.
    percent : int
        1 to 99: of all planned calls that were promised or have hours, so many in a
        hundred are to be kept on the average.
    spreads : Spreads
        How lengths and traffic vary.
    budget : Budget, optional
        How long to search each time, and whom to tell; a time budget is shared out.
    travel : TravelTable, optional
        Its travel table, worked out from the day if not given.

    Returns
    -------
    tuple of Plan and Wish
        Where no plan keeps enough, the one that keeps most. None leaves out more calls
        or breaks more promises knowingly than without the wish. The same day, seed and
        rounds give the same plan.

    Raises
    ------
    InvalidInput
        When the travel table lacks something.
    Defect
        When the judge refuses a plan.
    """
    budget = budget or Budget()
    travel = travel or travel_table(day)
    plain = plan_day(day, _turn(budget, 0), travel)
    tried = [(plain, foretell(day, plain, spreads, budget.seed))]
    for number, hour_cents in enumerate(PRICES, 1):
        plan, kept = tried[-1]
        if 100 * kept.kept >= percent or budget.stop():
            break
        risk = sample_risk(day, spreads, hour_cents, OTHER_SEEDS + budget.seed)
        quick = replace(_turn(budget, number), reasons=False)
        start = [replace(route, parts_units=0) for route in plan.routes]
        plan = plan_day(day, quick, travel, start, risk)
        tried.append((plan, foretell(day, plan, spreads, budget.seed)))
    plan, kept = min(tried, key=lambda one: _rank(percent, *one))
    if plan is not plain:
        issues = tuple(i for i in plan.issues if i.purpose is not Purpose.SPARE)
        bare = Written(plan.routes, issues, plan.tools, plan.status)
        plan = finish(day, travel, bare, budget)
    return plan, _wish_of(percent, tried[0], (plan, kept))


def _turn(budget: Budget, number: int) -> Budget:
    """Return the budget of one search of several."""
    spent = budget.spent
    if spent is None:
        return budget
    return replace(budget, spent=_share(spent, number, 1 + len(PRICES)))


def _share(spent: Callable[[], float], number: int, turns: int) -> Callable[[], float]:
    # A search that was done early leaves its time to nobody.
    begun = [0.0] if number == 0 else []

    def share() -> float:
        if not begun:
            begun.append(spent())
        return (spent() - begun[0]) * turns

    return share


def _rank(percent: int, plan: Plan, kept: Kept) -> tuple[bool, float, float]:
    """Return what plans are chosen by, the smallest."""
    short = 100 * kept.kept < percent
    return short, -kept.kept if short else 0.0, plan.cost_units


def sample_risk(day: Day, spreads: Spreads, hour_cents: int, seed: int) -> Risk:
    """Return futures for the search to price lateness by.

    Parameters
    ----------
    day : Day
        The day.
    spreads : Spreads
        How lengths and traffic vary.
    hour_cents : int
        Price of an hour's delay in one future.
    seed : int
        Same seed, same futures.

    Returns
    -------
    Risk
        All vans find the same roads in one future: to the search they are alike.
    """
    sample = draw(day, spreads, FUTURES, seed)
    lengths_s = zip(day.calls, sample.duration_s.tolist(), strict=True)
    paces = sample.pace_permille[:1].ravel().tolist()
    return Risk(
        hour_cents=hour_cents,
        broken_s=BROKEN_S,
        lengths_s={call.id: tuple(some_s) for call, some_s in lengths_s},
        pace_permille=tuple(paces),
    )


def _wish_of(percent: int, plain: tuple[Plan, Kept], chosen: tuple[Plan, Kept]) -> Wish:
    plan, kept = chosen
    drive_s, plain_s = (
        sum(route.drive_s for route in some.routes) for some in (plan, plain[0])
    )
    reached = 100 * kept.kept >= percent
    return Wish(
        percent=percent,
        kept=kept.kept,
        plain_kept=plain[1].kept,
        drive_s=drive_s - plain_s,
        cost_units=plan.cost_units - plain[0].cost_units,
        short=()
        if reached
        else tuple(
            stop.call_id
            for stop in kept.stops
            if stop.kept is not None and 100 * stop.kept < percent
        ),
    )
