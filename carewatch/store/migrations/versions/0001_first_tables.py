"""The first tables."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from carewatch.store.dialect import Instant, append_only_triggers

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

APPEND_ONLY = (("roster_version", False), ("entry", False), ("duty_line", False), ("answer", True))


def upgrade() -> None:
    """Create them, and the triggers that keep the logbook and the ledgers append-only."""
    op.create_table(
        "answer",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("source", sa.String(length=40), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("fetched_at", Instant(), nullable=False),
        sa.Column("issued_at", Instant(), nullable=True),
        sa.Column("ask_again_at", Instant(), nullable=False),
        sa.Column("validators", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_answer")),
    )
    op.create_index("ix_answer_source", "answer", ["source", "key", "id"], unique=False)
    op.create_table(
        "duty_line",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("machine", sa.Text(), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_duty_line")),
        sa.UniqueConstraint("key", "version", name=op.f("uq_duty_line_key")),
    )
    op.create_table(
        "entry",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("machine", sa.Text(), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("happened_at", Instant(), nullable=False),
        sa.Column("recorded_at", Instant(), nullable=False),
        sa.Column("written_by", sa.Text(), nullable=False),
        sa.Column("on_behalf_of", sa.Text(), nullable=True),
        sa.Column("channel", sa.String(length=20), nullable=False),
        sa.Column("detail_type", sa.String(length=40), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_entry")),
    )
    op.create_index("ix_entry_machine", "entry", ["machine", "happened_at"], unique=False)
    op.create_table(
        "link",
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("person", sa.Text(), nullable=False),
        sa.Column("purpose", sa.Text(), nullable=False),
        sa.Column("expires_at", Instant(), nullable=False),
        sa.Column("revoked_at", Instant(), nullable=True),
        sa.PrimaryKeyConstraint("token_hash", name=op.f("pk_link")),
    )
    op.create_table(
        "notice",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("person", sa.Text(), nullable=False),
        sa.Column("recipient", sa.Text(), nullable=False),
        sa.Column("machines", sa.Text(), nullable=False),
        sa.Column("duties", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("facts", sa.Text(), nullable=False),
        sa.Column("refers_to", sa.Text(), nullable=True),
        sa.Column("created_at", Instant(), nullable=False),
        sa.Column("not_after", Instant(), nullable=False),
        sa.Column("message_id", sa.Text(), nullable=False),
        sa.Column("raw", sa.LargeBinary(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("next_at", Instant(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("deaths", sa.Integer(), nullable=False),
        sa.Column("fence", sa.Integer(), nullable=False),
        sa.Column("worker", sa.Text(), nullable=True),
        sa.Column("trouble", sa.Text(), nullable=False),
        sa.Column("settled_at", Instant(), nullable=True),
        sa.Column("folded_into", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notice")),
        sa.UniqueConstraint("key", name=op.f("uq_notice_key")),
    )
    op.create_index("ix_notice_created_at", "notice", ["created_at"], unique=False)
    op.create_index("ix_notice_state", "notice", ["state", "next_at"], unique=False)
    op.create_table(
        "outlook",
        sa.Column("machine", sa.Text(), nullable=False),
        sa.Column("night", sa.Date(), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.Column("at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("machine", "night", name=op.f("pk_outlook")),
    )
    op.create_table(
        "roster_version",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fingerprint", sa.Text(), nullable=False),
        sa.Column("texts", sa.Text(), nullable=False),
        sa.Column("at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_roster_version")),
    )
    op.create_table(
        "run",
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("last_at", Instant(), nullable=False),
        sa.Column("last_ok_at", Instant(), nullable=True),
        sa.Column("next_due_at", Instant(), nullable=True),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("trouble", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_run")),
    )
    op.create_table(
        "visit",
        sa.Column("source", sa.String(length=40), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("failed_since", Instant(), nullable=True),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("next_at", Instant(), nullable=False),
        sa.Column("trouble", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("source", "key", name=op.f("pk_visit")),
    )
    op.create_table(
        "answer_renewal",
        sa.Column("answer_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("ask_again_at", Instant(), nullable=False),
        sa.Column("validators", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["answer_id"], ["answer.id"], name=op.f("fk_answer_renewal_answer_id_answer"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("answer_id", name=op.f("pk_answer_renewal")),
    )

    dialect = op.get_bind().dialect.name
    for table, may_delete in APPEND_ONLY:
        for statement in append_only_triggers(table, may_delete=may_delete, dialect=dialect):
            op.execute(statement)
