"""summary.md: one page for CI, on which records stay text."""

from __future__ import annotations

import pandas as pd

from audit.findings.result import AuditResult
from audit.report.markdown import LISTED, markdown_text
from tests.report.conftest import HOSTILE, finding, hostile_finding, make_result, with_register


def test_the_page_has_the_numbers(result: AuditResult) -> None:
    """Levels, what was judged, each rule's counts, the findings and the reasons are on the page."""
    text = markdown_text(result)
    assert "**2 findings**: 0 level 1, 2 level 2, 0 observation." in text
    assert "111 of 114 checks in scope were judged; the other 3 do not pass." in text
    assert "| Flight before the preservative had cured | level 2 | 62 | 57 | 2 | 3 | 2 |" in text
    assert "1 of 4 rules had nothing in scope." in text
    assert "| 2 | TARN-001 | left wing | W-1 | Flew 5 h 12 min" in text
    assert "| Flight before the preservative had cured | ambiguous time | 2 |" in text


def test_nothing_judged_is_said_first() -> None:
    """An audit that could judge nothing says so above its numbers."""
    coverage = make_result([]).coverage.assign(complies=0, findings=0)
    text = markdown_text(make_result([], coverage=coverage))
    assert text.index("Nothing could be judged") < text.index("0 findings")


def test_the_list_is_capped() -> None:
    """The most serious are listed and the others counted, so that the page stays one page."""
    text = markdown_text(make_result([finding(n) for n in range(LISTED + 5)]))
    assert text.count("| F0000") == LISTED
    assert "The other 5 are in the report." in text


def test_hostile_text_stays_text() -> None:
    """Nothing from the records is mark-up, a mention, a link or a cell border, and no row is broken."""
    text = markdown_text(make_result([hostile_finding(1)], export_name=HOSTILE))
    [row] = [line for line in text.splitlines() if line.endswith(" | F000001 |")]
    assert row.count("|") == 7
    assert "&#61;1&#43;1 &#64;SUM(A1) &#60;script&#62;" in row
    for alive in ("<script", "](", "http:", "www.", "`code`", "\x1b", "\u202e", "\u2028", "@SUM"):
        assert alive not in text


def test_what_changed_since_the_last_run_is_said() -> None:
    """New, back, still open, cleared, not found, decided, expired, disputed: each with its number, and in the list."""
    rows = [
        finding(1, change="new"),
        finding(2, change="back", decision="expired", decided="it was"),
        finding(3, decision="accepted", decided="accepted until 2026-08-01 by A. Plover: Parts on order"),
        finding(4, disputed="answered done by C. Teal on 2026-05-02"),
    ]
    at = pd.Timestamp("2026-05-31T22:10:00Z")
    gone = [("aa", "r", "2", "QX", "fin", "W", "T", why, at) for why in ("cleared", "record missing", "record missing")]
    text = markdown_text(with_register(rows, gone, ("one",)))
    for sentence in (
        "Since the last run: 1 new, 1 back, 2 still there; 1 cleared.",
        "not found and not cleared: 2 record missing.",
        "1 decided, not counted.",
        "1 expired, counted again.",
        "1 answered done, still open.",
        "1 decision on what is put right.",
    ):
        assert f"\n{sentence}\n" in text
    assert "| 2 | still | accepted until 2026-08-01 by A. Plover&#58; Parts on order | TARN-003 |" in text
    assert "last run" not in markdown_text(make_result())
