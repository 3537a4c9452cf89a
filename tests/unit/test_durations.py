"""Lengths of visits, learnt from simulated firms whose truth is known."""

import math
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest

from dispatch.calibration import pinball, quantiles
from dispatch.durations import Learnt, learn_durations, predict, with_learnt
from dispatch.scenario.joblog import JobLog, Visits, empty_log
from dispatch.spread import ThreePoints, lognormal
from shared.trade import kinds
from tests.builders import a_call, a_day, a_van
from tests.firms import SHAPES, a_firm, a_log, spoil

KINDS = kinds()
NAMES = tuple(KINDS)


def a_record_log(
    *records: tuple[str, str, str, float, int], unfinished: bool = False
) -> JobLog:
    """Return a log of (kind, group, driver, median minutes, how many)."""
    groups = tuple(dict.fromkeys(record[1] for record in records))
    drivers = tuple(dict.fromkeys(record[2] for record in records))
    rows = []
    for kind, group, driver, length_min, number in records:
        for each in range(number):
            # the middles of equal slices of a lognormal: its median is what is asked
            noise = math.exp(0.2 * NormalDist().inv_cdf((each + 0.5) / number))
            rows.append(
                (
                    NAMES.index(kind),
                    groups.index(group),
                    drivers.index(driver),
                    60 * length_min * noise,
                )
            )
    n = len(rows)
    kind_of, group_of, driver_of, length_s = (
        np.array(each) for each in zip(*rows, strict=True)
    )
    none = np.full(n, -1, np.int64)
    visits = Visits(
        np.arange(2, n + 2),
        kind_of,
        group_of,
        driver_of,
        length_s.astype(np.float64),
        np.full(n, unfinished),
        np.zeros(n, np.int64),
        none,
        none,
        none,
        np.full(n, np.nan),
    )
    return replace(empty_log(), groups=groups, drivers=drivers, visits=visits, rows=n)


def learn(*records: tuple[str, str, str, float, int]) -> Learnt:
    return learn_durations(a_record_log(*records), KINDS)


# --- three points -------------------------------------------------------------


@pytest.mark.parametrize(
    ("points", "mean", "variance"),
    [
        # Activities of the building project in Hillier, F. S. and
        # Lieberman, G. J., Introduction to Operations Research, chapter on PERT/CPM;
        # from memory.
        ((1, 2, 3), 2, 1 / 9),
        ((2, 3.5, 8), 4, 1),
        ((6, 9, 18), 10, 4),
        ((4, 5.5, 10), 6, 1),
        ((1, 4.5, 5), 4, 4 / 9),
        ((4, 4, 10), 5, 1),
        ((5, 6.5, 11), 7, 1),
        ((5, 8, 17), 9, 4),
        ((3, 7.5, 9), 7, 1),
        ((3, 9, 9), 8, 1),
        ((4, 4, 4), 4, 0),
        ((1, 5.5, 7), 5, 1),
        ((5, 5.5, 9), 6, 4 / 9),
    ],
)
def test_three_points_give_the_mean_and_variance_of_the_textbook(
    points: tuple[float, float, float], mean: float, variance: float
) -> None:
    least, likely, most = points
    found = ThreePoints(least_s=least, likely_s=likely, most_s=most)
    assert found.mean_s == pytest.approx(mean)
    assert found.variance_s2 == pytest.approx(variance)


def test_the_lognormal_of_three_points_has_their_mean_and_variance() -> None:
    found = ThreePoints(least_s=600, likely_s=1200, most_s=3600)
    # (600 + 4800 + 3600) / 6 = 1500; (3000 / 6)^2 = 250,000
    sample = found.spread().sample(np.random.default_rng(1), 400_000)
    assert sample.mean() == pytest.approx(1500, rel=0.005)
    assert sample.std() == pytest.approx(500, rel=0.01)


def test_a_firm_without_a_log_has_the_trade_tables_lengths() -> None:
    learnt = learn_durations(empty_log(), KINDS)
    for name, kind in KINDS.items():
        length = learnt.length(name)
        assert length.records == 0
        assert length.median_s == pytest.approx(kind.median_s, rel=0.001)
        # wider than the table's: nobody knows how this firm differs from it
        assert kind.p90_s < length.p90_s


def test_a_firms_own_three_points_take_the_place_of_the_table() -> None:
    log = replace(empty_log(), estimates={"rekey": (600, 1200, 3600)})
    learnt = learn_durations(log, KINDS)
    # mean 1500, variance 250,000: sigma^2 = ln(1 + 1/9), median 1500 / sqrt(1 + 1/9)
    assert learnt.length("rekey").median_s == pytest.approx(1423, abs=2)


# --- distributions --------------------------------------------------------------


def test_a_lognormal_goes_through_its_median_and_its_ninetieth_percentile() -> None:
    spread = lognormal(1800, 3600)
    assert spread.median_s == 1800
    assert spread.p90_s == 3600
    assert spread.cdf([1800, 3600]).tolist() == pytest.approx([0.5, 0.9])


def test_quantiles_chances_and_samples_of_a_spread_agree() -> None:
    spread = learn(("rekey", "a", "b", 40, 300)).length("rekey").spread
    chances = np.array([0.001, 0.05, 0.3, 0.5, 0.77, 0.95, 0.999])
    assert spread.cdf(spread.quantile(chances)) == pytest.approx(chances, abs=1e-9)
    sample = spread.sample(np.random.default_rng(2), (1000, 200))
    assert sample.shape == (1000, 200)
    for chance in chances[1:-1]:
        share = float(np.mean(sample <= spread.quantile(chance)))
        assert share == pytest.approx(chance, abs=0.005)


# --- from the general to the specific --------------------------------------------


def test_three_records_do_not_beat_three_hundred() -> None:
    learnt = learn(
        ("rekey", "door", "Robin", 40, 300),
        ("rekey", "gate", "Robin", 80, 3),
        ("rekey", "shop", "Robin", 80, 300),
    )
    door, gate, shop = (learnt.length("rekey", group) for group in learnt.log.groups)
    assert door.median_s == pytest.approx(2400, rel=0.05)
    assert shop.median_s == pytest.approx(4800, rel=0.05)
    assert 2500 < gate.median_s < 4700
    assert gate.high_s - gate.low_s > 3 * (shop.high_s - shop.low_s)
    assert (door.records, gate.records) == (300, 3)


def test_a_driver_is_compared_on_the_same_work() -> None:
    # Wren takes longer on average only because hers is the long work.
    learnt = learn(
        ("rekey", "door", "Robin", 40, 90),
        ("rekey", "door", "Wren", 40, 10),
        ("safe_opening", "safe", "Robin", 160, 10),
        ("safe_opening", "safe", "Wren", 160, 90),
    )
    assert learnt.pace("Wren") == pytest.approx(learnt.pace("Robin"), rel=0.03)


def test_a_slow_driver_is_learnt_and_an_unknown_one_is_usual() -> None:
    learnt = learn(
        ("rekey", "door", "Robin", 40, 150), ("rekey", "door", "Toby", 56, 150)
    )
    low, pace, high = learnt.pace_range("Toby", "rekey")
    # 56 / 40 = 1.4 between them, the usual mix half way (on the logarithm): 1.18
    assert pace == pytest.approx(math.sqrt(1.4), rel=0.03)
    assert low < pace < high
    assert learnt.pace_range("Nobody") == (1, 1, 1)


def test_a_kind_without_records_follows_what_the_others_show() -> None:
    records = [
        (name, "", "", KINDS[name].median_s / 60 * 1.5, 40) for name in NAMES[:8]
    ]
    learnt = learn(*records)
    kind = KINDS[NAMES[-1]]
    assert 1.3 < learnt.length(kind.id).median_s / kind.median_s < 1.55


# --- what is not what it seems -----------------------------------------------------


def test_typing_errors_are_listed_and_change_nothing() -> None:
    log = a_record_log(("rekey", "door", "Robin", 40, 200))
    clean = learn_durations(log, KINDS).length("rekey")
    length_s = log.visits.length_s.copy()
    length_s[[3, 50]] *= 20  # 40 minutes typed as a day, more or less
    length_s[120] = 60
    spoilt = replace(log, visits=log.visits._replace(length_s=length_s))
    learnt = learn_durations(spoilt, KINDS)
    assert sorted(odd.line for odd in learnt.odd) == [5, 52, 122]
    assert learnt.length("rekey").median_s == pytest.approx(clean.median_s, rel=0.02)
    assert learnt.length("rekey").p90_s == pytest.approx(clean.p90_s, rel=0.05)


def test_given_up_visits_count_as_longer_than_they_were() -> None:
    rng = np.random.default_rng(4)
    truth_s = lognormal(1800, 3600).sample(rng, 2000)
    log = a_record_log(("rekey", "door", "Robin", 30, 2000))
    stopped = (truth_s > 1500) & (rng.random(2000) < 0.4)
    seen_s = np.where(stopped, 1500.0, truth_s)
    visits = log.visits._replace(length_s=seen_s, unfinished=stopped)
    length = learn_durations(replace(log, visits=visits), KINDS).length("rekey")
    assert stopped.sum() > 400
    naive_s = float(np.median(truth_s[~stopped]))  # those that were given up left out
    assert naive_s < 0.93 * 1800
    assert length.median_s == pytest.approx(1800, rel=0.04)
    assert length.p90_s == pytest.approx(3600, rel=0.07)


def test_how_often_a_second_visit_is_due_is_drawn_to_all_kinds() -> None:
    log = a_record_log(("rekey", "a", "b", 30, 100), ("add_key", "a", "b", 30, 100))
    unfinished = np.arange(200) >= 180
    visits = log.visits._replace(unfinished=unfinished)
    retries = learn_durations(replace(log, visits=visits), KINDS).retries
    # of all 0.0976 (20.5 of 210), so for add_key (20 + 20 * 0.0976) of 120
    assert retries["add_key"].share == pytest.approx(0.183, abs=0.001)
    assert retries["rekey"].share == pytest.approx(0.0163, abs=0.001)
    assert (retries["rekey"].lost_s, retries["safe_opening"].records) == (0, 0)


def test_lengths_that_drift_are_learnt_from_the_recent_ones() -> None:
    log = a_record_log(("rekey", "door", "Robin", 30, 1000))
    day = np.arange(1000)
    drift = np.exp(0.7 * day / 1000)
    visits = log.visits._replace(day=day, length_s=log.visits.length_s * drift)
    learnt = learn_durations(replace(log, visits=visits), KINDS)
    steady = learn_durations(log, KINDS)
    assert steady.half_life_d is None
    assert learnt.half_life_d is not None
    whole = learn_durations(replace(log, visits=visits), KINDS, half_life_d=None)
    now_s = 1800 * math.exp(0.7)
    assert abs(learnt.length("rekey").median_s - now_s) < 0.5 * abs(
        whole.length("rekey").median_s - now_s
    )


# --- into the day ---------------------------------------------------------------


def test_a_day_takes_learnt_lengths_and_paces_once() -> None:
    learnt = learn(
        ("rekey", "front door", "Robin", 40, 150),
        ("rekey", "front door", "Toby", 56, 150),
    )
    kind = KINDS["rekey"]
    call = a_call("C1", kind="rekey", median_s=kind.median_s, p90_s=kind.p90_s)
    own = replace(call, id="C2", median_s=600, p90_s=900)
    named = replace(call, id="C3", description="The Front Door of a bakery")
    day = a_day(
        call,
        own,
        named,
        vans=(
            a_van("V1", driver="Robin"),
            a_van("V2", driver="toby"),
            a_van("V3", driver="Nobody"),
            a_van("V4", driver="Toby", pace={"*": 1.1}),
        ),
        kinds=KINDS,
    )
    found = with_learnt(day, learnt)
    first, second, third = found.calls
    # usual: between 40 and 56 minutes, on the logarithm
    assert first.median_s == pytest.approx(60 * math.sqrt(40 * 56), rel=0.03)
    assert (second.median_s, second.p90_s) == (600, 900)
    assert third.median_s == pytest.approx(first.median_s, rel=0.02)
    quick, slow, unknown, told = found.vans
    # pace times usual length is the driver's own length: counted once
    assert quick.pace["rekey"] * first.median_s == pytest.approx(2400, rel=0.04)
    assert slow.pace["rekey"] * first.median_s == pytest.approx(3360, rel=0.04)
    assert (unknown.pace, told.pace) == ({}, {"*": 1.1})
    assert learnt.usual("rekey").p90_s < learnt.length("rekey").p90_s


def test_a_call_of_a_kind_that_the_log_does_not_have_stays_as_it_is() -> None:
    kind = KINDS["safe_opening"]
    call = a_call("C1", kind=kind.id, median_s=kind.median_s, p90_s=kind.p90_s)
    day = a_day(call, kinds=KINDS)
    assert with_learnt(day, learn(("rekey", "a", "b", 60, 50))).calls == (call,)


def test_a_description_names_the_longest_group_that_stands_in_it() -> None:
    learnt = learn(("add_key", "van", "b", 60, 9), ("add_key", "city van", "b", 60, 9))
    assert learnt.find_group("add_key", "City  van 2019") == "city van"
    assert learnt.find_group("add_key", "caravan") is None
    assert learnt.find_group("rekey", "city van") is None


# --- simulated firms --------------------------------------------------------------


def losses(seed: int, shape: str, rows: int) -> tuple[float, float]:
    """Return learnt and plain median loss on visits held back, in seconds."""
    firm, rng = a_firm(seed, shape), np.random.default_rng((seed, 7))
    log = a_log(spoil(firm.draw(rng, rows, (0, 500)), rng), firm)
    late = firm.draw(rng, 3000, (500, 600))
    said_s = quantiles(predict(learn_durations(log, KINDS), late), 0.5)
    done = ~log.visits.unfinished
    plain_s = np.full(len(NAMES), np.median(log.visits.length_s[done]))
    for kind in range(len(NAMES)):
        mine = done & (log.visits.kind == kind)
        if mine.any():
            plain_s[kind] = np.median(log.visits.length_s[mine])
    return (
        float(pinball(said_s, late.length_s, 0.5).mean()),
        float(pinball(plain_s[late.kind], late.length_s, 0.5).mean()),
    )


@pytest.mark.parametrize("shape", SHAPES)
def test_learnt_medians_beat_plain_ones_in_nine_of_ten_firms(shape: str) -> None:
    found = [losses(seed, shape, 1000) for seed in range(10)]
    ratios = sorted(learnt / plain for learnt, plain in found)
    assert sum(ratio < 1 for ratio in ratios) >= 9, ratios
    assert ratios[-1] <= 1.01, ratios
