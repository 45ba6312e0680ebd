"""What is due, as people say it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import pandas as pd

from audit.figures import figure

Row = Mapping[Any, Any]
"""A row of the due list by its columns."""

CAUTION: Final = (
    "The dates come from the records alone. The operator's manual, the product's data sheet and local rules govern, "
    "and only licensed staff release an aircraft."
)


def where(row: Row) -> str:
    """`TARN-TEAL, left wing`; for what runs out its name."""
    return ", ".join(filter(None, (row["aircraft"], row["position"]))) or str(row["name"])


def what_is_due(row: Row) -> str:
    """What must not happen yet, or has to be done, and how much is left until then."""
    if row["kind"] == "treatment":
        if pd.isna(row["used"]):
            return f"{row['what']}, not known how much is left of {figure(row['limit'])} {row['unit']}"
        left = row["limit"] - row["used"]
        if left < 0:
            return f"{row['what']}, {figure(-left)} over the {figure(row['limit'])} {row['unit']} allowed"
        return f"{row['what']}, {figure(left)} of {figure(row['limit'])} {row['unit']} left"
    return str(row["what"])


def is_overdue(row: Row) -> bool:
    """Whether more has passed than is allowed before a treatment."""
    return bool(row["kind"] == "treatment" and row["used"] > row["limit"])


def last_day(row: Row) -> pd.Timestamp:
    """The last day on which what has a certain date is not overdue, or out of date: `due` is the first instant after
    it."""
    due: pd.Timestamp = row["due"]
    return due - pd.Timedelta(days=1)


def when_in_words(row: Row, zone: str | None = None) -> str:
    """When: `not before 2026-01-20 14:20 local (12:20 UTC)`, `last day 2026-02-01`, or the band of a forecast."""
    if row["kind"] == "hold":
        if pd.isna(row["due"]):
            return "until further work" if pd.isna(row["limit"]) else "end not known"
        # To the minute, and not a second too early.
        due = row["due"].ceil("min")
        utc = f"{due:%Y-%m-%d %H:%M} UTC"
        local = "" if zone is None else f"{due.tz_convert(zone):%Y-%m-%d %H:%M} local, "
        return f"not before {local}{utc}"
    if not pd.isna(row["due"]):
        if is_overdue(row):
            return f"overdue from {row['due']:%Y-%m-%d}"
        # Of a limit in days all may have passed, and the day is not over yet.
        today = "due today, " if row["used"] == row["limit"] else ""
        return f"{today}last day {last_day(row):%Y-%m-%d}"
    if pd.isna(row["likely"]):
        return "no date"
    if pd.isna(row["earliest"]):
        return f"about {row['likely']:%Y-%m-%d}"
    return f"about {row['likely']:%Y-%m-%d}, {row['earliest']:%Y-%m-%d} to {row['latest']:%Y-%m-%d}"
