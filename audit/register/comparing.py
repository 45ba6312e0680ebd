"""Tonight's findings against what the register knows: new, still, back; and why what was open is not found."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import Any, Final, Literal

import pandas as pd

from audit.errors import InternalError
from audit.findings.result import OPEN, AuditResult, Rule
from audit.findings.standing import CLEARED, GONE_COLUMNS, Change
from audit.register.seeing import Seen
from audit.register.states import Known

Outcome = Literal["complies", "finding", "unjudged", "not there"]
OutcomeNow = Callable[[str, Sequence[str]], Mapping[str, Outcome]]
"""What became of findings of a rule, by their ids: the rule's id and the ids in, an outcome for each out."""

RECORD_MISSING: Final = "record missing"
QUARANTINED: Final = "quarantined"
UNJUDGED: Final = "unjudged"
RULE_CHANGED: Final = "rule changed"
RULE_NOT_RUN: Final = "rule not run"
OUT_OF_TIME: Final = "out of time"
NOT_WHOLE: Final = "export not whole"

_PROSE: Final = ("title", "level", "basis", "why", "put_right", "warning", "message", "corrected_by", "examples")
"""What a rule says without judging anything by it."""


@dataclass(frozen=True, eq=False)
class Night:
    """What an audit brings to a register.

    `outcome_now` says what became of findings.
    `task_ids`, `flight_ids` and `aircraft` are all that the export has, in any table; `set_aside` and
    `flights_set_aside` are the task records and flights in quarantine.
    `seen` is what its task records say beside those that the register knows, and `reading` names the mapping and the
    program's version that read them.
    `earlier` is the latest as-of time of the runs before, None where there is none.
    """

    result: AuditResult
    outcome_now: OutcomeNow
    task_ids: Collection[str]
    set_aside: Collection[str]
    flight_ids: Collection[str]
    flights_set_aside: Collection[str]
    aircraft: Collection[str]
    earlier: datetime | None
    seen: Seen
    reading: str

    @cached_property
    def digests(self) -> Mapping[str, str]:
        """The digest of each rule that was run."""
        return {rule.id: rule_digest(rule, self.result.version) for rule in self.result.rules}

    @cached_property
    def unjudged(self) -> frozenset[tuple[str, str, str]]:
        """The rule, the record and the position, blank where it isn't known, of what could not be judged."""
        told = self.result.unjudged
        named = zip(*(told[name].fillna("") for name in ("rule", "task_id", "position")), strict=True)
        return frozenset((rule, task, position) for rule, task, position in named if task)

    @property
    def as_of(self) -> datetime:
        """The time that the audit looks back from."""
        return self.result.as_of.to_pydatetime()

    @property
    def not_whole(self) -> bool:
        """Whether something says that the export is not whole; that nobody asked says nothing."""
        return self.result.health is not None and self.result.health.failed


def keys_of(findings: pd.DataFrame) -> list[str]:
    """The full ids, by which a register knows findings; outputs show their first digits."""
    keys: list[str] = findings["key" if "key" in findings else "finding_id"].tolist()
    return keys


def rule_digest(rule: Rule, version: str) -> str:
    """A digest of all that a rule judges by: what it asks, with the settings over it, and the program's version."""
    asked = rule.model_dump(mode="json", exclude=set(_PROSE))
    return hashlib.sha256(json.dumps([version, asked], sort_keys=True).encode()).hexdigest()[:16]


@dataclass(frozen=True, eq=False)
class Compared:
    """`changes` by finding; rows to be added to the register's findings, their flights and verdicts; `gone`
    (GONE_COLUMNS), by their full ids."""

    changes: Mapping[str, Change]
    findings: list[dict[str, Any]]
    flights: list[dict[str, Any]]
    verdicts: list[dict[str, Any]]
    gone: pd.DataFrame


def compare(known: Mapping[str, Known], night: Night, decided_before: Collection[str]) -> Compared:
    """Compare tonight's findings with those known; `decided_before` are those that a decision no longer covers."""
    findings = night.result.findings
    columns = (keys_of(findings), *(findings[name].tolist() for name in ("rule", "level", "state")))
    found = list(zip(*columns, strict=True))
    ids = [row[0] for row in found]
    if len(set(ids)) < len(ids):
        raise InternalError("two findings have one id")
    changes: dict[str, Change] = {}
    verdicts = []
    for finding, rule, level, state in found:
        before = known.get(finding)
        changes[finding] = _change(before, state, finding in decided_before)
        now = {"state": state, "why": "", "level": level, "rule_digest": night.digests[rule]}
        # Rows are only ever added: one for each time that a verdict changed.
        if before is None or any(getattr(before, name) != value for name, value in now.items()):
            verdicts.append({"finding": finding} | now)
    new = [place for place, finding in enumerate(ids) if finding not in known]
    rows = []
    for was, why in _gone([one for one in known.values() if one.state == OPEN and one.finding not in changes], night):
        # What was gone last night for the same reason has been told since then.
        changed = why != was.why
        if changed:
            state = CLEARED if why == CLEARED else OPEN
            same = {name: getattr(was, name) for name in ("finding", "level", "rule_digest")}
            verdicts.append(same | {"state": state, "why": "" if state == CLEARED else why})
        since = night.as_of if changed else was.since
        place = (was.aircraft, was.position, was.work_order, was.task_id)
        rows.append((was.finding, was.rule, was.level, *place, why, since))
    gone = pd.DataFrame(sorted(rows), columns=list(GONE_COLUMNS))
    gone["since"] = pd.to_datetime(gone["since"], utc=True).astype("datetime64[us, UTC]")
    flights = [
        {"finding": finding, "flight_id": str(flight)}
        for finding, flight in zip(ids, findings["flight_id"].tolist(), strict=True)
        if flight and not pd.isna(flight) and not (finding in known and known[finding].flight_id)
    ]
    return Compared(changes, list(_first_seen(findings.iloc[new])), flights, verdicts, gone)


def _change(before: Known | None, state: str, was_decided: bool) -> Change:
    if before is None:
        return "new"
    back = state == OPEN and (before.state != OPEN or was_decided)
    return "back" if back else "still"


def _first_seen(findings: pd.DataFrame) -> Iterator[dict[str, Any]]:
    names = ("rule", "aircraft", "position", "work_order", "task_id", "station", "message")
    ids, at = keys_of(findings), findings["at"].tolist()
    columns = [["" if pd.isna(cell) else str(cell) for cell in findings[name].tolist()] for name in names]
    for finding, when, *cells in zip(ids, at, *columns, strict=True):
        instant = None if pd.isna(when) else when.to_pydatetime()
        yield {"finding": finding, "at": instant} | dict(zip(names, cells, strict=True))


def _gone(missing: Sequence[Known], night: Night) -> Iterator[tuple[Known, str]]:
    """Each finding that was open and is not found, with why."""
    asked: dict[str, list[str]] = {}
    for one in missing:
        if one.rule in night.digests:
            asked.setdefault(one.rule, []).append(one.finding)
    outcomes: dict[str, Outcome] = {}
    for rule, ids in asked.items():
        outcomes |= night.outcome_now(rule, ids)
    for one in missing:
        outcome = outcomes.get(one.finding, "not there")
        # What its record is part of may go by another name now, as where its product isn't known any more.
        names = ((one.rule, one.task_id, place) for place in (one.position, ""))
        if outcome == "not there" and any(name in night.unjudged for name in names):
            outcome = "unjudged"
        yield one, _why(one, night, outcome)


def _why(was: Known, night: Night, outcome: Outcome) -> str:
    """Why a finding that was open is not found; only what was judged again, by the same rule, may be cleared."""
    if was.rule not in night.digests:
        return RULE_NOT_RUN
    if was.at is not None and was.at > night.as_of:
        return OUT_OF_TIME
    if outcome == "finding":
        raise InternalError(f"{was.finding} is a finding of {was.rule}, and not among those found")
    if outcome == "unjudged":
        return UNJUDGED
    # A session may comply because the flight, or the record, that broke the rule is not exported any more.
    if lost := _lost(was, night):
        return lost
    # An audit as of an earlier time than one before it sees less of the records: what it doesn't find is not put right.
    if night.earlier is not None and night.as_of < night.earlier:
        return OUT_OF_TIME
    if was.rule_digest != night.digests[was.rule]:
        return RULE_CHANGED
    if night.not_whole:
        return NOT_WHOLE
    return CLEARED if outcome == "complies" else RECORD_MISSING


def _lost(was: Known, night: Night) -> str:
    """What became of a record or flight that the export doesn't have among those audited; blank where it has all."""
    # A finding that names no record is lost with its aircraft.
    named = (
        (was.task_id, night.task_ids, night.set_aside),
        (was.flight_id, night.flight_ids, night.flights_set_aside),
        ("" if was.task_id else was.aircraft, night.aircraft, ()),
    )
    for name, there, set_aside in named:
        if name and name in set_aside:
            return QUARANTINED
        if name and name not in there:
            return RECORD_MISSING
    return ""
