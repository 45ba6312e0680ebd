"""What a rule form returns: how many subjects were in scope, and every one that doesn't simply comply."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from audit.forms.margins import Margins

NONE = -1
"""Where a case has no task, flight, component or position."""
SEVERAL = "; "
"""Between the positions of a case that several of a record's boots make."""

_DEFAULTS: dict[str, Any] = {
    "finding": True,
    "reason": "",
    "subject": NONE,
    "task": NONE,
    "other": NONE,
    "place": NONE,
    "component": NONE,
    "flight": NONE,
    "at": NONE,
    "anchor": NONE,
    "measured": np.nan,
    "carried": 0.0,
    "limit": np.nan,
    "unit": "",
    "detail": "",
}

SUBJECT = ("subject", "place")
"""The columns that together identify a subject of a rule, whatever its verdict."""
PAIR = (*SUBJECT, "other")
"""Those that identify a subject that is a pair."""


@dataclass(frozen=True)
class Outcomes:
    """The three outcomes of one rule: in_scope = complies + findings + unjudged.

    `cases` has a row for each subject that is a finding or unjudged:
    finding    True: a finding; False: unjudged            reason    why unjudged, blank for a finding
    subject    what identifies it: a task row, or for a segment that no treatment began a negative number of its own
    task       row in timeline.tasks: the evidence         other     row of a second record of a pair
    place      aircraft's position, see Timeline           component row in timeline.components
    flight     row in timeline.flights                     at        instant, microseconds UTC
    anchor     where a segment began, microseconds UTC     detail    positions of a record that break the rule,
                                                                     `component` is the boot of the first
    measured, limit, unit    the figures of a finding; of what was measured, `carried` dates from before the anchor
                             (negative: that much since then does not count)
    Every number is NONE (-1), every float NaN, every text "" where it doesn't apply.
    `margins` count how near to each limit on time or use the judged subjects came, ambiguous times read as the earlier.
    """

    in_scope: int
    cases: pd.DataFrame
    margins: tuple[Margins, ...] = ()

    @property
    def findings(self) -> int:
        """Subjects that break the rule."""
        return int(self.cases["finding"].sum())

    @property
    def unjudged(self) -> int:
        """Subjects that can't be judged, each with its reason in `cases`."""
        return len(self.cases) - self.findings

    @property
    def complies(self) -> int:
        """Subjects that meet the rule."""
        return self.in_scope - len(self.cases)


def cases(count: int, **columns: Any) -> pd.DataFrame:
    """Make `count` cases, with defaults for the columns not given."""
    unknown = set(columns) - set(_DEFAULTS)
    assert not unknown, unknown
    return _cases(count, columns) if count else _no_cases().copy()


@cache
def _no_cases() -> pd.DataFrame:
    """Most rules have no cases of one kind or another: the empty frame is made once."""
    return _cases(0, {})


def _cases(count: int, columns: Mapping[str, Any]) -> pd.DataFrame:
    frame = {}
    for name, default in _DEFAULTS.items():
        value = columns.get(name, default)
        dtype = object if isinstance(default, str) else np.asarray(default).dtype
        frame[name] = np.broadcast_to(np.asarray(value, dtype=dtype), (count,))
    return pd.DataFrame(frame)


def joined(in_scope: int, *parts: pd.DataFrame, margins: tuple[Margins, ...] = ()) -> Outcomes:
    """Put the cases of a rule together."""
    return Outcomes(in_scope, together(parts), margins)


def together(parts: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Cases one after another."""
    present = [part for part in parts if len(part)]
    return pd.concat(present, ignore_index=True) if present else cases(0)
