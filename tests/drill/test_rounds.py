"""Plantings that are audited together leave each other alone."""

from __future__ import annotations

import pandas as pd
import pytest

from audit.drill.rounds import footprint, in_rounds
from audit.forms.outcomes import cases
from audit.intake.reading import read_rows
from audit.planting.planting import Edit, Planted, Spot
from audit.timeline.instants import instant
from audit.timeline.timeline import build_timeline
from tests.faults.clean_export import IBIS, TEAL, clean_tables
from tests.forms.rules import RULES, rule

DAY = {"started_at": "2025-10-01T08:00:00Z", "finished_at": "2025-10-01T09:00:00Z"}
SPAN = (instant(pd.Timestamp(DAY["started_at"])), instant(pd.Timestamp(DAY["finished_at"])))


@pytest.mark.parametrize(("same", "rounds"), [(["aircraft"], 1), (["lot"], 2)])
def test_what_all_records_decide_is_planted_one_by_one(same: list[str], rounds: int) -> None:
    """Of pairs within one aircraft two aircraft are planted at once; of pairs among all records they are not."""
    timeline = build_timeline(read_rows(clean_tables()))
    overlap = RULES.validate_python(rule("overlap", between=["tasks", "tasks"], same=same))
    found = []
    for aircraft in (TEAL, IBIS):
        row = int((timeline.tasks["aircraft"] == aircraft).to_numpy().argmax())
        [case] = cases(1, subject=row, task=row).to_dict("records")
        people = {"performed_by": aircraft, "certified_by": aircraft}
        more = Edit("tasks", row, DAY | people, new=True)
        planted = Planted("another record", (more,), span=SPAN)
        found.append(footprint(overlap, timeline, Spot(case, "outside", aircraft), planted))
    assert len(in_rounds(found)) == rounds
