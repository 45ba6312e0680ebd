"""What every rule says, whatever its form: level, sources, why, how it is put right, scope and examples."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import islice
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import BaseModel, BeforeValidator, Field, StringConstraints, field_validator, model_validator

from audit.intake.tables import READ_BY_RULES
from audit.language.condition import Conditions
from audit.language.events import Remedy
from audit.language.values import Day, Scalar, Text, is_iso
from audit.language.wording import FINDING
from audit.timeline.vocabulary import ONLY_OF
from audit.yaml.faults import MOST_FAULTS, Misplaced, Part, did_you_mean, quoted
from audit.yaml.source import KeyPath

Level = Literal["1", "2", "observation"]
LEVELS: tuple[Level, ...] = get_args(Level)
"""Most serious first: 1 lowers safety and may endanger flight, 2 is any other non-compliance."""


class Basis(Part):
    """Where a requirement comes from; `from` and `to` bound the days on which the source was in force."""

    source: Text
    section: Text | None = None
    note: Text | None = None
    from_: Day | None = Field(None, alias="from")
    to: Day | None = None

    @model_validator(mode="after")
    def _was_in_force(self) -> Self:
        if self.from_ is not None and self.to is not None and self.from_ > self.to:
            raise ValueError("from is after to; this source was never in force")
        return self


class Example(Part):
    """A small invented export and what the rule must say of it. Rows name only what matters; the rest has defaults.

    `corrected_by` names what puts the finding right, as findings.csv does; without it the finding is open.
    """

    name: Text
    expect: Literal["complies", "finding", "unjudged", "out-of-scope"]
    corrected_by: Text | None = None
    known_gap: Text | None = None
    as_of: str | None = None
    tasks: tuple[dict[str, Scalar | None], ...] = ()
    flights: tuple[dict[str, Scalar | None], ...] = ()
    components: tuple[dict[str, Scalar | None], ...] | None = None
    products: tuple[dict[str, Scalar | None], ...] | None = None
    stations: tuple[dict[str, Scalar | None], ...] | None = None
    lots: tuple[dict[str, Scalar | None], ...] | None = None
    people: tuple[dict[str, Scalar | None], ...] | None = None
    manuals: tuple[dict[str, Scalar | None], ...] | None = None
    corrections: tuple[dict[str, Scalar | None], ...] | None = None
    alterations: tuple[dict[str, Scalar | None], ...] | None = None
    not_supplied: tuple[Literal["flights", "components", "products", "stations"], ...] = ()

    @field_validator("as_of")
    @classmethod
    def _is_a_time(cls, value: str | None) -> str | None:
        if value is not None and not is_iso(value):
            raise ValueError(f"expected an ISO 8601 time, such as 2025-11-20T00:00:00Z, got {quoted(value)}")
        return value

    @model_validator(mode="after")
    def _only_findings_are_corrected(self) -> Self:
        if self.corrected_by is not None and self.expect != "finding":
            raise Misplaced(
                [(("corrected_by",), "only a finding can be corrected: expected it beside expect: finding")]
            )
        return self

    @model_validator(mode="after")
    def _rows_have_known_columns(self) -> Self:
        if faults := tuple(islice(self._faults(), MOST_FAULTS)):
            raise Misplaced(faults)
        return self

    def _faults(self) -> Iterator[tuple[KeyPath, str]]:
        for name, table in READ_BY_RULES.items():
            for number, row in enumerate(getattr(self, name) or ()):
                for column, cell in row.items():
                    place = (name, number, column)
                    if column not in table.columns:
                        suggestion = did_you_mean(column, table.columns)
                        yield place, f"{name} have no column {quoted(column)}{suggestion}"
                    # Written back as a cell, 1.10 would be 1.1 and true True.
                    elif isinstance(cell, bool) or (
                        isinstance(cell, float) and table.columns[column].kind not in ("number", "count")
                    ):
                        yield place, f"expected text, got {cell!r}; put it in quotes"
        for name in self.not_supplied:
            if getattr(self, name):
                yield ("not_supplied",), f"{name} can't both be missing and have rows"


class Warning(Part):
    """What can hurt whoever puts it right, kept once in the table of warnings; `name` is what rule files call it.

    One with `hazards`, GHS hazard statements, goes for every product of these too.
    """

    name: Text
    text: Text
    hazards: tuple[Text, ...] = ()


Messages = Annotated[
    Mapping[Text, Text], BeforeValidator(lambda value: {FINDING: value} if isinstance(value, str) else value)
]
"""By kind, what is wrong, with names in braces; one text alone serves every finding."""


def _are_known(value: Any) -> Any:
    if not isinstance(value, list | tuple) or not all(isinstance(one, dict | Warning) for one in value):
        raise ValueError("expected a list of names of warnings, such as [fire-and-static, at-height]")
    return value


Warnings = Annotated[tuple[Warning, ...], BeforeValidator(_are_known)]
"""On loading a warning takes the place of its name."""


class Rule(Part):
    """A rule of any form. Its form's own model adds what only that form asks."""

    id: Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9]*(-[a-z0-9]+)*$")]
    title: Text
    level: Annotated[Level, BeforeValidator(lambda value: str(value))]
    basis: tuple[Basis, ...] = Field(min_length=1)
    why: Text
    put_right: Text
    warning: Warnings = ()
    message: Messages = Field({}, json_schema_extra={"minProperties": 1})
    scope: Conditions = Conditions()
    corrected_by: tuple[Remedy, ...] = ()
    examples: tuple[Example, ...] = Field(min_length=2)
    form: str

    @model_validator(mode="after")
    def _shows_both_sides(self) -> Self:
        # A known gap isn't judged as it says: it shows neither.
        shown = {example.expect for example in self.examples if example.known_gap is None}
        if not {"complies", "finding"} <= shown:
            raise Misplaced([(("examples",), "expected an example that complies and one that is a finding")])
        return self

    @model_validator(mode="after")
    def _names_what_it_looks_at(self) -> Self:
        of = getattr(self, "of", "tasks")
        faults = [
            (path, f"{name} is asked of {ONLY_OF[name.partition('.')[0]]} only: this is a rule of {of}")
            for path, conditions in selections(self)
            for name in sorted(conditions.names())
            if ONLY_OF.get(name.partition(".")[0], of) != of
        ]
        if faults:
            raise Misplaced(faults)
        return self


def selections(part: BaseModel, path: KeyPath = ()) -> Iterator[tuple[KeyPath, Conditions]]:
    """All conditions in a rule or a part of one, with their paths in the file, in the order of the model."""
    for name, field in type(part).model_fields.items():
        value, place = getattr(part, name), (*path, field.alias or name)
        if isinstance(value, Conditions):
            yield place, value
        elif isinstance(value, BaseModel):
            yield from selections(value, place)
        elif isinstance(value, tuple) and name not in ("examples", "basis"):
            for number, item in enumerate(value):
                if isinstance(item, BaseModel):
                    yield from selections(item, (*place, number))


def conditions_of(rule: Rule) -> tuple[Conditions, ...]:
    """All conditions by which a rule judges."""
    return tuple(conditions for path, conditions in selections(rule) if path[0] != "corrected_by")


def remedies_of(rule: Rule) -> tuple[Conditions, ...]:
    """All conditions of later work that puts its findings right."""
    return tuple(remedy.where for remedy in rule.corrected_by if remedy.where is not None)
