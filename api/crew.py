"""Who works out what has to be answered now: in a process of its own, kept warm.

A request that asks for options waits for its answer, but the process that takes
requests never computes them: it would answer nobody else meanwhile, and a crash would
take the whole service down.
"""

import gc
import os
import threading
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import active_children, get_context
from typing import TypeVar

from shared.errors import Unavailable

T = TypeVar("T")
PATIENCE_S = 60  # an answer that takes longer is none; the first one compiles


class Here:
    """Works in the same process: for tests."""

    def call(self, work: Callable[..., T], *given: object) -> T:
        """Do some work.

        Parameters
        ----------
        work : callable
            A function of a module.
        *given : object
            What it is given.

        Returns
        -------
        any
            What it returns.
        """
        return work(*given)

    def close(self) -> None:
        """Do nothing."""


class Pool:
    """Works in a child process; a new one is made where it dies.

    Parameters
    ----------
    prepare : callable, optional
        What a child does first, before anybody waits for it.
    """

    def __init__(self, prepare: Callable[[], object] | None = None) -> None:
        self._prepare = get_ready if prepare is None else prepare
        self._lock = threading.Lock()
        self._pool = self._make()

    def _make(self) -> ProcessPoolExecutor:
        pool = ProcessPoolExecutor(
            max_workers=1,
            mp_context=get_context("spawn"),
            initializer=end_with,
            initargs=(os.getpid(),),
        )
        self._prepared = pool.submit(self._prepare)
        return pool

    def call(self, work: Callable[..., T], *given: object) -> T:
        """Do some work.

        Parameters
        ----------
        work : callable
            A function of a module.
        *given : object
            What it is given.

        Returns
        -------
        any
            What it returns.

        Raises
        ------
        Unavailable
            When the child died, or takes too long.
        """
        pool = self._pool
        try:
            return pool.submit(work, *given).result(PATIENCE_S)
        except BrokenProcessPool:
            with self._lock:
                if self._pool is pool:
                    pool.shutdown(wait=False)
                    self._pool = self._make()
            raise Unavailable("this could not be worked out just now") from None
        except TimeoutError:
            why = "this takes too long just now"
            if not self._prepared.done():
                why = "the service gets ready, which takes minutes on its first day"
            raise Unavailable(why) from None

    def close(self) -> None:
        """End the child, whatever it is at: getting ready can take minutes."""
        self._pool.shutdown(wait=False, cancel_futures=True)
        for child in active_children():
            child.terminate()


def get_ready() -> None:
    """Do in the child what takes long once, before anybody waits for it."""
    from api.telephone import rehearse  # noqa: PLC0415 - in the child alone
    from dispatch.partition import load_cp_model  # noqa: PLC0415

    load_cp_model()
    rehearse()
    keep_what_is_loaded()


def keep_what_is_loaded() -> None:
    """Leave what is in memory now out of every later look for rubbish.

    Modules and tables stay for ever: to look through all of them again and again costs
    a tenth of a second each time, while somebody waits.
    """
    gc.collect()
    gc.freeze()


def end_with(parent: int) -> None:
    """End this process as soon as another one is no longer its parent.

    Parameters
    ----------
    parent : int
        Its process id.
    """

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(1)
        os._exit(0)

    threading.Thread(target=watch, daemon=True).start()
