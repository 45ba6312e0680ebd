"""JSON Schemas of rule and settings files, so that an editor completes and checks them while they are written."""

from __future__ import annotations

import json
import sys
from typing import Any

from pydantic import TypeAdapter

from audit.forms import FORMS, any_rule
from audit.forms.form import Form
from audit.forms.naming import COMMON
from audit.intake.tables import READ_BY_RULES, Table
from audit.language.condition import OPERATORS
from audit.language.wording import FINDING
from audit.rulebook.settings import NONE, SettingsFile, settable_keys
from audit.timeline.vocabulary import VOCABULARY

# How an editor sees what a validator parses.
_DURATION = {
    "type": "string",
    "pattern": r"^PT(?=\d)(\d+(\.\d+)?H)?(\d+(\.\d+)?M)?(\d+(\.\d+)?S)?$",
    "description": "ISO 8601 duration in hours, minutes or seconds, such as PT24H",
}
_MONTH_DAY = {"type": "string", "pattern": r"^\d{2}-\d{2}$", "description": "Month and day, such as 10-01"}
_REQUIRED_NUMBERS = {
    "type": "object",
    "description": "Numbers that the rule requires of columns, such as {work_minutes: {at_least: 5}}",
    "additionalProperties": {
        "type": "object",
        "additionalProperties": {"type": "number"},
        "minProperties": 1,
    },
}
_WARNING = {
    "type": "array",
    "description": "What can hurt whoever puts it right: names from tables/warnings.yaml of the rules folder",
    "items": {"type": "string"},
}
_TYPES = {"number": "number", "count": "number", "time": "string", "date": "string"}
_OTHER_COLUMN = {"$ref": "#/$defs/OtherColumn"}


def editor_schema() -> str:
    """Return the schema of rule files as JSON text, the same for the same models and vocabulary."""
    return _text(_rules_schema())


def settings_schema() -> str:
    """Return the schema of settings files as JSON text: what can be set is described as it is in a rule file."""
    schema = TypeAdapter(SettingsFile).json_schema(by_alias=True, mode="validation")
    of_rules = _rules_schema()["$defs"]
    definitions = schema["$defs"]
    for part in (schema, *definitions.values()):
        part["properties"] = {name: _field(name, field) for name, field in part["properties"].items()}
    definitions["Season"] = of_rules["Season"]
    season = {"anyOf": [{"type": "string"}, {"$ref": "#/$defs/Season"}]}
    definitions["Base"]["properties"]["season"] = season
    settable: dict[str, Any] = {"season": season, "require": _REQUIRED_NUMBERS}
    for key, form in ((key, form) for form in _forms(of_rules) for key in settable_keys() if key in form["properties"]):
        if key in settable:
            continue
        field = form["properties"][key]
        settable[key] = field if key in form["required"] else _or_none(field)
        if "$ref" in field:
            name = field["$ref"].rpartition("/")[2]
            parts = {part: _or_none(one) for part, one in of_rules[name]["properties"].items()}
            # Only what is to be changed is named.
            definitions[name] = {"type": "object", "properties": parts, "additionalProperties": False}
    definitions["RuleSettings"] = {
        "type": "object",
        "properties": settable,
        "additionalProperties": False,
        "minProperties": 1,
    }
    schema["properties"]["rules"]["additionalProperties"] = {"$ref": "#/$defs/RuleSettings"}
    schema["title"] = "Settings of deicer-audit"
    return _text(schema)


def _forms(definitions: dict[str, Any]) -> list[dict[str, Any]]:
    """Each form of rule."""
    return [part for part in definitions.values() if "form" in part.get("properties", {})]


def _or_none(field: dict[str, Any]) -> dict[str, Any]:
    return {"anyOf": [field, {"const": NONE, "description": "Takes the value away"}]}


def _text(schema: dict[str, Any]) -> str:
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    return json.dumps(schema, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def _rules_schema() -> dict[str, Any]:
    schema = TypeAdapter(any_rule()).json_schema(by_alias=True, mode="validation")
    definitions = schema["$defs"]
    # What a validator checks, the schema of its result doesn't describe.
    for part in definitions.values():
        part["properties"] = {name: _field(name, field) for name, field in part.get("properties", {}).items()}
    definitions["Condition"]["minProperties"] = 1
    definitions["OtherColumn"]["properties"]["column"]["enum"] = list(VOCABULARY)
    lists = [name for name, column in VOCABULARY.items() if column.kind == "codes"]
    definitions["Needed"]["properties"]["needed_for"]["enum"] = lists
    # A file names the table; what it says takes the place of the name on loading.
    definitions["Needed"]["properties"]["by"] = {"type": "string", "description": "A table of the rules folder"}
    del definitions["Protection"], definitions["Warning"]
    for conditions in (definitions["Conditions"], definitions["BootConditions"]):
        of_boots = conditions is definitions["BootConditions"]
        names = [name for name in VOCABULARY if name.startswith("component.") or not of_boots]
        conditions["properties"] |= {name: _condition(name) for name in names}
        alternative = {**conditions["properties"]["any_of"]["items"], "minProperties": 1}
        conditions["properties"]["any_of"]["items"] = alternative
        conditions["additionalProperties"] = False
    for form in FORMS.values():
        definitions[form.rule.__name__]["properties"]["message"] = _message(form)
    for name, table in READ_BY_RULES.items():
        definitions["Example"]["properties"][name]["items"] = _row(table)
    schema["title"] = "Rule of deicer-audit"
    return schema


def _field(name: str, field: dict[str, Any]) -> dict[str, Any]:
    options = [option for option in field.get("anyOf", ()) if option != {"type": "null"}]
    if options:
        # A key may be left out, never left blank.
        field = {key: value for key, value in field.items() if key not in ("anyOf", "default")}
        field |= options[0] if len(options) == 1 else {"anyOf": options}
    if name == "warning":
        return _WARNING
    if field.get("format") == "duration":
        return _DURATION
    if field.get("maxItems") == 2 and name in ("from", "to"):
        return _MONTH_DAY
    if name == "level":
        return {"title": field["title"], "enum": [1, 2, "1", "2", "observation"]}
    return field


def _condition(name: str) -> dict[str, Any]:
    """The condition of one column, with only the operators that its kind can be asked and the values it can have."""
    column = VOCABULARY[name]
    fit = [operator.rstrip("_") for operator, kinds in OPERATORS.items() if column.kind in kinds]
    schema: dict[str, Any] = {
        "$ref": "#/$defs/Condition",
        "description": f"{column.label} ({column.kind}, from {column.table})",
        "propertyNames": {"enum": fit},
    }
    choices = list(column.column.choices)
    if choices or column.kind in _TYPES:
        value: dict[str, Any] = {"enum": choices} if choices else {"type": _TYPES[column.kind]}
        one, several = {"anyOf": [value, _OTHER_COLUMN]}, {"items": value}
        schema["properties"] = {word: several if word in ("in", "not_in") else one for word in fit if word != "present"}
    return schema


def _message(form: Form[Any]) -> dict[str, Any]:
    """What a finding says: one text, or one for each kind of finding; the names that may stand in it are described."""
    names = "; ".join(f"{{{name}}} {means}" for name, means in {**form.values, **COMMON}.items())
    text = {"type": "string", "minLength": 1, "description": f"May name {names}"}
    kinds = "; ".join(f"{kind}: {when}" for kind, when in {FINDING: "every other finding", **form.kinds}.items())
    by_kind = {"type": "object", "minProperties": 1, "additionalProperties": text, "description": kinds}
    return {"anyOf": [text, by_kind], "title": "Message"}


def _row(table: Table) -> dict[str, Any]:
    """A row of an example: the columns of its table, and blank cells where a default is to be taken away."""
    cells = {
        name: {
            "type": ["string", "number" if column.kind in ("number", "count") else "integer", "null"],
            "description": column.label,
        }
        for name, column in table.columns.items()
    }
    return {"type": "object", "properties": cells, "additionalProperties": False}


if __name__ == "__main__":
    print(settings_schema() if sys.argv[1:] == ["settings"] else editor_schema(), end="")
