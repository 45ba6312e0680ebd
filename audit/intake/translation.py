"""Foreign cells into canonical ones, by a mapping: names, values, signs and formats, nothing more.

What can't be translated is at fault, and keeps its name and text as they were written. Where values repeat, the word
list is translated and not the rows.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.types as kinds
from numpy.typing import NDArray

from audit.errors import AuditError
from audit.intake.cell_faults import Faults
from audit.intake.cells import PLAIN_KINDS, WORDS, Cells, Grid, Translated
from audit.intake.mapping import ColumnSource, ExportMapping, Feed, Piece, plain
from audit.intake.parquet_files import resolved_type, typed_as_text
from audit.intake.plausibility import check_days, check_order
from audit.intake.refusing import refusing
from audit.intake.tables import Column, Table
from audit.intake.time_formats import DAYS_SINCE_1900, ISO, Format, read_times
from audit.intake.words import canonical
from audit.yaml.faults import did_you_mean
from audit.yaml.source import KeyPath

UNLISTED: Final = "not one of the values that the mapping translates"

_NULL: Final = pa.scalar(None, pa.string())
_CONVERT: Final[Mapping[str, Callable[[Fraction], Fraction]]] = {
    "minutes": lambda minutes: minutes / 60,
    "days": lambda days: days * 24,
    "fahrenheit": lambda degrees: (degrees - 32) * Fraction(5, 9),
    "share": lambda share: share * 100,
}
"""What is made of numbers that don't count hours, °C or %."""
_CLOCK: Final = re.compile(r"(\d+):([0-5]\d)(?::([0-5]\d))?")
_LONGEST_NUMBER: Final = 30

Words = Callable[[pa.StringArray], tuple[pa.StringArray, Sequence[int], str]]
"""A step: the word list translated, which words are at fault, and why."""


@dataclass(frozen=True)
class Recipe:
    """What a feed asks of one table: the mapping, the feed and its place in it, and the canonical columns wanted."""

    mapping: ExportMapping
    feed: Feed
    place: KeyPath
    table: Table
    columns: Mapping[str, ColumnSource]

    def choose(self, header: Sequence[str], file: str) -> dict[str, Any]:
        """The columns of a file that are read, with the Arrow type of each. AuditError for one that isn't there."""
        known: dict[str, list[str]] = {}
        for name in header:
            known.setdefault(_name(name), []).append(name)
        types: dict[str, Any] = {}
        for path, name, is_plain in self._asked_for():
            found = known.get(_name(name), [])
            if len(found) != 1:
                there = f"has the column `{name}` {len(found)} times" if found else f"has no column `{name}`"
                hint = "" if found else did_you_mean(name, known) or _instead(known)
                raise AuditError(f"{self.mapping.place((*self.place, *path))}: {file} {there}{hint}")
            types[found[0]] = pa.string() if is_plain or types.get(found[0]) == pa.string() else WORDS
        return types

    def _asked_for(self) -> Sequence[tuple[KeyPath, str, bool]]:
        asked: list[tuple[KeyPath, str, bool]] = []
        for name, source in self.columns.items():
            is_plain = self.table.columns[name].kind in PLAIN_KINDS and source.values is None
            asked += [(("columns", name), column, is_plain and not source.join) for column in source.columns]
        asked += [(("only", column), column, False) for column in self.feed.only or {}]
        return asked


def recipe(mapping: ExportMapping, name: str, number: int, table: Table, texts: Collection[str]) -> Recipe:
    """The recipe of a table's feed; of its free-text columns only `texts` are wanted."""
    feed = mapping.written.tables[name][number]
    wanted = {
        column: source
        for column, source in feed.columns.items()
        if table.columns[column].kind != "text" or column in texts
    }
    return Recipe(mapping, feed, ("tables", name, number), table, wanted)


def translate(grid: Grid, recipe: Recipe) -> Cells:
    """Translate what was read for a recipe into the cells of its table."""
    rows_there, footer = grid.rows, grid.footer
    dropped = _dropped(grid, recipe)
    grid, kept = _only(grid, recipe)
    by_name = {_name(name): name for name in grid.columns}
    columns, written, faults = {}, {}, []
    for name, source in recipe.columns.items():
        names = [by_name[_name(column)] for column in source.columns]
        cells, found = _column(grid, names, recipe, recipe.table.columns[name], source)
        columns[name] = cells
        written[name] = {column.strip(): grid.columns[column] for column in names}
        faults += [Faults((name,), rows, reason) for rows, reason in found]
        faults += [replace(fault, columns=(name,)) for fault in grid.faults if fault.columns[0] in names]
    zone = recipe.mapping.setting(recipe.feed, "zone")
    times = {name: source for name, source in recipe.columns.items() if recipe.table.columns[name].kind == "time"}
    translated = Translated(
        written=written,
        zones={name: chosen for name, source in times.items() if (chosen := source.zone or zone) is not None},
        not_before={name: source.not_before for name, source in times.items() if source.not_before is not None},
        kept=kept,
        left_out=rows_there - grid.rows + (footer.rows if footer else 0),
        places={name: recipe.mapping.place((*recipe.place, "columns", name)) for name in recipe.columns},
        dropped=dropped,
        entries=partial(_entries, recipe),
    )
    return Cells(
        recipe.table,
        grid.file,
        columns,
        grid.rows,
        grid.lines_of,
        grid.ragged,
        grid.source,
        translated,
        present=frozenset(recipe.feed.columns),
        faults=tuple(fault for fault in faults if len(fault.rows)),
    )


def _dropped(grid: Grid, recipe: Recipe) -> tuple[tuple[int, str], ...]:
    """The rows that the mapping takes for a footer. AuditError for one in which all that a record needs is filled."""
    footer = grid.footer
    if footer is None:
        return ()
    by_name = {_name(name): name for name in grid.columns}
    below = replace(grid, columns=footer.columns)
    texts = {name: _as_text(below, name).cast(pa.string()).fill_null("").to_pylist() for name in below.columns}
    required = [
        [by_name[_name(column)] for column in source.columns]
        for name, source in recipe.columns.items()
        if recipe.table.columns[name].required and source.columns
    ]
    told = []
    # A footer that has all that a record needs may be a record: nothing is left out in silence.
    for row, line in enumerate(footer.lines.tolist()):
        shown = "; ".join(cell for name in texts if (cell := texts[name][row].strip()))
        if all(any(texts[column][row].strip() for column in columns) for columns in required):
            at = recipe.mapping.place((*recipe.place, "footer_rows"))
            raise AuditError(f"{at}: line {line} of {grid.file} would be left out, and is a record: {shown}")
        told.append((line, shown))
    return tuple(sorted([*told, *footer.torn]))


def _name(text: str) -> str:
    """A header is often broken into lines and padded: that is not part of the name."""
    return " ".join(text.split())


def _instead(names: Collection[str]) -> str:
    """The names that a header has; one alone may be a title above the header."""
    named = [name for name in names if name]
    above = "; a title above the header is left out by `skip_rows`" if len(named) == 1 else ""
    return f"; it has {_listed(named)}{above}"


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(f"`{name}`" for name in names[:10])
    return f"{shown} and {len(names) - 10} more" if len(names) > 10 else shown


def _only(grid: Grid, recipe: Recipe) -> tuple[Grid, NDArray[np.intp] | None]:
    """The rows that the feed is about, and their numbers among all."""
    if not recipe.feed.only:
        return grid, None
    by_name = {_name(name): name for name in grid.columns}
    taken = np.ones(grid.rows, dtype=bool)
    for column, values in recipe.feed.only.items():
        _refuse_unread(recipe, column, grid, by_name[_name(column)])
        cells = pc.utf8_trim_whitespace(_as_text(grid, by_name[_name(column)]).cast(pa.string()))
        listed = pa.array([plain(value) for value in values], pa.string())
        _refuse_nearly_listed(recipe, column, listed.to_pylist(), cells.unique().drop_null().to_pylist(), grid.file)
        # All conditions must hold; a blank cell is compared as an empty text.
        taken &= np.asarray(pc.is_in(cells.fill_null(""), value_set=listed))
    mask, kept = pa.array(taken), np.flatnonzero(taken)
    columns = {name: cells.filter(mask) for name, cells in grid.columns.items()}
    typed = {name: marks[kept] for name, marks in grid.typed.items()}
    there = (fault.among(taken) for fault in grid.faults)
    faults = tuple(replace(fault, rows=np.searchsorted(kept, fault.rows)) for fault in there)
    return replace(grid, columns=columns, rows=len(kept), typed=typed, faults=faults, footer=None), kept


def _refuse_unread(recipe: Recipe, column: str, grid: Grid, name: str) -> None:
    """AuditError where a cell that decides whether its row is taken can't be read."""
    for fault in grid.faults:
        if fault.columns == (name,) and len(fault.rows):
            line = grid.lines_of(fault.rows[:1])[0]
            at = recipe.mapping.place((*recipe.place, "only", column))
            raise AuditError(f"{at}: whether line {line} of {grid.file} is meant can't be told: {fault.reason}")


def _refuse_nearly_listed(recipe: Recipe, column: str, listed: Sequence[str], values: Sequence[str], file: str) -> None:
    """AuditError where rows would be left out for a value that is a listed one in another case, or with other spaces.

    One that another feed of the mapping lists as it stands is another.
    """
    feeds = (feed for of_table in recipe.mapping.written.tables.values() for feed in of_table)
    known = {plain(value) for feed in feeds for value in (feed.only or {}).get(column, ())}
    meant = {canonical(value): value for value in listed}
    for value in values:
        if value not in known and canonical(value) in meant:
            at = recipe.mapping.place((*recipe.place, "only", column))
            raise AuditError(
                f"{at}: rows of {file} with `{value}` would be left out, which is nearly `{meant[canonical(value)]}`; "
                "list it, too, or write one of them in the export"
            )


# One column

Misread = list[tuple[NDArray[np.intp], str]]


def _column(
    grid: Grid, names: Sequence[str], recipe: Recipe, column: Column, source: ColumnSource
) -> tuple[pa.ChunkedArray, Misread]:
    feed, mapping = recipe.feed, recipe.mapping
    blank = mapping.setting(feed, "blank") or ()
    if source.constant is not None:
        codes = pa.array(np.zeros(grid.rows, dtype=np.int32))
        return pa.chunked_array([pa.DictionaryArray.from_arrays(codes, [plain(source.constant)])]), []
    formats = mapping.formats(feed, column, source) if column.kind in ("time", "date") else ()
    if grid.since_1904 and any(format_.text == DAYS_SINCE_1900 for format_ in formats):
        at = mapping.place((*recipe.place, "columns", column.name))
        raise AuditError(f"{at}: the workbook of {grid.file} counts its days from 1904: say days-since-1904")
    misread: Misread = []
    # One column of the export, read as it is or translated; or several, joined into one.
    if source.join is None:
        cells, marks = grid.columns[names[0]], grid.typed.get(names[0])
        if formats:
            check_days(_as_text(grid, names[0]).cast(pa.string()), marks, formats, f"{grid.file}: column {names[0]}")
        if _passes_as_it_is(cells, column, source):
            return resolved_type(cells, column, grid.file), []
        if marks is None and not _is_text(cells):
            marks = np.ones(grid.rows, dtype=bool)  # an Arrow column of another type: no cell of it is text
        cells = _piece(_as_text(grid, names[0]), source, blank, column, misread)
    else:
        parts = [
            _piece(_as_text(grid, name), piece, blank, column, misread).cast(pa.string())
            for name, piece in zip(names, source.join, strict=True)
        ]
        # A time without its date is not a time; of other things what is there will do.
        cells, marks = _joined(parts, " " if source.with_ is None else source.with_, needs_all=bool(formats)), None
        if source.values is not None:
            cells = _piece(cells, Piece(values=source.values, others=source.others), (), column, misread)
    read = _by_its_kind(cells, marks, recipe, column, source, misread)
    if any(len(rows) for rows, _ in misread):
        check_order(cells.cast(pa.string()), marks, formats, f"{grid.file}: column {'; '.join(names)}")
    return read, misread


def _by_its_kind(
    cells: pa.ChunkedArray,
    marks: NDArray[np.bool_] | None,
    recipe: Recipe,
    column: Column,
    source: ColumnSource,
    misread: Misread,
) -> pa.ChunkedArray:
    """Times by their formats, numbers by their signs and unit, lists by what stands between their entries."""
    if column.kind in ("time", "date"):
        formats = recipe.mapping.formats(recipe.feed, column, source)
        if [format_.text for format_ in formats] != [ISO]:
            times = _times(cells, marks, column, formats, misread)
            return _days(times, cells, marks, column, formats) if column.kind == "date" else times
    if column.kind in ("number", "count"):
        unit = source.unit or ""
        cells = _beside(
            cells, marks, _number_step(*_signs(recipe, source), unit), _number_step(".", None, unit), misread
        )
    if column.kind == "codes" and source.separator is not None:
        between = rf"\s*{re.escape(source.separator.strip() or source.separator)}\s*"
        cells = _by_words(cells, lambda words: (pc.replace_substring_regex(words, between, "; "), (), ""), misread)
    return cells


def _entries(recipe: Recipe, name: str, texts: Sequence[str]) -> list[str]:
    """Values that somebody wrote as they stand in a column of the export, as canonical text.

    A value is the whole of a column that was joined, and the part of one that was cut. One that is not written so stays
    as it is: it may be canonical text.
    """
    column, source = recipe.table.columns[name], recipe.columns[name]
    if source.constant is not None:
        return list(texts)
    blank = recipe.mapping.setting(recipe.feed, "blank") or ()
    # Whoever entered it wrote the part, not the column it was cut from.
    whole = source.model_copy(update={"before": None, "after": None})
    misread: Misread = []
    cells = _piece(pa.chunked_array([pa.array(texts, pa.string())]), whole, blank, column, misread)
    cells = _by_its_kind(cells, None, recipe, column, whole, misread)
    canonical = (cells if _is_text(cells) else typed_as_text(cells)).cast(pa.string()).fill_null("").to_pylist()
    odd = {row for rows, _ in misread for row in rows.tolist()}
    return [text if row in odd else canonical[row] for row, text in enumerate(texts)]


def _passes_as_it_is(cells: pa.ChunkedArray, column: Column, source: ColumnSource) -> bool:
    """Whether the cells have types of their own, and nothing is to be done to them as text."""
    untouched = source.values is None and source.before is None and source.after is None and source.unit is None
    if _is_text(cells) or not untouched:
        return False
    is_time = kinds.is_date(cells.type) or kinds.is_timestamp(cells.type)
    return is_time if column.kind in ("time", "date") else True


def _is_text(cells: pa.ChunkedArray) -> bool:
    held = cells.type.value_type if kinds.is_dictionary(cells.type) else cells.type
    return bool(kinds.is_string(held) or kinds.is_large_string(held) or kinds.is_string_view(held))


def _as_text(grid: Grid, name: str) -> pa.ChunkedArray:
    cells = grid.columns[name]
    with refusing(f"{grid.file}: column `{name}`"):
        if _is_text(cells):
            return cells.cast(WORDS if kinds.is_dictionary(cells.type) else pa.string())
        return typed_as_text(cells)


def _piece(
    cells: pa.ChunkedArray, piece: Piece, blank: Collection[str], column: Column, misread: Misread
) -> pa.ChunkedArray:
    """Blank what stands for nothing, cut what is requested, translate the values."""
    if blank:
        nothing = pa.array(sorted(blank), pa.string())
        cells = _by_words(
            cells,
            lambda words: (pc.if_else(pc.is_in(pc.utf8_trim_whitespace(words), nothing), _NULL, words), (), ""),
            misread,
        )
    for sign, keep in ((piece.before, "before"), (piece.after, "after")):
        if sign is not None:
            shape = f"(?s)^(?P<before>.*?){re.escape(sign)}(?P<after>.*)$"
            cells = _by_words(cells, partial(_cut, shape=shape, keep=keep), misread)
    if piece.values is not None:
        names = {" ".join(name.split()): plain(value) for name, value in piece.values.items()}
        keep_others = piece.others == "keep"
        separator = getattr(piece, "separator", None) or ";" if column.kind == "codes" else None
        cells = _by_words(cells, lambda words: _renamed(words, names, separator, keep_others), misread)
    return cells


def _cut(words: pa.StringArray, shape: str, keep: str) -> tuple[pa.StringArray, Sequence[int], str]:
    found = pc.extract_regex(words, shape)
    without = words if keep == "before" else pa.scalar("", pa.string())
    return pc.if_else(pc.is_valid(found), pc.struct_field(found, keep), without), (), ""


def _renamed(
    words: pa.StringArray, names: Mapping[str, str], separator: str | None, keep_others: bool
) -> tuple[pa.StringArray, Sequence[int], str]:
    translated: list[str | None] = []
    unlisted = []
    for number, word in enumerate(words.to_pylist()):
        entries = (word or "").split(separator) if separator is not None else [word or ""]
        entries = [" ".join(entry.split()) for entry in entries]
        entries = [entry for entry in entries if entry]
        unknown = [entry for entry in entries if entry not in names]
        # One entry that is not listed puts the whole cell at fault.
        if unknown and not keep_others:
            unlisted.append(number)
            translated.append(None)
        elif not entries:
            # A blank cell may have a meaning too, if the mapping gives it one.
            translated.append(names.get("", word))
        else:
            found = [names.get(entry, entry) for entry in entries]
            translated.append((separator or "").join(entry for entry in found if entry))
    return pa.array(translated, pa.string()), unlisted, UNLISTED


def _joined(parts: Sequence[pa.ChunkedArray], between: str, *, needs_all: bool) -> pa.ChunkedArray:
    trimmed = [pc.utf8_trim_whitespace(part) for part in parts]
    filled = [pc.if_else(pc.equal(part, ""), _NULL, part) for part in trimmed]
    joined = filled[0]
    for part in filled[1:]:
        both = pc.binary_join_element_wise(joined, part, between)
        # Not by Arrow's own `null_handling="skip"`: it forgets the rows in which all are null.
        joined = both if needs_all else pc.coalesce(both, joined, part)
    return joined


def _by_words(cells: pa.ChunkedArray, step: Words, misread: Misread) -> pa.ChunkedArray:
    """Take a step once for each different word."""
    if not kinds.is_dictionary(cells.type):
        cells = cells.dictionary_encode()
    whole = cells.cast(WORDS).unify_dictionaries().combine_chunks()
    if isinstance(whole, pa.ChunkedArray):  # of no rows
        whole = pa.DictionaryArray.from_arrays(pa.array([], pa.int32()), pa.array([], pa.string()))
    words, at_fault, reason = step(whole.dictionary)
    if len(at_fault):
        marked = np.zeros(len(words) + 1, dtype=bool)
        marked[list(at_fault)] = True
        misread.append((np.flatnonzero(marked[whole.indices.fill_null(-1).to_numpy()]), reason))
    if words.null_count:
        # Arrow is at ease with nulls among the codes, not among the words.
        known = pc.is_valid(words)
        codes = pc.if_else(known.take(whole.indices), whole.indices, pa.scalar(None, pa.int32()))
        whole = pa.DictionaryArray.from_arrays(codes, words.fill_null(""))
    else:
        whole = pa.DictionaryArray.from_arrays(whole.indices, words)
    return pa.chunked_array([whole])


def _beside(
    cells: pa.ChunkedArray,
    typed: NDArray[np.bool_] | None,
    step: Words | None,
    typed_step: Words | None,
    misread: Misread,
) -> pa.ChunkedArray:
    """Take a step for the cells that are text, and another for those that have a type and are spelled out."""
    if typed is None or not typed.any():
        return cells if step is None else _by_words(cells, step, misread)
    # Both ways over all cells, and of each cell the one that fits it: a fault counts only there.
    translated = []
    for here, each in ((~typed, step), (typed, typed_step)):
        found: Misread = []
        translated.append((cells if each is None else _by_words(cells, each, found)).cast(pa.string()))
        misread += [(rows[here[rows]], reason) for rows, reason in found]
    return pc.if_else(pa.array(typed), translated[1], translated[0])


# Numbers


def _signs(recipe: Recipe, source: ColumnSource) -> tuple[str, str | None]:
    """The decimal and the thousands sign of a column."""
    decimal = source.decimal or recipe.mapping.setting(recipe.feed, "decimal") or "."
    thousands = source.thousands or recipe.mapping.setting(recipe.feed, "thousands")
    if thousands == decimal:
        raise AuditError(
            f"{recipe.mapping.place(recipe.place)}: the decimal and the thousands sign can't both be `{decimal}`"
        )
    return decimal, thousands


def _number_step(decimal: str, thousands: str | None, unit: str) -> Words | None:
    if unit == "hours-and-minutes":
        return partial(_clock_times, shape=_CLOCK, wanted="h:mm")
    if unit == "hours.minutes":
        shape = re.compile(rf"(\d+)(?:{re.escape(decimal)}([0-5]\d?)?)?()")
        return partial(_clock_times, shape=shape, wanted=f"h{decimal}mm")
    convert = _CONVERT.get(unit)
    if decimal == "." and thousands is None and convert is None:
        return None
    mark = re.escape(thousands) if thousands else None
    # Thousands in groups of three only: 1.234,5 is one number, and 12.34,5 is none.
    grouped = rf"\d{{1,3}}(?:{mark}\d{{3}})+|" if mark else ""
    shape = re.compile(rf"[+-]?(?:{grouped}\d+)(?:{re.escape(decimal)}\d*)?|[+-]?{re.escape(decimal)}\d+")
    reason = f"not a number with {decimal} as decimal sign" + (f" and {thousands} between thousands" if mark else "")

    def step(words: pa.StringArray) -> tuple[pa.StringArray, Sequence[int], str]:
        translated: list[str | None] = []
        odd = []
        for number, word in enumerate(words.to_pylist()):
            text = (word or "").strip()
            if text and (len(text) > _LONGEST_NUMBER or not shape.fullmatch(text)):
                odd.append(number)
                translated.append(None)
                continue
            text = (text.replace(thousands, "") if thousands else text).replace(decimal, ".")
            translated.append(repr(float(convert(Fraction(text)))) if text and convert else text)
        return pa.array(translated, pa.string()), odd, reason

    return step


def _clock_times(
    words: pa.StringArray, shape: re.Pattern[str], wanted: str
) -> tuple[pa.StringArray, Sequence[int], str]:
    """Hours, minutes and perhaps seconds; of minutes the first digit alone is tens (1.3 is 1.30)."""
    translated: list[str | None] = []
    odd = []
    for number, word in enumerate(words.to_pylist()):
        text = (word or "").strip()
        found = shape.fullmatch(text) if len(text) <= _LONGEST_NUMBER else None
        if text and not found:
            odd.append(number)
        hours, minutes, seconds = (part or "0" for part in found.groups()) if found else ("0", "0", "0")
        total = int(hours) * 3600 + int(minutes.ljust(2, "0")) * 60 + int(seconds)
        translated.append(repr(total / 3600) if found else None)
    return pa.array(translated, pa.string()), odd, f"not a duration of the form {wanted}"


# Dates and times


def _times(
    cells: pa.ChunkedArray,
    typed: NDArray[np.bool_] | None,
    column: Column,
    formats: Sequence[Format],
    misread: Misread,
) -> pa.ChunkedArray:
    """Dates and times by their declared formats, as Arrow times: UTC where the format has an offset, else naive."""
    has_zone = formats[0].has_zone
    values, odd = [], []
    start = 0
    for chunk in cells.cast(pa.string()).chunks or [pa.array([], pa.string())]:
        text = pc.utf8_trim_whitespace(chunk)
        text = pc.if_else(pc.equal(text, ""), _NULL, text)
        found, left = read_times(text, formats)
        values.append(found)
        odd.append(left + start)
        start += len(chunk)
    # Cells that have a type in a workbook are dates whatever the format says.
    instants, at_fault = np.concatenate(values), np.concatenate(odd)
    if typed is not None and typed.any():
        at_fault = at_fault[~typed[at_fault]]
        rows = np.flatnonzero(typed)
        instants[rows], odd_rows = _spelled_out(cells.cast(pa.string()).take(pa.array(rows)), formats)
        at_fault = np.concatenate([at_fault, rows[odd_rows]])
    shapes = " or ".join(format_.text for format_ in formats)
    misread.append((np.sort(at_fault), f"not a {column.kind} of the form {shapes}"))
    return pa.chunked_array([pa.array(instants, pa.timestamp("us", "UTC" if has_zone else None))])


def _days(
    in_utc: pa.ChunkedArray,
    cells: pa.ChunkedArray,
    typed: NDArray[np.bool_] | None,
    column: Column,
    formats: Sequence[Format],
) -> pa.ChunkedArray:
    """Times in the place of dates: of one with an offset the day is that which is written, not that in UTC."""
    if in_utc.type.tz is None:
        return in_utc
    wall = _times(cells, typed, column, [replace(format_, wall=True) for format_ in formats], [])
    without_zone = wall.cast(pa.timestamp("us")).cast(pa.string())
    return pc.if_else(pc.equal(wall, in_utc), in_utc.cast(pa.string()), without_zone)


def _spelled_out(cells: pa.ChunkedArray, formats: Sequence[Format]) -> tuple[NDArray[np.datetime64], NDArray[np.intp]]:
    """Cells that are not text in their file: a date or time is one whatever the format, a number may be serial."""
    text = cells.combine_chunks()
    text = text if isinstance(text, pa.StringArray) else pa.array([], pa.string())
    is_time = pc.match_substring_regex(text, r"^\d{4}-\d\d-\d\d")
    times = pc.if_else(is_time, text, _NULL).cast(pa.timestamp("us")).to_numpy(zero_copy_only=False)
    others, odd = read_times(pc.if_else(is_time, _NULL, text), formats)
    return np.where(np.isnat(times), others, times), odd
