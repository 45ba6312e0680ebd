"""The suite of expectations: great-expectations' own file format, and of it what can judge a profile fact by fact."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from audit.errors import AuditError
from audit.health.facts import FACTS
from audit.intake.export import InputFile
from audit.intake.small_files import read_file
from audit.intake.tables import TABLES
from audit.yaml.faults import Misplaced, Part, as_model, did_you_mean, quoted
from audit.yaml.source import read_source

SUITE_FOLDER: Final = "export-health"
SUITE_FILE: Final = "suite.json"
BETWEEN: Final = "expect_column_values_to_be_between"


class _Column(Part):
    name: Literal["table", "column", "fact"]


class Comparison(Part):
    """Facts whose table, column or name is, or is not, one of some words."""

    type: Literal["comparison"]
    column: _Column
    operator: Literal["==", "!=", "IN", "NOT_IN"]
    parameter: str | tuple[str, ...]

    @model_validator(mode="after")
    def _words_fit(self) -> Comparison:
        if isinstance(self.parameter, str) == (self.operator in ("IN", "NOT_IN")):
            raise Misplaced([(("parameter",), "expected one text for == and !=, a list for IN and NOT_IN")])
        known = {"fact": FACTS, "table": TABLES}.get(self.column.name)
        for word in self.words:
            if known is not None and word not in known:
                raise Misplaced(
                    [(("parameter",), f"there is no {self.column.name} {word!r}{did_you_mean(word, known)}")]
                )
        return self

    @property
    def words(self) -> tuple[str, ...]:
        """The words compared with."""
        return (self.parameter,) if isinstance(self.parameter, str) else self.parameter

    def picks(self, fact: dict[str, Any]) -> bool:
        """Whether a fact of the profile is one of those meant."""
        return (fact[self.column.name] in self.words) == (self.operator in ("==", "IN"))


class Both(Part):
    """Facts that several comparisons pick."""

    type: Literal["and"]
    conditions: tuple[Comparison, ...] = Field(min_length=1)


def _comparisons(condition: Comparison | Both) -> tuple[Comparison, ...]:
    return (condition,) if isinstance(condition, Comparison) else condition.conditions


def _facts_named(condition: Comparison | Both) -> tuple[str, ...]:
    named = [part for part in _comparisons(condition) if part.column.name == "fact" and part.operator in ("==", "IN")]
    return tuple(word for part in named for word in part.words)


class Kwargs(BaseModel):
    """What an expectation is called with; more than these as the expectation itself asks."""

    model_config = ConfigDict(extra="allow", frozen=True)

    column: Literal["value"]
    row_condition: Annotated[Comparison | Both, Field(discriminator="type")]

    @field_validator("row_condition")
    @classmethod
    def _names_a_fact(cls, condition: Comparison | Both) -> Comparison | Both:
        if not _facts_named(condition):
            raise ValueError(f"expected a comparison that names the fact: one of {', '.join(FACTS)}")
        return condition

    @model_validator(mode="after")
    def _judges_every_fact(self) -> Kwargs:
        if "mostly" in (self.model_extra or {}):
            raise Misplaced([(("mostly",), "every fact is judged by itself: leave this out")])
        return self


class Meta(Part):
    """What an expectation is called in the report, what to do where it fails, and where its limit comes from."""

    id: str = Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$")
    title: str = Field(min_length=1)
    put_right: str = Field(min_length=1)
    basis: str | None = Field(None, min_length=1)


class Expectation(Part):
    """One expectation of great-expectations, on the column `value` of the facts that its condition picks."""

    type: str
    kwargs: Kwargs
    meta: Meta

    def picks(self, fact: dict[str, Any]) -> bool:
        """Whether it judges a fact of the profile."""
        return all(part.picks(fact) for part in _comparisons(self.kwargs.row_condition))

    @property
    def measured(self) -> tuple[str, ...]:
        """What the facts are that it sets a limit on, in words."""
        return tuple(FACTS[fact] for fact in _facts_named(self.kwargs.row_condition))

    @property
    def expected(self) -> str:
        """What it expects, in words."""
        limits = dict(self.kwargs.model_extra or {})
        if self.type != BETWEEN:
            written = ", ".join(f"{name} {value}" for name, value in limits.items())
            return f"{self.type.removeprefix('expect_column_values_to_').replace('_', ' ')} {written}".strip()
        least = "more than" if limits.get("strict_min") else "at least"
        most = "less than" if limits.get("strict_max") else "at most"
        bounds = ((least, limits.get("min_value")), (most, limits.get("max_value")))
        return ", ".join(f"{words} {value}" for words, value in bounds if value is not None)


class _File(Part):
    name: str
    expectations: tuple[Expectation, ...] = Field(min_length=1)
    meta: dict[str, Any] = Field(default_factory=dict)


class Suite(BaseModel):
    """The expectations as read, and as written for great-expectations to build."""

    model_config = ConfigDict(frozen=True, arbitrary_types_allowed=True)

    expectations: tuple[Expectation, ...]
    written: dict[str, Any]
    file: InputFile


def read_suite(rules: Path, shipped: Path) -> Suite:
    """Read the suite of a rules folder, or, where that has none, the one that ships. AuditError names file and line."""
    path = next((folder for folder in (rules, shipped) if (folder / SUITE_FOLDER).exists()), shipped)
    path = path / SUITE_FOLDER / SUITE_FILE
    content, file = read_file(path, f"{SUITE_FOLDER}/{SUITE_FILE}", "the suite of export health ")
    source = read_source(content, file.name)
    read = as_model(source, _File, "a suite with name and expectations")
    ids = [expectation.meta.id for expectation in read.expectations]
    for index, name in enumerate(ids):
        if name in ids[:index]:
            line = source.line(("expectations", index, "meta", "id"))
            raise AuditError(
                f"{source.name}, line {line}: the id {quoted(name)} is taken; every expectation needs its own"
            )
    return Suite(expectations=read.expectations, written=source.data, file=file)
