"""The lower bound of a drill against published values."""

from __future__ import annotations

from fractions import Fraction
from math import comb

import pytest
from scipy.special import betaincinv

from audit.drill.bound import lower_bound


def test_the_function_gives_the_interval_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 7.2.4.2, 4 of 20, two-sided 90 %: 0.071354 to 0.401028 (inputs as published, the answer
    recomputed)."""
    assert lower_bound(4, 20) == pytest.approx(0.071354, abs=5e-7)
    assert float(betaincinv(4, 17, 0.05)) == pytest.approx(0.071354, abs=5e-7)
    assert float(betaincinv(5, 16, 0.95)) == pytest.approx(0.401028, abs=5e-7)


@pytest.mark.parametrize(("count", "bound"), [(59, 0.9505), (299, 0.9900)])
def test_all_found_is_the_root_of_one_in_twenty(count: int, bound: float) -> None:
    """Where all are found the bound is 0.05 ** (1 / n), by arithmetic: 0.9505 for 59, 0.9900 for 299. 59 is the sample
    for 95 % with none deviating in textbooks of auditing."""
    assert lower_bound(count, count) == pytest.approx(0.05 ** (1 / count), rel=1e-12)
    assert round(lower_bound(count, count), 4) == bound


@pytest.mark.parametrize(("found", "planted"), [(1, 1), (1, 60), (30, 60), (58, 60), (2713, 2720)])
def test_at_the_bound_so_many_are_found_in_one_of_twenty(found: int, planted: int) -> None:
    """Clopper and Pearson 1934, by its definition, with exact binomial sums: at the bound, as many or more have 5 %."""
    share = Fraction(lower_bound(found, planted))
    more = sum(comb(planted, k) * share**k * (1 - share) ** (planted - k) for k in range(found, planted + 1))
    assert float(more) == pytest.approx(0.05, rel=1e-9)


def test_none_found_shows_nothing() -> None:
    """Neither does none planted."""
    assert lower_bound(0, 60) == lower_bound(0, 0) == 0
