"""What comes next: holds that still run, and treatments that fall due."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from audit.forms.outcomes import NONE, frame_of
from audit.timeline.instants import FOREVER, Ints

_DEFAULTS: Final[dict[str, Any]] = {
    "kind": "",
    "what": "",
    "subject": NONE,
    "task": NONE,
    "place": NONE,
    "component": NONE,
    "since": NONE,
    "until": NONE,
    "latest": NONE,
    "closes": NONE,
    "meter": "",
    "used": np.nan,
    "limit": np.nan,
    "unit": "",
    "perhaps": False,
    "broken": False,
    "off": False,
    "reason": "",
}


def coming(count: int = 0, **columns: Any) -> pd.DataFrame:
    """A row for each hold that runs, or may, at the as-of time, and for each limit of each treatment that falls due.

    kind    `hold` or `treatment`                        what    what must not happen yet, or is to be done, in words
    subject row that names the session of a hold         task    row of the last record of the treatment (NONE: none)
    place, component  where the boot is, see Outcomes    since   instant from which the time or use counts
    until   instant at which the hold ends, or the first at which the treatment is overdue (NONE: not known)
    latest  instant at which the hold ends at the latest, by what is in doubt (NONE: then too, or nothing tells)
    perhaps by all that is sure the hold is over, or never began: `until` is its latest end
    closes  instant at which the season ends, or the boot comes off (NONE: neither)
    meter   `flight_hours`, `cycles`, `days`, `months`; blank for a hold
    used, limit, unit   of the meter                     broken  the hold has been broken, or the treatment is overdue
    off     the boot is on no aircraft: `place` and `component` are its last
    reason  why that is in doubt, blank where it isn't
    """
    return frame_of(_DEFAULTS, count, columns)


def in_every_reading(parts: Sequence[pd.DataFrame], tried: Ints, doubt: str) -> pd.DataFrame:
    """What comes by several readings of ambiguous times, as one list: what is so in all of them stands, of the rest all
    that may be, with the doubt.

    `tried` tells in how many readings each row was looked for, part after part.
    """
    every = pd.concat([part for part in parts if len(part)], ignore_index=True) if tried.size else parts[0]
    if not len(every):
        return every
    every["tried"] = tried
    # What falls due is of a boot, whichever treatment it counts from; of a boot several cures may run.
    named = every["subject"].where(every["kind"] == "hold", NONE)
    same = [every[name] for name in ("kind", "what", "place", "component", "meter")]
    of = every.groupby([*same, named], sort=False).ngroup()
    groups = every.groupby(of.to_numpy(), sort=False)
    # In every reading in which it was looked for, and the same in each.
    agreed = (groups["kind"].transform("size") == tried) & (
        groups[_JUDGED].transform("nunique", dropna=False) == 1
    ).all(axis=1)
    sure = every[agreed & ~of.duplicated()]
    disputed = every[~agreed]
    open_ = [_one_of(rows, doubt) for _, rows in disputed.groupby(of[~agreed].to_numpy(), sort=False)]
    found = pd.concat([sure, pd.DataFrame(open_, columns=every.columns).astype(every.dtypes)]).sort_index(kind="stable")
    return found[list(_DEFAULTS)].reset_index(drop=True)


def _one_of(rows: pd.DataFrame, doubt: str) -> pd.Series:
    """One row for those of several readings that don't say the same, in the place of the first."""
    first, always = rows.iloc[0].copy(), len(rows) == rows["tried"].iloc[0]
    until = rows["until"].replace(NONE, FOREVER)
    if first["kind"] == "treatment":
        # Treated latest it was flown least: what may be due the soonest is told.
        soonest = rows.iloc[np.lexsort((-rows["used"], until))[0]]
        first = soonest.copy().rename(first.name)
    else:
        last = np.where(rows["latest"] == NONE, until, rows["latest"]).max()
        first["perhaps"] = bool(rows["perhaps"].any() or not always)
        ends = last if first["perhaps"] else until.min()
        first["until"], first["latest"] = (NONE if at == FOREVER else at for at in (ends, last))
        first["broken"] = bool(rows["broken"].all() and always)
    first["reason"] = first["reason"] or doubt
    return first


_JUDGED: Final = ["until", "latest", "perhaps", "used", "broken"]
