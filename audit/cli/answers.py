"""`answers`: read a filled-in work list back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from audit.cli.app import app
from audit.exit_codes import ExitCode
from audit.report.visible import visible

if TYPE_CHECKING:
    from audit.report.answers import Answers

_SHOWN = 200


@app.command()
def answers(
    work_list: Annotated[Path, typer.Argument(metavar="WORKLIST", help="A filled-in worklist.xlsx.")],
) -> ExitCode:
    """Check a filled-in work list: which answers are complete, and what the others lack. Exit code 1 if any lacks."""
    from datetime import date

    from audit.report.answers import read_answers

    return tell(read_answers(work_list, date.today()))


def tell(read: Answers) -> ExitCode:
    """Print what came back complete and what the rest lacks; what that means for the exit code."""
    for fault in read.faults[:_SHOWN]:
        where = f"{fault.sheet}, row {fault.row}: " if fault.sheet else ""
        print(visible(f"{where}{fault.finding_id or 'a row'} {fault.what}"))
    if len(read.faults) > _SHOWN:
        print(f"and {len(read.faults) - _SHOWN:,} more to mend")
    kinds = ", ".join(f"{number:,} {word}" for word, number in read.counts.items() if number)
    print(f"{len(read.complete):,} of {read.issued:,} findings have a complete answer{f': {kinds}' if kinds else ''}")
    if read.unanswered:
        print(f"{len(read.unanswered):,} have no answer yet")
    return ExitCode.FINDINGS if len(read.complete) < read.issued or read.faults else ExitCode.CLEAN
