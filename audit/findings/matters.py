"""Matters: findings that one person settles at one go, such as the seven boots of one work order."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.timeline.instants import Ints, micros


def matter_of(findings: pd.DataFrame) -> Ints:
    """Number the matter of each finding, in the order in which the matters first appear.

    One matter is one rule, one aircraft and one work order; where no work order began what is found (a boot never
    treated in its season), the findings of one moment belong together.
    """
    matter = np.zeros(len(findings), np.int64)
    work_order = findings["work_order"].fillna("")
    moment = np.where(work_order == "", micros(findings["at"]), 0)
    for key in (findings["rule"], findings["aircraft"].fillna(""), work_order, moment):
        codes, different = pd.factorize(key)
        # Renumbered at each step, the number never outgrows that of the findings.
        matter = pd.factorize(matter * len(different) + codes)[0]
    return matter


def distance(findings: pd.DataFrame) -> pd.Series[float]:
    """How far each finding is from its limit, as a share of the limit; 0 where nothing was measured."""
    limit = findings["limit"].astype("float64")
    share = (findings["measured"].astype("float64") - limit).abs() / limit.abs().where(limit != 0, 1)
    return share.fillna(0.0)
