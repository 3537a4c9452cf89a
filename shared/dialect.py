"""How a firm's own spreadsheet writes its tables."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """What stands between the cells of a table, and before decimals.

    Parameters
    ----------
    separator : str
        Comma, semicolon or tab.
    decimal : str
        Full stop or comma.
    """

    separator: str = ","
    decimal: str = "."


USUAL = Dialect()
