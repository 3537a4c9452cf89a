"""The service as one ASGI application."""

import asyncio
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from api.crew import Here
from api.desk import Crew, Desk, Store
from api.feed import Feed
from api.journal import LOG
from api.problems import Problem, Slug, problem_of, problem_of_status
from api.roads import Surveyor
from api.routers import (
    addresses,
    calendars,
    calls,
    codes,
    days,
    events,
    facts,
    health,
    jobs,
    kinds,
    metrics,
    phones,
    plans,
    stock,
    urgent,
    vans,
)
from api.routers.pages import page_router, read_pages
from api.security import Door
from api.store.census import count_jobs, count_sessions
from api.tidy import keep_tidy
from api.vault import Vault, make_vault
from api.watch import Counts, Watch
from dispatch.scenario import Locator
from shared.errors import KeyroundError

MOST_BYTES = 2**20  # of a request's body; own choice
LONG_BODIES = {"/v1/days": 2**24}  # a whole folder
_UNSPOKEN = ("/session", "/code")  # paths to which secrets are sent: none is repeated


def create_app(  # noqa: PLR0913 - its parts
    *,
    store: Store,
    clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    crew: Crew | None = None,
    secure: bool = False,
    vault: Vault | None = None,
    keep_days: int | None = None,
    locator: Locator | None = None,
    roads: Surveyor | None = None,
) -> FastAPI:
    """Make the application.

    Parameters
    ----------
    store : Store
        Where all is kept, its tables up to date; closed by whoever opened it.
    clock : callable, optional
        Now, aware.
    crew : Crew, optional
        Who works out what has to be answered now; by default this process itself.
    secure : bool, optional
        Whether browsers reach it by https only.
    vault : Vault or None, optional
        Seals codes; ``None``: one whose key ends with the process.
    keep_days : int or None, optional
        Customers' data of days longer over than this is erased every hour; ``None``:
        none is.
    locator : Locator, optional
        What addresses are found in; by default nothing, and nobody is asked.
    roads : Surveyor or None, optional
        The road network that days are laid on; ``None``: straight lines.

    Returns
    -------
    FastAPI
        ``app.state.desk`` is its desk.
    """
    desk = Desk(
        store=store,
        clock=clock,
        crew=crew or Here(),
        locator=locator or Locator(),
        roads=roads,
    )
    door = Door()
    feed = Feed(desk, door)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        await feed.start()
        tidying = None
        if keep_days is not None:
            tidying = asyncio.create_task(keep_tidy(desk, keep_days))
        yield
        if tidying is not None:
            tidying.cancel()
        await feed.stop()

    app = FastAPI(
        title="keyround",
        summary="Plans a mobile locksmith's day.",
        version="1",
        openapi_url="/v1/openapi.json",
        docs_url=None,  # its pages come from elsewhere
        redoc_url=None,
        lifespan=lifespan,
        redirect_slashes=False,
    )
    app.state.desk = desk
    app.state.feed = feed
    app.state.door = door
    app.state.secure = secure
    app.state.vault = vault or make_vault()
    app.state.counts = Counts(more=lambda: _census(desk))
    app.add_middleware(
        Watch,
        counts=app.state.counts,
        defect=_answer_defect,
        secure=secure,
        most_bytes=lambda path: LONG_BODIES.get(path, MOST_BYTES),
    )
    app.add_exception_handler(KeyroundError, _answer_error)
    app.add_exception_handler(RequestValidationError, _answer_faults)
    app.add_exception_handler(HTTPException, _answer_refusal)
    # Routes are tried in their order: what phones fetch all the time comes first.
    matters = (plans, facts, health, days, calls, vans, stock, jobs, kinds, urgent)
    guarded = (events, addresses, phones, codes, calendars, metrics)
    for matter in (*matters, *guarded):
        app.include_router(matter.router)
    app.include_router(page_router(read_pages()))
    return app


def _census(desk: Desk) -> Iterator[tuple[str, str, str, dict[str, float]]]:
    """Yield what is counted when somebody looks."""
    with desk.store.read() as transaction:
        jobs = count_jobs(transaction)
        sessions = count_sessions(transaction)
    yield "keyround_jobs", "Jobs.", "state", dict(jobs)
    yield "keyround_sessions", "Sessions that are good.", "kind", dict(sessions)


def answer(problem: Problem) -> JSONResponse:
    """Return a problem as it is sent.

    Parameters
    ----------
    problem : Problem
        What went wrong.

    Returns
    -------
    JSONResponse
        Its status equals the one in the body.
    """
    return JSONResponse(
        problem.body(),
        status_code=problem.status,
        headers={"Cache-Control": "no-store", **problem.headers},
        media_type="application/problem+json",
    )


async def _answer_error(_: Request, error: Exception) -> JSONResponse:
    problem = problem_of(error)
    return _answer_defect(error) if problem.slug is Slug.DEFECT else answer(problem)


def _answer_defect(error: Exception) -> JSONResponse:
    LOG.error("defect", exc_info=error)
    return answer(problem_of(error))


async def _answer_refusal(_: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HTTPException)  # noqa: S101 - for mypy
    return answer(problem_of_status(error.status_code, str(error.detail)))


async def _answer_faults(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)  # noqa: S101 - for mypy
    unspoken = request.url.path.endswith(_UNSPOKEN)
    faults = tuple(
        (
            _place(each["loc"]),
            "" if unspoken else _got(each.get("input")),
            str(each["msg"]),
        )
        for each in error.errors()
    )
    return answer(Problem(slug=Slug.INVALID_INPUT, faults=faults))


def _place(steps: tuple[str | int, ...]) -> str:
    """Return where a fault is: ``body.facts[0].at``."""
    words = ""
    for step in steps:
        words += f"[{step}]" if isinstance(step, int) else f".{step}"
    return words.removeprefix(".")


def _got(value: object) -> str:
    """Return a value in a few words; of a longer one only what it is."""
    if value is None or isinstance(value, bool | int | float):
        return str(value)
    return f"'{value[:80]}'" if isinstance(value, str) else type(value).__name__
