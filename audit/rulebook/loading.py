"""Rule files into a rulebook; every fault in them is one clear sentence."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from audit.errors import AuditError
from audit.intake.export import Source as File
from audit.rulebook.models import (
    MOST_FAULTS,
    AnyRule,
    Condition,
    CountRule,
    HoldRule,
    IntervalRule,
    Misplaced,
    OrderRule,
    OverlapRule,
    PrecedeRule,
    RecordRule,
    SpacingRule,
    did_you_mean,
    quoted,
)
from audit.rulebook.yaml_source import Path as Place
from audit.rulebook.yaml_source import Source, read_yaml, shortened, written

LONGEST = 1_000_000
"""Bytes a rule file may have: far more than any rule needs, far less than what could stall the reader."""

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
    """Load every `*.yaml` file below a folder, a rule each.

    AuditError lists all that is wrong, a line each; of several, a line before them says in how many files.
    """
    if not folder.is_dir():
        raise AuditError(f"{folder}: no such folder of rules")
    # By text: paths themselves sort otherwise where case doesn't count, and the order of rules is the order of output.
    paths = sorted(_rule_files(folder), key=lambda path: path.relative_to(folder).as_posix())
    if not paths:
        raise AuditError(f"{folder}: no rule files (*.yaml) in this folder")
    rules: list[AnyRule] = []
    files: list[File] = []
    faults: list[str] = []
    faulty: set[str] = set()
    homes: dict[str, str] = {}
    for path in paths:
        name = path.relative_to(folder).as_posix()
        try:
            with path.open("rb") as file:
                content = file.read(LONGEST + 1)
        except OSError as error:
            raise AuditError(f"{path}: can't be read: {error.strerror}") from None
        files.append(File(name, hashlib.sha256(content).hexdigest(), len(content)))
        try:
            rule = read_rule(content, name)
        except AuditError as error:
            faults.extend(str(error).splitlines())
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
    if len(faults) > 1:
        faults.insert(0, f"{folder}: faults in {len(faulty)} rule file{'s' if len(faulty) > 1 else ''}")
    if faults:
        raise AuditError("\n".join(faults))
    return Rulebook(tuple(rules), tuple(files))


def _rule_files(folder: Path) -> Iterator[Path]:
    """Every rule file below a folder; one that can't be listed is an error, or its rules would go missing silently."""

    def refuse(error: OSError) -> None:
        raise AuditError(f"{error.filename}: can't be read: {error.strerror}")

    for parent, _, names in os.walk(folder, onerror=refuse):
        yield from (Path(parent, name) for name in names if name.lower().endswith((".yaml", ".yml")))


def read_rule(content: bytes, name: str) -> AnyRule:
    """Read one rule file. AuditError has a line for each fault: file, line, path, what was expected."""
    if len(content) > LONGEST:
        raise AuditError(f"{name}: expected a rule file of at most 1 MB, got more")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise AuditError(f"{name}, line {line}: expected UTF-8 text") from None
    source = read_yaml(text, name)
    data = source.data
    if not isinstance(data, dict):
        raise AuditError(f"{name}, line 1: expected a rule with id, title, form and so on")
    form = data.get("form")
    if not isinstance(form, str) or form not in MODELS:
        got = f"got {quoted(form)}{did_you_mean(shortened(str(form)), MODELS)}"
        if "form" not in data:
            got = "no form is given"
        raise AuditError(f"{name}, line {source.line(('form',))}: $.form: {got}; expected one of {', '.join(MODELS)}")
    try:
        return MODELS[form].model_validate(data)
    except ValidationError as error:
        raise AuditError("\n".join(_explained(source, MODELS[form], error))) from None


def _explained(source: Source, model: type[BaseModel], error: ValidationError) -> list[str]:
    """A sentence for each fault, in the order of their lines."""
    errors = sorted(error.errors(include_url=False), key=lambda one: source.line(_place(one, source)))
    sentences: dict[str, None] = {}
    for one in errors:
        for path, sentence in _faults(one, errors, source, model):
            where = f"{source.name}, line {source.line(path)}: {written(path)}"
            sentences[f"{where}: {sentence}"] = None
        if len(sentences) > MOST_FAULTS:
            break
    listed = list(sentences)
    if len(listed) > MOST_FAULTS:
        listed[MOST_FAULTS:] = [f"{source.name}: and more faults, not listed"]
    return listed


def _place(error: Any, source: Source) -> Place:
    """The path of an error in the file; a union also names its members in it, which are no part of the file."""
    path: Place = ()
    for part in error["loc"]:
        if (*path, part) in source.lines:
            path = (*path, part)
    return (*path, error["loc"][-1]) if error["type"] == "missing" else path


_SCALARS = ("str", "int", "float", "bool")


def _faults(error: Any, errors: list[Any], source: Source, model: type[BaseModel]) -> Iterator[tuple[Place, str]]:
    path = _place(error, source)
    got = quoted(error["input"])
    last = str(path[-1]) if path else ""
    context = error.get("ctx", {})
    if _is_union_member(error, path):
        # Of the ways in which a value fits no member of a union, one sentence is enough.
        if isinstance(error["input"], dict) and any("OtherColumn" in other["loc"] for other in errors):
            return
        yield path, f"expected a single text, number or true or false, got {got}"
        return
    match error["type"]:
        case "missing":
            yield path, "this is needed and not given"
        case "extra_forbidden":
            known = _known_keys(model, path[:-1])
            suggestion = did_you_mean(shortened(last), known)
            yield path, f"unknown key {quoted(last)}{suggestion}; expected one of {', '.join(known)}"
        case "value_error" if isinstance(context["error"], Misplaced):
            yield from (((*path, *below), sentence) for below, sentence in context["error"].faults)
        case "value_error":
            yield path, str(context["error"])
        case "literal_error":
            expected = context["expected"]
            choices = [choice.strip("' ") for choice in expected.replace(" or ", ", ").split(", ")]
            yield path, f"got {got}{did_you_mean(shortened(str(error['input'])), choices)}; expected {expected}"
        case "string_pattern_mismatch":
            yield path, f"expected small letters, digits and hyphens, such as flight-before-cure, got {got}"
        case "string_type":
            hint = "; put it in quotes" if isinstance(error["input"], int | float) else ""
            yield path, f"expected text, got {got}{hint}"
        case "bool_type":
            yield path, f"expected true or false, got {got}"
        case "int_type" | "int_from_float":
            yield path, f"expected a whole number, got {got}"
        case "float_type":
            yield path, f"expected a number, got {got}"
        case "greater_than" | "less_than_equal":
            bound = "more than " + f"{context['gt']:g}" if "gt" in context else "at most " + f"{context['le']:,.9g}"
            yield path, f"expected {bound}, got {got}"
        case "string_too_short":
            yield path, "expected text, got none"
        case "tuple_type":
            yield path, f"expected a list, such as [one, two], got {got}"
        case "too_short":
            # Entries with faults of their own aren't counted as entries: that is no fault of the list.
            if len(error["input"]) < context["min_length"]:
                yield path, f"expected at least {context['min_length']} here, got {len(error['input'])}"
        case "model_type" | "dict_type":
            yield path, f"expected keys with values, such as {{key: value}}, got {got}"
        case _:
            message = error["msg"]
            yield path, f"{message[:1].lower()}{message[1:]}, got {got}"


def _is_union_member(error: Any, path: Place) -> bool:
    last = error["loc"][-1] if error["loc"] else ""
    return path[-1:] != (last,) and (last in _SCALARS or (last == "OtherColumn" and error["type"] == "model_type"))


def _known_keys(model: type[BaseModel], path: Place) -> list[str]:
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
