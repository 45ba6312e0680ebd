"""Readings of an ambiguous clock: when the clocks go back, an hour of the wall clock comes twice.

Every ambiguous time is one of two instants. The timeline takes the earlier; the readings are the same timeline with
some of them taken as the later. Work goes on in order of time, so that of several ambiguous times in one night those
before a turning point were read from one pass of the clock and those after it from the other: these splits are tried,
both ways round. Of one or two ambiguous times that is every combination.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Literal

import numpy as np
import pandas as pd

from audit.timeline.codes import codes_of, nearly_equal
from audit.timeline.instants import DAY, Bools, Ints, micros
from audit.timeline.timeline import Timeline

Owner = Literal["aircraft", "performed_by", "certified_by", "none"]
"""Whose records one rule's findings depend on: those of an aircraft, of a person, or all."""


def owners_of(timeline: Timeline, owner: Owner) -> Ints:
    """The owner of each task record, by number: -1 where none is known, or all records are looked at together."""
    if owner == "aircraft":
        return timeline.aircraft
    if owner in timeline.tasks:
        return codes_of(timeline.tasks[owner])
    return np.full(len(timeline.tasks), -1)


def judging_only(timeline: Timeline, owner: Owner, concerned: Ints, times: Mapping[str, Ints]) -> Timeline:
    """The timeline with other times, judging only the aircraft, or the records of the people, of these numbers, and
    those that can't be judged without them."""
    concerned = _with_related(timeline, owner, concerned)
    rows = timeline.rows[np.isin(owners_of(timeline, owner)[timeline.rows], concerned)]
    in_play = np.isin(np.arange(len(timeline.in_play)), concerned) if owner == "aircraft" else timeline.in_play
    return timeline.read_as(times, rows, in_play)


def _with_related(timeline: Timeline, owner: Owner, concerned: Ints) -> Ints:
    """These aircraft or people with those of nearly the same name, and aircraft with all that a boot of theirs was ever
    on, or may have been: it takes along what was done to it."""
    history = timeline.components
    boot = np.append(history.boot, history.possible.boot)
    carrier = timeline.aircraft_of(np.append(history.place, history.possible.place))
    alike = _alike(timeline, owner)
    # Until nobody is added: a boot may lead to an aircraft, whose name is nearly that of another one.
    while True:
        found = np.union1d(concerned, alike[np.isin(alike[:, 0], concerned), 1])
        if owner == "aircraft":
            shared = boot[np.isin(carrier, found)]
            found = np.union1d(found, carrier[np.isin(boot, shared)])
        if len(found) == len(np.unique(concerned)):
            return found
        concerned = found


def _alike(timeline: Timeline, owner: Owner) -> Ints:
    """Pairs of owners, by number, whose names are nearly equal."""
    if owner == "aircraft":
        names, kind = timeline.aircraft_names, "aircraft"
    elif owner in timeline.tasks:
        names, kind = timeline.tasks[owner].cat.categories, "person"
    else:
        return np.empty((0, 2), np.int64)
    return nearly_equal(names, timeline.alike.get(kind, {}))


def other_readings(timeline: Timeline, owner: Owner) -> Iterator[Timeline]:
    """Yield the timeline in each further reading, judging only the aircraft (or people) that it concerns."""
    later = timeline.later
    if later.empty:
        return
    owners = owners_of(timeline, owner)
    rows = later["row"].to_numpy()
    earlier = np.array([timeline.times[column][row] for column, row in zip(later["column"], rows, strict=True)])
    night = pd.DataFrame({"owner": owners[rows], "night": earlier // DAY, "earlier": earlier})
    nights = night.groupby(["owner", "night"], sort=False)["earlier"]
    # Two equal readings of the clock may still be an hour apart.
    rank = nights.rank(method="first").to_numpy(dtype=np.int64) - 1
    size = nights.transform("size").to_numpy(dtype=np.int64)
    # Before the turn one pass of the clock, from it on the other, and the other way round.
    for turn in range(int(size.max())):
        for late in (rank >= turn, rank < turn):
            concerned = late & (size > turn)
            if concerned.any():
                of = np.unique(owners[rows[concerned]])
                yield judging_only(timeline, owner, of, _read(timeline, later, concerned))


def _read(timeline: Timeline, later: pd.DataFrame, chosen: Bools) -> Mapping[str, Ints]:
    """The times of all records, the chosen ones of those that may be later read so."""
    times = {name: values.copy() for name, values in timeline.times.items()}
    moved = later[chosen]
    for column, part in moved.groupby("column"):
        times[str(column)][part["row"].to_numpy()] = micros(part["later"])
    # Work can't end before it began: an end in the same hour was then read from the second pass as well.
    ends = later[later["column"] == "finished_at"]
    row = ends["row"].to_numpy()
    backwards = times["finished_at"][row] < times["started_at"][row]
    times["finished_at"][row[backwards]] = micros(ends["later"])[backwards]
    return times
