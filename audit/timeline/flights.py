"""Flights of each aircraft in order, with running sums of hours and cycles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from audit.timeline.instants import HOUR, Bools, Ints, Order, micros


@dataclass(frozen=True)
class Flights:
    """Flights up to the as-of time, in order of (aircraft, takeoff).

    `row` is the row in the flights frame. `flown` and `cycles` hold running sums with a leading 0: what passed between
    two places in the order is a difference of two entries. Flight time is summed in whole microseconds, so that fifty
    hours in tenths are fifty hours. `unsure` are places in the order of flights whose hours contradict their times: the
    smaller of the two is counted. `twice` are the rows of flights that are listed a second time under another number,
    which are left out.
    """

    order: Order
    row: Ints
    aircraft: Ints
    takeoff: Ints
    landing: Ints
    flown: Ints
    cycles: Ints
    unsure: Ints
    twice: Ints

    def first_from(self, aircraft: Ints, instants: Ints) -> Ints:
        """Place of the aircraft's first takeoff at or after each instant (it may belong to the next aircraft)."""
        return self.order.before(aircraft, instants)

    def took_off(self, aircraft: Ints, opens: Ints, closes: Ints) -> Bools:
        """Whether the aircraft took off in [opens, closes), which may be no time at all."""
        return self.first_from(aircraft, opens) < self.first_from(aircraft, closes)

    def next_takeoff(self, aircraft: Ints, instants: Ints) -> tuple[Ints, Ints]:
        """Place and instant of the aircraft's first takeoff at or after each instant; -1 and 0 where there is none."""
        place = self.first_from(aircraft, instants)
        inside = np.minimum(place, max(len(self.takeoff) - 1, 0))
        if not len(self.takeoff):
            return np.full(len(place), -1), np.zeros(len(place), np.int64)
        found = (place < len(self.takeoff)) & (self.aircraft[inside] == aircraft)
        return np.where(found, place, -1), np.where(found, self.takeoff[inside], 0)


_ROUNDED = HOUR // 10
"""Hours are written in tenths at the coarsest."""


def build_flights(frame: pd.DataFrame, aircraft: Ints, as_of: int, twice: Ints) -> Flights:
    """Order the flights that took off by `as_of`; blank hours are wheels-off to wheels-on, blank cycles are 1.

    Hours contradict the times where they are longer than from takeoff to landing, or less than half of that, by more
    than they may be rounded.
    """
    takeoff = micros(frame["takeoff_at"])
    known = takeoff <= as_of
    known[twice] = False
    # Most exports have no flight to leave out: their columns need no copy.
    kept = None if known.all() else np.flatnonzero(known)

    def existing(values: Ints) -> Ints:
        return values if kept is None else values[kept]

    order = Order.of(existing(aircraft), existing(takeoff))
    landing = micros(frame["landing_at"])
    flown = landing - takeoff
    unsure = np.zeros(len(frame), bool)
    if "flight_hours" in frame:
        hours = frame["flight_hours"].to_numpy(np.float64)
        if not np.isnan(hours).all():
            written = np.where(np.isnan(hours), flown, np.rint(np.nan_to_num(hours) * HOUR)).astype(np.int64)
            unsure = (written > flown + _ROUNDED) | (2 * written < flown - 2 * _ROUNDED)
            flown = np.where(unsure, np.minimum(written, flown), written)
    cycles = np.ones(len(frame), np.int64)
    if "cycles" in frame:
        cycles = frame["cycles"].fillna(1).to_numpy(dtype=np.int64)

    def ordered(values: Ints) -> Ints:
        return existing(values)[order.row]

    row = order.row if kept is None else kept[order.row]
    return Flights(
        order=order,
        row=row,
        aircraft=ordered(aircraft),
        takeoff=ordered(takeoff),
        landing=ordered(landing),
        flown=np.concatenate(([0], np.cumsum(ordered(flown)))),
        cycles=np.concatenate(([0], np.cumsum(ordered(cycles)))),
        unsure=np.flatnonzero(ordered(unsure)),
        twice=twice[takeoff[twice] <= as_of],
    )
