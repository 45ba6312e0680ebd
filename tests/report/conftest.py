"""An invented audit result, small or large, hostile or tame."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pandas as pd
import pytest

from audit.authoring.explaining import explain
from audit.findings.result import (
    ALTERED_COLUMNS,
    COVERAGE_COLUMNS,
    FINDING_COLUMNS,
    GONE_COLUMNS,
    PLACE_COLUMNS,
    ROW_COLUMNS,
    STANDING_COLUMNS,
    UNJUDGED_COLUMNS,
    AuditResult,
    RecordUse,
    Standing,
)
from audit.forms.hold import HoldRule
from audit.forms.interval import IntervalRule
from audit.forms.record import RecordRule
from audit.intake.export import InputFile, RowCount
from audit.language.rule import Rule

QUARANTINE_COLUMNS = ("table", "file", "line", "column", "value", "reason")
WARNING = "Wear eye protection."
PUT_RIGHT = "Inspect the coating, coat again where it is damaged, and record both."

_EXAMPLES = [{"name": "a", "expect": "complies"}, {"name": "b", "expect": "finding"}]


def _rule(model: type[Rule], **fields: Any) -> Rule:
    return model.model_validate({"basis": [{"source": "common practice, no source"}], "examples": _EXAMPLES} | fields)


RULES: tuple[Rule, ...] = (
    _rule(
        RecordRule,
        id="preservative-on-wrong-material",
        form="record",
        title="Rubber preservative on a boot that can't take it",
        level="1",
        why="The preservative softens other rubber than chloroprene.",
        put_right="Take the boot out of use until it has been inspected.",
        require={"component.material": {"is": "chloroprene"}},
    ),
    _rule(
        HoldRule,
        id="flight-before-cure",
        form="hold",
        title="Flight before the preservative had cured",
        level="2",
        why="An uncured coat is carried off by the air stream and the boot is left unprotected.",
        put_right=PUT_RIGHT,
        warning=[{"name": "eyes", "text": WARNING}],
        forbid={"event": "takeoff"},
        **{"for": "PT24H"},
    ),
    _rule(
        RecordRule,
        id="lot-expired",
        form="record",
        title="Product from a lot past its date",
        level="2",
        basis=[{"source": "Invented standard 7", "section": "4.2", "from": "2024-01-01"}],
        why="An old lot may not cure.",
        put_right="Strip and coat again from a lot in date.",
        require={"lot.expires_on": {"present": True}},
    ),
    _rule(
        IntervalRule,
        id="ice-adhesion-treatment-overdue",
        form="interval",
        title="Ice-adhesion treatment overdue",
        level="observation",
        why="The treatment wears off in flight.",
        put_right="Treat the boot before the next flight into icing.",
        at_most={"flight_hours": 50},
    ),
)


def finding(number: int, **changes: Any) -> dict[str, Any]:
    """Return one invented finding of flight-before-cure."""
    return {
        "finding_id": f"F{number:06d}",
        "key": f"F{number:06d}{number:057x}",
        "rule": "flight-before-cure",
        "level": "2",
        "state": "open",
        "aircraft": f"TARN-{number % 60:03d}",
        "position": "left wing",
        "component_serial": f"B-{number % 500}",
        "work_order": f"W-{number}",
        "task_id": f"T-{number}",
        "flight_id": f"V-{number}",
        "station": "Fernspool",
        "person": "A. Plover",
        "at": pd.Timestamp("2025-11-03T14:20Z") + pd.Timedelta(minutes=number),
        "measured": 5.2,
        "limit": 24.0,
        "unit": "h",
        "message": "Flew 5 h 12 min after the last coat; 24 h required; 18 h 48 min short.",
        "warning": WARNING,
        "put_right": PUT_RIGHT,
        "basis": "common practice, no source",
        "corrected_by": "",
        "corrected_at": None,
        "meanwhile": "",
        "table": "tasks",
        "row": number,
        "since": pd.Timestamp("2025-11-03T09:08Z") + pd.Timedelta(minutes=number),
        "file": "tasks.csv",
        "line": number + 2,
    } | changes


HOSTILE = (
    "=1+1 @SUM(A1) <script>alert('x')</script> \x1b[2J\u202etxt|\u2028`code` [a](http://x.example) www.x.example "
    "\x00\uffff"
)
"""Text that some reader takes for a formula, mark-up, a command or a change of direction."""


def hostile_finding(number: int) -> dict[str, Any]:
    """Return a finding with hostile text in every field that records fill, one of them far too long for a cell."""
    names = ("aircraft", "position", "component_serial", "work_order", "task_id", "flight_id", "person", "unit")
    texts = dict.fromkeys(names, HOSTILE) | {"work_order": HOSTILE * 500, "message": HOSTILE}
    return finding(number, **texts, station="a/b:c*?[d]" + "=" * 40)


def findings_frame(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Return the frame of findings that AuditResult asks for, each with its place in the export."""
    dtypes = dict.fromkeys((*FINDING_COLUMNS, "key", "table", "file"), "str") | {
        "measured": "float64",
        "limit": "float64",
    }
    frame = pd.DataFrame(rows, columns=[*FINDING_COLUMNS, *ROW_COLUMNS, *PLACE_COLUMNS])
    instants = ("at", "since", "corrected_at")
    for name in instants:
        frame[name] = pd.to_datetime(frame[name], utc=True)
    return frame.astype(dtypes | dict.fromkeys(instants, "datetime64[us, UTC]") | {"row": "int64", "line": "int64"})


def make_result(
    findings: list[dict[str, Any]] | None = None,
    quarantine: list[tuple[Any, ...]] | None = None,
    **changes: Any,
) -> AuditResult:
    """Return an invented result of four rules: one idle, one partly unjudged, one that complies."""
    found = findings_frame([finding(1), finding(2)] if findings is None else findings)
    per_rule = found["rule"].value_counts()
    held = (
        quarantine
        if quarantine is not None
        else [
            ("tasks", "tasks.csv", 17, "started_at", "2025-13-01T00:00Z", "no such date"),
            ("flights", "flights.csv", 9, "flight_hours", "-0.5", "negative"),
        ]
    )
    coverage = pd.DataFrame(
        [
            (rule.id, in_scope + n, in_scope - unjudged, n, unjudged, unread, not in_scope + n)
            for rule, in_scope, unjudged, unread in zip(RULES, (40, 60, 0, 12), (0, 3, 0, 0), (1, 2, 0, 0), strict=True)
            for n in [int(per_rule.get(rule.id, 0))]
        ],
        columns=list(COVERAGE_COLUMNS),
    )
    unjudged = pd.DataFrame(
        [
            (
                "flight-before-cure",
                reason,
                "TARN-001",
                "fin",
                f"W-{n}",
                f"T-{n}",
                "",
                "Fernspool",
                pd.Timestamp("2025-10-26T00:30Z"),
            )
            for n, reason in enumerate(["ambiguous time", "ambiguous time", "no boot known"])
        ],
        columns=list(UNJUDGED_COLUMNS),
    )
    values: dict[str, Any] = {
        "version": "0.1.0",
        "as_of": pd.Timestamp("2026-05-31T22:10:00Z"),
        "export_name": "nightly export",
        "rules": RULES,
        "rule_files": (InputFile("cure.yaml", "ab" * 32, 2_311),),
        "inputs": (InputFile("tasks.csv", "cd" * 32, 81_220), InputFile("flights.csv", "ef" * 32, 940)),
        "rows": {"tasks": RowCount(120, 119, 1), "flights": RowCount(300, 299, 1)},
        "records": RecordUse(closed=110, open=6, void=2, after_as_of=1),
        "findings": found,
        "unjudged": unjudged,
        "coverage": coverage,
        "quarantine": pd.DataFrame(held, columns=list(QUARANTINE_COLUMNS)).astype(
            {"line": "int64"} | dict.fromkeys(["table", "file", "column", "value", "reason"], "str")
        ),
    }
    values |= changes
    return AuditResult(**{"explanations": tuple(map(explain, values["rules"])), **values})


def with_register(
    rows: list[dict[str, Any]], gone: list[tuple[Any, ...]] | None = None, unused: tuple[str, ...] = ()
) -> AuditResult:
    """Return an invented result with what a register says; each row may give change, decision, decided, disputed."""
    plain = make_result([{name: value for name, value in row.items() if name not in STANDING_COLUMNS} for row in rows])
    said = pd.DataFrame(
        [{name: row.get(name, "still" if name == "change" else "") for name in STANDING_COLUMNS} for row in rows],
        columns=list(STANDING_COLUMNS),
    )
    said["first_found"] = pd.Timestamp("2026-05-01T22:10:00Z")
    standing = Standing(
        register="register.db",
        run=7,
        previous=pd.Timestamp("2026-05-30T22:10:00Z"),
        gone=pd.DataFrame(gone or [], columns=list(GONE_COLUMNS)),
        altered=pd.DataFrame(columns=list(ALTERED_COLUMNS)),
        unused=unused,
        seal="5e" * 32,
    )
    return replace(plain, findings=plain.findings.join(said), standing=standing)


@pytest.fixture(scope="session")
def result() -> AuditResult:
    """The small invented result."""
    return make_result()


@pytest.fixture(scope="session")
def result_of() -> Callable[..., AuditResult]:
    """The factory itself, for results made to order."""
    return make_result


@pytest.fixture(scope="session")
def make_finding() -> Callable[..., dict[str, Any]]:
    """Return the maker of one invented finding."""
    return finding


@pytest.fixture(scope="session")
def rules() -> tuple[Rule, ...]:
    """Return the invented rules."""
    return RULES
