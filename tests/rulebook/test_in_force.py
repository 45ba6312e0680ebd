"""Sources with days: which are in force when, and what that makes of a rule."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.errors import AuditError
from audit.language.rule import Basis, Rule
from audit.rulebook.in_force import cited, days_in_force, limited_to_its_days
from audit.rulebook.loading import read_rule
from tests.forms.rules import RULES, outcomes, rule, verdict

DAYS = [date(2025, 1, 1) + timedelta(days=number) for number in range(12)]
LATE = {"source": "Rule 2", "from": "2025-11-03"}
EARLY = {"source": "Rule 1", "section": "4", "to": "2025-11-02"}


def dated(form: str, *basis: dict[str, str], **parts: Any) -> dict[str, Any]:
    return rule(form, **parts) | {"basis": list(basis)}


def limited(data: dict[str, Any]) -> Rule:
    return limited_to_its_days(RULES.validate_python(data))


def on_its_days(data: dict[str, Any]) -> dict[str, Any]:
    """The data of a rule with the scope that its days leave."""
    return data | {"scope": limited(data).scope.model_dump(by_alias=True, exclude_unset=True)}


@given(
    st.lists(
        st.tuples(st.none() | st.sampled_from(DAYS), st.none() | st.sampled_from(DAYS)).filter(
            lambda days: days[0] is None or days[1] is None or days[0] <= days[1]
        ),
        min_size=1,
        max_size=5,
    )
)
def test_stretches_are_the_days_of_the_sources_and_no_others(periods: list[tuple[date | None, date | None]]) -> None:
    """A day lies in a stretch if a source is in force on it, and no two stretches touch."""
    bases = [
        Basis.model_validate(
            {"source": f"Rule {number}"} | ({"from": str(first)} if first else {}) | ({"to": str(last)} if last else {})
        )
        for number, (first, last) in enumerate(periods)
    ]
    stretches = days_in_force(bases)
    for day in (date.min, DAYS[0] - timedelta(days=1), *DAYS, DAYS[-1] + timedelta(days=1), date.max):
        in_force = [
            f"Rule {number}"
            for number, (first, last) in enumerate(periods)
            if (first is None or first <= day) and (last is None or day <= last)
        ]
        assert any(first <= day <= last for first, last in stretches) == bool(in_force)
        assert cited(bases, day) == "; ".join(in_force)
    assert all((later - earlier).days > 1 for (_, earlier), (later, _) in pairwise(stretches))


@pytest.mark.parametrize("basis", [[{"source": "Rule 0"}, LATE], [EARLY, LATE]], ids=["undated", "no-gap"])
def test_a_rule_with_a_source_for_every_day_is_left_as_it_is(basis: list[dict[str, str]]) -> None:
    """Where some source is in force on every day, nothing is added to the scope."""
    data = dated("hold", *basis, forbid={"event": "takeoff"}, **{"for": "PT24H"})
    assert limited(data) == RULES.validate_python(data)


@pytest.mark.parametrize(
    ("work", "said"),
    [
        ("2025-11-02T23:59:59Z", "idle"),
        ("2025-11-03T00:00:00Z", "1 finding"),
        ("2025-11-07T23:59:59Z", "1 finding"),
        ("2025-11-08T00:00:00Z", "idle"),
        ("2025-12-01T00:00:00Z", "1 finding"),
    ],
)
def test_records_outside_the_days_are_out_of_scope(work: str, said: str) -> None:
    """Both ends of a source's days are included; a day on which none is in force is nobody's, and what the scope asks
    besides stays."""
    wanted = {"action": {"is": "clean"}, "any_of": [{"coat": {"is": 1}}, {"product": {"present": True}}]}
    bases = LATE | {"to": "2025-11-07"}, LATE | {"from": "2025-12-01"}
    data = on_its_days(dated("record", *bases, scope=wanted, require={"lot": {"present": True}}))
    tasks = [
        {"started_at": work, "action": "clean", "coat": 1},
        {"started_at": work, "action": "clean", "coat": 2},
        {"started_at": work, "action": "apply", "coat": 1},
    ]
    assert verdict(data, tasks=tasks) == said


def test_the_day_is_the_station_s() -> None:
    """Work at 00:30 in Berlin on the first day is in scope, though the day has not begun in UTC; at 23:30 in New York
    on the day before it isn't, though it has."""
    data = on_its_days(dated("record", LATE, require={"lot": {"present": True}}))
    for station, work, said in (
        ("S2", "2025-11-02T23:30:00Z", "1 finding"),
        ("S2", "2025-11-02T22:30:00Z", "idle"),
        ("S3", "2025-11-03T04:30:00Z", "idle"),
        ("S3", "2025-11-03T05:00:00Z", "1 finding"),
    ):
        assert verdict(data, tasks=[{"station": station, "started_at": work}]) == said


def test_a_session_is_judged_by_its_records_in_scope() -> None:
    """Of a session over the change the records of the later day are judged."""
    preservative = {"product_class": {"is": "rubber-preservative"}}
    data = on_its_days(dated("count", LATE, scope=preservative, coats={"at_least": 2}))
    tasks = [
        {"product": "rubber-preservative", "started_at": f"2025-11-{day}T10:00:00Z", "coat": coat}
        for day, coat in (("02", 1), ("03", 2))
    ]
    assert outcomes(data, tasks=tasks).in_scope == 1


TEXT = """\
id: a-rule
title: A title
level: 2
basis: [{source: Rule 2, from: 2025-11-03}]
why: Because.
put_right: Do it again.
examples: [{name: one, expect: complies}, {name: two, expect: finding}]
"""


@pytest.mark.parametrize(
    "form",
    [
        "form: interval\nat_most: {days: 3}",
        "form: overlap\nbetween: [flights, flights]\nsame: [aircraft]",
        "form: count\nsessions: {at_least: 1}\nseason: {from: 10-01, to: 04-30}",
    ],
)
def test_what_no_record_s_day_can_decide_needs_a_source_for_every_day(form: str) -> None:
    """A rule about a time, not about records of a day, is refused where its sources leave days out."""
    with pytest.raises(AuditError, match=r"^a-rule.yaml, line 4: \$\.basis: no source was in force on some days"):
        read_rule(f"{TEXT}{form}\n".encode(), "a-rule.yaml")
    assert read_rule(f"{TEXT}{form}\n".replace("from: 2025-11-03", "note: n").encode(), "a-rule.yaml")
