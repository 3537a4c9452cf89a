"""Who could do a call at all, and until when."""

from dataclasses import replace

from dispatch.reach import able_vans, can_fetch, latest_start_s, shared_tools
from shared.model import Store, Tool
from tests.builders import HOUR_S, SHOP, a_call, a_day, a_van, window


def test_a_shared_tool_makes_every_van_able_that_loads_at_the_shop() -> None:
    call = a_call(equipment=frozenset({"cutter", "programmer"}))
    day = a_day(
        call,
        vans=(
            a_van("V1", equipment=frozenset({"cutter"})),
            a_van("V2", equipment=frozenset({"cutter"}), loads_at_shop=False),
            a_van("V3"),
            a_van("V4", equipment=call.equipment, loads_at_shop=False),
        ),
    )
    assert [van.id for van in able_vans(day, call)] == ["V4"]
    sharing = replace(day, tools=(Tool(id="programmer"),))
    assert [van.id for van in able_vans(sharing, call)] == ["V1", "V4"]
    assert shared_tools(sharing, day.vans[0]) == {"programmer"}
    assert not shared_tools(sharing, day.vans[3])  # it has its own


def test_a_higher_level_of_a_skill_does_the_lower_one_and_not_the_other_way() -> None:
    day = a_day(
        vans=(
            a_van("V1", skills=frozenset({"pinning"})),
            a_van("V2", skills=frozenset({"pinning", "pinning 2"})),
        )
    )
    hard, plain = (a_call(skills=frozenset({s})) for s in ("pinning 2", "pinning"))
    assert [van.id for van in able_vans(day, hard)] == ["V2"]
    assert [van.id for van in able_vans(day, plain)] == ["V1", "V2"]


def test_the_last_start_depends_on_the_driver_s_pace() -> None:
    # An hour's visit in a window until 12: from 11:00, or 10:30 when it takes 1.5 h.
    call = a_call(median_s=HOUR_S, p90_s=HOUR_S, windows=(window(8, 12),))
    usual, slow = a_van("V1"), a_van("V2", pace={"*": 1.5})
    day = a_day(call, vans=(usual, slow))
    assert latest_start_s(day, call, usual) == 11 * HOUR_S
    assert latest_start_s(day, call, slow) == 10.5 * HOUR_S


def test_a_promise_ends_the_starts_unless_the_day_lets_it_break() -> None:
    call = a_call(promise=window(9, 10), windows=(window(8, 12),))
    day = a_day(call)
    assert latest_start_s(day, call, day.vans[0]) == 10 * HOUR_S
    soft = replace(day, promises_may_break=True)
    assert latest_start_s(soft, call, day.vans[0]) == 11.5 * HOUR_S
    # Never before the promise: in a window until 9 there is no way either.
    early = replace(call, windows=(window(8, 9),))
    assert latest_start_s(soft, early, day.vans[0]) is None


def test_a_visit_longer_than_the_van_may_work_has_no_start() -> None:
    call = a_call(median_s=HOUR_S, p90_s=HOUR_S)
    for limit_s, found in ((HOUR_S - 1, False), (HOUR_S, True)):
        van = a_van(work_limit_s=limit_s)
        assert (latest_start_s(a_day(call), call, van) is not None) is found


def test_a_van_stops_at_a_store_that_is_open_long_enough() -> None:
    # The van is out from 8, the counter open from 9 to 12, a stop takes 15 minutes.
    store = Store(id="EAST", place=SHOP, opening=window(9, 12), restock_s=900)
    van = a_van()
    assert can_fetch(van, store, round(9.25 * HOUR_S))
    assert not can_fetch(van, store, round(9.25 * HOUR_S) - 1)
    assert not can_fetch(a_van(shift=window(11.8, 17)), store, 17 * HOUR_S)
    assert not can_fetch(van, replace(store, restock_s=None), 17 * HOUR_S)
    always = replace(store, opening=None)
    assert can_fetch(van, always, round(8.25 * HOUR_S))
