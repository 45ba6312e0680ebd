"""The JSON Schema that editors use says the same as the loader."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from audit.authoring.editor_schema import editor_schema
from audit.errors import AuditError
from audit.rulebook.loading import load_rules, read_rule
from audit.yaml.source import read_yaml

RULES = Path(__file__).resolve().parents[2] / "rules"
VALIDATOR = jsonschema.Draft202012Validator(json.loads(editor_schema()))


def rule(name: str = "flight-before-cure") -> dict[str, Any]:
    text = next(RULES.rglob(f"{name}.yaml")).read_text(encoding="utf-8")
    data: dict[str, Any] = read_yaml(text, name).data
    return data


def test_committed_schema_is_the_one_generated() -> None:
    """The schema beside the rules has not drifted from the models."""
    assert (RULES / "rule.schema.json").read_text(encoding="utf-8") == editor_schema()


@pytest.mark.parametrize(
    "path", [RULES / file.name for file in load_rules(RULES).rule_files], ids=lambda path: path.stem
)
def test_every_shipped_rule_is_valid(path: Path) -> None:
    """An editor marks nothing in a rule that ships, and finds the schema where the file says it is."""
    text = path.read_text(encoding="utf-8")
    assert list(VALIDATOR.iter_errors(read_yaml(text, path.name).data)) == []
    reference = text.splitlines()[0].removeprefix("# yaml-language-server: $schema=")
    assert (path.parent / reference).resolve() == RULES / "rule.schema.json"


@pytest.mark.parametrize(
    "change",
    [
        {"levle": 2},
        {"level": 3},
        {"for": "PT24"},
        {"scope": {"acton": {"is": "apply"}}},
        {"scope": {"action": {"iss": "apply"}}},
        {"scope": {"action": {"is_": "apply"}}},
        {"basis": [{"source": "a", "from_": "2024-01-01"}]},
        {"scope": {"action": {"before": "2024-01-01"}}},
        {"forbid": {"event": "takeof"}},
        {"scope": {"humidity_pct": {"at_most": "80"}}},
        {"scope": {"started_at": {"before": 2024}}},
        {"scope": {"action": {}}},
        {"scope": {"action": {"is": None}}},
        {"scope": {"action": {"in": ["apply", "aply"]}}},
        {"scope": {"any_of": [{}]}},
        {"scope": {"lot": {"is": {"column": "lott"}}}},
        {"warning": None},
        {"examples": [{"name": "a", "expect": "complies", "tasks": [{"prodct": "x"}]}] * 2},
        {"examples": [{"name": "a", "expect": "complies", "tasks": [{"manual_revision": 1.1}]}] * 2},
    ],
    ids=str,
)
def test_an_editor_marks_what_the_loader_refuses(change: dict[str, Any]) -> None:
    """Each of these typing errors is marked while it is typed, and refused by the loader too."""
    changed = rule() | change
    assert list(VALIDATOR.iter_errors(changed))
    with pytest.raises(AuditError):
        read_rule(json.dumps(changed).encode(), "flight-before-cure.yaml")


@pytest.mark.parametrize(
    "parts",
    [
        {"form": "hold", "forbid": {"event": "takeoff"}},
        {"form": "hold", "forbid": {"event": "takeoff"}, "until": {}},
        {"form": "hold", "forbid": {"event": "takeoff"}, "for": "PT1H", "over": {}},
        {"form": "count"},
        {"form": "count", "coats": {"at_least": 1}, "season": {"from": "10-01", "to": "04-30"}},
        {"form": "count", "sessions": {"at_least": 1}},
        {"form": "precede", "needs": {}, "or_else": []},
        {"form": "precede", "needs": {}, "or_else": [{}]},
    ],
    ids=str,
)
def test_an_editor_marks_what_does_not_go_together(parts: dict[str, Any]) -> None:
    """Keys of a form that need one another, or shut one another out, are marked and refused too."""
    changed = {name: value for name, value in rule().items() if name not in ("forbid", "for")} | parts
    assert list(VALIDATOR.iter_errors(changed))
    with pytest.raises(AuditError):
        read_rule(json.dumps(changed).encode(), "flight-before-cure.yaml")
