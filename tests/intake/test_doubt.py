"""What an export leaves in doubt: told as values, beside the rows that are audited."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from audit.intake.export import Export, RowCount
from audit.intake.names import NO_ALIASES, near_keys, near_names
from audit.intake.reading import read_export, read_rows
from tests.intake.conftest import COMPONENT, FLIGHT, STATION, TASK, Write, as_csv


def near(export: Export) -> list[tuple[Any, ...]]:
    return list(export.near_names.drop(columns="kind").itertuples(index=False, name=None))


# One key, two contents


def test_a_record_exported_again_with_another_time() -> None:
    """Which of the two holds isn't known: neither is audited, both are possible."""
    again = TASK | {"finished_at": "2024-01-10T11:00:00Z"}
    export = read_rows({"tasks": [TASK, again, TASK | {"task_id": "T2"}]})
    assert export.counts["tasks"] == RowCount(read=3, audited=1, quarantined=2)
    assert export.rejects[["line", "column", "value", "reason"]].to_numpy().tolist() == [
        [1, "task_id", "T1", "other contents under the same key; see line 2"],
        [2, "task_id", "T1", "other contents under the same key; see line 1"],
    ]
    assert [time.hour for time in export.set_aside["tasks"]["finished_at"]] == [9, 11]


def test_a_record_exported_again_with_another_product() -> None:
    """What both say holds; the cell in which they differ is in doubt, in no other row and no other cell."""
    first = TASK | {"product": "P1", "lot": "L1"}
    export = read_rows({"tasks": [TASK | {"task_id": "T0"}, first, first | {"product": "P2"}]})
    assert export.counts["tasks"] == RowCount(read=3, audited=2, quarantined=1)
    assert export.tables["tasks"]["product"].isna().tolist() == [True, True]
    assert {place: rows.tolist() for place, rows in export.unreadable.items()} == {("tasks", "product"): [1]}
    assert export.tables["tasks"]["lot"].tolist()[1] == "L1"
    assert export.faults[["line", "column", "value", "reason"]].to_numpy().tolist() == [
        [2, "product", "P1", "said otherwise under the same key; see line 3"]
    ]
    assert export.set_aside["tasks"].empty


def test_a_record_exported_again_with_a_list_in_another_order() -> None:
    """A list is the same in any order: the row is a duplicate, and nothing is in doubt. Another entry is."""
    first = TASK | {"steps_signed": "rinsed; dried", "position": "left wing; right wing"}
    again = first | {"steps_signed": "Dried;rinsed", "position": "right wing; left wing"}
    export = read_rows({"tasks": [first, again]})
    assert export.rejects["reason"].tolist() == ["duplicate of line 1"]
    assert (export.faults.empty, dict(export.unreadable)) == (True, {})
    export = read_rows({"tasks": [first, first | {"steps_signed": "rinsed"}]})
    assert export.faults[["column", "value"]].to_numpy().tolist() == [["steps_signed", "rinsed; dried"]]


def test_three_of_one_key() -> None:
    """A row that repeats one of two contents is a duplicate, and no third possibility."""
    other = FLIGHT | {"landing_at": "2024-01-11T10:00:00Z"}
    export = read_rows({"tasks": [TASK], "flights": [FLIGHT, other, FLIGHT]})
    assert export.rejects["reason"].tolist() == [
        "other contents under the same key; see line 2",
        "other contents under the same key; see line 1",
        "duplicate of line 1",
    ]
    assert len(export.set_aside["flights"]) == 2


def test_a_sound_row_and_one_that_cannot_be_read_share_a_key() -> None:
    """What can't be read may differ: the sound row is only one of two possibilities."""
    export = read_rows({"tasks": [TASK, TASK | {"finished_at": "noon"}]})
    assert export.tables["tasks"].empty
    assert export.set_aside["tasks"]["finished_at"].isna().tolist() == [False, True]


# Rows set aside


def test_rows_that_say_nothing_are_no_evidence() -> None:
    """A row that is blank in every required column could be anything; it is counted, and not among the possible."""
    blank = dict.fromkeys(TASK, "") | {"remarks": "page 2"}
    export = read_rows({"tasks": [TASK, blank, TASK | {"task_id": "T2", "aircraft": ""}]})
    assert export.counts["tasks"].quarantined == 2
    assert export.set_aside["tasks"]["task_id"].tolist() == ["T2"]


def test_rows_set_aside_have_the_types_of_those_audited() -> None:
    """They can be asked the same questions."""
    rows = [TASK | {"coat": "2", "signed_at": "2024-01-10T09:30Z"}]
    export = read_rows({"tasks": [*rows, rows[0] | {"task_id": "T2", "station": "", "coat": "900"}]})
    assert export.set_aside["tasks"].dtypes.astype(str).tolist() == export.tables["tasks"].dtypes.astype(str).tolist()
    assert export.set_aside["tasks"]["coat"].isna().all()


def test_a_torn_row_may_be_anything_of_its_aircraft(write: Write) -> None:
    """A row with too few or too many cells is not evidence but of the aircraft that one of its cells names."""
    rows = as_csv(TASK, TASK | {"task_id": "T2", "aircraft": "A2"}) + 'T3,"W1",A2,apply\nT4,A1,A2\n'
    export = read_export(write({"tasks.csv": rows}))
    assert export.counts["tasks"] == RowCount(read=4, audited=2, quarantined=2)
    aside = export.set_aside["tasks"]
    assert aside["aircraft"].tolist() == ["A2", np.nan]
    assert aside.drop(columns="aircraft").isna().all(axis=None)
    assert aside.dtypes.astype(str).tolist() == export.tables["tasks"].dtypes.astype(str).tolist()


def test_a_flight_listed_twice() -> None:
    """The same aircraft, takeoff and landing under another key is told; with another landing it is another flight."""
    others = [{"flight_id": "F2", "landing_at": "2024-01-11T09:01:00Z"}, {"flight_id": "F3", "aircraft": "A2"}]
    rows = [FLIGHT, *(FLIGHT | other for other in others), FLIGHT | {"flight_id": "F4"}]
    assert read_rows({"flights": rows}).listed_twice.tolist() == [3]
    assert read_rows({"flights": rows[:3]}).listed_twice.tolist() == []


# Names


@pytest.mark.parametrize(
    ("name", "other"),
    [
        ("TARNTEAL", "TARN-TEAL"),
        ("tarn-teal", "TARN-TEAL"),
        ("TARN TEAL", "TARN-TEAL"),
        ("TARN\u2011TEAL", "TARN-TEAL"),
        ("TARN-TЕАL", "TARN-TEAL"),  # Cyrillic Е and А
        ("SN-1O1", "SN-101"),
        ("SN-l01", "SN-101"),
        ("SN-5B", "SN-S8"),
        ("0042", "42"),
        ("SN-007", "SN-7"),
        ("12.0", "12"),
        ("Muller", "Mu\u0308ller"),
        ("Ωmega", "\u2126mega"),
    ],
)
def test_nearly_equal_names(name: str, other: str) -> None:
    """Case, spaces, hyphens, accents, look-alikes, leading zeros and decimals that are none make no other name for a
    careful reader."""
    assert not near_keys(name).isdisjoint(near_keys(other))


@pytest.mark.parametrize(
    ("name", "other"),
    [
        ("TARN-TEAL", "TARN-TEAM"),
        ("SN-100", "SN-10"),
        ("SN-70", "SN-7"),
        ("B", "8"),
        ("OSLO", "SLO"),
        ("A1", "A11"),
        ("12.5", "12"),
    ],
)
def test_other_names(name: str, other: str) -> None:
    """A sign more, less or another is another name."""
    assert near_keys(name).isdisjoint(near_keys(other))


def test_a_person_by_the_last_name_first() -> None:
    """The words of a person's name are nearly the same name in any order; of an aircraft's they are another."""
    assert not near_keys("Vale, Cora", any_order=True).isdisjoint(near_keys("Cora Vale", any_order=True))
    assert near_keys("Vale, Cora").isdisjoint(near_keys("Cora Vale"))
    people = [{"person": "Cora Vale", "authorisation": "x", "valid_from": "2020-01-01"}]
    assert near(read_rows({"tasks": [TASK | {"certified_by": "Vale, Cora"}], "people": people})) == [
        ("tasks", "certified_by", "Vale, Cora", "people", "person", "Cora Vale"),
        ("people", "person", "Cora Vale", "tasks", "certified_by", "Vale, Cora"),
    ]


def test_a_name_that_another_table_nearly_knows() -> None:
    """The flight log writes an aircraft without its hyphen: told for both tables, since each lacks the other's name."""
    tasks = [TASK | {"aircraft": "TARN-TEAL"}, TASK | {"task_id": "T2", "aircraft": "TARN-IBIS"}]
    flights = [FLIGHT | {"aircraft": "TARNTEAL"}, FLIGHT | {"flight_id": "F2", "aircraft": "TARN-IBIS"}]
    assert near(read_rows({"tasks": tasks, "flights": flights})) == [
        ("tasks", "aircraft", "TARN-TEAL", "flights", "aircraft", "TARNTEAL"),
        ("flights", "aircraft", "TARNTEAL", "tasks", "aircraft", "TARN-TEAL"),
    ]


def test_nearly_equal_names_that_every_table_knows_are_two() -> None:
    """`A1` and `AI` may both fly; where one table knows one of them only, the other is in doubt there."""
    tasks = [TASK, TASK | {"task_id": "T2", "aircraft": "AI"}]
    flights = [FLIGHT, FLIGHT | {"flight_id": "F2", "aircraft": "AI"}]
    assert near(read_rows({"tasks": tasks, "flights": flights})) == []
    assert near(read_rows({"tasks": tasks, "flights": flights[:1]})) == [
        ("tasks", "aircraft", "AI", "flights", "aircraft", "A1")
    ]


def test_positions_are_compared_one_by_one() -> None:
    """A list of positions names each of them; `all` names none."""
    tasks = [TASK | {"position": "Left Wing; fin"}, TASK | {"task_id": "T2", "position": "all"}]
    components = [COMPONENT, COMPONENT | {"component_serial": "C2", "position": "left wing"}]
    assert near(read_rows({"tasks": tasks, "components": components})) == [
        ("tasks", "position", "Left Wing", "components", "position", "left wing"),
        ("components", "position", "left wing", "tasks", "position", "Left Wing"),
    ]


def test_one_table_alone_has_no_near_names() -> None:
    """Without another table there is nothing to know a name."""
    assert near_names(read_rows({"tasks": [TASK]}).tables, NO_ALIASES).empty


def test_a_person_is_one_however_the_name_is_typed() -> None:
    """Case, spaces and Unicode form don't make another person; the spelling of the people table is taken."""
    tasks = [
        TASK | {"performed_by": "JOSE\u0301  Marti", "certified_by": "jos\u00e9 marti"},
        TASK | {"task_id": "T2", "performed_by": "JOSE\u0301  Marti", "certified_by": "Ann"},
        TASK | {"task_id": "T3", "performed_by": "ANN", "certified_by": "ANN"},
    ]
    people = [{"person": "José Marti", "authorisation": "x", "valid_from": "2020-01-01"}]
    export = read_rows({"tasks": tasks, "people": people})
    assert export.tables["tasks"]["performed_by"].tolist() == ["José Marti", "José Marti", "ANN"]
    assert export.tables["tasks"]["certified_by"].tolist() == ["José Marti", "ANN", "ANN"]
    assert export.near_names.empty


def test_several_people_in_one_cell() -> None:
    """They are told; a name that only looks like two is one where it is listed."""
    names = ["Ann Lee; Bo Ek", "Lee, Ann", "Ann Lee & Bo Ek", "Ann Lee / Bo Ek", "Lindqvist, Eva", "R&D"]
    tasks = [TASK | {"task_id": f"T{number}", "performed_by": name} for number, name in enumerate(names)]
    listed = ["Ann Lee", "Bo Ek", "Lee, Ann", "R&D"]
    people = [{"person": name, "authorisation": "x", "valid_from": "2020-01-01"} for name in listed]
    export = read_rows({"tasks": tasks, "people": people})
    assert export.several_names["tasks", "performed_by"].tolist() == [0, 2, 3]


# Words


def test_closed_lists_are_read_in_any_case() -> None:
    """Case, spaces and Unicode form make no other word; ISO 1629 has symbols for rubbers."""
    tasks = [TASK | {"action": " Apply", "status": "CLOSED", "position": "All", "material_recorded": "CR"}]
    components = [
        COMPONENT | {"component_serial": "C2", "material": "Chloroprene", "finish": "BLACK"},
        COMPONENT | {"component_serial": "C3", "material": "AU"},
        COMPONENT | {"component_serial": "C4", "material": "eu"},
    ]
    products = [{"product": "P", "product_class": "Rubber Preservative"}]
    export = read_rows({"tasks": tasks, "components": components, "products": products})
    assert export.rejects.empty
    assert export.faults.empty
    [task] = export.tables["tasks"].to_dict("records")
    assert [task[name] for name in ("action", "status", "position", "material_recorded")] == [
        "apply",
        "closed",
        "all",
        "chloroprene",
    ]
    assert export.tables["components"]["material"].tolist() == ["chloroprene", "polyurethane", "polyurethane"]
    assert export.tables["components"]["finish"].tolist()[0] == "black"
    assert export.tables["products"]["product_class"].tolist() == ["rubber-preservative"]


def test_words_of_open_lists_are_canonical() -> None:
    """PPE, kinds of certificates and authorisations are the same word however they are typed."""
    tasks = [TASK | {"ppe_worn": "Eye\u2011Protection ;CHEMICAL-GLOVES;", "certificate_kind": " Air  Frame"}]
    people = [
        {"person": "P", "authorisation": "Certifying", "valid_from": "2020-01-01", "certificate_kind": "AIR frame"}
    ]
    export = read_rows({"tasks": tasks, "people": people})
    assert export.tables["tasks"]["ppe_worn"].tolist() == ["eye-protection; chemical-gloves"]
    assert export.tables["tasks"]["certificate_kind"].tolist() == ["air frame"]
    assert export.tables["people"][["authorisation", "certificate_kind"]].to_numpy().tolist() == [
        ["certifying", "air frame"]
    ]


# Columns


def test_columns_that_were_exported(write: Write) -> None:
    """A blank column is there, one that nobody asked for is unread, another isn't there."""
    folder = write({"tasks.csv": as_csv(TASK | {"lot": "", "remarks": "x"}), "stations.csv": as_csv(STATION)})
    export = read_export(folder)
    assert export.columns["tasks"] == {*TASK, "lot", "remarks"}
    assert export.unread_columns == {"tasks": {"remarks"}, "stations": frozenset()}
    pq.write_table(pa.table({name: [value] for name, value in TASK.items()}), folder / "tasks.parquet")
    (folder / "tasks.csv").unlink()
    assert read_export(folder).columns["tasks"] == set(TASK)


# Days without a time


def test_days_without_a_time() -> None:
    """A component's day is told, and so is a column that has midnights only; a time at midnight among others isn't."""
    rows = [
        COMPONENT | {"installed_at": "2023-01-01", "removed_at": "2023-05-01T00:00:00"},
        COMPONENT | {"component_serial": "C2", "installed_at": "2023-02-01T00:00", "removed_at": ""},
        COMPONENT | {"component_serial": "C3", "installed_at": "2023-02-01T10:00Z", "removed_at": "2023-06-01 00:00"},
    ]
    export = read_rows({"tasks": [TASK], "components": rows})
    assert {place: found.tolist() for place, found in export.date_only.items()} == {
        ("components", "installed_at"): [0],
        ("components", "removed_at"): [0, 2],
    }


def test_days_of_parquet(write: Write) -> None:
    """A date is not a time in Parquet either."""
    folder = write({})
    columns = {name: [value] for name, value in COMPONENT.items()}
    columns["installed_at"] = pa.array([pd.Timestamp("2023-01-01").date()])
    pq.write_table(pa.table(columns), folder / "components.parquet")
    assert read_export(folder).date_only["components", "installed_at"].tolist() == [0]
