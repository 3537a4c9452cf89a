"""The stream of what changes."""

from typing import Annotated

from fastapi import APIRouter, Header, Query
from fastapi.responses import StreamingResponse

from api.answers import SIGNED_IN, refusals
from api.feed import Listener
from api.problems import Slug
from api.routers.exchange import Anyone, TheFeed

router = APIRouter(tags=["events"])
MOST = 2**62


@router.get(
    "/v1/events",
    summary="Hear what changes, as server-sent events",
    response_class=StreamingResponse,
    responses={
        200: {"content": {"text/event-stream": {"schema": {"type": "string"}}}},
        **refusals(*SIGNED_IN, Slug.INVALID_INPUT),
    },
)
async def show_events(
    who: Anyone,
    feed: TheFeed,
    after: Annotated[int | None, Query(ge=0, le=MOST)] = None,
    last_event_id: Annotated[int | None, Header(ge=0, le=MOST)] = None,
) -> StreamingResponse:
    """Hear what changes; a header Last-Event-ID wins over ``after``."""
    listener = Listener(key_id=who.key_id, van_id=who.van_id)
    known = after if last_event_id is None else last_event_id
    return StreamingResponse(
        feed.stream(listener, known),
        media_type="text/event-stream",
        headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
    )
