"""Shares as people write them."""

from __future__ import annotations

from decimal import ROUND_CEILING, Decimal, InvalidOperation
from fractions import Fraction

from audit.errors import AuditError


def percent(share: Fraction) -> str:
    """Write an exact share as per cent, as short as it is exact: `5 %`, `3.5 %`."""
    return f"{Decimal(100 * share.numerator) / Decimal(share.denominator):f} %"


def percent_at_most(share: Fraction) -> str:
    """Write a share as per cent with one decimal, rounded up, so that what is said of it stays true."""
    tenths = (Decimal(1000 * share.numerator) / Decimal(share.denominator)).to_integral_value(ROUND_CEILING)
    return f"{tenths / 10:f} %"


def share(text: str, name: str) -> Fraction:
    """Read a share written as per cent, with or without the sign, exactly. AuditError unless between 0 and 100."""
    try:
        read = Fraction(Decimal(text.strip().removesuffix("%").strip())) / 100
    except (InvalidOperation, ValueError, OverflowError):
        read = Fraction(0)
    if not 0 < read < 1:
        raise AuditError(f"{name} {text!r}: expected per cent between 0 and 100, such as 5 or 2.5 %.")
    return read
