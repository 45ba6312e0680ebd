"""`quarantine`: the rows that can't be believed, to be put right where the export comes from."""

from __future__ import annotations

from typing import Annotated

import typer

from audit.cli.app import app, say
from audit.cli.check import ExportArgument, MappingPath
from audit.exit_codes import ExitCode
from audit.intake.location import location
from audit.report.visible import shortened, visible

WIDEST = 60


@app.command()
def quarantine(
    export: ExportArgument,
    mapping: MappingPath = None,
    csv: Annotated[bool, typer.Option("--csv", help="Print quarantine.csv, every value as it was written.")] = False,
) -> ExitCode:
    """List the rows that an audit would set aside, with their text as written. Exit code 1 if there are any."""
    from audit.intake.reading import read_export
    from audit.report.rows import csv_text

    read = read_export(location(export), {}, mapping)
    rejects = read.rejects
    if csv:
        print(csv_text(rejects), end="")
    else:
        for file, line, column, value, reason in rejects[["file", "line", "column", "value", "reason"]].itertuples(
            index=False
        ):
            place = f"{file}, line {line}{f', {column}' if column else ''}"
            print(visible(f"{place}: {shortened(value, WIDEST)!r}: {reason}"))
    rows = sum(count.quarantined for count in read.counts.values())
    next_step = " Put them right at the source, by new entries." if rows else ""
    say(f"{rows:,} row{'' if rows == 1 else 's'} set aside.{next_step}")
    return ExitCode.FINDINGS if rows else ExitCode.CLEAN
