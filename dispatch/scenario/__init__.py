"""A day as a folder of files that any spreadsheet or editor opens.

The format is described in ``demo_scenarios/README.md``. Reading collects every
fault of the whole folder into one :class:`~shared.errors.InvalidInput`.
"""

from dispatch.scenario.facts import add_facts, read_facts, read_happened, write_facts
from dispatch.scenario.joblog import read_log_for_planning
from dispatch.scenario.places import (
    PINS,
    Finder,
    Locator,
    Look,
    Server,
    open_lists,
    pins_text,
    point_from,
    server_url,
)
from dispatch.scenario.read import (
    find_in,
    read_caller,
    read_scenario,
    resolve_traffic,
)
from dispatch.scenario.source import find_dialect
from dispatch.scenario.uses import read_shelves
from dispatch.scenario.write import write_scenario

__all__ = [
    "PINS",
    "Finder",
    "Locator",
    "Look",
    "Server",
    "add_facts",
    "find_dialect",
    "find_in",
    "open_lists",
    "pins_text",
    "point_from",
    "read_caller",
    "read_facts",
    "read_happened",
    "read_log_for_planning",
    "read_scenario",
    "read_shelves",
    "resolve_traffic",
    "server_url",
    "write_facts",
    "write_scenario",
]
