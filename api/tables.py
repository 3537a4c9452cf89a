"""The tables of the store, alike on SQLite and PostgreSQL.

What the words mean, and which rules the database itself keeps, is said beside each
table; triggers stand in the migrations. Moments are whole milliseconds since 1970 in
UTC (``_ms``). Texts called ``body`` are exact JSON of :mod:`api.records`.
"""

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Float,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    text,
)

METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

DATE, NAME, ID = String(10), String(200), String(64)
# SQLite numbers rows by itself only where the column is a plain integer.
SERIAL = BigInteger().with_variant(Integer(), "sqlite")


def _day_id() -> Column[str]:
    return Column("day_id", DATE, ForeignKey("days.id"), primary_key=True)


# --- what changed, in the order of commits ----------------------------------------

# One row. Every writer takes it first, so that numbers rise as commits do.
feed = Table(
    "feed",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("seq", BigInteger, nullable=False),
    CheckConstraint("id = 1", name="one_row"),
)

# Ids only, nobody's data.
events = Table(
    "events",
    METADATA,
    Column("seq", BigInteger, primary_key=True, autoincrement=False),
    Column("at_ms", BigInteger, nullable=False, index=True),
    Column("name", String(20), nullable=False),
    Column("day_id", DATE),
    Column("van_id", NAME),  # whom it concerns; null: the office alone
    Column("data", Text, nullable=False),
)

# --- a day as it was given ----------------------------------------------------------

days = Table(
    "days",
    METADATA,
    Column("id", DATE, primary_key=True),  # its date
    Column("zone", String(64), nullable=False),
    Column("name", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("body", Text, nullable=False),  # the day without what has tables of its own
    Column("revision", Integer, nullable=False),
    Column("running", Boolean, nullable=False),  # a fact is there
    Column("created_ms", BigInteger, nullable=False),
    Column("erased_ms", BigInteger),  # its rows may be deleted; else they may not
    Column("learnt", Text),  # from log.csv, when it was planned; null: nothing was
)

# log.csv, shelves.toml, README.md of the folder, as they were.
day_files = Table(
    "day_files",
    METADATA,
    _day_id(),
    Column("name", NAME, primary_key=True),
    Column("body", LargeBinary, nullable=False),
)


def _rows_of_a_day(name: str, *more: Column[str]) -> Table:
    return Table(
        name,
        METADATA,
        _day_id(),
        Column("id", NAME, primary_key=True),
        Column("position", Integer, nullable=False),  # in the day's order
        Column("revision", Integer, nullable=False),
        Column("body", Text, nullable=False),
        *more,
    )


calls = _rows_of_a_day("calls", Column("booked_by", ID))  # the fact, if it came in
vans = _rows_of_a_day("vans")
parts = _rows_of_a_day("parts")
stores = _rows_of_a_day("stores")  # the shop first, then the counters

# --- plans --------------------------------------------------------------------------

# Immutable: triggers refuse a change.
plans = Table(
    "plans",
    METADATA,
    _day_id(),
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("kind", String(20), nullable=False),
    Column("revision", Integer, nullable=False),  # of the day that it is of
    Column("facts", Integer, nullable=False),  # the last fact that it knows
    Column("body", Text, nullable=False),  # shared.model.Plan, whole day
    Column("said", Text, nullable=False),  # call id -> start that was last spoken of
    Column("document", LargeBinary, nullable=False),  # keyround plan
    Column("outlook", LargeBinary),  # keyround outlook, of several days
    Column("rest", LargeBinary),  # keyround rest, of a running day
    Column("cost_cents", BigInteger, nullable=False),
    Column("made_ms", BigInteger, nullable=False),
    CheckConstraint("kind IN ('morning', 'rest', 'urgent')", name="kind"),
    CheckConstraint("version >= 1", name="version"),
)

# The current plan of a day.
stands = Table(
    "stands",
    METADATA,
    _day_id(),
    Column("version", Integer, nullable=False),
    ForeignKeyConstraint(["day_id", "version"], ["plans.day_id", "plans.version"]),
    UniqueConstraint("day_id", "version"),
)

# Which van serves a call by the current plan: a call is here once or not at all.
placements = Table(
    "placements",
    METADATA,
    Column("day_id", DATE, primary_key=True),
    Column("call_id", NAME, primary_key=True),
    Column("version", Integer, nullable=False),
    Column("van_id", NAME, nullable=False),
    Column("position", Integer, nullable=False),
    Column("start_s", Integer, nullable=False),
    ForeignKeyConstraint(["day_id", "version"], ["stands.day_id", "stands.version"]),
    ForeignKeyConstraint(["day_id", "call_id"], ["calls.day_id", "calls.id"]),
    ForeignKeyConstraint(["day_id", "van_id"], ["vans.day_id", "vans.id"]),
    UniqueConstraint("day_id", "van_id", "position"),
)

# What a van needs of it, as it is sent.
sheets = Table(
    "sheets",
    METADATA,
    Column("day_id", DATE, primary_key=True),
    Column("van_id", NAME, primary_key=True),
    Column("version", Integer, nullable=False),
    Column("etag", String(80), nullable=False),
    Column("body", LargeBinary, nullable=False),
    ForeignKeyConstraint(["day_id", "van_id"], ["vans.day_id", "vans.id"]),
)

# Customers who have to be rung, and what to say: the last word about each call, until
# somebody has said it.
rings = Table(
    "rings",
    METADATA,
    Column("day_id", DATE, primary_key=True),
    Column("call_id", NAME, primary_key=True),
    Column("version", Integer, nullable=False),  # of the plan that wants it
    Column("position", Integer, nullable=False),  # the most urgent first
    Column("body", Text, nullable=False),  # a ring of keyround rest
    Column("done_ms", BigInteger),
    ForeignKeyConstraint(["day_id", "call_id"], ["calls.day_id", "calls.id"]),
)

# --- what happens -------------------------------------------------------------------

# Only grows: triggers refuse anything else.
facts = Table(
    "facts",
    METADATA,
    _day_id(),
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("id", ID, nullable=False),
    Column("kind", String(20), nullable=False),
    Column("at_s", Integer, nullable=False),
    Column("van_id", NAME),
    Column("call_id", NAME),
    Column("body", Text, nullable=False),  # completed from the plan in force
    Column("digest", String(64), nullable=False),  # of what was told
    Column("told_by", ID, nullable=False),  # the key, or 'keyround'
    Column("received_ms", BigInteger, nullable=False),
    UniqueConstraint("day_id", "id"),
)

# Only grows as well; where a piece went.
movements = Table(
    "movements",
    METADATA,
    _day_id(),
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("holder", NAME, nullable=False),  # a van or a store
    Column("part_id", NAME, nullable=False),
    Column("pieces", Integer, nullable=False),  # negative: taken away
    Column("cause", String(20), nullable=False),
    Column("fact_id", ID),
    Column("note", Text, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    ForeignKeyConstraint(["day_id", "part_id"], ["parts.day_id", "parts.id"]),
    ForeignKeyConstraint(["day_id", "fact_id"], ["facts.day_id", "facts.id"]),
    CheckConstraint("pieces <> 0", name="pieces"),
    CheckConstraint("cause IN ('morning', 'counted', 'fact')", name="cause"),
)

# Their sums, kept by a trigger on movements.
balances = Table(
    "balances",
    METADATA,
    _day_id(),
    Column("holder", NAME, primary_key=True),
    Column("part_id", NAME, primary_key=True),
    Column("pieces", Integer, nullable=False),
    CheckConstraint("pieces >= 0", name="never_negative"),
)

# --- where addresses are --------------------------------------------------------------

# Corrected by hand: counts before all else, for every day, until it is taken back.
pins = Table(
    "pins",
    METADATA,
    Column("id", String(64), primary_key=True),  # a digest of the address's words
    Column("address", Text, nullable=False),  # as it was typed
    Column("words", Text, nullable=False),  # what all ways of writing it share
    Column("lat_deg", Float, nullable=False),
    Column("lon_deg", Float, nullable=False),
    Column("set_by", ID, nullable=False),
    Column("set_ms", BigInteger, nullable=False),
    CheckConstraint("lat_deg BETWEEN -90 AND 90", name="lat"),
    CheckConstraint("lon_deg BETWEEN -180 AND 180", name="lon"),
)

# What an address server answered: it is not asked again.
lookups = Table(
    "lookups",
    METADATA,
    Column("id", String(64), primary_key=True),  # a digest of server and address
    Column("body", Text, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
)

# --- work ---------------------------------------------------------------------------

jobs = Table(
    "jobs",
    METADATA,
    Column("id", ID, primary_key=True),
    Column("day_id", DATE, ForeignKey("days.id"), nullable=False),
    Column("kind", String(20), nullable=False),
    Column("state", String(20), nullable=False),
    Column("asked", Text, nullable=False),
    Column("progress", Text),
    Column("wish", String(20)),  # 'cancel', or 'keep': stop with the best so far
    Column("attempts", Integer, nullable=False),
    Column("worker", ID),
    Column("lease_ms", BigInteger),  # until when a worker that says nothing has it
    Column("version", Integer),  # the plan it made
    Column("problem", Text),
    Column("created_ms", BigInteger, nullable=False),
    Column("started_ms", BigInteger),
    Column("ended_ms", BigInteger),
    CheckConstraint("kind IN ('morning', 'rest')", name="kind"),
    CheckConstraint(
        "state IN ('queued', 'running', 'done', 'failed', 'cancelled')", name="state"
    ),
)
_OPEN = text("state IN ('queued', 'running')")
Index(
    "uq_jobs_open",
    jobs.c.day_id,
    jobs.c.kind,
    unique=True,
    sqlite_where=_OPEN,
    postgresql_where=_OPEN,
)
Index("ix_jobs_state_created", jobs.c.state, jobs.c.created_ms)

# Urgent calls that were asked about, with a whole plan for each option.
inquiries = Table(
    "inquiries",
    METADATA,
    Column("id", ID, primary_key=True),
    Column("day_id", DATE, ForeignKey("days.id"), nullable=False),
    Column("version", Integer, nullable=False),  # of the plan in force
    Column("facts", Integer, nullable=False),  # the last fact that was known
    Column("call", Text, nullable=False),
    Column("document", LargeBinary, nullable=False),
    Column("options", Text, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("expires_ms", BigInteger, nullable=False),
    Column("accepted", Integer),  # the option that was taken
)

# Answers to requests that made something, for those who send them again.
replies = Table(
    "replies",
    METADATA,
    Column("who", ID, primary_key=True),
    Column("key", ID, primary_key=True),
    Column("route", Text, nullable=False),
    Column("digest", String(64), nullable=False),
    Column("status", Integer, nullable=False),
    Column("headers", Text, nullable=False),
    Column("body", LargeBinary, nullable=False),
    Column("at_ms", BigInteger, nullable=False, index=True),
)

# --- who may ------------------------------------------------------------------------

# Tokens, as digests only.
keys = Table(
    "keys",
    METADATA,
    Column("id", ID, primary_key=True),
    Column("kind", String(20), nullable=False),
    Column("van_id", NAME),
    Column("label", Text, nullable=False),
    Column("digest", String(64), nullable=False, unique=True),
    Column("created_ms", BigInteger, nullable=False),
    Column("expires_ms", BigInteger),
    Column("seen_ms", BigInteger),
    Column("revoked_ms", BigInteger),
    CheckConstraint("kind IN ('secret', 'office', 'van', 'feed')", name="kind"),
    CheckConstraint("(kind IN ('van', 'feed')) = (van_id IS NOT NULL)", name="van"),
)

pairings = Table(
    "pairings",
    METADATA,
    Column("digest", String(64), primary_key=True),  # of the one-time code
    Column("van_id", NAME, nullable=False),
    Column("made_by", ID, nullable=False),
    Column("created_ms", BigInteger, nullable=False),
    Column("expires_ms", BigInteger, nullable=False),
    Column("used_ms", BigInteger),
)

# PINs and bittings, sealed with a key that is not in the database.
codes = Table(
    "codes",
    METADATA,
    Column("day_id", DATE, primary_key=True),
    Column("call_id", NAME, primary_key=True),
    Column("what", String(20), nullable=False),
    Column("sealed", LargeBinary, nullable=False),
    Column("sealed_with", String(64), nullable=False),
    Column("set_by", ID, nullable=False),
    Column("set_ms", BigInteger, nullable=False),
    ForeignKeyConstraint(["day_id", "call_id"], ["calls.day_id", "calls.id"]),
)

# Who saw which, only grows. It outlives the day: no customer is named in it.
code_log = Table(
    "code_log",
    METADATA,
    Column("seq", SERIAL, primary_key=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("day_id", DATE, nullable=False),
    Column("call_id", NAME, nullable=False),
    Column("key_id", ID, nullable=False),
    Column("van_id", NAME),
    Column("what", String(20), nullable=False),
    CheckConstraint("what IN ('set', 'shown', 'refused', 'removed')", name="what"),
)

# --- roads --------------------------------------------------------------------------

# Drives that a road network was asked for, across days: points in millionths of a
# degree, -1 where there is no way.
drives = Table(
    "drives",
    METADATA,
    Column("network", ID, primary_key=True),
    Column("from_lat", Integer, primary_key=True, autoincrement=False),
    Column("from_lon", Integer, primary_key=True, autoincrement=False),
    Column("to_lat", Integer, primary_key=True, autoincrement=False),
    Column("to_lon", Integer, primary_key=True, autoincrement=False),
    Column("base_s", Integer, nullable=False),
    Column("distance_m", Integer, nullable=False),
    Column("asked_ms", BigInteger, nullable=False, index=True),
)
