"""From places to driving times: distance, free flow, and the time of day.

A day's nodes are named ``call:<id>``, ``shop``, ``start:<van id>`` and
``finish:<van id>``; a van that starts or finishes anywhere has no such node.
"""

from dispatch.travel.roads import Legs, Roads
from dispatch.travel.straight import StraightLine
from dispatch.travel.streets import unasked
from dispatch.travel.table import (
    TravelTable,
    extend_table,
    measure_between,
    nodes_of,
    roads_of,
    strip_walks,
    travel_table,
)

__all__ = [
    "Legs",
    "Roads",
    "StraightLine",
    "TravelTable",
    "extend_table",
    "measure_between",
    "nodes_of",
    "roads_of",
    "strip_walks",
    "travel_table",
    "unasked",
]
