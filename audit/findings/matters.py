"""Matters: findings that one person puts right at one go, such as the seven boots of one work order."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import pandas as pd

from audit.language.rule import LEVELS
from audit.timeline.instants import Ints, micros

DRAWN_MATTERS = 60
"""How many matters get a picture, the most serious first and each rule in turn."""


def matter_of(findings: pd.DataFrame) -> Ints:
    """Number the matter of each finding, in the order in which the matters first appear.

    One matter is one rule, one aircraft and one work order; where no work order began what is found (a boot never
    treated in its season), the findings of one moment belong together.
    """
    work_order = findings["work_order"].fillna("")
    moment = np.where(work_order == "", micros(findings["at"]), 0)
    keys = [findings["rule"], findings["aircraft"].fillna(""), work_order, moment]
    number: Ints = findings.groupby(keys, sort=False, observed=True).ngroup().to_numpy()
    return number


def distance(findings: pd.DataFrame) -> pd.Series[float]:
    """How far each finding is from its limit, as a share of the limit; 0 where nothing was measured."""
    limit = findings["limit"].astype("float64")
    share = (findings["measured"].astype("float64") - limit).abs() / limit.abs().where(limit != 0, 1)
    return share.fillna(0.0)


def first_matters(findings: pd.DataFrame, rules: Collection[str]) -> list[str]:
    """The ids of the findings of these rules that stand for the first matters, each the furthest from its limit.

    Level by level, each rule in turn, so that none crowds out another; no more than DRAWN_MATTERS.
    """
    table = pd.DataFrame(
        {
            "id": findings["finding_id"],
            "rule": findings["rule"],
            "level": findings["level"].map({name: rank for rank, name in enumerate(LEVELS)}),
            "matter": matter_of(findings),
            "off": -distance(findings),
        }
    )
    table = table[table["rule"].isin(rules)]
    # Of each matter the finding that is furthest off; of each rule first one, then a second, and so on.
    worst = table.sort_values(["matter", "off"], kind="stable").drop_duplicates("matter")
    worst = worst.assign(turn=worst.groupby("rule", observed=True).cumcount())
    return [str(one) for one in worst.sort_values(["level", "turn", "matter"])["id"].head(DRAWN_MATTERS)]
