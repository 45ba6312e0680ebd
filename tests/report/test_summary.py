"""The terminal summary."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import pandas as pd

from audit.findings.result import Absent, AuditResult
from audit.intake.export import RowCount
from audit.report.html import render
from audit.report.summary import summarise
from tests.summary_picture import picture

PAGE = Path("out") / "report.html"


def test_it_says_what_matters_in_plain_words(result: AuditResult) -> None:
    """Levels, judged and unjudged with reasons, idle rules, quarantine and the place are there."""
    text = summarise(result, PAGE)
    for said in (
        "nightly export, as of 2026-05-31 22:10 UTC",
        "2 level 2",
        "0 level 1",
        "111 of 114 checks in scope",
        "2 ambiguous time",
        "1 of 4 rules: nothing in scope; not a pass",
        "lot-expired",
        "2 of 420 rows not audited (flights 1, tasks 1)",
        str(PAGE),
    ):
        assert said in text
    assert "NOTHING" not in text
    assert text.isascii()


def test_it_fits_a_screen(result_of: Callable[..., AuditResult]) -> None:
    """With thirty idle rules and thirty reasons it still has fewer than 24 lines, and counts them."""
    result = result_of()
    coverage = pd.concat([result.coverage.assign(idle=True)] * 8, ignore_index=True)
    unjudged = pd.concat(
        [result.unjudged.assign(reason=f"reason {n} {'at length ' * 20}") for n in range(30)], ignore_index=True
    )
    rows = {f"table-{n}": RowCount(10, 9, 1) for n in range(30)}
    many = result_of(coverage=coverage, unjudged=unjudged, rows=rows, export_name="long " * 40)
    text = summarise(many, PAGE, PAGE.with_name("worklist.xlsx"))
    assert len(text.splitlines()) < 24
    assert max(len(line) for line in text.splitlines()) <= 80
    assert text.splitlines()[-1] == f"  Work list   {PAGE.with_name('worklist.xlsx')}"
    assert text.count("and 28 more") == 1
    assert text.count("and 26 more") == 1


def test_nothing_judged_is_loud(result_of: Callable[..., AuditResult]) -> None:
    """Where nothing was judged, the summary says that this is not a clean result."""
    coverage = result_of().coverage.assign(complies=0, findings=0)
    assert "NOTHING COULD BE JUDGED" in summarise(result_of([], coverage=coverage), PAGE)


def test_names_can_not_drive_the_terminal(result_of: Callable[..., AuditResult]) -> None:
    """A control character in a name is spelled out, never sent to the terminal."""
    text = summarise(result_of(export_name="x\x1b[2J\ny"), PAGE)
    assert text.startswith("x[U+001B][2J y, as of")


def test_it_can_be_drawn(result: AuditResult) -> None:
    """The picture for the README is well-formed, holds every line as text, and loads nothing."""
    text = summarise(result, PAGE) + "<&>\n"
    drawn = ElementTree.fromstring(picture(text))
    lines = [element.text for element in drawn if element.tag.endswith("}text")]
    assert lines == text.splitlines()
    assert "url(" not in picture(text)
    assert picture(text).count("http") == 1


def test_an_as_of_time_far_ahead_is_told(result_of: Callable[..., AuditResult]) -> None:
    """One planned removal in 2099 moves the as-of time: screen and page say that nothing is recorded up to it."""
    newest = pd.Timestamp("2026-05-31T22:00:00Z")
    for days, told in ((30, False), (31, True)):
        ahead = result_of(newest=newest, as_of=newest + pd.Timedelta(days=days))
        assert ("AS OF 31 DAYS AFTER THE LAST RECORD" in summarise(ahead, PAGE)) == told
        assert ("The last 31 days before the as-of time" in render(ahead)) == told


def test_what_is_missing_is_told_apart_from_what_only_a_register_knows(result_of: Callable[..., AuditResult]) -> None:
    """An export can be completed by a column, but not by what happened to its records."""
    column, altered = Absent("tasks", "ppe_worn", ("a", "b")), Absent("alterations", "", ("c", "d", "e"))
    text = summarise(result_of([], absent=(column, altered)), PAGE)
    assert "  Missing     tasks.ppe_worn, read by a and 1 more\n" in text
    assert "  No register altered records are not seen: 3 rules idle\n" in text
    assert "more of what rules read" not in text
