"""Why checks could not be judged, counted."""

from __future__ import annotations

import pandas as pd


def count_reasons(unjudged: pd.DataFrame) -> dict[str, dict[str, int]]:
    """Return the number of checks by rule and reason, the most frequent reason of a rule first."""
    counts = unjudged.groupby(["rule", "reason"], observed=True).size().reset_index(name="checks")
    counts = counts.sort_values(["rule", "checks", "reason"], ascending=[True, False, True])
    reasons: dict[str, dict[str, int]] = {}
    for rule, reason, checks in zip(counts["rule"], counts["reason"], counts["checks"], strict=True):
        reasons.setdefault(str(rule), {})[str(reason)] = int(checks)
    return reasons
