"""Seasons by name, and seasons that hang on where an aircraft is stationed."""

from __future__ import annotations

from collections.abc import Mapping

from audit.rulebook.models import Season

SEASONS: Mapping[str, Season] = {
    "northern": Season.model_validate({"from": "10-01", "to": "04-30"}),
    "southern": Season.model_validate({"from": "04-01", "to": "10-31"}),
}
"""The icing seasons of the hemispheres that every settings file may name. Common practice, no source."""


class SeasonByBase(Season):
    """A season, and that of the aircraft whose base has another. Settings make it; no rule file holds it."""

    by_aircraft: Mapping[str, Season]


def month_days(season: Season) -> dict[str, str]:
    """A season as rule files write it."""
    first, last = (f"{month:02d}-{day:02d}" for month, day in (season.from_, season.to))
    return {"from": first, "to": last}


def season_text(season: Season) -> str:
    """A season as people read it: `10-01 to 04-30`."""
    return " to ".join(month_days(season).values())
