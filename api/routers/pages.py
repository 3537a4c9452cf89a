"""The pages, from memory: they are read once, when the app is made."""

import gzip
import hashlib
import mimetypes
from collections.abc import Mapping
from importlib import resources
from typing import NamedTuple

from fastapi import APIRouter, Request, Response

from api.problems import NotFound

POLICY = (
    "default-src 'self'; img-src 'self' data:; frame-ancestors 'none'; "
    "base-uri 'none'; form-action 'self'; object-src 'none'"
)
_TYPES = {
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".html": "text/html; charset=utf-8",
    ".webmanifest": "application/manifest+json",
}


class Page(NamedTuple):
    """One file of a page."""

    body: bytes
    packed: bytes
    kind: str
    etag: str


def read_pages() -> Mapping[str, Page]:
    """Read all files of the pages.

    Returns
    -------
    mapping of str to Page
        By name.
    """
    pages = {}
    for file in resources.files("api").joinpath("page").iterdir():
        if file.is_file() and not file.name.startswith((".", "_")):
            body = file.read_bytes()
            suffix = "." + file.name.rpartition(".")[2]
            usual = mimetypes.guess_type(file.name)[0] or "application/octet-stream"
            pages[file.name] = Page(
                body=body,
                packed=gzip.compress(body, mtime=0),
                kind=_TYPES.get(suffix, usual),
                etag=hashlib.sha256(body).hexdigest()[:32],
            )
    return pages


def page_router(pages: Mapping[str, Page]) -> APIRouter:
    """Return the routes of the pages.

    Parameters
    ----------
    pages : mapping of str to Page
        By name.

    Returns
    -------
    APIRouter
        ``/``, ``/phone`` and ``/page/NAME``; no part of the OpenAPI document.
    """
    router = APIRouter(include_in_schema=False)

    def show(request: Request, name: str) -> Response:
        page = pages.get(name)
        if page is None:
            raise NotFound("there is no such page")
        zipped = "gzip" in request.headers.get("accept-encoding", "")
        # Two representations, two strong validators.
        etag = f'"{page.etag}{"-z" if zipped else ""}"'
        headers = {
            "ETag": etag,
            "Cache-Control": "no-cache",
            "Vary": "Accept-Encoding",
            "Content-Security-Policy": POLICY,
        }
        if name == "worker.js":
            headers["Service-Worker-Allowed"] = "/"
        if request.headers.get("if-none-match") == etag:
            return Response(status_code=304, headers=headers)
        if zipped:
            headers["Content-Encoding"] = "gzip"
        body = page.packed if zipped else page.body
        return Response(body, media_type=page.kind, headers=headers)

    @router.get("/")
    def office_page(request: Request) -> Response:
        return show(request, "office.html")

    @router.get("/phone")
    def phone_page(request: Request) -> Response:
        return show(request, "phone.html")

    @router.get("/page/{name}")
    def page(request: Request, name: str) -> Response:
        return show(request, name)

    return router
