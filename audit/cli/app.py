"""The command line itself: its name, its groups of commands, and what several of them use."""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from typing import Annotated

import typer

from audit import __version__

NAME = "deicer-audit"
TRACEBACK = "DEICER_AUDIT_TRACEBACK"

app = typer.Typer(
    help="Audit the maintenance records of pneumatic de-icers against declarative rules.",
    epilog="Exit codes: 0 nothing at or above the level asked for; 1 findings at or above it; "
    f"2 could not run; 3 nothing could be judged; 4 internal error ({TRACEBACK}=1 in the "
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


def say(text: str) -> None:
    """Tell the user, on stderr: stdout is for what another program reads."""
    with suppress(BrokenPipeError):  # whoever read along has left: that is no outcome of the audit
        print(text, file=sys.stderr, flush=True)


def hand_out(text: str) -> None:
    """Print long text on stdout; a pager that was left before its end is no fault."""
    try:
        print(text, end="", flush=True)
    except BrokenPipeError:
        # Python would complain once more when it closes the stream.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
