"""What a register says, in every list: the page, the work list, the terminal."""

from __future__ import annotations

import base64
import gzip
import json
from pathlib import Path

from audit.findings.result import AuditResult
from audit.report.listing import packed, standing
from audit.report.standing import is_open, since_last_run
from audit.report.summary import summarise
from audit.report.worklist import work_list
from tests.report.conftest import finding, make_result, with_register

DECIDED = "deferred until 2026-08-01 by A. Plover: Parts on order"
DISPUTED = "answered done by C. Teal on 2026-05-02"
MARKS = [f"[{DECIDED}]", f"[back; {DISPUTED}]"]


def told() -> AuditResult:
    rows = [
        finding(1),
        finding(2, decision="deferred", decided=DECIDED),
        finding(3, change="back", disputed=DISPUTED),
    ]
    return with_register(rows)


def test_every_list_marks_what_is_decided_and_disputed() -> None:
    """After the sentence, for the shop and for the quality manager alike; without a register nothing is added."""
    result = told()
    document = json.loads(gzip.decompress(base64.b64decode(packed(result, result.matters))))
    page = document["findings"]["message"][0]
    rows = [row["message"] for rule in standing(result) for row in rule.rows]
    work = [
        item.message
        for station in work_list(result).stations
        for job in station.jobs
        for step in job.steps
        for item in step.items
    ]
    for messages in (page, rows, work):
        assert sorted(message[message.index("[") :] for message in messages if "[" in message) == sorted(MARKS)
    plain = make_result()
    assert "[" not in "".join(row["message"] for rule in standing(plain) for row in rule.rows)


def test_the_terminal_says_what_changed() -> None:
    """On the one screen, in its width."""
    text = summarise(told(), Path("report.html"))
    assert "  Last run    1 back, 2 still open; 0 cleared\n" in text
    assert "              1 decided, not counted; 1 answered done, still open\n" in text
    assert since_last_run(make_result()) == ()


def test_what_is_open() -> None:
    """Neither put right nor covered by a decision in force: an expired one covers nothing."""
    rows = [finding(n, decision=kind) for n, kind in enumerate(("", "accepted", "deferred", "expired"))]
    result = with_register([*rows, finding(9, state="corrected")])
    assert is_open(result.findings).tolist() == [True, False, False, True, False]
    assert is_open(make_result([finding(1), finding(2, state="corrected")]).findings).tolist() == [True, False]
