"""Margins: near misses counted exactly, on the right side of every edge."""

from __future__ import annotations

from fractions import Fraction
from math import ceil, floor
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.forms.margins import LIMIT, margins, tenths
from audit.pipeline import Audited
from tests.forms.rules import outcomes, rule

PRESERVE = {"action": {"is": "apply"}, "product_class": {"is": "rubber-preservative"}}
SMALL = st.integers(min_value=1, max_value=10**6)


@given(st.integers(min_value=0, max_value=50 * 10**6), SMALL)
def test_bins_agree_with_fractions(measured: int, limit: int) -> None:
    """A least limit's bins hold their lower edge, a most limit's their upper one; far beyond, all is one."""
    share = Fraction(measured, limit) * LIMIT
    [least] = tenths("least", np.array([measured]), limit).tolist()
    [most] = tenths("most", np.array([measured]), limit).tolist()
    if share < 100 * LIMIT:
        assert least == floor(share)
        assert most == max(ceil(share) - 1, 0)
    assert (least < LIMIT) == (measured < limit)
    assert (most >= LIMIT) == (measured > limit)


def test_nothing_allowed_is_exceeded() -> None:
    """Where an overrun has used up the next interval, whatever passed was too much."""
    counted = margins("most", "50 flight hours", tenths("most", np.array([3, 60]), np.array([0, 50])))
    assert (counted.broken, counted.beyond, counted.total) == (2, 1, 2)


def days(*hours: float) -> list[dict[str, Any]]:
    """Sessions a month apart, each with what follows it so many hours after its end."""
    return [
        {
            "product": "rubber-preservative",
            "work_order": f"W{n}",
            "started_at": f"2025-{n + 1:02d}-02T09:00:00Z",
            "finished_at": f"2025-{n + 1:02d}-02T10:00:00Z",
        }
        for n, _ in enumerate(hours)
    ]


def later(month: int, hours: float) -> str:
    """A time so many hours after the session of that month."""
    return str(np.datetime64(f"2025-{month:02d}-02T10:00:00") + np.timedelta64(round(hours * 3600), "s")) + "Z"


def test_takeoffs_after_a_session() -> None:
    """5 h broke it, exactly 24 h and 26 h came near, 30 h kept it, and one that never flew again is beyond."""
    hours = (5.0, 24.0, 26.0, 30.0, 0.0)
    flights = [
        {"takeoff_at": later(n, wait), "landing_at": later(n, wait + 0.1)} for n, wait in enumerate(hours[:4], 1)
    ]
    data = rule("hold", scope=PRESERVE, forbid={"event": "takeoff"}, **{"for": "PT24H"})
    found = outcomes(data, later(6, 30.0), tasks=days(*hours), flights=flights)
    [counted] = found.margins
    assert (counted.kind, counted.limit) == ("least", "24 h")
    assert counted.counts[floor(50 / 24)] == 1
    assert (counted.broken, counted.near, counted.total) == (1, 2, 5)
    assert counted.counts[12] == 1
    assert counted.broken == found.findings


def test_ambiguous_times_leave_what_was_measured_alone() -> None:
    """A coat that began when the clock went back has its hold judged in both readings, and measured once."""
    stations = [{"station": "S1", "timezone": "Europe/Berlin"}]
    night = {
        "product": "rubber-preservative",
        "started_at": "2025-10-26T02:10:00",
        "finished_at": "2025-10-26T02:50:00",
    }
    flights = [{"takeoff_at": at} for at in ("2025-10-27T12:00:00Z", "2025-10-30T12:00:00Z")]
    data = rule("hold", scope=PRESERVE, forbid={"event": "takeoff"}, **{"for": "PT24H"})
    found = outcomes(data, "2025-11-30T12:00:00Z", tasks=[night], flights=flights, stations=stations)
    assert (found.complies, [counted.total for counted in found.margins]) == (1, [1])


def test_treatments_after_a_session() -> None:
    """Another product is looked for a tenth of the time beyond the hold: what came later is only known to be later."""
    hours = (5.0, 24.0, 26.0, 27.0)
    others = [
        {"product": "cleaner", "work_order": f"X{n}", "started_at": later(n, wait), "finished_at": later(n, wait + 0.1)}
        for n, wait in enumerate(hours, 1)
    ]
    where = {"action": {"is": "apply"}, "product_class": {"is": "cleaner"}}
    data = rule("hold", scope=PRESERVE, forbid={"event": "treatment", "where": where}, **{"for": "PT24H"})
    [counted] = outcomes(data, tasks=days(*hours) + others).margins
    assert (counted.broken, counted.near, counted.beyond) == (1, 2, 1)
    assert len(counted.counts) == LIMIT + 1


def test_a_boot_that_was_taken_off_did_not_fly() -> None:
    """The boot went into the workshop after 3 h and the aircraft flew after 5: the boot itself never flew again."""
    data = rule("hold", scope=PRESERVE, forbid={"event": "takeoff"}, **{"for": "PT24H"})
    found = outcomes(
        data,
        tasks=days(5.0),
        flights=[{"takeoff_at": later(1, 5)}],
        components=[{"removed_at": later(1, 3)}, {"component_serial": "C2", "installed_at": later(1, 3)}],
    )
    assert (found.complies, found.margins[0].beyond) == (1, 1)


def test_pauses_have_two_limits() -> None:
    """Each pause is held against both: 5 min is just enough, 61 min too long, 60 min just not."""
    minutes = (0, 15, 86, 156)
    tasks = [
        {
            "product": "rubber-preservative",
            "coat": coat,
            "started_at": f"2025-06-02T{9 + start // 60:02d}:{start % 60:02d}:00Z",
            "finished_at": f"2025-06-02T{9 + (start + 10) // 60:02d}:{(start + 10) % 60:02d}:00Z",
        }
        for coat, start in enumerate(minutes, 1)
    ]
    data = rule("spacing", scope=PRESERVE, pause={"at_least": "PT5M", "at_most": "PT1H"})
    least, most = outcomes(data, tasks=tasks).margins
    assert (least.limit, least.broken, least.near, least.beyond) == ("5 min", 0, 1, 2)
    assert (most.limit, most.broken, most.near) == ("60 min", 1, 1)


@pytest.mark.parametrize("of", ["flight-before-cure", "product-before-cure", "ice-adhesion-treatment-overdue"])
def test_what_broke_the_limit_is_what_was_found(of: str, sample_audit: Audited) -> None:
    """Over a year of records the bins beyond the limit hold as many as there are findings, but for those of entries as
    they were first made: what was measured is as corrected."""
    result = sample_audit.result
    [counted] = result.margins[of]
    first_made = result.findings["corrected_by"].isin(sample_audit.timeline.tables["corrections"]["correction_id"])
    assert counted.broken == int(((result.findings["rule"] == of) & ~first_made).sum())
    assert counted.near > 0
