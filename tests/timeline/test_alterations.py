"""What a register has seen become of signed records, beside what corrections say of it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from audit.authoring.examples import example_export
from audit.authoring.running import timeline_of
from audit.language.rule import Example
from audit.timeline.alterations import with_alterations
from audit.timeline.records import values
from audit.timeline.subjects import looked_at
from audit.timeline.timeline import build_timeline

NOW = "2025-06-30T00:00:00Z"


def seen(*alterations: dict[str, Any], lot: str = "L3", as_of: str = NOW, **tables: Any) -> pd.DataFrame:
    """The alterations of record T1, whose lot is L3 in the end, as the timeline has them."""
    task = {"lot": lot, "started_at": "2025-06-02T09:00:00Z"}
    tables = {"tasks": (task, task | {"task_id": "T2"}), "alterations": alterations, "as_of": as_of} | tables
    return timeline_of(Example(name="x", expect="complies", **tables)).tables["alterations"]


def changed(was: str | None, now: str | None, **more: Any) -> dict[str, Any]:
    return {"column": "lot", "was": was, "now": now} | more


FIRST = changed("L1", "L2", made_at="2025-06-03T09:00:00Z")
SECOND = changed("L2", "L3", made_at="2025-06-04T09:00:00Z")


@pytest.mark.parametrize(
    ("alteration", "expected"),
    [
        pytest.param(changed("L2", "L3"), "K2", id="the-last-step"),
        pytest.param(changed("L1", "L3"), "K2", id="both-together"),
        pytest.param(changed("L1", "L2"), "K1", id="the-first-step"),
        pytest.param(changed("L3", "L1"), None, id="the-other-way"),
        pytest.param(changed("L2", "L1"), None, id="one-step-back"),
        pytest.param(changed("L0", "L3"), None, id="from-another-value"),
        pytest.param(changed("L1", "L9"), None, id="to-another-value"),
        pytest.param(changed("L1", "L3", task_id="T2"), None, id="another-record"),
        pytest.param(changed("L1", "L3", column="coat"), None, id="another-column"),
        pytest.param(changed(None, "L3"), None, id="from-blank"),
    ],
)
def test_corrections_that_say_the_same(alteration: dict[str, Any], expected: str | None) -> None:
    """A correction explains the alteration that goes from its old value to its new one; so do several in a row.

    They are taken as they were made, however they are listed.
    """
    listed = ({"correction_id": "K2"} | SECOND, {"correction_id": "K1"} | FIRST)
    (found,) = seen(alteration, corrections=listed)["correction"]
    assert (None if pd.isna(found) else found) == expected


def test_corrections_that_explain_nothing() -> None:
    """One that is of a later time, or does not fit its record, is none yet; and without the table there is none."""
    alteration = changed("L2", "L3")
    assert seen(alteration, corrections=(SECOND,))["correction"].tolist() == ["K1"]
    assert seen(alteration, as_of="2025-06-04T08:59:59Z", corrections=(SECOND,))["correction"].isna().all()
    assert seen(alteration, lot="L9", corrections=(SECOND,))["correction"].isna().all()
    assert seen(alteration)["correction"].isna().all()


def test_corrections_exported_without_the_values_before_them_explain_nothing_for_certain() -> None:
    """Whether one says the same can't be told, nor that none does; where no entry was corrected none does."""
    task = {"lot": "L3", "started_at": "2025-06-02T09:00:00Z"}
    for corrections, unknown in (((SECOND,), True), ((), False)):
        example = Example(
            name="x",
            expect="complies",
            tasks=(task,),
            alterations=(changed("L2", "L3"),),
            corrections=corrections,
            as_of=NOW,
        )
        timeline = timeline_of(example)
        bare = timeline.tables["corrections"].drop(columns="was")
        line = looked_at(replace(timeline, tables={**timeline.tables, "corrections": bare}), "alterations")
        found = values(line, "alteration.correction", np.zeros(1, np.int64))
        assert (found.missing.tolist(), found.undecidable.tolist()) == ([True], [unknown])
        assert not unknown or found.reasons == ("column not supplied: corrections.was",)


def test_several_alterations_each_have_their_own() -> None:
    """A column filled in where it was blank is told from one that was changed."""
    filled = {"column": "product", "was": None, "now": "gel", "made_at": "2025-06-05T09:00:00Z"}
    found = seen(
        changed("L2", "L3"),
        changed(None, "gel", column="product"),
        changed("L2", "L3", task_id="T2"),
        corrections=(filled, SECOND),
        tasks=({"lot": "L3", "product": "gel", "started_at": "2025-06-02T09:00:00Z"}, {"started_at": NOW}),
    )
    assert found["correction"].fillna("").tolist() == ["K2", "K1", ""]


def test_what_the_export_still_has() -> None:
    """A record that vanished stands behind those of the export, and is no evidence."""
    example = Example(
        name="x",
        expect="complies",
        tasks=({"started_at": "2025-06-02T09:00:00Z"},),
        alterations=({"what": "vanished"}, {"task_id": "T9", "what": "vanished"}),
    )
    timeline = timeline_of(example)
    assert timeline.tables["alterations"]["in_export"].tolist() == ["yes", "no"]
    assert timeline.tasks["task_id"].tolist() == ["T1", "T9"]
    assert [len(times) for times in timeline.times.values()] == [2] * len(timeline.times)
    assert len(timeline.aircraft) == 2
    assert timeline.rows.tolist() == [0]


def test_what_vanished_records_said_last() -> None:
    """They stand behind all others with what they said; one that the export still has stands there as it is now."""
    task = {"started_at": "2025-06-02T09:00:00Z", "lot": "L1"}
    tables = {"tasks": (task, task | {"aircraft": "A2"}), "components": ()}
    timeline = build_timeline(example_export(Example(name="x", expect="complies", **tables)))
    began = pd.to_datetime(pd.Series(["2025-01-01T09:00:00Z"] * 4), utc=True).dt.as_unit("us")
    last_known = pd.DataFrame(
        {
            "task_id": ["T9", "T2", "T8", "T7"],
            "aircraft": pd.Categorical(["A2", "A1", "A9", "A1"]),
            "lot": pd.Categorical(["L9", "L8", "L7", None]),
            "started_at": began,
        }
    )
    alterations = pd.DataFrame(
        {
            "task_id": ["T9", "T2"],
            "what": "vanished",
            "column": None,
            "was": None,
            "now": None,
            "first_seen": began[:2],
        },
        index=[5, 3],
    )
    found = with_alterations(timeline, alterations, last_known)
    assert found.tasks["task_id"].tolist() == ["T1", "T2", "T9", "T8", "T7"]
    assert found.tasks["lot"].astype("str").tolist()[:4] == ["L1", "L1", "L9", "L7"]
    assert found.tasks["lot"].isna().tolist() == [False] * 4 + [True]
    assert found.aircraft.tolist() == [0, 1, 1, -1, 0]
    started = found.tasks["started_at"]
    assert found.times["started_at"].tolist() == started.dt.tz_convert(None).to_numpy("M8[us]").view("i8").tolist()
    assert started.dt.year.tolist() == [2025] * 5
    assert started.dt.month.tolist() == [6, 6, 1, 1, 1]
    assert found.tasks["finished_at"].isna().tolist() == [False, False, True, True, True]
    assert found.audited == 2
    assert found.rows.tolist() == timeline.rows.tolist()
    table = found.tables["alterations"]
    assert table["in_export"].tolist() == ["no", "yes"]
    assert table.index.tolist() == [0, 1]
    assert "alterations" not in timeline.tables


def test_how_late_a_record_was_entered() -> None:
    """From the end of the work to the audit that did not have it yet; nothing else is late."""
    found = seen(
        {"what": "entered late", "was": "2025-06-05T10:30:00Z", "now": "2025-06-02T09:00:00Z"}, changed("L2", "L3")
    )
    assert found["hours_late"].fillna(-1).tolist() == [73.5, -1]
