"""Rows in order of owner and instant, asked by binary search, against plain loops."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from audit.timeline.instants import (
    DAY,
    FOREVER,
    MINUTE,
    NEVER,
    SECOND,
    Order,
    day_of,
    expand,
    group_begins,
    instant,
    micros,
    micros_of,
    running_max,
    stamp,
    take,
)

OWNERS = st.integers(0, 3)
INSTANTS = st.integers(-5, 5)
FAR = 2**61
"""So far apart that owner and instant don't fit into one integer: the order then ranks the instants."""


@given(
    st.lists(st.tuples(OWNERS, INSTANTS), max_size=12),
    st.lists(st.tuples(OWNERS, st.integers(-7, 7)), max_size=6),
    st.sampled_from([1, FAR // 5]),
)
def test_counts_are_those_of_a_plain_loop(
    rows: list[tuple[int, int]], asked: list[tuple[int, int]], scale: int
) -> None:
    """`before` and `until` count the owner's own earlier rows and all of the owners ahead, also beyond the ends."""
    rows = [(owner, at * scale) for owner, at in rows]
    asked = [(owner, at * scale) for owner, at in asked]
    order = Order.of(np.array([o for o, _ in rows], np.int64), np.array([t for _, t in rows], np.int64))
    owners, instants = np.array([o for o, _ in asked], np.int64), np.array([t for _, t in asked], np.int64)
    assert order.before(owners, instants).tolist() == [sum(row < one for row in rows) for one in asked]
    assert order.until(owners, instants).tolist() == [sum(row <= one for row in rows) for one in asked]
    first, last = order.block(owners)
    assert first.tolist() == [sum(o < owner for o, _ in rows) for owner, _ in asked]
    assert last.tolist() == [sum(o <= owner for o, _ in rows) for owner, _ in asked]
    index, of_owners = order.rows(owners, owners + 2)
    both = [
        (nth, row)
        for nth, (owner, _) in enumerate(asked)
        for row in order.row.tolist()
        if 0 <= rows[row][0] - owner < 2
    ]
    assert list(zip(index.tolist(), of_owners.tolist(), strict=True)) == both


@given(st.lists(st.tuples(OWNERS, INSTANTS), max_size=12), st.booleans())
def test_rows_come_in_order(rows: list[tuple[int, int]], by_time: bool) -> None:
    """Whether written in order of time or not, rows are sorted by owner and instant; equal ones keep their order."""
    if by_time:
        rows.sort(key=lambda row: row[1])
    order = Order.of(np.array([o for o, _ in rows], np.int64), np.array([t for _, t in rows], np.int64))
    assert order.row.tolist() == sorted(range(len(rows)), key=lambda index: (*rows[index], index))


def test_a_boot_that_is_still_there_is_later_than_any_time() -> None:
    """FOREVER can be asked like any instant."""
    order = Order.of(np.array([0, 0, 1]), np.array([1, 2, 3]))
    assert order.before(np.array([0]), np.array([FOREVER])).tolist() == [2]


@given(st.lists(st.tuples(st.integers(0, 2), INSTANTS), max_size=10), st.sampled_from([1, FAR // 5]))
def test_running_maximum_starts_anew_with_each_group(rows: list[tuple[int, int]], scale: int) -> None:
    """The maximum so far, within the group only, however far apart the values are."""
    rows = sorted(((group, at * scale) for group, at in rows), key=lambda row: row[0])
    starts = np.array([index == 0 or rows[index - 1][0] != row[0] for index, row in enumerate(rows)], bool)
    expected = [max(v for g, v in rows[: index + 1] if g == group) for index, (group, _) in enumerate(rows)]
    assert running_max(np.array([v for _, v in rows], np.int64), starts).tolist() == expected


def test_spread_numbers_the_elements_of_blocks() -> None:
    """Blocks of two, none and one element."""
    owner, nth = expand(np.array([2, 0, 1]))
    assert owner.tolist() == [0, 0, 2]
    assert nth.tolist() == [0, 1, 0]


def test_resolutions_and_zones_give_the_same_instant() -> None:
    """Microseconds UTC, whatever the resolution and zone of the timestamps."""
    expected = 1_700_000_000_000_000
    moment = pd.Timestamp(expected, unit="us", tz="UTC")
    assert instant(moment.tz_convert("Asia/Tokyo")) == expected
    for unit in ("s", "ms", "us", "ns"):
        assert micros(pd.Series([moment]).dt.as_unit(unit)).tolist() == [expected]
    assert micros(pd.Series([pd.NaT, moment.tz_localize(None)])).tolist() == [NEVER, expected]
    assert stamp(expected) == moment


def test_many_owners_and_times_in_order() -> None:
    """More aircraft than fit into 16 bits come in order all the same."""
    owners = np.array([2**15 + 1, 5, 2**15, 5, 2**15 + 1])
    order = Order.of(owners, np.arange(5))
    assert order.row.tolist() == [1, 3, 2, 0, 4]
    assert order.block(np.array([5, 6, 2**15]))[1].tolist() == [2, 2, 3]


def test_without_rows_nothing_stands_ahead() -> None:
    """Whatever is asked."""
    none = np.empty(0, np.int64)
    order = Order.of(none, none)
    asked = np.array([0, 1]), np.array([NEVER, FOREVER])
    assert order.until(*asked).tolist() == order.before(*asked).tolist() == [0, 0]
    assert [part.tolist() for part in order.block(np.array([0, 3]))] == [[0, 0], [0, 0]]
    assert running_max(none, none.astype(bool)).tolist() == group_begins(none).tolist() == []
    assert take(none, np.array([0, -1]), 7).tolist() == [7, 7]


def test_groups_begin_where_a_key_is_another() -> None:
    """Any of the keys, and at the first row."""
    one, other = np.array([1, 1, 1, 2, 2]), np.array([3, 3, 4, 4, 3])
    assert group_begins(one, other).tolist() == [True, False, True, True, True]
    assert group_begins(one).tolist() == [True, False, False, True, False]


def test_what_stands_outside_is_missing() -> None:
    """Before the first, and behind the last."""
    assert take(np.array([4, 5]), np.array([-1, 0, 1, 2, -2]), 9).tolist() == [9, 4, 5, 9, 9]


def test_days_and_durations() -> None:
    """A day begins at its midnight, before 1970 too; a duration is whole microseconds."""
    assert day_of(np.array([0, DAY - 1, DAY, -1, -DAY])).tolist() == [0, 0, 1, -1, -1]
    assert micros_of(timedelta(minutes=2, microseconds=3)) == 2 * MINUTE + 3
    assert micros_of(timedelta(hours=24)) == DAY == 86_400 * SECOND
