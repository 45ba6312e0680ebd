"""`drill`: would the audit have found it?"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from audit.cli.app import app, print_first
from audit.cli.check import AsOf, ExportArgument, MappingPath, Quiet, Rules, Settings, audit_progress
from audit.exit_codes import ExitCode
from audit.intake.location import location, location_name
from audit.options import AuditOptions
from audit.report.visible import visible
from audit.version import __version__


@app.command()
def drill(
    export: ExportArgument,
    per_rule: Annotated[
        int,
        typer.Option(
            min=1, max=10_000, metavar="NUMBER", help="Faults planted for each rule; 59 found of 59 show 95 %."
        ),
    ] = 60,
    seed: Annotated[
        str,
        typer.Option(metavar="TEXT", help="What the choice of records is made from: the same seed chooses the same."),
    ] = "1",
    at_least: Annotated[
        str | None,
        typer.Option(
            metavar="PERCENT",
            help="Exit with 1 where of a rule's planted faults a smaller share was found, or a value just inside its "
            "limit was found fault with.",
        ),
    ] = None,
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the outcome.")] = Path("deicer-audit-drill"),
    mapping: MappingPath = None,
    rules: Rules = None,
    settings: Settings = None,
    as_of: AsOf = None,
    quiet: Quiet = False,
) -> ExitCode:
    """Plant faults of every rule in copies of the records, in memory, and say how many of them the audit finds."""
    from audit.drill.drilling import drill as drilled_of
    from audit.drill.page import below, files, lines
    from audit.pipeline import read_in
    from audit.report.folder import check_folder, replace_files

    least = None if at_least is None else _least(at_least)
    check_folder(out)
    options = AuditOptions(rules=rules, settings=tuple(settings or ()), mapping=mapping, as_of=as_of)
    with audit_progress(quiet) as step:
        rulebook, read, moment = read_in(location(export), options, step)
        name = location_name(location(export))
        drilled = drilled_of(name, rulebook.rules, read, moment, per_rule, seed, step)
    replace_files({file: text.encode() for file, text in files(drilled, __version__).items()}, out)
    short = () if least is None else below(drilled, least)
    if not quiet:
        print_first(lines(drilled))
        if short:
            print(visible(f"Below {at_least}: {', '.join(short)}"))
        print(visible(f"The page is {out / 'drill.html'}; nothing of it is a finding of these records."))
    if not drilled.planted:
        return ExitCode.NOTHING_JUDGED
    return ExitCode.FINDINGS if short else ExitCode.CLEAN


def _least(text: str) -> float:
    """A share in per cent, both ends allowed."""
    from decimal import Decimal, InvalidOperation

    try:
        found = float(Decimal(text.strip().removesuffix("%").strip()))
    except (InvalidOperation, ValueError):
        found = -1.0
    if not 0 <= found <= 100:
        raise typer.BadParameter(f"--at-least {text!r}: expected per cent from 0 to 100, such as 95.")
    return found / 100
