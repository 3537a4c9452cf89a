"""Turns an answer into what a person or a program reads."""

from dispatch.report.folder import write_all

__all__ = ["write_all"]
