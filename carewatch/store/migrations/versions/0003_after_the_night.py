"""After the night: what was said of it, what was measured, what came of it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from carewatch.store.dialect import Instant

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the tables."""
    op.create_table(
        "night_forecast",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("night", sa.Date(), nullable=False),
        sa.Column("ahead", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("grade", sa.String(length=20), nullable=False),
        sa.Column("lead_h", sa.Float(), nullable=False),
        sa.Column("low_c", sa.Float(), nullable=False),
        sa.Column("at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("site", "night", "ahead", name=op.f("pk_night_forecast")),
    )
    op.create_table(
        "night_low",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("night", sa.Date(), nullable=False),
        sa.Column("low_c", sa.Float(), nullable=False),
        sa.Column("read_by", sa.Text(), nullable=False),
        sa.Column("is_at_site", sa.Boolean(), nullable=False),
        sa.Column("at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("site", "night", name=op.f("pk_night_low")),
    )
    op.create_table(
        "night_word",
        sa.Column("machine", sa.Text(), nullable=False),
        sa.Column("night", sa.Date(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("at", Instant(), nullable=False),
        sa.Column("is_assessed", sa.Boolean(), nullable=False),
        sa.Column("is_flagged", sa.Boolean(), nullable=False),
        sa.Column("chance", sa.Float(), nullable=True),
        sa.Column("margin_c", sa.Float(), nullable=True),
        sa.Column("low_c", sa.Float(), nullable=True),
        sa.Column("was_flagged_late", sa.Boolean(), nullable=False),
        sa.Column("came_margin_c", sa.Float(), nullable=True),
        sa.Column("came_low_c", sa.Float(), nullable=True),
        sa.Column("read_by", sa.Text(), nullable=True),
        sa.Column("found_ice", sa.Boolean(), nullable=True),
        sa.PrimaryKeyConstraint("machine", "night", name=op.f("pk_night_word")),
    )
