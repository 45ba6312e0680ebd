"""Rule files into a rulebook; every fault in them is one clear sentence."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from audit.errors import AuditError
from audit.intake.export import Source as File
from audit.rulebook.models import (
    AnyRule,
    Condition,
    CountRule,
    HoldRule,
    IntervalRule,
    OrderRule,
    OverlapRule,
    PrecedeRule,
    RecordRule,
    SpacingRule,
)
from audit.rulebook.yaml_source import Source, read_yaml, written
from audit.timeline.vocabulary import VOCABULARY

MODELS: Mapping[str, type[AnyRule]] = {
    "record": RecordRule,
    "hold": HoldRule,
    "order": OrderRule,
    "precede": PrecedeRule,
    "interval": IntervalRule,
    "count": CountRule,
    "spacing": SpacingRule,
    "overlap": OverlapRule,
}


@dataclass(frozen=True)
class Rulebook:
    """The rules, in the order of their files' names, and the files they came from."""

    rules: tuple[AnyRule, ...]
    rule_files: tuple[File, ...]


def load_rules(folder: Path) -> Rulebook:
    """Load every `*.yaml` file below a folder, a rule each. AuditError lists all that is wrong, a line each."""
    if not folder.is_dir():
        raise AuditError(f"{folder}: no such folder of rules")
    paths = sorted(path for path in folder.rglob("*") if path.suffix in (".yaml", ".yml"))
    if not paths:
        raise AuditError(f"{folder}: no rule files (*.yaml) in this folder")
    rules: list[AnyRule] = []
    files: list[File] = []
    faults: list[str] = []
    homes: dict[str, str] = {}
    for path in paths:
        name = path.relative_to(folder).as_posix()
        try:
            content = path.read_bytes()
        except OSError as error:
            raise AuditError(f"{path}: can't be read: {error.strerror}") from None
        files.append(File(name, hashlib.sha256(content).hexdigest(), len(content)))
        try:
            rule = read_rule(content, name)
        except AuditError as error:
            faults.append(str(error))
            continue
        if rule.id in homes:
            faults.append(f"{name}: the id {rule.id} is taken by {homes[rule.id]}; every rule needs its own")
        elif rule.id != path.stem:
            faults.append(f"{name}: expected the file name to be the rule's id, {rule.id}.yaml")
        homes[rule.id] = name
        rules.append(rule)
    if faults:
        raise AuditError("\n".join(faults))
    return Rulebook(tuple(rules), tuple(files))


def read_rule(content: bytes, name: str) -> AnyRule:
    """Read one rule file. AuditError has a line for each fault: file, line, path, what was expected."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise AuditError(f"{name}, line {line}: expected UTF-8 text") from None
    source = read_yaml(text, name)
    data = source.data
    if not isinstance(data, dict):
        raise AuditError(f"{name}, line 1: expected a rule with id, title, form and so on")
    form = str(data.get("form"))
    if form not in MODELS:
        line = source.line(("form",))
        got = f"unknown form {form!r}{_did_you_mean(form, MODELS)}" if "form" in data else "no form is given"
        raise AuditError(f"{name}, line {line}: $.form: {got}; expected one of {', '.join(MODELS)}")
    try:
        return MODELS[form].model_validate(data)
    except ValidationError as error:
        faults = [_sentence(source, MODELS[form], one) for one in error.errors(include_url=False)]
        raise AuditError("\n".join(dict.fromkeys(faults))) from None


def _sentence(source: Source, model: type[BaseModel], error: Any) -> str:
    path = tuple(error["loc"])
    # A union names its members in the path of an error; they are no part of the file.
    while path and path not in source.lines and len(path) > 1 and path[:-1] in source.lines and not _is_key(error):
        path = path[:-1]
    where = f"{source.name}, line {source.line(path)}: {written(path)}"
    last = str(path[-1]) if path else ""
    match error["type"]:
        case "missing":
            return f"{where}: this is needed and not given"
        case "extra_forbidden":
            known = _known_keys(model, path[:-1])
            return f"{where}: unknown key {last!r}{_did_you_mean(last, known)}; expected one of {', '.join(known)}"
        case "value_error":
            said = str(error["ctx"]["error"])
            unknown = said.removeprefix("unknown column '").removesuffix("'")
            if unknown != said:
                return f"{where}: unknown column {unknown!r}{_did_you_mean(unknown, VOCABULARY)}"
            return f"{where}: {said}"
        case "literal_error":
            got = error["input"]
            expected = error["ctx"]["expected"]
            choices = [choice.strip("' ") for choice in expected.replace(" or ", ", ").split(", ")]
            return f"{where}: got {got!r}{_did_you_mean(str(got), choices)}; expected {expected}"
        case "string_pattern_mismatch":
            return f"{where}: expected small letters, digits and hyphens, such as flight-before-cure"
        case _:
            message = error["msg"]
            return f"{where}: {message[:1].lower()}{message[1:]}, got {_short(error['input'])}"


def _is_key(error: Any) -> bool:
    return error["type"] in ("missing", "extra_forbidden")


def _known_keys(model: type[BaseModel], path: tuple[str | int, ...]) -> list[str]:
    """The keys that the model allows at a path."""
    found: Any = model
    for part in path:
        if isinstance(part, int):
            continue
        fields = getattr(found, "model_fields", {})
        names = {field.alias or name: field for name, field in fields.items()}
        found = _model_in(names[part].annotation) if part in names else Condition
    fields = getattr(found, "model_fields", {})
    return [field.alias or name for name, field in fields.items()]


def _model_in(annotation: Any) -> Any:
    """The model inside an annotation such as `Season | None` or `tuple[Example, ...]`."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    found = [_model_in(part) for part in getattr(annotation, "__args__", ())]
    return next((part for part in found if part is not None), None)


def _did_you_mean(word: str, known: Iterable[str]) -> str:
    close = get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f" (did you mean {close[0]}?)" if close else ""


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
