"""Published worked examples of interval arithmetic through whole audits: a rule file, settings, and files of records.

Sources: US Army TM 1-1500-328-23 (windows and next due points; seen, the dates recomputed); 14 CFR 91.409(b) (seen in
the text of FAA-H-8083-25) with the figures of an item of the FAA's question bank (memory); EASA 145.B.350 (levels,
seen). The rule is the one that ships for ice-adhesion treatments; its season and limit are taken away and set anew,
since no public source gives an interval for such a treatment.
"""

from __future__ import annotations

import csv
import shutil
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from audit.authoring.explaining import LEVEL_MEANS
from audit.findings.result import AuditResult
from audit.pipeline import run_audit
from audit.shipped import rules_folder
from tests.external.test_interval_arithmetic import day_end, flown_and_treated

OVERDUE = "ice-adhesion-treatment-overdue"
# A tenth of the interval either way, at most 5 flight hours and 30 days; done inside, the schedule goes on.
ARMY = f"""\
set_by: regulator
source: TM 1-1500-328-23
rules:
  {OVERDUE}: {{season: none, tolerance: {{percent: 10, flight_hours: 5, days: 30}}, next_due: scheduled}}
"""
# Overflown by at most a tenth, and only to reach the place of inspection: the excess counts in the next 100 hours.
FAA = f"""\
set_by: regulator
source: 14 CFR 91.409(b)
rules:
  {OVERDUE}: {{season: none, tolerance: {{percent: 10}}, next_due: overrun-deducted}}
"""


def programme(at_most: str) -> str:
    """The operator's interval."""
    return f"set_by: operator\nsource: Programme of a test\nrules:\n  {OVERDUE}: {{at_most: {{{at_most}}}}}\n"


def audited(
    folder: Path, settings: Sequence[str], done: Sequence[tuple[str, datetime]], until: tuple[str, datetime]
) -> AuditResult:
    """The audit of files of a boot so treated and flown, as of the end."""
    export, rules = folder / "export", folder / "rules"
    export.mkdir(parents=True)
    rules.mkdir()
    for name, rows in flown_and_treated(done, until).items():
        with (export / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, rows[0])
            writer.writeheader()
            writer.writerows(rows)
    shutil.copy(next(rules_folder().rglob(f"{OVERDUE}.yaml")), rules)
    files = []
    for number, text in enumerate(settings):
        files.append(folder / f"settings-{number}.yaml")
        files[-1].write_text(text, encoding="utf-8")
    return run_audit(export, rules=rules, settings=files, as_of=pd.Timestamp(until[1], tz="UTC"))


def missed(result: AuditResult) -> list[Any]:
    """The findings as (passed, allowed, unit), and nothing unjudged or unread."""
    [row] = result.coverage.to_dict("records")
    assert (row["unjudged"], row["unread"]) == (0, 0)
    found = result.findings.sort_values("at")
    return [
        (round(one, 4), round(other, 4), unit)
        for one, other, unit in zip(found["measured"], found["limit"], found["unit"], strict=True)
    ]


def by_hours(folder: Path, settings: Sequence[str], done: Sequence[str], until: str) -> list[Any]:
    """Findings by the hour meter, a treatment each week."""
    weeks = [datetime(2024, 1, 1, 8) + timedelta(weeks=number) for number in range(len(done) + 1)]
    return missed(audited(folder, settings, list(zip(done, weeks, strict=False)), (until, weeks[-1])))


def by_days(folder: Path, settings: Sequence[str], done: Sequence[str], until: str) -> list[Any]:
    """Findings by the calendar, without an hour flown."""
    at = [("100", datetime.fromisoformat(f"{day}T12:00")) for day in done]
    return missed(audited(folder, settings, at, ("100", day_end(until))))


@pytest.mark.parametrize(
    ("interval", "done", "closes", "allowed"),
    [
        # Due at 1472.7, 1609.4 and 1306.4; the windows close 2.5 and, by the cap, 5 hours later.
        (25, ["1447.7"], "1475.2", 27.5),
        (75, ["1534.4"], "1614.4", 80),
        (50, ["1256.4"], "1311.4", 55),
        # Done as the window opens and as it closes: the next is due at 1497.7 and at 1684.4.
        (25, ["1447.7", "1470.2"], "1500.2", 27.5),
        (25, ["1447.7", "1475.2"], "1500.2", 27.5),
        (75, ["1534.4", "1604.4"], "1689.4", 80),
        (75, ["1534.4", "1614.4"], "1689.4", 80),
        # Done at 1299.9, before the window: the next is due at 1349.9.
        (50, ["1256.4", "1299.9"], "1354.9", 55),
    ],
)
def test_windows_in_flight_hours(tmp_path: Path, interval: int, done: list[str], closes: str, allowed: float) -> None:
    """TM 1-1500-328-23 (seen): flown to the end of the window complies, and six minutes more is a finding with the
    published figures."""
    settings = [ARMY, programme(f"flight_hours: {interval}")]
    assert by_hours(tmp_path / "to the end", settings, done, closes) == []
    more = str(Decimal(closes) + Decimal("0.1"))
    assert by_hours(tmp_path / "over", settings, done, more) == [
        (pytest.approx(allowed + 0.1), allowed, "flight hours")
    ]


@pytest.mark.parametrize(
    ("months", "done", "closes"),
    [
        (12, ["1998-02-06"], "1999-03-08"),
        (6, ["1998-07-31"], "1999-02-18"),
        (6, ["1998-07-31", "1999-01-13"], "1999-08-18"),
        (6, ["1998-07-31", "1999-02-18"], "1999-08-18"),
        (6, ["1998-07-31", "1999-01-12"], "1999-07-30"),
    ],
)
def test_windows_in_months(tmp_path: Path, months: int, done: list[str], closes: str) -> None:
    """TM 1-1500-328-23 (seen, recomputed): due 6 February and 31 January 1999, next 31 July 1999."""
    settings = [ARMY, programme(f"flight_hours: none, months: {months}")]
    assert by_days(tmp_path / "to the end", settings, done, closes) == []
    after = str(date.fromisoformat(closes) + timedelta(days=1))
    [(passed, allowed, unit)] = by_days(tmp_path / "over", settings, done, after)
    assert (passed - allowed, unit) == (1, "days")


@pytest.mark.parametrize(
    ("reading", "day", "found"),
    [
        ("1720", "1997-06-06", []),
        ("1720.1", "1997-06-04", [(11.1, 11, "flight hours")]),
        ("1715", "1997-06-07", [(16, 15, "days")]),
    ],
)
def test_whichever_comes_first(tmp_path: Path, reading: str, day: str, found: list[Any]) -> None:
    """TM 1-1500-328-23 (seen): 14 days or 10 hours after 22 May 1997 and 1709 h, in time until 6 June and 1720 h."""
    settings = [ARMY, programme("flight_hours: 10, days: 14")]
    assert missed(audited(tmp_path, settings, [("1709", datetime(1997, 5, 22, 12))], (reading, day_end(day)))) == found


@pytest.mark.parametrize(
    ("done", "until", "found"),
    [
        # Due at 3302.5, done at 3309.5: the next is due at 3402.5, and may again be overflown by ten hours.
        (["3202.5", "3309.5"], "3412.5", []),
        (["3202.5", "3309.5"], "3412.6", [(110.1, 110, "flight hours")]),
        (["3202.5", "3312.6"], "3402.5", [(110.1, 110, "flight hours")]),
        # Done early, the hundred hours count from then.
        (["3202.5", "3300"], "3410.1", [(110.1, 110, "flight hours")]),
    ],
)
def test_an_overrun_is_taken_off(tmp_path: Path, done: list[str], until: str, found: list[Any]) -> None:
    """14 CFR 91.409(b) (seen), figures of the FAA question bank (memory)."""
    assert by_hours(tmp_path, [FAA, programme("flight_hours: 100")], done, until) == found


def test_what_the_operator_and_the_regulator_set_is_told_apart(tmp_path: Path) -> None:
    """The interval is the operator's, what follows from the manual the regulator's, the level the rule file's; the
    finding's sentence has the figures in force."""
    weeks = [datetime(2024, 1, 1, 8), datetime(2024, 1, 8, 8)]
    result = audited(tmp_path, [ARMY, programme("flight_hours: 25")], [("1447.7", weeks[0])], ("1475.3", weeks[1]))
    set_by = {one.key: (one.in_force.value, one.in_force.set_by) for one in result.settings}
    assert set_by == {
        "level": ("observation", "rule file"),
        "at_most.flight_hours": ("25", "operator"),
        "next_due": ("scheduled", "regulator"),
        "season": ("none", "regulator"),
        "tolerance.percent": ("10", "regulator"),
        "tolerance.flight_hours": ("5", "regulator"),
        "tolerance.days": ("30", "regulator"),
    }
    [finding] = result.findings.to_dict("records")
    assert finding["message"] == "27.6 flight hours since treatment on 2024-01-01; 27.5 allowed, 0.1 over."
    assert [file.name for file in result.settings_files] == ["settings-0.yaml", "settings-1.yaml"]


def test_levels_mean_what_the_regulator_means() -> None:
    """EASA 145.B.350 (seen): level 1 lowers safety or seriously endangers flight, level 2 is any other
    non-compliance."""
    assert {"safety", "endanger", "flight"} <= set(LEVEL_MEANS["1"].split())
    assert LEVEL_MEANS["2"] == "any other non-compliance"
