"""What happens on the day itself, as a list of facts that only grows.

A fact says what happened, and when. The list is a set: in which order its facts are
told, and how often, makes no difference; they count in the order in which they
happened (:func:`in_order`). What they come to is worked out by
:mod:`dispatch.state`.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from shared.model import Call, Window


class FactKind(StrEnum):
    """What can happen on a day."""

    BOOKED = "booked"  # a call comes in, with its own data; urgent ones: priority 1
    TOLD = "told"  # a customer was told a time
    LOADED = "loaded"  # a van took parts aboard at a store
    LEFT = "left"  # a van sets off: to a call, to a store, or (neither) home
    ARRIVED = "arrived"  # a van is at a call or a store, or (neither) home
    STARTED = "started"  # a van begins a visit
    DONE = "done"  # a visit is finished; the parts are those used up
    USED = "used"  # parts used up at another moment than that
    SPOILED = "spoiled"  # parts spoiled
    LATE = "late"  # a van reports that everything it does next is so much later
    NO_SHOW = "no_show"  # nobody was there
    CANCELLED = "cancelled"  # a customer wants the visit no more
    VAN_DOWN = "van_down"  # a van is out for the day
    VAN_UP = "van_up"  # it is back
    WINDOW = "window"  # a call has a new promise
    RECEIVED = "received"  # parts came in, to a van or a store


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """One thing that happened.

    Parameters
    ----------
    id : str
        The same fact told twice has the same id.
    kind : FactKind
        What happened.
    at_s : int
        When, in seconds since local midnight of the day.
    van_id, call_id, store_id : str or None
        To whom, and where. A van that leaves or arrives names a call, a store, or
        neither (home).
    parts : tuple of (str, int), or None
        Part ids and pieces, kits not among them, each part once, pieces at least 1.
        ``None`` where a van leaves its start place or finishes a visit: as planned
        (see :func:`dispatch.state.complete`).
    late_s : int or None
        With ``LATE``: how much later; 0 takes an earlier report back.
    window : Window or None
        With ``TOLD`` and ``WINDOW``: when the visit starts.
    call : Call or None
        With ``BOOKED``: the call that came in.
    note : str
        Free words.
    """

    id: str
    kind: FactKind
    at_s: int
    van_id: str | None = None
    call_id: str | None = None
    store_id: str | None = None
    parts: tuple[tuple[str, int], ...] | None = None
    late_s: int | None = None
    window: Window | None = None
    call: Call | None = None
    note: str = ""


ORDER = (
    FactKind.BOOKED,
    FactKind.WINDOW,
    FactKind.TOLD,
    FactKind.VAN_UP,
    FactKind.RECEIVED,
    FactKind.ARRIVED,
    FactKind.STARTED,
    FactKind.USED,
    FactKind.SPOILED,
    FactKind.DONE,
    FactKind.NO_SHOW,
    FactKind.LOADED,
    FactKind.LEFT,
    FactKind.LATE,
    FactKind.CANCELLED,
    FactKind.VAN_DOWN,
)
"""In which order facts of one second happened: as a van's visit goes, what comes in
before what goes out."""

_RANK = {kind: rank for rank, kind in enumerate(ORDER)}


def in_order(facts: Iterable[Fact]) -> tuple[Fact, ...]:
    """Return facts as they happened.

    Parameters
    ----------
    facts : iterable of Fact
        In any order.

    Returns
    -------
    tuple of Fact
        By second, then as in ``ORDER``, then by id.
    """
    return tuple(sorted(facts, key=lambda fact: (fact.at_s, _RANK[fact.kind], fact.id)))
