"""The books of ruin and recreate: everything it remembers, worked out anew."""

from collections.abc import Iterator
from itertools import pairwise, product

import numpy as np
import pytest

from dispatch.generator import ALL, Feature
from dispatch.problem import (
    BROKEN,
    CALL,
    FIRST,
    GAP_HI,
    GAP_LO,
    HOLDER,
    LENGTH,
    LOADS,
    NEED_HI,
    NEED_LO,
    NEVER,
    NEXT,
    SAME_VAN,
    STORE_ROW,
    STORE_VISIT,
    THEN,
    WEIGHT,
    WINDOW,
    WINDOWS,
    Ints,
    Problem,
    frozen,
    no_futures,
)
from dispatch.search.lns import (
    BEST_LEFT,
    BEST_MONEY,
    BLINK_IN,
    HUGE,
    NOW_LEFT,
    NOW_MONEY,
    POOL_MONEY,
    POOL_ROWS,
    POOL_SIZE,
    POOL_VAN,
    POOL_VISITS,
    POOLED,
    Memory,
    apply_terms,
    cheapest_place,
    copy_rest,
    copy_route,
    detour_place,
    exchange,
    fetch_parts,
    insert,
    new_memory,
    price_parts,
    return_parts,
    ruin,
    search,
    swap_pays,
    tail_allowed,
)
from dispatch.search.schedule import (
    FREE_DONE,
    FREE_DUE,
    MONEY,
    PARTS,
    SIZE,
    STOPS,
    VERSION,
    Routes,
    within_limits,
)
from shared.model import Rates
from tests.builders import a_call, a_day, a_part, a_van, at, need, window
from tests.kernel.days import (
    HEAT,
    Case,
    as_agreed,
    case_of,
    cases,
    fewer,
    searched,
    timed,
)
from tests.oracle.brute_force import best_plan_goal

UNLINKED = ALL - {Feature.LINKS}


def many_days() -> list[Case]:
    """Return small, crowded and wide days, plain ones and ones with everything."""
    return [
        *cases(fewer(10, 2), 8, 2),
        *cases(fewer(5, 1), 25, 4, first=100),
        *cases(fewer(2, 0), 60, 8, first=200),
        *full_days(ALL),
    ]


def full_days(features: frozenset[Feature]) -> list[Case]:
    """Return days of several sizes with these features."""
    return [
        *cases(fewer(20, 3), 8, 2, first=300, features=features),
        *cases(fewer(12, 1), 16, 3, first=400, features=features),
        *cases(fewer(4, 0), 40, 6, first=500, features=features),
    ]


def row(routes: Routes, van: int) -> tuple[int, ...]:
    """Return a van's visits in order."""
    return tuple(routes.order[van, : routes.facts[van, SIZE]].tolist())


def placed(problem: Problem, routes: Routes) -> list[tuple[int, int, int]]:
    """Return van, position and visit of every call on a route."""
    return [
        (van, place, visit)
        for van in range(len(problem.vans))
        for place, visit in enumerate(row(routes, van))
        if problem.visits[visit, CALL] < problem.call_count
    ]


def ways_of(problem: Problem, call: int) -> list[int]:
    """Return the rows of all ways to do a call."""
    ways = [call]
    while problem.visits[ways[-1], NEXT] >= 0:
        ways.append(int(problem.visits[ways[-1], NEXT]))
    return ways


def weight_left(problem: Problem, routes: Routes) -> int:
    """Return the weight of the calls on no route."""
    calls = problem.visits[: problem.call_count, WEIGHT]
    return int(calls[routes.van_of[: problem.call_count] < 0].sum())


def morning(problem: Problem, used: Ints) -> Ints:
    """Return what the shop gives out before the vans leave."""
    over = np.maximum(used - problem.stock, 0)[: len(problem.vans)]
    over = np.where(problem.reused == 1, np.minimum(over, 1), over)
    total: Ints = over.sum(axis=0)
    return total


class Books:
    """What a solution uses and costs, worked out from its bare orders.

    Parameters
    ----------
    problem, routes : Problem, Routes
        The day, and the solution: its orders, choices and what is fetched are taken
        as they are.
    """

    def __init__(self, problem: Problem, routes: Routes) -> None:
        self.used = np.zeros_like(problem.stock)
        self.unloaded = np.zeros_like(problem.stock)  # by vans that cannot load
        self.parts_units = [0] * len(problem.vans)
        self.fetched = np.zeros_like(routes.fetched)
        for van, _, visit in placed(problem, routes):
            store = int(routes.store_of[problem.visits[visit, CALL]])
            for line in range(*problem.visits[visit, [NEED_LO, NEED_HI]]):
                choice = int(routes.chosen[line])
                assert choice in range(*problem.needs[line])
                self.parts_units[van] += int(problem.extra[choice])
                for item in range(*problem.choices[choice]):
                    part, count = problem.items[item].tolist()
                    fetched = int(routes.fetched[item])
                    assert 0 <= fetched <= count
                    if fetched:
                        self.fetched[item] = fetched
                        self.used[problem.stores[store, STORE_ROW], part] += fetched
                        markup = int(problem.markup[store, part])
                        self.parts_units[van] += fetched * markup
                    holder = van if problem.reused[part] else problem.vans[van, HOLDER]
                    self.used[holder, part] += count - fetched
                    if problem.vans[van, LOADS] == 0:
                        self.unloaded[holder, part] += count - fetched
        self.used[len(problem.vans)] += morning(problem, self.used)


def assert_stock_allows(problem: Problem, used: Ints) -> None:
    """Check that nobody gives more than there is."""
    shop = len(problem.vans)
    assert (used[shop:] <= problem.stock[shop:]).all(), "a store gives what it lacks"


def assert_stops_serve(problem: Problem, routes: Routes) -> None:
    """Check that pieces are fetched before they are used, at stops made for that."""
    for van in range(len(problem.vans)):
        calls = problem.visits[list(row(routes, van)), CALL].tolist()
        stores = [c - problem.call_count for c in calls if c >= problem.call_count]
        assert len(stores) == len(set(stores)), "a store is stopped at twice"
        for store in stores:
            behind = calls[calls.index(problem.call_count + store) + 1 :]
            assert any(
                call < problem.call_count and routes.store_of[call] == store
                for call in behind
            ), "nothing is fetched at a stop"
        for place, call in enumerate(calls):
            if call < problem.call_count and routes.store_of[call] >= 0:
                halt = problem.call_count + routes.store_of[call]
                assert halt in calls[:place], "a piece is used before it is fetched"
    out = routes.van_of[: problem.call_count] < 0
    assert (routes.store_of[out] == -1).all()


def assert_links_kept(problem: Problem, routes: Routes) -> None:
    """Check that linked calls follow each other whenever each of them starts."""
    agreed = as_agreed(problem, routes)
    for number, link in enumerate(problem.links.tolist()):
        first, then = link[FIRST], link[THEN]
        vans = routes.van_of[[first, then]].tolist()
        if vans[1] < 0:
            continue
        assert vans[0] >= 0, "a call is served without the one it follows"
        assert not link[SAME_VAN] or vans[0] == vans[1]
        begins, ends = [], []
        for call, van in zip((first, then), vans, strict=True):
            visit = routes.order[van, routes.place_of[call]]
            length_s = agreed.visits[visit, LENGTH]
            end = WINDOW + 2 * agreed.visits[visit, WINDOWS]
            cells = agreed.visits[visit, WINDOW:end].tolist()
            spans = [
                (low, high)
                for low, high in zip(cells[::2], cells[1::2], strict=True)
                if low <= high
            ]
            assert spans
            begins.append(min(low for low, _ in spans))
            ends.append(max(high for _, high in spans) + length_s)
            free = routes.labels[van, routes.place_of[call] + 1]
            done_s = min(free[FREE_DUE], free[FREE_DONE])
            assert begins[-1] + length_s <= done_s <= ends[-1]
        first_visit = routes.order[vans[0], routes.place_of[first]]
        earliest_end_s = begins[0] + agreed.visits[first_visit, LENGTH]
        assert begins[1] - ends[0] >= link[GAP_LO], number
        then_visit = routes.order[vans[1], routes.place_of[then]]
        if link[GAP_HI] < NEVER:
            latest_s = ends[1] - agreed.visits[then_visit, LENGTH]
            assert latest_s - earliest_end_s <= link[GAP_HI], number


def assert_books_balance(
    problem: Problem, routes: Routes, *, limits: bool = True
) -> None:
    """Work everything about a solution out from the bare orders and compare."""
    everything = placed(problem, routes)
    calls = problem.visits[[visit for _, _, visit in everything], CALL].tolist()
    assert len(calls) == len(set(calls)), "a call is on the day twice"
    for (van, place, visit), call in zip(everything, calls, strict=True):
        assert (routes.van_of[call], routes.place_of[call]) == (van, place)
        assert problem.allowed[van, visit] == 1
    assert (routes.van_of[: problem.call_count] >= 0).sum() == len(calls)
    assert routes.left[0] == weight_left(problem, routes)
    books, agreed = Books(problem, routes), as_agreed(problem, routes)
    for van in range(len(problem.vans)):
        order = row(routes, van)
        works, fresh = timed(agreed, van, order, books.parts_units[van])
        assert works
        labels = slice(len(order) + 1)
        assert np.array_equal(routes.labels[van, labels], fresh.labels[van, labels])
        nodes = slice(len(order) + 2)
        assert np.array_equal(routes.nodes[van, nodes], fresh.nodes[van, nodes])
        facts = [column for column in range(STOPS + 1) if column != VERSION]
        assert routes.facts[van, facts].tolist() == fresh.facts[van, facts].tolist()
        if limits:
            assert within_limits(agreed, routes, van)
    assert np.array_equal(routes.used, books.used)
    out = routes.fetched - books.fetched
    assert not out.any(), "pieces are fetched for nobody"
    assert_stock_allows(problem, books.used)
    assert (books.unloaded <= problem.stock).all(), "who cannot load has what it lacks"
    assert_stops_serve(problem, routes)
    assert_links_kept(problem, routes)


def score_of(problem: Problem, routes: Routes) -> tuple[int, int]:
    """Return the weight left out or broken, and the money of a solution."""
    broken = sum(
        int(problem.visits[list(row(routes, van)), BROKEN].sum())
        for van in range(len(problem.vans))
    )
    left_out = weight_left(problem, routes) + broken
    return left_out, int(routes.facts[:, MONEY].sum())


def slow_parts_price(problem: Problem, routes: Routes, van: int, call: int) -> int:
    """Return what the first choices that go together cost extra; ``HUGE``: none do."""
    lines = range(*problem.visits[call, [NEED_LO, NEED_HI]])
    shop, before = len(problem.vans), morning(problem, routes.used)
    for picked in product(*(range(*problem.needs[line]) for line in lines)):
        used = routes.used.copy()
        for choice in picked:
            for part, count in problem.items[slice(*problem.choices[choice])]:
                holder = van if problem.reused[part] else problem.vans[van, HOLDER]
                used[holder, part] += count
        more = morning(problem, used) - before
        if (used[shop] + more <= problem.stock[shop]).all() and (
            problem.vans[van, LOADS] or not more.any()
        ):
            return int(problem.extra[list(picked)].sum())
    return HUGE


def added(problem: Problem, routes: Routes, van: int, visit: int) -> list[int]:
    """Return what a visit adds at each place of a route; ``HUGE``: it does not fit.

    Its parts are not counted.
    """
    order = row(routes, van)
    old = int(routes.facts[van, MONEY] - routes.facts[van, PARTS])
    units = []
    for spot in range(len(order) + 1):
        works, fresh = timed(problem, van, (*order[:spot], visit, *order[spot:]))
        units.append(int(fresh.facts[van, MONEY]) - old if works else HUGE)
    return units


def twice_added(
    problem: Problem, routes: Routes, van: int, visit: int, halt: int
) -> dict[tuple[int, int], int]:
    """Return what a visit behind a stop adds, by its position and that of a new stop.

    Its parts are not counted; -1 stands for a stop that is in the route.
    """
    order = row(routes, van)
    old = int(routes.facts[van, MONEY] - routes.facts[van, PARTS])
    begins = [-1] if halt in order else list(range(len(order) + 1))
    found = {}
    for begin in begins:
        stopping = order if begin < 0 else (*order[:begin], halt, *order[begin:])
        for spot in range(stopping.index(halt) + 1, len(stopping) + 1):
            whole = (*stopping[:spot], visit, *stopping[spot:])
            works, fresh = timed(problem, van, whole)
            if works:
                found[spot, begin] = int(fresh.facts[van, MONEY]) - old
    return found


def deep_copy(routes: Routes) -> Routes:
    return Routes(*(array.copy() for array in routes))


# --- one insertion -----------------------------------------------------------


def places_of(
    problem: Problem, routes: Routes, call: int
) -> dict[tuple[int, int, int, int, int], int]:
    """Return every place of a call and what it adds there, its parts paid.

    A van stops on the way only for what it cannot have otherwise. Of ways that break
    the promise there are none while others have a place.
    """
    found: dict[tuple[int, int, int, int, int], int] = {}
    broken = 0
    for visit in ways_of(problem, call):
        if problem.visits[visit, BROKEN] > broken:
            if found:
                break
            broken = int(problem.visits[visit, BROKEN])
        for van in np.flatnonzero(problem.allowed[:, visit]).tolist():
            price = slow_parts_price(problem, routes, van, call)
            plain = [
                (spot, units)
                for spot, units in enumerate(added(problem, routes, van, visit))
                if units < HUGE
            ]
            if price < HUGE:
                for spot, units in plain:
                    found[van, spot, visit, -1, -1] = units + price
                continue
            for store in range(len(problem.stores) if plain else 0):
                trial = deep_copy(routes)
                parts = fetch_parts(problem, trial, van, call, store)
                if parts >= HUGE:
                    continue
                halt = int(problem.stores[store, STORE_VISIT])
                pairs = twice_added(problem, routes, van, visit, halt)
                for (spot, begin), units in pairs.items():
                    found[van, spot, visit, store, begin] = units + parts
    return found


def test_a_call_goes_where_it_adds_least_and_adds_what_timing_anew_says() -> None:
    done = refused = fetched = later = 0
    plain = [*cases(fewer(10, 2), 8, 2), *cases(fewer(5, 1), 25, 4, first=100)]
    for _, _, problem in [*plain, *full_days(UNLINKED)]:
        memory = new_memory(problem)
        memory.score[BLINK_IN] = HUGE  # no place is skipped
        routes, chance = memory.now, np.random.default_rng(0)
        for call in chance.permutation(problem.call_count).tolist()[:20]:
            places = places_of(problem, routes, call)
            place = cheapest_place(problem, routes, memory.notes, chance, call)
            if not places:
                assert place == (-1, -1, -1, -1, -1)
                refused += 1
                continue
            before = int(routes.facts[:, MONEY].sum())
            insert(problem, routes, place)
            memory.notes.touched[place[0]] = 1
            more = int(routes.facts[:, MONEY].sum()) - before
            assert more == places[place] == min(places.values())
            done += 1
            fetched += place[3] >= 0
            later += place[2] != call
        assert_books_balance(problem, routes, limits=False)
    assert min(done, refused, later) > fewer(30, 5)
    assert fetched > fewer(20, 1)


def test_a_stop_and_a_visit_behind_it_go_where_both_add_least() -> None:
    tried = new = known = 0
    for _, _, problem in full_days(UNLINKED):
        memory = searched(problem, fewer(50, 10))
        routes = memory.now
        for van in range(len(problem.vans)):
            visits = np.flatnonzero(problem.allowed[van, : -len(problem.stores)])
            for visit in visits.tolist()[: fewer(12, 4)]:
                if routes.van_of[problem.visits[visit, CALL]] >= 0:
                    continue
                for halt in problem.stores[:, STORE_VISIT].tolist():
                    at_place = (
                        row(routes, van).index(halt)
                        if (halt in row(routes, van))
                        else -1
                    )
                    pairs = twice_added(problem, routes, van, visit, halt)
                    units, spot, begin = detour_place(
                        problem, routes, (van, visit, 0), (halt, at_place, 7), HUGE
                    )
                    tried += 1
                    if not pairs:
                        assert (units, spot, begin) == (HUGE, -1, -1)
                        continue
                    assert units == 7 + min(pairs.values()) == 7 + pairs[spot, begin]
                    new += begin >= 0
                    known += begin < 0
                    # What is no better than the bar is not found.
                    assert detour_place(
                        problem, routes, (van, visit, 0), (halt, at_place, 7), units
                    ) == (units, -1, -1)
    assert new > fewer(30, 2)
    assert known > fewer(10, 0) - 1
    assert tried > new + known  # not everywhere is a place


def test_a_place_that_is_reached_in_the_very_last_second_is_a_place() -> None:
    # The first call is done at 8:30 sharp, and the second must start at 8:30 sharp.
    calls = (a_call("A"), a_call("B", promise=window(8.5, 8.5)))
    problem = case_of(a_day(*calls)).problem
    memory = new_memory(problem)
    insert(problem, memory.now, (0, 0, 0, -1, -1))
    place = cheapest_place(
        problem, memory.now, memory.notes, np.random.default_rng(0), 1
    )
    assert place == (0, 1, 1, -1, -1)


def with_ways(problem: Problem, distance_m: Ints) -> Problem:
    """Return a day with other distances, as long to drive as before."""
    return problem._replace(distance_m=frozen(distance_m.astype(np.int64)))


def test_a_short_cut_over_a_call_does_not_make_up_for_a_part_that_lacks() -> None:
    # From the yard to A it is 10 km, over B 2 km; the only P aboard is for A.
    calls = (a_call("A", needs=(need("P"),)), a_call("B", needs=(need("P"),)))
    van = a_van(stock={"P": 1}, rates=Rates(km_cents=100))
    problem = case_of(a_day(*calls, vans=(van,), parts=(a_part("P"),))).problem
    ways = np.full_like(problem.distance_m, 10_000)
    ways[:, 1] = ways[1, :] = 1_000
    problem = with_ways(problem, ways)
    memory = new_memory(problem)
    chance = np.random.default_rng(0)
    first = cheapest_place(problem, memory.now, memory.notes, chance, 0)
    assert first == (0, 0, 0, -1, -1)
    insert(problem, memory.now, first)
    nowhere = (-1, -1, -1, -1, -1)
    assert cheapest_place(problem, memory.now, memory.notes, chance, 1) == nowhere


def test_the_books_balance_where_the_way_over_a_call_is_often_shorter() -> None:
    chance = np.random.default_rng(5)
    for _, _, usual in many_days():
        ways = chance.integers(0, 40_000, size=usual.distance_m.shape)
        np.fill_diagonal(ways, 0)
        problem = with_ways(usual, ways)
        for memory in slices(problem):
            assert_books_balance(problem, memory.now)


def test_what_a_calls_parts_cost_on_a_van_is_asked_without_leaving_a_trace() -> None:
    answers = []
    for _, _, problem in many_days():
        memory = searched(problem, fewer(100, 10))
        before = deep_copy(memory.now)
        out = np.flatnonzero(memory.now.van_of[: problem.call_count] < 0)
        for call in out.tolist():
            for van in range(len(problem.vans)):
                price = int(price_parts(problem, memory.now, van, call))
                assert price == slow_parts_price(problem, memory.now, van, call)
                answers.append(price)
        for name in ("used", "facts", "fetched", "store_of"):
            assert np.array_equal(getattr(memory.now, name), getattr(before, name))
    assert answers.count(0) > fewer(20, 2)
    assert answers.count(HUGE) > fewer(30, 2)
    assert sum(0 < price < HUGE for price in answers) > fewer(2, 0) - 1


def test_what_is_fetched_on_the_way_is_what_lacks_and_can_be_given_back() -> None:
    fetched = refused = 0
    for _, _, problem in full_days(ALL):
        memory = searched(problem, fewer(100, 10))
        routes = memory.now
        out = np.flatnonzero(routes.van_of[: problem.call_count] < 0)
        for call in out.tolist():
            for van, store in product(
                range(len(problem.vans)), range(len(problem.stores))
            ):
                before, trial = deep_copy(routes), deep_copy(routes)
                units = fetch_parts(problem, trial, van, call, store)
                if units < HUGE:
                    assert_stock_allows(problem, trial.used)
                    assert trial.store_of[call] == store
                    parts = int(trial.facts[van, PARTS] - before.facts[van, PARTS])
                    assert units == parts
                    fetched += bool((trial.fetched != before.fetched).any())
                    return_parts(problem, trial, van, call)
                else:
                    refused += 1
                for name in ("used", "facts", "fetched", "store_of"):
                    assert np.array_equal(getattr(trial, name), getattr(before, name))
    assert min(fetched, refused) > fewer(30, 0) - 1


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
        search(problem, memory, chance, rounds, HEAT, no_futures())
        yield memory


def test_all_that_is_remembered_about_routes_is_as_if_worked_out_anew() -> None:
    for _, _, problem in many_days():
        for memory in slices(problem):
            assert_books_balance(problem, memory.now)
            assert_books_balance(problem, memory.kept)
            assert_books_balance(problem, memory.best)


def test_what_is_changed_and_what_is_kept_are_the_same_after_every_slice() -> None:
    for _, _, problem in many_days():
        for memory in slices(problem):
            now, kept = memory.now, memory.kept
            for van in range(len(problem.vans)):
                assert row(now, van) == row(kept, van)
            calls = slice(problem.call_count)  # where stores are counts for nothing
            assert np.array_equal(now.van_of[calls], kept.van_of[calls])
            for name in ("facts", "used", "store_of", "fetched", "terms", "left"):
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


def test_windows_of_calls_that_nothing_binds_are_those_the_day_gave_them() -> None:
    bound = free = 0
    for _, _, problem in full_days(ALL):
        for memory in slices(problem):
            linked = set(problem.links[:, [FIRST, THEN]].flatten().tolist())
            for visit, call in enumerate(problem.visits[:, CALL].tolist()):
                if call not in linked:
                    assert np.array_equal(problem.visits[visit], problem.given[visit])
            apply_terms(problem, memory.now)
            together = {
                call
                for link in problem.links.tolist()
                if memory.now.van_of[link[THEN]] >= 0
                for call in (link[FIRST], link[THEN])
            }
            for visit, call in enumerate(problem.visits[:, CALL].tolist()):
                same = np.array_equal(problem.visits[visit], problem.given[visit])
                assert same or call in together
                bound += not same
                free += same and call in linked
    assert min(bound, free) > fewer(100, 2)


def ways_from(problem: Problem, visit: int) -> list[int]:
    """Return a visit and the call's other ways behind it, as good to the promise."""
    ways = [visit]
    while (after := int(problem.visits[ways[-1], NEXT])) >= 0:
        if problem.visits[after, BROKEN] != problem.visits[visit, BROKEN]:
            break
        ways.append(after)
    return ways


def test_a_remembered_best_place_is_what_a_fresh_look_finds() -> None:
    fresh, none = 0, 0
    for _, _, problem in many_days():
        memory = searched(problem, fewer(300, 80))
        for van in range(len(problem.vans)):
            version = memory.now.facts[van, VERSION]
            seen = memory.notes.seen[:, van]
            known = np.flatnonzero(seen[:, 0] == version).tolist()
            for visit in known:
                assert memory.now.van_of[problem.visits[visit, CALL]] != van
                agreed = as_agreed(problem, memory.now)
                _, promised, spot, chosen = seen[visit].tolist()
                least = HUGE
                for way in ways_from(problem, visit):
                    agreed.visits[way] = problem.given[way]
                    if problem.allowed[van, way] == 0:
                        continue
                    units = added(agreed, memory.now, van, way)
                    least = min(least, *units)
                    assert way != chosen or units[spot] == promised
                assert promised == least
                if promised == HUGE:
                    assert (spot, chosen) == (-1, -1)
                    none += 1
                else:
                    assert chosen in ways_from(problem, visit)
                    fresh += 1
    assert min(fresh, none) > fewer(100, 0)


def test_every_route_in_the_pool_works_and_costs_what_is_written_beside_it() -> None:
    rows = stops = 0
    days = [*cases(fewer(20, 3), 8, 2), *cases(fewer(4, 1), 60, 8, first=200)]
    for _, _, problem in [*days, *full_days(UNLINKED)]:
        memory = searched(problem, fewer(500, 20))
        assert memory.score[POOLED] <= POOL_ROWS
        for line in memory.pool[: memory.score[POOLED]].tolist():
            van = line[POOL_VAN]
            order = tuple(line[POOL_VISITS : POOL_VISITS + line[POOL_SIZE]])
            works, fresh = timed(problem, van, order)
            assert works
            assert order
            assert len(set(order)) == len(order)
            assert fresh.facts[van, MONEY] == line[POOL_MONEY]
            assert problem.allowed[van, list(order)].all()
            assert within_limits(problem, fresh, van)
            rows += 1
            stops += int(fresh.facts[van, STOPS])
    assert rows > fewer(500, 30)
    assert stops > fewer(30, 0) - 1


def test_a_full_pool_lets_its_oldest_routes_go() -> None:
    problem = cases(1, 25, 4)[0].problem
    memory = new_memory(problem)
    memory.score[POOLED] = POOL_ROWS - 1
    search(problem, memory, np.random.default_rng(0), 30, HEAT, no_futures())
    assert memory.score[POOLED] > POOL_ROWS
    assert memory.pool[POOL_ROWS - 1, POOL_SIZE] > 0
    assert memory.pool[0, POOL_SIZE] > 0
    assert_books_balance(problem, memory.best)


def test_more_routes_than_fit_are_ruined_without_losing_a_call() -> None:
    for _, _, problem in many_days():
        memory = searched(problem, fewer(50, 10))
        chance = np.random.default_rng(3)
        calls = slice(problem.call_count)
        before = set(np.flatnonzero(memory.now.van_of[calls] >= 0).tolist())
        waiting = ruin(problem, memory.now, memory.notes, chance)
        assert waiting >= 0
        after = set(np.flatnonzero(memory.now.van_of[calls] >= 0).tolist())
        queue = memory.notes.queue[:waiting].tolist()
        assert len(queue) == len(set(queue))
        assert before - after <= set(queue)
        assert not after & set(queue)
        # A limit may bind again: without a call it sets off earlier to the next one.
        assert_books_balance(problem, memory.now, limits=False)


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
    search(problem, whole, np.random.default_rng(5), 30, (1e7, 1e7), no_futures())
    chance = np.random.default_rng(5)
    for rounds in cuts:
        search(problem, cut, chance, rounds, (1e7, 1e7), no_futures())
    assert same_bits(whole, cut)


def test_no_round_changes_nothing() -> None:
    problem = cases(1, 20, 3)[0].problem
    memory, before = searched(problem, 10), searched(problem, 10)
    search(problem, memory, np.random.default_rng(9), 0, HEAT, no_futures())
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
    days = cases(fewer(100, 8), 7, 2)
    for day, travel, problem in days:
        best = searched(problem, fewer(500, 150)).best
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
    assert cheapest_place(problem, memory.now, memory.notes, chance, 0)[0] == 0
    assert memory.notes.seen[0, 1:, 0].tolist() == [-1, -1, -1]  # not looked at
    assert sorted(searched(problem, 20).best.van_of.tolist()) == [0, 1, 2, 3]


def test_calls_nobody_can_start_and_days_without_calls_or_vans_do_no_harm() -> None:
    late = a_call(windows=(window(8, 8.25),))  # shorter than the half hour of work
    assert searched(case_of(a_day(late)).problem, 5).best.van_of.tolist() == [-1]
    for day in (a_day(), a_day(a_call(), vans=()), a_day(vans=())):
        memory = searched(case_of(day).problem, 5)
        assert memory.best.facts[:, SIZE].tolist() == [0] * len(day.vans)
        assert memory.score[BEST_MONEY] == memory.score[POOLED] == 0


# --- swaps of tails ----------------------------------------------------------


def undo(problem: Problem, memory: Memory, vans: tuple[int, int]) -> None:
    for van in vans:
        copy_route(problem, memory.kept, memory.now, van)
    copy_rest(problem, memory.kept, memory.now)


def all_swaps(
    problem: Problem, routes: Routes
) -> Iterator[tuple[tuple[int, int], tuple[int, int]]]:
    """Return every pair of vans and cuts: behind a call, and before one."""
    for van, place, _ in placed(problem, routes):
        for other, there, _ in placed(problem, routes):
            if van != other:
                yield (van, other), (place + 1, there)


def test_swapped_tails_leave_the_books_as_if_worked_out_anew() -> None:
    driveable = full = 0
    days = cases(fewer(24, 8), 10, 3)
    more = cases(fewer(40, 4), 10, 3, first=600, features=ALL)
    for _, _, problem in [*days, *more]:
        memory = searched(problem, fewer(60, 20))
        undo(problem, memory, (0, 1))
        apply_terms(problem, memory.now)
        for vans, cuts in list(all_swaps(problem, memory.now)):
            if memory.now.facts[list(vans), STOPS].any():
                continue  # parts would have to be fetched anew
            first, second = (row(memory.now, van) for van in vans)
            allowed = all(
                problem.allowed[van, visit]
                for van, visits in zip(
                    vans, (second[cuts[1] :], first[cuts[0] :]), strict=True
                )
                for visit in visits
            )
            if allowed and exchange(problem, memory.now, memory.notes, vans, cuts):
                driveable += 1
                full += len(problem.links) > 0
                assert row(memory.now, vans[0]) == first[: cuts[0]] + second[cuts[1] :]
                assert row(memory.now, vans[1]) == second[: cuts[1]] + first[cuts[0] :]
                assert_books_balance(problem, memory.now)
            undo(problem, memory, vans)
            assert_books_balance(problem, memory.now)
    assert driveable > fewer(20, 2)
    assert full > fewer(5, 0) - 1


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
        undo(problem, memory, (0, 1))
        before = memory.now.facts[:, MONEY].sum()
        for pair, cuts in list(all_swaps(problem, memory.now)):
            foreseen = swap_pays(problem, memory.now, pair, cuts, float(HUGE))
            assert exchange(problem, memory.now, memory.notes, pair, cuts) == foreseen
            seen[foreseen] += 1
            if foreseen:
                more = int(memory.now.facts[:, MONEY].sum() - before)
                undo(problem, memory, pair)
                assert swap_pays(problem, memory.now, pair, cuts, more + 0.5)
                assert not swap_pays(problem, memory.now, pair, cuts, more - 0.5)
            undo(problem, memory, pair)
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
