"""The kinds of work as text: figures, and where they come from."""

import textwrap
from collections.abc import Iterable, Mapping

from shared.model import Caution, Kind
from shared.units import minutes

COLUMNS = 79
INDENT = 12


def kinds_text(kinds: Iterable[Kind], cautions: Mapping[str, Caution]) -> str:
    """Return the kinds of work as text of at most 79 columns.

    Parameters
    ----------
    kinds : iterable of Kind
        In the order to print.
    cautions : mapping of str to Caution
        By id; the kinds refer to them.

    Returns
    -------
    str
        One paragraph per kind, then the cautions.
    """
    blocks = [_kind(kind) for kind in kinds]
    blocks.append(
        "\n".join(
            ["Cautions", *(_caution(key, each) for key, each in cautions.items())]
        )
    )
    return "\n\n".join(blocks)


def _kind(kind: Kind) -> str:
    length = (
        f"half under {minutes(kind.median_s)}, nine in ten under {minutes(kind.p90_s)}"
    )
    rows = {
        "length": length,
        "skills": ", ".join(sorted(kind.skills)),
        "equipment": ", ".join(sorted(kind.equipment)),
        "ready": ", ".join(item.kind for item in kind.ready),
        "cautions": ", ".join(kind.cautions),
        "source": kind.source,
    }
    lines = [_row(name, words) for name, words in rows.items() if words]
    return "\n".join([f"{kind.id}: {kind.name}", *lines])


def _caution(key: str, caution: Caution) -> str:
    source = f" [{caution.source}]" if caution.source else ""
    return textwrap.fill(
        f"{key}: {caution.text}{source}",
        COLUMNS,
        initial_indent="  ",
        subsequent_indent="    ",
    )


def _row(name: str, words: str) -> str:
    return textwrap.fill(
        words,
        COLUMNS,
        initial_indent=f"  {name:<{INDENT - 2}}",
        subsequent_indent=" " * INDENT,
    )
