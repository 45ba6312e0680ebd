"""What happened on the aircraft that findings are about: their work, flights and boots, as spans on lanes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from audit.scenes.values import Kind, Lane, Span
from audit.timeline.instants import DAY, Bools, Ints, instant, micros
from audit.timeline.timeline import Timeline

MOST_SPANS = 24
"""How many things a lane holds at most; what is left out is counted."""

Window = tuple[int, int]
"""Start and end of what is drawn, microseconds UTC."""


@dataclass(frozen=True)
class Surroundings:
    """The task records of the aircraft concerned: `rows`, each again for every position it names, `row` and `place`.

    `columns` are the columns of the tasks frame that name things, `later` the later reading of ambiguous ends by row.
    """

    timeline: Timeline
    rows: Ints
    row: Ints
    place: Ints
    columns: Mapping[str, Any]
    later: Mapping[int, int]

    @classmethod
    def of(cls, timeline: Timeline, aircraft: Ints) -> Surroundings:
        """Of these few aircraft the records are looked through again and again, those of the others never."""
        rows = timeline.rows[np.isin(timeline.aircraft[timeline.rows], aircraft)]
        index, place = timeline.placed(rows)
        names = ("task_id", "work_order", "action", "station", "product", "coat")
        ends = timeline.later[timeline.later["column"] == "finished_at"]
        return cls(
            timeline,
            rows,
            rows[index],
            place,
            {name: timeline.tasks[name].array for name in names if name in timeline.tasks},
            dict(zip(ends["row"].tolist(), micros(ends["later"]).tolist(), strict=True)) if len(ends) else {},
        )

    def text(self, column: str, row: int) -> str:
        """A cell of a record, blank where the column or the value is missing."""
        value = self.columns[column][row] if column in self.columns else pd.NA
        return "" if pd.isna(value) else str(value)

    def product(self, row: int) -> str:
        """What a record was done with, else what was done."""
        return self.text("product", row) or self.text("action", row)

    def record(self, row: int, kind: Kind) -> Span:
        """A record as a span."""
        times, coat = self.timeline.times, self.text("coat", row)
        return Span(
            kind,
            int(times["started_at"][row]),
            int(times["finished_at"][row]),
            f"{self.product(row)}, coat {coat}" if coat else self.product(row),
            self.text("task_id", row),
            self.later.get(row),
        )

    def _alike(self, rows: Ints, subject: int) -> Bools:
        """Which records are of the work order and product of the subject."""
        own = np.ones(len(rows), bool)
        for column in ("work_order", "product"):
            if column in self.columns:
                codes = self.columns[column].codes
                own &= codes[rows] == codes[subject]
        return own

    def work(self, place: int, window: Window, subject: int) -> Lane:
        """The records on a position; those of the subject's own work order and product stand out."""
        times = self.timeline.times
        rows = self.row[self.place == place]
        rows = rows[(times["finished_at"][rows] >= window[0]) & (times["started_at"][rows] <= window[1])]
        rows = rows[np.lexsort((rows, times["started_at"][rows]))]
        shown = rows[:MOST_SPANS]
        own = self._alike(shown, subject).tolist()
        spans = [
            self.record(row, "treatment" if mine else "work") for row, mine in zip(shown.tolist(), own, strict=True)
        ]
        return Lane("Work", tuple(spans), len(rows) - len(shown))

    def flights(self, place: int, window: Window) -> tuple[Lane, ...]:
        """The flights of an aircraft; no lane where none are supplied."""
        timeline, flights = self.timeline, self.timeline.flights
        if not timeline.supplied("flights"):
            return ()
        aircraft = timeline.aircraft_of(np.array([place]))
        first, last = (int(flights.first_from(aircraft, np.array([at]))[0]) for at in (window[0] - DAY, window[1]))
        there = [index for index in range(first, last) if flights.landing[index] >= window[0]]
        spans = [self.flight(int(flights.row[index])) for index in there[:MOST_SPANS]]
        return (Lane("Flights", tuple(spans), len(there) - len(spans)),)

    def flight(self, row: int) -> Span:
        """A flight as a span."""
        frame = self.timeline.tables["flights"]
        takeoff, landing = (instant(frame[column].iloc[row]) for column in ("takeoff_at", "landing_at"))
        return Span("flight", takeoff, landing, "flight", str(frame["flight_id"].iloc[row]))

    def boots(self, place: int, window: Window) -> tuple[Lane, ...]:
        """The boots at a position, one after the other; no lane where none can be known."""
        timeline, history = self.timeline, self.timeline.components
        position = int(timeline.position_of(np.array([place]))[0])
        if not timeline.supplied("components") or position == timeline.unknown_position:
            return ()
        rows = np.flatnonzero((history.place == place) & (history.installed <= window[1]))
        rows = rows[history.removed[rows] >= window[0]]
        rows = rows[np.argsort(history.installed[rows], kind="stable")]
        frame = timeline.tables["components"]
        spans = []
        for row in rows[:MOST_SPANS].tolist():
            known = [frame[name].iloc[row] for name in ("component_serial", "material", "finish") if name in frame]
            label = ", ".join(str(value) for value in known if pd.notna(value))
            removed = int(history.removed[row])
            spans.append(Span("boot", int(history.installed[row]), min(removed, window[1] + DAY), label))
        return (Lane(str(timeline.position_names[position]), tuple(spans), len(rows) - len(spans)),)

    def thing(self, kind: str, row: int) -> Lane:
        """A task record, flight, component or stay by itself."""
        match kind:
            case "tasks":
                record = self.record(row, "work")
                named = f"{record.name}, {self.timeline.aircraft_names[int(self.timeline.aircraft[row])]}"
                return Lane(f"Work at {self.text('station', row)}", (replace(record, name=named),))
            case "components":
                history, frame = self.timeline.components, self.timeline.tables["components"]
                end = min(int(history.removed[row]), self.timeline.as_of)
                serial = str(frame["component_serial"].iloc[row])
                return Lane("Boot", (Span("boot", int(history.installed[row]), end, serial),))
            case "flights":
                return Lane("Flight", (self.flight(row),))
            case _:
                return self._stay(row)

    def _stay(self, row: int) -> Lane:
        """From the landing of a flight to the aircraft's next takeoff."""
        flights, frame = self.timeline.flights, self.timeline.tables["flights"]
        arrival = self.flight(row)
        place = int(np.flatnonzero(flights.row == row)[0]) + 1
        left = self.timeline.as_of
        if place < len(flights.row) and flights.aircraft[place] == flights.aircraft[place - 1]:
            left = int(flights.takeoff[place])
        where = frame["destination"].iloc[row] if "destination" in frame else ""
        return Lane(f"Stood at {where}", (Span("boot", arrival.end, left, "after the flight", arrival.record),))
