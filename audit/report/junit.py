"""junit.xml: a test case for each rule, for the test screens of CI."""

from __future__ import annotations

from typing import Final
from xml.etree import ElementTree

import pandas as pd

from audit.figures import abridged
from audit.findings.result import AuditResult
from audit.report.rows import day_and_time, instant, level_name, texts
from audit.report.standing import changed, is_open
from audit.report.unjudged import count_reasons
from audit.report.visible import fit_for_xml

LISTED: Final = 100
"""How many findings of one rule are listed; their number is exact."""
LONGEST_PLACE: Final = 300


def junit_text(result: AuditResult) -> str:
    """Return JUnit XML: a rule with findings failed; one that is idle, or could not judge all, was skipped.

    A case passes only where everything in scope was judged and complied: silence is not a pass. A rule all of whose
    findings are put right or decided was skipped, too.
    """
    coverage = result.coverage.set_index("rule").to_dict("index")
    reasons = count_reasons(result.unjudged)
    findings = result.findings
    suite = ElementTree.Element("testsuite", name="deicer-audit")
    failed = skipped = 0
    for rule in result.rules:
        counts = coverage[rule.id]
        case = ElementTree.SubElement(suite, "testcase", name=rule.id, classname=f"deicer-audit.{rule.form}", time="0")
        why_not = _unjudged(int(counts["unjudged"]), int(counts["in_scope"]), reasons.get(rule.id, {}))
        found = findings[findings["rule"] == rule.id]
        if len(found):
            open_ones = int(is_open(found).sum())
            failed += open_ones > 0
            skipped += open_ones == 0
            told = ElementTree.SubElement(
                case, "failure" if open_ones else "skipped", message=_counted(rule.title, found)
            )
            if open_ones:
                told.attrib["type"] = level_name(rule.level)
            told.text = "\n".join(_sentences(found.head(LISTED), len(found)))
            if why_not:
                ElementTree.SubElement(case, "system-out").text = why_not
        elif counts["idle"] or counts["unjudged"]:
            skipped += 1
            message = "idle: nothing in scope; this is not a pass" if counts["idle"] else why_not
            ElementTree.SubElement(case, "skipped", message=message)
    totals = {"tests": str(len(result.rules)), "failures": str(failed), "errors": "0", "skipped": str(skipped)}
    suite.attrib |= totals | {"time": "0"}
    properties = ElementTree.Element("properties")
    for name, value in (("export", result.export_name), ("as of", day_and_time(instant(result.as_of)))):
        ElementTree.SubElement(properties, "property", name=name, value=fit_for_xml(value))
    suite.insert(0, properties)
    suites = ElementTree.Element("testsuites", {"name": "deicer-audit"} | totals)
    suites.append(suite)
    ElementTree.indent(suites)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{ElementTree.tostring(suites, encoding="unicode")}\n'


def _counted(title: str, found: pd.DataFrame) -> str:
    told = changed(found)
    put_right = len(found) - int(is_open(found).sum())
    counts = [*([told] if told else []), *([f"{put_right:,} put right or decided"] if put_right else [])]
    number = f"{len(found):,} finding{'s' if len(found) > 1 else ''}"
    detail = "; ".join(counts)
    return fit_for_xml(f"{title}: {number}{f' ({detail})' if detail else ''}")


def _unjudged(number: int, in_scope: int, reasons: dict[str, int]) -> str:
    if not number:
        return ""
    listed = "; ".join(f"{count:,} {reason}" for reason, count in reasons.items())
    return fit_for_xml(f"{number:,} of {in_scope:,} in scope could not be judged, which is not a pass: {listed}")


def _marked(marks: list[list[str | None]], number: int) -> list[str]:
    """`[new; accepted until ...] ` for each finding; blank without a register."""
    joined = ["; ".join(part for part in row if part) for row in zip(*marks, strict=True)] if marks else [""] * number
    return [f"[{mark}] " if mark else "" for mark in joined]


def _sentences(findings: pd.DataFrame, number: int) -> list[str]:
    names = ("finding_id", "aircraft", "position", "task_id", "flight_id", "message")
    columns = [texts(findings[name]) for name in names]
    marks = [texts(findings[name]) for name in ("change", "decided") if name in findings]
    rows = zip(*columns, strict=True)
    lines = []
    for (finding_id, *where, message), mark in zip(rows, _marked(marks, len(findings)), strict=True):
        place = abridged(mark + ", ".join(part for part in where if part), LONGEST_PLACE)
        lines.append(f"{finding_id}  {place}: {message}")
    if number > len(lines):
        lines.append(f"and {number - len(lines):,} more: see findings.csv")
    return [fit_for_xml(line) for line in lines]
