"""The formats that one run can write, and the files of each. Nothing heavy is imported here: `--help` names them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from audit.health.facts import PROFILE_FILE

FILES: Final[Mapping[str, tuple[str, ...]]] = {
    "csv": ("findings.csv", "unjudged.csv", "coverage.csv", "quarantine.csv", "faults.csv"),
    "json": ("findings.json",),
    "html": ("report.html", "worklist.html"),
    "xlsx": ("worklist.xlsx",),
    "sarif": ("findings.sarif",),
    "junit": ("junit.xml",),
    "md": ("summary.md",),
    "codequality": ("codequality.json",),
}
"""Files by the name that `--write` knows their format by. `summary.json` is always written."""

DEFAULT_FORMATS: Final = ("csv", "json", "html", "xlsx")
LOCATING_FORMATS: Final = ("sarif", "codequality")
"""Formats that say on which line of which file a finding shows."""

HEALTH_FILES: Final = ("health.csv", PROFILE_FILE)
"""Whether the export is whole, and what was measured of it: written whatever the formats, unless nobody asked."""
REGISTER_FILES: Final = ("gone.csv", "altered.csv", "seal.txt", "seal.txt.sig")
"""What was open and is not found now, what has happened to signed records, and the seal of the run, with its signature
where one was requested: written whatever the formats, where there is a register."""
SUMMARY: Final = "summary.json"
OURS: Final = (*(name for names in FILES.values() for name in names), *HEALTH_FILES, *REGISTER_FILES, SUMMARY)
"""The names of all files that a report may have."""
