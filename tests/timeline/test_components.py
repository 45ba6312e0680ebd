"""Where a boot was, and when, against plain loops over its stays."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, permutations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.intake.reading import read_rows
from audit.timeline.components import NONE_KNOWN, NOT_CLEAR, TWO_RECORDED, Components, build_components, told_again
from audit.timeline.instants import FOREVER, HOUR, NEVER, Ints, instant
from audit.timeline.timeline import build_timeline
from tests.timeline.rows import task

PLACES, SERIALS, HOURS = 3, 3, 8
NO_ROWS = np.empty(0, np.int64)
NOTHING_UNCLEAR: list[tuple[int, int, int]] = []


@dataclass(frozen=True)
class Stay:
    """A boot at a place from one hour to another; None where it is still there."""

    boot: int
    place: int
    since: int
    until: int | None

    def lasts(self, at: int) -> bool:
        """Whether the boot is there at an hour."""
        return self.since <= at < (FOREVER if self.until is None else self.until)


SPANS = [(since, until) for since in range(HOURS) for until in (*range(since + 1, HOURS + 1), None)]
STAYS = st.lists(
    st.builds(
        lambda boot, place, span: Stay(boot, place, *span),
        st.integers(0, SERIALS - 1),
        st.integers(0, PLACES - 1),
        st.sampled_from(SPANS),
    ),
    max_size=7,
)
UNCLEAR = st.lists(
    st.tuples(st.integers(0, PLACES - 1), st.sampled_from([*SPANS, (None, 1), (None, 4), (None, None)])).map(
        lambda one: (one[0], *one[1])
    ),
    max_size=3,
)
"""Stretches (place, from, to), by the hour, open at either end."""
few = settings(max_examples=40)


def history(
    stays: list[Stay],
    unclear: list[tuple[int, int, int]] = NOTHING_UNCLEAR,
    day_alone: dict[str, Ints] | None = None,
) -> Components:
    """The history of these stays; `unclear` as it is in Components."""
    times = {
        "installed_at": [stay.since * HOUR for stay in stays],
        "removed_at": [NEVER if stay.until is None else stay.until * HOUR for stay in stays],
    }
    frame = pd.DataFrame({name: np.array(column, np.int64).view("M8[us]") for name, column in times.items()})
    serials = pd.Categorical([f"B{stay.boot}" for stay in stays], [f"B{number}" for number in range(SERIALS)])
    return build_components(
        frame.assign(component_serial=serials),
        np.array([stay.place for stay in stays], np.int64),
        pd.DataFrame(unclear, columns=["place", "start", "end"], dtype="int64"),
        NO_ROWS,
        day_alone or {},
    )


def instants_of(unclear: list[tuple[int, int | None, int | None]]) -> list[tuple[int, int, int]]:
    return [
        (place, NEVER if since is None else since * HOUR, FOREVER if until is None else until * HOUR)
        for place, since, until in unclear
    ]


ASKED = [(place, at) for place in range(PLACES) for at in range(-1, HOURS + 2)]
AT_PLACES = np.array([place for place, _ in ASKED])
AT_HOURS = np.array([at for _, at in ASKED]) * HOUR


@few
@given(STAYS, UNCLEAR)
def test_the_boot_at_a_place(stays: list[Stay], unclear: list[tuple[int, int | None, int | None]]) -> None:
    """The one whose stay lasts, its first moment included and its last not; where several do, or it is unclear,
    nobody knows."""

    def expected(place: int, at: int) -> int:
        if any(
            where == place and (since is None or since <= at) and (until is None or at < until)
            for where, since, until in unclear
        ):
            return NOT_CLEAR
        there = [row for row, stay in enumerate(stays) if stay.place == place and stay.lasts(at)]
        return {0: NONE_KNOWN, 1: there[0] if there else 0}.get(len(there), TWO_RECORDED)

    found = history(stays, instants_of(unclear)).at(AT_PLACES, AT_HOURS)
    assert found.tolist() == [expected(place, at) for place, at in ASKED]


@few
@given(STAYS, UNCLEAR)
def test_the_next_change_at_a_place(stays: list[Stay], unclear: list[tuple[int, int | None, int | None]]) -> None:
    """The next installation after an instant, or removal from it on, or the instant itself where from then on it is
    unclear; what is unclear at all times tells of no change."""

    def expected(place: int, at: int) -> int:
        changes = [
            hour * HOUR
            for stay in stays
            if stay.place == place
            for hour, first in ((stay.since, at + 1), (stay.until, at))
            if hour is not None and hour >= first
        ]
        changes += [
            max(since, at) * HOUR
            for where, since, until in unclear
            if where == place and since is not None and (until is None or at < until)
        ]
        return min(changes, default=FOREVER)

    found = history(stays, instants_of(unclear)).next_change(AT_PLACES, AT_HOURS)
    assert found.tolist() == [expected(place, at) for place, at in ASKED]


def overlapping(one: Stay, other: Stay) -> bool:
    return any(one.lasts(at) and other.lasts(at) for at in range(HOURS + 1))


@few
@given(STAYS)
def test_a_boot_recorded_at_two_places_at_once(stays: list[Stay]) -> None:
    """Both stays are told, of no other boot; from when on they overlap it isn't known where the boot was."""
    since = dict.fromkeys(range(len(stays)), HOURS + 1)
    for one, other in permutations(range(len(stays)), 2):
        if stays[one].boot == stays[other].boot and overlapping(stays[one], stays[other]):
            since[one] = min(since[one], max(stays[one].since, stays[other].since))
    found = history(stays)
    assert set(np.flatnonzero(found.twice).tolist()) == {row for row, at in since.items() if at <= HOURS}
    asked = np.array([*range(len(stays)), NONE_KNOWN, TWO_RECORDED, NOT_CLEAR])
    for at in range(HOURS + 1):
        expected = [NONE_KNOWN if since[row] <= at else stay.boot for row, stay in enumerate(stays)]
        assert found.boot_of(asked, at * HOUR).tolist() == [*expected, NONE_KNOWN, TWO_RECORDED, NOT_CLEAR]
    expected = [NONE_KNOWN if since[row] <= HOURS else stay.boot for row, stay in enumerate(stays)]
    assert found.boot_of(asked).tolist() == [*expected, NONE_KNOWN, TWO_RECORDED, NOT_CLEAR]
    assert found.boots == SERIALS


@few
@given(STAYS)
def test_two_stays_that_overlap(stays: list[Stay]) -> None:
    """One that begins as the other ends does not."""
    pairs = list(combinations(range(len(stays)), 2))
    one, other = (np.array([pair[side] for pair in pairs], np.int64) for side in (0, 1))
    expected = [overlapping(stays[a], stays[b]) for a, b in pairs]
    line = history(stays)
    assert line.surely_together(one, other).tolist() == expected
    assert line.surely_together(other, one).tolist() == expected


@few
@given(STAYS)
def test_the_stays_of_a_boot_from_an_instant_on(stays: list[Stay]) -> None:
    """From the first on that has not ended, whatever was recorded of the boot since."""
    asked = [(boot, at) for boot in range(SERIALS) for at in range(-1, HOURS + 2)]
    line = history(stays)
    first, end = line.stays_from(np.array([boot for boot, _ in asked]), np.array([at for _, at in asked]) * HOUR)
    for (boot, at), begin, stop in zip(asked, first.tolist(), end.tolist(), strict=True):
        rows = sorted(
            (row for row, stay in enumerate(stays) if stay.boot == boot), key=lambda row: (stays[row].since, row)
        )
        ended = [stays[row].until is not None and stays[row].until <= at for row in rows]
        assert line.by_boot.row[begin:stop].tolist() == rows[[*ended, False].index(False) :]


# Days without a time


OF_DAY_10 = 240
"""The midnight, in hours, that stands for a day alone."""


def both(removed: int, installed: int, day_removed: bool, day_installed: bool) -> bool:
    """Whether two boots at one place were surely on together: the first came off, and the second was put on."""
    days = {"removed_at": NO_ROWS, "installed_at": NO_ROWS}
    days |= {"removed_at": np.array([0])} if day_removed else {}
    days |= {"installed_at": np.array([1])} if day_installed else {}
    line = history([Stay(0, 0, 0, removed), Stay(1, 0, installed, None)], day_alone=days)
    (found,) = line.surely_together(np.array([0]), np.array([1])).tolist()
    assert line.surely_together(np.array([1]), np.array([0])).tolist() == [found]
    return bool(found)


@pytest.mark.parametrize(
    ("removed", "installed", "expected"),
    [
        pytest.param((OF_DAY_10, True), (OF_DAY_10, True), False, id="on-one-day"),
        pytest.param((OF_DAY_10 + 24, True), (OF_DAY_10, True), True, id="a-day-before-by-one-clock"),
        # The day of whatever clock has begun 14 h before that of UTC.
        pytest.param((OF_DAY_10, True), (OF_DAY_10 - 14, False), False, id="as-the-day-of-removal-may-begin"),
        pytest.param((OF_DAY_10, True), (OF_DAY_10 - 15, False), True, id="before-the-day-of-removal"),
        # It ends 12 h after that of UTC.
        pytest.param((OF_DAY_10 + 36, False), (OF_DAY_10, True), False, id="as-the-day-of-installation-may-end"),
        pytest.param((OF_DAY_10 + 37, False), (OF_DAY_10, True), True, id="after-the-day-of-installation"),
        pytest.param((OF_DAY_10, False), (OF_DAY_10, False), False, id="at-one-instant"),
        pytest.param((OF_DAY_10 + 1, False), (OF_DAY_10, False), True, id="an-hour-before"),
    ],
)
def test_stays_that_surely_overlap_whenever_a_day_was(
    removed: tuple[int, bool], installed: tuple[int, bool], expected: bool
) -> None:
    """A day written without a time is compared with another day as it is written, and with a time by no clock."""
    assert both(removed[0], installed[0], removed[1], installed[1]) is expected


@pytest.mark.parametrize(
    ("column", "surely", "perhaps"),
    [
        pytest.param("installed_at", (276, 480), (226, 480), id="installed"),
        pytest.param("removed_at", (240, 466), (240, 516), id="removed"),
    ],
)
def test_the_time_that_a_stay_surely_or_perhaps_lasted(
    column: str, surely: tuple[int, int], perhaps: tuple[int, int]
) -> None:
    """With a day alone less is sure, and more may be; of other rows both are what was recorded."""
    stays = [Stay(0, 0, OF_DAY_10, OF_DAY_10 + 240), Stay(0, 1, OF_DAY_10, OF_DAY_10 + 240)]
    line = history(stays, day_alone={column: np.array([1])})
    for side in (0, 1):
        recorded = (OF_DAY_10, OF_DAY_10 + 240)[side] * HOUR
        assert line.surely[side].tolist() == [recorded, surely[side] * HOUR]
        assert line.perhaps[side].tolist() == [recorded, perhaps[side] * HOUR]
    assert (line.installed.tolist(), line.removed.tolist()) == ([240 * HOUR] * 2, [480 * HOUR] * 2)


@pytest.mark.parametrize(
    ("installed", "expected"),
    [
        pytest.param(OF_DAY_10, False, id="on-that-day"),
        pytest.param(OF_DAY_10 - 14, False, id="as-that-day-may-begin"),
        pytest.param(OF_DAY_10 - 15, True, id="the-day-before"),
    ],
)
def test_a_boot_moved_on_the_day_it_came_off_is_at_one_place_at_a_time(installed: int, expected: bool) -> None:
    """Two places at once are only those of which both stays surely lasted."""
    stays = [Stay(0, 0, 0, OF_DAY_10), Stay(0, 1, installed, None)]
    assert history(stays, day_alone={"removed_at": np.array([0])}).twice.tolist() == [expected] * 2


@pytest.mark.parametrize(
    ("after", "expected"),
    [
        pytest.param(OF_DAY_10 - 1, [0], id="the-day-before"),
        pytest.param(OF_DAY_10 + 35, [0], id="as-the-day-may-end"),
        pytest.param(OF_DAY_10 + 36, [], id="after-that-day"),
    ],
)
def test_a_stay_may_last_to_the_end_of_its_last_day(after: int, expected: list[int]) -> None:
    """By whatever clock that day was written."""
    line = history([Stay(0, 0, 0, OF_DAY_10)], day_alone={"removed_at": np.array([0])})
    first, end = line.stays_from(np.array([0]), np.array([after * HOUR]))
    assert list(range(int(first[0]), int(end[0]))) == expected


# One boot listed twice at one place


TWICE = {"component_serial": "C1", "aircraft": "A1", "position": "fin", "material": "chloroprene", "finish": "black"}


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        pytest.param({}, {}, "2024-03-01", id="both-still-on"),
        pytest.param({"removed_at": "2025-01-01"}, {"removed_at": "2025-01-01"}, "2024-03-01", id="off-at-one-time"),
        pytest.param({"removed_at": "2025-01-01"}, {}, None, id="one-off"),
        pytest.param({"removed_at": "2024-03-01"}, {"removed_at": "2024-03-01"}, None, id="off-as-it-was-put-on"),
        pytest.param({"finish": "silver"}, {}, None, id="another-finish"),
        pytest.param({"material": "other"}, {}, None, id="another-material"),
        pytest.param({"position": "left wing"}, {}, None, id="another-place"),
        pytest.param({"component_serial": "C2"}, {}, None, id="another-boot"),
    ],
)
def test_a_boot_listed_twice_at_one_place(first: dict[str, str], second: dict[str, str], expected: str | None) -> None:
    """What both rows say holds; while only the first of them tells of the boot, it may have been elsewhere."""
    rows = [TWICE | {"installed_at": f"{since}T00:00:00Z"} for since in ("2023-01-01", "2024-03-01")]
    rows = [row | more for row, more in zip(rows, (first, second), strict=True)]
    rows = [row | {"removed_at": f"{row['removed_at']}T00:00:00Z" if "removed_at" in row else ""} for row in rows]
    tasks = [task(1, position="fin")]
    line = build_timeline(read_rows({"tasks": tasks, "components": rows}))
    history = line.components
    if expected is None:
        assert history.removed.tolist() == history.recorded.tolist()
        return
    since = instant(pd.Timestamp(f"{expected}T00:00:00Z"))
    assert (history.removed[0], history.removed[1]) == (since, history.recorded[1])
    assert history.recorded[0] == history.recorded[1]
    assert history.twice.tolist() == [True, False]
    assert history.at(history.place, np.array([since - 1, since])).tolist() == [0, 1]
    assert history.boot_of(np.array([0, 1])).tolist() == [NONE_KNOWN, 0]
    assert history.surely_together(np.array([0]), np.array([1])).tolist() == [True]


def test_of_rows_left_out_nothing_is_said() -> None:
    """A day without a time, or a removal that can't be read, may be another end."""
    frame = pd.DataFrame(
        {
            "component_serial": pd.Categorical(["C1", "C1"]),
            "installed_at": np.array([0, HOUR]).view("M8[us]"),
            "removed_at": np.array([NEVER, NEVER]).view("M8[us]"),
        }
    )
    place = np.zeros(2, np.int64)
    assert told_again(frame, place, NO_ROWS).tolist() == [HOUR, FOREVER]
    assert told_again(frame, place, np.array([1])).tolist() == [FOREVER] * 2
    assert told_again(frame.drop(columns="removed_at"), place, NO_ROWS).tolist() == [FOREVER] * 2
