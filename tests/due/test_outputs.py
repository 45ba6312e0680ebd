"""The due list on the command line, as a calendar that a second library reads, and as a page."""

import re
from pathlib import Path

import icalendar
import pandas as pd
import pytest

from audit.cli import run
from audit.exit_codes import ExitCode
from audit.report.due_words import what_is_due

TASKS = (
    "task_id,work_order,aircraft,action,station,started_at,finished_at,position,product\n"
    "T1,W1,TARN-TEAL,apply,Gullspool,2026-01-10T09:00,2026-01-10T10:00,left wing,Black\n"
    '"T<2>;,\\x",W2,TARN-TEAL,apply,Gullspool,2026-01-10T09:00,2026-01-10T10:30,"right wing","Black"\n'
)


@pytest.fixture
def export(tmp_path: Path) -> Path:
    folder = tmp_path / "export"
    folder.mkdir()
    (folder / "tasks.csv").write_text(TASKS)
    (folder / "products.csv").write_text("product,product_class,approval\nBlack,rubber-preservative,A1\n")
    (folder / "stations.csv").write_text("station,timezone\nGullspool,Europe/Berlin\n")
    (folder / "components.csv").write_text(
        "component_serial,aircraft,position,material,finish,installed_at\n"
        "B1,TARN-TEAL,left wing,chloroprene,black,2025-01-01T00:00Z\n"
        "B2,TARN-TEAL,right wing,chloroprene,black,2025-01-01T00:00Z\n"
    )
    (folder / "lots.csv").write_text(f"lot,product,expires_on\nL{'é' * 60};1,Black,2026-01-31\n")
    (folder / "flights.csv").write_text(
        "flight_id,aircraft,takeoff_at,landing_at\nF1,TARN-TEAL,2026-01-05T08:00Z,2026-01-05T09:00Z\n"
    )
    return folder


def files(export: Path, out: Path, *more: str) -> ExitCode:
    return run(["due", str(export), "--as-of", "2026-01-10T12:00Z", "--out", str(out), *more])


def test_the_list(export: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert files(export, tmp_path / "due") is ExitCode.CLEAN
    said = capsys.readouterr().out
    assert "not before 2026-01-11 10:00 local, 2026-01-11 09:00 UTC: TARN-TEAL, left wing (B1): no takeoff" in said
    assert "last day 2026-01-31: Black, L" in said
    table = pd.read_csv(tmp_path / "due" / "due.csv")
    assert table.loc[table["rule"] == "flight-before-cure", "due"].tolist() == [
        "2026-01-11T09:00:00Z",
        "2026-01-11T09:30:00Z",
    ]
    page = (tmp_path / "due" / "due.html").read_text()
    assert "T&lt;2&gt;;,\\x" in page
    assert "only licensed staff release an aircraft" in page


def test_one_sentence_for_all_boots_of_which_it_is_said(
    export: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two records of one boot, and one of another, with cures that end at one time: the terminal says it once, the
    files record by record."""
    tasks = (export / "tasks.csv").read_text().replace("10:30", "10:00")
    again = "T3,W1,TARN-TEAL,apply,Gullspool,2026-01-10T09:30,2026-01-10T10:00,left wing,Black\n"
    (export / "tasks.csv").write_text(f"{tasks}{again.replace('W1', 'W3')}")
    files(export, tmp_path / "due")
    said = [line for line in capsys.readouterr().out.splitlines() if "no takeoff" in line]
    assert [line.partition("UTC: ")[2] for line in said] == ["TARN-TEAL, left wing (B1), right wing (B2): no takeoff"]
    table = pd.read_csv(tmp_path / "due" / "due.csv")
    assert sorted(table.loc[table["rule"] == "flight-before-cure", "work_order"]) == ["W1", "W2", "W3"]


QUARANTINED = "T3,W1,TARN-TEAL,apply,Gullspool,{started},{finished},{position},Black\n"
FLOWN = "F2,TARN-TEAL,{at},2026-01-11T13:00Z\n"
OVER = "may still be running, by a record in doubt; in doubt: a record in quarantine"


@pytest.mark.parametrize(
    ("started", "finished", "as_of", "flown", "told"),
    [
        ("noon", "2026-01-10T15:00", "2026-01-11T10:00Z", None, f"not before 2026-01-11 15:00 local, .*{OVER}"),
        ("noon", "2026-01-10T15:00", "2026-01-11T14:00Z", None, None),
        ("noon", "2026-01-10T15:00", "2026-01-11T08:00Z", None, "10:00 local.*it may run until 2026-01-11 14:00 UTC"),
        ("2026-01-10T14:00", "noon", "2026-01-11T10:00Z", None, f"end not known: .*{OVER}.*nothing tells when"),
        # Nothing flies while it is worked on: the coat had ended by the takeoff.
        ("2026-01-10T14:00", "noon", "2026-01-11T14:00Z", "2026-01-11T12:00Z", f"not before 2026-01-12 13:00 .*{OVER}"),
        ("2026-01-10T14:00", "noon", "2026-01-12T12:00Z", "2026-01-11T12:00Z", None),
    ],
)
def test_a_cure_that_is_over_may_still_run_by_a_coat_in_quarantine(
    export: Path,
    tmp_path: Path,
    started: str,
    finished: str,
    as_of: str,
    flown: str | None,
    told: str | None,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Listed until its latest end, with words that say that it may be over; on other boots nothing runs."""
    with (export / "tasks.csv").open("a") as file:
        file.write(QUARANTINED.format(started=started, finished=finished, position="left wing"))
    if flown:
        with (export / "flights.csv").open("a") as file:
            file.write(FLOWN.format(at=flown))
    run(["due", str(export), "--as-of", as_of, "--out", str(tmp_path / "due")])
    cures = [line for line in capsys.readouterr().out.splitlines() if "left wing (B1): no takeoff" in line]
    assert [bool(re.search(told or "", line)) for line in cures] == [True] * (told is not None)


@pytest.mark.parametrize("other", ["W1;right wing", "W9;left wing"])
def test_a_coat_in_quarantine_is_of_its_job_and_boot(
    export: Path, tmp_path: Path, other: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Of another boot, or of another job, it leaves no doubt of the cure that is over."""
    job, position = other.split(";")
    row = QUARANTINED.format(started="noon", finished="2026-01-10T15:00", position=position)
    with (export / "tasks.csv").open("a") as file:
        file.write(row.replace("W1", job))
    run(["due", str(export), "--as-of", "2026-01-11T10:00Z", "--out", str(tmp_path / "due")])
    assert "left wing (B1): no takeoff" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("started", "finished", "told"),
    [
        ("2026-01-10T14:00", "2026-01-10T15:00", r"not before 2026-01-11 15:00 local.*left wing \(B1\): no takeoff"),
        ("2026-01-10T14:00", "noon", r"end not known: .*left wing \(B1\): no takeoff.*nothing tells when"),
        ("2026-01-09T14:00", "2026-01-09T15:00", None),
        ("2026-01-04T14:00", "noon", None),  # it flew on the 5th, and the cure was over on the 6th
        ("", "", r"end not known: .*left wing: no takeoff.*nothing tells when"),
    ],
)
def test_a_cure_may_run_though_its_only_coat_is_in_quarantine(
    export: Path, tmp_path: Path, started: str, finished: str, told: str | None, capsys: pytest.CaptureFixture[str]
) -> None:
    """A coat in a work order of its own, set aside since its action can't be read."""
    row = QUARANTINED.format(started=started, finished=finished, position="left wing")
    with (export / "tasks.csv").open("a") as file:
        file.write(row.replace("W1", "W3").replace(",apply,", ",polish?,"))
    run(["due", str(export), "--as-of", "2026-01-11T10:30Z", "--out", str(tmp_path / "due")])
    cures = [line for line in capsys.readouterr().out.splitlines() if "no takeoff" in line]
    assert [bool(re.search(told or "", line)) for line in cures] == [True] * (told is not None)
    assert all("may still be running, by a record in doubt; in doubt: " in line for line in cures)
    table = pd.read_csv(tmp_path / "due" / "due.csv")
    assert table.loc[table["rule"] == "flight-before-cure", "task_id"].tolist() == ["T3"] * (told is not None)


def test_a_second_library_reads_the_calendar(export: Path, tmp_path: Path) -> None:
    """RFC 5545: package icalendar."""
    files(export, tmp_path / "due")
    written = (tmp_path / "due" / "due.ics").read_bytes()
    assert max(map(len, written.split(b"\r\n"))) <= 75
    events = icalendar.Calendar.from_ical(written).walk("VEVENT")
    cures = [event for event in events if str(event["SUMMARY"]) == "TARN-TEAL, left wing: no takeoff"]
    assert [event.decoded("DTSTART") for event in cures] == [pd.Timestamp("2026-01-11T09:00Z").to_pydatetime()]
    lot = next(event for event in events if "é" * 60 in str(event["SUMMARY"]))
    assert str(lot["SUMMARY"]) == f"Black, L{'é' * 60};1: shelf life of the lot ends"
    assert str(lot.decoded("DTSTART")) == "2026-01-31"
    assert len({str(event["UID"]) for event in events}) == len(events)


def test_an_authorisation_given_anew_is_another_event(export: Path, tmp_path: Path) -> None:
    """It runs out twice within the time, and a calendar keeps one event of a UID."""
    (export / "people.csv").write_text(
        "person,authorisation,valid_from,valid_to\n"
        "A. Reed,boots,2025-01-01,2026-01-20\n"
        "A. Reed,boots,2026-01-25,2026-02-05\n"
    )
    files(export, tmp_path / "due")
    events = icalendar.Calendar.from_ical((tmp_path / "due" / "due.ics").read_bytes()).walk("VEVENT")
    days = {str(event["UID"]): str(event.decoded("DTSTART")) for event in events if "boots" in event["SUMMARY"]}
    assert sorted(days.values()) == ["2026-01-20", "2026-02-05"]


def test_the_same_row_has_the_same_uid_tomorrow(export: Path, tmp_path: Path) -> None:
    def uids(as_of: str) -> set[str]:
        run(["due", str(export), "--as-of", as_of, "--out", str(tmp_path / as_of[:10])])
        text = (tmp_path / as_of[:10] / "due.ics").read_bytes()
        return {str(event["UID"]) for event in icalendar.Calendar.from_ical(text).walk("VEVENT")}

    assert uids("2026-01-11T08:00Z") == uids("2026-01-10T12:00Z")


def test_the_same_export_gives_the_same_bytes(export: Path, tmp_path: Path) -> None:
    files(export, tmp_path / "one")
    files(export, tmp_path / "two")
    for name in ("due.csv", "due.ics", "due.html"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


@pytest.mark.parametrize("within", ["30", "P", "P1M", "-P1D", "PT5H"])
def test_another_time_is_refused(export: Path, tmp_path: Path, within: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert files(export, tmp_path / "due", f"--within={within}") is ExitCode.COULD_NOT_RUN
    assert "is not an ISO 8601 duration in days or weeks" in capsys.readouterr().err
    assert not (tmp_path / "due").exists()


@pytest.mark.parametrize(
    ("used", "told"),
    [
        (51.0, "next treatment, 1 over the 50 flight hours allowed"),
        (49.0, "next treatment, 1 of 50 flight hours left"),
        (50.0, "next treatment, 0 of 50 flight hours left"),
    ],
)
def test_how_much_is_left(used: float, told: str) -> None:
    row = {"kind": "treatment", "what": "next treatment", "used": used, "limit": 50.0, "unit": "flight hours"}
    assert what_is_due(row) == told
