"""Runs, findings with their verdicts, decisions, seals."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False)


def _run() -> sa.Column[int]:
    return sa.Column("run", sa.Integer, sa.ForeignKey("runs.run"), nullable=False)


def _finding() -> sa.Column[str]:
    return sa.Column("finding", sa.Text, sa.ForeignKey("findings.finding"), nullable=False)


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "runs",
        sa.Column("run", sa.Integer, primary_key=True, autoincrement=False),
        _text("kind"),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("as_of", sa.DateTime(timezone=True)),
        *map(_text, ("export", "version", "reading")),
        sa.Column("whole", sa.Boolean),
        sa.Column("records", sa.Integer, nullable=False),
        _text("records_root"),
    )
    op.create_table(
        "run_files",
        _run(),
        sa.Column("number", sa.Integer, nullable=False),
        *map(_text, ("kind", "name", "sha256")),
        sa.Column("size", sa.BigInteger, nullable=False),
        sa.PrimaryKeyConstraint("run", "number"),
    )
    op.create_table(
        "findings",
        sa.Column("finding", sa.Text, primary_key=True),
        _run(),
        *map(_text, ("rule", "aircraft", "position", "work_order", "task_id", "station")),
        sa.Column("at", sa.DateTime(timezone=True)),
        _text("message"),
    )
    op.create_table(
        "verdicts",
        _run(),
        _finding(),
        *map(_text, ("state", "why", "level", "rule_digest")),
        sa.PrimaryKeyConstraint("run", "finding"),
    )
    op.create_index("ix_verdicts_finding", "verdicts", ["finding"])
    op.create_table(
        "decisions",
        _run(),
        _finding(),
        *map(_text, ("kind", "decided_by", "approved_by", "reason")),
        sa.Column("until", sa.Date),
        sa.PrimaryKeyConstraint("run", "finding"),
    )
    op.create_table("seals", _run(), *map(_text, ("previous", "seal")), sa.PrimaryKeyConstraint("run"))
