"""The trade table: what kinds of work there are."""

from fastapi import APIRouter, Request, Response

from api.answers import SIGNED_IN, refusals
from api.bodies import KindsView, KindView
from api.problems import Slug
from api.routers.exchange import ETAGGED, Anyone, shown
from dispatch.report.document import caution_document
from shared.trade import cautions, work

router = APIRouter(tags=["kinds"])


@router.get(
    "/v1/kinds",
    summary="Look at the kinds of work, and at the cautions that go with them",
    response_model=KindsView,
    responses={**refusals(*SIGNED_IN, Slug.INVALID_INPUT), **ETAGGED},
)
def show_kinds(request: Request, who: Anyone) -> Response:
    """Look at the kinds of work: usual lengths, what must be ready, sources."""
    del who
    view = KindsView(
        items=tuple(
            KindView(
                id=kind.id,
                name=kind.name,
                median_s=kind.median_s,
                p90_s=kind.p90_s,
                skills=tuple(sorted(kind.skills)),
                equipment=tuple(sorted(kind.equipment)),
                ready=tuple(item.kind for item in kind.ready),
                cautions=kind.cautions,
                source=kind.source,
            )
            for kind in work().values()
        ),
        cautions=tuple(map(caution_document, cautions().values())),
    )
    return shown(request, view)
