"""`rules ...`: work with rule files."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Annotated

import typer

from audit.cli.app import NAME, rules_app, say
from audit.errors import AuditError
from audit.exit_codes import ExitCode
from audit.report.visible import visible


@rules_app.command("test")
def rules_test(
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="[DIR]", help="Default: the rules that ship with it."),
    ] = None,
) -> ExitCode:
    """Run every example of the rule files. Exit code 1 if one is not judged as it says."""
    from audit.forms.examples import run_examples
    from audit.rulebook.loading import load_rules
    from audit.shipped import rules_folder

    results = list(run_examples(load_rules(folder or rules_folder()).rules))
    for result in results:
        outcome = "gap" if result.known_gap else "ok"
        line = f"{outcome if result.passed else 'FAILED':<7} {result.rule_id}: {result.example_name}"
        if result.passed:
            line += f" ({result.known_gap})" if result.known_gap else ""
        else:
            line += f": expected {result.expected}, got {result.got}"
            line += "; the known gap is closed, remove known_gap" if result.known_gap else ""
        print(visible(line))
    failed = sum(not result.passed for result in results)
    gaps = sum(result.known_gap is not None for result in results)
    print(f"{len(results)} examples, {f'{gaps} of them known gaps, ' if gaps else ''}{failed} failed")
    return ExitCode.FINDINGS if failed else ExitCode.CLEAN


@rules_app.command("copy")
def rules_copy(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Made if it isn't there.")],
) -> ExitCode:
    """Put an editable copy of the rules, with their schema for editors, into a folder. Nothing is ever overwritten."""
    from audit.shipped import rules_folder

    shipped = rules_folder()
    copies = {source: folder / source.relative_to(shipped) for source in sorted(shipped.rglob("*")) if source.is_file()}
    for copy in copies.values():
        if os.path.lexists(copy):
            raise AuditError(f"{copy} is there already: nothing was copied.")
    try:
        for source, copy in copies.items():
            copy.parent.mkdir(parents=True, exist_ok=True)
            with source.open("rb") as original, copy.open("xb") as new:
                shutil.copyfileobj(original, new)
    except OSError as error:
        raise AuditError(f"The rules can't be copied to {folder}: {error.strerror or error}.") from error
    rules = sum(copy.suffix == ".yaml" for copy in copies.values())
    say(f"{rules} rule files copied. Use them with: {NAME} check EXPORT --rules {folder}")
    return ExitCode.CLEAN
