"""Calendar feeds: tokens of a van that open one address and nothing else."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_KINDS = "kind IN ('secret', 'office', 'van', 'feed')"
_VANS = "(kind IN ('van', 'feed')) = (van_id IS NOT NULL)"


def upgrade() -> None:
    """Let there be one more kind of keys."""
    if op.get_context().dialect.name != "sqlite":
        for name, rule in (("ck_keys_kind", _KINDS), ("ck_keys_van", _VANS)):
            op.drop_constraint(op.f(name), "keys", type_="check")
            op.create_check_constraint(op.f(name), "keys", rule)
        return
    # SQLite cannot change a table's rules; a new one takes the rows.
    op.rename_table("keys", "keys_before")
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
        sa.CheckConstraint(_KINDS, name=op.f("ck_keys_kind")),
        sa.CheckConstraint(_VANS, name=op.f("ck_keys_van")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_keys")),
        sa.UniqueConstraint("digest", name=op.f("uq_keys_digest")),
    )
    op.execute("INSERT INTO keys SELECT * FROM keys_before")
    op.drop_table("keys_before")
