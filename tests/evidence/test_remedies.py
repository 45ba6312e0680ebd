"""What puts faults right, against plain loops over all work and all boots, in small fleets drawn by chance."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from typing import Any

import numpy as np
import pytest

from audit.evidence.doubt import CERTAIN, reasons_of
from audit.evidence.remedies import NONE, Faults, remedied
from audit.evidence.treatments import NO_BOOT, NO_POSITION, Treatments, treatments
from audit.language.events import Remedy
from audit.timeline.codes import MISSING
from audit.timeline.instants import FOREVER, NEVER, micros_of
from audit.timeline.timeline import Timeline
from tests.evidence.fleets import GRID, fleet, why_perhaps


def remedy(**parts: Any) -> Remedy:
    return Remedy.model_validate({"event": "work" if "where" in parts else "removal", **parts})


CLEANED, GLOSSED = ({"product_class": {"is": name}} for name in ("cleaner", "gloss-coating"))
REMEDIES: dict[str, Sequence[Remedy]] = {
    "work": (remedy(where=CLEANED),),
    "work within a day": (remedy(where=GLOSSED, within="PT24H"),),
    "removal": (remedy(),),
    "removal within a day": (remedy(within="PT24H"),),
    "several": (remedy(where=CLEANED, within="PT24H"), remedy(where=GLOSSED), remedy(within="PT48H")),
}


def faults_of(timeline: Timeline) -> Faults:
    """A fault of each boot, and of none, at some places at some times."""
    positions = timeline.unknown_position + 1
    places = [aircraft * positions + position for aircraft in range(2) for position in (0, 1, positions - 1)]
    some = list(product(range(-2, timeline.components.boots), places, GRID[1::4]))
    boot, place, at = (np.array(column, np.int64) for column in zip(*some, strict=True))
    return Faults(boot, place, at)


def removed(timeline: Timeline, boot: int, fault: int, latest: int) -> int:
    """When a boot was taken off its last place known at the as-of time, if it was since the fault."""
    history = timeline.components
    stays = [
        stay for stay in np.flatnonzero(history.boot == boot).tolist() if history.installed[stay] <= timeline.as_of
    ]
    if not stays or any(history.twice[np.flatnonzero(history.boot == boot)]):
        return FOREVER
    last = max(stays, key=lambda stay: int(history.installed[stay]))
    off, by_then = int(history.removed[last]), int(history.perhaps[1][last])
    return off if fault < off <= timeline.as_of and by_then <= latest else FOREVER


def worked(
    timeline: Timeline, work: Treatments, faults: Faults, fault: int, latest: int
) -> tuple[set[tuple[int, int]], set[tuple[int, int]]]:
    """The first certain work on a boot since its fault, as (end, record), and the first that may have been, as (record,
    why it may not): several where they began together."""
    at = int(faults.at[fault])
    surely: dict[int, set[tuple[int, int]]] = {}
    perhaps: dict[int, set[tuple[int, int]]] = {}
    began, ended = (times.tolist() for times in timeline.span(work.task))
    for row, task in enumerate(work.task.tolist()):
        why = why_perhaps(timeline, work, row, faults, fault)
        # What has no start may have begun at any time until it ended.
        since = at if began[row] == NEVER else began[row]
        if not why or (ended[row] < at if began[row] == NEVER else since <= at):
            continue
        if CERTAIN in why and work.done[row] and ended[row] <= timeline.as_of:
            surely.setdefault(since, set()).add((ended[row], task))
        if (work.doubt[row] != CERTAIN or work.boot[row] < 0) and timeline.aircraft[task] != MISSING:
            which = NO_POSITION if timeline.nowhere(work.place[[row]])[0] else NO_BOOT
            told = int(work.doubt[row]) or reasons_of(timeline).number(*which)
            perhaps.setdefault(since, set()).add((task, told))
    found = tuple(some[min(some)] if some and min(some) <= latest else set() for some in (surely, perhaps))
    return found[0], found[1]


@pytest.mark.parametrize("name", REMEDIES)
@pytest.mark.parametrize("seed", range(4))
def test_what_puts_each_fault_right(seed: int, name: str) -> None:
    """The first to be done; where nothing was, the first work that may have been, in the order of the remedies."""
    timeline = fleet(seed)
    faults = faults_of(timeline)
    found = remedied(timeline, REMEDIES[name], faults)
    works = [None if one.where is None else treatments(timeline, one.where) for one in REMEDIES[name]]
    for fault, at in enumerate(faults.at.tolist()):
        done: list[set[tuple[int, int]]] = []
        perhaps: set[tuple[int, int]] = set()
        for one, work in zip(REMEDIES[name], works, strict=True):
            latest = FOREVER if one.within is None else at + micros_of(one.within)
            if work is None:
                done.append({(removed(timeline, int(faults.boot[fault]), at, latest), NONE)})
            else:
                surely, maybe = worked(timeline, work, faults, fault, latest)
                done.append(surely or {(FOREVER, NONE)})
                perhaps = perhaps or maybe
        first = {min(each, key=lambda one: one[0]) for each in product(*done)}
        assert (found.at[fault], found.task[fault]) in first
        expected = perhaps if perhaps and found.at[fault] == FOREVER else {(NONE, CERTAIN)}
        assert (found.perhaps[fault], found.doubt[fault]) in expected
