"""`show`: one finding, or the whole history of an aircraft, as text."""

from __future__ import annotations

import shutil
from typing import Annotated

import typer

from audit.cli.app import app
from audit.cli.check import AsOf, MappingPath, Quiet, Rules, Settings, audit_progress
from audit.errors import AuditError
from audit.exit_codes import ExitCode
from audit.intake.location import Location, location, location_name
from audit.options import AuditOptions

NARROWEST, WIDEST = 80, 110
"""Columns of the text: longer lines are hard to read."""
SHORTEST_ID = 4


@app.command()
def show(
    what: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="FINDING_ID EXPORT",
            help="A finding, by its id or the beginning of it, and the export it was found in (default: this folder). "
            "With --aircraft, only the export.",
        ),
    ] = None,
    aircraft: Annotated[
        str | None, typer.Option(metavar="REG", help="Show all that is recorded of an aircraft, with its findings.")
    ] = None,
    mapping: MappingPath = None,
    rules: Rules = None,
    settings: Settings = None,
    as_of: AsOf = None,
    quiet: Quiet = False,
) -> ExitCode:
    """Show a finding with what happened around it, or the history of an aircraft, oldest first.

    The export is audited anew for it: give the same options as for `check`.
    """
    wanted, folder = _meant(what or [], aircraft)
    where = location_name(folder) if isinstance(folder, str) else str(folder)

    from audit.pipeline import traced_audit
    from audit.report.history_text import aircraft_text, finding_text
    from audit.scenes.history import history, history_of
    from audit.yaml.faults import did_you_mean, quoted

    options = AuditOptions(rules=rules, settings=tuple(settings or ()), mapping=mapping, as_of=as_of, locate=True)
    with audit_progress(quiet) as step:
        audited = traced_audit(folder, options, step)
    result, timeline = audited.result, audited.timeline
    width = min(max(shutil.get_terminal_size().columns, NARROWEST), WIDEST)
    if aircraft is not None:
        if aircraft not in timeline.aircraft_names:
            meant = did_you_mean(aircraft, [str(name) for name in timeline.aircraft_names])
            raise AuditError(f"there is no aircraft {quoted(aircraft)} in {where}{meant}")
        print(aircraft_text(result, history(timeline, aircraft), aircraft, width), end="")
        return ExitCode.CLEAN
    findings = result.findings
    ids = findings.loc[findings["key"].str.startswith(wanted), "finding_id"].tolist()
    if len(ids) != 1:
        several = f"{len(ids):,} findings begin with" if len(ids) > 1 else "there is no finding"
        raise AuditError(
            f"{several} {quoted(wanted)} in {where} as it is audited now; ids are in findings.csv, and what is found "
            "depends on the export, the rules, the settings and the as-of time"
        )
    [finding] = result.findings[result.findings["finding_id"] == ids[0]].to_dict("records")
    print(finding_text(result, history_of(timeline, finding), ids[0], width), end="")
    return ExitCode.CLEAN


def _meant(what: list[str], aircraft: str | None) -> tuple[str, Location]:
    """The finding (blank where an aircraft is requested) and the folder."""
    if aircraft is None and not what:
        raise typer.BadParameter("which finding? Give its id, or an aircraft with --aircraft")
    finding, *export = what if aircraft is None else ["", *what]
    if len(export) > 1:
        raise typer.BadParameter(f"{export[-1]!r} is one too many")
    finding = finding.strip().lower()
    if aircraft is None and len(finding) < SHORTEST_ID:
        raise typer.BadParameter(
            f"{finding!r} is too short for a finding's id: write at least {SHORTEST_ID} digits of it"
        )
    return finding, location(export[0] if export else ".")
