"""report.html, read back with an HTML parser."""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from typing import Any

import pandas as pd
import pytest

from audit.findings.reconciliation import FileReconciled
from audit.findings.result import Absent, AuditResult
from audit.language.rule import Rule
from audit.report.html import DRAWN_QUARANTINE, URGENT, RuleCoverage, render
from audit.report.listing import STATIC_FINDINGS

HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>&lt;\u202e{{ 7*7 }}"
VOID = {"meta", "br", "input", "col"}


class Page(HTMLParser):
    """Text, tags, ids and links of a page; tags must nest."""

    def __init__(self, source: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.attributes: set[str] = set()
        self.pieces: list[str] = []
        self._open: list[str] = []
        self.feed(source)
        self.close()
        assert self._open == []
        self.text = re.sub(r"\s+", " ", "".join(self.pieces))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a tag, its ids and links."""
        self.tags.append(tag)
        for name, value in attrs:
            self.attributes.add(name)
            if name == "id":
                self.ids.append(value or "")
            if name == "href":
                self.links.append(value or "")
        if tag not in VOID:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        """Refuse a tag that closes another."""
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        """Keep what a reader sees."""
        if self._open and self._open[-1] not in ("style", "script"):
            self.pieces.append(data)


def carried(source: str) -> dict[str, Any]:
    """The findings that a page carries for its script."""
    [text] = re.findall('<script type="text/plain" id="data">(.*?)</script>', source)
    unpacked: dict[str, Any] = json.loads(gzip.decompress(base64.b64decode(text)))
    return unpacked


def test_the_page_tells_the_result(result: AuditResult) -> None:
    """The first screen has the totals, each finding its evidence; the grounds of each rule stand on the page."""
    text = Page(render(result)).text
    for said in (
        "Not yet. Nothing found lowers safety, but 2 matters are non-compliances.",
        "97.3 % judged.",
        "As of 2026-05-31 22:10 UTC",
        "Flew 5 h 12 min after the last coat; 24 h required; 18 h 48 min short.",
        "W-1 · T-1 · V-1 · Fernspool · A. Plover",
        "An uncured coat is carried off by the air stream",
        "Inspect the coating, coat again where it is damaged",
        "common practice, no source",
        "Invented standard 7, 4.2 (in force from 2024-01-01)",
        "idle: nothing in scope; this is not a pass",
        "has findings; some could not be judged; 2 rows it would have read in quarantine",
        "complies; 1 row it would have read in quarantine",
        "ambiguous time",
        "2025-13-01T00:00Z",
        "cd" * 32,
        "ab" * 32,
        "Never alter, erase or backdate an original record.",
        "Nobody has signed this page by making it.",
    ):
        assert said in text


def test_the_numbers_of_the_first_screen_reconcile(
    result_of: Callable[..., AuditResult], make_finding: Callable[..., dict[str, object]]
) -> None:
    """Levels add up to the findings, seven boots of one work order are one matter, and the rest is counted."""
    boots = [make_finding(n, work_order="W-7", aircraft="TARN-007", position=f"boot {n}") for n in range(7)]
    urgent = [
        make_finding(100 + n, rule="preservative-on-wrong-material", level="1", aircraft=f"TARN-{n}")
        for n in range(URGENT + 3)
    ]
    text = Page(render(result_of(urgent + boots))).text
    assert "Not yet. 9 matters come before the next flight; 1 more is a non-compliance." in text
    assert "9in 9 matters" in text
    assert "7in 1 matter" in text
    assert "All findings16" in text
    assert "and 3 more" in text
    assert "are findings16" in text


def test_rows_that_a_mapping_leaves_out_are_told(result: AuditResult) -> None:
    """They stand beside the rows read; where there are none, nothing is said of them."""
    work = FileReconciled("tasks", "work.csv", 8, 0, 0, 0, 8, 8)
    assert "left out of" not in Page(render(replace(result, reconciled=(work,)))).text
    text = Page(render(replace(result, reconciled=(replace(work, left_out=1_234),)))).text
    assert "1,234 more in the file, left out of tasks by the mapping" in text
    assert "one that it leaves out of all is audited nowhere" in text


def test_the_page_loads_nothing_and_runs_only_its_own_script(result: AuditResult) -> None:
    """No handler or style attribute, no outside address; the policy allows the one style and the one script."""
    source = render(result)
    page = Page(source)
    assert {"img", "link", "iframe", "object"}.isdisjoint(page.tags)
    assert not [name for name in page.attributes if name.startswith("on") or name == "style"]
    assert "://" not in source
    for kind, tag in (("style", "<style>"), ("script", "<script>")):
        [text] = re.findall(f"{tag}(.*?)</{kind}>", source, re.DOTALL)
        allowed = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{kind}-src 'sha256-{allowed}';" in source
    assert "default-src 'none';" in source


def test_hostile_text_stays_text(
    result_of: Callable[..., AuditResult], make_finding: Callable[..., dict[str, object]]
) -> None:
    """Markup, template code and direction marks in any text field appear as characters to read."""
    fields = ["state", "aircraft", "position", "component_serial", "work_order", "task_id"]
    fields += ["flight_id", "station", "person", "unit", "message", "put_right"]
    tame = result_of([make_finding(1)])
    hostile = result_of(
        [make_finding(1, **dict.fromkeys(fields, HOSTILE))],
        [(HOSTILE, HOSTILE, 3, HOSTILE, HOSTILE, HOSTILE)],
        export_name=HOSTILE,
        unjudged=tame.unjudged.assign(reason=HOSTILE),
        rows={HOSTILE: tame.rows["tasks"]},
    )
    source = render(hostile)
    page = Page(source)
    assert page.tags.count("script") == 2
    assert "img" not in page.tags
    assert "\u202e" not in source
    shown = HOSTILE.replace("\u202e", "[U+202E]")
    # title, heading and footer; the bar of the station; the row of the finding without its state, unit and remedy; the
    # reason; the table of rows; and four of the six quarantine columns
    assert page.text.count(shown) == 3 + 1 + len(fields) - 3 + 1 + 1 + 4
    for name in fields:
        assert carried(source)["findings"][name][0] == [shown]


def test_links_lead_somewhere_and_ids_are_unique(
    result_of: Callable[..., AuditResult], make_finding: Callable[..., dict[str, object]]
) -> None:
    """Every link is to a place on the page, and no place has two owners."""
    page = Page(render(result_of([make_finding(n) for n in range(30)])))
    assert len(page.ids) == len(set(page.ids))
    assert {link.removeprefix("#") for link in page.links} <= set(page.ids)
    assert all(link.startswith("#") for link in page.links)


def test_what_stands_in_the_page_is_bounded_and_totals_are_exact(
    result_of: Callable[..., AuditResult], make_finding: Callable[..., dict[str, object]]
) -> None:
    """So many rows stand in the page, no rule crowds out another, and the exact totals stand beside."""
    many = [make_finding(n) for n in range(STATIC_FINDINGS + 500)]
    few = [make_finding(9_000 + n, rule="lot-expired") for n in range(3)]
    held = [("tasks", "tasks.csv", n, "started_at", "x" * 5_000, "no date") for n in range(1_234)]
    source = render(result_of(many + few, held))
    page = Page(source)
    drawn = [name for name in page.ids if name.startswith("finding-")]
    assert len(drawn) == STATIC_FINDINGS
    assert {"finding-F009000", "finding-F009001", "finding-F009002"} <= set(drawn)
    assert f"{STATIC_FINDINGS - 3} of {STATIC_FINDINGS + 500} stand here; every one is in findings.csv" in page.text
    assert f"{DRAWN_QUARANTINE} of 1,234 entries are drawn here" in page.text
    assert page.text.count("x" * 300 + "… (5,000 characters)") == DRAWN_QUARANTINE
    assert "x" * 301 not in page.text
    # The script has them all.
    ids, codes = carried(source)["findings"]["finding_id"]
    assert len(ids) == len(codes) == STATIC_FINDINGS + 503


def test_what_the_page_carries_is_bounded(
    result_of: Callable[..., AuditResult],
    make_finding: Callable[..., dict[str, object]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Beyond the limit the page carries the most serious findings, and says how many it leaves to findings.csv."""
    monkeypatch.setattr("audit.report.listing.MOST_FINDINGS", 5)
    source = render(result_of([make_finding(n) for n in range(8)]))
    assert "This page carries 5 of 8 findings, the most serious first." in Page(source).text
    assert carried(source)["findings"]["finding_id"][0] == [f"F{n:06d}" for n in range(5)]


def test_nothing_judged_is_no_clean_result(result_of: Callable[..., AuditResult]) -> None:
    """Where nothing was judged the page opens with it, and no level claims to be clean."""
    coverage = result_of([]).coverage.assign(complies=0, in_scope=3, unjudged=3, idle=False)
    text = Page(render(result_of([], coverage=coverage))).text
    assert "That can't be told: nothing could be judged. This is not a clean result" in text
    assert "None: nothing could be judged." in text
    assert "Nothing found at level 1, as nothing was judged." in text
    assert "nothing could be judged; this is not a pass" in text


def test_almost_all_is_not_all(result_of: Callable[..., AuditResult]) -> None:
    """9,999 of 10,000 judged is not shown as 100 %, and the answer keeps its reservation."""
    coverage = result_of([]).coverage.assign(
        in_scope=2_500, complies=[2_500, 2_499, 2_500, 2_500], unjudged=[0, 1, 0, 0], idle=False
    )
    text = Page(render(result_of([], coverage=coverage))).text
    assert "As far as these records could be judged, yes: no findings." in text
    assert "99.9 % judged." in text


def test_only_a_whole_audit_is_a_plain_yes(result_of: Callable[..., AuditResult]) -> None:
    """A clean result over an export that lacks a column says so on the first screen, and keeps its reservation."""
    coverage = result_of([]).coverage.assign(in_scope=9, complies=9, unjudged=0, unread=0, idle=False)
    whole = Page(render(result_of([], [], coverage=coverage, unjudged=result_of([]).unjudged.iloc[:0]))).text
    assert "By these records, yes: every check complies, and every row was read." in whole
    assert "Nobody looked whether the export is complete." in whole
    absent = (Absent("tasks", "ppe_worn", ("lot-expired",)), Absent("lots", "", ("lot-expired",)))
    text = Page(render(result_of([], [], coverage=coverage, absent=absent))).text
    assert "As far as these records could be judged, yes: no findings." in text
    assert "tasks.ppe_worn and 1 more, which rules read, are not in the export." in text
    assert "register" not in text


def test_what_only_a_register_knows_is_not_missing_in_the_export(result_of: Callable[..., AuditResult]) -> None:
    """That nobody sees altered records is said, but no export can be completed by them."""
    altered = (Absent("alterations", "", ("signed-record-altered", "record-entered-late")),)
    text = Page(render(result_of([], [], absent=altered))).text
    assert (
        "Without a register nobody sees whether signed records are altered from night to night: 2 rules need one."
        in text
    )
    assert "not in the export" not in text


@pytest.mark.parametrize(
    ("counts", "verdict"),
    [
        ((5, 5, 0, 0, 0, False), "complies"),
        ((5, 4, 0, 1, 0, False), "no finding among those judged"),
        ((5, 4, 1, 0, 0, False), "has findings"),
        ((5, 0, 0, 5, 0, False), "nothing could be judged; this is not a pass"),
        ((0, 0, 0, 0, 0, True), "idle: nothing in scope; this is not a pass"),
        (
            (0, 0, 0, 0, 1_200, True),
            "idle: nothing in scope; this is not a pass; 1,200 rows it would have read in quarantine",
        ),
    ],
)
def test_silence_never_reads_as_a_pass(
    rules: tuple[Rule, ...], counts: tuple[int, int, int, int, int, bool], verdict: str
) -> None:
    """Only a rule that was judged throughout on rows that were read is said to comply."""
    assert RuleCoverage(rules[0], *counts).verdict == verdict


def test_a_finding_without_figures_or_time(
    result_of: Callable[..., AuditResult], make_finding: Callable[..., dict[str, object]]
) -> None:
    """What a finding doesn't have is left out or said to be unknown, never shown as nan or NaT."""
    bare = make_finding(1, at=pd.NaT, measured=float("nan"), limit=float("nan"), person=None, aircraft="")
    text = Page(render(result_of([bare]))).text
    assert "time unknown" in text
    assert "aircraft unknown" in text
    assert not re.search(r"\b(nan|NaT|None)\b", text)
    held = carried(render(result_of([bare])))["findings"]
    assert [held[name][0] for name in ("at", "measured", "limit", "person")] == [[""]] * 4
