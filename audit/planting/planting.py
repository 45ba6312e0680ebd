"""Planting faults for a drill: what a form changes so that a subject of a rule is just at fault, or just not.

Nothing here judges: a form works out from the rule's own values which cells have to change.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import pandas as pd

from audit.evidence.doubt import CERTAIN
from audit.evidence.seasons import season_around
from audit.evidence.sessions import in_sessions
from audit.evidence.treatments import Treatments, treatments
from audit.figures import time_span
from audit.language.condition import Conditions
from audit.language.events import Season
from audit.timeline.instants import MINUTE, NEVER, SECOND, Ints, stamp
from audit.timeline.timeline import TASK_TIMES, Timeline

Side = Literal["inside", "outside"]
"""Just inside the limit, where a rule must stay silent; just outside, where it must find the fault."""


@dataclass(frozen=True)
class Edit:
    """Other cells for a row of a canonical table, in canonical text; with `new` for a copy of that row, added below."""

    table: str
    row: int
    cells: Mapping[str, str]
    new: bool = False


@dataclass(frozen=True)
class Planted:
    """What was planted, in words, and the edits that do it.

    `span` is the time (microseconds UTC) in which work on the boot and flights of the aircraft decide the verdict; None
    where the record alone does. With `pair` the fault is the subject's with a thing that may be new; otherwise the
    subject stays what it was.
    """

    what: str
    edits: tuple[Edit, ...]
    span: tuple[int, int] | None = None
    pair: bool = False


@dataclass(frozen=True)
class Spot:
    """Where a fault is to be planted: a subject of the rule, as a case (see `Outcomes`) that is not a finding.

    `name` is what new rows and names are called by, so that none is that of another. `turn` counts the subjects: a rule
    that can be broken in several ways takes them in turn.
    """

    case: Mapping[str, Any]
    side: Side
    name: str
    turn: int = 0

    @property
    def outside(self) -> bool:
        """Whether the fault must be found."""
        return self.side == "outside"

    def __getitem__(self, name: str) -> int:
        """A whole number of the case: a row, a place, an instant."""
        return int(self.case[name])


class NotPlantable(Exception):
    """Why no fault can be planted at a spot."""


Planter = Callable[[Spot], Planted]
"""Plants a fault at a spot; raises NotPlantable where none can be planted there."""


def written(instant: int) -> str:
    """An instant as canonical text."""
    return f"{stamp(instant):%Y-%m-%dT%H:%M:%S.%fZ}"


def cell(timeline: Timeline, table: str, column: str, row: int) -> str:
    """One text cell of a table, blank where missing."""
    frame = timeline.tables.get(table)
    if frame is None or column not in frame:
        return ""
    value = frame[column].array[row]
    return "" if pd.isna(value) else str(value)


def moved(timeline: Timeline, rows: Ints, by: Ints | int) -> tuple[Edit, ...]:
    """Task records at another time: all times of each move alike."""
    columns = {name: timeline.times[name] for name in TASK_TIMES if name in timeline.times}

    def edit(row: int, by: int) -> Edit:
        times = {name: int(column[row]) for name, column in columns.items()}
        return Edit("tasks", row, {name: written(at + by) for name, at in times.items() if at != NEVER})

    return tuple(map(edit, rows.tolist(), np.broadcast_to(by, len(rows)).tolist()))


def surely(timeline: Timeline, conditions: Conditions) -> Treatments:
    """The treatments that the records surely show."""
    found = treatments(timeline, conditions)
    return found.take((found.doubt == CERTAIN) & found.done)


def on_the_boot(timeline: Timeline, found: Treatments, spot: Spot) -> Ints:
    """The task rows of treatments of the boot of the case; where none is known, of those at its place."""
    [boot] = timeline.components.boot_of(np.array([spot["component"]]))
    rows: Ints = found.task[found.boot == boot if boot >= 0 else found.place == spot["place"]]
    return rows


def nearest(timeline: Timeline, rows: Ints, at: int) -> int:
    """Of some records the one that began nearest to an instant: what it cites was most likely in force then, too."""
    if not len(rows):
        raise NotPlantable("no record of the kind is there to be copied")
    return int(rows[np.argmin(np.abs(timeline.times["started_at"][rows] - at))])


def aircraft_at(timeline: Timeline, spot: Spot) -> Ints:
    """The aircraft of the case, the only one of an array."""
    return timeline.aircraft_of(np.array([spot["place"]]))


def season_end(timeline: Timeline, season: Season, spot: Spot, at: int) -> int:
    """When the season of the case's aircraft ends in which an instant lies."""
    _, closes = season_around(season, timeline, aircraft_at(timeline, spot), np.array([at]))
    return int(closes[0])


def there(timeline: Timeline, spot: Spot, since: int) -> None:
    """Refuse what would be done, or flown, before the boot of the case, where one is known, came to its place."""
    if spot["component"] >= 0 and timeline.components.installed[spot["component"]] > since:
        raise NotPlantable("the boot was not at its place then")


def in_time(timeline: Timeline, at: int) -> None:
    """Refuse what would be later than the records tell of."""
    if at >= timeline.as_of:
        raise NotPlantable("it would be later than the as-of time")


def new_record(timeline: Timeline, spot: Spot, like: int, at: int, **other: str) -> Edit:
    """A copy of a task record, done at the case's place from an instant on, for ten minutes."""
    place = spot["place"]
    position = int(timeline.position_of(np.array(place)))
    if place < 0 or position == timeline.unknown_position:
        raise NotPlantable("the position is not known")
    in_time(timeline, at)
    here = spot["task"] if spot["task"] >= 0 else like
    end = at + 10 * MINUTE
    changed = {
        "task_id": spot.name,
        "work_order": spot.name,
        "aircraft": str(timeline.aircraft_names[aircraft_at(timeline, spot)[0]]),
        "position": str(timeline.position_names[position]),
        "component_serial": "",
        "station": cell(timeline, "tasks", "station", here),
        "started_at": written(at),
        "finished_at": written(end),
        "signed_at": written(end),
        "status": "closed",
    }
    return Edit("tasks", like, changed | other, new=True)


def flight_near(timeline: Timeline, aircraft: Ints, at: int) -> int:
    """The place in their order of the aircraft's last flight that took off before an instant, else of its next one."""
    flights = timeline.flights
    after = int(flights.first_from(aircraft, np.array([at]))[0])
    for place in (after - 1, after):
        if 0 <= place < len(flights.row) and flights.aircraft[place] == aircraft[0]:
            return place
    raise NotPlantable("the aircraft has no flights")


def takeoff(timeline: Timeline, spot: Spot, after: int, at: int) -> Edit:
    """A takeoff at an instant: that of the next flight after `after`, which leaves earlier, else of a new one."""
    in_time(timeline, at)
    flights, aircraft = timeline.flights, aircraft_at(timeline, spot)
    [place], [next_one] = flights.next_takeoff(aircraft, np.array([after]))
    if place >= 0:
        if next_one < at:
            raise NotPlantable("the aircraft took off before")
        row, length = int(flights.row[place]), int(flights.landing[place] - flights.takeoff[place])
        return Edit("flights", row, {"takeoff_at": written(at), "landing_at": written(at + length)})
    before = flight_near(timeline, aircraft, after)
    if flights.landing[before] > at:
        raise NotPlantable("the aircraft was in the air")
    return new_flight(timeline, spot, int(flights.row[before]), at, 60 * MINUTE)


def event(timeline: Timeline, spot: Spot, like: Ints | None, after: int, at: int) -> tuple[str, Edit]:
    """A takeoff at an instant, the first after `after`; or, where records are given, one like them on the boot."""
    if like is None:
        return "takeoff", takeoff(timeline, spot, after, at)
    return "another record of the boot", new_record(timeline, spot, nearest(timeline, like, at), at)


def new_flight(timeline: Timeline, spot: Spot, after: int, at: int, length: int, number: int = 0) -> Edit:
    """A flight from and to where an earlier flight ended, and of its aircraft."""
    where = cell(timeline, "flights", "destination", after)
    return Edit(
        "flights",
        after,
        {
            "flight_id": f"{spot.name}{f'-{number}' if number else ''}",
            "takeoff_at": written(at),
            "landing_at": written(at + length),
            "origin": where,
            "destination": where,
            "flight_hours": "",
            "cycles": "1",
        },
        new=True,
    )


def beyond(spot: Spot, limit: int, later: bool, step: int = SECOND) -> int:
    """The limit itself, which complies, or a step beyond it: `later` tells on which side of it that is."""
    return limit + (step if later else -step) if spot.outside else limit


def span(micros: int) -> str:
    """A stretch of time in words, to the second."""
    seconds = abs(micros) // SECOND
    rest = seconds % 60
    if not rest:
        return time_span(abs(micros))
    whole = f"{time_span((seconds - rest) * SECOND)} " if seconds >= 60 else ""
    return f"{whole}{rest} s"


@dataclass
class Cells:
    """Cells to be written for one subject, row by row; several of one row make one edit."""

    rows: dict[tuple[str, int, int | None], dict[str, str]] = field(default_factory=dict)

    def write(self, table: str, row: int, values: Mapping[str, str], copy: int | None = None) -> None:
        """Add cells of a row, or of one of its copies, by number."""
        self.rows.setdefault((table, row, copy), {}).update(values)

    @property
    def edits(self) -> tuple[Edit, ...]:
        """The edits that write them."""
        return tuple(Edit(table, row, values, copy is not None) for (table, row, copy), values in self.rows.items())


def session_rows(timeline: Timeline, conditions: Conditions, spot: Spot) -> Ints:
    """The task records of the session that is the subject of the case."""
    found = in_sessions(timeline, conditions)
    mine = (found.sessions.task == spot["subject"]) & (found.sessions.place == spot["place"])
    return found.records(np.flatnonzero(mine))


def voided(timeline: Timeline, rows: Sequence[int]) -> tuple[Edit, ...]:
    """Task records that no longer count."""
    if len(rows):
        has_column(timeline, "tasks", "status")
    return tuple(Edit("tasks", row, {"status": "void"}) for row in rows)


def has_column(timeline: Timeline, table: str, column: str) -> None:
    """Refuse what would be written in a column that the export lacks: the fault would not be in it."""
    if column not in timeline.tables[table]:
        raise NotPlantable(f"column not supplied: {table}.{column}")
