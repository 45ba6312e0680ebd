"""Why no fault can be planted: each reason in an export in which it is the reason."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from audit.authoring.examples import example_export, example_rows
from audit.forms import form_of
from audit.forms.judging import every_subject
from audit.intake.reading import read_rows
from audit.language.rule import Example
from audit.planting.planting import NotPlantable, Side, Spot
from audit.timeline.timeline import build_timeline
from tests.forms.rules import RULES, rule

GLOSS, PREP = {"product_class": {"is": "gloss-coating"}}, {"product_class": {"is": "surface-prep"}}
COAT = {"product": "gloss-coating", "started_at": "2025-06-02T12:00:00Z", "finished_at": "2025-06-02T12:20:00Z"}
PREPARED = {"product": "surface-prep", "started_at": "2025-06-02T11:00:00Z", "finished_at": "2025-06-02T11:30:00Z"}
FLOWN = {"takeoff_at": "2025-06-02T08:00:00Z", "landing_at": "2025-06-02T09:00:00Z", "destination": "S1"}
LATER = {"takeoff_at": "2025-06-02T14:00:00Z", "landing_at": "2025-06-02T15:00:00Z", "destination": "S1"}
NOWHERE: dict[str, Any] = {"components": [{"installed_at": "2025-06-03T00:00:00Z"}]}
ELSEWHERE = rule("overlap", between=["tasks", "stays"], same=["aircraft"], differing=["station"])
TWO_STATIONS = [{"station": name, "timezone": "UTC"} for name in ("S1", "S2")]


def refused(data: dict[str, Any], side: Side, **tables: Any) -> list[str]:
    """Why nothing can be planted at the first record, by each way in which the rule can be broken."""
    example = Example.model_validate({"name": "n", "expect": "complies", **tables})
    asked = RULES.validate_python(data)
    timeline = build_timeline(example_export(example), pd.Timestamp("2025-06-04T00:00:00Z"))
    every = every_subject(asked, timeline)
    case = every[every["subject"] == 0].to_dict("records")[0]
    plant, found = form_of(asked).plant(asked, timeline), []
    for turn in range(2):
        try:
            plant(Spot(case, side, "new", turn))  # type: ignore[arg-type]
        except NotPlantable as reason:
            found.append(str(reason))
    return found


@pytest.mark.parametrize(
    ("data", "side", "tables", "expected"),
    [
        pytest.param(
            rule("interval", scope=GLOSS, at_most={"days": 10}),
            "outside",
            {"tasks": [COAT], **NOWHERE},
            "no boot is known there",
            id="interval: no boot",
        ),
        pytest.param(
            rule("interval", scope=GLOSS, at_most={"days": 10}),
            "outside",
            {
                "tasks": [COAT],
                "flights": [FLOWN],
                "components": [
                    {"removed_at": "2025-06-03T00:00:00Z"},
                    {"aircraft": "A2", "installed_at": "2025-06-03T00:00:00Z"},
                ],
            },
            "the boot was not at its place then",
            id="interval: moved since",
        ),
        pytest.param(
            rule("interval", scope=GLOSS, at_most={"days": 10}),
            "outside",
            {
                "tasks": [
                    COAT,
                    COAT
                    | {"work_order": "W0", "started_at": "2025-05-28T12:00:00Z", "finished_at": "2025-05-28T12:20:00Z"},
                ],
                "flights": [FLOWN],
            },
            "another treatment comes after that",
            id="interval: treated in between",
        ),
        pytest.param(
            rule("record", require={"component.material": {"is": "chloroprene"}}),
            "outside",
            {"tasks": [COAT], **NOWHERE},
            "no boot is known there",
            id="record: no boot",
        ),
        pytest.param(
            rule("hold", scope=GLOSS, forbid={"event": "takeoff"}, until=PREP),
            "outside",
            {"tasks": [COAT, PREPARED | {"started_at": "2025-06-02T12:10:00Z", "finished_at": "2025-06-02T12:15:00Z"}]},
            "the treatment that ends the hold began before the work ended",
            id="hold: released before it began",
        ),
        pytest.param(
            ELSEWHERE,
            "outside",
            {"tasks": [COAT], "flights": [FLOWN]},
            "there is no other station",
            id="overlap: one station",
        ),
        pytest.param(
            rule("overlap", between=["tasks", "stays"], same=["station"], differing=["aircraft"]),
            "outside",
            {"tasks": [COAT], "flights": [FLOWN]},
            "only the station of a record is changed",
            id="overlap: another aircraft",
        ),
        pytest.param(
            ELSEWHERE,
            "outside",
            {"tasks": [COAT], "flights": [LATER]},
            "no flight brought the aircraft there before",
            id="overlap: no stay",
        ),
        pytest.param(
            ELSEWHERE,
            "inside",
            {"tasks": [COAT, COAT | {"station": "S2", "aircraft": "A2"}], "flights": [FLOWN], "stations": TWO_STATIONS},
            "the aircraft took off no more",
            id="overlap: still there",
        ),
        pytest.param(
            rule("precede", scope=GLOSS, needs=PREP, broken_by=[{"event": "takeoff"}]),
            "outside",
            {"tasks": [COAT, PREPARED | {"finished_at": "2025-06-02T12:00:00Z"}], "flights": [FLOWN]},
            "no time is left in between",
            id="precede: no time",
        ),
        pytest.param(
            rule("precede", scope=GLOSS, needs=PREP, within="PT2H", broken_by=[{"event": "takeoff"}]),
            "inside",
            {
                "tasks": [COAT, PREPARED],
                "flights": [FLOWN | {"takeoff_at": "2025-06-02T10:30:00Z", "landing_at": "2025-06-02T10:50:00Z"}],
            },
            "the aircraft took off in between",
            id="precede: flown in between",
        ),
        pytest.param(
            rule("count", scope=GLOSS, coats={"at_least": 2}),
            "outside",
            {"tasks": [COAT | {"coat": 1}, COAT | {"coat": 2}, COAT | {"coats": 2}]},
            "without a coat there is no session",
            id="count: other coats",
        ),
        pytest.param(
            rule("spacing", scope=GLOSS, pause={"at_most": "PT10M"}),
            "outside",
            {
                "tasks": [
                    COAT | {"product": None},
                    COAT | {"started_at": "2025-06-02T12:25:00Z", "finished_at": "2025-06-02T12:30:00Z"},
                ]
            },
            "it is not known that both are coats",
            id="spacing: perhaps a coat",
        ),
        pytest.param(
            rule("hold", scope=GLOSS, forbid={"event": "takeoff"}, **{"for": "PT10M"}),
            "outside",
            {"tasks": [COAT], "flights": [FLOWN | {"landing_at": "2025-06-02T13:00:00Z"}]},
            "the aircraft was in the air",
            id="hold: in the air",
        ),
        pytest.param(
            rule("hold", scope=GLOSS, forbid={"event": "takeoff"}, **{"for": "PT10M"}),
            "inside",
            {"tasks": [COAT], "components": [{"removed_at": "2025-06-02T12:30:00Z"}]},
            "the boot was taken off before",
            id="hold: taken off as it ends",
        ),
    ],
)
def test_why_nothing_is_planted(data: dict[str, Any], side: Side, tables: dict[str, Any], expected: str) -> None:
    assert expected in refused(data, side, **tables)


@pytest.mark.parametrize(
    ("data", "tasks", "cell"),
    [
        pytest.param(rule("precede", scope=GLOSS, needs=PREP), [COAT, PREPARED], ("tasks", "status"), id="precede"),
        pytest.param(
            rule("count", scope=GLOSS, coats={"at_least": 2}),
            [COAT | {"coat": 1}, COAT | {"coat": 2, "finished_at": "2025-06-02T12:30:00Z"}],
            ("tasks", "status"),
            id="coats",
        ),
        pytest.param(
            rule("count", scope=GLOSS, sessions={"at_least": 1}, season={"from": "06-01", "to": "06-30"}),
            [COAT],
            ("tasks", "status"),
            id="sessions",
        ),
        pytest.param(
            rule("interval", scope=GLOSS, at_most={"cycles": 3}), [COAT], ("flights", "cycles"), id="interval: cycles"
        ),
    ],
)
@pytest.mark.parametrize("supplied", [True, False])
def test_nothing_is_planted_in_a_column_that_the_export_lacks(
    data: dict[str, Any], tasks: list[dict[str, Any]], cell: tuple[str, str], supplied: bool
) -> None:
    """The records would stay what they are, and the rule seem to miss the fault."""
    flights = [FLOWN | {"cycles": 1}, LATER | {"cycles": 1}]
    tables = example_rows(
        Example.model_validate({"name": "n", "expect": "complies", "tasks": tasks, "flights": flights})
    )
    table, column = cell
    if not supplied:
        tables[table] = [{name: text for name, text in row.items() if name != column} for row in tables[table]]
    timeline = build_timeline(read_rows(tables), pd.Timestamp("2025-07-04T00:00:00Z"))
    asked = RULES.validate_python(data)
    case = every_subject(asked, timeline).to_dict("records")[-1]
    spot, plant = Spot(case, "outside", "new", 0), form_of(asked).plant(asked, timeline)  # type: ignore[arg-type]
    if supplied:
        assert [edit for edit in plant(spot).edits if edit.table == table and column in edit.cells]
        return
    with pytest.raises(NotPlantable, match=f"column not supplied: {table}.{column}"):
        plant(spot)
