"""One database, and its transactions."""

import json
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime

import sqlalchemy as sa
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.pool import ConnectionPoolEntry

from api import tables
from api.migrations import migrate
from shared.errors import Unavailable

BUSY_MS = 10_000  # how long a writer waits for another one; own choice
_WRITES = "keyround_writes"  # execution option: the transaction will write
_STARTS = 830411  # of PostgreSQL's advisory locks: any number that is ours


def open_store(
    url: str, clock: Callable[[], datetime] = lambda: datetime.now(UTC)
) -> "SqlStore":
    """Open a store, and bring its tables up to date.

    Parameters
    ----------
    url : str
        As SQLAlchemy reads it: ``sqlite:///FILE`` or ``postgresql+psycopg://...``
        (``postgresql://`` means that as well).
    clock : callable, optional
        Now, aware.

    Returns
    -------
    SqlStore
        Ready.

    Raises
    ------
    Unavailable
        When the database does not answer.
    """
    address = sa.make_url(url)
    if address.drivername in ("postgresql", "postgres"):
        address = address.set(drivername="postgresql+psycopg")
    engine = sa.create_engine(address)
    if engine.dialect.name == "sqlite":
        sa.event.listen(engine, "connect", _set_up_sqlite)
        sa.event.listen(engine, "begin", _begin_sqlite)
    store = SqlStore(engine, clock)
    store.migrate()
    return store


def _set_up_sqlite(raw: DBAPIConnection, _: ConnectionPoolEntry) -> None:
    raw.isolation_level = None  # BEGIN is said below
    cursor = raw.cursor()
    for pragma in (
        f"busy_timeout = {BUSY_MS}",
        "journal_mode = WAL",
        "synchronous = FULL",  # what is acknowledged outlives a power cut
        "foreign_keys = ON",
        "secure_delete = ON",  # who is erased is not left in free pages
    ):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin_sqlite(connection: sa.Connection) -> None:
    writes = connection.get_execution_options().get(_WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


class Transaction:
    """One transaction: what the functions of the store's modules are given.

    Parameters
    ----------
    connection : Connection
        Begun.
    now_ms : int
        When it began, milliseconds since 1970.
    """

    def __init__(self, connection: sa.Connection, now_ms: int) -> None:
        self.connection = connection
        self.now_ms = now_ms
        self.told = 0

    @property
    def writes(self) -> bool:
        """Whether it may write.

        Returns
        -------
        bool
            As it was begun.
        """
        return bool(self.connection.get_execution_options().get(_WRITES, False))

    def tell(
        self,
        name: str,
        data: Mapping[str, object],
        day_id: str | None = None,
        van_id: str | None = None,
    ) -> int:
        """Say that something changed; it is heard once the transaction is committed.

        Parameters
        ----------
        name : str
            Of the event.
        data : mapping of str to object
            Ids and plain values, nobody's personal data.
        day_id, van_id : str or None
            Which day, and which van may hear it; ``None``: the office alone.

        Returns
        -------
        int
            The event's number; they rise in the order of commits, without gaps.
        """
        feed = tables.feed
        seq = self.connection.execute(
            sa.update(feed).values(seq=feed.c.seq + 1).returning(feed.c.seq)
        ).scalar_one()
        self.connection.execute(
            sa.insert(tables.events).values(
                seq=seq,
                at_ms=self.now_ms,
                name=name,
                day_id=day_id,
                van_id=van_id,
                data=json.dumps(data, ensure_ascii=False),
            )
        )
        self.told += 1
        return int(seq)


class SqlStore:
    """A store behind one SQLAlchemy engine.

    Parameters
    ----------
    engine : Engine
        Of SQLite or PostgreSQL.
    clock : callable
        Now, aware.
    """

    def __init__(self, engine: sa.Engine, clock: Callable[[], datetime]) -> None:
        self._engine = engine
        self._clock = clock
        self.heard: Callable[[], None] = lambda: None  # called when events were told

    @contextmanager
    def read(self) -> Iterator[Transaction]:
        """Look at the store as it is at one moment.

        Yields
        ------
        Transaction
            Nothing can be written in it.

        Raises
        ------
        Unavailable
            When the database does not answer.
        """
        with self._begin(writes=False) as transaction:
            yield transaction

    @contextmanager
    def write(self) -> Iterator[Transaction]:
        """Write, alone: other writers wait until this one is done.

        Yields
        ------
        Transaction
            Committed at the end; undone where what is inside raises.

        Raises
        ------
        Unavailable
            When the database does not answer.
        """
        with self._begin(writes=True) as transaction:
            lock = sa.select(tables.feed.c.seq).with_for_update()
            transaction.connection.execute(lock).scalar_one()
            yield transaction
        if transaction.told:
            self.heard()

    @contextmanager
    def _begin(self, *, writes: bool) -> Iterator[Transaction]:
        options: dict[str, object] = {_WRITES: writes}
        if self._engine.dialect.name == "postgresql" and not writes:
            options |= {
                "isolation_level": "REPEATABLE READ",
                "postgresql_readonly": True,
            }
        now_ms = int(self._clock().timestamp() * 1000)
        try:
            with self._engine.connect() as connection:
                connection.execution_options(**options)
                with connection.begin():
                    yield Transaction(connection, now_ms)
        except (sa.exc.OperationalError, sa.exc.TimeoutError) as error:
            raise Unavailable("the database does not answer") from error

    def migrate(self) -> None:
        """Bring the tables up to date.

        Raises
        ------
        Unavailable
            When the database does not answer.
        """
        with self._begin(writes=True) as transaction:
            connection = transaction.connection
            if connection.dialect.name == "postgresql":
                # Processes that start at once do it one after the other.
                connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_STARTS)))
            migrate(connection)

    def ping(self) -> None:
        """Ask the database whether it is there.

        Raises
        ------
        Unavailable
            When it does not answer.
        """
        with self.read() as transaction:
            transaction.connection.execute(sa.select(tables.feed.c.seq)).scalar_one()

    def close(self) -> None:
        """Let go of all connections."""
        self._engine.dispose()
