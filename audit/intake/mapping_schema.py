"""A JSON Schema of mapping files, so that an editor completes and checks them while they are written."""

from __future__ import annotations

import json
from typing import Any

from audit.intake.mapping import MappingFile
from audit.intake.tables import NAMES, TABLES

_ONE_OR_SEVERAL = ("files", "formats", "times", "dates")


def mapping_schema() -> str:
    """Return the schema as JSON text, the same for the same models and tables."""
    schema = MappingFile.model_json_schema(by_alias=True, mode="validation")
    definitions = schema["$defs"]
    for part in (schema, *definitions.values()):
        part["properties"] = {name: _field(name, field) for name, field in part.get("properties", {}).items()}
    source = {"$ref": "#/$defs/ColumnSource"}
    by_name = {"type": "string", "minLength": 1, "description": "Name of the column in the export"}
    definitions["ColumnSource"]["properties"]["join"]["items"] = {"anyOf": [by_name, {"$ref": "#/$defs/Piece"}]}
    feed = {"$ref": "#/$defs/Feed"}
    tables = {}
    for name, table in TABLES.items():
        columns = {
            column.name: {"anyOf": [by_name, source], "description": column.label} for column in table.columns.values()
        }
        of_table = {"properties": columns, "required": list(table.required), "additionalProperties": False}
        tables[name] = {
            "type": "array",
            "minItems": 1,
            "items": {"allOf": [feed, {"properties": {"columns": of_table}}]},
        }
    definitions["Feed"]["properties"]["columns"] = {"type": "object"}
    schema["properties"]["tables"] = {
        "type": "object",
        "description": "For each canonical table, what its rows are read from",
        "properties": tables,
        "required": ["tasks"],
        "additionalProperties": False,
    }
    of_a_kind = {"$ref": "#/$defs/NamesOfAKind"}
    schema["properties"]["names"] = {
        "type": "object",
        "description": schema["properties"]["names"]["description"],
        "properties": dict.fromkeys(NAMES, of_a_kind),
        "additionalProperties": False,
    }
    schema["anyOf"] = [{"required": ["tables"]}, {"required": ["names"]}]
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "Mapping of deicer-audit"
    return json.dumps(schema, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def _field(name: str, field: dict[str, Any]) -> dict[str, Any]:
    options = [option for option in field.get("anyOf", ()) if option != {"type": "null"}]
    if options:
        # A key may be left out, never left blank.
        field = {key: value for key, value in field.items() if key not in ("anyOf", "default")}
        field |= options[0] if len(options) == 1 else {"anyOf": options}
    if name in _ONE_OR_SEVERAL:
        several = {"type": field.pop("type"), "items": field.pop("items"), "minItems": field.pop("minItems", 1)}
        field["anyOf"] = [{"type": "string", "minLength": 1}, several]
    return field


if __name__ == "__main__":
    print(mapping_schema(), end="")
