"""What is recorded of one aircraft, in order of time: its work, flights and boots."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from audit.intake.tables import EVERY_POSITION
from audit.language.in_words import label_of
from audit.scenes.values import Recorded
from audit.timeline.instants import FOREVER, HOUR, Ints, micros
from audit.timeline.timeline import Timeline


def history(timeline: Timeline, aircraft: str, positions: Collection[str] = ()) -> list[Recorded]:
    """Return what is recorded of an aircraft up to the as-of time, oldest first.

    With `positions` only the work on them, on all or on none named, and their boots; the flights are those of the
    aircraft in any case.
    """
    events = [*_work(timeline, aircraft, positions), *_flights(timeline, aircraft)]
    events += _boots(timeline, aircraft, positions)
    events += _corrections(timeline, frozenset(event.record for event in events if event.kind == "work"))
    # At one instant a boot goes before the next one comes, and both before work on it.
    order = {"removed": 0, "installed": 1, "work": 2, "flight": 3, "correction": 4}
    return sorted(events, key=lambda event: (event.start, order[event.kind], event.end, event.record))


def history_of(timeline: Timeline, finding: Mapping[Any, Any]) -> list[Recorded]:
    """Return what is recorded of a finding's aircraft, and of its positions where it names any; nothing of another."""
    if finding["aircraft"] not in timeline.aircraft_names:
        return []
    named = {one.strip() for one in str(finding["position"]).split(";")} - {"", EVERY_POSITION}
    return history(timeline, str(finding["aircraft"]), named)


def _rows_of(frame: pd.DataFrame, aircraft: str) -> Ints:
    return np.flatnonzero((frame["aircraft"] == aircraft).to_numpy())


def _records(frame: pd.DataFrame, rows: Ints) -> Iterator[tuple[int, dict[str, Any]]]:
    """Rows with their cells as text, those that are missing left out."""
    for row, record in zip(rows.tolist(), frame.iloc[rows].to_dict("records"), strict=True):
        yield row, {str(name): value for name, value in record.items() if pd.notna(value)}


def _work(timeline: Timeline, aircraft: str, positions: Collection[str]) -> Iterator[Recorded]:
    rows = _rows_of(timeline.tasks.iloc[: timeline.audited], aircraft)
    rows = rows[timeline.times["started_at"][rows] <= timeline.as_of]
    twice = set(timeline.later["row"].tolist())
    for row, record in _records(timeline.tasks, rows):
        named = {part.strip() for part in str(record.get("position", EVERY_POSITION)).split(";")}
        if positions and EVERY_POSITION not in named and named.isdisjoint(positions):
            continue
        parts = [str(record["action"])]
        if "product" in record:
            parts[0] += f" {record['product']}"
        if "coat" in record:
            parts.append(f"coat {record['coat']}")
        if "coats" in record:
            parts.append(f"{record['coats']} coats")
        parts += [str(record[name]) for name in ("position", "station", "performed_by", "work_order") if name in record]
        if record.get("status", "closed") != "closed":
            parts.append(f"{record['status']}: counts as no work done")
        start, end = (int(timeline.times[name][row]) for name in ("started_at", "finished_at"))
        yield Recorded("work", start, end, ", ".join(parts), str(record["task_id"]), twice=row in twice)


def _flights(timeline: Timeline, aircraft: str) -> Iterator[Recorded]:
    if not timeline.supplied("flights"):
        return
    flights, frame = timeline.flights, timeline.tables["flights"]
    code = timeline.aircraft_names.get_loc(aircraft)
    places = np.flatnonzero(flights.aircraft == code)
    for place, (_, record) in zip(places.tolist(), _records(frame, flights.row[places]), strict=True):
        way = " to ".join(str(record.get(end, "?")) for end in ("origin", "destination"))
        hours = int(flights.flown[place + 1] - flights.flown[place]) / HOUR
        start, end = int(flights.takeoff[place]), int(flights.landing[place])
        what = "flight" if way == "? to ?" else f"flight {way}"
        yield Recorded("flight", start, end, what, str(record["flight_id"]), hours)


def _boots(timeline: Timeline, aircraft: str, positions: Collection[str]) -> Iterator[Recorded]:
    if not timeline.supplied("components"):
        return
    frame, boots = timeline.tables["components"], timeline.components
    for row, record in _records(frame, _rows_of(frame, aircraft)):
        if positions and record["position"] not in positions:
            continue
        looks = ", ".join(str(record[name]) for name in ("material", "finish") if name in record)
        serial, where = str(record["component_serial"]), record["position"]
        installed, removed = int(boots.installed[row]), int(boots.removed[row])
        if installed <= timeline.as_of:
            yield Recorded("installed", installed, installed, f"boot installed at {where}, {looks}", serial)
        if removed < FOREVER and removed <= timeline.as_of:
            yield Recorded("removed", removed, removed, f"boot removed from {where}", serial)


def _corrections(timeline: Timeline, tasks: Collection[str]) -> Iterator[Recorded]:
    """The corrections of task records up to the as-of time, with what was there."""
    if not timeline.supplied("corrections"):
        return
    frame = timeline.tables["corrections"]
    rows = np.flatnonzero(frame["task_id"].isin(tasks).to_numpy() & (micros(frame["made_at"]) <= timeline.as_of))
    for row, record in _records(frame, rows):
        was, now = (str(record.get(name, "blank" if name in frame else "not exported")) for name in ("was", "now"))
        parts = [f"correction of {record['task_id']}: {label_of(record['column'])} from {was} to {now}"]
        parts += [f"by {record['made_by']}", *(str(record[name]) for name in ("reason", "state") if name in record)]
        at = int(micros(frame["made_at"])[row])
        yield Recorded(
            "correction", at, at, ", ".join(parts), str(record["correction_id"]), about=str(record["task_id"])
        )
