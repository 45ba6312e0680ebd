"""What has happened to task records since they were signed."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "alterations",
        sa.Column("run", sa.Integer, sa.ForeignKey("runs.run"), nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("task_id", "what", "column", "was", "now")),
        sa.PrimaryKeyConstraint("run", "number"),
    )
