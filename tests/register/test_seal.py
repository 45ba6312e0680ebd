"""Seals: whatever is changed in a register names its run; a signature is good for an independent reader."""

from __future__ import annotations

import re
import shutil
import sqlite3
import subprocess
from datetime import date, datetime
from functools import partial
from pathlib import Path

import pytest
import sqlalchemy as sa

from audit.errors import AuditError
from audit.intake.location import Location
from audit.register import records, seeing
from audit.register.answers import Answer, add_answers, last_answers
from audit.register.opening import open_register
from audit.register.paper_samples import SampleResult, add_paper_sample
from audit.register.schema import METADATA, RUNS, SEALED, SEALED_WHERE_USED, SEALS
from audit.register.seal import add_seal, first_broken, seal_digits, sealed_as
from audit.register.signing import NAMESPACE, sign
from tests.register.nights import InputFile, finding, key, record, records_of
from tests.register.test_decisions import decided


def answered(where: Location, number: int, answer: str = "done", day: str = "2026-01-02") -> None:
    given = Answer(key(number)[:12], answer, "C. Teal", date.fromisoformat(day), "")
    with open_register(where) as register:
        add_answers(register, [given], InputFile("worklist.xlsx", "b" * 64, 5))
        register.commit()


def broken(where: Location) -> tuple[int, str] | None:
    with open_register(where, writing=False) as register:
        return first_broken(register.connection)


def compared(where: Location, digest: str = "c") -> bool:
    """The result of a paper sample, of all records and one station."""
    results = [SampleResult("", "", 40, 20, 1, 4), SampleResult("Gullspool", "2026-01", 40, 20, 1, 4)]
    sheet = InputFile("paper-sheet.xlsx", digest * 64, 5)
    with open_register(where) as register:
        new = add_paper_sample(register, sheet, "export", ("aim", "seed", "frame"), results)
        register.commit()
    return new


def play(where: Location) -> None:
    """Runs 1 to 6: two nights, a decision, an answer, another night, a paper sample."""
    record(where, 1, 1, 2)
    record(where, 2, 2)
    decided(where, 2)
    answered(where, 2)
    record(where, 3, 2, finding(3, flight_id="F3"))
    compared(where)


def test_an_untouched_register_fits(place: Location) -> None:
    """On every kind of database, whatever comes back from it."""
    play(place)
    assert broken(place) is None


def test_a_register_begun_by_an_earlier_version_fits(place: Location, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its nights had a leaf for each record; those that follow have a leaf for many, and both are recognised."""
    with monkeypatch.context() as earlier:
        earlier.setattr(seeing, "root_of", partial(records.root_of, in_leaf=1))
        record(place, 1, 1, tasks=records_of([f"T-{number}" for number in range(5)]))
    record(place, 2, 2, tasks=records_of([f"T-{number}" for number in range(7)]))
    with open_register(place, writing=False) as register:
        roots = list(register.connection.execute(sa.select(RUNS.c.records_root).order_by(RUNS.c.run)).scalars())
        known = records.last_versions(register.connection)
    assert roots[1] == records.root_of(known.ids, known.digests)[1]
    assert roots[0] != records.root_of(known.ids[:5], known.digests[:5])[1]
    assert broken(place) is None


CHANGES = [
    ("UPDATE verdicts SET state = 'cleared' WHERE run = 1", 1),
    ("UPDATE findings SET message = 'nothing' WHERE run = 5", 5),
    ("UPDATE findings SET at = NULL WHERE run = 1", 1),
    ("DELETE FROM verdicts WHERE run = 2", 2),
    ("UPDATE decisions SET until = '2027-02-01'", 3),
    ("UPDATE decisions SET reason = 'Parts on order '", 3),
    ("UPDATE answers SET note = 'x'", 4),
    ("UPDATE paper_samples SET at_most = 1 WHERE number = 1", 6),
    ("UPDATE run_files SET size = size + 1 WHERE run = 5", 5),
    ("UPDATE run_files SET name = 'other' WHERE run = 4", 4),
    ("UPDATE runs SET as_of = '2026-01-02 22:00:00.000001' WHERE run = 2", 2),
    ("UPDATE runs SET made_at = '2026-01-02 22:00:00.000001' WHERE run = 4", 4),
    (f"INSERT INTO verdicts VALUES (3, '{key(1)}', 'open', '', '2', '')", 3),
    ("UPDATE seals SET seal = previous WHERE run = 2", 2),
    ("DELETE FROM seals WHERE run = 5", 5),
    ("DELETE FROM seals WHERE run = 2", 2),
    ("DELETE FROM runs WHERE run = 2", 2),
    ("UPDATE runs SET as_of = 'soon' WHERE run = 2", 2),
    ("UPDATE runs SET made_at = 5 WHERE run = 4", 4),
    ("UPDATE runs SET whole = 77 WHERE run = 1", 1),
    ("UPDATE runs SET whole = 'garbage' WHERE run = 1", 1),
    ("UPDATE findings SET at = 'soon' WHERE run = 5", 5),
    ("UPDATE decisions SET until = 'never'", 3),
    ("UPDATE answers SET day = 20260102", 4),
    (f"INSERT INTO decisions VALUES (99, '{key(1)}', 'accepted', 'a', 'b', 'c', '2030-01-01')", 99),
    (f"INSERT INTO decisions VALUES (0, '{key(1)}', 'accepted', 'a', 'b', 'c', '2030-01-01')", 0),
    (f"INSERT INTO verdicts VALUES (99, '{key(1)}', 'cleared', '', '2', '')", 99),
    (
        "INSERT INTO runs SELECT 9, kind, made_at, as_of, export, version, reading, whole, records, records_root "
        "FROM runs WHERE run = 1",
        7,
    ),
]


def altered(folder: Path, statement: str) -> Path:
    """The register of `play`, altered by hand."""
    where = folder / "register.db"
    play(where)
    with sqlite3.connect(where) as connection:
        connection.execute(statement)
    connection.close()
    return where


@pytest.mark.parametrize(("statement", "run"), CHANGES)
def test_whatever_is_changed_names_its_run(tmp_path: Path, statement: str, run: int) -> None:
    """A cell, a row less, a row more, another order: the first run that doesn't fit."""
    where = altered(tmp_path, statement)
    found = broken(where)
    assert found is not None
    assert found[0] == run


def test_a_cell_that_can_not_be_read_is_told(tmp_path: Path) -> None:
    """Whoever adds to such a register is told that it is damaged, and nothing is added."""
    where = altered(tmp_path, "UPDATE runs SET as_of = 'soon' WHERE run = 2")
    with pytest.raises(AuditError, match=r"is damaged, a cell of it holds 'soon'; take the last copy that is sound"):
        record(where, 4, 1)


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE runs SET as_of = NULL WHERE run = 1", "run 1: what stands under it is not what was sealed"),
        ("DELETE FROM findings WHERE run = 1", "run 1: what stands under it is not what was sealed"),
    ],
)
def test_damage_that_nobody_foresaw_is_told(tmp_path: Path, statement: str, said: str) -> None:
    """It is no defect of the program that a register altered by hand can't be worked with; nothing is added."""
    where = altered(tmp_path, statement)
    before = where.read_bytes()
    with pytest.raises(AuditError, match=f"is damaged, {said}; take the last copy that is sound"):
        record(where, 7, finding(3, flight_id="F3"))
    assert where.read_bytes() == before


def test_a_defect_is_not_taken_for_damage(tmp_path: Path) -> None:
    """Where all runs are as they were sealed, what fails is the program: that is what has to be told."""
    where = tmp_path / "register.db"
    play(where)

    def fail_midway() -> None:
        with open_register(where) as register:
            register.connection.execute(sa.text("UPDATE runs SET export = 'half of a run'"))
            raise KeyError("defect")

    with pytest.raises(KeyError, match="defect"):
        fail_midway()
    assert broken(where) is None


def another(value: object) -> object:
    """A value of the same kind that is not the same."""
    if isinstance(value, datetime):
        return value.replace(year=1999)
    others = {str: "other", int: 77, bool: value is False, bytes: b"other", date: date(2020, 2, 2)}
    return others[type(value)]


def test_every_cell_of_every_table_is_sealed(tmp_path: Path) -> None:
    """No column, of those there are and of those to come, that could be changed unseen."""
    where = tmp_path / "register.db"
    play(where)
    tried = set()
    for table in METADATA.sorted_tables:
        for column in table.columns:
            if column.primary_key or column.name == "run":
                continue
            with open_register(where) as register:
                found = register.connection.execute(sa.select(column).where(column.isnot(None)).limit(1)).scalar()
                if found is not None:
                    changed = sa.update(table).where(column == found).values({column.name: another(found)})
                    register.connection.execute(changed)
                    assert first_broken(register.connection) is not None, f"{table.name}.{column.name}"
                    tried.add(table.name)
    assert tried >= {
        "runs",
        "run_files",
        "findings",
        "finding_flights",
        "verdicts",
        "decisions",
        "answers",
        "seals",
        "records",
        "paper_samples",
    }


def test_a_sheet_is_kept_once(tmp_path: Path) -> None:
    """The same bytes add nothing, others do."""
    where = tmp_path / "register.db"
    record(where, 1, 1)
    assert [compared(where), compared(where), compared(where, "d")] == [True, False, True]


def test_a_run_of_another_register_does_not_fit(tmp_path: Path) -> None:
    """Two registers can't be merged into one: the runs of the other are not in the chain."""
    one, other = tmp_path / "one.db", tmp_path / "other.db"
    record(one, 1, 1)
    for day in (1, 2):
        record(other, day, 2)
    with sqlite3.connect(one) as connection:
        connection.execute("ATTACH ? AS other", (str(other),))
        for table in ("runs", "run_files", "verdicts", "seals"):
            connection.execute(f"INSERT INTO {table} SELECT * FROM other.{table} WHERE run = 2")
    connection.close()
    assert broken(one) == (2, "it doesn't follow the run before")


def test_a_chain_made_anew_fits_and_its_seals_differ(tmp_path: Path) -> None:
    """The limit: whoever rewrites all of it makes a chain that fits. A seal kept elsewhere tells."""
    where = tmp_path / "register.db"
    play(where)
    with open_register(where) as register:
        connection = register.connection
        kept = list(connection.execute(sa.select(SEALS.c.seal)).scalars())
        connection.execute(sa.text("UPDATE verdicts SET state = 'corrected' WHERE run = 5"))
        connection.execute(sa.delete(SEALS))
        for run in range(1, 7):
            add_seal(connection, run)
        assert first_broken(connection) is None
        assert [sealed_as(connection, seal) for seal in kept] == [1, 2, 3, 4, None, None]
        assert sealed_as(connection, kept[1][:8]) == 2


def test_digits_of_a_seal() -> None:
    """As they were printed, typed or cut off; what can't be the beginning of one is refused, a blank above all."""
    seal = "0123456789abcdef" * 4
    assert seal_digits(f" {seal[:8].upper()} {seal[8:]}\n") == seal
    assert seal_digits(seal[:8]) == seal[:8]
    for written in ("", " ", seal[:7], seal + "0", f"seal {seal}", "g" * 64):
        with pytest.raises(ValueError, match=f"^{re.escape(written)}$"):
            seal_digits(written)


def test_what_a_seal_covers_is_not_forgotten() -> None:
    """Every table of the register but the seals themselves."""
    assert {table.name for table in (*SEALED, *SEALED_WHERE_USED)} | {"runs", "seals"} == set(METADATA.tables)


@pytest.fixture
def key_file(tmp_path: Path) -> Path:
    if shutil.which("ssh-keygen") is None:
        pytest.skip("OpenSSH is not installed")
    path = tmp_path / "key"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "quality", "-f", str(path)], check=True)
    return path


def test_a_signature_is_good_for_ssh_keygen(tmp_path: Path, key_file: Path) -> None:
    """Checked by OpenSSH itself: of this text good, of another not, nor for another purpose."""
    text = "deicer-audit register r.db\nrun 1\nseal abc\n"
    (tmp_path / "seal.txt.sig").write_text(sign(text, key_file))
    public = key_file.with_suffix(".pub").read_text()
    (tmp_path / "signers").write_text(f"quality {public}")

    def good(said: str, namespace: str) -> bool:
        command = ["ssh-keygen", "-Y", "verify", "-f", tmp_path / "signers", "-I", "quality", "-n", namespace]
        command += ["-s", tmp_path / "seal.txt.sig"]
        return subprocess.run(command, input=said.encode(), capture_output=True, check=False).returncode == 0

    assert NAMESPACE == "deicer-audit-seal"
    assert [good(text, NAMESPACE), good(text + " ", NAMESPACE), good(text, "file")] == [True, False, False]


def test_a_signature_is_good_for_an_independent_reader(key_file: Path) -> None:
    """Checked by a library that shares nothing with OpenSSH but the written format."""
    import sshsig

    text = "deicer-audit register r.db\nrun 1\nseal abc\n"
    signature, public = sign(text, key_file), key_file.with_suffix(".pub").read_text()
    sshsig.verify(text.encode(), signature, [sshsig.ssh_public_key.PublicKey.from_openssh_str(public)], NAMESPACE)
    with pytest.raises(sshsig.InvalidSignature):
        sshsig.verify(b"another", signature, [sshsig.ssh_public_key.PublicKey.from_openssh_str(public)], NAMESPACE)


def test_a_key_that_can_not_sign_is_told(tmp_path: Path, key_file: Path) -> None:
    """No key, and a file that is none: one sentence."""
    none = tmp_path / "none"
    with pytest.raises(AuditError, match="no key file"):
        sign("x", none)
    none.write_text("no key")
    with pytest.raises(AuditError, match="can't be signed with"):
        sign("x", none)


def test_disputed_answers(tmp_path: Path) -> None:
    """Done on a day, and open in an export that looks back from a later one: shown; not in one of the same day."""
    where = tmp_path / "register.db"
    record(where, 1, 1, 2, 3)
    answered(where, 1, "done", "2026-01-03")
    answered(where, 2, "not yet", "2026-01-02")
    assert record(where, 3, 1, 2, 3).findings["disputed"].tolist() == ["", "", ""]
    told = record(where, 4, 1, 2, 3).findings["disputed"].tolist()
    assert told == ["answered done by C. Teal on 2026-01-03", "", ""]
    assert record(where, 5, finding(1, state="corrected"), 2, 3).findings["disputed"].tolist() == ["", "", ""]


def test_an_answer_on_an_unknown_finding_is_refused(tmp_path: Path) -> None:
    """A sheet of another register's work list adds nothing."""
    record(tmp_path / "r.db", 1, 1)
    with pytest.raises(AuditError, match="has no finding"):
        answered(tmp_path / "r.db", 7)


def test_the_same_sheet_twice_adds_nothing(tmp_path: Path) -> None:
    """Reading a sheet again is not a second answer."""
    record(tmp_path / "r.db", 1, 1)
    for _ in range(2):
        answered(tmp_path / "r.db", 1)
    with open_register(tmp_path / "r.db") as register:
        assert register.connection.execute(sa.text("SELECT COUNT(*) FROM answers")).scalar() == 1
        assert register.connection.execute(sa.text("SELECT COUNT(*) FROM runs")).scalar() == 2


def test_yesterdays_sheet_read_after_todays_adds_nothing(tmp_path: Path) -> None:
    """A job that reads all sheets of a folder every night doesn't take back what was answered last."""
    where = tmp_path / "r.db"
    record(where, 1, 1)
    for _ in range(2):
        answered(where, 1, "done", "2026-01-02")
        answered(where, 1, "not yet", "2026-01-03")
    with open_register(where) as register:
        assert [each.answer for each in last_answers(register.connection).values()] == ["not yet"]
        assert register.connection.execute(sa.text("SELECT COUNT(*) FROM answers")).scalar() == 2
