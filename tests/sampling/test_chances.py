"""Chances against counting every draw."""

from fractions import Fraction
from itertools import combinations, product
from math import comb, prod

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.sampling.chances import (
    Aim,
    Looked,
    chance_of_at_most,
    is_shown_by,
    size,
    upper_bound,
    upper_bound_of_all,
)
from audit.sampling.words import percent_at_most


def counted(found: int, deviating: int, drawn: int, records: int) -> Fraction:
    """The chance of at most `found`, by looking at every draw."""
    draws = [sum(each < deviating for each in draw) for draw in combinations(range(records), drawn)]
    return Fraction(sum(number <= found for number in draws), len(draws))


@pytest.mark.parametrize("records", range(1, 8))
def test_chances_are_those_of_all_draws(records: int) -> None:
    for deviating, drawn in product(range(records + 1), range(1, records + 1)):
        for found in range(drawn + 1):
            assert chance_of_at_most(found, deviating, drawn, records) == counted(found, deviating, drawn, records)


@given(
    records=st.integers(1, 60),
    tolerable=st.integers(1, 60),
    confidence=st.sampled_from([50, 80, 90, 95, 99]),
    expected=st.integers(0, 3),
)
@settings(max_examples=60, deadline=None)
def test_one_record_fewer_would_not_show_it(records: int, tolerable: int, confidence: int, expected: int) -> None:
    aim = Aim(Fraction(tolerable, 100), Fraction(confidence, 100), expected)
    drawn = size(records, aim)
    deviating = aim.too_many(records)
    if drawn is None:
        assert deviating <= expected
        return
    assert chance_of_at_most(expected, deviating, drawn, records) <= aim.risk
    assert drawn == 1 or chance_of_at_most(expected, deviating, drawn - 1, records) > aim.risk


@given(st.integers(1, 40).flatmap(lambda n: st.tuples(st.just(n), st.integers(1, n), st.integers(0, n))))
@settings(max_examples=80, deadline=None)
def test_the_bound_holds_as_often_as_it_says(case: tuple[int, int, int]) -> None:
    """However many deviate, draws whose bound lies below that are no more than the risk."""
    records, drawn, deviating = case
    risk = Fraction(1, 10)
    wrong = sum(
        Fraction(comb(deviating, found) * comb(records - deviating, drawn - found), comb(records, drawn))
        for found in range(max(0, drawn - (records - deviating)), min(drawn, deviating) + 1)
        if upper_bound(Looked(records, drawn, found), 1 - risk) < deviating
    )
    assert wrong <= risk


@pytest.mark.parametrize(
    "sizes",
    [
        ((4, 2), (5, 1)),
        ((3, 3), (6, 2)),
        ((1, 1), (7, 3)),
        ((2, 1), (3, 1), (5, 2)),
        ((6, 3), (6, 3)),
        ((9, 4), (2, 1)),
    ],
)
def test_the_bound_of_several_strata_holds_wherever_the_deviating_records_stand(
    sizes: tuple[tuple[int, int], ...],
) -> None:
    risk = Fraction(1, 5)
    for standing in product(*(range(records + 1) for records, _ in sizes)):
        wrong = Fraction(0)
        for found in product(*(range(drawn + 1) for _, drawn in sizes)):
            chance = prod(
                Fraction(comb(deviating, here) * comb(records - deviating, drawn - here), comb(records, drawn))
                for (records, drawn), deviating, here in zip(sizes, standing, found, strict=True)
            )
            looked = [Looked(records, drawn, here) for (records, drawn), here in zip(sizes, found, strict=True)]
            if chance and upper_bound_of_all(looked, 1 - risk) < sum(standing):
                wrong += chance
        assert wrong <= risk, standing


def test_what_was_looked_at_whole_is_known() -> None:
    whole = Looked(8, 8, 2)
    assert upper_bound_of_all([whole], Fraction(95, 100)) == 2
    part = Looked(50, 20, 0)
    assert upper_bound_of_all([whole, part], Fraction(95, 100)) == 2 + upper_bound(part, Fraction(95, 100))


def test_strata_show_hardly_less_than_one_draw() -> None:
    """In proportion, the bound of three strata is at most a tenth above that of one draw from all of them."""
    parts = [Looked(2000, 30, 0), Looked(1500, 22, 0), Looked(500, 7, 0)]
    one = upper_bound(Looked(4000, 59, 0), Fraction(95, 100))
    assert one <= upper_bound_of_all(parts, Fraction(95, 100)) <= 1.1 * one


@given(st.lists(st.tuples(st.integers(2, 120), st.floats(0.01, 0.9)), min_size=2, max_size=5), st.integers(0, 3))
@settings(max_examples=40, deadline=None)
def test_more_deviating_records_are_never_likelier(strata: list[tuple[int, float]], expected: int) -> None:
    """The search for the bound relies on it."""
    sizes = [(records, max(1, int(records * share))) for records, share in strata]
    records = sum(size for size, _ in sizes)
    shown = [
        is_shown_by(sizes, Aim(Fraction(deviating, records), Fraction(95, 100), expected))
        for deviating in range(expected + 1, records)
    ]
    assert shown == sorted(shown)


@pytest.mark.parametrize(
    ("share", "below", "said"),
    [
        (Fraction(71, 1523), Fraction(5, 100), "4.7 %"),
        (Fraction(78, 1569), Fraction(5, 100), "4.98 %"),  # 4.97132: with one decimal it would read 5 %
        (Fraction(1_499, 30_000), Fraction(5, 100), "4.997 %"),
        (Fraction(79, 1569), Fraction(5, 100), "5.1 %"),
        (Fraction(0), Fraction(5, 100), "0 %"),
        (Fraction(1), Fraction(99, 100), "100 %"),
    ],
)
def test_a_share_that_is_below_another_reads_so(share: Fraction, below: Fraction, said: str) -> None:
    """Rounded up, so that it stays true, and never to what it is told to be below."""
    assert percent_at_most(share, below) == said
