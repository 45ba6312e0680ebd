"""Shares as people write them."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from fractions import Fraction
from math import ceil

from audit.errors import AuditError


def percent(share: Fraction) -> str:
    """Write an exact share as per cent, as short as it is exact: `5 %`, `3.5 %`."""
    return f"{Decimal(100 * share.numerator) / Decimal(share.denominator):f} %"


def percent_at_most(share: Fraction, below: Fraction = Fraction(2)) -> str:
    """Write a share as per cent, rounded up, so that what is said of it stays true.

    With one decimal, or with up to three where a share that is `below` another would not read so.
    """
    for step in (Fraction(1, 10), Fraction(1, 100), Fraction(1, 1000)):
        rounded = ceil(100 * share / step) * step
        if rounded < 100 * below or share >= below:
            break
    return f"{Decimal(rounded.numerator) / Decimal(rounded.denominator):f} %"


def share(text: str, name: str) -> Fraction:
    """Read a share written as per cent, with or without the sign, exactly. AuditError unless between 0 and 100."""
    try:
        read = Fraction(Decimal(text.strip().removesuffix("%").strip())) / 100
    except (InvalidOperation, ValueError, OverflowError):
        read = Fraction(0)
    if not 0 < read < 1:
        raise AuditError(f"{name} {text!r}: expected per cent between 0 and 100, such as 5 or 2.5 %.")
    return read
