"""`bag`: pack a report for whoever must keep it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from audit.cli.app import app, say
from audit.cli.check import DEFAULT_OUT, Quiet, Rules, Settings
from audit.exit_codes import ExitCode


@app.command()
def bag(
    out: Annotated[Path, typer.Argument(metavar="OUT", help="Folder for the bag; it has to be new or empty.")],
    report: Annotated[Path, typer.Option(metavar="DIR", help="Folder of the report.")] = DEFAULT_OUT,
    rules: Rules = None,
    settings: Settings = None,
    quiet: Quiet = False,
) -> ExitCode:
    """Pack a report with its rules, settings and seal as a bag (BagIt, RFC 8493), which any archive can check.

    The inputs are not packed: their SHA-256 are. Rules and settings have to be those that the report was made with.
    """
    from audit.report.bag import bag_files, write_bag
    from audit.report.visible import visible
    from audit.shipped import rules_folder

    files = bag_files(report, rules or rules_folder(), tuple(settings or ()))
    write_bag(files, out)
    if not quiet:
        say(f"{len(files):,} files are packed in {visible(str(out))}.")
    return ExitCode.CLEAN
