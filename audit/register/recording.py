"""Recording a run: what an audit found is compared with what the register knows, added to it and sealed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, Literal

import pandas as pd
import sqlalchemy as sa

from audit.findings.result import AuditResult, InputFile
from audit.findings.standing import CLEARED, STANDING_COLUMNS, Standing
from audit.register.comparing import OPEN, Compared, Night, compare, keys_of
from audit.register.decisions import Decision, last_decisions
from audit.register.schema import ANSWERS, FINDINGS, RUN_FILES, RUNS, VERDICTS
from audit.register.seal import add_seal
from audit.register.states import SHOWN_DIGITS, Known, Run, audits, known_findings
from audit.register.store import Register, refusing

RunKind = Literal["check", "start"]


def record_run(register: Register, night: Night, kind: RunKind = "check") -> AuditResult:
    """Add an audit to the register, uncommitted, and return its result with what the register says of it."""
    with refusing(register.name):
        connection = register.connection
        earlier = audits(connection)
        last = earlier[-1] if earlier else None
        known, decisions = known_findings(connection), last_decisions(connection)
        lapsed = _lapsed(connection, last, known, decisions, night)
        compared = compare(known, night, lapsed)
        result = night.result
        number = begin_run(
            connection,
            kind,
            as_of=night.as_of,
            export=result.export_name,
            version=result.version,
            whole=None if result.health is None else not result.health.failed,
            files=_files(result),
        )
        _add(connection, FINDINGS, number, compared.findings)
        _add(connection, VERDICTS, number, compared.verdicts)
        seal = add_seal(connection, number)
        findings = _with_standing(result.findings, compared, known, decisions, connection, night)
    standing = Standing(
        register=register.name.removeprefix("The register "),
        run=number,
        previous=pd.Timestamp(last.as_of) if last else None,
        gone=compared.gone,
        unused=tuple(_unused(decisions, known, compared, night)),
        seal=seal,
    )
    return replace(result, findings=findings, standing=standing)


def begin_run(
    connection: sa.Connection,
    kind: str,
    *,
    as_of: datetime | None = None,
    export: str = "",
    version: str = "",
    whole: bool | None = None,
    files: Iterable[tuple[str, InputFile]] = (),
) -> int:
    """Add the row of a run, with the files that it read by their kinds, and return its number."""
    number = (connection.execute(sa.select(sa.func.max(RUNS.c.run))).scalar() or 0) + 1
    row = {
        "run": number,
        "kind": kind,
        "made_at": datetime.now(UTC),
        "as_of": as_of,
        "export": storable(export),
        "version": version,
        "reading": "",
        "whole": whole,
        "records": 0,
        "records_root": "",
    }
    connection.execute(sa.insert(RUNS), [row])
    read = [
        {"number": place, "kind": of, "name": storable(file.name), "sha256": file.sha256, "size": file.size}
        for place, (of, file) in enumerate(files, start=1)
    ]
    _add(connection, RUN_FILES, number, read)
    return number


def storable(text: str) -> str:
    """Text as every database takes it: what is no Unicode is escaped, and a NUL shown as its picture."""
    return text.encode("utf-8", "backslashreplace").decode().replace("\x00", "\u2400")


def _add(connection: sa.Connection, table: sa.Table, run: int, rows: Sequence[Mapping[str, Any]]) -> None:
    if rows:
        told = [{name: storable(cell) if isinstance(cell, str) else cell for name, cell in row.items()} for row in rows]
        connection.execute(sa.insert(table), [row | {"run": run} for row in told])


def _files(result: AuditResult) -> Iterator[tuple[str, InputFile]]:
    for kind, files in (("input", result.inputs), ("rules", result.rule_files), ("settings", result.settings_files)):
        yield from ((kind, file) for file in files)


def _lapsed(
    connection: sa.Connection, last: Run | None, known: Mapping[str, Known], now: Mapping[str, Decision], night: Night
) -> set[str]:
    """The findings that a decision covered at the last run, and none covers now."""
    if last is None:
        return set()
    day, before = night.as_of.date(), last_decisions(connection, last.run)
    return {
        finding
        for finding, decision in before.items()
        if decision.in_force(last.as_of.date(), known[finding].level)
        and not now[finding].in_force(day, known[finding].level)
    }


def _with_standing(
    findings: pd.DataFrame,
    compared: Compared,
    known: Mapping[str, Known],
    decisions: Mapping[str, Decision],
    connection: sa.Connection,
    night: Night,
) -> pd.DataFrame:
    """The findings with STANDING_COLUMNS."""
    day, done = night.as_of.date(), _claimed(connection)
    rows = []
    for finding, level, state in zip(
        keys_of(findings), findings["level"].tolist(), findings["state"].tolist(), strict=True
    ):
        first = known[finding].first_found if finding in known else night.as_of
        kind = words = disputed = ""
        decision = decisions.get(finding)
        if decision is not None and decision.kind != "withdrawn":
            kind = decision.kind if decision.in_force(day, level) else "expired"
            words = decision.words(day, level)
        if state == OPEN and finding in done and done[finding][1] < day:
            disputed = "answered done by {} on {}".format(*done[finding])
        rows.append((compared.changes[finding], first, kind, words, disputed))
    added = pd.DataFrame(rows, columns=list(STANDING_COLUMNS), index=findings.index)
    added["first_found"] = pd.to_datetime(added["first_found"], utc=True).astype("datetime64[us, UTC]")
    return findings.drop(columns=[*STANDING_COLUMNS], errors="ignore").join(added)


def _claimed(connection: sa.Connection) -> dict[str, tuple[str, Any]]:
    """By finding, who answered last that it was done, and on which day."""
    columns = (ANSWERS.c.finding, ANSWERS.c.answer, ANSWERS.c.answered_by, ANSWERS.c.day)
    last = {row[0]: row for row in connection.execute(sa.select(*columns).order_by(ANSWERS.c.run))}
    return {finding: (row[2], row[3]) for finding, row in last.items() if row[1] == "done"}


def _unused(
    decisions: Mapping[str, Decision], known: Mapping[str, Known], compared: Compared, night: Night
) -> Iterator[str]:
    """Decisions in force on what is put right already. What is gone for any other reason may come back."""
    cleared = set(compared.gone.loc[compared.gone["why"] == CLEARED, "finding_id"])
    states = dict(zip(keys_of(night.result.findings), night.result.findings["state"], strict=True))
    for finding, decision in sorted(decisions.items()):
        state = CLEARED if finding in cleared else states.get(finding, known[finding].state)
        if state != OPEN and decision.in_force(night.as_of.date(), known[finding].level):
            short = finding[:SHOWN_DIGITS]
            yield f"{short}, {decision.kind} until {decision.until}, is {state}: nothing is left to decide"
