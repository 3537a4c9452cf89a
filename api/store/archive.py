"""Everything in the store as lines of JSON, for a backup that any store takes back."""

import base64
import json
from collections.abc import Iterable, Iterator
from typing import Any

import sqlalchemy as sa

from api import tables
from api.store.engine import Transaction
from shared.errors import Conflict, Fault, InvalidInput

FORMAT = "keyround backup"
_SUMS = tables.balances  # made anew from what moved
_ONCE = 500  # rows written at once


def dump(transaction: Transaction) -> Iterator[str]:
    """Write everything out.

    Parameters
    ----------
    transaction : Transaction
        One moment.

    Yields
    ------
    str
        A line each: first what it is, then a row each, last how many there were.
    """
    yield json.dumps({"format": FORMAT, "version": 1})
    count = 0
    for table in tables.METADATA.sorted_tables:
        if table is _SUMS:
            continue
        for row in transaction.connection.execute(sa.select(table)):
            yield json.dumps([table.name, [_plain(value) for value in row]])
            count += 1
    yield json.dumps({"rows": count})


def _plain(value: object) -> object:
    if isinstance(value, bytes):
        return {"base64": base64.b64encode(value).decode()}
    return value


def restore(transaction: Transaction, lines: Iterable[str]) -> int:
    """Take everything back into an empty store.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    lines : iterable of str
        As :func:`dump` writes them.

    Returns
    -------
    int
        How many rows.

    Raises
    ------
    Conflict
        When the store is not empty.
    InvalidInput
        When these are not the lines of a whole backup.
    """
    connection = transaction.connection
    for table in (tables.days, tables.keys):
        if connection.execute(sa.select(table).limit(1)).first() is not None:
            raise Conflict("there is something in this store: restore into a new one")
    for table in (tables.feed, tables.events):
        connection.execute(sa.delete(table))
    try:
        return _restore(connection, iter(lines))
    except (LookupError, TypeError, ValueError, StopIteration) as error:
        fault = Fault(
            file="backup", got=type(error).__name__, expected="a whole backup file"
        )
        raise InvalidInput([fault]) from error


def _restore(connection: sa.Connection, lines: Iterator[str]) -> int:
    if json.loads(next(lines)).get("format") != FORMAT:
        raise ValueError("no backup")
    known = {table.name: table for table in tables.METADATA.sorted_tables}
    waiting: list[dict[str, Any]] = []
    table: sa.Table | None = None

    def write() -> None:
        if table is not None and waiting:
            connection.execute(sa.insert(table), waiting)
            waiting.clear()

    for count, line in enumerate(lines):
        entry = json.loads(line)
        if isinstance(entry, dict):
            write()
            if entry["rows"] != count:
                raise ValueError("rows are missing")
            return count
        name, values = entry
        if known[name] is not table or len(waiting) >= _ONCE:
            write()
            table = known[name]
        row = zip(table.c.keys(), map(_value, values), strict=True)
        waiting.append(dict(row))
    raise ValueError("its end is missing")


def _value(value: object) -> object:
    return base64.b64decode(value["base64"]) if isinstance(value, dict) else value
