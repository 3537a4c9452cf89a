"""Lines for a terminal: no wider than it is, in characters that it can write."""

import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from dispatch.report.words import clean
from shared.model import Caution

NARROWEST = 72

_BOLD, _PLAIN = "\x1b[1m", "\x1b[0m"
# The few characters of our own that not every terminal can write.
_SIMPLER = str.maketrans({"─": "-", "\u00d7": "x", "\u00b7": "-", "“": '"', "”": '"'})


def measure(text: str) -> int:
    """Return how many terminal columns a text takes.

    Parameters
    ----------
    text : str
        One line.

    Returns
    -------
    int
        Columns: wide East Asian characters are two, combining marks none.
    """
    if text.isascii():
        return len(text)
    return sum(
        0
        if unicodedata.category(character) in {"Mn", "Me", "Cf"}
        else 2
        if unicodedata.east_asian_width(character) in "WF"
        else 1
        for character in text
    )


def wrap(text: str, width: int) -> list[str]:
    """Return a text broken into lines that fit, at spaces where there are any.

    Parameters
    ----------
    text : str
        Any text; it is cleaned first.
    width : int
        Columns, at least 2.

    Returns
    -------
    list of str
        At least one line. A word longer than a line is broken, never cut off.
    """
    lines: list[str] = []
    line = ""
    for word in clean(text).split(" "):
        joined = f"{line} {word}" if line else word
        if measure(joined) <= width:
            line = joined
            continue
        if line:
            lines.append(line)
        *full, line = _chop(word, width)
        lines.extend(full)
    return [*lines, line]


def _chop(word: str, width: int) -> Iterator[str]:
    piece = ""
    for character in word:
        if piece and measure(piece + character) > width:
            yield piece
            piece = ""
        piece += character
    yield piece


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    title : str
        Its head.
    width : int
        Columns of the terminal; 0 takes what the others leave.
    right : bool
        Whether its cells stand on the right.
    """

    title: str
    width: int
    right: bool = False


class Page:
    """Collects lines that are at most ``width`` columns wide.

    Parameters
    ----------
    width : int
        Columns; less than ``NARROWEST`` is taken as that.
    encoding : str
        What the reader can show.
    bold : bool
        Whether headings carry terminal codes for bold.
    """

    def __init__(self, width: int, encoding: str, *, bold: bool) -> None:
        self.width = max(width, NARROWEST)
        self._encoding = encoding
        self._bold = bold
        self._lines: list[str] = []
        self._rule = self.spell("─" * self.width)

    def spell(self, text: str) -> str:
        """Return text in characters that the terminal can write.

        Parameters
        ----------
        text : str
            Any text; it is cleaned first.

        Returns
        -------
        str
            Others are written in simpler ones.
        """
        text = clean(text)
        if text.isascii():
            return text
        for simpler in (text, text.translate(_SIMPLER)):
            try:
                simpler.encode(self._encoding)
            except UnicodeEncodeError:
                continue
            return simpler
        plain = unicodedata.normalize("NFKD", text.translate(_SIMPLER))
        return (
            "".join(
                character for character in plain if not unicodedata.combining(character)
            )
            .encode(self._encoding, "backslashreplace")
            .decode(self._encoding)
        )

    def gap(self) -> None:
        """Leave one line free, but none under a heading."""
        if self._lines and self._lines[-1] not in {"", self._rule}:
            self._lines.append("")

    def say(
        self,
        text: str,
        indent: int = 0,
        hang: int = 0,
        *,
        mark: str = "",
        bold: bool = False,
    ) -> None:
        """Write a paragraph.

        Parameters
        ----------
        text : str
            Any text.
        indent, hang : int
            Columns left free before the first line, and how many more before others.
        mark : str
            Stands in the indent of the first line.
        bold : bool
            Whether it is bold where headings are.
        """
        start = mark.ljust(indent)
        for line in wrap(self.spell(text), self.width - indent - hang):
            self._write(start + line, bold=bold)
            start = " " * (indent + hang)

    def exact(self, text: str, indent: int = 0) -> None:
        """Write one line that is there to be copied: it is never broken.

        Parameters
        ----------
        text : str
            Without a line break.
        indent : int
            Columns left free before it.
        """
        self._write(" " * indent + self.spell(text))

    def head(self, title: str) -> None:
        """Write a section's heading with a rule below.

        Parameters
        ----------
        title : str
            The heading.
        """
        self.gap()
        self.say(title, bold=True)
        self._write(self._rule)

    def grid(self, cells: Sequence[str], columns: Sequence[int]) -> None:
        """Write short facts side by side, or one after another.

        Parameters
        ----------
        cells : sequence of str
            The facts; empty ones are left out.
        columns : sequence of int
            Where each begins, where all fit.
        """
        line, fits = "", True
        for cell, column in zip(cells, columns, strict=False):
            if cell:
                fits = fits and measure(line) < column
                line = line + " " * (column - measure(line)) + self.spell(cell)
        if fits and measure(line) <= self.width:
            self._write(line)
        else:
            self.say("; ".join(cell for cell in cells if cell), columns[0])

    def table(
        self, columns: Sequence[Column], rows: Iterable[Sequence[str]], indent: int = 2
    ) -> None:
        """Write a table.

        Parameters
        ----------
        columns : sequence of Column
            Its columns.
        rows : iterable of sequence of str
            A cell for each; a long one goes on in the lines below.
        indent : int
            Columns left free before it.
        """
        spare = self.width - indent - 2 * (len(columns) - 1)
        spare -= sum(column.width for column in columns)
        widths = [column.width or spare for column in columns]
        for row in ([column.title for column in columns], *rows):
            wrapped = [
                wrap(self.spell(cell), width)
                for cell, width in zip(row, widths, strict=True)
            ]
            for number in range(max(map(len, wrapped))):
                cells = []
                for column, lines, width in zip(columns, wrapped, widths, strict=True):
                    words = lines[number] if number < len(lines) else ""
                    space = " " * (width - measure(words))
                    cells.append(space + words if column.right else words + space)
                self._write(" " * indent + "  ".join(cells))

    def _write(self, line: str, *, bold: bool = False) -> None:
        line = line.rstrip()
        self._lines.append(f"{_BOLD}{line}{_PLAIN}" if bold and self._bold else line)

    def text(self) -> str:
        """Return all lines.

        Returns
        -------
        str
            Each with its end.
        """
        return "\n".join(self._lines).strip("\n") + "\n"


def alarm(page: Page, cautions: Iterable[Caution]) -> None:
    """Write those cautions that come before anything else.

    Parameters
    ----------
    page : Page
        Where.
    cautions : iterable of Caution
        Others among them are left out.
    """
    for caution in cautions:
        if caution.emergency:
            page.gap()
            page.say(f"EMERGENCY FIRST. {caution.text}", hang=2, bold=True)
