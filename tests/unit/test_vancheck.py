"""Before leaving, every van knows what is aboard, what to load and what to swap."""

from collections import Counter
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from dispatch.stock import choose
from dispatch.vancheck import Verdict, van_check
from shared.model import Barred, Call, Day, Need, Rule, Store, Tool, Van
from tests.builders import SHOP, a_call, a_day, a_part, a_van, at, need

COUNTS = st.integers(min_value=0, max_value=3)


def tied(call_id: str, van_id: str, *alternatives: str, quantity: int = 1) -> Call:
    """Return a call that only this van may serve."""
    return a_call(
        call_id, required_van=van_id, needs=(need(*alternatives, quantity=quantity),)
    )


def test_a_one_van_owner_sees_the_whole_day_as_that_vans() -> None:
    day = a_day(
        a_call("C1", needs=(need("P"),)),
        a_call("C2", skills=frozenset({"safe"})),
        vans=(a_van(stock={"P": 1}),),
    )
    check = van_check(day)
    (van,) = check.vans
    assert check.calls == ()
    assert van.call_ids == ("C1", "C2")
    assert van.verdict is Verdict.SHORT
    assert van.gear[0].skills == ("safe",)
    assert "C2: the driver does not do safe" in van.text
    assert not check.ready


def test_a_call_that_cannot_be_planned_says_so_and_stops_nothing() -> None:
    lost = Barred(rule=Rule.ADDRESS, text="nobody knows where it is")
    day = a_day(
        replace(a_call("C1"), barred=lost), vans=(a_van("V1"), a_van("V2", start=at(1)))
    )
    (report,) = van_check(day).calls
    assert (report.call_id, report.text) == (
        "C1",
        "not planned: nobody knows where it is",
    )


def test_a_call_that_no_van_can_be_sent_to_takes_no_piece_from_the_others() -> None:
    lost = Barred(rule=Rule.ADDRESS, text="nobody knows where it is", remedy="pin it")
    day = a_day(
        replace(tied("C1", "V1", "P"), barred=lost),
        tied("C2", "V1", "P"),
        vans=(a_van("V1", stock={"P": 1}),),
    )
    check = van_check(day)
    (van,) = check.vans
    assert (van.call_ids, van.verdict) == (("C2",), Verdict.ABOARD)
    assert [(call.call_id, call.text) for call in check.calls] == [
        ("C1", "not planned: nobody knows where it is; would help: pin it")
    ]
    assert check.short == ()
    assert not check.ready


def test_the_verdict_goes_from_aboard_over_load_to_short() -> None:
    call = a_call(needs=(need("P", quantity=2),))
    for aboard, in_shop, verdict, says in (
        (2, 0, Verdict.ABOARD, "everything for its one call is aboard"),
        (1, 1, Verdict.LOAD, "load 1 piece at the shop"),
        (1, 0, Verdict.SHORT, "C1: 1 P missing (none anywhere)"),
    ):
        day = a_day(call, vans=(a_van(stock={"P": aboard}),), shop={"P": in_shop})
        check = van_check(day)
        assert check.vans[0].verdict is verdict
        assert says in check.vans[0].text
        assert check.ready is (verdict is not Verdict.SHORT)


def test_a_substitute_aboard_saves_the_walk_to_the_shop() -> None:
    day = a_day(
        a_call(needs=(need("P", "Q"),)), vans=(a_van(stock={"Q": 1}),), shop={"P": 1}
    )
    (van,) = van_check(day).vans
    assert van.verdict is Verdict.ABOARD
    assert [(p.part_id, p.aboard, p.load, p.instead_of) for p in van.parts] == [
        ("Q", 1, 0, ("P",))
    ]


def test_what_is_missing_is_looked_for_everywhere() -> None:
    day = a_day(
        tied("C1", "V1", "P", quantity=5),
        vans=(a_van("V1", loads_at_shop=False), a_van("V2", stock={"P": 1})),
        shop={"P": 2},
        counters=(
            Store(id="EAST", place=replace(SHOP, name="Oak Row"), stock={"P": 4}),
        ),
    )
    van, _ = van_check(day).vans
    (lack,) = van.missing
    assert "(the shop has 2, van V2 has 1, 4 at Oak Row)" in van.text
    assert (lack.quantity, lack.in_shop) == (5, 2)
    assert lack.in_vans == (("V2", 1),)
    assert lack.at_counters == (("EAST", 4),)


def test_a_van_is_told_what_to_take_from_whom_before_leaving() -> None:
    day = a_day(
        tied("C1", "V1", "P", quantity=2),
        vans=(a_van("V1", stock={"P": 1}), a_van("V2", stock={"P": 1})),
    )
    check = van_check(day)
    (move,) = check.moves
    assert (move.part_id, move.quantity, move.from_van, move.to_van) == (
        "P",
        1,
        "V2",
        "V1",
    )
    assert check.vans[0].verdict is Verdict.SWAP
    assert "take 1 P from van V2" in check.vans[0].text
    assert "hand 1 P to van V1" in check.vans[1].text


def test_no_van_hands_over_what_its_own_call_hangs_on() -> None:
    day = a_day(
        tied("C1", "V1", "P"),
        tied("C2", "V2", "P"),
        vans=(a_van("V1"), a_van("V2", stock={"P": 1})),
    )
    check = van_check(day)
    assert check.moves == ()
    assert [van.verdict for van in check.vans] == [Verdict.SHORT, Verdict.ABOARD]
    # Both want one and the firm has one.
    assert [(s.wanted, s.available, s.call_ids) for s in check.short] == [
        (2, 1, ("C2",))
    ]


def test_a_van_that_can_load_anew_hands_over_its_own_piece() -> None:
    # V1 never calls at the shop; V2 gives away the one it wants and loads another.
    vans = (a_van("V1", loads_at_shop=False), a_van("V2", stock={"P": 1}))
    calls = (tied("C1", "V1", "P"), tied("C2", "V2", "P"))
    (move,) = van_check(a_day(*calls, vans=vans, shop={"P": 1})).moves
    assert (move.from_van, move.to_van, move.quantity) == ("V2", "V1", 1)
    assert van_check(a_day(*calls, vans=vans)).moves == ()


def test_two_vans_do_not_both_count_on_the_last_piece_of_the_shop() -> None:
    # V1 wants two; V2 and V3 could each give theirs, but only one can load anew.
    vans = (
        a_van("V1", loads_at_shop=False),
        a_van("V2", stock={"P": 1}),
        a_van("V3", stock={"P": 1}),
    )
    calls = (
        tied("C1", "V1", "P", quantity=2),
        tied("C2", "V2", "P"),
        tied("C3", "V3", "P"),
    )
    assert van_check(a_day(*calls, vans=vans, shop={"P": 1})).moves == ()
    assert len(van_check(a_day(*calls, vans=vans, shop={"P": 2})).moves) == 2


def test_a_van_short_at_the_shop_chooses_before_one_with_a_substitute() -> None:
    # Either could load P; V1 could do with Q as well.
    day = a_day(
        tied("C1", "V1", "P", "Q"),
        tied("C2", "V2", "P"),
        vans=(a_van("V1"), a_van("V2")),
        shop={"P": 1, "Q": 1},
    )
    check = van_check(day)
    assert [van.verdict for van in check.vans] == [Verdict.LOAD, Verdict.LOAD]
    assert check.vans[0].parts[0].part_id == "Q"


def test_a_call_open_to_all_shows_who_has_it_who_can_load_it_who_lacks_it() -> None:
    day = a_day(
        a_call(needs=(need("P"),)),
        vans=(
            a_van("V1", stock={"P": 1}),
            a_van("V2"),
            a_van("V3", loads_at_shop=False),
        ),
        shop={"P": 1},
    )
    (call,) = van_check(day).calls
    assert call.aboard == ("V1",)
    assert call.after_loading == ("V2",)
    assert [van.van_id for van in call.lacking] == ["V3"]
    assert call.text == "all aboard van V1"


def test_a_tied_call_comes_before_an_open_one() -> None:
    day = a_day(
        tied("C1", "V1", "P"),
        a_call("C2", needs=(need("P"),)),
        vans=(a_van("V1", stock={"P": 1}), a_van("V2")),
    )
    check = van_check(day)
    assert check.calls[0].aboard == ()
    assert [van.van_id for van in check.calls[0].lacking] == ["V1", "V2"]
    assert not check.ready


def test_missing_equipment_is_named_with_the_van_that_carries_it() -> None:
    both = a_call(
        required_van="V1", skills=frozenset({"key"}), equipment=frozenset({"cutter"})
    )
    day = a_day(
        both,
        replace(both, id="C2", required_van=None),
        vans=(
            a_van("V1", skills=frozenset({"key"})),
            a_van("V2", equipment=frozenset({"cutter"})),
        ),
    )
    check = van_check(day)
    (gear,) = check.vans[0].gear
    assert gear.equipment == ("cutter",)
    assert gear.carried_by == (("cutter", ("V2",)),)
    assert "cutter is not aboard (van V2 carries one)" in check.vans[0].text
    # Nobody can do the other: each van lacks one thing.
    assert [g.van_id for g in check.calls[0].gear] == ["V1", "V2"]
    assert check.calls[0].text.startswith("no van can do it")


def test_three_calls_for_two_fobs_are_short_though_each_alone_is_not() -> None:
    day = a_day(
        *(a_call(c, needs=(need("FOB"),)) for c in ("C1", "C2")),
        a_call("C3", needs=(need("FOB"),), priority=1),
        vans=(a_van("V1", stock={"FOB": 2}), a_van("V2")),
    )
    check = van_check(day)
    assert all(call.aboard for call in check.calls)
    assert [(s.wanted, s.available, s.call_ids) for s in check.short] == [
        (3, 2, ("C2",))
    ]
    assert not check.ready


def test_a_blank_for_a_cut_gone_wrong_is_asked_for_too() -> None:
    # Three cuts at 10 % want two spares; one is left aboard.
    day = a_day(
        a_call(needs=(need("P", quantity=3),)),
        vans=(a_van(stock={"P": 4}),),
        parts=(a_part("P", spoil_rate=0.1),),
    )
    (part,) = van_check(day).vans[0].parts
    assert (part.spares, part.spares_lacking) == (2, 1)


EAST = Store(
    id="EAST", place=replace(SHOP, name="Oak Row"), stock={"P": 2}, restock_s=600
)


def test_what_a_counter_on_the_way_has_is_fetched_and_nothing_is_missing() -> None:
    # Three wanted: one aboard, one from the shop, one bought on the way.
    day = a_day(
        tied("C1", "V1", "P", quantity=3),
        vans=(a_van("V1", stock={"P": 1}), a_van("V2")),
        shop={"P": 1},
        counters=(EAST,),
    )
    check = van_check(day)
    van = check.vans[0]
    assert van.verdict is Verdict.FETCH
    (part,) = van.parts
    assert (part.aboard, part.load, part.fetch) == (1, 1, (("EAST", 1),))
    assert "fetch 1 piece at Oak Row on the way, then its one call" in van.text
    assert check.ready
    # Without a stop there it is short, and the counter is where it could be had.
    far = van_check(replace(day, counters=(replace(EAST, restock_s=None),)))
    assert far.vans[0].verdict is Verdict.SHORT
    assert far.short[0].elsewhere == (("EAST", 2),)
    assert not far.ready


def test_two_vans_do_not_both_count_on_the_last_piece_of_a_counter() -> None:
    day = a_day(
        tied("C1", "V1", "P", quantity=2),
        tied("C2", "V2", "P"),
        vans=(a_van("V1"), a_van("V2")),
        counters=(EAST,),
    )
    check = van_check(day)
    assert [van.verdict for van in check.vans] == [Verdict.FETCH, Verdict.SHORT]
    assert [(s.wanted, s.available) for s in check.short] == [(3, 2)]
    assert not check.ready


def test_a_van_that_never_loads_can_fetch_at_the_shop_on_the_way() -> None:
    day = a_day(
        a_call(needs=(need("P"),)),
        vans=(a_van("V1", loads_at_shop=False), a_van("V2", loads_at_shop=False)),
        shop={"P": 1},
    )
    assert not van_check(day).ready
    passing = replace(day, shop=replace(day.shop, restock_s=600))
    check = van_check(passing)
    assert check.calls[0].on_the_way == ("V1", "V2")
    assert check.calls[0].text == "van V1 or V2 can fetch the rest on the way"
    assert check.ready


def test_what_the_plan_hands_over_by_itself_does_not_count_as_missing() -> None:
    day = a_day(
        tied("C1", "V1", "P"),
        vans=(a_van("V1"), a_van("V2", stock={"P": 1}), a_van("V3", stock={"P": 2})),
    )
    check = van_check(day)
    assert [(m.from_van, m.planned) for m in check.moves] == [("V3", False)]
    assert not check.ready
    # V2 starts in V1's yard, V3 elsewhere with more of them: V2 is asked.
    apart = replace(day.vans[2], start=at(4))
    trading = replace(day, vans=(*day.vans[:2], apart), exchange=True)
    check = van_check(trading)
    assert [(m.from_van, m.planned) for m in check.moves] == [("V2", True)]
    assert check.vans[0].verdict is Verdict.SWAP
    assert check.ready


def test_a_shared_tool_is_loaded_by_whoever_goes() -> None:
    asks = {"equipment": frozenset({"key_programmer"})}
    tied_call = a_call("C1", required_van="V1", **asks)
    day = a_day(
        tied_call,
        a_call("C2", **asks),
        vans=(
            a_van("V1"),
            a_van("V2", loads_at_shop=False),
            a_van("V3", equipment=asks["equipment"]),
        ),
        tools=(Tool(id="key_programmer"),),
    )
    check = van_check(day)
    assert check.vans[0].verdict is Verdict.LOAD
    assert check.vans[0].tools == ("key_programmer",)
    assert "load key programmer at the shop, it is shared" in check.vans[0].text
    assert check.calls[0].aboard == ("V1", "V3")  # V2 never comes to the shop
    assert check.calls[0].text.endswith(
        "; key programmer is shared: whoever goes loads it"
    )
    assert check.ready


def test_one_tool_for_two_vans_is_enough_only_if_it_is_passed_on() -> None:
    asks = {"equipment": frozenset({"decoder"})}
    day = a_day(
        *(a_call(f"C{n}", required_van=f"V{n}", **asks) for n in (1, 2)),
        vans=(a_van("V1"), a_van("V2")),
        tools=(Tool(id="decoder"),),
    )
    check = van_check(day)
    assert [(t.van_ids, t.enough) for t in check.tools] == [(("V1", "V2"), False)]
    assert "(2 vans need it and there is one)" in check.vans[1].text
    assert not check.ready
    two = van_check(replace(day, tools=(Tool(id="decoder", quantity=2),)))
    assert two.ready
    passed_on = replace(
        day,
        tools=(Tool(id="decoder", handover=True),),
        shop=replace(day.shop, restock_s=600),
    )
    check = van_check(passed_on)
    assert check.ready
    assert "passed on during the day" in check.vans[0].text


def test_a_driver_of_a_lower_level_is_said_to_have_that_one() -> None:
    levels = frozenset({"pinning", "pinning 2"})
    day = a_day(
        a_call(skills=frozenset({"pinning 3", "safe"})), vans=(a_van(skills=levels),)
    )
    (gear,) = van_check(day).vans[0].gear
    assert gear.skills == ("pinning 3", "safe")
    assert gear.lower == (("pinning 3", "pinning 2"),)
    assert (
        "the driver does not do pinning 3 (only pinning 2), safe"
        in van_check(day).vans[0].text
    )


@st.composite
def days(draw: st.DrawFn) -> Day:
    """Draw three vans, tied and open calls, and too little of everything."""
    stock = st.dictionaries(st.sampled_from("PQR"), COUNTS)
    vans = tuple(
        a_van(v, stock=draw(stock), loads_at_shop=draw(st.booleans()))
        for v in ("V1", "V2", "V3")
    )
    calls = tuple(
        a_call(
            f"C{i}",
            required_van=draw(st.sampled_from((None, "V1", "V2", "V3"))),
            priority=draw(st.integers(1, 4)),
            needs=tuple(
                need(
                    *draw(
                        st.lists(
                            st.sampled_from("PQR"), min_size=1, max_size=2, unique=True
                        )
                    ),
                    quantity=draw(st.integers(1, 2)),
                )
                for _ in range(draw(st.integers(1, 2)))
            ),
        )
        for i in range(draw(st.integers(1, 5)))
    )
    return a_day(
        *calls,
        vans=vans,
        shop=draw(stock),
        counters=(replace(EAST, stock=draw(stock)),) if draw(st.booleans()) else (),
        exchange=draw(st.booleans()),
    )


def handed_over(day: Day) -> Day:
    """Return the day after all proposed moves."""
    stock = {van.id: Counter(van.stock) for van in day.vans}
    for move in van_check(day).moves:
        stock[move.from_van][move.part_id] -= move.quantity
        stock[move.to_van][move.part_id] += move.quantity
    assert all(count >= 0 for pieces in stock.values() for count in pieces.values())
    return replace(
        day, vans=tuple(replace(van, stock=stock[van.id]) for van in day.vans)
    )


def lacking(day: Day) -> set[str]:
    """Return the calls that some or every van lacks parts for, loading included."""
    check = van_check(day)
    return {lack.call_id for van in check.vans for lack in van.missing} | {
        call.call_id
        for call in check.calls
        if not call.aboard and not call.after_loading and not call.on_the_way
    }


@given(days())
def test_moves_help_the_calls_they_are_for_and_harm_none(day: Day) -> None:
    moves = van_check(day).moves
    before, after = lacking(day), lacking(handed_over(day))
    assert after <= before
    assert {move.call_id for move in moves} <= before - after


@given(days())
def test_a_van_that_is_said_to_be_ready_really_can_serve_all_of_its_calls(
    day: Day,
) -> None:
    check = van_check(day)
    loaded: Counter[str] = Counter()
    bought: Counter[str] = Counter()
    for report, van in zip(check.vans, day.vans, strict=True):
        loads = Counter({part.part_id: part.load for part in report.parts})
        assert van.loads_at_shop or not +loads
        loaded.update(loads)
        fetches = Counter(
            {part.part_id: dict(part.fetch).get("EAST", 0) for part in report.parts}
        )
        bought.update(fetches)
        assert all(
            part.aboard <= van.stock.get(part.part_id, 0) for part in report.parts
        )
        assert (report.verdict is Verdict.FETCH) <= bool(+fetches)
        if report.verdict in (Verdict.ABOARD, Verdict.LOAD, Verdict.FETCH):
            used = Counter({p.part_id: p.aboard for p in report.parts}) + loads
            used += fetches
            needs = needs_of(day, van)
            assert choose(day, needs, used) is not None
    assert all(count <= day.shop.stock.get(p, 0) for p, count in loaded.items())
    shelf = day.counters[0].stock if day.counters else {}
    assert all(count <= shelf.get(p, 0) for p, count in bought.items())


def needs_of(day: Day, van: Van) -> tuple[Need, ...]:
    """Return the needs of the calls that require a van."""
    return tuple(n for c in day.calls if c.required_van == van.id for n in c.needs)
