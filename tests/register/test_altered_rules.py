"""Rules about what a register has seen happen to signed records."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import pytest

from audit.findings.result import AuditResult
from audit.options import AuditOptions
from audit.pipeline import recorded, traced_audit
from audit.register.opening import open_register

Row = dict[str, str]
RECORD: Row = {
    "work_order": "W1",
    "aircraft": "A1",
    "action": "inspect",
    "station": "S1",
    "certified_by": "P1",
    "started_at": "2025-06-02T09:00:00Z",
    "finished_at": "2025-06-02T09:30:00Z",
    "signed_at": "2025-06-02T10:00:00Z",
    "lot": "L1",
}
ALL = [RECORD | {"task_id": f"T{number}"} for number in (1, 2, 3)]
SAYS_SO: Row = {
    "correction_id": "K1",
    "task_id": "T1",
    "column": "lot",
    "was": "L1",
    "now": "L2",
    "made_by": "P1",
    "made_at": "2025-06-03T09:00:00Z",
}
RULES = ("signed-record-altered", "signed-record-vanished", "record-entered-late")


class Night:
    """Audits exports one after another, all into one register."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __call__(self, day: int, tasks: Sequence[Row], *corrections: Row) -> AuditResult:
        """Audit these rows as of the beginning of a day of June 2025."""
        export = self.folder / f"export-{len(list(self.folder.iterdir()))}"
        export.mkdir()
        for name, rows in (("tasks", tasks), ("corrections", corrections)):
            if rows:
                with (export / f"{name}.csv").open("w", newline="") as file:
                    writer = csv.DictWriter(file, list(rows[0]))
                    writer.writeheader()
                    writer.writerows(rows)
        options = AuditOptions(as_of=datetime(2025, 6, day, tzinfo=UTC), all_text=True)
        with open_register(self.folder / "register.db", create=True) as register:
            result = recorded(register, traced_audit(export, options, register=register))
            register.commit()
        return result


@pytest.fixture
def night(tmp_path: Path) -> Night:
    return Night(tmp_path)


def found(result: AuditResult) -> list[tuple[str, ...]]:
    rows = result.findings[result.findings["rule"].isin(RULES)]
    return sorted(rows[["rule", "task_id", "aircraft", "change"]].itertuples(index=False, name=None))


def test_a_signed_record_that_says_something_else(night: Night) -> None:
    """It is a finding from the first night on which it is seen, until a correction says the same."""
    altered = [ALL[0] | {"lot": "L2"}, *ALL[1:]]
    assert found(night(4, ALL)) == []
    told = night(5, altered)
    assert found(told) == [("signed-record-altered", "T1", "A1", "new")]
    message = told.findings.set_index("rule").loc["signed-record-altered", "message"]
    assert message == "Lot altered, from L1 to L2: No correction says the same."
    assert found(night(6, altered)) == [("signed-record-altered", "T1", "A1", "still")]
    cleared = night(7, altered, SAYS_SO)
    assert found(cleared) == []
    assert cleared.standing is not None
    assert list(cleared.standing.gone.query("rule == 'signed-record-altered'")["why"]) == ["cleared"]


def test_a_record_that_changes_twice_as_of_one_time(night: Night) -> None:
    """An export made anew and audited as of the same time: each change is a finding, with the same id every night."""
    altered = [ALL[0] | {"lot": "L2"}, *ALL[1:]]
    night(5, ALL)
    first = set(night(5, altered).findings["key"])
    both = night(5, ALL)
    assert found(both) == [("signed-record-altered", "T1", "A1", change) for change in ("new", "still")]
    assert first < set(both.findings["key"])
    assert set(night(6, ALL).findings["key"]) == set(both.findings["key"])


def test_a_correction_explains_an_alteration_whichever_comes_first(night: Night) -> None:
    """Laid over one night, followed by the export the next: nothing was altered behind anybody's back."""
    night(4, ALL)
    assert found(night(5, ALL, SAYS_SO)) == []
    assert found(night(6, [ALL[0] | {"lot": "L2"}, *ALL[1:]], SAYS_SO)) == []


def test_the_same_written_otherwise_is_no_alteration(night: Night) -> None:
    """A list in another order, a name with other spaces; and a correction says the same whichever way it is written."""
    record = ALL[0] | {"position": "fin;left wing", "performed_by": "Ann Ek", "ppe_worn": "gloves; goggles"}
    again = record | {"position": "left wing; fin", "performed_by": "ann  EK", "ppe_worn": "goggles; gloves"}
    assert found(night(4, [record])) == []
    assert found(night(5, [again])) == []
    says_so = SAYS_SO | {"column": "position", "was": "fin; left wing", "now": "fin"}
    assert found(night(6, [record | {"position": "fin"}], says_so)) == []
    assert found(night(7, [record], says_so)) == []


def test_a_signed_record_that_is_there_no_more(night: Night) -> None:
    """The finding names its aircraft, which only the register still knows; the record that comes back clears it."""
    night(4, ALL)
    assert found(night(5, ALL[:2])) == [("signed-record-vanished", "T3", "A1", "new")]
    assert found(night(6, ALL[:2])) == [("signed-record-vanished", "T3", "A1", "still")]
    assert found(night(7, ALL)) == []


def test_a_record_entered_late(night: Night) -> None:
    """Its limit is the rule's; to the minute, counted to the last audit that did not have the record."""
    night(5, ALL)
    just = RECORD | {"task_id": "T4", "started_at": "2025-06-01T23:00:00Z", "finished_at": "2025-06-02T00:00:00Z"}
    late = just | {"task_id": "T5", "finished_at": "2025-06-01T23:59:00Z"}
    soon = just | {"task_id": "T6", "started_at": "2025-06-04T23:00:00Z", "finished_at": "2025-06-05T01:00:00Z"}
    told = night(6, [*ALL, just, late, soon])
    assert found(told) == [("record-entered-late", "T5", "A1", "new")]
    counts = told.coverage.set_index("rule").loc["record-entered-late"]
    assert (int(counts["in_scope"]), int(counts["complies"])) == (2, 1)


def test_without_a_register_there_is_nothing_to_look_at(tmp_path: Path) -> None:
    """The three rules are idle, and the run says what they read that is not there."""
    (tmp_path / "tasks.csv").write_text(",".join(ALL[0]) + "\n" + ",".join(ALL[0].values()) + "\n")
    result = traced_audit(tmp_path, AuditOptions()).result
    assert result.coverage.set_index("rule").loc[list(RULES), "idle"].all()
    absent = [one for one in result.absent if one.table == "alterations"]
    assert [set(one.rules) for one in absent] == [set(RULES)]
