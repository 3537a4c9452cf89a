"""What is bought tonight saves a call tomorrow; what only lies wrong is not bought."""

from dataclasses import replace

from dispatch.partition import share_parts
from dispatch.stock import give_out, leave_over, spare_issues
from dispatch.supply import elsewhere, hangs_on_parts, purchases, shortages
from shared.model import Day, Issue, Origin, Plan, Purchase, Purpose, Shortage, Store
from tests.builders import SHOP, a_call, a_day, a_part, a_plan, a_van, need, window

HOUR_S = 3600


def buy(day: Day, plan: Plan) -> tuple[tuple[Shortage, ...], tuple[Purchase, ...]]:
    """Return what is short, and what to buy."""
    short = shortages(day, plan)
    return short, purchases(day, plan, short)


def counter(store_id: str, stock: dict[str, int], opens_h: float = 7) -> Store:
    """Return a counter that is open until 18:00."""
    return Store(id=store_id, place=SHOP, opening=window(opens_h, 18), stock=stock)


def test_a_missing_fob_is_bought_with_the_call_that_hangs_on_it() -> None:
    fob = a_part("FOB", unit_cost_cents=4_500, lead_time_s=14 * HOUR_S)
    day = a_day(a_call(needs=(need("FOB", quantity=2),)), parts=(fob,), shop={"FOB": 1})
    short, bought = buy(day, a_plan({}, unplaced=("C1",)))
    assert [(s.part_id, s.wanted, s.available) for s in short] == [("FOB", 2, 1)]
    assert short[0].call_ids == ("C1",)
    (purchase,) = bought
    assert (purchase.quantity, purchase.cost_cents) == (1, 4_500)
    # Ordered at 18:00, in hand at 08:00; the last start is 17:00 less half an hour.
    assert purchase.in_time is True
    assert purchase.lead_time_s == 14 * HOUR_S
    assert purchase.call_ids == ("C1",)


def test_a_part_ordered_too_late_for_the_window_is_said_to_be_late() -> None:
    fob = a_part("FOB", lead_time_s=16 * HOUR_S)  # 10:00
    for closes_h, in_time in ((10.5, True), (10.4, False)):
        # Half an hour of work: the last start is 10:00, or 09:54.
        call = a_call(needs=(need("FOB"),), windows=(window(8, closes_h),))
        _, (purchase,) = buy(a_day(call, parts=(fob,)), a_plan({}, unplaced=("C1",)))
        assert purchase.in_time is in_time


def test_nobody_knows_when_a_part_without_lead_time_comes() -> None:
    _, (purchase,) = buy(
        a_day(a_call(needs=(need("FOB"),))), a_plan({}, unplaced=("C1",))
    )
    assert purchase.in_time is None
    assert purchase.lead_time_s is None


def test_the_substitute_that_can_arrive_in_time_is_bought_before_the_wanted_part() -> (
    None
):
    parts = (
        a_part("P", lead_time_s=48 * HOUR_S),
        a_part("Q", lead_time_s=None),
        a_part("R", lead_time_s=12 * HOUR_S),
        a_part("S", lead_time_s=6 * HOUR_S),
    )
    day = a_day(a_call(needs=(need("P", "Q", "R", "S"),)), parts=parts)
    short, (purchase,) = buy(day, a_plan({}, unplaced=("C1",)))
    # R and S both arrive; R is preferred. What is short is the wanted part.
    assert purchase.part_id == "R"
    assert [s.part_id for s in short] == ["P"]


def test_the_place_where_pieces_are_soonest_in_hand_is_named() -> None:
    fob = a_part("FOB", lead_time_s=15 * HOUR_S)  # 09:00
    call = a_call(needs=(need("FOB"),))
    plan = a_plan({}, unplaced=("C1",))
    for opens_h, where in ((7, "EAST"), (10, "")):
        day = a_day(
            call,
            parts=(fob,),
            counters=(counter("WEST", {}), counter("EAST", {"FOB": 3}, opens_h)),
        )
        short, (purchase,) = buy(day, plan)
        assert purchase.where == where
        assert short[0].elsewhere == (("EAST", 3),)


def test_a_counter_sells_its_last_piece_once() -> None:
    calls = [a_call(c, needs=(need("FOB"),)) for c in ("C1", "C2")]
    day = a_day(*calls, counters=(counter("EAST", {"FOB": 1}),))
    _, bought = buy(day, a_plan({}, unplaced=("C1", "C2")))
    assert [(p.where, p.call_ids) for p in bought] == [("EAST", ("C1",)), ("", ("C2",))]


def test_of_a_kit_only_the_missing_component_is_bought() -> None:
    kit = a_part("KIT", components=(("FOB", 1), ("CELL", 2)))
    day = a_day(a_call(needs=(need("KIT"),)), parts=(kit,), shop={"FOB": 1, "CELL": 1})
    _, bought = buy(day, a_plan({}, unplaced=("C1",)))
    assert [(p.part_id, p.quantity) for p in bought] == [("CELL", 1)]


def test_a_piece_that_lies_in_the_wrong_van_is_not_bought() -> None:
    vans = (a_van("V1", skills=frozenset({"safe"})), a_van("V2", stock={"P": 1}))
    call = a_call(needs=(need("P"),), skills=frozenset({"safe"}))
    day = a_day(call, vans=vans)
    assert buy(day, a_plan({}, unplaced=("C1",))) == ((), ())


def test_nothing_is_bought_for_a_call_no_part_can_save() -> None:
    nobody = a_call(needs=(need("P"),), skills=frozenset({"safe"}))
    night = a_call(needs=(need("P"),), windows=(window(20, 22),))
    for call in (nobody, night):
        day = a_day(call)
        assert buy(day, a_plan({}, unplaced=("C1",))) == ((), ())
        assert not hangs_on_parts(day, leave_over(day), call)


def test_a_call_that_only_lacks_room_hangs_on_no_part() -> None:
    day = a_day(a_call(needs=(need("P"),)), shop={"P": 1})
    assert buy(day, a_plan({}, unplaced=("C1",))) == ((), ())


def test_pieces_of_placed_calls_do_not_count_as_there() -> None:
    calls = [a_call(c, needs=(need("P"),)) for c in ("C1", "C2")]
    day = a_day(*calls, shop={"P": 1})
    issues = give_out(day, {"V1": ("C1",)})
    assert issues is not None
    short, bought = buy(day, a_plan({"V1": ("C1",)}, issues, ("C2",)))
    assert [(s.wanted, s.available, s.call_ids) for s in short] == [(2, 1, ("C2",))]
    assert [(p.quantity, p.call_ids) for p in bought] == [(1, ("C2",))]


def test_spares_that_are_nowhere_are_bought_after_what_saves_a_call() -> None:
    # One cut at 10 %: one spare wanted. V1 has none; C2 wants a blank and its spare.
    calls = (a_call("C1", needs=(need("P"),)), a_call("C2", needs=(need("P"),)))
    part = a_part("P", spoil_rate=0.1, lead_time_s=12 * HOUR_S)
    day = a_day(*calls, vans=(a_van(stock={"P": 1}),), parts=(part,))
    issues = give_out(day, {"V1": ("C1",)})
    assert issues is not None
    short, bought = buy(day, a_plan({"V1": ("C1",)}, issues, ("C2",)))
    (lack,) = short
    # 2 for the calls and 2 spares are wanted, 1 is there.
    assert (lack.wanted, lack.available, lack.spares) == (4, 1, 2)
    assert [(p.purpose, p.quantity, p.call_ids) for p in bought] == [
        (Purpose.CALL, 1, ("C2",)),
        (Purpose.SPARE, 2, ("C1", "C2")),
    ]


def test_a_spare_that_comes_after_the_van_has_left_is_late() -> None:
    for lead_h, in_time in ((14, True), (15, False)):  # 08:00, when V1 leaves; 09:00
        part = a_part("P", spoil_rate=0.1, lead_time_s=lead_h * HOUR_S)
        day = a_day(
            a_call(needs=(need("P"),)), vans=(a_van(stock={"P": 1}),), parts=(part,)
        )
        issues = give_out(day, {"V1": ("C1",)})
        assert issues is not None
        _, (purchase,) = buy(day, a_plan({"V1": ("C1",)}, issues))
        assert (purchase.purpose, purchase.in_time) == (Purpose.SPARE, in_time)


def test_a_spare_that_another_van_has_left_over_is_not_bought() -> None:
    day = a_day(
        a_call(needs=(need("P"),)),
        vans=(a_van("V1", stock={"P": 1}), a_van("V2", stock={"P": 1})),
        parts=(a_part("P", spoil_rate=0.1),),
    )
    issues = give_out(day, {"V1": ("C1",)})
    assert issues is not None
    plan = a_plan({"V1": ("C1",)}, issues)
    assert spare_issues(day, plan.routes, issues) == ()
    assert buy(day, plan) == ((), ())


def test_a_spare_given_out_does_not_hide_the_piece_from_a_call() -> None:
    # The blank aboard was taken as a spare; C2 could have it: nothing to buy for C2.
    day = a_day(
        a_call("C1", needs=(need("P"),)),
        a_call("C2", needs=(need("P"),)),
        vans=(a_van(stock={"P": 2}),),
        parts=(a_part("P", spoil_rate=0.1),),
    )
    issues = give_out(day, {"V1": ("C1",)})
    assert issues is not None
    spare = Issue(
        van_id="V1",
        part_id="P",
        quantity=1,
        origin=Origin.ABOARD,
        purpose=Purpose.SPARE,
    )
    assert buy(day, a_plan({"V1": ("C1",)}, (*issues, spare), ("C2",))) == ((), ())


def test_the_last_piece_at_a_counter_goes_to_the_more_urgent_call() -> None:
    later = a_call("C1", needs=(need("FOB"),), priority=3)
    urgent = a_call("C2", needs=(need("FOB"),), priority=1)
    day = a_day(later, urgent, counters=(counter("EAST", {"FOB": 1}),))
    _, bought = buy(day, a_plan({}, unplaced=("C1", "C2")))
    assert [(p.where, p.call_ids) for p in bought] == [("EAST", ("C2",)), ("", ("C1",))]


def test_a_part_nobody_knows_of_is_asked_for_before_one_that_is_known_to_be_late() -> (
    None
):
    parts = (a_part("P", lead_time_s=48 * HOUR_S), a_part("Q"))
    day = a_day(a_call(needs=(need("P", "Q"),)), parts=parts)
    _, (purchase,) = buy(day, a_plan({}, unplaced=("C1",)))
    assert (purchase.part_id, purchase.in_time) == ("Q", None)


def test_a_part_that_comes_after_the_promised_window_is_late() -> None:
    fob = a_part("FOB", lead_time_s=16 * HOUR_S)  # 10:00
    for promised, in_time in ((window(9, 10), True), (window(8, 9.9), False)):
        call = a_call(needs=(need("FOB"),), promise=promised)
        _, (purchase,) = buy(a_day(call, parts=(fob,)), a_plan({}, unplaced=("C1",)))
        assert purchase.in_time is in_time


def test_a_counter_that_has_closed_for_the_day_is_no_source() -> None:
    for planned_h, where in ((17, "EAST"), (19, "")):
        day = a_day(
            a_call(needs=(need("FOB"),)),
            vans=(a_van(shift=window(8, 23)),),
            counters=(counter("EAST", {"FOB": 1}),),
            planned_at_s=planned_h * HOUR_S,
        )
        _, (purchase,) = buy(day, a_plan({}, unplaced=("C1",)))
        assert purchase.where == where


def test_a_spare_does_not_buy_the_piece_a_call_has_bought_at_the_counter() -> None:
    day = a_day(
        a_call(needs=(need("P"),)),
        parts=(a_part("P", spoil_rate=0.1),),
        counters=(counter("EAST", {"P": 1}),),
    )
    _, bought = buy(day, a_plan({}, unplaced=("C1",)))
    assert [(p.purpose, p.where) for p in bought] == [
        (Purpose.CALL, "EAST"),
        (Purpose.SPARE, ""),
    ]


def test_a_piece_kept_for_a_call_that_waits_for_another_part_is_no_spare() -> None:
    # V1 wants one spare; the blank left in V2 is kept for C2, which lacks a fob.
    day = a_day(
        a_call("C1", needs=(need("P"),)),
        a_call("C2", needs=(need("P"), need("FOB"))),
        vans=(a_van("V1", stock={"P": 1}), a_van("V2", stock={"P": 1})),
        parts=(a_part("P", spoil_rate=0.1),),
    )
    issues = give_out(day, {"V1": ("C1",)})
    assert issues is not None
    _, bought = buy(day, a_plan({"V1": ("C1",)}, issues, ("C2",)))
    assert [(p.purpose, p.part_id, p.quantity) for p in bought] == [
        (Purpose.CALL, "FOB", 1),
        (Purpose.SPARE, "P", 1),
    ]


def test_a_counter_s_own_price_is_paid_there_and_the_cheaper_one_is_asked() -> None:
    dear, fair = counter("WEST", {"FOB": 2}), counter("EAST", {"FOB": 2})
    day = a_day(
        a_call(needs=(need("FOB", quantity=2),)),
        parts=(a_part("FOB", unit_cost_cents=4_000),),
        counters=(replace(dear, prices={"FOB": 5_100}), fair),
    )
    plan = a_plan({}, unplaced=("C1",))
    _, (purchase,) = buy(day, plan)
    assert (purchase.where, purchase.cost_cents) == ("EAST", 8_000)
    _, (purchase,) = buy(replace(day, counters=day.counters[:1]), plan)
    assert (purchase.where, purchase.cost_cents) == ("WEST", 10_200)


def test_what_is_bought_on_the_way_is_not_bought_tonight_and_sold_once() -> None:
    # The van buys its P at the counter on the way; the counter has another.
    day = a_day(
        a_call("C1", needs=(need("P"),)),
        a_call("C2", needs=(need("P"),), windows=(window(8, 9),)),
        parts=(a_part("P", unit_cost_cents=300),),
        counters=(replace(counter("EAST", {"P": 2}, 9), restock_s=600),),
    )
    issues = share_parts(day, {"V1": ["C1"]}, {"V1": [("EAST", 0)]})
    assert issues is not None
    assert buy(day, a_plan({"V1": ("C1",)}, issues)) == ((), ())
    # C2 must begin by 08:30, before the counter opens: it does hang on the part.
    short, (purchase,) = buy(day, a_plan({"V1": ("C1",)}, issues, ("C2",)))
    assert [(s.wanted, s.available, s.elsewhere) for s in short] == [
        (1, 0, (("EAST", 1),))
    ]
    assert (purchase.where, purchase.quantity) == ("EAST", 1)
    assert purchase.in_time is False
    assert elsewhere(day, "P") == (("EAST", 2),)


def test_a_call_whose_part_can_be_fetched_on_the_way_hangs_on_no_part() -> None:
    # The counter opens at 10 and a stop takes 10 minutes; the visit takes 30.
    for closes_h, hangs in ((10.5, True), (10.67, False)):
        day = a_day(
            a_call(needs=(need("P"),), windows=(window(8, closes_h),)),
            counters=(replace(counter("EAST", {"P": 1}, 10), restock_s=600),),
        )
        assert hangs_on_parts(day, leave_over(day), day.calls[0]) is hangs
    no_stop = replace(day, counters=(counter("EAST", {"P": 1}, 10),))
    assert hangs_on_parts(no_stop, leave_over(no_stop), day.calls[0])


def test_a_van_that_does_not_load_in_the_morning_can_pass_by_the_shop() -> None:
    day = a_day(
        a_call(needs=(need("P"),)), vans=(a_van(loads_at_shop=False),), shop={"P": 1}
    )
    assert hangs_on_parts(day, leave_over(day), day.calls[0])
    passing = replace(day, shop=replace(day.shop, restock_s=600))
    assert not hangs_on_parts(passing, leave_over(passing), day.calls[0])


def test_a_part_that_a_mate_in_the_yard_has_over_is_not_lacking() -> None:
    day = a_day(
        a_call(needs=(need("P", quantity=2),), required_van="V1"),
        vans=(a_van("V1", stock={"P": 1}), a_van("V2", stock={"P": 1})),
    )
    assert hangs_on_parts(day, leave_over(day), day.calls[0])
    trading = replace(day, exchange=True)
    assert not hangs_on_parts(trading, leave_over(trading), day.calls[0])
    three = replace(day.calls[0], needs=(need("P", quantity=3),))  # there are two
    assert hangs_on_parts(trading, leave_over(trading), three)
