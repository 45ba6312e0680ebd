"""Tables of what protects against which hazard: rules name them, and have them once they are loaded."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, Field, Tag

from audit.errors import AuditError
from audit.intake.export import InputFile
from audit.intake.small_files import read_file
from audit.language.condition import SHAPE, Items
from audit.language.rule import Basis
from audit.language.values import Text
from audit.yaml.faults import Part, as_model, did_you_mean, quoted
from audit.yaml.source import KeyPath, Source, read_source, shortened, written

FOLDER = "tables"
"""The folder of tables, at the top of a folder of rules."""


def tables_beside(rules: Path) -> Path:
    """The folder of tables of a folder of rules, which may also be one pack of several that share their tables."""
    own, shared = rules / FOLDER, rules.resolve().parent / FOLDER
    return shared if shared.is_dir() and not own.is_dir() else own


def _hazard_statement(code: str) -> str:
    if not re.fullmatch(r"H[2-4][0-9]{2}[A-Za-z]{0,2}", code):
        raise ValueError(f"expected a GHS hazard statement, such as H317, got {quoted(code)}")
    return code


HazardStatement = Annotated[str, AfterValidator(_hazard_statement)]


class AnyOf(Part):
    """Equipment of which one piece is enough."""

    any_of: Annotated[Items, Field(min_length=2)]


_Equipment = Annotated[Annotated[AnyOf, Tag("keys")] | Annotated[Text, Tag("plain")], SHAPE]


class ProtectionTable(Part):
    """For each hazard statement the equipment that it asks for, and by what source."""

    title: Text
    basis: tuple[Basis, ...] = Field(min_length=1)
    needs: Mapping[HazardStatement, tuple[_Equipment, ...]] = Field(min_length=1)


def read_table(content: bytes, name: str) -> ProtectionTable:
    """Read one table. AuditError has a line for each fault: file, line, path, what was expected."""
    return as_model(read_source(content, name), ProtectionTable, "a table with title, basis and needs")


def look_up(source: Source, folder: Path) -> tuple[InputFile, ...]:
    """Put each table that a rule file names where it names it, and return the files they came from.

    AuditError names the line where no such table is in the folder, or what is wrong with the table.
    """
    files: dict[str, InputFile] = {}
    for place, node in _naming(source.data, ()):
        name = node["by"]
        path = folder / f"{name}.yaml"
        if not re.fullmatch(r"[\w-]+", name) or not path.is_file():
            known = sorted(one.stem for one in folder.glob("*.yaml") if one.stem != "warnings")
            what = f"expected one of {', '.join(known)}" if known else "there are none"
            sentence = f"no table {quoted(name)} in {folder}{did_you_mean(shortened(name), known)}; {what}"
            at = (*place, "by")
            raise AuditError(f"{source.name}, line {source.line(at)}: {written(at)}: {sentence}")
        content, files[name] = read_file(path, f"{FOLDER}/{path.name}")
        table = read_table(content, str(path))
        node["by"] = {
            "name": name,
            "needs": {
                code: [[one] if isinstance(one, str) else list(one.any_of) for one in equipment]
                for code, equipment in table.needs.items()
            },
        }
    return tuple(files.values())


def _naming(data: Any, place: KeyPath) -> Iterator[tuple[KeyPath, dict[str, Any]]]:
    """The parts of a rule file that ask for what a table requires, in its conditions."""
    if isinstance(data, dict):
        if "needed_for" in data and isinstance(data.get("by"), str):
            yield place, data
        for key, value in data.items():
            if key != "examples":
                yield from _naming(value, (*place, key))
    elif isinstance(data, list):
        for number, value in enumerate(data):
            yield from _naming(value, (*place, number))
