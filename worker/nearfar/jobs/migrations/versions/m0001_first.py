"""Jobs, frames, units, attempts, the audit trail, workers and owners."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

NUMBER = sa.BigInteger().with_variant(sa.Integer, "sqlite")
TRAILS = ("attempts", "events")
"""Tables whose rows are added and never changed."""


def upgrade() -> None:
    """Make the tables."""
    _owners_and_jobs()
    _units()
    _trails()
    _server()
    for table in TRAILS:
        _forbid_changes(table)


def _owners_and_jobs() -> None:
    op.create_table(
        "owners",
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("created", sa.Double, nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_owners"),
    )
    op.create_table(
        "jobs",
        sa.Column("id", NUMBER, sa.Identity(), nullable=False),
        sa.Column("stack", sa.Text, nullable=False),
        sa.Column("owner", sa.Text, nullable=False),
        sa.Column("sources", sa.JSON, nullable=False),
        sa.Column("recipe", sa.Text, nullable=False),
        sa.Column("settings", sa.JSON, nullable=False),
        sa.Column("priority", NUMBER, nullable=False, server_default="0"),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("cause", sa.Text, nullable=True),
        sa.Column("reason", sa.Text, nullable=True),
        sa.Column("progress", sa.Double, nullable=False, server_default="0"),
        sa.Column("weights", sa.JSON, nullable=False),
        sa.Column("created", sa.Double, nullable=False),
        sa.Column("updated", sa.Double, nullable=False),
        sa.Column("started", sa.Double, nullable=True),
        sa.Column("finished", sa.Double, nullable=True),
        sa.Column("result", sa.Text, nullable=True),
        sa.Column("digest", sa.Text, nullable=True),
        sa.Column("idempotency_key", sa.Text, nullable=True),
        sa.Column("fingerprint", sa.Text, nullable=True),
        sa.Column("again_of", NUMBER, nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_jobs"),
        sa.ForeignKeyConstraint(["owner"], ["owners.name"], name="fk_jobs_owner"),
        sa.ForeignKeyConstraint(["again_of"], ["jobs.id"], name="fk_jobs_again_of", ondelete="SET NULL"),
        sa.UniqueConstraint("owner", "idempotency_key", name="uq_jobs_owner_idempotency_key"),
        sqlite_autoincrement=True,
    )
    for column in ("created", "updated", "finished", "stack", "priority"):
        op.create_index(f"ix_jobs_{column}_id", "jobs", [column, "id"])
        op.create_index(f"ix_jobs_state_{column}_id", "jobs", ["state", column, "id"])
    op.create_index("ix_jobs_owner_created_id", "jobs", ["owner", "created", "id"])
    op.create_index("ix_jobs_owner_digest", "jobs", ["owner", "digest"])
    op.create_index("ix_jobs_again_of", "jobs", ["again_of"])
    op.create_table(
        "frames",
        sa.Column("job", NUMBER, nullable=False),
        sa.Column("position", sa.Integer, nullable=False),
        sa.Column("path", sa.Text, nullable=False),
        sa.Column("size", NUMBER, nullable=True),
        sa.Column("digest", sa.Text, nullable=True),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("reason", sa.Text, nullable=True),
        sa.PrimaryKeyConstraint("job", "position", name="pk_frames"),
        sa.ForeignKeyConstraint(["job"], ["jobs.id"], name="fk_frames_job", ondelete="CASCADE"),
    )


def _units() -> None:
    op.create_table(
        "units",
        sa.Column("id", NUMBER, sa.Identity(), nullable=False),
        sa.Column("job", NUMBER, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("stage", NUMBER, nullable=False),
        sa.Column("start", NUMBER, nullable=False),
        sa.Column("stop", NUMBER, nullable=False),
        sa.Column("weight", sa.Double, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("memory", NUMBER, nullable=False, server_default="0"),
        sa.Column("disk", NUMBER, nullable=False, server_default="0"),
        sa.Column("limit", sa.Double, nullable=False),
        sa.Column("attempts", NUMBER, nullable=False, server_default="0"),
        sa.Column("token", NUMBER, nullable=False, server_default="0"),
        sa.Column("worker", sa.Text, nullable=True),
        sa.Column("started", sa.Double, nullable=True),
        sa.Column("lease_until", sa.Double, nullable=True),
        sa.Column("deadline", sa.Double, nullable=True),
        sa.Column("progress", sa.Double, nullable=False, server_default="0"),
        sa.Column("not_before", sa.Double, nullable=False, server_default="0"),
        sa.Column("cause", sa.Text, nullable=True),
        sa.Column("reason", sa.Text, nullable=True),
        sa.Column("detail", sa.JSON, nullable=True),
        sa.Column("result", sa.JSON, nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_units"),
        sa.ForeignKeyConstraint(["job"], ["jobs.id"], name="fk_units_job", ondelete="CASCADE"),
        sa.UniqueConstraint("job", "kind", "start", name="uq_units_job_kind_start"),
        sqlite_autoincrement=True,
    )
    ready, held = sa.text("state = 'ready'"), sa.text("state = 'held'")
    op.create_index("ix_units_ready", "units", ["id"], sqlite_where=ready, postgresql_where=ready)
    op.create_index("ix_units_lease", "units", ["lease_until"], sqlite_where=held, postgresql_where=held)
    op.create_index("ix_units_worker", "units", ["worker"], sqlite_where=held, postgresql_where=held)
    op.create_index("ix_units_job_stage_state", "units", ["job", "stage", "state"])


def _trails() -> None:
    op.create_table(
        "attempts",
        sa.Column("id", NUMBER, sa.Identity(), nullable=False),
        sa.Column("unit", NUMBER, nullable=False),
        sa.Column("job", NUMBER, nullable=False),
        sa.Column("token", NUMBER, nullable=False),
        sa.Column("step", sa.Text, nullable=False),
        sa.Column("at", sa.Double, nullable=False),
        sa.Column("worker", sa.Text, nullable=True),
        sa.Column("seconds", sa.Double, nullable=True),
        sa.Column("cause", sa.Text, nullable=True),
        sa.Column("reason", sa.Text, nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_attempts"),
        sa.ForeignKeyConstraint(["unit"], ["units.id"], name="fk_attempts_unit", ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["job"], ["jobs.id"], name="fk_attempts_job", ondelete="CASCADE"),
        sqlite_autoincrement=True,
    )
    done = sa.text("step = 'done'")
    op.create_index(
        "uq_attempts_done", "attempts", ["unit"], unique=True, sqlite_where=done, postgresql_where=done
    )
    op.create_index("ix_attempts_job_id", "attempts", ["job", "id"])
    op.create_index("ix_attempts_unit_token", "attempts", ["unit", "token"])
    op.create_table(
        "events",
        sa.Column("id", NUMBER, sa.Identity(), nullable=False),
        sa.Column("at", sa.Double, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("action", sa.Text, nullable=False),
        sa.Column("job", NUMBER, nullable=True),
        sa.Column("unit", NUMBER, nullable=True),
        sa.Column("detail", sa.JSON, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_events"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_events_job_id", "events", ["job", "id"])
    op.create_index("ix_events_at", "events", ["at"])


def _server() -> None:
    op.create_table(
        "workers",
        sa.Column("id", sa.Text, nullable=False),
        sa.Column("host", sa.Text, nullable=False),
        sa.Column("pid", NUMBER, nullable=False),
        sa.Column("version", sa.Text, nullable=False),
        sa.Column("slots", NUMBER, nullable=False),
        sa.Column("memory", NUMBER, nullable=False),
        sa.Column("disk", NUMBER, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("started", sa.Double, nullable=False),
        sa.Column("beat", sa.Double, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_workers"),
    )
    op.create_index("ix_workers_state_beat", "workers", ["state", "beat"])
    op.create_table(
        "server",
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("value", sa.Text, nullable=False),
        sa.Column("changed", sa.Double, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_server"),
    )


def _forbid_changes(table: str) -> None:
    """Let the database itself refuse a change of a row; whoever rebuilds the table has to do this again."""
    if op.get_bind().dialect.name == "sqlite":
        op.execute(
            f"CREATE TRIGGER {table}_append_only BEFORE UPDATE ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{table}: rows are added and never changed'); END"
        )
        return
    op.execute(
        "CREATE OR REPLACE FUNCTION nearfar_append_only() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION '%: rows are added and never changed', TG_TABLE_NAME; END $$"
    )
    op.execute(
        f"CREATE TRIGGER {table}_append_only BEFORE UPDATE ON {table} "
        "FOR EACH ROW EXECUTE FUNCTION nearfar_append_only()"
    )
