"""What a rule form returns: every subject in scope with its outcome, and the evidence of those that don't comply."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from audit.evidence.doubt import CERTAIN, PLAIN, Reasons, Verdict, reasons_for_doubt, reasons_of
from audit.forms.margins import Margins
from audit.timeline.instants import Bools, Ints
from audit.timeline.timeline import Timeline

NONE = -1
"""Where a case has no task, flight, component or position."""
SEVERAL = "; "
"""Between the positions of a case that several of a record's boots make."""

_DEFAULTS: dict[str, Any] = {
    "finding": True,
    "reason": "",
    "subject": NONE,
    "other_subject": NONE,
    "named_by": NONE,
    "named_at": NONE,
    "task": NONE,
    "other": NONE,
    "place": NONE,
    "component": NONE,
    "flight": NONE,
    "at": NONE,
    "anchor": NONE,
    "anchor_perhaps": NONE,
    "window": NONE,
    "measured": np.nan,
    "carried": 0.0,
    "limit": np.nan,
    "unit": "",
    "detail": "",
    "ended_by": NONE,
}

Shown = Callable[[Ints, Bools], Mapping[str, Any]]
"""The columns of the cases (see Outcomes) that show the subjects at an index, of which some are findings."""
_OF_FINDINGS = ("flight", "other", "anchor_perhaps", "measured", "carried", "limit", "unit")
"""What says nothing of a subject that is not judged."""


def figures_where(frame: pd.DataFrame, judged: Bools) -> pd.DataFrame:
    """The cases, of which those that are not judged say nothing of what only a finding has."""
    # Where nothing else shows the subject it is the flight.
    is_flight = (frame[["task", "component", "place"]] == NONE).all(axis=1).to_numpy()
    said = {name: judged | is_flight if name == "flight" else judged for name in _OF_FINDINGS}
    return frame.assign(**{name: frame[name].where(where, _DEFAULTS[name]) for name, where in said.items()})


@dataclass(frozen=True)
class Judgement:
    """Every subject of a rule with its verdict, in one reading of the times.

    `broken` is the plain verdict; it stands where `doubt` is CERTAIN, which is else the number of the reason why it
    doesn't. `shown` gives the evidence.
    """

    broken: Bools
    doubt: Ints
    reasons: Reasons
    shown: Shown
    margins: tuple[Margins, ...] = ()

    def cases(self, index: Ints) -> pd.DataFrame:
        """The cases of the subjects at an index (in order)."""
        certain = self.doubt[index] == CERTAIN
        finding = self.broken[index] & certain
        frame = cases(len(index), **self.shown(index, finding))
        frame["finding"], frame["reason"] = finding, self.reasons.texts(self.doubt[index])
        return frame if certain.all() else figures_where(frame, certain)

    @property
    def outcomes(self) -> Outcomes:
        """How many are in scope, and the cases of those that don't comply."""
        return Outcomes(
            len(self.broken), self.cases(np.flatnonzero(self.broken | (self.doubt != CERTAIN))), self.margins
        )


@dataclass(frozen=True)
class Outcomes:
    """The three outcomes of one rule: in_scope = complies + findings + unjudged.

    `cases` has a row for each subject that is a finding or unjudged:
    finding    True: a finding; False: unjudged            reason    why unjudged, blank for a finding
    subject    row that identifies it                      other_subject  the second of a pair
    named_by   the task row whose number names it in ids: the first of a session
    named_at   the place that names it, where the boot may have another one since
    task       row in timeline.tasks: the evidence         other     row of a second record
    place      aircraft's position, see Timeline           component row in timeline.components
    flight     row in timeline.flights                     at        instant, microseconds UTC
    anchor     what was measured counts from this instant  window    where a boot's season or time began, where no
                                                                     record names the subject (microseconds UTC)
    anchor_perhaps  how late that may have been, where it isn't certain: less was measured then
    detail     positions of a record that break the rule, `component` is the boot of the first
    ended_by   task row whose work ended the fault by itself
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


def frame_of(defaults: Mapping[str, Any], count: int, columns: Mapping[str, Any]) -> pd.DataFrame:
    """So many rows of these columns, with defaults for those that are not given."""
    unknown = set(columns) - set(defaults)
    assert not unknown, unknown
    return pd.DataFrame({name: column(columns, name, count, defaults) for name in defaults})


def column(
    columns: Mapping[str, Any] | pd.DataFrame, name: str, count: int, defaults: Mapping[str, Any] = _DEFAULTS
) -> npt.NDArray[Any]:
    """A column of so many rows, which may be given as one value for all or not at all."""
    return np.broadcast_to(np.asarray(columns.get(name, defaults[name]), _dtype(defaults[name])), (count,))


def _dtype(default: Any) -> np.dtype[Any]:
    """What the values of a column with this default are; text stays objects."""
    return np.dtype(object) if isinstance(default, str) else np.asarray(default).dtype


def cases(count: int = 0, **columns: Any) -> pd.DataFrame:
    """Make `count` cases, with defaults for the columns not given."""
    return frame_of(_DEFAULTS, count, columns) if count else _no_cases().copy()


@cache
def _no_cases() -> pd.DataFrame:
    """Most rules have no cases of one kind or another: the empty frame is made once."""
    return frame_of(_DEFAULTS, 0, {})


def judged(timeline: Timeline, broken: Verdict, doubt: Ints, shown: Shown) -> Judgement:
    """Judge subjects plainly, and say where that is in doubt; `doubt` is why each may not be in scope."""
    plain = broken(PLAIN, np.arange(len(doubt)))
    return Judgement(plain, reasons_for_doubt(timeline, broken, plain, doubt), reasons_of(timeline), shown)


def unbroken(timeline: Timeline, doubt: Ints, shown: Shown) -> Judgement:
    """Subjects that break nothing: each complies, or is unjudged where there is a doubt."""
    return Judgement(np.zeros(len(doubt), bool), doubt, reasons_of(timeline), shown)


def subject_keys(shown: Mapping[str, Any] | pd.DataFrame, count: int) -> list[Ints]:
    """What together identifies each of `count` subjects of a rule, whatever its verdict, column by column: its rows,
    place and window; and its boot where no record names it: two may be recorded at one position."""
    subject, other, window, boot, place, named_at = (
        column(shown, name, count) for name in ("subject", "other_subject", "window", "component", "place", "named_at")
    )
    return [subject, other, window, np.where(named_at == NONE, place, named_at), np.where(subject == NONE, boot, NONE)]


def joined(several: Sequence[Judgement]) -> Judgement:
    """The judgements of different subjects of one rule as one."""
    # Subjects are numbered through: those of a part are found by where they end.
    ends = np.cumsum([len(part.broken) for part in several])

    def shown(index: Ints, finding: Bools) -> Mapping[str, Any]:
        found: dict[str, Any] = {}
        for part, end in zip(several, ends, strict=True):
            start = end - len(part.broken)
            mine = slice(*np.searchsorted(index, (start, end)))
            # A rule may have millions of subjects: a column that no part gives is not made.
            for name, values in part.shown(index[mine] - start, finding[mine]).items():
                if name not in found:
                    found[name] = np.full(len(index), _DEFAULTS[name], _dtype(_DEFAULTS[name]))
                found[name][mine] = values
        return found

    return Judgement(
        np.concatenate([part.broken for part in several]),
        np.concatenate([part.doubt for part in several]),
        several[0].reasons,
        shown,
        tuple(margin for part in several for margin in part.margins),
    )


def together(parts: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Cases one after another; where there are none, with the columns of the first part all the same."""
    every = list(parts)
    present = [part for part in every if len(part)]
    return pd.concat(present, ignore_index=True) if present else next(iter(every), cases())
