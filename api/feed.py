"""What changed, carried to those who wait for it, and the sheets as they are sent.

One reader per process follows the store's events: what other processes commit is heard
within its step, what this one commits at once.
"""

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

from api.desk import Desk
from api.problems import NotFound
from api.security import Door
from api.store.events import (
    Event,
    first_event,
    last_event,
    list_events,
    trim_events,
)
from api.store.plans import Sheet, find_sheet, list_sheets
from shared.errors import KeyroundError

LOG = logging.getLogger("keyround.feed")
STEP_S = 0.2
ALIVE_S = 15  # how often a stream says that it is open
ONCE = 500  # events read at once
MOST = 1000  # that wait for a slow reader before it has to come back
TRIM_S = 3600


@dataclass(slots=True, eq=False)
class Listener:
    """An open stream.

    Parameters
    ----------
    key_id : str
        Of who listens.
    van_id : str or None
        The van; ``None``: the office.
    queue : asyncio.Queue
        What it has not been sent yet; ``None`` ends it.
    """

    key_id: str
    van_id: str | None
    queue: "asyncio.Queue[Event | None]" = field(
        default_factory=lambda: asyncio.Queue(MOST)
    )

    def hears(self, event: Event) -> bool:
        """Return whether an event is for it.

        Parameters
        ----------
        event : Event
            What changed.

        Returns
        -------
        bool
            The office hears all, a van what is its own, and of days.
        """
        return self.van_id in (None, event.van_id) or event.name == "day"


class Feed:
    """Carries events, and keeps sheets in memory.

    Parameters
    ----------
    desk : Desk
        The service's.
    door : Door
        Told which revocations have been heard.
    """

    def __init__(self, desk: Desk, door: Door) -> None:
        self.desk, self.door = desk, door
        self.listeners: set[Listener] = set()
        self._sheets: dict[str, dict[str, tuple[str, Sheet | None]]] = {}
        self._age = 0  # rises with every change: what was read before is not kept
        self._last = 0
        self._loop: asyncio.AbstractEventLoop | None = None
        self._wake = asyncio.Event()
        self._task: asyncio.Task[None] | None = None
        desk.store.heard = self.hear

    # --- what changes -----------------------------------------------------------

    def hear(self) -> None:
        """Be told, in any thread, that this process has committed something."""
        self.forget()
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(self._wake.set)

    def forget(self) -> None:
        """Read every sheet anew."""
        self._age += 1
        self._sheets = {}

    async def start(self) -> None:
        """Begin to follow the store."""
        self._loop = asyncio.get_running_loop()
        self._last = await asyncio.to_thread(self._where)
        self._task = asyncio.create_task(self._follow())

    async def stop(self) -> None:
        """End, and with it every stream."""
        for listener in tuple(self.listeners):
            self._end(listener)
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
        self._loop = None

    def _where(self) -> int:
        with self.desk.store.read() as transaction:
            return last_event(transaction)

    def _read(self, after: int) -> list[Event]:
        with self.desk.store.read() as transaction:
            return list_events(transaction, after, ONCE)

    def _trim(self) -> None:
        with self.desk.store.write() as transaction:
            trim_events(transaction)

    async def _follow(self) -> None:
        trimmed = 0.0
        clock = asyncio.get_running_loop().time
        while True:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._wake.wait(), STEP_S)
            self._wake.clear()
            try:
                begun_s = self.door.clock()
                events = await asyncio.to_thread(self._read, self._last)
                while events:
                    self._carry(events)
                    begun_s = self.door.clock()
                    events = await asyncio.to_thread(self._read, self._last)
                self.door.vouch(begun_s)
                if clock() - trimmed > TRIM_S:
                    trimmed = clock()
                    await asyncio.to_thread(self._trim)
            except KeyroundError:
                LOG.warning("the database did not answer")

    def _carry(self, events: list[Event]) -> None:
        self._last = events[-1].seq
        if any(event.name in ("sheet", "day", "plan") for event in events):
            self.forget()
        if any(event.name == "key" for event in events):
            self.door.forget()
        for event in events:
            for listener in tuple(self.listeners):
                if listener.hears(event):
                    try:
                        listener.queue.put_nowait(event)
                    except asyncio.QueueFull:  # it comes back and is told the rest
                        self._end(listener)
                if event.name == "key" and f'"{listener.key_id}"' in event.data:
                    self._end(listener)

    def _end(self, listener: Listener) -> None:
        self.listeners.discard(listener)
        while True:
            try:
                listener.queue.put_nowait(None)
            except asyncio.QueueFull:
                listener.queue.get_nowait()
            else:
                return

    # --- streams ----------------------------------------------------------------

    async def stream(
        self, listener: Listener, after: int | None
    ) -> AsyncIterator[bytes]:
        """Send what changes, as server-sent events.

        Parameters
        ----------
        listener : Listener
            Who listens.
        after : int or None
            The last event it knows; ``None``: from now on.

        Yields
        ------
        bytes
            Parts of the stream.
        """
        self.listeners.add(listener)
        try:
            yield b"retry: 2000\n\n"
            first, last = await asyncio.to_thread(self._ends)
            if after is None:
                yield _frame(last, "hello", f'{{"at": {last}}}')
            elif after > last or (first is not None and after < first - 1):
                yield _frame(last, "reset", "{}")
            else:
                async for part in self._behind(listener, after, last):
                    yield part
            async for part in self._ahead(listener, last):
                yield part
        finally:
            self.listeners.discard(listener)

    async def _behind(
        self, listener: Listener, after: int, last: int
    ) -> AsyncIterator[bytes]:
        """Send what changed before the stream was opened."""
        while after < last:
            events = await asyncio.to_thread(self._read, after)
            for event in events:
                if event.seq <= last and listener.hears(event):
                    yield frame_of(event)
            after = events[-1].seq if events else last

    async def _ahead(self, listener: Listener, last: int) -> AsyncIterator[bytes]:
        """Send what changes from then on."""
        while True:
            try:
                event = await asyncio.wait_for(listener.queue.get(), ALIVE_S)
            except TimeoutError:
                yield b":\n\n"
                continue
            if event is None:
                return
            if event.seq > last:
                yield frame_of(event)

    def _ends(self) -> tuple[int | None, int]:
        with self.desk.store.read() as transaction:
            return first_event(transaction), last_event(transaction)

    # --- sheets -----------------------------------------------------------------

    async def sheet_of(self, van_id: str, day_id: str | None = None) -> Sheet:
        """Return a van's sheet: of a day, or of the one that counts now.

        Parameters
        ----------
        van_id : str
            The van.
        day_id : str, optional
            The day; by default today, else the next one, else the last one.

        Returns
        -------
        Sheet
            As it is sent.

        Raises
        ------
        NotFound
            When there is none.
        """
        days = self._sheets.get(van_id)
        if days is None:
            age = self._age
            days = await asyncio.to_thread(self._days_of, van_id)
            if self._age == age:
                self._sheets[van_id] = days
        chosen = self._today(days) if day_id is None else day_id
        if chosen is None or chosen not in days:
            raise NotFound("there is no such sheet")
        zone, sheet = days[chosen]
        if sheet is None:
            sheet = await asyncio.to_thread(self._find, chosen, van_id)
            if sheet is None:
                raise NotFound("there is no such sheet")
            days[chosen] = (zone, sheet)
        return sheet

    def _days_of(self, van_id: str) -> dict[str, tuple[str, Sheet | None]]:
        with self.desk.store.read() as transaction:
            return {
                day_id: (zone, None)
                for day_id, zone in list_sheets(transaction, van_id)
            }

    def _find(self, day_id: str, van_id: str) -> Sheet | None:
        with self.desk.store.read() as transaction:
            return find_sheet(transaction, day_id, van_id)

    def _today(self, days: dict[str, tuple[str, Any]]) -> str | None:
        now = self.desk.clock()
        for day_id, (zone, _) in days.items():
            if day_id >= now.astimezone(ZoneInfo(zone)).date().isoformat():
                return day_id
        return next(reversed(days), None)


def _frame(seq: int, name: str, data: str) -> bytes:
    return f"id: {seq}\nevent: {name}\ndata: {data}\n\n".encode()


def frame_of(event: Event) -> bytes:
    """Return an event as it is sent.

    Parameters
    ----------
    event : Event
        What changed.

    Returns
    -------
    bytes
        One server-sent event.
    """
    return _frame(event.seq, event.name, event.data)
