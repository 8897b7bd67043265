"""Every table of the database. Facts are appended; only the outbox, links and the state of trying change in place."""

from __future__ import annotations

from sqlalchemy import (
    DDL,
    Boolean,
    Column,
    Date,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    event,
)

from carewatch.store.dialect import Instant, append_only_triggers

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)

roster_version = Table(
    "roster_version",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("fingerprint", Text, nullable=False),
    Column("texts", Text, nullable=False),
    Column("at", Instant, nullable=False),
)

roster_change = Table(
    "roster_change",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("fleet", Text, nullable=False),
    Column("entry", Text, nullable=False),
    Column("person", Text, nullable=False),
    Column("before", Text, nullable=False),
    Column("after", Text, nullable=False),
    Column("at", Instant, nullable=False),
)

entry = Table(
    "entry",
    metadata,
    Column("id", Text, primary_key=True),
    Column("machine", Text, nullable=False),
    Column("kind", String(40), nullable=False),
    Column("happened_at", Instant, nullable=False),
    Column("recorded_at", Instant, nullable=False),
    Column("written_by", Text, nullable=False),
    Column("on_behalf_of", Text),
    Column("channel", String(20), nullable=False),
    Column("detail_type", String(40), nullable=False),
    Column("detail", Text, nullable=False),
    Index("ix_entry_machine", "machine", "happened_at"),
)

answer = Table(
    "answer",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("source", String(40), nullable=False),
    Column("key", Text, nullable=False),
    Column("digest", String(64), nullable=False),
    Column("body", LargeBinary, nullable=False),
    Column("fetched_at", Instant, nullable=False),
    Column("issued_at", Instant),
    Column("ask_again_at", Instant, nullable=False),
    Column("validators", Text, nullable=False),
    Index("ix_answer_source", "source", "key", "id"),
)

answer_renewal = Table(
    "answer_renewal",
    metadata,
    Column("answer_id", Integer, ForeignKey("answer.id", ondelete="CASCADE"), primary_key=True, autoincrement=False),
    Column("ask_again_at", Instant, nullable=False),
    Column("validators", Text, nullable=False),
)

visit = Table(
    "visit",
    metadata,
    Column("source", String(40), primary_key=True),
    Column("key", Text, primary_key=True),
    Column("failed_since", Instant),
    Column("failures", Integer, nullable=False),
    Column("next_at", Instant, nullable=False),
    Column("trouble", Text, nullable=False),
)

duty_line = Table(
    "duty_line",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("key", Text, nullable=False),
    Column("version", Integer, nullable=False),
    Column("machine", Text, nullable=False),
    Column("kind", String(40), nullable=False),
    Column("state", String(20), nullable=False),
    Column("content", Text, nullable=False),
    Column("at", Instant, nullable=False),
    UniqueConstraint("key", "version"),
)

outlook = Table(
    "outlook",
    metadata,
    Column("machine", Text, primary_key=True),
    Column("night", Date, primary_key=True),
    Column("document", Text, nullable=False),
    Column("at", Instant, nullable=False),
)

night_forecast = Table(
    "night_forecast",
    metadata,
    Column("site", Text, primary_key=True),
    Column("night", Date, primary_key=True),
    Column("ahead", Integer, primary_key=True, autoincrement=False),
    Column("source", Text, nullable=False),
    Column("grade", String(20), nullable=False),
    Column("lead_h", Float, nullable=False),
    Column("low_c", Float, nullable=False),
    Column("at", Instant, nullable=False),
)

night_low = Table(
    "night_low",
    metadata,
    Column("site", Text, primary_key=True),
    Column("night", Date, primary_key=True),
    Column("low_c", Float, nullable=False),
    Column("read_by", Text, nullable=False),
    Column("is_at_site", Boolean, nullable=False),
    Column("at", Instant, nullable=False),
)

night_word = Table(
    "night_word",
    metadata,
    Column("machine", Text, primary_key=True),
    Column("night", Date, primary_key=True),
    Column("site", Text, nullable=False),
    Column("at", Instant, nullable=False),
    Column("is_assessed", Boolean, nullable=False),
    Column("is_flagged", Boolean, nullable=False),
    Column("chance", Float),
    Column("margin_c", Float),
    Column("low_c", Float),
    Column("was_flagged_late", Boolean, nullable=False),
    Column("came_margin_c", Float),
    Column("came_low_c", Float),
    Column("read_by", Text),
    Column("found_ice", Boolean),
)

notice = Table(
    "notice",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("key", Text, nullable=False, unique=True),
    Column("kind", String(40), nullable=False),
    Column("person", Text, nullable=False),
    Column("recipient", Text, nullable=False),
    Column("machines", Text, nullable=False),
    Column("duties", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("facts", Text, nullable=False),
    Column("refers_to", Text),
    Column("created_at", Instant, nullable=False),
    Column("not_after", Instant, nullable=False),
    Column("message_id", Text, nullable=False),
    Column("raw", LargeBinary, nullable=False),
    Column("state", String(20), nullable=False),
    Column("next_at", Instant, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("deaths", Integer, nullable=False),
    Column("fence", Integer, nullable=False),
    Column("worker", Text),
    Column("trouble", Text, nullable=False),
    Column("settled_at", Instant),
    Column("folded_into", Text),
    Index("ix_notice_state", "state", "next_at"),
    Index("ix_notice_created_at", "created_at"),
    Index("ix_notice_message_id", "message_id"),
)

link = Table(
    "link",
    metadata,
    Column("token_hash", String(64), primary_key=True),
    Column("person", Text, nullable=False),
    Column("purpose", Text, nullable=False),
    Column("expires_at", Instant, nullable=False),
    Column("revoked_at", Instant),
)

secret = Table(
    "secret",
    metadata,
    Column("name", String(40), primary_key=True),
    Column("value", LargeBinary, nullable=False),
    Column("made_at", Instant, nullable=False),
)

reply = Table(
    "reply",
    metadata,
    Column("identity", String(64), primary_key=True),
    Column("sender", Text, nullable=False),
    Column("at", Instant, nullable=False),
    Column("outcome", String(20), nullable=False),
    Column("notice", Text),
    Column("is_answered", Boolean, nullable=False),
    Index("ix_reply_sender", "sender", "at"),
)

run = Table(
    "run",
    metadata,
    Column("name", String(40), primary_key=True),
    Column("last_at", Instant, nullable=False),
    Column("last_ok_at", Instant),
    Column("next_due_at", Instant),
    Column("failures", Integer, nullable=False),
    Column("trouble", Text, nullable=False),
)

_APPEND_ONLY = ((roster_version, False), (roster_change, False), (entry, False), (duty_line, False), (answer, True))
for _table, _may_delete in _APPEND_ONLY:
    for _dialect in ("sqlite", "postgresql"):
        for _statement in append_only_triggers(_table.name, may_delete=_may_delete, dialect=_dialect):
            _trigger = DDL(_statement)  # type: ignore[no-untyped-call]
            event.listen(_table, "after_create", _trigger.execute_if(dialect=_dialect))
