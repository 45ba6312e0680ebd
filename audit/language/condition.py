"""Conditions: a column of the vocabulary, and what it must be."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from itertools import islice
from typing import Annotated, Any, Self

from pydantic import BaseModel, ConfigDict, Discriminator, Field, Strict, Tag, field_validator, model_validator

from audit.intake.words import canonical
from audit.language.values import Scalar, Text, is_iso
from audit.timeline.vocabulary import VOCABULARY
from audit.yaml.faults import CLOSED, MOST_FAULTS, Misplaced, Part, did_you_mean, quoted
from audit.yaml.source import KeyPath


class OtherColumn(BaseModel):
    """The right-hand side of a comparison that is itself a column of the record."""

    model_config = CLOSED

    column: str

    @field_validator("column")
    @classmethod
    def _known(cls, value: str) -> str:
        return known_column(value)


Items = tuple[Text, ...]
"""Of which one is enough."""


class Protection(BaseModel):
    """A table that says which items a code asks for; on loading it takes the place of its name."""

    model_config = CLOSED

    name: Text
    needs: Mapping[str, tuple[Items, ...]]


class Needed(BaseModel):
    """What a list column of the record asks for by a table, beside what is always required."""

    model_config = CLOSED

    needed_for: str
    by: Protection
    always: tuple[Text, ...] = ()

    @field_validator("by", mode="before")
    @classmethod
    def _is_a_table(cls, value: Any) -> Any:
        if not isinstance(value, dict | Protection):
            raise ValueError(f"expected the name of a table of the rules folder, got {quoted(value)}")
        return value

    @field_validator("needed_for")
    @classmethod
    def _is_a_list(cls, value: str) -> str:
        if VOCABULARY[known_column(value)].kind != "codes":
            raise ValueError(f"{value} is not a list of codes")
        return value

    @property
    def column(self) -> str:
        """The column that asks, as other operands name theirs."""
        return self.needed_for

    def lacking(self, there: str, asking: str) -> dict[Items, tuple[str, ...]]:
        """The items that a cell lacks, each with the codes of the asking cell that ask for it (none: always asked)."""
        has = set(codes_of(there))
        asked: dict[Items, list[str]] = {(item,): [] for item in self.always}
        for code in codes_of(asking):
            for items in self.by.needs.get(code, ()):
                asked.setdefault(items, []).append(code)
        return {items: tuple(codes) for items, codes in asked.items() if not has & {canonical(item) for item in items}}

    def unlisted(self, asking: str) -> tuple[str, ...]:
        """The codes of an asking cell that the table doesn't have."""
        return tuple(code for code in codes_of(asking) if code not in self.by.needs)


def codes_of(cell: str) -> tuple[str, ...]:
    """The codes in a cell of a list column, once each, in their order."""
    return tuple(dict.fromkeys(part.strip() for part in cell.split(";") if part.strip()))


SHAPE = Discriminator(lambda value: "keys" if isinstance(value, dict | BaseModel) else "plain")
"""Tells two types apart by whether the value has keys: only the faults of that one are then told."""

Operand = OtherColumn | Scalar
Several = Annotated[
    Annotated[OtherColumn, Tag("keys")] | Annotated[tuple[Scalar, ...], Field(min_length=1), Tag("plain")], SHAPE
]
Included = Annotated[
    Annotated[Needed, Tag("keys")] | Annotated[tuple[str, ...], Field(min_length=1), Tag("plain")], SHAPE
]

OPERATORS: Mapping[str, tuple[str, ...]] = {
    "is_": ("id", "code", "choice", "text", "time", "date", "number", "count"),
    "not_": ("id", "code", "choice", "text", "time", "date", "number", "count"),
    "in_": ("id", "code", "choice", "text", "number", "count"),
    "not_in": ("id", "code", "choice", "text", "number", "count"),
    "present": ("id", "code", "choice", "codes", "text", "time", "date", "number", "count"),
    "includes_all": ("codes",),
    "at_least": ("time", "date", "number", "count"),
    "at_most": ("time", "date", "number", "count"),
    "before": ("time", "date"),
    "after": ("time", "date"),
}
"""Which kinds of column an operator can be asked of."""


class Condition(Part):
    """What one column must be. Several operators in one condition must all hold."""

    is_: Operand | None = Field(None, alias="is")
    not_: Operand | None = Field(None, alias="not")
    in_: Several | None = Field(None, alias="in")
    not_in: Several | None = None
    present: Annotated[bool, Strict()] | None = None
    includes_all: Included | None = None
    at_least: Operand | None = None
    at_most: Operand | None = None
    before: Operand | None = None
    after: Operand | None = None

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if not self.model_fields_set:
            raise ValueError("expected at least one operator, such as {is: apply}")
        return self

    def operators(self) -> Iterator[tuple[str, Any]]:
        """The operators used, in a fixed order, with their operands."""
        for name in OPERATORS:
            operand = getattr(self, name)
            if operand is not None:
                yield name, operand

    def others(self) -> set[str]:
        """The columns that operands name."""
        return {operand.column for _, operand in self.operators() if isinstance(operand, OtherColumn | Needed)}


class Conditions(BaseModel):
    """A condition for each column named, all of which must hold, and alternatives of which one must."""

    model_config = ConfigDict(extra="allow", frozen=True)
    __pydantic_extra__: dict[str, Condition] = Field(init=False)

    any_of: Annotated[tuple[Conditions, ...], Field(min_length=1)] = ()

    @property
    def columns(self) -> Mapping[str, Condition]:
        """The conditions by column name."""
        return self.__pydantic_extra__

    def names(self) -> set[str]:
        """Every column read, alternatives and right-hand sides included."""
        names = set(self.columns)
        for condition in self.columns.values():
            names |= condition.others()
        return names.union(*(alternative.names() for alternative in self.any_of))

    @model_validator(mode="before")
    @classmethod
    def _names_columns(cls, data: Any) -> Any:
        # First of all: of `not: {...}` or `all_of: [...]` nothing else is worth saying.
        if isinstance(data, dict) and (unknown := [name for name in data if name not in (*VOCABULARY, "any_of")]):
            raise Misplaced(((name,), unknown_column(name)) for name in unknown[:MOST_FAULTS])
        return data

    @model_validator(mode="after")
    def _fits_the_columns(self) -> Self:
        if faults := tuple(islice(self._faults(), MOST_FAULTS)):
            raise Misplaced(faults)
        return self

    def _faults(self) -> Iterator[tuple[KeyPath, str]]:
        for number, alternative in enumerate(self.any_of):
            if not alternative.names():
                yield ("any_of", number), "expected at least one condition; an alternative without any always holds"
        for name, condition in self.columns.items():
            kind = VOCABULARY[name].kind
            for operator, operand in condition.operators():
                word = operator.rstrip("_")
                if kind not in OPERATORS[operator]:
                    yield (name, word), f"{name} is a {kind} column, of which {word} can't be asked"
                    continue
                try:
                    check_operand(name, kind, operator, operand)
                except ValueError as error:
                    yield (name, word), str(error)


class BootConditions(Conditions):
    """Conditions of boots themselves: only columns of the installed component."""

    @model_validator(mode="after")
    def _asks_boots_only(self) -> Self:
        foreign = sorted(name for name in self.names() if not name.startswith("component."))
        if foreign:
            raise Misplaced([((), f"{', '.join(foreign)} is not a property of a boot; use component.* columns here")])
        return self


def known_column(name: str) -> str:
    """Return the name if a condition may use it; ValueError, with the likely one, otherwise."""
    if name not in VOCABULARY:
        raise ValueError(unknown_column(name))
    return name


def unknown_column(name: str) -> str:
    """What is wrong with a name that no column has, with the likely one."""
    return f"unknown column {quoted(name)}{did_you_mean(name, (*VOCABULARY, 'any_of'))}"


def check_operand(name: str, kind: str, operator: str, operand: Any) -> None:
    """Refuse, with ValueError, an operand that could never equal a value of the column."""
    if isinstance(operand, OtherColumn):
        _check_other_column(name, kind, operator, operand.column)
    elif isinstance(operand, Needed):
        if name != "ppe_worn":
            raise ValueError(f"what protects against hazards is asked of ppe_worn, not of {name}")
    elif operator != "present":
        for value in operand if isinstance(operand, tuple) else (operand,):
            _check_value(name, kind, value)


def _check_other_column(name: str, kind: str, operator: str, column: str) -> None:
    other = VOCABULARY[column].kind
    if operator in ("in_", "not_in"):
        if other != "codes":
            word = {"in_": "is", "not_in": "not"}[operator]
            raise ValueError(f"{column} ({other}) is not a list; ask {word}")
    elif other == "codes":
        raise ValueError(f"{column} is a list; ask in or not_in")
    if _family(other) != _family(kind):
        raise ValueError(f"{name} ({kind}) can't be compared with {column} ({other})")


def _check_value(name: str, kind: str, value: Any) -> None:
    choices = VOCABULARY[name].column.choices
    match _family(kind):
        case "number":
            if isinstance(value, bool | str) or not math.isfinite(value):
                raise ValueError(f"expected a number to compare {name} with, got {quoted(value)}")
        case "time":
            if not is_iso(value):
                raise ValueError(f"expected an ISO 8601 date or time to compare {name} with, got {quoted(value)}")
        case _:
            _check_text(name, value)
    if choices and value not in choices:
        suggestion = did_you_mean(str(value), choices)
        raise ValueError(f"{name} is never {quoted(value)}{suggestion}; it is one of {', '.join(choices)}")


def _check_text(name: str, value: Any) -> None:
    # 1.10 is read as the number 1.1 and `true` as a truth value: neither equals the text in a cell.
    if isinstance(value, bool | float):
        raise ValueError(f"expected text to compare {name} with, got {value!r}; put it in quotes")
    # Cells are read without the spaces around them, and a blank one is missing.
    if str(value).strip() != str(value) or value == "":
        hint = "ask `present` for blank cells, and put no spaces around a value"
        raise ValueError(f"{name} is never {quoted(value)}; {hint}")
    if VOCABULARY[name].kind == "codes" and ";" in str(value):
        raise ValueError(f"no entry of {name} is {quoted(value)}: a semicolon parts entries; give each by itself")


def _family(kind: str) -> str:
    return {"count": "number", "date": "time"}.get(kind, kind if kind in ("number", "time") else "text")
