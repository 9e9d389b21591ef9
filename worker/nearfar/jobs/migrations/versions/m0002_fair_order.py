"""An order of claims that is fair between owners and ages; running again; totals that outlive the jobs."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

NUMBER = sa.BigInteger().with_variant(sa.Integer, "sqlite")
READY = sa.text("state = 'ready'")

STEP = 21600.0
"""Seconds of waiting that one step of priority is worth."""
PATIENCE = 4.0
LONGEST = 3600.0
"""A job waits for shorter ones four times as long as it takes itself, and at most an hour."""


def upgrade() -> None:
    """Add the columns, fill them for what is under way, then put the stricter rules on."""
    op.add_column("owners", sa.Column("share", sa.Double, nullable=False, server_default="1"))
    op.add_column("owners", sa.Column("passed", sa.Double, nullable=False, server_default="0"))
    op.add_column("jobs", sa.Column("work", sa.Double, nullable=False, server_default="0"))
    op.add_column("jobs", sa.Column("due", sa.Double, nullable=False, server_default="0"))
    op.add_column("jobs", sa.Column("run", NUMBER, nullable=False, server_default="1"))
    op.add_column("units", sa.Column("run", NUMBER, nullable=False, server_default="1"))
    op.add_column("units", sa.Column("planned", sa.Boolean, nullable=False, server_default=sa.true()))
    op.add_column("units", sa.Column("owner", sa.Text, nullable=False, server_default=""))
    op.add_column("units", sa.Column("due", sa.Double, nullable=False, server_default="0"))
    op.add_column("units", sa.Column("priority", NUMBER, nullable=False, server_default="0"))
    _fill()
    op.drop_index("ix_units_ready", "units")
    op.drop_index("ix_units_job_stage_state", "units")
    with op.batch_alter_table("units", table_kwargs={"sqlite_autoincrement": True}) as units:
        units.drop_constraint("uq_units_job_kind_start", type_="unique")
        units.create_unique_constraint("uq_units_job_run_kind_start", ["job", "run", "kind", "start"])
        for name in ("owner", "due", "priority"):
            units.alter_column(name, server_default=None)
    op.create_index(
        "ix_units_ready",
        "units",
        ["owner", "due", "id", "not_before", "memory", "disk"],
        sqlite_where=READY,
        postgresql_where=READY,
    )
    op.create_index("ix_units_job_run_stage_state", "units", ["job", "run", "stage", "state"])
    op.create_table(
        "totals",
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("label", sa.Text, nullable=False),
        sa.Column("value", sa.Double, nullable=False),
        sa.PrimaryKeyConstraint("name", "label", name="pk_totals"),
    )


def _fill() -> None:
    """Give the jobs that are there their place in the order, and the units that of their job."""
    connection = op.get_bind()
    connection.execute(
        sa.text(
            "UPDATE jobs SET work = (SELECT coalesce(sum(weight), 0) FROM units WHERE units.job = jobs.id)"
        )
    )
    connection.execute(
        sa.text(
            "UPDATE jobs SET due = created - :step * priority"
            " + CASE WHEN :patience * work < :longest THEN :patience * work ELSE :longest END"
        ),
        {"step": STEP, "patience": PATIENCE, "longest": LONGEST},
    )
    connection.execute(
        sa.text(
            "UPDATE units SET owner = (SELECT owner FROM jobs WHERE jobs.id = units.job),"
            " due = (SELECT due FROM jobs WHERE jobs.id = units.job),"
            " priority = (SELECT priority FROM jobs WHERE jobs.id = units.job)"
        )
    )
