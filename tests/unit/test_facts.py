"""Which fact may follow which: the tables, move by move."""

import pytest

from dispatch.state import State, accept, replay
from shared.errors import Conflict
from shared.facts import (
    CALL_MOVES,
    FIELDS,
    ORDER,
    VAN_MOVES,
    CallState,
    Doing,
    FactKind,
    in_order,
)
from shared.facts import Fact as AFact
from shared.model import Day
from tests.builders import HOUR_S, a_call, a_day, a_part, a_van, window

NINE = 9 * HOUR_S
DAY: Day = a_day(
    a_call("C1"),
    a_call("C2"),
    vans=(a_van("V1", stock={"BLANK": 3}), a_van("V2")),
    parts=(a_part("BLANK"),),
    shop={"BLANK": 2},
)


def fact(kind: FactKind, minute: int, **said: object) -> AFact:
    """Return a fact so many minutes after nine, named after both."""
    return AFact(id=f"{kind}{minute}", kind=kind, at_s=NINE + 60 * minute, **said)  # type: ignore[arg-type]


# How a call gets into each state, by van V1, from nine on.
WAYS: dict[CallState, tuple[FactKind, ...]] = {
    CallState.OPEN: (),
    CallState.DRIVING: (FactKind.LEFT,),
    CallState.THERE: (FactKind.LEFT, FactKind.ARRIVED),
    CallState.WORKING: (FactKind.LEFT, FactKind.ARRIVED, FactKind.STARTED),
    CallState.DONE: (FactKind.LEFT, FactKind.DONE),
    CallState.NO_SHOW: (FactKind.LEFT, FactKind.NO_SHOW),
    CallState.CANCELLED: (FactKind.CANCELLED,),
}
OF_A_VAN = {
    FactKind.LEFT,
    FactKind.ARRIVED,
    FactKind.STARTED,
    FactKind.DONE,
    FactKind.NO_SHOW,
}


def said(kind: FactKind, call_id: str) -> dict[str, object]:
    """Return what a fact of a kind says about a call."""
    words: dict[str, object] = {"call_id": call_id}
    if kind in OF_A_VAN:
        words["van_id"] = "V1"
    if kind in (FactKind.TOLD, FactKind.WINDOW):
        words["window"] = window(12, 13)
    return words


def way_to(state: CallState) -> list[AFact]:
    # V1 has been out and is home, so that it may finish things
    start = [
        fact(FactKind.LEFT, -9, van_id="V1"),
        fact(FactKind.ARRIVED, -8, van_id="V1"),
    ]
    return start + [
        fact(kind, number, **said(kind, "C1"))
        for number, kind in enumerate(WAYS[state])
    ]


@pytest.mark.parametrize("state", CallState)
@pytest.mark.parametrize("kind", CALL_MOVES)
def test_a_call_goes_from_state_to_state_as_the_table_says_and_not_otherwise(
    state: CallState, kind: FactKind
) -> None:
    before = way_to(state)
    assert replay(DAY, before).calls["C1"].state is state
    told = accept(DAY, tuple(before), fact(kind, 30, **said(kind, "C1")))
    if state in CALL_MOVES[kind]:
        assert not isinstance(told, Conflict)
        assert replay(DAY, told).calls["C1"].state is CALL_MOVES[kind][state]
    else:
        assert isinstance(told, Conflict)
        assert f"call C1 is {state} by then" in str(told)


def doing_on(doing: Doing) -> list[AFact]:
    """Return how V1 comes to do something, with call C1 where there is one."""
    states = {
        Doing.WAITING: CallState.OPEN,
        Doing.DRIVING: CallState.DRIVING,
        Doing.THERE: CallState.THERE,
        Doing.WORKING: CallState.WORKING,
        Doing.DOWN: CallState.OPEN,
    }
    facts = way_to(states[doing])
    if doing is Doing.DOWN:
        facts.append(fact(FactKind.VAN_DOWN, 5, van_id="V1"))
    return facts


def with_other_stop(kind: FactKind) -> dict[str, object]:
    words: dict[str, object] = {"van_id": "V1"}
    if kind in OF_A_VAN:
        words["call_id"] = "C2"
    if kind is FactKind.LOADED:
        words["store_id"] = "shop"
    if kind is FactKind.LATE:
        words["late_s"] = 600
    return words


@pytest.mark.parametrize("doing", Doing)
@pytest.mark.parametrize("kind", VAN_MOVES)
def test_a_van_does_one_thing_after_the_other_as_the_table_says(
    doing: Doing, kind: FactKind
) -> None:
    before = doing_on(doing)
    assert replay(DAY, before).vans["V1"].doing is doing
    told = accept(DAY, tuple(before), fact(kind, 30, **with_other_stop(kind)))
    _, other = VAN_MOVES[kind]
    assert isinstance(told, Conflict) == (doing not in other)
    if isinstance(told, Conflict):
        assert f"van V1 is {doing}" in str(told)


@pytest.mark.parametrize("doing", [Doing.DRIVING, Doing.THERE, Doing.WORKING])
@pytest.mark.parametrize("kind", sorted(OF_A_VAN))
def test_at_its_own_stop_a_van_goes_on_as_the_table_says(
    doing: Doing, kind: FactKind
) -> None:
    same, _ = VAN_MOVES[kind]
    told = accept(DAY, tuple(doing_on(doing)), fact(kind, 30, **said(kind, "C1")))
    assert isinstance(told, Conflict) == (doing not in same)


def test_who_turns_away_before_beginning_leaves_the_call_open() -> None:
    facts = [
        *way_to(CallState.THERE),
        fact(FactKind.LEFT, 20, van_id="V1", call_id="C2"),
    ]
    state = replay(DAY, facts)
    assert state.calls["C1"].state is CallState.OPEN
    assert state.calls["C2"].state is CallState.DRIVING
    assert state.vans["V1"].where == "call:C1"


def test_a_call_that_another_van_is_on_is_not_gone_to() -> None:
    told = accept(
        DAY,
        tuple(way_to(CallState.DRIVING)),
        fact(FactKind.ARRIVED, 20, van_id="V2", call_id="C1"),
    )
    assert isinstance(told, Conflict)
    assert "van V1 is on call C1" in str(told)


def test_a_van_that_was_never_said_to_have_left_finishes_nothing() -> None:
    told = accept(DAY, (), fact(FactKind.DONE, 0, van_id="V1", call_id="C1"))
    assert isinstance(told, Conflict)
    assert "has not left yet" in str(told)


def test_a_new_call_is_known_from_its_booking_on_and_not_before() -> None:
    booked = fact(FactKind.BOOKED, 10, call=a_call("E1"))
    early = accept(DAY, (booked,), fact(FactKind.CANCELLED, 9, call_id="E1"))
    assert isinstance(early, Conflict)
    assert "call E1 is not booked by then" in str(early)
    assert not isinstance(
        accept(DAY, (booked,), fact(FactKind.CANCELLED, 10, call_id="E1")), Conflict
    )
    again = accept(DAY, (booked,), fact(FactKind.BOOKED, 11, call=a_call("E1")))
    assert isinstance(again, Conflict)


@pytest.mark.parametrize("kind", FactKind)
def test_a_fact_that_says_nothing_is_refused_by_what_it_lacks(kind: FactKind) -> None:
    told = accept(DAY, (), AFact(id="F", kind=kind, at_s=NINE))
    assert isinstance(told, Conflict)
    needed, _ = FIELDS[kind]
    assert all(name in str(told) for name in needed)


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        ({"van_id": "V9", "parts": (("BLANK", 1),)}, "no van V9"),
        ({"van_id": "V1", "parts": (("NUT", 1),)}, "no part NUT"),
        ({"van_id": "V1", "parts": (("BLANK", 0),)}, "at least 1"),
        ({"van_id": "V1", "parts": (("BLANK", 1), ("BLANK", 1))}, "each part once"),
        (
            {"van_id": "V1", "parts": (("BLANK", 1),), "late_s": 60},
            "it has no late_s",
        ),
        ({"van_id": "V1", "parts": (("BLANK", 4),)}, "4 x BLANK from van V1, 3 are"),
    ],
)
def test_what_is_wrong_with_a_fact_is_said(
    words: dict[str, object], reason: str
) -> None:
    told = accept(DAY, (), fact(FactKind.SPOILED, 0, **words))
    assert isinstance(told, Conflict)
    assert reason in str(told)


def test_facts_of_one_second_happen_as_a_visit_goes() -> None:
    kinds = (FactKind.LEFT, FactKind.DONE, FactKind.STARTED, FactKind.BOOKED)
    facts = [AFact(id="X", kind=kind, at_s=0) for kind in kinds]
    assert [one.kind for one in in_order(facts)] == [
        FactKind.BOOKED,
        FactKind.STARTED,
        FactKind.DONE,
        FactKind.LEFT,
    ]
    assert {*ORDER} == {*FactKind}


def test_a_known_id_with_another_content_is_refused_and_the_same_has_no_effect() -> (
    None
):
    late = fact(FactKind.LATE, 0, van_id="V1", late_s=600)
    assert accept(DAY, (late,), late) == (late,)
    other = AFact(id=late.id, kind=FactKind.LATE, at_s=NINE, van_id="V1", late_s=900)
    assert isinstance(accept(DAY, (late,), other), Conflict)
    with pytest.raises(Conflict, match="something else"):
        replay(DAY, (late, other))


def test_no_facts_are_the_morning() -> None:
    state: State = replay(DAY, ())
    assert state.at_s is None
    assert state.vans["V1"].stock == {"BLANK": 3}
    assert not state.vans["V1"].has_left
    assert state.calls["C1"].told is None
