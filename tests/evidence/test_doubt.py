"""Which of several reasons for doubt is told."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from audit.evidence.doubt import CERTAIN, Rank, View, reasons_for_doubt, reasons_of
from audit.timeline.instants import Bools, Ints
from audit.timeline.timeline import Timeline
from tests.evidence.test_conditions import timeline_with

FIRST, SECOND = (Rank.NOT_COVERED, "a first reason"), (Rank.RECORD, "a second reason")


def first_and_second(timeline: Timeline) -> tuple[Ints, Ints]:
    """Reasons of four subjects: both, the first, the second, none."""
    number = reasons_of(timeline).number
    return np.array([number(*FIRST)] * 2 + [CERTAIN] * 2), np.array([number(*SECOND), CERTAIN] * 2)


def excused(view: View, broken: Bools, one: Ints, other: Ints) -> Bools:
    return view.excused(broken, other, one)


def suspected(view: View, broken: Bools, one: Ints, other: Ints) -> Bools:
    return view.suspected(view.suspected(broken, other), one)


@pytest.mark.parametrize("subjects", [[0], [0, 1, 2, 3]], ids=["alone", "among-others"])
@pytest.mark.parametrize(
    ("said", "broken", "doubted"),
    [
        pytest.param(excused, True, True, id="a-finding-that-may-be-none"),
        pytest.param(suspected, False, True, id="a-pass-that-may-be-none"),
        pytest.param(excused, False, False, id="a-pass-that-may-be-the-better"),
        pytest.param(suspected, True, False, id="a-finding-that-may-be-the-worse"),
    ],
)
def test_the_first_reason_is_told_whatever_other_subjects_have(
    said: Callable[[View, Bools, Ints, Ints], Bools], broken: bool, doubted: bool, subjects: list[int]
) -> None:
    """Of several reasons that turn a verdict the first by rank, in whatever order a form asks of them."""
    timeline = timeline_with(tasks=[{}])
    one, other = (numbers[subjects] for numbers in first_and_second(timeline))

    def verdict(view: View, index: Ints) -> Bools:
        return said(view, np.full(len(index), broken), one[index], other[index])

    plain = np.full(len(subjects), broken)
    found = reasons_for_doubt(timeline, verdict, plain, np.full(len(subjects), CERTAIN))
    expected = ["a first reason", "a first reason", "a second reason", ""] if doubted else [""] * 4
    assert reasons_of(timeline).texts(found).tolist() == [expected[subject] for subject in subjects]
