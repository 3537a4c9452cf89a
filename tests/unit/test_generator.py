"""The generator: invented days that meet what makes planning hard."""

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import fields, replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from time import process_time

import pytest

from dispatch.generator import ALL, Feature, generate_day
from dispatch.scenario import read_scenario, resolve_traffic, write_scenario
from dispatch.travel import travel_table
from shared.model import Day, Link, Need, Place, ReadyState, Tool, Van
from shared.trade import traffic_profiles

SEEDS = range(200)


@cache
def small_days() -> tuple[Day, ...]:
    """Return the days that brute force can still solve."""
    return tuple(generate_day(seed, 7, 2) for seed in SEEDS)


def pieces_of(day: Day, need: Need) -> Counter[str]:
    """Return every part that could go into a need, with the most pieces."""
    found: Counter[str] = Counter()
    for alternative in need.alternatives:
        for part_id, pieces in day.parts[alternative].components or ((alternative, 1),):
            found[part_id] = max(found[part_id], pieces * need.quantity)
    return found


def some_need(test: Callable[[Day, Need], bool]) -> Callable[[Day], bool]:
    return lambda day: any(test(day, need) for call in day.calls for need in call.needs)


def stocks_of(day: Day) -> list[Mapping[str, int]]:
    return [day.shop.stock, *(van.stock for van in day.vans)]


def is_fought_over(day: Day) -> bool:
    """Return whether calls compete for pieces that lie partly in the shop."""
    wanted: Counter[str] = Counter()
    callers: Counter[str] = Counter()
    for call in day.calls:
        mine: Counter[str] = Counter()
        for need in call.needs:
            mine += pieces_of(day, need)
        wanted += mine
        callers.update(mine.keys())
    return any(
        callers[part_id] > 1
        and pieces > 0
        and sum(stock.get(part_id, 0) for stock in stocks_of(day)) < wanted[part_id]
        for part_id, pieces in day.shop.stock.items()
    )


# Each with the least share of days of seven calls and two vans that show it;
# the shares seen are some hundredths to tenths higher.
FEATURES: dict[str, tuple[float, Callable[[Day], bool]]] = {
    "a substitute": (0.85, some_need(lambda _, need: len(need.alternatives) > 1)),
    "a kit": (
        0.7,
        some_need(
            lambda day, need: any(day.parts[a].components for a in need.alternatives)
        ),
    ),
    "several pieces": (0.4, some_need(lambda _, need: need.quantity > 1)),
    "scarce parts in the shop": (0.3, is_fought_over),
    "a promise": (0.95, lambda day: any(call.promise for call in day.calls)),
    "one window": (0.6, lambda day: any(len(c.windows) == 1 for c in day.calls)),
    "two windows": (0.5, lambda day: any(len(c.windows) == 2 for c in day.calls)),
    "three windows": (0.2, lambda day: any(len(c.windows) == 3 for c in day.calls)),
    "a required van": (0.3, lambda day: any(c.required_van for c in day.calls)),
    "a wait for a code or proof": (
        0.15,
        lambda day: any(
            (day.ready_s(call) or 0) > min(van.shift.start_s for van in day.vans)
            for call in day.calls
        ),
    ),
    "ready items in all states": (
        0.6,
        lambda day: (
            {i.state for call in day.calls for i in call.ready} == set(ReadyState)
        ),
    ),
    "a meal break": (0.65, lambda day: any(van.meal for van in day.vans)),
    "overtime": (0.6, lambda day: any(van.overtime_limit_s for van in day.vans)),
    "a start away from the shop": (
        0.35,
        lambda day: any(van.start not in {None, day.shop.place} for van in day.vans),
    ),
    "a start anywhere": (0.1, lambda day: any(van.start is None for van in day.vans)),
    "a van that does not load": (
        0.25,
        lambda day: not all(van.loads_at_shop for van in day.vans),
    ),
    "vans of different skill": (
        0.85,
        lambda day: day.vans[0].skills != day.vans[1].skills,
    ),
    "vans that are twins": (
        0.01,
        lambda day: (
            day.vans[0].shift == day.vans[1].shift
            and day.vans[0].stock == day.vans[1].stock
        ),
    ),
    "two calls at one door": (
        0.12,
        lambda day: len({call.place for call in day.calls}) < len(day.calls),
    ),
    "a call that nobody can do": (
        0.03,
        lambda day: any(
            not any(
                van.skills >= call.skills and van.equipment >= call.equipment
                for van in day.vans
            )
            for call in day.calls
        ),
    ),
    "rush hours": (
        0.6,
        lambda day: len(set(day.travel.traffic.speed_permille)) > 1,
    ),
    "a change of the clock": (
        0.03,
        lambda day: day.clock.seconds("24:00") != 24 * 3600,
    ),
    "every priority but one, or all": (
        0.5,
        lambda day: len({call.priority for call in day.calls}) >= 3,
    ),
}


@pytest.mark.parametrize("feature", FEATURES)
def test_small_days_show_every_hard_thing_often_enough(feature: str) -> None:
    least, shows = FEATURES[feature]
    assert sum(map(shows, small_days())) / len(small_days()) >= least


@cache
def full_days() -> tuple[Day, ...]:
    """Return small days with everything that a single day can have."""
    return tuple(generate_day(seed, 7, 2, features=ALL) for seed in SEEDS)


@cache
def spread_days() -> tuple[Day, ...]:
    """Return small numbers of calls for several days."""
    every = frozenset(Feature)
    return tuple(generate_day(seed, 7, 2, features=every) for seed in SEEDS)


def wanted_parts(day: Day) -> set[str]:
    return {
        part_id
        for call in day.calls
        for need in call.needs
        for part_id in pieces_of(day, need)
    }


def lies_only_on_the_way(day: Day) -> bool:
    """Return whether a wanted part is at a counter that vans may visit, only."""
    here = set[str]().union(*stocks_of(day))
    there = set[str]().union(
        *(counter.stock for counter in day.counters if counter.restock_s)
    )
    return bool(wanted_parts(day) & (there - here))


def has_an_exchange_to_make(day: Day) -> bool:
    """Return whether a wanted part is with one of two vans that meet, only."""
    one, other = day.vans
    return (
        day.exchange
        and one.start == other.start is not None
        and bool(
            wanted_parts(day)
            & (set(one.stock) ^ set(other.stock)) - set(day.shop.stock)
        )
    )


def tells_levels_apart(day: Day) -> bool:
    """Return whether a level that is asked for is one van's only."""
    return any(
        sum(word in van.skills for van in day.vans) == 1
        for call in day.calls
        for word in call.skills
        if " " in word
    )


def some_tool(test: Callable[[Day, Tool], bool]) -> Callable[[Day], bool]:
    return lambda day: any(test(day, tool) for tool in day.tools)


def has_to_change_hands(day: Day, tool: Tool) -> bool:
    """Return whether two vans must serve a call that asks for the only one."""
    asking = [call.required_van for call in day.calls if tool.id in call.equipment]
    owners = {van.id for van in day.vans if tool.id in van.equipment}
    return (
        tool.handover
        and tool.quantity == 1
        and len({*asking} - {None, *owners}) > 1
        and day.shop.restock_s is not None
    )


def some_van(test: Callable[[Day, Van], bool]) -> Callable[[Day], bool]:
    return lambda day: any(test(day, van) for van in day.vans)


def some_link(test: Callable[[Day, Link], bool]) -> Callable[[Day], bool]:
    return lambda day: any(test(day, link) for link in day.links)


def door(day: Day, call_id: str) -> Place:
    return next(call.place for call in day.calls if call.id == call_id)


# As above, of days that have everything.
ADDED: dict[str, tuple[float, Callable[[Day], bool]]] = {
    "a shop on the way": (0.8, lambda day: day.shop.restock_s is not None),
    "a counter on the way": (
        0.7,
        lambda day: any(counter.restock_s for counter in day.counters),
    ),
    "two counters": (0.2, lambda day: len(day.counters) > 1),
    "a counter that is always open": (
        0.05,
        lambda day: any(counter.opening is None for counter in day.counters),
    ),
    "a part that must be fetched": (0.5, lies_only_on_the_way),
    "a dearer and a cheaper price": (
        0.8,
        lambda day: (
            {
                price > day.parts[part_id].unit_cost_cents
                for counter in day.counters
                for part_id, price in counter.prices.items()
            }
            == {False, True}
        ),
    ),
    "parts to hand over": (0.4, has_an_exchange_to_make),
    "a shared tool": (0.95, lambda day: bool(day.tools)),
    "two shared tools": (0.3, lambda day: len(day.tools) > 1),
    "a tool that changes hands": (0.5, some_tool(lambda _, tool: tool.handover)),
    "a tool that does not": (0.3, some_tool(lambda _, tool: not tool.handover)),
    "a tool that must change hands": (0.1, some_tool(has_to_change_hands)),
    "several of one tool": (0.15, some_tool(lambda _, tool: tool.quantity > 1)),
    "a tool that no van owns and two calls want": (
        0.2,
        some_tool(
            lambda day, tool: (
                not any(tool.id in van.equipment for van in day.vans)
                and sum(tool.id in call.equipment for call in day.calls) > 1
            )
        ),
    ),
    "a tool that one van owns": (
        0.35,
        some_tool(
            lambda day, tool: sum(tool.id in van.equipment for van in day.vans) == 1
        ),
    ),
    "a level that only one driver has": (0.5, tells_levels_apart),
    "a pace that matters": (
        0.7,
        some_van(
            lambda day, van: any(
                day.planned_s(call, van) != day.planned_s(call) for call in day.calls
            )
        ),
    ),
    "a pace for one kind": (0.4, some_van(lambda _, van: bool({*van.pace} - {"*"}))),
    "promises that may break": (0.95, lambda day: day.promises_may_break),
    "a preference beside a promise": (
        0.8,
        lambda day: any(call.preference and call.promise for call in day.calls),
    ),
    "a link": (0.95, lambda day: bool(day.links)),
    "a chain of links": (
        0.03,
        some_link(lambda day, link: link.then in {each.first for each in day.links}),
    ),
    "a link for one van": (0.3, some_link(lambda _, link: link.same_van)),
    "a least gap": (0.3, some_link(lambda _, link: link.min_gap_s > 0)),
    "a most gap": (0.3, some_link(lambda _, link: link.max_gap_s is not None)),
    "a second visit behind one door": (
        0.35,
        some_link(lambda day, link: door(day, link.first) == door(day, link.then)),
    ),
    "a limit of driving": (0.5, some_van(lambda _, van: van.drive_limit_s is not None)),
    "a limit of work": (0.5, some_van(lambda _, van: van.work_limit_s is not None)),
}


@pytest.mark.parametrize("feature", ADDED)
def test_full_days_show_every_feature_often_enough(feature: str) -> None:
    least, shows = ADDED[feature]
    assert sum(map(shows, full_days())) / len(full_days()) >= least


@pytest.mark.parametrize(
    ("least", "shows"),
    [
        (0.99, lambda day: 2 <= day.horizon <= 4),
        (0.2, lambda day: any(len(call.dates) > 1 for call in day.calls)),
        (
            0.6,
            lambda day: any(
                call.promise and call.dates > (day.date,) for call in day.calls
            ),
        ),
        (0.4, some_van(lambda _, van: bool(van.off))),
    ],
)
def test_several_days_show_dates_promises_for_later_and_days_off(
    least: float, shows: Callable[[Day], bool]
) -> None:
    assert sum(map(shows, spread_days())) / len(spread_days()) >= least
    assert not any(map(shows, full_days()))


def test_a_day_without_features_is_as_it_was() -> None:
    for day in small_days():
        plain = replace(
            day, vans=tuple(replace(van, pace={}, off=frozenset()) for van in day.vans)
        )
        assert plain == day
        assert (day.tools, day.links, day.exchange, day.horizon) == ((), (), False, 1)
        assert not any(store.restock_s for store in (day.shop, *day.counters))
        assert not any(call.preference or call.dates for call in day.calls)


@pytest.mark.parametrize("feature", Feature)
def test_one_feature_changes_nothing_about_another(feature: Feature) -> None:
    for seed in range(20):
        plain = generate_day(seed, 9, 3)
        day = generate_day(seed, 9, 3, features=frozenset({feature}))
        changed = {
            each.name
            for each in fields(Day)
            if getattr(day, each.name) != getattr(plain, each.name)
        }
        assert changed <= CHANGES[feature]


CHANGES = {
    Feature.RESTOCK: {"shop", "counters"},
    Feature.EXCHANGE: {"exchange", "vans"},
    Feature.TOOLS: {"tools", "calls", "vans", "shop"},
    Feature.LEVELS: {"calls", "vans"},
    Feature.PACE: {"vans"},
    Feature.PROMISES: {"promises_may_break", "late_hour_cents"},
    Feature.PREFERENCES: {"calls", "preference_cents"},
    Feature.LINKS: {"links", "calls"},
    Feature.LIMITS: {"vans"},
    Feature.DAYS: {"horizon", "calls", "vans"},
    Feature.STANDING: {"calls", "change"},
}


def test_the_same_seed_invents_the_same_day() -> None:
    assert generate_day(5, 20, 3) == generate_day(5, 20, 3)
    assert generate_day(5, 20, 3) != generate_day(6, 20, 3)
    full = generate_day(5, 20, 3, features=ALL)
    assert full == generate_day(5, 20, 3, features=ALL) != generate_day(5, 20, 3)


@pytest.mark.parametrize(
    ("calls", "vans"), [(0, 1), (1, 1), (7, 2), (35, 4), (200, 20)]
)
@pytest.mark.parametrize("features", [frozenset(), frozenset(Feature)])
def test_a_day_is_sound_whatever_its_size(
    calls: int, vans: int, features: frozenset[Feature]
) -> None:
    for seed in range(20):
        day = generate_day(seed, calls, vans, tightness=seed / 19, features=features)
        assert len({call.id for call in day.calls}) == len(day.calls) == calls
        assert len({van.id for van in day.vans}) == len(day.vans) == vans
        assert travel_table(day).base_s.min() >= 0
        for call in day.calls:
            assert call.kind in day.kinds
            assert 0 < call.median_s <= call.p90_s
            assert call.required_van in {None, *(van.id for van in day.vans)}
            assert all(window.start_s < window.end_s for window in call.windows)
            assert all(a.end_s < b.start_s for a, b in pairwise(call.windows))
            for need in call.needs:
                assert need.quantity >= 1
                assert len(set(need.alternatives)) == len(need.alternatives)
                assert set(need.alternatives) <= set(day.parts)
        for van in day.vans:
            assert 0 <= van.shift.start_s < van.shift.end_s
            if van.meal is not None:
                window = van.meal.window
                assert van.shift.start_s <= window.start_s
                assert window.end_s <= van.shift.end_s
                assert 0 < van.meal.length_s <= window.end_s - window.start_s
        for stock in (*stocks_of(day), *(counter.stock for counter in day.counters)):
            for part_id, pieces in stock.items():
                assert pieces > 0
                assert not day.parts[part_id].components  # kits lie there in pieces


def test_a_tighter_day_has_shorter_shifts_and_fewer_parts() -> None:
    def hours_and_pieces(tightness: float) -> tuple[int, int]:
        days = [generate_day(seed, 35, 4, tightness=tightness) for seed in range(30)]
        hours = sum(van.shift.end_s - van.shift.start_s for d in days for van in d.vans)
        stocks = [stock for d in days for stock in stocks_of(d)]
        pieces = sum(sum(stock.values()) for stock in stocks)
        return hours, pieces

    loose, usual, tight = map(hours_and_pieces, (0.0, 0.5, 1.0))
    assert loose[0] > usual[0] > tight[0]
    assert loose[1] > usual[1] > tight[1]


def test_the_clock_changes_when_asked_and_the_rush_stays_on_the_wall() -> None:
    profiles = traffic_profiles()
    lengths = set()
    for seed in range(30):
        day = generate_day(seed, 3, 1, clock_change=True)
        lengths.add(day.clock.seconds("24:00") // 3600)
        assert day.travel.traffic in {
            resolve_traffic(profile, day.clock) for profile in profiles.values()
        }
    assert lengths == {23, 25}
    for seed in range(30):
        day = generate_day(seed, 3, 1, clock_change=False)
        assert day.clock.seconds("24:00") == 24 * 3600


def test_files_keep_an_invented_day_exactly(tmp_path: Path) -> None:
    for seed in range(12):
        day = generate_day(seed, 9, 2, clock_change=seed % 3 == 0)
        write_scenario(day, tmp_path / str(seed))
        assert read_scenario(tmp_path / str(seed)) == day


@pytest.mark.parametrize("features", [ALL, ALL | {Feature.DAYS}])
def test_files_keep_a_day_with_all_features_exactly(
    tmp_path: Path, features: frozenset[Feature]
) -> None:
    for seed in range(25):
        day = generate_day(
            seed, 9, 1 + seed % 4, clock_change=seed % 3 == 0, features=features
        )
        write_scenario(day, tmp_path / str(seed))
        assert replace(read_scenario(tmp_path / str(seed)), notices=()) == day


def test_a_thousand_calls_for_a_hundred_vans_take_less_than_a_second() -> None:
    generate_day(0, 1, 1)  # reads the trade tables
    started = process_time()
    generate_day(1, 1000, 100)
    assert process_time() - started < 1
