"""How conditions of a record are broken, or just met, for a drill: the values, and the cells they are written to."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any, Final

import numpy as np
import pandas as pd

from audit.figures import figure
from audit.intake.tables import READ_BY_RULES
from audit.language.condition import Conditions, Needed, OtherColumn, codes_of
from audit.language.in_words import label_of
from audit.planting.planting import Cells, NotPlantable, Planted, Planter, Spot, cell, written
from audit.timeline.column_values import Values
from audit.timeline.days import local_day, work_day
from audit.timeline.instants import DAY, MINUTE, NEVER, SECOND, Ints, instant, micros, stamp
from audit.timeline.people import signed
from audit.timeline.records import values
from audit.timeline.subjects import looked_at
from audit.timeline.timeline import Timeline
from audit.timeline.vocabulary import VOCABULARY

_LISTS: Final = {
    "product": ("products", {"product": "product"}, "product"),
    "lot": ("lots", {"lot": "lot", "product": "product"}, "lot"),
    "manual": ("manuals", {"manual": "manual", "revision": "manual_revision"}, "revision"),
}
"""Lists that a record is joined with: table, the record's column for each of its own, and which gets a new name."""
_PEOPLE: Final = {"performer": "performed_by", "certifier": "certified_by", "corrector": "made_by"}
_MADE: Final = {"work_minutes": ("started_at", "finished_at"), "signed_after_minutes": ("finished_at", "signed_at")}
"""Columns that are worked out: from which time on they count, and up to which."""
_KEPT: Final = ("action", "work_date", "position_count", "position", "product", "station", "aircraft", "work_order")
"""What makes a record the one that it is: of a comparison, the other side is changed."""
_STEPS: Final = {"at_least": (0, -1), "at_most": (0, 1), "before": (-1, 0), "after": (1, 0)}
"""Steps from the limit at which a condition just holds, and just doesn't."""
_FLIPPED: Final = {"at_least": "at_most", "at_most": "at_least", "before": "after", "after": "before"}


def breaker(conditions: Conditions, timeline: Timeline, of: str) -> Planter:
    """Break one of the conditions of each subject (inside: just meet it), in turn; `of` is the subjects' table."""
    about = looked_at(timeline, of)
    ways = list(_asked(conditions))

    def plant(spot: Spot) -> Planted:
        turn, way = divmod(spot.turn, len(ways) + bool(conditions.any_of))
        writer = _Writer(about, of, spot, turn)
        if way < len(ways):
            writer.condition(*ways[way], broken=spot.outside)
        else:
            writer.alternatives(conditions.any_of)
        return Planted(", ".join(writer.said), writer.cells.edits)

    return plant


def _asked(conditions: Conditions) -> Iterator[tuple[str, str, Any]]:
    """Each column with an operator that is asked of it, and the operand."""
    for name, condition in conditions.columns.items():
        yield from ((name, operator, operand) for operator, operand in condition.operators())


@dataclass
class _Writer:
    """The cells that are written for one subject, and what they say."""

    timeline: Timeline
    of: str
    spot: Spot
    turn: int

    def __post_init__(self) -> None:
        self.cells = Cells()
        self.said: list[str] = []
        self.row = np.array([self.spot["subject"]])
        self.component = np.array([self.spot["component"]])
        [self.subject], [self.record] = self.row.tolist(), self.timeline.record(self.row).tolist()

    def alternatives(self, alternatives: Sequence[Conditions]) -> None:
        """Break all alternatives, of which one would do; inside, just meet the last one."""
        for number, one in enumerate(alternatives):
            broken = self.spot.outside or number < len(alternatives) - 1
            if one.any_of or not one.columns:
                raise NotPlantable("its alternatives have alternatives of their own")
            # One condition that fails is enough.
            for name, operator, operand in islice(_asked(one), 1 if broken else None):
                self.condition(name, operator, operand, broken)

    def condition(self, name: str, operator: str, operand: Any, broken: bool) -> None:
        """Write what breaks a condition on one column, or just meets it."""
        if isinstance(operand, OtherColumn) and name in _KEPT and operand.column not in _KEPT:
            # The left side stays: the right one is made not to fit it.
            left = self._known(name)
            if operator in ("in_", "not_in"):
                fits = broken != (operator == "in_")
                other = [one for one in VOCABULARY[name].column.choices if one != left.text(0)] or [self.spot.name]
                self.write(operand.column, left.text(0) if fits else other[self.turn % len(other)])
                return
            operand, name, operator = left, operand.column, _FLIPPED.get(operator, operator)
        elif isinstance(operand, OtherColumn):
            if operand.column.startswith("component.") and not broken and self._text("position_count") != "1":
                raise NotPlantable("what it says would have to fit several boots")
            operand = self._known(operand.column)
        self.write(name, self._value(name, operator, operand, broken))

    def _value(self, name: str, operator: str, operand: Any, broken: bool) -> str:
        now = self._text(name)
        if operator == "present":
            return "" if broken == bool(operand) else now or self._some(name, ())
        if operator == "includes_all":
            return "; ".join(self._list(codes_of(now), operand, broken))
        if operator in _STEPS:
            return self._ordered(name, operator, operand, broken)
        allowed = self._texts(operand)
        if (operator in ("is_", "in_")) != broken:
            return now if now in allowed else allowed[self.turn % len(allowed)]
        return now if now and now not in allowed and not broken else self._some(name, allowed)

    def _texts(self, operand: Any) -> list[str]:
        """The values that an operand names, as text."""
        if isinstance(operand, Values):
            return list(codes_of(operand.text(0))) if operand.kind == "codes" else [operand.text(0)]
        return [str(one) for one in operand] if isinstance(operand, tuple) else [str(operand)]

    def _some(self, name: str, other_than: Sequence[str]) -> str:
        """Some value of a column, other than these."""
        column = VOCABULARY[name].column
        kind = column.kind
        if kind in ("time", "date", "number", "count"):
            known = [float(one) for one in other_than if _is_number(one)]
            return figure(max(known, default=0) + 1) if kind in ("number", "count") else _date(self._day())
        found = column.choices
        if not found:
            names = self._values(name).names
            found = () if names is None or kind == "codes" else tuple(sorted(map(str, names)))
        others = [one for one in found if one not in other_than]
        return others[self.turn % len(others)] if others else self.spot.name

    def _day(self) -> int:
        """The day of the record's work."""
        return int(work_day(self.timeline, self.row)[0])

    def _list(self, there: Sequence[str], operand: Any, broken: bool) -> list[str]:
        """The codes of a list that lacks one of what is required, or has all of it."""
        if isinstance(operand, Needed):
            asking = codes_of(self._text(operand.column))
            required: list[tuple[str, ...]] = [(one,) for one in operand.always]
            required += [one for code in asking for one in operand.by.needs.get(code, ())]
        else:
            required = [(one,) for one in operand]
        if not broken:
            lacking = [one[0] for one in required if not set(one) & set(there)]
            return [*there, *lacking]
        gone = required[self.turn % len(required)]
        # A list with nothing in it would be a blank cell, which tells nothing.
        return [one for one in there if one not in gone] or [self.spot.name]

    def _ordered(self, name: str, operator: str, operand: Any, broken: bool) -> str:
        """The limit itself, or a step to the side of it on which the condition is broken, or holds."""
        kind = VOCABULARY[name].kind
        # Days and counts go in whole ones, times in seconds, other numbers in hundredths.
        steps = _STEPS[operator][broken]
        if kind in ("number", "count"):
            step = 1.0 if kind == "count" else SECOND / MINUTE if name.endswith("_minutes") else 0.01
            return repr(self._limit(operand) + steps * step)
        if isinstance(operand, Values):
            limit, by_day = int(self._limit(operand)), operand.kind == "date"
        else:
            limit, by_day = _moment(str(operand)), len(str(operand)) == len("2024-01-31")
        at = limit + steps * (DAY if by_day or kind == "date" else SECOND)
        return _date(at // DAY) if kind == "date" else written(at)

    def _limit(self, operand: Any) -> Any:
        if not isinstance(operand, Values):
            return float(operand)
        assert operand.numbers is not None
        return operand.numbers[0]

    def _values(self, name: str) -> Values:
        """A column of the subject; those of the record itself are worked out for all subjects at once."""
        if name.startswith("component."):
            return values(self.timeline, name, self.row, self.component)
        every = self.timeline.memo(
            ("for all", name), lambda: values(self.timeline, name, np.arange(len(self.timeline.tasks)))
        )
        return every[self.row]

    def _known(self, name: str) -> Values:
        found = self._values(name)
        if found.missing[0]:
            raise NotPlantable(f"{label_of(name)} is not known")
        return found

    def _text(self, name: str) -> str:
        return self._values(name).text(0)

    def write(self, name: str, value: str) -> None:
        """Write the value of a column to where it comes from: the record, the boot, or a list."""
        # A certificate is its number and its kind, of which the number is changed.
        shown = (
            figure(float(value)) if _is_number(value) else self.spot.name if value and name == "certificate" else value
        )
        self.said.append(f"{label_of(name)}: {shown or 'blank'}")
        prefix, _, column = name.partition(".")
        if not column:
            self._write_own(name, value)
        elif prefix == "component":
            if self.component[0] < 0:
                raise NotPlantable("no boot is known there")
            self.cells.write("components", int(self.component[0]), {column: value})
        elif prefix == "correction":
            self._write_correction(column, value)
        elif prefix in _LISTS:
            self._write_listed(prefix, column, value)
        elif prefix in _PEOPLE:
            self._write_person(prefix, column, value)
        else:
            raise NotPlantable("only a register knows what happened to signed records, and nothing planted reaches one")

    def _write_own(self, name: str, value: str) -> None:
        if name in _MADE:
            since, until = _MADE[name]
            began = int(self.timeline.times[since][self.subject])
            if began == NEVER:
                raise NotPlantable(f"{label_of(since)} is not known")
            self.cells.write("tasks", self.record, {until: written(began + round(float(value) * MINUTE))})
        elif name == "certificate":
            if value != self._text(name):
                self.cells.write("tasks", self.record, {"certificate_number": value and self.spot.name})
        elif name == "product_class":
            self._write_listed("product", name, value)
        elif name in READ_BY_RULES["tasks"].columns:
            whole = READ_BY_RULES["tasks"].columns[name].kind == "count" and value
            self.cells.write("tasks", self.record, {name: str(round(float(value))) if whole else value})
        else:
            raise NotPlantable(f"{label_of(name)} is worked out from what makes the record what it is")

    def _write_correction(self, column: str, value: str) -> None:
        """A cell of the correction; of another column it says that the record was corrected to what it has."""
        row = self.subject
        if column == "state":
            if value == "does not fit":
                was, now = self._others(self._text("correction.column"))
                self.cells.write("corrections", row, {"was": was, "now": now})
            return
        self.cells.write("corrections", row, {column: value})
        if column == "column":
            now = self._own_text(value)
            self.cells.write("corrections", row, {"was": self._others(value)[0], "now": now})

    def _others(self, column: str) -> tuple[str, str]:
        """Two values of a column of task records that this record doesn't have."""
        found, now = READ_BY_RULES["tasks"].columns[column], self._own_text(column)
        if found.kind == "time":
            return written(self._began() - 8 * DAY), written(self._began() - 9 * DAY)
        if found.kind in ("number", "count"):
            one, two, *_ = (text for text in ("1", "2", "3") if text not in (now, now.removesuffix(".0")))
            return one, two
        one, two, *_ = [each for each in found.choices if each != now] or (f"{self.spot.name}-1", f"{self.spot.name}-2")
        return one, two

    def _own_text(self, column: str) -> str:
        """What the task record says in a column, as canonical text."""
        if column in self.timeline.times:
            at = int(self.timeline.times[column][self.subject])
            return "" if at == NEVER else written(at)
        return self._text(column) if column in self.timeline.tasks else ""

    def _began(self) -> int:
        return int(self.timeline.times["started_at"][self.subject])

    def _write_listed(self, prefix: str, column: str, value: str) -> None:
        """A row of its own in a list, like that which the record names; of what says that it is listed, none."""
        table, named_by, renamed = _LISTS[prefix]
        of_record = named_by[renamed]
        if column == renamed:
            if not value or value != self._text(f"{prefix}.{column}"):
                self.cells.write("tasks", self.record, {of_record: self.spot.name})
            return
        [row] = self._rows(table, {own: self._of_record(theirs) for own, theirs in named_by.items()})[-1:]
        self.cells.write(table, row, {renamed: self.spot.name, column: value}, copy=0)
        self.cells.write("tasks", self.record, {of_record: self.spot.name})
        if prefix == "product" and (lot := self._of_record("lot")):
            for other in self._rows("lots", {"lot": lot, "product": self._of_record("product")}, least=0):
                self.cells.write("lots", other, {"product": self.spot.name}, copy=0)

    def _write_person(self, prefix: str, column: str, value: str) -> None:
        """A person of its own, like the one that the record names, with other authorisations or certificates."""
        table, owner = ("corrections", self.subject) if prefix == "corrector" else ("tasks", self.record)
        name = cell(self.timeline, table, _PEOPLE[prefix], owner)
        entries = self._rows("people", {"person": name})
        day = self._day_of(prefix)
        people = self.timeline.tables["people"]
        first = micros(people["valid_from"])[entries] // DAY
        valid = [row for row, since in zip(entries, first.tolist(), strict=True) if since <= day] or entries
        # Like the entry that holds on the day, or else like the last: what it lacks is all that changes.
        row = valid[-1]
        self.cells.write(table, owner, {_PEOPLE[prefix]: self.spot.name})
        # What is valid from the day itself is valid on it; from the next day on it is not.
        since = _date(day if value else day + 1)
        if column == "authorisation":
            for number, code in enumerate(codes_of(value) or [""]):
                other = {"authorisation": code} if code else {}
                entry = {"person": self.spot.name, "valid_from": since, "valid_to": ""}
                self.cells.write("people", row, entry | other, copy=number)
            return
        cells = {} if column == "certificates" else {column: value}
        if column == "certificates" and not value:
            cells = {"certificate_number": ""}
        entry = {"person": self.spot.name, "valid_from": _date(day), "valid_to": ""}
        self.cells.write("people", row, entry | cells, copy=0)

    def _day_of(self, prefix: str) -> int:
        if prefix == "performer":
            return self._day()
        if prefix == "corrector":
            at = micros(self.timeline.tasks["correction.made_at"])[self.row]
        else:
            at = signed(self.timeline, self.row)
        return int(local_day(self.timeline, self.row, at)[0])

    def _of_record(self, column: str) -> str:
        return cell(self.timeline, "tasks", column, self.record)

    def _rows(self, table: str, named: dict[str, str], least: int = 1) -> list[int]:
        """The rows of a list that have these names."""
        frame = self.timeline.tables.get(table)
        found: Ints = np.empty(0, np.int64)
        if frame is not None and all(column in frame for column in named):
            there = np.logical_and.reduce([(frame[column] == name).to_numpy(bool) for column, name in named.items()])
            found = np.flatnonzero(there)
        if len(found) < least:
            raise NotPlantable(f"{' '.join(filter(None, named.values())) or 'what it names'} is not listed in {table}")
        return [int(row) for row in found]


def _moment(text: str) -> int:
    moment = pd.Timestamp(text)
    return instant(moment.tz_localize("UTC") if moment.tzinfo is None else moment)


def _date(day: int) -> str:
    return f"{stamp(day * DAY):%Y-%m-%d}"


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
