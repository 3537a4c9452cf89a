"""The words of the shelves: what was used, and how the vans are to be filled."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date


@dataclass(frozen=True, slots=True, kw_only=True)
class PartUse:
    """What one visit used of one part.

    Parameters
    ----------
    date : datetime.date
        When.
    van_id, part_id : str
        Who used what; a single part, no kit.
    quantity : int
        Pieces that stayed with the customer, not negative.
    spoiled : int
        Pieces spoiled on top, not negative.
    """

    date: date
    van_id: str
    part_id: str
    quantity: int
    spoiled: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """What is known of the past.

    Parameters
    ----------
    until : datetime.date
        The evening on which is reckoned; nothing is later.
    worked : mapping of str to sequence of datetime.date
        Van id to the days on which it worked, also those without any use, each once.
    uses : sequence of PartUse
        One for each visit and part.
    """

    until: date
    worked: Mapping[str, Sequence[date]]
    uses: Sequence[PartUse]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """How the shelves are to be filled.

    Parameters
    ----------
    level : float or None
        Wished chance that a part lasts until the van loads again, 0 < level < 1;
        ``None``: what is worth it by the costs.
    lost_call_cents : int
        What a call costs that is lost for want of a part. Own choice by default.
    lost_cents_of : mapping of str to int
        Part id to the same, where that part's calls are worth more or less.
    holding_rate : float
        What a piece aboard costs in a year, as a share of its price. Common practice,
        no source, by default.
    cents : int or None
        What the pars of all vans may cost together; ``None``: no limit.
    space : mapping of str to int
        Van id to what its shelf holds, in units of the firm's own.
    sizes : mapping of str to int
        Part id to what one piece fills; 1 where nothing is said.
    load_days : mapping of str to int
        Van id to the worked days from one loading at the shop to the next; 1 where
        nothing is said of a van that loads there, 5 of another.
    lead_s : int
        Seconds from order to hand for a part that says nothing of it.
    dead_days : int
        A part that nobody used for so many calendar days is dead stock.
    half_life_days : float
        After so many calendar days a record counts half.
    """

    level: float | None = 0.95
    lost_call_cents: int = 8000
    lost_cents_of: Mapping[str, int] = field(default_factory=dict)
    holding_rate: float = 0.25
    cents: int | None = None
    space: Mapping[str, int] = field(default_factory=dict)
    sizes: Mapping[str, int] = field(default_factory=dict)
    load_days: Mapping[str, int] = field(default_factory=dict)
    lead_s: int = 2 * 24 * 3600
    dead_days: int = 180
    half_life_days: float = 180.0

    def lost_cents(self, part_id: str) -> int:
        """Return what a call costs that is lost for want of a part.

        Parameters
        ----------
        part_id : str
            The part.

        Returns
        -------
        int
            Cents.
        """
        return self.lost_cents_of.get(part_id, self.lost_call_cents)
