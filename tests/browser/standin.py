"""A service for the phone page alone: pages as they are, the rest from memory.

It keeps the contract of the routes a phone uses and writes down what it was sent.
"""

import asyncio
import hashlib
import json
import threading
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import uvicorn
from fastapi import FastAPI, Request, Response
from starlette.responses import JSONResponse, StreamingResponse

from api.routers.pages import page_router, read_pages

Json = dict[str, Any]
COOKIE = "keyround"


@dataclass(slots=True, kw_only=True)
class Standin:
    """What a stand-in holds, for a test to read and to change."""

    sheet: Json | None
    now_at: str
    plan: int = 1
    code: str = "ABCD-2345"
    shown: str = "PIN 4711"
    tokens: set[str] = field(default_factory=set)
    batches: list[Json] = field(default_factory=list)
    facts: dict[str, Json] = field(default_factory=dict)
    refuse: dict[str, str] = field(default_factory=dict)  # kind -> reason
    lose_answers: int = 0  # so many batches are taken, and their answer is lost
    is_down: bool = False
    is_stuck: bool = False  # sheets are asked for, and no answer ever comes
    is_mute: bool = False  # streams are open, and nothing comes through
    late_s: float = 0  # so long an answer is on its way
    asked: int = 0  # how often the sheet was asked for
    events: list[tuple[str, Json]] = field(default_factory=list)
    asked_after: list[str] = field(default_factory=list)
    reveals: list[tuple[str, str]] = field(default_factory=list)
    fetches: list[int] = field(default_factory=list)  # status of each sheet fetch
    url: str = ""

    def change(self, sheet: Json) -> None:
        """Put another sheet in force and tell it."""
        self.sheet = sheet
        self.plan += 1
        self.events.append(("sheet", {"day": sheet["day"], "van_id": "mira"}))


def problem(status: int, detail: str) -> JSONResponse:
    return JSONResponse(
        {"type": "/v1/problems/x", "title": detail, "status": status, "detail": detail},
        status_code=status,
        media_type="application/problem+json",
    )


def make_app(it: Standin) -> FastAPI:  # noqa: C901, PLR0915 - small routes in a row
    """Return the app."""
    app = FastAPI()
    app.include_router(page_router(read_pages()))

    @app.middleware("http")
    async def guard(request: Request, go_on: Any) -> Response:
        path = request.url.path
        if it.is_down and path.startswith("/v1"):
            return Response(status_code=502)
        is_open = not path.startswith("/v1") or (path, request.method) == (
            "/v1/session",
            "POST",
        )
        if not is_open and request.cookies.get(COOKIE) not in it.tokens:
            return problem(401, "sign in first")
        answer: Response = await go_on(request)
        return answer

    @app.post("/v1/session")
    async def pair(request: Request) -> Response:
        if (await request.json()).get("code") != it.code:
            return problem(401, "this code is not good")
        token = f"token-{len(it.tokens)}"
        it.tokens.add(token)
        answer = JSONResponse(
            {"kind": "van", "van_id": "mira", "expires_at": "2027-03-04T00:00:00Z"},
            status_code=201,
        )
        answer.set_cookie(COOKIE, token, httponly=True, samesite="strict")
        return answer

    @app.get("/v1/session")
    async def session() -> Json:
        return {
            "kind": "van",
            "van_id": "mira",
            "expires_at": "2027-03-04T00:00:00Z",
            "now_at": it.now_at,
        }

    @app.delete("/v1/session")
    async def leave(request: Request) -> Response:
        it.tokens.discard(request.cookies[COOKIE])
        return Response(status_code=204)

    @app.get("/v1/vans/mira/sheet")
    async def sheet(request: Request) -> Response:
        it.asked += 1
        if it.is_stuck:
            await asyncio.Event().wait()  # for good, whatever comes later
        if it.sheet is None:
            it.fetches.append(404)
            return problem(404, "no plan yet")
        body = json.dumps(it.sheet).encode()
        headers = {
            "ETag": f'"{hashlib.sha256(body).hexdigest()}"',
            "Keyround-Plan": f"{it.sheet['day']}/{it.plan}",
        }
        is_same = request.headers.get("if-none-match") == headers["ETag"]
        it.fetches.append(304 if is_same else 200)
        await asyncio.sleep(it.late_s)  # what it says is settled by now
        if is_same:
            return Response(status_code=304, headers=headers)
        return Response(body, headers=headers, media_type="application/json")

    @app.post("/v1/days/{day}/facts")
    async def facts(day: str, request: Request) -> Response:
        batch = await request.json()
        it.batches.append(batch | {"day": day})
        results = []
        for fact in batch["facts"]:
            if fact["kind"] in it.refuse:
                result = ("refused", it.refuse[fact["kind"]])
            elif fact["id"] in it.facts:
                result = ("known", "")
            else:
                it.facts[fact["id"]] = fact
                result = ("taken", "")
            results.append({"id": fact["id"], "result": result[0], "reason": result[1]})
        if it.lose_answers > 0:
            it.lose_answers -= 1
            return Response(status_code=504)
        return JSONResponse(
            {"results": results, "plan_version": it.plan, "now_at": it.now_at}
        )

    @app.post("/v1/days/{day}/calls/{call}/code/reveal")
    async def reveal(day: str, call: str) -> Response:
        it.reveals.append((day, call))
        return JSONResponse(
            {"code": it.shown, "what": "pin"}, headers={"Cache-Control": "no-store"}
        )

    @app.get("/v1/events")
    async def events(request: Request) -> Response:
        asked = request.query_params.get("after") or request.headers.get(
            "last-event-id"
        )
        it.asked_after.append(asked or "")

        async def stream() -> AsyncIterator[str]:
            yield "retry: 500\n\n"
            at = len(it.events) if asked is None else int(asked)
            if asked is None:
                yield f'event: hello\ndata: {{"at": {at}}}\n\n'
            while not await request.is_disconnected() and not it.is_down:
                for name, data in [] if it.is_mute else it.events[at:]:
                    at += 1
                    yield f"id: {at}\nevent: {name}\ndata: {json.dumps(data)}\n\n"
                await asyncio.sleep(0.05)

        return StreamingResponse(stream(), media_type="text/event-stream")

    return app


@contextmanager
def served(it: Standin, port: int = 0) -> Iterator[Standin]:
    """Serve it on a port of this machine."""
    config = uvicorn.Config(
        make_app(it),
        port=port,
        log_level="error",
        lifespan="off",
        timeout_graceful_shutdown=1,
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    it.url = f"http://localhost:{server.servers[0].sockets[0].getsockname()[1]}"
    try:
        yield it
    finally:
        it.is_down = True  # ends the streams
        time.sleep(0.1)
        server.should_exit = True
        thread.join()
