"""The records that a rule selects, by position, against plain loops, in small fleets drawn by chance."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import pytest

from audit.evidence.doubt import CERTAIN, Rank, Why, reasons_of
from audit.evidence.treatments import (
    NEARLY_THIS,
    OPEN_RECORD,
    UNREADABLE_RECORD,
    begun_between,
    possible,
    treatments,
)
from audit.language.condition import Conditions
from audit.timeline.components import NOT_CLEAR, TWO_RECORDED
from audit.timeline.instants import NEVER
from audit.timeline.timeline import Timeline
from tests.evidence.fleets import GRID, fleet

GLOSS: dict[str, Any] = {"product_class": {"is": "gloss-coating"}}
SCOPES: dict[str, dict[str, Any]] = {
    "any": {"action": {"is": "apply"}},
    "by product": GLOSS,
    "by boot": {"component.finish": {"is": "black"}},
    "by product and boot": {"component.finish": {"is": "black"}, **GLOSS},
}


def cell(timeline: Timeline, column: str, row: int) -> str:
    value = timeline.tasks[column].iloc[row]
    return value if isinstance(value, str) else ""


def places(timeline: Timeline, row: int) -> list[tuple[int, bool]]:
    """The places at which a record was work, and whether they are on an aircraft that it doesn't name."""
    history, width = timeline.components, timeline.unknown_position + 1
    names = [str(name) for name in timeline.position_names]
    fleet = {one for one in (*timeline.aircraft, *timeline.aircraft_of(history.place)) if one >= 0}
    order = cell(timeline, "work_order", row)
    own = int(timeline.aircraft[row])
    if own == -1 and row < timeline.audited:
        return []
    if own == -1:
        of_job = [
            other for other in range(len(timeline.tasks)) if order and cell(timeline, "work_order", other) == order
        ]
        crafts = {int(timeline.aircraft[other]) for other in of_job} - {-1} or fleet
    else:
        written = [str(name).replace("-", "") for name in timeline.aircraft_names]
        crafts = {craft for craft in fleet if written[craft] == written[own]}
    found = []
    for craft in crafts:
        began, text = timeline.times["started_at"][row], cell(timeline, "position", row)
        if text == "all":
            there = {
                int(place) % width
                for place, since, until in zip(history.place, history.installed, history.removed, strict=True)
                if place // width == craft and since <= began < until
            }
        else:
            there = {names.index(part.strip()) for part in text.split(";") if part.strip()}
        found += [(craft * width + position, craft != own) for position in there or {timeline.unknown_position}]
    return found


def truth(timeline: Timeline, scope: dict[str, Any], row: int, component: int) -> tuple[bool, Why | None]:
    """Whether a record may be in scope, and why that isn't sure."""
    reasons = []

    def lacks(column: str, said: str) -> None:
        # What a record that was set aside lacks is not known to be missing.
        reasons.append(f"can't be read: {column}" if row >= timeline.audited else said)

    if "product_class" in scope:
        product = cell(timeline, "product", row)
        if product in ("", "unheard-of"):
            lacks("product_class", "product not listed in products" if product else "value missing: product")
        elif product != "gloss-coating":
            return False, None
    if "component.finish" in scope:
        finish = "" if component < 0 else timeline.tables["components"]["finish"].iloc[component]
        if component == TWO_RECORDED:
            reasons.append("two boots recorded at that position and time")
        elif component == NOT_CLEAR:
            reasons.append("which boot was at that position and time is not known")
        elif component < 0:
            lacks("component.finish", "no boot known at that position and time")
        elif not isinstance(finish, str):
            lacks("component.finish", "value missing: component.finish")
        elif finish != "black":
            return False, None
    return True, (Rank.RECORD, reasons[0]) if reasons else None


@pytest.mark.parametrize("name", SCOPES)
@pytest.mark.parametrize("seed", range(6))
def test_each_record_at_each_of_its_places(seed: int, name: str) -> None:
    """Done, or perhaps: still open, set aside, or on an aircraft that it doesn't name; and in scope, or perhaps."""
    timeline, scope = fleet(seed, written_otherwise=seed % 2 == 1), SCOPES[name]
    reasons, history = reasons_of(timeline), timeline.components
    found = treatments(timeline, Conditions.model_validate(scope))
    expected: Counter[tuple[Any, ...]] = Counter()
    rows = [(row, True) for row in timeline.rows.tolist()] + [(row, False) for row in timeline.perhaps.tolist()]
    for row, done in rows:
        for place, elsewhere in places(timeline, row):
            began = timeline.times["started_at"][[row]]
            component = timeline.component_at(np.array([place]), began)
            may, why = truth(timeline, scope, row, int(component[0]))
            if not may:
                continue
            if not done:
                why = why or (UNREADABLE_RECORD if row >= timeline.audited else OPEN_RECORD)
            why = why or (NEARLY_THIS if elsewhere else None)
            boot = int(history.boot_of(component, began)[0])
            doubt = CERTAIN if why is None else reasons.number(*why)
            expected[row, place, int(component[0]), boot, doubt, done and not elsewhere] += 1
    columns = [column.tolist() for column in vars(found).values()]
    assert Counter(zip(*columns, strict=True)) == expected


@pytest.mark.parametrize("name", SCOPES)
@pytest.mark.parametrize("written_otherwise", [False, True])
def test_records_that_may_be_selected(name: str, written_otherwise: bool) -> None:
    """What is done and may be in scope, whatever boot it was; and of these what began in a window of its aircraft, and
    all of aircraft that are written in two ways."""
    timeline, scope = fleet(0, written_otherwise), SCOPES[name]
    in_two_ways = [str(one) in ("A1", "A-1") and written_otherwise for one in timeline.aircraft_names]
    of_record = {column: condition for column, condition in scope.items() if not column.startswith("component.")}
    rows = possible(timeline, Conditions.model_validate(scope))
    assert rows.tolist() == [row for row in timeline.rows.tolist() if truth(timeline, of_record, row, 0)[0]]
    for opens, closes in zip(GRID[::3], GRID[2::2], strict=False):
        for second in (NEVER, GRID[5]):
            aircraft, begins = np.array([0, 1, 0]), np.array([opens, second, GRID[8]])
            ends = np.array([closes, GRID[9], GRID[8]])
            spans = list(zip(aircraft.tolist(), begins.tolist(), ends.tolist(), strict=True))
            assert begun_between(timeline, rows, aircraft, begins, ends).tolist() == [
                row
                for row in rows.tolist()
                if (in_two_ways[timeline.aircraft[row]] and any(since < until for _, since, until in spans))
                or any(
                    craft == timeline.aircraft[row] and since <= timeline.times["started_at"][row] < until
                    for craft, since, until in spans
                )
            ]
