"""findings.sarif: the findings as SARIF 2.1.0, for the screens of code hosts."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any, Final
from urllib.parse import quote

from audit.errors import InternalError
from audit.figures import abridged
from audit.findings.result import CORRECTED, PLACE_COLUMNS, STANDING_COLUMNS, AuditResult, InputFile, Level, Rule
from audit.report.rows import texts
from audit.report.standing import IN_FORCE
from audit.report.visible import visible

MOST_RESULTS: Final = 25_000
"""More results in one run, and a code host refuses the whole file."""
LONGEST_TEXT: Final = 1_000

SCHEMA: Final = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
LEVELS: Final[Mapping[Level, str]] = {"1": "error", "2": "warning", "observation": "note"}
CATEGORY: Final = "deicer-audit"
"""What all runs have in common; a code host compares a run with the last of its category."""
BASELINE: Final[Mapping[str, str]] = {"new": "new", "back": "new", "still": "unchanged"}
FIRST_LINE: Final = {"startLine": 1}
_EVIDENCE: Final = ("state", "aircraft", "position", "component_serial", "work_order", "task_id", "flight_id", "at")


def sarif_text(result: AuditResult) -> str:
    """Return the findings as a SARIF log with one run: each is located in its canonical table.

    A file of the export may be named otherwise tomorrow, and a row stand on another line: they are told beside it, and
    an alert is the same one every night. With a register each result says whether it is new (or back, which is new
    again) or unchanged, and what was decided on it suppresses it.
    At most MOST_RESULTS are written, the most serious first; a notification says how many there are.
    """
    if not set(PLACE_COLUMNS) <= set(result.findings):
        raise InternalError("SARIF says where each finding stands: run_audit has to be asked to locate them")
    log = {"$schema": SCHEMA, "version": "2.1.0", "runs": [_run(result)]}
    return json.dumps(log, indent=1, ensure_ascii=True) + "\n"


def _run(result: AuditResult) -> dict[str, Any]:
    total = len(result.findings)
    invocation: dict[str, Any] = {"executionSuccessful": True}
    if total > MOST_RESULTS:
        cut = f"{total:,} findings; the {MOST_RESULTS:,} most serious are here, all of them in findings.csv"
        invocation["toolExecutionNotifications"] = [{"level": "warning", "message": {"text": cut}}]
    run = result.standing.run if result.standing is not None else ""
    return {
        "automationDetails": {"id": f"{CATEGORY}/{run}"},
        "tool": {
            "driver": {
                "name": "deicer-audit",
                "version": result.version,
                "semanticVersion": result.version,
                "rules": [_rule(rule) for rule in result.rules],
            }
        },
        "invocations": [invocation],
        "artifacts": [_artifact(source) for source in sorted(result.inputs, key=lambda source: source.name)],
        "columnKind": "unicodeCodePoints",
        "results": list(_results(result)),
        "properties": {"findings": total, "unjudged": len(result.unjudged)},
    }


def _rule(rule: Rule) -> dict[str, Any]:
    warning = " ".join(one.text for one in rule.warning)
    sources = "; ".join(f"{basis.source}{f', {basis.section}' if basis.section else ''}" for basis in rule.basis)
    return {
        "id": rule.id,
        "name": "".join(part.capitalize() for part in rule.id.split("-")),
        "shortDescription": {"text": visible(rule.title)},
        "fullDescription": {"text": visible(rule.why)},
        "help": {
            "text": visible(
                f"{f'Warning: {warning} ' if warning else ''}Corrective action: {rule.put_right} Basis: {sources}."
            )
        },
        "defaultConfiguration": {"level": LEVELS[rule.level]},
        "properties": {"tags": ["maintenance-records", f"level-{rule.level}"]},
    }


def _artifact(source: InputFile) -> dict[str, Any]:
    return {
        "location": {"uri": _uri(source.name)},
        "length": source.size,
        "hashes": {"sha-256": source.sha256},
    }


def _results(result: AuditResult) -> Iterator[dict[str, Any]]:
    findings = result.findings.head(MOST_RESULTS)
    number = {rule.id: index for index, rule in enumerate(result.rules)}
    standing = STANDING_COLUMNS if result.standing is not None else ()
    told_of = result.standing is not None, bool((findings["state"] == CORRECTED).any())
    names = (
        "key",
        "rule",
        "level",
        "message",
        "table",
        *PLACE_COLUMNS,
        *_EVIDENCE,
        "corrected_by",
        "corrected_at",
        *standing,
    )
    columns = [texts(findings[name]) for name in names]
    for row in zip(*columns, strict=True):
        told = dict(zip(names, row, strict=True))
        rule, level, evidence = str(told["rule"]), told["level"], {name: told[name] for name in _EVIDENCE}
        yield {
            "ruleId": rule,
            "ruleIndex": number[rule],
            "level": LEVELS[level],
            "message": {"text": visible(told["message"] or rule)},
            # A finding that no single row shows is filed under the table that every audit has.
            "locations": [_location(told["table"] or "tasks", FIRST_LINE)],
            **_real_place(told["file"], told["line"]),
            "partialFingerprints": {"primaryLocationLineHash": told["key"]},
            **_standing(told, told_of),
            "properties": {name: _text(value) for name, value in evidence.items() if value},
        }


def _standing(told: Mapping[str, str | None], told_of: tuple[bool, bool]) -> dict[str, Any]:
    """What has become of a finding: each key stands at every result or at none. `told_of`: a register; anything put
    right."""
    of_register, of_corrections = told_of
    why = told["decided"] if told.get("decision") in IN_FORCE else None
    if told["state"] == CORRECTED:
        why = f"put right by {told['corrected_by']} on {(told['corrected_at'] or '')[:10]}"
    suppression = {"kind": "external", "status": "accepted", "justification": _text(why or "")}
    suppressed = {"suppressions": [suppression] if why else []} if of_register or of_corrections else {}
    return ({"baselineState": BASELINE[told["change"] or "new"]} if of_register else {}) | suppressed


def _real_place(file: str | None, line: str | None) -> dict[str, Any]:
    if not file:
        return {}
    place = _location(file, {"startLine": max(int(line or 1), 1)})
    return {"relatedLocations": [{"id": 1, "message": {"text": "the record in this export"}} | place]}


def _location(name: str, region: Mapping[str, int]) -> dict[str, Any]:
    return {"physicalLocation": {"artifactLocation": {"uri": _uri(name)}, "region": dict(region)}}


def _uri(name: str) -> str:
    return quote(name.encode("utf-8", "surrogateescape"), safe="/")


def _text(text: str) -> str:
    return visible(abridged(text, LONGEST_TEXT))
