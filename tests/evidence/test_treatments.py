"""What each form shows of a case: the reason, the evidence and the figures, row by row.

Every scenario has records of another aircraft before the ones that matter, so that no row number is 0 by chance.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from audit.authoring.examples import as_of_example, example_export
from audit.evidence.treatments import Candidates
from audit.forms.judging import judge_rule
from audit.forms.outcomes import cases
from audit.language.rule import Example
from audit.timeline.instants import NEVER
from audit.timeline.timeline import Timeline, build_timeline
from tests.forms.rules import RULES, rule

NOTHING = cases(1).iloc[0]
INTERNAL = ("other_subject", "named_by", "named_at", "window")
NOT_KNOWN = "which boot was at that position and time is not known"
"""Columns that identify a subject and show nothing of it."""


def shown(data: dict[str, Any], as_of: str | None = None, **tables: Any) -> list[dict[str, Any]]:
    """The cases of a rule with names for row numbers, what doesn't apply left out."""
    example = Example.model_validate({"name": "n", "expect": "complies", **tables})
    export = example_export(example)
    timeline = build_timeline(export, as_of_example(example, export) if as_of is None else pd.Timestamp(as_of))
    found = judge_rule(RULES.validate_python(data), timeline).cases
    other = "flights" if {"flights", "stays"} & set(data.get("between", ())) else "tasks"
    return [_named(timeline, row, other) for row in found.to_dict("records")]


def _named(timeline: Timeline, case: dict[str, Any], other: str) -> dict[str, Any]:
    named = {}
    for column, value in case.items():
        if column in INTERNAL or (column != "finding" and (value == NOTHING[column] or value != value)):
            continue
        match column:
            case "other" if other == "flights":
                value = str(timeline.tables["flights"]["flight_id"].iloc[value])
            case "subject" | "task" | "other" if value >= 0:
                value = str(timeline.tasks["task_id"].iloc[value])
            case "flight":
                value = str(timeline.tables["flights"]["flight_id"].iloc[value])
            case "component":
                value = str(timeline.tables["components"]["component_serial"].iloc[value])
            case "at" | "anchor":
                value = f"{pd.Timestamp(value, unit='us'):%m-%d %H:%M}"
            case "place":
                place = np.array([value])
                aircraft = timeline.aircraft_names[timeline.aircraft_of(place)[0]]
                position = int(timeline.position_of(place)[0])
                names = [*map(str, timeline.position_names), "?"]
                value = f"{aircraft} {names[position]}"
            case "measured" | "limit":
                value = round(float(value), 3)
            case _:
                pass
        named[column] = value
    return named


OTHER = {"aircraft": "A0", "work_order": "W0", "product": "cleaner", "started_at": "2025-06-01T00:00:00Z"}
BOOTS = [
    {"component_serial": "C0", "aircraft": "A0"},
    {},
    {"component_serial": "C2", "position": "right wing", "finish": "silver"},
]
AWAY = {"aircraft": "A0", "takeoff_at": "2025-06-01T12:00:00Z"}
GLOSS = {"product_class": {"is": "gloss-coating"}}


def gloss(time: str, **more: Any) -> dict[str, Any]:
    return {"product": "gloss-coating", "started_at": f"2025-06-02T{time}:00Z", **more}


PREP = {"product_class": {"is": "surface-prep"}}
CLEANED = {"product_class": {"is": "cleaner"}}
UNHEARD = {"product": "unheard-of", "position": "right wing"}


def at(time: str, **more: Any) -> dict[str, Any]:
    return {"started_at": f"2025-06-02T{time}:00Z", **more}


def off(time: str, **more: Any) -> dict[str, Any]:
    return {"takeoff_at": f"2025-06-{time}:00Z", **more}


SCENES: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
    "record": (
        rule("record", scope=GLOSS, require={"lot": {"is": "L1"}}),
        {"tasks": [OTHER, gloss("09:00", lot="L2"), gloss("10:00"), at("11:00", product="unheard-of")]},
    ),
    "record by position": (
        rule("record", scope=GLOSS, require={"component.finish": {"is": "black"}}),
        {
            "tasks": [
                OTHER,
                gloss("09:00", position="left wing; right wing"),
                gloss("10:00", position="right wing; tail"),
                gloss("11:00", position="tail"),
            ]
        },
    ),
    "hold": (
        rule("hold", scope=GLOSS, forbid={"event": "takeoff"}, **{"for": "PT3H"}),
        {
            "tasks": [OTHER, gloss("09:00"), gloss("09:20"), at("08:00", **UNHEARD, work_order="W2")],
            "flights": [AWAY, off("02T08:50"), off("02T11:00")],
        },
    ),
    "hold against work": (
        rule("hold", scope=GLOSS, forbid={"event": "treatment", "where": CLEANED}, **{"for": "PT3H"}),
        {
            "tasks": [
                OTHER,
                gloss("09:00"),
                gloss("09:20"),
                at("11:00", product="cleaner", work_order="W2"),
                gloss("09:00", position="right wing"),
                at("11:30", **UNHEARD, work_order="W2"),
            ]
        },
    ),
    "order": (
        rule("order", scope=GLOSS, must_be="last", among=CLEANED),
        {
            "tasks": [
                OTHER,
                gloss("09:00"),
                at("11:00", product="cleaner"),
                gloss("09:00", position="right wing"),
                at("09:00", product="cleaner", position="right wing"),
            ]
        },
    ),
    "precede": (
        rule("precede", scope=GLOSS, within="PT2H", needs=PREP),
        {
            "tasks": [
                OTHER,
                at("06:00", product="surface-prep"),
                gloss("09:00"),
                gloss("09:30"),
                gloss("09:00", position="right wing", work_order="W3"),
                gloss("10:00", position="right wing", work_order="W2"),
                at("09:30", **UNHEARD),
            ]
        },
    ),
    "interval": (
        rule("interval", scope=GLOSS, at_most={"flight_hours": 5}),
        {
            "as_of": "2025-06-09T00:00:00Z",
            "tasks": [
                OTHER,
                gloss("09:00"),
                gloss("11:00", position="right wing"),
                {**UNHEARD, "work_order": "W2", "started_at": "2025-06-05T11:00:00Z"},
            ],
            "flights": [AWAY, *(off(f"0{day}T12:00", flight_hours=2) for day in (3, 4, 5, 6))],
        },
    ),
    "count": (
        rule("count", scope=GLOSS, coats={"at_least": 2}),
        {"tasks": [OTHER, gloss("09:00", coat=1), gloss("11:00", position="right wing")]},
    ),
    "count of too many": (
        rule("count", scope=GLOSS, coats={"at_most": 1}),
        {"tasks": [OTHER, gloss("09:00", coat=1), gloss("10:00", coat=2), gloss("11:00", position="right wing")]},
    ),
    "count in a season": (
        rule("count", scope=GLOSS, sessions={"at_least": 1}, season={"from": "06-02", "to": "06-05"}),
        {
            "as_of": "2025-06-09T00:00:00Z",
            "tasks": [OTHER, {**UNHEARD, "started_at": "2025-06-04T11:00:00Z"}],
            "flights": [AWAY, off("03T00:00")],
        },
    ),
    "spacing": (
        rule("spacing", scope=GLOSS, pause={"at_least": "PT5M", "at_most": "PT15M"}),
        {
            "tasks": [
                OTHER,
                gloss("09:00", coat=1),
                gloss("09:12", coat=2),
                gloss("09:40", coat=3),
                gloss("10:30", coat=5),
                gloss("11:00", position="right wing", coats=2),
            ]
        },
    ),
    "overlap": (
        rule("overlap", between=["tasks", "tasks"], same=["performed_by"], differing=["station"]),
        {"tasks": [OTHER, gloss("09:00"), gloss("09:05", station="S2"), gloss("09:08", performed_by=None)]},
    ),
    "overlap with flights": (
        rule("overlap", between=["tasks", "flights"], same=["aircraft"]),
        {"tasks": [OTHER, gloss("09:00"), gloss("09:05", station="S2")], "flights": [AWAY, off("02T09:04")]},
    ),
    "overlap with stays": (
        rule("overlap", between=["tasks", "stays"], same=["aircraft"], differing=["station"]),
        {
            "tasks": [OTHER, gloss("09:00"), gloss("09:05", station="S2")],
            "flights": [AWAY, off("02T04:00", destination="S1"), off("03T04:00")],
        },
    ),
}

EXPECTED: dict[str, list[dict[str, Any]]] = {
    "record": [
        {"finding": True, "subject": "T2", "task": "T2", "at": "06-02 09:00"},
        {"finding": False, "reason": "value missing: lot", "subject": "T3", "task": "T3", "at": "06-02 10:00"},
        {
            "finding": False,
            "reason": "product not listed in products",
            "subject": "T4",
            "task": "T4",
            "at": "06-02 11:00",
        },
    ],
    "record by position": [
        {
            "finding": True,
            "subject": "T2",
            "task": "T2",
            "component": "C2",
            "at": "06-02 09:00",
            "detail": "right wing",
        },
        {
            "finding": True,
            "subject": "T3",
            "task": "T3",
            "component": "C2",
            "at": "06-02 10:00",
            "detail": "right wing",
        },
        {
            "finding": False,
            "reason": "no boot known at that position and time",
            "subject": "T4",
            "task": "T4",
            "at": "06-02 11:00",
        },
    ],
    "hold": [
        {
            "finding": True,
            "subject": "T2",
            "task": "T3",
            "place": "A1 left wing",
            "component": "C1",
            "flight": "F3",
            "at": "06-02 11:00",
            "anchor": "06-02 09:30",
            "measured": 1.5,
            "limit": 3.0,
            "unit": "h",
        },
        {
            "finding": False,
            "reason": "product not listed in products",
            "subject": "T4",
            "task": "T4",
            "place": "A1 right wing",
            "component": "C2",
            "at": "06-02 08:10",
            "anchor": "06-02 08:10",
        },
    ],
    "hold against work": [
        {
            "finding": True,
            "subject": "T2",
            "task": "T3",
            "other": "T4",
            "place": "A1 left wing",
            "component": "C1",
            "at": "06-02 11:00",
            "anchor": "06-02 09:30",
            "measured": 1.5,
            "limit": 3.0,
            "unit": "h",
        },
        {
            "finding": False,
            "reason": "product not listed in products",
            "subject": "T5",
            "task": "T5",
            "place": "A1 right wing",
            "component": "C2",
            "at": "06-02 09:10",
            "anchor": "06-02 09:10",
        },
        {
            "finding": False,
            "reason": "product not listed in products",
            "subject": "T6",
            "task": "T6",
            "place": "A1 right wing",
            "component": "C2",
            "at": "06-02 11:40",
            "anchor": "06-02 11:40",
        },
    ],
    "order": [
        {
            "finding": True,
            "subject": "T2",
            "task": "T3",
            "place": "A1 left wing",
            "component": "C1",
            "at": "06-02 11:00",
            "anchor": "06-02 09:00",
        },
        {
            "finding": False,
            "reason": "which came first is not known: both started at the same time",
            "subject": "T4",
            "task": "T4",
            "place": "A1 right wing",
            "at": "06-02 09:00",
            "anchor": "06-02 09:00",
        },
    ],
    "precede": [
        {
            "finding": True,
            "subject": "T3",
            "task": "T3",
            "place": "A1 left wing",
            "component": "C1",
            "at": "06-02 09:00",
            "anchor": "06-02 06:10",
            "measured": 2.833,
            "limit": 2.0,
            "unit": "h",
        },
        {
            "finding": True,
            "subject": "T5",
            "task": "T5",
            "place": "A1 right wing",
            "component": "C2",
            "at": "06-02 09:00",
            "limit": 2.0,
            "unit": "h",
        },
        {
            "finding": False,
            "reason": "product not listed in products",
            "subject": "T7",
            "task": "T7",
            "place": "A1 right wing",
            "component": "C2",
            "at": "06-02 09:30",
        },
        {
            "finding": False,
            "reason": "product not listed in products",
            "subject": "T6",
            "task": "T6",
            "place": "A1 right wing",
            "component": "C2",
            "at": "06-02 10:00",
        },
    ],
    "interval": [
        {
            "finding": True,
            "subject": "T2",
            "task": "T2",
            "place": "A1 left wing",
            "component": "C1",
            "flight": "F4",
            "at": "06-05 12:00",
            "anchor": "06-02 09:10",
            "measured": 8.0,
            "limit": 5.0,
            "unit": "flight hours",
        },
        {
            "finding": False,
            "reason": "product not listed in products",
            "subject": "T3",
            "task": "T3",
            "place": "A1 right wing",
            "component": "C2",
            "at": "06-02 11:10",
            "anchor": "06-02 11:10",
        },
    ],
    "count": [
        {
            "finding": True,
            "subject": "T2",
            "task": "T2",
            "place": "A1 left wing",
            "component": "C1",
            "at": "06-02 09:10",
            "measured": 1.0,
            "limit": 2.0,
            "unit": "coats",
        },
        {
            "finding": False,
            "reason": "value missing: coat",
            "subject": "T3",
            "task": "T3",
            "place": "A1 right wing",
            "component": "C2",
            "at": "06-02 11:10",
        },
    ],
    "count of too many": [
        {
            "finding": True,
            "subject": "T2",
            "task": "T3",
            "place": "A1 left wing",
            "component": "C1",
            "at": "06-02 10:10",
            "measured": 2.0,
            "limit": 1.0,
            "unit": "coats",
        },
        {
            "finding": False,
            "reason": "value missing: coat",
            "subject": "T4",
            "task": "T4",
            "place": "A1 right wing",
            "component": "C2",
            "at": "06-02 11:10",
        },
    ],
    "count in a season": [
        {
            "finding": True,
            "place": "A1 left wing",
            "component": "C1",
            "flight": "F2",
            "at": "06-06 00:00",
            "anchor": "06-02 00:00",
            "measured": 0.0,
            "limit": 1.0,
            "unit": "treatments",
        },
        {
            "finding": False,
            "reason": "product not listed in products",
            "place": "A1 right wing",
            "component": "C2",
            "at": "06-02 00:00",
            "anchor": "06-02 00:00",
        },
    ],
    "spacing": [
        {
            "finding": True,
            "subject": "T2",
            "task": "T3",
            "other": "T2",
            "place": "A1 left wing",
            "component": "C1",
            "at": "06-02 09:12",
            "anchor": "06-02 09:10",
            "measured": 2.0,
            "limit": 5.0,
            "unit": "min",
        },
        {
            "finding": True,
            "subject": "T3",
            "task": "T4",
            "other": "T3",
            "place": "A1 left wing",
            "component": "C1",
            "at": "06-02 09:40",
            "anchor": "06-02 09:22",
            "measured": 18.0,
            "limit": 15.0,
            "unit": "min",
        },
        {
            "finding": False,
            "reason": "a coat in between is not recorded",
            "subject": "T4",
            "task": "T5",
            "place": "A1 left wing",
            "component": "C1",
            "at": "06-02 10:30",
            "anchor": "06-02 09:50",
        },
        {
            "finding": False,
            "reason": "one record stands for several coats: the pauses between them are not recorded",
            "subject": "T6",
            "task": "T6",
            "place": "A1 right wing",
            "component": "C2",
            "at": "06-02 11:00",
        },
    ],
    "overlap": [
        {
            "finding": True,
            "subject": "T2",
            "task": "T3",
            "other": "T2",
            "at": "06-02 09:05",
            "measured": 0.083,
            "limit": 0.0,
            "unit": "h",
        },
        {"finding": False, "reason": "value missing: performed_by", "subject": "T4", "task": "T4", "at": "06-02 09:08"},
    ],
    "overlap with flights": [
        {
            "finding": True,
            "subject": "T2",
            "task": "T2",
            "other": "F2",
            "flight": "F2",
            "at": "06-02 09:04",
            "measured": 0.1,
            "limit": 0.0,
            "unit": "h",
        },
        {
            "finding": True,
            "subject": "T3",
            "task": "T3",
            "other": "F2",
            "flight": "F2",
            "at": "06-02 09:05",
            "measured": 0.167,
            "limit": 0.0,
            "unit": "h",
        },
    ],
    "overlap with stays": [
        {
            "finding": True,
            "subject": "T3",
            "task": "T3",
            "other": "F2",
            "flight": "F2",
            "at": "06-02 09:05",
            "measured": 0.167,
            "limit": 0.0,
            "unit": "h",
        }
    ],
}


@pytest.mark.parametrize("name", SCENES)
def test_a_case_shows_its_evidence(name: str) -> None:
    """Reason, subject, evidence, place, boot, instants and figures of every finding and of what is unjudged."""
    data, tables = SCENES[name]
    assert shown(data, **{"components": BOOTS, **tables}) == EXPECTED[name]


def reasons(data: dict[str, Any], **tables: Any) -> list[tuple[str, str]]:
    """Subject and reason of each case; a finding has none."""
    return [
        (case.get("subject", ""), case.get("reason", "")) for case in shown(data, **{"components": BOOTS, **tables})
    ]


@pytest.mark.parametrize(
    ("data", "tables", "said"),
    [
        (
            rule("hold", scope=GLOSS, forbid={"event": "takeoff"}, **{"for": "PT3H"}),
            {"not_supplied": ["flights"]},
            "table not supplied: flights",
        ),
        (
            rule("hold", scope=GLOSS, forbid={"event": "takeoff"}, until=PREP),
            {"flights": [off("03T00:00")], "tasks": [OTHER, gloss("09:00"), at("10:00", product="unheard-of")]},
            "product not listed in products",
        ),
        (
            rule("hold", scope=GLOSS, forbid={"event": "treatment", "where": CLEANED}, until=PREP),
            {
                "tasks": [
                    OTHER,
                    gloss("09:00"),
                    at("10:00", product=None, action="prepare", lot="L"),
                    at("11:00", product="cleaner"),
                ]
            },
            "value missing: product",
        ),
        (
            rule("interval", scope=GLOSS, at_most={"flight_hours": 5}),
            {"not_supplied": ["flights"]},
            "table not supplied: flights",
        ),
        (
            rule("interval", scope=GLOSS, at_most={"days": 5}),
            {"tasks": [OTHER, gloss("09:00", position="tail"), at("08:00", product="cleaner")]},
            NOT_KNOWN,
        ),
        (
            rule("interval", scope=GLOSS, at_most={"days": 5}),
            {"tasks": [OTHER, gloss("09:00", position="LH")]},
            "position not recorded, or not one of the boots' positions",
        ),
        (
            rule("interval", scope=GLOSS, at_most={"days": 5}),
            {"tasks": [OTHER, gloss("09:00", position=None)]},
            "position not recorded, or not one of the boots' positions",
        ),
    ],
    ids=["hold", "hold until", "hold against work until", "interval", "no boot", "other names", "no position"],
)
def test_the_reason_is_told_word_for_word(data: dict[str, Any], tables: dict[str, Any], said: str) -> None:
    """Why a treatment can't be judged, where the form itself says it."""
    assert ("T2", said) in reasons(data, **{"tasks": [OTHER, gloss("09:00")], **tables})


def test_a_record_is_no_rival_of_itself() -> None:
    """A record that both selections of an order name is the treatment, not another one."""
    data = rule("order", scope=GLOSS, must_be="last", among={"action": {"is": "apply"}})
    tasks = [OTHER, gloss("09:00"), gloss("09:00", position="right wing")]
    assert reasons(data, tasks=tasks) == []
    assert reasons(data, tasks=[*tasks, at("10:00", product="cleaner")]) == [("T2", "")]


def test_coats_of_one_session_follow_each_other_only() -> None:
    """Pauses are between coats of the same session, also where several sessions have some."""
    data = rule("spacing", scope=GLOSS, pause={"at_most": "PT15M"})
    tasks = [
        OTHER,
        *(gloss(time, coat=coat) for coat, time in enumerate(("09:00", "09:20"), 1)),
        *(gloss(time, coat=coat, position="right wing") for coat, time in enumerate(("11:00", "11:30"), 1)),
        *(gloss(time, coat=coat, work_order="W2") for coat, time in enumerate(("15:00", "15:26"), 1)),
    ]
    found = shown(data, tasks=tasks, components=BOOTS)
    assert [(case["subject"], case["task"], case["measured"]) for case in found] == [
        ("T6", "T7", 16.0),
        ("T4", "T5", 20.0),
    ]


def test_two_things_agree_on_every_column_asked_for() -> None:
    """Records of one person on one aircraft are a pair; on two aircraft, or by two people, they are none."""
    data = rule("overlap", between=["tasks", "tasks"], same=["performed_by", "aircraft"])
    tasks = [
        OTHER,
        gloss("09:00"),
        gloss("09:05", performed_by="P2"),
        gloss("09:05", aircraft="A0"),
        gloss("09:06", performed_by="P2"),
    ]
    assert [(case["subject"], case["other"]) for case in shown(data, tasks=tasks)] == [("T3", "T3")]


def test_a_record_without_a_position_fails_at_none() -> None:
    """What a record breaks by itself is a finding wherever the work was; the position stays blank."""
    data = rule("record", scope=GLOSS, require={"lot": {"is": "L1"}, "component.finish": {"is": "black"}})
    tasks = [OTHER, gloss("09:00", lot="L2", position=None)]
    assert shown(data, tasks=tasks) == [{"finding": True, "subject": "T2", "task": "T2", "at": "06-02 09:00"}]


def test_too_many_sessions_show_how_many_are_allowed() -> None:
    """The figures of a boot that was treated more often in a season than allowed."""
    season = {"from": "06-02", "to": "06-05"}
    data = rule("count", scope=GLOSS, sessions={"at_most": 1}, season=season)
    tasks = [OTHER, gloss("09:00"), gloss("15:00", work_order="W2")]
    [case] = shown(data, "2025-06-09T00:00:00Z", tasks=tasks, flights=[AWAY, off("03T00:00")], components=BOOTS)
    assert (case["finding"], case["measured"], case["limit"], case["unit"]) == (True, 2.0, 1.0, "treatments")


def test_a_tie_is_told_beside_another_doubt() -> None:
    """A required treatment that began at the same time stays a tie, whatever else was done later."""
    data = rule("precede", scope=GLOSS, needs=PREP)
    tied = [OTHER, gloss("09:00"), at("09:00", product="surface-prep")]
    later = at("12:00", product="unheard-of", work_order="W2")
    assert ("T2", "which came first is not known: both started at the same time") in reasons(data, tasks=[*tied, later])


def test_a_treatment_of_one_of_two_boots_leaves_both_open() -> None:
    """While two boots are recorded at a position, either may have been treated: no overdue stretch is certain."""
    data = rule("interval", scope=GLOSS, at_most={"flight_hours": 5})
    boots = [
        BOOTS[0],
        {"removed_at": "2025-06-04T00:00:00Z"},
        {"component_serial": "C9", "installed_at": "2025-06-03T00:00:00Z"},
    ]
    tasks = [OTHER, gloss("09:00"), {**gloss("09:00"), "started_at": "2025-06-03T12:00:00Z", "work_order": "W2"}]
    flights = [AWAY, off("02T12:00", flight_hours=3), off("03T20:00", flight_hours=3)]
    said = dict(reasons(data, tasks=tasks, flights=flights, components=boots))
    assert said["T2"] == NOT_KNOWN


def test_a_treatment_of_one_of_two_boots_does_for_neither() -> None:
    """What was prepared and what was painted while two boots are recorded there may be one boot, or two."""
    data = rule("precede", scope=GLOSS, needs=PREP)
    boots = [*BOOTS[:2], {"component_serial": "C9", "installed_at": "2025-06-01T00:00:00Z"}]
    tasks = [OTHER, at("08:00", product="surface-prep"), gloss("09:00")]
    assert dict(reasons(data, tasks=tasks, components=boots))["T3"] == NOT_KNOWN
    assert "T3" not in dict(reasons(data, tasks=tasks, components=BOOTS))


@pytest.mark.parametrize(
    ("finished", "said"),
    [
        ("2025-10-26T02:00:00Z", ""),
        ("2025-10-26T00:40:00Z", "ambiguous time: the clock went back, and the verdict depends on which hour is meant"),
    ],
)
def test_a_person_in_the_hour_that_comes_twice(finished: str, said: str) -> None:
    """Somebody at two stations in both readings of a time is a finding; in one of them only, unjudged."""
    data = rule("overlap", between=["tasks", "tasks"], same=["performed_by"], differing=["station"])
    tasks = [
        OTHER,
        {"station": "S2", "started_at": "2025-10-26T02:20", "finished_at": "2025-10-26T02:30"},
        {"started_at": "2025-10-26T00:00:00Z", "finished_at": finished},
    ]
    assert {reason for _, reason in reasons(data, tasks=tasks)} == {said}


def test_a_record_that_may_be_in_scope_is_open_at_its_positions_too() -> None:
    """Where the rule asks about boots, a record whose scope can't be decided says why."""
    data = rule("record", scope=GLOSS, require={"component.finish": {"is": "black"}})
    tasks = [OTHER, at("09:00", **UNHEARD), gloss("10:00", position="right wing")]
    assert sorted(reasons(data, tasks=tasks)) == [("T2", "product not listed in products"), ("T3", "")]


def test_of_evidence_without_a_start_the_last_to_end_counts() -> None:
    """Of each subject by itself; a subject of nobody meets none, and what has a start is left."""
    joined = Candidates(
        rows=np.array([0, 1, 2, 3]),
        doubt=np.zeros(4, np.int64),
        key=np.array([5, 5, 7, 5]),
        asked=np.array([7, 5, -1, 6]),
    )
    started, ended = np.array([NEVER, NEVER, NEVER, 100]), np.array([10, 30, 20, 200])
    left, last, row = joined.at_any_time(started, ended)
    assert left.rows.tolist() == [3]
    assert last.tolist() == [20, 30, NEVER, NEVER]
    assert row.tolist() == [2, 1, -1, -1]
