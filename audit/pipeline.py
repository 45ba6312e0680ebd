"""The way of an audit from export to result: the rooms in their order."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from audit.due.listing import due_list
from audit.errors import InternalError
from audit.findings.assembling import assemble, located
from audit.findings.collect import outcomes_now
from audit.findings.drilled import read_drill
from audit.findings.result import AuditResult
from audit.forms.reads import text_columns
from audit.health.earlier import Earlier, read_earlier
from audit.health.health import Health
from audit.health.judge import HealthJudge
from audit.health.profile import profile
from audit.health.suite import Suite, read_suite
from audit.intake.export import Export
from audit.intake.location import Location, location_name
from audit.intake.reading import read_export
from audit.intake.tables import TABLES
from audit.language.rule import Rule
from audit.memory import hand_back
from audit.options import AuditOptions
from audit.rulebook.blanks import refuse_blanks
from audit.rulebook.loading import Rulebook, load_rules
from audit.rulebook.settings import read_settings, with_settings
from audit.shipped import rules_folder
from audit.spread.judging import judged_in_parts
from audit.timeline.alterations import among_records, with_alterations
from audit.timeline.instants import stamp
from audit.timeline.timeline import Timeline, build_timeline
from audit.trends.signals import half_of, trends
from audit.version import __version__

if TYPE_CHECKING:
    from audit.register.comparing import Outcome
    from audit.register.recording import RunKind
    from audit.register.seeing import Seen
    from audit.register.store import Register

AHEAD = timedelta(days=30)
"""How far ahead a report looks."""


def run_audit(
    export: Location,
    rules: Path | None = None,
    as_of: datetime | None = None,
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
    `as_of` defaults to the latest instant in the export. Files of `settings` override the rules, later ones earlier
    ones. `progress` is told each step. `locate` has every finding say on which line of which file it shows
    (PLACE_COLUMNS), for which a file may be read again. `health` judges beside the rules whether the export is
    complete, measured against the report of the earlier run in `previous`, where there is one. Raises AuditError where
    the export, a rule, a settings file, the suite of export health or the earlier report can't be read.
    """
    options = AuditOptions(
        rules=rules, settings=tuple(settings), mapping=mapping, as_of=as_of, locate=locate, previous=previous
    )
    return traced_audit(export, options, progress, health).with_health()


@dataclass(frozen=True)
class Audited:
    """The result of an audit, still without export health, and the timeline and export that it came from.

    `health` waits for what is said of the export's health; it is None where nobody asked. `seen` is what the records
    say beside those that a register knows, None without one.
    """

    result: AuditResult
    timeline: Timeline
    health: Callable[[], Health] | None
    export: Export
    reading: str
    seen: Seen | None = None

    def with_health(self) -> AuditResult:
        """Return the whole result, once export health is judged."""
        return self.result if self.health is None else replace(self.result, health=self.health())


def traced_audit(
    export: Location,
    options: AuditOptions,
    progress: Callable[[str], None] = lambda step: None,
    health: HealthJudge | None = None,
    register: Register | None = None,
) -> Audited:
    """As `run_audit`, for whoever asks what happened around a finding, or has work to do while health is judged.

    With a `register`, rules see what it knows to have happened to signed records.
    """
    progress("reading the rules")
    rulebook = _rulebook(options)
    suite = read_suite(options.rules or rules_folder(), rules_folder()) if health else None
    earlier = read_earlier(options.previous) if options.previous else None
    drilled = read_drill(options.drilled, rulebook.rules) if options.drilled else None
    progress("reading the export")
    as_of = pd.Timestamp(options.as_of) if options.as_of is not None else None
    came_in = read_export(export, _texts_read(rulebook.rules, options), options.mapping, as_of)
    healthy = _asked(health, suite, came_in, as_of, earlier) if health and suite else None
    progress("placing it in time")
    timeline, seen = build_timeline(came_in, as_of), None
    if register is not None:
        seen, timeline = _seen(register, timeline, came_in, _reading(options))
    judged = judged_in_parts(rulebook.rules, came_in, timeline, options.spread, progress, ahead=options.ahead)
    progress("collecting the findings")
    outcomes = [(rule, found.outcomes) for rule, found in judged]
    result = assemble(__version__, location_name(export), rulebook, came_in, timeline, outcomes)
    result = replace(result, drilled=drilled)
    if options.ahead:
        progress("looking at what comes next")
        comes = [(rule, found.coming) for rule, found in judged if found.coming is not None]
        coming = due_list(result.export_name, comes, timeline, AHEAD)
        changed = {} if register is None else _changed(register, result)
        counted = {rule.id: found.weeks for rule, found in judged}
        result = replace(result, coming=coming, trends=trends(counted, timeline, half_of(timeline), changed))
    if options.locate:
        result = replace(result, findings=located(result.findings, came_in))
    hand_back()
    return Audited(result, timeline, healthy, came_in, _reading(options), seen)


def _changed(register: Register, result: AuditResult) -> Mapping[str, datetime]:
    """The rules that the register's runs show to have been changed, and since when each is as it is."""
    from audit.register.changed_rules import changed_rules

    return changed_rules(register, result.rules, result.as_of.to_pydatetime())


def _seen(register: Register, timeline: Timeline, export: Export, reading: str) -> tuple[Seen, Timeline]:
    """What the records say beside those that the register knows, and the timeline with what happened to signed ones."""
    # Most audits have no register, and what it is kept with takes a third of a second to import.
    from audit.register.altered_records import with_tonight
    from audit.register.recording import records_seen
    from audit.register.records import last_said
    from audit.register.seeing import Tonight

    as_of = stamp(timeline.as_of).to_pydatetime()
    tonight = Tonight(
        timeline.tables["tasks"],
        {column: rows for (table, column), rows in export.unreadable.items() if table == "tasks"},
        export.ids_set_aside("tasks"),
    )
    seen = records_seen(register, tonight, as_of, reading)
    alterations = with_tonight(register.connection, seen.alterations, as_of)
    gone = set(alterations["task_id"][~among_records(timeline, alterations["task_id"])])
    return seen, with_alterations(timeline, alterations, last_said(register.connection, gone))


def placed_in_time(export: Location, options: AuditOptions) -> tuple[Rulebook, Timeline]:
    """The rules in force and the export's timeline, for whoever asks something else of them than an audit."""
    rulebook, read, as_of = read_in(export, options)
    return rulebook, build_timeline(read, as_of)


def read_in(
    export: Location, options: AuditOptions, progress: Callable[[str], None] = lambda step: None
) -> tuple[Rulebook, Export, pd.Timestamp | None]:
    """The rules in force, and the export as it came in, with the as-of time asked for."""
    progress("reading the rules")
    rulebook = _rulebook(options)
    as_of = pd.Timestamp(options.as_of) if options.as_of is not None else None
    progress("reading the export")
    return rulebook, read_export(export, _texts_read(rulebook.rules, options), options.mapping, as_of), as_of


def _rulebook(options: AuditOptions) -> Rulebook:
    """The rules, with the settings over them."""
    rulebook = load_rules(options.rules if options.rules is not None else rules_folder())
    refuse_blanks(rulebook)
    return with_settings(rulebook, [read_settings(path) for path in options.settings])


def _texts_read(rules: Sequence[Rule], options: AuditOptions) -> Mapping[str, Collection[str]]:
    """The columns of free text that are wanted, by table."""
    wanted: Mapping[str, Collection[str]] = text_columns(rules)
    if not options.all_text:
        return wanted
    return {**wanted, "tasks": [name for name, column in TABLES["tasks"].columns.items() if column.kind == "text"]}


def _reading(options: AuditOptions) -> str:
    """What reads an export: two records can be compared that were read by the same mapping and version."""
    mapping = options.mapping.read_bytes() if options.mapping is not None else b""
    return f"{__version__} {hashlib.sha256(mapping).hexdigest() if mapping else 'canonical'}"


def recorded(register: Register, audited: Audited, kind: RunKind = "check") -> AuditResult:
    """Add an audit that was made with a register to it, uncommitted, and return its whole result with what that says of
    it."""
    from audit.register.comparing import Night
    from audit.register.recording import record_run
    from audit.register.states import latest_as_of

    timeline, seen = audited.timeline, audited.seen
    if seen is None:
        raise InternalError("an audit is to be recorded that was made without the register")
    tasks, names = timeline.tables["tasks"], timeline.aircraft_names
    rules = {rule.id: rule for rule in audited.result.rules}

    def outcome_now(rule: str, keys: Sequence[str]) -> dict[str, Outcome]:
        known = outcomes_now(rules[rule], timeline)
        return {key: known.get(key, "not there") for key in keys}

    flights = timeline.tables.get("flights")
    night = Night(
        result=audited.with_health(),
        outcome_now=outcome_now,
        task_ids=pd.Index(tasks["task_id"]),
        set_aside=audited.export.ids_set_aside("tasks"),
        flight_ids=() if flights is None else pd.Index(flights["flight_id"]),
        flights_set_aside=audited.export.ids_set_aside("flights"),
        aircraft=frozenset(map(str, names)),
        earlier=latest_as_of(register),
        seen=seen,
        reading=audited.reading,
    )
    return record_run(register, night, kind)


def _asked(
    judge: HealthJudge, suite: Suite, export: Export, as_of: pd.Timestamp | None, earlier: Earlier | None
) -> Callable[[], Health]:
    """Measure the export and have it judged; what is returned waits for the answer."""
    facts = profile(export, as_of, earlier)
    answer = judge.ask(suite, facts)
    return lambda: Health.of(suite, facts, answer.result(), earlier)
