"""Who may: tokens, as digests only."""

from dataclasses import dataclass

import sqlalchemy as sa

from api.store.engine import Transaction
from api.tables import keys


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One token as the store knows it.

    Parameters
    ----------
    id : str
        Its name; not the token.
    kind : str
        'secret' (the office's, signs in only), 'office' or 'van'.
    van_id : str or None
        The van it is for.
    label : str
        Words for people.
    created_ms, expires_ms : int, int or None
        From when until when it is good; ``None``: for good.
    revoked_ms : int or None
        Since when it is not.
    """

    id: str
    kind: str
    van_id: str | None
    label: str
    created_ms: int
    expires_ms: int | None
    revoked_ms: int | None


def add_key(transaction: Transaction, key: Key, digest: str) -> None:
    """Write a token down.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    key : Key
        What it is.
    digest : str
        SHA-256 of the token, hexadecimal.
    """
    transaction.connection.execute(
        sa.insert(keys).values(
            id=key.id,
            kind=key.kind,
            van_id=key.van_id,
            label=key.label,
            digest=digest,
            created_ms=key.created_ms,
            expires_ms=key.expires_ms,
            revoked_ms=key.revoked_ms,
        )
    )


def find_key(transaction: Transaction, digest: str) -> Key | None:
    """Find a token.

    Parameters
    ----------
    transaction : Transaction
        Any.
    digest : str
        SHA-256 of the token, hexadecimal.

    Returns
    -------
    Key or None
        Whether it is still good is not asked here.
    """
    row = transaction.connection.execute(
        sa.select(keys).where(keys.c.digest == digest)
    ).one_or_none()
    if row is None:
        return None
    return Key(
        id=row.id,
        kind=row.kind,
        van_id=row.van_id,
        label=row.label,
        created_ms=row.created_ms,
        expires_ms=row.expires_ms,
        revoked_ms=row.revoked_ms,
    )
