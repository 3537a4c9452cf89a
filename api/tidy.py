"""What is not needed any more goes: customers' data, codes, tokens that ended."""

import asyncio
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from api.codes import drop_old_codes
from api.desk import Desk, Store
from api.journal import say
from api.security import DAY_MS
from api.store.days import erase_day, list_briefs
from api.store.drives import forget_drives
from api.store.keys import trim_keys
from api.store.places import drop_lookups
from api.store.replies import trim_replies
from shared.errors import KeyroundError

KEEP_DAYS = 180  # a customer's data unless the firm says otherwise; own choice
_KEYS_MS = 90 * DAY_MS  # tokens that ended: for the log of codes; own choice
_EVERY_S = 3600


@dataclass(frozen=True, slots=True, kw_only=True)
class Tidied:
    """What went.

    Parameters
    ----------
    days : tuple of str
        Days whose customers' data was erased.
    codes : int
        Codes of visits that are over.
    keys : int
        Tokens that ended long ago.
    """

    days: tuple[str, ...]
    codes: int
    keys: int


def tidy(store: Store, now: datetime, keep_days: int) -> Tidied:
    """Let go of what is not needed any more.

    Parameters
    ----------
    store : Store
        That keeps it.
    now : datetime
        Now, aware.
    keep_days : int
        How many whole days a day stays after it is over, at least 0.

    Returns
    -------
    Tidied
        What went.
    """
    # Nowhere is a day longer than a day and a bit behind UTC.
    today = (now.astimezone(UTC) - timedelta(hours=12)).date()
    codes = drop_old_codes(store, today)
    last = today - timedelta(days=keep_days + 1)
    with store.read() as transaction:
        old = list_briefs(transaction, (None, last))
    for brief in old:  # each for itself: other writers come in between
        with store.write() as transaction:
            erase_day(transaction, brief.id, keep=True)
            data = {"day": brief.id, "revision": brief.revision, "gone": True}
            transaction.tell("day", data, day_id=brief.id)
    with store.write() as transaction:
        trim_replies(transaction)
        drop_lookups(transaction, transaction.now_ms - (keep_days + 1) * DAY_MS)
        forget_drives(transaction, transaction.now_ms - (keep_days + 1) * DAY_MS)
        keys = trim_keys(transaction, transaction.now_ms - _KEYS_MS)
    found = Tidied(days=tuple(brief.id for brief in old), codes=codes, keys=keys)
    say("tidied", days=len(found.days), codes=found.codes, keys=found.keys)
    return found


async def keep_tidy(desk: Desk, keep_days: int) -> None:
    """Tidy every hour until cancelled.

    Parameters
    ----------
    desk : Desk
        Whose store keeps it.
    keep_days : int
        As for :func:`tidy`.
    """
    while True:
        try:
            await asyncio.to_thread(tidy, desk.store, desk.clock(), keep_days)
        except KeyroundError:
            say("not tidied: the database does not answer")
        await asyncio.sleep(_EVERY_S)
