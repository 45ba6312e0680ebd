"""What the last drill showed: its summary, read back for the next report."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from audit.errors import AuditError
from audit.figures import quantity
from audit.intake.small_files import read_file
from audit.language.rule import Rule

FORMAT: Final = "deicer-audit-drill/1"
"""What a drill.json says that it is."""


@dataclass(frozen=True)
class LastDrill:
    """A drill of the records as of a day: faults planted and found, false alarms, and rules in force that it proved
    nothing of."""

    day: str
    planted: int
    detected: int
    false_alarms: int
    undrilled: tuple[str, ...]

    def __str__(self) -> str:
        """`Drilled on 2026-05-31: 2,713 of 2,720 planted faults found`."""
        return f"Drilled on {self.day}: {self.detected:,} of {self.planted:,} planted faults found"

    @property
    def but(self) -> str:
        """What stands against it: false alarms, and rules that it proved nothing of; blank where nothing does."""
        said = [quantity(self.false_alarms, "false alarm")] if self.false_alarms else []
        said += [f"nothing is proved of {quantity(len(self.undrilled), 'rule')}"] if self.undrilled else []
        return "; ".join(said)


def read_drill(path: Path, rules: Sequence[Rule]) -> LastDrill:
    """Read a drill.json beside the rules in force. AuditError, in one sentence, where it is not one."""
    content, _ = read_file(path, path.name)
    try:
        said = json.loads(content)
        if said["format"] != FORMAT:
            raise ValueError
        planted = {name: _number(found["planted"]) for name, found in said["rules"].items()}
        return LastDrill(
            day=str(said["as_of"])[:10],
            planted=_number(said["planted"]),
            detected=_number(said["detected"]),
            false_alarms=_number(said["false_alarms"]),
            undrilled=tuple(rule.id for rule in rules if not planted.get(rule.id)),
        )
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise AuditError(f"{path} is not a drill.json of this version: drill the records again") from None


def _number(value: Any) -> int:
    if not isinstance(value, int):
        raise ValueError
    return value
