"""Mapping files: how the files or tables of a foreign export become the canonical tables.

The models are the syntax of a mapping file. Nothing is guessed when it is used: what it doesn't say is refused.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Annotated, Any, Final, Literal, Self

from pydantic import BeforeValidator, Field, Strict, StringConstraints, model_validator

from audit.errors import AuditError
from audit.intake.clocks import is_zone
from audit.intake.export import InputFile
from audit.intake.names import Aliases
from audit.intake.small_files import read_file
from audit.intake.tables import NAMES, PLACES, TABLES, Column, Table
from audit.intake.time_formats import ISO, Format, compile_format
from audit.yaml.faults import MOST_FAULTS, Misplaced, Part, as_model, did_you_mean, quoted
from audit.yaml.source import KeyPath, Source, read_source, written

Encoding = Literal["utf-8", "utf-8-sig", "utf-16", "cp1252", "cp1250", "iso-8859-1", "iso-8859-15", "cp850", "cp437"]
Separator = Literal[",", ";", "\t", "|"]
Unit = Literal[
    "hours", "minutes", "days", "hours-and-minutes", "hours.minutes", "celsius", "fahrenheit", "percent", "share"
]

_UNITS: Final[Mapping[str, tuple[str, ...]]] = {
    "flight_hours": ("hours", "minutes", "days", "hours-and-minutes", "hours.minutes"),
    "ambient_c": ("celsius", "fahrenheit"),
    "humidity_pct": ("percent", "share"),
}

Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
Literally = Annotated[str, StringConstraints(min_length=1)]
Scalar = str | int | float | bool
Rows = Annotated[int, Strict(), Field(ge=0, le=1000)]


def plain(value: Scalar) -> str:
    """A value of the file as the text that a cell would have."""
    return str(value).lower() if isinstance(value, bool) else str(value)


def _one_or_several(value: Any) -> Any:
    return [value] if isinstance(value, str) else value


def _by_name(value: Any) -> Any:
    return {"column": value} if isinstance(value, str) else value


Names = Annotated[tuple[Text, ...], BeforeValidator(_one_or_several), Field(min_length=1)]
Formats = Annotated[tuple[Text, ...], BeforeValidator(_one_or_several), Field(min_length=1)]


class Piece(Part):
    """A column of the export, or a part of its cells."""

    column: Text | None = Field(default=None, description="Name of the column in the export")
    before: Literally | None = Field(default=None, description="What stands before this text; all without it")
    after: Literally | None = Field(default=None, description="Only what stands after this text; nothing without it")
    values: dict[str, Scalar] | None = Field(default=None, description="What each value of the export is called here")
    others: Literal["refuse", "keep"] = Field(default="refuse", description="What becomes of values that aren't listed")


class ColumnSource(Piece):
    """Where the cells of a canonical column come from, and how they are written there."""

    join: Annotated[tuple[Annotated[Piece, BeforeValidator(_by_name)], ...], Field(min_length=2)] | None = Field(
        default=None, description="Several columns made one"
    )
    with_: str | None = Field(default=None, alias="with", description="What to put between joined columns; a space")
    constant: Scalar | None = Field(default=None, description="The same value in every row")
    formats: Formats | None = Field(default=None, description="Formats of dates or times, tried in order")
    zone: Text | None = Field(default=None, description="IANA name, or a column of stations")
    not_before: Text | None = Field(default=None, description="If earlier than this column, of the next day")
    decimal: Literal[".", ","] | None = None
    thousands: Literal[".", ",", " ", "'"] | None = None
    unit: Unit | None = Field(default=None, description="What the number counts; it becomes hours, °C or %")
    separator: Literally | None = Field(default=None, description="What stands between the entries of a list")
    doubt: Text | None = Field(
        default=None, description="What is still to be decided; nothing is read while it is there"
    )

    @model_validator(mode="after")
    def _comes_from_one_place(self) -> Self:
        given = [name for name in ("column", "join", "constant") if getattr(self, name) is not None]
        if len(given) != 1:
            raise ValueError(f"expected one of column, join and constant, got {' and '.join(given) or 'none'}")
        faults: list[tuple[KeyPath, str]] = []
        if self.join is None and self.with_ is not None:
            faults.append((("with",), "this goes with `join`"))
        if self.column is None:
            which = [name for name in ("before", "after") if getattr(self, name) is not None]
            faults += [((name,), "this goes with `column`") for name in which]
        for number, piece in enumerate(self.join or ()):
            if piece.column is None:
                faults.append((("join", number), "expected the name of a column, or keys with `column`"))
        if faults:
            raise Misplaced(faults)
        return self

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns of the export that are read for it."""
        pieces: tuple[Piece, ...] = self.join or (self,)
        return tuple(piece.column for piece in pieces if piece.column is not None)


class Reading(Part):
    """How files and cells are written, unless a column says otherwise."""

    encoding: Encoding | None = Field(default=None, description="Encoding of text files; utf-8 if not given")
    separator: Separator | None = Field(default=None, description="What stands between cells of text files; a comma")
    skip_rows: Rows | None = Field(default=None, description="Lines or rows above the header")
    header_rows: Annotated[int, Strict(), Field(ge=0, le=5)] | None = Field(
        default=None, description="Rows of the header, 1 if not given; without a header columns are called 1, 2, 3"
    )
    footer_rows: Rows | None = Field(default=None, description="Rows at the end that are not records")
    blank: tuple[str, ...] | None = Field(default=None, description="Texts that stand for a missing value")
    times: Formats | None = Field(default=None, description="Formats of times; iso if not given")
    dates: Formats | None = Field(default=None, description="Formats of dates; iso if not given")
    zone: Text | None = Field(default=None, description="Time zone of times without one")
    decimal: Literal[".", ","] | None = Field(default=None, description="Decimal sign; a point if not given")
    thousands: Literal[".", ",", " ", "'"] | None = Field(default=None, description="Thousands sign; none if not given")


class Feed(Reading):
    """Something that rows of a canonical table are read from."""

    files: Names | None = Field(default=None, description="File names; * stands for any text, ? for a sign")
    sheet: Text | None = Field(default=None, description="Name of the workbook's sheet; * and ? as in files")
    table: Text | None = Field(default=None, description="Database table or view, with its schema or without")
    query: Text | None = Field(default=None, description="A SELECT that gives the rows")
    doubt: Text | None = Field(
        default=None, description="What is still to be decided; nothing is read while it is there"
    )
    only: dict[str, Annotated[tuple[Scalar, ...], Field(min_length=1)]] | None = Field(
        default=None, description="Only the rows in which each of these columns has one of these values"
    )
    columns: dict[str, Annotated[ColumnSource, BeforeValidator(_by_name)]] = Field(
        description="Where each column of the canonical table comes from"
    )

    @model_validator(mode="after")
    def _reads_one_thing(self) -> Self:
        given = [name for name in ("files", "table", "query") if getattr(self, name) is not None]
        if len(given) != 1:
            raise ValueError(f"expected one of files, table and query, got {' and '.join(given) or 'none'}")
        faults: list[tuple[KeyPath, str]] = []
        if self.files is None:
            of_files = ("sheet", "encoding", "separator", "skip_rows", "header_rows", "footer_rows")
            faults += [((name,), "this goes with `files`") for name in of_files if getattr(self, name) is not None]
        for pattern in self.files or ():
            if _leaves_the_export(pattern):
                faults.append((("files",), f"expected names inside the export, got {quoted(pattern)}"))
        if self.query is not None and ";" in self.query.strip().rstrip(";"):
            faults.append((("query",), "expected one SELECT, without a `;` inside"))
        elif self.query is not None and not self.query.lstrip("( \n\t").lower().startswith(("select", "with")):
            faults.append((("query",), f"expected a SELECT, got {quoted(self.query)}"))
        if faults:
            raise Misplaced(faults)
        return self


def _leaves_the_export(pattern: str) -> bool:
    parts = pattern.replace("\\", "/").split("/")
    absolute = PurePosixPath(pattern).is_absolute() or PureWindowsPath(pattern).drive or pattern.startswith("\\")
    return bool(absolute) or ".." in parts or "\0" in pattern


class NamesOfAKind(Part):
    """Names of aircraft, boots, people and so on that are nearly equal: spellings of one, or rightly several."""

    same: dict[Text, Text] = Field(default={}, description="Other spellings, each with the name that it stands for")
    distinct: tuple[Annotated[tuple[Text, ...], Field(min_length=2)], ...] = Field(
        default=(), description="Groups of names that are nearly equal, and not the same"
    )


class MappingFile(Part):
    """A mapping file: for each canonical table, what its rows are read from. Without tables the export is canonical."""

    title: Text = Field(description="Which kind of export this is for")
    defaults: Reading = Reading()
    names: dict[str, NamesOfAKind] = Field(default={}, description="What nearly equal names stand for, by their kind")
    tables: dict[str, Annotated[tuple[Feed, ...], Field(min_length=1)]] = Field(default={})

    @model_validator(mode="after")
    def _fits_the_tables(self) -> Self:
        if faults := tuple(islice(self._faults(), MOST_FAULTS)):
            raise Misplaced(faults)
        return self

    def _faults(self) -> Iterator[tuple[KeyPath, str]]:
        yield from self._name_faults()
        if not self.tables and self.names:
            return
        if "tasks" not in self.tables:
            yield ("tables",), "expected `tasks` among the tables: there is nothing to audit without task records"
        yield from _faulty_formats(("defaults",), self.defaults)
        if self.defaults.zone is not None and not is_zone(self.defaults.zone):
            yield ("defaults", "zone"), f"expected a time zone of the IANA database, got {quoted(self.defaults.zone)}"
        for name, feeds in self.tables.items():
            if name not in TABLES:
                known = ", ".join(TABLES)
                yield ("tables", name), f"no such table{did_you_mean(name, TABLES)}; expected one of {known}"
                continue
            for number, feed in enumerate(feeds):
                at: KeyPath = ("tables", name, number)
                yield from _faulty_formats(at, feed)
                yield from _faulty_zone(at, feed.zone, TABLES[name])
                for below, sentence in self._column_faults(TABLES[name], feed):
                    yield (*at, "columns", *below), sentence

    def _name_faults(self) -> Iterator[tuple[KeyPath, str]]:
        for kind, names in self.names.items():
            if kind not in NAMES:
                known = ", ".join(NAMES)
                yield ("names", kind), f"no such names{did_you_mean(kind, NAMES)}; expected one of {known}"
            for other, name in names.same.items():
                if name in names.same:
                    yield ("names", kind, "same", other), f"{quoted(name)} stands for another name itself"

    def _column_faults(self, table: Table, feed: Feed) -> Iterator[tuple[KeyPath, str]]:
        if missing := [name for name in table.required if name not in feed.columns]:
            yield (), f"{table.name} can't do without {', '.join(missing)}"
        for name, source in feed.columns.items():
            if name not in table.columns:
                yield (name,), f"{table.name} have no column {quoted(name)}{did_you_mean(name, table.columns)}"
                continue
            column = table.columns[name]
            for below, sentence in (*_cell_faults(column, source), *_clock_faults(table, feed, column, source)):
                yield (name, *below), sentence
            if column.kind in ("time", "date"):
                yield from self._format_faults(table, feed, column, source)

    def _format_faults(
        self, table: Table, feed: Feed, column: Column, source: ColumnSource
    ) -> Iterator[tuple[KeyPath, str]]:
        place: KeyPath = (column.name, "formats") if source.formats is not None else (column.name,)
        formats = []
        for text in self.formats_of(feed, column, source):
            try:
                formats.append(compile_format(text))
            except ValueError as error:
                if source.formats is not None:
                    yield place, f"{error}, got {quoted(text)}"
                return
        if column.kind == "time" and table.name != "components":
            for format_ in formats:
                if not format_.has_clock:
                    yield place, f"a time needs a time of day, which {quoted(format_.text)} doesn't give"
        yield from ((place, sentence) for sentence in _clashes(formats))

    def formats_of(self, feed: Feed, column: Column, source: ColumnSource) -> tuple[str, ...]:
        """The formats in which the dates or times of a column are written."""
        key = "dates" if column.kind == "date" else "times"
        return source.formats or getattr(feed, key) or getattr(self.defaults, key) or (ISO,)


def _cell_faults(column: Column, source: ColumnSource) -> Iterator[tuple[KeyPath, str]]:
    """What doesn't go with a column of this kind: a key, a word that is none of its choices, a unit."""
    for key, kinds in _FOR_KINDS.items():
        if getattr(source, key) is not None and column.kind not in kinds:
            yield (key,), f"this goes with {' and '.join(_IN_WORDS[kind] for kind in kinds)} only"
    for below, word in _words(source):
        if column.choices and plain(word) not in ("", *column.choices):
            near = did_you_mean(plain(word), column.choices)
            expected = ", ".join(column.choices)
            yield below, f"{quoted(plain(word))} is not a known {column.label}{near}; expected one of {expected}"
    if source.unit is not None and source.unit not in _UNITS.get(column.name, ()):
        units = [f"{name}: {', '.join(known)}" for name, known in _UNITS.items()]
        yield ("unit",), f"{column.name} aren't counted in {source.unit}; expected for {'; for '.join(units)}"


def _clock_faults(table: Table, feed: Feed, column: Column, source: ColumnSource) -> Iterator[tuple[KeyPath, str]]:
    """Clocks that aren't known, and times that are to be no earlier than what is no other time."""
    yield from _faulty_zone((), source.zone, table)
    by = source.zone or feed.zone
    if column.kind == "time" and by in PLACES.get(table.name, ()) and by not in feed.columns:
        yield (), f"its clock is that of the {by}, which isn't among the columns"
    others = {name for name in feed.columns if name in table.columns and table.columns[name].kind == "time"}
    if source.not_before is not None and source.not_before not in others - {column.name}:
        yield ("not_before",), f"expected another time of {table.name}, got {quoted(source.not_before)}"


def _clashes(formats: Sequence[Format]) -> Iterator[str]:
    """Why several formats of one column can't stand next to each other."""
    shapes = {format_.text for format_ in formats}
    if ambiguous := [format_.text for format_ in formats if "%m" in format_.fields and format_.swapped in shapes]:
        yield f"day and month can't be told apart by {' and '.join(map(quoted, ambiguous))}: leave one"
    if len(formats) > 1 and ISO in shapes:
        yield "expected iso alone, or no iso: it reads times with an offset and without"
    if len({format_.has_zone for format_ in formats}) > 1:
        yield "expected an offset (%z) in every format, or in none"


def _words(source: ColumnSource) -> Iterator[tuple[KeyPath, Scalar]]:
    """The words that cells are translated into as a whole."""
    if source.constant is not None:
        yield ("constant",), source.constant
    if source.column is not None:
        yield from ((("values", value), word) for value, word in (source.values or {}).items())


_FOR_KINDS: Final[Mapping[str, tuple[str, ...]]] = {
    "formats": ("time", "date"),
    "zone": ("time",),
    "not_before": ("time",),
    "decimal": ("number", "count"),
    "thousands": ("number", "count"),
    "unit": ("number",),
    "separator": ("codes",),
}
_IN_WORDS: Final = {"time": "times", "date": "dates", "number": "numbers", "count": "counts", "codes": "lists"}


def _faulty_formats(at: KeyPath, reading: Reading) -> Iterator[tuple[KeyPath, str]]:
    for key in ("times", "dates"):
        for text in getattr(reading, key) or ():
            try:
                compile_format(text)
            except ValueError as error:
                yield (*at, key), f"{error}, got {quoted(text)}"


def _faulty_zone(at: KeyPath, zone: str | None, table: Table) -> Iterator[tuple[KeyPath, str]]:
    places = PLACES.get(table.name, ())
    if zone is not None and zone not in places and not is_zone(zone):
        among = f", or one of {', '.join(places)}" if places else ""
        yield (*at, "zone"), f"expected a time zone of the IANA database{among}, got {quoted(zone)}"


@dataclass(frozen=True)
class ExportMapping:
    """A mapping that was read from a file: what it says, and where it says so."""

    file: InputFile
    written: MappingFile
    lines: Source

    @property
    def aliases(self) -> Aliases:
        """What it says of names that are nearly equal."""
        names = self.written.names
        return Aliases(
            {kind: of_kind.same for kind, of_kind in names.items()},
            {kind: tuple(map(frozenset, of_kind.distinct)) for kind, of_kind in names.items()},
        )

    def doubts(self) -> Iterator[tuple[KeyPath, str]]:
        """What is still to be decided, and where."""
        for table, feeds in self.written.tables.items():
            for number, feed in enumerate(feeds):
                at: KeyPath = ("tables", table, number)
                if feed.doubt is not None:
                    yield at, feed.doubt
                for column, source in feed.columns.items():
                    if source.doubt is not None:
                        yield (*at, "columns", column), source.doubt

    def place(self, path: KeyPath) -> str:
        """Where something stands in the mapping file, as the beginning of a sentence."""
        return f"{self.file.name}, line {self.lines.line(path)}: {written(path)}"

    def setting(self, feed: Feed, key: str) -> Any:
        """What the feed says of a key of `Reading`, or else the defaults; None where neither says anything."""
        own = getattr(feed, key)
        return own if own is not None else getattr(self.written.defaults, key)

    def formats(self, feed: Feed, column: Column, source: ColumnSource) -> tuple[Format, ...]:
        """The formats in which the dates or times of a column are written."""
        return tuple(compile_format(text) for text in self.written.formats_of(feed, column, source))


def load_mapping(path: Path) -> ExportMapping:
    """Read a mapping file to be used. AuditError has a line for each fault: file, line, path, what was expected; and
    for each doubt that is open in it."""
    content, _ = read_file(path, path.name)
    mapping = read_mapping(content, path.name)
    if open_doubts := list(mapping.doubts()):
        raise AuditError(
            *(
                f"{mapping.place((*place, 'doubt'))}: {doubt}; decide it, and take `doubt` away"
                for place, doubt in open_doubts[:MOST_FAULTS]
            )
        )
    return mapping


def read_mapping(content: bytes, name: str) -> ExportMapping:
    """Read the bytes of a mapping file; AuditError as for `load_mapping`."""
    source = read_source(content, name)
    model = as_model(source, MappingFile, "a mapping with title and tables")
    return ExportMapping(InputFile(name, hashlib.sha256(content).hexdigest(), len(content)), model, source)
