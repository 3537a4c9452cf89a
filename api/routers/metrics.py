"""Counts and times, for programs that watch the service."""

from typing import Annotated

from fastapi import APIRouter, Depends, Request, Response

from api.answers import SIGNED_IN, refusals
from api.routers.exchange import Office
from api.watch import Counts

router = APIRouter(tags=["operation"])

_KIND = "application/openmetrics-text; version=1.0.0; charset=utf-8"


def the_counts(request: Request) -> Counts:
    """Return what the app has counted.

    Parameters
    ----------
    request : Request
        Of the app.

    Returns
    -------
    Counts
        Of this process.
    """
    counts: Counts = request.app.state.counts
    return counts


@router.get(
    "/metrics",
    summary="Say what was counted",
    response_class=Response,
    responses={
        **refusals(*SIGNED_IN),
        200: {
            "description": "Counts and times in the open exposition format.",
            "content": {"application/openmetrics-text": {"schema": {"type": "string"}}},
        },
    },
)
def metrics(_: Office, counts: Annotated[Counts, Depends(the_counts)]) -> Response:
    """Say what this process has counted since it started.

    Parameters
    ----------
    _ : Principal
        Who asks.
    counts : Counts
        The app's.

    Returns
    -------
    Response
        In the open exposition format.
    """
    headers = {"Content-Type": _KIND, "Cache-Control": "no-store"}
    return Response(counts.text(), headers=headers)
