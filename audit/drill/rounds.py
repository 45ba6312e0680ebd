"""Which plantings can be audited together: those that don't touch what decides the verdict on another."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Final

import numpy as np
import pandas as pd

from audit.forms import form_of
from audit.forms.reads import columns_read
from audit.intake.tables import TASKS
from audit.language.rule import Rule
from audit.planting.planting import Edit, Planted, Spot, cell
from audit.timeline.instants import DAY, NEVER, instant
from audit.timeline.timeline import Timeline

_OF_WORK: Final = frozenset(
    {*TASKS.required, "status", "position", "component_serial", "product", "coat", "coats", "performed_by"}
)
"""Columns of task records that make them work on a boot at a time: what other records' verdicts may depend on."""
_PEOPLE: Final = ("performed_by", "certified_by")
Keys = frozenset[Hashable]


@dataclass(frozen=True)
class Footprint:
    """What decides the verdict on a planting, and what it changes: cells, boots, days on which something is done."""

    reads: Keys
    writes: Keys


def footprint(rule: Rule, timeline: Timeline, spot: Spot, planted: Planted) -> Footprint:
    """The footprint of a planting of a rule."""
    return Footprint(
        frozenset(_reads(rule, timeline, spot, planted)),
        frozenset(chain.from_iterable(_writes(timeline, edit) for edit in planted.edits)),
    )


def in_rounds(footprints: Sequence[Footprint]) -> list[list[int]]:
    """The numbers of plantings, round by round: each in the first round in which nothing is in its way.

    Those with most in their way go first, so that the rounds are few.
    """
    rounds: list[tuple[set[Hashable], set[Hashable], list[int]]] = []
    sizes = [len(one.reads) + len(one.writes) for one in footprints]
    for number in sorted(range(len(footprints)), key=lambda nth: -sizes[nth]):
        one = footprints[number]
        for reads, writes, numbers in rounds:  # noqa: B007
            # Two may read the same; neither may write what the other reads or writes.
            if one.writes.isdisjoint(writes) and one.writes.isdisjoint(reads) and one.reads.isdisjoint(writes):
                break
        else:
            reads, writes, numbers = set(), set(), []
            rounds.append((reads, writes, numbers))
        reads |= one.reads
        writes |= one.writes
        numbers.append(number)
    return [sorted(numbers) for _, _, numbers in rounds]


def _reads(rule: Rule, timeline: Timeline, spot: Spot, planted: Planted) -> Iterable[Hashable]:
    yield ("subject", rule.id, *(spot[name] for name in ("subject", "other_subject", "place", "window")))
    of_tasks = {column for table, column in columns_read(rule) if table == "tasks"} | _OF_WORK
    if spot["task"] >= 0:
        yield from (("cell", spot["task"], column) for column in of_tasks)
    if getattr(rule, "of", "tasks") != "tasks":
        yield ("corrections", spot["subject"])
    yield from (("components", boot) for boot in _boots(rule, timeline, spot))
    if planted.span is None:
        return
    # Whatever happens to the boot, or to its aircraft, on these days may decide.
    days = _days(planted.span)
    if spot["place"] >= 0:
        places = _stays(timeline, spot, planted.span)
        yield from (("work", place, day) for place in places for day in days)
        yield from (
            ("air", aircraft, day) for aircraft in set(timeline.aircraft_of(np.array(places)).tolist()) for day in days
        )
    else:
        yield from _whole_aircraft(rule, timeline, spot, days)


_OF_BOOTS: Final = frozenset({("components", name) for name in ("material", "finish", "part_number")})


def _boots(rule: Rule, timeline: Timeline, spot: Spot) -> set[int]:
    """The boots that decide on a case: its own; of a rule about what boots are, all that its record is about."""
    found = {spot["component"]}
    if spot["task"] >= 0 and not _OF_BOOTS.isdisjoint(columns_read(rule)):
        row = np.array([spot["task"]])
        _, places = timeline.placed(row)
        found |= set(timeline.component_at(places, np.repeat(timeline.times["started_at"][row], len(places))).tolist())
    return {component for component in found if component >= 0}


def _stays(timeline: Timeline, spot: Spot, span: tuple[int, int]) -> list[int]:
    """The place of a case, and where its boot was else in a span of time."""
    boots = timeline.components
    there = (boots.boot == boots.boot_of(np.array([spot["component"]]))) & (boots.installed <= span[1])
    return list({spot["place"], *boots.place[there & (boots.removed > span[0])].tolist()})


def _whole_aircraft(rule: Rule, timeline: Timeline, spot: Spot, days: range) -> Iterable[Hashable]:
    """What decides on a thing that has no one place: all that is done on its aircraft, and by its people."""
    owner = form_of(rule).owner(rule)
    if owner == "none":  # all records may decide
        yield from (("air", aircraft, day) for aircraft in range(len(timeline.aircraft_names)) for day in days)
        yield from (("work", place, day) for place in range(timeline.places) for day in days)
        return
    if owner != "aircraft" and spot["task"] >= 0:
        name = cell(timeline, "tasks", owner, spot["task"])
        yield from (("person", name, day) for day in days)
        return
    aircraft = _aircraft(timeline, spot)
    yield from (("air", aircraft, day) for day in days)
    yield from (("work", place, day) for place in _places(timeline, aircraft) for day in days)


def _aircraft(timeline: Timeline, spot: Spot) -> int:
    if spot["task"] >= 0:
        return int(timeline.aircraft[spot["task"]])
    if spot["flight"] >= 0:
        return _code(timeline, "flights", spot["flight"])
    return int(timeline.aircraft_of(timeline.components.place[[spot["component"]]])[0])


def _code(timeline: Timeline, table: str, row: int) -> int:
    name = cell(timeline, table, "aircraft", row)
    return int(timeline.aircraft_names.get_indexer(pd.Index([name]))[0])


def _places(timeline: Timeline, aircraft: int) -> range:
    width = len(timeline.position_names) + 1
    return range(aircraft * width, (aircraft + 1) * width)


def _writes(timeline: Timeline, edit: Edit) -> Iterable[Hashable]:
    if edit.table == "tasks":
        yield from _of_record(timeline, edit)
    elif edit.table == "flights":
        aircraft = _code(timeline, "flights", edit.row)
        frame = timeline.tables["flights"]
        times = [*_written_times(edit, "takeoff_at", "landing_at")]
        if not edit.new:
            times += [instant(frame[name].iloc[edit.row]) for name in ("takeoff_at", "landing_at")]
        yield from (("air", aircraft, day) for day in _days((min(times), max(times))) if times)
    elif edit.table == "components":
        yield ("components", edit.row)
    elif edit.table == "corrections":
        yield (edit.table, edit.row)
        yield from _corrected_cells(timeline, edit.row)
    elif not edit.new:
        yield (edit.table, edit.row)


def _corrected_cells(timeline: Timeline, row: int) -> Iterable[Hashable]:
    """What a correction says of its record: where it doesn't fit any more, the cell can't be told."""
    named = cell(timeline, "corrections", "task_id", row)
    records = np.flatnonzero((timeline.tables["tasks"]["task_id"] == named).to_numpy())
    yield from (("cell", record, cell(timeline, "corrections", "column", row)) for record in records.tolist())


def _of_record(timeline: Timeline, edit: Edit) -> Iterable[Hashable]:
    if not edit.new:
        yield from (("cell", edit.row, column) for column in edit.cells)
        if _OF_WORK.isdisjoint(edit.cells):
            return
    times = _written_times(edit, "started_at", "finished_at")
    # A record that is moved leaves its old days as well.
    if not edit.new or not times:
        times += [int(timeline.times[name][edit.row]) for name in ("started_at", "finished_at")]
    days = _days((min(times), max(times)))
    name = edit.cells.get("aircraft")
    aircraft = (
        int(timeline.aircraft[edit.row])
        if name is None
        else int(timeline.aircraft_names.get_indexer(pd.Index([name]))[0])
    )
    places: Iterable[int] = _places(timeline, aircraft)
    position = edit.cells.get("position") if edit.new else None
    if position in timeline.position_names:
        places = [
            int(timeline.place(np.array([aircraft]), timeline.position_names.get_indexer(pd.Index([position])))[0])
        ]
    yield from (("work", place, day) for place in places for day in days)
    for column in _PEOPLE:
        names = {edit.cells.get(column)} - {None}
        if not names or not edit.new:
            names.add(cell(timeline, "tasks", column, edit.row))
        yield from (("person", person, day) for person in names for day in days)


def _written_times(edit: Edit, *names: str) -> list[int]:
    return [instant(pd.Timestamp(edit.cells[name])) for name in names if edit.cells.get(name)]


def _days(span: tuple[int, int]) -> range:
    low, high = (at // DAY for at in span)
    return range(low, min(high, low + 4000) + 1) if span[0] != NEVER else range(0)
