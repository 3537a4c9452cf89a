"""Ask again with something changed: re-plans, and calls that cannot be together.

What explains a plan stands below the planner, so the planner hands in how to plan
anew. A re-plan that serves all calls shows that it can be done. One that does not
shows the contrary only where it is proved.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from dispatch.offer import restrict
from dispatch.problem import NEVER, start_windows
from dispatch.travel import TravelTable
from shared.model import Call, Conflict, Day

PER_DAY = 60
"""Re-plans of one day's explanation in all; own choice, as those below."""

PER_CALL = 12
PER_CONFLICT = 40  # of very small days, each a few hundredths of a second
FEW_CALLS = 9  # a day of more counts for two
UNPROVED = 4  # a searched answer takes as long as so many proved ones
SET_MOST = 6  # calls of a conflict; more, and nobody sees what to do about it
_POOLS = (2, 4, 8)  # calls looked at beside the one left out, nearest first


class Replanned(NamedTuple):
    """What planning anew comes to.

    Parameters
    ----------
    left_out : frozenset of str
        Calls of that day which the new plan does not serve.
    proved : bool
        No plan of that day is better.
    """

    left_out: frozenset[str]
    proved: bool


Replan = Callable[[Day], Replanned]
"""Plans a changed day: some of the calls, other facts about calls, vans, stock."""


class Trials:
    """Re-plans, so many at most.

    Parameters
    ----------
    replan : callable
        Plans a changed day.
    most : int
        How many re-plans in all; a large one, or one that is not proved, counts for
        several.
    """

    def __init__(self, replan: Replan, most: int = PER_DAY) -> None:
        self.replan = replan
        self.left = most
        self.turn = most

    def begin(self, most: int = PER_CALL) -> None:
        """Begin with another call.

        Parameters
        ----------
        most : int
            How many re-plans it may take.
        """
        self.turn = min(most, self.left)

    def serves(self, day: Day) -> bool | None:
        """Return whether one plan can serve all calls of a day.

        Parameters
        ----------
        day : Day
            The day.

        Returns
        -------
        bool or None
            False only where that is proved; ``None``: not known.
        """
        if self.turn < 1:
            return None
        answer = self.replan(day)
        spent = 1 if len(day.calls) <= FEW_CALLS else 2
        if not answer.proved:
            spent = UNPROVED
        self.turn -= spent
        self.left -= spent
        if not answer.left_out:
            return True
        return False if answer.proved else None


# --- calls that cannot be together -------------------------------------------------


def find_conflicts(
    day: Day,
    travel: TravelTable,
    replan: Replan,
    placed: Sequence[str],
    left_out: Sequence[str],
) -> tuple[Conflict, ...]:
    """Find small sets of calls that cannot be together.

    Parameters
    ----------
    day : Day
        The day.
    travel : TravelTable
        Its travel table.
    replan : callable
        Plans a changed day.
    placed, left_out : sequence of str
        Calls that the plan serves, and calls that it does not.

    Returns
    -------
    tuple of Conflict
        At most one per call left out, each of them checked by planning anew: the
        set fails, proved, and each subset without one call is served whole. Calls
        that follow another one (:class:`Link`) are in none: they fail without it.
    """
    follow = {link.then for link in day.links}
    calls = {
        call.id: call
        for call in day.calls
        if call.id not in follow and day.bar(call) is None
    }
    found: dict[frozenset[str], None] = {}
    trials = Trials(replan)
    for call_id in left_out:
        if call_id not in calls:
            continue
        others = [calls[other] for other in placed if other in calls]
        trials.begin(PER_CONFLICT)
        together = _Conflicts(day, trials).find(
            call_id, [c.id for c in _nearest(day, travel, calls[call_id], others)]
        )
        if together:
            found[together] = None
    return tuple(_tell(day, together) for together in found)


class _Conflicts:
    """Searches for the conflict of one call; asks no question twice."""

    def __init__(self, day: Day, trials: Trials) -> None:
        self.day = day
        self.trials = trials
        self.known: dict[frozenset[str], bool | None] = {}

    def serves(self, call_ids: frozenset[str]) -> bool | None:
        if call_ids not in self.known:
            self.known[call_ids] = self.trials.serves(restrict(self.day, call_ids))
        return self.known[call_ids]

    def find(self, call_id: str, rivals: Sequence[str]) -> frozenset[str] | None:
        """Return a smallest set around a call that fails, if there is one."""
        if self.serves(frozenset({call_id})) is not True:
            return None
        for size in _POOLS:
            together = frozenset({call_id, *rivals[:size]})
            if self.serves(together) is False:
                break
            if size >= len(rivals):
                return None
        else:
            return None
        for rival in reversed(rivals[:size]):
            if self.serves(together - {rival}) is False:
                together -= {rival}
        if len(together) > SET_MOST:
            return None
        checked = all(self.serves(together - {one}) for one in together)
        return together if checked and len(together) > 1 else None


def _nearest(
    day: Day, travel: TravelTable, call: Call, others: Sequence[Call]
) -> list[Call]:
    """Return calls by how much they want the same vans, hours and streets."""
    spans = {one.id: _span(day, one) for one in (call, *others)}
    begins_s, ends_s = spans[call.id]
    row = travel.keys[f"call:{call.id}"]

    def rank(other: Call) -> tuple[int, int, int]:
        first_s, last_s = spans[other.id]
        apart_s = max(0, first_s - ends_s, begins_s - last_s)
        tight_s = last_s - first_s  # who can be served any time is in nobody's way
        there = travel.keys[f"call:{other.id}"]
        return apart_s, tight_s, int(travel.base_s[row, there])

    same = (
        call.skills | call.equipment,
        {a for n in call.needs for a in n.alternatives},
    )

    def scarce(other: Call) -> bool:
        mine = {a for need in other.needs for a in need.alternatives}
        gear = other.skills | other.equipment
        return not (gear & same[0] or mine & same[1])

    return sorted(others, key=lambda other: (scarce(other), *rank(other)))


def _span(day: Day, call: Call) -> tuple[int, int]:
    """Return when a visit could start at the earliest, and be over at the latest."""
    spans = start_windows(day, call, late=day.promises_may_break)
    if not spans:
        return 0, 0
    length_s = day.planned_s(call)
    return spans[0][0], min(NEVER, spans[-1][1]) + length_s


_NUMBERS: Mapping[int, str] = {2: "two", 3: "three", 4: "four", 5: "five"}


def _tell(day: Day, together: frozenset[str]) -> Conflict:
    ids = tuple(call.id for call in day.calls if call.id in together)
    listed = f"{', '.join(ids[:-1])} and {ids[-1]}"
    if len(ids) == 2:  # noqa: PLR2004 - both of them
        text = f"Calls {listed} cannot both be served: either of them can"
    else:
        few = _NUMBERS.get(len(ids) - 1, str(len(ids) - 1))
        text = f"Calls {listed} cannot all be served: any {few} of them can"
    return Conflict(call_ids=ids, text=text)
