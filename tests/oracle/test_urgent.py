"""Options for an urgent call against slow, obvious code."""

import pytest

from dispatch.generator import Feature, generate_day
from dispatch.urgent import Ask, Option, Options, options
from shared.units import cents
from tests.kernel.days import fewer
from tests.oracle.slow_urgent import soonest_s, try_all
from tests.rests import board_at, planned, urgent_call

KINDS = (
    frozenset[Feature](),
    frozenset({Feature.RESTOCK}),
    frozenset({Feature.PACE, Feature.PREFERENCES, Feature.PROMISES}),
    frozenset({Feature.RESTOCK, Feature.LEVELS, Feature.LIMITS}),
)


def takers(found: Options) -> list[Option]:
    """Return the options that take the call and ask nobody to stay longer."""
    return [one for one in found.options if one.van_id is not None and not one.agree]


@pytest.mark.parametrize("seed", range(fewer(60, 8)))
def test_soonest_and_cheapest_are_those_that_trying_every_place_finds(
    seed: int,
) -> None:
    """Nobody else changes van or order; links are left to the other tests."""
    day = generate_day(
        seed, 5 + seed % 7, 1 + seed % 3, ease=0.5, features=KINDS[seed % 4]
    )
    board = board_at(day, planned(day), seed)
    call = urgent_call(seed, board.rest)
    slow = try_all(board, call)
    ask = Ask(rounds=0, apart_s=0, apart_cents=0)
    fast = takers(options(board, call, ask))
    assert bool(fast) == bool(slow)
    if not slow:
        return
    assert min(one.figures[0] for one in fast) == soonest_s(slow)
    kept = [one.figures[0] for one in fast if not one.broken]
    fewest = min(one.broken for one in slow)
    assert (not kept) == (fewest > 0)
    if kept:
        assert min(kept) == soonest_s(slow, broken=0)
    still = [one for one in slow if not one.broken and not one.moved]
    quiet = [one.figures[0] for one in fast if not one.broken and not one.moved]
    assert min(quiet, default=None) == min((one.start_s for one in still), default=None)
    assert min((len(one.broken), one.cost_cents) for one in fast) == (
        fewest,
        cents(min(one.paid_units for one in slow if one.broken == fewest)),
    )
