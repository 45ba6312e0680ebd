"""How a register of any earlier version becomes one of this version: alembic's scripts."""
