"""The judge of a day under way finds each thing that is wrong, and nothing else."""

from dataclasses import replace

import pytest

from dispatch.rest import Rest, rest_of
from dispatch.rules_live import judge_live
from dispatch.state import replay
from shared.facts import Fact, FactKind
from shared.model import Issue, Origin, Plan, Purpose, Rule
from tests.builders import HOUR_S, a_call, a_day, a_part, a_plan, a_van, at, need

NINE = 9 * HOUR_S
NOW = NINE + 3000
DAY = a_day(
    a_call("C1", place=at(north=5)),
    a_call("C2", place=at(north=10), needs=(need("BLANK"),)),
    a_call("C3", place=at(east=5)),
    a_call("C4"),
    vans=(a_van("V1", stock={"BLANK": 2}), a_van("V2")),
    parts=(a_part("BLANK"),),
    shop={"BLANK": 1},
)
FACTS = tuple(
    Fact(id=f"{number}", kind=kind, at_s=at_s, van_id=van_id, call_id=call_id)
    for number, (kind, at_s, van_id, call_id) in enumerate(
        (
            (FactKind.LEFT, NINE, "V1", "C1"),
            (FactKind.DONE, NINE + 2400, "V1", "C1"),
            (FactKind.STARTED, NOW, "V1", "C2"),
            (FactKind.CANCELLED, NOW, None, "C4"),
        )
    )
)
PLAN = a_plan({"V1": ("C1", "C2", "C3"), "V2": ("C4",)})


def found(rest: Rest, plan: Plan) -> list[tuple[Rule, str]]:
    return [(one.rule, one.text) for one in judge_live(DAY, FACTS, rest, plan)]


def the_rest() -> Rest:
    return rest_of(DAY, PLAN, replay(DAY, FACTS), NOW)


def later(rest: Rest, call_ids: tuple[str, ...] = ("C3",)) -> Plan:
    """Return a plan of the rest that begins when the van is free."""
    plan = a_plan({"V1": call_ids})
    (route,) = plan.routes
    (van, _) = rest.day.vans
    return replace(plan, routes=(replace(route, leave_s=van.shift.start_s),))


def test_a_plan_that_goes_on_where_the_day_is_has_nothing_wrong() -> None:
    rest = the_rest()
    assert found(rest, later(rest)) == []


def test_a_done_stop_with_other_times_is_found() -> None:
    rest = the_rest()
    done, busy = rest.frozen["V1"]
    moved = {**rest.frozen, "V1": (replace(done, finish_s=NINE + 2500), busy)}
    ((rule, text),) = found(replace(rest, frozen=moved), later(rest))
    assert rule is Rule.TIMING
    assert "frozen as done" in text


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"start_s": NOW + 60}, "C2 begins at"),
        ({"finish_s": NOW - 60, "start_s": NOW - 90}, "is under way and is finished"),
        ({"call_id": "C3"}, "the facts say"),
    ],
)
def test_a_stop_under_way_that_is_not_as_the_facts_have_it_is_found(
    change: dict[str, object], words: str
) -> None:
    rest = the_rest()
    done, busy = rest.frozen["V1"]
    moved = {**rest.frozen, "V1": (done, replace(busy, **change))}  # type: ignore[arg-type]
    texts = [text for _, text in found(replace(rest, frozen=moved), later(rest))]
    assert any(words in text for text in texts)


def test_a_van_that_goes_on_too_soon_or_from_elsewhere_is_found() -> None:
    rest = the_rest()
    early = replace(rest.day.vans[0], shift=DAY.vans[0].shift)
    moved = replace(rest, day=replace(rest.day, vans=(early, rest.day.vans[1])))
    ((rule, text),) = found(moved, later(rest))
    assert (rule, text[:10]) == (Rule.TIMING, "goes on at")
    away = replace(rest.day.vans[0], start=at(east=9), loads_at_shop=True)
    moved = replace(rest, day=replace(rest.day, vans=(away, rest.day.vans[1])))
    texts = [text for _, text in found(moved, later(rest))]
    assert len(texts) == 2
    assert texts[0] == "loads before leaving and has left"
    assert texts[1].startswith("goes on from")


@pytest.mark.parametrize(
    ("call_ids", "wrong"),
    [
        (("C3", "C1"), ["C1"]),  # done
        (("C3", "C2"), ["C2"]),  # under way
        (("C3", "C4"), ["C4"]),  # cancelled
        (("C3", "C3"), ["C3"]),  # twice
        ((), ["C3"]),  # forgotten
    ],
)
def test_a_call_that_is_not_served_once_is_found(
    call_ids: tuple[str, ...], wrong: list[str]
) -> None:
    rest = the_rest()
    plan = later(rest, call_ids) if call_ids else replace(PLAN, routes=())
    seen = judge_live(DAY, FACTS, rest, plan)
    assert [one.call_id for one in seen if one.rule is Rule.COVER] == wrong


def test_a_piece_that_the_visit_under_way_needs_is_not_given_again() -> None:
    rest = the_rest()
    issue = Issue(
        van_id="V1",
        part_id="BLANK",
        quantity=2,  # two are aboard, one of them is used up now
        origin=Origin.ABOARD,
        purpose=Purpose.SPARE,
    )
    plan = replace(later(rest), issues=(issue,))
    assert found(rest, plan) == [(Rule.STOCK, "V1 gives more BLANK than it has")]


def test_a_visit_under_way_without_its_parts_is_found() -> None:
    rest = the_rest()
    texts = [text for _, text in found(replace(rest, uses=()), later(rest))]
    assert texts == [
        "van V1 goes on with other pieces than it will hold",
        "need 0 of the visit under way gets nothing, pieces are aboard",
    ]


def test_a_store_with_other_pieces_than_there_are_is_found() -> None:
    rest = the_rest()
    full = replace(rest.day.shop, stock={"BLANK": 9})
    moved = replace(rest, day=replace(rest.day, shop=full))
    assert found(moved, later(rest)) == [
        (Rule.STOCK, "shop has other pieces than there are")
    ]
