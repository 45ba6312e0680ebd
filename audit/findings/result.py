"""The result of an audit: plain values, all that the report and the files are made of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import pandas as pd

from audit.authoring.explaining import WHO_GOVERNS, ExampleTable, Explanation, ShownExample
from audit.due.forecast import Band
from audit.due.listing import DueList
from audit.findings.drilled import LastDrill
from audit.findings.matters import distance, matter_of
from audit.findings.meanwhile import REMOVED
from audit.findings.other_words import OtherWords
from audit.findings.reconciliation import FileReconciled
from audit.findings.standing import ALTERED_COLUMNS, CLEARED, GONE_COLUMNS, STANDING_COLUMNS, Change, Standing
from audit.forms.margins import LIMIT, Margins
from audit.health.health import OUTCOMES, Health
from audit.intake.export import FlightClock, InputFile, RowCount
from audit.intake.names import NearPair
from audit.intake.quarantine import REJECT_COLUMNS, no_rejects
from audit.intake.tables import ALTERATIONS
from audit.language.rule import LEVELS, Level, Rule
from audit.rulebook.loading import Setting
from audit.scenes.values import Kind, Lane, Recorded, Scene, Span, Story, Stretch, Usage
from audit.timeline.instants import Ints
from audit.trends.signals import ALL, Frozen, Signal, Trend, Trends

# The report imports from here alone: what it shows is a value of the result.
# fmt: off
__all__ = [
    "ALL", "ALTERED_COLUMNS", "CLEARED", "CORRECTED", "COVERAGE_COLUMNS", "FINDING_COLUMNS", "GONE_COLUMNS", "LEVELS",
    "LIMIT", "OPEN", "OUTCOMES", "PLACE_COLUMNS", "REJECT_COLUMNS", "REMOVED", "ROW_COLUMNS", "STANDING_COLUMNS",
    "UNJUDGED_COLUMNS", "WHO_GOVERNS", "Absent", "AuditResult", "Band", "Change", "DueList", "ExampleTable",
    "Explanation", "FileReconciled", "Frozen", "Health", "InputFile", "Kind", "Lane", "LastDrill", "Level", "Margins",
    "NearPair", "RecordUse", "Recorded", "RowCount", "Rule", "Scene", "Setting", "ShownExample", "Signal", "Span",
    "Standing", "Story", "Stretch", "Trend", "Trends", "Usage",
]
# fmt: on

FINDING_COLUMNS = (
    "finding_id", "rule", "level", "state", "aircraft", "position", "component_serial", "work_order", "task_id",
    "flight_id", "station", "person", "at", "measured", "limit", "unit", "message", "warning", "put_right", "basis",
    "corrected_by", "corrected_at", "meanwhile",
)  # fmt: skip
"""Columns of findings.csv: text, save `at` and `corrected_at` (datetime64[us, UTC]) and the floats `measured` and
`limit`. `state` is open or corrected; `corrected_by` names what put a corrected finding right, and `corrected_at` says
when that was. `meanwhile` says whether the boot was removed, moved, stripped or flown since."""

OPEN: Final = "open"
"""The state of a finding that nothing recorded puts right."""
CORRECTED: Final = "corrected"
"""The state of a finding that the records show was put right."""

ROW_COLUMNS = ("key", "table", "row", "since")
"""The audited row that shows a finding: the table's name and the row in its frame, counted from 0; and the instant that
what was measured counts from, missing where there is none."""

PLACE_COLUMNS = ("file", "line")
"""Where that row stands in the export; there only where `run_audit` was asked to locate it."""

CORRECTED_ENTRY_COLUMNS = (
    "task_id", "correction_id", "entry", "was", "now", "made_by", "made_at", "signed_by", "reason", "state",
)  # fmt: skip
"""Columns of `corrections`, a row for each correction of an entry up to the as-of time, by record and time: `entry` is
what the corrected column is called, `state` what the correction is to its record (CORRECTION_STATES, or unclear)."""
UNJUDGED_COLUMNS = (
    "rule", "reason", "aircraft", "position", "work_order", "task_id", "flight_id", "station", "at",
)  # fmt: skip
"""Columns of unjudged.csv: one row for each subject that could not be judged."""

COVERAGE_COLUMNS = ("rule", "in_scope", "complies", "findings", "unjudged", "unread", "idle")
"""Columns of coverage.csv: whole numbers, save `rule` and `idle` (true or false)."""

MOST_SILENT_DAYS = 30
"""Where the records end longer before the as-of time, a planned or misprinted date may have put that so far ahead."""


@dataclass(frozen=True)
class RecordUse:
    """What became of the audited task records: closed ones count as work done."""

    closed: int
    open: int
    void: int
    after_as_of: int


@dataclass(frozen=True)
class Absent:
    """A table, or one column of a table (blank: the whole table), that rules read and the export doesn't have, or has
    without a row."""

    table: str
    column: str
    rules: tuple[str, ...]

    @property
    def of_register(self) -> bool:
        """Whether no export has it: what happened to signed records is known to a register."""
        return self.table == ALTERATIONS.name

    @property
    def name(self) -> str:
        """`tasks.ppe_worn`, or the table's name; `alterations` come from a register, not an export."""
        if self.of_register:
            return f"{self.table} (known to a register)"
        return f"{self.table}.{self.column}" if self.column else self.table


@dataclass(frozen=True, eq=False)
class AuditResult:
    """Everything an audit found."""

    version: str
    as_of: pd.Timestamp
    export_name: str
    rules: tuple[Rule, ...]
    """In the order in which all lists have them."""
    rule_files: tuple[InputFile, ...]
    inputs: tuple[InputFile, ...]
    """Name, SHA-256 and size of what was read, as of rule files and settings."""
    rows: Mapping[str, RowCount]
    records: RecordUse
    findings: pd.DataFrame
    """Columns FINDING_COLUMNS, ROW_COLUMNS and, where requested, PLACE_COLUMNS, ordered by level, rule, aircraft, at,
    id; with a register STANDING_COLUMNS."""
    unjudged: pd.DataFrame
    """Columns UNJUDGED_COLUMNS."""
    coverage: pd.DataFrame
    """Columns COVERAGE_COLUMNS: a row for each rule."""
    quarantine: pd.DataFrame
    """Columns table, file, line, column, value, reason."""
    settings: tuple[Setting, ...] = ()
    """Every value of a rule that may be set, and where it comes from."""
    settings_files: tuple[InputFile, ...] = ()
    not_in_export: tuple[str, ...] = ()
    """The aircraft that settings have at a base and the export doesn't know."""
    season_not_set: tuple[str, ...] = ()
    """The aircraft that work in the other hemisphere than a rule's season is of, and that no settings have at a
    base."""
    corrections: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(CORRECTED_ENTRY_COLUMNS)))
    """Columns CORRECTED_ENTRY_COLUMNS: the entries that were corrected."""
    flight_clock: FlightClock | None = None
    """What speaks against reading flight times without a zone as UTC, where much does."""
    absent: tuple[Absent, ...] = ()
    """What rules read and the export lacks."""
    empty: tuple[Absent, ...] = ()
    """The tables that it has without a row."""
    other_words: tuple[OtherWords, ...] = ()
    """What lists may say in words of the export's own."""
    beside: tuple[str, ...] = ()
    """The files called nearly as a table is that were not read."""
    health: Health | None = None
    """None where nobody asked whether the export is complete."""
    reconciled: tuple[FileReconciled, ...] = ()
    """Every row of every file accounted for."""
    explanations: tuple[Explanation, ...] = ()
    """What each rule checks and why."""
    stories: tuple[Story, ...] = ()
    """The first matters, to be drawn."""
    margins: Mapping[str, tuple[Margins, ...]] = field(default_factory=dict)
    """For each rule with a limit on time or use, how near to it the judged subjects came."""
    newest: pd.Timestamp | None = None
    """When the last task record or flight by the as-of time began."""
    faults: pd.DataFrame = field(default_factory=no_rejects)
    """As `quarantine`: the cells that can't be read in audited rows."""
    near_names: tuple[NearPair, ...] = ()
    """The nearly equal names."""
    standing: Standing | None = None
    """What a register says of the run; None without one."""
    dropped: pd.DataFrame = field(default_factory=no_rejects)
    """As `quarantine`: the rows that a mapping leaves out."""
    coming: DueList | None = None
    """What comes next; None where nobody wants to know."""
    trends: Trends | None = None
    """Where it drifts; None where nobody wants to know."""
    drilled: LastDrill | None = None
    """What the last drill showed, where one is given."""

    @property
    def matters(self) -> Ints:
        """The number of the matter of each finding: what one person puts right at one go."""
        return matter_of(self.findings)

    @property
    def distances(self) -> pd.Series[float]:
        """How far each finding is from its limit, as a share of the limit."""
        return distance(self.findings)

    @property
    def silent_days(self) -> int:
        """How many days before the as-of time the records end; 0 where that is no more than MOST_SILENT_DAYS."""
        days = 0 if self.newest is None else (self.as_of - self.newest).days
        return days if days > MOST_SILENT_DAYS else 0

    @property
    def nothing_judged(self) -> bool:
        """True where no subject of any rule complied or broke it: silence is not a pass."""
        judged = self.coverage["complies"] + self.coverage["findings"]
        return not bool((judged > 0).any())
