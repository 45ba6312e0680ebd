"""An open register, and what is said where its database refuses.

A URL holds a password perhaps. Neither it nor a message that may repeat it is ever shown.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import sqlalchemy as sa

from audit.errors import AuditError, said_by
from audit.options import Spread
from audit.register.packing import Damaged
from audit.spread.workers import workers


@dataclass(frozen=True)
class Register:
    """An open register: what it is called, and the connection, in a transaction that `commit` ends.

    `until_closed` puts away what works beside the run. `path` is the file that it is in, if it is in one, and `file`
    that file as it was opened (device and number).
    """

    name: str
    connection: sa.Connection
    until_closed: ExitStack
    path: Path | None = None
    file: tuple[int, int] | None = None

    def beside(self) -> Executor:
        """A process for what takes long, until the register is closed."""
        return self.until_closed.enter_context(workers(Spread(workers=1)))

    def commit(self) -> None:
        """Keep what was written; without it nothing is. AuditError where the file is not there any more."""
        # SQLite would go on writing to a file that has been deleted or replaced, and nobody would find it again.
        if self.path is not None and file_at(self.path) != self.file:
            raise AuditError(f"{self.name} went away during the run: nothing was written")
        with refusing(self.name):
            self.connection.commit()


def file_at(path: Path) -> tuple[int, int] | None:
    """The device and number of a file; None where there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


@contextmanager
def refusing(name: str, url: sa.URL | None = None) -> Iterator[None]:
    """Turn what the database, its driver or SQLAlchemy raises into one sentence without secrets."""
    try:
        yield
    except sa.exc.SQLAlchemyError as error:
        raised = getattr(error, "orig", None)
        if raised is None and not isinstance(error, sa.exc.PendingRollbackError | sa.exc.ResourceClosedError):
            raise  # a mistake in this program's own statements
        raise AuditError(f"{name} {_told(raised or error, _secrets(url))}") from error
    except sqlite3.Error as error:
        raise AuditError(f"{name} {_told(error, ())}") from error
    except Damaged as error:
        raise AuditError(f"{name} is damaged, {error}; take the last copy that is sound") from error


_TOLD: Final = (
    (
        ("database is locked", "lock timeout"),
        "is in use: another run is writing to it; try again when that is done",
    ),
    (("readonly database", "read-only transaction"), "can't be written: it is read-only"),
    (("not a database",), "is not a register: it is a file of another kind, or damaged"),
    (("malformed",), "is damaged; take the last copy that is sound"),
    (("unable to open",), "can't be opened: it, or its folder, can't be written"),
    (("permission denied",), "can't be written: no right to"),
    (
        (
            "closed the connection",
            "connection is closed",
            "connection is lost",
            "terminating connection",
            "no connection",
        ),
        "went away during the run: nothing was written",
    ),
)
"""What a driver says, in part, and how we say it."""


def _told(error: BaseException, secrets: Sequence[str]) -> str:
    text = said_by(error).strip()
    for words, sentence in _TOLD:
        if any(each in text.lower() for each in words):
            return sentence
    for secret in secrets:
        text = text.replace(secret, "***")
    return f"can't be used: {text}"


def _secrets(url: sa.URL | None) -> tuple[str, ...]:
    if url is None:
        return ()
    values = [value for each in url.query.values() for value in ((each,) if isinstance(each, str) else each)]
    return tuple(str(each) for each in (url.password, *values) if each)
