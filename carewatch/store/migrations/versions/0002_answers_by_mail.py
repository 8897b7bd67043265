"""Answers by mail: the secret of this installation, and what became of each reply."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from carewatch.store.dialect import Instant

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the tables, and the index that finds a notice by its Message-ID."""
    op.create_table(
        "secret",
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("value", sa.LargeBinary(), nullable=False),
        sa.Column("made_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_secret")),
    )
    op.create_table(
        "reply",
        sa.Column("identity", sa.String(length=64), nullable=False),
        sa.Column("sender", sa.Text(), nullable=False),
        sa.Column("at", Instant(), nullable=False),
        sa.Column("outcome", sa.String(length=20), nullable=False),
        sa.Column("notice", sa.Text(), nullable=True),
        sa.Column("is_answered", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("identity", name=op.f("pk_reply")),
    )
    op.create_index("ix_reply_sender", "reply", ["sender", "at"], unique=False)
    op.create_index("ix_notice_message_id", "notice", ["message_id"], unique=False)
