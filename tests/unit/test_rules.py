"""The judge: a plan made by hand passes, and every planted fault is named.

8:00 is 28,800 s. The builders' rates: 900 units per metre, 15,000 units per second
of paid time, 22,500 per second of overtime on top.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dispatch.rules import goal, judge
from dispatch.travel import travel_table
from shared.model import (
    Break,
    Call,
    Day,
    Issue,
    Origin,
    Place,
    Plan,
    Proof,
    Purpose,
    ReadyItem,
    ReadyKind,
    ReadyState,
    Reason,
    Route,
    Rule,
    Status,
    Stop,
    StopKind,
    Traffic,
    TravelRules,
    Unplaced,
    Van,
    Window,
)
from tests.builders import HOUR_S, SHOP, a_call, a_day, a_part, a_van, at, need, window

# --- the day and its plan, made by hand -----------------------------------------

HOME = at(0, -9)
# Minutes and kilometres, the same both ways; what is not named is 30 min, 25 km.
DRIVES = {
    ("shop", "call:A"): (10, 8),
    ("call:A", "call:B"): (15, 12),
    ("call:B", "call:D"): (5, 4),
    ("call:D", "shop"): (25, 20),
    ("call:C", "call:F"): (10, 9),
    ("call:F", "finish:V2"): (15, 11),
}


def roads(*call_ids: str) -> TravelRules:
    nodes = ["shop", "finish:V2", *(f"call:{call_id}" for call_id in call_ids)]
    matrix = {}
    for origin in nodes:
        for target in nodes:
            minutes, km = DRIVES.get(
                (origin, target), DRIVES.get((target, origin), (30, 25))
            )
            if origin == target:
                minutes, km = 0, 0
            matrix[origin, target] = (minutes * 60, km * 1000)
    return TravelRules(matrix=matrix)


def clock(hours: int, minutes: int) -> int:
    return hours * HOUR_S + minutes * 60


# The code for B is there 17 h 30 after 18:00 the evening before: at 11:30.
CODE = ReadyItem(kind=ReadyKind.CODE, lead_time_s=clock(17, 30))

DAY = a_day(
    a_call(
        "A",
        place=at(8, 0),
        median_s=3600,
        p90_s=3600,
        windows=(window(8, 9), window(10, 12)),
        promise=window(10, 10.5),
        skills=frozenset({"transponder"}),
        equipment=frozenset({"programmer"}),
        needs=(need("FOB", "SET", quantity=2),),
    ),
    a_call(
        "B",
        place=at(8, 8),
        median_s=clock(0, 45),
        p90_s=clock(0, 45),
        ready=(CODE,),
        needs=(need("SET"),),
    ),
    a_call(
        "C",
        place=at(-8, 0),
        median_s=7200,
        p90_s=7200,
        promise=window(9, 9.5),
        needs=(need("FOB", "SET"),),
    ),
    a_call("D", place=at(9, 9), windows=(window(13, 14.5),), priority=1),
    a_call("E", place=at(20, 20), skills=frozenset({"safe"}), priority=3),
    a_call(
        "F",
        place=at(-8, -8),
        median_s=clock(0, 40),
        p90_s=clock(0, 40),
        required_van="V2",
    ),
    vans=(
        a_van(
            "V1",
            meal=Break(window=window(12, 13), length_s=1800),
            skills=frozenset({"transponder", "rekey"}),
            equipment=frozenset({"programmer"}),
            stock={"FOB": 1, "CELL": 1},
        ),
        a_van(
            "V2",
            start=None,
            finish=HOME,
            shift=window(8, 12),
            overtime_limit_s=3600,
            meal=Break(window=window(11, 12), length_s=1200),
            loads_at_shop=False,
            stock={"SHELL": 1, "CELL": 3},
        ),
    ),
    parts=(
        a_part("FOB"),
        a_part("SHELL"),
        a_part("CELL"),
        a_part("SET", category="kit", components=(("SHELL", 1), ("CELL", 2))),
    ),
    shop={"FOB": 2, "SHELL": 1, "CELL": 1},
    travel=roads("A", "B", "C", "D", "E", "F"),
)
TRAVEL = travel_table(DAY)
CALLS = {call.id: call for call in DAY.calls}


def visit(call_id: str, **fields: Any) -> Stop:
    defaults: dict[str, Any] = {
        "kind": StopKind.CALL,
        "call_id": call_id,
        "place": CALLS[call_id].place,
    }
    return Stop(**(defaults | fields))


def rest(place: Place | None, **fields: Any) -> Stop:
    return Stop(kind=StopKind.BREAK, call_id=None, place=place, **fields)


def issue(van_id: str, part_id: str, call_id: str, chosen: str, **fields: Any) -> Issue:
    defaults: dict[str, Any] = {"quantity": 1, "origin": Origin.ABOARD, "need": 0}
    return Issue(
        van_id=van_id,
        part_id=part_id,
        call_id=call_id,
        chosen=chosen,
        **(defaults | fields),
    )


ROUTE_1 = Route(
    van_id="V1",
    leave_s=clock(9, 50),
    stops=(
        # Until 10:30 promised, until 11:00 could it start in the window: 30 min.
        visit(
            "A",
            drive_m=8000,
            drive_s=600,
            arrive_s=clock(10, 0),
            start_s=clock(10, 0),
            finish_s=clock(11, 0),
            slack_s=1800,
        ),
        visit(
            "B",
            drive_m=12_000,
            drive_s=900,
            arrive_s=clock(11, 15),
            start_s=clock(11, 30),
            finish_s=clock(12, 15),
        ),
        rest(
            at(8, 8),
            drive_m=0,
            drive_s=0,
            arrive_s=clock(12, 15),
            start_s=clock(12, 15),
            finish_s=clock(12, 45),
        ),
        # 30 min in a window until 14:30: could start an hour later.
        visit(
            "D",
            drive_m=4000,
            drive_s=300,
            arrive_s=clock(12, 50),
            start_s=clock(13, 0),
            finish_s=clock(13, 30),
            slack_s=3600,
        ),
    ),
    last_drive_m=20_000,
    last_drive_s=1500,
    finish_s=clock(13, 55),
    drive_units=39_600_000,  # 44,000 m * 900
    time_units=319_500_000,  # 5 h 55 min = 21,300 s * 15,000
)
ROUTE_2 = Route(
    van_id="V2",
    leave_s=clock(9, 0),
    stops=(
        visit(
            "C",
            drive_m=0,
            drive_s=0,
            arrive_s=clock(9, 0),
            start_s=clock(9, 0),
            finish_s=clock(11, 0),
            slack_s=1800,
        ),
        rest(
            at(-8, -8),
            drive_m=9000,
            drive_s=600,
            arrive_s=clock(11, 10),
            start_s=clock(11, 10),
            finish_s=clock(11, 30),
        ),
        visit(
            "F",
            drive_m=0,
            drive_s=0,
            arrive_s=clock(11, 30),
            start_s=clock(11, 30),
            finish_s=clock(12, 10),
        ),
    ),
    last_drive_m=11_000,
    last_drive_s=900,
    finish_s=clock(12, 25),
    overtime_s=1500,
    drive_units=18_000_000,  # 20,000 m * 900
    time_units=238_500_000,  # 4 h 25 min = 15,900 s * 15,000
    overtime_units=33_750_000,  # 1500 s * 22,500
)
COST_UNITS = 649_350_000  # of both
# Every piece there is goes out: one more of any is one too many.
ISSUES = (
    issue("V1", "FOB", "A", "FOB"),  # 0
    issue("V1", "FOB", "A", "FOB", origin=Origin.SHOP),  # 1
    issue("V1", "SHELL", "B", "SET", origin=Origin.SHOP),  # 2
    issue("V1", "CELL", "B", "SET"),  # 3
    issue("V1", "CELL", "B", "SET", origin=Origin.SHOP),  # 4
    issue("V2", "SHELL", "C", "SET"),  # 5
    issue("V2", "CELL", "C", "SET", quantity=2),  # 6
    Issue(  # 7
        van_id="V1",
        part_id="FOB",
        quantity=1,
        origin=Origin.SHOP,
        purpose=Purpose.SPARE,
    ),
    Issue(  # 8
        van_id="V2",
        part_id="CELL",
        quantity=1,
        origin=Origin.ABOARD,
        purpose=Purpose.SPARE,
    ),
)
REASON = Reason(rule=Rule.SKILL, text="nobody opens safes")
PLAN = Plan(
    routes=(ROUTE_1, ROUTE_2),
    issues=ISSUES,
    unplaced=(Unplaced(call_id="E", reasons=(REASON,)),),
    status=Status(proof=Proof.PROVED_BEST, bound_units=COST_UNITS),
)


def test_a_plan_made_by_hand_passes() -> None:
    assert judge(DAY, TRAVEL, PLAN) == ()
    assert PLAN.cost_units == COST_UNITS


def test_the_goal_counts_what_is_left_by_priority_and_then_the_cost() -> None:
    assert goal(DAY, PLAN) == (0, 0, 1, 0, COST_UNITS)
    assert goal(DAY, replace(PLAN, routes=(ROUTE_2,))) == (1, 2, 1, 0, 290_250_000)


# --- one planted fault each -------------------------------------------------------

Case = tuple[Day, Plan]
Edit = Callable[[Case], Case]


def plan_with(**changes: Any) -> Edit:
    return lambda case: (case[0], replace(case[1], **changes))


def day_with(**changes: Any) -> Edit:
    return lambda case: (replace(case[0], **changes), case[1])


def status_with(**changes: Any) -> Edit:
    return plan_with(status=replace(PLAN.status, **changes))


def route_with(row: int, **changes: Any) -> Edit:
    def edit(case: Case) -> Case:
        routes = list(case[1].routes)
        routes[row] = replace(routes[row], **changes)
        return case[0], replace(case[1], routes=tuple(routes))

    return edit


def stop_with(row: int, position: int, **changes: Any) -> Edit:
    def edit(case: Case) -> Case:
        stops = list(case[1].routes[row].stops)
        stops[position] = replace(stops[position], **changes)
        return route_with(row, stops=tuple(stops))(case)

    return edit


def leave_by(time_s: int) -> Edit:
    """Say how late the van may set off for D."""
    return stop_with(0, 3, leave_by_s=time_s)


def issue_with(row: int, **changes: Any) -> Edit:
    issues = list(ISSUES)
    issues[row] = replace(issues[row], **changes)
    return plan_with(issues=tuple(issues))


def issues_without(*rows: int, plus: tuple[Issue, ...] = ()) -> Edit:
    kept = tuple(one for row, one in enumerate(ISSUES) if row not in rows)
    return plan_with(issues=kept + plus)


def call_with(call_id: str, **changes: Any) -> Edit:
    def change(call: Call) -> Call:
        return replace(call, **changes) if call.id == call_id else call

    return lambda case: (
        replace(case[0], calls=tuple(map(change, case[0].calls))),
        case[1],
    )


def van_with(van_id: str, **changes: Any) -> Edit:
    def change(van: Van) -> Van:
        return replace(van, **changes) if van.id == van_id else van

    return lambda case: (
        replace(case[0], vans=tuple(map(change, case[0].vans))),
        case[1],
    )


def shop_with(**stock: int) -> Edit:
    return day_with(shop=replace(DAY.shop, stock={**DAY.shop.stock, **stock}))


def all_of(*edits: Edit) -> Edit:
    def edit(case: Case) -> Case:
        for one in edits:
            case = one(case)
        return case

    return edit


FIRST, LAST = ROUTE_1.stops[0], ROUTE_1.stops[-1]
UNPLACED_E = PLAN.unplaced[0]
UNPLACED_E_AND_D = (UNPLACED_E, replace(UNPLACED_E, call_id="D"))
GHOST = Unplaced(call_id="E", reasons=(replace(REASON, van_id="V9"),))

PLANTS: dict[str, tuple[Rule, Edit]] = {
    # every call once
    "a call is neither driven to nor unplaced": (Rule.COVER, plan_with(unplaced=())),
    "a call is unplaced twice": (Rule.COVER, plan_with(unplaced=(UNPLACED_E,) * 2)),
    "a call is driven to and unplaced": (
        Rule.COVER,
        plan_with(unplaced=UNPLACED_E_AND_D),
    ),
    "an unplaced call has no reason": (
        Rule.COVER,
        plan_with(unplaced=(replace(UNPLACED_E, reasons=()),)),
    ),
    "an unplaced call is none of the day's": (
        Rule.COVER,
        plan_with(unplaced=(UNPLACED_E, replace(UNPLACED_E, call_id="X"))),
    ),
    "a reason names a van that is not there": (
        Rule.COVER,
        plan_with(unplaced=(GHOST,)),
    ),
    "a call is driven to twice": (
        Rule.COVER,
        # F again, from 12:10 to 12:50: the van is back at 13:05, 40 min later.
        all_of(
            van_with("V2", overtime_limit_s=7200),
            route_with(
                1,
                stops=(
                    *ROUTE_2.stops,
                    replace(
                        ROUTE_2.stops[2],
                        arrive_s=clock(12, 10),
                        start_s=clock(12, 10),
                        finish_s=clock(12, 50),
                    ),
                ),
                finish_s=clock(13, 5),
                overtime_s=3900,
                time_units=274_500_000,  # 18,300 s * 15,000
                overtime_units=87_750_000,  # 3900 s * 22,500
            ),
            status_with(proof=Proof.BEST_FOUND, bound_units=None),
        ),
    ),
    "a stop is for a call nobody made": (
        Rule.COVER,
        all_of(
            stop_with(0, 3, call_id="X"),
            plan_with(unplaced=UNPLACED_E_AND_D),
        ),
    ),
    "a stop for a call names none": (
        Rule.COVER,
        all_of(stop_with(0, 3, call_id=None), plan_with(unplaced=UNPLACED_E_AND_D)),
    ),
    "a break names a call": (Rule.COVER, stop_with(0, 2, call_id="B")),
    "a van is none of the day's": (
        Rule.COVER,
        all_of(
            route_with(1, van_id="V9"),
            call_with("C", needs=()),
            issues_without(5, 6, 8),
        ),
    ),
    "the vans are out of order": (Rule.COVER, plan_with(routes=(ROUTE_2, ROUTE_1))),
    # where and how far
    "a drive is too short by a metre": (Rule.TRAVEL, stop_with(0, 0, drive_m=7999)),
    "a drive is too short by a second": (Rule.TRAVEL, stop_with(0, 1, drive_s=899)),
    "a stop is elsewhere than its call": (Rule.TRAVEL, stop_with(0, 0, place=SHOP)),
    "a drive from anywhere is counted": (Rule.TRAVEL, stop_with(1, 0, drive_m=1)),
    "a break drives and stays": (Rule.TRAVEL, stop_with(0, 2, drive_m=4000)),
    "a stop drives where its break has driven": (
        Rule.TRAVEL,
        stop_with(1, 2, drive_m=9000),
    ),
    "the way home is too short": (Rule.TRAVEL, route_with(0, last_drive_m=19_999)),
    "the way home is too fast": (Rule.TRAVEL, route_with(0, last_drive_s=1499)),
    # the clock
    "a van leaves later than it arrives from": (
        Rule.TIMING,
        route_with(0, leave_s=clock(9, 51)),
    ),
    "an arrival is not the drive's end": (
        Rule.TIMING,
        stop_with(0, 1, arrive_s=clock(11, 14)),
    ),
    "a visit starts before the van is there": (
        Rule.TIMING,
        # 5 min before the van is there; nothing after it changes.
        all_of(
            call_with("B", ready=(), median_s=3900, p90_s=3900),
            stop_with(0, 1, start_s=clock(11, 10)),
        ),
    ),
    "a visit is shorter than planned": (
        Rule.TIMING,
        stop_with(0, 3, finish_s=clock(13, 29)),
    ),
    "a visit's slack is too long": (Rule.TIMING, stop_with(0, 0, slack_s=3600)),
    "a visit's slack is left out": (Rule.TIMING, stop_with(0, 3, slack_s=None)),
    "a visit at any time has slack": (Rule.TIMING, stop_with(0, 1, slack_s=0)),
    # D is 5 min away and starts at 13:00: 12:55 is the last that is in time.
    "leaving by then is too late": (Rule.TIMING, leave_by(clock(12, 55) + 1)),
    "one could leave later than that": (Rule.TIMING, leave_by(clock(12, 55) - 1)),
    "leaving by then is before the break is over": (
        Rule.TIMING,
        leave_by(clock(12, 40)),
    ),
    "a break has slack": (Rule.TIMING, stop_with(0, 2, slack_s=900)),
    "the van is back at another time": (
        Rule.TIMING,
        route_with(0, finish_s=clock(13, 54)),
    ),
    # the customer
    "a visit ends after its window": (
        Rule.WINDOW,
        call_with("D", windows=(Window(start_s=46_800, end_s=48_599),)),
    ),
    "a visit starts before its window": (
        Rule.WINDOW,
        call_with("D", windows=(Window(start_s=46_801, end_s=50_000),)),
    ),
    "a visit lies across two windows": (
        Rule.WINDOW,
        call_with("D", windows=(window(12, 13.25), window(13.25, 15))),
    ),
    "a visit starts after its promise": (
        Rule.PROMISE,
        call_with("C", promise=Window(start_s=30_000, end_s=32_399)),
    ),
    "a visit starts before its promise": (
        Rule.PROMISE,
        call_with("C", promise=Window(start_s=32_401, end_s=36_000)),
    ),
    "a visit starts before the code is there": (
        Rule.READY,
        call_with("B", ready=(replace(CODE, lead_time_s=clock(17, 30) + 1),)),
    ),
    # the van and its driver
    "the driver lacks a skill": (
        Rule.SKILL,
        call_with("D", skills=frozenset({"rekey", "safe"})),
    ),
    "the van lacks equipment": (
        Rule.EQUIPMENT,
        call_with("F", equipment=frozenset({"programmer"})),
    ),
    "another van goes than the required": (
        Rule.REQUIRED_VAN,
        call_with("D", required_van="V2"),
    ),
    "a van leaves before its shift": (
        Rule.SHIFT,
        # The shift and its pay start at 9:51, a minute after leaving:
        # 13:55 - 9:51 = 14,640 s * 15,000.
        all_of(
            van_with("V1", shift=Window(start_s=clock(9, 51), end_s=clock(17, 0))),
            route_with(0, time_units=219_600_000),
            status_with(proof=Proof.BEST_FOUND, bound_units=None),
        ),
    ),
    "a van is back after its overtime": (
        Rule.SHIFT,
        van_with("V2", overtime_limit_s=1499),
    ),
    # the break
    "a break begins before its window": (
        Rule.BREAK,
        van_with("V1", meal=Break(window=window(12.5, 14), length_s=1800)),
    ),
    "a break ends after its window": (
        Rule.BREAK,
        van_with("V1", meal=Break(window=window(12, 12.7), length_s=1800)),
    ),
    "a break is cut short": (Rule.BREAK, stop_with(0, 2, finish_s=clock(12, 40))),
    "a break is taken where nobody is": (Rule.BREAK, stop_with(0, 2, place=HOME)),
    "a van has a break and none is due": (Rule.BREAK, van_with("V1", meal=None)),
    "a van has two breaks": (
        Rule.BREAK,
        # The second from 12:45 to 13:15; D is reached at 13:20 and moves by 20 min.
        all_of(
            van_with("V1", meal=Break(window=window(12, 13.5), length_s=1800)),
            route_with(
                0,
                stops=(
                    *ROUTE_1.stops[:3],
                    replace(
                        ROUTE_1.stops[2],
                        arrive_s=clock(12, 45),
                        start_s=clock(12, 45),
                        finish_s=clock(13, 15),
                    ),
                    replace(
                        LAST,
                        arrive_s=clock(13, 20),
                        start_s=clock(13, 20),
                        finish_s=clock(13, 50),
                        slack_s=2400,
                    ),
                ),
                finish_s=clock(14, 15),
                time_units=337_500_000,  # 22,500 s * 15,000
            ),
            status_with(proof=Proof.BEST_FOUND, bound_units=None),
        ),
    ),
    "a van goes without its break": (
        Rule.BREAK,
        # D is reached at 12:20 then; the rest stays as it is.
        route_with(
            0,
            stops=(*ROUTE_1.stops[:2], replace(LAST, arrive_s=clock(12, 20))),
        ),
    ),
    # the pieces
    "a need is served short": (Rule.STOCK, issues_without(1)),
    "a need is not served at all": (Rule.STOCK, issues_without(0, 1)),
    "a need is served twice over": (
        Rule.STOCK,
        all_of(shop_with(FOB=3), issue_with(1, quantity=2)),
    ),
    "a kit comes without its cell": (Rule.STOCK, issues_without(4)),
    "a kit is issued as if it were a piece": (
        Rule.STOCK,
        all_of(
            van_with("V2", stock={"SET": 1, "CELL": 1}),
            issues_without(5, 6, plus=(issue("V2", "SET", "C", "SET"),)),
        ),
    ),
    "a spare is a kit": (
        Rule.STOCK,
        all_of(
            van_with("V2", stock={"SHELL": 1, "CELL": 2, "SET": 1}),
            issue_with(8, part_id="SET"),
        ),
    ),
    "two alternatives share one need": (
        Rule.STOCK,
        all_of(
            shop_with(SHELL=2, CELL=3),
            issues_without(
                1,
                plus=(
                    issue("V1", "SHELL", "A", "SET", origin=Origin.SHOP),
                    issue("V1", "CELL", "A", "SET", origin=Origin.SHOP, quantity=2),
                ),
            ),
        ),
    ),
    "a need is served by what it does not ask for": (
        Rule.STOCK,
        call_with("C", needs=(need("FOB"),)),
    ),
    "a piece is other than the choice": (Rule.STOCK, issue_with(1, part_id="CELL")),
    "a piece is issued for a need that is not there": (
        Rule.STOCK,
        issue_with(5, need=1),
    ),
    "a piece is issued for the need before the first": (
        Rule.STOCK,
        issue_with(5, need=-1),
    ),
    "a piece is issued where nothing is needed": (
        Rule.STOCK,
        issue_with(8, purpose=Purpose.CALL, call_id="F", need=0, chosen="CELL"),
    ),
    "a piece is issued for an unplaced call": (
        Rule.STOCK,
        issue_with(8, purpose=Purpose.CALL, call_id="E", need=0, chosen="CELL"),
    ),
    "a piece is issued for nobody": (Rule.STOCK, issue_with(8, purpose=Purpose.CALL)),
    "a piece lies in another van": (Rule.STOCK, issue_with(3, van_id="V2")),
    "a spare names a call": (Rule.STOCK, issue_with(8, call_id="F")),
    "a spare is less than one": (Rule.STOCK, issue_with(8, quantity=0)),
    "a part is unknown": (
        Rule.STOCK,
        all_of(
            van_with("V2", stock={"SHELL": 1, "CELL": 3, "X": 1}),
            issue_with(8, part_id="X"),
        ),
    ),
    "a piece is promised twice aboard": (Rule.STOCK, van_with("V1", stock={"CELL": 1})),
    "a spare takes what a call needs": (Rule.STOCK, issue_with(8, quantity=2)),
    "the shop gives more than it has": (Rule.STOCK, shop_with(FOB=1)),
    "a van takes from the shop that does not load there": (
        Rule.STOCK,
        van_with("V1", loads_at_shop=False),
    ),
    "a van that stays in carries spares": (
        Rule.STOCK,
        all_of(
            day_with(vans=(*DAY.vans, a_van("V3", stock={"FOB": 1}))),
            issues_without(plus=(replace(ISSUES[8], van_id="V3", part_id="FOB"),)),
        ),
    ),
    # the money
    "overtime is left out": (Rule.COST, route_with(1, overtime_s=0)),
    "driving is too cheap": (
        Rule.COST,
        all_of(route_with(0, drive_units=39_599_999), status_with(bound_units=None)),
    ),
    "time is too cheap": (
        Rule.COST,
        all_of(route_with(0, time_units=0), status_with(bound_units=None)),
    ),
    "overtime is too cheap": (Rule.COST, route_with(1, overtime_units=0)),
    "the bound is above the cost": (
        Rule.COST,
        status_with(proof=Proof.BOUNDED, bound_units=COST_UNITS + 1),
    ),
    "proved best with a bound below": (
        Rule.COST,
        status_with(bound_units=COST_UNITS - 1),
    ),
    "proved best without a bound": (Rule.COST, status_with(bound_units=None)),
    "bounded without a bound": (
        Rule.COST,
        status_with(proof=Proof.BOUNDED, bound_units=None),
    ),
}


@pytest.mark.parametrize("plant", PLANTS)
def test_a_planted_fault_is_found_and_no_other_rule_named(plant: str) -> None:
    rule, edit = PLANTS[plant]
    day, plan = edit((DAY, PLAN))
    found = judge(day, travel_table(day), plan)
    assert {violation.rule for violation in found} == {rule}, "\n".join(map(str, found))


# Pieces that are there after all, and what they were wanted for.
THRIFT: dict[str, tuple[Edit, str]] = {
    "the wanted part lies aboard": (
        van_with("V2", stock={"SHELL": 1, "CELL": 3, "FOB": 1}),
        "need 0 is served by SET, FOB is there and wanted more",
    ),
    # One of A's two FOBs, and one of B's two cells, came from the shop.
    "a piece is fetched that lies aboard": (
        van_with("V1", stock={"FOB": 2, "CELL": 1}),
        "FOB comes from the shop, there is one left aboard",
    ),
    "a piece of a kit is fetched that lies aboard": (
        van_with("V1", stock={"FOB": 1, "CELL": 2}),
        "CELL comes from the shop, there is one left aboard",
    ),
    # One FOB from the shop is only a spare of V1's.
    "the wanted part is another van's spare": (
        van_with("V2", loads_at_shop=True),
        "need 0 is served by SET, FOB is there and wanted more",
    ),
}


@pytest.mark.parametrize("plant", THRIFT)
def test_a_part_that_is_passed_over_for_nothing_is_found(plant: str) -> None:
    edit, text = THRIFT[plant]
    day, plan = edit((DAY, PLAN))
    found = judge(day, travel_table(day), plan)
    assert [(one.rule, one.text) for one in found] == [(Rule.STOCK, text)]


def test_one_piece_of_the_wanted_two_is_not_worth_passing_over_a_kit() -> None:
    # C wants two FOBs; one lies in the van, and nobody may mix FOBs and SETs.
    day, plan = all_of(
        van_with("V2", stock={"SHELL": 2, "CELL": 5, "FOB": 1}),
        call_with("C", needs=(need("FOB", "SET", quantity=2),)),
        plan_with(
            issues=(
                *ISSUES[:5],
                replace(ISSUES[5], quantity=2),
                replace(ISSUES[6], quantity=4),
                *ISSUES[7:],
            )
        ),
    )((DAY, PLAN))
    assert judge(day, travel_table(day), plan) == ()


def test_every_rule_a_plan_can_break_is_planted() -> None:
    # ROOM is a reason not to place a call, and breaks nothing.
    assert {rule for rule, _ in PLANTS.values()} == set(Rule) - {Rule.ROOM}


def test_a_van_that_goes_out_for_nothing_is_found() -> None:
    # V1's pieces and calls are then wrong as well.
    _, plan = route_with(0, stops=())((DAY, PLAN))
    texts = [violation.text for violation in judge(DAY, TRAVEL, plan)]
    assert "goes out without a call" in texts


def test_a_van_that_goes_out_twice_is_found() -> None:
    plan = replace(PLAN, routes=(ROUTE_1, ROUTE_2, ROUTE_2))
    texts = [violation.text for violation in judge(DAY, TRAVEL, plan)]
    assert "goes out 2 times" in texts


def test_a_finding_says_which_rule_van_and_call() -> None:
    _, plan = stop_with(0, 0, drive_m=1)((DAY, PLAN))
    assert [str(violation) for violation in judge(DAY, TRAVEL, plan)] == [
        "[travel] van V1: call A: the distance is 1, should be 8000"
    ]


# --- what is allowed --------------------------------------------------------------


@pytest.mark.parametrize("proof", [Proof.BOUNDED, Proof.BEST_FOUND])
def test_a_bound_below_the_cost_is_fair(proof: Proof) -> None:
    _, plan = status_with(proof=proof, bound_units=COST_UNITS - 1)((DAY, PLAN))
    assert judge(DAY, TRAVEL, plan) == ()


# D is served from 13:00 to 13:30, V2 is back 25 min after its shift.
EDGES: dict[str, Edit] = {
    "a visit that fills its window": all_of(
        call_with("D", windows=(window(13, 13.5),)), stop_with(0, 3, slack_s=0)
    ),
    "a visit that starts as its promise begins": all_of(
        call_with("D", promise=window(13, 13.25)), stop_with(0, 3, slack_s=900)
    ),
    "a visit that starts as its promise ends": all_of(
        call_with("D", promise=window(12, 13)), stop_with(0, 3, slack_s=0)
    ),
    "a van that uses all its overtime": van_with("V2", overtime_limit_s=1500),
}


@pytest.mark.parametrize("edge", EDGES)
def test_both_ends_of_a_span_belong_to_it(edge: str) -> None:
    day, plan = EDGES[edge]((DAY, PLAN))
    assert judge(day, TRAVEL, plan) == ()


def test_waived_and_done_items_hold_nobody_up() -> None:
    late = replace(CODE, lead_time_s=48 * HOUR_S)
    for state in (ReadyState.DONE, ReadyState.WAIVED):
        day, plan = call_with("B", ready=(replace(late, state=state),))((DAY, PLAN))
        assert judge(day, TRAVEL, plan) == ()


def test_slack_does_not_reach_across_a_gap_into_the_next_window() -> None:
    windows = (window(13, 14.5), window(14.75, 17))
    day, plan = call_with("D", windows=windows)((DAY, PLAN))
    assert judge(day, TRAVEL, plan) == ()  # still an hour


LUNCH = Break(window=window(12, 13), length_s=1800)
NOON_STOPS: dict[str, tuple[tuple[Stop, ...], dict[str, int]]] = {
    # A is 10 min and 8 km off; the visit takes an hour.
    "before leaving": (
        (
            rest(
                SHOP,
                drive_m=0,
                drive_s=0,
                arrive_s=clock(12, 0),
                start_s=clock(12, 0),
                finish_s=clock(12, 30),
            ),
            visit(
                "A",
                drive_m=8000,
                drive_s=600,
                arrive_s=clock(12, 40),
                start_s=clock(12, 40),
                finish_s=clock(13, 40),
            ),
        ),
        {
            "leave_s": clock(12, 0),
            "last_drive_m": 8000,
            "last_drive_s": 600,
            "finish_s": clock(13, 50),
        },
    ),
    "in the first street": (
        (
            rest(
                at(8, 0),
                drive_m=8000,
                drive_s=600,
                arrive_s=clock(12, 0),
                start_s=clock(12, 5),
                finish_s=clock(12, 35),
            ),
            visit(
                "A",
                drive_m=0,
                drive_s=0,
                arrive_s=clock(12, 35),
                start_s=clock(12, 35),
                finish_s=clock(13, 35),
            ),
        ),
        {
            "leave_s": clock(11, 50),
            "last_drive_m": 8000,
            "last_drive_s": 600,
            "finish_s": clock(13, 45),
        },
    ),
    "before driving home": (
        (
            visit(
                "A",
                drive_m=8000,
                drive_s=600,
                arrive_s=clock(11, 30),
                start_s=clock(11, 30),
                finish_s=clock(12, 30),
            ),
            rest(
                at(8, 0),
                drive_m=0,
                drive_s=0,
                arrive_s=clock(12, 30),
                start_s=clock(12, 30),
                finish_s=clock(13, 0),
            ),
        ),
        {
            "leave_s": clock(11, 20),
            "last_drive_m": 8000,
            "last_drive_s": 600,
            "finish_s": clock(13, 10),
        },
    ),
    "at home": (
        (
            visit(
                "A",
                drive_m=8000,
                drive_s=600,
                arrive_s=clock(11, 20),
                start_s=clock(11, 20),
                finish_s=clock(12, 20),
            ),
            rest(
                SHOP,
                drive_m=8000,
                drive_s=600,
                arrive_s=clock(12, 30),
                start_s=clock(12, 30),
                finish_s=clock(13, 0),
            ),
        ),
        {
            "leave_s": clock(11, 10),
            "last_drive_m": 0,
            "last_drive_s": 0,
            "finish_s": clock(13, 0),
        },
    ),
    "not at all: back when it can still begin": (
        (
            visit(
                "A",
                drive_m=8000,
                drive_s=600,
                arrive_s=clock(11, 20),
                start_s=clock(11, 20),
                finish_s=clock(12, 20),
            ),
        ),
        {
            "leave_s": clock(11, 10),
            "last_drive_m": 8000,
            "last_drive_s": 600,
            "finish_s": clock(12, 30),
        },
    ),
}


def noon_day(meal: Break = LUNCH, **van: Any) -> Day:
    call = a_call("A", place=at(8, 0), median_s=3600, p90_s=3600)
    return a_day(call, vans=(a_van(meal=meal, **van),), travel=roads("A"))


def noon_plan(stops: tuple[Stop, ...], **fields: Any) -> Plan:
    route = Route(
        van_id="V1",
        stops=stops,
        drive_units=14_400_000,  # 16,000 m * 900
        time_units=(fields["finish_s"] - 28_800) * 15_000,
        **fields,
    )
    status = Status(proof=Proof.BEST_FOUND)
    return Plan(routes=(route,), issues=(), unplaced=(), status=status)


@pytest.mark.parametrize("where", NOON_STOPS)
def test_the_break_may_be_taken(where: str) -> None:
    stops, fields = NOON_STOPS[where]
    day = noon_day()
    assert judge(day, travel_table(day), noon_plan(stops, **fields)) == ()


def test_a_van_back_a_second_too_late_has_missed_its_break() -> None:
    stops, fields = NOON_STOPS["not at all: back when it can still begin"]
    day = noon_day(Break(window=Window(start_s=43_200, end_s=46_799), length_s=1800))
    found = judge(day, travel_table(day), noon_plan(stops, **fields))
    assert [violation.rule for violation in found] == [Rule.BREAK]


def test_a_van_from_anywhere_may_rest_anywhere_before_its_first_visit() -> None:
    stops, fields = NOON_STOPS["in the first street"]
    for place in (None, at(8, 0)):
        rested = replace(
            stops[0], place=place, drive_m=0, drive_s=0, arrive_s=clock(11, 50)
        )
        plan = noon_plan((rested, stops[1]), **fields)
        route = replace(plan.routes[0], drive_units=7_200_000)  # home only
        day = noon_day(start=None)
        assert judge(day, travel_table(day), replace(plan, routes=(route,))) == ()


def test_the_time_of_day_decides_how_long_a_drive_takes() -> None:
    # Half speed from 11:15 to 11:20, when a 10 min drive that left at 11:10 has
    # done half: after 5 more minutes a quarter is left, 150 s at full speed.
    # There at 11:22:30 instead of 11:20.
    slot_s = 300
    speeds = [1000] * (clock(12, 0) // slot_s)
    speeds[clock(11, 15) // slot_s] = 500
    day = noon_day()
    traffic = Traffic(slot_s=slot_s, speed_permille=tuple(speeds))
    day = replace(day, travel=replace(day.travel, traffic=traffic))
    stops, fields = NOON_STOPS["not at all: back when it can still begin"]
    plan = noon_plan(stops, **fields)
    assert {one.rule for one in judge(day, travel_table(day), plan)} == {
        Rule.TRAVEL,
        Rule.TIMING,
    }
    late = replace(
        stops[0], drive_s=750, arrive_s=clock(11, 22) + 30, start_s=clock(11, 22) + 30,
        finish_s=clock(12, 22) + 30,
    )  # fmt: skip
    fields = fields | {"finish_s": clock(12, 32) + 30}
    found = judge(day, travel_table(day), noon_plan((late,), **fields))
    assert [one.rule for one in found] == [Rule.BREAK]  # back after 12:30 now


# --- whatever a plan may hold -------------------------------------------------------

STOP_FIELDS = ("drive_m", "drive_s", "arrive_s", "start_s", "finish_s", "slack_s")
ROUTE_FIELDS = (
    "leave_s",
    "last_drive_m",
    "last_drive_s",
    "finish_s",
    "overtime_s",
    "drive_units",
    "time_units",
    "overtime_units",
)
NONZERO = st.integers(-(10**9), 10**9).filter(bool)
TWO_STOPS = st.lists(
    st.tuples(st.sampled_from([0, 1]), st.sampled_from([0, 1, 2])),
    min_size=2,
    max_size=2,
    unique=True,
)


@given(
    st.sampled_from([0, 1]), st.integers(0, 3), st.sampled_from(STOP_FIELDS), NONZERO
)
@settings(deadline=None)
def test_any_figure_of_a_stop_that_is_off_is_found(
    row: int, position: int, field: str, off: int
) -> None:
    stops = PLAN.routes[row].stops
    position %= len(stops)
    right = getattr(stops[position], field)
    _, plan = stop_with(row, position, **{field: (right or 0) + off})((DAY, PLAN))
    assert judge(DAY, TRAVEL, plan) != ()


@given(st.sampled_from([0, 1]), st.sampled_from(ROUTE_FIELDS), NONZERO)
@settings(deadline=None)
def test_any_figure_of_a_route_that_is_off_is_found(
    row: int, field: str, off: int
) -> None:
    right = getattr(PLAN.routes[row], field)
    _, plan = route_with(row, **{field: right + off})((DAY, PLAN))
    assert judge(DAY, TRAVEL, plan) != ()


@given(st.integers(0, len(ISSUES) - 1), NONZERO)
@settings(deadline=None)
def test_any_quantity_that_is_off_is_found(row: int, off: int) -> None:
    # All stock is given away, and no spare is below one.
    _, plan = issue_with(row, quantity=ISSUES[row].quantity + off)((DAY, PLAN))
    assert judge(DAY, TRAVEL, plan) != ()


@given(TWO_STOPS)
@settings(deadline=None)
def test_two_stops_in_each_other_s_place_are_found(
    places: list[tuple[int, int]],
) -> None:
    routes = [list(route.stops) for route in PLAN.routes]
    (row, position), (other_row, other_position) = places
    one, other = routes[row][position], routes[other_row][other_position]
    routes[row][position], routes[other_row][other_position] = other, one
    plan = replace(
        PLAN,
        routes=tuple(
            replace(route, stops=tuple(stops))
            for route, stops in zip(PLAN.routes, routes, strict=True)
        ),
    )
    assert judge(DAY, TRAVEL, plan) != ()


ANY_INT = st.integers(-(10**20), 10**20) | st.integers(-10, 100_000)
ANY_NEED = st.none() | st.integers(-3, 3)
ANY_PLACE = st.sampled_from([None, SHOP, HOME, at(8, 0), at(-8, -8)])
CALL_ID = st.sampled_from(["A", "B", "C", "D", "E", "F", "X", ""])
VAN_ID = st.sampled_from(["V1", "V2", "V9", ""])
PART_ID = st.sampled_from(["FOB", "SHELL", "CELL", "SET", "X", ""])
ANY_STOP = st.builds(
    Stop,
    kind=st.sampled_from(StopKind),
    call_id=st.none() | CALL_ID,
    place=ANY_PLACE,
    drive_m=ANY_INT,
    drive_s=ANY_INT,
    arrive_s=ANY_INT,
    start_s=ANY_INT,
    finish_s=ANY_INT,
    slack_s=st.none() | ANY_INT,
) | st.sampled_from([*ROUTE_1.stops, *ROUTE_2.stops])
ANY_ROUTE = st.builds(
    Route,
    van_id=VAN_ID,
    stops=st.lists(ANY_STOP, max_size=6).map(tuple),
    leave_s=ANY_INT,
    last_drive_m=ANY_INT,
    last_drive_s=ANY_INT,
    finish_s=ANY_INT,
    overtime_s=ANY_INT,
    drive_units=ANY_INT,
    time_units=ANY_INT,
    overtime_units=ANY_INT,
)
ANY_ISSUE = st.builds(
    Issue,
    van_id=VAN_ID,
    part_id=PART_ID,
    quantity=ANY_INT,
    origin=st.sampled_from(Origin),
    purpose=st.sampled_from(Purpose),
    call_id=st.none() | CALL_ID,
    need=ANY_NEED,
    chosen=st.none() | PART_ID,
)
ANY_UNPLACED = st.builds(
    Unplaced,
    call_id=CALL_ID,
    reasons=st.lists(
        st.builds(
            Reason,
            rule=st.sampled_from(Rule),
            text=st.text(max_size=3),
            van_id=st.none() | VAN_ID,
        ),
        max_size=2,
    ).map(tuple),
)
ANY_PLAN = st.builds(
    Plan,
    routes=st.lists(ANY_ROUTE, min_size=1, max_size=3).map(tuple),
    issues=st.lists(ANY_ISSUE, max_size=5).map(tuple),
    unplaced=st.lists(ANY_UNPLACED, max_size=4).map(tuple),
    status=st.builds(
        Status, proof=st.sampled_from(Proof), bound_units=st.none() | ANY_INT
    ),
)


@given(ANY_PLAN)
@settings(deadline=None, max_examples=300)
def test_nonsense_is_found_and_never_raises(plan: Plan) -> None:
    found = judge(DAY, TRAVEL, plan)
    assert found
    assert all(str(one).startswith(f"[{one.rule}]") for one in found)
    assert len(goal(DAY, plan)) == 5


@pytest.mark.parametrize("leave_s", [10**18, -(10**18)])
def test_a_van_that_leaves_at_the_end_of_time_is_late_at_once(leave_s: int) -> None:
    _, plan = route_with(0, leave_s=leave_s)((DAY, PLAN))
    assert judge(DAY, TRAVEL, plan) != ()
