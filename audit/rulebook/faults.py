"""Faults that the models find, as sentences: file, line, path, what was expected, the likely word."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from pydantic import BaseModel, ValidationError

from audit.rulebook.models import MOST_FAULTS, Condition, Misplaced, did_you_mean, quoted
from audit.rulebook.yaml_source import Path, Source, shortened, written


def explained(source: Source, model: type[BaseModel], error: ValidationError, below: Path = ()) -> list[str]:
    """A sentence for each fault, in the order of their lines; `below` is where in the file the source's data stand."""
    errors = sorted(error.errors(include_url=False), key=lambda one: source.line(_place(one, source)))
    sentences: dict[str, None] = {}
    for one in errors:
        for path, sentence in _faults(one, errors, source, model):
            where = f"{source.name}, line {source.line(path)}: {written((*below, *path))}"
            sentences[f"{where}: {sentence}"] = None
        if len(sentences) > MOST_FAULTS:
            break
    listed = list(sentences)
    if len(listed) > MOST_FAULTS:
        listed[MOST_FAULTS:] = [f"{source.name}: and more faults, not listed"]
    return listed


def _place(error: Any, source: Source) -> Path:
    """The path of an error in the file; a union also names its members in it, which are no part of the file."""
    path: Path = ()
    for part in error["loc"]:
        if (*path, part) in source.lines:
            path = (*path, part)
    return (*path, error["loc"][-1]) if error["type"] == "missing" else path


_SCALARS = ("str", "int", "float", "bool")


def _faults(error: Any, errors: list[Any], source: Source, model: type[BaseModel]) -> Iterator[tuple[Path, str]]:
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
            known = known_keys(model, path[:-1])
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


def _is_union_member(error: Any, path: Path) -> bool:
    last = error["loc"][-1] if error["loc"] else ""
    return path[-1:] != (last,) and (last in _SCALARS or (last == "OtherColumn" and error["type"] == "model_type"))


def known_keys(model: type[BaseModel], path: Path) -> list[str]:
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
