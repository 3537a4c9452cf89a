"""Shared tools that change hands at the shop in the middle of the day.

Within one search a tool stays with one van. Where that leaves calls out, the day is
rearranged and searched again: the van that has the tool first brings it back on a visit
of its own, the other one collects it on another, and links put its calls before the
one and behind the other. What comes of it is a plan of the real day.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from dispatch.travel import TravelTable
from shared.model import Call, Day, Link, Route, Tool, Van, Window

LAST = 5  # priority of bringing and collecting: below that of any call


class Handover(NamedTuple):
    """One tool that goes from one van to another.

    Parameters
    ----------
    tool_id : str
        The tool.
    giver, taker : str
        Van ids: who has it first, and who collects it.
    before, after : frozenset of str
        Calls that the giver and the taker use it for.
    """

    tool_id: str
    giver: str
    taker: str
    before: frozenset[str]
    after: frozenset[str]

    @property
    def bring_id(self) -> str:
        """Id of the visit on which the tool is brought back.

        Returns
        -------
        str
            No call of a folder has it: ids hold no bar.
        """
        return f"bring|{self.tool_id}"

    @property
    def collect_id(self) -> str:
        """Id of the visit on which the tool is collected.

        Returns
        -------
        str
            As :attr:`bring_id`.
        """
        return f"collect|{self.tool_id}"


def find_handovers(day: Day, routes: Sequence[Route]) -> Iterator[Handover]:
    """Yield what might place a call that a plan leaves out for want of a tool.

    Parameters
    ----------
    day : Day
        The day.
    routes : sequence of Route
        Routes of a plan in which every tool stays with one van.

    Yields
    ------
    Handover
        First with the tool where it is now, then the other way round.
    """
    if day.shop.restock_s is None:
        return
    calls = {call.id: call for call in day.calls}
    vans = {van.id: van for van in day.vans}
    placed = {call_id for route in routes for call_id in route.call_ids}
    for tool in day.tools:
        if not tool.handover:
            continue
        waiting = [
            call
            for call in day.calls
            if call.id not in placed and tool.id in call.equipment
        ]
        for route in routes:
            holder = vans[route.van_id]
            mine = frozenset(
                call_id
                for call_id in route.call_ids
                if tool.id in calls[call_id].equipment - holder.equipment
            )
            for van in day.vans:
                theirs = _able(van, waiting, tool)
                if mine and theirs and van.id != holder.id:
                    yield Handover(tool.id, holder.id, van.id, mine, theirs)
                    yield Handover(tool.id, van.id, holder.id, theirs, mine)


def _able(van: Van, calls: Iterable[Call], tool: Tool) -> frozenset[str]:
    """Return the calls that a van could serve if it carried the tool."""
    if not van.loads_at_shop:
        return frozenset()
    return frozenset(
        call.id
        for call in calls
        if call.skills <= van.skills
        and call.equipment - {tool.id} <= van.equipment
        and call.required_van in (None, van.id)
    )


def arrange(day: Day, handover: Handover) -> Day:
    """Return the day with the two visits at the shop as calls, and links to them.

    Parameters
    ----------
    day : Day
        The day; its shop has a length of stay.
    handover : Handover
        Who has the tool when.

    Returns
    -------
    Day
        The shop is no place to fetch parts on the way there: a van stops once at most.
    """
    tool_id = handover.tool_id
    owner = dict.fromkeys(handover.before, handover.giver)
    owner |= dict.fromkeys(handover.after, handover.taker)
    calls = [
        replace(call, equipment=call.equipment - {tool_id}, required_van=owner[call.id])
        if call.id in owner
        else call
        for call in day.calls
    ]
    stay_s = day.shop.restock_s or 0
    opening: tuple[Window, ...] = (
        () if day.shop.opening is None else (day.shop.opening,)
    )
    calls += [
        Call(
            id=visit_id,
            place=day.shop.place,
            kind="",
            median_s=stay_s,
            p90_s=stay_s,
            windows=opening,
            priority=LAST,
            required_van=van_id,
        )
        for visit_id, van_id in (
            (handover.bring_id, handover.giver),
            (handover.collect_id, handover.taker),
        )
    ]
    links = [
        *(Link(first=id_, then=handover.bring_id) for id_ in sorted(handover.before)),
        Link(first=handover.bring_id, then=handover.collect_id),
        *(Link(first=handover.collect_id, then=id_) for id_ in sorted(handover.after)),
    ]
    tools = [
        replace(tool, quantity=tool.quantity - (tool.id == tool_id))
        for tool in day.tools
    ]
    vans = [
        # Neither driver is quicker or slower at handing over a tool.
        replace(van, pace={**van.pace, "": 1.0}) if van.pace else van
        for van in day.vans
    ]
    return replace(
        day,
        calls=tuple(calls),
        vans=tuple(vans),
        links=(*day.links, *links),
        tools=tuple(tool for tool in tools if tool.quantity > 0),
        shop=replace(day.shop, restock_s=None),
    )


def arrange_travel(travel: TravelTable, calls: int, handover: Handover) -> TravelTable:
    """Return the drives of an arranged day: its two visits are at the shop.

    Parameters
    ----------
    travel : TravelTable
        Drives of the real day.
    calls : int
        How many calls the real day has.
    handover : Handover
        As in :func:`arrange`.

    Returns
    -------
    TravelTable
        With the two visits behind the other calls.
    """
    shop = travel.keys["shop"]
    keys = list(travel.keys)
    visits = [f"call:{id_}" for id_ in (handover.bring_id, handover.collect_id)]
    names = [*keys[:calls], *visits, *keys[calls:]]
    rows = [*range(calls), shop, shop, *range(calls, len(keys))]
    return travel._replace(
        keys={name: row for row, name in enumerate(names)},
        base_s=travel.base_s[np.ix_(rows, rows)],
        distance_m=travel.distance_m[np.ix_(rows, rows)],
    )
