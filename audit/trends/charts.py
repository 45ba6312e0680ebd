"""Control charts: counts by week, and a weighted mean that follows a drift.

Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.1 (counts), 6.3.2.2 (moving ranges) and 6.3.2.4
(exponentially weighted moving averages); D. B. Laney, Improved control charts for attributes, Quality Engineering 14
(2002), from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

D2: Final = 1.128
"""Mean range of two standard normal values: turns moving ranges into a standard deviation."""
SIGMAS: Final = 3.0
TAIL: Final = 0.00135
"""The chance beyond three standard deviations on one side, where counts are normal."""
LARGE: Final = 50
"""Checks in a mean week from which on Laney's correction is made; starting value, no public source."""
RUN: Final = 8
"""So many weeks in a row above the centre are a signal."""


@dataclass(frozen=True)
class CountChart:
    """Findings per check in each week, with limits from the frozen weeks; NaN in weeks without a check.

    `spread` is Laney's factor, by which weeks vary more than by chance alone (1: no correction). `above` tells the
    weeks beyond the upper limit whose count chance alone would hardly give; `run` those that end RUN weeks above the
    centre.
    """

    rate: Floats
    centre: float
    upper: Floats
    lower: Floats
    spread: float
    above: Bools
    run: Bools


def from_moving_ranges(values: Floats) -> tuple[float, float]:
    """Mean and standard deviation of single values, the latter from the ranges of neighbours (6.3.2.2)."""
    return float(values.mean()), float(np.abs(np.diff(values)).mean()) / D2


def count_charts(found: Floats, checks: Floats, frozen: Bools) -> list[CountChart]:
    """A u chart of each row: what was found in the checks of each week, limits frozen on some of the weeks.

    Where few were found, three standard deviations are not a guide, and the centre is itself unsure: the week is also
    compared exactly with the frozen ones (of what was found in both, so many or more in its share of the checks:
    binomial), and that chance has to be below TAIL. Laney's correction is made where the mean frozen week has LARGE
    checks, and never narrows.
    """
    checked = checks > 0
    rate = np.divide(found, checks, out=np.full(found.shape, np.nan), where=checked)
    # Rows are charted together; only Laney's factor is worked out row by row, where it is asked for.
    base = frozen & checked
    weeks, of_base = base.sum(axis=1), np.where(base, checks, 0).sum(axis=1)
    centre = np.full(len(found), np.nan)
    np.divide(np.where(base, found, 0).sum(axis=1), of_base, out=centre, where=weeks > 0)
    mean = centre[:, np.newaxis]
    sigma = np.sqrt(np.divide(mean, checks, out=np.full(found.shape, np.nan), where=checked))
    spread = np.ones(len(found))
    for row in np.flatnonzero((weeks > 1) & (centre > 0) & (of_base >= LARGE * weeks)):
        standard = (rate[row] - centre[row]) / sigma[row]
        spread[row] = max(from_moving_ranges(standard[base[row]])[1], 1.0)
    reach = SIGMAS * spread[:, np.newaxis] * sigma
    upper, lower = mean + reach, np.maximum(mean - reach, 0)
    above = rate > upper
    if above.any():
        above[above] = _rare(found, checks, base, above)
    run = _runs(rate > mean, checked)
    columns = zip(rate, centre.tolist(), upper, lower, spread.tolist(), above, run, strict=True)
    return [CountChart(*of_one) for of_one in columns]


def _rare(found: Floats, checks: Floats, base: Bools, asked: Bools) -> Bools:
    """Of the weeks asked about, those whose findings chance alone would hardly give, as often as they came in the
    weeks of the base."""
    from scipy.special import bdtrc

    of_base = np.where(base, [found, checks], 0)
    # A week of the base is compared with the others.
    found_else, checks_else = (of_base.sum(axis=2, keepdims=True) - of_base)[:, asked]
    found_here, checks_here = found[asked], checks[asked]
    share = checks_here / (checks_here + checks_else)
    rare: Bools = bdtrc(found_here - 1, (found_here + found_else).astype(np.int64), share) < TAIL
    return rare


def _runs(above: Bools, checked: Bools) -> Bools:
    """The weeks that end RUN weeks with checks, all above."""
    ended = np.zeros(above.shape, bool)
    length = np.zeros(len(above), np.int64)
    # A week without a check neither goes on with a run nor ends it.
    for week in range(above.shape[1]):
        length = np.where(checked[:, week], np.where(above[:, week], length + 1, 0), length)
        ended[:, week] = checked[:, week] & (length >= RUN)
    return ended


@dataclass(frozen=True)
class DriftChart:
    """The weighted mean of each week and all before it (NaN where there is no value), and its limits."""

    mean: Floats
    centre: float
    lower: Floats
    upper: Floats

    @property
    def below(self) -> Bools:
        """The weeks whose weighted mean is below the lower limit."""
        return self.mean < self.lower


def drift_charts(values: Floats, centre: Floats, deviation: Floats, weight: float) -> list[DriftChart]:
    """Exponentially weighted moving averages, of each row: `weight` of each new value, the rest of the mean so far.

    It starts at the row's centre. The limits are those of a long series, SIGMAS standard deviations of the mean around
    the centre; `deviation` is that of one value.
    """
    mean = np.full(values.shape, np.nan)
    so_far = centre
    for week, known in enumerate(~np.isnan(values).T):
        so_far = np.where(known, weight * values[:, week] + (1 - weight) * so_far, so_far)
        mean[known, week] = so_far[known]
    reach = SIGMAS * deviation * np.sqrt(weight / (2 - weight))
    lower, upper = (np.broadcast_to(limit[:, np.newaxis], values.shape) for limit in (centre - reach, centre + reach))
    return [DriftChart(*of_one) for of_one in zip(mean, centre.tolist(), lower, upper, strict=True)]
