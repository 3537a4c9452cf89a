"""The seam between a map and the plan.

Whoever can say how far it is between places, and how long that takes on empty
roads, can stand behind a plan: the straight line, or the drives that a road network
was asked for.
"""

from collections.abc import Sequence
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from shared.model import Place


class Legs(NamedTuple):
    """Every drive between n places, each row a place driven from.

    Parameters
    ----------
    base_s : int64 array, shape (n, n)
        Seconds on empty roads, not negative; 0 where the distance is 0.
    distance_m : int64 array, shape (n, n)
        Metres on the road, not negative; 0 on the diagonal.
    """

    base_s: NDArray[np.int64]
    distance_m: NDArray[np.int64]


class Roads(Protocol):
    """Something that knows distances and free-flow times between places.

    An implementation answers for every pair: one that no road joins is farther than
    any day is long, never zero and never a guess. It need not be symmetric.
    """

    @property
    def source(self) -> str:
        """Where the figures come from, for the plan's footer."""

    def measure(self, places: Sequence[Place]) -> Legs:
        """Return every drive between the places, in their order.

        Parameters
        ----------
        places : sequence of Place
            Any number; some may be the same.

        Returns
        -------
        Legs
            Seconds and metres.
        """
