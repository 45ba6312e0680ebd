"""Task records from night to night: altered, vanished, entered late; and what is none of these."""

from __future__ import annotations

import json
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import sqlalchemy as sa

from audit.errors import AuditError
from audit.findings.result import AuditResult
from audit.intake.location import Location
from audit.register import packing, seeing
from audit.register.digests import record_digests, same_cells
from audit.register.opening import open_register
from audit.register.packing import kept_of, packed, table_of, unpacked_cells
from audit.register.records import as_texts, first_wrong, root_of, versions_of
from audit.register.schema import RECORDS, RUNS, SEALS
from audit.register.seal import add_seal, first_broken
from audit.report.standing import since_last_run
from tests.register.nights import record, records_of


@pytest.fixture(params=["digested", "compared"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is known already is digested again where it is little, and compared cell by cell where it is much."""
    monkeypatch.setattr(seeing, "_WORTH_READING", 1_000 if request.param == "digested" else 1)


@pytest.fixture
def where(tmp_path: Path, way: None) -> Path:
    return tmp_path / "register.db"


def night(where: Location, day: int, *lots: str, **more: Any) -> AuditResult:
    """A night whose records T0, T1, ... have these lots; a blank one is missing."""
    ids = [f"T{number}" for number in range(len(lots))]
    tasks = records_of(ids, lot=pd.Categorical([lot or None for lot in lots]), **more.pop("columns", {}))
    return record(where, day, tasks=more.pop("tasks", tasks), task_ids=ids, **more)


def happened(done: AuditResult) -> list[tuple[str, ...]]:
    assert done.standing is not None
    names = ["task_id", "what", "column", "was", "now"]
    return list(done.standing.altered[names].itertuples(index=False, name=None))


NEVER = pd.Series([pd.NaT] * 3, dtype="datetime64[us, UTC]")
ALTERED = ("T1", "altered", "lot", "L2", "L9")


@pytest.mark.usefixtures("way")
def test_an_altered_record_says_what_was_and_what_is(place: Location) -> None:
    """Which column, what it was and is, since when; and it is told every night from then on."""
    assert happened(night(place, 1, "L1", "L2")) == []
    assert happened(night(place, 2, "L1", "L2")) == []
    told = night(place, 3, "L1", "L9")
    assert happened(told) == [ALTERED]
    assert told.standing is not None
    assert told.standing.altered["first_seen"].tolist() == [pd.Timestamp("2026-01-03T22:00Z")]
    assert happened(night(place, 4, "L1", "L9")) == [ALTERED]
    assert happened(night(place, 5, "L1", "")) == [ALTERED, ("T1", "altered", "lot", "L9", "")]


@pytest.mark.usefixtures("way")
def test_a_record_that_vanished(place: Location) -> None:
    """Told once, not every night anew; a record in quarantine is there."""
    night(place, 1, "L1", "L2", "L3")
    gone = ("T2", "vanished", "", "", "")
    assert happened(night(place, 2, "L1", "L2")) == [gone]
    assert happened(night(place, 3, "L1", "L2")) == [gone]
    assert happened(night(place, 4, "L1", set_aside=("T1",))) == [gone]
    assert happened(night(place, 5, "L1", "L2", "L3")) == [gone]


def test_a_record_that_comes_back_as_something_else_was_altered(where: Path) -> None:
    """Since it was last signed, however long it was gone; what can't be read when it is back is known to be nothing."""
    gone = ("T1", "vanished", "", "", "")
    night(where, 1, "L1", "L2")
    night(where, 2, "L1", "")
    night(where, 3, "L1")
    before = [("T1", "altered", "lot", "L2", ""), gone]
    assert happened(night(where, 4, "L1")) == before
    assert happened(night(where, 5, "L1", "L9")) == [*before, ("T1", "altered", "lot", "", "L9")]
    night(where, 6, "L1")
    told = happened(night(where, 7, "L1", "", unreadable={"lot": np.array([1])}))
    assert told == [*before, ("T1", "altered", "lot", "", "L9"), gone]
    assert happened(night(where, 8, "L1", "L7")) == told


def test_a_record_that_comes_back_read_by_another_mapping_alters_nothing(where: Path) -> None:
    """Nobody knows whether the record says something else or is read otherwise, also nights later."""
    gone = [("T1", "vanished", "", "", "")]
    night(where, 1, "L1", "L2", reading="a")
    assert happened(night(where, 2, "L1", reading="a")) == gone
    night(where, 3, "L1", reading="b")
    assert happened(night(where, 4, "L1", "L9", reading="b")) == gone


def test_a_record_that_is_signed_again_is_compared_with_what_was_signed_before(where: Path) -> None:
    """Opened, altered and closed again; what was told when it was opened is not told twice."""

    def status(*words: str) -> dict[str, Any]:
        return {"columns": {"status": pd.Categorical(words)}}

    night(where, 1, "L1", "L2", **status("closed", "closed"))
    night(where, 2, "L1", "L3", **status("closed", "open"))
    before = [("T1", "altered", "lot", "L2", "L3"), ("T1", "altered", "status", "closed", "open")]
    assert sorted(happened(night(where, 3, "L1", "L4", **status("closed", "open")))) == before
    told = sorted(happened(night(where, 4, "L1", "L9", **status("closed", "closed"))))
    assert told == [before[0], ALTERED, before[1]]
    assert sorted(happened(night(where, 5, "L1", "L2", **status("closed", "open"))))[:1] == before[:1]
    back = happened(night(where, 6, "L1", "L2", **status("closed", "closed")))
    assert [row for row in back if row[2] == "lot"][2:] == [("T1", "altered", "lot", "L9", "L2")]


def test_whole_numbers_are_told_as_such(where: Path) -> None:
    """A count that stays as it is was not altered, where other records have none; nor does it get a decimal point."""
    coats = {"columns": {"coat": pd.array([2, None], "Int64")}}
    night(where, 1, "L1", "L2", **coats)
    assert happened(night(where, 2, "L9", "L2", **coats)) == [("T0", "altered", "lot", "L1", "L9")]
    coats = {"columns": {"coat": pd.array([3, None], "Int64")}}
    assert happened(night(where, 3, "L9", "L2", **coats))[1:] == [("T0", "altered", "coat", "2", "3")]
    with open_register(where) as register:
        assert [cells["coat"] for _, cells in versions_of(register.connection, "T0")] == ["2", "2", "3"]


def test_a_record_that_was_not_signed_may_change(where: Path) -> None:
    """Open work goes on; what is not signed may be written anew, and vanish."""
    unsigned = {"columns": {"signed_at": NEVER}}
    night(where, 1, "L1", "L2", **unsigned)
    night(where, 2, "L1", "L9", **unsigned)
    assert happened(night(where, 3, "L1", **unsigned)) == []


def test_a_signed_record_that_is_opened_again_is_altered(where: Path) -> None:
    """Its status, and the signature that it had, are columns like any other."""
    night(where, 1, "L1", columns={"status": pd.Categorical(["closed"])})
    told = happened(night(where, 2, "L1", columns={"status": pd.Categorical(["void"])}))
    assert told == [("T0", "altered", "status", "closed", "void")]


def test_a_status_that_is_blank_means_closed(where: Path) -> None:
    """Written out on the next night it says the same; anything else is altered."""
    for day, words in ((1, (None, None)), (2, ("closed", "closed")), (3, ("void", None))):
        told = happened(night(where, day, "L1", "L2", columns={"status": pd.Categorical(words)}))
    assert told == [("T0", "altered", "status", "closed", "void")]


def test_a_column_that_was_not_exported_alters_nothing(where: Path) -> None:
    """A column less, or one more, on some night: the records are the same; what was changed meanwhile is found."""
    night(where, 1, "L1", "L2")
    assert happened(record(where, 2, tasks=records_of(["T0", "T1"]), task_ids=("T0", "T1"))) == []
    assert happened(night(where, 3, "L1", "L2", columns={"remarks": "new column"})) == []
    record(where, 4, tasks=records_of(["T0", "T1"]), task_ids=("T0", "T1"))
    assert happened(night(where, 5, "L1", "L9")) == [ALTERED]


def test_a_cell_that_can_not_be_read_alters_nothing(where: Path) -> None:
    """It is as it was last known: nobody knows whether it says the same; a reading of another value is told."""
    night(where, 1, "L1", "L2")
    assert happened(night(where, 2, "L1", "", unreadable={"lot": [1]})) == []
    assert happened(night(where, 3, "L1", "L2")) == []
    assert happened(night(where, 4, "", "L9", unreadable={"lot": [0]})) == [ALTERED]


def test_what_could_not_be_read_at_first_is_not_altered_once_it_can(where: Path) -> None:
    """Nobody knows what it said before; from then on it is known, also where it is blank."""
    night(where, 1, "L1", "", "", unreadable={"lot": np.array([1, 2])})
    assert happened(night(where, 2, "L1", "", "", unreadable={"lot": np.array([1, 2])})) == []
    assert happened(night(where, 3, "L1", "L2", "")) == []
    assert happened(night(where, 4, "L1", "L9", "L3")) == [ALTERED, ("T2", "altered", "lot", "", "L3")]


def test_a_column_that_was_not_exported_when_a_record_came_alters_nothing(where: Path) -> None:
    """A record that came while a column was not exported has no value that could have been altered."""
    night(where, 1, "L1")
    record(where, 2, tasks=records_of(["T0", "T1"]), task_ids=["T0", "T1"])
    assert happened(night(where, 3, "L1", "L2")) == []
    assert happened(night(where, 4, "L1", "L9")) == [ALTERED]


def test_what_a_night_tells_again_is_not_told_as_its_own(where: Path) -> None:
    """Of two audits as of one time the first tells what was altered as new; it stays in the list of both."""
    night(where, 1, "L1", "L2")
    told = [night(where, 2, "L1", "L9") for _ in range(2)]
    assert [happened(done) for done in told] == [[ALTERED], [ALTERED]]
    assert [done.standing.altered_now for done in told if done.standing] == [1, 0]
    first, second = map(since_last_run, told)
    assert "signed records: 1 altered" in first
    assert "signed records: 1 altered" not in second


def test_another_mapping_alters_nothing(where: Path) -> None:
    """Records that another mapping or version read can't be compared; from the next night on they are again."""
    night(where, 1, "L1", "L2", reading="one")
    assert happened(night(where, 2, "L1", "L9", reading="other")) == []
    assert happened(night(where, 3, "L1", "L9", reading="other")) == []
    assert happened(night(where, 4, "L1", "L8", reading="other")) == [("T1", "altered", "lot", "L9", "L8")]


def test_an_earlier_as_of_time_tells_nothing(where: Path) -> None:
    """What looks back from an earlier time sees less, and leaves the records as they are known."""
    night(where, 9, "L1", "L2")
    assert happened(night(where, 5, "L1")) == []
    assert happened(night(where, 10, "L1", "L9")) == [ALTERED]


def test_records_of_the_future_are_not_there_yet(where: Path) -> None:
    """Work that begins after the as-of time doesn't exist; nor does it vanish from there."""
    tasks = records_of(["T0"], started_at=pd.Series([pd.Timestamp("2026-01-05T08:00Z")], dtype="datetime64[us, UTC]"))
    record(where, 1, tasks=tasks)
    assert happened(record(where, 2, tasks=records_of([]))) == []


def test_a_record_entered_late(where: Path) -> None:
    """Work that had ended days before an earlier run, which did not have it; not what is new, nor the first night."""
    night(where, 8, "L1")
    tasks = records_of(["T0", "T1", "T2"], lot="L1")
    for name in ("started_at", "finished_at"):
        tasks.loc[2, name] = pd.Timestamp("2026-01-08T21:00Z")
    told = happened(record(where, 9, tasks=tasks, task_ids=("T0", "T1", "T2")))
    assert told == [("T1", "entered late", "", "2026-01-08T22:00:00+00:00", "2026-01-01T08:00:00+00:00")]


def test_versions_are_kept_only_where_something_changed(where: Path) -> None:
    """Every version of a record can be shown; a night without changes adds none."""
    for day, lot in enumerate(("L2", "L2", "L9", "L9"), start=1):
        night(where, day, "L1", lot)
    with open_register(where) as register:
        told = [(run, cells["lot"]) for run, cells in versions_of(register.connection, "T1")]
        assert told == [(1, "L2"), (3, "L9")]
        assert len(list(versions_of(register.connection, "T0"))) == 1


def test_many_records_that_stayed_are_not_digested(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a night only what is new or differs, wherever its versions are kept; the root is as if all had been."""
    where = tmp_path / "register.db"
    monkeypatch.setattr(seeing, "_WORTH_READING", 1)
    monkeypatch.setattr(seeing, "_MOST_ROWS", 3)
    told, roots = [], []

    def counted(tasks: pd.DataFrame) -> Any:
        told.extend(tasks["task_id"])
        return record_digests(tasks)

    for module in (seeing, packing):
        monkeypatch.setattr(module, "record_digests", counted)
    nights = [["L1"] * 7, ["L1"] * 7, ["L1"] * 6 + ["L9"], ["L1"] * 6 + ["L9"], ["L2"] + ["L1"] * 5 + ["L9", "L3"]]
    digested = []
    for day, lots in enumerate(nights, start=1):
        night(where, day, *lots)
        digested.append(sorted(set(told)))
        told.clear()
    assert digested == [[f"T{number}" for number in range(7)], [], ["T6"], [], ["T0", "T7"]]
    with open_register(where) as register:
        roots = list(register.connection.execute(sa.select(RUNS.c.records_root).order_by(RUNS.c.run)).scalars())
        assert first_broken(register.connection) is None
    tasks = records_of([f"T{number}" for number in range(8)], lot=pd.Categorical(nights[-1]))
    assert roots[-1] == root_of(pd.Index(tasks["task_id"]), record_digests(tasks))[1]


def test_few_records_do_not_bring_the_words_of_all(tmp_path: Path) -> None:
    """Of the work orders of an export a night keeps those of the records that changed."""
    where = tmp_path / "register.db"
    ids = [f"T{number}" for number in range(2_000)]
    for day, lot in ((1, "L1"), (2, "L2")):
        orders = pd.Categorical([f"work order {number}" for number in range(2_000)])
        tasks = records_of(ids, work_order=orders).assign(lot=["L1"] * 1_999 + [lot])
        record(where, day, tasks=tasks, task_ids=ids)
    with open_register(where) as register:
        kept = [len(said) for said in register.connection.execute(sa.select(RECORDS.c.contents)).scalars()]
    assert kept[1] < kept[0] / 3


@pytest.mark.parametrize("name", ["ids", "contents"])
def test_damaged_records_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """A byte that is not what was written is told, in one sentence; it never changes or makes away with a record."""
    where = tmp_path / "register.db"
    monkeypatch.setattr(seeing, "_WORTH_READING", 1)
    lots = [f"L{number}" for number in range(20)]
    night(where, 1, *lots)
    with open_register(where) as register:
        good = register.connection.execute(sa.select(RECORDS.c[name])).scalar_one()
    refused = 0
    for place in range(5, len(good), max(1, len(good) // 24)):
        with open_register(where) as register:
            bad = good[:place] + bytes([good[place] ^ 4]) + good[place + 1 :]
            register.connection.execute(sa.update(RECORDS).values({name: bad}))
            register.commit()
        try:
            assert happened(night(where, 2, *lots, keep=False)) == []
        except AuditError as error:
            refused += "is damaged, what it keeps of task records can't be read" in str(error)
    assert refused > 8


@pytest.mark.parametrize("name", ["ids", "digests", "contents"])
def test_changed_records_name_their_run(where: Path, name: str) -> None:
    """A byte of what the register keeps of records, and the seal doesn't fit; nor where everything else was redone."""
    night(where, 1, "L1", "L2")
    night(where, 2, "L1", "L9")
    with open_register(where) as register:
        connection = register.connection
        assert first_broken(connection) is None
        other = connection.execute(sa.select(RECORDS.c[name]).where(RECORDS.c.run == 1)).scalar_one()
        connection.execute(sa.update(RECORDS).where(RECORDS.c.run == 2).values({name: other}))
        broken = first_broken(connection)
        assert broken is not None
        assert broken[0] == 2
        connection.execute(sa.delete(SEALS))
        for run in (1, 2):
            add_seal(connection, run)
        assert first_broken(connection) is not None


def test_a_value_that_is_kept_was_read(where: Path) -> None:
    """Whoever says that it never was, so that it may be altered, is found out."""
    night(where, 1, "L1", "")
    with open_register(where) as register:
        table = table_of(register.connection.execute(sa.select(RECORDS.c.ids)).scalar_one())
        for rows, run in (([1], None), ([0], 1), ([5], 1)):
            metadata = {**table.schema.metadata, b"unread": json.dumps({"lot": rows})}
            ids = packed(table.replace_schema_metadata(metadata))
            register.connection.execute(sa.update(RECORDS).values(ids=ids))
            assert first_wrong(register.connection) == run


def test_every_value_counts_in_a_digest() -> None:
    """Another value in any column, a missing one, a value in another column: another digest; the order of rows none."""
    frames = [
        records_of(["T0"]),
        records_of(["T1"]),
        records_of(["T0"], lot="L1"),
        records_of(["T0"], product="L1"),
        records_of(["T0"], coat=pd.array([1], "Int64")),
        records_of(["T0"], coats=pd.array([1], "Int64")),
        records_of(["T0"], ambient_c=0.0),
        records_of(["T0"], humidity_pct=0.0),
        records_of(["T0"], remarks="L1"),
        records_of(["T0"], signed_at=NEVER),
    ]
    digests = {record_digests(frame).tobytes() for frame in frames}
    assert len(digests) == len(frames)
    both = records_of(["T0", "T1"])
    swapped = record_digests(both.iloc[::-1].reset_index(drop=True))
    assert (record_digests(both) == swapped[::-1]).all()


def test_a_digest_hangs_on_nothing_else() -> None:
    """Not on how a value is held: as word, as text, with other words beside it, as float where some are missing."""
    one = records_of(["T0"], lot=pd.Categorical(["L1"], ["L0", "L1"]), coat=pd.array([2], "Int64"))
    other = records_of(["T0"], lot="L1", coat=2.0).assign(remarks=None)
    assert (record_digests(one) == record_digests(other)).all()


CELLS: list[dict[str, Any]] = [
    {},
    {"lot": pd.Categorical(["L1", None, "L2"])},
    {"lot": pd.Categorical(["L1", "L2", None], ["L2", "L1", "L0"])},
    {"lot": ["L1", None, "L2"]},
    {"lot": [None, None, None]},
    {"remarks": ["L1", None, "L2"]},
    {"coat": pd.array([1, None, 2**53 + 1], "Int64")},
    {"coat": pd.array([1, None, 2**53], "Int64")},
    {"coats": pd.array([1, None, 3], "Int64")},
    {"coat": pd.array([None, None, None], "Int64")},
    {"ambient_c": [0.0, None, 1.5]},
    {"ambient_c": [-0.0, np.nan, 1.5 + 2**-52]},
    {"signed_at": NEVER},
    {
        "signed_at": pd.to_datetime(["2026-01-01T08:00:00.000001Z", None, "2026-01-01T08:00:00.0Z"], utc=True).as_unit(
            "us"
        )
    },
]


@pytest.mark.parametrize("words", [[], ["lot"]])
def test_cells_are_the_same_where_the_digests_are(words: list[str]) -> None:
    """Every pair of records, one of them as it comes back from a register: however a value is held."""
    frames = [records_of(["T0", "T1", "T2"], **cells) for cells in CELLS]
    digests = [record_digests(frame) for frame in frames]
    for then, digest in zip(frames, digests, strict=True):
        kept = unpacked_cells(kept_of(then).contents, words)
        assert (record_digests(kept) == digest).all()
        for now, other in zip(frames, digests, strict=True):
            assert same_cells(now, kept).tolist() == (other == digest).all(axis=1).tolist()


def test_many_records_are_digested_beside_the_audit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By a process or here, and after the process was killed: the same bytes are kept."""

    def kept(name: str) -> list[Any]:
        for day, ids in enumerate((["T1", "T2", "T3", "T5"], ["T1", "T3", "T4", "T5"]), start=1):
            record(tmp_path / name, day, task_ids=ids)
        with open_register(tmp_path / name, writing=False) as register:
            return [
                tuple(row) for row in register.connection.execute(sa.select(RECORDS).order_by(*RECORDS.primary_key))
            ]

    monkeypatch.setattr(seeing, "_MOST_ROWS", 2)
    here = kept("here")
    assert [row[:2] for row in here] == [(1, 0), (1, 1), (2, 0)]
    monkeypatch.setattr(seeing, "_WORTH_A_PROCESS", 1)
    assert kept("beside") == here
    monkeypatch.setattr(ProcessPoolExecutor, "submit", _killed)
    assert kept("killed") == here


def _killed(*_: Any) -> Future[Any]:
    answer: Future[Any] = Future()
    answer.set_exception(BrokenProcessPool())
    return answer


def test_texts_of_cells() -> None:
    """What was and is reads as a person would write it."""
    assert as_texts(pd.Series([1.5, None])) == ["1.5", ""]
    assert as_texts(pd.Series([pd.Timestamp("2026-01-01T08:00Z")])) == ["2026-01-01T08:00:00+00:00"]
