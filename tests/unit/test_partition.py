"""Routes chosen from a pool and parts shared out, against trying everything."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import combinations, product
from typing import Any

import numpy as np
import pytest

from dispatch.generator import generate_day
from dispatch.partition import (
    SHARE_STEPS,
    Column,
    Cover,
    calls_of,
    choose_routes,
    promising,
    scarce_needs,
    share_parts,
    vans_share,
    weigh,
)
from dispatch.problem import (
    CALL,
    STORE_VISIT,
    TWIN,
    Problem,
    build_problem,
    restock_stores,
    store_node,
)
from dispatch.stock import leave_over, pieces, spare_issues
from dispatch.travel import travel_table
from shared.model import Day, Issue, Need, Origin, Store, Tool
from shared.units import UNITS_PER_CENT
from tests.builders import SHOP, a_call, a_day, a_part, a_plan, a_van, at, need
from tests.oracle.brute_force import served_of, tools_wanted, tours_of
from tests.oracle.slow_parts import Parts, Served

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


def choices(problem: Problem, pool: Sequence[Column]) -> Iterator[tuple[Column, ...]]:
    """Yield every choice of at most one route per van without a call twice."""
    by_van = [
        [None, *(column._replace(van=van) for column in pool if column.van == twin)]
        for van, twin in enumerate(problem.vans[:, TWIN].tolist())
    ]
    for picked in product(*by_van):
        columns = tuple(column for column in picked if column is not None)
        calls = [call for each in columns for call in calls_of(problem, each)]
        if len(calls) == len(set(calls)):
            yield columns


def worth(problem: Problem, columns: Sequence[Column]) -> tuple[int, int]:
    return weigh(problem, columns), sum(column.cost for column in columns)


class Slow:
    """What parts cost a choice of routes, by trying every piece."""

    def __init__(self, day: Day, problem: Problem) -> None:
        self.day, self.problem, self.parts = day, problem, Parts(day)

    def ways(self, column: Column) -> list[Served]:
        """Return the route with all its stops, and with some of them left out."""
        steps = [
            store_node(self.day, restock_stores(self.day)[call - len(self.day.calls)])
            if call >= len(self.day.calls)
            else f"call:{self.day.calls[call].id}"
            for call in self.problem.visits[list(column.visits), CALL].tolist()
        ]
        stops = [step for step in steps if not step.startswith("call:")]
        return [
            served_of(tuple(step for step in steps if step not in idle))
            for count in range(len(stops) + 1)
            for idle in combinations(stops, count)
        ]

    def units(self, columns: Sequence[Column]) -> int | None:
        """Return the cost units of their parts; ``None``: too few, or too few tools."""
        by_van: list[list[Served]] = [[()] for _ in self.day.vans]
        out: Counter[str] = Counter()
        for column in columns:
            van = self.day.vans[column.van]
            by_van[column.van] = self.ways(column)
            tools = tools_wanted(self.day, van, by_van[column.van][0])
            if tools and not van.loads_at_shop:
                return None
            out.update(tools)
        if any(out[tool.id] > tool.quantity for tool in self.day.tools):
            return None
        # Where the oracle is asked about a stop it wants something fetched there.
        cents = [
            extra
            for served in product(*by_van)
            if (extra := self.parts.least_cents(served)) is not None
        ]
        return min(cents) * UNITS_PER_CENT if cents else None


def chosen(problem: Problem, pool: Sequence[Column], **how: Any) -> Cover:
    cover = choose_routes(problem, pool, **how)
    assert cover is not None
    return cover


def assert_best(day: Day, pool: Sequence[Column], **how: Any) -> bool:
    """Compare with all choices; return whether it is the parts that decide."""
    problem = build_problem(day, travel_table(day))
    slow = Slow(day, problem)
    every = sorted(
        (worth(problem, columns), columns) for columns in choices(problem, pool)
    )
    best: tuple[int, int] | None = None
    for (left_out, cost), columns in every:
        if best is not None and (left_out, cost) >= best:
            break  # parts cost nothing less than nothing
        units = slow.units(columns)
        if units is not None and (best is None or (left_out, cost + units) < best):
            best = left_out, cost + units
    cover = chosen(problem, pool, **how)
    assert cover.proved
    assert (cover.left_out, cover.cost) == best
    assert cover.columns in {columns for _, columns in every}
    units = slow.units(cover.columns)
    assert units is not None
    left_out, cost = worth(problem, cover.columns)
    assert (left_out, cost + units) == best
    return every[0][0] != best


def those_with_parts(day: Day, pool: Sequence[Column]) -> list[Column]:
    """Return the routes that have their parts when each is the only one."""
    slow = Slow(day, build_problem(day, travel_table(day)))
    return [column for column in pool if slow.units([column]) is not None]


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
    tool = frozenset({"MILL"})
    asking = chance.random(4) < (0.4 if chance.random() < 0.3 else 0.0)
    if asking.any() and chance.random() < 0.5:
        vans[0] = replace(vans[0], equipment=tool)
    return a_day(
        *(
            a_call(
                f"C{row}", needs=each, equipment=tool if asking[row] else frozenset()
            )
            for row, each in enumerate(needs)
        ),
        vans=tuple(replace(van, id=f"V{row}") for row, van in enumerate(vans)),
        exchange=bool(chance.random() < 0.3),
        tools=(Tool(id="MILL"),),
        parts=(
            a_part("KIT", components=(("P", 1), ("Q", 2))),
            *(a_part(part) for part in PARTS),
        ),
        shop=stock() if shop else {},
    )


def test_substitutes_kits_and_the_shared_shop_are_weighed_against_each_other() -> None:
    chance = np.random.default_rng(3)
    seen: Counter[str] = Counter()
    for number in range(110):
        day = a_stocked_day(chance, shop=number % 3 > 0, plenty=number % 5 == 0)
        problem = build_problem(day, travel_table(day))
        pool = [
            Column(
                van,
                tuple(call for call in range(4) if mask >> call & 1),
                mask * 100 * UNITS_PER_CENT,  # a kit can cost 6.00 more than a part
            )
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
        seen["nobody shares"] += bool(needs) and not vans_share(problem, needs)
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
    assert [column.visits for column in cover.columns] == [(1,)]
    assert (cover.left_out, cover.cost) == (1, 9)


def test_stores_on_the_way_and_their_prices_are_weighed_against_longer_routes() -> None:
    chance = np.random.default_rng(17)
    decided = stopping = paid = 0
    for _ in range(30):
        day = a_trading_day(chance)
        problem = build_problem(day, travel_table(day))
        halts = problem.stores[:, STORE_VISIT].tolist()
        pool = []
        for van in kinds_of_van(problem):
            for mask in range(1, 8):
                if chance.random() < 0.3:
                    continue
                visits = [call for call in range(3) if mask >> call & 1]
                some = [halt for halt in halts if chance.random() < 0.5]
                for stops in ([], some) if some else ([],):
                    order = list(visits)
                    for halt in stops:
                        order.insert(int(chance.integers(len(order))), halt)
                    cents = 100 * mask + 80 * len(stops)
                    pool.append(Column(van, tuple(order), cents * UNITS_PER_CENT))
        decided += assert_best(day, pool)
        cover = chosen(problem, pool)
        calls = sum(len(calls_of(problem, column)) for column in cover.columns)
        stopping += sum(len(column.visits) for column in cover.columns) > calls
        paid += cover.cost > sum(column.cost for column in cover.columns)
        known = those_with_parts(day, pool)
        assert_best(day, known, parts_known=True)
    assert min(decided, stopping, paid) >= 4


def test_routes_of_vans_that_are_alike_are_spread_over_them() -> None:
    # V1 is another kind of van; the other three share the pool of the first.
    vans = tuple(a_van(f"V{n}", loads_at_shop=n != 1) for n in range(4))
    day = a_day(*(a_call(f"C{n}") for n in range(4)), vans=vans)
    pool = [Column(0, (n,), 4 + n) for n in range(3)] + [Column(1, (3,), 9)]
    cover = chosen(build_problem(day, travel_table(day)), pool)
    assert [column.van for column in cover.columns] == [0, 1, 2, 3]
    assert {column.visits for column in cover.columns} == {(0,), (1,), (2,), (3,)}
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


def test_promising_routes_hold_the_best_choice_and_are_few_where_it_is_known() -> None:
    asked = kept = 0
    for seed in range(12):
        day = generate_day(seed, 7, 3, tightness=0.0, ease=1.0)
        problem = build_problem(day, travel_table(day))
        pool = pool_of(day, problem, np.random.default_rng(seed), 0.7)
        best = chosen(problem, pool)
        if best.left_out > 0 or scarce_needs(problem):
            continue
        half = chosen(problem, pool[::2])
        starts = [half.columns] if half.left_out == 0 else []
        for start in (*starts, best.columns, ()):
            known = [
                each._replace(van=int(problem.vans[each.van, TWIN])) for each in start
            ]
            some = promising(problem, pool, known, len(pool))
            assert some == [column for column in pool if column in some]
            assert set(known) <= set(some)
            assert chosen(problem, some, known=known).cost == best.cost
            few = promising(problem, pool, known, 3)
            assert set(known) <= set(few)
            assert len(few) <= 3 + len(known)
            if start == best.columns:
                asked += len(pool)
                kept += len(some)
    assert asked > 400
    assert kept < asked / 5


def test_of_no_routes_none_are_promising() -> None:
    problem = build_problem(day := a_day(a_call("C0")), travel_table(day))
    assert promising(problem, [], [], 5) == []


def test_what_leaves_fewer_calls_out_is_promising_though_it_costs_more() -> None:
    day = a_day(a_call("C0"), a_call("C1"))
    problem = build_problem(day, travel_table(day))
    pool = [Column(0, (0,), 4), Column(0, (1,), 5), Column(0, (0, 1), 900)]
    assert pool[2] in promising(problem, pool, pool[:1], 1)


def test_without_effort_no_choice_is_made_and_nothing_is_claimed_proved() -> None:
    day = a_day(a_call("C0"), a_call("C1"), vans=(a_van("V0"), a_van("V1")))
    problem = build_problem(day, travel_table(day))
    apart = [Column(0, (0,), 4), Column(0, (1,), 5)]
    pool = [*apart, Column(0, (0, 1), 6)]
    assert chosen(problem, pool, known=apart).cost == 6
    # What its parts would cost is not known of the choice to start from.
    assert choose_routes(problem, pool, apart, effort=0.0) is None
    assert choose_routes(problem, pool, effort=0.0) is None


# --- sharing the parts out ---------------------------------------------------


Stops = Mapping[str, Sequence[tuple[str, int]]]
Worth = tuple[int, int, int, int]  # extra cents, rank, handed over, from stores
Pot = tuple[str, str, str]  # origin, holder, part


def price(day: Day, part: str) -> int:
    """Return what one costs: a kit as much as what is in it."""
    return sum(
        count * day.parts[piece].unit_cost_cents
        for piece, count in pieces(day, part).items()
    )


def surcharge(day: Day, store_id: str, part: str) -> int:
    """Return what a piece costs more at a counter than the firm pays usually."""
    for counter in day.counters:
        if counter.id == store_id:
            own = day.parts[part].unit_cost_cents
            return max(0, counter.prices.get(part, own) - own)
    return 0


def worth_of(
    day: Day, assignment: Mapping[str, Sequence[str]], stops: Stops, issues: Any
) -> Worth:
    """Return what an allocation is worth, checking that it is allowed and priced."""
    calls = {call.id: call for call in day.calls}
    vans = {van.id: van for van in day.vans}
    given: dict[tuple[str, int], list[Issue]] = {}
    taken: Counter[tuple[str, str]] = Counter()
    for issue in issues:
        assert issue.call_id in assignment[issue.van_id]
        assert issue.quantity > 0
        given.setdefault((issue.call_id, issue.need), []).append(issue)
        holder = "shop"
        assert (issue.from_van is None) == (issue.origin is not Origin.VAN)
        assert (issue.store_id is None) == (issue.origin is not Origin.RESTOCK)
        if issue.origin is Origin.ABOARD:
            holder = issue.van_id
        elif issue.origin is Origin.VAN:
            holder = issue.from_van
            assert day.exchange
            assert holder != issue.van_id
            assert vans[holder].start == vans[issue.van_id].start is not None
        elif issue.origin is Origin.RESTOCK:
            holder = issue.store_id
            position = assignment[issue.van_id].index(issue.call_id)
            before = dict(stops[issue.van_id])[holder]
            assert before <= position  # fetched before it is used
        else:
            assert vans[issue.van_id].loads_at_shop
        taken[holder, issue.part_id] += issue.quantity
    stocks = {van.id: van.stock for van in day.vans} | {"shop": day.shop.stock}
    stocks |= {counter.id: counter.stock for counter in day.counters}
    assert all(n <= stocks[holder].get(part, 0) for (holder, part), n in taken.items())
    rank = 0
    wanted = {
        (call_id, index): each
        for ids in assignment.values()
        for call_id in ids
        for index, each in enumerate(calls[call_id].needs)
    }
    assert given.keys() == wanted.keys()
    for key, some in given.items():
        each = wanted[key]
        (part,) = {issue.chosen for issue in some}  # one alternative for each need
        got: Counter[str] = Counter()
        for issue in some:
            got[issue.part_id] += issue.quantity
        assert got == pieces(day, part, each.quantity)
        rank += each.alternatives.index(part)
        dearer = max(0, price(day, part) - price(day, each.alternatives[0]))
        for number, issue in enumerate(some):
            extra = issue.quantity * surcharge(day, issue.store_id or "", issue.part_id)
            extra += dearer * each.quantity if number == 0 else 0
            assert issue.extra_cents == extra
    return (
        sum(issue.extra_cents for issue in issues),
        rank,
        sum(i.quantity for i in issues if i.origin is Origin.VAN),
        sum(i.quantity for i in issues if i.origin in (Origin.SHOP, Origin.RESTOCK)),
    )


def spread(count: int, over: Sequence[Pot]) -> Iterator[Counter[Pot]]:
    """Yield every way to take so many pieces from pots."""
    if not over:
        if count == 0:
            yield Counter()
        return
    for first in range(count + 1):
        for rest in spread(count - first, over[1:]):
            yield rest + Counter({over[0]: first})


def best_worth(
    day: Day, assignment: Mapping[str, Sequence[str]], stops: Stops
) -> Worth | None:
    """Try everything: need by need each alternative, each piece from each pot.

    Of ways that leave the same pieces behind only the best is kept.
    """
    calls = {call.id: call for call in day.calls}
    vans = {van.id: van for van in day.vans}
    stock: Counter[Pot] = Counter()
    for van in day.vans:
        stock.update({("van", van.id, part): n for part, n in van.stock.items()})
    for store in (day.shop, *day.counters):
        stock.update({("store", store.id, part): n for part, n in store.stock.items()})
    states: dict[frozenset[tuple[Pot, int]], Worth] = {
        frozenset(stock.items()): (0, 0, 0, 0)
    }
    for van_id, ids in assignment.items():
        van = vans[van_id]
        mates = [
            other.id
            for other in day.vans
            if day.exchange and other is not van and other.start == van.start == SHOP
        ]
        for position, call_id in enumerate(ids):
            shops = {"shop"} if van.loads_at_shop else set()
            shops |= {store for store, n in stops.get(van_id, ()) if n <= position}
            for each in calls[call_id].needs:
                found: dict[frozenset[tuple[Pot, int]], Worth] = {}
                for state, worth in states.items():
                    for way, cost in ways_to_serve(
                        day, each, van_id, mates, sorted(shops)
                    ):
                        left = Counter(dict(state))
                        if any(n > left[pot] for pot, n in way.items()):
                            continue
                        left.subtract(way)
                        key = frozenset((+left).items())
                        total = tuple(map(sum, zip(worth, cost, strict=True)))
                        found[key] = min(found.get(key, total), total)
                states = found
    return min(states.values(), default=None)


def ways_to_serve(
    day: Day, each: Need, van_id: str, mates: Sequence[str], shops: Sequence[str]
) -> list[tuple[Counter[Pot], Worth]]:
    """Return every way to serve one need, and what it is worth."""
    first = price(day, each.alternatives[0])
    ways = []
    for rank, part in enumerate(each.alternatives):
        dearer = max(0, price(day, part) - first) * each.quantity
        by_piece = []
        for piece, count in pieces(day, part, each.quantity).items():
            pots = [("van", holder, piece) for holder in (van_id, *mates)]
            pots += [("store", store, piece) for store in shops]
            by_piece.append(list(spread(count, pots)))
        for picked in product(*by_piece):
            way: Counter[Pot] = sum(picked, start=Counter())
            extra = sum(n * surcharge(day, pot[1], pot[2]) for pot, n in way.items())
            handed = sum(n for pot, n in way.items() if pot[1] in mates)
            stores = sum(n for pot, n in way.items() if pot[0] == "store")
            ways.append((way, (dearer + extra, rank, handed, stores)))
    return ways


def a_trading_day(chance: np.random.Generator) -> Day:
    """Invent a few calls, vans that may share a yard, and stores on the way."""

    def stock(most: int) -> dict[str, int]:
        counts = chance.integers(0, most + 1, len(PARTS))
        return {part: int(n) for part, n in zip(PARTS, counts, strict=True) if n}

    names = (*PARTS, "KIT")
    calls = [
        a_call(
            f"C{row}",
            needs=tuple(
                need(
                    *chance.permutation(names)[: chance.integers(1, 4)].tolist(),
                    quantity=int(chance.choice([1, 1, 2])),
                )
                for _ in range(chance.choice([1, 1, 2]))
            ),
        )
        for row in range(3)
    ]
    vans = tuple(
        a_van(
            f"V{row}",
            stock=stock(2),
            loads_at_shop=bool(chance.random() < 0.5),
            start=SHOP if chance.random() < 0.8 else None,
        )
        for row in range(int(chance.integers(2, 4)))
    )
    counters = tuple(
        Store(
            id=name,
            place=SHOP,
            stock=stock(2),
            restock_s=600,
            prices={"P": int(chance.choice([50, 150])), "Q": 200},
        )
        for name in ("EAST", "WEST")
    )
    day = a_day(
        *calls,
        vans=vans,
        parts=(
            a_part("KIT", components=(("P", 1), ("Q", 1))),
            a_part("P", unit_cost_cents=100),
            a_part("Q", unit_cost_cents=200),
            a_part("R", unit_cost_cents=int(chance.choice([50, 250]))),
        ),
        counters=counters,
        exchange=bool(chance.random() < 0.6),
    )
    return replace(day, shop=replace(day.shop, stock=stock(1), restock_s=600))


def test_parts_are_shared_as_well_as_by_trying_every_piece_for_every_need() -> None:
    chance = np.random.default_rng(11)
    seen: Counter[str] = Counter()
    for _ in range(80):
        day = a_trading_day(chance)
        assignment: dict[str, list[str]] = {van.id: [] for van in day.vans}
        for call in day.calls:
            assignment[f"V{chance.integers(len(day.vans))}"].append(call.id)
        stops = {
            van_id: [
                (store, int(chance.integers(0, len(ids) + 1)))
                for store in ("shop", "EAST", "WEST")
                if chance.random() < 0.4
            ]
            for van_id, ids in assignment.items()
        }
        best = best_worth(day, assignment, stops)
        # As a model alone, and with small questions tried out before.
        ways = [share_parts(day, assignment, stops, steps=n) for n in (0, SHARE_STEPS)]
        if best is None:
            assert ways == [None, None]
            seen["impossible"] += 1
            continue
        for issues in ways:
            assert issues is not None
            assert worth_of(day, assignment, stops, issues) == best
        for word, number in zip(("costs", "rank", "handed", "shop"), best, strict=True):
            seen[word] += number > 0
        seen["fetched"] += any(issue.origin is Origin.RESTOCK for issue in issues)
        seen["nothing extra"] += best[:2] == (0, 0)
    assert len(seen) == 7
    assert min(seen.values()) > 5, seen


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


def test_spares_take_nothing_that_is_used_fetched_or_handed_over() -> None:
    chance = np.random.default_rng(5)
    seen: Counter[Origin] = Counter()
    for _ in range(120):
        day = a_trading_day(chance)
        parts = {p: replace(part, spoil_rate=0.2) for p, part in day.parts.items()}
        day = replace(day, parts=parts)
        assignment: dict[str, list[str]] = {van.id: [] for van in day.vans}
        for call in day.calls:
            assignment[f"V{chance.integers(len(day.vans))}"].append(call.id)
        stops = {van_id: [("shop", 0), ("EAST", 1)] for van_id in assignment}
        issues = share_parts(day, assignment, stops)
        if issues is None:
            continue
        out = {van_id: tuple(ids) for van_id, ids in assignment.items() if ids}
        spares = spare_issues(day, a_plan(out).routes, issues)
        left = leave_over(day, (*issues, *spares))
        for stock in (*left.vans.values(), left.shop, *left.counters.values()):
            assert min(stock.values(), default=0) >= 0
        for spare in spares:
            loads = next(v for v in day.vans if v.id == spare.van_id).loads_at_shop
            assert spare.origin is Origin.ABOARD or (
                loads and spare.origin is Origin.SHOP
            )
            assert spare.extra_cents == 0
        seen.update(issue.origin for issue in (*issues, *spares))
    assert min(seen[origin] for origin in Origin) > 5, seen


Taken = tuple[str, str | None, str, str | None, int, int]


def shared(
    day: Day, assignment: Mapping[str, Sequence[str]], stops: Stops | None = None
) -> list[Taken]:
    """Return the pieces as (van, call, part, from whom, how many, extra cents)."""
    issues = share_parts(day, assignment, stops)
    assert issues is not None
    return [
        (
            issue.van_id,
            issue.call_id,
            issue.part_id,
            issue.from_van or issue.store_id or issue.origin.value,
            issue.quantity,
            issue.extra_cents,
        )
        for issue in issues
    ]


def a_counter(stock: Mapping[str, int], **prices: int) -> Store:
    return Store(id="EAST", place=SHOP, stock=stock, prices=prices, restock_s=600)


def test_the_first_call_gives_way_where_the_second_ones_substitute_is_dear() -> None:
    # One P. Call by call, C1 would take it and C2 would need S for 5.00 in place of
    # 1.00: 4.00 more. Over the day C1 takes Q, at no cost, and C2 gets P.
    day = a_day(
        a_call("C1", needs=(need("P", "Q"),)),
        a_call("C2", needs=(need("P", "S"),)),
        parts=(
            a_part("P", unit_cost_cents=100),
            a_part("Q", unit_cost_cents=100),
            a_part("S", unit_cost_cents=500),
        ),
        shop={"P": 1, "Q": 1, "S": 1},
    )
    assert shared(day, {"V1": ["C1", "C2"]}) == [
        ("V1", "C1", "Q", "shop", 1, 0),
        ("V1", "C2", "P", "shop", 1, 0),
    ]


def test_a_later_alternative_is_taken_where_the_one_before_it_is_dearer() -> None:
    # Rank 1 costs 3 times 2.00 more, rank 2 is cheaper than what was wanted: 0 more.
    day = a_day(
        a_call(needs=(need("P", "S", "Q", quantity=3),)),
        parts=(
            a_part("P", unit_cost_cents=300),
            a_part("S", unit_cost_cents=500),
            a_part("Q", unit_cost_cents=50),
        ),
        shop={"S": 3, "Q": 3},
    )
    assert shared(day, {"V1": ["C1"]}) == [("V1", "C1", "Q", "shop", 3, 0)]
    none_left = replace(day, shop=replace(day.shop, stock={"S": 3}))
    assert shared(none_left, {"V1": ["C1"]}) == [("V1", "C1", "S", "shop", 3, 600)]


def test_a_substitute_kit_costs_as_much_more_as_what_is_in_it() -> None:
    # K2 is a fob for 20.00 and two cells for 1.00, K1 a fob for 15.00 and one cell:
    # 22.00 - 16.00 = 6.00 more, written on the first piece.
    day = a_day(
        a_call(needs=(need("K1", "K2"),)),
        parts=(
            a_part("K1", components=(("FOB1", 1), ("CELL", 1))),
            a_part("K2", components=(("FOB2", 1), ("CELL", 2))),
            a_part("FOB1", unit_cost_cents=1500),
            a_part("FOB2", unit_cost_cents=2000),
            a_part("CELL", unit_cost_cents=100),
        ),
        shop={"FOB2": 1, "CELL": 2},
    )
    assert shared(day, {"V1": ["C1"]}) == [
        ("V1", "C1", "FOB2", "shop", 1, 600),
        ("V1", "C1", "CELL", "shop", 2, 0),
    ]


def test_vans_of_one_yard_pass_parts_on_in_a_circle() -> None:
    # Each has just what the one before it needs, and the shop has nothing.
    calls = tuple(
        a_call(f"C{n}", needs=(need(part),)) for n, part in enumerate(("Q", "R", "P"))
    )
    vans = tuple(a_van(f"V{n}", stock={part: 1}) for n, part in enumerate(PARTS))
    day = a_day(*calls, vans=vans, parts=tuple(map(a_part, PARTS)), exchange=True)
    assignment = {f"V{n}": [f"C{n}"] for n in range(3)}
    assert shared(day, assignment) == [
        ("V0", "C0", "Q", "V1", 1, 0),
        ("V1", "C1", "R", "V2", 1, 0),
        ("V2", "C2", "P", "V0", 1, 0),
    ]
    assert share_parts(replace(day, exchange=False), assignment) is None
    # One that starts at home meets nobody in the morning.
    home = replace(vans[1], start=at(5))
    apart = replace(day, vans=(vans[0], home, vans[2]))
    assert share_parts(apart, assignment) is None


def test_a_van_that_can_load_hands_its_own_piece_to_one_that_cannot() -> None:
    # One piece handed over and one from the shop: the least there is. V3 stays in,
    # but keeps a Q that nobody asks for.
    day = a_day(
        a_call("C1", needs=(need("P"),)),
        a_call("C2", needs=(need("P"),)),
        vans=(
            a_van("V1", loads_at_shop=False),
            a_van("V2", stock={"P": 1}),
            a_van("V3", stock={"Q": 1}),
        ),
        parts=(a_part("P"),),
        shop={"P": 1},
        exchange=True,
    )
    assert shared(day, {"V1": ["C1"], "V2": ["C2"]}) == [
        ("V1", "C1", "P", "V2", 1, 0),
        ("V2", "C2", "P", "shop", 1, 0),
    ]


def test_the_shop_is_emptied_before_another_van_is_asked() -> None:
    day = a_day(
        a_call(needs=(need("P", quantity=2),)),
        vans=(a_van("V1"), a_van("V2", stock={"P": 5})),
        parts=(a_part("P"),),
        shop={"P": 1},
        exchange=True,
    )
    assert shared(day, {"V1": ["C1"]}) == [
        ("V1", "C1", "P", "V2", 1, 0),
        ("V1", "C1", "P", "shop", 1, 0),
    ]


def test_a_kit_is_put_together_from_the_van_its_mate_and_a_counter() -> None:
    # Two kits: 2 fobs and 4 cells. Aboard are a fob and a cell, V2 has a fob and a
    # cell; the 2 other cells are bought on the way for 1.50 in place of 1.00.
    day = a_day(
        a_call("C1"),
        a_call("C2", needs=(need("KIT", quantity=2),)),
        vans=(
            a_van("V1", stock={"FOB": 1, "CELL": 1}),
            a_van("V2", stock={"FOB": 1, "CELL": 1}),
        ),
        parts=(
            a_part("KIT", components=(("FOB", 1), ("CELL", 2))),
            a_part("FOB"),
            a_part("CELL", unit_cost_cents=100),
        ),
        counters=(a_counter({"CELL": 9}, CELL=150),),
        exchange=True,
    )
    assignment = {"V1": ["C1", "C2"]}
    assert shared(day, assignment, {"V1": [("EAST", 1)]}) == [
        ("V1", "C2", "FOB", "aboard", 1, 0),
        ("V1", "C2", "FOB", "V2", 1, 0),
        ("V1", "C2", "CELL", "aboard", 1, 0),
        ("V1", "C2", "CELL", "V2", 1, 0),
        ("V1", "C2", "CELL", "EAST", 2, 100),
    ]
    assert share_parts(day, assignment, {"V1": [("EAST", 2)]}) is None  # after C2
    assert share_parts(day, assignment) is None


def test_what_is_aboard_goes_to_the_call_before_the_stop() -> None:
    # One P aboard, one at the shop, where the van first comes after C1.
    day = a_day(
        a_call("C1", needs=(need("P"),)),
        a_call("C2", needs=(need("P"),)),
        vans=(a_van(stock={"P": 1}, loads_at_shop=False),),
        parts=(a_part("P"),),
        shop={"P": 1},
    )
    stops = {"V1": [("shop", 1)]}
    assert shared(day, {"V1": ["C1", "C2"]}, stops) == [
        ("V1", "C1", "P", "aboard", 1, 0),
        ("V1", "C2", "P", "shop", 1, 0),
    ]
    assert shared(day, {"V1": ["C2", "C1"]}, stops)[0][3] == "aboard"


def test_a_cheaper_way_is_taken_before_the_wanted_part_at_a_dear_counter() -> None:
    # P costs 5.00 more at the counter than usual, Q 2.00 more than P ever does.
    parts = (a_part("P", unit_cost_cents=300), a_part("Q", unit_cost_cents=500))
    day = a_day(
        a_call(needs=(need("P", "Q"),)),
        vans=(a_van(stock={"Q": 1}),),
        parts=parts,
        counters=(a_counter({"P": 1}, P=800),),
    )
    stops = {"V1": [("EAST", 0)]}
    assert shared(day, {"V1": ["C1"]}, stops) == [("V1", "C1", "Q", "aboard", 1, 200)]
    cheap = replace(day, counters=(a_counter({"P": 1}, P=250),))  # never a gain
    assert shared(cheap, {"V1": ["C1"]}, stops) == [("V1", "C1", "P", "EAST", 1, 0)]


def test_a_stop_fetches_what_the_morning_could_load_but_never_for_more_money() -> None:
    day = a_day(
        a_call("C1", needs=(need("P"),)),
        a_call("C2", needs=(need("P"),)),
        parts=(a_part("P", unit_cost_cents=300),),
        shop={"P": 2},
        counters=(a_counter({"P": 1}, P=300),),
    )
    day = replace(day, shop=replace(day.shop, restock_s=600))
    order = {"V1": ["C1", "C2"]}
    for store in ("shop", "EAST"):
        issues = share_parts(day, order, {"V1": [(store, 1)]})
        assert issues is not None
        assert [(i.origin, i.store_id) for i in issues] == [
            (Origin.SHOP, None),
            (Origin.RESTOCK, store),
        ]
    dear = replace(day, counters=(a_counter({"P": 1}, P=301),))
    issues = share_parts(dear, order, {"V1": [("EAST", 1)]})
    assert issues is not None
    assert {issue.origin for issue in issues} == {Origin.SHOP}


def test_a_fetched_piece_counts_like_one_loaded_and_the_last_is_sold_once() -> None:
    # Both vans pass the counter, which has one P; V2 has the other choice.
    day = a_day(
        a_call("C1", needs=(need("P", "Q"),)),
        a_call("C2", needs=(need("P", "Q"),)),
        vans=(
            a_van("V1", loads_at_shop=False),
            a_van("V2", loads_at_shop=False, stock={"Q": 1}),
        ),
        parts=(a_part("P"), a_part("Q")),
        counters=(a_counter({"P": 1}),),
    )
    stops = {"V1": [("EAST", 0)], "V2": [("EAST", 0)]}
    assert shared(day, {"V1": ["C1"], "V2": ["C2"]}, stops) == [
        ("V1", "C1", "P", "EAST", 1, 0),
        ("V2", "C2", "Q", "aboard", 1, 0),
    ]


def test_the_shop_s_own_piece_is_fetched_before_one_is_bought() -> None:
    day = a_day(
        a_call("C1"),
        a_call("C2", needs=(need("P"),)),
        vans=(a_van(loads_at_shop=False),),
        parts=(a_part("P"),),
        shop={"P": 1},
        counters=(a_counter({"P": 1}),),
    )
    for order in (("shop", "EAST"), ("EAST", "shop")):
        stops = {"V1": [(store, 1) for store in order]}
        assert shared(day, {"V1": ["C1", "C2"]}, stops) == [
            ("V1", "C2", "P", "shop", 1, 0)
        ]
