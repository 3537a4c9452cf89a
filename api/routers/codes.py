"""Codes of calls: never in lists, never kept by anybody on the way."""

from datetime import UTC, datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Response
from pydantic import BaseModel, ConfigDict, Field

from api import codes
from api.answers import SIGNED_IN, refusals
from api.problems import Slug
from api.routers.exchange import Anyone, Office, TheDesk
from api.routers.phones import TheVault

router = APIRouter(prefix="/v1", tags=["codes"])

_NO_STORE = {"Cache-Control": "no-store"}
What = Literal["pin", "bitting", "other"]


class CodeBody(BaseModel):
    """A code."""

    model_config = ConfigDict(extra="forbid")

    code: str = Field(min_length=1, max_length=200)
    what: What


class CodeAnswer(BaseModel):
    """A code, shown."""

    code: str
    what: str


class LogLine(BaseModel):
    """Who did what with which call's code; nothing of the code."""

    seq: int
    at: datetime
    day: str
    call_id: str
    key_id: str
    van_id: str | None
    what: str


class LogPage(BaseModel):
    """Some lines, latest first."""

    items: list[LogLine]
    next: str | None


@router.put(
    "/days/{day}/calls/{call}/code",
    status_code=204,
    summary="Keep the code of a call, sealed",
    responses=refusals(*SIGNED_IN, Slug.NOT_FOUND, Slug.INVALID_INPUT),
)
def put(
    day: str, call: str, body: CodeBody, who: Office, desk: TheDesk, vault: TheVault
) -> Response:
    """Keep the code of a call; it cannot be read back, only set anew.

    Parameters
    ----------
    day, call : str
        Whose.
    body : CodeBody
        The code.
    who : Principal
        Who asks.
    desk : Desk
        The app's.
    vault : Vault
        The app's.

    Returns
    -------
    Response
        Without a body.
    """
    codes.set_code(desk, vault, who, (day, call), (body.what, body.code))
    return Response(status_code=204, headers=_NO_STORE)


@router.delete(
    "/days/{day}/calls/{call}/code",
    status_code=204,
    summary="Delete the code of a call",
    responses=refusals(*SIGNED_IN, Slug.NOT_FOUND, Slug.INVALID_INPUT),
)
def delete(day: str, call: str, who: Office, desk: TheDesk) -> Response:
    """Delete the code of a call.

    Parameters
    ----------
    day, call : str
        Whose.
    who : Principal
        Who asks.
    desk : Desk
        The app's.

    Returns
    -------
    Response
        Without a body.
    """
    codes.remove_code(desk, who, (day, call))
    return Response(status_code=204, headers=_NO_STORE)


@router.post(
    "/days/{day}/calls/{call}/code/reveal",
    summary="Show a code to the van that is about to need it",
    responses=refusals(*SIGNED_IN, Slug.NOT_FOUND, Slug.INVALID_INPUT),
)
def reveal(
    day: str,
    call: str,
    who: Anyone,
    desk: TheDesk,
    vault: TheVault,
    response: Response,
) -> CodeAnswer:
    """Show a code to the van that is about to need it; each time is written down.

    Parameters
    ----------
    day, call : str
        Whose.
    who : Principal
        Who asks.
    desk : Desk
        The app's.
    vault : Vault
        The app's.
    response : Response
        Is not kept anywhere.

    Returns
    -------
    CodeAnswer
        The code.
    """
    what, code = codes.show_code(desk, vault, who, (day, call))
    response.headers.update(_NO_STORE)
    return CodeAnswer(code=code, what=what)


@router.get(
    "/code-log",
    summary="Say who set, saw or was refused which call's code",
    responses=refusals(*SIGNED_IN, Slug.INVALID_INPUT),
)
def log(
    _: Office,
    desk: TheDesk,
    response: Response,
    limit: Annotated[int, Query(ge=1, le=200)] = 50,
    after: Annotated[int | None, Query(ge=1, lt=2**63)] = None,
) -> LogPage:
    """Say who set, saw or was refused which call's code, latest first.

    Parameters
    ----------
    _ : Principal
        Who asks.
    desk : Desk
        The app's.
    response : Response
        Is not kept anywhere.
    limit : int
        How many lines at most.
    after : int or None
        Where the page before this one ended.

    Returns
    -------
    LogPage
        Some lines.
    """
    found = codes.read_log(desk, limit + 1, after)
    response.headers.update(_NO_STORE)
    items = [
        LogLine(
            seq=line.seq,
            at=datetime.fromtimestamp(line.at_ms / 1000, UTC),
            day=line.day_id,
            call_id=line.call_id,
            key_id=line.key_id,
            van_id=line.van_id,
            what=line.what,
        )
        for line in found[:limit]
    ]
    more = len(found) > limit
    return LogPage(items=items, next=str(items[-1].seq) if more else None)
