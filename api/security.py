"""Who asks, and what they may."""

import hashlib
import ipaddress
import math
import secrets
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Annotated, Literal
from urllib.parse import urlsplit

from fastapi import Depends, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.openapi.models import HTTPBearer as HTTPBearerModel
from fastapi.security.base import SecurityBase

from api.desk import Desk
from api.limits import Limit
from api.problems import NotAllowed, NotFound, SignedOut, TooMany
from api.store.keys import Key, add_key, find_key, see_key

COOKIE = "keyround"
HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
# How long a token is good after it was last used, and at most; own choice: a phone
# that lies in a drawer for a month is paired anew.
IDLE_MS = {"office": 7 * DAY_MS, "van": 30 * DAY_MS, "feed": 90 * DAY_MS}
LONGEST_MS = {"office": 90 * DAY_MS, "van": 365 * DAY_MS, "feed": 5 * 365 * DAY_MS}
_UNHEARD_S = 2.0  # how long another process's revocation may go unnoticed
# How long a token is not looked up while revocations are heard; own choice. Each token
# has its own length in between, or all of a firm's phones would be looked up at once.
_REMEMBERED_S = (300.0, 600.0)
_REMEMBERED = 2_000  # tokens
_SIGN_IN = ("office", "van")
_SAFE = {"GET", "HEAD", "OPTIONS"}


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


@dataclass(slots=True, kw_only=True)
class Door:
    """What the guard of one process remembers: tokens seen lately, and limits.

    A token is remembered as long as all revocations up to two seconds ago are known:
    because it was looked up since, or because whoever follows the store's events has
    vouched for it.

    Parameters
    ----------
    clock : callable, optional
        Seconds that only rise.
    """

    clock: Callable[[], float] = time.monotonic
    # For each key: more than a page or a phone ever asks, less than a loop of theirs
    # that runs wild. For each address: sign-ins, and tokens that are not good; several
    # phones may share one. All own choice.
    asks: Limit = field(init=False)
    signs: Limit = field(init=False)
    misses: Limit = field(init=False)
    age: int = 0  # rises with every revocation: what was looked up before is not kept
    _known: OrderedDict[str, tuple[float, Key]] = field(default_factory=OrderedDict)
    _heard_s: float = -_UNHEARD_S

    def __post_init__(self) -> None:
        self.asks = Limit(per_s=100, burst=1000, clock=self.clock)
        self.signs = Limit(per_s=1 / 6, burst=10, clock=self.clock)
        self.misses = Limit(per_s=20, burst=200, clock=self.clock)

    def recall(self, digest: str) -> Key | None:
        """Return a token that was looked up a moment ago.

        Parameters
        ----------
        digest : str
            Of the token.

        Returns
        -------
        Key or None
            As it was then; ``None``: look it up.
        """
        if digest not in self._known:
            return None
        looked_s, key = self._known[digest]
        now_s = self.clock()
        if now_s >= max(looked_s, self._heard_s) + _UNHEARD_S:
            return None
        low_s, high_s = _REMEMBERED_S
        share = int(digest[:8], 16) / 16**8
        return key if now_s < looked_s + low_s + share * (high_s - low_s) else None

    def remember(self, digest: str, key: Key, age: int) -> None:
        """Keep a token for a while.

        Parameters
        ----------
        digest : str
            Of the token.
        key : Key
            As it was looked up.
        age : int
            The door's before it was looked up.
        """
        self._known.pop(digest, None)
        if age != self.age:  # one was revoked meanwhile: perhaps this one
            return
        self._known[digest] = (self.clock(), key)
        if len(self._known) > _REMEMBERED:
            self._known.popitem(last=False)

    def vouch(self, heard_s: float) -> None:
        """Be told that all revocations up to a moment have been heard.

        Parameters
        ----------
        heard_s : float
            By this door's clock.
        """
        self._heard_s = heard_s

    def forget(self) -> None:
        """Look up every token anew: one was revoked."""
        self.age += 1
        self._known.clear()


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
        key = fresh_key(transaction.now_ms, van_id, label)
        add_key(transaction, key, digest_of(token))
    return token


def fresh_key(
    now_ms: int, van_id: str | None, label: str, *, feed: bool = False
) -> Key:
    """Return what is stored of a token that is made now.

    Parameters
    ----------
    now_ms : int
        Now.
    van_id : str or None
        The van; ``None``: the office.
    label : str
        Words for people.
    feed : bool
        Whether it opens the van's calendar and nothing else.

    Returns
    -------
    Key
        With a name of its own.
    """
    kind = "office" if van_id is None else "feed" if feed else "van"
    return Key(
        id=secrets.token_hex(8),
        kind=kind,
        van_id=van_id,
        label=label,
        created_ms=now_ms,
        expires_ms=now_ms + IDLE_MS[kind],
        seen_ms=now_ms,
    )


class Guard(SecurityBase):
    """Asks who it is: one step, and the OpenAPI document says how to answer.

    The framework's own way, a dependency for the header and one for the cookie, took
    the hot route from 0.37 to 0.58 ms of processor time.
    """

    def __init__(self) -> None:
        words = "The token of a session; pages bring the same in the cookie 'keyround'."
        self.model = HTTPBearerModel(description=words)
        self.scheme_name = "bearer"

    async def __call__(self, request: Request) -> Principal:
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
        NotAllowed
            When another site's page asks through a browser that is signed in here.
        TooMany
            When this token, or this address with tokens that are not good, came too
            often.
        """
        scheme, _, token = request.headers.get("authorization", "").partition(" ")
        by_cookie = scheme.lower() != "bearer" or not token
        if by_cookie:
            token = request.cookies.get(COOKIE, "")
        if not token:
            raise SignedOut("sign in first")
        desk: Desk = request.app.state.desk
        door: Door = request.app.state.door
        digest = digest_of(token)
        key = door.recall(digest)
        if key is None:
            _refuse_if(door.misses.wait_s(address_of(request)))
            age = door.age
            # Not on the event loop: the database may be slow to answer.
            key = await run_in_threadpool(_look_up, desk, digest)
            if key is not None:
                door.remember(digest, key, age)
        now_ms = int(desk.clock().timestamp() * 1000)
        if key is None or key.kind not in _SIGN_IN or not key.good(now_ms):
            door.misses.take(address_of(request))
            raise SignedOut("this sign-in is not good any more")
        request.state.key_id = key.id  # for the journal
        _refuse_if(door.asks.take(key.id))
        if by_cookie and request.method not in _SAFE and not from_our_page(request):
            raise NotAllowed("this request came from another site's page")
        kind: Literal["office", "van"] = "van" if key.kind == "van" else "office"
        return Principal(kind=kind, key_id=key.id, van_id=key.van_id)


anyone = Guard()


def _look_up(desk: Desk, digest: str) -> Key | None:
    """Find a token; once an hour, write down that it is used."""
    with desk.store.read() as transaction:
        key, now_ms = find_key(transaction, digest), transaction.now_ms
    if key is None or not key.good(now_ms) or key.kind not in IDLE_MS:
        return key
    if key.seen_ms is None or now_ms - key.seen_ms >= HOUR_MS:
        until_ms = min(
            now_ms + IDLE_MS[key.kind], key.created_ms + LONGEST_MS[key.kind]
        )
        with desk.store.write() as transaction:
            see_key(transaction, key.id, until_ms)
            key = find_key(transaction, digest)
    return key


def open_feed(request: Request, secret: str) -> str:
    """Let in whoever has the address of a calendar.

    Parameters
    ----------
    request : Request
        That is asked.
    secret : str
        What its path says.

    Returns
    -------
    str
        The van whose calendar it is.

    Raises
    ------
    NotFound
        When it is none, or no longer.
    TooMany
        When this calendar is asked for too often, or this address guesses.
    """
    desk: Desk = request.app.state.desk
    door: Door = request.app.state.door
    address = address_of(request)
    _refuse_if(door.misses.wait_s(address))
    key = _look_up(desk, digest_of(secret))
    now_ms = int(desk.clock().timestamp() * 1000)
    if key is None or key.kind != "feed" or key.van_id is None or not key.good(now_ms):
        door.misses.take(address)
        raise NotFound("there is no such calendar")
    _refuse_if(door.asks.take(key.id))
    request.state.key_id = key.id
    return key.van_id


def _refuse_if(wait_s: float) -> None:
    if wait_s:
        raise TooMany(math.ceil(wait_s))


def count_sign_in(request: Request) -> None:
    """Count one attempt to sign in from an address.

    Parameters
    ----------
    request : Request
        That is asked.

    Raises
    ------
    TooMany
        When there were too many.
    NotAllowed
        When another site's page tries.
    """
    door: Door = request.app.state.door
    _refuse_if(door.signs.take(address_of(request)))
    said = "sec-fetch-site" in request.headers or "origin" in request.headers
    if said and not from_our_page(request):
        raise NotAllowed("this request came from another site's page")


def from_our_page(request: Request) -> bool:
    """Say whether a browser vouches that a page of ours asks.

    Parameters
    ----------
    request : Request
        With the headers that browsers set and pages cannot.

    Returns
    -------
    bool
        By ``Sec-Fetch-Site``; by ``Origin`` where a browser sends none.
    """
    site = request.headers.get("sec-fetch-site")
    if site is not None:
        return site == "same-origin"
    origin = urlsplit(request.headers.get("origin", ""))
    return bool(origin.netloc) and origin.netloc == request.headers.get("host")


def address_of(request: Request) -> str:
    """Return the address that limits count for.

    Parameters
    ----------
    request : Request
        That is asked.

    Returns
    -------
    str
        Of IPv6 only the network: whoever has one address has 2**64 of them.
    """
    host = request.client.host if request.client else ""
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return host
    if address.version == 6:  # noqa: PLR2004 - IPv6
        return str(ipaddress.ip_network((address, 64), strict=False))
    return host


async def office(who: Annotated[Principal, Depends(anyone)]) -> Principal:
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
