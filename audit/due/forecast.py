"""When a boot will have used up what is left of a limit: by what its aircraft flew of late, with a band around it.

The band comes from the fleet's own past: at each week before the as-of time the same forecast is made, and held
against what came. The forecast is that an aircraft goes on as in the last `TRAILING` days. (Daily use smoothed
exponentially was tried on the flights that left New York in 2013: with the best of nine weights, 0.02, half of the
dates of the next 50 hours were within 10.8 days, against 11.1: too little for one more figure to choose.)
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from audit.timeline.instants import DAY, FOREVER, Bools, Ints
from audit.timeline.timeline import Timeline

TRAILING: Final = 56 * DAY
WEEK: Final = 7 * DAY
LONGEST: Final = 60 * DAY
"""A forecast that goes on for longer has no band; starting value, no public source."""
BAND: Final = 0.80
"""The share of past forecasts that the band holds."""
ENOUGH_CASES: Final = 100
"""Past forecasts that a band needs; starting value, no public source."""
BUCKETS: Final = 10
"""A band is worked out for each tenth of the limit that is left, rounded up."""

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Band:
    """How past forecasts of one amount came out: `low` and `high` are the factors between which `BAND` of all times
    lay, beside the forecast ones.

    `cases` is their number; with fewer than ENOUGH_CASES there is no band (NaN). `coverage` is the share of the later
    half of them that a band made from the earlier half would have held.
    """

    low: float
    high: float
    coverage: float
    cases: int


@dataclass(frozen=True)
class Forecast:
    """When each amount will be used up, in microseconds UTC: likely, and the ends of the band.

    FOREVER where there is not enough history: of the aircraft for `likely`, of the fleet for the band. `far` marks
    those without a band since the amount that it would be of (see BUCKETS) takes longer than LONGEST. `bands` are those
    that were used.
    """

    earliest: Ints
    likely: Ints
    latest: Ints
    far: Bools
    bands: tuple[Band, ...]


@dataclass(frozen=True)
class Log:
    """What each aircraft flew, as a running total over all flights in order of (aircraft, takeoff)."""

    timeline: Timeline
    total: Ints

    def at(self, aircraft: Ints, instants: Ints) -> Ints:
        """The running total of each aircraft's takeoffs before an instant."""
        return self.total[self.timeline.flights.first_from(aircraft, instants)]

    def pace(self, aircraft: Ints, instants: Ints) -> Floats:
        """What was flown in a day over the TRAILING days before each instant; NaN where the aircraft flew for the first
        time later than they begin, or not at all in them."""
        flights = self.timeline.flights
        first, seen = flights.next_takeoff(aircraft, np.full(len(aircraft), self.timeline.since))
        begun = (first >= 0) & (seen <= instants - TRAILING + WEEK)
        flown = self.at(aircraft, instants) - self.at(aircraft, instants - TRAILING)
        return np.where(begun & (flown > 0), flown / (TRAILING / DAY), np.nan)

    def passed(self, aircraft: Ints, instants: Ints, amount: float) -> Floats:
        """The days from each instant to the takeoff of the flight with which the amount is exceeded; infinite where the
        log ends before."""
        flights = self.timeline.flights
        place = np.searchsorted(self.total, self.at(aircraft, instants) + amount, side="right") - 1
        there = place < flights.first_from(aircraft, np.full(len(aircraft), FOREVER))
        inside = np.where(there, place, 0)
        return np.where(there, (flights.takeoff[inside] - instants) / DAY, np.inf)


def forecast(log: Log, aircraft: Ints, left: Floats, limit: Floats) -> Forecast:
    """Forecast when what is `left` of a `limit` (both in units of the log, limit > 0) will be used up."""
    as_of = log.timeline.as_of
    pace = log.pace(aircraft, np.full(len(aircraft), as_of))
    days = left / pace
    bucket = np.clip(np.ceil(left / limit * BUCKETS), 1, BUCKETS) * limit / BUCKETS
    low, high = np.full(len(left), np.nan), np.full(len(left), np.nan)
    near, far = days <= LONGEST / DAY, bucket / pace > LONGEST / DAY
    bands = []
    for amount in np.unique(bucket[near]).tolist():
        band = band_of(log, amount)
        here = near & (bucket == amount)
        low[here], high[here] = band.low, band.high
        if band.cases >= ENOUGH_CASES or not far[here].all():
            bands.append(band)

    def instant(span: Floats) -> Ints:
        known = span < (FOREVER - as_of) / DAY / 2
        return np.where(known, as_of + np.rint(np.where(known, span, 0) * DAY).astype(np.int64), FOREVER)

    return Forecast(instant(days * low), instant(days), instant(days * high), far & np.isnan(low), tuple(bands))


def band_of(log: Log, amount: float) -> Band:
    """Make the forecast of an amount at each week of the past, and see how it came out.

    Only weeks after which the log goes on for twice the LONGEST forecast are looked at, whatever came: else those that
    took long would be missing.
    """
    week, ratios = past_ratios(log, amount)
    if len(ratios) < ENOUGH_CASES:
        return Band(np.nan, np.nan, np.nan, len(ratios))
    middle = np.median(week)
    earlier = _quantiles(ratios[week < middle])
    later = ratios[week >= middle]
    held = (later >= earlier[0]) & (later <= earlier[1])
    low, high = _quantiles(ratios)
    return Band(low, high, float(held.mean()), len(ratios))


def past_ratios(log: Log, amount: float) -> tuple[Ints, Floats]:
    """The weeks (instants) at which a forecast of the amount was possible, and how the time it took compares."""
    timeline = log.timeline
    weeks = np.arange(timeline.as_of - 2 * LONGEST, timeline.since + TRAILING, -WEEK)
    fleet = np.unique(timeline.flights.aircraft)
    aircraft, week = np.repeat(fleet, len(weeks)), np.tile(weeks, len(fleet))
    days = amount / log.pace(aircraft, week)
    asked: Bools = days <= LONGEST / DAY
    aircraft, week, days = aircraft[asked], week[asked], days[asked]
    return week, log.passed(aircraft, week, amount) / days


def _quantiles(ratios: Floats) -> tuple[float, float]:
    ordered = np.sort(ratios)
    if not len(ordered):
        return np.nan, np.nan
    tail = (1 - BAND) / 2
    low, high = int(np.floor(tail * len(ordered))), int(np.ceil((1 - tail) * len(ordered))) - 1
    return float(ordered[low]), float(ordered[high])
