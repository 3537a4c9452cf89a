"""Pieces are given out once, calls before spares, and the pick list says so."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from itertools import product
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dispatch.stock import (
    SPARES_BEYOND,
    admit,
    chance_enough,
    choose,
    demand,
    give_out,
    leave_over,
    parts_cents,
    pick_lists,
    spare_count,
    spare_issues,
    tie_together,
)
from shared.model import (
    Call,
    Day,
    Issue,
    Origin,
    Plan,
    Purpose,
    Stop,
    StopKind,
    Store,
    ToolUse,
)
from tests.builders import SHOP, a_call, a_day, a_part, a_plan, a_van, need

COUNTS = st.integers(min_value=0, max_value=4)
PARTS = ("P", "Q", "R")


def plan_of(day: Day, routes: Mapping[str, tuple[str, ...]]) -> Plan:
    """Return a plan whose calls take their first choice, spares along."""
    issues = give_out(day, routes)
    assert issues is not None
    bare = a_plan(routes, issues)
    return a_plan(routes, (*issues, *spare_issues(day, bare.routes, issues)))


def used_of(issues: tuple[Issue, ...]) -> Counter[tuple[str, str]]:
    """Return (source, part) to the pieces taken there."""
    used: Counter[tuple[str, str]] = Counter()
    for issue in issues:
        source = "shop" if issue.origin is Origin.SHOP else issue.van_id
        used[source, issue.part_id] += issue.quantity
    return used


@st.composite
def days(draw: st.DrawFn) -> tuple[Day, dict[str, tuple[str, ...]]]:
    """Draw two or three vans, their calls, and stock that may or may not do."""
    stock = st.dictionaries(st.sampled_from(PARTS), COUNTS)
    van_ids = ("V1", "V2", "V3")[: draw(st.integers(2, 3))]
    vans = tuple(
        a_van(van_id, stock=draw(stock), loads_at_shop=draw(st.booleans()))
        for van_id in van_ids
    )
    alternatives = st.lists(
        st.sampled_from((*PARTS, "KIT")), min_size=1, max_size=3, unique=True
    )
    calls = tuple(
        a_call(
            f"C{i}",
            priority=draw(st.integers(1, 4)),
            needs=tuple(
                need(*draw(alternatives), quantity=draw(st.integers(1, 2)))
                for _ in range(draw(st.integers(1, 2)))
            ),
        )
        for i in range(draw(st.integers(1, 4)))
    )
    routes: dict[str, tuple[str, ...]] = {}
    for call in calls:
        van_id = draw(st.sampled_from(van_ids))
        routes[van_id] = (*routes.get(van_id, ()), call.id)
    ordered = {van_id: routes[van_id] for van_id in van_ids if van_id in routes}
    parts = (
        a_part("P", spoil_rate=0.1),
        a_part("Q", spoil_rate=0.3),
        a_part("R"),
        a_part("KIT", components=(("P", 1), ("R", 2))),
    )
    return a_day(*calls, vans=vans, parts=parts, shop=draw(stock)), ordered


def brute_choice(day: Day, call: Call, pool: Mapping[str, int]) -> bool:
    """Return whether any of all combinations of alternatives fits."""
    for picks in product(*(n.alternatives for n in call.needs)):
        total: Counter[str] = Counter()
        for used in demand(day, call, picks):
            total.update(used)
        if all(pool.get(part, 0) >= count for part, count in total.items()):
            return True
    return False


class TestChoosingAlternatives:
    """Each need takes one alternative, so that as many as possible are served."""

    def test_the_wanted_part_is_taken_while_it_is_there(self) -> None:
        assert choose(a_day(), (need("P", "Q"),), {"P": 1, "Q": 1}) == ("P",)

    def test_a_substitute_serves_the_whole_quantity_or_nothing(self) -> None:
        # 2 wanted, one of each: never one and one.
        two = need("P", "Q", quantity=2)
        assert choose(a_day(), (two,), {"P": 1, "Q": 1}) is None
        assert choose(a_day(), (two,), {"P": 1, "Q": 2}) == ("Q",)

    def test_a_call_gives_way_to_its_substitute_so_that_another_is_served(self) -> None:
        pool = {"P": 1, "Q": 1}
        assert choose(a_day(), (need("P", "Q"), need("P")), pool) == ("Q", "P")
        # The same through three calls in a chain: Q for the first, R for the second.
        chain = (need("P", "Q"), need("Q", "R"), need("P"))
        assert choose(a_day(), chain, pool | {"R": 1}) == ("Q", "R", "P")

    def test_a_kit_is_there_only_when_all_of_its_components_are(self) -> None:
        kit = a_part("KIT", components=(("FOB", 1), ("CELL", 2)))
        day = a_day(parts=(kit,))
        assert choose(day, (need("KIT"),), {"FOB": 1, "CELL": 1}) is None
        assert choose(day, (need("KIT"),), {"FOB": 1, "CELL": 2}) == ("KIT",)

    @settings(deadline=None)  # trying them all takes its time
    @given(days())
    def test_it_finds_a_choice_just_when_trying_them_all_does(
        self, drawn: tuple[Day, dict[str, tuple[str, ...]]]
    ) -> None:
        day, _ = drawn
        whole = a_call("ALL", needs=tuple(n for c in day.calls for n in c.needs))
        for van in day.vans:
            picks = choose(day, whole.needs, van.stock)
            assert (picks is not None) == brute_choice(day, whole, van.stock)

    def test_a_hundred_calls_for_too_few_of_six_substitutes_are_refused_at_once(
        self,
    ) -> None:
        names = [f"S{i}" for i in range(6)]
        needs = tuple(need(*names) for _ in range(100))
        assert choose(a_day(), needs, dict.fromkeys(names, 16)) is None  # 96 < 100
        assert choose(a_day(), needs, dict.fromkeys(names, 17)) is not None

    def test_an_urgent_call_keeps_its_part_and_a_later_one_goes_without(self) -> None:
        later = a_call("C1", needs=(need("P"),), priority=3)
        urgent = a_call("C2", needs=(need("P"),), priority=1)
        assert admit(a_day(), (later, urgent), {"P": 1}) == {"C2": ("P",)}

    @given(days())
    def test_calls_let_in_never_use_more_than_the_pool(
        self, drawn: tuple[Day, dict[str, tuple[str, ...]]]
    ) -> None:
        day, _ = drawn
        pool = day.shop.stock
        chosen = admit(day, day.calls, pool)
        total: Counter[str] = Counter()
        for call in day.calls:
            for used in (
                demand(day, call, chosen.get(call.id, ()))
                if (call.id in chosen)
                else ()
            ):
                total.update(used)
        assert all(count <= pool.get(part, 0) for part, count in total.items())
        # Nobody is left out who could be served from what remains.
        rest = Counter(pool)
        rest.subtract(total)
        for call in day.calls:
            assert call.id in chosen or not brute_choice(day, call, rest)


class TestFirstChoice:
    """The quick way: every need gets its first alternative."""

    def test_one_need_is_filled_from_the_van_first_and_the_shop_for_the_rest(
        self,
    ) -> None:
        day = a_day(
            a_call(needs=(need("P", quantity=3),)),
            vans=(a_van(stock={"P": 1}),),
            shop={"P": 2},
        )
        issues = give_out(day, {"V1": ("C1",)})
        assert issues is not None
        assert [(i.quantity, i.origin) for i in issues] == [
            (1, Origin.ABOARD),
            (2, Origin.SHOP),
        ]

    def test_two_vans_are_never_promised_the_same_piece_of_the_shop(self) -> None:
        calls = (a_call("C1", needs=(need("P"),)), a_call("C2", needs=(need("P"),)))
        vans = (a_van("V1"), a_van("V2"))
        day = a_day(*calls, vans=vans, shop={"P": 1})
        assert give_out(day, {"V1": ("C1",), "V2": ("C2",)}) is None
        assert give_out(day, {"V1": ("C1",)}) is not None

    def test_a_van_that_does_not_load_there_gets_nothing_from_the_shop(self) -> None:
        day = a_day(
            a_call(needs=(need("P"),)),
            vans=(a_van(loads_at_shop=False),),
            shop={"P": 9},
        )
        assert give_out(day, {"V1": ("C1",)}) is None

    def test_a_kit_is_issued_as_its_components(self) -> None:
        kit = a_part("KIT", components=(("FOB", 1), ("CELL", 2)))
        day = a_day(
            a_call(needs=(need("KIT", quantity=2),)),
            parts=(kit,),
            shop={"FOB": 2, "CELL": 4},
        )
        issues = give_out(day, {"V1": ("C1",)})
        assert issues is not None
        assert [(i.part_id, i.quantity, i.chosen) for i in issues] == [
            ("FOB", 2, "KIT"),
            ("CELL", 4, "KIT"),
        ]


class TestSpareCount:
    """How many blanks to carry for cuts that go wrong."""

    @pytest.mark.parametrize(
        ("needed", "rate", "level", "spares"),
        [
            (1, 0.1, 0.90, 0),  # 0.9 suffices, to the last digit
            (1, 0.1, 0.95, 1),  # 0.9, then 0.99
            (1, 0.1, 0.99, 1),  # 0.99 exactly
            (3, 0.1, 0.95, 2),  # 0.729, 0.729 * 1.3 = 0.9477, 0.99144
            (2, 0.5, 0.75, 3),  # 0.25, 0.5, 0.6875, 0.8125
            (5, 0.0, 0.99, 0),
            (0, 0.5, 0.99, 0),
        ],
    )
    def test_it_equals_the_figures_worked_out_by_hand(
        self, needed: int, rate: float, level: float, spares: int
    ) -> None:
        assert spare_count(needed, rate, level) == spares

    @given(st.integers(1, 4), st.integers(0, 4), st.sampled_from((0.05, 0.2, 0.5, 0.9)))
    def test_the_chance_equals_the_sum_over_every_outcome(
        self, needed: int, spares: int, rate: float
    ) -> None:
        spoiled = Fraction(str(rate))
        total = Fraction(0)
        for cuts in product((True, False), repeat=needed + spares):
            if sum(cuts) >= needed:
                chance = Fraction(1)
                for good in cuts:
                    chance *= 1 - spoiled if good else spoiled
                total += chance
        assert chance_enough(needed, spares, rate) == total

    @given(st.integers(1, 12), st.sampled_from((0.02, 0.1, 0.25)))
    def test_it_is_the_smallest_number_that_will_do(
        self, needed: int, rate: float
    ) -> None:
        spares = spare_count(needed, rate, 0.95)
        wanted = Fraction(95, 100)
        assert chance_enough(needed, spares, rate) >= wanted
        assert spares == 0 or chance_enough(needed, spares - 1, rate) < wanted

    def test_a_part_that_nearly_always_spoils_does_not_fill_the_van(self) -> None:
        assert spare_count(2, 0.99, 0.95) == 2 + SPARES_BEYOND


class TestSpares:
    """Spares come from what the calls leave over."""

    def test_they_come_from_aboard_before_the_shop(self) -> None:
        # 3 cuts at 10 %: 2 spares (see above); one is left aboard, one is loaded.
        day = a_day(
            a_call(needs=(need("P", quantity=3),)),
            vans=(a_van(stock={"P": 4}),),
            parts=(a_part("P", spoil_rate=0.1),),
            shop={"P": 9},
        )
        plan = plan_of(day, {"V1": ("C1",)})
        spares = [i for i in plan.issues if i.purpose is Purpose.SPARE]
        assert [(i.quantity, i.origin) for i in spares] == [
            (1, Origin.ABOARD),
            (1, Origin.SHOP),
        ]

    def test_the_last_one_in_the_shop_goes_to_the_van_most_likely_to_run_out(
        self,
    ) -> None:
        # V1 cuts one (0.9 that it suffices), V2 three (0.729): V2 gets the last one.
        day = a_day(
            a_call("C1", needs=(need("P"),)),
            a_call("C2", needs=(need("P", quantity=3),)),
            vans=(a_van("V1"), a_van("V2")),
            parts=(a_part("P", spoil_rate=0.1),),
            shop={"P": 5},
        )
        plan = plan_of(day, {"V1": ("C1",), "V2": ("C2",)})
        spares = [i for i in plan.issues if i.purpose is Purpose.SPARE]
        assert [(i.van_id, i.quantity) for i in spares] == [("V2", 1)]
        notes = [pick.lines[0].note for pick in pick_lists(day, plan)]
        assert notes == ["spare wanted, none left", "1 more spare wanted, none left"]

    @given(days())
    def test_no_piece_is_given_out_twice_and_none_is_taken_from_a_call(
        self, drawn: tuple[Day, dict[str, tuple[str, ...]]]
    ) -> None:
        day, routes = drawn
        issues = give_out(day, routes)
        if issues is None:
            return
        spares = spare_issues(day, a_plan(routes).routes, issues)
        stock = {"shop": day.shop.stock} | {van.id: van.stock for van in day.vans}
        for (source, part), count in used_of((*issues, *spares)).items():
            assert 0 < count <= stock[source].get(part, 0)
        loads = {van.id for van in day.vans if van.loads_at_shop}
        for spare in spares:
            assert spare.purpose is Purpose.SPARE
            assert spare.origin is Origin.ABOARD or spare.van_id in loads
            used = sum(
                i.quantity
                for i in issues
                if (i.van_id, i.part_id) == (spare.van_id, spare.part_id)
            )
            rate = day.parts[spare.part_id].spoil_rate
            assert spare.quantity <= spare_count(used, rate, day.service_level)


class TestPickList:
    """What is loaded and checked in the morning."""

    def test_the_shop_is_walked_once_from_bin_to_bin(self) -> None:
        parts = (
            a_part("W", bin=""),
            a_part("X", bin="A10"),
            a_part("Y", bin="B1"),
            a_part("Z", bin="A2"),
        )
        day = a_day(
            a_call(needs=(need("W"), need("X"), need("Y"), need("Z"))),
            parts=parts,
            shop={"W": 1, "X": 1, "Y": 1, "Z": 1},
        )
        (pick,) = pick_lists(day, plan_of(day, {"V1": ("C1",)}))
        assert [line.bin for line in pick.lines] == ["A2", "A10", "B1", ""]

    def test_it_names_the_calls_in_route_order_and_counts_spares(self) -> None:
        day = a_day(
            a_call("C1", needs=(need("P"),)),
            a_call("C2", needs=(need("P", quantity=2),)),
            vans=(a_van(stock={"P": 1}),),
            parts=(a_part("P", spoil_rate=0.1),),
            shop={"P": 9},
        )
        (pick,) = pick_lists(day, plan_of(day, {"V1": ("C2", "C1")}))
        (line,) = pick.lines
        # 3 used and 2 spares wanted: 1 aboard, 4 loaded.
        assert (line.aboard, line.load, line.spares) == (1, 4, 2)
        assert line.call_ids == ("C2", "C1")
        assert not line.note

    def test_a_substitute_says_what_it_stands_in_for(self) -> None:
        day = a_day(a_call(needs=(need("P", "Q"),)), vans=(a_van(stock={"Q": 1}),))
        issue = Issue(
            van_id="V1",
            part_id="Q",
            quantity=1,
            origin=Origin.ABOARD,
            call_id="C1",
            need=0,
            chosen="Q",
        )
        (pick,) = pick_lists(day, a_plan({"V1": ("C1",)}, (issue,)))
        assert pick.lines[0].instead_of == ("P",)

    def test_a_cell_that_either_kit_holds_replaces_nothing(self) -> None:
        day = a_day(
            a_call(needs=(need("K1", "K2"),)),
            parts=(
                a_part("K1", components=(("FOB1", 1), ("CELL", 1))),
                a_part("K2", components=(("FOB2", 1), ("CELL", 1))),
            ),
        )
        taken: dict[str, Any] = {"call_id": "C1", "need": 0, "chosen": "K2"}
        issues = tuple(
            Issue(van_id="V1", part_id=p, quantity=1, origin=Origin.SHOP, **taken)
            for p in ("FOB2", "CELL")
        )
        (pick,) = pick_lists(day, a_plan({"V1": ("C1",)}, issues))
        assert {line.part_id: line.instead_of for line in pick.lines} == {
            "FOB2": ("K1",),
            "CELL": (),
        }

    @given(days())
    def test_its_totals_equal_the_pieces_given_out(
        self, drawn: tuple[Day, dict[str, tuple[str, ...]]]
    ) -> None:
        day, routes = drawn
        if give_out(day, routes) is None:
            return
        plan = plan_of(day, routes)
        listed: Counter[tuple[str, str, Origin]] = Counter()
        spares: Counter[tuple[str, str]] = Counter()
        for pick in pick_lists(day, plan):
            for line in pick.lines:
                listed[pick.van_id, line.part_id, Origin.ABOARD] += line.aboard
                listed[pick.van_id, line.part_id, Origin.SHOP] += line.load
                spares[pick.van_id, line.part_id] += line.spares
        for issue in plan.issues:
            listed[issue.van_id, issue.part_id, issue.origin] -= issue.quantity
            if issue.purpose is Purpose.SPARE:
                spares[issue.van_id, issue.part_id] -= issue.quantity
        assert not any(listed.values())
        assert not any(spares.values())


def issued(van_id: str, part_id: str, quantity: int, **how: Any) -> Issue:
    """Return pieces for the first need of C1."""
    defaults: dict[str, Any] = {"origin": Origin.ABOARD, "call_id": "C1", "need": 0}
    return Issue(van_id=van_id, part_id=part_id, quantity=quantity, **(defaults | how))


def stopping(plan: Plan, van_id: str, *store_ids: str) -> Plan:
    """Return the plan with a van's restock stops after its calls."""
    return replace(
        plan,
        routes=tuple(
            route
            if route.van_id != van_id
            else replace(
                route,
                stops=(
                    *route.stops,
                    *(
                        Stop(
                            kind=StopKind.RESTOCK,
                            call_id=None,
                            place=SHOP,
                            drive_m=0,
                            drive_s=0,
                            arrive_s=0,
                            start_s=0,
                            finish_s=600,
                            store_id=store_id,
                        )
                        for store_id in store_ids
                    ),
                ),
            )
            for route in plan.routes
        ),
    )


class TestSeveralSources:
    """Pieces come from mates and from stores on the way as well."""

    counter = Store(id="EAST", place=SHOP, stock={"P": 9, "Q": 9}, prices={"P": 420})

    def test_what_is_left_is_left_where_it_was_taken(self) -> None:
        day = a_day(
            a_call(),
            vans=(a_van("V1", stock={"P": 2}), a_van("V2", stock={"P": 5})),
            shop={"P": 7},
            counters=(self.counter,),
        )
        left = leave_over(
            day,
            (
                issued("V1", "P", 1),
                issued("V1", "P", 2, origin=Origin.VAN, from_van="V2"),
                issued("V1", "P", 3, origin=Origin.SHOP),
                issued("V1", "P", 1, origin=Origin.RESTOCK, store_id="shop"),
                issued("V1", "P", 4, origin=Origin.RESTOCK, store_id="EAST"),
            ),
        )
        assert (left.vans["V1"]["P"], left.vans["V2"]["P"]) == (1, 3)
        assert (left.shop["P"], left.counters["EAST"]["P"]) == (3, 5)
        assert left.total()["P"] == 1 + 3 + 3  # a counter's are not the firm's

    def test_each_van_s_parts_cost_what_they_cost_more(self) -> None:
        issues = (
            issued("V1", "P", 2, extra_cents=240),
            issued("V1", "Q", 1, extra_cents=10),
            issued("V2", "Q", 1),
        )
        assert parts_cents(issues) == {"V1": 250, "V2": 0}

    def test_who_asks_for_nothing_in_common_is_apart(self) -> None:
        asked = {1: {"P"}, 2: {"Q"}, 3: {"R", "Q"}, 4: {"S"}, 5: {"P", "S"}}
        assert sorted(tie_together(asked)) == [[1, 4, 5], [2, 3]]

    def test_spares_are_neither_handed_over_nor_fetched(self) -> None:
        # V1 was handed one P and wants a spare. V2 has more, the counter too; V2's
        # own call may have a spare of what V2 keeps: 3 - 1 given - 1 used = 1.
        part = a_part("P", spoil_rate=0.1)
        day = a_day(
            a_call("C1", needs=(need("P"),)),
            a_call("C2", needs=(need("P"),)),
            vans=(a_van("V1"), a_van("V2", stock={"P": 3})),
            parts=(part,),
            counters=(replace(self.counter, restock_s=600),),
            exchange=True,
        )
        issues = (
            issued("V1", "P", 1, origin=Origin.VAN, from_van="V2"),
            issued("V2", "P", 1, call_id="C2"),
        )
        routes = a_plan({"V1": ("C1",), "V2": ("C2",)}).routes
        (spare,) = spare_issues(day, routes, issues)
        assert (spare.van_id, spare.quantity, spare.origin) == ("V2", 1, Origin.ABOARD)

    def test_the_pick_list_says_who_hands_over_and_who_takes(self) -> None:
        # V3 stays in and has a list of its own, after those of the routes.
        day = a_day(
            a_call("C1", needs=(need("P", quantity=5), need("Q"))),
            vans=tuple(a_van(f"V{n}", stock={"P": 2, "Q": 1}) for n in (1, 2, 3)),
            parts=(a_part("P"), a_part("Q")),
        )
        mate: dict[str, Any] = {"origin": Origin.VAN}
        issues = (
            issued("V1", "P", 2),
            issued("V1", "P", 2, from_van="V2", **mate),
            issued("V1", "P", 1, from_van="V3", **mate),
            issued("V1", "Q", 1, need=1, from_van="V3", **mate),
        )
        plan = a_plan({"V1": ("C1",), "V2": ("C2",)}, issues)
        taker, giver, home = pick_lists(day, plan)
        assert [pick.van_id for pick in (taker, giver, home)] == ["V1", "V2", "V3"]
        lines = {line.part_id: line for line in taker.lines}
        assert (lines["P"].aboard, lines["P"].load) == (2, 0)
        assert lines["P"].from_vans == (("V2", 2), ("V3", 1))
        assert lines["Q"].from_vans == (("V3", 1),)
        assert giver.gives == (("P", "V1", 2),)
        assert home.gives == (("P", "V1", 1), ("Q", "V1", 1))
        assert (home.lines, taker.gives) == ((), ())

    def test_each_stop_has_its_own_list_and_says_what_is_paid(self) -> None:
        # At the counter 2 P at 4.20 and 1 Q at the usual 3.00: 11.40. The shop takes
        # no money, and the bin is the shop's: at the counter nobody knows it.
        day = a_day(
            a_call("C1", needs=(need("P", quantity=5), need("Q"))),
            parts=(a_part("P", bin="A7"), a_part("Q")),
            counters=(self.counter,),
        )
        way: dict[str, Any] = {"origin": Origin.RESTOCK}
        issues = (
            issued("V1", "P", 1, origin=Origin.SHOP),
            issued("V1", "P", 2, store_id="EAST", **way),
            issued("V1", "P", 2, store_id="shop", **way),
            issued("V1", "Q", 1, need=1, store_id="EAST", **way),
        )
        plan = stopping(a_plan({"V1": ("C1",)}, issues), "V1", "shop", "EAST")
        (pick,) = pick_lists(day, plan)
        assert [(line.part_id, line.load) for line in pick.lines] == [("P", 1)]
        shop, east = pick.fetches
        assert (shop.store_id, east.store_id) == ("shop", "EAST")
        assert [(line.part_id, line.load, line.bin) for line in shop.lines] == [
            ("P", 2, "A7")
        ]
        assert [(line.part_id, line.load, line.bin) for line in east.lines] == [
            ("P", 2, ""),
            ("Q", 1, ""),
        ]
        assert (shop.cost_cents, east.cost_cents) == (0, 1140)
        assert all(line.call_ids == ("C1",) for line in (*shop.lines, *east.lines))

    def test_a_missing_spare_is_said_once(self) -> None:
        # One aboard, one fetched: two cut, one spare wanted beyond (0.9 * 0.9 = 0.81,
        # with one spare 0.972). It is said in the morning, not at the counter again.
        day = a_day(
            a_call("C1", needs=(need("P", quantity=2),)),
            vans=(a_van(stock={"P": 1}),),
            parts=(a_part("P", spoil_rate=0.1),),
            counters=(self.counter,),
        )
        fetched = issued("V1", "P", 1, origin=Origin.RESTOCK, store_id="EAST")
        for issues in (
            (issued("V1", "P", 1), fetched),
            (replace(fetched, quantity=2),),
        ):
            plan = stopping(a_plan({"V1": ("C1",)}, issues), "V1", "EAST")
            (pick,) = pick_lists(day, plan)
            notes = [line.note for line in pick.lines]
            notes += [line.note for line in pick.fetches[0].lines]
            assert len(notes) == len(issues)
            assert notes[0].startswith("spare wanted")
            assert not any(notes[1:])

    def test_a_stop_for_a_tool_alone_is_listed_and_so_is_the_tool(self) -> None:
        use = ToolUse(van_id="V1", tool_id="decoder", collected=True)
        plan = stopping(a_plan({"V1": ("C1",), "V2": ("C2",)}), "V1", "shop")
        day = a_day(a_call("C1"), a_call("C2"), vans=(a_van("V1"), a_van("V2")))
        first, second = pick_lists(day, replace(plan, tools=(use,)))
        assert first.tools == (use,)
        assert [(f.store_id, f.lines) for f in first.fetches] == [("shop", ())]
        assert (second.tools, second.fetches) == ((), ())
