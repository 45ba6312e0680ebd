"""The flight of each finding that names one."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "finding_flights",
        sa.Column("run", sa.Integer, sa.ForeignKey("runs.run"), nullable=False),
        sa.Column("finding", sa.Text, sa.ForeignKey("findings.finding"), primary_key=True),
        sa.Column("flight_id", sa.Text, nullable=False),
    )
