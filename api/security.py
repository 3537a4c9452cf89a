"""Who asks, and what they may."""

import hashlib
import secrets
from dataclasses import dataclass
from typing import Annotated, Literal

from fastapi import Depends, Request

from api.desk import Desk
from api.problems import NotAllowed, NotFound, SignedOut
from api.store.keys import Key, add_key, find_key

COOKIE = "keyround"


@dataclass(frozen=True, slots=True, kw_only=True)
class Principal:
    """Who asks.

    Parameters
    ----------
    kind : {'office', 'van'}
        The office may all, a van what is its own.
    key_id : str
        Of the token.
    van_id : str or None
        The van.
    """

    kind: Literal["office", "van"]
    key_id: str
    van_id: str | None = None


def digest_of(token: str) -> str:
    """Return what of a token is stored.

    Parameters
    ----------
    token : str
        At least 128 bits of chance: a plain digest cannot be turned back.

    Returns
    -------
    str
        SHA-256, hexadecimal.
    """
    return hashlib.sha256(token.encode()).hexdigest()


def make_key(desk: Desk, van_id: str | None = None, label: str = "") -> str:
    """Make a token of the office or of a van.

    Parameters
    ----------
    desk : Desk
        Whose store keeps it.
    van_id : str or None
        The van; ``None``: the office.
    label : str
        Words for people.

    Returns
    -------
    str
        The token; nobody can read it again.
    """
    token = secrets.token_urlsafe(32)
    with desk.store.write() as transaction:
        key = Key(
            id=secrets.token_hex(8),
            kind="office" if van_id is None else "van",
            van_id=van_id,
            label=label,
            created_ms=transaction.now_ms,
            expires_ms=None,
            revoked_ms=None,
        )
        add_key(transaction, key, digest_of(token))
    return token


def anyone(request: Request) -> Principal:
    """Let in who is signed in.

    Parameters
    ----------
    request : Request
        With a bearer token or the cookie.

    Returns
    -------
    Principal
        Who it is.

    Raises
    ------
    SignedOut
        When it is nobody.
    """
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not token:
        token = request.cookies.get(COOKIE, "")
    if not token:
        raise SignedOut("sign in first")
    desk: Desk = request.app.state.desk
    with desk.store.read() as transaction:
        key = find_key(transaction, digest_of(token))
        now_ms = transaction.now_ms
    if (
        key is None
        or key.revoked_ms is not None
        or (key.expires_ms is not None and key.expires_ms <= now_ms)
        or key.kind == "secret"
    ):
        raise SignedOut("this sign-in is not good any more")
    kind: Literal["office", "van"] = "van" if key.kind == "van" else "office"
    return Principal(kind=kind, key_id=key.id, van_id=key.van_id)


def office(who: Annotated[Principal, Depends(anyone)]) -> Principal:
    """Let in the office.

    Parameters
    ----------
    who : Principal
        Who asks.

    Returns
    -------
    Principal
        The same.

    Raises
    ------
    NotAllowed
        When it is a van.
    """
    if who.kind != "office":
        raise NotAllowed("only the office may do this")
    return who


def owns(who: Principal, van_id: str) -> None:
    """Let in the office, and a van to what is its own.

    Parameters
    ----------
    who : Principal
        Who asks.
    van_id : str
        Whose it is.

    Raises
    ------
    NotFound
        When it is another van's: in the words for what does not exist.
    """
    if who.kind == "van" and who.van_id != van_id:
        raise NotFound("there is no such van")
