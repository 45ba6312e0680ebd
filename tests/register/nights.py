"""Invented nights: what an audit brings to a register, without an audit."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import pandas as pd

from audit.findings.result import (
    COVERAGE_COLUMNS,
    FINDING_COLUMNS,
    REJECT_COLUMNS,
    UNJUDGED_COLUMNS,
    AuditResult,
    InputFile,
    RecordUse,
    RowCount,
    Rule,
)
from audit.forms.record import RecordRule
from audit.intake.location import Location
from audit.register.comparing import Night, Outcome
from audit.register.opening import open_register
from audit.register.recording import record_run, records_seen
from audit.register.seeing import Tonight
from audit.register.states import latest_as_of

ALL_TASKS = frozenset(f"T{number}" for number in range(100))


def rule(name: str = "lot-missing", level: str = "2", limit: int = 5) -> Rule:
    return RecordRule.model_validate(
        {
            "id": name,
            "form": "record",
            "title": "Lot missing",
            "level": level,
            "basis": [{"source": "common practice, no source"}],
            "why": "It can't be traced.",
            "put_right": "Add an entry.",
            "require": {"coats": {"at_least": limit}},
            "examples": [{"name": "a", "expect": "complies"}, {"name": "b", "expect": "finding"}],
        }
    )


def key(number: int) -> str:
    """The id of an invented finding."""
    return f"{number:02d}" * 32


def finding(number: int, **changes: Any) -> dict[str, Any]:
    return (
        dict.fromkeys(FINDING_COLUMNS, "")
        | {
            "finding_id": key(number),
            "rule": "lot-missing",
            "level": "2",
            "state": "open",
            "aircraft": "TARN-TEAL",
            "position": "left wing",
            "work_order": f"W{number}",
            "task_id": f"T{number}",
            "station": "Fernspool",
            "at": pd.Timestamp("2026-01-01T12:00Z"),
            "measured": None,
            "limit": None,
            "corrected_at": None,
            "message": "No lot.",
        }
        | changes
    )


def records_of(ids: Collection[str], **columns: Any) -> pd.DataFrame:
    """Invented task records, closed and signed."""
    names = sorted(ids)
    frame = pd.DataFrame({"task_id": pd.Series(names, dtype="str")})
    frame["aircraft"] = pd.Categorical(["TARN-TEAL"] * len(names), ["TARN-TEAL"])
    for name in ("started_at", "finished_at", "signed_at"):
        frame[name] = pd.Series([pd.Timestamp("2026-01-01T08:00Z")] * len(names), dtype="datetime64[us, UTC]")
    return frame.assign(**columns)


def result(findings: Sequence[Mapping[str, Any]], as_of: str, rules: Sequence[Rule], **changes: Any) -> AuditResult:
    frame = pd.DataFrame(list(findings), columns=list(FINDING_COLUMNS))
    for name in ("at", "corrected_at"):
        frame[name] = pd.to_datetime(frame[name], utc=True).astype("datetime64[us, UTC]")
    coverage = [(each.id, 10, 10, 0, 0, 0, False) for each in rules]
    return AuditResult(
        **{
            "version": "1",
            "as_of": pd.Timestamp(as_of).as_unit("us"),
            "export_name": "night",
            "rules": tuple(rules),
            "rule_files": (InputFile("lot-missing.yaml", "r" * 64, 7),),
            "inputs": (InputFile("tasks.csv", "a" * 64, 9),),
            "rows": {"tasks": RowCount(1, 1, 0)},
            "records": RecordUse(1, 0, 0, 0),
            "findings": frame,
            "unjudged": pd.DataFrame(columns=list(UNJUDGED_COLUMNS)),
            "coverage": pd.DataFrame(coverage, columns=list(COVERAGE_COLUMNS)),
            "quarantine": pd.DataFrame(columns=list(REJECT_COLUMNS)),
        }
        | changes
    )


def record(
    where: Location,
    day: int,
    *found: int | Mapping[str, Any],
    outcomes: Mapping[int, Outcome] | None = None,
    rules: Sequence[Rule] = (rule(),),
    task_ids: Collection[str] = ALL_TASKS,
    set_aside: Collection[str] = (),
    flight_ids: Collection[str] = (),
    flights_set_aside: Collection[str] = (),
    aircraft: Collection[str] = ("TARN-TEAL",),
    keep: bool = True,
    tasks: pd.DataFrame | None = None,
    unreadable: Mapping[str, Any] | None = None,
    reading: str = "",
    **changes: Any,
) -> AuditResult:
    """Play the night of a day in January 2026 (later days run on into the next months) and return its result.

    `found` are findings, or numbers of invented ones. `outcomes` are those of others; what isn't named complies.
    """
    as_of = pd.Timestamp("2025-12-31T22:00Z") + pd.Timedelta(days=day)
    rows = [finding(one) if isinstance(one, int) else one for one in found]
    told = {key(number): outcome for number, outcome in (outcomes or {}).items()}
    with open_register(where, create=True) as register:
        tonight = Tonight(records_of(task_ids) if tasks is None else tasks, unreadable or {}, set_aside)
        night = Night(
            result=result(rows, str(as_of), rules, **changes),
            outcome_now=lambda _, ids: {one: told.get(one, "complies") for one in ids},
            task_ids=task_ids,
            set_aside=set_aside,
            flight_ids=flight_ids,
            flights_set_aside=flights_set_aside,
            aircraft=aircraft,
            earlier=latest_as_of(register),
            seen=records_seen(register, tonight, as_of.to_pydatetime(), reading),
            reading=reading,
        )
        done = record_run(register, night)
        if keep:
            register.commit()
    return done


def changes(done: AuditResult) -> dict[int, str]:
    """By the number of each finding found, its change."""
    return {
        int(one[:2]): change for one, change in zip(done.findings["finding_id"], done.findings["change"], strict=True)
    }


def gone(done: AuditResult) -> dict[int, str]:
    """By the number of each finding gone, why."""
    assert done.standing is not None
    return {int(one[:2]): why for one, why in done.standing.gone[["finding_id", "why"]].itertuples(index=False)}
