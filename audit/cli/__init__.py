"""The command line. Heavy libraries are imported in the commands: `--help` answers at once."""

from __future__ import annotations

import gc
import io
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import typer

from audit.cli import (
    answers,
    bag,
    check,
    drill,
    due,
    explain,
    mapping,
    quarantine,
    register,
    rules,
    sample,
    show,
    trends,
)
from audit.cli.app import NAME, TRACEBACK, LeavableOutput, app, say
from audit.errors import AuditError
from audit.exit_codes import ExitCode
from audit.interrupts import came, guarded
from audit.report.visible import visible
from audit.version import __version__

__all__ = [
    "NAME",
    "TRACEBACK",
    "answers",
    "app",
    "bag",
    "check",
    "drill",
    "due",
    "explain",
    "main",
    "mapping",
    "quarantine",
    "register",
    "rules",
    "run",
    "sample",
    "show",
    "trends",
]
# The commands are in the modules imported above, which add them to `app`.


def main() -> int:
    """Run the command line; its exit code, when all that it said has been written."""
    # A short-lived process that builds frames, not cycles: looking for garbage is a tenth of a nightly check.
    gc.disable()
    if sys.stderr is None:  # closed by whoever called
        sys.stderr = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 (for as long as the process lasts)
    # A console without Unicode shows escapes.
    if isinstance(sys.stderr, io.TextIOWrapper):
        sys.stderr.reconfigure(errors="backslashreplace")
    if isinstance(sys.stdout, io.TextIOWrapper):
        encoding, by_line = sys.stdout.encoding, sys.stdout.line_buffering
        sys.stdout = LeavableOutput(sys.stdout.detach(), encoding, "backslashreplace", line_buffering=by_line)
    code = guarded(lambda: run(sys.argv[1:]))
    for stream in (sys.stdout, sys.stderr):
        with suppress(AuditError, OSError):  # where that matters, the command has told it
            if stream is not None:
                stream.flush()
    return code


def run(arguments: Sequence[str]) -> ExitCode:
    """Run one command; every way to fail ends in one sentence on stderr and its exit code."""
    try:
        code, sentences = _outcome(arguments)
    except KeyboardInterrupt:
        code, sentences = ExitCode.INTERRUPTED, ["interrupted."]
    if came():  # whoever listens for Ctrl-C says so, and nothing else is said
        return ExitCode.INTERRUPTED
    for sentence in sentences:
        say(f"{NAME}: {sentence}")
    return code


def _outcome(arguments: Sequence[str]) -> tuple[ExitCode, list[str]]:
    """The exit code of a command, and what is to be said of it on stderr."""
    command = typer.main.get_command(app)
    try:
        code = command(args=list(arguments), prog_name=NAME, standalone_mode=False)
        if sys.stdout is not None:
            sys.stdout.flush()
    except AuditError as error:
        return ExitCode.COULD_NOT_RUN, [visible(str(fault)) for fault in error.args]
    except typer.TyperException as error:  # bad arguments
        said = visible(error.format_message()).replace("Value error, ", "").rstrip(".")
        return ExitCode.COULD_NOT_RUN, [f"{said}{'' if said.endswith('?') else '.'} See {NAME} --help."]
    except Exception as error:  # the last stop of a defect: told apart from every other outcome
        if os.environ.get(TRACEBACK):
            import traceback

            traceback.print_exc()
        return ExitCode.INTERNAL_ERROR, [
            f"internal error, {visible(f'{type(error).__name__}: {error}')[:300]}: this is "
            f"a defect of {NAME} {__version__}; please report it on the project's issue tracker "
            f"with what {TRACEBACK}=1 in the environment makes it print."
        ]
    if code == ExitCode.INTERRUPTED:  # so typer says it
        raise KeyboardInterrupt
    return ExitCode(code or ExitCode.CLEAN), []
