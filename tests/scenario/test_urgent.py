"""Urgent calls on invented days: every option is a plan that holds.

``KEYROUND_URGENT_DAYS=300`` looks at three hundred of them.
"""

import os
from itertools import permutations

import pytest

from dispatch.generator import ALL, Feature, generate_day
from dispatch.rules import judge
from dispatch.travel import extend_table
from dispatch.urgent import Ask, Board, OptionKind, Options, accept, options, set_board
from shared.model import Call, StopKind
from tests.kernel.days import fewer
from tests.rests import board_at, planned, urgent_call

pytestmark = pytest.mark.slow

DAYS = int(os.environ.get("KEYROUND_URGENT_DAYS", fewer(30, 10)))
USUAL = ALL - {Feature.EXCHANGE}


def check(board: Board, call: Call, found: Options) -> None:
    """Hold every option against the judge, the plan that stands and the others."""
    kinds = [kind for one in found.options for kind in (one.kind, *one.also)]
    assert len(kinds) == len(set(kinds))
    assert kinds[-2:] == [OptionKind.REFER, OptionKind.DECLINE]
    stood = {route.van_id: route for route in board.plan.routes}
    for one in found.options:
        if one.van_id is None:
            assert one.plan == board.plan
            continue
        travel = extend_table(board.rest.travel, one.day)
        assert judge(one.day, travel, one.plan) == ()
        after = {
            stop.call_id: (route.van_id, stop)
            for route in one.plan.routes
            for stop in route.stops
            if stop.kind is StopKind.CALL
        }
        assert after[call.id][0] == one.van_id
        assert after[call.id][1].start_s == one.arrive_s
        assert one.arrive_s >= board.rest.now_s
        for route in one.plan.routes:
            if route.van_id not in one.tasks:
                assert route == stood[route.van_id]
        assert set(one.dropped) == board.stops.keys() - after.keys()
        assert set(one.broken) == {
            call_id
            for call_id, (_, stop) in board.stops.items()
            if call_id in after and after[call_id][1].late_s and not stop.late_s
        }
        assert set(one.moved) == {
            call_id
            for call_id, (_, stop) in board.stops.items()
            if call_id in after
            and abs(after[call_id][1].start_s - stop.start_s) > one.day.tolerance_s
        }
    takers = [one.figures for one in found.options if one.van_id is not None]
    for one, other in permutations(takers, 2):
        assert not (
            one != other and all(x <= y for x, y in zip(one, other, strict=True))
        )


@pytest.mark.parametrize("seed", range(DAYS))
def test_every_option_is_judged_and_none_is_worse_in_every_respect(seed: int) -> None:
    day = generate_day(
        seed,
        4 + seed % 12,
        1 + seed % 4,
        ease=0.3,
        tightness=0.3 + 0.1 * (seed % 5),
        features=USUAL if seed % 3 else frozenset(),
    )
    board = board_at(day, planned(day), seed)
    for turn in range(3):  # several urgent calls in turn
        call = urgent_call(seed + 1000 * turn, board.rest)
        found = options(board, call, Ask(danger=turn == 2))
        check(board, call, found)
        board = set_board(accept(board, found.options[0]))
        taken = found.options[0].van_id is not None
        assert (call.id in board.stops) == taken
