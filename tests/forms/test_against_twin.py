"""Every form against its slow twin, on small random exports full of ties, gaps and exact limits."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.findings.collect import collect
from audit.forms.judging import AMBIGUOUS, every_subject, judge_rule
from audit.forms.outcomes import Outcomes
from audit.intake.reading import read_rows
from audit.timeline.timeline import Timeline, build_timeline
from tests.forms import twin
from tests.forms.reasons import unknown
from tests.forms.rules import RULES, rule

Row = dict[str, str]

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
CLOCKS_BACK = SCENES[1:3]
REFERENCES = ("flights", "components", "products", "stations", "lots", "people", "manuals")


def zulu(at: datetime) -> str:
    """An instant as exports write it."""
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")


def is_ambiguous(wall: datetime, zone: ZoneInfo) -> bool:
    """Whether a wall-clock time that occurs occurs twice."""
    return wall.replace(tzinfo=zone, fold=0).utcoffset() != wall.replace(tzinfo=zone, fold=1).utcoffset()


@st.composite
def exports(
    draw: st.DrawFn, night: bool = False, *, always_orderly: bool = False
) -> tuple[dict[str, list[Row]], datetime | None]:
    """A few days of one or two aircraft, and an as-of time. Some are orderly, in some much is missing or unknown.

    `night`: most happens in the night in which the clocks go back. `always_orderly`: everything is told, and no time is
    ambiguous.
    """
    scenes = SCENES[:1] if always_orderly else CLOCKS_BACK if night else SCENES
    day, zone_name, change = draw(st.sampled_from(scenes))
    zone = ZoneInfo(zone_name)
    first = datetime.fromisoformat(day).replace(tzinfo=UTC)
    moments = st.integers(0, 120).map(lambda steps: first + steps * STEP)
    # Most things happen around one moment, so that limits are met and times tie.
    steps = st.just(change) if night else st.one_of(st.sampled_from((0, 48, 96, change)), st.integers(0, 120))
    focus = first + draw(steps) * STEP
    near = st.one_of(*[st.integers(-6, 6).map(lambda steps: focus + steps * STEP)] * 3, moments)
    orderly = always_orderly or draw(st.booleans())
    without = {name for name in REFERENCES if not orderly and draw(st.integers(0, 9)) == 0}
    fleet = AIRCRAFT[: draw(st.integers(1, 2))]
    # Work at one station and flights that fit leave no doubt whether all of them were recorded.
    home = draw(st.sampled_from(("S2", "S2", "")))
    unlogged = () if orderly else draw(st.sampled_from(((), (), (), ("A1",), ("A2",))))
    with_legs = draw(st.booleans())
    doubtful_times: Counter[str] = Counter()

    def pick(*usual: str, odd: tuple[str, ...] = ()) -> str:
        return draw(st.sampled_from(usual if orderly else usual * 2 + odd))

    def clock(at: datetime, *owners: str) -> str:
        """An instant as wall clock or with its zone; at most two ambiguous times for any aircraft or person."""
        wall = at.astimezone(zone).replace(tzinfo=None)
        if "stations" in without or (not night and draw(st.booleans())):
            return zulu(at)
        if is_ambiguous(wall, zone):
            if doubtful_times["all"] >= 3 or any(doubtful_times[owner] >= 2 for owner in owners):
                return zulu(at)
            doubtful_times.update({*owners, "all"})
        return wall.isoformat()

    def task(number: int) -> Row:
        aircraft = pick(*fleet)
        person = pick("Ann", "Ann", "Bob", odd=("",))
        certifier = pick("Ann", "Bob", odd=("", ""))
        station = home or pick("S1", "S2", *["S2"] * 4 * night)
        start = draw(near)
        end = start + draw(st.sampled_from((0, 1, 1, 1, 2, 4))) * STEP
        owners = {aircraft, person, certifier} - {""}

        def written(at: datetime) -> str:
            return zulu(at) if station == "S1" else clock(at, *owners)

        row = {
            "task_id": f"T{number}",
            "work_order": pick("W1", "W1", "W2"),
            "aircraft": aircraft,
            "action": pick("apply", "apply", "apply", "clean", "prepare"),
            "station": station,
            "started_at": written(start),
            "finished_at": written(end),
            "status": pick("", "", "closed", odd=("open", "void")),
            "position": pick("left", "left", "left", "right", "left; right", odd=("all", "", "fin")),
            "product": pick("preserve", "preserve", "guard", "guard", "wash", odd=("unheard-of", "")),
            "lot": pick("L1", odd=("L2", "")),
            "coat": pick("1", "2", "3", odd=("", "")),
            "coats": pick("", odd=("2",)),
            "performed_by": person,
            "certified_by": certifier,
            "component_serial": pick("C1", "CA1left", odd=("",)),
            "manual": pick("M", odd=("",)),
            "manual_revision": pick("1", "2", odd=("3",)),
            "ppe_worn": pick("gloves; goggles", "gloves", odd=("",)),
            "ambient_c": pick("20", "9.5", odd=("",)),
        }
        if draw(st.booleans()):
            row["signed_at"] = written(draw(near))
        return row

    def flight(number: int) -> Row:
        takeoff = draw(near)
        return {
            "flight_id": f"F{number}",
            "aircraft": pick(*fleet),
            "takeoff_at": zulu(takeoff),
            "landing_at": zulu(takeoff + draw(st.sampled_from((0, 1, 2, 2, 3))) * STEP),
            "destination": pick("S1", "S2", "ICA2", odd=("nowhere", "")),
            "flight_hours": pick("", "0.1", "0.7", "1.3"),
            "cycles": pick("", "0", "2"),
        }

    def component(number: int) -> Row:
        installed = draw(st.one_of(st.just(first - timedelta(days=20)), near, near))
        removed = draw(st.one_of(st.none(), near))
        return {
            "component_serial": pick(f"C{number}", "C1", *(row["component_serial"] for row in since_long)),
            "aircraft": pick(*fleet),
            "position": pick("left", "left", "right"),
            "material": pick("chloroprene", "chloroprene", "polyurethane"),
            "finish": pick("black", "black", "silver", odd=("",)),
            "installed_at": zulu(installed),
            "removed_at": "" if removed is None else zulu(max(installed, removed)),
        }

    def rows(kind: Any, fewest: int, most: int) -> list[Row]:
        return [kind(number) for number in range(1, draw(st.integers(fewest, most)) + 1)]

    since_long = [
        {
            "component_serial": f"C{aircraft}{position}",
            "aircraft": aircraft,
            "position": position,
            "material": "chloroprene",
            "finish": "black",
            "installed_at": zulu(first - timedelta(days=30)),
            "removed_at": pick("", zulu(focus), zulu(draw(near))),
        }
        for aircraft in fleet
        for position in POSITIONS
        if orderly or draw(st.booleans())
    ]
    tables = {
        "tasks": rows(task, 1, 6),
        "flights": [one for one in rows(flight, 0, 4) if one["aircraft"] not in unlogged],
        "components": of_one_boot_each(since_long + rows(component, 0, 1 if orderly else 3)),
        "products": [
            {"product": name, "product_class": kind, "approval": approval, "hazard_codes": hazards}
            for name, (kind, approval, hazards) in PRODUCTS.items()
        ],
        "stations": [
            # Now and then both stations are at one aerodrome.
            {"station": "S1", "timezone": "UTC", "icao": pick(*["ICA1"] * 4, "ICA2")},
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
    if draw(st.integers(0, 7)) == 0:
        tables["flights"] += flown_before(first)
    if with_legs:
        for one in fleet:
            fit([row for row in tables["flights"] if row["aircraft"] == one], pick)
    supplied = {name: table for name, table in tables.items() if name not in without}
    return supplied, draw(st.one_of(st.none(), st.just(first + 120 * STEP), near))


def of_one_boot_each(rows: list[Row]) -> list[Row]:
    """Stays of boots without those in which a boot would be at two places at once; each boot of one make."""
    kept: list[Row] = []
    for row in rows:
        others = [other for other in kept if other["component_serial"] == row["component_serial"]]
        end = row["removed_at"] or "9"
        if all(end <= other["installed_at"] or (other["removed_at"] or "9") <= row["installed_at"] for other in others):
            if any(other["installed_at"] == row["installed_at"] for other in others):
                continue
            make = {name: other[name] for other in others for name in ("material", "finish")}
            kept.append({**row, **make})
    return kept


def flown_before(first: datetime) -> list[Row]:
    """Regular flights of an aircraft long before: since then it flew unusually long not at all."""
    takeoffs = [first - timedelta(days=40) + number * timedelta(hours=6) for number in range(10)]
    return [
        {
            "flight_id": f"G{number}",
            "aircraft": "A1",
            "takeoff_at": zulu(takeoff),
            "landing_at": zulu(takeoff + 2 * STEP),
            "destination": "S2",
            "flight_hours": "",
            "cycles": "",
        }
        for number, takeoff in enumerate(takeoffs)
    ]


def fit(flights: list[Row], pick: Callable[..., str]) -> None:
    """Have flights of an aircraft begin where the last one ended, mostly."""
    before = ""
    for row in sorted(flights, key=lambda one: one["takeoff_at"]):
        row["origin"] = pick(before, before, before, odd=("S1", "S2", ""))
        before = row["destination"]


# Rules


PRESERVE = {"action": {"is": "apply"}, "product_class": {"is": "rubber-preservative"}}
GUARD = {"action": {"is": "apply"}, "product_class": {"is": "ice-adhesion-treatment"}}
ON_BLACK = {**PRESERVE, "component.finish": {"is": "black"}}
ANYTHING = {"product": {"present": True}}
WASH = {"any_of": [{"action": {"in": ["clean", "prepare"]}}, {"product_class": {"is": "cleaner"}}]}
SCOPES = st.sampled_from((PRESERVE, PRESERVE, GUARD, ON_BLACK, ANYTHING, WASH, {"action": {"is": "apply"}}))
NOT_PRESERVE = {"product_class": {"not": "rubber-preservative"}}
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


EVENTS = st.one_of(
    st.just({"event": "takeoff"}),
    st.sampled_from((WASH, GUARD, NOT_PRESERVE, {"product": {"not": "preserve"}})).map(
        lambda where: {"event": "treatment", "where": where}
    ),
)
RECORD = st.builds(
    lambda scope, require: rule("record", scope=scope, require=require),
    st.one_of(st.just({}), SCOPES),
    st.sampled_from(REQUIREMENTS),
)
SEASONS = st.sampled_from(
    (
        {"from": "10-01", "to": "04-30"},
        {"from": "06-03", "to": "06-03"},
        {"from": "10-26", "to": "10-26"},
        {"from": "11-02", "to": "03-30"},
    )
)


@st.composite
def hold_rules(draw: st.DrawFn) -> dict[str, Any]:
    """What is forbidden, for how long or until what, over what, in which season."""
    parts: dict[str, Any] = {"scope": draw(SCOPES), "forbid": draw(EVENTS)}
    released = draw(st.booleans())
    if released:
        parts["until"] = draw(SCOPES)
    if not released or draw(st.booleans()):
        parts["for"] = draw(DURATIONS)
    if draw(st.booleans()):
        parts["over"] = draw(SCOPES)
    if draw(st.integers(0, 2)) == 0:
        parts["season"] = draw(SEASONS)
    return rule("hold", **parts)


ORDER = st.builds(
    lambda scope, must_be, among: rule("order", scope=scope, must_be=must_be, among=among),
    SCOPES,
    st.sampled_from(("last", "first")),
    st.one_of(SCOPES, st.just(NOT_PRESERVE)),
)


@st.composite
def precede_rules(draw: st.DrawFn) -> dict[str, Any]:
    """What is needed, how near, and what undoes it; or what else will do."""

    def precedent() -> dict[str, Any]:
        parts: dict[str, Any] = {"needs": draw(SCOPES)}
        if draw(st.booleans()):
            parts["within"] = draw(DURATIONS)
        if draw(st.booleans()):
            parts["broken_by"] = draw(st.lists(EVENTS, min_size=1, max_size=2))
        return parts

    others = [precedent() for _ in range(draw(st.integers(0, 2)))]
    return rule("precede", scope=draw(SCOPES), **precedent(), **({"or_else": others} if others else {}))


BOOTS = st.sampled_from(({"component.material": {"is": "chloroprene"}}, {"component.finish": {"is": "black"}}))


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
        parts["boots"] = draw(BOOTS)
    if draw(st.integers(0, 2)) == 0:
        parts["season"] = draw(SEASONS)
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
SEASON_COUNT = st.builds(
    lambda scope, number, season, boots: rule("count", scope=scope, sessions=number, season=season, boots=boots),
    SCOPES,
    st.sampled_from(({"at_least": 1}, {"at_least": 2}, {"at_most": 1}, {"at_least": 1, "at_most": 2})),
    SEASONS,
    st.one_of(st.just({}), BOOTS),
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


def told(data: Mapping[str, Any], outcomes: Outcomes, timeline: Timeline) -> tuple[Counter[Any], Counter[Any]]:
    """Which subjects are findings and which unjudged."""
    found: Counter[Any] = Counter()
    unjudged: Counter[Any] = Counter()
    for case in outcomes.cases.to_dict("records"):
        (found if case["finding"] else unjudged)[by_record(data, name_of(data, case, timeline))] += 1
    return found, unjudged


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

    form, subject, other = data["form"], case["subject"], case["other_subject"]
    if form == "record":
        return (task(subject),)
    if form == "overlap":
        names = [named(kind, row) for kind, row in zip(data["between"], (subject, other), strict=True)]
        one_kind = data["between"][0] == data["between"][1]
        return tuple(sorted(names, key=str)) if one_kind and names[1] is not None else tuple(names)
    of_boot = form == "interval" or "sessions" in data
    place = pd.Series([case["named_at" if of_boot else "place"]]).to_numpy()
    aircraft = timeline.aircraft_names[timeline.aircraft_of(place)[0]]
    code = timeline.position_of(place)[0]
    where = aircraft, None if code == timeline.unknown_position else timeline.position_names[code]
    if of_boot:
        row = case["component"]
        boot = None if row < 0 else str(timeline.tables["components"]["component_serial"].iloc[row])
        return (boot, task(subject), *where)
    if form == "spacing":
        return (task(subject), task(other), *where)
    return (task(subject), *where)


def by_record(data: Mapping[str, Any], name: tuple[Any, ...]) -> tuple[Any, ...]:
    """The name of a stretch that a treatment began, which is the same whatever boot that was of."""
    return (None, *name[1:]) if data["form"] == "interval" and name[1] is not None else name


def placed_in_time(tables: dict[str, list[Row]], as_of: datetime | None) -> Timeline:
    """The timeline of an export of which every row can be believed."""
    export = read_rows(tables)
    assert export.rejects.empty, export.rejects.to_string()
    return build_timeline(export, None if as_of is None else pd.Timestamp(as_of))


def shows_what_was_found(data: Mapping[str, Any], cases: pd.DataFrame) -> bool:
    """Whether each finding of a hold shows the event that broke it, and what is unjudged a reason, but nothing
    measured; what broke it in one reading of the clock only may be shown."""
    event = "flight" if data.get("forbid") == {"event": "takeoff"} else "other"
    measured = cases["measured"].notna() & ~cases["finding"]
    told = ((cases["reason"] == "") == cases["finding"]).all()
    shown = ((cases[event] >= 0) == cases["finding"]) | (cases["reason"] == AMBIGUOUS)
    return told and not measured.any() and (data["form"] != "hold" or shown.all())


def compare(data: Mapping[str, Any], tables: dict[str, list[Row]], as_of: datetime | None, timeline: Timeline) -> None:
    """Judge a rule both ways and set what they say against each other."""
    found = [
        {by_record(data, one): verdict for one, verdict in verdicts.items()}
        for verdicts in twin.judge(data, tables, as_of)
    ]
    verdicts = twin.resolved(found)
    names = {one: one[:4] if data["form"] == "interval" or "sessions" in data else one for one in verdicts}
    expected = (
        Counter(names[one] for one, verdict in verdicts.items() if verdict is False),
        Counter(names[one] for one, verdict in verdicts.items() if verdict is None),
    )
    outcomes = judge_rule(RULES.validate_python(data), timeline)
    assert told(data, outcomes, timeline) == expected
    assert unknown(outcomes.cases["reason"]) == []
    assert shows_what_was_found(data, outcomes.cases)
    # No two of them have one identity: else this would fail.
    collect([(RULES.validate_python(data), outcomes)], timeline)
    # Where a subject exists in one reading of the clock only, it counts as in scope if it is in doubt.
    if all(one.keys() == found[0].keys() for one in found):
        assert outcomes.in_scope == len(verdicts)
        every = every_subject(RULES.validate_python(data), timeline).to_dict("records")
        words = {True: "complies", False: "finding", None: "unjudged"}
        assert Counter((by_record(data, name_of(data, case, timeline)), case["outcome"]) for case in every) == Counter(
            ((one[1], None) if one[0] == "alone" else names[one], words[verdict]) for one, verdict in verdicts.items()
        )


@pytest.mark.parametrize("night", [pytest.param(False, id="any-time"), pytest.param(True, id="clocks-go-back")])
@pytest.mark.parametrize(
    "rules",
    [
        pytest.param(RECORD, id="record"),
        pytest.param(hold_rules(), id="hold"),
        pytest.param(ORDER, id="order"),
        pytest.param(precede_rules(), id="precede"),
        pytest.param(interval_rules(), id="interval"),
        pytest.param(COUNT, id="count"),
        pytest.param(SEASON_COUNT, id="count-in-season"),
        pytest.param(SPACING, id="spacing"),
        pytest.param(OVERLAP, id="overlap"),
    ],
)
def test_form_says_what_its_twin_says(rules: st.SearchStrategy[dict[str, Any]], night: bool) -> None:
    """Counts in scope, findings and unjudged subjects agree, subject by subject."""

    # An example is a whole export, of which many rules are asked, since to make one takes as long as to judge several.
    # `make twins` tries thirty times as many.
    @settings(max_examples=settings().max_examples // 12)
    @given(st.lists(rules, min_size=6, max_size=10), exports(night=night))
    def agree(several: list[dict[str, Any]], drawn: tuple[dict[str, list[Row]], datetime | None]) -> None:
        tables, as_of = drawn
        timeline = placed_in_time(tables, as_of)
        for data in several:
            compare(data, tables, as_of, timeline)

    agree()


HELD = "2025-06-03T08:00:00Z"
BEFORE, AWAY, BACK = "2025-06-01T00:00:00Z", "2025-06-03T10:00:00Z", "2025-06-03T12:00:00Z"


def stay(serial: str, aircraft: str, position: str, installed: str, removed: str = "") -> Row:
    """A boot at a place."""
    names = ("component_serial", "aircraft", "position", "material", "installed_at", "removed_at")
    return dict(zip(names, (serial, aircraft, position, "chloroprene", installed, removed), strict=True))


@pytest.mark.parametrize(
    ("event", "washed", "flown", "stays", "expected"),
    [
        pytest.param(
            {"event": "treatment", "where": NOT_PRESERVE},
            ("A2", ""),
            "A2",
            [stay("X", "A1", "left", BEFORE, AWAY), stay("X", "A2", "left", BACK)],
            None,
            id="no-position-on-the-aircraft-that-it-was-moved-to",
        ),
        pytest.param(
            {"event": "treatment", "where": NOT_PRESERVE},
            ("A1", "right"),
            "A2",
            [
                stay("X", "A1", "left", BEFORE, AWAY),
                stay("X", "A1", "right", BACK),
                stay("Z", "A1", "right", BEFORE),
            ],
            None,
            id="one-of-two-where-it-was-moved-to",
        ),
        pytest.param(
            {"event": "takeoff"},
            ("A2", "right"),
            "A1",
            [stay("X", "A1", "left", BEFORE), stay("X", "A2", "left", "2025-06-02T00:00:00Z")],
            False,
            id="recorded-at-two-places-at-once",
        ),
        pytest.param(
            {"event": "takeoff"},
            ("A2", "right"),
            "A2",
            [stay("X", "A1", "left", BEFORE, AWAY), stay("Z", "A1", "left", BEFORE), stay("X", "A2", "left", AWAY)],
            None,
            id="one-of-two-moved-to-the-aircraft-that-flew",
        ),
        pytest.param(
            {"event": "treatment", "where": NOT_PRESERVE},
            ("A2", "left"),
            "A1",
            [stay("X", "A1", "left", BEFORE, AWAY), stay("Z", "A1", "left", BEFORE), stay("X", "A2", "left", AWAY)],
            None,
            id="one-of-two-moved-to-where-it-was-washed",
        ),
        pytest.param(
            {"event": "takeoff"},
            ("A2", "right"),
            "A2",
            [stay("X", "A1", "left", BEFORE), stay("X", "A2", "left", AWAY)],
            None,
            id="moved-and-its-removal-not-entered",
        ),
        pytest.param(
            {"event": "takeoff"},
            ("A2", "right"),
            "A1",
            [stay("X", "A1", "left", BEFORE), stay("X", "A2", "left", "2025-06-03T13:00:00Z")],
            False,
            id="flown-before-it-was-recorded-at-two-places",
        ),
        pytest.param(
            {"event": "treatment", "where": NOT_PRESERVE},
            ("A1", "right"),
            "A2",
            [stay("X", "A1", "left", BEFORE), stay("X", "A1", "right", AWAY)],
            None,
            id="moved-to-another-position-and-its-removal-not-entered",
        ),
    ],
)
def test_a_moved_boot_is_no_way_out_of_a_hold(
    event: dict[str, Any], washed: tuple[str, str], flown: str, stays: list[Row], expected: bool | None
) -> None:
    """Where it isn't known which boot was worked on, it may have been one that was moved there; and a boot recorded at
    two places flew with the aircraft that it was treated on, or with another on which it is recorded since."""
    usual = {"action": "apply", "work_order": "W1", "station": "S1"}
    tables = {
        "tasks": [
            {"task_id": "T1", **usual, "aircraft": "A1", "position": "left", "product": "preserve"}
            | {"started_at": HELD, "finished_at": HELD},
            {"task_id": "T2", **usual, "aircraft": washed[0], "position": washed[1], "product": "wash"}
            | {"started_at": "2025-06-03T20:00:00Z", "finished_at": "2025-06-03T20:00:00Z", "work_order": "W2"},
        ],
        "flights": [
            {"flight_id": "F1", "aircraft": flown, "takeoff_at": BACK, "landing_at": "2025-06-03T13:00:00Z"},
            *(
                {"flight_id": f"F{one}", "aircraft": one, "takeoff_at": f"{day}:00:00Z", "landing_at": f"{day}:30:00Z"}
                for one, day in (("A1", "2025-06-08T10"), ("A2", "2025-06-08T10"))
            ),
        ],
        "components": stays,
        "products": [{"product": name, "product_class": kind} for name, (kind, *_) in PRODUCTS.items()],
        "stations": [{"station": "S1", "timezone": "UTC"}],
    }
    as_of = datetime(2025, 6, 10, tzinfo=UTC)
    data = rule("hold", scope=PRESERVE, forbid=event, **{"for": "PT24H"})
    assert twin.resolved(twin.judge(data, tables, as_of)) == {("T1", "A1", "left"): expected}
    compare(data, tables, as_of, placed_in_time(tables, as_of))
