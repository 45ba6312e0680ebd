"""The command line itself: its name, its groups of commands, and what several of them use."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import date
from typing import Annotated

import typer

from audit.errors import AuditError
from audit.report.visible import visible
from audit.version import __version__

NAME = "deicer-audit"
TRACEBACK = "DEICER_AUDIT_TRACEBACK"

app = typer.Typer(
    help="Audit the maintenance records of pneumatic de-icers against declarative rules.",
    epilog="Exit codes: 0 nothing at or above the level requested; 1 findings at or above it; "
    f"2 could not run; 3 nothing could be judged; 130 interrupted; 4 internal error ({TRACEBACK}=1 in the "
    "environment shows where).",
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
rules_app = typer.Typer(help="Work with rule files.", rich_markup_mode=None)
app.add_typer(rules_app, name="rules")


def _show_version(wanted: bool) -> None:
    if wanted:
        print(f"{NAME} {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    pass


_SHOWN = 12


def print_first(lines: Sequence[str]) -> None:
    """Print the first lines, what is in them made visible, and how many more there are."""
    for line in lines[:_SHOWN]:
        print(visible(line))
    if len(lines) > _SHOWN:
        print(f"and {len(lines) - _SHOWN:,} more")


def say(text: str) -> None:
    """Tell the user, on stderr: stdout is for what another program reads."""
    with suppress(BrokenPipeError):  # whoever read along has left: that is not an outcome of the audit
        print(text, file=sys.stderr, flush=True)


def calendar_day(text: str) -> date:
    """A day on the command line; BadParameter where it is none."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(f"{text!r} is not a date, such as 2026-04-30.") from None


class LeavableOutput(io.TextIOWrapper):
    """Standard output whose reader may leave before its end, as a pager does: no fault, and no other exit code."""

    def write(self, text: str) -> int:
        """Write, or drop what nobody reads."""
        with self._reader_may_leave():
            return super().write(text)
        return len(text)

    def flush(self) -> None:
        """Hand on, or drop, what was written."""
        with self._reader_may_leave():
            super().flush()

    @contextmanager
    def _reader_may_leave(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            # What is still held back goes nowhere: Python would complain once more when it closes the stream.
            os.dup2(os.open(os.devnull, os.O_WRONLY), self.fileno())
            if not isinstance(error, BrokenPipeError):
                raise AuditError(f"standard output can't be written: {error.strerror or error}") from error
