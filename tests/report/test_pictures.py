"""Pictures: everything lies inside the frame, to scale, and is said in words as well."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pandas as pd
import pytest

from audit.findings.result import AuditResult
from audit.forms.margins import Margins
from audit.report.html import render
from audit.report.nearness import nearness
from audit.report.overview import MOST_BARS, MOST_STATIONS, WIDTH, station_weeks
from audit.report.pictures import BROAD, LANE, LETTER, LONGEST, NARROW, DrawnScene, DrawnUsage, Frame, Label, draw
from audit.scenes.values import Lane, Scene, Span, Stretch, Usage
from audit.timeline.instants import DAY, HOUR, MINUTE, instant

NOON = instant(pd.Timestamp("2025-11-03T12:00Z"))
HOSTILE = "</title><script>alert(1)</script>\u202e"
SCENE = Scene(
    "F000001",
    NOON - 2 * HOUR,
    NOON + 26 * HOUR,
    (
        Lane(
            "Work",
            (
                Span("treatment", NOON - HOUR, NOON - 50 * MINUTE, "Gull Black, coat 1", "T-1"),
                Span("treatment", NOON - 10 * MINUTE, NOON, "Gull Black, coat 2", "T-2", NOON + HOUR),
            ),
        ),
        Lane("Flights", (Span("flight", NOON + 6 * HOUR, NOON + 8 * HOUR, "flight", "V-1"),), 3),
        Lane("left wing", (Span("boot", NOON - 900 * DAY, NOON + 90 * DAY, "B-1, chloroprene"),)),
    ),
    Stretch(NOON, NOON + 24 * HOUR, "24 h to wait"),
    (NOON + 6 * HOUR, "takeoff"),
    Stretch(NOON + 6 * HOUR, NOON + 24 * HOUR, "18 h short"),
)
USAGE = Usage(
    "F000001",
    "left wing, boot B-1",
    NOON,
    NOON + 100 * DAY,
    ((NOON + 10 * DAY, 0.0), (NOON + 40 * DAY, 60.0), (NOON + 40 * DAY, 0.0), (NOON + 90 * DAY, 25.0)),
    (NOON + 40 * DAY,),
    ((NOON + 10 * DAY, "installed"),),
    ((NOON + 5 * DAY, NOON + 95 * DAY),),
    50.0,
    "flight hours",
    NOON + 35 * DAY,
    60.0,
)


def test_a_scene_is_to_scale() -> None:
    """Equal times are equal lengths; the wait begins at the last coat; what is missing ends where the wait ends."""
    drawn = draw(SCENE)
    assert isinstance(drawn, DrawnScene)
    assert drawn.wait is not None
    assert drawn.short is not None
    assert drawn.fault is not None
    coat, flight = drawn.lanes[0].bars[1], drawn.lanes[1].bars[0]
    assert drawn.wait.x == pytest.approx(coat.x + coat.width, abs=0.2)
    assert drawn.short.x + drawn.short.width == pytest.approx(drawn.wait.x + drawn.wait.width, abs=0.2)
    assert drawn.short.x == flight.x == drawn.fault.x
    assert flight.width / drawn.wait.width == pytest.approx(2 / 24, abs=0.002)
    assert coat.later == pytest.approx(drawn.wait.width / 24, abs=0.2)


@pytest.mark.parametrize("frame", [BROAD, NARROW], ids=["broad", "narrow"])
def test_what_is_at_fault_is_marked_where_it_happened(frame: Frame) -> None:
    """However little room its words have there."""
    drawn = draw(replace(SCENE, fault=(SCENE.start + (SCENE.end - SCENE.start) // 2, "takeoff " * 4)), frame)
    assert isinstance(drawn, DrawnScene)
    assert drawn.fault is not None
    assert drawn.fault.x == pytest.approx((frame.left + frame.right) / 2, abs=0.2)
    assert extent(drawn.fault)[0] >= 0
    assert extent(drawn.fault)[1] <= frame.width


def test_a_scene_says_what_it_shows() -> None:
    """Whoever can't see the picture is told the same: the wait, the fault, what is missing, and each thing."""
    says = draw(SCENE).says
    for said in (
        "From 2025-11-03 12:00 to 2025-11-04 12:00: 24 h to wait.",
        "The fault, 2025-11-03 18:00: takeoff.",
        "18 h short",
        "Gull Black, coat 1 (T-1)",
        "12:00 or 2025-11-03 13:00: the hour that came twice",
        "flight (V-1), 2025-11-03 18:00 to 2025-11-03 20:00; and 3 more",
        "left wing: B-1, chloroprene",
    ):
        assert said in says


@pytest.mark.parametrize("frame", [BROAD, NARROW], ids=["broad", "narrow"])
def test_labels_lie_inside_and_apart(frame: Frame) -> None:
    """However long its name, a label stays in the frame; of two that would meet one is left out."""
    crowded = tuple(
        Span("work", NOON + n * 2 * HOUR, NOON + n * 2 * HOUR + HOUR, f"a product with a long name {n}")
        for n in range(12)
    )
    drawn = draw(replace(SCENE, lanes=(Lane("Work", crowded), *SCENE.lanes[1:])), frame)
    assert isinstance(drawn, DrawnScene)
    for lane in drawn.lanes:
        spans = sorted(map(extent, lane.labels))
        assert all(left >= 0 and right <= frame.width for left, right in spans)
        assert all(one[1] <= other[0] + 7 for one, other in pairwise(spans))
    assert 0 < len(drawn.lanes[0].labels) < 12
    assert drawn.fault is not None
    for label in (*drawn.ticks, *drawn.days, drawn.fault):
        assert extent(label)[0] >= 0
        assert extent(label)[1] <= frame.width


@pytest.mark.parametrize("frame", [BROAD, NARROW], ids=["broad", "narrow"])
@pytest.mark.parametrize(("sign", "wide"), [("a", 1), ("北", 2), ("Ｗ", 2)])
def test_names_of_wide_letters_stay_before_their_lanes(sign: str, wide: int, frame: Frame) -> None:
    """A Japanese name takes twice the room of a Latin one of as many letters: it would run over what the lane shows."""
    drawn = draw(replace(SCENE, lanes=(Lane(sign * 60, ()), *SCENE.lanes[1:])), frame)
    room = LONGEST if frame.named else LANE
    assert isinstance(drawn, DrawnScene)
    assert drawn.lanes[0].name == sign * ((room - 1) // wide) + "…"
    assert draw(replace(SCENE, lanes=(Lane(sign * 8, ()),)), frame).lanes[0].name == sign * 8  # type: ignore[union-attr]


@pytest.mark.parametrize("frame", [BROAD, NARROW], ids=["broad", "narrow"])
def test_the_name_of_a_fault_is_cut_and_its_time_is_not(frame: Frame) -> None:
    """A name that is longer than the picture would run out of it, or take the time out of it."""
    assert SCENE.fault is not None
    drawn = draw(replace(SCENE, fault=(SCENE.fault[0], "name" * 100)), frame)
    assert isinstance(drawn, DrawnScene)
    assert drawn.fault is not None
    assert re.fullmatch(r"(name)+n?a?m?… \d{4}-\d\d-\d\d \d\d:\d\d", drawn.fault.text)
    assert extent(drawn.fault)[0] >= 0
    assert extent(drawn.fault)[1] <= frame.width


@pytest.mark.parametrize("over", [1, 30, 60, 89])
def test_the_words_of_a_saw_tooth_lie_inside_a_narrow_picture(over: int) -> None:
    """Wherever the limit was passed."""
    drawn = draw(replace(USAGE, over=USAGE.start + over * (USAGE.end - USAGE.start) // 90), NARROW)
    assert isinstance(drawn, DrawnUsage)
    for label in (drawn.over, *drawn.ticks, *drawn.swaps):
        assert extent(label)[0] >= 0
        assert extent(label)[1] <= NARROW.width


def extent(label: Label) -> tuple[float, float]:
    """Where a label begins and ends, roughly."""
    length = len(label.text) * LETTER
    x = label.x + label.shift
    left = {"start": x, "middle": x - length / 2, "end": x - length}[label.anchor]
    return left, left + length


def test_a_saw_tooth_is_to_scale() -> None:
    """60 of 50 hours rise above the limit, only that is hatched, and the treatment stands where it falls."""
    drawn = draw(USAGE)
    assert isinstance(drawn, DrawnUsage)
    points = [tuple(map(float, point.split(","))) for point in drawn.line.removeprefix("M").split("L")]
    base = points[0][1]
    assert (base - points[1][1]) / (base - drawn.limit_y) == pytest.approx(60 / 50, abs=0.01)
    assert points[1][0] == points[2][0] == drawn.treatments[0]
    hatched = [float(point.split(",")[1]) for point in drawn.excess.strip("MZ").split("L")]
    assert max(hatched) == drawn.limit_y
    assert min(hatched) == points[1][1]
    assert "The limit was passed on 2025-12-08 12:00; the most was 60." in drawn.says
    assert "Treated 2025-12-13 12:00." in drawn.says
    assert "Season: from 2025-11-08 until before 2026-02-06." in drawn.says


def test_pictures_stand_on_the_page_with_their_words(
    result_of: Callable[..., AuditResult], make_finding: Callable[..., dict[str, Any]]
) -> None:
    """Each picture names its finding, is an image with a text, and says how many matters are drawn."""
    source = render(result_of([make_finding(1), make_finding(2)], stories=(SCENE,)))
    assert 'id="picture-F000001"' in source
    assert "1 of 2 matters are drawn" in re.sub(r"\s+", " ", source)
    assert source.count('role="img"') == 3  # it is there broad and narrow, beside the overview
    assert "18 h short" in source


def test_hostile_names_stay_text(
    result_of: Callable[..., AuditResult], make_finding: Callable[..., dict[str, Any]]
) -> None:
    """Markup in the name of a product, a boot or a station can't leave the picture."""
    hostile = replace(SCENE, lanes=(Lane(HOSTILE, (Span("work", NOON, NOON + HOUR, HOSTILE, HOSTILE),)),))
    usage = replace(USAGE, boot=HOSTILE, unit=HOSTILE, finding_id="F000002")
    source = render(result_of([make_finding(1, station=HOSTILE), make_finding(2)], stories=(hostile, usage)))
    assert "<script>alert" not in source
    assert "\u202e" not in source


def findings(rows: list[tuple[str, str, str]]) -> pd.DataFrame:
    """Findings of (station, level, time)."""
    frame = pd.DataFrame(rows, columns=["station", "level", "at"])
    return frame.assign(at=pd.to_datetime(frame["at"], utc=True).astype("datetime64[us, UTC]"))


def test_findings_are_counted_by_station_and_week() -> None:
    """Monday 00:00 UTC begins a week; levels stand on each other; heights are in proportion to numbers."""
    overview = station_weeks(
        findings(
            [
                ("Gullmouth", "1", "2025-11-09T23:59:59Z"),
                ("Gullmouth", "2", "2025-11-10T00:00:00Z"),
                ("Gullmouth", "2", "2025-11-10T00:00:00Z"),
                ("Gullmouth", "observation", "2025-11-16T00:00:00Z"),
                ("", "2", "2025-11-16T00:00:00Z"),
            ]
        )
    )
    assert overview is not None
    assert [(row.name, row.total) for row in overview.rows] == [("Gullmouth", 4), ("no station recorded", 1)]
    one, two, three = overview.rows[0].bars
    assert "Gullmouth, from 2025-11-03: 1 level 1" in one.says
    assert "Gullmouth, from 2025-11-10: 2 level 2" in two.says
    assert two.height == pytest.approx(2 * one.height, abs=0.2)
    assert three.y + three.height == pytest.approx(two.y, abs=0.2)
    assert overview.rows[0].says == "4 findings, most of them (3) from 2025-11-10"


def test_many_stations_and_years_stay_readable() -> None:
    """The last row holds the stations that have none of their own; a bar stands for weeks enough to fit."""
    rows = [(f"S{n:02d}", "2", f"20{n:02d}-01-01T00:00Z") for n in range(15, 15 + MOST_STATIONS + 5)]
    overview = station_weeks(findings(rows))
    assert overview is not None
    assert [row.name for row in overview.rows][-1] == "5 more stations"
    assert sum(row.total for row in overview.rows) == len(rows)
    assert overview.weeks > 1
    assert overview.weeks * MOST_BARS * 7 >= 14 * 365
    assert all(bar.x + bar.width <= WIDTH for row in overview.rows for bar in row.bars)


def test_findings_without_a_time_are_counted_beside() -> None:
    """What has no time can't be drawn, and is not forgotten; without any time there is no picture."""
    undated = findings([("A", "2", "2025-11-10T00:00Z"), ("A", "2", "")])
    overview = station_weeks(undated)
    assert overview is not None
    assert (overview.rows[0].total, overview.undated) == (1, 1)
    assert station_weeks(undated.tail(1)) is None


def test_near_misses_are_drawn_and_told(result_of: Callable[..., AuditResult]) -> None:
    """The bin beside the limit stands out on the side that complies; numbers are exact in words, short above a bar."""
    least = Margins("least", "24 h", (0,) * 9 + (2, 1_234) + (0,) * 8 + (9,), 50_000)
    most = Margins("most", "50 flight hours", (7,) + (0,) * 8 + (3, 1) + (0,) * 9, 0)
    result = result_of(margins={"flight-before-cure": (least,), "ice-adhesion-treatment-overdue": (most,)})
    one, other = nearness(result.rules, result.margins)
    assert [(column.kind, column.short) for column in one.columns] == [("broken", "2"), ("near", "1.2k"), ("kept", "9")]
    assert [(column.kind, column.number) for column in other.columns] == [("kept", 7), ("near", 3), ("broken", 1)]
    assert "51,245 measured, 2 broke it, 1,234 came within 10 % of the limit." in one.says
    assert "above 90 % to 100 %" in other.says
    source = re.sub(r"\s+", " ", render(result))
    assert "at least 24 h: of 51,245 measured, 2 broke it and <b>1,234 came within 10 % of the limit</b>." in source
    assert "50,000 longer or never" in source


def test_a_limit_that_nothing_was_measured_against_is_not_drawn(result_of: Callable[..., AuditResult]) -> None:
    """An idle rule has no bars; the coverage says that it is idle."""
    empty = Margins("least", "24 h", (0,) * 20, 0)
    assert nearness(result_of().rules, {"flight-before-cure": (empty,)}) == []
