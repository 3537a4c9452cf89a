"""The rest of a day planned anew: what stands moves only for something worth more."""

from dataclasses import replace

import pytest

from dispatch.difference import Change, ChangeKind, Ring, differ, who_to_ring
from dispatch.generator import ALL, Feature, generate_day
from dispatch.planner import Budget, plan_day
from dispatch.reshuffle import reshuffle
from dispatch.rest import Rest, in_force, rest_of
from dispatch.rules import judge
from dispatch.state import replay
from shared.facts import Fact, FactKind
from shared.model import Call, Day, Plan, Store, Tool
from shared.units import UNITS_PER_CENT
from tests.builders import HOUR_S, SHOP, a_call, a_day, a_part, a_van, at, need, window

BRIEF = Budget(rounds=200, replans=False)
EIGHT = 8 * HOUR_S


def a_fact(kind: FactKind, at_h: float, **changes: object) -> Fact:
    return Fact(id=f"{kind}{at_h}", kind=kind, at_s=round(at_h * HOUR_S), **changes)


def anew(day: Day, plan: Plan, *facts: Fact, at_h: float = 8) -> tuple[Rest, Plan]:
    """Return the rest of a day at that hour, and its plan."""
    rest = rest_of(day, plan, replay(day, facts), round(at_h * HOUR_S))
    return rest, reshuffle(rest, BRIEF)


def starts(plan: Plan) -> dict[str, tuple[str, int]]:
    """Return van and start of each call."""
    return {
        stop.call_id: (route.van_id, stop.start_s)
        for route in plan.routes
        for stop in route.stops
        if stop.call_id is not None
    }


def the_change(day: Day, plan: Plan, call_id: str, *facts: Fact) -> Change:
    """Return what becomes of one call."""
    rest, after = anew(day, plan, *facts)
    changes = differ(rest, plan, after, facts).changes
    (change,) = [one for one in changes if one.call_id == call_id]
    return change


def two_vans(*calls: Call, **changes: object) -> Day:
    """Return a day of two vans."""
    vans = (a_van("V1"), a_van("V2"))
    return a_day(*calls, vans=vans, **changes)


# --- what moves, and what does not ----------------------------------------------


@pytest.mark.parametrize("features", [frozenset[Feature](), ALL - {Feature.TOOLS}])
def test_without_news_no_visit_moves(features: frozenset[Feature]) -> None:
    for seed in range(8):
        day = replace(
            generate_day(seed, 7, 2, features=features), promises_may_break=True
        )
        plan = plan_day(day, BRIEF)
        if not plan.routes:
            continue
        dawn_h = min(van.shift.start_s for van in day.vans) / HOUR_S - 0.25
        rest, after = anew(day, plan, at_h=dawn_h)
        assert differ(rest, plan, after).changes == ()
        assert [route.call_ids for route in after.routes] == [
            route.call_ids for route in plan.routes
        ]


def test_a_plan_of_the_rest_made_twice_is_the_same() -> None:
    day = two_vans(*(a_call(f"C{n}", place=at(n, n % 3)) for n in range(5)))
    plan = plan_day(day, BRIEF)
    late = a_fact(FactKind.LATE, 8, van_id="V1", late_s=1800)
    rest, once = anew(day, plan, late)
    state = replay(day, (late,))
    again = rest_of(day, in_force(rest, once), state, rest.now_s)
    assert starts(reshuffle(again, BRIEF)) == starts(once)


def test_a_broken_promise_counts_more_than_any_driving_and_any_change() -> None:
    # C1 is promised 8:00 to 10:00 and V1, at its door, is three hours late. V2, 45 km
    # away, is there in time: 90 km and the price of another van keep the promise.
    far = a_van("V2", start=at(45, 0), finish=at(45, 0))
    call = a_call("C1", promise=window(8, 10))
    day = a_day(call, vans=(a_van("V1"), far))
    plan = plan_day(day, BRIEF)
    assert starts(plan)["C1"] == ("V1", EIGHT)
    late = a_fact(FactKind.LATE, 8, van_id="V1", late_s=3 * HOUR_S)
    _, after = anew(day, plan, late)
    assert starts(after)["C1"][0] == "V2"
    assert after.late == ()


@pytest.mark.parametrize(("told_cents", "moves"), [(2100, True), (2300, False)])
def test_a_call_told_a_time_moves_only_when_that_saves_more_than_it_costs(
    told_cents: int,
    moves: bool,  # noqa: FBT001 - said or not
) -> None:
    # Told 9:00 to 9:15, and the van is free at 8:00: waiting costs an hour, 30.00.
    # Moving it costs 8.00 and told_cents: 29.00, or 31.00.
    call = a_call("C1", preference=window(9, 9.5))
    day = a_day(call, preference_cents=9000)
    plan = plan_day(day, BRIEF)
    assert starts(plan)["C1"] == ("V1", 9 * HOUR_S)
    told = a_fact(FactKind.TOLD, 7.5, call_id="C1", window=window(9, 9.25))
    prices = replace(day.change, time_cents=800, told_cents=told_cents)
    changed = replace(day, calls=(replace(call, preference=None),), change=prices)
    _, after = anew(changed, plan, told, at_h=7.6)
    assert (starts(after)["C1"][1] == EIGHT) == moves
    price = sum(route.change_units for route in after.routes)
    assert price == (800 + told_cents) * UNITS_PER_CENT * moves


def test_every_reshuffled_plan_is_judged() -> None:
    for seed in range(6):
        day = replace(generate_day(seed, 8, 3), promises_may_break=True)
        plan = plan_day(day, BRIEF)
        if not plan.routes:
            continue
        noon_h = plan.routes[0].leave_s / HOUR_S
        down = a_fact(FactKind.VAN_DOWN, noon_h, van_id=plan.routes[0].van_id)
        rest, after = anew(day, plan, down, at_h=noon_h)
        assert judge(rest.day, rest.travel, after) == ()
        assert plan.routes[0].van_id not in {route.van_id for route in after.routes}


# --- what has changed, and why ----------------------------------------------------


A_DAY = two_vans(
    a_call("C1", place=at(2, 0), required_van="V1"),
    a_call("C2", place=at(4, 0), required_van="V1"),
    a_call("C3", place=at(0, 9), required_van="V2"),
)
A_PLAN = plan_day(A_DAY, BRIEF)


def test_a_late_van_makes_its_calls_later_and_says_so() -> None:
    late = a_fact(FactKind.LATE, 8, van_id="V1", late_s=2400)
    first, *_ = starts(A_PLAN)
    change = the_change(A_DAY, A_PLAN, first, late)
    assert change.kind is ChangeKind.LATER
    assert change.reason == "van V1 is running 40 min late"
    assert not change.ring  # told nothing, promised nothing


def test_a_cancelled_call_is_dropped_and_nobody_is_rung() -> None:
    change = the_change(
        A_DAY, A_PLAN, "C2", a_fact(FactKind.CANCELLED, 8, call_id="C2")
    )
    assert (change.kind, change.to_van) == (ChangeKind.DROPPED, None)
    assert change.reason == "the customer has cancelled"
    assert not change.ring


def test_a_call_whose_van_is_out_and_that_no_other_may_serve_is_dropped() -> None:
    down = a_fact(FactKind.VAN_DOWN, 8, van_id="V1")
    change = the_change(A_DAY, A_PLAN, "C1", down)
    assert change.kind is ChangeKind.DROPPED
    assert change.reason.startswith("van V1 is out for the day; ")
    assert change.ring


def test_a_booked_call_is_added_with_the_time_at_which_it_came_in() -> None:
    booked = a_fact(FactKind.BOOKED, 8, call=a_call("C9", place=at(1, 1)))
    change = the_change(A_DAY, A_PLAN, "C9", booked)
    assert (change.kind, change.from_s) == (ChangeKind.ADDED, None)
    assert change.reason == "it came in at 08:00"


def test_a_spoiled_part_drops_the_call_that_needed_it() -> None:
    call = a_call("C1", needs=(need("FOB"),))
    van = a_van("V1", stock={"FOB": 1}, loads_at_shop=False)
    day = a_day(call, a_call("C2"), vans=(van,), parts=(a_part("FOB"),))
    plan = plan_day(day, BRIEF)
    spoiled = a_fact(FactKind.SPOILED, 7.9, van_id="V1", parts=(("FOB", 1),))
    change = the_change(day, plan, "C1", spoiled)
    assert change.kind is ChangeKind.DROPPED
    assert change.reason.startswith("FOB was spoiled aboard V1; ")


def test_a_new_promise_is_the_reason_of_the_move_it_asks_for() -> None:
    news = a_fact(FactKind.WINDOW, 8, call_id="C1", window=window(14, 15))
    change = the_change(A_DAY, A_PLAN, "C1", news)
    assert change.kind is ChangeKind.LATER
    assert change.reason == "its promise is now 14:00 to 15:00"


# --- whom to ring -------------------------------------------------------------------


def rung(day: Day, plan: Plan, *facts: Fact) -> tuple[Ring, ...]:
    rest, after = anew(day, plan, *facts)
    return who_to_ring(rest, differ(rest, plan, after, facts), day.calls)


def test_only_who_was_told_another_time_is_rung_and_the_first_one_first() -> None:
    calls = [
        a_call(f"C{n}", place=at(2 * n, 0), customer=f"Customer {n}", phone=f"+0 {n}")
        for n in (1, 2, 3)
    ]
    day = a_day(*calls)
    plan = plan_day(day, BRIEF)
    order = sorted(starts(plan), key=lambda call_id: starts(plan)[call_id][1])
    told = [
        replace(
            a_fact(FactKind.TOLD, 7, call_id=call_id),
            id=f"told {call_id}",
            window=replace(window(8, 9), start_s=start_s, end_s=start_s + 600),
        )
        for call_id, (_, start_s) in starts(plan).items()
        if call_id != order[1]
    ]
    late = a_fact(FactKind.LATE, 7.9, van_id="V1", late_s=2 * HOUR_S)
    rings = rung(day, plan, *told, late)
    assert [ring.call_id for ring in rings] == [order[0], order[2]]
    first = rings[0]
    assert first.phone == f"+0 {order[0][1]}"
    assert first.window is not None
    assert "later than planned" in first.message
    assert f"Customer {order[0][1]}" in first.message
    assert rung(day, plan, *told) == ()  # no news: nobody


def test_within_the_tolerance_nobody_is_rung() -> None:
    day = a_day(a_call("C1"))
    plan = plan_day(day, BRIEF)
    told = a_fact(FactKind.TOLD, 7, call_id="C1", window=window(8, 8))
    for late_s, many in ((600, 0), (660, 1)):
        late = a_fact(FactKind.LATE, 8, van_id="V1", late_s=late_s)
        assert len(rung(day, plan, told, late)) == many


def test_who_gets_nobody_is_told_so_and_asked_first_whether_there_is_danger() -> None:
    invented = generate_day(1, 1, 1)
    day = replace(
        A_DAY,
        kinds=invented.kinds,
        cautions=invented.cautions,
        shop=Store(id="shop", place=SHOP),
    )
    rings = rung(day, A_PLAN, a_fact(FactKind.VAN_DOWN, 8, van_id="V1"))
    assert {ring.call_id for ring in rings} == {"C1", "C2"}
    for ring in rings:
        assert ring.window is None
        assert [caution.emergency for caution in ring.first] == [True]
        assert ring.message.index("emergency number") < ring.message.index("sorry")


def test_a_call_that_stands_gives_way_where_its_shared_tool_is_gone() -> None:
    asking = a_call("C1", equipment=frozenset({"cutter"}))
    day = a_day(asking, a_call("C2"), tools=(Tool(id="cutter", quantity=1),))
    plan = plan_day(day, BRIEF)
    assert starts(plan).keys() == {"C1", "C2"}
    rest = rest_of(day, plan, replay(day, ()), EIGHT)
    gone = replace(rest, day=replace(rest.day, tools=()))  # it has broken
    after = reshuffle(gone, BRIEF)
    assert judge(gone.day, gone.travel, after) == ()
    assert starts(after).keys() == {"C2"}


@pytest.mark.parametrize(("priority", "when"), [(1, "soon"), (2, "later")])
def test_an_urgent_caller_is_not_kept_waiting_to_spare_a_drive(
    priority: int, when: str
) -> None:
    # C1 is promised for 10, 20 km north, C2 for 13, 20 km south; E is next to C2.
    # Between them, about noon, E costs nothing more; at once, before C1, it costs
    # 40 km, 20.00 or a little more for bends. But who rang at 8 would wait four hours,
    # and one of them alone costs 60.00.
    day = a_day(
        a_call("C1", place=at(north=20), promise=window(10, 11)),
        a_call("C2", place=at(north=-20), promise=window(13, 15)),
    )
    call = a_call("E", place=at(north=-20.1), priority=priority)
    came = a_fact(FactKind.BOOKED, 8, call=call)
    _, after = anew(day, plan_day(day, BRIEF), came)
    assert (starts(after)["E"][1] < 9 * HOUR_S) is (when == "soon")
