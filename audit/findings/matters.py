"""Matters: findings that one person settles at one go, such as the seven boots of one work order."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.timeline.instants import Ints


def matter_of(findings: pd.DataFrame) -> Ints:
    """Number the matter of each finding, in the order in which the matters first appear.

    One matter is one rule, one aircraft and one work order; where no work order began what is found (a boot never
    treated in its season), the findings of one moment belong together.
    """
    if not len(findings):
        return np.empty(0, np.int64)
    work_order = findings["work_order"].astype("str").fillna("")
    at = findings["at"].astype("str").where(work_order == "", "")
    keys = pd.MultiIndex.from_arrays([findings["rule"], findings["aircraft"].fillna(""), work_order, at.fillna("")])
    codes, _ = pd.factorize(keys)
    return codes.astype(np.int64)


def distance(findings: pd.DataFrame) -> pd.Series[float]:
    """How far each finding is from its limit, as a share of the limit; 0 where nothing was measured."""
    limit = findings["limit"].astype("float64")
    share = (findings["measured"].astype("float64") - limit).abs() / limit.abs().where(limit != 0, 1)
    return share.fillna(0.0)
