"""Exit codes of the command line: the only module that knows the numbers."""

from __future__ import annotations

from enum import IntEnum


class ExitCode(IntEnum):
    """What the process tells its caller."""

    CLEAN = 0
    """Nothing at or above the level requested."""
    FINDINGS = 1
    """Findings at or above the level requested."""
    COULD_NOT_RUN = 2
    """Bad arguments, unreadable export, bad rule file."""
    NOTHING_JUDGED = 3
    """No task records, or every rule idle or unjudged."""
    INTERNAL_ERROR = 4
    """A defect in the program."""
    INTERRUPTED = 130
    """Ctrl-C, as shells have it: 128 and the number of the signal."""
