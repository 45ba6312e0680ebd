"""What has happened since to the boot that a finding is about."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from audit.authoring.examples import example_export
from audit.findings.collect import collect
from audit.forms.judging import judge_rule
from audit.language.rule import Example
from audit.timeline.timeline import build_timeline
from tests.forms.rules import RULES, rule

CURE = rule("hold", forbid={"event": "takeoff"}, **{"for": "PT24H"}, scope={"product_class": {"is": "gloss-coating"}})
LOT = rule("record", require={"lot": {"present": True}})
COAT = {"product": "gloss-coating", "started_at": "2025-06-02T09:00:00Z", "finished_at": "2025-06-02T10:00:00Z"}
TOO_EARLY = {"takeoff_at": "2025-06-02T12:00:00Z"}
BOOT = {"component_serial": "B1", "installed_at": "2025-01-01T00:00:00Z"}
OFF = "2025-08-01T00:00:00Z"
STRIPPED = {"product": "surface-prep", "action": "prepare", "task_id": "T9", "started_at": "2025-06-20T09:00:00Z"}


def said(data: dict[str, Any], **tables: Any) -> list[str]:
    """What is said beside each finding, as of October 2025."""
    example = Example.model_validate(
        {"name": "n", "expect": "finding", "as_of": "2025-10-01T00:00:00Z", "tasks": [COAT], "flights": [TOO_EARLY]}
        | tables
    )
    one = RULES.validate_python(data)
    timeline = build_timeline(example_export(example), pd.Timestamp(example.as_of))
    found: list[str] = collect([(one, judge_rule(one, timeline))], timeline).findings["meanwhile"].tolist()
    return found


GONE = (
    "The boot was removed on 2025-08-01 and is on no aircraft: what is due before a flight is due before it is "
    "installed again."
)
LATER = [TOO_EARLY, *({"takeoff_at": f"2025-{month}-05T10:00:00Z"} for month in ("07", "09"))]


@pytest.mark.parametrize(
    ("tables", "expected"),
    [
        pytest.param({}, "", id="as-it-was"),
        pytest.param({"flights": LATER}, "It flew 2 times since.", id="flown"),
        pytest.param({"components": [BOOT | {"removed_at": OFF}]}, GONE, id="removed"),
        pytest.param(
            {"components": [BOOT | {"removed_at": OFF}], "flights": LATER},
            f"{GONE} It flew 1 time since.",
            id="flown-until-it-was-removed",
        ),
        pytest.param({"components": [BOOT | {"removed_at": "2025-12-01T00:00:00Z"}]}, "", id="removed-after-today"),
        pytest.param(
            {"components": [BOOT | {"removed_at": OFF}, BOOT | {"position": "fin", "installed_at": OFF}]},
            "The boot is on A1, fin, since 2025-08-01.",
            id="moved",
        ),
        pytest.param(
            {"components": [BOOT | {"removed_at": OFF}, BOOT | {"installed_at": "2025-08-02T00:00:00Z"}]},
            "",
            id="off-and-on-again",
        ),
        pytest.param({"tasks": [COAT, STRIPPED]}, "It was stripped on 2025-06-20 (record T9).", id="stripped"),
        pytest.param({"tasks": [COAT, STRIPPED | {"status": "open"}]}, "", id="stripping-not-done"),
        pytest.param({"tasks": [COAT, STRIPPED | {"started_at": "2025-06-01T09:00:00Z"}]}, "", id="stripped-before"),
        pytest.param({"tasks": [COAT, STRIPPED | {"position": "fin"}]}, "", id="another-boot-stripped"),
    ],
)
def test_what_happened_to_the_boot(tables: dict[str, Any], expected: str) -> None:
    """Removed, moved, stripped, flown: by the as-of time, and only what came after."""
    assert said(CURE, **tables) == [expected]


def test_a_finding_about_no_one_boot() -> None:
    """Of a record's paper, how often its aircraft flew."""
    assert said(LOT, flights=LATER) == ["The aircraft flew 3 times since."]
    assert said(LOT, flights=[TOO_EARLY | {"aircraft": "A2"}]) == [""]


ENDED_BY = [{"event": "work", "where": {"action": {"is": "prepare"}}}, {"event": "removal"}]


@pytest.mark.parametrize(
    ("tables", "expected"),
    [
        pytest.param({"tasks": [COAT, STRIPPED], "flights": LATER}, "It flew 2 times since.", id="stripped"),
        pytest.param({"tasks": [COAT, STRIPPED | {"status": "open"}]}, "", id="perhaps-stripped"),
        pytest.param({"components": [BOOT | {"removed_at": OFF}]}, "", id="removed"),
    ],
)
def test_what_put_it_right_is_told_once(tables: dict[str, Any], expected: str) -> None:
    """What is named as having put it right, or perhaps, is not said again of the boot."""
    assert said(CURE | {"corrected_by": ENDED_BY}, **tables) == [expected]
    assert said(CURE, **tables) != [expected] or "open" in str(tables)
