"""Faults that the models find, as sentences: file, line, path, what was expected, the likely word."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from difflib import get_close_matches
from typing import Any, Final, Self, TypeVar, get_args, get_origin, get_type_hints

from pydantic import BaseModel, ConfigDict, ValidationError, model_validator

from audit.errors import AuditError
from audit.yaml.source import KeyPath, Source, shortened, written

Model = TypeVar("Model", bound=BaseModel)

MOST_FAULTS: Final = 20
"""More than these are not listed: a file with so many is not what it should be, and each costs a search for the likely
word."""


class Misplaced(ValueError):
    """Faults in a part of a file, each with its path below that part and its sentence."""

    def __init__(self, faults: Iterable[tuple[KeyPath, str]]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(sentence for _, sentence in self.faults))


CLOSED: Final = ConfigDict(extra="forbid", frozen=True)


class Part(BaseModel):
    """A part of a file: unknown keys and keys without a value are faults."""

    model_config = CLOSED

    @model_validator(mode="after")
    def _has_no_blanks(self) -> Self:
        # A key that somebody forgot to fill in must not quietly mean what leaving it out means.
        fields = type(self).model_fields
        blank = [name for name in fields if name in self.model_fields_set and getattr(self, name) is None]
        if blank:
            sentence = "expected a value, got none; leave the key out where there is none"
            raise Misplaced(((fields[name].alias or name,), sentence) for name in blank)
        return self


def quoted(value: Any) -> str:
    """A value of a file as a sentence shows it."""
    return shortened(repr(value))


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """` (did you mean product?)` for the known word that is most like this one; empty where none is."""
    by_letters = {each.lower(): each for each in known}
    close = get_close_matches(word.lower(), by_letters, n=1, cutoff=0.6)
    return f" (did you mean {by_letters[close[0]]}?)" if close else ""


def as_model(source: Source, model: type[Model], expected: str) -> Model:
    """A file's data as a model. AuditError has a line for each fault; `expected` says what the whole should be."""
    if not isinstance(source.data, dict):
        raise AuditError(f"{source.name}, line 1: expected {expected}")
    try:
        return model.model_validate(source.data)
    except ValidationError as error:
        raise AuditError(*explained(source, model, error)) from None


def explained(source: Source, model: type[BaseModel], error: ValidationError, below: KeyPath = ()) -> list[str]:
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


def _place(error: Any, source: Source) -> KeyPath:
    """The path of an error in the file; a union also names its members in it, which are not part of the file."""
    path: KeyPath = ()
    for part in error["loc"]:
        if (*path, part) in source.lines:
            path = (*path, part)
    last = error["loc"][-1:]
    return (*path, *last) if error["type"] == "missing" and path[-1:] != last else path


_SCALARS = ("str", "int", "float", "bool")


def _faults(error: Any, errors: list[Any], source: Source, model: type[BaseModel]) -> Iterator[tuple[KeyPath, str]]:
    path = _place(error, source)
    cause = error.get("ctx", {}).get("error")
    if _is_union_member(error, path):
        # Of the ways in which a value fits no member of a union, one sentence is enough.
        if not isinstance(error["input"], dict) or not any("OtherColumn" in other["loc"] for other in errors):
            yield path, f"expected a single text, number or true or false, got {quoted(error['input'])}"
    elif isinstance(cause, Misplaced):
        yield from (((*path, *below), sentence) for below, sentence in cause.faults)
    elif error["type"] == "extra_forbidden":
        known = known_keys(model, path[:-1])
        last = str(path[-1])
        suggestion = did_you_mean(shortened(last), known)
        yield path, f"unknown key {quoted(last)}{suggestion}; expected one of {', '.join(known)}"
    # Entries with faults of their own aren't counted as entries: that is not a fault of the list.
    elif error["type"] != "too_short" or len(error["input"]) < error["ctx"]["min_length"]:
        yield path, _sentence(error, quoted(error["input"]), error.get("ctx", {}))


def _sentence(error: Any, got: str, context: Mapping[str, Any]) -> str:
    """What was expected where a model found fault with a single value."""
    if error["type"] in _EXPECTED:
        return f"expected {_EXPECTED[error['type']]}, got {got}"
    match error["type"]:
        case "missing":
            return "this is required and not given"
        case "value_error":
            return str(context["error"])
        case "literal_error":
            choices = [choice.strip("' ") for choice in context["expected"].replace(" or ", ", ").split(", ")]
            return f"got {got}{did_you_mean(shortened(str(error['input'])), choices)}; expected {context['expected']}"
        case "string_type":
            hint = "; put it in quotes" if isinstance(error["input"], int | float) else ""
            return f"expected text, got {got}{hint}"
        case "greater_than":
            return f"expected more than {context['gt']:g}, got {got}"
        case "less_than_equal":
            return f"expected at most {context['le']:,.9g}, got {got}"
        case "string_too_short":
            return "expected text, got none"
        case "too_short":
            return f"expected at least {context['min_length']} here, got {len(error['input'])}"
        case _:
            return f"{error['msg'][:1].lower()}{error['msg'][1:]}, got {got}"


_EXPECTED: Final[Mapping[str, str]] = {
    "bool_type": "true or false",
    "dict_type": "keys with values, such as {key: value}",
    "float_type": "a number",
    "int_from_float": "a whole number",
    "int_type": "a whole number",
    "model_type": "keys with values, such as {key: value}",
    "string_pattern_mismatch": "small letters, digits and hyphens, such as flight-before-cure",
    "tuple_type": "a list, such as [one, two]",
}


def _is_union_member(error: Any, path: KeyPath) -> bool:
    last = error["loc"][-1] if error["loc"] else ""
    return path[-1:] != (last,) and (last in _SCALARS or (last == "OtherColumn" and error["type"] == "model_type"))


def known_keys(model: type[BaseModel], path: KeyPath) -> list[str]:
    """The keys that the model allows at a path."""
    found: Any = model
    for part in path:
        if isinstance(part, str):
            found = _at_key(found, part)
    fields = getattr(_model_in(found), "model_fields", {})
    return [field.alias or name for name, field in fields.items()]


def _at_key(annotation: Any, key: str) -> Any:
    """What a key leads to: a field of a model, or a value of a mapping."""
    if (model := _model_in(annotation)) is None:
        return None
    if mapping := _mapping_in(annotation):
        return get_args(mapping)[1]
    names = {field.alias or name: field.annotation for name, field in model.model_fields.items()}
    return names[key] if key in names else (None, *get_args(get_type_hints(model).get("__pydantic_extra__")))[-1]


def _mapping_in(annotation: Any) -> Any:
    if isinstance(origin := get_origin(annotation), type) and issubclass(origin, Mapping):
        return annotation
    return next((found for part in get_args(annotation) if (found := _mapping_in(part))), None)


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """The model inside an annotation such as `Season | None` or `tuple[Example, ...]`."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in get_args(annotation) if (found := _model_in(part))), None)
