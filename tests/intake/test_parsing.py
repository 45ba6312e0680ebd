"""Parsing, cell by cell, against Python's own parsers."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.intake.parsing import Parsed, parse
from audit.intake.tables import Column, Kind

NUMBER_LIKE = st.text("0123456789+-.eE_xnaif ٣", max_size=8)
TIME_LIKE = st.from_regex(
    r"(19|20|21)\d\d-[01]\d-[0-3]\d[T ][0-2]\d(:[0-6]\d(:[0-6]\d(\.\d{1,9})?)?)?(Z|[+-][0-2]\d(:?[0-5]\d)?)?",
    fullmatch=True,
)


def read(values: list[str], kind: Kind, *, chunks: int = 1, words: bool = False, **column: Any) -> Parsed:
    cells = pa.chunked_array([pa.array(part, pa.string()) for part in np.array_split(np.array(values, object), chunks)])
    return parse(cells.dictionary_encode() if words else cells, Column("c", kind, "c", **column), day_alone=False)


def faults(parsed: Parsed) -> dict[int, str]:
    return {int(row): found.reason for found in parsed.faults for row in found.rows}


def instants(parsed: Parsed) -> list[datetime | None]:
    assert parsed.wall is not None
    zones = [None if wall else UTC for wall in parsed.wall]
    times = [None if np.isnat(value) else value.item() for value in parsed.values]
    return [time and time.replace(tzinfo=zone) for time, zone in zip(times, zones, strict=True)]


def python_number(text: str) -> float | None:
    """Python's number, save for what the intake takes no number from: `nan`, `inf`, `1_000`, other digits."""
    if "_" in text or not text.isascii():
        return None
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) else None


@given(st.lists(NUMBER_LIKE | st.floats().map(repr) | st.integers().map(str), max_size=8))
def test_numbers_as_python_reads_them(values: list[str]) -> None:
    """A number is a number exactly when Python says so and it is finite, and it is the same one."""
    parsed = read(values, "number")
    for row, text in enumerate(values):
        expected = python_number(text.strip())
        if text.strip() == "":
            assert np.isnan(parsed.values[row])
            assert row not in faults(parsed)
        elif expected is None:
            assert faults(parsed)[row].partition(";")[0] in ("not a number", "too large a number")
            assert np.isnan(parsed.values[row])
        else:
            assert parsed.values[row] == expected
            assert row not in faults(parsed)


@given(st.lists(NUMBER_LIKE | st.integers().map(str), max_size=8))
def test_counts_as_python_reads_them(values: list[str]) -> None:
    """A count is what Python's int reads (or a number with nothing behind the point) if it fits 64 bits."""
    parsed = read(values, "count")
    for row, text in enumerate(values):
        digits = text.strip().removesuffix(".") if "e" not in text.lower() else text
        whole, _, rest = digits.partition(".")
        try:
            expected = int(whole) if rest.strip("0") == "" and "_" not in text and text.isascii() else None
        except ValueError:
            expected = None
        if whole != whole.strip() or text.strip() == "":  # white space before the point; blank
            continue
        if expected is None or not -(2**63) <= expected < 2**63:
            assert row in faults(parsed)
        else:
            assert parsed.values[row] == expected


@pytest.mark.parametrize(("text", "count"), [("3.0", 3), ("+2", 2), ("007", 7), (" 4 ", 4), ("-0", 0), ("5.", 5)])
def test_counts_from_spreadsheets(text: str, count: int) -> None:
    """Whole numbers are taken in the ways that spreadsheets and other programs write them."""
    assert read([text], "count").values[0] == count


@pytest.mark.parametrize("text", ["0x1F", "1e3", "1.5", "1,000", "١", "one", "--1", "1 2"])
def test_no_count(text: str) -> None:
    """What isn't plainly a whole number is none."""
    assert faults(read([text], "count")) == {0: "not a whole number"}


@given(
    st.lists(
        st.datetimes(
            datetime(1950, 1, 2),
            datetime(2099, 12, 30),
            timezones=st.none()
            | st.just(UTC)
            | st.integers(-14 * 60, 14 * 60).map(lambda m: timezone(timedelta(minutes=m))),
        ),
        max_size=8,
    ),
    st.sampled_from(["T", " "]),
    st.integers(1, 3),
)
def test_times_as_python_writes_them(times: list[datetime], separator: str, chunks: int) -> None:
    """What Python writes is read as the same instant, or the same wall clock, whatever stands beside it."""
    parsed = read([time.isoformat(separator) for time in times], "time", chunks=chunks)
    assert faults(parsed) == {}
    assert instants(parsed) == [time.astimezone(UTC) if time.tzinfo else time for time in times]


@given(st.lists(TIME_LIKE | TIME_LIKE.map(lambda text: f"\t{text} "), min_size=1, max_size=6))
def test_times_as_python_reads_them(values: list[str]) -> None:
    """ISO 8601 shapes are times exactly when Python reads them; finer than a microsecond is cut off."""
    parsed = read(values, "time")
    for row, text in enumerate(values):
        try:
            expected = datetime.fromisoformat(text.strip())
        except ValueError:
            assert faults(parsed)[row] == "not a time such as 2025-06-02T09:00Z"
            continue
        expected = expected.astimezone(UTC) if expected.tzinfo else expected
        if 1950 <= expected.year <= 2099:
            assert row not in faults(parsed)
            assert instants(parsed)[row] == expected
        else:
            assert faults(parsed)[row].startswith("before 1950 or after 2099")


@pytest.mark.parametrize("zone", ["", "Z"])
def test_times_finer_than_a_microsecond(zone: str) -> None:
    """Nanoseconds are cut off, not rounded, with a fault beside them or not."""
    parsed = read([f"2024-01-10T08:00:00.123456999{zone}", "noon"], "time")
    assert faults(parsed) == {1: "not a time such as 2025-06-02T09:00Z"}
    assert parsed.values[0] == np.datetime64("2024-01-10T08:00:00.123456")


@given(st.lists(st.text(max_size=12), max_size=6))
def test_nothing_else_is_a_time(values: list[str]) -> None:
    """Any text at all is a time that Python reads too, blank, or a fault; and never a crash."""
    parsed = read(values, "time")
    for row, text in enumerate(values):
        if row not in faults(parsed) and (instant := instants(parsed)[row]) is not None:
            assert datetime.fromisoformat(text.strip()).replace(tzinfo=None) == instant.replace(tzinfo=None)


def test_one_bad_time_among_many() -> None:
    """The cells at fault are found wherever they stand, and their neighbours keep their values."""
    values = [f"2024-02-{day:02d}T10:00:00" for day in range(1, 32)] * 3
    parsed = read(values, "time", chunks=4)
    assert sorted(faults(parsed)) == [29, 30, 60, 61, 91, 92]
    assert parsed.values[88] == np.datetime64("2024-02-27T10:00")


@pytest.mark.parametrize("kind", ["time", "date", "number", "count", "choice"])
@pytest.mark.parametrize("text", ["NULL", "(null)", "\\N", "n/a", "-", "None"])
def test_what_says_that_there_is_nothing_is_no_blank(kind: Kind, text: str) -> None:
    """It is a fault, since it may stand for what was not read, and the fault says how it becomes a blank."""
    choices = {"choices": ("a", "b")} if kind == "choice" else {}
    assert faults(read(["", text], kind, **choices)) == {
        1: "only says that there is nothing; a mapping reads it as a blank (key: blank)"
    }


@pytest.mark.parametrize("kind", ["time", "date"])
def test_days_as_a_workbook_counts_them(kind: Kind) -> None:
    """A time that a workbook shows as a number is a fault that says by what it is read; other numbers are faults."""
    told = faults(read(["45910.72916666666", "45910", "1757525400", "2025"], kind))
    hint = "; a mapping reads a workbook's days (formats: days-since-1900, or days-since-1904)"
    assert [reason.endswith(hint) for _, reason in sorted(told.items())] == [True, True, False, False]


@pytest.mark.parametrize("kind", ["time", "date"])
def test_counts_since_1970(kind: Kind) -> None:
    """Seconds and milliseconds since 1970 are faults that say by what they are read; other numbers are faults."""
    told = faults(read(["1757525400", "1757525400000", "1757525400.5", "17575254", "20250610", "175752540000"], kind))
    hint = "; a mapping reads seconds since 1970 (formats: unix-seconds, or unix-milliseconds)"
    assert [reason.endswith(hint) for _, reason in sorted(told.items())] == [True, True, True, False, False, False]


def test_dates_without_a_time_of_day() -> None:
    """A date alone is refused for a time unless the table allows it."""
    cells = pa.chunked_array([["2024-01-10", "2024-01-10T06:30Z"]])
    column = Column("c", "time", "c")
    assert faults(parse(cells, column)) == {0: "a date without a time of day"}
    assert parse(cells, column, day_alone=True).values[0] == np.datetime64("2024-01-10T00:00")


@given(
    st.lists(st.dates(date(1950, 1, 1), date(2099, 12, 31)), max_size=6),
    st.sampled_from(["", "T23:30", " 00:00:00Z", "T23:00-05:00"]),
)
def test_dates(days: list[date], time_of_day: str) -> None:
    """A date is read as written; a time of day behind it is cut off."""
    parsed = read([f"{day}{time_of_day}" for day in days], "date")
    assert [value.item().date() for value in parsed.values] == days
    assert parsed.values.dtype == "datetime64[s]"
    assert faults(parsed) == {}


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("2023-02-29", "not a date such as 2025-06-02"),
        ("2024-1-5", "not a date such as 2025-06-02"),
        ("20240105", "not a date such as 2025-06-02"),
        ("2024-01-05Tnoon", "not a date such as 2025-06-02"),
        ("2024-01-05T25:00", "not a date such as 2025-06-02"),
        (
            "9999-12-31",
            "before 1950 or after 2099; where it stands for no end, a mapping reads it as a blank (key: blank)",
        ),
        ("0001-01-01", "before 1950 or after 2099"),
    ],
)
def test_no_date(text: str, reason: str) -> None:
    """What isn't a plausible calendar date is none."""
    assert faults(read(["2024-01-05", text], "date")) == {1: reason}


def test_choices() -> None:
    """Only the listed words, exactly; the reason lists them, and guesses."""
    parsed = read(["apply", " clean ", "", "aply", "Xyz"], "choice", choices=("clean", "apply"))
    assert list(parsed.values.codes) == [1, 0, -1, -1, -1]
    assert list(parsed.values.categories) == ["clean", "apply"]
    assert faults(parsed) == {3: "not one of clean, apply; is apply meant?", 4: "not one of clean, apply"}


@pytest.mark.parametrize("words", [True, False])
def test_codes(words: bool) -> None:
    """Codes are trimmed, blank ones are missing, and the categories are sorted whatever the row order."""
    parsed = read(["b", " a", "", "a", "b ", " \t", "Ä", "a\u00a0"], "code", words=words, chunks=3)
    assert list(parsed.values.categories) == ["a", "b", "Ä"]
    assert list(parsed.values.codes) == [1, 0, -1, 0, 1, -1, 2, 0]


@pytest.mark.parametrize("kind", ["id", "code", "text"])
def test_text_is_never_guessed_at(kind: Kind) -> None:
    """`NA`, `null`, `001` and `1e5` are somebody's initials and numbers, not missing values or floats."""
    values = ["NA", "null", "001", "1e5", "nan", "True"]
    assert list(read(values, kind).values) == values


def test_needed_cells() -> None:
    """A blank needed cell is a fault; one that can't be read has its own reason only."""
    parsed = read(["", "x", "2024-01-01T00:00Z"], "time", required=True)
    assert faults(parsed) == {0: "required, but blank", 1: "not a time such as 2025-06-02T09:00Z"}


# The typed columns of Parquet files


def typed(values: pa.Array, kind: Kind, day_alone: bool = False) -> Parsed:
    return parse(pa.chunked_array([values]), Column("c", kind, "c"), day_alone=day_alone)


def test_typed_times() -> None:
    """Times with a zone are instants, those without are wall clock, in any unit."""
    noon = datetime(2024, 7, 1, 12)
    for unit in ("s", "ms", "us", "ns"):
        wall = typed(pa.array([noon, None], pa.timestamp(unit)), "time")
        assert instants(wall) == [noon, None]
        zoned = typed(pa.array([noon.replace(tzinfo=UTC), None], pa.timestamp(unit, "Asia/Tokyo")), "time")
        assert instants(zoned)[0] == noon.replace(tzinfo=UTC)
        assert instants(zoned)[1] is None


def test_absurd_typed_times() -> None:
    """Seconds that microseconds can't count don't come back as a plausible time."""
    seconds = 2**64 // 10**6 + 1_700_000_000  # 2023, if it wrapped around
    parsed = typed(pa.array([seconds, 1_700_000_000], pa.timestamp("s")), "time")
    assert faults(parsed) == {0: "before 1950 or after 2099"}
    assert parsed.values[1] == np.datetime64(1_700_000_000, "s")


def test_typed_dates() -> None:
    """Dates and naive times are dates; a date in the place of a time is midnight where that is allowed."""
    day = date(2024, 7, 1)
    for values in (pa.array([day]), pa.array([day]).cast(pa.date64()), pa.array([datetime(2024, 7, 1, 23)])):
        assert typed(values, "date").values[0] == np.datetime64(day)
    assert typed(pa.array([day]), "time", day_alone=True).values[0] == np.datetime64("2024-07-01T00:00")
    assert faults(typed(pa.array([day, None]), "time")) == {0: "a date without a time of day"}
    assert faults(typed(pa.array([date(1900, 1, 1)]), "date")) == {0: "before 1950 or after 2099"}


def test_typed_numbers() -> None:
    """Floats and decimals are numbers; a float that isn't one is missing, an endless one a fault."""
    parsed = typed(pa.array([1.5, float("nan"), None, float("inf")]), "number")
    assert faults(parsed) == {3: "not a finite number"}
    assert [value if value == value else None for value in parsed.values] == [1.5, None, None, None]
    assert typed(pa.array(["1.25"]).cast(pa.decimal128(5, 2)), "number").values[0] == 1.25
    assert typed(pa.array([2, None], pa.int16()), "number").values[0] == 2.0


def test_typed_counts() -> None:
    """Whole numbers of any type are counts; parts and more than 64 bits hold are faults."""
    assert list(typed(pa.array([1, None, -3], pa.int8()), "count").values) == [1, pd.NA, -3]
    parsed = typed(pa.array([2.0, None, 1.5, 1e300, float("nan"), float("inf")]), "count")
    assert faults(parsed) == {2: "not a whole number", 3: "too large a number", 5: "too large a number"}
    assert list(parsed.values)[:2] == [2, pd.NA]
    assert faults(typed(pa.array([2**64 - 1], pa.uint64()), "count")) == {0: "too large a number"}
