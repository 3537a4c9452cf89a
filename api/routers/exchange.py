"""What every route does with what comes in and goes out."""

import hashlib
import json
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Annotated, Any, TypeVar
from urllib.parse import quote

from fastapi import Depends, Header, Query, Request, Response
from pydantic import BaseModel

from api.course import digest_of
from api.desk import Desk
from api.feed import Feed
from api.problems import (
    Changed,
    KeyNeeded,
    KeyReused,
    NotFound,
    PreconditionNeeded,
)
from api.routers.health import the_desk
from api.security import Principal, anyone, office
from api.store import Transaction
from api.store.replies import Reply, add_reply, find_reply
from api.vault import Vault

T = TypeVar("T")
JSON = "application/json"
_KEY = re.compile(r"[A-Za-z0-9._:-]{1,64}")
_DAY = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$"

TheDesk = Annotated[Desk, Depends(the_desk)]
Anyone = Annotated[Principal, Depends(anyone)]
Office = Annotated[Principal, Depends(office)]
Limit = Annotated[int, Query(ge=1, le=200, description="How many at most.")]
After = Annotated[
    str, Query(max_length=200, description="What 'next' of the page before says.")
]
IdempotencyKey = Annotated[
    str | None,
    Header(description="1 to 64 characters; the same again: the same answer again."),
]
IfMatch = Annotated[str | None, Header(description="The ETag that was seen.")]
IfNoneMatch = Annotated[str | None, Header(description="An ETag: 304 where it holds.")]

ETAGGED: dict[int | str, dict[str, Any]] = {
    200: {
        "headers": {
            "ETag": {
                "schema": {"type": "string"},
                "description": "Of exactly the bytes.",
            }
        }
    },
    304: {"description": "It is as you know it."},
}


def the_feed(request: Request) -> Feed:
    """Return the feed of the app.

    Parameters
    ----------
    request : Request
        Of the app.

    Returns
    -------
    Feed
        Its feed.
    """
    feed: Feed = request.app.state.feed
    return feed


TheFeed = Annotated[Feed, Depends(the_feed)]


def as_bytes(value: object) -> bytes:
    """Return what goes out as JSON.

    Parameters
    ----------
    value : BaseModel, mapping or sequence
        What it is.

    Returns
    -------
    bytes
        JSON.
    """
    if isinstance(value, BaseModel):
        return value.model_dump_json().encode()

    def plain(each: object) -> object:
        if isinstance(each, BaseModel):
            return each.model_dump(mode="json")
        return str(each)

    return json.dumps(value, ensure_ascii=False, default=plain).encode()


def etag_of(body: bytes) -> str:
    """Return the strong validator of some bytes.

    Parameters
    ----------
    body : bytes
        As they are sent.

    Returns
    -------
    str
        With its quotes.
    """
    return f'"{hashlib.sha256(body).hexdigest()[:32]}"'


def matches(header: str | None, etag: str) -> bool:
    """Return whether an If-None-Match names a validator.

    Parameters
    ----------
    header : str or None
        As it came.
    etag : str
        With its quotes.

    Returns
    -------
    bool
        Weakly compared, as RFC 9110 has it.
    """
    if header is None:
        return False
    known = [each.strip().removeprefix("W/") for each in header.split(",")]
    return etag in known or "*" in known


def shown(
    request: Request,
    value: object,
    headers: Mapping[str, str] | None = None,
    kept: str = "private, no-cache",
) -> Response:
    """Answer with one resource, or that it is known.

    Parameters
    ----------
    request : Request
        Who asks, and what is known there.
    value : bytes, BaseModel, mapping or sequence
        What it is; bytes are JSON already.
    headers : mapping of str to str, optional
        More headers.
    kept : str
        Cache-Control.

    Returns
    -------
    Response
        200 or 304.
    """
    body = value if isinstance(value, bytes) else as_bytes(value)
    etag = etag_of(body)
    more = {"ETag": etag, "Cache-Control": kept, **(headers or {})}
    if matches(request.headers.get("if-none-match"), etag):
        return Response(status_code=304, headers=more)
    return Response(body, media_type=JSON, headers=more)


def demand_match(header: str | None, value: object) -> None:
    """See that who changes something has seen it as it is.

    Parameters
    ----------
    header : str or None
        If-Match.
    value : object
        What it is now, as :func:`shown` shows it.

    Raises
    ------
    PreconditionNeeded
        When nothing was said.
    Changed
        When it is another one by now.
    """
    if header is None:
        raise PreconditionNeeded("send If-Match with the ETag that you have seen")
    body = value if isinstance(value, bytes) else as_bytes(value)
    if etag_of(body) not in [each.strip() for each in header.split(",")]:
        raise Changed("fetch it again first")


def page(
    items: Iterable[T],
    name: Callable[[T], str],
    show: Callable[[T], object],
    limit: int,
    after: str,
) -> Response:
    """Answer with a part of a list.

    Parameters
    ----------
    items : iterable
        All of them, in order.
    name : callable
        What the next page is asked for by.
    show : callable
        How one goes out.
    limit : int
        How many at most.
    after : str
        Where the page before ended; empty: from the first one.

    Returns
    -------
    Response
        ``items`` and ``next``.
    """
    found = list(items)
    if after:
        names = [name(each) for each in found]
        found = found[names.index(after) + 1 :] if after in names else []
    some = found[:limit]
    more = name(some[-1]) if len(found) > limit else None
    body = as_bytes({"items": [show(each) for each in some], "next": more})
    return Response(body, media_type=JSON, headers={"Cache-Control": "no-store"})


def a_page_of(item: type[BaseModel]) -> dict[int | str, dict[str, Any]]:
    """Return how a page is declared.

    Parameters
    ----------
    item : type
        What is on it.

    Returns
    -------
    dict
        For FastAPI's ``responses``.
    """
    schema = {
        "type": "object",
        "properties": {
            "items": {
                "type": "array",
                "items": item.model_json_schema(
                    mode="serialization", ref_template="#/components/schemas/{model}"
                ),
            },
            "next": {"anyOf": [{"type": "string"}, {"type": "null"}]},
        },
        "required": ["items", "next"],
    }
    return {200: {"content": {JSON: {"schema": schema}}}}


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What a request has made.

    Parameters
    ----------
    value : object
        As it goes out; ``None``: nothing does.
    status : int
        The status.
    headers : mapping of str to str
        More headers.
    """

    value: object
    status: int = 201
    headers: Mapping[str, str] = field(default_factory=dict)


def once(
    request: Request,
    desk: Desk,
    who: Principal,
    body: BaseModel | None,
    make: Callable[[Transaction], Done],
    vault: Vault | None = None,
) -> Response:
    """Make something once, however often the request comes.

    Parameters
    ----------
    request : Request
        With its Idempotency-Key.
    desk : Desk
        The service's.
    who : Principal
        Who asks.
    body : BaseModel or None
        What is asked.
    make : callable
        Makes it, in the transaction in which the answer is kept.
    vault : Vault, optional
        Where the answer holds a secret: it is kept sealed.

    Returns
    -------
    Response
        The first answer, each time.

    Raises
    ------
    KeyNeeded
        When there is no key.
    KeyReused
        When it came with another request before.
    """
    key = request.headers.get("idempotency-key")
    if key is None or not _KEY.fullmatch(key):
        raise KeyNeeded("send an Idempotency-Key of 1 to 64 letters, digits, '._:-'")
    route = f"{request.method} {request.url.path}"
    asked = {} if body is None else body.model_dump(mode="json", exclude_unset=True)
    digest = digest_of(asked)
    with desk.store.write() as transaction:
        reply = find_reply(transaction, who.key_id, key)
        if reply is not None:
            if (reply.route, reply.digest) != (route, digest):
                raise KeyReused("this key was sent with another request")
            if vault is not None:
                name, _, sealed = reply.body.partition(b" ")
                body_before = vault.open(sealed, name.decode(), route)
                reply = replace(reply, body=body_before.encode())
            return _sent(reply, repeated=True)
        done = make(transaction)
        reply = Reply(
            route=route,
            digest=digest,
            status=done.status,
            headers=dict(done.headers),
            body=b"" if done.value is None else as_bytes(done.value),
        )
        kept = reply
        if vault is not None:
            sealed, sealed_with = vault.seal(reply.body.decode(), route)
            kept = replace(reply, body=sealed_with.encode() + b" " + sealed)
        add_reply(transaction, who.key_id, key, kept)
    return _sent(reply)


def _sent(reply: Reply, *, repeated: bool = False) -> Response:
    headers = {"Cache-Control": "no-store", **reply.headers}
    if repeated:
        headers["Keyround-Repeated"] = "true"
    media = JSON if reply.body else None
    return Response(reply.body, reply.status, headers=headers, media_type=media)


def path_of(*steps: str) -> str:
    """Return a path of ours.

    Parameters
    ----------
    *steps : str
        Its parts, as they are.

    Returns
    -------
    str
        Percent-encoded.
    """
    return "/v1/" + "/".join(quote(step, safe="") for step in steps)


def find(items: Sequence[T], wanted: Callable[[T], bool], words: str) -> T:
    """Return the one that is wanted.

    Parameters
    ----------
    items : sequence
        All.
    wanted : callable
        Which.
    words : str
        What to say where there is none.

    Returns
    -------
    any
        The first one.

    Raises
    ------
    NotFound
        When there is none.
    """
    for each in items:
        if wanted(each):
            return each
    raise NotFound(words)
