"""An aircraft stationed where the season is another is judged by that season, the others by the rule's own."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.forms import FORMS
from audit.forms.outcomes import Outcomes
from audit.language.events import SeasonByBase
from audit.language.rule import Rule
from audit.timeline.timeline import Timeline
from tests.forms.rules import RULES, rule
from tests.forms.test_against_twin import (
    SEASON_COUNT,
    SEASONS,
    Row,
    exports,
    hold_rules,
    interval_rules,
    placed_in_time,
)


def at_bases(data: dict[str, Any], **seasons: dict[str, str]) -> Rule:
    """The rule with other seasons for some aircraft."""
    season = SeasonByBase.model_validate(data["season"] | {"by_aircraft": seasons})
    return RULES.validate_python(data).model_copy(update={"season": season})


def evaluate(judged: Rule, timeline: Timeline) -> Outcomes:
    return FORMS[judged.form].evaluate(judged, timeline).outcomes


def cases_of(aircraft: str, outcomes: Outcomes, timeline: Timeline) -> list[tuple[Any, ...]]:
    """The cases of one aircraft, without the numbers that only tell segments apart."""
    cases = outcomes.cases
    names = timeline.aircraft_names[timeline.aircraft_of(cases["place"].to_numpy())]
    wanted = cases[(names == aircraft)].drop(columns="subject")
    return sorted(map(repr, wanted.itertuples(index=False)))


@pytest.mark.parametrize(
    "rules",
    [
        pytest.param(hold_rules().filter(lambda data: "season" in data), id="hold"),
        pytest.param(interval_rules().filter(lambda data: "season" in data), id="interval"),
        pytest.param(SEASON_COUNT, id="count"),
    ],
)
def test_each_aircraft_is_judged_as_by_a_rule_with_its_own_season(rules: st.SearchStrategy[dict[str, Any]]) -> None:
    """With two seasons in one rule, each aircraft has the cases that it has under a rule of its season alone, and as
    much is in scope."""

    @settings(max_examples=settings().max_examples // 8)
    @given(rules, SEASONS, exports(night=False))
    def agree(data: dict[str, Any], other: dict[str, str], drawn: tuple[dict[str, list[Row]], datetime | None]) -> None:
        timeline = placed_in_time(*drawn)
        own = evaluate(RULES.validate_python(data), timeline)
        theirs = evaluate(RULES.validate_python(data | {"season": other}), timeline)
        # An aircraft that isn't in the export is nobody's.
        mixed = evaluate(at_bases(data, A2=other, A9=other), timeline)
        turned = evaluate(at_bases(data, A1=other), timeline)
        assert cases_of("A1", mixed, timeline) == cases_of("A1", own, timeline)
        assert cases_of("A2", mixed, timeline) == cases_of("A2", theirs, timeline)
        assert mixed.in_scope + turned.in_scope == own.in_scope + theirs.in_scope

    agree()


def test_the_day_on_which_hemispheres_change_over() -> None:
    """Hours on 30 April UTC count in the north and on 1 May don't; in April both seasons run, each for its aircraft."""
    data = rule(
        "interval",
        scope={"action": {"is": "apply"}},
        at_most={"flight_hours": 50},
        season={"from": "10-01", "to": "04-30"},
    )
    judged = at_bases(data, A2={"from": "04-01", "to": "10-31"})
    boot = {"position": "left wing", "material": "chloroprene", "installed_at": "2000-01-01"}
    flown = [("2025-03-31T23:59:59Z", 30), ("2025-04-01T00:00:00Z", 30), ("2025-04-30T23:59:59Z", 30)]
    flown.append(("2025-05-01T00:00:00Z", 30))
    flights = [
        {
            "flight_id": f"{aircraft}-{number}",
            "aircraft": aircraft,
            "takeoff_at": at,
            "landing_at": (datetime.fromisoformat(at) + timedelta(hours=hours)).isoformat(),
            "flight_hours": str(hours),
        }
        for aircraft in ("A1", "A2")
        for number, (at, hours) in enumerate(flown)
    ]
    task = {
        "task_id": "T1",
        "work_order": "W1",
        "aircraft": "A1",
        "action": "clean",
        "station": "S1",
        "started_at": "2025-01-01T10:00:00Z",
        "finished_at": "2025-01-01T11:00:00Z",
    }
    timeline = placed_in_time(
        {
            "tasks": [task],
            "flights": flights,
            "components": [boot | {"component_serial": f"C-{name}", "aircraft": name} for name in ("A1", "A2")],
            "stations": [{"station": "S1", "timezone": "UTC"}],
        },
        None,
    )
    cases = evaluate(judged, timeline).cases
    names = timeline.aircraft_names[timeline.aircraft_of(cases["place"].to_numpy())].tolist()
    assert dict(zip(names, cases["measured"], strict=True)) == {"A1": 90, "A2": 90}
    assert dict(zip(names, pd.to_datetime(cases["at"], unit="us").dt.strftime("%m-%d"), strict=True)) == {
        "A1": "04-01",
        "A2": "04-30",
    }
