"""`explain`: what a rule checks, why, and how it is put right."""

from __future__ import annotations

import shutil
from typing import Annotated

import typer

from audit.cli.app import app
from audit.cli.check import Rules, Settings
from audit.errors import AuditError
from audit.exit_codes import ExitCode

NARROWEST, WIDEST = 80, 100
"""Columns of the text: longer lines are hard to read."""


@app.command()
def explain(
    rule: Annotated[str, typer.Argument(metavar="RULE", help="Id of a rule, such as flight-before-cure.")],
    rules: Rules = None,
    settings: Settings = None,
) -> ExitCode:
    """Explain a rule: what it checks and why, its sources, examples, how it is put right, what leaves it unjudged."""
    from audit.authoring.explaining import explain
    from audit.report.explained import as_text
    from audit.rulebook.loading import load_rules
    from audit.rulebook.settings import read_settings, with_settings
    from audit.shipped import rules_folder
    from audit.yaml.faults import did_you_mean, quoted

    folder = rules or rules_folder()
    rulebook = with_settings(load_rules(folder), [read_settings(path) for path in settings or ()])
    known = {found.id: found for found in rulebook.rules}
    if rule not in known:
        where = "" if rules is None else f" in {folder}"
        raise AuditError(f"there is no rule {quoted(rule)}{where}{did_you_mean(rule, known)}")
    width = min(max(shutil.get_terminal_size().columns, NARROWEST), WIDEST)
    print(as_text(explain(known[rule], rulebook.settings), width), end="")
    return ExitCode.CLEAN
