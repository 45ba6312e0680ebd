"""Cells to typed columns: strict, and every cell that can't be read is a fault with a plain reason.

Blank cells (white space counts as blank) are missing values; white space around a value is cut off.
Where values repeat they are parsed once, in the column's word list. A whole column is cast at once;
only where that fails are the cells at fault looked for.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.types as kinds
from numpy.typing import NDArray

from audit.intake.cell_faults import Faults
from audit.intake.cells import PLAIN_KINDS, WORDS
from audit.intake.quarantine import text_array
from audit.intake.tables import EVERY_POSITION, FIRST_YEAR, LAST_YEAR, SYNONYMS, Column
from audit.intake.time_formats import HOW_UNIX
from audit.intake.words import PLACEHOLDERS, canonical, canonical_list, meant

LONGEST_NAME: Final = 1000
"""Characters in an identifier or code; a longer one is a broken cell."""

SPREADSHEET_ERRORS: Final = pa.array(["#NULL!", "#DIV/0!", "#VALUE!", "#REF!", "#NAME?", "#NUM!", "#N/A"])
"""What a formula leaves in a cell where it fails (ECMA-376 Part 1, 18.17.2.7, from memory)."""

FIRST_TIME: Final = np.datetime64(f"{FIRST_YEAR}-01-01")
_NO_END: Final = np.datetime64("2200-01-01")
AFTER_LAST_TIME: Final = np.datetime64(f"{LAST_YEAR + 1}-01-01")

# The shapes say all that makes a time readable, leap years too: to find cells at fault by casting is slow.
_BY_FOUR: Final = "([02468][048]|[13579][26])"
_DAY: Final = (
    r"(\d{4}-((0[13578]|1[02])-(0[1-9]|[12]\d|3[01])|(0[469]|11)-(0[1-9]|[12]\d|30)|02-(0[1-9]|1\d|2[0-8]))"
    rf"|(\d\d(0[48]|[2468][048]|[13579][26])|{_BY_FOUR}00)-02-29)"
)
_HOUR: Final = r"([01]\d|2[0-3])"
_ZONE: Final = rf"(Z|[+-]{_HOUR}(:?[0-5]\d)?)"
_DAY_ALONE: Final = f"^{_DAY}$"
_TIME: Final = rf"^{_DAY}[T ]{_HOUR}(:[0-5]\d(:[0-5]\d(\.\d+)?)?)?{_ZONE}?$"
_ZONED: Final = f"[T ].*{_ZONE}$"
_IN_UTC: Final = r"[T ].*(Z|[+-]00(:?00)?)$"
_CLOCK: Final = r"^\d+:[0-5]\d(:[0-5]\d)?$"
_SERIAL: Final = r"^[2-7]\d{4}(\.\d+)?$"  # 1954 to 2119 as a workbook counts days
_UNIX: Final = r"^1\d{9}(\d{3})?(\.\d+)?$"  # 2001 to 2033 in seconds or milliseconds since 1970
_HOW_ENDLESS: Final = "; where it stands for no end, a mapping reads it as a blank (key: blank)"
_HOW_CLOCK: Final = "; a mapping reads hours and minutes (unit: hours-and-minutes)"
_HOW_SERIAL: Final = "a mapping reads a workbook's days (formats: days-since-1900, or days-since-1904)"
_NO_ROOM: Final = "^#{2,}$"  # shown, and by some exported, where a column is too narrow
_ROUNDED: Final = r"^\d(\.\d+)?[eE]\+\d+$"
_PLACEHOLDER: Final = rf"(?i)^(-+|{PLACEHOLDERS})$"  # not `?` or `tbd`: there is something
_NUMBER: Final = r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$"
_WHOLE: Final = r"^[+-]?\d+(\.0*)?$"

BLANK: Final = "required, but blank"

_NULL: Final = pa.scalar(None, pa.string())
_LARGEST_WHOLE: Final = 2.0**53
_HINTS: Final = 100

Misread = list[tuple[NDArray[np.intp], str]]
"""Positions of cells (or words) that can't be read, with the reason they share."""


@dataclass(frozen=True)
class Parsed:
    """A typed column: `values` as Export describes, missing where blank or at fault.

    Times are datetime64[us] without a zone, in UTC save where `wall` marks a wall-clock reading; `days` are the rows
    that give a day without a time. Of a column of dates `in_utc` are the times that were given in UTC in their place.
    """

    values: Any
    faults: tuple[Faults, ...]
    wall: NDArray[np.bool_] | None = None
    in_utc: NDArray[np.datetime64] | None = None
    days: NDArray[np.intp] = field(default_factory=lambda: np.empty(0, dtype=np.intp))


def parse(cells: pa.ChunkedArray, column: Column, *, day_alone: bool = False) -> Parsed:
    """Parse one column. `day_alone`: a time may be written as a date only, and means midnight."""
    typed = not (kinds.is_string(cells.type) or kinds.is_dictionary(cells.type))
    if column.kind == "time":
        return _parsed_times(cells, column, day_alone)
    match column.kind:
        case "id":
            values, misread = _ids(cells.cast(pa.string()))
        case "text":
            text = pc.utf8_trim_whitespace(cells.cast(pa.string()))
            text, misread = _without_errors(_blank_to_null(text))
            values = text_array(text)
        case "date" if typed:
            values, misread = _typed_dates(cells)
        case "number" if typed:
            values, misread = _typed_numbers(cells)
        case "count" if typed:
            values, misread = _typed_counts(cells)
        case _:
            values, misread = _by_word(cells, column)
    in_utc = _given_in_utc(cells) if column.kind == "date" else None
    return Parsed(values, _faults(column, values, misread), in_utc=in_utc)


def _faults(column: Column, values: Any, misread: Misread) -> tuple[Faults, ...]:
    """What can't be read, and what is blank where a value is required."""
    if column.required:
        blank = pd.isna(values)
        for rows, _ in misread:
            blank[rows] = False
        misread.append((np.flatnonzero(blank), BLANK))
    return tuple(Faults((column.name,), rows, reason) for rows, reason in misread if len(rows))


def _parsed_times(cells: pa.ChunkedArray, column: Column, day_alone: bool) -> Parsed:
    if kinds.is_string(cells.type) or kinds.is_dictionary(cells.type):
        cells = cells.cast(pa.string())
        values, wall, misread = _times(cells, day_alone)
    else:
        values, wall, misread = _typed_times(cells, day_alone)
    days = _days(cells, values, wall) if day_alone else np.empty(0, dtype=np.intp)
    return Parsed(values, _faults(column, values, misread), wall, days=days)


def together(parts: Sequence[pa.ChunkedArray], column: Column) -> list[pa.ChunkedArray]:
    """Cells of one column from several files as one, save times of which some have a type: they can't be mixed."""
    if len(parts) == 1:
        return list(parts)
    # Word lists and plain text can be brought to one type; times that have a type keep what theirs says of zones.
    types = {part.type for part in parts}
    if len(types) > 1:
        if column.kind == "time" and not all(kinds.is_string(each) or kinds.is_dictionary(each) for each in types):
            return list(parts)
        wanted = pa.string() if column.kind in PLAIN_KINDS else WORDS
        parts = [part.cast(pa.string()).cast(wanted) for part in parts]
    return [pa.chunked_array([chunk for part in parts for chunk in part.chunks], parts[0].type)]


def joined_times(parts: Sequence[Parsed]) -> Parsed:
    """Times of several files as one column."""
    faults, days = [], []
    start = 0
    for part in parts:
        faults += [replace(fault, rows=fault.rows + start) for fault in part.faults]
        days.append(part.days + start)
        start += len(part.values)
    wall = np.concatenate([part.wall for part in parts if part.wall is not None])
    return Parsed(np.concatenate([part.values for part in parts]), tuple(faults), wall, days=np.concatenate(days))


def without_blanks(parsed: Parsed, refused: Sequence[NDArray[np.intp]]) -> Parsed:
    """The same, but cells that couldn't be translated aren't blamed for being blank besides."""
    if not refused:
        return parsed
    known = np.concatenate(refused)
    faults = [
        replace(fault, rows=fault.rows[~np.isin(fault.rows, known)]) if fault.reason == BLANK else fault
        for fault in parsed.faults
    ]
    return replace(parsed, faults=tuple(fault for fault in faults if len(fault.rows)))


# Text and codes


def _blank_to_null(text: Any) -> Any:
    blank = pc.equal(text, "")
    return pc.if_else(blank, _NULL, text) if pc.any(blank).as_py() else text


def _names(text: Any) -> tuple[Any, Misread]:
    """Trimmed identifiers or codes; null where blank or not fit to be one."""
    text = _blank_to_null(pc.utf8_trim_whitespace(text))
    misread: Misread = []
    if (pc.max(pc.binary_length(text)).as_py() or 0) > LONGEST_NAME:
        long = pc.greater(pc.utf8_length(text), LONGEST_NAME)
        text, rows = _without(text, long)
        misread.append((rows, f"longer than {LONGEST_NAME} characters"))
    if _holds_nul(text):
        text, rows = _without(text, pc.match_substring(text, "\0"))
        misread.append((rows, "contains a NUL character"))
    text, errors = _without_errors(text)
    return text, misread + errors


def _without_errors(text: Any) -> tuple[Any, Misread]:
    if not pc.any(pc.starts_with(text, "#")).as_py():
        return text, []
    no_value = pc.or_(pc.is_in(text, SPREADSHEET_ERRORS), pc.match_substring_regex(text, _NO_ROOM))
    text, rows = _without(text, no_value)
    return text, [(rows, "a spreadsheet's error, no value")]


def _without_rounded(text: Any) -> tuple[Any, Misread]:
    """The identifiers or codes but for those that were long numbers: one stands for many."""
    if not pc.any(pc.match_substring(text, "+")).as_py():
        return text, []
    text, rows = _without(text, pc.match_substring_regex(text, _ROUNDED))
    return text, [(rows, "a long number that was rounded: it has lost digits")]


def _holds_nul(text: Any) -> bool:
    chunks = text.chunks if isinstance(text, pa.ChunkedArray) else [text]
    octets = (np.frombuffer(chunk.buffers()[2] or b"", np.uint8) for chunk in chunks)
    return any(len(some) and some.min() == 0 for some in octets)


def _without(text: Any, at_fault: Any) -> tuple[Any, NDArray[np.intp]]:
    at_fault = pc.fill_null(at_fault, False)
    return pc.if_else(at_fault, _NULL, text), np.flatnonzero(at_fault)


def _ids(cells: pa.ChunkedArray) -> tuple[Any, Misread]:
    text, misread = _names(cells)
    text, rounded = _without_rounded(text)
    return text_array(text), misread + rounded


def _by_word(cells: pa.ChunkedArray, column: Column) -> tuple[Any, Misread]:
    """Parse the word list, then expand its values over the rows."""
    if not kinds.is_dictionary(cells.type):
        cells = cells.cast(pa.string()).dictionary_encode()
    whole = cells.cast(WORDS).unify_dictionaries().combine_chunks()
    # Each word is parsed once, and its value stands for all rows with its code.
    codes = whole.indices.fill_null(-1).to_numpy()  # -1 takes the last, missing, value below
    text, misread = _names(whole.dictionary)
    values: Any
    match column.kind:
        case "number":
            numbers, misread_words = _numbers(text, column)
            values = np.append(numbers, np.nan)[codes]
        case "count":
            counts, known, misread_words = _counts(text)
            values = pd.arrays.IntegerArray(np.append(counts, 1)[codes], ~np.append(known, False)[codes])
        case "date":
            days, misread_words = _dates(text)
            values = np.append(days, np.datetime64("NaT", "D"))[codes].astype("datetime64[s]")
        case "choice":
            options, misread_words = _choices(text, column)
            options = np.append(options, -1).astype(np.int8)
            values = _categorical(options[codes], pd.Index(column.choices, dtype="str"))
        case _:
            text, misread_words = _without_rounded(text)
            if column.name == "position" and column.kind == "codes":
                text, mixed = _every_position(text)
                misread_words += mixed
            elif column.words:
                text = _in_canonical_text(text, column)
            ranks, sorted_words = _ranked(text)
            values = _categorical(np.append(ranks, ranks.dtype.type(-1))[codes], sorted_words)
    misread += misread_words
    return values, [(_rows_of(words, codes, len(text)), reason) for words, reason in misread]


def _rows_of(words: NDArray[np.intp], codes: NDArray[np.int32], count: int) -> NDArray[np.intp]:
    marked = np.zeros(count + 1, dtype=bool)
    marked[words] = True
    return np.flatnonzero(marked[codes])


def _categorical(codes: NDArray[np.signedinteger[Any]], words: pd.Index) -> Any:
    return pd.Categorical.from_codes(codes, dtype=pd.CategoricalDtype(words), validate=False)


def _ranked(text: pa.StringArray) -> tuple[NDArray[np.signedinteger[Any]], pd.Index]:
    """The words in code point order, so that codes don't depend on the order of the rows."""
    order = pc.sort_indices(text)[: len(text) - text.null_count]  # nulls are sorted to the end
    ordered = text.take(order)
    new = np.ones(len(ordered), dtype=bool)  # trimming may have made words equal
    new[1:] = pc.not_equal(ordered[1:], ordered[:-1])
    ranks = np.full(len(text), -1, dtype=np.min_scalar_type(-len(text) - 1))
    ranks[order.to_numpy()] = np.cumsum(new) - 1
    return ranks, pd.Index(text_array(ordered.filter(pa.array(new))))


def _every_position(text: pa.StringArray) -> tuple[pa.StringArray, Misread]:
    """The word for every position in canonical text; where it is next to others, what is meant can't be told."""
    words = text.to_pylist()
    every = [canonical(word or "") == EVERY_POSITION for word in words]
    mixed = [
        not alone and any(canonical(part) == EVERY_POSITION for part in (word or "").split(";"))
        for word, alone in zip(words, every, strict=True)
    ]
    if any(every):
        text = pc.if_else(pa.array(every), pa.scalar(EVERY_POSITION), text)
    if not any(mixed):
        return text, []
    text, rows = _without(text, pa.array(mixed))
    return text, [(rows, f"`{EVERY_POSITION}` stands for every position, and others are next to it")]


def _in_canonical_text(text: pa.StringArray, column: Column) -> pa.StringArray:
    as_canonical = canonical_list if column.kind == "codes" else canonical
    synonyms = SYNONYMS.get(column.name, {})
    words = [None if word is None else as_canonical(word) or None for word in text.to_pylist()]
    return pa.array([synonyms.get(word or "", word) for word in words], pa.string())


def _choices(text: pa.StringArray, column: Column) -> tuple[NDArray[np.int32], Misread]:
    choices, synonyms = column.choices, SYNONYMS.get(column.name, {})
    text, nothing = _without_placeholders(text)
    words = [None if word is None else meant(word, choices, synonyms) for word in text.to_pylist()]
    found = pc.index_in(pa.array(words, pa.string()), value_set=pa.array(choices))
    unknown = np.flatnonzero(pc.and_(pc.is_valid(text), pc.is_null(found)))
    reason = f"not one of {', '.join(choices)}"
    misread: Misread = [nothing, (unknown[_HINTS:], reason)]
    for at in unknown[:_HINTS]:
        near = difflib.get_close_matches(canonical(text[at].as_py()), choices, n=1)
        misread.append((np.array([at]), f"{reason}; is {near[0]} meant?" if near else reason))
    return found.fill_null(-1).to_numpy(), misread


def _without_placeholders(text: pa.StringArray) -> tuple[pa.StringArray, tuple[NDArray[np.intp], str]]:
    """The cells but for those that only say that there is nothing, which are at fault: they may be no blanks."""
    text, rows = _without(text, pc.match_substring_regex(text, _PLACEHOLDER))
    return text, (rows, "only says that there is nothing; a mapping reads it as a blank (key: blank)")


# Numbers


def _numbers(text: pa.StringArray, column: Column) -> tuple[NDArray[np.float64], Misread]:
    text, nothing = _without_placeholders(text)
    text, clock = _without(text, pc.match_substring_regex(text, _CLOCK))
    text, odd = _only(text, _NUMBER)  # Arrow's cast would take `nan` and `inf`
    numbers = np.array(text.cast(pa.float64()).to_numpy(zero_copy_only=False))
    large = np.isinf(numbers)
    numbers[large] = np.nan
    return numbers, [
        nothing,
        (odd, "not a number"),
        (clock, f"not a number{_HOW_CLOCK if column.name == 'flight_hours' else ''}"),
        (np.flatnonzero(large), "too large a number"),
    ]


def _counts(text: pa.StringArray) -> tuple[NDArray[np.int64], NDArray[np.bool_], Misread]:
    text, nothing = _without_placeholders(text)
    text, odd = _only(text, _WHOLE)  # Arrow's cast would take `0x1F`
    digits = pc.replace_substring_regex(text, r"^\+|\.0*$", "")
    counts, large = _cast(digits, pa.int64())
    misread: Misread = [nothing, (odd, "not a whole number"), (large, "too large a number")]
    return counts.fill_null(1).to_numpy(), ~_nulls(counts), misread


def _typed_numbers(cells: pa.ChunkedArray) -> tuple[NDArray[np.float64], Misread]:
    numbers = cells.cast(pa.float64(), safe=False).to_numpy()
    endless = np.isinf(numbers)
    if endless.any():
        numbers = np.where(endless, np.nan, numbers)
    return numbers, [(np.flatnonzero(endless), "not a finite number")]


def _typed_counts(cells: pa.ChunkedArray) -> tuple[Any, Misread]:
    if kinds.is_signed_integer(cells.type):
        whole = cells.combine_chunks().cast(pa.int64())
        return pd.arrays.IntegerArray(whole.fill_null(1).to_numpy(), _nulls(whole)), []
    numbers = cells.cast(pa.float64(), safe=False).to_numpy()
    missing = np.isnan(numbers)
    large = np.abs(numbers) >= _LARGEST_WHOLE  # floats beyond it skip whole numbers
    with np.errstate(invalid="ignore"):
        broken = ~missing & ~large & (numbers != np.floor(numbers))
    unknown = missing | large | broken
    counts = pd.arrays.IntegerArray(np.where(unknown, 1, numbers).astype(np.int64), unknown)
    misread: Misread = [
        (np.flatnonzero(broken), "not a whole number"),
        (np.flatnonzero(large), "too large a number"),
    ]
    return counts, misread


# Dates and times


def _days(cells: pa.ChunkedArray, values: NDArray[np.datetime64], wall: NDArray[np.bool_]) -> NDArray[np.intp]:
    """The rows in which a day stands without a time: in whole columns it is often stored as midnight."""
    known = ~np.isnat(values)
    midnight = values == values.astype("datetime64[D]")
    if (midnight | ~known).all() and wall[known].all():
        return np.flatnonzero(known)
    if not kinds.is_string(cells.type):
        return np.empty(0, dtype=np.intp)
    days = pc.match_substring_regex(pc.utf8_trim_whitespace(cells), _DAY_ALONE)
    return np.flatnonzero(known & np.asarray(days.fill_null(False)))


def _times(cells: pa.ChunkedArray, day_alone: bool) -> tuple[Any, NDArray[np.bool_], Misread]:
    """Chunk by chunk, so that one bad cell slows only its neighbours."""
    values: list[NDArray[np.datetime64]] = [np.empty(0, "datetime64[us]")]
    wall: list[NDArray[np.bool_]] = [np.empty(0, dtype=bool)]
    misread: Misread = []
    start = 0
    for chunk in cells.chunks:
        instants, is_wall, odd = _alike_times(chunk, day_alone) or _mixed_times(chunk, day_alone)
        instants, implausible = _plausible(instants, _HOW_ENDLESS)
        values.append(instants)
        wall.append(is_wall)
        misread += [(rows + start, reason) for rows, reason in odd + implausible]
        start += len(chunk)
    return np.concatenate(values), np.concatenate(wall), misread


def _alike_times(
    text: pa.StringArray, day_alone: bool
) -> tuple[NDArray[np.datetime64], NDArray[np.bool_], Misread] | None:
    """The usual case: all with a zone, or all without; None if it isn't."""
    text = _blank_to_null(text)
    # A shortest text no longer than a day has no time: the slow way tells which cell that is.
    if not day_alone and (pc.min(pc.binary_length(text)).as_py() or 99) <= len("2000-01-01"):
        return None
    # The first cell tells whether there are zones; Arrow refuses the cast where the others differ.
    sample = text.drop_null()[:1]
    zoned = pc.all(pc.match_substring_regex(sample, _ZONED)).as_py()
    try:
        instants = text.cast(pa.timestamp("us", "UTC" if zoned else None))
    except pa.ArrowInvalid:
        return None
    return instants.to_numpy(zero_copy_only=False), np.full(len(text), not zoned), []


def _mixed_times(
    text: pa.StringArray, day_alone: bool, wanted: str = "time such as 2025-06-02T09:00Z"
) -> tuple[NDArray[np.datetime64], NDArray[np.bool_], Misread]:
    text = _blank_to_null(pc.utf8_trim_whitespace(text))
    text = pc.replace_substring_regex(text, r"(\.\d{6})\d+", r"\1")  # Arrow refuses what it would cut
    text, nothing = _without_placeholders(text)
    misread: Misread = [nothing]
    if not day_alone:
        text, days = _without(text, pc.match_substring_regex(text, _DAY_ALONE))
        misread.append((days, "a date without a time of day"))
    text, serial = _without(text, pc.match_substring_regex(text, _SERIAL))
    misread.append((serial, f"not a {wanted}; {_HOW_SERIAL}"))
    text, unix = _without(text, pc.match_substring_regex(text, _UNIX))
    misread.append((unix, f"not a {wanted}; {HOW_UNIX}"))
    text, odd = _only(text, f"{_TIME}|{_DAY_ALONE}")
    # Cells with a zone and cells without are cast apart, and put together by which was which.
    zoned = pc.fill_null(pc.match_substring_regex(text, _ZONED), False)
    instants, odd_instants = _cast(pc.if_else(zoned, text, _NULL), pa.timestamp("us", "UTC"))
    readings, odd_readings = _cast(pc.if_else(zoned, _NULL, text), pa.timestamp("us"))
    odd = np.concatenate([odd, odd_instants, odd_readings])
    misread.append((odd, f"not a {wanted}"))
    is_wall = ~zoned.to_numpy(zero_copy_only=False)
    values = np.where(is_wall, readings.to_numpy(zero_copy_only=False), instants.to_numpy(zero_copy_only=False))
    return values, is_wall, misread


def _typed_times(cells: pa.ChunkedArray, day_alone: bool) -> tuple[Any, NDArray[np.bool_], Misread]:
    values, misread = _plausible(_ticks(cells))
    wall = np.full(len(values), kinds.is_date(cells.type) or cells.type.tz is None)
    if kinds.is_date(cells.type) and not day_alone:
        misread.append((np.flatnonzero(~np.isnat(values)), "a date without a time of day"))
        values = np.full_like(values, "NaT")
    return values.astype("datetime64[us]"), wall, misread


def _dates(text: pa.StringArray) -> tuple[NDArray[np.datetime64], Misread]:
    """A time of day is cut off, after a check that it is one."""
    # A date with a nonsensical time isn't a date: it is read as a time first.
    _, _, misread = _mixed_times(text, day_alone=True, wanted="date such as 2025-06-02")
    readable = np.ones(len(text), dtype=bool)
    for words, _ in misread:
        readable[words] = False
    days = pc.utf8_slice_codeunits(pc.if_else(readable, text, _NULL), 0, len("2000-01-01"))
    values, implausible = _plausible(days.cast(pa.date32()).to_numpy(zero_copy_only=False), _HOW_ENDLESS)
    return values, misread + implausible


def _given_in_utc(cells: pa.ChunkedArray) -> NDArray[np.datetime64] | None:
    """The times in UTC that stand in the place of dates, missing where a cell is none; None where no cell is one."""
    if kinds.is_timestamp(cells.type):
        return None if cells.type.tz is None else _plausible(_ticks(cells))[0].astype("datetime64[us]")
    if kinds.is_date(cells.type):
        return None
    text = pc.utf8_trim_whitespace(cells.cast(pa.string()))
    marked = pc.match_substring_regex(text, _IN_UTC)
    if not pc.any(marked).as_py():
        return None
    times, _, _ = _times(pc.if_else(marked, text, _NULL), day_alone=True)
    return np.asarray(times)


def _typed_dates(cells: pa.ChunkedArray) -> tuple[Any, Misread]:
    values, misread = _plausible(_ticks(cells))
    return values.astype("datetime64[D]").astype("datetime64[s]"), misread


def _ticks(cells: pa.ChunkedArray) -> NDArray[np.datetime64]:
    """Arrow dates or times as numpy's, in the unit they have: absurd ones would overflow another."""
    if kinds.is_date(cells.type):
        unit, counted = "D", cells.cast(pa.date32(), safe=False).cast(pa.int32()).cast(pa.int64())
    else:
        unit, counted = cells.type.unit, cells.cast(pa.int64())
    missing = np.iinfo(np.int64).min  # numpy's NaT
    ticks: NDArray[np.int64] = counted.combine_chunks().fill_null(missing).to_numpy()
    return ticks.view(f"datetime64[{unit}]")


def _plausible(values: NDArray[np.datetime64], how: str = "") -> tuple[NDArray[np.datetime64], Misread]:
    """`how` follows the reason of what is so late that it may stand for no end."""
    outside = (values < FIRST_TIME) | (values >= AFTER_LAST_TIME)
    if not outside.any():
        return values, []
    sound = values.copy()
    sound[outside] = "NaT"
    reason, endless = f"before {FIRST_YEAR} or after {LAST_YEAR}", values >= _NO_END
    return sound, [(np.flatnonzero(outside & ~endless), reason), (np.flatnonzero(endless), f"{reason}{how}")]


# Finding the cells at fault


def _only(text: pa.StringArray, shape: str) -> tuple[pa.StringArray, NDArray[np.intp]]:
    """The cells of that shape (RE2), and where the others are."""
    return _without(text, pc.invert(pc.match_substring_regex(text, shape)))


def _cast(text: pa.StringArray, wanted: pa.DataType) -> tuple[pa.Array, NDArray[np.intp]]:
    """A strict cast; where it fails, halves are cast until the cells at fault stand alone."""
    try:
        return text.cast(wanted), np.empty(0, dtype=np.intp)
    except pa.ArrowInvalid:
        if len(text) == 1:
            return pa.nulls(1, wanted), np.zeros(1, dtype=np.intp)
    half = len(text) // 2
    first, odd = _cast(text[:half], wanted)
    second, odd_later = _cast(text[half:], wanted)
    return pa.concat_arrays([first, second]), np.concatenate([odd, odd_later + half])


def _nulls(cells: pa.Array) -> NDArray[np.bool_]:
    return np.asarray(cells.is_null())
