"""One check, stage by stage: what each took of wall, user and system time, and the peak memory by its end.

Prints a JSON object a stage, for `benchmarks.run`. The stages are the steps that a user is told of while an audit runs.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import sys
import time
from dataclasses import asdict, dataclass
from pathlib import Path

STAGES = {
    "reading the rules": "rules",
    "reading the export": "reading",
    "placing it in time": "timeline",
    "judging": "judging",
    "collecting the findings": "collecting",
    "looking at what comes next": "ahead",
    "writing the report": "writing",
}
"""What a check tells its user, and the stage that then begins."""


@dataclass
class Stage:
    """Seconds that a stage took, and the process's peak memory by its end, in bytes."""

    name: str
    wall: float
    user: float
    system: float
    peak: int = 0


class Clock:
    """Times the stages of this process, from its start."""

    def __init__(self) -> None:
        self.done: list[Stage] = []
        self._name = "imports"
        self._begun = Stage("", time.perf_counter(), 0.0, 0.0)

    def next(self, step: str) -> None:
        """End the stage under way where a step begins another."""
        name = next((name for told, name in STAGES.items() if step.startswith(told)), step)
        if name == self._name:
            return
        now = os.times()
        at = Stage("", time.perf_counter(), now.user, now.system)
        begun = self._begun
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)
        self.done.append(Stage(self._name, at.wall - begun.wall, at.user - begun.user, at.system - begun.system, peak))
        self._name, self._begun = name, at


def main() -> None:
    """Check an export and print its stages."""
    clock = Clock()
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("export", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--rules", type=Path)
    options = parser.parse_args()

    import gc

    from audit.memory import hand_back
    from audit.options import AuditOptions
    from audit.pipeline import traced_audit
    from audit.report.files import write_result

    gc.disable()  # as the command line does
    result = traced_audit(options.export, AuditOptions(rules=options.rules, ahead=True), clock.next).with_health()
    clock.next("writing the report")
    hand_back()
    write_result(result, options.out)
    clock.next("end")
    print("\n".join(json.dumps(asdict(stage)) for stage in clock.done))


if __name__ == "__main__":
    main()
