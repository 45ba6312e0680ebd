"""What rules of many shapes say, of themselves and of one export, and what a drill plants in it for them: to be read.

`make golden` writes it to tests/golden.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from functools import cache
from typing import Any

import pandas as pd

from audit.authoring.examples import as_of_example, example_export
from audit.authoring.explaining import explain
from audit.findings.collect import evidence_of
from audit.forms import form_of
from audit.forms.drawing import AroundSession
from audit.forms.judging import every_subject, judge_rule, sentences, what_comes
from audit.forms.outcomes import NONE
from audit.intake.export import Export
from audit.language.events import SeasonByBase
from audit.language.rule import Example, Rule
from audit.planting.planting import Edit, NotPlantable, Planter, Side, Spot
from audit.rulebook.worded import message_kinds, message_names
from audit.timeline.instants import stamp
from audit.timeline.timeline import Timeline, build_timeline
from tests.forms.rules import RULES, rule

SIDES: tuple[Side, Side] = ("inside", "outside")
SUBJECTS, TURNS = 2, 3
"""How many subjects are asked for, and how often each: a rule that can be broken in several ways takes them in turn."""


GLOSS, PREP = {"product_class": {"is": "gloss-coating"}}, {"product_class": {"is": "surface-prep"}}
DAY, ANY = {"column": "work_date"}, {"action": {"present": True}}
SEASON = {"from": "06-01", "to": "06-28"}
BY_BASE = SeasonByBase.model_validate({**SEASON, "by_aircraft": {"A2": {"from": "06-05", "to": "06-24"}}})
NEEDED = {
    "needed_for": "product.hazard_codes",
    "by": {"name": "small", "needs": {"H317": [["gloves"]], "H314": [["apron", "coat"]]}},
    "always": ["mask"],
}

_SHAPES: dict[str, list[dict[str, Any]]] = {
    "record": [
        {"require": {column: {operator: limit}}}
        for column, operator, limit in (
            ("ambient_c", "at_least", 9.5),
            ("ambient_c", "at_most", 21),
            ("ambient_c", "not", 4),
            ("coats", "at_least", 2),
            ("coat", "in", [1, 2, 3]),
            ("coat", "not_in", [4, 5]),
            ("work_minutes", "at_least", 5),
            ("signed_after_minutes", "at_most", 60),
            ("started_at", "before", "2025-07-01"),
            ("started_at", "at_least", "2025-06-02T06:00:00Z"),
            ("finished_at", "after", {"column": "started_at"}),
            ("signed_at", "present", True),
            ("signed_at", "not", "2025-06-01T00:00:00Z"),
            ("performed_by", "is", {"column": "certified_by"}),
            ("certified_by", "not", {"column": "component_serial"}),
            ("component_serial", "is", {"column": "component.component_serial"}),
            ("product", "not_in", ["cleaner", "oil"]),
            ("station", "is", {"column": "performed_by"}),
            ("status", "not", "open"),
            ("ppe_worn", "includes_all", ["gloves", "mask"]),
            ("ppe_worn", "includes_all", NEEDED),
            ("ppe_worn", "present", False),
            ("ppe_worn", "present", True),
            ("performer.authorisation", "present", False),
            ("component.installed_at", "not", "2025-06-16T06:00:00Z"),
            ("certificate_kind", "not", "airframe"),
            ("lot.opened_on", "present", True),
            ("product.hazard_codes", "includes_all", ["H317"]),
            ("product.approval", "is", "approved"),
            ("product_class", "not", "cleaner"),
            ("lot.expires_on", "at_least", DAY),
            ("work_date", "at_most", {"column": "lot.expires_on"}),
            ("work_date", "after", {"column": "lot.opened_on"}),
            ("lot.lot", "present", True),
            ("manual.effective_from", "at_most", DAY),
            ("manual.superseded_on", "after", DAY),
            ("manual.superseded_on", "present", False),
            ("manual.revision", "is", {"column": "manual_revision"}),
            ("component.material", "not", "polyurethane"),
            ("component.finish", "in", ["black", "silver"]),
            ("component.installed_at", "before", {"column": "started_at"}),
            ("performer.authorisation", "includes_all", ["boots"]),
            ("certifier.authorisation", "present", True),
            ("certificate", "in", {"column": "certifier.certificates"}),
            ("certificate", "present", True),
            ("certifier.certificates", "present", True),
            ("position_count", "at_most", 3),
        )
    ]
    + [
        {"of": "corrections", "require": {f"{prefix}.{column}": {operator: limit}}}
        for prefix, column, operator, limit in (
            ("correction", "made_at", "at_least", {"column": "signed_at"}),
            ("correction", "state", "not_in", ["does not fit"]),
            ("correction", "column", "not_in", ["started_at", "coats", "product", "status", "ambient_c", "lot"]),
            ("correction", "signed_by", "is", {"column": "correction.made_by"}),
            ("correction", "reason", "present", True),
            ("corrector", "authorisation", "includes_all", ["boots"]),
        )
    ]
    + [{"require": {"any_of": [{"coats": {"is": 1}}, {"any_of": [{"coat": {"is": 1}}, {"coat": {"is": 2}}]}]}}]
    + [{"require": {"any_of": [{"coat": {"is": 1}}, {"coats": {"at_least": 1}, "lot": {"present": True}}]}}]
    + [{"require": {"ambient_c": {"at_least": 5, "at_most": 30}, "performed_by": {"present": True}}}],
    "hold": [
        {"forbid": {"event": "takeoff"}, "for": "PT2H"},
        {"forbid": {"event": "takeoff"}, "for": "PT48H", "season": {"from": "06-01", "to": "06-13"}},
        {"forbid": {"event": "treatment", "where": PREP}, "for": "PT480H"},
        {"forbid": {"event": "takeoff"}, "until": PREP},
        {"forbid": {"event": "treatment", "where": PREP}, "for": "PT30M", "season": SEASON},
        {"forbid": {"event": "treatment", "where": PREP}, "for": "PT30M", "over": PREP},
        {"forbid": {"event": "takeoff"}, "for": "PT30H", "until": PREP, "over": PREP, "season": SEASON},
    ],
    "order": [{"must_be": which, "among": PREP} for which in ("first", "last")],
    "precede": [
        {"needs": PREP},
        {"needs": PREP, "within": "PT4H"},
        {"needs": PREP, "broken_by": [{"event": "takeoff"}]},
        {"needs": PREP, "broken_by": [{"event": "treatment", "where": {"product_class": {"is": "cleaner"}}}]},
        {"needs": PREP, "within": "PT1H", "or_else": [{"needs": GLOSS}]},
        {"needs": PREP, "broken_by": [{"event": "treatment", "where": {"product": {"present": True}}}]},
        {
            "needs": PREP,
            "within": "PT12H",
            "broken_by": [{"event": "takeoff"}, {"event": "treatment", "where": {"product_class": {"is": "cleaner"}}}],
        },
    ],
    "interval": [
        {"at_most": {"days": 10}},
        {"at_most": {"months": 1}, "next_due": "scheduled"},
        {"at_most": {"days": 20}, "next_due": "overrun-deducted", "tolerance": {"percent": 10}},
        {"at_most": {"flight_hours": 1}},
        {"at_most": {"flight_hours": 500}},
        {"at_most": {"flight_hours": 5.5}, "tolerance": {"percent": 10, "flight_hours": 0.2}},
        {"at_most": {"cycles": 4}, "season": SEASON},
        {"at_most": {"days": 20, "cycles": 9}, "boots": {"component.finish": {"is": "black"}}},
        {"at_most": {"flight_hours": 8, "cycles": 9}},
        {"at_most": {"days": 12, "months": 1}},
        {"at_most": {"flight_hours": 8, "days": 16}, "season": SEASON},
        {
            "at_most": {"cycles": 5, "days": 11},
            "next_due": "scheduled",
            "tolerance": {"percent": 20, "cycles": 1, "days": 1},
        },
        {"at_most": {"flight_hours": 0.5, "days": 3}, "next_due": "scheduled"},
        {"at_most": {"cycles": 1}, "next_due": "overrun-deducted", "season": SEASON},
    ],
    "count": [
        {"coats": {"at_least": 2}},
        {"coats": {"at_most": 4}},
        {"coats": {"at_least": 1, "at_most": 3}},
        {"sessions": {"at_least": 1}, "season": SEASON},
        {"sessions": {"at_most": 2}, "season": SEASON},
        {"coats": {"at_least": 2, "at_most": 3}},
        {"sessions": {"at_most": 3}, "season": {"from": "06-18", "to": "06-21"}},
        {"sessions": {"at_least": 1, "at_most": 3}, "season": SEASON, "boots": {"component.finish": {"is": "black"}}},
        {"coats": {"at_least": 5}},
        {"coats": {"at_most": 1}},
        {"sessions": {"at_least": 3}, "season": SEASON},
        {"sessions": {"at_most": 1}, "season": SEASON},
    ],
    "spacing": [
        {"pause": {"at_least": "PT30M"}},
        {"pause": {"at_most": "PT2H"}},
        {"pause": {"at_least": "PT20M", "at_most": "PT2H"}},
        {"pause": {"at_least": "PT3H"}},
        {"pause": {"at_most": "PT1M"}},
    ],
    "overlap": [
        {"between": between, "same": same, "differing": differing}
        for between, same, differing in (
            (["tasks", "flights"], ["aircraft"], []),
            (["tasks", "tasks"], ["performed_by"], ["station"]),
            (["tasks", "tasks"], ["aircraft", "work_order"], ["lot"]),
            (["tasks", "stays"], ["aircraft"], ["station"]),
            (["flights", "flights"], ["aircraft"], []),
            (["flights", "flights"], ["aircraft"], ["destination"]),
            (["components", "components"], ["aircraft", "position"], []),
            (["components", "components"], ["component_serial"], ["aircraft"]),
        )
    ],
}
"""Rules that none of those that ship is like, by form."""


def _work(day: int, hour: int, product: str, order: str, **cells: Any) -> dict[str, Any]:
    start, end = (f"2025-06-{day:02}T{hour:02}:{minute}:00Z" for minute in ("00", "20"))
    signed = {"signed_at": f"2025-06-{day:02}T{hour:02}:40:00Z", "certified_by": "P2", "ambient_c": 20}
    numbers = {"certificate_number": "7", "certificate_kind": "repairman", "manual": "M", "manual_revision": "2"}
    others = {"ppe_worn": "gloves; mask", "lot": "L1", "component_serial": "C1", "coats": 1}
    done = {"product": product, "work_order": order, "started_at": start, "finished_at": end}
    return signed | numbers | others | done | cells


def _flown(day: int, hour: int, **cells: Any) -> dict[str, Any]:
    places = {"origin": "S1", "destination": "S1", "flight_hours": 1.5, "cycles": 1}
    return places | {"takeoff_at": f"2025-06-{day:02}T{hour:02}:00:00Z"} | cells


ONE_EXPORT = Example.model_validate(
    {
        "name": "one export",
        "expect": "complies",
        "as_of": "2025-07-15T12:00:00Z",
        "tasks": [
            _work(2, 6, "surface-prep", "W1"),
            _work(2, 8, "gloss-coating", "W1", coat=1, coats=None),
            _work(2, 9, "gloss-coating", "W1", coat=2, coats=None, lot="L2"),
            _work(2, 12, "surface-prep", "W1", performed_by="P2"),
            _work(12, 9, "gloss-coating", "W2", position="left wing; right wing", coats=3, component_serial=None),
            _work(28, 23, "gloss-coating", "W4", finished_at="2025-06-29T00:00:00Z", signed_at="2025-06-29T00:20:00Z"),
            _work(20, 10, "cleaner", "W3", aircraft="A2", station="S2", coats=None, signed_at=None, lot=None),
        ],
        "flights": [
            *(_flown(day, 16) for day in (1, 4, 9, 15, 26)),
            _flown(9, 20, destination="S2", flight_hours=None),
            _flown(14, 20, origin="S2", cycles=None),
            *(_flown(day, 7, aircraft="A2", origin="S2", destination="S2") for day in (3, 21)),
        ],
        "components": [
            {},
            {"component_serial": "C2", "position": "right wing", "removed_at": "2025-06-24T00:00:00Z"},
            {"component_serial": "C3", "position": "right wing", "installed_at": "2025-06-24T06:00:00Z"},
            {"component_serial": "C4", "aircraft": "A2", "finish": "silver", "material": "polyurethane"},
        ],
        "products": [
            {"product": name, "product_class": name, "approval": "approved", "hazard_codes": "H317; H314"}
            for name in ("gloss-coating", "surface-prep", "cleaner")
        ],
        "lots": [
            {"lot": lot, "product": product, "opened_on": "2025-06-01", "expires_on": "2025-08-01"}
            for lot in ("L1", "L2")
            for product in ("gloss-coating", "surface-prep")
        ],
        "people": [
            {"person": person, "authorisation": "boots", "valid_from": "2025-01-01"}
            | {"certificate_number": "7", "certificate_kind": "repairman"}
            for person in ("P1", "P2")
        ],
        "corrections": [
            {"task_id": "T2", "column": "lot", "was": "L7", "now": "L1", "made_at": "2025-06-03T09:00:00Z"},
            {"task_id": "T6", "column": "ambient_c", "was": 12, "now": 20, "made_at": "2025-06-21T09:00:00Z"},
        ],
        "manuals": [
            {"manual": "M", "revision": "1", "effective_from": "2020-01-01", "superseded_on": "2024-01-01"},
            {"manual": "M", "revision": "2", "effective_from": "2024-01-01"},
        ],
    }
)


def _many(rows: Iterable[tuple[str, str, str, str, str]], **cells: Any) -> Iterator[dict[str, Any]]:
    """Records in short: `12 08:30` in June, order, product, aircraft and position, coat."""
    for at, order, product, where, coat in rows:
        start = pd.Timestamp(f"2025-06-{at}", tz="UTC")
        aircraft, position = where.split(" ", 1)
        done = {"product": product, "aircraft": aircraft, "position": position, "coat": coat or None}
        ends = {
            "finished_at": f"{start + pd.Timedelta(minutes=20)}",
            "signed_at": f"{start + pd.Timedelta(minutes=45)}",
        }
        yield _work(1, 0, **(done | {"order": order, "started_at": f"{start}"} | ends | _OF_FLEET | cells))


_OF_FLEET = {"coats": None, "component_serial": None, "lot": "L2"}
FLEET = Example.model_validate(
    {
        "name": "a fleet",
        "expect": "complies",
        "as_of": "2025-07-02T12:00:00Z",
        "tasks": [
            *_many([("20 14:00", "W7", "gloss-coating", "A2 right wing", "")], coats=2, station="S2"),
            *_many(
                [
                    ("02 06:00", "W1", "surface-prep", "A1 left wing; right wing", ""),
                    ("02 08:00", "W1", "gloss-coating", "A1 left wing; right wing", "1"),
                    ("02 09:00", "W1", "gloss-coating", "A1 left wing; right wing", "2"),
                ]
            ),
            *_many([("02 10:00", "W1", "gloss-coating", "A1 left wing; right wing", "3")], status="void"),
            *_many([("02 10:30", "W1", "gloss-coating", "A1 left wing", "3")], lot="L1", ppe_worn=None),
            *_many(
                [
                    ("03 08:50", "W2", "gloss-coating", "A2 left wing", "2"),
                    ("03 08:00", "W2", "gloss-coating", "A2 left wing", "1"),
                    ("03 06:00", "W2", "surface-prep", "A2 left wing", ""),
                    ("03 07:00", "W2", "surface-prep", "A2 left wing", ""),
                    ("03 10:00", "W2", "cleaner", "A2 fin", ""),
                ],
                station="S2",
                performed_by="P2",
            ),
            *_many([("12 01:00", "W3", "gloss-coating", "A1 left wing", "")], coats=3, component_serial="B1"),
            *_many([("11 23:50", "W3", "surface-prep", "A1 left wing", "")], manual_revision="1"),
            *_many(
                [
                    ("10 09:00", "W4", "gloss-coating", "A2 fin", "1"),
                    ("10 09:50", "W4", "gloss-coating", "A2 fin", "2"),
                    ("13 06:00", "W5", "surface-prep", "A2 left wing", ""),
                    ("13 09:00", "W5", "gloss-coating", "A2 left wing", "1"),
                    ("13 09:50", "W5", "gloss-coating", "A2 left wing", "2"),
                    ("13 12:50", "W5", "gloss-coating", "A2 left wing", "3"),
                    ("13 15:00", "W5", "surface-prep", "A2 left wing", ""),
                ],
                station="S2",
                certified_by="P3",
            ),
            *_many(
                [
                    ("19 20:00", "W6", "surface-prep", "A1 right wing", ""),
                    ("20 08:00", "W6", "gloss-coating", "A1 right wing", "1"),
                    ("20 08:15", "W6", "gloss-coating", "A1 right wing", "2"),
                    ("24 09:00", "W8", "unheard-of", "A1 left wing", ""),
                ],
                performed_by="P3",
            ),
            *_many([("26 09:00", "W9", "gloss-coating", "A2 left wing", "1")], status="open", station="S2"),
        ],
        "flights": [
            *(_flown(day, 16, aircraft="A2", origin="S2", destination="S2") for day in (1, 4, 8, 11, 14)),
            *(_flown(day, 12) for day in (5, 9)),
            *(_flown(1, 6, aircraft=aircraft, takeoff_at="2025-05-31T06:00:00Z") for aircraft in ("A1", "A2")),
            *(_flown(day, 18, flight_hours=0.75, cycles=2) for day in (1, 5, 13, 15, 21, 25)),
            *(_flown(day, 16, aircraft="A2", origin="S2", destination="S2", cycles=3) for day in (17, 23, 27)),
            _flown(30, 16, destination="S2"),
        ],
        "components": [
            {"component_serial": "B1"},
            {"component_serial": "B2", "position": "right wing", "removed_at": "2025-06-16T00:00:00Z"},
            {"component_serial": "B5", "position": "right wing", "installed_at": "2025-06-16T06:00:00Z"},
            {"component_serial": "B3", "aircraft": "A2", "finish": "silver"},
            {"component_serial": "B4", "aircraft": "A2", "position": "fin", "material": "polyurethane"},
            {
                "component_serial": "B2",
                "aircraft": "A2",
                "position": "right wing",
                "installed_at": "2025-06-18T00:00:00Z",
            },
        ],
        "products": [
            {"product": name, "product_class": name, "approval": "approved", "hazard_codes": codes}
            for name, codes in (("surface-prep", "H314"), ("gloss-coating", "H317"), ("cleaner", "H314; H999"))
        ],
        "lots": [
            {"lot": lot, "product": product, "opened_on": "2025-06-01", "expires_on": expires}
            for lot, expires in (("L2", "2025-07-01"), ("L1", "2025-08-01"))
            for product in ("cleaner", "gloss-coating", "surface-prep")
        ],
        "people": [
            {"person": person, "authorisation": authorisation, "valid_from": since}
            | {"certificate_number": "7", "certificate_kind": "repairman"}
            for person, authorisation, since in (
                ("P3", "boots", "2025-06-01"),
                ("P1", "boots", "2024-01-01"),
                ("P1", "boots", "2025-07-01"),
                ("P2", "cleaning", "2025-01-01"),
                ("P2", "boots", "2025-01-01"),
            )
        ],
        "corrections": [
            {"task_id": "T7", "column": "lot", "was": "L1", "now": "L2", "made_at": "2025-06-12T09:00:00Z"},
            {
                "task_id": "T3",
                "column": "started_at",
                "was": "2025-06-02T07:00:00Z",
                "now": "2025-06-02T08:00:00Z",
                "made_at": "2025-06-03T09:00:00Z",
                "made_by": "P1",
            },
            {"task_id": "T9", "column": "status", "was": "open", "now": "closed", "made_at": "2025-06-04T09:00:00Z"},
        ],
        "manuals": [
            {"manual": "M", "revision": "2", "effective_from": "2024-01-01"},
            {"manual": "M", "revision": "1", "effective_from": "2020-01-01", "superseded_on": "2024-01-01"},
            {"manual": "N", "revision": "2", "effective_from": "2024-01-01"},
        ],
    }
)
"""Two aircraft with several boots, one of which goes from the one to the other; the rows stand in no order of time."""
_EXPORTS = {one.name: one for one in (ONE_EXPORT, FLEET)}


def _asked() -> dict[str, Rule]:
    found = {}
    for form, shapes in _SHAPES.items():
        for number, shape in enumerate(shapes, 1):
            scope = {} if form in ("record", "overlap") else GLOSS
            name, asked = (
                f"{form} {number}: {_said(shape)}",
                RULES.validate_python(rule(form, **({"scope": scope} | shape))),
            )
            found[name] = asked
            if shape.get("season") == SEASON:
                found[f"{name}, by base"] = asked.model_copy(update={"season": BY_BASE})
    return found


def _said(shape: dict[str, Any]) -> str:
    return json.dumps(shape).replace('"', "")


ASKED = _asked()


def shapes() -> str:
    """All of it, a chapter for each rule."""
    lines = [
        "# What rules of many shapes say",
        "",
        "Made by `make golden`, to be read: what a rule looks at, demands and finds in one export, and what a drill "
        "plants there for it, just outside a limit and at it.",
        "",
    ]
    return "\n".join([*lines, *(f"## {name}\n\n{chapter(one)}" for name, one in ASKED.items())])


def _timeline(name: str) -> Timeline:
    export = _read(name)
    return build_timeline(export, as_of_example(_EXPORTS[name], export))


@cache
def _read(name: str) -> Export:
    return example_export(_EXPORTS[name])


def chapter(asked: Rule) -> str:
    """What a rule says, and what is planted at its first subjects, each thing once; and the same in a fleet."""
    timeline = _timeline(ONE_EXPORT.name)
    plant = form_of(asked).plant(asked, timeline)
    spots = (
        Spot(case, side, "new", turn)  # type: ignore[arg-type]
        for case in every_subject(asked, timeline)[:SUBJECTS].to_dict("records")
        for turn in range(TURNS)
        for side in SIDES
    )
    planted = (_planted(plant, spot) for spot in spots)
    alone = dict.fromkeys((*_explained(asked), *_found(asked, timeline), *planted))
    return "\n".join([*alone, *dict.fromkeys(_of_fleet(asked)), "", ""])


def _of_fleet(asked: Rule) -> Iterator[str]:
    """The verdicts on a fleet, what comes next there, and what is planted at several subjects."""
    timeline, form = _timeline(FLEET.name), form_of(asked)
    subjects = every_subject(asked, timeline)
    yield f"- of the fleet: {(subjects['outcome'] == 'complies').sum()} comply"
    for outcome in ("finding", "unjudged"):
        cases = subjects[subjects["outcome"] == outcome].reset_index(drop=True)
        keys = form.identity(asked, cases, evidence_of(cases, timeline), timeline)
        said = sentences(asked, cases, timeline) if outcome == "finding" else cases["reason"].tolist()
        named: dict[str, list[str]] = {}
        for key, text in zip(keys, said, strict=True):
            named.setdefault(text, []).append(" ".join(filter(None, key)))
        yield from (f"- {outcome}: {text} ({', '.join(names)})" for text, names in named.items())
        if outcome == "finding":
            own = [] if asked.form == "record" else [name for name in message_names(asked) if name in form.values]
            yield from _shown(asked, cases, timeline, own)
            yield from _of_kinds(asked, cases, timeline)
    for one in judge_rule(asked, timeline).margins:
        counts = (f"{number} from {tenth} tenths" for tenth, number in enumerate(one.counts) if number)
        yield f"- {one.kind} {one.limit}: {', '.join(counts) or 'none'}; {one.beyond} beyond"
    for one in what_comes(asked, timeline).to_dict("records"):
        times = {name: stamp(one[name]) for name in ("since", "until", "latest", "closes") if one[name] != NONE}
        said = (
            f"{name} {value}" for name, value in (one | times).items() if value not in (NONE, "") and value == value
        )
        yield f"- comes: {', '.join(said)}"
    plant, others = form.plant(asked, timeline), subjects[subjects["outcome"] != "finding"]
    # What is written into one record differs less from one to the next.
    number = 3 if asked.form == "record" else 6
    for turn, case in enumerate(others[:: max(1, len(others) // number)].to_dict("records")[:number]):
        yield from (_planted(plant, Spot(case, side, f"new-{turn}", turn)) for side in SIDES)  # type: ignore[arg-type]


def _explained(asked: Rule) -> Iterator[str]:
    form, said = form_of(asked), explain(asked)
    yield f"- looks at: {said.looks_at}"
    yield from (f"- demands: {one}" for one in said.demands)
    yield from (f"- unjudged when: {one}" for one in said.unjudged_when)
    yield from (f"- {name}: {text}" for name, text in form.figures(asked).items())
    yield f"- reads: {', '.join(sorted(form.reads(asked)))}; may read: {', '.join(sorted(form.may_read(asked)))}"
    yield f"- kinds of message: {', '.join(message_kinds(asked))}"


def _found(asked: Rule, timeline: Timeline) -> Iterator[str]:
    """What is found, in the form's words and by each name that a message may use, and why what is not judged isn't."""
    cases = judge_rule(asked, timeline).cases
    found = cases[cases["finding"]].reset_index(drop=True)[:SUBJECTS]
    yield from (f"- finding: {said}" for said in sentences(asked, found, timeline))
    yield from _shown(asked, found, timeline, message_names(asked))
    yield from _of_kinds(asked, found, timeline)
    yield from (f"- unjudged: {reason}" for reason in cases.loc[~cases["finding"], "reason"])


def _shown(asked: Rule, found: pd.DataFrame, timeline: Timeline, names: Iterable[str]) -> Iterator[str]:
    """What a message says of findings by each of these names, and what is drawn of them."""
    general = sentences(asked, found, timeline)
    for name in names if len(found) else ():
        by_name = asked.model_copy(update={"message": {"finding": f"{name}: {{{name}}}"}})
        said = [said for said in sentences(by_name, found, timeline) if said not in general]
        yield from (f"- by name: {one}" for one in said)
    drawing = form_of(asked).drawing(asked)
    if isinstance(drawing, AroundSession):
        drawn = [part for case in found.to_dict("records") for part in drawing.stretches(case) if part]  # type: ignore[arg-type]
        yield from (f"- drawn: {one.label}, from {stamp(one.start)} to {stamp(one.end)}" for one in drawn)


def _of_kinds(asked: Rule, found: pd.DataFrame, timeline: Timeline) -> Iterator[str]:
    """How many of the findings a message of each kind serves."""
    for kind in message_kinds(asked):
        by_kind = asked.model_copy(update={"message": {kind: "By its kind."}})
        number = sum("By its kind." in said for said in sentences(by_kind, found, timeline))
        yield from [f"- of kind {kind}: {number}"] * (number > 0)


def _planted(plant: Planter, spot: Spot) -> str:
    try:
        planted = plant(spot)
    except NotPlantable as refused:
        return f"- {spot.side}: refused, {refused}"
    between = "" if planted.span is None else f", from {stamp(planted.span[0])} to {stamp(planted.span[1])}"
    said = f"- {spot.side}: {planted.what}{between}{', with another' if planted.pair else ''}"
    return "; ".join([said, *map(_edited, planted.edits)]).replace(".000000Z", "Z").replace("+00:00", "Z")


def _edited(edit: Edit) -> str:
    cells = ", ".join(f"{name}={value}" for name, value in edit.cells.items())
    return f"{'copy of ' if edit.new else ''}{edit.table} {edit.row + 1} with {cells}"
