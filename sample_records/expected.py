"""What an audit must make of the story, worked out from what was planted, never by auditing.

Times are UTC, durations and flight hours in hours. There is one finding a task record in the record
form, one a session (of one position) in the hold form, one a work order and position in the order
form, one a segment in the interval form. Findings of the record and order forms measure nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from fractions import Fraction
from typing import Literal

from sample_records.logbook import CURE, Boot, Correction, Flight, Logbook, Task
from sample_records.reference import TREATMENT_LIMIT

Rule = Literal[
    "preservative-on-wrong-material",
    "flight-before-cure",
    "product-before-cure",
    "ice-adhesion-treatment-not-last",
    "ppe-sign-off-missing",
    "ppe-short-of-hazards",
    "ice-adhesion-treatment-overdue",
    "product-not-approved",
    "material-not-identified",
    "recorded-material-differs",
    "surroundings-not-masked",
    "surface-prep-missing",
    "prep-not-rinsed-and-dried",
    "build-up-soak-not-timed",
    "cleaner-soak-not-timed",
    "preservative-coats-wrong",
    "gloss-coats-wrong",
    "preservative-coats-badly-spaced",
    "gloss-coats-badly-spaced",
    "gloss-over-unstripped",
    "product-not-shaken",
    "treatment-not-one-light-coat",
    "ice-adhesion-treatment-covered",
    "ice-adhesion-treatment-never-done",
    "work-not-described",
    "performer-not-named",
    "certifier-not-named",
    "signature-missing",
    "certificate-missing",
    "manual-not-cited",
    "manual-not-listed",
    "manual-not-in-force",
    "certifier-not-authorised",
    "performer-not-authorised",
    "performer-not-authorised-for-act",
    "certificate-differs",
    "signed-before-finished",
    "signed-long-after",
    "finished-before-started",
    "work-time-implausible",
    "lot-expired",
    "lot-unknown",
    "lot-used-before-opened",
    "component-serial-differs",
    "work-while-airborne",
    "work-while-elsewhere",
    "person-at-two-stations",
    "person-at-two-aircraft",
    "flights-overlap",
    "two-components-at-one-position",
    "record-entered-twice",
    "correction-without-reason",
    "correction-not-signed",
    "correction-not-authorised",
    "correction-does-not-fit",
    "correction-before-signature",
    "correction-moves-time",
]
Reason = Literal[
    "value missing",
    "ambiguous time",
    "which came first is not known",
    "no boot known at that time",
    "two boots recorded at that position",
    "work still open",
    "a row in quarantine",
    "flights are missing in the log",
    "still running at the as-of time",
    "the job may still be going on",
    "the record ends before it starts",
]
RejectKind = Literal[
    "duplicate key",
    "impossible wall-clock time",
    "implausible time",
    "not a number",
    "not in the list",
    "required value missing",
    "landing before takeoff",
    "a correction that does not fit",
    "said otherwise under the same key",
]
Record = Task | Flight | Correction


@dataclass(frozen=True)
class Finding:
    """A row of expected_findings.csv."""

    rule: Rule
    aircraft: str
    position: str
    work_order: str
    task_id: str
    flight_id: str
    at: datetime
    measured: str = ""
    limit: str = ""
    unit: str = ""
    entry_corrected_by: str = ""


@dataclass(frozen=True)
class Unjudged:
    """A row of expected_outcomes.csv: a subject that can't be judged, and why."""

    rule: Rule
    aircraft: str
    position: str
    work_order: str
    task_id: str
    reason: Reason
    flight_id: str = ""


@dataclass(frozen=True)
class Reject:
    """A row of expected_quarantine.csv, or of expected_faults.csv where the cell isn't needed and its row is audited.

    Its line is known once the table is written.
    """

    record: Record
    column: str
    kind: RejectKind

    @property
    def audited(self) -> bool:
        """Whether the row is audited all the same, without the cell."""
        return self.kind in ("not a number", "a correction that does not fit", "said otherwise under the same key")


@dataclass(frozen=True)
class Planted:
    """One thing planted: what happened, its records, and what the audit must say."""

    rules: tuple[Rule, ...]
    what: str
    records: tuple[Record, ...]
    findings: tuple[Finding, ...] = ()
    unjudged: tuple[Unjudged, ...] = ()
    rejects: tuple[Reject, ...] = ()


def fault(what: str, records: Iterable[Record], *findings: Sequence[Finding]) -> Planted:
    """Something that must be found."""
    found = tuple(finding for group in findings for finding in group)
    return Planted(_rules(found), what, tuple(records), findings=found)


def near_miss(what: str, records: Iterable[Record], *rules: Rule) -> Planted:
    """Something that looks like a fault of these rules and must not be found."""
    return Planted(rules, what, tuple(records))


def cannot_tell(what: str, records: Iterable[Record], *unjudged: Sequence[Unjudged]) -> Planted:
    """Something that can't be judged."""
    unsure = tuple(subject for group in unjudged for subject in group)
    return Planted(_rules(unsure), what, tuple(records), unjudged=unsure)


def reject(what: str, records: Sequence[Record], column: str, kind: RejectKind) -> Planted:
    """Rows that must be set aside, or audited without a cell that can't be read."""
    return Planted((), what, tuple(records), rejects=tuple(Reject(record, column, kind) for record in records))


def _rules(outcomes: Sequence[Finding | Unjudged]) -> tuple[Rule, ...]:
    return tuple(dict.fromkeys(outcome.rule for outcome in outcomes))


def _decimal(number: Fraction) -> str:
    """A number with as many decimals as it has, four at most."""
    return f"{float(number):.4f}".rstrip("0").rstrip(".")


def _hours(duration: timedelta) -> str:
    return _decimal(Fraction(duration // timedelta(minutes=1), 60))


# -- findings -------------------------------------------------------------------------------------


def wrong_boot(*records: Task, failing: Sequence[str]) -> list[Finding]:
    """Preservative on a boot that it isn't for: one finding a record, naming the positions."""
    return [
        Finding(
            "preservative-on-wrong-material",
            record.aircraft,
            "; ".join(failing),
            record.work_order,
            record.task_id,
            "",
            record.started_at,
        )
        for record in records
    ]


def flown_uncured(coats: Sequence[Task], flight: Flight) -> list[Finding]:
    """A takeoff too early: one finding a position, at the first takeoff after the last coat."""
    last = coats[-1]
    return [
        Finding(
            "flight-before-cure",
            last.aircraft,
            position,
            last.work_order,
            last.task_id,
            flight.flight_id,
            flight.takeoff_at,
            _hours(flight.takeoff_at - last.finished_at),
            _hours(CURE),
            "h",
        )
        for position in last.positions
    ]


def covered_uncured(coats: Sequence[Task], other: Task, moved_to: str = "") -> list[Finding]:
    """Another product too early, `other` its first record: one finding a position, where the boot has moved or not."""
    last = coats[-1]
    return [
        Finding(
            "product-before-cure",
            last.aircraft,
            position,
            last.work_order,
            last.task_id,
            "",
            other.started_at,
            _hours(other.started_at - last.finished_at),
            _hours(CURE),
            "h",
        )
        for position in last.positions
        if (moved_to or position) in other.positions
    ]


def not_last(treatment: Task, other: Task) -> list[Finding]:
    """Another product after the treatment, `other` its last record: one finding a position."""
    return [
        Finding(
            "ice-adhesion-treatment-not-last",
            other.aircraft,
            position,
            other.work_order,
            other.task_id,
            "",
            other.started_at,
        )
        for position in treatment.positions
        if position in other.positions
    ]


def unprotected(record: Task) -> list[Finding]:
    """Gloves or eye protection not recorded as worn: too little for any product, and for each hazard of these."""
    return [*broken("ppe-sign-off-missing", record), *broken("ppe-short-of-hazards", record)]


def broken(rule: Rule, record: Task) -> list[Finding]:
    """A record that breaks a rule about records at every position that it names."""
    return [
        Finding(
            rule,
            record.aircraft,
            record.position,
            record.work_order,
            record.task_id,
            "",
            record.started_at,
        )
    ]


def broken_by(rule: Rule, made: Correction) -> list[Finding]:
    """A correction that breaks a rule about corrections."""
    task = made.task
    return [Finding(rule, task.aircraft, task.position, task.work_order, task.task_id, "", made.made_at)]


def as_first_made(findings: Sequence[Finding], made: Correction) -> list[Finding]:
    """What the record as first made is at fault for, and as corrected is not."""
    return [replace(finding, entry_corrected_by=made.correction_id) for finding in findings]


def overdue(book: Logbook, *positions: str) -> list[Finding]:
    """Too many hours up to now: one finding a boot, at the flight that went over the limit."""
    findings = []
    for position in positions:
        segment = book.segments[position]
        assert segment.exceeded_by, f"{book.aircraft.mark} {position}: {segment.tenths} tenths isn't overdue"
        findings.append(
            Finding(
                "ice-adhesion-treatment-overdue",
                book.aircraft.mark,
                position,
                segment.since.work_order if segment.since else "",
                segment.since.task_id if segment.since else "",
                segment.exceeded_by.flight_id,
                segment.exceeded_by.takeoff_at,
                _decimal(Fraction(segment.tenths, 10)),
                _decimal(Fraction(TREATMENT_LIMIT, 10)),
                "flight hours",
            )
        )
    return findings


def miscounted(rule: Rule, coats: Sequence[Task], limit: int) -> list[Finding]:
    """Too few or too many coats: one finding a position, at the end of the last."""
    last = coats[-1]
    return [
        Finding(
            rule,
            last.aircraft,
            position,
            last.work_order,
            last.task_id,
            "",
            last.finished_at,
            str(len(coats)),
            str(limit),
            "coats",
        )
        for position in last.positions
    ]


def badly_spaced(rule: Rule, first: Task, second: Task, limit: int) -> list[Finding]:
    """Too short or long a pause (limit in minutes) between two coats: one finding a position, at the second."""
    pause = Fraction((second.started_at - first.finished_at) // timedelta(minutes=1))
    return [
        Finding(
            rule,
            second.aircraft,
            position,
            second.work_order,
            second.task_id,
            "",
            second.started_at,
            _decimal(pause),
            str(limit),
            "min",
        )
        for position in second.positions
    ]


def unprepared(rule: Rule, first: Task, last_needed: Task | None) -> list[Finding]:
    """A session without what it needs before it: one finding a position, with the hours since it was last done."""
    since = "" if last_needed is None else _hours(first.started_at - last_needed.finished_at)
    return [
        Finding(rule, first.aircraft, position, first.work_order, first.task_id, "", first.started_at, since, "", "h")
        for position in first.positions
    ]


def covered_and_flown(last: Task, flight: Flight, *positions: str) -> list[Finding]:
    """A takeoff with something over the treatment, `last` its last record: one finding a position."""
    return [
        Finding(
            "ice-adhesion-treatment-covered",
            last.aircraft,
            position,
            last.work_order,
            last.task_id,
            flight.flight_id,
            flight.takeoff_at,
            _hours(flight.takeoff_at - last.finished_at),
            "",
            "h",
        )
        for position in positions or last.positions
    ]


def never_treated(boot: Boot, first_flight: Flight) -> list[Finding]:
    """A boot that came off untreated, at its removal, with its first flight in the season."""
    assert boot.removed_at
    return [
        Finding(
            "ice-adhesion-treatment-never-done",
            boot.aircraft,
            boot.position,
            "",
            "",
            first_flight.flight_id,
            boot.removed_at,
            "0",
            "1",
            "treatments",
        )
    ]


def contradicted(
    rule: Rule, record: Record, at: datetime, overlap: timedelta, flight: Flight | None = None
) -> list[Finding]:
    """Two things that can't both be true, known by the record that begins later, from when, and for how long."""
    task = record if isinstance(record, Task) else None
    return [
        Finding(
            rule,
            record.aircraft,
            task.position if task else "",
            task.work_order if task else "",
            task.task_id if task else "",
            flight.flight_id if flight else "",
            at,
            _hours(overlap),
            "0",
            "h",
        )
    ]


def two_boots(old: Boot, new: Boot) -> list[Finding]:
    """Two boots recorded at one position, from when the new one is there until the old one is gone."""
    assert old.removed_at
    overlap = _hours(old.removed_at - new.installed_at)
    return [
        Finding(
            "two-components-at-one-position",
            new.aircraft,
            new.position,
            "",
            "",
            "",
            new.installed_at,
            overlap,
            "0",
            "h",
        )
    ]


# -- what can't be judged -------------------------------------------------------------------------


def unsure(rule: Rule, record: Task, reason: Reason) -> list[Unjudged]:
    """A subject that can't be judged, known by the record that it is or that ends it."""
    return [Unjudged(rule, record.aircraft, record.position, record.work_order, record.task_id, reason)]


def unsure_flight(rule: Rule, flight: Flight, reason: Reason) -> list[Unjudged]:
    """A flight that can't be judged."""
    return [Unjudged(rule, flight.aircraft, "", "", "", reason, flight.flight_id)]


def pauses_unknown(record: Task) -> list[Unjudged]:
    """One record for all coats of preservative shows no pause: one subject a position."""
    return [
        Unjudged(
            "preservative-coats-badly-spaced",
            record.aircraft,
            position,
            record.work_order,
            record.task_id,
            "value missing",
        )
        for position in record.positions
    ]


def of_unknown_class(record: Task) -> list[Unjudged]:
    """A product of no known class, applied out of season, might be any: what depends on the class can't be judged."""
    rules: tuple[Rule, ...] = (
        "preservative-on-wrong-material",
        "flight-before-cure",
        "product-before-cure",
        "ice-adhesion-treatment-not-last",
        "surface-prep-missing",
        "preservative-coats-wrong",
        "gloss-coats-wrong",
        "gloss-over-unstripped",
        "treatment-not-one-light-coat",
        # A blank product is none that could be approved, shaken or do harm; one that isn't listed may be.
        *(("product-not-approved", "product-not-shaken", "ppe-short-of-hazards") if record.product else ()),
    )
    return [subject for rule in rules for subject in unsure(rule, record, "value missing")]
