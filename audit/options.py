"""What an audit is to do, as one value."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path


@dataclass(frozen=True, kw_only=True)
class Spread:
    """By how many processes of this machine the parts of an export are judged (0: by this one), or by which cluster.

    `cluster` is the address of a Dask scheduler. `buckets` is how many parts there are (None: as many as the size of
    the export asks for), `shared` the folder they are written to for others (None: one for temporary files), which the
    machines of a cluster all see under the same path.
    """

    workers: int = 0
    cluster: str | None = None
    buckets: int | None = None
    shared: Path | None = None

    @property
    def elsewhere(self) -> bool:
        """Whether others than this process judge."""
        return self.workers > 0 or self.cluster is not None


@dataclass(frozen=True, kw_only=True)
class AuditOptions:
    """How an export is to be audited, beside the export itself.

    `rules` is the folder of rules (None: those that ship); files of `settings` override them, the last on top.
    `mapping` is the file that makes canonical tables of the export (None: it has them). `as_of` is when the audit looks
    at the records (None: the latest instant in the export). `locate` has every finding say on which line of which file
    it shows, for which a file may be read again. `previous` is the report of an earlier run that the export's health is
    measured against. `all_text` reads the free text of task records that no rule reads, too: a register keeps it.
    `ahead` looks at what comes next and where it drifts, too. `drilled` is the drill.json that the report tells of.
    `spread` tells who judges the export, in how many parts.
    """

    rules: Path | None = None
    settings: tuple[Path, ...] = ()
    mapping: Path | None = None
    as_of: datetime | None = None
    locate: bool = False
    previous: Path | None = None
    all_text: bool = False
    drilled: Path | None = None
    ahead: bool = False
    spread: Spread = Spread()
