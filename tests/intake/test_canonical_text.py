"""Values of workbooks and databases as text: by Arrow where a whole column goes at once, and as Python writes each."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta, timezone
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.intake.canonical_text import canonical_text

NAIVE = st.datetimes()
ANY_TIME = NAIVE | st.datetimes(timezones=st.just(timezone(timedelta(hours=5, minutes=30))))
TO_THE_SECOND = NAIVE.map(lambda moment: moment.replace(microsecond=0))


def texts(values: list[Any]) -> list[str | None]:
    """What is written for each value."""
    found: list[str | None] = canonical_text(values)[0].to_pylist()
    return found


@given(st.lists(TO_THE_SECOND | NAIVE.map(datetime.date) | st.just(""), min_size=1, max_size=12))
def test_times_are_iso_8601(values: list[Any]) -> None:
    """A column of times to the second, some of them at midnight and stored as dates, some blank."""
    if not any(isinstance(value, datetime) for value in values):
        values = [*values, datetime(2025, 1, 1, 12)]
    expected = [
        None
        if value == ""
        else (value if isinstance(value, datetime) else datetime(*value.timetuple()[:3])).isoformat()
        for value in values
    ]
    assert [text or None for text in texts(values)] == expected
    assert [bool(typed) for typed in canonical_text(values)[1]] == [value != "" for value in values]


@given(st.lists(ANY_TIME, min_size=1, max_size=6))
def test_no_fraction_and_no_offset_is_lost(values: list[datetime]) -> None:
    """Times with microseconds or an offset are written with them."""
    assert texts(values) == [value.isoformat() for value in values]


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ([datetime(2025, 1, 1, 7), "tomorrow"], ["2025-01-01T07:00:00", "tomorrow"]),
        ([date(2025, 1, 1), ""], ["2025-01-01", ""]),
        ([1.0, 1.5, "", 2.0**60], ["1", "1.5", None, "1.152921504606847e+18"]),
        ([1.0, "x"], ["1", "x"]),
        ([True, 3.0], ["true", "3"]),
        ([timedelta(hours=-30, minutes=-5), time(7, 30)], ["-30:05:00", "07:30:00"]),
    ],
)
def test_mixed_columns(values: list[Any], expected: list[str | None]) -> None:
    """Each value by its own kind."""
    assert texts(values) == expected


def test_bytes_are_no_number() -> None:
    """Two digits in hexadecimal are not taken for what they would be as text."""
    assert texts([b"\x18", b"18"]) == [r"\x18", r"\x3138"]
