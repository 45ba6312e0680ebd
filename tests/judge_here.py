"""Export health judged in the test's own process, which imports great-expectations once."""

from __future__ import annotations

import warnings
from concurrent.futures import Future
from typing import Any

import pandas as pd

from audit.health.judge import HealthJudge, question, understood
from audit.health.judge_process import judge
from audit.health.suite import Suite


class JudgeHere(HealthJudge):
    """A judge that starts no process, and is asked and answers in the same words."""

    def __init__(self) -> None:
        pass

    def __exit__(self, *_: object) -> None:
        pass

    def ask(self, suite: Suite, profile: pd.DataFrame) -> Future[list[dict[str, Any]]]:
        """Judge at once."""
        asked = question(suite, profile)
        answer: Future[list[dict[str, Any]]] = Future()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the library imports what Python will drop
            told = judge(asked["suite"], asked["facts"])
        try:
            answer.set_result(understood(told, suite.file.name))
        except Exception as error:  # as any future hands it on
            answer.set_exception(error)
        return answer
