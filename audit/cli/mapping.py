"""`map`: a draft of a mapping file for a foreign export, and what a first read by it gives."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from audit.cli.app import NAME, app, say
from audit.cli.check import ExportArgument
from audit.errors import AuditError
from audit.exit_codes import ExitCode
from audit.intake.location import location, location_name
from audit.report.visible import visible

if TYPE_CHECKING:
    from audit.intake.export import Export

SHOWN = 12


@app.command("map")
def map_export(
    export: ExportArgument,
    out: Annotated[Path, typer.Option(metavar="FILE", help="Where to write the draft. Nothing is overwritten.")] = Path(
        "mapping.yaml"
    ),
) -> ExitCode:
    """Draft a mapping file for a foreign export, with its doubts to be decided, and show what a first read gives."""
    if os.path.lexists(out):
        raise AuditError(f"{out} is there already: nothing was written. Name another file with --out.")
    from audit.intake.drafting import draft_mapping
    from audit.intake.mapping import read_mapping
    from audit.intake.reading import read_mapped
    from audit.intake.table_samples import sample_tables

    where = location(export)
    samples, refused = sample_tables(where)
    if not samples:
        raise AuditError(
            f"{location_name(where)} holds nothing that could be mapped: {'; '.join(refused[:3]) or 'no file'}"
        )
    draft = draft_mapping(location_name(where), samples, refused)
    try:
        with out.open("x", encoding="utf-8", newline="\n") as file:
            file.write(draft.text)
    except OSError as error:
        raise AuditError(f"{out} can't be written: {error.strerror or error}") from error
    print(f"The draft is {visible(str(out))}. Read it, resolve its doubts, and use it with:")
    print(f"  {NAME} check EXPORT --mapping {visible(str(out))}")
    if draft.missing:
        _list("Required, and not found", draft.missing)
        print("Without these nothing can be read by it yet.")
    else:
        try:
            _show(read_mapped(where, read_mapping(draft.text.encode(), out.name)))
        except AuditError as error:
            say(visible(f"A first read by it fails: {error}"))
    _list("Unmapped columns", draft.unmatched)
    return ExitCode.CLEAN


def _show(export: Export) -> None:
    print("A first read by it gives:")
    for name, count in export.counts.items():
        print(f"  {name:<11} {count.read:>9,} rows, {count.audited:,} could be audited, {count.quarantined:,} not")
    rejects = export.rejects
    reasons = (rejects["table"] + ", " + rejects["column"] + ": " + rejects["reason"]).value_counts()
    listed = [f"{count:,} x {reason}" for reason, count in reasons.items()]
    _list("Rejects", listed)


def _list(title: str, entries: list[str] | tuple[str, ...]) -> None:
    if entries:
        print(f"{title}:")
        for entry in entries[:SHOWN]:
            print(f"  {visible(entry)}")
        if len(entries) > SHOWN:
            print(f"  and {len(entries) - SHOWN} more")
