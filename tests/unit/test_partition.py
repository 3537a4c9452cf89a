"""Routes chosen from a pool and parts shared out, against trying everything."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import pytest

from dispatch.generator import generate_day
from dispatch.partition import (
    Column,
    Cover,
    choose_routes,
    scarce_needs,
    share_parts,
    shop_decides,
)
from dispatch.problem import TWIN, WEIGHT, Problem, build_problem
from dispatch.stock import pieces
from dispatch.travel import travel_table
from shared.model import Day, Issue, Origin
from tests.builders import a_call, a_day, a_part, a_van, need
from tests.oracle.brute_force import Stock, tours_of

PARTS = ("P", "Q", "R")


# --- covering the calls ------------------------------------------------------


def kinds_of_van(problem: Problem) -> list[int]:
    """Return the first of each van's twins: routes are listed for these only."""
    return sorted(set(problem.vans[:, TWIN].tolist()))


def pool_of(
    day: Day, problem: Problem, chance: np.random.Generator, share: float
) -> list[Column]:
    """Return some of all routes that can be driven, in any order."""
    travel = travel_table(day)
    pool = [
        Column(row, tour.order, tour.cost_units)
        for row in kinds_of_van(problem)
        for mask, tour in tours_of(day, travel, day.vans[row]).items()
        if mask and chance.random() < share
    ]
    return [pool[index] for index in chance.permutation(len(pool))]


def mask_of(column: Column) -> int:
    return sum(1 << call for call in column.calls)


def choices(problem: Problem, pool: Sequence[Column]) -> Iterator[tuple[Column, ...]]:
    """Yield every choice of at most one route per van without a call twice."""
    by_van = [
        [None, *(column._replace(van=van) for column in pool if column.van == twin)]
        for van, twin in enumerate(problem.vans[:, TWIN].tolist())
    ]
    for picked in product(*by_van):
        columns = tuple(column for column in picked if column is not None)
        if len({c for each in columns for c in each.calls}) == sum(
            len(each.calls) for each in columns
        ):
            yield columns


def worth(problem: Problem, columns: Sequence[Column]) -> tuple[int, int]:
    served = [call for column in columns for call in column.calls]
    left_out = int(problem.calls[:, WEIGHT].sum() - problem.calls[served, WEIGHT].sum())
    return left_out, sum(column.cost for column in columns)


def stock_allows(day: Day, stock: Stock, columns: Sequence[Column]) -> bool:
    sets = [0] * len(day.vans)
    for column in columns:
        sets[column.van] = mask_of(column)
    return stock.suffices(tuple(sets))


def chosen(problem: Problem, pool: Sequence[Column], **how: Any) -> Cover:
    cover = choose_routes(problem, pool, **how)
    assert cover is not None
    return cover


def assert_best(day: Day, pool: Sequence[Column], **how: Any) -> bool:
    """Compare with all choices; return whether it is the parts that decide."""
    problem, stock = build_problem(day, travel_table(day)), Stock(day)
    all_worths = sorted(
        (worth(problem, columns), columns) for columns in choices(problem, pool)
    )
    best = next(w for w, columns in all_worths if stock_allows(day, stock, columns))
    cover = chosen(problem, pool, **how)
    assert cover.proved
    assert (cover.left_out, cover.cost) == best == worth(problem, cover.columns)
    assert cover.columns in set(choices(problem, pool))
    assert stock_allows(day, stock, cover.columns)
    return all_worths[0][0] < best


def those_with_parts(day: Day, pool: Sequence[Column]) -> list[Column]:
    """Return the routes that have their parts when each is the only one."""
    stock = Stock(day)
    return [column for column in pool if stock_allows(day, stock, [column])]


def test_the_choice_is_the_best_of_all_choices_that_stock_allows() -> None:
    chance = np.random.default_rng(7)
    decided = 0
    for seed in range(40):
        day = generate_day(seed, 5, 2, tightness=1.0)
        problem = build_problem(day, travel_table(day))
        pool = pool_of(day, problem, chance, 0.7)
        decided += assert_best(day, pool)
        assert_best(day, those_with_parts(day, pool), parts_known=True)
    assert decided >= 5  # on so many of the days it is the parts that decide


def a_stocked_day(
    chance: np.random.Generator, *, shop: bool = True, plenty: bool = False
) -> Day:
    """Invent four calls and some vans that share a shop, kits and substitutes."""

    def stock() -> dict[str, int]:
        counts = chance.integers(0, 3, len(PARTS)) + (20 if plenty else 0)
        return dict(zip(PARTS, counts.tolist(), strict=True))

    names = (*PARTS, "KIT")
    needs = [
        tuple(
            need(
                *chance.permutation(names)[: chance.integers(1, 4)].tolist(),
                quantity=int(chance.integers(1, 3)),
            )
            for _ in range(chance.integers(0, 3))
        )
        for _ in range(4)
    ]
    vans = [
        a_van(stock=stock(), loads_at_shop=bool(chance.random() < 0.7))
        for _ in range(chance.integers(2, 4))
    ]
    if chance.random() < 0.3:
        vans[-1] = vans[0]
    return a_day(
        *(a_call(f"C{row}", needs=each) for row, each in enumerate(needs)),
        vans=tuple(replace(van, id=f"V{row}") for row, van in enumerate(vans)),
        parts=(
            a_part("KIT", components=(("P", 1), ("Q", 2))),
            *(a_part(part) for part in PARTS),
        ),
        shop=stock() if shop else {},
    )


def test_substitutes_kits_and_the_shared_shop_are_weighed_against_each_other() -> None:
    chance = np.random.default_rng(3)
    seen: Counter[str] = Counter()
    for number in range(160):
        day = a_stocked_day(chance, shop=number % 3 > 0, plenty=number % 5 == 0)
        problem = build_problem(day, travel_table(day))
        pool = [
            Column(van, tuple(call for call in range(4) if mask >> call & 1), mask)
            for van in kinds_of_van(problem)
            for mask in range(1, 16)
            if chance.random() < 0.5
        ]
        seen["the parts decide"] += assert_best(day, pool)
        known = those_with_parts(day, pool)
        seen["the shop decides"] += assert_best(day, known, parts_known=True)
        # Each of the short cuts was taken, and none of them cost anything.
        needs = scarce_needs(problem)
        seen["nothing is scarce"] += len(problem.needs) > 0 and not needs
        seen["no need of the shop"] += bool(needs) and not shop_decides(problem, needs)
        seen["alike"] += len(kinds_of_van(problem)) < len(day.vans)
    assert min(seen.values()) >= 3, seen
    assert len(seen) == 5


def test_one_piece_in_the_shop_serves_one_van_only() -> None:
    # Either van could load the only fob; the second call goes without. Priority 1
    # gets it, though its route is dearer.
    calls = (
        a_call("C0", needs=(need("P"),)),
        a_call("C1", needs=(need("P"),), priority=1),
    )
    day = a_day(
        *calls, vans=(a_van("V0"), a_van("V1")), parts=(a_part("P"),), shop={"P": 1}
    )
    pool = [Column(0, (0,), 5), Column(0, (1,), 9)]  # the vans are alike
    cover = chosen(build_problem(day, travel_table(day)), pool)
    assert [column.calls for column in cover.columns] == [(1,)]
    assert (cover.left_out, cover.cost) == (1, 9)


def test_routes_of_vans_that_are_alike_are_spread_over_them() -> None:
    # V1 is another kind of van; the other three share the pool of the first.
    vans = tuple(a_van(f"V{n}", loads_at_shop=n != 1) for n in range(4))
    day = a_day(*(a_call(f"C{n}") for n in range(4)), vans=vans)
    pool = [Column(0, (n,), 4 + n) for n in range(3)] + [Column(1, (3,), 9)]
    cover = chosen(build_problem(day, travel_table(day)), pool)
    assert [column.van for column in cover.columns] == [0, 1, 2, 3]
    assert {column.calls for column in cover.columns} == {(0,), (1,), (2,), (3,)}
    assert cover.columns[1] == Column(1, (3,), 9)
    assert (cover.left_out, cover.cost) == (0, 4 + 5 + 6 + 9)


def test_without_any_route_every_call_is_left_out_and_that_is_proved() -> None:
    problem = build_problem(day := a_day(a_call("C0"), a_call("C1")), travel_table(day))
    assert chosen(problem, []) == Cover(columns=(), left_out=2, cost=0, proved=True)


def test_a_known_choice_changes_nothing_but_where_the_question_starts() -> None:
    day = generate_day(4, 6, 2)
    problem = build_problem(day, travel_table(day))
    pool = pool_of(day, problem, np.random.default_rng(0), 1.0)
    plain = chosen(problem, pool)
    known = choose_routes(problem, pool, pool[:1])
    assert known is not None
    assert (known.left_out, known.cost) == (plain.left_out, plain.cost)
    assert known.proved
    assert plain == chosen(problem, pool)  # and asked again it says the same


def test_without_effort_what_is_known_is_kept_and_nothing_is_claimed_proved() -> None:
    day = a_day(a_call("C0"), a_call("C1"), vans=(a_van("V0"), a_van("V1")))
    problem = build_problem(day, travel_table(day))
    apart = [Column(0, (0,), 4), Column(0, (1,), 5)]
    pool = [*apart, Column(0, (0, 1), 6)]
    assert chosen(problem, pool, known=apart).cost == 6
    hasty = chosen(problem, pool, known=apart, effort=0.0)
    assert (hasty.left_out, hasty.cost, hasty.proved) == (0, 9, False)
    assert choose_routes(problem, pool, effort=0.0) is None


# --- sharing the parts out ---------------------------------------------------


def rank_and_shop(
    day: Day, assignment: Mapping[str, Sequence[str]], issues: Sequence[Issue]
) -> tuple[int, int]:
    """Return total rank and pieces from the shop, checking that no piece is missed."""
    calls = {call.id: call for call in day.calls}
    given: dict[tuple[str, int, str], Counter[str]] = {}
    taken: Counter[tuple[str, str]] = Counter()
    for issue in issues:
        assert issue.call_id in assignment[issue.van_id]
        assert issue.call_id is not None
        assert issue.need is not None
        assert issue.chosen is not None
        key = (issue.call_id, issue.need, issue.chosen)
        given.setdefault(key, Counter())[issue.part_id] += issue.quantity
        holder = issue.van_id if issue.origin is Origin.ABOARD else "shop"
        taken[holder, issue.part_id] += issue.quantity
    stocks = {van.id: van.stock for van in day.vans} | {"shop": day.shop.stock}
    assert all(n <= stocks[holder].get(part, 0) for (holder, part), n in taken.items())
    rank = 0
    wanted = {
        (call_id, index): each
        for ids in assignment.values()
        for call_id in ids
        for index, each in enumerate(calls[call_id].needs)
    }
    assert {key[:2] for key in given} == wanted.keys()
    assert len(given) == len(wanted)  # one alternative for each need
    for (call_id, index, part), got in given.items():
        each = wanted[call_id, index]
        assert got == pieces(day, part, each.quantity)
        rank += each.alternatives.index(part)
    return rank, sum(n for (holder, _), n in taken.items() if holder == "shop")


def best_rank_and_shop(
    day: Day, assignment: Mapping[str, Sequence[str]]
) -> tuple[int, int] | None:
    """Try every alternative of every need."""
    calls = {call.id: call for call in day.calls}
    vans = {van.id: van for van in day.vans}
    lines = [
        (van_id, each)
        for van_id, ids in assignment.items()
        for call_id in ids
        for each in calls[call_id].needs
    ]
    found = []
    for ranks in product(*(range(len(each.alternatives)) for _, each in lines)):
        used: dict[str, Counter[str]] = {van_id: Counter() for van_id in assignment}
        for (van_id, each), rank in zip(lines, ranks, strict=True):
            used[van_id].update(pieces(day, each.alternatives[rank], each.quantity))
        over: Counter[str] = Counter()
        for van_id, counts in used.items():
            extra = counts - Counter(vans[van_id].stock)
            if extra and not vans[van_id].loads_at_shop:
                break
            over += extra
        else:
            if over <= Counter(day.shop.stock):
                found.append((sum(ranks), over.total()))
    return min(found, default=None)


def test_parts_are_shared_with_least_rank_and_then_fewest_pieces_from_the_shop() -> (
    None
):
    chance = np.random.default_rng(11)
    seen: Counter[str] = Counter()
    for _ in range(250):
        day = a_stocked_day(chance)
        assignment: dict[str, list[str]] = {van.id: [] for van in day.vans}
        for call in day.calls:
            assignment[f"V{chance.integers(len(day.vans))}"].append(call.id)
        best = best_rank_and_shop(day, assignment)
        issues = share_parts(day, assignment)
        if best is None:
            assert issues is None
            seen["impossible"] += 1
            continue
        assert issues is not None
        assert rank_and_shop(day, assignment, issues) == best
        seen["substitutes" if best[0] else "first choices"] += 1
        seen["from the shop"] += best[1] > 0
    assert (
        min(seen[word] for word in ("impossible", "substitutes", "from the shop")) > 15
    )
    assert seen["first choices"] > 15


@pytest.mark.parametrize("loads", [True, False])
def test_a_substitute_aboard_does_not_beat_the_wanted_part_from_the_shop(
    loads: bool,  # noqa: FBT001 - a parameter of a test
) -> None:
    day = a_day(
        a_call(needs=(need("P", "Q"),)),
        vans=(a_van(stock={"Q": 1}, loads_at_shop=loads),),
        parts=(a_part("P"), a_part("Q")),
        shop={"P": 1},
    )
    issues = share_parts(day, {"V1": ["C1"]})
    assert issues is not None
    assert [issue.part_id for issue in issues] == ["P" if loads else "Q"]


def test_the_same_parts_are_given_out_every_time() -> None:
    day = a_stocked_day(np.random.default_rng(1))
    assignment = {"V0": ["C0", "C1"], "V1": ["C2"]}
    assert share_parts(day, assignment) == share_parts(day, assignment)
    assert share_parts(day, {}) == ()
