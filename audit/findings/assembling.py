"""The result of an audit, put together from what the rules gave."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import pandas as pd

from audit.authoring.explaining import explain
from audit.errors import InternalError
from audit.evidence.seasons import other_hemisphere
from audit.findings.collect import collect
from audit.findings.first_made import PutRight, put_right
from audit.findings.identity import finding_ids
from audit.findings.matters import first_matters
from audit.findings.other_words import other_words
from audit.findings.reconciliation import reconcile
from audit.findings.result import CORRECTED_ENTRY_COLUMNS, COVERAGE_COLUMNS, Absent, AuditResult, RecordUse
from audit.forms.outcomes import Outcomes
from audit.forms.reads import columns_needed, tables_read
from audit.intake.chains import UNCLEAR
from audit.intake.export import Export
from audit.intake.names import near_pairs
from audit.intake.tables import CORRECTIONS, READ_BY_RULES, TASKS
from audit.language.in_words import label_of
from audit.language.rule import LEVELS, Rule
from audit.rulebook.loading import Rulebook
from audit.scenes.stories import drawings_of, stories
from audit.timeline.instants import micros, stamp
from audit.timeline.timeline import Timeline


def assemble(
    version: str,
    export_name: str,
    rulebook: Rulebook,
    export: Export,
    timeline: Timeline,
    judged: list[tuple[Rule, Outcomes]],
) -> AuditResult:
    """Findings, coverage and all else that the report is made of, from each rule with its outcomes."""
    collected = collect(judged, timeline, rulebook.warnings)
    corrected = put_right(rulebook, collected.findings["key"], timeline, export)
    found = _with_ids(collected.findings, corrected.findings)
    level = found["level"].map({name: rank for rank, name in enumerate(LEVELS)})
    judged_now = found.iloc[: len(collected.findings)]  # what was put right is in no record any more
    order = (
        found.assign(_level=level).sort_values(["_level", "rule", "aircraft", "at", "finding_id"], kind="stable").index
    )
    findings = found.loc[order].reset_index(drop=True)
    unjudged = collected.unjudged.sort_values(
        ["rule", "aircraft", "at", "task_id", "position"], kind="stable", ignore_index=True
    )
    drawings = drawings_of(rulebook.rules)
    with_findings = {rule.id for rule, outcomes in judged if outcomes.findings}
    shown = findings[order < len(judged_now)]
    return AuditResult(
        version=version,
        as_of=stamp(timeline.as_of),
        export_name=export_name,
        rules=rulebook.rules,
        rule_files=(*rulebook.rule_files, *rulebook.tables),
        inputs=export.sources,
        rows=export.counts,
        records=_record_use(timeline),
        findings=findings,
        unjudged=unjudged,
        coverage=_coverage(judged, export, corrected),
        quarantine=export.rejects,
        faults=export.faults,
        dropped=export.dropped,
        near_names=near_pairs(export.near_names),
        absent=tuple(_absent(rulebook.rules, {**timeline.tables, **export.tables})),
        empty=tuple(_empty(rulebook.rules, export)),
        other_words=tuple(other_words(rulebook.rules, with_findings, export.tables)),
        beside=export.beside,
        reconciled=reconcile(export, timeline, rulebook.rules),
        settings=rulebook.settings,
        settings_files=rulebook.settings_files,
        not_in_export=tuple(sorted(rulebook.stationed - set(timeline.aircraft_names))),
        flight_clock=export.flight_clock if export.flight_clock and export.flight_clock.doubtful else None,
        corrections=_corrected_entries(timeline),
        season_not_set=_season_not_set(rulebook.rules, timeline),
        explanations=tuple(map(explain, rulebook.rules)),
        stories=stories(first_matters(shown, drawings), drawings, judged_now, collected.cases, timeline),
        newest=_newest(timeline),
        margins={rule.id: outcomes.margins for rule, outcomes in judged if outcomes.margins},
    )


def _with_ids(findings: pd.DataFrame, corrected: pd.DataFrame) -> pd.DataFrame:
    """Findings, and behind them those put right by corrections, with ids that tell all of them apart."""
    if corrected.empty:
        return findings
    both = pd.concat([findings, corrected], ignore_index=True)
    return both.assign(finding_id=finding_ids(both["key"].tolist()))


def _corrected_entries(timeline: Timeline) -> pd.DataFrame:
    """The corrections of entries made by the as-of time: CORRECTED_ENTRY_COLUMNS, as text save when they were made."""
    frame = timeline.tables.get("corrections")
    if frame is None or frame.empty:
        return pd.DataFrame(columns=list(CORRECTED_ENTRY_COLUMNS))
    made = frame[micros(frame["made_at"]) <= timeline.as_of].sort_values(["task_id", "made_at"], kind="stable")
    texts = {
        name: made[name].astype("str").fillna("") if name in made else "not exported" if name == "was" else ""
        for name in CORRECTED_ENTRY_COLUMNS
        if name not in ("entry", "made_at")
    }
    found = made.assign(**texts, entry=[label_of(str(column)) for column in made["column"]])
    found["state"] = found["state"].replace("", UNCLEAR)
    is_time = made["column"].astype("str").map(lambda name: TASKS.columns[name].kind == "time").astype(bool)
    for name in ("was", "now"):
        found[name] = found[name].where(~is_time, found[name].str.replace("+00:00", "Z", regex=False))
    return found[list(CORRECTED_ENTRY_COLUMNS)].reset_index(drop=True)


def _season_not_set(rules: Sequence[Rule], timeline: Timeline) -> tuple[str, ...]:
    """The aircraft that work in the other hemisphere than the season of a rule is of, and have no base."""
    elsewhere = np.zeros(len(timeline.aircraft_names), bool)
    for rule in rules:
        elsewhere |= other_hemisphere(getattr(rule, "season", None), timeline)
    return tuple(sorted(map(str, timeline.aircraft_names[elsewhere])))


def _absent(rules: Sequence[Rule], tables: Mapping[str, pd.DataFrame]) -> Iterator[Absent]:
    """What the rules read and is not among the tables, in the order of the canonical ones."""
    readers: dict[tuple[str, str], list[str]] = {}
    for rule in rules:
        for table, column in columns_needed(rule):
            frame = tables.get(table)
            if (frame is None) if not column else (frame is not None and column not in frame):
                readers.setdefault((table, column), []).append(rule.id)
    for table, described in READ_BY_RULES.items():
        for column in ("", *described.columns):
            if (table, column) in readers:
                yield Absent(table, column, tuple(readers[table, column]))


def _empty(rules: Sequence[Rule], export: Export) -> Iterator[Absent]:
    """The tables that the rules read and that were exported without a row, as that of corrections may be."""
    for table, rows in export.counts.items():
        readers = tuple(rule.id for rule in rules if table in tables_read(rule))
        if readers and not rows.read and table != CORRECTIONS.name:
            yield Absent(table, "", readers)


def _coverage(judged: list[tuple[Rule, Outcomes]], export: Export, corrected: PutRight) -> pd.DataFrame:
    """COVERAGE_COLUMNS; what a correction put right counts among the findings, once."""
    rows = []
    for rule, outcomes in judged:
        if min(outcomes.complies, outcomes.findings, outcomes.unjudged) < 0:
            raise InternalError(f"the outcomes of {rule.id} don't add up to what is in scope")
        unread = sum(export.counts[table].quarantined for table in tables_read(rule) if table in export.counts)
        more, among = corrected.number.get(rule.id, 0), corrected.comply.get(rule.id, 0)
        in_scope = outcomes.in_scope + more - among
        counts = (in_scope, outcomes.complies - among, outcomes.findings + more, outcomes.unjudged)
        rows.append((rule.id, *counts, unread, in_scope == 0))
    return pd.DataFrame(rows, columns=list(COVERAGE_COLUMNS))


def _newest(timeline: Timeline) -> pd.Timestamp | None:
    """When the last task record or flight began that there is by the as-of time."""
    started = timeline.times["started_at"]
    began = np.concatenate((started[started <= timeline.as_of], timeline.flights.takeoff))
    return stamp(int(began.max())) if len(began) else None


def _record_use(timeline: Timeline) -> RecordUse:
    begun = timeline.times["started_at"][: timeline.audited] <= timeline.as_of
    counts = {"open": 0, "void": 0}
    tasks = timeline.tables["tasks"]
    if "status" in tasks:
        counts |= {str(name): count for name, count in tasks["status"][begun].value_counts().items()}
    return RecordUse(
        closed=int(begun.sum()) - counts["open"] - counts["void"],
        open=counts["open"],
        void=counts["void"],
        after_as_of=int((~begun).sum()),
    )


def located(findings: pd.DataFrame, export: Export) -> pd.DataFrame:
    """The findings with PLACE_COLUMNS; blank where no single audited row shows one."""
    audited = findings["table"].map({name: len(frame) for name, frame in export.tables.items()}).fillna(0)
    shown = findings[(findings["row"] >= 0) & (findings["row"] < audited)].groupby("table", observed=True)["row"]
    places = [export.places(str(table), rows.to_numpy()).set_index(rows.index) for table, rows in shown]
    if not places:
        return findings.assign(file="", line=0)
    return findings.join(pd.concat(places)).fillna({"file": "", "line": 0}).astype({"line": "int64"})
