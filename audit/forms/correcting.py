"""What put a finding right, by the records themselves: the same for every form."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from audit.evidence.columns import most_of
from audit.evidence.doubt import reasons_of
from audit.evidence.remedies import Faults, Remedied, remedied
from audit.forms.naming import Texts, cells, positions
from audit.forms.outcomes import NONE, SEVERAL
from audit.language.rule import Rule
from audit.timeline.instants import FOREVER, NEVER, Ints, take
from audit.timeline.timeline import Timeline


@dataclass(frozen=True)
class Corrected:
    """What put each finding right: `by` names it (blank: nothing did), `at` is when (FOREVER: never).

    `perhaps` is a sentence on what may have done so, where nothing certain did; else blank. `told` are all that either
    names.
    """

    by: Texts
    at: Ints
    perhaps: Texts
    told: Sequence[frozenset[str]]


def corrected(rule: Rule, cases: pd.DataFrame, timeline: Timeline) -> Corrected:
    """What put the findings of a rule right: what its file names under `corrected_by`, or what ended them by itself.

    A finding about several boots is put right once each of them is; where the boot isn't known, nothing does.
    """
    size = len(cases)
    ended = cases["ended_by"].to_numpy()
    at = take(timeline.times["finished_at"], ended, FOREVER)
    by, perhaps = cells(timeline.tasks, "task_id", ended), np.full(size, "", object)
    if not rule.corrected_by or not size:
        return Corrected(by, at, perhaps, [frozenset({name}) for name in by.tolist()])
    case, faults = _faults(cases, timeline)
    found = remedied(timeline, rule.corrected_by, faults)
    # Several boots are put right when the last of them is.
    last = most_of(case, np.where(faults.boot < 0, FOREVER, found.at), size)
    sooner = np.flatnonzero((last != NEVER) & (last < at))
    names = _names(timeline, faults, found)
    of_case: dict[int, list[str]] = {}
    for one, name in zip(case.tolist(), names.tolist(), strict=True):
        of_case.setdefault(one, []).append(name)
    for one in sooner.tolist():
        by[one], at[one] = SEVERAL.join(dict.fromkeys(of_case[one])), last[one]
    told = [frozenset(text.split(SEVERAL)) for text in by.tolist()]
    records, why = cells(timeline.tasks, "task_id", found.perhaps), reasons_of(timeline).texts(found.doubt)
    for one in np.flatnonzero((found.perhaps != NONE) & (at[case] == FOREVER))[::-1].tolist():
        named = records[one] or "A record"
        perhaps[case[one]] = f"{named} may have put it right, but that is in doubt: {why[one]}."
        told[case[one]] = frozenset({records[one]})
    return Corrected(by, at, perhaps, told)


def _faults(cases: pd.DataFrame, timeline: Timeline) -> tuple[Ints, Faults]:
    """The boots of each case, by its number: of a record for several positions, those at which it breaks the rule."""
    component, task, place = (cases[name].to_numpy() for name in ("component", "task", "place"))
    several = cases["detail"].str.contains(SEVERAL, regex=False).to_numpy(bool)
    # A record for several positions, or one that names no boot, is about all that were there.
    by_record = (task >= 0) & ((several & (component >= 0)) | ((component == NONE) & (place == NONE)))
    # Flights that contradict each other are about no boot.
    single = np.flatnonzero(~by_record & ((component >= 0) | (place >= 0)))
    listed = np.flatnonzero(by_record)
    index, spot = timeline.placed(task[listed])
    which = listed[index]
    named = cases["detail"].to_numpy(object)
    at = positions(timeline, spot)
    asked = [not named[one] or name in named[one].split(SEVERAL) for one, name in zip(which, at, strict=True)]
    which, spot = which[np.array(asked, bool)], spot[np.array(asked, bool)]
    there = timeline.component_at(spot, timeline.times["started_at"][task[which]])
    case = np.concatenate((single, which))
    boot = timeline.components.boot_of(
        np.concatenate((component[single], there)),
        np.concatenate((cases["at"].to_numpy()[single], timeline.times["started_at"][task[which]])),
    )
    home = take(timeline.components.place, component[single], NONE)
    where = np.concatenate((np.where(place[single] >= 0, place[single], home), spot))
    return case, Faults(boot, where, cases["at"].to_numpy()[case])


def _names(timeline: Timeline, faults: Faults, found: Remedied) -> Texts:
    """What put each fault right: a record, or `removal of` the boot."""
    names = cells(timeline.tasks, "task_id", found.task)
    removed = np.flatnonzero((found.task == NONE) & (found.at < FOREVER) & (faults.boot >= 0))
    if len(removed):
        boots = timeline.tables["components"]["component_serial"].cat.categories
        names[removed] = [f"removal of {serial}" for serial in boots.take(faults.boot[removed])]
    return names
