"""record [universality]: every record in scope meets the requirement. Subject: a task record."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.forms.conditions import FALSE, TRUE, UNKNOWN, judge, needs_component
from audit.forms.outcomes import SEVERAL, Outcomes, cases, joined
from audit.forms.treatments import treatments
from audit.rulebook.models import RecordRule
from audit.timeline.instants import Ints
from audit.timeline.timeline import Timeline


def evaluate(rule: RecordRule, timeline: Timeline) -> Outcomes:
    """A finding when a record in scope breaks a requirement, at any of its positions."""
    if needs_component(rule.scope) or needs_component(rule.require):
        return _by_position(rule, timeline)
    rows = timeline.rows
    scope = judge(rule.scope, timeline, rows)
    kept = np.flatnonzero(scope.truth != FALSE)
    required = judge(rule.require, timeline, rows if len(kept) == len(rows) else rows[kept])
    undecided = scope.truth[kept] == UNKNOWN
    broken = np.flatnonzero(~undecided & (required.truth == FALSE))
    unknown = np.flatnonzero(~undecided & (required.truth == UNKNOWN))
    undecided = np.flatnonzero(undecided)
    started = timeline.times["started_at"]

    def case(index: Ints, finding: bool, reason: object) -> pd.DataFrame:
        task = rows[kept[index]]
        return cases(
            len(index),
            finding=finding,
            reason=reason,
            subject=task,
            task=task,
            at=started[task],
        )

    return joined(
        len(kept),
        case(broken, True, ""),
        case(unknown, False, required.reason(unknown)),
        case(undecided, False, scope.reason(kept[undecided])),
    )


def _by_position(rule: RecordRule, timeline: Timeline) -> Outcomes:
    """Judge each position of a record by the boot installed there; the record breaks the rule where one of them
    does."""
    treated = treatments(timeline, rule.scope)
    required = judge(rule.require, timeline, treated.task, treated.component)
    verdict = np.where(treated.truth == TRUE, required.truth, UNKNOWN)
    order = np.lexsort((treated.place, verdict, treated.task))
    task = treated.task[order]
    # The worst position of a record comes first in this order, and stands for it.
    first = np.flatnonzero(np.append(True, task[1:] != task[:-1])) if len(task) else order
    worst = order[first]
    open_cases = worst[verdict[worst] != TRUE]
    reason = np.where(
        treated.truth[open_cases] == UNKNOWN,
        treated.reason[open_cases],
        required.reason(open_cases),
    )
    finding = verdict[open_cases] == FALSE
    broken = verdict == FALSE
    positions: dict[int, list[str]] = {}
    for row in order[broken[order]].tolist():
        position = int(timeline.position_of(treated.place[row]))
        name = "" if position == timeline.unknown_position else str(timeline.position_names[position])
        positions.setdefault(int(treated.task[row]), []).append(name)
    return joined(
        len(first),
        cases(
            len(open_cases),
            finding=finding,
            reason=np.where(finding, "", reason),
            subject=treated.task[open_cases],
            task=treated.task[open_cases],
            component=treated.component[open_cases],
            at=timeline.times["started_at"][treated.task[open_cases]],
            detail=[SEVERAL.join(positions.get(row, ())) for row in treated.task[open_cases].tolist()],
        ),
    )
