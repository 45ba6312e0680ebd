"""`trends`: where findings grow more, and margins smaller."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from audit.cli.app import app, print_first
from audit.cli.check import AsOf, ExportArgument, MappingPath, Quiet, Rules, Settings, register_place
from audit.exit_codes import ExitCode
from audit.intake.location import location, location_name
from audit.options import AuditOptions
from audit.report.visible import visible


def _days(text: str) -> tuple[date, date]:
    try:
        first, last = (date.fromisoformat(part) for part in text.split("/"))
    except ValueError:
        raise typer.BadParameter(f"{text!r} is not two days, such as 2025-06-01/2025-11-30.") from None
    if first > last:
        raise typer.BadParameter(f"{text!r} ends before it begins.")
    return first, last


@app.command()
def trends(
    export: ExportArgument,
    frozen: Annotated[
        str | None,
        typer.Option(
            metavar="FROM/TO",
            help="The days whose weeks set the limits, both included. Default: the first half of the export's time.",
        ),
    ] = None,
    register: Annotated[
        str | None,
        typer.Option(
            metavar="PATH",
            help="Register, as of `check`: where its runs show that a rule or a setting was changed, the limits start "
            "anew. It is only read.",
        ),
    ] = None,
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the page.")] = Path("deicer-audit-trends"),
    mapping: MappingPath = None,
    rules: Rules = None,
    settings: Settings = None,
    as_of: AsOf = None,
    quiet: Quiet = False,
) -> ExitCode:
    """Chart findings by week, rule and station against the limits of an earlier time, and say what stands out."""
    days = None if frozen is None else _days(frozen)
    from audit.pipeline import read_in
    from audit.register.changed_rules import changed_rules
    from audit.register.opening import open_register
    from audit.report.folder import check_folder, replace_files
    from audit.report.rows import csv_text, instant
    from audit.report.trends_page import page, table
    from audit.spread.judging import judged_in_parts
    from audit.timeline.instants import stamp
    from audit.timeline.timeline import build_timeline
    from audit.trends.signals import Frozen, half_of
    from audit.trends.signals import trends as charted

    check_folder(out)
    options = AuditOptions(rules=rules, settings=tuple(settings or ()), mapping=mapping, as_of=as_of)
    rulebook, came_in, at = read_in(location(export), options)
    timeline = build_timeline(came_in, at)
    base = half_of(timeline) if days is None else Frozen(*days)
    judged = judged_in_parts(rulebook.rules, came_in, timeline, options.spread)
    counted = {rule.id: found.weeks for rule, found in judged}
    as_of_time, place, changed = stamp(timeline.as_of), register_place(register), {}
    if place is not None:
        with open_register(place, writing=False) as opened:
            changed = changed_rules(opened, rulebook.rules, as_of_time.to_pydatetime())
    drawn = charted(counted, timeline, base, changed)
    name = location_name(location(export))
    titles = {rule.id: rule.title for rule in rulebook.rules}
    contents = {"trends.csv": csv_text(table(drawn)), "trends.html": page(name, instant(as_of_time), drawn, titles)}
    replace_files({file: text.encode() for file, text in contents.items()}, out)
    if not quiet:
        print_first([f"{signal.rule}, {signal.station}: {signal.sentence}" for signal in drawn.signals])
        told = f"nothing can stand out: {drawn.unable}" if drawn.unable else f"limits are those of {drawn.frozen.text}"
        print(visible(f"The page is {out / 'trends.html'}; {told}."))
    return ExitCode.CLEAN if len(timeline.tasks) and drawn.every else ExitCode.NOTHING_JUDGED
