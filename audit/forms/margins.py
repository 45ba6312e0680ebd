"""How near to a limit the judged subjects came: counts by tenths of it, so that what nearly went wrong can be seen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from audit.timeline.instants import Ints

LIMIT = 10
"""The bin that begins at the limit, in tenths of it."""


@dataclass(frozen=True)
class Margins:
    """Subjects by what was measured, in tenths of the limit.

    `kind` tells whether the limit is the least or the most that is allowed; exactly the limit complies. `counts` begins
    at nothing; of a least limit a bin holds its lower edge, of a most limit its upper one, so that `counts[:LIMIT]` or
    `counts[LIMIT:]` broke it. `beyond` are those above the last bin, or, of a least limit, that nothing followed.
    """

    kind: Literal["least", "most"]
    limit: str
    counts: tuple[int, ...]
    beyond: int

    @property
    def broken(self) -> int:
        """How many broke the limit."""
        return sum(self.counts[:LIMIT]) if self.kind == "least" else sum(self.counts[LIMIT:]) + self.beyond

    @property
    def near(self) -> int:
        """How many came within 10 % of the limit."""
        return self.counts[LIMIT] if self.kind == "least" else self.counts[LIMIT - 1]

    @property
    def total(self) -> int:
        """How many were measured."""
        return sum(self.counts) + self.beyond


def tenths(kind: Literal["least", "most"], measured: Ints, limit: Ints | int) -> Ints:
    """The bin of each measurement, whole numbers against whole numbers; a limit of nothing or less is far exceeded."""
    allowed = np.broadcast_to(np.asarray(limit, np.int64), measured.shape)
    positive = np.maximum(allowed, 1)
    # Divided before it is multiplied: tenths of a year in microseconds would still fit, those of FOREVER would not.
    whole, rest = np.divmod(np.maximum(measured, 0), positive)
    bins = np.minimum(whole, 100) * LIMIT + rest * LIMIT // positive
    if kind == "most":
        on_edge = (rest * LIMIT) % positive == 0
        bins = np.maximum(bins - on_edge, 0)
    found: Ints = np.where(allowed > 0, bins, 100 * LIMIT)
    return found


def margins(kind: Literal["least", "most"], limit: str, bins: Ints, reach: int = 2 * LIMIT, beyond: int = 0) -> Margins:
    """Count the bins up to `reach`; what lies above, and the `beyond` that have no bin, is counted as one."""
    counts = np.bincount(bins[bins < reach], minlength=reach)
    return Margins(kind, limit, tuple(counts.tolist()), int((bins >= reach).sum()) + beyond)
