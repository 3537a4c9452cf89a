"""Takes jobs, plans, and puts what it planned in force.

It runs in a process of its own, one or several, on one machine or more. A job is its
own as long as it says so every few seconds; one that falls silent loses it to another.
"""

import logging
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from uuid import uuid4

from api.course import (
    Made,
    Teller,
    news_of,
    now_s,
    put_in_force,
    ready_to_run,
    tell_facts,
    write_moment,
    write_morning,
)
from api.desk import Desk, Known, in_force, know
from api.store.days import read_day, read_files, write_learnt
from api.store.jobs import Job, end_job, holds, put_back, renew_job, take_job
from dispatch.answer import answer
from dispatch.chance import Spreads, foretell
from dispatch.horizon import plan_days
from dispatch.lesson import Taught, study_if_told
from dispatch.live import Stand, step
from dispatch.planner import Budget, Progress, plan_day
from dispatch.report.document import outlook_json
from dispatch.reserve import hold
from dispatch.reshuffle import RESHUFFLE_ROUNDS
from dispatch.scenario import read_happened
from dispatch.wish import keep_promises
from shared.errors import Conflict, InvalidInput, KeyroundError
from shared.facts import in_order
from shared.model import Answer, Day

LOG = logging.getLogger("keyround.worker")
BEAT_S = 1.0  # how often it says how far it is
REST_S = 0.2  # how often it looks for work
AGAIN = 5  # facts that came in meanwhile are taken in at once, so often at most


@dataclass(slots=True)
class _Pulse:
    """Says every second that a job is being done, and hears what is wished."""

    desk: Desk
    job: Job
    progress: Progress | None = None
    said: Progress | None = None
    stop: bool = False
    gone: bool = False

    def beat(self) -> None:
        """Say it once."""
        progress = self.progress if self.progress is not self.said else None
        self.said = self.progress
        data = None if progress is None else _progress(progress)
        with self.desk.store.write() as transaction:
            now = renew_job(transaction, self.job, data)
        self.gone = now is None
        self.stop = self.stop or now is None or now.wish == "keep"

    def hear(self, progress: Progress) -> None:
        """Be told how far planning is."""
        self.progress = progress


def _progress(progress: Progress) -> dict[str, object]:
    return {**asdict(progress), "seconds": round(progress.seconds, 1)}


def work_once(desk: Desk, rounds: int | None = None) -> bool:
    """Take one job and do it.

    Parameters
    ----------
    desk : Desk
        The service's.
    rounds : int, optional
        How many rounds a job is searched that does not say; by default as many as suit
        the day.

    Returns
    -------
    bool
        Whether there was one.
    """
    with desk.store.write() as transaction:
        job = take_job(transaction, uuid4().hex)
    if job is None:
        return False
    pulse = _Pulse(desk, job)
    done = threading.Event()

    def live() -> None:
        while not done.wait(BEAT_S):
            try:
                pulse.beat()
            except KeyroundError:
                LOG.warning("job %s: the database did not answer", job.id)

    beating = threading.Thread(target=live, daemon=True)
    beating.start()
    try:
        _do(desk, job, pulse, rounds)
    except Exception as error:  # a defect ends the job, not the worker
        LOG.exception("job %s failed", job.id)
        said = isinstance(error, (Conflict, InvalidInput))
        words = str(error) if said else "it has been written down"
        with desk.store.write() as transaction:
            if holds(transaction, job):
                end_job(transaction, job.id, "failed", problem={"detail": words})
    finally:
        done.set()
        beating.join()
    return True


def _do(desk: Desk, job: Job, pulse: _Pulse, rounds: int | None) -> None:
    if job.kind == "morning":
        _plan_morning(desk, job, pulse, rounds)
        return
    for last in (*[False] * (AGAIN - 1), True):
        if _plan_rest(desk, job, pulse, last=last, rounds=rounds):
            return


def _plan_morning(desk: Desk, job: Job, pulse: _Pulse, rounds: int | None) -> None:
    with desk.store.read() as transaction:
        known = know(desk, transaction, job.day_id)
        files = read_files(transaction, job.day_id)
        given = read_day(transaction, job.day_id)
        assert given is not None  # noqa: S101 - it is known
        if desk.roads is not None:
            given = desk.roads.lay(transaction, given, ())
    taught = _study(desk, given, files)
    day = hold(taught.applied())
    known = replace(known, day=day)
    made = _morning(desk, known, taught.spreads(day), _budget(job, pulse, rounds))
    with desk.store.write() as transaction:
        if not holds(transaction, job):
            return
        now = know(desk, transaction, job.day_id)
        if now.brief.running:
            raise Conflict("the day began while it was being planned")
        if now.brief.revision != known.brief.revision:
            put_back(transaction, job.id)
            return
        version = put_in_force(transaction, now, made)
        figures = taught.figures() if taught.words else None
        write_learnt(transaction, job.day_id, figures)
        end_job(transaction, job.id, "done", version=version)
    _tell_what_waits(desk, job, rounds)


def _budget(job: Job, pulse: _Pulse, rounds: int | None) -> Budget:
    seconds: float | None = job.asked.get("seconds")
    begun = time.monotonic()
    spent = None
    if seconds is not None:

        def spent() -> float:
            return min(1.0, (time.monotonic() - begun) / seconds)

    return Budget(
        seed=job.asked.get("seed", 0),
        rounds=job.asked.get("rounds", rounds),
        spent=spent,
        stop=lambda: pulse.stop,
        report=pulse.hear,
    )


def _study(desk: Desk, day: Day, files: Mapping[str, bytes]) -> Taught:
    """Learn from the log that came with a day, if one did."""
    with _folder_of(files, "log.csv", "log.toml") as folder:
        if desk.roads is not None:
            return desk.roads.study(folder, day)
        return study_if_told(folder, day)


@contextmanager
def _folder_of(files: Mapping[str, bytes], *names: str) -> Iterator[Path]:
    """Lay files of these names, those that there are, into a folder for a while."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for name in names:
            if name in files:
                (folder / name).write_bytes(files[name])
        yield folder


def _morning(desk: Desk, known: Known, spreads: Spreads, budget: Budget) -> Made:
    day = known.day
    if day.horizon == 1:
        wish = None
        if day.keep_percent is None:
            plan = plan_day(day, budget)
        else:
            plan, wish = keep_promises(day, day.keep_percent, spreads, budget)
        kept = foretell(day, plan, spreads, budget.seed)
        found = replace(answer(day, plan), kept=kept, wish=wish)
        return write_morning(known, _with_ways(desk, found))
    outlook = plan_days(day, budget)
    outlook = replace(
        outlook,
        answers=tuple(
            replace(
                _with_ways(desk, one),
                kept=foretell(one.day, one.plan, spreads, budget.seed),
            )
            for one in outlook.answers
        ),
    )
    first: Answer = outlook.answers[0]
    if first.day.date != day.date:
        raise Conflict("no van works on the first of these days")
    return write_morning(known, first, outlook_json(outlook).encode())


def _with_ways(desk: Desk, found: Answer) -> Answer:
    """Return an answer that knows how its drives go, where there are roads."""
    if desk.roads is None:
        return found
    return replace(found, ways=desk.roads.ways(found.day, found.plan))


def _tell_what_waits(desk: Desk, job: Job, rounds: int | None) -> None:
    """Tell the facts that were loaded with the day, one after the other.

    Each is completed from the plan that was in force when it happened: the rest of the
    day is planned anew after each of them.
    """
    with desk.store.read() as transaction:
        files = read_files(transaction, job.day_id)
        day = know(desk, transaction, job.day_id).day
    if "facts.csv" not in files:
        return
    with _folder_of(files, "facts.csv", "booked.csv") as folder:
        happened = read_happened(folder, day)
    for news in news_of(in_order(happened.facts)):
        with desk.store.write() as transaction:
            at_s = None if news.fact is None else news.fact.at_s
            teller = Teller(key_id=job.id, at_s=at_s)
            tell_facts(desk, transaction, job.day_id, teller, [news])
        work_once(desk, rounds)


def _plan_rest(
    desk: Desk, job: Job, pulse: _Pulse, *, last: bool, rounds: int | None
) -> bool:
    """Plan the rest once; ``False``: something happened meanwhile."""
    with desk.store.read() as transaction:
        known = know(desk, transaction, job.day_id)
        force = ready_to_run(desk, transaction, known)
    told = [each.fact for each in known.told if each.seq > force.version.facts]
    stand = Stand(plan=force.plan, said=force.said)
    budget = Budget(
        seed=job.asked.get("seed", 0),
        rounds=job.asked.get("rounds", rounds or RESHUFFLE_ROUNDS),
        replans=False,
        stop=lambda: pulse.stop,
        report=pulse.hear,
    )
    at_s = job.asked.get("at_s", now_s(known, desk.clock()))
    moment = step(known.day, stand, known.log, in_order(told), at_s, budget)
    made = write_moment(known, stand, moment, "rest", desk.roads)
    with desk.store.write() as transaction:
        if not holds(transaction, job):
            return True
        now = know(desk, transaction, job.day_id)
        other = in_force(desk, transaction, job.day_id)
        same = other is not None and other.version == force.version
        if not same or (now.seq != known.seq and not last):
            return False
        version = put_in_force(transaction, now, made)
        if now.seq != known.seq:
            put_back(transaction, job.id)
        else:
            end_job(transaction, job.id, "done", version=version)
    return True


def run(desk: Desk, stop: Callable[[], bool]) -> None:
    """Work until told to stop.

    Parameters
    ----------
    desk : Desk
        The service's.
    stop : callable
        Whether to stop; asked between jobs.
    """
    while not stop():
        try:
            busy = work_once(desk)
        except KeyroundError:
            LOG.exception("the database did not answer")
            busy = False
        if not busy:
            time.sleep(REST_S)
