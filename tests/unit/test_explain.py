"""Every unplaced call says why, and what is proposed really helps."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import product

import pytest

from dispatch.conflict import Replan
from dispatch.explain import CLOSE_VANS, explain
from dispatch.generator import generate_day
from dispatch.remedy import (
    STEP_S,
    Offer,
    find_breach,
    find_customer_remedy,
    find_swap,
    find_time_remedy,
    make_offer,
    stretches,
)
from dispatch.stock import give_out, leave_over
from dispatch.timetable import Task, lay_out
from dispatch.travel import travel_table
from shared.model import (
    Break,
    Call,
    Day,
    Plan,
    Proof,
    ReadyItem,
    ReadyKind,
    Reason,
    Rule,
    Status,
    Store,
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
