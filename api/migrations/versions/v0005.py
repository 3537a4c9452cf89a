"""Drives that a road network was asked for, kept across days."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make their table."""
    op.create_table(
        "drives",
        sa.Column("network", sa.String(length=64), nullable=False),
        sa.Column("from_lat", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("from_lon", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("to_lat", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("to_lon", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("base_s", sa.Integer(), nullable=False),
        sa.Column("distance_m", sa.Integer(), nullable=False),
        sa.Column("asked_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint(
            "network",
            "from_lat",
            "from_lon",
            "to_lat",
            "to_lon",
            name=op.f("pk_drives"),
        ),
    )
    op.create_index(op.f("ix_drives_asked_ms"), "drives", ["asked_ms"])
