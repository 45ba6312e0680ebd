"""Declared formats of dates and times, read strictly: what doesn't have the format is not a time.

A format is written as for strptime (`%d.%m.%Y %H:%M`; %Y %y %m %d %b %H %I %M %S %f %p %z), with `hhmm` for a clock
without a sign in between (517 is 05:17, 2400 the midnight that ends the day), or it is one of `NAMED`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

ISO: Final = "iso"
DAYS_SINCE_1900: Final = "days-since-1900"
DAYS_SINCE_1904: Final = "days-since-1904"
UNIX_SECONDS: Final = "unix-seconds"
UNIX_MILLISECONDS: Final = "unix-milliseconds"
NAMED: Final = (ISO, DAYS_SINCE_1900, DAYS_SINCE_1904, UNIX_SECONDS, UNIX_MILLISECONDS)
"""ISO 8601; days since the beginning of 1900 or of 1904, as workbooks count them; seconds or milliseconds since 1970 in
UTC."""

_UNIX: Final[Mapping[str, tuple[str, int]]] = {
    UNIX_SECONDS: (r"^\d{8,10}(\.\d{1,6})?$", 1_000_000),
    UNIX_MILLISECONDS: (r"^\d{11,13}(\.\d{1,3})?$", 1_000),
}
"""The shape of each, and its microseconds. From 1970 or 1973 on to 2286: no number is read as both."""

HOW_UNIX: Final = f"a mapping reads seconds since 1970 (formats: {UNIX_SECONDS}, or {UNIX_MILLISECONDS})"

_FIELDS: Final[Mapping[str, tuple[str, int]]] = {
    "%Y": (r"\d{4}", 4),
    "%y": (r"\d{2}", 2),
    "%m": (r"\d{1,2}", 2),
    "%d": (r"\d{1,2}", 2),
    "%H": (r"\d{1,2}", 2),
    "%I": (r"\d{1,2}", 2),
    "%M": (r"\d{1,2}", 2),
    "%S": (r"\d{1,2}", 2),
    "%f": (r"\d{1,6}", 0),
    "%b": (r"[A-Za-z]{3}", 0),
    "%p": (r"[AaPp][Mm]", 0),
    "%z": (r"Z|[+-]\d{2}:?\d{2}", 0),
    "hhmm": (r"\d{1,4}", 0),
}
"""The shape of each field, and its width where it has one when written in full."""

_TOKEN: Final = re.compile("%.|hhmm|[^%h]+|h", re.DOTALL)
_MONTHS: Final = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")

_LAST_SERIAL: Final = 2_958_465  # 9999-12-31
_NAT: Final = np.datetime64("NaT", "us")

_BLOCK: Final = 1 << 15

Ints = NDArray[np.integer[Any]]


@dataclass(frozen=True)
class Format:
    """One format that isn't ISO 8601: its text, and its parts in order, fields and literal text. `wall`: what is read
    is the wall clock, whatever the offset from UTC."""

    text: str
    parts: tuple[str, ...]
    wall: bool = False

    @property
    def fields(self) -> tuple[str, ...]:
        """The fields, in order."""
        return tuple(part for part in self.parts if part in _FIELDS)

    @property
    def has_clock(self) -> bool:
        """Whether it gives a time of day."""
        return self.text in NAMED or not {"%H", "%I", "hhmm"}.isdisjoint(self.fields)

    @property
    def has_zone(self) -> bool:
        """Whether it gives the offset from UTC."""
        return "%z" in self.fields or self.text in _UNIX

    @property
    def swapped(self) -> str:
        """The format with day and month in each other's place."""
        other = {"%d": "%m", "%m": "%d"}
        return "".join(other.get(part, part) for part in self.parts)

    @cached_property
    def shape(self) -> str:
        """The whole as a regular expression with a group for each field."""
        named = iter(f"(?P<f{number}>{_FIELDS[field][0]})" for number, field in enumerate(self.fields))
        return "^" + "".join(next(named) if part in _FIELDS else re.escape(part) for part in self.parts) + "$"


def compile_format(text: str) -> Format:
    """Take a format apart. ValueError says what is wrong with it."""
    if text in NAMED:
        return Format(text, ())
    parts = []
    for token in _TOKEN.findall(text):
        if token == "%%":
            parts.append("%")
        elif token.startswith("%") and token not in _FIELDS:
            known = ", ".join(field for field in _FIELDS if field != "hhmm")
            raise ValueError(f"a format has no field {token}; there are {known}, and hhmm")
        else:
            parts.append(token)
    format_ = Format(text, tuple(parts))
    fields = format_.fields
    for once in (("%Y", "%y"), ("%m", "%b"), ("%d",)):
        if sum(fields.count(field) for field in once) != 1:
            raise ValueError(f"a format needs {' or '.join(once)} once, or is one of {', '.join(NAMED)}")
    if len(set(fields)) < len(fields) or sum(fields.count(field) for field in ("%H", "%I", "hhmm")) > 1:
        raise ValueError("a format has each field once, and one of %H, %I, hhmm")
    if ("%I" in fields) != ("%p" in fields):
        raise ValueError("a format has %I and %p together, or neither")
    if {"%M", "%S", "%f", "%z"} & set(fields) and not format_.has_clock:
        raise ValueError("a format with minutes, seconds or an offset needs an hour: %H, %I or hhmm")
    return format_


def read_times(text: pa.StringArray, formats: Sequence[Format]) -> tuple[NDArray[np.datetime64], NDArray[np.intp]]:
    """Read cells by the first format that each one has: datetime64[us], and the rows of cells that have none.

    A format with an offset gives UTC, as do counts since 1970, any other the wall clock. Null cells are missing (NaT)
    and not at fault.
    """
    values = np.full(len(text), _NAT)
    left = np.flatnonzero(np.asarray(pc.is_valid(text)))
    for format_ in formats:
        cells = text if len(left) == len(text) else text.take(pa.array(left))
        found = _read(cells, format_)
        values[left] = found
        left = left[np.isnat(found)]
        if not len(left):
            break
    return values, left


def _read(text: pa.StringArray, format_: Format) -> NDArray[np.datetime64]:
    if format_.text in _UNIX:
        return _since_1970(text, *_UNIX[format_.text])
    if format_.text in NAMED:
        return _serials(text, format_.text)
    values = _in_full(text, format_)
    left = np.flatnonzero(np.isnat(values))
    if len(left):
        # Each different text once: of the cells that aren't written in full many are alike.
        codes = text.take(pa.array(left)).dictionary_encode()
        groups = pc.extract_regex(codes.dictionary, format_.shape)
        fits = np.asarray(pc.is_valid(groups))
        found = np.full(len(fits), _NAT)
        parts = {
            field: pc.struct_field(groups, [number]).filter(pa.array(fits))
            for number, field in enumerate(format_.fields)
        }
        found[fits] = _assembled({field: _number(field, cells) for field, cells in parts.items()}, format_.wall)
        values[left] = found[codes.indices.to_numpy()]
    return values


def _in_full(text: pa.StringArray, format_: Format) -> NDArray[np.datetime64]:
    """The cells in which every field has its full width, by the place of their digits: many times as fast."""
    widths = [_FIELDS[part][1] if part in _FIELDS else len(part.encode()) for part in format_.parts]
    values = np.full(len(text), _NAT)
    if not len(text) or 0 in widths:
        return values
    length = sum(widths)
    offsets = np.frombuffer(text.buffers()[1], np.int32)[text.offset : text.offset + len(text) + 1]
    rows = np.flatnonzero(np.diff(offsets) == length)
    if not len(rows):
        return values
    octets = np.frombuffer(text.buffers()[2], np.uint8)
    # Often the cells lie side by side, all of one length; block by block, all stays in the processor's cache.
    side_by_side = len(rows) * length == offsets[-1] - offsets[0]
    for start in range(0, len(rows), _BLOCK):
        block = rows[start : start + _BLOCK]
        first = offsets[block[0]]
        if side_by_side:
            cells = octets[first : first + len(block) * length].reshape(-1, length)
        else:
            cells = octets[offsets[block][:, None] + np.arange(length)]
        values[block] = _placed(np.ascontiguousarray(cells.T), format_, widths)
    return values


def _placed(octets: NDArray[np.uint8], format_: Format, widths: Sequence[int]) -> NDArray[np.datetime64]:
    """Times from their characters: `octets` has a row for each place of the format."""
    fits = np.ones(octets.shape[1], dtype=bool)
    numbers: dict[str, Ints] = {}
    at = 0
    for part, width in zip(format_.parts, widths, strict=True):
        places = octets[at : at + width]
        if part in _FIELDS:
            digits = places - np.uint8(ord("0"))  # what is below 0 wraps to far above 9
            fits &= (digits <= 9).all(axis=0)
            number = np.zeros(octets.shape[1], dtype=np.int32)
            for digit in digits:
                number = number * 10 + digit
            numbers[part] = number
        else:
            for place, octet in zip(places, part.encode(), strict=True):
                fits &= place == octet
        at += width
    if "%y" in numbers:
        numbers["%y"] = _century(numbers["%y"])
    if fits.all():
        return _assembled(numbers, format_.wall)
    values = np.full(len(fits), _NAT)
    values[fits] = _assembled({field: number[fits] for field, number in numbers.items()}, format_.wall)
    return values


def _number(field: str, text: pa.StringArray) -> Ints:
    match field:
        case "%b":
            return _ints(pc.index_in(pc.utf8_lower(text), pa.array(_MONTHS)).fill_null(-1)) + 1
        case "%p":
            return np.asarray(pc.equal(pc.utf8_lower(text), "pm")).astype(np.int64)
        case "%z":
            signed = pc.replace_substring(pc.replace_substring(text, "Z", "+0000"), ":", "")
            number = _ints(pc.utf8_slice_codeunits(signed, 1))
            minutes = number // 100 * 60 + number % 100
            minutes[(number // 100 > 23) | (number % 100 > 59)] = 10**6
            return np.where(np.asarray(pc.starts_with(signed, "-")), -minutes, minutes)
        case "%f":
            return _ints(pc.utf8_rpad(text, 6, "0"))
        case "%y":
            return _century(_ints(text))
        case _:
            return _ints(text)


def _ints(cells: pa.Array) -> Ints:
    numbers: Ints = cells.cast(pa.int64()).to_numpy()
    return numbers


def _century(years: Ints) -> Ints:
    return years + np.where(years < 69, 2000, 1900)  # as POSIX has it


def _assembled(numbers: Mapping[str, Ints], wall: bool) -> NDArray[np.datetime64]:
    """Times from their fields, in UTC where they have an offset, save by the wall clock; NaT where one can't be."""
    year = numbers["%Y"] if "%Y" in numbers else numbers["%y"]
    month = numbers["%m"] if "%m" in numbers else numbers["%b"]
    day, nothing = numbers["%d"], np.zeros(len(year), dtype=np.int32)
    fits = (month >= 1) & (month <= 12) & (day >= 1) & (year >= 1)
    in_month = ((year.astype(np.int64) - 1970) * 12 + month - 1).view("M8[M]")
    date = in_month.astype("M8[D]") + (day.astype(np.int64) - 1)
    fits &= date.astype("M8[M]") == in_month  # a day that the month lacks lies in the next
    hour, minute = numbers.get("%H", nothing), numbers.get("%M", nothing)
    ends_day = np.zeros(len(year), dtype=bool)
    if "hhmm" in numbers:
        hour, minute = numbers["hhmm"] // 100, numbers["hhmm"] % 100
        ends_day = numbers["hhmm"] == 2400
    if "%I" in numbers:
        fits &= (numbers["%I"] >= 1) & (numbers["%I"] <= 12)
        hour = numbers["%I"] % 12 + 12 * numbers["%p"]
    second, micro, offset = (numbers.get(field, nothing) for field in ("%S", "%f", "%z"))
    fits &= ((hour < 24) | ends_day) & (minute < 60) & (second < 60) & (np.abs(offset) < 24 * 60)
    ahead = nothing if wall else offset
    seconds = date.astype(np.int64) * 86_400 + (hour * 60 + minute - ahead) * 60 + second
    values = (seconds * 1_000_000 + micro).view("datetime64[us]")
    return values if fits.all() else np.where(fits, values, _NAT)


def _since_1970(text: pa.StringArray, shape: str, micros: int) -> NDArray[np.datetime64]:
    fits = np.asarray(pc.match_substring_regex(text, shape).fill_null(False))
    counted = text.filter(pa.array(fits)).cast(pa.decimal128(19, 6)).cast(pa.float64()).to_numpy()
    values = np.full(len(text), _NAT)
    values[fits] = np.rint(counted * micros).astype(np.int64).view("M8[us]")
    return values


def _serials(text: pa.StringArray, system: str) -> NDArray[np.datetime64]:
    plain = pc.if_else(pc.match_substring_regex(text, r"^\d{1,7}(\.\d+)?$"), text, pa.scalar(None, pa.string()))
    return serial_times(np.array(plain.cast(pa.float64()).to_numpy(zero_copy_only=False)), system)


def serial_times(days: NDArray[np.float64], system: str) -> NDArray[np.datetime64]:
    """Days as a workbook counts them to times, to the millisecond that such numbers are exact to; NaT where none."""
    known = np.isfinite(days) & (days >= 0) & (days < _LAST_SERIAL + 1)
    if system == DAYS_SINCE_1900:
        # Its 60 is a 29 February 1900, a day that never was, and days before it count from a day later.
        known &= (days >= 1) & ((days < 60) | (days >= 61))
        epoch = np.where(days < 60, np.datetime64("1899-12-31", "us"), np.datetime64("1899-12-30", "us"))
    else:
        epoch = np.full(len(days), np.datetime64("1904-01-01", "us"))
    micros = np.rint(np.where(known, days, 0) * 86_400_000).astype(np.int64) * 1000
    return np.where(known, epoch + micros.astype("timedelta64[us]"), _NAT)
