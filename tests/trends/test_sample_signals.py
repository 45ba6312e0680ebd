"""The signals of the sample records, against tables worked out by hand from the rows of its CSV files.

As of 2026-05-31T14:53Z, the last landing; the records begin on 2025-06-01, so that the weeks from Monday 2025-06-02 to
Sunday 2025-11-30 set the limits.
"""

from collections import defaultdict
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import pytest

from audit.forms.judging import judge_by_week
from audit.pipeline import Audited
from audit.trends.signals import half_of, trends
from tests.sample_by_hand import FOLDER, monday, rows, utc, work

LATEST = datetime(2026, 6, 1, tzinfo=UTC)
FROZEN = (date(2025, 6, 2), date(2025, 11, 24))
"""The Mondays of the first and the last week that set the limits."""

SIGNALS = {
    ("product-before-cure", "all stations", date(2026, 3, 30)): (
        "Work comes closer to the limit: the weighted mean margin was 60 % of the limit in the week from 2026-03-30; "
        "141 % in 2025-06-01 to 2025-11-30, lowest expected 71 %."
    ),
    ("lot-unknown", "all stations", date(2026, 1, 26)): (
        "2 findings in 10 checks in the week from 2026-01-26; 0 findings in 414 checks in 2025-06-01 to 2025-11-30."
    ),
}
"""Every signal there is. Each is worked out below."""

MARGINS = {
    date(2025, 6, 2): (14, 0.0208),  # gloss 24 h 30 min after the last coat: 0.5 / 24
    date(2025, 6, 9): (40, 0.0208),
    date(2025, 6, 16): (1, 2.0),  # nothing else within the time: as far as counts
    date(2025, 6, 23): (1, 2.0),
    date(2025, 7, 7): (8, 2.0),
    date(2025, 7, 14): (3, 2.0),
    date(2025, 7, 21): (2, -0.3708),  # 6 h 36 min and 23 h 36 min: (-17.4 - 0.4) / 48
    date(2025, 8, 4): (1, 2.0),
    date(2025, 8, 11): (6, 1.0417),
    date(2025, 8, 18): (8, 2.0),
    date(2025, 8, 25): (1, 2.0),
    date(2025, 9, 1): (2, 2.0),
    date(2025, 9, 8): (4, 2.0),
    date(2025, 9, 15): (1, 2.0),
    date(2025, 9, 22): (3, 1.3264),
    date(2025, 10, 20): (1, 0.0),  # exactly 24 h
    date(2025, 10, 27): (1, 2.0),
    date(2026, 1, 19): (1, -0.1583),  # 20 h 12 min
    date(2026, 3, 23): (1, -0.0417),  # 23 h
    date(2026, 3, 30): (1, -0.625),  # 9 h
    date(2026, 5, 4): (1, 2.0),
    date(2026, 5, 11): (4, 1.3411),  # 8 h 45 min, where the boot went to, and three times none: (-0.6354 + 6.0) / 4
    date(2026, 5, 18): (2, 2.0),
    date(2026, 5, 25): (1, 2.0),
}
"""Cures of rubber preservative by week: how many could be judged, and by how much of the 24 hours the next product on
the boot came later, on average."""


def test_the_signals(sample_audit: Audited) -> None:
    timeline = sample_audit.timeline
    counted = {rule.id: judge_by_week(rule, timeline)[1] for rule in sample_audit.result.rules}
    found = trends(counted, timeline, half_of(timeline)).signals
    assert {(signal.rule, signal.station, signal.since): signal.sentence for signal in found} == SIGNALS


def test_the_counts_of_lots() -> None:
    """The week from 2026-01-26 has 2 of 10, the weeks before 0 of 414: by chance both of two would fall among 10 of 424
    in one of 1,798 cases; limits are drawn at one in 741."""
    known, lots = {row["product"] for row in rows("products")}, {(row["lot"], row["product"]) for row in rows("lots")}
    checks, found = defaultdict[date, int](int), defaultdict[date, int](int)
    for row in work(LATEST):
        if row["product"] in known and row["action"] in ("clean", "prepare", "apply", "repair"):
            checks[monday(row["began"])] += 1
            found[monday(row["began"])] += (row["lot"], row["product"]) not in lots
    week = date(2026, 1, 26)
    assert (found[week], checks[week]) == (2, 10)
    frozen = [each for each in checks if FROZEN[0] <= each <= FROZEN[1]]
    assert (sum(found[each] for each in frozen), sum(checks[each] for each in frozen)) == (0, 414)
    assert round(1 / (10 / 424) ** 2) == 1798
    assert (10 / 424) ** 2 < 0.00135 < 1 / 740


def test_the_margins_of_cures() -> None:
    """Each coated position of a work order; left out are those that the planting code knows to be unjudged."""
    with (FOLDER.parent / "expected_outcomes.csv").open(encoding="utf-8") as file:
        unjudged = {tuple(line.split(",")[1:4]) for line in file if line.startswith("product-before-cure,")}
    fitted = defaultdict[str, set[str]](set)
    stays = [
        (boot, utc(boot["installed_at"]), utc(boot["removed_at"]) if boot["removed_at"] else LATEST)
        for boot in rows("components")
    ]
    for boot, *_ in stays:
        fitted[boot["aircraft"]].add(boot["position"])
    coats = defaultdict[tuple[str, str, str], list[tuple[datetime, datetime]]](list)
    others = defaultdict[tuple[str, str], list[datetime]](list)
    for row in work(LATEST):
        if not row["product"] or row["action"] not in ("apply", "clean", "prepare"):
            continue
        for place in fitted[row["aircraft"]] if "all" in row["places"] else row["places"]:
            if row["product"] == "Tarn Black" and row["action"] == "apply":
                coats[row["aircraft"], place, row["work_order"]].append((row["began"], row["ended"]))
            elif row["product"] != "Tarn Black":
                others[row["aircraft"], place].append(row["began"])
    weeks = defaultdict[date, list[float]](list)
    for (aircraft, place, order), of_session in coats.items():
        if (aircraft, place, order) in unjudged:
            continue
        began, ended = max(of_session)
        serials = {
            boot["component_serial"]
            for boot, on, off in stays
            if (boot["aircraft"], boot["position"]) == (aircraft, place) and on <= began < off
        }
        # A boot that comes off takes its cure along to wherever it goes.
        later = [
            (other - ended) / timedelta(hours=24)
            for boot, on, off in stays
            if boot["component_serial"] in serials
            for other in others[boot["aircraft"], boot["position"]]
            if max(on, ended) <= other < off
        ]
        # Products are looked for over a tenth more than the time itself.
        weeks[monday(began)].append(min(later) - 1 if later and min(later) <= 1.1 else 2.0)
    found = {week: (len(margins), sum(margins) / len(margins)) for week, margins in weeks.items()}
    assert {week: number for week, (number, _) in found.items()} == {week: each[0] for week, each in MARGINS.items()}
    for week, (_, margin) in MARGINS.items():
        assert found[week][1] == pytest.approx(margin, abs=6e-5), week


def test_the_weighted_mean_of_margins() -> None:
    """Mean and moving ranges of the frozen weeks, a fifth of each new one: 60 %, where 71 % is the lowest."""
    frozen = [margin for week, (_, margin) in MARGINS.items() if FROZEN[0] <= week <= FROZEN[1]]
    centre = sum(frozen) / len(frozen)
    ranges = [abs(later - before) for before, later in pairwise(frozen)]
    deviation = sum(ranges) / len(ranges) / 1.128
    lowest = centre - 3 * deviation * (0.2 / 1.8) ** 0.5
    mean, below = centre, []
    for week, (_, margin) in MARGINS.items():
        mean = 0.2 * margin + 0.8 * mean
        if mean < lowest and week > FROZEN[1]:
            below.append((week, round(100 * mean)))
    assert below[-1] == (date(2026, 3, 30), 60)
    assert (round(100 * centre), round(100 * lowest)) == (141, 71)
