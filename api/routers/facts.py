"""What happens on the day: told, and looked at."""

from typing import Any

from fastapi import APIRouter, Response

from api.answers import SIGNED_IN, refusals
from api.bodies import (
    FactsBody,
    FactView,
    HandedBody,
    PartBody,
    ResultsView,
    ResultView,
    moment,
    news_from,
    span_body,
)
from api.course import Teller, tell_facts
from api.desk import know
from api.problems import Slug
from api.routers.days import see_day
from api.routers.exchange import (
    JSON,
    After,
    Anyone,
    Limit,
    TheDesk,
    a_page_of,
    as_bytes,
    page,
)
from api.store.facts import Told
from dispatch.report.live import fact_words
from shared.model import Call, Day

router = APIRouter(tags=["facts"])
CLOCK_S = 60  # a phone's clock may be so much off before it is corrected


@router.post(
    "/v1/days/{day}/facts",
    summary="Tell what happened, each fact exactly once however often it is sent",
    response_model=ResultsView,
    responses=refusals(
        *SIGNED_IN,
        Slug.INVALID_INPUT,
        Slug.NOT_FOUND,
        Slug.MOVED_ON,
        Slug.WRONG_MEDIA,
        Slug.TOO_LARGE,
    ),
)
def tell(day: str, body: FactsBody, who: Anyone, desk: TheDesk) -> Response:
    """Tell what happened; one fact that is refused holds none of the others back."""
    now = desk.clock()
    ahead_s = round((now - body.sent_at).total_seconds())
    by_s = ahead_s if abs(ahead_s) > CLOCK_S else 0
    with desk.store.write() as transaction:
        brief = see_day(transaction, who, day)
        known = know(desk, transaction, day)
        news = [news_from(known.day, fact, by_s) for fact in body.facts]
        teller = Teller(key_id=who.key_id, van_id=who.van_id)
        outcomes = tell_facts(desk, transaction, day, teller, news)
    results = tuple(
        ResultView(id=each.id, result=each.result.value, reason=each.reason)
        for each in outcomes
    )
    view = ResultsView(
        results=results,
        plan_version=brief.plan_version or 0,
        now_at=now.astimezone(known.day.zone),
    )
    headers = {"Cache-Control": "no-store"}
    return Response(as_bytes(view), media_type=JSON, headers=headers)


@router.get(
    "/v1/days/{day}/facts",
    summary="List what happened, as it came in",
    responses={
        **refusals(*SIGNED_IN, Slug.INVALID_INPUT, Slug.NOT_FOUND),
        **a_page_of(FactView),
    },
)
def show_facts(
    day: str, who: Anyone, desk: TheDesk, limit: Limit = 50, after: After = ""
) -> Response:
    """List what happened; a van sees its own."""
    with desk.store.read() as transaction:
        see_day(transaction, who, day)
        known = know(desk, transaction, day)
    told = [each for each in known.told if who.van_id in (None, each.fact.van_id)]
    calls = [now.call for now in known.state.calls.values()]
    return page(
        told,
        lambda each: str(each.seq),
        lambda each: fact_view(known.day, calls, each),
        limit,
        after,
    )


def fact_view(day: Day, calls: list[Call], told: Told) -> FactView:
    """Return a fact as it goes out.

    Parameters
    ----------
    day : Day
        The day.
    calls : list of Call
        All that are known.
    told : Told
        The fact.

    Returns
    -------
    FactView
        With its words.
    """
    fact, clock = told.fact, day.clock
    said: dict[str, Any] = {
        "parts": _pieces(fact.parts),
        "handed": None
        if fact.handed is None
        else tuple(
            HandedBody(van_id=van_id, part_id=part_id, quantity=quantity)
            for van_id, part_id, quantity in fact.handed
        ),
        "tools": fact.tools,
        "returned": fact.returned,
        "late_s": fact.late_s,
        "window": None if fact.window is None else span_body(day.clock, fact.window),
    }
    return FactView.model_construct(
        id=fact.id,
        kind=fact.kind,
        at=clock.instant(fact.at_s),
        van_id=fact.van_id,
        call_id=fact.call_id if fact.call is None else fact.call.id,
        store_id=fact.store_id,
        note=fact.note,
        call=None,
        keys=None,
        seq=told.seq,
        received_at=moment(clock, told.received_ms),
        by=told.told_by,
        words=fact_words(day, calls, fact),
        **said,
    )


def _pieces(
    parts: tuple[tuple[str, int], ...] | None,
) -> tuple[PartBody, ...] | None:
    if parts is None:
        return None
    return tuple(PartBody(part_id=part, quantity=pieces) for part, pieces in parts)
