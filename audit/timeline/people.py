"""People: what the signatory of a record held on its day."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from audit.timeline.certificates import certificates
from audit.timeline.codes import MISSING, coded, codes_in, names_of
from audit.timeline.column_values import NEARLY, Values, blank, not_exported, not_supplied, reasoned, shared
from audit.timeline.days import local_day
from audit.timeline.instants import DAY, FOREVER, NEVER, Bools, Ints, Order, micros
from audit.timeline.timeline import Timeline
from audit.timeline.vocabulary import VOCABULARY


def of_signatory(timeline: Timeline, name: str, prefix: str, column: str, rows: Ints) -> Values:
    """What the people table says of the performer or certifier of each record."""

    def looked_up(rows: Ints) -> Values:
        if prefix == "performer":
            return of_person(timeline, name, column, "performed_by", rows, timeline.times["started_at"][rows])
        when = signed(timeline, rows)
        unreadable = np.isin(rows, timeline.unreadable.get(("tasks", "signed_at"), ()))
        latest = np.where(unreadable, np.maximum(when, timeline.as_of), when) if unreadable.any() else None
        return of_person(timeline, name, column, "certified_by", rows, when, latest)

    return shared(timeline, name, rows, looked_up)


def signed(timeline: Timeline, rows: Ints) -> Ints:
    """When each record was signed; where it doesn't say, when its work ended."""
    finished = timeline.times["finished_at"][rows]
    if "signed_at" not in timeline.times:
        return finished
    signed = timeline.times["signed_at"][rows]
    return np.where(signed == NEVER, finished, signed)


def of_person(
    timeline: Timeline,
    name: str,
    column: str,
    signature: str,
    rows: Ints,
    instants: Ints,
    latest: Ints | None = None,
) -> Values:
    """What the people table says of the signatory on the day of an instant, by the clock of the record's station.

    Several valid entries are joined by `; `. Where the day may be a later one, up to `latest`, and what is held changes
    until then, it is undecidable.
    """
    if not timeline.supplied("people"):
        return not_supplied(name, "people", len(rows))
    if signature not in timeline.tasks:
        return not_exported(name, len(rows), signature)
    people = timeline.tables["people"]
    for part in _parts(column):
        if part not in people:
            return not_exported(name, len(rows), f"{name.partition('.')[0]}.{part}")
    names = names_of((people["person"], timeline.tasks[signature]))
    person = codes_in(names, timeline.tasks[signature])[rows]
    history = _Holdings.of(people, codes_in(names, people["person"]), column)
    day = local_day(timeline, rows, instants)
    codes = history.on(person, day)
    changes = history.changes(person, day, day if latest is None else local_day(timeline, rows, latest))
    several = np.isin(rows, timeline.several_names.get(("tasks", signature), ()))
    near = timeline.near_names.get(("person", "people"), frozenset())
    alike = np.array([*(str(one) in near for one in names), False])[person]
    unread, aside = _unreadable_entries(timeline, _parts(column)), timeline.aside["people"]
    # An entry that can't be read, or was set aside, may be of this person and say something else.
    unclear = _valid_then(names, unread, person, day) | _valid_then(names, aside, person, day)
    # Without the last day of validity nobody knows whether what began still held.
    endless = (codes != MISSING) & ("valid_to" not in people)
    ended = _valid_then(names, _unreadable_entries(timeline, ["valid_to"]), person, day)
    otherwise = several | alike | unclear | changes
    reasons, why = reasoned(
        (several, f"{signature} names several people"),
        (alike, f"{signature} {NEARLY} people"),
        (person == MISSING, blank(signature)),
        (unclear | ended, "an entry of people that can't be read may say otherwise"),
        (endless, "column not supplied: people.valid_to"),
        (changes, "can't be read: signed_at"),
        otherwise=f"{signature} holds nothing valid on that day",
    )
    return Values(
        kind=VOCABULARY[name].kind,
        codes=codes,
        names=history.names,
        numbers=None,
        missing=(codes == MISSING) | several | alike,
        undecidable=otherwise | endless | ended,
        reasons=reasons,
        why=why,
        shorter=(endless | ended) & ~otherwise,
    )


def _unreadable_entries(timeline: Timeline, columns: Iterable[str]) -> pd.DataFrame:
    """The entries of people of which one of the columns can't be read."""
    none: Ints = np.empty(0, np.int64)
    rows = [timeline.unreadable.get(("people", column), none) for column in columns]
    return timeline.tables["people"].iloc[np.unique(np.concatenate(rows)).astype(np.int64)]


def _valid_then(names: pd.Index, entries: pd.DataFrame, person: Ints, day: Ints) -> Bools:
    """Whether one of the entries is of each person, or may be since it names nobody, and valid on a day."""
    owner = codes_in(names, entries["person"])
    # Of somebody whom nothing else names it says nothing of those who are asked about.
    told = np.flatnonzero((owner != MISSING) | entries["person"].isna())
    first, after = _valid(entries.iloc[told])
    owner = owner[told] + 1  # nobody is 0
    begun, ended = Order.of(owner, first), Order.of(owner, after)
    found = np.zeros(len(person), bool)
    # First what names the person, then what names nobody.
    for who in (person + 1, np.zeros(len(person), np.int64)):
        found |= begun.until(who, day) > ended.until(who, day)
    found[person == MISSING] = False
    return found


def _valid(people: pd.DataFrame) -> tuple[Ints, Ints]:
    """The first day of each entry, and the day after its last."""
    after = np.full(len(people), FOREVER)
    if "valid_to" in people:
        valid_to = micros(people["valid_to"])
        after = np.where(valid_to == NEVER, FOREVER, np.floor_divide(valid_to, DAY) + 1)
    return np.floor_divide(micros(people["valid_from"]), DAY), after


@dataclass(frozen=True)
class _Holdings:
    """What people hold from each day on which that changes, in order of (person, day).

    `held` are codes into `names`; the last of them, of no turn, is MISSING.
    """

    turns: Order
    owner: Ints
    held: Ints
    names: pd.Index

    @classmethod
    def of(cls, people: pd.DataFrame, owner: Ints, column: str) -> _Holdings:
        """A column of the people table, each row of which is of an `owner`, by code; several valid ones as one text."""
        first, after = _valid(people)
        said = _entries(people, column)
        # What somebody holds changes on the first day of an entry, and on the day after its last.
        by_owner: dict[int, list[int]] = {}
        for row, code in enumerate(owner.tolist()):
            by_owner.setdefault(code, []).append(row)
        ends = np.flatnonzero(after != FOREVER)
        turns = Order.of(np.concatenate((owner, owner[ends])), np.concatenate((first, after[ends])))
        turn_owner = np.concatenate((owner, owner[ends]))[turns.row]
        turn_day = np.concatenate((first, after[ends]))[turns.row]
        texts = [
            "; ".join(sorted({said[row] for row in by_owner[code] if first[row] <= day < after[row]} - {""}))
            for code, day in zip(turn_owner.tolist(), turn_day.tolist(), strict=True)
        ]
        return cls(turns, turn_owner, *coded(texts))

    def on(self, person: Ints, day: Ints) -> Ints:
        """What each person held on a day, MISSING where nothing."""
        turn = self.turns.until(person, day) - 1
        inside = np.maximum(turn, 0)
        none = (turn < 0) | (np.append(self.owner, MISSING)[inside] != person) | (person == MISSING)
        return np.where(none, MISSING, self.held[inside]).astype(np.int32)

    def changes(self, person: Ints, day: Ints, until: Ints) -> Bools:
        """Whether what each person held on a day became something else until a later one."""
        held, found = self.on(person, day), np.zeros(len(person), bool)
        first, last = (self.turns.until(person, one) for one in (day, until))
        for row in np.flatnonzero(last > first).tolist():
            found[row] = (self.held[first[row] : last[row]] != held[row]).any()
        return found


def _parts(column: str) -> tuple[str, ...]:
    """The columns of the people table of which one is made: `certificates` are numbers with their kinds."""
    return ("certificate_number", "certificate_kind") if column == "certificates" else (column,)


def _entries(people: pd.DataFrame, column: str) -> list[str]:
    """A column of the people table, blank where missing."""
    parts = [people[name].astype("str").where(people[name].notna(), "").tolist() for name in _parts(column)]
    return [certificates(*pair) for pair in zip(*parts, strict=True)] if len(parts) > 1 else parts[0]
