"""Recording a run: what an audit found is compared with what the register knows, added to it and sealed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import date, datetime
from typing import Literal

import pandas as pd
import sqlalchemy as sa

from audit.findings.identity import finding_ids
from audit.findings.result import OPEN, AuditResult, InputFile
from audit.findings.standing import CLEARED, STANDING_COLUMNS, Standing
from audit.register.altered_records import all_alterations, told
from audit.register.answers import DONE, last_answers
from audit.register.comparing import RECORD_MISSING, Compared, Night, compare, keys_of
from audit.register.decisions import Decision, last_decisions
from audit.register.schema import ALTERATIONS, FINDING_FLIGHTS, FINDINGS, RECORDS, VERDICTS
from audit.register.seal import add_seal
from audit.register.seeing import Seen, Tonight, see_records, unseen
from audit.register.states import SHOWN_DIGITS, Known, Run, audits, known_findings, latest_as_of
from audit.register.store import Register, refusing
from audit.register.writing import add_rows, begin_run

RunKind = Literal["check", "start"]


def record_run(register: Register, night: Night, kind: RunKind = "check") -> AuditResult:
    """Add an audit to the register, uncommitted, and return its result with what the register says of it."""
    with refusing(register.name):
        connection = register.connection
        earlier = audits(connection)
        last = earlier[-1] if earlier else None
        known, decisions = known_findings(connection), last_decisions(connection)
        # What a decision no longer covers comes back, as what was put right and is open again does.
        lapsed = _lapsed(connection, last, known, decisions, night)
        compared = compare(known, night, lapsed)
        result = night.result
        added = night.seen.added()
        number = begin_run(
            connection,
            kind,
            reading=night.reading,
            records=(added.count, added.root),
            as_of=night.as_of,
            export=result.export_name,
            version=result.version,
            whole=None if result.health is None else not result.health.failed,
            files=_files(result),
        )
        add_rows(connection, FINDINGS, number, compared.findings)
        add_rows(connection, FINDING_FLIGHTS, number, compared.flights)
        add_rows(connection, VERDICTS, number, compared.verdicts)
        add_rows(connection, RECORDS, number, added.batches)
        add_rows(connection, ALTERATIONS, number, night.seen.alterations)
        seal = add_seal(connection, number)
        every = all_alterations(connection)
        altered, altered_now = told(every), told(every.tail(len(night.seen.alterations)))
        findings = _with_standing(result.findings, compared, known, decisions, connection, night)
    standing = Standing(
        register=register.name.removeprefix("The register "),
        run=number,
        previous=pd.Timestamp(last.as_of) if last else None,
        gone=compared.gone.assign(finding_id=finding_ids(compared.gone["finding_id"].tolist())),
        altered=altered,
        altered_now=len(altered_now),
        unused=tuple(_unused(decisions, known, compared, night)),
        renamed=tuple(_renamed(known, compared, findings)),
        seal=seal,
    )
    return replace(result, findings=findings, standing=standing)


def records_seen(register: Register, tonight: Tonight, as_of: datetime, reading: str) -> Seen:
    """What the records of an audit as of a time say beside those that the register knows; `reading` as in Night."""
    with refusing(register.name):
        runs, before = audits(register.connection), latest_as_of(register)
        # Looking back from an earlier time, records that are not there yet would seem to have vanished.
        if before is not None and as_of < before:
            return unseen(register.connection)
        return see_records(register.connection, tonight, as_of, runs, register.beside, reading)


def _files(result: AuditResult) -> Iterator[tuple[str, InputFile]]:
    for kind, files in (("input", result.inputs), ("rules", result.rule_files), ("settings", result.settings_files)):
        yield from ((kind, file) for file in files)


def _lapsed(
    connection: sa.Connection, last: Run | None, known: Mapping[str, Known], now: Mapping[str, Decision], night: Night
) -> set[str]:
    """The findings that a decision covered at the last run, and none covers now, as where their level was raised."""
    if last is None:
        return set()
    day, before = night.as_of.date(), last_decisions(connection, last.run)
    levels = dict(zip(keys_of(night.result.findings), night.result.findings["level"].tolist(), strict=True))
    return {
        finding
        for finding, decision in before.items()
        if _in_force(decision, last.as_of.date(), known[finding])
        and not _in_force(now[finding], day, known[finding], levels.get(finding))
    }


def _in_force(decision: Decision, day: date, known: Known, level: str | None = None) -> bool:
    """Whether a decision holds on a day; `level` is that of the finding, where it is not as it was last known."""
    return decision.in_force(day, level or known.level, known.first_found.date())


def _with_standing(
    findings: pd.DataFrame,
    compared: Compared,
    known: Mapping[str, Known],
    decisions: Mapping[str, Decision],
    connection: sa.Connection,
    night: Night,
) -> pd.DataFrame:
    """The findings with STANDING_COLUMNS."""
    day, answers = night.as_of.date(), last_answers(connection)
    rows = []
    for finding, level, state in zip(
        keys_of(findings), findings["level"].tolist(), findings["state"].tolist(), strict=True
    ):
        first = known[finding].first_found if finding in known else night.as_of
        kind = words = disputed = ""
        decision = decisions.get(finding)
        if decision is not None and decision.kind != "withdrawn":
            kind = decision.kind if decision.in_force(day, level, first.date()) else "expired"
            words = decision.words(day, level, first.date())
        answer = answers.get(finding)
        if state == OPEN and answer is not None and answer.answer == DONE and answer.day < day:
            disputed = f"answered {DONE} by {answer.answered_by} on {answer.day}"
        rows.append((compared.changes[finding], first, kind, words, disputed))
    added = pd.DataFrame(rows, columns=list(STANDING_COLUMNS), index=findings.index)
    added["first_found"] = pd.to_datetime(added["first_found"], utc=True).astype("datetime64[us, UTC]")
    return findings.drop(columns=[*STANDING_COLUMNS], errors="ignore").join(added)


def _renamed(known: Mapping[str, Known], compared: Compared, findings: pd.DataFrame) -> Iterator[str]:
    """Findings whose records are missing, each with the one new finding of its rule at its place and time."""
    names = ("rule", "aircraft", "position", "at")
    new = findings[findings["change"] == "new"]
    there: dict[tuple[object, ...], list[tuple[str, str]]] = {}
    for finding, work_order, *where in zip(
        keys_of(new), new["work_order"].tolist(), *(new[name].tolist() for name in names), strict=True
    ):
        there.setdefault(tuple(where), []).append((finding, str(work_order)))
    missing = compared.gone.loc[compared.gone["why"] == RECORD_MISSING, "finding_id"]
    lost: dict[tuple[object, ...], list[Known]] = {}
    for one in map(known.__getitem__, missing):
        lost.setdefault((one.rule, one.aircraft, one.position, one.at), []).append(one)
    for place, same in lost.items():
        found = there.get(place, [])
        # Where several fit, nothing tells which is which.
        if place[-1] is not None and len(same) == len(found) == 1:
            was, (now, work_order) = same[0], found[0]
            yield (
                f"{was.finding[:SHOWN_DIGITS]} of work order {was.work_order or 'unknown'} is not found, and "
                f"{now[:SHOWN_DIGITS]} of work order {work_order or 'unknown'} is new: same rule, place and time"
            )


def _unused(
    decisions: Mapping[str, Decision], known: Mapping[str, Known], compared: Compared, night: Night
) -> Iterator[str]:
    """Decisions in force on what is put right already. What is gone for any other reason may come back."""
    cleared = set(compared.gone.loc[compared.gone["why"] == CLEARED, "finding_id"])
    states = dict(zip(keys_of(night.result.findings), night.result.findings["state"], strict=True))
    for finding, decision in sorted(decisions.items()):
        state = CLEARED if finding in cleared else states.get(finding, known[finding].state)
        if state != OPEN and _in_force(decision, night.as_of.date(), known[finding]):
            short = finding[:SHOWN_DIGITS]
            yield f"{short}, {decision.kind} until {decision.until}, is {state}: nothing is left to decide"
