"""The way of an audit from export to result: the rooms in their order."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pandas as pd

from audit import __version__
from audit.errors import InternalError
from audit.findings.collect import collect
from audit.findings.reconciliation import reconcile
from audit.findings.result import (
    COVERAGE_COLUMNS,
    FINDING_COLUMNS,
    ROW_COLUMNS,
    UNJUDGED_COLUMNS,
    Absent,
    AuditResult,
    RecordUse,
)
from audit.findings.stories import stories
from audit.forms.judging import judge_rule
from audit.forms.outcomes import Outcomes
from audit.forms.reads import columns_read, tables_read, text_columns
from audit.health.earlier import Earlier, read_earlier
from audit.health.health import Health
from audit.health.judging import HealthJudge
from audit.health.profile import profile
from audit.health.suite import Suite, read_suite
from audit.intake.export import Export
from audit.intake.location import Location, location_name
from audit.intake.reading import read_export
from audit.intake.tables import TABLES
from audit.rulebook.loading import Rulebook, load_rules
from audit.rulebook.models import LEVELS, AnyRule
from audit.rulebook.settings import read_settings, with_settings
from audit.shipped import rules_folder
from audit.timeline.instants import stamp
from audit.timeline.timeline import Timeline, build_timeline

SIDE_BY_SIDE = 2
"""Rules judged at a time: each holds arrays as long as the export."""


def run_audit(
    export: Location,
    rules: Path | None = None,
    as_of: pd.Timestamp | None = None,
    settings: Sequence[Path] = (),
    mapping: Path | None = None,
    progress: Callable[[str], None] = lambda step: None,
    locate: bool = False,
    health: HealthJudge | None = None,
    previous: Path | None = None,
) -> AuditResult:
    """Audit an export against the rules in a folder (default: the rules that ship).

    The export is a folder or zip file of canonical files, a database with canonical tables (its URL), or whatever the
    file `mapping` makes canonical tables of.
    `as_of` defaults to the latest instant in the export. Files of `settings` are laid over the rules, the last on top.
    `progress` is told each step. `locate` has every finding say on which line of which file it shows (PLACE_COLUMNS),
    for which a file may be read again. `health` judges beside the rules whether the export is whole, measured against
    the report of the earlier run in `previous`, where there is one. Raises AuditError where the export, a rule, a
    settings file, the suite of export health or the earlier report can't be read.
    """
    return traced_audit(export, rules, as_of, settings, progress, locate, mapping, health, previous)[0]


def traced_audit(
    export: Location,
    rules: Path | None,
    as_of: pd.Timestamp | None,
    settings: Sequence[Path],
    progress: Callable[[str], None],
    locate: bool,
    mapping: Path | None = None,
    health: HealthJudge | None = None,
    previous: Path | None = None,
) -> tuple[AuditResult, Timeline]:
    """As `run_audit`, with the timeline beside the result, for whoever asks what happened around a finding."""
    progress("reading the rules")
    rules = rules if rules is not None else rules_folder()
    rulebook = load_rules(rules)
    rulebook = with_settings(rulebook, [read_settings(path) for path in settings])
    suite = read_suite(rules, rules_folder()) if health else None
    earlier = read_earlier(previous) if previous else None
    progress("reading the export")
    came_in = read_export(export, text_columns(rulebook.rules), mapping)
    healthy = _asked(health, suite, came_in, as_of, earlier) if health and suite else None
    progress("placing it in time")
    timeline = build_timeline(came_in, as_of)
    judged = _judged(rulebook.rules, timeline, progress)
    progress("collecting the findings")
    result = _result(location_name(export), rulebook, came_in, timeline, judged)
    if locate:
        result = replace(result, findings=_located(result.findings, came_in))
    if healthy:
        progress("judging whether the export is whole")
        result = replace(result, health=healthy())
    return result, timeline


def _judged(
    rules: Sequence[AnyRule], timeline: Timeline, progress: Callable[[str], None]
) -> list[tuple[AnyRule, Outcomes]]:
    """Every rule with its outcomes, in their order. Sorting and searching leave the interpreter to the other thread."""
    found = []
    with ThreadPoolExecutor(SIDE_BY_SIDE) as pool:
        for rule, outcomes in [(rule, pool.submit(judge_rule, rule, timeline)) for rule in rules]:
            progress(f"judging {rule.id}")
            found.append((rule, outcomes.result()))
    return found


def _asked(
    judge: HealthJudge, suite: Suite, export: Export, as_of: pd.Timestamp | None, earlier: Earlier | None
) -> Callable[[], Health]:
    """Measure the export and have it judged; what is returned waits for the answer."""
    facts = profile(export, as_of, earlier)
    answer = judge.ask(suite, facts)
    return lambda: Health.of(suite, facts, answer.result(), earlier)


def _result(
    export_name: str,
    rulebook: Rulebook,
    export: Export,
    timeline: Timeline,
    judged: list[tuple[AnyRule, Outcomes]],
) -> AuditResult:
    collected = [collect(rule, outcomes, timeline) for rule, outcomes in judged]
    findings = _together([found for found, _ in collected], (*FINDING_COLUMNS, *ROW_COLUMNS))
    level = findings["level"].map({name: rank for rank, name in enumerate(LEVELS)})
    findings = (
        findings.assign(_level=level)
        .sort_values(["_level", "rule", "aircraft", "at", "finding_id"], kind="stable")
        .drop(columns="_level")
        .reset_index(drop=True)
    )
    unjudged = _together([doubts for _, doubts in collected], UNJUDGED_COLUMNS).sort_values(
        ["rule", "aircraft", "at", "task_id", "position"], kind="stable", ignore_index=True
    )
    return AuditResult(
        version=__version__,
        as_of=stamp(timeline.as_of),
        export_name=export_name,
        rules=rulebook.rules,
        rule_files=(*rulebook.rule_files, *rulebook.tables),
        inputs=export.sources,
        rows=export.counts,
        records=_record_use(timeline),
        findings=findings,
        unjudged=unjudged,
        coverage=_coverage(judged, export),
        quarantine=export.rejects,
        absent=tuple(_absent(rulebook.rules, export)),
        reconciled=reconcile(export, timeline, rulebook.rules),
        settings=rulebook.settings,
        settings_files=rulebook.settings_files,
        not_in_export=tuple(sorted(rulebook.stationed - set(timeline.aircraft_names))),
        stories=stories(
            findings,
            [(rule, outcomes, found) for (rule, outcomes), (found, _) in zip(judged, collected, strict=True)],
            timeline,
        ),
        margins={rule.id: outcomes.margins for rule, outcomes in judged if outcomes.margins},
    )


def _absent(rules: Sequence[AnyRule], export: Export) -> Iterator[Absent]:
    """What the rules read and the export lacks, in the order of the canonical tables."""
    readers: dict[tuple[str, str], list[str]] = {}
    for rule in rules:
        lacking = {(table, "") for table in tables_read(rule) if table not in export.tables}
        lacking |= {
            (table, column)
            for table, column in columns_read(rule)
            if table in export.tables and column not in export.tables[table]
        }
        for place in lacking:
            readers.setdefault(place, []).append(rule.id)
    for table, described in TABLES.items():
        for column in ("", *described.columns):
            if (table, column) in readers:
                yield Absent(table, column, tuple(readers[table, column]))


def _located(findings: pd.DataFrame, export: Export) -> pd.DataFrame:
    """The findings with PLACE_COLUMNS; blank where no single row shows one."""
    shown = findings[findings["row"] >= 0].groupby("table", observed=True)["row"]
    places = [export.places(str(table), rows.to_numpy()).set_index(rows.index) for table, rows in shown]
    if not places:
        return findings.assign(file="", line=0)
    return findings.join(pd.concat(places)).fillna({"file": "", "line": 0}).astype({"line": "int64"})


def _together(parts: list[pd.DataFrame], columns: tuple[str, ...]) -> pd.DataFrame:
    filled = [part for part in parts if len(part)]
    if filled:
        return pd.concat(filled, ignore_index=True)
    return parts[0].iloc[:0] if parts else pd.DataFrame(columns=list(columns))


def _coverage(judged: list[tuple[AnyRule, Outcomes]], export: Export) -> pd.DataFrame:
    rows = []
    for rule, outcomes in judged:
        if min(outcomes.complies, outcomes.findings, outcomes.unjudged) < 0:
            raise InternalError(f"the outcomes of {rule.id} don't add up to what is in scope")
        unread = sum(export.counts[table].quarantined for table in tables_read(rule) if table in export.counts)
        rows.append(
            (
                rule.id,
                outcomes.in_scope,
                outcomes.complies,
                outcomes.findings,
                outcomes.unjudged,
                unread,
                outcomes.in_scope == 0,
            )
        )
    return pd.DataFrame(rows, columns=list(COVERAGE_COLUMNS))


def _record_use(timeline: Timeline) -> RecordUse:
    begun = timeline.times["started_at"] <= timeline.as_of
    counts = {"open": 0, "void": 0}
    if "status" in timeline.tasks:
        counts |= {str(name): count for name, count in timeline.tasks["status"][begun].value_counts().items()}
    return RecordUse(
        closed=int(begun.sum()) - counts["open"] - counts["void"],
        open=counts["open"],
        void=counts["void"],
        after_as_of=int((~begun).sum()),
    )
