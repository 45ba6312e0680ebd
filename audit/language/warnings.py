"""Warnings: what can hurt whoever puts a finding right, kept once in a table that rule files refer to by name."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from pydantic import Field

from audit.errors import AuditError
from audit.intake.export import InputFile
from audit.intake.small_files import read_file
from audit.language.protection import FOLDER, HazardStatement, tables_beside
from audit.language.rule import Basis, Warning
from audit.language.values import Text
from audit.shipped import rules_folder
from audit.yaml.faults import Part, as_model, did_you_mean, quoted
from audit.yaml.source import Source, read_source, shortened, written

FILE = "warnings.yaml"
"""The table of warnings, in the folder of tables."""


class _Entry(Part):
    text: Text
    hazards: tuple[HazardStatement, ...] = ()


class WarningTable(Part):
    """The warnings by the names that rule files call them, and by what source."""

    title: Text
    basis: tuple[Basis, ...] = Field(min_length=1)
    warnings: Mapping[Text, _Entry] = Field(min_length=1)


def known_warnings(rules: Path) -> tuple[Mapping[str, Warning], tuple[InputFile, ...]]:
    """The warnings that a folder of rules may name, and the files they came from.

    Those that ship; the folder's own table overrides them and adds to them, entry by entry. AuditError: a table that
    can't be read, with a line for each fault.
    """
    known: dict[str, Warning] = {}
    files: dict[str, InputFile] = {}
    for folder in dict.fromkeys((rules_folder() / FOLDER, tables_beside(rules))):
        if (folder / FILE).is_file():
            content, file = read_file(folder / FILE, f"{FOLDER}/{FILE}")
            table = as_model(read_source(content, str(folder / FILE)), WarningTable, "title, basis and warnings")
            files[file.sha256] = file
            known |= {
                name: Warning(name=name, text=one.text, hazards=one.hazards) for name, one in table.warnings.items()
            }
    return known, tuple(files.values())


def name_warnings(source: Source, known: Mapping[str, Warning]) -> None:
    """Put each warning that a rule file names where it names it. AuditError names the line of one that isn't known."""
    named = source.data.get("warning") if isinstance(source.data, dict) else None
    if not isinstance(named, list):
        return
    for number, name in enumerate(named):
        if isinstance(name, str) and name not in known:
            place = ("warning", number)
            sentence = f"no warning {quoted(name)}{did_you_mean(shortened(name), known)}"
            raise AuditError(
                f"{source.name}, line {source.line(place)}: {written(place)}: {sentence}; "
                f"expected one of {', '.join(known)}"
            )
    source.data["warning"] = [known[name].model_dump() if isinstance(name, str) else name for name in named]


def that_apply(named: Iterable[Warning], known: Iterable[Warning], hazards: Iterable[str]) -> tuple[Warning, ...]:
    """The warnings for one finding: those that its rule names, and those for hazards of the product it is about.

    A rule without any sends nobody to the aircraft, and has none to add to.
    """
    named = tuple(named)
    if not named:
        return ()
    names, codes = {one.name for one in named}, set(hazards)
    return (*named, *(one for one in known if one.name not in names and codes & set(one.hazards)))
