"""reports/report.png and matter.png: the demo's report as the README shows it; `make example-report` takes them.

A browser's pictures differ from version to version by a shade here and there, so no test compares them.
"""

from __future__ import annotations

import sys
from pathlib import Path

from tests.report.browser import chromium, opened

REPORTS = Path(__file__).parents[1] / "reports"
MATTER = "Flew 20 h 24 min"
"""What the matter says that is shown: five boots of one work order."""


def main(report: Path) -> None:
    """Open a report and take its first screen, and one matter opened."""
    with chromium() as browser:
        page = opened(browser.new_page(viewport={"width": 1120, "height": 860}), report.resolve())
        page.screenshot(path=REPORTS / "report.png")
        page.set_viewport_size({"width": 900, "height": 900})
        matter = page.locator("#matters > li", has_text=MATTER).first
        matter.locator("summary").click()
        # The findings one by one would make the picture long.
        matter.locator(".cases > li").evaluate_all("(rows) => rows.slice(2).forEach((row) => row.remove())")
        matter.screenshot(path=REPORTS / "matter.png")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
