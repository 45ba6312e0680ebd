"""The chart of one series, of functions that draw many."""

import numpy as np

from audit.trends.charts import Bools, CountChart, DriftChart, Floats, count_charts, drift_charts


def count_chart(found: Floats, checks: Floats, frozen: Bools) -> CountChart:
    (chart,) = count_charts(found[np.newaxis], checks[np.newaxis], frozen[np.newaxis])
    return chart


def drift_chart(values: Floats, centre: float, deviation: float, weight: float) -> DriftChart:
    (chart,) = drift_charts(values[np.newaxis], np.array([centre]), np.array([deviation]), weight)
    return chart
