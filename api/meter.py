"""How far the search is, and how it ends: the clock and Ctrl-C at the edge."""

import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from types import FrameType, TracebackType
from typing import TYPE_CHECKING, Self, TextIO

from shared.units import money

if TYPE_CHECKING:  # the planner pulls in the compiled kernel: only when it is used
    from dispatch.planner import Progress

PATIENCE_S = 1.0  # nobody needs to be told about less
SPARSEST_S = 30.0
COLUMNS = 79
COMPILING = "compiling"  # the phase before the first search on a machine


class Meter:
    """Tells on a stream how far the search is, from the second second on.

    On a terminal one line is rewritten; elsewhere lines come sparser and sparser,
    after 1, 2, 4, ... and then every 30 seconds.

    Parameters
    ----------
    stream : TextIO or None
        Where to tell it, usually stderr; ``None``: nowhere.
    live : bool
        Whether a line can be rewritten there.
    limit_s : float, optional
        How long the search was told to take, if it was.
    """

    def __init__(
        self, stream: TextIO | None, *, live: bool, limit_s: float | None = None
    ) -> None:
        self._stream = stream
        self._live = live
        self._limit_s = limit_s
        self._begun_s: float | None = None  # when compiling was over
        self._due_s = PATIENCE_S
        self._open = False  # a rewritten line stands without its newline
        self._compiling = False

    def __call__(self, progress: "Progress") -> None:
        """Take one report of the planner."""
        if progress.phase == COMPILING:
            self._begun_s = None
            if not self._compiling:
                self._compiling = True
                # Measured in November 2026 on 2 cores: 4 s for a day small enough to
                # be proved best, 21 s where it is searched as well.
                # Small and large days need different parts, so it can come twice.
                self.say(
                    "this part of the planner is new on this machine: getting it "
                    "ready, 5 to 25 seconds"
                )
            return
        if self._begun_s is None and (progress.rounds or not self._compiling):
            self._begun_s = progress.seconds if self._compiling else 0.0
        seconds = progress.seconds - (self._begun_s or 0.0)
        if seconds < self._due_s:
            return
        line = self.line(progress, seconds, self._limit_s)
        if self._live:
            self._write(f"\r{line:<{COLUMNS}}")
            self._open = True
            return
        self._write(f"{line}\n")
        while self._due_s <= seconds:
            self._due_s += min(self._due_s, SPARSEST_S)

    @staticmethod
    def line(progress: "Progress", seconds: float, limit_s: float | None = None) -> str:
        """Return one report in words.

        Parameters
        ----------
        progress : Progress
            The planner's report.
        seconds : float
            Since the search began.
        limit_s : float, optional
            How long it was told to take.

        Returns
        -------
        str
            At most 79 columns.
        """
        done = f"round {progress.rounds:,}"
        if progress.total_rounds:
            done = f"{100 * progress.rounds // progress.total_rounds} %"
        time_s = f"{seconds:.0f}"
        if limit_s is not None:
            time_s = f"{min(seconds, limit_s):.0f} of {limit_s:g}"
        return (
            f"{progress.phase}: {time_s} s, {done}; best so far: "
            f"{progress.unplaced} unplaced, cost {money(progress.cost_cents)}"
        )[:COLUMNS]

    def say(self, words: str) -> None:
        """Write one line of its own.

        Parameters
        ----------
        words : str
            The line, without its newline.
        """
        self.clear()
        self._write(f"{words}\n")

    def clear(self) -> None:
        """Wipe the rewritten line, so that what follows starts on a clean one."""
        if self._open:
            self._write(f"\r{'':<{COLUMNS}}\r")
            self._open = False

    def _write(self, words: str) -> None:
        if self._stream is None:
            return
        try:
            self._stream.write(words)
            self._stream.flush()
        except (OSError, ValueError):  # a plan is not lost because nobody listens
            self._stream = None


class Stopwatch:
    """The planner's ``spent``: which share of the time for the search has passed.

    It starts when the planner asks for the first time: compiling before that is not
    the search's fault.

    Parameters
    ----------
    seconds : float
        The time, positive.
    clock : callable, optional
        Seconds, never backwards.
    """

    def __init__(
        self, seconds: float, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._seconds = seconds
        self._clock = clock
        self._begun: float | None = None

    def __call__(self) -> float:
        """Return the share, 0 to 1."""
        now = self._clock()
        if self._begun is None:
            self._begun = now
        return min(1.0, (now - self._begun) / self._seconds)


def call_out(words: str) -> None:
    """Write a line to stderr from a signal handler.

    Python's own stderr may be in the middle of another line and refuses a second
    one then, so this goes past it.

    Parameters
    ----------
    words : str
        The line.
    """
    if sys.__stderr__ is not None:
        with suppress(OSError):
            os.write(sys.__stderr__.fileno(), f"\n{words}\n".encode())


class Halt:
    """The planner's ``stop``: true after Ctrl-C.

    As a context it listens to Ctrl-C: the first one asks the search to end with
    its best plan so far, the second one breaks off (``KeyboardInterrupt``).

    Parameters
    ----------
    say : callable, optional
        Says that Ctrl-C was heard; it is called from a signal handler.
    """

    def __init__(self, *, say: Callable[[str], None] = call_out) -> None:
        self._say = say
        self._before: object = None
        self.heard = False

    def __call__(self) -> bool:
        """Return whether the search shall end now."""
        return self.heard

    def hear(self, number: int = 0, frame: FrameType | None = None) -> None:
        """Take Ctrl-C; the arguments are the signal's and not used.

        Parameters
        ----------
        number : int
            The signal.
        frame : FrameType or None
            Where the program was.

        Raises
        ------
        KeyboardInterrupt
            The second time.
        """
        del number, frame
        if self.heard:
            raise KeyboardInterrupt
        self.heard = True
        self._say("Ctrl-C: finishing with the best plan so far (again: break off)")

    def __enter__(self) -> Self:
        """Listen to Ctrl-C."""
        if threading.current_thread() is threading.main_thread():
            self._before = signal.signal(signal.SIGINT, self.hear)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Give Ctrl-C back."""
        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)  # type: ignore[arg-type]
            self._before = None


def stderr_meter(*, quiet: bool, limit_s: float | None = None) -> Meter:
    """Return a meter on this process's stderr, or a mute one.

    Parameters
    ----------
    quiet : bool
        Mute.
    limit_s : float, optional
        How long the search was told to take, if it was.

    Returns
    -------
    Meter
        Rewrites its line where stderr is a terminal.
    """
    stream = None if quiet else sys.stderr
    live = stream is not None and stream.isatty()
    return Meter(stream, live=live, limit_s=limit_s)
