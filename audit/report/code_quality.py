"""codequality.json: the findings for code hosts that read no SARIF, but a JSON array of code quality issues."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any, Final

from audit.errors import InternalError
from audit.figures import abridged
from audit.findings.result import PLACE_COLUMNS, AuditResult, Level
from audit.report.rows import texts
from audit.report.standing import is_open
from audit.report.visible import visible

SEVERITIES: Final[Mapping[Level, str]] = {"1": "critical", "2": "major", "observation": "info"}
LONGEST_TEXT: Final = 1_000


def code_quality_text(result: AuditResult) -> str:
    """Return the findings that are open and undecided as a JSON array.

    Each has description, check_name, fingerprint (its full id), severity (critical, major, info), and as location its
    canonical table: under another file name tomorrow it is the same issue. Real file and line are in the description.
    """
    if not set(PLACE_COLUMNS) <= set(result.findings):
        raise InternalError("code quality says where each finding stands: run_audit has to be asked to locate them")
    return json.dumps(list(_issues(result)), indent=1, ensure_ascii=True) + "\n"


def _issues(result: AuditResult) -> Iterator[dict[str, Any]]:
    findings = result.findings[is_open(result.findings)]
    names = ("key", "rule", "level", "aircraft", "position", "message", "table", *PLACE_COLUMNS)
    for key, rule, level, aircraft, position, message, table, file, line in zip(
        *(texts(findings[name]) for name in names), strict=True
    ):
        where = abridged(", ".join(part for part in (aircraft, position) if part), LONGEST_TEXT)
        place = f" ({abridged(file, LONGEST_TEXT)}, line {line})" if file else ""
        yield {
            "description": visible(f"{where}: {message or rule}{place}"),
            "check_name": rule,
            "fingerprint": key,
            "severity": SEVERITIES[str(level)],  # type: ignore[index]
            "location": {"path": table or "tasks", "lines": {"begin": 1}},
        }
