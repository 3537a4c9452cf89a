"""The store: transactions on SQLite or PostgreSQL, and a module of queries per matter.

Queries are plain functions of a :class:`Transaction`; they return frozen data, never
rows. What is checked before something is written is the desk's business, except what
the database's own constraints keep.
"""

from api.store.engine import SqlStore, Transaction, open_store

__all__ = ["SqlStore", "Transaction", "open_store"]
