"""What runs, what falls due and when, what runs out: small exports, and the sample records against a table by hand."""

from collections.abc import Mapping
from datetime import timedelta
from functools import cache
from typing import Any

import pandas as pd
import pytest

from audit.authoring.examples import example_export
from audit.due.listing import (
    BROKEN,
    FAR_AHEAD,
    LONG_AGO,
    NO_BAND,
    NO_DAY,
    NOT_ENOUGH,
    OFF,
    PERHAPS,
    PERHAPS_SUPERSEDED,
    DueList,
    due_list,
)
from audit.forms.judging import AMBIGUOUS, what_comes
from audit.intake.export import Export
from audit.intake.reading import read_export
from audit.language.rule import Example
from audit.report.due_words import what_is_due, when_in_words
from audit.rulebook.loading import load_rules
from audit.shipped import rules_folder, sample_folder
from audit.timeline.timeline import build_timeline
from tests.forms.rules import RULES, outcomes, rule

CURE = rule(
    "hold", scope={"product_class": {"is": "rubber-preservative"}}, forbid={"event": "takeoff"}, **{"for": "PT24H"}
)
COAT = {"product": "rubber-preservative", "started_at": "2026-01-10T08:00:00Z", "finished_at": "2026-01-10T09:00:00Z"}
NOT_IN_THE_LOG = "no flights of this aircraft in the log"
GLOSS = {"product_class": {"is": "gloss-coating"}}


def due(data: Mapping[str, Any], as_of: str, days: int = 30, **tables: Any) -> DueList:
    example = Example.model_validate({"name": "n", "expect": "complies", **tables})
    timeline = build_timeline(example_export(example), pd.Timestamp(as_of))
    rule = RULES.validate_python(data)
    return due_list("export", [(rule, what_comes(rule, timeline))], timeline, timedelta(days=days))


def treatments(listed: DueList) -> list[dict[str, Any]]:
    return [row for row in listed.rows.to_dict("records") if row["kind"] == "treatment"]  # type: ignore[misc]


@pytest.mark.parametrize(
    ("as_of", "runs"),
    [
        ("2026-01-10T07:59:00Z", False),  # the coat is not begun
        ("2026-01-10T08:00:00Z", True),  # nothing flies that is worked on, and then it cures
        ("2026-01-10T09:00:00Z", True),
        ("2026-01-11T08:59:00Z", True),
        ("2026-01-11T09:00:00Z", False),  # over at the minute
    ],
)
def test_a_cure_runs_from_the_coat_on(as_of: str, runs: bool) -> None:
    rows = due(CURE, as_of, tasks=[COAT]).rows
    assert len(rows) == runs
    if runs:
        row = rows.iloc[0]
        assert (row["kind"], row["what"], row["note"]) == ("hold", "no takeoff", "")
        assert row["due"] == pd.Timestamp("2026-01-11T09:00Z")


def test_a_cure_that_may_end_later_says_so() -> None:
    """A record that may be a later coat leaves it open how long the boot must not fly."""
    later = {
        **COAT,
        "product": "unheard-of",
        "started_at": "2026-01-10T12:00:00Z",
        "finished_at": "2026-01-10T13:00:00Z",
    }
    for order, noted in (("W1", True), ("W2", False)):
        rows = due(CURE, "2026-01-10T20:00:00Z", tasks=[COAT, later | {"work_order": order}]).rows
        sure = rows[rows["due"] == pd.Timestamp("2026-01-11T09:00Z")]
        assert [bool(note) for note in sure["note"]] == [noted]


@pytest.mark.parametrize(
    ("as_of", "due_at"),
    [
        pytest.param("2026-01-11T08:59:00Z", "2026-01-11T09:00Z", id="it-surely-runs"),
        pytest.param("2026-01-11T09:00:00Z", "2026-01-11T13:00Z", id="it-may-be-over"),
        pytest.param("2026-01-11T12:59:00Z", "2026-01-11T13:00Z", id="it-may-just-run"),
        pytest.param("2026-01-11T13:00:00Z", None, id="over-in-any-case"),
    ],
)
def test_a_cure_ends_as_long_as_it_surely_runs_else_as_long_as_it_may(as_of: str, due_at: str | None) -> None:
    """By the coat that is sure; once that is over, by the record that may be a later one."""
    times = {"started_at": "2026-01-10T12:00:00Z", "finished_at": "2026-01-10T13:00:00Z"}
    found = due(CURE, as_of, tasks=[COAT, {**COAT, "product": "unheard-of", **times}]).rows
    of_coat = found[found["task_id"] == "T1"]
    assert of_coat["due"].tolist() == ([] if due_at is None else [pd.Timestamp(due_at)])


def test_a_cure_runs_while_the_next_coat_is_put_on() -> None:
    """Looked at in the midst of the second coat: the first is wet, whatever comes of the second."""
    second = {**COAT, "started_at": "2026-01-10T11:55:00Z", "finished_at": "2026-01-10T12:05:00Z"}
    rows = due(CURE, "2026-01-10T12:00:00Z", tasks=[COAT, second]).rows
    assert rows["due"].tolist() == [pd.Timestamp("2026-01-11T12:05Z")]
    assert rows["used"].tolist() == [0]


BERLIN = {**COAT, "station": "S2", "started_at": "2025-10-26T01:30:00", "finished_at": "2025-10-26T02:30:00"}
"""A coat that ended at 00:30 or 01:30 UTC, in the night in which the clock went back."""


@pytest.mark.parametrize(
    ("as_of", "due_at", "told"),
    [
        ("2025-10-27T00:29:00Z", "2025-10-27T00:30Z", f"in doubt: {AMBIGUOUS}; it may run until 2025-10-27 01:30 UTC"),
        ("2025-10-27T00:30:00Z", "2025-10-27T01:30Z", f"{PERHAPS}; in doubt: {AMBIGUOUS}"),
        ("2025-10-27T01:29:00Z", "2025-10-27T01:30Z", f"{PERHAPS}; in doubt: {AMBIGUOUS}"),
        ("2025-10-27T01:30:00Z", None, None),
    ],
)
def test_a_cure_runs_as_long_as_it_may_by_either_hour(as_of: str, due_at: str | None, told: str | None) -> None:
    """The other boot, whose coat ended in an hour that came once, is not in doubt."""
    other = {**COAT, "aircraft": "A2", "started_at": "2025-10-26T00:00Z", "finished_at": "2025-10-26T05:00Z"}
    boots = [{}, {"aircraft": "A2", "component_serial": "C2"}]
    rows = due(CURE, as_of, tasks=[BERLIN, other], components=boots).rows.set_index("component_serial")
    assert rows.loc[["C2"], ["due", "note"]].values.tolist() == [[pd.Timestamp("2025-10-27T05:00Z"), ""]]
    found = rows.drop("C2")
    assert found["due"].tolist() == ([] if due_at is None else [pd.Timestamp(due_at)])
    assert found["note"].tolist() == ([] if told is None else [told])


def test_of_one_boot_each_cure_runs_by_itself() -> None:
    """Only that of the coat in the hour that came twice is in doubt."""
    other = {**COAT, "work_order": "W2", "started_at": "2025-10-26T03:00Z", "finished_at": "2025-10-26T05:00Z"}
    rows = due(CURE, "2025-10-27T00:00:00Z", tasks=[BERLIN, other]).rows
    assert rows["task_id"].tolist() == ["T1", "T2"]
    assert rows["note"].map(bool).tolist() == [True, False]


@pytest.mark.parametrize(("takeoff", "broken"), [("01:00", False), ("02:00", True)])
def test_a_cure_is_broken_where_it_is_by_either_hour(takeoff: str, broken: bool) -> None:
    """A takeoff half an hour after the coat ended may have been half an hour before that."""
    flights = [{"takeoff_at": f"2025-10-26T{takeoff}:00Z"}]
    (row,) = due(CURE, "2025-10-27T00:00:00Z", tasks=[BERLIN], flights=flights).rows.to_dict("records")
    assert (row["due"], BROKEN in row["note"]) == (pd.Timestamp("2025-10-27T00:30Z"), broken)


def test_another_aircraft_s_doubtful_hour_leaves_a_hold_ended() -> None:
    """A coat that may be void, with the treatment that ended its hold: whatever hour is meant on the other aircraft."""
    over = {"product_class": {"is": "ice-adhesion-treatment"}}
    until = rule(
        "hold", scope={"product_class": {"is": "rubber-preservative"}}, forbid={"event": "takeoff"}, until=over
    )
    perhaps = {**COAT, "status": "1e9", "started_at": "2025-10-01T08:00Z", "finished_at": "2025-10-01T09:00Z"}
    ended = {"product": "ice-adhesion-treatment", "work_order": "W2", "started_at": "2025-10-02T08:00Z"}
    boots = [{}, {"aircraft": "A2", "component_serial": "C2"}]
    tasks = [perhaps, ended, {**BERLIN, "aircraft": "A2"}]
    rows = due(until, "2025-11-01T00:00Z", tasks=tasks, components=boots).rows
    assert rows["aircraft"].tolist() == ["A2"]


@pytest.mark.parametrize(
    ("limits", "note"),
    [
        ({"flight_hours": 50}, f"in doubt: {NOT_IN_THE_LOG}; {NOT_ENOUGH}"),
        ({"cycles": 50}, f"in doubt: {NOT_IN_THE_LOG}; {NOT_ENOUGH}"),
        ({"days": 50}, ""),
    ],
)
def test_an_aircraft_that_the_flight_log_lacks(limits: dict[str, int], note: str) -> None:
    """How much it flew isn't known; the days pass all the same."""
    flights = [{"aircraft": "A2", "takeoff_at": "2026-01-12T10:00:00Z"}]
    (row,) = treatments(due(interval(**limits), "2026-01-20T00:00:00Z", days=60, tasks=[DONE], flights=flights))
    assert row["note"] == note


def test_what_names_no_position_is_listed_where_no_boot_of_the_aircraft_is() -> None:
    """Beside the boot that is known it may be of that one."""
    nowhere = {**DONE, "position": None, "work_order": "W2"}
    for boots, places in (([{}], ["left wing"]), ([], [""])):
        tasks = [{**DONE, "product": "cleaner"}, nowhere]
        rows = treatments(due(interval(days=50), "2026-01-20T00:00:00Z", days=60, tasks=tasks, components=boots))
        assert [row["position"] for row in rows] == places


@pytest.mark.parametrize(("before", "doubt"), [({"material": "?"}, True), ({"material": "?", "aircraft": "A2"}, False)])
def test_the_days_of_a_boot_that_may_have_been_there_before(before: dict[str, str], doubt: bool) -> None:
    """A row of it in quarantine tells of an earlier stay: more of the days allowed may have passed."""
    stay = {"installed_at": "2026-01-03T00:00:00Z", "removed_at": "2026-01-05T00:00:00Z", **before}
    inspected = {"product": None, "action": "inspect", "started_at": "2026-01-02T08:00:00Z"}
    boots = [stay, {"installed_at": "2026-01-05T00:00:00Z"}]
    (row,) = treatments(due(interval(days=30), "2026-01-10T00:00:00Z", tasks=[inspected], components=boots))
    assert row["note"] == (NO_BOOT if doubt else "")


def test_a_treatment_falls_due_as_soon_as_it_may_by_either_hour() -> None:
    """The flight was before the treatment, or after it: of the hours left the fewest."""
    done = {**BERLIN, "product": "gloss-coating"}
    flights = [{"takeoff_at": "2025-10-26T01:00:00Z", "flight_hours": 0.5}]
    (row,) = treatments(due(interval(flight_hours=50), "2025-10-27T00:00:00Z", tasks=[done], flights=flights))
    assert (row["used"], row["note"].startswith(f"in doubt: {AMBIGUOUS}")) == (0.5, True)


FIRST, SECOND = {"removed_at": "2026-01-10T10:00:00Z"}, {"aircraft": "A2", "installed_at": "2026-01-10T11:00:00Z"}
"""Where the boot was that was treated on A1: it came off, and was put on A2."""


@pytest.mark.parametrize(
    ("boots", "as_of", "where", "note"),
    [
        pytest.param([FIRST, SECOND], "2026-01-10T09:59:00Z", ["A1"], "", id="not-yet-off"),
        pytest.param([FIRST, SECOND], "2026-01-10T10:00:00Z", ["A1"], OFF, id="off"),
        pytest.param([FIRST, SECOND], "2026-01-10T11:00:00Z", ["A2"], "", id="on-again"),
        pytest.param([FIRST], "2026-01-10T11:00:00Z", ["A1"], OFF, id="off-for-good"),
        pytest.param(
            [{"removed_at": "2026-01-11"}, {"aircraft": "A2", "installed_at": "2026-01-11"}],
            "2026-01-11T08:00:00Z",
            ["A1", "A2"],
            "in doubt: which boot was at that position and time is not known",
            id="on-a-day-without-a-time",
        ),
        pytest.param([{}, SECOND], "2026-01-10T10:59:00Z", ["A1"], "", id="recorded-once"),
        pytest.param(
            [{}, SECOND],
            "2026-01-10T11:00:00Z",
            ["A1", "A2"],
            "in doubt: which boot was at that position and time is not known",
            id="recorded-twice",
        ),
    ],
)
def test_a_boot_takes_its_cure_along(boots: list[dict[str, str]], as_of: str, where: list[str], note: str) -> None:
    """It is the aircraft with the wet boot that must not fly, and not the one on which it was treated."""
    rows = due(CURE, as_of, tasks=[COAT], components=boots).rows
    assert rows["aircraft"].tolist() == where
    assert set(rows["note"]) == {note}


def test_a_cure_is_told_to_the_minute_and_no_second_too_early() -> None:
    (row,) = due(CURE, "2026-01-10T20:00:00Z", tasks=[{**COAT, "finished_at": "2026-01-10T09:00:01Z"}]).rows.to_dict(
        "records"
    )
    assert when_in_words(row, "Europe/Berlin") == "not before 2026-01-11 10:01 local, 2026-01-11 09:01 UTC"


def test_a_cure_that_was_flown_in_says_so() -> None:
    rows = due(CURE, "2026-01-10T20:00:00Z", tasks=[COAT], flights=[{"takeoff_at": "2026-01-10T12:00:00Z"}]).rows
    assert rows["note"].tolist() == [BROKEN]


def test_a_cure_that_was_perhaps_not_broken_does_not_point_to_findings() -> None:
    """Another coat may still come, or the product isn't known: the audit leaves both unjudged."""
    cover = {"product": "gloss-coating", "started_at": "2026-01-10T12:00:00Z", "finished_at": "2026-01-10T13:00:00Z"}
    alone = {**CURE, "forbid": {"event": "treatment", "where": GLOSS}}
    flown = {"flights": [{"takeoff_at": "2026-01-10T12:00:00Z"}]}
    unlisted = {**COAT, "product": "unheard-of"}
    for asked, tables in ((alone, {"tasks": [COAT, cover]}), (CURE, {"tasks": [unlisted], **flown})):
        as_of = "2026-01-10T20:00:00Z"
        assert outcomes(asked, as_of, **tables).findings == 0
        assert BROKEN not in "".join(due(asked, as_of, **tables).rows["note"])


def test_a_cure_in_doubt_is_a_row_that_says_why() -> None:
    rows = due(CURE, "2026-01-10T20:00:00Z", tasks=[{**COAT, "product": "unheard-of"}]).rows
    assert rows["note"].str.startswith("in doubt: ").tolist() == [True]


def test_a_cure_after_a_record_that_ends_before_it_starts_is_in_doubt() -> None:
    """One of its times is wrong: the cure may run longer."""
    [row] = due(CURE, "2026-01-10T20:00:00Z", tasks=[COAT | {"started_at": "2026-01-10T10:00:00Z"}]).rows.to_dict(
        "records"
    )
    assert row["note"].startswith("in doubt: the last record ends before it starts")


def test_a_hold_says_what_must_not_happen_and_how_long_it_has_run() -> None:
    """In hours; a hold against other work names the boot, one against flying the takeoff."""
    others = {"event": "treatment", "where": {"product": {"present": True}}}
    for forbid, what in (({"event": "takeoff"}, "no takeoff"), (others, "no other work on this boot")):
        (row,) = due({**CURE, "forbid": forbid}, "2026-01-10T20:00:00Z", tasks=[COAT]).rows.to_dict("records")
        assert (row["what"], row["used"], row["limit"], row["unit"]) == (what, 11, 24, "h")


def test_a_hold_that_a_treatment_ends_has_no_date() -> None:
    until = rule(
        "hold", scope=GLOSS, forbid={"event": "takeoff"}, until={"product_class": {"is": "ice-adhesion-treatment"}}
    )
    coat = {"product": "gloss-coating", "started_at": "2026-01-10T08:00:00Z"}
    rows = due(until, "2026-03-01T00:00:00Z", tasks=[coat]).rows
    assert rows["what"].tolist() == ["no takeoff before an ice-adhesion treatment"]
    assert rows["due"].isna().all()
    after = {"product": "ice-adhesion-treatment", "work_order": "W2", "started_at": "2026-01-12T08:00:00Z"}
    assert due(until, "2026-03-01T00:00:00Z", tasks=[coat, after]).rows.empty


def interval(**limits: Any) -> dict[str, Any]:
    return rule("interval", scope=GLOSS, at_most=limits)


DONE = {"product": "gloss-coating", "started_at": "2026-01-10T08:00:00Z", "finished_at": "2026-01-10T09:00:00Z"}


def test_a_boot_that_was_never_treated_names_no_record() -> None:
    """Its days count from where the export begins, beside those of a boot that was treated."""
    boots = [
        {"installed_at": "2026-01-01T00:00:00Z"},
        {"component_serial": "C2", "position": "right wing", "installed_at": "2026-01-05T00:00:00Z"},
    ]
    rows = treatments(due(interval(days=20), "2026-01-12T00:00:00Z", tasks=[DONE], components=boots))
    assert [(row["component_serial"], row["task_id"], row["used"]) for row in rows] == [("C2", "", 2), ("C1", "T1", 2)]


@pytest.mark.parametrize(("days", "overdue"), [(20, "2026-01-31"), (21, "2026-02-01")])
def test_days_are_counted_on_the_calendar(days: int, overdue: str) -> None:
    """Done on the 10th, 20 days allowed: the 30th is the last day."""
    (row,) = treatments(due(interval(days=days), "2026-01-12T00:00:00Z", tasks=[DONE]))
    assert row["due"] == pd.Timestamp(overdue, tz="UTC")
    assert (row["used"], row["limit"], row["what"]) == (2, days, "next gloss coating")


@pytest.mark.parametrize(
    ("limits", "as_of", "outcome", "told"),
    [
        pytest.param({"days": 20}, "2026-01-29T23:59:59Z", "complies", "last day 2026-01-30", id="the-day-before"),
        pytest.param(
            {"days": 20}, "2026-01-30T00:00:00Z", "complies", "due today, last day 2026-01-30", id="as-it-begins"
        ),
        pytest.param(
            {"days": 20}, "2026-01-30T14:00:00Z", "complies", "due today, last day 2026-01-30", id="in-its-midst"
        ),
        pytest.param({"days": 20}, "2026-01-31T00:00:00Z", "finding", "overdue from 2026-01-31", id="over"),
        pytest.param({"months": 1}, "2026-02-10T23:59:59Z", "complies", "due today, last day 2026-02-10", id="a-month"),
        pytest.param({"months": 1}, "2026-02-11T00:00:00Z", "finding", "overdue from 2026-02-11", id="a-month-is-over"),
        pytest.param(
            {"days": 20, "tolerance": 10},
            "2026-02-01T14:00:00Z",
            "complies",
            "due today, last day 2026-02-01",
            id="late",
        ),
        pytest.param(
            {"days": 20, "tolerance": 10}, "2026-02-02T00:00:00Z", "finding", "overdue from 2026-02-02", id="too-late"
        ),
    ],
)
def test_on_its_last_day_a_treatment_is_due_and_not_overdue(
    limits: dict[str, int], as_of: str, outcome: str, told: str
) -> None:
    """The verdict of the audit and the words of the list say the same, at every instant of that day (UTC)."""
    asked = interval(**{name: limit for name, limit in limits.items() if name != "tolerance"})
    if "tolerance" in limits:
        asked["tolerance"] = {"percent": limits["tolerance"]}
    # A boot that came with the treatment: its only stretch is the one that runs.
    boot = {"installed_at": DONE["started_at"], "component_serial": "B1", "position": "left wing"}
    export: dict[str, Any] = {"tasks": [DONE], "components": [boot]}
    (row,) = treatments(due(asked, as_of, **export))
    assert when_in_words(row) == told
    judged = outcomes(asked, as_of, **export)
    assert (judged.in_scope, judged.findings, judged.unjudged) == (2, int(outcome == "finding"), 0)


@pytest.mark.parametrize("next_due", ["actual", "scheduled", "overrun-deducted"])
@pytest.mark.parametrize("second", ["2026-01-24", "2026-01-30", "2026-02-01", "2026-02-02"])
@pytest.mark.parametrize("limit", [{"days": 20}, {"months": 1}])
def test_a_date_is_the_first_instant_that_is_judged_overdue(limit: dict[str, int], second: str, next_due: str) -> None:
    """Whatever of a treatment before its time, or after it, is carried on to the next."""
    asked = interval(**limit) | {"next_due": next_due, "tolerance": {"percent": 10}}
    again = {**DONE, "work_order": "W2", "started_at": f"{second}T08:00:00Z", "finished_at": f"{second}T09:00:00Z"}
    boot = {"installed_at": DONE["started_at"], "component_serial": "B1", "position": "left wing"}
    export: dict[str, Any] = {"tasks": [DONE, again], "components": [boot]}
    [row] = treatments(due(asked, again["finished_at"], 90, **export))
    before, at = (
        outcomes(asked, str(row["due"] - second), **export) for second in (pd.Timedelta("1s"), pd.Timedelta(0))
    )
    assert (before.in_scope, at.findings) == (at.in_scope, before.findings + 1)


@pytest.mark.parametrize(("last", "doubted"), [("2026-03-16", True), ("2026-05-18", False)])
def test_where_the_records_end_early_what_is_left_is_in_doubt(last: str, doubted: bool) -> None:
    """What was treated since may not have been exported."""
    other = {"action": "inspect", "product": "cleaner", "position": None}
    days = pd.date_range("2026-01-05", last, freq="7D").strftime("%Y-%m-%d")
    tasks = [DONE, *(other | {"work_order": day, "started_at": f"{day}T08:00:00Z"} for day in days)]
    [row] = treatments(due(interval(days=200), "2026-05-20T00:00:00Z", 90, tasks=tasks))
    said = "in doubt: no task records at all for an unusually long time before the as-of time"
    assert row["note"] == (said if doubted else "")


def test_what_was_done_this_moment_is_counted_from() -> None:
    """A treatment that ends at the as-of time: there is one thing due for its boot, and nothing of that is used."""
    (row,) = treatments(due(interval(days=20), DONE["finished_at"], tasks=[DONE]))
    assert (row["used"], row["due"]) == (0, pd.Timestamp("2026-01-31", tz="UTC"))


def test_a_month_has_its_last_day() -> None:
    done = {**DONE, "started_at": "2026-01-31T08:00:00Z", "finished_at": "2026-01-31T09:00:00Z"}
    (row,) = treatments(due(interval(months=1), "2026-02-10T00:00:00Z", tasks=[done]))
    assert row["due"] == pd.Timestamp("2026-03-01T00:00Z")  # 28 February is the last day


def test_what_is_overdue_comes_before_what_is_not_and_says_so() -> None:
    flights = [{"takeoff_at": f"2026-01-{day}T10:00:00Z", "flight_hours": 4} for day in (11, 12, 13)]
    (row,) = treatments(due(interval(flight_hours=10), "2026-01-14T00:00:00Z", tasks=[DONE], flights=flights))
    assert row["note"] == LONG_AGO
    assert row["due"] == pd.Timestamp("2026-01-13T10:00Z")
    assert row["used"] == 12


def test_hours_without_history_have_no_date() -> None:
    flights = [{"takeoff_at": "2026-01-11T10:00:00Z", "flight_hours": 4}]
    (row,) = treatments(due(interval(flight_hours=10), "2026-01-14T00:00:00Z", tasks=[DONE], flights=flights))
    assert row["note"] == NOT_ENOUGH
    assert pd.isna(row["likely"])


def daily(last: str, hours: float) -> list[dict[str, Any]]:
    days = pd.date_range("2025-10-01", last, freq="D")
    return [{"takeoff_at": f"{day:%Y-%m-%d}T10:00:00Z", "flight_hours": hours} for day in days]


def test_a_date_goes_on_as_the_aircraft_flew() -> None:
    """One hour a day: 36 hours left in the morning are 36 days."""
    tasks = [{**DONE, "started_at": "2025-12-31T20:00:00Z", "finished_at": "2025-12-31T21:00:00Z"}]
    listed = due(interval(flight_hours=50), "2026-01-15T00:00:00Z", 60, tasks=tasks, flights=daily("2026-01-14", 1.0))
    (row,) = treatments(listed)
    assert row["used"] == 14
    assert row["likely"] == pd.Timestamp("2026-02-20T00:00Z")
    assert row["note"] == NO_BAND  # one aircraft's few weeks are not a fleet's past


def test_a_date_far_ahead_has_no_band_and_says_why() -> None:
    """Not for want of past forecasts: none is made for so long a time. One of 50 days has its band; one of 58 would be
    held against forecasts of 65 days."""
    tasks = [{**DONE, "started_at": "2025-12-31T20:00:00Z", "finished_at": "2025-12-31T21:00:00Z"}]
    days = pd.date_range("2025-01-01", "2026-01-14", freq="D")
    flights = [
        {"flight_id": f"{name}{day:%j%y}", "aircraft": name, "takeoff_at": f"{day:%Y-%m-%d}T10:00:00Z"}
        for name in ("A1", "A2", "A3", "A4", "A5", "A6")
        for day in days
    ]
    for hours, note in ((64, ""), (72, FAR_AHEAD), (75, FAR_AHEAD)):
        listed = due(interval(flight_hours=hours), "2026-01-15T00:00:00Z", 90, tasks=tasks, flights=flights)
        (row,) = treatments(listed)
        assert (row["note"], pd.isna(row["earliest"]), len(listed.bands)) == (note, bool(note), not note)


def test_whichever_comes_first() -> None:
    tasks = [{**DONE, "started_at": "2025-12-31T20:00:00Z", "finished_at": "2025-12-31T21:00:00Z"}]
    (row,) = treatments(
        due(interval(flight_hours=50, days=25), "2026-01-15T00:00:00Z", tasks=tasks, flights=daily("2026-01-14", 1.0))
    )
    assert (row["unit"], row["due"]) == ("days", pd.Timestamp("2026-01-26T00:00Z"))


@pytest.mark.parametrize(
    ("days", "flown", "within", "units"),
    [
        pytest.param(25, 9.5, 30, ["days", "flight hours"], id="either may be first"),
        pytest.param(25, 9.5, 5, ["flight hours"], id="the date is far off"),
        pytest.param(2, 9.5, 30, ["days"], id="overdue by its date already"),
        pytest.param(25, 10.5, 30, ["flight hours"], id="overdue by its hours already"),
    ],
)
def test_hours_without_a_date_stand_beside_the_date_of_days(
    days: int, flown: float, within: int, units: list[str]
) -> None:
    """Nobody knows whether the hours are used up before that day: half an hour may be the next flight."""
    flights = [{"takeoff_at": "2026-01-11T10:00:00Z", "flight_hours": flown}]
    rule = interval(flight_hours=10, days=days)
    rows = treatments(due(rule, "2026-01-14T00:00:00Z", within, tasks=[DONE], flights=flights))
    assert [row["unit"] for row in rows] == units


def test_what_comes_after_the_season_does_not_come() -> None:
    season = {**interval(flight_hours=50), "season": {"from": "10-01", "to": "01-31"}}
    tasks = [{**DONE, "started_at": "2025-12-31T20:00:00Z", "finished_at": "2025-12-31T21:00:00Z"}]
    flights = daily("2026-01-14", 1.0)
    assert not treatments(due(season, "2026-01-15T00:00:00Z", 60, tasks=tasks, flights=flights))
    season["at_most"] = {"flight_hours": 20}
    assert treatments(due(season, "2026-01-15T00:00:00Z", 60, tasks=tasks, flights=flights))


def test_a_boot_that_is_off_has_nothing_due() -> None:
    boot = {"component_serial": "B1", "position": "left wing", "material": "chloroprene"}
    boot |= {"installed_at": "2025-01-01T00:00:00Z", "removed_at": "2026-01-11T00:00:00Z"}
    assert not treatments(due(interval(days=20), "2026-01-12T00:00:00Z", tasks=[DONE], components=[boot]))


@pytest.mark.parametrize(("moved", "listed"), [(True, 1), (False, 0)])
def test_a_boot_that_will_be_moved_is_treated_all_the_same(moved: bool, listed: int) -> None:
    """It comes off before the date. Put on another aircraft it has to be treated there."""
    boots: list[dict[str, str]] = [{"removed_at": "2026-01-14T00:00:00Z"}]
    boots += [{"aircraft": "A2", "installed_at": "2026-01-15T00:00:00Z"}] * moved
    rows = treatments(due(interval(days=20), "2026-01-12T00:00:00Z", tasks=[DONE], components=boots))
    assert [(row["aircraft"], row["used"]) for row in rows] == [("A1", 2)] * listed


def test_a_treatment_in_doubt_is_told() -> None:
    perhaps = {"product": "unheard-of", "work_order": "W2", "started_at": "2026-01-11T08:00:00Z"}
    (row,) = treatments(due(interval(days=20), "2026-01-12T00:00:00Z", tasks=[DONE, perhaps]))
    assert row["note"].startswith("in doubt: ")


NO_BOOT = "in doubt: which boot was at that position and time is not known"
NO_TABLE = "in doubt: table not supplied: components"


@pytest.mark.parametrize(
    ("tables", "position", "note"),
    [
        pytest.param({"not_supplied": ["components"]}, "left wing", NO_TABLE, id="no-table"),
        pytest.param({"components": []}, "left wing", NO_BOOT, id="none-recorded"),
        pytest.param({"components": [{"installed_at": "soon"}]}, "left wing", NO_BOOT, id="in-quarantine"),
        pytest.param({"components": [{"aircraft": "A2"}]}, "", "in doubt: position not recorded", id="no-position"),
    ],
)
def test_what_falls_due_though_no_boot_is_known_is_a_row_that_says_so(
    tables: dict[str, Any], position: str, note: str
) -> None:
    """Only the last treatment there; nothing where a boot is known, of which its own row tells."""
    again = {**DONE, "work_order": "W2", "started_at": "2026-01-11T08:00:00Z", "finished_at": "2026-01-11T09:00:00Z"}
    tasks = [one | {"position": position} for one in (DONE, again)]
    rows = treatments(due(interval(flight_hours=50), "2026-01-12T00:00:00Z", tasks=tasks, **tables))
    (row,) = [row for row in rows if row["aircraft"] == "A1"]
    assert (row["task_id"], row["position"], pd.isna(row["used"])) == ("T2", position, True)
    assert row["note"].startswith(note)
    assert what_is_due(row) == "next gloss coating, not known how much is left of 50 flight hours"
    (row,) = treatments(due(interval(flight_hours=50), "2026-01-12T00:00:00Z", tasks=[DONE]))
    assert row["used"] == 0


def test_where_no_boot_is_known_a_treatment_falls_due_by_its_limit_with_the_tolerance() -> None:
    """Counted from the end of the last one there."""
    tolerant = {**interval(flight_hours=50), "tolerance": {"percent": 10}}
    [row] = treatments(due(tolerant, "2026-01-12T00:00:00Z", tasks=[DONE], not_supplied=["components"]))
    assert (row["limit"], row["since"]) == (55, pd.Timestamp(DONE["finished_at"]))


def test_nothing_falls_due_out_of_season_where_no_boot_is_known() -> None:
    season = {**interval(flight_hours=50), "season": {"from": "10-01", "to": "01-31"}}
    for as_of, number in (("2026-01-12T00:00:00Z", 1), ("2026-02-01T00:00:00Z", 0)):
        assert len(treatments(due(season, as_of, tasks=[DONE], not_supplied=["components"]))) == number


@pytest.mark.parametrize("finished", ["later", "2026-01-11T09:00:00Z"])
def test_what_falls_due_is_in_doubt_where_a_treatment_may_have_come_since(finished: str) -> None:
    """At a time that can be read or at any."""
    again = DONE | {"work_order": "W2", "started_at": "soon", "finished_at": finished}
    [row] = treatments(due(interval(flight_hours=50), "2026-01-12T00:00:00Z", tasks=[DONE, again]))
    assert row["note"].startswith("in doubt: a record in quarantine may change the result; ")


def test_authorisations_lots_and_manuals_that_run_out() -> None:
    people = [
        {"person": "A. Reed", "authorisation": "boots", "valid_from": "2025-01-01", "valid_to": "2026-01-20"},
        {"person": "A. Reed", "authorisation": "boots", "valid_from": "2026-01-21", "valid_to": "2027-01-20"},
        {"person": "B. Fenn", "authorisation": "boots", "valid_from": "2025-01-01", "valid_to": "2026-01-20"},
        {"person": "C. Moss", "authorisation": "boots", "valid_from": "2025-01-01", "valid_to": "2026-01-11"},
    ]
    lots = [{"lot": "L1", "product": "gloss-coating", "expires_on": "2026-01-31"}]
    lots += [{"lot": "L2", "product": "gloss-coating", "expires_on": "2026-05-31"}]
    manuals = [{"manual": "M", "revision": "3", "effective_from": "2025-01-01", "superseded_on": "2026-01-25"}]
    rows = due(CURE, "2026-01-12T12:00:00Z", people=people, lots=lots, manuals=manuals, tasks=[DONE]).rows
    assert list(zip(rows["kind"], rows["name"], rows["due"].dt.strftime("%m-%d"), strict=True)) == [
        ("authorisation", "B. Fenn, boots", "01-21"),  # A. Reed's goes on, C. Moss's has ended
        ("manual", "M, 3", "01-25"),
        ("lot", "gloss-coating, L1", "02-01"),
    ]


def test_an_authorisation_runs_out_once_a_time() -> None:
    """Given twice to the same day it is one; given anew after a time without it is two."""
    people = [
        {"person": "A. Reed", "authorisation": "boots", "valid_from": since, "valid_to": to}
        for since, to in (
            ("2025-01-01", "2026-01-20"),
            ("2025-06-01", "2026-01-20"),
            ("2025-03-01", "2025-12-31"),
            ("2026-01-22", "2026-02-05"),
        )
    ]
    rows = due(CURE, "2026-01-12T12:00:00Z", people=people, tasks=[DONE]).rows
    assert rows["due"].dt.strftime("%m-%d").tolist() == ["01-21", "02-06"]


@pytest.mark.parametrize(
    ("last", "expected"),
    [
        pytest.param({}, [("M, 4", "02-01", PERHAPS_SUPERSEDED)], id="blank"),
        pytest.param({"superseded_on": "2026-01-20"}, [("M, 4", "01-20", "")], id="told"),
        pytest.param({"superseded_on": "soon"}, [("M, 4", None, NO_DAY)], id="can-not-be-read"),
    ],
)
def test_a_revision_of_no_known_last_day_is_in_doubt_from_the_next_one_on(
    last: dict[str, str], expected: list[tuple[str, str | None, str]]
) -> None:
    """As the audit takes it; a revision before is in doubt already, another manual is of no matter."""
    began = {"3": "2025-01-01", "4": "2025-06-01", "5": "2026-02-01"}
    manuals = [{"manual": "M", "revision": name, "effective_from": day} for name, day in began.items()]
    manuals[1] |= last
    manuals.append({"manual": "N", "revision": "1", "effective_from": "2026-01-25"})
    rows = due(CURE, "2026-01-12T12:00:00Z", manuals=manuals, tasks=[DONE]).rows
    days = rows["due"].dt.strftime("%m-%d").astype(object).where(rows["due"].notna(), None)
    assert list(zip(rows["name"], days, rows["note"], strict=True)) == expected


def test_what_runs_out_after_the_time_is_counted() -> None:
    """As what falls due then; what has run out already comes no more."""
    lots = [
        {"lot": day, "product": "gloss-coating", "expires_on": day}
        for day in ("2026-01-11", "2026-01-31", "2026-05-31")
    ]
    listed = due(CURE, "2026-01-12T12:00:00Z", lots=lots, tasks=[DONE])
    assert (listed.rows["name"].tolist(), listed.later) == (["gloss-coating, 2026-01-31"], 1)


def test_what_runs_out_on_a_day_that_can_not_be_read_is_a_row_that_says_so() -> None:
    people = [
        {"person": "A. Reed", "authorisation": "boots", "valid_from": "2025-01-01", "valid_to": "31.13.2026"},
        {"person": "B. Fenn", "authorisation": "boots", "valid_from": "2025-01-01", "valid_to": ""},
        {"person": "C. Moss", "authorisation": "boots", "valid_from": "2025-01-01", "valid_to": "2026-01-20"},
    ]
    (moss, reed) = due(CURE, "2026-01-12T12:00:00Z", people=people, tasks=[DONE]).rows.to_dict("records")
    assert (moss["name"], moss["note"]) == ("C. Moss, boots", "")
    assert (reed["name"], reed["note"], when_in_words(reed)) == ("A. Reed, boots", NO_DAY, "no date")


@cache
def sample() -> Export:
    return read_export(sample_folder())


CURES = {
    "2025-08-12T12:00Z": [
        ("TARN-SPRUCE", "left wing", "2025-08-13 07:22"),
        ("TARN-SPRUCE", "right wing", "2025-08-13 08:16"),
        ("TARN-SPRUCE", "left tailplane", "2025-08-13 10:06"),
        ("TARN-SPRUCE", "right tailplane", "2025-08-13 10:58"),
    ],
    "2025-09-27T06:00Z": [
        ("TARN-JUNIPER", "right wing", "2025-09-27 23:09"),
        ("TARN-ROWAN", "right wing", "2025-09-27 23:09"),
    ],
    "2026-01-21T06:00Z": [("TARN-ALDER", "right wing", "2026-01-21 14:39")],
}
"""Cures of rubber preservative in the sample, read off their coats by hand: 24 hours after the last one ended."""


@pytest.mark.parametrize("as_of", CURES)
def test_the_cures_that_run_in_the_sample_records(as_of: str) -> None:
    rules = [
        rule for rule in load_rules(rules_folder()).rules if rule.id in ("flight-before-cure", "product-before-cure")
    ]
    timeline = build_timeline(sample(), pd.Timestamp(as_of))
    comes = [(rule, what_comes(rule, timeline)) for rule in rules]
    rows = due_list("sample", comes, timeline, timedelta(days=1)).rows
    for each in rules:
        of_rule = rows[rows["rule"] == each.id]
        found = zip(of_rule["aircraft"], of_rule["position"], of_rule["due"].dt.strftime("%Y-%m-%d %H:%M"), strict=True)
        assert sorted(found) == sorted(CURES[as_of])
