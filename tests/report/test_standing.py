"""What a register says, in every list: the page, the work list, the terminal."""

from __future__ import annotations

import base64
import gzip
import json
from dataclasses import replace
from pathlib import Path

import pandas as pd

from audit.findings.result import AuditResult
from audit.report.aside import asides
from audit.report.html import render
from audit.report.listing import packed, standing
from audit.report.markdown import markdown_text
from audit.report.sarif import sarif_text
from audit.report.standing import is_open, since_last_run
from audit.report.summary import summarise
from audit.report.worklist import work_list
from audit.report.worklist_html import work_list_page
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
    assert "  Last run    1 back, 2 still there; 0 cleared\n" in text
    assert "              1 decided, not counted; 1 answered done, still open\n" in text
    assert since_last_run(make_result()) == ()


def test_a_decision_on_what_is_put_right_lets_nothing_pass() -> None:
    """It is counted as put right, not as decided; one that has expired since counts nothing again."""
    rows = [finding(n, state="corrected", decision=kind) for n, kind in enumerate(("accepted", "expired"))]
    assert since_last_run(with_register(rows, unused=("one",))) == (
        "2 still there; 0 cleared",
        "1 decision on what is put right",
    )


def test_what_is_open() -> None:
    """Neither put right nor covered by a decision in force: an expired one covers nothing."""
    rows = [finding(n, decision=kind) for n, kind in enumerate(("", "accepted", "deferred", "expired"))]
    result = with_register([*rows, finding(9, state="corrected")])
    assert is_open(result.findings).tolist() == [True, False, False, True, False]
    assert is_open(make_result([finding(1), finding(2, state="corrected")]).findings).tolist() == [True, False]


CORRECTED = {"state": "corrected", "corrected_by": "T-77", "corrected_at": "2025-11-13T14:30Z"}


def test_the_page_says_what_changed_and_has_the_seal() -> None:
    """On the first screen and in the block to sign; neither is there without a register."""
    page, plain = render(told()), render(make_result())
    assert "1 back, 2 still there; 0 cleared; 1 decided, not counted; 1 answered done, still open." in page
    assert f'Seal of run 7</th><td colspan="3"><code class="seal">{"5e" * 32}</code>' in page
    assert "Since the last run" not in plain
    assert "Seal of run" not in plain


def test_what_is_put_right_is_not_counted_and_comes_last() -> None:
    """Levels count what is open; the terminal, the page, the work list and Markdown say what was put right, by what."""
    result = make_result([finding(1, level="1", **CORRECTED), finding(2), finding(3, **CORRECTED)])
    text = summarise(result, Path("report.html"))
    assert "  Findings    1 open; 2 put right\n              0 level 1: before the next flight\n" in text
    page = render(result)
    assert "<strong>Not yet.</strong> Nothing found lowers safety" in page
    assert page.index("F000002</td>") < page.index("F000001</td>")
    assert "[put right by T-77 on 2025-11-13]" in page
    assert "**1 open findings**: 0 level 1, 1 level 2" in markdown_text(result)
    assert "Not counted: 2 put right." in markdown_text(result)
    listed = work_list(result)
    assert (listed.total, [one.finding_id for one in listed.put_right]) == (1, ["F000001", "F000003"])
    assert "<td>T-77</td><td>2025-11-13</td>" in work_list_page(result)


def test_nothing_is_left_open() -> None:
    """The page doesn't send anybody to work that was done."""
    result = make_result([finding(1, **CORRECTED)], unjudged=make_result().unjudged.head(0))
    assert "everything found is put right or decided" in render(result)
    assert "Nothing is open." in work_list_page(result)


def test_sarif_suppresses_what_is_put_right() -> None:
    """Every result then says what suppresses it, and none does where nothing was put right and nobody decides."""
    result = make_result([finding(1, **CORRECTED), finding(2)])
    run = json.loads(sarif_text(result))["runs"][0]
    said = [[one["justification"] for one in each["suppressions"]] for each in run["results"]]
    assert said == [["put right by T-77 on 2025-11-13"], []]
    assert "suppressions" not in json.loads(sarif_text(make_result()))["runs"][0]["results"][0]


def test_each_state_has_a_place_of_its_own() -> None:
    """Put right, decided, disputed, back, gone: each with its evidence and its days."""
    gone = [("ab" * 32, "flight-before-cure", "2", "TARN-TEAL", "fin", "W-9", "T-9", "cleared", "2026-05-31T22:10Z")]
    rows = [
        finding(1, **CORRECTED),
        finding(2, decision="deferred", decided=DECIDED),
        finding(3, change="back", disputed=DISPUTED),
        finding(4, station="Gullspool", level="1"),
    ]
    result = with_register(rows, gone=gone)
    found = {one.name: one for one in asides(result)}
    assert list(found) == ["corrected", "decided", "disputed", "back", "gone", "time-open"]
    assert found["corrected"].rows[0][-3:] == ("T-77", "2025-11-13 14:30 UTC", "10 days")
    assert found["decided"].rows[0][-1] == DECIDED
    assert found["disputed"].rows[0][-1] == DISPUTED
    assert found["back"].rows[0][-1] == "2026-05-01 22:10 UTC"
    assert found["gone"].rows[0] == (
        *("abababababab", "level 2", "Flight before the preservative had cured", "TARN-TEAL fin", "cleared"),
        "2026-05-31 22:10 UTC",
    )
    assert found["time-open"].rows == (
        ("level 1", "Gullspool", "1", "30", "30"),
        ("level 2", "Fernspool", "1", "30", "30"),
    )
    page = render(result)
    for one in found.values():
        assert f'id="aside-{one.name}"' in page
    assert asides(make_result()) == []


def test_a_night_on_which_nothing_is_gone() -> None:
    """A frame without a row has columns of no kind in particular."""
    result = with_register([finding(1)])
    assert result.standing is not None
    nothing = pd.DataFrame({name: pd.Series([], dtype="float64") for name in result.standing.gone})
    nothing["since"] = pd.to_datetime(nothing["since"], utc=True)
    result = replace(result, standing=replace(result.standing, gone=nothing))
    assert [one.name for one in asides(result)] == ["time-open"]


def test_what_happened_to_signed_records_is_told_in_words() -> None:
    """Which entry, what it said and says; of a record that came late no two times stand side by side without words."""
    seen = pd.Timestamp("2026-05-31T22:10:00Z")
    altered = pd.DataFrame(
        [
            ("T-1", "altered", "humidity_pct", "51.0", "", seen),
            ("T-2", "vanished", "", "", "", seen),
            ("T-3", "entered late", "", "2026-05-30T22:10:00+00:00", "2025-10-01T13:15:00+00:00", seen),
        ],
        columns=["task_id", "what", "column", "was", "now", "first_seen"],
    )
    result = with_register([], unused=("abc, accepted until 2026-08-01, is corrected: nothing is left to decide",))
    assert result.standing is not None
    result = replace(result, standing=replace(result.standing, altered=altered))
    found = {one.name: one for one in asides(result)}
    at = "2026-05-31 22:10 UTC"
    assert found["altered"].rows == (
        ("T-1", "altered", "humidity_pct", "51", "blank", at),
        ("T-2", "vanished", "", "", "not there", at),
        ("T-3", "entered late", "", "not there as of 2026-05-30 22:10 UTC", "its work ended 2025-10-01 13:15 UTC", at),
    )
    assert found["unused"].rows == (("abc, accepted until 2026-08-01, is corrected: nothing is left to decide",),)
