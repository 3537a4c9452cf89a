"""Cuts on parts: no plan breaks one, and they say what fractions of routes hide."""

import random
from dataclasses import replace

import numpy as np
import pytest

from dispatch.partition import Linear
from dispatch.problem import Problem, build_problem
from dispatch.proof import FIRST_ROOM
from dispatch.shortfall import Parts, Shortfall
from dispatch.travel import travel_table
from shared.model import Call, Day, Van
from tests.builders import a_call, a_day, a_part, a_van, at, need, window
from tests.unit.test_proof import assert_true

CHEAP, DEAR = a_part("CHEAP"), a_part("DEAR", unit_cost_cents=3000)


def parts_of(day: Day) -> tuple[Linear, Parts]:
    """Return a programme with the parts of a day, of which it uses none so far."""
    problem: Problem = build_problem(day, travel_table(day))
    lp = Linear(unit=1)
    vans = range(len(day.vans))
    parts = Parts(lp, dict.fromkeys(vans, problem), dict.fromkeys(vans, 1))
    parts.add()
    assert lp.solve() is not None
    return lp, parts


def cuts_of(parts: Parts, *routes: tuple[int, list[int], float]) -> list[Shortfall]:
    """Return the cuts on routes: van, 1 for every call served, and share of each."""
    vans, member, shares = zip(*routes, strict=True)
    return parts.shortfalls(np.array(vans), np.array(member), np.array(shares))


def test_half_a_route_does_not_hide_what_it_takes_from_the_shop() -> None:
    # Three blanks on half a route are one and a half, and two are aboard: enough, it
    # seems. But the route takes a third blank from the shop, where there is none.
    calls = [a_call(f"C{n}", needs=(need("CHEAP"),)) for n in range(3)]
    van = a_van(stock={"CHEAP": 2})
    _, parts = parts_of(a_day(*calls, vans=(van,), parts=(CHEAP,)))
    (cut,) = cuts_of(parts, (0, [1, 1, 1], 0.5), (0, [0, 0, 0], 0.5))
    assert cut.in_shop == 0
    assert cut.over(0, np.array([[1, 1, 1], [1, 1, 0], [0, 0, 0]])).tolist() == [
        1,
        0,
        0,
    ]
    assert cut.instead == {}
    assert cuts_of(parts, (0, [1, 1, 0], 1.0)) == []


def test_vans_share_the_shop() -> None:
    # One is aboard of each van, one in the shop: of three calls each van takes two from
    # there. Half a route of one van may, half a route of each may not.
    calls = [a_call(f"C{n}", needs=(need("CHEAP"),)) for n in range(3)]
    vans = tuple(a_van(f"V{n}", stock={"CHEAP": 1}) for n in range(2))
    day = a_day(*calls, vans=vans, parts=(CHEAP,), shop={"CHEAP": 1})
    _, parts = parts_of(day)
    all_three = [1, 1, 1]
    assert cuts_of(parts, (0, all_three, 0.5)) == []
    (cut,) = cuts_of(parts, (0, all_three, 0.5), (1, all_three, 0.5))
    assert cut.in_shop == 1
    assert [int(cut.over(van, np.array([all_three]))[0]) for van in (0, 1)] == [2, 2]
    assert cut.over(7, np.array([all_three])).tolist() == [0]  # some other van


def test_a_call_may_take_another_part_instead() -> None:
    # Both calls want the one cheap part; the second could have the dear one, at 27.00
    # more. The answer takes neither: the cut lets it pay.
    calls = [
        a_call("A", needs=(need("CHEAP"),)),
        a_call("B", needs=(need("CHEAP", "DEAR"),)),
    ]
    van = a_van(stock={"CHEAP": 1, "DEAR": 1})
    lp, parts = parts_of(a_day(*calls, vans=(van,), parts=(CHEAP, DEAR)))
    (cut,) = cuts_of(parts, (0, [1, 1], 0.5))
    assert cut.over(0, np.array([[1, 1], [1, 0]])).tolist() == [1, 0]
    ((variable, pieces),) = cut.instead.items()
    assert pieces == 1
    assert lp.value(variable) == 0


def a_contest(seed: int) -> Day:
    """Return an invented day on which six calls compete for few pieces."""
    rng = random.Random(seed)  # noqa: S311 - a test's dice

    def some_call(row: int) -> Call:
        start_h = rng.uniform(8, 14)
        wanted = rng.choice(
            [
                need("CHEAP"),
                need("CHEAP", quantity=2),
                need("CHEAP", "DEAR"),
                need("CHEAP", "DEAR"),
                need("DEAR"),
            ]
        )
        return a_call(
            f"C{row}",
            place=at(rng.uniform(-9, 9), rng.uniform(-9, 9)),
            windows=rng.choice([(), (window(start_h, start_h + 2),)]),
            needs=(wanted,),
        )

    def some_van(row: int) -> Van:
        stock = {"CHEAP": rng.randint(0, 2), "DEAR": rng.randint(0, 1)}
        return a_van(f"V{row}", stock=stock, loads_at_shop=rng.random() < 0.8)

    vans = [some_van(row) for row in range(2)]
    if seed % 3 == 0:  # twins
        vans[1] = replace(vans[0], id="V1")
    return a_day(
        *map(some_call, range(6)),
        vans=tuple(vans),
        parts=(CHEAP, DEAR),
        shop={"CHEAP": rng.randint(0, 2), "DEAR": rng.randint(0, 2)},
    )


def test_days_on_which_calls_compete_for_parts_are_proved_and_no_bound_is_too_high(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    cuts = 0
    found = Parts.shortfalls

    def counted(self: Parts, *answer: np.ndarray) -> list[Shortfall]:
        nonlocal cuts
        new = found(self, *answer)
        cuts += len(new)
        return new

    monkeypatch.setattr(Parts, "shortfalls", counted)
    # Days as small as these are listed at once, before anything is cut.
    monkeypatch.setattr("dispatch.proof.FEW_LISTED", (FIRST_ROOM, 0))
    monkeypatch.setattr("dispatch.proof.CLOSING", 10**9)  # and cut to the end
    proved = sum(assert_true(a_contest(seed)).proved for seed in range(60))
    assert proved >= 58
    assert cuts >= 30
