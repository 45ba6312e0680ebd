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
        left = row["limit"] - row["used"]
        if left < 0:
            return f"{row['what']}, {figure(-left)} {row['unit']} over the {figure(row['limit'])} allowed"
        return f"{row['what']}, {figure(left)} of {figure(row['limit'])} {row['unit']} left"
    return str(row["what"])


def when_in_words(row: Row, zone: str | None = None) -> str:
    """When: `not before 2026-01-20 14:20 local (12:20 UTC)`, `by 2026-02-01`, or the band of a forecast."""
    if row["kind"] == "hold":
        if pd.isna(row["due"]):
            return "until further work" if pd.isna(row["limit"]) else "end not known"
        utc = f"{row['due']:%Y-%m-%d %H:%M} UTC"
        local = "" if zone is None else f"{row['due'].tz_convert(zone):%Y-%m-%d %H:%M} local, "
        return f"not before {local}{utc}"
    if not pd.isna(row["due"]):
        if row["kind"] == "treatment":
            return f"overdue from {row['due']:%Y-%m-%d}"
        return f"last day {row['due'] - pd.Timedelta(days=1):%Y-%m-%d}"
    if pd.isna(row["likely"]):
        return "no date"
    if pd.isna(row["earliest"]):
        return f"about {row['likely']:%Y-%m-%d}"
    return f"about {row['likely']:%Y-%m-%d}, {row['earliest']:%Y-%m-%d} to {row['latest']:%Y-%m-%d}"
