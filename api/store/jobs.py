"""Planning that is to be done, as rows that workers take."""

import json
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from api.store.engine import Transaction
from api.tables import jobs

LEASE_MS = 30_000
"""How long a worker that says nothing has its job; own choice."""

ATTEMPTS = 3
"""After so many workers died over it, a job has failed; own choice."""

_OPEN = ("queued", "running")


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """Some planning.

    Parameters
    ----------
    id, day_id : str
        Its name, and of which day.
    kind : str
        'morning' or 'rest'.
    state : str
        'queued', 'running', 'done', 'failed' or 'cancelled'.
    asked : dict
        ``seed``, ``rounds`` and ``seconds``, as far as they were said.
    progress : dict or None
        How far it is.
    wish : str or None
        'keep': stop, the best so far becomes the plan.
    attempts : int
        How many workers took it.
    worker : str or None
        Who has it.
    version : int or None
        The plan it made.
    problem : dict or None
        Why it failed.
    created_ms, started_ms, ended_ms : int, int or None
        When.
    """

    id: str
    day_id: str
    kind: str
    state: str
    asked: dict[str, Any]
    progress: dict[str, Any] | None
    wish: str | None
    attempts: int
    worker: str | None
    version: int | None
    problem: dict[str, Any] | None
    created_ms: int
    started_ms: int | None
    ended_ms: int | None

    @property
    def open(self) -> bool:
        """Whether it is still to be done.

        Returns
        -------
        bool
            Queued or running.
        """
        return self.state in _OPEN


def add_job(
    transaction: Transaction, name: str, day_id: str, kind: str, asked: dict[str, Any]
) -> Job:
    """Write a job down.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    name, day_id, kind : str
        Its id, the day, and 'morning' or 'rest'.
    asked : dict
        ``seed``, ``rounds``, ``seconds``.

    Returns
    -------
    Job
        Queued.
    """
    transaction.connection.execute(
        sa.insert(jobs).values(
            id=name,
            day_id=day_id,
            kind=kind,
            state="queued",
            asked=json.dumps(asked),
            attempts=0,
            created_ms=transaction.now_ms,
        )
    )
    return _tell(transaction, name)


def find_job(transaction: Transaction, name: str) -> Job | None:
    """Find a job.

    Parameters
    ----------
    transaction : Transaction
        Any.
    name : str
        Its id.

    Returns
    -------
    Job or None
        ``None``: there is none.
    """
    row = transaction.connection.execute(
        sa.select(jobs).where(jobs.c.id == name)
    ).one_or_none()
    return None if row is None else _job(row)


def list_jobs(transaction: Transaction, day_id: str) -> list[Job]:
    """List the jobs of a day.

    Parameters
    ----------
    transaction : Transaction
        Any.
    day_id : str
        Which day.

    Returns
    -------
    list of Job
        The latest first.
    """
    rows = transaction.connection.execute(
        sa.select(jobs)
        .where(jobs.c.day_id == day_id)
        .order_by(jobs.c.created_ms.desc(), jobs.c.id)
    )
    return [_job(row) for row in rows]


def take_job(transaction: Transaction, worker: str) -> Job | None:
    """Take the next job: one that waits, or one whose worker has fallen silent.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    worker : str
        Who takes it.

    Returns
    -------
    Job or None
        ``None``: there is nothing to do. A job that too many workers died over has
        failed, and is not taken.
    """
    connection = transaction.connection
    silent = sa.and_(jobs.c.state == "running", jobs.c.lease_ms < transaction.now_ms)
    query = (
        sa.select(jobs)
        .where(sa.or_(jobs.c.state == "queued", silent))
        .order_by(jobs.c.created_ms, jobs.c.id)
        .limit(1)
        .with_for_update(skip_locked=True)
    )
    while (row := connection.execute(query).one_or_none()) is not None:
        if row.attempts >= ATTEMPTS:
            problem = {"detail": f"{ATTEMPTS} workers broke off over it"}
            end_job(transaction, row.id, "failed", problem=problem)
            continue
        connection.execute(
            sa.update(jobs)
            .where(jobs.c.id == row.id)
            .values(
                state="running",
                worker=worker,
                attempts=row.attempts + 1,
                lease_ms=transaction.now_ms + LEASE_MS,
                started_ms=row.started_ms or transaction.now_ms,
            )
        )
        return _tell(transaction, row.id)
    return None


def renew_job(
    transaction: Transaction, job: Job, progress: dict[str, Any] | None
) -> Job | None:
    """Say that a job is still being done, and how far it is.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    job : Job
        As it was taken.
    progress : dict or None
        How far it is.

    Returns
    -------
    Job or None
        As it is now, with what is wished; ``None``: it is this worker's no more.
    """
    if not holds(transaction, job):
        return None
    values: dict[str, object] = {"lease_ms": transaction.now_ms + LEASE_MS}
    if progress is not None:
        values["progress"] = json.dumps(progress)
    transaction.connection.execute(
        sa.update(jobs).where(jobs.c.id == job.id).values(values)
    )
    if progress is None:
        return find_job(transaction, job.id)
    return _tell(transaction, job.id)


def holds(transaction: Transaction, job: Job) -> bool:
    """Return whether a job is still the worker's that took it.

    Parameters
    ----------
    transaction : Transaction
        Any.
    job : Job
        As it was taken.

    Returns
    -------
    bool
        Not once it was cancelled, or taken by another one.
    """
    now = find_job(transaction, job.id)
    return (
        now is not None
        and now.state == "running"
        and (now.worker, now.attempts) == (job.worker, job.attempts)
    )


def end_job(
    transaction: Transaction,
    name: str,
    state: str,
    version: int | None = None,
    problem: dict[str, Any] | None = None,
) -> Job:
    """Note how a job ended.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    name, state : str
        Its id, and 'done', 'failed' or 'cancelled'.
    version : int or None
        The plan it made.
    problem : dict or None
        Why it failed.

    Returns
    -------
    Job
        As it is now.
    """
    transaction.connection.execute(
        sa.update(jobs)
        .where(jobs.c.id == name)
        .values(
            state=state,
            version=version,
            problem=None if problem is None else json.dumps(problem),
            ended_ms=transaction.now_ms,
            lease_ms=None,
        )
    )
    return _tell(transaction, name)


def put_back(transaction: Transaction, name: str) -> None:
    """Queue a job anew: what it was planning has changed meanwhile.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    name : str
        Its id.
    """
    transaction.connection.execute(
        sa.update(jobs)
        .where(jobs.c.id == name)
        .values(state="queued", attempts=0, worker=None, lease_ms=None, progress=None)
    )
    _tell(transaction, name)


def wish(transaction: Transaction, name: str, what: str) -> Job:
    """Ask the worker of a job for something.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    name, what : str
        Its id, and 'keep'.

    Returns
    -------
    Job
        As it is now.
    """
    transaction.connection.execute(
        sa.update(jobs).where(jobs.c.id == name).values(wish=what)
    )
    return _tell(transaction, name)


def _tell(transaction: Transaction, name: str) -> Job:
    job = find_job(transaction, name)
    assert job is not None  # noqa: S101 - it was just written
    data = {"day": job.day_id, "job": job.id, "state": job.state}
    transaction.tell("job", data, day_id=job.day_id)
    return job


def _job(row: sa.Row[Any]) -> Job:
    def read(text: str | None) -> dict[str, Any] | None:
        return None if text is None else json.loads(text)

    return Job(
        id=row.id,
        day_id=row.day_id,
        kind=row.kind,
        state=row.state,
        asked=read(row.asked) or {},
        progress=read(row.progress),
        wish=row.wish,
        attempts=row.attempts,
        worker=row.worker,
        version=row.version,
        problem=read(row.problem),
        created_ms=row.created_ms,
        started_ms=row.started_ms,
        ended_ms=row.ended_ms,
    )
