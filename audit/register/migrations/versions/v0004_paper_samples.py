"""What samples of the records showed, held beside the paper."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "paper_samples",
        sa.Column("run", sa.Integer, sa.ForeignKey("runs.run"), nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("aim", "seed", "frame", "station", "month")),
        *(sa.Column(name, sa.Integer, nullable=False) for name in ("records", "drawn", "deviating", "at_most")),
        sa.PrimaryKeyConstraint("run", "number"),
    )
