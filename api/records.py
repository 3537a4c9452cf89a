"""The model as exact JSON text, and back.

What is written here is read back as the same value, field by field; whoever changes a
class of :mod:`shared.model` has to think of what is stored already.
"""

from dataclasses import dataclass, replace
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from shared.errors import Fault, InvalidInput
from shared.model import Day, Place, Store
from shared.trade import cautions, kinds

T = TypeVar("T")
_NOWHERE = Store(id="shop", place=Place(lat_deg=0.0, lon_deg=0.0))


_ADAPTERS: dict[type, TypeAdapter[Any]] = {}  # slow to make


def _adapter(source: type) -> TypeAdapter[Any]:
    if source not in _ADAPTERS:
        _ADAPTERS[source] = TypeAdapter(source)
    return _ADAPTERS[source]


def to_text(value: object) -> str:
    """Return a value as JSON.

    Parameters
    ----------
    value : object
        Of the model.

    Returns
    -------
    str
        JSON (RFC 8259).
    """
    return _adapter(type(value)).dump_json(value, by_alias=True).decode()


def from_text(source: type[T], text: str | bytes) -> T:
    """Return a value from its JSON.

    Parameters
    ----------
    source : type
        Its type.
    text : str or bytes
        As :func:`to_text` writes it.

    Returns
    -------
    T
        The same value.

    Raises
    ------
    InvalidInput
        When it is no such value.
    """
    try:
        value: T = _adapter(source).validate_json(text)
    except ValidationError as error:
        raise InvalidInput(
            Fault(
                file="record.json",
                column=".".join(map(str, each["loc"])) or None,
                got=type(each["input"]).__name__,
                expected=each["msg"],
            )
            for each in error.errors()
        ) from None
    return value


def day_text(day: Day) -> str:
    """Return what of a day has no table of its own.

    Parameters
    ----------
    day : Day
        The day.

    Returns
    -------
    str
        JSON: without calls, vans, parts, stores, kinds and cautions.
    """
    matrix = day.travel.matrix
    bare = replace(
        day,
        calls=(),
        vans=(),
        parts={},
        kinds={},
        cautions={},
        shop=_NOWHERE,
        counters=(),
        travel=replace(day.travel, matrix=None),
    )
    pairs = None
    if matrix is not None:
        pairs = [(*ends, *way) for ends, way in matrix.items()]
    return to_text(_Bare(day=bare, matrix=pairs))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bare:
    """A day with its travel table beside it: JSON has no pairs as keys."""

    day: Day
    matrix: list[tuple[str, str, int, int]] | None


def day_from(text: str | bytes) -> Day:
    """Return a day without what has a table of its own.

    Parameters
    ----------
    text : str or bytes
        As :func:`day_text` writes it.

    Returns
    -------
    Day
        With the kinds and cautions of the trade table.

    Raises
    ------
    InvalidInput
        When it is none.
    """
    bare = from_text(_Bare, text)
    matrix = None
    if bare.matrix is not None:
        matrix = {
            (start, end): (base_s, way_m) for start, end, base_s, way_m in bare.matrix
        }
    return replace(
        bare.day,
        kinds=kinds(),
        cautions=cautions(),
        travel=replace(bare.day.travel, matrix=matrix),
    )
