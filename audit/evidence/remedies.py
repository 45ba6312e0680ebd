"""Remedies: later work on a boot, or its removal, that puts right what was found of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain

import numpy as np

from audit.evidence.doubt import CERTAIN, PLAIN, first_of, reasons_of
from audit.evidence.treatments import (
    NO_BOOT,
    NO_POSITION,
    Treatments,
    everything,
    first_start,
    of_one_boot,
    perhaps_of_one_boot,
    treatments,
    where_the_boot_was,
)
from audit.language.events import Remedy
from audit.timeline.codes import MISSING
from audit.timeline.instants import FOREVER, Ints, micros_of, take
from audit.timeline.timeline import Timeline

NONE = -1
"""Where nothing puts it right, or it is not a task record that does."""


@dataclass(frozen=True)
class Faults:
    """Boots of which something was found: `boot` by number, at `place`, at the instant `at`."""

    boot: Ints
    place: Ints
    at: Ints

    @property
    def doubt(self) -> Ints:
        """None of them is in doubt."""
        return np.full(len(self.boot), CERTAIN)


@dataclass(frozen=True)
class Remedied:
    """What put each fault right first: `at` (FOREVER: nothing did), by the record `task` (NONE: by the removal).

    `perhaps` is a record that may have put it right where nothing certain did (NONE: there is none), and `doubt` the
    number of the reason why that can't be told.
    """

    at: Ints
    task: Ints
    perhaps: Ints
    doubt: Ints


def remedied(timeline: Timeline, remedies: Sequence[Remedy], faults: Faults) -> Remedied:
    """What put the faults right: the first to be done of what the remedies name.

    Work has to begin later than the fault, on the boot of the same serial, in a closed record, and be done by the
    as-of time. A removal counts while the boot has not been put on an aircraft again: it would bring the fault along.
    """
    size = len(faults.boot)
    at, task = np.full(size, FOREVER), np.full(size, NONE)
    perhaps, doubt = np.full(size, NONE), np.full(size, CERTAIN)
    for remedy in remedies:
        latest = np.full(size, FOREVER) if remedy.within is None else faults.at + micros_of(remedy.within)
        if remedy.where is None:
            done, by = _removed(timeline, faults, latest), np.full(size, NONE)
        else:
            work = treatments(timeline, remedy.where)
            done, by = _worked(timeline, work, faults, latest)
            first, why = _perhaps_worked(timeline, work, faults, latest)
            told = (perhaps == NONE) & (first != NONE)
            perhaps, doubt = np.where(told, first, perhaps), np.where(told, why, doubt)
        sooner = done < at
        at, task = np.where(sooner, done, at), np.where(sooner, by, task)
    open_ = at == FOREVER
    return Remedied(at, task, np.where(open_, perhaps, NONE), np.where(open_, doubt, CERTAIN))


def _worked(timeline: Timeline, work: Treatments, faults: Faults, latest: Ints) -> tuple[Ints, Ints]:
    """When the first certain work on each boot that began after its fault was done (FOREVER: there is none), and its
    record."""
    started, ended = (timeline.times[name][work.task] for name in ("started_at", "finished_at"))
    done = work.done & (ended <= timeline.as_of)
    joined = of_one_boot(timeline, work, faults, PLAIN.favour, done)
    began, row = first_start(joined, (started, ended), faults.at, np.full(len(work.task), NONE), at_once=False)
    there = (row != NONE) & (began <= latest)
    return np.where(there, take(ended, row, FOREVER), FOREVER), np.where(there, take(work.task, row, NONE), NONE)


def _perhaps_worked(timeline: Timeline, work: Treatments, faults: Faults, latest: Ints) -> tuple[Ints, Ints]:
    """The first work of which it isn't certain that it was done on each boot after its fault, and why it isn't."""
    times = timeline.span(work.task)
    uncertain = (work.doubt != CERTAIN) | (work.boot < 0)
    # What does not even tell its aircraft may have been anywhere: that is nothing to look into for each finding.
    uncertain &= timeline.aircraft[work.task] != MISSING
    joins = (of_one_boot, perhaps_of_one_boot, where_the_boot_was)
    joined = chain(*(join(timeline, work, faults, everything, uncertain) for join in joins))
    began, row = first_start(joined, times, faults.at, np.full(len(work.task), NONE), at_once=False)
    there = (row != NONE) & (began <= latest)
    why = take(work.doubt, row, CERTAIN)
    reasons = reasons_of(timeline)
    nowhere = timeline.nowhere(take(work.place, row, 0))
    which = np.where(nowhere, reasons.number(*NO_POSITION), reasons.number(*NO_BOOT))
    return np.where(there, take(work.task, row, NONE), NONE), first_of(why, which)


def _removed(timeline: Timeline, faults: Faults, latest: Ints) -> Ints:
    """When each boot was taken off for good after its fault; FOREVER where it wasn't, or is back on an aircraft.

    On a day without a time it may have been taken off at the end of it: whether that was in time isn't known before.
    """
    history = timeline.components
    # Only the last stay tells: a boot that was put back is still in use.
    last = history.by_boot.until(faults.boot, np.full(len(faults.boot), timeline.as_of)) - 1
    stay = take(history.by_boot.row, last, NONE)
    ours = take(history.boot, stay, NONE) == faults.boot
    removed = np.where(ours, take(history.removed, stay, FOREVER), FOREVER)
    by_then = np.where(ours, take(history.perhaps[1], stay, FOREVER), FOREVER)
    twice = np.isin(faults.boot, history.boot[history.twice])
    there = ~twice & (removed > faults.at) & (removed <= timeline.as_of) & (by_then <= latest)
    return np.where(there, removed, FOREVER)
