"""Conditions: how values compare, and why a condition is open."""

from __future__ import annotations

import operator
from collections.abc import Callable, Mapping, Sequence
from itertools import product
from typing import Any

import numpy as np
import pytest

from audit.authoring.examples import example_export
from audit.evidence.conditions import FALSE, TRUE, UNKNOWN, failures, judge
from audit.language.condition import Conditions
from audit.language.rule import Example
from audit.timeline.timeline import Timeline, build_timeline


def timeline_with(tasks: Sequence[dict[str, Any]], **tables: Any) -> Timeline:
    """Records with these cells, and other tables."""
    rows = [{"started_at": "2025-06-02T09:00:00Z", **task} for task in tasks]
    example = Example.model_validate({"name": "n", "expect": "complies", "tasks": rows, **tables})
    return build_timeline(example_export(example))


def told(condition: Mapping[str, Any], timeline: Timeline) -> tuple[list[Any], list[str]]:
    """The truth of a condition for each record, and the reasons."""
    found = judge(Conditions.model_validate(condition), timeline, timeline.rows)
    return found.truth.tolist(), found.reason(timeline.rows).tolist()


def judged(condition: dict[str, Any], *tasks: dict[str, Any], **tables: Any) -> tuple[list[Any], list[str]]:
    """The truth of a condition for records with these cells, and the reasons."""
    return told(condition, timeline_with(tasks, **tables))


PEOPLE = [
    {"performed_by": "P1", "certified_by": "P2"},
    {"performed_by": "P2", "certified_by": "P2"},
    {"performed_by": "P3", "certified_by": None},
    {"performed_by": None, "certified_by": "P1"},
]


@pytest.mark.parametrize(
    ("operator", "truth"),
    [("is", [FALSE, TRUE, UNKNOWN, UNKNOWN]), ("not", [TRUE, FALSE, UNKNOWN, UNKNOWN])],
)
def test_texts_of_two_columns(operator: str, truth: list[Any]) -> None:
    """Two columns of one record are compared by their text, whatever else stands in either column."""
    found, reasons = judged({"performed_by": {operator: {"column": "certified_by"}}}, *PEOPLE)
    assert found == truth
    assert reasons == ["", "", "value missing: certified_by", "value missing: performed_by"]


@pytest.mark.parametrize(
    ("condition", "truth"),
    [
        ({"in": [1, 3]}, [TRUE, FALSE, TRUE, UNKNOWN]),
        ({"not_in": [1, 3]}, [FALSE, TRUE, FALSE, UNKNOWN]),
        ({"is": 2}, [FALSE, TRUE, FALSE, UNKNOWN]),
        ({"not": 2}, [TRUE, FALSE, TRUE, UNKNOWN]),
        ({"at_least": 2}, [FALSE, TRUE, TRUE, UNKNOWN]),
        ({"at_most": 2}, [TRUE, TRUE, FALSE, UNKNOWN]),
        ({"at_least": {"column": "coats"}}, [FALSE, TRUE, TRUE, UNKNOWN]),
    ],
    ids=str,
)
def test_numbers(condition: dict[str, Any], truth: list[Any]) -> None:
    """Each operator of numbers, on both sides of its limit and on it."""
    coats = [{"coat": 1, "coats": 2}, {"coat": 2, "coats": 2}, {"coat": 3, "coats": 2}, {"coats": 2}]
    assert judged({"coat": condition}, *coats)[0] == truth


@pytest.mark.parametrize(
    ("condition", "truth"),
    [
        ({"before": "2025-06-02T09:40:00Z"}, [TRUE, FALSE, FALSE]),
        ({"after": "2025-06-02T09:40:00Z"}, [FALSE, FALSE, TRUE]),
        ({"is": "2025-06-02"}, [TRUE, TRUE, FALSE]),
        ({"after": {"column": "finished_at"}}, [FALSE, TRUE, TRUE]),
    ],
    ids=str,
)
def test_times(condition: dict[str, Any], truth: list[Any]) -> None:
    """Against an instant, a day and another column."""
    signed: list[dict[str, Any]] = [{"signed_at": f"2025-06-0{time}:00Z"} for time in ("2T09:10", "2T09:40", "3T09:00")]
    assert judged({"signed_at": condition}, *signed)[0] == truth


def test_the_reason_of_alternatives_is_that_of_the_first_open_one() -> None:
    """Of alternatives, none of which holds, the first that can't be decided says why."""
    condition = {"any_of": [{"lot": {"is": "L1"}}, {"coat": {"is": 1}}]}
    found, reasons = judged(condition, {}, {"lot": "L2"}, {"coat": 2}, {"lot": "L1"}, {"lot": "L2", "coat": 2})
    assert found == [UNKNOWN, UNKNOWN, UNKNOWN, TRUE, FALSE]
    assert reasons == ["value missing: lot", "value missing: coat", "value missing: lot", "", ""]


COMPARED: dict[str, Callable[[Any, Any], bool]] = {
    "is": operator.eq,
    "not": operator.ne,
    "at_least": operator.ge,
    "at_most": operator.le,
    "before": operator.lt,
    "after": operator.gt,
    "in": lambda cell, some: cell in some,
    "not_in": lambda cell, some: cell not in some,
}
OF_TEXT, OF_NUMBERS, OF_TIMES = ("is", "not", "in", "not_in"), ("is", "not", "at_least", "at_most"), ("before", "after")
DAYS = ["2025-06-01", "2025-06-02", "2025-06-03"]
TIMES = [f"2025-06-02T09:{minute}:00Z" for minute in (10, 20, 30)]
PAIRS: dict[str, tuple[str, str, list[Any], tuple[str, ...]]] = {
    "text": ("performed_by", "certified_by", ["P1", "P2", "P3"], OF_TEXT[:2]),
    "number": ("ambient_c", "humidity_pct", [2, 2.5, 20], OF_NUMBERS),
    "count": ("coat", "coats", [1, 2, 3], OF_NUMBERS),
    "time": ("signed_at", "finished_at", TIMES, (*OF_NUMBERS, *OF_TIMES)),
    "date": ("lot.expires_on", "lot.opened_on", DAYS, (*OF_NUMBERS, *OF_TIMES)),
}
"""Two columns of a kind, some values in order, and the operators that compare them."""


def lots(kind: str, rows: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """The records, of which days are those of their lots."""
    if kind != "date":
        return {"tasks": rows}
    cells = [{name.removeprefix("lot."): cell for name, cell in row.items()} for row in rows]
    named = [{"lot": f"L{number}", "product": "cleaner"} for number in range(len(rows))]
    return {"tasks": named, "lots": [name | cell for name, cell in zip(named, cells, strict=True)]}


@pytest.mark.parametrize("kind", PAIRS)
def test_two_columns_compare_as_their_values_do(kind: str) -> None:
    """Each operator, of every pair of values; a missing one on either side leaves it open and is told."""
    one, other, values, operators = PAIRS[kind]
    right: list[Any] = [value for value in (None, *values) if value is not None or other != "finished_at"]
    rows = [{one: a, other: b} for a in (None, *values) for b in right]
    timeline = timeline_with(**lots(kind, rows))
    for name in operators:
        expected, why = [], []
        for row in rows:
            blank = next((column for column in (one, other) if row[column] is None), None)
            expected.append(UNKNOWN if blank else (FALSE, TRUE)[COMPARED[name](row[one], row[other])])
            why.append(f"value missing: {blank}" if blank else "")
        assert told({one: {name: {"column": other}}}, timeline) == (expected, why), name


@pytest.mark.parametrize("kind", PAIRS)
def test_a_column_compares_with_what_is_written(kind: str) -> None:
    """Each operator, of every value with every other; a blank cell leaves it open."""
    one, other, values, operators = PAIRS[kind]
    rows = [{one: a, other: values[0]} for a in (None, *values)]
    timeline = timeline_with(**lots(kind, rows))
    several = [] if kind in ("time", "date") else [(name, some) for name in ("in", "not_in") for some in (values[:2],)]
    for name, written in (*((name, value) for name in operators for value in values), *several):
        expected = [UNKNOWN, *((FALSE, TRUE)[COMPARED[name](value, written)] for value in values)]
        assert told({one: {name: written}}, timeline)[0] == expected, (name, written)
    for wanted in (True, False):
        assert told({one: {"present": wanted}}, timeline)[0] == [(FALSE, TRUE)[not wanted]] + [
            (FALSE, TRUE)[wanted] for _ in values
        ]


@pytest.mark.parametrize(
    ("text", "present"),
    [
        *((text, FALSE) for text in ("-", "--", "–", "?", "/", "n/a", "N/A", "n.a.", "N-A", "None", "NIL", "tbd")),
        *((text, FALSE) for text in ("NULL", "null", "(null)", "\\N")),
        *((text, TRUE) for text in ("NA", "0", "N", "Ann", "no", "none left", "A-1", "ß", "Nuller", "N")),
    ],
)
def test_a_text_that_says_nothing_is_not_present(text: str, present: Any) -> None:
    """Whatever stands for a blank cell is none the less compared as it is written."""
    timeline = timeline_with([{"certified_by": text, "performed_by": "P1"}])
    assert told({"certified_by": {"present": True}}, timeline) == ([present], [""])
    assert told({"certified_by": {"present": False}}, timeline) == ([TRUE - present], [""])
    assert told({"certified_by": {"not": "P1"}}, timeline) == ([TRUE], [""])


def test_several_conditions_and_alternatives() -> None:
    """All columns must hold, and one of the alternatives; what is told is the first that is open, if none fails."""
    values: dict[str, list[Any]] = {"performed_by": ["P1", "P2"], "coat": [1, 2], "ambient_c": [1, 2], "lot": ["L1"]}
    rows = [dict(zip(values, cells, strict=True)) for cells in product(*([None, *some] for some in values.values()))]
    timeline = timeline_with(tasks=rows)

    def plain(conditions: Mapping[str, Any], row: Mapping[str, Any]) -> tuple[Any, str]:
        parts = []
        for name, condition in conditions.items():
            if name == "any_of":
                alternatives = [plain(one, row) for one in condition]
                truth = max(one for one, _ in alternatives)
                parts.append((truth, next((why for one, why in alternatives if one == truth), "")))
            elif row[name] is None:
                parts.append((UNKNOWN, f"value missing: {name}"))
            else:
                truths = [(FALSE, TRUE)[COMPARED[asked](row[name], operand)] for asked, operand in condition.items()]
                parts.append((min(truths), ""))
        truth = min(one for one, _ in parts)
        return truth, next(why for one, why in parts if one == truth) if truth == UNKNOWN else ""

    person, coat, other = {"performed_by": {"is": "P1"}}, {"coat": {"at_least": 1, "not": 2}}, {"lot": {"is": "L1"}}
    degrees = {"ambient_c": {"at_most": 1}}
    for conditions in (
        person | coat,
        coat | person | degrees,
        {"any_of": [person, coat]},
        degrees | {"any_of": [coat, person, other]},
        person | {"any_of": [coat | degrees, other]},
        {"any_of": [{"any_of": [person, degrees]}, coat | other]},
    ):
        expected = [plain(conditions, row) for row in rows]
        assert list(zip(*told(conditions, timeline), strict=True)) == expected, conditions


@pytest.mark.parametrize(
    ("signed_at", "station", "day"),
    [
        ("2025-06-02T21:59:59Z", "S2", 2),  # in Berlin, two hours ahead
        ("2025-06-02T22:00:00Z", "S2", 3),
        ("2025-06-02T22:00:00Z", "S1", 2),
        ("2025-06-02T03:59:59Z", "S3", 1),  # in New York, four hours behind
        ("2025-06-02T04:00:00Z", "S3", 2),
    ],
)
def test_a_time_and_a_day_compare_by_the_clock_of_the_station(signed_at: str, station: str, day: int) -> None:
    """Whichever stands on the left, and where the day is written in the rule."""
    lot = {"lot": "L", "product": "cleaner"}
    rows: list[dict[str, Any]] = [
        lot | {"lot": f"L{number}", "expires_on": f"2025-06-0{number}"} for number in (1, 2, 3)
    ]
    tasks = [{"lot": row["lot"], "product": "cleaner", "signed_at": signed_at, "station": station} for row in rows]
    timeline = timeline_with(tasks=tasks, lots=rows)
    for name in ("is", "not", "at_least", "at_most", "before", "after"):
        days = [(FALSE, TRUE)[COMPARED[name](number, day)] for number in (1, 2, 3)]
        assert told({"lot.expires_on": {name: {"column": "signed_at"}}}, timeline)[0] == days
        turned = [(FALSE, TRUE)[COMPARED[name](day, number)] for number in (1, 2, 3)]
        assert told({"signed_at": {name: {"column": "lot.expires_on"}}}, timeline)[0] == turned
        written = [told({"signed_at": {name: row["expires_on"]}}, timeline)[0][0] for row in rows]
        assert written == turned


@pytest.mark.parametrize(
    ("condition", "truth", "reason"),
    [
        ({"is": "Eli Park"}, UNKNOWN, "performed_by is nearly a name that another table has"),
        ({"not": "Eli Park"}, UNKNOWN, "performed_by is nearly a name that another table has"),
        ({"in": ["Bo Lind", "Eli Park"]}, UNKNOWN, "performed_by is nearly a name that another table has"),
        ({"not_in": ["Eli Park"]}, UNKNOWN, "performed_by is nearly a name that another table has"),
        ({"in": ["Eli Park", "Eli-Park"]}, TRUE, ""),
        ({"is": "Bo Lind"}, FALSE, ""),
        ({"not": "Bo Lind"}, TRUE, ""),
        ({"is": {"column": "certified_by"}}, UNKNOWN, "performed_by and certified_by are nearly the same name"),
        ({"not": {"column": "certified_by"}}, UNKNOWN, "performed_by and certified_by are nearly the same name"),
        ({"is": {"column": "ppe_signed_by"}}, FALSE, ""),
        ({"present": True}, TRUE, ""),
    ],
    ids=str,
)
def test_names_that_are_nearly_equal(condition: dict[str, Any], truth: Any, reason: str) -> None:
    """A name that may be the one asked for, written differently, leaves that open, and no other name, nor a blank."""
    listed = {"person": "Eli Park", "authorisation": "performing", "valid_from": "2020-01-01"}
    near: dict[str, Any] = {"performed_by": "Eli-Park", "certified_by": "Eli Park", "ppe_signed_by": "Bo Lind"}
    others = [near | {"performed_by": None}, near | {"performed_by": "Ada Holm"}]
    timeline = timeline_with(tasks=[*others, near], people=[listed])
    truths, reasons = told({"performed_by": condition}, timeline)
    assert (truths[2], reasons[2]) == (truth, reason)
    assert truths[0] == (FALSE if condition == {"present": True} else UNKNOWN)
    assert truths[1] != UNKNOWN


@pytest.mark.parametrize(
    ("condition", "truth", "reason"),
    [
        ({"is": "Bo Lind"}, UNKNOWN, "performed_by names several people"),
        ({"not": "Bo Lind"}, UNKNOWN, "performed_by names several people"),
        ({"in": ["Bo Lind", "Cy Moss"]}, UNKNOWN, "performed_by names several people"),
        ({"not": "Cy Moss"}, TRUE, ""),
        ({"is": "Cy Moss"}, FALSE, ""),
        ({"is": {"column": "certified_by"}}, UNKNOWN, "performed_by or certified_by names several people"),
        ({"not": {"column": "certified_by"}}, UNKNOWN, "performed_by or certified_by names several people"),
        ({"not": {"column": "ppe_signed_by"}}, TRUE, ""),
        ({"is": {"column": "ppe_signed_by"}}, FALSE, ""),
        ({"not": {"column": "station"}}, TRUE, ""),
    ],
    ids=str,
)
def test_a_cell_that_names_several_people(condition: dict[str, Any], truth: Any, reason: str) -> None:
    """Who of them is meant is open where it matters, whichever of two cells names several."""
    several = {"performed_by": "Ada Holm; Bo Lind", "certified_by": "Bo Lind", "ppe_signed_by": "Cy Moss"}
    turned = several | {"performed_by": "Bo Lind", "certified_by": "Bo Lind & Ada Holm"}
    timeline = timeline_with(tasks=[several, turned])
    truths, reasons = told({"performed_by": condition}, timeline)
    assert (truths[0], reasons[0]) == (truth, reason)
    if "certified_by" in str(condition):
        assert (truths[1], reasons[1]) == (truth, reason)


@pytest.mark.parametrize(
    ("cell", "same", "other"),
    [("C1; C2", UNKNOWN, UNKNOWN), ("C1", TRUE, FALSE), ("C2; C3", FALSE, TRUE), ("C1/C2", FALSE, TRUE)],
)
def test_a_cell_that_names_several_boots(cell: str, same: Any, other: Any) -> None:
    """Which of them was at the position is open."""
    timeline = timeline_with(tasks=[{"component_serial": cell}])
    row = np.zeros(1, np.int64)
    for word, truth in (("is", same), ("not", other)):
        asked = {"component_serial": {word: {"column": "component.component_serial"}}}
        found = judge(Conditions.model_validate(asked), timeline, row, component=row)
        assert found.truth.tolist() == [truth]
        named = "component_serial or component.component_serial names several"
        assert found.reason(row).tolist() == [named if truth == UNKNOWN else ""]


@pytest.mark.parametrize(
    ("condition", "expected"),
    [
        ({"is": "L1"}, UNKNOWN),
        ({"not": "L2"}, UNKNOWN),
        ({"not_in": ["L2", "L9"]}, UNKNOWN),
        ({"is": "L9"}, FALSE),
        ({"not_in": ["L8", "L9"]}, TRUE),
        ({"is": "L1; L2"}, TRUE),
        ({"present": True}, TRUE),
    ],
    ids=str,
)
def test_a_cell_that_names_several_against_the_rule(condition: dict[str, Any], expected: Any) -> None:
    """Which of them is meant is open, where the rule names one of them."""
    truths, reasons = told({"lot": condition}, timeline_with(tasks=[{"lot": "L1; L2"}]))
    assert truths == [expected]
    assert reasons == ["lot names several" if expected == UNKNOWN else ""]


@pytest.mark.parametrize(
    ("name", "condition", "expected"),
    [
        ("manual_revision", {"is": "R 7"}, UNKNOWN),
        ("manual_revision", {"not": "r-7"}, UNKNOWN),
        ("manual_revision", {"not_in": ["R-8", "R-07"]}, UNKNOWN),
        ("manual_revision", {"in": ["R-7", "r-7"]}, TRUE),
        ("manual_revision", {"is": "R-8"}, FALSE),
        ("aircraft", {"is": "a1"}, UNKNOWN),
        ("aircraft", {"in": ["A-1", "A2"]}, UNKNOWN),
        ("aircraft", {"not": "A-2"}, TRUE),  # the export has it as well
        ("product", {"not": "GLOSS"}, UNKNOWN),
        ("product", {"not": "cleaners"}, TRUE),
        ("product", {"not": "other"}, TRUE),  # the list has it as well
        ("action", {"not": "apply"}, FALSE),
    ],
    ids=str,
)
def test_a_literal_that_is_nearly_what_a_record_says(name: str, condition: dict[str, Any], expected: Any) -> None:
    """A rule may be written otherwise than the export: it neither passes over such a record nor finds a fault of it."""
    products = [{"product": name, "product_class": "other"} for name in ("Gloss", "0ther", "other")]
    record = {"manual_revision": "R-7", "product": "Gloss" if "GLOSS" in str(condition) else "0ther"}
    timeline = timeline_with(tasks=[record, {"aircraft": "A-2", "product": "other"}], products=products)
    truths, reasons = told({name: condition}, timeline)
    assert truths[0] == expected
    assert reasons[0] == (f"{name} is nearly what the rule names" if expected == UNKNOWN else "")


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        pytest.param("left wing; right wing", TRUE, id="both"),
        pytest.param("left wing", FALSE, id="one"),
        pytest.param("left wing; right-wing", UNKNOWN, id="one-nearly"),
        pytest.param("right-wing", FALSE, id="one-nearly-without-the-other"),
        pytest.param(None, UNKNOWN, id="blank"),
    ],
)
def test_lists_of_names_that_are_nearly_equal(cell: str | None, expected: Any) -> None:
    """Of a list each name is looked at by itself."""
    boots = [{}, {"component_serial": "C2", "position": "right wing"}]
    timeline = timeline_with(tasks=[{"position": cell}], components=boots)
    assert told({"position": {"includes_all": ["left wing", "right wing"]}}, timeline)[0] == [expected]


@pytest.mark.parametrize(
    ("condition", "expected"),
    [
        ({"lot": {"in": {"column": "steps_signed"}}}, [TRUE, FALSE, FALSE, UNKNOWN, UNKNOWN]),
        ({"lot": {"not_in": {"column": "steps_signed"}}}, [FALSE, TRUE, TRUE, UNKNOWN, UNKNOWN]),
        ({"steps_signed": {"includes_all": ["b"]}}, [TRUE, FALSE, FALSE, UNKNOWN, FALSE]),
        ({"steps_signed": {"includes_all": ["b", "A"]}}, [TRUE, FALSE, FALSE, UNKNOWN, FALSE]),
        ({"steps_signed": {"present": True}}, [TRUE, TRUE, TRUE, FALSE, TRUE]),
    ],
    ids=str,
)
def test_a_code_in_a_list_of_the_record(condition: dict[str, Any], expected: list[Any]) -> None:
    """A code is in a list where it is one of its codes, not a part of one; words of the trade count in any letters."""
    cells = [("b", "a; b"), ("b", "a; bb"), ("d", "c"), ("b", None), (None, "c; a")]
    timeline = timeline_with(tasks=[{"lot": lot, "steps_signed": steps} for lot, steps in cells])
    assert told(condition, timeline)[0] == expected


def test_each_code_in_each_list() -> None:
    """Pairs of a code and a list are decided one by one, however many different ones there are."""
    pairs = [(lot, steps) for steps in ("a", "b; c", "d; a; c", "c; d", "b; d; a", "e") for lot in "abcdf"]
    timeline = timeline_with(tasks=[{"lot": lot, "steps_signed": steps} for lot, steps in pairs])
    expected = [TRUE if lot in steps.split("; ") else FALSE for lot, steps in pairs]
    assert told({"lot": {"in": {"column": "steps_signed"}}}, timeline)[0] == expected


@pytest.mark.parametrize(
    ("operand", "held"),
    [
        pytest.param({"includes_all": ["coating"]}, UNKNOWN, id="holds-it-perhaps"),
        pytest.param({"includes_all": ["cleaning"]}, FALSE, id="surely-lacks-it"),
        pytest.param({"includes_all": ["coating", "cleaning"]}, FALSE, id="surely-lacks-one"),
        pytest.param({"present": True}, UNKNOWN, id="perhaps-none"),
    ],
)
def test_a_list_that_may_have_been_shorter(operand: dict[str, Any], held: Any) -> None:
    """What somebody was authorised for until a day that can't be read: only what the list lacks is sure."""
    person = {"person": "P1", "authorisation": "coating", "valid_from": "2020-01-01"}
    for last, truth in (("soon", held), ("2030-01-01", TRUE if held == UNKNOWN else held)):
        timeline = timeline_with(tasks=[{"performed_by": "P1"}], people=[person | {"valid_to": last}])
        assert told({"performer.authorisation": operand}, timeline)[0] == [truth]
        assert told({"action": {"in": {"column": "performer.authorisation"}}}, timeline)[0] == [FALSE]
        among = timeline_with(tasks=[{"performed_by": "P1", "lot": "coating"}], people=[person | {"valid_to": last}])
        expected = UNKNOWN if last == "soon" else TRUE
        assert told({"lot": {"in": {"column": "performer.authorisation"}}}, among)[0] == [expected]


@pytest.mark.parametrize("wanted", [True, False])
def test_a_cell_that_can_not_be_read_is_neither_there_nor_missing(wanted: bool) -> None:
    """And it compares with nothing."""
    timeline = timeline_with(tasks=[{"coat": "?"}, {"coat": 1}, {}])
    truths, reasons = told({"coat": {"present": wanted}}, timeline)
    assert truths == [UNKNOWN, (FALSE, TRUE)[wanted], (FALSE, TRUE)[not wanted]]
    assert reasons == ["can't be read: coat", "", ""]
    assert told({"coat": {"is": 1}}, timeline) == (
        [UNKNOWN, TRUE, UNKNOWN],
        ["can't be read: coat", "", "value missing: coat"],
    )


def test_each_condition_by_itself() -> None:
    """What a sentence says of a record: each condition's own truth, and what the record has there."""
    conditions = Conditions.model_validate(
        {"coat": {"is": 2}, "lot": {"is": "L1"}, "component.finish": {"is": "black"}}
    )
    boots = [{}, {"component_serial": "C2", "position": "right wing", "finish": "silver"}]
    timeline = timeline_with(tasks=[{"coat": 2, "lot": "L2"}, {"lot": "L1"}], components=boots)
    found = failures(conditions, timeline, np.array([1, 0]), np.array([1, 0]))
    assert [(name, truth.tolist(), values.texts()) for name, truth, values in found] == [
        ("coat", [UNKNOWN, TRUE], ["", "2"]),
        ("lot", [TRUE, FALSE], ["L1", "L2"]),
        ("component.finish", [FALSE, TRUE], ["silver", "black"]),
    ]
