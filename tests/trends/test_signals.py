"""Signals: planted ones are told, steady work gives none."""

from collections.abc import Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from audit.cli import run
from audit.exit_codes import ExitCode
from audit.forms.judging import judge_by_week
from audit.forms.weeks import WEEK
from audit.intake.reading import read_rows
from audit.language.rule import Rule
from audit.timeline.timeline import Timeline, build_timeline
from audit.trends.charts import LARGE
from audit.trends.signals import ALL, Frozen, Signal, Trend, Trends, trends
from tests.forms.rules import RULES, rule
from tests.trends.charted import count_chart

NAMED = RULES.validate_python(
    rule("record", scope={"action": {"is": "apply"}}, require={"performed_by": {"present": True}})
)
FROZEN = Frozen(date(2025, 1, 6), date(2025, 6, 29))


def charted(rule: Rule, timeline: Timeline, changed: datetime | None = None) -> tuple[Sequence[Trend], list[Signal]]:
    counted = {rule.id: judge_by_week(rule, timeline)[1]}
    made = trends(counted, timeline, FROZEN, {} if changed is None else {rule.id: changed})
    return made.every, list(made.signals)


def found(
    missing: dict[str, dict[int, int]], weeks: int = 40, checks: int = 10, changed: datetime | None = None
) -> tuple[Sequence[Trend], list[Signal]]:
    """Weeks of records from 2025-01-06 on; `missing` says how many lack a performer, by station and week."""
    rows = [
        {
            "task_id": f"T-{station}-{week}-{number}",
            "work_order": f"W-{station}-{week}-{number}",
            "aircraft": "TARN-TEAL",
            "action": "apply",
            "station": station,
            "started_at": f"{day:%Y-%m-%d}T{number % 20 + 1:02}:00Z",
            "finished_at": f"{day:%Y-%m-%d}T{number % 20 + 1:02}:30Z",
            "performed_by": "" if number < lacking.get(week, 0) else "A. Reed",
        }
        for station, lacking in missing.items()
        for week, day in enumerate(pd.date_range("2025-01-08", periods=weeks, freq="7D"))
        for number in range(checks)
    ]
    return charted(NAMED, build_timeline(read_rows({"tasks": rows})), changed)


def test_steady_work_gives_no_signal() -> None:
    steady = dict.fromkeys(range(0, 40, 3), 1)
    every, told = found({"gull": steady, "tern": steady})
    assert told == []
    assert [trend.station for trend in every] == [ALL, "gull", "tern"]
    assert every[0].checks.sum() == 800
    assert every[0].findings.sum() == 28


def test_a_bad_week_is_told_with_its_figures() -> None:
    told = found({"gull": {3: 1, 30: 5}, "tern": {}})[1]
    assert [(signal.station, signal.since) for signal in told] == [(ALL, date(2025, 8, 4)), ("gull", date(2025, 8, 4))]
    assert told[1].sentence == (
        "5 findings in 10 checks in the week from 2025-08-04; 1 finding in 250 checks in 2025-01-06 to 2025-06-29."
    )


def test_a_bad_week_among_the_frozen_ones_is_no_signal() -> None:
    assert found({"gull": {3: 5}})[1] == []


def test_one_finding_where_there_were_none_is_no_signal() -> None:
    """One in ten where 250 checks found nothing: that is 1 in 26 by chance."""
    assert found({"gull": {30: 1}})[1] == []


def test_eight_weeks_above_the_mean() -> None:
    told = found({"gull": {**dict.fromkeys(range(0, 25, 2), 1), **dict.fromkeys(range(26, 34), 1)}})[1]
    assert {signal.since for signal in told} == {date(2025, 7, 7)}
    assert "in each of 8 weeks with checks, from 2025-07-07 to 2025-08-25" in told[0].sentence
    short = found({"gull": {**dict.fromkeys(range(0, 25, 2), 1), **dict.fromkeys(range(26, 33), 1)}})[1]
    assert short == []


def test_too_few_weeks_have_no_limits() -> None:
    every, told = found({"gull": {6: 9}}, weeks=7)
    assert all(trend.counts is None for trend in every)
    assert told == []


def unable(missing: dict[str, dict[int, int]], **weeks: int) -> str:
    return told_of(found(missing, **weeks)[0])


def told_of(every: Sequence[Trend]) -> str:
    return Trends(FROZEN, tuple(every), ()).unable


def test_that_nothing_can_stand_out_is_told() -> None:
    """Silence is no pass: where nothing was checked, nothing has limits, or no week comes after those that set them."""
    assert told_of(()) == "nothing was checked"
    assert unable({"gull": {6: 9}}, weeks=7).startswith("no chart has limits, since none has eight weeks with a check")
    assert unable({"gull": {}}, weeks=25).startswith("no week with a check comes after those that set the limits")
    assert unable({"gull": {}}, weeks=26) == ""


def test_what_happened_before_all_work_has_no_weeks() -> None:
    """Nothing was checked in the weeks since the first record: nothing can be charted, and nothing is said to drift."""
    work = {"task_id": "T", "work_order": "W", "aircraft": "TARN-TEAL", "action": "apply", "station": "gull"}
    done = {"started_at": "2025-06-04T08:00Z", "finished_at": "2025-06-04T09:00Z", "performed_by": "A. Reed"}
    timeline = build_timeline(read_rows({"tasks": [work | done]}))
    before = judge_by_week(NAMED, timeline)[1].assign(week=lambda weeks: weeks["week"] - WEEK)
    made = trends({NAMED.id: before}, timeline, FROZEN)
    assert [(trend.station, trend.weeks, trend.counts) for trend in made.every] == [(ALL, (), None)]
    assert made.signals == ()


BEFORE_THE_CHANGE = {"gull": {**dict.fromkeys(range(20), 4), 34: 5}}
"""Four of ten until the rule was tightened on 2025-05-26, none after, then five of ten in the week from 2025-09-01."""


def test_limits_start_anew_where_the_rule_was_changed() -> None:
    """What was found by the rule as it is now in work done under another says nothing of what is usual since."""
    assert found(BEFORE_THE_CHANGE)[1] == []
    every, told = found(BEFORE_THE_CHANGE, changed=datetime(2025, 5, 26, tzinfo=UTC))
    # Five weeks of the frozen time are left, too few: eight weeks from 2025-06-02 on set the limits.
    assert every[1].base == Frozen(date(2025, 6, 2), date(2025, 7, 27))
    assert [signal.sentence for signal in told if signal.station == "gull"] == [
        "5 findings in 10 checks in the week from 2025-09-01; 0 findings in 80 checks in 2025-06-02 to 2025-07-27."
    ]


def test_a_rule_changed_of_late_has_no_limits() -> None:
    every, told = found(BEFORE_THE_CHANGE, changed=datetime(2025, 9, 20, tzinfo=UTC))
    assert [trend.counts for trend in every] == [None, None]
    assert told == []


def test_weeks_that_vary_by_more_than_chance_have_wider_limits() -> None:
    """Laney: with thousands of checks a week, chance alone explains next to nothing."""
    rng = np.random.default_rng(7)
    checks = np.full(60, 20_000.0)
    rates = 0.02 * rng.normal(1, 0.2, 60)
    counts = rng.binomial(20_000, rates).astype(float)
    frozen = np.arange(60) < 30
    chart = count_chart(counts, checks, frozen)
    assert chart.spread > 2
    assert not chart.above.any()
    assert (
        chart.rate > chart.centre + 3 * np.sqrt(chart.centre / checks)
    ).any()  # what limits of chance alone would tell
    assert count_chart(counts[:30], np.full(30, LARGE - 1.0), frozen[:30]).spread == 1


def test_margins_that_shrink_are_told() -> None:
    cure = RULES.validate_python(
        rule(
            "hold",
            scope={"product_class": {"is": "rubber-preservative"}},
            forbid={"event": "takeoff"},
            **{"for": "PT24H"},
        )
    )
    tasks: list[dict[str, Any]] = []
    flights = []
    for week, day in enumerate(pd.date_range("2025-01-08T06:00Z", periods=40, freq="7D")):
        wait = 30 + (week % 3) if week < 25 else 30 - 0.4 * (week - 24)
        end = day + pd.Timedelta(hours=1)
        common = {
            "work_order": f"W{week}",
            "aircraft": "TARN-TEAL",
            "action": "apply",
            "station": "gull",
            "position": "fin",
        }
        tasks.append(
            {"task_id": f"T{week}", **common, "product": "Black", "started_at": str(day), "finished_at": str(end)}
        )
        off = end + pd.Timedelta(hours=wait)
        flights.append(
            {
                "flight_id": f"F{week}",
                "aircraft": "TARN-TEAL",
                "takeoff_at": str(off),
                "landing_at": str(off + pd.Timedelta(hours=1)),
            }
        )
    components = [
        {
            "component_serial": "B1",
            "aircraft": "TARN-TEAL",
            "position": "fin",
            "material": "chloroprene",
            "installed_at": "2024-01-01T00:00Z",
        }
    ]
    products = [{"product": "Black", "product_class": "rubber-preservative"}]
    timeline = build_timeline(
        read_rows({"tasks": tasks, "flights": flights, "components": components, "products": products})
    )
    every, (signal, _) = charted(cure, timeline)
    assert signal.sentence.startswith("Work comes closer to the limit: the weighted mean margin was ")
    assert not every[0].findings.any()  # nothing was found yet


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "export"
    folder.mkdir()
    head = "task_id,work_order,aircraft,action,station,started_at,finished_at,performed_by\n"
    rows = [
        f"T{week}-{n},W{week}-{n},TARN-TEAL,inspect,gull<b>,{day:%Y-%m-%d}T0{n}:00Z,{day:%Y-%m-%d}T0{n}:30Z,"
        f"{'' if week == 30 and n < 5 else 'A. Reed'}\n"
        for week, day in enumerate(pd.date_range("2025-01-08", periods=35, freq="7D"))
        for n in range(8)
    ]
    (folder / "tasks.csv").write_text(head + "".join(rows))
    arguments = ["trends", str(folder), "--frozen", "2025-01-06/2025-06-29"]
    for name in ("one", "two"):
        assert run([*arguments, "--out", str(tmp_path / name)]) is ExitCode.CLEAN
    assert (
        "performer-not-named, gull<b>: 5 findings in 8 checks in the week from 2025-08-04; 0 findings in 200 checks"
        in (capsys.readouterr().out)
    )
    for file in ("trends.csv", "trends.html"):
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()
    page = (tmp_path / "one" / "trends.html").read_text()
    assert "gull&lt;b&gt;" in page
    assert "gull<b>" not in page
    listed = pd.read_csv(tmp_path / "one" / "trends.csv")
    assert listed.loc[listed["above"], "week"].unique().tolist() == ["2025-08-04"]


@pytest.mark.parametrize(
    ("more", "said", "code"),
    [
        (("--frozen", "2020-01-01/2020-12-31"), "no chart has limits", ExitCode.CLEAN),
        (("--frozen", "2020-01-01/2030-12-31"), "no week with a check comes after", ExitCode.CLEAN),
        (("--as-of", "2020-01-01T00:00Z"), "nothing was checked", ExitCode.NOTHING_JUDGED),
    ],
)
def test_the_command_says_that_nothing_can_stand_out(
    tmp_path: Path, more: tuple[str, ...], said: str, code: ExitCode, capsys: pytest.CaptureFixture[str]
) -> None:
    """On the terminal and on the page, which said that no week was above its limit."""
    folder = tmp_path / "export"
    folder.mkdir()
    rows = "".join(
        f"T{week},W{week},TARN-TEAL,inspect,gull,{day:%Y-%m-%d}T08:00Z,{day:%Y-%m-%d}T09:00Z\n"
        for week, day in enumerate(pd.date_range("2025-01-08", periods=10, freq="7D"))
    )
    (folder / "tasks.csv").write_text(f"task_id,work_order,aircraft,action,station,started_at,finished_at\n{rows}")
    assert run(["trends", str(folder), "--out", str(tmp_path / "t"), *more]) is code
    assert f"nothing can stand out: {said}" in capsys.readouterr().out
    page = (tmp_path / "t" / "trends.html").read_text()
    assert f"Nothing can stand out: {said}" in page
    assert "no week above its limit" not in page


@pytest.mark.parametrize("days", ["2025-01-06", "2025-06-29/2025-01-06", "a/b"])
def test_days_that_are_none_are_refused(tmp_path: Path, days: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["trends", str(tmp_path), "--frozen", days, "--out", str(tmp_path / "t")]) is ExitCode.COULD_NOT_RUN
    assert days in capsys.readouterr().err
