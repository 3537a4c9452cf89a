"""A shared tool that changes hands: who brings it, who collects it, and when."""

from dataclasses import replace

from dispatch.handover import Handover, arrange, arrange_travel, find_handovers
from dispatch.planner import Budget, plan_day
from dispatch.travel import travel_table
from shared.model import Call, Day, Plan, StopKind, Store, Tool
from tests.builders import SHOP, a_call, a_day, a_van, at, window

CUTTER = frozenset({"cutter"})


def two_vans(*calls: Call, quantity: int = 1, handover: bool = True) -> Day:
    """Return a day of two vans and one cutter that lies in the shop."""
    day = a_day(
        *calls,
        vans=(a_van("V1"), a_van("V2")),
        tools=(Tool(id="cutter", quantity=quantity, handover=handover),),
    )
    return replace(day, shop=Store(id="shop", place=SHOP, restock_s=600))


def morning_and_noon() -> tuple[Call, Call]:
    """Return two calls for the cutter that one van alone cannot both serve.

    They are 40 km apart and start within a quarter of an hour of each other: V1 must
    go to the one, V2 to the other, and the cutter is needed at both.
    """
    return (
        a_call("A", place=at(north=2), equipment=CUTTER, promise=window(9, 9.25)),
        a_call(
            "B",
            place=at(north=-2),
            equipment=CUTTER,
            promise=window(10.5, 11),
            required_van="V2",
        ),
    )


def pinned(*, handover: bool = True) -> Plan:
    """Return the plan of a day in which A is V1's and B is V2's."""
    first, second = morning_and_noon()
    day = two_vans(replace(first, required_van="V1"), second, handover=handover)
    return plan_day(day, Budget(rounds=300))


def test_a_tool_that_stays_with_one_van_serves_one_of_two_calls() -> None:
    plan = pinned(handover=False)
    assert len(plan.unplaced) == 1
    assert [(use.collected, use.returned) for use in plan.tools] == [(False, False)]


def test_a_tool_that_changes_hands_serves_both() -> None:
    plan = pinned()
    assert plan.unplaced == ()
    uses = {use.van_id: (use.collected, use.returned) for use in plan.tools}
    assert uses == {"V1": (False, True), "V2": (True, False)}


def test_it_is_brought_back_after_the_one_call_and_collected_before_the_other() -> None:
    plan = pinned()
    stops = {route.van_id: [stop.kind for stop in route.stops] for route in plan.routes}
    assert stops == {
        "V1": [StopKind.CALL, StopKind.RESTOCK],
        "V2": [StopKind.RESTOCK, StopKind.CALL],
    }
    brought, collected = (
        next(stop for stop in route.stops if stop.kind is StopKind.RESTOCK)
        for route in plan.routes
    )
    assert brought.finish_s <= collected.start_s


def test_a_second_tool_makes_handing_over_needless() -> None:
    first, second = morning_and_noon()
    day = two_vans(replace(first, required_van="V1"), second, quantity=2)
    plan = plan_day(day, Budget(rounds=300))
    assert plan.unplaced == ()
    assert not any(use.collected or use.returned for use in plan.tools)


def test_handing_over_is_proposed_both_ways_round_for_a_call_that_waits_for_it() -> (
    None
):
    first, second = morning_and_noon()
    day = two_vans(replace(first, required_van="V1"), second)
    alone = plan_day(two_vans(replace(first, required_van="V1")), Budget(rounds=10))
    assert list(find_handovers(day, alone.routes)) == [
        Handover("cutter", "V1", "V2", frozenset({"A"}), frozenset({"B"})),
        Handover("cutter", "V2", "V1", frozenset({"B"}), frozenset({"A"})),
    ]


def test_nothing_is_proposed_where_no_van_stops_at_the_shop_on_its_way() -> None:
    first, second = morning_and_noon()
    day = two_vans(replace(first, required_van="V1"), second)
    alone = plan_day(two_vans(replace(first, required_van="V1")), Budget(rounds=10))
    closed = replace(day, shop=replace(day.shop, restock_s=None))
    assert list(find_handovers(closed, alone.routes)) == []


def test_the_rearranged_day_has_two_visits_at_the_shop_and_its_drives() -> None:
    first, second = morning_and_noon()
    day = two_vans(first, second)
    swap = Handover("cutter", "V1", "V2", frozenset({"A"}), frozenset({"B"}))
    asked, travel = arrange(day, swap), travel_table(day)
    table = arrange_travel(travel, len(day.calls), swap)
    assert [call.id for call in asked.calls] == [
        "A",
        "B",
        swap.bring_id,
        swap.collect_id,
    ]
    assert [call.required_van for call in asked.calls] == ["V1", "V2", "V1", "V2"]
    assert asked.tools == ()
    rows = [table.keys[f"call:{call.id}"] for call in asked.calls]
    assert rows == [0, 1, 2, 3]
    shop = table.keys["shop"]
    assert table.base_s[2].tolist() == table.base_s[shop].tolist()
    assert table.distance_m[:, 3].tolist() == table.distance_m[:, shop].tolist()
