"""Two clocks for benchmarks: on the wall, and of the processor where cores are shared.

On an idle machine the wall clock is what a dispatcher waits. On a machine that others
use as well it measures them too; then the processor's clock counts what a solver
really got. keyround searches in several threads at once: their seconds count divided
by their number, those of the thread that waits for them in full, so that the clock
shows what the wall clock would show on idle cores.
"""

import time
from collections.abc import Callable

from dispatch.solver import CHAINS

Clock = Callable[[], float]


def processor() -> float:
    """Return seconds of the main thread, and of all others by ``CHAINS``."""
    own = time.thread_time()
    return own + (time.process_time() - own) / CHAINS


CLOCKS: dict[str, Clock] = {"wall": time.perf_counter, "processor": processor}


class Until:
    """PyVRP's stop rule by any clock.

    Parameters
    ----------
    end : float
        When to stop.
    clock : callable
        Seconds, never backwards.
    """

    def __init__(self, end: float, clock: Clock) -> None:
        self._end = end
        self._clock = clock

    def __call__(self, best_cost: float) -> bool:
        """Return whether time is up, whatever the cost."""
        del best_cost
        return self._clock() >= self._end
