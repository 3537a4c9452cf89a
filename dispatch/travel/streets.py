"""A day's drives on a road network: looked up, never asked for again.

The network is asked at the edge, before anything is planned; what it answered rides in
the day (:class:`shared.model.Streets`), and everything here only looks it up.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from dispatch.travel.roads import Legs
from dispatch.travel.straight import StraightLine
from shared.model import Place, Streets, TravelRules, spot_of

# Farther than any plan reaches (seven days), so that no route can drive there.
NO_WAY_S = 30 * 24 * 3600
NO_WAY_M = 100_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Surveyed:
    """Roads that were asked for: :class:`~dispatch.travel.roads.Roads` by looking up.

    Parameters
    ----------
    rules : TravelRules
        What is added to the network's times, and the straight line for places it was
        not asked about.
    streets : Streets
        What the network answered.
    """

    rules: TravelRules
    streets: Streets

    @property
    def source(self) -> str:
        """Where the figures come from, for the plan's footer.

        Returns
        -------
        str
            One line of plain words.
        """
        return f"road network, {self.streets.credit}"

    def measure(self, places: Sequence[Place]) -> Legs:
        """Return every drive between the places.

        Parameters
        ----------
        places : sequence of Place
            Where. Drives from and to one that the network was not asked about are the
            straight line's; to say so is up to the reader (:func:`unasked`).

        Returns
        -------
        Legs
            Seconds, with ``start_stop_s`` for each drive from place to place, and
            metres; ``NO_WAY_S`` and ``NO_WAY_M`` where no road leads.
        """
        spots = [spot_of(place) for place in places]
        row_of = {spot: row for row, spot in enumerate(self.streets.spots)}
        lost = self.streets.lost
        known = np.array([spot in row_of for spot in spots], np.bool_)
        off = np.array([spot in lost for spot in spots], np.bool_)
        if (known | off).all():
            empty = np.zeros((len(places), len(places)), np.int64)
            legs = Legs(base_s=empty, distance_m=empty.copy())
        else:
            legs = StraightLine(rules=self.rules).measure(places)
        where = np.array(spots, np.int64).reshape(-1, 2)
        apart = (where[:, None] != where[None, :]).any(axis=2)
        if known.any():
            rows = [row_of[spot] for spot in spots if spot in row_of]
            base_s, distance_m = (
                np.array([table[row] for row in rows], np.int64)[:, rows]
                for table in (self.streets.base_s, self.streets.distance_m)
            )
            rolling_s = np.ceil(base_s * self.rules.street_pace).astype(np.int64)
            cells = np.ix_(known, known)
            legs.base_s[cells] = np.where(
                base_s < 0,
                NO_WAY_S,
                np.where(apart[cells], self.rules.start_stop_s + rolling_s, 0),
            )
            legs.distance_m[cells] = np.where(distance_m < 0, NO_WAY_M, distance_m)
        closed = apart & (off[:, None] | off[None, :])
        legs.base_s[closed] = NO_WAY_S
        legs.distance_m[closed] = NO_WAY_M
        return legs


def unasked(streets: Streets, places: Iterable[Place]) -> int:
    """Return how many places a network was not asked about.

    Parameters
    ----------
    streets : Streets
        What the network answered.
    places : iterable of Place
        Where.

    Returns
    -------
    int
        Each point once.
    """
    known = {*streets.spots, *streets.lost}
    return len({spot_of(place) for place in places} - known)
