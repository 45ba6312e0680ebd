"""The one exception that a user is meant to read."""

from __future__ import annotations


class AuditError(Exception):
    """The audit could not run. The message is one clear sentence naming the file and the place."""


class InternalError(Exception):
    """The audit contradicted itself (a sum that doesn't balance): a defect of the program, never of the data."""
