"""junit.xml: a test case for each rule, for the test screens of CI."""

from __future__ import annotations

from typing import Final
from xml.etree import ElementTree

import pandas as pd

from audit.findings.result import AuditResult
from audit.report.rows import day_and_time, instant, level_name, texts
from audit.report.unjudged import count_reasons
from audit.report.visible import fit_for_xml, shortened

LISTED: Final = 100
"""How many findings of one rule are listed; their number is exact."""
LONGEST_SENTENCE: Final = 300


def junit_text(result: AuditResult) -> str:
    """Return JUnit XML: a rule with findings failed; one that is idle, or could not judge all, was skipped.

    A case passes only where everything in scope was judged and complied: silence is no pass.
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
        if counts["findings"]:
            failed += 1
            number = int(counts["findings"])
            message = f"{rule.title}: {number:,} finding{'s' if number > 1 else ''}"
            failure = ElementTree.SubElement(case, "failure", message=fit_for_xml(message), type=level_name(rule.level))
            failure.text = "\n".join(_sentences(findings[findings["rule"] == rule.id].head(LISTED), number))
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


def _unjudged(number: int, in_scope: int, reasons: dict[str, int]) -> str:
    if not number:
        return ""
    listed = "; ".join(f"{count:,} {reason}" for reason, count in reasons.items())
    return fit_for_xml(f"{number:,} of {in_scope:,} in scope could not be judged, which is not a pass: {listed}")


def _sentences(findings: pd.DataFrame, number: int) -> list[str]:
    names = ("finding_id", "aircraft", "position", "task_id", "flight_id", "message")
    rows = zip(*(texts(findings[name]) for name in names), strict=True)
    lines = []
    for finding_id, *where, message in rows:
        lines.append(f"{finding_id}  {', '.join(part for part in where if part)}: {message}")
    if number > len(lines):
        lines.append(f"and {number - len(lines):,} more: see findings.csv")
    return [fit_for_xml(shortened(line, LONGEST_SENTENCE)) for line in lines]
