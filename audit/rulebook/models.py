"""Rule files as typed values: one frozen model for each rule form.

The models are the syntax of a rule file. What a form means is in `audit.forms`, a module each.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PositiveInt,
    StringConstraints,
    field_validator,
    model_validator,
)

from audit.intake.tables import COMPONENTS, FLIGHTS, TASKS
from audit.rulebook.durations import parse_duration, parse_month_day
from audit.timeline.vocabulary import VOCABULARY

Level = Literal["1", "2", "observation"]
LEVELS: tuple[Level, ...] = get_args(Level)
"""Most serious first: 1 lowers safety and may endanger flight, 2 is any other non-compliance."""

Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
Scalar = str | int | float | bool
Duration = Annotated[timedelta, BeforeValidator(lambda value: parse_duration(str(value)))]
MonthDay = Annotated[tuple[int, int], BeforeValidator(lambda value: parse_month_day(str(value)))]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class OtherColumn(_Part):
    """The right-hand side of a comparison that is itself a column of the record."""

    column: str

    @field_validator("column")
    @classmethod
    def _known(cls, value: str) -> str:
        return known_column(value)


Operand = OtherColumn | Scalar

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


class Condition(_Part):
    """What one column must be. Several operators in one condition must all hold."""

    is_: Operand | None = Field(None, alias="is")
    not_: Operand | None = Field(None, alias="not")
    in_: tuple[Scalar, ...] | None = Field(None, alias="in", min_length=1)
    not_in: tuple[Scalar, ...] | None = Field(None, min_length=1)
    present: bool | None = None
    includes_all: tuple[str, ...] | None = Field(None, min_length=1)
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


class Conditions(BaseModel):
    """A condition for each column named, all of which must hold, and alternatives of which one must."""

    model_config = ConfigDict(extra="allow", frozen=True)
    __pydantic_extra__: dict[str, Condition] = Field(init=False)

    any_of: tuple[Conditions, ...] = ()

    @property
    def columns(self) -> Mapping[str, Condition]:
        """The conditions by column name."""
        return self.__pydantic_extra__

    def names(self) -> set[str]:
        """Every column read, alternatives and right-hand sides included."""
        names = set(self.columns)
        for condition in self.columns.values():
            for _, operand in condition.operators():
                if isinstance(operand, OtherColumn):
                    names.add(operand.column)
        return names.union(*(alternative.names() for alternative in self.any_of))

    @model_validator(mode="after")
    def _fits_the_columns(self) -> Self:
        for name, condition in self.columns.items():
            kind = VOCABULARY[known_column(name)].kind
            for operator, operand in condition.operators():
                if kind not in OPERATORS[operator]:
                    raise ValueError(f"{name} is a {kind} column, of which {operator.rstrip('_')} can't be asked")
                check_operand(name, kind, operator, operand)
        return self


def known_column(name: str) -> str:
    """Return the name if a condition may use it; ValueError otherwise (the loader adds the suggestion)."""
    if name not in VOCABULARY:
        raise ValueError(f"unknown column {name!r}")
    return name


def check_operand(name: str, kind: str, operator: str, operand: Any) -> None:
    """Refuse, with ValueError, an operand that could never equal a value of the column."""
    choices = VOCABULARY[name].column.choices
    if isinstance(operand, OtherColumn):
        other = VOCABULARY[operand.column].kind
        if _family(other) != _family(kind):
            raise ValueError(f"{name} ({kind}) can't be compared with {operand.column} ({other})")
        return
    if operator == "present":
        return
    for value in operand if isinstance(operand, tuple) else (operand,):
        if kind in ("number", "count") and (isinstance(value, bool | str)):
            raise ValueError(f"expected a number to compare {name} with, got {value!r}")
        if kind in ("time", "date"):
            try:
                date.fromisoformat(str(value)[:10])
            except ValueError:
                raise ValueError(f"expected an ISO 8601 date to compare {name} with") from None
        if choices and value not in choices:
            raise ValueError(f"{name} is never {value!r}; it is one of {', '.join(choices)}")


def _family(kind: str) -> str:
    return {"count": "number", "date": "time"}.get(kind, kind if kind in ("number", "time") else "text")


class Basis(_Part):
    """Where a requirement comes from; `from` and `to` bound the days on which the source was in force."""

    source: Text
    section: Text | None = None
    note: Text | None = None
    from_: date | None = Field(None, alias="from")
    to: date | None = None


class Example(_Part):
    """A small invented export and what the rule must say of it. Rows name only what matters; the rest has defaults."""

    name: Text
    expect: Literal["complies", "finding", "unjudged", "out-of-scope"]
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


class _Rule(_Part):
    id: Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9]*(-[a-z0-9]+)*$")]
    title: Text
    level: Annotated[Level, BeforeValidator(lambda value: str(value))]
    basis: tuple[Basis, ...] = Field(min_length=1)
    why: Text
    put_right: Text
    caution: Text | None = None
    scope: Conditions = Conditions()
    examples: tuple[Example, ...] = Field(min_length=2)

    @model_validator(mode="after")
    def _shows_both_sides(self) -> Self:
        shown = {example.expect for example in self.examples}
        if not {"complies", "finding"} <= shown:
            raise ValueError("expected an example that complies and one that is a finding")
        return self


class RecordRule(_Rule):
    """Every record in scope meets the requirement."""

    form: Literal["record"]
    require: Conditions


class Event(_Part):
    """Something that happens at an instant: an aircraft's takeoff, or the start of a treatment on the position."""

    event: Literal["takeoff", "treatment"]
    where: Conditions | None = None

    @model_validator(mode="after")
    def _only_treatments_have_conditions(self) -> Self:
        if (self.event == "treatment") != (self.where is not None):
            raise ValueError("expected `where` beside `event: treatment`, and only there")
        return self


class HoldRule(_Rule):
    """Nothing forbidden starts in [end of session, end + duration)."""

    form: Literal["hold"]
    forbid: Event
    duration: Duration = Field(alias="for")


class OrderRule(_Rule):
    """Within a work order and position, the treatment in scope comes last (or first) among the others."""

    form: Literal["order"]
    must_be: Literal["last", "first"]
    among: Conditions


class PrecedeRule(_Rule):
    """An earlier treatment of the same boot is needed, close enough, with nothing in between that undoes it."""

    form: Literal["precede"]
    needs: Conditions
    within: Duration | None = None
    broken_by: tuple[Event, ...] = ()


class Limits(_Part):
    """What may pass between two treatments, whichever comes first. `days` and `months` are of the calendar (UTC)."""

    flight_hours: Annotated[float, Field(gt=0)] | None = None
    cycles: PositiveInt | None = None
    days: PositiveInt | None = None
    months: PositiveInt | None = None

    @model_validator(mode="after")
    def _limits_something(self) -> Self:
        if not self.model_fields_set:
            raise ValueError("expected at least one of flight_hours, cycles, days, months")
        return self


class Season(_Part):
    """A yearly window of UTC dates, both days included; it may span the turn of the year."""

    from_: MonthDay = Field(alias="from")
    to: MonthDay


class Tolerance(_Part):
    """How far from the due point still counts as on time: `percent` of the interval, capped unit by unit."""

    percent: Annotated[float, Field(gt=0, le=100)]
    flight_hours: Annotated[float, Field(gt=0)] | None = None
    cycles: PositiveInt | None = None
    days: PositiveInt | None = None


class IntervalRule(_Rule):
    """Between consecutive treatments of a boot no more passes than allowed."""

    form: Literal["interval"]
    at_most: Limits
    boots: Conditions = Conditions()
    season: Season | None = None
    next_due: Literal["actual", "scheduled", "overrun-deducted"] = "actual"
    tolerance: Tolerance | None = None

    @model_validator(mode="after")
    def _asks_boots_only(self) -> Self:
        for name in self.boots.names():
            if not name.startswith("component."):
                raise ValueError(f"{name} is no property of a boot; use component.* columns here")
        return self


class CoatLimits(_Part):
    """How many coats a session has."""

    at_least: PositiveInt | None = None
    at_most: PositiveInt | None = None


class CountRule(_Rule):
    """A session has the right number of coats."""

    form: Literal["count"]
    coats: CoatLimits


class PauseLimits(_Part):
    """How long to wait from the end of one coat to the start of the next, both limits included."""

    at_least: Duration | None = None
    at_most: Duration | None = None


class SpacingRule(_Rule):
    """The pause between consecutive coats is neither too short nor too long."""

    form: Literal["spacing"]
    pause: PauseLimits


SHARED_COLUMNS: Mapping[str, tuple[str, ...]] = {
    **{table.name: tuple(table.columns) for table in (TASKS, FLIGHTS, COMPONENTS)},
    "stays": ("aircraft", "station"),
}
"""The columns by which things can be compared that overlap in time."""


class OverlapRule(_Rule):
    """Two things that can't both be true don't overlap in time.

    `between` names the two kinds of things: task records, flights, installed components, or stays (an aircraft standing
    at a flight's destination until its next takeoff). `same` and `differing` name columns that both kinds have. `scope`
    restricts the task records.
    """

    form: Literal["overlap"]
    between: tuple[
        Literal["tasks", "flights", "components"],
        Literal["tasks", "flights", "components", "stays"],
    ]
    same: tuple[str, ...] = Field(min_length=1)
    differing: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _names_records_first(self) -> Self:
        if self.between[1] == "tasks" and self.between[0] != "tasks":
            raise ValueError("expected `tasks` first in `between`")
        for kind in self.between:
            known = SHARED_COLUMNS[kind]
            for name in (*self.same, *self.differing):
                if name not in known:
                    raise ValueError(f"{kind} have no column {name!r}; expected one of {', '.join(known)}")
        return self


Rule = Annotated[
    RecordRule | HoldRule | OrderRule | PrecedeRule | IntervalRule | CountRule | SpacingRule | OverlapRule,
    Field(discriminator="form"),
]
AnyRule = RecordRule | HoldRule | OrderRule | PrecedeRule | IntervalRule | CountRule | SpacingRule | OverlapRule
