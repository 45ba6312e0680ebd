"""Rule files into a rulebook; every fault in them is one clear sentence."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from audit.errors import AuditError
from audit.forms import FORMS
from audit.intake.export import InputFile
from audit.intake.small_files import read_file
from audit.language.protection import FOLDER, look_up, tables_beside
from audit.language.rule import Rule, Warning
from audit.language.warnings import known_warnings, name_warnings
from audit.rulebook.in_force import limited_to_its_days
from audit.rulebook.worded import worded
from audit.shipped import rules_folder
from audit.yaml.faults import Misplaced, did_you_mean, explained, quoted
from audit.yaml.source import Source, read_source, shortened, written

RESERVED = frozenset({"export-health", "settings", FOLDER})
"""Folders beside the rule packs that hold other files than rules."""


@dataclass(frozen=True)
class SetValue:
    """A value as it is written, who set it, by what authority, and in which file."""

    value: str
    set_by: str
    source: str
    file: str


@dataclass(frozen=True)
class Setting:
    """A value of a rule that may be set, with all that it was: first the rule file's, last the one in force."""

    rule: str
    key: str
    values: tuple[SetValue, ...]

    @property
    def in_force(self) -> SetValue:
        """The value that rules are judged by."""
        return self.values[-1]

    @property
    def overridden(self) -> bool:
        """Whether a settings file has set it."""
        return len(self.values) > 1


@dataclass(frozen=True)
class Rulebook:
    """The rules, in the order of their files' names, and the files they came from, one each.

    `written` is what each file says, on which settings are laid; `tables` are the files of the tables that rules name;
    `settings` says where each value in force comes from; `stationed` are the aircraft that settings have at a base;
    `warnings` are all that the table of warnings has.
    """

    rules: tuple[Rule, ...]
    rule_files: tuple[InputFile, ...]
    written: tuple[Mapping[str, Any], ...]
    tables: tuple[InputFile, ...] = ()
    settings: tuple[Setting, ...] = ()
    settings_files: tuple[InputFile, ...] = ()
    stationed: frozenset[str] = frozenset()
    warnings: tuple[Warning, ...] = ()


def load_rules(folder: Path) -> Rulebook:
    """Load every `*.yaml` file below a folder, a rule each, save in the folders RESERVED at its top.

    AuditError lists all that is wrong, a line each; of several, a line before them says in how many files.
    """
    if not folder.is_dir():
        raise AuditError(f"{folder}: {'a file; give its folder' if folder.exists() else 'no such folder of rules'}")
    # By text: paths themselves sort otherwise where case doesn't count, and the order of rules is the order of output.
    paths = sorted(rule_files(folder), key=lambda path: path.relative_to(folder).as_posix())
    if not paths:
        raise AuditError(f"{folder}: no rule files (*.yaml) in this folder")
    rules: list[Rule] = []
    files: list[InputFile] = []
    written: list[Mapping[str, Any]] = []
    faults: list[str] = []
    faulty: set[str] = set()
    homes: dict[str, str] = {}
    warnings, warning_files = known_warnings(folder)
    tables = {f"{file.name} {number}": file for number, file in enumerate(warning_files)}
    # All faults of all files are told at once: whoever corrects them need not run it for each.
    for path in paths:
        name = path.relative_to(folder).as_posix()
        content, file = read_file(path, name)
        files.append(file)
        try:
            source = read_source(content, name)
            tables |= {table.name: table for table in look_up(source, tables_beside(folder))}
            name_warnings(source, warnings)
            rule = rule_in(source)
        except AuditError as error:
            faults.extend(error.args)
            faulty.add(name)
            continue
        if rule.id in homes:
            faulty.add(name)
            faults.append(f"{name}: the id {rule.id} is taken by {homes[rule.id]}; every rule needs its own")
        elif rule.id != path.stem:
            faulty.add(name)
            faults.append(f"{name}: expected the file name to be the rule's id, {rule.id}.yaml")
        homes[rule.id] = name
        rules.append(rule)
        written.append(source.data)
    if len(faults) > 1:
        faults.insert(0, f"{folder}: faults in {len(faulty)} rule file{'s' if len(faulty) > 1 else ''}")
    if faults:
        raise AuditError(*faults)
    return Rulebook(
        tuple(rules),
        tuple(files),
        tuple(written),
        tuple(tables[name] for name in sorted(tables)),
        warnings=tuple(warnings.values()),
    )


def rule_files(folder: Path) -> Iterator[Path]:
    """Every rule file below a folder; one that can't be listed is an error, or its rules would go missing silently."""

    def refuse(error: OSError) -> None:
        raise AuditError(f"{error.filename}: can't be read: {error.strerror}")

    for parent, folders, names in os.walk(folder, onerror=refuse):
        if Path(parent) == folder:
            folders[:] = [name for name in folders if name not in RESERVED]
        yield from (Path(parent, name) for name in names if name.lower().endswith((".yaml", ".yml")))


def read_rule(content: bytes, name: str, tables: Path | None = None) -> Rule:
    """Read one rule file, with the tables of a folder (default: those that ship).

    AuditError has a line for each fault: file, line, path, what was expected.
    """
    source = read_source(content, name)
    look_up(source, tables_beside(rules_folder()) if tables is None else tables)
    name_warnings(source, known_warnings(rules_folder() if tables is None else tables.parent)[0])
    return rule_in(source)


def rule_in(source: Source) -> Rule:
    """The rule that a file with its tables holds. AuditError has a line for each fault."""
    name, data = source.name, source.data
    if not isinstance(data, dict):
        raise AuditError(f"{name}, line 1: expected a rule with id, title, form and so on")
    # The form decides which model reads the rest: it is asked for first.
    form = data.get("form")
    if not isinstance(form, str) or form not in FORMS:
        got = f"got {quoted(form)}{did_you_mean(shortened(str(form)), FORMS)}"
        if "form" not in data:
            got = "no form is given"
        raise AuditError(f"{name}, line {source.line(('form',))}: $.form: {got}; expected one of {', '.join(FORMS)}")
    model = FORMS[form].rule
    try:
        return worded(limited_to_its_days(model.model_validate(data)))
    except ValidationError as error:
        raise AuditError(*explained(source, model, error)) from None
    except Misplaced as error:
        faults = (f"{name}, line {source.line(path)}: {written(path)}: {sentence}" for path, sentence in error.faults)
        raise AuditError(*faults) from None
