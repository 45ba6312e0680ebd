"""How sure a drill makes us: the exact lower bound of the share of faults that is found."""

from __future__ import annotations


def lower_bound(found: int, planted: int, confidence: float = 0.95) -> float:
    """The one-sided lower bound of the share found, exact (Clopper, Pearson 1934): 59 of 59 give 0.9505.

    Were the share smaller than this, so many found would be less likely than 1 less the confidence. Nothing planted
    shows nothing: 0.
    """
    if not found:
        return 0.0
    from scipy.special import betaincinv

    return float(betaincinv(found, planted - found + 1, 1 - confidence))
