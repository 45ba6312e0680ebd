"""What comes next: holds that still run, and treatments that fall due."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from audit.forms.outcomes import NONE, frame_of

_DEFAULTS: Final[dict[str, Any]] = {
    "kind": "",
    "what": "",
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
    "reason": "",
}


def coming(count: int = 0, **columns: Any) -> pd.DataFrame:
    """A row for each hold that runs, or may, at the as-of time, and for each limit of each treatment that falls due.

    kind    `hold` or `treatment`                        what    what must not happen yet, or is to be done, in words
    task    row of the last record of the treatment (NONE: none)
    place, component  the boot's, see Outcomes           since   instant from which the time or use counts
    until   instant at which the hold ends, or the first at which the treatment is overdue (NONE: not known)
    latest  instant at which the hold ends at the latest, by what is in doubt (NONE: then too, or nothing tells)
    perhaps by all that is sure the hold is over, or never began: `until` is its latest end
    closes  instant at which the season ends, or the boot comes off (NONE: neither)
    meter   `flight_hours`, `cycles`, `days`, `months`; blank for a hold
    used, limit, unit   of the meter                     broken  the hold has been broken, or the treatment is overdue
    reason  why that is in doubt, blank where it isn't
    """
    return frame_of(_DEFAULTS, count, columns)
