"""The due list as a calendar: iCalendar, RFC 5545."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Final

import pandas as pd

from audit.findings.result import DueList
from audit.report.due_words import CAUTION, Row, is_overdue, last_day, what_is_due, when_in_words, where
from audit.report.visible import visible

LONGEST_LINE: Final = 75
"""Octets of a line without its break (RFC 5545, 3.1)."""


def calendar(due: DueList, version: str) -> str:
    """Return the dated rows as events: the end of a hold at its instant, everything else on its last day (UTC).

    What is overdue stands on the day from which it is, a forecast on the first day of its band, where it has one. Rows
    without a date are not in it. The same row has the same UID tomorrow, so that a calendar that takes the file again
    moves the event.
    """
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        f"PRODID:-//deicer-audit//{version}//EN",
        *(line for row in due.rows.to_dict("records") for line in _event(row, due.as_of)),
        "END:VCALENDAR",
    ]
    return "".join(f"{folded}\r\n" for line in lines for folded in _folded(line))


def _event(row: Row, as_of: pd.Timestamp) -> Iterator[str]:
    at = first_date(row)
    if at is None:
        return
    yield "BEGIN:VEVENT"
    yield f"UID:{_uid(row)}"
    yield f"DTSTAMP:{as_of:%Y%m%dT%H%M%SZ}"
    yield f"DTSTART:{at:%Y%m%dT%H%M%SZ}" if row["kind"] == "hold" else f"DTSTART;VALUE=DATE:{at:%Y%m%d}"
    yield f"SUMMARY:{_text(f'{where(row)}: {what_is_due(row)}'.removeprefix(': '))}"
    yield f"DESCRIPTION:{_text(' '.join(filter(None, (when_in_words(row) + '.', row['note'], CAUTION))))}"
    yield "TRANSP:TRANSPARENT"
    yield "END:VEVENT"


def first_date(row: Row) -> pd.Timestamp | None:
    """The date that a row stands on: the certain one, else the first of its band, else the likely one."""
    if not pd.isna(row["due"]):
        when: pd.Timestamp = row["due"] if row["kind"] == "hold" or is_overdue(row) else last_day(row)
        return when
    return next((row[name] for name in ("earliest", "likely") if not pd.isna(row[name])), None)


def _uid(row: Row) -> str:
    names = ("kind", "rule", "aircraft", "position", "component_serial", "work_order", "task_id", "name", "unit")
    # Whoever was authorised anew after a time without has two rows.
    since = [row["since"]] if row["kind"] == "authorisation" else []
    key = "\n".join(str(value) for value in [*(row[name] for name in names), *since])
    return f"{hashlib.sha256(key.encode()).hexdigest()[:32]}@deicer-audit"


def _text(text: str) -> str:
    """Escape as RFC 5545, 3.3.11 says; what a calendar would obey or hide is made visible."""
    return visible(text).replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")


def _folded(line: str) -> Iterator[str]:
    """Cut a line into pieces of at most LONGEST_LINE octets, between characters; all but the first are indented."""
    piece, space = "", LONGEST_LINE
    for character in line:
        size = len(character.encode("utf-8"))
        if size > space:
            yield piece
            piece, space = " ", LONGEST_LINE - 1
        piece, space = piece + character, space - size
    yield piece
