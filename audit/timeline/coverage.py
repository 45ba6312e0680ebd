"""Where the flight log does not cover an aircraft: times in which it may have flown though no flight is recorded."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import IntEnum
from functools import cached_property
from typing import Final

import numpy as np

from audit.timeline.aerodromes import aerodromes
from audit.timeline.codes import MISSING, codes_in, codes_of, may_be, nearly_equal
from audit.timeline.instants import (
    DAY,
    FOREVER,
    NEVER,
    Bools,
    Ints,
    Order,
    expand,
    group_begins,
    micros,
    running_max,
    take,
)
from audit.timeline.timeline import Timeline

LONGEST_PARKED = 14 * DAY
"""No gap in the flights of an aircraft is unusual up to here. Starting value, no public source."""
TIMES_ITS_HABIT = 4
"""A gap is unusual if it is so many times as long as nine of ten gaps of the aircraft."""
ENOUGH_GAPS = 8
"""From so many gaps on an aircraft has a habit of its own; with fewer that of the fleet is taken."""


class Missing(IntEnum):
    """Why flights may be missing in a stretch of time."""

    TABLE = 0
    AIRCRAFT = 1
    GAP = 2
    ELSEWHERE = 3
    LEG = 4
    NAME = 5
    UNREADABLE = 6
    HOURS = 7
    CYCLES = 8
    TWICE = 9
    AFTER = 10


WHY = {
    Missing.TABLE: "table not supplied: flights",
    Missing.AIRCRAFT: "no flights of this aircraft in the log",
    Missing.GAP: "no flights of this aircraft in the log for an unusually long time",
    Missing.ELSEWHERE: "work at another station without a flight in between: flights are missing in the log",
    Missing.LEG: "a leg is missing in the flight log: the next flight begins elsewhere",
    Missing.NAME: "the flight log knows an aircraft of nearly the same name",
    Missing.UNREADABLE: "a flight in quarantine may fall in this time",
    Missing.HOURS: "hours flown contradict takeoff and landing",
    Missing.CYCLES: "can't be read: flights.cycles",
    Missing.TWICE: "a flight is listed twice under two numbers",
    Missing.AFTER: "still running at the as-of time",
}


_NO_ROWS: Ints = np.empty(0, np.int64)


ANY_AIRCRAFT: Final = MISSING
"""In the place of an aircraft's number: a stretch of any of them."""
_NO_AIRCRAFT: Final = MISSING - 1
"""Outside the order: neither an aircraft nor ANY_AIRCRAFT."""


@dataclass(frozen=True)
class Uncovered:
    """Stretches [start, end) in which an aircraft may have flown unrecorded, and why (a `Missing`).

    A flight that doesn't tell its aircraft may be of any: it is a stretch of ANY_AIRCRAFT, not one of each.
    """

    aircraft: Ints
    start: Ints
    end: Ints
    why: Ints

    def take(self, index: Ints | Bools) -> Uncovered:
        """The stretches at `index`."""
        return Uncovered(self.aircraft[index], self.start[index], self.end[index], self.why[index])

    def first_from(self, aircraft: Ints, instants: Ints, counted: Callable[[Ints], Bools]) -> Ints:
        """The first uncovered instant at or after each instant; FOREVER where there is none.

        `counted` tells which stretches count, by their `why`.
        """
        # Which kinds count differs from view to view: each choice is put in order once.
        kinds = frozenset(self._kinds[counted(self._kinds)].tolist())
        if kinds not in self._in_order:
            rows = np.flatnonzero(np.isin(self.why, [*kinds]))
            of_any = self.aircraft[rows] == ANY_AIRCRAFT
            self._in_order[kinds] = _InOrder.of(self.take(rows[~of_any])), _InOrder.of(self.take(rows[of_any]))
        of_one, of_any_aircraft = self._in_order[kinds]
        found = of_one.first_from(aircraft, instants)
        if len(of_any_aircraft.start):
            anyone = np.full(len(aircraft), ANY_AIRCRAFT)
            found = np.minimum(found, of_any_aircraft.first_from(anyone, instants))
        return found

    @cached_property
    def _kinds(self) -> Ints:
        return np.unique(self.why)

    @cached_property
    def _in_order(self) -> dict[frozenset[int], tuple[_InOrder, _InOrder]]:
        """Those of some kinds, once they were asked for: of known aircraft, and of any."""
        return {}


@dataclass(frozen=True)
class _InOrder:
    """Stretches in order of (aircraft, start), and how far those up to each reach."""

    order: Order
    aircraft: Ints
    start: Ints
    reach: Ints

    @classmethod
    def of(cls, stretches: Uncovered) -> _InOrder:
        # Owners are numbered from 0: ANY_AIRCRAFT comes ahead.
        order = Order.of(stretches.aircraft + 1, stretches.start)
        inside = stretches.take(order.row)
        return cls(order, inside.aircraft, inside.start, running_max(inside.end, group_begins(inside.aircraft)))

    def first_from(self, aircraft: Ints, instants: Ints) -> Ints:
        if not len(self.aircraft):
            return np.full(len(aircraft), FOREVER)
        last = self.order.until(aircraft + 1, instants) - 1
        inside = (take(self.aircraft, last, _NO_AIRCRAFT) == aircraft) & (take(self.reach, last, NEVER) > instants)
        ahead = take(self.aircraft, last + 1, _NO_AIRCRAFT) == aircraft
        return np.where(inside, instants, np.where(ahead, take(self.start, last + 1, FOREVER), FOREVER))


def uncovered(timeline: Timeline) -> Uncovered:
    """Where the flight log does not cover the aircraft, the time after the as-of time included."""
    return timeline.memo("uncovered", lambda: _uncovered(timeline))


def _uncovered(timeline: Timeline) -> Uncovered:
    fleet = np.arange(len(timeline.aircraft_names))
    whole = np.full(len(fleet), NEVER), np.full(len(fleet), timeline.as_of + 1)
    parts = [_stretches(fleet, whole[1], np.full(len(fleet), FOREVER), Missing.AFTER)]
    if not timeline.supplied("flights"):
        parts.append(_stretches(fleet, *whole, Missing.TABLE))
    else:
        known = np.isin(fleet, timeline.flights.aircraft)
        near = timeline.near_names.get(("aircraft", "flights"), frozenset())
        alike = np.array([str(name) in near for name in timeline.aircraft_names], bool)
        parts.append(_stretches(fleet[alike], whole[0][alike], whole[1][alike], Missing.NAME))
        lacking = ~known & ~alike
        parts.append(_stretches(fleet[lacking], whole[0][lacking], whole[1][lacking], Missing.AIRCRAFT))
        parts += [_unusual_gaps(timeline), _missing_legs(timeline), _elsewhere(timeline)]
        parts += [_of_nearly_its_name(timeline), _unreadable(timeline), *_in_doubt(timeline)]
    return Uncovered(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def _stretches(aircraft: Ints, start: Ints, end: Ints, why: Missing) -> tuple[Ints, Ints, Ints, Ints]:
    return aircraft, start, end, np.full(len(aircraft), int(why))


def _unusual_gaps(timeline: Timeline) -> tuple[Ints, Ints, Ints, Ints]:
    """Stretches without a flight that are long for the aircraft, up to the as-of time."""
    gaps = _gaps(timeline)
    mine, of = gaps.length[gaps.between], gaps.aircraft[gaps.between]
    order = Order.of(of, mine).row
    count = np.bincount(of, minlength=len(timeline.aircraft_names))
    first = np.cumsum(count) - count
    habit = np.full(len(count), _fleet_habit(timeline, gaps))
    own = np.flatnonzero(count >= ENOUGH_GAPS)
    # The length that nine of ten gaps of an aircraft stay below: all lengths stand in order, aircraft by aircraft.
    habit[own] = TIMES_ITS_HABIT * mine[order][(first + count * 9 // 10)[own]]
    unusual = np.flatnonzero(gaps.length > np.maximum(LONGEST_PARKED, habit[gaps.aircraft]))
    opens = gaps.opens[unusual]
    return _stretches(gaps.aircraft[unusual], opens, opens + gaps.length[unusual], Missing.GAP)


def fleet_habit(timeline: Timeline) -> int:
    """How long a gap may be, of an aircraft without a habit of its own; FOREVER where the fleet has none either."""
    return _fleet_habit(timeline, _gaps(timeline))


def _fleet_habit(timeline: Timeline, gaps: _Gaps) -> int:
    if timeline.fleet_habit is not None:
        return timeline.fleet_habit
    lengths = gaps.length[gaps.between]
    place = len(lengths) * 9 // 10
    return TIMES_ITS_HABIT * int(np.partition(lengths, place)[place]) if len(lengths) >= ENOUGH_GAPS else FOREVER


def recorded_until(timeline: Timeline) -> int:
    """When the last task record of anybody ends, where none comes for unusually long before the as-of time: the export
    of the records was cut. FOREVER where it was not."""
    if timeline.recorded_until is not None:
        return timeline.recorded_until
    return timeline.memo("recorded until", lambda: _recorded_until(timeline))


def _recorded_until(timeline: Timeline) -> int:
    began, ended = (timeline.times[name] for name in ("started_at", "finished_at"))
    known = (began != NEVER) & (began <= timeline.as_of)
    last = int(ended[known].max(initial=NEVER))
    if known.sum() <= ENOUGH_GAPS or timeline.as_of - last <= LONGEST_PARKED:
        return FOREVER
    gaps = np.diff(np.sort(began[known]))
    place = len(gaps) * 9 // 10
    habit = TIMES_ITS_HABIT * int(np.partition(gaps, place)[place])
    return last if timeline.as_of - last > habit else FOREVER


@dataclass(frozen=True)
class _Gaps:
    """Times without a flight, by aircraft; `between` tells those between two flights: the others are the first and the
    last."""

    aircraft: Ints
    opens: Ints
    length: Ints
    between: Bools


def _gaps(timeline: Timeline) -> _Gaps:
    flights = timeline.flights
    fleet = np.unique(flights.aircraft)
    # A last flight of each aircraft just after the as-of time closes the gap in which it is now.
    aircraft = np.concatenate((flights.aircraft, fleet))
    now = np.full(len(fleet), timeline.as_of + 1)
    closes = np.concatenate((flights.takeoff, now))
    opens = np.full(len(aircraft), timeline.since)
    order = Order.of(aircraft, closes).row
    aircraft, closes = aircraft[order], closes[order]
    landings = np.concatenate((flights.landing, now))[order]
    same = aircraft[1:] == aircraft[:-1]
    opens[1:][same] = landings[:-1][same]
    return _Gaps(aircraft, opens, closes - opens, np.append(False, same) & (closes <= timeline.as_of))


def _missing_legs(timeline: Timeline) -> tuple[Ints, Ints, Ints, Ints]:
    """Between two flights of an aircraft of which the second begins where the first did not end: two that follow each
    other in the log, or in all that it has with those that were set aside."""
    flights, frame = timeline.flights, timeline.tables["flights"]
    if "origin" not in frame or "destination" not in frame:
        return _stretches(_NO_ROWS, _NO_ROWS, _NO_ROWS, Missing.LEG)
    aside = timeline.aside.get("flights", frame.iloc[:0])
    places = aerodromes(timeline, *(part[name] for name in ("origin", "destination") for part in (frame, aside)))
    came, went = ((known[flights.row], other) for known, other in zip(places[::2], places[1::2], strict=True))
    takeoff, landing = micros(aside["takeoff_at"]), micros(aside["landing_at"])
    began = np.where(takeoff == NEVER, landing, takeoff)
    logged = (flights.aircraft, flights.takeoff, flights.landing, came[0], went[0])
    others = (codes_in(timeline.aircraft_names, aside["aircraft"]), began, np.maximum(began, landing), came[1], went[1])
    # Looked at twice, since a flight set aside may be the missing leg, or be itself where a leg is missing before it.
    told = (others[0] != MISSING) & (began != NEVER)
    found = [_jumps(*logged)]
    if told.any():
        every = [np.append(known, other[told]) for known, other in zip(logged, others, strict=True)]
        order = Order.of(every[0], every[1]).row
        found.append(_jumps(*(column[order] for column in every)))
    aircraft, start, end = (np.concatenate(column) for column in zip(*found, strict=True))
    return _stretches(aircraft, start, end, Missing.LEG)


def _jumps(aircraft: Ints, began: Ints, ended: Ints, origin: Ints, destination: Ints) -> tuple[Ints, Ints, Ints]:
    """Between two flights that follow each other, of which the second begins where the first did not end."""
    jumped = (destination[:-1] != origin[1:]) & (destination[:-1] >= 0) & (origin[1:] >= 0)
    jumped &= (aircraft[1:] == aircraft[:-1]) & (began[1:] > ended[:-1])
    index = np.flatnonzero(jumped)
    return aircraft[index], ended[index], began[index + 1]


def _elsewhere(timeline: Timeline) -> tuple[Ints, Ints, Ints, Ints]:
    """Between two records of an aircraft at different stations without a takeoff in between."""
    rows = timeline.rows
    aircraft = timeline.aircraft[rows]
    start, end = timeline.times["started_at"][rows], timeline.times["finished_at"][rows]
    station = aerodromes(timeline, timeline.tasks["station"])[0][rows]
    order = Order.of(aircraft, start).row
    aircraft, start, end, station = aircraft[order], start[order], end[order], station[order]
    moved = (aircraft[1:] == aircraft[:-1]) & (station[1:] != station[:-1]) & (start[1:] > end[:-1])
    index = np.flatnonzero(moved & (station[1:] >= 0) & (station[:-1] >= 0))
    index = index[~timeline.flights.took_off(aircraft[index], end[index], start[index + 1])]
    return _stretches(aircraft[index], end[index], start[index + 1], Missing.ELSEWHERE)


def _of_nearly_its_name(timeline: Timeline) -> tuple[Ints, Ints, Ints, Ints]:
    """Flights under nearly the name of an aircraft that has others: mistyped in the log, perhaps."""
    flights = timeline.flights
    mistyped, meant = nearly_equal(timeline.aircraft_names, timeline.alike.get("aircraft", {})).T
    known = np.isin(meant, flights.aircraft)
    mistyped, meant = mistyped[known], meant[known]
    begin, end = flights.order.block(mistyped)
    index, nth = expand(end - begin)
    row = begin[index] + nth
    takeoff = flights.takeoff[row]
    return _stretches(meant[index], takeoff, np.maximum(flights.landing[row], takeoff + 1), Missing.NAME)


def _unreadable(timeline: Timeline) -> tuple[Ints, Ints, Ints, Ints]:
    """Flights that were set aside: at their takeoff, else within the day before they landed (no flight lasts longer),
    else at any time; of their aircraft, of any where they name none."""
    frame = timeline.aside.get("flights")
    if frame is None or frame.empty:
        return _stretches(_NO_ROWS, _NO_ROWS, _NO_ROWS, Missing.UNREADABLE)
    takeoff, landing = micros(frame["takeoff_at"]), micros(frame["landing_at"])
    earliest = np.where(takeoff == NEVER, np.where(landing == NEVER, NEVER, landing - DAY), takeoff)
    latest = np.where(takeoff == NEVER, np.where(landing == NEVER, timeline.as_of + 1, landing), takeoff + 1)
    # One that names an aircraft of nearly another's name may be of either.
    is_named = codes_of(frame["aircraft"]) != MISSING
    named, nameless = np.flatnonzero(is_named), np.flatnonzero(~is_named)
    row, aircraft = may_be(timeline.aircraft_names, frame["aircraft"].iloc[named])
    row, aircraft = np.append(named[row], nameless), np.append(aircraft, np.full(len(nameless), ANY_AIRCRAFT))
    within = earliest[row] <= timeline.as_of
    row = row[within]
    return _stretches(aircraft[within], earliest[row], latest[row], Missing.UNREADABLE)


def _in_doubt(timeline: Timeline) -> Iterator[tuple[Ints, Ints, Ints, Ints]]:
    """Flights that may count for more: their hours contradict their times, their cycles can't be read, or they may be
    two."""
    flights = timeline.flights
    at = flights.takeoff[flights.unsure]
    yield _stretches(flights.aircraft[flights.unsure], at, at + 1, Missing.HOURS)
    for rows, why in (
        (timeline.unreadable.get(("flights", "cycles"), _NO_ROWS), Missing.CYCLES),
        (flights.twice, Missing.TWICE),
    ):
        frame = timeline.tables["flights"].iloc[rows]
        at = micros(frame["takeoff_at"])
        yield _stretches(codes_in(timeline.aircraft_names, frame["aircraft"]), at, at + 1, why)
