"""The trade's tables: kinds of work, cautions, traffic profiles.

The figures live in the TOML files beside this module, each with its source or
marked 'common practice, no source'.
"""

import tomllib
from decimal import Decimal
from functools import cache
from importlib import resources
from typing import Any

from shared.model import Caution, Kind, ReadyItem, ReadyKind, Traffic

HELD = "held"
"""Id of the kind that is no work: time kept free for an urgent call."""


def _table(name: str) -> dict[str, Any]:
    """Return one of the tables beside this module."""
    text = resources.files(__name__).joinpath(name).read_text(encoding="utf-8")
    return tomllib.loads(text, parse_float=Decimal)


@cache
def ready_items() -> dict[ReadyKind, ReadyItem]:
    """Return what can have to be ready, each open, with its usual owner and cost.

    Returns
    -------
    dict of ReadyKind to ReadyItem
        One for every kind, in the order of :class:`~shared.model.ReadyKind`.
    """
    table = _table("kinds.toml")["ready"]
    return {
        kind: ReadyItem(
            kind=kind,
            owner=table[kind]["owner"],
            cost_cents=int(table[kind]["cost"] * 100),
            lead_time_s=int(table[kind]["lead_h"] * 3600),
            note=table[kind]["note"],
        )
        for kind in ReadyKind
    }


@cache
def kinds() -> dict[str, Kind]:
    """Return the kinds of work.

    Returns
    -------
    dict of str to Kind
        By id, in the order of the table.
    """
    usual = ready_items()
    return {
        key: Kind(
            id=key,
            name=row["name"],
            median_s=row["median_min"] * 60,
            p90_s=row["p90_min"] * 60,
            skills=frozenset(row["skills"]),
            equipment=frozenset(row["equipment"]),
            ready=tuple(usual[kind] for kind in ReadyKind if kind in row["ready"]),
            cautions=tuple(row["cautions"]),
            source=row["source"],
        )
        for key, row in _table("kinds.toml")["kinds"].items()
    }


@cache
def work() -> dict[str, Kind]:
    """Return the kinds that customers ring for.

    Returns
    -------
    dict of str to Kind
        All but ``HELD``, in the order of the table.
    """
    return {key: kind for key, kind in kinds().items() if key != HELD}


@cache
def cautions() -> dict[str, Caution]:
    """Return the cautions.

    Returns
    -------
    dict of str to Caution
        By id, in the order of the table.
    """
    return {
        key: Caution(
            id=key,
            text=row["text"],
            source=row["source"],
            emergency=row.get("emergency", False),
        )
        for key, row in _table("cautions.toml")["cautions"].items()
    }


@cache
def traffic_profiles() -> dict[str, Traffic]:
    """Return the traffic profiles on the *local clock*: 24 hours of slots.

    A day that the clock change makes 23 or 25 hours long needs them resolved into
    elapsed seconds first: :func:`dispatch.scenario.resolve_traffic`.

    Returns
    -------
    dict of str to Traffic
        By name; ``slot_s`` times the number of slots is 24 hours.
    """
    return {
        key: Traffic(
            slot_s=row["slot_min"] * 60,
            speed_permille=tuple(row["speed_permille"]),
            source=f"profile '{key}': {row['source']}",
        )
        for key, row in _table("traffic.toml")["traffic"].items()
    }


@cache
def traffic_scatter() -> float:
    """Return how much a day's driving time varies where no log says it.

    Returns
    -------
    float
        Standard deviation of the logarithm: 0.15 is about 15 %.
    """
    return float(_table("traffic.toml")["scatter"]["day"]["log"])


@cache
def code_fails() -> tuple[float, int]:
    """Return how often a code cannot be read from the vehicle, where no log says it.

    Returns
    -------
    tuple of (float, int)
        The chance, and the seconds that are lost then.
    """
    row = _table("kinds.toml")["unread"]["code"]
    return float(row["chance"]), row["lost_min"] * 60
