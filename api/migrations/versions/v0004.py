"""Places: pins that were set by hand, and what an address server answered."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make both tables."""
    op.create_table(
        "pins",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("lat_deg", sa.Float(), nullable=False),
        sa.Column("lon_deg", sa.Float(), nullable=False),
        sa.Column("set_by", sa.String(length=64), nullable=False),
        sa.Column("set_ms", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("lat_deg BETWEEN -90 AND 90", name=op.f("ck_pins_lat")),
        sa.CheckConstraint("lon_deg BETWEEN -180 AND 180", name=op.f("ck_pins_lon")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pins")),
    )
    op.create_table(
        "lookups",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lookups")),
    )
