"""Progress, the time limit and Ctrl-C."""

import io
import signal
from dataclasses import dataclass

import pytest

from api.meter import COLUMNS, Halt, Meter, Stopwatch


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """What the planner reports."""

    seconds: float
    rounds: int = 500
    total_rounds: int | None = 1000
    unplaced: int = 2
    cost_cents: int = 123_456
    phase: str = "searching"


class Clock:
    """A clock that the test turns."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


class Deaf(io.StringIO):
    """A stream whose reader has gone."""

    def write(self, _: str) -> int:
        raise BrokenPipeError


def told(*seconds: float, live: bool = False) -> str:
    stream = io.StringIO()
    meter = Meter(stream, live=live)
    for second in seconds:
        meter(Report(seconds=second))
    return stream.getvalue()


def test_a_search_of_under_a_second_is_not_worth_a_word() -> None:
    assert told(0.1, 0.5, 0.99) == ""


def test_progress_says_how_far_and_how_good() -> None:
    # 500 of 1000 rounds are 50 %
    assert told(1.0) == (
        "searching: 1 s, 50 %; best so far: 2 unplaced, cost 1234.56\n"
    )


def test_without_a_known_end_rounds_are_counted() -> None:
    line = Meter.line(Report(seconds=3, rounds=12_000, total_rounds=None), 3)
    assert "round 12,000;" in line


def test_in_a_log_lines_come_sparser_and_sparser() -> None:
    # due at 1, 2, 4, 8, 16, 32, then 30 s later at 62, 92 and 122
    every_tenth = [second / 10 for second in range(1300)]
    seconds = [
        int(line.split(": ")[1].split(" s")[0])
        for line in told(*every_tenth).splitlines()
    ]
    assert seconds == [1, 2, 4, 8, 16, 32, 62, 92, 122]


def test_on_a_terminal_one_line_of_one_width_is_rewritten() -> None:
    text = told(1.0, 1.1, 1.2, live=True)
    assert "\n" not in text
    assert [len(line) for line in text.split("\r")] == [0] + [COLUMNS] * 3


def test_what_follows_on_a_terminal_starts_on_a_clean_line() -> None:
    stream = io.StringIO()
    meter = Meter(stream, live=True)
    meter(Report(seconds=2))
    meter.say("done")
    assert stream.getvalue().endswith("\r" + " " * COLUMNS + "\rdone\n")


def test_compiling_is_announced_at_once_and_once() -> None:
    stream = io.StringIO()
    meter = Meter(stream, live=False)
    meter(Report(seconds=0.0, phase="compiling"))
    meter(Report(seconds=0.1, phase="compiling"))
    assert stream.getvalue().count("getting it ready") == 1


def test_the_time_spent_compiling_does_not_count_as_searching() -> None:
    stream = io.StringIO()
    meter = Meter(stream, live=False)
    meter(Report(seconds=0.0, rounds=0, phase="compiling"))
    meter(Report(seconds=0.0, rounds=0, phase="trying every order of calls"))
    meter(Report(seconds=17.0, rounds=0, phase="compiling"))
    meter(Report(seconds=30.0, rounds=20))  # here the search has begun
    meter(Report(seconds=30.9))
    meter(Report(seconds=31.5))
    (_, line) = stream.getvalue().splitlines()
    assert line.startswith("searching: 2 s,")  # 1.5 s


def test_what_is_compiled_later_does_not_count_either() -> None:
    # The small days' part is there already; the search's is not.
    stream = io.StringIO()
    meter = Meter(stream, live=False)
    meter(Report(seconds=0.0, rounds=0, phase="trying every order of calls"))
    meter(Report(seconds=0.2, rounds=0, phase="compiling"))
    meter(Report(seconds=18.0, rounds=20))  # here the search has begun
    meter(Report(seconds=19.5))
    (_, line) = stream.getvalue().splitlines()
    assert line.startswith("searching: 2 s,")  # 1.5 s


def test_a_search_with_a_limit_says_how_much_of_it_has_passed() -> None:
    stream = io.StringIO()
    meter = Meter(stream, live=False, limit_s=20.0)
    meter(Report(seconds=2.0, total_rounds=None))
    meter(Report(seconds=20.4, total_rounds=None))  # the last slice ran over
    first, last = stream.getvalue().splitlines()
    assert first.startswith("searching: 2 of 20 s, round 500;")
    assert last.startswith("searching: 20 of 20 s,")


def test_a_plan_is_not_lost_because_nobody_listens() -> None:
    meter = Meter(Deaf(), live=False)
    meter(Report(seconds=2))
    meter(Report(seconds=90))  # neither raises
    assert Meter(None, live=False)(Report(seconds=2)) is None


def test_the_time_counts_from_the_first_question_so_compiling_is_free() -> None:
    clock = Clock()
    spent = Stopwatch(2.0, clock=clock)
    clock.now_s = 150.0  # compiling took 50 s
    assert spent() == 0.0
    clock.now_s = 151.5
    assert spent() == 0.75  # 1.5 of 2 seconds
    clock.now_s = 160.0
    assert spent() == 1.0


def test_ctrl_c_asks_for_the_best_so_far_and_the_second_one_breaks_off() -> None:
    said: list[str] = []
    before = signal.getsignal(signal.SIGINT)
    with Halt(say=said.append) as halt:
        assert not halt()
        signal.raise_signal(signal.SIGINT)
        assert halt()
        assert halt.heard
        assert said == [
            "Ctrl-C: finishing with the best plan so far (again: break off)"
        ]
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    assert signal.getsignal(signal.SIGINT) is before
