"""Rule files as typed values: one frozen model for each rule form.

The models are the syntax of a rule file. What a form means is in `audit.forms`, a module each.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from datetime import date, datetime, timedelta
from itertools import islice
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    Strict,
    StringConstraints,
    Tag,
    field_validator,
    model_validator,
)

from audit.intake.tables import COMPONENTS, FLIGHTS, TABLES, TASKS
from audit.rulebook.durations import parse_duration, parse_month_day
from audit.timeline.vocabulary import VOCABULARY
from audit.yaml.faults import CLOSED, MOST_FAULTS, Misplaced, Part, did_you_mean, quoted
from audit.yaml.source import Path

Level = Literal["1", "2", "observation"]
LEVELS: tuple[Level, ...] = get_args(Level)
"""Most serious first: 1 lowers safety and may endanger flight, 2 is any other non-compliance."""


def _parsed(parse: Callable[[str], Any]) -> Callable[[Any], Any]:
    """`parse` for a value of any type, which its ValueError then shows."""

    def read(value: Any) -> Any:
        try:
            return parse(str(value))
        except ValueError as error:
            raise ValueError(f"{error}, got {quoted(value)}") from None

    return read


def _parse_day(text: str) -> date:
    if not _is_iso(text) or len(text) != len("2025-11-03"):
        raise ValueError("expected a date, such as 2025-11-03")
    return date.fromisoformat(text)


Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
Scalar = str | int | float | bool
# Strict, or `true` would count as 1 and `'3'` as 3, which editors mark as wrong.
Count = Annotated[int, Strict(), Field(gt=0, le=1_000_000)]
Amount = Annotated[float, Strict(), Field(gt=0, le=1_000_000, allow_inf_nan=False)]
Duration = Annotated[timedelta, BeforeValidator(_parsed(parse_duration))]
MonthDay = Annotated[tuple[int, int], BeforeValidator(_parsed(parse_month_day))]
Day = Annotated[date, BeforeValidator(_parsed(_parse_day))]


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
    """What a list column of the record asks for by a table, beside what is always asked for."""

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
            raise ValueError(f"{value} is no list of codes")
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
        return {items: tuple(codes) for items, codes in asked.items() if not has & set(items)}

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

    @model_validator(mode="after")
    def _fits_the_columns(self) -> Self:
        if faults := tuple(islice(self._faults(), MOST_FAULTS)):
            raise Misplaced(faults)
        return self

    def _faults(self) -> Iterator[tuple[Path, str]]:
        for number, alternative in enumerate(self.any_of):
            if not alternative.names():
                yield ("any_of", number), "expected at least one condition; an alternative without any always holds"
        for name, condition in self.columns.items():
            try:
                kind = VOCABULARY[known_column(name)].kind
            except ValueError as error:
                yield (name,), str(error)
                continue
            for operator, operand in condition.operators():
                word = operator.rstrip("_")
                if kind not in OPERATORS[operator]:
                    yield (name, word), f"{name} is a {kind} column, of which {word} can't be asked"
                    continue
                try:
                    check_operand(name, kind, operator, operand)
                except ValueError as error:
                    yield (name, word), str(error)


def known_column(name: str) -> str:
    """Return the name if a condition may use it; ValueError, with the likely one, otherwise."""
    if name not in VOCABULARY:
        raise ValueError(f"unknown column {quoted(name)}{did_you_mean(name, (*VOCABULARY, 'any_of'))}")
    return name


def check_operand(name: str, kind: str, operator: str, operand: Any) -> None:
    """Refuse, with ValueError, an operand that could never equal a value of the column."""
    if isinstance(operand, OtherColumn):
        other = VOCABULARY[operand.column].kind
        if operator in ("in_", "not_in"):
            if other != "codes":
                word = {"in_": "is", "not_in": "not"}[operator]
                raise ValueError(f"{operand.column} ({other}) is no list; ask {word}")
        elif other == "codes":
            raise ValueError(f"{operand.column} is a list; ask in or not_in")
        if _family(other) != _family(kind):
            raise ValueError(f"{name} ({kind}) can't be compared with {operand.column} ({other})")
        return
    if isinstance(operand, Needed):
        if name != "ppe_worn":
            raise ValueError(f"what protects against hazards is asked of ppe_worn, not of {name}")
        return
    if operator == "present":
        return
    choices = VOCABULARY[name].column.choices
    for value in operand if isinstance(operand, tuple) else (operand,):
        match _family(kind):
            case "number":
                if isinstance(value, bool | str) or not math.isfinite(value):
                    raise ValueError(f"expected a number to compare {name} with, got {quoted(value)}")
            case "time":
                if not _is_iso(value):
                    raise ValueError(f"expected an ISO 8601 date or time to compare {name} with, got {quoted(value)}")
            case _:
                # 1.10 is read as the number 1.1 and `true` as a truth value: neither equals the text in a cell.
                if isinstance(value, bool | float):
                    raise ValueError(f"expected text to compare {name} with, got {value!r}; put it in quotes")
                # Cells are read without the spaces around them, and a blank one is missing.
                if str(value).strip() != str(value) or value == "":
                    hint = "ask `present` for blank cells, and put no spaces around a value"
                    raise ValueError(f"{name} is never {quoted(value)}; {hint}")
        if choices and value not in choices:
            suggestion = did_you_mean(str(value), choices)
            raise ValueError(f"{name} is never {quoted(value)}{suggestion}; it is one of {', '.join(choices)}")


def _is_iso(value: Any) -> bool:
    text = str(value)
    try:
        date.fromisoformat(text[:10])
        datetime.fromisoformat(text)
    except ValueError:
        return False
    # Python also reads 20240131 and week dates, in which people and other tools see something else.
    return text[4:5] == "-" and text[7:8] == "-"


def _family(kind: str) -> str:
    return {"count": "number", "date": "time"}.get(kind, kind if kind in ("number", "time") else "text")


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
    not_supplied: tuple[Literal["flights", "components", "products", "stations"], ...] = ()

    @field_validator("as_of")
    @classmethod
    def _is_a_time(cls, value: str | None) -> str | None:
        if value is not None and not _is_iso(value):
            raise ValueError(f"expected an ISO 8601 time, such as 2025-11-20T00:00:00Z, got {quoted(value)}")
        return value

    @model_validator(mode="after")
    def _rows_have_known_columns(self) -> Self:
        if faults := tuple(islice(self._faults(), MOST_FAULTS)):
            raise Misplaced(faults)
        return self

    def _faults(self) -> Iterator[tuple[Path, str]]:
        for name, table in TABLES.items():
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


class _Rule(Part):
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
        # A known gap isn't judged as it says: it shows neither.
        shown = {example.expect for example in self.examples if example.known_gap is None}
        if not {"complies", "finding"} <= shown:
            raise Misplaced([(("examples",), "expected an example that complies and one that is a finding")])
        return self


class RecordRule(_Rule):
    """Every record in scope meets the requirement."""

    form: Literal["record"]
    require: Conditions

    @field_validator("require")
    @classmethod
    def _requires_something(cls, value: Conditions) -> Conditions:
        if not value.names():
            raise ValueError("expected at least one condition; this rule could never find anything")
        return value


class Event(Part):
    """Something that happens at an instant: an aircraft's takeoff, or the start of a treatment on the position."""

    event: Literal["takeoff", "treatment"]
    where: Conditions | None = None

    @model_validator(mode="after")
    def _only_treatments_have_conditions(self) -> Self:
        if (self.event == "treatment") != (self.where is not None):
            raise ValueError("expected `where` beside `event: treatment`, and only there")
        return self


class Season(Part):
    """A yearly window of UTC dates, both days included; it may span the turn of the year."""

    from_: MonthDay = Field(alias="from")
    to: MonthDay


class HoldRule(_Rule):
    """Nothing forbidden starts in [end of session, end + duration), or before a treatment that releases the boot.

    `over` keeps the sessions that came over an earlier treatment of the boot; `season` those that began in a season,
    over one of that season, and what happens in it.
    """

    form: Literal["hold"]
    forbid: Event
    duration: Duration | None = Field(None, alias="for")
    until: Conditions | None = None
    over: Conditions | None = None
    season: Season | None = None

    @field_validator("duration")
    @classmethod
    def _lasts(cls, value: timedelta | None) -> timedelta | None:
        if value is not None and not value:
            raise ValueError("expected a duration longer than nothing; this rule could never find anything")
        return value

    @field_validator("until", "over")
    @classmethod
    def _names_a_treatment(cls, value: Conditions | None) -> Conditions | None:
        if value is not None and not value.names():
            raise ValueError("expected at least one condition, or any record would be that treatment")
        return value

    @model_validator(mode="after")
    def _ends(self) -> Self:
        if self.duration is None and self.until is None:
            raise ValueError("expected `for` or `until`: a time or a treatment that ends the hold")
        return self


class OrderRule(_Rule):
    """Within a work order and position, the treatment in scope comes last (or first) among the others."""

    form: Literal["order"]
    must_be: Literal["last", "first"]
    among: Conditions


class Precedent(Part):
    """An earlier treatment of the same boot: close enough, with nothing in between that undoes it."""

    needs: Conditions
    within: Duration | None = None
    broken_by: tuple[Event, ...] = ()


class PrecedeRule(_Rule):
    """An earlier treatment of the same boot is needed, close enough, with nothing in between that undoes it.

    Each of `or_else` does as well.
    """

    form: Literal["precede"]
    needs: Conditions
    within: Duration | None = None
    broken_by: tuple[Event, ...] = ()
    or_else: Annotated[tuple[Precedent, ...], Field(min_length=1)] = ()

    @property
    def precedents(self) -> tuple[Precedent, ...]:
        """The treatments of which one must have come before."""
        first = Precedent.model_construct(needs=self.needs, within=self.within, broken_by=self.broken_by)
        return first, *self.or_else


class Limits(Part):
    """What may pass between two treatments, whichever comes first. `days` and `months` are of the calendar (UTC)."""

    flight_hours: Amount | None = None
    cycles: Count | None = None
    days: Count | None = None
    months: Count | None = None

    @model_validator(mode="after")
    def _limits_something(self) -> Self:
        if not self.model_fields_set:
            raise ValueError("expected at least one of flight_hours, cycles, days, months")
        return self


class Tolerance(Part):
    """How far from the due point still counts as on time: `percent` of the interval, capped unit by unit."""

    percent: Annotated[Amount, Field(le=100)]
    flight_hours: Amount | None = None
    cycles: Count | None = None
    days: Count | None = None


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
        _check_boots(self.boots)
        return self


def _check_boots(boots: Conditions) -> None:
    foreign = sorted(name for name in boots.names() if not name.startswith("component."))
    if foreign:
        sentence = f"{', '.join(foreign)} is no property of a boot; use component.* columns here"
        raise Misplaced([(("boots",), sentence)])


def _check_limits(at_least: Any, at_most: Any) -> None:
    if at_least is None and at_most is None:
        raise ValueError("expected at_least or at_most")
    if at_least is not None and at_most is not None and at_least > at_most:
        raise ValueError("at_least is more than at_most; nothing could comply")


class Number(Part):
    """How many there may be, both limits included."""

    at_least: Count | None = None
    at_most: Count | None = None

    @model_validator(mode="after")
    def _can_be_met(self) -> Self:
        _check_limits(self.at_least, self.at_most)
        return self


class CountRule(_Rule):
    """A session has the right number of coats, or a boot that flew in a season the right number of sessions in it.

    `boots` restricts the boots of which sessions are counted.
    """

    form: Literal["count"]
    coats: Number | None = None
    sessions: Number | None = None
    season: Season | None = None
    boots: Conditions = Conditions()

    @model_validator(mode="after")
    def _counts_one_thing(self) -> Self:
        if (self.coats is None) == (self.sessions is None):
            raise ValueError("expected either `coats` or `sessions`")
        if (self.sessions is None) != (self.season is None):
            raise ValueError("expected `season` beside `sessions`, and only there")
        if self.sessions is None and self.boots.names():
            raise Misplaced([(("boots",), "expected `boots` beside `sessions` only; coats are chosen by `scope`")])
        _check_boots(self.boots)
        return self


class PauseLimits(Part):
    """How long to wait from the end of one coat to the start of the next, both limits included."""

    at_least: Duration | None = None
    at_most: Duration | None = None

    @model_validator(mode="after")
    def _can_be_met(self) -> Self:
        _check_limits(self.at_least, self.at_most)
        return self


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
            raise Misplaced([(("between",), "expected `tasks` first")])
        if faults := tuple(islice(self._faults(), MOST_FAULTS)):
            raise Misplaced(faults)
        return self

    def _faults(self) -> Iterator[tuple[Path, str]]:
        for key, names in (("same", self.same), ("differing", self.differing)):
            for number, name in enumerate(names):
                for kind in self.between:
                    known = SHARED_COLUMNS[kind]
                    if name not in known:
                        sentence = f"{kind} have no column {quoted(name)}{did_you_mean(name, known)}"
                        yield (key, number), f"{sentence}; expected one of {', '.join(known)}"


Rule = Annotated[
    RecordRule | HoldRule | OrderRule | PrecedeRule | IntervalRule | CountRule | SpacingRule | OverlapRule,
    Field(discriminator="form"),
]
AnyRule = RecordRule | HoldRule | OrderRule | PrecedeRule | IntervalRule | CountRule | SpacingRule | OverlapRule
