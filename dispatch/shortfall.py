"""Parts in short supply, in a linear programme over routes.

Each need of a call on a van takes one of its choices; no more pieces are taken than
there are aboard, and in the shop for those who load there. In fractions of routes that
says little: half a route that takes six pieces and half a route that takes none take
three, and if three are aboard all seems well. In a plan the one route takes six, three
of them from the shop. So the programme is cut (rounding as by Gomory, and convexity):
what each route takes of some parts *beyond what is aboard* its van, taken together, is
no more than the shop has, unless calls take other parts instead. Which parts and which
needs to count is chosen by the answer that the cut is to forbid.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dispatch.partition import Linear, scarce_needs
from dispatch.problem import (
    CALL,
    HOLDER,
    LOADS,
    NEED_HI,
    NEED_LO,
    STORE_ROW,
    Ints,
    Problem,
)

MISSING = 0.02  # pieces; less is not worth a cut
ADDED = 15  # cuts at once
CONTESTS = 80  # sets of parts looked at


def within_reach(problem: Problem, van: int) -> Ints:
    """Return how many pieces of each part a van could have if nobody else took any.

    Parameters
    ----------
    problem : Problem
        The day.
    van : int
        Row of ``problem.vans``.

    Returns
    -------
    ndarray, shape (parts,)
        Aboard, in the shop if it loads there, and in stores on the way.
    """
    holder = problem.vans[van, HOLDER]
    own = np.where(problem.reused == 1, problem.stock[van], problem.stock[holder])
    shop = problem.stock[len(problem.vans)]
    reach: Ints = own + problem.vans[van, LOADS] * shop
    for row in problem.stores[:, STORE_ROW].tolist():
        reach = reach + problem.stock[row] * (problem.reused == 0)
    return reach


def open_choices(problem: Problem, reach: Ints, need: int) -> list[int]:
    """Return the choices of a need that a van could have if nobody else took any.

    Parameters
    ----------
    problem : Problem
        The day.
    reach : ndarray, shape (parts,)
        Pieces of each part that the van could have, of :func:`within_reach`.
    need : int
        Row of ``problem.needs``.

    Returns
    -------
    list of int
        Rows of ``problem.choices``.
    """
    return [
        choice
        for choice in range(*problem.needs[need].tolist())
        if all(count <= reach[part] for part, count in items_of(problem, choice))
    ]


def items_of(problem: Problem, choice: int) -> list[tuple[int, int]]:
    """Return what a choice is made of.

    Parameters
    ----------
    problem : Problem
        The day.
    choice : int
        Row of ``problem.choices``.

    Returns
    -------
    list of tuple of int
        Parts, each once, and how many pieces.
    """
    used: Counter[int] = Counter()
    for part, count in problem.items[slice(*problem.choices[choice])].tolist():
        used[part] += count
    return sorted(used.items())


class Shortfall(NamedTuple):
    """A cut: what routes take beyond what is aboard comes from the shop.

    Parameters
    ----------
    in_shop : int
        Pieces there.
    pieces : mapping of int to ndarray of shape (calls,)
        What each call takes of them at least, by van; others do not count.
    aboard : mapping of int to int
        Pieces on each of these vans.
    instead : mapping of int to int
        Variables of choices that take none of these parts, and how many pieces they
        save.
    """

    in_shop: int
    pieces: Mapping[int, Ints]
    aboard: Mapping[int, int]
    instead: Mapping[int, int]

    def over(self, van: int, member: Ints) -> Ints:
        """Return how many pieces routes take beyond those aboard.

        Parameters
        ----------
        van : int
            Theirs.
        member : ndarray, shape (routes, calls)
            1 where a route serves a call.

        Returns
        -------
        ndarray, shape (routes,)
            Pieces.
        """
        if van not in self.pieces:
            return np.zeros(len(member), np.int64)
        over: Ints = np.maximum(0, member @ self.pieces[van] - self.aboard[van])
        return over


class _Pick(NamedTuple):
    """A choice of a need of a call on a van: its row, pieces of each part, and cost."""

    van: int
    call: int
    need: int
    link: int
    pieces: Mapping[int, int]
    extra: int


class _Maybe(NamedTuple):
    """A need that may do without some parts: call, pieces, variables of others."""

    call: int
    pieces: int
    instead: tuple[int, ...]


class _Side(NamedTuple):
    """What one van takes of some parts.

    Parameters
    ----------
    van, aboard : int
        The van, and pieces on it.
    from_shop : bool
        It may take those of the shop.
    must : ndarray, shape (calls,)
        Pieces each call takes at least.
    may : tuple of _Maybe
        Further ones.
    """

    van: int
    aboard: int
    from_shop: bool
    must: Ints
    may: tuple[_Maybe, ...]


class _Part(NamedTuple):
    """What a side comes to: pieces missing, and what is counted for that."""

    missing: float
    side: _Side
    pieces: Ints
    instead: dict[int, int]


class Parts:
    """The parts of a programme.

    Parameters
    ----------
    lp : Linear
        Rows and variables are added to it.
    views : mapping of int to Problem
        The day as each kind of van sees it.
    vans : mapping of int to int
        How many there are of each.
    """

    def __init__(
        self, lp: Linear, views: Mapping[int, Problem], vans: Mapping[int, int]
    ) -> None:
        self.links: dict[tuple[int, int], list[int]] = {}  # rows of a call on a van
        self._lp = lp
        self._views = views
        self._vans = vans
        self._picks: list[_Pick] = []
        self._take: list[int] = []  # variable of each pick
        self._contests: list[tuple[int, list[_Side]]] | None = None

    def add(self) -> None:
        """Add them to the programme."""
        for van, view in self._views.items():
            scarce, reach = scarce_needs(view), within_reach(view, van)
            able = view.visits[np.flatnonzero(view.allowed[van]), CALL]
            for call in np.unique(able[able < view.call_count]).tolist():
                needs = range(*view.visits[call, [NEED_LO, NEED_HI]].tolist())
                for need in sorted(scarce.intersection(needs)):
                    self._ask((van, call, need), reach)
        within = [{pick.link: -1} for pick in self._picks]
        loads: dict[tuple[int, int], dict[int, int]] = {}
        for part in sorted({part for pick in self._picks for part in pick.pieces}):
            most = max(pick.pieces.get(part, 0) for pick in self._picks)
            for pack in range(1, most + 1):
                self._limit(part, pack, within, loads)
        for row, pick in zip(within, self._picks, strict=True):
            self._take.append(self._lp.add_variable(pick.extra, row, 1))
        for (van, part), rows in loads.items():
            view = self._views[van]
            self._lp.add_variable(0, rows, int(view.stock[len(view.vans), part]))

    def _ask(self, want: tuple[int, int, int], reach: Ints) -> None:
        """Let a need of a call on a van, within its reach, take one of its choices."""
        van, call, need = want
        view = self._views[van]
        link = self._lp.add_row(0, -1)
        self.links.setdefault((van, call), []).append(link)
        for choice in open_choices(view, reach, need):
            pieces = {
                part: count
                for part, count in items_of(view, choice)
                if not view.reused[part]
            }
            extra = int(view.extra[choice])
            self._picks.append(_Pick(van, call, need, link, pieces, extra))

    def _limit(
        self,
        part: int,
        pack: int,
        within: list[dict[int, int]],
        loads: dict[tuple[int, int], dict[int, int]],
    ) -> None:
        """Limit the whole packs of a part taken to the whole packs there are.

        With packs of one piece this is the stock; larger ones round it down
        (Gomory's cuts): of five pieces only two calls can have two each.
        """
        taken = [
            (pick.van, row, pick.pieces[part] // pack)
            for pick, row in zip(self._picks, within, strict=True)
            if pick.pieces.get(part, 0) >= pack
        ]
        vans = sorted({van for van, _, _ in taken})
        view = next(iter(self._views.values()))
        # Vans that hand each other parts draw on one stock.
        holders = view.vans[:, HOLDER].tolist()
        holder = {
            van: holders[van] if holders.count(holders[van]) > 1 else van
            for van in vans
        }
        aboard = {
            row: int(view.stock[row, part])
            * (self._vans[row] if holders.count(row) == 1 else 1)
            for row in holder.values()
        }
        in_shop = int(view.stock[len(view.vans), part])
        loading = [van for van in vans if view.vans[van, LOADS]]
        limits = {row: self._lp.add_row(aboard[row] // pack, -1) for row in aboard}
        in_all = None
        if in_shop > 0 and loading:
            some = in_shop if pack == 1 else sum(aboard.values()) + in_shop
            in_all = self._lp.add_row(some // pack, -1)
            for van in loading:
                load = loads.setdefault((van, part), {})
                load[limits[holder[van]]] = -1
                if pack == 1:
                    load[in_all] = 1
        for van, row, packs in taken:
            row[limits[holder[van]]] = packs
            if in_all is not None and pack > 1:
                row[in_all] = packs

    # --- cuts -------------------------------------------------------------------------

    def shortfalls(
        self, vans: Ints, member: Ints, shares: NDArray[np.float64]
    ) -> list[Shortfall]:
        """Return cuts that the programme's last answer breaks.

        Parameters
        ----------
        vans : ndarray, shape (routes,)
            Vans of the routes that it uses.
        member : ndarray, shape (routes, calls)
            1 where a route serves a call.
        shares : ndarray, shape (routes,)
            How much of each it uses.

        Returns
        -------
        list of Shortfall
            Those it breaks most, few.
        """
        if self._contests is None:
            self._contests = self._all_contests()
        values = {take: self._lp.value(take) for take in self._take}
        found: list[tuple[float, Shortfall]] = []
        for in_shop, sides in self._contests:
            shared: list[_Part] = []
            for side in sides:
                mine = vans == side.van
                part = _worst(side, member[mine], shares[mine], values)
                if part.missing > MISSING:
                    if side.from_shop:
                        shared.append(part)
                    else:
                        found.append((part.missing, _as_cut(0, [part])))
            missing = sum(part.missing for part in shared) - in_shop
            if missing > MISSING:
                found.append((missing, _as_cut(in_shop, shared)))
        found.sort(key=lambda one: -one[0])
        return [cut for _, cut in found[:ADDED]]

    def _all_contests(self) -> list[tuple[int, list[_Side]]]:
        """Return sets of parts that calls compete for, as what each van takes of them.

        Single parts, all that one need may take, and what two such needs may take
        that have one in common.
        """
        of_need: dict[int, set[int]] = {}
        for pick in self._picks:
            of_need.setdefault(pick.need, set()).update(pick.pieces)
        alone = {frozenset([part]) for parts in of_need.values() for part in parts}
        wide = {frozenset(parts) for parts in of_need.values() if parts}
        pairs = {one | other for one in wide for other in wide if one & other}
        ordered = sorted(alone | wide | pairs, key=lambda one: (len(one), sorted(one)))
        view = next(iter(self._views.values()))
        holders = view.vans[:, HOLDER].tolist()
        own = [van for van in self._vans if holders.count(holders[van]) == 1]
        contests = []
        for parts in ordered[:CONTESTS]:
            in_shop = int(view.stock[len(view.vans), sorted(parts)].sum())
            sides = [self._side(van, parts, in_shop) for van in own]
            contests.append((in_shop, sides))
        return contests

    def _side(self, van: int, parts: Iterable[int], in_shop: int) -> _Side:
        """Return what one van takes of some parts."""
        view, inside = self._views[van], sorted(parts)
        least: dict[tuple[int, int], int] = {}
        instead: dict[tuple[int, int], list[int]] = {}
        for pick, take in zip(self._picks, self._take, strict=True):
            if pick.van != van:
                continue
            want = pick.call, pick.need
            if pieces := sum(pick.pieces.get(part, 0) for part in inside):
                least[want] = min(pieces, least.get(want, pieces))
            else:
                instead.setdefault(want, []).append(take)
        must = np.zeros(view.call_count, np.int64)
        may = []
        for want, pieces in least.items():
            if want in instead:
                may.append(_Maybe(want[0], pieces, tuple(instead[want])))
            else:
                must[want[0]] += pieces
        return _Side(
            van,
            int(view.stock[view.vans[van, HOLDER], inside].sum()),
            bool(view.vans[van, LOADS]) and in_shop > 0,
            must,
            tuple(may),
        )


def _worst(
    side: _Side,
    member: Ints,
    shares: NDArray[np.float64],
    values: Mapping[int, float],
) -> _Part:
    """Choose which needs to count on one van: those with which most is missing.

    Those that must, or all, less those without which more is missing.
    """
    lost = [
        one.pieces * sum(values[variable] for variable in one.instead)
        for one in side.may
    ]

    def missing(counted: Iterable[int]) -> float:
        over = member @ side.must - side.aboard
        for at in counted:
            over = over + side.may[at].pieces * member[:, side.may[at].call]
        return float(shares @ np.maximum(0, over)) - sum(lost[at] for at in counted)

    counted: list[int] = list(range(len(side.may)))
    most = missing(counted)
    for at in sorted(counted, key=lambda at: -lost[at]):
        fewer = [other for other in counted if other != at]
        if (without := missing(fewer)) >= most:
            counted, most = fewer, without
    if (least := missing(())) >= most:
        counted, most = [], least
    pieces = side.must.copy()
    instead: dict[int, int] = {}
    for at in counted:
        pieces[side.may[at].call] += side.may[at].pieces
        instead |= dict.fromkeys(side.may[at].instead, side.may[at].pieces)
    return _Part(most, side, pieces, instead)


def _as_cut(in_shop: int, parts: Sequence[_Part]) -> Shortfall:
    """Return what some vans come to as a cut."""
    return Shortfall(
        in_shop,
        {part.side.van: part.pieces for part in parts},
        {part.side.van: part.side.aboard for part in parts},
        {variable: count for part in parts for variable, count in part.instead.items()},
    )
