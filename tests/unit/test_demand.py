"""What is learnt of demand, and what follows for the pieces of some days."""

import math
from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
import pytest

from dispatch.demand import (
    Demand,
    Stated,
    add_spoiled,
    chances,
    compound,
    learn,
    part_uses,
)
from shared.shelf import History, PartUse

MONDAY = date(2026, 1, 5)
ONE = np.array([0.0, 1.0])


def days(number: int) -> tuple[date, ...]:
    return tuple(MONDAY + timedelta(days=n) for n in range(number))


def uses(van_id: str, part_id: str, on: Sequence[int]) -> tuple[PartUse, ...]:
    return tuple(
        PartUse(
            date=MONDAY + timedelta(days=n), van_id=van_id, part_id=part_id, quantity=1
        )
        for n in on
    )


def history(worked: dict[str, tuple[date, ...]], *used: tuple[PartUse, ...]) -> History:
    return History(
        until=max(d for each in worked.values() for d in each),
        worked=worked,
        uses=[use for each in used for use in each],
    )


# --- pieces of some visits ----------------------------------------------------


def test_visits_for_one_piece_each_are_poisson_when_nothing_is_clumped() -> None:
    # Tables of the Poisson distribution: with mean 2, at most 4 in 0.9473; it is
    # 7 exp(-2).
    assert compound(2.0, 2.0, ONE)[:5].sum() == pytest.approx(7 * math.exp(-2))


def test_clumped_visits_are_negative_binomial() -> None:
    # Mean 2 and variance 4: r = 2, p = 1/2, so 1/4, 2/8, 3/16, 4/32.
    assert compound(2.0, 4.0, ONE)[:4] == pytest.approx([1 / 4, 1 / 4, 3 / 16, 1 / 8])


@pytest.mark.parametrize("variance", [1.5, 3.0])
def test_the_recursion_agrees_with_adding_the_sizes_up_visit_by_visit(
    variance: float,
) -> None:
    sizes = np.array([0.0, 0.5, 0.3, 0.0, 0.2])
    number = compound(1.5, variance, ONE)
    sums, slow = np.ones(1), np.zeros(200)
    for visits in range(len(number)):
        kept = sums[:200]
        slow[: len(kept)] += number[visits] * kept
        sums = np.convolve(sums, sizes)[:200]
    quick = compound(1.5, variance, sizes)
    assert quick == pytest.approx(slow[: len(quick)], abs=1e-9)


def test_two_thousand_visits_do_not_drown_in_small_numbers() -> None:
    found = compound(2000.0, 5000.0, ONE)
    pieces = np.arange(len(found))
    assert found.sum() == pytest.approx(1.0, abs=1e-6)
    assert found @ pieces == pytest.approx(2000.0, rel=1e-5)
    assert found @ (pieces - 2000.0) ** 2 == pytest.approx(5000.0, rel=1e-3)


def test_spoiled_pieces_are_tried_until_enough_are_good() -> None:
    # One good piece, every second spoiled: 1/2, 1/4, 1/8 ... of 1, 2, 3 pieces.
    assert add_spoiled(ONE, 0.5)[:5] == pytest.approx([0, 1 / 2, 1 / 4, 1 / 8, 1 / 16])
    # Two of them: (k - 1) / 2**k for k pieces.
    two = add_spoiled(np.array([0.0, 0.0, 1.0]), 0.5)
    assert two[2:5] == pytest.approx([1 / 4, 2 / 8, 3 / 16])
    assert two.sum() == pytest.approx(1.0)


def test_nothing_is_wanted_of_a_part_that_nobody_knows() -> None:
    assert chances([]).tolist() == [1.0]
    assert chances([(Demand(0.0, 0.0, 1.0, ONE), 5)]).tolist() == [1.0]


def test_two_vans_together_want_the_sum_and_share_their_luck() -> None:
    van = Demand(0.2, 0.0, 1.0, ONE)
    # Poisson numbers add up: twice five days of 0.2 are a mean of 2.
    assert chances([(van, 5), (van, 5)])[0] == pytest.approx(math.exp(-2))


# --- learning -----------------------------------------------------------------


def test_what_is_known_of_two_parts_is_shrunk_as_marshall_does() -> None:
    # 16 days, part A on every second, part B never. Rates 1/2 and 0: mean 1/4, their
    # variance 1/16; chance alone makes (1/4)/16 of it, so 3/64 are left. The gamma's
    # shape is (1/16)/(3/64) = 4/3, its rate 16/3. A: (4/3 + 8)/(16/3 + 16) = 7/16,
    # B: (4/3)/(64/3) = 1/16. (Visits every second day are less than clumped: 1.)
    found = learn(
        history({"V1": days(16)}, uses("V1", "A", range(0, 16, 2))),
        {"A": Stated(), "B": Stated()},
    )
    assert found["V1", "A"].clumping == 1.0
    assert found["V1", "A"].mean == pytest.approx(7 / 16)
    assert found["V1", "B"].mean == pytest.approx(1 / 16)
    # Gamma: variance is the mean over the rate, 64/3.
    assert found["V1", "A"].variance == pytest.approx(7 / 16 / (64 / 3))


def test_three_days_of_a_new_van_do_not_beat_three_hundred_of_the_others() -> None:
    old = {f"V{n}": days(300) for n in (1, 2)}
    often = [uses("V1", "A", range(0, 300, 2)), uses("V2", "A", range(0, 300, 6))]
    rarely = [uses(v, "B", range(0, 300, 50)) for v in old]
    found = learn(
        history({**old, "new": days(3)}, *often, *rarely),
        {"A": Stated(), "B": Stated()},
    )
    # The others want it on every third day; the new van did not in its first three.
    assert 0.15 < found["new", "A"].mean < 1 / 3
    assert found["new", "A"].variance > 10 * found["V1", "A"].variance
    # Three hundred days of a van's own speak for themselves.
    assert found["V1", "A"].mean == pytest.approx(1 / 2, abs=0.02)
    assert found["V2", "A"].mean == pytest.approx(1 / 6, abs=0.02)


def test_a_van_that_never_wants_what_the_others_want_often_does_no_such_work() -> None:
    worked = {f"V{n}": days(200) for n in range(4)}
    used = [uses(f"V{n}", "A", range(n, 200, 4)) for n in range(3)]
    found = learn(history(worked, *used), {"A": Stated(), "B": Stated()})
    # Nobody would say that it wants the part once in its 200 days.
    assert found["V3", "A"].mean < 1 / 400
    assert found["V2", "A"].mean == pytest.approx(1 / 4, abs=0.02)


def test_recent_days_weigh_more_where_a_half_life_is_given() -> None:
    log = history(
        {"V1": days(200)}, uses("V1", "A", range(150, 200)), uses("V1", "B", range(50))
    )
    parts = {"A": Stated(), "B": Stated()}
    alike, recent = learn(log, parts), learn(log, parts, half_life_days=30)
    assert alike["V1", "A"].mean == pytest.approx(alike["V1", "B"].mean)
    assert recent["V1", "A"].mean > 5 * recent["V1", "B"].mean


def test_visits_in_clumps_are_seen_as_such() -> None:
    # Four visits on one day of twenty, ten times: in blocks of five days 4, 0, 0, 0.
    # Mean 1, squares 9 + 3 x 1 = 12 in four blocks: variance 3 times the mean or more.
    log = history(
        {"V1": days(200)},
        uses("V1", "A", [n for n in range(0, 200, 20) for _ in "four"]),
    )
    assert learn(log, {"A": Stated()})["V1", "A"].clumping == pytest.approx(
        120 / 39, abs=0.01
    )


def test_a_parts_stated_spoil_rate_gives_way_to_what_the_log_shows() -> None:
    def size(number: int, spoiled: int) -> float:
        used = [
            PartUse(date=d, van_id="V1", part_id="A", quantity=1, spoiled=spoiled)
            for d in days(number)
        ]
        found = learn(
            History(until=days(number)[-1], worked={"V1": days(number)}, uses=used),
            {"A": Stated(spoil_rate=0.5)},
        )
        return found["V1", "A"].size

    # 20 pieces' worth of 1/2 and 20 without a spoiled one: 1/4, so 4/3 a visit.
    assert size(20, 0) == pytest.approx(4 / 3, rel=1e-6)
    assert size(400, 0) < 1.03


def test_a_visit_that_only_spoiled_a_piece_wanted_one() -> None:
    used = [PartUse(date=MONDAY, van_id="V1", part_id="A", quantity=0, spoiled=1)]
    found = learn(
        History(until=MONDAY, worked={"V1": days(1)}, uses=used), {"A": Stated()}
    )
    assert found["V1", "A"].sizes[0] == 0.0
    # 1 of 1 spoiled, beside 20 that say none: 1/21, so 21/20 a visit.
    assert found["V1", "A"].size == pytest.approx(21 / 20, rel=1e-6)


def test_nothing_is_learnt_from_no_day() -> None:
    assert (
        learn(History(until=MONDAY, worked={"V1": ()}, uses=()), {"A": Stated()}) == {}
    )


def test_a_kit_is_used_as_its_components() -> None:
    assert part_uses(
        MONDAY,
        "V1",
        [("KIT", 2), ("CELL", 1)],
        [("BLADE", 1)],
        {"KIT": (("FOB", 1), ("CELL", 2))},
    ) == tuple(
        PartUse(date=MONDAY, van_id="V1", part_id=part, quantity=good, spoiled=bad)
        for part, good, bad in (("FOB", 2, 0), ("CELL", 5, 0), ("BLADE", 0, 1))
    )
