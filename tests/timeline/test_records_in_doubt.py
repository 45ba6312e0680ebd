"""Values of records that aren't known: whether they are missing or may be anything, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
import pytest

from audit.intake.reading import read_rows
from audit.timeline.column_values import Values
from audit.timeline.components import NONE_KNOWN, NOT_CLEAR, TWO_RECORDED
from audit.timeline.records import values
from audit.timeline.subjects import looked_at
from audit.timeline.timeline import Timeline, build_timeline

Row = Mapping[str, str]

TASK = {
    "task_id": "T2",
    "work_order": "W1",
    "aircraft": "A1",
    "action": "apply",
    "station": "S1",
    "started_at": "2025-06-02T09:00:00Z",
    "finished_at": "2025-06-02T10:00:00Z",
    "signed_at": "2025-06-02T10:30:00Z",
    "position": "left",
    "product": "gel",
    "lot": "L1",
    "coat": "2",
    "performed_by": "Ann Lee",
    "certified_by": "Bo Dahl",
    "certificate_number": "7",
    "certificate_kind": "airframe",
    "manual": "CARE",
    "manual_revision": "1",
    "ambient_c": "12.5",
}
OTHER = TASK | {"task_id": "T1", "product": "wash", "performed_by": "Bo Dahl", "manual_revision": "2"}
PRODUCTS = [
    {"product": "gel", "product_class": "cleaner", "approval": "A-1"},
    {"product": "wash", "product_class": "other", "approval": ""},
]
LOTS = [
    {"lot": "L1", "product": "gel", "expires_on": "2025-12-31"},
    {"lot": "L1", "product": "wash", "expires_on": "2026-12-31"},
]
MANUALS = [
    {"manual": "CARE", "revision": "1", "effective_from": "2024-01-01"},
    {"manual": "CARE", "revision": "2", "effective_from": "2025-01-01"},
]
PEOPLE = [
    {"person": "Ann Lee", "authorisation": "boots", "valid_from": "2025-06-01", "valid_to": "2025-06-30"},
    {"person": "Bo Dahl", "authorisation": "paint", "valid_from": "2025-06-01", "valid_to": "2025-06-30"},
]
STATIONS = [{"station": "S1", "timezone": "UTC"}]
LISTS: Mapping[str, Sequence[Row]] = {
    "products": PRODUCTS,
    "lots": LOTS,
    "manuals": MANUALS,
    "people": PEOPLE,
    "stations": STATIONS,
}


def timeline(*tasks: Row, as_of: str | None = None, **tables: Sequence[Row]) -> Timeline:
    """The timeline of these records, with the lists above where no others are given."""
    export = read_rows({"tasks": tasks, **LISTS, **tables})
    return build_timeline(export, None if as_of is None else pd.Timestamp(as_of))


def told(line: Timeline, name: str, component: Sequence[int] | None = None) -> list[str]:
    """What a column says of each record: its value, or why it is missing, or why (`?`) it may be anything."""
    rows = np.arange(len(line.tasks))
    found = values(line, name, rows, None if component is None else np.array(component))
    return [said(found, index) for index in rows.tolist()]


def said(found: Values, index: int) -> str:
    assert found.texts()[index] == found.text(index)
    reason = found.reasons[found.why[index]]
    if found.undecidable[index]:
        return f"? {reason}"
    return f"- {reason}" if found.missing[index] else found.text(index)


@pytest.mark.parametrize(
    ("column", "name", "sound"),
    [
        ("position", "position", "left"),
        ("position", "position_count", "1"),
        ("product", "product", "wash"),
        ("product", "product_class", "other"),
        ("product", "product.product", "wash"),
        ("product", "lot.expires_on", "2026-12-31"),
        ("lot", "lot", "L1"),
        ("lot", "lot.expires_on", "2026-12-31"),
        ("manual", "manual.effective_from", "2025-01-01"),
        ("manual_revision", "manual.effective_from", "2025-01-01"),
        ("coat", "coat", "2"),
        ("ambient_c", "ambient_c", "12.5"),
        ("performed_by", "performed_by", "Bo Dahl"),
        ("performed_by", "performer.authorisation", "paint"),
        ("certified_by", "certifier.authorisation", "paint"),
        ("certificate_number", "certificate", "7 (airframe)"),
        ("certificate_kind", "certificate", "7 (airframe)"),
        ("signed_at", "signed_at", "2025-06-02T10:30:00Z"),
        ("signed_at", "signed_after_minutes", "30"),
    ],
)
def test_what_is_found_by_a_cell_that_two_exports_tell_differently(column: str, name: str, sound: str) -> None:
    """It may be anything; of another record it is what it is."""
    otherwise = {
        "coat": "3",
        "ambient_c": "9",
        "signed_at": "2025-06-02T11:00:00Z",
        "manual_revision": "2",
    }
    line = timeline(OTHER, TASK, TASK | {column: otherwise.get(column, "another")})
    assert told(line, name) == [sound, f"? can't be read: {column}"]


@pytest.mark.parametrize(
    ("lacking", "name", "named"),
    [
        ("coat", "coat", "coat"),
        ("position", "position_count", "position"),
        ("product", "product_class", "product"),
        ("product", "lot.expires_on", "product"),
        ("lot", "lot.expires_on", "lot"),
        ("manual_revision", "manual.effective_from", "manual_revision"),
        ("performed_by", "performer.authorisation", "performed_by"),
        ("certified_by", "certifier.authorisation", "certified_by"),
        ("certificate_number", "certificate", "certificate_number"),
        ("certificate_kind", "certificate", "certificate_kind"),
        ("signed_at", "signed_at", "signed_at"),
        ("signed_at", "signed_after_minutes", "signed_at"),
    ],
)
def test_a_column_that_the_records_were_exported_without(lacking: str, name: str, named: str) -> None:
    """It says nothing of what was recorded."""
    line = timeline(*({key: cell for key, cell in row.items() if key != lacking} for row in (OTHER, TASK)))
    assert told(line, name) == [f"? column not supplied: tasks.{named}"] * 2


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        pytest.param("lot", "? can't be read: lot", id="blank-in-the-record"),
        pytest.param("coat", "2", id="not-blank"),
        pytest.param("work_date", "2025-06-02", id="made-of-what-is-not-blank"),
        pytest.param("work_minutes", "? can't be read: work_minutes", id="made-of-what-is-blank"),
        pytest.param("finished_at", "? can't be read: finished_at", id="the-cell-for-which-it-was-set-aside"),
        pytest.param("product.approval", "A-1", id="listed"),
    ],
)
def test_a_record_that_was_set_aside(name: str, expected: str) -> None:
    """What is blank in it may be anything, since cells may have been shifted; in an audited one it is missing."""
    line = timeline(OTHER | {"lot": ""}, TASK | {"lot": "", "finished_at": "noon"})
    assert line.audited == 1
    sound = {
        "lot": "- value missing: lot",
        "work_minutes": "60",
        "finished_at": "2025-06-02T10:00:00Z",
        "product.approval": "- value missing: product.approval",
    }
    assert told(line, name) == [sound.get(name, expected), expected]


ASIDE = "? a row of {} in quarantine may be that {}"


@pytest.mark.parametrize(
    ("aside", "record", "expected"),
    [
        pytest.param({"product": ""}, {"lot": "L9"}, ASIDE, id="of-any-product"),
        pytest.param({"product": ""}, {"lot": "L9", "product": "wash"}, ASIDE, id="of-any-other-product"),
        pytest.param({"product": ""}, {"lot": "L8"}, "- {1} not listed in {0}", id="another-lot"),
        pytest.param({"product": ""}, {"lot": ""}, "- value missing: {1}", id="no-lot"),
        pytest.param({"product": ""}, {"lot": "L1"}, "2025-12-31", id="one-that-is-listed"),
        pytest.param({"lot": ""}, {"lot": "L8"}, ASIDE, id="any-lot"),
        pytest.param({"lot": ""}, {"lot": "L8", "product": "wash"}, "- {1} not listed in {0}", id="of-another-product"),
        pytest.param({"lot": "", "product": ""}, {"lot": "L8"}, "- {1} not listed in {0}", id="a-blank-row"),
    ],
)
def test_a_lot_that_was_set_aside(aside: Row, record: Row, expected: str) -> None:
    """A record may name it where they agree in all that can be read of it."""
    rows = [*LOTS, {"lot": "L9", "product": "gel", "expires_on": "2025-12-31"} | aside]
    assert told(timeline(OTHER, TASK | record, lots=rows), "lot.expires_on") == [
        "2026-12-31",
        expected.format("lots", "lot"),
    ]


def test_several_lots_that_were_set_aside() -> None:
    """Each for what is blank in it; two under one key, of which one is the other's contradiction, for all of it."""
    rows = [{"lot": "L8", "product": ""}, {"lot": "L7", "product": ""}, {"lot": "", "product": "wash"}]
    records = [
        TASK | {"task_id": f"T{number}", "lot": lot, "product": product}
        for number, (lot, product) in enumerate(
            [("L7", "gel"), ("L8", "gel"), ("L6", "gel"), ("L6", "wash"), ("gel", "L7"), ("L1", "gel")]
        )
    ]
    aside, unlisted = ASIDE.format("lots", "lot"), "- lot not listed in lots"
    found = told(timeline(*records, lots=[*LOTS, *rows]), "lot.expires_on")
    assert found == [aside, aside, unlisted, aside, unlisted, "2025-12-31"]


@pytest.mark.parametrize(
    ("aside", "record", "expected"),
    [
        pytest.param({"revision": "3"}, {"manual_revision": "3"}, ASIDE, id="that-revision"),
        pytest.param({"revision": "3"}, {"manual_revision": "4"}, "- {1} not listed in {0}", id="another-revision"),
        pytest.param(
            {"revision": "3", "manual": "WEAR"}, {"manual_revision": "3"}, "- {1} not listed in {0}", id="other"
        ),
        pytest.param({"revision": "2", "manual": "WEAR"}, {"manual": "WEAR"}, "- {1} not listed in {0}", id="crossed"),
        pytest.param({"revision": ""}, {"manual_revision": "4"}, ASIDE, id="any-revision"),
        pytest.param({"revision": ""}, {"manual_revision": ""}, "- value missing: manual_revision", id="no-revision"),
    ],
)
def test_a_manual_that_was_set_aside(aside: Row, record: Row, expected: str) -> None:
    """Its date can't be read, and perhaps not its revision either."""
    rows = [*MANUALS, {"manual": "CARE", "effective_from": "soon"} | aside]
    assert told(timeline(OTHER, TASK | record, manuals=rows), "manual.effective_from") == [
        "2025-01-01",
        expected.format("manuals", "manual revision"),
    ]


@pytest.mark.parametrize(("product", "expected"), [("foam", ASIDE), ("oil", "- {1} not listed in {0}"), ("gel", "A-1")])
def test_a_product_that_was_set_aside(product: str, expected: str) -> None:
    """Its class can't be read."""
    rows = [*PRODUCTS, {"product": "foam", "product_class": "?", "approval": "A-2"}]
    line = timeline(OTHER, TASK | {"product": product}, products=rows)
    assert told(line, "product.approval")[1] == expected.format("products", "product")


def test_a_cell_of_a_list_that_can_not_be_read() -> None:
    """It is in doubt for the records that name its row, and no others; a blank cell is missing."""
    lots = [LOTS[0] | {"expires_on": "soon", "opened_on": ""}, LOTS[1] | {"opened_on": "2025-01-01"}]
    line = timeline(OTHER, TASK, TASK | {"task_id": "T3", "lot": "L9"}, lots=lots)
    unlisted = "- lot not listed in lots"
    assert told(line, "lot.expires_on") == ["2026-12-31", "? can't be read: lot.expires_on", unlisted]
    assert told(line, "lot.opened_on") == ["2025-01-01", "- value missing: lot.opened_on", unlisted]
    assert told(line, "lot.lot") == ["L1", "L1", unlisted]


def test_a_list_that_was_exported_without_a_column() -> None:
    """Whatever is listed or not, nobody knows what it would say."""
    line = timeline(OTHER, TASK | {"lot": "L9"})
    assert told(line, "lot.opened_on") == ["? column not supplied: lots.opened_on"] * 2


BOOT = {"component_serial": "B1", "aircraft": "A1", "position": "left", "material": "chloroprene", "finish": "black"}
BOOTS = [
    BOOT | {"installed_at": "2025-01-01T08:30:00Z"},
    BOOT | {"component_serial": "B2", "finish": "", "installed_at": "2025-03-01T00:00:00Z"},
    BOOT | {"component_serial": "B3", "finish": "gold", "installed_at": "2025-04-01T00:00:00Z"},
]
JOINED = (0, NONE_KNOWN, 1, TWO_RECORDED, 2)


def test_what_is_known_of_boots() -> None:
    """That of the boot with which each record is joined; of none it is missing, of two it may be either's."""
    line = timeline(*(TASK | {"task_id": f"T{number}"} for number in JOINED), components=BOOTS)
    none, two = "- no boot known at that position and time", "? two boots recorded at that position and time"
    assert told(line, "component.component_serial", JOINED) == ["B1", none, "B2", two, "B3"]
    assert told(line, "component.installed_at", JOINED) == [
        "2025-01-01T08:30:00Z",
        none,
        "2025-03-01T00:00:00Z",
        two,
        "2025-04-01T00:00:00Z",
    ]
    finishes = ["black", none, "- value missing: component.finish", two, "? can't be read: component.finish"]
    assert told(line, "component.finish", JOINED) == finishes
    assert told(line, "component.part_number", JOINED) == ["? column not supplied: components.part_number"] * 5


def test_without_the_history_of_the_boots() -> None:
    """Nothing is known of any; with one of which every row was set aside, it may be two."""
    assert told(timeline(TASK), "component.finish", [NONE_KNOWN]) == ["? table not supplied: components"]
    assert told(timeline(TASK), "component.installed_at", [NONE_KNOWN]) == ["? table not supplied: components"]
    line = timeline(TASK, components=[BOOTS[0] | {"material": "?"}])
    two = "? two boots recorded at that position and time"
    assert told(line, "component.installed_at", [TWO_RECORDED]) == [two]
    assert told(line, "component.finish", [TWO_RECORDED]) == [two]
    assert told(line, "component.finish", [NOT_CLEAR]) == ["? which boot was at that position and time is not known"]


NOTHING = "- performed_by holds nothing valid on that day"
PERHAPS = "? an entry of people that can't be read may say otherwise"


@pytest.mark.parametrize(
    ("entry", "expected"),
    [
        pytest.param({"valid_from": "?", "valid_to": "2025-06-02"}, PERHAPS, id="begun-at-any-time"),
        pytest.param({"valid_from": "?", "valid_to": "2025-06-01"}, NOTHING, id="over"),
        pytest.param({"valid_from": "?", "valid_to": ""}, PERHAPS, id="begun-at-any-time-and-still-valid"),
        pytest.param({"authorisation": "", "valid_to": "2025-06-02"}, PERHAPS, id="of-what"),
        pytest.param({"authorisation": "", "valid_from": "2025-06-03"}, NOTHING, id="of-what-but-later"),
        pytest.param({"valid_to": "?"}, PERHAPS, id="valid-until"),
        pytest.param({"valid_to": "?", "valid_from": "2025-06-02"}, PERHAPS, id="valid-until-from-that-day"),
        pytest.param({"valid_to": "?", "valid_from": "2025-06-03"}, NOTHING, id="valid-until-but-from-later"),
        pytest.param({"person": "", "valid_from": "2025-06-02"}, PERHAPS, id="of-whom"),
        pytest.param({"person": "", "valid_from": "2025-06-03"}, NOTHING, id="of-whom-but-from-later"),
        pytest.param({"person": "Bo Dahl", "valid_from": "?"}, NOTHING, id="of-another"),
        pytest.param({"certificate_number": "7", "certificate_kind": "airframe"}, "wash", id="sound"),
    ],
)
def test_an_entry_of_people_that_can_not_be_read(entry: Row, expected: str) -> None:
    """It may say otherwise of whoever it may name, on each day on which it may be valid."""
    valid = {"person": "Cy Moss", "authorisation": "wash", "valid_from": "2025-06-01", "valid_to": "2025-06-30"}
    people = [PEOPLE[1] | {"valid_from": "2025-06-03"}, valid | entry]
    nobody = "- value missing: performed_by"
    line = timeline(TASK | {"performed_by": ""}, OTHER | {"performed_by": "Cy Moss"}, people=people)
    assert told(line, "performer.authorisation") == [nobody, expected]


def test_a_certificate_that_two_exports_tell_differently() -> None:
    """It is in doubt what the person held; what else is said of them holds."""
    number = {"certificate_number": "7", "certificate_kind": "airframe"}
    people = [PEOPLE[0] | number, PEOPLE[1] | number, PEOPLE[0] | number | {"certificate_kind": "repair"}]
    line = timeline(OTHER, TASK, people=people)
    assert told(line, "performer.authorisation") == ["paint", "boots"]
    assert told(line, "performer.certificate_number") == ["7", "7"]
    assert told(line, "performer.certificates") == ["7 (airframe)", PERHAPS]
    assert told(line, "performer.certificate_kind") == ["airframe", PERHAPS]


def test_a_certificate_without_its_kind() -> None:
    """Where the list has no column of kinds nobody knows which certificate the number is of."""
    people = [one | {"certificate_number": number} for one, number in zip(PEOPLE, ("7", ""), strict=True)]
    line = timeline(OTHER, TASK, people=people)
    assert told(line, "performer.certificates") == ["? column not supplied: people.certificate_kind"] * 2
    assert told(line, "performer.certificate_number") == ["- performed_by holds nothing valid on that day", "7"]


UNREADABLE = "? can't be read: signed_at"


@pytest.mark.parametrize(
    ("entries", "as_of", "expected"),
    [
        pytest.param([("paint", 1, 30)], 5, "paint", id="the-same-until-then"),
        pytest.param([("paint", 1, 4)], 5, UNREADABLE, id="it-may-have-been-over"),
        pytest.param([("paint", 1, 5)], 5, "paint", id="over-only-after-the-as-of-time"),
        pytest.param([("paint", 3, 30)], 5, UNREADABLE, id="it-may-have-begun"),
        pytest.param([("paint", 1, 30), ("wash", 4, 30)], 5, UNREADABLE, id="more-may-have-begun"),
        pytest.param([("paint", 1, 3), ("paint", 4, 30)], 5, "paint", id="renewed"),
        pytest.param([("paint", 1, 30), ("wash", 6, 30)], 5, "paint", id="more-begins-after-the-as-of-time"),
        pytest.param([("paint", 1, 2), ("paint", 4, 30)], 5, UNREADABLE, id="not-for-a-day"),
    ],
)
def test_a_signature_of_unreadable_time(entries: list[tuple[str, int, int]], as_of: int, expected: str) -> None:
    """It was signed between the end of the work and the as-of time: what is held is known where it is the same
    throughout."""
    people = [
        {"person": "Bo Dahl", "authorisation": what, "valid_from": f"2025-06-{first:02}", "valid_to": f"2025-06-{last}"}
        for what, first, last in ((what, first, f"{last:02}") for what, first, last in entries)
    ]
    line = timeline(OTHER, TASK | {"signed_at": "late"}, people=people, as_of=f"2025-06-{as_of:02}T12:00:00Z")
    sound = "paint" if any(first <= 2 for _, first, _ in entries) else NOTHING.replace("performed", "certified")
    assert told(line, "certifier.authorisation") == [sound, expected]


def test_values_of_a_few_records_are_those_of_all() -> None:
    """However many are asked for, and whatever was asked before."""
    people = [*PEOPLE, {"person": "Cy Moss", "authorisation": "wash", "valid_from": "2025-06-01"}]
    names = ("Ann Lee", "Bo Dahl", "Cy Moss", "Di Fox")
    records = [
        TASK | {"task_id": f"T{number:02}", "performed_by": names[number % 4], "certificate_number": str(number % 3)}
        for number in range(40)
    ]
    expected = {
        "performer.authorisation": ["boots", "paint", "wash", NOTHING] * 10,
        "certificate": [f"{number % 3} (airframe)" for number in range(40)],
        "work_date": ["2025-06-02"] * 40,
        "coat": ["2"] * 40,
    }
    for name, whole in expected.items():
        line = timeline(*records, people=people)
        few = np.array([7, 2])
        for _ in range(2):
            found = values(line, name, few)
            assert [said(found, index) for index in (0, 1)] == [whole[7], whole[2]]
            assert told(line, name) == whole
        assert [said(values(line, name, np.arange(40))[few], index) for index in (0, 1)] == [whole[7], whole[2]]


CORRECTION = {
    "correction_id": "K1",
    "task_id": "T2",
    "column": "lot",
    "was": "L0",
    "now": "L1",
    "made_by": "Ann Lee",
    "made_at": "2025-06-30T23:30:00Z",
    "reason": "",
}


def test_what_is_known_of_corrections() -> None:
    """Whoever made one held what is valid on that day; of two made at once nobody knows what became of them."""
    corrections = [
        CORRECTION,
        CORRECTION | {"correction_id": "K2", "made_at": "2025-07-01T00:30:00Z", "reason": "misread"},
        CORRECTION | {"correction_id": "K3", "task_id": "T1", "was": "L0", "now": "L5"},
        CORRECTION | {"correction_id": "K4", "task_id": "T1", "was": "L0", "now": "L6"},
    ]
    line = looked_at(timeline(OTHER, TASK, corrections=corrections), "corrections")
    assert (
        told(line, "correction.reason")
        == ["- value missing: correction.reason", "misread"] + ["- value missing: correction.reason"] * 2
    )
    nothing = "- correction.made_by holds nothing valid on that day"
    assert told(line, "corrector.authorisation") == ["boots", nothing, "boots", "boots"]
    assert told(line, "task_id") == ["T2", "T2", "T1", "T1"]
    unclear = "? two corrections of one value were made at the same time, or one says nearly what the record does"
    assert told(line, "correction.state") == ["in the export", "in the export", unclear, unclear]
