"""The seasons of each aircraft: those of the rule, or of the base where settings have it stationed.

The icing season of one hemisphere is not a season of the other. An aircraft that no settings have at a base, and that
works in the other hemisphere, has seasons in doubt: they may be at any time of the year.
"""

from __future__ import annotations

import numpy as np

from audit.evidence.doubt import CERTAIN, Rank, reasons_of
from audit.language.events import Season, SeasonByBase
from audit.timeline.hemispheres import NORTH, SOUTH, hemispheres
from audit.timeline.instants import FOREVER, NEVER, Bools, Ints, expand
from audit.timeline.seasons import season_windows
from audit.timeline.timeline import Timeline

Windows = tuple[Ints, Ints]
"""Starts and ends (excluded) of a season, year by year."""

SEASON_NOT_SET = "season not set: it works in the other hemisphere, and no settings have it at a base"
_MIDWINTER = {NORTH: (1, 15), SOUTH: (7, 15)}
"""The middle of the winter in each hemisphere, as (month, day)."""


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
    # There are few calendars, one for each season that a base has, and many aircraft.
    for number, (opens, closes) in enumerate(calendars):
        nth = np.searchsorted(opens, at, side="right") - 1
        inside = (which[aircraft] == number) & (nth >= 0) & (at < np.append(closes, NEVER)[nth])
        start[inside], end[inside] = opens[nth[inside]], closes[nth[inside]]
    return start, end


def other_hemisphere(season: Season | None, timeline: Timeline) -> Bools:
    """Which aircraft work in the other hemisphere than the season is of, and have no base with a season of its own.

    A season with the midwinter of both hemispheres, or of none, is of neither.
    """
    of = [side for side, day in _MIDWINTER.items() if season is not None and _holds(season, day)]
    if season is None or len(of) != 1:
        return np.zeros(len(timeline.aircraft_names), bool)
    stationed = season.by_aircraft if isinstance(season, SeasonByBase) else {}
    unnamed = np.array([str(name) not in stationed for name in timeline.aircraft_names], bool)
    elsewhere: Bools = unnamed & (hemispheres(timeline) == -of[0])
    return elsewhere


def season_doubt(season: Season | None, timeline: Timeline, aircraft: Ints) -> Ints:
    """The number of the reason why the seasons of each aircraft asked about are in doubt; CERTAIN where they aren't."""
    elsewhere = other_hemisphere(season, timeline)
    if not elsewhere.any():
        return np.full(len(aircraft), CERTAIN)
    return np.where(elsewhere[aircraft], reasons_of(timeline).number(Rank.NOT_SUPPLIED, SEASON_NOT_SET), CERTAIN)


def _holds(season: Season, day: tuple[int, int]) -> bool:
    first, last = season.from_, season.to
    return first <= day <= last if first <= last else day >= first or day <= last


def _calendars(season: Season | None, timeline: Timeline) -> tuple[list[Windows], Ints]:
    """The different seasons, and which of them each aircraft has."""
    which = np.zeros(len(timeline.aircraft_names), np.int64)
    always = np.array([timeline.since]), np.array([FOREVER])
    if season is None:
        return [always], which
    calendars = [season]
    if isinstance(season, SeasonByBase):
        for other in dict.fromkeys(season.by_aircraft.values()):
            which[[season.by_aircraft.get(str(name)) == other for name in timeline.aircraft_names]] = len(calendars)
            calendars.append(other)
    windows = [season_windows(one.from_, one.to, timeline.since, timeline.as_of) for one in calendars]
    elsewhere = other_hemisphere(season, timeline)
    if elsewhere.any():
        which[elsewhere] = len(windows)
        windows.append(always)
    return windows, which
