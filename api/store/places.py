"""Where addresses are: pins set by hand, and answers of an address server."""

import hashlib
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass

import sqlalchemy as sa

from api.store.engine import Transaction
from api.tables import lookups, pins
from dispatch.gazetteer import address_key
from shared.model import Place


@dataclass(frozen=True, slots=True, kw_only=True)
class Pin:
    """Where an address is, as somebody said.

    Parameters
    ----------
    id : str
        Made of the address's words.
    address : str
        As it was typed.
    place : Place
        Where.
    set_by : str
        Who said so.
    set_ms : int
        When.
    """

    id: str
    address: str
    place: Place
    set_by: str
    set_ms: int


def _digest(words: str) -> str:
    return hashlib.sha256(words.encode()).hexdigest()


def list_pins(transaction: Transaction) -> list[Pin]:
    """List all pins.

    Parameters
    ----------
    transaction : Transaction
        Any.

    Returns
    -------
    list of Pin
        By the words of their addresses.
    """
    rows = transaction.connection.execute(sa.select(pins).order_by(pins.c.words))
    return [
        Pin(
            id=row.id,
            address=row.address,
            place=Place(lat_deg=row.lat_deg, lon_deg=row.lon_deg, name=row.address),
            set_by=row.set_by,
            set_ms=row.set_ms,
        )
        for row in rows
    ]


def pins_of(transaction: Transaction) -> dict[str, Place]:
    """Return where pinned addresses are.

    Parameters
    ----------
    transaction : Transaction
        Any.

    Returns
    -------
    dict of str to Place
        By :func:`dispatch.gazetteer.address_key`.
    """
    return {address_key(pin.address): pin.place for pin in list_pins(transaction)}


def set_pin(transaction: Transaction, address: str, place: Place, who: str) -> str:
    """Say where an address is, from now on.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    address : str
        As it was typed.
    place : Place
        Where it is.
    who : str
        Who says so.

    Returns
    -------
    str
        The pin's id; an earlier one of the address is gone.
    """
    words = address_key(address)
    name = _digest(words)
    drop_pin(transaction, name)
    transaction.connection.execute(
        sa.insert(pins).values(
            id=name,
            address=address,
            words=words,
            lat_deg=place.lat_deg,
            lon_deg=place.lon_deg,
            set_by=who,
            set_ms=transaction.now_ms,
        )
    )
    return name


def drop_pin(transaction: Transaction, name: str) -> bool:
    """Take a pin back.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    name : str
        Its id.

    Returns
    -------
    bool
        Whether there was one.
    """
    gone = transaction.connection.execute(
        sa.delete(pins).where(pins.c.id == name).returning(pins.c.id)
    )
    return gone.scalar_one_or_none() is not None


def drop_lookups(transaction: Transaction, before_ms: int) -> None:
    """Forget answers that are older.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    before_ms : int
        Than this.
    """
    transaction.connection.execute(
        sa.delete(lookups).where(lookups.c.at_ms < before_ms)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Lookups:
    """Answers of address servers, as :class:`api.geocoder.Memory` wants them.

    Parameters
    ----------
    read, write : callable
        Open a transaction of the store.
    """

    read: Callable[[], AbstractContextManager[Transaction]]
    write: Callable[[], AbstractContextManager[Transaction]]

    def get(self, key: str) -> str | None:
        """Return an answer.

        Parameters
        ----------
        key : str
            Of the question.

        Returns
        -------
        str or None
            As it was put; ``None``: it was not asked yet.
        """
        chosen = sa.select(lookups.c.body).where(lookups.c.id == _digest(key))
        with self.read() as transaction:
            found: str | None = transaction.connection.execute(
                chosen
            ).scalar_one_or_none()
        return found

    def put(self, key: str, answer: str) -> None:
        """Keep an answer.

        Parameters
        ----------
        key : str
            Of the question.
        answer : str
            Any text.
        """
        name = _digest(key)
        with self.write() as transaction:
            connection = transaction.connection
            connection.execute(sa.delete(lookups).where(lookups.c.id == name))
            connection.execute(
                sa.insert(lookups).values(
                    id=name, body=answer, at_ms=transaction.now_ms
                )
            )
