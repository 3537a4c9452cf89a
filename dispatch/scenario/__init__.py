"""A day as a folder of files that any spreadsheet or editor opens.

The format is described in ``demo_scenarios/README.md``. Reading collects every
fault of the whole folder into one :class:`~shared.errors.InvalidInput`.
"""

from dispatch.scenario.facts import read_facts, read_happened, write_facts
from dispatch.scenario.read import read_caller, read_scenario, resolve_traffic
from dispatch.scenario.source import find_dialect
from dispatch.scenario.uses import read_shelves
from dispatch.scenario.write import write_scenario

__all__ = [
    "find_dialect",
    "read_caller",
    "read_facts",
    "read_happened",
    "read_scenario",
    "read_shelves",
    "resolve_traffic",
    "write_facts",
    "write_scenario",
]
