"""What Alembic runs: today's steps, on the connection and in the transaction that `schema` gives."""

from __future__ import annotations

from alembic import context

context.configure(connection=context.config.attributes["connection"], transactional_ddl=True)
context.run_migrations()
