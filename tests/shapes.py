"""What rules of many shapes say, of themselves and of one export, and what a drill plants in it for them: to be read.

`make golden` writes it to tests/golden.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from audit.authoring.explaining import explain
from audit.authoring.running import timeline_of
from audit.forms import form_of
from audit.forms.drawing import AroundSession
from audit.forms.judging import every_subject, judge_rule, sentences
from audit.language.rule import Example, Rule
from audit.planting.planting import Edit, NotPlantable, Planter, Side, Spot
from audit.rulebook.worded import message_kinds, message_names
from audit.timeline.instants import stamp
from audit.timeline.timeline import Timeline
from tests.forms.rules import RULES, rule

SIDES: tuple[Side, Side] = ("inside", "outside")
SUBJECTS, TURNS = 2, 3
"""How many subjects are asked for, and how often each: a rule that can be broken in several ways takes them in turn."""


GLOSS, PREP = {"product_class": {"is": "gloss-coating"}}, {"product_class": {"is": "surface-prep"}}
DAY, ANY = {"column": "work_date"}, {"action": {"present": True}}
SEASON = {"from": "06-01", "to": "06-28"}
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
    + [{"require": {"any_of": [{"coat": {"is": 1}}, {"coats": {"at_least": 1}, "lot": {"present": True}}]}}],
    "hold": [
        {"forbid": {"event": "takeoff"}, "for": "PT2H"},
        {"forbid": {"event": "takeoff"}, "for": "PT48H", "season": {"from": "06-01", "to": "06-13"}},
        {"forbid": {"event": "treatment", "where": PREP}, "for": "PT480H"},
        {"forbid": {"event": "takeoff"}, "until": PREP},
        {"forbid": {"event": "treatment", "where": PREP}, "for": "PT30M", "season": SEASON},
        {"forbid": {"event": "treatment", "where": PREP}, "for": "PT30M", "over": PREP},
    ],
    "order": [{"must_be": which, "among": PREP} for which in ("first", "last")],
    "precede": [
        {"needs": PREP},
        {"needs": PREP, "within": "PT4H"},
        {"needs": PREP, "broken_by": [{"event": "takeoff"}]},
        {"needs": PREP, "broken_by": [{"event": "treatment", "where": {"product_class": {"is": "cleaner"}}}]},
        {"needs": PREP, "within": "PT1H", "or_else": [{"needs": GLOSS}]},
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
    ],
    "count": [
        {"coats": {"at_least": 2}},
        {"coats": {"at_most": 4}},
        {"coats": {"at_least": 1, "at_most": 3}},
        {"sessions": {"at_least": 1}, "season": SEASON},
        {"sessions": {"at_most": 2}, "season": SEASON},
    ],
    "spacing": [{"pause": {"at_least": "PT30M"}}, {"pause": {"at_most": "PT2H"}}],
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


def _asked() -> dict[str, Rule]:
    found = {}
    for form, shapes in _SHAPES.items():
        for number, shape in enumerate(shapes, 1):
            scope = {} if form in ("record", "overlap") else GLOSS
            found[f"{form} {number}: {_said(shape)}"] = RULES.validate_python(rule(form, **({"scope": scope} | shape)))
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


def chapter(asked: Rule) -> str:
    """What a rule says, and what is planted at its first subjects, each thing once."""
    timeline = timeline_of(ONE_EXPORT)
    plant = form_of(asked).plant(asked, timeline)
    spots = (
        Spot(case, side, "new", turn)  # type: ignore[arg-type]
        for case in every_subject(asked, timeline)[:SUBJECTS].to_dict("records")
        for turn in range(TURNS)
        for side in SIDES
    )
    planted = (_planted(plant, spot) for spot in spots)
    return "\n".join([*dict.fromkeys((*_explained(asked), *_found(asked, timeline), *planted)), "", ""])


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
    general = sentences(asked, found, timeline)
    yield from (f"- finding: {said}" for said in general)
    for name in message_names(asked) if len(found) else ():
        by_name = asked.model_copy(update={"message": {"finding": f"{name}: {{{name}}}"}})
        said = [said for said in sentences(by_name, found, timeline) if said not in general]
        yield from (f"- by name: {one}" for one in said)
    drawing = form_of(asked).drawing(asked)
    if isinstance(drawing, AroundSession):
        drawn = [part for case in found.to_dict("records") for part in drawing.stretches(case) if part]  # type: ignore[arg-type]
        yield from (f"- drawn: {one.label}, from {stamp(one.start)} to {stamp(one.end)}" for one in drawn)
    yield from (f"- unjudged: {reason}" for reason in cases.loc[~cases["finding"], "reason"])


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
