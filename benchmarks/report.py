"""Measure the report page in a browser: `python -m benchmarks.report`, with 50,000 findings unless told otherwise.

The findings are those of the sample records, repeated with work orders and ids of their own. Printed are the size of
the page, how long it takes to make, to show something, to be ready, to filter and to order, and, with `--print`, to put
every finding on paper.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from audit.findings.result import AuditResult
from audit.pipeline import run_audit
from audit.report.html import render
from audit.shipped import sample_folder

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
FILTERS = {
    "a word": "form.elements.text.value = 'qx-larch'",
    "three words": "form.elements.text.value = 'larch tailplane 20'",
    "nothing found": "form.elements.text.value = 'nowhere'",
    "one rule": "form.elements.rule.value = '1'",
    "one level": "form.querySelector('[name=level]').checked = false",
    "dates": "form.elements.from.value = '2026-01-01'",
    "in another order": "form.elements.sort.value = 'off'",
}
MEASURE = """(change) => {
    const form = document.getElementById("filter");
    form.reset();
    const started = performance.now();
    eval(change);
    form.elements.text.dispatchEvent(new Event("input", {bubbles: true}));
    document.body.offsetHeight;  // laid out, too
    return performance.now() - started;
}"""


def repeated(result: AuditResult, number: int) -> AuditResult:
    """The result with its findings repeated until there are so many."""
    rows = np.arange(number)
    findings = result.findings.iloc[rows % len(result.findings)].reset_index(drop=True)
    turn = (rows // len(result.findings)).astype(str)
    findings["finding_id"] = [f"{row:012x}" for row in rows]
    for name in ("work_order", "task_id", "aircraft"):
        findings[name] = findings[name].astype("str").fillna("") + "-" + turn
    findings["at"] = findings["at"] + (rows // len(result.findings)).astype("timedelta64[h]").astype("timedelta64[us]")
    return replace(result, findings=findings, stories=())


def measure(path: Path, paper: bool) -> None:
    """Open the page and print what it takes."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM if CHROMIUM.exists() else None, args=FLAGS)
        page = browser.new_context(bypass_csp=True).new_page()
        page.goto(path.as_uri(), wait_until="commit")
        page.wait_for_selector("html[data-ready]", state="attached")
        paint: Any = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
        print(f"  first paint          {paint:7.0f} ms")
        page.wait_for_timeout(1_000)  # as long as it takes a hand to reach the filter
        print(f"  ready to be filtered {page.evaluate('Number(document.documentElement.dataset.ready)'):7.0f} ms")
        for name, change in FILTERS.items():
            print(f"  filter: {name:<17}{page.evaluate(MEASURE, change):5.0f} ms")
        if paper:
            started = time.perf_counter()
            printed = page.pdf(path=path.with_suffix(".pdf"), prefer_css_page_size=True)
            print(f"  on paper             {time.perf_counter() - started:7.1f} s, {len(printed) / 1e6:.1f} MB")
        browser.close()


def main() -> None:
    """Make the page and look at it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--findings", type=int, default=50_000)
    parser.add_argument("--print", action="store_true", help="also put it on paper (a minute)")
    options = parser.parse_args()
    result = repeated(run_audit(sample_folder()), options.findings)
    started = time.perf_counter()
    page = render(result)
    print(f"{options.findings:,} findings: {len(page) / 1e6:.1f} MB, made in {time.perf_counter() - started:.1f} s")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "report.html")
        path.write_text(page, encoding="utf-8")
        measure(path, options.print)


if __name__ == "__main__":
    main()
