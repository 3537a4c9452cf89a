"""Benchmarks: run by hand, printed as tables, no part of the tests."""
