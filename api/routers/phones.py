"""Sessions of the office and of phones, and how a phone is paired."""

from datetime import UTC, datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field, model_validator

from api import access
from api.answers import SIGNED_IN, refusals
from api.problems import Slug
from api.routers.exchange import (
    Anyone,
    Done,
    IdempotencyKey,
    Office,
    TheDesk,
    once,
)
from api.security import (
    COOKIE,
    LONGEST_MS,
    Door,
    count_sign_in,
)
from api.store import Transaction
from api.store.keys import Key
from api.vault import Vault

router = APIRouter(prefix="/v1", tags=["who may"])

_NO_STORE = {"Cache-Control": "no-store"}
Kind = Literal["office", "van"]


class SignIn(BaseModel):
    """The office's secret, or a phone's one-time code."""

    model_config = ConfigDict(extra="forbid")

    secret: str | None = Field(None, min_length=1, max_length=200)
    code: str | None = Field(None, min_length=1, max_length=40)

    @model_validator(mode="after")
    def _one(self) -> "SignIn":
        if (self.secret is None) == (self.code is None):
            raise ValueError("either secret or code")
        return self


class Session(BaseModel):
    """Who is signed in, and until when."""

    kind: Kind
    van_id: str | None
    expires_at: datetime
    now_at: datetime


class NewSession(BaseModel):
    """A session that begins; the token is for programs, pages have the cookie."""

    kind: Kind
    van_id: str | None
    expires_at: datetime
    token: str


class PairingBody(BaseModel):
    """Which van's phone is to be paired."""

    model_config = ConfigDict(extra="forbid")

    van_id: str = Field(min_length=1, max_length=200)


class Pairing(BaseModel):
    """A one-time code."""

    code: str
    expires_at: datetime


class KeyItem(BaseModel):
    """A session as the office sees it."""

    id: str
    kind: Literal["office", "van", "feed"]
    van_id: str | None
    label: str
    created_at: datetime
    seen_at: datetime | None
    expires_at: datetime | None


class KeyPage(BaseModel):
    """Some sessions."""

    items: list[KeyItem]
    next: str | None


def the_door(request: Request) -> Door:
    """Return what the guard of this process remembers.

    Parameters
    ----------
    request : Request
        Of the app.

    Returns
    -------
    Door
        The app's.
    """
    door: Door = request.app.state.door
    return door


def the_vault(request: Request) -> Vault:
    """Return the vault of the app.

    Parameters
    ----------
    request : Request
        Of the app.

    Returns
    -------
    Vault
        Its vault.
    """
    vault: Vault = request.app.state.vault
    return vault


TheDoor = Annotated[Door, Depends(the_door)]
TheVault = Annotated[Vault, Depends(the_vault)]


def _at(moment_ms: int) -> datetime:
    return datetime.fromtimestamp(moment_ms // 1000, UTC)


def _kind(key: Key) -> Kind:
    return "van" if key.kind == "van" else "office"


@router.post(
    "/session",
    status_code=201,
    summary="Sign in",
    responses=refusals(*SIGNED_IN, Slug.INVALID_INPUT),
)
def begin(
    body: SignIn, desk: TheDesk, request: Request, response: Response
) -> NewSession:
    """Sign in.

    Parameters
    ----------
    body : SignIn
        Secret or code.
    desk : Desk
        The app's.
    request : Request
        Whose address attempts are counted for.
    response : Response
        Gets the cookie.

    Returns
    -------
    NewSession
        With its token.
    """
    count_sign_in(request)
    token, key = access.sign_in(desk, secret=body.secret or "", code=body.code or "")
    response.headers.update(_NO_STORE)
    response.set_cookie(
        COOKIE,
        token,
        max_age=LONGEST_MS[key.kind] // 1000,  # the service itself ends it earlier
        secure=request.app.state.secure or request.url.scheme == "https",
        httponly=True,
        samesite="strict",
    )
    return NewSession(
        kind=_kind(key),
        van_id=key.van_id,
        expires_at=_at(key.expires_ms or 0),
        token=token,
    )


@router.get("/session", summary="Say who is signed in", responses=refusals(*SIGNED_IN))
def session(who: Anyone, desk: TheDesk, response: Response) -> Session:
    """Say who is signed in.

    Parameters
    ----------
    who : Principal
        Who asks.
    desk : Desk
        The app's.
    response : Response
        Is not kept anywhere.

    Returns
    -------
    Session
        Until when it is good.
    """
    key = access.session(desk, who)
    response.headers.update(_NO_STORE)
    return Session(
        kind=who.kind,
        van_id=who.van_id,
        expires_at=_at(key.expires_ms or 0),
        now_at=desk.clock().astimezone(UTC).replace(microsecond=0),
    )


@router.delete(
    "/session", status_code=204, summary="Sign out", responses=refusals(*SIGNED_IN)
)
def end(who: Anyone, desk: TheDesk, door: TheDoor) -> Response:
    """Sign out: the token is good no more.

    Parameters
    ----------
    who : Principal
        Who asks.
    desk : Desk
        The app's.
    door : Door
        The app's.

    Returns
    -------
    Response
        Takes the cookie away.
    """
    access.sign_out(desk, who, door.forget)
    response = Response(status_code=204, headers=_NO_STORE)
    response.delete_cookie(COOKIE, httponly=True, samesite="strict")
    return response


@router.post(
    "/pairings",
    status_code=201,
    summary="Make a one-time code for a van's phone",
    response_model=Pairing,
    responses=refusals(
        *SIGNED_IN, Slug.INVALID_INPUT, Slug.KEY_NEEDED, Slug.KEY_REUSED
    ),
)
def pair(
    request: Request,
    body: PairingBody,
    who: Office,
    desk: TheDesk,
    vault: TheVault,
    idempotency_key: IdempotencyKey = None,
) -> Response:
    """Make a one-time code for a van's phone: good once, for ten minutes."""
    del idempotency_key

    def make(transaction: Transaction) -> Done:
        code, expires_ms = access.pair(transaction, who, body.van_id)
        return Done(value=Pairing(code=code, expires_at=_at(expires_ms)))

    return once(request, desk, who, body, make, vault)


@router.get(
    "/keys",
    summary="List the sessions",
    responses=refusals(*SIGNED_IN, Slug.INVALID_INPUT),
)
def keys(
    _: Office,
    desk: TheDesk,
    response: Response,
    limit: Annotated[int, Query(ge=1, le=200)] = 50,
    after: Annotated[str, Query(max_length=64)] = "",
) -> KeyPage:
    """List the sessions that are good, of the office and of phones.

    Parameters
    ----------
    _ : Principal
        Who asks.
    desk : Desk
        The app's.
    response : Response
        Is not kept anywhere.
    limit : int
        How many at most.
    after : str
        Where the page before this one ended.

    Returns
    -------
    KeyPage
        In the order of their names.
    """
    found = access.sessions(desk, limit + 1, after)
    response.headers.update(_NO_STORE)
    items = [
        KeyItem(
            id=key.id,
            kind="feed" if key.kind == "feed" else _kind(key),
            van_id=key.van_id,
            label=key.label,
            created_at=_at(key.created_ms),
            seen_at=None if key.seen_ms is None else _at(key.seen_ms),
            expires_at=None if key.expires_ms is None else _at(key.expires_ms),
        )
        for key in found[:limit]
    ]
    return KeyPage(items=items, next=items[-1].id if len(found) > limit else None)


@router.delete(
    "/keys/{key}",
    status_code=204,
    summary="End a session",
    responses=refusals(*SIGNED_IN, Slug.NOT_FOUND, Slug.INVALID_INPUT),
)
def revoke(key: str, _: Office, desk: TheDesk, door: TheDoor) -> Response:
    """End a session: its token is good no more.

    Parameters
    ----------
    key : str
        The name of its token.
    _ : Principal
        Who asks.
    desk : Desk
        The app's.
    door : Door
        The app's.

    Returns
    -------
    Response
        Without a body.
    """
    access.revoke(desk, key, door.forget)
    return Response(status_code=204, headers=_NO_STORE)
