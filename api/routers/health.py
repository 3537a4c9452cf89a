"""How the service is, and what its problems mean."""

import time
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import JSONResponse

from api.answers import refusals
from api.desk import Desk
from api.problems import MEANINGS, NotFound, Slug
from shared.errors import Unavailable

router = APIRouter(tags=["operation"])


async def the_desk(request: Request) -> Desk:
    """Return the desk of the app.

    Parameters
    ----------
    request : Request
        Of the app.

    Returns
    -------
    Desk
        Its desk.
    """
    desk: Desk = request.app.state.desk
    return desk


@router.get("/health", summary="Ask everything the service needs whether it is there")
def health(desk: Annotated[Desk, Depends(the_desk)]) -> JSONResponse:
    """Ask everything the service needs whether it is there.

    Parameters
    ----------
    desk : Desk
        The app's.

    Returns
    -------
    JSONResponse
        200, or 503 where something does not answer.
    """
    begun = time.perf_counter()
    try:
        desk.store.ping()
        alive = True
    except Unavailable:
        alive = False
    checks = {
        "store": {"ok": alive, "ms": round(1000 * (time.perf_counter() - begun), 1)}
    }
    return JSONResponse(
        {"status": "ok" if alive else "failing", "checks": checks},
        status_code=200 if alive else 503,
        headers={"Cache-Control": "no-store"},
    )


@router.get(
    "/v1/problems/{slug}",
    summary="Say what a problem means",
    responses=refusals(Slug.NOT_FOUND),
)
def problem(slug: str) -> dict[str, object]:
    """Say what a problem means.

    Parameters
    ----------
    slug : str
        Its name.

    Returns
    -------
    dict of str to object
        Status and title.

    Raises
    ------
    NotFound
        When there is no such problem.
    """
    if slug not in list(Slug):
        raise NotFound("there is no such problem")
    status, title = MEANINGS[Slug(slug)]
    return {"type": f"/v1/problems/{slug}", "status": status, "title": title}
