"""reports/summary.svg: the terminal summary of the demo as a picture for the README; `make example-report` draws it."""

from __future__ import annotations

from html import escape
from pathlib import Path

from audit.pipeline import run_audit
from audit.report.summary import SCREEN, summarise
from audit.shipped import sample_folder, sample_settings

PICTURE = Path(__file__).parents[1] / "reports" / "summary.svg"
COLUMN, LINE, EDGE = 8.4, 19, 16
"""Pixels of a character's width and a line's height at 14 pixels, and around the text."""


def picture(text: str) -> str:
    """Draw lines of a terminal as SVG that loads nothing; the same text gives the same picture."""
    lines = text.splitlines()
    width, height = round(SCREEN[0] * COLUMN + 2 * EDGE), len(lines) * LINE + 2 * EDGE
    spans = [
        f'<text x="{EDGE}" y="{EDGE + (number + 0.75) * LINE:g}" textLength="{len(line) * COLUMN:g}">'
        f"{escape(line)}</text>"
        for number, line in enumerate(lines)
    ]
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img">',
            f"<title>{escape(lines[0])}</title>",
            "<style>text { font: 14px monospace; white-space: pre; fill: #e4e9ee; }</style>",
            f'<rect width="{width}" height="{height}" rx="8" fill="#16202b"/>',
            *spans,
            "</svg>\n",
        ]
    )


def main() -> None:
    """Audit the sample records and draw what the terminal says."""
    drawn = picture(
        summarise(run_audit(sample_folder(), settings=[sample_settings()]), Path("report.html"), Path("worklist.xlsx"))
    )
    PICTURE.write_text(drawn, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
