"""The first tables, and the rules that their constraints cannot say.

Plans, facts and movements of stock only grow: triggers refuse a change, and, unless the
day is marked as erased, a deletion. The pieces each holder has are summed up by a
trigger, so that the check on them sees every movement.
"""

from collections.abc import Iterator

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


FOREVER = ("code_log",)
FOR_A_DAY = ("facts", "movements", "plans")


def upgrade() -> None:
    """Make all tables."""
    op.create_table(
        "code_log",
        sa.Column(
            "seq", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False
        ),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("day_id", sa.String(length=10), nullable=False),
        sa.Column("call_id", sa.String(length=200), nullable=False),
        sa.Column("key_id", sa.String(length=64), nullable=False),
        sa.Column("van_id", sa.String(length=200), nullable=True),
        sa.Column("what", sa.String(length=20), nullable=False),
        sa.CheckConstraint(
            "what IN ('set', 'shown', 'refused', 'removed')",
            name=op.f("ck_code_log_what"),
        ),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_code_log")),
    )
    op.create_table(
        "days",
        sa.Column("id", sa.String(length=10), nullable=False),
        sa.Column("zone", sa.String(length=64), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("running", sa.Boolean(), nullable=False),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("erased_ms", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_days")),
    )
    op.create_table(
        "events",
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("name", sa.String(length=20), nullable=False),
        sa.Column("day_id", sa.String(length=10), nullable=True),
        sa.Column("van_id", sa.String(length=200), nullable=True),
        sa.Column("data", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_events")),
    )
    with op.batch_alter_table("events", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_events_at_ms"), ["at_ms"], unique=False)

    op.create_table(
        "feed",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("id = 1", name=op.f("ck_feed_one_row")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_feed")),
    )
    op.create_table(
        "keys",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("van_id", sa.String(length=200), nullable=True),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("expires_ms", sa.BigInteger(), nullable=True),
        sa.Column("seen_ms", sa.BigInteger(), nullable=True),
        sa.Column("revoked_ms", sa.BigInteger(), nullable=True),
        sa.CheckConstraint(
            "(kind = 'van') = (van_id IS NOT NULL)", name=op.f("ck_keys_van")
        ),
        sa.CheckConstraint(
            "kind IN ('secret', 'office', 'van')", name=op.f("ck_keys_kind")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_keys")),
        sa.UniqueConstraint("digest", name=op.f("uq_keys_digest")),
    )
    op.create_table(
        "pairings",
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("van_id", sa.String(length=200), nullable=False),
        sa.Column("made_by", sa.String(length=64), nullable=False),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("expires_ms", sa.BigInteger(), nullable=False),
        sa.Column("used_ms", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("digest", name=op.f("pk_pairings")),
    )
    op.create_table(
        "replies",
        sa.Column("who", sa.String(length=64), nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("route", sa.Text(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("headers", sa.Text(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("who", "key", name=op.f("pk_replies")),
    )
    with op.batch_alter_table("replies", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_replies_at_ms"), ["at_ms"], unique=False)

    op.create_table(
        "balances",
        sa.Column("day_id", sa.String(length=10), nullable=False),
        sa.Column("holder", sa.String(length=200), nullable=False),
        sa.Column("part_id", sa.String(length=200), nullable=False),
        sa.Column("pieces", sa.Integer(), nullable=False),
        sa.CheckConstraint("pieces >= 0", name=op.f("ck_balances_never_negative")),
        sa.ForeignKeyConstraint(
            ["day_id"], ["days.id"], name=op.f("fk_balances_day_id")
        ),
        sa.PrimaryKeyConstraint(
            "day_id", "holder", "part_id", name=op.f("pk_balances")
        ),
    )
    op.create_table(
        "calls",
        sa.Column("day_id", sa.String(length=10), nullable=False),
        sa.Column("id", sa.String(length=200), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("booked_by", sa.String(length=64), nullable=True),
        sa.ForeignKeyConstraint(["day_id"], ["days.id"], name=op.f("fk_calls_day_id")),
        sa.PrimaryKeyConstraint("day_id", "id", name=op.f("pk_calls")),
    )
    op.create_table(
        "day_files",
        sa.Column("day_id", sa.String(length=10), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["day_id"], ["days.id"], name=op.f("fk_day_files_day_id")
        ),
        sa.PrimaryKeyConstraint("day_id", "name", name=op.f("pk_day_files")),
    )
    op.create_table(
        "facts",
        sa.Column("day_id", sa.String(length=10), nullable=False),
        sa.Column("seq", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("at_s", sa.Integer(), nullable=False),
        sa.Column("van_id", sa.String(length=200), nullable=True),
        sa.Column("call_id", sa.String(length=200), nullable=True),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("told_by", sa.String(length=64), nullable=False),
        sa.Column("received_ms", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["day_id"], ["days.id"], name=op.f("fk_facts_day_id")),
        sa.PrimaryKeyConstraint("day_id", "seq", name=op.f("pk_facts")),
        sa.UniqueConstraint("day_id", "id", name=op.f("uq_facts_day_id_id")),
    )
    op.create_table(
        "inquiries",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("day_id", sa.String(length=10), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("facts", sa.Integer(), nullable=False),
        sa.Column("call", sa.Text(), nullable=False),
        sa.Column("document", sa.LargeBinary(), nullable=False),
        sa.Column("options", sa.Text(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("expires_ms", sa.BigInteger(), nullable=False),
        sa.Column("accepted", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["day_id"], ["days.id"], name=op.f("fk_inquiries_day_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_inquiries")),
    )
    op.create_table(
        "jobs",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("day_id", sa.String(length=10), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("asked", sa.Text(), nullable=False),
        sa.Column("progress", sa.Text(), nullable=True),
        sa.Column("wish", sa.String(length=20), nullable=True),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("worker", sa.String(length=64), nullable=True),
        sa.Column("lease_ms", sa.BigInteger(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=True),
        sa.Column("problem", sa.Text(), nullable=True),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("started_ms", sa.BigInteger(), nullable=True),
        sa.Column("ended_ms", sa.BigInteger(), nullable=True),
        sa.CheckConstraint("kind IN ('morning', 'rest')", name=op.f("ck_jobs_kind")),
        sa.CheckConstraint(
            "state IN ('queued', 'running', 'done', 'failed', 'cancelled')",
            name=op.f("ck_jobs_state"),
        ),
        sa.ForeignKeyConstraint(["day_id"], ["days.id"], name=op.f("fk_jobs_day_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_jobs")),
    )
    with op.batch_alter_table("jobs", schema=None) as batch_op:
        batch_op.create_index(
            "ix_jobs_state_created", ["state", "created_ms"], unique=False
        )
        batch_op.create_index(
            "uq_jobs_open",
            ["day_id", "kind"],
            unique=True,
            sqlite_where=sa.text("state IN ('queued', 'running')"),
            postgresql_where=sa.text("state IN ('queued', 'running')"),
        )

    op.create_table(
        "parts",
        sa.Column("day_id", sa.String(length=10), nullable=False),
        sa.Column("id", sa.String(length=200), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["day_id"], ["days.id"], name=op.f("fk_parts_day_id")),
        sa.PrimaryKeyConstraint("day_id", "id", name=op.f("pk_parts")),
    )
    op.create_table(
        "plans",
        sa.Column("day_id", sa.String(length=10), nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("facts", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("said", sa.Text(), nullable=False),
        sa.Column("document", sa.LargeBinary(), nullable=False),
        sa.Column("outlook", sa.LargeBinary(), nullable=True),
        sa.Column("rest", sa.LargeBinary(), nullable=True),
        sa.Column("cost_cents", sa.BigInteger(), nullable=False),
        sa.Column("made_ms", sa.BigInteger(), nullable=False),
        sa.CheckConstraint(
            "kind IN ('morning', 'rest', 'urgent')", name=op.f("ck_plans_kind")
        ),
        sa.CheckConstraint("version >= 1", name=op.f("ck_plans_version")),
        sa.ForeignKeyConstraint(["day_id"], ["days.id"], name=op.f("fk_plans_day_id")),
        sa.PrimaryKeyConstraint("day_id", "version", name=op.f("pk_plans")),
    )
    op.create_table(
        "stores",
        sa.Column("day_id", sa.String(length=10), nullable=False),
        sa.Column("id", sa.String(length=200), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["day_id"], ["days.id"], name=op.f("fk_stores_day_id")),
        sa.PrimaryKeyConstraint("day_id", "id", name=op.f("pk_stores")),
    )
    op.create_table(
        "vans",
        sa.Column("day_id", sa.String(length=10), nullable=False),
        sa.Column("id", sa.String(length=200), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["day_id"], ["days.id"], name=op.f("fk_vans_day_id")),
        sa.PrimaryKeyConstraint("day_id", "id", name=op.f("pk_vans")),
    )
    op.create_table(
        "codes",
        sa.Column("day_id", sa.String(length=10), nullable=False),
        sa.Column("call_id", sa.String(length=200), nullable=False),
        sa.Column("what", sa.String(length=20), nullable=False),
        sa.Column("sealed", sa.LargeBinary(), nullable=False),
        sa.Column("sealed_with", sa.String(length=64), nullable=False),
        sa.Column("set_by", sa.String(length=64), nullable=False),
        sa.Column("set_ms", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["day_id", "call_id"],
            ["calls.day_id", "calls.id"],
            name=op.f("fk_codes_day_id_call_id"),
        ),
        sa.PrimaryKeyConstraint("day_id", "call_id", name=op.f("pk_codes")),
    )
    op.create_table(
        "movements",
        sa.Column("day_id", sa.String(length=10), nullable=False),
        sa.Column("seq", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("holder", sa.String(length=200), nullable=False),
        sa.Column("part_id", sa.String(length=200), nullable=False),
        sa.Column("pieces", sa.Integer(), nullable=False),
        sa.Column("cause", sa.String(length=20), nullable=False),
        sa.Column("fact_id", sa.String(length=64), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.CheckConstraint(
            "cause IN ('morning', 'counted', 'fact')", name=op.f("ck_movements_cause")
        ),
        sa.CheckConstraint("pieces <> 0", name=op.f("ck_movements_pieces")),
        sa.ForeignKeyConstraint(
            ["day_id", "fact_id"],
            ["facts.day_id", "facts.id"],
            name=op.f("fk_movements_day_id_fact_id"),
        ),
        sa.ForeignKeyConstraint(
            ["day_id", "part_id"],
            ["parts.day_id", "parts.id"],
            name=op.f("fk_movements_day_id_part_id"),
        ),
        sa.ForeignKeyConstraint(
            ["day_id"], ["days.id"], name=op.f("fk_movements_day_id")
        ),
        sa.PrimaryKeyConstraint("day_id", "seq", name=op.f("pk_movements")),
    )
    op.create_table(
        "sheets",
        sa.Column("day_id", sa.String(length=10), nullable=False),
        sa.Column("van_id", sa.String(length=200), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("etag", sa.String(length=80), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["day_id", "van_id"],
            ["vans.day_id", "vans.id"],
            name=op.f("fk_sheets_day_id_van_id"),
        ),
        sa.PrimaryKeyConstraint("day_id", "van_id", name=op.f("pk_sheets")),
    )
    op.create_table(
        "stands",
        sa.Column("day_id", sa.String(length=10), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["day_id", "version"],
            ["plans.day_id", "plans.version"],
            name=op.f("fk_stands_day_id_version"),
        ),
        sa.ForeignKeyConstraint(["day_id"], ["days.id"], name=op.f("fk_stands_day_id")),
        sa.PrimaryKeyConstraint("day_id", name=op.f("pk_stands")),
        sa.UniqueConstraint("day_id", "version", name=op.f("uq_stands_day_id_version")),
    )
    op.create_table(
        "placements",
        sa.Column("day_id", sa.String(length=10), nullable=False),
        sa.Column("call_id", sa.String(length=200), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("van_id", sa.String(length=200), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("start_s", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["day_id", "call_id"],
            ["calls.day_id", "calls.id"],
            name=op.f("fk_placements_day_id_call_id"),
        ),
        sa.ForeignKeyConstraint(
            ["day_id", "van_id"],
            ["vans.day_id", "vans.id"],
            name=op.f("fk_placements_day_id_van_id"),
        ),
        sa.ForeignKeyConstraint(
            ["day_id", "version"],
            ["stands.day_id", "stands.version"],
            name=op.f("fk_placements_day_id_version"),
        ),
        sa.PrimaryKeyConstraint("day_id", "call_id", name=op.f("pk_placements")),
        sa.UniqueConstraint(
            "day_id",
            "van_id",
            "position",
            name=op.f("uq_placements_day_id_van_id_position"),
        ),
    )

    op.execute("INSERT INTO feed (id, seq) VALUES (1, 0)")
    dialect = op.get_context().dialect.name
    for line in _sqlite() if dialect == "sqlite" else _postgresql():
        op.execute(line)


def _sqlite() -> Iterator[str]:
    erased = "(SELECT erased_ms FROM days WHERE id = OLD.day_id) IS NULL"
    for table in (*FOR_A_DAY, *FOREVER):
        stop = f"BEGIN SELECT RAISE(ABORT, '{table} only grows'); END"
        when = f"WHEN {erased}" if table in FOR_A_DAY else ""
        yield f"CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} {stop}"
        yield f"CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} {when} {stop}"
    yield """
        CREATE TRIGGER movements_sum AFTER INSERT ON movements BEGIN
            INSERT INTO balances (day_id, holder, part_id, pieces)
                VALUES (NEW.day_id, NEW.holder, NEW.part_id, 0)
                ON CONFLICT (day_id, holder, part_id) DO NOTHING;
            UPDATE balances SET pieces = pieces + NEW.pieces
                WHERE day_id = NEW.day_id AND holder = NEW.holder
                    AND part_id = NEW.part_id;
        END
    """


def _postgresql() -> Iterator[str]:
    yield """
        CREATE FUNCTION keyround_only_grows() RETURNS trigger LANGUAGE plpgsql AS $$
        BEGIN
            IF TG_OP = 'DELETE' AND TG_ARGV[0] = 'day' THEN
                IF (SELECT erased_ms FROM days WHERE id = OLD.day_id) IS NOT NULL THEN
                    RETURN OLD;
                END IF;
            END IF;
            RAISE EXCEPTION '% only grows', TG_TABLE_NAME
                USING ERRCODE = 'integrity_constraint_violation';
        END $$
    """
    for table in (*FOR_A_DAY, *FOREVER):
        how = "day" if table in FOR_A_DAY else "never"
        yield f"""
            CREATE TRIGGER {table}_only_grows BEFORE UPDATE OR DELETE ON {table}
                FOR EACH ROW EXECUTE FUNCTION keyround_only_grows('{how}')
        """
    yield """
        CREATE FUNCTION keyround_sum() RETURNS trigger LANGUAGE plpgsql AS $$
        BEGIN
            INSERT INTO balances (day_id, holder, part_id, pieces)
                VALUES (NEW.day_id, NEW.holder, NEW.part_id, 0)
                ON CONFLICT (day_id, holder, part_id) DO NOTHING;
            UPDATE balances SET pieces = balances.pieces + NEW.pieces
                WHERE day_id = NEW.day_id AND holder = NEW.holder
                    AND part_id = NEW.part_id;
            RETURN NULL;
        END $$
    """
    yield """
        CREATE TRIGGER movements_sum AFTER INSERT ON movements
            FOR EACH ROW EXECUTE FUNCTION keyround_sum()
    """
