"""Aerodromes: a station and its location indicator are one place, and so are two stations of one indicator."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from audit.timeline.codes import MISSING, by_name
from audit.timeline.instants import Ints
from audit.timeline.timeline import Timeline


def location_indicators(timeline: Timeline) -> Mapping[str, str]:
    """The location indicator of each station that has one."""
    stations = timeline.tables.get("stations")
    if stations is None or "icao" not in stations:
        return {}
    listed = stations.loc[stations["icao"].notna(), ["station", "icao"]].astype("str")
    return dict(zip(listed["station"], listed["icao"], strict=True))


def aerodromes(timeline: Timeline, *columns: pd.Series) -> list[Ints]:
    """Columns of stations or airports by numbers, MISSING where blank."""
    indicator = location_indicators(timeline)
    # Numbered as they are met, over all columns: the same name has the same number in each.
    numbers: dict[str, int] = {}
    return [
        by_name(column, lambda name: numbers.setdefault(indicator.get(name, name), len(numbers)), MISSING)
        for column in columns
    ]
