"""A JSON Schema of rule files, so that an editor completes and checks them while they are written."""

from __future__ import annotations

import json
from typing import Any

from pydantic import TypeAdapter

from audit.rulebook.models import OPERATORS, Rule
from audit.timeline.vocabulary import VOCABULARY

# How an editor sees what a validator parses.
_DURATION = {
    "type": "string",
    "pattern": r"^PT(?=\d)(\d+(\.\d+)?H)?(\d+(\.\d+)?M)?(\d+(\.\d+)?S)?$",
    "description": "ISO 8601 duration in hours, minutes or seconds, such as PT24H",
}
_MONTH_DAY = {"type": "string", "pattern": r"^\d{2}-\d{2}$", "description": "Month and day, such as 10-01"}


def editor_schema() -> str:
    """Return the schema as JSON text, the same for the same models and vocabulary."""
    schema = TypeAdapter(Rule).json_schema(by_alias=True, mode="validation")
    definitions = schema["$defs"]
    conditions = definitions["Conditions"]
    conditions["properties"] |= {name: _condition(name) for name in VOCABULARY}
    conditions["additionalProperties"] = False
    # What a validator parses, the schema of its result doesn't describe.
    for part in definitions.values():
        for name, field in part.get("properties", {}).items():
            if field.get("format") == "duration" or _optional_duration(field):
                part["properties"][name] = _DURATION
            if field.get("maxItems") == 2 and field.get("minItems") == 2 and name in ("from", "to"):
                part["properties"][name] = _MONTH_DAY
            if name == "level":
                field["enum"] = [1, 2, "1", "2", "observation"]
                field.pop("type", None)
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "Rule of deicer-audit"
    return json.dumps(schema, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def _optional_duration(field: Any) -> bool:
    return any(option.get("format") == "duration" for option in field.get("anyOf", ()))


def _condition(name: str) -> dict[str, Any]:
    """The condition of one column, with only the operators that its kind can be asked."""
    column = VOCABULARY[name]
    unfit = [operator.rstrip("_") for operator, kinds in OPERATORS.items() if column.kind not in kinds]
    return {
        "$ref": "#/$defs/Condition",
        "description": f"{column.label} ({column.kind}, from {column.table})",
        "propertyNames": {"not": {"enum": unfit}},
    }


if __name__ == "__main__":
    print(editor_schema(), end="")
