"""A change of the law, through a whole audit: a record is judged under what was in force on its day.

Sources: 14 CFR 43.12 (falsification of maintenance records) until 2 November 2025; from 3 November 2025 14 CFR part 3
subpart D, into which 90 FR 42517 consolidated it (seen).
"""

from __future__ import annotations

import csv
from pathlib import Path

import pandas as pd
import pytest

from audit.pipeline import run_audit

OLD = "14 CFR, 43.12"
NEW = "14 CFR, part 3 subpart D"
RULE = """\
id: {name}
title: Approved by nobody
level: 2
basis:
{basis}
why: What a record says must be vouched for.
put_right: Add a dated entry.
examples: [{{name: good, expect: complies}}, {{name: bad, expect: finding}}]
{body}
"""
BOTH = (
    "  - {source: 14 CFR, section: '43.12', to: 2025-11-02}\n"
    "  - {source: 14 CFR, section: part 3 subpart D, note: 90 FR 42517, from: 2025-11-03}"
)
ONLY_NEW = BOTH.splitlines()[1]
ONLY_OLD = BOTH.splitlines()[0]
A_RECORD = "form: record\nrequire: {certified_by: {present: true}}"
A_HOLD = "form: hold\nscope: {action: {is: apply}}\nforbid: {event: takeoff}\nfor: PT24H"
AN_INTERVAL = "form: interval\nscope: {action: {is: apply}}\nat_most: {days: 2}"
ZONES = {"Nearwater": "America/New_York", "Farwater": "Pacific/Auckland", "Midwater": "UTC"}

# Each record's start as it is written, and the source in force at its station then.
RECORDS = {
    "T1": ("Midwater", "2025-11-02T23:59:59Z", OLD),
    "T2": ("Midwater", "2025-11-03T00:00:00Z", NEW),
    # Half past ten in the evening of 2 November, and the first minute of 3 November, by the clock of New York.
    "T3": ("Nearwater", "2025-11-03T03:30:00Z", OLD),
    "T4": ("Nearwater", "2025-11-03T05:00:00Z", NEW),
    # The last second of 2 November and the first of 3 November in Auckland, thirteen hours ahead.
    "T5": ("Farwater", "2025-11-02T10:59:59Z", OLD),
    "T6": ("Farwater", "2025-11-02T11:00:00Z", NEW),
    # By the wall clock, without a zone; in New York in the night in which the clocks go back.
    "T7": ("Nearwater", "2025-11-02T01:30:00", OLD),
    "T8": ("Farwater", "2025-11-03T00:30:00", NEW),
}


def write(path: Path, rows: list[dict[str, str]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)


@pytest.fixture(scope="module")
def export(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Every record a boot of its own, flown an hour later, with nobody's approval."""
    folder = tmp_path_factory.mktemp("export")
    hour = pd.Timedelta(hours=1)
    begun = {
        name: (
            pd.Timestamp(at) if at.endswith("Z") else pd.Timestamp(at).tz_localize(ZONES[station], ambiguous=False)
        ).tz_convert("UTC")
        for name, (station, at, _) in RECORDS.items()
    }
    write(folder / "stations.csv", [{"station": name, "timezone": zone} for name, zone in ZONES.items()])
    write(
        folder / "tasks.csv",
        [
            {
                "task_id": name,
                "work_order": f"W-{name}",
                "aircraft": f"TARN-{name}",
                "action": "apply",
                "station": station,
                "started_at": at,
                "finished_at": at,
                "position": "fin",
                "certified_by": "",
            }
            for name, (station, at, _) in RECORDS.items()
        ],
    )
    write(
        folder / "flights.csv",
        [
            {
                "flight_id": f"F-{name}",
                "aircraft": f"TARN-{name}",
                "takeoff_at": (at + 2 * hour).isoformat(),
                "landing_at": (at + 3 * hour).isoformat(),
            }
            for name, at in begun.items()
        ],
    )
    write(
        folder / "components.csv",
        [
            {
                "component_serial": f"C-{name}",
                "aircraft": f"TARN-{name}",
                "position": "fin",
                "material": "chloroprene",
                "installed_at": "2025-10-31",
            }
            for name in begun
        ],
    )
    return folder


def cited(export: Path, folder: Path, basis: str, body: str) -> dict[str, str]:
    """What each finding of a rule cites, by aircraft; the rule has nothing unjudged."""
    (folder / "a-rule.yaml").write_text(RULE.format(name="a-rule", basis=basis, body=body), encoding="utf-8")
    result = run_audit(export, rules=folder, as_of=pd.Timestamp("2025-11-03T12:00Z"))
    [row] = result.coverage.to_dict("records")
    assert row["unjudged"] == 0
    assert row["in_scope"] == row["findings"] == len(result.findings)
    return dict(zip(result.findings["aircraft"].str.removeprefix("TARN-"), result.findings["basis"], strict=True))


@pytest.mark.parametrize("body", [A_RECORD, A_HOLD], ids=["record", "hold"])
def test_a_finding_cites_what_was_in_force_on_its_day(export: Path, tmp_path: Path, body: str) -> None:
    """14 CFR 43.12 to 2 November 2025 and part 3 subpart D from 3 November, by the clock of the station."""
    assert cited(export, tmp_path, BOTH, body) == {name: source for name, (_, _, source) in RECORDS.items()}


@pytest.mark.parametrize("body", [A_RECORD, A_HOLD], ids=["record", "hold"])
@pytest.mark.parametrize(("basis", "source"), [(ONLY_NEW, NEW), (ONLY_OLD, OLD)], ids=["new", "old"])
def test_a_rule_reaches_no_further_than_its_sources(
    export: Path, tmp_path: Path, basis: str, source: str, body: str
) -> None:
    """A rule with one of the two sources only is about the records of its days, and the others are out of scope."""
    wanted = {name for name, (_, _, one) in RECORDS.items() if one == source}
    assert cited(export, tmp_path, basis, body) == dict.fromkeys(wanted, source)


def test_an_interval_cites_what_was_in_force_when_it_ran_out(export: Path, tmp_path: Path) -> None:
    """Two days after 31 October end on 2 November: not treated by then is a finding of 3 November, by UTC."""
    (tmp_path / "a-rule.yaml").write_text(RULE.format(name="a-rule", basis=BOTH, body=AN_INTERVAL), encoding="utf-8")
    result = run_audit(export, rules=tmp_path, as_of=pd.Timestamp("2025-11-06T00:00Z"))
    dated = result.findings["at"] >= pd.Timestamp("2025-11-03T00:00Z")
    assert dated.any()
    assert (result.findings["basis"] == dated.map({True: NEW, False: OLD})).all()
