"""`due`: what must not fly yet, and what falls due."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from audit.cli.app import app, print_first
from audit.cli.check import AsOf, ExportArgument, MappingPath, Quiet, Rules, Settings
from audit.exit_codes import ExitCode
from audit.intake.location import location, location_name
from audit.options import AuditOptions
from audit.report.visible import visible
from audit.version import __version__

if TYPE_CHECKING:
    from audit.report.due_page import Line

_AHEAD = re.compile(r"P(?=\d)(?:(\d{1,3})W)?(?:(\d{1,4})D)?")


def _time(text: str) -> timedelta:
    found = _AHEAD.fullmatch(text)
    if found is None:
        raise typer.BadParameter(f"{text!r} is not an ISO 8601 duration in days or weeks, such as P30D or P2W.")
    weeks, days = (int(part or 0) for part in found.groups())
    return timedelta(weeks=weeks, days=days)


@app.command()
def due(
    export: ExportArgument,
    within: Annotated[
        str,
        typer.Option(metavar="TIME", help="How far ahead to look: an ISO 8601 duration in days or weeks."),
    ] = "P30D",
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the list.")] = Path("deicer-audit-due"),
    mapping: MappingPath = None,
    rules: Rules = None,
    settings: Settings = None,
    as_of: AsOf = None,
    quiet: Quiet = False,
) -> ExitCode:
    """List what must not fly yet and what falls due: as a page, a CSV file and a calendar (iCalendar)."""
    ahead = _time(within)
    from audit.due.listing import due_list
    from audit.forms.judging import what_comes
    from audit.pipeline import placed_in_time
    from audit.report.due_calendar import calendar
    from audit.report.due_page import lines, page
    from audit.report.folder import replace_files
    from audit.report.rows import csv_text

    options = AuditOptions(rules=rules, settings=tuple(settings or ()), mapping=mapping, as_of=as_of)
    rulebook, timeline = placed_in_time(location(export), options)
    comes = [(rule, what_comes(rule, timeline)) for rule in rulebook.rules]
    listed = due_list(location_name(location(export)), comes, timeline, ahead)
    contents = {
        "due.csv": csv_text(listed.rows),
        "due.ics": calendar(listed, __version__),
        "due.html": page(listed),
    }
    replace_files({name: text.encode() for name, text in contents.items()}, out)
    if not quiet:
        print_first(_told(lines(listed)))
        later = f"; {listed.later:,} more {'comes' if listed.later == 1 else 'come'} later" if listed.later else ""
        print(visible(f"The list is {out / 'due.html'}{later}."))
    return ExitCode.CLEAN if len(timeline.tasks) else ExitCode.NOTHING_JUDGED


def _told(lines: Sequence[Line]) -> list[str]:
    """A sentence for what is said of an aircraft, whichever record says it, with all boots of which it is said."""
    boots: dict[tuple[str, str, str, str], dict[str, None]] = {}
    for line in lines:
        boots.setdefault((line.when, line.aircraft, line.what, line.note), {}).update(dict.fromkeys(line.boots))
    return [
        f"{when}: {', '.join((aircraft, *its))}: {what}{f' ({note})' if note else ''}"
        for (when, aircraft, what, note), its in boots.items()
    ]
