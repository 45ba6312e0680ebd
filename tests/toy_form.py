"""A rule form as a newcomer would add one: a module that ends with one value."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal

import numpy as np
import pandas as pd

from audit.evidence.conditions import FALSE, judge
from audit.evidence.doubt import CERTAIN, Rank, reasons_of
from audit.evidence.treatments import doubt_of
from audit.forms.describing import records
from audit.forms.form import Form, Never
from audit.forms.naming import cells
from audit.forms.outcomes import Judgement
from audit.language.rule import Rule
from audit.language.values import Text
from audit.language.wording import Said
from audit.planting.planting import Edit, Planted, Planter, Spot
from audit.timeline.instants import Bools, Ints
from audit.timeline.records import values
from audit.timeline.timeline import Timeline


class MentionRule(Rule):
    """The remarks of a record have a word in them."""

    form: Literal["mention"]
    word: Text


def evaluate(rule: MentionRule, timeline: Timeline) -> Judgement:
    """A finding when the remarks of a record in scope don't have the word."""
    scope, reasons = judge(rule.scope, timeline, timeline.rows), reasons_of(timeline)
    asked = np.flatnonzero(scope.truth != FALSE)
    rows = timeline.rows[asked]
    remarks = values(timeline, "remarks", rows)
    silent = np.array([rule.word not in remarks.text(index) for index in range(len(rows))], bool)
    blank = np.where(remarks.missing, reasons.number(Rank.RECORD, "value missing: remarks"), CERTAIN)
    doubt = doubt_of(reasons, scope, asked)

    def shown(index: Ints, finding: Bools) -> Mapping[str, Any]:
        return {"subject": rows[index], "task": rows[index], "at": timeline.times["started_at"][rows[index]]}

    return Judgement(silent, np.where(doubt == CERTAIN, blank, doubt), reasons, shown)


def planter(rule: MentionRule, timeline: Timeline) -> Planter:
    """The word struck out of the remarks, or written there."""

    def plant(spot: Spot) -> Planted:
        remarks = str(cells(timeline.tasks, "remarks", np.array([spot["task"]]))[0])
        said = remarks.replace(rule.word, "") if spot.outside else f"{remarks} {rule.word}"
        return Planted(f"remarks: {said}", (Edit("tasks", spot["task"], {"remarks": said or "nothing"}),))

    return plant


def facts(rule: MentionRule, cases: pd.DataFrame, timeline: Timeline) -> Mapping[str, Sequence[Any]]:
    remarks = values(timeline, "remarks", cases["task"].to_numpy())
    return {"remarks": [remarks.text(index) for index in range(len(cases))]}


MENTION = Form(
    name="mention",
    rule=MentionRule,
    finding="the remarks of a record in scope lack a word",
    subjects="task record",
    named_by="task record",
    evaluate=evaluate,
    plant=planter,
    reads=lambda rule: ("tasks.remarks",),
    identity=lambda rule, cases, evidence, timeline: [(task,) for task in evidence["task_id"]],
    facts=facts,
    told=lambda rule, case: [
        Said((), {"remarks": case["remarks"]}, f"The remarks ({case['remarks']}) don't say {rule.word}")
    ],
    values={"remarks": "the remarks"},
    drawing=lambda rule: None,
    looks_at=lambda rule: f"Each {records(rule.scope, 'record')}.",
    demands=lambda rule: (f"the remarks say {rule.word}",),
    unjudged_when=lambda rule: ("the remarks are not recorded",),
    never=lambda rule: [Never(("word",), "every remark has a space in it")] if rule.word == "of" else [],
    settable=("word",),
    skeleton="""\
word: masked
examples:
  - name: it says so
    expect: complies
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z', remarks: edges masked}
  - name: it says something else
    expect: finding
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z', remarks: edges cleaned}
  - name: it says nothing
    expect: unjudged
    tasks:
      - {product: gloss-coating, started_at: '2025-06-02T09:00:00Z'}
""",
)

FORGETFUL = replace(MENTION, reads=lambda rule: ("tasks",))
"""The same form, whose author forgot to declare a column that it reads."""
