"""The one exception that a user is meant to read."""

from __future__ import annotations


class AuditError(Exception):
    """The audit could not run. Its arguments are clear sentences naming the file and the place, one for each fault."""

    def __str__(self) -> str:
        return "\n".join(map(str, self.args))


class InternalError(Exception):
    """The audit contradicted itself (a sum that doesn't balance): a defect of the program, never of the data."""


def said_by(error: BaseException) -> str:
    """The first line of what an error says; its kind, where it says nothing."""
    return next(iter(str(error).splitlines()), type(error).__name__)
