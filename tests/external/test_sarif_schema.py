"""findings.sarif against the schema of the standard (OASIS SARIF 2.1.0, tests/external/sarif)."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from audit.findings.result import AuditResult
from audit.report.sarif import sarif_text
from tests.report.conftest import finding, hostile_finding, make_result, with_register

SCHEMA = json.loads((Path(__file__).parent / "sarif" / "sarif-2.1.0-rtm.5.json").read_bytes())
LOGS = {
    "two findings": make_result(),
    "no finding": make_result([]),
    "hostile text": make_result([hostile_finding(1)], export_name="x\udcff"),
    "with a register": with_register(
        [finding(1, change="new"), finding(2, decision="accepted", decided="accepted until 2026-08-01 by A: b")]
    ),
    "no place": make_result([finding(1, file="", line=0, table="", row=-1)]),
}


@pytest.mark.parametrize("result", LOGS.values(), ids=list(LOGS))
def test_the_log_meets_the_schema(result: AuditResult) -> None:
    """Every log is valid, whatever the records hold."""
    validator = jsonschema.validators.validator_for(SCHEMA)(SCHEMA, format_checker=jsonschema.FormatChecker())
    assert [error.message for error in validator.iter_errors(json.loads(sarif_text(result)))] == []


def test_the_schema_refuses_what_is_wrong() -> None:
    """The check can fail: an unknown property, and a line before the first, are refused."""
    log = json.loads(sarif_text(make_result()))
    log["runs"][0]["results"][0]["colour"] = "red"
    log["runs"][0]["results"][1]["locations"][0]["physicalLocation"]["region"]["startLine"] = 0
    assert len(list(jsonschema.validators.validator_for(SCHEMA)(SCHEMA).iter_errors(log))) == 2
