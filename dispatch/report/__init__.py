"""Turns an answer into what a person or a program reads."""

from dispatch.report.folder import (
    write_all,
    write_files,
    write_outlook,
    write_shelves,
)

__all__ = ["write_all", "write_files", "write_outlook", "write_shelves"]
