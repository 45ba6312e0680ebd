"""The JSON Schema that editors use says the same of mapping files as the loader."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from audit.errors import AuditError
from audit.intake.mapping import read_mapping
from audit.intake.mapping_schema import mapping_schema
from audit.yaml.source import read_yaml

ROOT = Path(__file__).resolve().parents[2]
SAMPLES, RULES = ROOT / "sample_records", ROOT / "rules"
VALIDATOR = jsonschema.Draft202012Validator(json.loads(mapping_schema()))


def mapping() -> dict[str, Any]:
    path = SAMPLES / "linnetlatch" / "mapping.yaml"
    data: dict[str, Any] = read_yaml(path.read_text(encoding="utf-8"), path.name).data
    return data


def test_committed_schema_is_the_one_generated() -> None:
    """The schema that ships with the rules has not drifted from the models."""
    assert (RULES / "mapping.schema.json").read_text(encoding="utf-8") == mapping_schema()


@pytest.mark.parametrize("name", ["linnetlatch", "quarrypuffin"])
def test_sample_mappings_are_valid(name: str) -> None:
    """An editor marks nothing in the sample mappings, and finds the schema where they say it is."""
    path = SAMPLES / name / "mapping.yaml"
    text = path.read_text(encoding="utf-8")
    assert list(VALIDATOR.iter_errors(read_yaml(text, path.name).data)) == []
    reference = text.splitlines()[0].removeprefix("# yaml-language-server: $schema=")
    assert (path.parent / reference).resolve() == RULES / "mapping.schema.json"


@pytest.mark.parametrize(
    "change",
    [
        {"titel": "x"},
        {"defaults": {"encoding": "utf8"}},
        {"defaults": {"skip_rows": "2"}},
        {"defaults": {"zone": None}},
        {"tables": {}},
        {"tables": {"taks": []}},
        {"tables": {"tasks": [{"files": "x", "columns": {"lot": "x"}}]}},
        {"tables": {"tasks": []}},
    ],
    ids=str,
)
def test_an_editor_marks_what_the_loader_refuses(change: dict[str, Any]) -> None:
    """Each of these faults is marked while it is typed, and refused by the loader too."""
    changed = mapping() | change
    assert list(VALIDATOR.iter_errors(changed))
    with pytest.raises(AuditError):
        read_mapping(json.dumps(changed).encode(), "mapping.yaml")
