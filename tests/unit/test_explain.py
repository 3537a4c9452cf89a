"""Every unplaced call says why, and what is proposed really helps."""

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations, permutations, product

import pytest

from dispatch.conflict import (
    PER_CALL,
    PER_DAY,
    Replan,
    Replanned,
    find_conflicts,
)
from dispatch.explain import CLOSE_VANS, explain
from dispatch.generator import generate_day
from dispatch.offer import Offer, find_breach, make_offer, restrict
from dispatch.planner import plan_day
from dispatch.remedy import (
    STEP_S,
    find_customer_remedy,
    find_swap,
    find_time_remedy,
    of_customer,
    of_van,
    stretches,
)
from dispatch.stock import give_out, leave_over
from dispatch.timetable import Task, lay_out
from dispatch.travel import TravelTable, travel_table
from shared.model import (
    Break,
    Call,
    Conflict,
    Day,
    Issue,
    Link,
    Origin,
    Plan,
    Proof,
    ReadyItem,
    ReadyKind,
    Reason,
    Rule,
    Status,
    Store,
    Tool,
    ToolUse,
    TravelRules,
    Unplaced,
    Van,
)
from tests.builders import HOUR_S, SHOP, a_call, a_day, a_part, a_van, need, window

NORTH = replace(SHOP, name="Kiln Road")

BEST_FOUND = Status(proof=Proof.BEST_FOUND)

Assignment = Mapping[str, Sequence[str]]


def explained(
    day: Day,
    assignment: Assignment | None = None,
    chosen: Mapping[tuple[str, int], str] | None = None,
    replan: Replan | None = None,
) -> tuple[Unplaced, ...]:
    """Explain a plan of van ids to call ids, written out and with its parts."""
    assignment = assignment or {}
    travel = travel_table(day)
    vans = {van.id: van for van in day.vans}
    routes = [lay_out(day, travel, vans[van], ids) for van, ids in assignment.items()]
    assert None not in routes, "the plan the test starts from does not work"
    issues = give_out(day, assignment, chosen)
    assert issues is not None, "the plan the test starts from lacks parts"
    made = tuple(route for route in routes if route is not None)
    plan = Plan(routes=made, issues=issues, unplaced=(), status=BEST_FOUND)
    return explain(day, travel, plan, replan).unplaced


def reasons(day: Day, assignment: Assignment | None = None) -> tuple[Reason, ...]:
    """Return the reasons of the day's only unplaced call."""
    (unplaced,) = explained(day, assignment)
    return unplaced.reasons


def only(day: Day, assignment: Assignment | None = None) -> tuple[Rule, str, str]:
    """Return rule, text and remedy of the only reason of the only unplaced call."""
    (reason,) = reasons(day, assignment)
    return reason.rule, reason.text, reason.remedy


def by_van(day: Day, assignment: Assignment | None = None) -> dict[str | None, Reason]:
    """Return the reasons of the day's only unplaced call by van."""
    return {reason.van_id: reason for reason in reasons(day, assignment)}


def drives(*legs: tuple[str, str, float]) -> TravelRules:
    """Return a table of drives in hours, both ways, 0 where none is named."""
    nodes = {"start:V1", "finish:V1", "call:C1", "call:C2"}
    matrix = {(a, b): (0, 0) for a in nodes for b in nodes if a != b}
    for one, other, hours in legs:
        for pair in ((one, other), (other, one)):
            matrix[pair] = (round(hours * HOUR_S), 1000)
    return TravelRules(matrix=matrix)


def code(lead_h: float) -> tuple[ReadyItem, ...]:
    """Return a code that is so long in coming, asked for at 18:00 the day before."""
    return (ReadyItem(kind=ReadyKind.CODE, lead_time_s=round(lead_h * HOUR_S)),)


# --- which calls -------------------------------------------------------------


def test_every_call_on_no_route_is_explained_in_the_order_of_the_day() -> None:
    day = a_day(
        *(
            a_call(f"C{n}", skills=frozenset({"x"}) if n % 2 else frozenset())
            for n in range(1, 6)
        )
    )

    found = explained(day, {"V1": ("C4", "C2")})

    assert [unplaced.call_id for unplaced in found] == ["C1", "C3", "C5"]
    assert all(unplaced.reasons for unplaced in found)


def test_a_plan_that_leaves_nothing_out_has_nothing_to_explain() -> None:
    assert explained(a_day(a_call()), {"V1": ("C1",)}) == ()


def test_a_day_without_vans_says_so() -> None:
    assert only(a_day(a_call(), vans=())) == (
        Rule.ROOM,
        "no van is out on this day",
        "",
    )


# --- whichever van goes ------------------------------------------------------


def test_a_skill_that_nobody_has_is_said_once_for_all_vans() -> None:
    day = a_day(
        a_call(skills=frozenset({"safe_opening", "lockout"})),
        vans=(a_van("V1", skills=frozenset({"lockout"})), a_van("V2")),
    )

    (reason,) = reasons(day)

    assert reason.van_id is None
    assert reason.rule is Rule.SKILL
    assert reason.text == "no driver does safe opening"
    # V1 knows the rest and has all day; V2 would have to learn both.
    assert reason.remedy == "a driver who does safe opening"


def test_equipment_that_no_van_carries_is_said_once_for_all_vans() -> None:
    assert only(a_day(a_call(equipment=frozenset({"safe_rig"})))) == (
        Rule.EQUIPMENT,
        "no van carries safe rig",
        "safe rig aboard",
    )


def test_a_required_van_that_is_not_out_is_named() -> None:
    assert only(a_day(a_call(required_van="V9"))) == (
        Rule.REQUIRED_VAN,
        "only van V9 may go, and it is not out on this day",
        "let van V1 go as well",
    )


def test_where_two_things_are_missing_everywhere_no_single_change_is_proposed() -> None:
    day = a_day(a_call(skills=frozenset({"x"}), equipment=frozenset({"y"})))

    assert [(r.rule, r.van_id, r.remedy) for r in reasons(day)] == [
        (Rule.SKILL, None, ""),
        (Rule.EQUIPMENT, None, ""),
    ]


def test_a_window_shorter_than_the_visit_says_how_long_both_are() -> None:
    # 30 min do not go into 10:00 to 10:15; from 10:00 it takes until 10:30.
    assert only(a_day(a_call(windows=(window(10, 10.25),)))) == (
        Rule.WINDOW,
        "a visit of 30 min does not fit 10:00 to 10:15, the customer's time",
        "customer there until 10:30 instead of 10:15",
    )


def test_a_promise_too_close_to_the_end_of_the_window_is_the_promises_fault() -> None:
    # Starting at 10:00 it is over at 10:30, ten minutes after the customer leaves.
    call = a_call(windows=(window(8, 10 + 1 / 3),), promise=window(10, 10.25))

    assert only(a_day(call)) == (
        Rule.PROMISE,
        (
            "a visit of 30 min that starts as promised, 10:00 to 10:15, is not over "
            "while the customer is there: 08:00 to 10:20"
        ),
        "promise from 09:50 instead of 10:00",
    )


def test_a_code_that_comes_too_late_says_when_it_would_be_needed() -> None:
    # 18:00 and 20 h are 14:00; the promise ends two hours before that.
    assert only(a_day(a_call(ready=code(20), promise=window(10, 12)))) == (
        Rule.READY,
        "the code cannot be there before 14:00; the visit has to start by 12:00",
        "promise until 14:00 instead of 12:00",
    )


def test_a_code_that_comes_after_every_shift_is_too_late_without_any_promise() -> None:
    # 18:00 and 23 h are 17:00; half an hour's work has to begin by 16:30.
    assert only(a_day(a_call(ready=code(23)))) == (
        Rule.READY,
        "the code cannot be there before 17:00; the visit has to start by 16:30",
        "the code there by 16:30 instead of 17:00",
    )


def test_when_promise_and_window_both_end_too_early_the_customer_is_asked_once() -> (
    None
):
    # Ready at 14:00. Promise until 12:00, there until 12:30: both two hours later,
    # or the code two hours sooner, which asks for one thing only.
    call = a_call(ready=code(20), promise=window(10, 12), windows=(window(9, 12.5),))
    day = a_day(call)
    offer = make_offer(day, travel_table(day), day.vans[0], (), call)

    together = find_customer_remedy(offer)

    assert only(day)[2] == "the code there by 12:00 instead of 14:00"
    assert together is not None
    assert together.words == (
        "promise until 14:00 instead of 12:00, "
        "customer there until 14:30 instead of 12:30"
    )
    assert offer.after(together.change).fits()


def test_a_part_nobody_has_is_named_with_the_counter_that_has_it() -> None:
    day = a_day(
        a_call(needs=(need("FOB-31"),)),
        parts=(a_part("FOB-31", name="Fob, two buttons"),),
        counters=(Store(id="north", place=NORTH, stock={"FOB-31": 2}),),
    )

    assert only(day) == (
        Rule.STOCK,
        "nobody has Fob, two buttons (FOB-31) (2 at Kiln Road)",
        "one FOB-31 aboard",
    )


def test_a_part_of_which_the_firm_has_too_few_says_how_many() -> None:
    day = a_day(
        a_call(needs=(need("BLANK", quantity=3),)), parts=(a_part(),), shop={"BLANK": 1}
    )

    assert only(day) == (
        Rule.STOCK,
        "the firm has 1 of 3 BLANK (no counter has any)",
        "2 BLANK aboard",
    )


# --- one van -----------------------------------------------------------------


def test_each_van_gets_the_first_rule_that_blocks_it() -> None:
    call = a_call(
        skills=frozenset({"safes"}),
        equipment=frozenset({"rig"}),
        needs=(need("BLANK"),),
        required_van="V4",
    )
    safes, rig = frozenset({"safes"}), frozenset({"rig"})
    day = a_day(
        call,
        vans=(
            a_van("V1"),
            a_van("V2", skills=safes),
            a_van("V3", skills=safes, equipment=rig, stock={"BLANK": 1}),
            a_van("V4", skills=safes, equipment=rig, loads_at_shop=False),
        ),
        parts=(a_part(),),
        shop={"BLANK": 1},
    )

    found = by_van(day)

    assert [(van, r.rule) for van, r in found.items()] == [
        ("V1", Rule.SKILL),
        ("V2", Rule.EQUIPMENT),
        ("V3", Rule.REQUIRED_VAN),
        ("V4", Rule.STOCK),
    ]
    assert found["V1"].text == "the driver does not do safes"
    assert found["V1"].remedy == ""  # it lacks the rig as well
    assert found["V2"].text == "rig is not aboard (van V3, van V4 carry one)"
    assert found["V3"].remedy == "let van V3 go as well"
    assert found["V4"].text == (
        "BLANK is missing (1 in van V3, the shop has 1, "
        "but this van does not load there)"
    )
    assert found["V4"].remedy == "one BLANK aboard"


def test_a_skill_is_proposed_only_where_the_van_has_room_for_the_call() -> None:
    # V1's only hour is taken; V2 is free.
    day = a_day(
        a_call("C1", median_s=HOUR_S, p90_s=HOUR_S),
        a_call("C2", skills=frozenset({"safes"})),
        vans=(
            a_van("V1", shift=window(8, 9)),
            a_van("V2"),
            a_van("V3", shift=window(8, 8.25), skills=frozenset({"safes"})),
        ),
    )

    found = by_van(day, {"V1": ("C1",)})

    assert found["V1"].remedy == ""
    assert found["V2"].remedy == "a driver who does safes"


def test_the_shops_last_piece_names_the_call_it_goes_to() -> None:
    day = a_day(
        a_call("C1", needs=(need("BLANK"),)),
        a_call("C2", needs=(need("BLANK"),)),
        vans=(a_van("V1"), a_van("V2")),
        parts=(a_part(),),
        shop={"BLANK": 1},
    )

    found = by_van(day, {"V2": ("C1",)})

    assert found["V1"].rule is Rule.STOCK
    assert found["V1"].text == "BLANK is missing (the shop's last goes to call C1)"
    assert found["V1"].remedy == "one BLANK aboard"


def test_a_vans_own_calls_may_switch_to_a_substitute_to_free_a_part() -> None:
    # The one NEW goes to C1, which would take OLD as well: parts are no obstacle.
    day = a_day(
        a_call("C1", needs=(need("NEW", "OLD"),)),
        a_call("C2", needs=(need("NEW"),)),
        vans=(a_van(stock={"NEW": 1, "OLD": 1}),),
        parts=(a_part("NEW"), a_part("OLD")),
    )

    (reason,) = reasons(day, {"V1": ("C1",)})

    assert reason.rule is Rule.ROOM
    assert reason.text == "the search found no room; more rounds might"


def test_a_van_that_could_take_the_call_after_all_is_named_with_the_place() -> None:
    day = a_day(
        a_call("C1", promise=window(8, 8)),
        a_call("C2"),
        a_call("C3", promise=window(9, 9)),
    )

    assert only(day, {"V1": ("C1", "C3")}) == (
        Rule.ROOM,
        "the search found no room; more rounds might",
        "van V1 could take it between calls C1 and C3: plan again with more rounds",
    )


def test_a_van_without_a_route_could_take_it_as_its_only_call() -> None:
    assert only(a_day(a_call()))[2] == (
        "van V1 could take it as its only call: plan again with more rounds"
    )


# --- one van, with nothing else to do ----------------------------------------


def test_a_place_too_far_away_says_when_the_van_would_be_there() -> None:
    # 08:00 and three hours' drive are 11:00.
    day = a_day(
        a_call("C1", promise=window(9, 10.5)),
        a_call("C2"),
        travel=drives(("start:V1", "call:C1", 3)),
    )

    assert only(day, {"V1": ("C2",)})[0] is Rule.ROOM  # by way of C2 it is no distance
    day = replace(day, calls=day.calls[:1])
    assert only(day) == (
        Rule.TRAVEL,
        "it is there at 11:00 at the earliest, and the visit has to start by 10:30",
        "promise until 11:00 instead of 10:30",
    )


def test_a_shift_that_begins_too_late_is_the_shifts_fault() -> None:
    # An hour either way; the customer is asked before the driver.
    assert only(a_day(a_call(promise=window(6, 7)))) == (
        Rule.SHIFT,
        "the shift starts at 08:00, and the visit has to start by 07:00",
        "promise until 08:00 instead of 07:00",
    )


def test_a_shift_is_begun_earlier_where_the_customer_cannot_wait() -> None:
    # There from 6:30 to 7:30 and promised by 7:00: only a start at 7:00 is left.
    call = a_call(promise=window(6, 7), windows=(window(6.5, 7.5),))

    assert only(a_day(call))[2] == "shift from 07:00 instead of 08:00"


def test_a_promise_that_ends_past_the_shift_says_when_the_van_would_be_back() -> None:
    # 16:45 and half an hour are 17:15.
    call = a_call(promise=window(16.75, 18))

    assert only(a_day(call)) == (
        Rule.PROMISE,
        (
            "starting at 16:45 at the earliest as promised, it would be back at 17:15, "
            "after its limit 17:00"
        ),
        "promise from 16:30 instead of 16:45",
    )


def test_a_customer_who_is_there_too_late_costs_overtime() -> None:
    # There from 16:45, so that even a promise cannot be earlier: 15 min overtime,
    # as much as a customer who comes home earlier: the customer is asked first.
    call = a_call(windows=(window(16.75, 20),))
    day = a_day(call)

    rule, text, remedy = only(day)

    assert rule is Rule.WINDOW
    assert text.startswith("starting at 16:45 at the earliest, when the customer is")
    assert remedy == "customer there from 16:30 instead of 16:45"


def test_a_code_and_a_long_way_home_are_the_codes_fault() -> None:
    # Code at 16:00, half an hour's work, an hour's drive: back at 17:30.
    day = a_day(
        a_call("C1", ready=code(22)),
        travel=drives(("finish:V1", "call:C1", 1)),
    )

    assert only(day) == (
        Rule.READY,
        (
            "starting at 16:00 at the earliest, when the code is there, it would be "
            "back at 17:30, after its limit 17:00"
        ),
        "the code there by 15:30 instead of 16:00",
    )


def test_a_drive_that_is_too_long_for_the_shift_is_the_shifts_fault() -> None:
    # Five hours there, half an hour's work, five hours back: 18:30.
    day = a_day(
        a_call("C1"),
        travel=drives(("start:V1", "call:C1", 5), ("finish:V1", "call:C1", 5)),
    )

    assert only(day) == (
        Rule.SHIFT,
        (
            "starting at 13:00 at the earliest, it would be back at 18:30, after its "
            "limit 17:00"
        ),
        "finish 18:30 instead of 17:00 (1 h 30 overtime more)",
    )


def test_a_meal_break_without_room_is_named() -> None:
    # The visit takes 12:00 to 12:30, the break needs all of 12:00 to 13:00.
    meal = Break(window=window(12, 13), length_s=HOUR_S)
    day = a_day(a_call(promise=window(12, 12)), vans=(a_van(meal=meal),))

    assert only(day) == (
        Rule.BREAK,
        "the meal break of 1 h 00 between 12:00 and 13:00 has no room",
        "promise from 11:30 instead of 12:00",
    )


# --- room --------------------------------------------------------------------


def hours(count: float) -> dict[str, int]:
    """Return the length of a visit of so many hours."""
    return {"median_s": round(count * HOUR_S), "p90_s": round(count * HOUR_S)}


def test_a_full_van_says_how_much_overtime_the_call_would_take() -> None:
    # Half an hour and an hour from 8:00 are 9:30. Shift from 7:30 is as much, but
    # comes after.
    day = a_day(
        a_call("C1"), a_call("C2", **hours(1)), vans=(a_van(shift=window(8, 9)),)
    )

    assert only(day, {"V1": ("C1",)}) == (
        Rule.ROOM,
        (
            "no room beside its calls: closest before call C1, but the van would be "
            "back at 09:30, its limit is 09:00"
        ),
        "finish 09:30 instead of 09:00 (30 min overtime more)",
    )


def test_where_hours_are_missing_a_call_that_is_no_more_important_gives_way() -> None:
    # Three hours and three in a shift of three: no overtime of two hours does.
    first, second = a_call("C1", **hours(3)), a_call("C2", **hours(3))
    vans = (a_van(shift=window(8, 11)),)

    assert only(a_day(first, second, vans=vans), {"V1": ("C1",)})[2] == (
        "move call C1 to another day"
    )
    urgent = replace(first, priority=1)
    assert only(a_day(urgent, second, vans=vans), {"V1": ("C1",)})[2] == ""


def test_two_times_of_a_customer_that_grow_together_become_one() -> None:
    # C1 is done at 8:20, C2 takes until 9:35. There from 8:00 to 8:40 and from 8:50 to
    # 9:50: a quarter of an hour closes the gap; alone, neither would be long enough.
    day = a_day(
        a_call("C1", promise=window(8, 8), median_s=1200, p90_s=1200),
        a_call(
            "C2",
            windows=(window(8, 8 + 2 / 3), window(8 + 5 / 6, 9 + 5 / 6)),
            **hours(1.25),
        ),
    )

    assert (
        only(day, {"V1": ("C1",)})[2] == "customer there until 08:55 instead of 08:40"
    )


def test_the_promise_of_the_call_in_the_way_may_be_the_smallest_change() -> None:
    # C2 first makes C1 start at 8:30, 15 min late; after C1 it is itself 20 min late.
    day = a_day(
        a_call("C1", promise=window(8, 8.25)),
        a_call("C2", promise=window(8, 8 + 1 / 6)),
    )

    assert only(day, {"V1": ("C1",)}) == (
        Rule.ROOM,
        (
            "no room beside its calls: closest before call C1, but call C1 would start "
            "at 08:30, and has to by 08:15"
        ),
        "promise of call C1 until 08:30 instead of 08:15",
    )


def test_what_is_seconds_too_late_is_not_shown_as_in_time() -> None:
    # 30 min and 10 s from 8:00: C2 would start at 08:30:10 and has to by 08:30:00.
    day = a_day(
        a_call("C1", promise=window(8, 8), median_s=1810, p90_s=1810),
        a_call("C2", promise=window(8, 8.5), priority=3),
    )

    _, text, remedy = only(day, {"V1": ("C1",)})

    assert text.endswith("it would start at 08:31, and has to by 08:30")
    assert remedy == "promise until 08:35 instead of 08:30"


def test_of_many_vans_only_the_nearest_are_looked_at_closely() -> None:
    # 200 calls for 6 vans with an hour each: 400 close looks are two per call, and
    # at least three are given.
    vans = tuple(a_van(f"V{n}", shift=window(8, 9)) for n in range(6))
    calls = tuple(a_call(f"C{n}", **hours(1)) for n in range(206))
    day = a_day(*calls, vans=vans)

    found = explained(day, {f"V{n}": (f"C{n}",) for n in range(6)})

    assert len(found) == 200
    for unplaced in found:
        assert [reason.van_id for reason in unplaced.reasons] == [v.id for v in vans]
        brief = [r for r in unplaced.reasons if "only the nearest" in r.text]
        assert len(brief) == len(vans) - CLOSE_VANS
        assert all(r.rule is Rule.ROOM and not r.remedy for r in brief)


# --- generated days ----------------------------------------------------------


def greedy(day: Day) -> dict[str, list[str]]:
    """Put each call on the first van and place that works: a plan, not a good one."""
    travel = travel_table(day)
    plan: dict[str, list[str]] = {}
    for call in day.calls:
        tries = (
            (van, [*order[:place], call.id, *order[place:]])
            for van in day.vans
            if call.skills <= van.skills
            and call.equipment <= van.equipment
            and call.required_van in (None, van.id)
            for order in [plan.get(van.id, [])]
            for place in range(len(order) + 1)
        )
        for van, order in tries:
            works = lay_out(day, travel, van, order) is not None
            if works and give_out(day, plan | {van.id: order}) is not None:
                plan[van.id] = order
                break
    return plan


def offers(day: Day) -> list[Offer]:
    """Hold each call that greed leaves out to each able van; only what fits nowhere."""
    travel, plan = travel_table(day), greedy(day)
    placed = {call_id for order in plan.values() for call_id in order}
    held = [
        make_offer(day, travel, van, [Task(i) for i in plan.get(van.id, [])], call)
        for call in day.calls
        if call.id not in placed
        for van in day.vans
    ]
    return [offer for offer in held if not offer.fits()]


def fits(day: Day, offer: Offer) -> bool:
    """Return whether the van can take the call on the whole of a changed day."""
    van = next(van for van in day.vans if van.id == offer.van_id)
    there = {call.id for call in day.calls}
    order = [t.call_id for t in offer.order if t.call_id in there]
    orders = [[*order[:n], offer.call_id, *order[n:]] for n in range(len(order) + 1)]
    return any(
        lay_out(day, offer.travel, van, [i for i in ids if i]) is not None
        for ids in orders
    )


@pytest.mark.parametrize("seed", range(30))
def test_a_change_on_the_clock_helps_and_five_minutes_less_does_not(seed: int) -> None:
    day = generate_day(seed, 9, 2, tightness=1.0)
    for offer in offers(day):
        breach = find_breach(offer)
        late = breach.late[0] if breach and breach.late else None
        hindered = late.what if late and late.rule is Rule.WINDOW else None
        remedy = find_time_remedy(offer, hindered)
        moves = [s for group in stretches(offer, hindered) for s in group]
        if remedy is None:
            assert not any(offer.after(s.by(s.most_s)).fits() for s in moves)
            continue
        assert fits(remedy.change(day), offer)
        assert remedy.size_s % STEP_S == 0
        less_s = remedy.size_s - STEP_S
        for stretch in moves:
            if 0 < less_s <= stretch.most_s:
                assert not offer.after(stretch.by(less_s)).fits(), stretch.what


@pytest.mark.parametrize("seed", range(30))
def test_a_call_that_gives_way_makes_room_and_is_no_more_important(seed: int) -> None:
    day = generate_day(seed, 9, 2, tightness=1.0)
    calls = {call.id: call for call in day.calls}
    for offer in offers(day):
        swap = find_swap(offer)
        if swap is None:
            continue
        after = swap.change(day)
        (gone,) = set(calls) - {call.id for call in after.calls}
        assert calls[gone].priority >= offer.call.priority
        assert fits(after, offer)


@pytest.mark.parametrize("seed", range(30))
def test_every_unplaced_call_has_either_general_reasons_or_one_for_each_van(
    seed: int,
) -> None:
    day = generate_day(seed, 12, 3, tightness=1.0)
    for unplaced in explained(day, greedy(day)):
        vans = [reason.van_id for reason in unplaced.reasons]
        assert vans
        assert set(vans) == {None} or vans == [van.id for van in day.vans]
        assert all(reason.text for reason in unplaced.reasons)


def can_take(day: Day, plan: Assignment, van: Van, call: Call) -> bool:
    """Return, the long way round, whether a van could take a call just now.

    The other vans keep their pieces; this one's calls may take any alternatives.
    """
    if not (
        call.skills <= van.skills
        and call.equipment <= van.equipment
        and call.required_van in (None, van.id)
    ):
        return False
    travel = travel_table(day)
    order = list(plan.get(van.id, ()))
    orders = [[*order[:p], call.id, *order[p:]] for p in range(len(order) + 1)]
    if all(lay_out(day, travel, van, order) is None for order in orders):
        return False
    left = leave_over(day, give_out(day, plan) or ())
    own = leave_over(day, give_out(day, {van.id: order}) or ())
    aboard = leave_over(day).vans[van.id]
    back = leave_over(day).shop - own.shop if van.loads_at_shop else Counter()
    alone = replace(
        day,
        vans=(replace(van, stock=dict(aboard)),),
        shop=replace(day.shop, stock=dict(left.shop + back)),
    )
    calls = {c.id: c for c in day.calls}
    needs = [(i, n) for i in orders[0] for n in range(len(calls[i].needs))]
    choices = product(*(calls[i].needs[n].alternatives for i, n in needs))
    return any(
        give_out(alone, {van.id: orders[0]}, dict(zip(needs, picks, strict=True)))
        is not None
        for picks in choices
    )


@pytest.mark.parametrize("seed", range(20))
def test_a_van_is_refused_just_when_it_really_could_not_take_the_call(
    seed: int,
) -> None:
    day = generate_day(seed, 8, 2, tightness=0.9)
    plan = greedy(day)
    calls = {call.id: call for call in day.calls}
    vans = {van.id: van for van in day.vans}
    for unplaced in explained(day, plan):
        call = calls[unplaced.call_id]
        for reason in unplaced.reasons:
            if reason.van_id is None:
                assert not any(can_take(day, plan, van, call) for van in day.vans)
            else:
                refused = reason.text != "the search found no room; more rounds might"
                able = can_take(day, plan, vans[reason.van_id], call)
                assert able is not refused


def test_a_code_that_comes_at_the_last_moment_is_not_too_late() -> None:
    # 18:00 and 18 h are 12:00, when the promise ends.
    assert only(a_day(a_call(ready=code(18), promise=window(10, 12))))[1] == (
        "the search found no room; more rounds might"
    )


def test_a_van_without_calls_is_never_dismissed_as_too_far_to_look_at() -> None:
    # As many calls as make three close looks each; V5 is last in line, and free.
    vans = tuple(a_van(f"V{n}", shift=window(8, 9)) for n in range(6))
    calls = tuple(a_call(f"C{n}", **hours(1)) for n in range(205))

    found = explained(a_day(*calls, vans=vans), {f"V{n}": (f"C{n}",) for n in range(5)})

    assert len(found) == 200
    assert all("V5 could take it" in u.reasons[5].remedy for u in found)


# --- planned anew ------------------------------------------------------------


def asked(answers: Sequence[Replanned]) -> tuple[Replan, list[Day]]:
    """Return a planner that gives these answers, the last one over and over."""
    days: list[Day] = []

    def replan(day: Day) -> Replanned:
        days.append(day)
        return answers[min(len(days), len(answers)) - 1]

    return replan, days


SERVED = Replanned(left_out=frozenset(), proved=True)
REFUSED = Replanned(left_out=frozenset({"C2"}), proved=True)
UNKNOWN = Replanned(left_out=frozenset({"C2"}), proved=False)


def exactly(day: Day) -> Replanned:
    """Plan a small day by trying every order on every van."""
    travel = travel_table(day)
    for count in range(len(day.calls), 0, -1):
        for chosen in combinations([call.id for call in day.calls], count):
            for vans in product([van.id for van in day.vans], repeat=count):
                if _works(day, travel, list(zip(chosen, vans, strict=True))):
                    left = {call.id for call in day.calls} - set(chosen)
                    return Replanned(left_out=frozenset(left), proved=True)
    return Replanned(frozenset(call.id for call in day.calls), proved=True)


def _works(day: Day, travel: TravelTable, pairs: Sequence[tuple[str, str]]) -> bool:
    calls = {call.id: call for call in day.calls}
    plan: dict[str, list[str]] = {}
    for call_id, van_id in pairs:
        plan.setdefault(van_id, []).append(call_id)
    for van in day.vans:
        mine = plan.get(van.id, [])
        if not all(
            calls[i].skills <= van.skills and calls[i].equipment <= van.equipment
            for i in mine
        ):
            return False
        orders = permutations(mine)
        if mine and all(lay_out(day, travel, van, o) is None for o in orders):
            return False
    return give_out(day, plan) is not None


def full_van() -> Day:
    """Return a day whose only van is full with C1; C2 takes half an hour more."""
    return a_day(
        a_call("C1"), a_call("C2", **hours(1)), vans=(a_van(shift=window(8, 9)),)
    )


OVERTIME = "finish 09:30 instead of 09:00 (30 min overtime more)"


def test_a_change_is_said_when_a_new_plan_with_it_serves_everybody() -> None:
    replan, days = asked([REFUSED, SERVED, REFUSED])

    (unplaced,) = explained(full_van(), {"V1": ("C1",)}, replan=replan)

    assert [reason.remedy for reason in unplaced.reasons] == [OVERTIME]
    # Nothing changed first, then the change itself: half an hour more for both calls.
    assert [d.vans[0].overtime_limit_s for d in days[:2]] == [0, HOUR_S / 2]
    assert [call.id for call in days[1].calls] == ["C1", "C2"]


def test_a_change_is_not_said_when_a_new_plan_with_it_is_proved_to_fail() -> None:
    replan, _ = asked([REFUSED])

    (unplaced,) = explained(full_van(), {"V1": ("C1",)}, replan=replan)

    assert [reason.remedy for reason in unplaced.reasons] == [""]


def test_what_works_on_the_route_is_said_although_the_new_plan_did_not_find_it() -> (
    None
):
    replan, days = asked([UNKNOWN])

    (unplaced,) = explained(full_van(), {"V1": ("C1",)}, replan=replan)

    assert [reason.remedy for reason in unplaced.reasons] == [OVERTIME]
    # Nothing changed, the change, then whether all limits together would do with
    # less. The fourth begins the search for a conflict, which breaks off at once.
    assert len(days) == 4


def test_no_day_is_planned_anew_more_than_sixty_times_for_its_remedies() -> None:
    # Forty calls that are left out, each with a change to ask about.
    day = a_day(
        *(a_call(f"C{n}", **hours(1)) for n in range(1, 42)),
        vans=(a_van(shift=window(8, 9)),),
    )
    replan, days = asked([REFUSED])

    found = explained(day, {"V1": ("C1",)}, replan=replan)

    assert len(found) == 40
    questions = [d for d in days if d.vans[0].overtime_limit_s > 0 or len(d.calls) == 1]
    assert len(questions) > 40
    assert len(days) <= 2 * PER_DAY


def test_a_new_plan_may_do_with_less_because_another_van_takes_over() -> None:
    # V1 has an hour: C1 and C2; only its driver does C3. It would be half an hour
    # over. V2 is done at 8:30 and off at 8:50: ten minutes more, and it takes C1.
    rare = frozenset({"safes"})
    day = a_day(
        a_call("C1"),
        a_call("C2", skills=rare),
        a_call("C3", skills=rare),
        a_call("C4"),
        vans=(
            a_van("V1", shift=window(8, 9), skills=rare),
            a_van("V2", shift=window(8, 8 + 5 / 6)),
        ),
    )

    (unplaced,) = explained(day, {"V1": ("C1", "C2"), "V2": ("C4",)}, replan=exactly)

    first, *vans = unplaced.reasons
    assert first == Reason(
        rule=Rule.ROOM,
        text="no room found beside the calls planned",
        remedy=(
            "van V2: finish 09:00 instead of 08:50 (10 min overtime more), "
            "with routes planned anew"
        ),
    )
    assert [reason.van_id for reason in vans] == ["V1", "V2"]
    assert vans[0].remedy == "finish 09:30 instead of 09:00 (30 min overtime more)"


def test_a_new_order_of_one_vans_calls_may_do_with_less() -> None:
    # C1, an hour, C2 and C3, half an hour each, fill the two hours. C3 starts between
    # 8:15 and 8:20. First, it has to start a quarter of an hour earlier; after C2, but
    # before C1, ten minutes later are enough.
    day = a_day(
        a_call("C1", **hours(1)),
        a_call("C2"),
        a_call("C3", promise=window(8.25, 8 + 1 / 3)),
        vans=(a_van(shift=window(8, 10)),),
    )

    (plain,) = explained(day, {"V1": ("C1", "C2")})
    (anew,) = explained(day, {"V1": ("C1", "C2")}, replan=exactly)

    assert [reason.remedy for reason in plain.reasons] == [
        "promise from 08:00 instead of 08:15"
    ]
    assert [reason.remedy for reason in anew.reasons] == [
        "promise until 08:30 instead of 08:20, with routes planned anew"
    ]


def test_a_skill_is_proposed_where_only_a_new_plan_makes_room_for_it() -> None:
    # V1 is full until 9; V2 has all day but cannot do C2. Were V1's driver to do
    # safes, V2 could take C1.
    day = a_day(
        a_call("C1", **hours(1)),
        a_call("C2", skills=frozenset({"safes"}), equipment=frozenset({"rig"})),
        vans=(
            a_van("V1", shift=window(8, 9), equipment=frozenset({"rig"})),
            a_van("V2"),
        ),
    )

    (plain,) = explained(day, {"V1": ("C1",)})
    (anew,) = explained(day, {"V1": ("C1",)}, replan=exactly)

    assert [r.remedy for r in plain.reasons] == [""]
    assert [r.remedy for r in anew.reasons] == ["a driver who does safes"]


def test_on_a_large_day_only_a_few_vans_are_planned_anew() -> None:
    # Three full vans with five calls each. With the one left out, two of them make
    # eleven, three sixteen. One of the shop's two pieces goes to a call of V2.
    vans = tuple(a_van(f"V{n}", shift=window(8, 10.5)) for n in range(3))
    calls = [a_call(f"C{n}") for n in range(16)]
    calls[14] = replace(calls[14], needs=(need("BLANK"),))
    plan = {f"V{n}": tuple(f"C{5 * n + i}" for i in range(5)) for n in range(3)}
    day = a_day(*calls, vans=vans, parts=(a_part(),), shop={"BLANK": 2})
    replan, days = asked([REFUSED, SERVED, REFUSED])

    (unplaced,) = explained(day, plan, replan=replan)

    few = [d for d in days if len(d.calls) == 11]
    assert {tuple(van.id for van in d.vans) for d in few} == {
        ("V0", "V1"),
        ("V0", "V2"),
    }
    for d in few:
        kept = 2 if d.vans[1].id == "V2" else 1
        assert d.shop.stock == {"BLANK": kept}
        assert {c.id for c in d.calls} == {
            "C15",
            *(call_id for van in d.vans for call_id in plan[van.id]),
        }
    # A no for two vans proves nothing: what works on the route is said all the same.
    assert [reason.remedy for reason in unplaced.reasons] == [
        "finish 11:00 instead of 10:30 (30 min overtime more)"
    ] * 3


def test_what_a_new_plan_serves_as_it_is_needs_no_change() -> None:
    # C1 fills the hour that C2 is promised for; it could as well come later.
    day = a_day(
        a_call("C1", **hours(1)),
        a_call("C2", promise=window(8, 8.5), **hours(1)),
        vans=(a_van(shift=window(8, 10)), a_van("V2", shift=window(8, 8.25))),
    )

    (unplaced,) = explained(day, {"V1": ("C1",)}, replan=exactly)
    assert unplaced.reasons[0].remedy.startswith("van V1 could take it before call C1")

    # The same where no single route has room: C1 has to go to V2 for C2 to come in.
    day = a_day(
        a_call("C1", **hours(1)),
        a_call("C2", skills=frozenset({"safes"}), **hours(1)),
        vans=(
            a_van("V1", shift=window(8, 9), skills=frozenset({"safes"})),
            a_van("V2", shift=window(8, 9)),
        ),
    )
    (unplaced,) = explained(day, {"V1": ("C1",)}, replan=exactly)

    first, *vans = unplaced.reasons
    assert first == Reason(
        rule=Rule.ROOM,
        text="the search found no room; more rounds might",
        remedy="plan again with more rounds: another plan serves it beside all others",
    )
    assert [(reason.van_id, reason.remedy) for reason in vans] == [
        ("V1", ""),
        ("V2", ""),
    ]


def minutes_moved(remedy: str) -> int | None:
    """Return by how many minutes a remedy moves a time of the day."""
    found = re.search(r"(\d\d):(\d\d) instead of (\d\d):(\d\d)", remedy)
    if found is None:
        return None
    hour, minute, old_hour, old_minute = map(int, found.groups())
    return abs(60 * (hour - old_hour) + minute - old_minute)


@pytest.mark.parametrize("seed", range(40))
def test_no_new_plan_does_with_five_minutes_less_of_any_limit(seed: int) -> None:
    day = generate_day(seed, 5, 2, tightness=1.0)
    plan = greedy(day)
    placed = {call_id for ids in plan.values() for call_id in ids}
    for call in day.calls:
        if call.id in placed:
            continue
        asked_for = restrict(day, placed | {call.id})
        questions: list[Day] = []

        def replan(day: Day, questions: list[Day] = questions) -> Replanned:
            questions.append(day)
            return exactly(day)

        (unplaced,) = explained(asked_for, plan, replan=replan)

        moves = [minutes_moved(reason.remedy) for reason in unplaced.reasons]
        moved = [minutes for minutes in moves if minutes is not None]
        changed = [
            d for d in questions if d.vans != day.vans or d.calls != asked_for.calls
        ]
        tried = sum(len(d.calls) == len(asked_for.calls) for d in changed)
        if not moved or tried >= PER_CALL - 1:  # one more asked with nothing changed
            continue  # nothing moves on the clock, or too much to try it all
        less_s = min(moved) * 60 - STEP_S
        limits = [
            *of_customer(day, call),
            *(s for van in day.vans for s in of_van(van)),
        ]
        for limit in limits:
            by_s = min(less_s, limit.most_s // STEP_S * STEP_S)
            assert exactly(limit.move(asked_for, by_s)).left_out, limit.what


# --- calls that cannot be together ---------------------------------------------


def conflicts(
    day: Day, assignment: Assignment, replan: Replan = exactly
) -> tuple[Conflict, ...]:
    """Return the conflicts of a plan of van ids to call ids."""
    travel = travel_table(day)
    placed = [call_id for ids in assignment.values() for call_id in ids]
    left = [call.id for call in day.calls if call.id not in placed]
    return find_conflicts(day, travel, replan, placed, left)


def test_two_calls_promised_for_the_same_hour_cannot_both_be_served() -> None:
    # The third one has all day.
    day = a_day(
        a_call("C1", promise=window(9, 9.25)),
        a_call("C2"),
        a_call("C3", promise=window(9, 9.25)),
    )

    (found,) = conflicts(day, {"V1": ("C1", "C2")})

    assert found.call_ids == ("C1", "C3")
    assert found.text == "Calls C1 and C3 cannot both be served: either of them can"


def test_three_calls_for_two_vans_cannot_all_be_served() -> None:
    day = a_day(
        *(a_call(f"C{n}", promise=window(9, 9)) for n in range(1, 4)),
        a_call("C4"),
        vans=(a_van("V1"), a_van("V2")),
    )

    (found,) = conflicts(day, {"V1": ("C1", "C4"), "V2": ("C2",)})

    assert found.call_ids == ("C1", "C2", "C3")
    assert found.text == (
        "Calls C1, C2 and C3 cannot all be served: any two of them can"
    )


def test_calls_that_want_the_same_last_piece_are_a_conflict() -> None:
    day = a_day(
        a_call("C1", needs=(need("BLANK"),)),
        a_call("C2", needs=(need("BLANK"),)),
        a_call("C3"),
        parts=(a_part(),),
        shop={"BLANK": 1},
    )

    assert [c.call_ids for c in conflicts(day, {"V1": ("C1", "C3")})] == [("C1", "C2")]


def test_a_call_that_could_not_even_be_served_alone_is_in_no_conflict() -> None:
    day = a_day(a_call("C1"), a_call("C2", skills=frozenset({"safes"})))

    assert conflicts(day, {"V1": ("C1",)}) == ()


def test_no_conflict_is_claimed_without_proof() -> None:
    day = a_day(a_call("C1", promise=window(9, 9)), a_call("C2", promise=window(9, 9)))

    def searched(day: Day) -> Replanned:
        return exactly(day)._replace(proved=False)

    assert len(conflicts(day, {"V1": ("C1",)})) == 1
    assert conflicts(day, {"V1": ("C1",)}, searched) == ()


def test_a_call_that_follows_another_is_in_no_conflict() -> None:
    # Without C1 it could not be served at all, so "either of them can" would be wrong.
    day = a_day(
        a_call("C1", promise=window(9, 9)),
        a_call("C2", promise=window(9, 9)),
        links=(Link(first="C1", then="C2"),),
    )

    assert conflicts(day, {"V1": ("C1",)}) == ()


@pytest.mark.parametrize("seed", range(8))
def test_every_conflict_fails_and_each_subset_without_one_succeeds(seed: int) -> None:
    day = generate_day(seed, 5, 2, tightness=1.2)
    plan = greedy(day)
    for found in conflicts(day, plan):
        together = set(found.call_ids)
        assert exactly(restrict(day, together)).left_out
        for one in together:
            assert not exactly(restrict(day, together - {one})).left_out


# --- with the real planner ------------------------------------------------------


def test_a_planned_day_says_who_cannot_be_together_and_what_would_help() -> None:
    # Three calls of half an hour at nine sharp for two vans.
    day = a_day(
        *(a_call(f"C{n}", promise=window(9, 9)) for n in range(1, 4)),
        a_call("C4", priority=3),
        vans=(a_van("V1"), a_van("V2")),
    )

    plan = plan_day(day)

    (unplaced,) = plan.unplaced
    assert [reason.remedy for reason in unplaced.reasons] == [
        "promise until 09:30 instead of 09:00"
    ] * 2
    assert [found.call_ids for found in plan.conflicts] == [("C1", "C2", "C3")]
    assert plan.late == ()


def test_a_planned_day_says_what_would_have_kept_a_promise() -> None:
    day = a_day(
        a_call("C1", promise=window(9, 9)),
        a_call("C2", promise=window(9, 9), priority=3),
        promises_may_break=True,
    )

    plan = plan_day(day)

    assert plan.unplaced == ()
    (late,) = plan.late
    assert late.call_id == "C2"
    (reason,) = late.reasons
    assert reason.remedy == "promise until 09:30 instead of 09:00"


# --- the full model, van by van ---------------------------------------------------


def laid(
    day: Day,
    tasks: Mapping[str, Sequence[Task]],
    issues: Sequence[Issue] = (),
    tools: Sequence[ToolUse] = (),
) -> Plan:
    """Return the explained plan of van ids to tasks."""
    travel = travel_table(day)
    vans = {van.id: van for van in day.vans}
    routes = [lay_out(day, travel, vans[van], some) for van, some in tasks.items()]
    assert None not in routes, "the plan the test starts from does not work"
    plan = Plan(
        routes=tuple(route for route in routes if route is not None),
        issues=tuple(issues),
        unplaced=(),
        status=BEST_FOUND,
        tools=tuple(tools),
    )
    return explain(day, travel, plan)


def visits(*call_ids: str) -> tuple[Task, ...]:
    """Return the tasks of some calls."""
    return tuple(Task(call_id=call_id) for call_id in call_ids)


def whys(plan: Plan) -> list[tuple[str | None, Rule, str, str]]:
    """Return the reasons of the plan's only unplaced call."""
    (unplaced,) = plan.unplaced
    return [(r.van_id, r.rule, r.text, r.remedy) for r in unplaced.reasons]


def test_a_skill_at_too_low_a_level_says_both_levels() -> None:
    day = a_day(
        a_call(skills=frozenset({"pinning 3"})),
        vans=(
            a_van("V1", skills=frozenset({"pinning", "pinning 2"})),
            a_van("V2", skills=frozenset({"pinning", "pinning 2", "pinning 3"})),
        ),
    )

    assert reasons(day)[0].text == (
        "the driver does not do pinning at level 3 (level 2 at most)"
    )
    nobody = replace(day, vans=day.vans[:1])
    assert only(nobody) == (
        Rule.SKILL,
        "no driver does pinning at level 3 (level 2 at most)",
        "a driver who does pinning at level 3",
    )


def test_a_call_whose_first_one_is_left_out_says_so() -> None:
    day = a_day(
        a_call("C1", skills=frozenset({"safes"})),
        a_call("C2"),
        links=(Link(first="C1", then="C2"),),
    )

    second = laid(day, {}).unplaced[1]

    assert second.reasons == (
        Reason(rule=Rule.LINK, text="call C1 must be served first and is not"),
    )


def test_a_call_tied_to_another_van_may_be_let_loose() -> None:
    day = a_day(
        a_call("C1"),
        a_call("C2"),
        vans=(a_van("V1", shift=window(8, 8.5)), a_van("V2")),
        links=(Link(first="C1", then="C2", same_van=True),),
    )

    first, second = whys(laid(day, {"V1": visits("C1")}))

    assert first[3] == "finish 09:00 instead of 08:30 (30 min overtime more)"
    assert second == (
        "V2",
        Rule.LINK,
        "it goes with call C1, and that is on van V1",
        "let another van serve it than call C1",
    )


def test_a_gap_that_a_van_cannot_keep_says_when_it_would_be_there() -> None:
    # C1 is over at 8:30 and C2 starts half an hour later at most; V2 begins at 10.
    day = a_day(
        a_call("C1"),
        a_call("C2"),
        vans=(a_van("V1", shift=window(8, 8.5)), a_van("V2", shift=window(10, 17))),
        links=(Link(first="C1", then="C2", max_gap_s=1800),),
    )

    _, second = whys(laid(day, {"V1": visits("C1")}))

    assert second == (
        "V2",
        Rule.LINK,
        (
            "with nothing else to do, the gap from call C1 to call C2 cannot be kept "
            "(10:00, and 09:00 is the latest)"
        ),
        "gap to call C1 at most 1 h 30 instead of 30 min",
    )


def test_a_visit_that_has_to_wait_after_its_first_one_waits() -> None:
    # C1 until 8:30, an hour's wait, C2 until 10:00; the van is off at 9:30.
    day = a_day(
        a_call("C1"),
        a_call("C2"),
        vans=(a_van(shift=window(8, 9.5)),),
        links=(Link(first="C1", then="C2", min_gap_s=HOUR_S),),
    )

    assert whys(laid(day, {"V1": visits("C1")})) == [
        (
            "V1",
            Rule.ROOM,
            (
                "no room beside its calls: closest after call C1, but the van would be "
                "back at 10:00, its limit is 09:30"
            ),
            "gap to call C1 at least 30 min instead of 1 h 00",
        )
    ]


def test_a_first_call_waits_for_a_second_one_that_must_follow_at_once() -> None:
    # C2 is fixed at 10:00 and follows C1 at once: C1 starts at 9:30, not at 8:00.
    day = a_day(
        a_call("C1"),
        a_call("C2", promise=window(10, 10)),
        links=(Link(first="C1", then="C2", max_gap_s=0),),
    )
    offer = make_offer(day, travel_table(day), day.vans[0], visits("C1"), day.calls[1])

    (spot,) = offer.working()

    route = offer.lay(spot)
    assert route is not None
    assert [stop.start_s for stop in route.stops] == [9.5 * HOUR_S, 10 * HOUR_S]


def test_a_shared_tool_that_is_out_says_with_whom() -> None:
    reader = frozenset({"reader"})
    day = a_day(
        a_call("C1", equipment=reader),
        a_call("C2", equipment=reader),
        vans=(a_van("V1", shift=window(8, 8.5)), a_van("V2")),
        tools=(Tool(id="reader"),),
    )

    found = whys(
        laid(
            day,
            {"V1": visits("C1")},
            tools=(ToolUse(van_id="V1", tool_id="reader"),),
        )
    )

    assert found[0][1] is Rule.ROOM  # it has the tool, but no time
    assert found[1] == (
        "V2",
        Rule.TOOL,
        "reader is out (the shop's only one goes with van V1)",
        "one more reader in the shop",
    )


def test_a_van_that_does_not_load_cannot_borrow() -> None:
    day = a_day(
        a_call(equipment=frozenset({"reader"})),
        vans=(a_van(loads_at_shop=False),),
        tools=(Tool(id="reader"),),
    )

    assert only(day) == (
        Rule.EQUIPMENT,
        ("reader is not aboard (the shop lends one, but this van does not load there)"),
        "reader aboard",
    )
    shop = replace(day.shop, restock_s=600)
    handed = replace(day, shop=shop, tools=(Tool(id="reader", handover=True),))
    assert only(handed)[2] == (
        "van V1 could take it as its only call by way of the shop: plan again with "
        "more rounds"
    )


def test_a_van_that_hands_a_tool_over_must_not_bring_it_back_later() -> None:
    # V1: C1 to 8:30, at the shop to 8:40. V2: C4 at 8:10, at the shop from 8:40.
    # With C2 before its stop V1 would have the reader until 9:10.
    reader = frozenset({"reader"})
    day = a_day(
        a_call("C1", equipment=reader),
        a_call("C2", equipment=reader),
        a_call("C3"),
        a_call("C4", promise=window(8 + 1 / 6, 8 + 1 / 6)),
        a_call("C5", equipment=reader),
        vans=(a_van("V1"), a_van("V2", shift=window(8, 9 + 1 / 3))),
        tools=(Tool(id="reader", handover=True),),
    )
    day = replace(day, shop=replace(day.shop, restock_s=600))
    stop = Task(store_id="shop")

    found = whys(
        laid(
            day,
            {
                "V1": (*visits("C1"), stop, *visits("C3")),
                "V2": (*visits("C4"), stop, *visits("C5")),
            },
            tools=(
                ToolUse(van_id="V1", tool_id="reader", returned=True),
                ToolUse(van_id="V2", tool_id="reader", collected=True),
            ),
        )
    )

    assert found[0] == (
        "V1",
        Rule.TOOL,
        (
            "no room beside its calls: closest before call C1, but a shared tool would "
            "be handed over at 09:10, and has to by 08:40"
        ),
        "shift from 07:30 instead of 08:00",
    )
    assert "the van would be back at 09:50, its limit is 09:20" in found[1][2]


def test_too_much_driving_is_the_limits_fault() -> None:
    # An hour there and an hour back.
    day = a_day(
        a_call("C1"),
        vans=(a_van(drive_limit_s=HOUR_S),),
        travel=drives(("start:V1", "call:C1", 1), ("finish:V1", "call:C1", 1)),
    )

    assert only(day) == (
        Rule.LIMIT,
        (
            "with nothing else to do, the driver would be at the wheel for 2 h 00, "
            "the limit is 1 h 00"
        ),
        "at the wheel, where the law allows it, 2 h 00 instead of 1 h 00",
    )


def test_too_much_work_is_the_limits_fault() -> None:
    day = a_day(
        a_call("C1"), a_call("C2", **hours(1)), vans=(a_van(work_limit_s=HOUR_S),)
    )

    assert only(day, {"V1": ("C1",)}) == (
        Rule.LIMIT,
        (
            "no room beside its calls: closest before call C1, but the driver would "
            "work 1 h 30, the limit is 1 h 00"
        ),
        "at work, where the law allows it, 1 h 30 instead of 1 h 00",
    )


def test_a_slow_driver_needs_longer() -> None:
    # Twice half an hour from 8:00; the other one is off sick.
    day = a_day(a_call(), vans=(a_van(shift=window(8, 8.75), pace={"*": 2.0}),))

    assert only(day)[:2] == (
        Rule.SHIFT,
        (
            "starting at 08:00 at the earliest, it would be back at 09:00, after its "
            "limit 08:45"
        ),
    )


def test_a_visit_may_fit_the_customers_time_with_a_quick_driver_only() -> None:
    day = a_day(
        a_call("C1"),
        a_call("C2", windows=(window(8, 8.5),)),
        vans=(a_van("V1", shift=window(8, 8.5)), a_van("V2", pace={"*": 2.0})),
    )

    _, second = whys(laid(day, {"V1": visits("C1")}))

    assert second == (
        "V2",
        Rule.WINDOW,
        "a visit of 1 h 00 does not fit 08:00 to 08:30, the customer's time",
        "customer there until 09:00 instead of 08:30",
    )


def test_a_part_may_be_fetched_on_the_way() -> None:
    day = a_day(
        a_call(needs=(need("BLANK"),)),
        vans=(a_van(loads_at_shop=False),),
        parts=(a_part(),),
        shop={"BLANK": 1},
    )

    assert only(day)[0] is Rule.STOCK
    assert only(replace(day, shop=replace(day.shop, restock_s=600))) == (
        Rule.ROOM,
        "the search found no room; more rounds might",
        (
            "van V1 could take it as its only call by way of the shop: plan again with "
            "more rounds"
        ),
    )


def test_a_part_fetched_at_a_stop_of_the_route_is_there_only_after_it() -> None:
    # One of the two pieces goes to C1. C2 could be before C3 or after it.
    day = a_day(
        a_call("C1"),
        a_call("C2", needs=(need("BLANK"),)),
        a_call("C3", needs=(need("BLANK"),)),
        vans=(a_van(loads_at_shop=False),),
        parts=(a_part(),),
        shop={"BLANK": 2},
    )
    day = replace(day, shop=replace(day.shop, restock_s=600))
    fetched = Issue(
        van_id="V1",
        part_id="BLANK",
        quantity=1,
        origin=Origin.RESTOCK,
        store_id="shop",
        call_id="C3",
        need=0,
        chosen="BLANK",
    )
    tasks = {"V1": (*visits("C1"), Task(store_id="shop"), *visits("C3"))}

    assert whys(laid(day, tasks, [fetched]))[0][3] == (
        "van V1 could take it between the stop at the shop and call C3: "
        "plan again with more rounds"
    )
    scarce = replace(day, shop=replace(day.shop, stock={"BLANK": 1}))
    assert whys(laid(scarce, tasks, [fetched]))[0][1:3] == (
        Rule.STOCK,
        "BLANK is missing (the firm's last goes to call C3)",
    )


def test_a_counter_that_shuts_too_early_is_named() -> None:
    # An hour to the counter, open until 8:30.
    legs = {
        (one, other): (0, 0)
        for one in ("start:V1", "finish:V1", "call:C1", "store:north")
        for other in ("start:V1", "finish:V1", "call:C1", "store:north")
        if one != other
    }
    legs["start:V1", "store:north"] = (HOUR_S, 1000)
    counter = Store(
        id="north",
        place=NORTH,
        opening=window(7, 8.5),
        stock={"BLANK": 1},
        restock_s=600,
    )
    day = a_day(
        a_call(needs=(need("BLANK"),)),
        parts=(a_part(),),
        counters=(counter,),
        travel=TravelRules(matrix=legs),
    )

    assert only(day) == (
        Rule.RESTOCK,
        (
            "with nothing else to do, the stop at Kiln Road would be over at 09:10, "
            "and it shuts at 08:30"
        ),
        "shift from 07:20 instead of 08:00",
    )


def test_vans_of_one_yard_may_hand_each_other_parts() -> None:
    day = a_day(
        a_call(needs=(need("BLANK"),), skills=frozenset({"safes"})),
        vans=(
            a_van("V1", loads_at_shop=False, skills=frozenset({"safes"})),
            a_van("V2", loads_at_shop=False, stock={"BLANK": 1}),
        ),
        parts=(a_part(),),
    )

    assert by_van(day)["V1"].text == "BLANK is missing (1 in van V2)"
    assert by_van(replace(day, exchange=True))["V1"].rule is Rule.ROOM
    apart = replace(day.vans[1], start=replace(SHOP, lat_deg=50.1))
    elsewhere = replace(day, exchange=True, vans=(day.vans[0], apart))
    assert by_van(elsewhere)["V1"].rule is Rule.STOCK


# --- promises --------------------------------------------------------------------


def rivals() -> tuple[Day, dict[str, tuple[Task, ...]]]:
    """Return a day with two calls at eight for one van, of which C2 is late."""
    day = a_day(
        a_call("C1", promise=window(8, 8)),
        a_call("C2", promise=window(8, 8)),
        promises_may_break=True,
    )
    late = Task(call_id="C2", spans=((8 * HOUR_S, 17 * HOUR_S),))
    return day, {"V1": (*visits("C1"), late)}


def test_a_broken_promise_says_what_stood_in_its_way() -> None:
    day, tasks = rivals()

    plan = laid(day, tasks)

    assert plan.unplaced == ()
    (late,) = plan.late
    assert late.call_id == "C2"
    assert late.reasons == (
        Reason(
            rule=Rule.ROOM,
            text=(
                "no room beside its calls: closest before call C1, but call C1 would "
                "start at 08:30, and has to by 08:00"
            ),
            van_id="V1",
            remedy="promise until 08:30 instead of 08:00",
        ),
    )


def test_what_keeps_a_promise_is_tried_with_all_other_promises_hard() -> None:
    day, tasks = rivals()
    replan, days = asked([REFUSED, SERVED, REFUSED])
    travel = travel_table(day)
    route = lay_out(day, travel, day.vans[0], tasks["V1"])
    assert route is not None
    plan = Plan(routes=(route,), issues=(), unplaced=(), status=BEST_FOUND)

    explain(day, travel, plan, replan)

    assert not days[1].promises_may_break
    # C1 as promised; C2 half an hour later, which is what was asked about.
    assert [c.promise for c in days[1].calls] == [window(8, 8), window(8, 8.5)]


def test_a_call_left_out_may_be_late_itself_but_makes_nobody_else_late() -> None:
    # C1 is there at 8 for an hour. C2 could wait until 8:30 if its promise may break:
    # only a customer who stays longer helps, a later promise does not.
    day = a_day(
        a_call("C1", promise=window(8, 8), **hours(1)),
        a_call("C2", promise=window(8, 8), windows=(window(8, 9),)),
        promises_may_break=True,
    )

    assert whys(laid(day, {"V1": visits("C1")})) == [
        (
            "V1",
            Rule.ROOM,
            (
                "no room beside its calls: closest before call C1, but call C1 would "
                "start at 08:30, and has to by 08:00"
            ),
            "customer there until 09:30 instead of 09:00",
        )
    ]


def test_a_stop_that_only_the_late_call_needs_does_not_stand_in_its_way() -> None:
    # Without C2, V1 has no reason to drive by the shop: C1 would be served at 8:00.
    day = a_day(
        a_call("C2", promise=window(8, 8), needs=(need("BLANK"),)),
        vans=(a_van(stock={"BLANK": 1}),),
        parts=(a_part(),),
        shop={"BLANK": 1},
        promises_may_break=True,
    )
    day = replace(day, shop=replace(day.shop, restock_s=600))
    late = Task(call_id="C2", spans=((8 * HOUR_S, 17 * HOUR_S),))
    fetched = Issue(
        van_id="V1",
        part_id="BLANK",
        quantity=1,
        origin=Origin.RESTOCK,
        store_id="shop",
        call_id="C2",
        need=0,
        chosen="BLANK",
    )

    plan = laid(day, {"V1": (Task(store_id="shop"), late)}, [fetched])

    assert plan.late[0].reasons[0].remedy == (
        "van V1 could take it as its only call: plan again with more rounds"
    )
