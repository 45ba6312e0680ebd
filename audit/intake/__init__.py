"""Intake: what came in. Export files become typed tables, every row audited or quarantined with a reason."""
