"""The compiled search: arrays and integers in, arrays and integers out."""

from dispatch.search._jit import is_compiled

__all__ = ["is_compiled"]
