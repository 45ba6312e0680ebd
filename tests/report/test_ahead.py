"""What the report says of what comes next and of where it drifts."""

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from audit.due.listing import DUE_COLUMNS
from audit.findings.result import ALL, DueList, Frozen, Signal, Trend, Trends
from audit.report.ahead import MOST_LINES, ahead, drift
from audit.report.html import render
from tests.report.conftest import HOSTILE, make_result
from tests.trends.charted import count_chart

AS_OF = pd.Timestamp("2026-01-20T06:00Z")
TIMES = ("since", "due", "earliest", "likely", "latest")


def row(**values: Any) -> dict[str, Any]:
    texts = dict.fromkeys(DUE_COLUMNS, "") | dict.fromkeys(TIMES, pd.NaT) | {"used": np.nan, "limit": np.nan}
    return texts | {"rule": "flight-before-cure", "aircraft": "TARN-TEAL"} | values


def coming(*listed: dict[str, Any], later: int = 0) -> DueList:
    frame = pd.DataFrame(list(listed), columns=list(DUE_COLUMNS))
    for name in TIMES:
        frame[name] = pd.to_datetime(frame[name], utc=True)
    return DueList("night", AS_OF, timedelta(days=30), frame, later, (), {"Gullspool": "Europe/Berlin"})


HOLD = row(kind="hold", what="no takeoff", station="Gullspool", due="2026-01-20T12:20Z", position="fin")
OVERDUE = row(
    kind="treatment", what="next treatment", used=52.0, limit=50.0, unit="flight hours", due="2026-01-18T00:00Z"
)
SOON = row(
    kind="treatment", what="next treatment", used=40.0, limit=50.0, unit="flight hours", likely="2026-02-01T00:00Z"
)
UNKNOWN = row(kind="treatment", what="next treatment", used=4.0, limit=50.0, unit="flight hours", note="not known")
LOT = row(
    kind="lot", rule="", what="shelf life of the lot ends", name="Black, L1", aircraft="", due="2026-02-01T00:00Z"
)


def test_what_comes_is_told_apart_and_counted() -> None:
    told = ahead(make_result(coming=coming(HOLD, OVERDUE, SOON, LOT, UNKNOWN, later=7)))
    assert told is not None
    assert [(group.title, group.rows) for group in told.groups] == [
        ("Must not happen yet", 1),
        ("Overdue", 1),
        ("Falls due within 30 days", 2),
        ("Date not known", 1),
    ]
    assert told.groups[0].lines[0].when == "not before 2026-01-20 13:20 local, 2026-01-20 12:20 UTC"
    assert told.later == 7


def test_the_page_says_who_releases_an_aircraft_and_what_it_leaves_out() -> None:
    many = [HOLD | {"aircraft": f"TARN-{number}"} for number in range(MOST_LINES + 1)]
    page = render(make_result(coming=coming(*many, SOON | {"note": HOSTILE})))
    assert "only licensed staff release an aircraft" in page
    assert f"Must not happen yet: {MOST_LINES + 1}" in page
    assert f"{MOST_LINES} of {MOST_LINES + 1} lines stand here" in page
    assert "<script>alert" not in page


def test_nothing_is_said_where_nobody_looked_ahead() -> None:
    assert ahead(make_result()) is None
    assert drift(make_result()) is None
    page = render(make_result())
    assert "What comes next" not in page
    assert "Where it drifts" not in page


def test_nothing_that_comes_is_said() -> None:
    assert "Nothing runs, and nothing falls due." in render(make_result(coming=coming()))


def trends(signal: bool) -> Trends:
    weeks = tuple(date(2025, 1, 6) + timedelta(weeks=number) for number in range(20))
    frozen = np.arange(20) < 10
    checks, findings = np.full(20, 10.0), np.zeros(20)
    base = Frozen(weeks[0], weeks[9] + timedelta(days=6))
    chart = count_chart(findings, checks, frozen)
    every = Trend("lot-expired", ALL, weeks, checks, findings, np.full(20, np.nan), frozen, base, None, chart, None)
    told = (Signal("lot-expired", ALL, weeks[15], f"5 findings in 10 checks {HOSTILE}"),) if signal else ()
    return Trends(base, (every,), told)


def test_a_signal_is_told_and_drawn() -> None:
    page = render(make_result(trends=trends(signal=True)))
    assert "<b>Product from a lot past its date, all stations.</b> 5 findings in 10 checks" in page
    assert page.count('class="drawing trend"') == 1
    assert "<script>alert" not in page


def test_that_nothing_can_stand_out_is_said() -> None:
    """Without limits no week is above one: that is no good news."""
    steady = trends(signal=False)
    without = replace(steady, every=(replace(steady.every[0], counts=None),))
    page = render(make_result(trends=without))
    assert "Nothing can stand out: no chart has limits" in page
    assert "Nothing stands out" not in page


def test_no_signal_is_said() -> None:
    page = render(make_result(trends=trends(signal=False)))
    assert "Nothing stands out" in page
    assert 'class="drawing trend"' not in page
