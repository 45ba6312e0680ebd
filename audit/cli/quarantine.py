"""`quarantine`: the rows that can't be believed, to be put right where the export comes from."""

from __future__ import annotations

from typing import Annotated

import typer

from audit.cli.app import app, say
from audit.cli.check import ExportArgument, MappingPath
from audit.exit_codes import ExitCode
from audit.figures import abridged
from audit.intake.location import location
from audit.report.visible import visible

WIDEST = 60


@app.command()
def quarantine(
    export: ExportArgument,
    mapping: MappingPath = None,
    csv: Annotated[bool, typer.Option("--csv", help="Print quarantine.csv, every value as it was written.")] = False,
) -> ExitCode:
    """List the rows that an audit would set aside and the cells that it would leave out of others, as written. Exit
    code 1 if there are any."""
    import pandas as pd

    from audit.intake.reading import read_export
    from audit.report.rows import csv_text

    read = read_export(location(export), {}, mapping)
    if csv:
        print(csv_text(read.rejects), end="")
    else:
        told = pd.concat([read.rejects, read.faults, read.dropped]).drop(columns="table")
        for file, line, column, value, reason in told.itertuples(index=False):
            place = f"{file}, line {line}{f', {column}' if column else ''}"
            print(visible(f"{place}: {abridged(value, WIDEST)!r}: {reason}"))
    rows = sum(count.quarantined for count in read.counts.values())
    cells = len(read.faults)
    next_step = " Put them right at the source, by new entries." if rows or cells else ""
    of_others = f"{cells:,} cell{'' if cells == 1 else 's'} in other rows left out"
    say(f"{rows:,} row{'' if rows == 1 else 's'} set aside, {of_others}.{next_step}")
    return ExitCode.FINDINGS if rows or cells else ExitCode.CLEAN
