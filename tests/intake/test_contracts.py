"""Contracts on typed rows: what they catch, and that nothing switches them off."""

from __future__ import annotations

import os
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

from audit.errors import InternalError
from audit.intake import contracts
from audit.intake.contracts import LIMITS, breaches
from audit.intake.reading import read_rows
from audit.intake.tables import FLIGHTS, TABLES, TASKS
from tests.intake.conftest import COMPONENT, FLIGHT, STATION, TASK

SWITCHES = {"PANDERA_VALIDATION_ENABLED": "False", "PANDERA_VALIDATION_DEPTH": "SCHEMA_ONLY"}


def flights(count: int = 3) -> pd.DataFrame:
    """Sound rows with every column."""
    rows = [
        FLIGHT | {"flight_id": f"F{number}", "origin": "", "destination": "", "flight_hours": "1.0", "cycles": "1"}
        for number in range(count)
    ]
    return read_rows({"flights": rows}).tables["flights"]


def test_sound_rows_pass() -> None:
    """Nothing is found in rows that hold to the contract, or in no rows."""
    assert breaches(FLIGHTS, flights()) == []
    assert breaches(FLIGHTS, flights(0)) == []


def test_breaches_are_found_by_row() -> None:
    """Each breach names its column, rows and reason."""
    frame = flights(4)
    frame.loc[1, "flight_hours"] = -1.0
    frame.loc[3, "flight_hours"] = 3e9
    frame.loc[[0, 3], "cycles"] = -2
    frame.loc[2, "landing_at"] = frame.loc[2, "takeoff_at"] - pd.Timedelta("1s")
    found = [(breach.columns, list(breach.rows), breach.reason) for breach in breaches(FLIGHTS, frame)]
    assert found == [
        (("cycles",), [0, 3], "outside 0 to 100,000"),
        (("flight_hours",), [1, 3], "outside 0 to 100,000"),
        (("landing_at",), [2], "landing before takeoff"),
    ]


def test_missing_values_break_no_limit() -> None:
    """Blank optional cells are missing values, not breaches."""
    frame = flights()
    frame["flight_hours"] = np.nan
    frame["cycles"] = pd.array([pd.NA] * 3, dtype="Int64")
    assert breaches(FLIGHTS, frame) == []


@pytest.mark.parametrize(
    ("column", "values"),
    [
        ("flight_hours", ["1", "2", "3"]),  # a wrong dtype
        ("aircraft", pd.array(["A1", "A2", "A3"], dtype="str")),
        ("takeoff_at", pd.to_datetime(["2024-01-01"] * 3)),  # without a zone
        ("flight_id", pd.array(["F1", None, "F3"], dtype="str")),  # needed, but missing
        ("colour", [1, 2, 3]),  # no such column
    ],
)
def test_wrongly_typed_frames_are_a_defect(column: str, values: object) -> None:
    """What parsing should never hand on is a defect of the program, not a rejected row."""
    frame = flights()
    frame[column] = values
    with pytest.raises(InternalError, match="contract of flights"):
        breaches(FLIGHTS, frame)


def test_other_choices_are_a_defect() -> None:
    """A category that isn't one of the choices can't come out of parsing."""
    frame = read_rows({"tasks": [TASK], "stations": [STATION]}).tables["tasks"]
    frame["action"] = frame["action"].cat.rename_categories({"apply": "paint"})
    with pytest.raises(InternalError, match="action"):
        breaches(TASKS, frame)


def test_a_crashing_check_is_a_defect() -> None:
    """A check that raises is never taken for a check that found nothing."""
    frame = read_rows({"components": [COMPONENT]}).tables["components"]
    frame["removed_at"] = frame["installed_at"].dt.tz_localize(None)  # can't be compared
    with pytest.raises(InternalError):
        breaches(TABLES["components"], frame)


@pytest.mark.parametrize("switch", SWITCHES)
def test_the_environment_switches_nothing_off(switch: str) -> None:
    """pandera's environment variables would silently disable the contracts of a run."""
    script = f"""
from audit.intake.reading import read_rows
export = read_rows({{"flights": [{FLIGHT | {"cycles": "-1"}!r}]}})
print(len(export.faults))
"""
    environment = {**os.environ, switch: SWITCHES[switch]}
    done = subprocess.run([sys.executable, "-c", script], env=environment, capture_output=True, text=True, check=True)
    assert done.stdout == "1\n"


def test_the_environment_would_switch_pandera_off() -> None:
    """The guard is needed: with the variable set, pandera itself passes a broken row."""
    script = """
import pandas, pandera.pandas as pandera
pandera.DataFrameSchema({"a": pandera.Column(int, pandera.Check.ge(0))}).validate(pandas.DataFrame({"a": [-1]}))
"""
    environment = {**os.environ, "PANDERA_VALIDATION_ENABLED": "False"}
    subprocess.run([sys.executable, "-c", script], env=environment, check=True, capture_output=True)


EDGES = (-91.0, -90.0, -1.0, -1e-9, 0.0, 1.0, 70.0, 70.1, 100.0, 101.0, 100_000.0, 100_001.0, np.inf, np.nan)


@pytest.mark.parametrize("name", ["flight_hours", "humidity_pct", "ambient_c", "cycles", "coat", "coats"])
@pytest.mark.parametrize("value", EDGES)
def test_one_look_at_a_column_passes_what_pandera_passes(name: str, value: float) -> None:
    """Whether the cells of a column are listed one by one is decided as pandera decides it, at every limit."""
    table = FLIGHTS if name in FLIGHTS.columns else TASKS
    if table.columns[name].kind == "count":
        cells = pd.Series(pd.array([5, pd.NA if np.isnan(value) else int(np.clip(value, -9e9, 9e9))], dtype="Int64"))
    else:
        cells = pd.Series([5.0, value])
    sure = contracts._surely_holds(table.columns[name], cells, complete=True)
    assert sure == (contracts._listed(table, cells.to_frame(name), complete=True) == [])


def test_sound_rows_are_not_looked_at_one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows that hold to the contract don't wait for pandera, which is asked of a broken one."""
    asked = []
    monkeypatch.setattr(contracts, "_listed", lambda *arguments: asked.append(arguments) or [])
    frame = flights()
    breaches(FLIGHTS, frame)
    assert not asked
    frame.loc[1, "flight_hours"] = LIMITS["flight_hours"][1] + 1
    breaches(FLIGHTS, frame)
    assert asked
