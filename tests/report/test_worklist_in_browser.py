"""worklist.html in a real browser: on paper, on narrow and wide screens, and for assistive technology."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser

from audit.report.worklist_html import work_list_page
from tests.report.browser import chromium
from tests.report.conftest import finding, hostile_finding, make_result
from tests.report.test_browser import axe, printed, watched

MANY = 60


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser for all tests of this module."""
    with chromium() as started:
        yield started


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A work list of several sheets of paper, for three stations."""
    findings: list[dict[str, Any]] = [finding(n, work_order=f"W-{n // 7}") for n in range(MANY)]
    findings += [finding(8_000, station="Gullspool", level="1", rule="preservative-on-wrong-material")]
    findings += [finding(8_001, station="", work_order="", task_id=""), hostile_finding(8_002)]
    path = tmp_path_factory.mktemp("list") / "worklist.html"
    path.write_text(work_list_page(make_result(findings)), encoding="utf-8")
    return path


def test_paper_has_every_finding(browser: Browser, page_file: Path) -> None:
    """Every finding is on paper, pages are numbered, each carries its station and heads, a station begins a page."""
    with watched(browser) as page:
        page.goto(page_file.as_uri())
        sheets = printed(page)
    text = "".join(sheets)
    assert [n for n in [*range(MANY), 8_000, 8_001, 8_002] if f"F{n:06d}" not in text] == []
    assert len(sheets) > 6
    assert [f"{n} / {len(sheets)}" in sheet for n, sheet in enumerate(sheets, 1)] == [True] * len(sheets)
    lists = sheets[1:]
    assert all("Original entries stay as they are" in sheet.replace("\n", " ") for sheet in lists)
    assert all("What is wrong" in sheet for sheet in lists)
    assert ["Gullspool\n" in sheet and "Fernspool" not in sheet for sheet in lists if "F008000" in sheet] == [True]


@pytest.mark.parametrize("width", [1280, 640, 380])
def test_it_can_be_read_on_any_screen(browser: Browser, page_file: Path, width: int) -> None:
    """Nothing has to be scrolled sideways, and axe finds no fault."""
    with watched(browser, viewport={"width": width, "height": 900}, bypass_csp=True) as page:
        page.goto(page_file.as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert axe(page) == []
