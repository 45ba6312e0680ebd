"""On which side of the equator an aircraft works, as far as the time zones of its stations tell."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib import resources

import numpy as np

from audit.timeline.aerodromes import aerodromes
from audit.timeline.instants import Ints
from audit.timeline.timeline import Timeline

NEAR_THE_EQUATOR = 12.0
"""Degrees of latitude within which a zone says nothing: it may span the equator (Lubumbashi, at 11.7 degrees, does)."""
NORTH, SOUTH = 1, -1


def hemispheres(timeline: Timeline) -> Ints:
    """NORTH or SOUTH for each aircraft, where most of its closed records and takeoffs lie; 0 where that isn't known."""
    return timeline.memo("hemispheres", lambda: _hemispheres(timeline))


def _hemispheres(timeline: Timeline) -> Ints:
    fleet = len(timeline.aircraft_names)
    if not timeline.supplied("stations"):
        return np.zeros(fleet, np.int64)
    stations, flights = timeline.tables["stations"], timeline.flights
    columns = [stations["station"], timeline.tasks["station"]]
    if timeline.supplied("flights") and "origin" in timeline.tables["flights"]:
        columns.append(timeline.tables["flights"]["origin"])
    listed, of_task, *origin = aerodromes(timeline, *(column.astype("category") for column in columns))
    side = np.zeros(max(int(part.max(initial=0)) for part in (listed, of_task, *origin)) + 2, np.int64)
    # What is blank or listed nowhere is MISSING (-1) or a number of its own, and lies on no side.
    side[listed] = [_side(str(zone)) for zone in stations["timezone"]]
    side[-1] = 0
    worked = timeline.aircraft[timeline.rows]
    # Of no records bincount makes whole numbers, to which no others can be added in place.
    total = np.bincount(worked, side[of_task[timeline.rows]], fleet).astype(np.float64)
    for part in origin:
        total += np.bincount(flights.aircraft, side[part[flights.row]], fleet)
    return np.sign(total).astype(np.int64)


def _side(zone: str) -> int:
    latitude = latitudes().get(zone, 0.0)
    return 0 if abs(latitude) < NEAR_THE_EQUATOR else NORTH if latitude > 0 else SOUTH


@cache
def latitudes() -> Mapping[str, float]:
    """The latitude in degrees of the principal place of each time zone, as the tables of the IANA database have it."""
    found: dict[str, float] = {}
    for name in ("zone1970.tab", "zone.tab"):
        table = resources.files("tzdata").joinpath("zoneinfo", name).read_text(encoding="utf-8")
        for line in table.splitlines():
            if not line.startswith("#"):
                _, place, zone, *_ = line.split("\t")
                # ISO 6709: +DDMM+DDDMM or +DDMMSS+DDDMMSS.
                sign = -1 if place[0] == "-" else 1
                found[zone] = sign * (int(place[1:3]) + int(place[3:5]) / 60)
    return found
