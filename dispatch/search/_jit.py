"""The one place where compilation options are chosen.

numba's cache notices edits to a function's own file but not to the files of the
functions it calls, so the cache folder is named after the text of every kernel file
(and of the column layout in ``problem.py``, which is compiled in).
"""

import hashlib
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

import numba

P = ParamSpec("P")
R = TypeVar("R")

_HERE = Path(__file__).parent
# No kernel makes an array or keeps one, so none needs numba's reference counts:
# without them, and without the row views they guard, it ran four times as fast.
# Division by zero cannot happen in integers that are slots and speeds, and checking for
# it costs in the innermost loop.
_OPTIONS: dict[str, Any] = {
    "cache": True,
    "nogil": True,
    "error_model": "numpy",
    "_nrt": False,
}
# Unpacking a day's arrays from Python is more code than most kernels are: those that
# only other kernels call do without, which halves the time to compile. Tests call them.
_OPEN = os.environ.get("KEYROUND_KERNEL_OPEN", "") not in ("", "0")
_INNER = _OPTIONS | {"no_cpython_wrapper": not _OPEN}


def _source_digest() -> str:
    digest = hashlib.sha256()
    for path in [*sorted(_HERE.glob("*.py")), _HERE.parent / "problem.py"]:
        digest.update(path.read_bytes())
    # A bounds-checked build must never be taken for a fast one.
    digest.update(os.environ.get("NUMBA_BOUNDSCHECK", "").encode())
    digest.update(b"open" if _OPEN else b"")
    return digest.hexdigest()[:16]


def _cache_folder() -> Path:
    root = os.environ.get("KEYROUND_KERNEL_CACHE")
    try:
        folder = Path(root) if root else Path.home() / ".cache" / "keyround"
        folder.mkdir(parents=True, exist_ok=True)
        writable = os.access(folder, os.W_OK)
    except (OSError, RuntimeError):  # no home at all
        writable = False
    if not writable:  # plan all the same; only the compilation is lost
        folder = Path(tempfile.mkdtemp(prefix="keyround-kernel-"))
    return folder / _source_digest()


CACHE_FOLDER = _cache_folder()
numba.config.CACHE_DIR = str(CACHE_FOLDER)  # type: ignore[attr-defined]


def is_compiled(name: str) -> bool:
    """Return whether an earlier run has left a compiled kernel to load.

    Parameters
    ----------
    name : str
        The function's name.

    Returns
    -------
    bool
        Also true where nothing is compiled at all.
    """
    return bool(getattr(numba.config, "DISABLE_JIT", False)) or any(
        CACHE_FOLDER.rglob(f"*.{name}-*.nbi")
    )


def entry(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a function that plain Python calls; as :func:`kernel` otherwise.

    Parameters
    ----------
    function : callable
        Takes and returns arrays and numbers only.

    Returns
    -------
    callable
        The same, compiled at its first call.
    """
    compiled: Callable[P, R] = numba.njit(**_OPTIONS)(function)
    return compiled


def kernel(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a function with the project's options: cached, GIL released, exact.

    Parameters
    ----------
    function : callable
        Takes and returns arrays and numbers only.

    Returns
    -------
    callable
        The same, compiled at its first call.
    """
    compiled: Callable[P, R] = numba.njit(**_INNER)(function)
    return compiled


def leaf(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a small function into its callers: a day's arrays are many words.

    Parameters
    ----------
    function : callable
        Takes and returns arrays and numbers only.

    Returns
    -------
    callable
        The same, part of each compiled function that calls it.
    """
    compiled: Callable[P, R] = numba.njit(forceinline=True, **_INNER)(function)
    return compiled
