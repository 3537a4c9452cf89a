"""How often somebody may come."""

from api.limits import Limit


class Seconds:
    """Seconds that are set by hand."""

    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def test_after_a_burst_somebody_comes_at_a_steady_rate() -> None:
    clock = Seconds()
    limit = Limit(per_s=0.5, burst=3, clock=clock)
    assert [limit.take("a") for _ in range(4)] == [0, 0, 0, 2]  # 1 / 0.5
    clock.now_s = 1.5
    assert limit.take("a") == 0.5
    clock.now_s = 2.0
    assert [limit.take("a") for _ in range(2)] == [0, 2]


def test_after_a_rest_the_whole_burst_is_there_again_and_no_more() -> None:
    clock = Seconds()
    limit = Limit(per_s=1, burst=2, clock=clock)
    limit.take("a")
    clock.now_s = 1000
    assert [limit.take("a") for _ in range(3)] == [0, 0, 1]


def test_one_does_not_wait_for_another() -> None:
    limit = Limit(per_s=1, burst=1, clock=Seconds())
    assert [limit.take("a"), limit.take("b"), limit.take("a")] == [0, 0, 1]


def test_to_ask_how_long_one_waits_counts_nothing() -> None:
    limit = Limit(per_s=1, burst=1, clock=Seconds())
    assert [limit.wait_s("a"), limit.wait_s("a"), limit.take("a")] == [0, 0, 0]
    assert limit.wait_s("a") == 1


def test_not_more_names_are_kept_than_fit() -> None:
    limit = Limit(per_s=1, burst=1, clock=Seconds())
    for name in range(10_001):
        limit.take(str(name))
    assert limit.wait_s("0") == 0  # the first to come is forgotten
    assert limit.wait_s("1") == 1
