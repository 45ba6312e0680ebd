"""Flight times that carry no zone: are they UTC, as they are read, or do they go by the clocks of the stations?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from audit.intake.clocks import wall_to_utc
from audit.intake.export import FlightClock

_LOOKED_AT: Final = 200_000
"""Flights from which on some aircraft stand for all."""

LONG: Final = 15 * 60
"""Seconds of a flight in which no record lies by a slip of the pen; no clock in use differs from UTC by less."""

Instants = NDArray[np.int64]


def flight_clock(
    tasks: pd.DataFrame, flights: pd.DataFrame, stations: pd.DataFrame, zones: Mapping[str, str]
) -> FlightClock | None:
    """What speaks against reading the times of `flights` as UTC; None where nothing can be held against them.

    `zones` are the time zones of stations by name; those of their location indicators are taken from `stations`.
    """
    if not {"origin", "destination"} <= set(flights) or tasks.empty or flights.empty:
        return None
    by_place = dict(zones)
    if "icao" in stations:
        there = stations.dropna(subset=["icao", "timezone"])
        by_place |= dict(zip(there["icao"].astype("str"), there["timezone"].astype("str"), strict=True))
    names = pd.Index(flights["aircraft"].cat.categories)
    flown_by = flights["aircraft"].cat.codes.to_numpy().astype(np.int64)
    told = flights["takeoff_at"].notna().to_numpy() & flights["landing_at"].notna().to_numpy() & (flown_by >= 0)
    # As many aircraft, the first by name, as have so many flights together.
    enough = np.searchsorted(np.cumsum(np.bincount(flown_by[told], minlength=len(names))), _LOOKED_AT) + 1
    placed = {
        name: flights[name].cat.rename_categories(str).astype("object").map(by_place).to_numpy(object)
        for name in ("origin", "destination")
    }
    told &= (flown_by < enough) & pd.notna(placed["origin"]) & pd.notna(placed["destination"])
    rows = np.flatnonzero(told)
    takeoff, landing = (_seconds(flights[name].iloc[rows]) for name in ("takeoff_at", "landing_at"))
    takeoff_by, landing_by = (
        _by_clock(at, placed[name][rows]) for at, name in ((takeoff, "origin"), (landing, "destination"))
    )
    work = names.get_indexer(tasks["aircraft"].astype("object"))
    of = flown_by[rows]
    at_work = np.isin(work, of) & tasks["started_at"].notna().to_numpy() & tasks["finished_at"].notna().to_numpy()
    begun, done = (_seconds(tasks.loc[at_work, name]) for name in ("started_at", "finished_at"))
    return FlightClock(
        int(at_work.sum()),
        _inside(work[at_work], begun, done, of, takeoff, landing),
        int((landing < takeoff).sum()),
        _inside(work[at_work], begun, done, of, takeoff_by, landing_by),
        int((landing_by < takeoff_by).sum()),
    )


def _seconds(times: pd.Series[pd.Timestamp]) -> Instants:
    return times.to_numpy("datetime64[us]").astype("datetime64[s]").astype(np.int64)


def _by_clock(at: Instants, zones: NDArray[np.object_]) -> Instants:
    """Times read as UTC, read by the clock of each zone instead; a time that never was is taken as it stands."""
    found = at.copy()
    for zone in sorted(set(zones)):
        rows = np.flatnonzero(zones == zone)
        read = wall_to_utc(at[rows].view("M8[s]").astype("M8[us]"), zone)[0]
        found[rows] = np.where(np.isnat(read), at[rows], read.astype("M8[s]").astype(np.int64))
    return found


def _inside(
    worked: Instants, begun: Instants, done: Instants, flown: Instants, takeoff: Instants, landing: Instants
) -> int:
    """How many records lie within one flight of their aircraft, as a whole or for as LONG."""
    order = np.lexsort((takeoff, flown))
    flown, takeoff, landing = flown[order], takeoff[order], landing[order]
    if not len(flown):
        return 0
    # Aircraft and second as one number, to be searched in.
    base = min(int(takeoff.min()), int(begun.min(initial=takeoff.min())))
    width = max(int(takeoff.max()), int(done.max(initial=takeoff.max()))) - base + 1
    found = np.zeros(len(worked), dtype=bool)
    # Flights of one aircraft in order of time: the last that took off by the start, and the last by the end.
    for at in (begun, done):
        last = np.searchsorted(flown * width + (takeoff - base), worked * width + (at - base), side="right") - 1
        there = np.maximum(last, 0)
        both = np.minimum(done, landing[there]) - np.maximum(begun, takeoff[there])
        found |= (
            (last >= 0)
            & (flown[there] == worked)
            & (begun < landing[there])
            & (begun <= done)
            & (both >= np.minimum(done - begun, LONG))
        )
    return int(found.sum())
