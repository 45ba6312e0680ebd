"""Every form against its slow twin, on small random exports full of ties, gaps and exact limits."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from audit.forms.judging import judge_rule
from audit.forms.outcomes import Outcomes
from audit.intake.export import Export
from audit.intake.reading import read_rows
from audit.rulebook.models import AnyRule, Rule
from audit.timeline.timeline import Timeline, build_timeline
from tests.forms import twin

Row = dict[str, str]
RULES: TypeAdapter[AnyRule] = TypeAdapter(Rule)

STEP = timedelta(minutes=30)
AIRCRAFT = ("A1", "A2")
POSITIONS = ("left", "right")
PRODUCTS = {
    "preserve": ("rubber-preservative", "yes", "H225; H319"),
    "guard": ("ice-adhesion-treatment", "yes", ""),
    "wash": ("cleaner", "", "H315"),
}
# A first day, a zone whose clock may change within the days that follow, and steps from midnight to that change.
SCENES = (
    ("2025-06-02", "Europe/Berlin", 20),
    ("2025-10-25", "Europe/Berlin", 50),
    ("2025-11-01", "America/New_York", 60),
    ("2025-03-29", "Europe/Berlin", 50),
    ("2025-09-30", "America/New_York", 20),
)


def often(value: str, *others: str) -> st.SearchStrategy[str]:
    """Mostly one value, sometimes another."""
    return st.sampled_from((value,) * 4 + others)


def zulu(at: datetime) -> str:
    """An instant as exports write it."""
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")


def is_ambiguous(wall: datetime, zone: ZoneInfo) -> bool:
    """Whether a wall-clock time occurs twice."""
    return wall.replace(tzinfo=zone, fold=0).utcoffset() > wall.replace(tzinfo=zone, fold=1).utcoffset()  # type: ignore[operator]


@st.composite
def exports(draw: st.DrawFn) -> tuple[dict[str, list[Row]], datetime | None]:
    """A few days of one or two aircraft, and an as-of time."""
    day, zone_name, change = draw(st.sampled_from(SCENES))
    zone = ZoneInfo(zone_name)
    first = datetime.fromisoformat(day).replace(tzinfo=UTC)
    moments = st.integers(0, 120).map(lambda steps: first + steps * STEP)
    # Most things happen around one moment, so that limits are met and times tie.
    focus = draw(st.one_of(moments, st.sampled_from((0, 48, 96, change)).map(lambda steps: first + steps * STEP)))
    without_stations = draw(st.integers(0, 14)) == 0
    near = st.one_of(st.integers(-8, 8).map(lambda steps: focus + steps * STEP), moments)
    fleet = st.sampled_from(AIRCRAFT[: draw(st.integers(1, 2))])
    doubtful_times: Counter[str] = Counter()

    def clock(at: datetime, *owners: str) -> str:
        """An instant as wall clock or with its zone; at most two ambiguous times for any aircraft or person."""
        wall = at.astimezone(zone).replace(tzinfo=None)
        if without_stations or draw(st.booleans()):
            return zulu(at)
        if is_ambiguous(wall, zone):
            if any(doubtful_times[owner] >= 2 for owner in (*owners, "all", "all")) or doubtful_times["all"] >= 3:
                return zulu(at)
            doubtful_times.update({*owners, "all"})
        return wall.isoformat()

    def task(number: int) -> Row:
        aircraft = draw(fleet)
        person = draw(often("Ann", "Bob", ""))
        station = draw(st.sampled_from(("S1", "S2")))
        start = draw(near)
        end = start + draw(st.sampled_from((0, 1, 1, 1, 2, 4))) * STEP
        owners = [aircraft] + ([person] if person else [])

        def written(at: datetime) -> str:
            return zulu(at) if station == "S1" else clock(at, *owners)

        row = {
            "task_id": f"T{number}",
            "work_order": draw(often("W1", "W2")),
            "aircraft": aircraft,
            "action": draw(often("apply", "clean", "prepare")),
            "station": station,
            "started_at": written(start),
            "finished_at": written(end),
            "status": draw(often("", "closed", "open", "void")),
            "position": draw(often("left", "right", "left; right", "all", "", "fin")),
            "product": draw(st.sampled_from((*PRODUCTS, "preserve", "preserve", "guard", "unheard-of", ""))),
            "lot": draw(often("L1", "L2", "")),
            "coat": draw(st.sampled_from(("", "1", "2", "3"))),
            "coats": draw(often("", "2")),
            "performed_by": person,
            "certified_by": draw(often("", "Ann")),
            "component_serial": draw(often("", "C1", "C2")),
            "manual": draw(often("M", "")),
            "manual_revision": draw(often("1", "2", "3")),
            "ppe_worn": draw(often("gloves; goggles", "gloves", "")),
            "ambient_c": draw(often("20", "9.5", "")),
        }
        if draw(st.booleans()):
            row["signed_at"] = written(draw(near))
        return row

    def flight(number: int) -> Row:
        takeoff = draw(near)
        return {
            "flight_id": f"F{number}",
            "aircraft": draw(fleet),
            "takeoff_at": zulu(takeoff),
            "landing_at": zulu(takeoff + draw(st.sampled_from((0, 1, 2, 2, 3))) * STEP),
            "destination": draw(often("S1", "S2", "ICA2", "nowhere", "")),
            "flight_hours": draw(often("", "0.1", "0.7", "1.3")),
            "cycles": draw(often("", "0", "2")),
        }

    def component(number: int) -> Row:
        installed = draw(st.one_of(st.just(first - timedelta(days=20)), near))
        removed = draw(st.one_of(st.none(), near))
        return {
            "component_serial": f"C{number}",
            "aircraft": draw(fleet),
            "position": draw(often("left", "right")),
            "material": draw(often("chloroprene", "polyurethane")),
            "finish": draw(often("black", "silver", "")),
            "installed_at": zulu(installed),
            "removed_at": "" if removed is None else zulu(max(installed, removed)),
        }

    def rows(kind: Any, most: int) -> list[Row]:
        return [kind(number) for number in range(1, draw(st.integers(0, most)) + 1)]

    tables = {
        "tasks": rows(task, 6),
        "flights": rows(flight, 4),
        "components": [
            {
                "component_serial": f"C{aircraft}{position}",
                "aircraft": aircraft,
                "position": position,
                "material": "chloroprene",
                "finish": "black",
                "installed_at": zulu(first - timedelta(days=30)),
                "removed_at": draw(often("", zulu(focus))),
            }
            for aircraft in AIRCRAFT
            for position in POSITIONS
            if draw(st.booleans())
        ]
        + rows(component, 3),
        "products": [
            {"product": name, "product_class": kind, "approval": approval, "hazard_codes": hazards}
            for name, (kind, approval, hazards) in PRODUCTS.items()
        ],
        "stations": [
            {"station": "S1", "timezone": "UTC", "icao": "ICA1"},
            {"station": "S2", "timezone": zone_name, "icao": "ICA2"},
        ],
        "lots": [
            {"lot": "L1", "product": name, "expires_on": f"{focus.date()}", "opened_on": f"{focus.date()}"}
            for name in PRODUCTS
        ],
        "people": [
            {"person": "Ann", "authorisation": "boots", "valid_from": "2020-01-01", "valid_to": f"{focus.date()}"},
            {"person": "Ann", "authorisation": "paint", "valid_from": f"{focus.date()}", "valid_to": ""},
        ],
        "manuals": [
            {"manual": "M", "revision": "1", "effective_from": "2020-01-01", "superseded_on": f"{focus.date()}"},
            {"manual": "M", "revision": "2", "effective_from": f"{focus.date()}", "superseded_on": ""},
        ],
    }
    for name in ("flights", "components", "products", "lots", "people", "manuals"):
        if draw(st.integers(0, 14)) == 0:
            del tables[name]
    if without_stations:
        del tables["stations"]
    return tables, draw(st.one_of(st.none(), near, moments))


# Rules


PRESERVE = {"action": {"is": "apply"}, "product_class": {"is": "rubber-preservative"}}
GUARD = {"action": {"is": "apply"}, "product_class": {"is": "ice-adhesion-treatment"}}
ON_BLACK = {**PRESERVE, "component.finish": {"is": "black"}}
ANYTHING = {"product": {"present": True}}
WASH = {"any_of": [{"action": {"in": ["clean", "prepare"]}}, {"product_class": {"is": "cleaner"}}]}
SCOPES = st.sampled_from((PRESERVE, GUARD, ON_BLACK, ANYTHING, WASH, {"action": {"is": "apply"}}))
DURATIONS = st.sampled_from(("PT30M", "PT1H", "PT2H", "PT24H"))

REQUIREMENTS = (
    {"component.material": {"is": "chloroprene"}, "component.finish": {"is": "black"}},
    {"component.material": {"present": True}, "product.approval": {"present": True}},
    {"component.finish": {"present": False}},
    {"component_serial": {"is": {"column": "component.component_serial"}}},
    {"lot.expires_on": {"at_least": {"column": "work_date"}}},
    {"started_at": {"at_most": {"column": "lot.expires_on"}}},
    {"performer.authorisation": {"includes_all": ["boots"]}},
    {"performer.authorisation": {"present": True}, "certifier.authorisation": {"present": True}},
    {"manual.superseded_on": {"after": {"column": "work_date"}}},
    {"manual.effective_from": {"at_most": {"column": "started_at"}}},
    {"ppe_worn": {"includes_all": ["gloves", "goggles"]}, "performed_by": {"present": True}},
    {"product.hazard_codes": {"includes_all": ["H225"]}},
    {"signed_at": {"present": True}, "signed_after_minutes": {"at_least": 0, "at_most": 60}},
    {"work_minutes": {"at_least": 30}},
    {"ambient_c": {"at_least": 10, "at_most": 20}},
    {"certified_by": {"not": {"column": "performed_by"}}},
    {"any_of": [{"coat": {"is": 1}}, {"coats": {"at_least": 2}}, {"product": {"not_in": ["wash"]}}]},
    {"started_at": {"before": "2025-10-26"}, "finished_at": {"not": "2025-11-02T06:00:00Z"}},
    {"lot.expires_on": {"after": "2025-06-02"}, "signed_at": {"after": {"column": "lot.opened_on"}}},
)


def rule(form: str, **parts: Any) -> dict[str, Any]:
    """The data of a rule."""
    return {
        "id": "r",
        "title": "t",
        "form": form,
        "level": 2,
        "basis": [{"source": "common practice, no source"}],
        "why": "w",
        "put_right": "p",
        "examples": [{"name": "a", "expect": "complies"}, {"name": "b", "expect": "finding"}],
        **parts,
    }


EVENTS = st.one_of(
    st.just({"event": "takeoff"}),
    st.sampled_from((WASH, GUARD, {"action": {"not": "apply"}}, {"product": {"not": "preserve"}})).map(
        lambda where: {"event": "treatment", "where": where}
    ),
)
RECORD = st.builds(
    lambda scope, require: rule("record", scope=scope, require=require),
    st.one_of(st.just({}), SCOPES),
    st.sampled_from(REQUIREMENTS),
)
HOLD = st.builds(
    lambda scope, forbid, time: rule("hold", scope=scope, forbid=forbid, **{"for": time}), SCOPES, EVENTS, DURATIONS
)
ORDER = st.builds(
    lambda scope, must_be, among: rule("order", scope=scope, must_be=must_be, among=among),
    SCOPES,
    st.sampled_from(("last", "first")),
    SCOPES,
)


@st.composite
def precede_rules(draw: st.DrawFn) -> dict[str, Any]:
    """What is needed, how near, and what undoes it."""
    parts: dict[str, Any] = {"scope": draw(SCOPES), "needs": draw(SCOPES)}
    if draw(st.booleans()):
        parts["within"] = draw(DURATIONS)
    if draw(st.booleans()):
        parts["broken_by"] = draw(st.lists(EVENTS, min_size=1, max_size=2))
    return rule("precede", **parts)


@st.composite
def interval_rules(draw: st.DrawFn) -> dict[str, Any]:
    """Limits on one or two meters, in a season or not, counted on in any way."""
    limits: dict[str, Any] = {}
    for meter, values in {
        "flight_hours": (0.1, 0.7, 1.0, 1.4, 2.0),
        "cycles": (1, 2, 3),
        "days": (1, 2, 3),
        "months": (1,),
    }.items():
        if draw(st.integers(0, 2)) == 0:
            limits[meter] = draw(st.sampled_from(values))
    parts: dict[str, Any] = {"scope": draw(SCOPES), "at_most": limits or {"flight_hours": 1.0}}
    if draw(st.booleans()):
        parts["boots"] = draw(
            st.sampled_from(({"component.material": {"is": "chloroprene"}}, {"component.finish": {"is": "black"}}))
        )
    if draw(st.integers(0, 2)) == 0:
        parts["season"] = draw(
            st.sampled_from(
                (
                    {"from": "10-01", "to": "04-30"},
                    {"from": "06-03", "to": "06-03"},
                    {"from": "10-26", "to": "10-26"},
                    {"from": "11-02", "to": "03-30"},
                )
            )
        )
    if draw(st.booleans()):
        parts["next_due"] = draw(st.sampled_from(("scheduled", "overrun-deducted")))
    if draw(st.booleans()):
        parts["tolerance"] = {"percent": draw(st.sampled_from((10, 50, 100)))}
        if draw(st.booleans()):
            parts["tolerance"] |= draw(st.sampled_from(({"flight_hours": 0.2}, {"days": 1}, {"cycles": 1})))
    return rule("interval", **parts)


COUNT = st.builds(
    lambda scope, coats: rule("count", scope=scope, coats=coats),
    SCOPES,
    st.sampled_from(({"at_least": 2}, {"at_most": 2}, {"at_least": 2, "at_most": 3})),
)
SPACING = st.builds(
    lambda scope, pause: rule("spacing", scope=scope, pause=pause),
    SCOPES,
    st.sampled_from(({"at_least": "PT30M"}, {"at_most": "PT1H"}, {"at_least": "PT0M", "at_most": "PT2H"})),
)
OVERLAP = st.builds(
    lambda scope, shape: rule("overlap", scope=scope, **shape),
    st.one_of(st.just({}), SCOPES.filter(lambda scope: scope is not ON_BLACK)),
    st.sampled_from(
        (
            {"between": ["tasks", "flights"], "same": ["aircraft"]},
            {"between": ["tasks", "tasks"], "same": ["performed_by"], "differing": ["station"]},
            {"between": ["tasks", "tasks"], "same": ["certified_by"], "differing": ["aircraft"]},
            {"between": ["tasks", "tasks"], "same": ["aircraft", "work_order"], "differing": ["lot"]},
            {"between": ["tasks", "stays"], "same": ["aircraft"], "differing": ["station"]},
            {"between": ["flights", "flights"], "same": ["aircraft"]},
            {"between": ["flights", "flights"], "same": ["aircraft"], "differing": ["destination"]},
            {"between": ["components", "components"], "same": ["aircraft", "position"]},
            {"between": ["components", "components"], "same": ["component_serial"], "differing": ["aircraft"]},
        )
    ),
)


# What the forms say, in the twin's words


def told(data: Mapping[str, Any], outcomes: Outcomes, timeline: Timeline) -> tuple[int, Counter[Any], Counter[Any]]:
    """How many subjects, and which are findings and which unjudged."""
    found: Counter[Any] = Counter()
    unjudged: Counter[Any] = Counter()
    for case in outcomes.cases.to_dict("records"):
        (found if case["finding"] else unjudged)[name_of(data, case, timeline)] += 1
    return outcomes.in_scope, found, unjudged


def name_of(data: Mapping[str, Any], case: dict[Any, Any], timeline: Timeline) -> tuple[Any, ...]:
    """A case's subject as the twin names it."""

    def task(row: int) -> str | None:
        return str(timeline.tasks["task_id"].iloc[row]) if row >= 0 else None

    def named(kind: str, row: int) -> Any:
        if row < 0:
            return None
        if kind == "tasks":
            return task(row)
        return row if kind == "components" else str(timeline.tables["flights"]["flight_id"].iloc[row])

    form, subject, other = data["form"], case["subject"], case["other"]
    if form == "record":
        return (task(subject),)
    if form == "overlap":
        names = [named(kind, row) for kind, row in zip(data["between"], (subject, other), strict=True)]
        one_kind = data["between"][0] == data["between"][1]
        return tuple(sorted(names, key=str)) if one_kind and names[1] is not None else tuple(names)
    place = pd.Series([case["place"]]).to_numpy()
    aircraft = timeline.aircraft_names[timeline.aircraft_of(place)[0]]
    code = timeline.position_of(place)[0]
    where = aircraft, None if code == timeline.unknown_position else timeline.position_names[code]
    if form == "interval":
        boot = case["component"] if case["component"] >= 0 else None
        return (boot, task(subject), *where)
    if form == "spacing":
        return (task(subject), task(case["task"]) if other >= 0 else None, *where)
    return (task(subject), *where)


def compare(data: Mapping[str, Any], tables: dict[str, list[Row]], as_of: datetime | None, export: Export) -> None:
    """Judge a rule both ways and set what they say against each other."""
    assert export.rejects.empty, export.rejects.to_string()
    timeline = build_timeline(export, None if as_of is None else pd.Timestamp(as_of))
    verdicts = twin.judge(data, tables, as_of)
    names = {one: one[:4] if data["form"] == "interval" else one for one in verdicts}
    expected = (
        len(verdicts),
        Counter(names[one] for one, verdict in verdicts.items() if verdict is False),
        Counter(names[one] for one, verdict in verdicts.items() if verdict is None),
    )
    assert told(data, judge_rule(RULES.validate_python(data), timeline), timeline) == expected


@pytest.mark.parametrize(
    "rules",
    [
        pytest.param(RECORD, id="record"),
        pytest.param(HOLD, id="hold"),
        pytest.param(ORDER, id="order"),
        pytest.param(precede_rules(), id="precede"),
        pytest.param(interval_rules(), id="interval"),
        pytest.param(COUNT, id="count"),
        pytest.param(SPACING, id="spacing"),
        pytest.param(OVERLAP, id="overlap"),
    ],
)
def test_form_says_what_its_twin_says(rules: st.SearchStrategy[dict[str, Any]]) -> None:
    """Counts in scope, findings and unjudged subjects agree, subject by subject."""

    @settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
    @given(st.lists(rules, min_size=1, max_size=5), exports())
    def agree(several: list[dict[str, Any]], drawn: tuple[dict[str, list[Row]], datetime | None]) -> None:
        tables, as_of = drawn
        assume(tables["tasks"])
        export = read_rows(tables)
        for data in several:
            compare(data, tables, as_of, export)

    agree()
