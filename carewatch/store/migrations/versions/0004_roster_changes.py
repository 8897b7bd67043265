"""What was changed in a fleet file on a page, and by whom."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from carewatch.store.dialect import Instant, append_only_triggers

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table; the database itself refuses to change its rows."""
    op.create_table(
        "roster_change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet", sa.Text(), nullable=False),
        sa.Column("entry", sa.Text(), nullable=False),
        sa.Column("person", sa.Text(), nullable=False),
        sa.Column("before", sa.Text(), nullable=False),
        sa.Column("after", sa.Text(), nullable=False),
        sa.Column("at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_roster_change")),
    )
    for statement in append_only_triggers("roster_change", dialect=op.get_bind().dialect.name):
        op.execute(statement)
