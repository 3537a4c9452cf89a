"""The rows of one day, all of them, out and in again."""

import base64
from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from api import tables
from api.records import day_from, from_text
from api.store.engine import Transaction
from dispatch.report.livedata import RingDocument
from shared.errors import Fault, InvalidInput
from shared.facts import Fact
from shared.model import Call, Part, Plan, Store, Van

# In the order in which they can be written. Codes stay where their key is; sums are
# made anew from what moved.
_TABLES = (
    tables.days,
    tables.day_files,
    tables.calls,
    tables.vans,
    tables.parts,
    tables.stores,
    tables.plans,
    tables.stands,
    tables.placements,
    tables.sheets,
    tables.facts,
    tables.movements,
    tables.rings,
)
_BODIES: Mapping[str, Any] = {
    "calls": Call,
    "vans": Van,
    "parts": Part,
    "stores": Store,
    "plans": Plan,
    "facts": Fact,
    "rings": RingDocument,
}


def read_rows(transaction: Transaction, day_id: str) -> dict[str, list[dict[str, Any]]]:
    """Read all rows of a day.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Its date.

    Returns
    -------
    dict of str to list of dict
        By table; bytes in base64. Jobs, inquiries, codes and who may are not among
        them.
    """
    found: dict[str, list[dict[str, Any]]] = {}
    for table in _TABLES:
        key = table.c.id if table is tables.days else table.c.day_id
        rows = transaction.connection.execute(
            sa.select(table).where(key == day_id).order_by(*table.primary_key.columns)
        )
        found[table.name] = [
            {name: _plain(value) for name, value in row._mapping.items()}  # noqa: SLF001 - as documented
            for row in rows
        ]
    return found


def _plain(value: object) -> object:
    if isinstance(value, bytes):
        return {"base64": base64.b64encode(value).decode()}
    return value


def write_rows(transaction: Transaction, day_id: str, rows: Mapping[str, Any]) -> None:
    """Write all rows of a day.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    day_id : str
        Its date; there is no such day yet.
    rows : mapping
        As :func:`read_rows` gives them.

    Raises
    ------
    InvalidInput
        When they are broken.
    """
    try:
        for table in _TABLES:
            wanted = [
                {name: _value(row[name], column) for name, column in table.c.items()}
                for row in rows[table.name]
            ]
            key = "id" if table is tables.days else "day_id"
            for row in wanted:
                row[key] = day_id
                if table.name in _BODIES:
                    from_text(_BODIES[table.name], str(row["body"]))
                elif table is tables.days:
                    day_from(str(row["body"]))
            if wanted:
                transaction.connection.execute(sa.insert(table), wanted)
    except (LookupError, TypeError, ValueError, sa.exc.SQLAlchemyError) as error:
        raise InvalidInput(
            [
                Fault(
                    file="record.json",
                    got=type(error).__name__,
                    expected="the record as it was exported, or none",
                )
            ]
        ) from error


def _value(value: Any, column: sa.Column[Any]) -> object:  # noqa: ANN401 - JSON
    if isinstance(value, dict):
        return base64.b64decode(value["base64"], validate=True)
    if value is not None and not isinstance(value, column.type.python_type):
        raise TypeError(f"{column.name} is no {column.type.python_type.__name__}")
    return value
