"""Signing in: the office's secret, sessions, the pairing of phones."""

import secrets
from collections.abc import Callable

from api.desk import Desk, Store
from api.problems import NotFound, SignedOut
from api.security import Principal, digest_of, fresh_key
from api.store import Transaction
from api.store.keys import (
    Key,
    add_key,
    add_pairing,
    find_key,
    get_key,
    knows_van,
    list_keys,
    revoke_keys,
    use_pairing,
)
from shared.errors import Fault, InvalidInput

PAIRING_MS = 600_000  # a one-time code's life; own choice
# No I, O, 0 and 1: they are taken for one another. 32 letters, five bits each.
_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"
_SESSIONS = ("office", "van", "feed")


def _spell(letters: int, group: int) -> str:
    """Return random letters in groups, to be read out and typed in."""
    drawn = "".join(secrets.choice(_LETTERS) for _ in range(letters))
    return "-".join(drawn[at : at + group] for at in range(0, letters, group))


def _plain(typed: str) -> str:
    """Return what was typed without what does not count."""
    return "".join(letter for letter in typed.upper() if letter in _LETTERS)


def make_secret(store: Store) -> str:
    """Make the office a new secret; the old one and its sessions end.

    Parameters
    ----------
    store : Store
        That keeps it.

    Returns
    -------
    str
        150 bits in letters; nobody can read it again.
    """
    with store.write() as transaction:
        revoke_keys(transaction, ["secret", "office"])
        return _new_secret(transaction)


def first_secret(store: Store) -> str | None:
    """Make the office its first secret.

    Parameters
    ----------
    store : Store
        That keeps it.

    Returns
    -------
    str or None
        ``None``: there is one already.
    """
    with store.write() as transaction:
        if list_keys(transaction, ["secret"], 1):
            return None
        return _new_secret(transaction)


def _new_secret(transaction: Transaction) -> str:
    secret = _spell(30, 5)
    key = Key(
        id=secrets.token_hex(8),
        kind="secret",
        van_id=None,
        label="",
        created_ms=transaction.now_ms,
        expires_ms=None,
    )
    add_key(transaction, key, digest_of(_plain(secret)))
    return secret


def sign_in(desk: Desk, *, secret: str = "", code: str = "") -> tuple[str, Key]:
    """Begin a session: the office with its secret, a phone with its one-time code.

    Parameters
    ----------
    desk : Desk
        Whose store knows them.
    secret, code : str
        One of the two, however it is grouped and in small letters or large ones.

    Returns
    -------
    token : str
        Nobody can read it again.
    key : Key
        What is stored of it.

    Raises
    ------
    SignedOut
        When it is not good; a code is good once.
    """
    token = secrets.token_urlsafe(32)
    with desk.store.write() as transaction:
        if secret:
            found = find_key(transaction, digest_of(_plain(secret)))
            if (
                found is None
                or found.kind != "secret"
                or not found.good(transaction.now_ms)
            ):
                raise SignedOut("this is not the office's secret")
            van_id = None
        else:
            van_id = use_pairing(transaction, digest_of(_plain(code)))
            if van_id is None:
                raise SignedOut("this code is wrong, used or out of date")
        key = fresh_key(transaction.now_ms, van_id, "")
        add_key(transaction, key, digest_of(token))
    return token, key


def session(desk: Desk, who: Principal) -> Key:
    """Return the session that asks.

    Parameters
    ----------
    desk : Desk
        Whose store knows it.
    who : Principal
        Who asks.

    Returns
    -------
    Key
        As it stands.

    Raises
    ------
    SignedOut
        When it has ended this moment.
    """
    with desk.store.read() as transaction:
        key = get_key(transaction, who.key_id)
    if key is None:
        raise SignedOut("this sign-in is not good any more")
    return key


def sign_out(desk: Desk, who: Principal, forget: Callable[[], None]) -> None:
    """End the session that asks.

    Parameters
    ----------
    desk : Desk
        Whose store knows it.
    who : Principal
        Who asks.
    forget : callable
        Lets go of tokens that are remembered.
    """
    with desk.store.write() as transaction:
        revoke_keys(transaction, _SESSIONS, who.key_id)
    forget()


def revoke(desk: Desk, key_id: str, forget: Callable[[], None]) -> None:
    """End a session.

    Parameters
    ----------
    desk : Desk
        Whose store knows it.
    key_id : str
        The name of its token.
    forget : callable
        Lets go of tokens that are remembered.

    Raises
    ------
    NotFound
        When there is none that is good.
    """
    with desk.store.write() as transaction:
        found = revoke_keys(transaction, _SESSIONS, key_id)
    forget()
    if not found:
        raise NotFound("there is no such key")


def sessions(desk: Desk, limit: int, after: str) -> list[Key]:
    """List the sessions that are good.

    Parameters
    ----------
    desk : Desk
        Whose store knows them.
    limit : int
        How many at most.
    after : str
        Only those behind the one of this name.

    Returns
    -------
    list of Key
        In the order of their names.
    """
    with desk.store.read() as transaction:
        return list_keys(transaction, _SESSIONS, limit, after)


def pair(transaction: Transaction, who: Principal, van_id: str) -> tuple[str, int]:
    """Make a one-time code for a van's phone.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    who : Principal
        Who asks.
    van_id : str
        The van.

    Returns
    -------
    code : str
        40 bits in letters; guessing is limited where one signs in.
    expires_ms : int
        Until when it is good.

    Raises
    ------
    InvalidInput
        When no day has such a van.
    """
    _see_van(transaction, van_id)
    code = _spell(8, 4)
    expires_ms = transaction.now_ms + PAIRING_MS
    add_pairing(transaction, digest_of(_plain(code)), van_id, who.key_id, expires_ms)
    return code, expires_ms


def add_feed(transaction: Transaction, van_id: str) -> tuple[str, Key]:
    """Make a token that opens a van's calendar and nothing else.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    van_id : str
        The van.

    Returns
    -------
    secret : str
        Nobody can read it again.
    key : Key
        What is stored of it.

    Raises
    ------
    InvalidInput
        When no day has such a van.
    """
    _see_van(transaction, van_id)
    secret = secrets.token_urlsafe(32)
    key = fresh_key(transaction.now_ms, van_id, "", feed=True)
    add_key(transaction, key, digest_of(secret))
    return secret, key


def _see_van(transaction: Transaction, van_id: str) -> None:
    if not knows_van(transaction, van_id):
        right = "a van of one of the days"
        raise InvalidInput([Fault(file="body.van_id", got=van_id, expected=right)])
