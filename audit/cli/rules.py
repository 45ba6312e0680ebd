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


def _form_name(text: str) -> str:
    from audit.forms import FORMS

    if text not in FORMS:
        raise typer.BadParameter(f"{text!r} is not a form of rules; there are {', '.join(FORMS)}.")
    return text


@rules_app.command("test")
def rules_test(
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="[DIR]", help="Default: the rules that ship with it."),
    ] = None,
) -> ExitCode:
    """Run every example of the rule files. Exit code 1 if one is not judged as it says."""
    from audit.authoring.running import run_examples
    from audit.rulebook.loading import load_rules
    from audit.shipped import rules_folder

    results = list(run_examples(load_rules(folder or rules_folder()).rules))
    for result in results:
        if result.passed:
            gap = f" ({result.known_gap})" if result.known_gap else ""
            print(visible(f"{'gap' if gap else 'ok':<7} {result.rule_id}: {result.example_name}{gap}"))
    # Last, where whoever runs them looks: hundreds that hold would scroll one that doesn't off the screen.
    for result in results:
        if not result.passed:
            closed = "; the known gap is closed, remove known_gap" if result.known_gap else ""
            print(
                visible(
                    f"FAILED  {result.rule_id}: {result.example_name}: "
                    f"expected {result.expected}, got {result.got}{closed}"
                )
            )
            for line in result.because:
                print(visible(f"        {line}"))
    failed = sum(not result.passed for result in results)
    gaps = sum(result.known_gap is not None for result in results)
    print(f"{len(results)} examples, {f'{gaps} of them known gaps, ' if gaps else ''}{failed} failed")
    return ExitCode.FINDINGS if failed else ExitCode.CLEAN


@rules_app.command("lint")
def rules_lint(
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="[DIR]", help="Default: the rules that ship with it."),
    ] = None,
) -> ExitCode:
    """Look for rules that can't mean what they say, say it badly, or say it twice. Exit code 1 if there are any."""
    from audit.authoring.linting import lint
    from audit.shipped import rules_folder

    folder = folder or rules_folder()
    found = lint(folder)
    for diagnostic in found:
        print(visible(f"{folder / diagnostic.file}:{diagnostic.line}: {diagnostic.message}"))
    say(f"{len(found) or 'No'} fault{'' if len(found) == 1 else 's'} found.")
    return ExitCode.FINDINGS if found else ExitCode.CLEAN


@rules_app.command("new")
def rules_new(
    rule: Annotated[str, typer.Argument(metavar="ID", help="What names the fault, such as flight-before-cure.")],
    form: Annotated[
        str,
        typer.Option(
            parser=_form_name,
            metavar="FORM",
            help="Form of the rule, such as hold; any other word is answered with the list of forms.",
        ),
    ] = "record",
    pack: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the file; made if it isn't there.")] = Path(
        "rules"
    ),
) -> ExitCode:
    """Write a rule file to fill in, with examples that hold as they are. Nothing is ever overwritten."""
    from audit.authoring.linting import named_cure
    from audit.authoring.skeletons import skeleton
    from audit.language.protection import tables_beside
    from audit.rulebook.blanks import FILL_IN
    from audit.rulebook.loading import read_rule, rule_files

    if cure := named_cure(rule):
        raise AuditError(f"an id names the fault, not the cure: {rule!r} begins with `{cure}`")
    path = pack / f"{rule}.yaml"
    schema = next((up for up in ("rule.schema.json", "../rule.schema.json") if (pack / up).is_file()), None)
    text = skeleton(rule, form, schema)
    read_rule(text.encode(), path.name)  # refuses an id that no rule can have
    if os.path.lexists(path):
        raise AuditError(f"{path} is there already: nothing was written.")
    packs = tables_beside(pack).parent
    for other in rule_files(packs) if packs.is_dir() else ():
        if other.stem == rule:
            raise AuditError(f"the id {rule} is taken by {other}: nothing was written. Every rule needs its own.")
    try:
        pack.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except OSError as error:
        raise AuditError(f"{path} can't be written: {error.strerror or error}.") from error
    say(
        f"{path} written: a rule of the form {form}, with examples that hold as they are. Next:\n"
        f"1. Put your scope, your limits and your examples in place of the sample's, and fill in what says {FILL_IN}.\n"
        f"2. {NAME} rules test {pack}\n"
        f"3. {NAME} rules lint {pack}\n"
        f"4. {NAME} explain {rule} --rules {pack}"
    )
    return ExitCode.CLEAN


@rules_app.command("copy")
def rules_copy(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Made if it isn't there.")],
) -> ExitCode:
    """Put an editable copy of the rules, with their schema for editors, into a folder. Nothing is ever overwritten."""
    from audit.rulebook.loading import RESERVED
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
    rules = sum(source.suffix == ".yaml" and source.relative_to(shipped).parts[0] not in RESERVED for source in copies)
    say(f"{rules} rule files copied. Use them with: {NAME} check EXPORT --rules {folder}")
    return ExitCode.CLEAN
