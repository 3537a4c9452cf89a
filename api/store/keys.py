"""Who may: tokens and one-time codes, as digests only."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from api.store.engine import Transaction
from api.tables import keys, pairings, vans


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One token as the store knows it.

    Parameters
    ----------
    id : str
        Its name; not the token.
    kind : str
        'secret' (the office's, signs in only), 'office', 'van', or 'feed' (a van's
        calendar, which is all it opens).
    van_id : str or None
        The van it is for.
    label : str
        Words for people.
    created_ms, expires_ms : int, int or None
        From when until when it is good; ``None``: for good.
    seen_ms : int or None
        When it was last used, to the hour.
    revoked_ms : int or None
        Since when it is not good any more.
    """

    id: str
    kind: str
    van_id: str | None
    label: str
    created_ms: int
    expires_ms: int | None
    seen_ms: int | None = None
    revoked_ms: int | None = None

    def good(self, now_ms: int) -> bool:
        """Say whether it may still be used.

        Parameters
        ----------
        now_ms : int
            Now.

        Returns
        -------
        bool
            Neither revoked nor run out.
        """
        in_time = self.expires_ms is None or now_ms < self.expires_ms
        return self.revoked_ms is None and in_time


def _key(row: sa.Row[Any]) -> Key:
    return Key(
        id=row.id,
        kind=row.kind,
        van_id=row.van_id,
        label=row.label,
        created_ms=row.created_ms,
        expires_ms=row.expires_ms,
        seen_ms=row.seen_ms,
        revoked_ms=row.revoked_ms,
    )


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
            seen_ms=key.seen_ms,
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
    return None if row is None else _key(row)


def get_key(transaction: Transaction, key_id: str) -> Key | None:
    """Return a token by its name.

    Parameters
    ----------
    transaction : Transaction
        Any.
    key_id : str
        Its name.

    Returns
    -------
    Key or None
        Whether it is still good is not asked here.
    """
    row = transaction.connection.execute(
        sa.select(keys).where(keys.c.id == key_id)
    ).one_or_none()
    return None if row is None else _key(row)


def list_keys(
    transaction: Transaction, kinds: Sequence[str], limit: int, after: str = ""
) -> list[Key]:
    """List the tokens that are good.

    Parameters
    ----------
    transaction : Transaction
        Any.
    kinds : sequence of str
        Which kinds.
    limit : int
        How many at most.
    after : str
        Only those behind the one of this name.

    Returns
    -------
    list of Key
        In the order of their names.
    """
    rows = transaction.connection.execute(
        sa.select(keys)
        .where(
            keys.c.kind.in_(kinds),
            keys.c.id > after,
            keys.c.revoked_ms.is_(None),
            sa.or_(keys.c.expires_ms.is_(None), keys.c.expires_ms > transaction.now_ms),
        )
        .order_by(keys.c.id)
        .limit(limit)
    )
    return [_key(row) for row in rows]


def see_key(transaction: Transaction, key_id: str, expires_ms: int | None) -> None:
    """Write down that a token was used now.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    key_id : str
        Its name.
    expires_ms : int or None
        Until when it is good from now on.
    """
    transaction.connection.execute(
        sa.update(keys)
        .where(keys.c.id == key_id, keys.c.revoked_ms.is_(None))
        .values(seen_ms=transaction.now_ms, expires_ms=expires_ms)
    )


def revoke_keys(
    transaction: Transaction, kinds: Sequence[str], key_id: str | None = None
) -> list[Key]:
    """Revoke tokens, and tell who has them at hand.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    kinds : sequence of str
        Of these kinds.
    key_id : str or None
        Only this one; ``None``: all.

    Returns
    -------
    list of Key
        Those that were good until now.
    """
    named = sa.true() if key_id is None else keys.c.id == key_id
    which = (keys.c.kind.in_(kinds), keys.c.revoked_ms.is_(None), named)
    found = [
        _key(row)
        for row in transaction.connection.execute(sa.select(keys).where(*which))
    ]
    transaction.connection.execute(
        sa.update(keys).where(*which).values(revoked_ms=transaction.now_ms)
    )
    for key in found:
        transaction.tell("key", {"key_id": key.id, "van_id": key.van_id})
    return found


def knows_van(transaction: Transaction, van_id: str) -> bool:
    """Say whether any day has this van.

    Parameters
    ----------
    transaction : Transaction
        Any.
    van_id : str
        The van.

    Returns
    -------
    bool
        Whether one has.
    """
    found = sa.exists().where(vans.c.id == van_id).select()
    return bool(transaction.connection.execute(found).scalar_one())


def add_pairing(
    transaction: Transaction, digest: str, van_id: str, made_by: str, expires_ms: int
) -> None:
    """Write a one-time code down; those that ran out are forgotten.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    digest : str
        Of the code.
    van_id : str
        The van whose phone it is for.
    made_by : str
        Name of the key that asked for it.
    expires_ms : int
        Until when it is good.
    """
    now_ms = transaction.now_ms
    transaction.connection.execute(
        sa.delete(pairings).where(pairings.c.expires_ms <= now_ms)
    )
    transaction.connection.execute(
        sa.insert(pairings).values(
            digest=digest,
            van_id=van_id,
            made_by=made_by,
            created_ms=now_ms,
            expires_ms=expires_ms,
        )
    )


def use_pairing(transaction: Transaction, digest: str) -> str | None:
    """Use a one-time code up.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    digest : str
        Of the code.

    Returns
    -------
    str or None
        The van; ``None``: there is no such code, it ran out, or it was used.
    """
    now_ms = transaction.now_ms
    van_id: str | None = transaction.connection.execute(
        sa.update(pairings)
        .where(
            pairings.c.digest == digest,
            pairings.c.used_ms.is_(None),
            pairings.c.expires_ms > now_ms,
        )
        .values(used_ms=now_ms)
        .returning(pairings.c.van_id)
    ).scalar_one_or_none()
    return van_id


def trim_keys(transaction: Transaction, before_ms: int) -> int:
    """Let go of tokens and one-time codes that ended long ago.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    before_ms : int
        Those that ended before this moment.

    Returns
    -------
    int
        How many tokens.
    """
    done = transaction.connection.execute(
        sa.delete(keys).where(
            sa.or_(keys.c.expires_ms < before_ms, keys.c.revoked_ms < before_ms)
        )
    )
    transaction.connection.execute(
        sa.delete(pairings).where(pairings.c.expires_ms < before_ms)
    )
    return int(done.rowcount)
