"""Frames as CSV and JSON, read back by the standard library's own readers."""

from __future__ import annotations

import csv
import io
import json
from typing import Any

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.report.listing import records
from audit.report.rows import csv_text, day_and_time, instant, json_rows

# Half a surrogate pair is not text; NUL has a test of its own.
TEXTS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"))


def frame(**columns: Any) -> pd.DataFrame:
    """Return a frame with the dtypes that findings have."""
    return pd.DataFrame(
        {
            name: pd.Series(values, dtype="str" if isinstance(values[0], str) else None)
            for name, values in columns.items()
        }
    )


def read_csv(text: str) -> list[list[str]]:
    """Read CSV with the standard library."""
    return list(csv.reader(io.StringIO(text, newline="")))


@given(st.lists(st.tuples(TEXTS, TEXTS), min_size=1))
def test_any_text_survives_json(rows: list[tuple[str, str]]) -> None:
    """Whatever the records hold comes back from JSON unchanged; blank text is null."""
    table = pd.DataFrame(rows, columns=["a", 'b "quoted"'], dtype="str")
    back = [tuple(row.values()) for row in json.loads(json_rows(table))]
    assert back == [(a or None, b or None) for a, b in rows]


@given(st.lists(st.tuples(TEXTS, TEXTS), min_size=1))
def test_any_text_survives_csv(rows: list[tuple[str, str]]) -> None:
    """Whatever the records hold comes back from CSV, save the apostrophe before a formula."""
    table = pd.DataFrame(rows, columns=["a", "b"], dtype="str")
    back = read_csv(csv_text(table))[1:]
    for written, original in zip(back, rows, strict=True):
        for cell, text in zip(written, original, strict=True):
            assert cell in (text, f"'{text}")
            assert not cell.startswith(("=", "@", "\t", "\r"))


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ("=1+1", "'=1+1"),
        ('=HYPERLINK("http://x","y")', '\'=HYPERLINK("http://x","y")'),
        ("+cmd|' /C calc'!A0", "'+cmd|' /C calc'!A0"),
        ("-2+3", "'-2+3"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1", "'\t=1"),
        ("＝1", "'＝1"),
        ("-", "'-"),
        ("-0.5", "-0.5"),
        ("+12", "+12"),
        ("W-17", "W-17"),
        ("a=b", "a=b"),
        ("nul\x00here", "nul\u2400here"),
    ],
)
def test_a_formula_is_not_live_in_csv(text: str, cell: str) -> None:
    """A cell that a spreadsheet would run gets an apostrophe; plain numbers and other text don't."""
    assert read_csv(csv_text(frame(a=[text])))[1] == [cell]


def test_csv_quotes_only_where_needed() -> None:
    """RFC 4180: quotes around commas, quotes and line ends, quotes doubled, missing cells empty."""
    table = frame(a=["x", "a,b", 'say "so"', "two\nlines", "\r"], n=[1, 2, 3, 4, 5])
    table.loc[0, "a"] = None
    assert csv_text(table) == 'a,n\n,1\n"a,b",2\n"say ""so""",3\n"two\nlines",4\n"\'\r",5\n'


def test_numbers_carry_no_noise() -> None:
    """Floats are rounded to four decimals and written as short as they can be; NaN is not a number."""
    table = frame(a=[24.0, 0.1 + 0.2, 18.800000000000001, -0.00001, float("nan")])
    assert csv_text(table) == "a\n24\n0.3\n18.8\n0\n\n"
    assert [row["a"] for row in json.loads(json_rows(table))] == [24, 0.3, 18.8, 0, None]


def test_times_are_utc_with_z() -> None:
    """Instants are written to the second in UTC, with a fraction only where there is one."""
    times = pd.Series(
        pd.to_datetime(["2025-03-30T02:30:00+01:00", "2025-03-30T01:30:00.250Z", None], utc=True, format="mixed")
    ).astype("datetime64[us, UTC]")
    assert [row["at"] for row in json.loads(json_rows(pd.DataFrame({"at": times})))] == [
        "2025-03-30T01:30:00Z",
        "2025-03-30T01:30:00.250000Z",
        None,
    ]


def test_truth_is_a_json_boolean() -> None:
    """`idle` is true or false, a number is a number, in both formats."""
    table = frame(idle=[True, False], n=[3, 0])
    assert json.loads(json_rows(table)) == [{"idle": True, "n": 3}, {"idle": False, "n": 0}]
    assert csv_text(table) == "idle,n\ntrue,3\nfalse,0\n"


def test_no_rows_leave_a_header() -> None:
    """An empty frame, whatever its dtypes, is a header in CSV and an empty array in JSON."""
    empty = pd.DataFrame(columns=["a", "b"])
    assert (csv_text(empty), json_rows(empty)) == ("a,b\n", "[]")


def test_an_instant_to_read() -> None:
    """A person reads minutes, and seconds only where there are some; no instant is unknown."""
    assert day_and_time("2026-05-31T22:10:00Z") == "2026-05-31 22:10 UTC"
    assert day_and_time("2026-05-31T22:10:09Z") == "2026-05-31 22:10:09 UTC"
    assert day_and_time(instant(pd.NaT)) == "unknown"


def test_text_of_rules_is_never_cut() -> None:
    """What is to be done may be long, and its last words matter; a cell of a record is cut at some length."""
    long = "have it inspected, " * 40 + "leave the original entry as it is"
    row = {"put_right": long, "basis": long, "message": long, "work_order": long}
    [found] = records(pd.DataFrame([row]))
    assert found["put_right"] == found["basis"] == found["message"] == long
    assert found["work_order"].endswith("characters)")
