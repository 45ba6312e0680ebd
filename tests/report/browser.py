"""The browser in which the tests look at pages, started as a machine without a screen needs it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

CHROMIUM = Path("/usr/bin/chromium")
"""Debian's; elsewhere the one that `playwright install chromium` fetches."""
FLAGS = [
    f"--{flag}"
    for flag in (
        "no-sandbox",
        "disable-gpu",
        "disable-quic",
        "no-first-run",
        "disable-background-networking",
        "disable-component-update",
        "disable-sync",
        "disable-dev-shm-usage",
    )
]


@contextmanager
def chromium() -> Iterator[Browser]:
    """Start the browser; where it is not installed, this fails: a page that nobody looked at is not tested."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM if CHROMIUM.exists() else None, args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()


def opened(page: Page, path: Path, fragment: str = "") -> Page:
    """Open a report as a double click does, and wait until its script has unpacked the findings."""
    page.goto(f"{path.as_uri()}{fragment}")
    page.wait_for_selector("html[data-ready]", state="attached")
    return page
