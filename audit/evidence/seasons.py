"""The seasons of each aircraft: those of the rule, or of the base where settings have it stationed."""

from __future__ import annotations

import numpy as np

from audit.language.events import Season, SeasonByBase
from audit.timeline.instants import FOREVER, NEVER, Ints, expand
from audit.timeline.seasons import season_windows
from audit.timeline.timeline import Timeline

Windows = tuple[Ints, Ints]
"""Starts and ends (excluded) of a season, year by year."""


def seasons_of(season: Season | None, timeline: Timeline, aircraft: Ints) -> tuple[Ints, Ints, Ints, Ints]:
    """Every season of each aircraft asked about; without one, all time from the export's first instant on.

    Returns the index into `aircraft`, the season's number, its start and its end (excluded).
    """
    calendars, which = _calendars(season, timeline)
    lengths = np.array([len(opens) for opens, _ in calendars])
    firsts = np.cumsum(lengths) - lengths
    mine = which[aircraft]
    index, number = expand(lengths[mine])
    place = firsts[mine[index]] + number
    opens, closes = (np.concatenate(side) for side in zip(*calendars, strict=True))
    return index, number, opens[place], closes[place]


def season_around(season: Season, timeline: Timeline, aircraft: Ints, at: Ints) -> Windows:
    """Start and end (excluded) of the season in which each instant lies for its aircraft; NEVER both where in none."""
    calendars, which = _calendars(season, timeline)
    start, end = np.full(len(at), NEVER), np.full(len(at), NEVER)
    for number, (opens, closes) in enumerate(calendars):
        nth = np.searchsorted(opens, at, side="right") - 1
        inside = (which[aircraft] == number) & (nth >= 0) & (at < np.append(closes, NEVER)[nth])
        start[inside], end[inside] = opens[nth[inside]], closes[nth[inside]]
    return start, end


def _calendars(season: Season | None, timeline: Timeline) -> tuple[list[Windows], Ints]:
    """The different seasons, and which of them each aircraft has."""
    which = np.zeros(len(timeline.aircraft_names), np.int64)
    if season is None:
        return [(np.array([timeline.since]), np.array([FOREVER]))], which
    calendars = [season]
    if isinstance(season, SeasonByBase):
        for other in dict.fromkeys(season.by_aircraft.values()):
            which[[season.by_aircraft.get(str(name)) == other for name in timeline.aircraft_names]] = len(calendars)
            calendars.append(other)
    return [season_windows(one.from_, one.to, timeline.since, timeline.as_of) for one in calendars], which
