"""How often somebody may come, counted in this process's memory.

With several processes each counts for itself: the limit of all is the sum. That is
enough against guessing and flooding, and costs no look into the database.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field

_KEPT = 10_000  # names at most, about 2 MB; the one not seen for longest goes first
_ROUNDING_S = 1e-6  # sums of floats


@dataclass(slots=True, kw_only=True)
class Limit:
    """One limit, for each name on its own.

    The generic cell rate algorithm (ITU-T I.371, 1993): one number is kept for each
    name, the moment at which all it has asked for would have been due at a steady rate.

    Parameters
    ----------
    per_s : float
        How many requests a second in the long run, above 0.
    burst : int
        How many at once after a rest, at least 1.
    clock : callable
        Seconds that only rise.
    """

    per_s: float
    burst: int
    clock: Callable[[], float]
    _due_s: OrderedDict[str, float] = field(default_factory=OrderedDict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def wait_s(self, name: str) -> float:
        """Say how long somebody has to wait; nothing is counted.

        Parameters
        ----------
        name : str
            Who.

        Returns
        -------
        float
            Seconds; 0: come in.
        """
        now_s = self.clock()
        ahead_s = self._due_s.get(name, now_s) - now_s
        wait_s = ahead_s - (self.burst - 1) / self.per_s
        return wait_s if wait_s > _ROUNDING_S else 0.0

    def take(self, name: str) -> float:
        """Count one request, if it may come in.

        Parameters
        ----------
        name : str
            Who.

        Returns
        -------
        float
            Seconds to wait; 0: it came in and was counted.
        """
        with self._lock:
            wait_s = self.wait_s(name)
            if wait_s == 0.0:
                now_s = self.clock()
                due_s = max(self._due_s.get(name, now_s), now_s)
                self._due_s[name] = due_s + 1 / self.per_s
                self._due_s.move_to_end(name)
                if len(self._due_s) > _KEPT:
                    self._due_s.popitem(last=False)
            return wait_s
