"""Answers of work lists, and the versions of task records."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "answers",
        sa.Column("run", sa.Integer, sa.ForeignKey("runs.run"), nullable=False),
        sa.Column("finding", sa.Text, sa.ForeignKey("findings.finding"), nullable=False),
        sa.Column("answer", sa.Text, nullable=False),
        sa.Column("answered_by", sa.Text, nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("note", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("run", "finding"),
    )
    op.create_table(
        "records",
        sa.Column("run", sa.Integer, sa.ForeignKey("runs.run"), nullable=False),
        sa.Column("part", sa.Integer, nullable=False),
        sa.Column("rows", sa.Integer, nullable=False),
        *(sa.Column(name, sa.LargeBinary, nullable=False) for name in ("ids", "digests", "contents")),
        sa.PrimaryKeyConstraint("run", "part"),
    )
