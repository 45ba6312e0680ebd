"""An aircraft stationed where the season is another is judged by that season, the others by the rule's own."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from audit.authoring.examples import example_export
from audit.evidence.seasons import SEASON_NOT_SET
from audit.forms import FORMS
from audit.forms.outcomes import Outcomes
from audit.intake.export import Export
from audit.language.events import SeasonByBase
from audit.language.rule import Example, Rule
from audit.timeline.timeline import Timeline, build_timeline
from tests.forms.rules import RULES, outcomes, rule
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


def export_of(tables: dict[str, Any]) -> Export:
    """An export of rows that name what matters."""
    return example_export(Example.model_validate({"name": "n", "expect": "complies", **tables}))


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
    much is in scope. Of a boot that changes between the two each part counts by the season of its aircraft."""

    @settings(max_examples=settings().max_examples // 8)
    @given(rules, SEASONS, exports(night=False))
    def agree(data: dict[str, Any], other: dict[str, str], drawn: tuple[dict[str, list[Row]], datetime | None]) -> None:
        boots = {(row["component_serial"], row["aircraft"]) for row in drawn[0].get("components", ())}
        assume(len(boots) == len({serial for serial, _ in boots}))
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


NORTHERN, SOUTHERN = {"from": "10-01", "to": "04-30"}, {"from": "04-01", "to": "10-31"}
IN_SEASON: dict[str, Any] = {
    "interval": {"scope": {"action": {"is": "apply"}}, "at_most": {"flight_hours": 50}},
    "count": {"scope": {"action": {"is": "apply"}}, "sessions": {"at_least": 2}},
    "hold": {"scope": {"action": {"is": "clean"}}, "for": "PT24H", "forbid": {"event": "takeoff"}},
}


@pytest.mark.parametrize("form", IN_SEASON)
@pytest.mark.parametrize(
    ("zone", "season", "judged"),
    [
        pytest.param("Europe/Berlin", NORTHERN, True, id="north-under-a-northern-season"),
        pytest.param("Pacific/Auckland", NORTHERN, False, id="south-under-a-northern-season"),
        pytest.param("Pacific/Auckland", SOUTHERN, True, id="south-under-a-southern-season"),
        pytest.param("Europe/Berlin", SOUTHERN, False, id="north-under-a-southern-season"),
        pytest.param("America/Guayaquil", NORTHERN, True, id="near-the-equator"),
        pytest.param("Etc/GMT-12", NORTHERN, True, id="a-zone-of-no-place"),
        pytest.param("Pacific/Auckland", {"from": "01-01", "to": "12-31"}, True, id="all-the-year"),
        pytest.param("Pacific/Auckland", {"from": "03-01", "to": "06-30"}, True, id="no-winter-s-season"),
        pytest.param("Pacific/Auckland", {"from": "01-15", "to": "05-31"}, False, id="from-the-middle-of-a-winter-on"),
        pytest.param("Pacific/Auckland", {"from": "03-01", "to": "01-15"}, True, id="to-the-middle-of-a-second-winter"),
        pytest.param("Europe/Berlin", {"from": "03-01", "to": "07-15"}, False, id="to-the-middle-of-a-winter"),
    ],
)
def test_a_season_of_the_other_hemisphere_judges_nobody(
    form: str, zone: str, season: dict[str, str], judged: bool
) -> None:
    """What would be a finding, and what would not be in season at all, is unjudged; at a base the season is known."""
    data = rule(form, season=season, **IN_SEASON[form])
    tables: dict[str, Any] = {
        "stations": [{"station": "S1", "timezone": zone}],
        "tasks": [
            {"action": "clean", "work_order": at, "started_at": f"{at}T10:00:00Z"}
            for at in ("2023-12-10", "2024-12-10", "2025-04-10", "2025-07-10")
        ],
        "flights": [
            {"takeoff_at": f"{at}T20:00:00Z", "flight_hours": 60} for at in ("2024-12-10", "2025-04-10", "2025-07-10")
        ],
    }
    found = outcomes(data, "2026-12-01T00:00:00Z", **tables)
    reasons = set(found.cases.loc[~found.cases["finding"], "reason"])
    if judged:
        assert found.findings
        assert SEASON_NOT_SET not in reasons
        return
    assert reasons == {SEASON_NOT_SET}
    assert not found.findings
    assert found.unjudged == found.in_scope > 0
    timeline = build_timeline(export_of(tables), pd.Timestamp("2026-12-01T00:00:00Z"))
    named = evaluate(at_bases(data, A1=season), timeline)
    assert named.findings
    assert SEASON_NOT_SET not in set(named.cases["reason"])


def test_a_fleet_in_both_hemispheres() -> None:
    """Each aircraft has the doubt of its own: the one its season, the other what its records don't say."""
    data = rule("hold", season=NORTHERN, **IN_SEASON["hold"])
    cleaned = {"action": "clean", "started_at": "2024-12-10T10:00:00Z"}
    tables: dict[str, Any] = {
        "stations": [{"station": "S1", "timezone": "Europe/Berlin"}, {"station": "S9", "timezone": "Pacific/Auckland"}],
        "tasks": [cleaned, cleaned | {"aircraft": "A2", "station": "S9"}],
        "flights": [{"aircraft": "A2", "takeoff_at": "2025-04-10T20:00:00Z"}],
    }
    cases = outcomes(data, "2026-12-01T00:00:00Z", **tables).cases
    assert dict(zip(cases["task"], cases["reason"], strict=True)) == {
        0: "no flights of this aircraft in the log",
        1: SEASON_NOT_SET,
    }
