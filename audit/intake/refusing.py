"""The border of reading: whatever a library says of an input there becomes one sentence about the input."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from audit.errors import AuditError, InternalError, said_by

_MISTAKES = (AssertionError, AttributeError, InternalError, LookupError, NameError, TypeError)
"""What mistakes in the audit's own code raise. A library may raise them too, of an input that it didn't expect."""


@contextmanager
def refusing(name: str, what: str = "", told: Callable[[BaseException], str] | None = None) -> Iterator[None]:
    """AuditError `NAME can't be read as WHAT: ...` for whatever a library raises, of any kind, while it reads an input.

    Libraries raise what their authors thought of, and for damaged input what they didn't: no list of kinds is complete.
    A mistake of the audit's own code stays what it is, so that it ends as an internal error. `told` words what follows
    the name otherwise.
    """
    try:
        yield
    except AuditError:
        raise
    except BaseException as error:
        if not _of_the_input(error):
            raise
        raise AuditError(f"{name} {told(error) if told else _usual(error, what)}") from error


def _usual(error: BaseException, what: str) -> str:
    if isinstance(error, OSError) and error.strerror:  # the system's word, without the path that was given
        return f"can't be read: {error.strerror}"
    return f"can't be read{f' as {what}' if what else ''}: {said_by(error)}"


def _of_the_input(error: BaseException) -> bool:
    # A reader in Rust that fails raises an exception beside all usual ones; so are Ctrl-C and leaving, of course.
    if not isinstance(error, Exception):
        return type(error).__module__ == "pyo3_runtime"
    return not (isinstance(error, _MISTAKES) and _raised_here(error))


def _raised_here(error: BaseException) -> bool:
    """Whether the audit's own code raised it, not what that called."""
    at = error.__traceback__
    while at is not None and at.tb_next is not None:
        at = at.tb_next
    name = "" if at is None else str(at.tb_frame.f_globals.get("__name__"))
    return name.partition(".")[0] == __name__.partition(".")[0]
