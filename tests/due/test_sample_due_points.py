"""What falls due in the sample records, against tables worked out by hand from the rows of its CSV files.

Ice-adhesion treatments, 50 flight hours, in the season from 2025-10-01. Every boot that is installed has one row: the
hours of its aircraft's flights since the treatment was finished, and the day on which 50 will be reached if it goes on
as in the last 56 days. So for TARN-DOGWOOD on 2026-01-20: 36.0 h since T-DOG-045, 62.1 h in 56 days, 14.0 h left,
14.0 * 56 / 62.1 = 12.6 days: 2026-02-01.
"""

from collections import defaultdict
from datetime import datetime, timedelta
from decimal import Decimal

import pandas as pd
import pytest

from audit.due.listing import LONG_AGO, due_list
from audit.forms.judging import what_comes
from audit.intake.reading import read_export
from audit.rulebook.loading import load_rules
from audit.rulebook.settings import read_settings, with_settings
from audit.shipped import rules_folder, sample_folder, sample_settings
from audit.timeline.timeline import build_timeline
from tests.sample_by_hand import flown, on, rows, utc, work

SEASON = utc("2025-10-01T00:00Z")
ALL_FIVE = "fin, left tailplane, left wing, right tailplane, right wing"

# aircraft, positions, last treatment, hours since, hours in the last 56 days, day of 50 hours
TABLES = {
    "2026-01-06T00:00Z": [
        ("TARN-HAZEL", "fin", "T-HAZ-048", "67.4", "67.4", "overdue"),
        ("TARN-LARCH", "left tailplane, right tailplane", "T-LAR-055", "61.2", "64.8", "overdue"),
        ("TARN-YEW", ALL_FIVE, "T-YEW-073", "39.0", "59.1", "2026-01-16"),
        ("TARN-ALDER", ALL_FIVE, "T-ALD-067", "37.2", "59.7", "2026-01-18"),
        # B-FIR-04, right tailplane, comes off on 2026-01-13, before it is due
        ("TARN-FIR", "fin, left tailplane, left wing, right wing", "T-FIR-062", "29.1", "59.4", "2026-01-25"),
        (
            "TARN-HAZEL",
            "left tailplane, left wing, right tailplane, right wing",
            "T-HAZ-050",
            "23.4",
            "67.4",
            "2026-01-28",
        ),
        ("TARN-DOGWOOD", ALL_FIVE, "T-DOG-045", "20.1", "62.7", "2026-02-01"),
        ("TARN-LARCH", "fin, left wing, right wing", "T-LAR-059", "19.2", "64.8", "2026-02-01"),
        ("TARN-ROWAN", ALL_FIVE, "T-ROW-062", "16.5", "63.0", "2026-02-04"),
        ("TARN-JUNIPER", ALL_FIVE, "T-JUN-070", "16.5", "61.5", "2026-02-05"),
        # B-MAP-01, left wing, comes off on 2026-01-23
        ("TARN-MAPLE", "fin, left tailplane, right tailplane, right wing", "T-MAP-053", "16.8", "60.9", "2026-02-05"),
        ("TARN-CEDAR", ALL_FIVE, "T-CED-052", "15.0", "62.4", "2026-02-06"),
        ("TARN-ELDER", ALL_FIVE, "T-ELD-064", "15.0", "61.8", "2026-02-06"),
        ("TARN-WILLOW", ALL_FIVE, "T-WIL-085", "13.8", "59.1", "2026-02-09"),
        ("TARN-BIRCH", ALL_FIVE, "T-BIR-080", "8.7", "64.7", "2026-02-10"),
        ("TARN-IVY", ALL_FIVE, "T-IVY-073", "8.1", "59.4", "2026-02-14"),
        # B-SPR-08, fin, comes off on 2026-01-13
        (
            "TARN-SPRUCE",
            "left tailplane, left wing, right tailplane, right wing",
            "T-SPR-116",
            "5.7",
            "60.3",
            "2026-02-16",
        ),
    ],
    "2026-01-20T00:00Z": [
        ("TARN-DOGWOOD", ALL_FIVE, "T-DOG-045", "36.0", "62.1", "2026-02-01"),
        # B-MAP-01, left wing, comes off on 2026-01-23
        ("TARN-MAPLE", "fin, left tailplane, right tailplane, right wing", "T-MAP-053", "33.3", "62.7", "2026-02-03"),
        ("TARN-JUNIPER", ALL_FIVE, "T-JUN-070", "33.0", "63.0", "2026-02-04"),
        ("TARN-ELDER", ALL_FIVE, "T-ELD-064", "31.2", "63.0", "2026-02-05"),
        ("TARN-ROWAN", ALL_FIVE, "T-ROW-062", "31.5", "61.8", "2026-02-05"),
        ("TARN-CEDAR", ALL_FIVE, "T-CED-052", "30.3", "61.5", "2026-02-06"),
        ("TARN-WILLOW", ALL_FIVE, "T-WIL-085", "28.5", "62.7", "2026-02-08"),
        ("TARN-BIRCH", ALL_FIVE, "T-BIR-080", "23.7", "65.6", "2026-02-11"),
        ("TARN-IVY", ALL_FIVE, "T-IVY-073", "23.4", "62.4", "2026-02-12"),
        ("TARN-HAZEL", ALL_FIVE, "T-HAZ-052", "10.5", "66.4", "2026-02-22"),
        ("TARN-LARCH", ALL_FIVE, "T-LAR-062", "10.2", "65.1", "2026-02-23"),
        ("TARN-YEW", ALL_FIVE, "T-YEW-082", "9.0", "60.0", "2026-02-27"),
        # B-SPR-09, fin, comes off on 2026-02-05
        (
            "TARN-SPRUCE",
            "left tailplane, left wing, right tailplane, right wing",
            "T-SPR-121",
            "6.6",
            "62.1",
            "2026-02-28",
        ),
        ("TARN-ALDER", ALL_FIVE, "T-ALD-076", "6.9", "59.1", "2026-03-01"),
        ("TARN-FIR", "fin, left tailplane, left wing, right wing", "T-FIR-071", "6.3", "59.4", "2026-03-02"),
        # B-FIR-06 went on on 2026-01-13 at 09:10 and was not treated: hours since then
        ("TARN-FIR", "right tailplane", "", "6.3", "59.4", "2026-03-02"),
    ],
}
RUN_OUT = {
    "2026-01-06T00:00Z": [
        ("lot", "Hangar Gleam, 407-A", "2026-02-01"),
        ("lot", "Tarn Black, 402-A", "2026-02-01"),
        ("lot", "Tarn Gloss, 403-A", "2026-02-01"),
        ("lot", "Tarn Hoar, 405-A", "2026-02-01"),
        ("lot", "Tarn Prep, 401-A", "2026-02-01"),
        ("lot", "Tarn Veil, 404-A", "2026-02-01"),
        ("lot", "Tarn Wash, 406-A", "2026-02-01"),
    ],
    # Authorisations to 2025-09-30, which nothing follows; those to 2025-12-31 go on.
    "2025-09-20T00:00Z": [
        ("authorisation", "V. Latchmere, boot-inspection", "2025-10-01"),
        ("authorisation", "V. Latchmere, certifying-staff", "2025-10-01"),
        ("manual", "TW-BOOT-CARE, 4", "2025-11-15"),
    ],
    "2025-12-01T00:00Z": [],
}
"""Lots, authorisations and manuals that run out within 60 days, with the first day on which each is out of date."""


@pytest.fixture(scope="module")
def export():  # type: ignore[no-untyped-def]
    return read_export(sample_folder())


def listed(export, as_of: str) -> pd.DataFrame:  # type: ignore[no-untyped-def]
    book = with_settings(load_rules(rules_folder()), [read_settings(sample_settings())])
    rules = [rule for rule in book.rules if rule.id == "ice-adhesion-treatment-overdue"]
    timeline = build_timeline(export, pd.Timestamp(as_of))
    return due_list("sample", [(rule, what_comes(rule, timeline)) for rule in rules], timeline, timedelta(days=60)).rows


@pytest.mark.parametrize("as_of", TABLES)
def test_the_due_points(export, as_of: str) -> None:  # type: ignore[no-untyped-def]
    every = listed(export, as_of)
    found = defaultdict[tuple[str, ...], list[str]](list)
    for row in every[every["kind"] == "treatment"].to_dict("records"):
        overdue = row["note"] == LONG_AGO
        day = "overdue" if overdue else f"{row['likely']:%Y-%m-%d}"
        assert overdue or row["note"] == ""
        found[row["aircraft"], row["task_id"], f"{row['used']:.1f}", day].append(row["position"])
    table = {(plane, task, used, day): positions for plane, positions, task, used, _, day in TABLES[as_of]}
    assert {key: ", ".join(sorted(positions)) for key, positions in found.items()} == table


@pytest.mark.parametrize("as_of", TABLES)
def test_the_table_is_what_the_rows_say(as_of: str) -> None:
    """The tables above, worked out again from the CSV files, slowly."""
    now = utc(as_of)
    flights = list(flown())
    treated = [row for row in work(now) if row["action"] == "apply" and row["product"] == "Tarn Hoar"]
    found = defaultdict[tuple[str, ...], list[str]](list)
    for boot in rows("components"):
        off = utc(boot["removed_at"]) if boot["removed_at"] else None
        on_since = utc(boot["installed_at"])
        if on_since > now or (off is not None and off <= now):
            continue
        since, task = max(SEASON, on_since), ""
        for row in treated:
            if on(row, boot) and since <= row["ended"] <= now:
                since, task = row["ended"], row["task_id"]
        mine = [(takeoff, hours) for aircraft, takeoff, hours in flights if aircraft == boot["aircraft"]]
        used = sum((hours for takeoff, hours in mine if since <= takeoff <= now), Decimal())
        of_late = sum((hours for takeoff, hours in mine if now - timedelta(days=56) <= takeoff < now), Decimal())
        reached: datetime = now + timedelta(days=float((50 - used) * 56 / of_late))
        if used <= 50 and off is not None and off <= reached:
            continue  # it comes off before
        day = "overdue" if used > 50 else f"{reached:%Y-%m-%d}"
        found[boot["aircraft"], task, f"{used:.1f}", f"{of_late:.1f}", day].append(boot["position"])
    table = {(plane, task, used, late, day): positions for plane, positions, task, used, late, day in TABLES[as_of]}
    assert {key: ", ".join(sorted(positions)) for key, positions in found.items()} == table


@pytest.mark.parametrize("as_of", RUN_OUT)
def test_what_runs_out(export, as_of: str) -> None:  # type: ignore[no-untyped-def]
    every = listed(export, as_of)
    others = every[every["kind"] != "treatment"]
    found = list(zip(others["kind"], others["name"], others["due"].dt.strftime("%Y-%m-%d"), strict=True))
    assert sorted(found) == RUN_OUT[as_of]
