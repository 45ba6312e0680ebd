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


def count_chart(found: Floats, checks: Floats, frozen: Bools) -> CountChart:
    """A u chart of what was found in the checks of each week, its limits frozen on some of the weeks.

    Where few were found, three standard deviations are not a guide, and the centre is itself unsure: the week is also
    compared exactly with the frozen ones (of what was found in both, so many or more in its share of the checks:
    binomial), and that chance has to be below TAIL. Laney's correction is made where the mean frozen week has LARGE
    checks, and never narrows.
    """
    checked = checks > 0
    rate = np.where(checked, found / np.where(checked, checks, 1), np.nan)
    base = frozen & checked
    centre = float(found[base].sum() / checks[base].sum()) if base.any() else np.nan
    sigma = np.where(checked, np.sqrt(centre / np.where(checked, checks, 1)), np.nan)
    spread = 1.0
    if base.sum() > 1 and centre > 0 and checks[base].mean() >= LARGE:
        spread = max(float(np.abs(np.diff((rate[base] - centre) / sigma[base])).mean()) / D2, 1.0)
    upper, lower = centre + SIGMAS * spread * sigma, np.maximum(centre - SIGMAS * spread * sigma, 0)
    above = rate > upper
    if above.any():
        above = above & _rare(found, checks, base)
    return CountChart(rate, centre, upper, lower, spread, above, _runs(rate > centre, checked))


def _rare(found: Floats, checks: Floats, base: Bools) -> Bools:
    """The weeks whose findings chance alone would hardly give, as often as they came in the weeks of the base."""
    from scipy.special import bdtrc

    # A week of the base is compared with the others.
    others = checks[base].sum() - np.where(base, checks, 0), found[base].sum() - np.where(base, found, 0)
    share = np.divide(checks, checks + others[0], out=np.ones(len(checks)), where=checks > 0)
    chance = bdtrc(np.maximum(found - 1, 0), (found + others[1]).astype(np.int64), share)
    rare: Bools = (found > 0) & (chance < TAIL)
    return rare


def _runs(above: Bools, checked: Bools) -> Bools:
    """The weeks that end RUN weeks with checks, all above."""
    found = np.zeros(len(above), bool)
    weeks = np.flatnonzero(checked)
    length = 0
    for week, higher in zip(weeks.tolist(), above[weeks].tolist(), strict=True):
        length = length + 1 if higher else 0
        found[week] = length >= RUN
    return found


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


def from_moving_ranges(values: Floats) -> tuple[float, float]:
    """Mean and standard deviation of single values, the latter from the ranges of neighbours (6.3.2.2)."""
    return float(values.mean()), float(np.abs(np.diff(values)).mean()) / D2


def drift_chart(values: Floats, centre: float, deviation: float, weight: float) -> DriftChart:
    """An exponentially weighted moving average: `weight` of each new value, the rest of the mean so far.

    It starts at the centre. The limits are those of a long series, SIGMAS standard deviations of the mean around the
    centre; `deviation` is that of one value.
    """
    mean = np.full(len(values), np.nan)
    so_far = centre
    for week in np.flatnonzero(~np.isnan(values)).tolist():
        so_far = weight * values[week] + (1 - weight) * so_far
        mean[week] = so_far
    reach = SIGMAS * deviation * np.sqrt(weight / (2 - weight))
    return DriftChart(mean, centre, np.full(len(values), centre - reach), np.full(len(values), centre + reach))
