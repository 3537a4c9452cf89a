"""Customers who have to be rung, and what was learnt for a day: both are kept."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make a table and a column."""
    op.add_column("days", sa.Column("learnt", sa.Text(), nullable=True))
    op.create_table(
        "rings",
        sa.Column("day_id", sa.String(length=10), nullable=False),
        sa.Column("call_id", sa.String(length=200), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("done_ms", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(
            ["day_id", "call_id"],
            ["calls.day_id", "calls.id"],
            name=op.f("fk_rings_day_id_call_id"),
        ),
        sa.PrimaryKeyConstraint("day_id", "call_id", name=op.f("pk_rings")),
    )
