"""The yardstick must be right before it is fast: SQL against plain loops, and at the limits."""

from __future__ import annotations

import csv
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet
import pytest

from benchmarks.load import write_load
from benchmarks.run import KEYS
from benchmarks.sql_twin import RULES, run
from tests.benchmarks.twin import Twin

AIRCRAFT, DAYS = 40, 460


@pytest.fixture(scope="module")
def export(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("load")
    write_load(folder, "parquet", AIRCRAFT, DAYS)
    return folder


@pytest.fixture(scope="module")
def twin(export: Path) -> Twin:
    return Twin(export)


@pytest.fixture(scope="module")
def found(export: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("found")
    run(export, out, rules=RULES)
    return out


def keys_of(out: Path, rule: str) -> list[tuple[str, ...]]:
    return sorted(tuple(row[key] for key in KEYS[rule]) for row in answers(out, rule) if not row["reason"])


def answers(out: Path, rule: str) -> list[dict[str, str]]:
    with (out / f"{rule}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("rule", RULES)
def test_sql_finds_what_plain_loops_find(rule: str, found: Path, twin: Twin) -> None:
    """On a small load every rule finds something, and the same as loops over its rows."""
    expected = sorted(getattr(twin, rule.replace("-", "_"))())
    assert expected
    assert keys_of(found, rule) == expected


def test_csv_and_shuffled_rows_give_the_same_findings(found: Path, tmp_path: Path) -> None:
    """Neither the form of the export nor the order of its rows changes what the SQL finds."""
    write_load(tmp_path / "export", "csv", AIRCRAFT, DAYS, shuffle=True)
    run(tmp_path / "export", tmp_path / "out", "csv", RULES)
    for rule in RULES:
        assert keys_of(tmp_path / "out", rule) == keys_of(found, rule)


NOON = datetime(2024, 11, 4, 12, tzinfo=UTC)
TIME = pa.timestamp("us", tz="UTC")
TASK = {
    "work_order": "W1",
    "aircraft": "A1",
    "action": "apply",
    "position": "fin",
    "ppe_worn": "eye-protection; chemical-gloves",
    "ppe_signed_by": "P1",
}
SCHEMAS = {
    "tasks": pa.schema(
        [(name, pa.string()) for name in ("task_id", *TASK, "product", "status")]
        + [(name, TIME) for name in ("started_at", "finished_at", "signed_at")]
    ),
    "flights": pa.schema(
        [
            ("flight_id", pa.string()),
            ("aircraft", pa.string()),
            ("takeoff_at", TIME),
            ("landing_at", TIME),
            ("flight_hours", pa.float64()),
        ]
    ),
    "components": pa.schema(
        [(name, pa.string()) for name in ("component_serial", "aircraft", "position", "material", "finish")]
        + [("installed_at", TIME), ("removed_at", TIME)]
    ),
    "products": pa.schema([("product", pa.string()), ("product_class", pa.string())]),
}


class Story:
    """A handful of rows, written down as an export and judged."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        classes = ("rubber-preservative", "ice-adhesion-treatment", "cleaner", "gloss-coating")
        self.rows: dict[str, list[dict[str, object]]] = {
            "tasks": [],
            "flights": [],
            "components": [],
            "products": [{"product": name, "product_class": name} for name in classes],
        }

    def task(self, product: str, start: float, **more: object) -> None:
        """A record of ten minutes that starts so many hours after noon."""
        started = NOON + timedelta(hours=start)
        times = {"started_at": started, "finished_at": started + timedelta(minutes=10)}
        number = f"T{len(self.rows['tasks']) + 1}"
        self.rows["tasks"].append({"task_id": number, **TASK, "product": product, **times, **more})

    def flight(self, takeoff: datetime, hours: float | None = None, aircraft: str = "A1") -> None:
        """A flight of an hour by its times, of `hours` by its record."""
        number = f"F{len(self.rows['flights']) + 1}"
        times = {"takeoff_at": takeoff, "landing_at": takeoff + timedelta(hours=1)}
        self.rows["flights"].append({"flight_id": number, "aircraft": aircraft, "flight_hours": hours, **times})

    def boot(self, serial: str, position: str = "fin", **more: object) -> None:
        """A black chloroprene boot, installed long ago."""
        usual = {"aircraft": "A1", "material": "chloroprene", "finish": "black"}
        installed = {"installed_at": datetime(2020, 1, 1, tzinfo=UTC)}
        self.rows["components"].append({"component_serial": serial, "position": position, **usual, **installed, **more})

    def later(self) -> None:
        """Have the export tell of something a week on: every job is over by then."""
        self.boot("B9", aircraft="A9", installed_at=NOON + timedelta(days=7))

    def found(self, rule: str) -> list[tuple[str, ...]]:
        """What SQL finds; plain loops must find the same."""
        self._judged(rule)
        keys = keys_of(self.folder, rule)
        assert keys == sorted(getattr(Twin(self.folder), rule.replace("-", "_"))())
        return keys

    def unjudged(self, rule: str) -> list[str]:
        """The reasons of what SQL leaves unjudged."""
        self._judged(rule)
        return sorted(row["reason"] for row in answers(self.folder, rule) if row["reason"])

    def _judged(self, rule: str) -> None:
        for table, schema in SCHEMAS.items():
            pyarrow.parquet.write_table(
                pa.Table.from_pylist(self.rows[table], schema), self.folder / f"{table}.parquet"
            )
        run(self.folder, self.folder, rules=[rule])


@pytest.fixture
def story(tmp_path: Path) -> Story:
    return Story(tmp_path)


NOT_KNOWN = "no flights of this aircraft in the log"
GAP = f"{NOT_KNOWN} for an unusually long time"
RUNNING = "still running at the as-of time"
GOING_ON = "the job may still be going on at the as-of time"
STILL_OPEN = "a record of work that is still open may change the result"


@pytest.mark.parametrize(("apart", "reasons"), [(1.0, [GAP]), (5.0, [])])
@pytest.mark.parametrize("beyond", [True, False])
def test_a_gap_is_unusual_beyond_two_weeks_and_the_habit(
    story: Story, apart: float, reasons: list[str], beyond: bool
) -> None:
    """A hold, or hours, in a gap of the log are unjudged where it is longer than 14 days and than four times nine of
    ten gaps; at exactly 14 days both are judged."""
    story.boot("B1")
    story.boot("B2", "left", aircraft="A2")
    for number in range(12):
        story.flight(NOON - timedelta(days=apart * number, hours=2))
    landed = NOON - timedelta(hours=1)
    story.flight(landed + timedelta(days=14, microseconds=int(beyond)))
    story.task("rubber-preservative", 0)
    story.task("ice-adhesion-treatment", -7 / 6)  # ends as the aircraft lands
    assert story.unjudged("flight-before-cure") == (reasons if beyond else [])
    # What the other aircraft flew isn't known at all.
    hours = story.unjudged("ice-adhesion-treatment-overdue")
    assert hours == [NOT_KNOWN, *(reasons if beyond else [])]


def test_a_hold_that_still_runs_is_unjudged(story: Story) -> None:
    """At the as-of time, the last that the export tells of, a hold that ends with it is over; a later one runs."""
    story.boot("B1")
    story.flight(NOON - timedelta(hours=1))
    story.task("rubber-preservative", 0)
    story.task("cleaner", 24, action="clean", position="left")
    for rule in ("flight-before-cure", "product-before-cure"):
        assert story.unjudged(rule) == []
    story.task("rubber-preservative", 0.001, work_order="W2")
    for rule in ("flight-before-cure", "product-before-cure"):
        assert story.unjudged(rule) == [RUNNING]


@pytest.mark.parametrize("flown", [True, False])
def test_a_job_that_may_go_on_is_unjudged(story: Story, flown: bool) -> None:
    """Until a day after its last record, or a flight, a wash over a treatment or a fresh coat may be followed by
    another; a treatment that is the last so far by a wash."""
    story.boot("B1")
    story.boot("B2", "left")
    story.task("ice-adhesion-treatment", 0)
    story.task("cleaner", 1, action="clean")
    story.task("ice-adhesion-treatment", 0, position="left")
    story.task("rubber-preservative", 2, work_order="W2")
    story.task("cleaner", 3, action="clean", work_order="W3")
    if flown:
        story.flight(NOON + timedelta(hours=4))
    order, cure = "ice-adhesion-treatment-not-last", "product-before-cure"
    assert story.found(order) == ([("W1", "A1", "fin", "T2")] if flown else [])
    assert story.found(cure) == ([("W2", "A1", "fin")] if flown else [])
    assert story.unjudged(order) == ([] if flown else [GOING_ON] * 2)
    assert story.unjudged(cure) == ([] if flown else [GOING_ON])


def test_a_day_after_its_last_record_a_job_is_over(story: Story) -> None:
    """To the minute: less than a day later it may go on."""
    story.boot("B1")
    story.boot("B2", "left")
    story.task("ice-adhesion-treatment", 0)
    story.task("cleaner", 1, action="clean")
    order, passed = "ice-adhesion-treatment-not-last", NOON + timedelta(hours=25, minutes=10)
    story.task(
        "cleaner", 24, action="clean", work_order="W2", position="left", finished_at=passed - timedelta(minutes=1)
    )
    assert story.found(order) == []
    assert story.unjudged(order) == [GOING_ON]
    story.task("cleaner", 24, action="clean", work_order="W2", position="left", finished_at=passed)
    assert story.found(order) == [("W1", "A1", "fin", "T2")]


def test_an_open_record_leaves_an_order_unjudged(story: Story) -> None:
    """A wash over the treatment that was never closed may be a fault, and a treatment over the wash that was never
    closed may put it right; nothing else is in doubt."""
    story.later()
    story.boot("B1")
    story.task("ice-adhesion-treatment", 0)
    story.task("cleaner", -1, action="clean", status="open")
    assert story.unjudged("ice-adhesion-treatment-not-last") == []
    story.task("cleaner", 1, action="clean", status="open")
    assert story.unjudged("ice-adhesion-treatment-not-last") == [STILL_OPEN]
    story.task("cleaner", 2, action="clean")
    assert story.found("ice-adhesion-treatment-not-last") == [("W1", "A1", "fin", "T4")]
    assert story.unjudged("ice-adhesion-treatment-not-last") == []
    story.task("ice-adhesion-treatment", 3, status="open")
    assert story.unjudged("ice-adhesion-treatment-not-last") == [STILL_OPEN]


CURED = NOON + timedelta(hours=24, minutes=10)


@pytest.mark.parametrize(
    ("takeoff", "expected"),
    [
        (CURED, []),
        (CURED - timedelta(microseconds=1), [("W1", "A1", "fin", "F1")]),
        (NOON + timedelta(minutes=10), [("W1", "A1", "fin", "F1")]),
        (NOON + timedelta(minutes=10) - timedelta(microseconds=1), []),
    ],
)
def test_a_hold_is_half_open(story: Story, takeoff: datetime, expected: list[tuple[str, ...]]) -> None:
    """A takeoff counts from the last coat's end to a microsecond before 24 hours are over."""
    story.boot("B1")
    story.task("rubber-preservative", 0)
    story.flight(takeoff)
    assert story.found("flight-before-cure") == expected


def test_a_hold_counts_from_the_last_coat_and_names_the_first_flight(story: Story) -> None:
    """Coats of one work order are one session, which ends with the last of them, across midnight."""
    story.boot("B1")
    story.task("rubber-preservative", 0)
    story.task("rubber-preservative", 11)
    story.flight(NOON + timedelta(hours=34))
    story.flight(NOON + timedelta(hours=33))
    assert story.found("flight-before-cure") == [("W1", "A1", "fin", "F2")]


def test_a_boot_that_came_off_is_neither_flown_nor_washed(story: Story) -> None:
    """The boot came off before the flight and before the wash: neither is too early."""
    swap = NOON + timedelta(hours=2)
    story.later()
    story.boot("B1", removed_at=swap)
    story.boot("B2", installed_at=swap)
    story.task("rubber-preservative", 0)
    story.task("cleaner", 2, action="clean", work_order="W2")
    story.flight(swap)
    assert story.found("flight-before-cure") == []
    assert story.found("product-before-cure") == []


def test_a_boot_takes_its_hold_along(story: Story) -> None:
    """Put back, or on another aircraft at another position, a fresh boot must still not fly or be washed."""
    away, back = NOON + timedelta(hours=2), NOON + timedelta(hours=6)
    story.later()
    story.boot("B1", removed_at=away)
    story.boot("B1", "left", aircraft="A2", installed_at=back)
    story.task("rubber-preservative", 0)
    for hours, aircraft in ((3, "A1"), (5, "A2"), (25, "A2")):
        story.flight(NOON + timedelta(hours=hours), aircraft=aircraft)
        story.task("cleaner", hours, action="clean", work_order="W2", aircraft=aircraft, position="left")
    assert story.found("flight-before-cure") == []
    assert story.found("product-before-cure") == []
    story.flight(back, aircraft="A2")
    story.task("cleaner", 6, action="clean", work_order="W2", aircraft="A2", position="all")
    assert story.found("flight-before-cure") == [("W1", "A1", "fin", "F4")]
    assert story.found("product-before-cure") == [("W1", "A1", "fin")]


@pytest.mark.parametrize(("second", "sessions"), [(24 + 1 / 6, 0), (24 + 1 / 6 + 0.001, 1)])
def test_a_session_ends_after_a_day_of_rest(story: Story, second: float, sessions: int) -> None:
    """Coats exactly 24 hours apart are one session, and a wash between them comes before its end; of two sessions the
    first is washed too early."""
    story.later()
    story.boot("B1")
    story.task("rubber-preservative", 0)
    story.task("cleaner", 23, action="clean", work_order="W2")
    story.task("rubber-preservative", second)
    assert story.found("product-before-cure") == [("W1", "A1", "fin")] * sessions


@pytest.mark.parametrize(("takeoff", "sessions"), [(0, 1), (1 / 6, 2), (1.999, 2), (2, 1)])
def test_a_session_ends_with_a_takeoff(story: Story, takeoff: float, sessions: int) -> None:
    """A takeoff between two coats makes two sessions, each washed too early; one during a coat, or at the very moment
    at which the next begins, doesn't."""
    story.later()
    story.boot("B1")
    story.task("rubber-preservative", 0)
    story.task("rubber-preservative", 2)
    story.task("cleaner", 3, action="clean", work_order="W2")
    story.flight(NOON + timedelta(hours=takeoff))
    assert story.found("product-before-cure") == [("W1", "A1", "fin")] * sessions


def test_a_flown_work_order_is_several_jobs(story: Story) -> None:
    """What comes over the treatment after a flight is another job, whatever the work order."""
    story.later()
    story.boot("B1")
    story.task("ice-adhesion-treatment", 0)
    story.flight(NOON + timedelta(hours=1))
    story.task("cleaner", 2, action="clean")
    assert story.found("ice-adhesion-treatment-not-last") == []


def test_another_product_on_the_same_boot_is_too_early(story: Story) -> None:
    """A wash of a list, or of all boots, meets the fresh boot; a wash of another one does not."""
    story.later()
    story.boot("B1")
    story.boot("B2", "left")
    story.boot("B3", "right")
    story.task("rubber-preservative", 0)
    story.task("rubber-preservative", 0, position="left")
    story.task("cleaner", 1, action="clean", position="left;right", work_order="W2")
    assert story.found("product-before-cure") == [("W1", "A1", "left")]
    story.task("cleaner", 2, action="clean", position="all", work_order="W3")
    assert story.found("product-before-cure") == [("W1", "A1", "fin"), ("W1", "A1", "left")]


def test_a_record_names_each_wrong_boot_in_its_list(story: Story) -> None:
    """One finding a record; an unknown finish is not a finding, a void record counts for nothing."""
    story.boot("B1", "fin", finish="silver")
    story.boot("B2", "left")
    story.boot("B3", "right", material="polyurethane")
    story.boot("B4", "tail", finish=None)
    story.task("rubber-preservative", 0, position="right; fin ;left")
    story.task("rubber-preservative", 0, position="all", status="closed")
    story.task("rubber-preservative", 0, position="tail")
    story.task("rubber-preservative", 0, position="right", status="void")
    assert story.found("preservative-on-wrong-material") == [("T1", "fin; right"), ("T2", "fin; right")]


def test_the_boot_is_the_one_installed_at_the_time(story: Story) -> None:
    """At the very instant of the swap the new boot is there."""
    story.boot("B1", removed_at=NOON)
    story.boot("B2", installed_at=NOON, finish="silver")
    story.task("rubber-preservative", 0)
    story.task("rubber-preservative", -0.001)
    assert story.found("preservative-on-wrong-material") == [("T1", "fin")]


@pytest.mark.parametrize(("hours", "expected"), [(0.5, ["T2"]), (0.0, []), (-0.5, [])])
def test_later_means_later(story: Story, hours: float, expected: list[str]) -> None:
    """What starts after the treatment is a finding, what starts with it or before it is none."""
    story.later()
    story.boot("B1")
    story.task("ice-adhesion-treatment", 0)
    story.task("cleaner", hours, action="clean")
    assert story.found("ice-adhesion-treatment-not-last") == [("W1", "A1", "fin", task) for task in expected]


def test_order_is_kept_within_work_order_and_boot(story: Story) -> None:
    """Another work order, another boot, and a treatment done again make no finding; an inspection uses nothing."""
    swap = NOON + timedelta(hours=1)
    story.later()
    story.boot("B1", removed_at=swap)
    story.boot("B2", installed_at=swap)
    story.boot("B3", "left")
    story.task("ice-adhesion-treatment", 0)
    story.task("cleaner", 2, action="clean")
    story.task("cleaner", 0.5, action="clean", work_order="W2")
    story.task("cleaner", 0.5, action="inspect")
    story.task("ice-adhesion-treatment", 0, position="left")
    story.task("gloss-coating", 1, position="left")
    story.task("ice-adhesion-treatment", 2, position="all", work_order="W1")
    assert story.found("ice-adhesion-treatment-not-last") == []


def test_protection_is_read_as_a_list(story: Story) -> None:
    """Both items in any order, and a signature; a product that no list knows counts as a product too."""
    story.task("cleaner", 0, action="clean", ppe_worn="apron;chemical-gloves;  eye-protection ")
    story.task("cleaner", 0, action="clean", ppe_worn="no eye-protection; chemical-gloves")
    story.task("cleaner", 0, action="inspect", ppe_worn="eye-protection")
    story.task("unheard-of", 0, ppe_signed_by=None)
    story.task("cleaner", 0, ppe_worn=None, status="open")
    story.rows["tasks"].append({**story.rows["tasks"][0], "task_id": "T6", "product": None, "ppe_worn": None})
    assert story.found("ppe-sign-off-missing") == [("T2",), ("T3",), ("T4",)]


def due(work_order: str = "", serial: str = "B1") -> tuple[str, ...]:
    return "A1", "fin", serial, work_order


@pytest.mark.parametrize(("second", "expected"), [(25.1, []), (25.11, [due("W1")])])
def test_fifty_hours_are_allowed(story: Story, second: float, expected: list[tuple[str, ...]]) -> None:
    """Hours written in hundredths add up exactly, and those of another aircraft don't count."""
    story.boot("B1")
    story.task("ice-adhesion-treatment", 0)
    story.flight(NOON + timedelta(minutes=10), 24.9)
    story.flight(NOON + timedelta(days=1), second)
    story.flight(NOON + timedelta(days=1), 40.0, aircraft="A2")
    assert story.found("ice-adhesion-treatment-overdue") == expected


def test_hours_count_from_the_end_of_the_session(story: Story) -> None:
    """What took off before the treatment ended belongs to the time before it."""
    story.boot("B1")
    story.task("ice-adhesion-treatment", 0)
    story.flight(NOON + timedelta(minutes=10) - timedelta(microseconds=1), 30.0)
    story.flight(NOON + timedelta(minutes=10), 50.0)
    assert story.found("ice-adhesion-treatment-overdue") == []


def test_blank_hours_are_wheels_off_to_wheels_on(story: Story) -> None:
    """A flight without recorded hours counts by its times."""
    story.boot("B1")
    story.task("ice-adhesion-treatment", 0)
    story.flight(NOON + timedelta(days=1), 49.5)
    story.flight(NOON + timedelta(days=2))
    assert story.found("ice-adhesion-treatment-overdue") == [due("W1")]


def test_only_the_season_counts(story: Story) -> None:
    """1 October and 30 April count to the last second in UTC, the days beside them don't; each season starts anew."""
    story.boot("B1")
    for moment in (
        datetime(2024, 9, 30, 23, 59, 59, tzinfo=UTC),
        datetime(2025, 5, 1, tzinfo=UTC),
        datetime(2025, 10, 1, tzinfo=UTC),
    ):
        story.flight(moment, 30.0)
    story.task("cleaner", 0, action="clean")
    story.flight(datetime(2024, 10, 1, tzinfo=UTC), 25.0)
    story.flight(datetime(2025, 4, 30, 23, 59, 59, tzinfo=UTC), 25.0)
    assert story.found("ice-adhesion-treatment-overdue") == []
    story.flight(datetime(2025, 4, 30, 23, 59, 59, tzinfo=UTC), 0.01)
    assert story.found("ice-adhesion-treatment-overdue") == [due()]


def test_a_boot_has_its_own_hours(story: Story) -> None:
    """A swap starts the hours anew; a boot that comes back goes on where it was: 40 hours and 10, then a minute more.

    The hours of the other boot in between are not its own.
    """
    away, back = NOON + timedelta(days=5), NOON + timedelta(days=10)
    story.boot("B1", removed_at=away)
    story.boot("B2", installed_at=away, removed_at=back)
    story.boot("B1", installed_at=back)
    story.task("cleaner", 0, action="clean")
    for day, hours in ((1, 40.0), (6, 40.0), (11, 10.0)):
        story.flight(NOON + timedelta(days=day), hours)
    assert story.found("ice-adhesion-treatment-overdue") == []
    story.flight(NOON + timedelta(days=12), 0.01)
    assert story.found("ice-adhesion-treatment-overdue") == [due()]


def test_hours_go_with_the_boot_to_another_aircraft(story: Story) -> None:
    """A boot is overdue by what it flew on both aircraft, and is found where it is now."""
    moved = NOON + timedelta(days=5)
    story.boot("B1", removed_at=moved)
    story.boot("B1", "left", aircraft="A2", installed_at=moved)
    story.task("ice-adhesion-treatment", 0)
    story.flight(NOON + timedelta(days=1), 30.0)
    story.flight(NOON + timedelta(days=6), 30.0)
    story.flight(NOON + timedelta(days=4), 30.0, aircraft="A2")
    assert story.found("ice-adhesion-treatment-overdue") == []
    story.flight(NOON + timedelta(days=7), 20.01, aircraft="A2")
    assert story.found("ice-adhesion-treatment-overdue") == [("A2", "left", "B1", "W1")]


def test_a_treatment_is_of_the_boot_that_was_there_when_it_began(story: Story) -> None:
    """A session that ends at the very instant of a swap was done to the boot that came off, not to the one put on."""
    swap = NOON + timedelta(minutes=10)
    story.boot("B1", removed_at=swap)
    story.boot("B2", installed_at=swap)
    story.task("ice-adhesion-treatment", 0)
    story.flight(NOON + timedelta(days=1), 51.0)
    assert story.found("ice-adhesion-treatment-overdue") == [due("", "B2")]
