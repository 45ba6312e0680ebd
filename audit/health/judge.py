"""Judging export health beside the rules: the process in which great-expectations runs."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from audit.errors import AuditError, InternalError

if TYPE_CHECKING:
    import pandas as pd

    from audit.health.suite import Suite

_JUDGE = Path(__file__).with_name("judge_process.py")


class HealthJudge:
    """A process that has begun to import great-expectations, to be asked once.

    Start it before anything else is imported: the import takes longer than a nightly audit.
    """

    def __init__(self) -> None:
        # -P: the names of this folder's files must not stand in for those of other modules.
        self._process = subprocess.Popen(
            [sys.executable, "-P", str(_JUDGE)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=os.environ | {"GX_ANALYTICS_ENABLED": "False"},
        )
        self._thread = ThreadPoolExecutor(1)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._process.kill()
        self._process.wait()
        self._thread.shutdown()
        for pipe in (self._process.stdin, self._process.stdout, self._process.stderr):
            if pipe is not None:
                pipe.close()

    def ask(self, suite: Suite, profile: pd.DataFrame) -> Future[list[dict[str, Any]]]:
        """Have the suite judge a profile; the future's result has for each expectation what `judge_process` says.

        It raises AuditError where the suite asks for what the library can't do, InternalError where the library failed.
        """
        return self._thread.submit(self._answer, json.dumps(question(suite, profile)).encode(), suite.file.name)

    def _answer(self, asked: bytes, name: str) -> list[dict[str, Any]]:
        answer, said = self._process.communicate(asked)
        if self._process.returncode:
            last = said.decode(errors="replace").strip().splitlines()[-1:] or [f"code {self._process.returncode}"]
            raise InternalError(f"export health: {last[0]}")
        return understood(json.loads(answer), name)


def question(suite: Suite, profile: pd.DataFrame) -> dict[str, Any]:
    """Put a suite and a profile as `judge_process` asks for them; JSON knows no missing number but null."""
    facts = {str(name): [None if value != value else value for value in profile[name].tolist()] for name in profile}
    return {"suite": suite.written, "facts": facts}


def understood(answer: dict[str, list[Any]], suite: str) -> list[dict[str, Any]]:
    """The results of an answer; AuditError where it names faults of the suite."""
    if "faults" in answer:
        raise AuditError(*(f"{suite}: {fault}" for fault in answer["faults"]))
    return answer["results"]
