"""Sample sizes and bounds against printed tables. The source of each is in its test."""

from fractions import Fraction

import pytest
from capstat_core.acceptance_sampling import SamplingPlan, probability_of_acceptance
from fam450 import fam450ss

from audit.sampling.chances import Aim, Looked, chance_of_at_most, size, upper_bound

MANY = 10**9
"""So many records that drawing one changes nothing: where tables are binomial, the hypergeometric agrees."""


def per_cent(text: str) -> Fraction:
    return Fraction(text) / 100


@pytest.mark.parametrize(("records", "drawn"), [(100, 45), (200, 51), (600, 56), (1000, 57)])
def test_discovery_samples(records: int, drawn: int) -> None:
    """No deviation, 5 %, 95 % confidence, by the size of the population: as auditing textbooks print them."""
    assert size(records, Aim(per_cent("5"), per_cent("95"))) == drawn


@pytest.mark.parametrize(
    ("tolerable", "drawn"),
    list(zip((2, 3, 4, 5, 6, 7, 8, 9, 10, 15, 20), (149, 99, 74, 59, 49, 42, 36, 32, 29, 19, 14), strict=True)),
)
def test_attribute_sample_sizes(tolerable: int, drawn: int) -> None:
    """AICPA Audit Guide, Audit Sampling (2017), table A-1, 5 % risk, zero expected deviations (large populations)."""
    assert size(MANY, Aim(per_cent(str(tolerable)), per_cent("95"))) == drawn


@pytest.mark.parametrize(
    ("found", "most"),
    list(enumerate(("3.0", "4.7", "6.2", "7.6", "9.0", "10.3", "11.5", "12.8", "14.0", "15.2", "16.4"))),
)
def test_upper_limits_of_attribute_samples(found: int, most: str) -> None:
    """AICPA Audit Guide, Audit Sampling (2017), table A-3, 5 % risk, 100 looked at: per cent, rounded up."""
    bound = Fraction(upper_bound(Looked(MANY, 100, found), per_cent("95")), MANY) * 100
    assert Fraction(most) - Fraction("0.1") < bound <= Fraction(most)


@pytest.mark.parametrize(("per_hundred", "accepted"), [("1.0", 26), ("0.10", 99)])
def test_a_published_plan_is_passed_as_often_as_it_says(per_hundred: str, accepted: int) -> None:
    """7 CFR 42.140 (c) and (d): 500 drawn, accepted with at most 3: so many lots of a hundred pass. It reads them off a
    curve for numbers of defects, which the binomial meets to a whole per cent."""
    deviating = int(per_cent(per_hundred) * MANY)
    assert float(chance_of_at_most(3, deviating, 500, MANY)) * 100 == pytest.approx(accepted, abs=1)


@pytest.mark.parametrize(
    ("per_hundred", "passed"),
    list(enumerate((0.998, 0.980, 0.930, 0.845, 0.739, 0.620, 0.502, 0.394, 0.300, 0.223), start=1)),
)
def test_an_operating_characteristic(per_hundred: int, passed: float) -> None:
    """NIST/SEMATECH e-Handbook 6.2.3.2, the plan (52, 3): probabilities of acceptance (values from memory)."""
    assert float(chance_of_at_most(3, per_hundred * MANY // 100, 52, MANY)) == pytest.approx(passed, abs=0.0011)


CODE_LETTERS = {"E": 13, "F": 20, "G": 32, "H": 50, "J": 80, "K": 125, "L": 200, "M": 315, "N": 500, "P": 800}


@pytest.mark.parametrize(
    ("letter", "accept", "aql"),
    [("K", 3, "1.0"), ("L", 5, "1.0"), ("M", 7, "1.0"), ("N", 10, "1.0"), ("L", 3, "0.65"), ("M", 5, "0.65")],
)
def test_military_plans_pass_good_lots(letter: str, accept: int, aql: str) -> None:
    """MIL-STD-105E, tables II-A and the curves: at the AQL its single normal plans pass about 95 in 100 lots or more.

    The acceptance numbers of the table are in the parameters; "about 95" is from memory of the standard's introduction.
    """
    chance = float(chance_of_at_most(accept, int(per_cent(aql) * MANY), CODE_LETTERS[letter], MANY))
    assert 0.94 <= chance <= 1


def test_a_share_of_a_count_is_exact() -> None:
    """3.5 % of 400 are 14; worked out in floating-point numbers and rounded up they are 15."""
    assert Aim(per_cent("3.5"), per_cent("95")).too_many(400) == 14


@pytest.mark.parametrize("confidence", [90, 95])
@pytest.mark.parametrize("tolerable", [3, 5, 10])
@pytest.mark.parametrize("drawn", [100, 158, 300])
def test_expected_deviations_as_another_library_allows_them(drawn: int, tolerable: int, confidence: int) -> None:
    """The package fam450, by an exact binomial test: so many deviations may be found in so many; with them the size
    that is asked for is no larger, with one more it is."""
    allowed = fam450ss(n=drawn, trd=tolerable / 100, ovr=1 - confidence / 100).allowed_deviations(alt="less")

    def required(expected: int) -> int:
        drawn = size(MANY, Aim(Fraction(tolerable, 100), Fraction(confidence, 100), expected))
        assert drawn is not None
        return drawn

    assert required(allowed) <= drawn < required(allowed + 1)


@pytest.mark.parametrize("records", [60, 312, 2_000])
@pytest.mark.parametrize(("drawn", "accepted"), [(10, 0), (29, 1), (52, 3)])
def test_chances_as_another_library_has_them(records: int, drawn: int, accepted: int) -> None:
    """The package capstat-core, acceptance of a lot by the hypergeometric distribution."""
    plan = SamplingPlan(drawn, accepted, records)
    for deviating in range(0, records, records // 12):
        theirs = probability_of_acceptance(plan, deviating / records, model="hypergeometric")
        assert float(chance_of_at_most(accepted, deviating, drawn, records)) == pytest.approx(theirs, abs=1e-12)
