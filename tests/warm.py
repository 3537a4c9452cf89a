"""Compile the kernels once, before many processes need them: ``python -m tests.warm``.

Each process of a test run compiles what it does not find; on an empty cache all of them
would compile the same. What is rarely called is left to whoever calls it.
"""

import os
import sys
import time

# As tests/conftest.py has it.
os.environ.setdefault("KEYROUND_KERNEL_OPEN", "1")

from dispatch.chance import usual_spreads
from dispatch.generator import ALL, Feature, generate_day
from dispatch.planner import Budget, plan_day
from dispatch.urgent import Ask, options
from dispatch.wish import keep_promises
from tests.rests import board_at, planned, urgent_call

APART = {Feature.EXCHANGE, Feature.TOOLS, Feature.LINKS}


def main() -> None:
    """Plan, keep promises, prove, plan a rest, ask about an urgent call."""

    def say(what: str) -> None:
        sys.stdout.write(f"{what}: {time.process_time():.0f} s of processor so far\n")
        sys.stdout.flush()

    day = generate_day(1, 14, 2, ease=0.5, features=ALL)
    plan_day(day, Budget(rounds=50))
    say("a day")
    plan_day(generate_day(2, 6, 2, ease=0.5), Budget(rounds=50))
    say("a small day")
    keep_promises(day, 90, usual_spreads(day), Budget(rounds=50))
    say("promises kept")
    usual = generate_day(3, 14, 2, ease=0.7, features=ALL - APART)
    board = board_at(usual, planned(usual, 50), 0)
    options(board, urgent_call(1, board.rest), Ask())
    say("an urgent call")


if __name__ == "__main__":
    main()
