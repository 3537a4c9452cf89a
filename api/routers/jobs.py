"""Planning: asked for, watched, ended."""

from fastapi import APIRouter, Request, Response

from api.answers import SIGNED_IN, refusals
from api.bodies import CancelBody, JobBody, JobView, job_view
from api.course import queue
from api.desk import brief_of, know
from api.problems import NotFound, Slug
from api.routers.days import MAKES, ONE
from api.routers.exchange import (
    JSON,
    After,
    Done,
    IdempotencyKey,
    Limit,
    Office,
    TheDesk,
    a_page_of,
    as_bytes,
    once,
    page,
    path_of,
)
from api.store import Transaction
from api.store.jobs import end_job, find_job, list_jobs, wish
from shared.errors import Conflict

router = APIRouter(tags=["jobs"])


@router.post(
    "/v1/days/{day}/jobs",
    status_code=202,
    summary="Have a day planned, or the rest of a running one planned anew",
    response_model=JobView,
    responses=refusals(
        *SIGNED_IN, Slug.INVALID_INPUT, Slug.NOT_FOUND, Slug.MOVED_ON, *MAKES
    ),
)
def ask(
    request: Request,
    day: str,
    body: JobBody,
    who: Office,
    desk: TheDesk,
    idempotency_key: IdempotencyKey = None,
) -> Response:
    """Have a day planned; a worker takes it."""
    del idempotency_key

    def make(transaction: Transaction) -> Done:
        clock = know(desk, transaction, day).day.clock
        if body.rounds is not None and body.seconds is not None:
            raise Conflict("rounds and seconds are two ends of one search: say one")
        job = queue(transaction, day, body.model_dump(exclude_none=True))
        headers = {"Location": path_of("jobs", job.id)}
        return Done(value=job_view(clock, job), status=202, headers=headers)

    return once(request, desk, who, body, make)


@router.get(
    "/v1/days/{day}/jobs",
    summary="List the jobs of a day, the latest first",
    responses={**ONE, **a_page_of(JobView)},
)
def show_jobs(
    day: str, who: Office, desk: TheDesk, limit: Limit = 50, after: After = ""
) -> Response:
    """List the jobs of a day."""
    del who
    with desk.store.read() as transaction:
        brief_of(transaction, day)
        clock = know(desk, transaction, day).day.clock
        jobs = list_jobs(transaction, day)
    return page(
        jobs, lambda job: job.id, lambda job: job_view(clock, job), limit, after
    )


@router.get(
    "/v1/jobs/{job}",
    summary="Look at a job",
    response_model=JobView,
    responses=ONE,
)
def show_job(job: str, who: Office, desk: TheDesk) -> Response:
    """Look at a job: how far it is."""
    del who
    with desk.store.read() as transaction:
        found = find_job(transaction, job)
        if found is None:
            raise NotFound("there is no such job")
        view = job_view(know(desk, transaction, found.day_id).day.clock, found)
    headers = {"Cache-Control": "no-store"}
    return Response(as_bytes(view), media_type=JSON, headers=headers)


@router.post(
    "/v1/jobs/{job}/cancel",
    status_code=202,
    summary="End a job: with nothing, or with the best plan so far",
    response_model=JobView,
    responses=refusals(
        *SIGNED_IN,
        Slug.INVALID_INPUT,
        Slug.NOT_FOUND,
        Slug.MOVED_ON,
        Slug.WRONG_MEDIA,
        Slug.TOO_LARGE,
    ),
)
def cancel(job: str, body: CancelBody, who: Office, desk: TheDesk) -> Response:
    """End a job; once more is no other end."""
    del who
    with desk.store.write() as transaction:
        found = find_job(transaction, job)
        if found is None:
            raise NotFound("there is no such job")
        clock = know(desk, transaction, found.day_id).day.clock
        if found.open and body.keep and found.state == "running":
            found = wish(transaction, job, "keep")
        elif found.open and body.keep:
            raise Conflict("it has not begun: there is no plan yet to keep")
        elif found.open:
            found = end_job(transaction, job, "cancelled")
        elif found.state != "cancelled":
            raise Conflict(f"this job is {found.state}")
    view = as_bytes(job_view(clock, found))
    headers = {"Cache-Control": "no-store"}
    return Response(view, 202, media_type=JSON, headers=headers)
