"""The books of ruin and recreate: everything it remembers, worked out anew."""

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pytest

from dispatch.problem import LOADS, NEED_HI, NEED_LO, WEIGHT, Problem
from dispatch.search.lns import (
    BEST_LEFT,
    BEST_MONEY,
    BLINK_IN,
    HUGE,
    NOW_LEFT,
    NOW_MONEY,
    POOL_CALLS,
    POOL_MONEY,
    POOL_ROWS,
    POOL_SIZE,
    POOL_VAN,
    POOLED,
    Memory,
    cheapest_place,
    copy_rest,
    copy_route,
    exchange,
    insert,
    new_memory,
    parts_there,
    ruin,
    search,
    swap_pays,
    tail_allowed,
)
from dispatch.search.schedule import MONEY, SIZE, VERSION, Routes
from shared.model import Rates
from tests.builders import a_call, a_day, a_part, a_van, at, need, window
from tests.kernel.days import HEAT, Case, case_of, cases, fewer, searched, timed
from tests.oracle.brute_force import best_plan_goal


def many_days() -> list[Case]:
    """Return small, crowded and wide days."""
    return [
        *cases(fewer(20, 4), 8, 2),
        *cases(fewer(10, 2), 25, 4, first=100),
        *cases(fewer(4, 1), 60, 8, first=200),
    ]


def row(routes: Routes, van: int) -> tuple[int, ...]:
    """Return a van's calls in order."""
    return tuple(routes.order[van, : routes.facts[van, SIZE]].tolist())


def placed(problem: Problem, routes: Routes) -> list[tuple[int, int, int]]:
    """Return van, position and call of everything on a route."""
    return [
        (van, place, call)
        for van in range(len(problem.vans))
        for place, call in enumerate(row(routes, van))
    ]


def pieces_used(problem: Problem, routes: Routes) -> np.ndarray:
    """Return what the chosen alternatives use, per van, and the shop's share."""
    used = np.zeros_like(problem.stock)
    for van, _, call in placed(problem, routes):
        for line in range(*problem.calls[call, [NEED_LO, NEED_HI]]):
            choice = routes.chosen[line]
            assert choice in range(*problem.needs[line])
            for part, count in problem.items[slice(*problem.choices[choice])]:
                used[van, part] += count
    used[-1] = np.maximum(used[:-1] - problem.stock[:-1], 0).sum(axis=0)
    return used


def assert_books_balance(problem: Problem, routes: Routes) -> None:
    """Work everything about a solution out from the bare orders and compare."""
    everything = placed(problem, routes)
    calls = [call for _, _, call in everything]
    assert len(calls) == len(set(calls)), "a call is on the day twice"
    for van, place, call in everything:
        assert (routes.van_of[call], routes.place_of[call]) == (van, place)
        assert problem.allowed[van, call] == 1
    assert (routes.van_of >= 0).sum() == len(calls)
    for van in range(len(problem.vans)):
        order = row(routes, van)
        works, fresh = timed(problem, van, order)
        assert works
        used_rows = slice(len(order) + 1)
        assert np.array_equal(
            routes.labels[van, used_rows], fresh.labels[van, used_rows]
        )
        assert np.array_equal(routes.facts[van, :VERSION], fresh.facts[van, :VERSION])
    used = pieces_used(problem, routes)
    assert np.array_equal(routes.used, used)
    assert (used[-1] <= problem.stock[-1]).all(), "the shop gives more than it has"
    own = problem.vans[:, LOADS] == 0
    assert (used[:-1][own] <= problem.stock[:-1][own]).all()


def score_of(problem: Problem, routes: Routes) -> tuple[int, int]:
    """Return the weight left out and the money of a solution."""
    left_out = int(problem.calls[routes.van_of < 0, WEIGHT].sum())
    return left_out, int(routes.facts[:, MONEY].sum())


def slowly_there(problem: Problem, routes: Routes, van: int, call: int) -> bool:
    """Return whether the first choices that are there suffice for all needs."""
    used = routes.used.copy()
    for line in range(*problem.calls[call, [NEED_LO, NEED_HI]]):
        for choice in range(*problem.needs[line]):
            trial = used.copy()
            for part, count in problem.items[slice(*problem.choices[choice])]:
                trial[van, part] += count
            over = np.maximum(trial[:-1] - problem.stock[:-1], 0)
            fits = (over.sum(axis=0) <= problem.stock[-1]).all()
            if fits and (problem.vans[van, LOADS] or not over[van].any()):
                used = trial
                break
        else:
            return False
    return True


def added(problem: Problem, routes: Routes, van: int, call: int) -> list[int]:
    """Return what a call adds at each place of a route; ``HUGE``: it does not fit."""
    order = row(routes, van)
    units = []
    for spot in range(len(order) + 1):
        works, fresh = timed(problem, van, (*order[:spot], call, *order[spot:]))
        more = int(fresh.facts[van, MONEY]) - int(routes.facts[van, MONEY])
        units.append(more if works else HUGE)
    return units


# --- one insertion -----------------------------------------------------------


def test_a_call_goes_where_it_adds_least_and_adds_what_timing_anew_says() -> None:
    done = refused = 0
    for _, _, problem in many_days():
        memory = new_memory(problem)
        memory.score[BLINK_IN] = HUGE  # no place is skipped
        routes, chance = memory.now, np.random.default_rng(0)
        for call in chance.permutation(len(problem.calls)).tolist():
            spots = {
                (van, spot): units
                for van in range(len(problem.vans))
                if problem.allowed[van, call]
                and slowly_there(problem, routes, van, call)
                for spot, units in enumerate(added(problem, routes, van, call))
                if units < HUGE
            }
            van, spot = cheapest_place(problem, memory, chance, call)
            if not spots:
                assert (van, spot) == (-1, -1)
                refused += 1
                continue
            before = int(routes.facts[:, MONEY].sum())
            insert(problem, routes, van, spot, call)
            memory.touched[van] = 1
            more = int(routes.facts[:, MONEY].sum()) - before
            assert more == spots[van, spot] == min(spots.values())
            done += 1
        assert_books_balance(problem, routes)
    assert min(done, refused) > fewer(30, 5)


def test_a_place_that_is_reached_in_the_very_last_second_is_a_place() -> None:
    # The first call is done at 8:30 sharp, and the second must start at 8:30 sharp.
    calls = (a_call("A"), a_call("B", promise=window(8.5, 8.5)))
    problem = case_of(a_day(*calls)).problem
    memory = new_memory(problem)
    insert(problem, memory.now, 0, 0, 0)
    assert cheapest_place(problem, memory, np.random.default_rng(0), 1) == (0, 1)


def test_whether_a_van_has_a_calls_parts_is_asked_without_leaving_a_trace() -> None:
    answers = set()
    for _, _, problem in many_days():
        memory = searched(problem, fewer(100, 10))
        before = memory.now.used.copy()
        for call in np.flatnonzero(memory.now.van_of < 0).tolist():
            for van in range(len(problem.vans)):
                there = bool(parts_there(problem, memory.now, van, call))
                assert there == slowly_there(problem, memory.now, van, call)
                answers.add(there)
        assert np.array_equal(memory.now.used, before)
    assert answers == {False, True}


def test_a_kit_that_holds_one_part_twice_is_not_promised_from_one_piece() -> None:
    # The kit wants two cells in all, listed one by one; one is aboard.
    kit = a_part("KIT", components=(("CELL", 1), ("CELL", 1)))
    day = a_day(
        a_call(needs=(need("KIT"),)),
        vans=(a_van(stock={"CELL": 1}, loads_at_shop=False),),
        parts=(kit, a_part("CELL")),
    )
    assert searched(case_of(day).problem, 5).best.van_of.tolist() == [-1]


# --- many rounds -------------------------------------------------------------


def slices(problem: Problem, seed: int = 0) -> Iterator[Memory]:
    """Search on and on, stopping to look at the books now and then."""
    memory, chance = new_memory(problem), np.random.default_rng(seed)
    for rounds in (1, 1, 2, 5, fewer(50, 10), fewer(400, 10)):
        search(problem, memory, chance, rounds, HEAT)
        yield memory


def test_all_that_is_remembered_about_routes_is_as_if_worked_out_anew() -> None:
    for _, _, problem in many_days():
        for memory in slices(problem):
            assert_books_balance(problem, memory.now)
            assert_books_balance(problem, memory.kept)
            if memory.score[BEST_LEFT] < problem.calls[:, WEIGHT].sum():
                assert_books_balance(problem, memory.best)


def test_what_is_changed_and_what_is_kept_are_the_same_after_every_slice() -> None:
    for _, _, problem in many_days():
        for memory in slices(problem):
            now, kept = memory.now, memory.kept
            for van in range(len(problem.vans)):
                assert row(now, van) == row(kept, van)
            for name in ("facts", "van_of", "used"):
                assert np.array_equal(getattr(now, name), getattr(kept, name)), name


def test_scores_are_those_of_the_routes_and_the_best_only_gets_better() -> None:
    for _, _, problem in many_days():
        bests = []
        for memory in slices(problem):
            kept = tuple(memory.score[[NOW_LEFT, NOW_MONEY]].tolist())
            best = tuple(memory.score[[BEST_LEFT, BEST_MONEY]].tolist())
            assert kept == score_of(problem, memory.kept)
            assert best == score_of(problem, memory.best)
            assert best <= kept
            bests.append(best)
        assert all(later <= earlier for earlier, later in pairwise(bests))


def test_a_remembered_best_place_is_what_a_fresh_look_finds() -> None:
    fresh, none = 0, 0
    for _, _, problem in many_days():
        memory = searched(problem, fewer(300, 30))
        for van in range(len(problem.vans)):
            version = memory.now.facts[van, VERSION]
            for call in np.flatnonzero(memory.seen[van, :, 0] == version).tolist():
                assert memory.now.van_of[call] != van
                units = added(problem, memory.now, van, call)
                _, promised, spot = memory.seen[van, call].tolist()
                assert promised == min(units)
                if promised == HUGE:
                    assert spot == -1
                    none += 1
                else:
                    assert units[spot] == promised
                    fresh += 1
    assert min(fresh, none) > fewer(100, 10)


def test_every_route_in_the_pool_works_and_costs_what_is_written_beside_it() -> None:
    rows = 0
    for _, _, problem in many_days():
        memory = searched(problem, fewer(500, 20))
        assert 0 < memory.score[POOLED] <= POOL_ROWS
        for line in memory.pool[: memory.score[POOLED]].tolist():
            van = line[POOL_VAN]
            order = tuple(line[POOL_CALLS : POOL_CALLS + line[POOL_SIZE]])
            works, fresh = timed(problem, van, order)
            assert works
            assert order
            assert len(set(order)) == len(order)
            assert fresh.facts[van, MONEY] == line[POOL_MONEY]
            assert problem.allowed[van, list(order)].all()
            rows += 1
    assert rows > fewer(500, 30)


def test_a_full_pool_takes_no_more_and_harms_nothing() -> None:
    problem = cases(1, 25, 4)[0].problem
    memory = new_memory(problem)
    memory.score[POOLED] = POOL_ROWS - 1
    search(problem, memory, np.random.default_rng(0), 30, HEAT)
    assert memory.score[POOLED] == POOL_ROWS
    assert_books_balance(problem, memory.best)


def test_more_routes_than_fit_are_ruined_without_losing_a_call() -> None:
    for _, _, problem in many_days():
        memory = searched(problem, fewer(50, 10))
        chance = np.random.default_rng(3)
        before = set(np.flatnonzero(memory.now.van_of >= 0).tolist())
        waiting = ruin(problem, memory, chance)
        after = set(np.flatnonzero(memory.now.van_of >= 0).tolist())
        queue = memory.queue[:waiting].tolist()
        assert len(queue) == len(set(queue))
        assert before - after <= set(queue)
        assert not after & set(queue)
        assert_books_balance(problem, memory.now)


# --- the same again ----------------------------------------------------------


def same_bits(one: Memory, other: Memory) -> bool:
    flat = [
        [*memory.now, *memory.kept, *memory.best, memory.score, memory.pool]
        for memory in (one, other)
    ]
    return all(np.array_equal(a, b) for a, b in zip(*flat, strict=True))


def test_the_same_seed_finds_the_same_and_another_seed_goes_another_way() -> None:
    problem = cases(1, 25, 4)[0].problem
    rounds = fewer(300, 20)
    assert same_bits(searched(problem, rounds), searched(problem, rounds))
    assert not same_bits(searched(problem, rounds), searched(problem, rounds, seed=1))


@pytest.mark.parametrize("cuts", [(30,), (10, 20), (1,) * 30])
def test_at_an_even_temperature_it_does_not_matter_how_rounds_are_sliced(
    cuts: tuple[int, ...],
) -> None:
    # While it cools, each slice rounds its own temperatures: then slices belong to
    # the question, as the seed does.
    problem = cases(1, 20, 3)[0].problem
    whole, cut = new_memory(problem), new_memory(problem)
    search(problem, whole, np.random.default_rng(5), 30, (1e7, 1e7))
    chance = np.random.default_rng(5)
    for rounds in cuts:
        search(problem, cut, chance, rounds, (1e7, 1e7))
    assert same_bits(whole, cut)


def test_no_round_changes_nothing() -> None:
    problem = cases(1, 20, 3)[0].problem
    memory, before = searched(problem, 10), searched(problem, 10)
    search(problem, memory, np.random.default_rng(9), 0, HEAT)
    assert same_bits(memory, before)


# --- what decides ------------------------------------------------------------


def test_a_call_of_higher_priority_is_worth_more_than_all_others_and_any_money() -> (
    None
):
    # 45 minutes of work time: either the far first-priority call (40 min away and
    # back, 5 min of work) or the three at the door.
    far = a_call("far", place=at(12, 0), priority=1, median_s=300, p90_s=300)
    near = [a_call(f"n{n}", priority=2, median_s=600, p90_s=600) for n in range(3)]
    dear = Rates(km_cents=100_00, hour_cents=3000)
    problem = case_of(
        a_day(*near, far, vans=(a_van(shift=window(8, 8.8), rates=dear),))
    ).problem
    best = searched(problem, 50).best
    assert best.van_of.tolist() == [-1, -1, -1, 0]


def test_ruin_and_recreate_alone_finds_what_no_plan_beats() -> None:
    missed = []
    days = cases(fewer(100, 10), 7, 2)
    for day, travel, problem in days:
        best = searched(problem, fewer(500, 200)).best
        left = [
            sum(
                call.priority == priority and van < 0
                for call, van in zip(day.calls, best.van_of.tolist(), strict=True)
            )
            for priority in (1, 2, 3, 4)
        ]
        found = (*left, 0, 0, 0, 0, int(best.facts[:, MONEY].sum()))  # none broken
        wanted = best_plan_goal(day, travel)
        assert found >= wanted  # nothing is better than the best there is
        missed += [(found, wanted)] if found > wanted else []
    # A bar, not a proof: nothing was missed on 200 days when this was written. Parts
    # are given to calls as they come, so a day may once hang on who gets which fob.
    assert len(missed) <= 2, missed


def test_vans_that_are_alike_are_tried_once_but_all_can_go_out() -> None:
    # Four calls at 9:00 sharp want four vans; all four vans are the same.
    calls = [a_call(f"C{n}", windows=(window(9, 9.5),)) for n in range(4)]
    vans = tuple(a_van(f"V{n}") for n in range(4))
    problem = case_of(a_day(*calls, vans=vans)).problem
    memory = new_memory(problem)
    chance = np.random.default_rng(0)
    assert cheapest_place(problem, memory, chance, 0)[0] == 0
    assert memory.seen[1:, 0, 0].tolist() == [-1, -1, -1]  # not looked at
    assert sorted(searched(problem, 20).best.van_of.tolist()) == [0, 1, 2, 3]


def test_calls_nobody_can_start_and_days_without_calls_or_vans_do_no_harm() -> None:
    late = a_call(windows=(window(8, 8.25),))  # shorter than the half hour of work
    assert searched(case_of(a_day(late)).problem, 5).best.van_of.tolist() == [-1]
    for day in (a_day(), a_day(a_call(), vans=()), a_day(vans=())):
        memory = searched(case_of(day).problem, 5)
        assert memory.best.facts[:, SIZE].tolist() == [0] * len(day.vans)
        assert memory.score[BEST_MONEY] == memory.score[POOLED] == 0


# --- swaps of tails ----------------------------------------------------------


def undo(memory: Memory, vans: tuple[int, int]) -> None:
    for van in vans:
        copy_route(memory.kept, memory.now, van)
    copy_rest(memory.kept, memory.now)


def all_swaps(
    problem: Problem, routes: Routes
) -> Iterator[tuple[tuple[int, int], tuple[int, int]]]:
    """Return every pair of vans and cuts: behind a call, and before one."""
    for van, place, _ in placed(problem, routes):
        for other, there, _ in placed(problem, routes):
            if van != other:
                yield (van, other), (place + 1, there)


def test_swapped_tails_leave_the_books_as_if_worked_out_anew() -> None:
    driveable = 0
    for case in cases(fewer(24, 8), 10, 3):
        memory = searched(case.problem, fewer(60, 20))
        undo(memory, (0, 1))
        for vans, cuts in list(all_swaps(case.problem, memory.now)):
            first, second = (row(memory.now, van) for van in vans)
            allowed = all(
                case.problem.allowed[van, call]
                for van, calls in zip(
                    vans, (second[cuts[1] :], first[cuts[0] :]), strict=True
                )
                for call in calls
            )
            if allowed and exchange(case.problem, memory, vans, cuts):
                driveable += 1
                assert row(memory.now, vans[0]) == first[: cuts[0]] + second[cuts[1] :]
                assert row(memory.now, vans[1]) == second[: cuts[1]] + first[cuts[0] :]
                assert_books_balance(case.problem, memory.now)
            undo(memory, vans)
            assert_books_balance(case.problem, memory.now)
    assert driveable > fewer(20, 3)


def test_for_vans_that_are_alike_a_swap_is_foreseen_to_the_second_and_the_metre() -> (
    None
):
    # Three alike vans, no parts, kilometres alone cost: nothing is left to chance.
    rates = Rates(km_cents=50)
    vans = tuple(a_van(f"V{n}", shift=window(8, 12.5), rates=rates) for n in range(3))
    seen = {True: 0, False: 0}
    for seed in range(fewer(12, 4)):
        dice = np.random.default_rng(seed)
        calls = [
            a_call(
                f"C{n}",
                place=at(*dice.uniform(-9, 9, 2)),
                promise=window(8 + (open_h := dice.uniform(0, 3)), 9 + open_h),
            )
            for n in range(10)
        ]
        problem = case_of(a_day(*calls, vans=vans)).problem
        memory = searched(problem, 30, seed)
        undo(memory, (0, 1))
        before = memory.now.facts[:, MONEY].sum()
        for pair, cuts in list(all_swaps(problem, memory.now)):
            foreseen = swap_pays(problem, memory, pair, cuts, float(HUGE))
            assert exchange(problem, memory, pair, cuts) == foreseen
            seen[foreseen] += 1
            if foreseen:
                more = int(memory.now.facts[:, MONEY].sum() - before)
                undo(memory, pair)
                assert swap_pays(problem, memory, pair, cuts, more + 0.5)
                assert not swap_pays(problem, memory, pair, cuts, more - 0.5)
            undo(memory, pair)
    assert min(seen.values()) > 20


def test_a_tail_goes_only_to_a_van_that_may_serve_all_of_it() -> None:
    safes = frozenset({"safes"})
    calls = [a_call("A"), a_call("B", skills=safes), a_call("C")]
    vans = (a_van("V1", skills=safes), a_van("V2"))
    problem = case_of(a_day(*calls, vans=vans)).problem
    _, routes = timed(problem, 0, (0, 1, 2))
    assert [tail_allowed(problem, routes, 0, cut, 1) for cut in range(4)] == [
        False,
        False,
        True,
        True,
    ]
