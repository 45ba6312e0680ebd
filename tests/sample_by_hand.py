"""The sample records in plain Python: rows as they stand, times in UTC. What the product works out is worked out again.

Nothing here uses the product; sums are slow and obvious.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

FOLDER = Path(__file__).parents[1] / "sample_records/tarnwhistle"
Row = dict[str, Any]


def rows(table: str) -> list[Row]:
    """The rows of a table, every cell as text."""
    with (FOLDER / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


ZONES = {row["station"]: ZoneInfo(row["timezone"]) for row in rows("stations")}


def utc(text: str, station: str = "") -> datetime:
    """An instant: as written, else by the station's clock, else UTC."""
    at = datetime.fromisoformat(text)
    if at.tzinfo is None:
        at = at.replace(tzinfo=ZONES[station] if station else UTC)
    return at.astimezone(UTC)


def work(as_of: datetime) -> Iterator[Row]:
    """Closed task records begun by then, with `began`, `ended` and a list of positions; none without times."""
    for row in rows("tasks"):
        try:
            began, ended = (utc(row[name], row["station"]) for name in ("started_at", "finished_at"))
        except (ValueError, KeyError):
            continue
        if row["status"] in ("", "closed") and began <= as_of:
            places = [place.strip() for place in row["position"].split(";")]
            yield {**row, "began": began, "ended": ended, "places": places}


def on(row: Row, boot: Row) -> bool:
    """Whether the record is of the boot's position while it is installed there."""
    there = row["aircraft"] == boot["aircraft"] and ("all" in row["places"] or boot["position"] in row["places"])
    removed = boot["removed_at"]
    return (
        there and utc(boot["installed_at"]) <= row["began"] and (not removed or row["began"] < utc(boot["removed_at"]))
    )


def flown() -> Iterator[tuple[str, datetime, Decimal]]:
    """Aircraft, takeoff and hours of each flight."""
    for row in rows("flights"):
        off = utc(row["takeoff_at"])
        hours = row["flight_hours"]
        yield row["aircraft"], off, Decimal(hours) if hours else Decimal((utc(row["landing_at"]) - off).seconds) / 3600


def monday(at: datetime) -> date:
    """The Monday (UTC) of the week of an instant."""
    return at.date() - timedelta(days=at.weekday())
