"""report.html in a real browser: filters, links, keyboard, paper, assistive technology."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import pandas as pd
import pypdf
import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from audit.findings.result import AuditResult
from audit.report.html import render
from audit.report.listing import STATIC_FINDINGS
from tests.report.browser import chromium, opened
from tests.report.conftest import make_result
from tests.report.test_ahead import HOLD, coming, trends
from tests.report.test_pictures import SCENE, USAGE

AXE = files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
HOSTILE = "<img src=x onerror=document.title='broken'><script>document.title='broken'</script>"
BOOTS = ("left wing", "right wing", "left tailplane", "right tailplane", "fin", "left strut", "right strut")
# One work order with seven boots, then single matters of two other rules, over two pages.
MANY = STATIC_FINDINGS + 20


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser for all tests of this module."""
    with chromium() as started:
        yield started


@pytest.fixture(scope="module")
def report(
    result_of: Callable[..., AuditResult],
    make_finding: Callable[..., dict[str, Any]],
    tmp_path_factory: pytest.TempPathFactory,
) -> Path:
    """A report with more findings than stand in the page as rows."""
    urgent = [
        make_finding(
            9_000,
            rule="preservative-on-wrong-material",
            level="1",
            aircraft="TARN-999",
            station="Gullmouth",
            at=pd.Timestamp("2025-11-03T23:59Z"),
        )
    ]
    boots = [
        make_finding(8_000 + n, work_order="W-8", aircraft="TARN-777", position=boot) for n, boot in enumerate(BOOTS)
    ]
    others = [
        make_finding(n, rule="lot-expired", person=f"P. {n % 3}", station=f"Station {n % 4}") for n in range(MANY)
    ]
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(render(result_of(urgent + boots + others, trends=trends(signal=True))), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def short_report(
    result_of: Callable[..., AuditResult],
    make_finding: Callable[..., dict[str, Any]],
    tmp_path_factory: pytest.TempPathFactory,
) -> Path:
    """A report with a few findings of every level."""
    levels = {
        "preservative-on-wrong-material": "1",
        "lot-expired": "2",
        "ice-adhesion-treatment-overdue": "observation",
    }
    path = tmp_path_factory.mktemp("short") / "report.html"
    found = [make_finding(n, rule=rule, level=level) for n, (rule, level) in enumerate(levels.items())]
    drawn = (replace(SCENE, finding_id="F000000"), replace(USAGE, finding_id="F000002"))
    path.write_text(render(result_of(found, stories=drawn)), encoding="utf-8")
    return path


@pytest.fixture
def page(browser: Browser, report: Path) -> Iterator[Page]:
    """The report opened; a request to anywhere but files, or an error of its script, fails the test."""
    with watched(browser) as page:
        yield opened(page, report)


class watched:
    """A page in a context of its own, with its requests and errors watched."""

    def __init__(self, browser: Browser, **options: Any) -> None:
        self._context = browser.new_context(**options)
        self.page = self._context.new_page()
        self.requests: list[str] = []
        self.errors: list[str] = []
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("console", lambda message: self.errors.append(message.text) if message.type == "error" else None)

    def __enter__(self) -> Page:
        return self.page

    def __exit__(self, kind: object, *rest: object) -> None:
        self._context.close()
        if kind is None:
            assert self.errors == []
            assert [url for url in self.requests if not url.startswith("file:")] == []
            assert self.requests


def expect_shown(page: Page, text: str | re.Pattern[str]) -> None:
    """The page says this of how much the filter lets through."""
    expect(page.locator("#shown")).to_have_text(text)


def opened_matter(page: Page, place: int = 0) -> Locator:
    """A matter, opened, once the script has filled it: the browser tells the script of the opening afterwards."""
    matter = page.locator("#matters > li").nth(place)
    matter.locator("summary").click()
    expect(matter.locator(".body")).to_be_visible()
    return matter


def test_findings_stand_in_matters_a_hundred_on_a_page(page: Page) -> None:
    """Seven boots of one work order are one matter; pages turn; the most serious comes first."""
    expect_shown(page, f"All {MANY + 8} findings, in {MANY + 2} matters.")
    matters = page.locator("#matters > li")
    expect(matters).to_have_count(100)
    expect(matters.nth(0)).to_contain_text("Level 1")
    expect(matters.nth(1)).to_contain_text("7 findings")
    expect(matters.nth(1)).to_contain_text("left wing; right wing; left tailplane and 4 more")
    expect(opened_matter(page, 1).locator(".cases > li")).to_have_count(7)
    page.get_by_role("button", name="On").click()
    expect(page.locator("#page")).to_have_text("Page 2 of 4")
    page.get_by_role("button", name="On").click()
    page.get_by_role("button", name="On").click()
    expect(matters).to_have_count((MANY + 2) % 100)
    expect(page.get_by_role("button", name="On")).to_be_disabled()


def test_a_matter_closed_at_once_opens_again(page: Page) -> None:
    """A double click opens and closes a matter before its script hears of it; the next click shows its findings."""
    page.locator("#matters summary").first.evaluate(
        "(summary) => new Promise((heard) => {"
        "  summary.parentElement.addEventListener('toggle', heard);"
        "  summary.click(); summary.click();"
        "})"
    )
    expect(page.locator("#matters details[open]")).to_have_count(0)
    expect(opened_matter(page).locator(".cases > li")).to_have_count(1)


@pytest.mark.parametrize(
    ("label", "value", "expected"),
    [
        ("Rule", "Flight before the preservative had cured", "7 of {all} findings, in 1 matter."),
        ("Station", "Station 2", "80 of {all} findings, in 80 matters."),
        ("Aircraft", "TARN-777", "7 of {all} findings, in 1 matter."),
        ("Person", "P. 1", "107 of {all} findings, in 107 matters."),
    ],
)
def test_a_choice_filters(page: Page, label: str, value: str, expected: str) -> None:
    """Each list lets through what it names, and says how much of how much that is."""
    page.get_by_label(label, exact=True).select_option(label=value)
    expect_shown(page, expected.format(all=MANY + 8))


def test_words_levels_and_days_filter_together(page: Page) -> None:
    """Every word must occur somewhere; levels and days cut further; resetting gives all back; nothing found says so."""
    search = page.get_by_label("Search for words or numbers")
    search.fill("tarn-777 RIGHT")
    expect_shown(page, f"3 of {MANY + 8} findings, in 1 matter.")
    page.get_by_role("checkbox", name="Level 2").uncheck()
    expect_shown(page, re.compile("^None of the"))
    page.get_by_role("button", name="Reset the filter").click()
    expect_shown(page, re.compile("^All"))
    page.get_by_label("From day (UTC)").fill("2025-11-04")
    page.get_by_role("checkbox", name="Level 1").uncheck()
    expect_shown(page, f"7 of {MANY + 8} findings, in 1 matter.")
    page.get_by_label("To day (UTC)").fill("2025-11-08")
    expect_shown(page, re.compile("^None of the"))


@pytest.mark.parametrize(
    ("order", "first"),
    [
        ("most serious first", "TARN-999"),
        ("newest first", "TARN-777"),
        ("oldest first", "TARN-000"),
        ("most findings first", "TARN-777"),
        ("by station", "TARN-777"),
    ],
)
def test_matters_are_put_in_order(page: Page, order: str, first: str) -> None:
    """The order asked for is the order shown."""
    page.get_by_label("Order", exact=True).select_option(label=order)
    expect(page.locator("#matters > li").first.locator(".where b")).to_have_text(first)


def test_a_link_leads_to_its_finding(browser: Browser, report: Path) -> None:
    """A link opened from a mail shows its finding on whatever page, and later ones even where the filter hides it."""
    last = f"F{MANY - 1:06d}"
    with watched(browser) as page:
        opened(page, report, f"#finding-{last}")
        expect(page.locator("#page")).to_have_text("Page 4 of 4")
        expect(page.locator(f"#finding-{last}")).to_be_focused()
        expect(page.locator(f"#finding-{last}")).to_be_in_viewport()
        page.get_by_label("Aircraft", exact=True).select_option(label="TARN-001")
        page.get_by_role("link", name="Rubber preservative on a boot").first.click()
        expect(page.locator("#finding-F009000")).to_be_focused()
        expect(page.locator("#finding-F009000")).to_contain_text("Gullmouth")


def test_a_figure_leads_to_what_it_counts(page: Page) -> None:
    """The level on the first screen and the number in the coverage table filter the list to just that many."""
    page.locator("#front-levels + dl a").nth(1).click()
    expect_shown(page, f"{MANY + 7} of {MANY + 8} findings, in {MANY + 1} matters.")
    page.locator("#cover-flight-before-cure td a").click()
    expect_shown(page, f"7 of {MANY + 8} findings, in 1 matter.")


def test_a_rule_is_a_click_away(page: Page) -> None:
    """From a matter to its rule: the explanation unfolds, with what it checks and what leaves it unjudged."""
    opened_matter(page)
    page.locator("#matters a", has_text="preservative-on-wrong-material").first.click()
    explained = page.locator("#rule-preservative-on-wrong-material")
    expect(explained).to_be_visible()
    expect(explained).to_contain_text("It is a finding unless all of this holds")
    expect(page.locator("details.rule[open]")).to_have_count(1)


def test_the_keyboard_is_enough(page: Page) -> None:
    """Tab reaches the skip link first and every control in turn; Enter and Space work them; focus is never lost."""
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the result"
    reached = []
    for _ in range(60):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.id || document.activeElement.tagName"))
        if reached[-1] == "SUMMARY":
            break
    wanted = ["f-text", "f-rule", "f-station", "f-aircraft", "f-person", "f-from", "f-to", "f-sort", "clear"]
    assert [name for name in dict.fromkeys(reached) if name in wanted] == wanted
    assert reached[-1] == "SUMMARY"
    page.keyboard.press("Enter")
    expect(page.locator("#matters > li").first.locator(".cases")).to_be_visible()
    page.keyboard.press("Space")
    expect(page.locator("#matters > li").first.locator(".cases")).to_be_hidden()
    page.locator("#on").focus()
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.tagName") == "SUMMARY"
    # What has focus is seen to have it.
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"


def axe(page: Page) -> list[str]:
    """What axe finds on a page, each with the first element that has it."""
    page.evaluate(AXE)
    found = page.evaluate("axe.run()")
    assert len(found["passes"]) > 20
    return [f"{one['id']}: {one['nodes'][0]['html'][:160]}" for one in found["violations"]]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 380])
def test_axe_finds_nothing(browser: Browser, short_report: Path, scheme: Any, width: int) -> None:
    """Light and dark, wide and narrow, with matters folded and open: no rule of axe is broken."""
    options = {"color_scheme": scheme, "viewport": {"width": width, "height": 900}, "bypass_csp": True}
    with watched(browser, **options) as page:
        opened(page, short_report)
        for place in range(3):
            opened_matter(page, place)
        assert axe(page) == []


def test_axe_can_find_something(browser: Browser, short_report: Path) -> None:
    """Faults planted into the page are found: grey on white, a field without a label."""
    with watched(browser, bypass_csp=True) as page:
        opened(page, short_report)
        page.evaluate(
            "document.getElementById('main').insertAdjacentHTML('beforeend',"
            "'<p id=faint>Too faint to read</p><input type=text>');"
            "document.getElementById('faint').style.cssText = 'color: #ccc; background: #fff'"
        )
        assert {fault.partition(":")[0] for fault in axe(page)} == {"color-contrast", "label"}


@pytest.mark.parametrize("width", [1280, 640, 320])
def test_nothing_runs_out_of_the_page(browser: Browser, report: Path, width: int) -> None:
    """At 200 % zoom of a small screen (640 points wide) and on the smallest phone (WCAG 1.4.10) nothing has to be
    scrolled sideways."""
    with watched(browser, viewport={"width": width, "height": 900}) as page:
        opened(page, report)
        opened_matter(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_on_paper_a_rule_has_the_number_of_all_its_findings(
    browser: Browser,
    result_of: Callable[..., AuditResult],
    make_finding: Callable[..., dict[str, Any]],
    tmp_path: Path,
) -> None:
    """Its rows stand in tables of 500 each: every one says how many there are in all, and which these are."""
    path = tmp_path / "report.html"
    path.write_text(render(result_of([make_finding(number) for number in range(1_002)])), encoding="utf-8")
    with watched(browser) as page:
        opened(page, path)
        page.evaluate("dispatchEvent(new Event('beforeprint'))")
        heads = [
            head.rpartition("(")[2].replace("\u00a0", " ") for head in page.locator("#register .of").all_text_contents()
        ]
    assert heads == ["1,002 findings, 1 to 500)", "1,002 findings, 501 to 1,000)", "1,002 findings, 1,001 to 1,002)"]


@pytest.mark.parametrize("width", [1280, 380])
def test_names_without_a_space_are_broken_in_what_comes_next(browser: Browser, tmp_path: Path, width: int) -> None:
    """They would push the other columns of the table out of sight, and off the paper."""
    names = HOLD | {"aircraft": "TARN" * 80, "station": "Gull" * 80, "task_id": "T1" * 80, "position": "fin" * 80}
    path = tmp_path / "report.html"
    path.write_text(render(make_result(coming=coming(names))), encoding="utf-8")
    with watched(browser, viewport={"width": width, "height": 900}) as page:
        opened(page, path)
        assert (
            page.evaluate("(table => table.scrollWidth - table.clientWidth)(document.querySelector('#ahead .wide'))")
            <= 0
        )


def printed(page: Page) -> list[str]:
    """The text of each page on paper."""
    return [sheet.extract_text() for sheet in pypdf.PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True))).pages]


def test_paper_has_every_finding(page: Page) -> None:
    """All ids are on paper, whatever the filter shows on the screen; pages are numbered; heads repeat."""
    page.get_by_label("Aircraft", exact=True).select_option(label="TARN-777")
    page.emulate_media(media="print")
    sheets = printed(page)
    text = "".join(sheets)
    ids = [f"F{n:06d}" for n in [*range(MANY), *range(8_000, 8_007), 9_000]]
    assert [name for name in ids if name not in text] == []
    assert len(sheets) > 8
    assert [f"{n} / {len(sheets)}" in sheet for n, sheet in enumerate(sheets, 1)] == [True] * len(sheets)
    head = "Aircraft, position, boot"
    with_rows = [sheet for sheet in sheets if sheet.count("F000") > 3]
    assert len(with_rows) > 4
    assert all(head in sheet.replace("\n", " ") for sheet in with_rows)
    assert "Search for words or numbers" not in text
    assert "The preservative softens other rubber than chloroprene." in text.replace("\n", " ")
    # Back on the screen the list is as it was.
    page.emulate_media(media="screen")
    expect(page.locator("details.rule[open]")).to_have_count(0)
    expect_shown(page, f"7 of {MANY + 8} findings, in 1 matter.")


def test_a_matter_shows_its_picture(browser: Browser, short_report: Path) -> None:
    """An opened matter has its picture, with words for who can't see it; a matter without one has none."""
    with watched(browser) as page:
        opened(page, short_report)
        matters = page.locator("#matters > li")
        for place, pictures in ((0, 1), (1, 0), (2, 1)):
            expect(opened_matter(page, place).locator("svg:visible")).to_have_count(pictures)
        expect(matters.nth(0).get_by_role("img")).to_have_accessible_name(re.compile("18 h short"))
        expect(page.locator("#pictures")).to_be_hidden()


def test_on_a_phone_a_picture_is_whole_and_can_be_read(browser: Browser, short_report: Path) -> None:
    """At 390 px each word of a matter's picture lies on the screen, and none is smaller than 9 px."""
    with watched(browser, viewport={"width": 390, "height": 844}) as page:
        opened(page, short_report)
        for place in (0, 2):
            words = opened_matter(page, place).locator("svg:visible text")
            expect(words).not_to_have_count(0)
            boxes = words.evaluate_all("words => words.map((word) => word.getBoundingClientRect().toJSON())")
            assert all(box["left"] >= 0 and box["right"] <= 390 and box["height"] >= 9 for box in boxes), boxes


def test_no_picture_is_cut_on_paper(browser: Browser, short_report: Path) -> None:
    """Each picture stands on one sheet: its caption and the foot of its scale are on the same page."""
    with watched(browser) as page:
        opened(page, short_report)
        sheets = printed(page)
        for caption, foot in (("Finding F000000", "4 Nov 2025"), ("Finding F000002", "season")):
            assert [caption in sheet for sheet in sheets] == [caption in sheet and foot in sheet for sheet in sheets]
            assert sum(caption in sheet for sheet in sheets) == 1


def test_no_findings_need_no_filter(browser: Browser, result_of: Callable[..., AuditResult], tmp_path: Path) -> None:
    """A page without findings says so, offers nothing to filter, and its script runs through."""
    path = tmp_path / "report.html"
    path.write_text(render(result_of([])), encoding="utf-8")
    with watched(browser) as page:
        opened(page, path)
        expect(page.locator("#findings")).to_contain_text("None among the checks that could be judged.")
        expect(page.locator("#browse")).to_be_hidden()


def test_without_a_script_the_rows_stand(browser: Browser, report: Path) -> None:
    """Where a mail program runs no script, the first rows and all totals are there, and no dead controls."""
    with watched(browser, java_script_enabled=False) as page:
        page.goto(report.as_uri())
        expect(page.locator("#browse")).to_be_hidden()
        expect(page.locator("#register tbody tr:visible")).to_have_count(STATIC_FINDINGS)
        page.goto(f"{report.as_uri()}#finding-F009000")
        expect(page.locator("#finding-F009000")).to_be_in_viewport()


def test_hostile_text_stays_text(
    browser: Browser,
    result_of: Callable[..., AuditResult],
    make_finding: Callable[..., dict[str, Any]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Markup in every field is shown as characters, in the list, in the filters and on paper; nothing of it runs."""
    fields = ["state", "aircraft", "position", "component_serial", "work_order", "task_id", "flight_id", "station"]
    fields += ["person", "unit", "message", "put_right"]
    monkeypatch.setattr("audit.report.listing.STATIC_FINDINGS", 2)  # so that the script makes the rows for paper
    hostile = [make_finding(n, **dict.fromkeys(fields, f"{HOSTILE}{n}")) for n in range(3)]
    path = tmp_path / "report.html"
    path.write_text(render(result_of(hostile, export_name=HOSTILE)), encoding="utf-8")
    with watched(browser) as page:
        opened(page, path)
        expect(opened_matter(page).locator(".cases")).to_contain_text(f"{HOSTILE}0")
        assert page.locator("#main img, #main script").count() == 0
        assert HOSTILE in "".join(printed(page)).replace("\n", "")
        assert page.title().startswith(f"Audit of {HOSTILE}")


def test_on_a_phone_no_table_loses_a_column(browser: Browser, report: Path) -> None:
    """At 390 px each cell of each table lies on the screen, under the name of its column; so do the charts' totals."""
    with watched(browser, viewport={"width": 390, "height": 844}) as page:
        opened(page, report)
        hidden = page.evaluate(
            """() => [...document.querySelectorAll(".wide td, .wide tbody th, #where .total")]
                .filter((cell) => cell.getBoundingClientRect().right > innerWidth + 1)
                .map((cell) => cell.textContent.trim().slice(0, 40))"""
        )
        assert hidden == []
        cell = "#coverage td[data-label=Findings]"
        assert page.locator(cell).count() > 1
        named = f"getComputedStyle(document.querySelector('{cell}'), '::before').content"
        assert page.evaluate(named) == '"Findings: "'
