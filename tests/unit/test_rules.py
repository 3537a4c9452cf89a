"""The judge: a plan made by hand passes, and every planted fault is named.

8:00 is 28,800 s. The builders' rates: 900 units per metre, 15,000 units per second
of paid time, 22,500 per second of overtime on top.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dispatch.rules import goal, judge
from dispatch.travel import travel_table
from shared.model import (
    Barred,
    Break,
    Call,
    Conflict,
    Day,
    Issue,
    Link,
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
    Store,
    Tool,
    ToolUse,
    Traffic,
    TravelRules,
    Unplaced,
    Van,
    Window,
)
from tests.builders import HOUR_S, SHOP, a_call, a_day, a_part, a_van, at, need, window
from tests.oracle.store_table import store_table

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
        a_part("FOB", unit_cost_cents=900),  # as dear as a SET
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


KEPT = (0, 0, 0, 0)  # no promise is broken


def test_the_goal_counts_what_is_left_by_priority_and_then_the_cost() -> None:
    assert goal(DAY, PLAN) == (0, 0, 1, 0, *KEPT, COST_UNITS)
    assert goal(DAY, replace(PLAN, routes=(ROUTE_2,))) == (
        *(1, 2, 1, 0),
        *KEPT,
        290_250_000,
    )


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
    "a visit is where nobody knows it to be": (
        Rule.ADDRESS,
        call_with("D", barred=Barred(rule=Rule.ADDRESS, text="nobody knows")),
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
    planted = {rule for rule, _ in (*PLANTS.values(), *WIDE_PLANTS.values())}
    assert planted == set(Rule) - {Rule.ROOM}


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


# --- a day with all rules ----------------------------------------------------------

# Any two different places are 10 min and 10 km apart. V1 has the one reader of the
# shop in the morning and brings it back at 9:00; V2 fetches it at 9:05. V3 stays in
# and hands V2 a FOB. V2's driver takes half as long again as others.
WIDE_NODES = ("shop", "store:K", *(f"call:{call_id}" for call_id in "PQRST"))
K = Store(
    id="K",
    place=at(5, 5),
    opening=window(9.25, 17),
    stock={"LOCK": 1},
    restock_s=300,
    prices={"LOCK": 450},
)
READER = Tool(id="reader", handover=True)
YARD = replace(SHOP, name="Yard")
WIDE = replace(
    a_day(
        a_call("P", place=at(1, 0), equipment=frozenset({"reader"})),
        a_call(
            "Q",
            place=at(2, 0),
            preference=window(10, 11),
            needs=(need("CYL", "LOCK", quantity=2),),
        ),
        a_call(
            "R",
            place=at(3, 0),
            promise=Window(start_s=clock(8, 5), end_s=clock(8, 30)),
            needs=(need("FOB"),),
        ),
        a_call(
            "S",
            place=at(4, 0),
            priority=1,
            promise=window(9, 9.25),
            equipment=frozenset({"reader"}),
            needs=(need("CELL"),),
        ),
        a_call("T", place=at(5, 0), priority=3),
        vans=(
            a_van("V1", stock={"LOCK": 1}, drive_limit_s=3000, work_limit_s=7800),
            a_van("V2", start=YARD, pace={"*": 1.5}),
            a_van("V3", start=YARD, stock={"FOB": 1}),
        ),
        parts=(
            a_part("CYL", unit_cost_cents=250),
            a_part("LOCK", unit_cost_cents=300),
            a_part("FOB"),
            a_part("CELL"),
        ),
        counters=(K,),
        tools=(READER,),
        links=(
            Link(first="P", then="S", min_gap_s=2700, max_gap_s=2700),
            Link(first="R", then="S", same_van=True),
            Link(first="S", then="T"),
        ),
        exchange=True,
        promises_may_break=True,
        travel=TravelRules(
            matrix={
                (origin, target): (600, 10_000)
                for origin in WIDE_NODES
                for target in WIDE_NODES
                if origin != target
            }
        ),
    ),
    shop=Store(id="shop", place=SHOP, stock={"CELL": 1}, restock_s=600),
)
WIDE_TRAVEL = store_table(WIDE)
WIDE_CALLS = {call.id: call for call in WIDE.calls}


def wide_stop(node: str, times: tuple[int, int, int], **fields: Any) -> Stop:
    """Return a stop at a call or store, 10 min and 10 km from the one before."""
    is_store = node in ("shop", "K")
    places = {"shop": SHOP, "K": K.place}
    return Stop(
        kind=StopKind.RESTOCK if is_store else StopKind.CALL,
        call_id=None if is_store else node,
        store_id=node if is_store else None,
        place=places[node] if is_store else WIDE_CALLS[node].place,
        drive_m=10_000,
        drive_s=600,
        arrive_s=times[0],
        start_s=times[1],
        finish_s=times[2],
        **fields,
    )


WIDE_1 = Route(
    van_id="V1",
    leave_s=clock(8, 0),
    stops=(
        wide_stop("P", (clock(8, 10), clock(8, 10), clock(8, 40))),
        wide_stop("shop", (clock(8, 50), clock(8, 50), clock(9, 0))),
        wide_stop("K", (clock(9, 10), clock(9, 15), clock(9, 20))),  # opens 9:15
        wide_stop("Q", (clock(9, 30), clock(9, 30), clock(10, 0))),
    ),
    last_drive_m=10_000,
    last_drive_s=600,
    finish_s=clock(10, 10),
    drive_units=45_000_000,  # 50,000 m * 900
    time_units=117_000_000,  # 2 h 10 min = 7800 s * 15,000
    preference_units=5_400_000,  # Q starts before 10:00: 300 * 18,000
    # A LOCK is 50 dearer than a CYL, twice; the one of K's is 150 dearer again.
    parts_units=4_500_000,  # 250 * 18,000
)
WIDE_2 = Route(
    van_id="V2",
    leave_s=clock(8, 0),
    stops=(
        # 45 min instead of 30; promised until 8:30.
        wide_stop("R", (clock(8, 10), clock(8, 10), clock(8, 55)), slack_s=1200),
        wide_stop("shop", (clock(9, 5), clock(9, 5), clock(9, 15))),
        # Promised until 9:15, so 10 min late; 45 min after P was done.
        wide_stop(
            "S", (clock(9, 25), clock(9, 25), clock(10, 10)), slack_s=0, late_s=600
        ),
    ),
    last_drive_m=10_000,
    last_drive_s=600,
    finish_s=clock(10, 20),
    drive_units=36_000_000,  # 40,000 m * 900
    time_units=126_000_000,  # 2 h 20 min = 8400 s * 15,000
    late_units=27_000_000,  # as a quarter of an hour at 60.00: 1500 * 18,000
)
WIDE_UNITS = 360_900_000  # of both
WIDE_ISSUES = (
    issue("V1", "LOCK", "Q", "LOCK", extra_cents=100),  # 0
    issue(  # 1
        "V1",
        "LOCK",
        "Q",
        "LOCK",
        origin=Origin.RESTOCK,
        store_id="K",
        extra_cents=150,
    ),
    issue("V2", "FOB", "R", "FOB", origin=Origin.VAN, from_van="V3"),  # 2
    issue("V2", "CELL", "S", "CELL", origin=Origin.RESTOCK, store_id="shop"),  # 3
)
LATE_S = Unplaced(
    call_id="S", reasons=(Reason(rule=Rule.ROOM, text="R is in the way"),)
)
HELD_1 = ToolUse(van_id="V1", tool_id="reader", returned=True)
HELD_2 = ToolUse(van_id="V2", tool_id="reader", collected=True)
WIDE_PLAN = Plan(
    routes=(WIDE_1, WIDE_2),
    issues=WIDE_ISSUES,
    unplaced=(replace(LATE_S, call_id="T"),),
    status=Status(proof=Proof.BEST_FOUND),
    tools=(HELD_1, HELD_2),
    late=(LATE_S,),
    conflicts=(Conflict(call_ids=("Q", "T"), text="both want V1"),),
)


def test_a_plan_with_all_rules_made_by_hand_passes() -> None:
    assert judge(WIDE, WIDE_TRAVEL, WIDE_PLAN) == ()
    assert WIDE_PLAN.cost_units == WIDE_UNITS


def test_the_goal_counts_broken_promises_by_priority_before_the_cost() -> None:
    assert goal(WIDE, WIDE_PLAN) == (*(0, 0, 1, 0), *(1, 0, 0, 0), WIDE_UNITS)


def wide_issue_with(row: int, **changes: Any) -> Edit:
    issues = list(WIDE_ISSUES)
    issues[row] = replace(issues[row], **changes)
    return plan_with(issues=tuple(issues))


def more_issues(*issues: Issue) -> Edit:
    return plan_with(issues=(*WIDE_ISSUES, *issues))


def spare(van_id: str, part_id: str, origin: Origin, **fields: Any) -> Issue:
    return Issue(
        van_id=van_id,
        part_id=part_id,
        quantity=1,
        origin=origin,
        purpose=Purpose.SPARE,
        **fields,
    )


def counter_with(**changes: Any) -> Edit:
    return day_with(counters=(replace(K, **changes),))


def wide_shop_with(**changes: Any) -> Edit:
    return day_with(shop=replace(WIDE.shop, **changes))


def tool_with(**changes: Any) -> Edit:
    return day_with(tools=(replace(READER, **changes),))


def links(*all_links: Link) -> Edit:
    return day_with(links=all_links)


def reader_collected_at(time_s: int) -> Edit:
    """Have V2 be at the shop, there at once from R, and collect the reader then."""
    # R is served from 8:10 at usual pace until 10 min before; S lasts its 30 min.
    r_s = time_s - 600 - clock(8, 10)
    s_start_s, back_s = time_s + 1200, time_s + 1200 + 1800 + 600
    return all_of(
        van_with("V2", pace={}),
        call_with("R", median_s=r_s, p90_s=r_s),
        links(),
        route_with(
            1,
            stops=(
                wide_stop(
                    "R", (clock(8, 10), clock(8, 10), time_s - 600), slack_s=1200
                ),
                wide_stop("shop", (time_s, time_s, time_s + 600)),
                wide_stop(
                    "S",
                    (s_start_s, s_start_s, s_start_s + 1800),
                    slack_s=0,
                    late_s=s_start_s - clock(9, 15),
                ),
            ),
            finish_s=back_s,
            time_units=(back_s - clock(8, 0)) * 15_000,
        ),
    )


def two_stops_at_k() -> Edit:
    # The second, 9:20 to 9:25, fetches nothing more; all after it is 5 min later.
    again = replace(
        WIDE_1.stops[2],
        drive_m=0,
        drive_s=0,
        arrive_s=clock(9, 20),
        start_s=clock(9, 20),
        finish_s=clock(9, 25),
    )
    return all_of(
        van_with("V1", work_limit_s=None),
        route_with(
            0,
            stops=(
                *WIDE_1.stops[:3],
                again,
                wide_stop("Q", (clock(9, 35), clock(9, 35), clock(10, 5))),
            ),
            finish_s=clock(10, 15),
            time_units=121_500_000,  # 8100 s * 15,000
        ),
    )


NOTHING_TO_FETCH_AT_K = all_of(
    van_with("V1", stock={"LOCK": 2}),
    plan_with(issues=(replace(WIDE_ISSUES[0], quantity=2), *WIDE_ISSUES[2:])),
    route_with(0, parts_units=1_800_000),  # 100 * 18,000
)
# P, before K, wants a LOCK as well, and K has two.
FETCHED_TOO_LATE = all_of(
    call_with("P", needs=(need("LOCK"),)),
    counter_with(stock={"LOCK": 2}),
    more_issues(replace(WIDE_ISSUES[1], call_id="P", extra_cents=150)),
    route_with(0, parts_units=7_200_000),  # 400 * 18,000
)
HARD_PROMISES = all_of(
    day_with(promises_may_break=False),
    stop_with(1, 2, late_s=0),
    route_with(1, late_units=0),
    plan_with(late=()),
)

WIDE_PLANTS: dict[str, tuple[Rule, Edit]] = {
    # restock stops
    "a van stops at a store nobody knows": (
        Rule.RESTOCK,
        stop_with(0, 2, store_id="Z"),
    ),
    "a van stops at a store and names none": (
        Rule.RESTOCK,
        stop_with(0, 2, store_id=None),
    ),
    "a van stops where none may": (Rule.RESTOCK, counter_with(restock_s=None)),
    "a van is at a counter before it opens": (
        Rule.RESTOCK,
        counter_with(opening=Window(start_s=clock(9, 15) + 1, end_s=clock(17, 0))),
    ),
    "a van is at a counter when it closes": (
        Rule.RESTOCK,
        counter_with(opening=Window(start_s=clock(9, 15), end_s=clock(9, 20) - 1)),
    ),
    "the shop has closed": (
        Rule.RESTOCK,
        wide_shop_with(opening=Window(start_s=0, end_s=clock(9, 14))),
    ),
    "a restock stop is cut short": (
        Rule.RESTOCK,
        stop_with(0, 2, finish_s=clock(9, 19)),
    ),
    "a van stops twice at one store": (Rule.RESTOCK, two_stops_at_k()),
    "a van stops at a counter for nothing": (Rule.RESTOCK, NOTHING_TO_FETCH_AT_K),
    # There is a reader for each: V1 keeps its own, and V2's stop has its reason.
    "a van stops at the shop for nothing": (
        Rule.RESTOCK,
        all_of(
            tool_with(quantity=2),
            plan_with(tools=(ToolUse(van_id="V1", tool_id="reader"), HELD_2)),
        ),
    ),
    "a piece is fetched after the call that uses it": (Rule.RESTOCK, FETCHED_TOO_LATE),
    "a piece is fetched where the van does not stop": (
        Rule.RESTOCK,
        all_of(
            counter_with(stock={"LOCK": 1, "CELL": 1}),
            wide_issue_with(3, store_id="K"),
        ),
    ),
    "a restock stop is elsewhere than its store": (
        Rule.TRAVEL,
        stop_with(0, 2, place=SHOP),
    ),
    "a counter is nearer than it is": (Rule.TRAVEL, stop_with(0, 2, drive_m=9999)),
    "the way from a counter is shorter than it is": (
        Rule.TRAVEL,
        stop_with(0, 3, drive_s=599),
    ),
    "a restock stop starts before the van is there": (
        Rule.TIMING,
        all_of(
            # The shop takes 1 s less, then 1 s more: nothing else changes.
            stop_with(1, 1, start_s=clock(9, 5) - 1, finish_s=clock(9, 15) - 1),
            stop_with(1, 2, arrive_s=clock(9, 25) - 1),
        ),
    ),
    "a restock stop has slack": (Rule.TIMING, stop_with(0, 2, slack_s=0)),
    "a restock stop names a call": (Rule.COVER, stop_with(0, 2, call_id="Q")),
    "a restock stop is late": (Rule.COVER, stop_with(0, 2, late_s=1)),
    "a visit names a store": (Rule.COVER, stop_with(0, 3, store_id="K")),
    "a counter gives more than it has": (Rule.STOCK, counter_with(stock={})),
    "the shop gives in the morning what is fetched later": (
        Rule.STOCK,
        more_issues(spare("V1", "CELL", Origin.SHOP)),
    ),
    "a spare is fetched on the way": (
        Rule.STOCK,
        all_of(
            counter_with(stock={"LOCK": 2}),
            more_issues(spare("V1", "LOCK", Origin.RESTOCK, store_id="K")),
        ),
    ),
    "a piece aboard names a store": (Rule.STOCK, wide_issue_with(0, store_id="K")),
    # from van to van
    "a piece is handed over where nobody does": (Rule.STOCK, day_with(exchange=False)),
    "a piece is handed over by a van that starts anywhere": (
        Rule.STOCK,
        van_with("V3", start=None),
    ),
    "a piece is handed over to a van that starts anywhere": (
        Rule.STOCK,
        # V2 appears at R then, and its first drive is none.
        all_of(
            van_with("V2", start=None),
            stop_with(1, 0, drive_m=0, drive_s=0),
            route_with(1, leave_s=clock(8, 10), drive_units=27_000_000),
        ),
    ),
    "a van hands itself a piece": (
        Rule.STOCK,
        all_of(van_with("V2", stock={"FOB": 1}), wide_issue_with(2, from_van="V2")),
    ),
    "a piece is handed over by nobody": (Rule.STOCK, wide_issue_with(2, from_van=None)),
    "a piece is handed over by a van that is not there": (
        Rule.STOCK,
        wide_issue_with(2, from_van="V9"),
    ),
    "a van hands over what it has not": (Rule.STOCK, van_with("V3", stock={})),
    "a van hands over what it uses itself": (
        Rule.STOCK,
        all_of(
            call_with("R", needs=(need("LOCK"),)),
            wide_issue_with(2, part_id="LOCK", chosen="LOCK", from_van="V1"),
        ),
    ),
    "a spare is handed over": (
        Rule.STOCK,
        all_of(
            van_with("V3", stock={"FOB": 2}),
            more_issues(spare("V2", "FOB", Origin.VAN, from_van="V3")),
        ),
    ),
    "a piece aboard names another van": (Rule.STOCK, wide_issue_with(0, from_van="V3")),
    # what pieces cost
    "a substitute is not charged": (Rule.COST, wide_issue_with(0, extra_cents=0)),
    "a substitute is charged by the piece": (
        Rule.COST,
        wide_issue_with(0, extra_cents=50),
    ),
    "a counter is as cheap as the shop": (Rule.COST, wide_issue_with(1, extra_cents=0)),
    "a cheaper substitute gives money back": (
        Rule.COST,
        # CYL at 350: a LOCK is 50 cheaper, twice. 50 * 18,000.
        all_of(
            day_with(
                parts=dict(WIDE.parts) | {"CYL": a_part("CYL", unit_cost_cents=350)}
            ),
            wide_issue_with(0, extra_cents=-100),
            route_with(0, parts_units=900_000),
        ),
    ),
    "a cheaper counter gives money back": (
        Rule.COST,
        # K's LOCK at 250: nothing more, nothing less. 100 * 18,000.
        all_of(
            counter_with(prices={"LOCK": 250}),
            wide_issue_with(1, extra_cents=-50),
            route_with(0, parts_units=1_800_000),
        ),
    ),
    "a spare is charged": (
        Rule.COST,
        all_of(
            van_with("V2", stock={"CYL": 1}),
            more_issues(spare("V2", "CYL", Origin.ABOARD, extra_cents=1)),
        ),
    ),
    "the parts of a route are too cheap": (Rule.COST, route_with(0, parts_units=0)),
    "the parts of a route cost and none is dear": (
        Rule.COST,
        route_with(1, parts_units=1),
    ),
    # shared tools
    "a tool is none of the shop's": (Rule.TOOL, day_with(tools=())),
    "more tools are out in the morning than there are": (
        Rule.TOOL,
        # V2's stop at the shop still fetches the CELL.
        plan_with(tools=(HELD_1, replace(HELD_2, collected=False))),
    ),
    "a tool is collected a second before it is back": (
        Rule.TOOL,
        reader_collected_at(clock(9, 0) - 1),
    ),
    "a call wants a tool before it is collected": (
        Rule.TOOL,
        call_with("R", equipment=frozenset({"reader"})),
    ),
    "a call wants a tool after it is returned": (
        Rule.TOOL,
        call_with("Q", equipment=frozenset({"reader"})),
    ),
    "a tool changes hands that stays with one van": (
        Rule.TOOL,
        tool_with(handover=False),
    ),
    "a tool is collected and nobody stops at the shop": (
        Rule.TOOL,
        # V1 keeps its reader, stops at K only, and Q wants a press.
        all_of(
            tool_with(quantity=2),
            call_with("Q", equipment=frozenset({"press"})),
            day_with(
                tools=(replace(READER, quantity=2), Tool(id="press", handover=True))
            ),
            route_with(
                0,
                stops=(
                    WIDE_1.stops[0],
                    replace(WIDE_1.stops[2], arrive_s=clock(8, 50)),
                    WIDE_1.stops[3],
                ),
                drive_units=36_000_000,  # 40,000 m * 900
            ),
            plan_with(
                tools=(
                    replace(HELD_1, returned=False),
                    ToolUse(van_id="V1", tool_id="press", collected=True),
                    HELD_2,
                )
            ),
        ),
    ),
    "a tool is carried that no call needs": (
        Rule.TOOL,
        call_with("P", equipment=frozenset()),
    ),
    "a tool is carried by a van that has its own": (
        Rule.TOOL,
        van_with("V1", equipment=frozenset({"reader"})),
    ),
    "a tool is carried by a van that does not load at the shop": (
        Rule.TOOL,
        van_with("V2", loads_at_shop=False),  # the CELL it may fetch all the same
    ),
    "a tool is carried twice by one van": (
        Rule.TOOL,
        all_of(tool_with(quantity=9), plan_with(tools=(HELD_1, HELD_2, HELD_2))),
    ),
    "a tool is carried by a van that stays in": (
        Rule.TOOL,
        all_of(
            tool_with(quantity=9),
            plan_with(tools=(HELD_1, HELD_2, replace(HELD_2, van_id="V3"))),
        ),
    ),
    "a tool is collected and returned at once": (
        Rule.TOOL,
        all_of(
            tool_with(quantity=9),
            plan_with(tools=(HELD_1, replace(HELD_2, returned=True))),
        ),
    ),
    "a call wants what is no tool of the shop's": (
        Rule.EQUIPMENT,
        call_with("P", equipment=frozenset({"reader", "press"})),
    ),
    # promises and preferences
    "a slow driver's visit is as short as anybody's": (
        Rule.TIMING,
        stop_with(1, 0, finish_s=clock(8, 40)),
    ),
    "a promise is broken that may not": (Rule.PROMISE, HARD_PROMISES),
    "a visit starts before a promise that may break": (
        Rule.PROMISE,
        call_with("R", promise=Window(start_s=clock(8, 10) + 1, end_s=clock(8, 30))),
    ),
    "a visit is later than it says": (Rule.PROMISE, stop_with(1, 2, late_s=599)),
    "a visit is late that is not": (Rule.PROMISE, stop_with(1, 0, late_s=1)),
    "a visit without a promise is late": (Rule.PROMISE, stop_with(0, 3, late_s=1)),
    "a late visit has slack": (Rule.TIMING, stop_with(1, 2, slack_s=None)),
    "a late visit leaves its availability": (
        Rule.WINDOW,
        call_with("S", windows=(window(9, 10),)),
    ),
    "a late call is not listed": (Rule.PROMISE, plan_with(late=())),
    "a late call is listed twice": (Rule.PROMISE, plan_with(late=(LATE_S, LATE_S))),
    "a call in time is listed as late": (
        Rule.PROMISE,
        plan_with(late=(LATE_S, replace(LATE_S, call_id="R"))),
    ),
    "a late call has no reason": (
        Rule.COVER,
        plan_with(late=(replace(LATE_S, reasons=()),)),
    ),
    "being late costs by the second": (
        Rule.COST,
        route_with(1, late_units=18_000_000),  # 600 s * 30,000
    ),
    "being late costs nothing": (Rule.COST, route_with(1, late_units=0)),
    "an unmet preference costs nothing": (Rule.COST, route_with(0, preference_units=0)),
    "a met preference costs": (
        Rule.COST,
        call_with("Q", preference=window(9.5, 10)),
    ),
    # calls that hang together
    "the second call starts too soon after the first": (
        Rule.LINK,
        links(Link(first="P", then="S", min_gap_s=2701)),
    ),
    "the second call starts too long after the first": (
        Rule.LINK,
        links(Link(first="P", then="S", max_gap_s=2699)),
    ),
    "the second call comes before the first": (
        Rule.LINK,
        links(Link(first="S", then="P")),
    ),
    "the second call is served without the first": (
        Rule.LINK,
        links(Link(first="T", then="Q")),
    ),
    "two vans serve what one should": (
        Rule.LINK,
        links(Link(first="P", then="S", same_van=True)),
    ),
    # limits
    "a van drives too long": (Rule.LIMIT, van_with("V1", drive_limit_s=2999)),
    "a van works too long": (Rule.LIMIT, van_with("V1", work_limit_s=7799)),
    # conflicts
    "a conflict is between one call": (
        Rule.COVER,
        plan_with(conflicts=(Conflict(call_ids=("T",), text=""),)),
    ),
    "a conflict is between a call and itself": (
        Rule.COVER,
        plan_with(conflicts=(Conflict(call_ids=("T", "T"), text=""),)),
    ),
    "a conflict names a call nobody made": (
        Rule.COVER,
        plan_with(conflicts=(Conflict(call_ids=("T", "X"), text=""),)),
    ),
    # of several days
    "a call is served on another day than it may": (
        Rule.WINDOW,
        all_of(
            day_with(horizon=2),
            call_with("Q", dates=(WIDE.date + timedelta(days=1),)),
        ),
    ),
    "a van goes out that is off": (
        Rule.SHIFT,
        all_of(day_with(horizon=2), van_with("V1", off=frozenset({WIDE.date}))),
    ),
    "a van goes out that is off on the only day": (
        Rule.SHIFT,
        van_with("V1", off=frozenset({WIDE.date})),
    ),
}


@pytest.mark.parametrize("plant", WIDE_PLANTS)
def test_a_fault_planted_in_a_day_with_all_rules_is_found_alone(plant: str) -> None:
    rule, edit = WIDE_PLANTS[plant]
    day, plan = edit((WIDE, WIDE_PLAN))
    found = judge(day, store_table(day), plan)
    assert {violation.rule for violation in found} == {rule}, "\n".join(map(str, found))


def test_a_piece_fetched_at_no_store_is_found() -> None:
    _, plan = wide_issue_with(1, store_id=None)((WIDE, WIDE_PLAN))
    assert {one.rule for one in judge(WIDE, WIDE_TRAVEL, plan)} == {
        Rule.RESTOCK,  # K is stopped at for nothing, and nowhere is a LOCK fetched
        Rule.STOCK,
    }


def test_no_tool_changes_hands_where_no_van_stops_at_the_shop() -> None:
    day, plan = wide_shop_with(restock_s=None)((WIDE, WIDE_PLAN))
    found = judge(day, WIDE_TRAVEL, plan)
    assert {one.rule for one in found} == {Rule.RESTOCK, Rule.TOOL}


WIDE_THRIFT: dict[str, tuple[Edit, str]] = {
    # Q has one LOCK aboard and one of K's: 100 and 150 cents more than two CYL.
    "the wanted part lies in the shop": (
        wide_shop_with(stock={"CELL": 1, "CYL": 2}),
        "need 0 is served by LOCK for 250 cents more than wanted, CYL is there for 0",
    ),
    "the wanted part can be handed over": (
        van_with("V3", stock={"FOB": 1, "CYL": 2}),
        "need 0 is served by LOCK for 250 cents more than wanted, CYL is there for 0",
    ),
    "the wanted part lies at the counter, a little dearer": (
        counter_with(stock={"LOCK": 1, "CYL": 2}, prices={"LOCK": 450, "CYL": 300}),
        "need 0 is served by LOCK for 250 cents more than wanted, CYL is there for 100",
    ),
    "the wanted part lies at the counter, as dear": (
        counter_with(stock={"LOCK": 1, "CYL": 2}, prices={"LOCK": 450, "CYL": 375}),
        "need 0 is served by LOCK, CYL is there and wanted more",
    ),
    "a piece bought dearly lies in the shop": (
        wide_shop_with(stock={"CELL": 1, "LOCK": 1}),
        (
            "need 0 is served by LOCK for 250 cents more than wanted, "
            "LOCK is there for 100"
        ),
    ),
    "a substitute that costs nothing would do": (
        all_of(
            call_with("Q", needs=(need("LOCK", "CYL", quantity=2),)),
            van_with("V1", stock={"LOCK": 1, "CYL": 2}),
            wide_issue_with(0, extra_cents=0),
            route_with(0, parts_units=2_700_000),  # 150 * 18,000
        ),
        "need 0 is served by LOCK for 150 cents more than wanted, CYL is there for 0",
    ),
    "a piece is handed over that lies aboard": (
        van_with("V2", stock={"FOB": 1}),
        "FOB is handed over by V3, there is one left aboard",
    ),
    "a piece is handed over that lies in the shop": (
        wide_shop_with(stock={"CELL": 1, "FOB": 1}),
        "FOB is handed over by V3, there is one left at shop",
    ),
    "a piece is fetched on the way that lies aboard": (
        van_with("V2", stock={"CELL": 1}),
        "CELL is fetched at shop, there is one left aboard",
    ),
}


@pytest.mark.parametrize("plant", WIDE_THRIFT)
def test_money_spent_on_parts_for_nothing_is_found(plant: str) -> None:
    edit, text = WIDE_THRIFT[plant]
    day, plan = edit((WIDE, WIDE_PLAN))
    found = judge(day, store_table(day), plan)
    assert [(one.rule, one.text) for one in found] == [(Rule.STOCK, text)]


# What looks like the faults above, and is none.
WIDE_FINE: dict[str, Edit] = {
    "a tool collected the second it is back": reader_collected_at(clock(9, 0)),
    "a wanted part in a shop that the van does not load at": all_of(
        # Nobody shares a reader, and V1 drives straight from P to K.
        day_with(tools=()),
        call_with("P", equipment=frozenset()),
        call_with("S", equipment=frozenset()),
        plan_with(tools=()),
        van_with("V1", loads_at_shop=False, drive_limit_s=2400),
        wide_shop_with(stock={"CELL": 1, "CYL": 2}),
        route_with(
            0,
            stops=(
                WIDE_1.stops[0],
                replace(WIDE_1.stops[2], arrive_s=clock(8, 50)),
                WIDE_1.stops[3],
            ),
            drive_units=36_000_000,  # 40,000 m * 900
        ),
    ),
    "one wanted piece where two are needed": wide_shop_with(
        stock={"CELL": 1, "CYL": 1}
    ),
    "a wanted part at the counter that is a little dearer": counter_with(
        # Two CYL at 126 more each cost 252, the LOCKs 100 + 150.
        stock={"LOCK": 1, "CYL": 2},
        prices={"LOCK": 450, "CYL": 376},
    ),
    "a counter that is open just as long": counter_with(
        opening=Window(start_s=clock(9, 15), end_s=clock(9, 20))
    ),
    "a shop that never closes": wide_shop_with(opening=None),
    "a preference that begins as the visit does": all_of(
        call_with("Q", preference=window(9.5, 10)), route_with(0, preference_units=0)
    ),
    "a preference that ends as the visit begins": all_of(
        call_with("Q", preference=window(9, 9.5)), route_with(0, preference_units=0)
    ),
    "a tool that two vans have all day": all_of(
        # V1 still brings its own back.
        tool_with(quantity=2),
        plan_with(tools=(HELD_1, replace(HELD_2, collected=False))),
    ),
    "a second call that waits for nobody": links(Link(first="Q", then="T")),
    "other dates of a van off": van_with(
        "V1", off=frozenset({WIDE.date + timedelta(days=1)})
    ),
    "a pace for this kind only": van_with("V2", pace={"lockout_vehicle": 1.5, "*": 3}),
}


@pytest.mark.parametrize("fine", WIDE_FINE)
def test_a_day_with_all_rules_allows(fine: str) -> None:
    day, plan = WIDE_FINE[fine]((WIDE, WIDE_PLAN))
    assert judge(day, store_table(day), plan) == ()


@pytest.mark.parametrize(
    ("late_min", "paid_cents"),
    # A quarter, half, one, two and at most four hours at 60.00.
    [
        (1, 1500),
        (15, 1500),
        (16, 3000),
        (30, 3000),
        (31, 6000),
        (120, 12_000),
        (121, 24_000),
    ],
)
def test_being_late_costs_as_the_longest_of_its_step(
    late_min: int, paid_cents: int
) -> None:
    promised = Window(start_s=0, end_s=clock(9, 25) - 60 * late_min)
    day, plan = all_of(
        call_with("S", promise=promised),
        stop_with(1, 2, late_s=60 * late_min),
        route_with(1, late_units=paid_cents * 18_000),
    )((WIDE, WIDE_PLAN))
    assert judge(day, WIDE_TRAVEL, plan) == ()


@pytest.mark.parametrize(
    ("where", "worked_s"),
    [
        ("in the first street", 5100),  # 11:50 to 13:45 without half an hour
        ("not at all: back when it can still begin", 4800),  # 11:10 to 12:30
    ],
)
def test_a_break_on_the_way_is_no_work(where: str, worked_s: int) -> None:
    stops, fields = NOON_STOPS[where]
    plan = noon_plan(stops, **fields)
    enough, short = (noon_day(work_limit_s=limit) for limit in (worked_s, worked_s - 1))
    assert judge(enough, travel_table(enough), plan) == ()
    assert [one.rule for one in judge(short, travel_table(short), plan)] == [Rule.LIMIT]


def test_a_break_may_be_taken_in_the_street_of_a_counter() -> None:
    # V1 has lunch from 9:10 to 9:20 at K's and is 5 min later from there on.
    pause = rest(
        K.place,
        drive_m=10_000,
        drive_s=600,
        arrive_s=clock(9, 10),
        start_s=clock(9, 10),
        finish_s=clock(9, 20),
    )
    at_k = replace(
        WIDE_1.stops[2],
        drive_m=0,
        drive_s=0,
        arrive_s=clock(9, 20),
        start_s=clock(9, 20),
        finish_s=clock(9, 25),
    )
    day, plan = all_of(
        # 8:00 to 10:15 without 10 min.
        van_with(
            "V1",
            meal=Break(window=window(9, 9.5), length_s=600),
            work_limit_s=7500,
        ),
        route_with(
            0,
            stops=(
                *WIDE_1.stops[:2],
                pause,
                at_k,
                wide_stop("Q", (clock(9, 35), clock(9, 35), clock(10, 5))),
            ),
            finish_s=clock(10, 15),
            time_units=121_500_000,  # 8100 s * 15,000
        ),
    )((WIDE, WIDE_PLAN))
    assert judge(day, WIDE_TRAVEL, plan) == ()


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


WIDE_STOP_FIELDS = (*STOP_FIELDS, "late_s")
WIDE_ROUTE_FIELDS = (*ROUTE_FIELDS, "late_units", "preference_units", "parts_units")


@given(
    st.sampled_from([0, 1]),
    st.integers(0, 3),
    st.sampled_from(WIDE_STOP_FIELDS),
    NONZERO,
)
@settings(deadline=None)
def test_any_figure_of_a_stop_that_is_off_is_found_on_a_day_with_all_rules(
    row: int, position: int, field: str, off: int
) -> None:
    stops = WIDE_PLAN.routes[row].stops
    position %= len(stops)
    right = getattr(stops[position], field)
    _, plan = stop_with(row, position, **{field: (right or 0) + off})((WIDE, WIDE_PLAN))
    assert judge(WIDE, WIDE_TRAVEL, plan) != ()


@given(st.sampled_from([0, 1]), st.sampled_from(WIDE_ROUTE_FIELDS), NONZERO)
@settings(deadline=None)
def test_any_figure_of_a_route_that_is_off_is_found_on_a_day_with_all_rules(
    row: int, field: str, off: int
) -> None:
    right = getattr(WIDE_PLAN.routes[row], field)
    _, plan = route_with(row, **{field: right + off})((WIDE, WIDE_PLAN))
    assert judge(WIDE, WIDE_TRAVEL, plan) != ()


@given(
    st.integers(0, len(WIDE_ISSUES) - 1),
    st.sampled_from(["quantity", "extra_cents"]),
    NONZERO,
)
@settings(deadline=None)
def test_any_figure_of_an_issue_that_is_off_is_found(
    row: int, field: str, off: int
) -> None:
    right = getattr(WIDE_ISSUES[row], field)
    _, plan = wide_issue_with(row, **{field: right + off})((WIDE, WIDE_PLAN))
    assert judge(WIDE, WIDE_TRAVEL, plan) != ()


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
CALL_ID = st.sampled_from([*"ABCDEFPQRSTX", ""])
VAN_ID = st.sampled_from(["V1", "V2", "V3", "V9", ""])
PART_ID = st.sampled_from(["FOB", "SHELL", "CELL", "SET", "X", ""])
STORE_ID = st.sampled_from(["shop", "K", "L", "Z", ""])
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
    leave_by_s=st.none() | ANY_INT,
    store_id=st.none() | STORE_ID,
    late_s=ANY_INT,
) | st.sampled_from([*ROUTE_1.stops, *ROUTE_2.stops, *WIDE_1.stops, *WIDE_2.stops])
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
    late_units=ANY_INT,
    preference_units=ANY_INT,
    parts_units=ANY_INT,
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
    from_van=st.none() | VAN_ID,
    store_id=st.none() | STORE_ID,
    extra_cents=ANY_INT,
) | st.sampled_from([*ISSUES, *WIDE_ISSUES])
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
    tools=st.lists(
        st.builds(
            ToolUse,
            van_id=VAN_ID,
            tool_id=st.sampled_from(["reader", "press", ""]),
            collected=st.booleans(),
            returned=st.booleans(),
        ),
        max_size=3,
    ).map(tuple),
    late=st.lists(ANY_UNPLACED, max_size=2).map(tuple),
    conflicts=st.lists(
        st.builds(
            Conflict,
            call_ids=st.lists(CALL_ID, max_size=3).map(tuple),
            text=st.text(max_size=3),
        ),
        max_size=2,
    ).map(tuple),
)


@given(ANY_PLAN)
@settings(deadline=None, max_examples=300)
def test_nonsense_is_found_and_never_raises(plan: Plan) -> None:
    for day, travel in ((DAY, TRAVEL), (WIDE, WIDE_TRAVEL)):
        found = judge(day, travel, plan)
        assert found
        assert all(str(one).startswith(f"[{one.rule}]") for one in found)
        assert len(goal(day, plan)) == 9


@pytest.mark.parametrize("leave_s", [10**18, -(10**18)])
def test_a_van_that_leaves_at_the_end_of_time_is_late_at_once(leave_s: int) -> None:
    _, plan = route_with(0, leave_s=leave_s)((DAY, PLAN))
    assert judge(DAY, TRAVEL, plan) != ()
