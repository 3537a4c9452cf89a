"""What happens on the day itself, as a list of facts that only grows.

A fact says what happened, and when. The list is a set: in which order its facts are
told, and how often, makes no difference; they count in the order in which they
happened (:func:`in_order`). What they come to is worked out by
:mod:`dispatch.state`.
"""

from collections.abc import Iterable, Mapping
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
        Part ids and pieces, kits not among them, each part once, pieces at least 1:
        what was loaded, used up, spoiled or received. On the first fact that says a
        van is on the road (it left, arrived or started): what it took from the shop
        before leaving, ``LOADED`` facts from before that among it; on later ones of
        these kinds it says nothing. ``None``: as planned (see
        :func:`dispatch.state.complete`), and nothing where no plan fills it in.
    handed : tuple of (str, str, int), or None
        On that same first fact: van id, part id and pieces that another van handed
        over before leaving.
    tools, returned : tuple of str, or None
        Shared tools taken aboard before leaving or, with ``LOADED``, at the shop; and
        those brought back there.
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
    handed: tuple[tuple[str, str, int], ...] | None = None
    tools: tuple[str, ...] | None = None
    returned: tuple[str, ...] | None = None
    late_s: int | None = None
    window: Window | None = None
    call: Call | None = None
    note: str = ""


# --- which fact may follow which ------------------------------------------------


class CallState(StrEnum):
    """How far a call is."""

    OPEN = "open"
    DRIVING = "driving"  # a van is on its way
    THERE = "there"  # a van is at the door
    WORKING = "working"
    DONE = "done"
    NO_SHOW = "no_show"
    CANCELLED = "cancelled"


class Doing(StrEnum):
    """What a van is doing."""

    WAITING = "waiting"  # free: not gone yet, after a visit, a restock stop, or home
    DRIVING = "driving"
    THERE = "there"  # at a call that is not begun, or at a store
    WORKING = "working"
    DOWN = "down"


_AHEAD = (CallState.OPEN, CallState.DRIVING, CallState.THERE)

CALL_MOVES: Mapping[FactKind, Mapping[CallState, CallState]] = {
    FactKind.LEFT: {CallState.OPEN: CallState.DRIVING},
    FactKind.ARRIVED: dict.fromkeys(_AHEAD[:2], CallState.THERE),
    FactKind.STARTED: dict.fromkeys(_AHEAD, CallState.WORKING),
    FactKind.DONE: dict.fromkeys((*_AHEAD, CallState.WORKING), CallState.DONE),
    FactKind.NO_SHOW: dict.fromkeys(_AHEAD, CallState.NO_SHOW),
    FactKind.CANCELLED: dict.fromkeys(_AHEAD, CallState.CANCELLED),
    FactKind.TOLD: {state: state for state in _AHEAD},
    FactKind.WINDOW: {state: state for state in _AHEAD}
    | dict.fromkeys((CallState.NO_SHOW, CallState.CANCELLED), CallState.OPEN),
}
"""From which state to which a fact takes a call; from any other it is refused.

Drivers forget: who arrives has left, who starts has arrived, who is done has started.
A new time brings a call back that was given up."""

_FREE = frozenset({Doing.WAITING})
_MOVABLE = frozenset({Doing.WAITING, Doing.DRIVING, Doing.THERE})
_UP = _MOVABLE | {Doing.WORKING}

VAN_MOVES: Mapping[FactKind, tuple[frozenset[Doing], frozenset[Doing]]] = {
    FactKind.LEFT: (frozenset(), _MOVABLE),
    FactKind.ARRIVED: (frozenset({Doing.DRIVING}), _MOVABLE),
    FactKind.STARTED: (frozenset({Doing.DRIVING, Doing.THERE}), _MOVABLE),
    FactKind.DONE: (_UP - _FREE, _FREE),
    FactKind.NO_SHOW: (frozenset({Doing.DRIVING, Doing.THERE}), _FREE),
    FactKind.LOADED: (frozenset({Doing.DRIVING, Doing.THERE}), _FREE),
    FactKind.LATE: (_UP, _UP),
    FactKind.VAN_DOWN: (_UP, _UP),
    FactKind.VAN_UP: (frozenset({Doing.DOWN}), frozenset({Doing.DOWN})),
}
"""What a van may be doing when a fact comes: with the stop that the fact names, and
with another or none. Who leaves for, arrives or starts at another stop has turned away
from the one before, and that call is open again; what is begun is finished first. A
visit or a restock stop is finished only by a van that is at it or free."""

FIELDS: Mapping[FactKind, tuple[frozenset[str], frozenset[str]]] = {
    kind: (frozenset(needed.split()), frozenset(more.split()))
    for kind, needed, more in (
        (FactKind.BOOKED, "call", "call_id"),
        (FactKind.TOLD, "call_id window", ""),
        (FactKind.LOADED, "van_id store_id", "parts tools returned"),
        (FactKind.LEFT, "van_id", "call_id store_id parts handed tools"),
        (FactKind.ARRIVED, "van_id", "call_id store_id parts handed tools"),
        (FactKind.STARTED, "van_id call_id", "parts handed tools"),
        (FactKind.DONE, "van_id call_id", "parts"),
        (FactKind.USED, "van_id parts", "call_id"),
        (FactKind.SPOILED, "van_id parts", "call_id"),
        (FactKind.LATE, "van_id late_s", ""),
        (FactKind.NO_SHOW, "van_id call_id", ""),
        (FactKind.CANCELLED, "call_id", ""),
        (FactKind.VAN_DOWN, "van_id", ""),
        (FactKind.VAN_UP, "van_id", ""),
        (FactKind.WINDOW, "call_id window", ""),
        (FactKind.RECEIVED, "parts", "van_id store_id"),
    )
}
"""What a fact of each kind says, and what it may say besides."""

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
