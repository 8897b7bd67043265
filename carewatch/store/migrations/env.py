"""Runs the steps on the connection it is handed; the transaction belongs to layout.py."""

from __future__ import annotations

from alembic import context

context.configure(connection=context.config.attributes["connection"], transactional_ddl=False)
context.run_migrations()
