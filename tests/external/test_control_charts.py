"""Control charts against worked examples. NIST/SEMATECH e-Handbook of Statistical Methods, public domain."""

import numpy as np
import pytest
from capstat_core.control_charts import i_mr_chart
from capstat_core.time_weighted import cusum_chart, ewma_chart

from audit.trends.charts import from_moving_ranges
from audit.trends.signals import WEIGHT
from tests.trends.charted import count_chart, drift_chart

DEFECTS = [16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13]


def test_counts_of_defects() -> None:
    """6.3.3.1, defects in 25 wafers: mean 16, limits 4 and 28; no. 24 is out, no. 3 exactly on the limit is not."""
    found = np.array(DEFECTS, float)
    chart = count_chart(found, np.ones(25), np.ones(25, bool))
    assert chart.centre == 16
    assert (chart.lower[0], chart.upper[0]) == (4, 28)
    assert (np.flatnonzero(chart.above) + 1).tolist() == [24]
    assert chart.spread == 1


def test_shares_of_defective_pieces() -> None:
    """6.3.3.2, 30 samples of 50: mean 0.2313. It is a chart of shares, whose standard deviation is smaller than that of
    counts by the root of one less the mean; corrected for that its limits are 0.0524 and 0.4102."""
    shares = (
        ".24 .30 .16 .20 .08 .14 .32 .18 .28 .20 .10 .12 .34 .24 .44 .16 .20 .10 .26 .22 .40 .36 .48 .30 .18 .24 .14"
    )
    found = np.round(np.array([*map(float, shares.split()), 0.26, 0.18, 0.12]) * 50)
    chart = count_chart(found, np.full(30, 50.0), np.ones(30, bool))
    assert chart.centre == pytest.approx(0.2313, abs=5e-5)
    binomial = np.sqrt(1 - chart.centre)
    half = (chart.upper[0] - chart.centre) / chart.spread * binomial
    assert (chart.centre - half, chart.centre + half) == pytest.approx((0.0524, 0.4102), abs=1e-4)


def test_a_weighted_mean() -> None:
    """6.3.2.4: target 50, standard deviation 2.0539, weight 0.3: limits 52.5884 and 47.4115; the means of the first
    values (from memory) follow."""
    values = np.array([52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5])
    chart = drift_chart(values, 50.0, 2.0539, 0.3)
    assert (chart.lower[0], chart.upper[0]) == pytest.approx((47.4115, 52.5884), abs=2e-4)
    assert chart.mean[:4] == pytest.approx([50.60, 49.52, 50.56, 50.18], abs=0.006)
    assert not chart.below.any()


def test_a_centre_and_spread_from_moving_ranges() -> None:
    """6.3.2.2, individual values with moving ranges: mean 50.81, limits 45.8159 and 55.8041 by d2 = 1.128 (the values
    from memory: 49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1)."""
    values = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    centre, deviation = from_moving_ranges(values)
    assert centre == pytest.approx(50.81)
    assert (centre - 3 * deviation, centre + 3 * deviation) == pytest.approx((45.8159, 55.8041), abs=1e-4)


def test_a_smoothed_series() -> None:
    """6.4.3.1, single exponential smoothing with alpha 0.1: the weighted mean starts at the first value (the values
    from memory: 71 70 69 68 64 65 72 78 75 75 75 70; the smoothed ones, which follow all but the last, given)."""
    values = np.array([70.0, 69, 68, 64, 65, 72, 78, 75, 75, 75])
    smoothed = [70.9, 70.71, 70.44, 69.80, 69.32, 69.58, 70.43, 70.88, 71.29, 71.67]
    assert drift_chart(values, 71.0, 1.0, 0.1).mean == pytest.approx(smoothed, abs=0.006)


GROUP_MEANS = """324.925 324.675 324.725 324.350 325.350 325.225 324.125 324.525 325.225 324.600 324.625 325.150 328.325
327.250 327.825 328.500 326.675 327.775 326.875 328.350"""


def test_a_drift_is_seen_no_later_than_by_cumulative_sums() -> None:
    """6.3.2.3: twenty means of groups of four (from memory), target 325, k 0.3175, h 4.1959: cumulative sums alarm at
    no. 14. So does the weighted mean, which trends use in their place."""
    values, deviation = np.array([float(each) for each in GROUP_MEANS.split()]), 0.635
    sums = cusum_chart(values, target=325, sigma=deviation, k=0.3175 / deviation, h=4.1959 / deviation)
    assert sums.violations[0] + 1 == 14
    chart = drift_chart(values, 325.0, deviation, WEIGHT)
    assert (np.flatnonzero((chart.mean < chart.lower) | (chart.mean > chart.upper)) + 1).tolist() == [*range(14, 21)]


@pytest.mark.parametrize("seed", range(3))
def test_charts_as_another_library_draws_them(seed: int) -> None:
    """The package capstat-core: single values with moving ranges, and the weighted mean with its long-run limits."""
    values = np.random.default_rng(seed).normal(40, 3, 60)
    centre, deviation = from_moving_ranges(values)
    single = i_mr_chart(values).location
    assert (centre - 3 * deviation, centre, centre + 3 * deviation) == pytest.approx(
        (single.limits.lower, single.limits.center, single.limits.upper), rel=1e-3
    )  # d2 is 1.128 here, 1.12838 there
    ours = drift_chart(values, centre, deviation, WEIGHT)
    theirs = ewma_chart(values, target=centre, sigma=deviation, lmbda=WEIGHT, time_varying_limits=False)
    assert ours.mean == pytest.approx(theirs.points)
    assert (ours.lower[-1], ours.upper[-1]) == pytest.approx(theirs.steady_state_limits)
