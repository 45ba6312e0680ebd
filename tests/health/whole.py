"""An invented export of sixty days that is whole, and its runs before."""

from __future__ import annotations

from datetime import datetime, timedelta

from audit.health.earlier import Earlier
from audit.health.profile import profile
from audit.intake.export import Export, InputFile

DAYS = 60
FIRST = datetime(2026, 1, 1, 6)
STATIONS = ("Fernspool", "Mossgate", "Quillon")
Tables = dict[str, list[dict[str, str]]]


def rows(days: int = DAYS) -> Tables:
    """Return the rows of an export in which nothing is amiss: four flights and three task records a day."""
    flights, tasks = [], []
    for day in range(days):
        at = FIRST + timedelta(days=day)
        for plane in range(4):
            takeoff = at + timedelta(hours=plane)
            flights.append(
                {
                    "flight_id": f"V-{day}-{plane}",
                    "aircraft": f"TARN-{plane}",
                    "takeoff_at": f"{takeoff:%Y-%m-%dT%H:%MZ}",
                    "landing_at": f"{takeoff + timedelta(hours=1):%Y-%m-%dT%H:%MZ}",
                }
            )
        for number, station in enumerate(STATIONS):
            tasks.append(
                {
                    "task_id": f"T-{day}-{number}",
                    "work_order": f"W-{day}",
                    "aircraft": f"TARN-{number}",
                    "action": "apply",
                    "station": station,
                    "started_at": f"{at + timedelta(hours=6):%Y-%m-%dT%H:%MZ}",
                    "finished_at": f"{at + timedelta(hours=7):%Y-%m-%dT%H:%MZ}",
                    "product": "RP-1",
                    "performed_by": "A. Plover",
                    "certified_by": "B. Wren",
                }
            )
    return {
        "tasks": tasks,
        "flights": flights,
        "components": [
            {
                "component_serial": f"B-{plane}",
                "aircraft": f"TARN-{plane}",
                "position": "fin",
                "material": "chloroprene",
                "finish": "black",
                "installed_at": "2025-01-01",
            }
            for plane in range(4)
        ],
        "products": [{"product": "RP-1", "product_class": "rubber-preservative"}],
        "stations": [{"station": station, "timezone": "Europe/Oslo"} for station in STATIONS],
        "lots": [{"lot": "L-1", "product": "RP-1"}],
        "people": [
            {"person": person, "authorisation": "boot-care", "valid_from": "2020-01-01"}
            for person in ("A. Plover", "B. Wren")
        ],
        "manuals": [{"manual": "CARE-30", "revision": "1", "effective_from": "2020-01-01"}],
    }


def earlier_of(export: Export, runs: int = 6) -> Earlier:
    """Return the profile of an export as that of the run before, which had seen as many rows `runs` times."""
    facts = {
        (table, column, fact): value
        for table, column, fact, value, _ in profile(export, None, None).itertuples(index=False)
    }
    counts = {table: value for (table, _, fact), value in facts.items() if fact == "rows_read"}
    return Earlier(facts, (counts,) * runs, InputFile("profile.csv", "ab" * 32, 100))
