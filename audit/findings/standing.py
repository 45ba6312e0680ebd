"""What a register says of the findings of a run: what is new, what is gone and why, what was decided."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import pandas as pd

Change = Literal["new", "still", "back"]

STANDING_COLUMNS: Final = ("change", "first_found", "decision", "decided", "disputed")
"""Columns that a register adds to the findings: text, save `first_found` (datetime64[us, UTC]), the as-of time of the
run that first found it. `change` is new, still or back; `decision` accepted, deferred, expired or blank; `decided` says
by whom, until when and why; `disputed` says who answered that it was done."""

GONE_COLUMNS: Final = (
    "finding_id", "rule", "level", "aircraft", "position", "work_order", "task_id", "why", "since",
)  # fmt: skip
"""Columns of gone.csv: text, save `since` (datetime64[us, UTC]), since which run's as-of time that is so."""

ALTERED_COLUMNS: Final = ("task_id", "what", "column", "was", "now", "first_seen")
"""Columns of altered.csv: text, save `first_seen` (datetime64[us, UTC]), the as-of time of the run that saw it first.
`what` is altered (a signed record says something else in a column), vanished (it is in the export no more) or entered
late (an earlier run did not have it, though its work had ended days before; `was` is that run's as-of time, `now` when
the work ended)."""

CLEARED: Final = "cleared"
"""Why a finding is gone: its subject was judged again and complies. No other reason clears one."""


@dataclass(frozen=True, eq=False)
class Standing:
    """What a register says of a run.

    `register` is its name, `run` the number of this run, `previous` the as-of time of the last run before, None where
    there is none. `gone` (GONE_COLUMNS) are the findings that were open, are not found now, and were not cleared by an
    earlier run. `altered` (ALTERED_COLUMNS) is what has happened to signed records in this run and all before; the last
    `altered_now` of it came with this run. `unused`
    are decisions in force that cover nothing, a sentence each; `renamed` pairs of a finding that is gone and a new one
    that may be the same under another name, a sentence each, for somebody to look at: nothing is merged. `seal` seals
    the run, and `signature` (armoured, detached) signs `seal_text`, where somebody asked for it.
    """

    register: str
    run: int
    previous: pd.Timestamp | None
    gone: pd.DataFrame
    altered: pd.DataFrame
    unused: tuple[str, ...] = ()
    renamed: tuple[str, ...] = ()
    altered_now: int = 0
    seal: str = ""
    signature: str = ""

    @property
    def seal_text(self) -> str:
        """The seal as a text that can be signed, printed and kept: what it seals, and the seal."""
        return f"deicer-audit register {self.register}\nrun {self.run}\nseal {self.seal}\n"
